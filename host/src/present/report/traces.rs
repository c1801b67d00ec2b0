//! The log as series for charts: demand intervals with the lowest and highest record in each.

use crate::analyse::survey::Survey;
use crate::analyse::survey::clock::LocalClock;
use crate::collect::log::IntervalLog;
use crate::present::chart::reduce::Sample;
use crate::site::Site;

/// Part of an interval that must be recorded for its mean to be drawn as demand.
const WHOLE: f64 = 0.995;

/// One demand interval, aligned to local time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Slot {
    /// Start, Unix milliseconds.
    pub start_ms: i64,
    /// End, Unix milliseconds.
    pub end_ms: i64,
    /// Seconds that records cover.
    pub covered_s: f64,
    /// Active energy, in W·s.
    p_ws: f64,
    /// Reactive energy, in var·s.
    q_vars: f64,
    /// Lowest and highest record, in W.
    pub p_range_w: [f64; 2],
    /// Lowest and highest record, in var.
    pub q_range_var: [f64; 2],
}

impl Slot {
    /// Mean active power of the recorded part, in W.
    pub fn p_w(&self) -> f64 {
        self.p_ws / self.covered_s
    }

    /// Mean reactive power of the recorded part, in var.
    pub fn q1_var(&self) -> f64 {
        self.q_vars / self.covered_s
    }

    /// sqrt(P² + Q²), in VA.
    pub fn s_va(&self) -> f64 {
        let (p, q) = (self.p_w(), self.q1_var());
        libm::sqrt(p * p + q * q)
    }

    /// Power factor of the fundamental; `None` without load.
    pub fn pf(&self) -> Option<f64> {
        wattless_core::correction::power_factor(self.p_w(), self.q1_var())
    }

    /// Whether records cover it.
    pub fn is_whole(&self) -> bool {
        self.covered_s >= (self.end_ms - self.start_ms) as f64 * 1e-3 * WHOLE
    }
}

/// Series of a log.
#[derive(Clone, Debug)]
pub struct Traces {
    /// Local time over the log.
    pub clock: LocalClock,
    /// Demand intervals with any record, in order of time.
    pub slots: Vec<Slot>,
    /// Length of an interval, in milliseconds.
    pub interval_ms: i64,
    /// Stretches of a minute or more without a record.
    pub gaps: Vec<(i64, i64)>,
}

impl Traces {
    /// Makes the series; the survey has already refused what cannot be walked.
    pub fn of(log: &IntervalLog, site: &Site, survey: &Survey) -> Traces {
        let (from_ms, to_ms) = (survey.first.utc_ms, survey.last.utc_ms);
        let clock = LocalClock::new(&site.time_zone, from_ms, to_ms)
            .unwrap_or_else(|_| unreachable!("the survey has made the same clock"));
        let interval_ms = i64::from(site.demand.interval_s) * 1000;
        let mut slots: Vec<Slot> = Vec::with_capacity(((to_ms - from_ms) / interval_ms) as usize + 2);
        let mut gaps = Vec::new();
        let mut seen_ms = from_ms;
        let mut offset = (i64::MIN, i64::MIN, 0i64);
        for at in 0..log.len() {
            let (start, end) = (log.start_ms(at).max(seen_ms), log.end_ms[at]);
            let (p, q) = (log.total_p_w(at), log.total_q1_var(at));
            if end <= start || !(p + q).is_finite() {
                continue;
            }
            if start - seen_ms >= 60_000 {
                gaps.push((seen_ms, start));
            }
            seen_ms = end;
            let mut from = start;
            while from < end {
                if from < offset.0 || from >= offset.1 {
                    let offset_ms = i64::from(clock.offset_s(from)) * 1000;
                    let begin = (from + offset_ms).div_euclid(interval_ms) * interval_ms - offset_ms;
                    offset = (begin, begin + interval_ms, offset_ms);
                }
                let to = end.min(offset.1);
                add(&mut slots, offset.0, interval_ms, (from, to), p, q);
                from = to;
            }
        }
        Traces { clock, slots, interval_ms, gaps }
    }

    /// Whole intervals.
    pub fn whole(&self) -> impl Iterator<Item = &Slot> {
        self.slots.iter().filter(|s| s.is_whole())
    }

    /// A series of means with the range of records, over the recorded part of each interval.
    pub fn samples(&self, value: impl Fn(&Slot) -> (f64, [f64; 2])) -> Vec<Sample> {
        let sample = |s: &Slot| {
            let (mean, [low, high]) = value(s);
            Sample { start_ms: s.start_ms, end_ms: s.end_ms, mean, low, high }
        };
        self.slots.iter().filter(|s| s.covered_s > 0.0).map(sample).collect()
    }

    /// Values of the whole intervals, the highest first.
    pub fn sorted(&self, value: impl Fn(&Slot) -> f64) -> Vec<f64> {
        let mut sorted: Vec<f64> = self.whole().map(value).collect();
        sorted.sort_unstable_by(|a, b| b.total_cmp(a));
        sorted
    }
}

fn add(slots: &mut Vec<Slot>, start_ms: i64, length_ms: i64, at: (i64, i64), p: f64, q: f64) {
    let seconds = (at.1 - at.0) as f64 * 1e-3;
    if slots.last().is_none_or(|s| s.start_ms != start_ms) {
        slots.push(Slot {
            start_ms,
            end_ms: start_ms + length_ms,
            covered_s: 0.0,
            p_ws: 0.0,
            q_vars: 0.0,
            p_range_w: [f64::INFINITY, f64::NEG_INFINITY],
            q_range_var: [f64::INFINITY, f64::NEG_INFINITY],
        });
    }
    if let Some(s) = slots.last_mut() {
        s.covered_s += seconds;
        s.p_ws += p * seconds;
        s.q_vars += q * seconds;
        s.p_range_w = [s.p_range_w[0].min(p), s.p_range_w[1].max(p)];
        s.q_range_var = [s.q_range_var[0].min(q), s.q_range_var[1].max(q)];
    }
}
