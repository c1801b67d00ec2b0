//! Whole weeks of ordinary and of broken plants, as records: what an electrician would be told.

use wattless::bench::chance::Chance;
use wattless::watch::alarm::{Change, Kind};
use wattless_core::complex::Complex;
use wattless_core::wiring::Wiring;
use wattless_tests::alarmed::{Watched, cleared, raised};
use wattless_tests::made_records::{Maker, V, balanced};

const HOUR: f64 = 3600.0;
const DAY: f64 = 86_400.0;

/// Monday to Friday from 6 to 18 h, of a week that begins with the first day.
fn works(t: f64) -> bool {
    (t / DAY) as u64 % 7 < 5 && (6.0 * HOUR..18.0 * HOUR).contains(&(t % DAY))
}

const HOURS: &str = "[working_hours]\ndays = [\"mon\", \"tue\", \"wed\", \"thu\", \"fri\"]\n\
                     from_h = 6\nto_h = 18\n";

/// Compressor, kilns and pumps draw a quarter of the peak day and night (common practice): that is
/// no alarm; a machine that stays on beside them is, even when it does so on two nights.
#[test]
fn what_always_runs_is_not_running_out_of_hours() {
    let mut w = Watched::new(60.0, HOURS);
    let mut c = Chance::new(3, "always on");
    let mut plant = |m: &mut Maker, t: f64, left_on_kw: f64| {
        let kw = if works(t) { c.between([120.0, 190.0]) } else { c.between([38.0, 48.0]) };
        m.load(kw + left_on_kw, 0.3 * kw);
    };
    assert_eq!(w.run(11.0 * DAY, |m, t| plant(m, t, 0.0)), []);
    // The nights to Saturday and to Sunday of the second week.
    let from = 11.0 * DAY;
    let changes = w.run(2.0 * DAY, |m, t| {
        let on = (18.0 * HOUR..30.0 * HOUR)
            .contains(&(t % DAY + if t % DAY < 6.0 * HOUR { DAY } else { 0.0 }));
        plant(m, from + t, if on && t > HOUR * 12.0 { 30.0 } else { 0.0 });
    });
    assert_eq!(raised(&changes), [(Kind::OutOfHours, ""); 2], "{changes:?}");
    assert_eq!(cleared(&changes).len(), 1, "{changes:?}");
    let words = &changes[0].alarm().evidence;
    assert!(
        words.contains("outside working hours, when 4") && words.contains("always run"),
        "{words}"
    );
}

/// A corrected plant whose power factor hovers about its target of 0.95, an interval above and the
/// next below, for five weeks: one alarm or none, not one every day.
#[test]
fn a_power_factor_about_its_target_is_one_alarm() {
    let mut w = Watched::new(60.0, "[power_factor]\ntarget = 0.95\n");
    let mut c = Chance::new(5, "hovering");
    let changes = w.run(35.0 * DAY, |m, t| {
        let kw = if works(t) { c.between([50.0, 90.0]) } else { c.between([0.5, 2.0]) };
        m.load(kw, 0.9 * kw - 40.0 + 2.0 * c.normal());
    });
    let found = raised(&changes);
    assert!((1..=3).contains(&found.len()), "{changes:?}");
    // 0.95 is not below 0.95: as many digits as it takes.
    for change in &changes {
        let words = &change.alarm().evidence;
        let pf: f64 = words.split(' ').nth(2).and_then(|w| w.parse().ok()).expect("a number");
        assert!(pf < 0.95, "{words}");
    }
    // Once it is well for two hours under load, it is over.
    let changes = w.run(7.0 * DAY, |m, t| {
        let kw = if works(t) { c.between([50.0, 90.0]) } else { 1.0 };
        m.load(kw, 0.1 * kw);
    });
    assert_eq!(cleared(&changes), [(Kind::LowPowerFactor, "")], "{changes:?}");
}

/// Voltages against the star point of a neutral that is open: line voltages stay what they are,
/// single-phase loads divide them by their impedances (Kirchhoff). Three loads of R, 2R and 2R ohms
/// put the star point at (E1/R + E2/2R + E3/2R)/(2/R) = E1/4 (Millman's theorem).
fn open_neutral() -> [Complex; 3] {
    let e = balanced(V);
    let star = e[0].scale(0.25);
    e.map(|e| e - star)
}

