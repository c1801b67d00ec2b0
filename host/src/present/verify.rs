//! The verification on a terminal: answer first, then figures, loads, days, uncertainty.

use super::number::{NONE, Prefix, count, grouped, percent, pf, span};
use super::saved::sentences;
use super::text::{Page, Style};
use crate::analyse::verify::money::Saved;
use crate::analyse::verify::unit::{Control, Explanation, State, Unit};
use crate::analyse::verify::{Drop, Outcome, Period, Reason, Verification};
use serde::Serialize;

/// Width of the labels ahead of paragraphs.
const LABEL: usize = 11;

/// Days shown one by one.
const DAYS_SHOWN: usize = 14;

/// Sentences of a verification.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Words {
    /// The answer in one sentence.
    pub verdict: String,
    /// Why.
    pub why: Vec<String>,
    /// What is to be known beside.
    pub know: Vec<String>,
    /// What to do next.
    pub next: Vec<String>,
    /// What to be careful with.
    pub cautions: Vec<String>,
}

/// The unit prefix that suits a verification.
pub fn prefix(v: &Verification) -> Prefix {
    let expected = v.total.expected_var.unwrap_or(0.0);
    Prefix::for_peak(v.before.p_high_w.abs().max(v.total.before_var.abs()).max(expected))
}

/// Puts a verification into sentences.
pub fn words(v: &Verification) -> Words {
    let u = prefix(v);
    Words {
        verdict: verdict(v, u),
        why: v.verdict.reasons.iter().map(|r| reason(r, v, u)).collect(),
        know: v.verdict.remarks.iter().map(|r| reason(r, v, u)).collect(),
        next: next(v),
        cautions: cautions(v),
    }
}

fn against(v: &Verification, u: Prefix) -> String {
    let t = &v.total;
    let measured = format!(
        "{} (±{}) {} at the same load",
        u.say(t.measured_var.abs(), "var"),
        u.number(t.uncertainty_var),
        if t.measured_var < 0.0 { "more" } else { "less" },
    );
    match t.expected_var.filter(|e| *e > 0.0) {
        Some(e) => format!("{measured}, {} installed", u.say(e, "var")),
        None => measured,
    }
}

fn verdict(v: &Verification, u: Prefix) -> String {
    let against = against(v, u);
    match v.verdict.outcome {
        Outcome::Worked => format!("It worked: {against}."),
        Outcome::Partly => format!("It worked only in part: {against}."),
        Outcome::Not => format!("It did not work: {against}."),
        Outcome::CannotTell => format!("Cannot tell: {against}."),
    }
}

fn list(names: &[String]) -> String {
    match names {
        [] => String::new(),
        [one] => one.clone(),
        [rest @ .., last] => format!("{} and {last}", rest.join(", ")),
    }
}

fn shares(v: &Verification) -> String {
    let each: Vec<String> = v
        .phases
        .iter()
        .map(|p| format!("{} {}", p.of, p.ratio.map_or_else(|| NONE.to_owned(), percent_of)))
        .collect();
    each.join(", ")
}

/// A ratio as percent, also below nothing and above all.
fn percent_of(ratio: f64) -> String {
    let p = libm::rint(ratio * 100.0);
    format!("{} %", if p == 0.0 { 0.0 } else { p })
}

