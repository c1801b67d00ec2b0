//! A node's settings as a TOML file that people edit.
//!
//! What the file does not name stays as it is in the node, so that a file may hold the
//! calibration alone. A whole file:
//!
//! ```toml
//! feeder = "Sawmill main"   # at most 32 bytes
//! nominal_hz = 50           # or 60
//! interval_s = 60           # length of a record: 1 to 900, a divisor of an hour
//! wiring = "four-wire"      # how the leads are connected
//! voltage_dc = "keep"       # or "remove": behind voltage transformers
//! current_dc = "keep"       # or "remove": behind current transformers
//!
//! [channel.v1]              # and v2, v3
//! gain_v_per_count = 7.5e-5 # negative turns the channel around
//! offset_counts = 0         # the count that stands for zero
//! delay_ns = 0              # how late the channel is
//!
//! [channel.i1]              # and i2, i3
//! gain_a_per_count = 2.4e-5
//! offset_counts = 0
//! delay_ns = -27778         # a current transformer that leads by 30' at 50 Hz
//! ```

use serde::Deserialize;
use std::fmt::Write as _;
use std::fs;
use std::ops::Range;
use std::path::{Path, PathBuf};
use toml::Spanned;
use wattless_core::calibration::{CalibrationError, ChannelCalibration};
use wattless_core::frame::Channel;
use wattless_core::power::Dc;
use wattless_core::settings::{NAME_MAX, Settings, SettingsError};
use wattless_core::window::Nominal;
use wattless_core::wiring::Wiring;

/// Why a settings file cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum SettingsFileError {
    /// The file cannot be read.
    #[error("{}: {source}", .path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
    /// A line cannot be used.
    #[error("{}, line {line}: {what}", .path.display())]
    Line {
        /// The file.
        path: PathBuf,
        /// The line, counted from 1.
        line: usize,
        /// What is wrong and what would be right.
        what: String,
    },
    /// The file is right, but the node's own settings that it leaves alone are not.
    #[error("{}: {what}, and this file does not change it; add it to the file", .path.display())]
    Left {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        what: SettingsError,
    },
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields)]
struct Raw {
    feeder: Option<Spanned<String>>,
    nominal_hz: Option<Spanned<i64>>,
    interval_s: Option<Spanned<i64>>,
    wiring: Option<Wiring>,
    voltage_dc: Option<Dc>,
    current_dc: Option<Dc>,
    #[serde(default)]
    channel: RawChannels,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields)]
