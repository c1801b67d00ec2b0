//! The `report` verb from the outside: its figures are those of the other verbs, its page is sound.

use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use tempfile::TempDir;
use wattless_tests::made_log::{LogMaker, at, kvar, production_week};
use wattless_tests::{made_store, program};

const SITE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../host/sites/brackwater.toml");
const TARIFF: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../host/tariffs/millrace.toml");

fn run(verb: &str, arguments: &[&str]) -> Output {
    program::command().arg(verb).args(arguments).output().unwrap()
}

fn json(verb: &str, arguments: &[&str]) -> Value {
    let out = run(verb, arguments);
    assert_eq!(out.status.code(), Some(0), "{}", String::from_utf8_lossy(&out.stderr));
    serde_json::from_slice(&out.stdout).unwrap()
}

#[track_caller]
fn refusal(arguments: &[&str]) -> String {
    let out = run("report", arguments);
    assert_eq!(out.status.code(), Some(2));
    assert!(out.stdout.is_empty());
    String::from_utf8(out.stderr).unwrap()
}

/// A folder with a store of a log, and the names of the store and of the report.
struct Place {
    _folder: TempDir,
    store: String,
    output: String,
    html: PathBuf,
}

fn place(log: &LogMaker) -> Place {
    let folder = TempDir::new().unwrap();
    let store = folder.path().join("store");
    made_store::store(&store, &[("Sawmill main", &log.log)]);
    let output = folder.path().join("report").display().to_string();
    let html = folder.path().join("report.html");
    Place { store: store.display().to_string(), output, html, _folder: folder }
}

/// Three weeks of Europe's spring that start at a local midnight.
fn weeks() -> LogMaker {
    let mut log = at("2026-04-30T22:00:00Z");
    for slot in 0..31 * 288 {
        let (day, of_day) = (slot / 288, slot % 288);
        // The first of May 2026 was a Friday.
        let works = !matches!(day % 7, 1 | 2) && (72..216).contains(&of_day);
        let (kw, pf) = if works { (100.0 + f64::from(slot % 7), 0.75) } else { (12.0, 0.9) };
        log.record(300.0, kw, kvar(kw, pf));
    }
    log
}

fn figure<'a>(report: &'a Value, id: &str) -> &'a Value {
    let all = report["figures"].as_array().unwrap();
    all.iter().find(|f| f["id"] == id).unwrap_or_else(|| panic!("no {id} in {all:?}"))
}

#[track_caller]
fn sound(file: &Path) -> String {
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/html_check.py");
    let out = Command::new("python3").arg(script).arg(file).output().expect("python3");
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stdout));
    std::fs::read_to_string(file).unwrap()
}

/// Page, JSON and the other verbs say the same.
#[test]
fn figures_are_those_of_survey_and_bill() {
    let p = place(&weeks());
    let report = json(
        "report",
        &[&*p.store, "--site", SITE, "--tariff", TARIFF, "-o", &*p.output, "--json"],
    );
    let survey = json("survey", &[&*p.store, "--site", SITE, "--json"]);
    let bill = json("bill", &[&*p.store, "--site", SITE, "--tariff", TARIFF, "--json"]);
    assert_eq!(figure(&report, "average_pf")["number"], survey["power_factor"]["average"]);
    let peak = &survey["demand"]["block"]["at_p_peak"]["p_w"];
    assert_eq!(&figure(&report, "peak_demand")["number"], peak);
    let lacking = &survey["required"]["average_var"];
    assert_eq!(&figure(&report, "kvar_lacking_average")["number"], lacking);
    // May is covered whole, so the month's part stands on the first page.
    let month = &bill["months"][0];
    assert_eq!(month["label"], "2026-05");
    let part = figure(&report, "power_factor_part_a_month");
    assert_eq!(part["number"], month["power_factor_part"]);
    assert!(part["number"].as_f64().unwrap() > 0.0);
    assert_eq!(part["unit"], "EUR");
    let html = sound(&p.html);
    let value = part["value"].as_str().unwrap();
    assert!(html.contains(value), "{value} is not on the page");
    let text = String::from_utf8(
        run("report", &[&*p.store, "--site", SITE, "--tariff", TARIFF, "-o", &*p.output]).stdout,
    );
    let text = text.unwrap();
    assert!(text.contains("The power factor costs"), "{text}");
    assert!(text.contains("report.html"), "{text}");
    for line in text.lines().filter(|l| !l.starts_with("Written")) {
        assert!(line.chars().count() <= 80, "{line}");
    }
}

