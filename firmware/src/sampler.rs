//! The sampling side: frames in, finished intervals out; it touches neither flash nor link.
//!
//! A board may run it in a context of its own (an interrupt, a second core) and
//! hand finished intervals and the live reading over to the [`crate::keeper`].

use core::ops::{Deref, DerefMut};
use heapless::{Deque, Vec};
use wattless_core::flags::Flags;
use wattless_core::frame::{ACTIVE, Frame};
use wattless_core::interval::{Energies, IntervalSummary};
use wattless_core::logger::IntervalLogger;
use wattless_core::power::{PowerConfig, Reading, read_window};
use wattless_core::rogowski::Integrators;
use wattless_core::settings::Settings;
use wattless_core::window::{Meter, MeterConfig, MeterError, Nominal, Window};
use wattless_core::wire::CAPTURE_PER_REPLY;
use wattless_core::wiring::Wiring;

/// Frames that the search for the fundamental holds: 0.1 s at up to 8 kSPS.
pub const HOLD: usize = 800;

/// Frames of a waveform capture: 50 ms at 8 kSPS.
pub const CAPTURE_FRAMES: usize = 400;

/// Finished intervals that may wait for the flash.
pub const WAITING: usize = 4;

/// Frames that are integrated at a time.
const PIECE: usize = 64;

const CAPTURE_BYTES: usize = CAPTURE_FRAMES * ACTIVE * 3;

/// An interval that waits to be written.
#[derive(Clone, Debug, PartialEq)]
pub struct Finished {
    /// Its numbers.
    pub summary: IntervalSummary,
    /// Milliseconds since the start at its end, by the sample clock.
    pub uptime_ms: u64,
    /// Energy counters at its end.
    pub energies: Energies,
    /// Frames lost within it.
    pub frames_lost: u64,
    /// Wiring it was measured with.
    pub wiring: Wiring,
    /// Nominal frequency it was measured with.
    pub nominal: Nominal,
}

/// The newest window and where the counters stand.
#[derive(Clone, Debug)]
pub struct Snapshot {
    /// Readings of the window.
    pub reading: Reading,
    /// Milliseconds since the start at its end.
    pub uptime_ms: u64,
    /// Energy counters at its end.
    pub energies: Energies,
}

/// State of a waveform capture.
#[derive(Debug)]
struct Capture {
    number: u16,
    counts: Vec<u8, CAPTURE_BYTES>,
    filling: bool,
}

/// The meter of a node: most of its memory.
pub type NodeMeter = Meter<[Frame; HOLD]>;

/// A meter that lies inside the sampler; a board with little stack lends one in static memory.
#[derive(Debug)]
pub struct Own(NodeMeter);

impl Deref for Own {
    type Target = NodeMeter;

    fn deref(&self) -> &NodeMeter {
        &self.0
    }
}

impl DerefMut for Own {
    fn deref_mut(&mut self) -> &mut NodeMeter {
        &mut self.0
    }
}

/// Turns frames into finished intervals.
#[derive(Debug)]
pub struct Sampler<M = Own> {
    meter: M,
    integrators: Integrators,
    state: State,
    capture: Capture,
}

/// All that a finished window changes.
#[derive(Debug)]
struct State {
    sample_rate_hz: f64,
    nominal: Nominal,
    power: PowerConfig,
    logger: IntervalLogger,
    energies: Energies,
    /// Frames before the meter's frame zero, lost ones included.
    base_frames: u64,
    frames_lost: u64,
    lost_in_interval: u64,
    windows: u64,
    /// Wall clock minus uptime, in milliseconds.
    wall_offset_ms: Option<i64>,
    snapshot: Option<Snapshot>,
    waiting: Deque<Finished, WAITING>,
    /// What is to be said of Rogowski coils in the window under way, and of the newest frames.
    remarks: Flags,
    seen: Flags,
}

impl Sampler {
    /// Sets up sampling at `sample_rate_hz` with settings that have passed their checks.
    ///
    /// Fails when the rate does not suit the meter or needs more than [`HOLD`] frames.
    pub fn new(
        sample_rate_hz: f64,
        settings: &Settings,
        energies: Energies,
    ) -> Result<Self, MeterError> {
        let meter = Own(Meter::idle([Frame::ZERO; HOLD]));
        Sampler::with_meter(meter, sample_rate_hz, settings, energies)
    }
}

