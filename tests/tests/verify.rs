//! The verification on logs whose truth is known: by hand, and drawn at random.

use std::path::Path;
use wattless::analyse::verify::unit::{Connection, Control, State, Unit};
use wattless::analyse::verify::{Outcome, Reason, Terms, Verification, VerifyError, verify};
use wattless::collect::log::IntervalLog;
use wattless::present::text::Style;
use wattless::present::verify::{verify_text, words};
use wattless::site::Site;
use wattless_tests::made_log::{LogMaker, V, at};
use wattless_tests::made_plant::{Pair, Truth};

fn site() -> Site {
    let text = "[supply]\nline_voltage_v = 398.3717\nwiring = \"four-wire\"\n";
    Site::parse(text, Path::new("test.toml")).unwrap()
}

fn unit(kvar: f64, rated_v: f64, connection: Connection) -> Unit {
    Unit {
        name: format!("Bank of {kvar}"),
        rated_var: kvar * 1e3,
        rated_v,
        rated_hz: 50.0,
        connection,
        control: Control::Fixed,
    }
}

fn run(before: &IntervalLog, after: &IntervalLog, units: Vec<Unit>) -> Verification {
    verify(before, after, &site(), &Terms::new(units)).unwrap()
}

/// Load that goes up and down between 20 and 100 kW over two hours, with kvar = 30 + 0.4·kW.
fn ramp(log: &mut LogMaker, minutes: usize, less_kvar: f64) {
    for k in 0..minutes {
        let kw = 60.0 + 40.0 * libm::sin(k as f64 / 120.0 * std::f64::consts::TAU);
        let noise = 0.3 * libm::sin(k as f64 * 12.9898);
        log.record(60.0, kw, 30.0 + 0.4 * kw + noise - less_kvar);
    }
}

#[track_caller]
fn near(got: f64, want: f64, tolerance: f64) {
    assert!((got - want).abs() <= tolerance, "{got} is not {want} within {tolerance}");
}

/// 20 kvar at 440 V give 20·(398.37/440)² = 16.395 kvar at 230 V per phase (output goes with V²,
/// IEC 60831-1 and physics); exactly that much is missing after.
#[test]
fn a_drop_that_is_known_is_found() {
    let given = 20.0 * (V * libm::sqrt(3.0) / 440.0) * (V * libm::sqrt(3.0) / 440.0);
    near(given, 16.395, 0.001);
    let mut before = at("2026-03-02T00:00:00Z");
    ramp(&mut before, 5 * 1440, 0.0);
    let mut after = at("2026-03-09T00:00:00Z");
    ramp(&mut after, 5 * 1440, given);
    let v = run(&before.log, &after.log, vec![unit(20.0, 440.0, Connection::Delta)]);
    assert_eq!(v.verdict.outcome, Outcome::Worked);
    assert_eq!(v.verdict.reasons, [Reason::AsInstalled]);
    near(v.total.measured_var, given * 1e3, 30.0);
    near(v.total.expected_var.unwrap(), given * 1e3, 0.1);
    near(v.total.ratio.unwrap(), 1.0, 0.002);
    for p in &v.phases {
        near(p.ratio.unwrap(), 1.0, 0.002);
    }
    // The plain curve is the one that was made: kvar = 30 + 0.4·kW.
    let r = v.before.regression;
    near(r.a_var, 30e3, 60.0);
    near(r.b_var_per_w, 0.4, 0.003);
    near(r.c_var_per_w2 * 1e3, 0.0, 1e-4);
    near(v.coverage.covered_share, 1.0, 1e-9);
    let text = verify_text(&v, None, Style::PLAIN);
    assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
    assert!(text.contains("It worked: 16.4 kvar (±"), "{text}");
}

