//! Interval data of the utility as CSV: kW and kvar, or kWh and kvarh, with a time each.
//!
//! Columns: `start` or `end` of the interval; `kw` and `kvar` (means) or `kwh` and `kvarh`
//! (energies), lagging positive; `kvar_lead`/`kvarh_lead` where leading has a column of its own;
//! `kw_out`/`kwh_out` given back; `kva`/`kvah` where measured. Times are local to the plant
//! (`2026-03-02 00:15`, `02.03.2026 00:15`) or carry their offset (RFC 3339). Rows that are
//! absent stay uncovered.

use super::table::{RowFault, Table, TableError};
use super::{LoadSeries, Origin};
use jiff::civil::{Date, DateTime, Time};
use jiff::tz::{AmbiguousOffset, TimeZone};
use std::path::Path;

/// Longest and shortest interval, in milliseconds.
const INTERVAL_MS: std::ops::RangeInclusive<i64> = 60_000..=7_200_000;

/// Reads a file into steps of a length.
pub fn load(path: &Path, step_s: u32, zone: &TimeZone) -> Result<LoadSeries, TableError> {
    of_table(&Table::load(path)?, step_s, zone)
}

/// One row: when, and how much.
struct Reading {
    line: usize,
    at_ms: i64,
    /// Taken, given back, lagging, leading, apparent.
    values: [f64; 5],
}

/// Makes a series of a table.
pub fn of_table(table: &Table, step_s: u32, zone: &TimeZone) -> Result<LoadSeries, TableError> {
    let mut faults = Vec::new();
    let columns = Columns::find(table, &mut faults);
    let mut readings: Vec<Reading> = Vec::with_capacity(table.rows().len());
    if faults.is_empty() {
        let mut before = i64::MIN;
        for row in table.rows() {
            match columns.reading(table, row, before, zone) {
                Ok(Some(r)) => {
                    before = r.at_ms;
                    readings.push(r);
                }
                Ok(None) => {}
                Err(message) => faults.push(RowFault { line: row.line, message }),
            }
        }
    }
    if let Some(error) = table.refuse(faults) {
        return Err(error);
    }
    let length_ms = interval(table, &readings)?;
    let (Some(first), Some(last)) = (readings.first(), readings.last()) else {
        return Err(refuse(table, 1, "no row with a value; check the columns"));
    };
    let shift = if columns.ends { length_ms } else { 0 };
    let step_ms = i64::from(step_s) * 1000;
    let first_ms = first.at_ms - shift;
    let last_ms = last.at_ms - shift + length_ms;
    let start_ms = first_ms.div_euclid(step_ms) * step_ms;
    let steps = ((last_ms - start_ms + step_ms - 1) / step_ms) as usize;
    let mut series = LoadSeries::blank(start_ms, step_s, steps, columns.apparent.is_some());
    let hours = length_ms as f64 / 3.6e6;
    let mut less = Vec::new();
    for r in &readings {
        let scale = |k: usize| 1e3 * if columns.energy[k] { 1.0 } else { hours };
        let [p, back, q, lead, s] = std::array::from_fn(|k| r.values[k] * scale(k));
        // A digit of rounding aside, apparent power is never below active power.
        if columns.apparent.is_some() && s < 0.98 * (p - back).abs() - hours * 1e3 {
            less.push(RowFault {
                line: r.line,
                message: format!(
                    "{:.1} kVAh are less than {:.1} kWh, which cannot be; were the columns exchanged?",
                    s / 1e3,
                    (p - back).abs() / 1e3
                ),
            });
        }
        // A single column with a sign stands for two.
        let both = |x: f64, other: f64| (x.max(0.0), other + (-x).max(0.0));
        let ((p_in, p_out), (lag, lead)) = (both(p, back), both(q, lead));
        let from_ms = r.at_ms - shift;
        series.spread_flows(from_ms, from_ms + length_ms, [p_in, p_out, lag, lead, s]);
    }
    if let Some(error) = table.refuse(less) {
        return Err(error);
    }
    let length_s = length_ms as f64 / 1e3;
    series.origin = Origin {
        records: readings.len() as u64,
        record_min_s: length_s,
        record_max_s: length_s,
        first_ms,
        last_ms,
        ..Origin::default()
    };
    Ok(series)
}

fn refuse(table: &Table, line: usize, message: &str) -> TableError {
    TableError::Rows {
        file: table.file.clone(),
        faults: vec![RowFault { line, message: message.to_owned() }],
    }
}

