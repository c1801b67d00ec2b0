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
//! neutral_sensor = false    # whether a sensor measures the neutral's current
//! sinc3_osr = 512           # the converter's oversampling; 0: its droop stays
//!
//! [channel.v1]              # and v2, v3
//! gain_v_per_count = 7.5e-5 # negative turns the channel around
//! offset_counts = 0         # the count that stands for zero
//! delay_ns = 0              # how late the channel is, at every frequency
//! rc_ns = 10000             # time constant of the input filter: 1 kΩ and 10 nF
//!
//! [channel.i1]              # and i2, i3, in
//! gain_a_per_count = 2.4e-5
//! offset_counts = 0
//! delay_ns = -2000
//! rc_ns = 10000
//! sensor = "proportional"   # or "rogowski-50", "rogowski-60": the gain holds at 50 or 60 Hz
//! rated_a = 100.0           # what the loads of the table are percents of
//! table = [                 # errors of the sensor, as its certificate states them
//!     { load_pct = 5.0, ratio_pct = -0.6, lead_min = 40.0 },
//!     { load_pct = 20.0, ratio_pct = -0.3, lead_min = 24.0 },
//!     { load_pct = 100.0, ratio_pct = -0.1, lead_min = 12.0 },
//! ]
//! ```
//!
//! Ratio errors are positive when the output is too large, angles when it leads. A table that
//! is given replaces the node's; `table = []` removes it.

use serde::Deserialize;
use std::fmt::Write as _;
use std::fs;
use std::ops::Range;
use std::path::{Path, PathBuf};
use toml::Spanned;
use wattless_core::calibration::{
    CalibrationError, ChannelCalibration, CurrentSensor, FIRST_CURRENT, SensorKind, SensorPoint,
    TABLE_MAX,
};
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
    neutral_sensor: Option<bool>,
    sinc3_osr: Option<Spanned<i64>>,
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
    r#in: Option<RawCurrent>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawVoltage {
    gain_v_per_count: Option<Spanned<f64>>,
    offset_counts: Option<Spanned<i32>>,
    delay_ns: Option<Spanned<i32>>,
    rc_ns: Option<Spanned<u32>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawCurrent {
    gain_a_per_count: Option<Spanned<f64>>,
    offset_counts: Option<Spanned<i32>>,
    delay_ns: Option<Spanned<i32>>,
    rc_ns: Option<Spanned<u32>>,
    sensor: Option<RawSensor>,
    rated_a: Option<Spanned<f64>>,
    table: Option<Spanned<Vec<RawPoint>>>,
}

/// How a sensor follows its current, in the file's words.
#[derive(Clone, Copy, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum RawSensor {
    Proportional,
    #[serde(rename = "rogowski-50")]
    Rogowski50,
    #[serde(rename = "rogowski-60")]
    Rogowski60,
}

impl RawSensor {
    fn kind(self) -> SensorKind {
        match self {
            RawSensor::Proportional => SensorKind::Proportional,
            RawSensor::Rogowski50 => SensorKind::Rogowski(Nominal::Hz50),
            RawSensor::Rogowski60 => SensorKind::Rogowski(Nominal::Hz60),
        }
    }
}

/// A row of a sensor's table.
#[derive(Clone, Copy, Deserialize)]
#[serde(deny_unknown_fields)]
struct RawPoint {
    load_pct: f64,
    ratio_pct: f64,
    lead_min: f64,
}

/// Microradians in a minute of arc.
const URAD_PER_MIN: f64 = 1e6 * core::f64::consts::PI / 10_800.0;

impl RawPoint {
    /// In the node's steps; what does not fit becomes a value that the checks refuse.
    fn point(self) -> SensorPoint {
        let whole = |x: f64| libm::rint(x.clamp(-1e9, 1e9)) as i32;
        SensorPoint {
            load_permille: u16::try_from(whole(self.load_pct * 10.0)).unwrap_or_default(),
            ratio_ppm: whole(self.ratio_pct * 1e4),
            lead_urad: whole(self.lead_min * URAD_PER_MIN),
        }
    }
}

/// One channel's entries, voltage or current.
#[derive(Default)]
struct RawChannel {
    gain: Option<Spanned<f64>>,
    offset: Option<Spanned<i32>>,
    delay: Option<Spanned<i32>>,
    rc: Option<Spanned<u32>>,
    sensor: Option<RawSensor>,
    rated: Option<Spanned<f64>>,
    table: Option<Spanned<Vec<RawPoint>>>,
}

