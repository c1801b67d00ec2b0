//! The flash chip's driver against a simulated chip that answers SPI byte for byte.
//!
//! Commands, status bits and page wrap: data sheet of the W25Q128JV (commands 01, 02, 03, 05, 06,
//! 20, 4B, 9F, AB; status bits BUSY, WEL, BP0 to SEC), second-hand and from memory.

mod support;

use embedded_hal::delay::DelayNs;
use embedded_hal::spi::{ErrorKind, ErrorType, Operation, SpiDevice};
use embedded_storage::nor_flash::{NorFlash, NorFlashErrorKind, ReadNorFlash};
use std::cell::RefCell;
use std::rc::Rc;
use support::random::Random;
use support::{HARDWARE, frames, settings};
use wattless_core::record::{PAGE, Record};
use wattless_core::wire::{Reply, Request};
use wattless_node::flash::{ChipError, FlashChip, Shared, SharedError};
use wattless_node::node::Node;

const SECTOR: usize = 4096;

/// The chip, seen from its pins.
struct Chip {
    cells: Vec<u8>,
    now_us: u64,
    busy_until_us: u64,
    write_enabled: bool,
    protection: u8,
    /// What is done to the chip, for tests of failures.
    fault: Fault,
    asleep: bool,
    programs: u32,
    erases: u32,
    /// Commands that came while it was busy or not enabled: always a fault of the driver.
    ignored: u32,
    /// Bits that were to be set by programming: always a fault of the driver's user.
    unclean: u32,
}

#[derive(Clone, Copy, PartialEq)]
enum Fault {
    None,
    /// No chip: the line floats or is held.
    Absent(u8),
    /// Write enable is not heard.
    Deaf,
    /// Protection cannot be taken away.
    Locked,
    /// A program or an erase never ends.
    Stuck,
    /// Another maker's or size's identity.
    Identity([u8; 3]),
    /// The port fails.
    Port,
}

impl Chip {
    fn new(bytes: usize) -> Chip {
        Chip {
            cells: vec![0xFF; bytes],
            now_us: 0,
            busy_until_us: 0,
            write_enabled: false,
            protection: 0,
            fault: Fault::None,
            asleep: false,
            programs: 0,
            erases: 0,
            ignored: 0,
            unclean: 0,
        }
    }

    fn busy(&self) -> bool {
        self.now_us < self.busy_until_us
    }

    fn status(&self) -> u8 {
        u8::from(self.busy()) | u8::from(self.write_enabled) << 1 | self.protection
    }

    fn identity(&self) -> [u8; 3] {
        match self.fault {
            Fault::Identity(id) => id,
            _ => [0xEF, 0x40, self.cells.len().trailing_zeros() as u8],
        }
    }

    /// The answer to byte `at` of a command, `heard` so far.
    fn answer(&self, heard: &[u8], at: usize) -> u8 {
        if let Fault::Absent(level) = self.fault {
            return level;
        }
        let Some(&command) = heard.first() else { return 0xFF };
        if (self.busy() && command != 0x05) || (self.asleep && command != 0xAB) {
            return 0xFF;
        }
        match command {
            0x05 => self.status(),
            0x9F => self.identity()[(at - 1) % 3],
            0x4B if at >= 5 => 0xA0 + at as u8,
            0x03 if at >= 4 => self.cells[(address(heard) + at - 4) % self.cells.len()],
            _ => 0xFF,
        }
    }

