//! The survey of a log: completeness, energy, demand, power factor, and the verdict.
//!
//! [`survey`] walks once through the records and fills a [`Survey`]; what people
//! read of it is made in [`crate::present`]. Money is the bill's business.
//! Times are local to the site; "kvar" is reactive power of the fundamental.

pub mod clock;
pub mod completeness;
pub mod demand;
pub mod energy;
pub mod factors;
pub mod phases;
pub mod profile;
pub mod verdict;

use super::reread::Reread;
use crate::collect::log::IntervalLog;
use crate::site::{Apparent, DemandKind, Site};
use clock::{LocalClock, Moment};
use serde::Serialize;
use wattless_core::demand::Energy;

/// What a log says about a feeder.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Survey {
    /// What it was judged by.
    pub basis: Basis,
    /// Start of the first record.
    pub first: Moment,
    /// End of the last record.
    pub last: Moment,
    /// The answer.
    pub verdict: verdict::Verdict,
    /// How much of the time the log holds.
    pub completeness: completeness::Completeness,
    /// Energies.
    pub energy: energy::EnergyTotals,
    /// Energies against the node's counters; none where no counters ran on.
    pub counter_check: Option<energy::CounterCheck>,
    /// Demands and peaks.
    pub demand: demand::DemandFigures,
    /// Power factors.
    pub power_factor: factors::PowerFactors,
    /// kvar that are lacking.
    pub required: factors::Required,
    /// What is exceeded for which share of the time.
    pub duration: Vec<factors::DurationRow>,
    /// When the power factor is low.
    pub pattern: verdict::Pattern,
    /// Load by hour of the week and by day.
    pub profile: profile::Profile,
    /// Phases, voltage, frequency.
    pub phases: phases::Phases,
    /// What was read again as if wired otherwise, where that was asked for.
    pub reread: Option<Reread>,
}

/// What a survey was judged by.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Basis {
    /// Name of the plant.
    pub site: Option<String>,
    /// Name of the feeder.
    pub feeder: Option<String>,
    /// IANA time zone of every local time.
    pub time_zone: String,
    /// Block or sliding demand.
    pub demand_kind: DemandKind,
    /// Demand interval, in minutes.
    pub demand_interval_min: f64,
    /// Apparent power of the tariff.
    pub apparent: Apparent,
    /// Target power factor.
    pub target_pf: f64,
    /// Share of peak kW from which the lowest PF counts.
    pub counts_from_share: f64,
    /// Working hours, from and to, in local time.
    pub working_h: [u8; 2],
    /// Working days, Monday first.
    pub working_days: [bool; 7],
    /// Defaults that stand in for what the site file does not say.
    pub assumed: Vec<String>,
}

/// Why a log cannot be surveyed.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SurveyError {
    /// There is no record.
    #[error("the log holds no record; pull from the node first, or widen the time range")]
    Empty,
    /// Every record is unusable.
    #[error(
        "none of the log's {records} records can be used: values are not numbers or lengths are zero; pull again or check the file they came from"
    )]
    Unusable {
        /// Number of records.
        records: usize,
    },
    /// A column has another length than the rest.
    #[error(
        "the log's columns differ in length ({found} and {expected}); the file or store is damaged, read it again"
    )]
    Uneven {
        /// Records by the column of times.
        expected: usize,
        /// Records by another column.
        found: usize,
    },
    /// Records are not in order of time.
    #[error("record {at} of the log ends before the one ahead of it; sort the records by end time")]
    OutOfOrder {
        /// Position, from 0.
        at: usize,
    },
    /// A record lies outside the calendar.
    #[error(
        "a record's time ({at_ms} ms since 1970) is outside the calendar; set the node's clock and pull again"
    )]
    Time {
        /// Unix milliseconds.
        at_ms: i64,
    },
    /// The tariff uses effective apparent power and the log has none.
    #[error(
        "the log has no effective apparent power (its wiring defines none); set demand.apparent_power to \"vector\" or \"arithmetic\" in the site file"
    )]
    NoEffective,
    /// The site's demand rule is impossible.
    #[error("the site's demand rule makes no sense: {0}; correct its [demand] section")]
    Rule(wattless_core::demand::DemandError),
}

/// Surveys a log.
///
/// Linear in the number of records; one walk, plus one over V and I for their ranges.
pub fn survey(log: &IntervalLog, site: &Site) -> Result<Survey, SurveyError> {
    survey_with(log, site, &[])
}

