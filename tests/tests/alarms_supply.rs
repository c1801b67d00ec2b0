//! Alarms of supply, load and inputs, on made records.

use wattless::watch::alarm::{Change, Kind};
use wattless_core::complex::Complex;
use wattless_core::flags::Flags;
use wattless_core::sequence::Components;
use wattless_core::wiring::Wiring;
use wattless_tests::alarmed::{Watched, cleared, raised, site};
use wattless_tests::made_records::{Maker, V, balanced};

const MIN: f64 = 60.0;
const HOUR: f64 = 3600.0;

/// EN 50160: 10-minute means of the voltage stay within 10 % of nominal for 95 % of a week
/// (from memory).
#[test]
fn voltage_beyond_ten_percent_is_raised_after_ten_minutes() {
    for (sign, kind) in [(1.0, Kind::VoltageHigh), (-1.0, Kind::VoltageLow)] {
        for seconds in [1.0, 10.0, 60.0, 300.0] {
            let mut w = Watched::new(seconds, "");
            let near = w.run(2.0 * HOUR, |m, _| m.v = balanced(V * (1.0 + sign * 0.099)));
            assert_eq!(near, []);
            let beyond = w.run(HOUR, |m, _| m.v = balanced(V * (1.0 + sign * 0.101)));
            assert_eq!(raised(&beyond), [(kind, "L1"), (kind, "L2"), (kind, "L3")]);
            let a = beyond[0].alarm();
            let held_s = (a.raised_ms - a.since_ms) as f64 / 1e3;
            assert!((held_s - 600.0).abs() < 1.0, "{held_s}");
            assert!(a.evidence.contains("230.0 V nominal"), "{}", a.evidence);
            assert!(a.evidence.contains("10.1 %"), "{}", a.evidence);
            // Just within the limit it stays; well within it is over after ten minutes.
            let within = w.run(HOUR, |m, _| m.v = balanced(V * (1.0 + sign * 0.095)));
            assert_eq!(within, []);
            let well = w.run(HOUR, |m, _| m.v = balanced(V));
            assert_eq!(cleared(&well).len(), 3);
        }
    }
}

/// Voltages between lines from those of the phases, for the formula of IEC 61000-4-30 that takes
/// amounts alone: u2 = sqrt((1 − sqrt(3 − 6β))/(1 + sqrt(3 − 6β))), β = ΣU⁴/(ΣU²)² (from memory).
fn unbalance_of_amounts(v: &[Complex; 3]) -> f64 {
    let u = [(v[0] - v[1]).abs(), (v[1] - v[2]).abs(), (v[2] - v[0]).abs()];
    let square: f64 = u.iter().map(|u| u * u).sum();
    let beta = u.iter().map(|u| u.powi(4)).sum::<f64>() / (square * square);
    let root = libm::sqrt(3.0 - 6.0 * beta);
    libm::sqrt((1.0 - root) / (1.0 + root))
}

/// EN 50160: negative over positive sequence up to 2 % (from memory). In every wiring with three
/// phases, whichever way the voltages turn.
#[test]
fn unbalance_is_held_against_two_percent_in_every_wiring() {
    let unbalanced = |u2: f64| {
        let positive = Complex::new(V, 0.0);
        let negative = Complex::unit(1.1).scale(u2 * V);
        Components { zero: Complex::ZERO, positive, negative }.phasors()
    };
    for wiring in Wiring::ALL.into_iter().filter(|w| w.phases() == 3) {
        for turned in [false, true] {
            let mut w = Watched::new(60.0, "");
            w.maker.wiring = wiring;
            let set = |m: &mut Maker, u2: f64| {
                m.v = unbalanced(u2);
                if turned {
                    m.v.swap(1, 2);
                }
            };
            assert_eq!(w.run(HOUR, |m, _| set(m, 0.0195)), [], "{wiring:?}");
            let changes = w.run(HOUR, |m, _| set(m, 0.0212));
            assert_eq!(raised(&changes), [(Kind::VoltageUnbalance, "")], "{wiring:?}");
            let by_amounts = 100.0 * unbalance_of_amounts(&unbalanced(0.0212));
            let words = format!("Negative sequence {by_amounts:.1} %");
            assert!(changes[0].alarm().evidence.starts_with(&words), "{changes:?}");
        }
    }
}

