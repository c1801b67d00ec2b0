//! What the 5th and 7th harmonics say of a pairing: does the load answer them as a motor's
//! leakage or a capacitor does?
//!
//! The 5th turns backwards and the 7th forwards. With the currents on the next line the angles of
//! fundamental and 7th move by 120° one way and that of the 5th by as much the other way: only the
//! right pairing (and the one with all clamps turned) gives one load at both. What a load is at
//! these orders follows from its impedance: the leakage reactance of an induction machine rises
//! with the order, that of a capacitor falls, a capacitor behind a choke is inductive above their
//! resonance (common practice; the series circuits of IEC 60076-6 and IEC 61642).
//!
//! Where the voltage has next to no harmonics, or drives and rectifiers make the current's, the
//! answer is nothing: it speaks for a pairing or not at all.

use super::HookupInput;
use super::connection::{Perm, pick, source};
use super::pairing::phase_currents;
use super::voltages::star;
use crate::complex::Complex;
use crate::frame::ACTIVE;
use crate::wiring::Wiring;

/// RMS phasors of two harmonics of all channels, in V and A.
///
/// The channels of one order have a common reference of time; orders need none with each other.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct HarmonicPhasors {
    /// The 5th.
    pub fifth: [Complex; ACTIVE],
    /// The 7th.
    pub seventh: [Complex; ACTIVE],
}

/// The orders of [`HarmonicPhasors`].
pub const WITNESS_ORDERS: [usize; 2] = [5, 7];

/// What the load can be by its answer to the harmonics; both where one looks like the other.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Linear {
    /// An induction machine: inductive, the current falling with the order.
    pub(super) machine: bool,
    /// Capacitors: capacitive, or inductive as behind a choke.
    pub(super) capacitors: bool,
    /// Capacitors too small to lead with, as of an inverter's filter.
    pub(super) filter: bool,
}

impl Linear {
    /// Whether such a load can have this angle at the fundamental.
    pub(super) fn suits(self, phi_deg: f64) -> bool {
        let consumes = (-105.0..75.0).contains(&phi_deg);
        // An induction machine lags, driving or driven; an inverter feeds back.
        (self.machine && (5.0..160.0).contains(&phi_deg))
            || (self.capacitors && consumes)
            || (self.filter && libm::fabs(phi_deg) > 95.0)
    }
}

/// Smallest harmonic over fundamental: voltage, and current.
const V_SHARE: f64 = 1.5e-3;
const I_SHARE: f64 = 2e-3;
/// Smallest harmonic current over the sensors' range.
const RANGE_SHARE: f64 = 2e-4;
/// How well the phases must agree: |Σ V·I*|² over Σ|V|²·Σ|I|².
const AGREEMENT: f64 = 0.95;
/// How near the angles at both orders must be, in degrees.
const TOGETHER_DEG: f64 = 12.0;

/// Angle and size of a load at one order, from all phases together.
#[derive(Clone, Copy, Debug)]
struct Answer {
    /// Voltage before current, in degrees.
    phi_deg: f64,
    /// Current over voltage, in S.
    admittance_s: f64,
}

/// The three phases without what they have in common, which drives nothing between lines.
fn rotating(x: [Complex; 3]) -> [Complex; 3] {
    let [a, b, c] = x;
    let zero = (a + b + c).scale(1.0 / 3.0);
    x.map(|x| x - zero)
}

fn size(x: &[Complex; 3]) -> f64 {
    libm::sqrt(x.iter().map(|x| x.norm_sq()).sum())
}

fn answer(v: &[Complex; 3], i: &[Complex; 3], order: &Perm) -> Option<(Answer, f64)> {
    let mut s = Complex::ZERO;
    for (k, v) in v.iter().enumerate() {
        s += *v * pick(i, source(order, k)).conj();
    }
    let (v, i) = (size(v), size(i));
    let agreement = s.norm_sq() / (v * v * i * i);
    let phi_deg = s.arg() * 180.0 / core::f64::consts::PI;
    (v > 0.0 && i > 0.0).then_some((Answer { phi_deg, admittance_s: i / v }, agreement))
}

