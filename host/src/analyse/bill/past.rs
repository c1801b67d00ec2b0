//! Past bills as CSV: the first evidence. Each is reproduced from its own figures.

use super::months::{MonthFrame, frame, month_of};
use super::price::price;
use super::quantities::{Figures, MonthQuantities, Peak, PowerFactors, SlotFigures};
use super::{Bill, BillMonth};
use crate::analyse::series::table::{Row, RowFault, Table, TableError};
use crate::analyse::tariff::clause::{Clause, Direction};
use crate::analyse::tariff::{MonthRule, PfBasis, Tariff};
use jiff::civil::Date;
use jiff::tz::TimeZone;
use rust_decimal::Decimal;
use std::path::Path;
use std::str::FromStr;
use wattless_core::correction::{power_factor, tan_of_pf};

/// By how much a stated power factor may differ from that of the energies before it is told.
const PF_ROUNDING: f64 = 0.011;

/// Bills of a utility, one a month.
#[derive(Clone, Debug, PartialEq)]
pub struct PastBills {
    /// The bills in order of time.
    pub bills: Vec<PastBill>,
}

/// One bill.
#[derive(Clone, Debug, PartialEq)]
pub struct PastBill {
    /// Line in the file.
    pub line: usize,
    /// Its quantities.
    pub quantities: MonthQuantities,
    /// What was taken from other figures since the bill does not state it, in words.
    pub assumed: Vec<String>,
    /// The total that it states.
    pub total: Option<Decimal>,
    /// The power-factor charge that it states.
    pub pf_charge: Option<Decimal>,
    /// Amounts of charges that it states, by position in the tariff.
    pub charges: Vec<(usize, Decimal)>,
}

/// A bill against what the tariff file makes of its figures.
#[derive(Clone, Debug, PartialEq)]
pub struct Comparison {
    /// The total of the bill.
    pub billed_total: Option<Decimal>,
    /// Computed less billed.
    pub total_difference: Option<Decimal>,
    /// The power-factor charge of the bill.
    pub billed_pf_charge: Option<Decimal>,
    /// What the tariff's power-factor clauses come to, before taxes: lines that power factor
    /// alone brings about, and of an adjusted demand its part above no adjustment.
    pub computed_pf_charge: Option<Decimal>,
    /// Computed less billed.
    pub pf_charge_difference: Option<Decimal>,
    /// By charge of the tariff: computed less billed.
    pub charge_differences: Vec<(String, Option<Decimal>)>,
    /// What was taken from other figures, in words.
    pub assumed: Vec<String>,
}

/// Past bills priced anew.
#[derive(Clone, Debug, PartialEq)]
pub struct Reproduction {
    /// The bill that the tariff file makes of their figures.
    pub bill: Bill,
    /// Month by month, how it compares.
    pub comparisons: Vec<Comparison>,
}

impl PastBills {
    /// Reads a file.
    pub fn load(path: &Path, tariff: &Tariff, zone: &TimeZone) -> Result<PastBills, TableError> {
        PastBills::of_table(&Table::load(path)?, tariff, zone)
    }

    /// Reads a table.
    pub fn of_table(
        table: &Table,
        tariff: &Tariff,
        zone: &TimeZone,
    ) -> Result<PastBills, TableError> {
        let mut faults = Vec::new();
        let columns = Columns::find(table, tariff, &mut faults);
        let mut bills: Vec<PastBill> = Vec::new();
        for row in table.rows() {
            match columns.bill(table, row, tariff, zone) {
                Ok(bill) => {
                    if let Some(before) = bills.last()
                        && let Some(message) = follows(before, &bill)
                    {
                        faults.push(RowFault { line: row.line, message });
                    }
                    bills.push(bill);
                }
                Err(mut row_faults) => faults.append(&mut row_faults),
            }
        }
        match table.refuse(faults) {
            Some(error) => Err(error),
            None => Ok(PastBills { bills }),
        }
    }

