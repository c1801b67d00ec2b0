//! Readings of one basic window: RMS, P, Q1, S, fundamental phasors, totals.
//! Definitions follow IEEE Std 1459-2010; load convention (consumed P > 0, lagging Q1 > 0).

use crate::calibration::Calibration;
use crate::complex::Complex;
use crate::distortion::{Distortion, Squares};
use crate::flags::Flags;
use crate::frame::{ACTIVE, COUNT_MAX, NEUTRAL};
use crate::moments::Moments;
use crate::spectrum::{ORDERS, Orders};
use crate::window::{ABSENT_SHARE, Follow, Window};
use crate::wiring::{Weights, Wiring};
use serde::{Deserialize, Serialize};

/// Below this share of a current input's range (as RMS) a phase counts as without load.
pub const NO_LOAD_SHARE: f64 = 5e-4;

/// Share of the largest current by which the neutral's sensor may miss the sum of the phases:
/// what four sensors of class 1 can leave together (common practice).
pub const NEUTRAL_SHARE: f64 = 0.05;

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
    /// Whether a current sensor sits on the neutral; counts with the wirings that have one.
    pub neutral_sensor: bool,
}

impl PowerConfig {
    /// Whether the neutral current is measured.
    pub fn measures_neutral(&self) -> bool {
        self.neutral_sensor && self.wiring.neutral_current().is_some()
    }

    /// What a meter has to follow for these readings.
    pub fn follow(&self) -> Follow {
        Follow { harmonics: true, neutral: self.measures_neutral() }
    }
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
    /// True RMS of the neutral current, from its sensor or else the sum of the phases, in A.
    pub i_neutral_a: f64,
    /// Fundamental of the neutral current, RMS, in A.
    pub i1_neutral_a: f64,
    /// True RMS of the sum of the phases' currents, which a neutral returns, in A.
    pub i_sum_a: f64,
    /// Fundamental of every channel as RMS phasor, calibrated, in V or A.
    pub channels: [Complex; ACTIVE],
    /// True RMS of every channel, calibrated, in V or A.
    pub channel_rms: [f64; ACTIVE],
    /// Mean (DC) of every channel, calibrated, in V or A.
    pub dc: [f64; ACTIVE],
    /// Harmonics; `None` where they were not followed or there is no fundamental.
    pub distortion: Option<Distortion>,
}

/// Harmonic phasors of the phases over one window, in V and A (RMS).
///
/// Order h of a voltage or current `√2·X·cos(h·θ + a)` is X∠a, where θ is zero at the start of
/// the window and the fundamental of the voltages turns with it. Order 0 is the mean.
#[derive(Clone, Debug, PartialEq)]
pub struct Harmonics {
    /// Highest order that the sample rate allows; what is above is zero and means nothing.
    pub highest: usize,
    /// Voltages to neutral or star point.
    pub v: [Orders; 3],
    /// Currents.
    pub i: [Orders; 3],
    /// The neutral current, measured or else the sum of the phases with its sign turned.
    pub neutral: Option<Orders>,
}

/// Turns a window's sums into readings.
///
/// Everything is as at the terminals: what the channels' ways do to fundamental and harmonics
/// is taken back in phasors, RMS and powers.
pub fn read_window(window: &Window, config: &PowerConfig) -> Reading {
    read(window, config, None)
}

/// The same with the harmonic phasors of the phases, where they were followed.
pub fn read_harmonics(window: &Window, config: &PowerConfig) -> (Reading, Option<Harmonics>) {
    let none = [Default::default(); ORDERS + 1];
    let mut harmonics = Harmonics { highest: 0, v: [none; 3], i: [none; 3], neutral: None };
    let reading = read(window, config, Some(&mut harmonics));
    (reading, Some(harmonics).filter(|_| reading.distortion.is_some()))
}

/// Harmonic phasors of the channels themselves, as [`Harmonics`] has those of the phases.
///
/// `None` where harmonics up to `order` were not followed, or there is no fundamental.
pub fn read_channels(
    window: &Window,
    config: &PowerConfig,
    order: usize,
) -> Option<[Orders; ACTIVE]> {
    let m = Moments::new(window, config);
    m.highest().filter(|h| *h >= order)?;
    Some(core::array::from_fn(|slot| {
        let mut one = [0.0; ACTIVE];
        if let Some(w) = one.get_mut(slot) {
            *w = 1.0;
        }
        m.orders(&one)
    }))
}

