//! Demand of the running interval, from the node's energy counters, within a second.
//!
//! Counters come from live readings and from records alike. What a counter gained between two
//! readings belongs to the time between them; where they lie on both sides of a boundary and far
//! apart, the amount is left out until the records tell how it is divided.

use crate::collect::link::ClockReading;
use crate::site::Site;
use jiff::tz::TimeZone;
use serde::Serialize;
use std::collections::VecDeque;
use wattless_core::demand::{DemandMeter, DemandRule, Energy};
use wattless_core::record::Record;
use wattless_core::wire::{Live, Status};

/// Longest time between two readings that is divided evenly over a boundary, in ms.
const EVENLY_MS: i64 = 15_000;

/// A reading that lies this far back means that the node's clock was set, in ms.
const CLOCK_SET_MS: i64 = 60_000;

/// The rest of an interval is taken to go on like these last minutes, in ms.
const RECENT_MS: i64 = 300_000;

/// Shortest stretch that tells how it goes on, in ms.
const RECENT_LEAST_MS: i64 = 30_000;

/// Share of the time gone by that must be known, before it is said where an interval is heading:
/// energy that is not known would make its end look lower than it will be.
const KNOWN_ENOUGH: f64 = 0.98;

/// Wh or varh of one count of the counters.
const COUNT: f64 = 0.01;

/// The demand interval under way.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Running {
    /// Beginning, Unix milliseconds.
    pub from_ms: i64,
    /// End, Unix milliseconds.
    pub until_ms: i64,
    /// Until when it is known, Unix milliseconds.
    pub at_ms: i64,
    /// Share of the time gone by for which the energy is known, from 0 to 1.
    pub known: f64,
    /// Energy so far over the whole interval, in W: the demand if all stopped now.
    pub so_far_w: f64,
    /// The same in var.
    pub so_far_var: f64,
    /// Demand where it is heading, in W and var, if that can be told.
    pub heading: Option<(f64, f64)>,
}

impl Running {
    /// Share of the interval that is over.
    pub fn gone(&self) -> f64 {
        let length = (self.until_ms - self.from_ms).max(1) as f64;
        ((self.at_ms - self.from_ms) as f64 / length).clamp(0.0, 1.0)
    }

    /// Whether enough is known of the time gone by to say where it is heading.
    pub fn is_known(&self) -> bool {
        self.known > KNOWN_ENOUGH
    }

    /// Seconds until its end.
    pub fn left_s(&self) -> f64 {
        (self.until_ms - self.at_ms).max(0) as f64 / 1000.0
    }

    /// Where it is heading, in VA.
    pub fn heading_va(&self) -> Option<f64> {
        self.heading.map(|(p, q)| libm::sqrt(p * p + q * q))
    }
}

/// Follows the running interval of one node.
#[derive(Clone, Debug)]
pub struct RunningDemand {
    rule: Option<DemandRule>,
    zone: TimeZone,
    step_ms: i64,
    meter: Option<DemandMeter>,
    offset_s: i32,
    /// Unix milliseconds of the node's start, and its running time when it told.
    started: Option<(i64, u64)>,
    last: Option<(i64, [u64; 7])>,
    /// Time and counters in Wh and varh, over the last minutes.
    recent: VecDeque<(i64, f64, f64)>,
    running: Option<Running>,
}

/// Active energy taken less given back, in counts.
fn active(c: &[u64; 7]) -> f64 {
    c[0] as f64 - c[1] as f64
}

/// Reactive energy, lagging less leading (quadrants I and II less III and IV), in counts.
fn reactive(c: &[u64; 7]) -> f64 {
    (c[2] as f64 + c[3] as f64) - (c[4] as f64 + c[5] as f64)
}

impl RunningDemand {
    /// Nothing known, by the rule of a site.
    pub fn new(site: &Site) -> RunningDemand {
        RunningDemand {
            rule: site.demand.billed(),
            zone: site.time_zone.clone(),
            step_ms: i64::from(site.demand.step_s().max(1)) * 1000,
            meter: None,
            offset_s: 0,
            started: None,
            last: None,
            recent: VecDeque::new(),
            running: None,
        }
    }