struct RawChannels {
    v1: Option<RawVoltage>,
    v2: Option<RawVoltage>,
    v3: Option<RawVoltage>,
    i1: Option<RawCurrent>,
    i2: Option<RawCurrent>,
    i3: Option<RawCurrent>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawVoltage {
    gain_v_per_count: Option<Spanned<f64>>,
    offset_counts: Option<Spanned<i32>>,
    delay_ns: Option<Spanned<i32>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawCurrent {
    gain_a_per_count: Option<Spanned<f64>>,
    offset_counts: Option<Spanned<i32>>,
    delay_ns: Option<Spanned<i32>>,
}

/// One channel's entries, voltage or current.
#[derive(Default)]
struct RawChannel {
    gain: Option<Spanned<f64>>,
    offset: Option<Spanned<i32>>,
    delay: Option<Spanned<i32>>,
}

impl From<RawVoltage> for RawChannel {
    fn from(r: RawVoltage) -> Self {
        RawChannel { gain: r.gain_v_per_count, offset: r.offset_counts, delay: r.delay_ns }
    }
}

impl From<RawCurrent> for RawChannel {
    fn from(r: RawCurrent) -> Self {
        RawChannel { gain: r.gain_a_per_count, offset: r.offset_counts, delay: r.delay_ns }
    }
}

impl RawChannels {
    fn in_order(self) -> [RawChannel; 6] {
        fn or_none<T: Into<RawChannel>>(c: Option<T>) -> RawChannel {
            c.map(Into::into).unwrap_or_default()
        }
        let RawChannels { v1, v2, v3, i1, i2, i3 } = self;
        [or_none(v1), or_none(v2), or_none(v3), or_none(i1), or_none(i2), or_none(i3)]
    }
}

/// Reads a settings file on top of the settings that a node has now.
pub fn read(path: &Path, present: &Settings) -> Result<Settings, SettingsFileError> {
    let text = fs::read_to_string(path)
        .map_err(|source| SettingsFileError::Io { path: path.to_owned(), source })?;
    parse(&text, path, present)
}

/// Reads the text of a settings file; `path` is what errors call it.
pub fn parse(text: &str, path: &Path, present: &Settings) -> Result<Settings, SettingsFileError> {
    let wrong = |at: Range<usize>, what: String| {
        let before = text.get(..at.start).unwrap_or(text);
        let line = before.matches('\n').count() + 1;
        SettingsFileError::Line { path: path.to_owned(), line, what }
    };
    let raw: Raw = toml::from_str(text)
        .map_err(|e| wrong(e.span().unwrap_or(0..0), e.message().trim_end().replace('\n', "; ")))?;
    let mut settings = present.clone();
    if let Some(name) = raw.feeder {
        settings.feeder = name.get_ref().as_str().try_into().map_err(|_| {
            wrong(name.span(), format!("the feeder's name must be at most {NAME_MAX} bytes long"))
        })?;
    }
    if let Some(hz) = raw.nominal_hz {
        settings.nominal = match hz.get_ref() {
            50 => Nominal::Hz50,
            60 => Nominal::Hz60,
            other => {
                return Err(wrong(hz.span(), format!("nominal_hz must be 50 or 60, not {other}")));
            }
        };
    }
    let interval_at = raw.interval_s.as_ref().map(Spanned::span);
    if let Some(s) = raw.interval_s {
        // What does not fit is not a divisor of an hour either: the check below says so.
        settings.interval_s = u16::try_from(*s.get_ref()).unwrap_or(0);
    }
    settings.power.wiring = raw.wiring.unwrap_or(settings.power.wiring);
    settings.power.v_dc = raw.voltage_dc.unwrap_or(settings.power.v_dc);
    settings.power.i_dc = raw.current_dc.unwrap_or(settings.power.i_dc);
    let channels = raw.channel.in_order();
    for (c, raw) in settings.power.calibration.channels.iter_mut().zip(&channels) {
        take(&mut c.gain, &raw.gain);
        take(&mut c.offset_counts, &raw.offset);
        take(&mut c.delay_ns, &raw.delay);
    }
    settings.check().map_err(|error| {
        let channel = |slot: u8| channels.get(usize::from(slot));
        let at = match error {
            SettingsError::Interval => interval_at.clone(),
            SettingsError::Calibration(CalibrationError::Gain { slot }) => {
                channel(slot).and_then(|c| c.gain.as_ref().map(Spanned::span))
            }
            SettingsError::Calibration(CalibrationError::Offset { slot }) => {
                channel(slot).and_then(|c| c.offset.as_ref().map(Spanned::span))
            }
            SettingsError::Calibration(CalibrationError::Delay { slot }) => {
                channel(slot).and_then(|c| c.delay.as_ref().map(Spanned::span))
            }
        };
        match at {
            Some(at) => wrong(at, error.to_string()),
            None => SettingsFileError::Left { path: path.to_owned(), what: error },
        }
    })?;
    Ok(settings)
}

fn take<T: Copy>(place: &mut T, value: &Option<Spanned<T>>) {
    if let Some(value) = value {
        *place = *value.get_ref();
    }
}

/// Writes settings as a file that [`read`] takes back.
pub fn write(settings: &Settings) -> String {
    let mut out = String::new();
    let dc = |dc: Dc| match dc {
        Dc::Keep => "keep",
        Dc::Remove => "remove",
    };
    let feeder = toml::Value::from(settings.feeder.as_str());
    let _ = writeln!(out, "feeder = {feeder}");
    let _ = writeln!(out, "nominal_hz = {}", settings.nominal.hz());
    let _ = writeln!(out, "interval_s = {}", settings.interval_s);
    let _ = writeln!(out, "wiring = \"{}\"", settings.power.wiring.name());
    let _ = writeln!(out, "voltage_dc = \"{}\"", dc(settings.power.v_dc));
    let _ = writeln!(out, "current_dc = \"{}\"", dc(settings.power.i_dc));
    for (channel, c) in Channel::ALL.into_iter().zip(&settings.power.calibration.channels) {
        let ChannelCalibration { gain, offset_counts, delay_ns } = c;
        let unit = if channel.is_voltage() { 'v' } else { 'a' };
        let _ = writeln!(out, "\n[channel.{}]", channel.name());
        let _ = writeln!(out, "gain_{unit}_per_count = {gain:?}");
        let _ = writeln!(out, "offset_counts = {offset_counts}");
        let _ = writeln!(out, "delay_ns = {delay_ns}");
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read_text(text: &str) -> Result<Settings, String> {
        parse(text, Path::new("saw.toml"), &Settings::default()).map_err(|e| e.to_string())
    }

    #[test]
    fn settings_return_from_their_file() {
        let mut s = Settings { interval_s: 900, nominal: Nominal::Hz60, ..Settings::default() };
        s.feeder = "Saw \"main\" \\ ü".try_into().unwrap();
        s.power.wiring = Wiring::TwoSensorLine;
        s.power.v_dc = Dc::Remove;
        for (k, c) in s.power.calibration.channels.iter_mut().take(6).enumerate() {
            *c = ChannelCalibration {
                gain: -1.234_567_890_123e-5 * (k + 1) as f64,
                offset_counts: k as i32 - 3,
                delay_ns: -27_778 + k as i32,
            };
        }
        assert_eq!(read_text(&write(&s)).unwrap(), s);
        assert_eq!(read_text(&write(&Settings::default())).unwrap(), Settings::default());
    }

    #[test]
    fn what_the_file_does_not_name_stays() {
        let s = read_text("feeder = \"Planer\"\n[channel.i2]\ngain_a_per_count = 2e-5\n").unwrap();
        let mut expected = Settings { feeder: "Planer".try_into().unwrap(), ..Settings::default() };
        expected.power.calibration.channels[4].gain = 2e-5;
        assert_eq!(s, expected);
        assert_eq!(read_text("").unwrap(), Settings::default());
    }

    #[test]
    fn the_documented_file_is_right() {
        let text: String = include_str!("settings_file.rs")
            .lines()
            .skip_while(|l| *l != "//! ```toml")
            .skip(1)
            .take_while(|l| *l != "//! ```")
            .map(|l| format!("{}\n", l.trim_start_matches("//!")))
            .collect();
        let s = read_text(&text).unwrap();
        assert_eq!(s.feeder.as_str(), "Sawmill main");
        assert_eq!(s.power.calibration.channels[3].delay_ns, -27_778);
    }

    #[test]
    fn errors_name_file_line_and_what_would_do() {
        for (text, line, words) in [
            ("interval_s = 60\nintervall = 5\n", 2, "unknown field `intervall`"),
            ("\n\nwiring = \"delta\"", 3, "four-wire"),
            ("nominal_hz = 55", 1, "50 or 60"),
            ("# a\ninterval_s = 7", 2, "divide an hour"),
            ("interval_s = 99999999", 1, "divide an hour"),
            ("[channel.v1]\noffset_counts = 0\ngain_v_per_count = 0.0", 3, "gain of v1"),
            ("[channel.i3]\noffset_counts = 9999999", 2, "offset of i3"),
            ("[channel.i3]\ndelay_ns = -2000000", 2, "delay of i3"),
            ("[channel.v1]\ngain_a_per_count = 1.0", 2, "unknown field"),
            ("[channel.n]", 1, "unknown field"),
            ("feeder = \"a name that is much longer than it may be\"", 1, "32 bytes"),
            ("feeder = ", 1, "string"),
            ("voltage_dc = \"maybe\"", 1, "remove"),
        ] {
            let error = read_text(text).unwrap_err();
            assert!(error.starts_with(&format!("saw.toml, line {line}: ")), "{text}: {error}");
            assert!(error.contains(words) && !error.contains('\n'), "{text}: {error}");
        }
    }

    #[test]
    fn bad_settings_in_the_node_are_not_laid_on_the_file() {
        let present = Settings { interval_s: 7, ..Settings::default() };
        let error = parse("feeder = \"x\"", Path::new("saw.toml"), &present).unwrap_err();
        assert!(matches!(error, SettingsFileError::Left { .. }), "{error}");
        assert!(parse("interval_s = 60", Path::new("saw.toml"), &present).is_ok());
    }
}
