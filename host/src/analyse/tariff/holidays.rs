//! Days that a tariff treats apart: fixed dates, dates tied to Easter, the n-th weekday of a month.

use jiff::ToSpan;
use jiff::civil::{Date, Weekday};

/// Days of the week as files name them, Monday first.
pub const DAYS: [&str; 7] = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"];

const MONTHS: [&str; 12] =
    ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"];

/// One rule for a holiday.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Rule {
    /// A month and day of every year.
    Yearly(i8, i8),
    /// A day of one year.
    Once(Date),
    /// Days after Easter Sunday of the western churches.
    Easter(i32),
    /// The n-th weekday of a month (−1: the last).
    Nth(i8, Weekday, i8),
}

/// What happens to a holiday that falls on a weekend.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Moved {
    /// It stays where it is.
    #[default]
    No,
    /// From Sunday to Monday.
    SundayToMonday,
    /// From Saturday to Friday and from Sunday to Monday.
    WeekendToWeekday,
}

/// The holidays of a tariff.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Holidays {
    rules: Vec<Rule>,
    pub(super) moved: Moved,
}

impl Holidays {
    /// Adds a rule such as `12-25`, `2026-04-03`, `easter+1`, `first mon sep`; false if it is none.
    pub(super) fn add(&mut self, text: &str) -> bool {
        let rule = parse(text);
        self.rules.extend(rule);
        rule.is_some()
    }

    /// Whether there is no rule.
    pub fn is_empty(&self) -> bool {
        self.rules.is_empty()
    }

    /// Whether a date is a holiday.
    pub fn holds(&self, date: Date) -> bool {
        let by_rule = |d: Date| self.rules.iter().any(|r| r.holds(d));
        let shift = |days: i64| date.checked_add(days.days()).is_ok_and(by_rule);
        by_rule(date)
            || match (self.moved, date.weekday()) {
                (Moved::SundayToMonday | Moved::WeekendToWeekday, Weekday::Monday) => shift(-1),
                (Moved::WeekendToWeekday, Weekday::Friday) => shift(1),
                _ => false,
            }
    }
}

impl Rule {
    fn holds(&self, date: Date) -> bool {
        match *self {
            Rule::Yearly(month, day) => date.month() == month && date.day() == day,
            Rule::Once(day) => date == day,
            Rule::Easter(after) => easter(date.year())
                .and_then(|e| e.checked_add(i64::from(after).days()).ok())
                .is_some_and(|d| d == date),
            Rule::Nth(month, weekday, n) => {
                date.month() == month
                    && date.nth_weekday_of_month(n, weekday).is_ok_and(|d| d == date)
            }
        }
    }
}

fn parse(text: &str) -> Option<Rule> {
    let text = text.trim();
    if let Some(rest) = text.strip_prefix("easter") {
        let rest = rest.replace(' ', "");
        let days = if rest.is_empty() { 0 } else { rest.parse().ok()? };
        return (-100..=100).contains(&days).then_some(Rule::Easter(days));
    }
    if let Ok(date) = text.parse::<Date>() {
        return Some(Rule::Once(date));
    }
    if let Some((month, day)) = month_day(text) {
        return Some(Rule::Yearly(month, day));
    }
    let words: Vec<&str> = text.split_whitespace().collect();
    let [nth, day, month] = words.as_slice() else { return None };
    let nth = match *nth {
        "first" => 1,
        "second" => 2,
        "third" => 3,
        "fourth" => 4,
        "last" => -1,
        _ => return None,
    };
    let month = MONTHS.iter().position(|m| m == month)? as i8 + 1;
    let day = DAYS.iter().position(|d| d == day)? as i8 + 1;
    Some(Rule::Nth(month, Weekday::from_monday_one_offset(day).ok()?, nth))
}

/// A day of every year, `MM-DD`; 29 February is one.
pub(super) fn month_day(text: &str) -> Option<(i8, i8)> {
    let (month, day) = text.split_once('-')?;
    let (month, day): (i8, i8) = (month.parse().ok()?, day.parse().ok()?);
    Date::new(2024, month, day).ok().map(|_| (month, day))
}

/// Easter Sunday of the Gregorian calendar, by the anonymous algorithm
/// (Meeus, Astronomical Algorithms, ch. 8; from memory, checked against known dates).
fn easter(year: i16) -> Option<Date> {
    let y = i32::from(year);
    let (a, b, c) = (y % 19, y / 100, y % 100);
    let (d, e) = (b / 4, b % 4);
    let f = (b + 8) / 25;
    let g = (b - f + 1) / 3;
    let h = (19 * a + b - d - g + 15) % 30;
    let (i, k) = (c / 4, c % 4);
    let l = (32 + 2 * e + 2 * i - h - k) % 7;
    let m = (a + 11 * h + 22 * l) / 451;
    let n = h + l - 7 * m + 114;
    Date::new(year, i8::try_from(n / 31).ok()?, i8::try_from(n % 31 + 1).ok()?).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> Date {
        text.parse().unwrap()
    }

    /// Dates of Easter as almanacs print them (from memory): 2024-03-31, 2025-04-20, 2026-04-05,
    /// 2038-04-25 (the latest possible), 1818-03-22 (the earliest).
    #[test]
    fn easter_falls_where_almanacs_say() {
        for text in ["2024-03-31", "2025-04-20", "2026-04-05", "2038-04-25", "1818-03-22"] {
            assert_eq!(easter(day(text).year()), Some(day(text)));
        }
    }

    #[test]
    fn rules_hold_on_their_days() {
        let mut h = Holidays::default();
        for rule in ["12-25", "easter+1", "easter-2", "first mon sep", "last mon may", "2026-06-04"]
        {
            assert!(h.add(rule), "{rule}");
        }
        for yes in
            ["2026-12-25", "2026-04-06", "2026-04-03", "2026-09-07", "2026-05-25", "2026-06-04"]
        {
            assert!(h.holds(day(yes)), "{yes}");
        }
        for no in ["2026-12-24", "2026-04-05", "2026-09-14", "2026-05-18", "2027-06-04"] {
            assert!(!h.holds(day(no)), "{no}");
        }
        for bad in ["13-01", "02-30", "easter+x", "fifth mon sep", "first moon sep", ""] {
            assert!(!h.add(bad), "{bad}");
        }
    }

    #[test]
    fn holidays_move_off_the_weekend() {
        let mut h = Holidays::default();
        assert!(h.add("07-04"));
        // 2026-07-04 is a Saturday, 2027-07-04 a Sunday.
        assert!(!h.holds(day("2026-07-03")) && !h.holds(day("2027-07-05")));
        h.moved = Moved::WeekendToWeekday;
        assert!(h.holds(day("2026-07-03")) && h.holds(day("2027-07-05")));
        h.moved = Moved::SundayToMonday;
        assert!(!h.holds(day("2026-07-03")) && h.holds(day("2027-07-05")));
    }
}
