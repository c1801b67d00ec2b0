//! The first page: the finding, the money, what to do, what it costs, and if nothing is done.

use super::Material;
use super::load::profile_chart;
use super::model::{Figure, KeyFigure, Summary, Tone};
use super::{money, proof, remedy, suspects};
use crate::analyse::survey::verdict::Class;
use crate::present::number::{NONE, percent, span};
use crate::present::words;

/// What has to happen before anything is bought or installed.
pub const REVIEW: &str = "A proposal for review. Before anything is bought or installed, a person \
     licensed for it reviews this report, the site and the local codes, and decides.";

/// Instead of money.
const NO_TARIFF: &str = "Not known: there was no tariff. Write the tariff's clauses into a file and give it with --tariff.";

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
    let (headline, tone) = match money_headline(m) {
        Some(costs) if tone == Tone::Act => (costs, tone),
        _ => (w.verdict.clone(), tone),
    };
    let mut found = joined(&[&w.why, &w.needs]);
    if headline != w.verdict {
        found = format!("{} {found}", w.verdict);
    }
    let mut points = vec![("Finding".to_owned(), found)];
    let (headline, tone) = match (proof::sentence(m), proof::worked(m)) {
        (None, _) => (headline, tone),
        (Some(words), worked) => {
            points.insert(0, ("The correction".into(), words.clone()));
            let first = words.split_inclusive(". ").next().unwrap_or(&words).trim().to_owned();
            (
                first,
                match worked {
                    Some(true) => Tone::Good,
                    Some(false) => Tone::Act,
                    None => Tone::Open,
                },
            )
        }
    };
    if let Some(when) = w.when.first() {
        points.push(("When".into(), when.clone()));
    }
    if let Some(words) = suspects::sentence(m) {
        points.push(("Where it comes from".into(), words));
    }
    match money::sentence(m) {
        Some(words) => points.push(("Money now".into(), words)),
        None => points.push(("Money now".into(), NO_TARIFF.into())),
    }
    match remedy::recommendation(m) {
        Some(words) => points.push(("Recommendation".into(), words)),
        None if !w.next.is_empty() => points.push(("Next".into(), w.next.join(" "))),
        None => {}
    }
    if let Some((price, payback)) = remedy::price(m) {
        points.push(("Price".into(), price));
        points.push(("Payback".into(), payback));
    }
    if let Some(words) = money::nothing_done(m) {
        points.push(("If nothing is done".into(), words));
    }
    let (headline, tone) = match m.chain {
        Some(chain) if !chain.breaks.is_empty() => {
            points.insert(0, ("The log".into(), super::grounds::CHANGED.into()));
            ("This log is not as the node recorded it.".to_owned(), Tone::Open)
        }
        _ => (headline, tone),
    };
    Summary {
        headline,
        tone,
        figures: figures(m),
        points,
        figure: Some(Figure {
            name: "Power over the log".into(),
            caption: "Active power (unbroken) and reactive power (dashed).".into(),
            chart: Box::new(profile_chart(m)),
            height: 180.0,
        }),
        review: REVIEW.into(),
    }
}

/// The money as the headline, where a bill knows it.
fn money_headline(m: &Material<'_>) -> Option<String> {
    let now = money::now(m.bill?)?;
    (now.part > 0.0 && now.total > 0.0).then(|| {
        format!(
            "The power factor costs {} {}{}: {} of the bill.",
            m.locale.money(now.part),
            now.over,
            if now.filled { " (extended from the log)" } else { "" },
            percent(now.part / now.total)
        )
    })
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
    let mut out: Vec<KeyFigure> = money::figure(m).into_iter().collect();
    out.push(KeyFigure {
        id: "average_pf",
        label: "Average power factor".into(),
        value: number(p.average),
        note: match m.worth.and_then(|w| w.average_pf) {
            Some(w) => format!("\u{b1} {:.3}; target {:.2}", w.expanded, p.target),
            None => format!("target {:.2}", p.target),
        },
        number: p.average,
        unit: String::new(),
    });
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
            Some(x) if x < 0.0 => "Too many on average".into(),
            _ => "Lacking on average".into(),
        },
        value: need.map_or_else(|| NONE.into(), |x| u.with(libm::fabs(x), "var")),
        note: s
            .required
            .at_p_peak_var
            .map_or_else(String::new, |x| format!("{} at the peak", u.with(libm::fabs(x), "var"))),
        number: need,
        unit: "var".into(),
    });
    // Money first: what stays of the load is the power factor.
    let remedy = remedy::figures(m);
    if !remedy.is_empty() {
        out.splice(1..1, remedy);
    }
    // Rows of four: the fourth or the eighth.
    if out.len().is_multiple_of(4) {
        return out;
    }
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
