//! Filters, sensor tables and Rogowski coils through the node and through `measure`: the same
//! numbers in both, and those of the waveform in closed form.

use serde_json::Value;
use std::f64::consts::{PI, SQRT_2, TAU};
use std::fmt::Write as _;
use std::path::Path;
use wattless::analyse::measure::{MeasureOptions, measure};
use wattless::collect::counts::CountsWriter;
use wattless::collect::waveform::{OpenOptions, open};
use wattless_core::calibration::{ChannelCalibration, SensorKind, SensorPoint};
use wattless_core::flags::Flags;
use wattless_core::frame::Frame;
use wattless_core::interval::{Energies, IntervalSummary};
use wattless_core::settings::Settings;
use wattless_core::window::Nominal;
use wattless_node::sampler::Sampler;
use wattless_tests::program;

const RATE: f64 = 8000.0;
const F: f64 = 50.04;

/// Harmonics of the current: order, share of the fundamental, angle in degrees.
const HARMONICS: [(f64, f64, f64); 5] = [
    (1.0, 1.0, 0.0),
    (5.0, 0.2, 170.0),
    (7.0, 0.12, 20.0),
    (23.0, 0.04, -60.0),
    (49.0, 0.02, 100.0),
];

/// What a channel's way does to a wave of a frequency and order: amplitude and angle in radians.
type Way<'a> = &'a dyn Fn(f64, f64) -> (f64, f64);

/// One sample of a feeder of 230 V with 5 % of fifth, 50 A with harmonics, 40° lagging.
fn sample(n: usize, v_way: Way, i_way: Way) -> [f64; 6] {
    let t = (n as f64 + 0.5) / RATE;
    let mut x = [0.0; 6];
    for (slot, x) in x.iter_mut().enumerate() {
        let turn = -TAU / 3.0 * (slot % 3) as f64;
        let (rms, lag, list, way): (_, _, &[(f64, f64, f64)], _) = if slot < 3 {
            (230.0, 0.0, &[(1.0, 1.0, 0.0), (5.0, 0.05, 35.0)], v_way)
        } else {
            (50.0, -40.0, &HARMONICS, i_way)
        };
        for &(h, share, angle) in list {
            let (gain, ahead) = way(h * F, h);
            let a = h * (TAU * F * t + turn + lag * PI / 180.0) + angle * PI / 180.0 + ahead;
            *x += SQRT_2 * rms * share * gain * libm::cos(a);
        }
    }
    x
}

fn plain(_: f64, _: f64) -> (f64, f64) {
    (1.0, 0.0)
}

/// A coil: the rate of change, one for one at 50 Hz.
fn coil(f: f64, _: f64) -> (f64, f64) {
    (f / 50.0, PI / 2.0)
}

/// True RMS, P and Q1 of the first phase.
fn truth() -> (f64, f64, f64, f64) {
    let i2: f64 = HARMONICS.iter().map(|h| h.1 * h.1).sum();
    let lag = 40.0 * PI / 180.0;
    // Fifths: their own angles, the fundamental's lag five times.
    let fifth = (35.0 - 170.0) * PI / 180.0 + 5.0 * lag;
    let p = 230.0 * 50.0 * (libm::cos(lag) + 0.05 * 0.2 * libm::cos(fifth));
    let q1 = 230.0 * 50.0 * libm::sin(lag);
    (230.0 * libm::sqrt(1.0025), 50.0 * libm::sqrt(i2), p, q1)
}

fn near(name: &str, got: &Value, want: f64, limit: f64) {
    let got = got.as_f64().unwrap_or_else(|| panic!("{name}: no number"));
    assert!((got / want - 1.0).abs() < limit, "{name}: {got}, not {want}");
}

fn csv(path: &Path, seconds: f64, v_way: Way, i_way: Way) {
    let mut text = String::from("t_s,v1_v,v2_v,v3_v,i1_a,i2_a,i3_a\n");
    for n in 0..(seconds * RATE) as usize {
        let _ = write!(text, "{:.7}", n as f64 / RATE);
        for x in sample(n, v_way, i_way) {
            let _ = write!(text, ",{x:.6}");
        }
        text.push('\n');
    }
    std::fs::write(path, text).unwrap();
}