#[test]
fn a_lost_phase_is_raised_within_minutes_and_an_open_feeder_is_told_apart() {
    for nominal in [true, false] {
        let mut w = Watched::new(10.0, "");
        if !nominal {
            w = Watched::of(w.maker, &wattless::site::Site::default());
        }
        assert_eq!(w.run(HOUR, |_, _| {}), []);
        // A fuse of the taps: the input sees what couples over.
        let changes = w.run(2.0 * MIN, |m, _| m.v[1] = m.v[1].scale(0.08 * V / m.v[1].abs()));
        assert_eq!(raised(&changes), [(Kind::PhaseLost, "L2")]);
        let words = changes[0].alarm().evidence.clone();
        assert!(words.starts_with("18.4 V"), "{words}");
        let changes = w.run(HOUR, |m, _| m.v = balanced(V));
        assert_eq!(cleared(&changes), [(Kind::PhaseLost, "L2")]);
        // Switched off: no phase is missing, there is just no voltage.
        let changes = w.run(HOUR, |m, _| m.v = balanced(0.5));
        assert_eq!(raised(&changes), [(Kind::NoVoltage, "")]);
    }
}

/// A motor that runs on goes on making the voltage of the phase that its fuse cut off (common
/// practice), so the current tells.
#[test]
fn a_current_that_is_gone_is_a_lost_phase_unless_it_never_was_there() {
    let mut w = Watched::new(60.0, "");
    w.settle(90.0, 60.0);
    let changes = w.run(5.0 * MIN, |m, _| {
        m.p_w = [45e3, 0.2e3, 45e3];
        m.q_var = [30e3, 0.0, 30e3];
    });
    assert_eq!(raised(&changes), [(Kind::PhaseLost, "current L2")]);
    assert!(changes[0].alarm().evidence.contains("at 90.2 kW"), "{changes:?}");

    // A service of two phases and neutral, wired as three: the third never carried anything.
    let mut w = Watched::new(60.0, "[watch.alarms]\ncurrent_unbalance_pct = 200");
    let two = |m: &mut Maker, t: f64| {
        let share = if (21_600.0..64_800.0).contains(&(t % 86_400.0)) { 1.0 } else { 0.02 };
        m.p_w = [30e3 * share, 30e3 * share, 0.0];
        m.q_var = [20e3 * share * 0.3, 20e3 * share * 0.3, 0.0];
    };
    assert_eq!(w.run(4.0 * 86_400.0, two), []);
}

/// Six times the rated current for ten seconds at a power factor of 0.2, the voltage 15 % down,
/// inputs clipped: the start of a large motor direct on line (common practice). At the limits of
/// everything, in records of a second to a quarter of an hour.
#[test]
fn the_start_of_a_motor_raises_nothing() {
    for seconds in [2.0, 10.0, 60.0, 300.0, 900.0] {
        let more = "[watch.alarms]\nrated_a = 200\ndemand_limit_kw = 95\ndemand_limit_kva = 112\n\
                    units_kvar = [20, 20]\n[working_hours]\nfrom_h = 6\nto_h = 18\n";
        let mut w = Watched::new(seconds, more);
        let kvar = 90.0 * 0.32;
        w.settle(90.0, kvar);
        for start in 0..5 {
            let s = seconds.max(10.0);
            // What the start adds to a record that holds all of it.
            let share = 10.0 / s;
            let (start_kw, start_kvar) = (6.0 * 90.0 * 0.2, 6.0 * 90.0 * 0.98);
            let changes = w.run(2.0 * HOUR, |m, t| {
                let on = t < s && t + seconds > 0.0 && (t + seconds <= s + 0.5);
                m.load(90.0, kvar);
                m.v = balanced(V);
                m.flags = Flags::NONE;
                if on {
                    m.load(90.0 + share * start_kw, kvar + share * start_kvar);
                    m.v = balanced(V * (1.0 - 0.15 * share));
                    m.flags = Flags::I_CLIPPED;
                }
            });
            assert_eq!(changes, [], "{seconds} s, start {start}");
        }
    }
}

