//! Counts instructions with timer 0, which the emulator drives from them under `-icount shift=10`.
//! These are instructions, not cycles: good for comparing, and the same in every run.

use cortex_m_semihosting::hprintln;

const BASE: usize = 0x4000_0000;
const CONTROL: usize = BASE;
const VALUE: usize = BASE + 0x04;
const RELOAD: usize = BASE + 0x08;

/// Instructions spent on frames.
pub struct Instructions {
    ticks: u64,
    frames: u64,
    most: u32,
}

impl Instructions {
    /// Starts the timer.
    pub fn start() -> Instructions {
        put(RELOAD, u32::MAX);
        put(VALUE, u32::MAX);
        put(CONTROL, 1);
        Instructions { ticks: 0, frames: 0, most: 0 }
    }

    /// Does something with some frames and counts it.
    pub fn measure(&mut self, frames: usize, act: impl FnOnce()) {
        let before = value();
        act();
        let ticks = before.wrapping_sub(value());
        self.ticks += u64::from(ticks);
        self.frames += frames as u64;
        self.most = self.most.max(ticks);
    }

    /// Says what was counted.
    pub fn report(&self, what: &str) {
        // 25 MHz against 1024 ns an instruction: 25.6 ticks each.
        let per_frame = (self.ticks * 10 / 256).checked_div(self.frames).unwrap_or(0);
        let most = u64::from(self.most) * 10 / 256;
        hprintln!("{}: instructions a frame {} at most a block {}", what, per_frame, most);
    }
}

fn value() -> u32 {
    // SAFETY: a register of the timer, which only this module touches.
    unsafe { core::ptr::read_volatile(VALUE as *const u32) }
}

fn put(register: usize, value: u32) {
    // SAFETY: as above.
    unsafe { core::ptr::write_volatile(register as *mut u32, value) }
}
