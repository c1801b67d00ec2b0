//! Did the correction work: kvar at the same load before and after, against what was installed.
//!
//! [`verify`] fits kvar against kW and voltage before and after, and compares the two at the
//! loads that both have seen. The drop must match the output of the installed units at the
//! voltage they had, phase by phase, within an uncertainty that respects how much one record
//! resembles the next (the manner of ASHRAE Guideline 14). [`money`] is what the drop saves by a
//! tariff; what people read is made in [`crate::present::verify`].

mod decide;
mod estimate;
mod explain;
pub mod money;
mod period;
mod sample;
mod trend;
pub mod unit;

use crate::analyse::survey::clock::{LocalClock, Moment};
use crate::collect::log::IntervalLog;
use crate::site::Site;
use serde::Serialize;
use thiserror::Error;
use unit::{Explanation, Unit};

/// What a verification is told beside the two logs and the site.
#[derive(Clone, Debug, PartialEq)]
pub struct Terms {
    /// What was installed between the two ranges.
    pub installed: Vec<Unit>,
    /// Confidence of every uncertainty, 0.5 to 0.999.
    pub confidence: f64,
    /// Uncertainty that the ratio of measured to expected drop should reach, e.g. 0.2.
    pub wished_share: f64,
    /// Output of a whole unit over its rating: least and most. IEC 60831-1 allows −5 to +10 %
    /// (from memory), IEEE Std 18 0 to +15 % of new units.
    pub tolerance: [f64; 2],
    /// Uncertainty of a difference of reactive powers that the instrument makes, as a share of it.
    pub instrument_share: f64,
    /// The transformer upstream, for the voltage rise that a bank makes.
    pub transformer: Option<Transformer>,
}

/// The transformer upstream.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Transformer {
    /// Rated power, in VA.
    pub rated_va: f64,
    /// Reactance, in percent.
    pub x_pct: f64,
}

impl Terms {
    /// The usual terms for a list of units: 95 %, ±20 %, −10 to +15 %, 1 %.
    pub fn new(installed: Vec<Unit>) -> Terms {
        Terms {
            installed,
            confidence: 0.95,
            wished_share: 0.2,
            tolerance: [0.90, 1.15],
            instrument_share: 0.01,
            transformer: None,
        }
    }
}

/// Everything that two ranges say about a correction.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Verification {
    /// What it was judged by.
    pub basis: Basis,
    /// The answer with its reasons.
    pub verdict: Verdict,
    /// The range before.
    pub before: Period,
    /// The range after.
    pub after: Period,
    /// What was installed.
    pub installed: Vec<Unit>,
    /// Drop of all phases together.
    pub total: Drop,
    /// Drop of each phase, L1 first.
    pub phases: Vec<Drop>,
    /// kvar against kW, before and after, at the mean voltage of the range after.
    pub curve: Vec<CurvePoint>,
    /// Loads that both ranges have seen.
    pub coverage: Coverage,
    /// Where the uncertainty of the total drop comes from.
    pub uncertainty: Budget,
    /// The drop day by day of the range after.
    pub days: Vec<DayDrop>,
    /// States of the units that fit the measured drop, best first; at most eight.
    pub explanations: Vec<Explanation>,
    /// How much more data the wished uncertainty takes; none where it is reached.
    pub needed: Option<Needed>,
}

/// What it was judged by.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Basis {
    /// Name of the plant.
    pub site: Option<String>,
    /// Name of the feeder.
    pub feeder: Option<String>,
    /// IANA time zone of every local time.
    pub time_zone: String,
    /// Voltage that stands for 1 in the fit, in V against neutral or star point.
    pub reference_v: f64,
    /// Confidence of the uncertainties.
    pub confidence: f64,
    /// Uncertainty that was wished for, as a share of the expected drop.
    pub wished_share: f64,
    /// Output of a whole unit over its rating: least and most.
    pub tolerance: [f64; 2],
    /// Uncertainty that the instrument makes, as a share of a drop.
    pub instrument_share: f64,
    /// Defaults that stand in for what was not said.
    pub assumed: Vec<String>,
}

/// The answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// The drop is what was installed.
    Worked,
    /// Some of it is there.
    Partly,
    /// Nothing of it is there.
    Not,
    /// The data does not tell.
    CannotTell,
}

/// The answer with its reasons, weightiest first.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Verdict {
    /// The answer.
    pub outcome: Outcome,
    /// Why.
    pub reasons: Vec<Reason>,
    /// What does not change the answer and should be known.
    pub remarks: Vec<Reason>,
}