/// A star with a blown fuse loses one phase; a delta with a dead element loses half on two.
#[test]
fn a_dead_phase_is_named() {
    let full = 30e3 * (V * libm::sqrt(3.0) / 400.0) * (V * libm::sqrt(3.0) / 400.0);
    for (connection, state, place) in [
        (Connection::Star, State::LineOpen(1), "L2"),
        (Connection::Delta, State::ElementDead(2), "L3-L1"),
        (Connection::Delta, State::LineOpen(0), "L1"),
    ] {
        let mut before = at("2026-03-02T00:00:00Z");
        ramp(&mut before, 3 * 1440, 0.0);
        let mut after = at("2026-03-09T00:00:00Z");
        ramp(&mut after, 3 * 1440, 0.0);
        let shares = state.shares(connection);
        for (column, s) in after.log.q1_var.iter_mut().zip(shares) {
            column.iter_mut().for_each(|q| *q -= (s * full) as f32);
        }
        let v = run(&before.log, &after.log, vec![unit(30.0, 400.0, connection)]);
        assert_eq!(v.verdict.outcome, Outcome::Partly, "{connection:?} {state:?}");
        let named = v.verdict.reasons.iter().any(|r| match r {
            Reason::LineOpen { place: p, .. } | Reason::ElementDead { place: p, .. } => p == place,
            _ => false,
        });
        assert!(named, "{connection:?} {state:?}: {:?}", v.verdict.reasons);
        assert_eq!(v.explanations[0].states, [state]);
        for (p, s) in v.phases.iter().zip(shares) {
            near(p.measured_var, s * full, 200.0);
        }
    }
}

#[test]
fn a_missing_unit_and_its_equals_are_named() {
    let units: Vec<Unit> = [(20.0, "A"), (10.0, "B"), (10.0, "C")]
        .map(|(kvar, name)| Unit {
            name: name.into(),
            ..unit(kvar, V * libm::sqrt(3.0), Connection::Delta)
        })
        .to_vec();
    let mut before = at("2026-03-02T00:00:00Z");
    ramp(&mut before, 3 * 1440, 0.0);
    let mut after = at("2026-03-09T00:00:00Z");
    ramp(&mut after, 3 * 1440, 30.0);
    let v = run(&before.log, &after.log, units);
    assert_eq!(v.verdict.outcome, Outcome::Partly);
    let [Reason::UnitsMissing { units }, Reason::OrMissing { combinations }] =
        &v.verdict.reasons[..]
    else {
        panic!("{:?}", v.verdict.reasons);
    };
    let mut all = vec![units.clone()];
    all.extend(combinations.clone());
    all.sort();
    assert_eq!(all, [["B"], ["C"]]);
}

#[test]
fn without_a_drop_the_sensor_is_suspected_too() {
    let mut before = at("2026-03-02T00:00:00Z");
    ramp(&mut before, 3 * 1440, 0.0);
    let mut after = at("2026-03-09T00:00:00Z");
    ramp(&mut after, 3 * 1440, 0.0);
    let v = run(&before.log, &after.log, vec![unit(30.0, 400.0, Connection::Delta)]);
    assert_eq!(v.verdict.outcome, Outcome::Not);
    assert!(matches!(
        v.verdict.reasons[..],
        [Reason::NoDrop, Reason::SensorBehindCapacitor { expected_rise_pct: None, .. }]
    ));
    assert!(words(&v).next.iter().any(|n| n.contains("Clamp the bank's own leads")));
}

#[test]
fn a_load_that_was_never_seen_is_not_compared() {
    let mut before = at("2026-03-02T00:00:00Z");
    ramp(&mut before, 3 * 1440, 0.0);
    let mut after = at("2026-03-09T00:00:00Z");
    for k in 0..1440 {
        let kw = if k % 10 < 2 { 90.0 } else { 150.0 };
        after.record(60.0, kw, 30.0 + 0.4 * kw - 16.0);
    }
    let v = run(&before.log, &after.log, vec![unit(16.0, V * libm::sqrt(3.0), Connection::Delta)]);
    assert_eq!(v.verdict.outcome, Outcome::CannotTell);
    let [Reason::LoadBeyondRange { covered_share, before_w, after_w }] = &v.verdict.reasons[..]
    else {
        panic!("{:?}", v.verdict.reasons);
    };
    near(*covered_share, 0.2, 0.001);
    assert!(before_w[1] < 101e3 && after_w[1] > 149e3);
}

