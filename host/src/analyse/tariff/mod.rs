//! The tariff: a TOML file with any combination of the clauses that utilities use, checked.
//!
//! [`Tariff::load`] reads and checks it; every complaint names file, line and key. What it costs
//! is the business of [`crate::analyse::bill`]. A new clause is a variant of [`clause::Clause`],
//! a reader in `charges.rs`, an arm in the bill's pricing, and a section of the documentation.

pub mod calendar;
mod charges;
pub mod clause;
mod error;
pub mod holidays;
mod keys;

pub use error::TariffError;

use crate::site::{Apparent, DemandKind, DemandTerms};
use calendar::{SlotMask, UseCalendar, needed};
use clause::{Charge, Clause};
use error::Fault;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use keys::{At, Keys};
use rust_decimal::Decimal;
use std::path::{Path, PathBuf};
use toml::de::DeTable;
use wattless_core::demand::DemandError;

/// The example tariff of an invented utility, with its entries explained.
pub const MILLRACE: &str = include_str!("../../../tariffs/millrace.toml");

/// A tariff, read and checked.
#[derive(Clone, Debug, PartialEq)]
pub struct Tariff {
    /// The file, for messages.
    pub file: PathBuf,
    /// Name of the tariff.
    pub name: String,
    /// Currency: a code or sign, as it is printed.
    pub currency: String,
    /// Time zone of the tariff's hours, with its IANA name; else the site's.
    pub time_zone: Option<(String, TimeZone)>,
    /// What a billing month is.
    pub months: MonthRule,
    /// How demand is measured.
    pub demand: DemandTerms,
    /// Which power factor the clauses use.
    pub power_factor: PfTerms,
    /// How figures are rounded.
    pub rounding: Rounding,
    /// Seasons, periods, holidays.
    pub calendar: UseCalendar,
    /// The charges, in the order in which they are computed.
    pub charges: Vec<Charge>,
}

/// What a billing month is.
#[derive(Clone, Debug, PartialEq)]
pub enum MonthRule {
    /// The calendar's.
    Calendar,
    /// From a day of the month to the same day of the next (1 to 28), at 00:00.
    ReadingDay(i8),
    /// Between dates at which the meter was read, at 00:00, in order.
    ReadingDates(Vec<Date>),
}

/// Which power factor the clauses use.
#[derive(Clone, Debug, PartialEq)]
pub struct PfTerms {
    /// Over what.
    pub basis: PfBasis,
    /// Share of the month's highest kW from which an interval counts for the lowest PF.
    pub counts_from_share: f64,
    /// Which reactive power counts.
    pub reactive: Reactive,
    /// Decimals that it is rounded to before any clause uses it.
    pub decimals: Option<u32>,
    /// How it is rounded.
    pub rounding: Rounded,
    /// Seasons and periods that count.
    pub slots: SlotMask,
}

/// Over what a power factor is taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PfBasis {
    /// The month's energies.
    Average,
    /// The interval of the highest kW.
    AtPeakKw,
    /// The interval of the highest kVA.
    AtPeakKva,
    /// The interval where it is lowest.
    Lowest,
}

impl PfBasis {
    /// For people.
    pub fn words(self) -> &'static str {
        match self {
            PfBasis::Average => "average of the month, from energies",
            PfBasis::AtPeakKw => "in the interval of the highest kW",
            PfBasis::AtPeakKva => "in the interval of the highest kVA",
            PfBasis::Lowest => "lowest interval that counts",
        }
    }
}

/// Which reactive power counts for a power factor.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reactive {
    /// Lagging only, as a meter with a ratchet counts.
    Lagging,
    /// Lagging less leading.
    Net,
    /// Lagging plus leading.
    Both,
}

/// The direction of a rounding.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Rounded {
    /// To the nearest, halves away from zero.
    Nearest,
    /// Up.
    Up,
    /// Down.
    Down,
}

impl Rounded {
    /// The word in files.
    pub fn word(self) -> &'static str {
        match self {
            Rounded::Nearest => "nearest",
            Rounded::Up => "up",
            Rounded::Down => "down",
        }
    }

    /// Rounds a number to whole steps; a number within 10⁻⁹ of a step is on it.
    pub fn to_step(self, x: f64, step: f64) -> f64 {
        let n = x / step;
        let nearest = libm::round(n);
        let whole = if (n - nearest).abs() < 1e-9 * nearest.abs().max(1.0) {
            nearest
        } else {
            match self {
                Rounded::Nearest => nearest,
                Rounded::Up => libm::ceil(n),
                Rounded::Down => libm::floor(n),
            }
        };
        whole * step
    }
}

