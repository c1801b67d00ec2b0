//! Local time over a log: zone offsets by transition, so that a record costs no zone lookup.

use jiff::civil::Date;
use jiff::tz::{Offset, TimeZone};
use jiff::{Timestamp, ToSpan};
use serde::{Serialize, Serializer};

/// Milliseconds in an hour.
pub const HOUR_MS: i64 = 3_600_000;

/// Hours in a week.
pub const WEEK_H: usize = 168;

/// Names of the days, Monday first.
pub const DAY_NAMES: [&str; 7] = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"];

/// An instant with the offset that the plant's clocks had.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Moment {
    /// Unix milliseconds.
    pub utc_ms: i64,
    /// Seconds that local clocks are ahead of UTC.
    pub offset_s: i32,
}

impl Moment {
    /// Milliseconds of the local clock since 1970-01-01 00:00 of that clock.
    pub fn local_ms(&self) -> i64 {
        self.utc_ms + i64::from(self.offset_s) * 1000
    }

    /// The same as RFC 3339, with the offset.
    pub fn rfc3339(&self) -> String {
        let offset = Offset::from_seconds(self.offset_s).unwrap_or(Offset::UTC);
        Timestamp::from_millisecond(self.utc_ms)
            .map(|t| t.display_with_offset(offset).to_string())
            .unwrap_or_default()
    }

    /// Local date.
    pub fn date(&self) -> Date {
        date_of_day(self.local_ms().div_euclid(24 * HOUR_MS))
    }

    /// For people: `Tue 2016-01-05`.
    pub fn day_words(&self) -> String {
        let day = self.local_ms().div_euclid(24 * HOUR_MS);
        format!("{} {}", DAY_NAMES[day_of_week(day)], self.date())
    }

    /// For people: `14:45`, with seconds where they are not zero.
    pub fn clock_words(&self) -> String {
        let s = self.local_ms().rem_euclid(24 * HOUR_MS) / 1000;
        let (h, m, s) = (s / 3600, s / 60 % 60, s % 60);
        if s == 0 { format!("{h:02}:{m:02}") } else { format!("{h:02}:{m:02}:{s:02}") }
    }
}

impl std::fmt::Display for Moment {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} {}", self.day_words(), self.clock_words())
    }
}

impl Serialize for Moment {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(&self.rfc3339())
    }
}

/// Day of the week (0 is Monday) of a day since 1970-01-01, a Thursday.
pub fn day_of_week(epoch_day: i64) -> usize {
    (epoch_day + 3).rem_euclid(7) as usize
}

/// The date of a day since 1970-01-01.
pub fn date_of_day(epoch_day: i64) -> Date {
    Date::constant(1970, 1, 1).checked_add(epoch_day.days()).unwrap_or(Date::MIN)
}

/// The time is outside the calendar.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct OutOfCalendar;

/// A zone's offsets over a stretch of time.
#[derive(Clone, Debug)]
pub struct LocalClock {
    zone: TimeZone,
    /// Starts in Unix milliseconds and offsets, ascending; the first holds before its start too.
    spans: Vec<(i64, i32)>,
}

impl LocalClock {
    /// Looks up every change of offset from one instant to another.
    pub fn new(zone: &TimeZone, from_ms: i64, to_ms: i64) -> Result<LocalClock, OutOfCalendar> {
        let from = Timestamp::from_millisecond(from_ms).map_err(|_| OutOfCalendar)?;
        Timestamp::from_millisecond(to_ms).map_err(|_| OutOfCalendar)?;
        let mut spans = vec![(from_ms, zone.to_offset(from).seconds())];
        for t in zone.following(from) {
            let at_ms = t.timestamp().as_millisecond();
            if at_ms > to_ms {
                break;
            }
            let offset_s = t.offset().seconds();
            if spans.last().is_some_and(|(_, o)| *o != offset_s) {
                spans.push((at_ms, offset_s));
            }
        }
        Ok(LocalClock { zone: zone.clone(), spans })
    }

    /// Position of the span that holds at an instant.
    fn find(&self, at_ms: i64) -> usize {
        self.spans.partition_point(|(start, _)| *start <= at_ms).saturating_sub(1)
    }

    /// Seconds that local clocks are ahead of UTC.
    pub fn offset_s(&self, at_ms: i64) -> i32 {
        self.spans.get(self.find(at_ms)).map_or(0, |s| s.1)
    }

    /// An instant with its local offset.
    pub fn moment(&self, utc_ms: i64) -> Moment {
        Moment { utc_ms, offset_s: self.offset_s(utc_ms) }
    }

    /// When the offset changes within the stretch, with the offset from then on.
    pub fn changes(&self) -> &[(i64, i32)] {
        self.spans.get(1..).unwrap_or_default()
    }

    /// Hours of the week that clocks skipped within the stretch.
    pub fn skipped_hours_of_week(&self) -> Vec<usize> {
        let mut skipped = Vec::new();
        for w in self.spans.windows(2) {
            if let [(_, before_s), (at_ms, after_s)] = w {
                let from = at_ms + i64::from(*before_s) * 1000;
                let to = at_ms + i64::from(*after_s) * 1000;
                let first = from.div_euclid(HOUR_MS) + i64::from(from.rem_euclid(HOUR_MS) > 0);
                skipped.extend((first..to.div_euclid(HOUR_MS)).map(hour_of_week));
            }
        }
        skipped
    }

