//! Readings of one basic window: RMS, P, Q1, S, fundamental phasors, totals.
//! Definitions follow IEEE Std 1459-2010; load convention (consumed P > 0, lagging Q1 > 0).

use crate::calibration::Calibration;
use crate::complex::Complex;
use crate::flags::Flags;
use crate::frame::{ACTIVE, COUNT_MAX};
use crate::window::{ABSENT_SHARE, Window};
use crate::wiring::{Weights, Wiring};
use serde::{Deserialize, Serialize};

/// Below this share of a current input's range (as RMS) a phase counts as without load.
pub const NO_LOAD_SHARE: f64 = 5e-4;

/// What to do with the mean (DC) of a kind of channel.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum Dc {
    /// DC is part of RMS and of power, as it is on the wire.
    #[default]
    Keep,
    /// DC is taken out: right behind transformers, which cannot pass it.
    Remove,
}

/// What is needed to make readings of windows.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct PowerConfig {
    /// How channels make phases.
    pub wiring: Wiring,
    /// Gain, offset and delay of each channel.
    pub calibration: Calibration,
    /// DC of the voltage channels.
    pub v_dc: Dc,
    /// DC of the current channels.
    pub i_dc: Dc,
}

/// Readings of one phase; zeros for a phase that the wiring does not have.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct PhaseReading {
    /// True RMS voltage to neutral or to the star point, in V.
    pub v_rms_v: f64,
    /// True RMS current, in A.
    pub i_rms_a: f64,
    /// Active power, in W.
    pub p_w: f64,
    /// Active power of the fundamental, in W.
    pub p1_w: f64,
    /// Reactive power of the fundamental, in var.
    pub q1_var: f64,
    /// Apparent power, in VA.
    pub s_va: f64,
    /// Fundamental voltage as RMS phasor, in V.
    pub v1_v: Complex,
    /// Fundamental current as RMS phasor, in A.
    pub i1_a: Complex,
    /// Whether voltage and current are large enough for a power factor.
    pub loaded: bool,
}

impl PhaseReading {
    /// Nonactive power sqrt(S² − P²), in var.
    pub fn n_var(&self) -> f64 {
        let n2 = self.s_va * self.s_va - self.p_w * self.p_w;
        libm::sqrt(n2.max(0.0))
    }

    /// Power factor P/S from −1 to 1; `None` without load.
    pub fn pf(&self) -> Option<f64> {
        ratio(self.p_w, self.s_va).filter(|_| self.loaded)
    }

    /// Displacement power factor P1/S1; `None` without load or fundamental.
    pub fn dpf(&self) -> Option<f64> {
        let s1 = libm::sqrt(self.p1_w * self.p1_w + self.q1_var * self.q1_var);
        ratio(self.p1_w, s1).filter(|_| self.loaded)
    }

    /// Angle of voltage before current in degrees, −180 to 180; `None` without load.
    pub fn phi1_deg(&self) -> Option<f64> {
        (self.loaded && (self.p1_w != 0.0 || self.q1_var != 0.0))
            .then(|| libm::atan2(self.q1_var, self.p1_w) * 180.0 / core::f64::consts::PI)
    }
}

/// A quotient limited to ±1, where the divisor is positive.
fn ratio(p: f64, s: f64) -> Option<f64> {
    (s > 0.0).then(|| (p / s).clamp(-1.0, 1.0))
}

/// Totals of all phases.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct TotalReading {
    /// Active power, in W.
    pub p_w: f64,
    /// Reactive power of the fundamental, in var.
    pub q1_var: f64,
    /// Arithmetic apparent power, the sum of the phases' S, in VA.
    pub s_arithmetic_va: f64,
    /// Effective apparent power 3·Ve·Ie of IEEE 1459, in VA; `None` where it is not defined.
    pub s_effective_va: Option<f64>,
    /// Whether any phase carries load.
    pub loaded: bool,
}

impl TotalReading {
    /// Vector apparent power sqrt(P² + Q1²), in VA.
    pub fn s_vector_va(&self) -> f64 {
        libm::sqrt(self.p_w * self.p_w + self.q1_var * self.q1_var)
    }

    /// P over arithmetic S; `None` without load.
    pub fn pf_arithmetic(&self) -> Option<f64> {
        ratio(self.p_w, self.s_arithmetic_va).filter(|_| self.loaded)
    }

    /// P over vector S; `None` without load.
    pub fn pf_vector(&self) -> Option<f64> {
        ratio(self.p_w, self.s_vector_va()).filter(|_| self.loaded)
    }

