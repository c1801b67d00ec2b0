//! The `bill` verb from the outside: text, JSON, exit codes, errors.

use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Output;
use tempfile::TempDir;
use wattless_tests::program;

const TARIFF: &str = r#"
name = "Test tariff"
currency = "EUR"
time_zone = "Europe/Berlin"
[demand]
interval_min = 15
[power_factor]
basis = "average"
decimals = 2
[[period]]
name = "day"
days = ["mon-fri"]
hours = "06:00-22:00"
[[period]]
name = "night"
rest = true
[[charge]]
clause = "fixed"
name = "Metering point"
amount = 40
[[charge]]
clause = "energy"
name = "Energy by day"
period = "day"
rate_per_kwh = 0.15
[[charge]]
clause = "energy"
name = "Energy by night"
period = "night"
rate_per_kwh = 0.10
[[charge]]
clause = "demand"
name = "Demand"
rate_per_kw = 10
target_pf = 0.95
[[charge]]
clause = "kvarh"
name = "Reactive energy"
share_of_kwh = 0.33
rate_per_kvarh = 0.02
[[charge]]
clause = "tax"
name = "Duty"
percent = 5
"#;

struct Files {
    folder: TempDir,
    tariff: PathBuf,
}

fn files() -> Files {
    let folder = TempDir::new().unwrap();
    let tariff = folder.path().join("tariff.toml");
    std::fs::write(&tariff, TARIFF).unwrap();
    Files { folder, tariff }
}

impl Files {
    fn write(&self, name: &str, text: &str) -> PathBuf {
        let path = self.folder.path().join(name);
        std::fs::write(&path, text).unwrap();
        path
    }

    fn run(&self, args: &[&str]) -> Output {
        let mut c = program::command();
        c.arg("bill").arg("--tariff").arg(&self.tariff).args(args);
        c.output().unwrap()
    }
}

/// Quarter hours of June 2026: 100 kW and 80 kvar from 06 to 18 h on working days, else 10 and 8.
fn intervals(days: std::ops::Range<u32>) -> String {
    let mut text = "start,kw,kvar\n".to_owned();
    for day in days {
        for q in 0..96 {
            // June 2026 begins on a Monday.
            let works = (day - 1) % 7 < 5 && (24..72).contains(&q);
            let (kw, kvar) = if works { (100, 80) } else { (10, 8) };
            text += &format!("2026-06-{day:02} {:02}:{:02},{kw},{kvar}\n", q / 4, q % 4 * 15);
        }
    }
    text
}

fn path(p: &Path) -> &str {
    p.to_str().unwrap()
}

fn text(out: &Output) -> String {
    String::from_utf8(out.stdout.clone()).unwrap()
}

fn errors(out: &Output) -> String {
    String::from_utf8(out.stderr.clone()).unwrap()
}

