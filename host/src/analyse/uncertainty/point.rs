//! How readings follow from what the channels give: the sensitivity of each to each error.

use core::f64::consts::TAU;
use core::ops::Range;
use wattless_core::complex::Complex;
use wattless_core::frame::ACTIVE;
use wattless_core::wiring::{Weights, Wiring};

/// Channels of voltages and of currents.
pub const VOLTAGES: Range<usize> = 0..3;
/// Channels of currents.
pub const CURRENTS: Range<usize> = 3..ACTIVE;

/// One state of a feeder: phasors of the phases, and of the channels that gave them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// How channels make phases.
    pub wiring: Wiring,
    /// Fundamental voltage and current of each phase as RMS phasors, in V and A.
    pub phase: [(Complex, Complex); 3],
    /// RMS voltage of each phase, in V.
    pub v_v: [f64; 3],
    /// RMS current of each phase, in A.
    pub i_a: [f64; 3],
    /// Active power of each phase, in W.
    pub p_w: [f64; 3],
    /// Fundamental phasors of the channels, in V and A.
    pub channels: [Complex; ACTIVE],
}

/// Readings of one phase that a point is made of.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct PhaseValues {
    /// RMS voltage, in V.
    pub v_v: f64,
    /// RMS current, in A.
    pub i_a: f64,
    /// Active power, in W.
    pub p_w: f64,
    /// Reactive power of the fundamental, in var.
    pub q1_var: f64,
}

/// What a quantity changes by for a small change of each input, in its own unit.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Sensitivity {
    /// To the relative ratio of each channel.
    pub ratio: [f64; ACTIVE],
    /// To the angle of each channel, per radian that its output leads.
    pub angle: [f64; ACTIVE],
    /// To the ratio of each current sensor, per limit at its current.
    pub sensor_ratio: [f64; 3],
    /// To the angle of each current sensor, per limit at its current.
    pub sensor_angle: [f64; 3],
    /// To the relative rate of the sample clock.
    pub clock: f64,
    /// Variance by noise, in its unit squared.
    pub noise: f64,
}

impl Sensitivity {
    /// Adds a multiple of another: for sums over phases or times, noise being independent.
    pub fn add(&mut self, o: &Sensitivity, factor: f64) {
        let to = self.ratio.iter_mut().chain(&mut self.angle);
        let to = to.chain(&mut self.sensor_ratio).chain(&mut self.sensor_angle);
        let from = o.ratio.iter().chain(&o.angle).chain(&o.sensor_ratio).chain(&o.sensor_angle);
        to.zip(from).for_each(|(a, b)| *a += factor * b);
        self.clock += factor * o.clock;
        self.noise += factor * factor * o.noise;
    }

    /// The same times a factor.
    pub fn times(&self, factor: f64) -> Sensitivity {
        let mut s = Sensitivity::default();
        s.add(self, factor);
        s
    }

    /// Says how large the sensors' limits are: relative and in radians, for each.
    pub fn with_limits(mut self, limits: &[(f64, f64); 3]) -> Sensitivity {
        for (k, (ratio, angle)) in limits.iter().enumerate() {
            self.sensor_ratio[k] = self.ratio[CURRENTS.start + k] * ratio;
            self.sensor_angle[k] = self.angle[CURRENTS.start + k] * angle;
        }
        self
    }
}

impl Point {
    /// From readings of the phases, whose voltages are taken to lie as the wiring's should.
    ///
    /// The angle of each phase follows from its P and Q1; what harmonics add to P is small and
    /// taken as the fundamental's.
    pub fn new(wiring: Wiring, phases: &[PhaseValues; 3]) -> Point {
        let apart = if wiring == Wiring::SplitPhase { 0.5 } else { -1.0 / 3.0 };
        let mut p = Point {
            wiring,
            phase: [(Complex::ZERO, Complex::ZERO); 3],
            v_v: phases.each_ref().map(|x| x.v_v),
            i_a: phases.each_ref().map(|x| x.i_a),
            p_w: phases.each_ref().map(|x| x.p_w),
            channels: [Complex::ZERO; ACTIVE],
        };
        for (k, x) in phases.iter().enumerate().take(wiring.phases()) {
            let v = Complex::unit(TAU * apart * k as f64).scale(x.v_v);
            let i = if x.v_v > 0.0 {
                // I = (P − jQ)/V*.
                (Complex::new(x.p_w, -x.q1_var) * v).scale(1.0 / (x.v_v * x.v_v))
            } else {
                Complex::ZERO
            };
            p.phase[k] = (v, i);
        }
        let [a, b, c] = p.phase.map(|x| x.0);
        let volts = match wiring {
            Wiring::ThreeWireLine => [a - b, b - c, c - a],
            Wiring::TwoSensorLine => [a - b, Complex::ZERO, c - b],
            _ => [a, b, c],
        };
        let amps = p.phase.map(|x| x.1);
        for (k, x) in volts.into_iter().chain(amps).enumerate() {
            p.channels[k] = if wiring.uses()[k] { x } else { Complex::ZERO };
        }
        p
    }

