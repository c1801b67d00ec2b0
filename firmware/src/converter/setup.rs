//! What is asked of the converter, checked before it is written, and what follows from it:
//! sample rate, volts per count, what of a delay the part can take, which channel is which lead.

use super::frames::ConverterFrame;
use super::registers::{
    Address, CHANNELS_MAX, ChannelConfig, Clock, CrcKind, Gain, GainFactor, Input, Mode,
    OffsetCounts, Osr, Part, Power, ReadySource, WordLength,
};
use wattless_core::calibration::ChannelCalibration;
use wattless_core::frame::{CHANNELS, Frame};

/// Full scale of the internal reference at gain 1, in volts (SBAS950B section 6.5).
pub const REFERENCE_V: f64 = 1.2;

/// Share of an external reference that is full scale (SBAS950B section 6.5).
pub const EXTERNAL_SHARE: f64 = 0.96;

/// What one channel does.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ChannelSetup {
    /// Whether the channel converts at all.
    pub enabled: bool,
    /// Gain of its amplifier.
    pub gain: Gain,
    /// What it measures.
    pub input: Input,
    /// How much later (+) or earlier (−) it samples, in modulator clocks; see [`Setup::phase`].
    pub phase_clocks: i16,
    /// Count that the part subtracts; leave at zero where software calibrates.
    pub offset: OffsetCounts,
    /// Factor that the part applies; leave at one where software calibrates.
    pub factor: GainFactor,
}

impl ChannelSetup {
    /// A channel that is off.
    pub const OFF: ChannelSetup = ChannelSetup { enabled: false, ..ChannelSetup::on(Gain::X1) };

    /// A channel on its pins, without corrections.
    pub const fn on(gain: Gain) -> ChannelSetup {
        ChannelSetup {
            enabled: true,
            gain,
            input: Input::Pins,
            phase_clocks: 0,
            offset: OffsetCounts::ZERO,
            factor: GainFactor::UNITY,
        }
    }
}

/// Where a slot of a frame comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Lead {
    /// Channel of the converter, from 0.
    pub channel: u8,
    /// The counts are turned around, because the board crosses the pair.
    pub reversed: bool,
}

impl Lead {
    /// A channel taken as it comes.
    pub const fn straight(channel: u8) -> Option<Lead> {
        Some(Lead { channel, reversed: false })
    }
}

/// Which channel of the converter is v1 to i3, and with which sign.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SlotMap {
    /// One entry a slot of [`Frame`]; `None` leaves zeros.
    pub slots: [Option<Lead>; CHANNELS],
}

impl SlotMap {
    /// Channels 0 to 5 are v1 to i3; the last two slots stay empty.
    pub const STRAIGHT: SlotMap = SlotMap {
        slots: [
            Lead::straight(0),
            Lead::straight(1),
            Lead::straight(2),
            Lead::straight(3),
            Lead::straight(4),
            Lead::straight(5),
            None,
            None,
        ],
    };

    /// Puts the counts of the channels into the slots of a frame.
    ///
    /// The most negative count of a reversed channel becomes the most positive one.
    pub fn frame(&self, from: &ConverterFrame) -> Frame {
        Frame::new(self.slots.map(|lead| match lead {
            None => 0,
            Some(Lead { channel, reversed }) => {
                let count = from.counts.get(usize::from(channel)).copied().unwrap_or_default();
                if reversed { count.saturating_neg() } else { count }
            }
        }))
    }
}

