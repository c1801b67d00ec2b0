//! How long the bill of a year of one-minute records takes, and of a correction more.
//!
//! Prints the best of several runs for a quarter of a year and a year (linear: four times).
//! Run with `cargo bench -p wattless-tests --bench bill_year`.

use std::hint::black_box;
use std::time::{Duration, Instant};
use wattless::analyse::bill::plan::{Plan, Scratch};
use wattless::analyse::bill::price::{price, totals};
use wattless::analyse::series::LoadSeries;
use wattless::analyse::tariff::{MILLRACE, Tariff};
use wattless::collect::log::IntervalLog;
use wattless_tests::made_log::{at, weekday_minutes};

/// Minutes of a year.
const YEAR: usize = 525_600;

fn log(minutes: usize) -> IntervalLog {
    let mut log = at("2026-01-01T00:00:00Z");
    for (_, works, noise) in weekday_minutes(minutes) {
        let (kw, kvar) = if works { (70.0 + 30.0 * noise, 65.0) } else { (4.0 + noise, 3.0) };
        log.record(60.0, kw, kvar);
    }
    log.log.clone()
}

fn best(runs: usize, mut work: impl FnMut()) -> Duration {
    let time = |work: &mut dyn FnMut()| {
        let start = Instant::now();
        work();
        start.elapsed()
    };
    (0..runs).map(|_| time(&mut work)).min().unwrap_or_default()
}

fn main() {
    let tariff = Tariff::parse(MILLRACE, std::path::Path::new("millrace.toml"))
        .unwrap_or_else(|e| panic!("{e}"));
    let zone = jiff::tz::TimeZone::UTC;
    let ms = |d: Duration| d.as_secs_f64() * 1e3;
    let whole = |log: &IntervalLog| {
        best(9, || {
            let series = LoadSeries::of_log(log, tariff.step_s(), tariff.demand.apparent).unwrap();
            let plan = Plan::new(&series, &tariff, &zone).unwrap();
            black_box(price(&tariff, &plan.quantities(&series), &[]));
        })
    };
    let quarter = whole(&log(YEAR / 4));
    let year_log = log(YEAR);
    let year = whole(&year_log);
    println!("bill of {} one-minute records: {:.2} ms", YEAR / 4, ms(quarter));
    println!(
        "bill of {YEAR} one-minute records: {:.2} ms ({:.2} times)",
        ms(year),
        ms(year) / ms(quarter)
    );
    let series = LoadSeries::of_log(&year_log, tariff.step_s(), tariff.demand.apparent).unwrap();
    let laid_out = best(9, || {
        black_box(Plan::new(&series, &tariff, &zone).unwrap());
    });
    println!("of that, the plan: {:.2} ms", ms(laid_out));
    let plan = Plan::new(&series, &tariff, &zone).unwrap();
    let mut room = Scratch::default();
    let pass = best(99, || {
        black_box(plan.figures(&series.q_lag_varh, &series.q_lead_varh, &mut room));
    });
    println!(
        "figures of one correction more, {} intervals: {:.3} ms",
        plan.intervals_whole(),
        ms(pass)
    );
    let figures = plan.figures(&series.q_lag_varh, &series.q_lead_varh, &mut room);
    let priced = best(99, || {
        black_box(totals(&tariff, plan.frames(), &figures, &[]));
    });
    println!("its money: {:.3} ms", ms(priced));
}
