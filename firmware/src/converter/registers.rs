//! The registers of the converter as typed values, one type a register.
//! Which values to write is [`super::setup`]'s business, how they travel [`super::frames`]'s.
//!
//! Source: data sheets SBAS950B and SBAS949A, register maps; SBASAF2 for the six-channel part.

/// Channels of the largest part.
pub const CHANNELS_MAX: usize = 8;

/// Which part of the family is fitted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Part {
    /// Six channels: ADS131M06.
    M06,
    /// Eight channels: ADS131M08.
    M08,
}

impl Part {
    /// Number of channels, 6 or 8.
    pub const fn channels(self) -> usize {
        match self {
            Part::M06 => 6,
            Part::M08 => 8,
        }
    }

    /// Words of a frame: the response, one word a channel, the CRC.
    pub const fn words(self) -> usize {
        self.channels() + 2
    }

    /// Bytes of a frame of 24-bit words, 24 or 30.
    pub const fn frame_bytes(self) -> usize {
        3 * self.words()
    }

    /// One bit for each channel that exists.
    pub const fn channel_mask(self) -> u8 {
        match self {
            Part::M06 => 0x3F,
            Part::M08 => 0xFF,
        }
    }

    /// The high byte of the identity register: 26h or 28h.
    pub const fn id_high(self) -> u8 {
        0x20 | self.channels() as u8
    }

    /// The part that an identity register belongs to; the revision in its low byte is ignored.
    pub const fn from_id(id: u16) -> Option<Part> {
        match id >> 8 {
            0x26 => Some(Part::M06),
            0x28 => Some(Part::M08),
            _ => None,
        }
    }

    /// Clocks of CLKIN that the part needs at most to notice a changed register by its own CRC.
    ///
    /// It works through the registers at one bit a clock, again and again; a change behind the
    /// running position shows after the following loop.
    pub const fn map_crc_clocks(self) -> u32 {
        2 * 16 * (2 + 5 + 5 * self.channels() as u32)
    }
}

/// Address of a register, 00h to 3Fh.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Address(u8);

impl Address {
    /// Identity, read only.
    pub const ID: Address = Address(0x00);
    /// Flags, read only: see [`Status`].
    pub const STATUS: Address = Address(0x01);
    /// Interface: see [`Mode`].
    pub const MODE: Address = Address(0x02);
    /// Channels, clock and rate: see [`Clock`].
    pub const CLOCK: Address = Address(0x03);
    /// Gains of channels 0 to 3.
    pub const GAIN1: Address = Address(0x04);
    /// Gains of channels 4 to 7.
    pub const GAIN2: Address = Address(0x05);
    /// Global chop and current detection.
    pub const CFG: Address = Address(0x06);
    /// High part of the threshold of current detection.
    pub const THRESHOLD_MSB: Address = Address(0x07);
    /// Low part of the threshold, and the corner of the DC block.
    pub const THRESHOLD_LSB: Address = Address(0x08);
    /// CRC over all registers that can be written, made by the part.
    pub const MAP_CRC: Address = Address(0x3E);

    /// An address; values beyond 3Fh are cut to six bits.
    pub const fn new(address: u8) -> Address {
        Address(address & 0x3F)
    }

    /// The first of the five registers of a channel: [`ChannelConfig`].
    pub const fn channel_config(channel: u8) -> Address {
        Address::new(0x09 + 5 * (channel & 7))
    }

    /// Upper 16 bits of a channel's [`OffsetCounts`]; the register behind it has the rest.
    pub const fn channel_offset(channel: u8) -> Address {
        Address::new(0x0A + 5 * (channel & 7))
    }

    /// Upper 16 bits of a channel's [`GainFactor`]; the register behind it has the rest.
    pub const fn channel_gain(channel: u8) -> Address {
        Address::new(0x0C + 5 * (channel & 7))
    }

    /// The address that follows.
    pub const fn next(self) -> Address {
        Address::new(self.0.wrapping_add(1))
    }

    /// The number, 00h to 3Fh.
    pub const fn number(self) -> u8 {
        self.0
    }
}

impl core::fmt::Display for Address {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        write!(f, "{:02X}h", self.0)
    }
}

/// Polynomial of the checksums in both directions and of the register CRC.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum CrcKind {
    /// x¹⁶ + x¹² + x⁵ + 1, as after a reset.
    #[default]
    Ccitt,
    /// x¹⁶ + x¹⁵ + x² + 1.
    Ansi,
}

/// Length of the words on the wire; this driver uses 24 bits and no other.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum WordLength {
    /// 16 bits, samples cut.
    Bits16,
    /// 24 bits, as after a reset.
    #[default]
    Bits24,
    /// 32 bits, zeros behind the sample.
    Bits32Padded,
    /// 32 bits, sign before the sample.
    Bits32Extended,
}

