//! The verbs `verify` and `culprit` from the outside: text, JSON, exit codes, errors.

use serde_json::Value;
use std::path::Path;
use std::process::Output;
use tempfile::TempDir;
use wattless::bench::chance::Chance;
use wattless_core::wiring::Wiring;
use wattless_tests::made_log::{LogMaker, at};
use wattless_tests::{made_store, program};

fn run(arguments: &[&str]) -> Output {
    program::command().args(arguments).output().unwrap()
}

fn json(arguments: &[&str], code: i32) -> Value {
    let out = run(arguments);
    assert_eq!(out.status.code(), Some(code), "{}", String::from_utf8_lossy(&out.stderr));
    serde_json::from_slice(&out.stdout).unwrap()
}

/// What it says on standard error, with nothing on standard output and exit code 2.
#[track_caller]
fn refusal(arguments: &[&str]) -> String {
    let out = run(arguments);
    let error = String::from_utf8(out.stderr).unwrap();
    assert_eq!(out.status.code(), Some(2), "{error}");
    assert!(out.stdout.is_empty());
    error
}

/// Working days from 6 to 14 h at 60 to 100 kW, else 10 kW; kvar less an amount from a day on.
fn weeks(start: &str, days: usize, less: impl Fn(usize) -> f64) -> LogMaker {
    let mut log = at(start);
    let mut chance = Chance::new(days as u64, start);
    for k in 0..days * 288 {
        let (day, slot) = (k / 288, k % 288);
        let kw = if day % 7 < 5 && (72..168).contains(&slot) {
            80.0 + 20.0 * libm::sin(k as f64 / 9.0)
        } else {
            10.0
        };
        log.record(300.0, kw, 25.0 + 0.5 * kw + 0.5 * chance.normal() - less(day));
    }
    log
}

fn path(p: &Path) -> &str {
    p.to_str().unwrap()
}

#[test]
fn before_and_after_in_one_store() {
    let folder = TempDir::new().unwrap();
    let store = folder.path().join("store");
    // 20 kvar at 398.37 V from the second Monday on.
    let log = weeks("2026-06-01T00:00:00Z", 14, |day| if day < 7 { 0.0 } else { 20.0 });
    made_store::store(&store, &[("Sawmill main", &log.log)]);
    let site = folder.path().join("site.toml");
    let text = "name = \"Brackwater Joinery\"\n[supply]\nline_voltage_v = 398.3717\n\
                frequency_hz = 50\n[[installed]]\nname = \"Bank\"\nkvar = 20\n\
                since = \"2026-06-08\"\n";
    std::fs::write(&site, text).unwrap();

    // The site file knows units and day.
    let v = json(&["verify", path(&store), "--site", path(&site), "--json"], 0);
    assert_eq!(v["verdict"]["outcome"], "worked");
    assert_eq!(v["basis"]["feeder"], "Sawmill main");
    assert_eq!(v["after"]["first"], "2026-06-08T00:00:00+00:00");
    let measured = v["total"]["measured_var"].as_f64().unwrap();
    assert!((measured - 20e3).abs() < 300.0, "{measured}");
    assert!(v["words"]["verdict"].as_str().unwrap().starts_with("It worked"));
    let text =
        String::from_utf8(run(&["verify", path(&store), "--site", path(&site)]).stdout).unwrap();
    assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
    assert!(
        text.contains("Brackwater Joinery, Sawmill main") && !text.contains('\u{1b}'),
        "{text}"
    );

    // Units and ranges on the command line; twice the bank is only half there.
    let ranges = ["--before", "2026-06-01..2026-06-08", "--after", "2026-06-08..2026-06-15"];
    let mut half = vec!["verify", path(&store), "--unit", "40@398.3717:star", "--json"];
    half.extend(ranges);
    let v = json(&half, 1);
    assert_eq!(v["verdict"]["outcome"], "partly");
    // Nothing listed: the drop is told, the answer is not.
    let v = json(&["verify", path(&store), "--installed-on", "2026-06-08", "--json"], 2);
    assert_eq!(v["verdict"]["reasons"][0]["what"], "nothing-listed");
    assert!(v["total"]["expected_var"].is_null());
    assert!((v["total"]["measured_var"].as_f64().unwrap() - 20e3).abs() < 300.0);
}

