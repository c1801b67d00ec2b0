//! Is it connected right? Pictures of the phasors from a file or a node, and the core's check.
//!
//! The check itself is [`wattless_core::hookup`]; this module only fetches what it needs.

use super::measure::{MeasureError, at_end, windows};
use crate::collect::link::{AnyClient, Captured, LinkError};
use crate::collect::waveform::{SLOTS, Waveform};
use std::time::Duration;
use wattless_core::accumulate::sum_stretch;
use wattless_core::flags::Flags;
use wattless_core::frame::{ACTIVE, COUNT_MAX, Frame};
use wattless_core::hookup::{HookupInput, HookupReport, LoadKind, Nameplate};
use wattless_core::interval::IntervalBuilder;
use wattless_core::power::{PowerConfig, Reading};
use wattless_core::window::Nominal;
use wattless_core::wire::HookupSnapshot;
use wattless_core::wiring::Wiring;

/// What is known beside the picture.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Knowledge {
    /// The wiring, where it is not the one that the source names.
    pub wiring: Option<Wiring>,
    /// What is known about the load.
    pub load: LoadKind,
    /// Full-load figures.
    pub nameplate: Option<Nameplate>,
    /// What the voltage leads should read, in V.
    pub expected_v: Option<f64>,
}

/// A picture of the connection, with the remarks of its source.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Picture {
    /// What the check needs.
    pub input: HookupInput,
    /// Remarks of the windows or of the node.
    pub flags: Flags,
    /// From when to when in its file it was taken, in seconds.
    pub stretch_s: Option<(f64, f64)>,
}

impl Picture {
    /// From what a node sent.
    pub fn from_snapshot(s: &HookupSnapshot) -> Picture {
        Picture { input: HookupInput::from_snapshot(s), flags: Flags(s.flags), stretch_s: None }
    }

    /// The same with what is known beside it.
    pub fn with(mut self, known: &Knowledge) -> Picture {
        let i = &mut self.input;
        i.wiring = known.wiring.unwrap_or(i.wiring);
        i.load = known.load;
        i.nameplate = known.nameplate;
        i.expected_v = known.expected_v;
        self
    }

    /// The same with a picture of the same connection at another load.
    pub fn beside(mut self, other: &Picture) -> Picture {
        self.input.second_load = Some(other.input.phasors);
        self
    }
}

/// Length of the stretch of a file that makes a picture, in seconds.
const STRETCH_S: f64 = 1.0;

/// A stretch of windows under way.
#[derive(Default)]
struct Stretch {
    builder: IntervalBuilder,
    start_s: f64,
    squares: [f64; ACTIVE],
    clipped: [bool; ACTIVE],
}

impl Stretch {
    fn add(&mut self, start_s: f64, reading: &Reading, at_end: &[bool; SLOTS]) {
        if self.builder.windows() == 0 {
            self.start_s = start_s;
        }
        self.builder.add(reading);
        for (sum, rms) in self.squares.iter_mut().zip(reading.channel_rms) {
            *sum += rms * rms * reading.duration_s;
        }
        self.clipped.iter_mut().zip(at_end).for_each(|(clipped, at)| *clipped |= at);
    }

    /// The picture, with what its currents amount to.
    fn close(self, file: &Ranges) -> Option<(Picture, f64)> {
        let s = self.builder.summary()?;
        let mut input = HookupInput::new(file.wiring, s.channels, s.frequency_hz);
        input.rms = self.squares.map(|sum| libm::sqrt(sum / s.duration_s));
        input.dc = s.dc;
        input.range_rms = file.range_rms;
        input.clipped = self.clipped;
        let current = s.channels.iter().skip(3).map(|x| x.abs()).sum();
        let stretch_s = Some((self.start_s, self.start_s + s.duration_s));
        Some((Picture { input, flags: s.flags, stretch_s }, current))
    }
}

/// What a file knows of its channels.
struct Ranges {
    wiring: Wiring,
    range_rms: [f64; ACTIVE],
}

