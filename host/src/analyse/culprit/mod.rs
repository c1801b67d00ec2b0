//! Which load draws the kvar: logs of a service and its feeders ranked, and loads within a log.
//!
//! [`culprits`] takes several logs, of one service and any number of feeders, whose times need not
//! overlap (one node moved from load to load). Where times differ, a feeder's part at the peak is
//! read from its profile by weekday and hour, and marked as such. [`inside`] looks into one log:
//! what is always on, what switches, what cycles, what fluctuates. A record of a minute sees
//! minutes: what happens within it is seen only through its extremes.

mod edges;
pub mod inside;
mod profile;
mod rank;

use crate::analyse::survey::clock::Moment;
use crate::collect::log::IntervalLog;
use crate::collect::store::{NodeInfo, Span, Store, StoreError};
use crate::site::Site;
use inside::Inside;
use serde::Serialize;
use thiserror::Error;

/// A log with its name and place.
#[derive(Clone, Debug, PartialEq)]
pub struct NamedLog {
    /// Name of the load or feeder, or of the service.
    pub name: String,
    /// Where it was recorded.
    pub place: Place,
    /// Its records.
    pub log: IntervalLog,
    /// Extremes within the records, one for each record; empty where they are not known.
    pub swings: Vec<Swing>,
}

impl NamedLog {
    /// A node's records of a span, with the extremes within each.
    pub fn read(
        store: &Store,
        node: &NodeInfo,
        name: &str,
        place: Place,
        span: Span,
    ) -> Result<NamedLog, StoreError> {
        let log = store.read_log(node.id, span)?;
        let mut extremes: Vec<(i64, u32, Swing)> = Vec::with_capacity(log.len());
        for r in store.read_span(node.id, span)? {
            let r = r?;
            let Some(end_ms) = r.end_ms else { continue };
            let (p_min_max_w, q1_min_max_var) = (r.record.p_min_max_w, r.record.q1_min_max_var);
            extremes.push((end_ms, r.record.seq, Swing { p_min_max_w, q1_min_max_var }));
        }
        extremes.sort_by_key(|e| (e.0, e.1));
        let matches = extremes.len() == log.len();
        let swings = if matches { extremes.into_iter().map(|e| e.2).collect() } else { Vec::new() };
        Ok(NamedLog { name: name.to_owned(), place, log, swings })
    }
}

/// Where a log was recorded.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Place {
    /// At the service, upstream of every feeder.
    Service,
    /// At a feeder or load.
    Feeder,
}

/// Smallest and largest basic window (10 or 12 cycles) within a record.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Swing {
    /// Active power, in W.
    pub p_min_max_w: [f32; 2],
    /// Reactive power, in var.
    pub q1_min_max_var: [f32; 2],
}

/// The logs ranked.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Culprits {
    /// What it was judged by.
    pub basis: Basis,
    /// The peak that the ranking looks at; none without a complete demand interval.
    pub peak: Option<Peak>,
    /// The service, where there is a log of it.
    pub service: Option<LogFigures>,
    /// The feeders, the one with most kvar first.
    pub ranking: Vec<Suspect>,
    /// Sum of the feeders against the service, over the time that all recorded together.
    pub together: Option<Together>,
    /// What the service draws beside the feeders, by the hours of the week that all have seen.
    pub unmetered: Option<Unmetered>,
    /// What to be careful with.
    pub cautions: Vec<Caution>,
    /// What each log holds by itself, in the order service, then ranking.
    pub inside: Vec<Inside>,
}

/// What it was judged by.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Basis {
    /// Name of the plant.
    pub site: Option<String>,
    /// IANA time zone of every local time.
    pub time_zone: String,
    /// Length of the demand interval, in minutes.
    pub demand_interval_min: f64,
    /// Defaults that stand in for what the site file does not say.
    pub assumed: Vec<String>,
}

/// The peak of kVA that is billed, or would be.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Peak {
    /// Start of the demand interval.
    pub start: Moment,
    /// End of it.
    pub end: Moment,
    /// Active power, in W.
    pub p_w: f64,
    /// Reactive power, in var.
    pub q1_var: f64,
    /// sqrt(P² + Q1²), in VA.
    pub s_va: f64,
    /// Whether it is the service's; else that of the feeders' sum, or of the hour of the week
    /// with the most kVA by profile.
    pub of: PeakOf,
}

/// Whose peak it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum PeakOf {
    /// Measured at the service.
    Service,
    /// The sum of feeders that recorded at the same time.
    Feeders,
    /// The hour of the week at which the feeders' profiles add to most.
    Profiles,
}