/// Why a setup cannot be written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum SetupError {
    /// The clock is outside the range of the power mode.
    Clock {
        /// Clock asked for, in Hz.
        clkin_hz: u32,
        /// Highest clock of the power mode at these gains, in Hz.
        highest_hz: u32,
    },
    /// A channel is used that the part does not have.
    NoSuchChannel {
        /// The channel.
        channel: u8,
    },
    /// No channel is on.
    AllOff,
    /// The part would cut a phase setting.
    Phase {
        /// The channel.
        channel: u8,
        /// Phase asked for, in modulator clocks.
        clocks: i16,
        /// Smallest and largest phase at this ratio.
        range: (i16, i16),
    },
    /// Phase settings lie further apart than half a sample, so channels could fall out of step.
    PhaseSpread {
        /// Distance of the largest and the smallest phase, in modulator clocks.
        clocks: u32,
        /// Half a sample, in modulator clocks.
        half: u32,
    },
    /// A slot takes a channel that is off.
    SlotOff {
        /// The slot.
        slot: u8,
        /// The channel.
        channel: u8,
    },
    /// The code of the DC block is above 15.
    DcBlock,
}

impl core::fmt::Display for SetupError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            SetupError::Clock { clkin_hz, highest_hz } => write!(
                f,
                "converter clock of {clkin_hz} Hz must be from {CLKIN_MIN_HZ} to {highest_hz} Hz in this power mode and gain"
            ),
            SetupError::NoSuchChannel { channel } => {
                write!(f, "the converter has no channel {channel}: check which part is set")
            }
            SetupError::AllOff => write!(f, "no channel of the converter is on: switch one on"),
            SetupError::Phase { channel, clocks, range: (low, high) } => write!(
                f,
                "phase of converter channel {channel} is {clocks} clocks but must be {low} to {high}: leave the rest to calibration"
            ),
            SetupError::PhaseSpread { clocks, half } => write!(
                f,
                "phases of converter channels lie {clocks} clocks apart, at most {half} are allowed: leave the rest to calibration"
            ),
            SetupError::SlotOff { slot, channel } => write!(
                f,
                "slot {slot} takes converter channel {channel}, which is off: switch it on or free the slot"
            ),
            SetupError::DcBlock => write!(f, "the code of the DC block must be 0 to 15"),
        }
    }
}

impl core::error::Error for SetupError {}

/// Lowest clock of every power mode, in Hz.
const CLKIN_MIN_HZ: u32 = 300_000;

/// A delay, taken apart into what the part can do and what is left for software.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PhaseSplit {
    /// Phase setting, in modulator clocks.
    pub clocks: i16,
    /// Delay that remains, in nanoseconds: it belongs into `ChannelCalibration::delay_ns`.
    pub remainder_ns: i32,
}

/// Everything the converter is told.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Setup {
    /// Which part is fitted.
    pub part: Part,
    /// Frequency at CLKIN or of the crystal, in Hz.
    pub clkin_hz: u32,
    /// A clock comes in at CLKIN; otherwise a crystal is fitted.
    pub external_clock: bool,
    /// Voltage at REFIN, in volts, when an external reference is used.
    pub external_reference_v: Option<f64>,
    /// Oversampling ratio.
    pub osr: Osr,
    /// Power mode.
    pub power: Power,
    /// Polynomial of the checksums.
    pub crc: CrcKind,
    /// Corner of the DC block, code 0 (off) to 15; this node removes DC in software instead.
    pub dc_block: u8,
    /// What each channel does.
    pub channels: [ChannelSetup; CHANNELS_MAX],
    /// Which channel is which lead.
    pub slots: SlotMap,
}

impl Setup {
    /// Six channels at gain 1 and 8 kSPS from a crystal of 8.192 MHz, in straight order.
    pub const fn eight_ksps(part: Part) -> Setup {
        let mut channels = [ChannelSetup::on(Gain::X1); CHANNELS_MAX];
        let [.., seventh, eighth] = &mut channels;
        (*seventh, *eighth) = (ChannelSetup::OFF, ChannelSetup::OFF);
        Setup {
            part,
            clkin_hz: 8_192_000,
            external_clock: false,
            external_reference_v: None,
            osr: Osr::X512,
            power: Power::HighResolution,
            crc: CrcKind::Ccitt,
            dc_block: 0,
            channels,
            slots: SlotMap::STRAIGHT,
        }
    }

