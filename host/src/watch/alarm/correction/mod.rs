//! Has the correction lost something? Judged from the records of a feeder that has capacitors.
//!
//! Every phase's reactive power is compared with what was learnt for its load and voltage
//! ([`fit`]). Load that comes and goes in all phases alike moves all three residuals together;
//! a capacitor that lost one phase moves them apart. So two things are watched, each by
//! cumulative sums ([`excursion`]) of means over half an hour of running time:
//! - the phases' residuals against their mean: a phase of a unit lost;
//! - their sum: a whole unit lost, accepted only where the size of the step fits a unit.
//!
//! The level that counts as normal follows slowly (some weeks), so that seasons do not add up
//! to an alarm; while a sum is growing it stands still. What it follows is judged apart, week by
//! week ([`slow`]). A shift that takes back an earlier one is a repair.

mod armed;
pub mod excursion;
pub mod fit;
pub mod slow;

use super::usual::UsualPeak;
use armed::Armed;
use fit::{Fit, TERMS, apart_terms, expected, total_terms};
use slow::SlowTerms;

/// Parameters of the watch; the defaults are those that the published simulation uses.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Terms {
    /// Share of the largest usual power from which the feeder counts as running.
    pub running_share: f64,
    /// Running seconds that make one batch.
    pub batch_s: f64,
    /// Running seconds to learn from at least.
    pub learn_running_s: f64,
    /// Time to learn at least, in ms, so that a week with its weekend is in it.
    pub learn_ms: i64,
    /// Allowance of the sums, as a share of the shift that is looked for.
    pub allowance: f64,
    /// Threshold of the sums: the shift that is looked for times this many batches.
    pub batches: f64,
    /// The threshold is at least this many times the largest sum of the weeks learnt from.
    pub over_learnt: f64,
    /// Batches over which the normal level follows.
    pub follow_batches: f64,
    /// Limits of the slow loss.
    pub slow: SlowTerms,
}

impl Default for Terms {
    fn default() -> Self {
        Terms {
            running_share: 0.15,
            batch_s: 1800.0,
            learn_running_s: 60.0 * 3600.0,
            learn_ms: 14 * 86_400_000,
            allowance: 0.5,
            batches: 12.0,
            over_learnt: 2.5,
            follow_batches: 400.0,
            slow: SlowTerms::default(),
        }
    }
}

/// What is installed.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Bank {
    /// Rated output of each unit at nominal voltage, in var; empty when not known.
    pub units_var: Vec<f64>,
}

impl Bank {
    fn smallest_var(&self) -> Option<f64> {
        self.units_var.iter().copied().reduce(f64::min)
    }
}

/// One record, as far as this watch looks at it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Sample {
    /// End, Unix milliseconds.
    pub end_ms: i64,
    /// Length in seconds.
    pub duration_s: f64,
    /// Phases that the wiring has, 1 to 3; the rest of the figures is not looked at.
    pub phases: usize,
    /// RMS voltage of the phases, in V.
    pub v_v: [f64; 3],
    /// Active power of the phases, in W.
    pub p_w: [f64; 3],
    /// Reactive power of the fundamental of the phases, in var.
    pub q1_var: [f64; 3],
}

/// What was found.
#[derive(Clone, Debug, PartialEq)]
pub enum Loss {
    /// The phases moved apart: one phase of a unit is open.
    Phase {
        /// The phase whose reactive power rose against the others, 0 to 2.
        phase: usize,
        /// Rise of each phase against the mean of the three, in var.
        apart_var: [f64; 3],
    },
    /// All phases rose by what a unit gives.
    Unit {
        /// Rise of the total at like load and voltage, in var.
        rise_var: f64,
        /// Which unit it fits, its place in the list.
        unit: usize,
    },
    /// The total rose slowly, by a share of what is installed that counts.
    Slow {
        /// Rise of the total at like load and voltage since it was learnt, in var.
        rise_var: f64,
        /// Weeks with running time since then.
        weeks: u32,
    },
    /// The phases moved back together: the phase that was found lost is there again.
    PhaseBack {
        /// The phase, 0 to 2.
        phase: usize,
    },
    /// The unit that was found lost is there again.
    UnitBack {
        /// The unit.
        unit: usize,
    },
    /// The slow loss is gone.
    SlowBack,
}

impl Loss {
    /// Whether it is a loss and not its end.
    pub fn is_loss(&self) -> bool {
        matches!(self, Loss::Phase { .. } | Loss::Unit { .. } | Loss::Slow { .. })
    }
}

/// A loss with its evidence.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    /// What was lost.
    pub loss: Loss,
    /// When it began, as near as can be told, Unix milliseconds.
    pub since_ms: i64,
    /// Running hours from then to the finding.
    pub running_h: f64,
}

/// Means over a batch of running time.
#[derive(Clone, Copy, Debug, Default)]
struct Batch {
    start_ms: i64,
    seconds: f64,
    x: [[f64; TERMS]; LINES],
    y: [f64; LINES],
}

impl Batch {
    fn add(&mut self, s: &Sample, x: &[[f64; TERMS]; LINES], y: &[f64; LINES]) {
        if self.seconds == 0.0 {
            self.start_ms = s.end_ms - (s.duration_s * 1000.0) as i64;
        }
        self.seconds += s.duration_s;
        for k in 0..LINES {
            self.y[k] += y[k] * s.duration_s;
            for (sum, x) in self.x[k].iter_mut().zip(x[k]) {
                *sum += x * s.duration_s;
            }
        }
    }

