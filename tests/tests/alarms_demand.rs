//! Alarms of the demand interval: power factor and projected demand, on made records.

use wattless::watch::alarm::{Change, Kind};
use wattless_tests::alarmed::{Watched, cleared, raised, site};
use wattless_tests::made_records::Maker;

const HOUR: f64 = 3600.0;
const INTERVAL: f64 = 900.0;

/// kvar of a load at a power factor, by P·tan(arccos pf) (IEEE Std 1459-2010).
fn kvar(kw: f64, pf: f64) -> f64 {
    kw * libm::sqrt(1.0 - pf * pf) / pf
}

#[test]
fn a_low_power_factor_counts_under_load_and_clears_with_a_margin() {
    for seconds in [1.0, 60.0, 300.0, 900.0] {
        let more = "[power_factor]\ntarget = 0.9\n[demand]\ninterval_min = 15\n";
        let mut w = Watched::new(seconds, more);
        let days = if seconds < 2.0 { 1.25 } else { 2.25 };
        // Two quarters of the day loaded and well, the rest idles with a bad power factor.
        let changes = w.run(days * 86_400.0, |m, t| {
            let works = t % 86_400.0 < 43_200.0;
            let (kw, pf) = if works { (100.0, 0.93) } else { (15.0, 0.3) };
            m.load(kw, kvar(kw, pf));
        });
        assert_eq!(changes, [], "{seconds} s");
        // One interval is a start-up, two are an alarm.
        let changes = w.run(INTERVAL, |m, _| {
            m.load(100.0, kvar(100.0, 0.85));
        });
        assert_eq!(changes, [], "{seconds} s");
        let changes = w.run(INTERVAL, |m, _| {
            m.load(100.0, kvar(100.0, 0.85));
        });
        assert_eq!(raised(&changes), [(Kind::LowPowerFactor, "")], "{seconds} s");
        let a = changes[0].alarm();
        let words = format!(
            "Power factor 0.85 lagging in the demand interval, at 100.0 kW and {:.1} kvar; target \
             0.90",
            kvar(100.0, 0.85)
        );
        assert_eq!(a.evidence, words);
        assert_eq!(a.raised_ms, w.maker.now_ms);
        // At the target within the margin it stays.
        let changes = w.run(12.0 * INTERVAL, |m, _| {
            m.load(100.0, kvar(100.0, 0.905));
        });
        assert_eq!(changes, []);
        // Above it is over after two hours.
        let changes = w.run(7.0 * INTERVAL, |m, _| {
            m.load(100.0, kvar(100.0, 0.92));
        });
        assert_eq!(changes, []);
        let changes = w.run(INTERVAL, |m, _| {
            m.load(100.0, kvar(100.0, 0.92));
        });
        assert_eq!(cleared(&changes), [(Kind::LowPowerFactor, "")]);
        // Too much of the correction is no better.
        let changes = w.run(2.0 * INTERVAL, |m, _| {
            m.load(100.0, -kvar(100.0, 0.8));
        });
        assert!(changes[0].alarm().evidence.contains("0.80 leading"), "{changes:?}");
    }
}

/// A load of 80 kW that rises to 140 kW after 4 of 15 minutes ends at 124 kW:
/// (4·80 + 11·140)/15. A limit of 120 kW is passed; of 126 kW it is not.
#[test]
fn demand_over_its_limit_is_told_before_the_interval_ends() {
    for (limit_kw, expected) in [(120.0, true), (126.0, false)] {
        let more = format!("[watch.alarms]\ndemand_limit_kw = {limit_kw}\n");
        let mut w = Watched::new(60.0, &more);
        w.settle(80.0, 20.0);
        let changes = w.run(INTERVAL, |m, t| {
            m.load(if t < 240.0 { 80.0 } else { 140.0 }, 20.0);
        });
        assert_eq!(!raised(&changes).is_empty(), expected, "{changes:?}");
        if expected {
            let a = changes[0].alarm();
            assert_eq!((a.kind, a.part.as_str()), (Kind::DemandLimit, "kW"));
            let left_min = (w.maker.now_ms - a.raised_ms) as f64 / 60e3;
            assert!(left_min >= 3.0, "{left_min} min before the end: {}", a.evidence);
            assert!(a.evidence.contains("limit 120.0 kW"), "{}", a.evidence);
            let changes = w.run(2.0 * INTERVAL, |m, _| {
                m.load(80.0, 20.0);
            });
            assert_eq!(cleared(&changes), [(Kind::DemandLimit, "kW")]);
        }
    }
}

/// The heading at any minute of an interval of steady load is that load: closed form.
#[test]
fn the_heading_of_a_steady_load_is_the_load() {
    let mut w = Watched::new(30.0, "");
    w.settle(80.0, 20.0);
    w.run(2.0 * HOUR, |m, _| {
        m.load(80.0, 20.0);
    });
    for _ in 0..30 {
        w.step();
        if let Some((kw, kvar)) = w.alarms.heading() {
            assert!((kw - 80.0).abs() < 1e-3 && (kvar - 20.0).abs() < 1e-3, "{kw} {kvar}");
        }
    }
    assert!(w.alarms.heading().is_none(), "an interval that begins heads nowhere yet");
}

