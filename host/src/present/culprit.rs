//! The ranking of logs on a terminal: who draws the kvar, how sure, and what each log holds.

use super::number::{NONE, Prefix, percent, percent_or_none, pf, span};
use super::text::{Page, Style};
use crate::analyse::culprit::inside::{Finding, Inside, Kind, Switched};
use crate::analyse::culprit::{Caution, Culprits, From, PeakOf, Sureness, Suspect};
use serde::Serialize;

/// Width of the labels ahead of paragraphs.
const LABEL: usize = 11;

/// Sentences of a ranking.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Words {
    /// The answer in one sentence.
    pub verdict: String,
    /// What each log shows of the loads behind it, by name.
    pub inside: Vec<Vec<String>>,
    /// What to be careful with.
    pub cautions: Vec<String>,
}

/// The unit prefix that suits a ranking.
pub fn prefix(c: &Culprits) -> Prefix {
    let most = c.ranking.iter().map(|s| s.figures.q1_var.abs() + s.figures.p_w.abs());
    let service = c.service.as_ref().map_or(0.0, |s| s.q1_var.abs() + s.p_w.abs());
    Prefix::for_peak(most.fold(service, f64::max))
}

/// Puts a ranking into sentences.
pub fn words(c: &Culprits) -> Words {
    let u = prefix(c);
    Words {
        verdict: verdict(c, u),
        inside: c
            .inside
            .iter()
            .map(|i| i.findings.iter().map(|f| finding(f, u)).collect())
            .collect(),
        cautions: c.cautions.iter().map(caution).collect(),
    }
}

fn verdict(c: &Culprits, u: Prefix) -> String {
    let Some(first) = c.ranking.first() else {
        return match (&c.service, c.inside.first().and_then(|i| i.findings.first())) {
            (Some(s), Some(f)) => format!("{}: {}", s.name, finding(f, u)),
            (Some(s), None) => format!("{} shows no single load that stands out.", s.name),
            _ => "There is nothing to rank.".into(),
        };
    };
    if c.ranking.len() == 1 && c.service.is_none() {
        return match c.inside.first().and_then(|i| i.findings.first()) {
            Some(f) => format!("{}: {}", first.figures.name, finding(f, u)),
            None => format!("{} shows no single load that stands out.", first.figures.name),
        };
    }
    let sure = match first.sureness {
        Sureness::Good => "",
        Sureness::Fair => ", though the next may be ahead of it",
        Sureness::Poor => ", as far as its short log tells",
    };
    match (first.peak_share, first.at_peak_var) {
        (Some(share), Some(var)) => format!(
            "{} draws most: {} of {} at the peak, {}{sure}.",
            first.figures.name,
            u.say(var, "var"),
            u.say(c.peak.map_or(0.0, |p| p.q1_var), "var"),
            percent(share)
        ),
        _ => format!("{} draws most over the week{sure}.", first.figures.name),
    }
}

fn finding(f: &Finding, u: Prefix) -> String {
    match f {
        Finding::AlwaysOnLowPf { share, q1_var } => format!(
            "{} of the kvarh are always on ({}), at a low power factor: look for idle motors, \
             transformers and old ballasts that never go off.",
            percent(*share),
            u.say(*q1_var, "var")
        ),
        Finding::AlwaysOn { share, q1_var } => format!(
            "{} of the kvarh are always on ({}): lighting, pumps, drives that run day and night.",
            percent(*share),
            u.say(*q1_var, "var")
        ),
        Finding::IdlingMotors { stays_share } => format!(
            "When the load falls in working time, {} of the kvar stay: motors that idle or are \
             too large.",
            percent(*stays_share)
        ),
        Finding::Cycling { period_min, q1_var } => format!(
            "Something of {} goes on and off every {:.0} min, day and night: a compressor or pump.",
            u.say(q1_var.abs(), "var"),
            period_min
        ),
        Finding::Fluctuating { over_mean } => format!(
            "Within a record kvar move by {} of their mean: saws, presses or welders, which \
             contactor-switched capacitors do not follow.",
            percent(*over_mean)
        ),
        Finding::SwitchedLoad { share, q1_var, p_w, kind } => format!(
            "A load of {} and {} switches and makes {} of the kvarh: {}.",
            u.say(*p_w, "W"),
            u.say(*q1_var, "var"),
            percent(*share),
            behaviour(*kind)
        ),
        Finding::Leading { time_share } => format!(
            "For {} of the time the current leads: capacitors are there already.",
            percent(*time_share)
        ),
    }
}

