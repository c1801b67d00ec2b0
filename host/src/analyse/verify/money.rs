//! What the measured drop of reactive power saves by the tariff.
//!
//! The range after is billed twice: as it was recorded, and with the kvar back that are gone at
//! each load. The difference is what the change saves; the uncertainty of the drop goes with it.
//! Where the range after holds whole days of every kind, both are extended to a year by like
//! days, so that the yearly sum stands beside what was promised before.

use super::Verification;
use crate::analyse::bill::extrapolate::{
    Extrapolation, ExtrapolationError, Horizon, bill_extended, extended,
};
use crate::analyse::bill::quantities::MonthQuantities;
use crate::analyse::bill::seasons::Seasons;
use crate::analyse::bill::{Bill, bill};
use crate::analyse::series::LoadSeries;
use crate::analyse::tariff::Tariff;
use jiff::tz::TimeZone;
use rust_decimal::prelude::ToPrimitive;
use serde::Serialize;
use std::path::{Path, PathBuf};

/// Days of a year, for a saving over another time set against a yearly one.
const YEAR_DAYS: f64 = 365.25;

/// What the measured drop saves.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Saved {
    /// Name of the tariff.
    pub tariff: String,
    /// Its currency.
    pub currency: String,
    /// Whether the sums are those of a year; else of the range after.
    pub of_a_year: bool,
    /// Days that the sums are of.
    pub days: f64,
    /// The bill as it is; none where the tariff asks for a quantity that the log does not hold.
    pub bill: Option<f64>,
    /// The bill with the kvar that are gone.
    pub bill_without: Option<f64>,
    /// Power-factor part as it is.
    pub power_factor_part: Option<f64>,
    /// Power-factor part with the kvar that are gone.
    pub power_factor_part_without: Option<f64>,
    /// What the change saves.
    pub saved: Option<f64>,
    /// The saving at the least and the most drop that its uncertainty allows.
    pub saved_from_to: Option<[f64; 2]>,
    /// Share of the time after whose load was seen before; beyond it the drop is that of the
    /// nearest load.
    pub compared_share: f64,
    /// How the range was extended to a year; none where it was not.
    pub extrapolation: Option<Extrapolation>,
    /// Why it was not, in words.
    pub not_extended: Option<String>,
    /// What was promised, where that is known.
    pub promised: Option<Promised>,
}

/// What a sizing promised.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Promised {
    /// Id and name of the candidate.
    pub candidate: String,
    /// Money a year less upkeep and the capacitors' own losses.
    pub saving_year: f64,
    /// Currency.
    pub currency: String,
    /// Saved over promised, where both are of a year and in one currency.
    pub kept_share: Option<f64>,
}

/// Why a promise cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum PromiseError {
    /// The file cannot be read.
    #[error("cannot read {}: {source}; give the file that `wattless size --json` wrote", file.display())]
    Read {
        /// The file.
        file: PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
    /// It is not a sizing.
    #[error(
        "{}: {what}; give the file that `wattless size … --json > FILE` wrote", file.display()
    )]
    NoSizing {
        /// The file.
        file: PathBuf,
        /// What is wrong.
        what: String,
    },
    /// The candidate is not in it.
    #[error("{}: there is no candidate {id:?}; choose one of {known}", file.display())]
    NoCandidate {
        /// The file.
        file: PathBuf,
        /// What was asked for.
        id: String,
        /// What there is.
        known: String,
    },
}

