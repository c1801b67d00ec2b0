//! Extending a log to a month or a year by like days: how, and how sure.
//!
//! Steps that were measured stay. Every other step takes the same local minute of a like day: the
//! same day of the week where the log has one whole such day, else another working day; holidays
//! take a Sunday. Like days take turns, so that their peaks stay peaks instead of being averaged.
//! A day of the log counts as a like day with up to a tenth of it missing: the gap takes the same
//! minute of the next like day that has it, and how much that is goes with the result.
//! A year follows twelve months of past bills, where they are given ([`Seasons`]).
//! How sure that is: the bill is made again with each day left out in turn (the jackknife by
//! strata: working days, Saturdays, Sundays), and the spread of those bills gives an interval.

use super::months::{GapAtPeak, day_start_ms, local_date, month_of};
use super::plan::Plan;
use super::price::totals;
use super::quantities::MonthQuantities;
use super::seasons::{Level, Seasons, Shape, month_index};
use super::{Bill, bill};
use crate::analyse::series::LoadSeries;
use crate::analyse::tariff::Tariff;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use rust_decimal::prelude::ToPrimitive;
use serde::Serialize;

/// How far to extend.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Horizon {
    /// The billing month that holds most of the log.
    Month,
    /// Twelve billing months from the one of the log's first whole day on.
    Year,
}

/// How a load was extended, and how sure the result is.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Extrapolation {
    /// How far.
    pub horizon: Horizon,
    /// Days of the horizon that were measured, but for at most a tenth.
    pub days_measured: u32,
    /// Days of the horizon.
    pub days: u32,
    /// Days of the log that stand for others: working days, Saturdays, Sundays.
    pub like_days: [u32; 3],
    /// Whether the months beyond the log follow past bills.
    pub follows_bills: bool,
    /// Share of these days without records, for which other like days stand.
    pub gap_share: f64,
    /// Standard error of the total from the spread of like days; `None` where no kind of day is
    /// there twice.
    pub standard_error: Option<f64>,
    /// Half width of the interval that holds the total with 95 % confidence, if the days of the
    /// log are like those that they stand for.
    pub half_width_95: Option<f64>,
    /// The same for the power-factor part.
    pub power_factor_half_width_95: Option<f64>,
    /// Lowest and highest daily peak of the like working days, in kW.
    pub working_day_peak_kw: Option<[f64; 2]>,
    /// What the interval does not know, in words.
    pub limits: Vec<String>,
}

/// Why a load cannot be extended.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ExtrapolationError {
    /// The log has no whole day.
    #[error(
        "the log holds no whole day (midnight to midnight, at most a tenth missing) to extend; log \
         at least one week"
    )]
    NoWholeDay,
    /// A kind of day is not in the log.
    #[error(
        "the log holds no whole {0} (at most a tenth missing), so that nothing stands for the \
         others; log a whole week, or bill without --extrapolate"
    )]
    NoLikeDay(&'static str),
    /// A time of the day is missing on all like days.
    #[error(
        "no {0} of the log has a record at {1} or within {2} min of it, so that nothing stands for \
         that time; log another week, or bill without --extrapolate"
    )]
    NoLikeTime(&'static str, String, u32),
    /// The billing months are not known beyond the log.
    #[error(
        "billing months by reading_dates do not reach over the time to extend to; add dates, or \
         use reading_day"
    )]
    NoMonth,
    /// The plan failed.
    #[error(transparent)]
    Plan(#[from] super::plan::PlanError),
}

/// Share of a day that may be missing in one that stands for others.
const MAY_LACK: f64 = 0.1;

/// How far the step may lie, in minutes, that stands for a time missing on all like days.
const NEAR_MIN: u32 = 60;

/// A day of the log, nearly whole.
#[derive(Clone, Copy, Debug)]
struct LikeDay {
    date: Date,
    start_ms: i64,
    steps: usize,
    /// Steps without all their records.
    lacking: usize,
    weekday: usize,
}