/// Loads of a shift that fluctuate over hours: an hour after does not tell, and the hours that
/// are asked for do.
#[test]
fn too_little_is_told_with_the_hours_that_it_takes() {
    let drawn = |start: &str, minutes: usize, seed: u64, less: f64| {
        let mut chance = wattless::bench::chance::Chance::new(seed, "wander");
        let (mut log, mut wander) = (at(start), 0.0);
        for k in 0..minutes {
            wander += -wander / 60.0 + 1.2 * chance.normal();
            let kw = 60.0 + 40.0 * libm::sin(k as f64 / 37.0);
            log.record(60.0, kw, 30.0 + 0.4 * kw + wander - less);
        }
        log
    };
    let bank = || vec![unit(20.0, V * libm::sqrt(3.0), Connection::Delta)];
    let before = drawn("2026-03-02T00:00:00Z", 7 * 1440, 1, 0.0);
    let short = drawn("2026-03-10T00:00:00Z", 90, 2, 20.0);
    let v = run(&before.log, &short.log, bank());
    assert_eq!(v.verdict.outcome, Outcome::CannotTell, "{:?}", v.total);
    assert!(matches!(v.verdict.reasons[..], [Reason::MoreDataNeeded { .. }]));
    let needed = v.needed.unwrap();
    let hours = needed.needed_after_h.unwrap();
    assert!(hours > 1.5 * needed.after_h && hours < 300.0, "{needed:?}");
    let long = drawn("2026-03-10T00:00:00Z", (hours * 2.0 * 60.0) as usize, 3, 20.0);
    let v = run(&before.log, &long.log, bank());
    assert_eq!(v.verdict.outcome, Outcome::Worked, "{:?} {needed:?}", v.total);
}

#[test]
fn a_failure_within_the_range_after_is_dated() {
    let mut before = at("2026-03-02T00:00:00Z");
    ramp(&mut before, 4 * 1440, 0.0);
    let mut after = at("2026-03-09T00:00:00Z");
    ramp(&mut after, 3 * 1440, 30.0);
    ramp(&mut after, 1440, 20.0);
    let v = run(&before.log, &after.log, vec![unit(30.0, V * libm::sqrt(3.0), Connection::Delta)]);
    assert_eq!(v.verdict.outcome, Outcome::Partly);
    let Reason::ChangedDuring { at, ratio_before, ratio_from } = &v.verdict.reasons[0] else {
        panic!("{:?}", v.verdict.reasons);
    };
    assert_eq!(at.to_string(), "Thu 2026-03-12 00:00");
    near(*ratio_before, 1.0, 0.02);
    near(*ratio_from, 2.0 / 3.0, 0.02);
    assert_eq!(v.days.len(), 4);
    near(v.days[3].ratio.unwrap(), 2.0 / 3.0, 0.02);
}

#[test]
fn leading_hours_are_told() {
    let mut before = at("2026-03-02T00:00:00Z");
    let mut after = at("2026-03-09T00:00:00Z");
    for k in 0..4 * 1440 {
        let night = k % 1440 < 480;
        let (kw, kvar) = if night { (10.0, 8.0) } else { (80.0, 60.0) };
        let noise = 0.2 * libm::sin(k as f64 * 7.7);
        before.record(60.0, kw, kvar + noise);
        after.record(60.0, kw, kvar - 30.0 + noise);
    }
    let v = run(&before.log, &after.log, vec![unit(30.0, V * libm::sqrt(3.0), Connection::Delta)]);
    assert_eq!(v.verdict.outcome, Outcome::Worked, "{:?}", v.verdict);
    let leading = v.verdict.remarks.iter().find_map(|r| match r {
        Reason::Leading { share, most_var, below_095_share, .. } => {
            Some((*share, *most_var, *below_095_share))
        }
        _ => None,
    });
    let (share, most, low) = leading.unwrap();
    near(share, 1.0 / 3.0, 1e-6);
    near(most, 22e3, 300.0);
    near(low, 1.0, 1e-6);
}

/// A controller that aims at 0.95 adds what the load lacks, in steps: at 80 kW with 60 kvar it
/// needs 60 − 80·tan(acos 0.95) = 33.7 kvar, four steps of 10.
#[test]
fn a_controller_is_held_to_what_it_had_to_do() {
    let automatic = Unit {
        control: Control::Automatic { target_pf: 0.95, step_var: 10e3 },
        ..unit(60.0, V * libm::sqrt(3.0), Connection::Delta)
    };
    let mut before = at("2026-03-02T00:00:00Z");
    let mut after = at("2026-03-09T00:00:00Z");
    let mut half = at("2026-03-09T00:00:00Z");
    for k in 0..4 * 1440 {
        let (kw, kvar, step) = if k % 1440 < 480 { (10.0, 3.0, 0.0) } else { (80.0, 60.0, 40.0) };
        let noise = 0.2 * libm::sin(k as f64 * 7.7);
        before.record(60.0, kw, kvar + noise);
        after.record(60.0, kw, kvar - step + noise);
        half.record(60.0, kw, kvar - step / 2.0 + noise);
    }
    let v = run(&before.log, &after.log, vec![automatic.clone()]);
    near(v.total.expected_var.unwrap(), 40e3 * 2.0 / 3.0, 100.0);
    assert_eq!(v.verdict.outcome, Outcome::Worked, "{:?}", v.verdict);
    let v = run(&before.log, &half.log, vec![automatic]);
    assert_eq!(v.verdict.outcome, Outcome::Partly, "{:?}", v.verdict);
}