impl Promised {
    /// From what `wattless size --json` wrote: a candidate, else the recommended one.
    pub fn load(file: &Path, id: Option<&str>) -> Result<Promised, PromiseError> {
        let text = std::fs::read_to_string(file)
            .map_err(|source| PromiseError::Read { file: file.into(), source })?;
        let wrong = |what: &str| PromiseError::NoSizing { file: file.into(), what: what.into() };
        let value: serde_json::Value =
            serde_json::from_str(&text).map_err(|e| wrong(&format!("is not JSON ({e})")))?;
        let list = |key: &str| value[key].as_array().cloned().unwrap_or_default();
        let all = [list("candidates"), list("excluded")].concat();
        let currency = value["basis"]["currency"].as_str();
        let (Some(currency), false) = (currency, all.is_empty()) else {
            return Err(wrong("holds no sizing"));
        };
        let wanted = id.or(value["recommended_id"].as_str()).unwrap_or("C1");
        let of = |c: &serde_json::Value| c["id"].as_str().unwrap_or_default().to_owned();
        let found = all.iter().find(|c| of(c).eq_ignore_ascii_case(wanted));
        let c = found.ok_or_else(|| PromiseError::NoCandidate {
            file: file.into(),
            id: wanted.to_owned(),
            known: all.iter().map(of).collect::<Vec<_>>().join(", "),
        })?;
        let saving = c["score"]["saving_year"].as_f64();
        let saving = saving.ok_or_else(|| wrong(&format!("{wanted} has no saving_year")))?;
        Ok(Promised {
            candidate: format!("{} {}", of(c), c["name"].as_str().unwrap_or_default()),
            saving_year: saving - c["cost"]["yearly"].as_f64().unwrap_or(0.0),
            currency: currency.to_owned(),
            kept_share: None,
        })
    }
}

/// Why the money cannot be told.
#[derive(Debug, thiserror::Error)]
pub enum SavedError {
    /// The range after cannot be billed.
    #[error(transparent)]
    Plan(#[from] crate::analyse::bill::plan::PlanError),
}

/// What the drop of a verification saves, by the load of the range after on the tariff's steps.
pub fn saved(
    v: &Verification,
    after: &LoadSeries,
    tariff: &Tariff,
    zone: &TimeZone,
    history: &[MonthQuantities],
    promised: Option<Promised>,
) -> Result<Saved, SavedError> {
    let drop = Drops::of(v, after);
    let seasons = Seasons::of(history);
    let share = v.total.uncertainty_var / v.total.measured_var.abs().max(1.0);
    let with = |factor: f64| drop.put_back(after, factor);
    let whole = bill_extended(after, tariff, zone, history, Horizon::Year);
    let (of_a_year, not_extended) = match &whole {
        Ok(_) => (true, None),
        Err(ExtrapolationError::Plan(e)) => return Err(e.clone().into()),
        Err(why) => (false, Some(why.to_string())),
    };
    let bill_of = |series: &LoadSeries| -> Result<Bill, SavedError> {
        if of_a_year
            && let Ok(year) = extended(series, tariff, zone, Horizon::Year, seasons.as_ref())
        {
            return Ok(bill(&year.series, tariff, zone, history)?);
        }
        Ok(bill(series, tariff, zone, history)?)
    };
    let number = |x: Option<rust_decimal::Decimal>| x.and_then(|x| x.to_f64());
    let as_is = match whole {
        Ok(b) => b,
        Err(_) => bill(after, tariff, zone, history)?,
    };
    let without = bill_of(&with(1.0))?;
    let total = number(as_is.total());
    let less = |b: &Bill| number(b.total()).zip(total).map(|(b, a)| b - a);
    let ends = [bill_of(&with(1.0 - share))?, bill_of(&with(1.0 + share))?];
    let ends = less(&ends[0]).zip(less(&ends[1])).map(|(a, b)| [a.min(b), a.max(b)]);
    let saved = less(&without);
    let covered_s: f64 = after.covered_s.iter().map(|c| f64::from(*c)).sum();
    let promised = promised.map(|p| Promised {
        kept_share: saved
            .filter(|_| of_a_year && p.saving_year > 0.0 && p.currency == tariff.currency)
            .map(|s| s / p.saving_year),
        ..p
    });
    Ok(Saved {
        tariff: tariff.name.clone(),
        currency: tariff.currency.clone(),
        of_a_year,
        days: if of_a_year { YEAR_DAYS } else { covered_s / 86_400.0 },
        bill: total,
        bill_without: number(without.total()),
        power_factor_part: number(as_is.power_factor_part()),
        power_factor_part_without: number(without.power_factor_part()),
        saved,
        saved_from_to: ends,
        compared_share: v.coverage.covered_share,
        extrapolation: as_is.extrapolation,
        not_extended,
        promised,
    })
}

/// kvar that are gone at each load.
struct Drops {
    /// Load in W and drop in var, rising.
    points: Vec<(f64, f64)>,
    /// Makes the mean over the range after the measured drop.
    factor: f64,
    mean_var: f64,
}

impl Drops {
    fn of(v: &Verification, after: &LoadSeries) -> Drops {
        let gone = |c: &super::CurvePoint| Some((c.p_w, c.before_var - c.after_var?));
        let points: Vec<(f64, f64)> = v.curve.iter().filter_map(gone).collect();
        let mut drops = Drops { points, factor: 1.0, mean_var: v.total.measured_var };
        let (mut sum, mut time) = (0.0, 0.0);
        for k in 0..after.len() {
            let hours = f64::from(after.covered_s[k]) / 3600.0;
            if let (Some(p_w), true) = (load_w(after, k), hours > 0.0) {
                sum += drops.at(p_w) * hours;
                time += hours;
            }
        }
        let mean = if time > 0.0 { sum / time } else { 0.0 };
        // Curves that say another thing than the comparison of like loads are not followed.
        let factor = if mean.abs() > 0.0 { v.total.measured_var / mean } else { 0.0 };
        if (0.5..=2.0).contains(&factor) {
            drops.factor = factor;
        } else {
            drops.points.clear();
        }
        drops
    }