    /// The quantities of every bill, as history for ratchets.
    pub fn quantities(&self) -> Vec<MonthQuantities> {
        self.bills.iter().map(|b| b.quantities.clone()).collect()
    }

    /// Prices every bill from its own figures and compares.
    pub fn reproduce(&self, tariff: &Tariff) -> Reproduction {
        let bill = price(tariff, &self.quantities(), &[]);
        let comparisons =
            self.bills.iter().zip(&bill.months).map(|(b, m)| b.compare(m, tariff)).collect();
        Reproduction { bill, comparisons }
    }
}

impl PastBill {
    fn compare(&self, month: &BillMonth, tariff: &Tariff) -> Comparison {
        let less = |a: Option<Decimal>, b: Option<Decimal>| a.zip(b).map(|(a, b)| a - b);
        let computed_pf_charge = pf_charge(month, tariff);
        let of_charge = |(k, billed): &(usize, Decimal)| {
            let line = month.lines.iter().find(|l| l.charge == *k);
            let name = tariff.charges.get(*k).map_or("", |c| c.name.as_str());
            (name.to_owned(), less(line.and_then(|l| l.amount), Some(*billed)))
        };
        Comparison {
            billed_total: self.total,
            total_difference: less(month.total, self.total),
            billed_pf_charge: self.pf_charge,
            computed_pf_charge,
            pf_charge_difference: less(computed_pf_charge, self.pf_charge),
            charge_differences: self.charges.iter().map(of_charge).collect(),
            assumed: self.assumed.clone(),
        }
    }
}

/// What a month's power-factor clauses come to, before taxes.
pub fn pf_charge(month: &BillMonth, tariff: &Tariff) -> Option<Decimal> {
    let of_line = |l: &super::BillLine| match tariff.charges.get(l.charge).map(|c| &c.clause) {
        Some(c) if c.is_power_factor() => Some(l.amount),
        Some(Clause::Demand(d)) if d.adjustment.is_some() || d.share_of_kva.is_some() => {
            Some(l.power_factor_part)
        }
        _ => None,
    };
    month.lines.iter().filter_map(of_line).sum()
}

/// What is wrong between two bills in the order of the file.
fn follows(before: &PastBill, bill: &PastBill) -> Option<String> {
    let (a, b) = (&before.quantities.frame, &bill.quantities.frame);
    if b.first_day < a.end_day {
        let what = if a.label == b.label { "is there twice" } else { "overlaps the one before" };
        return Some(format!(
            "{} {what} (line {}); keep one row a month, in order of time",
            b.label, before.line
        ));
    }
    (b.first_day > a.end_day).then(|| {
        format!(
            "the bills from {} to {} are missing between lines {} and {}; add them, or a row with \
             the month and empty cells to say that they are not known",
            a.end_day, b.first_day, before.line, bill.line
        )
    })
}

/// A quantity in total and by period.
#[derive(Clone, Debug, Default)]
struct Quantity {
    name: &'static str,
    total: Option<usize>,
    periods: Vec<Option<usize>>,
}

/// What a row says of a quantity.
#[derive(Clone, Debug, Default)]
struct Said {
    total: Option<f64>,
    periods: Vec<Option<f64>>,
}

struct Columns {
    month: Option<usize>,
    from: Option<usize>,
    to: Option<usize>,
    kwh: Quantity,
    kvarh: Quantity,
    kvarh_lead: Quantity,
    kw: Quantity,
    kva: Quantity,
    kvar: Quantity,
    pf: Option<usize>,
    pf_percent: Option<usize>,
    total: Option<usize>,
    pf_charge: Option<usize>,
    charges: Vec<(usize, usize)>,
}

/// What one row says, before anything is taken from anything.
struct Stated {
    kwh: Said,
    kvarh: Said,
    kvarh_lead: Said,
    kw: Said,
    kva: Said,
    kvar: Said,
    pf: Option<f64>,
}