/// Without a tariff there is no money anywhere, and a sentence says how to get it.
#[test]
fn what_is_missing_is_left_out_and_said() {
    let p = place(&production_week((100.0, kvar(100.0, 0.75)), (10.0, 5.0)));
    let report = json("report", &[&*p.store, "--site", SITE, "-o", &*p.output, "--json"]);
    let ids: Vec<&str> =
        report["sections"].as_array().unwrap().iter().filter_map(|s| s["id"].as_str()).collect();
    assert!(!ids.contains(&"bill") && !ids.contains(&"proof"), "{ids:?}");
    assert!(ids.contains(&"absent"));
    let html = sound(&p.html);
    assert!(html.contains("--tariff") && html.contains("licensed"));
    assert!(!html.contains("EUR"), "money without a tariff");
}

/// A month that is not covered whole is never printed as a month's bill.
#[test]
fn partial_money_is_said_to_be_partial() {
    let p = place(&production_week((100.0, kvar(100.0, 0.75)), (10.0, 5.0)));
    let arguments = [&*p.store, "--site", SITE, "--tariff", TARIFF, "-o", &*p.output, "--json"];
    let report = json("report", &arguments);
    let part = figure(&report, "power_factor_part_of_log");
    assert!(part["note"].as_str().unwrap().starts_with("in the log's"), "{part}");
    assert!(sound(&p.html).contains("not a month's bill"));
    let mut extended = arguments.to_vec();
    extended.extend(["--extrapolate", "month"]);
    let report = json("report", &extended);
    let part = figure(&report, "power_factor_part_a_month");
    assert!(part["note"].as_str().unwrap().contains("extended"), "{part}");
    assert!(sound(&p.html).contains("How the log was extended"));
}

/// The same log on both sides of the Atlantic.
#[test]
fn numbers_dates_and_paper_follow_the_site() {
    let log = production_week((12_345.6, kvar(12_345.6, 0.75)), (1000.0, 500.0));
    let p = place(&log);
    let site = p.html.with_file_name("site.toml");
    let with = |report: &str, zone: &str| {
        let text = format!("name = \"Plant\"\ntime_zone = \"{zone}\"\n{report}");
        std::fs::write(&site, text).unwrap();
        json("report", &[&*p.store, "--site", site.to_str().unwrap(), "-o", &*p.output, "--json"]);
        sound(&p.html).replace('\u{202f}', " ")
    };
    let metric = with("", "Europe/Oslo");
    assert!(metric.contains("12 346 kW") && metric.contains("0,95"), "metric");
    assert!(metric.contains("2026-06-01") && metric.contains("size:A4"));
    let american = with("", "America/Chicago");
    assert!(american.contains("12,346 kW") && american.contains("0.95"), "american");
    assert!(american.contains("06/01/2026") && american.contains("size:letter"));
    assert!(!american.contains("2026-06-01"));
    let chosen = with("[report]\nnumbers = \"1.234,5\"\ndates = \"31.03.2026\"\n", "Europe/Vienna");
    assert!(chosen.contains("12.346 kW") && chosen.contains("01.06.2026"));
}

/// A week with 75 kvar at 100 kW, then a week in which 50 kvar of capacitors take them away.
#[test]
fn before_and_after_are_compared_where_there_is_an_after() {
    let mut log = at("2026-05-31T22:00:00Z");
    for slot in 0..14 * 288u32 {
        let works = slot / 288 % 7 < 5 && (72..216).contains(&(slot % 288));
        let load = 60.0 + f64::from(slot.wrapping_mul(2_654_435_761) >> 16 & 0xFF) / 5.0;
        let (kw, q) = if works { (load, 0.4 * load + 50.0) } else { (10.0, 54.0) };
        let correction = if slot < 7 * 288 { 0.0 } else { 50.0 * 1.0 };
        log.record(300.0, kw, q - correction);
    }
    let p = place(&log);
    let site = p.html.with_file_name("site.toml");
    let own = std::fs::read_to_string(SITE).unwrap();
    // The made log has 230 V against neutral.
    let unit = "[[installed]]\nname = \"Bank\"\nkvar = 50\nrated_v = 398.37\n";
    std::fs::write(&site, format!("{own}\n{unit}")).unwrap();
    let site = site.display().to_string();
    let report = json(
        "report",
        &[&*p.store, "--site", &*site, "-o", &*p.output, "--installed-on", "2026-06-08", "--json"],
    );
    assert!(report["sections"].as_array().unwrap().iter().any(|s| s["id"] == "proof"));
    let verify =
        json("verify", &[&*p.store, "--site", &*site, "--installed-on", "2026-06-08", "--json"]);
    assert_eq!(verify["verdict"]["outcome"], "worked");
    // With a tariff, what it saves stands beside, on the first page too.
    let priced = json(
        "report",
        &[
            &*p.store,
            "--site",
            &*site,
            "-o",
            &*p.output,
            "--installed-on",
            "2026-06-08",
            "--tariff",
            TARIFF,
            "--json",
        ],
    );
    let correction = priced["points"][0]["text"].as_str().unwrap();
    assert!(correction.contains("the measured change saves"), "{correction}");
    assert!(sound(&p.html).contains("What it saves"));
    assert_eq!(report["tone"], "good");
    let text = verify["words"]["verdict"].as_str().unwrap().replace('.', ",");
    let head = report["headline"].as_str().unwrap();
    assert!(text.replace(',', "").contains(&head.replace([',', '.'], "")[..20]), "{head} / {text}");
    // The report is on the time after.
    assert!(report["head"][0]["text"].as_str().unwrap().contains("2026-06-08"));
    sound(&p.html);
}

