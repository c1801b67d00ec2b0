//! Expected reactive power at a load and a voltage, learnt by least squares.

/// Terms of an expectation.
pub const TERMS: usize = 4;

/// The terms of the total Q = a·u² + b·p + c·p²/u² + d·p·u², with u the mean voltage against
/// nominal and p the total power in any fixed unit.
///
/// a holds what goes with V² (magnetizing current of motors less the capacitors), b loads of
/// constant power factor, c the leakage reactance of motors, whose current goes with p/u,
/// d motors that come and go with the power.
pub fn total_terms(u: f64, p: f64) -> [f64; TERMS] {
    let u2 = u * u;
    [u2, p, if u2 > 0.0 { p * p / u2 } else { 0.0 }, p * u2]
}

/// The terms of one phase's Q against the mean of the phases: capacitors and motors that lean
/// (with u²), unequal voltages, single-phase loads (with the phase's power against the mean),
/// three-phase loads that lean (with the mean).
pub fn apart_terms(u: f64, mean_u: f64, p: f64, mean_p: f64) -> [f64; TERMS] {
    [mean_u * mean_u, (u - mean_u) * 100.0, p - mean_p, mean_p]
}

/// Sums of least squares.
#[derive(Clone, Debug, Default)]
pub struct Fit {
    xx: [[f64; TERMS]; TERMS],
    xy: [f64; TERMS],
    weight: f64,
}

impl Fit {
    /// Adds an observation with a weight.
    pub fn add(&mut self, x: [f64; TERMS], y: f64, weight: f64) {
        for (row, a) in self.xx.iter_mut().zip(x) {
            for (sum, b) in row.iter_mut().zip(x) {
                *sum += weight * a * b;
            }
        }
        for (sum, a) in self.xy.iter_mut().zip(x) {
            *sum += weight * a * y;
        }
        self.weight += weight;
    }

    /// The coefficients; `None` without observations.
    ///
    /// A share of 10⁻⁶ of the mean square of each term is added to the diagonal, so that a load
    /// that never changes has coefficients too (which then hold for that load only).
    pub fn solve(&self) -> Option<[f64; TERMS]> {
        if self.weight <= 0.0 {
            return None;
        }
        let mut a = self.xx;
        let mut y = self.xy;
        for (k, row) in a.iter_mut().enumerate() {
            row[k] += 1e-6 * row[k] + 1e-12;
        }
        // Symmetric and positive definite: elimination needs no pivoting.
        for k in 0..TERMS {
            let pivot = a[k][k];
            for r in k + 1..TERMS {
                let share = a[r][k] / pivot;
                let above = a[k];
                for (cell, up) in a[r].iter_mut().zip(above).skip(k) {
                    *cell -= share * up;
                }
                y[r] -= share * y[k];
            }
        }
        let mut c = [0.0; TERMS];
        for k in (0..TERMS).rev() {
            let known: f64 = (k + 1..TERMS).map(|j| a[k][j] * c[j]).sum();
            c[k] = (y[k] - known) / a[k][k];
        }
        c.iter().all(|x| x.is_finite()).then_some(c)
    }
}

/// The value of the expectation.
pub fn expected(c: &[f64; TERMS], x: &[f64; TERMS]) -> f64 {
    c.iter().zip(x).map(|(c, x)| c * x).sum()
}
