//! What a tariff makes of a load: quantities of each billing month, then money line by line.
//!
//! Two stages that know nothing of each other:
//!
//! 1. [`plan::Plan`] is prepared once for a tariff and a series: which month, season and period
//!    each step belongs to, which demand intervals are whole. [`plan::Plan::figures`] then is a
//!    cheap pass over reactive energies, so that a thousand corrections are cheap as well.
//! 2. [`price::price`] makes a [`Bill`] of quantities, wherever they come from: a log, interval
//!    data, past bills. [`price::totals`] does the same arithmetic without the words.
//!
//! The power-factor part of a bill is defined in [`BillMonth::power_factor_part`].

mod amount;
mod cautions;
pub mod extrapolate;
pub mod meter;
pub mod months;
pub mod past;
pub mod plan;
pub mod price;
pub mod quantities;
pub mod seasons;

use crate::analyse::series::{LoadSeries, Origin};
use crate::analyse::tariff::Tariff;
use crate::site::Apparent;
use jiff::tz::TimeZone;
use quantities::MonthQuantities;
use rust_decimal::Decimal;

/// A bill, month by month.
#[derive(Clone, Debug, PartialEq)]
pub struct Bill {
    /// Name of the tariff.
    pub tariff: String,
    /// Currency.
    pub currency: String,
    /// The billing months in order.
    pub months: Vec<BillMonth>,
    /// What the load was made of; `None` for past bills.
    pub origin: Option<Origin>,
    /// How the load was extended, where it was.
    pub extrapolation: Option<extrapolate::Extrapolation>,
    /// What to know about all months.
    pub cautions: Vec<Caution>,
}

/// Bills a load: quantities, then money. `history` holds earlier months, oldest first.
pub fn bill(
    series: &LoadSeries,
    tariff: &Tariff,
    zone: &TimeZone,
    history: &[MonthQuantities],
) -> Result<Bill, plan::PlanError> {
    let months = plan::determinants(series, tariff, zone)?;
    let mut bill = price::price(tariff, &months, history);
    bill.cautions = cautions::of_origin(&series.origin, tariff);
    let apparent = tariff.demand.apparent;
    if apparent != Apparent::Vector && series.s_vah.is_none() {
        bill.cautions.push(Caution {
            id: "no-measured-kva",
            words: format!(
                "the tariff bills {} kVA and the data hold none: kVA here is the vector sum of kW \
                 and kvar, which is lower under harmonics and unbalance",
                apparent.name()
            ),
        });
    }
    bill.origin = Some(series.origin.clone());
    Ok(bill)
}

impl Bill {
    /// The sum of all months; `None` where a month's total is not known.
    pub fn total(&self) -> Option<Decimal> {
        self.months.iter().map(|m| m.total).sum()
    }

    /// The sum of the months' power-factor parts; `None` where one is not known.
    pub fn power_factor_part(&self) -> Option<Decimal> {
        self.months.iter().map(|m| m.power_factor_part).sum()
    }

    /// Whether every month is whole, so that the total is one of whole months.
    pub fn is_whole(&self) -> bool {
        self.months.iter().all(|m| m.quantities.frame.is_whole())
    }
}

/// One month of a bill.
#[derive(Clone, Debug, PartialEq)]
pub struct BillMonth {
    /// What was billed.
    pub quantities: MonthQuantities,
    /// The lines.
    pub lines: Vec<BillLine>,
    /// Their sum; `None` where a line's amount is not known. Of the covered part of the month
    /// only, unless [`months::MonthFrame::is_whole`].
    pub total: Option<Decimal>,
    /// What would not be charged at the best power factor that the tariff knows.
    ///
    /// The total less the total of the same month priced with zero reactive power: the same kW in
    /// every interval, kVA without the share of kvar (what harmonics and unbalance add to
    /// measured kVA stays), PF 1 where nothing else lowers it, ratchets on the log's own months
    /// likewise. A bonus that is missed counts, one that is had counts against; so do taxes on
    /// any of it. The sum of the lines' parts.
    pub power_factor_part: Option<Decimal>,
    /// What to know about this month.
    pub cautions: Vec<Caution>,
}

/// One line of a bill.
#[derive(Clone, Debug, PartialEq)]
pub struct BillLine {
    /// The clause's word in the tariff file.
    pub clause: &'static str,
    /// Name of the charge.
    pub name: String,
    /// Position of the charge in the tariff.
    pub charge: usize,
    /// What is charged; `None` where it is not known.
    pub quantity: Option<f64>,
    /// Unit of the quantity.
    pub unit: String,
    /// Money (or percent) a unit; `None` where several rates apply or none.
    pub rate: Option<Decimal>,
    /// Unit of the rate: `EUR/kWh`, `%`.
    pub rate_unit: String,
    /// The money, rounded as the tariff says; `None` where a quantity is not known.
    pub amount: Option<Decimal>,
    /// The part of the amount that zero reactive power would take away.
    pub power_factor_part: Option<Decimal>,
    /// The rule behind the line, with its numbers.
    pub rule: String,
}

/// Something to know about a month's figures.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Caution {
    /// A short name that stays the same.
    pub id: &'static str,
    /// A sentence for people.
    pub words: String,
}

#[cfg(test)]
mod tests;
