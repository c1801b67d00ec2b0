//! The first page: the finding, the money, what to do, what it costs, and if nothing is done.

use super::Material;
use super::load::profile_chart;
use super::model::{Figure, KeyFigure, Summary, Tone};
use crate::analyse::survey::verdict::Class;
use crate::present::number::{NONE, percent, span};
use crate::present::words;

/// What has to happen before anything is bought or installed.
pub const REVIEW: &str = "A proposal for review. Before anything is bought or installed, a person \
     licensed for it reviews this report, the site and the local codes, and decides.";

/// Lines of the head.
pub(super) fn head(m: &Material<'_>) -> Vec<(String, String)> {
    let s = m.survey;
    let mut out = vec![(
        "Log".to_owned(),
        format!(
            "{} to {} ({})",
            s.first.day_words(),
            s.last.day_words(),
            span(s.completeness.expected_s)
        ),
    )];
    out.push(("Made on".into(), m.made_on.to_string()));
    if let Some(who) = &m.site.writing.prepared_by {
        out.push(("Made by".into(), who.clone()));
    }
    out
}

/// The first page.
pub(super) fn summary(m: &Material<'_>) -> Summary {
    let s = m.survey;
    let w = words::words(s);
    let tone = match s.verdict.class {
        Class::Good | Class::NotWorthFixing => Tone::Good,
        Class::WorthFixing => Tone::Act,
        Class::CannotTell => Tone::Open,
    };
    let mut points = vec![("Finding".to_owned(), joined(&[&w.why, &w.needs]))];
    if let Some(when) = w.when.first() {
        points.push(("When".into(), when.clone()));
    }
    if !w.next.is_empty() {
        points.push(("Next".into(), w.next.join(" ")));
    }
    Summary {
        headline: w.verdict.clone(),
        tone,
        figures: figures(m),
        points,
        figure: Some(Figure {
            name: "Power over the log".into(),
            caption: "Active power (unbroken) and reactive power (dashed).".into(),
            chart: Box::new(profile_chart(m)),
            height: 190.0,
        }),
        review: REVIEW.into(),
    }
}

fn joined(lists: &[&Vec<String>]) -> String {
    lists.iter().flat_map(|l| l.iter().map(String::as_str)).collect::<Vec<_>>().join(" ")
}

/// The figures of a log without money.
fn figures(m: &Material<'_>) -> Vec<KeyFigure> {
    let s = m.survey;
    let u = words::prefix(s);
    let p = &s.power_factor;
    let number = |x: Option<f64>| x.map_or_else(|| NONE.to_owned(), |x| format!("{x:.3}"));
    let peak = s.demand.billed().and_then(|b| b.at_p_peak);
    let mut out = vec![KeyFigure {
        id: "average_pf",
        label: "Average power factor".into(),
        value: number(p.average),
        note: format!("target {:.2}", p.target),
        number: p.average,
        unit: String::new(),
    }];
    out.push(KeyFigure {
        id: "peak_demand",
        label: "Highest demand".into(),
        value: peak.map_or_else(|| NONE.into(), |d| u.with(d.p_w, "W")),
        note: peak.map_or_else(String::new, |d| {
            format!("{} {}", d.start.day_words(), d.start.clock_words())
        }),
        number: peak.map(|d| d.p_w),
        unit: "W".into(),
    });
    let need = s.required.average_var;
    out.push(KeyFigure {
        id: "kvar_lacking_average",
        label: match need {
            Some(x) if x < 0.0 => format!("{} too many on average", u.unit("var")),
            _ => format!("{} lacking on average", u.unit("var")),
        },
        value: need.map_or_else(|| NONE.into(), |x| u.with(libm::fabs(x), "var")),
        note: s
            .required
            .at_p_peak_var
            .map_or_else(String::new, |x| format!("{} at the peak", u.with(libm::fabs(x), "var"))),
        number: need,
        unit: "var".into(),
    });
    out.push(KeyFigure {
        id: "time_below_target",
        label: "Time below target".into(),
        value: p.below_target_share.map_or_else(|| NONE.into(), percent),
        note: "of the time with load".into(),
        number: p.below_target_share,
        unit: "1".into(),
    });
    out
}