#[test]
fn unbalanced_currents_count_under_load_only() {
    let mut w = Watched::new(60.0, "");
    w.settle(90.0, 40.0);
    let lean = |m: &mut Maker, kw: f64, lean: f64| {
        m.load(kw, kw * 0.4);
        m.p_w[0] *= 1.0 + lean;
        m.q_var[0] *= 1.0 + lean;
    };
    // One phase 30 % up stands 18 % above the mean: (1.3 − 1.1)/1.1.
    let changes = w.run(HOUR, |m, _| lean(m, 90.0, 0.30));
    assert_eq!(raised(&changes), [(Kind::CurrentUnbalance, "")]);
    assert!(changes[0].alarm().evidence.contains("18 % off their mean"), "{changes:?}");
    let changes = w.run(HOUR, |m, _| lean(m, 90.0, 0.0));
    assert_eq!(cleared(&changes), [(Kind::CurrentUnbalance, "")]);
    assert_eq!(w.run(12.0 * HOUR, |m, _| lean(m, 15.0, 1.0)), []);
}

#[test]
fn overload_and_running_out_of_hours() {
    let more = "time_zone = \"Europe/Berlin\"\n[watch.alarms]\nrated_a = 150\n\
                [working_hours]\ndays = [\"mon\", \"tue\", \"wed\", \"thu\", \"fri\"]\n\
                from_h = 8\nto_h = 20\n";
    let mut w = Watched::new(60.0, more);
    w.settle(90.0, 30.0);
    // 105 % of 150 A are 157.5 A; S = 3·230·158 = 109.0 kVA.
    let at = |m: &mut Maker, amps: f64| {
        let kva = 3.0 * V * amps / 1e3;
        m.load(0.9487 * kva, 0.316 * kva);
    };
    assert_eq!(w.run(2.0 * HOUR, |m, _| at(m, 156.0)), []);
    let changes = w.run(HOUR, |m, _| at(m, 159.0));
    assert_eq!(raised(&changes), [(Kind::Overload, "")]);
    assert!(changes[0].alarm().evidence.contains("rated 150.0 A, limit 157.5 A"), "{changes:?}");
    let changes = w.run(HOUR, |m, _| at(m, 140.0));
    assert_eq!(cleared(&changes), [(Kind::Overload, "")]);

    // Work ends at 20 h by Berlin's summer clock, which is 18:00 UTC.
    let end = "2026-06-03T18:00:00Z".parse::<jiff::Timestamp>().unwrap().as_millisecond();
    let changes = w.run((end - w.maker.now_ms) as f64 / 1e3 + 2.0 * HOUR, |m, _| {
        m.load(30.0, 10.0);
    });
    assert_eq!(raised(&changes), [(Kind::OutOfHours, "")]);
    let a = changes[0].alarm();
    assert_eq!(a.since_ms, end);
    assert!(a.evidence.starts_with("30.0 kW outside working hours"), "{}", a.evidence);
    let changes = w.run(HOUR, |m, _| {
        m.load(2.0, 0.5);
    });
    assert_eq!(cleared(&changes), [(Kind::OutOfHours, "")]);
}

#[test]
fn hours_that_the_site_does_not_state_raise_nothing() {
    let mut w = Watched::new(300.0, "");
    let around_the_clock = |m: &mut Maker, _: f64| {
        m.load(80.0, 20.0);
    };
    assert_eq!(w.run(14.0 * 86_400.0, around_the_clock), []);
}

#[test]
fn clipped_inputs_and_lost_samples_are_raised_once() {
    let mut w = Watched::new(60.0, "");
    let mark = |flag: Flags| move |m: &mut Maker, _: f64| m.flags = flag;
    let changes = w.run(HOUR, mark(Flags::I_CLIPPED));
    assert_eq!(raised(&changes), [(Kind::Clipped, "current")]);
    let changes = w.run(2.0 * HOUR, mark(Flags::NONE));
    assert_eq!(cleared(&changes), [(Kind::Clipped, "current")]);
    let changes = w.run(HOUR, mark(Flags::V_CLIPPED.with(Flags::FRAMES_LOST)));
    assert_eq!(raised(&changes), [(Kind::Clipped, "voltage"), (Kind::Gap, "samples")]);
}

