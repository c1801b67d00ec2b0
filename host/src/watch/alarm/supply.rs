//! Conditions of supply, load and inputs that one record shows.

use super::gate::Side;
use super::{AlarmTerms, Finding, Kind, Observed};
use crate::analyse::survey::clock::{HOUR_MS, hour_of_week};
use crate::site::{Site, WorkingHours};
use jiff::{Timestamp, tz::TimeZone};
use wattless_core::complex::Complex;
use wattless_core::flags::Flags;
use wattless_core::hookup::{self, HookupInput, LoadKind, Verdict};
use wattless_core::sequence::Components;

/// A phase below this share of nominal is lost (common practice).
const LOST_SHARE: f64 = 0.5;

/// Records between two connection checks while nothing looks wrong.
const CHECK_EVERY: u32 = 5;

/// Hour of the week of the plant's clocks, 0 from Monday 00 h.
fn local_hour_of_week(zone: &TimeZone, at_ms: i64) -> usize {
    let offset_s = Timestamp::from_millisecond(at_ms).map_or(0, |t| zone.to_offset(t).seconds());
    hour_of_week((at_ms + i64::from(offset_s) * 1000).div_euclid(HOUR_MS))
}

/// Rules of supply, load and inputs.
pub struct SupplyRules {
    hours: WorkingHours,
    zone: TimeZone,
    records: u32,
    /// The last answer of the connection check and whether one was ever right.
    connection: Side,
    was_right: bool,
    connection_words: String,
}

impl SupplyRules {
    /// Rules of a site.
    pub fn new(site: &Site) -> SupplyRules {
        SupplyRules {
            hours: site.working_hours,
            zone: site.time_zone.clone(),
            records: 0,
            connection: Side::Unknown,
            was_right: false,
            connection_words: String::new(),
        }
    }

    pub(super) fn take(&mut self, o: &Observed, t: &AlarmTerms, found: &mut Vec<Finding>) {
        self.voltages(o, t, found);
        self.currents(o, t, found);
        self.inputs(o, t, found);
        self.connection(o, t, found);
        if t.out_of_hours && o.usual_peak_w > 0.0 {
            let limit = t.out_of_hours_share * o.usual_peak_w;
            let worked = self.hours.contains(local_hour_of_week(&self.zone, o.end_ms - 1));
            let side = match worked {
                true => Side::Good,
                false => Side::above(Some(o.p_w), limit, 0.8 * limit),
            };
            found.push(Finding {
                kind: Kind::OutOfHours,
                part: String::new(),
                side,
                hold_s: 3.0 * t.hold_s,
                rest_s: t.rest_s,
                evidence: format!(
                    "{:.1} kW outside working hours; the usual peak is {:.1} kW",
                    o.p_w / 1e3,
                    o.usual_peak_w / 1e3
                ),
            });
        }
    }

    fn voltages(&self, o: &Observed, t: &AlarmTerms, found: &mut Vec<Finding>) {
        let n = o.record.wiring.phases();
        let mut all = Vec::new();
        for (k, phase) in o.record.phases.iter().take(n).enumerate() {
            let v = f64::from(phase.v_rms_v);
            all.push(v);
            let Some(nominal) = o.nominal_v else { continue };
            let part = format!("L{}", k + 1);
            let band = t.voltage_band_pct / 100.0;
            let off = 100.0 * (v / nominal - 1.0);
            let words = format!("{v:.1} V against {nominal:.1} V nominal ({off:+.1} %)");
            let lost = v < LOST_SHARE * nominal;
            found.push(Finding {
                kind: Kind::PhaseLost,
                part: part.clone(),
                side: Side::below(Some(v), LOST_SHARE * nominal, (1.0 - band) * nominal),
                hold_s: 60.0,
                rest_s: t.rest_s,
                evidence: words.clone(),
            });
            // A phase that is gone is not also "low".
            let low = (1.0 - band) * nominal;
            let side = if lost { Side::Unknown } else { Side::below(Some(v), low, 1.01 * low) };
            found.push(Finding {
                kind: Kind::VoltageLow,
                part: part.clone(),
                side,
                hold_s: t.hold_s,
                rest_s: t.rest_s,
                evidence: words.clone(),
            });
            let high = (1.0 + band) * nominal;
            found.push(Finding {
                kind: Kind::VoltageHigh,
                part,
                side: Side::above(Some(v), high, 0.99 * high),
                hold_s: t.hold_s,
                rest_s: t.rest_s,
                evidence: words,
            });
        }
        if n == 3 && !o.record.flags.contains(Flags::NO_FUNDAMENTAL) {
            let [a, b, c, ..] =
                o.record.channels.map(|[re, im]| Complex::new(f64::from(re), f64::from(im)));
            let u2 = Components::of([a, b, c]).negative_ratio().map(|r| 100.0 * r.min(1.0 / r));
            found.push(Finding {
                kind: Kind::VoltageUnbalance,
                part: String::new(),
                side: Side::above(u2, t.voltage_unbalance_pct, 0.9 * t.voltage_unbalance_pct),
                hold_s: t.hold_s,
                rest_s: t.rest_s,
                evidence: format!(
                    "Negative sequence {:.1} % of the positive; limit {:.1} %",
                    u2.unwrap_or(0.0),
                    t.voltage_unbalance_pct
                ),
            });
        }
    }

