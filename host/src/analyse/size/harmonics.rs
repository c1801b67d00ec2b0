//! Harmonics that the log measured, and what a candidate makes of them.

use super::supply::Supply;
use serde::Serialize;
use wattless_core::correction::{harmonic_current_ratio, magnification, resonance_order};

/// Orders that records carry.
pub const ORDERS: [f64; 5] = [3.0, 5.0, 7.0, 11.0, 13.0];

/// Most of each order in the voltage of a public supply, in percent of the fundamental
/// (EN 50160, low voltage).
pub const VOLTAGE_LIMIT_PCT: [f64; 5] = [5.0, 6.0, 5.0, 3.5, 3.0];

/// Most total harmonic distortion of the voltage there, in percent.
pub const THD_LIMIT_PCT: f64 = 8.0;

/// Share of the fundamental from which a feeder counts as injecting an order.
const INJECTED: f64 = 0.02;

/// How near to an order a resonance is called near, as a share of the order. Common practice.
const NEAR: f64 = 0.10;

/// Harmonics over the fundamental: high values of the log (those exceeded for 5 % of the time).
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Measured {
    /// In the voltage, by [`ORDERS`].
    pub v_ratio: Option<[f64; 5]>,
    /// In the current, by [`ORDERS`].
    pub i_ratio: Option<[f64; 5]>,
    /// Fundamental current that goes with it, as apparent power in VA.
    pub s1_va: f64,
}

impl Measured {
    /// Harmonic voltages; where only currents are known, those that they make in the supply.
    pub fn voltages(&self, supply: &Supply) -> Option<[f64; 5]> {
        self.v_ratio.or_else(|| {
            let (i, ssc) = (self.i_ratio?, supply.short_circuit_va?);
            let mut v = [0.0; 5];
            for ((v, i), order) in v.iter_mut().zip(i).zip(ORDERS) {
                *v = i * order * self.s1_va / ssc;
            }
            Some(v)
        })
    }

    /// Whether the feeder injects an order; `None` where it is not known.
    pub fn injects(&self, order: usize) -> Option<bool> {
        let i = self.i_ratio.map(|i| i[order] >= INJECTED);
        // Without currents, a voltage of half a percent is taken for a sign of it.
        i.or_else(|| self.v_ratio.map(|v| v[order] >= 0.005))
    }
}

/// Capacitors of one build that are on together.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Branch {
    /// Output at the fundamental, in var.
    pub q_var: f64,
    /// Reactor over capacitor reactance.
    pub p: f64,
}

/// What one combination of switched-on capacitors does to the harmonics.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Resonance {
    /// kvar that are on, in var at nominal voltage.
    pub q_var: f64,
    /// Order of the parallel resonance of plain capacitors with the supply.
    pub order: Option<f64>,
    /// The measured order that lies near it and is injected, or may be.
    pub near: Option<f64>,
    /// Magnification of each order's voltage, by [`ORDERS`].
    pub magnification: Option<[f64; 5]>,
    /// Harmonic voltages with the capacitors, over the fundamental.
    pub v_ratio: Option<[f64; 5]>,
}

/// The state of a bus with some branches on.
pub fn resonance(branches: &[Branch], supply: &Supply, measured: &Measured) -> Resonance {
    let q_var: f64 = branches.iter().map(|b| b.q_var).sum();
    let plain: f64 = branches.iter().filter(|b| b.p == 0.0).map(|b| b.q_var).sum();
    let ssc = supply.short_circuit_va;
    let order = ssc.filter(|_| plain > 0.0).map(|ssc| resonance_order(ssc, plain));
    let all_plain = branches.iter().all(|b| b.p == 0.0);
    let near = order.filter(|_| all_plain).and_then(|h| {
        ORDERS.iter().enumerate().skip(1).find_map(|(k, o)| {
            let close = (h - o).abs() <= NEAR * o;
            (close && measured.injects(k).unwrap_or(true)).then_some(*o)
        })
    });
    let magnified = ssc.map(|ssc| {
        let mut m = [1.0; 5];
        for (m, h) in m.iter_mut().zip(ORDERS) {
            *m = magnified_by(branches, h, ssc, supply.r_over_x);
        }
        m
    });
    let v_ratio = measured.voltages(supply).zip(magnified).map(|(v, m)| {
        let mut after = [0.0; 5];
        for k in 0..5 {
            after[k] = v[k] * m[k];
        }
        after
    });
    Resonance { q_var, order, near, magnification: magnified, v_ratio }
}

/// |1/(1 + Zs·ΣYc)| of several branches, all lossless.
fn magnified_by(branches: &[Branch], h: f64, ssc: f64, r_over_x: f64) -> f64 {
    if let [one] = branches {
        return magnification(h, ssc, r_over_x, one.q_var, one.p);
    }
    let mut y = 0.0;
    for b in branches {
        let net = 1.0 - b.p * h * h;
        if net == 0.0 {
            return 0.0;
        }
        y += b.q_var / ssc * (1.0 - b.p) * h / net;
    }
    let (re, im) = (1.0 - h * y, r_over_x * y);
    1.0 / libm::sqrt(re * re + im * im)
}

