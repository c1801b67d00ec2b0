//! Gapless basic windows of 10 or 12 cycles, cut at the tracked fundamental.
//!
//! The window's length follows from the frequency expected for it; the turn of
//! the voltage phasors from one window to the next says what the frequency was.
//! When the fundamental is lost, windows are 200 ms long until it is found again.

use crate::accumulate::{Cut, Sums, sum_stretch};
use crate::acquire::{acquire_frames, find_fundamental};
use crate::cutter::{Cutter, between_hz, floor_counts};
use crate::flags::Flags;
use crate::frame::Frame;
use crate::neutral::NeutralSums;
use crate::spectrum::Spectrum;
use serde::{Deserialize, Serialize};

/// The supply frequency that a site is built for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Nominal {
    /// 50 Hz: windows of 10 cycles.
    Hz50,
    /// 60 Hz: windows of 12 cycles.
    Hz60,
}

impl Nominal {
    /// The frequency in Hz.
    pub const fn hz(self) -> f64 {
        match self {
            Nominal::Hz50 => 50.0,
            Nominal::Hz60 => 60.0,
        }
    }

    /// Cycles in a basic window (IEC 61000-4-30: about 200 ms).
    pub const fn cycles(self) -> f64 {
        match self {
            Nominal::Hz50 => 10.0,
            Nominal::Hz60 => 12.0,
        }
    }

    /// The nominal that a frequency belongs to.
    pub fn nearest(frequency_hz: f64) -> Nominal {
        if frequency_hz < 55.0 { Nominal::Hz50 } else { Nominal::Hz60 }
    }
}

/// Lowest sample rate that the meter accepts, in frames per second.
pub const SAMPLE_RATE_MIN_HZ: f64 = 1000.0;
/// Highest sample rate that the meter accepts, in frames per second.
pub const SAMPLE_RATE_MAX_HZ: f64 = 200_000.0;

/// A voltage is taken as absent below this share of the range of its input.
pub const ABSENT_SHARE: f64 = 1e-3;

/// One basic window: sums, where it lies, and what is to be said about it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Window {
    /// Exact sums and fundamental phasors in counts.
    pub sums: Sums,
    /// Frame number of the cell in which the window starts, from the meter's start.
    pub first_frame: u64,
    /// Where in that cell it starts.
    pub start: Cut,
    /// Length in seconds by the sample clock.
    pub duration_s: f64,
    /// Frequency of the reference that the phasors turn against, in Hz.
    pub reference_hz: f64,
    /// Frequency in the middle of the window, in Hz; `None` without a fundamental.
    pub frequency_hz: Option<f64>,
    /// Remarks that belong to the window itself.
    pub flags: Flags,
    /// Harmonics; `None` when they are not followed or there is no fundamental.
    pub spectrum: Option<Spectrum>,
    /// Sums of the neutral's current; `None` when it is not followed.
    pub neutral: Option<NeutralSums>,
}

impl Window {
    /// Where it begins, in frames from the start of the stream.
    pub fn begins_at(&self) -> f64 {
        self.first_frame as f64 + self.start.fraction()
    }

    /// Where it ends, which is where the next one begins.
    pub fn ends_at(&self) -> f64 {
        self.begins_at() + self.sums.length()
    }

    /// Frequency from the middle of the window before to the middle of this one, in Hz.
    ///
    /// Nothing where either has no fundamental, or they are no neighbours in one stream.
    pub fn frequency_since(&self, before: &Window, config: MeterConfig) -> Option<f64> {
        let both = before.frequency_hz.is_some() && self.frequency_hz.is_some();
        if both && libm::fabs(before.ends_at() - self.begins_at()) < 0.01 {
            between_hz(&before.sums, &self.sums, config)
        } else {
            None
        }
    }
}

/// The frequency that a window is cut for, where it is known beforehand.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Expected {
    /// In the middle of the window, in Hz.
    pub middle_hz: f64,
    /// Change from its start to its end, in Hz.
    pub change_hz: f64,
}

/// What a meter follows beside the sums of the six channels.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Follow {
    /// Harmonics of all channels.
    pub harmonics: bool,
    /// A current sensor on the neutral.
    pub neutral: bool,
}

impl Follow {
    /// Harmonics, no neutral.
    pub const USUAL: Follow = Follow { harmonics: true, neutral: false };
}

impl Default for Follow {
    fn default() -> Self {
        Follow::USUAL
    }
}

