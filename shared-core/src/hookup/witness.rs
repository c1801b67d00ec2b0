//! What the 5th to 13th harmonics say of a pairing: does the load answer them as a motor's
//! leakage or a capacitor does?
//!
//! The 5th and 11th turn backwards, the 7th and 13th forwards. With the currents on the next line
//! the angles of fundamental and 7th move by 120° one way and that of the 5th by as much the other
//! way: only the right pairing (and the one with all clamps turned) gives one load at both. What
//! a load is at these orders follows from its impedance: the leakage reactance of an induction
//! machine rises with the order, that of a capacitor falls, a capacitor behind a choke is inductive
//! above their resonance (common practice; the series circuits of IEC 60076-6 and IEC 61642).
//!
//! Where the voltage has next to no harmonics, or drives and rectifiers make the current's, the
//! answer is nothing: it speaks for a pairing or not at all.

use super::HookupInput;
use super::channels::halves;
use super::connection::{Perm, pick, source};
use super::load::DEG;
use super::pairing::phase_currents;
use super::voltages::star;
use crate::complex::Complex;
use crate::frame::ACTIVE;
use crate::wiring::Wiring;
use core::ops::Range;

/// RMS phasors of harmonics of all channels, in V and A: the orders in [`WITNESS_ORDERS`].
///
/// The channels of one order have a common reference of time; orders need none with each other.
pub type HarmonicPhasors = [[Complex; ACTIVE]; WITNESS_ORDERS.len()];

/// The orders that are heard: backwards and forwards in turn.
pub const WITNESS_ORDERS: [usize; 4] = [5, 7, 11, 13];

/// What the load can be by its answer to the harmonics; both where one looks like the other.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Linear {
    /// An induction machine: inductive, the current falling with the order.
    pub(super) machine: bool,
    /// Capacitors: capacitive, or inductive as behind a choke.
    pub(super) capacitors: bool,
    /// Capacitors too small to lead with, as of an inverter's filter.
    pub(super) filter: bool,
    /// Whether the 11th and 13th agree: no chance of the two lower ones.
    pub(super) sure: bool,
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
    let phi_deg = s.arg() * DEG;
    (v > 0.0 && i > 0.0).then_some((Answer { phi_deg, admittance_s: i / v }, agreement))
}

/// Fundamental and the orders of [`WITNESS_ORDERS`].
type All<T> = [T; 1 + WITNESS_ORDERS.len()];

/// What the input's harmonics are worth; made once for all pairings.
pub(super) struct Witness {
    wiring: Wiring,
    /// Phase voltages, and clamps.
    v: All<[Complex; 3]>,
    i: All<[Complex; 3]>,
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
        let [h5, h7, h11, h13] = h.each_ref().map(halves);
        let (_, i1) = halves(&input.phasors);
        let phases = |v| rotating(star(input.wiring, v, v_turned));
        let v = [rotating(v1), phases(&h5.0), phases(&h7.0), phases(&h11.0), phases(&h13.0)];
        let [v1, v5, v7, ..] = v.each_ref().map(size);
        let finite = h.iter().flatten().all(|x| x.re.is_finite() && x.im.is_finite());
        let range_a = input.range_rms.iter().skip(3).fold(0.0, |a: f64, r| a.max(*r));
        (finite && v5.min(v7) > V_SHARE * v1).then_some(Witness {
            wiring: input.wiring,
            v,
            i: [i1, h5.1, h7.1, h11.1, h13.1],
            range_a,
        })
    }

    /// Of which kind the load would be at the harmonics; `None` where it would be none.
    pub(super) fn load(&self, order: &Perm, turned: &[bool; 3]) -> Option<Linear> {
        let i = self.i.each_ref().map(|i| rotating(phase_currents(self.wiring, i, turned)));
        let [i1, ..] = i.each_ref().map(size);
        let [v1, ..] = self.v.each_ref().map(size);
        let least_a = f64::max(I_SHARE * i1, RANGE_SHARE * self.range_a);
        let mut answers: All<Option<Answer>> = [None; 5];
        for ((out, v), i) in answers.iter_mut().zip(&self.v).zip(&i) {
            *out = answer(v, i, order)
                .filter(|(_, agreement)| {
                    *agreement > AGREEMENT && size(i) > least_a && size(v) > V_SHARE * v1
                })
                .map(|(answer, _)| answer);
        }
        let [Some(one), Some(five), Some(seven), eleven, thirteen] = answers else {
            return None;
        };
        let rise = five.admittance_s / one.admittance_s;
        let mut linear = Linear { machine: false, capacitors: false, filter: false, sure: false };
        let law = if five.within(&INDUCTIVE_DEG) {
            let step = five.step(&seven, &INDUCTIVE_DEG)?;
            // Leakage: 12 to 25 % of the rated impedance.
            linear.machine = MACHINE.steps[0].contains(&step) && (0.4..12.0).contains(&rise);
            linear.capacitors = CHOKED.steps[0].contains(&step) && (1.0..40.0).contains(&rise);
            if linear.machine { &MACHINE } else { &CHOKED }
        } else {
            let step = five.step(&seven, &CAPACITIVE_DEG)?;
            let rises = CAPACITOR.steps[0].contains(&step);
            linear.capacitors = rises && rise > 1.5;
            linear.filter = rises && (0.05..1.5).contains(&rise);
            &CAPACITOR
        };
        if let (Some(eleven), Some(thirteen)) = (eleven, thirteen) {
            let steps = [seven.step(&eleven, &law.deg), eleven.step(&thirteen, &law.deg)];
            let [_, higher @ ..] = &law.steps;
            linear.sure =
                steps.iter().zip(higher).all(|(s, law)| s.is_some_and(|s| law.contains(&s)));
        }
        (linear.machine || linear.capacitors || linear.filter).then_some(linear)
    }
}

/// Angles of what is inductive and capacitive at harmonics, sensors' errors included, in degrees.
const INDUCTIVE_DEG: Range<f64> = 70.0..99.0;
const CAPACITIVE_DEG: Range<f64> = -99.0..-68.0;

/// How a load answers from order to order.
struct Law {
    deg: Range<f64>,
    /// Admittance over that of the order before: 7th, 11th, 13th.
    steps: [Range<f64>; 3],
}

/// Leakage alone: 0.71, 0.64, 0.85.
const MACHINE: Law = Law { deg: INDUCTIVE_DEG, steps: [0.6..0.84, 0.52..0.76, 0.72..0.98] };
/// Detuned by 5.7 to 14 %: 0.33 to 0.6, 0.43 to 0.6, 0.8; beside a machine up to its own.
const CHOKED: Law = Law { deg: INDUCTIVE_DEG, steps: [0.28..0.75, 0.38..0.72, 0.7..0.96] };
/// Alone 1.4, 1.57, 1.18; more at the lower ones where leakage beside them takes part away.
const CAPACITOR: Law = Law { deg: CAPACITIVE_DEG, steps: [1.25..3.6, 1.4..2.6, 1.08..1.4] };

impl Answer {
    fn within(&self, deg: &Range<f64>) -> bool {
        deg.contains(&self.phi_deg)
    }

    /// Admittance at a higher order over that at this one; `None` unless both have one angle of
    /// a kind.
    fn step(&self, higher: &Answer, deg: &Range<f64>) -> Option<f64> {
        let together = libm::fabs(self.phi_deg - higher.phi_deg) < TOGETHER_DEG;
        (self.within(deg) && higher.within(deg) && together)
            .then_some(higher.admittance_s / self.admittance_s)
    }
}
