//! Waveforms of a node's capture as phases, calibrated, for drawing.

use super::state::Waves;
use crate::collect::link::{AnyClient, CAPTURE_WAIT, Captured, LinkError};
use std::f64::consts::TAU;
use wattless_core::frame::ACTIVE;
use wattless_core::power::PowerConfig;
use wattless_core::settings::Settings;
use wattless_core::wiring::Weights;

/// Takes a capture and makes phases of it; none when the node has no capture.
///
/// `frequency_hz` is that of the fundamental, or nominal where there is none.
pub fn fetch(
    client: &mut AnyClient,
    settings: &Settings,
    frequency_hz: f64,
) -> Result<Option<Waves>, LinkError> {
    let captured = client.captured(CAPTURE_WAIT)?;
    let at_ms = client.now_ms();
    Ok(captured.map(|c| phases(&c, &settings.power, frequency_hz, at_ms)))
}

/// Phases of raw counts: scaled, integrated where the sensor is a coil, weighted by the wiring.
pub fn phases(captured: &Captured, power: &PowerConfig, frequency_hz: f64, at_ms: i64) -> Waves {
    let calibration = power.calibration.active();
    let period = 1.0 / (frequency_hz * captured.step_s);
    let channels: [Vec<f64>; ACTIVE] = std::array::from_fn(|k| {
        let c = &calibration[k];
        let value = |n: i32| (f64::from(n) - f64::from(c.offset_counts)) * c.gain;
        let scaled: Vec<f64> = captured.frames.iter().map(|f| value(f[k])).collect();
        match power.calibration.rogowski(k) {
            Some(at) => integral(&scaled, TAU * at.hz() * captured.step_s, period),
            None => scaled,
        }
    });
    let weighted = |w: &Weights| -> Vec<f32> {
        let sum = |n: usize| w.iter().zip(&channels).map(|(w, c)| w * c[n]).sum::<f64>();
        (0..captured.frames.len()).map(|n| sum(n) as f32).collect()
    };
    let (v, i) = (power.wiring.phase_voltages(), power.wiring.phase_currents());
    let count = power.wiring.phases();
    let phase = |k: usize, w: &Weights| if k < count { weighted(w) } else { Vec::new() };
    Waves {
        step_s: captured.step_s,
        frequency_hz,
        v: std::array::from_fn(|k| phase(k, &v[k])),
        i: std::array::from_fn(|k| phase(k, &i[k])),
        at_ms,
    }
}

/// A coil gives the rate of change of its current: its integral by the trapezoid rule, `step` a
/// sample, without a mean over whole cycles. Good for a picture; the node measures by its own.
fn integral(x: &[f64], step: f64, period: f64) -> Vec<f64> {
    let without_mean = |x: &[f64]| -> Vec<f64> {
        let cycles = libm::floor(x.len() as f64 / period);
        let length = if cycles >= 1.0 { cycles * period } else { x.len() as f64 };
        let share = |n: usize| (length - n as f64).clamp(0.0, 1.0);
        let sum: f64 = x.iter().enumerate().map(|(n, x)| x * share(n)).sum();
        x.iter().map(|x| x - sum / length).collect()
    };
    let rate = without_mean(x);
    let mut sum = 0.0;
    let mut before = rate.first().copied().unwrap_or(0.0);
    let whole: Vec<f64> = rate
        .iter()
        .map(|now| {
            sum += (before + now) / 2.0 * step;
            before = *now;
            sum
        })
        .collect();
    without_mean(&whole)
}

