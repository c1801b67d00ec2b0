//! The scenario file: a feeder, its loads and its calendar over a span of time, as written by people.
//! Only shape and words are here; limits are checked in `check`, behaviour follows in the feeder.

mod check;
mod front_end;
mod lines;
mod loads;

pub use front_end::{CoilOrTransformer, CurrentSensors, FrontEnd, SensorRow};
pub use loads::{BankConnection, Capacitor, Connection, Duty, Motor, PlainLoad};

use jiff::civil::{Date, DateTime, Time};
use jiff::{Span as TimeSpan, Timestamp, ToSpan, tz::TimeZone};
use serde::Deserialize;
use std::path::Path;
use wattless_core::window::Nominal;
use wattless_core::wiring::Wiring;

/// The example that ships with the program: Brackwater Joinery, feeder "Sawmill main".
pub const SAWMILL: &str = include_str!("../../../scenarios/sawmill.toml");

/// Why a scenario cannot be used; the message names file, line and key.
#[derive(Debug, thiserror::Error)]
pub enum ScenarioError {
    /// The file cannot be read.
    #[error("{file}: cannot be read: {source}")]
    Read {
        /// The file.
        file: String,
        /// What the system says.
        source: std::io::Error,
    },
    /// Not TOML, an unknown key, or a value of the wrong type.
    #[error("{file}:{line}: {message}")]
    Shape {
        /// The file.
        file: String,
        /// Line, from 1.
        line: usize,
        /// What is wrong.
        message: String,
    },
    /// A value that no feeder can have.
    #[error("{file}:{line}: {key}: {message}")]
    Value {
        /// The file.
        file: String,
        /// Line, from 1.
        line: usize,
        /// The key, with its table.
        key: String,
        /// What is wrong and what is possible.
        message: String,
    },
}

/// A whole scenario; see the annotated example for every key in place.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Scenario {
    /// Whose feeder it is.
    pub plant: Plant,
    /// When, and with which seed.
    pub span: Span,
    /// What comes from the utility.
    pub supply: Supply,
    /// The node that watches.
    #[serde(default)]
    pub node: NodeSetup,
    /// Working hours.
    #[serde(default)]
    pub shift: Vec<Shift>,
    /// Induction motors.
    #[serde(default)]
    pub motor: Vec<Motor>,
    /// Lamps: nearly constant impedance; `pf` 0.95 when not given.
    #[serde(default)]
    pub lighting: Vec<PlainLoad>,
    /// Heaters: resistances; `pf` 1 when not given.
    #[serde(default)]
    pub heater: Vec<PlainLoad>,
    /// Drives and other six-pulse rectifiers: constant power, harmonics; `pf` 0.96 when not given.
    #[serde(default)]
    pub rectifier: Vec<PlainLoad>,
    /// Welders: usually between two lines, in bursts; `pf` 0.5 when not given.
    #[serde(default)]
    pub welder: Vec<PlainLoad>,
    /// Capacitors.
    #[serde(default)]
    pub capacitor: Vec<Capacitor>,
}

/// `[plant]`: whose feeder it is.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Plant {
    /// Name of the plant.
    pub name: String,
    /// Name of the feeder, at most 32 bytes of UTF-8; goes to the node.
    pub feeder: String,
    /// IANA name of the time zone, for example `Europe/Copenhagen`.
    pub time_zone: String,
    /// Days without shifts.
    #[serde(default)]
    pub holidays: Vec<Date>,
}

/// `[span]`: which time is simulated.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Span {
    /// Local date, or date and time, of the start.
    pub start: DateTime,
    /// Length in local days, 1 to 400: a day with a clock change has 23 or 25 hours.
    #[serde(default = "seven")]
    pub days: u16,
    /// Everything random follows from this number.
    #[serde(default)]
    pub seed: u64,
}

/// `[supply]`: voltage and frequency at the feeder, and what stands behind them.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Supply {
    /// Nominal voltage in V, 50 to 1000: line to line; to neutral where there is one line only.
    pub nominal_v: f64,
    /// Nominal frequency: 50 or 60 Hz.
    pub nominal_hz: f64,
    /// How the node is connected; says also how many lines there are and whether a neutral.
    pub wiring: Wiring,
    /// Mean voltage without load in percent of nominal, 80 to 120; 100 when not given.
    #[serde(default = "hundred")]
    pub level_pct: f64,
    /// How much higher the voltage is at three at night than at three in the afternoon, 0 to 10 %.
    #[serde(default)]
    pub daily_swing_pct: f64,
    /// RMS of the voltage's slow wandering (half an hour), 0 to 5 %.
    #[serde(default)]
    pub wander_pct: f64,
    /// RMS of the frequency's wandering (two minutes), 0 to 200 mHz.
    #[serde(default)]
    pub frequency_wander_mhz: f64,
    /// Negative-sequence over positive-sequence voltage, 0 to 5 %; three lines only.
    #[serde(default)]
    pub unbalance_pct: f64,
    /// Voltage harmonics of the network without this feeder, in percent of nominal.
    #[serde(default)]
    pub harmonics: Vec<Harmonic>,
    /// The transformer behind the feeder; without it the voltage does not give way.
    pub transformer: Option<Transformer>,
}