#[test]
fn two_stores_and_their_wirings() {
    let folder = TempDir::new().unwrap();
    let place = |name: &str| folder.path().join(name);
    let (first, second, other) = (place("a"), place("b"), place("c"));
    made_store::store(&first, &[("Saw", &weeks("2026-06-01T00:00:00Z", 7, |_| 0.0).log)]);
    let after = weeks("2026-06-08T00:00:00Z", 7, |_| 20.0);
    made_store::store(&second, &[("Saw", &after.log)]);
    made_store::store_with(&other, &[("Saw", &after.log)], Wiring::TwoSensor, 0.1);
    let unit = ["--unit", "20@398.3717", "--json"];
    let mut args = vec!["verify", path(&first), "--after-store", path(&second)];
    args.extend(unit);
    assert_eq!(json(&args, 0)["verdict"]["outcome"], "worked");
    let mut args = vec!["verify", path(&first), "--after-store", path(&other)];
    args.extend(unit);
    let error = refusal(&args);
    assert!(error.contains("four-wire") && error.contains("two-sensor"), "{error}");
    let mut args = vec!["verify", path(&second), "--after-store", path(&first)];
    args.extend(unit);
    let error = refusal(&args);
    assert!(error.contains("swap"), "{error}");
}

#[test]
fn bad_ranges_are_named_with_what_to_do() {
    let folder = TempDir::new().unwrap();
    let store = folder.path().join("store");
    let log = weeks("2026-06-01T00:00:00Z", 7, |_| 0.0);
    made_store::store(&store, &[("Saw", &log.log), ("Planer", &log.log)]);
    let base = ["verify", path(&store), "--node", "Saw"];
    let with = |more: &[&'static str]| {
        let mut all = base.to_vec();
        all.extend(more);
        refusal(&all)
    };
    for (arguments, words) in [
        (&["--before", "2026-06-04..2026-06-06", "--after", "2026-06-01..2026-06-03"][..], "swap"),
        (
            &["--before", "2026-06-01..2026-06-04", "--after", "2026-06-03..2026-06-06"][..],
            "overlap",
        ),
        (
            &["--before", "2026-05-01..2026-05-04", "--after", "2026-06-03..2026-06-06"][..],
            "before holds no record",
        ),
        (
            &["--before", "2026-06-01..2026-06-04", "--after", "2026-07-03..2026-07-06"][..],
            "after holds no record",
        ),
        (&["--before", "2026-06-04..2026-06-01", "--after", "2026-06-05.."][..], "must lie before"),
        (&["--before", "2026-06-01"][..], ".."),
        (&[][..], "--installed-on"),
        (&["--installed-on", "2026-06-04", "--unit", "20kvar"][..], "50@440"),
        (&["--installed-on", "2026-06-04", "--unit", "20@400:wye"][..], "floating-star"),
        (&["--installed-on", "2026-06-04", "--within-pct", "0"][..], "--within-pct"),
        (&["--installed-on", "2026-06-04", "--transformer", "630"][..], "630:4.4"),
    ] {
        let error = with(arguments);
        assert!(error.contains(words), "{arguments:?}: {error}");
    }
    let error = refusal(&["verify", path(&store), "--installed-on", "2026-06-04"]);
    assert!(error.contains("Saw") && error.contains("Planer"), "{error}");
}

