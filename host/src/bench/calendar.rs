//! Working hours in the site's time zone: from shifts, weekdays and holidays to spans of time.

use super::scenario::{Day, Scenario, Shift, instant};
use jiff::civil::{Date, Weekday};
use jiff::{Timestamp, ToSpan, tz::TimeZone};

/// A stretch of time in Unix milliseconds, end exclusive.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Stretch {
    /// First millisecond.
    pub from_ms: i64,
    /// First millisecond after it.
    pub to_ms: i64,
}

impl Stretch {
    /// The part within another stretch, if there is one.
    pub fn within(self, other: Stretch) -> Option<Stretch> {
        let s = Stretch {
            from_ms: self.from_ms.max(other.from_ms),
            to_ms: self.to_ms.min(other.to_ms),
        };
        (s.from_ms < s.to_ms).then_some(s)
    }
}

/// When something works, and the pauses in it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct WorkingHours {
    /// Stretches of work in order, apart from each other.
    pub work: Vec<Stretch>,
    /// Pauses in order.
    pub pauses: Vec<Stretch>,
}

/// The hours of the named shifts together; shifts that touch run on without a stop.
pub fn working_hours(scenario: &Scenario, names: &[String]) -> WorkingHours {
    let zone = scenario.zone();
    let (start, end) = scenario.bounds();
    let days = || {
        // A shift that began the evening before reaches into the span.
        let first = zone.to_datetime(start).date().saturating_sub(1.day());
        let last = zone.to_datetime(end).date();
        first.series(1.day()).take_while(move |d| *d <= last)
    };
    let mut hours = WorkingHours::default();
    for shift in scenario.shift.iter().filter(|s| names.contains(&s.name)) {
        for date in days().filter(|d| works_on(shift, *d, &scenario.plant.holidays)) {
            add_shift(&mut hours, shift, date, &zone);
        }
    }
    hours.work = joined(hours.work);
    hours.pauses = joined(hours.pauses);
    hours
}

fn works_on(shift: &Shift, date: Date, holidays: &[Date]) -> bool {
    let day = match date.weekday() {
        Weekday::Monday => Day::Mon,
        Weekday::Tuesday => Day::Tue,
        Weekday::Wednesday => Day::Wed,
        Weekday::Thursday => Day::Thu,
        Weekday::Friday => Day::Fri,
        Weekday::Saturday => Day::Sat,
        Weekday::Sunday => Day::Sun,
    };
    shift.days.contains(&day) && !holidays.contains(&date)
}

fn add_shift(hours: &mut WorkingHours, shift: &Shift, date: Date, zone: &TimeZone) {
    let next = date.saturating_add(1.day());
    // Times before the shift's start belong to the day after.
    let at = |time: jiff::civil::Time, end: bool| -> Timestamp {
        let over = time < shift.from || (end && time <= shift.from);
        instant(zone, if over { next } else { date }.to_datetime(time))
    };
    let stretch = |from: Timestamp, to: Timestamp| Stretch {
        from_ms: from.as_millisecond(),
        to_ms: to.as_millisecond(),
    };
    hours.work.push(stretch(at(shift.from, false), at(shift.to, true)));
    for [from, to] in &shift.pauses {
        hours.pauses.push(stretch(at(*from, false), at(*to, true)));
    }
}

/// Sorts stretches and joins those that touch or overlap.
fn joined(mut stretches: Vec<Stretch>) -> Vec<Stretch> {
    stretches.retain(|s| s.from_ms < s.to_ms);
    stretches.sort_unstable();
    let mut out: Vec<Stretch> = Vec::new();
    for s in stretches {
        match out.last_mut() {
            Some(last) if s.from_ms <= last.to_ms => last.to_ms = last.to_ms.max(s.to_ms),
            _ => out.push(s),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn scenario(start: &str, shifts: &str) -> Scenario {
        let text = format!(
            "[plant]\nname = \"Brackwater Joinery\"\nfeeder = \"f\"\n\
             time_zone = \"Europe/Copenhagen\"\nholidays = [\"2026-04-03\"]\n\
             [span]\nstart = \"{start}\"\n\
             [supply]\nnominal_v = 400.0\nnominal_hz = 50.0\nwiring = \"four-wire\"\n{shifts}"
        );
        Scenario::parse(&text, "test").unwrap()
    }

    const DAY: &str = "[[shift]]\nname = \"day\"\ndays = [\"mon\",\"tue\",\"wed\",\"thu\",\"fri\"]\n\
                       from = \"06:00\"\nto = \"14:00\"\npauses = [[\"09:00\", \"09:15\"]]\n";
    const LATE: &str =
        "[[shift]]\nname = \"late\"\ndays = [\"mon\"]\nfrom = \"14:00\"\nto = \"01:00\"\n";
    const NIGHT: &str =
        "[[shift]]\nname = \"night\"\ndays = [\"sat\"]\nfrom = \"22:00\"\nto = \"06:00\"\n";

    const HOUR_MS: i64 = 3_600_000;

    fn local(stretch: Stretch) -> (String, String) {
        let show = |ms| {
            let t = Timestamp::from_millisecond(ms).unwrap();
            TimeZone::get("Europe/Copenhagen")
                .unwrap()
                .to_datetime(t)
                .strftime("%a %H:%M")
                .to_string()
        };
        (show(stretch.from_ms), show(stretch.to_ms))
    }

    #[test]
    fn shifts_run_on_weekdays_only_and_not_on_holidays() {
        // 30 March 2026 is a Monday, 3 April of that year a holiday in the file.
        let s = scenario("2026-03-30", DAY);
        let hours = working_hours(&s, &["day".into()]);
        let names: Vec<String> = hours.work.iter().map(|w| local(*w).0).collect();
        // The Sunday before the span is looked at too, and the Monday on which it ends.
        let within: Vec<&str> =
            names.iter().filter(|n| n.ends_with("06:00")).map(|n| &n[..3]).collect();
        assert_eq!(within, ["Mon", "Tue", "Wed", "Thu", "Mon"]);
        assert_eq!(local(hours.pauses[0]), ("Mon 09:00".into(), "Mon 09:15".into()));
    }

    #[test]
    fn touching_shifts_join_and_may_pass_midnight() {
        let s = scenario("2026-03-30", &format!("{DAY}{LATE}"));
        let hours = working_hours(&s, &["day".into(), "late".into()]);
        assert_eq!(local(hours.work[0]), ("Mon 06:00".into(), "Tue 01:00".into()));
    }

    /// European clocks go forward on 29 March and back on 25 October 2026.
    #[test]
    fn nights_of_clock_changes_are_shorter_and_longer() {
        for (start, hours_long, week) in
            [("2026-03-23", 7, 167), ("2026-10-19", 9, 169), ("2026-05-04", 8, 168)]
        {
            let s = scenario(start, NIGHT);
            let (from, to) = s.bounds();
            assert_eq!((to.as_second() - from.as_second()) / 3600, week, "{start}");
            let night = working_hours(&s, &["night".into()]).work;
            let last = night.last().unwrap();
            assert_eq!(last.to_ms - last.from_ms, hours_long * HOUR_MS, "{start}");
            assert_eq!(local(*last), ("Sat 22:00".into(), "Sun 06:00".into()));
        }
    }
}
