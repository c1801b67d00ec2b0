//! Commands of a serial NOR flash over `embedded-hal`: identity, reading, programming, erasing.
//!
//! SPI mode 0 or 3, up to 50 MHz (plain read command). An erase is started and left to run: the
//! next access waits for its end, and [`FlashChip::is_busy`] tells whether it would.

use embedded_hal::delay::DelayNs;
use embedded_hal::spi::{Error as _, ErrorKind, Operation, SpiDevice};
use embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash, check_erase, check_read,
    check_write,
};

/// Bytes of a page: a program command never reaches beyond one.
pub const PAGE: usize = 256;

/// Bytes of a sector, the smallest thing that can be erased.
pub const SECTOR: usize = 4096;

/// Longest time of a page program, in microseconds (3 ms), doubled.
pub const PROGRAM_US: u32 = 6_000;

/// Longest time of a sector erase, in microseconds (400 ms), doubled.
pub const ERASE_US: u32 = 800_000;

/// Time between two looks at the status while a page is programmed, in microseconds.
const PROGRAM_POLL_US: u32 = 20;

/// Time between two looks at the status during an erase, in microseconds.
const ERASE_POLL_US: u32 = 200;

/// Longest time of a status write, in microseconds (15 ms), doubled.
const STATUS_WRITE_US: u32 = 30_000;

/// Time to wake from power-down (3 µs), with plenty of room.
const WAKE_US: u32 = 30;

const WRITE_STATUS: u8 = 0x01;
const PROGRAM: u8 = 0x02;
const READ: u8 = 0x03;
const READ_STATUS: u8 = 0x05;
const WRITE_ENABLE: u8 = 0x06;
const ERASE_SECTOR: u8 = 0x20;
const UNIQUE_ID: u8 = 0x4B;
const JEDEC_ID: u8 = 0x9F;
const WAKE: u8 = 0xAB;

const BUSY: u8 = 0x01;
const WRITE_ENABLED: u8 = 0x02;

/// Bits of the status that protect blocks: BP0 to BP2, TB, SEC.
const PROTECTED: u8 = 0x7C;

/// Why the flash chip cannot do what it should.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ChipError {
    /// The SPI port failed.
    Spi(ErrorKind),
    /// Nobody answers.
    NoChip,
    /// The chip has not between 1 and 16 MB.
    UnknownChip {
        /// Its maker, type and capacity code.
        id: [u8; 3],
    },
    /// Blocks are write-protected and stay so.
    Protected {
        /// The status register.
        status: u8,
    },
    /// The chip did not accept a write enable.
    NotEnabled {
        /// The status register.
        status: u8,
    },
    /// The chip stayed busy for longer than its longest time.
    StaysBusy,
    /// The address or length does not suit.
    Address(NorFlashErrorKind),
}

impl core::fmt::Display for ChipError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            ChipError::Spi(kind) => write!(f, "SPI port of the flash chip: {kind}"),
            ChipError::NoChip => write!(
                f,
                "the flash chip does not answer: check its supply, chip select, SPI clock and DO"
            ),
            ChipError::UnknownChip { id: [a, b, c] } => write!(
                f,
                "flash chip with identity {a:02X} {b:02X} {c:02X}: fit one of 1 to 16 MB with 4 KB sectors"
            ),
            ChipError::Protected { status } => write!(
                f,
                "the flash chip protects blocks (status {status:02X}h): tie its WP pin high"
            ),
            ChipError::NotEnabled { status } => write!(
                f,
                "the flash chip refuses to be written (status {status:02X}h): check DI and its supply"
            ),
            ChipError::StaysBusy => write!(f, "the flash chip stays busy: replace it"),
            ChipError::Address(_) => write!(f, "address outside the flash, or not on a boundary"),
        }
    }
}

impl core::error::Error for ChipError {}

