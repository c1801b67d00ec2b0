//! Distortion figures of voltages and currents, and the division of apparent power that
//! IEEE Std 1459-2010 makes of them (3.1.2.7 to 3.1.2.13 single-phase, 3.2.2.8 and after effective).

use crate::record::ORDERS;
use crate::spectrum::Orders;

/// Squares of the harmonic RMS values of one voltage or current, in V² or A².
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Squares {
    /// Of the fundamental.
    pub fundamental: f64,
    /// Of all harmonics from order 2 up to the highest measured, added.
    pub harmonics: f64,
    /// Of the orders in [`ORDERS`].
    pub kept: [f64; ORDERS.len()],
}

impl Squares {
    /// Squares of phasors up to an order, with a fundamental known more exactly than theirs.
    pub fn of(orders: &Orders, highest: usize, fundamental: f64) -> Squares {
        let mut s = Squares { fundamental, ..Squares::default() };
        let mut sum = 0.0f32;
        for x in orders.iter().take(highest + 1).skip(2) {
            sum += x.norm_sq();
        }
        s.harmonics = f64::from(sum);
        for (square, order) in s.kept.iter_mut().zip(ORDERS) {
            *square = f64::from(orders.get(order as usize).copied().unwrap_or_default().norm_sq());
        }
        s
    }

    /// Adds the squares of another time or phase, weighted.
    pub fn add(&mut self, other: &Squares, weight: f64) {
        self.fundamental += other.fundamental * weight;
        self.harmonics += other.harmonics * weight;
        for (a, x) in self.kept.iter_mut().zip(&other.kept) {
            *a += x * weight;
        }
    }

    /// Divides all by a number.
    pub fn over(mut self, divisor: f64) -> Squares {
        self.fundamental /= divisor;
        self.harmonics /= divisor;
        self.kept = self.kept.map(|x| x / divisor);
        self
    }

    /// Total harmonic distortion over the fundamental, as a fraction; `None` without fundamental.
    pub fn thd(&self) -> Option<f64> {
        root_ratio(self.harmonics, self.fundamental)
    }

    /// Harmonic RMS over a maximum demand current, as a fraction (TDD of IEEE Std 519-2022).
    pub fn tdd(&self, maximum_demand_a: f64) -> Option<f64> {
        root_ratio(self.harmonics, maximum_demand_a * maximum_demand_a)
    }

    /// Ratio of one of the [`ORDERS`] to the fundamental, by position there.
    pub fn kept_ratio(&self, position: usize) -> Option<f64> {
        root_ratio(self.kept.get(position).copied()?, self.fundamental)
    }
}

fn root_ratio(a: f64, b: f64) -> Option<f64> {
    (b > 0.0).then(|| libm::sqrt(a / b)).filter(|x| x.is_finite())
}

/// Harmonics of the phases over a window or an interval.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Distortion {
    /// Highest order that was measured.
    pub highest: usize,
    /// Voltages of the phases.
    pub v: [Squares; 3],
    /// Currents of the phases.
    pub i: [Squares; 3],
}

/// Apparent power and its parts (IEEE Std 1459-2010), in VA; the symbols are the standard's.
///
/// For effective quantities of three phases the names read Se, Se1, SeN, DeI, DeV, SeH.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Apparent {
    /// S, the product of RMS voltage and current.
    pub s_va: f64,
    /// S1, of their fundamentals.
    pub s1_va: f64,
    /// S_N = sqrt(S² − S1²), the nonfundamental apparent power.
    pub sn_va: f64,
    /// D_I, the current distortion power: fundamental voltage times the rest of the current.
    pub di_var: f64,
    /// D_V, the voltage distortion power: the rest of the voltage times fundamental current.
    pub dv_var: f64,
    /// S_H, the harmonic apparent power: the rest of both.
    pub sh_va: f64,
    /// P_H = P − P1, the harmonic active power, in W.
    pub ph_w: f64,
    /// D_H = sqrt(S_H² − P_H²), the harmonic distortion power.
    pub dh_var: f64,
}

impl Apparent {
    /// Divides `times`·V·I from RMS values, their fundamentals, and active powers.
    ///
    /// `times` is 1 for a phase and 3 for effective values. What is not fundamental
    /// (harmonics, interharmonics, DC) counts as harmonic, as in the standard.
    pub fn divide(times: f64, v: (f64, f64), i: (f64, f64), p_w: f64, p1_w: f64) -> Apparent {
        let rest =
            |(whole, first): (f64, f64)| libm::sqrt((whole * whole - first * first).max(0.0));
        let (vh, ih) = (rest(v), rest(i));
        let (s1, di) = (times * v.1 * i.1, times * v.1 * ih);
        let (dv, sh) = (times * vh * i.1, times * vh * ih);
        let ph = p_w - p1_w;
        Apparent {
            s_va: times * v.0 * i.0,
            s1_va: s1,
            sn_va: libm::sqrt(di * di + dv * dv + sh * sh),
            di_var: di,
            dv_var: dv,
            sh_va: sh,
            ph_w: ph,
            dh_var: libm::sqrt((sh * sh - ph * ph).max(0.0)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// IEEE Std 1459-2010, Annex B, from memory (inputs recalled from its powers per order):
    /// 100, 8, 15, 5 V and 100, 20, 15, 10 A of orders 1, 3, 5, 7 at 30°, 95°, 93°, 92°.
    #[test]
    fn the_standards_example() {
        let (v, i) = (libm::sqrt(10_314.0), libm::sqrt(10_725.0));
        let p1 = 8660.254;
        let p = p1 - 13.945 - 11.776 - 1.745;
        let a = Apparent::divide(1.0, (v, 100.0), (i, 100.0), p, p1);
        for (got, want) in [
            (a.s_va, 10_517.49),
            (a.s1_va, 10_000.0),
            (a.sn_va, 3258.47),
            (a.di_var, 2692.58),
            (a.dv_var, 1772.0),
            (a.sh_va, 477.13),
            (a.ph_w, -27.47),
            (a.dh_var, 476.34),
        ] {
            assert!((got - want).abs() < 0.006, "{got} {want}");
        }
    }

    #[test]
    fn ratios_are_over_their_base() {
        let s = Squares { fundamental: 100.0, harmonics: 4.0, kept: [1.0, 0.0, 0.0, 0.0, 0.0] };
        assert_eq!((s.thd(), s.kept_ratio(0), s.kept_ratio(1)), (Some(0.2), Some(0.1), Some(0.0)));
        assert_eq!(s.tdd(40.0), Some(0.05));
        assert_eq!(Squares::default().thd(), None);
        assert_eq!(s.tdd(0.0), None);
    }
}