fn run(args: &[&str]) -> Value {
    let out = program::command().arg("measure").args(args).arg("--json").output().unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    serde_json::from_slice(&out.stdout).unwrap()
}

fn check(json: &Value, limit: f64) {
    let (v, i, p, q1) = truth();
    let phase = &json["readings"][0]["phases"][0];
    near("V", &phase["v_rms_v"], v, limit);
    near("I", &phase["i_rms_a"], i, limit);
    near("P", &phase["p_w"], p, limit);
    near("Q1", &phase["q1_var"], q1, limit);
    for (h, share, _) in HARMONICS {
        let line = &phase["i_harmonics"][h as usize - 1];
        // Of the fundamental, as the accuracy of harmonics is stated.
        let off = (line["rms_a"].as_f64().unwrap() / 50.0 - share).abs();
        assert!(off < 5e-4, "order {h}: {line}");
    }
}

/// A recording of coils, which begins within a wave: right in its first window already.
#[test]
fn a_recording_of_coils_reads_as_its_currents() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("coils.csv");
    csv(&path, 0.45, &plain, &coil);
    let path = path.to_str().unwrap();
    let json = run(&[path, "--rogowski", "50"]);
    check(&json, 5e-5);
    let flags = json["readings"][0]["flags"].as_array().unwrap();
    assert!(flags.iter().any(|f| f == "i_dc_removed"), "{flags:?}");
    assert!(!flags.iter().any(|f| f == "i_settling"), "{flags:?}");
    // The same taken as currents is something else.
    let wrong = run(&[path]);
    let i = wrong["readings"][0]["phases"][0]["i_rms_a"].as_f64().unwrap();
    assert!(i > 60.0, "{i}");
}

/// A settings file brings filters and a table: 2 kΩ·10 nF, the sinc³ of 8 kSPS, class 1 errors.
#[test]
fn a_settings_file_brings_filters_and_tables() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("filtered.csv");
    // |sin(Nx)/(N sin x)|³ of the converter's data sheet and 1/(1 + jωRC); the sensor's ratio is
    // 2 % low and its lead 100' at the fundamental, falling with the order.
    let filters = |f: f64, _: f64| {
        let x = PI * f / 4_096_000.0;
        let sinc = libm::sin(512.0 * x) / (512.0 * libm::sin(x));
        let rc = TAU * f * 20e-6;
        (sinc * sinc * sinc / libm::sqrt(1.0 + rc * rc), -libm::atan(rc))
    };
    let sensor = |f: f64, h: f64| {
        let (gain, angle) = filters(f, h);
        (gain * 0.98, angle + 100.0 / 60.0 * PI / 180.0 / h)
    };
    csv(&path, 0.45, &filters, &sensor);
    let settings = folder.path().join("node.toml");
    let channels = |names: [&str; 3], more: &str| {
        names.map(|n| format!("[channel.{n}]\nrc_ns = 20000\n{more}")).concat()
    };
    let table =
        "rated_a = 100.0\ntable = [{ load_pct = 10.0, ratio_pct = -2.0, lead_min = 100.0 }]\n";
    let text = format!(
        "sinc3_osr = 512\n{}{}",
        channels(["v1", "v2", "v3"], ""),
        channels(["i1", "i2", "i3"], table)
    );
    std::fs::write(&settings, text).unwrap();
    let path = path.to_str().unwrap();
    check(&run(&[path, "--sensors", settings.to_str().unwrap()]), 5e-5);
}

#[test]
fn readings_come_with_their_uncertainty() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("plain.csv");
    csv(&path, 0.45, &plain, &plain);
    let site = folder.path().join("site.toml");
    std::fs::write(
        &site,
        "[uncertainty]\ncurrent_class = \"0.5\"\nvoltage_class = \"0.5\"\ncurrent_rated_a = 50.0\n",
    )
    .unwrap();
    let (path, site) = (path.to_str().unwrap(), site.to_str().unwrap());
    let json = run(&[path, "--uncertainty", "--site", site]);
    let phase = &json["readings"][0]["phases"][0];
    // The notes' table: class 0.5, not calibrated, 100 % load: 0.86 % of V and of I (k = 2).
    near("V", &phase["v_rms_v_expanded"], 0.0086 * 230.3, 0.02);
    near("I", &phase["i_rms_a_expanded"], 0.0086 * 51.4, 0.03);
    assert!(phase["i_harmonics"][4]["rms_a_expanded"].as_f64().unwrap() > 0.1);
    assert!(json["readings"][0]["total"]["p_w_expanded"].as_f64().unwrap() > 100.0);
    assert_eq!(json["uncertainty"]["coverage_factor"], 2.0);
    let out = program::command()
        .args(["measure", path, "--uncertainty", "--site", site])
        .output()
        .unwrap();
    let text = String::from_utf8(out.stdout).unwrap();
    assert!(text.contains("expanded uncertainty (k = 2)") && text.contains("±2.0 V"), "{text}");
    assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
}