impl NorFlashError for ChipError {
    fn kind(&self) -> NorFlashErrorKind {
        match self {
            ChipError::Address(kind) => *kind,
            _ => NorFlashErrorKind::Other,
        }
    }
}

/// A flash chip on its SPI port.
#[derive(Debug)]
pub struct FlashChip<SPI, DELAY> {
    spi: SPI,
    delay: DELAY,
    id: [u8; 3],
    capacity: u32,
    /// An erase may still be running.
    erasing: bool,
}

impl<SPI: SpiDevice, DELAY: DelayNs> FlashChip<SPI, DELAY> {
    /// Takes the port; nothing is sent, and nothing can be read, before [`FlashChip::open`].
    pub const fn new(spi: SPI, delay: DELAY) -> Self {
        FlashChip { spi, delay, id: [0; 3], capacity: 0, erasing: true }
    }

    /// Wakes the chip, lets an erase from before a restart end, and makes sure what it is.
    ///
    /// Takes up to 0.8 s when an erase is under way, else less than a millisecond. May be called
    /// again after a failure.
    pub fn open(&mut self) -> Result<(), ChipError> {
        self.capacity = 0;
        self.erasing = true;
        self.command(WAKE)?;
        self.delay.delay_us(WAKE_US);
        match self.settle() {
            Ok(()) => {}
            // A line that nobody drives reads as all ones, which looks busy: tell the two apart.
            Err(ChipError::StaysBusy) if self.status()? == 0xFF => return Err(ChipError::NoChip),
            Err(e) => return Err(e),
        }
        let mut id = [0; 3];
        self.transaction(&mut [Operation::Write(&[JEDEC_ID]), Operation::Read(&mut id)])?;
        let [maker, _, size] = id;
        if matches!(maker, 0x00 | 0xFF) {
            return Err(ChipError::NoChip);
        }
        // The code is the power of two of the capacity: 14h is 1 MB, 18h 16 MB.
        if !(0x14..=0x18).contains(&size) {
            return Err(ChipError::UnknownChip { id });
        }
        self.unprotect()?;
        self.id = id;
        self.capacity = 1 << size;
        Ok(())
    }

    /// Maker, type and capacity code; zeros before [`FlashChip::open`].
    pub const fn id(&self) -> [u8; 3] {
        self.id
    }

    /// The number that the maker gave this one chip; `None` for chips that have none.
    pub fn unique_id(&mut self) -> Result<Option<u64>, ChipError> {
        self.settle()?;
        let mut id = [0; 8];
        // Four bytes that mean nothing come first.
        let head = [UNIQUE_ID, 0, 0, 0, 0];
        self.transaction(&mut [Operation::Write(&head), Operation::Read(&mut id)])?;
        let id = u64::from_be_bytes(id);
        Ok((id != 0 && id != u64::MAX).then_some(id))
    }

    /// Whether an erase is still running, so that the next access would wait for it.
    pub fn is_busy(&mut self) -> Result<bool, ChipError> {
        if self.erasing {
            self.erasing = self.status()? & BUSY != 0;
        }
        Ok(self.erasing)
    }

    /// Gives port and delay back.
    pub fn release(self) -> (SPI, DELAY) {
        (self.spi, self.delay)
    }

    /// Waits for the end of an erase.
    fn settle(&mut self) -> Result<(), ChipError> {
        if self.erasing {
            self.wait(ERASE_US, ERASE_POLL_US)?;
            self.erasing = false;
        }
        Ok(())
    }

    /// Looks at the status until the chip is no longer busy, at most so long.
    fn wait(&mut self, longest_us: u32, poll_us: u32) -> Result<(), ChipError> {
        // One look more than fits: the last one comes after the longest time.
        for _ in 0..=longest_us.checked_div(poll_us).unwrap_or(0) {
            if self.status()? & BUSY == 0 {
                return Ok(());
            }
            self.delay.delay_us(poll_us);
        }
        Err(ChipError::StaysBusy)
    }