/// Kinds of day that the spread is taken within.
const STRATA: [&str; 3] = ["working day", "Saturday", "Sunday"];

fn stratum(weekday: usize) -> usize {
    weekday.saturating_sub(4)
}

fn weekday(date: Date) -> usize {
    usize::from(date.weekday().to_monday_zero_offset().unsigned_abs())
}

/// Bills a load extended to a month or a year.
pub fn bill_extended(
    series: &LoadSeries,
    tariff: &Tariff,
    zone: &TimeZone,
    history: &[MonthQuantities],
    horizon: Horizon,
) -> Result<Bill, ExtrapolationError> {
    bill_following(series, tariff, zone, history, horizon, Seasons::of(history).as_ref())
}

/// The same with the seasons given apart from the months before.
pub fn bill_following(
    series: &LoadSeries,
    tariff: &Tariff,
    zone: &TimeZone,
    history: &[MonthQuantities],
    horizon: Horizon,
    seasons: Option<&Seasons>,
) -> Result<Bill, ExtrapolationError> {
    let extender = Extender::new(series, tariff, zone, horizon, seasons)?;
    let whole = extender.extend(None)?.series;
    let mut result = bill(&whole, tariff, zone, history)?;
    result.origin = Some(series.origin.clone());
    let spread = match extender.spread(tariff, zone, history) {
        // A time of the day that only one of the days holds: no day can be left out.
        Err(ExtrapolationError::NoLikeTime(..)) => None,
        other => other?,
    };
    let own = Plan::new(series, tariff, zone)?;
    let gaps: Vec<GapAtPeak> = own.frames().iter().filter_map(|f| f.gap_at_peak).collect();
    result.extrapolation = Some(extender.describe(spread, &gaps));
    Ok(result)
}

/// A series extended, and what it was made of.
#[derive(Clone, Debug)]
pub struct Extension {
    /// The series.
    pub series: LoadSeries,
    /// For each step the step of the log that stands for it.
    pub source: Vec<u32>,
    /// For each step the position of its level in `levels`.
    pub level: Vec<u8>,
    /// Levels that the load of the log is put to; the first leaves it as it is.
    pub levels: Vec<Level>,
}

/// The series extended, without a bill.
pub fn extended(
    series: &LoadSeries,
    tariff: &Tariff,
    zone: &TimeZone,
    horizon: Horizon,
    seasons: Option<&Seasons>,
) -> Result<Extension, ExtrapolationError> {
    Extender::new(series, tariff, zone, horizon, seasons)?.extend(None)
}

/// Standard error and degrees of freedom of the total and the power-factor part.
struct Spread {
    total: f64,
    power_factor: f64,
    freedom: usize,
}

struct Extender<'a> {
    series: &'a LoadSeries,
    tariff: &'a Tariff,
    zone: TimeZone,
    horizon: Horizon,
    like: Vec<LikeDay>,
    first: Date,
    end: Date,
    seasons: Option<&'a Seasons>,
    levels: Vec<Level>,
}

impl<'a> Extender<'a> {
    fn new(
        series: &'a LoadSeries,
        tariff: &'a Tariff,
        zone: &TimeZone,
        horizon: Horizon,
        seasons: Option<&'a Seasons>,
    ) -> Result<Self, ExtrapolationError> {
        let zone = tariff.time_zone.as_ref().map_or(zone, |z| &z.1).clone();
        let like = like_days(series, &zone);
        let Some(first_day) = like.first() else { return Err(ExtrapolationError::NoWholeDay) };
        let month = |day: Date| month_of(day, &tariff.months).ok_or(ExtrapolationError::NoMonth);
        let (first, end) = match horizon {
            Horizon::Year => {
                let first = month(first_day.date)?.0;
                let mut end = first;
                for _ in 0..12 {
                    end = month(end)?.1;
                }
                (first, end)
            }
            Horizon::Month => {
                let mut best: Option<(usize, Date, Date)> = None;
                for d in &like {
                    let (a, b, _) = month(d.date)?;
                    let days = like.iter().filter(|l| a <= l.date && l.date < b).count();
                    if best.is_none_or(|x| days > x.0) {
                        best = Some((days, a, b));
                    }
                }
                best.map(|b| (b.1, b.2)).ok_or(ExtrapolationError::NoWholeDay)?
            }
        };
        // A month is not stretched: it is the log's own.
        let seasons = seasons.filter(|_| horizon == Horizon::Year);
        let levels = vec![Level::SAME];
        let mut me = Extender { series, tariff, zone, horizon, like, first, end, seasons, levels };
        if let Some(seasons) = seasons {
            let mut days = [0u32; 12];
            for l in &me.like {
                days[me.month_index(l.date)] += 1;
            }
            me.levels.extend(seasons.levels(&days, me.shape()));
        }
        Ok(me)
    }

