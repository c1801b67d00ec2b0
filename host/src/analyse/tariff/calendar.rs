//! Hours of use: which season and period a minute of local time belongs to.
//!
//! Every minute of every kind of day of every season has exactly one period; a file that leaves
//! a gap or overlaps is refused with the hours that it concerns.

use super::error::Fault;
use super::holidays::{DAYS, Holidays, Moved, month_day};
use super::keys::{At, Keys};
use jiff::civil::Date;

/// Minutes of a day.
pub const DAY_MIN: usize = 1440;

/// Kinds of day: Monday to Sunday, and holidays.
pub const KINDS: usize = 8;

/// The kind of day of holidays that have hours of their own.
const HOLIDAY: usize = 7;

/// Most pairs of season and period.
const MAX_SLOTS: usize = 64;

/// A set of pairs of season and period.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SlotMask(pub u64);

impl SlotMask {
    /// Whether a slot is in the set.
    pub fn has(self, slot: usize) -> bool {
        self.0 >> slot & 1 == 1
    }
}

/// Seasons, periods and holidays of a tariff.
#[derive(Clone, Debug, PartialEq)]
pub struct UseCalendar {
    /// Names of the seasons.
    pub seasons: Vec<String>,
    /// Names of the periods.
    pub periods: Vec<String>,
    /// The holidays.
    pub holidays: Holidays,
    /// The kind of day that a holiday counts as.
    holiday_kind: usize,
    /// Season by month and day, 31 entries a month.
    season_of: Vec<u8>,
    /// Period by season, kind of day and minute.
    period_of: Vec<u8>,
    /// Minutes of the day at which a period may begin.
    pub boundaries_min: Vec<u32>,
}

/// A stretch of a day, in minutes.
type Stretch = (usize, usize);

struct PeriodEntry {
    name: String,
    index: u8,
    seasons: Vec<usize>,
    kinds: Vec<usize>,
    hours: Vec<Stretch>,
    rest: bool,
    at: usize,
}

impl UseCalendar {
    /// Number of slots: pairs of season and period.
    pub fn slots(&self) -> usize {
        self.seasons.len() * self.periods.len()
    }

    /// The slot of a season and period.
    pub fn slot(&self, season: usize, period: usize) -> usize {
        season * self.periods.len() + period
    }

    /// All slots.
    pub fn all(&self) -> SlotMask {
        SlotMask(u64::MAX >> (MAX_SLOTS - self.slots().min(MAX_SLOTS)))
    }

    /// For people: `peak in summer`, without what there is only one of.
    pub fn slot_name(&self, slot: usize) -> String {
        let (s, p) = (slot / self.periods.len(), slot % self.periods.len());
        match (self.seasons.len() > 1, self.periods.len() > 1) {
            (true, true) => format!("{} in {}", self.periods[p], self.seasons[s]),
            (true, false) => self.seasons[s].clone(),
            (false, true) => self.periods[p].clone(),
            (false, false) => "all hours".to_owned(),
        }
    }

    /// Season of a date.
    pub fn season(&self, date: Date) -> usize {
        let at = (usize::from(date.month().unsigned_abs()) - 1) * 31
            + usize::from(date.day().unsigned_abs())
            - 1;
        self.season_of.get(at).copied().map_or(0, usize::from)
    }

    /// Slots of a local day by the minute, as period indices, with the season.
    pub fn day(&self, date: Date) -> (usize, &[u8]) {
        let season = self.season(date);
        let weekday = usize::from(date.weekday().to_monday_zero_offset().unsigned_abs());
        let kind = if self.holidays.holds(date) { self.holiday_kind } else { weekday };
        let from = (season * KINDS + kind) * DAY_MIN;
        (season, self.period_of.get(from..from + DAY_MIN).unwrap_or_default())
    }