/// The interval between rows; refuses rows that do not stand on it.
fn interval(table: &Table, readings: &[Reading]) -> Result<i64, TableError> {
    let steps = || readings.windows(2).map(|w| (w[1].line, w[1].at_ms - w[0].at_ms));
    let Some(length) = steps().map(|s| s.1).min() else {
        return Err(refuse(table, 1, "one row tells no interval; give at least two"));
    };
    if !INTERVAL_MS.contains(&length) {
        let line = steps().find(|s| s.1 == length).map_or(1, |s| s.0);
        let message = format!(
            "rows are {} min apart; an interval is 1 to 120 min long",
            length as f64 / 60_000.0
        );
        return Err(refuse(table, line, &message));
    }
    let odd: Vec<RowFault> = steps()
        .filter(|s| s.1 % length != 0)
        .map(|(line, gap)| RowFault {
            line,
            message: format!(
                "is {} min after the row before it, while the interval is {} min; correct the \
                 time or remove the row",
                gap as f64 / 60_000.0,
                length as f64 / 60_000.0
            ),
        })
        .collect();
    table.refuse(odd).map_or(Ok(length), Err)
}

/// Largest number of kW, kvar, kVA or their energies that is believed.
const LARGEST: f64 = 1e9;

struct Columns {
    time: usize,
    /// Whether the time is the end of the interval.
    ends: bool,
    /// Columns of: taken, given back, lagging, leading, apparent.
    values: [Option<usize>; 5],
    /// Whether each is an energy.
    energy: [bool; 5],
    apparent: Option<usize>,
}

const NAMES: [[&str; 2]; 5] = [
    ["kw", "kwh"],
    ["kw_out", "kwh_out"],
    ["kvar", "kvarh"],
    ["kvar_lead", "kvarh_lead"],
    ["kva", "kvah"],
];

impl Columns {
    fn find(table: &Table, faults: &mut Vec<RowFault>) -> Columns {
        let mut fault = |message: String| faults.push(RowFault { line: 1, message });
        let (start, end) = (table.column("start"), table.column("end"));
        let (time, ends) = match (start, end) {
            (Some(at), None) => (at, false),
            (None, Some(at)) => (at, true),
            (Some(at), Some(_)) => {
                fault("columns start and end are both there; keep one".into());
                (at, false)
            }
            (None, None) => {
                fault("no column start or end with the time of the interval".into());
                (0, false)
            }
        };
        let mut values = [None; 5];
        let mut energy = [false; 5];
        for (k, names) in NAMES.iter().enumerate() {
            let found = names.map(|n| table.column(n));
            if found.iter().all(Option::is_some) {
                fault(format!("columns {} and {} are both there; keep one", names[0], names[1]));
            }
            values[k] = found[0].or(found[1]);
            energy[k] = found[0].is_none();
        }
        if values[0].is_none() {
            fault("no column kw or kwh".into());
        }
        if values[2].is_none() {
            fault("no column kvar or kvarh; without it there is no power factor to bill".into());
        }
        for name in table.header() {
            let known = NAMES.iter().flatten().any(|n| n == name);
            if !known && !["start", "end", "note", ""].contains(&name.as_str()) {
                fault(format!(
                    "column {name:?} is not known; use start or end, {}, note",
                    NAMES.concat().join(", ")
                ));
            }
        }
        Columns { time, ends, values, energy, apparent: values[4] }
    }

    /// A row's reading; `None` where it has no value.
    fn reading(
        &self,
        table: &Table,
        row: &super::table::Row,
        before: i64,
        zone: &TimeZone,
    ) -> Result<Option<Reading>, String> {
        let text = table.text(row, self.time);
        let at_ms = instant(text, before, zone)?;
        if at_ms == before {
            return Err(format!("{text} is there twice; remove one of the rows"));
        }
        if at_ms < before {
            return Err(format!("{text} is earlier than the row before it; sort the rows by time"));
        }
        let mut values = [0.0; 5];
        for (k, column) in self.values.iter().enumerate() {
            let Some(column) = column else { continue };
            match table.number(row, *column)? {
                Some(x) => values[k] = x,
                None if k == 0 || k == 2 || k == 4 => return Ok(None),
                None => {}
            }
            if values[k].abs() > LARGEST {
                let name = NAMES[k][usize::from(self.energy[k])];
                return Err(format!(
                    "{name} {:e} is more than any supply gives; check the number and its unit",
                    values[k]
                ));
            }
            // kW and kvar of one column may be negative; energies of counters never are.
            let signed =
                (k == 0 && self.values[1].is_none()) || (k == 2 && self.values[3].is_none());
            if values[k] < 0.0 && (self.energy[k] || !signed) {
                let name = NAMES[k][usize::from(self.energy[k])];
                return Err(format!(
                    "{name} {} is negative; put what is given back or leads into a column of its \
                     own ({}_out, {}_lead)",
                    values[k], "kwh", "kvarh"
                ));
            }
        }
        Ok(Some(Reading { line: row.line, at_ms, values }))
    }
}