impl Columns {
    fn find(table: &Table, tariff: &Tariff, faults: &mut Vec<RowFault>) -> Columns {
        let mut known: Vec<usize> = Vec::new();
        let mut find = |name: &str| {
            let at = table.column(name);
            known.extend(at);
            at
        };
        let periods: Vec<String> =
            tariff.calendar.periods.iter().map(|p| p.to_lowercase()).collect();
        let mut quantity = |name: &'static str| Quantity {
            name,
            total: find(name),
            periods: periods.iter().map(|p| find(&format!("{name}_{p}"))).collect(),
        };
        let (kwh, kvarh, kvarh_lead) = (quantity("kwh"), quantity("kvarh"), quantity("kvarh_lead"));
        let (kw, kva, kvar) = (quantity("kw"), quantity("kva"), quantity("kvar"));
        let columns = Columns {
            kwh,
            kvarh,
            kvarh_lead,
            kw,
            kva,
            kvar,
            month: find("month"),
            from: find("from"),
            to: find("to"),
            pf: find("pf"),
            pf_percent: find("pf_percent"),
            total: find("total"),
            pf_charge: find("pf_charge"),
            charges: tariff
                .charges
                .iter()
                .enumerate()
                .filter_map(|(k, c)| Some((k, find(&format!("charge:{}", c.name.to_lowercase()))?)))
                .collect(),
        };
        for (at, name) in table.header().iter().enumerate() {
            if !known.contains(&at) && !name.is_empty() && name != "note" {
                faults.push(RowFault {
                    line: 1,
                    message: format!(
                        "column {name:?} is not known; use month (or from, to), kwh, kvarh, \
                         kvarh_lead, kw, kva, kvar (each also as kwh_PERIOD), pf or pf_percent, \
                         total, pf_charge, charge:NAME of a charge of the tariff, note"
                    ),
                });
            }
        }
        if columns.month.is_none() && (columns.from.is_none() || columns.to.is_none()) {
            let message = "no column month (2026-03), nor from and to (2026-02-14)".to_owned();
            faults.push(RowFault { line: 1, message });
        }
        columns
    }

    fn days(
        &self,
        table: &Table,
        row: &Row,
        tariff: &Tariff,
    ) -> Result<(Date, Date, String), String> {
        if let (Some(from), Some(to)) = (self.from, self.to) {
            let day = |at| {
                let text = table.text(row, at);
                text.parse::<Date>().map_err(|_| format!("{text:?} is no date; write 2026-02-14"))
            };
            let (from, to) = (day(from)?, day(to)?);
            let days = from.until(to).map_or(0, |s| s.get_days());
            if !(1..=400).contains(&days) {
                return Err(format!(
                    "{from} to {to} is no billing month; \"to\" is the day after the last"
                ));
            }
            return Ok((from, to, format!("{from}..{to}")));
        }
        let text = self.month.map_or("", |at| table.text(row, at));
        let first = format!("{text}-01").parse::<Date>();
        let first = first.map_err(|_| format!("{text:?} is no month; write 2026-03"))?;
        let rule = match &tariff.months {
            MonthRule::ReadingDay(day) => MonthRule::ReadingDay(*day),
            _ => MonthRule::Calendar,
        };
        let day = match &rule {
            MonthRule::ReadingDay(d) => Date::new(first.year(), first.month(), *d).unwrap_or(first),
            _ => first,
        };
        let found =
            month_of(day, &rule).ok_or_else(|| format!("{text:?} is outside the calendar"))?;
        Ok((found.0, found.1, text.to_owned()))
    }

    fn bill(
        &self,
        table: &Table,
        row: &Row,
        tariff: &Tariff,
        zone: &TimeZone,
    ) -> Result<PastBill, Vec<RowFault>> {
        let mut faults: Vec<String> = Vec::new();
        let stated = self.stated(table, row, &mut faults);
        let money = |at: Option<usize>, faults: &mut Vec<String>| {
            let text = at.map_or("", |at| table.text(row, at));
            if text.is_empty() {
                return None;
            }
            let parsed = Decimal::from_str(&table.plain(text)).ok();
            if parsed.is_none() {
                faults.push(format!("{text:?} is no amount of money; write 1234.56"));
            }
            parsed
        };
        let total = money(self.total, &mut faults);
        let pf_charge = money(self.pf_charge, &mut faults);
        let charges: Vec<(usize, Decimal)> = self
            .charges
            .iter()
            .filter_map(|(k, at)| Some((*k, money(Some(*at), &mut faults)?)))
            .collect();
        let days = self.days(table, row, tariff);
        let frame = days.map(|(first, end, label)| whole(frame(first, end, label, zone)));
        match frame {
            Err(message) => faults.push(message),
            Ok(frame) if faults.is_empty() => {
                let mut assumed = Vec::new();
                faults.extend(impossible(&stated, &frame));
                if faults.is_empty() {
                    let quantities = quantities(&stated, frame, tariff, &mut assumed);
                    let line = row.line;
                    return Ok(PastBill { line, quantities, assumed, total, pf_charge, charges });
                }
            }
            Ok(_) => {}
        }
        Err(faults.into_iter().map(|message| RowFault { line: row.line, message }).collect())
    }

    fn stated(&self, table: &Table, row: &Row, faults: &mut Vec<String>) -> Stated {
        let mut number = |at: Option<usize>| match at.map(|at| table.number(row, at)) {
            Some(Ok(x)) => x,
            Some(Err(message)) => {
                faults.push(message);
                None
            }
            None => None,
        };
        let mut said = |q: &Quantity| Said {
            total: number(q.total),
            periods: q.periods.iter().map(|at| number(*at)).collect(),
        };
        let all = [&self.kwh, &self.kvarh, &self.kvarh_lead, &self.kw, &self.kva, &self.kvar];
        let [kwh, kvarh, kvarh_lead, kw, kva, kvar] = all.map(&mut said);
        let pf = number(self.pf);
        let percent = number(self.pf_percent).map(|p| p / 100.0);
        for (said, q) in [&kwh, &kvarh, &kvarh_lead, &kw, &kva, &kvar].into_iter().zip(all) {
            let values = said.periods.iter().chain([&said.total]).flatten();
            if let Some(x) = values.into_iter().find(|x| **x < 0.0) {
                faults.push(format!(
                    "{} {x} is negative; enter what was taken, and leave out what was given back",
                    q.name
                ));
            }
        }
        match pf {
            Some(x) if (2.0..=100.0).contains(&x) => faults.push(format!(
                "pf {x} is not a power factor (0 to 1); write {} or name the column pf_percent",
                x / 100.0
            )),
            Some(x) if x <= 0.0 || x > 1.0 => faults.push(format!(
                "pf {x} is impossible; a power factor is above 0 and at most 1: check the bill"
            )),
            _ => {}
        }
        if let Some(x) = percent.filter(|x| *x <= 0.0 || *x > 1.0) {
            faults.push(format!("pf_percent {} is impossible; give 0 to 100", x * 100.0));
        }
        Stated { kwh, kvarh, kvarh_lead, kw, kva, kvar, pf: pf.or(percent) }
    }
}