/// Takes the picture of a file: mean phasors of the second that carries most current.
///
/// Mean phasors shrink where the load changes, so that a steady stretch wins. Only a count
/// file knows the ranges of its inputs; for others they are left unknown.
pub fn of_file(file: &mut Waveform, nominal: Option<Nominal>) -> Result<Picture, MeasureError> {
    let full = f64::from(COUNT_MAX) * std::f64::consts::FRAC_1_SQRT_2;
    let known = file.settings.is_some();
    let range_rms = file.power.calibration.active().each_ref().map(|c| c.gain.abs() * full);
    let ranges = Ranges {
        wiring: file.power.wiring,
        range_rms: if known { range_rms } else { [0.0; ACTIVE] },
    };
    let mut best: Option<(Picture, f64)> = None;
    let mut keep = |stretch: Stretch| {
        let closed = stretch.close(&ranges);
        if let Some((_, current)) = closed
            && best.as_ref().is_none_or(|(_, most)| current > *most)
        {
            best = closed;
        }
    };
    let mut stretch = Stretch::default();
    let rate_hz = file.sample_rate_hz;
    let ends = file.range_ends();
    windows(file, nominal, |window, reading| {
        let start_s = window.begins_at() / rate_hz;
        stretch.add(start_s, reading, &at_end(window, &ends));
        if stretch.builder.duration_s() > STRETCH_S - 0.1 {
            keep(std::mem::take(&mut stretch));
        }
    })?;
    // A shorter rest counts only where there is nothing else.
    if best.is_none() {
        best = stretch.close(&ranges);
    }
    Ok(best.map(|(picture, _)| picture).unwrap_or(Picture {
        // A file without a window is an error of `windows`, so that this is never reached.
        input: HookupInput::new(ranges.wiring, Default::default(), None),
        flags: Flags::NO_FUNDAMENTAL,
        stretch_s: None,
    }))
}

/// Longest wait for a node's capture.
const CAPTURE_WAIT: Duration = Duration::from_secs(2);

/// Takes the picture of a node as it is now: phasors and RMS from the node, DC from a capture of
/// its waveforms (none is told where it makes no capture or there is no fundamental).
pub fn of_node(client: &mut AnyClient) -> Result<Picture, LinkError> {
    let mut picture = Picture::from_snapshot(&client.hookup()?);
    if let Some(frequency_hz) = picture.input.frequency_hz {
        let power = client.settings()?.power;
        if let Some(captured) = client.captured(CAPTURE_WAIT)? {
            picture.input.dc = dc_of(&captured, &power, frequency_hz);
        }
    }
    Ok(picture)
}

/// Means of the channels over the whole cycles of a capture, in V or A; zero for a coil, which
/// passes no DC, and where the capture is shorter than a cycle.
fn dc_of(captured: &Captured, power: &PowerConfig, frequency_hz: f64) -> [f64; ACTIVE] {
    let frames: Vec<Frame> = captured
        .frames
        .iter()
        .map(|f| Frame::new(std::array::from_fn(|k| f.get(k).copied().unwrap_or(0))))
        .collect();
    // Both cuts smooth: frames on either side of each.
    const ASIDE: f64 = 3.0;
    let turns = frequency_hz * captured.step_s;
    let cycles = libm::floor((frames.len() as f64 - 2.0 * ASIDE) * turns);
    let stretch = (cycles >= 1.0).then(|| sum_stretch(&frames, turns, ASIDE, cycles / turns));
    let Some(sums) = stretch.flatten() else {
        return [0.0; ACTIVE];
    };
    let channels = power.calibration.active();
    std::array::from_fn(|k| match power.calibration.rogowski(k) {
        Some(_) => 0.0,
        None => (sums.mean(k) - f64::from(channels[k].offset_counts)) * channels[k].gain,
    })
}

/// Checks a picture.
pub fn check(picture: &Picture) -> HookupReport {
    wattless_core::hookup::check(&picture.input)
}
