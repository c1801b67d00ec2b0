//! The survey's verdict: each answer, with what leads to it.

use wattless::analyse::survey::survey;
use wattless::analyse::survey::verdict::{Cause, Class, Obstacle, Verdict};
use wattless::site::Site;
use wattless_core::flags::Flags;
use wattless_tests::made_log::{LogMaker, at, kvar, production_week};

fn verdict(log: &LogMaker) -> Verdict {
    survey(&log.log, &Site::default()).unwrap().verdict
}

fn answer(log: &LogMaker) -> (Class, Vec<Cause>) {
    let v = verdict(log);
    assert!(v.obstacles.is_empty() && v.so_far.is_none(), "{v:?}");
    (v.class, v.causes)
}

/// A load at a power factor, in kW and kvar.
fn load(kw: f64, pf: f64) -> (f64, f64) {
    (kw, kvar(kw, pf))
}

#[test]
fn good_when_the_target_is_met() {
    let log = production_week(load(100.0, 0.97), load(20.0, 0.96));
    assert_eq!(answer(&log), (Class::Good, vec![]));
}

/// Low PF at nights and weekends only, at 3 % of the peak: few kvar, little at stake.
#[test]
fn low_at_low_demand_is_not_worth_fixing() {
    let log = production_week(load(100.0, 0.97), load(3.0, 0.5));
    assert_eq!(answer(&log), (Class::NotWorthFixing, vec![Cause::OnlyAtLowDemand]));
}

/// At 0.94 all the time the target is missed by 3.4 kvar of 106 kVA.
#[test]
fn a_narrow_miss_is_not_worth_fixing() {
    let log = production_week(load(100.0, 0.94), load(20.0, 0.94));
    assert_eq!(answer(&log), (Class::NotWorthFixing, vec![Cause::FewKvar]));
}

#[test]
fn low_at_full_load_is_worth_fixing() {
    let log = production_week(load(100.0, 0.75), load(20.0, 0.75));
    let causes = vec![Cause::LackingAtPeak, Cause::LackingOnAverage];
    assert_eq!(answer(&log), (Class::WorthFixing, causes));
}

/// A large motor that idles all night lacks much even though the demand is low.
#[test]
fn many_kvar_at_low_demand_are_worth_fixing() {
    let log = production_week(load(100.0, 0.97), (5.0, 40.0));
    assert_eq!(answer(&log), (Class::WorthFixing, vec![Cause::LackingAtLowDemand]));
}

/// Capacitors that stay on at night.
#[test]
fn too_much_capacitance_is_worth_fixing() {
    let log = production_week(load(100.0, 0.97), (5.0, -60.0));
    assert_eq!(answer(&log), (Class::WorthFixing, vec![Cause::LeadingOnAverage]));
    let peak = production_week((100.0, -60.0), (5.0, 0.0));
    assert!(answer(&peak).1.contains(&Cause::LeadingAtPeak));
}

/// kvar cannot mend what harmonics do: displacement PF near 1 while PF is low.
#[test]
fn harmonics_are_told_from_kvar() {
    let mut log = at("2026-06-01T00:00:00Z");
    log.distortion = 0.8;
    log.records(7 * 288, 300.0, 80.0, 10.0);
    assert_eq!(answer(&log), (Class::NotWorthFixing, vec![Cause::Harmonics]));
}

/// One phase leads while the others lag: together they meet the target, apart they do not.
#[test]
fn phases_that_differ_are_told_from_harmonics() {
    let mut log = at("2026-06-01T00:00:00Z");
    log.records(7 * 288, 300.0, 90.0, 0.0);
    for (k, q) in [30e3, -30e3, 0.0].into_iter().enumerate() {
        log.log.q1_var[k].fill(q);
        log.log.s_va[k].fill(libm::sqrtf(30e3 * 30e3 + q * q));
    }
    assert_eq!(answer(&log), (Class::NotWorthFixing, vec![Cause::PhasesDiffer]));
}

#[test]
fn a_short_log_cannot_tell() {
    let mut short = at("2026-06-01T00:00:00Z");
    short.records(2 * 288, 300.0, 100.0, 100.0);
    let v = verdict(&short);
    assert_eq!((v.class, v.so_far), (Class::CannotTell, Some(Class::WorthFixing)));
    assert_eq!(v.obstacles, [Obstacle::WeekNotCovered { hours_seen: 48, hours_needed: 160 }]);
}

/// Two weeks with every other hour missing, so that every hour of the week was seen once.
#[test]
fn a_torn_log_cannot_tell() {
    let mut torn = at("2026-06-01T00:00:00Z");
    for hour in 0..336 {
        if (hour + hour / 168) % 2 == 0 {
            torn.records(12, 300.0, 100.0, 100.0);
        } else {
            torn.pause(3600.0);
        }
    }
    let v = verdict(&torn);
    assert_eq!(v.class, Class::CannotTell);
    assert!(matches!(v.obstacles[..], [Obstacle::Incomplete { .. }]), "{v:?}");
}

#[test]
fn doubtful_values_cannot_tell() {
    let mut clipped = production_week((100.0, 75.0), (10.0, 20.0));
    clipped.log.flags.iter_mut().step_by(5).for_each(|f| *f |= Flags::I_CLIPPED.0);
    let v = verdict(&clipped);
    assert!(matches!(v.obstacles[..], [Obstacle::Doubtful { .. }]), "{v:?}");
}

/// Clamps that face the wrong way look like a plant that only gives back.
#[test]
fn energy_that_flows_back_cannot_tell() {
    let v = verdict(&production_week((-100.0, 75.0), (-10.0, 20.0)));
    assert_eq!((v.class, v.so_far), (Class::CannotTell, None));
    assert!(v.obstacles.contains(&Obstacle::FlowsBack));
}

/// A dead feeder at the weekend has no fundamental: that is no doubt about the log.
#[test]
fn a_dead_feeder_is_not_a_doubtful_one() {
    let mut log = at("2026-06-01T00:00:00Z");
    log.records(5 * 288, 300.0, 100.0, 75.0);
    for _ in 0..2 * 288 {
        log.flags = Flags::NO_FUNDAMENTAL.with(Flags::V_MISSING);
        log.record(300.0, 0.0, 0.0);
    }
    let s = survey(&log.log, &Site::default()).unwrap();
    assert_eq!(s.completeness.doubtful_records, 0);
    assert_eq!(s.verdict.class, Class::WorthFixing);
}
