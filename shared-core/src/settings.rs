//! What a node is told once and keeps: wiring, interval, calibration.

use crate::calibration::{CalibrationError, ChannelCalibration};
use crate::frame::CHANNELS;
use crate::power::PowerConfig;
use crate::window::Nominal;
use crate::wiring::Wiring;
use crate::{calibration::Calibration, power::Dc};
use heapless::String;
use serde::{Deserialize, Serialize};

/// Longest name of a feeder in a node, in bytes of UTF-8.
pub const NAME_MAX: usize = 32;

/// The format of stored settings; it changes with [`Settings`].
pub const SETTINGS_FORMAT: u8 = 2;

/// Longest stored settings (the body, postcard), in bytes.
pub const SETTINGS_MAX: usize = 480;

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
                neutral_sensor: false,
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

/// Settings as format 1 held them: without filters and sensors.
#[derive(Deserialize)]
struct SettingsV1 {
    feeder: String<NAME_MAX>,
    nominal: Nominal,
    interval_s: u16,
    power: PowerV1,
}

#[derive(Deserialize)]
struct PowerV1 {
    wiring: Wiring,
    channels: [ChannelCalibration; CHANNELS],
    v_dc: Dc,
    i_dc: Dc,
}

impl From<SettingsV1> for Settings {
    fn from(old: SettingsV1) -> Settings {
        let power = old.power;
        Settings {
            feeder: old.feeder,
            nominal: old.nominal,
            interval_s: old.interval_s,
            power: PowerConfig {
                wiring: power.wiring,
                calibration: Calibration { channels: power.channels, ..Calibration::default() },
                v_dc: power.v_dc,
                i_dc: power.i_dc,
                neutral_sensor: false,
            },
        }
    }
}

impl Settings {
    /// Reads a stored body of a format from 1 to [`SETTINGS_FORMAT`], unchecked.
    ///
    /// Format 1 knew neither filters nor sensors: its gains hold without them.
    /// `None` for another format, or when the bytes are not settings of it.
    pub fn from_stored(format: u8, body: &[u8]) -> Option<Settings> {
        let (settings, rest) = match format {
            1 => {
                let (old, rest) = postcard::take_from_bytes::<SettingsV1>(body).ok()?;
                (Settings::from(old), rest)
            }
            SETTINGS_FORMAT => postcard::take_from_bytes(body).ok()?,
            _ => return None,
        };
        rest.is_empty().then_some(settings)
    }

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

    /// A body of format 1, written down when that was the newest, byte by byte.
    #[test]
    fn settings_of_format_1_still_read() {
        let mut body = std::vec![3u8, b'S', b'a', b'w', 1, 60, 4];
        for slot in 0..CHANNELS {
            body.extend((1.5e-5 * (slot + 1) as f64).to_le_bytes());
            // Zigzag: 300 counts, −27 778 ns.
            body.extend([0xD8, 0x04, 0x83, 0xB2, 0x03]);
        }
        body.extend([1, 0]);
        let s = Settings::from_stored(1, &body).unwrap();
        assert_eq!(s.feeder.as_str(), "Saw");
        assert_eq!((s.nominal, s.interval_s), (Nominal::Hz60, 60));
        assert_eq!(s.power.wiring, Wiring::ThreeWireLine);
        assert_eq!((s.power.v_dc, s.power.i_dc), (Dc::Remove, Dc::Keep));
        let c = &s.power.calibration;
        assert_eq!(
            c.channels[2],
            ChannelCalibration { gain: 4.5e-5, offset_counts: 300, delay_ns: -27_778 }
        );
        assert_eq!(*c, Calibration { channels: c.channels, ..Calibration::default() });
        assert_eq!(s.check(), Ok(()));
        for bad in [&body[..body.len() - 1], &[&body[..], &[0]].concat()] {
            assert_eq!(Settings::from_stored(1, bad), None);
        }
        assert_eq!(Settings::from_stored(3, &body), None);
        assert_eq!(Settings::from_stored(2, &body), None);
    }

    /// The longest settings that pass their checks fit, and return.
    #[test]
    fn the_longest_settings_fit() {
        use crate::calibration::*;
        let mut s = Settings { interval_s: 900, nominal: Nominal::Hz60, ..Settings::default() };
        s.feeder.push_str("a feeder name of 32 bytes, whole").unwrap();
        let c = &mut s.power.calibration;
        c.channels = [ChannelCalibration {
            gain: -1e3 / 3.0,
            offset_counts: -OFFSET_MAX_COUNTS,
            delay_ns: -DELAY_MAX_NS,
        }; CHANNELS];
        c.sinc3_osr = 16_384;
        c.rc_ns = [RC_MAX_NS; CHANNELS];
        let mut table = [SensorPoint::default(); TABLE_MAX];
        for (k, p) in (0u16..).zip(&mut table) {
            *p = SensorPoint {
                load_permille: 60_000 + k,
                ratio_ppm: -RATIO_MAX_PPM,
                lead_urad: -LEAD_MAX_URAD,
            };
        }
        let kind = SensorKind::Rogowski(Nominal::Hz60);
        c.sensors = [CurrentSensor { kind, rated_a: 1e5 / 3.0, table }; CURRENTS];
        assert_eq!(s.check(), Ok(()));
        let mut room = [0; SETTINGS_MAX];
        let body = postcard::to_slice(&s, &mut room).unwrap();
        assert_eq!(Settings::from_stored(SETTINGS_FORMAT, body), Some(s));
    }

    #[test]
    fn only_divisors_of_an_hour_pass() {
        for (s, ok) in [(1, true), (60, true), (900, true), (0, false), (7, false), (1800, false)] {
            let settings = Settings { interval_s: s, ..Settings::default() };
            assert_eq!(settings.check().is_ok(), ok, "{s}");
        }
    }
}