#[test]
fn ranges_that_cannot_be_compared_are_refused_with_a_cure() {
    let mut before = at("2026-03-02T00:00:00Z");
    ramp(&mut before, 1440, 0.0);
    let mut after = at("2026-03-09T00:00:00Z");
    ramp(&mut after, 1440, 10.0);
    let terms = Terms::new(vec![unit(10.0, 400.0, Connection::Delta)]);
    let refuse = |b: &IntervalLog, a: &IntervalLog| verify(b, a, &site(), &terms).unwrap_err();
    let empty = IntervalLog::default();
    assert!(matches!(refuse(&empty, &after.log), VerifyError::Empty { range: "before", .. }));
    assert!(matches!(refuse(&before.log, &empty), VerifyError::Empty { range: "after", .. }));
    assert!(matches!(refuse(&after.log, &before.log), VerifyError::WrongOrder { .. }));
    let mut overlapping = at("2026-03-02T12:00:00Z");
    ramp(&mut overlapping, 1440, 10.0);
    assert!(matches!(refuse(&before.log, &overlapping.log), VerifyError::Overlap { .. }));
    let mut back = after.clone();
    back.log.p_w.iter_mut().flatten().for_each(|p| *p = -*p);
    let e = refuse(&before.log, &back.log);
    assert!(e.to_string().contains("wattless hookup"), "{e}");
    let mut single = after.clone();
    for c in [&mut single.log.v_rms_v, &mut single.log.i_rms_a] {
        c[1..].iter_mut().flatten().for_each(|x| *x = 0.0);
    }
    assert!(matches!(
        refuse(&before.log, &single.log),
        VerifyError::Phases { before: 3, after: 1 }
    ));
    let mut other = after.clone();
    other.log.v_rms_v.iter_mut().flatten().for_each(|v| *v *= 1.73);
    assert!(matches!(refuse(&before.log, &other.log), VerifyError::Supply { .. }));
    let mut torn = after.clone();
    torn.log.q1_var[1].pop();
    assert!(matches!(refuse(&before.log, &torn.log), VerifyError::Damaged { range: "after" }));
    let mut few = at("2026-03-09T00:00:00Z");
    ramp(&mut few, 5, 10.0);
    assert!(matches!(refuse(&before.log, &few.log), VerifyError::TooFew { .. }));
}

/// Claimed: 95 % of true ratios lie within the uncertainty, and hardly any verdict is wrong.
/// The limits are what a fair 95 % stays above in 999 of 1000 runs of 120 (binomial: 105).
#[test]
fn drawn_pairs_are_judged_right() {
    let (mut wrong, mut right, mut covered) = (0, 0, 0);
    let pairs = 120;
    for seed in 0..pairs {
        let truth = Truth::ALL[(seed % 5) as usize];
        let pair = Pair::draw(100_000 + seed, truth, 7.0, 300.0);
        let v =
            verify(&pair.before, &pair.after, &Site::default(), &Terms::new(pair.units)).unwrap();
        let want = match truth {
            Truth::Whole => Outcome::Worked,
            Truth::Nothing => Outcome::Not,
            _ => Outcome::Partly,
        };
        let got = v.verdict.outcome;
        right += u32::from(got == want);
        wrong += u32::from(got != want && got != Outcome::CannotTell);
        let off = v.total.ratio.unwrap() - pair.ratio;
        covered += u32::from(off.abs() <= v.total.ratio_uncertainty.unwrap());
    }
    assert!(covered >= 105, "{covered} of {pairs} covered");
    assert!(wrong <= 6 && right >= 100, "{right} right, {wrong} wrong of {pairs}");
}
