//! Inside of the simulated converter: registers, conversions, stored samples, data ready.

use std::collections::VecDeque;

/// Behaviour that the data sheets do not settle; each must be survived.
#[derive(Clone, Copy, Debug)]
pub struct Options {
    /// A third unread sample replaces the second; otherwise it is dropped.
    pub full_replaces_second: bool,
    /// A sample counts as read only when the whole frame, checksum included, was clocked.
    pub read_needs_whole_frame: bool,
    /// Data ready falls at the end of the frame when a sample came during it; otherwise not at all.
    pub blocked_edge_comes_late: bool,
    /// Data ready is high for four clocks between two stored samples; otherwise it stays low.
    pub short_pulse_between: bool,
    /// The resync flag clears when the status was sent.
    pub resync_flag_clears: bool,
    /// Without a new sample the last one is sent again; otherwise zeros.
    pub empty_repeats: bool,
}

impl Default for Options {
    fn default() -> Self {
        Options {
            full_replaces_second: false,
            read_needs_whole_frame: true,
            blocked_edge_comes_late: false,
            short_pulse_between: true,
            resync_flag_clears: true,
            empty_repeats: true,
        }
    }
}

/// Where samples come from.
pub enum Source {
    /// A number made of channel and tick: no two ticks look alike.
    Numbers,
    /// Volts at the pins of a channel, by channel and seconds.
    Volts(Box<dyn Fn(usize, f64) -> f64>),
}

/// What was really converted at one tick.
#[derive(Clone, Debug)]
pub struct Truth {
    pub tick: u64,
    pub counts: [i32; 8],
    /// Time of the channel that governs data ready, in clocks.
    pub at: u64,
    /// The filters were settled.
    pub settled: bool,
    /// Registers were not as the host had written them.
    pub tampered: bool,
    /// How often the clock had stopped before.
    pub stops: u32,
}

#[derive(Clone, Copy, Debug)]
struct Sample {
    count: i32,
}

pub struct Chip {
    pub(super) channels: usize,
    pub options: Options,
    pub source: Source,
    /// Time in clocks of CLKIN; runs on for the bus when the chip's own clock is stopped.
    pub now: u64,
    pub(super) regs: [u16; 64],
    pub(super) locked: bool,
    pub(super) resynced: bool,
    pub(super) map_changed: bool,
    pub(super) crc_error: bool,
    pub(super) was_reset: bool,
    pub(super) standby: bool,
    pub(super) frame: Option<super::interface::FrameState>,
    pub(super) pending: super::interface::Pending,
    /// Start of the filters.
    origin: u64,
    after_reset: bool,
    /// Number of the tick before the first one since the start of the filters.
    tick_base: u64,
    /// Conversions of each channel since the start of the filters.
    done: [u64; 8],
    fifo: [VecDeque<Sample>; 8],
    pub(super) last_out: [i32; 8],
    truth: VecDeque<Truth>,
    /// Somebody else than the host changed a register.
    tampered: bool,
    stopped_at: Option<u64>,
    stops: u32,
    map_due: Option<u64>,
    pin_low: bool,
    pin_high_until: u64,
    skip: bool,
    pub(super) blocked: bool,
    edges: VecDeque<u64>,
    pub(super) quiet_until: u64,
    reset_low_since: Option<u64>,
    pub resets: u32,
    pub commands_run: Vec<u16>,
}

impl Chip {
    pub fn new(channels: usize) -> Chip {
        let mut chip = Chip {
            channels,
            options: Options::default(),
            source: Source::Numbers,
            now: 0,
            regs: [0; 64],
            locked: false,
            resynced: false,
            map_changed: false,
            crc_error: false,
            was_reset: true,
            standby: false,
            frame: None,
            pending: super::interface::Pending::Status,
            origin: 0,
            after_reset: true,
            tick_base: 0,
            done: [0; 8],
            fifo: Default::default(),
            last_out: [0; 8],
            truth: VecDeque::new(),
            tampered: false,
            stopped_at: None,
            stops: 0,
            map_due: None,
            pin_low: true,
            pin_high_until: 0,
            skip: false,
            blocked: false,
            edges: VecDeque::new(),
            quiet_until: 0,
            reset_low_since: None,
            resets: 0,
            commands_run: Vec::new(),
        };
        // Power-on: 250 µs to the rise of data ready.
        chip.restart_all(2048);
        chip
    }

    // ---- registers -------------------------------------------------------------------------

    fn reset_value(&self, address: usize) -> u16 {
        match address {
            0x00 => 0x2003 | (self.channels as u16) << 8,
            0x02 => 0x0510,
            0x03 if self.channels == 8 => 0xFF0E,
            0x03 => 0x3F0E,
            0x06 => 0x0600,
            a if self.channel_register(a) == Some(3) => 0x8000,
            _ => 0,
        }
    }