impl WordLength {
    const fn from_code(code: u16) -> WordLength {
        match code & 3 {
            0 => WordLength::Bits16,
            1 => WordLength::Bits24,
            2 => WordLength::Bits32Padded,
            _ => WordLength::Bits32Extended,
        }
    }
}

/// The status register: what the part says of itself in the first word of a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Status(pub u16);

impl Status {
    const fn bit(self, n: u16) -> bool {
        self.0 >> n & 1 == 1
    }

    /// The interface is locked: writes are ignored.
    pub const fn locked(self) -> bool {
        self.bit(15)
    }

    /// The filters were restarted by the SYNC input.
    pub const fn resynced(self) -> bool {
        self.bit(14)
    }

    /// The CRC over the registers changed.
    pub const fn map_changed(self) -> bool {
        self.bit(13)
    }

    /// A command arrived damaged.
    pub const fn input_crc_error(self) -> bool {
        self.bit(12)
    }

    /// The polynomial in use.
    pub const fn crc(self) -> CrcKind {
        if self.bit(11) { CrcKind::Ansi } else { CrcKind::Ccitt }
    }

    /// A reset happened and was not acknowledged in the mode register.
    pub const fn was_reset(self) -> bool {
        self.bit(10)
    }

    /// The word length in use.
    pub const fn word_length(self) -> WordLength {
        WordLength::from_code(self.0 >> 8)
    }

    /// One bit for each channel with a sample that was not read yet.
    pub const fn ready(self) -> u8 {
        self.0 as u8
    }
}

/// Which channel governs the data-ready output when phase settings differ.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum ReadySource {
    /// The channel sampled last.
    #[default]
    MostLagging,
    /// Any channel.
    Any,
    /// The channel sampled first.
    MostLeading,
}

/// The mode register.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Mode {
    /// The part watches its registers by a CRC.
    pub map_crc: bool,
    /// Commands must carry a CRC.
    pub input_crc: bool,
    /// Polynomial of all checksums.
    pub crc: CrcKind,
    /// Keeps [`Status::was_reset`] standing; write false to acknowledge.
    pub reset: bool,
    /// Length of words.
    pub word_length: WordLength,
    /// The interface gives up frames longer than 32 768 clocks.
    pub timeout: bool,
    /// Channel that governs data ready.
    pub ready_source: ReadySource,
    /// Data ready is an open output with a weak pull-up when idle.
    pub ready_open: bool,
    /// Data ready is a pulse of four clocks instead of a level.
    pub ready_pulse: bool,
}

impl Default for Mode {
    /// The register after a reset: 0510h.
    fn default() -> Self {
        Mode {
            map_crc: false,
            input_crc: false,
            crc: CrcKind::Ccitt,
            reset: true,
            word_length: WordLength::Bits24,
            timeout: true,
            ready_source: ReadySource::MostLagging,
            ready_open: false,
            ready_pulse: false,
        }
    }
}

impl Mode {
    /// The register's bits.
    pub const fn bits(self) -> u16 {
        let source = match self.ready_source {
            ReadySource::MostLagging => 0,
            ReadySource::Any => 1,
            ReadySource::MostLeading => 2,
        };
        (self.map_crc as u16) << 13
            | (self.input_crc as u16) << 12
            | (matches!(self.crc, CrcKind::Ansi) as u16) << 11
            | (self.reset as u16) << 10
            | (self.word_length as u16) << 8
            | (self.timeout as u16) << 4
            | source << 2
            | (self.ready_open as u16) << 1
            | self.ready_pulse as u16
    }

    /// The fields of a register that was read; reserved bits are ignored.
    pub const fn from_bits(bits: u16) -> Mode {
        let status = Status(bits);
        Mode {
            map_crc: status.bit(13),
            input_crc: status.bit(12),
            crc: status.crc(),
            reset: status.bit(10),
            word_length: status.word_length(),
            timeout: status.bit(4),
            ready_source: match bits >> 2 & 3 {
                0 => ReadySource::MostLagging,
                1 => ReadySource::Any,
                _ => ReadySource::MostLeading,
            },
            ready_open: status.bit(1),
            ready_pulse: status.bit(0),
        }
    }
}

/// Oversampling ratio: modulator clocks per sample.
///
/// The data sheet's eighth setting is left out: its own tables disagree about the ratio
/// (16 256 or 16 384).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Osr {
    /// 32 kSPS from 8.192 MHz.
    X128,
    /// 16 kSPS.
    X256,
    /// 8 kSPS: this node's rate.
    #[default]
    X512,
    /// 4 kSPS: the rate after a reset.
    X1024,
    /// 2 kSPS.
    X2048,
    /// 1 kSPS.
    X4096,
    /// 500 SPS.
    X8192,
}

