//! Survey, bill, sizing and report on open load profiles with known figures, fetched when the test runs.
//!
//! Profiles of the SimBench database (ODbL 1.0 / DbCL, see `fetch_profiles.sh`), a leap year
//! by the quarter hour with P and Q. Reference figures: DERIVED from the package's data with
//! numpy, profile × the first load's rating. In the data a time labels the start of its quarter
//! hour; so it does in the survey's `start`, which is what is compared.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;
use wattless::analyse::bill::{BillMonth, bill};
use wattless::analyse::series::LoadSeries;
use wattless::analyse::survey::verdict::Class;
use wattless::analyse::survey::{Survey, survey};
use wattless::analyse::tariff::Tariff;
use wattless::site::Site;
use wattless_tests::made_log::{LogMaker, at};
use wattless_tests::{made_store, program};

/// One profile: P and Q as shares of the rating, by the quarter hour from 2016-01-01 00:00.
type Rows = Vec<(f64, f64)>;

/// The text of the profiles; fetched once, and a failure to fetch fails the test.
fn text() -> &'static str {
    static TEXT: OnceLock<String> = OnceLock::new();
    TEXT.get_or_init(|| {
        let kept = Path::new(env!("CARGO_TARGET_TMPDIR")).with_file_name("profiles");
        let folder = std::env::var_os("WATTLESS_PROFILES").map_or(kept, PathBuf::from);
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("fetch_profiles.sh");
        let done = Command::new("bash").arg(script).arg(&folder).status();
        assert!(done.is_ok_and(|s| s.success()), "the profiles could not be fetched");
        std::fs::read_to_string(folder.join("profiles.csv")).unwrap()
    })
}

fn profile(name: &str) -> Rows {
    let mut lines = text().lines();
    let header: Vec<&str> = lines.next().unwrap().split(';').collect();
    let column = |end: &str| {
        let wanted = format!("{name}{end}");
        header.iter().position(|h| *h == wanted).unwrap()
    };
    let (p, q) = (column("_pload"), column("_qload"));
    let mut rows = Rows::new();
    for (k, line) in lines.enumerate() {
        let cells: Vec<&str> = line.split(';').collect();
        if k == 0 {
            assert_eq!(cells[0], "01.01.2016 00:00");
        }
        rows.push((cells[p].parse().unwrap(), cells[q].parse().unwrap()));
    }
    assert_eq!(rows.len(), 35_136);
    rows
}

/// Records of 15 minutes; the profile knows no daylight saving, so its clock is taken as UTC.
fn log(rows: &[(f64, f64)], kw: f64, kvar: f64, start: &str) -> LogMaker {
    let mut log = at(start);
    for (p, q) in rows {
        log.record(900.0, p * kw, q * kvar);
    }
    log
}

fn run(log: &LogMaker, toml: &str) -> Survey {
    survey(&log.log, &Site::parse(toml, Path::new("test.toml")).unwrap()).unwrap()
}

#[track_caller]
fn near(got: f64, want: f64) {
    assert!((got - want).abs() <= 1e-3 * want.abs().max(1e-9), "{got} is not {want}");
}

#[track_caller]
fn within(got: f64, want: f64, tolerance: f64) {
    assert!((got - want).abs() <= tolerance, "{got} is not {want} within {tolerance}");
}

fn g6a_week() -> LogMaker {
    log(&profile("G6-A")[3 * 96..10 * 96], 530.0, 209.5, "2016-01-04T00:00:00Z")
}