/// A behaviour in words.
fn behaviour(k: Kind) -> &'static str {
    match k {
        Kind::Cycling => "cycles like a compressor or pump",
        Kind::Shift => "on for hours, like a machine of a shift",
        Kind::MostlyReactive => "mostly kvar, like an idle motor, transformer or welder",
        Kind::MostlyActive => "mostly kW, like a running motor that takes up load, or a heater",
        Kind::Other => "switches irregularly",
    }
}

fn caution(c: &Caution) -> String {
    match c {
        Caution::DifferentTimes { names } => format!(
            "Not recorded during the peak: {}. Their part is the mean of the same weekday and \
             hour in their own log, and holds only if that week was like any other.",
            names.join(", ")
        ),
        Caution::ShortLog { name, hours_of_week } => format!(
            "{name} saw {hours_of_week} of the 168 hours of a week: log it over a whole week \
             before money is spent on it."
        ),
        Caution::NoService => {
            "Without a log of the service, shares are of the sum of these logs, and loads that \
             were not logged are not in it."
                .into()
        }
        Caution::MoreThanService { ratio } => format!(
            "The feeders add to {} of the service's kvar: capacitors beside them, a feeder \
             counted twice, or a sensor of wrong ratio.",
            percent(*ratio)
        ),
        Caution::Close { first, second } => {
            format!("{first} and {second} are too close to say which draws more at the peak.")
        }
        Caution::NoPeak => {
            "No demand interval is covered whole, so there is no peak: the ranking is by the week."
                .into()
        }
    }
}

/// The ranking as one JSON object: all figures, and the sentences under `words`.
pub fn culprit_json(c: &Culprits) -> serde_json::Value {
    let mut value = serde_json::to_value(c).unwrap_or_default();
    if let Some(object) = value.as_object_mut() {
        object.insert("words".into(), serde_json::to_value(words(c)).unwrap_or_default());
    }
    value
}

/// The ranking as text.
pub fn culprit_text(c: &Culprits, style: Style) -> String {
    let mut page = Page::new(style);
    let (u, w) = (prefix(c), words(c));
    page.heading(c.basis.site.as_deref().unwrap_or("Who draws the kvar"));
    page.line(&format!("Local time {}", c.basis.time_zone));
    page.heading(&w.verdict);
    if let Some(p) = &c.peak {
        let whose = match p.of {
            PeakOf::Service => "of the service, measured",
            PeakOf::Feeders => "of the logs' sum, measured",
            PeakOf::Profiles => "of the logs' profiles by weekday and hour",
        };
        page.labelled(
            "Peak",
            LABEL,
            &format!(
                "{}, {}, {}: {} to {}, {whose}.",
                u.with(p.p_w, "W"),
                u.with(p.q1_var, "var"),
                u.with(p.s_va, "VA"),
                p.start,
                p.end.clock_words()
            ),
        );
    }
    if c.ranking.len() > 1 || c.service.is_some() {
        ranking(&mut page, c, u);
    }
    sums(&mut page, c, u);
    for (i, sentences) in c.inside.iter().zip(&w.inside) {
        one(&mut page, i, sentences, u);
    }
    page.heading("Take care");
    w.cautions.iter().for_each(|c| page.point(c));
    page.point(
        "What a load is follows from its size and times only: go and look before you name it to \
         anybody.",
    );
    if !c.basis.assumed.is_empty() {
        page.heading("Assumed, where no site file says otherwise");
        c.basis.assumed.iter().for_each(|a| page.point(a));
    }
    page.finish()
}

fn ranking(page: &mut Page, c: &Culprits, u: Prefix) {
    page.heading("Ranking by kvar at the peak");
    let from = |f: From| match f {
        From::Measured => "measured",
        From::SameHourOfWeek => "same hour",
        From::SameHourOfLikeDays => "like days",
        From::Nothing => "unknown",
    };
    let sure = |s: Sureness| match s {
        Sureness::Good => "good",
        Sureness::Fair => "fair",
        Sureness::Poor => "poor",
    };
    let row = |s: &Suspect| {
        let spread =
            s.at_peak_sd_var.map_or(String::new(), |sd| format!("±{}", u.number(2.0 * sd)));
        vec![
            format!("{} {}", s.rank, short(&s.figures.name)),
            u.number_or_none(s.at_peak_var),
            spread,
            percent_or_none(s.peak_share),
            percent_or_none(s.energy_share),
            pf(s.figures.pf),
            format!("{} h", s.figures.hours_of_week),
            from(s.at_peak_from).to_owned(),
            sure(s.sureness).to_owned(),
        ]
    };
    let rows: Vec<Vec<String>> = c.ranking.iter().map(row).collect();
    let kvar = u.unit("var");
    page.table(
        &["", &kvar, "", "of peak", "of kvarh", "PF", "seen", "from", "sure"],
        &rows,
        &[7, 8],
    );
}