    /// Finds the first thing that the part could not do.
    pub fn check(&self) -> Result<(), SetupError> {
        let enabled = self.enabled();
        if enabled == 0 {
            return Err(SetupError::AllOff);
        }
        let range = self.osr.phase_range();
        let mut high_gain = false;
        for (channel, c) in (0u8..).zip(&self.channels).filter(|(_, c)| c.enabled) {
            if usize::from(channel) >= self.part.channels() {
                return Err(SetupError::NoSuchChannel { channel });
            }
            if !(range.0..=range.1).contains(&c.phase_clocks) {
                return Err(SetupError::Phase { channel, clocks: c.phase_clocks, range });
            }
            high_gain |= c.gain.factor() > 2;
        }
        let (clocks, half) = (self.phase_spread(), self.osr.ratio() / 2);
        if clocks > half {
            return Err(SetupError::PhaseSpread { clocks, half });
        }
        let highest_hz = match self.power {
            Power::VeryLow => 2_080_000,
            Power::Low => 4_150_000,
            Power::HighResolution if high_gain => 8_200_000,
            Power::HighResolution => 8_400_000,
        };
        if !(CLKIN_MIN_HZ..=highest_hz).contains(&self.clkin_hz) {
            return Err(SetupError::Clock { clkin_hz: self.clkin_hz, highest_hz });
        }
        for (slot, lead) in (0u8..).zip(self.slots.slots) {
            let Some(Lead { channel, .. }) = lead else { continue };
            if channel >= 8 || enabled >> channel & 1 == 0 {
                return Err(SetupError::SlotOff { slot, channel });
            }
        }
        if self.dc_block > 15 { Err(SetupError::DcBlock) } else { Ok(()) }
    }

    /// One bit for each channel that is on.
    pub fn enabled(&self) -> u8 {
        (0u8..).zip(&self.channels).fold(0, |mask, (n, c)| mask | u8::from(c.enabled) << (n & 7))
    }

    /// Distance of the largest and the smallest phase of channels that are on, in modulator clocks.
    pub fn phase_spread(&self) -> u32 {
        let phases = self.channels.iter().filter(|c| c.enabled).map(|c| c.phase_clocks);
        let (low, high) =
            phases.fold((i16::MAX, i16::MIN), |(low, high), p| (low.min(p), high.max(p)));
        u32::try_from(i32::from(high) - i32::from(low)).unwrap_or(0)
    }

    /// Sample rate in millihertz: 8 000 000 for 8.192 MHz at a ratio of 512.
    pub const fn sample_rate_mhz(&self) -> u32 {
        // The ratio is a power of two: a shift instead of a division that could fail.
        let shift = 1 + self.osr.ratio().trailing_zeros();
        ((self.clkin_hz as u64 * 1000 + (1 << shift >> 1)) >> shift) as u32
    }

    /// Time from one sample to the next, in nanoseconds, rounded; for ever without a clock.
    pub const fn period_ns(&self) -> u64 {
        let clkin = self.clkin_hz as u64;
        match (2_000_000_000 * self.osr.ratio() as u64 + clkin / 2).checked_div(clkin) {
            Some(ns) => ns,
            None => u64::MAX / 1024,
        }
    }

    /// Duration of some clocks of CLKIN, in nanoseconds, rounded up.
    pub const fn clocks_ns(&self, clocks: u32) -> u64 {
        let clkin = self.clkin_hz as u64;
        match (clocks as u64 * 1_000_000_000 + clkin.saturating_sub(1)).checked_div(clkin) {
            Some(ns) => ns,
            None => u64::MAX / 1024,
        }
    }

    /// Volts at a channel's pins for one count, at its gain and the reference in use.
    pub fn volts_per_count(&self, channel: usize) -> f64 {
        let full_scale_v = self.external_reference_v.map_or(REFERENCE_V, |v| EXTERNAL_SHARE * v);
        let factor = self.channels.get(channel).map_or(1, |c| c.gain.factor());
        full_scale_v / f64::from(factor) / f64::from(1u32 << 23)
    }