impl Osr {
    /// The three bits in the clock register.
    pub const fn code(self) -> u16 {
        self as u16
    }

    /// The setting with a code.
    pub const fn from_code(code: u16) -> Option<Osr> {
        Some(match code {
            0 => Osr::X128,
            1 => Osr::X256,
            2 => Osr::X512,
            3 => Osr::X1024,
            4 => Osr::X2048,
            5 => Osr::X4096,
            6 => Osr::X8192,
            _ => return None,
        })
    }

    /// Modulator clocks per sample.
    pub const fn ratio(self) -> u32 {
        128 << self.code()
    }

    /// Smallest and largest phase setting that the part does not cut, in modulator clocks.
    pub const fn phase_range(self) -> (i16, i16) {
        let ratio = self.ratio();
        let half = if ratio >= 1024 { 512 } else { (ratio / 2) as i16 };
        (-half, half - 1)
    }
}

/// Supply current against the highest clock.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Power {
    /// Up to 2.08 MHz (from memory; the table of the source is damaged there).
    VeryLow,
    /// Up to 4.15 MHz.
    Low,
    /// Up to 8.4 MHz at gains 1 and 2, 8.2 MHz above.
    #[default]
    HighResolution,
}

/// The clock register.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Clock {
    /// One bit for each channel that is on.
    pub enabled: u8,
    /// The crystal oscillator is off because a clock comes in at CLKIN.
    pub crystal_off: bool,
    /// The reference comes in at REFIN.
    pub external_reference: bool,
    /// Oversampling ratio.
    pub osr: Osr,
    /// Power mode.
    pub power: Power,
}

impl Clock {
    /// The register's bits.
    pub const fn bits(self) -> u16 {
        (self.enabled as u16) << 8
            | (self.crystal_off as u16) << 7
            | (self.external_reference as u16) << 6
            | self.osr.code() << 2
            | self.power as u16
    }

    /// The fields of a register that was read; `None` for the ratio that is not used here.
    pub const fn from_bits(bits: u16) -> Option<Clock> {
        let Some(osr) = Osr::from_code(bits >> 2 & 7) else { return None };
        Some(Clock {
            enabled: (bits >> 8) as u8,
            crystal_off: bits >> 7 & 1 == 1,
            external_reference: bits >> 6 & 1 == 1,
            osr,
            power: match bits & 3 {
                0 => Power::VeryLow,
                1 => Power::Low,
                _ => Power::HighResolution,
            },
        })
    }
}

/// Gain of a channel's amplifier.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Gain {
    /// ±1.2 V.
    #[default]
    X1,
    /// ±600 mV.
    X2,
    /// ±300 mV.
    X4,
    /// ±150 mV.
    X8,
    /// ±75 mV.
    X16,
    /// ±37.5 mV.
    X32,
    /// ±18.75 mV.
    X64,
    /// ±9.375 mV.
    X128,
}

impl Gain {
    /// Every gain, smallest first.
    pub const ALL: [Gain; 8] =
        [Gain::X1, Gain::X2, Gain::X4, Gain::X8, Gain::X16, Gain::X32, Gain::X64, Gain::X128];

    /// The factor, 1 to 128.
    pub const fn factor(self) -> u16 {
        1 << self as u16
    }

    /// The bits of the gain register of four channels, the first in the lowest bits.
    pub const fn register(gains: [Gain; 4]) -> u16 {
        let [a, b, c, d] = gains;
        (d as u16) << 12 | (c as u16) << 8 | (b as u16) << 4 | a as u16
    }

    /// The gains in a gain register; reserved bits are ignored.
    pub fn from_register(bits: u16) -> [Gain; 4] {
        [0u16, 4, 8, 12]
            .map(|shift| Gain::ALL.get(usize::from(bits >> shift & 7)).copied().unwrap_or_default())
    }
}

/// What a channel's converter is connected to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Input {
    /// The pins.
    #[default]
    Pins,
    /// Both sides together: reads zero and noise.
    Shorted,
    /// +2/15 of full scale at any gain.
    TestPositive,
    /// −2/15 of full scale at any gain.
    TestNegative,
}

/// The configuration register of a channel.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ChannelConfig {
    /// Later (+) or earlier (−) sampling, in modulator clocks, −512 to 511.
    pub phase_clocks: i16,
    /// The DC block does not act on this channel.
    pub dc_block_off: bool,
    /// What is measured.
    pub input: Input,
}

impl ChannelConfig {
    /// The register's bits; a phase outside ten bits is limited.
    pub fn bits(self) -> u16 {
        let phase = self.phase_clocks.clamp(-512, 511) as u16;
        phase << 6 | (self.dc_block_off as u16) << 2 | self.input as u16
    }

