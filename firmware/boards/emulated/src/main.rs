//! The node on an emulated Cortex-M4F: wiring of files, UART and timer to the node library.
//!
//! Files in the folder of the emulator: `samples.bin` (18 bytes a frame: v1 to i3 as 24-bit
//! two's complement, low byte first; a named pipe will do) and `flash.bin` (the log's flash).
//! Words of its command line: `rate=MILLIHERTZ`, `clock=UNIX_MS` (what a battery-backed clock
//! would say at the start), `count` (instructions and stack used, under `-icount shift=10`), `tell`
//! (a line for each record kept), `serve`
//! (go on answering on the UART when the samples are over).
#![no_std]
#![no_main]

mod bare;
mod files;
mod stack;
mod timer;
mod uart;

use cortex_m_rt::entry;
use cortex_m_semihosting::{debug, hprintln};
use files::{FlashFile, SampleFile};
use static_cell::{ConstStaticCell, StaticCell};
use timer::Instructions;
use uart::Uart;
use wattless_core::frame::Frame;
use wattless_node::link::LinkServer;
use wattless_node::node::{Hardware, Node};
use wattless_node::ring::Slot;
use wattless_node::sampler::{HOLD, NodeMeter};

/// Frames taken from the file at a time.
const BLOCK: usize = 160;

/// Pieces of flash work that one block of frames may cause.
const WORK_PER_BLOCK: usize = 16;

#[entry]
fn main() -> ! {
    stack::paint();
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
    // As bytes: splitting text has a panic path that the compiler cannot rule out.
    let each = || words.split(|b| *b == b' ');
    let number = |key: &[u8]| {
        let digits = each().find_map(|w| w.strip_prefix(key))?;
        core::str::from_utf8(digits).ok()?.parse::<u64>().ok()
    };
    let has = |word: &[u8]| each().any(|w| w == word);
    let hardware = Hardware {
        node_id: 386,
        hardware: "emulated",
        firmware: env!("CARGO_PKG_VERSION"),
        sample_rate_mhz: number(b"rate=").and_then(|r| r.try_into().ok()).unwrap_or(8_000_000),
    };
    let flash = FlashFile::open().ok_or("flash.bin cannot be opened: make it, all bytes FFh")?;
    let mut samples = SampleFile::open().ok_or("samples.bin cannot be opened")?;
    let node = start(flash, hardware, number(b"clock="))?;
    let wishes = Wishes { counts: has(b"count"), tells: has(b"tell"), serves: has(b"serve") };
    attend(node, &mut samples, wishes)
}

/// What the command line asks for beside the sampling.
#[derive(Clone, Copy)]
struct Wishes {
    counts: bool,
    tells: bool,
    serves: bool,
}

/// Samples, works and answers; away from the making of the node, whose stack it uses again.
#[inline(never)]
fn attend(
    node: &mut BoardNode,
    samples: &mut SampleFile,
    wishes: Wishes,
) -> Result<(), &'static str> {
    let (mut link, mut uart) = (LinkServer::default(), Uart::enable());
    let mut told = node.keeper().bounds().next;
    let mut used = Instructions::start();
    let mut bare = Instructions::start();
    let table = bare::table();

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
        if wishes.counts {
            bare.measure(n, || bare::sums(block, &table));
        }
        work(node);
        if wishes.tells {
            told = tell(node, told);
        }
        link.poll(node, &mut uart).map_err(|e| match e {})?;
    }
    node.finish();
    work(node);
    let bounds = node.keeper().bounds();
    hprintln!("frames {} records {} to {}", total, bounds.oldest, bounds.next);
    if wishes.counts {
        used.report("node");
        bare.report("bare");
        stack::report();
        let node_bytes = size_of_val(node) + size_of::<NodeMeter>();
        hprintln!("node {} bytes, link {} bytes", node_bytes, size_of_val(&link));
    }
    while wishes.serves {
        link.poll(node, &mut uart).map_err(|e| match e {})?;
        work(node);
    }
    Ok(())
}

/// Says which records are kept since the number given.
fn tell(node: &mut BoardNode, from: u32) -> u32 {
    let next = node.keeper().bounds().next;
    for seq in from..next {
        if matches!(node.keeper().read(seq), Ok(Slot::Page(_))) {
            hprintln!("kept {}", seq);
        }
    }
    next
}

/// The node and its meter have places of their own, which leave the stack to the sampling.
type BoardNode = Node<FlashFile, &'static mut NodeMeter>;
static METER: ConstStaticCell<NodeMeter> =
    ConstStaticCell::new(NodeMeter::idle([Frame::ZERO; HOLD]));
static NODE: StaticCell<BoardNode> = StaticCell::new();

#[inline(never)]
fn start(
    flash: FlashFile,
    hardware: Hardware,
    clock_ms: Option<u64>,
) -> Result<&'static mut BoardNode, &'static str> {
    let place = NODE.try_uninit().ok_or("started twice")?;
    let meter = METER.try_take().ok_or("started twice")?;
    let node = Node::start_on(flash, hardware, clock_ms, meter).map_err(|_| "no start")?;
    Ok(place.write(node))
}

/// Lets the node do the work on its flash that is due.
fn work(node: &mut BoardNode) {
    let now = node.uptime_ms();
    for _ in 0..WORK_PER_BLOCK {
        if node.service(now) > now {
            break;
        }
    }
}

#[cfg(not(feature = "no-panic"))]
#[panic_handler]
fn panic(info: &core::panic::PanicInfo) -> ! {
    hprintln!("{}", info);
    loop {
        debug::exit(debug::EXIT_FAILURE);
    }
}

/// With this feature a build links only if no panic can be reached: nobody defines the function.
#[cfg(feature = "no-panic")]
#[panic_handler]
fn panic(_: &core::panic::PanicInfo) -> ! {
    unsafe extern "C" {
        fn a_panic_can_be_reached() -> !;
    }
    // SAFETY: such a program is never linked, so the call is never made.
    unsafe { a_panic_can_be_reached() }
}