/// A month of a bill is whole by definition.
fn whole(mut f: MonthFrame) -> MonthFrame {
    f.covered_s = f.length_s();
    f
}

impl Said {
    /// The total, or the sum of all periods.
    fn sum(&self) -> Option<f64> {
        self.total.or_else(|| self.periods.iter().copied().sum())
    }

    /// The total, or the highest of all periods.
    fn highest(&self) -> Option<f64> {
        let all: Option<Vec<f64>> = self.periods.iter().copied().collect();
        self.total.or_else(|| all?.into_iter().reduce(f64::max))
    }

    /// What it is in a period: as stated, or the total where there is one period only.
    fn in_period(&self, period: usize) -> Option<f64> {
        let stated = self.periods.get(period).copied().flatten();
        stated.or(if self.periods.len() == 1 { self.total } else { None })
    }
}

/// Figures of a row that cannot all be true.
fn impossible(s: &Stated, frame: &MonthFrame) -> Vec<String> {
    let mut faults = Vec::new();
    let (kw, kva, kwh) = (s.kw.highest(), s.kva.highest(), s.kwh.sum());
    if let (Some(kw), Some(kva)) = (kw, kva)
        && kva < kw * 0.999
    {
        faults.push(format!("kva {kva} is below kw {kw}, which cannot be; were they exchanged?"));
    }
    let hours = frame.length_s() / 3600.0;
    if let (Some(kw), Some(kwh)) = (kw, kwh)
        && kwh > kw * hours * 1.01 + 1.0
    {
        faults.push(format!(
            "{kwh} kWh in {hours:.0} h is a mean of {:.1} kW, above the highest demand of \
                 {kw} kW; check both, and the month",
            kwh / hours
        ));
    }
    for (name, said) in [("kwh", &s.kwh), ("kvarh", &s.kvarh)] {
        let parts: Option<f64> = said.periods.iter().copied().sum();
        if let (Some(total), Some(parts)) = (said.total, parts.filter(|_| said.periods.len() > 1))
            && (total - parts).abs() > 1.0f64.max(total * 1e-4)
        {
            faults.push(format!("{name} {total} is not the sum of its periods, {parts}"));
        }
    }
    faults
}

