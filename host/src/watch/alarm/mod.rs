//! Alarms, each with the evidence that raised it and what to check first.
//!
//! Records go in one by one, in order of time; changes come out. Every condition passes a
//! [`gate`]: it must hold for a while, and be well for a while with a margin, so that the start
//! of a motor raises nothing and nothing chatters.

pub mod correction;
pub mod demand;
pub mod gate;
pub mod harmonics;
pub mod kind;
pub mod steps;
pub mod supply;
pub mod terms;

use crate::site::Site;
use gate::{Edge, Gate, Side};
pub use kind::Kind;
use serde::Serialize;
use std::collections::BTreeMap;
pub use terms::AlarmTerms;
use wattless_core::record::Record;

/// An alarm that is or was raised.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Alarm {
    /// What it is about.
    pub kind: Kind,
    /// Which part, such as `L2` or `unit 3`; empty where it is the whole.
    pub part: String,
    /// When the condition began, Unix milliseconds.
    pub since_ms: i64,
    /// When it had held long enough, Unix milliseconds.
    pub raised_ms: i64,
    /// When it was over, Unix milliseconds; none while it stands.
    pub cleared_ms: Option<i64>,
    /// The figures that raised it, in a sentence.
    pub evidence: String,
}

/// What a record changed.
#[derive(Clone, Debug, PartialEq)]
pub enum Change {
    /// A new alarm.
    Raised(Alarm),
    /// An alarm that is over.
    Cleared(Alarm),
}

/// What is found out of a record, before its gate.
struct Finding {
    kind: Kind,
    part: String,
    side: Side,
    hold_s: f64,
    rest_s: f64,
    evidence: String,
}

/// A record placed in time, with what several rules need of it.
pub struct Observed<'a> {
    /// The record.
    pub record: &'a Record,
    /// End, Unix milliseconds.
    pub end_ms: i64,
    /// Length in seconds.
    pub seconds: f64,
    /// Total active power, in W.
    pub p_w: f64,
    /// Total reactive power, in var.
    pub q1_var: f64,
    /// Largest power of the usual peaks, in W; zero as long as it is not known.
    pub usual_peak_w: f64,
    /// Nominal voltage of a phase, in V, if it is known.
    pub nominal_v: Option<f64>,
}

/// The usual peak: the largest mean of a quarter of an hour, falling by half in thirty days.
///
/// A quarter of an hour, so that no motor start makes it; falling, so that a machine that was
/// sold does not stay in it.
#[derive(Clone, Copy, Debug, Default)]
struct UsualPeak {
    peak_w: f64,
    mean_w: f64,
}

impl UsualPeak {
    fn take(&mut self, p_w: f64, seconds: f64) -> f64 {
        let share = (seconds / 900.0).min(1.0);
        self.mean_w += share * (p_w - self.mean_w);
        self.peak_w *= libm::exp2(-seconds / (30.0 * 86_400.0));
        self.peak_w = self.peak_w.max(self.mean_w);
        self.peak_w
    }
}

/// All alarms of one node.
pub struct Alarms {
    terms: AlarmTerms,
    nominal_v: Option<f64>,
    gates: BTreeMap<(Kind, String), Gate>,
    standing: BTreeMap<(Kind, String), Alarm>,
    peak: UsualPeak,
    demand: demand::DemandRules,
    supply: supply::SupplyRules,
    harmonics: harmonics::HarmonicRules,
    steps: steps::StepRules,
    correction: Option<correction::CorrectionWatch>,
    last_end_ms: Option<i64>,
}

impl Alarms {
    /// Alarms of a site, nothing raised.
    pub fn new(terms: AlarmTerms, site: &Site) -> Alarms {
        Alarms {
            nominal_v: site.supply.phase_voltage_v(),
            gates: BTreeMap::new(),
            standing: BTreeMap::new(),
            peak: UsualPeak::default(),
            demand: demand::DemandRules::new(site),
            supply: supply::SupplyRules::new(site),
            harmonics: harmonics::HarmonicRules::default(),
            steps: steps::StepRules::new(&terms),
            correction: None,
            last_end_ms: None,
            terms,
        }
    }

    /// What stands now, oldest first.
    pub fn standing(&self) -> Vec<&Alarm> {
        let mut all: Vec<_> = self.standing.values().collect();
        all.sort_by_key(|a| a.raised_ms);
        all
    }

    /// Takes the next record, which ended at a wall time.
    pub fn take(&mut self, record: &Record, end_ms: i64) -> Vec<Change> {
        let seconds = record.duration_s();
        let mut changes = Vec::new();
        if seconds <= 0.0 || self.last_end_ms.is_some_and(|last| end_ms <= last) {
            return changes;
        }
        self.last_end_ms = Some(end_ms);
        let (p_w, q1_var) = (record.p_w(), record.q1_var());
        let usual_peak_w = self.peak.take(p_w, seconds);
        let o = Observed {
            record,
            end_ms,
            seconds,
            p_w,
            q1_var,
            usual_peak_w,
            nominal_v: self.nominal_v,
        };
        let mut found = Vec::new();
        self.supply.take(&o, &self.terms, &mut found);
        self.demand.take(&o, &self.terms, &mut found);
        self.harmonics.take(&o, &self.terms, &mut found);
        self.steps.take(&o, &self.terms, &mut found);
        for f in found {
            self.pass(f, seconds, end_ms, &mut changes);
        }
        self.watch_correction(&o, &mut changes);
        changes
    }

