//! The one list of columns: it drives the SQLite tail, the sealed Parquet files and exports.
//!
//! Names carry units. A number is stored as it stands in the record, so that every
//! record can be made again byte by byte; the scale for people is beside it.

use wattless_core::flags::Flags;
use wattless_core::record::{RECORD_VERSION, Record, Tag, WallQuality};
use wattless_core::window::Nominal;
use wattless_core::wiring::Wiring;

/// A record with its place in time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StoredRecord {
    /// The record as the node wrote it.
    pub record: Record,
    /// End of the interval in Unix milliseconds; `None` while it cannot be told.
    pub end_ms: Option<i64>,
    /// Whether the host placed it, since the record has no wall time of its own.
    pub placed: bool,
}

/// One field of a record.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Value {
    /// A whole number.
    Int(i64),
    /// A single-precision number.
    Real(f32),
    /// Not there.
    Missing,
}

impl Value {
    fn int<T: TryFrom<i64>>(self) -> Option<T> {
        match self {
            Value::Int(x) => T::try_from(x).ok(),
            _ => None,
        }
    }

    fn real(self) -> Option<f32> {
        match self {
            Value::Real(x) => Some(x),
            Value::Int(x) => Some(x as f32),
            // SQLite has no not-a-number; a record has exactly one.
            Value::Missing => Some(f32::NAN),
        }
    }
}

/// What a column holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Unsigned, of so many bits up to 32.
    Unsigned(i8),
    /// Unsigned with up to 63 bits.
    Wide,
    /// Unix milliseconds.
    Time,
    /// Single precision.
    Real,
}

/// How a column is shown to people and other programs.
#[derive(Clone, Copy, Debug)]
pub enum Show {
    /// As it is stored.
    Same,
    /// As it is stored, but 0 means that there is none.
    NonZero,
    /// Under another name with this many decimal places; 0 may mean that there is none.
    Scaled {
        /// Name with the unit after scaling.
        name: &'static str,
        /// Decimal places.
        places: u8,
        /// Whether 0 means that there is none.
        zero_is_missing: bool,
    },
    /// Not at all: it is a part of something that is shown as a whole.
    Hidden,
    /// As a word.
    Word {
        /// Name of the column of words.
        name: &'static str,
        /// The word for a code.
        word: fn(i64) -> Option<&'static str>,
    },
}

/// Whose number a column holds: not every wiring has every phase, channel or a neutral.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Of {
    /// The feeder's or the record's.
    Feeder,
    /// A phase's, counted from 0.
    Phase(usize),
    /// A channel's, counted from 0.
    Channel(usize),
    /// The neutral conductor's.
    Neutral,
}

impl Of {
    /// Whether a wiring has it.
    pub fn is_in(self, wiring: Wiring) -> bool {
        match self {
            Of::Feeder => true,
            Of::Phase(k) => k < wiring.phases(),
            Of::Channel(k) => wiring.uses().get(k).copied().unwrap_or(false),
            Of::Neutral => wiring.neutral_current().is_some(),
        }
    }
}

/// A column of the store.
pub struct Column {
    /// Name, with the unit.
    pub name: &'static str,
    /// What it holds.
    pub kind: Kind,
    /// Whose number it is.
    pub of: Of,
    /// How it is shown.
    pub show: Show,
    /// What it means.
    pub meaning: &'static str,
    /// Takes the field out of a record.
    pub get: fn(&StoredRecord) -> Value,
    /// Puts the field into a record; `None` when the value is not possible.
    pub set: fn(&mut StoredRecord, Value) -> Option<()>,
}

macro_rules! int {
    ($name:literal, $kind:expr, $show:expr, |$r:ident| $place:expr, $meaning:expr) => {
        Column {
            name: $name,
            kind: $kind,
            of: Of::Feeder,
            show: $show,
            meaning: $meaning,
            get: |s| {
                let $r = &s.record;
                Value::Int($place as i64)
            },
            set: |s, v| {
                let $r = &mut s.record;
                $place = v.int()?;
                Some(())
            },
        }
    };
}

