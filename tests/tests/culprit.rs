//! The ranking of logs and the look into one, on loads made by construction.

use std::path::Path;
use wattless::analyse::culprit::inside::{Finding, Kind};
use wattless::analyse::culprit::{
    Caution, CulpritError, Culprits, From, NamedLog, PeakOf, Place, Sureness, Swing, culprits,
};
use wattless::bench::chance::Chance;
use wattless::collect::log::IntervalLog;
use wattless::present::culprit::{culprit_text, words};
use wattless::present::text::Style;
use wattless::site::Site;
use wattless_tests::made_log::at;

const WEEK: usize = 7 * 1440;

fn site() -> Site {
    Site::parse("", Path::new("test.toml")).unwrap()
}

fn named(name: &str, place: Place, log: IntervalLog) -> NamedLog {
    NamedLog { name: name.into(), place, log, swings: Vec::new() }
}

fn feeder(
    name: &str,
    start: &str,
    minutes: usize,
    power: impl Fn(usize) -> (f64, f64),
) -> NamedLog {
    let mut log = at(start);
    for k in 0..minutes {
        let (kw, kvar) = power(k);
        log.record(60.0, kw, kvar);
    }
    named(name, Place::Feeder, log.log)
}

/// Working days from 7 to 16 h.
fn works(k: usize) -> bool {
    k / 1440 % 7 < 5 && (420..960).contains(&(k % 1440))
}

fn ranked(c: &Culprits) -> Vec<&str> {
    c.ranking.iter().map(|s| s.figures.name.as_str()).collect()
}

#[track_caller]
fn near(got: f64, want: f64, tolerance: f64) {
    assert!((got - want).abs() <= tolerance, "{got} is not {want} within {tolerance}");
}

/// The one with most kvarh is not the one that makes the peak: a ranking must say both.
#[test]
fn peak_and_week_are_told_apart() {
    let monday = "2026-06-01T00:00:00Z";
    let press = |k: usize| if works(k) { (90.0, 80.0) } else { (0.0, 0.0) };
    let pumps = |_: usize| (20.0, 30.0);
    let mut service = feeder("Main", monday, WEEK, |k| {
        let (a, b) = (press(k), pumps(k));
        (a.0 + b.0, a.1 + b.1)
    });
    service.place = Place::Service;
    let logs =
        [feeder("Pumps", monday, WEEK, pumps), feeder("Press", monday, WEEK, press), service];
    let c = culprits(&logs, &site()).unwrap();
    assert_eq!(ranked(&c), ["Press", "Pumps"]);
    assert_eq!(c.peak.unwrap().of, PeakOf::Service);
    near(c.ranking[0].peak_share.unwrap(), 80.0 / 110.0, 1e-6);
    // 45 of 168 hours at 80 kvar against 168 hours at 30.
    let all = 80.0 * 45.0 + 30.0 * 168.0;
    near(c.ranking[0].energy_share.unwrap(), 80.0 * 45.0 / all, 1e-6);
    near(c.ranking[1].energy_share.unwrap(), 30.0 * 168.0 / all, 1e-6);
    near(c.unmetered.unwrap().q1_var, 0.0, 0.1);
    let t = c.together.as_ref().unwrap();
    near(t.feeders_var, t.service_var, 0.1);
    near(t.hours, 168.0, 0.1);
    assert!(c.ranking.iter().all(|s| s.sureness == Sureness::Good));
    assert_eq!(c.cautions, []);
}

/// Logs of three weeks, one after the other: profiles by weekday and hour stand in, and say so.
#[test]
fn logs_of_different_weeks_are_compared_by_hour() {
    let noisy = |seed: u64, sd: f64, on: (f64, f64), off: (f64, f64)| {
        let values: Vec<f64> = {
            let mut c = Chance::new(seed, "noise");
            (0..WEEK / 15 + 1).map(|_| sd * c.normal()).collect()
        };
        move |k: usize| {
            let (kw, kvar) = if works(k) { on } else { off };
            (kw, kvar + values[k / 15])
        }
    };
    let logs = [
        feeder("A", "2026-06-01T00:00:00Z", WEEK, noisy(1, 1.0, (50.0, 40.0), (5.0, 5.0))),
        feeder("B", "2026-06-08T00:00:00Z", WEEK, noisy(2, 1.0, (60.0, 60.0), (5.0, 5.0))),
        feeder("C", "2026-06-15T00:00:00Z", WEEK, noisy(3, 5.0, (60.0, 38.0), (5.0, 5.0))),
    ];
    let c = culprits(&logs, &site()).unwrap();
    assert_eq!(ranked(&c)[0], "B");
    assert_eq!(c.peak.unwrap().of, PeakOf::Profiles);
    assert!(c.ranking.iter().all(|s| s.at_peak_from == From::SameHourOfWeek));
    near(c.ranking[0].at_peak_var.unwrap(), 60e3, 1.5e3);
    near(c.ranking[0].at_peak_sd_var.unwrap(), 1e3, 200.0);
    assert_eq!(c.ranking[0].sureness, Sureness::Good);
    assert_eq!(c.ranking[1].sureness, Sureness::Fair, "A and C are within each other's spread");
    let different = c
        .cautions
        .iter()
        .any(|x| matches!(x, Caution::DifferentTimes { names } if names.len() == 3));
    let close = c.cautions.iter().any(|x| matches!(x, Caution::Close { .. }));
    assert!(different && close && c.cautions.contains(&Caution::NoService), "{:?}", c.cautions);
    let text = culprit_text(&c, Style::PLAIN);
    assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
}

