//! The verdict: is the power factor good, bad but not worth fixing, or worth fixing.
//!
//! Money is not known here. The criterion is demand-weighted: kvar missing against
//! the target, at the billed peaks and on average over the log (from energies), as a
//! share of the peak kVA. A low power factor at low demand lacks few kvar and drops
//! out by itself; where only low demand is low, the share asked for is higher. Shares
//! are in [`crate::site::VerdictTerms`]; they are this project's own.

use super::clock::WEEK_H;
use super::completeness::Completeness;
use super::demand::DemandFigures;
use super::energy::EnergyTotals;
use super::factors::{PowerFactors, Required};
use super::profile::Load;
use crate::site::{Site, WorkingHours};
use serde::Serialize;

/// A power factor this little below the target meets it.
const ROUNDING: f64 = 1e-6;

/// Distortion factor below which harmonics are told beside missing kvar: 33 % THD of the current.
const HARMONICS_COUNT_BELOW: f64 = 0.95;

/// The four answers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Class {
    /// The target is met on average, at the peaks and most of the time.
    Good,
    /// Low, but little is at stake or capacitors do not help.
    NotWorthFixing,
    /// Low, and a correction is worth a look.
    WorthFixing,
    /// The log does not carry a verdict.
    CannotTell,
}

/// What leads to the class.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Cause {
    /// kvar are missing at the billed peak.
    LackingAtPeak,
    /// kvar are missing on average.
    LackingOnAverage,
    /// kvar are missing on average, and only at low demand.
    LackingAtLowDemand,
    /// Leading by too much at the billed peak.
    LeadingAtPeak,
    /// Leading by too much on average.
    LeadingOnAverage,
    /// Low only at low demand, and few kvar are missing.
    OnlyAtLowDemand,
    /// Below the target, but by few kvar.
    FewKvar,
    /// The displacement PF meets the target: harmonics make the rest, kvar cannot.
    Harmonics,
    /// The PF of all phases together meets the target: the phases differ.
    PhasesDiffer,
}

/// Why there is no verdict.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "what")]
pub enum Obstacle {
    /// No load was recorded.
    NoLoad,
    /// More energy flowed back than in.
    FlowsBack,
    /// No demand interval of the tariff is covered whole.
    NoCompleteInterval,
    /// Records are longer than the tariff's interval or its sub-interval.
    RecordsTooLong,
    /// Too few hours of the week were seen.
    WeekNotCovered {
        /// Hours seen, of 168.
        hours_seen: u32,
        /// Hours asked for.
        hours_needed: u32,
    },
    /// Too much of the log's time is missing.
    Incomplete {
        /// Share present.
        present_share: f64,
        /// Share asked for.
        needed_share: f64,
    },
    /// Too many records carry doubtful values.
    Doubtful {
        /// Share of the measured time.
        doubtful_share: f64,
        /// Share tolerated.
        tolerated_share: f64,
    },
}

/// The verdict with what it stands on.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Verdict {
    /// The answer.
    pub class: Class,
    /// What leads to it, weightiest first.
    pub causes: Vec<Cause>,
    /// Why there is none; empty otherwise.
    pub obstacles: Vec<Obstacle>,
    /// What the records so far would say, where there is no verdict.
    pub so_far: Option<Class>,
    /// kvar missing from which a correction is worth a look, in var.
    pub threshold_var: Option<f64>,
    /// The same where PF is low only at low demand, in var.
    pub low_demand_threshold_var: Option<f64>,
}

/// Everything the verdict looks at.
pub(super) struct Evidence<'a> {
    pub(super) site: &'a Site,
    pub(super) completeness: &'a Completeness,
    pub(super) energy: &'a EnergyTotals,
    pub(super) demand: &'a DemandFigures,
    pub(super) power_factor: &'a PowerFactors,
    pub(super) required: &'a Required,
}

/// Decides.
pub(super) fn decide(e: &Evidence<'_>) -> Verdict {
    let peak_va = e.demand.billed().and_then(|p| p.at_s_peak).map(|d| d.s_va);
    let terms = &e.site.verdict;
    let threshold_var = peak_va.map(|s| s * terms.kvar_share);
    let low_demand_threshold_var = peak_va.map(|s| s * terms.low_demand_kvar_share);
    let obstacles = obstacles(e, peak_va);
    let judged = match (threshold_var, low_demand_threshold_var, e.power_factor.average) {
        (Some(floor), Some(low_floor), Some(_)) if e.energy.active_net_wh > 0.0 => {
            Some(weigh(e, floor, low_floor))
        }
        _ => None,
    };
    let (class, causes) = match (&judged, obstacles.is_empty()) {
        (Some((class, causes)), true) => (*class, causes.clone()),
        (Some((_, causes)), false) => (Class::CannotTell, causes.clone()),
        (None, _) => (Class::CannotTell, Vec::new()),
    };
    let so_far = judged.map(|j| j.0).filter(|_| class == Class::CannotTell);
    Verdict { class, causes, obstacles, so_far, threshold_var, low_demand_threshold_var }
}

fn obstacles(e: &Evidence<'_>, peak_va: Option<f64>) -> Vec<Obstacle> {
    let (c, terms) = (e.completeness, &e.site.verdict);
    let mut found = Vec::new();
    let flowed = e.energy.apparent_arithmetic_vah + e.energy.apparent_vector_vah;
    if flowed <= 0.0 {
        found.push(Obstacle::NoLoad);
    } else if e.energy.active_net_wh <= 0.0 {
        found.push(Obstacle::FlowsBack);
    }
    match e.demand.billed() {
        None => found.push(Obstacle::RecordsTooLong),
        Some(_) if peak_va.is_none() => found.push(Obstacle::NoCompleteInterval),
        Some(_) => {}
    }
    if c.hours_of_week_seen < terms.hours_of_week {
        found.push(Obstacle::WeekNotCovered {
            hours_seen: c.hours_of_week_seen,
            hours_needed: terms.hours_of_week,
        });
    }
    if c.present_share < terms.present_share {
        found.push(Obstacle::Incomplete {
            present_share: c.present_share,
            needed_share: terms.present_share,
        });
    }
    let measured_s = e.energy.measured_h * 3600.0;
    let doubtful_share = if measured_s > 0.0 { c.doubtful_s / measured_s } else { 0.0 };
    if doubtful_share > terms.doubtful_share {
        found.push(Obstacle::Doubtful { doubtful_share, tolerated_share: terms.doubtful_share });
    }
    found
}