#[test]
fn a_whole_month_line_by_line() {
    let f = files();
    let data = f.write("june.csv", &intervals(1..31));
    let out = f.run(&["--intervals", path(&data)]);
    assert_eq!(out.status.code(), Some(0), "{}", errors(&out));
    let shown = text(&out);
    assert!(shown.lines().all(|l| l.chars().count() <= 80), "{shown}");
    for words in [
        "Bill",
        "2026-06, 30 days, whole",
        "Metering point: 1 month × 40 EUR/month",
        "Demand: 121.795 kW × 10 EUR/kW",
        "× 0.95 / 0.78 for PF = 121.795",
        "Total, EUR",
        "of it power factor (",
        "of this, power factor: 217.95",
    ] {
        assert!(shown.contains(words), "{words:?} is not in\n{shown}");
    }
    let json: Value =
        serde_json::from_slice(&f.run(&["--intervals", path(&data), "--json"]).stdout).unwrap();
    assert_eq!((&json["currency"], &json["whole"]), (&"EUR".into(), &true.into()));
    let month = &json["months"][0];
    // By hand: 22 working days of 12 h at 100 kW, the rest of 720 h at 10 kW; PF 100/√(100²+80²).
    let kwh = 264.0 * 100.0 + 456.0 * 10.0;
    assert!((month["quantities"]["active_in_kwh"].as_f64().unwrap() - kwh).abs() < 1e-6);
    assert_eq!(month["lines"].as_array().unwrap().len(), 6);
    for key in ["clause", "quantity", "unit", "rate", "amount", "rule"] {
        assert!(month["lines"][1].get(key).is_some(), "{key}");
    }
    // PF 0.7809 is rounded to 0.78: 100 × 0.95 / 0.78.
    let demand = &month["lines"][3];
    assert!((demand["quantity"].as_f64().unwrap() - 121.795).abs() < 1e-9);
    let kvarh = &month["lines"][4];
    assert!((kvarh["quantity"].as_f64().unwrap() - (0.8 - 0.33) * kwh).abs() < 1e-6);
    let amounts: f64 =
        month["lines"].as_array().unwrap().iter().map(|l| l["amount"].as_f64().unwrap()).sum();
    assert!((month["total"].as_f64().unwrap() - amounts).abs() < 1e-6);
    let part = (217.95 + (0.8 - 0.33) * kwh * 0.02) * 1.05;
    assert!((month["power_factor_part"].as_f64().unwrap() - part).abs() < 0.02);
}

#[test]
fn a_week_is_no_month_unless_extended() {
    let f = files();
    let data = f.write("week.csv", &intervals(1..8));
    let shown = text(&f.run(&["--intervals", path(&data)]));
    assert!(
        shown.contains("NOT A WHOLE MONTH") && shown.contains("Total of the covered part"),
        "{shown}"
    );
    let json: Value =
        serde_json::from_slice(&f.run(&["--intervals", path(&data), "--json"]).stdout).unwrap();
    assert_eq!(json["months"][0]["total_is_of"], "covered part");
    assert_eq!(json["whole"], false);
    let out = f.run(&["--intervals", path(&data), "--extrapolate", "year"]);
    let shown = text(&out);
    assert!(shown.contains("EXTRAPOLATED to a year: 7 of 365 days measured"), "{shown}");
    assert!(shown.contains("how sure") && shown.contains("like days"), "{shown}");
    assert!(shown.lines().all(|l| l.chars().count() <= 80), "{shown}");
}

#[test]
fn the_meter_is_reconciled() {
    let f = files();
    let data = f.write("june.csv", &intervals(1..31));
    let end = format!("2026-07-01,{},{}", 5000 + 30_960, 2000 + 24_768);
    let out = f.run(&[
        "--intervals",
        path(&data),
        "--meter-start",
        "2026-06-01,5000,2000",
        "--meter-end",
        &end,
    ]);
    let shown = text(&out);
    assert!(shown.contains("agrees") && !shown.contains("DIFFERS"), "{shown}{}", errors(&out));
    let out = f.run(&[
        "--intervals",
        path(&data),
        "--meter-start",
        "2026-06-01,5000",
        "--meter-end",
        "2026-07-01,40000",
        "--json",
    ]);
    let json: Value = serde_json::from_slice(&out.stdout).unwrap();
    assert_eq!(json["meter"]["active"]["verdict"], "differs");
}

#[test]
fn past_bills_are_reproduced() {
    let f = files();
    let bills = f.write(
        "bills.csv",
        "month,kwh_day,kwh_night,kw,pf,total,charge:Demand\n\
         2026-01,20000,5000,100,0.80,6000.00,1187.50\n2026-02,18000,5000,100,0.95,5000.00,1000.00\n",
    );
    let out = f.run(&["--bills", path(&bills)]);
    assert_eq!(out.status.code(), Some(0), "{}", errors(&out));
    let shown = text(&out);
    assert!(shown.contains("Computed against billed") && shown.contains("off by"), "{shown}");
    assert!(shown.lines().all(|l| l.chars().count() <= 80), "{shown}");
    let json: Value =
        serde_json::from_slice(&f.run(&["--bills", path(&bills), "--json"]).stdout).unwrap();
    let billed = &json["months"][0]["billed"];
    assert_eq!(billed["charges"][0]["difference"], 0.0);
    // By hand: (40 + 3000 + 500 + 1187.50 + (25000·0.75 − 8250)·0.02) × 1.05 = 5184.38.
    assert!((json["months"][0]["total"].as_f64().unwrap() - 5184.38).abs() < 0.011);
    assert!((billed["total_difference"].as_f64().unwrap() + 815.62).abs() < 0.011);
}