    /// Which of its five registers an address of a channel is.
    fn channel_register(&self, address: usize) -> Option<usize> {
        let inside = (0x09..0x09 + 5 * self.channels).contains(&address);
        inside.then(|| (address - 9) % 5)
    }

    /// Bits of a register that hold what is written; `None` where nothing can be written.
    fn writable(&self, address: usize) -> Option<u16> {
        Some(match address {
            0x02 => 0x3F1F,
            0x03 if self.channels == 8 => 0xFFDF,
            0x03 => 0x3FDF,
            0x05 if self.channels == 6 => 0x0077,
            0x04 | 0x05 => 0x7777,
            0x06 => 0x1FFF,
            0x07 => 0xFFFF,
            0x08 => 0xFF0F,
            0x3F => 0xFFFF,
            a => match self.channel_register(a)? {
                0 => 0xFFC7,
                1 | 3 => 0xFFFF,
                _ => 0xFF00,
            },
        })
    }

    /// The host writes a register; false where there is nothing to write.
    pub(super) fn write(&mut self, address: usize, value: u16) -> bool {
        let Some(mask) = self.writable(address) else { return false };
        let before = self.regs[address];
        self.regs[address] = value & mask;
        if address == 0x02 && value & 0x0400 == 0 {
            self.was_reset = false;
        }
        // Channels, ratio and power mode start the filters again.
        if address == 0x03 && (before ^ self.regs[address]) & 0xFF1F != 0 {
            self.restart_filters(self.now);
        }
        self.watch_map();
        true
    }

    /// The register changes by itself: a particle, a dip of the supply.
    pub fn corrupt(&mut self, address: usize, flip: u16) {
        self.regs[address] ^= flip;
        self.tampered = true;
        self.watch_map();
    }

    /// A write that the host did not mean to make.
    pub(super) fn note_tampering(&mut self) {
        self.tampered = true;
    }

    /// The interface locks without being told to.
    pub fn lock(&mut self) {
        self.locked = true;
    }

    pub fn register(&self, address: usize) -> u16 {
        self.regs[address]
    }

    pub(super) fn status(&self) -> u16 {
        let ready = (0..8).filter(|c| !self.fifo[*c].is_empty()).fold(0, |m, c| m | 1 << c);
        (self.locked as u16) << 15
            | (self.resynced as u16) << 14
            | (self.map_changed as u16) << 13
            | (self.crc_error as u16) << 12
            | self.regs[2] & 0x0B00
            | (self.was_reset as u16) << 10
            | ready
    }

    fn map_clocks(&self) -> u64 {
        16 * (0x09 + 5 * self.channels as u64 - 2)
    }

    fn watch_map(&mut self) {
        if self.regs[2] & 0x2000 != 0 {
            let lap = self.map_clocks();
            self.map_due = Some((self.now / lap + 2) * lap);
        }
    }

    /// Checksum over the registers that can be written, upper byte first.
    pub fn map_crc(&self) -> u16 {
        let bytes: Vec<u8> =
            self.regs[2..9 + 5 * self.channels].iter().flat_map(|r| r.to_be_bytes()).collect();
        super::interface::crc(self.regs[2] & 0x0800 != 0, &bytes)
    }

    // ---- time ------------------------------------------------------------------------------

    pub fn osr(&self) -> u64 {
        match self.regs[3] >> 2 & 7 {
            7 => 16384,
            code => 128 << code,
        }
    }

    fn enabled(&self, channel: usize) -> bool {
        channel < self.channels && self.regs[3] >> (8 + channel) & 1 == 1
    }

    /// Phase setting of a channel in modulator clocks, as far as the part follows it.
    fn phase(&self, channel: usize) -> i64 {
        let half = (self.osr() as i64 / 2).min(512);
        i64::from(self.regs[9 + 5 * channel] as i16 >> 6).clamp(-half, half - 1)
    }

    /// When a channel's next conversion ends, in clocks.
    fn due(&self, channel: usize) -> u64 {
        let osr = self.osr() as i64;
        let modulator = 300 + osr + self.done[channel] as i64 * osr + self.phase(channel);
        self.origin + 2 * modulator as u64
    }

    /// The channel that governs data ready.
    fn governing(&self) -> Option<usize> {
        let on = (0..self.channels).filter(|c| self.enabled(*c));
        match self.regs[2] >> 2 & 3 {
            0 => on.max_by_key(|c| (self.phase(*c), usize::MAX - c)),
            1 => on.into_iter().next(),
            _ => on.min_by_key(|c| (self.phase(*c), *c)),
        }
    }

    fn converting(&self) -> bool {
        self.stopped_at.is_none()
            && !self.standby
            && self.reset_low_since.is_none_or(|t| self.now < t + 2048)
    }

