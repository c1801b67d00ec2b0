//! The phases apart: voltage range, current, unbalance, and what of the PF is not kvar.

use crate::collect::log::IntervalLog;
use crate::site::Supply;
use serde::Serialize;

/// Share of a phase's highest voltage below which it counts as absent.
const ABSENT_SHARE: f64 = 0.1;

/// Share of the highest current from which a record counts as under load.
const LOADED_SHARE: f32 = 0.02;

/// One phase over the log.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct PhaseFigures {
    /// RMS voltage over the time it was present, in V.
    pub v_rms_v: Option<f64>,
    /// Lowest record of the time it was present, in V.
    pub v_min_v: Option<f64>,
    /// Highest record, in V.
    pub v_max_v: Option<f64>,
    /// Time without voltage, in hours.
    pub v_absent_h: f64,
    /// RMS current over the log, in A.
    pub i_rms_a: f64,
    /// Highest record, in A.
    pub i_max_a: f64,
    /// Mean active power, in W.
    pub p_w: f64,
    /// Mean reactive power of the fundamental, in var.
    pub q1_var: f64,
    /// Power factor from the phase's energies P and Q1.
    pub pf: Option<f64>,
}

/// The phases together.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Phases {
    /// Phases that carry voltage or current, L1 first.
    pub phases: Vec<PhaseFigures>,
    /// Nominal voltage of a phase, in V.
    pub v_nominal_v: Option<f64>,
    /// Largest deviation of a phase's RMS voltage from their mean, over the mean, in percent.
    pub v_unbalance_pct: Option<f64>,
    /// The same of the RMS currents, in percent.
    pub i_unbalance_pct: Option<f64>,
    /// Mean frequency, in Hz.
    pub frequency_hz: Option<f64>,
    /// Range of the records' frequency, in Hz.
    pub frequency_min_max_hz: Option<[f64; 2]>,
}

/// Largest voltage and current of each phase, found ahead of everything else.
#[derive(Clone, Copy, Debug)]
pub(super) struct Ranges {
    v_max: [f32; 3],
    i_max: [f32; 3],
    loaded_from_a: f32,
}

impl Ranges {
    pub(super) fn of(log: &IntervalLog) -> Ranges {
        let largest =
            |c: &Vec<f32>| c.iter().copied().filter(|x| x.is_finite()).fold(0.0, f32::max);
        let v_max = log.v_rms_v.each_ref().map(largest);
        let i_max = log.i_rms_a.each_ref().map(largest);
        let loaded_from_a = i_max.iter().copied().fold(0.0, f32::max) * LOADED_SHARE;
        Ranges { v_max, i_max, loaded_from_a }
    }

    /// Whether current flows in any phase.
    #[inline]
    pub(super) fn loaded(&self, log: &IntervalLog, at: usize) -> bool {
        log.i_rms_a.iter().any(|c| c[at] > self.loaded_from_a)
    }
}

#[derive(Clone, Copy, Default)]
struct Sum {
    v2_h: f64,
    v_h: f64,
    v_min: f64,
    v_absent_h: f64,
    i2_h: f64,
    p_wh: f64,
    q1_varh: f64,
}

/// Adds up phases in order of time.
pub(super) struct PhaseSums {
    ranges: Ranges,
    sums: [Sum; 3],
    hours: f64,
    frequency: (f64, f64),
    frequency_range: [u32; 2],
    /// Sum of the phases' sqrt(P² + Q1²), in VAh.
    phase_vector_vah: f64,
    /// sqrt(P² + Q1²) of the totals, record by record, in VAh.
    vector_vah: f64,
    /// Sum of the phases' V·I, in VAh.
    arithmetic_vah: f64,
}

/// What of the apparent power neither P nor Q1 makes.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct NotKvar {
    /// Σ sqrt(P² + Q1²) of the phases over Σ V·I: below 1 by harmonics.
    pub distortion_factor: Option<f64>,
    /// sqrt(P² + Q1²) of the totals over Σ sqrt(P² + Q1²) of the phases: below 1 where phases differ.
    pub phase_factor: Option<f64>,
}

impl PhaseSums {
    pub(super) fn new(ranges: Ranges) -> Self {
        PhaseSums {
            ranges,
            sums: [Sum { v_min: f64::INFINITY, ..Sum::default() }; 3],
            hours: 0.0,
            frequency: (0.0, 0.0),
            frequency_range: [u32::MAX, 0],
            phase_vector_vah: 0.0,
            vector_vah: 0.0,
            arithmetic_vah: 0.0,
        }
    }

