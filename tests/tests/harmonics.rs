//! Harmonics, sequence and the parts of apparent power from the outside, against numpy.
//!
//! The script `reference_harmonics.py` fits all orders to the same samples by least squares.

use serde_json::Value;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;
use wattless_tests::program;
use wattless_tests::waveform::{Component, Wave, distorted};

/// A Python that has numpy, made once under `target`.
fn python() -> PathBuf {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let folder = root.join("target").join("numpy-venv");
    let python = folder.join("bin").join("python");
    let run = |program: &Path, args: &[&str]| {
        Command::new(program).args(args).output().is_ok_and(|o| o.status.success())
    };
    if !run(&python, &["-c", "import numpy"]) {
        let made = run(Path::new("python3"), &["-m", "venv", &folder.display().to_string()]);
        let pip = ["-m", "pip", "install", "--quiet", "--disable-pip-version-check", "numpy"];
        assert!(made && run(&python, &pip), "numpy could not be installed");
    }
    python
}

fn csv(channels: &[Wave], names: &str, f: f64, rate: f64, rows: usize) -> String {
    let mut text = format!("t_s,{names}\n");
    for n in 0..rows {
        let _ = write!(text, "{:.9}", n as f64 / rate);
        for wave in channels {
            let mut x = 0.0;
            for c in wave {
                let turns = c.order * f * n as f64 / rate + c.angle_deg / 360.0;
                let root2 = if c.order == 0.0 { 1.0 } else { core::f64::consts::SQRT_2 };
                let angle = std::f64::consts::TAU * (turns - turns.floor());
                x += root2 * c.rms * libm::cos(angle);
            }
            let _ = write!(text, ",{x:.7}");
        }
        text.push('\n');
    }
    text
}

const SIX: &str = "v1_v,v2_v,v3_v,i1_a,i2_a,i3_a";

fn measure(path: &Path, args: &[&str]) -> Value {
    let out = program::command().arg("measure").arg(path).arg("--json").args(args).output();
    let out = out.unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    serde_json::from_slice(&out.stdout).unwrap()
}

/// Limits of EN 50160 for voltages all at once, and a six-pulse rectifier's currents to order 49
/// (common practice), with some even orders and the highest one.
fn feeder() -> Vec<Wave> {
    let v = [(2, 2.0, 10.0), (3, 5.0, 40.0), (5, 6.0, 100.0), (7, 5.0, 130.0), (11, 3.5, 190.0)];
    let i = [
        (2, 1.0, 70.0),
        (5, 20.0, 180.0),
        (7, 14.29, 0.0),
        (11, 9.09, 180.0),
        (13, 7.69, 0.0),
        (25, 4.0, 20.0),
        (49, 2.04, 0.0),
        (50, 0.5, 33.0),
    ];
    let rms = [231.0, 226.0, 234.0, 80.0, 71.0, 92.0];
    let at = [12.0, -107.0, 131.0, -20.0, -146.0, 88.0];
    let mut waves: Vec<Wave> =
        (0..6).map(|k| distorted(rms[k], at[k], if k < 3 { &v } else { &i })).collect();
    waves[3].push(Component { order: 0.0, rms: 1.5, angle_deg: 0.0 });
    waves
}

#[test]
fn numpy_reads_the_same_at_every_frequency_and_rate() {
    let folder = tempfile::tempdir().unwrap();
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("reference_harmonics.py");
    for (f, rate) in [
        (50.0, 8000.0),
        (60.0, 8000.0),
        (42.5, 8000.0),
        (47.313, 8000.0),
        (57.2, 8000.0),
        (69.0, 8000.0),
        (50.0, 20_000.0),
        (49.97, 6400.0),
        (60.02, 7680.0),
    ] {
        let (path, json) = (folder.path().join("f.csv"), folder.path().join("f.json"));
        std::fs::write(&path, csv(&feeder(), SIX, f, rate, (rate * 0.9) as usize)).unwrap();
        std::fs::write(&json, measure(&path, &[]).to_string()).unwrap();
        let mut reference = Command::new(python());
        reference.args([&script, &path, &json]).arg(f.to_string());
        let out = reference.output().unwrap();
        assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
        let worst: Value = serde_json::from_slice(&out.stdout).unwrap();
        println!("{f} Hz at {rate}: {worst}");
        let below = |key: &str, limit: f64| {
            let x = worst[key].as_f64().unwrap();
            assert!(x < limit, "{f} Hz at {rate}: {key} {x}, limit {limit}");
        };
        below("rms_limits", 0.5);
        below("angle_deg", 0.5);
        below("thd", 0.02);
        below("parts", 0.02);
        below("sequence", 0.01);
    }
}