    /// P over effective S; `None` without load or where effective S is not defined.
    pub fn pf_effective(&self) -> Option<f64> {
        ratio(self.p_w, self.s_effective_va?).filter(|_| self.loaded)
    }
}

/// Readings of one basic window.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// Length in seconds.
    pub duration_s: f64,
    /// Frequency in Hz; `None` without a fundamental.
    pub frequency_hz: Option<f64>,
    /// Remarks.
    pub flags: Flags,
    /// Phases in order; see [`Wiring::phases`] for how many count.
    pub phases: [PhaseReading; 3],
    /// Totals of the phases.
    pub total: TotalReading,
    /// True RMS of the line voltages L1–L2, L2–L3, L3–L1, in V; zeros where there are none.
    pub v_line_v: [f64; 3],
    /// True RMS of the neutral current (from the sum of the sensors), in A.
    pub i_neutral_a: f64,
    /// Fundamental of every channel as RMS phasor, calibrated, in V or A.
    pub channels: [Complex; ACTIVE],
    /// True RMS of every channel, calibrated, in V or A.
    pub channel_rms: [f64; ACTIVE],
    /// Mean (DC) of every channel, calibrated, in V or A.
    pub dc: [f64; ACTIVE],
}

/// Turns a window's sums into readings.
///
/// A channel's delay turns its fundamental phasor, and moves mean products by
/// what it does to the fundamental's part of them.
pub fn read_window(window: &Window, config: &PowerConfig) -> Reading {
    let m = Moments::new(window, config);
    let wiring = config.wiring;
    let (voltages, currents) = (wiring.phase_voltages(), wiring.phase_currents());
    let locked = window.frequency_hz.is_some();
    let mut phases = [PhaseReading::default(); 3];
    let mut total = TotalReading::default();
    for (phase, (v, i)) in
        phases.iter_mut().zip(voltages.iter().zip(&currents)).take(wiring.phases())
    {
        phase.v_rms_v = m.rms(v);
        phase.i_rms_a = m.rms(i);
        phase.p_w = m.mean_product(v, i);
        phase.s_va = phase.v_rms_v * phase.i_rms_a;
        if locked {
            phase.v1_v = m.phasor(v);
            phase.i1_a = m.phasor(i);
            let s1 = phase.v1_v * phase.i1_a.conj();
            phase.p1_w = s1.re;
            phase.q1_var = s1.im;
        }
        phase.loaded = locked
            && phase.v_rms_v > floor(config, v, ABSENT_SHARE)
            && phase.i_rms_a > floor(config, i, NO_LOAD_SHARE);
        total.p_w += phase.p_w;
        total.q1_var += phase.q1_var;
        total.s_arithmetic_va += phase.s_va;
        total.loaded |= phase.loaded;
    }
    let mut v_line_v = [0.0; 3];
    for (line, &(from, to)) in v_line_v.iter_mut().zip(wiring.line_pairs()) {
        *line = m.rms(&difference(&voltages, from, to));
    }
    let i_neutral_a = wiring.neutral_current().map_or(0.0, |w| m.rms(&w));
    total.s_effective_va = effective(wiring, &phases, &v_line_v, i_neutral_a);

    let mut flags = window.flags;
    let strongest = phases.iter().map(|p| p.v_rms_v).fold(0.0, f64::max);
    let missing = phases
        .iter()
        .take(wiring.phases())
        .any(|p| p.v_rms_v < 0.1 * strongest || p.v_rms_v == 0.0);
    flags.insert_if(missing || !locked, Flags::V_MISSING);
    flags.insert_if(config.v_dc == Dc::Remove, Flags::V_DC_REMOVED);
    flags.insert_if(config.i_dc == Dc::Remove, Flags::I_DC_REMOVED);
    Reading {
        duration_s: window.duration_s,
        frequency_hz: window.frequency_hz,
        flags,
        phases,
        total,
        v_line_v,
        i_neutral_a,
        channels: m.phasors,
        channel_rms: m.channel_rms(),
        dc: m.means,
    }
}

fn difference(rows: &[Weights; 3], from: usize, to: usize) -> Weights {
    let zero = [0.0; ACTIVE];
    let (a, b) = (rows.get(from).unwrap_or(&zero), rows.get(to).unwrap_or(&zero));
    let mut d = *a;
    for (d, b) in d.iter_mut().zip(b) {
        *d -= b;
    }
    d
}