    /// Reads seasons, holidays and periods of a tariff file.
    pub(super) fn parse(root: &mut Keys<'_>) -> Result<UseCalendar, Fault> {
        let (seasons, season_of) = seasons(root)?;
        let (holidays, treated_as) = holidays(root)?;
        let entries = periods(root, &seasons)?;
        let mut names: Vec<String> = Vec::new();
        for e in &entries {
            if !names.contains(&e.name) {
                names.push(e.name.clone());
            }
        }
        if names.is_empty() {
            names.push("all hours".to_owned());
        }
        if seasons.len() * names.len() > MAX_SLOTS {
            return Err(root.fault("period", "at most 64 pairs of season and period"));
        }
        let own_hours = entries.iter().any(|e| e.kinds.contains(&HOLIDAY) && e.kinds.len() < KINDS);
        let holiday_kind = match treated_as {
            Some(at) if own_hours => {
                return Err(at.fault(
                    "holidays have hours of their own in [[period]] (days = [\"holiday\"]) and \
                     count as another day here; remove one of the two",
                ));
            }
            Some(at) => at.value,
            None => HOLIDAY,
        };
        let mut calendar = UseCalendar {
            seasons,
            periods: names,
            holidays,
            holiday_kind,
            season_of,
            period_of: Vec::new(),
            boundaries_min: Vec::new(),
        };
        calendar.fill(&entries)?;
        Ok(calendar)
    }

    /// Gives every minute its period, and refuses gaps and overlaps.
    fn fill(&mut self, entries: &[PeriodEntry]) -> Result<(), Fault> {
        const NONE: u8 = u8::MAX;
        let count = self.seasons.len() * KINDS * DAY_MIN;
        if entries.is_empty() {
            self.period_of = vec![0; count];
            return Ok(());
        }
        let mut table = vec![NONE; count];
        for rest in [false, true] {
            for e in entries.iter().filter(|e| e.rest == rest) {
                for (&s, &k) in e.seasons.iter().flat_map(|s| e.kinds.iter().map(move |k| (s, k))) {
                    let row = &mut table[(s * KINDS + k) * DAY_MIN..][..DAY_MIN];
                    for &(from, to) in &e.hours {
                        for (minute, cell) in row.iter_mut().enumerate().take(to).skip(from) {
                            if *cell == NONE {
                                *cell = e.index;
                            } else if !rest && *cell != NONE {
                                let other = &self.periods[usize::from(*cell)];
                                return Err(Fault {
                                    at: e.at,
                                    key: format!("period {:?}", e.name),
                                    message: format!(
                                        "{} at {} is in period {other:?} already; every hour \
                                         belongs to one period",
                                        self.day_words(s, k),
                                        clock(minute),
                                    ),
                                });
                            }
                        }
                    }
                }
            }
        }
        for (s, k) in (0..self.seasons.len()).flat_map(|s| (0..KINDS).map(move |k| (s, k))) {
            let needed =
                k != HOLIDAY || (self.holiday_kind == HOLIDAY && !self.holidays.is_empty());
            let row = &table[(s * KINDS + k) * DAY_MIN..][..DAY_MIN];
            let gap = row.iter().position(|c| *c == NONE);
            if let Some(from) = gap.filter(|_| needed) {
                let length = row[from..].iter().take_while(|c| **c == NONE).count();
                let hint = if k == HOLIDAY {
                    "; give [holidays] treated_as = \"sun\", or a period with days = [\"holiday\"]"
                } else {
                    "; extend a period, or add one with rest = true"
                };
                return Err(Fault {
                    at: entries[0].at,
                    key: "period".to_owned(),
                    message: format!(
                        "{} from {} to {} is in no period{hint}",
                        self.day_words(s, k),
                        clock(from),
                        clock(from + length),
                    ),
                });
            }
        }
        let mut bounds: Vec<u32> = entries
            .iter()
            .flat_map(|e| e.hours.iter().flat_map(|(a, b)| [*a as u32, *b as u32]))
            .collect();
        bounds.sort_unstable();
        bounds.dedup();
        self.boundaries_min = bounds;
        self.period_of = table.into_iter().map(|c| if c == NONE { 0 } else { c }).collect();
        Ok(())
    }

    fn day_words(&self, season: usize, kind: usize) -> String {
        let day = DAYS.get(kind).copied().unwrap_or("holiday");
        if self.seasons.len() > 1 {
            format!("season {:?}, {day}", self.seasons[season])
        } else {
            day.to_owned()
        }
    }

