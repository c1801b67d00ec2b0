//! Bytes of one exchange with the converter: what to send, and what came. Pure functions.
//! Whether a frame is new, stale or lost is [`super::monitor`]'s business.
//!
//! Words have 24 bits; commands, responses and checksums stand in the upper 16, zeros below.
//! The answer to a command comes in the first word of the next frame.

use super::registers::{Address, CHANNELS_MAX, CrcKind, Part};
use crc::{CRC_16_CMS, CRC_16_IBM_3740, Crc};

/// Bytes of a word.
pub const WORD_BYTES: usize = 3;

/// Bytes of the longest frame.
pub const FRAME_BYTES_MAX: usize = Part::M08.frame_bytes();

static CCITT: Crc<u16> = Crc::<u16>::new(&CRC_16_IBM_3740);
static ANSI: Crc<u16> = Crc::<u16>::new(&CRC_16_CMS);

/// The 16-bit checksum over whole words, padding included; starts from FFFFh.
pub fn checksum(kind: CrcKind, bytes: &[u8]) -> u16 {
    match kind {
        CrcKind::Ccitt => CCITT.checksum(bytes),
        CrcKind::Ansi => ANSI.checksum(bytes),
    }
}

/// A command; registers are read and written one at a time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Command {
    /// Nothing; answered by the status.
    Null,
    /// Back to the state after power-up; takes effect at the end of a whole frame.
    Reset,
    /// Stops conversions, keeps registers.
    Standby,
    /// Ends standby.
    Wakeup,
    /// Refuses writes until unlocked.
    Lock,
    /// Accepts writes again.
    Unlock,
    /// Reads a register.
    Read(Address),
    /// Writes a register.
    Write(Address, u16),
}

impl Command {
    /// The command word.
    pub const fn word(self) -> u16 {
        match self {
            Command::Null => 0x0000,
            Command::Reset => 0x0011,
            Command::Standby => 0x0022,
            Command::Wakeup => 0x0033,
            Command::Lock => 0x0555,
            Command::Unlock => 0x0655,
            Command::Read(address) => 0xA000 | (address.number() as u16) << 7,
            Command::Write(address, _) => 0x6000 | (address.number() as u16) << 7,
        }
    }

    /// The answer that says that a write was carried out.
    pub const fn write_answer(address: Address) -> u16 {
        0x4000 | (address.number() as u16) << 7
    }
}

/// The bytes that carry a command, with its checksum, zeros behind.
///
/// `N` is [`Part::frame_bytes`] of the part: 24 or 30. The checksum is always there: a part
/// that was not told to expect one ignores it.
pub fn command_frame<const N: usize>(command: Command, crc: CrcKind) -> [u8; N] {
    let mut message = [0u8; 3 * WORD_BYTES];
    let [c0, c1, _, d0, d1, ..] = &mut message;
    [*c0, *c1] = command.word().to_be_bytes();
    let words = match command {
        Command::Write(_, value) => {
            [*d0, *d1] = value.to_be_bytes();
            2
        }
        _ => 1,
    };
    let (covered, rest) = message.split_at_mut_checked(words * WORD_BYTES).unwrap_or_default();
    let sum = checksum(crc, covered).to_be_bytes();
    rest.iter_mut().zip(sum).for_each(|(to, from)| *to = from);
    let mut frame = [0u8; N];
    frame.iter_mut().zip(message).for_each(|(to, from)| *to = from);
    frame
}

/// One sample of every channel, as it came.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct ConverterFrame {
    /// Answer to the command of the frame before.
    pub response: u16,
    /// Counts in channel order, −8 388 608 to 8 388 607; zero for channels that do not exist.
    pub counts: [i32; CHANNELS_MAX],
}

/// Why bytes are no frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum FrameError {
    /// The buffer has not the length of a frame of this part.
    Length {
        /// Bytes that came.
        bytes: usize,
        /// Bytes of a frame.
        wanted: usize,
    },
    /// The checksum is wrong.
    Checksum {
        /// Checksum in the frame.
        received: u16,
        /// Checksum of the frame.
        computed: u16,
    },
    /// Bits that are always zero are set: words are shifted or have another length.
    Padding,
}

impl core::fmt::Display for FrameError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            FrameError::Length { bytes, wanted } => {
                write!(f, "{bytes} bytes came where a frame has {wanted}: check which part is set")
            }
            FrameError::Checksum { received, computed } => write!(
                f,
                "checksum {received:04X}h should be {computed:04X}h: check SPI mode 1, clock rate and wiring"
            ),
            FrameError::Padding => {
                write!(f, "words are shifted: check chip select and SPI clock for missed edges")
            }
        }
    }
}