    /// Chip select rises: what was heard is carried out.
    fn end(&mut self, heard: &[u8]) {
        let Some(&command) = heard.first() else { return };
        if matches!(self.fault, Fault::Absent(_)) || command == 0x05 {
            return;
        }
        if command == 0xAB {
            self.asleep = false;
            return;
        }
        if self.busy() || self.asleep {
            self.ignored += 1;
            return;
        }
        let stuck = self.fault == Fault::Stuck;
        let end = |us: u64| if stuck { u64::MAX } else { self.now_us + us };
        match command {
            0x06 => self.write_enabled = self.fault != Fault::Deaf,
            0x01 | 0x02 | 0x20 if !std::mem::take(&mut self.write_enabled) => self.ignored += 1,
            0x01 => {
                self.busy_until_us = end(10_000);
                if self.fault != Fault::Locked {
                    self.protection = heard[1] & 0x7C;
                }
            }
            0x02 => {
                self.busy_until_us = end(700);
                self.programs += 1;
                let start = address(heard);
                let page = start - start % 256;
                for (k, byte) in heard[4..].iter().enumerate() {
                    // The address wraps inside the page.
                    let cell = &mut self.cells[page + (start + k) % 256];
                    self.unclean += u32::from(*cell & byte != *byte);
                    *cell &= byte;
                }
            }
            0x20 => {
                self.busy_until_us = end(45_000);
                self.erases += 1;
                let start = address(heard) - address(heard) % SECTOR;
                self.cells[start..start + SECTOR].fill(0xFF);
            }
            _ => {}
        }
    }
}

fn address(heard: &[u8]) -> usize {
    heard[1..4].iter().fold(0, |a, b| a << 8 | usize::from(*b))
}

type Bench = Rc<RefCell<Chip>>;

/// The SPI port; a byte takes a third of a microsecond, which is neglected.
struct Port(Bench);

#[derive(Debug)]
struct PortError;

impl embedded_hal::spi::Error for PortError {
    fn kind(&self) -> ErrorKind {
        ErrorKind::Other
    }
}

impl ErrorType for Port {
    type Error = PortError;
}

impl SpiDevice for Port {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), PortError> {
        let mut chip = self.0.borrow_mut();
        if chip.fault == Fault::Port {
            return Err(PortError);
        }
        let mut heard = Vec::new();
        for operation in operations {
            match operation {
                Operation::Write(bytes) => heard.extend_from_slice(bytes),
                Operation::Read(bytes) => {
                    for byte in bytes.iter_mut() {
                        *byte = chip.answer(&heard, heard.len());
                        heard.push(0);
                    }
                }
                _ => panic!("the driver only writes and reads"),
            }
        }
        chip.end(&heard);
        Ok(())
    }
}

/// Time passes only while the driver waits.
struct Wait(Bench);

impl DelayNs for Wait {
    fn delay_ns(&mut self, ns: u32) {
        self.0.borrow_mut().now_us += u64::from(ns).div_ceil(1000);
    }
}

fn bench(bytes: usize) -> Bench {
    Rc::new(RefCell::new(Chip::new(bytes)))
}

fn driver(chip: &Bench) -> FlashChip<Port, Wait> {
    FlashChip::new(Port(chip.clone()), Wait(chip.clone()))
}

fn opened(chip: &Bench) -> FlashChip<Port, Wait> {
    let mut driver = driver(chip);
    driver.open().expect("the chip answers");
    driver
}

#[test]
fn every_size_of_the_family_is_recognised() {
    for power in 20..=24 {
        let chip = bench(1 << power);
        let mut flash = opened(&chip);
        assert_eq!(flash.capacity(), 1 << power);
        assert_eq!(flash.id(), [0xEF, 0x40, power as u8]);
        assert_eq!(flash.unique_id(), Ok(Some(0xA5A6_A7A8_A9AA_ABAC)));
    }
    for id in [[0xEF, 0x40, 0x13], [0xEF, 0x40, 0x19], [0x20, 0xBA, 0x00]] {
        let chip = bench(1 << 20);
        chip.borrow_mut().fault = Fault::Identity(id);
        let error = driver(&chip).open();
        assert_eq!(error, Err(ChipError::UnknownChip { id }));
        assert!(error.unwrap_err().to_string().contains("1 to 16 MB"));
    }
}