#[test]
fn charts_in_characters_fit_the_terminal() {
    let p = place(&production_week((100.0, 80.0), (10.0, 5.0)));
    let out = run("report", &[&*p.store, "--site", SITE, "-o", &*p.output, "--charts"]);
    let text = String::from_utf8(out.stdout).unwrap();
    let braille = |c: char| ('\u{2801}'..='\u{28ff}').contains(&c);
    assert!(text.chars().filter(|c| braille(*c)).count() > 500);
    for line in text.lines().filter(|l| !l.starts_with("Written")) {
        assert!(line.chars().count() <= 80, "{line}");
    }
}

#[test]
fn what_cannot_be_done_is_named() {
    let p = place(&production_week((100.0, 80.0), (10.0, 5.0)));
    let nowhere = p.html.with_file_name("none").join("report").display().to_string();
    assert!(refusal(&[&*p.store, "-o", &*nowhere]).contains("--output"));
    assert!(refusal(&[&*p.store, "--from", "2026-06-03", "--to", "2026-06-02"]).contains("--from"));
    let none = refusal(&[&*p.store, "--from", "2027-01-01", "-o", &*p.output]);
    assert!(none.contains("no record"), "{none}");
    assert!(!p.html.exists());
    // A log without a whole day cannot be extended.
    let arguments =
        [&*p.store, "--tariff", TARIFF, "--extrapolate", "month", "--to", "2026-06-01T09:00"];
    assert!(refusal(&arguments).contains("whole day"));
}

/// A service with two feeders in one store: the report tells which draws the kvar, as `culprit` does.
#[test]
fn several_feeders_are_ranked() {
    let week = |kw: f64, q: f64| production_week((kw, q), (5.0, 2.0));
    let (saw, press, service) = (week(60.0, 70.0), week(50.0, 20.0), week(110.0, 90.0));
    let folder = TempDir::new().unwrap();
    let store = folder.path().join("store");
    made_store::store(
        &store,
        &[("Main", &service.log), ("Log saw", &saw.log), ("Veneer press", &press.log)],
    );
    let (store, output) =
        (store.display().to_string(), folder.path().join("report").display().to_string());
    let base = [&*store, "--node", "Main", "--site", SITE, "-o", &*output, "--json"];
    let report = json("report", &[&base[..], &["--service", "Main"]].concat());
    let section = report["sections"].as_array().unwrap().iter().find(|s| s["id"] == "suspects");
    let section = section.unwrap_or_else(|| panic!("no section of suspects"));
    let culprit = json("culprit", &[&*store, "--service", "Main", "--site", SITE, "--json"]);
    assert_eq!(culprit["ranking"][0]["figures"]["name"], "Log saw");
    let verdict = culprit["words"]["verdict"].as_str().unwrap();
    let said = section["blocks"][0]["text"].as_str().unwrap();
    assert!(verdict.starts_with("Log saw draws most") && said.starts_with("Log saw draws most"));
    let table = section["blocks"].as_array().unwrap().iter().find_map(|b| b.get("table")).unwrap();
    assert_eq!(table["rows"].as_array().unwrap().len(), 2);
    assert_eq!(table["rows"][0][0], "1 Log saw");
    assert!(
        report["points"].as_array().unwrap().iter().any(|p| p["name"] == "Where it comes from")
    );
    sound(&folder.path().join("report.html"));
    let error = refusal(&[&base[..7], &["--service", "Mian"]].concat());
    assert!(error.contains("Mian") && error.contains("Veneer press"), "{error}");
}
