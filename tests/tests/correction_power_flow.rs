//! Corrections against a general-purpose power-flow library, fetched when the test runs.
//!
//! `correction_reference.py` computes three networks (transformer, cable, load, capacitors) with
//! pandapower (BSD licence). A log with the voltage, kW and kvar that it gives without
//! capacitors goes through the replay; current, losses and voltage with capacitors must be the
//! library's.

use serde_json::Value;
use std::path::Path;
use std::process::Command;
use wattless::analyse::series::LoadSeries;
use wattless::analyse::size::course::{Layout, Running};
use wattless::analyse::size::replay::{Lane, Way, replay_in};
use wattless::analyse::size::supply::Supply;
use wattless::site::{Apparent, Site};
use wattless_tests::made_log::{at, kvar};

fn cases() -> Vec<Value> {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("correction_reference.py");
    let kept = Path::new(env!("CARGO_TARGET_TMPDIR")).with_file_name("reference");
    let done = Command::new("python3").arg(script).arg(kept).output().unwrap();
    let said = String::from_utf8_lossy(&done.stderr);
    assert!(done.status.success(), "the reference could not be computed: {said}");
    serde_json::from_slice(&done.stdout).unwrap()
}

#[track_caller]
fn near(got: f64, want: f64, share: f64) {
    assert!((got / want - 1.0).abs() <= share, "{got} is not {want} within {share}");
}

#[test]
fn current_loss_and_voltage_are_those_of_a_power_flow() {
    let cases = cases();
    assert_eq!(cases.len(), 3);
    for c in &cases {
        let get = |key: &str| c[key].as_f64().unwrap();
        let of = |state: &str, key: &str| c[state][key].as_f64().unwrap();
        let (vn, hz) = (get("line_voltage_v"), get("frequency_hz"));
        let toml = format!(
            "[supply]\nline_voltage_v = {vn}\nfrequency_hz = {hz}\n[transformer]\nkva = {}\n\
             z_pct = {}\nload_loss_kw = {}\n[service_conductor]\nlength_m = {}\nohm_per_km = {}\n\
             reactance_ohm_per_km = {}\n",
            get("kva"),
            get("z_pct"),
            get("load_loss_kw"),
            get("length_m"),
            get("ohm_per_km"),
            get("reactance_ohm_per_km"),
        );
        let site = Site::parse(&toml, Path::new("case.toml")).unwrap();
        let supply = Supply::of(&site, hz).unwrap();
        let mut log = at("2026-06-01T00:00:00Z");
        log.records(96, 900.0, get("kw"), kvar(get("kw"), get("pf")));
        let phase = of("without", "v_ratio") * vn / libm::sqrt(3.0);
        for column in &mut log.log.v_rms_v {
            column.iter_mut().for_each(|v| *v = phase as f32);
        }
        let nominal_10uhz = (hz * 1e5) as u32;
        log.log.frequency_10uhz.iter_mut().for_each(|f| *f = nominal_10uhz);
        let series = LoadSeries::of_log(&log.log, 900, Apparent::Vector).unwrap();
        let layout = Layout {
            series: &series,
            supply: &supply,
            running: &Running::of(&[], vn),
            reference_var: get("kvar") * 1e3,
        };
        let course = layout.of_log(&log.log, libm::sqrt(3.0));
        let bank = Lane { always_var: (get("kvar") * 1e3) as f32, ..Lane::default() };
        let results = replay_in(&course, &[Lane::default(), bank], Way::Widest);
        let seconds = course.covered_s();
        for (r, state) in results.iter().zip(["without", "with"]) {
            let t = &r.totals;
            near(f64::from(t.v_ratio_max), of(state, "v_ratio"), 1e-4);
            let amperes = libm::sqrt(t.i2_s / seconds) / (libm::sqrt(3.0) * vn);
            near(amperes, of(state, "current_a"), 3e-4);
            let loss_w = supply.loss_wh(t.i2_s, supply.loss_r_ohm.unwrap()) * 3600.0 / seconds;
            near(loss_w, of(state, "loss_w"), 6e-4);
        }
        let saved = |key: &str| of("without", key) - of("with", key);
        let fewer = results[0].totals.i2_s - results[1].totals.i2_s;
        let watts = supply.loss_wh(fewer, supply.loss_r_ohm.unwrap()) * 3600.0 / seconds;
        near(watts, saved("loss_w"), 3e-3);
    }
}
