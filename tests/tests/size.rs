//! Sizing from the outside: money by hand, brute force, limits, text, JSON, errors.

use serde_json::Value;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::Output;
use tempfile::TempDir;
use wattless::analyse::bill::past::PastBills;
use wattless::analyse::bill::quantities::MonthQuantities;
use wattless::analyse::series::LoadSeries;
use wattless::analyse::series::table::Table;
use wattless::analyse::size::prices::PriceList;
use wattless::analyse::size::why::why;
use wattless::analyse::size::{Job, MOST, SizeError, Sizing, size};
use wattless::analyse::tariff::Tariff;
use wattless::present::size::size_text;
use wattless::present::text::Style;
use wattless::site::Site;
use wattless_tests::made_log::{LogMaker, V, at, kvar, production_week};
use wattless_tests::program;

const KVA: &str = "name = \"kVA\"\ncurrency = \"EUR\"\n[demand]\nkind = \"block\"\n\
    interval_min = 15\n[[charge]]\nclause = \"demand\"\nrate_per_kva = 10\n";

const SITE: &str = "[supply]\nline_voltage_v = 398.3717\nfrequency_hz = 50\n\
    wiring = \"four-wire\"\n[economics]\nyears = 10\ndiscount_pct = 8\n";

const ONE_UNIT: &str = "currency = \"EUR\"\n[[unit]]\nat = [\"service\"]\nkvar = 69.15\n\
    rated_v = 398.3717\nprice = 900\ninstallation = 100\n";

struct Case {
    log: LogMaker,
    site: Site,
    tariff: Tariff,
    prices: PriceList,
    history: Vec<MonthQuantities>,
}

impl Case {
    fn new(log: LogMaker, site: &str, tariff: &str, prices: &str) -> Case {
        Case {
            log,
            site: Site::parse(site, Path::new("site.toml")).unwrap_or_else(|e| panic!("{e}")),
            tariff: Tariff::parse(tariff, Path::new("tariff.toml"))
                .unwrap_or_else(|e| panic!("{e}")),
            prices: PriceList::parse(prices, Path::new("prices.toml"))
                .unwrap_or_else(|e| panic!("{e}")),
            history: Vec::new(),
        }
    }

    fn try_size(&self, most: usize) -> Result<Sizing, SizeError> {
        let demand = &self.tariff.demand;
        let series =
            LoadSeries::of_log(&self.log.log, self.tariff.step_s(), demand.apparent).unwrap();
        size(&Job {
            log: Some(&self.log.log),
            series: &series,
            site: &self.site,
            tariff: &self.tariff,
            prices: &self.prices,
            history: &self.history,
            most,
        })
    }

    fn size(&self) -> Sizing {
        self.try_size(MOST).unwrap_or_else(|e| panic!("{e}"))
    }
}

#[track_caller]
fn near(got: f64, want: f64, tolerance: f64) {
    assert!((got - want).abs() <= tolerance, "{got} is not {want} within {tolerance}");
}

/// A week of 100 kW at a constant power factor.
fn steady(pf: f64) -> LogMaker {
    let mut log = at("2026-06-01T00:00:00Z");
    log.records(7 * 96, 900.0, 100.0, kvar(100.0, pf));
    log
}

/// US DOE fact sheet "Reducing Power Factor Cost": 100 kW at 0.70 is 142 kVA, at 0.95 105 kVA,
/// with 69.15 kvar (from kW·(tan φ1 − tan φ2)). At 10 a kVA and month that is 12 × 10 × 37.59 a
/// year; ten years of it at 8 % are worth 6.7101 times that (any table of annuities).
#[test]
fn money_of_the_fact_sheet() {
    let s = Case::new(steady(0.70), SITE, KVA, ONE_UNIT).size();
    assert!(s.exhaustive);
    near(s.nothing.score.peak_kva, 142.857, 0.01);
    let best = s.best();
    near(best.score.peak_kva, 105.263, 0.01);
    near(best.score.average_pf.unwrap(), 0.95, 1e-4);
    let saving = best.score.saving_year.unwrap();
    near(saving, 120.0 * (142.857 - 105.263), 0.5);
    near(best.score.npv.unwrap(), 6.710_1 * saving - 1000.0, 1.0);
    near(best.payback_years.unwrap(), 1000.0 / saving, 1e-9);
    near(best.released_va, 37_594.0, 10.0);
    assert_eq!(best.score.checked.exclusions, []);
    // Without data of the supply those figures do not exist.
    assert_eq!((best.score.loss_saved_kwh, best.score.checked.rise_pct), (None, None));
    assert!(s.candidates.iter().any(|c| c.id == "C0" && c.score.npv == Some(0.0)));
}