/// What the meter must know before the first frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MeterConfig {
    /// Frames per second.
    pub sample_rate_hz: f64,
    /// Nominal frequency: sets the cycles of a window.
    pub nominal: Nominal,
}

impl MeterConfig {
    /// Whether a meter with a buffer of so many frames can be set up.
    pub fn check(&self, hold_frames: usize) -> Result<(), MeterError> {
        if !(SAMPLE_RATE_MIN_HZ..=SAMPLE_RATE_MAX_HZ).contains(&self.sample_rate_hz) {
            return Err(MeterError::SampleRate);
        }
        if hold_frames < acquire_frames(self.sample_rate_hz) {
            return Err(MeterError::Buffer);
        }
        Ok(())
    }
}

/// Why a meter cannot be set up.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum MeterError {
    /// The sample rate is outside [`SAMPLE_RATE_MIN_HZ`] to [`SAMPLE_RATE_MAX_HZ`].
    SampleRate,
    /// The buffer given holds fewer than [`acquire_frames`] frames.
    Buffer,
}

impl core::fmt::Display for MeterError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            MeterError::SampleRate => write!(
                f,
                "the sample rate must be {SAMPLE_RATE_MIN_HZ} to {SAMPLE_RATE_MAX_HZ} per second"
            ),
            MeterError::Buffer => write!(f, "the start buffer is too short for the sample rate"),
        }
    }
}

impl core::error::Error for MeterError {}

/// Cuts a stream of frames into basic windows.
///
/// `B` is room for a tenth of a second of frames: an array on the node, a
/// vector on a laptop. It holds the first frames until the fundamental is
/// known, and later the end of a window that has lost it.
#[derive(Clone, Debug)]
pub struct Meter<B> {
    config: MeterConfig,
    hold: B,
    held: usize,
    started: bool,
    cutter: Cutter,
}

impl<B> Meter<B> {
    /// A meter that waits for [`Meter::begin`]: a constant, so that it can lie in static memory.
    ///
    /// All its bits are zero if the buffer's are: static memory then takes no room in a program.
    pub const fn idle(hold: B) -> Self {
        let config = MeterConfig { sample_rate_hz: 0.0, nominal: Nominal::Hz50 };
        Meter { config, hold, held: 0, started: false, cutter: Cutter::idle(config) }
    }
}

impl<B: AsRef<[Frame]> + AsMut<[Frame]>> Meter<B> {
    /// Sets up a meter; the buffer's content does not matter.
    pub fn new(config: MeterConfig, hold: B) -> Result<Self, MeterError> {
        let mut meter = Meter::idle(hold);
        meter.begin(config)?;
        Ok(meter)
    }

    /// Sets up an idle meter where it lies.
    pub fn begin(&mut self, config: MeterConfig) -> Result<(), MeterError> {
        config.check(self.hold.as_ref().len())?;
        self.config = config;
        self.cutter.follow = Follow::USUAL;
        Ok(())
    }

    /// The configuration given at the start.
    pub fn config(&self) -> MeterConfig {
        self.config
    }

    /// Starts anew after frames were lost: what is under way is dropped.
    ///
    /// Returns the number of frames dropped. Frame numbers of windows count from zero again.
    pub fn restart(&mut self) -> u64 {
        let dropped = if self.started { u64::from(self.cutter.received) } else { self.held as u64 };
        self.started = false;
        self.held = 0;
        dropped
    }

    /// Says what to follow, from the next window on.
    pub fn follow(&mut self, follow: Follow) {
        self.cutter.follow = follow;
    }

    /// Changes the nominal frequency and starts anew; the sample rate stays as it is.
    pub fn reconfigure(&mut self, config: MeterConfig) {
        self.restart();
        self.config.nominal = config.nominal;
    }

    /// Frames taken since the start, or since a restart.
    pub fn frames(&self) -> u64 {
        if self.started {
            self.cutter.first_frame + u64::from(self.cutter.received)
        } else {
            self.held as u64
        }
    }

    /// Takes frames and hands every window that they complete to `sink`.
    pub fn push(&mut self, frames: &[Frame], sink: &mut impl FnMut(&Window)) {
        self.push_expecting(frames, &mut |_| None, sink);
    }