    /// Reads which seasons and periods something applies to.
    pub(super) fn mask(&self, keys: &mut Keys<'_>) -> Result<SlotMask, Fault> {
        let mut pick = |key: &str, names: &[String]| -> Result<Vec<usize>, Fault> {
            let Some(list) = keys.texts(key)? else { return Ok((0..names.len()).collect()) };
            named(&list, names)
        };
        let seasons = pick("season", &self.seasons)?;
        let periods = pick("period", &self.periods)?;
        let mut mask = 0;
        for (s, p) in seasons.iter().flat_map(|s| periods.iter().map(move |p| (*s, *p))) {
            mask |= 1 << self.slot(s, p);
        }
        Ok(SlotMask(mask))
    }
}

/// Positions of names in a list of known ones.
fn named(list: &At<Vec<At<String>>>, names: &[String]) -> Result<Vec<usize>, Fault> {
    if list.value.is_empty() {
        return Err(list.fault("an empty list applies to nothing; remove the key"));
    }
    let find = |n: &At<String>| {
        names.iter().position(|k| *k == n.value).ok_or_else(|| {
            n.fault(format!("{:?} is not defined; there is {}", n.value, names.join(", ")))
        })
    };
    list.value.iter().map(find).collect()
}

fn seasons(root: &mut Keys<'_>) -> Result<(Vec<String>, Vec<u8>), Fault> {
    const NONE: u8 = u8::MAX;
    let mut names: Vec<String> = Vec::new();
    let mut of = vec![NONE; 372];
    let tables = root.tables("season")?;
    if tables.is_empty() {
        return Ok((vec!["all year".to_owned()], vec![0; 372]));
    }
    let mut first = None;
    for mut t in tables {
        let text = t.text("name")?;
        let name = needed(&t, text, "name", "give the season a name")?;
        let from = date_of_year(&mut t, "from")?;
        let to = date_of_year(&mut t, "to")?;
        first.get_or_insert_with(|| name.clone());
        let index = names.iter().position(|n| *n == name.value).unwrap_or_else(|| {
            names.push(name.value.clone());
            names.len() - 1
        });
        let mut day = from.value;
        loop {
            if of[day] != NONE {
                return Err(from.fault(format!(
                    "{:02}-{:02} is in season {:?} already; every day belongs to one season",
                    day / 31 + 1,
                    day % 31 + 1,
                    names[usize::from(of[day])]
                )));
            }
            of[day] = index as u8;
            if day == to.value {
                break;
            }
            day = next_day(day);
        }
        t.finish(&["name", "from", "to"])?;
    }
    let gap = (0..372).find(|d| exists(*d) && of[*d] == NONE);
    if let (Some(d), Some(first)) = (gap, first) {
        return Err(first.fault(format!(
            "{:02}-{:02} is in no season; the seasons must cover the year",
            d / 31 + 1,
            d % 31 + 1
        )));
    }
    Ok((names, of))
}

fn exists(day: usize) -> bool {
    Date::new(2024, (day / 31 + 1) as i8, (day % 31 + 1) as i8).is_ok()
}

fn next_day(day: usize) -> usize {
    let mut d = (day + 1) % 372;
    while !exists(d) {
        d = (d + 1) % 372;
    }
    d
}

fn date_of_year(t: &mut Keys<'_>, key: &str) -> Result<At<usize>, Fault> {
    let text = t.text(key)?;
    let at = needed(t, text, key, "give a day of the year such as \"06-01\"")?;
    match month_day(&at.value) {
        Some((m, d)) => {
            Ok(at.map(|_| (m.unsigned_abs() as usize - 1) * 31 + d.unsigned_abs() as usize - 1))
        }
        None => Err(at.fault(format!("{:?} is no day of the year; write it as 06-01", at.value))),
    }
}

/// A value that must be there.
pub(super) fn needed<T>(
    t: &Keys<'_>,
    value: Option<At<T>>,
    key: &str,
    cure: &str,
) -> Result<At<T>, Fault> {
    value.ok_or_else(|| t.fault(key, format!("is missing; {cure}")))
}

fn holidays(root: &mut Keys<'_>) -> Result<(Holidays, Option<At<usize>>), Fault> {
    let mut holidays = Holidays::default();
    let Some(mut t) = root.table("holidays")? else { return Ok((holidays, None)) };
    if let Some(list) = t.texts("dates")? {
        for rule in &list.value {
            if !holidays.add(&rule.value) {
                return Err(rule.fault(format!(
                    "{:?} is no date; write 12-25, 2026-04-03, easter+1 or \"first mon sep\"",
                    rule.value
                )));
            }
        }
    }
    let moved = [
        ("sunday-to-monday", Moved::SundayToMonday),
        ("weekend-to-weekday", Moved::WeekendToWeekday),
    ];
    holidays.moved = t.word("moved", &moved)?.map_or(Moved::No, |m| m.value);
    let days: Vec<(&str, usize)> = DAYS.iter().enumerate().map(|(k, d)| (*d, k)).collect();
    let treated_as = t.word("treated_as", &days)?;
    t.finish(&["dates", "treated_as", "moved"])?;
    Ok((holidays, treated_as))
}