/// Why, or what to know.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "what")]
pub enum Reason {
    /// The drop matches what was installed, in total and on each phase.
    AsInstalled,
    /// A line's fuse or wire to a unit is open.
    LineOpen {
        /// The unit.
        unit: String,
        /// The line, such as `L2`.
        place: String,
    },
    /// An element of a unit is dead.
    ElementDead {
        /// The unit.
        unit: String,
        /// Where it lies, such as `L1-L2`.
        place: String,
    },
    /// One of several units has this fault; the readings do not tell which.
    OneOf {
        /// The units.
        units: Vec<String>,
    },
    /// Units give nothing.
    UnitsMissing {
        /// The units.
        units: Vec<String>,
    },
    /// Other combinations of missing units fit as well; each is a list of unit names.
    OrMissing {
        /// The combinations.
        combinations: Vec<Vec<String>>,
    },
    /// No drop on any phase.
    NoDrop,
    /// The sensor may sit between capacitor and load: there it sees the load's kvar only.
    SensorBehindCapacitor {
        /// Rise of the voltage at like load that was seen, in percent.
        voltage_rise_pct: f64,
        /// Rise that the bank makes by transformer data, in percent; none without them.
        expected_rise_pct: Option<f64>,
    },
    /// Less than installed, and no fault of one unit or missing unit explains it.
    LessThanInstalled {
        /// Measured over expected.
        ratio: f64,
    },
    /// More than installed: something else changed too.
    MoreThanInstalled {
        /// Measured over expected.
        ratio: f64,
    },
    /// kvar at the same load rose.
    KvarRose {
        /// By how much, in var.
        by_var: f64,
    },
    /// Too little of the time after has a load that was seen before.
    LoadBeyondRange {
        /// Share of the time after whose load was seen before.
        covered_share: f64,
        /// Loads seen before, least and most, in W.
        before_w: [f64; 2],
        /// Loads seen after, in W.
        after_w: [f64; 2],
    },
    /// The uncertainty is too large.
    MoreDataNeeded {
        /// Uncertainty reached, as a share of the expected drop.
        reached_share: f64,
        /// Uncertainty wished for.
        wished_share: f64,
    },
    /// Less than whole units give, though not by more than the uncertainty: a fault fits better.
    FaultNotExcluded {
        /// Measured over expected.
        ratio: f64,
        /// Its uncertainty, ±.
        uncertainty: f64,
    },
    /// Nothing is known of what was installed.
    NothingListed,
    /// The installed units should have given nothing in the time after.
    NothingExpected,
    /// The drop changed within the range after.
    ChangedDuring {
        /// When, to the hour.
        at: Moment,
        /// Drop over expected before that instant.
        ratio_before: f64,
        /// And from it on.
        ratio_from: f64,
    },
    /// The feeder leads in the range after.
    Leading {
        /// Share of the loaded time.
        share: f64,
        /// The same before.
        share_before: f64,
        /// Most, in var (positive).
        most_var: f64,
        /// Share of that time in which it leads below a power factor of 0.95.
        below_095_share: f64,
    },
    /// The voltage differs between the ranges, so the load's kvar are corrected by an exponent.
    VoltageDiffers {
        /// After minus before at like load, in percent.
        by_pct: f64,
        /// kvar of the load go with voltage to this.
        exponent: f64,
        /// Its standard deviation.
        exponent_sd: f64,
    },
    /// The loads of working time are not like before: another mix may hide behind the same kW.
    MixMayDiffer {
        /// Share of the drop's uncertainty (variance) that stands for it.
        share: f64,
    },
}

/// One range.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Period {
    /// Start of the first record.
    pub first: Moment,
    /// End of the last record.
    pub last: Moment,
    /// Records used.
    pub records: u64,
    /// Records left out: clipped, without voltage, not a number.
    pub left_out: u64,
    /// Records whose time was placed by the host.
    pub placed: u64,
    /// Time measured, in hours.
    pub measured_h: f64,
    /// Local days with records.
    pub days: u32,
    /// Mean, 1 % and 99 % points of active power, in W.
    pub p_mean_w: f64,
    /// Load that is exceeded 99 % of the time, in W.
    pub p_low_w: f64,
    /// Load that is exceeded 1 % of the time, in W.
    pub p_high_w: f64,
    /// Mean reactive power of the fundamental, in var.
    pub q1_mean_var: f64,
    /// Mean phase voltage, in V.
    pub v_mean_v: f64,
    /// Mean frequency, in Hz; none without.
    pub frequency_hz: Option<f64>,
    /// Net active energy, in Wh.
    pub active_net_wh: f64,
    /// Lagging reactive energy, in varh.
    pub reactive_lagging_varh: f64,
    /// Leading reactive energy, in varh.
    pub reactive_leading_varh: f64,
    /// Power factor from the energies.
    pub pf: Option<f64>,
    /// RMS current over time, mean of the phases, in A.
    pub i_rms_a: f64,
    /// Share of the loaded time with leading kvar.
    pub leading_share: f64,
    /// kvar against kW in this range.
    pub regression: Regression,
}

