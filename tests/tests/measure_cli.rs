//! `wattless measure` from the outside: good files, bad files, exit codes, JSON.
//!
//! The waveforms are Brackwater Joinery's feeder "Sawmill main" in closed form:
//! 230 V, 10 A lagging by 36.87 degrees, so PF 0.8 on every phase.

use serde_json::Value;
use std::f64::consts::{PI, SQRT_2, TAU};
use std::path::PathBuf;
use std::process::Output;
use wattless_tests::program;

const V: f64 = 230.0;
const I: f64 = 10.0;
const PHI: f64 = 36.869_897_645_844_02;

/// A scratch folder and a way to run the program in it.
struct Bench {
    folder: tempfile::TempDir,
}

impl Bench {
    fn new() -> Bench {
        Bench { folder: tempfile::tempdir().unwrap() }
    }

    fn put(&self, name: &str, content: impl AsRef<[u8]>) -> PathBuf {
        let path = self.folder.path().join(name);
        std::fs::write(&path, content).unwrap();
        path
    }

    fn run(&self, args: &[&str]) -> Output {
        program::command()
            .current_dir(self.folder.path())
            .arg("measure")
            .args(args)
            .output()
            .unwrap()
    }

    /// Runs with `--json` on a file that must be good.
    #[track_caller]
    fn json(&self, args: &[&str]) -> Value {
        let out = self.run(&[args, &["--json"]].concat());
        let err = String::from_utf8_lossy(&out.stderr);
        assert_eq!((out.status.code(), err.as_ref()), (Some(0), ""));
        serde_json::from_slice(&out.stdout).unwrap()
    }

    /// Runs on a file that must be refused; the error is one line that names what is given.
    #[track_caller]
    fn refused(&self, args: &[&str], names: &[&str]) -> String {
        let out = self.run(args);
        let err = String::from_utf8_lossy(&out.stderr).into_owned();
        assert_eq!((out.status.code(), out.stdout.len()), (Some(2), 0), "{err}");
        for name in names {
            assert!(err.contains(name), "'{name}' is not in: {err}");
        }
        err
    }
}

/// A quantity by column name at an angle of the fundamental.
fn value(column: &str, angle: f64) -> f64 {
    let (peak, degrees) = match column {
        "v1_v" => (V, 0.0),
        "v2_v" => (V, -120.0),
        "v3_v" => (V, 120.0),
        "v12_v" => (V * libm::sqrt(3.0), 30.0),
        "v23_v" => (V * libm::sqrt(3.0), -90.0),
        "v31_v" => (V * libm::sqrt(3.0), 150.0),
        "v32_v" => (V * libm::sqrt(3.0), 90.0),
        "i1_a" => (I, -PHI),
        "i2_a" => (I, -PHI - 120.0),
        "i3_a" => (I, -PHI + 120.0),
        other => panic!("no column {other}"),
    };
    peak * SQRT_2 * libm::cos(angle + degrees * PI / 180.0)
}

/// How a CSV file is written.
#[derive(Clone)]
struct Writing {
    columns: &'static str,
    rate: f64,
    rows: usize,
    hz: f64,
    separator: &'static str,
    comma: bool,
    time_digits: usize,
    first_s: f64,
    dc: f64,
}

const SIX: &str = "t_s,v1_v,v2_v,v3_v,i1_a,i2_a,i3_a";

impl Default for Writing {
    fn default() -> Self {
        Writing {
            columns: SIX,
            rate: 8000.0,
            rows: 4000,
            hz: 50.0,
            separator: ",",
            comma: false,
            time_digits: 6,
            first_s: 0.0,
            dc: 0.0,
        }
    }
}

impl Writing {
    fn columns(columns: &'static str) -> Writing {
        Writing { columns, ..Writing::default() }
    }

