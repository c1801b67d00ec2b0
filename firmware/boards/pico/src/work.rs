//! The main loop: frames into the node, its log, its answers, its clock, its light, the watchdog.

use crate::board::{Board, FlashSpi, HARDWARE, LogFlash, QUEUE, SETUP};
use crate::clock::Clock;
use crate::{links, sampling};
use core::cell::RefCell;
use core::sync::atomic::Ordering;
use embassy_executor::{SendSpawner, SpawnError, SpawnToken};
use embassy_rp::gpio::Output;
use embassy_rp::watchdog::Watchdog;
use embassy_time::{Delay, Duration, Instant, block_for};
use static_cell::{ConstStaticCell, StaticCell};
use wattless_core::frame::Frame;
use wattless_node::flash::{FlashChip, Shared};
use wattless_node::handover::{self, Handover, Receiver};
use wattless_node::light::{Facts, Health, Light};
use wattless_node::link::LinkServer;
use wattless_node::node::{Hardware, Node};
use wattless_node::sampler::{HOLD, NodeMeter};

/// The watchdog starts the node again after this time; the RP2040 can do 8.3 s.
const WATCHDOG: Duration = Duration::from_secs(8);

/// The executors must show life within this time, or the watchdog is no longer fed.
const LIFE: Duration = Duration::from_secs(2);

/// Time between two looks at light and signs of life.
const HOUSEKEEPING: Duration = Duration::from_millis(20);

/// Time for which the light tells of a loss.
const TELL: Duration = Duration::from_secs(60);

/// The node on this board's flash.
pub type LogNode = Node<Shared<'static, LogFlash>, &'static mut NodeMeter>;

/// Runs the node for ever.
pub fn run(board: Board, sampling: SendSpawner, talking: SendSpawner) -> ! {
    static LINKS: [StaticCell<LinkServer>; 2] = [const { StaticCell::new() }; 2];
    static FRAMES: ConstStaticCell<Handover<QUEUE>> = ConstStaticCell::new(Handover::new());
    let mut desk = Desk::new(board.lights, board.watchdog);
    let flash = open_flash(board.flash, &mut desk);
    let node_id = node_id(flash);
    spawn(talking, links::start(board.uart, board.usb, node_id));
    let node = start_node(flash, node_id, &mut desk);
    let (sender, frames) = handover::split(FRAMES.take());
    let task = sampling::sample(board.converter, board.data_ready, board.converter_reset, sender);
    spawn(sampling, task);
    spawn(sampling, sampling::watch());
    let [usb, uart] = &LINKS;
    let (usb, uart) = (usb.init_with(LinkServer::default), uart.init_with(LinkServer::default));
    let clock = Clock::new(board.clock);
    Work { node, flash, frames, usb, uart, clock, next_ms: 0, desk }.run()
}

fn spawn<S: Send>(spawner: SendSpawner, task: Result<SpawnToken<S>, SpawnError>) {
    match task {
        Ok(token) => spawner.spawn(token),
        Err(_) => defmt::error!("a task was started twice"),
    }
}

/// Opens the log's flash; without it there is no node, so that is tried for ever.
fn open_flash(spi: FlashSpi, desk: &mut Desk) -> &'static RefCell<LogFlash> {
    static FLASH: StaticCell<RefCell<LogFlash>> = StaticCell::new();
    let mut chip = FlashChip::new(spi, Delay);
    while let Err(error) = chip.open() {
        defmt::error!("{}", defmt::Display2Format(&error));
        desk.wait(Health::NotStoring);
    }
    FLASH.init(RefCell::new(chip))
}

/// The number of the log's flash is the node's: it goes where the log goes.
fn node_id(flash: &RefCell<LogFlash>) -> u64 {
    let id = flash.try_borrow_mut().ok().and_then(|mut chip| chip.unique_id().ok().flatten());
    id.unwrap_or(0)
}

/// Starts the node on what the flash holds. Out of line: its stack is free again afterwards.
#[inline(never)]
fn start_node(
    flash: &'static RefCell<LogFlash>,
    node_id: u64,
    desk: &mut Desk,
) -> &'static mut LogNode {
    static NODE: StaticCell<LogNode> = StaticCell::new();
    static METER: ConstStaticCell<NodeMeter> =
        ConstStaticCell::new(NodeMeter::idle([Frame::ZERO; HOLD]));
    let hardware = Hardware {
        node_id,
        hardware: HARDWARE,
        firmware: env!("CARGO_PKG_VERSION"),
        sample_rate_mhz: SETUP.sample_rate_mhz(),
    };
    let started =
        Shared::new(flash).map(|flash| Node::start_on(flash, hardware, None, METER.take()));
    match started {
        Some(Ok(node)) => return NODE.init(node),
        Some(Err(error)) => defmt::error!("{}", defmt::Display2Format(&error)),
        None => defmt::error!("the flash is in use"),
    }
    // The flash cannot be read: the watchdog starts everything again, after a while to see it.
    loop {
        desk.show(Health::NotStoring);
        block_for(HOUSEKEEPING);
    }
}

