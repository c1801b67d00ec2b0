//! Candidate corrections replayed over a log, billed, checked against limits, and ranked.
//!
//! [`size`] is the way: a log becomes a [`replay::Course`] and a year of the tariff
//! ([`evaluate::Year`]); the price list and the plant become a [`candidate::Space`];
//! [`search`] picks candidates, [`evaluate::Evaluator`] replays and bills each, [`limits`]
//! excludes, and what is left is ranked by net present value. Doing nothing is always among
//! them. A result is a proposal for a licensed person to review.

pub mod candidate;
pub mod course;
pub mod economics;
pub mod evaluate;
pub mod harmonics;
pub mod limits;
pub mod prices;
pub mod replay;
pub mod search;
pub mod supply;
pub mod why;

use crate::analyse::bill::extrapolate::{
    Extrapolation, ExtrapolationError, Horizon, bill_following,
};
use crate::analyse::bill::quantities::MonthQuantities;
use crate::analyse::bill::seasons::Seasons;
use crate::analyse::series::LoadSeries;
use crate::analyse::survey::clock::{LocalClock, Moment};
use crate::analyse::tariff::Tariff;
use crate::collect::log::IntervalLog;
use crate::site::Site;
use crate::site::plant::{CorrectionTerms, Economics};
use candidate::{Barred, Genome, Space};
use course::{Layout, Running};
use economics::payback_years;
use evaluate::{Evaluator, Score, Year};
use harmonics::Measured;
use prices::{Cost, PriceList};
use rust_decimal::prelude::ToPrimitive;
use serde::Serialize;
use std::collections::BTreeMap;
use supply::Supply;

/// Most candidates that are looked at where nobody says otherwise.
pub const MOST: usize = 2000;

/// Kinds of candidate that are kept, best first, beside those that stand in one sort of place.
const ALLOWED_KEPT: usize = 4;

/// The same of the excluded ones.
const EXCLUDED_KEPT: usize = 3;

/// Displacement power factor from which a low true power factor is the harmonics' doing.
const DISPLACEMENT_FINE: f64 = 0.95;

/// What is sized from.
pub struct Job<'a> {
    /// The log; without it, the series alone at nominal voltage.
    pub log: Option<&'a IntervalLog>,
    /// The log on the tariff's steps.
    pub series: &'a LoadSeries,
    /// The site.
    pub site: &'a Site,
    /// The tariff.
    pub tariff: &'a Tariff,
    /// The price list.
    pub prices: &'a PriceList,
    /// Past bills: where they hold twelve months, the year follows them.
    pub history: &'a [MonthQuantities],
    /// Most candidates to look at.
    pub most: usize,
}

/// Why a correction cannot be sized.
#[derive(Debug, thiserror::Error)]
pub enum SizeError {
    /// The nominal voltage is not known.
    #[error("the nominal voltage is not known; set supply.line_voltage_v in the site file")]
    NoVoltage,
    /// Prices and tariff are in different money.
    #[error(
        "the price list is in {prices}, the tariff in {tariff}; bring the list to the tariff's \
         currency"
    )]
    Currency {
        /// Of the price list.
        prices: String,
        /// Of the tariff.
        tariff: String,
    },
    /// The price list is for another frequency.
    #[error(
        "the price list is rated for {list} Hz, the supply has {supply} Hz; set rated_hz of the \
         list, or frequency_hz of the site"
    )]
    Frequency {
        /// Of the price list.
        list: f64,
        /// Of the supply.
        supply: f64,
    },
    /// Nothing in the list fits anywhere.
    #[error("no unit or bank of the price list fits this feeder: {0}")]
    NothingFits(String),
    /// The log is shorter than one demand interval.
    #[error(
        "the log covers {covered_min:.0} min, less than one demand interval of {interval_min:.0} \
         min; log at least a whole week"
    )]
    Short {
        /// Minutes covered.
        covered_min: f64,
        /// The tariff's interval.
        interval_min: f64,
    },
    /// The log cannot be extended to a year.
    #[error(transparent)]
    Year(#[from] ExtrapolationError),
    /// The log's times are outside the calendar.
    #[error("the log's times are outside the calendar; set the node's clock and pull again")]
    Time,
    /// The bill has a quantity that the log does not hold.
    #[error(
        "the tariff asks for a quantity that the log does not hold, so that no saving can be told; \
         run `wattless bill` to see which line"
    )]
    NoBill,
}