fn read(window: &Window, config: &PowerConfig, mut keep: Option<&mut Harmonics>) -> Reading {
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
    let distortion = m.highest().map(|highest| {
        let mut d = Distortion { highest, ..Distortion::default() };
        for (k, phase) in phases.iter().enumerate().take(wiring.phases()) {
            let (v, i) = (m.orders(&voltages[k]), m.orders(&currents[k]));
            // Of noise there is no distortion.
            if phase.v_rms_v > floor(config, &voltages[k], ABSENT_SHARE) {
                d.v[k] = Squares::of(&v, highest, phase.v1_v.norm_sq());
            }
            if phase.i_rms_a > floor(config, &currents[k], NO_LOAD_SHARE) {
                d.i[k] = Squares::of(&i, highest, phase.i1_a.norm_sq());
            }
            if let Some(keep) = &mut keep {
                (keep.v[k], keep.i[k]) = (v, i);
            }
        }
        if let Some(keep) = keep {
            keep.highest = highest;
            keep.neutral = match wiring.neutral_current() {
                Some(_) if m.neutral.is_some() => m.neutral_orders().copied(),
                sum => sum.map(|w| m.orders(&w)),
            };
        }
        d
    });
    let sum = wiring.neutral_current();
    let i_sum_a = sum.map_or(0.0, |w| m.rms(&w));
    let sum_1 = sum.map_or(Complex::ZERO, |w| m.phasor(&w));
    let (i_neutral_a, neutral_1) =
        m.neutral.as_ref().map_or((i_sum_a, sum_1), |n| (n.rms, n.phasor));
    total.s_effective_va = effective(wiring, &phases, &v_line_v, i_neutral_a);

    let mut flags = window.flags;
    let strongest = phases.iter().map(|p| p.v_rms_v).fold(0.0, f64::max);
    let missing =
        phases.iter().zip(&voltages).take(wiring.phases()).any(|(p, v)| {
            p.v_rms_v < 0.1 * strongest || p.v_rms_v <= floor(config, v, ABSENT_SHARE)
        });
    flags.insert_if(missing, Flags::V_MISSING);
    if let Some(n) = &m.neutral {
        flags.insert(Flags::NEUTRAL_MEASURED);
        let most = phases.iter().map(|p| p.i_rms_a).fold(n.rms, f64::max);
        let beyond = sum.and_then(|w| m.neutral_beyond(&w)).unwrap_or_default();
        let limit = NEUTRAL_SHARE * most + neutral_floor(config);
        flags.insert_if(beyond > limit, Flags::NEUTRAL_DIFFERS);
    }
    flags.insert_if(config.v_dc == Dc::Remove, Flags::V_DC_REMOVED);
    let coil = |slot| wiring.uses()[slot] && config.calibration.rogowski(slot).is_some();
    flags.insert_if(config.i_dc == Dc::Remove || (3..ACTIVE).any(coil), Flags::I_DC_REMOVED);
    Reading {
        duration_s: window.duration_s,
        frequency_hz: window.frequency_hz,
        flags,
        phases,
        total,
        v_line_v,
        i_neutral_a,
        i1_neutral_a: if locked { neutral_1.abs() } else { 0.0 },
        i_sum_a,
        channels: m.phasors,
        channel_rms: m.channel_rms(),
        dc: m.means,
        distortion,
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

/// The smallest neutral current that means something, from the range of its sensor.
fn neutral_floor(config: &PowerConfig) -> f64 {
    let gain = config.calibration.channels.get(NEUTRAL).map_or(0.0, |c| c.gain);
    libm::fabs(gain) * f64::from(COUNT_MAX) * NO_LOAD_SHARE
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
    if wiring == Wiring::SinglePhase {
        return phases.first().map(|p| p.s_va);
    }
    let v = phases.each_ref().map(|p| p.v_rms_v);
    let i = phases.each_ref().map(|p| p.i_rms_a);
    effective_v_i(wiring, v, *v_line_v, i, i_neutral_a).map(|(ve, ie)| 3.0 * ve * ie)
}

/// Effective voltage and current of three phases, in V and A; `None` for other wirings.
pub(crate) fn effective_v_i(
    wiring: Wiring,
    v: [f64; 3],
    v_line_v: [f64; 3],
    i: [f64; 3],
    i_neutral_a: f64,
) -> Option<(f64, f64)> {
    let squares = |x: [f64; 3]| x.iter().map(|x| x * x).sum::<f64>();
    let (v2, i2, line2) = (squares(v), squares(i), squares(v_line_v));
    let (ve2, ie2) = match wiring {
        Wiring::SinglePhase | Wiring::SplitPhase => return None,
        Wiring::FourWire => ((3.0 * v2 + line2) / 18.0, (i2 + i_neutral_a * i_neutral_a) / 3.0),
        _ => (line2 / 9.0, i2 / 3.0),
    };
    Some((libm::sqrt(ve2), libm::sqrt(ie2)))
}
