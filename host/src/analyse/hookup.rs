//! Is it connected right? Pictures of the phasors from a file or a node, and the core's check.
//!
//! The check itself is [`wattless_core::hookup`]; this module only fetches what it needs.

use super::harmonics::turns;
use super::measure::{MeasureError, at_end, windows};
use crate::collect::link::{AnyClient, CAPTURE_WAIT, Captured, LinkError};
use crate::collect::waveform::{SLOTS, Waveform};
use wattless_core::accumulate::{Sums, sum_stretch};
use wattless_core::complex::Complex;
use wattless_core::flags::Flags;
use wattless_core::frame::{ACTIVE, COUNT_MAX, Frame};
use wattless_core::hookup::{
    HarmonicPhasors, HookupInput, HookupReport, LoadKind, Nameplate, WITNESS_ORDERS,
};
use wattless_core::interval::IntervalBuilder;
use wattless_core::power::{PowerConfig, Reading, read_channels};
use wattless_core::response::Responses;
use wattless_core::window::{Nominal, Window};
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
    /// Sums over time of the orders in [`WITNESS_ORDERS`], and how long they were there.
    orders: HarmonicPhasors,
    orders_s: f64,
}

impl Stretch {
    fn add(&mut self, window: &Window, reading: &Reading, file: &Source) {
        let start_s = window.begins_at() / file.rate_hz;
        let at_end = at_end(window, &file.ends);
        if self.builder.windows() == 0 {
            self.start_s = start_s;
        }
        self.builder.add(reading);
        for (sum, rms) in self.squares.iter_mut().zip(reading.channel_rms) {
            *sum += rms * rms * reading.duration_s;
        }
        self.clipped.iter_mut().zip(at_end).for_each(|(clipped, at)| *clipped |= at);
        // Orders above what the sample rate allows are zero, and not heard.
        let [_, second, ..] = WITNESS_ORDERS;
        if let Some(channels) = read_channels(window, &file.power, second) {
            let turns = turns(reading);
            for (sums, h) in self.orders.iter_mut().zip(WITNESS_ORDERS) {
                for (sum, orders) in sums.iter_mut().zip(&channels) {
                    *sum += (Complex::from(orders[h]) * turns[h]).scale(reading.duration_s);
                }
            }
            self.orders_s += reading.duration_s;
        }
    }

    /// The picture, with what its currents amount to.
    fn close(self, file: &Source) -> Option<(Picture, f64)> {
        let s = self.builder.summary()?;
        let mut input = HookupInput::new(file.power.wiring, s.channels, s.frequency_hz);
        input.rms = self.squares.map(|sum| libm::sqrt(sum / s.duration_s));
        input.dc = s.dc;
        input.range_rms = file.range_rms;
        input.clipped = self.clipped;
        let whole = self.orders_s > 0.999 * s.duration_s;
        let means = self.orders.map(|o| o.map(|x| x.scale(1.0 / s.duration_s)));
        input.harmonics = whole.then_some(means);
        let current = s.channels.iter().skip(3).map(|x| x.abs()).sum();
        let stretch_s = Some((self.start_s, self.start_s + s.duration_s));
        Some((Picture { input, flags: s.flags, stretch_s }, current))
    }
}

/// What a file knows of its channels.
struct Source {
    power: PowerConfig,
    rate_hz: f64,
    range_rms: [f64; ACTIVE],
    ends: [i32; SLOTS],
}

/// Takes the picture of a file: mean phasors of the second that carries most current.
///
/// Mean phasors shrink where the load changes, so that a steady stretch wins. Only a count
/// file knows the ranges of its inputs; for others they are left unknown.
pub fn of_file(file: &mut Waveform, nominal: Option<Nominal>) -> Result<Picture, MeasureError> {
    let full = f64::from(COUNT_MAX) * std::f64::consts::FRAC_1_SQRT_2;
    let known = file.settings.is_some();
    let range_rms = file.power.calibration.active().each_ref().map(|c| c.gain.abs() * full);
    let source = Source {
        power: file.power,
        rate_hz: file.sample_rate_hz,
        range_rms: if known { range_rms } else { [0.0; ACTIVE] },
        ends: file.range_ends(),
    };
    let mut best: Option<(Picture, f64)> = None;
    let mut keep = |stretch: Stretch| {
        let closed = stretch.close(&source);
        if let Some((_, current)) = closed
            && best.as_ref().is_none_or(|(_, most)| current > *most)
        {
            best = closed;
        }
    };
    let mut stretch = Stretch::default();
    windows(file, nominal, |window, reading| {
        stretch.add(window, reading, &source);
        if stretch.builder.duration_s() > STRETCH_S - 0.1 {
            keep(std::mem::take(&mut stretch));
        }
    })?;
    // A shorter rest counts only where there is nothing else.
    if best.is_none() {
        best = stretch.close(&source);
    }
    Ok(best.map(|(picture, _)| picture).unwrap_or(Picture {
        // A file without a window is an error of `windows`, so that this is never reached.
        input: HookupInput::new(source.power.wiring, Default::default(), None),
        flags: Flags::NO_FUNDAMENTAL,
        stretch_s: None,
    }))
}