macro_rules! real {
    ($name:expr, $of:expr, |$r:ident| $place:expr, $meaning:expr) => {
        Column {
            name: $name,
            kind: Kind::Real,
            of: $of,
            show: Show::Same,
            meaning: $meaning,
            get: |s| {
                let $r = &s.record;
                Value::Real($place)
            },
            set: |s, v| {
                let $r = &mut s.record;
                $place = v.real()?;
                Some(())
            },
        }
    };
}

/// The columns of one phase.
macro_rules! phase {
    ($k:literal, $l:literal) => {
        &[
            real!(
                concat!("v_rms_", $l, "_v"),
                Of::Phase($k),
                |r| r.phases[$k].v_rms_v,
                "RMS voltage"
            ),
            real!(
                concat!("i_rms_", $l, "_a"),
                Of::Phase($k),
                |r| r.phases[$k].i_rms_a,
                "RMS current"
            ),
            real!(
                concat!("p_", $l, "_w"),
                Of::Phase($k),
                |r| r.phases[$k].p_w,
                "mean active power"
            ),
            real!(
                concat!("q1_", $l, "_var"),
                Of::Phase($k),
                |r| r.phases[$k].q1_var,
                "mean reactive power of the fundamental, positive when the current lags"
            ),
            real!(
                concat!("s_", $l, "_va"),
                Of::Phase($k),
                |r| r.phases[$k].s_va,
                "mean apparent power"
            ),
            real!(
                concat!("v_min_", $l, "_v"),
                Of::Phase($k),
                |r| r.phases[$k].v_min_max_v[0],
                "smallest RMS voltage of the windows"
            ),
            real!(
                concat!("v_max_", $l, "_v"),
                Of::Phase($k),
                |r| r.phases[$k].v_min_max_v[1],
                "largest RMS voltage of the windows"
            ),
            real!(
                concat!("i_min_", $l, "_a"),
                Of::Phase($k),
                |r| r.phases[$k].i_min_max_a[0],
                "smallest RMS current of the windows"
            ),
            real!(
                concat!("i_max_", $l, "_a"),
                Of::Phase($k),
                |r| r.phases[$k].i_min_max_a[1],
                "largest RMS current of the windows"
            ),
        ]
    };
}

/// A harmonic ratio.
macro_rules! ratio {
    ($name:literal, $of:expr, $field:ident[$k:literal], $meaning:literal) => {
        real!($name, $of, |r| r.harmonics.$field[$k], $meaning)
    };
}

/// Half of the tag, the bits of an unsigned number.
macro_rules! tag {
    ($name:literal, $from:literal) => {
        Column {
            name: $name,
            kind: Kind::Wide,
            of: Of::Feeder,
            show: Show::Hidden,
            meaning: "half of the record's tag in the chain over the log, as a signed number \
                      of the 8 bytes, the first the highest",
            get: |s| Value::Int(tag_half(&s.record.tag, $from)),
            set: |s, v| {
                let half: i64 = v.int()?;
                let room = s.record.tag.iter_mut().skip($from);
                room.zip(half.to_be_bytes()).for_each(|(place, byte)| *place = byte);
                Some(())
            },
        }
    };
}

fn tag_half(tag: &Tag, from: usize) -> i64 {
    let half = tag.get(from..).and_then(|t| t.first_chunk());
    i64::from_be_bytes(half.copied().unwrap_or_default())
}

/// The fundamental phasor of a channel.
macro_rules! phasor {
    ($k:literal, $part:literal, $name:literal) => {
        real!(
            $name,
            Of::Channel($k),
            |r| r.channels[$k][$part],
            "mean fundamental phasor of the channel (RMS), real or imaginary part"
        )
    };
}

/// An energy counter.
macro_rules! energy {
    ($k:literal, $name:literal, $scaled:literal, $meaning:literal) => {
        int!(
            $name,
            Kind::Wide,
            Show::Scaled { name: $scaled, places: 2, zero_is_missing: false },
            |r| r.energy_counts[$k],
            $meaning
        )
    };
}

