//! Calibration against a reference: gains, offsets and delays from readings taken side by side.
//!
//! Gain: new = old · reference / reading. Delay of the current: what turns the angle that the
//! node reads into that of the reference, (φ_node − φ_ref) / (360° · f). Offset: mean of the raw
//! counts with the input shorted.

use crate::collect::link::{AnyClient, CAPTURE_WAIT, LinkError};
use std::time::{Duration, Instant};
use wattless_core::calibration::{CalibrationError, DELAY_MAX_NS};
use wattless_core::complex::Complex;
use wattless_core::frame::ACTIVE;
use wattless_core::settings::Settings;
use wattless_core::wire::HookupSnapshot;
use wattless_core::wiring::Wiring;

/// Readings must not scatter by more than this share of their mean.
pub const STEADY: f64 = 0.003;

/// A correction of a gain beyond this is a wrong ratio or a wrong reference, not a tolerance.
pub const GAIN_CHANGE: f64 = 0.2;

/// Below this share of its range an input is too small to calibrate by.
pub const SMALLEST_SHARE: f64 = 0.05;

/// Fewest pictures to calibrate by.
const FEWEST: usize = 5;

/// What the reference reads.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Reference {
    /// RMS voltage, in V.
    pub v_rms_v: Option<f64>,
    /// RMS current, in A.
    pub i_rms_a: Option<f64>,
    /// Angle of voltage before current of the fundamental, in degrees: lagging positive.
    pub phi_deg: Option<f64>,
}

/// Means of a channel over the time of comparison.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Mean {
    /// Mean of the RMS, in V or A.
    pub rms: f64,
    /// Standard deviation of the RMS over its mean.
    pub scatter: f64,
    /// RMS of a full-scale sine, in V or A.
    pub range_rms: f64,
}

/// What the node read over the time of comparison.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Readings {
    /// How the leads are connected.
    pub wiring: Wiring,
    /// Number of pictures.
    pub count: usize,
    /// Mean frequency, in Hz.
    pub frequency_hz: f64,
    /// Channels in order.
    pub channels: [Mean; ACTIVE],
    /// Angle of each phase's voltage before its current, in degrees, of the mean product.
    pub phi_deg: [f64; 3],
}

/// Old and new value of one number of the settings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// Now in force.
    pub old: f64,
    /// To be set.
    pub new: f64,
}

/// What calibration of a phase comes to.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct PhaseStep {
    /// Gain of the voltage channel, in V per count.
    pub v_gain: Option<Step>,
    /// Gain of the current channel, in A per count.
    pub i_gain: Option<Step>,
    /// Delay of the current channel, in nanoseconds.
    pub i_delay_ns: Option<Step>,
}

/// Why it cannot be calibrated.
#[derive(Debug, thiserror::Error)]
pub enum CalibrateError {
    /// The link.
    #[error(transparent)]
    Link(#[from] LinkError),
    /// Too few pictures came.
    #[error("only {0} readings came in the time given: give more --seconds")]
    TooFew(usize),
    /// Without a fundamental there is no angle.
    #[error("the node finds no fundamental: is the supply on, and v1 connected?")]
    NoFundamental,
    /// The reading moves.
    #[error(
        "{channel} moved by {pct:.2} % during the comparison (allowed {:.1} %): \
         wait until load and sensors stand still, and try again",
        100.0 * STEADY
    )]
    Unsteady {
        /// The channel.
        channel: &'static str,
        /// Standard deviation in percent.
        pct: f64,
    },
    /// The reading is too small.
    #[error(
        "{channel} reads {pct:.1} % of its range: calibrate at {:.0} % or more",
        100.0 * SMALLEST_SHARE
    )]
    TooSmall {
        /// The channel.
        channel: &'static str,
        /// Share of the range in percent.
        pct: f64,
    },
    /// Reference and reading are too far apart.
    #[error(
        "{channel} reads {reading:.3}, the reference {reference:.3}: too far apart for a \
         calibration. Check the sensor's ratio in the settings and what the reference measures"
    )]
    FarOff {
        /// The channel.
        channel: &'static str,
        /// The node's reading.
        reading: f64,
        /// The reference's.
        reference: f64,
    },
    /// The angle needs more delay than there is.
    #[error(
        "the angle is off by {off_deg:.1}°: that is no error of a sensor but a turned clamp or \
         another phase. Run `wattless hookup` first"
    )]
    Angle {
        /// Angle of the node minus the reference's.
        off_deg: f64,
    },
    /// A phase of this wiring is made of several channels.
    #[error(
        "with the wiring {} a phase is made of several channels, which cannot be calibrated pair by \
         pair: put all sensors on one phase and conductor, set the wiring to four-wire, calibrate, \
         and set it back (hardware-notes/calibration.md, section 5)",
        .0.name()
    )]
    Wiring(Wiring),
    /// The wiring has no such phase.
    #[error("the wiring {} has no phase {phase}", wiring.name())]
    NoPhase {
        /// How the leads are connected.
        wiring: Wiring,
        /// The phase asked for, from 1.
        phase: usize,
    },
    /// Nothing to compare with.
    #[error(
        "give what the reference reads: --volts, --amperes, and --angle or --watts with --vars"
    )]
    NoReference,
    /// What comes out cannot be set.
    #[error("{0}; check the reference")]
    Limits(#[from] CalibrationError),
    /// The node made no waveform capture.
    #[error("the node made no waveform capture: try again in a moment")]
    NoCapture,
    /// The input is not shorted.
    #[error(
        "{channel} is not at rest (peak to peak {counts} counts): short the input at the node's \
         terminals, never a transformer's secondary under load"
    )]
    NotShorted {
        /// The channel.
        channel: &'static str,
        /// Peak to peak, in counts.
        counts: i32,
    },
}