/// A harmonic: percent of the fundamental, and where its peak lies.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Harmonic {
    /// Order, 2 to 40.
    pub order: u8,
    /// Percent of the fundamental, 0 to 100.
    pub pct: f64,
    /// Angle in degrees against `order` times the angle of the fundamental voltage.
    #[serde(default)]
    pub angle_deg: f64,
}

/// `[supply.transformer]`: the impedance through which the feeder is fed.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Transformer {
    /// Rated apparent power in kVA, 1 to 100 000.
    pub kva: f64,
    /// Short-circuit voltage in percent, 0.5 to 20.
    pub z_pct: f64,
    /// Reactance over resistance, 0.5 to 50.
    pub x_over_r: f64,
}

/// `[node]`: the simulated node, its sensors and its converter.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct NodeSetup {
    /// The node's unique number.
    pub id: u64,
    /// Frames per second, 1000 to 8000.
    pub sample_rate_hz: f64,
    /// Seconds per record: 1 to 900, a divisor of an hour.
    pub interval_s: u16,
    /// Peak voltage that the inputs take, in V; 1.5 times the nominal peak when not given.
    pub v_range_peak_v: Option<f64>,
    /// Peak current that the inputs take, in A; too small a range clips.
    pub i_range_peak_a: f64,
    /// Noise of the converter, RMS in µV at its input; 0 for none.
    pub noise_uv: f64,
    /// Peak voltage of the converter's range, in mV; noise and range make the counts of noise.
    pub full_scale_mv: f64,
    /// Whether the node has a wall clock.
    pub wall_clock: WallClock,
    /// What the sensors do wrong, by channel (`v1` … `i3`); the node does not know of it.
    pub errors: ChannelErrors,
    /// Whether there is a current sensor on the neutral.
    pub neutral_sensor: bool,
    /// Filters and clock between sensors and counts; nothing when not given.
    pub front_end: FrontEnd,
    /// The current sensors; without errors of their own when not given.
    pub sensors: CurrentSensors,
    /// Where a lead or clamp really is, by channel: `"l2"`, or `"-l2"` when reversed.
    pub leads: Leads,
}

impl Default for NodeSetup {
    fn default() -> Self {
        NodeSetup {
            id: 0xB0A7,
            sample_rate_hz: 8000.0,
            interval_s: 60,
            v_range_peak_v: None,
            i_range_peak_a: 1000.0,
            noise_uv: 0.0,
            full_scale_mv: 1200.0,
            wall_clock: WallClock::Host,
            errors: ChannelErrors::default(),
            neutral_sensor: false,
            front_end: FrontEnd::default(),
            sensors: CurrentSensors::default(),
            leads: Leads::default(),
        }
    }
}

/// Where the node's wall time comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum WallClock {
    /// Set by a host before the span.
    Host,
    /// From the node's battery-backed clock.
    Battery,
    /// There is none.
    None,
}

/// `[node.errors]`: one entry a channel.
#[derive(Clone, Copy, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ChannelErrors {
    /// First voltage.
    pub v1: ChannelError,
    /// Second voltage.
    pub v2: ChannelError,
    /// Third voltage.
    pub v3: ChannelError,
    /// First current.
    pub i1: ChannelError,
    /// Second current.
    pub i2: ChannelError,
    /// Third current.
    pub i3: ChannelError,
    /// The neutral's current.
    #[serde(rename = "in")]
    pub neutral: ChannelError,
}

impl ChannelErrors {
    /// The entries in slot order.
    pub fn by_slot(&self) -> [ChannelError; 7] {
        [self.v1, self.v2, self.v3, self.i1, self.i2, self.i3, self.neutral]
    }
}

/// What a sensor with its converter channel does wrong.
#[derive(Clone, Copy, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ChannelError {
    /// Reads too much by this, −50 to 50 %.
    pub gain_pct: f64,
    /// Output ahead of what is measured, in minutes of arc at nominal frequency, −600 to 600.
    pub phase_min: f64,
    /// Counts at zero input, −1 000 000 to 1 000 000.
    pub offset_counts: i32,
}

/// `[node.leads]`: one entry a channel that is connected wrongly.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Leads {
    /// First voltage.
    pub v1: Option<Lead>,
    /// Second voltage.
    pub v2: Option<Lead>,
    /// Third voltage.
    pub v3: Option<Lead>,
    /// First current.
    pub i1: Option<Lead>,
    /// Second current.
    pub i2: Option<Lead>,
    /// Third current.
    pub i3: Option<Lead>,
    /// The neutral's sensor, on a line by mistake.
    #[serde(rename = "in")]
    pub neutral: Option<Lead>,
}

impl Leads {
    /// The entries in slot order, the neutral's left out.
    pub fn by_slot(&self) -> [Option<Lead>; 6] {
        [self.v1, self.v2, self.v3, self.i1, self.i2, self.i3]
    }
}

