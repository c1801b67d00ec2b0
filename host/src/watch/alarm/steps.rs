//! The bank's steps: leading at idle, and steps that were seen switching and no longer are.

use super::gate::Side;
use super::{AlarmTerms, Finding, Kind, Observed};

/// A step must have been seen this often before its silence means something.
const SEEN: u32 = 10;

/// Running time without a switch that counts as silence: several times the usual, and a day.
const SILENT_S: f64 = 86_400.0;

/// Below this share of the usual peak the feeder idles.
const IDLE_SHARE: f64 = 0.05;

/// How often a size of unit was seen switching.
#[derive(Clone, Copy, Debug, Default)]
struct Size {
    var: f64,
    seen: u32,
    quiet_s: f64,
    usual_quiet_s: f64,
}

/// Rules of the bank's steps.
pub struct StepRules {
    switched: bool,
    sizes: Vec<Size>,
    last: Option<(f64, f64, i64)>,
}

impl StepRules {
    /// Rules of a bank.
    pub fn new(terms: &AlarmTerms) -> StepRules {
        let mut sizes: Vec<f64> = terms.units_kvar.iter().map(|k| k * 1e3).collect();
        sizes.sort_by(f64::total_cmp);
        // Units of one size cannot be told apart by their step.
        sizes.dedup_by(|a, b| *a < 1.25 * *b);
        let sizes = sizes.into_iter().map(|var| Size { var, ..Size::default() }).collect();
        StepRules { switched: terms.switched, sizes, last: None }
    }

    pub(super) fn take(&mut self, o: &Observed, t: &AlarmTerms, found: &mut Vec<Finding>) {
        if o.usual_peak_w <= 0.0 {
            return;
        }
        let idle = o.p_w < IDLE_SHARE * o.usual_peak_w;
        if !t.units_kvar.is_empty() {
            let limit = t.idle_leading_share * o.usual_peak_w;
            let leading = idle.then_some(-o.q1_var);
            found.push(Finding {
                kind: Kind::LeadingAtIdle,
                part: String::new(),
                side: if idle { Side::above(leading, limit, 0.7 * limit) } else { Side::Unknown },
                hold_s: 6.0 * t.hold_s,
                rest_s: t.rest_s,
                evidence: format!(
                    "{:.1} kvar leading at {:.1} kW, while the usual peak is {:.1} kW",
                    -o.q1_var / 1e3,
                    o.p_w / 1e3,
                    o.usual_peak_w / 1e3
                ),
            });
        }
        if self.switched {
            self.switching(o, t, found);
        }
    }

    fn switching(&mut self, o: &Observed, t: &AlarmTerms, found: &mut Vec<Finding>) {
        let start_ms = o.end_ms - (o.seconds * 1000.0) as i64;
        let step = self
            .last
            .filter(|l| (start_ms - l.2).abs() < 2000)
            .map(|l| (o.p_w - l.0, o.q1_var - l.1));
        self.last = Some((o.p_w, o.q1_var, o.end_ms));
        let running = o.p_w > t.counts_from_share * o.usual_peak_w;
        for (k, size) in self.sizes.iter_mut().enumerate() {
            if running {
                size.quiet_s += o.seconds;
            }
            // A load's step moves kW too; a capacitor's hardly.
            let switched = step.is_some_and(|(dp, dq)| {
                let off = libm::fabs(libm::fabs(dq) - size.var) / size.var;
                off < 0.25 && libm::fabs(dp) < 0.3 * libm::fabs(dq)
            });
            if switched {
                size.seen += 1;
                size.usual_quiet_s = size.usual_quiet_s.max(size.quiet_s);
                size.quiet_s = 0.0;
            }
            let limit = SILENT_S.max(4.0 * size.usual_quiet_s);
            let known = (size.seen >= SEEN).then_some(size.quiet_s);
            let side = match known {
                Some(_) if switched => Side::Good,
                Some(_) if running => Side::above(known, limit, 0.0),
                _ => Side::Unknown,
            };
            found.push(Finding {
                kind: Kind::StepSilent,
                part: format!("step size {}", k + 1),
                side,
                hold_s: 0.0,
                rest_s: 0.0,
                evidence: format!(
                    "No step of about {:.1} kvar for {:.0} running hours; before, one came at \
                     least every {:.0}",
                    size.var / 1e3,
                    size.quiet_s / 3600.0,
                    size.usual_quiet_s / 3600.0
                ),
            });
        }
    }
}