fn periods(root: &mut Keys<'_>, seasons: &[String]) -> Result<Vec<PeriodEntry>, Fault> {
    let mut names: Vec<String> = Vec::new();
    let mut entries = Vec::new();
    for mut t in root.tables("period")? {
        let text = t.text("name")?;
        let name = needed(&t, text, "name", "give the period a name")?;
        let chosen = match t.texts("season")? {
            None => (0..seasons.len()).collect(),
            Some(list) => named(&list, seasons)?,
        };
        let kinds = match t.texts("days")? {
            None => (0..KINDS).collect(),
            Some(list) => days(&list)?,
        };
        let rest = t.flag("rest")?.is_some_and(|r| r.value);
        let hours = match t.texts("hours")? {
            Some(at) if rest => {
                return Err(at.fault("a period with rest = true takes what is left; remove one"));
            }
            Some(list) => {
                let each = list.value.iter().map(stretch).collect::<Result<Vec<_>, _>>()?;
                each.into_iter().flatten().collect()
            }
            None => vec![(0, DAY_MIN)],
        };
        t.finish(&["name", "season", "days", "hours", "rest"])?;
        let index = names.iter().position(|n| *n == name.value).unwrap_or_else(|| {
            names.push(name.value.clone());
            names.len() - 1
        });
        entries.push(PeriodEntry {
            name: name.value,
            index: index as u8,
            seasons: chosen,
            kinds,
            hours,
            rest,
            at: name.at,
        });
    }
    Ok(entries)
}

/// Days by name or range: `mon`, `mon-fri`, `holiday`.
fn days(list: &At<Vec<At<String>>>) -> Result<Vec<usize>, Fault> {
    let mut kinds = Vec::new();
    for day in &list.value {
        let of = |name: &str| DAYS.iter().position(|d| *d == name);
        let range = day.value.split_once('-').and_then(|(a, b)| Some((of(a)?, of(b)?)));
        let found: Vec<usize> = match (range, of(&day.value)) {
            (Some((a, b)), _) if a <= b => (a..=b).collect(),
            (_, Some(k)) => vec![k],
            _ if day.value == "holiday" => vec![HOLIDAY],
            _ => {
                return Err(day.fault(format!(
                    "day {:?} is not known; use mon, tue, wed, thu, fri, sat, sun, a range such \
                     as mon-fri, or holiday",
                    day.value
                )));
            }
        };
        for k in found {
            if kinds.contains(&k) {
                return Err(day.fault("names a day twice"));
            }
            kinds.push(k);
        }
    }
    if kinds.is_empty() {
        return Err(list.fault("an empty list of days applies to nothing; remove the key"));
    }
    Ok(kinds)
}

/// `07:00-21:00`, or over midnight `22:00-06:00`, which is two stretches of the same day.
fn stretch(at: &At<String>) -> Result<Vec<Stretch>, Fault> {
    let minute = |text: &str| {
        let (h, m) = text.trim().split_once(':')?;
        let (h, m): (usize, usize) = (h.parse().ok()?, m.parse().ok()?);
        (m < 60 && h * 60 + m <= DAY_MIN).then_some(h * 60 + m)
    };
    let both = at.value.split_once('-').and_then(|(a, b)| Some((minute(a)?, minute(b)?)));
    match both {
        Some((from, to)) if from < to => Ok(vec![(from, to)]),
        Some((from, to)) if from > to && from < DAY_MIN => {
            Ok([(from, DAY_MIN), (0, to)].into_iter().filter(|(a, b)| a < b).collect())
        }
        _ => Err(at.fault(format!("{:?} is no stretch of the day; write 07:00-21:00", at.value))),
    }
}

/// `07:30` of a minute of the day.
pub fn clock(minute: usize) -> String {
    format!("{:02}:{:02}", minute / 60, minute % 60)
}