/// Stress of capacitors, each over its rating.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Stress {
    /// RMS voltage over rated.
    pub voltage: f64,
    /// RMS current over rated.
    pub current: f64,
    /// Reactive power over rated.
    pub kvar: f64,
    /// Whether harmonics are in it.
    pub with_harmonics: bool,
}

/// Stress at a voltage over the capacitors' rated one, behind a reactor of `p`.
///
/// `v` is the bus voltage over the capacitors' rated voltage.
pub fn stress(v: f64, p: f64, v_ratio: Option<[f64; 5]>) -> Stress {
    let fundamental = v / (1.0 - p);
    let (mut v2, mut i2, mut q) = (1.0, 1.0, 1.0);
    for (h, ratio) in ORDERS.iter().zip(v_ratio.unwrap_or_default()) {
        let i = harmonic_current_ratio(*h, ratio, p);
        if !i.is_finite() {
            return Stress {
                voltage: f64::INFINITY,
                current: f64::INFINITY,
                kvar: f64::INFINITY,
                with_harmonics: true,
            };
        }
        // The voltage of an order on a capacitor is its current over the order.
        i2 += i * i;
        v2 += i / h * (i / h);
        q += i * i / h;
    }
    Stress {
        voltage: fundamental * libm::sqrt(v2),
        current: fundamental * libm::sqrt(i2),
        kvar: fundamental * fundamental * q,
        with_harmonics: v_ratio.is_some(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::site::Site;
    use std::path::Path;

    fn supply() -> Supply {
        let text = "[supply]\nline_voltage_v = 400\n[transformer]\nkva = 500\nz_pct = 5\n";
        Supply::of(&Site::parse(text, Path::new("x")).unwrap(), 50.0).unwrap()
    }

    /// 10 MVA and 400 kvar resonate at the fifth; with a fifth of 1 % and R/X of 0.1 it becomes
    /// 1/(0.1·5·0.04) = 50 times that.
    #[test]
    fn a_resonance_at_an_order_is_near_and_magnifies() {
        let measured =
            Measured { v_ratio: Some([0.0, 0.01, 0.0, 0.0, 0.0]), ..Measured::default() };
        let r = resonance(&[Branch { q_var: 400e3, p: 0.0 }], &supply(), &measured);
        assert!((r.order.unwrap() - 5.0).abs() < 1e-12);
        assert_eq!(r.near, Some(5.0));
        assert!((r.magnification.unwrap()[1] - 50.0).abs() < 1e-6);
        assert!((r.v_ratio.unwrap()[1] - 0.5).abs() < 1e-8);
        // Two halves are the whole; behind 7 % there is no such resonance.
        let half = Branch { q_var: 200e3, p: 0.0 };
        let two = resonance(&[half, half], &supply(), &measured);
        assert!((two.magnification.unwrap()[1] - 50.0).abs() < 1e-6);
        let detuned = resonance(&[Branch { q_var: 400e3, p: 0.07 }], &supply(), &measured);
        assert_eq!(detuned.near, None);
        assert!(detuned.magnification.unwrap()[1] < 1.0);
        // Unknown harmonics: it may be.
        let r = resonance(&[Branch { q_var: 400e3, p: 0.0 }], &supply(), &Measured::default());
        assert_eq!((r.near, r.v_ratio), (Some(5.0), None));
    }

    #[test]
    fn currents_alone_give_voltages() {
        let i = Measured { i_ratio: Some([0.0, 0.2, 0.0, 0.0, 0.0]), s1_va: 100e3, v_ratio: None };
        // 0.2 · 5 · 100 kVA / 10 MVA = 1 %.
        assert!((i.voltages(&supply()).unwrap()[1] - 0.01).abs() < 1e-12);
        assert_eq!(i.injects(1), Some(true));
        assert_eq!(i.injects(2), Some(false));
    }

    /// IEEE Std 18: at 110 % voltage without harmonics, kvar is 121 % and current 110 %.
    #[test]
    fn stress_without_and_with_harmonics() {
        let s = stress(1.1, 0.0, None);
        assert!((s.voltage - 1.1).abs() < 1e-12 && (s.current - 1.1).abs() < 1e-12);
        assert!((s.kvar - 1.21).abs() < 1e-12 && !s.with_harmonics);
        // 4 % of fifth through plain capacitors is 20 % of current: sqrt(1.04) in all.
        let s = stress(1.0, 0.0, Some([0.0, 0.04, 0.0, 0.0, 0.0]));
        assert!((s.current - libm::sqrt(1.04)).abs() < 1e-12);
        assert!((s.voltage - libm::sqrt(1.0016)).abs() < 1e-12);
        assert!((s.kvar - 1.008).abs() < 1e-12);
        // 440 V capacitors behind 7 % at 400 V: 97.8 %.
        assert!((stress(400.0 / 440.0, 0.07, None).voltage - 0.977_52).abs() < 1e-5);
        // Tuned right onto an order that is there.
        assert!(stress(1.0, 1.0 / 9.0, Some([0.01, 0.0, 0.0, 0.0, 0.0])).current > 2.0);
    }
}
