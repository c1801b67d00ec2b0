//! A log by weekday and hour, with the spread of like hours; and by demand interval.

use super::{CulpritError, From, NamedLog};
use crate::analyse::survey::clock::{HOUR_MS, LocalClock, WEEK_H, hour_of_week};
use crate::site::WorkingHours;
use std::collections::BTreeMap;

/// Share of a demand interval that must be measured.
const WHOLE: f64 = 0.98;

/// Hours of an hour of the week from which it counts as seen.
const SEEN_H: f64 = 0.5;

#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Cell {
    pub(super) hours: f64,
    pub(super) wh: f64,
    pub(super) varh: f64,
}

/// Energies by hour of the week, and by demand interval.
pub(super) struct Profile {
    pub(super) cells: Vec<Cell>,
    /// By start of the demand interval (Unix milliseconds).
    pub(super) steps: BTreeMap<i64, Cell>,
    interval_ms: i64,
    pub(super) measured_h: f64,
    pub(super) first_ms: i64,
    pub(super) last_ms: i64,
    working: WorkingHours,
}

/// Power at a time, with the standard deviation of a single interval about it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct At {
    pub(super) p_w: f64,
    pub(super) q1_var: f64,
    pub(super) q1_sd_var: Option<f64>,
    pub(super) from: From,
}

impl Profile {
    pub(super) fn of(
        named: &NamedLog,
        clock: &LocalClock,
        interval_s: u32,
        working: WorkingHours,
    ) -> Result<Profile, CulpritError> {
        let log = &named.log;
        let damaged = || CulpritError::Damaged { name: named.name.clone() };
        let uneven = [&log.p_w, &log.q1_var].into_iter().flatten().any(|c| c.len() != log.len());
        if uneven || log.duration_us.len() != log.len() {
            return Err(damaged());
        }
        if log.end_ms.windows(2).any(|w| w[1] < w[0]) {
            return Err(damaged());
        }
        let interval_ms = i64::from(interval_s) * 1000;
        let mut walk = clock.hours();
        let mut p = Profile {
            cells: vec![Cell::default(); WEEK_H],
            steps: BTreeMap::new(),
            interval_ms,
            measured_h: 0.0,
            first_ms: i64::MAX,
            last_ms: i64::MIN,
            working,
        };
        let mut reached = i64::MIN;
        for at in 0..log.len() {
            let (w, var) = (log.total_p_w(at), log.total_q1_var(at));
            let (start, end) = (log.start_ms(at).max(reached), log.end_ms[at]);
            if !(w + var).is_finite() || end <= start {
                continue;
            }
            reached = end;
            p.first_ms = p.first_ms.min(start);
            p.last_ms = end;
            let mut t = start;
            while t < end {
                let (hour, until) = walk.at(t);
                let step = t.div_euclid(interval_ms) * interval_ms;
                let stop = end.min(until).min(step + interval_ms);
                let hours = (stop - t) as f64 / HOUR_MS as f64;
                let part = Cell { hours, wh: w * hours, varh: var * hours };
                p.cells[hour_of_week(hour)].add(&part);
                p.steps.entry(step).or_default().add(&part);
                p.measured_h += hours;
                t = stop;
            }
        }
        if p.measured_h <= 0.0 {
            return Err(CulpritError::Empty { name: named.name.clone() });
        }
        Ok(p)
    }

    pub(super) fn seen(&self, hour: usize) -> bool {
        self.cells.get(hour).is_some_and(|c| c.hours >= SEEN_H)
    }

    pub(super) fn hours_seen(&self) -> u32 {
        (0..WEEK_H).filter(|h| self.seen(*h)).count() as u32
    }

    /// Mean active and reactive power over hours of the week, each hour counting once.
    pub(super) fn mean(&self, take: impl Fn(usize) -> bool) -> Option<(f64, f64)> {
        let chosen: Vec<&Cell> =
            (0..WEEK_H).filter(|h| self.seen(*h) && take(*h)).map(|h| &self.cells[h]).collect();
        let n = chosen.len() as f64;
        (n > 0.0).then(|| {
            let sum = |f: &dyn Fn(&Cell) -> f64| chosen.iter().map(|c| f(c)).sum::<f64>() / n;
            (sum(&|c| c.wh / c.hours), sum(&|c| c.varh / c.hours))
        })
    }

    /// A whole demand interval that begins at an instant.
    pub(super) fn whole_step(&self, start_ms: i64) -> Option<Cell> {
        let length_h = self.interval_ms as f64 / HOUR_MS as f64;
        self.steps.get(&start_ms).copied().filter(|c| c.hours >= WHOLE * length_h)
    }

    pub(super) fn whole_steps(&self) -> impl Iterator<Item = (i64, Cell)> + '_ {
        self.steps.keys().filter_map(|s| Some((*s, self.whole_step(*s)?)))
    }

    /// Power during a demand interval: measured, or by like hours.
    pub(super) fn at(&self, start_ms: i64, clock: &LocalClock) -> Option<At> {
        if let Some(c) = self.whole_step(start_ms) {
            let (p_w, q1_var) = (c.wh / c.hours, c.varh / c.hours);
            return Some(At { p_w, q1_var, q1_sd_var: None, from: From::Measured });
        }
        let hour = hour_of_week(clock.moment(start_ms).local_ms().div_euclid(HOUR_MS));
        self.by_hour(hour, clock)
    }

    /// Power of an hour of the week by the profile.
    pub(super) fn by_hour(&self, hour: usize, clock: &LocalClock) -> Option<At> {
        let kind = self.working.is_working_day(hour / 24);
        let like = |h: &usize| *h % 24 == hour % 24 && self.working.is_working_day(*h / 24) == kind;
        let alike: Vec<usize> = (0..WEEK_H).filter(like).filter(|h| self.seen(*h)).collect();
        let (hours, from) = if self.seen(hour) {
            (vec![hour], From::SameHourOfWeek)
        } else if alike.is_empty() {
            return None;
        } else {
            (alike.clone(), From::SameHourOfLikeDays)
        };
        let (p_w, q1_var) = self.mean(|h| hours.contains(&h))?;
        // The spread of single intervals comes from all like hours, or too few would set it.
        let values: Vec<f64> = self
            .whole_steps()
            .filter(|(s, _)| {
                alike.contains(&hour_of_week(clock.moment(*s).local_ms().div_euclid(HOUR_MS)))
            })
            .map(|(_, c)| c.varh / c.hours)
            .collect();
        let sd = (values.len() > 2).then(|| {
            let n = values.len() as f64;
            let mean = values.iter().sum::<f64>() / n;
            libm::sqrt(values.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / (n - 1.0))
        });
        Some(At { p_w, q1_var, q1_sd_var: sd, from })
    }
}

impl Cell {
    pub(super) fn add(&mut self, o: &Cell) {
        self.hours += o.hours;
        self.wh += o.wh;
        self.varh += o.varh;
    }
}