/// What the input's harmonics are worth; made once for all pairings.
pub(super) struct Witness {
    wiring: Wiring,
    /// Fundamental and the two harmonics: phase voltages, and clamps.
    v: [[Complex; 3]; 3],
    i: [[Complex; 3]; 3],
    range_a: f64,
}

impl Witness {
    /// `None` where there is nothing to hear: no harmonics, no three phases, or a voltage turned.
    pub(super) fn of(
        input: &HookupInput,
        v_turned: &[bool; 3],
        v1: [Complex; 3],
    ) -> Option<Witness> {
        let h = input.harmonics.as_ref()?;
        if input.wiring.phases() != 3 || v_turned.contains(&true) {
            return None;
        }
        let halves = |[a, b, c, d, e, f]: [Complex; ACTIVE]| ([a, b, c], [d, e, f]);
        let (v5, i5) = halves(h.fifth);
        let (v7, i7) = halves(h.seventh);
        let (_, i1) = halves(input.phasors);
        let phases = |v| rotating(star(input.wiring, v, v_turned));
        let v = [rotating(v1), phases(&v5), phases(&v7)];
        let [v1, v5, v7] = v.each_ref().map(size);
        let finite = h.fifth.iter().chain(&h.seventh).all(|x| x.re.is_finite() && x.im.is_finite());
        let range_a = input.range_rms.iter().skip(3).fold(0.0, |a: f64, r| a.max(*r));
        (finite && v5.min(v7) > V_SHARE * v1).then_some(Witness {
            wiring: input.wiring,
            v,
            i: [i1, i5, i7],
            range_a,
        })
    }

    /// Of which kind the load would be at the harmonics; `None` where it would be neither.
    pub(super) fn load(&self, order: &Perm, turned: &[bool; 3]) -> Option<Linear> {
        let i = self.i.each_ref().map(|i| rotating(phase_currents(self.wiring, i, turned)));
        let [i1, i5, i7] = i.each_ref().map(size);
        if i5.min(i7) < f64::max(I_SHARE * i1, RANGE_SHARE * self.range_a) {
            return None;
        }
        let mut answers = [Answer { phi_deg: 0.0, admittance_s: 0.0 }; 3];
        for ((out, v), i) in answers.iter_mut().zip(&self.v).zip(&i) {
            let (answer, agreement) = answer(v, i, order)?;
            if agreement < AGREEMENT {
                return None;
            }
            *out = answer;
        }
        let [one, five, seven] = answers;
        // How the load changes from order to order.
        let step = seven.admittance_s / five.admittance_s;
        let rise = five.admittance_s / one.admittance_s;
        // One load has nearly one angle at both.
        let both = |range: core::ops::Range<f64>| {
            range.contains(&five.phi_deg)
                && range.contains(&seven.phi_deg)
                && libm::fabs(five.phi_deg - seven.phi_deg) < TOGETHER_DEG
        };
        let linear = if both(70.0..99.0) {
            Linear {
                // Leakage: 5/7, with what stands beside it; 12 to 25 % of the rated impedance.
                machine: (0.6..0.84).contains(&step) && (0.4..12.0).contains(&rise),
                // Detuned by 5.7 to 14 %: 0.33 to 0.6, beside a machine up to its own.
                capacitors: (0.28..0.75).contains(&step) && (1.0..40.0).contains(&rise),
                filter: false,
            }
        } else {
            // 7/5, and more where leakage beside them takes part of the 5th away.
            let rises = both(-99.0..-68.0) && (1.25..3.6).contains(&step);
            let (capacitors, filter) = (rises && rise > 1.5, rises && (0.05..1.5).contains(&rise));
            Linear { machine: false, capacitors, filter }
        };
        (linear.machine || linear.capacitors || linear.filter).then_some(linear)
    }
}
