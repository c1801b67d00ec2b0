//! The watch over the correction, as alarms.

use super::bank::BankPlan;
use super::correction::slow::SlowTerms;
use super::correction::{Bank, CorrectionWatch, Finding, Loss, Sample, Terms};
use super::judge::{Judge, PHASES, WHOLE};
use super::{AlarmTerms, Kind, Observed};
use wattless_core::flags::Flags;

/// Rules of the loss of capacitors.
#[derive(Clone, Debug, Default)]
pub struct LossRules {
    watch: Option<Box<CorrectionWatch>>,
}

impl LossRules {
    pub(super) fn take(
        &mut self,
        o: &Observed,
        t: &AlarmTerms,
        bank: &BankPlan,
        judge: &mut Judge,
    ) {
        let doubtful = !o.usable || o.record.flags.contains(Flags::V_MISSING);
        if bank.units.is_empty() || doubtful {
            return;
        }
        let watch = self.watch.get_or_insert_with(|| {
            let slow = SlowTerms { share: t.slow_loss_share, ..SlowTerms::default() };
            let terms = Terms { slow, ..Terms::default() };
            let bank = Bank { units_var: bank.units.iter().map(|u| u.var).collect() };
            Box::new(CorrectionWatch::new(terms, bank, o.nominal_v))
        });
        let phases = &o.record.phases;
        let sample = Sample {
            end_ms: o.end_ms,
            duration_s: o.seconds,
            phases: o.record.wiring.phases(),
            v_v: phases.each_ref().map(|p| f64::from(p.v_rms_v)),
            p_w: phases.each_ref().map(|p| f64::from(p.p_w)),
            q1_var: phases.each_ref().map(|p| f64::from(p.q1_var)),
        };
        if let Some(finding) = watch.take(&sample) {
            tell(&finding, o.end_ms, bank, judge);
        }
    }
}

fn tell(f: &Finding, end_ms: i64, bank: &BankPlan, judge: &mut Judge) {
    let hours = f.running_h;
    let name = |unit: usize| bank.units.get(unit).map_or(String::new(), |u| u.name.clone());
    match f.loss {
        Loss::Phase { phase, apart_var } => {
            let [a, b, c] = apart_var.map(|v| v / 1e3);
            let words = format!(
                "At like load and voltage the phases moved apart by {a:+.1}, {b:+.1} and {c:+.1} \
                 kvar (L1, L2, L3) and stayed so for {hours:.0} running hours"
            );
            judge.raise(Kind::UnitPhaseLost, PHASES[phase], f.since_ms, end_ms, words);
        }
        Loss::Unit { rise_var, unit } => {
            let words = format!(
                "At like load and voltage {:.1} kvar more come from the supply, for {hours:.0} \
                 running hours; {} gives {:.1} kvar at nominal voltage",
                rise_var / 1e3,
                name(unit),
                bank.units.get(unit).map_or(0.0, |u| u.var / 1e3)
            );
            judge.raise(Kind::UnitLost, name(unit), f.since_ms, end_ms, words);
        }
        Loss::Slow { rise_var, weeks } => {
            let words = format!(
                "At like load and voltage {:.1} kvar more come from the supply than {weeks} weeks \
                 ago, a little every week; {:.1} kvar are installed",
                rise_var / 1e3,
                bank.total_var() / 1e3
            );
            judge.raise(Kind::SlowLoss, WHOLE, f.since_ms, end_ms, words);
        }
        Loss::PhaseBack { phase } => judge.clear(Kind::UnitPhaseLost, PHASES[phase], end_ms),
        Loss::UnitBack { unit } => judge.clear(Kind::UnitLost, name(unit), end_ms),
        Loss::SlowBack => judge.clear(Kind::SlowLoss, WHOLE, end_ms),
    }
}