    /// Length of a local day in hours: 24, or 23 or 25 (or between) when clocks change.
    pub fn day_hours(&self, epoch_day: i64) -> f64 {
        let start = |day: i64| {
            date_of_day(day)
                .to_zoned_datetime(self.zone.clone())
                .map(|z| z.timestamp().as_millisecond())
        };
        match (start(epoch_day), start(epoch_day + 1)) {
            (Ok(a), Ok(b)) => (b - a) as f64 / HOUR_MS as f64,
            _ => 24.0,
        }
    }

    /// A walk forward in time over the local hours.
    pub fn hours(&self) -> HourWalk<'_> {
        HourWalk { clock: self, from_ms: 0, until_ms: 0, hour: 0 }
    }
}

/// Finds the local hour of instants that mostly go forward, at the cost of a comparison.
#[derive(Clone, Debug)]
pub struct HourWalk<'a> {
    clock: &'a LocalClock,
    from_ms: i64,
    until_ms: i64,
    hour: i64,
}

impl HourWalk<'_> {
    /// The local hour (since 1970-01-01 00:00 local) of an instant, and when it ends.
    #[inline]
    pub fn at(&mut self, at_ms: i64) -> (i64, i64) {
        if at_ms < self.from_ms || at_ms >= self.until_ms {
            self.look_up(at_ms);
        }
        (self.hour, self.until_ms)
    }

    fn look_up(&mut self, at_ms: i64) {
        let k = self.clock.find(at_ms);
        let offset_ms = self.clock.spans.get(k).map_or(0, |s| i64::from(s.1)) * 1000;
        self.hour = (at_ms + offset_ms).div_euclid(HOUR_MS);
        self.from_ms = at_ms;
        self.until_ms = (self.hour + 1) * HOUR_MS - offset_ms;
        if let Some((change_ms, _)) = self.clock.spans.get(k + 1) {
            self.until_ms = self.until_ms.min(*change_ms);
        }
    }
}

/// Hour of the week (0 is Monday 00–01 h) of a local hour since 1970-01-01 00:00.
#[inline]
pub fn hour_of_week(local_hour: i64) -> usize {
    (local_hour + 72).rem_euclid(WEEK_H as i64) as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ms(text: &str) -> i64 {
        text.parse::<Timestamp>().unwrap().as_millisecond()
    }

    fn clock(zone: &str, from: &str, to: &str) -> LocalClock {
        LocalClock::new(&TimeZone::get(zone).unwrap(), ms(from), ms(to)).unwrap()
    }

    #[test]
    fn offsets_follow_transitions() {
        let c = clock("Europe/Berlin", "2026-03-01T00:00:00Z", "2026-11-30T00:00:00Z");
        assert_eq!(c.changes().len(), 2);
        assert_eq!(c.offset_s(ms("2026-03-29T00:59:59Z")), 3600);
        assert_eq!(c.offset_s(ms("2026-03-29T01:00:00Z")), 7200);
        assert_eq!(c.offset_s(ms("2026-10-25T01:00:00Z")), 3600);
        assert_eq!(c.skipped_hours_of_week(), [6 * 24 + 2]);
        let m = c.moment(ms("2026-03-29T01:00:00Z"));
        assert_eq!(m.rfc3339(), "2026-03-29T03:00:00+02:00");
        assert_eq!(m.to_string(), "Sun 2026-03-29 03:00");
    }

    /// A day has 23, 24 or 25 hours; a year of walking agrees with the zone at every hour.
    #[test]
    fn days_have_their_hours() {
        let c = clock("Europe/Berlin", "2026-01-01T00:00:00Z", "2026-12-31T00:00:00Z");
        let day = |text: &str| ms(text).div_euclid(24 * HOUR_MS);
        assert_eq!(c.day_hours(day("2026-03-29T00:00:00Z")), 23.0);
        assert_eq!(c.day_hours(day("2026-03-30T00:00:00Z")), 24.0);
        assert_eq!(c.day_hours(day("2026-10-25T00:00:00Z")), 25.0);
        let mut walk = c.hours();
        for h in 0..8760 {
            let at = ms("2026-01-01T00:00:00Z") + h * HOUR_MS + 60_000;
            let local = at + i64::from(c.offset_s(at)) * 1000;
            let (hour, until) = walk.at(at);
            assert_eq!(hour, local.div_euclid(HOUR_MS));
            assert_eq!(until, at - 60_000 + HOUR_MS);
        }
    }

    #[test]
    fn zones_off_the_hour_keep_their_own_hours() {
        let c = clock("Asia/Kathmandu", "2026-01-01T00:00:00Z", "2026-01-08T00:00:00Z");
        let mut walk = c.hours();
        let (hour, until) = walk.at(ms("2026-01-01T00:20:00Z"));
        assert_eq!(until, ms("2026-01-01T01:15:00Z"), "ends at 07:00 local");
        assert_eq!(hour_of_week(hour), 3 * 24 + 6, "Thursday 06 h");
    }

    #[test]
    fn monday_is_the_first_day() {
        assert_eq!(day_of_week(0), 3);
        assert_eq!(hour_of_week(4 * 24), 0);
        assert_eq!(hour_of_week(-1), 71);
    }
}