    fn text(&self) -> String {
        let columns: Vec<&str> = self.columns.split(',').collect();
        let mut text = columns.join(self.separator) + "\n";
        for n in 0..self.rows {
            let t = n as f64 / self.rate;
            let cells = columns.iter().map(|&c| {
                let cell = match c {
                    "t_s" => format!("{:.*}", self.time_digits, t + self.first_s),
                    _ => format!("{:.5}", value(c, TAU * self.hz * t) + self.dc),
                };
                if self.comma { cell.replace('.', ",") } else { cell }
            });
            text += &(cells.collect::<Vec<_>>().join(self.separator) + "\n");
        }
        text
    }
}

fn number(v: &Value) -> f64 {
    v.as_f64().unwrap_or_else(|| panic!("{v} is not a number"))
}

#[track_caller]
fn near(got: &Value, want: f64, tolerance: f64) {
    let got = number(got);
    assert!((got - want).abs() <= tolerance, "got {got}, want {want} ± {tolerance}");
}

/// Every phase of the only reading is the feeder's.
#[track_caller]
fn check_feeder(json: &Value, wiring: &str, phases: usize) {
    assert_eq!(json["wiring"], wiring);
    assert_eq!(json["readings"].as_array().unwrap().len(), 1);
    let r = &json["readings"][0];
    assert_eq!(r["phases"].as_array().unwrap().len(), phases);
    for p in r["phases"].as_array().unwrap() {
        near(&p["v_rms_v"], 230.0, 0.005);
        near(&p["i_rms_a"], 10.0, 0.0005);
        near(&p["p_w"], 1840.0, 0.1);
        near(&p["q1_var"], 1380.0, 0.1);
        near(&p["s_va"], 2300.0, 0.1);
        near(&p["pf"], 0.8, 2e-5);
        near(&p["dpf"], 0.8, 2e-5);
        near(&p["phi1_deg"], PHI, 0.002);
    }
    near(&r["total"]["p_w"], 1840.0 * phases as f64, 0.3);
}

#[test]
fn every_wiring_is_found_from_its_columns() {
    let cases = [
        ("t_s,v1_v,i1_a", "single-phase", 1),
        (SIX, "four-wire", 3),
        ("i3_a,v2_v,t_s,i1_a,v3_v,i2_a,v1_v", "four-wire", 3),
        ("t_s,v1_v,v2_v,v3_v,i1_a,i3_a", "two-sensor", 3),
        ("t_s,v12_v,v23_v,v31_v,i1_a,i2_a,i3_a", "three-wire-line", 3),
        ("t_s,v12_v,v32_v,i1_a,i3_a", "two-sensor-line", 3),
        ("T_S,V1_V,V2_V,I1_A,I2_A", "split-phase", 2),
    ];
    let b = Bench::new();
    for (columns, wiring, phases) in cases {
        let mut w = Writing::columns(columns);
        let upper = columns.starts_with('T');
        if upper {
            w.columns = "t_s,v1_v,v2_v,i1_a,i2_a";
        }
        let mut text = w.text();
        if upper {
            text = text.replacen(w.columns, columns, 1);
        }
        b.put("sawmill.csv", text);
        check_feeder(&b.json(&["sawmill.csv"]), wiring, phases);
    }
}

#[test]
fn a_wiring_can_be_asked_for() {
    let b = Bench::new();
    b.put("six.csv", Writing::default().text());
    for (wiring, phases) in [("three-wire", 3), ("two-sensor", 3), ("single-phase", 1)] {
        check_feeder(&b.json(&["six.csv", "--wiring", wiring]), wiring, phases);
    }
    // Line voltages under plain names need to be told.
    let lines = Writing::columns("t_s,v12_v,v23_v,v31_v,i1_a,i2_a,i3_a").text();
    b.put("lines.csv", lines.replacen("v12_v,v23_v,v31_v", "v1_v,v2_v,v3_v", 1));
    check_feeder(&b.json(&["lines.csv", "--wiring", "three-wire-line"]), "three-wire-line", 3);
    b.refused(&["lines.csv", "--wiring", "three-wire-lines"], &["four-wire", "two-sensor-line"]);
}

