//! How much stack was used: all memory below the stack is painted at the start, and what has lost
//! its paint at the end was used. Found is the deepest place ever written, in bytes from the top.

use cortex_m_semihosting::hprintln;

/// A word that a program is unlikely to leave on its stack.
const PAINT: u32 = 0xC0DE_5AC5;

/// Bytes below the present stack pointer that are left alone while painting.
const MARGIN: usize = 256;

unsafe extern "C" {
    /// End of the variables: the lowest address that the stack may reach.
    static __sheap: u32;
    /// Top of the stack.
    static _stack_start: u32;
}

fn bottom() -> *mut u32 {
    core::ptr::addr_of!(__sheap).cast_mut()
}

/// Paints everything between the variables and the stack in use.
#[inline(never)]
pub fn paint() {
    let top = cortex_m::register::msp::read() as usize - MARGIN;
    let mut at = bottom();
    while (at as usize) < top {
        // SAFETY: memory below the stack in use and above all variables belongs to nobody yet.
        unsafe {
            at.write_volatile(PAINT);
            at = at.add(1);
        }
    }
}

/// Says how many bytes of stack were used since [`paint`], how many there are, and how many
/// bytes the variables take.
pub fn report() {
    let top = core::ptr::addr_of!(_stack_start) as usize;
    let mut at = bottom();
    // SAFETY: reads memory of the stack's region only.
    while (at as usize) < top && unsafe { at.read_volatile() } == PAINT {
        at = at.wrapping_add(1);
    }
    let (used, room) = (top.wrapping_sub(at as usize), top.wrapping_sub(bottom() as usize));
    let variables = (bottom() as usize).wrapping_sub(0x2000_0000);
    hprintln!("stack {} of {} bytes, variables {} bytes", used, room, variables);
}