#[test]
fn doing_nothing_is_best_where_nothing_is_charged() {
    let kw = KVA.replace("rate_per_kva", "rate_per_kw");
    let s = Case::new(steady(0.70), SITE, &kw, ONE_UNIT).size();
    assert_eq!(s.best().id, "C0");
    let text = size_text(&s, Style::PLAIN);
    assert!(text.contains("Do nothing"), "{text}");
}

/// Leading feeders are a limit: twice the kvar that are lacking.
#[test]
fn a_leading_feeder_excludes() {
    let prices = ONE_UNIT.replace("69.15", "160");
    let s = Case::new(steady(0.70), SITE, KVA, &prices).size();
    assert_eq!(s.best().id, "C0");
    assert!(s.excluded.iter().any(|c| {
        c.score.checked.exclusions.iter().any(|r| r.id == "leading" && r.words.contains("100 %"))
    }));
}

/// Power factor 0.85 with displacement 0.98: the harmonics' doing.
#[test]
fn harmonics_are_not_fixed_by_capacitors() {
    let mut log = at("2026-06-01T00:00:00Z");
    log.distortion = 0.85 / 0.98;
    log.records(7 * 96, 900.0, 100.0, kvar(100.0, 0.98));
    let s = Case::new(log, SITE, KVA, ONE_UNIT).size();
    assert!(s.distortion.is_the_cause);
    near(s.distortion.true_pf.unwrap(), 0.85, 1e-3);
    near(s.distortion.displacement_pf.unwrap(), 0.98, 1e-4);
    let text = size_text(&s, Style::PLAIN);
    assert!(text.contains("capacitors will not fix it"), "{text}");
    assert!(!Case::new(steady(0.70), SITE, KVA, ONE_UNIT).size().distortion.is_the_cause);
}

/// 500 kVA of 5 % and 400 kvar resonate at order 5; with a fifth in the log that is excluded,
/// behind 7 % it is not.
#[test]
fn a_resonance_at_an_order_that_is_there_excludes() {
    let mut log = at("2026-06-01T00:00:00Z");
    log.records(7 * 96, 900.0, 500.0, kvar(500.0, 0.70));
    for (k, (v, i)) in [(0.001, 0.01), (0.015, 0.08), (0.005, 0.04), (0.0, 0.0), (0.0, 0.0)]
        .into_iter()
        .enumerate()
    {
        log.log.v_order_ratio[k] = vec![v; 7 * 96];
        log.log.i_order_ratio[k] = vec![i; 7 * 96];
    }
    let site = format!(
        "{SITE}[correction]\nhighest_rise_pct = 9\n[transformer]\nkva = 500\nz_pct = 5\nx_over_r = 5\n"
    );
    let prices = "currency = \"EUR\"\n[[unit]]\nat = [\"service\"]\nkvar = 400\nkvar_at_v = 398.3717\n\
        rated_v = 440\nprice = 900\n[[unit]]\nat = [\"service\"]\nkvar = 400\nkvar_at_v = 398.3717\n\
        rated_v = 440\ndetuning_pct = 7\nprice = 1900\n";
    let s = Case::new(log, &site, KVA, prices).size();
    let plain = s.excluded.iter().find(|c| c.family == "fixed at service").unwrap();
    let r = plain.score.checked.resonance.unwrap();
    near(r.order.unwrap(), 5.0, 1e-3);
    assert!(plain.score.checked.exclusions.iter().any(|x| x.id == "resonance"));
    let best = s.best();
    assert_eq!(best.family, "fixed at service, detuned");
    let part = &best.score.checked.parts[0];
    near(part.tuned_order.unwrap(), 3.78, 0.005);
    assert!(part.stress.with_harmonics && part.stress.current < 1.35);
    assert!(s.distortion.measured.is_some());
}

