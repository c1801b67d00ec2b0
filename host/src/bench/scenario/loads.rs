//! The tables of a scenario that describe loads and capacitors, and the keys of duty they share.

use super::Harmonic;
use jiff::civil::DateTime;
use serde::Deserialize;

/// Between which conductors a load lies.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
pub enum Connection {
    /// All three lines alike.
    #[default]
    #[serde(rename = "three-phase")]
    ThreePhase,
    /// First line and neutral.
    #[serde(rename = "l1")]
    L1,
    /// Second line and neutral.
    #[serde(rename = "l2")]
    L2,
    /// Third line and neutral.
    #[serde(rename = "l3")]
    L3,
    /// First and second line.
    #[serde(rename = "l1-l2")]
    L1L2,
    /// Second and third line.
    #[serde(rename = "l2-l3")]
    L2L3,
    /// Third and first line.
    #[serde(rename = "l3-l1")]
    L3L1,
}

impl Connection {
    /// Where it begins and ends (`None` is the neutral); `None` for all three lines.
    pub const fn ends(self) -> Option<(usize, Option<usize>)> {
        match self {
            Connection::ThreePhase => None,
            Connection::L1 => Some((0, None)),
            Connection::L2 => Some((1, None)),
            Connection::L3 => Some((2, None)),
            Connection::L1L2 => Some((0, Some(1))),
            Connection::L2L3 => Some((1, Some(2))),
            Connection::L3L1 => Some((2, Some(0))),
        }
    }
}

/// When and how hard a load works; the keys stand beside the load's own.
#[derive(Clone, Debug, PartialEq)]
pub struct Duty {
    /// Shifts in which it is switched on; none for always on.
    pub when: Vec<String>,
    /// Each switching is earlier or later by up to this, in minutes, 0 to 120.
    pub spread_min: f64,
    /// Shortest and longest working period in seconds; without it the load works on end.
    pub work_s: Option<[f64; 2]>,
    /// Shortest and longest rest between working periods, in seconds.
    pub rest_s: Option<[f64; 2]>,
    /// Smallest and largest share of the rating while working, drawn anew each time, 0 to 1.5.
    pub work_load: [f64; 2],
    /// Share of the rating at rest and in pauses, 0 to 1.5: a motor at 0 runs idle.
    pub rest_load: f64,
    /// Whether it rests in the pauses of its shifts.
    pub pauses: bool,
    /// Local time from which it exists.
    pub since: Option<DateTime>,
    /// Local time until which it exists.
    pub until: Option<DateTime>,
}