const NAMES: [&str; ACTIVE] = ["v1", "v2", "v3", "i1", "i2", "i3"];

/// Readings of a run of pictures.
pub fn readings(pictures: &[HookupSnapshot]) -> Result<Readings, CalibrateError> {
    let [first, ..] = pictures else { return Err(CalibrateError::TooFew(0)) };
    if pictures.len() < FEWEST {
        return Err(CalibrateError::TooFew(pictures.len()));
    }
    let n = pictures.len() as f64;
    let hz: Vec<f64> = pictures.iter().filter_map(|p| p.frequency_hz).map(f64::from).collect();
    if hz.len() < pictures.len() {
        return Err(CalibrateError::NoFundamental);
    }
    let channels = std::array::from_fn(|k| {
        let rms = |p: &HookupSnapshot| f64::from(p.rms[k]);
        let mean = pictures.iter().map(rms).sum::<f64>() / n;
        let square = pictures.iter().map(|p| (rms(p) - mean) * (rms(p) - mean)).sum::<f64>();
        let deviation = libm::sqrt(square / (n - 1.0));
        let scatter = if mean > 0.0 { deviation / mean } else { 0.0 };
        Mean { rms: mean, scatter, range_rms: f64::from(first.range_rms[k]) }
    });
    let phi_deg = std::array::from_fn(|k| {
        let phasor = |[re, im]: [f32; 2]| Complex::new(f64::from(re), f64::from(im));
        let power = pictures.iter().fold(Complex::default(), |sum, p| {
            sum + phasor(p.phasors[k]) * phasor(p.phasors[k + 3]).conj()
        });
        power.arg().to_degrees()
    });
    Ok(Readings {
        wiring: first.wiring,
        count: pictures.len(),
        frequency_hz: hz.iter().sum::<f64>() / n,
        channels,
        phi_deg,
    })
}

/// Looks at a node for a while.
pub fn watch(client: &mut AnyClient, time: Duration) -> Result<Readings, CalibrateError> {
    let begin = Instant::now();
    let mut pictures = Vec::new();
    loop {
        match client.hookup() {
            Ok(picture) => pictures.push(picture),
            Err(e) if e.refusal().is_some() => {}
            Err(e) => return Err(e.into()),
        }
        if begin.elapsed() >= time {
            return readings(&pictures);
        }
        // A window takes 0.2 s: none is counted twice.
        std::thread::sleep(Duration::from_millis(250));
    }
}

/// An angle brought to −180° to 180°.
fn wrapped(deg: f64) -> f64 {
    deg - 360.0 * libm::round(deg / 360.0)
}