#[test]
fn feeders_are_ranked_against_their_service() {
    let folder = TempDir::new().unwrap();
    let store = folder.path().join("store");
    let (mut saw, mut planer) = (at("2026-06-01T00:00:00Z"), at("2026-06-01T00:00:00Z"));
    let mut service = at("2026-06-01T00:00:00Z");
    for k in 0..7 * 1440 {
        let works = k / 1440 < 5 && (420..960).contains(&(k % 1440));
        let (a, b) = if works { ((80.0, 70.0), (30.0, 20.0)) } else { ((0.0, 0.0), (5.0, 10.0)) };
        saw.record(60.0, a.0, a.1);
        planer.record(60.0, b.0, b.1);
        service.record(60.0, a.0 + b.0 + 10.0, a.1 + b.1 + 5.0);
    }
    let logs = [("Main", &service.log), ("Planer", &planer.log), ("Saw", &saw.log)];
    made_store::store(&store, &logs);
    let c = json(&["culprit", path(&store), "--service", "Main", "--json"], 0);
    assert_eq!(c["service"]["name"], "Main");
    assert_eq!(c["ranking"][0]["figures"]["name"], "Saw");
    assert_eq!(c["ranking"][0]["at_peak_from"], "measured");
    let share = |k: usize, what: &str| c["ranking"][k][what].as_f64().unwrap();
    // At the peak 70 of 95 kvar; over the week by kvarh of 45 h of work and 123 h without.
    assert!((share(0, "peak_share") - 70.0 / 95.0).abs() < 1e-4);
    let all = 95.0 * 45.0 + 15.0 * 123.0;
    assert!((share(0, "energy_share") - 70.0 * 45.0 / all).abs() < 1e-3);
    assert!((share(1, "energy_share") - (20.0 * 45.0 + 10.0 * 123.0) / all).abs() < 1e-3);
    let rest = c["unmetered"]["q1_var"].as_f64().unwrap();
    assert!((rest - 5e3).abs() < 10.0, "{rest}");
    let out = run(&["culprit", path(&store), "--service", "Main"]);
    let text = String::from_utf8(out.stdout).unwrap();
    assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
    assert!(text.contains("Saw draws most: 70.0 kvar of 95.0 kvar at the peak, 74 %."), "{text}");
    let error = refusal(&["culprit", path(&store), "--service", "Mian"]);
    assert!(error.contains("Mian") && error.contains("Main"), "{error}");
}

/// One node, moved: the saw in the first week, the planer in the second.
#[test]
fn a_node_that_was_moved_ranks_by_profile() {
    let folder = TempDir::new().unwrap();
    let store = folder.path().join("store");
    let mut log = at("2026-06-01T00:00:00Z");
    for k in 0..14 * 1440 {
        let works = k / 1440 % 7 < 5 && (420..960).contains(&(k % 1440));
        let (on, off) =
            if k < 7 * 1440 { ((30.0, 20.0), (5.0, 10.0)) } else { ((80.0, 70.0), (1.0, 1.0)) };
        let (kw, kvar) = if works { on } else { off };
        log.record(60.0, kw, kvar + 2.0 * libm::sin(k as f64));
    }
    made_store::store(&store, &[("Moved", &log.log)]);
    let places =
        ["--place", "Planer=2026-06-01..2026-06-08", "--place", "Saw=2026-06-08..2026-06-15"];
    let mut args = vec!["culprit", path(&store), "--json"];
    args.extend(places);
    let c = json(&args, 0);
    assert_eq!(c["ranking"][0]["figures"]["name"], "Saw");
    assert_eq!(c["peak"]["of"], "profiles");
    assert_eq!(c["ranking"][1]["at_peak_from"], "same-hour-of-week");
    let share = c["ranking"][0]["peak_share"].as_f64().unwrap();
    assert!((share - 70.0 / 90.0).abs() < 0.01, "{share}");
    let warned = c["cautions"].as_array().unwrap().iter().any(|c| c["what"] == "different-times");
    assert!(warned, "{}", c["cautions"]);
    let error = refusal(&["culprit", path(&store), "--place", "Saw"]);
    assert!(error.contains("Log saw=2026"), "{error}");
    let error = refusal(&["culprit", path(&store), "--place", "Saw=2025-01-01..2025-02-01"]);
    assert!(error.contains("Saw") && error.contains("no usable record"), "{error}");
}

