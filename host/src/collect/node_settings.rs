//! The file of a node's settings (TOML): what `wattless node --settings` writes into a node.

use serde::Deserialize;
use std::path::{Path, PathBuf};
use wattless_core::calibration::{Calibration, ChannelCalibration};
use wattless_core::frame::{COUNT_MAX, Channel};
use wattless_core::power::{Dc, PowerConfig};
use wattless_core::settings::Settings;
use wattless_core::window::Nominal;
use wattless_core::wiring::Wiring;

/// A file of settings to edit, with every entry explained.
pub const EXAMPLE: &str = include_str!("../../sites/node.toml");

/// Why a settings file cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum SettingsFileError {
    /// The file cannot be read.
    #[error("{}: cannot be read: {source}", .path.display())]
    Read {
        /// The file.
        path: PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
    /// An entry is wrong.
    #[error("{}:{line}: {what}", .path.display())]
    Entry {
        /// The file.
        path: PathBuf,
        /// The line, from 1.
        line: usize,
        /// What is wrong, and what is possible.
        what: String,
    },
    /// The settings as a whole do not fit.
    #[error("{}: {what}", .path.display())]
    Whole {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        what: String,
    },
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Raw {
    feeder: String,
    wiring: Wiring,
    nominal_hz: u16,
    interval_s: u16,
    #[serde(default)]
    v_dc: Dc,
    #[serde(default)]
    i_dc: Dc,
    v1: Option<RawVoltage>,
    v2: Option<RawVoltage>,
    v3: Option<RawVoltage>,
    i1: Option<RawCurrent>,
    i2: Option<RawCurrent>,
    i3: Option<RawCurrent>,
}

#[derive(Clone, Copy, Deserialize)]
#[serde(deny_unknown_fields)]
struct RawVoltage {
    full_scale_v: f64,
    #[serde(default)]
    offset_counts: i32,
    #[serde(default)]
    delay_ns: i32,
}

#[derive(Clone, Copy, Deserialize)]
#[serde(deny_unknown_fields)]
struct RawCurrent {
    full_scale_a: f64,
    #[serde(default)]
    offset_counts: i32,
    #[serde(default)]
    delay_ns: i32,
}

/// Reads and checks a settings file.
pub fn load(path: &Path) -> Result<Settings, SettingsFileError> {
    let text = std::fs::read_to_string(path)
        .map_err(|source| SettingsFileError::Read { path: path.to_owned(), source })?;
    parse(&text, path)
}

/// Reads and checks settings; `path` is what error messages call the text.
pub fn parse(text: &str, path: &Path) -> Result<Settings, SettingsFileError> {
    let raw: Raw = toml::from_str(text).map_err(|e| {
        let before = text.get(..e.span().map_or(0, |s| s.start)).unwrap_or_default();
        SettingsFileError::Entry {
            path: path.to_owned(),
            line: 1 + before.matches('\n').count(),
            what: e.message().to_owned(),
        }
    })?;
    build(raw).map_err(|what| SettingsFileError::Whole { path: path.to_owned(), what })
}

fn build(raw: Raw) -> Result<Settings, String> {
    let mut settings = Settings::default();
    settings
        .feeder
        .push_str(&raw.feeder)
        .map_err(|_| "feeder: a name has at most 32 bytes".to_owned())?;
    settings.nominal = match raw.nominal_hz {
        50 => Nominal::Hz50,
        60 => Nominal::Hz60,
        _ => return Err("nominal_hz: must be 50 or 60".into()),
    };
    settings.interval_s = raw.interval_s;
    let voltage = |v: RawVoltage| (v.full_scale_v, v.offset_counts, v.delay_ns);
    let current = |i: RawCurrent| (i.full_scale_a, i.offset_counts, i.delay_ns);
    let given = [
        raw.v1.map(voltage),
        raw.v2.map(voltage),
        raw.v3.map(voltage),
        raw.i1.map(current),
        raw.i2.map(current),
        raw.i3.map(current),
    ];
    let mut calibration = Calibration::default();
    let leads = Channel::ALL.iter().zip(raw.wiring.uses()).zip(given);
    for (c, ((lead, used), given)) in calibration.channels.iter_mut().zip(leads) {
        match given {
            Some((full_scale, offset_counts, delay_ns)) => {
                let gain = full_scale / f64::from(COUNT_MAX);
                *c = ChannelCalibration { gain, offset_counts, delay_ns };
            }
            None if used => {
                return Err(format!("[{}] is missing: the wiring needs it", lead.name()));
            }
            None => {}
        }
    }
    settings.power =
        PowerConfig { wiring: raw.wiring, calibration, v_dc: raw.v_dc, i_dc: raw.i_dc };
    settings.check().map_err(|e| e.to_string())?;
    Ok(settings)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn refused(change: impl Fn(&str) -> String) -> String {
        parse(&change(EXAMPLE), Path::new("node.toml")).unwrap_err().to_string()
    }

    #[test]
    fn the_example_is_good_and_says_what_it_means() {
        let s = parse(EXAMPLE, Path::new("node.toml")).unwrap();
        assert_eq!(s.interval_s, 60);
        assert_eq!(s.power.wiring, Wiring::FourWire);
        let peak = s.power.calibration.channels[0].range_peak();
        assert!((peak - 500.0).abs() < 1e-9);
        assert_eq!(s.power.calibration.channels[3].delay_ns, -27_778);
    }

    #[test]
    fn mistakes_are_named_with_their_line() {
        let text = refused(|t| t.replace("interval_s", "interval"));
        assert!(text.starts_with("node.toml:") && text.contains("interval"), "{text}");
        let text = refused(|t| t.replace("interval_s = 60", "interval_s = 7"));
        assert!(text.contains("divide an hour"), "{text}");
        let text = refused(|t| t.replace("[i2]", "[i9]"));
        assert!(text.contains("i9"), "{text}");
        let text = refused(|t| t.replace("nominal_hz = 50", "nominal_hz = 55"));
        assert!(text.contains("50 or 60"), "{text}");
        let text = refused(|t| t[..t.find("[i3]").unwrap()].to_owned());
        assert!(text.contains("[i3] is missing"), "{text}");
        let text = refused(|t| t.replace("full_scale_v = 500.0", "full_scale_v = 0.0"));
        assert!(text.contains("gain of v1"), "{text}");
    }
}
