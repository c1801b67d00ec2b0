//! Power factor of the demand interval, and where its demand is heading.

use super::gate::{Side, Times};
use super::judge::{Judge, WHOLE};
use super::{AlarmTerms, Kind, Observed};
use crate::site::{Apparent, Site};
use std::collections::VecDeque;
use wattless_core::demand::{Demand, DemandMeter, DemandRule, Energy};

/// Share of an interval that must be over before its end is projected.
const PROJECT_FROM: f64 = 0.3;

/// Time whose power is taken for that of the rest of the interval, in seconds.
const RECENT_S: f64 = 300.0;

/// Share of that time left out at either end, so that a motor start projects nothing.
const TRIM: f64 = 0.2;

/// Seconds for which a projection must stay over its limit; the interval does not wait longer.
const HOLD_S: f64 = 60.0;

/// Share of the limit below which a demand is well.
const WELL_SHARE: f64 = 0.95;

/// Intervals in a row that must end well to clear.
const WELL_INTERVALS: u32 = 2;

/// A power factor must be well for so many times the intervals that raise: one that hovers about
/// its target is one alarm, not one a day.
const WELL_AGAIN: u32 = 4;

/// Power of a record: seconds, kW, kvar, measured kVA.
type Slice = [f64; 4];

/// Rules of the demand interval.
#[derive(Clone)]
pub struct DemandRules {
    rule: Option<DemandRule>,
    meter: Option<DemandMeter>,
    interval_s: f64,
    /// Seconds that the plant's clocks were ahead of UTC when the meter was made.
    offset_s: i32,
    target_pf: f64,
    apparent: Apparent,
    recent: VecDeque<Slice>,
    /// Where the running interval is heading, if that can be told: kW, kvar.
    pub heading: Option<(f64, f64)>,
}

impl DemandRules {
    /// Rules of a site.
    pub fn new(site: &Site) -> DemandRules {
        let rule = site.demand.billed();
        DemandRules {
            interval_s: rule.map_or(0.0, |r| r.interval_s()),
            rule,
            meter: None,
            offset_s: 0,
            target_pf: site.power_factor.target,
            apparent: site.demand.apparent,
            recent: VecDeque::new(),
            heading: None,
        }
    }

    /// Time went back or the plant's clocks moved: the interval under way is given up.
    pub(super) fn restart(&mut self) {
        self.meter = None;
        self.recent.clear();
        self.heading = None;
    }

    pub(super) fn take(&mut self, o: &Observed, t: &AlarmTerms, judge: &mut Judge) {
        let Some(rule) = self.rule else { return };
        if !o.usable {
            // The interval stays incomplete, and is no demand.
            self.heading = None;
            return;
        }
        let measured_va = match self.apparent {
            Apparent::Vector => f64::NAN,
            Apparent::Arithmetic => o.record.s_arithmetic_va(),
            Apparent::Effective => f64::from(o.record.s_effective_va),
        };
        let s_va = if measured_va.is_finite() { measured_va } else { libm::hypot(o.p_w, o.q1_var) };
        let hours = o.seconds / 3600.0;
        let energy = Energy { p_wh: o.p_w * hours, q1_varh: o.q1_var * hours, s_vah: s_va * hours };
        let start_ms = o.end_ms - (o.seconds * 1000.0) as i64;
        // Summer time moves the boundaries of intervals that do not divide its step.
        let moved_s = f64::from(o.zone_offset_s - self.offset_s);
        if libm::remainder(moved_s, self.interval_s) != 0.0 {
            self.restart();
        }
        self.offset_s = o.zone_offset_s;
        let mut ended: Vec<Demand> = Vec::new();
        self.meter
            .get_or_insert_with(|| DemandMeter::new(rule.by_clocks_ahead_s(o.zone_offset_s)))
            .add(start_ms, o.end_ms, &energy, &mut |d| ended.push(*d));
        for d in ended.iter().filter(|d| d.is_complete()) {
            self.power_factor(o, t, d, judge);
            self.over(t, d, judge);
        }
        self.recent.push_back([o.seconds, o.p_w / 1e3, o.q1_var / 1e3, s_va / 1e3]);
        let mut kept: f64 = self.recent.iter().map(|r| r[0]).sum();
        while let Some(first) = self.recent.front()
            && kept - first[0] >= RECENT_S
        {
            kept -= first[0];
            self.recent.pop_front();
        }
        self.project(o, t, judge);
    }