impl<M: DerefMut<Target = NodeMeter>> Sampler<M> {
    /// The same with an idle meter that lies elsewhere.
    pub fn with_meter(
        mut meter: M,
        sample_rate_hz: f64,
        settings: &Settings,
        energies: Energies,
    ) -> Result<Self, MeterError> {
        meter.begin(MeterConfig { sample_rate_hz, nominal: settings.nominal })?;
        meter.follow(settings.power.follow());
        Ok(Sampler {
            meter,
            integrators: Integrators::new(&settings.power.calibration, sample_rate_hz),
            state: State {
                sample_rate_hz,
                nominal: settings.nominal,
                power: settings.power,
                logger: IntervalLogger::new(f64::from(settings.interval_s)),
                energies,
                base_frames: 0,
                frames_lost: 0,
                lost_in_interval: 0,
                windows: 0,
                wall_offset_ms: None,
                snapshot: None,
                waiting: Deque::new(),
                remarks: Flags::NONE,
                seen: Flags::NONE,
            },
            capture: Capture { number: 0, counts: Vec::new(), filling: false },
        })
    }

    /// Takes frames as they come from the converter, in order and without gaps.
    pub fn push(&mut self, frames: &[Frame]) {
        if self.capture.filling {
            self.capture.take(frames);
        }
        let state = &mut self.state;
        if !self.integrators.any() {
            self.meter.push(frames, &mut |window| state.window(window));
            return;
        }
        let mut piece = [Frame::ZERO; PIECE];
        let mut left = frames;
        while !left.is_empty() {
            let (done, seen) = self.integrators.run(left, &mut piece);
            state.seen = seen.flags();
            state.remarks.insert(state.seen);
            let Some((_, later)) = left.split_at_checked(done.max(1)) else { break };
            left = later;
            let whole = piece.get(..done).unwrap_or_default();
            self.meter.push(whole, &mut |window| state.window(window));
        }
    }

    /// Frames were lost between the last one pushed and the next.
    ///
    /// The window under way is dropped, counted as lost with them, and the
    /// interval is marked: nothing is bridged.
    pub fn frames_lost(&mut self, lost: u64) {
        if lost == 0 {
            return;
        }
        let taken = self.meter.frames();
        let dropped = self.meter.restart();
        self.integrators.restart();
        self.capture.filling = false;
        let s = &mut self.state;
        s.base_frames = s.base_frames.saturating_add(taken).saturating_add(lost);
        let gone = lost.saturating_add(dropped);
        s.frames_lost = s.frames_lost.saturating_add(gone);
        s.lost_in_interval = s.lost_in_interval.saturating_add(gone);
        s.logger.flag(Flags::FRAMES_LOST);
        s.logger.skip(gone as f64 / s.sample_rate_hz);
    }

    /// Changes settings: the interval under way ends here.
    pub fn configure(&mut self, settings: &Settings) {
        self.state.logger.flag(Flags::SETTINGS_CHANGED);
        self.state.close();
        // With the queue full the old interval could not be put away: what it
        // counted stays in the energies, its averages are given up.
        let taken = self.meter.frames();
        self.meter.restart();
        let config =
            MeterConfig { sample_rate_hz: self.state.sample_rate_hz, nominal: settings.nominal };
        self.meter.reconfigure(config);
        self.meter.follow(settings.power.follow());
        let s = &mut self.state;
        self.integrators = Integrators::new(&settings.power.calibration, s.sample_rate_hz);
        (s.remarks, s.seen) = (Flags::NONE, Flags::NONE);
        s.base_frames = s.base_frames.saturating_add(taken);
        s.nominal = settings.nominal;
        s.power = settings.power;
        s.logger = IntervalLogger::new(f64::from(settings.interval_s));
        s.logger.flag(Flags::SETTINGS_CHANGED);
        s.align();
    }

    /// Tells how far the wall clock is ahead of the uptime, so that intervals end on its multiples.
    pub fn set_wall_offset(&mut self, offset_ms: i64, set_by_hand: bool) {
        self.state.wall_offset_ms = Some(offset_ms);
        if set_by_hand {
            self.state.logger.flag(Flags::CLOCK_SET);
            self.state.align();
        }
    }

    /// Lets the interval under way end on a multiple of its length by the wall clock.
    pub fn align_to_wall(&mut self) {
        self.state.align();
    }

    /// Ends sampling: closes a window that lacks less than half a frame, and the interval.
    pub fn finish(&mut self) {
        let state = &mut self.state;
        self.meter.finish(&[], &mut |window| state.window(window));
        self.state.close();
    }

    /// The oldest interval that waits to be written.
    pub fn waiting(&self) -> Option<&Finished> {
        self.state.waiting.front()
    }

    /// Removes the oldest waiting interval, once it is written.
    pub fn written(&mut self) {
        self.state.waiting.pop_front();
    }

