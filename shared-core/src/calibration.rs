//! From counts to volts and amperes: gain, offset and delay of each channel, what its filters
//! and its sensor do to a wave, with their checks. What follows from it is in [`crate::response`].
//! Offsets and gains act on exact sums, so that no rounding enters sample by sample.

use crate::frame::{ACTIVE, CHANNELS, COUNT_MAX, Channel};
use crate::window::Nominal;
use serde::{Deserialize, Serialize};

/// Smallest magnitude of a gain, in volts or amperes per count.
pub const GAIN_MIN: f64 = 1e-12;
/// Largest magnitude of a gain, in volts or amperes per count.
pub const GAIN_MAX: f64 = 1e3;
/// Largest magnitude of an offset, in counts (one eighth of the range).
pub const OFFSET_MAX_COUNTS: i32 = 1 << 20;
/// Largest magnitude of a delay, in nanoseconds (18° at 50 Hz).
pub const DELAY_MAX_NS: i32 = 1_000_000;

/// Largest time constant of an input filter, in nanoseconds.
pub const RC_MAX_NS: u32 = 1_000_000;
/// Smallest and largest oversampling of a sinc³ filter.
pub const SINC3_OSR_RANGE: (u16, u16) = (16, 16_384);
/// Channels that carry currents: i1, i2, i3 and the neutral's, in slots 3 to 6.
pub const CURRENTS: usize = 4;
/// First slot of the current channels.
pub const FIRST_CURRENT: usize = 3;
/// Most points of a sensor's table.
pub const TABLE_MAX: usize = 6;
/// Largest magnitude of a ratio error in a table, in millionths (20 %).
pub const RATIO_MAX_PPM: i32 = 200_000;
/// Largest magnitude of a phase error in a table, in microradians (about 10°).
pub const LEAD_MAX_URAD: i32 = 174_533;

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

/// One row of a sensor's table: its errors at a share of rated current.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct SensorPoint {
    /// Share of rated current in thousandths; 0 for a row that is not used.
    pub load_permille: u16,
    /// Ratio error in millionths: positive when the output is too large.
    pub ratio_ppm: i32,
    /// Phase displacement in microradians: positive when the output leads (IEC 61869-2).
    pub lead_urad: i32,
}

/// How a current sensor's output follows the current.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub enum SensorKind {
    /// In proportion: transformers, Hall sensors, coils with an integrator of their own.
    #[default]
    Proportional,
    /// As its rate of change: a bare Rogowski coil, whose gain holds at this frequency.
    Rogowski(Nominal),
}

/// A current sensor.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct CurrentSensor {
    /// How its output follows the current.
    pub kind: SensorKind,
    /// Rated current in A, which the table refers to; 0 where there is no table.
    pub rated_a: f32,
    /// Errors over current, rising loads first, unused rows last.
    pub table: [SensorPoint; TABLE_MAX],
}

impl CurrentSensor {
    /// The rows in use.
    pub fn points(&self) -> &[SensorPoint] {
        let used = self.table.iter().take_while(|p| p.load_permille > 0).count();
        self.table.get(..used).unwrap_or_default()
    }

    /// Whether rows rise, errors are within limits and a rated current goes with them.
    fn is_sound(&self) -> bool {
        let points = self.points();
        let rest = self.table.get(points.len()..).unwrap_or_default();
        rest.iter().all(|p| *p == SensorPoint::default())
            && points.windows(2).all(|w| matches!(w, [a, b] if a.load_permille < b.load_permille))
            && points.iter().all(|p| {
                p.ratio_ppm.unsigned_abs() <= RATIO_MAX_PPM.unsigned_abs()
                    && p.lead_urad.unsigned_abs() <= LEAD_MAX_URAD.unsigned_abs()
            })
            && if points.is_empty() {
                self.rated_a == 0.0
            } else {
                (1e-3..=1e6).contains(&self.rated_a)
            }
    }
}

/// Calibration of all channel slots.
#[derive(Clone, Copy, Debug, PartialEq, Default, Serialize, Deserialize)]
pub struct Calibration {
    /// One entry a slot.
    pub channels: [ChannelCalibration; CHANNELS],
    /// Oversampling of the converter's sinc³ filter; 0 when its droop is not to be corrected.
    ///
    /// Above 1024 a second stage averages, as in the usual 24-bit converters.
    pub sinc3_osr: u16,
    /// Time constant of each slot's input filter (one pole), in nanoseconds; 0 for none.
    pub rc_ns: [u32; CHANNELS],
    /// Sensors of i1, i2, i3 and the neutral current.
    pub sensors: [CurrentSensor; CURRENTS],
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
    /// Time constant beyond [`RC_MAX_NS`].
    Rc {
        /// The slot with the fault.
        slot: u8,
    },
    /// A sensor's table does not rise, exceeds its limits, or lacks its rated current.
    Table {
        /// The slot with the fault.
        slot: u8,
    },
    /// The oversampling is outside [`SINC3_OSR_RANGE`] or not a power of two.
    Oversampling,
}

