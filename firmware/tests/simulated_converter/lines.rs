//! The simulated converter on `embedded-hal` lines, and what can go wrong on them.

use super::chip::Chip;
use embedded_hal::delay::DelayNs;
use embedded_hal::digital::{self, InputPin, OutputPin};
use embedded_hal::spi::{self, Operation, SpiDevice};
use std::cell::RefCell;
use std::convert::Infallible;
use std::rc::Rc;

/// Disturbances of the next transaction, by bit; cleared by it.
#[derive(Clone, Debug, Default)]
pub struct Faults {
    /// Bits of the converter's output that the host sees turned around.
    pub flip_output: Vec<usize>,
    /// Bits of the host's output that the converter sees turned around.
    pub flip_input: Vec<usize>,
    /// Clocks that the converter does not see.
    pub drop_clock: Vec<usize>,
    /// Clocks that the converter sees twice.
    pub double_clock: Vec<usize>,
    /// Clock after which the converter is reset.
    pub reset_at: Option<usize>,
    /// The whole transaction fails before it begins.
    pub port_fails: bool,
    /// Transactions that go well before.
    pub after: usize,
}

/// A converter, its lines and the disturbances on them.
#[derive(Clone)]
pub struct Rig {
    pub chip: Rc<RefCell<Chip>>,
    pub faults: Rc<RefCell<Faults>>,
}

impl Rig {
    pub fn new(channels: usize) -> Rig {
        Rig {
            chip: Rc::new(RefCell::new(Chip::new(channels))),
            faults: Rc::new(RefCell::new(Faults::default())),
        }
    }

    pub fn spi(&self) -> SimulatedSpi {
        SimulatedSpi(self.clone())
    }

    pub fn ready(&self) -> SimulatedReady {
        SimulatedReady(self.clone())
    }

    pub fn reset(&self) -> SimulatedReset {
        SimulatedReset(self.clone())
    }

    pub fn delay(&self) -> SimulatedDelay {
        SimulatedDelay(self.clone())
    }

    pub fn now(&self) -> u64 {
        self.chip.borrow().now
    }

    fn due_faults(&self) -> Faults {
        let mut faults = self.faults.borrow_mut();
        if faults.after > 0 {
            faults.after -= 1;
            return Faults::default();
        }
        std::mem::take(&mut faults)
    }

    /// Exchanges bytes in one transaction, as a board with DMA would.
    pub fn exchange(&self, sent: &[u8]) -> Vec<u8> {
        let mut came = vec![0; sent.len()];
        self.spi().transfer(&mut came, sent).expect("port works");
        came
    }
}

pub struct SimulatedSpi(Rig);

impl spi::ErrorType for SimulatedSpi {
    type Error = spi::ErrorKind;
}

impl SpiDevice for SimulatedSpi {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), spi::ErrorKind> {
        let faults = self.0.due_faults();
        if faults.port_fails {
            return Err(spi::ErrorKind::Other);
        }
        let mut chip = self.0.chip.borrow_mut();
        chip.select();
        let mut wire = Wire { chip: &mut chip, faults, bit: 0, level: true };
        for operation in operations {
            match operation {
                Operation::Read(r) => r.iter_mut().for_each(|b| *b = wire.byte(0)),
                Operation::Write(w) => w.iter().for_each(|b| {
                    wire.byte(*b);
                }),
                Operation::Transfer(r, w) => {
                    for n in 0..r.len().max(w.len()) {
                        let came = wire.byte(w.get(n).copied().unwrap_or(0));
                        if let Some(b) = r.get_mut(n) {
                            *b = came;
                        }
                    }
                }
                Operation::TransferInPlace(b) => b.iter_mut().for_each(|b| *b = wire.byte(*b)),
                Operation::DelayNs(ns) => wire.chip.advance(clocks(*ns)),
            }
        }
        chip.deselect();
        Ok(())
    }
}

struct Wire<'a> {
    chip: &'a mut Chip,
    faults: Faults,
    bit: usize,
    level: bool,
}

impl Wire<'_> {
    fn byte(&mut self, sent: u8) -> u8 {
        (0..8).rev().fold(0, |came, n| came << 1 | u8::from(self.one(sent >> n & 1 == 1)))
    }

    fn one(&mut self, sent: bool) -> bool {
        let n = self.bit;
        self.bit += 1;
        self.chip.advance(1);
        let sent = sent ^ self.faults.flip_input.contains(&n);
        let times = if self.faults.drop_clock.contains(&n) {
            0
        } else {
            1 + usize::from(self.faults.double_clock.contains(&n))
        };
        for _ in 0..times {
            self.level = self.chip.clock(sent);
        }
        if self.faults.reset_at == Some(n) {
            self.chip.reset();
        }
        self.level ^ self.faults.flip_output.contains(&n)
    }
}

/// Time in clocks, rounded up.
fn clocks(ns: u32) -> u64 {
    (u64::from(ns) * 8_192).div_ceil(1_000_000)
}

pub struct SimulatedReady(Rig);

impl digital::ErrorType for SimulatedReady {
    type Error = Infallible;
}

impl InputPin for SimulatedReady {
    fn is_high(&mut self) -> Result<bool, Infallible> {
        self.is_low().map(|low| !low)
    }

    fn is_low(&mut self) -> Result<bool, Infallible> {
        Ok(self.0.chip.borrow().ready_is_low())
    }
}

pub struct SimulatedReset(Rig);

impl digital::ErrorType for SimulatedReset {
    type Error = Infallible;
}

impl OutputPin for SimulatedReset {
    fn set_low(&mut self) -> Result<(), Infallible> {
        self.0.chip.borrow_mut().set_reset_line(false);
        Ok(())
    }

    fn set_high(&mut self) -> Result<(), Infallible> {
        self.0.chip.borrow_mut().set_reset_line(true);
        Ok(())
    }
}

pub struct SimulatedDelay(Rig);

impl DelayNs for SimulatedDelay {
    fn delay_ns(&mut self, ns: u32) {
        self.0.chip.borrow_mut().advance(clocks(ns));
    }
}