/// Orders near half the sample rate are absent, not zero: 5760 a second at 60 Hz has 48.
#[test]
fn orders_beyond_the_sample_rate_are_absent() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("slow.csv");
    for (rate, f, highest) in [(5760.0, 60.0, 44), (2000.0, 50.0, 16), (8000.0, 50.0, 50)] {
        let waves: Vec<Wave> =
            (0..6).map(|k| distorted(10.0, -120.0 * (k % 3) as f64, &[(5, 4.0, 0.0)])).collect();
        std::fs::write(&path, csv(&waves, SIX, f, rate, rate as usize)).unwrap();
        let r = &measure(&path, &[])["readings"][0];
        let phase = &r["phases"][1];
        for kind in ["v_harmonics", "i_harmonics"] {
            let lines = phase[kind].as_array().unwrap();
            assert_eq!(lines.len(), highest, "{rate} {f}");
            let (first, fifth) = (&lines[0], &lines[4]);
            assert_eq!((&first["order"], &fifth["order"]), (&1.into(), &5.into()));
        }
        let thd = phase["v_thd_pct"].as_f64().unwrap();
        assert!((thd - 4.0).abs() < 1e-3, "{thd}");
    }
}

/// IEEE Std 1459-2010, Annex B, from memory (the inputs are recalled from its powers per order).
#[test]
fn the_standards_single_phase_example() {
    let part = |order: f64, rms: f64, angle_deg: f64| Component { order, rms, angle_deg };
    let v = vec![
        part(1.0, 100.0, 0.0),
        part(3.0, 8.0, 70.0),
        part(5.0, 15.0, -141.0),
        part(7.0, 5.0, -142.0),
    ];
    let i = vec![
        part(1.0, 100.0, -30.0),
        part(3.0, 20.0, -25.0),
        part(5.0, 15.0, -234.0),
        part(7.0, 10.0, -234.0),
    ];
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("annex.csv");
    std::fs::write(&path, csv(&[v, i], "v1_v,i1_a", 60.0, 9600.0, 9600)).unwrap();
    let r = &measure(&path, &["--demand-current", "150"])["readings"][0];
    let phase = &r["phases"][0];
    for (key, want, tolerance) in [
        ("v_rms_v", 101.56, 0.005),
        ("i_rms_a", 103.56, 0.005),
        ("v_thd_pct", 17.72, 0.005),
        ("i_thd_pct", 26.93, 0.005),
        // The harmonics over 150 A instead of 100 A.
        ("i_tdd_pct", 26.93 / 1.5, 0.005),
        ("s_va", 10_517.49, 0.3),
        ("s1_va", 10_000.0, 0.3),
        ("sn_va", 3258.47, 0.3),
        ("di_var", 2692.58, 0.3),
        ("dv_var", 1772.0, 0.3),
        ("sh_va", 477.13, 0.3),
        ("dh_var", 476.34, 0.3),
        ("ph_w", -27.47, 0.01),
        ("n_var", 6007.71, 0.3),
        ("q1_var", 5000.0, 0.1),
        ("pf", 0.8208, 5e-5),
        ("dpf", 0.8660, 5e-5),
    ] {
        let got = phase[key].as_f64().unwrap_or_else(|| panic!("{key}: {phase}"));
        assert!((got - want).abs() <= tolerance, "{key}: {got}, printed {want}");
    }
    assert_eq!(r["sequence"], Value::Null);
}