/// Every way of turning one clamp, exchanging two, or turning all of them, after two days that
/// were right: raised. The same on a feeder that was wrong from the start is a matter of the
/// connection check at the start, not of the watch.
#[test]
fn a_connection_that_changes_is_raised() {
    type Change = fn(&mut Maker);
    let faults: [(&str, Change); 7] = [
        ("i1 turned", |m| m.turned = [true, false, false]),
        ("i2 turned", |m| m.turned = [false, true, false]),
        ("i3 turned", |m| m.turned = [false, false, true]),
        ("i1 and i2 exchanged", |m| m.clamps = [1, 0, 2]),
        ("i2 and i3 exchanged", |m| m.clamps = [0, 2, 1]),
        ("i2 and i3 turned", |m| m.turned = [false, true, true]),
        ("all turned", |m| m.turned = [true; 3]),
    ];
    for (name, fault) in faults {
        let mut w = Watched::new(60.0, "[watch.alarms]\ncurrent_unbalance_pct = 100");
        w.settle(90.0, 60.0);
        let changes = w.run(HOUR, |m, t| {
            // The load moves meanwhile.
            let kw = 80.0 + 25.0 * libm::sin(t / 700.0);
            m.load(kw, 0.6 * kw + 5.0);
            fault(m);
        });
        let found = raised(&changes);
        assert!(found.contains(&(Kind::Connection, "")), "{name}: {changes:?}");
        let changes = w.run(HOUR, |m, _| {
            m.load(90.0, 60.0);
            (m.turned, m.clamps) = ([false; 3], [0, 1, 2]);
        });
        assert!(cleared(&changes).contains(&(Kind::Connection, "")), "{name}: {changes:?}");
    }
}

/// A feeder with a generator of its own: by day it gives back, at night it draws, and all the
/// time it draws reactive power.
#[test]
fn a_feeder_that_gives_back_is_not_a_turned_clamp() {
    for wiring in [Wiring::FourWire, Wiring::TwoSensor, Wiring::SinglePhase] {
        let mut w = Watched::new(60.0, "");
        w.maker.wiring = wiring;
        w.maker.v = balanced(if wiring == Wiring::SinglePhase { V * libm::sqrt(3.0) } else { V });
        let changes = w.run(10.0 * 86_400.0, |m, t| {
            let day = libm::cos(t / 86_400.0 * core::f64::consts::TAU);
            m.load(20.0 + 60.0 * day, 30.0);
        });
        let about = |c: &&Change| c.alarm().kind != Kind::LowPowerFactor;
        assert_eq!(changes.iter().filter(about).count(), 0, "{wiring:?}: {changes:?}");
    }
}

/// A week of a plain plant, in every wiring, with records of a second to a quarter of an hour and
/// noise on everything, with and without a nominal voltage: nothing is raised.
#[test]
fn a_plain_week_raises_nothing_in_any_wiring() {
    for wiring in Wiring::ALL {
        for (seconds, days) in [(1.0, 1.3), (60.0, 7.0), (900.0, 14.0)] {
            if seconds < 2.0 && wiring != Wiring::FourWire {
                continue;
            }
            for known in [true, false] {
                let mut maker = Maker::at("2026-06-01T00:00:00Z", seconds);
                maker.wiring = wiring;
                let line_v = match wiring {
                    Wiring::SinglePhase => V,
                    Wiring::SplitPhase => 2.0 * V,
                    _ => V * libm::sqrt(3.0),
                };
                let site = match known {
                    true => {
                        let mut s = site("[watch.alarms]\nrated_a = 400\ndemand_limit_kw = 120\n");
                        s.supply.line_voltage_v = Some(line_v);
                        s
                    }
                    false => wattless::site::Site::default(),
                };
                let v = match wiring {
                    Wiring::SplitPhase => {
                        [Complex::new(V, 0.0), Complex::new(-V, 0.0), Complex::ZERO]
                    }
                    _ => balanced(V),
                };
                let mut c = wattless::bench::chance::Chance::new(7, wiring.name());
                let mut w = Watched::of(maker, &site);
                let changes = w.run(days * 86_400.0, |m, t| {
                    let day = (t / 86_400.0) as u32 % 7;
                    let works = day < 5 && (21_600.0..61_200.0).contains(&(t % 86_400.0));
                    let kw = if works { c.between([40.0, 90.0]) } else { c.between([0.5, 3.0]) };
                    m.load(kw, 0.28 * kw + 0.3 * c.unit());
                    let level = 1.0 + 0.02 * c.normal().clamp(-2.0, 2.0);
                    m.v = v.map(|v| v.scale(level * (1.0 + 0.003 * c.normal().clamp(-2.0, 2.0))));
                });
                assert_eq!(changes, [], "{} {seconds} s {known}", wiring.name());
            }
        }
    }
}
