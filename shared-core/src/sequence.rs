//! Symmetrical components of three phasors, rotation, and the two usual measures of unbalance.
//! Components after Fortescue (1918); unbalance after IEC 61000-4-30 and NEMA MG 1.

use crate::complex::Complex;

/// 1∠120°, the operator that turns by one phase.
const A: Complex = Complex { re: -0.5, im: 0.866_025_403_784_438_6 };
/// 1∠240°.
const A2: Complex = Complex { re: -0.5, im: -0.866_025_403_784_438_6 };

/// The order in which three phasors pass.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Rotation {
    /// L1, L2, L3: the second lags the first by 120°.
    Positive,
    /// L1, L3, L2.
    Negative,
}

impl Rotation {
    /// The other direction.
    pub const fn reversed(self) -> Self {
        match self {
            Rotation::Positive => Rotation::Negative,
            Rotation::Negative => Rotation::Positive,
        }
    }

    /// The order of the lines as words.
    pub const fn name(self) -> &'static str {
        match self {
            Rotation::Positive => "L1-L2-L3",
            Rotation::Negative => "L1-L3-L2",
        }
    }
}

/// Zero, positive and negative sequence of three phasors, in their unit.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Components {
    /// The part that all three have in common.
    pub zero: Complex,
    /// The part that turns L1, L2, L3.
    pub positive: Complex,
    /// The part that turns L1, L3, L2.
    pub negative: Complex,
}

impl Components {
    /// Components of three phasors: X1 = (Xa + a·Xb + a²·Xc)/3 and its companions.
    pub fn of(x: [Complex; 3]) -> Self {
        let [a, b, c] = x;
        const THIRD: f64 = 1.0 / 3.0;
        Components {
            zero: (a + b + c).scale(THIRD),
            positive: (a + A * b + A2 * c).scale(THIRD),
            negative: (a + A2 * b + A * c).scale(THIRD),
        }
    }

    /// The three phasors that have these components.
    pub fn phasors(&self) -> [Complex; 3] {
        let (z, p, n) = (self.zero, self.positive, self.negative);
        [z + p + n, z + A2 * p + A * n, z + A * p + A2 * n]
    }

    /// The direction of the larger rotating part; `None` when neither is larger.
    pub fn rotation(&self) -> Option<Rotation> {
        let (p, n) = (self.positive.norm_sq(), self.negative.norm_sq());
        if p > n {
            Some(Rotation::Positive)
        } else if n > p {
            Some(Rotation::Negative)
        } else {
            None
        }
    }

    /// The same with the lines named in the order in which a supply passes them: its own
    /// direction is the positive one then.
    pub fn along(&self, supply: Option<Rotation>) -> Self {
        match supply {
            Some(Rotation::Negative) => {
                Components { positive: self.negative, negative: self.positive, ..*self }
            }
            _ => *self,
        }
    }

    /// Negative over positive sequence as a fraction (IEC unbalance u2); `None` without positive.
    pub fn negative_ratio(&self) -> Option<f64> {
        quotient(self.negative.abs(), self.positive.abs())
    }

    /// Zero over positive sequence as a fraction (IEC unbalance u0); `None` without positive.
    pub fn zero_ratio(&self) -> Option<f64> {
        quotient(self.zero.abs(), self.positive.abs())
    }
}

fn quotient(a: f64, b: f64) -> Option<f64> {
    (b > 0.0).then(|| a / b).filter(|q| q.is_finite())
}

/// Largest deviation from the mean over the mean, as a fraction (NEMA MG 1).
///
/// MG 1 takes line voltages for voltage and line currents for current unbalance;
/// `None` when the mean is not positive.
pub fn deviation_from_mean(magnitudes: [f64; 3]) -> Option<f64> {
    let mean = magnitudes.iter().sum::<f64>() / 3.0;
    let worst = magnitudes.iter().map(|m| libm::fabs(m - mean)).fold(0.0, f64::max);
    quotient(worst, mean)
}