/// A load with its name, place and duty, as the rest of the bench sees it.
macro_rules! load_table {
    ($(#[$doc:meta])* $name:ident { $($(#[$field_doc:meta])* $field:ident: $type:ty,)* }) => {
        $(#[$doc])*
        #[derive(Clone, Debug, PartialEq, Deserialize)]
        #[serde(deny_unknown_fields)]
        pub struct $name {
            /// Name, unlike any other load's.
            pub name: String,
            /// Between which conductors; `three-phase` when not given.
            #[serde(default)]
            pub connected: Connection,
            $($(#[$field_doc])* pub $field: $type,)*
            /// Shifts in which it is switched on; always on when not given.
            #[serde(default)]
            pub when: Vec<String>,
            /// Each switching is earlier or later by up to this, in minutes, 0 to 120.
            #[serde(default)]
            pub spread_min: f64,
            /// Shortest and longest working period in seconds; works on end when not given.
            pub work_s: Option<[f64; 2]>,
            /// Shortest and longest rest between working periods, in seconds.
            pub rest_s: Option<[f64; 2]>,
            /// Smallest and largest share of the rating while working, 0 to 1.5; 1 when not given.
            #[serde(default = "full")]
            pub work_load: [f64; 2],
            /// Share of the rating at rest and in pauses; 0 when not given (a motor runs idle).
            #[serde(default)]
            pub rest_load: f64,
            /// Whether it rests in the pauses of its shifts; `true` when not given.
            #[serde(default = "yes")]
            pub pauses: bool,
            /// Local time from which it exists.
            pub since: Option<DateTime>,
            /// Local time until which it exists.
            pub until: Option<DateTime>,
        }

        impl $name {
            /// When and how hard it works.
            pub fn duty(&self) -> Duty {
                Duty {
                    when: self.when.clone(),
                    spread_min: self.spread_min,
                    work_s: self.work_s,
                    rest_s: self.rest_s,
                    work_load: self.work_load,
                    rest_load: self.rest_load,
                    pauses: self.pauses,
                    since: self.since,
                    until: self.until,
                }
            }
        }
    };
}

load_table! {
    /// `[[motor]]`: an induction motor, described by its nameplate and data sheet.
    Motor {
        /// Rated shaft power in kW, 0.1 to 10 000.
        rated_kw: f64,
        /// Efficiency at rated load, 0.5 to 0.99.
        efficiency: f64,
        /// Power factor at rated load, 0.5 to 0.95.
        pf: f64,
        /// Power factor at half load; when not given, 0.12 (to 22 kW) or 0.08 below `pf`.
        pf_half_load: Option<f64>,
        /// Starting current over rated current, 1 to 10; 6 when not given.
        #[serde(default = "six")]
        start_multiple: f64,
        /// Power factor while starting, 0.05 to 0.9; 0.3 when not given.
        #[serde(default = "start_pf")]
        start_pf: f64,
        /// Seconds that a start takes, 0 to 60; 3 when not given.
        #[serde(default = "three")]
        start_s: f64,
    }
}

load_table! {
    /// `[[lighting]]`, `[[heater]]`, `[[rectifier]]`, `[[welder]]`: a load given by kW and PF.
    PlainLoad {
        /// Active power of the fundamental at full load and nominal voltage, in kW, above 0.
        kw: f64,
        /// Displacement power factor, 0.01 to 1.
        pf: Option<f64>,
        /// Whether the current leads the voltage.
        #[serde(default)]
        leading: bool,
        /// Current harmonics in percent of the fundamental current.
        harmonics: Option<Vec<Harmonic>>,
    }
}

/// `[[capacitor]]`: a bank, switched in one of four ways.
///
/// With none of `when`, `with` and `step_kvar` it is always on.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Capacitor {
    /// Name, unlike any other load's.
    pub name: String,
    /// Rated output of the whole bank in kvar, above 0; output goes with V² and f.
    pub kvar: f64,
    /// Rated voltage in V, line to line (to neutral for `l1` to `l3`); nominal when not given.
    pub rated_v: Option<f64>,
    /// How its elements are connected; `delta` when not given.
    #[serde(default)]
    pub connected: BankConnection,
    /// Share of a series reactor's reactance, 0 to 20 %; 0 is a bank without reactor.
    #[serde(default)]
    pub detuning_pct: f64,
    /// Shifts in which it is on.
    #[serde(default)]
    pub when: Vec<String>,
    /// The motor or other load whose contactor switches it too.
    pub with: Option<String>,
    /// Sizes of the steps in kvar, in switching order; they add to `kvar`.
    pub step_kvar: Option<Vec<f64>>,
    /// Power factor that the steps aim at, 0.8 to 1; 0.95 when not given.
    pub target_pf: Option<f64>,
    /// Seconds for which a step must be wanted before it switches, 1 to 600; 40 when not given.
    pub delay_s: Option<f64>,
    /// What is broken: an element (`l1-l2`, or `l1` in star) or, in delta, a line's fuse (`l1`).
    pub dead: Option<Connection>,
    /// Local time from which it is broken; from the start when not given.
    pub dead_since: Option<DateTime>,
    /// Local time from which the bank exists.
    pub since: Option<DateTime>,
    /// Local time until which the bank exists.
    pub until: Option<DateTime>,
}

/// How a bank's elements are connected.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
pub enum BankConnection {
    /// Three elements between lines.
    #[default]
    #[serde(rename = "delta")]
    Delta,
    /// Three elements between line and neutral.
    #[serde(rename = "star")]
    Star,
    /// One element from the first line to neutral.
    #[serde(rename = "l1")]
    L1,
    /// One element from the second line to neutral.
    #[serde(rename = "l2")]
    L2,
    /// One element from the third line to neutral.
    #[serde(rename = "l3")]
    L3,
    /// One element between the first two lines.
    #[serde(rename = "l1-l2")]
    L1L2,
    /// One element between the second and third line.
    #[serde(rename = "l2-l3")]
    L2L3,
    /// One element between the third and first line.
    #[serde(rename = "l3-l1")]
    L3L1,
}

impl BankConnection {
    /// Where a single element lies; `None` for three elements.
    pub const fn single(self) -> Option<Connection> {
        match self {
            BankConnection::Delta | BankConnection::Star => None,
            BankConnection::L1 => Some(Connection::L1),
            BankConnection::L2 => Some(Connection::L2),
            BankConnection::L3 => Some(Connection::L3),
            BankConnection::L1L2 => Some(Connection::L1L2),
            BankConnection::L2L3 => Some(Connection::L2L3),
            BankConnection::L3L1 => Some(Connection::L3L1),
        }
    }
}

fn six() -> f64 {
    6.0
}
fn three() -> f64 {
    3.0
}
fn start_pf() -> f64 {
    0.3
}
fn full() -> [f64; 2] {
    [1.0, 1.0]
}
fn yes() -> bool {
    true
}
