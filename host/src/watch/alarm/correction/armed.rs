//! The watch once it has learnt: sums that grow while something deviates.

use super::excursion::Excursion;
use super::fit::TERMS;
use super::slow::{Slow, SlowEdge};
use super::{Bank, Batch, Finding, LINES, Loss, Terms};

/// How near the step of the total must come to a unit, as a share of it.
const UNIT_NEAR: f64 = 0.25;

/// How near the cosine between two shifts of the phases must come to -1 for a repair.
const BACK_COSINE: f64 = -0.8;

/// Size of a repair's shift over that of the loss: least and most.
const BACK_SIZE: [f64; 2] = [0.5, 1.7];

/// The watch with what it has learnt.
#[derive(Clone, Debug)]
pub(super) struct Armed {
    model: [[f64; TERMS]; LINES],
    normal: [f64; LINES],
    phase_shift_var: f64,
    phase_limit: f64,
    unit_shift_var: f64,
    unit_limit: f64,
    phases: [[Excursion; 2]; 3],
    /// Sums of all phases' deviations along each of those excursions.
    along: [[[f64; 3]; 2]; 3],
    sum: [Excursion; 2],
    lost_phases: Vec<(usize, [f64; 3])>,
    lost_units: Vec<(usize, f64)>,
    slow: Option<Slow>,
}

impl Armed {
    pub(super) fn new(
        model: [[f64; TERMS]; LINES],
        learnt: &[Batch],
        terms: &Terms,
        bank: &Bank,
    ) -> Armed {
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
        // An open leg of a delta unit takes a third of its kvar, half from each of two phases;
        // against the mean of the phases the third one then stands off by a ninth of the unit.
        let phase_shift_var = bank.smallest_var().map_or(3.0 * scatter_apart, |u| u / 9.0);
        let unit_shift_var = bank.smallest_var().unwrap_or(3.0 * scatter[3]);
        let mut armed = Armed {
            model,
            normal,
            phase_shift_var,
            phase_limit: f64::INFINITY,
            unit_shift_var,
            unit_limit: f64::INFINITY,
            phases: Default::default(),
            along: Default::default(),
            sum: Default::default(),
            lost_phases: Vec::new(),
            lost_units: Vec::new(),
            slow: None,
        };
        let (mut most_phase, mut most_sum) = (0.0f64, 0.0f64);
        for b in learnt {
            armed.add(b, terms);
            most_phase = armed.phases.as_flattened().iter().fold(most_phase, |m, e| m.max(e.sum));
            most_sum = most_sum.max(armed.sum[0].sum);
        }
        armed.phases = Default::default();
        armed.sum = Default::default();
        armed.normal = normal;
        armed.phase_limit = (terms.batches * phase_shift_var).max(terms.over_learnt * most_phase);
        armed.unit_limit = (terms.batches * unit_shift_var).max(terms.over_learnt * most_sum);
        let installed_var: f64 = bank.units_var.iter().sum();
        armed.slow = (installed_var > 0.0).then(|| {
            let days = days(learnt, &residuals);
            Slow::new(&terms.slow, installed_var, spread(&days))
        });
        armed
    }

    fn add(&mut self, batch: &Batch, terms: &Terms) -> [f64; LINES] {
        let r = batch.residuals(&self.model);
        let off: [f64; LINES] = std::array::from_fn(|k| r[k] - self.normal[k]);
        let allowance = terms.allowance * self.phase_shift_var;
        for ((sides, along), phase_off) in self.phases.iter_mut().zip(&mut self.along).zip(off) {
            for ((e, along), sign) in sides.iter_mut().zip(along).zip([1.0, -1.0]) {
                e.add(sign * phase_off, allowance, batch.start_ms);
                match e.batches {
                    0 => *along = [0.0; 3],
                    1 => *along = [off[0], off[1], off[2]],
                    _ => along.iter_mut().zip(off).for_each(|(sum, off)| *sum += off),
                }
            }
        }
        let allowance = terms.allowance * self.unit_shift_var;
        self.sum[0].add(off[3], allowance, batch.start_ms);
        self.sum[1].add(-off[3], allowance, batch.start_ms);
        let grown = self.phases.as_flattened().iter().map(|e| e.sum).fold(0.0, f64::max);
        if grown < self.phase_limit / 3.0 {
            for (normal, off) in self.normal.iter_mut().zip(off).take(3) {
                *normal += off / terms.follow_batches;
            }
        }
        if self.sum[0].sum < self.unit_limit / 3.0 {
            self.normal[3] += off[3] / terms.follow_batches;
        }
        r
    }

