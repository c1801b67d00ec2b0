//! `node calibrate` against a bench node whose sensor errors are known: what it finds is what
//! was put in, and what the node reads afterwards is the truth.

use serde_json::Value;
use std::process::Output;
use wattless_tests::program::{Served, command};

/// A heater of 30 kW on 400 V: 230.940 V, 43.3013 A, 0° on every phase. The clamp on L1 reads
/// 0.8 % high and leads by 30', that on L2 stands 300 counts off.
const SCENARIO: &str = "[plant]\nname = \"Brackwater Joinery\"\nfeeder = \"Drying kiln\"\n\
    time_zone = \"Europe/Copenhagen\"\n\
    [span]\nstart = \"2026-03-02\"\ndays = 7\nseed = 3\n\
    [supply]\nnominal_v = 400.0\nnominal_hz = 50.0\nwiring = \"four-wire\"\n\
    [node]\ni_range_peak_a = 100.0\n\
    [node.errors]\ni1 = { gain_pct = 0.8, phase_min = 30.0 }\ni2 = { offset_counts = 300 }\n\
    [[heater]]\nname = \"Kiln\"\nkw = 30.0\n";

fn calibrate(at: &str, more: &[&str]) -> Output {
    command().args(["node", "calibrate", at]).args(more).output().unwrap()
}

#[test]
fn what_was_put_in_is_found_and_taken_out() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("kiln.toml");
    std::fs::write(&file, SCENARIO).unwrap();
    let node = Served::new(&[&file]);
    let truth = ["--volts", "230.940", "--amperes", "43.3013", "--angle", "0", "--seconds", "4"];
    let out = calibrate(&node.address, &[&truth[..], &["--write", "--json"]].concat());
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let v: Value = serde_json::from_slice(&out.stdout).unwrap();
    let number = |v: &Value| v.as_f64().unwrap();
    let gain = &v["settings"]["i_gain_a_per_count"];
    let change = number(&gain["new"]) / number(&gain["old"]);
    assert!((change * 1.008 - 1.0).abs() < 1e-4, "{change}");
    // 30' is 30 / 21600 of 20 ms: 27 778 ns; the channel leads, so its delay is negative.
    let delay = &v["settings"]["i_delay_ns"];
    assert!((number(&delay["new"]) + 27_778.0).abs() < 300.0, "{delay}");
    let after = &v["after"];
    assert!((number(&after["i_rms_a"]) / 43.3013 - 1.0).abs() < 1e-4, "{after}");
    assert!((number(&after["v_rms_v"]) / 230.940 - 1.0).abs() < 1e-4, "{after}");
    assert!(number(&after["phi_deg"]).abs() < 0.005, "{after}");

    // Without --write nothing is stored, and it says so.
    let out = calibrate(&node.address, &["--phase", "2", "--volts", "231.5", "--seconds", "2"]);
    let text = String::from_utf8_lossy(&out.stdout).into_owned();
    assert!(out.status.success() && text.contains("Nothing was changed"), "{text}");
    assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");

    // A wrong ratio is no tolerance; a live input is not at rest; nothing to compare is said at once.
    for (more, words) in [
        (vec!["--amperes", "86.6", "--seconds", "2"], "ratio"),
        (vec!["--offsets"], "short the input"),
        (vec![], "--volts"),
        (vec!["--angle", "120", "--seconds", "2"], "hookup"),
    ] {
        let out = calibrate(&node.address, &more);
        let error = String::from_utf8_lossy(&out.stderr).into_owned();
        assert_eq!(out.status.code(), Some(2), "{more:?}: {error}");
        assert!(out.stdout.is_empty() && error.contains(words), "{more:?}: {error}");
    }
}