/// Takes the picture of a node as it is now: phasors and RMS from the node, DC and harmonics from
/// a capture of its waveforms (neither is told where it makes none or there is no fundamental).
pub fn of_node(client: &mut AnyClient) -> Result<Picture, LinkError> {
    let mut picture = Picture::from_snapshot(&client.hookup()?);
    if let Some(frequency_hz) = picture.input.frequency_hz {
        let power = client.settings()?.power;
        if let Some(captured) = client.captured(CAPTURE_WAIT)? {
            let capture = Capture::new(&captured, frequency_hz);
            picture.input.dc = capture.dc(&power);
            picture.input.harmonics = capture.harmonics(&power, &picture.input.rms);
        }
    }
    Ok(picture)
}

/// The whole cycles of a node's capture.
struct Capture {
    frames: Vec<Frame>,
    step_s: f64,
    frequency_hz: f64,
}

impl Capture {
    fn new(captured: &Captured, frequency_hz: f64) -> Capture {
        let frame =
            |f: &[i32; ACTIVE]| Frame::new(std::array::from_fn(|k| f.get(k).copied().unwrap_or(0)));
        let frames = captured.frames.iter().map(frame).collect();
        Capture { frames, step_s: captured.step_s, frequency_hz }
    }

    /// Sums over as many whole cycles as there are, against an order; `None` below one.
    fn sums(&self, order: usize) -> Option<Sums> {
        // Both cuts smooth: frames on either side of each.
        const ASIDE: f64 = 3.0;
        let turns = self.frequency_hz * self.step_s;
        let cycles = libm::floor((self.frames.len() as f64 - 2.0 * ASIDE) * turns);
        if cycles < 1.0 {
            return None;
        }
        sum_stretch(&self.frames, order as f64 * turns, ASIDE, cycles / turns)
    }

    /// Means of the channels, in V or A; zero for a coil, which passes no DC.
    fn dc(&self, power: &PowerConfig) -> [f64; ACTIVE] {
        let Some(sums) = self.sums(1) else {
            return [0.0; ACTIVE];
        };
        let channels = power.calibration.active();
        std::array::from_fn(|k| match power.calibration.rogowski(k) {
            Some(_) => 0.0,
            None => (sums.mean(k) - f64::from(channels[k].offset_counts)) * channels[k].gain,
        })
    }

    /// Harmonics of the channels, as at their terminals.
    fn harmonics(&self, power: &PowerConfig, rms: &[f64; ACTIVE]) -> Option<HarmonicPhasors> {
        let calibration = &power.calibration;
        let channels = calibration.active();
        let responses = Responses::new(calibration, 1.0 / self.step_s, self.frequency_hz);
        let order = |h: usize| -> Option<[Complex; ACTIVE]> {
            let sums = self.sums(h)?;
            if h > responses.orders() {
                return None;
            }
            Some(std::array::from_fn(|k| {
                let x = sums.rms_phasor(k).scale(channels[k].gain);
                if let Some(at) = calibration.rogowski(k) {
                    // A coil gives the rate of change, with the gain at its own frequency.
                    let share = at.hz() / (h as f64 * self.frequency_hz);
                    return x * Complex::new(0.0, -share);
                }
                let undo = responses.harmonics(k, rms[k]).nth(h - 2);
                x * undo.map_or(Complex::new(1.0, 0.0), Complex::from)
            }))
        };
        let [five, seven, eleven, thirteen] = WITNESS_ORDERS;
        let higher = |h| order(h).unwrap_or_default();
        Some([order(five)?, order(seven)?, higher(eleven), higher(thirteen)])
    }
}

/// Checks a picture.
pub fn check(picture: &Picture) -> HookupReport {
    wattless_core::hookup::check(&picture.input)
}