#[test]
fn the_ways_of_writing_csv_make_no_difference() {
    let b = Bench::new();
    let plain = Writing::default();
    let variants = [
        plain.text().replace('\n', "\r\n"),
        format!("\u{feff}{}", plain.text()),
        plain.text() + "\n\r\n  \n",
        plain.text().trim_end().to_owned(),
        plain.text().replace(',', " , "),
        plain.text().replacen("t_s", "\"t_s\"", 1),
        Writing { separator: ";", ..plain.clone() }.text(),
        Writing { separator: ";", comma: true, ..plain.clone() }.text(),
        Writing { separator: "\t", comma: true, ..plain.clone() }.text(),
    ];
    b.put("plain.csv", plain.text());
    let want = b.json(&["plain.csv"])["readings"].clone();
    for (k, text) in variants.iter().enumerate() {
        b.put("variant.csv", text);
        assert_eq!(b.json(&["variant.csv"])["readings"], want, "variant {k}");
    }
}

#[test]
fn few_digits_of_time_give_the_exact_rate() {
    let b = Bench::new();
    for (rate, time_digits, rows) in [
        (8000.0, 4, 8000),
        (8000.0, 6, 1700),
        (6400.0, 6, 3200),
        (7812.5, 9, 4000),
        (5760.0, 5, 4000),
    ] {
        b.put("t.csv", Writing { rate, time_digits, rows, ..Writing::default() }.text());
        let json = b.json(&["t.csv"]);
        near(&json["sample_rate_hz"], rate, 1e-9 * rate);
        check_feeder(&json, "four-wire", 3);
    }
    // Time need not start at zero.
    b.put("late.csv", Writing { first_s: 86_400.0, ..Writing::default() }.text());
    let json = b.json(&["late.csv"]);
    assert_eq!(json["first_sample_s"], 86_400.0);
    near(&json["sample_rate_hz"], 8000.0, 1e-6);
    assert_eq!(json["readings"][0]["start_s"], 0.0);
}

#[test]
fn the_json_object_has_all_its_keys() {
    let b = Bench::new();
    b.put("sawmill.csv", Writing { rows: 4100, ..Writing::default() }.text());
    let json = b.json(&["sawmill.csv"]);
    let keys = |v: &Value| v.as_object().unwrap().keys().cloned().collect::<Vec<_>>().join(" ");
    assert_eq!(
        keys(&json),
        "alternates_hz channels demand_current_a file first_sample_s format frames frames_left i_dc \
         nominal_hz readings sample_rate_hz v_dc wiring"
    );
    assert_eq!((&json["nominal_hz"], &json["format"]), (&50.into(), &"csv".into()));
    assert_eq!((&json["frames"], &json["v_dc"]), (&4100.into(), &"kept".into()));
    near(&json["frames_left"], 900.0, 3.0);
    let r = &json["readings"][0];
    assert_eq!(
        keys(r),
        "duration_s flags frequency_hz i_neutral_a neutral phases sequence start_s \
         thd_highest_order total v_line_v windows"
    );
    assert_eq!((&r["windows"], &r["flags"]), (&2.into(), &Value::Array(vec![])));
    near(&r["frequency_hz"], 50.0, 0.001);
    near(&r["duration_s"], 0.4, 1e-5);
    assert_eq!(
        keys(&r["phases"][0]),
        "dh_var di_var dpf dv_var i_dc_a i_harmonics i_rms_a i_thd_pct n_var p_w pf ph_w phi1_deg \
         q1_var s1_va s_va sh_va sn_va v_dc_v v_harmonics v_rms_v v_thd_pct"
    );
    assert_eq!(
        keys(&r["total"]),
        "dei_var dev_var p1_positive_w p_w pf1_positive pf_arithmetic pf_effective pf_vector \
         q1_positive_var q1_var s1_positive_va s_arithmetic_va s_effective_va s_vector_va se1_va \
         seh_va sen_va su1_va"
    );
    for key in ["s_arithmetic_va", "s_vector_va", "s_effective_va"] {
        near(&r["total"][key], 6900.0, 0.2);
    }
}