/// A node and `measure` on the same counts of coils behind filters, with an overload: the same
/// intervals to the last bit, however the frames come.
#[test]
fn node_and_file_agree_to_the_last_bit() {
    let mut settings = Settings { interval_s: 1, ..Settings::default() };
    let c = &mut settings.power.calibration;
    for (slot, c) in c.channels.iter_mut().enumerate() {
        *c = ChannelCalibration::with_gain(6e-5);
        c.offset_counts = 500 * slot as i32;
        c.delay_ns = -3000 * slot as i32;
    }
    c.sinc3_osr = 512;
    c.rc_ns = [10_000; 8];
    c.sensors[0].kind = SensorKind::Rogowski(Nominal::Hz50);
    c.sensors[2].kind = SensorKind::Rogowski(Nominal::Hz60);
    c.sensors[1].rated_a = 100.0;
    c.sensors[1].table[0] = SensorPoint { load_permille: 100, ratio_ppm: -5000, lead_urad: 9000 };
    c.sensors[1].table[1] = SensorPoint { load_permille: 900, ratio_ppm: -1000, lead_urad: 4000 };
    assert_eq!(settings.check(), Ok(()));
    let frames: Vec<Frame> = (0..(9.0 * RATE) as usize)
        .map(|n| {
            let loud = if (40_000..40_200).contains(&n) { 9.0 } else { 1.0 };
            let x = sample(n, &plain, &coil);
            let mut counts = [0; 8];
            for (slot, count) in counts.iter_mut().take(6).enumerate() {
                let c = settings.power.calibration.channels[slot];
                *count =
                    (x[slot] * if slot < 3 { 1.0 } else { loud } / c.gain) as i32 + c.offset_counts;
            }
            Frame::new(counts)
        })
        .collect();

    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("coils.counts");
    let file = std::fs::File::create(&path).unwrap();
    let mut w = CountsWriter::new(file, RATE, &settings, 6).unwrap();
    w.write(&frames).unwrap();
    w.finish().unwrap();
    let mut file = open(&path, &OpenOptions::default()).unwrap();
    let options = MeasureOptions { interval_s: Some(1.0), ..MeasureOptions::default() };
    let m = measure(&mut file, &options).unwrap();

    for piece in [37, 64, 1000] {
        let mut node = Sampler::new(RATE, &settings, Energies::default()).unwrap();
        let mut summaries: Vec<IntervalSummary> = Vec::new();
        for chunk in frames.chunks(piece) {
            node.push(chunk);
            while let Some(f) = node.waiting() {
                summaries.push(f.summary);
                node.written();
            }
        }
        assert!(summaries.len() >= 8);
        for (mine, nodes) in m.intervals.iter().zip(&summaries) {
            assert_eq!(mine.summary, *nodes, "pieces of {piece}");
        }
    }
    let has = |k: usize, f: Flags| m.intervals[k].summary.flags.contains(f);
    assert!(has(0, Flags::I_SETTLING) && !has(3, Flags::I_SETTLING));
    assert!(has(5, Flags::I_CLIPPED) && has(6, Flags::I_SETTLING) && !has(8, Flags::I_SETTLING));
    // Settled, the coil's current is there; before the overload and after it.
    let (_, i, ..) = truth();
    for k in [3, 4, 8] {
        let got = m.intervals[k].summary.phases[0].i_rms_a;
        let droop_only_between = (got / i - 1.0).abs();
        assert!(droop_only_between < 0.02, "{k}: {got} A");
    }
}