/// All that the main loop works with.
struct Work {
    node: &'static mut LogNode,
    flash: &'static RefCell<LogFlash>,
    frames: Receiver<'static>,
    usb: &'static mut LinkServer,
    uart: &'static mut LinkServer,
    clock: Clock,
    /// Uptime of the node at which its log wants to be looked at.
    next_ms: u64,
    desk: Desk,
}

impl Work {
    fn run(&mut self) -> ! {
        loop {
            self.turn();
            // Any interrupt ends the wait, also one that came since the turn.
            cortex_m::asm::wfe();
        }
    }

    /// Everything once. Whatever takes long here is waited for by nobody but the queue of frames.
    #[inline(never)]
    fn turn(&mut self) {
        self.frames.drain(self.node);
        if !self.flash_is_busy() {
            self.next_ms = match self.node.uptime_ms() {
                now_ms if now_ms >= self.next_ms => self.node.service(now_ms),
                _ => self.next_ms,
            };
            links::USB_PORT.serve(self.usb, self.node);
            links::UART_PORT.serve(self.uart, self.node);
        }
        self.clock.poll(self.node);
        self.desk.look_after(self.node);
    }

    /// Whether an erase is running, which nobody should wait for.
    fn flash_is_busy(&self) -> bool {
        let Ok(mut chip) = self.flash.try_borrow_mut() else { return true };
        // A chip that does not answer is found out by the node, which counts it.
        chip.is_busy().unwrap_or(false)
    }
}

/// Lights and watchdog.
struct Desk {
    lights: [Light<Output<'static>>; 2],
    watchdog: Watchdog,
    next: Instant,
    beats: [(u32, Instant); 2],
    lost: Recent,
    failures: Recent,
}

/// A counter that should stand still.
#[derive(Default)]
struct Recent {
    count: u64,
    moved: Option<Instant>,
}

impl Recent {
    /// Whether it has moved lately.
    fn moved(&mut self, count: u64, now: Instant) -> bool {
        if count != self.count {
            (self.count, self.moved) = (count, Some(now));
        }
        self.moved.is_some_and(|at| now - at < TELL)
    }
}

impl Desk {
    fn new(lights: [Output<'static>; 2], mut watchdog: Watchdog) -> Desk {
        watchdog.pause_on_debug(true);
        watchdog.start(WATCHDOG);
        let now = Instant::now();
        let lights = lights.map(|pin| Light::new(pin, false));
        let (lost, failures) = (Recent::default(), Recent::default());
        Desk { lights, watchdog, next: now, beats: [(0, now); 2], lost, failures }
    }

    /// Shows a state for two seconds, before there is a node.
    fn wait(&mut self, health: Health) {
        for _ in 0..100 {
            self.show(health);
            self.watchdog.feed(WATCHDOG);
            block_for(HOUSEKEEPING);
        }
    }

    fn show(&mut self, health: Health) {
        let now_ms = Instant::now().as_millis();
        for light in &mut self.lights {
            match light.show(health, now_ms) {
                Ok(()) => {}
                Err(e) => match e {},
            }
        }
    }

    /// Shows how the node is, and feeds the watchdog while everything shows life.
    fn look_after(&mut self, node: &mut LogNode) {
        let now = Instant::now();
        if now < self.next {
            return;
        }
        self.next = now + HOUSEKEEPING;
        let failures = u64::from(node.keeper().write_failures());
        let facts = Facts {
            sampling: sampling::RUNNING.load(Ordering::Relaxed),
            storing: !self.failures.moved(failures, now),
            voltage: node.sampler().snapshot().map(|s| s.reading.frequency_hz.is_some()),
            time: node.wall_is_known(),
            losing: self.lost.moved(node.sampler().total_lost(), now),
        };
        self.show(facts.health());
        if self.alive(now) {
            self.watchdog.feed(WATCHDOG);
        }
    }

    /// Whether both executors have run lately.
    fn alive(&mut self, now: Instant) -> bool {
        let counts = [&sampling::BEATS, &links::BEATS].map(|b| b.load(Ordering::Relaxed));
        for ((before, at), count) in self.beats.iter_mut().zip(counts) {
            if *before != count {
                (*before, *at) = (count, now);
            }
        }
        self.beats.iter().all(|(_, at)| now - *at < LIFE)
    }
}
