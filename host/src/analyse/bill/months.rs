//! Billing months: their bounds in local time, and how much of one a load covers.

use crate::analyse::survey::clock::Moment;
use crate::analyse::tariff::MonthRule;
use jiff::civil::{Date, DateTime, Time};
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};

/// A billing month and how much of it is known.
#[derive(Clone, Debug, PartialEq)]
pub struct MonthFrame {
    /// Name: `2026-03`, or `2026-02-14..2026-03-14` where readings bound it.
    pub label: String,
    /// First day.
    pub first_day: Date,
    /// The day after the last.
    pub end_day: Date,
    /// Start, Unix milliseconds.
    pub start_ms: i64,
    /// End, Unix milliseconds.
    pub end_ms: i64,
    /// Seconds of it that are covered; all of them for a past bill.
    pub covered_s: f64,
    /// Part of the covered seconds that were filled from like days.
    pub filled_s: f64,
    /// Demand intervals with all their data.
    pub intervals: u64,
    /// Demand intervals with a part of their data; they are no billed demand.
    pub intervals_partial: u64,
    /// A gap beside which, or in which, the load was about as high as the highest demand.
    pub gap_at_peak: Option<GapAtPeak>,
}

/// A gap that may hide the month's highest demand.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GapAtPeak {
    /// End of the last whole interval before it, Unix milliseconds.
    pub from_ms: i64,
    /// Start of the first whole interval after it, Unix milliseconds.
    pub to_ms: i64,
    /// The same two in local time.
    pub from: Moment,
    /// End of it in local time.
    pub to: Moment,
    /// Highest demand beside the gap, or of what is left in it, in kW.
    pub p_kw: f64,
}

impl MonthFrame {
    /// Length in seconds: days have 23, 24 or 25 hours.
    pub fn length_s(&self) -> f64 {
        (self.end_ms - self.start_ms) as f64 / 1000.0
    }

    /// Length in days.
    pub fn days(&self) -> u32 {
        self.first_day.until(self.end_day).map_or(0, |s| s.get_days().unsigned_abs())
    }

    /// Share of the month that is covered, 0 to 1.
    pub fn coverage(&self) -> f64 {
        if self.end_ms > self.start_ms { (self.covered_s / self.length_s()).min(1.0) } else { 1.0 }
    }

    /// Whether the whole month is covered, but for seconds that rounding of times may lose.
    pub fn is_whole(&self) -> bool {
        self.length_s() - self.covered_s <= self.length_s() * 1e-4
    }

    /// Whether a part was filled from like days instead of measured.
    pub fn is_filled(&self) -> bool {
        self.filled_s > 0.0
    }
}

/// The start of a local day, Unix milliseconds.
pub(crate) fn day_start_ms(day: Date, zone: &TimeZone) -> Option<i64> {
    let z = DateTime::from_parts(day, Time::midnight()).to_zoned_datetime(zone.clone()).ok()?;
    Some(z.timestamp().as_millisecond())
}

/// The local date of an instant.
pub(crate) fn local_date(at_ms: i64, zone: &TimeZone) -> Option<Date> {
    let at = Timestamp::from_millisecond(at_ms).ok()?;
    Some(zone.to_datetime(at).date())
}

/// A month frame between two days.
pub(crate) fn frame(first_day: Date, end_day: Date, label: String, zone: &TimeZone) -> MonthFrame {
    MonthFrame {
        label,
        first_day,
        end_day,
        start_ms: day_start_ms(first_day, zone).unwrap_or(0),
        end_ms: day_start_ms(end_day, zone).unwrap_or(0),
        covered_s: 0.0,
        filled_s: 0.0,
        intervals: 0,
        intervals_partial: 0,
        gap_at_peak: None,
    }
}

/// The month that holds a day; `None` where reading dates do not.
pub(crate) fn month_of(day: Date, rule: &MonthRule) -> Option<(Date, Date, String)> {
    let span = |first: Date| {
        let end = first.checked_add(1.month()).ok()?;
        Some((first, end))
    };
    match rule {
        MonthRule::Calendar => {
            let (first, end) = span(day.first_of_month())?;
            Some((first, end, format!("{:04}-{:02}", first.year(), first.month())))
        }
        MonthRule::ReadingDay(d) => {
            let this = Date::new(day.year(), day.month(), *d).ok()?;
            let first = if this <= day { this } else { this.checked_sub(1.month()).ok()? };
            let (first, end) = span(first)?;
            Some((first, end, format!("{first}..{end}")))
        }
        MonthRule::ReadingDates(dates) => {
            let w = dates.windows(2).find(|w| w[0] <= day && day < w[1])?;
            Some((w[0], w[1], format!("{}..{}", w[0], w[1])))
        }
    }
}

/// The months that a stretch of time touches, in order. Days outside of given reading dates
/// belong to none.
pub fn months(from_ms: i64, to_ms: i64, rule: &MonthRule, zone: &TimeZone) -> Vec<MonthFrame> {
    let mut out = Vec::new();
    let (Some(mut day), Some(last)) = (local_date(from_ms, zone), local_date(to_ms - 1, zone))
    else {
        return out;
    };
    while day <= last {
        match month_of(day, rule) {
            Some((first, end, label)) => {
                out.push(frame(first, end, label, zone));
                day = end;
            }
            None => match day.tomorrow() {
                Ok(next) => day = next,
                Err(_) => break,
            },
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> Date {
        text.parse().unwrap()
    }

    fn ms(text: &str) -> i64 {
        text.parse::<Timestamp>().unwrap().as_millisecond()
    }

    /// March 2026 in Berlin loses an hour, October wins one.
    #[test]
    fn months_have_the_hours_of_their_days() {
        let zone = TimeZone::get("Europe/Berlin").unwrap();
        let m = months(
            ms("2026-03-15T00:00:00Z"),
            ms("2026-10-31T23:00:00Z"),
            &MonthRule::Calendar,
            &zone,
        );
        assert_eq!(m.len(), 8);
        assert_eq!(m[0].label, "2026-03");
        assert_eq!(m[0].length_s(), (31.0 * 24.0 - 1.0) * 3600.0);
        assert_eq!(m[7].length_s(), (31.0 * 24.0 + 1.0) * 3600.0);
        assert_eq!((m[1].days(), m[0].end_ms), (30, m[1].start_ms));
    }

    #[test]
    fn readings_bound_months() {
        let zone = TimeZone::UTC;
        let rule = MonthRule::ReadingDay(14);
        let m = months(ms("2026-01-20T00:00:00Z"), ms("2026-02-20T00:00:00Z"), &rule, &zone);
        let labels: Vec<&str> = m.iter().map(|m| m.label.as_str()).collect();
        assert_eq!(labels, ["2026-01-14..2026-02-14", "2026-02-14..2026-03-14"]);
        let dates = MonthRule::ReadingDates(vec![day("2026-01-12"), day("2026-02-13")]);
        let m = months(ms("2026-01-01T00:00:00Z"), ms("2026-03-01T00:00:00Z"), &dates, &zone);
        assert_eq!(m.len(), 1);
        assert_eq!(m[0].days(), 32);
    }
}