    /// A starting calibration for a slot whose sensor gives one volt for `per_volt` units.
    ///
    /// The sign of a reversed lead is already in the frame and does not appear here. `delay_ns`
    /// is what [`Setup::phase`] left over. Slots without a lead get the default.
    pub fn calibration(&self, slot: usize, per_volt: f64, delay_ns: i32) -> ChannelCalibration {
        match self.slots.slots.get(slot).copied().flatten() {
            Some(lead) => ChannelCalibration {
                gain: self.volts_per_count(usize::from(lead.channel)) * per_volt,
                offset_counts: 0,
                delay_ns,
            },
            None => ChannelCalibration::default(),
        }
    }

    /// Takes a delay apart: whole modulator clocks for the part, the rest for software.
    ///
    /// A channel whose signal comes late (`delay_ns` > 0) must be sampled later, which is a
    /// positive phase setting. One clock is 244 ns at 8.192 MHz. What exceeds the range of the
    /// part stays in the remainder.
    pub fn phase(&self, delay_ns: i32) -> PhaseSplit {
        let modulator_hz = i64::from(self.clkin_hz.max(1));
        // delay · fMOD / 10⁹ with fMOD = CLKIN / 2, rounded to nearest.
        let scaled = i64::from(delay_ns) * modulator_hz;
        let unit = 2_000_000_000i64;
        let (low, high) = self.osr.phase_range();
        let nearest = (scaled + unit / 2).div_euclid(unit);
        let clocks = nearest.clamp(i64::from(low), i64::from(high));
        let taken =
            (clocks * unit + modulator_hz / 2).checked_div_euclid(modulator_hz).unwrap_or(0);
        // Both are within 32 bits: the clocks are few, and the remainder is smaller than the delay.
        PhaseSplit { clocks: clocks as i16, remainder_ns: (i64::from(delay_ns) - taken) as i32 }
    }

    /// Response of the part's sinc filter at a frequency, 1 at zero.
    ///
    /// At 8 kSPS a 40th harmonic reads low by 27 %: divide by this to correct. The part averages
    /// further behind the filter at ratios above 1024, which is included. |H| from SBAS950B
    /// section 8.3.7.
    pub fn response(&self, frequency_hz: f64) -> f64 {
        let turns = frequency_hz / (f64::from(self.clkin_hz.max(1)) / 2.0);
        let ratio = self.osr.ratio();
        let length = ratio.min(1024);
        let h = mean_response(turns, length);
        let averaged = mean_response(turns * f64::from(length), (ratio >> 10).max(1));
        libm::fabs(h * h * h * averaged)
    }

    /// The mode register that goes with this setup.
    pub const fn mode(&self) -> Mode {
        Mode {
            map_crc: true,
            input_crc: true,
            crc: self.crc,
            reset: false,
            word_length: WordLength::Bits24,
            timeout: true,
            ready_source: ReadySource::MostLagging,
            ready_open: false,
            ready_pulse: false,
        }
    }

    /// The clock register that goes with this setup, with the channels given.
    pub const fn clock(&self, enabled: u8) -> Clock {
        Clock {
            enabled,
            crystal_off: self.external_clock,
            external_reference: self.external_reference_v.is_some(),
            osr: self.osr,
            power: self.power,
        }
    }

