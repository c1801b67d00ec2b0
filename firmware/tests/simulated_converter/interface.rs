//! The serial side of the simulated converter: frames, commands, checksums, one bit at a time.

use super::chip::Chip;

/// What the next frame's first word will say.
#[derive(Clone, Copy, Debug)]
pub enum Pending {
    Status,
    Word(u16),
    Register(usize),
    Registers(usize, usize),
}

/// A frame while chip select is low.
#[derive(Clone, Debug)]
pub struct FrameState {
    start: u64,
    /// Nothing is heard or answered: in reset, or given up by the timeout.
    dead: bool,
    word_bits: usize,
    wants_crc: bool,
    ansi: bool,
    out: Vec<u8>,
    clocked: usize,
    /// Clocks of a frame with all its words.
    whole: usize,
    /// Samples in this frame, by channel; `None` once they count as read.
    latched: Option<[bool; 8]>,
    word: u32,
    bits: usize,
    heard: Vec<u8>,
    command: Option<u16>,
    data_left: usize,
    address: usize,
    written: usize,
    crc_good: Option<bool>,
}

/// The checksum of both directions, bit by bit from its polynomial.
pub fn crc(ansi: bool, bytes: &[u8]) -> u16 {
    let polynomial = if ansi { 0x8005 } else { 0x1021 };
    bytes.iter().flat_map(|b| (0..8).rev().map(move |n| u16::from(b >> n & 1))).fold(
        0xFFFF,
        |sum, bit| {
            let carry = sum >> 15 ^ bit;
            (sum << 1) ^ (carry * polynomial)
        },
    )
}

impl Chip {
    fn word_bits(&self) -> usize {
        [16, 24, 32, 32][usize::from(self.regs[2] >> 8 & 3)]
    }

    pub fn select(&mut self) {
        let word_bits = self.word_bits();
        let ansi = self.regs[2] & 0x0800 != 0;
        let dead = self.held_in_reset() || self.now < self.quiet_until;
        let mut state = FrameState {
            start: self.now,
            dead,
            word_bits,
            wants_crc: self.regs[2] & 0x1000 != 0,
            ansi,
            out: Vec::new(),
            clocked: 0,
            whole: (self.channels + 2) * word_bits,
            latched: None,
            word: 0,
            bits: 0,
            heard: Vec::new(),
            command: None,
            data_left: 0,
            address: 0,
            written: 0,
            crc_good: None,
        };
        if !dead {
            self.fill(&mut state);
        }
        self.frame = Some(state);
    }

    /// Latches what this frame will send.
    fn fill(&mut self, state: &mut FrameState) {
        let bytes = state.word_bits / 8;
        let mut words: Vec<u16> = Vec::new();
        let mut with_data = true;
        match self.pending {
            Pending::Status | Pending::Register(1) => {
                words.push(self.status());
                self.crc_error = false;
                self.map_changed = false;
                if self.options.resync_flag_clears {
                    self.resynced = false;
                }
            }
            Pending::Word(w) => words.push(w),
            Pending::Register(a) => words.push(self.regs[a]),
            Pending::Registers(a, n) => {
                words.push(0xE000 | (a as u16) << 7 | (n as u16 - 1));
                words.extend((0..n).map(|k| self.regs[(a + k) % 64]));
                with_data = false;
            }
        }
        self.pending = Pending::Status;
        for w in words {
            let mut padded = w.to_be_bytes().to_vec();
            padded.resize(bytes, 0);
            state.out.extend(padded);
        }
        if with_data {
            let mut latched = [false; 8];
            for (channel, latched) in latched.iter_mut().enumerate().take(self.channels) {
                let count = match self.front(channel) {
                    Some(count) => {
                        *latched = true;
                        self.last_out[channel] = count;
                        count
                    }
                    None if self.options.empty_repeats => self.last_out[channel],
                    None => 0,
                };
                let [x, a, b, c] = count.to_be_bytes();
                match self.regs[2] >> 8 & 3 {
                    0 => state.out.extend([a, b]),
                    1 => state.out.extend([a, b, c]),
                    2 => state.out.extend([a, b, c, 0]),
                    _ => state.out.extend([x, a, b, c]),
                }
            }
            state.latched = Some(latched);
        }
        let mut sum = crc(state.ansi, &state.out).to_be_bytes().to_vec();
        sum.resize(bytes, 0);
        state.out.extend(sum);
    }