const TIME: &[Column] = &[
    int!("seq", Kind::Unsigned(32), Show::Same, |r| r.seq, "sequence number in the node's log"),
    Column {
        name: "end_ms",
        kind: Kind::Time,
        of: Of::Feeder,
        show: Show::Same,
        meaning: "end of the interval, Unix milliseconds, as placed by the host",
        get: |s| s.end_ms.map_or(Value::Missing, Value::Int),
        set: |s, v| {
            s.end_ms = match v {
                Value::Missing => None,
                v => Some(v.int()?),
            };
            Some(())
        },
    },
    Column {
        name: "placed",
        kind: Kind::Unsigned(8),
        of: Of::Feeder,
        show: Show::Same,
        meaning: "1 when the host placed the interval, since the node had no wall time",
        get: |s| Value::Int(i64::from(s.placed)),
        set: |s, v| {
            s.placed = v.int::<u8>()? != 0;
            Some(())
        },
    },
    int!(
        "duration_us",
        Kind::Unsigned(32),
        Show::Scaled { name: "duration_s", places: 6, zero_is_missing: false },
        |r| r.duration_us,
        "length of the interval by the sample clock"
    ),
    int!("boot", Kind::Unsigned(32), Show::Same, |r| r.boot, "number of the node's start"),
    int!("uptime_ms", Kind::Wide, Show::Same, |r| r.uptime_ms, "end, in ms since that start"),
    int!(
        "wall_ms",
        Kind::Wide,
        Show::NonZero,
        |r| r.wall_ms,
        "end by the node's own clock, Unix milliseconds; 0 when it had none"
    ),
    Column {
        name: "wall_quality_code",
        kind: Kind::Unsigned(8),
        of: Of::Feeder,
        show: Show::Word { name: "wall_quality", word: wall_quality_name },
        meaning: "where the node's wall time comes from",
        get: |s| Value::Int(s.record.wall_quality as i64),
        set: |s, v| {
            s.record.wall_quality = WallQuality::from_code(v.int()?)?;
            Some(())
        },
    },
    Column {
        name: "wiring_code",
        kind: Kind::Unsigned(8),
        of: Of::Feeder,
        show: Show::Word { name: "wiring", word: wiring_name },
        meaning: "how the leads were connected",
        get: |s| Value::Int(i64::from(s.record.wiring.code())),
        set: |s, v| {
            s.record.wiring = Wiring::from_code(v.int()?)?;
            Some(())
        },
    },
    Column {
        name: "nominal_hz",
        kind: Kind::Unsigned(8),
        of: Of::Feeder,
        show: Show::Same,
        meaning: "nominal frequency",
        get: |s| Value::Int(s.record.nominal.hz() as i64),
        set: |s, v| {
            s.record.nominal = match v.int::<u8>()? {
                50 => Nominal::Hz50,
                60 => Nominal::Hz60,
                _ => return None,
            };
            Some(())
        },
    },
    int!(
        "flags",
        Kind::Unsigned(32),
        Show::Same,
        |r| r.flags.0,
        "remarks, one bit each; the table \"meanings\" names them"
    ),
    int!(
        "void_before",
        Kind::Unsigned(8),
        Show::Same,
        |r| r.void_before,
        "sequence numbers before this one that the node left empty"
    ),
    int!("windows", Kind::Unsigned(16), Show::Same, |r| r.windows, "basic windows in it"),
    int!(
        "frames_lost",
        Kind::Unsigned(16),
        Show::Same,
        |r| r.frames_lost,
        "samples lost within the interval; 65535 means that or more"
    ),
    int!(
        "frequency_10uhz",
        Kind::Unsigned(32),
        Show::Scaled { name: "frequency_hz", places: 5, zero_is_missing: true },
        |r| r.frequency_10uhz,
        "mean frequency; 0 without a fundamental"
    ),
];