/// Negative over positive sequence from the magnitudes of three line voltages, as a fraction.
///
/// Line voltages close a triangle, so that their magnitudes are enough (formula of
/// IEC 61000-4-30, 5.7.1, from memory): with β = ΣU⁴/(ΣU²)²,
/// u2 = sqrt((1 − sqrt(3 − 6β))/(1 + sqrt(3 − 6β))). `None` when the three close no triangle.
pub fn negative_ratio_of_lines(line_v: [f64; 3]) -> Option<f64> {
    let squares = line_v.map(|u| u * u);
    let sum: f64 = squares.iter().sum();
    let fourth: f64 = squares.iter().map(|s| s * s).sum();
    let beta = quotient(fourth, sum * sum)?;
    // Rounding may carry an exact balance just past the end of the range.
    let under = 3.0 - 6.0 * beta;
    if under < -1e-12 || line_v.iter().any(|u| u.is_nan() || *u < 0.0) {
        return None;
    }
    let root = libm::sqrt(under.clamp(0.0, 1.0));
    Some(libm::sqrt((1.0 - root) / (1.0 + root)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(magnitude: f64, deg: f64) -> Complex {
        Complex::unit(deg.to_radians()).scale(magnitude)
    }

    #[test]
    fn balanced_phasors_have_one_component() {
        let c = Components::of([at(230.0, 17.0), at(230.0, -103.0), at(230.0, 137.0)]);
        assert!((c.positive.abs() - 230.0).abs() < 1e-9);
        assert!(c.negative.abs() < 1e-9 && c.zero.abs() < 1e-9);
        assert_eq!(c.rotation(), Some(Rotation::Positive));
        let c = Components::of([at(230.0, 17.0), at(230.0, 137.0), at(230.0, -103.0)]);
        assert_eq!(c.rotation(), Some(Rotation::Negative));
        assert_eq!(Components::of([Complex::ZERO; 3]).negative_ratio(), None);
    }

    /// Worked by hand: one phase alone has three equal components of a third each.
    #[test]
    fn one_phase_alone_splits_in_three() {
        let c = Components::of([at(90.0, 0.0), Complex::ZERO, Complex::ZERO]);
        for part in [c.zero, c.positive, c.negative] {
            assert!((part - at(30.0, 0.0)).abs() < 1e-12);
        }
        assert!((c.negative_ratio().unwrap() - 1.0).abs() < 1e-12);
    }

    #[test]
    fn components_return_to_phasors() {
        let x = [at(231.0, 3.0), at(219.0, -118.0), at(240.0, 125.0)];
        let back = Components::of(x).phasors();
        assert!(x.iter().zip(back).all(|(a, b)| (*a - b).abs() < 1e-9));
    }

    /// NEMA MG 1 examples restated on public pages: 460/467/450 V gives 9/459 = 1.96 %;
    /// 480/476/472 V gives 0.84 % (and not 1.68 %, which is the range over the mean);
    /// 203/210/212 V gives 2.56 % (printed as 2.5 %).
    #[test]
    fn deviation_matches_published_examples() {
        let pct = |v| deviation_from_mean(v).unwrap() * 100.0;
        assert!((pct([460.0, 467.0, 450.0]) - 1.96).abs() < 0.005);
        assert!((pct([480.0, 476.0, 472.0]) - 0.84).abs() < 0.005);
        assert!((pct([203.0, 210.0, 212.0]) - 2.56).abs() < 0.005);
        assert!((pct([203.0, 210.0, 212.0]) - 2.5).abs() < 0.07);
        // Computed with the general-purpose library electricpy 0.3.0: 0.0196078.
        assert!((pct([460.0, 467.0, 450.0]) - 1.96078).abs() < 1e-5);
        assert_eq!(deviation_from_mean([0.0; 3]), None);
    }

    /// The formula from magnitudes against Fortescue on triangles of line voltages.
    #[test]
    fn line_magnitudes_give_the_same_unbalance_as_phasors() {
        for (m2, angle) in [(0.0, 0.0), (0.01, 40.0), (0.03, -75.0), (0.2, 160.0)] {
            let star = Components {
                zero: at(17.0, 55.0),
                positive: at(230.0, 10.0),
                negative: at(230.0 * m2, angle),
            }
            .phasors();
            let lines = [star[0] - star[1], star[1] - star[2], star[2] - star[0]];
            let u2 = negative_ratio_of_lines(lines.map(Complex::abs)).unwrap();
            assert!((u2 - m2).abs() < 1e-7, "{m2} {u2}");
            let direct = Components::of(lines).negative_ratio().unwrap();
            assert!((u2 - direct).abs() < 1e-7);
        }
        assert_eq!(negative_ratio_of_lines([100.0, 100.0, 250.0]), None);
        assert_eq!(negative_ratio_of_lines([0.0; 3]), None);
    }
}
