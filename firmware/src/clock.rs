//! The battery-backed clock on I2C: a Maxim/ADI DS3231 or one with the same registers.
//! Time in and out as Unix milliseconds; what quality it has is the node's business.
//!
//! The register map was taken from data sheet 19-5170 and drivers, not read in print: a node
//! with another chip should be tried before it is trusted. The chip counts every fourth year as
//! a leap year, which is right from 2000 to the end of February 2100.

use embedded_hal::i2c::{Error as _, ErrorKind, I2c};

/// Address of the chip, seven bits.
pub const ADDRESS: u8 = 0x68;

/// First second that the clock can hold: 2000-01-01, Unix time.
pub const FIRST_S: u64 = 946_684_800;

/// Second after the last one that the clock can hold: 2100-03-01, Unix time.
pub const END_S: u64 = 4_107_542_400;

const CONTROL: u8 = 0x0E;
const TEMPERATURE: u8 = 0x11;
const STOPPED: u8 = 0x80;
const DAYS_IN_FOUR_YEARS: u32 = 1461;

/// Days before each month, in a year that is no leap year.
const DAYS_BEFORE: [u16; 12] = [0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334];

/// Why the clock could not be read or set.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ClockError {
    /// The chip did not answer, or the bus is held.
    Bus(ErrorKind),
    /// A register does not hold digits of a time.
    Digits {
        /// Address of the register.
        register: u8,
        /// What it holds.
        value: u8,
    },
    /// A time that the clock cannot hold.
    Range {
        /// The time, in Unix seconds.
        unix_s: u64,
    },
    /// The clock does not hold what was written.
    NotKept {
        /// Time written, in Unix seconds.
        written_s: u64,
    },
}

impl core::fmt::Display for ClockError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            ClockError::Bus(kind) => {
                write!(f, "clock chip: {kind}: check SDA, SCL, their pull-ups and the supply")
            }
            ClockError::Digits { register, value } => write!(
                f,
                "clock register {register:02X}h holds {value:02X}h, which is no time: set the clock"
            ),
            ClockError::Range { unix_s } => write!(
                f,
                "{unix_s} s is outside 2000 to February 2100, which the clock can hold: set the clock"
            ),
            ClockError::NotKept { written_s } => {
                write!(f, "the clock does not keep {written_s} s: check its battery and supply")
            }
        }
    }
}

impl core::error::Error for ClockError {}

/// What is known when waiting for the turn of a second.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Turn {
    /// The clock had stopped: its time means nothing until it is set.
    Invalid,
    /// The second of the call before is still running.
    Waiting,
    /// This second has begun since the call before, in Unix milliseconds.
    At(u64),
}

/// The clock chip on its bus.
#[derive(Debug)]
pub struct ClockChip<I2C> {
    i2c: I2C,
    last_s: Option<u64>,
}

impl<I2C: I2c> ClockChip<I2C> {
    /// Takes the bus; nothing is sent.
    pub const fn new(i2c: I2C) -> Self {
        ClockChip { i2c, last_s: None }
    }

    /// Gives the bus back.
    pub fn release(self) -> I2C {
        self.i2c
    }

    /// The time in Unix milliseconds, at the beginning of the running second.
    ///
    /// `None` when the oscillator has stood still since the clock was set (battery empty or
    /// removed): the registers then hold a time, but a wrong one. Up to a second late; for
    /// better, see [`ClockChip::turn`].
    pub fn read(&mut self) -> Result<Option<u64>, ClockError> {
        Ok(self.read_s()?.map(|s| s * 1000))
    }

    /// Looks whether a new second has begun; to be called every millisecond or so.
    ///
    /// The time is then as exact as the calls are frequent.
    pub fn turn(&mut self) -> Result<Turn, ClockError> {
        let Some(now_s) = self.read_s()? else {
            self.last_s = None;
            return Ok(Turn::Invalid);
        };
        match self.last_s.replace(now_s) {
            Some(last_s) if last_s != now_s => Ok(Turn::At(now_s * 1000)),
            _ => Ok(Turn::Waiting),
        }
    }

    /// Sets the clock to the nearest second, starts it, and makes sure that it kept the time.
    ///
    /// Returns how many milliseconds the clock is then ahead of the time asked for, −500 to 500;
    /// call at the turn of a second to make that nothing.
    pub fn write(&mut self, unix_ms: u64) -> Result<i16, ClockError> {
        let written_s = unix_ms.saturating_add(500) / 1000;
        let [s, min, h, weekday, day, month, year] = encode(written_s)?;
        self.send(&[0x00, s, min, h, weekday, day, month, year])?;
        // The flag that the clock stood still goes only after the time is right.
        let mut control = [0u8; 2];
        self.fetch(CONTROL, &mut control)?;
        let [control, status] = control;
        self.send(&[CONTROL, control & 0x5F, status & !STOPPED])?;
        self.last_s = None;
        match self.read_s()? {
            Some(read_s) if read_s == written_s || read_s == written_s + 1 => {
                Ok((written_s * 1000).wrapping_sub(unix_ms) as i16)
            }
            _ => Err(ClockError::NotKept { written_s }),
        }
    }

    /// Temperature of the chip in quarters of a degree Celsius, within ±3 °C.
    pub fn temperature_quarters(&mut self) -> Result<i16, ClockError> {
        let mut bytes = [0u8; 2];
        self.fetch(TEMPERATURE, &mut bytes)?;
        Ok(i16::from_be_bytes(bytes) >> 6)
    }

