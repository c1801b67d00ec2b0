//! What harmonics tell of a connection, from served bench nodes and from files.
//!
//! The bench's feeder answers the supply's harmonics by its own model (locked-rotor branch of the
//! motor's equivalent circuit, elements of the bank); the check knows nothing of it.

use serde_json::Value;
use std::f64::consts::{SQRT_2, TAU};
use std::path::Path;
use wattless_core::complex::Complex;
use wattless_tests::program::{self, Served};

/// A feeder of the joinery: one motor without load, and what is given beside it.
fn scenario(node: &str, loads: &str) -> String {
    format!(
        r#"
[plant]
name = "Brackwater Joinery"
feeder = "Resaw"
time_zone = "Europe/Berlin"
[span]
start = "2026-03-02"
seed = 4
[supply]
nominal_v = 400.0
nominal_hz = 50.0
wiring = "four-wire"
unbalance_pct = 0.7
harmonics = [{{ order = 5, pct = 1.4, angle_deg = 75.0 }}, {{ order = 7, pct = 0.8, angle_deg = 10.0 }}]
[node]
i_range_peak_a = 250.0
{node}
[[motor]]
name = "Resaw"
rated_kw = 45.0
efficiency = 0.94
pf = 0.86
work_load = [0.0, 0.0]
{loads}
"#
    )
}

const BANK: &str = "[[capacitor]]\nname = \"Bank\"\nkvar = 30.0\nconnected = \"delta\"\n";
const DETUNED: &str = "[[capacitor]]\nname = \"Bank\"\nkvar = 30.0\ndetuning_pct = 7.0\n";
/// All clamps on the next line.
const SHIFTED: &str = "[node.leads]\ni1 = \"l2\"\ni2 = \"l3\"\ni3 = \"l1\"\n";
const SHIFTED_BACK: &str = "[node.leads]\ni1 = \"l3\"\ni2 = \"l1\"\ni3 = \"l2\"\n";
const TURNED_TOO: &str = "[node.leads]\ni1 = \"-l2\"\ni2 = \"-l3\"\ni3 = \"-l1\"\n";
const COIL: &str = "[node.sensors]\nkind = \"rogowski\"\n";
const FILTERS: &str = "[node.front_end]\nsinc3_osr = 512\nrc_ns = 10000\n";

/// The answer of a served node, told nothing of its load.
fn asked(folder: &Path, node: &str, loads: &str) -> Value {
    let path = folder.join("feeder.toml");
    std::fs::write(&path, scenario(node, loads)).unwrap();
    let served = Served::new(&[path.as_os_str(), "--at".as_ref(), "2026-03-03T10:00".as_ref()]);
    for _ in 0..100 {
        let args = ["hookup", &served.address, "--json"];
        let out = program::command().args(args).output().unwrap();
        if let Ok(answer) = serde_json::from_slice(&out.stdout) {
            return answer;
        }
        let error = String::from_utf8_lossy(&out.stderr).into_owned();
        assert!(error.contains("no reading yet"), "{error}");
        std::thread::sleep(std::time::Duration::from_millis(100));
    }
    panic!("no reading from the bench node");
}

fn codes(answer: &Value) -> Vec<&str> {
    answer["why"].as_array().unwrap().iter().map(|w| w["code"].as_str().unwrap()).collect()
}

/// An idle motor is passed at a live node, untold; with its clamps elsewhere it is not.
#[test]
fn an_idle_motor_is_told_at_a_live_node() {
    let folder = tempfile::tempdir().unwrap();
    for node in ["", COIL, FILTERS] {
        let answer = asked(folder.path(), node, "");
        assert_eq!(answer["verdict"], "right", "{node}: {answer:#}");
        assert!(codes(&answer).contains(&"harmonics_agree"), "{node}: {answer:#}");
    }
    for leads in [SHIFTED, SHIFTED_BACK, TURNED_TOO] {
        let answer = asked(folder.path(), leads, "");
        assert_ne!(answer["verdict"], "right", "{leads}: {answer:#}");
        assert!(codes(&answer).contains(&"harmonics_speak_for"), "{leads}: {answer:#}");
    }
}

/// A bank that outweighs its motor, clamps on the next line: reads as a loaded motor, and is told.
#[test]
fn a_strongly_leading_load_on_the_wrong_lines_is_told() {
    let folder = tempfile::tempdir().unwrap();
    for bank in [BANK, DETUNED] {
        for leads in [SHIFTED, SHIFTED_BACK, TURNED_TOO] {
            let answer = asked(folder.path(), leads, bank);
            assert_ne!(answer["verdict"], "right", "{bank}{leads}: {answer:#}");
            assert!(codes(&answer).contains(&"harmonics_speak_for"), "{bank}{leads}: {answer:#}");
        }
        let answer = asked(folder.path(), "", bank);
        assert_eq!(answer["verdict"], "doubtful", "{answer:#}");
        assert!(codes(&answer).contains(&"harmonics_agree"), "{bank}: {answer:#}");
    }
}

/// Lines' voltages and currents of a linear load, written as six columns with clamps moved on.
fn file(folder: &Path, load: impl Fn(f64) -> Complex, shift: usize) -> std::path::PathBuf {
    let lines = [(1.0, 230.0, 0.3), (5.0, 3.1, 1.9), (7.0, 1.7, -0.8)];
    let mut text = String::from("t_s,v1_v,v2_v,v3_v,i1_a,i2_a,i3_a\n");
    for k in 0..6000 {
        let t = f64::from(k) / 6000.0;
        text += &format!("{t:.6}");
        for slot in 0..6 {
            let line = if slot < 3 { slot } else { (slot + shift) % 3 };
            let mut x = 0.0;
            for (h, v, angle) in lines {
                let turn = h * (TAU * 50.03 * t - TAU / 3.0 * line as f64) + angle;
                let y = if slot < 3 { Complex::new(1.0, 0.0) } else { load(h) };
                x += SQRT_2 * v * y.abs() * libm::cos(turn + y.arg());
            }
            text += &format!(",{x:.4}");
        }
        text.push('\n');
    }
    let path = folder.join("waves.csv");
    std::fs::write(&path, text).unwrap();
    path
}

/// One over a resistance and a reactance in series.
fn series(r: f64, x: f64) -> Complex {
    Complex::new(r, -x).scale(1.0 / (r * r + x * x))
}

/// Recordings in closed form: a motor of 4 Ω at no load and of 0.9 Ω leakage, and the same beside
/// a bank of 2.2 Ω. Impedances of a phase at 50 Hz.
#[test]
fn recordings_are_told_likewise() {
    let folder = tempfile::tempdir().unwrap();
    let idle = |h: f64| {
        let machine = if h == 1.0 { series(0.0, 4.0) } else { series(0.15, 0.9 * h) };
        machine + Complex::new(0.003, 0.0)
    };
    let leading = |h: f64| idle(h) + Complex::new(0.02 * h, h / 2.2);
    let judge = |path: &Path| -> Value {
        let out = program::command().arg("hookup").arg(path).arg("--json").output().unwrap();
        serde_json::from_slice(&out.stdout).unwrap()
    };
    let answer = judge(&file(folder.path(), idle, 0));
    assert_eq!(answer["verdict"], "right", "{answer:#}");
    for shift in [1, 2] {
        let answer = judge(&file(folder.path(), leading, shift));
        assert_ne!(answer["verdict"], "right", "{shift}: {answer:#}");
        assert!(codes(&answer).contains(&"harmonics_speak_for"), "{shift}: {answer:#}");
    }
}