/// Week 2016-01-04 to 10 of profile G6-A: PF is 0.964 at the kW peak while energies give 0.817.
#[test]
fn a_week_of_a_commercial_load() {
    let week = g6a_week();
    let s = run(&week, "[power_factor]\ntarget = 0.9\n");
    within(s.energy.active_in_wh, 7_340_220.0, 0.5);
    within(s.energy.reactive_net_varh, 5_184_605.0, 0.5);
    within(s.power_factor.average.unwrap(), 0.8168, 5e-5);
    let block = s.demand.block.as_ref().unwrap();
    assert_eq!((block.complete, block.incomplete), (672, 0));
    let (p, va) = (block.at_p_peak.unwrap(), block.at_s_peak.unwrap());
    within(p.p_w, 134_447.0, 0.5);
    assert_eq!(p.start.rfc3339(), "2016-01-05T14:45:00+00:00");
    within(p.pf.unwrap(), 0.96399, 5e-6);
    within(va.s_va, 139_517.0, 0.5);
    assert_eq!(va.start.rfc3339(), "2016-01-05T15:00:00+00:00");
    within(s.power_factor.below_target_share.unwrap(), 0.92708, 5e-6);
    near(s.energy.active_in_wh / 168.0 / p.p_w, 0.32497);
    assert!(s.completeness.whole_week);
}

#[test]
fn what_the_week_lacks_of_a_target() {
    let week = g6a_week();
    let s = run(&week, "[power_factor]\ntarget = 0.95\ncounts_from_share = 0.0\n");
    within(s.required.every_interval_var.unwrap(), 38_430.0, 0.5);
    within(s.power_factor.lowest.unwrap().pf.unwrap(), 0.70706, 5e-6);
    assert_eq!(s.required.at_p_peak_var, Some(0.0));
    assert_eq!(s.verdict.class, Class::WorthFixing);
    // kvarh beyond 0.33 × kWh of each interval.
    let target = wattless_core::correction::power_factor(1.0, 0.33).unwrap();
    let s = run(&week, &format!("[power_factor]\ntarget = {target}\n"));
    within(s.required.beyond_target_lagging_varh, 2_777_165.0, 0.5);
}

#[test]
fn longer_intervals_have_lower_peaks() {
    let week = g6a_week();
    for (minutes, kw) in [(30, 120.005), (60, 115.246)] {
        let s = run(&week, &format!("[demand]\ninterval_min = {minutes}\n"));
        let block = s.demand.block.as_ref().unwrap();
        within(block.at_p_peak.unwrap().p_w, kw * 1e3, 0.5);
        assert_eq!(block.complete, 672 * 15 / minutes);
    }
}

/// The whole year: energies, peaks and the year's PF.
#[test]
fn a_year_of_two_loads() {
    for (name, kw, kvar, kwh, kvarh, max_kvar) in [
        ("G6-A", 530.0, 209.5, 1_025_021.2, 560_800.3, 145.263),
        ("G4-M", 375.0, 148.2, 1_395_690.3, 561_774.7, 128.799),
    ] {
        let s = run(&log(&profile(name), kw, kvar, "2016-01-01T00:00:00Z"), "");
        within(s.energy.active_in_wh, kwh * 1e3, 100.0);
        within(s.energy.reactive_lagging_varh, kvarh * 1e3, 100.0);
        let block = s.demand.block.as_ref().unwrap();
        assert_eq!(block.complete, 35_136);
        within(block.at_p_peak.unwrap().p_w, kw * 1e3, 1.0);
        within(block.at_q1_peak.unwrap().q1_var, max_kvar * 1e3, 1.0);
        assert_eq!(s.profile.days.len(), 366);
        if name == "G6-A" {
            within(s.power_factor.average.unwrap(), 0.8773, 5e-5);
        }
        // The ends of the range of PF over all intervals.
        let (least, most) = if name == "G6-A" { (0.675, 0.989) } else { (0.709, 0.982) };
        let wide = run(
            &log(&profile(name), kw, kvar, "2016-01-01T00:00:00Z"),
            "[power_factor]\ncounts_from_share = 0.0\nno_load_share = 0.0\n",
        );
        within(wide.power_factor.lowest.unwrap().pf.unwrap(), least, 5e-4);
        assert!(wide.power_factor.at_p_peak.unwrap() <= most + 5e-4);
    }
}