    /// The interval under way, if anything is known of it.
    pub fn now(&self) -> Option<Running> {
        self.running
    }

    /// Forgets everything: another node is followed from now on.
    pub fn forget(&mut self) {
        (self.meter, self.started, self.last, self.running) = (None, None, None, None);
        self.recent.clear();
    }

    /// What the node says of its time: Unix milliseconds of its start, by its own clock if it has one.
    pub fn set_time(&mut self, status: &Status, clock: &ClockReading) {
        let uptime = i64::try_from(status.uptime_ms).unwrap_or(i64::MAX);
        let wall = status.wall_ms.and_then(|ms| i64::try_from(ms).ok());
        let started_ms = wall.map_or(clock.started_ms, |ms| ms.saturating_sub(uptime));
        self.started = Some((started_ms, status.uptime_ms));
    }

    /// Counters of a live reading; passed over as long as the node's time is not known.
    pub fn take_live(&mut self, live: &Live) {
        let Some((started_ms, uptime_ms)) = self.started else { return };
        // A node that has just started anew tells its time at the next status.
        if live.uptime_ms < uptime_ms {
            return;
        }
        let at_ms = started_ms.saturating_add(i64::try_from(live.uptime_ms).unwrap_or(i64::MAX));
        match self.last {
            // The clock was set back: what was known belongs to another time.
            Some((last_ms, _)) if at_ms + CLOCK_SET_MS < last_ms => {
                self.meter = None;
                self.start(at_ms, &live.energy_counts);
            }
            Some((last_ms, _)) if at_ms - last_ms > EVENLY_MS => {
                if self.step(last_ms) == self.step(at_ms - 1) {
                    self.add(at_ms, &live.energy_counts);
                }
            }
            _ => self.add(at_ms, &live.energy_counts),
        }
    }

    /// Counters at the end of a record; one that is older than what is known is passed over.
    pub fn take_record(&mut self, record: &Record, end_ms: i64) {
        let start_ms = end_ms - i64::from(record.duration_us) / 1000;
        match self.last {
            // No record tells how what came between is divided.
            Some((last_ms, _)) if last_ms + EVENLY_MS < start_ms => {
                self.start(end_ms, &record.energy_counts);
            }
            _ => self.add(end_ms, &record.energy_counts),
        }
    }

    fn add(&mut self, at_ms: i64, counts: &[u64; 7]) {
        let Some(rule) = self.rule else { return };
        let Some((last_ms, last)) = self.last else {
            self.start(at_ms, counts);
            return;
        };
        if at_ms <= last_ms {
            return;
        }
        // A counter that went back was started anew: nothing is known of the time between.
        if counts.iter().zip(&last).any(|(now, before)| now < before) {
            self.start(at_ms, counts);
            return;
        }
        self.align(rule, at_ms);
        let energy = Energy {
            p_wh: (active(counts) - active(&last)) * COUNT,
            q1_varh: (reactive(counts) - reactive(&last)) * COUNT,
            s_vah: 0.0,
        };
        if let Some(meter) = &mut self.meter {
            meter.add(last_ms, at_ms, &energy, &mut |_| ());
        }
        self.last = Some((at_ms, *counts));
        self.recent.push_back((at_ms, active(counts) * COUNT, reactive(counts) * COUNT));
        while self.recent.get(1).is_some_and(|r| at_ms - r.0 >= RECENT_MS) {
            self.recent.pop_front();
        }
        self.update(rule, at_ms);
    }

    fn start(&mut self, at_ms: i64, counts: &[u64; 7]) {
        self.last = Some((at_ms, *counts));
        self.recent.clear();
        self.recent.push_back((at_ms, active(counts) * COUNT, reactive(counts) * COUNT));
    }

    fn step(&self, at_ms: i64) -> i64 {
        (at_ms + i64::from(self.offset_s) * 1000).div_euclid(self.step_ms)
    }