/// How figures are rounded.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rounding {
    /// Step of a billed demand, in kW, kVA or kvar.
    pub demand_step: Option<f64>,
    /// How a billed demand is rounded.
    pub demand: Rounded,
    /// Step of energies, in kWh or kvarh.
    pub energy_step: Option<f64>,
    /// How energies are rounded.
    pub energy: Rounded,
    /// Decimals of every amount of money.
    pub money_decimals: u32,
    /// Whether halves go to the even neighbour instead of away from zero.
    pub half_even: bool,
}

impl Rounding {
    /// Rounds money to the tariff's decimals.
    pub fn money(&self, x: Decimal) -> Decimal {
        let how = if self.half_even {
            rust_decimal::RoundingStrategy::MidpointNearestEven
        } else {
            rust_decimal::RoundingStrategy::MidpointAwayFromZero
        };
        x.round_dp_with_strategy(self.money_decimals, how)
    }
}

impl Tariff {
    /// Reads a tariff file.
    pub fn load(path: &Path) -> Result<Tariff, TariffError> {
        let text = std::fs::read_to_string(path)
            .map_err(|source| TariffError::Read { file: path.to_owned(), source })?;
        Tariff::parse(&text, path)
    }

    /// Reads the text of a tariff file; the path is for messages only.
    pub fn parse(text: &str, path: &Path) -> Result<Tariff, TariffError> {
        let entry = |fault: Fault| TariffError::Entry {
            file: path.to_owned(),
            line: line_at(text, fault.at),
            key: fault.key,
            message: fault.message,
        };
        let table = DeTable::parse(text).map_err(|e| {
            entry(Fault {
                at: e.span().map_or(0, |s| s.start),
                key: "the file is not TOML".to_owned(),
                message: e.message().trim().replace('\n', ", "),
            })
        })?;
        let root = Keys::new("", 0, table.get_ref());
        let mut tariff = parse(root).map_err(entry)?;
        tariff.file = path.to_owned();
        for c in &mut tariff.charges {
            c.line = line_at(text, c.line);
        }
        Ok(tariff)
    }

    /// Length of the longest step that every demand interval, boundary of hours and quarter
    /// hour is a multiple of, in seconds.
    pub fn step_s(&self) -> u32 {
        let demand = match self.demand.kind {
            DemandKind::Block => self.demand.interval_s,
            DemandKind::Sliding => self.demand.sub_interval_s,
        };
        let bounds = self.calendar.boundaries_min.iter().map(|m| m * 60);
        bounds.fold(gcd(demand, 900), gcd)
    }

    /// Whether a charge asks for the tariff's power factor.
    pub fn uses_pf(&self) -> bool {
        self.charges.iter().any(|c| c.clause.uses_pf())
    }
}

/// Greatest common divisor; `gcd(x, 0)` is x.
fn gcd(a: u32, b: u32) -> u32 {
    if b == 0 { a } else { gcd(b, a % b) }
}

/// The line, from 1, of a position in a text.
fn line_at(text: &str, at: usize) -> usize {
    1 + text.bytes().take(at).filter(|b| *b == b'\n').count()
}

const SECTIONS: &[&str] = &[
    "name",
    "currency",
    "time_zone",
    "billing",
    "demand",
    "power_factor",
    "rounding",
    "season",
    "holidays",
    "period",
    "charge",
];

fn parse(mut root: Keys<'_>) -> Result<Tariff, Fault> {
    let name = root.text("name")?.map_or_else(|| "tariff".to_owned(), |n| n.value);
    let currency = root.text("currency")?;
    let currency = needed(&root, currency, "currency", "give the currency, such as \"EUR\"")?.value;
    let time_zone = time_zone(&mut root)?;
    let calendar = UseCalendar::parse(&mut root)?;
    let charges = charges::parse(&mut root, &calendar)?;
    let months = months(&mut root)?;
    let says = (root.has("demand"), root.has("power_factor"));
    let demand = demand(&mut root)?;
    let power_factor = power_factor(&mut root, &calendar)?;
    let rounding = rounding(&mut root)?;
    root.finish(SECTIONS)?;
    let missing = |c: &Charge, section: &str, cure: &str| Fault {
        at: c.line,
        key: format!("charge {:?}", c.name),
        message: format!("needs the section [{section}]; {cure}"),
    };
    for c in &charges {
        if c.clause.uses_demand() && !says.0 {
            return Err(missing(c, "demand", "say kind and interval_min of the utility's demand"));
        }
        if c.clause.uses_pf() && !says.1 {
            return Err(missing(c, "power_factor", "say which power factor counts, as basis"));
        }
    }
    Ok(Tariff {
        file: PathBuf::new(),
        name,
        currency,
        time_zone,
        months,
        demand,
        power_factor,
        rounding,
        calendar,
        charges,
    })
}

