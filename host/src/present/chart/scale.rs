//! Scales: values to places, with round ticks; local time with its days, hours and clock changes.

use crate::analyse::survey::clock::{
    DAY_NAMES, HOUR_MS, LocalClock, date_of_day, day_of_week,
};

/// A straight scale.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scale {
    /// Value at the beginning.
    pub from: f64,
    /// Value at the end.
    pub to: f64,
    /// Place of the beginning.
    pub start: f64,
    /// Place of the end.
    pub end: f64,
}

impl Scale {
    /// The place of a value.
    pub fn at(&self, value: f64) -> f64 {
        let span = self.to - self.from;
        if span == 0.0 {
            return self.start;
        }
        self.start + (value - self.from) / span * (self.end - self.start)
    }

    /// Whether a value lies on the scale.
    pub fn holds(&self, value: f64) -> bool {
        (self.from.min(self.to)..=self.from.max(self.to)).contains(&value)
    }
}

/// Round ticks over a range: multiples of 1, 2, 2.5 or 5 times a power of ten.
#[derive(Clone, Debug, PartialEq)]
pub struct Ticks {
    /// Values, ascending.
    pub values: Vec<f64>,
    /// Decimals that tell them apart.
    pub decimals: usize,
}

impl Ticks {
    /// At most so many ticks that reach over a range from `low` to `high`.
    pub fn over(low: f64, high: f64, most: usize) -> Ticks {
        let (low, high) = if high > low { (low, high) } else { (low, low + 1.0) };
        let least = (high - low) / most.max(2) as f64;
        let power = libm::pow(10.0, libm::floor(libm::log10(least)));
        let step = [1.0, 2.0, 2.5, 5.0, 10.0]
            .into_iter()
            .map(|m| m * power)
            .find(|s| {
                let count = libm::ceil(high / s - 1e-9) - libm::floor(low / s + 1e-9);
                count < most.max(2) as f64
            })
            .unwrap_or(20.0 * power);
        let first = libm::floor(low / step + 1e-9);
        let last = libm::ceil(high / step - 1e-9);
        let count = (last - first) as usize + 1;
        let values = (0..count).map(|k| (first + k as f64) * step).collect();
        let decimals = (0..6).find(|d| {
            let scaled = step * libm::pow(10.0, *d as f64);
            libm::fabs(scaled - libm::round(scaled)) < 1e-6
        });
        Ticks { values, decimals: decimals.unwrap_or(6) }
    }

    /// First value.
    pub fn low(&self) -> f64 {
        self.values.first().copied().unwrap_or(0.0)
    }

    /// Last value.
    pub fn high(&self) -> f64 {
        self.values.last().copied().unwrap_or(1.0)
    }
}

/// A tick of local time.
#[derive(Clone, Debug, PartialEq)]
pub struct TimeTick {
    /// Unix milliseconds.
    pub at_ms: i64,
    /// Words beneath it; empty for a tick without.
    pub label: String,
    /// Whether a day, week or month begins.
    pub major: bool,
}

/// How days are written beneath a time axis.
type DayName<'a> = &'a dyn Fn(jiff::civil::Date) -> String;

/// Ticks of local time for a width that holds so many labels: hours, days, weeks or months.
pub fn time_ticks(
    clock: &LocalClock,
    from_ms: i64,
    to_ms: i64,
    labels: usize,
    date: DayName<'_>,
) -> Vec<TimeTick> {
    let hours = (to_ms - from_ms) as f64 / HOUR_MS as f64;
    let labels = labels.max(2) as f64;
    if hours <= 36.0 {
        let step = [1, 2, 3, 6, 12].into_iter().find(|s| hours / f64::from(*s) <= labels);
        return hour_ticks(clock, from_ms, to_ms, step.unwrap_or(12), date);
    }
    let days = hours / 24.0;
    if days <= 62.0 {
        let step = [1, 2, 7, 14].into_iter().find(|s| days / *s as f64 <= labels);
        return day_ticks(clock, from_ms, to_ms, step.unwrap_or(14), labels, date);
    }
    month_ticks(clock, from_ms, to_ms, labels)
}

/// The instant at which a local day begins.
pub fn day_start_ms(clock: &LocalClock, epoch_day: i64) -> i64 {
    let local = epoch_day * 24 * HOUR_MS;
    // The offset that holds at the beginning of the day, found by a second look.
    let guess = local - i64::from(clock.offset_s(local)) * 1000;
    local - i64::from(clock.offset_s(guess)) * 1000
}

fn epoch_day(clock: &LocalClock, at_ms: i64) -> i64 {
    clock.moment(at_ms).local_ms().div_euclid(24 * HOUR_MS)
}

fn hour_ticks(
    clock: &LocalClock,
    from_ms: i64,
    to_ms: i64,
    step: i32,
    date: DayName<'_>,
) -> Vec<TimeTick> {
    let first = from_ms.div_euclid(HOUR_MS) * HOUR_MS;
    (0..)
        .map(|k| first + k * HOUR_MS)
        .skip_while(|t| *t < from_ms)
        .take_while(|t| *t <= to_ms)
        .filter_map(|at_ms| {
            let hour = clock.moment(at_ms).local_ms().div_euclid(HOUR_MS).rem_euclid(24);
            let label = match hour {
                0 => date(clock.moment(at_ms).date()),
                h => format!("{h:02}:00"),
            };
            (hour % i64::from(step) == 0).then_some(TimeTick { at_ms, label, major: hour == 0 })
        })
        .collect()
}

