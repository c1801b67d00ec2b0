//! Cuts windows of a stream whose fundamental is known or lost, and keeps their sums.
//!
//! Where the first frequency comes from, and what becomes of a lost one, is the meter's business.

use crate::accumulate::{Accumulator, CUT_FRAMES, Cut, CutFrames, MAX_FRAMES, Sums};
use crate::acquire::{FREQUENCY_RANGE_HZ, advance, presence};
use crate::extend::{around_end, around_start};
use crate::flags::Flags;
use crate::frame::{CLIP_MARGIN, COUNT_MAX, Frame};
use crate::kernel::BLOCK;
use crate::neutral::{NeutralAccumulator, NeutralSums};
use crate::spectrum::Spectrum;
use crate::spread::{Spreader, Turning};
use crate::window::{ABSENT_SHARE, Expected, Follow, MeterConfig, Window};

/// Difference from the frequency a window was cut for beyond which it is marked, in Hz. There
/// the fundamental reads low by 0.016 % and order 50 by nearly 40 % (sinc of cycles missed).
const MOVED_HZ: f64 = 0.05;
/// Frames from the cut's cell on that are needed before a window can be closed.
const CUT_AHEAD: u32 = 3;
/// Largest change of frequency per window that is extrapolated, in Hz.
const SLOPE_MAX_HZ: f64 = 0.4;

/// RMS below which the fundamental of the voltages is taken as absent.
pub(crate) fn floor_counts() -> f64 {
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
pub(crate) struct Cutter {
    config: MeterConfig,
    pub(crate) follow: Follow,
    expected_hz: f64,
    /// By how much the frequency is expected to change within the window under way, in Hz.
    slope_hz: f64,
    /// Whether both were told, and not found from the windows before.
    told: bool,
    pub(crate) locked: bool,
    pub(crate) first_frame: u64,
    start: Cut,
    end_cell: u32,
    end: Cut,
    adders: Adders,
    buffer: [Frame; BLOCK],
    buffered: usize,
    /// The last two whole frames of the window and those from the cut on.
    around: CutFrames,
    /// Frames received since the cell of the start.
    pub(crate) received: u32,
    previous: Option<Previous>,
}

impl Cutter {
    /// A cutter that waits for [`Cutter::restart`].
    pub(crate) const fn idle(config: MeterConfig) -> Self {
        let nothing = Follow { harmonics: false, neutral: false };
        Cutter {
            config,
            follow: nothing,
            expected_hz: 0.0,
            slope_hz: 0.0,
            told: false,
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
    pub(crate) fn restart(&mut self, config: MeterConfig, found_hz: Option<f64>, frames: &[Frame]) {
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
    pub(crate) fn relock(&mut self, frequency_hz: f64) {
        self.expected_hz = frequency_hz;
        self.slope_hz = 0.0;
        self.told = false;
        self.locked = true;
        self.previous = None;
        self.plan();
    }

    /// The window under way, still empty, is cut for a frequency that is known beforehand.
    pub(crate) fn expect(&mut self, expected: Expected) {
        let (low, high) = FREQUENCY_RANGE_HZ;
        self.expected_hz = expected.middle_hz.clamp(low, high);
        self.slope_hz = expected.change_hz.clamp(-SLOPE_MAX_HZ, SLOPE_MAX_HZ);
        self.told = true;
        self.plan();
    }

    /// Where the window under way starts, in frames from the start of the stream.
    pub(crate) fn position(&self) -> f64 {
        self.first_frame as f64 + self.start.fraction()
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
        self.told = false;
        self.plan();
        self.received = 0;
        self.buffered = 0;
    }

    /// Takes frames up to the end of a window; returns it when complete.
    pub(crate) fn feed(&mut self, frames: &mut &[Frame]) -> Option<Window> {
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
    pub(crate) fn close_short(&mut self, tail: &[Frame]) -> Option<Window> {
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
            let (f, slope_hz) = (self.expected_hz, if self.told { self.slope_hz } else { 0.0 });
            return Some(Followed { middle_hz: f, between_hz: None, next_hz: f, slope_hz });
        };
        let between = between_hz(&before.sums, sums, self.config)?;
        let (low, high) = FREQUENCY_RANGE_HZ;
        if !(low..=high).contains(&between) {
            return None;
        }
        let slope = if self.told {
            self.slope_hz
        } else if before.between_hz.is_nan() {
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

/// Frequency from the middle of one window to that of the next, from the turn of the phasors.
pub(crate) fn between_hz(before: &Sums, after: &Sums, config: MeterConfig) -> Option<f64> {
    let turn = advance(before, after)?.arg() / core::f64::consts::TAU;
    // From middle to middle the reference makes exactly one window's cycles.
    let cycles = config.nominal.cycles() + turn;
    let apart_s = (before.length() + after.length()) / 2.0 / config.sample_rate_hz;
    Some(cycles / apart_s)
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
