//! The bill: what the tariff makes of the log, and the part that the power factor costs.

use super::Material;
use super::model::{Block, KeyFigure, Section, Table};
use crate::analyse::bill::extrapolate::Extrapolation;
use crate::analyse::bill::meter::{Compared, Reconciliation};
use crate::analyse::bill::{Bill, BillMonth};
use crate::present::chart::bars::{Layer, StackChart};
use crate::present::chart::ink::Ink;
use crate::present::chart::scene::Fill;
use crate::present::number::{NONE, count, percent, pf};
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

/// A sum of money as a number; `None` where it is not known.
pub(super) fn amount(x: Option<Decimal>) -> Option<f64> {
    x.and_then(|x| x.to_f64())
}

/// What a bill comes to, in the words that its months allow.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Now {
    /// The power-factor part, in money.
    pub(super) part: f64,
    /// The whole, in money.
    pub(super) total: f64,
    /// Over which time: `a month`, `in the log's 7 d`.
    pub(super) over: String,
    /// Whether it stands for whole months.
    pub(super) whole: bool,
    /// Whether days were filled from like days.
    pub(super) filled: bool,
    /// Twelve times a month, where whole months are known; in money.
    pub(super) part_a_year: Option<f64>,
}

/// Sums up a bill; `None` where an amount is not known.
pub(super) fn now(bill: &Bill) -> Option<Now> {
    let whole: Vec<&BillMonth> =
        bill.months.iter().filter(|m| m.quantities.frame.is_whole() && m.total.is_some()).collect();
    let sum = |months: &[&BillMonth], get: fn(&BillMonth) -> Option<Decimal>| -> Option<f64> {
        months.iter().map(|m| amount(get(m))).sum()
    };
    if whole.is_empty() {
        let all: Vec<&BillMonth> = bill.months.iter().collect();
        let covered: f64 = all.iter().map(|m| m.quantities.frame.covered_s).sum();
        return Some(Now {
            part: sum(&all, |m| m.power_factor_part)?,
            total: sum(&all, |m| m.total)?,
            over: format!("in the log's {}", crate::present::number::span(covered)),
            whole: false,
            filled: false,
            part_a_year: None,
        });
    }
    let n = whole.len() as f64;
    let part = sum(&whole, |m| m.power_factor_part)? / n;
    let total = sum(&whole, |m| m.total)? / n;
    let filled = whole.iter().any(|m| m.quantities.frame.is_filled());
    Some(Now {
        part,
        total,
        over: if whole.len() == 1 { "a month".into() } else { "a month on average".into() },
        whole: true,
        filled,
        part_a_year: Some(part * 12.0),
    })
}

/// The figure for the first page.
pub(super) fn figure(m: &Material<'_>) -> Option<KeyFigure> {
    let bill = m.bill?;
    let now = now(bill)?;
    let share = if now.total > 0.0 { percent(now.part / now.total) } else { NONE.into() };
    let filled = if now.filled { ", extended" } else { "" };
    Some(KeyFigure {
        id: if now.whole { "power_factor_part_a_month" } else { "power_factor_part_of_log" },
        label: "Power factor costs".into(),
        value: m.locale.money(now.part),
        note: format!("{}{filled}; {share} of the bill", now.over),
        number: Some(now.part),
        unit: bill.currency.clone(),
    })
}

/// Money now, in a sentence or two.
pub(super) fn sentence(m: &Material<'_>) -> Option<String> {
    let bill = m.bill?;
    let Some(now) = now(bill) else {
        return Some(
            "The tariff needs a quantity that the log does not hold; see the bill's section."
                .into(),
        );
    };
    let l = &m.locale;
    let mut out = if now.part > 0.0 {
        format!(
            "By the tariff \u{201c}{}\u{201d} {} {} of {} would not be charged at the best power \
             factor that the tariff knows.",
            bill.tariff,
            l.money(now.part),
            now.over,
            l.money(now.total)
        )
    } else {
        format!(
            "The tariff \u{201c}{}\u{201d} charges nothing for the power factor of this log ({} in \
             all {}).",
            bill.tariff,
            l.money(now.total),
            now.over
        )
    };
    if !now.whole {
        out.push_str(
            " No billing month is covered whole: this is the covered part, with its own peak, and \
             not a month's bill.",
        );
    } else if now.filled {
        out.push_str(" Days that were not recorded are filled from like days.");
    }
    Some(out)
}