    /// The calendar month, from 0, that a day's billing month counts as.
    fn month_index(&self, day: Date) -> usize {
        month_index(month_of(day, &self.tariff.months).map_or(day.first_of_month(), |m| m.0))
    }

    /// Mean, peak and lowest load of the like days, kinds of day weighted as in a week.
    fn shape(&self) -> Shape {
        let s = self.series;
        let hours = f64::from(s.step_s) / 3600.0;
        let width = (self.tariff.demand.interval_s / s.step_s).max(1) as usize;
        let (mut mean, mut weight) = (0.0, 0.0);
        let (mut peak_w, mut low_w) = (0.0f64, f64::INFINITY);
        for (kind, share) in [5.0, 1.0, 1.0].into_iter().enumerate() {
            let (mut wh, mut steps) = (0.0, 0usize);
            for l in self.like.iter().filter(|l| stratum(l.weekday) == kind) {
                let from = ((l.start_ms - s.start_ms) / s.step_ms()) as usize;
                for k in (from..from + l.steps).filter(|k| s.is_covered(*k)) {
                    (wh, steps) = (wh + s.p_in_wh[k], steps + 1);
                    if s.p_in_wh[k] > 0.0 {
                        low_w = low_w.min(s.p_in_wh[k] / hours);
                    }
                }
                for c in s.p_in_wh[from..from + l.steps].chunks_exact(width) {
                    peak_w = peak_w.max(c.iter().sum::<f64>() / (hours * width as f64));
                }
            }
            if steps > 0 {
                mean += share * wh / (steps as f64 * hours);
                weight += share;
            }
        }
        Shape { mean_w: if weight > 0.0 { mean / weight } else { 0.0 }, peak_w, low_w }
    }

    /// The extended series, with one like day left out or none.
    fn extend(&self, without: Option<usize>) -> Result<Extension, ExtrapolationError> {
        let s = self.series;
        let bound = |d| day_start_ms(d, &self.zone).ok_or(ExtrapolationError::NoMonth);
        let (start_ms, end_ms) = (bound(self.first)?, bound(self.end)?);
        let steps = ((end_ms - start_ms) / s.step_ms()).max(0) as usize;
        let mut out = LoadSeries::blank(start_ms, s.step_s, steps, s.s_vah.is_some());
        let mut filled = vec![false; steps];
        let (mut source, mut levels) = (vec![0u32; steps], vec![0u8; steps]);
        let mut turns = [0usize; 10];
        let mut day = self.first;
        while day < self.end {
            let next = day.tomorrow().map_err(|_| ExtrapolationError::NoMonth)?;
            let (from_ms, to_ms) = (bound(day)?, bound(next)?);
            let left_out = without.and_then(|w| self.like.get(w)).is_some_and(|l| l.date == day);
            let like = self.like_day(day, without, &mut turns)?;
            let season = self.seasons.map_or(0, |_| 1 + self.month_index(day));
            for at_ms in (from_ms..to_ms).step_by(s.step_ms() as usize) {
                let to = ((at_ms - start_ms) / s.step_ms()) as usize;
                let own = (at_ms - s.start_ms).div_euclid(s.step_ms());
                let own = usize::try_from(own).ok().filter(|k| s.is_covered(*k) && !left_out);
                let (from, level) = match own {
                    Some(k) => (k, 0),
                    None => {
                        if let Some(f) = filled.get_mut(to) {
                            *f = true;
                        }
                        // The same minute after midnight; a day of 25 hours repeats the last one.
                        (self.stand_in(like, at_ms, from_ms, without)?, season)
                    }
                };
                if let (Some(s), Some(l)) = (source.get_mut(to), levels.get_mut(to)) {
                    (*s, *l) = (from as u32, level as u8);
                }
                s.put_at_level(from, &self.levels[level], &mut out, to);
            }
            day = next;
        }
        out.filled = Some(filled);
        out.origin = s.origin.clone();
        Ok(Extension { series: out, source, level: levels, levels: self.levels.clone() })
    }