fn time_zone(root: &mut Keys<'_>) -> Result<Option<(String, TimeZone)>, Fault> {
    let Some(at) = root.text("time_zone")? else { return Ok(None) };
    match TimeZone::get(&at.value) {
        Ok(zone) => Ok(Some((at.value, zone))),
        Err(_) => Err(at.fault(format!(
            "time zone {:?} is not known; use an IANA name such as \"Europe/Berlin\"",
            at.value
        ))),
    }
}

fn months(root: &mut Keys<'_>) -> Result<MonthRule, Fault> {
    let Some(mut t) = root.table("billing")? else { return Ok(MonthRule::Calendar) };
    let day = t.whole("reading_day", 1, 28)?;
    let dates = t.texts("reading_dates")?;
    t.finish(&["reading_day", "reading_dates"])?;
    match (day, dates) {
        (Some(at), Some(_)) => Err(at.fault("and reading_dates say the same; use one")),
        (Some(at), None) => Ok(match at.value {
            1 => MonthRule::Calendar,
            day => MonthRule::ReadingDay(day as i8),
        }),
        (None, Some(list)) => {
            let mut dates: Vec<Date> = Vec::new();
            for text in &list.value {
                let date: Date = text.value.parse().map_err(|_| {
                    text.fault(format!("{:?} is no date; write 2026-01-14", text.value))
                })?;
                if dates.last().is_some_and(|d| *d >= date) {
                    return Err(text.fault("dates must rise"));
                }
                dates.push(date);
            }
            if dates.len() < 2 {
                return Err(list.fault("give at least two dates: start and end of a month"));
            }
            Ok(MonthRule::ReadingDates(dates))
        }
        (None, None) => Ok(MonthRule::Calendar),
    }
}

fn demand(root: &mut Keys<'_>) -> Result<DemandTerms, Fault> {
    let mut t = root.table("demand")?.unwrap_or_else(|| Keys::none("demand"));
    let there = root.has("demand");
    let kind = t.word("kind", &[("block", DemandKind::Block), ("sliding", DemandKind::Sliding)])?;
    let interval = t.whole("interval_min", 1, 120)?;
    let sub = t.whole("sub_interval_min", 1, 120)?;
    let apparent = [Apparent::Vector, Apparent::Arithmetic, Apparent::Effective];
    let apparent = t.word("apparent_power", &apparent.map(|a| (a.name(), a)))?;
    let kind_value = kind.as_ref().map_or(DemandKind::Block, |k| k.value);
    if there && interval.is_none() {
        return Err(t.fault("interval_min", "is missing; give the demand interval, such as 15"));
    }
    if let Some(at) = sub.as_ref().filter(|_| kind_value == DemandKind::Block) {
        return Err(at.fault("belongs to kind = \"sliding\"; change the kind or remove it"));
    }
    if kind_value == DemandKind::Sliding && sub.is_none() {
        return Err(
            t.fault("sub_interval_min", "is missing; give the step of the sliding interval")
        );
    }
    let interval_s = interval.as_ref().map_or(900, |i| i.value * 60);
    if let Some(at) = interval.as_ref().filter(|i| 1440 % i.value != 0) {
        return Err(at.fault("does not divide the day; a demand interval starts at midnight"));
    }
    let sub_interval_s = sub.as_ref().map_or(interval_s, |s| s.value * 60);
    if let Err(e) = wattless_core::demand::DemandRule::sliding(interval_s, sub_interval_s) {
        let at = match e {
            DemandError::Sub => sub.as_ref().or(interval.as_ref()),
            DemandError::Interval => interval.as_ref(),
        };
        return Err(
            at.map_or_else(|| t.fault("", e.to_string()), |a: &At<u32>| a.fault(e.to_string()))
        );
    }
    t.finish(&["kind", "interval_min", "sub_interval_min", "apparent_power"])?;
    Ok(DemandTerms {
        kind: kind_value,
        interval_s,
        sub_interval_s,
        apparent: apparent.map_or(Apparent::Vector, |a| a.value),
    })
}

