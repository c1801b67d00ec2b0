//! What the figures are worth: uncertainty, assumptions, cautions, and what is not here.

use super::Material;
use super::model::{Block, Section, Table};
use super::summary::REVIEW;
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
    let mut rows = Vec::new();
    let c = &s.completeness;
    rows.push(vec![
        "Average power factor".into(),
        pf(s.power_factor.average),
        format!("log covers {} of its time and {} of 168 hours of the week", percent(c.present_share), c.hours_of_week_seen),
    ]);
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
    let days: Vec<f64> =
        s.profile.days.iter().filter(|d| d.measured_h > 20.0 && d.active_net_wh > 0.0).filter_map(|d| d.pf).collect();
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
        caption: "What stands behind the figures".into(),
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
    if list.is_empty() {
        return None;
    }
    let mut out = Section::new("absent", "What is not in this report, and how to get it");
    list.into_iter().for_each(|x| {
        out.add(Block::Absent(x.into()));
    });
    Some(out)
}