/// If nothing is done.
pub(super) fn nothing_done(m: &Material<'_>) -> Option<String> {
    let bill = m.bill?;
    let now = now(bill)?;
    if now.part <= 0.0 {
        return Some("The bill stays as it is.".into());
    }
    Some(match now.part_a_year {
        Some(year) => format!(
            "{} a month go on being charged, about {} a year while tariff and load stay as they \
             are.",
            m.locale.money(now.part),
            m.locale.money(year)
        ),
        None => format!(
            "A charge like this one ({} {}) goes on every month; what a whole month costs takes a \
             whole month of log, or `--extrapolate month`.",
            m.locale.money(now.part),
            now.over
        ),
    })
}

/// The section.
pub(super) fn section(m: &Material<'_>) -> Option<Section> {
    let bill = m.bill?;
    let mut out = Section::new("bill", "What the tariff makes of it");
    out.text(format!(
        "Tariff \u{201c}{}\u{201d}, in {}. The power-factor part is the bill less the same bill with \
         no reactive power in any interval.",
        bill.tariff, bill.currency
    ));
    let label = |x: &BillMonth| x.quantities.frame.label.clone();
    let partial = |x: &BillMonth| !x.quantities.frame.is_whole();
    if bill.months.len() > 1 && bill.months.iter().all(|x| x.total.is_some()) {
        out.figure(
            "The bill by month",
            "Hatched: the power-factor part. * month not covered whole: the covered part only.",
            230.0,
            chart(bill),
        );
    }
    let month_row = |x: &BillMonth| {
        let f = &x.quantities.figures;
        vec![
            format!("{}{}", label(x), if partial(x) { " *" } else { "" }),
            number(f.total.p_in_kwh),
            number(f.total.p_peak.p_kw),
            pf(f.power_factor.average),
            money(m, x.total),
            money(m, x.power_factor_part),
            covered(x),
        ]
    };
    let mut rows: Vec<Vec<String>> = bill.months.iter().map(month_row).collect();
    let mut strong = Vec::new();
    if bill.months.len() > 1 && bill.is_whole() {
        strong.push(rows.len());
        rows.push(vec![
            "All months".into(),
            number(bill.months.iter().map(|x| x.quantities.figures.total.p_in_kwh).sum()),
            String::new(),
            String::new(),
            money(m, bill.total()),
            money(m, bill.power_factor_part()),
            String::new(),
        ]);
    }
    out.add(Block::Table(Table {
        caption: "By month".into(),
        head: ["month", "kWh", "peak kW", "PF", "bill", "power-factor part", "covered"]
            .map(str::to_owned)
            .to_vec(),
        rows,
        left: Vec::new(),
        strong,
    }));
    if let Some(shown) = shown_month(bill) {
        lines(m, &mut out, shown);
    }
    if bill.months.iter().any(partial) {
        out.add(Block::Caution(
            "* Months that the log does not cover whole: energies and fixed charges are those of the \
             covered part, and the peak is the highest that was seen. They are no bills of whole \
             months."
                .into(),
        ));
    }
    if let Some(x) = &bill.extrapolation {
        out.add(Block::Heading("How the log was extended".into()));
        out.text(extended_words(m, x));
        out.points(x.limits.clone());
    }
    if let Some(x) = m.meter {
        out.add(Block::Table(against_meter(x)));
    }
    let mut cautions: Vec<String> = Vec::new();
    for c in bill.cautions.iter().chain(bill.months.iter().flat_map(|x| &x.cautions)) {
        if !cautions.contains(&c.words) {
            cautions.push(c.words.clone());
        }
    }
    out.points(cautions);
    Some(out)
}

/// How a log was extended and how sure that is.
fn extended_words(m: &Material<'_>, x: &Extrapolation) -> String {
    let [working, saturdays, sundays] = x.like_days;
    let how_sure = match (x.half_width_95, x.power_factor_half_width_95) {
        (Some(total), Some(part)) => format!(
            " By the spread of like days the total is sure to \u{b1}{}, the power-factor part to \
             \u{b1}{} (95 %).",
            m.locale.money(total),
            m.locale.money(part)
        ),
        _ => " No kind of day is there twice, so how sure that is cannot be told.".into(),
    };
    format!(
        "{} of {} days were recorded; the others take like days of the log ({}, {}, {}).{how_sure}",
        x.days_measured,
        x.days,
        count(u64::from(working), "working day", "working days"),
        count(u64::from(saturdays), "Saturday", "Saturdays"),
        count(u64::from(sundays), "Sunday", "Sundays"),
    )
}