    /// Boundaries follow the plant's clocks, whose offset need not be a multiple of the step.
    fn align(&mut self, rule: DemandRule, at_ms: i64) {
        let offset_s = jiff::Timestamp::from_millisecond(at_ms)
            .map_or(0, |t| self.zone.to_offset(t).seconds());
        let step_s = (self.step_ms / 1000) as i32;
        if self.meter.is_none() || (offset_s - self.offset_s) % step_s != 0 {
            self.meter = Some(DemandMeter::new(rule.by_clocks_ahead_s(offset_s)));
        }
        self.offset_s = offset_s;
    }

    fn update(&mut self, rule: DemandRule, at_ms: i64) {
        let Some(meter) = &self.meter else { return };
        let d = meter.running();
        let interval_ms = (rule.interval_s() * 1000.0) as i64;
        let from_ms = d.end_ms - interval_ms;
        let gone = (at_ms - from_ms) as f64 / interval_ms as f64;
        let left = (1.0 - gone).clamp(0.0, 1.0);
        let known = if gone > 0.0 { (d.coverage / gone).clamp(0.0, 1.0) } else { 1.0 };
        let (first, last) = (self.recent.front(), self.recent.back());
        let heading = first.zip(last).and_then(|(a, b)| {
            let hours = (b.0 - a.0) as f64 / 3.6e6;
            (b.0 - a.0 >= RECENT_LEAST_MS && known > KNOWN_ENOUGH)
                .then(|| ((b.1 - a.1) / hours * left, (b.2 - a.2) / hours * left))
        });
        self.running = Some(Running {
            from_ms,
            until_ms: d.end_ms,
            at_ms,
            known,
            so_far_w: d.p_w,
            so_far_var: d.q1_var,
            heading: heading.map(|(p, q)| (d.p_w + p, d.q1_var + q)),
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use wattless_core::wire::LogBounds;

    /// 2026-06-01 12:00 UTC, a boundary of every interval.
    const NOON: i64 = 1_780_315_200_000;

    fn counts(wh: f64, varh: f64) -> [u64; 7] {
        [(wh / COUNT) as u64, 0, (varh / COUNT) as u64, 0, 0, 0, 0]
    }

    fn record(end_ms: i64, seconds: u32, wh: f64, varh: f64) -> (Record, i64) {
        let duration_us = seconds * 1_000_000;
        (Record { duration_us, energy_counts: counts(wh, varh), ..Record::BLANK }, end_ms)
    }

    fn live(uptime_ms: i64, wh: f64, varh: f64) -> Live {
        Live {
            uptime_ms: uptime_ms as u64,
            wiring: wattless_core::wiring::Wiring::FourWire,
            frequency_hz: None,
            flags: 0,
            phases: Default::default(),
            s_effective_va: None,
            energy_counts: counts(wh, varh),
        }
    }

    fn told(running: &mut RunningDemand, started_ms: i64) {
        let status = Status {
            boot: 1,
            uptime_ms: 0,
            wall_ms: Some(started_ms as u64),
            wall_quality: Default::default(),
            log: LogBounds::default(),
            frames_lost: 0,
            windows: 0,
            write_failures: 0,
            link_errors: 0,
            has_settings: true,
        };
        let round_trip = std::time::Duration::ZERO;
        running.set_time(&status, &ClockReading { offset_ms: Some(0), started_ms: 0, round_trip });
    }

    fn site(text: &str) -> Site {
        Site::parse(text, std::path::Path::new("s.toml")).unwrap()
    }

    fn near(a: f64, b: f64) -> bool {
        (a - b).abs() < 1e-6 * b.abs().max(1.0)
    }

    /// 60 kW and 30 kvar all along, a record to the boundary, then a reading a second.
    #[test]
    fn records_and_readings_make_one_course() {
        let mut r = RunningDemand::new(&Site::default());
        told(&mut r, NOON - 60_000);
        let (first, at) = record(NOON - 60_000, 60, 0.0, 0.0);
        r.take_record(&first, at);
        let (second, at) = record(NOON, 60, 1000.0, 500.0);
        r.take_record(&second, at);
        for s in 1..=360i64 {
            let wh = 1000.0 + s as f64 * 60_000.0 / 3600.0;
            r.take_live(&live(60_000 + s * 1000, wh, wh / 2.0));
        }
        let now = r.now().unwrap();
        assert_eq!((now.from_ms, now.until_ms, now.at_ms), (NOON, NOON + 900_000, NOON + 360_000));
        assert_eq!((now.gone(), now.left_s()), (0.4, 540.0));
        assert!(near(now.known, 1.0) && near(now.so_far_w, 24_000.0), "{now:?}");
        let (p, q) = now.heading.unwrap();
        // Counters count in hundredths of a watt-hour.
        assert!((p - 60_000.0).abs() < 10.0 && (q - 30_000.0).abs() < 10.0, "{p} {q}");
    }

    /// A link that was away over a boundary: the readings wait for the records.
    #[test]
    fn what_lies_over_a_boundary_waits_for_the_records() {
        let mut r = RunningDemand::new(&Site::default());
        told(&mut r, NOON);
        r.take_live(&live(0, 0.0, 0.0));
        r.take_live(&live(10_000, 100.0, 0.0));
        r.take_live(&live(1_000_000, 11_000.0, 0.0));
        assert_eq!(r.now().unwrap().at_ms, NOON + 10_000);
        for minute in 1..=16 {
            // 600 kW until the boundary, nothing after it.
            let (one, at) =
                record(NOON + minute * 60_000, 60, 10_000.0 * minute.min(15) as f64, 0.0);
            r.take_record(&one, at);
        }
        let now = r.now().unwrap();
        assert_eq!((now.from_ms, now.at_ms), (NOON + 900_000, NOON + 960_000));
        assert!(near(now.so_far_w, 0.0) && near(now.known, 1.0), "{now:?}");
        r.take_live(&live(970_000, 150_000.0, 0.0));
        assert_eq!(r.now().unwrap().at_ms, NOON + 970_000);
    }

    /// What nobody counted is said, and no end is foretold from it.
    #[test]
    fn an_interval_that_is_known_in_part_says_so() {
        let mut r = RunningDemand::new(&Site::default());
        told(&mut r, NOON);
        r.take_live(&live(450_000, 5000.0, 0.0));
        for s in 451..=600 {
            r.take_live(&live(s * 1000, 5000.0 + s as f64, 0.0));
        }
        let now = r.now().unwrap();
        assert!((now.known - 0.25).abs() < 1e-9 && now.heading.is_none(), "{now:?}");
        // Counters that were started anew are no energy.
        r.take_live(&live(601_000, 0.0, 0.0));
        r.take_live(&live(602_000, 1.0, 0.0));
        assert!(r.now().unwrap().so_far_w < now.so_far_w + 10.0);
        // A clock set back by an hour begins a new course, not one that waits an hour.
        told(&mut r, NOON - 3_600_000);
        r.take_live(&live(603_000, 2.0, 0.0));
        r.take_live(&live(604_000, 3.0, 0.0));
        assert_eq!(r.now().unwrap().at_ms, NOON - 3_600_000 + 604_000);
    }

    /// Half-hour intervals of a zone that is 5 h 45 min ahead begin at quarters of UTC.
    #[test]
    fn boundaries_are_those_of_local_clocks_and_a_sliding_interval_slides() {
        let mut r = RunningDemand::new(&site(
            "time_zone = \"Asia/Kathmandu\"\n[demand]\ninterval_min = 30\n",
        ));
        told(&mut r, NOON);
        r.take_live(&live(0, 0.0, 0.0));
        r.take_live(&live(1000, 1.0, 0.0));
        let now = r.now().unwrap();
        assert_eq!((now.from_ms, now.until_ms), (NOON - 900_000, NOON + 900_000));
        let text = "[demand]\nkind = \"sliding\"\ninterval_min = 15\nsub_interval_min = 5\n";
        let mut r = RunningDemand::new(&site(text));
        for minute in 0..=17 {
            let (one, at) = record(NOON + minute * 60_000, 60, 1000.0 * minute as f64, 0.0);
            r.take_record(&one, at);
        }
        let now = r.now().unwrap();
        assert_eq!((now.from_ms, now.until_ms), (NOON + 300_000, NOON + 1_200_000));
        assert!(near(now.so_far_w, 12.0 / 15.0 * 60_000.0), "{now:?}");
    }
}