impl Waves {
    /// The first rising zero of a voltage, so that pictures stand still; the beginning without one.
    pub fn first_rise(&self) -> usize {
        let Some(v) = self.v.iter().find(|v| !v.is_empty()) else { return 0 };
        let most = v.iter().fold(0.0f32, |m, x| m.max(x.abs()));
        // A cycle at most is passed over; noise about zero is no rise.
        let cycle = (1.0 / (self.frequency_hz * self.step_s).max(1e-6)) as usize + 1;
        let mut below = false;
        for (k, x) in v.iter().enumerate().take(cycle) {
            below |= *x < -0.3 * most;
            if below && *x >= 0.0 {
                return k;
            }
        }
        0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use wattless_core::calibration::{CurrentSensor, SensorKind};
    use wattless_core::window::Nominal;
    use wattless_core::wiring::Wiring;

    const RATE: f64 = 8000.0;

    fn power(wiring: Wiring) -> PowerConfig {
        let mut power = PowerConfig { wiring, ..Settings::default().power };
        for (k, c) in power.calibration.channels.iter_mut().enumerate() {
            c.gain = if k < 3 { 1e-4 } else { 2e-4 };
            c.offset_counts = 100;
        }
        power
    }

    /// 400 frames of sines: amplitudes in V and A, degrees, at 50 Hz.
    fn captured(power: &PowerConfig, of: impl Fn(usize, f64) -> f64) -> Captured {
        let frames = (0..400)
            .map(|n| {
                std::array::from_fn(|k| {
                    let c = &power.calibration.channels[k];
                    (of(k, f64::from(n) / RATE) / c.gain) as i32 + c.offset_counts
                })
            })
            .collect();
        Captured { step_s: 1.0 / RATE, frames }
    }

    fn sine(amplitude: f64, degrees: f64, t: f64) -> f64 {
        amplitude * libm::sin(314.159_265_358_979 * t + degrees.to_radians())
    }

    fn most(x: &[f32]) -> f64 {
        x.iter().fold(0.0, |m, x| f64::max(m, f64::from(x.abs())))
    }

    /// Three-wire with two sensors: line voltages L1–L2 and L3–L2 give phases against the star
    /// point, a √3-th of them, and the current of L2 is what the others leave.
    #[test]
    fn phases_follow_the_wiring() {
        let p = power(Wiring::TwoSensorLine);
        let c = captured(&p, |k, t| match k {
            0 => sine(400.0, 30.0, t),
            2 => sine(400.0, 90.0, t),
            3 => sine(100.0, -20.0, t),
            5 => sine(100.0, 100.0, t),
            _ => 55.0,
        });
        let w = phases(&c, &p, 50.0, 7);
        for k in 0..3 {
            assert!((most(&w.v[k]) - 400.0 / libm::sqrt(3.0)).abs() < 0.1, "V{}", k + 1);
            assert!((most(&w.i[k]) - 100.0).abs() < 0.1, "I{}", k + 1);
        }
        let p = power(Wiring::SinglePhase);
        let w = phases(&captured(&p, |_, t| sine(325.0, 200.0, t)), &p, 50.0, 7);
        assert_eq!((w.v[0].len(), w.v[1].len(), w.i[2].len()), (400, 0, 0));
        // 200° at the beginning: the next rise is 160° or 71 frames later.
        assert_eq!(w.first_rise(), 72);
    }

    /// The output of a coil for a sine of 100 A is a sine of its own, 90° ahead, by its gain at 50 Hz.
    #[test]
    fn a_coil_is_integrated() {
        let mut p = power(Wiring::FourWire);
        p.calibration.sensors[0] =
            CurrentSensor { kind: SensorKind::Rogowski(Nominal::Hz50), ..CurrentSensor::default() };
        let c = captured(&p, |k, t| {
            // A fifth harmonic comes five times as strong out of a coil.
            let coil = sine(100.0, 90.0, t) + sine(50.0, 90.0, 5.0 * t);
            if k == 3 { coil } else { sine(100.0, 0.0, t) + sine(10.0, 0.0, 5.0 * t) }
        });
        let w = phases(&c, &p, 50.0, 7);
        let apart = w.i[0].iter().zip(&w.i[1]).fold(0.0f32, |m, (a, b)| m.max((a - b).abs()));
        assert!(apart < 1.5, "{apart} A of 110");
    }

    #[test]
    fn a_flat_line_and_nothing_begin_at_the_beginning() {
        let p = power(Wiring::FourWire);
        assert_eq!(phases(&captured(&p, |_, _| 0.0), &p, 50.0, 0).first_rise(), 0);
        assert_eq!(Waves::default().first_rise(), 0);
    }
}
