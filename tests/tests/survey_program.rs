//! The `survey` verb from the outside: text, JSON, exit codes, errors.

use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Output;
use tempfile::TempDir;
use wattless::analyse::survey::survey;
use wattless::collect::store::{Batch, Store};
use wattless::present::survey::survey_text;
use wattless::present::text::Style;
use wattless::site::Site;
use wattless_core::flags::Flags;
use wattless_core::record::{Record, RecordPhase, WallQuality};
use wattless_core::settings::Settings;
use wattless_core::window::Nominal;
use wattless_core::wire::Identity;
use wattless_core::wiring::Wiring;
use wattless_tests::made_log::{LogMaker, at, kvar, production_week};
use wattless_tests::program;

/// A record of the store with the numbers of a made log.
fn record(log: &LogMaker, at: usize) -> Record {
    let l = &log.log;
    let phases = std::array::from_fn(|k| RecordPhase {
        v_rms_v: l.v_rms_v[k][at],
        i_rms_a: l.i_rms_a[k][at],
        p_w: l.p_w[k][at],
        q1_var: l.q1_var[k][at],
        s_va: wattless_core::record::round_f24(l.s_va[k][at]),
        ..RecordPhase::default()
    });
    Record {
        version: 1,
        flags: Flags(l.flags[at]),
        seq: l.seq[at],
        boot: l.boot[at],
        uptime_ms: (at as u64 + 1) * 300_000,
        wall_ms: l.end_ms[at] as u64,
        wall_quality: WallQuality::Host,
        windows: 1500,
        duration_us: l.duration_us[at],
        energy_counts: std::array::from_fn(|c| l.energy_counts[c][at]),
        frequency_10uhz: l.frequency_10uhz[at],
        phases,
        s_effective_va: f32::NAN,
        ..Record::BLANK
    }
}

/// A store with a node for each feeder, all with the same log.
fn store(folder: &TempDir, log: &LogMaker, feeders: &[&str]) -> PathBuf {
    let path = folder.path().join("store");
    let mut store = Store::create(&path).unwrap();
    for (k, feeder) in feeders.iter().enumerate() {
        let identity = Identity {
            node_id: 0x5A17 + k as u64,
            firmware: "0.1.0".try_into().unwrap(),
            record_version: 1,
            hardware: "bench".try_into().unwrap(),
            sample_rate_mhz: 8_000_000,
            boot: 1,
        };
        let settings = Settings { feeder: (*feeder).try_into().unwrap(), ..Settings::default() };
        let id = store.meet(&identity, &settings, log.now_ms).unwrap();
        let records: Vec<Record> = (0..log.log.len()).map(|at| record(log, at)).collect();
        let next_seq = records.last().unwrap().seq + 1;
        store.append(id, &Batch { records: &records, gaps: &[], next_seq }).unwrap();
    }
    path
}

fn run(arguments: &[&str]) -> Output {
    program::command().arg("survey").args(arguments).output().unwrap()
}

fn json(arguments: &[&str]) -> Value {
    let out = run(arguments);
    assert_eq!(out.status.code(), Some(0), "{}", String::from_utf8_lossy(&out.stderr));
    serde_json::from_slice(&out.stdout).unwrap()
}

/// The only line on standard error, with nothing on standard output and exit code 2.
#[track_caller]
fn refusal(arguments: &[&str]) -> String {
    let out = run(arguments);
    assert_eq!(out.status.code(), Some(2));
    assert!(out.stdout.is_empty());
    String::from_utf8(out.stderr).unwrap()
}

#[test]
fn a_store_is_surveyed_with_and_without_a_site() {
    let folder = TempDir::new().unwrap();
    let log = production_week((100.0, kvar(100.0, 0.75)), (10.0, kvar(10.0, 0.75)));
    let store = store(&folder, &log, &["Sawmill main"]);
    let store = store.to_str().unwrap();
    let plain = json(&[store, "--json"]);
    assert_eq!(plain["basis"]["time_zone"], "UTC");
    assert_eq!(plain["basis"]["feeder"], "Sawmill main");
    assert_eq!(plain["first"], "2026-06-01T00:00:00+00:00");
    assert_eq!(plain["verdict"]["class"], "worth-fixing");
    assert!(plain["words"]["verdict"].as_str().unwrap().starts_with("Worth fixing"));
    assert!(plain["basis"]["assumed"].as_array().unwrap().len() >= 4);
    assert!(plain["energy"]["apparent_effective_vah"].is_null());
    let average = plain["power_factor"]["average"].as_f64().unwrap();
    assert!((average - 0.75).abs() < 1e-6);

    let site = concat!(env!("CARGO_MANIFEST_DIR"), "/../host/sites/brackwater.toml");
    let local = json(&[store, "--json", "--site", site]);
    assert_eq!(local["first"], "2026-06-01T02:00:00+02:00");
    assert_eq!(local["basis"]["assumed"].as_array().unwrap().len(), 0);

    let text = String::from_utf8(run(&[store, "--site", site]).stdout).unwrap();
    assert!(text.contains("Worth fixing: PF averages 0.750 against a target of 0.95."), "{text}");
    assert!(!text.contains('\u{1b}'), "no escape codes into a pipe");
}