    /// Registers beside mode and clock, with their values, in the order to write them.
    pub fn registers(&self) -> impl Iterator<Item = (Address, u16)> + '_ {
        let gain = |n: usize| self.channels.get(n).map_or(Gain::X1, |c| c.gain);
        let gains = |n: usize| Gain::register([gain(n), gain(n + 1), gain(n + 2), gain(n + 3)]);
        let common = [
            (Address::GAIN1, gains(0)),
            (Address::GAIN2, gains(4) & self.compared(Address::GAIN2)),
            (Address::CFG, 0x0600),
            (Address::THRESHOLD_MSB, 0),
            (Address::THRESHOLD_LSB, u16::from(self.dc_block & 15)),
        ];
        let channels = (0u8..).zip(&self.channels).take(self.part.channels());
        common.into_iter().chain(channels.flat_map(|(n, c)| {
            let config =
                ChannelConfig { phase_clocks: c.phase_clocks, dc_block_off: false, input: c.input };
            let ([o1, o2], [g1, g2]) = (c.offset.registers(), c.factor.registers());
            [
                (Address::channel_config(n), config.bits()),
                (Address::channel_offset(n), o1),
                (Address::channel_offset(n).next(), o2),
                (Address::channel_gain(n), g1),
                (Address::channel_gain(n).next(), g2),
            ]
        }))
    }

    /// The bits of a register that must read back as written.
    ///
    /// Of the six-channel part the sources disagree on bits 15 and 14 of the clock register.
    pub fn compared(&self, address: Address) -> u16 {
        match (self.part, address) {
            (Part::M06, Address::CLOCK) => 0x3FFF,
            (Part::M06, Address::GAIN2) => 0x0077,
            _ => 0xFFFF,
        }
    }
}