/// 20 kvar that are gone all day save 20 × 8760 kvarh a year at 0.02: 3504, which is also what the
/// sizing promised from the week before.
#[test]
fn the_drop_is_set_against_the_promise() {
    let folder = TempDir::new().unwrap();
    let store = folder.path().join("store");
    let log = weeks("2026-06-01T00:00:00Z", 14, |day| if day < 7 { 0.0 } else { 20.0 });
    made_store::store(&store, &[("Sawmill main", &log.log)]);
    let write = |name: &str, text: &str| {
        let path = folder.path().join(name);
        std::fs::write(&path, text).unwrap();
        path
    };
    let site = write(
        "site.toml",
        "name = \"Brackwater Joinery\"\n[supply]\nline_voltage_v = 398.3717\nfrequency_hz = 50\n\
         [[installed]]\nname = \"Bank\"\nkvar = 20\nsince = \"2026-06-08\"\n",
    );
    let tariff = write(
        "tariff.toml",
        "currency = \"EUR\"\n[demand]\ninterval_min = 15\n[[charge]]\nclause = \"kvarh\"\n\
         share_of_kwh = 0\nrate_per_kvarh = 0.02\n",
    );
    let prices = write(
        "prices.toml",
        "currency = \"EUR\"\n[[unit]]\nat = [\"service\"]\nkvar = 20\nrated_v = 398.3717\n\
         price = 900\nloss_w_per_kvar = 0\n",
    );
    let sizing = run(&[
        "size",
        path(&store),
        "--to",
        "2026-06-08",
        "--site",
        path(&site),
        "--tariff",
        path(&tariff),
        "--prices",
        path(&prices),
        "--json",
    ]);
    assert!(sizing.status.success(), "{}", String::from_utf8_lossy(&sizing.stderr));
    let sizing = write("sizing.json", std::str::from_utf8(&sizing.stdout).unwrap());
    let all = ["verify", path(&store), "--site", path(&site), "--tariff", path(&tariff)];
    let with = |more: &[&'static str]| {
        let mut a = all.map(str::to_owned).to_vec();
        a.extend(["--sizing".to_owned(), path(&sizing).to_owned()]);
        a.extend(more.iter().map(|x| (*x).to_owned()));
        a
    };
    let fixed: Vec<String> = with(&["--candidate", "c1", "--json"]);
    let money = json(&fixed.iter().map(String::as_str).collect::<Vec<_>>(), 0)["money"].clone();
    let number = |v: &Value| v.as_f64().unwrap_or_else(|| panic!("{money:#}"));
    let saved = number(&money["saved"]);
    assert!((saved - 3504.0).abs() < 60.0, "{saved}");
    let ends = [number(&money["saved_from_to"][0]), number(&money["saved_from_to"][1])];
    assert!(ends[0] < saved && saved < ends[1] && ends[0] > 3000.0 && ends[1] < 4000.0);
    assert_eq!((&money["of_a_year"], &money["currency"]), (&true.into(), &"EUR".into()));
    let promised = number(&money["promised"]["saving_year"]);
    assert!((promised - 3504.0).abs() < 1.0, "{promised}");
    assert!((number(&money["promised"]["kept_share"]) - saved / promised).abs() < 1e-9);
    // All of this tariff is power-factor part.
    let part = number(&money["power_factor_part_without"]) - number(&money["power_factor_part"]);
    assert!((part - saved).abs() < 0.01, "{part}");
    let plain = run(&with(&["--candidate", "C1"]).iter().map(String::as_str).collect::<Vec<_>>());
    let text = String::from_utf8(plain.stdout).unwrap();
    assert!(text.contains("What it saves") && text.contains("Promised by the sizing"), "{text}");
    assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");

    // Three days hold no Saturday: the sum is that of the days, and says so.
    let short = json(
        &[
            &all[..],
            &["--before", "2026-06-01..2026-06-08", "--after", "2026-06-09..2026-06-12", "--json"],
        ]
        .concat(),
        0,
    );
    let money = &short["money"];
    assert_eq!(money["of_a_year"], false);
    assert!((money["saved"].as_f64().unwrap() - 20.0 * 72.0 * 0.02).abs() < 1.0, "{money:#}");
    assert!(money["not_extended"].as_str().unwrap().contains("Saturday"), "{money:#}");

    let error =
        refusal(&with(&["--candidate", "C9"]).iter().map(String::as_str).collect::<Vec<_>>());
    assert!(error.contains("no candidate \"C9\"") && error.contains("C0"), "{error}");
    let none = write("none.json", "{}");
    let error = refusal(&[&all[..], &["--sizing", path(&none)]].concat());
    assert!(error.contains("none.json") && error.contains("size"), "{error}");
}