/// Weighs what is missing against the peak.
fn weigh(e: &Evidence<'_>, floor: f64, low_floor: f64) -> (Class, Vec<Cause>) {
    let (pf, need) = (e.power_factor, e.required);
    let meets = |x: Option<f64>| x.is_none_or(|x| x >= pf.target - ROUNDING);
    let peak_needs = [need.at_p_peak_var, need.at_s_peak_var];
    let lacking = peak_needs.iter().flatten().copied().fold(0.0, f64::max);
    let leading = -peak_needs.iter().flatten().copied().fold(0.0, f64::min);
    let average = need.average_var.unwrap_or(0.0);
    let high_is_good = meets(pf.high_demand.pf);
    let mut causes = Vec::new();
    if lacking >= floor && lacking > 0.0 {
        causes.push(Cause::LackingAtPeak);
    }
    if leading >= floor && leading > 0.0 {
        causes.push(Cause::LeadingAtPeak);
    }
    if average > 0.0 && average >= if high_is_good { low_floor } else { floor } {
        causes.push(if high_is_good { Cause::LackingAtLowDemand } else { Cause::LackingOnAverage });
    }
    if average < 0.0 && -average >= floor {
        causes.push(Cause::LeadingOnAverage);
    }
    if !causes.is_empty() {
        return (Class::WorthFixing, causes);
    }
    let kvar_is_good = lacking == 0.0 && leading == 0.0 && average == 0.0;
    // Factors apply to the average of energies, since PF also varies with time.
    let average_pf = pf.average_displacement.unwrap_or(1.0);
    let undistorted = average_pf * pf.not_kvar.distortion_factor.unwrap_or(1.0);
    let all = undistorted * pf.not_kvar.phase_factor.unwrap_or(1.0);
    let mut causes = Vec::new();
    let distorts = pf.not_kvar.distortion_factor.is_some_and(|x| x < HARMONICS_COUNT_BELOW);
    if !meets(Some(all)) && (kvar_is_good || distorts) {
        causes.push(if meets(Some(undistorted)) { Cause::PhasesDiffer } else { Cause::Harmonics });
    }
    let mostly = pf.below_target_share.is_none_or(|x| x <= e.site.verdict.tolerated_time_share);
    if !kvar_is_good || !mostly {
        causes.push(if high_is_good { Cause::OnlyAtLowDemand } else { Cause::FewKvar });
    }
    let class = if causes.is_empty() { Class::Good } else { Class::NotWorthFixing };
    (class, causes)
}

/// An hour of the day over the working days of the log.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct HourOfDay {
    /// Hour that it starts at, local time.
    pub hour: u8,
    /// Mean active power, in W.
    pub p_w: f64,
    /// Mean reactive power, in var.
    pub q1_var: f64,
    /// Power factor from the hour's energies.
    pub pf: f64,
}

/// When the power factor is low.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Pattern {
    /// Hour of the working days with the lowest power factor.
    pub lowest_hour: Option<HourOfDay>,
    /// Hour of the working days with the highest power factor.
    pub highest_hour: Option<HourOfDay>,
    /// Hour of the working days that lacks most kvar, where any does.
    pub most_lacking_hour: Option<HourOfDay>,
    /// Hours of the working days (of 24) with a power factor.
    pub hours: u32,
    /// Those of them below the target.
    pub low_hours: u32,
    /// Reactive power that is exceeded 95 % of the time: always on, in var.
    pub base_q1_var: Option<f64>,
    /// What that makes of the lagging energy, 0 to 1.
    pub base_share: Option<f64>,
}

/// Finds the hours; `no_load_va` is the load below which there is no power factor.
pub(super) fn pattern(
    cells: &[Load; WEEK_H],
    working: &WorkingHours,
    target: f64,
    no_load_va: f64,
) -> Pattern {
    let mut hours: Vec<HourOfDay> = Vec::new();
    for hour in 0..24 {
        let mut sum = Load::default();
        (0..7).filter(|d| working.is_working_day(*d)).for_each(|d| sum.add(&cells[d * 24 + hour]));
        if let (Some(p_w), Some(q1_var), Some(pf)) = (sum.p_w(), sum.q1_var(), sum.pf(no_load_va)) {
            hours.push(HourOfDay { hour: hour as u8, p_w, q1_var, pf });
        }
    }
    let lack =
        |h: &HourOfDay| super::factors::signed_need_var(h.p_w, h.q1_var, target).unwrap_or(0.0);
    Pattern {
        lowest_hour: hours.iter().copied().min_by(|a, b| a.pf.total_cmp(&b.pf)),
        highest_hour: hours.iter().copied().max_by(|a, b| a.pf.total_cmp(&b.pf)),
        most_lacking_hour: hours
            .iter()
            .copied()
            .filter(|h| lack(h) > 0.0)
            .max_by(|a, b| lack(a).total_cmp(&lack(b))),
        hours: hours.len() as u32,
        low_hours: hours.iter().filter(|h| h.pf < target - ROUNDING).count() as u32,
        base_q1_var: None,
        base_share: None,
    }
}