    /// The newest window; `None` before the first.
    pub fn snapshot(&self) -> Option<&Snapshot> {
        self.state.snapshot.as_ref()
    }

    /// How channels make phases at present.
    pub fn power(&self) -> &PowerConfig {
        &self.state.power
    }

    /// Frames lost since the start.
    pub fn total_lost(&self) -> u64 {
        self.state.frames_lost
    }

    /// Basic windows since the start.
    pub fn total_windows(&self) -> u64 {
        self.state.windows
    }

    /// Milliseconds since the start by the sample clock.
    pub fn uptime_ms(&self) -> u64 {
        self.state.to_ms(self.state.base_frames.saturating_add(self.meter.frames()))
    }

    /// Adds a remark to the interval under way.
    pub fn flag(&mut self, flags: Flags) {
        self.state.logger.flag(flags);
    }

    /// Starts a new capture and returns its number.
    pub fn start_capture(&mut self) -> u16 {
        self.capture.number = self.capture.number.wrapping_add(1);
        self.capture.counts.clear();
        self.capture.filling = true;
        self.capture.number
    }

    /// Bytes of a full capture from a frame on, at most one reply's worth.
    pub fn capture(&self, number: u16, from: u16) -> Option<&[u8]> {
        if number != self.capture.number || self.capture.filling || number == 0 {
            return None;
        }
        let start = usize::from(from) * ACTIVE * 3;
        let rest = self.capture.counts.get(start..)?;
        if rest.is_empty() {
            return None;
        }
        Some(rest.get(..CAPTURE_PER_REPLY * ACTIVE * 3).unwrap_or(rest))
    }
}

impl Capture {
    fn take(&mut self, frames: &[Frame]) {
        for frame in frames {
            for count in frame.counts().iter().take(ACTIVE) {
                let [a, b, c, _] = count.to_le_bytes();
                if self.counts.extend_from_slice(&[a, b, c]).is_err() {
                    self.filling = false;
                    return;
                }
            }
        }
        self.filling = !self.counts.is_full();
    }
}

impl State {
    fn window(&mut self, window: &Window) {
        let mut reading = read_window(window, &self.power);
        // The newest frames lie behind the window's end already.
        reading.flags.insert(core::mem::replace(&mut self.remarks, self.seen));
        self.energies.add(&reading);
        self.windows = self.windows.saturating_add(1);
        let uptime_ms = self.to_ms_f64(self.base_frames as f64 + window.ends_at());
        self.snapshot = Some(Snapshot { reading, uptime_ms, energies: self.energies });
        if self.logger.push(&reading) && !self.waiting.is_full() {
            self.close();
            self.align();
        }
    }

    /// Puts the interval under way into the queue, if there is room and it has a window.
    fn close(&mut self) {
        if self.waiting.is_full() {
            return;
        }
        let (Some(summary), Some(now)) = (self.logger.take(), &self.snapshot) else {
            return;
        };
        let finished = Finished {
            summary,
            uptime_ms: now.uptime_ms,
            energies: self.energies,
            frames_lost: core::mem::take(&mut self.lost_in_interval),
            wiring: self.power.wiring,
            nominal: self.nominal,
        };
        // There is room: checked above.
        let _ = self.waiting.push_back(finished);
    }

    /// Lets the interval under way end on a multiple of its length by the wall clock.
    fn align(&mut self) {
        let Some(offset_ms) = self.wall_offset_ms else {
            return;
        };
        let uptime_ms = self.snapshot.as_ref().map_or(0, |s| s.uptime_ms);
        let wall_ms = offset_ms.saturating_add(uptime_ms as i64);
        let interval_ms = (self.logger.interval_s() * 1000.0) as i64;
        if interval_ms <= 0 {
            return;
        }
        let into_ms = wall_ms.rem_euclid(interval_ms);
        let mut left_ms = interval_ms - into_ms;
        // Just past a boundary or just before it: this is the boundary's own remainder.
        if self.logger.collected_s() == 0.0 && left_ms * 8 < interval_ms {
            left_ms += interval_ms;
        }
        self.logger.end_in(left_ms as f64 / 1000.0);
    }

    fn to_ms(&self, frames: u64) -> u64 {
        self.to_ms_f64(frames as f64)
    }

    fn to_ms_f64(&self, frames: f64) -> u64 {
        round(frames * 1000.0 / self.sample_rate_hz)
    }
}

/// Rounds to the nearest whole number, half up; not negative.
fn round(x: f64) -> u64 {
    (x + 0.5) as u64
}