impl core::error::Error for FrameError {}

/// Reads the bytes of one exchange.
///
/// Every sample in an `Ok` frame is as the part sent it, as far as a 16-bit checksum can tell.
pub fn parse_frame(part: Part, crc: CrcKind, bytes: &[u8]) -> Result<ConverterFrame, FrameError> {
    let wanted = part.frame_bytes();
    let wrong_length = FrameError::Length { bytes: bytes.len(), wanted };
    if bytes.len() != wanted {
        return Err(wrong_length);
    }
    let (covered, [s0, s1, s2]) = bytes.split_last_chunk().ok_or(wrong_length)?;
    let received = u16::from_be_bytes([*s0, *s1]);
    let computed = checksum(crc, covered);
    if received != computed {
        return Err(FrameError::Checksum { received, computed });
    }
    let ([r0, r1, r2], data) = covered.split_first_chunk().ok_or(wrong_length)?;
    if *r2 != 0 || *s2 != 0 {
        return Err(FrameError::Padding);
    }
    let mut frame =
        ConverterFrame { response: u16::from_be_bytes([*r0, *r1]), counts: [0; CHANNELS_MAX] };
    let (words, _) = data.as_chunks::<WORD_BYTES>();
    for (count, [a, b, c]) in frame.counts.iter_mut().zip(words) {
        *count = i32::from_be_bytes([*a, *b, *c, 0]) >> 8;
    }
    Ok(frame)
}

/// A frame that brings a part of any word length to 24 bits without input checksum.
///
/// It writes the mode register; the bytes stand so that 16-, 24- and 32-bit words hold the same
/// command and value, and a write is carried out whatever its checksum. The register gets 0505h,
/// which the reset that must follow clears.
pub const ANY_LENGTH_FRAME: [u8; FRAME_BYTES_MAX] = {
    let mut frame = [0u8; FRAME_BYTES_MAX];
    let [b0, _, b2, b3, b4, b5, ..] = &mut frame;
    *b0 = 0x61;
    *b2 = 0x05;
    *b3 = 0x05;
    *b4 = 0x05;
    *b5 = 0x05;
    frame
};

#[cfg(test)]
mod tests {
    use super::*;

    fn words(response: u16, counts: &[u32]) -> Vec<u8> {
        let mut bytes = vec![(response >> 8) as u8, response as u8, 0];
        for c in counts {
            bytes.extend_from_slice(&c.to_be_bytes()[1..]);
        }
        bytes
    }

    const SAMPLES: [u32; 8] =
        [0x000001, 0x7FFFFF, 0x800000, 0xFFFFFF, 0x123456, 0xEDCBA9, 0x000100, 0x400000];

    /// Check values of the two algorithms: the catalogue of parametrised CRC algorithms,
    /// CRC-16/IBM-3740 and CRC-16/CMS. The others were computed apart from this code, bit by bit
    /// from the polynomials and the seed of SBAS950B section 8.3.12.
    #[test]
    fn checksums_of_known_messages() {
        use CrcKind::{Ansi, Ccitt};
        assert_eq!(checksum(Ccitt, b"123456789"), 0x29B1);
        assert_eq!(checksum(Ansi, b"123456789"), 0xAEE7);
        let m08 = |response, kind| checksum(kind, &words(response, &[0; 8]));
        let m06 = |response, kind| checksum(kind, &words(response, &[0; 6]));
        assert_eq!(m08(0x0500, Ccitt), 0x38AD);
        assert_eq!((m08(0x05FF, Ccitt), m08(0x05FF, Ansi)), (0x5050, 0x00D1));
        assert_eq!(m08(0xFF28, Ccitt), 0x95E4);
        assert_eq!(m06(0x0500, Ccitt), 0x8594);
        assert_eq!((m06(0x053F, Ccitt), m06(0x053F, Ansi)), (0x0DC1, 0xE799));
        assert_eq!(m06(0xFF26, Ccitt), 0x34CF);
        let full = words(0x05FF, &SAMPLES);
        assert_eq!((checksum(Ccitt, &full), checksum(Ansi, &full)), (0xBE08, 0x71CB));
        let full = words(0x053F, &SAMPLES[..6]);
        assert_eq!((checksum(Ccitt, &full), checksum(Ansi, &full)), (0xF7EB, 0xA0D5));
    }