/// What the settings of a phase (from 0) should become.
pub fn phase_step(
    settings: &Settings,
    phase: usize,
    r: &Readings,
    reference: &Reference,
) -> Result<PhaseStep, CalibrateError> {
    if !matches!(r.wiring, Wiring::SinglePhase | Wiring::SplitPhase | Wiring::FourWire) {
        return Err(CalibrateError::Wiring(r.wiring));
    }
    if phase >= r.wiring.phases() {
        return Err(CalibrateError::NoPhase { wiring: r.wiring, phase: phase + 1 });
    }
    if *reference == Reference::default() {
        return Err(CalibrateError::NoReference);
    }
    let gain = |slot: usize, wanted: Option<f64>| -> Result<Option<Step>, CalibrateError> {
        let Some(wanted) = wanted else { return Ok(None) };
        let (channel, mean) = (NAMES[slot], r.channels[slot]);
        usable(channel, &mean)?;
        let ratio = wanted / mean.rms;
        if !ratio.is_finite() || libm::fabs(ratio - 1.0) > GAIN_CHANGE {
            return Err(CalibrateError::FarOff { channel, reading: mean.rms, reference: wanted });
        }
        let old = settings.power.calibration.channels[slot].gain;
        Ok(Some(Step { old, new: old * ratio }))
    };
    let v_gain = gain(phase, reference.v_rms_v)?;
    let i_gain = gain(phase + 3, reference.i_rms_a)?;
    let i_delay_ns = match reference.phi_deg {
        None => None,
        Some(wanted) => {
            usable(NAMES[phase], &r.channels[phase])?;
            usable(NAMES[phase + 3], &r.channels[phase + 3])?;
            let off_deg = wrapped(r.phi_deg[phase] - wanted);
            let old = f64::from(settings.power.calibration.channels[phase + 3].delay_ns);
            let new = libm::round(old + off_deg / (360.0 * r.frequency_hz) * 1e9);
            if libm::fabs(new) > f64::from(DELAY_MAX_NS) || libm::fabs(off_deg) > 10.0 {
                return Err(CalibrateError::Angle { off_deg });
            }
            Some(Step { old, new })
        }
    };
    Ok(PhaseStep { v_gain, i_gain, i_delay_ns })
}

fn usable(channel: &'static str, mean: &Mean) -> Result<(), CalibrateError> {
    let share = if mean.range_rms > 0.0 { mean.rms / mean.range_rms } else { 0.0 };
    if share < SMALLEST_SHARE {
        return Err(CalibrateError::TooSmall { channel, pct: 100.0 * share });
    }
    if mean.scatter > STEADY {
        return Err(CalibrateError::Unsteady { channel, pct: 100.0 * mean.scatter });
    }
    Ok(())
}

/// The settings with a phase's step taken, checked.
pub fn with_step(
    settings: &Settings,
    phase: usize,
    step: &PhaseStep,
) -> Result<Settings, CalibrateError> {
    let mut new = settings.clone();
    let channels = &mut new.power.calibration.channels;
    if let Some(s) = step.v_gain {
        channels[phase].gain = s.new;
    }
    if let Some(s) = step.i_gain {
        channels[phase + 3].gain = s.new;
    }
    if let Some(s) = step.i_delay_ns {
        channels[phase + 3].delay_ns = s.new as i32;
    }
    new.power.calibration.check()?;
    Ok(new)
}

/// Largest peak to peak of a shorted input, in counts: some millivolts.
const AT_REST_COUNTS: i32 = 20_000;

/// Mean counts of the channels that a wiring uses, from raw captures; `None` for the others.
pub fn offsets(
    wiring: Wiring,
    captures: &[Vec<[i32; ACTIVE]>],
) -> Result<[Option<i32>; ACTIVE], CalibrateError> {
    let count = captures.iter().map(Vec::len).sum::<usize>();
    if count == 0 {
        return Err(CalibrateError::NoCapture);
    }
    let mut means = [None; ACTIVE];
    for (slot, used) in wiring.uses().into_iter().take(ACTIVE).enumerate() {
        if !used {
            continue;
        }
        let all = || captures.iter().flatten().map(|f| f[slot]);
        let span = all().max().unwrap_or(0).saturating_sub(all().min().unwrap_or(0));
        if span > AT_REST_COUNTS {
            return Err(CalibrateError::NotShorted { channel: NAMES[slot], counts: span });
        }
        let sum: i64 = all().map(i64::from).sum();
        means[slot] = Some(libm::rint(sum as f64 / count as f64) as i32);
    }
    Ok(means)
}