/// The same week through a bill: demand, energies, PF and kvarh beyond 0.33 × kWh of each quarter
/// hour become the quantities of lines.
#[test]
fn a_week_of_a_commercial_load_billed() {
    let tariff = |text: &str| Tariff::parse(text, Path::new("tariff.toml")).unwrap();
    let billed = |text: &str| {
        let t = tariff(&format!("currency = \"EUR\"\n{text}"));
        let week = g6a_week();
        let series = LoadSeries::of_log(&week.log, t.step_s(), t.demand.apparent).unwrap();
        bill(&series, &t, &jiff::tz::TimeZone::UTC, &[]).unwrap()
    };
    let b = billed(
        "[demand]\ninterval_min = 15\n[power_factor]\nbasis = \"average\"\n\
         [[charge]]\nclause = \"energy\"\nrate_per_kwh = 1\n\
         [[charge]]\nclause = \"demand\"\nname = \"kW\"\nrate_per_kw = 1\n\
         [[charge]]\nclause = \"demand\"\nname = \"kVA\"\nrate_per_kva = 1\n\
         [[charge]]\nclause = \"kvarh\"\nshare_of_kwh = 0.33\nper = \"interval\"\nrate_per_kvarh = 1\n",
    );
    assert_eq!(b.months.len(), 1);
    let m = &b.months[0];
    let quantity = |k: usize| m.lines[k].quantity.unwrap();
    within(quantity(0), 7340.220, 1e-3);
    within(quantity(1), 134.447, 1e-3);
    within(quantity(2), 139.517, 1e-3);
    within(quantity(3), 2777.165, 2e-3);
    let f = &m.quantities.figures;
    within(f.total.q_lag_kvarh, 5184.605, 1e-3);
    within(f.power_factor.average.unwrap(), 0.8168, 5e-5);
    within(f.power_factor.at_p_peak.unwrap(), 0.96399, 5e-6);
    let time =
        |ms: Option<i64>| jiff::Timestamp::from_millisecond(ms.unwrap()).unwrap().to_string();
    assert_eq!(time(f.total.p_peak.start_ms), "2016-01-05T14:45:00Z");
    assert_eq!(time(f.total.s_peak.start_ms), "2016-01-05T15:00:00Z");
    assert!(!m.quantities.frame.is_whole());
    for (minutes, kw) in [(30, 120.005), (60, 115.246)] {
        let b = billed(&format!(
            "[demand]\ninterval_min = {minutes}\n[[charge]]\nclause = \"demand\"\nrate_per_kw = 1\n"
        ));
        within(b.months[0].lines[0].quantity.unwrap(), kw, 1e-3);
    }
    let b = billed(
        "[demand]\ninterval_min = 15\n[power_factor]\nbasis = \"lowest\"\ncounts_from_share = 0\n\
         [[charge]]\nclause = \"demand\"\nrate_per_kw = 1\ntarget_pf = 0.9\n",
    );
    within(b.months[0].quantities.figures.power_factor.lowest.unwrap(), 0.70706, 5e-6);
}

/// The whole year in twelve bills: energies add up to the reference, the highest kW is the year's.
#[test]
fn a_year_of_two_loads_billed() {
    let t = Tariff::parse(
        "currency = \"EUR\"\n[demand]\ninterval_min = 15\n[[charge]]\nclause = \"energy\"\n\
         rate_per_kwh = 1\n[[charge]]\nclause = \"demand\"\nrate_per_kw = 1\n",
        Path::new("tariff.toml"),
    )
    .unwrap();
    for (name, kw, kvar, kwh, kvarh) in [
        ("G6-A", 530.0, 209.5, 1_025_021.2, 560_800.3),
        ("G4-M", 375.0, 148.2, 1_395_690.3, 561_774.7),
    ] {
        let year = log(&profile(name), kw, kvar, "2016-01-01T00:00:00Z");
        let series = LoadSeries::of_log(&year.log, 900, t.demand.apparent).unwrap();
        let b = bill(&series, &t, &jiff::tz::TimeZone::UTC, &[]).unwrap();
        assert_eq!(b.months.len(), 12);
        assert!(b.is_whole());
        let sum = |of: &dyn Fn(&BillMonth) -> f64| b.months.iter().map(of).sum::<f64>();
        near(sum(&|m| m.quantities.figures.total.p_in_kwh), kwh);
        near(sum(&|m| m.quantities.figures.total.q_lag_kvarh), kvarh);
        let peak = b.months.iter().map(|m| m.quantities.figures.total.p_peak.p_kw);
        within(peak.fold(0.0, f64::max), kw, 1e-3);
    }
}

