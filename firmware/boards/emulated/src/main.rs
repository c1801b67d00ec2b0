//! The node on an emulated Cortex-M4F: wiring of files, UART and timer to the node library.
//!
//! Files in the folder of the emulator: `samples.bin` (18 bytes a frame: v1 to i3 as 24-bit
//! two's complement, low byte first; a named pipe will do) and `flash.bin` (the log's flash).
//! Words of its command line: `rate=MILLIHERTZ`, `clock=UNIX_MS` (what a battery-backed clock
//! would say at the start), `count` (instructions used, under `-icount shift=10`), `serve`
//! (go on answering on the UART when the samples are over).
#![no_std]
#![no_main]

mod files;
mod timer;
mod uart;

use core::panic::PanicInfo;
use cortex_m_rt::entry;
use cortex_m_semihosting::{debug, hprintln};
use files::{FlashFile, SampleFile};
use timer::Instructions;
use uart::Uart;
use wattless_core::frame::Frame;
use wattless_node::link::LinkServer;
use wattless_node::node::{Hardware, Node};

/// Frames taken from the file at a time.
const BLOCK: usize = 160;

/// Pieces of flash work that one block of frames may cause.
const WORK_PER_BLOCK: usize = 16;

#[entry]
fn main() -> ! {
    let status = match run() {
        Ok(()) => debug::EXIT_SUCCESS,
        Err(problem) => {
            hprintln!("error: {}", problem);
            debug::EXIT_FAILURE
        }
    };
    loop {
        debug::exit(status);
    }
}

fn run() -> Result<(), &'static str> {
    let mut line = [0u8; 256];
    let words = files::command_line(&mut line).ok_or("the command line cannot be read")?;
    let number = |key: &str| {
        words.split(' ').find_map(|w| w.strip_prefix(key)).and_then(|n| n.parse::<u64>().ok())
    };
    let has = |word: &str| words.split(' ').any(|w| w == word);
    let hardware = Hardware {
        node_id: 386,
        hardware: "emulated",
        firmware: env!("CARGO_PKG_VERSION"),
        sample_rate_mhz: number("rate=").and_then(|r| r.try_into().ok()).unwrap_or(8_000_000),
    };
    let flash = FlashFile::open().ok_or("flash.bin cannot be opened: make it, all bytes FFh")?;
    let mut samples = SampleFile::open().ok_or("samples.bin cannot be opened")?;
    let mut node = Node::start(flash, hardware, number("clock=")).map_err(|_| "no start")?;
    let (mut link, mut uart) = (LinkServer::default(), Uart::enable());
    let mut used = Instructions::start(has("count"));

    let mut frames = [Frame::ZERO; BLOCK];
    let mut total = 0u64;
    loop {
        let n = samples.read(&mut frames);
        if n == 0 {
            break;
        }
        total += n as u64;
        let block = frames.get(..n).unwrap_or_default();
        used.measure(n, || node.push_frames(block));
        work(&mut node);
        link.poll(&mut node, &mut uart).map_err(|e| match e {})?;
    }
    node.finish();
    work(&mut node);
    let bounds = node.keeper().bounds();
    hprintln!("frames {} records {} to {}", total, bounds.oldest, bounds.next);
    used.report();
    while has("serve") {
        link.poll(&mut node, &mut uart).map_err(|e| match e {})?;
        work(&mut node);
    }
    Ok(())
}

/// Lets the node do the work on its flash that is due.
fn work(node: &mut Node<FlashFile>) {
    let now = node.uptime_ms();
    for _ in 0..WORK_PER_BLOCK {
        if node.service(now) > now {
            break;
        }
    }
}

#[panic_handler]
fn panic(info: &PanicInfo) -> ! {
    hprintln!("{}", info);
    loop {
        debug::exit(debug::EXIT_FAILURE);
    }
}
