//! Starts the converter and reads it over `embedded-hal`: SPI, data ready, and the reset line.
//! What frames mean is [`super::monitor`]'s business; boards with DMA take that part out.
//!
//! SPI mode 1, up to 25 MHz (15.6 MHz with a supply of 1.65 to 2 V); best noise when its clock
//! is derived from the converter's (SBAS950B sections 6.6 and 8.3.5).

use super::frames::{
    ANY_LENGTH_FRAME, Command, ConverterFrame, FRAME_BYTES_MAX, FrameError, command_frame,
    parse_frame,
};
use super::monitor::{Events, Monitor};
use super::registers::{Address, CrcKind, Part, Status, WordLength};
use super::setup::{Setup, SetupError};
use embedded_hal::delay::DelayNs;
use embedded_hal::digital::{InputPin, OutputPin};
use embedded_hal::spi::{Error as _, ErrorKind, SpiDevice};

/// Time to wait after an exchange before data ready is looked at, in microseconds.
///
/// Between two stored samples data ready may be high for four clocks, 0.5 µs at 8.192 MHz.
pub const PIN_SETTLE_US: u32 = 1;

/// Clocks of a low level on SYNC/RESET that reset the part (SBAS950B section 6.6).
const RESET_CLOCKS: u32 = 2048;

/// Time from power to the first conversion, doubled (0.25 ms typical, SBAS950B section 6.7).
const POWER_UP_US: u32 = 500;

/// Wait after a reset before talking, doubled (5 µs typical, SBAS950B section 6.6).
const RESET_WAIT_US: u32 = 10;

/// Why the converter did not start.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StartError {
    /// The setup asks for what the part cannot do.
    Setup(SetupError),
    /// The SPI port failed.
    Spi(ErrorKind),
    /// A pin failed.
    Pin,
    /// The line from the converter never moved.
    NoReply,
    /// What came is no frame of this family.
    Damaged(FrameError),
    /// Another part answered.
    WrongPart {
        /// The part that was set.
        wanted: Part,
        /// Identity register of the part that is there.
        id: u16,
    },
    /// A command got another answer than it should.
    Refused {
        /// The command word.
        command: u16,
        /// The answer.
        answer: u16,
    },
    /// A register does not hold what was written.
    ReadBack {
        /// The register.
        address: Address,
        /// Value written.
        written: u16,
        /// Value read.
        read: u16,
    },
    /// Flags are standing that should be clear.
    NotClean {
        /// The status register.
        status: u16,
    },
    /// Data ready never fell.
    NoData,
}

impl core::fmt::Display for StartError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            StartError::Setup(e) => e.fmt(f),
            StartError::Spi(kind) => write!(f, "SPI port of the converter: {kind}"),
            StartError::Pin => write!(f, "a pin of the converter could not be read or set"),
            StartError::NoReply => write!(
                f,
                "the converter does not answer: check its supply, chip select, SPI clock and DOUT"
            ),
            StartError::Damaged(e) => write!(f, "the converter answers garbled: {e}"),
            StartError::WrongPart { wanted, id } => write!(
                f,
                "converter with identity {id:04X}h found where one of {} channels is set: check which part is fitted",
                wanted.channels()
            ),
            StartError::Refused { command, answer } => write!(
                f,
                "the converter answered {answer:04X}h to command {command:04X}h: check DIN and the SPI clock"
            ),
            StartError::ReadBack { address, written, read } => write!(
                f,
                "converter register {address} holds {read:04X}h after {written:04X}h was written: check DIN and the supply"
            ),
            StartError::NotClean { status } => write!(
                f,
                "converter status {status:04X}h after configuration: check the SPI and SYNC/RESET lines for noise"
            ),
            StartError::NoData => write!(
                f,
                "data ready of the converter never fell: check its clock or crystal, and that line"
            ),
        }
    }
}

impl core::error::Error for StartError {}

impl From<SetupError> for StartError {
    fn from(e: SetupError) -> Self {
        StartError::Setup(e)
    }
}