/// A candidate with everything that is known of it.
#[derive(Clone, Debug, Serialize)]
pub struct Outcome {
    /// Short name: `C0` is doing nothing, then by rank.
    pub id: String,
    /// What it is.
    pub name: String,
    /// What kind it is.
    pub family: String,
    /// All of it at nominal voltage and frequency, in var.
    pub installed_var: f64,
    /// What it costs.
    pub cost: Cost,
    /// To buy and install.
    pub first_cost: f64,
    /// Bill, power factor, losses, limits.
    pub score: Score,
    /// Money saved a month, less upkeep.
    pub saving_month: Option<f64>,
    /// Simple payback, in years; none where it never pays.
    pub payback_years: Option<f64>,
    /// kVA that are released at the year's peak, in VA.
    pub released_va: f64,
    /// Highest demand current, in A at nominal voltage.
    pub peak_current_a: f64,
    /// Switchings a day.
    pub switchings_per_day: f64,
}

/// What the harmonics have to do with the power factor.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Distortion {
    /// Average power factor of the fundamental, from energies.
    pub displacement_pf: Option<f64>,
    /// Average true power factor, from energies; none where the log has no apparent power.
    pub true_pf: Option<f64>,
    /// Whether harmonics, not kvar, make the power factor low: capacitors will not fix it.
    pub is_the_cause: bool,
    /// Harmonics of the log; none where its records carry none.
    pub measured: Option<Measured>,
}

/// What was sized by.
#[derive(Clone, Debug, Serialize)]
pub struct Basis {
    /// Name of the plant.
    pub site: Option<String>,
    /// Name of the feeder.
    pub feeder: Option<String>,
    /// Tariff.
    pub tariff: String,
    /// Price list.
    pub price_list: String,
    /// Currency.
    pub currency: String,
    /// Start of the log.
    pub first: Moment,
    /// End of the log.
    pub last: Moment,
    /// Records, or steps of interval data, replayed.
    pub replayed: u64,
    /// Hours that they cover.
    pub covered_h: f64,
    /// Share of the billed year that was filled from like days of the log.
    pub filled_share: f64,
    /// How the log was extended to the year, and how sure that is; none where the log is most
    /// of a year.
    pub extrapolation: Option<Extrapolation>,
    /// The year's power-factor part of the bill without a correction.
    pub power_factor_part: Option<f64>,
    /// The supply.
    pub supply: Supply,
    /// Terms of the correction.
    pub correction: CorrectionTerms,
    /// Terms of money.
    pub economics: Economics,
    /// Money that one kWh more costs, its demand included.
    pub kwh_value: f64,
    /// The year's active energy over the log's.
    pub energy_ratio: f64,
    /// What was assumed, in sentences.
    pub assumed: Vec<String>,
}

/// Candidates ranked.
#[derive(Clone, Debug, Serialize)]
pub struct Sizing {
    /// What they were judged by.
    pub basis: Basis,
    /// Harmonics and the power factor.
    pub distortion: Distortion,
    /// Doing nothing.
    pub nothing: Outcome,
    /// The best of each kind that no limit excludes, best first; doing nothing is in it.
    pub candidates: Vec<Outcome>,
    /// The best of each kind that a limit excludes.
    pub excluded: Vec<Outcome>,
    /// Places that cannot have capacitors.
    pub barred: Vec<Barred>,
    /// Candidates looked at.
    pub examined: usize,
    /// Whether these are all that there are.
    pub exhaustive: bool,
    /// Position of the recommended one in `candidates`.
    pub recommended: usize,
}

impl Sizing {
    /// The recommended candidate.
    pub fn best(&self) -> &Outcome {
        self.candidates.get(self.recommended).unwrap_or(&self.nothing)
    }

    /// The candidate of an id, excluded ones too.
    pub fn find(&self, id: &str) -> Option<&Outcome> {
        self.candidates.iter().chain(&self.excluded).find(|c| c.id.eq_ignore_ascii_case(id))
    }
}