/// A day of a load stands for other working days, not for the weekend; what is not known is a dash.
#[test]
fn a_short_log_says_what_it_does_not_know() {
    let monday = "2026-06-01T00:00:00Z";
    let mut service = feeder("Main", monday, WEEK, |k| {
        if k / 1440 == 5 && k % 1440 == 600 { (300.0, 200.0) } else { (100.0, 80.0) }
    });
    service.place = Place::Service;
    // Saturday has the peak; the saw was logged on Tuesday of the next week.
    let saw = feeder("Saw", "2026-06-09T00:00:00Z", 1440, |_| (50.0, 40.0));
    let c = culprits(&[service.clone(), saw.clone()], &site()).unwrap();
    assert_eq!(c.ranking[0].at_peak_from, From::Nothing);
    assert_eq!((c.ranking[0].at_peak_var, c.ranking[0].peak_share), (None, None));
    assert_eq!(c.ranking[0].sureness, Sureness::Poor);
    near(c.ranking[0].energy_share.unwrap(), 0.5, 1e-6);
    assert!(c.cautions.contains(&Caution::ShortLog { name: "Saw".into(), hours_of_week: 24 }));
    // With the peak on a Thursday, Tuesday stands in.
    let mut thursday = feeder("Main", monday, WEEK, |k| {
        if k / 1440 == 3 && k % 1440 / 15 == 40 { (300.0, 200.0) } else { (100.0, 80.0) }
    });
    thursday.place = Place::Service;
    let c = culprits(&[thursday, saw], &site()).unwrap();
    assert_eq!(c.ranking[0].at_peak_from, From::SameHourOfLikeDays);
    near(c.ranking[0].peak_share.unwrap(), 40.0 / 200.0, 1e-6);
}

#[test]
fn behaviour_names_loads_in_one_log() {
    let mut chance = Chance::new(5, "one log");
    let mut log = at("2026-06-01T00:00:00Z");
    let mut swings = Vec::new();
    for k in 0..WEEK {
        // Transformers and idle motors day and night; a compressor of 20-minute cycles; a saw
        // that idles at 25 of 45 kvar.
        let (mut kw, mut kvar) = (4.0 + 0.05 * chance.normal(), 20.0 + 0.05 * chance.normal());
        if k % 20 < 6 {
            kw += 22.0;
            kvar += 16.0;
        }
        let mut swing = 0.3;
        if works(k) {
            let busy = chance.unit();
            kw += 3.0 + 70.0 * busy;
            kvar += 25.0 + 20.0 * busy;
            swing = 60.0;
        }
        log.record(60.0, kw, kvar);
        let around = |x: f64| [(x - swing / 2.0) as f32 * 1e3, (x + swing / 2.0) as f32 * 1e3];
        swings.push(Swing { p_min_max_w: around(kw), q1_min_max_var: around(kvar) });
    }
    let mut one = named("Sawmill main", Place::Feeder, log.log);
    one.swings = swings;
    let c = culprits(&[one], &site()).unwrap();
    let i = &c.inside[0];
    near(i.always_on.q1_var, 20e3, 200.0);
    assert!(i.always_on.pf.unwrap() < 0.25);
    let cycle = i.cycle.unwrap();
    near(cycle.period_min, 20.0, 0.01);
    near(cycle.p_w, 22e3, 1e3);
    near(cycle.q1_var, 16e3, 1e3);
    let compressor = i.loads.iter().find(|l| l.kind == Kind::Cycling).unwrap();
    near(compressor.p_w, 22e3, 500.0);
    near(compressor.q1_var, 16e3, 500.0);
    assert!(compressor.times > 200 && compressor.on_min > 4.0 && compressor.on_min < 8.0);
    let has = |f: &dyn Fn(&Finding) -> bool| i.findings.iter().any(f);
    assert!(has(&|f| matches!(f, Finding::AlwaysOnLowPf { .. })), "{:?}", i.findings);
    assert!(has(&|f| matches!(f, Finding::IdlingMotors { .. })), "{:?}", i.findings);
    assert!(has(&|f| matches!(f, Finding::Cycling { .. })), "{:?}", i.findings);
    assert!(has(&|f| matches!(f, Finding::Fluctuating { .. })), "{:?}", i.findings);
    assert!(words(&c).verdict.starts_with("Sawmill main: "));
    let text = culprit_text(&c, Style::PLAIN);
    assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
}

#[test]
fn logs_that_cannot_be_ranked_are_named() {
    let good = || feeder("A", "2026-06-01T00:00:00Z", 100, |_| (10.0, 5.0));
    let refuse = |logs: &[NamedLog]| culprits(logs, &site()).unwrap_err();
    assert_eq!(refuse(&[]), CulpritError::Nothing);
    let empty = named("B", Place::Feeder, IntervalLog::default());
    assert_eq!(refuse(&[good(), empty]), CulpritError::Empty { name: "B".into() });
    assert_eq!(refuse(&[good(), good()]), CulpritError::SameName { name: "A".into() });
    let mut first = good();
    first.place = Place::Service;
    let mut second = first.clone();
    second.name = "C".into();
    assert!(matches!(refuse(&[first, second]), CulpritError::TwoServices { .. }));
    let mut torn = good();
    torn.log.p_w[0].pop();
    assert!(matches!(refuse(&[torn]), CulpritError::Damaged { .. }));
    let mut back = good();
    back.log.end_ms.swap(3, 7);
    assert!(matches!(refuse(&[back]), CulpritError::Damaged { .. }));
    let mut void = good();
    void.log.p_w[0].iter_mut().for_each(|x| *x = f32::NAN);
    assert!(matches!(refuse(&[void]), CulpritError::Empty { .. }));
}