    /// Takes block protection away, which new chips do not have.
    fn unprotect(&mut self) -> Result<(), ChipError> {
        if self.status()? & PROTECTED == 0 {
            return Ok(());
        }
        self.enable()?;
        self.write_all(&[WRITE_STATUS, 0])?;
        self.wait(STATUS_WRITE_US, ERASE_POLL_US)?;
        match self.status()? {
            status if status & PROTECTED == 0 => Ok(()),
            status => Err(ChipError::Protected { status }),
        }
    }

    /// Sends the write enable and makes sure that it was heard.
    fn enable(&mut self) -> Result<(), ChipError> {
        self.command(WRITE_ENABLE)?;
        match self.status()? {
            status if status & (BUSY | WRITE_ENABLED) == WRITE_ENABLED => Ok(()),
            status => Err(ChipError::NotEnabled { status }),
        }
    }

    fn status(&mut self) -> Result<u8, ChipError> {
        let mut status = [0];
        self.transaction(&mut [Operation::Write(&[READ_STATUS]), Operation::Read(&mut status)])?;
        let [status] = status;
        Ok(status)
    }

    fn command(&mut self, command: u8) -> Result<(), ChipError> {
        self.write_all(&[command])
    }

    fn write_all(&mut self, bytes: &[u8]) -> Result<(), ChipError> {
        self.spi.write(bytes).map_err(|e| ChipError::Spi(e.kind()))
    }

    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), ChipError> {
        self.spi.transaction(operations).map_err(|e| ChipError::Spi(e.kind()))
    }

    /// A command with an address of 24 bits.
    fn addressed(command: u8, address: u32) -> [u8; 4] {
        let [_, a, b, c] = address.to_be_bytes();
        [command, a, b, c]
    }

    /// Programs bytes of one page; they must not reach beyond it.
    fn program(&mut self, address: u32, bytes: &[u8]) -> Result<(), ChipError> {
        self.enable()?;
        let head = Self::addressed(PROGRAM, address);
        self.transaction(&mut [Operation::Write(&head), Operation::Write(bytes)])?;
        self.wait(PROGRAM_US, PROGRAM_POLL_US)
    }
}

impl<SPI, DELAY> ErrorType for FlashChip<SPI, DELAY> {
    type Error = ChipError;
}

impl<SPI: SpiDevice, DELAY: DelayNs> ReadNorFlash for FlashChip<SPI, DELAY> {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), ChipError> {
        check_read(self, offset, bytes.len()).map_err(ChipError::Address)?;
        self.settle()?;
        let head = Self::addressed(READ, offset);
        self.transaction(&mut [Operation::Write(&head), Operation::Read(bytes)])
    }

    fn capacity(&self) -> usize {
        self.capacity as usize
    }
}

impl<SPI: SpiDevice, DELAY: DelayNs> NorFlash for FlashChip<SPI, DELAY> {
    const WRITE_SIZE: usize = 1;
    const ERASE_SIZE: usize = SECTOR;

    /// Starts the erase of the last sector and returns while it runs; see [`FlashChip::is_busy`].
    fn erase(&mut self, from: u32, to: u32) -> Result<(), ChipError> {
        check_erase(self, from, to).map_err(ChipError::Address)?;
        for sector in (from..to).step_by(SECTOR) {
            self.settle()?;
            self.enable()?;
            self.write_all(&Self::addressed(ERASE_SECTOR, sector))?;
            self.erasing = true;
        }
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), ChipError> {
        check_write(self, offset, bytes.len()).map_err(ChipError::Address)?;
        self.settle()?;
        let (mut at, mut rest) = (offset, bytes);
        while !rest.is_empty() {
            let room = PAGE - (at as usize & (PAGE - 1));
            let (part, more) = rest.split_at_checked(room).unwrap_or((rest, &[]));
            self.program(at, part)?;
            at = at.saturating_add(part.len() as u32);
            rest = more;
        }
        Ok(())
    }
}
