//! What a load does when: a list of changes over the span, drawn once from calendar and seed.

use super::calendar::{Stretch, WorkingHours, working_hours};
use super::chance::Chance;
use super::scenario::{Duty, Scenario, instant};
use jiff::civil::DateTime;

/// What a load does at a time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Activity {
    /// Switched off.
    Off,
    /// A motor that has just been switched on.
    Start,
    /// At work with this share of its rating; for a capacitor the share that is switched in.
    Run(f64),
}

/// Changes of activity in order; times in milliseconds from the start of the span.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Timeline {
    changes: Vec<(i64, Activity)>,
}

impl Timeline {
    /// Off for ever.
    pub fn new() -> Self {
        Timeline::default()
    }

    /// Adds a change at the end; one at the same time as the last replaces it.
    pub fn push(&mut self, at_ms: i64, activity: Activity) {
        if self.changes.last().is_some_and(|(last, _)| *last == at_ms) {
            self.changes.pop();
        }
        let before = self.changes.last().map_or(Activity::Off, |(_, a)| *a);
        if before != activity {
            self.changes.push((at_ms, activity));
        }
    }

    /// The activity at a time.
    pub fn at(&self, at_ms: i64) -> Activity {
        let after = self.changes.partition_point(|(t, _)| *t <= at_ms);
        match after.checked_sub(1).and_then(|k| self.changes.get(k)) {
            Some((_, activity)) => *activity,
            None => Activity::Off,
        }
    }

    /// The times of all changes.
    pub fn times(&self) -> impl Iterator<Item = i64> {
        self.changes.iter().map(|(t, _)| *t)
    }

    /// The same changes seen through a function.
    pub fn map(&self, f: impl Fn(Activity) -> Activity) -> Timeline {
        let mut out = Timeline::new();
        self.changes.iter().for_each(|(t, a)| out.push(*t, f(*a)));
        out
    }

    /// Cuts the time outside a stretch of the span off.
    pub fn only_within(&self, stretch: Stretch) -> Timeline {
        let mut out = Timeline::new();
        out.push(stretch.from_ms, self.at(stretch.from_ms));
        for (t, a) in &self.changes {
            if (stretch.from_ms..stretch.to_ms).contains(t) {
                out.push(*t, *a);
            }
        }
        out.push(stretch.to_ms, Activity::Off);
        out
    }
}

/// The span in its own milliseconds, and how to get there from local time.
#[derive(Clone, Copy, Debug)]
pub struct SpanClock<'a> {
    scenario: &'a Scenario,
    start_ms: i64,
    /// The whole span.
    pub whole: Stretch,
}

impl<'a> SpanClock<'a> {
    /// The frame of a scenario.
    pub fn new(scenario: &'a Scenario) -> Self {
        let (start, end) = scenario.bounds();
        let start_ms = start.as_millisecond();
        let whole = Stretch { from_ms: 0, to_ms: end.as_millisecond() - start_ms };
        SpanClock { scenario, start_ms, whole }
    }

    /// Milliseconds of the span at a local time.
    pub fn of_local(&self, local: DateTime) -> i64 {
        instant(&self.scenario.zone(), local).as_millisecond() - self.start_ms
    }

    /// The part of the span in which something exists.
    pub fn existence(&self, since: Option<DateTime>, until: Option<DateTime>) -> Option<Stretch> {
        let from_ms = since.map_or(self.whole.from_ms, |t| self.of_local(t));
        let to_ms = until.map_or(self.whole.to_ms, |t| self.of_local(t));
        Stretch { from_ms, to_ms }.within(self.whole)
    }

    fn hours(&self, names: &[String]) -> WorkingHours {
        if names.is_empty() {
            // Always on began long before the span.
            let forever = Stretch { from_ms: i64::MIN / 4, to_ms: i64::MAX / 4 };
            return WorkingHours { work: vec![forever], pauses: Vec::new() };
        }
        let mut hours = working_hours(self.scenario, names);
        for s in hours.work.iter_mut().chain(&mut hours.pauses) {
            s.from_ms -= self.start_ms;
            s.to_ms -= self.start_ms;
        }
        hours
    }

    /// Draws what a load does; `start_s` is how long a motor starts.
    pub fn draw(&self, name: &str, duty: &Duty, start_s: Option<f64>) -> Timeline {
        let mut out = Timeline::new();
        let Some(exists) = self.existence(duty.since, duty.until) else { return out };
        let mut chance = Chance::new(self.scenario.span.seed, name);
        let hours = self.hours(&duty.when);
        let pauses: &[Stretch] = if duty.pauses { &hours.pauses } else { &[] };
        let spread = duty.spread_min * 60e3;
        let mut free_from = i64::MIN;
        for work in &hours.work {
            let mut early_or_late = || chance.between([-spread, spread]) as i64;
            let on = Stretch {
                from_ms: (work.from_ms + early_or_late()).max(free_from),
                to_ms: work.to_ms + early_or_late(),
            };
            let Some(part) = on.within(exists) else { continue };
            free_from = part.to_ms;
            // Only a switching within the span is a start.
            let start = start_s.filter(|_| on.from_ms >= 0 || part.from_ms > 0);
            draw_stretch(&mut out, part, pauses, duty, start, &mut chance);
        }
        out
    }
}

fn draw_stretch(
    out: &mut Timeline,
    part: Stretch,
    pauses: &[Stretch],
    duty: &Duty,
    start_s: Option<f64>,
    chance: &mut Chance,
) {
    let mut t = part.from_ms;
    if let Some(start_ms) = start_s.map(|s| (s * 1e3) as i64).filter(|ms| *ms > 0) {
        out.push(t, Activity::Start);
        t += start_ms;
    }
    let mut working = true;
    while t < part.to_ms {
        if let Some(pause) = pauses.iter().find(|p| p.from_ms <= t && t < p.to_ms) {
            out.push(t, Activity::Run(duty.rest_load));
            t = pause.to_ms;
            working = true;
            continue;
        }
        let limit =
            pauses.iter().map(|p| p.from_ms).filter(|from| *from > t).fold(part.to_ms, i64::min);
        let (load, period_s) = if working {
            (chance.between(duty.work_load), duty.work_s)
        } else {
            (duty.rest_load, duty.rest_s)
        };
        out.push(t, Activity::Run(load));
        t = match period_s {
            Some(range) => (t + (chance.between(range) * 1e3) as i64).min(limit),
            None => limit,
        };
        working = !working || period_s.is_none();
    }
    out.push(part.to_ms, Activity::Off);
}