/// A motor alone on its feeder: the log tells when it runs, and the relay's setting follows.
#[test]
fn a_motor_alone_on_its_feeder() {
    let mut log = at("2026-06-01T00:00:00Z");
    for d in 0..7 {
        for slot in 0..96 {
            let runs = d < 5 && (24..72).contains(&slot);
            let (kw, q) = if runs { (60.0, 40.0) } else { (0.0, 0.0) };
            log.record(900.0, kw, q);
        }
    }
    let site = format!(
        "{SITE}[[motor]]\nname = \"Fan\"\nrated_kw = 75\npf = 0.86\nefficiency = 0.945\n\
         no_load_kvar = 25\noverload_setting_a = 134\n"
    );
    let prices = "currency = \"EUR\"\n[[unit]]\nat = [\"motor\"]\nkvar = 20\nrated_v = 398.3717\n\
        price = 300\n[[unit]]\nat = [\"motor\"]\nkvar = 25\nrated_v = 398.3717\nprice = 330\n";
    let s = Case::new(log, &site, KVA, prices).size();
    let best = s.best();
    // 25 kvar would be more than 90 % of the no-load kvar.
    assert!(best.name.contains("Fan 20 kvar"), "{}", best.name);
    assert_eq!(best.score.leading_share, 0.0);
    let (p, q) = (75.0 / 0.945, kvar(75.0 / 0.945, 0.86));
    let ratio = libm::hypot(p, q - 20.0) / libm::hypot(p, q);
    near(best.score.checked.parts[0].overload_setting_a.unwrap(), 134.0 * ratio, 1e-6);
    assert!(why(&s, best).iter().any(|e| e.figure.starts_with("overload relay")));
}

/// The best of the search by neighbours is the best of all.
#[test]
fn search_equals_brute_force() {
    let prices = "currency = \"EUR\"\n[[unit]]\nkvar = 5\nrated_v = 398.3717\nprice = 150\n\
        [[unit]]\nkvar = 10\nrated_v = 398.3717\nprice = 190\n[[unit]]\nkvar = 20\n\
        rated_v = 398.3717\nprice = 260\n[[bank]]\nstep_kvar = 10\nsteps = 5\n\
        rated_v = 398.3717\nprice = 1500\n[[bank]]\nstep_kvar = 10\nsteps = 8\n\
        rated_v = 398.3717\nprice = 2000\n";
    let motors = "[[motor]]\nname = \"Saw\"\nrated_kw = 45\npf = 0.85\nefficiency = 0.94\n\
        no_load_kvar = 18\nruns_above_kw = 50\ngroup = \"A\"\n[[motor]]\nname = \"Fan\"\nrated_kw = 30\n\
        pf = 0.86\nefficiency = 0.93\nno_load_kvar = 11\nruns_above_kw = 50\n";
    for (day, night) in [((120.0, 110.0), (8.0, 4.0)), ((80.0, 40.0), (20.0, 25.0))] {
        let site = format!("{SITE}[correction]\ncontroller_targets = [0.95]\n{motors}");
        let case = Case::new(production_week(day, night), &site, KVA, prices);
        let all = case.try_size(usize::MAX).unwrap();
        assert!(all.exhaustive);
        let some = case.try_size(all.examined - 1).unwrap();
        assert!(!some.exhaustive && some.examined < all.examined);
        assert_eq!(some.best().name, all.best().name);
        assert_eq!(some.best().score.npv, all.best().score.npv);
    }
}

/// Past bills with half as much again from October to March: candidates are replayed at that load.
/// By hand: 12 months of 10 × √((100·f)² + (102.02·f − 69.15)²), f being 1 or 1.5.
#[test]
fn the_year_follows_past_bills() {
    let mut case = Case::new(steady(0.7), SITE, KVA, ONE_UNIT);
    let mut text = String::from("month,kwh\n");
    for m in 1..=12 {
        let days = [31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31][m - 1];
        let winter = !(4..=9).contains(&m);
        writeln!(text, "2025-{m:02},{}", days * if winter { 3600 } else { 2400 }).unwrap();
    }
    let table = Table::parse(&text, Path::new("bills.csv")).unwrap();
    let bills = PastBills::of_table(&table, &case.tariff, &jiff::tz::TimeZone::UTC).unwrap();
    case.history = bills.quantities();
    let s = case.size();
    let q = kvar(100.0, 0.7);
    let year = |less: f64| -> f64 {
        [1.0f64, 1.5].iter().map(|f| 60.0 * libm::hypot(100.0 * f, q * f - less)).sum()
    };
    near(s.nothing.score.bill_year.unwrap(), year(0.0), 0.1);
    let one = s.candidates.iter().find(|c| (c.installed_var - 69.15e3).abs() < 1.0).unwrap();
    near(one.score.bill_year.unwrap(), year(69.15), 0.1);
    near(one.score.saving_year.unwrap(), year(0.0) - year(69.15), 0.2);
    assert!(s.basis.extrapolation.as_ref().unwrap().follows_bills);
    // Without bills the log is repeated.
    case.history.clear();
    near(case.size().nothing.score.bill_year.unwrap(), 120.0 * libm::hypot(100.0, q), 0.1);
    // Eleven months are said not to be enough.
    case.history = bills.quantities()[1..].to_vec();
    assert!(case.size().basis.assumed.iter().any(|a| a.contains("all twelve months")));
}