    /// Raises what is no condition of a record, such as a node that is silent, or a changed log.
    pub fn raise(
        &mut self,
        kind: Kind,
        part: &str,
        at_ms: i64,
        evidence: String,
    ) -> Option<Change> {
        let key = (kind, part.to_owned());
        if self.standing.contains_key(&key) {
            return None;
        }
        let alarm = Alarm {
            kind,
            part: part.to_owned(),
            since_ms: at_ms,
            raised_ms: at_ms,
            cleared_ms: None,
            evidence,
        };
        self.standing.insert(key, alarm.clone());
        Some(Change::Raised(alarm))
    }

    /// Takes over an alarm that stood when the watch ended, so that it can be over one day.
    pub fn restore(&mut self, alarm: Alarm) {
        let key = (alarm.kind, alarm.part.clone());
        self.standing.entry(key).or_insert(alarm);
    }

    /// Clears such an alarm; nothing happens where it does not stand.
    pub fn clear(&mut self, kind: Kind, part: &str, at_ms: i64) -> Option<Change> {
        let mut alarm = self.standing.remove(&(kind, part.to_owned()))?;
        alarm.cleared_ms = Some(at_ms);
        Some(Change::Cleared(alarm))
    }

    /// Clears such an alarm once it has stood for some time.
    pub fn clear_after(&mut self, kind: Kind, part: &str, at_ms: i64, ms: i64) -> Option<Change> {
        let stood = self.standing.get(&(kind, part.to_owned()))?;
        if at_ms - stood.raised_ms < ms { None } else { self.clear(kind, part, at_ms) }
    }

    /// Where the running demand interval is heading, in kW and kvar, if that can be told.
    pub fn heading(&self) -> Option<(f64, f64)> {
        self.demand.heading
    }

    /// Says that a correction was installed, changed or repaired: what was learnt is forgotten.
    pub fn correction_changed(&mut self, at_ms: i64) -> Vec<Change> {
        self.correction = None;
        let about = [Kind::UnitPhaseLost, Kind::UnitLost, Kind::SlowLoss, Kind::StepSilent];
        let keys: Vec<_> =
            self.standing.keys().filter(|(k, _)| about.contains(k)).cloned().collect();
        keys.into_iter().filter_map(|(kind, part)| self.clear(kind, &part, at_ms)).collect()
    }

    fn pass(&mut self, f: Finding, seconds: f64, end_ms: i64, changes: &mut Vec<Change>) {
        let key = (f.kind, f.part);
        let gate = self.gates.entry(key.clone()).or_insert_with(|| Gate::new(f.hold_s, f.rest_s));
        match gate.take(f.side, seconds, end_ms) {
            Some(Edge::Raised) => {
                let alarm = Alarm {
                    kind: key.0,
                    part: key.1.clone(),
                    since_ms: gate.since_ms,
                    raised_ms: end_ms,
                    cleared_ms: None,
                    evidence: f.evidence,
                };
                self.standing.insert(key, alarm.clone());
                changes.push(Change::Raised(alarm));
            }
            Some(Edge::Cleared) => changes.extend(self.clear(key.0, &key.1, end_ms)),
            None => {}
        }
    }

    fn watch_correction(&mut self, o: &Observed, changes: &mut Vec<Change>) {
        let (false, Some(nominal_v)) = (self.terms.units_kvar.is_empty(), self.nominal_v) else {
            return;
        };
        let bank = self.terms.bank();
        let watch = self.correction.get_or_insert_with(|| {
            correction::CorrectionWatch::new(correction::Terms::default(), bank, nominal_v)
        });
        let phases = &o.record.phases;
        let sample = correction::Sample {
            end_ms: o.end_ms,
            duration_s: o.seconds,
            v_v: phases.map(|p| f64::from(p.v_rms_v)),
            p_w: phases.map(|p| f64::from(p.p_w)),
            q1_var: phases.map(|p| f64::from(p.q1_var)),
        };
        let Some(finding) = watch.take(&sample) else { return };
        let hours = finding.running_h;
        let (kind, part, evidence) = match finding.loss {
            correction::Loss::Phase { phase, apart_var } => {
                let [a, b, c] = apart_var.map(|v| v / 1e3);
                (
                    Kind::UnitPhaseLost,
                    format!("L{}", phase + 1),
                    format!(
                        "At like load and voltage the phases moved apart by {a:+.1}, {b:+.1} and \
                         {c:+.1} kvar (L1, L2, L3) and stayed so for {hours:.0} running hours"
                    ),
                )
            }
            correction::Loss::Unit { rise_var, unit } => (
                Kind::UnitLost,
                format!("unit {}", unit + 1),
                format!(
                    "At like load and voltage {:.1} kvar more come from the supply, for \
                     {hours:.0} running hours; the unit is rated {:.1} kvar",
                    rise_var / 1e3,
                    self.terms.units_kvar[unit]
                ),
            ),
        };
        let raised = self.raise(kind, &part, o.end_ms, evidence).map(|change| match change {
            Change::Raised(mut alarm) => {
                alarm.since_ms = finding.since_ms;
                if let Some(kept) = self.standing.get_mut(&(kind, part)) {
                    kept.since_ms = finding.since_ms;
                }
                Change::Raised(alarm)
            }
            other => other,
        });
        changes.extend(raised);
    }
}