    pub fn advance(&mut self, clocks: u64) {
        self.advance_to(self.now + clocks);
    }

    pub fn advance_to(&mut self, target: u64) {
        while self.converting() {
            let next = (0..self.channels)
                .filter(|c| self.enabled(*c))
                .map(|c| (self.due(c), c))
                .min()
                .filter(|(due, _)| *due <= target);
            let Some((due, channel)) = next else { break };
            self.settle_map(due);
            self.now = self.now.max(due);
            self.convert(channel);
        }
        self.settle_map(target);
        self.now = self.now.max(target);
    }

    fn settle_map(&mut self, until: u64) {
        if self.map_due.is_some_and(|due| due <= until) {
            self.map_due = None;
            let crc = self.map_crc();
            self.map_changed |= crc != self.regs[0x3E];
            self.regs[0x3E] = crc;
        }
    }

    fn convert(&mut self, channel: usize) {
        let governs = self.governing() == Some(channel);
        let at = self.due(channel);
        self.done[channel] += 1;
        let number = self.done[channel];
        // After a reset two fast, noisy results; after a start of the filters three unsettled ones.
        let settled = number > if self.after_reset { 2 } else { 3 };
        let tick = self.tick_base + number;
        let count = self.calibrated(channel, self.raw(channel, tick, at, settled));
        self.remember(channel, tick, count, settled, governs.then_some(at));
        let stored = self.fifo[channel].len();
        match stored {
            2 if self.options.full_replaces_second => {
                self.fifo[channel][1] = Sample { count };
            }
            2 => {}
            _ => self.fifo[channel].push_back(Sample { count }),
        }
        if governs {
            self.announce(at, stored);
        }
    }

    /// Data ready at a new sample of the governing channel.
    fn announce(&mut self, at: u64, stored: usize) {
        if self.frame.is_some() {
            self.blocked = true;
            return;
        }
        let pulse_format = self.regs[2] & 1 == 1;
        let every_second = if pulse_format { stored > 0 } else { stored > 1 };
        self.skip = every_second && !self.skip;
        if !self.skip {
            self.edges.push_back(at);
        }
        self.pin_low = !pulse_format;
        self.pin_high_until = 0;
    }

    fn raw(&self, channel: usize, tick: u64, at: u64, settled: bool) -> i32 {
        let code = self.regs[9 + 5 * channel] & 3;
        let count = match (code, &self.source) {
            (1, _) => 0.0,
            (2, _) => 1_118_481.0,
            (3, _) => -1_118_481.0,
            (_, Source::Numbers) => return number(channel, tick, settled),
            (_, Source::Volts(v)) => {
                let gain = 1 << (self.regs[4 + channel / 4] >> (4 * (channel % 4)) & 7);
                let seconds = at as f64 / 8.192e6;
                libm::round(v(channel, seconds) * f64::from(gain) / 1.2 * 8_388_608.0)
            }
        };
        let count = count.clamp(-8_388_608.0, 8_388_607.0) as i32;
        if settled { count } else { count / 2 + 4321 }
    }

    fn calibrated(&self, channel: usize, raw: i32) -> i32 {
        let base = 9 + 5 * channel;
        let join = |n: usize| u32::from(self.regs[n]) << 16 | u32::from(self.regs[n + 1]);
        let offset = i64::from(join(base + 1) as i32 >> 8);
        let gain = i64::from(join(base + 3) >> 8);
        (((i64::from(raw) - offset) * gain) >> 23).clamp(-0x80_0000, 0x7F_FFFF) as i32
    }

    fn remember(&mut self, channel: usize, tick: u64, count: i32, settled: bool, at: Option<u64>) {
        let entry = match self.truth.iter_mut().rev().find(|t| t.tick == tick) {
            Some(entry) => entry,
            None => {
                let blank = Truth {
                    tick,
                    counts: [0; 8],
                    at: 0,
                    settled: true,
                    tampered: false,
                    stops: self.stops,
                };
                self.truth.push_back(blank);
                if self.truth.len() > 64 {
                    self.truth.pop_front();
                }
                self.truth.back_mut().expect("just pushed")
            }
        };
        entry.counts[channel] = count;
        entry.settled &= settled;
        entry.tampered |= self.tampered;
        if let Some(at) = at {
            entry.at = at;
        }
    }

    /// The tick at which exactly these counts were converted.
    pub fn truth_of(&self, counts: &[i32; 8]) -> Option<&Truth> {
        self.truth.iter().rev().find(|t| t.counts == *counts)
    }

    // ---- starts and stops ------------------------------------------------------------------

    /// Starts the filters again; samples not yet read are gone.
    fn restart_filters(&mut self, at: u64) {
        self.tick_base += self.done.iter().max().copied().unwrap_or(0) + 1000;
        self.done = [0; 8];
        self.origin = at;
        self.after_reset = false;
        self.fifo.iter_mut().for_each(VecDeque::clear);
        self.pin_low = false;
        self.skip = false;
    }