#[test]
fn what_cannot_be_sized_says_why() {
    let short = {
        let mut log = at("2026-06-01T00:00:00Z");
        log.records(10, 60.0, 100.0, 90.0);
        log
    };
    let refusal = |log: LogMaker, site: &str, prices: &str| {
        Case::new(log, site, KVA, prices).try_size(MOST).unwrap_err().to_string()
    };
    let message = refusal(short, SITE, ONE_UNIT);
    assert!(message.contains("10 min") && message.contains("15 min"), "{message}");
    let message = refusal(steady(0.7), SITE, &ONE_UNIT.replace("EUR", "USD"));
    assert!(message.contains("USD") && message.contains("EUR"), "{message}");
    let message = refusal(steady(0.7), "[supply]\nfrequency_hz = 50\n", ONE_UNIT);
    assert!(message.contains("line_voltage_v"), "{message}");
    let message = refusal(steady(0.7), &SITE.replace("= 50", "= 60"), ONE_UNIT);
    assert!(message.contains("60 Hz"), "{message}");
    let message = refusal(steady(0.7), SITE, &ONE_UNIT.replace("service", "motor"));
    assert!(message.contains("fits"), "{message}");
}

#[test]
fn a_nominal_voltage_of_the_log_is_that_of_the_site() {
    near(V * libm::sqrt(3.0), 398.3717, 1e-3);
}

/// Files for the program: a week of quarter hours, tariff, prices, site.
fn files(folder: &TempDir, prices: &str) -> [PathBuf; 4] {
    let mut csv = String::from("start,kw,kvar\n");
    let mut t: jiff::civil::DateTime = "2026-06-01T00:00".parse().unwrap();
    for k in 0..7 * 96 {
        let works = (24..72).contains(&(k % 96)) && k / 96 < 5;
        let (kw, q) = if works { (100.0, 102.02) } else { (10.0, 5.0) };
        writeln!(csv, "{},{kw},{q}", t.strftime("%Y-%m-%dT%H:%M")).unwrap();
        t = t.checked_add(jiff::Span::new().minutes(15)).unwrap();
    }
    let write = |name: &str, text: &str| {
        let path = folder.path().join(name);
        std::fs::write(&path, text).unwrap();
        path
    };
    [
        write("week.csv", &csv),
        write("tariff.toml", KVA),
        write("prices.toml", prices),
        write("site.toml", SITE),
    ]
}

fn run(files: &[PathBuf; 4], more: &[&str]) -> Output {
    let [csv, tariff, prices, site] = files;
    let mut command = program::command();
    command.arg("size").arg("--intervals").arg(csv);
    command.arg("--tariff").arg(tariff).arg("--prices").arg(prices).arg("--site").arg(site);
    command.args(more).output().unwrap()
}

#[test]
fn the_program_prints_explains_and_refuses() {
    let folder = TempDir::new().unwrap();
    let made = files(&folder, ONE_UNIT);
    let out = run(&made, &[]);
    assert_eq!(out.status.code(), Some(0), "{}", String::from_utf8_lossy(&out.stderr));
    let text = String::from_utf8(out.stdout).unwrap();
    assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
    for words in ["leading", "Side by side", "Take care", "licensed person", "Excluded"] {
        assert!(text.contains(words), "{words}: {text}");
    }
    let out = run(&made, &["--json"]);
    let json: Value = serde_json::from_slice(&out.stdout).unwrap();
    assert_eq!(json["recommended_id"], "C0");
    assert!(json["candidates"][0]["score"]["bill_year"].as_f64().unwrap() > 0.0);
    let out = run(&made, &["--why", "C1"]);
    let text = String::from_utf8(out.stdout).unwrap();
    assert!(text.contains("net present value") && text.contains("Excluded"), "{text}");
    assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
    let out = run(&made, &["--why", "C77"]);
    assert_eq!(out.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&out.stderr).contains("choose one of"));

    let twice = format!("{ONE_UNIT}{}", ONE_UNIT.trim_start_matches("currency = \"EUR\"\n"));
    let out = run(&files(&folder, &twice), &[]);
    assert_eq!(out.status.code(), Some(2));
    let message = String::from_utf8(out.stderr).unwrap();
    assert!(message.contains("prices.toml, line 8") && message.contains("twice"), "{message}");
}
