//! From counts to volts and amperes: gain, offset and delay of each channel, with their checks.
//! Offsets and gains act on exact sums, so that no rounding enters sample by sample.

use crate::frame::{ACTIVE, CHANNELS, COUNT_MAX, Channel};
use serde::{Deserialize, Serialize};

/// Smallest magnitude of a gain, in volts or amperes per count.
pub const GAIN_MIN: f64 = 1e-12;
/// Largest magnitude of a gain, in volts or amperes per count.
pub const GAIN_MAX: f64 = 1e3;
/// Largest magnitude of an offset, in counts (one eighth of the range).
pub const OFFSET_MAX_COUNTS: i32 = 1 << 20;
/// Largest magnitude of a delay, in nanoseconds (18° at 50 Hz).
pub const DELAY_MAX_NS: i32 = 1_000_000;

/// Calibration of one channel.
///
/// The true quantity at the terminals is `gain · (count − offset_counts)`, seen
/// `delay_ns` late: a positive delay means that the channel's output lags.
/// A current transformer that leads by 30' at 50 Hz has a delay of −27 778 ns.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ChannelCalibration {
    /// Volts or amperes per count; negative turns the channel around.
    pub gain: f64,
    /// Count that stands for zero.
    pub offset_counts: i32,
    /// How late the channel is, in nanoseconds.
    pub delay_ns: i32,
}

impl ChannelCalibration {
    /// A channel without offset and delay.
    pub const fn with_gain(gain: f64) -> Self {
        ChannelCalibration { gain, offset_counts: 0, delay_ns: 0 }
    }

    /// The peak value that the converter can represent, in volts or amperes.
    pub fn range_peak(&self) -> f64 {
        libm::fabs(self.gain) * f64::from(COUNT_MAX)
    }
}

impl Default for ChannelCalibration {
    fn default() -> Self {
        ChannelCalibration::with_gain(1.0 / f64::from(COUNT_MAX))
    }
}

/// Calibration of all channel slots.
#[derive(Clone, Copy, Debug, PartialEq, Default, Serialize, Deserialize)]
pub struct Calibration {
    /// One entry a slot.
    pub channels: [ChannelCalibration; CHANNELS],
}

/// What is wrong with a calibration; `slot` counts from 0.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum CalibrationError {
    /// Gain is not a number, zero, or outside ±[`GAIN_MIN`] to ±[`GAIN_MAX`].
    Gain {
        /// The slot with the fault.
        slot: u8,
    },
    /// Offset beyond ±[`OFFSET_MAX_COUNTS`].
    Offset {
        /// The slot with the fault.
        slot: u8,
    },
    /// Delay beyond ±[`DELAY_MAX_NS`].
    Delay {
        /// The slot with the fault.
        slot: u8,
    },
}

impl core::fmt::Display for CalibrationError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        let name = |slot: u8| Channel::ALL.get(usize::from(slot)).map_or("spare", |c| c.name());
        match *self {
            CalibrationError::Gain { slot } => write!(
                f,
                "gain of {} must be a number of magnitude {GAIN_MIN:e} to {GAIN_MAX:e} per count",
                name(slot)
            ),
            CalibrationError::Offset { slot } => {
                write!(f, "offset of {} must be within ±{OFFSET_MAX_COUNTS} counts", name(slot))
            }
            CalibrationError::Delay { slot } => {
                write!(f, "delay of {} must be within ±{DELAY_MAX_NS} ns", name(slot))
            }
        }
    }
}

impl core::error::Error for CalibrationError {}

impl Calibration {
    /// Finds the first entry that cannot be used.
    pub fn check(&self) -> Result<(), CalibrationError> {
        for (slot, c) in (0u8..).zip(self.channels.iter()) {
            let magnitude = libm::fabs(c.gain);
            if !(GAIN_MIN..=GAIN_MAX).contains(&magnitude) {
                return Err(CalibrationError::Gain { slot });
            }
            if c.offset_counts.unsigned_abs() > OFFSET_MAX_COUNTS.unsigned_abs() {
                return Err(CalibrationError::Offset { slot });
            }
            if c.delay_ns.unsigned_abs() > DELAY_MAX_NS.unsigned_abs() {
                return Err(CalibrationError::Delay { slot });
            }
        }
        Ok(())
    }

    /// The entries of the channels that wirings use.
    pub fn active(&self) -> &[ChannelCalibration; ACTIVE] {
        // The first six of eight: the split cannot fail, and says so without a panic path.
        match self.channels.first_chunk() {
            Some(c) => c,
            None => &[ChannelCalibration { gain: 1.0, offset_counts: 0, delay_ns: 0 }; ACTIVE],
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn broken(change: impl Fn(&mut ChannelCalibration)) -> Result<(), CalibrationError> {
        let mut c = Calibration::default();
        change(&mut c.channels[4]);
        c.check()
    }

    #[test]
    fn bad_entries_are_named() {
        assert_eq!(Calibration::default().check(), Ok(()));
        for gain in [0.0, f64::NAN, f64::INFINITY, 1e-13, -2e3] {
            assert_eq!(broken(|c| c.gain = gain), Err(CalibrationError::Gain { slot: 4 }));
        }
        assert_eq!(broken(|c| c.gain = -0.5), Ok(()));
        assert_eq!(
            broken(|c| c.offset_counts = i32::MIN),
            Err(CalibrationError::Offset { slot: 4 })
        );
        assert_eq!(broken(|c| c.delay_ns = 1_000_001), Err(CalibrationError::Delay { slot: 4 }));
        assert!(CalibrationError::Gain { slot: 4 }.to_string().contains("i2"));
    }
}