    /// One clock: gives the level of the output, takes the level of the input.
    pub fn clock(&mut self, input: bool) -> bool {
        let Some(mut state) = self.frame.take() else { return true };
        let given_up = self.regs[2] & 0x10 != 0 && self.now - state.start > 32_768;
        state.dead |= given_up || self.held_in_reset();
        if state.dead {
            self.frame = Some(state);
            return true;
        }
        let n = state.clocked;
        let output = state.out.get(n / 8).is_some_and(|b| b >> (7 - n % 8) & 1 == 1);
        state.clocked += 1;
        state.word = state.word << 1 | u32::from(input);
        state.bits += 1;
        if state.bits == state.word_bits {
            self.hear(&mut state);
        }
        let enough = if self.options.read_needs_whole_frame {
            state.whole
        } else {
            state.whole - state.word_bits
        };
        if state.clocked == enough
            && let Some(latched) = state.latched.take()
        {
            self.frame = Some(state);
            self.read_done(latched);
            return output;
        }
        self.frame = Some(state);
        output
    }

    /// A whole word came in.
    fn hear(&mut self, state: &mut FrameState) {
        let bytes = state.word_bits / 8;
        let word = state.word << (32 - state.word_bits);
        let value = (word >> 16) as u16;
        (state.word, state.bits) = (0, 0);
        match state.command {
            None => {
                state.command = Some(value);
                if value & 0xE000 == 0x6000 {
                    state.data_left = usize::from(value & 0x7F) + 1;
                    state.address = usize::from(value >> 7 & 0x3F);
                }
            }
            Some(_) if state.data_left > 0 => {
                state.data_left -= 1;
                if !self.locked && self.write(state.address, value) {
                    state.written += 1;
                }
                state.address = (state.address + 1) % 64;
            }
            Some(_) if state.wants_crc && state.crc_good.is_none() => {
                state.crc_good = Some(value == crc(state.ansi, &state.heard));
                return;
            }
            Some(_) => return,
        }
        state.heard.extend(&word.to_be_bytes()[..bytes]);
    }

    pub fn deselect(&mut self) {
        let Some(state) = self.frame.take() else { return };
        self.frame_ended();
        if state.dead {
            return;
        }
        let Some(command) = state.command else { return };
        if state.wants_crc && state.crc_good != Some(true) {
            self.crc_error = true;
            if state.written > 0 {
                self.note_tampering();
            }
            return;
        }
        self.run(command, &state);
    }

    fn run(&mut self, command: u16, state: &FrameState) {
        let whole = state.clocked >= state.whole;
        let address = usize::from(command >> 7 & 0x3F);
        let count = usize::from(command & 0x7F) + 1;
        let open = !self.locked;
        if command != 0 {
            self.commands_run.push(command);
        }
        self.pending = match command {
            0x0011 if open && whole => return self.reset(),
            0x0011 if open => Pending::Word(command),
            0x0022 if open => {
                self.standby |= whole;
                Pending::Word(command)
            }
            0x0033 if open => {
                self.standby = false;
                Pending::Word(command)
            }
            0x0555 if open => {
                self.locked = true;
                Pending::Word(command)
            }
            0x0655 => {
                self.locked = false;
                Pending::Word(command)
            }
            c if c & 0xE000 == 0xA000 && count == 1 => Pending::Register(address),
            c if c & 0xE000 == 0xA000 => Pending::Registers(address, count),
            c if c & 0xE000 == 0x6000 && open => {
                let written = state.written.saturating_sub(1) as u16;
                Pending::Word(0x4000 | (address as u16) << 7 | written)
            }
            _ => Pending::Status,
        };
    }
}
