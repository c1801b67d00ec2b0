//! Load by hour of the week and by day, in local time; energies are split at the full hour.

use super::clock::DAY_NAMES;
use super::clock::{HOUR_MS, HourWalk, LocalClock, WEEK_H, date_of_day, day_of_week, hour_of_week};
use crate::site::WorkingHours;
use serde::Serialize;
use wattless_core::correction::power_factor;
use wattless_core::demand::Energy;

/// Energies of a set of hours.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Load {
    /// Time measured, in hours.
    pub hours: f64,
    /// Net active energy, in Wh.
    pub p_wh: f64,
    /// Net reactive energy of the fundamental, in varh.
    pub q1_varh: f64,
}

impl Load {
    /// Adds another set.
    pub fn add(&mut self, o: &Load) {
        self.hours += o.hours;
        self.p_wh += o.p_wh;
        self.q1_varh += o.q1_varh;
    }

    /// Mean active power, in W; `None` where nothing was measured.
    pub fn p_w(&self) -> Option<f64> {
        (self.hours > 0.0).then(|| self.p_wh / self.hours)
    }

    /// Mean reactive power, in var; `None` where nothing was measured.
    pub fn q1_var(&self) -> Option<f64> {
        (self.hours > 0.0).then(|| self.q1_varh / self.hours)
    }

    /// Power factor of the energies; `None` where mean apparent power is below a floor in VA.
    pub fn pf(&self, no_load_va: f64) -> Option<f64> {
        let s = libm::sqrt(self.p_wh * self.p_wh + self.q1_varh * self.q1_varh);
        (self.hours > 0.0 && s / self.hours >= no_load_va)
            .then(|| power_factor(self.p_wh, self.q1_varh))
            .flatten()
    }
}

/// One hour of the week over all weeks of the log.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct HourOfWeek {
    /// Day, Monday first.
    pub day: &'static str,
    /// Hour that it starts at, 0 to 23, local time.
    pub hour: u8,
    /// Time measured, in hours.
    pub measured_h: f64,
    /// Whether clocks skipped it when they were put forward, and no other week recorded it.
    pub skipped: bool,
    /// Mean active power, in W.
    pub p_w: Option<f64>,
    /// Mean reactive power of the fundamental, in var.
    pub q1_var: Option<f64>,
    /// Power factor from the hour's energies; none without load.
    pub pf: Option<f64>,
}

/// One local day.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Day {
    /// Date, `YYYY-MM-DD`.
    pub date: String,
    /// Day of the week.
    pub day: &'static str,
    /// Hours that the day has: 23 or 25 when clocks change.
    pub day_h: f64,
    /// Time measured, in hours.
    pub measured_h: f64,
    /// Net active energy, in Wh.
    pub active_net_wh: f64,
    /// Net reactive energy, in varh.
    pub reactive_net_varh: f64,
    /// Power factor from the day's energies; none without load.
    pub pf: Option<f64>,
}

/// Energies of one part of the week.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Part {
    /// Time measured, in hours.
    pub measured_h: f64,
    /// Net active energy, in Wh.
    pub active_net_wh: f64,
    /// Net reactive energy, in varh.
    pub reactive_net_varh: f64,
    /// Mean active power, in W.
    pub p_w: Option<f64>,
    /// Mean reactive power, in var.
    pub q1_var: Option<f64>,
    /// Power factor from energies; none without load.
    pub pf: Option<f64>,
}

/// The week in three parts.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Parts {
    /// Working hours of working days.
    pub working: Part,
    /// The other hours of working days: nights.
    pub nights: Part,
    /// Days off: the weekend.
    pub days_off: Part,
}

/// When the load flows.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Profile {
    /// 168 hours, Monday 00–01 h first.
    pub hours_of_week: Vec<HourOfWeek>,
    /// Every local day of the log.
    pub days: Vec<Day>,
    /// Working hours, nights, days off.
    pub parts: Parts,
}

/// Collects energies by local hour.
pub(super) struct Hours<'a> {
    clock: &'a LocalClock,
    walk: HourWalk<'a>,
    cells: [Load; WEEK_H],
    days: Vec<(i64, Load)>,
}

impl<'a> Hours<'a> {
    pub(super) fn new(clock: &'a LocalClock) -> Self {
        Hours { clock, walk: clock.hours(), cells: [Load::default(); WEEK_H], days: Vec::new() }
    }

    /// Adds energy that flowed evenly from start to end.
    #[inline]
    pub(super) fn add(&mut self, start_ms: i64, end_ms: i64, e: &Energy) {
        let mut at = start_ms;
        while at < end_ms {
            let (hour, until) = self.walk.at(at);
            let stop = until.min(end_ms);
            let share = (stop - at) as f64 / (end_ms - start_ms) as f64;
            let load = Load {
                hours: (stop - at) as f64 / HOUR_MS as f64,
                p_wh: e.p_wh * share,
                q1_varh: e.q1_varh * share,
            };
            self.cells[hour_of_week(hour)].add(&load);
            let day = hour.div_euclid(24);
            match self.days.last_mut() {
                Some((d, sum)) if *d == day => sum.add(&load),
                _ => self.days.push((day, load)),
            }
            at = stop;
        }
    }

    /// Hours of the week of which half an hour or more was seen, or that clocks skipped.
    pub(super) fn seen(&self) -> u32 {
        let skipped = self.clock.skipped_hours_of_week();
        let seen = |(h, c): &(usize, &Load)| c.hours >= 0.5 || skipped.contains(h);
        self.cells.iter().enumerate().filter(seen).count() as u32
    }

    /// The energies by hour of the week.
    pub(super) fn cells(&self) -> [Load; WEEK_H] {
        self.cells
    }

    pub(super) fn finish(&self, working: &WorkingHours, no_load_va: f64) -> Profile {
        let skipped = self.clock.skipped_hours_of_week();
        let hours_of_week = self
            .cells
            .iter()
            .enumerate()
            .map(|(h, c)| HourOfWeek {
                day: DAY_NAMES[h / 24],
                hour: (h % 24) as u8,
                measured_h: c.hours,
                skipped: c.hours <= 0.0 && skipped.contains(&h),
                p_w: c.p_w(),
                q1_var: c.q1_var(),
                pf: c.pf(no_load_va),
            })
            .collect();
        let days = self
            .days
            .iter()
            .map(|(day, load)| Day {
                date: date_of_day(*day).to_string(),
                day: DAY_NAMES[day_of_week(*day)],
                day_h: self.clock.day_hours(*day),
                measured_h: load.hours,
                active_net_wh: load.p_wh,
                reactive_net_varh: load.q1_varh,
                pf: load.pf(no_load_va),
            })
            .collect();
        let part = |take: &dyn Fn(usize) -> bool| {
            let mut sum = Load::default();
            self.cells.iter().enumerate().filter(|(h, _)| take(*h)).for_each(|(_, c)| sum.add(c));
            Part {
                measured_h: sum.hours,
                active_net_wh: sum.p_wh,
                reactive_net_varh: sum.q1_varh,
                p_w: sum.p_w(),
                q1_var: sum.q1_var(),
                pf: sum.pf(no_load_va),
            }
        };
        let parts = Parts {
            working: part(&|h| working.contains(h)),
            nights: part(&|h| working.is_working_day(h / 24) && !working.contains(h)),
            days_off: part(&|h| !working.is_working_day(h / 24)),
        };
        Profile { hours_of_week, days, parts }
    }
}