/// Sizes a correction.
pub fn size(job: &Job<'_>) -> Result<Sizing, SizeError> {
    let (site, tariff, prices) = (job.site, job.tariff, job.prices);
    if prices.currency != tariff.currency {
        return Err(SizeError::Currency {
            prices: prices.currency.clone(),
            tariff: tariff.currency.clone(),
        });
    }
    let mut assumed = site.assumed.clone();
    let hz = frequency(job, &mut assumed);
    if hz != prices.rated_hz {
        return Err(SizeError::Frequency { list: prices.rated_hz, supply: hz });
    }
    let covered_s: f64 = job.series.covered_s.iter().map(|c| f64::from(*c)).sum();
    let interval_s = f64::from(tariff.demand.interval_s);
    if covered_s < interval_s {
        return Err(SizeError::Short {
            covered_min: covered_s / 60.0,
            interval_min: interval_s / 60.0,
        });
    }
    let supply = Supply::of(site, hz).ok_or(SizeError::NoVoltage)?;
    assumed.extend(supply.assumed.iter().cloned());
    let space = Space::new(prices, &site.plant, &supply);
    if space.options.is_empty() {
        let why = space.barred.first().map_or("the list has no unit for it", |b| &b.reason);
        return Err(SizeError::NothingFits(why.to_owned()));
    }
    let running = Running::of(&site.plant.motors, supply.line_voltage_v);
    running_words(&space, &running, &mut assumed);
    let layout = Layout {
        series: job.series,
        supply: &supply,
        running: &running,
        reference_var: reference_var(job.series),
    };
    let phase_to_line = site
        .supply
        .phase_voltage_v()
        .map_or(libm::sqrt(3.0), |phase| supply.line_voltage_v / phase);
    let course = match job.log {
        Some(log) => layout.of_log(log, phase_to_line),
        None => {
            assumed.push("interval data hold no voltage: nominal voltage and frequency".into());
            layout.of_series()
        }
    };
    let zone = zone_of(job);
    let seasons = Seasons::of(job.history);
    if seasons.is_none() && !job.history.is_empty() {
        assumed.push(
            "the past bills do not state the kWh of all twelve months: the year is the log repeated, \
             not scaled by them"
                .into(),
        );
    }
    let year = Year::of(job.series, tariff, zone, seasons.as_ref())?;
    let (records, log_course) = (course.len(), course);
    let leveled = (year.levels.len() > 1)
        .then(|| (job.series.at_levels(&year.levels), layout.at_levels(&log_course, &year.levels)));
    let (series, course) = match &leveled {
        Some((series, course)) => (series, course),
        None => (job.series, &log_course),
    };
    let measured = measured(job.log);
    let mut evaluator = Evaluator::new(
        &space,
        tariff,
        zone,
        series,
        course,
        &year,
        measured.unwrap_or_default(),
        &running,
    )?;
    if evaluator.base.bill_year.is_none() {
        return Err(SizeError::NoBill);
    }
    let choices: Vec<usize> = space.options.iter().map(|o| o.choices.len()).collect();
    let mut scores: BTreeMap<Genome, Score> = BTreeMap::new();
    let looked = search::search(&choices, job.most.max(1), &mut |genomes| {
        let found = evaluator.scores(genomes);
        let worth = found.iter().map(Score::worth).collect();
        scores.extend(genomes.iter().cloned().zip(found));
        worth
    });
    let clock = LocalClock::new(zone, job.series.start_ms, job.series.end_ms())
        .map_err(|_| SizeError::Time)?;
    let ranked = rank(&space, &evaluator, scores, course.covered_s());
    let distortion = distortion(job, measured, &evaluator.base);
    let (extrapolation, power_factor_part) = how_sure(job, &year, seasons.as_ref())?;
    let origin = &job.series.origin;
    let basis = Basis {
        site: site.name.clone(),
        feeder: site.feeder.clone(),
        tariff: tariff.name.clone(),
        price_list: prices.name.clone(),
        currency: tariff.currency.clone(),
        first: clock.moment(origin.first_ms),
        last: clock.moment(origin.last_ms),
        replayed: records as u64,
        covered_h: covered_s / 3600.0,
        filled_share: year.filled_share(),
        extrapolation,
        power_factor_part,
        kwh_value: evaluator.kwh_value,
        energy_ratio: year.energy_ratio,
        correction: site.plant.correction.clone(),
        economics: site.plant.economics,
        assumed,
        supply: supply.clone(),
    };
    let recommended = 0;
    Ok(Sizing {
        basis,
        distortion,
        nothing: ranked.nothing,
        candidates: ranked.allowed,
        excluded: ranked.excluded,
        barred: space.barred.clone(),
        examined: looked.worth.len(),
        exhaustive: looked.all,
        recommended,
    })
}

