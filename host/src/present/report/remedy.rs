//! Candidates side by side, the one that is recommended, and why others are excluded.

use super::Material;
use super::model::{Block, KeyFigure, Section, Table};
use crate::analyse::size::{Outcome, Sizing};
use crate::present::chart::bars::{RankChart, Ranked};
use crate::present::number::{NONE, grouped, percent, pf};

/// Candidates in the chart and the table.
const SHOWN: usize = 6;

/// Excluded candidates that are named.
const EXCLUDED_SHOWN: usize = 6;

/// Whether the best is to do nothing.
fn nothing_is_best(s: &Sizing) -> bool {
    s.best().id == s.nothing.id
}

fn money(m: &Material<'_>, x: f64) -> String {
    m.locale.money(x)
}

fn maybe(m: &Material<'_>, x: Option<f64>) -> String {
    x.map_or_else(|| NONE.to_owned(), |x| money(m, x))
}

fn years(x: Option<f64>) -> String {
    x.map_or_else(
        || NONE.to_owned(),
        |x| {
            if x < 2.0 { format!("{:.0} months", x * 12.0) } else { format!("{x:.1} years") }
        },
    )
}

/// The recommendation in sentences.
pub(super) fn recommendation(m: &Material<'_>) -> Option<String> {
    let s = m.sizing?;
    let best = s.best();
    let cause = if s.distortion.is_the_cause {
        " Harmonics, not kvar, make the power factor low: capacitors will not fix it. Look at \
         filtering."
    } else {
        ""
    };
    if nothing_is_best(s) {
        return Some(format!(
            "Do nothing: of {} candidates none earns its price over {} years.{cause}",
            grouped(s.examined as f64),
            s.basis.economics.years
        ));
    }
    Some(format!(
        "Install {}. It brings the average power factor from {} to {}.{cause}",
        best.name,
        pf(s.nothing.score.average_pf),
        pf(best.score.average_pf)
    ))
}

/// Price and payback in sentences.
pub(super) fn price(m: &Material<'_>) -> Option<(String, String)> {
    let s = m.sizing?;
    if nothing_is_best(s) {
        return None;
    }
    let best = s.best();
    let c = &best.cost;
    let upkeep = if c.yearly > 0.0 {
        format!(", and {} a year for upkeep", money(m, c.yearly))
    } else {
        String::new()
    };
    let price = format!(
        "{} for the equipment and {} to install, {} in all{upkeep}; from the price list \
         \u{201c}{}\u{201d}.",
        money(m, c.price),
        money(m, c.installation),
        money(m, best.first_cost),
        s.basis.price_list
    );
    let e = &s.basis.economics;
    let payback = format!(
        "{} saved a month on average over a year, lower losses included; paid back in {}. Over {} years at {} interest it is worth {}.",
        maybe(m, best.saving_month),
        years(best.payback_years),
        e.years,
        percent(e.discount_share),
        maybe(m, best.score.npv)
    );
    Some((price, payback))
}

/// The figures for the first page.
pub(super) fn figures(m: &Material<'_>) -> Vec<KeyFigure> {
    let Some(s) = m.sizing else { return Vec::new() };
    let best = s.best();
    if nothing_is_best(s) {
        return Vec::new();
    }
    let figure = |id, label: &str, value: String, note: String, number, unit: &str| KeyFigure {
        id,
        label: label.into(),
        value,
        note,
        number,
        unit: unit.into(),
    };
    vec![
        figure(
            "saving_a_month",
            "Correction saves",
            maybe(m, best.saving_month),
            "a month".into(),
            best.saving_month,
            &s.basis.currency,
        ),
        figure(
            "price",
            "Price, installed",
            money(m, best.first_cost),
            format!("{:.0} kvar", best.installed_var / 1e3),
            Some(best.first_cost),
            &s.basis.currency,
        ),
        figure(
            "payback_years",
            "Paid back in",
            years(best.payback_years),
            format!("worth {} in {} years", maybe(m, best.score.npv), s.basis.economics.years),
            best.payback_years,
            "a",
        ),
    ]
}

