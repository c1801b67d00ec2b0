//! The node on a board with an RP2350 or an RP2040: pins, buses, interrupts, and who runs when.
//!
//! | context | does | may wait for |
//! |---|---|---|
//! | interrupts | wake the two executors | nothing |
//! | executor of high priority | reads the converter, fills the queue of frames | nothing |
//! | executor of low priority | USB and UART | the host |
//! | main loop | measures, logs, answers, reads the clock, feeds the watchdog | the flash |
#![no_std]
#![no_main]

mod board;
mod clock;
mod links;
mod sampling;
mod work;

use defmt_rtt as _;
use embassy_executor::{InterruptExecutor, SendSpawner};
use embassy_rp::interrupt;
use embassy_rp::interrupt::{InterruptExt, Priority};

/// Reads the converter; nothing but interrupts comes before it.
static SAMPLING: InterruptExecutor = InterruptExecutor::new();

/// Moves bytes between the links and the main loop.
static TALKING: InterruptExecutor = InterruptExecutor::new();

#[interrupt]
unsafe fn SWI_IRQ_1() {
    // SAFETY: called from this interrupt only, which is enabled by starting the executor.
    unsafe { SAMPLING.on_interrupt() }
}

#[interrupt]
unsafe fn SWI_IRQ_0() {
    // SAFETY: as above.
    unsafe { TALKING.on_interrupt() }
}

/// Starts both executors: sampling above the links.
fn executors() -> (SendSpawner, SendSpawner) {
    interrupt::SWI_IRQ_1.set_priority(Priority::P1);
    interrupt::SWI_IRQ_0.set_priority(Priority::P2);
    interrupt::USBCTRL_IRQ.set_priority(Priority::P2);
    interrupt::UART0_IRQ.set_priority(Priority::P2);
    (SAMPLING.start(interrupt::SWI_IRQ_1), TALKING.start(interrupt::SWI_IRQ_0))
}

#[cortex_m_rt::entry]
fn main() -> ! {
    let board = board::take();
    let (sampling, talking) = executors();
    work::run(board, sampling, talking)
}

/// Says what went wrong and starts again; the log's flash keeps everything.
#[panic_handler]
fn panic(info: &core::panic::PanicInfo) -> ! {
    defmt::error!("{}", defmt::Display2Format(info));
    cortex_m::peripheral::SCB::sys_reset()
}