    #[inline]
    pub(super) fn add(&mut self, log: &IntervalLog, at: usize, hours: f64) {
        self.hours += hours;
        let f = log.frequency_10uhz[at];
        if f > 0 {
            self.frequency.0 += f64::from(f) * hours;
            self.frequency.1 += hours;
            self.frequency_range = [self.frequency_range[0].min(f), self.frequency_range[1].max(f)];
        }
        let (mut s_va, mut total) = (0.0, [0.0; 3]);
        for (k, sum) in self.sums.iter_mut().enumerate() {
            let v = f64::from(log.v_rms_v[k][at]);
            let i = f64::from(log.i_rms_a[k][at]);
            let (p, q) = (f64::from(log.p_w[k][at]), f64::from(log.q1_var[k][at]));
            if v > f64::from(self.ranges.v_max[k]) * ABSENT_SHARE {
                sum.v2_h += v * v * hours;
                sum.v_h += hours;
                sum.v_min = sum.v_min.min(v);
            } else {
                sum.v_absent_h += hours;
            }
            if i.is_finite() {
                sum.i2_h += i * i * hours;
            }
            sum.p_wh += p * hours;
            sum.q1_varh += q * hours;
            s_va += libm::sqrt(p * p + q * q);
            total[0] += p;
            total[1] += q;
            total[2] += f64::from(log.s_va[k][at]);
        }
        let [p, q, arithmetic] = total;
        self.phase_vector_vah += s_va * hours;
        self.vector_vah += libm::sqrt(p * p + q * q) * hours;
        self.arithmetic_vah += arithmetic * hours;
    }

    /// Factors between the vector of the totals and the sum of V·I.
    pub(super) fn not_kvar(&self) -> NotKvar {
        let ratio = |a: f64, b: f64| (b > 0.0).then(|| (a / b).min(1.0));
        NotKvar {
            distortion_factor: ratio(self.phase_vector_vah, self.arithmetic_vah),
            phase_factor: ratio(self.vector_vah, self.phase_vector_vah),
        }
    }

    pub(super) fn finish(&self, supply: &Supply) -> Phases {
        let present = |k: usize| {
            self.ranges.v_max[k] > 0.0
                || self.ranges.i_max[k] > 0.0
                || self.sums[k].p_wh != 0.0
                || self.sums[k].q1_varh != 0.0
        };
        // A phase at the end that carries nothing is one that the wiring does not have.
        let count = (0..3).rev().find(|k| present(*k)).map_or(0, |k| k + 1);
        let phases: Vec<PhaseFigures> = (0..count)
            .map(|k| {
                let s = &self.sums[k];
                let seen = s.v_h > 0.0;
                PhaseFigures {
                    v_rms_v: seen.then(|| libm::sqrt(s.v2_h / s.v_h)),
                    v_min_v: seen.then_some(s.v_min),
                    v_max_v: seen.then_some(f64::from(self.ranges.v_max[k])),
                    v_absent_h: s.v_absent_h,
                    i_rms_a: libm::sqrt(s.i2_h / self.hours),
                    i_max_a: f64::from(self.ranges.i_max[k]),
                    p_w: s.p_wh / self.hours,
                    q1_var: s.q1_varh / self.hours,
                    pf: wattless_core::correction::power_factor(s.p_wh, s.q1_varh),
                }
            })
            .collect();
        let volts: Option<Vec<f64>> = phases.iter().map(|p| p.v_rms_v).collect();
        let amperes: Vec<f64> = phases.iter().map(|p| p.i_rms_a).collect();
        let (sum, hours) = self.frequency;
        let [low, high] = self.frequency_range;
        Phases {
            v_nominal_v: supply.phase_voltage_v(),
            v_unbalance_pct: volts.and_then(|v| unbalance_pct(&v)),
            i_unbalance_pct: unbalance_pct(&amperes),
            frequency_hz: (hours > 0.0).then(|| sum / hours * 1e-5),
            frequency_min_max_hz: (hours > 0.0)
                .then(|| [f64::from(low) * 1e-5, f64::from(high) * 1e-5]),
            phases,
        }
    }
}

/// Largest deviation from the mean over the mean, in percent (the form of NEMA MG 1);
/// `None` for fewer than two phases or without anything to compare.
fn unbalance_pct(x: &[f64]) -> Option<f64> {
    let mean = x.iter().sum::<f64>() / x.len() as f64;
    let far = x.iter().map(|x| libm::fabs(x - mean)).fold(0.0, f64::max);
    (x.len() > 1 && mean > 0.0).then(|| far / mean * 100.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NEMA MG 1 form: 460, 467, 450 V is 1.96 % (the usual example of NEMA MG 10);
    /// 480, 476, 472 V is 0.84 %, and not range over mean.
    #[test]
    fn unbalance_is_the_largest_deviation_over_the_mean() {
        assert!((unbalance_pct(&[460.0, 467.0, 450.0]).unwrap() - 1.96).abs() < 0.005);
        assert!((unbalance_pct(&[480.0, 476.0, 472.0]).unwrap() - 0.84).abs() < 0.005);
        assert_eq!(unbalance_pct(&[230.0]), None);
        assert_eq!(unbalance_pct(&[0.0, 0.0]), None);
    }
}