fn reason(r: &Reason, v: &Verification, u: Prefix) -> String {
    let of_expected = || v.total.ratio.map_or_else(|| NONE.to_owned(), percent_of);
    match r {
        Reason::AsInstalled => format!(
            "The drop is {} ± {} of what the units give at this voltage, and every phase has its \
             part ({}).",
            of_expected(),
            v.total.ratio_uncertainty.map_or_else(|| NONE.to_owned(), percent_of),
            shares(v)
        ),
        Reason::LineOpen { unit, place } => format!(
            "The line {place} to {unit} is open: a blown fuse, a loose wire or a dead contact. \
             Of the expected drop the phases show {}.",
            shares(v)
        ),
        Reason::ElementDead { unit, place } => format!(
            "The element {place} of {unit} is dead. Of the expected drop the phases show {}.",
            shares(v)
        ),
        Reason::OneOf { units } => {
            format!("The readings do not tell which one it is: {} show the same.", list(units))
        }
        Reason::UnitsMissing { units } => format!(
            "{} of the expected drop is there, on all phases alike ({}): {} {} nothing.",
            of_expected(),
            shares(v),
            list(units),
            if units.len() == 1 { "gives" } else { "give" }
        ),
        Reason::OrMissing { combinations } => {
            let each: Vec<String> = combinations.iter().map(|c| list(c)).collect();
            format!("It fits as well that these are missing instead: {}.", each.join("; or "))
        }
        Reason::NoDrop => {
            "No phase shows a drop: the bank is off (switch, contactor, all fuses), or the sensor \
             does not see it."
                .into()
        }
        Reason::SensorBehindCapacitor { voltage_rise_pct, expected_rise_pct } => {
            let rise = match expected_rise_pct {
                Some(e) => format!(
                    "The voltage at like load moved by {voltage_rise_pct:+.2} %; the bank would \
                     raise it by {e:.2} %, whichever side the sensor is on"
                ),
                None => format!("The voltage at like load moved by {voltage_rise_pct:+.2} %"),
            };
            format!(
                "A sensor between capacitor and load sees the load's kvar only and never a drop. \
                 {rise}."
            )
        }
        Reason::LessThanInstalled { ratio } => format!(
            "{} of the expected drop is there ({}), which no missing unit and no single fault \
             explains: check the list of units, their voltage and connection.",
            percent_of(*ratio),
            shares(v)
        ),
        Reason::MoreThanInstalled { ratio } => format!(
            "{} of the expected drop was measured, more than the units can give: something else \
             changed too, or the list of units is wrong.",
            percent_of(*ratio)
        ),
        Reason::KvarRose { by_var } => {
            format!("At the same load the feeder draws {} more than before.", u.say(*by_var, "var"))
        }
        Reason::LoadBeyondRange { covered_share, before_w, after_w } => format!(
            "Only {} of the time after has a load that was seen before ({} to {}; after: {} to \
             {}). What lies outside is not compared, since nobody knows what it drew before.",
            percent(*covered_share),
            u.number(before_w[0]),
            u.say(before_w[1], "W"),
            u.number(after_w[0]),
            u.say(after_w[1], "W"),
        ),
        Reason::MoreDataNeeded { reached_share, wished_share } => format!(
            "The uncertainty is ±{} of what was installed; ±{} was wished for.",
            percent_of(*reached_share),
            percent_of(*wished_share)
        ),
        Reason::FaultNotExcluded { ratio, uncertainty } => format!(
            "{} ± {} of the expected drop is there. Whole units are within reach of that, but a \
             missing unit or a dead phase fits better.",
            percent_of(*ratio),
            percent_of(*uncertainty)
        ),
        Reason::NothingListed => {
            "Nothing is known of what was installed, so there is nothing to hold the drop \
             against: list the units in the site file ([[installed]]) or with --unit."
                .into()
        }
        Reason::NothingExpected => {
            "By their control the listed units were off all the time after: there was nothing to \
             see."
                .into()
        }
        Reason::ChangedDuring { at, ratio_before, ratio_from } => format!(
            "The drop changed at about {at}: {} of what was installed before, {} from then on.",
            percent_of(*ratio_before),
            percent_of(*ratio_from)
        ),
        Reason::Leading { share, share_before, most_var, below_095_share } => format!(
            "The feeder leads for {} of its loaded time (before: {}), by up to {}; below 0.95 \
             leading for {} of that.",
            percent(*share),
            percent(*share_before),
            u.say(*most_var, "var"),
            percent(*below_095_share)
        ),
        Reason::VoltageDiffers { by_pct, exponent, exponent_sd } => format!(
            "The voltage at like load differs by {by_pct:+.1} %. The load's kvar were corrected \
             for it with the {exponent:.1} ± {exponent_sd:.1}th power of the voltage."
        ),
        Reason::MixMayDiffer { share } => format!(
            "{} of the uncertainty (as variance) stands for machines that may run in another mix \
             at the same kW; more time does not lower it.",
            percent(*share)
        ),
    }
}