/// The log against the utility's meter.
fn against_meter(x: &Reconciliation) -> Table {
    let row = |name: &str, c: &Compared| {
        vec![
            name.to_owned(),
            number(c.meter),
            number(c.log),
            c.difference_pct.map_or_else(|| NONE.into(), |p| format!("{p:+.2} %")),
            number(c.uncertainty),
        ]
    };
    let mut rows = vec![row("kWh", &x.active)];
    rows.extend(x.reactive.as_ref().map(|c| row("kvarh", c)));
    Table {
        caption: format!(
            "The log against the utility's meter{}",
            x.number.as_ref().map_or_else(String::new, |n| format!(" {n}"))
        ),
        head: ["", "meter", "log", "log less meter", "uncertainty of that (k = 2)"]
            .map(str::to_owned)
            .to_vec(),
        rows,
        ..Table::default()
    }
}

/// How much of a month was recorded, and whether the rest was filled.
fn covered(x: &BillMonth) -> String {
    let f = &x.quantities.frame;
    let length = f.length_s();
    if f.is_filled() && length > 0.0 {
        format!("{}, rest extended", percent(((f.covered_s - f.filled_s) / length).max(0.0)))
    } else {
        percent(f.coverage())
    }
}

/// The month whose lines are shown: the one with the largest power-factor part.
fn shown_month(bill: &Bill) -> Option<&BillMonth> {
    let rank =
        |x: &BillMonth| (x.quantities.frame.is_whole(), amount(x.power_factor_part).unwrap_or(0.0));
    bill.months.iter().max_by(|a, b| {
        let ((a_whole, a_part), (b_whole, b_part)) = (rank(a), rank(b));
        a_whole.cmp(&b_whole).then(a_part.total_cmp(&b_part))
    })
}

fn lines(m: &Material<'_>, out: &mut Section, x: &BillMonth) {
    let mut rows: Vec<Vec<String>> = x
        .lines
        .iter()
        .map(|l| {
            vec![
                l.name.clone(),
                l.quantity.map_or_else(
                    || NONE.into(),
                    |q| format!("{} {}", number(q), l.unit).trim().to_owned(),
                ),
                l.rate
                    .map_or_else(|| NONE.into(), |r| format!("{} {}", r.normalize(), l.rate_unit)),
                money(m, l.amount),
                money(m, l.power_factor_part),
            ]
        })
        .collect();
    rows.push(vec![
        "Total".into(),
        String::new(),
        String::new(),
        money(m, x.total),
        money(m, x.power_factor_part),
    ]);
    let last = rows.len() - 1;
    out.add(Block::Table(Table {
        caption: format!("Line by line: {}", x.quantities.frame.label),
        head: ["charge", "quantity", "rate", "amount", "of it power factor"]
            .map(str::to_owned)
            .to_vec(),
        rows,
        left: Vec::new(),
        strong: vec![last],
    }));
    out.add(Block::Heading("The rule behind each line".into()));
    out.points(x.lines.iter().map(|l| format!("{}: {}", l.name, l.rule)).collect());
}

fn chart(bill: &Bill) -> StackChart {
    let of = |get: &dyn Fn(&BillMonth) -> f64| bill.months.iter().map(get).collect::<Vec<f64>>();
    let part = of(&|x| amount(x.power_factor_part).unwrap_or(0.0).max(0.0));
    let total = of(&|x| amount(x.total).unwrap_or(0.0));
    let rest = total.iter().zip(&part).map(|(t, p)| (t - p).max(0.0)).collect();
    let all: f64 = total.iter().sum();
    let parts: f64 = part.iter().sum();
    StackChart {
        unit: bill.currency.clone(),
        names: bill.months.iter().map(|x| x.quantities.frame.label.clone()).collect(),
        layers: vec![
            Layer {
                name: "all other charges".into(),
                ink: Ink::Apparent,
                fill: Fill::Solid,
                values: rest,
            },
            Layer {
                name: "power-factor part".into(),
                ink: Ink::Reactive,
                fill: Fill::Hatch,
                values: part,
            },
        ],
        partial: bill.months.iter().map(|x| !x.quantities.frame.is_whole()).collect(),
        told: format!(
            "Bill of {} months: {all:.0} {} in all, of which {parts:.0} for the power factor.",
            bill.months.len(),
            bill.currency
        ),
    }
}

fn money(m: &Material<'_>, x: Option<Decimal>) -> String {
    amount(x).map_or_else(|| NONE.to_owned(), |x| m.locale.number(x, 2))
}

/// A quantity in units of the bill; a dash where it is not known.
fn number(x: f64) -> String {
    if !x.is_finite() {
        return NONE.into();
    }
    crate::present::number::four_digits(x)
}
