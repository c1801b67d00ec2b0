//! The clock driver against a simulated chip, and its calendar against another way of counting.
//! Register map of the chip: Maxim/ADI data sheet 19-5170 as far as it is known from drivers.

use embedded_hal::i2c::{self, ErrorKind, I2c, NoAcknowledgeSource, Operation};
use wattless_node::clock::*;

/// A clock chip that counts in its registers as the real one does.
struct Chip {
    regs: [u8; 0x13],
    held: [u8; 7],
    pointer: usize,
    /// Transfers that are not acknowledged, from now on.
    deaf: usize,
    /// Seconds that pass after each byte read, to tear a reading apart.
    seconds_per_byte: u32,
    /// The time is not held during a transfer, as in a chip of another kind.
    torn: bool,
    /// Writes to the time registers are lost.
    worn: bool,
    running: bool,
}

impl Chip {
    /// As at first power: stopped flag set, 2000-01-01.
    fn new() -> Chip {
        let mut regs = [0; 0x13];
        (regs[3], regs[4], regs[5]) = (1, 1, 1);
        (regs[0x0E], regs[0x0F]) = (0x1C, 0x88);
        (regs[0x11], regs[0x12]) = (0x19, 0x40);
        Chip {
            regs,
            held: [0; 7],
            pointer: 0,
            deaf: 0,
            seconds_per_byte: 0,
            torn: false,
            worn: false,
            running: true,
        }
    }

    /// One second, digit by digit.
    fn tick(&mut self) {
        if !self.running {
            return;
        }
        let up = |value: &mut u8, last: u8, first: u8| {
            if *value >= last {
                *value = first;
                return true;
            }
            *value = if *value & 0x0F == 9 { (*value & 0xF0) + 0x10 } else { *value + 1 };
            false
        };
        let r = &mut self.regs;
        if !up(&mut r[0], 0x59, 0) || !up(&mut r[1], 0x59, 0) {
            return;
        }
        if r[2] & 0x40 == 0 {
            if !up(&mut r[2], 0x23, 0) {
                return;
            }
        } else {
            let mut hour = r[2] & 0x1F;
            let noon = hour == 0x11;
            up(&mut hour, 0x12, 1);
            let half = r[2] & 0x20 ^ if noon { 0x20 } else { 0 };
            r[2] = 0x40 | half | hour;
            if !(noon && half == 0) {
                return;
            }
        }
        r[3] = r[3] % 7 + 1;
        let year = 10 * (r[6] >> 4) + (r[6] & 0x0F);
        let last = match r[5] & 0x1F {
            0x02 if year.is_multiple_of(4) => 0x29,
            0x02 => 0x28,
            0x04 | 0x06 | 0x09 | 0x11 => 0x30,
            _ => 0x31,
        };
        if !up(&mut r[4], last, 1) {
            return;
        }
        let mut month = r[5] & 0x1F;
        let new_year = up(&mut month, 0x12, 1);
        r[5] = r[5] & 0x80 | month;
        if new_year && up(&mut r[6], 0x99, 0) {
            r[5] ^= 0x80;
        }
    }

    fn write(&mut self, byte: u8) {
        let p = self.pointer;
        match p {
            0x00..=0x06 if self.worn => {}
            // Flags can be cleared, never set.
            0x0F => {
                self.regs[p] = (self.regs[p] & byte & 0x83) | (byte & 0x08) | (self.regs[p] & 0x04)
            }
            0x11 | 0x12 => {}
            _ => self.regs[p] = byte,
        }
        self.pointer = (p + 1) % 0x13;
    }

    fn hold(&mut self) {
        self.held.copy_from_slice(&self.regs[..7]);
    }
}

impl i2c::ErrorType for Chip {
    type Error = ErrorKind;
}