    /// Time and status in one transfer: the chip holds them still from its start.
    fn read_s(&mut self) -> Result<Option<u64>, ClockError> {
        let mut bytes = [0u8; 16];
        self.fetch(0x00, &mut bytes)?;
        let [s, min, h, weekday, day, month, year, .., status] = bytes;
        if status & STOPPED != 0 {
            return Ok(None);
        }
        decode([s, min, h, weekday, day, month, year]).map(Some)
    }

    fn fetch(&mut self, from: u8, into: &mut [u8]) -> Result<(), ClockError> {
        self.i2c.write_read(ADDRESS, &[from], into).map_err(|e| ClockError::Bus(e.kind()))
    }

    fn send(&mut self, bytes: &[u8]) -> Result<(), ClockError> {
        self.i2c.write(ADDRESS, bytes).map_err(|e| ClockError::Bus(e.kind()))
    }
}

/// A day of the calendar.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Date {
    /// 2000 to 2100.
    pub year: u16,
    /// 1 to 12.
    pub month: u8,
    /// 1 to 31.
    pub day: u8,
}

impl Date {
    /// Days since 2000-01-01; `None` for a day that does not exist or lies beyond February 2100.
    pub fn days(self) -> Option<u32> {
        let years = u32::from(self.year.checked_sub(2000)?);
        let index = usize::from(self.month.checked_sub(1)?);
        let before = u32::from(*DAYS_BEFORE.get(index)?);
        let leap_year = years.is_multiple_of(4);
        let length = match self.month {
            2 => 28 + u8::from(leap_year && years < 100),
            4 | 6 | 9 | 11 => 30,
            _ => 31,
        };
        let in_range = years < 100 || (years == 100 && self.month <= 2);
        if !in_range || self.day == 0 || self.day > length {
            return None;
        }
        let leap_days = years.div_ceil(4) + u32::from(leap_year && self.month > 2);
        Some(365 * years + leap_days + before + u32::from(self.day) - 1)
    }

    /// The day so many days after 2000-01-01; right to the end of February 2100.
    pub fn from_days(days: u32) -> Date {
        let (fours, rest) = (days / DAYS_IN_FOUR_YEARS, days % DAYS_IN_FOUR_YEARS);
        // The first of four years has the leap day.
        let year = rest.saturating_sub(1) / 365;
        let of_year = if year == 0 { rest } else { rest - 1 - 365 * year };
        let leap = u32::from(year == 0);
        let start = |month: usize| {
            DAYS_BEFORE.get(month).map_or(u32::MAX, |d| u32::from(*d) + leap * u32::from(month > 1))
        };
        let month = (1..12).take_while(|m| start(*m) <= of_year).count();
        Date {
            year: (2000 + 4 * fours + year) as u16,
            month: month as u8 + 1,
            day: (of_year - start(month)) as u8 + 1,
        }
    }
}

/// The seven time registers for a Unix time, in 24-hour form, Monday as day 1.
pub fn encode(unix_s: u64) -> Result<[u8; 7], ClockError> {
    if !(FIRST_S..END_S).contains(&unix_s) {
        return Err(ClockError::Range { unix_s });
    }
    let (days, of_day) = ((unix_s - FIRST_S) / 86_400, (unix_s - FIRST_S) % 86_400);
    let date = Date::from_days(days as u32);
    let years = date.year - 2000;
    Ok([
        digits((of_day % 60) as u8),
        digits((of_day / 60 % 60) as u8),
        digits((of_day / 3600) as u8),
        // 2000-01-01 was a Saturday.
        ((days + 5) % 7) as u8 + 1,
        digits(date.day),
        digits(date.month) | u8::from(years >= 100) << 7,
        digits((years % 100) as u8),
    ])
}

/// The Unix time in the seven time registers; takes the 12-hour form as well.
pub fn decode(registers: [u8; 7]) -> Result<u64, ClockError> {
    let [s, min, h, weekday, day, month, year] = registers;
    let wrong = |register: u8, value: u8| ClockError::Digits { register, value };
    let two = |register: u8, value: u8, low: u8, high: u8| {
        let n = 10 * (value >> 4) + (value & 0x0F);
        let good = value & 0x0F <= 9 && value >> 4 <= 9 && (low..=high).contains(&n);
        if good { Ok(n) } else { Err(wrong(register, value)) }
    };
    let seconds = two(0x00, s, 0, 59)?;
    let minutes = two(0x01, min, 0, 59)?;
    let hours = match h & 0xC0 {
        0x00 => two(0x02, h, 0, 23)?,
        0x40 => two(0x02, h & 0x1F, 1, 12)? % 12 + if h & 0x20 != 0 { 12 } else { 0 },
        _ => return Err(wrong(0x02, h)),
    };
    two(0x03, weekday, 1, 7)?;
    let date = Date {
        day: two(0x04, day, 1, 31)?,
        month: two(0x05, month & 0x7F, 1, 12)?,
        year: 2000 + 100 * u16::from(month >> 7) + u16::from(two(0x06, year, 0, 99)?),
    };
    let beyond = ClockError::Range { unix_s: END_S };
    let days = date.days().ok_or(if date.year < 2100 { wrong(0x04, day) } else { beyond })?;
    let of_day = 3600 * u64::from(hours) + 60 * u64::from(minutes) + u64::from(seconds);
    Ok(FIRST_S + 86_400 * u64::from(days) + of_day)
}

/// Two decimal digits of a number below 100.
const fn digits(n: u8) -> u8 {
    ((n / 10) << 4) | (n % 10)
}