/// Why an exchange could not be made.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ServiceError {
    /// [`Converter::start`] has not succeeded yet.
    NotStarted,
    /// The SPI port failed.
    Spi(ErrorKind),
    /// Data ready could not be read.
    Pin,
}

impl core::fmt::Display for ServiceError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            ServiceError::NotStarted => write!(f, "the converter is not started: start it first"),
            ServiceError::Spi(kind) => write!(f, "SPI port of the converter: {kind}"),
            ServiceError::Pin => write!(f, "data ready of the converter could not be read"),
        }
    }
}

impl core::error::Error for ServiceError {}

/// What was found at the start.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Found {
    /// The part.
    pub part: Part,
    /// Its revision; varies between lots.
    pub revision: u8,
    /// Its checksum over the registers as configured.
    pub map_crc: u16,
}

/// The converter on an SPI port, with its data-ready and reset lines.
#[derive(Debug)]
pub struct Converter<SPI, READY, RESET, DELAY> {
    spi: SPI,
    ready: READY,
    reset: Option<RESET>,
    delay: DELAY,
    setup: Setup,
    monitor: Option<Monitor>,
}

impl<SPI, READY, RESET, DELAY> Converter<SPI, READY, RESET, DELAY>
where
    SPI: SpiDevice,
    READY: InputPin,
    RESET: OutputPin,
    DELAY: DelayNs,
{
    /// Takes the port and the lines; nothing is sent before [`Converter::start`].
    ///
    /// Without a reset line (`None`, the pin tied high) the part is reset by command.
    pub fn new(spi: SPI, ready: READY, reset: Option<RESET>, delay: DELAY, setup: Setup) -> Self {
        Converter { spi, ready, reset, delay, setup, monitor: None }
    }

    /// Resets the part, makes sure who it is, configures it, and waits for the first sample.
    ///
    /// Takes about 15 ms. To be called again after [`super::Event::NeedsRestart`]: the frames
    /// lost meanwhile are counted, rounded to whole periods because sampling starts afresh.
    pub fn start(&mut self) -> Result<Found, StartError> {
        self.setup.check()?;
        self.reset_part()?;
        let id = self.identify()?;
        self.configure()?;
        self.clear_status()?;
        let map_crc = self.read(Address::MAP_CRC)?;
        self.wait_for_data()?;
        match &mut self.monitor {
            Some(monitor) => monitor.resume(map_crc),
            none => *none = Some(Monitor::new(&self.setup, map_crc)),
        }
        Ok(Found { part: self.setup.part, revision: id as u8, map_crc })
    }

    /// Whether a sample is waiting, by the level of data ready.
    pub fn is_ready(&mut self) -> Result<bool, ServiceError> {
        self.ready.is_low().map_err(|_| ServiceError::Pin)
    }

    /// Reads what is waiting after an edge of data ready; to be called once an edge.
    ///
    /// `edge_ns` is the time of the edge and `clock` gives the present time, both in nanoseconds
    /// on one clock that never goes back. A read that ends later than 7/8 of a period after the
    /// edge, less the spread of phase settings, loses the sample, which is reported.
    pub fn service(
        &mut self,
        edge_ns: u64,
        clock: impl Fn() -> u64,
    ) -> Result<Events, ServiceError> {
        let monitor = self.monitor.as_mut().ok_or(ServiceError::NotStarted)?;
        let mut events = Events::new();
        loop {
            let sent = monitor.frame_to_send();
            let mut came = [0u8; FRAME_BYTES_MAX];
            let bytes = monitor.frame_bytes();
            let (tx, rx) =
                (sent.get(..bytes).unwrap_or(&[]), came.get_mut(..bytes).unwrap_or(&mut []));
            if let Err(e) = self.spi.transfer(rx, tx) {
                monitor.exchange_failed();
                return Err(ServiceError::Spi(e.kind()));
            }
            self.delay.delay_us(PIN_SETTLE_US);
            let Ok(still_ready) = self.ready.is_low() else {
                monitor.exchange_failed();
                return Err(ServiceError::Pin);
            };
            let taken = monitor.take(rx, edge_ns, clock(), still_ready);
            for event in taken.events {
                // At most a loss, a frame and a reason come from one edge.
                let _ = events.push(event);
            }
            if !taken.read_again {
                return Ok(events);
            }
        }
    }

    /// Looks for silence of data ready; see [`Monitor::check`].
    pub fn check(&mut self, now_ns: u64) -> Option<super::Reason> {
        self.monitor.as_mut().and_then(|m| m.check(now_ns))
    }

    /// What the converter was told.
    pub const fn setup(&self) -> &Setup {
        &self.setup
    }

    /// Gives everything back, with the monitor if the converter was started.
    pub fn into_parts(self) -> (SPI, READY, Option<RESET>, DELAY, Option<Monitor>) {
        (self.spi, self.ready, self.reset, self.delay, self.monitor)
    }

    /// Puts taken-apart pieces together again, to start over after a reason to do so.
    pub fn from_parts(
        (spi, ready, reset, delay, monitor): (SPI, READY, Option<RESET>, DELAY, Option<Monitor>),
        setup: Setup,
    ) -> Self {
        Converter { spi, ready, reset, delay, setup, monitor }
    }

    /// Brings the part to its state after power-up, whatever it was doing.
    fn reset_part(&mut self) -> Result<(), StartError> {
        self.delay.delay_us(POWER_UP_US);
        if let Some(reset) = &mut self.reset {
            let low_us = self.setup.clocks_ns(RESET_CLOCKS).div_ceil(1000) as u32;
            reset.set_low().map_err(|_| StartError::Pin)?;
            self.delay.delay_us(low_us.saturating_add(low_us / 4));
            reset.set_high().map_err(|_| StartError::Pin)?;
        } else {
            // It may be locked, expect checksums of either kind, or words of another length.
            for kind in [CrcKind::Ccitt, CrcKind::Ansi] {
                self.exchange_raw(&command_frame(Command::Unlock, kind))?;
            }
            self.exchange_raw(&ANY_LENGTH_FRAME)?;
            self.exchange_raw(&command_frame(Command::Reset, CrcKind::Ccitt))?;
        }
        self.delay.delay_us(RESET_WAIT_US);
        Ok(())
    }

    /// Reads the identity with frames long enough for either part.
    fn identify(&mut self) -> Result<u16, StartError> {
        self.exchange_raw(&command_frame(Command::Read(Address::ID), CrcKind::Ccitt))?;
        let came = self.exchange_raw(&command_frame(Command::Null, CrcKind::Ccitt))?;
        let [first, ..] = came;
        if came.iter().all(|b| *b == first) && matches!(first, 0x00 | 0xFF) {
            return Err(StartError::NoReply);
        }
        let wanted = self.setup.part;
        let parsed = |part: Part| {
            parse_frame(part, CrcKind::Ccitt, came.get(..part.frame_bytes()).unwrap_or(&[]))
        };
        let id = match (parsed(Part::M06), parsed(Part::M08)) {
            (Ok(f), _) | (_, Ok(f)) => f.response,
            (Err(six), Err(eight)) => {
                return Err(StartError::Damaged(if wanted == Part::M06 { six } else { eight }));
            }
        };
        if Part::from_id(id) == Some(wanted) {
            Ok(id)
        } else {
            Err(StartError::WrongPart { wanted, id })
        }
    }

    /// Writes every register with the channels off, reads all back, and switches channels on.
    fn configure(&mut self) -> Result<(), StartError> {
        let setup = self.setup;
        let off = setup.clock(0).bits();
        self.write(CrcKind::Ccitt, Address::CLOCK, off)?;
        // The polynomial may change within this very frame: its answer is left unread.
        let mode = setup.mode().bits();
        self.exchange_raw(&command_frame(Command::Write(Address::MODE, mode), CrcKind::Ccitt))?;
        let answer = self.exchange(Command::Null)?;
        expect(Command::Write(Address::MODE, mode), answer, Command::write_answer(Address::MODE))?;
        for (address, value) in setup.registers() {
            self.write(setup.crc, address, value)?;
        }
        let fixed = [(Address::CLOCK, off), (Address::MODE, mode)];
        for (address, value) in fixed.into_iter().chain(setup.registers()) {
            self.compare(address, value)?;
        }
        let on = setup.clock(setup.enabled()).bits();
        self.write(setup.crc, Address::CLOCK, on)?;
        self.compare(Address::CLOCK, on)
    }

    /// Reads the flags away that configuration raised, and makes sure that they stay away.
    fn clear_status(&mut self) -> Result<(), StartError> {
        let loop_ns = self.setup.clocks_ns(self.setup.part.map_crc_clocks());
        self.delay.delay_us((2 * loop_ns).div_ceil(1000) as u32);
        self.read(Address::STATUS)?;
        self.exchange(Command::Null)?;
        let status = Status(self.read(Address::STATUS)?);
        let clean = !status.was_reset()
            && !status.locked()
            && !status.resynced()
            && !status.map_changed()
            && !status.input_crc_error()
            && status.crc() == self.setup.crc
            && status.word_length() == WordLength::Bits24;
        if clean { Ok(()) } else { Err(StartError::NotClean { status: status.0 }) }
    }

    /// Waits until data ready is low, for at most the time of a few unread samples.
    fn wait_for_data(&mut self) -> Result<(), StartError> {
        let period_us = self.setup.period_ns().div_ceil(1000);
        for _ in 0..16 * 8 {
            if self.ready.is_low().map_err(|_| StartError::Pin)? {
                return Ok(());
            }
            self.delay.delay_us((period_us / 8).max(1) as u32);
        }
        Err(StartError::NoData)
    }

    fn write(&mut self, crc: CrcKind, address: Address, value: u16) -> Result<(), StartError> {
        let command = Command::Write(address, value);
        self.exchange_with(command, crc)?;
        let answer = self.exchange_with(Command::Null, crc)?.response;
        expect(command, answer, Command::write_answer(address))
    }

    fn read(&mut self, address: Address) -> Result<u16, StartError> {
        self.exchange(Command::Read(address))?;
        self.exchange(Command::Null)
    }

    fn compare(&mut self, address: Address, written: u16) -> Result<(), StartError> {
        let read = self.read(address)?;
        let same = (read ^ written) & self.setup.compared(address) == 0;
        if same { Ok(()) } else { Err(StartError::ReadBack { address, written, read }) }
    }

    /// Sends a command; gives the answer to the one before.
    fn exchange(&mut self, command: Command) -> Result<u16, StartError> {
        Ok(self.exchange_with(command, self.setup.crc)?.response)
    }

    fn exchange_with(
        &mut self,
        command: Command,
        crc: CrcKind,
    ) -> Result<ConverterFrame, StartError> {
        let part = self.setup.part;
        let sent: [u8; FRAME_BYTES_MAX] = command_frame(command, crc);
        let mut came = [0u8; FRAME_BYTES_MAX];
        let bytes = part.frame_bytes();
        let (tx, rx) = (sent.get(..bytes).unwrap_or(&[]), came.get_mut(..bytes).unwrap_or(&mut []));
        self.spi.transfer(rx, tx).map_err(|e| StartError::Spi(e.kind()))?;
        parse_frame(part, crc, rx).map_err(StartError::Damaged)
    }

    fn exchange_raw(
        &mut self,
        sent: &[u8; FRAME_BYTES_MAX],
    ) -> Result<[u8; FRAME_BYTES_MAX], StartError> {
        let mut came = [0u8; FRAME_BYTES_MAX];
        self.spi.transfer(&mut came, sent).map_err(|e| StartError::Spi(e.kind()))?;
        Ok(came)
    }
}

fn expect(command: Command, answer: u16, wanted: u16) -> Result<(), StartError> {
    if answer == wanted {
        Ok(())
    } else {
        Err(StartError::Refused { command: command.word(), answer })
    }
}