/// Records as long as the interval cannot be projected; that it ended above its limit is a fact.
/// A limit in kVA holds against sqrt(kW² + kvar²): 3-4-5.
#[test]
fn long_records_tell_of_the_interval_that_has_ended() {
    let mut w = Watched::new(900.0, "[watch.alarms]\ndemand_limit_kva = 99\n");
    let quiet = w.run(3.0 * 86_400.0, |m, _| {
        m.load(57.0, 76.0);
    });
    assert_eq!(quiet, []);
    let changes = w.run(INTERVAL, |m, _| {
        m.load(60.0, 80.0);
    });
    assert_eq!(raised(&changes), [(Kind::DemandLimit, "kVA")]);
    assert!(changes[0].alarm().evidence.contains("ended with 100.0 kVA"), "{changes:?}");
    let changes = w.run(2.0 * INTERVAL, |m, _| {
        m.load(30.0, 40.0);
    });
    assert_eq!(cleared(&changes), [(Kind::DemandLimit, "kVA")]);
}

#[test]
fn intervals_with_data_missing_are_no_demand_and_project_nothing() {
    let mut w = Watched::new(60.0, "[watch.alarms]\ndemand_limit_kw = 100\n");
    w.settle(80.0, 20.0);
    for _ in 0..8 {
        // Ten minutes are missing of every interval; the rest is far over the limit.
        w.maker.pause(600.0);
        let changes = w.run(300.0, |m, _| {
            m.load(400.0, 20.0);
        });
        assert_eq!(changes, [], "{:?}", w.alarms.heading());
    }
}

/// Noise of 5 % about the limit for a month: at most one change an interval would be chatter; a
/// handful in a month is a limit that is met.
#[test]
fn a_demand_at_its_limit_does_not_chatter() {
    let mut c = wattless::bench::chance::Chance::new(5, "at the limit");
    let more = "[watch.alarms]\ndemand_limit_kw = 100\n[power_factor]\ntarget = 0.95\n";
    let mut w = Watched::new(60.0, more);
    w.settle(90.0, 10.0);
    let changes = w.run(14.0 * 86_400.0, |m, _| {
        let kw = 98.5 * (1.0 + 0.05 * c.normal());
        m.load(kw, kvar(kw, 0.95) * (1.0 + 0.02 * c.normal()));
    });
    let count = |kind: Kind| changes.iter().filter(|c: &&Change| c.alarm().kind == kind).count();
    let intervals = 14 * 96;
    assert!(count(Kind::DemandLimit) < intervals / 50, "{}", count(Kind::DemandLimit));
    assert!(count(Kind::LowPowerFactor) < intervals / 50, "{}", count(Kind::LowPowerFactor));
}

/// Lord Howe Island moves its clocks by half an hour (IANA time zone database: on 2026-04-05 at 2 h
/// from UTC+11 to UTC+10:30), Berlin by an hour on 2026-03-29 at 1 h UTC: an interval of 60 or 120
/// minutes ends at the full hour of the plant's clocks before and after.
#[test]
fn intervals_end_by_the_plants_clocks_before_and_after_summer_time() {
    for (zone, from, length_min) in [
        ("Australia/Lord_Howe", "2026-04-03T00:00:00Z", 60),
        ("Europe/Berlin", "2026-03-27T00:00:00Z", 120),
        ("Asia/Kathmandu", "2026-03-27T00:00:00Z", 30),
        ("America/New_York", "2026-03-06T00:00:00Z", 15),
    ] {
        let more = format!(
            "time_zone = \"{zone}\"\n[demand]\ninterval_min = {length_min}\n\
             [watch.alarms]\ndemand_limit_kw = 100\n"
        );
        let tz = jiff::tz::TimeZone::get(zone).unwrap();
        let mut w = Watched::of(Maker::at(from, 60.0), &site(&more));
        let seconds = f64::from(length_min) * 60.0;
        // An interval of the plant's clocks in three is over the limit, and nothing else is.
        let changes = w.run(5.0 * 86_400.0, |m, _| {
            let begin = jiff::Timestamp::from_millisecond(m.now_ms).unwrap();
            let local = begin.to_zoned_datetime(tz.clone()).datetime();
            let minute = i32::from(local.hour()) * 60 + i32::from(local.minute());
            let over = minute / length_min % 3 == 0;
            m.load(if over { 120.0 } else { 50.0 }, 20.0);
        });
        let over: Vec<_> = raised(&changes);
        assert!(over.len() > 8, "{zone}: {changes:?}");
        for a in changes.iter().map(Change::alarm).filter(|a| a.cleared_ms.is_none()) {
            let begin = jiff::Timestamp::from_millisecond(a.since_ms).unwrap();
            let local = begin.to_zoned_datetime(tz.clone()).datetime();
            let minute = i32::from(local.hour()) * 60 + i32::from(local.minute());
            assert_eq!(minute / length_min % 3, 0, "{zone}: {local} {a:?}");
            let gone_s = f64::from(minute % length_min) * 60.0;
            assert!(gone_s < seconds, "{a:?}");
            // Nothing half of one interval and half of the next: those would be 85 kW.
            let kw: f64 = a.evidence.split_whitespace().find_map(|x| x.parse().ok()).unwrap();
            assert!((kw - 120.0).abs() < 1.0, "{zone}: {}", a.evidence);
        }
    }
}