/// A name that leaves room for the figures.
fn short(name: &str) -> String {
    if name.chars().count() <= 20 {
        return name.to_owned();
    }
    name.chars().take(19).chain(['…']).collect()
}

fn sums(page: &mut Page, c: &Culprits, u: Prefix) {
    if let Some(s) = &c.service {
        page.labelled(
            "",
            2,
            &format!(
                "Service {}: {} and {} on average of the week, PF {}.",
                s.name,
                u.with(s.p_w, "W"),
                u.with(s.q1_var, "var"),
                pf(s.pf)
            ),
        );
    }
    if let Some(t) = &c.together {
        page.labelled(
            "",
            2,
            &format!(
                "All together for {}: service {} and {}, sum of the feeders {} and {}.",
                span(t.hours * 3600.0),
                u.with(t.service_w, "W"),
                u.with(t.service_var, "var"),
                u.with(t.feeders_w, "W"),
                u.with(t.feeders_var, "var"),
            ),
        );
    }
    if let Some(r) = &c.unmetered {
        page.labelled("", 2, &format!(
            "Not in any feeder's log: {} and {} on average over {} hours of the week ({} of the \
             kvarh){}.",
            u.with(r.p_w, "W"),
            u.with(r.q1_var, "var"),
            r.hours_of_week,
            r.share.map_or_else(|| NONE.to_owned(), |s| format!("{:.0} %", 100.0 * s)),
            r.at_peak_var.map_or(String::new(), |q| format!(", {} at the peak", u.with(q, "var")))
        ));
    }
}

fn one(page: &mut Page, i: &Inside, sentences: &[String], u: Prefix) {
    page.heading(&format!("Inside {} (records of {})", i.name, span(i.record_s)));
    sentences.iter().for_each(|s| page.point(s));
    let a = &i.always_on;
    let row = |name: &str, p: Option<f64>, q: Option<f64>, f: Option<f64>, share: Option<f64>| {
        vec![
            name.to_owned(),
            u.number_or_none(p),
            u.number_or_none(q),
            pf(f),
            percent_or_none(share),
        ]
    };
    let mut rows =
        vec![row("Always on (95 % of the time)", Some(a.p_w), Some(a.q1_var), a.pf, a.share)];
    if let (Some(p), Some(q)) = (a.off_hours_w, a.off_hours_var) {
        let f = wattless_core::correction::power_factor(p, q);
        rows.push(row("Mean outside working hours", Some(p), Some(q), f, None));
    }
    if let Some(r) = &i.working {
        rows.push(row("Working hours add", Some(r.p_w), Some(r.q1_var), r.pf, r.share));
    }
    page.table(&["", &u.unit("W"), &u.unit("var"), "PF", "of kvarh"], &rows, &[]);
    if let Some(f) = &i.fluctuation {
        page.labelled(
            "",
            2,
            &format!(
                "Within a record of working time: {} and {} between the lowest and highest window \
             (median).",
                u.with(f.p_range_w, "W"),
                u.with(f.q1_range_var, "var")
            ),
        );
    }
    if i.loads.is_empty() {
        page.labelled(
            "",
            2,
            "No load switches clearly enough to be told from the others in these records.",
        );
        return;
    }
    let row = |l: &Switched| {
        vec![
            behaviour(l.kind)
                .split(',')
                .next()
                .unwrap_or_default()
                .replace("cycles like a ", "cycling: "),
            u.number(l.p_w),
            u.number(l.q1_var),
            pf(l.pf),
            l.times.to_string(),
            span(l.on_min * 60.0),
            percent_or_none(l.share),
        ]
    };
    let rows: Vec<Vec<String>> = i.loads.iter().map(row).collect();
    page.table(
        &["Seen to switch", &u.unit("W"), &u.unit("var"), "PF", "times", "on for", "of kvarh"],
        &rows,
        &[],
    );
}