/// kvar = a + b·P + c·P², with the voltage taken out; and how well the finer fit does.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Regression {
    /// Constant, in var.
    pub a_var: f64,
    /// var per W.
    pub b_var_per_w: f64,
    /// var per W².
    pub c_var_per_w2: f64,
    /// Share of the variance that the fit used for the comparison explains.
    pub r_squared: f64,
    /// Standard deviation of its residuals, in var.
    pub residual_sd_var: f64,
    /// The same over the mean reactive power (CV(RMSE) of Guideline 14).
    pub cv_rmse: Option<f64>,
    /// Correlation of neighbouring residuals.
    pub lag1: f64,
    /// Independent records that the records are worth.
    pub effective_records: f64,
}

/// A drop of reactive power at the same load.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Drop {
    /// `total`, `L1`, `L2`, `L3`.
    pub of: &'static str,
    /// Mean of what the loads after would have drawn before, in var.
    pub before_var: f64,
    /// Mean of what they drew, in var.
    pub after_var: f64,
    /// The difference: kvar that are gone.
    pub measured_var: f64,
    /// Uncertainty of it at the basis' confidence, ±, in var.
    pub uncertainty_var: f64,
    /// What the installed units give at the voltages and hours after, in var.
    pub expected_var: Option<f64>,
    /// Measured over expected.
    pub ratio: Option<f64>,
    /// Uncertainty of the ratio, ±.
    pub ratio_uncertainty: Option<f64>,
}

/// kvar at a load, before and after.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct CurvePoint {
    /// Load, in W.
    pub p_w: f64,
    /// Before, in var.
    pub before_var: f64,
    /// After, in var; none where the range after does not reach it.
    pub after_var: Option<f64>,
    /// Uncertainty of the difference, ±, in var.
    pub uncertainty_var: Option<f64>,
}

/// Which loads both ranges have seen.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Coverage {
    /// Equal steps of load.
    pub bins: Vec<LoadBin>,
    /// Share of the time after whose load was seen before; only that is compared.
    pub covered_share: f64,
}

/// One step of load.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct LoadBin {
    /// From, in W.
    pub from_w: f64,
    /// To, in W.
    pub to_w: f64,
    /// Time before, in hours.
    pub before_h: f64,
    /// Time after, in hours.
    pub after_h: f64,
    /// Whether it is compared.
    pub compared: bool,
    /// Mean kvar before, corrected to the voltage after, in var.
    pub before_var: Option<f64>,
    /// Mean kvar after, in var.
    pub after_var: Option<f64>,
}

/// Standard uncertainties (one standard deviation) of the total drop, in var.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Budget {
    /// The fit of the range before, serial correlation included.
    pub before_var: f64,
    /// The mean of the range after, serial correlation included.
    pub after_var: f64,
    /// Loads that make other kvar at the same kW after than before.
    pub mix_var: f64,
    /// Part of `before_var` that comes from the exponent of the voltage.
    pub voltage_var: f64,
    /// The instrument.
    pub instrument_var: f64,
    /// All together.
    pub combined_var: f64,
    /// Student's t at the confidence.
    pub t: f64,
    /// Degrees of freedom.
    pub freedom: f64,
    /// Fractional uncertainty by the formula of ASHRAE Guideline 14 (coefficients from memory):
    /// 1.26·t·CV/F·sqrt((n/n′)(1 + 2/n′)/m′); beside the program's own figure, for comparison.
    pub guideline14_share: Option<f64>,
    /// The program's own: uncertainty over measured drop.
    pub own_share: Option<f64>,
}

/// A day of the range after.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct DayDrop {
    /// Local date.
    pub date: String,
    /// Day of the week.
    pub day: &'static str,
    /// Time compared, in hours.
    pub compared_h: f64,
    /// Mean drop, in var.
    pub measured_var: f64,
    /// Drop over expected.
    pub ratio: Option<f64>,
}

