//! The whole node for a board that runs in one context: sampler, keeper, wall clock.

use crate::keeper::{Keeper, StartError, Wall};
use crate::ring::Slot;
use crate::sampler::{CAPTURE_FRAMES, Sampler};
use embedded_storage::nor_flash::NorFlash;
use heapless::{String, Vec};
use wattless_core::flags::Flags;
use wattless_core::frame::{COUNT_MAX, Frame};
use wattless_core::record::{RECORD_VERSION, WallQuality};
use wattless_core::settings::Settings;
use wattless_core::wire::{
    CaptureInfo, CaptureSlice, HookupSnapshot, Identity, Live, LivePhase, LogSlice,
    PAGES_PER_REPLY, Refusal, Reply, Request, Status,
};

/// Milliseconds between two looks at the flash when nothing waits.
const IDLE_MS: u64 = 1000;

/// A node may erase ahead only after this uptime, so that restarts in a row wear nothing.
const SETTLED_MS: u64 = 5000;

/// What the board knows of itself.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hardware {
    /// Unique number, from the chip.
    pub node_id: u64,
    /// Kind of hardware, up to 24 bytes.
    pub hardware: &'static str,
    /// Version of the program, up to 24 bytes.
    pub firmware: &'static str,
    /// Frames per second, in thousandths.
    pub sample_rate_mhz: u32,
}

/// A node: frames, bytes and the time go in; records and answers come out.
#[derive(Debug)]
pub struct Node<F> {
    hardware: Hardware,
    settings: Settings,
    sampler: Sampler,
    keeper: Keeper<F>,
    wall: Wall,
    clock_to_set: Option<u64>,
    link_errors: u32,
}

impl<F: NorFlash> Node<F> {
    /// Starts on a flash, with the battery-backed clock's time if the board has one.
    pub fn start(
        flash: F,
        hardware: Hardware,
        clock_wall_ms: Option<u64>,
    ) -> Result<Self, StartError> {
        let (keeper, found) = Keeper::open(flash, hardware.node_id)?;
        let rate = f64::from(hardware.sample_rate_mhz) / 1000.0;
        let sampler = Sampler::new(rate, &found.settings, found.energies)
            .map_err(|_| StartError::SampleRate)?;
        let mut node = Node {
            hardware,
            settings: found.settings,
            sampler,
            keeper,
            wall: Wall::default(),
            clock_to_set: None,
            link_errors: 0,
        };
        if let Some(wall_ms) = clock_wall_ms {
            node.clock_reads(wall_ms);
        }
        Ok(node)
    }

    /// Takes frames from the converter; never waits for flash or link.
    pub fn push_frames(&mut self, frames: &[Frame]) {
        self.sampler.push(frames);
    }

    /// Frames were lost between the last one pushed and the next.
    pub fn frames_lost(&mut self, lost: u64) {
        self.sampler.frames_lost(lost);
    }

    /// Does one piece of work on the flash; returns the uptime in ms at which to come back.
    ///
    /// A piece is one page written or one sector erased. Until the time given,
    /// nothing is to do.
    pub fn service(&mut self, uptime_ms: u64) -> u64 {
        if let Some(finished) = self.sampler.waiting() {
            if self.keeper.store(finished, &self.wall).is_ok() {
                self.sampler.written();
            }
            return uptime_ms;
        }
        if uptime_ms >= SETTLED_MS && self.keeper.tidy() == Ok(true) {
            return uptime_ms;
        }
        uptime_ms.saturating_add(IDLE_MS)
    }

    /// Milliseconds since the start, by the sample clock.
    pub fn uptime_ms(&self) -> u64 {
        self.sampler.uptime_ms()
    }

