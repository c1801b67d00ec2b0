//! What a node is told once and keeps: wiring, interval, calibration.

use crate::calibration::CalibrationError;
use crate::power::PowerConfig;
use crate::window::Nominal;
use crate::wiring::Wiring;
use crate::{calibration::Calibration, power::Dc};
use heapless::String;
use serde::{Deserialize, Serialize};

/// Longest name of a feeder in a node, in bytes of UTF-8.
pub const NAME_MAX: usize = 32;

/// Settings of a node.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Settings {
    /// What the node is connected to, for people.
    pub feeder: String<NAME_MAX>,
    /// Nominal frequency.
    pub nominal: Nominal,
    /// Length of a record in seconds; divides an hour, 1 to 900.
    pub interval_s: u16,
    /// Wiring, calibration, treatment of DC.
    pub power: PowerConfig,
}

impl Default for Settings {
    fn default() -> Self {
        Settings {
            feeder: String::new(),
            nominal: Nominal::Hz50,
            interval_s: 60,
            power: PowerConfig {
                wiring: Wiring::FourWire,
                calibration: Calibration::default(),
                v_dc: Dc::Keep,
                i_dc: Dc::Keep,
            },
        }
    }
}

/// What is wrong with settings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum SettingsError {
    /// The interval is not a divisor of an hour from 1 to 900 seconds.
    Interval,
    /// The calibration of a channel cannot be used.
    Calibration(CalibrationError),
}

impl core::fmt::Display for SettingsError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            SettingsError::Interval => {
                write!(f, "the interval must be 1 to 900 seconds and divide an hour")
            }
            SettingsError::Calibration(e) => e.fmt(f),
        }
    }
}

impl core::error::Error for SettingsError {}

impl Settings {
    /// Finds the first setting that cannot be used.
    pub fn check(&self) -> Result<(), SettingsError> {
        let s = self.interval_s;
        if !(1..=900).contains(&s) || 3600 % s != 0 {
            return Err(SettingsError::Interval);
        }
        self.power.calibration.check().map_err(SettingsError::Calibration)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_divisors_of_an_hour_pass() {
        for (s, ok) in [(1, true), (60, true), (900, true), (0, false), (7, false), (1800, false)] {
            let settings = Settings { interval_s: s, ..Settings::default() };
            assert_eq!(settings.check().is_ok(), ok, "{s}");
        }
    }
}