    fn at(&self, p_w: f64) -> f64 {
        let (Some(first), Some(last)) = (self.points.first(), self.points.last()) else {
            return self.mean_var;
        };
        let at = if p_w <= first.0 {
            first.1
        } else if p_w >= last.0 {
            last.1
        } else {
            let k = self.points.partition_point(|x| x.0 <= p_w);
            let ((a, from), (b, to)) = (self.points[k - 1], self.points[k]);
            from + (to - from) * (p_w - a) / (b - a)
        };
        at * self.factor
    }

    /// The load with a part of the drop back in every covered step.
    fn put_back(&self, after: &LoadSeries, part: f64) -> LoadSeries {
        let mut out = after.clone();
        for k in 0..after.len() {
            let hours = f64::from(after.covered_s[k]) / 3600.0;
            let Some(p_w) = load_w(after, k) else { continue };
            let varh = self.at(p_w) * part * hours;
            let (lag, lead) = (after.q_lag_varh[k], after.q_lead_varh[k]);
            // kvar that come back first take from what leads; kvar that go, from what lags.
            let (lag, lead) = if varh >= 0.0 {
                (lag + (varh - lead).max(0.0), (lead - varh).max(0.0))
            } else {
                ((lag + varh).max(0.0), lead + (-varh - lag).max(0.0))
            };
            (out.q_lag_varh[k], out.q_lead_varh[k]) = (lag, lead);
            if let (Some(s), Some(own)) = (&mut out.s_vah, &after.s_vah) {
                // What of S² is neither P² nor Q² stays.
                let q2 = |s: &LoadSeries| {
                    let q = s.q_lag_varh[k] - s.q_lead_varh[k];
                    q * q
                };
                let rest = own[k] * own[k] - q2(after);
                let net = lag - lead;
                s[k] = libm::sqrt((rest + net * net).max(0.0));
            }
        }
        out
    }
}

/// Mean load of a step, in W; none where nothing was recorded.
fn load_w(s: &LoadSeries, k: usize) -> Option<f64> {
    let hours = f64::from(s.covered_s[k]) / 3600.0;
    (hours > 0.0).then(|| (s.p_in_wh[k] - s.p_out_wh[k]) / hours)
}