impl I2c for Chip {
    fn transaction(&mut self, address: u8, ops: &mut [Operation<'_>]) -> Result<(), ErrorKind> {
        if address != 0x68 || self.deaf > 0 {
            self.deaf = self.deaf.saturating_sub(1);
            return Err(ErrorKind::NoAcknowledge(NoAcknowledgeSource::Address));
        }
        self.hold();
        for op in ops {
            match op {
                Operation::Write(bytes) => {
                    let (first, rest) = bytes.split_first().expect("a register address");
                    self.pointer = usize::from(*first) % 0x13;
                    rest.iter().for_each(|b| self.write(*b));
                }
                Operation::Read(bytes) => {
                    for b in bytes.iter_mut() {
                        let p = self.pointer;
                        *b = if p < 7 && !self.torn { self.held[p] } else { self.regs[p] };
                        self.pointer = (p + 1) % 0x13;
                        if self.pointer == 0 {
                            self.hold();
                        }
                        (0..self.seconds_per_byte).for_each(|_| self.tick());
                    }
                }
            }
        }
        Ok(())
    }
}

fn set_to(unix_s: u64) -> Chip {
    let mut clock = ClockChip::new(Chip::new());
    assert_eq!(clock.write(unix_s * 1000), Ok(0));
    clock.release()
}

/// Every day from 1970 on by the rule of the calendar (Gregorian, 1582), day by day.
fn each_day(mut f: impl FnMut(u64, (u16, u8, u8), u8)) {
    let (mut year, mut month, mut day) = (1970u16, 1u8, 1u8);
    // 1970-01-01 was a Thursday; Monday is 1.
    let mut weekday = 4;
    for n in 0u64.. {
        if year == 2100 && month == 3 {
            return;
        }
        f(n, (year, month, day), weekday);
        weekday = weekday % 7 + 1;
        let leap = (year % 4 == 0 && year % 100 != 0) || year % 400 == 0;
        let length = match month {
            2 => 28 + u8::from(leap),
            4 | 6 | 9 | 11 => 30,
            _ => 31,
        };
        day += 1;
        if day > length {
            (day, month) = (1, month + 1);
        }
        if month > 12 {
            (month, year) = (1, year + 1);
        }
    }
}

#[test]
fn every_day_of_the_range_both_ways() {
    let two = |n: u8| ((n / 10) << 4) | (n % 10);
    let mut days = 0;
    each_day(|n, (year, month, day), weekday| {
        if year < 2000 {
            assert!(encode(n * 86_400).is_err());
            return;
        }
        for of_day in [0, 43_261, 86_399] {
            let unix_s = n * 86_400 + of_day;
            let century = u8::from(year >= 2100) << 7;
            let regs = encode(unix_s).expect("in range");
            let date = [weekday, two(day), two(month) | century, two((year % 100) as u8)];
            assert_eq!(regs[3..], date, "{year}-{month}-{day}");
            assert_eq!(decode(regs), Ok(unix_s));
        }
        days += 1;
    });
    assert_eq!(days, 36_525 + 31 + 28);
    assert_eq!(encode(END_S - 1).map(|r| r[4..].to_vec()), Ok(vec![0x28, 0x82, 0x00]));
    assert_eq!(encode(END_S), Err(ClockError::Range { unix_s: END_S }));
}

/// Unix times that everybody knows; 2147483647 is the largest signed 32-bit one (IEEE Std 1003.1,
/// seconds since the Epoch).
#[test]
fn well_known_moments() {
    for (unix_s, regs) in [
        (946_684_800, [0x00, 0x00, 0x00, 6, 0x01, 0x01, 0x00]),
        (1_000_000_000, [0x40, 0x46, 0x01, 7, 0x09, 0x09, 0x01]),
        (1_234_567_890, [0x30, 0x31, 0x23, 5, 0x13, 0x02, 0x09]),
        (1_709_164_800, [0x00, 0x00, 0x00, 4, 0x29, 0x02, 0x24]),
        (2_147_483_647, [0x07, 0x14, 0x03, 2, 0x19, 0x01, 0x38]),
        (4_102_444_800, [0x00, 0x00, 0x00, 5, 0x01, 0x81, 0x00]),
    ] {
        assert_eq!(encode(unix_s), Ok(regs), "{unix_s}");
        assert_eq!(decode(regs), Ok(unix_s));
    }
}

#[test]
fn the_twelve_hour_form_is_understood() {
    for hour in 0..24u8 {
        let h = match hour % 12 {
            0 => 0x12,
            n => ((n / 10) << 4) | (n % 10),
        };
        let twelve = 0x40 | if hour >= 12 { 0x20 } else { 0 } | h;
        let at = decode([0x30, 0x59, twelve, 1, 0x01, 0x01, 0x20]).expect("a time");
        assert_eq!(at, 1_577_836_800 + u64::from(hour) * 3600 + 59 * 60 + 30);
    }
}

#[test]
fn registers_that_are_no_time_are_refused() {
    let good = [0x59, 0x59, 0x23, 7, 0x31, 0x12, 0x99];
    assert!(decode(good).is_ok());
    // Each register alone with every value: accepted are exactly the numbers that exist.
    let accepted = |register: usize| {
        (0..=255u8)
            .filter(|v| {
                let mut regs = [0x00, 0x00, 0x00, 1, 0x01, 0x01, 0x00];
                regs[register] = *v;
                match decode(regs) {
                    Ok(_) => true,
                    Err(ClockError::Digits { register: r, value }) => {
                        assert!(usize::from(r) == register && value & 0x1F == *v & 0x1F);
                        false
                    }
                    Err(ClockError::Range { .. }) => false,
                    Err(e) => panic!("{e}"),
                }
            })
            .count()
    };
    let counts: Vec<usize> = (0..7).map(accepted).collect();
    // Hours: 24, and twice twelve in the other form. Months: twelve, and two of 2100.
    assert_eq!(counts, [60, 60, 48, 7, 31, 14, 100]);
    for (day, month, year) in [(0x30, 0x02, 0x24), (0x29, 0x02, 0x23), (0x31, 0x04, 0x25)] {
        let e = decode([0, 0, 0, 1, day, month, year]);
        assert_eq!(e, Err(ClockError::Digits { register: 4, value: day }));
    }
    let leap_day_2100 = decode([0, 0, 0, 1, 0x29, 0x82, 0x00]);
    assert_eq!(leap_day_2100, Err(ClockError::Range { unix_s: END_S }));
}

#[test]
fn a_clock_that_stood_still_has_no_time() {
    let mut clock = ClockChip::new(Chip::new());
    assert_eq!(clock.read(), Ok(None));
    assert_eq!(clock.turn(), Ok(Turn::Invalid));
    assert_eq!(clock.write(1_800_000_000_000), Ok(0));
    assert_eq!(clock.read(), Ok(Some(1_800_000_000_000)));
    let mut chip = clock.release();
    assert_eq!(chip.regs[0x0E] & 0x80, 0, "runs on the battery");
    assert_eq!(chip.regs[0x0F], 0x08, "only the flag was cleared");
    chip.regs[0x0F] |= 0x80;
    assert_eq!(ClockChip::new(chip).read(), Ok(None), "stood still again");
}

#[test]
fn the_nearest_second_is_set_and_the_rest_told() {
    for (ms, error) in [(0, 0), (1, -1), (499, -499), (500, 500), (999, 1)] {
        let mut clock = ClockChip::new(Chip::new());
        assert_eq!(clock.write(1_800_000_000_000 + ms), Ok(error));
        let at = 1_800_000_000_000 + ms as i64 + i64::from(error);
        assert_eq!(clock.read(), Ok(Some(at as u64)));
    }
    for ms in [0, 946_684_799_000, 4_107_542_400_000, u64::MAX] {
        assert!(matches!(ClockChip::new(Chip::new()).write(ms), Err(ClockError::Range { .. })));
    }
}

#[test]
fn the_chip_counts_on_through_every_kind_of_turn() {
    // Ends of months, leap days, years and the century, one second before each.
    for (unix_s, what) in [
        (1_709_164_799, "before a leap day"),
        (1_709_251_199, "after a leap day"),
        (1_735_689_599, "new year"),
        (1_740_787_199, "no leap day"),
        (4_102_444_799, "the century"),
        (4_107_542_398, "the last second"),
    ] {
        let mut chip = set_to(unix_s);
        chip.tick();
        assert_eq!(ClockChip::new(chip).read(), Ok(Some((unix_s + 1) * 1000)), "{what}");
    }
    // A day later the chip believes in a 29th of February 2100.
    let mut chip = set_to(END_S - 1);
    chip.tick();
    assert_eq!(ClockChip::new(chip).read(), Err(ClockError::Range { unix_s: END_S }));
}

#[test]
fn a_turn_within_the_reading_does_not_tear_it() {
    // 23:59:59 at the end of a year: a torn reading would be off by up to a year.
    let mut chip = set_to(1_767_225_599);
    chip.seconds_per_byte = 1;
    let mut clock = ClockChip::new(chip);
    assert_eq!(clock.read(), Ok(Some(1_767_225_599_000)));
    assert_eq!(clock.read(), Ok(Some(1_767_225_615_000)), "sixteen bytes, sixteen seconds later");
    // The hook works: without holding the reading would be wrong.
    let mut chip = set_to(1_767_225_599);
    (chip.seconds_per_byte, chip.torn) = (1, true);
    assert_ne!(ClockChip::new(chip).read(), Ok(Some(1_767_225_599_000)));
}

#[test]
fn the_turn_of_a_second_is_seen_once() {
    let mut clock = ClockChip::new(set_to(1_800_000_000));
    assert_eq!(clock.turn(), Ok(Turn::Waiting));
    assert_eq!(clock.turn(), Ok(Turn::Waiting));
    let mut chip = clock.release();
    chip.tick();
    let mut clock = ClockChip::new(chip);
    assert_eq!(clock.turn(), Ok(Turn::Waiting), "a new driver has nothing to compare with");
    // Time passes between the bytes of this reading; the next one sees the new second.
    let mut chip = clock.release();
    chip.seconds_per_byte = 1;
    let mut clock = ClockChip::new(chip);
    assert_eq!(clock.turn(), Ok(Turn::Waiting));
    assert_eq!(clock.turn(), Ok(Turn::At(1_800_000_017_000)));
}

#[test]
fn faults_are_named() {
    let mut chip = set_to(1_800_000_000);
    chip.deaf = 1;
    let mut clock = ClockChip::new(chip);
    let nack = ErrorKind::NoAcknowledge(NoAcknowledgeSource::Address);
    assert_eq!(clock.read(), Err(ClockError::Bus(nack)));
    assert!(ClockError::Bus(nack).to_string().contains("pull-ups"));
    assert_eq!(clock.read(), Ok(Some(1_800_000_000_000)), "and the next one works");

    let mut chip = set_to(1_800_000_000);
    chip.regs[1] = 0x6A;
    let e = ClockChip::new(chip).read();
    assert_eq!(e, Err(ClockError::Digits { register: 1, value: 0x6A }));

    let mut chip = Chip::new();
    chip.worn = true;
    let e = ClockChip::new(chip).write(1_800_000_000_000);
    assert_eq!(e, Err(ClockError::NotKept { written_s: 1_800_000_000 }));

    // A write that breaks off leaves the flag standing, so the half-set time is not believed.
    for deaf_from in 1..4 {
        let mut clock = ClockChip::new(Breaks { chip: Chip::new(), good: deaf_from });
        assert!(clock.write(1_800_000_000_000).is_err());
        let chip = clock.release().chip;
        let read = ClockChip::new(chip).read();
        assert!(matches!(read, Ok(None) | Ok(Some(1_800_000_000_000))), "{read:?}");
    }
}

#[test]
fn temperature_in_quarters() {
    let mut chip = Chip::new();
    assert_eq!(ClockChip::new(Chip::new()).temperature_quarters(), Ok(101));
    (chip.regs[0x11], chip.regs[0x12]) = (0xF5, 0xC0);
    assert_eq!(ClockChip::new(chip).temperature_quarters(), Ok(-41));
}

/// A bus that fails after some transfers.
struct Breaks {
    chip: Chip,
    good: usize,
}

impl i2c::ErrorType for Breaks {
    type Error = ErrorKind;
}

impl I2c for Breaks {
    fn transaction(&mut self, address: u8, ops: &mut [Operation<'_>]) -> Result<(), ErrorKind> {
        self.good = self.good.checked_sub(1).ok_or(ErrorKind::Bus)?;
        self.chip.transaction(address, ops)
    }
}