/// The tariff's time zone, else the site's.
fn zone_of<'a>(job: &Job<'a>) -> &'a jiff::tz::TimeZone {
    job.tariff.time_zone.as_ref().map_or(&job.site.time_zone, |z| &z.1)
}

/// Share of the year that must be filled for its spread to be worth the time it takes.
const SPREAD_FROM: f64 = 0.75;

/// The spread of the year's bill by like days, and its power-factor part.
fn how_sure(
    job: &Job<'_>,
    year: &Year,
    seasons: Option<&Seasons>,
) -> Result<(Option<Extrapolation>, Option<f64>), ExtrapolationError> {
    if year.filled_share() < SPREAD_FROM {
        return Ok((None, None));
    }
    let zone = zone_of(job);
    let bill = bill_following(job.series, job.tariff, zone, &[], Horizon::Year, seasons)?;
    let part = bill.power_factor_part().and_then(|x| x.to_f64());
    Ok((bill.extrapolation, part))
}

struct Ranked {
    nothing: Outcome,
    allowed: Vec<Outcome>,
    excluded: Vec<Outcome>,
}

/// The best of each kind, ranked; doing nothing keeps its place among them.
fn rank(
    space: &Space<'_>,
    evaluator: &Evaluator<'_>,
    scores: BTreeMap<Genome, Score>,
    covered_s: f64,
) -> Ranked {
    let mut all: Vec<(Genome, Score)> = scores.into_iter().collect();
    let npv = |s: &Score| s.npv.unwrap_or(f64::NEG_INFINITY);
    let parts = |g: &Genome| g.iter().filter(|x| **x > 0).count();
    all.sort_by(|a, b| npv(&b.1).total_cmp(&npv(&a.1)).then(parts(&a.0).cmp(&parts(&b.0))));
    let (mut allowed, mut excluded) = (Vec::new(), Vec::new());
    let (mut seen, mut seen_excluded) = (Vec::new(), Vec::new());
    for (genome, score) in all {
        let family = space.family(&genome);
        let (list, seen) = if score.is_allowed() {
            (&mut allowed, &mut seen)
        } else {
            (&mut excluded, &mut seen_excluded)
        };
        if seen.contains(&family) {
            continue;
        }
        seen.push(family.clone());
        let id = if genome.iter().all(|g| *g == 0) { "C0".to_owned() } else { String::new() };
        list.push(outcome(space, evaluator, genome, score, family, id, covered_s));
    }
    thin_out(&mut allowed, ALLOWED_KEPT);
    thin_out(&mut excluded, EXCLUDED_KEPT);
    // Doing nothing is C0 wherever it stands; the others count on from the best.
    for (k, o) in allowed.iter_mut().chain(&mut excluded).filter(|o| o.id.is_empty()).enumerate() {
        o.id = format!("C{}", k + 1);
    }
    let nothing = allowed.iter().find(|o: &&Outcome| o.id == "C0").cloned().unwrap_or_else(|| {
        let score = evaluator.base.clone();
        let family = space.family(&space.nothing());
        outcome(space, evaluator, space.nothing(), score, family, "C0".into(), covered_s)
    });
    Ranked { nothing, allowed, excluded }
}

/// Keeps the best few, doing nothing, and every kind that stands in one sort of place.
fn thin_out(list: &mut Vec<Outcome>, keep: usize) {
    let mut at = 0;
    list.retain(|o| {
        at += 1;
        at <= keep || !o.family.contains(" + ")
    });
}

fn outcome(
    space: &Space<'_>,
    evaluator: &Evaluator<'_>,
    genome: Genome,
    score: Score,
    family: String,
    id: String,
    covered_s: f64,
) -> Outcome {
    let cost = space.cost(&genome);
    let v = space.supply.line_voltage_v;
    let net = score.saving_year.map(|s| s - cost.yearly);
    Outcome {
        id,
        name: space.name(&genome),
        family,
        installed_var: space.lane(&genome).all_var(),
        first_cost: cost.first(),
        cost,
        saving_month: net.map(|s| s / 12.0),
        payback_years: score
            .saving_year
            .filter(|_| cost.first() > 0.0)
            .and_then(|s| payback_years(cost.first(), s, cost.yearly)),
        released_va: (evaluator.base.peak_kva - score.peak_kva) * 1e3,
        peak_current_a: wattless_core::correction::line_current_a(score.peak_kva * 1e3, v),
        switchings_per_day: score.totals.switchings / (covered_s / 86_400.0),
        score,
    }
}