/// An instant in Unix milliseconds. Where clocks go back, the first of two equal local times comes
/// first.
fn instant(text: &str, before: i64, zone: &TimeZone) -> Result<i64, String> {
    if let Ok(t) = text.parse::<jiff::Timestamp>() {
        return Ok(t.as_millisecond());
    }
    let local = local(text).ok_or_else(|| {
        format!("{text:?} is no time; write 2026-03-02 00:15 or 2026-03-02T00:15:00+01:00")
    })?;
    let ambiguous = zone.to_ambiguous_timestamp(local);
    let outside = |_| format!("{text} is outside the calendar");
    let ms = |t: Result<jiff::Timestamp, jiff::Error>| t.map(|t| t.as_millisecond());
    match ambiguous.offset() {
        AmbiguousOffset::Unambiguous { .. } => ms(ambiguous.compatible()).map_err(outside),
        AmbiguousOffset::Fold { .. } => {
            let first = ms(ambiguous.earlier()).map_err(outside)?;
            if first > before {
                return Ok(first);
            }
            ms(ambiguous.later()).map_err(outside)
        }
        AmbiguousOffset::Gap { .. } => Err(format!(
            "{text} does not exist in the time zone {}: clocks were set forward; give times with \
             their offset (…+01:00), or correct the zone",
            zone.iana_name().unwrap_or("of the site")
        )),
    }
}

/// A local time: ISO, or day first with points; 24:00 is the end of the day.
fn local(text: &str) -> Option<DateTime> {
    let (day, clock) = text.split_once(['T', ' '])?;
    let date: Date = match day.split('.').collect::<Vec<_>>().as_slice() {
        [d, m, y] => Date::new(y.parse().ok()?, m.parse().ok()?, d.parse().ok()?).ok()?,
        _ => day.parse().ok()?,
    };
    let clock = clock.trim();
    if clock == "24:00" || clock == "24:00:00" {
        return Some(date.tomorrow().ok()?.to_datetime(Time::midnight()));
    }
    let mut parts = clock.split(':');
    let mut next = || parts.next().map_or(Some(0), |p| p.parse::<i8>().ok());
    let (h, m, s) = (next()?, next()?, next()?);
    Some(date.to_datetime(Time::new(h, m, s, 0).ok()?))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<LoadSeries, TableError> {
        let zone = TimeZone::get("Europe/Berlin").unwrap();
        of_table(&Table::parse(text, Path::new("data.csv")).unwrap(), 900, &zone)
    }

    fn message(text: &str) -> String {
        read(text).unwrap_err().to_string()
    }

    #[test]
    fn means_and_energies_are_the_same() {
        let a = read("start,kw,kvar\n2026-03-02 00:00,40,-20\n2026-03-02 00:15,80,10\n").unwrap();
        let b =
            read("end;kwh;kvarh;kvarh_lead\n02.03.2026 00:15;10;0;5\n02.03.2026 00:30;20;2,5;0\n")
                .unwrap();
        assert_eq!(a.p_in_wh, [10e3, 20e3]);
        assert_eq!(a.q_lead_varh, [5e3, 0.0]);
        assert_eq!(
            (a.start_ms, &a.p_in_wh, &a.q_lag_varh),
            (b.start_ms, &b.p_in_wh, &b.q_lag_varh)
        );
        assert_eq!(a.q_lead_varh, b.q_lead_varh);
    }

    /// The hour that is there twice in October has eight quarter hours; in March none.
    #[test]
    fn clocks_go_back_and_forth() {
        let mut text = "start,kw,kvar\n".to_owned();
        for clock in [
            "01:45", "02:00", "02:15", "02:30", "02:45", "02:00", "02:15", "02:30", "02:45",
            "03:00",
        ] {
            text += &format!("2026-10-25 {clock},10,5\n");
        }
        let s = read(&text).unwrap();
        assert_eq!(s.len(), 10);
        assert!((0..10).all(|k| s.is_covered(k)));
        let m = message("start,kw,kvar\n2026-03-29 01:45,1,1\n2026-03-29 02:15,1,1\n");
        assert!(m.contains("line 3") && m.contains("does not exist"), "{m}");
    }

    #[test]
    fn faults_name_their_line() {
        let head = "start,kw,kvar\n2026-03-02 00:00,1,1\n2026-03-02 00:15,1,1\n";
        for (rows, words) in [
            ("2026-03-02 00:15,1,1\n", "line 4: 2026-03-02 00:15 is there twice"),
            ("2026-03-02 00:05,1,1\n", "line 4: 2026-03-02 00:05 is earlier"),
            ("2026-03-02 00:40,1,1\n", "line 4: is 25 min after"),
            ("2026-03-02 00:30,x,1\n", "line 4: kw \"x\" is not a number"),
            ("yesterday,1,1\n", "line 4: \"yesterday\" is no time"),
        ] {
            let m = message(&format!("{head}{rows}"));
            assert!(m.contains(words), "{m}");
        }
        assert!(message("start,kw\n2026-03-02 00:00,1\n").contains("kvar"));
        let m = message("start,kwh,kvarh\n2026-03-02 00:00,-1,1\n2026-03-02 00:15,1,1\n");
        assert!(m.contains("line 2: kwh -1 is negative"), "{m}");
        // A row without a value is a gap, not zero.
        let s = read(&format!("{head}2026-03-02 00:30,,\n2026-03-02 00:45,4,4\n")).unwrap();
        assert_eq!(s.covered_s, [900.0, 900.0, 0.0, 900.0]);
    }
}