    /// Step of the log with the same local time in a like day; where the day has a gap there, in
    /// the next like one that has none, else the nearest step of the day.
    fn stand_in(
        &self,
        like: LikeDay,
        at_ms: i64,
        from_ms: i64,
        without: Option<usize>,
    ) -> Result<usize, ExtrapolationError> {
        let s = self.series;
        let plain = ((at_ms - from_ms) / s.step_ms()) as usize;
        let first = |l: LikeDay| ((l.start_ms - s.start_ms) / s.step_ms()) as usize;
        let step =
            |l: LikeDay| first(l) + self.local_step(plain, at_ms, from_ms, l).min(l.steps - 1);
        let own = step(like);
        if s.is_covered(own) {
            return Ok(own);
        }
        let kept = self.like.iter().enumerate().filter(|(k, _)| Some(*k) != without);
        let kept: Vec<LikeDay> = kept.map(|(_, l)| *l).collect();
        // The days after it first, so that not always the same one steps in.
        let after = kept.iter().position(|l| l.date == like.date).map_or(0, |k| k + 1);
        let turned = || kept[after..].iter().chain(&kept[..after]);
        let same = |l: &&LikeDay| l.weekday == like.weekday;
        let alike = |l: &&LikeDay| stratum(l.weekday) == stratum(like.weekday);
        let mut others = turned().filter(same).chain(turned().filter(alike)).map(|l| step(*l));
        if let Some(other) = others.find(|k| s.is_covered(*k)) {
            return Ok(other);
        }
        let near = (NEAR_MIN * 60 / s.step_s).max(1) as usize;
        let inside = first(like)..first(like) + like.steps;
        let beside = (1..=near).flat_map(|d| [own.checked_sub(d), Some(own + d)]).flatten();
        beside.into_iter().find(|k| inside.contains(k) && s.is_covered(*k)).ok_or_else(|| {
            let local = jiff::Timestamp::from_millisecond(at_ms).map_or_else(
                |_| String::new(),
                |t| t.to_zoned_datetime(self.zone.clone()).strftime("%H:%M").to_string(),
            );
            ExtrapolationError::NoLikeTime(STRATA[stratum(like.weekday)], local, NEAR_MIN)
        })
    }

    /// Step of a like day with the same local time; days of 23 and 25 hours are shifted.
    fn local_step(&self, plain: usize, at_ms: i64, from_ms: i64, like: LikeDay) -> usize {
        let offset = |ms: i64| {
            jiff::Timestamp::from_millisecond(ms).map_or(0, |t| self.zone.to_offset(t).seconds())
        };
        let of_day = |start: i64, at: i64| i64::from(offset(at) - offset(start)) * 1000;
        let shift = of_day(from_ms, at_ms) / self.series.step_ms();
        let guess = (plain as i64 + shift).max(0);
        let like_at = like.start_ms + guess * self.series.step_ms();
        let back = of_day(like.start_ms, like_at) / self.series.step_ms();
        (guess - back).max(0) as usize
    }