/// The section.
pub(super) fn section(m: &Material<'_>) -> Option<Section> {
    let s = m.sizing?;
    let mut out = Section::new("candidates", "Candidates side by side");
    out.text(format!(
        "{} records of the log were replayed through {} candidates{}; each was billed over a year \
         by \u{201c}{}\u{201d} and ranked by net present value over {} years at {} interest. Doing \
         nothing is one of them.",
        grouped(s.basis.replayed as f64),
        grouped(s.examined as f64),
        if s.exhaustive { ", all that there are" } else { "" },
        s.basis.tariff,
        s.basis.economics.years,
        percent(s.basis.economics.discount_share)
    ));
    if s.basis.filled_share > 0.0 {
        out.text(format!(
            "{} of that year is extended from like days of the log.",
            percent(s.basis.filled_share)
        ));
    }
    let shown: Vec<&Outcome> = s.candidates.iter().take(SHOWN).collect();
    out.figure(
        "Net present value",
        "The best of each kind that no limit excludes; filled: recommended.",
        40.0 + 36.0 * shown.len() as f64,
        chart(m, s, &shown),
    );
    let rows = shown.iter().map(|o| row(m, o)).collect();
    let strong = shown.iter().position(|o| o.id == s.best().id).into_iter().collect();
    out.add(Block::Table(Table {
        caption: "The best of each kind".into(),
        head: ["", "kvar", "price", "saves a month", "payback", "NPV", "PF", "leads"]
            .map(str::to_owned)
            .to_vec(),
        rows,
        left: Vec::new(),
        strong,
    }));
    explain(&mut out, s);
    if !s.excluded.is_empty() {
        out.add(Block::Heading("Excluded by a limit".into()));
        let named = s.excluded.iter().take(EXCLUDED_SHOWN).map(|o| {
            let why: Vec<&str> =
                o.score.checked.exclusions.iter().map(|r| r.words.as_str()).collect();
            format!("{}: {}", o.name, why.join(" "))
        });
        out.points(named.collect());
    }
    out.points(s.barred.iter().map(|b| format!("{}: {}", b.place, b.reason)).collect());
    Some(out)
}

fn row(m: &Material<'_>, o: &Outcome) -> Vec<String> {
    vec![
        format!("{} {}", o.id, o.name),
        format!("{:.0}", o.installed_var / 1e3),
        m.locale.number(o.first_cost, 0),
        o.saving_month.map_or_else(|| NONE.into(), |x| m.locale.number(x, 0)),
        years(o.payback_years),
        o.score.npv.map_or_else(|| NONE.into(), |x| m.locale.number(x, 0)),
        pf(o.score.average_pf),
        percent(o.score.leading_share),
    ]
}

/// What stands behind the recommended one.
fn explain(out: &mut Section, s: &Sizing) {
    if nothing_is_best(s) {
        return;
    }
    let best = s.best();
    let c = &best.score.checked;
    out.add(Block::Heading(format!("{}: {}", best.id, best.name)));
    let mut facts = vec![
        ("kVA released at the peak".to_owned(), format!("{:.1} kVA", best.released_va / 1e3)),
        ("Highest current of the feeder".into(), format!("{:.0} A", best.peak_current_a)),
        ("Switchings a day".into(), format!("{:.0}", best.switchings_per_day)),
        ("Time that leads".into(), percent(best.score.leading_share)),
        (
            "Losses saved upstream".into(),
            best.score
                .loss_saved_kwh
                .map_or_else(|| NONE.into(), |x| format!("{} kWh a year", grouped(x))),
        ),
        ("Voltage rise".into(), c.rise_pct.map_or_else(|| NONE.into(), |x| format!("{x:.2} %"))),
    ];
    if let Some(r) = &c.resonance {
        facts.push((
            "Resonance".into(),
            match (r.order, r.near) {
                (Some(h), Some(near)) => format!("order {h:.1}, near the {near:.0}th"),
                (Some(h), None) => format!("order {h:.1}, near no order that is there"),
                (None, _) => "none below the orders that count".into(),
            },
        ));
    }
    out.add(Block::Facts(facts));
    out.points(c.cautions.iter().map(|r| r.words.clone()).collect());
}

fn chart(m: &Material<'_>, s: &Sizing, shown: &[&Outcome]) -> RankChart {
    let rows: Vec<Ranked> = shown
        .iter()
        .map(|o| Ranked {
            name: m.locale.localise(&format!("{} {}", o.id, o.name)),
            value: o.score.npv.unwrap_or(0.0),
            note: match o.id == s.nothing.id {
                true => "as it is".to_owned(),
                false => m.locale.localise(&format!(
                    "{}, paid back in {}",
                    m.locale.number(o.score.npv.unwrap_or(0.0), 0),
                    years(o.payback_years)
                )),
            },
            best: o.id == s.best().id,
        })
        .collect();
    RankChart {
        unit: format!("{} in {} years", s.basis.currency, s.basis.economics.years),
        told: rows.iter().map(|r| format!("{}: {}.", r.name, r.note)).collect::<Vec<_>>().join(" "),
        rows,
    }
}
