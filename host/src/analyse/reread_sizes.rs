//! Sizes of voltages and currents read again: sums of channels as sums of the phases that a
//! record holds.
//!
//! Of phases only sizes are known. Three that add to zero are the sides of a triangle, whose
//! angles follow from its sides: the size of any sum of two is exact (law of cosines, which
//! holds for mean products of waves as well). Otherwise a sum is at most the sum of the sizes.

use wattless_core::complex::Complex;
use wattless_core::frame::ACTIVE;
use wattless_core::record::Record;
use wattless_core::wiring::{Weights, Wiring};

/// Shares of the old phases that make a row, with the least sum of sizes; `None` where the
/// phases do not contain it.
pub(super) fn shares(row: &Weights, old: &[Weights]) -> Option<[f64; 3]> {
    let mut best: Option<(f64, [f64; 3])> = None;
    for chosen in 1u8..1 << old.len().min(3) {
        let columns: Vec<usize> = (0..3).filter(|k| chosen & (1 << k) != 0).collect();
        let Some(x) = solve(row, old, &columns) else { continue };
        let size = x.iter().map(|x| x.abs()).sum();
        if best.is_none_or(|(least, _)| size < least - 1e-9) {
            best = Some((size, x));
        }
    }
    best.map(|(_, x)| x)
}

/// RMS of a sum of two of three phases that add to zero, from the RMS of all three.
pub(super) fn rms(shares: &[f64; 3], rms: &[f64; 3]) -> f64 {
    let mut square = 0.0;
    for (j, k, other) in [(0, 1, 2), (1, 2, 0), (2, 0, 1)] {
        let product = rms[other] * rms[other] - rms[j] * rms[j] - rms[k] * rms[k];
        square += shares[j] * shares[j] * rms[j] * rms[j] + shares[j] * shares[k] * product;
    }
    libm::sqrt(square.max(0.0))
}

/// Shares of some of the phases by elimination; `None` where they do not make the row.
fn solve(row: &Weights, old: &[Weights], columns: &[usize]) -> Option<[f64; 3]> {
    // One equation a channel: shares of the phases, and the row itself.
    let mut equations: Vec<Vec<f64>> =
        (0..ACTIVE).map(|c| columns.iter().map(|k| old[*k][c]).chain([row[c]]).collect()).collect();
    let n = columns.len();
    for step in 0..n {
        let pivot = (step..ACTIVE)
            .max_by(|a, b| equations[*a][step].abs().total_cmp(&equations[*b][step].abs()))?;
        if equations[pivot][step].abs() < 1e-9 {
            return None;
        }
        equations.swap(step, pivot);
        let by = equations[step].clone();
        for (_, equation) in equations.iter_mut().enumerate().filter(|(k, _)| *k != step) {
            let times = equation[step] / by[step];
            equation.iter_mut().zip(&by).for_each(|(x, b)| *x -= times * b);
        }
    }
    if equations[n..].iter().any(|e| e[n].abs() > 1e-9) {
        return None;
    }
    let mut out = [0.0; 3];
    for (step, k) in columns.iter().enumerate() {
        out[*k] = equations[step][n] / equations[step][step];
    }
    Some(out)
}

/// RMS over fundamental of all old phases together, for sizes that were not measured.
pub(super) struct Excess {
    pub(super) v: f64,
    pub(super) i: f64,
}

impl Excess {
    pub(super) fn of(old: &Record, wiring: Wiring, sum: &impl Fn(&Weights) -> Complex) -> Excess {
        let n = wiring.phases();
        let ratio = |rms: &dyn Fn(usize) -> f32, rows: &[Weights; 3]| {
            let (mut all, mut first) = (0.0, 0.0);
            for (k, row) in rows.iter().enumerate().take(n) {
                let x = f64::from(rms(k));
                all += x * x;
                first += sum(row).norm_sq();
            }
            if first > 0.0 { libm::sqrt(all / first).max(1.0) } else { 1.0 }
        };
        Excess {
            v: ratio(&|k| old.phases[k].v_rms_v, &wiring.phase_voltages()),
            i: ratio(&|k| old.phases[k].i_rms_a, &wiring.phase_currents()),
        }
    }
}

/// What RMS leaves beside the mean fundamental; both are stored with 16 bits, which is allowed for.
pub(super) fn beyond(rms: f32, mean: Complex) -> f64 {
    const STORED: f64 = 2.0 * 2.0 * 1.6e-5;
    let rms = f64::from(rms);
    libm::sqrt((rms * rms * (1.0 + STORED) - mean.norm_sq()).max(0.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_are_written_as_phases() {
        // The second phase of two sensors with the first clamp turned: i1 − i3.
        let old = Wiring::TwoSensor.phase_currents();
        let row = [0.0, 0.0, 0.0, 1.0, 0.0, -1.0];
        let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-12);
        let is = |x: Option<[f64; 3]>, want: [f64; 3]| {
            x.unwrap().into_iter().zip(want).for_each(|(a, b)| near(a, b));
        };
        is(shares(&row, &old), [1.0, 0.0, -1.0]);
        // L1-L2 of three star voltages is v1 − v2.
        let old = Wiring::ThreeWire.phase_voltages();
        is(shares(&[1.0, -1.0, 0.0, 0.0, 0.0, 0.0], &old), [1.0, -1.0, 0.0]);
        // Sides 3, 4 and 5: the sum of the first two is the third, their difference as long.
        near(rms(&[1.0, 1.0, 0.0], &[3.0, 4.0, 5.0]), 5.0);
        near(rms(&[1.0, -1.0, 0.0], &[3.0, 4.0, 5.0]), 5.0);
        near(rms(&[0.0, -1.0, 1.0], &[1.0, 1.0, 1.0]), libm::sqrt(3.0));
        near(rms(&[0.0, 2.0, 0.0], &[1.0, 1.0, 1.0]), 2.0);
        // A lead against the common point is in no star voltage.
        assert_eq!(shares(&[1.0, 0.0, 0.0, 0.0, 0.0, 0.0], &old), None);
    }
}