    /// The like day whose turn it is.
    fn like_day(
        &self,
        day: Date,
        without: Option<usize>,
        turns: &mut [usize; 10],
    ) -> Result<LikeDay, ExtrapolationError> {
        let wanted = if self.tariff.calendar.holidays.holds(day) { 6 } else { weekday(day) };
        let pick = |same: &dyn Fn(&LikeDay) -> bool| -> Vec<LikeDay> {
            let kept = self.like.iter().enumerate().filter(|(k, _)| Some(*k) != without);
            kept.map(|(_, l)| *l).filter(same).collect()
        };
        let mut group = wanted;
        let mut choice = pick(&|l| l.weekday == wanted);
        if choice.is_empty() {
            group = 7 + stratum(wanted);
            choice = pick(&|l| stratum(l.weekday) == stratum(wanted));
        }
        let turn = &mut turns[group];
        let found = choice.get(*turn % choice.len().max(1)).copied();
        *turn += 1;
        found.ok_or(ExtrapolationError::NoLikeDay(STRATA[stratum(wanted)]))
    }

    /// The spread of bills with each like day left out in turn.
    fn spread(
        &self,
        tariff: &Tariff,
        zone: &TimeZone,
        history: &[MonthQuantities],
    ) -> Result<Option<Spread>, ExtrapolationError> {
        let (mut total, mut power_factor, mut freedom) = (0.0, 0.0, 0);
        for s in 0..STRATA.len() {
            let mine = self.like.iter().enumerate().filter(|(_, l)| stratum(l.weekday) == s);
            let mine: Vec<usize> = mine.map(|(k, _)| k).collect();
            if mine.len() < 2 {
                continue;
            }
            let mut bills: Vec<[f64; 2]> = Vec::new();
            for k in &mine {
                let series = self.extend(Some(*k))?.series;
                let plan = Plan::new(&series, tariff, zone)?;
                let mut room = super::plan::Scratch::default();
                let figures = plan.figures(&series.q_lag_varh, &series.q_lead_varh, &mut room);
                let unity = plan.at_unity(&mut room);
                let sum = |f: &[super::quantities::Figures]| {
                    let all: Option<rust_decimal::Decimal> =
                        totals(tariff, plan.frames(), f, history).into_iter().sum();
                    all.and_then(|t| t.to_f64()).unwrap_or(f64::NAN)
                };
                let (as_is, best) = (sum(&figures), sum(&unity));
                bills.push([as_is, as_is - best]);
            }
            let n = bills.len() as f64;
            let variance = |of: usize| {
                let mean = bills.iter().map(|b| b[of]).sum::<f64>() / n;
                bills.iter().map(|b| (b[of] - mean) * (b[of] - mean)).sum::<f64>() * (n - 1.0) / n
            };
            total += variance(0);
            power_factor += variance(1);
            freedom += mine.len() - 1;
        }
        Ok((freedom > 0).then(|| Spread {
            total: libm::sqrt(total),
            power_factor: libm::sqrt(power_factor),
            freedom,
        }))
    }