    /// Mean residuals, in var: each phase against the mean of the three, then the total.
    fn residuals(&self, model: &[[f64; TERMS]; LINES]) -> [f64; LINES] {
        std::array::from_fn(|k| (self.y[k] - expected(&model[k], &self.x[k])) / self.seconds)
    }
}

/// What is compared with an expectation: three phases against their mean, and the total.
const LINES: usize = 4;

/// Terms and values of a record.
fn lines(s: &Sample, reference_v: f64) -> ([[f64; TERMS]; LINES], [f64; LINES]) {
    let n = s.phases.clamp(1, 3);
    let u = s.v_v.map(|v| v / reference_v);
    let p = s.p_w.map(|p| p * 1e-3);
    let count = n as f64;
    let mean = |x: &[f64; 3]| x[..n].iter().sum::<f64>() / count;
    let (mean_u, mean_p, mean_q) = (mean(&u), mean(&p), mean(&s.q1_var));
    let x = |k: usize| match k < n {
        true => apart_terms(u[k], mean_u, p[k], mean_p),
        false => [0.0; TERMS],
    };
    let y = |k: usize| if k < n { s.q1_var[k] - mean_q } else { 0.0 };
    ([x(0), x(1), x(2), total_terms(mean_u, count * mean_p)], [y(0), y(1), y(2), count * mean_q])
}

#[derive(Clone, Debug)]
enum State {
    Learning { batches: Vec<Batch>, fits: Box<[Fit; LINES]>, since_ms: Option<i64>, running_s: f64 },
    Armed(Box<Armed>),
}

impl Default for State {
    fn default() -> Self {
        State::Learning {
            batches: Vec::new(),
            fits: Default::default(),
            since_ms: None,
            running_s: 0.0,
        }
    }
}

/// Records whose voltage is this far from the reference are of another supply, or of none.
const VOLTAGE_OFF: f64 = 0.5;

/// The watch over one feeder's correction.
#[derive(Clone, Debug)]
pub struct CorrectionWatch {
    terms: Terms,
    bank: Bank,
    reference_v: Option<f64>,
    peak: UsualPeak,
    batch: Batch,
    state: State,
}

impl CorrectionWatch {
    /// Begins to learn; `nominal_v` is a phase's nominal voltage in V, else the first record's
    /// stands for it.
    pub fn new(terms: Terms, bank: Bank, nominal_v: Option<f64>) -> Self {
        CorrectionWatch {
            terms,
            bank,
            reference_v: nominal_v,
            peak: UsualPeak::default(),
            batch: Batch::default(),
            state: State::default(),
        }
    }

    /// Whether enough was learnt to watch.
    pub fn is_armed(&self) -> bool {
        matches!(self.state, State::Armed(_))
    }

    /// Forgets what was learnt: after a repair, or when something was installed.
    pub fn restart(&mut self) {
        self.batch = Batch::default();
        self.state = State::default();
    }

    /// Whether a record counts as running time, once the usual peak is known.
    pub fn is_running(&self, s: &Sample) -> bool {
        let p = total(&s.p_w, s.phases);
        self.peak.watts().is_some_and(|peak| p > self.terms.running_share * peak)
    }

    /// Takes the next record; says what was lost when a sum passes its limit.
    ///
    /// Records with anything that is not a number, or without voltage, are passed over.
    pub fn take(&mut self, s: &Sample) -> Option<Finding> {
        let n = s.phases.clamp(1, 3);
        let (p_w, v_v) = (total(&s.p_w, n), total(&s.v_v, n) / n as f64);
        if !(p_w + total(&s.q1_var, n)).is_finite() || s.duration_s <= 0.0 || v_v <= 0.0 {
            return None;
        }
        self.peak.take(p_w, s.duration_s, true);
        if !self.is_running(s) {
            return None;
        }
        let reference_v = *self.reference_v.get_or_insert(v_v);
        let near = |v: &f64| libm::fabs(v / reference_v - 1.0) < VOLTAGE_OFF;
        if !s.v_v[..n].iter().all(near) {
            return None;
        }
        let (x, y) = lines(s, reference_v);
        self.batch.add(s, &x, &y);
        if let State::Learning { fits, since_ms, running_s, .. } = &mut self.state {
            for k in 0..LINES {
                fits[k].add(x[k], y[k], s.duration_s);
            }
            since_ms.get_or_insert(s.end_ms);
            *running_s += s.duration_s;
        }
        if self.batch.seconds < self.terms.batch_s {
            return None;
        }
        let batch = std::mem::take(&mut self.batch);
        match &mut self.state {
            State::Learning { batches, fits, since_ms, running_s } => {
                batches.push(batch);
                let long = s.end_ms - since_ms.unwrap_or(s.end_ms) >= self.terms.learn_ms;
                if long && *running_s >= self.terms.learn_running_s {
                    let models: Option<Vec<_>> = fits.iter().map(Fit::solve).collect();
                    if let Some(model) = models.and_then(|m| m.try_into().ok()) {
                        let armed = Armed::new(model, batches, &self.terms, &self.bank);
                        self.state = State::Armed(Box::new(armed));
                    }
                }
                None
            }
            State::Armed(armed) => armed.take(&batch, &self.terms, &self.bank),
        }
    }
}

fn total(x: &[f64; 3], phases: usize) -> f64 {
    x.iter().take(phases).sum()
}
