//! The bank's steps: leading at idle, and steps that no longer switch, or never did.

use super::bank::BankPlan;
use super::gate::{Side, Times};
use super::judge::{Judge, WHOLE};
use super::{AlarmTerms, Kind};

/// A size of step must have been seen this often before its silence means something.
const SEEN: u32 = 10;

/// Running time without a switch that counts as silence: several times the usual, and a day.
const SILENT_S: f64 = 86_400.0;

/// Silence counts from so many times the longest that was usual.
const SILENT_USUAL: f64 = 4.0;

/// Running time, and switches of other sizes, after which a size that was never seen is missed.
const NEVER_S: f64 = 10.0 * 86_400.0;

/// Running time in which kvar of more than such a step were lacking meanwhile, in seconds.
const LACKED_S: f64 = 4.0 * 3600.0;

/// Longest records in which a step of a controller shows as a step, in seconds.
const RECORD_MAX_S: f64 = 120.0;

/// How near a step of kvar must come to a size, as a share.
const NEAR: f64 = 0.25;

/// How much the power may move beside, as a share of the step: a load's step moves kW too.
const STILL: f64 = 0.3;

/// Below this share of the usual peak the feeder idles.
const IDLE_SHARE: f64 = 0.05;

/// Load and reactive power of a record.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Load {
    /// End, Unix milliseconds.
    pub end_ms: i64,
    /// Length in seconds.
    pub seconds: f64,
    /// Total active power, in W.
    pub p_w: f64,
    /// Total reactive power, in var.
    pub q1_var: f64,
    /// Usual peak, in W.
    pub peak_w: f64,
}

/// How often a size of unit was seen switching.
#[derive(Clone, Debug, Default)]
struct Size {
    part: String,
    var: f64,
    seen: u32,
    quiet_s: f64,
    usual_quiet_s: f64,
    /// Running time with more kvar lacking than this size gives.
    lacked_s: f64,
}

/// Rules of the bank's steps.
#[derive(Clone, Debug, Default)]
pub struct StepRules {
    switched: bool,
    any: bool,
    tan_target: f64,
    fixed_var: f64,
    sizes: Vec<Size>,
    running_s: f64,
    /// Power and kvar of the last two records, newest first, and the newest one's end.
    last: [Option<(f64, f64)>; 2],
    last_end_ms: i64,
    /// Records since a step was seen: a step within a record shows in two differences.
    since_step: u32,
}

impl StepRules {
    /// Rules of a bank that aims at a power factor.
    pub fn new(bank: &BankPlan, target_pf: f64) -> StepRules {
        let mut all: Vec<f64> = bank.units.iter().map(|u| u.var).collect();
        all.sort_by(f64::total_cmp);
        // Units of one size cannot be told apart by their step.
        all.dedup_by(|a, b| *a < 1.25 * *b);
        let size = |(k, var)| Size { part: format!("step size {}", k + 1), var, ..Size::default() };
        StepRules {
            switched: bank.switched,
            any: !bank.units.is_empty(),
            fixed_var: bank.fixed_var,
            tan_target: wattless_core::correction::tan_of_pf(target_pf).unwrap_or(0.0),
            sizes: all.into_iter().enumerate().map(size).collect(),
            since_step: 2,
            ..StepRules::default()
        }
    }

    pub(super) fn take(&mut self, o: &Load, t: &AlarmTerms, judge: &mut Judge) {
        if !self.any || !(o.p_w + o.q1_var).is_finite() {
            return;
        }
        // What feeds back does not idle.
        let idle = libm::fabs(o.p_w) < IDLE_SHARE * o.peak_w;
        // What is always on leads at idle by design; voltage may lift it by a tenth squared.
        let margin = t.idle_leading_share * o.peak_w;
        let limit = 1.21 * self.fixed_var + margin;
        let side = Side::above(idle.then_some(-o.q1_var), limit, limit - 0.3 * margin);
        judge.condition(
            Kind::LeadingAtIdle,
            WHOLE,
            side,
            Times::new(6.0 * t.hold_s, t.rest_s),
            || {
                format!(
                    "{:.1} kvar leading at {:.1} kW, while the usual peak is {:.1} kW; units that \
                     are always on account for {:.1} kvar",
                    -o.q1_var / 1e3,
                    o.p_w / 1e3,
                    o.peak_w / 1e3,
                    self.fixed_var / 1e3
                )
            },
        );
        if self.switched && o.seconds <= RECORD_MAX_S {
            self.switching(o, t, judge);
        }
    }

    /// A step of reactive power at the same load, over one record or two; in var.
    fn step(&mut self, o: &Load) -> Option<f64> {
        let start_ms = o.end_ms - (o.seconds * 1000.0) as i64;
        if (start_ms - self.last_end_ms).abs() >= 2000 {
            self.last = [None; 2];
        }
        let found = self.last.into_iter().flatten().map(|(p, q)| (o.p_w - p, o.q1_var - q)).find(
            |(dp, dq)| {
                let fits = |s: &Size| libm::fabs(libm::fabs(*dq) - s.var) < NEAR * s.var;
                libm::fabs(*dp) < STILL * libm::fabs(*dq) && self.sizes.iter().any(fits)
            },
        );
        self.last = [Some((o.p_w, o.q1_var)), self.last[0]];
        self.last_end_ms = o.end_ms;
        self.since_step = self.since_step.saturating_add(1);
        let (_, dq) = found.filter(|_| self.since_step > 2)?;
        self.since_step = 0;
        Some(libm::fabs(dq))
    }

    fn switching(&mut self, o: &Load, t: &AlarmTerms, judge: &mut Judge) {
        let step = self.step(o);
        let running = o.p_w > t.counts_from_share * o.peak_w;
        if running {
            self.running_s += o.seconds;
        }
        let lacking = o.q1_var - o.p_w * self.tan_target;
        let others: u32 = self.sizes.iter().map(|s| s.seen).sum();
        let running_s = self.running_s;
        for size in &mut self.sizes {
            if running {
                size.quiet_s += o.seconds;
                if lacking > size.var {
                    size.lacked_s += o.seconds;
                }
            }
            let switched = step.is_some_and(|dq| libm::fabs(dq - size.var) < NEAR * size.var);
            if switched {
                size.seen += 1;
                size.usual_quiet_s = size.usual_quiet_s.max(size.quiet_s);
                size.quiet_s = 0.0;
                size.lacked_s = 0.0;
            }
            let limit = SILENT_S.max(SILENT_USUAL * size.usual_quiet_s);
            let silent = size.seen >= SEEN && size.quiet_s > limit;
            let never = size.seen == 0 && others >= 3 * SEEN && running_s > NEVER_S;
            let side = match (switched, running) {
                (true, _) => Side::Good,
                (false, true) if silent || (never && size.lacked_s > LACKED_S) => Side::Bad,
                _ => Side::Unknown,
            };
            let times = Times { hold_s: 0.0, rest_s: 0.0, records: 1 };
            judge.condition(Kind::StepSilent, size.part.clone(), side, times, || {
                let kvar = size.var / 1e3;
                let hours = size.quiet_s / 3600.0;
                match size.seen {
                    0 => format!(
                        "No step of about {kvar:.1} kvar was ever seen in {hours:.0} running \
                         hours, {:.0} of them with more than that lacking; others were seen \
                         {others} times",
                        size.lacked_s / 3600.0
                    ),
                    _ => format!(
                        "No step of about {kvar:.1} kvar for {hours:.0} running hours; before, \
                         one came at least every {:.0}",
                        size.usual_quiet_s / 3600.0
                    ),
                }
            });
        }
    }
}