/// Nominal frequency: of the site, else what the log is near to, else 50 Hz.
fn frequency(job: &Job<'_>, assumed: &mut Vec<String>) -> f64 {
    if let Some(hz) = job.site.supply.frequency_hz {
        return hz;
    }
    let seen = job.log.and_then(|l| l.frequency_10uhz.iter().find(|f| **f > 0).copied());
    let hz = match seen {
        Some(f) if f > 5_500_000 => 60.0,
        Some(_) => 50.0,
        None => job.prices.rated_hz,
    };
    assumed.push(format!("nominal frequency is {hz} Hz (set supply.frequency_hz)"));
    hz
}

fn running_words(space: &Space<'_>, running: &Running, assumed: &mut Vec<String>) {
    let at_motors = space.options.iter().filter_map(|o| match o.place {
        candidate::Place::Motor(k) => Some(k),
        _ => None,
    });
    let unknown: Vec<&str> = at_motors
        .filter(|k| !running.is_known(*k))
        .filter_map(|k| space.plant.motors.get(k).map(|m| m.name.as_str()))
        .collect();
    if !unknown.is_empty() {
        assumed.push(format!(
            "the log cannot tell when {} run{}: capacitors there count as always on (set \
             runs_above_kw)",
            unknown.join(", "),
            if unknown.len() == 1 { "s" } else { "" },
        ));
    }
}

/// About the most that a sensible candidate gives: the highest lagging kvar of the series.
fn reference_var(series: &LoadSeries) -> f64 {
    let hours = f64::from(series.step_s) / 3600.0;
    series.q_lag_varh.iter().copied().fold(0.0, f64::max) / hours
}

/// Share of the time for which the harmonics that are sized for are exceeded.
const HARMONICS_EXCEEDED: f64 = 0.05;

/// Harmonics of the log under load; `None` where its records carry none.
fn measured(log: Option<&IntervalLog>) -> Option<Measured> {
    let log = log?;
    let apparent = |at: usize| {
        let (p, q) = (log.total_p_w(at), log.total_q1_var(at));
        libm::sqrt(p * p + q * q)
    };
    let high = |columns: &[Vec<f32>; 5]| -> Option<[f64; 5]> {
        let mut out = [0.0; 5];
        for (out, column) in out.iter_mut().zip(columns) {
            let mut x: Vec<f32> = column.iter().copied().filter(|x| x.is_finite()).collect();
            x.sort_by(f32::total_cmp);
            let at = (x.len() as f64 * (1.0 - HARMONICS_EXCEEDED)) as usize;
            *out = f64::from(*x.get(at.min(x.len().checked_sub(1)?))?);
        }
        Some(out)
    };
    let (v_ratio, i_ratio) = (high(&log.v_order_ratio), high(&log.i_order_ratio));
    let s1_va = (0..log.len()).map(apparent).filter(|s| s.is_finite()).fold(0.0, f64::max);
    (v_ratio.is_some() || i_ratio.is_some()).then_some(Measured { v_ratio, i_ratio, s1_va })
}

fn distortion(job: &Job<'_>, measured: Option<Measured>, base: &Score) -> Distortion {
    let true_pf = job.log.and_then(|log| {
        let (mut wh, mut vah) = (0.0, 0.0);
        for at in 0..log.len() {
            let (p, s, t) = (log.total_p_w(at), log.total_s_va(at), log.duration_s(at));
            if p.is_finite() && s.is_finite() {
                wh += p * t;
                vah += s * t;
            }
        }
        (vah > 0.0).then(|| wh / vah)
    });
    let displacement_pf = base.average_pf;
    let target = job.site.power_factor.target;
    let is_the_cause = matches!((displacement_pf, true_pf), (Some(d), Some(t))
        if d >= DISPLACEMENT_FINE.min(target) && t < target - 0.005 && t < d - 0.02);
    Distortion { displacement_pf, true_pf, is_the_cause, measured }
}