/// How much more data the wished uncertainty takes.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Needed {
    /// Hours after that are there, of compared load.
    pub after_h: f64,
    /// Hours after that it takes in all; none where no length after suffices.
    pub needed_after_h: Option<f64>,
    /// Hours before that are there.
    pub before_h: f64,
    /// Hours before that it would take, with the range after as it is; none where none suffices.
    pub needed_before_h: Option<f64>,
}

/// Why two ranges cannot be compared.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum VerifyError {
    /// A range holds nothing.
    #[error("the range {range} holds no usable record ({left_out} were left out); {cure}")]
    Empty {
        /// `before` or `after`.
        range: &'static str,
        /// Records that were left out.
        left_out: u64,
        /// What to do.
        cure: &'static str,
    },
    /// The ranges are the wrong way round.
    #[error(
        "the range after begins ({after}) ahead of the range before ({before}); swap --before and --after"
    )]
    WrongOrder {
        /// Beginning of the range before.
        before: Moment,
        /// Beginning of the range after.
        after: Moment,
    },
    /// The ranges share time.
    #[error(
        "the ranges overlap: before ends {before_end}, after begins {after_begin}; end the range before when the work began"
    )]
    Overlap {
        /// End of the range before.
        before_end: Moment,
        /// Beginning of the range after.
        after_begin: Moment,
    },
    /// Power flows back in one range and not in the other, or in both.
    #[error(
        "in the range {range} power flows back for {share_pct:.0} % of the time: sensors face the wrong way or sit on another phase; check with `wattless hookup`, then log anew"
    )]
    FlowsBack {
        /// `before` or `after`.
        range: &'static str,
        /// Share of the time, in percent.
        share_pct: f64,
    },
    /// Different numbers of phases.
    #[error(
        "the log before has {before} phases and the log after {after}: they were wired differently; compare logs of the same wiring"
    )]
    Phases {
        /// Phases before.
        before: usize,
        /// Phases after.
        after: usize,
    },
    /// Voltages that are not of the same supply.
    #[error(
        "the voltage before is {before_v:.0} V and after {after_v:.0} V: not the same supply or wiring; compare logs of the same place"
    )]
    Supply {
        /// Mean phase voltage before, in V.
        before_v: f64,
        /// And after.
        after_v: f64,
    },
    /// Too few records for a fit.
    #[error(
        "the range {range} has {records} usable records of {load}; a comparison takes {needed}: log longer"
    )]
    TooFew {
        /// `before` or `after`.
        range: &'static str,
        /// Usable records.
        records: usize,
        /// Which of them count.
        load: &'static str,
        /// How many it takes.
        needed: usize,
    },
    /// Times outside the calendar.
    #[error("a record's time is outside the calendar; set the node's clock and pull again")]
    Time,
    /// Columns of unequal length or out of order.
    #[error(
        "the log {range} is damaged (columns differ in length or times go back); read it again"
    )]
    Damaged {
        /// `before` or `after`.
        range: &'static str,
    },
}

/// Compares two ranges of a feeder.
pub fn verify(
    before: &IntervalLog,
    after: &IntervalLog,
    site: &Site,
    terms: &Terms,
) -> Result<Verification, VerifyError> {
    decide::run(before, after, site, terms)
}

/// What installed units give during a record.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Output {
    /// End of the record, Unix milliseconds.
    pub end_ms: i64,
    /// Output on each phase, in var.
    pub phase_var: [f64; 3],
}

/// What whole units give at each usable record after: at its voltage and frequency, and, for those
/// that a controller switches, at the load that the time before would have had there.
pub fn expected_outputs(
    before: &IntervalLog,
    after: &IntervalLog,
    site: &Site,
    units: &[Unit],
) -> Result<Vec<Output>, VerifyError> {
    decide::expected_outputs(before, after, site, units)
}

/// A local clock over both logs.
fn clock(
    before: &IntervalLog,
    after: &IntervalLog,
    site: &Site,
) -> Result<LocalClock, VerifyError> {
    let ends = || before.end_ms.iter().chain(&after.end_ms).copied();
    let (Some(first), Some(last)) = (ends().min(), ends().max()) else {
        return Err(VerifyError::Time);
    };
    LocalClock::new(&site.time_zone, first - 3_600_000, last).map_err(|_| VerifyError::Time)
}