fn next(v: &Verification) -> Vec<String> {
    let mut out = Vec::new();
    for r in v.verdict.reasons.iter().chain(&v.verdict.remarks) {
        match r {
            Reason::LineOpen { .. } | Reason::ElementDead { .. } => out.push(
                "Measure the current in each lead of that unit with a clamp; isolate, wait for \
                 discharge, test, then check fuses, contacts and elements."
                    .into(),
            ),
            Reason::UnitsMissing { .. } => {
                out.push(
                    "See that the unit is switched on: switch, contactor, controller, fuses."
                        .into(),
                );
            }
            Reason::FaultNotExcluded { .. } => out.push(
                "Measure the current in each lead of each unit with a clamp, or log another week."
                    .into(),
            ),
            Reason::NoDrop => out.push(
                "Clamp the bank's own leads: with its rated current there it works, and the \
                 sensor must move upstream of the bank's connection; without it the bank is off."
                    .into(),
            ),
            Reason::LoadBeyondRange { .. } if v.verdict.outcome == Outcome::CannotTell => out.push(
                "Log on until the load is as it was, or switch the bank off for some hours of \
                 the present load and use those as the range before."
                    .into(),
            ),
            Reason::ChangedDuring { at, ratio_before, ratio_from } => {
                if ratio_from < ratio_before {
                    out.push(format!("Look for what failed or was switched at about {at}."));
                } else {
                    out.push(format!(
                        "If work went on until then, verify again with the range after from {at}."
                    ));
                }
            }
            Reason::Leading { below_095_share, .. } if *below_095_share > 0.1 => out.push(
                "Look whether the tariff charges leading kvarh; if so, switch part of the bank \
                 with the load."
                    .into(),
            ),
            _ => {}
        }
    }
    if let Some(n) = &v.needed
        && v.verdict.outcome == Outcome::CannotTell
    {
        out.push(match (n.needed_after_h, n.needed_before_h) {
            (Some(h), _) => format!(
                "Log on: about {} of like load in all after the work ({} are there).",
                span(h * 3600.0),
                span(n.after_h * 3600.0)
            ),
            (None, Some(h)) => format!(
                "More time after does not help; a range before of about {} would ({} are there).",
                span(h * 3600.0),
                span(n.before_h * 3600.0)
            ),
            (None, None) => "No length of log brings the uncertainty down to the wish: compare \
                             by switching the bank off and on at steady load."
                .into(),
        });
    }
    out.dedup();
    out
}

fn cautions(v: &Verification) -> Vec<String> {
    let mut out = vec![
        "Capacitors hold charge after they are switched off: wait the discharge time, test, \
         short. Only qualified persons; local codes decide."
            .to_owned(),
    ];
    if v.verdict.outcome == Outcome::Worked {
        out.push(
            "Today's answer: a unit can fail tomorrow. Keep the node on the feeder and look at \
             the drop again."
                .into(),
        );
    }
    out
}

/// The verification as one JSON object: all figures, and the sentences under `words`.
pub fn verify_json(v: &Verification, saved: Option<&Saved>) -> serde_json::Value {
    let mut value = serde_json::to_value(v).unwrap_or_default();
    if let Some(object) = value.as_object_mut() {
        object.insert("words".into(), serde_json::to_value(words(v)).unwrap_or_default());
        if let Some(s) = saved {
            let mut money = serde_json::to_value(s).unwrap_or_default();
            money["words"] = sentences(s, v).into();
            object.insert("money".into(), money);
        }
    }
    value
}

/// The verification as text.
pub fn verify_text(v: &Verification, saved: Option<&Saved>, style: Style) -> String {
    let mut page = Page::new(style);
    let (u, w) = (prefix(v), words(v));
    head(&mut page, v, &w);
    if let Some(s) = saved {
        page.heading("What it saves");
        sentences(s, v).iter().for_each(|x| page.point(x));
    }
    drops(&mut page, v, u);
    ranges(&mut page, v, u);
    loads(&mut page, v, u);
    days(&mut page, v, u);
    uncertainty(&mut page, v, u);
    explanations(&mut page, v, u);
    page.heading("Take care");
    w.cautions.iter().for_each(|c| page.point(c));
    if !v.basis.assumed.is_empty() {
        page.heading("Assumed");
        v.basis.assumed.iter().for_each(|a| page.point(a));
    }
    page.finish()
}

fn head(page: &mut Page, v: &Verification, w: &Words) {
    page.heading(&match (&v.basis.site, &v.basis.feeder) {
        (Some(site), Some(feeder)) => format!("{site}, {feeder}"),
        (Some(name), None) | (None, Some(name)) => name.clone(),
        (None, None) => "Verification".to_owned(),
    });
    page.line(&format!("Before  {} to {}", v.before.first, v.before.last));
    page.line(&format!("After   {} to {} ({})", v.after.first, v.after.last, v.basis.time_zone));
    page.heading(&w.verdict);
    for (label, sentences) in [("Why", &w.why), ("Know", &w.know), ("Next", &w.next)] {
        for (k, sentence) in sentences.iter().enumerate() {
            page.labelled(if k == 0 { label } else { "" }, LABEL, sentence);
        }
    }
}