/// What a tariff of 0.10 a kWh, 10 a kVA of the month's highest quarter hour, and 0.02 a kvarh over
/// 0.33 of the kWh of each quarter hour makes of rows of kW and kvar, with so many kvar less: month
/// by month, by plain sums.
fn by_hand(rows: &[(f64, f64)], less_kvar: f64) -> f64 {
    let days = [31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31];
    let mut rest = rows;
    let mut sum = 0.0;
    for d in days {
        let (month, later) = rest.split_at(d * 96);
        rest = later;
        let (mut kwh, mut over, mut kva) = (0.0, 0.0, 0.0f64);
        for (kw, kvar) in month {
            let kvar = kvar - less_kvar;
            kwh += kw / 4.0;
            over += (kvar - 0.33 * kw).max(0.0) / 4.0;
            kva = kva.max(libm::hypot(*kw, kvar));
        }
        sum += 0.1 * kwh + 10.0 * kva + 0.02 * over;
    }
    assert!(rest.is_empty());
    sum
}

/// All verbs as a user runs them, on a year of two loads: a store with two nodes, a tariff, a list
/// of one unit. Everything is set against sums over the profile's own rows.
#[test]
fn a_year_of_two_loads_through_every_verb() {
    let folder = tempfile::TempDir::new().unwrap();
    let place = |name: &str| folder.path().join(name).display().to_string();
    let write = |name: &str, text: &str| {
        std::fs::write(folder.path().join(name), text).unwrap();
        place(name)
    };
    let loads = [("G6-A", 530.0, 209.5), ("G4-M", 375.0, 148.2)];
    let rows = loads.map(|(name, kw, kvar)| -> Vec<(f64, f64)> {
        profile(name).iter().map(|(p, q)| (p * kw, q * kvar)).collect()
    });
    let logs = rows.each_ref().map(|r| log(r, 1.0, 1.0, "2016-01-01T00:00:00Z"));
    made_store::store(
        Path::new(&place("store")),
        &[(loads[0].0, &logs[0].log), (loads[1].0, &logs[1].log)],
    );
    let tariff = write(
        "tariff.toml",
        "name = \"T\"\ncurrency = \"EUR\"\n[demand]\ninterval_min = 15\n\
         [[charge]]\nclause = \"energy\"\nrate_per_kwh = 0.1\n\
         [[charge]]\nclause = \"demand\"\nrate_per_kva = 10\n\
         [[charge]]\nclause = \"kvarh\"\nshare_of_kwh = 0.33\nper = \"interval\"\n\
         rate_per_kvarh = 0.02\n",
    );
    let site = write(
        "site.toml",
        "name = \"Plant\"\n[supply]\nline_voltage_v = 398.3717\nfrequency_hz = 50\n\
         [economics]\nyears = 10\ndiscount_pct = 8\n",
    );
    let prices = write(
        "prices.toml",
        "currency = \"EUR\"\n[[unit]]\nat = [\"service\"]\nkvar = 25\nrated_v = 398.3717\n\
         price = 900\ninstallation = 100\nloss_w_per_kvar = 0\n",
    );
    let run = |verb: &str, node: &str, more: &[&str]| -> serde_json::Value {
        let mut c = program::command();
        c.args([verb, &place("store"), "--node", node, "--site", &site, "--json"]).args(more);
        let out = c.output().unwrap();
        assert!(out.status.success(), "{verb}: {}", String::from_utf8_lossy(&out.stderr));
        serde_json::from_slice(&out.stdout).unwrap()
    };
    for ((name, ..), rows) in loads.iter().zip(&rows) {
        let sum = |of: &dyn Fn(&(f64, f64)) -> f64| rows.iter().map(of).sum::<f64>() / 4.0;
        let (kwh, kvarh) = (sum(&|r| r.0), sum(&|r| r.1));
        let peak_kw = rows.iter().map(|r| r.0).fold(0.0, f64::max);
        let money = ["--tariff", &*tariff];
        let float =
            |v: &serde_json::Value| v.as_f64().unwrap_or_else(|| panic!("{v} is no number"));

        let survey = run("survey", name, &[]);
        near(float(&survey["energy"]["active_in_wh"]), kwh * 1e3);
        near(float(&survey["energy"]["reactive_net_varh"]), kvarh * 1e3);
        near(float(&survey["power_factor"]["average"]), kwh / libm::hypot(kwh, kvarh));
        near(float(&survey["demand"]["block"]["at_p_peak"]["p_w"]), peak_kw * 1e3);

        let unity: Vec<(f64, f64)> = rows.iter().map(|r| (r.0, 0.0)).collect();
        let (as_is, best) = (by_hand(rows, 0.0), by_hand(&unity, 0.0));
        let bill = run("bill", name, &money);
        let months = bill["months"].as_array().unwrap();
        assert_eq!((months.len(), &bill["whole"]), (12, &true.into()));
        let total = |key: &str| months.iter().map(|m| float(&m[key])).sum::<f64>();
        within(total("total"), as_is, 1e-5 * as_is);
        within(total("power_factor_part"), as_is - best, 1e-5 * as_is);

        let list = ["--tariff", &*tariff, "--prices", &*prices];
        let size = run("size", name, &list);
        within(float(&size["nothing"]["score"]["bill_year"]), as_is, 1e-5 * as_is);
        let all = ["candidates", "excluded"].map(|k| size[k].as_array().unwrap().clone()).concat();
        let of =
            |kvar: f64| all.iter().find(|c| (float(&c["installed_var"]) - kvar * 1e3).abs() < 1.0);
        let one = of(25.0).or(of(50.0)).unwrap_or_else(|| panic!("no unit in {size:#}"));
        let kvar = float(&one["installed_var"]) / 1e3;
        let with = by_hand(rows, kvar);
        let score = &one["score"];
        within(float(&score["bill_year"]), with, 1e-5 * with);
        within(float(&score["saving_year"]), as_is - with, 2e-5 * as_is);
        let net = kvarh - kvar * 8784.0;
        near(float(&score["average_pf"]), kwh / libm::hypot(kwh, net));
        // 8 % over ten years: any table of annuities gives 6.7101.
        let first = float(&one["first_cost"]);
        within(float(&score["npv"]), (as_is - with) * 6.7101 - first, 2e-4 * as_is);

        let output = place("report");
        let report = run("report", name, &[&list[..], &["-o", &output]].concat());
        let figure = |id: &str| {
            let all = report["figures"].as_array().unwrap();
            let found = all.iter().find(|f| f["id"] == id);
            float(&found.unwrap_or_else(|| panic!("no {id} in {all:?}"))["number"])
        };
        near(figure("average_pf"), kwh / libm::hypot(kwh, kvarh));
        near(figure("peak_demand"), peak_kw * 1e3);
        near(figure("power_factor_part_a_month"), (as_is - best) / 12.0);
        let html = std::fs::read_to_string(place("report.html")).unwrap();
        assert!(html.contains(name) && html.contains("Which load draws the kvar"));
    }
}