fn day_ticks(
    clock: &LocalClock,
    from_ms: i64,
    to_ms: i64,
    step: i64,
    labels: f64,
    date: DayName<'_>,
) -> Vec<TimeTick> {
    let days = epoch_day(clock, from_ms)..=epoch_day(clock, to_ms) + 1;
    let roomy = (to_ms - from_ms) as f64 / HOUR_MS as f64 / 24.0 * 1.6 <= labels;
    days.map(|day| (day, day_start_ms(clock, day)))
        .filter(|(_, at_ms)| (from_ms..=to_ms).contains(at_ms))
        .map(|(day, at_ms)| {
            let weekday = day_of_week(day);
            let named = step < 7 && (day - epoch_day(clock, from_ms)) % step == 0
                || step >= 7 && weekday == 0 && (step == 7 || day.div_euclid(7) % 2 == 0);
            let label = if !named {
                String::new()
            } else if step == 1 && roomy {
                format!("{} {}", DAY_NAMES[weekday], date(date_of_day(day)))
            } else if step == 1 {
                DAY_NAMES[weekday].to_owned()
            } else {
                date(date_of_day(day))
            };
            TimeTick { at_ms, label, major: named }
        })
        .collect()
}

/// Short names of the months.
pub const MONTH_NAMES: [&str; 12] =
    ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

fn month_ticks(clock: &LocalClock, from_ms: i64, to_ms: i64, labels: f64) -> Vec<TimeTick> {
    let months = (to_ms - from_ms) as f64 / HOUR_MS as f64 / 730.5;
    let every = [1, 2, 3, 6, 12].into_iter().find(|m| months / f64::from(*m) <= labels);
    let every = every.unwrap_or(12);
    let (first, last) = (epoch_day(clock, from_ms), epoch_day(clock, to_ms) + 1);
    (first..=last)
        .filter_map(|day| {
            let d = date_of_day(day);
            let at_ms = day_start_ms(clock, day);
            if d.day() != 1 || !(from_ms..=to_ms).contains(&at_ms) {
                return None;
            }
            let month = i32::from(d.month()) - 1;
            let label = match month % every {
                0 if month == 0 => d.year().to_string(),
                0 => MONTH_NAMES[month as usize].to_owned(),
                _ => String::new(),
            };
            Some(TimeTick { at_ms, label, major: month == 0 })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::tz::TimeZone;

    #[test]
    fn ticks_are_round_and_reach_over_the_range() {
        for (low, high, most, want, decimals) in [
            (0.0, 134.0, 6, vec![0.0, 50.0, 100.0, 150.0], 0),
            (0.0, 0.97, 6, vec![0.0, 0.2, 0.4, 0.6, 0.8, 1.0], 1),
            (-3.0, 12.0, 5, vec![-5.0, 0.0, 5.0, 10.0, 15.0], 0),
            (0.0, 1.0, 3, vec![0.0, 0.5, 1.0], 1),
        ] {
            let t = Ticks::over(low, high, most);
            assert_eq!(t.values.len(), want.len(), "{low} to {high}: {t:?}");
            for (a, b) in t.values.iter().zip(want) {
                assert!((a - b).abs() < 1e-9, "{t:?}");
            }
            assert_eq!(t.decimals, decimals);
        }
        let flat = Ticks::over(5.0, 5.0, 4);
        assert!(flat.low() <= 5.0 && flat.high() > 5.0);
    }

    /// In Berlin 29 March 2026 has 23 hours and 25 October has 25: days begin at local midnight.
    #[test]
    fn days_begin_at_local_midnight_across_clock_changes() {
        let zone = TimeZone::get("Europe/Berlin").unwrap();
        let at = |t: &str| t.parse::<jiff::Timestamp>().unwrap().as_millisecond();
        for (from, to, midnights) in [
            (
                "2026-03-27T23:00:00Z",
                "2026-03-30T22:00:00Z",
                ["2026-03-27T23:00:00Z", "2026-03-28T23:00:00Z", "2026-03-29T22:00:00Z"],
            ),
            (
                "2026-10-23T22:00:00Z",
                "2026-10-26T23:00:00Z",
                ["2026-10-23T22:00:00Z", "2026-10-24T22:00:00Z", "2026-10-25T23:00:00Z"],
            ),
        ] {
            let clock = LocalClock::new(&zone, at(from), at(to)).unwrap();
            let ticks = time_ticks(&clock, at(from), at(to), 10, &|d| d.to_string());
            for (tick, want) in ticks.iter().zip(midnights) {
                assert_eq!(tick.at_ms, at(want));
                assert!(tick.label.contains("2026-"), "{tick:?}");
            }
        }
    }

    #[test]
    fn long_stretches_get_months() {
        let zone = TimeZone::UTC;
        let at = |t: &str| t.parse::<jiff::Timestamp>().unwrap().as_millisecond();
        let (from, to) = (at("2026-01-01T00:00:00Z"), at("2027-01-01T00:00:00Z"));
        let clock = LocalClock::new(&zone, from, to).unwrap();
        let names: Vec<String> =
            time_ticks(&clock, from, to, 14, &|d| d.to_string()).into_iter().map(|t| t.label).collect();
        assert_eq!(names.len(), 13);
        assert_eq!((names[0].as_str(), names[1].as_str()), ("2026", "Feb"));
    }
}