fn drops(page: &mut Page, v: &Verification, u: Prefix) {
    page.heading(&format!(
        "{} at the loads after, as before and as measured ({} confidence)",
        u.unit("var"),
        percent(v.basis.confidence)
    ));
    let row = |d: &Drop| {
        vec![
            d.of.to_owned(),
            u.number(d.before_var),
            u.number(d.after_var),
            u.number(d.measured_var),
            format!("±{}", u.number(d.uncertainty_var)),
            u.number_or_none(d.expected_var),
            d.ratio.map_or_else(|| NONE.to_owned(), percent_of),
            d.ratio_uncertainty.map_or_else(|| NONE.to_owned(), |x| format!("±{}", percent_of(x))),
        ]
    };
    let mut rows: Vec<Vec<String>> = v.phases.iter().map(row).collect();
    rows.push(row(&v.total));
    page.table(&["", "before", "after", "drop", "", "expected", "ratio", ""], &rows, &[]);
    for unit in &v.installed {
        page.labelled("", 2, &format!("{}.", installed(unit, u)));
    }
}

/// A unit in words.
fn installed(unit: &Unit, u: Prefix) -> String {
    let control = match unit.control {
        Control::Fixed => "always on".to_owned(),
        Control::Automatic { target_pf, step_var } => format!(
            "steps of {} by a controller that aims at {target_pf:.2}",
            u.say(step_var, "var")
        ),
        Control::WithLoad { from_w } => format!("on from {} of load", u.say(from_w, "W")),
    };
    format!(
        "{}: {} at {:.0} V, {:.0} Hz, {}, {control}",
        unit.name,
        u.say(unit.rated_var, "var"),
        unit.rated_v,
        unit.rated_hz,
        unit.connection.name()
    )
}

fn ranges(page: &mut Page, v: &Verification, u: Prefix) {
    page.heading("The two ranges (whole, not at the same load)");
    type Row<'a> = (&'a str, &'a dyn Fn(&Period) -> String);
    let figures: [Row<'_>; 13] = [
        ("Time recorded", &|p| span(p.measured_h * 3600.0)),
        ("Days", &|p| p.days.to_string()),
        ("Records used", &|p| grouped(p.records as f64)),
        ("Left out", &|p| grouped(p.left_out as f64)),
        ("Mean power", &|p| u.with(p.p_mean_w, "W")),
        ("Power, 1 to 99 %", &|p| {
            format!("{} to {}", u.number(p.p_low_w), u.with(p.p_high_w, "W"))
        }),
        ("Mean reactive power", &|p| u.with(p.q1_mean_var, "var")),
        ("PF from energies", &|p| pf(p.pf)),
        ("Leading", &|p| percent(p.leading_share)),
        ("Phase voltage", &|p| format!("{:.1} V", p.v_mean_v)),
        ("Current, RMS", &|p| format!("{} A", super::number::three_digits(p.i_rms_a))),
        ("Fit: R²", &|p| format!("{:.3}", p.regression.r_squared)),
        ("Fit: CV(RMSE)", &|p| p.regression.cv_rmse.map_or_else(|| NONE.to_owned(), percent_of)),
    ];
    let mut rows: Vec<Vec<String>> = figures
        .iter()
        .map(|(name, f)| vec![(*name).to_owned(), f(&v.before), f(&v.after)])
        .collect();
    rows.push(vec![
        "Independent records".into(),
        grouped(v.before.regression.effective_records),
        grouped(v.after.regression.effective_records),
    ]);
    page.table(&["", "before", "after"], &rows, &[]);
    let curve = |p: &Period| {
        let r = &p.regression;
        let signed = |x: f64, digits: usize| {
            format!("{} {:.digits$}", if x < 0.0 { "−" } else { "+" }, x.abs())
        };
        // Per kW where powers are in kW.
        let scale = if u == Prefix::Kilo { 1e3 } else { 1.0 };
        format!(
            "{} {}·P {}·P²",
            u.number(r.a_var),
            signed(r.b_var_per_w, 3),
            signed(r.c_var_per_w2 * scale, 5)
        )
    };
    page.labelled(
        "",
        2,
        &format!(
            "As a plain curve at {:.1} V, {} from {}: before {}; after {}.",
            v.basis.reference_v,
            u.unit("var"),
            u.unit("W"),
            curve(&v.before),
            curve(&v.after)
        ),
    );
}

fn loads(page: &mut Page, v: &Verification, u: Prefix) {
    page.heading(&format!("By load: {} before and after", u.unit("var")));
    let hours = |h: f64| if h > 0.0 { format!("{h:.1}") } else { NONE.to_owned() };
    let rows: Vec<Vec<String>> = v
        .coverage
        .bins
        .iter()
        .filter(|b| b.before_h > 0.0 || b.after_h > 0.0)
        .map(|b| {
            let drop = b.before_var.zip(b.after_var).map(|(x, y)| x - y);
            vec![
                format!("{} to {}", u.number(b.from_w), u.number(b.to_w)),
                hours(b.before_h),
                hours(b.after_h),
                u.number_or_none(b.before_var),
                u.number_or_none(b.after_var),
                u.number_or_none(drop),
                if b.compared { String::new() } else { "not compared".into() },
            ]
        })
        .collect();
    page.table(&[&u.unit("W"), "h before", "h after", "before", "after", "drop", ""], &rows, &[6]);
    page.labelled(
        "",
        2,
        &format!(
            "{} of the time after has a load that was seen before.",
            percent(v.coverage.covered_share)
        ),
    );
}

