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
//! to an alarm; while a sum is growing it stands still.

pub mod excursion;
pub mod fit;

use excursion::Excursion;
use fit::{Fit, TERMS, apart_terms, expected, total_terms};

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
fn lines(s: &Sample, nominal_v: f64) -> ([[f64; TERMS]; LINES], [f64; LINES]) {
    let u = s.v_v.map(|v| v / nominal_v);
    let p = s.p_w.map(|p| p * 1e-3);
    let mean = |x: &[f64; 3]| (x[0] + x[1] + x[2]) / 3.0;
    let (mean_u, mean_p, mean_q) = (mean(&u), mean(&p), mean(&s.q1_var));
    let one = |k: usize| apart_terms(u[k], mean_u, p[k], mean_p);
    (
        [one(0), one(1), one(2), total_terms(mean_u, 3.0 * mean_p)],
        [s.q1_var[0] - mean_q, s.q1_var[1] - mean_q, s.q1_var[2] - mean_q, 3.0 * mean_q],
    )
}

#[derive(Clone, Debug)]
struct Armed {
    model: [[f64; TERMS]; LINES],
    normal: [f64; LINES],
    phase_shift_var: f64,
    phase_limit: f64,
    unit_shift_var: f64,
    unit_limit: f64,
    phases: [[Excursion; 2]; 3],
    sum: Excursion,
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

/// The watch over one feeder's correction.
#[derive(Clone, Debug)]
pub struct CorrectionWatch {
    terms: Terms,
    bank: Bank,
    nominal_v: f64,
    usual_peak_w: f64,
    batch: Batch,
    state: State,
}

impl CorrectionWatch {
    /// Begins to learn; `nominal_v` is a phase's nominal voltage in V.
    pub fn new(terms: Terms, bank: Bank, nominal_v: f64) -> Self {
        CorrectionWatch {
            terms,
            bank,
            nominal_v,
            usual_peak_w: 0.0,
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
        let p: f64 = s.p_w.iter().sum();
        p > self.terms.running_share * self.usual_peak_w && p > 0.0
    }

    /// Takes the next record; says what was lost when a sum passes its limit.
    pub fn take(&mut self, s: &Sample) -> Option<Finding> {
        let p: f64 = s.p_w.iter().sum();
        self.usual_peak_w = self.usual_peak_w.max(p);
        if !self.is_running(s) || s.duration_s <= 0.0 {
            return None;
        }
        let (x, y) = lines(s, self.nominal_v);
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

impl Armed {
    fn new(model: [[f64; TERMS]; LINES], learnt: &[Batch], terms: &Terms, bank: &Bank) -> Armed {
        let n = learnt.len().max(1) as f64;
        let residuals: Vec<_> = learnt.iter().map(|b| b.residuals(&model)).collect();
        let normal: [f64; LINES] =
            std::array::from_fn(|k| residuals.iter().map(|r| r[k]).sum::<f64>() / n);
        // Without a list of units: what stands out of the scatter.
        let scatter: [f64; LINES] = std::array::from_fn(|k| {
            let square: f64 =
                residuals.iter().map(|r| (r[k] - normal[k]) * (r[k] - normal[k])).sum();
            libm::sqrt(square / n)
        });
        let scatter_apart = scatter[0].max(scatter[1]).max(scatter[2]);
        let scatter_sum = scatter[3];
        // An open leg of a delta unit takes a third of its kvar, half from each of two phases;
        // against the mean of the phases the third one then stands off by a ninth of the unit.
        let phase_shift_var = bank.smallest_var().map_or(3.0 * scatter_apart, |u| u / 9.0);
        let unit_shift_var = bank.smallest_var().unwrap_or(3.0 * scatter_sum);
        let mut armed = Armed {
            model,
            normal,
            phase_shift_var,
            phase_limit: f64::INFINITY,
            unit_shift_var,
            unit_limit: f64::INFINITY,
            phases: Default::default(),
            sum: Excursion::default(),
        };
        let (mut most_phase, mut most_sum) = (0.0f64, 0.0f64);
        for b in learnt {
            armed.add(b, terms);
            most_phase = armed.phases.as_flattened().iter().fold(most_phase, |m, e| m.max(e.sum));
            most_sum = most_sum.max(armed.sum.sum);
        }
        armed.phases = Default::default();
        armed.sum = Excursion::default();
        armed.normal = normal;
        armed.phase_limit = (terms.batches * phase_shift_var).max(terms.over_learnt * most_phase);
        armed.unit_limit = (terms.batches * unit_shift_var).max(terms.over_learnt * most_sum);
        armed
    }

    fn add(&mut self, batch: &Batch, terms: &Terms) {
        let r = batch.residuals(&self.model);
        let off: [f64; LINES] = std::array::from_fn(|k| r[k] - self.normal[k]);
        let allowance = terms.allowance * self.phase_shift_var;
        for ([up, down], off) in self.phases.iter_mut().zip(off) {
            up.add(off, allowance, batch.start_ms);
            down.add(-off, allowance, batch.start_ms);
        }
        self.sum.add(off[3], terms.allowance * self.unit_shift_var, batch.start_ms);
        let grown = self.phases.as_flattened().iter().map(|e| e.sum).fold(0.0, f64::max);
        if grown < self.phase_limit / 3.0 {
            for (normal, off) in self.normal.iter_mut().zip(off).take(3) {
                *normal += off / terms.follow_batches;
            }
        }
        if self.sum.sum < self.unit_limit / 3.0 {
            self.normal[3] += off[3] / terms.follow_batches;
        }
    }

    fn take(&mut self, batch: &Batch, terms: &Terms, bank: &Bank) -> Option<Finding> {
        self.add(batch, terms);
        let hours = |e: &Excursion| f64::from(e.batches) * terms.batch_s / 3600.0;
        let over = self
            .phases
            .as_flattened()
            .iter()
            .copied()
            .filter(|e| e.sum > self.phase_limit)
            .max_by(|a, b| a.sum.total_cmp(&b.sum));
        if let Some(e) = over {
            let apart_var: [f64; 3] = std::array::from_fn(|k| {
                let [up, down] = self.phases[k];
                if up.sum >= down.sum { up.mean() } else { -down.mean() }
            });
            let phase = (0..3).max_by(|a, b| apart_var[*a].total_cmp(&apart_var[*b])).unwrap_or(0);
            let finding = Finding {
                loss: Loss::Phase { phase, apart_var },
                since_ms: e.since_ms,
                running_h: hours(&e),
            };
            self.settle();
            return Some(finding);
        }
        if self.sum.sum > self.unit_limit {
            let e = self.sum;
            let rise_var = e.mean();
            let fits = bank
                .units_var
                .iter()
                .enumerate()
                .map(|(unit, var)| (unit, libm::fabs(rise_var - var) / var))
                .min_by(|a, b| a.1.total_cmp(&b.1))
                .filter(|(_, off)| *off < 0.25);
            self.sum = Excursion::default();
            self.normal[3] += rise_var;
            if let Some((unit, _)) = fits {
                return Some(Finding {
                    loss: Loss::Unit { rise_var, unit },
                    since_ms: e.since_ms,
                    running_h: hours(&e),
                });
            }
        }
        None
    }

    /// Takes the state after a finding as the new normal, so that the next loss is seen too.
    ///
    /// The limit doubles: a feeder that is found again and again is restless, not losing units.
    fn settle(&mut self) {
        for k in 0..3 {
            let [up, down] = self.phases[k];
            let moved = if up.sum >= down.sum { up.mean() } else { -down.mean() };
            self.normal[k] += moved;
        }
        self.phases = Default::default();
        self.phase_limit *= 2.0;
    }
}