#[test]
fn an_open_neutral_is_named_and_a_lost_phase_is_not_taken_for_one() {
    let load = |m: &mut Maker, t: f64| {
        let share = if works(t) { 1.0 } else { 0.02 };
        m.load(60.0 * share, 20.0 * share);
    };
    for turned in [false, true] {
        let mut w = Watched::new(60.0, "");
        let turn = |m: &mut Maker| {
            if turned {
                m.v.swap(1, 2);
            }
        };
        assert_eq!(
            w.run(2.0 * DAY + 10.0 * HOUR, |m, t| {
                m.v = balanced(V);
                turn(m);
                load(m, t)
            }),
            []
        );
        let changes = w.run(HOUR, |m, _| {
            m.v = open_neutral();
            turn(m);
        });
        let first = changes[0].alarm();
        assert_eq!((first.kind, first.raised_ms - first.since_ms), (Kind::NeutralLost, 120_000));
        // E1/4 is a quarter of the phase voltage; 172.5 V is three quarters of 230 V.
        assert!(first.evidence.starts_with("172.5, 263.5, 263.5 V"), "{}", first.evidence);
        assert!(first.evidence.contains("25 % off the middle"), "{}", first.evidence);
        assert!(raised(&changes).contains(&(Kind::VoltageHigh, "L2")), "{changes:?}");
        assert!(!raised(&changes).iter().any(|r| r.0 == Kind::PhaseLost), "{changes:?}");
        let changes = w.run(2.0 * HOUR, |m, _| {
            m.v = balanced(V);
            turn(m);
        });
        assert!(cleared(&changes).contains(&(Kind::NeutralLost, "")), "{changes:?}");
        assert!(w.alarms.standing().is_empty(), "{:?}", w.alarms.standing());
        // A fuse of one phase moves the star point as well.
        let changes = w.run(5.0 * 60.0, |m, _| {
            m.v = balanced(V);
            turn(m);
            m.v[1] = m.v[1].scale(0.02);
            (m.p_w[1], m.q_var[1]) = (0.0, 0.0);
        });
        assert_eq!(raised(&changes), [(Kind::PhaseLost, "L2")], "{changes:?}");
    }
    // A centre-tapped delta has its neutral off the middle from the start: 120, 120 and 208 V.
    let mut w = Watched::new(60.0, "[watch.alarms]\nvoltage_band_pct = 49\n");
    let wild = [Complex::new(120.0, 0.0), Complex::new(-120.0, 0.0), Complex::new(0.0, 207.8)];
    let changes = w.run(3.0 * DAY, |m, t| {
        m.v = wild;
        load(m, t)
    });
    assert!(!raised(&changes).iter().any(|r| r.0 == Kind::NeutralLost), "{changes:?}");
}

#[test]
fn an_open_neutral_of_a_split_phase_service_is_told_from_a_lost_leg() {
    let mut w = Watched::new(60.0, "");
    let legs = |a: f64, b: f64| [Complex::new(a, 0.0), Complex::new(-b, 0.0), Complex::ZERO];
    w.maker.wiring = Wiring::SplitPhase;
    let run = |w: &mut Watched, seconds: f64, a: f64, b: f64| {
        w.run(seconds, |m, _| {
            m.v = legs(a, b);
            m.load(2.0, 0.5);
        })
    };
    let quiet = run(&mut w, HOUR, 199.0, 199.0);
    assert!(!raised(&quiet).iter().any(|r| r.0 == Kind::NeutralLost));
    // Halves of 398 V by loads of 3 to 5.
    let changes = run(&mut w, 600.0, 149.25, 248.75);
    assert_eq!(changes[0].alarm().kind, Kind::NeutralLost, "{changes:?}");
    assert!(changes[0].alarm().evidence.contains("25 % off"), "{changes:?}");
    let changes = run(&mut w, 2.0 * HOUR, 199.0, 199.0);
    assert!(cleared(&changes).contains(&(Kind::NeutralLost, "")), "{changes:?}");
    let changes = run(&mut w, 600.0, 199.0, 2.0);
    assert_eq!(raised(&changes)[0], (Kind::PhaseLost, "L2"), "{changes:?}");
}

