//! A NOR flash that enforces its rules and can lose power in the middle of any operation.
//!
//! Programming only clears bits, and only in bytes that were not programmed
//! since the last erase. A cut leaves a page with any subset of the bits that
//! were to be cleared, or a sector with any mix of old bits, ones and noise;
//! what a cut touched may also read differently each time (weak bits).

use super::random::Random;
use embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash,
};

/// Bytes of a sector.
pub const SECTOR: usize = 4096;

/// The flash refused, or has no power.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FlashFault {
    /// Address or length do not suit.
    Bounds,
    /// A byte was programmed twice without an erase.
    Rewritten,
    /// There is no power.
    Off,
}

impl NorFlashError for FlashFault {
    fn kind(&self) -> NorFlashErrorKind {
        NorFlashErrorKind::Other
    }
}

/// How a cut damages what was under way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Damage {
    /// Any bits, some of them weak.
    Random,
    /// Nothing was changed yet, though the operation had begun.
    Nothing,
    /// All was done, but the node did not learn of it.
    All,
    /// Words up to the cut are done, the rest untouched.
    Prefix,
    /// All was nearly done: a few bits are weak.
    Almost,
}

/// The flash, its counters, and when its power will fail.
#[derive(Clone, Debug)]
pub struct MockFlash {
    bytes: Vec<u8>,
    /// Bytes programmed since their last erase.
    programmed: Vec<bool>,
    /// Bits that read as they like.
    weak: Vec<u8>,
    /// Erases of each sector.
    pub erases: Vec<u32>,
    /// Steps (pages or sectors touched) until power fails; `None` for never.
    pub fuel: Option<u64>,
    /// Steps made so far.
    pub steps: u64,
    /// What a cut does.
    pub damage: Damage,
    random: Random,
    off: bool,
}

impl MockFlash {
    /// A factory-new flash.
    pub fn new(sectors: usize, seed: u64) -> Self {
        MockFlash {
            bytes: vec![0xFF; sectors * SECTOR],
            programmed: vec![false; sectors * SECTOR],
            weak: vec![0; sectors * SECTOR],
            erases: vec![0; sectors],
            fuel: None,
            steps: 0,
            damage: Damage::Random,
            random: Random(seed),
            off: false,
        }
    }

    /// Whether power has failed.
    pub fn is_off(&self) -> bool {
        self.off
    }

    /// Gives power again, until the fuel runs out.
    pub fn power_on(&mut self, fuel: Option<u64>) {
        self.off = false;
        self.fuel = fuel;
    }

    /// Flips bits of a byte as an intruder or a failing chip would.
    pub fn corrupt(&mut self, at: usize, mask: u8) {
        self.bytes[at] ^= mask;
    }

    /// Whether this step is the one in which power fails.
    fn cut_now(&mut self) -> bool {
        self.steps += 1;
        match &mut self.fuel {
            Some(0) => {
                self.off = true;
                true
            }
            Some(n) => {
                *n -= 1;
                false
            }
            None => false,
        }
    }

    fn check(&self, offset: u32, len: usize, unit: usize) -> Result<usize, FlashFault> {
        if self.off {
            return Err(FlashFault::Off);
        }
        let at = offset as usize;
        let whole = at.is_multiple_of(unit) && len.is_multiple_of(unit);
        if !whole || at + len > self.bytes.len() {
            return Err(FlashFault::Bounds);
        }
        Ok(at)
    }

    fn cut_program(&mut self, at: usize, data: &[u8]) {
        let damage = self.damage;
        let done = self.random.below(data.len() as u64 + 1) as usize;
        for (k, &new) in data.iter().enumerate() {
            let noise = self.random.next();
            let (keep, weak) = match damage {
                Damage::Nothing => (0xFF, 0),
                Damage::All => (0, 0),
                Damage::Prefix => (if k < done { 0 } else { 0xFF }, 0),
                Damage::Random => (noise as u8, (noise >> 8) as u8 & (noise >> 16) as u8),
                Damage::Almost => (0, 0),
            };
            let old = self.bytes[at + k];
            self.bytes[at + k] = old & (new | keep);
            let weak = if damage == Damage::Almost { few(noise) } else { weak };
            self.weak[at + k] |= weak & old & !new;
            self.programmed[at + k] = true;
        }
    }

    fn cut_erase(&mut self, at: usize) {
        let damage = self.damage;
        let done = self.random.below(SECTOR as u64 + 1) as usize;
        for k in 0..SECTOR {
            let noise = self.random.next();
            let old = self.bytes[at + k];
            let (new, weak) = match damage {
                Damage::Nothing => (old, 0),
                Damage::All => (0xFF, 0),
                Damage::Prefix => (if k < done { 0xFF } else { old }, 0),
                Damage::Random => (old | noise as u8, !old & (noise >> 8) as u8),
                Damage::Almost => (0xFF, few(noise) & !old),
            };
            self.bytes[at + k] = new;
            self.weak[at + k] |= weak;
            // Half erased: must not be programmed before a whole erase.
            self.programmed[at + k] = true;
        }
    }
}

/// One bit of a byte, once in 64 bytes.
fn few(noise: u64) -> u8 {
    if noise >> 58 == 0 { 1 << (noise & 7) } else { 0 }
}

impl ErrorType for MockFlash {
    type Error = FlashFault;
}

impl ReadNorFlash for MockFlash {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), FlashFault> {
        let at = self.check(offset, bytes.len(), 1)?;
        for (k, b) in bytes.iter_mut().enumerate() {
            let weak = self.weak[at + k];
            *b = self.bytes[at + k];
            if weak != 0 {
                *b ^= weak & self.random.next() as u8;
            }
        }
        Ok(())
    }

    fn capacity(&self) -> usize {
        self.bytes.len()
    }
}

impl NorFlash for MockFlash {
    const WRITE_SIZE: usize = 1;
    const ERASE_SIZE: usize = SECTOR;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), FlashFault> {
        let at = self.check(from, (to - from) as usize, SECTOR)?;
        for sector in (at..to as usize).step_by(SECTOR) {
            if self.cut_now() {
                self.cut_erase(sector);
                return Err(FlashFault::Off);
            }
            self.erases[sector / SECTOR] += 1;
            self.bytes[sector..sector + SECTOR].fill(0xFF);
            self.weak[sector..sector + SECTOR].fill(0);
            self.programmed[sector..sector + SECTOR].fill(false);
        }
        Ok(())
    }

    fn write(&mut self, offset: u32, data: &[u8]) -> Result<(), FlashFault> {
        let at = self.check(offset, data.len(), 1)?;
        if self.programmed[at..at + data.len()].contains(&true) {
            return Err(FlashFault::Rewritten);
        }
        if self.cut_now() {
            self.cut_program(at, data);
            return Err(FlashFault::Off);
        }
        for (k, &b) in data.iter().enumerate() {
            self.bytes[at + k] &= b;
            self.programmed[at + k] = true;
        }
        Ok(())
    }
}
