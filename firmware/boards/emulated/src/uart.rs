//! UART 0 of the board (Arm CMSDK UART) as a byte stream, polled.

use core::convert::Infallible;
use embedded_io::{ErrorType, Read, ReadReady, Write};

const BASE: usize = 0x4000_4000;
const DATA: usize = BASE;
const STATE: usize = BASE + 0x04;
const CONTROL: usize = BASE + 0x08;
const DIVIDER: usize = BASE + 0x10;

const SEND_FULL: u32 = 1;
const RECEIVE_FULL: u32 = 2;

/// The only handle to the UART.
pub struct Uart(());

impl Uart {
    /// Switches both directions on; call once.
    pub fn enable() -> Uart {
        put(DIVIDER, 16);
        put(CONTROL, 3);
        Uart(())
    }
}

fn put(register: usize, value: u32) {
    // SAFETY: a register of the UART, which only this module touches.
    unsafe { core::ptr::write_volatile(register as *mut u32, value) }
}

fn get(register: usize) -> u32 {
    // SAFETY: as above.
    unsafe { core::ptr::read_volatile(register as *const u32) }
}

impl ErrorType for Uart {
    type Error = Infallible;
}

impl ReadReady for Uart {
    fn read_ready(&mut self) -> Result<bool, Infallible> {
        Ok(get(STATE) & RECEIVE_FULL != 0)
    }
}

impl Read for Uart {
    fn read(&mut self, into: &mut [u8]) -> Result<usize, Infallible> {
        let mut n = 0;
        for byte in into.iter_mut() {
            while n == 0 && get(STATE) & RECEIVE_FULL == 0 {}
            if get(STATE) & RECEIVE_FULL == 0 {
                break;
            }
            *byte = get(DATA) as u8;
            n += 1;
        }
        Ok(n)
    }
}

impl Write for Uart {
    fn write(&mut self, bytes: &[u8]) -> Result<usize, Infallible> {
        for byte in bytes {
            while get(STATE) & SEND_FULL != 0 {}
            put(DATA, u32::from(*byte));
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> Result<(), Infallible> {
        while get(STATE) & SEND_FULL != 0 {}
        Ok(())
    }
}