#[test]
fn what_cannot_be_done_names_the_place() {
    let f = files();
    let bills = f.write("bills.csv", "month,kwh,kw,pf\n2026-01,-1,100,1.7\n");
    let out = f.run(&["--bills", path(&bills)]);
    assert_eq!(out.status.code(), Some(2));
    let said = errors(&out);
    assert!(said.contains("bills.csv, line 2: kwh -1 is negative"), "{said}");
    assert!(said.contains("pf 1.7 is impossible"), "{said}");
    let bad =
        f.write("bad.toml", "currency = \"EUR\"\n[[charge]]\nclause = \"energy\"\nrate = 1\n");
    let mut c = program::command();
    let out = c.args(["bill", "nowhere", "--tariff", path(&bad)]).output().unwrap();
    assert_eq!(out.status.code(), Some(2));
    assert!(errors(&out).contains("bad.toml, line"), "{}", errors(&out));
    let out = f.run(&["no-such-store"]);
    assert_eq!(out.status.code(), Some(2));
    let out = f.run(&["--intervals", "no-such.csv"]);
    assert!(errors(&out).contains("no-such.csv"), "{}", errors(&out));
}

/// Rows that cannot be are named with file and line; what is only odd is told beside the bill.
#[test]
fn rows_that_cannot_be_are_named() {
    let f = files();
    let head = "start,kw,kvar,kva\n2026-06-01 00:00,100,50,112\n";
    for (row, said) in [
        ("2026-06-01 00:15,1e30,50,1e30", "line 3: kw 1e30 is more than any supply gives"),
        ("2026-06-01 00:15,100,50,20", "line 3: 5.0 kVAh are less than 25.0 kWh"),
        ("2026-06-01 00:15,NaN,50,20", "line 3: kw \"NaN\" is not a number"),
        ("2026-06-01 00:15,100,50,-1", "line 3: kva -1 is negative"),
    ] {
        let data = f.write("wrong.csv", &format!("{head}{row}\n"));
        let out = f.run(&["--intervals", path(&data)]);
        assert_eq!(out.status.code(), Some(2), "{row}");
        assert!(out.stdout.is_empty());
        assert!(errors(&out).contains(&format!("wrong.csv, {said}")), "{}", errors(&out));
    }
    // The bill states a PF that is not that of its energies: billed as stated, and said.
    let bills = f.write("bills.csv", "month,kwh,kvarh,kw,pf\n2026-01,1000,1000,10,0.99\n");
    let shown = text(&f.run(&["--bills", path(&bills)]));
    assert!(shown.contains("PF 0.99 as stated; kWh and kvarh make 0.707"), "{shown}");
}

/// A byte-order mark, CRLF, semicolons and decimal commas change nothing.
#[test]
fn tables_of_other_programs_read_the_same() {
    let f = files();
    let plain = intervals(1..3);
    let mut other = String::from("\u{feff}");
    for (k, line) in plain.lines().enumerate() {
        let cells: Vec<String> = line
            .split(',')
            .map(|c| if k > 0 && c == "100" { "100,0".into() } else { c.into() })
            .collect();
        other += &format!("{}\r\n", cells.join(";"));
    }
    let (a, b) = (f.write("a.csv", &plain), f.write("b.csv", &other));
    let json = |p: &Path| -> Value {
        serde_json::from_slice(&f.run(&["--intervals", path(p), "--json"]).stdout).unwrap()
    };
    assert_eq!(json(&a)["months"], json(&b)["months"]);
}