    /// The fields of a register that was read; reserved bits are ignored.
    pub const fn from_bits(bits: u16) -> ChannelConfig {
        ChannelConfig {
            phase_clocks: bits as i16 >> 6,
            dc_block_off: bits >> 2 & 1 == 1,
            input: match bits & 3 {
                0 => Input::Pins,
                1 => Input::Shorted,
                2 => Input::TestPositive,
                _ => Input::TestNegative,
            },
        }
    }
}

/// Count that the part subtracts before it scales, 24 bits with sign.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct OffsetCounts(i32);

impl OffsetCounts {
    /// Nothing subtracted, as after a reset.
    pub const ZERO: OffsetCounts = OffsetCounts(0);

    /// An offset; `None` outside −8 388 608 to 8 388 607.
    pub const fn new(counts: i32) -> Option<OffsetCounts> {
        if counts >= -0x80_0000 && counts <= 0x7F_FFFF { Some(OffsetCounts(counts)) } else { None }
    }

    /// The two registers, upper one first.
    pub const fn registers(self) -> [u16; 2] {
        split24(self.0 as u32)
    }
}

/// Factor that the part applies after the offset, in steps of 2⁻²³.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct GainFactor(u32);

impl GainFactor {
    /// Factor one, as after a reset.
    pub const UNITY: GainFactor = GainFactor(0x80_0000);

    /// A factor in steps of 2⁻²³; `None` at 2 and above.
    pub const fn new(steps: u32) -> Option<GainFactor> {
        if steps <= 0xFF_FFFF { Some(GainFactor(steps)) } else { None }
    }

    /// The two registers, upper one first.
    pub const fn registers(self) -> [u16; 2] {
        split24(self.0)
    }
}

impl Default for GainFactor {
    fn default() -> Self {
        GainFactor::UNITY
    }
}

const fn split24(value: u32) -> [u16; 2] {
    [(value >> 8) as u16, (value << 8) as u16]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Reset values and field positions: SBAS950B register map.
    #[test]
    fn reset_values_of_the_register_map() {
        assert_eq!(Mode::default().bits(), 0x0510);
        let clock = Clock {
            enabled: 0xFF,
            crystal_off: false,
            external_reference: false,
            osr: Osr::X1024,
            power: Power::HighResolution,
        };
        assert_eq!(clock.bits(), 0xFF0E);
        assert_eq!(Gain::register([Gain::X1; 4]), 0);
        assert_eq!(ChannelConfig::default().bits(), 0);
        assert_eq!(OffsetCounts::default().registers(), [0, 0]);
        assert_eq!(GainFactor::UNITY.registers(), [0x8000, 0]);
    }

    #[test]
    fn every_field_comes_back() {
        for bits in 0..=u16::MAX {
            let m = Mode::from_bits(bits).bits();
            // Source code 3 means the same as 2, and bits 15:14 and 7:5 are reserved.
            let source = if bits >> 2 & 3 == 3 { 2 << 2 } else { bits & 0xC };
            assert_eq!(m, bits & 0x3F13 | source);
            if let Some(c) = Clock::from_bits(bits) {
                let power = if bits & 3 == 3 { 2 } else { bits & 3 };
                assert_eq!(c.bits(), bits & 0xFFDC | power);
            } else {
                assert_eq!(bits >> 2 & 7, 7);
            }
            assert_eq!(ChannelConfig::from_bits(bits).bits(), bits & 0xFFC7);
            assert_eq!(Gain::register(Gain::from_register(bits)), bits & 0x7777);
        }
    }

    #[test]
    fn addresses_of_channel_registers() {
        let found: [u8; 8] = core::array::from_fn(|n| Address::channel_config(n as u8).number());
        assert_eq!(found, [0x09, 0x0E, 0x13, 0x18, 0x1D, 0x22, 0x27, 0x2C]);
        assert_eq!(Address::channel_gain(7).next().number(), 0x30);
    }

    #[test]
    fn phase_limits_follow_the_ratio() {
        assert_eq!(Osr::X128.phase_range(), (-64, 63));
        assert_eq!(Osr::X512.phase_range(), (-256, 255));
        assert_eq!(Osr::X1024.phase_range(), (-512, 511));
        assert_eq!(Osr::X8192.phase_range(), (-512, 511));
    }

    #[test]
    fn offsets_and_factors_keep_their_24_bits() {
        assert_eq!(OffsetCounts::new(-1).map(OffsetCounts::registers), Some([0xFFFF, 0xFF00]));
        assert_eq!(
            OffsetCounts::new(0x12_3456).map(OffsetCounts::registers),
            Some([0x1234, 0x5600])
        );
        assert_eq!(OffsetCounts::new(0x80_0000), None);
        assert_eq!(GainFactor::new(0x100_0000), None);
    }
}