#[test]
fn what_is_written_reads_back_across_pages_and_sectors() {
    let chip = bench(1 << 20);
    let mut flash = opened(&chip);
    let mut random = Random(7);
    let mut expected = vec![0xFF; 8 * SECTOR];
    flash.erase(0, 8 * SECTOR as u32).unwrap();
    assert_eq!(chip.borrow().erases, 8);
    let mut at = 3;
    while at < 7 * SECTOR {
        let len = 1 + random.below(700) as usize;
        let data: Vec<u8> = (0..len).map(|_| random.next() as u8).collect();
        flash.write(at as u32, &data).unwrap();
        expected[at..at + len].copy_from_slice(&data);
        at += len + random.below(50) as usize;
    }
    let mut back = vec![0; 8 * SECTOR];
    flash.read(0, &mut back).unwrap();
    assert!(back == expected);
    flash.erase(SECTOR as u32, 2 * SECTOR as u32).unwrap();
    expected[SECTOR..2 * SECTOR].fill(0xFF);
    flash.read(5, &mut back[..3 * SECTOR]).unwrap();
    assert!(back[..3 * SECTOR] == expected[5..3 * SECTOR + 5]);
    let chip = chip.borrow();
    assert_eq!((chip.ignored, chip.unclean), (0, 0));
}

#[test]
fn an_erase_runs_on_by_itself() {
    let chip = bench(1 << 20);
    let mut flash = opened(&chip);
    assert_eq!(flash.is_busy(), Ok(false));
    let before_us = chip.borrow().now_us;
    flash.erase(0, SECTOR as u32).unwrap();
    assert_eq!(chip.borrow().now_us, before_us, "nobody waited");
    assert_eq!(flash.is_busy(), Ok(true));
    chip.borrow_mut().now_us += 44_999;
    assert_eq!(flash.is_busy(), Ok(true));
    chip.borrow_mut().now_us += 1;
    assert_eq!(flash.is_busy(), Ok(false));
    // Whoever does not ask waits for the end by himself.
    flash.erase(0, SECTOR as u32).unwrap();
    flash.write(10, &[1, 2, 3]).unwrap();
    flash.erase(SECTOR as u32, 2 * SECTOR as u32).unwrap();
    let mut back = [0; 5];
    flash.read(9, &mut back).unwrap();
    assert_eq!(back, [0xFF, 1, 2, 3, 0xFF]);
    assert_eq!(chip.borrow().ignored, 0);
}

#[test]
fn a_restart_in_the_middle_of_an_erase_or_asleep() {
    let chip = bench(1 << 20);
    opened(&chip).erase(0, SECTOR as u32).unwrap();
    let mut flash = opened(&chip);
    assert!(chip.borrow().now_us >= 45_000);
    flash.read(0, &mut [0]).unwrap();
    chip.borrow_mut().asleep = true;
    assert_eq!(opened(&chip).capacity(), 1 << 20);
    assert_eq!(chip.borrow().ignored, 0);
}

#[test]
fn faults_are_told_apart_and_end() {
    for level in [0x00, 0xFF] {
        let chip = bench(1 << 20);
        chip.borrow_mut().fault = Fault::Absent(level);
        assert_eq!(driver(&chip).open(), Err(ChipError::NoChip), "{level:02X}");
        assert!(chip.borrow().now_us < 1_000_000);
    }
    let chip = bench(1 << 20);
    let mut flash = opened(&chip);
    chip.borrow_mut().fault = Fault::Deaf;
    assert_eq!(flash.write(0, &[1]), Err(ChipError::NotEnabled { status: 0 }));
    assert_eq!(flash.erase(0, SECTOR as u32), Err(ChipError::NotEnabled { status: 0 }));
    chip.borrow_mut().fault = Fault::Port;
    assert_eq!(flash.read(0, &mut [0]), Err(ChipError::Spi(ErrorKind::Other)));
    chip.borrow_mut().fault = Fault::Stuck;
    let before_us = chip.borrow().now_us;
    assert_eq!(flash.write(0, &[1]), Err(ChipError::StaysBusy));
    let waited_us = chip.borrow().now_us - before_us;
    assert!((6_000..7_000).contains(&waited_us), "{waited_us}");
    let chip = bench(1 << 20);
    let mut flash = opened(&chip);
    chip.borrow_mut().fault = Fault::Stuck;
    flash.erase(0, SECTOR as u32).unwrap();
    assert_eq!(flash.read(0, &mut [0]), Err(ChipError::StaysBusy));
    let waited_us = chip.borrow().now_us;
    assert!((800_000..900_000).contains(&waited_us), "{waited_us}");
    for fault in [ChipError::NoChip, ChipError::StaysBusy, ChipError::Protected { status: 4 }] {
        assert!(!fault.to_string().is_empty());
    }
}

