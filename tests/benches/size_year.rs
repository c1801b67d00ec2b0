//! How long a year of one-minute records takes through a thousand candidate corrections.
//!
//! Prints the best of several runs of the whole sizing (course, year, search, replay, billing,
//! limits) on one core, and of replay and billing alone for parts of the year and of the
//! candidates: twice as much takes twice as long. Times are those of the processor, since
//! other programs may run beside. Run with `cargo bench --bench size_year`.

use std::path::Path;
use std::time::Instant;
use wattless::analyse::series::LoadSeries;
use wattless::analyse::size::candidate::{Genome, Space};
use wattless::analyse::size::course::{Layout, Running};
use wattless::analyse::size::evaluate::{Evaluator, Year};
use wattless::analyse::size::harmonics::Measured;
use wattless::analyse::size::prices::{self, PriceList};
use wattless::analyse::size::supply::Supply;
use wattless::analyse::size::{Job, size};
use wattless::analyse::tariff::{MILLRACE, Tariff};
use wattless::site::{BRACKWATER, Site};
use wattless_tests::made_log::{LogMaker, at, weekday_minutes};

/// Minutes of a year.
const YEAR: usize = 525_600;

/// Candidates.
const MANY: usize = 1000;

/// Runs of which the best counts.
const RUNS: usize = 5;

/// A plant that works on weekdays.
fn log(minutes: usize) -> LogMaker {
    // Midnight of the site's winter time.
    let mut log = at("2025-12-31T23:00:00Z");
    for (_, works, noise) in weekday_minutes(minutes) {
        let (kw, kvar) = if works {
            (120.0 + 80.0 * noise, 110.0 + 70.0 * noise)
        } else {
            (40.0, 20.0 + 4.0 * noise)
        };
        log.record(60.0, kw, kvar);
    }
    log
}

/// Seconds of the processor that this thread has used; of the clock where the system does not
/// tell.
fn cpu_s(start: Instant) -> f64 {
    std::fs::read_to_string("/proc/thread-self/schedstat")
        .ok()
        .and_then(|s| s.split_whitespace().next()?.parse::<f64>().ok())
        .map_or_else(|| start.elapsed().as_secs_f64(), |ns| ns * 1e-9)
}

fn best(mut work: impl FnMut()) -> f64 {
    let start = Instant::now();
    let one = |work: &mut dyn FnMut()| {
        let before = cpu_s(start);
        work();
        cpu_s(start) - before
    };
    (0..RUNS).map(|_| one(&mut work)).fold(f64::INFINITY, f64::min)
}

fn main() {
    let site = Site::parse(BRACKWATER, Path::new("brackwater.toml")).expect("the example site");
    let tariff = Tariff::parse(MILLRACE, Path::new("millrace.toml")).expect("the example tariff");
    let list =
        PriceList::parse(prices::BRACKWATER, Path::new("prices.toml")).expect("the example list");
    let supply = Supply::of(&site, 50.0).expect("the example names its voltage");
    let space = Space::new(&list, &site.plant, &supply);
    let running = Running::of(&site.plant.motors, supply.line_voltage_v);
    let zone = &site.time_zone;

    let year_log = log(YEAR).log;
    let series =
        LoadSeries::of_log(&year_log, tariff.step_s(), tariff.demand.apparent).expect("a series");
    let job = Job {
        log: Some(&year_log),
        series: &series,
        site: &site,
        tariff: &tariff,
        prices: &list,
        history: &[],
        most: MANY,
    };
    let mut looked = 0;
    let whole = best(|| looked = size(&job).map_or(0, |s| s.examined));
    println!("sizing, all of it: {YEAR} records, {looked} candidates: {whole:.3} s");

    // Places and choices in turn, as a search mixes them.
    let mut state = 7u64;
    let mut next = |n: usize| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
        (state >> 33) as usize % n
    };
    let genomes: Vec<Genome> = (0..MANY)
        .map(|_| space.options.iter().map(|o| next(o.choices.len() + 1) as u16).collect())
        .collect();
    let mut first = None;
    for (minutes, many) in
        [(YEAR / 4, MANY), (YEAR / 2, MANY), (YEAR, MANY / 4), (YEAR, MANY / 2), (YEAR, MANY)]
    {
        let part = log(minutes).log;
        let series =
            LoadSeries::of_log(&part, tariff.step_s(), tariff.demand.apparent).expect("a series");
        let layout =
            Layout { series: &series, supply: &supply, running: &running, reference_var: 2e5 };
        let course = layout.of_log(&part, libm::sqrt(3.0));
        let year = Year::of(&series, &tariff, zone, None).expect("a year");
        let none = Measured::default();
        let mut evaluator =
            Evaluator::new(&space, &tariff, zone, &series, &course, &year, none, &running)
                .expect("an evaluator");
        let s = best(|| {
            let scores = evaluator.scores(&genomes[..many]);
            assert!(scores.iter().all(|s| s.bill_year.is_some()));
        });
        let per = s / (minutes as f64 * many as f64) * 1e9;
        let first = *first.get_or_insert(per);
        println!(
            "replay and bill: {minutes} records, {many} candidates: {s:.3} s, {per:.2} ns each \
             ({:.2} times the first)",
            per / first
        );
    }
}