/// Figures of one log.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct LogFigures {
    /// Name.
    pub name: String,
    /// Start of the first record.
    pub first: Moment,
    /// End of the last record.
    pub last: Moment,
    /// Time measured, in hours.
    pub measured_h: f64,
    /// Hours of the week (of 168) that were seen for half an hour or more.
    pub hours_of_week: u32,
    /// Mean active power of an average week as far as seen, in W.
    pub p_w: f64,
    /// Mean reactive power of an average week as far as seen, in var.
    pub q1_var: f64,
    /// Power factor of these.
    pub pf: Option<f64>,
    /// Highest mean over a demand interval of reactive power, in var; none without a whole one.
    pub q1_peak_var: Option<f64>,
}

/// A feeder in the ranking.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Suspect {
    /// Place in the ranking, from 1.
    pub rank: u32,
    /// Its figures.
    pub figures: LogFigures,
    /// Its kvar at the peak, in var.
    pub at_peak_var: Option<f64>,
    /// Standard deviation of that where it is read from a profile, in var.
    pub at_peak_sd_var: Option<f64>,
    /// Its kW at the peak, in W.
    pub at_peak_w: Option<f64>,
    /// Where the figures at the peak come from.
    pub at_peak_from: From,
    /// Its share of the reactive power at the peak.
    pub peak_share: Option<f64>,
    /// Its share of the reactive energy, over the hours of the week it has seen.
    pub energy_share: Option<f64>,
    /// Reactive energy of a week by its profile, in varh, over the hours seen.
    pub week_varh: f64,
    /// Likely range of the share at the peak, least and most (two standard deviations).
    pub peak_share_range: Option<[f64; 2]>,
    /// How sure its place is.
    pub sureness: Sureness,
}

/// Where a figure at the peak comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum From {
    /// Measured during the peak.
    Measured,
    /// Mean of the same weekday and hour in its own log.
    SameHourOfWeek,
    /// Mean of the same hour on other days of the same kind (working days, days off).
    SameHourOfLikeDays,
    /// The log does not know that hour.
    Nothing,
}

/// How sure a place in the ranking is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Sureness {
    /// Measured at the peak, or the range of its share touches no neighbour's.
    Good,
    /// The ranges of neighbours in the ranking overlap.
    Fair,
    /// The log does not know the hour of the peak, or saw less than a day.
    Poor,
}

/// Feeders against the service over the time that all recorded.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Together {
    /// Hours.
    pub hours: f64,
    /// Mean active power of the service, in W.
    pub service_w: f64,
    /// Mean of the feeders' sum, in W.
    pub feeders_w: f64,
    /// Mean reactive power of the service, in var.
    pub service_var: f64,
    /// Mean of the feeders' sum, in var.
    pub feeders_var: f64,
}

/// What no feeder's log explains.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Unmetered {
    /// Hours of the week over which it is reckoned.
    pub hours_of_week: u32,
    /// Mean active power, in W.
    pub p_w: f64,
    /// Mean reactive power, in var; below zero where capacitors sit beside the feeders.
    pub q1_var: f64,
    /// Share of the service's reactive energy.
    pub share: Option<f64>,
    /// Reactive power at the peak, in var.
    pub at_peak_var: Option<f64>,
}

/// What to be careful with.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "what")]
pub enum Caution {
    /// Logs of different times are compared by profile.
    DifferentTimes {
        /// Feeders that were not recorded during the peak.
        names: Vec<String>,
    },
    /// A log saw little of the week.
    ShortLog {
        /// Feeder.
        name: String,
        /// Hours of the week that it saw.
        hours_of_week: u32,
    },
    /// There is no log of the service: shares are of the feeders' sum.
    NoService,
    /// The feeders add to more than the service.
    MoreThanService {
        /// Sum over service, reactive power.
        ratio: f64,
    },
    /// The ranking is close: neighbours may change places.
    Close {
        /// One of them.
        first: String,
        /// The other.
        second: String,
    },
    /// No whole demand interval, so there is no peak.
    NoPeak,
}

/// Why logs cannot be ranked.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum CulpritError {
    /// There is no log.
    #[error("there is no log to look at; name a store that holds records")]
    Nothing,
    /// A log is empty.
    #[error("the log {name:?} holds no usable record; pull again, or correct its time range")]
    Empty {
        /// Its name.
        name: String,
    },
    /// Two logs have one name.
    #[error("two logs are called {name:?}; give each a name of its own with --place")]
    SameName {
        /// The name.
        name: String,
    },
    /// More than one service.
    #[error("{first:?} and {second:?} are both called the service; there is one")]
    TwoServices {
        /// One.
        first: String,
        /// The other.
        second: String,
    },
    /// Columns of unequal length or out of order.
    #[error(
        "the log {name:?} is damaged (columns differ in length or times go back); read it again"
    )]
    Damaged {
        /// Its name.
        name: String,
    },
    /// Times outside the calendar.
    #[error(
        "a record of {name:?} has a time outside the calendar; set the node's clock and pull again"
    )]
    Time {
        /// Its name.
        name: String,
    },
}

/// Ranks logs by their part in the reactive power.
pub fn culprits(logs: &[NamedLog], site: &Site) -> Result<Culprits, CulpritError> {
    rank::run(logs, site)
}