    /// The same, where the course of the frequency is known beforehand: `expect` is asked for
    /// each window, given where it starts in frames from the start of the stream.
    ///
    /// What it answers takes the place of what the windows before say.
    pub fn push_expecting(
        &mut self,
        mut frames: &[Frame],
        expect: &mut impl FnMut(f64) -> Option<Expected>,
        sink: &mut impl FnMut(&Window),
    ) {
        if !self.started {
            let need = acquire_frames(self.config.sample_rate_hz);
            let take = need.saturating_sub(self.held).min(frames.len());
            let (now, later) = frames.split_at_checked(take).unwrap_or((frames, &[]));
            if let Some(room) = self.hold.as_mut().get_mut(self.held..self.held + take) {
                room.copy_from_slice(now);
            }
            self.held += take;
            frames = later;
            if self.held < need {
                return;
            }
            self.start(expect, sink);
        }
        self.run(frames, expect, sink);
    }

    /// Ends the stream: closes a window that lacks less than half a frame.
    ///
    /// `tail` are the last frames of the stream, a tenth of a second or so, to see how it
    /// would have gone on; it may be empty where they are not at hand. Returns the number of
    /// frames that came after the last window.
    pub fn finish(&mut self, tail: &[Frame], sink: &mut impl FnMut(&Window)) -> u64 {
        if !self.started {
            return self.held as u64;
        }
        if let Some(window) = self.cutter.close_short(tail) {
            sink(&window);
        }
        u64::from(self.cutter.received)
    }

    /// Looks for the fundamental in the held frames and replays them.
    fn start(
        &mut self,
        expect: &mut impl FnMut(f64) -> Option<Expected>,
        sink: &mut impl FnMut(&Window),
    ) {
        let held = self.hold.as_ref().get(..self.held).unwrap_or_default();
        let found = find_fundamental(held, self.config.sample_rate_hz, floor_counts());
        self.cutter.restart(self.config, found, held);
        self.ask(expect);
        self.started = true;
        self.held = 0;
        // Less than half a window is held, so none is completed by the replay.
        let need = acquire_frames(self.config.sample_rate_hz);
        let (cutter, hold) = (&mut self.cutter, self.hold.as_ref());
        let mut rest = hold.get(..need).unwrap_or_default();
        while let Some(window) = cutter.feed(&mut rest) {
            sink(&window);
        }
    }

    /// Lets the window under way, still empty, be cut for what is known of it.
    fn ask(&mut self, expect: &mut impl FnMut(f64) -> Option<Expected>) {
        if self.cutter.locked
            && let Some(expected) = expect(self.cutter.position())
        {
            self.cutter.expect(expected);
        }
    }

    fn run(
        &mut self,
        mut frames: &[Frame],
        expect: &mut impl FnMut(f64) -> Option<Expected>,
        sink: &mut impl FnMut(&Window),
    ) {
        while !frames.is_empty() {
            let (before, was_locked) = (frames, self.cutter.locked);
            let done = self.cutter.feed(&mut frames);
            if was_locked {
                self.held = 0;
            } else {
                let used = before.len() - frames.len();
                self.keep(before.get(..used).unwrap_or_default());
            }
            if let Some(window) = done {
                if !self.cutter.locked {
                    self.search_again();
                }
                self.ask(expect);
                sink(&window);
            }
        }
    }

    /// Keeps the newest frames while there is no fundamental.
    fn keep(&mut self, frames: &[Frame]) {
        let room = self.hold.as_mut();
        let need = acquire_frames(self.config.sample_rate_hz).min(room.len());
        let new = frames.get(frames.len().saturating_sub(need)..).unwrap_or_default();
        let old = self.held.min(need.saturating_sub(new.len()));
        let from = self.held.saturating_sub(old);
        for k in 0..old {
            if let Some(frame) = room.get(from.saturating_add(k)).copied()
                && let Some(place) = room.get_mut(k)
            {
                *place = frame;
            }
        }
        let places = room.iter_mut().skip(old);
        places.zip(new).for_each(|(place, frame)| *place = *frame);
        self.held = old.saturating_add(new.len());
    }

    fn search_again(&mut self) {
        let held = self.hold.as_ref().get(..self.held).unwrap_or_default();
        if self.held >= acquire_frames(self.config.sample_rate_hz)
            && let Some(f) = find_fundamental(held, self.config.sample_rate_hz, floor_counts())
        {
            self.cutter.relock(f);
        }
    }
}

/// Sums of a whole slice over the whole cycles of a known frequency, for tests and search.
pub fn sums_of(frames: &[Frame], sample_rate_hz: f64, frequency_hz: f64) -> Option<Sums> {
    let period = sample_rate_hz / frequency_hz;
    let cycles = libm::floor(frames.len() as f64 / period);
    sum_stretch(frames, frequency_hz / sample_rate_hz, 0.0, cycles * period)
}
