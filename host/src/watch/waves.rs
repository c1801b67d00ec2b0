//! Waveforms of a node's capture as phases, calibrated, for drawing.

use super::state::Waves;
use crate::collect::link::{AnyClient, Captured, LinkError};
use std::time::Duration;
use wattless_core::frame::{ACTIVE, CHANNELS, Frame};
use wattless_core::power::PowerConfig;
use wattless_core::rogowski::Integrators;
use wattless_core::settings::Settings;
use wattless_core::wiring::Weights;

/// Longest wait for a capture.
const WAIT: Duration = Duration::from_secs(2);

/// Takes a capture and makes phases of it; none when the node has no capture.
///
/// `frequency_hz` is that of the fundamental, or nominal where there is none.
pub fn fetch(
    client: &mut AnyClient,
    settings: &Settings,
    frequency_hz: f64,
) -> Result<Option<Waves>, LinkError> {
    let captured = client.captured(WAIT)?;
    let at_ms = client.now_ms();
    Ok(captured.map(|c| phases(&c, &settings.power, frequency_hz, at_ms)))
}

/// Phases of raw counts: integrated where the sensor is a coil, scaled, weighted by the wiring.
pub fn phases(captured: &Captured, power: &PowerConfig, frequency_hz: f64, at_ms: i64) -> Waves {
    let mut frames: Vec<Frame> = captured
        .frames
        .iter()
        .map(|counts| {
            let mut all = [0; CHANNELS];
            all.iter_mut().zip(counts).for_each(|(to, from)| *to = *from);
            Frame::new(all)
        })
        .collect();
    integrate(&mut frames, power, captured.step_s, frequency_hz);
    let calibration = power.calibration.active();
    let value = |frame: &Frame, k: usize| {
        let (c, count) = (&calibration[k], frame.counts()[k]);
        (f64::from(count) - f64::from(c.offset_counts)) * c.gain
    };
    let weighted = |w: &Weights| -> Vec<f32> {
        if w.iter().all(|x| *x == 0.0) {
            return Vec::new();
        }
        frames.iter().map(|f| (0..ACTIVE).map(|k| w[k] * value(f, k)).sum::<f64>() as f32).collect()
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

/// A coil's output follows the rate of change of the current; the node integrates after the capture.
fn integrate(frames: &mut Vec<Frame>, power: &PowerConfig, step_s: f64, frequency_hz: f64) {
    let rate_hz = 1.0 / step_s.max(1e-9);
    let mut integrators = Integrators::new(&power.calibration, rate_hz);
    if !integrators.any() || frequency_hz <= 0.0 {
        return;
    }
    integrators.prime(frames, rate_hz / frequency_hz);
    let mut out = vec![Frame::ZERO; frames.len()];
    let mut at = 0;
    while at < frames.len() {
        let (done, _) = integrators.run(&frames[at..], &mut out[at..]);
        at += done.max(1);
    }
    *frames = out;
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