/// Takes raw captures of a node.
pub fn captures(
    client: &mut AnyClient,
    count: usize,
) -> Result<Vec<Vec<[i32; ACTIVE]>>, CalibrateError> {
    let one = |client: &mut AnyClient| {
        let captured = client.captured(CAPTURE_WAIT)?.ok_or(CalibrateError::NoCapture)?;
        Ok(captured.frames)
    };
    (0..count).map(|_| one(client)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn picture(v: f64, i: f64, phi_deg: f64) -> HookupSnapshot {
        let (sin, cos) = libm::sincos(-phi_deg.to_radians());
        let mut phasors = [[0.0f32; 2]; ACTIVE];
        let mut rms = [0.0f32; ACTIVE];
        phasors[0] = [v as f32, 0.0];
        phasors[3] = [(i * cos) as f32, (i * sin) as f32];
        (rms[0], rms[3]) = (v as f32, i as f32);
        HookupSnapshot {
            wiring: Wiring::SinglePhase,
            frequency_hz: Some(50.0),
            flags: 0,
            phasors,
            rms,
            range_rms: [300.0, 300.0, 300.0, 100.0, 100.0, 100.0],
        }
    }

    /// The worked example of hardware-notes/calibration.md, section 4.
    #[test]
    fn the_worked_example_comes_out() {
        let r = readings(&vec![picture(228.85, 50.60, 29.50); 10]).unwrap();
        let reference =
            Reference { v_rms_v: Some(230.0), i_rms_a: Some(50.0), phi_deg: Some(30.0) };
        let settings = Settings::default();
        let step = phase_step(&settings, 0, &r, &reference).unwrap();
        let ratio = |s: Option<Step>| s.map(|s| s.new / s.old).unwrap();
        assert!((ratio(step.v_gain) - 1.00503).abs() < 1e-5);
        assert!((ratio(step.i_gain) - 0.98814).abs() < 1e-5);
        let delay = step.i_delay_ns.unwrap();
        assert!((delay.new - delay.old + 27_778.0).abs() < 60.0, "{delay:?}");
        let new = with_step(&settings, 0, &step).unwrap();
        assert_eq!(f64::from(new.power.calibration.channels[3].delay_ns), delay.new);
    }

    #[test]
    fn what_cannot_be_a_tolerance_is_refused() {
        let settings = Settings::default();
        let all = |v, i, phi| Reference { v_rms_v: Some(v), i_rms_a: Some(i), phi_deg: Some(phi) };
        let r = readings(&vec![picture(230.0, 50.0, 30.0); 10]).unwrap();
        let far = phase_step(&settings, 0, &r, &all(230.0, 100.0, 30.0)).unwrap_err().to_string();
        assert!(far.contains("i1") && far.contains("ratio"), "{far}");
        let turned =
            phase_step(&settings, 0, &r, &all(230.0, 50.0, -150.0)).unwrap_err().to_string();
        assert!(turned.contains("hookup"), "{turned}");
        let none = phase_step(&settings, 0, &r, &Reference::default()).unwrap_err().to_string();
        assert!(none.contains("--volts"), "{none}");
        let phase = phase_step(&settings, 1, &r, &all(230.0, 50.0, 30.0)).unwrap_err().to_string();
        assert!(phase.contains("no phase 2"), "{phase}");
        let small = readings(&vec![picture(230.0, 2.0, 30.0); 10]).unwrap();
        let small =
            phase_step(&settings, 0, &small, &all(230.0, 2.0, 30.0)).unwrap_err().to_string();
        assert!(small.contains("2.0 % of its range"), "{small}");
        let moving: Vec<_> = (0..10).map(|k| picture(230.0, 50.0 + f64::from(k), 30.0)).collect();
        let moving = readings(&moving).unwrap();
        let moving = phase_step(&settings, 0, &moving, &all(230.0, 54.5, 30.0)).unwrap_err();
        assert!(moving.to_string().contains("stand still"), "{moving}");
        assert!(matches!(readings(&[]), Err(CalibrateError::TooFew(0))));
    }

    #[test]
    fn offsets_are_means_of_inputs_at_rest() {
        let frames: Vec<[i32; ACTIVE]> =
            (0..400).map(|k| [800 + k % 3, 5, 5, -1200 - k % 2, 5, 5]).collect();
        let means = offsets(Wiring::SinglePhase, &[frames.clone(), frames]).unwrap();
        assert_eq!(means, [Some(801), None, None, Some(-1200), None, None]);
        let live: Vec<[i32; ACTIVE]> = (0..400).map(|k| [k * 1000, 0, 0, 0, 0, 0]).collect();
        let refused = offsets(Wiring::SinglePhase, &[live]).unwrap_err().to_string();
        assert!(refused.contains("v1") && refused.contains("short"), "{refused}");
    }
}