/// Fills in what can be taken from other figures, and says so.
fn quantities(
    s: &Stated,
    frame: MonthFrame,
    tariff: &Tariff,
    assumed: &mut Vec<String>,
) -> MonthQuantities {
    let (kwh, kvarh) = (s.kwh.sum(), s.kvarh.sum());
    let (kw_stated, kva_stated) = (s.kw.highest(), s.kva.highest());
    let tan = s.pf.and_then(tan_of_pf);
    let mut say = |what: String| assumed.push(what);
    let kw = kw_stated.or_else(|| {
        let kw = kva_stated? * s.pf?;
        say(format!("kW from kVA × PF: {kw:.2}"));
        Some(kw)
    });
    let kvar = s.kvar.highest().or_else(|| {
        let (kvar, how) = match (kw, kva_stated, tan) {
            (Some(kw), Some(kva), _) => (libm::sqrt((kva * kva - kw * kw).max(0.0)), "kW and kVA"),
            (Some(kw), None, Some(tan)) => (kw * tan, "kW and PF"),
            _ => return None,
        };
        say(format!("kvar from {how}: {kvar:.2}"));
        Some(kvar)
    });
    let kva = kva_stated.or_else(|| {
        let kva = match (kw, s.kvar.highest(), s.pf) {
            (Some(kw), Some(kvar), _) => libm::sqrt(kw * kw + kvar * kvar),
            (Some(kw), None, Some(pf)) => kw / pf,
            _ => return None,
        };
        say(format!("kVA from kW and kvar or PF: {kva:.2}"));
        Some(kva)
    });
    let uses_kvarh = tariff.charges.iter().any(|c| matches!(c.clause, Clause::Kvarh(_)));
    let kvarh = kvarh.or_else(|| {
        let kvarh = kwh? * tan?;
        if uses_kvarh {
            say(format!("kvarh from kWh and PF, all lagging: {kvarh:.0}"));
        }
        Some(kvarh)
    });
    let pf = s.pf.or_else(|| {
        let (pf, how) = match (kwh, s.kvarh.sum(), kw, kva) {
            (Some(kwh), Some(kvarh), _, _) => (power_factor(kwh, kvarh)?, "kWh and kvarh"),
            (_, _, Some(kw), Some(kva)) if kva > 0.0 => ((kw / kva).min(1.0), "kW and kVA"),
            _ => return None,
        };
        if tariff.uses_pf() {
            say(format!("PF from {how}: {pf:.4}"));
        }
        Some(pf)
    });
    // What is billed may follow another power factor than that of the energies: it is only said.
    let average = tariff.power_factor.basis == PfBasis::Average && tariff.uses_pf();
    let of_energies = kwh.zip(s.kvarh.sum()).and_then(|(p, q)| power_factor(p, q));
    if let (true, Some(pf), Some(of_energies)) = (average, s.pf, of_energies)
        && (pf - of_energies).abs() > PF_ROUNDING
    {
        say(format!(
            "PF {pf} as stated; kWh and kvarh make {of_energies:.3}: check the row, and the \
             tariff's basis"
        ));
    }
    let charges_lead = tariff
        .charges
        .iter()
        .any(|c| matches!(&c.clause, Clause::Kvarh(k) if k.direction != Direction::Lagging));
    let kvarh_lead = s.kvarh_lead.sum().or_else(|| {
        if charges_lead && kwh.is_some() {
            say("leading kvarh: the bill states none, taken as none".to_owned());
        }
        Some(0.0)
    });
    let stated = Filled { kwh, kvarh, kvarh_lead, kw, kva, kvar, pf };
    let figures = figures(s, &stated, &frame, tariff, false);
    let at_unity = self::figures(s, &stated, &frame, tariff, true);
    MonthQuantities { frame, figures, at_unity }
}