/// Response of the mean of `length` values at a frequency in turns per value.
fn mean_response(turns: f64, length: u32) -> f64 {
    let half = core::f64::consts::PI * turns;
    let below = libm::sin(half) * f64::from(length);
    if libm::fabs(below) < 1e-12 { 1.0 } else { libm::sin(half * f64::from(length)) / below }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn setup() -> Setup {
        Setup::eight_ksps(Part::M08)
    }

    #[test]
    fn rate_and_period_from_clock_and_ratio() {
        assert_eq!(setup().sample_rate_mhz(), 8_000_000);
        assert_eq!(setup().period_ns(), 125_000);
        let odd = Setup { clkin_hz: 8_000_000, ..setup() };
        assert_eq!(odd.sample_rate_mhz(), 7_812_500);
        assert_eq!(odd.period_ns(), 128_000);
    }

    /// LSB sizes: SBAS950B section 8.5.1.9, (2.4 V / gain) / 2²⁴.
    #[test]
    fn volts_per_count_by_gain() {
        let nanovolts = [143.051, 71.526, 35.763, 17.881, 8.941, 4.470, 2.235, 1.118];
        for (gain, nv) in Gain::ALL.into_iter().zip(nanovolts) {
            let mut s = setup();
            s.channels[3].gain = gain;
            assert!((s.volts_per_count(3) * 1e9 - nv).abs() < 6e-4, "{gain:?}");
        }
        let s = Setup { external_reference_v: Some(1.25), ..setup() };
        assert!((s.volts_per_count(0) - setup().volts_per_count(0)).abs() < 1e-18);
    }

    #[test]
    fn calibration_starts_from_the_sensor() {
        // 100 A give 0.333 V at the terminals of a voltage-output current transformer.
        let c = setup().calibration(4, 100.0 / 0.333, 42);
        let counts = 0.333 / setup().volts_per_count(4);
        assert!((c.gain * counts - 100.0).abs() < 1e-9);
        assert_eq!((c.offset_counts, c.delay_ns), (0, 42));
        assert_eq!(setup().calibration(7, 1.0, 0), ChannelCalibration::default());
    }

    #[test]
    fn delays_split_into_clocks_and_rest() {
        let s = setup();
        assert_eq!(s.phase(0), PhaseSplit { clocks: 0, remainder_ns: 0 });
        assert_eq!(s.phase(244), PhaseSplit { clocks: 1, remainder_ns: 0 });
        // 30' at 50 Hz, the lead of a common current transformer.
        let lead = s.phase(-27_778);
        assert_eq!(lead.clocks, -114);
        for ns in (-70_000..70_000).step_by(37) {
            let p = s.phase(ns);
            let total = f64::from(p.clocks) * 1e9 / 4.096e6 + f64::from(p.remainder_ns);
            assert!((total - f64::from(ns)).abs() <= 0.5, "{ns}");
            let inside = (-255..=254).contains(&((f64::from(ns) * 4.096e-3) as i32));
            assert!(!inside || p.remainder_ns.abs() <= 123, "{ns}: {p:?}");
        }
        let far = s.phase(1_000_000);
        assert_eq!((far.clocks, far.remainder_ns), (255, 1_000_000 - 62_256));
        for ns in [i32::MAX, i32::MIN] {
            assert!(s.phase(ns).clocks == 255 || s.phase(ns).clocks == -256);
        }
    }

    /// Derived from the equation of SBAS950B section 8.3.7, apart from this code.
    #[test]
    fn filter_response() {
        let db = |osr, f| 20.0 * libm::log10(Setup { osr, ..setup() }.response(f));
        for (osr, f, want) in [
            (Osr::X128, 2000.0, -0.168),
            (Osr::X256, 2500.0, -1.055),
            (Osr::X512, 2000.0, -2.736),
            (Osr::X512, 2500.0, -4.329),
            (Osr::X512, 3000.0, -6.334),
            (Osr::X1024, 2000.0, -11.77),
            (Osr::X1024, 2500.0, -19.65),
        ] {
            assert!((db(osr, f) - want).abs() < 0.006, "{osr:?} {f} {}", db(osr, f));
        }
        let loss = |osr, f| 100.0 * (1.0 - Setup { osr, ..setup() }.response(f));
        assert!((loss(Osr::X512, 50.0) - 0.0193).abs() < 1e-4);
        assert!((loss(Osr::X512, 60.0) - 0.0278).abs() < 1e-4);
        assert!((loss(Osr::X2048, 50.0) - 0.154).abs() < 1e-3);
        assert_eq!(setup().response(0.0), 1.0);
        assert!(setup().response(8000.0) < 1e-9);
    }

    #[test]
    fn what_the_part_cannot_do_is_named() {
        let with = |change: fn(&mut Setup)| {
            let mut s = setup();
            change(&mut s);
            s.check()
        };
        assert_eq!(with(|_| ()), Ok(()));
        assert_eq!(with(|s| s.channels = [ChannelSetup::OFF; 8]), Err(SetupError::AllOff));
        let phase = SetupError::Phase { channel: 2, clocks: 256, range: (-256, 255) };
        assert_eq!(with(|s| s.channels[2].phase_clocks = 256), Err(phase));
        let apart = |s: &mut Setup| {
            s.channels[0].phase_clocks = -128;
            s.channels[5].phase_clocks = 129;
        };
        assert_eq!(with(apart), Err(SetupError::PhaseSpread { clocks: 257, half: 256 }));
        let clock = SetupError::Clock { clkin_hz: 8_300_000, highest_hz: 8_200_000 };
        assert_eq!(with(|s| s.clkin_hz = 8_300_000), Ok(()));
        let fast = |s: &mut Setup| {
            s.clkin_hz = 8_300_000;
            s.channels[5].gain = Gain::X4;
        };
        assert_eq!(with(fast), Err(clock));
        let slot = SetupError::SlotOff { slot: 6, channel: 6 };
        assert_eq!(with(|s| s.slots.slots[6] = Lead::straight(6)), Err(slot));
        let none = SetupError::NoSuchChannel { channel: 7 };
        let six = |s: &mut Setup| {
            s.part = Part::M06;
            s.channels[7].enabled = true;
        };
        assert_eq!(with(six), Err(none));
        assert!(SetupError::AllOff.to_string().contains("switch one on"));
    }

    #[test]
    fn slots_take_their_channel_and_sign() {
        let mut map = SlotMap::STRAIGHT;
        map.slots[0] = Some(Lead { channel: 5, reversed: true });
        map.slots[7] = Lead::straight(1);
        let counts = [10, -20, 30, 40, 50, -0x80_0000, 70, 80];
        let f = map.frame(&ConverterFrame { response: 0, counts });
        assert_eq!(f.counts(), &[0x7F_FFFF, -20, 30, 40, 50, -0x80_0000, 0, -20]);
    }
}