    /// The battery-backed clock reads this now; keeps the wall time from drifting.
    ///
    /// A host's setting counts for more: its quality stays, its offset follows the clock
    /// that it was written to.
    pub fn clock_reads(&mut self, wall_ms: u64) {
        let first = self.wall.offset_ms.is_none();
        let offset = offset_ms(wall_ms, self.uptime_ms());
        self.wall.offset_ms = Some(offset);
        if self.wall.quality == WallQuality::None {
            self.wall.quality = WallQuality::Clock;
        }
        self.sampler.set_wall_offset(offset, false);
        if first {
            self.sampler.align_to_wall();
        }
    }

    /// The time that a host has set and that the board should write to its clock.
    pub fn clock_to_set(&mut self) -> Option<u64> {
        self.clock_to_set.take()
    }

    /// Ends sampling and closes the interval under way, before a planned stop.
    pub fn finish(&mut self) {
        self.sampler.finish();
    }

    /// Counts a frame on the link that could not be read.
    pub(crate) fn count_link_error(&mut self) {
        self.link_errors = self.link_errors.saturating_add(1);
    }

    /// The settings in force.
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// The sampling side.
    pub fn sampler(&self) -> &Sampler {
        &self.sampler
    }

    /// The storing side.
    pub fn keeper(&mut self) -> &mut Keeper<F> {
        &mut self.keeper
    }

    /// Gives the flash back, as a power cut would leave it.
    pub fn into_flash(self) -> F {
        self.keeper.into_flash()
    }

    /// Answers a request. Asking twice does no harm: a lost answer may be asked for again.
    pub fn answer(&mut self, request: Request) -> Result<Reply, Refusal> {
        match request {
            Request::Identify => Ok(Reply::Identity(self.identity())),
            Request::Status => Ok(Reply::Status(self.status())),
            Request::ReadSettings => Ok(Reply::Settings(self.settings.clone())),
            Request::WriteSettings(settings) => self.change_settings(settings),
            Request::SetClock { wall_ms } => Ok(self.set_clock(wall_ms)),
            Request::LogBounds => Ok(Reply::LogBounds(self.keeper.bounds())),
            Request::ReadLog { from, count } => self.read_log(from, count),
            Request::Live => self.live().ok_or(Refusal::NotReady),
            Request::Capture => Ok(Reply::Capture(CaptureInfo {
                capture: self.sampler.start_capture(),
                frames: CAPTURE_FRAMES as u16,
                sample_rate_mhz: self.hardware.sample_rate_mhz,
            })),
            Request::ReadCapture { capture, from } => {
                let bytes = self.sampler.capture(capture, from).ok_or(Refusal::NoCapture)?;
                let counts = Vec::from_slice(bytes).map_err(|_| Refusal::NoCapture)?;
                Ok(Reply::CaptureFrames(CaptureSlice { capture, from, counts }))
            }
            Request::Hookup => self.hookup().ok_or(Refusal::NotReady),
            Request::LogHead => Ok(Reply::LogHead(self.keeper.head())),
        }
    }

    fn identity(&self) -> Identity {
        Identity {
            node_id: self.hardware.node_id,
            firmware: text(self.hardware.firmware),
            record_version: RECORD_VERSION,
            hardware: text(self.hardware.hardware),
            sample_rate_mhz: self.hardware.sample_rate_mhz,
            boot: self.keeper.boot(),
        }
    }

    fn status(&self) -> Status {
        let uptime_ms = self.uptime_ms();
        Status {
            boot: self.keeper.boot(),
            uptime_ms,
            wall_ms: self.wall.at(uptime_ms),
            wall_quality: self.wall.quality,
            log: self.keeper.bounds(),
            frames_lost: self.sampler.total_lost(),
            windows: self.sampler.total_windows(),
            write_failures: self.keeper.write_failures(),
            link_errors: self.link_errors,
            has_settings: self.keeper.has_settings(),
        }
    }

    fn change_settings(&mut self, settings: Settings) -> Result<Reply, Refusal> {
        settings.check().map_err(|_| Refusal::BadSettings)?;
        if settings == self.settings && self.keeper.has_settings() {
            return Ok(Reply::SettingsWritten);
        }
        self.keeper.keep_settings(&settings).map_err(|_| Refusal::Storage)?;
        self.sampler.configure(&settings);
        self.settings = settings;
        Ok(Reply::SettingsWritten)
    }