    /// RMS of the sensors' currents, in A.
    pub fn sensor_currents_a(&self) -> [f64; 3] {
        core::array::from_fn(|k| self.channels[CURRENTS.start + k].abs())
    }

    fn weights(&self, k: usize) -> (Weights, Weights) {
        (self.wiring.phase_voltages()[k], self.wiring.phase_currents()[k])
    }

    /// RMS voltage of a phase, `noise_v` being each channel's after averaging.
    pub fn voltage(&self, k: usize, noise_v: f64) -> Sensitivity {
        let (w, _) = self.weights(k);
        self.magnitude(&w, self.phase[k].0, self.v_v[k], noise_v)
    }

    /// RMS current of a phase.
    pub fn current(&self, k: usize, noise_a: f64) -> Sensitivity {
        let (_, w) = self.weights(k);
        self.magnitude(&w, self.phase[k].1, self.i_a[k], noise_a)
    }

    /// Magnitude of a weighted sum: δ|X| = Re(X*·w·x·(e + jθ)) / |X|, scaled to its RMS.
    fn magnitude(&self, w: &Weights, x: Complex, rms: f64, noise: f64) -> Sensitivity {
        let mut s = Sensitivity::default();
        let size = x.norm_sq();
        for (ch, w) in w.iter().enumerate() {
            s.noise += w * w * noise * noise;
            if size > 0.0 {
                let c = (x.conj() * self.channels[ch]).scale(w * rms / size);
                (s.ratio[ch], s.angle[ch]) = (c.re, -c.im);
            }
        }
        s
    }

    /// Angle of voltage before current of a phase, in radians.
    pub fn phi(&self, k: usize, noise_v: f64, noise_a: f64) -> Sensitivity {
        let mut s = Sensitivity::default();
        let ((wv, wi), (v, i)) = (self.weights(k), self.phase[k]);
        for (w, x, noise, sign) in [(wv, v, noise_v, 1.0), (wi, i, noise_a, -1.0)] {
            let size = x.norm_sq();
            if size == 0.0 {
                continue;
            }
            for (ch, w) in w.iter().enumerate() {
                let c = (x.conj() * self.channels[ch]).scale(sign * w / size);
                s.ratio[ch] += c.im;
                s.angle[ch] += c.re;
                s.noise += w * w * noise * noise / size;
            }
        }
        s
    }

    /// Active and reactive power of a phase.
    ///
    /// S1 = V·I*; a channel's error e + jθ moves it by its own share of that product.
    pub fn power(&self, k: usize, noise_v: f64, noise_a: f64) -> (Sensitivity, Sensitivity) {
        let (mut p, mut q) = (Sensitivity::default(), Sensitivity::default());
        let ((wv, wi), (v, i)) = (self.weights(k), self.phase[k]);
        for ch in 0..ACTIVE {
            let share = (self.channels[ch] * i.conj()).scale(wv[ch])
                + (v * self.channels[ch].conj()).scale(wi[ch]);
            // The conjugate of a current turns the other way.
            let turn = if VOLTAGES.contains(&ch) { 1.0 } else { -1.0 };
            (p.ratio[ch], p.angle[ch]) = (share.re, -turn * share.im);
            (q.ratio[ch], q.angle[ch]) = (share.im, turn * share.re);
            let noise = (wv[ch] * i.abs() * noise_v, wi[ch] * v.abs() * noise_a);
            let noise = noise.0 * noise.0 + noise.1 * noise.1;
            p.noise += noise;
            q.noise += noise;
        }
        (p, q)
    }

    /// Apparent power V·I of a phase.
    pub fn apparent(&self, k: usize, noise_v: f64, noise_a: f64) -> Sensitivity {
        let mut s = self.voltage(k, noise_v).times(self.i_a[k]);
        s.add(&self.current(k, noise_a), self.v_v[k]);
        s
    }
}