    fn power_factor(&self, o: &Observed, t: &AlarmTerms, d: &Demand, judge: &mut Judge) {
        let counts = o.usual_peak_w.is_some_and(|peak| d.p_w > t.counts_from_share * peak);
        let pf = (counts && d.s_va > 0.0).then(|| d.p_w / d.s_va);
        // A step of this rule is an interval, whatever the record's length.
        let stands = judge.stands(Kind::LowPowerFactor, "");
        let records = t.power_factor_intervals.saturating_mul(if stands { WELL_AGAIN } else { 1 });
        let times = Times { hold_s: 0.0, rest_s: 0.0, records };
        let side = Side::below(pf, self.target_pf, (self.target_pf + 0.01).min(0.999));
        judge.condition(Kind::LowPowerFactor, WHOLE, side, times, || {
            format!(
                "Power factor {} {} in the demand interval, at {:.1} kW and {:.1} kvar; \
                 target {:.2}",
                below(pf.unwrap_or(0.0), self.target_pf),
                if d.q1_var >= 0.0 { "lagging" } else { "leading" },
                d.p_w / 1e3,
                d.q1_var / 1e3,
                self.target_pf
            )
        });
    }

    fn kva(&self, kw: f64, kvar: f64, measured_kva: f64) -> f64 {
        match self.apparent {
            Apparent::Vector => libm::hypot(kw, kvar),
            _ => measured_kva,
        }
    }

    /// Limits, and what is held against them.
    fn limits(t: &AlarmTerms, kw: f64, kva: f64) -> [(Option<f64>, f64, &'static str); 2] {
        // A feeder that gives back has no demand, whatever its kVA.
        let kva = if kw < 0.0 { 0.0 } else { kva };
        [(t.demand_limit_kw, kw, "kW"), (t.demand_limit_kva, kva, "kVA")]
    }

    /// An interval that has ended: long records know of it no sooner, and it is a fact.
    fn over(&self, t: &AlarmTerms, d: &Demand, judge: &mut Judge) {
        let kw = d.p_w / 1e3;
        let kva = self.kva(kw, d.q1_var / 1e3, d.s_metered_va / 1e3);
        for (limit, demand, unit) in DemandRules::limits(t, kw, kva) {
            let Some(limit) = limit else { continue };
            let side = Side::above(Some(demand), limit, WELL_SHARE * limit);
            let stands = judge.stands(Kind::DemandLimit, unit);
            let records = if stands { WELL_INTERVALS } else { 1 };
            let times = Times { hold_s: 0.0, rest_s: 0.0, records };
            judge.condition(Kind::DemandLimit, unit, side, times, || {
                format!("The interval ended with {demand:.1} {unit}; limit {limit:.1} {unit}")
            });
        }
    }

    /// Energy so far plus the power of the last minutes for the rest of the interval.
    fn project(&mut self, o: &Observed, t: &AlarmTerms, judge: &mut Judge) {
        self.heading = None;
        let Some(running) = self.meter.as_ref().map(DemandMeter::running) else { return };
        let left_s = (running.end_ms - o.end_ms) as f64 / 1000.0;
        let gone = 1.0 - left_s / self.interval_s;
        // With data missing the energy so far is not known.
        if left_s <= 0.0 || gone < PROJECT_FROM || running.coverage < gone - 0.02 {
            return;
        }
        let rest = left_s / self.interval_s;
        let kw = running.p_w / 1e3 + self.level(1) * rest;
        let kvar = running.q1_var / 1e3 + self.level(2) * rest;
        let measured = running.s_metered_va / 1e3 + self.level(3) * rest;
        self.heading = Some((kw, kvar));
        for (limit, heading, unit) in DemandRules::limits(t, kw, self.kva(kw, kvar, measured)) {
            let Some(limit) = limit else { continue };
            let side = match Side::above(Some(heading), limit, WELL_SHARE * limit) {
                // Only intervals that have ended well clear it.
                Side::Good if judge.stands(Kind::DemandLimit, unit) => Side::Unknown,
                side => side,
            };
            judge.condition(Kind::DemandLimit, unit, side, Times::new(HOLD_S, HOLD_S), || {
                format!(
                    "Heading for {heading:.1} {unit} with {:.0} min to go; limit {limit:.1} {unit}",
                    left_s / 60.0
                )
            });
        }
    }

    /// Mean over the last minutes without the highest and the lowest fifth of the time.
    fn level(&self, of: usize) -> f64 {
        let mut slices: Vec<(f64, f64)> = self.recent.iter().map(|r| (r[of], r[0])).collect();
        slices.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
        let all: f64 = slices.iter().map(|s| s.1).sum();
        let (low, high) = (TRIM * all, (1.0 - TRIM) * all);
        let (mut at, mut sum, mut weight) = (0.0, 0.0, 0.0);
        for (value, seconds) in slices {
            let inside = (at + seconds).min(high) - f64::max(at, low);
            if inside > 0.0 {
                sum += inside * value;
                weight += inside;
            }
            at += seconds;
        }
        if weight > 0.0 { sum / weight } else { 0.0 }
    }
}

/// A power factor with as many digits as it takes to see that it is below its target.
fn below(pf: f64, target: f64) -> String {
    let digits = (2..6).find(|d| {
        libm::rint(pf * libm::pow(10.0, f64::from(*d)))
            < libm::rint(target * libm::pow(10.0, f64::from(*d)))
    });
    format!("{pf:.*}", digits.unwrap_or(2) as usize)
}
