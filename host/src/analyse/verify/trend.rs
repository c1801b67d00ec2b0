//! The drop over the range after: day by day, and whether it changed at one instant.

use super::DayDrop;
use super::estimate::Comparison;
use super::sample::Sample;
use crate::analyse::regression::serial::serial;
use crate::analyse::survey::clock::{
    DAY_NAMES, HOUR_MS, LocalClock, Moment, date_of_day, day_of_week,
};

/// Least change of the ratio that is told.
const CHANGE_MIN: f64 = 0.15;

/// Standard deviations that a change must be worth: many instants are tried.
const CHANGE_SIGMA: f64 = 5.0;

/// Hours on either side of a change.
const SIDE_MIN: usize = 6;

/// A change of the drop over expected.
pub(super) struct Change {
    pub(super) at: Moment,
    pub(super) ratio_before: f64,
    pub(super) ratio_from: f64,
}

struct Hour {
    hour: i64,
    hours: f64,
    drop_varh: f64,
    expected_varh: f64,
}

/// Sums by local hour; `expected_var` by position in the sample.
fn hours(c: &Comparison, s: &Sample, clock: &LocalClock, expected_var: &[f64]) -> Vec<Hour> {
    let mut out: Vec<Hour> = Vec::new();
    for k in &c.after.rows {
        let hour = clock.moment(s.end_ms[*k] - 1).local_ms().div_euclid(HOUR_MS);
        if out.last().is_none_or(|h| h.hour != hour) {
            out.push(Hour { hour, hours: 0.0, drop_varh: 0.0, expected_varh: 0.0 });
        }
        if let Some(h) = out.last_mut() {
            h.hours += s.hours[*k];
            h.drop_varh += (c.before_at(s.p_w[*k], s.v[*k]) - s.q1_var[*k]) * s.hours[*k];
            h.expected_varh += expected_var.get(*k).copied().unwrap_or(0.0) * s.hours[*k];
        }
    }
    out
}

pub(super) fn days(
    c: &Comparison,
    s: &Sample,
    clock: &LocalClock,
    expected_var: &[f64],
) -> Vec<DayDrop> {
    let hours = hours(c, s, clock, expected_var);
    let mut out: Vec<(i64, [f64; 3])> = Vec::new();
    for h in &hours {
        let day = h.hour.div_euclid(24);
        if out.last().is_none_or(|d| d.0 != day) {
            out.push((day, [0.0; 3]));
        }
        if let Some((_, sum)) = out.last_mut() {
            sum[0] += h.hours;
            sum[1] += h.drop_varh;
            sum[2] += h.expected_varh;
        }
    }
    out.into_iter()
        .map(|(day, [hours, drop, expected])| DayDrop {
            date: date_of_day(day).to_string(),
            day: DAY_NAMES[day_of_week(day)],
            compared_h: hours,
            measured_var: drop / hours,
            ratio: (expected > 0.0).then(|| drop / expected),
        })
        .collect()
}

/// The instant that divides the range best, if what it divides differs.
pub(super) fn change(
    c: &Comparison,
    s: &Sample,
    clock: &LocalClock,
    expected_var: &[f64],
) -> Option<Change> {
    let all = hours(c, s, clock, expected_var);
    let mean_expected = all.iter().map(|h| h.expected_varh).sum::<f64>()
        / all.iter().map(|h| h.hours).sum::<f64>().max(1e-9);
    // Hours in which little is expected say little.
    let used: Vec<&Hour> = all
        .iter()
        .filter(|h| h.hours > 0.5 && h.expected_varh > 0.3 * mean_expected * h.hours)
        .collect();
    let n = used.len();
    if n < 2 * SIDE_MIN {
        return None;
    }
    let ratio: Vec<f64> = used.iter().map(|h| h.drop_varh / h.expected_varh).collect();
    let mut sums = vec![0.0];
    for r in &ratio {
        sums.push(sums[sums.len() - 1] + r);
    }
    let all_mean = sums[n] / n as f64;
    let gain = |k: usize| {
        let (a, b) =
            (sums[k] / k as f64 - all_mean, (sums[n] - sums[k]) / (n - k) as f64 - all_mean);
        k as f64 * a * a + (n - k) as f64 * b * b
    };
    let at = (SIDE_MIN..=n - SIDE_MIN).max_by(|a, b| gain(*a).total_cmp(&gain(*b)))?;
    let (left, right) = (sums[at] / at as f64, (sums[n] - sums[at]) / (n - at) as f64);
    let rest: Vec<f64> =
        ratio.iter().enumerate().map(|(k, r)| r - if k < at { left } else { right }).collect();
    let ends: Vec<i64> = used.iter().map(|h| h.hour * HOUR_MS).collect();
    let inflation = serial(&rest, &ends, 3600.0).inflation;
    let variance = rest.iter().map(|e| e * e).sum::<f64>() / (n - 2) as f64;
    let sd = libm::sqrt(variance * inflation * (1.0 / at as f64 + 1.0 / (n - at) as f64));
    let off = libm::fabs(right - left);
    if off < CHANGE_MIN || off < CHANGE_SIGMA * sd {
        return None;
    }
    let first = c.after.rows.iter().find(|k| {
        clock.moment(s.end_ms[**k] - 1).local_ms().div_euclid(HOUR_MS) == used[at].hour
    })?;
    let end = clock.moment(s.end_ms[*first] - 1);
    let begin = end.utc_ms - end.local_ms().rem_euclid(HOUR_MS);
    Some(Change { at: clock.moment(begin), ratio_before: left, ratio_from: right })
}