impl core::fmt::Display for CalibrationError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        let name = |slot: u8| match Channel::ALL.get(usize::from(slot)) {
            Some(c) => c.name(),
            None if slot == 6 => "in",
            None => "spare",
        };
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
            CalibrationError::Rc { slot } => {
                write!(f, "rc_ns of {} must be 0 to {RC_MAX_NS} ns", name(slot))
            }
            CalibrationError::Table { slot } => write!(
                f,
                "the sensor table of {} needs a rated current and up to {TABLE_MAX} rows of rising \
                 load with errors of at most 20 % and 600'",
                name(slot)
            ),
            CalibrationError::Oversampling => write!(
                f,
                "the oversampling of the sinc³ filter must be 0 for none, or a power of two from \
                 {} to {}",
                SINC3_OSR_RANGE.0, SINC3_OSR_RANGE.1
            ),
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
        for (slot, rc) in (0u8..).zip(&self.rc_ns) {
            if *rc > RC_MAX_NS {
                return Err(CalibrationError::Rc { slot });
            }
        }
        for (slot, sensor) in (FIRST_CURRENT as u8..).zip(&self.sensors) {
            if !sensor.is_sound() {
                return Err(CalibrationError::Table { slot });
            }
        }
        let (low, high) = SINC3_OSR_RANGE;
        let osr = self.sinc3_osr;
        if osr != 0 && !((low..=high).contains(&osr) && osr.is_power_of_two()) {
            return Err(CalibrationError::Oversampling);
        }
        Ok(())
    }

    /// The sensor on a slot; `None` for voltages and the spare.
    pub fn sensor(&self, slot: usize) -> Option<&CurrentSensor> {
        self.sensors.get(slot.checked_sub(FIRST_CURRENT)?)
    }

    /// The reference frequency of a Rogowski coil on a slot; `None` where there is none.
    pub fn rogowski(&self, slot: usize) -> Option<Nominal> {
        match self.sensor(slot)?.kind {
            SensorKind::Rogowski(at) => Some(at),
            SensorKind::Proportional => None,
        }
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

    #[test]
    fn filters_and_tables_have_their_limits() {
        let change = |change: &dyn Fn(&mut Calibration)| {
            let mut c = Calibration::default();
            change(&mut c);
            c.check()
        };
        for osr in [0, 16, 128, 512, 16_384] {
            assert_eq!(change(&|c| c.sinc3_osr = osr), Ok(()), "{osr}");
        }
        for osr in [1, 8, 500, 32_768] {
            assert_eq!(
                change(&|c| c.sinc3_osr = osr),
                Err(CalibrationError::Oversampling),
                "{osr}"
            );
        }
        assert_eq!(change(&|c| c.rc_ns[1] = RC_MAX_NS + 1), Err(CalibrationError::Rc { slot: 1 }));
        let row = |load_permille, ratio_ppm, lead_urad| SensorPoint {
            load_permille,
            ratio_ppm,
            lead_urad,
        };
        let table = |rated_a, rows: &[SensorPoint]| {
            change(&|c| {
                c.sensors[1].rated_a = rated_a;
                c.sensors[1].table[..rows.len()].copy_from_slice(rows);
            })
        };
        assert_eq!(table(100.0, &[row(50, -1000, 2000), row(1000, 0, 500)]), Ok(()));
        let bad = Err(CalibrationError::Table { slot: 4 });
        assert_eq!(table(0.0, &[row(50, 0, 0)]), bad);
        assert_eq!(table(f32::NAN, &[row(50, 0, 0)]), bad);
        assert_eq!(table(100.0, &[]), bad);
        assert_eq!(table(100.0, &[row(50, 0, 0), row(50, 0, 0)]), bad);
        assert_eq!(table(100.0, &[row(50, 0, 0), row(0, 0, 0), row(90, 0, 0)]), bad);
        assert_eq!(table(100.0, &[row(50, i32::MIN, 0)]), bad);
        assert_eq!(table(100.0, &[row(50, 0, LEAD_MAX_URAD + 1)]), bad);
    }
}