fn power_factor(root: &mut Keys<'_>, calendar: &UseCalendar) -> Result<PfTerms, Fault> {
    let there = root.has("power_factor");
    let mut t = root.table("power_factor")?.unwrap_or_else(|| Keys::none("power_factor"));
    let words = [
        ("average", PfBasis::Average),
        ("at-peak-kw", PfBasis::AtPeakKw),
        ("at-peak-kva", PfBasis::AtPeakKva),
        ("lowest", PfBasis::Lowest),
    ];
    let basis = t.word("basis", &words)?;
    if there && basis.is_none() {
        return Err(t.fault("basis", "is missing; use \"average\", \"at-peak-kw\" or \"lowest\""));
    }
    let basis = basis.map_or(PfBasis::Average, |b| b.value);
    let from = t.number("counts_from_share")?;
    if let Some(at) = from.as_ref().filter(|f| !(0.0..=1.0).contains(&f.value)) {
        return Err(at.fault("is not a share; give a number from 0 to 1"));
    }
    if let Some(at) = from.as_ref().filter(|_| basis != PfBasis::Lowest) {
        return Err(at.fault("belongs to basis = \"lowest\"; change the basis or remove it"));
    }
    let words = [("lagging", Reactive::Lagging), ("net", Reactive::Net), ("both", Reactive::Both)];
    let reactive = t.word("reactive", &words)?.map_or(Reactive::Lagging, |r| r.value);
    let decimals = t.whole("decimals", 1, 6)?.map(|d| d.value);
    let how = t.word("rounding", &ROUNDED)?;
    if let Some(at) = how.as_ref().filter(|_| decimals.is_none()) {
        return Err(at.fault("needs decimals; give them, or remove it"));
    }
    let slots = calendar.mask(&mut t)?;
    t.finish(&[
        "basis",
        "counts_from_share",
        "reactive",
        "decimals",
        "rounding",
        "season",
        "period",
    ])?;
    Ok(PfTerms {
        basis,
        counts_from_share: from.map_or(0.25, |f| f.value),
        reactive,
        decimals,
        rounding: how.map_or(Rounded::Nearest, |h| h.value),
        slots,
    })
}

const ROUNDED: [(&str, Rounded); 3] =
    [("nearest", Rounded::Nearest), ("up", Rounded::Up), ("down", Rounded::Down)];

fn rounding(root: &mut Keys<'_>) -> Result<Rounding, Fault> {
    let mut t = root.table("rounding")?.unwrap_or_else(|| Keys::none("rounding"));
    let mut step = |key: &str| -> Result<Option<f64>, Fault> {
        let Some(at) = t.number(key)? else { return Ok(None) };
        Ok(Some(at.check(|x| *x > 0.0, "must be above 0")?.value))
    };
    let (demand_step, energy_step) = (step("demand_step")?, step("energy_step")?);
    let demand = t.word("demand", &ROUNDED)?;
    let energy = t.word("energy", &ROUNDED)?;
    for (how, step, key) in
        [(&demand, demand_step, "demand_step"), (&energy, energy_step, "energy_step")]
    {
        if let Some(at) = how.as_ref().filter(|_| step.is_none()) {
            return Err(at.fault(format!("needs {key}; give it, or remove this")));
        }
    }
    let money_decimals = t.whole("money_decimals", 0, 6)?.map_or(2, |d| d.value);
    let half_even =
        t.word("money", &[("half-up", false), ("half-even", true)])?.is_some_and(|h| h.value);
    t.finish(&["demand_step", "demand", "energy_step", "energy", "money_decimals", "money"])?;
    Ok(Rounding {
        demand_step,
        demand: demand.map_or(Rounded::Nearest, |r| r.value),
        energy_step,
        energy: energy.map_or(Rounded::Nearest, |r| r.value),
        money_decimals,
        half_even,
    })
}

impl Clause {
    /// Whether the line is one that power factor alone brings about.
    pub fn is_power_factor(&self) -> bool {
        matches!(
            self,
            Clause::Kvar(_) | Clause::Kvarh(_) | Clause::PfPercent(_) | Clause::PfTable(_)
        )
    }
}

#[cfg(test)]
mod tests;
