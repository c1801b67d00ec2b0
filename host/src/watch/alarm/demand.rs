//! Power factor of the demand interval, and where its demand is heading.

use super::gate::Side;
use super::{AlarmTerms, Finding, Kind, Observed};
use crate::site::{DemandKind, Site};
use wattless_core::demand::{Demand, DemandMeter, DemandRule, Energy};

/// Share of an interval that must be over before its end is projected.
const PROJECT_FROM: f64 = 0.3;

/// Rules of the demand interval.
pub struct DemandRules {
    meter: Option<DemandMeter>,
    interval_s: f64,
    target_pf: f64,
    /// Energies of the last five minutes: seconds, Wh, varh.
    recent: Vec<(f64, f64, f64)>,
    /// Demands that ended with the newest record.
    ended: Vec<Demand>,
    /// Where the running interval is heading, if that can be told: kW, kvar.
    pub heading: Option<(f64, f64)>,
}

impl DemandRules {
    /// Rules of a site.
    pub fn new(site: &Site) -> DemandRules {
        let rule: Option<DemandRule> = match site.demand.kind {
            DemandKind::Block => site.demand.block(),
            DemandKind::Sliding => site.demand.sliding(),
        };
        DemandRules {
            interval_s: rule.map_or(0.0, |r| r.interval_s()),
            meter: rule.map(DemandMeter::new),
            target_pf: site.power_factor.target,
            recent: Vec::new(),
            ended: Vec::new(),
            heading: None,
        }
    }

    pub(super) fn take(&mut self, o: &Observed, t: &AlarmTerms, found: &mut Vec<Finding>) {
        let Some(meter) = &mut self.meter else { return };
        let hours = o.seconds / 3600.0;
        let (p_wh, q1_varh) = (o.p_w * hours, o.q1_var * hours);
        let start_ms = o.end_ms - (o.seconds * 1000.0) as i64;
        self.ended.clear();
        let ended = &mut self.ended;
        meter.add(start_ms, o.end_ms, &Energy { p_wh, q1_varh, s_vah: 0.0 }, &mut |d| {
            ended.push(*d)
        });
        for d in self.ended.iter().filter(|d| d.is_complete()) {
            let counts = o.usual_peak_w > 0.0 && d.p_w > t.counts_from_share * o.usual_peak_w;
            let pf = (counts && d.s_va > 0.0).then(|| d.p_w / d.s_va);
            let lagging = if d.q1_var >= 0.0 { "lagging" } else { "leading" };
            found.push(Finding {
                kind: Kind::LowPowerFactor,
                part: String::new(),
                side: Side::below(pf, self.target_pf, (self.target_pf + 0.01).min(0.999)),
                // A step of this rule is an interval, whatever the record's length.
                hold_s: f64::from(t.power_factor_intervals) * o.seconds,
                rest_s: f64::from(t.power_factor_intervals) * o.seconds,
                evidence: format!(
                    "Power factor {:.2} {lagging} in the demand interval, at {:.1} kW and \
                     {:.1} kvar; target {:.2}",
                    pf.unwrap_or(0.0),
                    d.p_w / 1e3,
                    d.q1_var / 1e3,
                    self.target_pf
                ),
            });
        }
        self.recent.push((o.seconds, p_wh, q1_varh));
        let mut kept = 0.0;
        let from = self.recent.iter().rposition(|r| {
            kept += r.0;
            kept >= 300.0
        });
        self.recent.drain(..from.unwrap_or(0));
        self.project(o, t, found);
    }

    /// Energy so far plus the mean of the last five minutes for the rest of the interval.
    fn project(&mut self, o: &Observed, t: &AlarmTerms, found: &mut Vec<Finding>) {
        self.heading = None;
        let Some(meter) = &self.meter else { return };
        let running = meter.running();
        let left_s = (running.end_ms - o.end_ms) as f64 / 1000.0;
        let gone = 1.0 - left_s / self.interval_s;
        if gone < PROJECT_FROM || left_s <= 0.0 {
            return;
        }
        let seconds: f64 = self.recent.iter().map(|r| r.0).sum();
        if seconds <= 0.0 {
            return;
        }
        let mean = |of: fn(&(f64, f64, f64)) -> f64| {
            self.recent.iter().map(of).sum::<f64>() / seconds * 3600.0
        };
        let rest = left_s / self.interval_s;
        let kw = (running.p_w + mean(|r| r.1) * rest) / 1e3;
        let kvar = (running.q1_var + mean(|r| r.2) * rest) / 1e3;
        self.heading = Some((kw, kvar));
        let kva = libm::sqrt(kw * kw + kvar * kvar);
        let limits = [(t.demand_limit_kw, kw, "kW"), (t.demand_limit_kva, kva, "kVA")];
        for (limit, heading, unit) in limits {
            let Some(limit) = limit else { continue };
            found.push(Finding {
                kind: Kind::DemandLimit,
                part: unit.to_owned(),
                side: Side::above(Some(heading), limit, 0.97 * limit),
                // The interval does not wait: two records that agree are enough.
                hold_s: 2.0 * o.seconds,
                rest_s: 2.0 * o.seconds,
                evidence: format!(
                    "Heading for {heading:.1} {unit} with {:.0} min to go; limit {limit:.1} {unit}",
                    left_s / 60.0
                ),
            });
        }
    }
}