/// Totals of a bill, stated or taken from others.
struct Filled {
    kwh: Option<f64>,
    kvarh: Option<f64>,
    kvarh_lead: Option<f64>,
    kw: Option<f64>,
    kva: Option<f64>,
    kvar: Option<f64>,
    pf: Option<f64>,
}

fn slot(time_share: f64, f: &Filled, unity: bool) -> SlotFigures {
    let or = |x: Option<f64>| x.unwrap_or(f64::NAN);
    let q = |x: Option<f64>| if unity { 0.0 } else { or(x) };
    let s = if unity { or(f.kw) } else { or(f.kva) };
    let peak = Peak { start_ms: None, p_kw: or(f.kw), q_kvar: q(f.kvar), s_kva: s };
    let (kwh, kvarh) = (or(f.kwh), q(f.kvarh));
    SlotFigures {
        time_share,
        p_in_kwh: kwh,
        p_out_kwh: 0.0,
        q_lag_kvarh: kvarh,
        q_lead_kvarh: q(f.kvarh_lead),
        s_kvah: libm::sqrt(kwh * kwh + kvarh * kvarh),
        p_peak: peak,
        q_peak: peak,
        s_peak: peak,
    }
}

fn figures(s: &Stated, f: &Filled, frame: &MonthFrame, tariff: &Tariff, unity: bool) -> Figures {
    let shares = tariff.calendar.time_shares(frame.first_day, frame.end_day);
    let periods = tariff.calendar.periods.len();
    let seasons = shares.chunks(periods).filter(|c| c.iter().any(|x| *x > 0.0)).count();
    let of_slot = |(k, share): (usize, &f64)| {
        if *share == 0.0 {
            return SlotFigures::ZERO;
        }
        if seasons > 1 {
            return SlotFigures::unknown(*share);
        }
        let p = k % periods;
        let one = periods == 1;
        let own = Filled {
            kwh: s.kwh.in_period(p),
            kvarh: s.kvarh.in_period(p).or(if one { f.kvarh } else { None }),
            kvarh_lead: s.kvarh_lead.in_period(p).or(match f.kvarh_lead {
                Some(0.0) => Some(0.0),
                lead if one => lead,
                _ => None,
            }),
            kw: s.kw.in_period(p).or(if one { f.kw } else { None }),
            kva: s.kva.in_period(p).or(if one { f.kva } else { None }),
            kvar: s.kvar.in_period(p).or(if one { f.kvar } else { None }),
            pf: f.pf,
        };
        slot(*share, &own, unity)
    };
    let pf = if unity { f.kwh.map(|_| 1.0) } else { f.pf };
    Figures {
        slots: shares.iter().enumerate().map(of_slot).collect(),
        total: slot(1.0, f, unity),
        power_factor: PowerFactors {
            average: pf,
            at_p_peak: pf,
            at_s_peak: pf,
            lowest: pf,
            lowest_ms: None,
        },
        interval_excess_kvarh: vec![if unity { 0.0 } else { f64::NAN }; tariff.charges.len()],
    }
}