const ENERGY: &[Column] = &[
    energy!(0, "active_in_10mwh", "active_in_wh", "active energy taken in, counter at the end"),
    energy!(1, "active_out_10mwh", "active_out_wh", "active energy given back, counter"),
    energy!(2, "reactive_i_10mvarh", "reactive_i_varh", "reactive energy, quadrant I, counter"),
    energy!(3, "reactive_ii_10mvarh", "reactive_ii_varh", "reactive energy, quadrant II, counter"),
    energy!(
        4,
        "reactive_iii_10mvarh",
        "reactive_iii_varh",
        "reactive energy, quadrant III, counter"
    ),
    energy!(5, "reactive_iv_10mvarh", "reactive_iv_varh", "reactive energy, quadrant IV, counter"),
    energy!(6, "apparent_10mvah", "apparent_vah", "arithmetic apparent energy, counter"),
];

const TOTALS: &[Column] = &[
    real!(
        "s_effective_va",
        Of::Feeder,
        |r| r.s_effective_va,
        "mean effective apparent power (IEEE 1459); empty where it is not defined"
    ),
    real!("i_neutral_a", Of::Neutral, |r| r.i_neutral_a, "RMS neutral current"),
    real!(
        "p_min_w",
        Of::Feeder,
        |r| r.p_min_max_w[0],
        "smallest total active power of the windows"
    ),
    real!("p_max_w", Of::Feeder, |r| r.p_min_max_w[1], "largest total active power of the windows"),
    real!("q1_min_var", Of::Feeder, |r| r.q1_min_max_var[0], "smallest total Q1 of the windows"),
    real!("q1_max_var", Of::Feeder, |r| r.q1_min_max_var[1], "largest total Q1 of the windows"),
];

const CHANNELS: &[Column] = &[
    phasor!(0, 0, "channel_v1_re_v"),
    phasor!(0, 1, "channel_v1_im_v"),
    phasor!(1, 0, "channel_v2_re_v"),
    phasor!(1, 1, "channel_v2_im_v"),
    phasor!(2, 0, "channel_v3_re_v"),
    phasor!(2, 1, "channel_v3_im_v"),
    phasor!(3, 0, "channel_i1_re_a"),
    phasor!(3, 1, "channel_i1_im_a"),
    phasor!(4, 0, "channel_i2_re_a"),
    phasor!(4, 1, "channel_i2_im_a"),
    phasor!(5, 0, "channel_i3_re_a"),
    phasor!(5, 1, "channel_i3_im_a"),
];

const HARMONICS: &[Column] = &[
    ratio!("v_thd_l1_ratio", Of::Phase(0), v_thd[0], "harmonic distortion of the voltage"),
    ratio!("v_thd_l2_ratio", Of::Phase(1), v_thd[1], "harmonic distortion of the voltage"),
    ratio!("v_thd_l3_ratio", Of::Phase(2), v_thd[2], "harmonic distortion of the voltage"),
    ratio!("i_thd_l1_ratio", Of::Phase(0), i_thd[0], "harmonic distortion of the current"),
    ratio!("i_thd_l2_ratio", Of::Phase(1), i_thd[1], "harmonic distortion of the current"),
    ratio!("i_thd_l3_ratio", Of::Phase(2), i_thd[2], "harmonic distortion of the current"),
    ratio!("v_h3_ratio", Of::Feeder, v_orders[0], "voltage of order 3 over the fundamental"),
    ratio!("v_h5_ratio", Of::Feeder, v_orders[1], "voltage of order 5 over the fundamental"),
    ratio!("v_h7_ratio", Of::Feeder, v_orders[2], "voltage of order 7 over the fundamental"),
    ratio!("v_h11_ratio", Of::Feeder, v_orders[3], "voltage of order 11 over the fundamental"),
    ratio!("v_h13_ratio", Of::Feeder, v_orders[4], "voltage of order 13 over the fundamental"),
    ratio!("i_h3_ratio", Of::Feeder, i_orders[0], "current of order 3 over the fundamental"),
    ratio!("i_h5_ratio", Of::Feeder, i_orders[1], "current of order 5 over the fundamental"),
    ratio!("i_h7_ratio", Of::Feeder, i_orders[2], "current of order 7 over the fundamental"),
    ratio!("i_h11_ratio", Of::Feeder, i_orders[3], "current of order 11 over the fundamental"),
    ratio!("i_h13_ratio", Of::Feeder, i_orders[4], "current of order 13 over the fundamental"),
];