#[test]
fn what_does_not_exist_is_null() {
    let b = Bench::new();
    // No current: no power factor. No effective S for two phases and a neutral.
    let text: String = Writing::columns("t_s,v1_v,v2_v,i1_a,i2_a")
        .text()
        .lines()
        .enumerate()
        .map(|(k, line)| {
            let cells: Vec<&str> = line.split(',').collect();
            if k == 0 {
                line.into()
            } else {
                format!("{},{},{},0,0.00000001", cells[0], cells[1], cells[2])
            }
        })
        .map(|line: String| line + "\n")
        .collect();
    b.put("idle.csv", text);
    let r = &b.json(&["idle.csv"])["readings"][0];
    for p in r["phases"].as_array().unwrap() {
        assert!(p["pf"].is_null() && p["dpf"].is_null() && p["phi1_deg"].is_null());
        near(&p["v_rms_v"], 230.0, 0.01);
    }
    let t = &r["total"];
    for key in ["pf_arithmetic", "pf_vector", "pf_effective", "s_effective_va"] {
        assert!(t[key].is_null(), "{key}");
    }
    // A dead feeder: no frequency and nothing of the fundamental either.
    let rows: String = (0..4000).map(|n| format!("{:.6},0,0\n", f64::from(n) / 8000.0)).collect();
    b.put("dead.csv", format!("t_s,v1_v,i1_a\n{rows}"));
    let r = &b.json(&["dead.csv"])["readings"][0];
    assert!(r["frequency_hz"].is_null() && r["phases"][0]["q1_var"].is_null());
    assert!(r["total"]["s_vector_va"].is_null());
    assert_eq!(r["phases"][0]["v_rms_v"], 0.0);
    let flags = r["flags"].as_array().unwrap();
    assert!(flags.contains(&"no_fundamental".into()) && flags.contains(&"v_missing".into()));
    // People see dashes.
    let out = b.run(&["dead.csv"]);
    let text = String::from_utf8_lossy(&out.stdout).into_owned();
    let row: Vec<&str> =
        text.lines().find(|l| l.contains("L1")).unwrap().split_whitespace().collect();
    assert_eq!(row[4], "-", "{text}");
    assert_eq!(row[6..], ["-", "-", "-"], "{text}");
}

#[test]
fn dc_is_kept_or_taken_out_and_said() {
    let b = Bench::new();
    b.put("dc.csv", Writing { dc: 5.0, ..Writing::columns("t_s,v1_v,i1_a") }.text());
    let kept = b.json(&["dc.csv"]);
    let p = &kept["readings"][0]["phases"][0];
    near(&p["p_w"], 1840.0 + 25.0, 0.2);
    near(&p["i_rms_a"], libm::sqrt(125.0), 0.001);
    near(&p["v_dc_v"], 5.0, 0.01);
    near(&p["i_dc_a"], 5.0, 0.01);
    let removed = b.json(&["dc.csv", "--dc", "remove"]);
    assert_eq!((&removed["v_dc"], &removed["i_dc"]), (&"removed".into(), &"removed".into()));
    let p = &removed["readings"][0]["phases"][0];
    near(&p["p_w"], 1840.0, 0.2);
    near(&p["i_rms_a"], 10.0, 0.001);
    b.refused(&["dc.csv", "--dc", "half"], &["keep or remove"]);
}

