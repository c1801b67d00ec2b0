//! The battery-backed clock: read at the turn of a second, set when the host sets the node's.
//!
//! A bus whose lines do not stand high is left alone: without pull-ups or with a chip that holds
//! a line, a transfer would never end.

use crate::work::LogNode;
use embassy_rp::Peri;
use embassy_rp::gpio::{Level, OutputOpenDrain};
use embassy_rp::i2c::{self, Blocking, I2c};
use embassy_rp::pac;
use embassy_rp::peripherals::{I2C0, PIN_4, PIN_5};
use embassy_time::{Duration, Instant, block_for};
use embedded_hal::i2c::{ErrorKind, ErrorType, Operation};
use wattless_node::clock::{ClockChip, ClockError, Turn};

/// Levels of SDA and SCL, as bits of the port.
const LINES: u32 = 1 << 4 | 1 << 5;

/// Time between two comparisons with the clock: 50 ppm make 30 ms of it.
const COMPARE: Duration = Duration::from_secs(600);

/// Time until a clock that did not answer is tried again.
const RETRY: Duration = Duration::from_secs(60);

/// Time between two looks while waiting for the turn of a second.
const LOOK: Duration = Duration::from_millis(2);

/// Longest wait for the turn of a second.
const TURN: Duration = Duration::from_millis(1200);

/// The bus of the clock; refuses while a line is held.
pub struct ClockBus(I2c<'static, I2C0, Blocking>);

/// Why the bus refuses.
#[derive(Debug)]
pub enum BusError {
    /// A line stands low: no pull-up, or a chip holds it.
    Held,
    /// The transfer failed.
    Transfer(i2c::Error),
}

impl embedded_hal::i2c::Error for BusError {
    fn kind(&self) -> ErrorKind {
        match self {
            BusError::Held => ErrorKind::Bus,
            BusError::Transfer(e) => e.kind(),
        }
    }
}

impl ErrorType for ClockBus {
    type Error = BusError;
}

impl embedded_hal::i2c::I2c for ClockBus {
    fn transaction(
        &mut self,
        address: u8,
        operations: &mut [Operation<'_>],
    ) -> Result<(), BusError> {
        if pac::SIO.gpio_in(0).read() & LINES != LINES {
            return Err(BusError::Held);
        }
        embedded_hal::i2c::I2c::transaction(&mut self.0, address, operations)
            .map_err(BusError::Transfer)
    }

    fn write(&mut self, address: u8, bytes: &[u8]) -> Result<(), BusError> {
        self.transaction(address, &mut [Operation::Write(bytes)])
    }

    fn write_read(&mut self, address: u8, to: &[u8], from: &mut [u8]) -> Result<(), BusError> {
        self.transaction(address, &mut [Operation::Write(to), Operation::Read(from)])
    }
}

/// Frees a data line that a restart left held, and sets the bus up.
pub fn bus(
    port: Peri<'static, I2C0>,
    mut sda: Peri<'static, PIN_4>,
    mut scl: Peri<'static, PIN_5>,
) -> ClockBus {
    let half = || block_for(Duration::from_micros(5));
    {
        let sda = OutputOpenDrain::new(sda.reborrow(), Level::High);
        let mut scl = OutputOpenDrain::new(scl.reborrow(), Level::High);
        half();
        // A chip in the middle of a byte lets go after at most nine clocks.
        for _ in 0..9 {
            if sda.is_high() {
                break;
            }
            scl.set_low();
            half();
            scl.set_high();
            half();
        }
    }
    let mut config = i2c::Config::default();
    config.frequency = 400_000;
    ClockBus(I2c::new_blocking(port, scl, sda, config))
}

/// What the clock is asked next.
enum Next {
    /// Nothing before this time.
    Rest(Instant),
    /// The turn of a second is awaited: since when, and when to look again.
    Look { since: Instant, at: Instant },
    /// A host's time is to be written at a turn of its second.
    Write { at: Instant, unix_ms: u64 },
}

/// Keeps node and clock together.
pub struct Clock {
    chip: ClockChip<ClockBus>,
    next: Next,
}

impl Clock {
    /// Takes the bus; the clock is read at the next turn of a second.
    pub fn new(bus: ClockBus) -> Clock {
        let now = Instant::now();
        Clock { chip: ClockChip::new(bus), next: Next::Look { since: now, at: now } }
    }

    /// Does what is due; never takes longer than two transfers, a millisecond.
    pub fn poll(&mut self, node: &mut LogNode) {
        let now = Instant::now();
        if let Some(unix_ms) = node.clock_to_set() {
            let to_turn = (1000 - unix_ms % 1000) % 1000;
            self.next = Next::Write {
                at: now + Duration::from_millis(to_turn),
                unix_ms: unix_ms.saturating_add(to_turn),
            };
        }
        match self.next {
            Next::Write { at, unix_ms } if now >= at => self.write(now, at, unix_ms),
            Next::Rest(at) if now >= at => self.next = Next::Look { since: now, at: now },
            Next::Look { since, at } if now >= at => self.look(now, since, node),
            _ => {}
        }
    }

    fn look(&mut self, now: Instant, since: Instant, node: &mut LogNode) {
        self.next = match self.chip.turn() {
            Ok(Turn::At(unix_ms)) => {
                node.clock_reads(unix_ms);
                Next::Rest(now + COMPARE)
            }
            Ok(Turn::Waiting) if now - since < TURN => Next::Look { since, at: now + LOOK },
            Ok(Turn::Waiting) => {
                defmt::warn!("the clock stands still");
                Next::Rest(now + RETRY)
            }
            Ok(Turn::Invalid) => {
                defmt::warn!("the clock has lost its time: set it from the laptop");
                Next::Rest(now + RETRY)
            }
            Err(e) => failed(now, &e),
        };
    }

    fn write(&mut self, now: Instant, at: Instant, unix_ms: u64) {
        let late_ms = (now - at).as_millis();
        self.next = match self.chip.write(unix_ms.saturating_add(late_ms)) {
            Ok(_) => Next::Rest(now + COMPARE),
            Err(e) => failed(now, &e),
        };
    }
}

fn failed(now: Instant, error: &ClockError) -> Next {
    defmt::warn!("{}", defmt::Display2Format(error));
    Next::Rest(now + RETRY)
}