const CHAIN: &[Column] = &[
    Column {
        name: "record_format",
        kind: Kind::Unsigned(8),
        of: Of::Feeder,
        show: Show::Same,
        meaning: "format of the record on the node",
        get: |s| Value::Int(i64::from(s.record.version)),
        set: |s, v| {
            s.record.version = v.int().filter(|f| (1..=RECORD_VERSION).contains(f))?;
            Some(())
        },
    },
    tag!("tag_high", 0),
    tag!("tag_low", 8),
];

const GROUPS: [&[Column]; 9] = [
    TIME,
    ENERGY,
    phase!(0, "l1"),
    phase!(1, "l2"),
    phase!(2, "l3"),
    TOTALS,
    CHANNELS,
    HARMONICS,
    CHAIN,
];

/// Columns that store format 1 did not have: their records are of format 1.
pub(super) fn columns_since_2() -> impl Iterator<Item = &'static Column> + Clone {
    [HARMONICS, CHAIN].into_iter().flatten()
}

/// Every column, in the order of the tables and files.
pub fn columns() -> impl Iterator<Item = &'static Column> + Clone {
    GROUPS.into_iter().flatten()
}

/// The column with a name.
pub(super) fn column(name: &str) -> Option<&'static Column> {
    columns().find(|c| c.name == name)
}

/// A record to be filled column by column; what has no column is as in record format 1.
pub(super) const fn blank() -> StoredRecord {
    let record = Record { version: 1, ..Record::BLANK };
    StoredRecord { record, end_ms: None, placed: false }
}

fn wiring_name(code: i64) -> Option<&'static str> {
    Wiring::from_code(u8::try_from(code).ok()?).map(Wiring::name)
}

fn wall_quality_name(code: i64) -> Option<&'static str> {
    WallQuality::from_code(u8::try_from(code).ok()?).map(|q| match q {
        WallQuality::None => "none",
        WallQuality::Clock => "clock",
        WallQuality::Host => "host",
    })
}

/// Codes that occur in columns, as column, code, name and meaning: for readers of the tables.
pub(super) fn meanings() -> Vec<(&'static str, i64, &'static str, &'static str)> {
    let mut rows = Vec::new();
    for (flag, name, text) in Flags::ALL {
        rows.push(("flags", i64::from(flag.0), *name, *text));
    }
    for c in columns() {
        if let Show::Word { word, .. } = c.show {
            rows.extend((0..).map_while(|code| Some((c.name, code, word(code)?, c.meaning))));
        }
    }
    rows
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn names_are_unique_and_plain() {
        let names: BTreeSet<_> = columns().map(|c| c.name).collect();
        assert_eq!(names.len(), columns().count());
        let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_';
        assert!(names.iter().all(|n| n.chars().all(plain)));
    }

    #[test]
    fn impossible_values_are_refused() {
        let mut s = blank();
        for (name, value) in
            [("wiring_code", 7), ("nominal_hz", 55), ("boot", -1), ("windows", 65_536)]
        {
            let c = column(name).unwrap();
            assert!((c.set)(&mut s, Value::Int(value)).is_none(), "{name}");
        }
    }

    #[test]
    fn every_code_has_a_meaning() {
        let rows = meanings();
        assert_eq!(rows.iter().filter(|r| r.0 == "wiring_code").count(), Wiring::ALL.len());
        assert_eq!(rows.iter().filter(|r| r.0 == "flags").count(), Flags::ALL.len());
        assert_eq!(rows.iter().filter(|r| r.0 == "wall_quality_code").count(), 3);
    }
}