#[test]
fn intervals_factors_and_nominal_frequency() {
    let b = Bench::new();
    b.put("sawmill.csv", Writing { rows: 20_000, ..Writing::default() }.text());
    let json = b.json(&["sawmill.csv", "--interval", "1"]);
    let r = json["readings"].as_array().unwrap();
    assert_eq!(r.len(), 3);
    let starts: Vec<f64> = r.iter().map(|r| number(&r["start_s"])).collect();
    for (got, want) in starts.iter().zip([0.0, 1.0, 2.0]) {
        assert!((got - want).abs() < 1e-4);
    }
    // The last one is what the file has left; nothing is filled up.
    near(&r[2]["duration_s"], 0.4, 1e-4);
    assert_eq!(r[2]["flags"], Value::Array(vec!["short".into()]));
    assert_eq!(r[0]["flags"], Value::Array(vec![]));
    b.refused(&["sawmill.csv", "--interval", "0"], &["0.2"]);
    b.refused(&["sawmill.csv", "--interval", "-1"], &[]);

    let p =
        b.json(&["sawmill.csv", "--factor", "i=20", "--factor", "i2=-1"])["readings"][0]["phases"]
            .clone();
    near(&p[0]["p_w"], 36_800.0, 2.0);
    near(&p[1]["p_w"], -36_800.0, 2.0);
    b.refused(&["sawmill.csv", "--factor", "x=2"], &["v1"]);
    b.refused(&["sawmill.csv", "--factor", "i=0"], &["factor"]);

    b.put("sixty.csv", Writing { hz: 60.0, ..Writing::default() }.text());
    let json = b.json(&["sixty.csv"]);
    assert_eq!((&json["nominal_hz"], &json["readings"][0]["windows"]), (&60.into(), &2.into()));
    let json = b.json(&["sixty.csv", "--nominal-hz", "50"]);
    assert_eq!(json["nominal_hz"], 50);
    near(&json["readings"][0]["frequency_hz"], 60.0, 0.001);
    b.refused(&["sixty.csv", "--nominal-hz", "55"], &["50 or 60"]);
}

/// Each fault gives one error with the file and the line; nothing goes to standard output.
#[test]
fn bad_csv_is_refused_with_file_and_line() {
    let good = Writing { rows: 2000, ..Writing::columns("t_s,v1_v,i1_a") }.text();
    let line = |n: usize, new: &str| {
        let mut lines: Vec<String> = good.lines().map(str::to_owned).collect();
        lines[n - 1] = new.into();
        lines.join("\n") + "\n"
    };
    let without = |n: usize| {
        let kept = good.lines().enumerate().filter(|(k, _)| k + 1 != n).map(|(_, l)| l);
        kept.collect::<Vec<_>>().join("\n") + "\n"
    };
    let twice = |n: usize| {
        let old = good.lines().nth(n - 1).unwrap();
        line(n, &format!("{old}\n{old}"))
    };
    let cut = good.trim_end();
    let cases: Vec<(String, &[&str])> = vec![
        (String::new(), &["line 1", "empty"]),
        (good.replacen("t_s,v1_v,i1_a\n", "", 1), &["line 1", "no header"]),
        (good.replacen("i1_a", "watts", 1), &["line 1", "watts", "i1_a"]),
        (good.replacen("v1_v", "i1_a", 1), &["line 1", "i1_a", "twice"]),
        (good.replacen("t_s", "v2_v", 1), &["line 1", "t_s"]),
        (good.replacen("t_s,v1_v,i1_a", "t_s,v1_v,v2_v", 1), &["make no wiring", "--wiring"]),
        (good.replacen("t_s,v1_v,i1_a", "t_s,v1_v,i3_a", 1), &["make no wiring", "two-sensor"]),
        (line(50, "0.006000,nan,1"), &["line 50", "v1_v", "nan"]),
        (line(51, "0.006125,1,-inf"), &["line 51", "i1_a", "-inf"]),
        (line(52, "0.006250,,1"), &["line 52", "v1_v", "empty"]),
        (line(53, "0.006375,12 V,1"), &["line 53", "v1_v", "'12 V'"]),
        (line(54, "0.006500,1"), &["line 54", "2 cells", "3 columns"]),
        (line(55, "0.006625,1,2,3"), &["line 55", "4 cells", "3 columns"]),
        (line(56, "0.006750,2e9,1"), &["line 56", "v1_v", "unit"]),
        (line(57, ""), &["line 57", "empty line"]),
        (line(58, "x,1,1"), &["line 58", "t_s", "'x'"]),
        (line(59, "0.001,1,1"), &["line 59", "0.001", "rise"]),
        (without(1000), &["line 1000", "missing"]),
        (twice(1000), &["line 1001", "rise"]),
        (line(1000, "0.1248,1,1"), &["line 1000"]),
        (cut[..cut.len() - 12].to_owned(), &["line 2001", "cut off"]),
        (good.lines().take(2).collect::<Vec<_>>().join("\n"), &["1 rows", "two"]),
        ("t_s,v1_v,i1_a\n".to_owned(), &["0 rows"]),
        ("t_s\n0\n1\n".to_owned(), &["line 1", "v1_v"]),
        (good.replace('\n', " "), &["line 1"]),
        (good.replacen(".00", ",00", 40), &["cells", "semicolons"]),
        ("x".repeat(100_000), &["line 1", "not a CSV"]),
    ];
    let b = Bench::new();
    for (k, (text, names)) in cases.iter().enumerate() {
        let file = format!("case{k}.csv");
        b.put(&file, text);
        let err = b.refused(&[&file], &[&[file.as_str()], *names].concat());
        assert_eq!(err.lines().count(), 1, "{err}");
        b.refused(&[&file, "--json"], &[&file]);
    }
    b.put("latin.csv", b"t_s,v1_v,i1_a\xB5\n0,1,1\n");
    b.refused(&["latin.csv"], &["latin.csv", "line 1", "UTF-8"]);
    b.put("binary.csv", [0u8, 159, 146, 150].repeat(50_000));
    b.refused(&["binary.csv"], &["binary.csv", "line 1"]);
}

