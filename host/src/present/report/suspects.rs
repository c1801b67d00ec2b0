//! Which load draws the kvar, where several feeders were logged.

use super::Material;
use super::model::{Block, Section, Table};
use crate::analyse::culprit::{From, Sureness, Suspect};
use crate::present::culprit as words_of_culprit;
use crate::present::number::{percent_or_none, pf};

/// The answer in a sentence, for the first page.
pub(super) fn sentence(m: &Material<'_>) -> Option<String> {
    let c = m.suspects.filter(|c| !c.ranking.is_empty())?;
    let w = words_of_culprit::words(c);
    let first = c.inside.iter().zip(&w.inside).find(|(i, _)| i.name == c.ranking[0].figures.name);
    let mut out = w.verdict;
    if let Some(finding) = first.and_then(|(_, f)| f.first()) {
        out.push(' ');
        out.push_str(finding);
    }
    Some(out)
}

/// The section.
pub(super) fn section(m: &Material<'_>) -> Option<Section> {
    let c = m.suspects?;
    let (u, w) = (words_of_culprit::prefix(c), words_of_culprit::words(c));
    let mut out = Section::new("suspects", "Which load draws the kvar");
    out.text(w.verdict);
    let from = |f: From| match f {
        From::Measured => "measured",
        From::SameHourOfWeek => "same weekday and hour",
        From::SameHourOfLikeDays => "same hour of like days",
        From::Nothing => "not known",
    };
    let sure = |s: Sureness| match s {
        Sureness::Good => "good",
        Sureness::Fair => "fair",
        Sureness::Poor => "poor",
    };
    let row = |s: &Suspect| {
        let spread = s.at_peak_sd_var.map(|sd| format!(" \u{b1} {}", u.number(2.0 * sd)));
        vec![
            format!("{} {}", s.rank, s.figures.name),
            format!("{}{}", u.number_or_none(s.at_peak_var), spread.unwrap_or_default()),
            percent_or_none(s.peak_share),
            percent_or_none(s.energy_share),
            pf(s.figures.pf),
            format!("{} of 168 h", s.figures.hours_of_week),
            from(s.at_peak_from).to_owned(),
            sure(s.sureness).to_owned(),
        ]
    };
    let peak = c.peak.map(|p| format!(": {} of {}", p.start, u.with(p.q1_var, "var")));
    let at_peak = format!("{} at the peak", u.unit("var"));
    let head = [
        "",
        &at_peak,
        "of the peak",
        "of the kvarh",
        "PF",
        "week seen",
        "at the peak from",
        "place",
    ];
    out.add(Block::Table(Table {
        caption: format!("Ranked by kvar at the peak{}", peak.unwrap_or_default()),
        head: head.map(str::to_owned).to_vec(),
        rows: c.ranking.iter().map(row).collect(),
        left: vec![6, 7],
        strong: vec![0],
    }));
    if let Some(t) = &c.together {
        out.text(format!(
            "While all recorded ({:.0} h) the service took {} and {}, the feeders together {} and \
             {}.",
            t.hours,
            u.with(t.service_w, "W"),
            u.with(t.service_var, "var"),
            u.with(t.feeders_w, "W"),
            u.with(t.feeders_var, "var"),
        ));
    }
    if let Some(r) = &c.unmetered {
        out.text(format!(
            "In no feeder's log: {} and {} on average over {} hours of the week, {} of the kvarh.",
            u.with(r.p_w, "W"),
            u.with(r.q1_var, "var"),
            r.hours_of_week,
            percent_or_none(r.share)
        ));
    }
    for (i, findings) in c.inside.iter().zip(&w.inside).filter(|(_, f)| !f.is_empty()) {
        out.add(Block::Heading(format!("Within the log of {}", i.name)));
        out.points(findings.clone());
    }
    out.points(w.cautions);
    out.add(Block::Caution(
        "What a load is follows from its size and times only: go and look before it is named to \
         anybody."
            .into(),
    ));
    Some(out)
}