/// Three-wire: a phase that is gone drags the star point along. L1 to L3 is still whole, so neither
/// of them is low.
#[test]
fn without_neutral_a_lost_phase_leaves_the_others_alone() {
    for wiring in
        [Wiring::ThreeWire, Wiring::ThreeWireLine, Wiring::TwoSensor, Wiring::TwoSensorLine]
    {
        let mut w = Watched::new(60.0, "");
        w.maker.wiring = wiring;
        w.settle(60.0, 20.0);
        let changes = w.run(HOUR, |m, _| {
            m.v = balanced(V);
            m.v[1] = m.v[1].scale(0.02);
        });
        let found = raised(&changes);
        assert!(found.contains(&(Kind::PhaseLost, "L2")), "{wiring:?}: {changes:?}");
        let low = |r: &(Kind, &str)| matches!(r.0, Kind::VoltageLow | Kind::VoltageHigh);
        assert!(!found.iter().any(low), "{wiring:?}: {changes:?}");
        let changes = w.run(HOUR, |m, _| m.v = balanced(V));
        assert!(cleared(&changes).contains(&(Kind::PhaseLost, "L2")), "{wiring:?}: {changes:?}");
    }
}

/// A plug that is loose: five starts in twenty minutes. One power cut a week is none.
#[test]
fn a_node_that_starts_again_and_again_is_told() {
    let mut w = Watched::new(60.0, "");
    w.settle(60.0, 20.0);
    let mut boot = 1;
    let mut told = |w: &mut Watched, starts: u32, every_s: f64| {
        let mut changes: Vec<Change> = Vec::new();
        for _ in 0..starts {
            boot += 1;
            w.maker.pause(every_s);
            changes.extend(w.alarms.started(boot, w.maker.now_ms));
        }
        (changes, boot)
    };
    let (changes, _) = told(&mut w, 6, 7.0 * DAY);
    assert_eq!(changes, []);
    let (changes, boot) = told(&mut w, 5, 240.0);
    assert_eq!(raised(&changes), [(Kind::Restarts, "")], "{changes:?}");
    assert!(changes[0].alarm().evidence.starts_with("It started 4 times"), "{changes:?}");
    let mut over = Vec::new();
    for _ in 0..70 {
        let record = wattless_core::record::Record { boot, ..w.maker.record() };
        over.extend(w.alarms.take(&record, w.maker.now_ms));
    }
    assert_eq!(cleared(&over), [(Kind::Restarts, "")], "{over:?}");
    // Another log on the same node: its count begins anew and is counted from there.
    assert_eq!(w.alarms.started(1, w.maker.now_ms), []);
    for boot in 2..6 {
        w.maker.pause(60.0);
        over = w.alarms.started(boot, w.maker.now_ms);
    }
    assert_eq!(raised(&over), [(Kind::Restarts, "")]);
}

/// One phase of a 400 V service has 231 V to neutral, a single-phase service of 230 V has 230 V: both
/// are written as `line_voltage_v`, and neither is low or high.
#[test]
fn a_single_phase_node_is_held_against_the_voltage_that_is_meant() {
    for (line_v, volts) in [(400.0, 231.0), (230.0, 230.0), (208.0, 120.0), (208.0, 208.0)] {
        let mut site = wattless_tests::alarmed::site("");
        site.supply.line_voltage_v = Some(line_v);
        let mut maker = Maker::at("2026-06-01T00:00:00Z", 60.0);
        maker.wiring = Wiring::SinglePhase;
        maker.load(2.0, 0.5);
        let mut w = Watched::of(maker, &site);
        assert_eq!(w.run(DAY, |m, _| m.v = balanced(0.98 * volts)), [], "{line_v}, {volts}");
        let changes = w.run(HOUR, |m, _| m.v = balanced(0.87 * volts));
        assert_eq!(raised(&changes), [(Kind::VoltageLow, "L1")], "{line_v}, {volts}");
        let changes = w.run(HOUR, |m, _| m.v = balanced(1.12 * volts));
        assert_eq!(raised(&changes), [(Kind::VoltageHigh, "L1")], "{line_v}, {volts}");
    }
}