/// Surveys a log of which a store knows why record numbers are absent.
pub fn survey_with(
    log: &IntervalLog,
    site: &Site,
    absent: &[crate::collect::store::Gap],
) -> Result<Survey, SurveyError> {
    check(log)?;
    let (from_ms, to_ms) = (log.start_ms(0), log.end_ms[log.len() - 1]);
    let clock = LocalClock::new(&site.time_zone, from_ms, to_ms)
        .map_err(|_| SurveyError::Time { at_ms: from_ms.min(to_ms) })?;
    let terms = site.demand;
    let rule = |e| SurveyError::Rule(e);
    wattless_core::demand::DemandRule::block(terms.interval_s).map_err(rule)?;
    let step = wattless_core::demand::DemandRule::sliding(terms.interval_s, terms.sub_interval_s);
    step.map_err(rule)?;
    let Some(mut demands) = demand::Demands::new(&clock, terms, from_ms) else {
        return Err(SurveyError::Rule(wattless_core::demand::DemandError::Interval));
    };
    let ranges = phases::Ranges::of(log);
    let mut walk = completeness::Walk::new(absent);
    let mut sums = energy::Sums::default();
    let mut hours = profile::Hours::new(&clock);
    let mut phase_sums = phases::PhaseSums::new(ranges);
    let effective = terms.apparent == Apparent::Effective;
    let mut any_effective = false;

    for at in 0..log.len() {
        let power = energy::Power {
            hours: log.duration_s(at) / 3600.0,
            p_w: log.total_p_w(at),
            q1_var: log.total_q1_var(at),
            s_va: log.total_s_va(at),
            s_effective_va: f64::from(log.s_effective_va[at]),
        };
        if !(power.p_w + power.q1_var + power.s_va).is_finite() || power.hours <= 0.0 {
            walk.skip();
            continue;
        }
        let Some(place) = walk.place(log, at, ranges.loaded(log, at)) else { continue };
        sums.add(log, at, &power);
        phase_sums.add(log, at, power.hours);
        let metered_va = if effective { power.s_effective_va } else { power.s_va };
        let h = power.hours * place.share;
        let mut e = Energy { p_wh: power.p_w * h, q1_varh: power.q1_var * h, s_vah: 0.0 };
        hours.add(place.start_ms, place.end_ms, &e);
        // Without the tariff's kVA a record is no part of a demand: its interval is incomplete.
        if metered_va.is_finite() {
            any_effective = true;
            e.s_vah = metered_va * h;
            demands.add(place.start_ms, place.end_ms, &e);
        }
    }

    let Some((first_ms, last_ms)) = walk.bounds_ms() else {
        return Err(SurveyError::Unusable { records: log.len() });
    };
    if effective && !any_effective {
        return Err(SurveyError::NoEffective);
    }
    let completeness = walk.finish(&clock, hours.seen());
    let (energy, counter_check) = sums.finish(log);
    let (demand, series) = demands.finish();
    let judged = factors::judge(&factors::Material {
        clock: &clock,
        terms: &site.power_factor,
        apparent: terms.apparent,
        energy: &energy,
        not_kvar: phase_sums.not_kvar(),
        demand: &demand,
        series: &series,
    });
    let (power_factor, required) = (judged.power_factor, judged.required);
    let verdict = verdict::decide(&verdict::Evidence {
        site,
        completeness: &completeness,
        energy: &energy,
        demand: &demand,
        power_factor: &power_factor,
        required: &required,
    });
    let no_load_va = power_factor.no_load_below_va;
    let working = &site.working_hours;
    let mut pattern =
        verdict::pattern(&hours.cells(), working, site.power_factor.target, no_load_va);
    let base = judged.duration.iter().find(|r| r.exceeded_share == 0.95).map(|r| r.q1_var);
    pattern.base_q1_var = base;
    pattern.base_share = base
        .filter(|_| energy.reactive_lagging_varh > 0.0)
        .map(|b| (b.max(0.0) * energy.measured_h / energy.reactive_lagging_varh).min(1.0));
    Ok(Survey {
        basis: basis(site),
        first: clock.moment(first_ms),
        last: clock.moment(last_ms),
        verdict,
        completeness,
        energy,
        counter_check,
        demand,
        power_factor,
        required,
        duration: judged.duration,
        pattern,
        profile: hours.finish(working, no_load_va),
        phases: phase_sums.finish(&site.supply),
        reread: None,
    })
}

fn basis(site: &Site) -> Basis {
    Basis {
        site: site.name.clone(),
        feeder: site.feeder.clone(),
        time_zone: site.time_zone_name.clone(),
        demand_kind: site.demand.kind,
        demand_interval_min: f64::from(site.demand.interval_s) / 60.0,
        apparent: site.demand.apparent,
        target_pf: site.power_factor.target,
        counts_from_share: site.power_factor.counts_from_share,
        working_h: [site.working_hours.from_h, site.working_hours.to_h],
        working_days: site.working_hours.days,
        assumed: site.assumed.clone(),
    }
}

/// Refuses a log that cannot be walked.
fn check(log: &IntervalLog) -> Result<(), SurveyError> {
    let expected = log.len();
    let lengths = [
        log.seq.len(),
        log.boot.len(),
        log.duration_us.len(),
        log.flags.len(),
        log.placed.len(),
        log.frequency_10uhz.len(),
        log.s_effective_va.len(),
    ];
    let phase_columns = [&log.v_rms_v, &log.i_rms_a, &log.p_w, &log.q1_var, &log.s_va];
    let found = lengths
        .into_iter()
        .chain(phase_columns.into_iter().flatten().map(Vec::len))
        .chain(log.energy_counts.iter().map(Vec::len))
        .find(|n| *n != expected);
    if let Some(found) = found {
        return Err(SurveyError::Uneven { expected, found });
    }
    if log.is_empty() {
        return Err(SurveyError::Empty);
    }
    match log.end_ms.windows(2).position(|w| w[1] < w[0]) {
        Some(at) => Err(SurveyError::OutOfOrder { at: at + 1 }),
        None => Ok(()),
    }
}