    #[test]
    fn commands_as_the_data_sheet_lists_them() {
        let m = |n| Address::new(n);
        let table = [
            (Command::Null, 0x0000),
            (Command::Reset, 0x0011),
            (Command::Standby, 0x0022),
            (Command::Wakeup, 0x0033),
            (Command::Lock, 0x0555),
            (Command::Unlock, 0x0655),
            (Command::Read(Address::ID), 0xA000),
            (Command::Read(Address::STATUS), 0xA080),
            (Command::Read(Address::MODE), 0xA100),
            (Command::Read(Address::CLOCK), 0xA180),
            (Command::Write(Address::MODE, 0), 0x6100),
            (Command::Write(Address::CLOCK, 0), 0x6180),
            (Command::Write(Address::GAIN1, 0), 0x6200),
            (Command::Write(Address::GAIN2, 0), 0x6280),
            (Command::Write(Address::CFG, 0), 0x6300),
            (Command::Read(m(0x3E)), 0xBF00),
        ];
        for (command, word) in table {
            assert_eq!(command.word(), word, "{command:?}");
        }
        assert_eq!(Command::write_answer(Address::CLOCK), 0x4180);
    }

    #[test]
    fn frames_to_send_carry_their_checksum() {
        let start = |command| {
            let f: [u8; 30] = command_frame(command, CrcKind::Ccitt);
            assert!(f[9..].iter().all(|b| *b == 0));
            let short: [u8; 24] = command_frame(command, CrcKind::Ccitt);
            assert_eq!(f[..24], short);
            [f[0], f[1], f[2], f[3], f[4], f[5], f[6], f[7], f[8]]
        };
        assert_eq!(start(Command::Null), [0, 0, 0, 0xCC, 0x9C, 0, 0, 0, 0]);
        assert_eq!(start(Command::Reset), [0, 0x11, 0, 0xFC, 0xDE, 0, 0, 0, 0]);
        let status = Command::Read(Address::STATUS);
        assert_eq!(start(status), [0xA0, 0x80, 0, 0x6A, 0x98, 0, 0, 0, 0]);
        let write = Command::Write(Address::CLOCK, 0xFF0A);
        assert_eq!(start(write), [0x61, 0x80, 0, 0xFF, 0x0A, 0, 0x16, 0xD0, 0]);
    }

    fn sealed(mut bytes: Vec<u8>, kind: CrcKind) -> Vec<u8> {
        let [a, b] = checksum(kind, &bytes).to_be_bytes();
        bytes.extend([a, b, 0]);
        bytes
    }

    #[test]
    fn samples_keep_their_sign() {
        for kind in [CrcKind::Ccitt, CrcKind::Ansi] {
            let f = parse_frame(Part::M08, kind, &sealed(words(0x05FF, &SAMPLES), kind));
            let counts = [1, 0x7F_FFFF, -0x80_0000, -1, 0x12_3456, -0x12_3457, 0x100, 0x40_0000];
            assert_eq!(f, Ok(ConverterFrame { response: 0x05FF, counts }));
            let f = parse_frame(Part::M06, kind, &sealed(words(0x053F, &SAMPLES[..6]), kind));
            let mut six = counts;
            six[6..].fill(0);
            assert_eq!(f, Ok(ConverterFrame { response: 0x053F, counts: six }));
        }
    }

    #[test]
    fn damage_is_refused() {
        for part in [Part::M06, Part::M08] {
            for kind in [CrcKind::Ccitt, CrcKind::Ansi] {
                let good = sealed(words(0x05FF, &SAMPLES[..part.channels()]), kind);
                assert!(parse_frame(part, kind, &good).is_ok());
                let bits = good.len() * 8;
                // A 16-bit CRC finds every error of one bit, of two bits at this length, and
                // every burst of at most 16 bits.
                for a in 0..bits {
                    for b in a..bits {
                        let mut bad = good.clone();
                        bad[a / 8] ^= 0x80 >> (a % 8);
                        if a != b {
                            bad[b / 8] ^= 0x80 >> (b % 8);
                        }
                        assert!(parse_frame(part, kind, &bad).is_err(), "{part:?} {a} {b}");
                    }
                }
                let wanted = part.frame_bytes();
                for bytes in [&good[..wanted - 1], &[]] {
                    let error = FrameError::Length { bytes: bytes.len(), wanted };
                    assert_eq!(parse_frame(part, kind, bytes), Err(error));
                }
                // A line that never moves is no frame.
                for level in [0x00, 0xFF] {
                    assert!(parse_frame(part, kind, &vec![level; wanted]).is_err());
                }
            }
        }
    }

    #[test]
    fn one_frame_reads_the_same_in_every_word_length() {
        for bytes in [2, 3, 4] {
            let words: Vec<u16> = ANY_LENGTH_FRAME
                .chunks(bytes)
                .take(2)
                .map(|w| u16::from_be_bytes([w[0], w[1]]))
                .collect();
            assert_eq!(words, [0x6100, 0x0505]);
        }
    }
}