#[test]
fn files_that_cannot_be_measured_say_what_is_needed() {
    let b = Bench::new();
    b.refused(&["nothing.csv"], &["nothing.csv"]);
    b.refused(&["."], &["."]);
    b.refused(&[], &["FILE"]);
    b.put("short.csv", Writing { rows: 1500, ..Writing::default() }.text());
    b.refused(&["short.csv"], &["short.csv", "1500 samples", "0.1875 s", "0.202 s", "1617"]);
    b.put("tiny.csv", Writing { rows: 3, ..Writing::default() }.text());
    b.refused(&["tiny.csv"], &["tiny.csv", "too short"]);
    b.put("slow.csv", Writing { rate: 500.0, ..Writing::default() }.text());
    b.refused(&["slow.csv"], &["slow.csv", "500", "1000", "sample faster"]);
    b.put("fast.csv", Writing { rate: 250_000.0, ..Writing::default() }.text());
    b.refused(&["fast.csv"], &["fast.csv", "250000", "200000", "every nth"]);
    b.put("plain.csv", Writing::default().text());
    b.refused(&["plain.csv", "--channel", "v1=VA"], &["plain.csv", "--channel", "csv"]);
    b.refused(&["plain.csv", "--records", "out.pages"], &["plain.csv", "count file"]);
    assert!(!b.folder.path().join("out.pages").exists());
}

/// What people see fits 80 columns and carries the numbers.
#[test]
fn the_table_fits_eighty_columns() {
    let b = Bench::new();
    b.put("sawmill.csv", Writing::default().text());
    let out = b.run(&["sawmill.csv"]);
    assert_eq!(out.status.code(), Some(0));
    let text = String::from_utf8(out.stdout).unwrap();
    assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
    assert!(text.lines().all(|l| l == l.trim_end()), "{text}");
    for part in ["four-wire", "50.000 Hz", "230.00", "10.000", "1.8400", "0.800", "lag", "DC is"] {
        assert!(text.contains(part), "{part} is not in\n{text}");
    }
}