fn days(page: &mut Page, v: &Verification, u: Prefix) {
    if v.days.is_empty() || v.days.len() > DAYS_SHOWN {
        return;
    }
    page.heading("The drop day by day");
    let rows: Vec<Vec<String>> = v
        .days
        .iter()
        .map(|d| {
            vec![
                format!("{} {}", d.day, d.date),
                format!("{:.1} h", d.compared_h),
                u.with(d.measured_var, "var"),
                d.ratio.map_or_else(|| NONE.to_owned(), percent_of),
            ]
        })
        .collect();
    page.table(&["", "compared", "drop", "of expected"], &rows, &[]);
}

fn uncertainty(page: &mut Page, v: &Verification, u: Prefix) {
    let b = &v.uncertainty;
    page.heading("Where the uncertainty comes from (one standard deviation)");
    let rows: Vec<Vec<String>> = [
        ("The fit before, with serial correlation", b.before_var),
        ("  of that: exponent of the voltage", b.voltage_var),
        ("The mean after, with serial correlation", b.after_var),
        ("Another mix of machines at the same kW", b.mix_var),
        ("The instrument", b.instrument_var),
        ("All together", b.combined_var),
    ]
    .into_iter()
    .map(|(name, x)| vec![name.to_owned(), u.number(x)])
    .collect();
    page.table(&["", &u.unit("var")], &rows, &[]);
    let neighbours = (v.before.regression.lag1, v.after.regression.lag1);
    page.labelled("", 2, &format!(
        "Neighbouring records correlate by {:.2} before and {:.2} after, so {} count as {:.0} and \
         {} as {:.0} independent ones. t = {:.2} with {:.0} degrees of freedom.",
        neighbours.0,
        neighbours.1,
        count(v.before.records, "record", "records"),
        v.before.regression.effective_records,
        count(v.after.records, "record", "records"),
        v.after.regression.effective_records,
        b.t,
        b.freedom
    ));
    if let (Some(own), Some(g)) = (b.own_share, b.guideline14_share) {
        page.labelled("", 2, &format!(
            "Uncertainty over drop: {}; the short formula of ASHRAE Guideline 14 (from memory), \
             which knows neither mix nor voltage, gives {}.",
            percent(own),
            percent(g)
        ));
    }
}

fn explanations(page: &mut Page, v: &Verification, u: Prefix) {
    if v.explanations.len() < 2 {
        return;
    }
    page.heading(&format!("What would fit ({} on each phase; 0 fits best)", u.unit("var")));
    let rows: Vec<Vec<String>> = v
        .explanations
        .iter()
        .take(6)
        .map(|e| {
            let mut row = vec![states(e, &v.installed)];
            row.extend(e.phase_var.iter().take(v.phases.len()).map(|q| u.number(*q)));
            row.push(u.number(e.total_var));
            row.push(format!("{:.1}", e.misfit));
            row
        })
        .collect();
    let mut header = vec![""];
    header.extend(v.phases.iter().map(|p| p.of));
    header.extend(["total", "misfit"]);
    page.table(&header, &rows, &[]);
}

/// The states of units in words.
fn states(e: &Explanation, units: &[Unit]) -> String {
    const LINES: [&str; 3] = ["L1", "L2", "L3"];
    const PAIRS: [&str; 3] = ["L1-L2", "L2-L3", "L3-L1"];
    let each: Vec<String> = e
        .states
        .iter()
        .zip(units)
        .filter_map(|(s, unit)| {
            let name =
                |all: &[&str; 3], k: u8| all.get(usize::from(k)).copied().unwrap_or("?").to_owned();
            match s {
                State::Whole => None,
                State::Absent => Some(format!("{} off", unit.name)),
                State::LineOpen(k) => {
                    Some(format!("{}: line {} open", unit.name, name(&LINES, *k)))
                }
                State::ElementDead(k) => {
                    Some(format!("{}: element {} dead", unit.name, name(&PAIRS, *k)))
                }
            }
        })
        .collect();
    if each.is_empty() { "all as installed".into() } else { each.join(", ") }
}