#[test]
fn protection_is_taken_away_or_named() {
    let chip = bench(1 << 20);
    chip.borrow_mut().protection = 0x1C;
    let mut flash = opened(&chip);
    flash.write(0, &[0x55]).unwrap();
    assert_eq!(chip.borrow().cells[0], 0x55);
    let chip = bench(1 << 20);
    chip.borrow_mut().protection = 0x1C;
    chip.borrow_mut().fault = Fault::Locked;
    assert_eq!(driver(&chip).open(), Err(ChipError::Protected { status: 0x1C }));
}

#[test]
fn addresses_outside_are_refused() {
    let chip = bench(1 << 20);
    let mut flash = opened(&chip);
    let end = 1u32 << 20;
    let outside = Err(ChipError::Address(NorFlashErrorKind::OutOfBounds));
    let uneven = Err(ChipError::Address(NorFlashErrorKind::NotAligned));
    assert_eq!(flash.read(end, &mut [0]), outside);
    assert_eq!(flash.write(end - 1, &[0, 0]), outside);
    assert_eq!(flash.erase(end, end + SECTOR as u32), outside);
    assert_eq!(flash.erase(1, SECTOR as u32), uneven);
    // Before it was opened there is nothing to read.
    assert_eq!(driver(&chip).read(0, &mut [0]), outside);
    assert_eq!(chip.borrow().programs + chip.borrow().erases, 0);
}

#[test]
fn two_users_share_one_chip() {
    let chip = bench(1 << 20);
    let cell = RefCell::new(opened(&chip));
    let mut shared = Shared::new(&cell).unwrap();
    assert_eq!(shared.capacity(), 1 << 20);
    shared.erase(0, SECTOR as u32).unwrap();
    assert_eq!(cell.borrow_mut().is_busy(), Ok(true));
    shared.write(0, &[9]).unwrap();
    let held = cell.borrow_mut();
    assert_eq!(shared.read(0, &mut [0]), Err(SharedError::InUse));
    assert!(Shared::new(&cell).is_none());
    drop(held);
    let mut back = [0];
    shared.read(0, &mut back).unwrap();
    assert_eq!(back, [9]);
}

/// The whole node on the simulated chip: frames go on while the erase of the next sector runs.
#[test]
fn the_node_logs_on_the_chip() {
    let chip = bench(1 << 20);
    let cell = RefCell::new(opened(&chip));
    let mut node = Node::start(Shared::new(&cell).unwrap(), HARDWARE, None).unwrap();
    node.answer(Request::WriteSettings(settings(1))).unwrap();
    let (ten_cycles, mut waited) = (frames(), 0);
    for _ in 0..5 * 40 {
        // 200 ms of samples, in blocks as they come while an erase runs.
        for block in ten_cycles.chunks(40) {
            node.push_frames(block);
            chip.borrow_mut().now_us += 5000;
            if cell.borrow_mut().is_busy() == Ok(true) {
                waited += 1;
                continue;
            }
            let now = node.uptime_ms();
            node.service(now);
        }
    }
    let Ok(Reply::LogBounds(bounds)) = node.answer(Request::LogBounds) else { panic!() };
    assert!(bounds.next - bounds.oldest >= 38, "{bounds:?}");
    assert!(waited >= 9, "erases were waited for with samples going on: {waited}");
    for seq in bounds.oldest..bounds.next {
        let Ok(Reply::Log(log)) = node.answer(Request::ReadLog { from: seq, count: 1 }) else {
            panic!("record {seq}")
        };
        // Two sectors of settings come first.
        let at = 2 * SECTOR + PAGE * (seq as usize % ((1 << 20) / PAGE - 32));
        assert_eq!(log.pages[..], chip.borrow().cells[at..at + PAGE]);
        let record = Record::decode(log.pages[..].first_chunk().unwrap()).unwrap();
        assert_eq!((record.seq, record.frames_lost), (seq, 0));
    }
    assert_eq!((chip.borrow().ignored, chip.borrow().unclean), (0, 0));
}