    pub(super) fn take(&mut self, batch: &Batch, terms: &Terms, bank: &Bank) -> Option<Finding> {
        let r = self.add(batch, terms);
        let hours = |e: &Excursion| f64::from(e.batches) * terms.batch_s / 3600.0;
        let over = self
            .phases
            .as_flattened()
            .iter()
            .zip(self.along.as_flattened())
            .filter(|(e, _)| e.sum > self.phase_limit)
            .max_by(|a, b| a.0.sum.total_cmp(&b.0.sum))
            .map(|(e, along)| (*e, along.map(|sum| sum / f64::from(e.batches.max(1)))));
        if let Some((e, apart_var)) = over {
            let loss = self.phases_moved(apart_var);
            return Some(Finding { loss, since_ms: e.since_ms, running_h: hours(&e) });
        }
        for (side, sign) in [(0, 1.0), (1, -1.0)] {
            let e = self.sum[side];
            if e.sum <= self.unit_limit {
                continue;
            }
            let rise_var = sign * e.mean();
            let loss = self.total_moved(rise_var, bank);
            self.sum = Default::default();
            self.normal[3] += rise_var;
            if let Some(loss) = loss {
                if let Some(slow) = &mut self.slow {
                    slow.step(rise_var);
                }
                return Some(Finding { loss, since_ms: e.since_ms, running_h: hours(&e) });
            }
        }
        let edge = self.slow.as_mut()?.take(r[3], batch.start_ms, batch.seconds)?;
        let (loss, weeks) = match edge {
            SlowEdge::Raised { rise_var, weeks } => (Loss::Slow { rise_var, weeks }, weeks),
            SlowEdge::Cleared => (Loss::SlowBack, 0),
        };
        let since_ms = batch.start_ms - i64::from(weeks) * 7 * 86_400_000;
        Some(Finding { loss, since_ms, running_h: 0.0 })
    }

    /// Takes the phases' new state as normal, so that the next loss is seen too.
    ///
    /// The limit doubles: a feeder that is found again and again is restless, not losing units.
    fn phases_moved(&mut self, apart_var: [f64; 3]) -> Loss {
        for (normal, moved) in self.normal.iter_mut().zip(apart_var) {
            *normal += moved;
        }
        self.phases = Default::default();
        let back = self.lost_phases.iter().position(|(_, lost)| undoes(&apart_var, lost));
        if let Some(at) = back {
            let (phase, _) = self.lost_phases.remove(at);
            self.phase_limit /= 2.0;
            return Loss::PhaseBack { phase };
        }
        let phase = (0..3).max_by(|a, b| apart_var[*a].total_cmp(&apart_var[*b])).unwrap_or(0);
        self.lost_phases.push((phase, apart_var));
        self.phase_limit *= 2.0;
        Loss::Phase { phase, apart_var }
    }

    /// Which unit a step of the total fits; none where it fits none, and load is the likelier cause.
    fn total_moved(&mut self, rise_var: f64, bank: &Bank) -> Option<Loss> {
        if rise_var < 0.0 {
            let near = |(_, lost): &(usize, f64)| libm::fabs(rise_var + lost) < UNIT_NEAR * lost;
            let at = self.lost_units.iter().position(near)?;
            let (unit, _) = self.lost_units.remove(at);
            return Some(Loss::UnitBack { unit });
        }
        let off = |var: &f64| libm::fabs(rise_var - var) / var;
        let is_there = |unit: &usize| self.lost_units.iter().all(|(lost, _)| lost != unit);
        let (unit, _) = bank
            .units_var
            .iter()
            .enumerate()
            .filter(|(unit, _)| is_there(unit))
            .map(|(unit, var)| (unit, off(var)))
            .min_by(|a, b| a.1.total_cmp(&b.1))
            .filter(|(_, off)| *off < UNIT_NEAR)?;
        self.lost_units.push((unit, rise_var));
        Some(Loss::Unit { rise_var, unit })
    }
}

/// Whether a shift of the phases takes an earlier one back.
fn undoes(now: &[f64; 3], lost: &[f64; 3]) -> bool {
    let dot = |a: &[f64; 3], b: &[f64; 3]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
    let (n, l) = (libm::sqrt(dot(now, now)), libm::sqrt(dot(lost, lost)));
    let size = n / l;
    l > 0.0 && dot(now, lost) < BACK_COSINE * n * l && (BACK_SIZE[0]..=BACK_SIZE[1]).contains(&size)
}

/// Mean residual of the total on each day learnt from.
fn days(learnt: &[Batch], residuals: &[[f64; LINES]]) -> Vec<f64> {
    let mut days: Vec<(i64, f64, f64)> = Vec::new();
    for (b, r) in learnt.iter().zip(residuals) {
        let day = b.start_ms.div_euclid(86_400_000);
        match days.last_mut().filter(|d| d.0 == day) {
            Some(d) => {
                d.1 += r[3];
                d.2 += 1.0;
            }
            None => days.push((day, r[3], 1.0)),
        }
    }
    days.into_iter().map(|d| d.1 / d.2).collect()
}

fn spread(x: &[f64]) -> f64 {
    let n = x.len().max(2) as f64;
    let mean = x.iter().sum::<f64>() / n;
    libm::sqrt(x.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>() / (n - 1.0))
}
