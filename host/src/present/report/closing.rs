//! What the figures are worth: uncertainty, assumptions, cautions, and what is not here.

use super::Material;
use super::model::{Block, Section, Table};
use super::summary::REVIEW;
use crate::analyse::uncertainty::Worth;
use crate::present::number::{percent, pf};
use crate::present::words;

/// Uncertainty of the headline figures.
pub(super) fn uncertainty(m: &Material<'_>) -> Section {
    let s = m.survey;
    let u = words::prefix(s);
    let mut out = Section::new("uncertainty", "How sure are the headline figures?");
    out.text(
        "Two things make a figure uncertain: how well the sensors measure, and how well the log \
         stands for the year. The second is usually the larger.",
    );
    if let Some(w) = m.worth {
        out.text(format!("How well it was measured: {}", w.basis));
        let row = |name: String, worth: Option<Worth>, unit: &str| {
            worth.map(|w| {
                let relative = if w.value != 0.0 { w.expanded / w.value * 100.0 } else { f64::NAN };
                vec![
                    name,
                    u.energy(w.value, unit),
                    format!("\u{b1} {}", u.number(w.expanded)),
                    format!("{relative:.2} %"),
                ]
            })
        };
        let mut measured: Vec<Vec<String>> = [
            row("Active energy".into(), w.active_in_wh, "Wh"),
            row("Lagging reactive energy".into(), w.reactive_lagging_varh, "varh"),
            row(format!("Highest {}", u.unit("W")), w.p_peak_w, "W"),
            row(format!("Highest {}", u.unit("VA")), w.s_peak_va, "VA"),
        ]
        .into_iter()
        .flatten()
        .collect();
        measured.extend(w.average_pf.map(|w| {
            vec![
                "Average power factor".into(),
                pf(Some(w.value)),
                format!("\u{b1} {:.4}", w.expanded),
                format!("{:.2} %", w.expanded / w.value * 100.0),
            ]
        }));
        out.add(Block::Table(Table {
            caption: "Measurement: value and expanded uncertainty (k = 2, about 95 %)".into(),
            head: ["figure", "value", "uncertainty", "of the value"].map(str::to_owned).to_vec(),
            rows: measured,
            ..Table::default()
        }));
        out.points(w.assumed.iter().map(|a| sentence(a)).collect());
    }
    let mut rows = Vec::new();
    let c = &s.completeness;
    rows.push(vec![
        "Average power factor".into(),
        pf(s.power_factor.average),
        format!(
            "log covers {} of its time and {} of 168 hours of the week",
            percent(c.present_share),
            c.hours_of_week_seen
        ),
    ]);
    if let Some(bill) = m.bill
        && let Some(now) = super::money::now(bill)
    {
        let sure = match bill.extrapolation.as_ref().and_then(|x| x.power_factor_half_width_95) {
            Some(h) => format!(
                "\u{b1}{} a month with 95 % confidence, from the spread of like days",
                m.locale.money(h / bill.months.len().max(1) as f64)
            ),
            None if now.whole => {
                "whole months of the log; the meter's and the node's classes apply".into()
            }
            None => "of the covered part only; it says nothing about a whole month".into(),
        };
        rows.push(vec!["Power-factor part of the bill".into(), m.locale.money(now.part), sure]);
    }
    if let Some(d) = s.demand.billed().and_then(|b| b.at_p_peak) {
        rows.push(vec![
            "Highest demand".into(),
            u.with(d.p_w, "W"),
            match s.demand.billed().and_then(|b| b.hidden) {
                Some(_) => "an interval with data missing may hide a higher one".into(),
                None => "of whole intervals; no interval with data missing was higher".into(),
            },
        ]);
    }
    let days: Vec<f64> = s
        .profile
        .days
        .iter()
        .filter(|d| d.measured_h > 20.0 && d.active_net_wh > 0.0)
        .filter_map(|d| d.pf)
        .collect();
    if let (Some(least), Some(most)) =
        (days.iter().copied().reduce(f64::min), days.iter().copied().reduce(f64::max))
        && days.len() > 1
    {
        rows.push(vec![
            "Power factor from day to day".into(),
            format!("{least:.3} to {most:.3}"),
            format!("range of {} whole days", days.len()),
        ]);
    }
    out.add(Block::Table(Table {
        caption: "How the log stands for the year".into(),
        head: ["figure", "value", "how sure"].map(str::to_owned).to_vec(),
        rows,
        left: vec![2],
        strong: Vec::new(),
    }));
    out
}

/// Assumptions.
pub(super) fn assumptions(m: &Material<'_>) -> Section {
    let s = m.survey;
    let mut out = Section::new("assumptions", "Assumptions");
    let mut points: Vec<String> = s.basis.assumed.iter().map(|a| sentence(a)).collect();
    if let Some(s) = m.sizing {
        let said = s.basis.assumed.iter().filter(|a| !m.survey.basis.assumed.contains(a));
        points.extend(said.map(|a| sentence(a)));
    }
    points.push(
        "The log is taken as it stands: a usual week of this feeder. If it was not, log another."
            .into(),
    );
    points.push(format!(
        "Intervals under {} of the highest kVA carry no power factor and are left out of shares of \
         the time.",
        percent(m.site.power_factor.no_load_share)
    ));
    out.points(points);
    out
}

fn sentence(text: &str) -> String {
    let mut chars = text.chars();
    match chars.next() {
        Some(first) => format!("{}{}.", first.to_uppercase(), chars.as_str().trim_end_matches('.')),
        None => String::new(),
    }
}

/// Cautions.
pub(super) fn cautions(m: &Material<'_>) -> Section {
    let mut out = Section::new("cautions", "Cautions");
    out.points(words::words(m.survey).cautions);
    out.add(Block::Caution(
        "Only qualified persons work on the installation: de-energise, lock out, test for absence of \
         voltage; where that cannot be, shock and arc-flash protection by the equipment's label or \
         NFPA 70E, and never alone. Capacitors hold charge after they are switched off: wait the \
         discharge time, test, then short. Never open a current transformer's secondary under \
         load. Local codes decide."
            .into(),
    ));
    out.text(REVIEW);
    out
}

/// What is not here, and how to get it.
pub(super) fn absent(m: &Material<'_>) -> Option<Section> {
    let mut list = Vec::new();
    if m.connection.is_none() {
        list.push(
            "No connection check: the records hold no phasors. Run `wattless hookup` on the node.",
        );
    }
    if m.harmonics.is_none() {
        list.push(
            "No harmonics by order: the records hold none. Load a program of record format 2 into \
             the node.",
        );
    }
    if m.bill.is_none() {
        list.push(
            "No money: there was no tariff. Write its clauses into a file (DEVELOPERS.md explains \
             each) and give it with --tariff.",
        );
    }
    let no_candidates = match m.not_sized {
        Some(why) => Some(format!("No candidates: {why}.")),
        None if m.sizing.is_none() && m.proof.is_none() => Some(
            "No candidates: there was no price list. Write the prices of your supplier into a file \
             and give it with --prices (and the tariff)."
                .to_owned(),
        ),
        None => None,
    };
    list.extend(no_candidates.as_deref());
    if m.proof.is_none() {
        list.push(
            "No before and after: once something is installed, log on, list it in the site file \
             ([[installed]]) and give --installed-on.",
        );
    }
    if list.is_empty() {
        return None;
    }
    let mut out = Section::new("absent", "What is not in this report, and how to get it");
    list.into_iter().for_each(|x| {
        out.add(Block::Absent(x.into()));
    });
    Some(out)
}