    fn describe(&self, spread: Option<Spread>, gaps: &[GapAtPeak]) -> Extrapolation {
        let mut like_days = [0u32; 3];
        for l in &self.like {
            like_days[stratum(l.weekday)] += 1;
        }
        let inside = |l: &&LikeDay| self.first <= l.date && l.date < self.end;
        let peak = |l: &LikeDay| {
            let from = ((l.start_ms - self.series.start_ms) / self.series.step_ms()) as usize;
            let width = (self.tariff.demand.interval_s / self.series.step_s).max(1) as usize;
            let wh = &self.series.p_in_wh[from..from + l.steps];
            let kwh = wh.chunks(width).map(|c| c.iter().sum::<f64>()).fold(0.0, f64::max) / 1e3;
            kwh * 3600.0 / f64::from(self.tariff.demand.interval_s)
        };
        let peaks = self.like.iter().filter(|l| l.weekday < 5).map(peak);
        let range = peaks.fold(None, |r: Option<[f64; 2]>, x| {
            Some(r.map_or([x, x], |[a, b]| [a.min(x), b.max(x)]))
        });
        let mut limits = vec![match self.seasons {
            Some(seasons) => seasons.words(),
            None => {
                "seasons, shutdowns, weather and growth of the load are not in the interval: it \
                     knows only how the days of the log differ"
                    .to_owned()
            }
        }];
        let sum = |of: fn(&LikeDay) -> usize| self.like.iter().map(of).sum::<usize>();
        let (steps, lacking) = (sum(|l| l.steps), sum(|l| l.lacking));
        let gap_share = lacking as f64 / steps.max(1) as f64;
        if lacking > 0 {
            limits.push(format!(
                "{:.2} % of these days was not recorded: the same minutes of other like days stand \
                 for it, and a peak in such a gap is not in the bill",
                gap_share * 100.0
            ));
        }
        for g in gaps {
            limits.push(format!(
                "a gap lies over the peak: from {} to {} records are missing where the load stood \
                 at {:.0} kW, near its highest; the demand may be higher than billed here",
                g.from, g.to, g.p_kw
            ));
        }
        for (name, n) in STRATA.iter().zip(like_days) {
            if n == 1 {
                limits.push(format!("one {name} only stands for all: its spread is not known"));
            }
        }
        let t = spread.as_ref().map(|s| student_t_975(s.freedom));
        Extrapolation {
            horizon: self.horizon,
            days_measured: self.like.iter().filter(inside).count() as u32,
            days: self.first.until(self.end).map_or(0, |s| s.get_days().unsigned_abs()),
            like_days,
            follows_bills: self.seasons.is_some(),
            gap_share,
            standard_error: spread.as_ref().map(|s| s.total),
            half_width_95: spread.as_ref().zip(t).map(|(s, t)| s.total * t),
            power_factor_half_width_95: spread.as_ref().zip(t).map(|(s, t)| s.power_factor * t),
            working_day_peak_kw: range,
            limits,
        }
    }
}

/// Days that are covered from midnight to midnight, but for a small part.
fn like_days(series: &LoadSeries, zone: &TimeZone) -> Vec<LikeDay> {
    let mut days = Vec::new();
    let (Some(mut day), Some(last)) =
        (local_date(series.start_ms, zone), local_date(series.end_ms() - 1, zone))
    else {
        return days;
    };
    while day <= last {
        let Ok(next) = day.tomorrow() else { break };
        if let (Some(from), Some(to)) = (day_start_ms(day, zone), day_start_ms(next, zone)) {
            let first = (from - series.start_ms).div_euclid(series.step_ms());
            let steps = ((to - from) / series.step_ms()) as usize;
            if let Ok(first) = usize::try_from(first)
                && first + steps <= series.len()
            {
                let lacking = (first..first + steps).filter(|k| !series.is_covered(*k)).count();
                if lacking as f64 <= MAY_LACK * steps as f64 {
                    let weekday = weekday(day);
                    days.push(LikeDay { date: day, start_ms: from, steps, lacking, weekday });
                }
            }
        }
        day = next;
    }
    days
}

/// 97.5 % quantile of Student's t, as statistical tables print it (from memory); degrees of
/// freedom between the rows take the row below.
fn student_t_975(freedom: usize) -> f64 {
    const TABLE: [(usize, f64); 16] = [
        (1, 12.706),
        (2, 4.303),
        (3, 3.182),
        (4, 2.776),
        (5, 2.571),
        (6, 2.447),
        (7, 2.365),
        (8, 2.306),
        (9, 2.262),
        (10, 2.228),
        (12, 2.179),
        (15, 2.131),
        (20, 2.086),
        (30, 2.042),
        (60, 2.000),
        (120, 1.980),
    ];
    TABLE.iter().rev().find(|(f, _)| *f <= freedom).map_or(12.706, |(_, t)| *t)
}