#[test]
fn a_stretch_of_local_time_can_be_chosen() {
    let folder = TempDir::new().unwrap();
    let log = production_week((100.0, 75.0), (10.0, 7.5));
    let store = store(&folder, &log, &["Sawmill main"]);
    let store = store.to_str().unwrap();
    let day = json(&[store, "--json", "--from", "2026-06-02", "--to", "2026-06-03T12:00"]);
    assert_eq!(day["first"], "2026-06-02T00:00:00+00:00");
    assert_eq!(day["last"], "2026-06-03T12:00:00+00:00");
    assert_eq!(day["verdict"]["class"], "cannot-tell");
    let none = refusal(&[store, "--from", "2027-01-01"]);
    assert!(none.contains("no record") && none.contains("widen"), "{none}");
    assert!(refusal(&[store, "--from", "2026-06-03", "--to", "2026-06-02"]).contains("--from"));
    assert!(refusal(&[store, "--from", "yesterday"]).contains("2026-03-02"));
}

#[test]
fn one_node_of_several_must_be_named() {
    let folder = TempDir::new().unwrap();
    let log = production_week((100.0, 75.0), (10.0, 7.5));
    let store = store(&folder, &log, &["Sawmill main", "Kiln"]);
    let store = store.to_str().unwrap();
    let message = refusal(&[store]);
    assert!(message.contains("--node") && message.contains("Kiln"), "{message}");
    assert_eq!(json(&[store, "--json", "--node", "Kiln"])["basis"]["feeder"], "Kiln");
}

#[test]
fn what_cannot_be_read_is_named_with_a_cure() {
    let folder = TempDir::new().unwrap();
    let log = production_week((100.0, 75.0), (10.0, 7.5));
    let store = store(&folder, &log, &["Sawmill main"]);
    let store = store.to_str().unwrap();
    let nowhere = folder.path().join("nowhere");
    assert!(refusal(&[nowhere.to_str().unwrap()]).contains("nowhere"));
    let site = folder.path().join("plant.toml");
    std::fs::write(&site, "name = \"x\"\n[power_factor]\ntarget = 95\n").unwrap();
    let message = refusal(&[store, "--site", site.to_str().unwrap()]);
    assert!(message.contains("plant.toml, line 3") && message.contains("0.95"), "{message}");
}

/// Every kind of answer fits 80 columns and leads with the verdict.
#[test]
fn text_fits_80_columns_and_leads_with_the_verdict() {
    let mut torn = production_week((100.0, 75.0), (10.0, 7.5));
    torn.pause(5000.0);
    torn.flags = Flags::BOOTED.with(Flags::I_CLIPPED).with(Flags::FRAMES_LOST);
    torn.boot = 2;
    torn.absent(70, 300.0, 50.0, 50.0).records(3, 300.0, 200.0, 150.0);
    let mut idle = at("2026-06-01T00:00:00Z");
    idle.records(60, 60.0, 0.0, 0.0);
    let mut harmonic = at("2026-06-01T00:00:00Z");
    harmonic.distortion = 0.8;
    harmonic.records(7 * 288, 300.0, 80.0, 10.0);
    let mut tiny = at("2026-06-01T00:00:00Z");
    tiny.records(7 * 288, 300.0, 0.1, 0.2);
    let mut huge = at("2026-06-01T00:00:00Z");
    huge.records(7 * 288, 300.0, 45_000.0, 38_000.0);
    let good = (100.0, kvar(100.0, 0.97));
    let site = concat!(env!("CARGO_MANIFEST_DIR"), "/../host/sites/brackwater.toml");
    let site = Site::load(Path::new(site)).unwrap();
    for (log, verdict) in [
        (production_week(good, (20.0, 5.0)), "Good: "),
        (production_week(good, (3.0, kvar(3.0, 0.5))), "Bad at low demand only, not worth fixing"),
        (production_week((100.0, 36.3), (20.0, 7.3)), "Bad, but not worth fixing"),
        (harmonic, "Bad, but not worth fixing with capacitors"),
        (production_week(good, (5.0, -60.0)), "Worth fixing, by taking capacitors off"),
        (production_week((-100.0, 75.0), (-10.0, 5.0)), "Cannot tell"),
        (torn, "Worth fixing: "),
        (tiny, "Worth fixing: "),
        (huge, "Worth fixing: "),
        (idle, "Cannot tell"),
    ] {
        for site in [&site, &Site::default()] {
            let text = survey_text(&survey(&log.log, site).unwrap(), Style::PLAIN);
            let lines: Vec<&str> = text.lines().collect();
            assert!(lines[3].starts_with(verdict), "{} is not {verdict}", lines[3]);
            for line in &lines {
                assert!(line.chars().count() <= 80, "{} columns: {line}", line.chars().count());
                assert_eq!(*line, line.trim_end());
            }
            assert!(!text.contains("NaN") && !text.contains("inf "), "{text}");
            assert!(text.contains("Not a billing meter"));
        }
    }
}

/// The whole text, so that a change of it is seen.
#[test]
fn the_text_is_as_reviewed() {
    let mut log = production_week((100.0, 75.0), (10.0, 20.0));
    log.pause(5000.0);
    log.flags = Flags::BOOTED;
    log.boot = 2;
    log.records(3, 300.0, 120.0, 90.0);
    let site = concat!(env!("CARGO_MANIFEST_DIR"), "/../host/sites/brackwater.toml");
    let site = Site::load(Path::new(site)).unwrap();
    let text = survey_text(&survey(&log.log, &site).unwrap(), Style::PLAIN);
    insta::assert_snapshot!("survey_text", text);
}