    fn set_clock(&mut self, wall_ms: u64) -> Reply {
        let uptime_ms = self.uptime_ms();
        let before = self.wall.at(uptime_ms);
        let offset = offset_ms(wall_ms, uptime_ms);
        self.wall = Wall { offset_ms: Some(offset), quality: WallQuality::Host };
        self.sampler.set_wall_offset(offset, true);
        self.clock_to_set = Some(wall_ms);
        Reply::ClockSet { was_ahead_ms: before.map(|b| offset_ms(b, wall_ms)) }
    }

    fn read_log(&mut self, from: u32, count: u16) -> Result<Reply, Refusal> {
        let bounds = self.keeper.bounds();
        if from < bounds.oldest || from >= bounds.next {
            return Err(Refusal::NoSuchRecord);
        }
        let mut slice = LogSlice { from, covered: 0, pages: Vec::new() };
        let end = from.saturating_add(u32::from(count.max(1))).min(bounds.next);
        let mut pages = 0;
        for seq in from..end {
            if pages == PAGES_PER_REPLY {
                break;
            }
            if let Slot::Page(page) = self.keeper.read(seq).map_err(|_| Refusal::Storage)? {
                slice.pages.extend_from_slice(&page).map_err(|_| Refusal::Storage)?;
                pages += 1;
            }
            slice.covered = slice.covered.saturating_add(1);
        }
        Ok(Reply::Log(slice))
    }

    fn live(&self) -> Option<Reply> {
        let s = self.sampler.snapshot()?;
        let phase = |p: &wattless_core::power::PhaseReading| LivePhase {
            v_rms_v: p.v_rms_v as f32,
            i_rms_a: p.i_rms_a as f32,
            p_w: p.p_w as f32,
            q1_var: p.q1_var as f32,
            s_va: p.s_va as f32,
            loaded: p.loaded,
        };
        Some(Reply::Live(Live {
            uptime_ms: s.uptime_ms,
            wiring: self.sampler.power().wiring,
            frequency_hz: s.reading.frequency_hz.map(|f| f as f32),
            flags: self.remarks(s.reading.flags).0,
            phases: s.reading.phases.each_ref().map(phase),
            s_effective_va: s.reading.total.s_effective_va.map(|x| x as f32),
            energy_counts: s.energies.counts(),
        }))
    }

    fn hookup(&self) -> Option<Reply> {
        let s = self.sampler.snapshot()?;
        let power = self.sampler.power();
        let full = f64::from(COUNT_MAX) * core::f64::consts::FRAC_1_SQRT_2;
        let range =
            |c: &wattless_core::calibration::ChannelCalibration| (c.gain.abs() * full) as f32;
        Some(Reply::Hookup(HookupSnapshot {
            wiring: power.wiring,
            frequency_hz: s.reading.frequency_hz.map(|f| f as f32),
            phasors: s.reading.channels.map(|x| [x.re as f32, x.im as f32]),
            rms: s.reading.channel_rms.map(|x| x as f32),
            range_rms: power.calibration.active().each_ref().map(range),
            flags: self.remarks(s.reading.flags).0,
        }))
    }

    fn remarks(&self, mut flags: Flags) -> Flags {
        flags.insert_if(!self.keeper.has_settings(), Flags::UNCALIBRATED);
        flags
    }
}

/// How far a time is ahead of another, in milliseconds.
fn offset_ms(time_ms: u64, of_ms: u64) -> i64 {
    let signed = |x: u64| i64::try_from(x).unwrap_or(i64::MAX);
    signed(time_ms).saturating_sub(signed(of_ms))
}

/// As much of a text as fits.
fn text(s: &str) -> String<24> {
    let mut out = String::new();
    for c in s.chars() {
        if out.push(c).is_err() {
            break;
        }
    }
    out
}
