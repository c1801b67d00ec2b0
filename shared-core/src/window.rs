//! Gapless basic windows of 10 or 12 cycles, cut at the tracked fundamental.
//!
//! The window's length follows from the frequency expected for it; the turn of
//! the voltage phasors from one window to the next says what the frequency was.
//! When the fundamental is lost, windows are 200 ms long until it is found again.

use crate::accumulate::{Accumulator, CUT_FRAMES, Cut, CutFrames, MAX_FRAMES, Sums, sum_stretch};
use crate::acquire::{FREQUENCY_RANGE_HZ, acquire_frames, advance, find_fundamental, presence};
use crate::extend::{around_end, around_start};
use crate::flags::Flags;
use crate::frame::{CLIP_MARGIN, COUNT_MAX, Frame};
use crate::kernel::BLOCK;
use crate::neutral::{NeutralAccumulator, NeutralSums};
use crate::spectrum::Spectrum;
use crate::spread::{Spreader, Turning};
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

/// Frequency change within a window beyond which a reading is marked, in Hz.
const MOVED_HZ: f64 = 0.25;
/// Frames from the cut's cell on that are needed before a window can be closed.
const CUT_AHEAD: u32 = 3;
/// Largest change of frequency per window that is extrapolated, in Hz.
const SLOPE_MAX_HZ: f64 = 0.4;

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
    pub fn push(&mut self, mut frames: &[Frame], sink: &mut impl FnMut(&Window)) {
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
            self.start(sink);
        }
        self.run(frames, sink);
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
    fn start(&mut self, sink: &mut impl FnMut(&Window)) {
        let held = self.hold.as_ref().get(..self.held).unwrap_or_default();
        let found = find_fundamental(held, self.config.sample_rate_hz, floor_counts());
        self.cutter.restart(self.config, found, held);
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

    fn run(&mut self, mut frames: &[Frame], sink: &mut impl FnMut(&Window)) {
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

/// RMS below which the fundamental of the voltages is taken as absent.
fn floor_counts() -> f64 {
    ABSENT_SHARE * f64::from(COUNT_MAX)
}

/// What is remembered of the window before.
#[derive(Clone, Copy, Debug)]
struct Previous {
    sums: Sums,
    /// Frequency from the middle of the window before it to its own middle, in Hz; not a number
    /// where there was none. (As an option, it would make idle memory other than zero.)
    between_hz: f64,
}

/// Everything that is added up over a window.
#[derive(Clone, Debug)]
struct Adders {
    /// What the window under way follows.
    following: Follow,
    accumulator: Accumulator,
    spreader: Spreader,
    neutral: NeutralAccumulator,
}

impl Adders {
    fn begin(&mut self, follow: Follow, turning: Turning, start: Cut, around: &CutFrames) {
        self.following = follow;
        self.accumulator = Accumulator::new(turning.turns_per_frame, start, around);
        if follow.harmonics {
            self.spreader.begin(turning, start, around);
        }
        if follow.neutral {
            self.neutral.begin(start, around);
        }
    }

    #[inline]
    fn add_block(&mut self, block: &[Frame]) {
        self.accumulator.add_block(block);
        if self.following.harmonics {
            self.spreader.add(block);
        }
        if self.following.neutral {
            self.neutral.add(block);
        }
    }

    /// Harmonics of the window, `period` frames a cycle.
    fn spectrum(
        &mut self,
        end: Cut,
        around: &CutFrames,
        sums: &Sums,
        period: f64,
    ) -> Option<Spectrum> {
        if !self.following.harmonics {
            return None;
        }
        self.spreader.finish(end, around, self.accumulator.frames());
        let mut spectrum = Spectrum::of(&self.spreader, sums.length(), period);
        spectrum.align(sums);
        Some(spectrum)
    }

    fn neutral(&self, end: Cut, around: &CutFrames) -> Option<NeutralSums> {
        self.following.neutral.then(|| self.neutral.finish(end, around))
    }
}

/// Cuts windows, given the frequency to start with.
#[derive(Clone, Debug)]
struct Cutter {
    config: MeterConfig,
    follow: Follow,
    expected_hz: f64,
    /// By how much the frequency is expected to change within the window under way, in Hz.
    slope_hz: f64,
    locked: bool,
    first_frame: u64,
    start: Cut,
    end_cell: u32,
    end: Cut,
    adders: Adders,
    buffer: [Frame; BLOCK],
    buffered: usize,
    /// The last two whole frames of the window and those from the cut on.
    around: CutFrames,
    /// Frames received since the cell of the start.
    received: u32,
    previous: Option<Previous>,
}

impl Cutter {
    /// A cutter that waits for [`Cutter::restart`].
    const fn idle(config: MeterConfig) -> Self {
        let nothing = Follow { harmonics: false, neutral: false };
        Cutter {
            config,
            follow: nothing,
            expected_hz: 0.0,
            slope_hz: 0.0,
            locked: false,
            first_frame: 0,
            start: Cut::NOWHERE,
            end_cell: 0,
            end: Cut::NOWHERE,
            adders: Adders {
                following: nothing,
                accumulator: Accumulator::idle(),
                spreader: Spreader::new(),
                neutral: NeutralAccumulator::IDLE,
            },
            buffer: [Frame::ZERO; BLOCK],
            buffered: 0,
            around: [Frame::ZERO; CUT_FRAMES],
            received: 0,
            previous: None,
        }
    }

    /// Begins a stream; `frames` are its first ones, which the opening cut looks at.
    fn restart(&mut self, config: MeterConfig, found_hz: Option<f64>, frames: &[Frame]) {
        let period = found_hz.map(|f| config.sample_rate_hz / f);
        (self.around, self.start) = match period.and_then(|p| around_start(frames, p)) {
            Some(around) => (around, Cut::smooth(0.0).1),
            None => {
                let mut around = [Frame::ZERO; CUT_FRAMES];
                if let (Some(room), Some(first)) =
                    (around.last_chunk_mut::<3>(), frames.first_chunk())
                {
                    *room = *first;
                }
                (around, Cut::first())
            }
        };
        self.config = config;
        self.expected_hz = found_hz.unwrap_or(config.nominal.hz());
        self.slope_hz = 0.0;
        self.locked = found_hz.is_some();
        self.first_frame = 0;
        self.previous = None;
        self.begin();
    }

    /// The fundamental was found again: the window under way, still empty, starts anew with it.
    fn relock(&mut self, frequency_hz: f64) {
        self.expected_hz = frequency_hz;
        self.slope_hz = 0.0;
        self.locked = true;
        self.previous = None;
        self.plan();
    }

    /// Fixes where the window that starts now will end.
    fn plan(&mut self) {
        let turns = self.expected_hz / self.config.sample_rate_hz;
        let length = self.config.nominal.cycles() / turns;
        (self.end_cell, self.end) = Cut::smooth(self.start.fraction() + length);
        // Cannot happen within the accepted rates and frequencies; keeps the sums exact.
        self.end_cell = self.end_cell.clamp(CUT_AHEAD, MAX_FRAMES);
        let growth = self.slope_hz / self.config.sample_rate_hz / length;
        let turning = Turning { turns_per_frame: turns, growth, frames: length };
        self.adders.begin(self.follow, turning, self.start, &self.around);
    }

    fn begin(&mut self) {
        self.plan();
        self.received = 0;
        self.buffered = 0;
    }

    /// Takes frames up to the end of a window; returns it when complete.
    fn feed(&mut self, frames: &mut &[Frame]) -> Option<Window> {
        let whole = self.end_cell.saturating_sub(self.received) as usize;
        let (mut now, later) = frames.split_at_checked(whole).unwrap_or((*frames, &[]));
        *frames = later;
        self.received += now.len() as u32;
        self.take_whole(&mut now);
        if self.received < self.end_cell {
            return None;
        }
        // The frame of the cut cell and those behind it.
        while self.received < self.end_cell + CUT_AHEAD {
            let (frame, rest) = frames.split_first()?;
            *frames = rest;
            let k = (self.received - self.end_cell + 2) as usize;
            if let Some(place) = self.around.get_mut(k) {
                *place = *frame;
            }
            self.received += 1;
        }
        Some(self.close())
    }

    /// Adds frames that lie wholly before the cut.
    fn take_whole(&mut self, frames: &mut &[Frame]) {
        match **frames {
            [.., a, b] => (self.around[0], self.around[1]) = (a, b),
            [b] => (self.around[0], self.around[1]) = (self.around[1], b),
            [] => {}
        }
        if self.buffered > 0 || frames.len() < BLOCK {
            let take = (BLOCK - self.buffered).min(frames.len());
            let (now, later) = frames.split_at_checked(take).unwrap_or((*frames, &[]));
            if let Some(room) = self.buffer.get_mut(self.buffered..self.buffered + take) {
                room.copy_from_slice(now);
            }
            self.buffered += take;
            *frames = later;
            if self.buffered == BLOCK {
                self.adders.add_block(&self.buffer);
                self.buffered = 0;
            }
        }
        let mut blocks = frames.chunks_exact(BLOCK);
        for block in &mut blocks {
            self.adders.add_block(block);
        }
        let rest = blocks.remainder();
        if let Some(room) = self.buffer.get_mut(self.buffered..self.buffered + rest.len()) {
            room.copy_from_slice(rest);
            self.buffered += rest.len();
        }
    }

    /// Closes the window at the end of the stream when less than half a frame is missing.
    fn close_short(&mut self, tail: &[Frame]) -> Option<Window> {
        let end = f64::from(self.end_cell) + self.end.fraction();
        if end - f64::from(self.received) > 0.5 {
            return None;
        }
        let period = self.config.sample_rate_hz / self.expected_hz;
        let behind = around_end(tail, period).filter(|_| self.locked);
        match behind {
            Some(behind) => {
                (self.end_cell, self.end) = Cut::smooth(end);
                let missing = CUT_AHEAD.saturating_sub(self.received - self.end_cell) as usize;
                // The frames behind the last one, as they would have come.
                let room = self.around.iter_mut().rev().take(missing).rev();
                for (place, frame) in room.zip(behind.iter().skip(2)) {
                    *place = *frame;
                }
            }
            // Without that, it ends with the last frame there is.
            None => (self.end_cell, self.end) = Cut::last(end.min(f64::from(self.received))),
        }
        let window = self.close();
        self.received = 0;
        self.buffered = 0;
        Some(window)
    }

    fn close(&mut self) -> Window {
        let rest = self.buffer.get(..self.buffered).unwrap_or_default();
        if !rest.is_empty() {
            self.adders.add_block(rest);
        }
        let sums = self.adders.accumulator.finish(self.end, &self.around);
        let usable = self.locked && presence(&sums).is_usable(floor_counts());
        let followed = if usable { self.follow(&sums) } else { None };
        let mut flags = Flags::NONE;
        flags.insert_if(followed.is_none(), Flags::NO_FUNDAMENTAL);
        if let Some(f) = &followed {
            let nominal = self.config.nominal.hz();
            let off = libm::fabs(f.middle_hz - nominal) > 0.15 * nominal + 1e-3;
            flags.insert_if(off, Flags::OFF_NOMINAL);
            let moved = libm::fabs(f.middle_hz - self.expected_hz) > MOVED_HZ;
            flags.insert_if(moved, Flags::FREQUENCY_MOVED);
        }
        let clipped = |range: core::ops::Range<usize>| {
            let limit = COUNT_MAX - CLIP_MARGIN;
            sums.peak.get(range).unwrap_or_default().iter().any(|&p| p > limit)
        };
        flags.insert_if(clipped(0..3), Flags::V_CLIPPED);
        flags.insert_if(clipped(3..6), Flags::I_CLIPPED);
        let period = self.config.sample_rate_hz / self.expected_hz;
        let spectrum =
            followed.and_then(|_| self.adders.spectrum(self.end, &self.around, &sums, period));
        let neutral = self.adders.neutral(self.end, &self.around);
        flags
            .insert_if(neutral.is_some_and(|n| n.peak > COUNT_MAX - CLIP_MARGIN), Flags::I_CLIPPED);
        let window = Window {
            sums,
            first_frame: self.first_frame,
            start: self.start,
            duration_s: sums.length() / self.config.sample_rate_hz,
            reference_hz: self.expected_hz,
            frequency_hz: followed.map(|f| f.middle_hz),
            flags,
            spectrum,
            neutral,
        };
        self.locked = followed.is_some();
        self.expected_hz = followed.map_or(self.config.nominal.hz(), |f| f.next_hz);
        self.slope_hz = followed.map_or(0.0, |f| f.slope_hz);
        self.previous =
            followed.map(|f| Previous { sums, between_hz: f.between_hz.unwrap_or(f64::NAN) });
        self.first_frame += u64::from(self.end_cell);
        self.start = self.end;
        self.begin();
        // The frames held behind the cut open the next window.
        let held = self.around.last_chunk::<{ CUT_AHEAD as usize }>();
        if let (Some(room), Some(held)) = (self.buffer.first_chunk_mut(), held) {
            *room = *held;
        }
        self.buffered = CUT_AHEAD as usize;
        self.received = CUT_AHEAD;
        window
    }

    /// Says what the frequency was in the middle of this window and expects one for the next.
    fn follow(&self, sums: &Sums) -> Option<Followed> {
        let Some(before) = &self.previous else {
            // Without a window before, the search at the start is all there is.
            let f = self.expected_hz;
            return Some(Followed { middle_hz: f, between_hz: None, next_hz: f, slope_hz: 0.0 });
        };
        let turn = advance(&before.sums, sums)?.arg() / core::f64::consts::TAU;
        // From middle to middle the reference makes exactly one window's cycles.
        let cycles = self.config.nominal.cycles() + turn;
        let apart_s = (before.sums.length() + sums.length()) / 2.0 / self.config.sample_rate_hz;
        let between = cycles / apart_s;
        let (low, high) = FREQUENCY_RANGE_HZ;
        if !(low..=high).contains(&between) {
            return None;
        }
        let slope = if before.between_hz.is_nan() {
            0.0
        } else {
            (between - before.between_hz).clamp(-SLOPE_MAX_HZ, SLOPE_MAX_HZ)
        };
        Some(Followed {
            middle_hz: between + slope / 2.0,
            between_hz: Some(between),
            next_hz: (between + 1.5 * slope).clamp(low, high),
            slope_hz: slope,
        })
    }
}

/// What the turn of the phasors says about the frequency.
#[derive(Clone, Copy, Debug)]
struct Followed {
    middle_hz: f64,
    between_hz: Option<f64>,
    next_hz: f64,
    /// Change from window to window.
    slope_hz: f64,
}

/// Sums of a whole slice over the whole cycles of a known frequency, for tests and search.
pub fn sums_of(frames: &[Frame], sample_rate_hz: f64, frequency_hz: f64) -> Option<Sums> {
    let period = sample_rate_hz / frequency_hz;
    let cycles = libm::floor(frames.len() as f64 / period);
    sum_stretch(frames, frequency_hz / sample_rate_hz, 0.0, cycles * period)
}