/// Pulses of ±1 that are 60° wide and never overlap: the neutral carries sqrt 3 times the phase
/// current (the limit is common practice for single-phase loads that draw current in pulses).
#[test]
fn pulses_that_do_not_overlap_all_return_in_the_neutral() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("pulses.csv");
    let mut text = format!("t_s,{SIX},in_a\n");
    // 9600 a second at 50 Hz: 192 samples a cycle, a pulse is 32 of them.
    for n in 0..9600i32 {
        let _ = write!(text, "{:.9}", f64::from(n) / 9600.0);
        let v = |k: i32| 325.0 * libm::cos(std::f64::consts::TAU * f64::from(n - 64 * k) / 192.0);
        for k in 0..3 {
            let _ = write!(text, ",{:.6}", v(k));
        }
        let pulse = |k: i32| match (n - 64 * k + 16).rem_euclid(192) {
            0..32 => 1.0,
            96..128 => -1.0,
            _ => 0.0,
        };
        for k in 0..3 {
            let _ = write!(text, ",{}", pulse(k));
        }
        let _ = writeln!(text, ",{}", -(pulse(0) + pulse(1) + pulse(2)));
    }
    std::fs::write(&path, &text).unwrap();
    let r = &measure(&path, &[])["readings"][0];
    let neutral = &r["neutral"];
    let number = |v: &Value| v.as_f64().unwrap();
    let phase = number(&r["phases"][0]["i_rms_a"]);
    let ratio = number(&neutral["i_rms_a"]) / phase;
    assert!((ratio - libm::sqrt(3.0)).abs() < 1e-3, "{ratio}");
    assert_eq!(neutral["measured"], true);
    assert!((number(&neutral["i_sum_of_phases_a"]) / phase - ratio).abs() < 1e-6);
    assert_eq!(r["flags"], serde_json::json!(["neutral_measured"]));
    // Without the sensor the sum says the same; a sensor turned round reads the same, one with
    // a wrong ratio is told.
    std::fs::write(&path, text.lines().map(cut_last).collect::<Vec<_>>().join("\n")).unwrap();
    let computed = &measure(&path, &[])["readings"][0]["neutral"];
    assert_eq!(computed["measured"], false);
    assert!((number(&computed["i_rms_a"]) / phase - ratio).abs() < 1e-6);
    for (factor, flags) in
        [(-1, &["neutral_measured"][..]), (2, &["neutral_measured", "neutral_differs"])]
    {
        let lines: Vec<_> = text.lines().map(|line| scale_last(line, factor)).collect();
        std::fs::write(&path, lines.join("\n")).unwrap();
        assert_eq!(measure(&path, &[])["readings"][0]["flags"], serde_json::json!(flags));
    }
}

/// Supplies that cannot be followed are named, and no figure of a fundamental is given.
#[test]
fn other_supplies_are_named_and_have_no_harmonics() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("other.csv");
    for f in [50.0 / 3.0, 400.0] {
        let waves: Vec<Wave> =
            (0..6).map(|k| distorted(100.0, -120.0 * (k % 3) as f64, &[])).collect();
        std::fs::write(&path, csv(&waves, SIX, f, 8000.0, 8000)).unwrap();
        let json = measure(&path, &[]);
        let got = json["alternates_hz"].as_f64().unwrap();
        assert!((got / f - 1.0).abs() < 0.01, "{got} {f}");
        let r = &json["readings"][0];
        assert!(r["flags"].as_array().unwrap().contains(&"no_fundamental".into()));
        for key in ["frequency_hz", "sequence"] {
            assert!(r[key].is_null(), "{key}");
        }
        for key in ["v_harmonics", "i_harmonics", "v_thd_pct", "i_thd_pct", "q1_var", "s1_va"] {
            assert!(r["phases"][0][key].is_null(), "{key}");
        }
        let out = program::command().arg("measure").arg(&path).output().unwrap();
        let text = String::from_utf8(out.stdout).unwrap();
        assert!(text.contains("only supplies\nof 40 to 72 Hz"), "{text}");
    }
}

/// A line without its last cell.
fn cut_last(line: &str) -> String {
    line.rsplit_once(',').map_or("", |(head, _)| head).to_owned()
}

/// A line with its last number multiplied.
fn scale_last(line: &str, factor: i32) -> String {
    match line.rsplit_once(',') {
        Some((head, last)) => match last.parse::<i32>() {
            Ok(x) => format!("{head},{}", x * factor),
            Err(_) => line.to_owned(),
        },
        None => line.to_owned(),
    }
}