    fn restart_all(&mut self, wait: u64) {
        for a in 0..64 {
            self.regs[a] = self.reset_value(a);
        }
        (self.locked, self.resynced, self.map_changed, self.crc_error) =
            (false, false, false, false);
        (self.was_reset, self.standby, self.tampered) = (true, false, false);
        self.map_due = None;
        self.restart_filters(self.now + wait);
        self.after_reset = true;
        self.last_out = [0; 8];
        self.frame = None;
        self.pending = super::interface::Pending::Word(0xFF20 | self.channels as u16);
        // 5 µs until the interface listens.
        self.quiet_until = self.now + wait + 41;
        self.resets += 1;
    }

    /// A reset from inside: supply, command, disturbance.
    pub fn reset(&mut self) {
        self.restart_all(0);
    }

    /// The level of SYNC/RESET.
    pub fn set_reset_line(&mut self, high: bool) {
        match (self.reset_low_since, high) {
            (None, false) => self.reset_low_since = Some(self.now),
            (Some(since), true) => {
                self.reset_low_since = None;
                if self.now - since >= 2048 { self.reset() } else { self.synchronise(since) }
            }
            _ => {}
        }
    }

    pub(super) fn held_in_reset(&self) -> bool {
        self.reset_low_since.is_some_and(|t| self.now >= t + 2048)
    }

    fn synchronise(&mut self, at: u64) {
        let period = 2 * self.osr();
        let first = self.origin + 2 * (300 + self.osr());
        if at % period != first % period {
            self.restart_filters(at);
            self.resynced = true;
        }
    }

    /// CLKIN stops or runs on; conversions stand still meanwhile.
    pub fn set_clock_running(&mut self, running: bool) {
        match (self.stopped_at, running) {
            (None, false) => self.stopped_at = Some(self.now),
            (Some(since), true) => {
                self.stopped_at = None;
                self.stops += 1;
                self.origin += self.now - since;
            }
            _ => {}
        }
    }

    // ---- stored samples and data ready -----------------------------------------------------

    pub(super) fn front(&self, channel: usize) -> Option<i32> {
        self.fifo[channel].front().map(|s| s.count)
    }

    /// The samples that were in the frame have been read.
    pub(super) fn read_done(&mut self, latched: [bool; 8]) {
        for channel in (0..8).filter(|c| latched[*c]) {
            self.fifo[channel].pop_front();
        }
        let left = self.governing().map_or(0, |g| self.fifo[g].len());
        let swallowed = self.blocked && !self.options.blocked_edge_comes_late;
        if left == 0 || swallowed {
            self.pin_low = false;
        } else if self.options.short_pulse_between && !self.blocked {
            self.pin_low = true;
            self.pin_high_until = self.now + 4;
            self.edges.push_back(self.now + 4);
        }
    }

    pub(super) fn frame_ended(&mut self) {
        let left = self.governing().map_or(0, |g| self.fifo[g].len());
        if self.blocked && self.options.blocked_edge_comes_late && left > 0 {
            self.pin_low = true;
            self.edges.push_back(self.now);
        }
        self.blocked = false;
    }

    /// Whether data ready is low.
    pub fn ready_is_low(&self) -> bool {
        if self.held_in_reset() || self.now < self.quiet_until.saturating_sub(41) {
            return true;
        }
        if self.regs[2] & 1 == 1 {
            return self.edges.back().is_some_and(|e| self.now >= *e && self.now < e + 4);
        }
        self.pin_low && self.now >= self.pin_high_until
    }

    /// Falling edges of data ready up to now, oldest first; each is given once.
    pub fn take_edge(&mut self) -> Option<u64> {
        match self.edges.front() {
            Some(e) if *e <= self.now => self.edges.pop_front(),
            _ => None,
        }
    }

    /// Runs until data ready falls, or for at most some clocks; gives the time of the last fall.
    pub fn wait_for_edge(&mut self, limit: u64) -> Option<u64> {
        let end = self.now + limit;
        loop {
            let mut last = None;
            while let Some(edge) = self.take_edge() {
                last = Some(edge);
            }
            if last.is_some() || self.now >= end {
                return last;
            }
            self.advance(8.min(end - self.now));
        }
    }
}

/// A 24-bit number that no other tick or channel has.
fn number(channel: usize, tick: u64, settled: bool) -> i32 {
    let mut x = tick << 8 | (channel as u64) << 1 | u64::from(settled);
    for _ in 0..2 {
        x = (x ^ x >> 30).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        x = (x ^ x >> 27).wrapping_mul(0x94D0_49BB_1331_11EB);
    }
    (x as i32) >> 8
}