/// Line and direction of a lead or clamp.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
pub enum Lead {
    /// On the first line.
    #[serde(rename = "l1")]
    L1,
    /// On the second line.
    #[serde(rename = "l2")]
    L2,
    /// On the third line.
    #[serde(rename = "l3")]
    L3,
    /// On the first line, reversed.
    #[serde(rename = "-l1")]
    L1Reversed,
    /// On the second line, reversed.
    #[serde(rename = "-l2")]
    L2Reversed,
    /// On the third line, reversed.
    #[serde(rename = "-l3")]
    L3Reversed,
}

impl Lead {
    /// Index of the line and sign.
    pub const fn place(self) -> (usize, f64) {
        match self {
            Lead::L1 => (0, 1.0),
            Lead::L2 => (1, 1.0),
            Lead::L3 => (2, 1.0),
            Lead::L1Reversed => (0, -1.0),
            Lead::L2Reversed => (1, -1.0),
            Lead::L3Reversed => (2, -1.0),
        }
    }
}

/// `[[shift]]`: working hours that loads refer to by name.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Shift {
    /// Name, for `when`.
    pub name: String,
    /// Days of the week on which it starts.
    pub days: Vec<Day>,
    /// Local time of its start.
    pub from: Time,
    /// Local time of its end; not after `from` means on the next day.
    pub to: Time,
    /// Pauses, each `["09:00", "09:15"]`.
    #[serde(default)]
    pub pauses: Vec<[Time; 2]>,
}

/// A day of the week.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
#[allow(missing_docs, reason = "the names say it")]
pub enum Day {
    Mon,
    Tue,
    Wed,
    Thu,
    Fri,
    Sat,
    Sun,
}

impl Scenario {
    /// Reads and checks a file.
    pub fn load(path: &Path) -> Result<Scenario, ScenarioError> {
        let file = path.display().to_string();
        match std::fs::read_to_string(path) {
            Ok(text) => Scenario::parse(&text, &file),
            Err(source) => Err(ScenarioError::Read { file, source }),
        }
    }

    /// Reads and checks a text; `file` is the name that errors give.
    pub fn parse(text: &str, file: &str) -> Result<Scenario, ScenarioError> {
        let scenario: Scenario = toml::from_str(text).map_err(|e| ScenarioError::Shape {
            file: file.to_owned(),
            line: e.span().map_or(1, |s| lines::line_at(text, s.start)),
            message: e.message().trim().replace('\n', " "),
        })?;
        check::check(&scenario, &lines::Lines::new(text, file))?;
        Ok(scenario)
    }

    /// The example that ships with the program.
    pub fn sawmill() -> Result<Scenario, ScenarioError> {
        Scenario::parse(SAWMILL, "sawmill.toml (built in)")
    }

    /// The site's time zone, UTC if its name were unknown (which the check refuses).
    pub fn zone(&self) -> TimeZone {
        TimeZone::get(&self.plant.time_zone).unwrap_or(TimeZone::UTC)
    }

    /// Nominal frequency.
    pub fn nominal(&self) -> Nominal {
        Nominal::nearest(self.supply.nominal_hz)
    }

    /// Nominal voltage from line to neutral (or star point), in V.
    pub fn nominal_phase_v(&self) -> f64 {
        match self.supply.wiring {
            Wiring::SinglePhase => self.supply.nominal_v,
            Wiring::SplitPhase => self.supply.nominal_v / 2.0,
            _ => self.supply.nominal_v / libm::sqrt(3.0),
        }
    }

    /// Start and end of the span.
    pub fn bounds(&self) -> (Timestamp, Timestamp) {
        let zone = self.zone();
        let end = self.span.start.saturating_add(i64::from(self.span.days).days());
        (instant(&zone, self.span.start), instant(&zone, end))
    }

    /// The same scenario so many days later, with every date in it; for a bench that runs today.
    pub fn later(&self, days: i32) -> Scenario {
        let by: TimeSpan = i64::from(days).days();
        let mut s = self.clone();
        let move_to = |t: &mut DateTime| *t = t.saturating_add(by);
        move_to(&mut s.span.start);
        s.plant.holidays.iter_mut().for_each(|d| *d = d.saturating_add(by));
        let motors = s.motor.iter_mut().map(|l| (&mut l.since, &mut l.until));
        let plain = [&mut s.lighting, &mut s.heater, &mut s.rectifier, &mut s.welder];
        let plain = plain.into_iter().flatten().map(|l| (&mut l.since, &mut l.until));
        for (since, until) in motors.chain(plain) {
            since.iter_mut().chain(until).for_each(move_to);
        }
        for c in &mut s.capacitor {
            c.since.iter_mut().chain(&mut c.until).chain(&mut c.dead_since).for_each(move_to);
        }
        s
    }
}

/// The instant of a local time; in a gap or overlap of the clock change the usual choice.
pub fn instant(zone: &TimeZone, local: DateTime) -> Timestamp {
    zone.to_ambiguous_timestamp(local).compatible().unwrap_or(Timestamp::UNIX_EPOCH)
}

fn seven() -> u16 {
    7
}
fn hundred() -> f64 {
    100.0
}
