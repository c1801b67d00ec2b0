//! The one list of columns: it drives the SQLite tail, the sealed Parquet files and exports.
//!
//! Names carry units. A number is stored as it stands in the record, so that every
//! record can be made again byte by byte; the scale for people is beside it.

use wattless_core::flags::Flags;
use wattless_core::record::{Record, RecordPhase, WallQuality};
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
    /// As a word.
    Word {
        /// Name of the column of words.
        name: &'static str,
        /// The word for a code.
        word: fn(i64) -> Option<&'static str>,
    },
}

/// A column of the store.
pub struct Column {
    /// Name, with the unit.
    pub name: &'static str,
    /// What it holds.
    pub kind: Kind,
    /// The phase it belongs to, counted from 0, if it belongs to one.
    pub phase: Option<usize>,
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
            phase: None,
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
    ($name:expr, $phase:expr, |$r:ident| $place:expr, $meaning:expr) => {
        Column {
            name: $name,
            kind: Kind::Real,
            phase: $phase,
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
            real!(concat!("v_rms_", $l, "_v"), Some($k), |r| r.phases[$k].v_rms_v, "RMS voltage"),
            real!(concat!("i_rms_", $l, "_a"), Some($k), |r| r.phases[$k].i_rms_a, "RMS current"),
            real!(concat!("p_", $l, "_w"), Some($k), |r| r.phases[$k].p_w, "mean active power"),
            real!(
                concat!("q1_", $l, "_var"),
                Some($k),
                |r| r.phases[$k].q1_var,
                "mean reactive power of the fundamental, positive when the current lags"
            ),
            real!(concat!("s_", $l, "_va"), Some($k), |r| r.phases[$k].s_va, "mean apparent power"),
            real!(
                concat!("v_min_", $l, "_v"),
                Some($k),
                |r| r.phases[$k].v_min_max_v[0],
                "smallest RMS voltage of the windows"
            ),
            real!(
                concat!("v_max_", $l, "_v"),
                Some($k),
                |r| r.phases[$k].v_min_max_v[1],
                "largest RMS voltage of the windows"
            ),
            real!(
                concat!("i_min_", $l, "_a"),
                Some($k),
                |r| r.phases[$k].i_min_max_a[0],
                "smallest RMS current of the windows"
            ),
            real!(
                concat!("i_max_", $l, "_a"),
                Some($k),
                |r| r.phases[$k].i_min_max_a[1],
                "largest RMS current of the windows"
            ),
        ]
    };
}

/// The fundamental phasor of a channel.
macro_rules! phasor {
    ($k:literal, $part:literal, $name:literal) => {
        real!(
            $name,
            None,
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
        phase: None,
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
        phase: None,
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
        phase: None,
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
        phase: None,
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
        phase: None,
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
        None,
        |r| r.s_effective_va,
        "mean effective apparent power (IEEE 1459); empty where it is not defined"
    ),
    real!("i_neutral_a", None, |r| r.i_neutral_a, "RMS neutral current"),
    real!("p_min_w", None, |r| r.p_min_max_w[0], "smallest total active power of the windows"),
    real!("p_max_w", None, |r| r.p_min_max_w[1], "largest total active power of the windows"),
    real!("q1_min_var", None, |r| r.q1_min_max_var[0], "smallest total Q1 of the windows"),
    real!("q1_max_var", None, |r| r.q1_min_max_var[1], "largest total Q1 of the windows"),
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

const GROUPS: [&[Column]; 7] =
    [TIME, ENERGY, phase!(0, "l1"), phase!(1, "l2"), phase!(2, "l3"), TOTALS, CHANNELS];

/// Every column, in the order of the tables and files.
pub fn columns() -> impl Iterator<Item = &'static Column> + Clone {
    GROUPS.into_iter().flatten()
}

/// The column with a name.
pub(super) fn column(name: &str) -> Option<&'static Column> {
    columns().find(|c| c.name == name)
}

/// A record to be filled column by column.
pub(super) fn blank() -> StoredRecord {
    let record = Record {
        wiring: Wiring::FourWire,
        nominal: Nominal::Hz50,
        flags: Flags::NONE,
        seq: 0,
        boot: 0,
        uptime_ms: 0,
        wall_ms: 0,
        wall_quality: WallQuality::None,
        void_before: 0,
        windows: 0,
        duration_us: 0,
        frames_lost: 0,
        frequency_10uhz: 0,
        energy_counts: [0; 7],
        phases: [RecordPhase::default(); 3],
        s_effective_va: 0.0,
        i_neutral_a: 0.0,
        p_min_max_w: [0.0; 2],
        q1_min_max_var: [0.0; 2],
        channels: [[0.0; 2]; 6],
    };
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