impl From<RawVoltage> for RawChannel {
    fn from(r: RawVoltage) -> Self {
        RawChannel {
            gain: r.gain_v_per_count,
            offset: r.offset_counts,
            delay: r.delay_ns,
            rc: r.rc_ns,
            ..RawChannel::default()
        }
    }
}

impl From<RawCurrent> for RawChannel {
    fn from(r: RawCurrent) -> Self {
        RawChannel {
            gain: r.gain_a_per_count,
            offset: r.offset_counts,
            delay: r.delay_ns,
            rc: r.rc_ns,
            sensor: r.sensor,
            rated: r.rated_a,
            table: r.table,
        }
    }
}

impl RawChannels {
    fn in_order(self) -> [RawChannel; 7] {
        fn or_none<T: Into<RawChannel>>(c: Option<T>) -> RawChannel {
            c.map(Into::into).unwrap_or_default()
        }
        let RawChannels { v1, v2, v3, i1, i2, i3, r#in } = self;
        let currents = [or_none(i1), or_none(i2), or_none(i3), or_none(r#in)];
        let [i1, i2, i3, r#in] = currents;
        [or_none(v1), or_none(v2), or_none(v3), i1, i2, i3, r#in]
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
    settings.power.neutral_sensor = raw.neutral_sensor.unwrap_or(settings.power.neutral_sensor);
    let channels = raw.channel.in_order();
    let calibration = &mut settings.power.calibration;
    if let Some(osr) = &raw.sinc3_osr {
        // What does not fit is no power of two either: the check below says so.
        calibration.sinc3_osr = u16::try_from(*osr.get_ref()).unwrap_or(1);
    }
    for (slot, raw) in channels.iter().enumerate() {
        let c = &mut calibration.channels[slot];
        take(&mut c.gain, &raw.gain);
        take(&mut c.offset_counts, &raw.offset);
        take(&mut c.delay_ns, &raw.delay);
        take(&mut calibration.rc_ns[slot], &raw.rc);
        if let Some(sensor) = calibration.sensors.get_mut(slot.wrapping_sub(FIRST_CURRENT)) {
            take_sensor(sensor, raw).map_err(|(at, what)| wrong(at, what))?;
        }
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
            SettingsError::Calibration(CalibrationError::Rc { slot }) => {
                channel(slot).and_then(|c| c.rc.as_ref().map(Spanned::span))
            }
            SettingsError::Calibration(CalibrationError::Table { slot }) => {
                channel(slot).and_then(|c| {
                    let table = c.table.as_ref().map(Spanned::span);
                    table.or(c.rated.as_ref().map(Spanned::span))
                })
            }
            SettingsError::Calibration(CalibrationError::Oversampling) => {
                raw.sinc3_osr.as_ref().map(Spanned::span)
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

/// Puts a sensor's entries in place; says which entry cannot be used.
fn take_sensor(sensor: &mut CurrentSensor, raw: &RawChannel) -> Result<(), (Range<usize>, String)> {
    if let Some(kind) = raw.sensor {
        sensor.kind = kind.kind();
    }
    if let Some(rated) = &raw.rated {
        sensor.rated_a = *rated.get_ref() as f32;
    }
    let Some(table) = &raw.table else { return Ok(()) };
    let rows = table.get_ref();
    if rows.len() > TABLE_MAX {
        let what = format!("a sensor table has at most {TABLE_MAX} rows, not {}", rows.len());
        return Err((table.span(), what));
    }
    sensor.table = [SensorPoint::default(); TABLE_MAX];
    for (place, row) in sensor.table.iter_mut().zip(rows) {
        *place = row.point();
        if place.load_permille == 0 {
            let what = format!("load_pct = {} is not possible; give 0.1 to 6000", row.load_pct);
            return Err((table.span(), what));
        }
    }
    if rows.is_empty() && raw.rated.is_none() {
        sensor.rated_a = 0.0;
    }
    Ok(())
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
    let calibration = &settings.power.calibration;
    let _ = writeln!(out, "neutral_sensor = {}", settings.power.neutral_sensor);
    let _ = writeln!(out, "sinc3_osr = {}", calibration.sinc3_osr);
    for (slot, name) in CHANNEL_NAMES.into_iter().enumerate() {
        let ChannelCalibration { gain, offset_counts, delay_ns } = &calibration.channels[slot];
        let unit = if slot < FIRST_CURRENT { 'v' } else { 'a' };
        let _ = writeln!(out, "\n[channel.{name}]");
        let _ = writeln!(out, "gain_{unit}_per_count = {gain:?}");
        let _ = writeln!(out, "offset_counts = {offset_counts}");
        let _ = writeln!(out, "delay_ns = {delay_ns}");
        let _ = writeln!(out, "rc_ns = {}", calibration.rc_ns[slot]);
        if let Some(sensor) = calibration.sensor(slot) {
            write_sensor(&mut out, sensor);
        }
    }
    out
}

/// The channels that a file can name, in slot order.
const CHANNEL_NAMES: [&str; 7] = ["v1", "v2", "v3", "i1", "i2", "i3", "in"];

fn write_sensor(out: &mut String, sensor: &CurrentSensor) {
    let kind = match sensor.kind {
        SensorKind::Proportional => "proportional",
        SensorKind::Rogowski(Nominal::Hz50) => "rogowski-50",
        SensorKind::Rogowski(Nominal::Hz60) => "rogowski-60",
    };
    let _ = writeln!(out, "sensor = \"{kind}\"");
    if sensor.points().is_empty() {
        return;
    }
    let _ = writeln!(out, "rated_a = {:?}", sensor.rated_a);
    let _ = writeln!(out, "table = [");
    for p in sensor.points() {
        // Enough digits that the node's whole steps come back.
        let _ = writeln!(
            out,
            "    {{ load_pct = {:?}, ratio_pct = {:?}, lead_min = {:.4} }},",
            f64::from(p.load_permille) / 10.0,
            f64::from(p.ratio_ppm) / 1e4,
            f64::from(p.lead_urad) / URAD_PER_MIN,
        );
    }
    let _ = writeln!(out, "]");
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
        s.power.neutral_sensor = true;
        let c = &mut s.power.calibration;
        c.sinc3_osr = 512;
        c.rc_ns = [10_000, 10_100, 33_000, 0, 1, 1_000_000, 7, 0];
        c.sensors[1].kind = SensorKind::Rogowski(Nominal::Hz60);
        c.sensors[3].rated_a = 66.7;
        for (k, p) in (0..).zip(&mut c.sensors[3].table) {
            *p = SensorPoint {
                load_permille: 11 * (k as u16 + 1),
                ratio_ppm: 7 - 12_345 * k,
                lead_urad: 174_533 - 34_891 * k,
            };
        }
        assert_eq!(s.check(), Ok(()));
        assert_eq!(read_text(&write(&s)).unwrap(), s);
        // A file that says so takes the table away.
        let without = parse("[channel.in]\ntable = []", Path::new("x"), &s).unwrap();
        assert_eq!(without.power.calibration.sensors[3], CurrentSensor::default());
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
        let c = &s.power.calibration;
        assert_eq!((c.channels[3].delay_ns, c.rc_ns[3], c.sinc3_osr), (-2000, 10_000, 512));
        // 12' are 3.4907 mrad.
        let point = SensorPoint { load_permille: 1000, ratio_ppm: -1000, lead_urad: 3491 };
        assert_eq!(c.sensors[0].points()[2], point);
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
            ("\nsinc3_osr = 500", 2, "power of two"),
            ("sinc3_osr = 99999999", 1, "power of two"),
            ("[channel.v1]\nrc_ns = 2000000", 2, "rc_ns of v1"),
            ("[channel.v1]\nsensor = \"rogowski-50\"", 2, "unknown field"),
            ("[channel.i1]\nsensor = \"rogowski\"", 2, "rogowski-60"),
            ("[channel.i1]\nrated_a = 5.0", 2, "table of i1"),
            (
                "[channel.in]\ntable = [{ load_pct = 5.0, ratio_pct = 0.1, lead_min = 1.0 }]",
                2,
                "rated current",
            ),
            (
                "[channel.i1]\nrated_a = 5.0\ntable = [{ load_pct = 0.0, ratio_pct = 0.1, lead_min = 1.0 }]",
                3,
                "load_pct = 0 is not",
            ),
            (
                "[channel.i1]\nrated_a = 5.0\ntable = [{ load_pct = 5.0, ratio_pct = 50.0, lead_min = 1.0 }]",
                3,
                "at most 20 %",
            ),
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