/// The smallest RMS that means something, from the ranges of the channels in a sum.
fn floor(config: &PowerConfig, weights: &Weights, share: f64) -> f64 {
    let mut range = 0.0;
    for (w, c) in weights.iter().zip(config.calibration.active()) {
        if *w != 0.0 {
            range = f64::max(range, libm::fabs(c.gain));
        }
    }
    range * f64::from(COUNT_MAX) * core::f64::consts::FRAC_1_SQRT_2 * share
}

/// Effective apparent power of IEEE 1459-2010 (3.2.2.8 for four wires, 3.2.2.9 for three).
fn effective(
    wiring: Wiring,
    phases: &[PhaseReading; 3],
    v_line_v: &[f64; 3],
    i_neutral_a: f64,
) -> Option<f64> {
    let squares = |x: [f64; 3]| x.iter().map(|x| x * x).sum::<f64>();
    let v2 = squares(phases.each_ref().map(|p| p.v_rms_v));
    let i2 = squares(phases.each_ref().map(|p| p.i_rms_a));
    let line2 = squares(*v_line_v);
    match wiring {
        Wiring::SinglePhase => phases.first().map(|p| p.s_va),
        Wiring::SplitPhase => None,
        Wiring::FourWire => {
            let ie2 = (i2 + i_neutral_a * i_neutral_a) / 3.0;
            let ve2 = (3.0 * v2 + line2) / 18.0;
            Some(3.0 * libm::sqrt(ve2 * ie2))
        }
        _ => Some(3.0 * libm::sqrt(line2 / 9.0 * (i2 / 3.0))),
    }
}

/// Calibrated means, mean products and phasors of the channels over a window.
struct Moments {
    means: [f64; ACTIVE],
    products: [[f64; ACTIVE]; ACTIVE],
    phasors: [Complex; ACTIVE],
}

impl Moments {
    fn new(window: &Window, config: &PowerConfig) -> Self {
        let sums = &window.sums;
        let channels = config.calibration.active();
        let locked = window.frequency_hz.is_some();
        let mut m = Moments {
            means: [0.0; ACTIVE],
            products: [[0.0; ACTIVE]; ACTIVE],
            phasors: [Complex::ZERO; ACTIVE],
        };
        let mut raw = [Complex::ZERO; ACTIVE];
        let omega = core::f64::consts::TAU * window.reference_hz;
        for (slot, c) in channels.iter().enumerate() {
            m.means[slot] = (sums.mean(slot) - f64::from(c.offset_counts)) * c.gain;
            raw[slot] = sums.rms_phasor(slot).scale(c.gain);
            m.phasors[slot] = if c.delay_ns == 0 {
                raw[slot]
            } else {
                raw[slot] * Complex::unit(omega * f64::from(c.delay_ns) * 1e-9)
            };
        }
        for i in 0..ACTIVE {
            for j in i..ACTIVE {
                let (a, b) = (&channels[i], &channels[j]);
                let mut p =
                    sums.mean_product(i, j, a.offset_counts, b.offset_counts) * (a.gain * b.gain);
                let dc = |slot: usize| if slot < 3 { config.v_dc } else { config.i_dc };
                if dc(i) == Dc::Remove || dc(j) == Dc::Remove {
                    p -= m.means[i] * m.means[j];
                }
                if a.delay_ns != b.delay_ns && locked {
                    let turned = m.phasors[i] * m.phasors[j].conj();
                    let measured = raw[i] * raw[j].conj();
                    p += turned.re - measured.re;
                }
                m.products[i][j] = p;
                m.products[j][i] = p;
            }
        }
        m
    }

    /// Mean of the product of two weighted sums of channels.
    fn mean_product(&self, a: &Weights, b: &Weights) -> f64 {
        let mut sum = 0.0;
        for (wa, row) in a.iter().zip(&self.products) {
            if *wa == 0.0 {
                continue;
            }
            for (wb, p) in b.iter().zip(row) {
                if *wb != 0.0 {
                    sum += wa * wb * p;
                }
            }
        }
        sum
    }

    fn channel_rms(&self) -> [f64; ACTIVE] {
        let mut rms = [0.0; ACTIVE];
        for (slot, (x, row)) in rms.iter_mut().zip(&self.products).enumerate() {
            *x = libm::sqrt(row.get(slot).copied().unwrap_or_default().max(0.0));
        }
        rms
    }

    fn rms(&self, w: &Weights) -> f64 {
        libm::sqrt(self.mean_product(w, w).max(0.0))
    }

    fn phasor(&self, w: &Weights) -> Complex {
        let mut sum = Complex::ZERO;
        for (w, x) in w.iter().zip(&self.phasors) {
            if *w != 0.0 {
                sum += x.scale(*w);
            }
        }
        sum
    }
}