    fn currents(&self, o: &Observed, t: &AlarmTerms, found: &mut Vec<Finding>) {
        let n = o.record.wiring.phases();
        let amps: Vec<f64> = o.record.phases.iter().take(n).map(|p| f64::from(p.i_rms_a)).collect();
        let loaded = o.usual_peak_w > 0.0 && o.p_w > t.counts_from_share * o.usual_peak_w;
        if n == 3 {
            let mean = amps.iter().sum::<f64>() / 3.0;
            let off = amps.iter().map(|a| libm::fabs(a - mean)).fold(0.0, f64::max);
            let pct = (loaded && mean > 0.0).then(|| 100.0 * off / mean);
            found.push(Finding {
                kind: Kind::CurrentUnbalance,
                part: String::new(),
                side: Side::above(pct, t.current_unbalance_pct, 0.9 * t.current_unbalance_pct),
                hold_s: t.hold_s,
                rest_s: t.rest_s,
                evidence: format!(
                    "{:.1}, {:.1} and {:.1} A: {:.0} % off their mean; limit {:.0} %",
                    amps[0],
                    amps[1],
                    amps[2],
                    pct.unwrap_or(0.0),
                    t.current_unbalance_pct
                ),
            });
        }
        if let Some(rated) = t.rated_a {
            let most = amps.iter().copied().fold(0.0, f64::max);
            let limit = rated * t.overload_pct / 100.0;
            found.push(Finding {
                kind: Kind::Overload,
                part: String::new(),
                side: Side::above(Some(most), limit, 0.95 * limit),
                hold_s: t.hold_s,
                rest_s: t.rest_s,
                evidence: format!("{most:.1} A; rated {rated:.1} A"),
            });
        }
    }

    fn inputs(&self, o: &Observed, t: &AlarmTerms, found: &mut Vec<Finding>) {
        for (flag, part) in [(Flags::V_CLIPPED, "voltage"), (Flags::I_CLIPPED, "current")] {
            let clipped = o.record.flags.contains(flag);
            found.push(Finding {
                kind: Kind::Clipped,
                part: part.to_owned(),
                side: if clipped { Side::Bad } else { Side::Good },
                // A motor start may clip for seconds: that is one record, or two at a boundary.
                hold_s: (2.5 * o.seconds).max(120.0),
                rest_s: 6.0 * t.rest_s,
                evidence: format!(
                    "A {part} input stood at the end of its range, record {}",
                    o.record.seq
                ),
            });
        }
    }

    fn connection(&mut self, o: &Observed, t: &AlarmTerms, found: &mut Vec<Finding>) {
        self.records += 1;
        let loaded =
            o.usual_peak_w > 0.0 && libm::fabs(o.p_w) > t.counts_from_share * o.usual_peak_w;
        if loaded && (self.records.is_multiple_of(CHECK_EVERY) || self.connection == Side::Bad) {
            let phasors =
                o.record.channels.map(|[re, im]| Complex::new(f64::from(re), f64::from(im)));
            let mut input = HookupInput::new(o.record.wiring, phasors, o.record.frequency_hz());
            if !t.units_kvar.is_empty() {
                input.load = LoadKind::Corrected;
            }
            let report = hookup::check(&input);
            self.connection = match report.verdict {
                Verdict::Right => Side::Good,
                Verdict::Wrong if self.was_right => Side::Bad,
                _ => Side::Unknown,
            };
            self.was_right |= report.verdict == Verdict::Right;
            if report.verdict == Verdict::Wrong {
                let leads: Vec<_> = report.moves().iter().map(|m| m.lead.name()).collect();
                self.connection_words = format!(
                    "The phasors of record {} do not fit the connection that was right before \
                     (leads concerned: {})",
                    o.record.seq,
                    leads.join(", ")
                );
            }
        }
        let side = if loaded { self.connection } else { Side::Unknown };
        found.push(Finding {
            kind: Kind::Connection,
            part: String::new(),
            side,
            hold_s: t.hold_s,
            rest_s: t.rest_s,
            evidence: self.connection_words.clone(),
        });
    }
}
