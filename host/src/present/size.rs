//! Corrections side by side on a terminal, and why a figure is what it is.

use super::number::{NONE, four_digits, grouped, percent, pf};
use super::text::{Page, Style};
use crate::analyse::size::why::why;
use crate::analyse::size::{Outcome, Sizing};

/// Width of the labels ahead of paragraphs.
const LABEL: usize = 13;

/// Names of candidates that a limit excludes, shown one by one.
const EXCLUDED_SHOWN: usize = 8;

/// What a licensed person has to do with it.
pub const REVIEW: &str = "A proposal, not a design: a licensed person reviews it before anything \
     is bought or installed. Local codes decide.";

/// The sizing as text.
pub fn size_text(s: &Sizing, style: Style) -> String {
    let mut page = Page::new(style);
    head(&mut page, s);
    recommendation(&mut page, s);
    side_by_side(&mut page, s);
    excluded(&mut page, s);
    cautions(&mut page, s);
    if !s.basis.assumed.is_empty() {
        page.heading("Assumed");
        s.basis.assumed.iter().for_each(|a| page.point(a));
    }
    page.line("");
    page.labelled("", 0, REVIEW);
    page.finish()
}

/// The sizing as one JSON object.
pub fn size_json(s: &Sizing) -> serde_json::Value {
    let mut value = serde_json::to_value(s).unwrap_or_default();
    if let Some(object) = value.as_object_mut() {
        object.insert("review".into(), REVIEW.into());
        object.insert("recommended_id".into(), s.best().id.clone().into());
    }
    value
}

fn money(s: &Sizing, x: f64) -> String {
    format!("{} {}", grouped(x), s.basis.currency)
}

fn whole(x: Option<f64>) -> String {
    x.map_or_else(|| NONE.to_owned(), grouped)
}

fn head(page: &mut Page, s: &Sizing) {
    let b = &s.basis;
    let title = match (&b.site, &b.feeder) {
        (Some(site), Some(feeder)) => format!("{site}, {feeder}: correction"),
        (Some(name), None) | (None, Some(name)) => format!("{name}: correction"),
        (None, None) => "Correction".to_owned(),
    };
    page.heading(&title);
    page.labelled(
        "",
        0,
        &format!(
            "{} to {}: {} records replayed through {} candidates{}, billed by {} over one year{}.",
            b.first,
            b.last,
            grouped(b.replayed as f64),
            grouped(s.examined as f64),
            if s.exhaustive { " (all there are)" } else { " (of more; searched by neighbours)" },
            b.tariff,
            if b.filled_share > 0.0 {
                format!(", {} of it extended from like days of the log", percent(b.filled_share))
            } else {
                String::new()
            }
        ),
    );
}

fn recommendation(page: &mut Page, s: &Sizing) {
    let best = s.best();
    let d = &s.distortion;
    if d.is_the_cause {
        page.heading("Harmonics make the power factor low: capacitors will not fix it");
        page.labelled(
            "Why",
            LABEL,
            &format!(
                "The power factor of the fundamental is {}, the true one {}: the current is \
                 distorted, not out of phase. Look at filtering at the loads that distort, not at \
                 capacitors.",
                pf(d.displacement_pf),
                pf(d.true_pf)
            ),
        );
    }
    if best.id == "C0" {
        page.heading("Do nothing: no correction pays within its limits");
        if let Some(other) = s.candidates.iter().find(|c| c.id != "C0") {
            page.labelled(
                "Best of rest",
                LABEL,
                &format!(
                    "{}: costs {}, saves {} a year, worth {} over {} years.",
                    other.name,
                    money(s, other.first_cost),
                    money(s, other.score.saving_year.unwrap_or(0.0)),
                    money(s, other.score.npv.unwrap_or(0.0)),
                    s.basis.economics.years
                ),
            );
        }
        return;
    }
    page.heading(&format!("Recommended: {} {}", best.id, best.name));
    page.labelled(
        "Costs",
        LABEL,
        &format!(
            "{} ({} to buy, {} to install){}.",
            money(s, best.first_cost),
            grouped(best.cost.price),
            grouped(best.cost.installation),
            if best.cost.yearly > 0.0 {
                format!(", upkeep {} a year", money(s, best.cost.yearly))
            } else {
                String::new()
            }
        ),
    );
    let net = best.score.saving_year.unwrap_or(0.0) - best.cost.yearly;
    page.labelled(
        "Saves",
        LABEL,
        &format!("{} a month, {} a year, upkeep taken off.", money(s, net / 12.0), money(s, net)),
    );
    sureness(page, s);
    page.labelled(
        "Pays back",
        LABEL,
        &format!(
            "in {}; worth {} over {} years at {} % interest.",
            years(best.payback_years),
            money(s, best.score.npv.unwrap_or(0.0)),
            s.basis.economics.years,
            s.basis.economics.discount_share * 100.0
        ),
    );
    let base = &s.nothing.score;
    page.labelled(
        "Does",
        LABEL,
        &format!(
            "average power factor {} to {}, highest demand {} to {} kVA{}.",
            pf(base.average_pf),
            pf(best.score.average_pf),
            four_digits(base.peak_kva),
            four_digits(best.score.peak_kva),
            best.score.loss_saved_kwh.map_or_else(String::new, |kwh| format!(
                ", {} kWh a year less loss upstream",
                grouped(kwh)
            ))
        ),
    );
}

/// How sure the saving is, where a short log stands for the year.
fn sureness(page: &mut Page, s: &Sizing) {
    let Some(e) = &s.basis.extrapolation else { return };
    let width = match (e.power_factor_half_width_95, s.basis.power_factor_part) {
        (Some(w), Some(part)) => format!(
            "the year's power-factor part, {}, is known to ±{} (95 %, by the spread of like days)",
            money(s, part),
            money(s, w)
        ),
        _ => "how sure the year is cannot be told from so few days".to_owned(),
    };
    let limits = e.limits.first().map_or_else(String::new, |l| format!("; {l}"));
    page.labelled("How sure", LABEL, &format!("{width}{limits}."));
    for limit in e.limits.iter().skip(1) {
        page.labelled("", LABEL, &format!("Also: {limit}."));
    }
}

fn years(x: Option<f64>) -> String {
    match x {
        None => "no time that can be told".to_owned(),
        Some(y) if y < 0.95 => format!("{:.0} months", (y * 12.0).max(1.0)),
        Some(y) => format!("{y:.1} years"),
    }
}

/// The row of a candidate; `mark` stands ahead of its id.
fn row(c: &Outcome, mark: &str) -> Vec<String> {
    let worst = c.score.checked.parts.iter().fold(None, |w: Option<f64>, p| {
        Some(w.map_or(p.stress.current, |x| x.max(p.stress.current)))
    });
    vec![
        format!("{}{mark}", c.id),
        four_digits(c.installed_var / 1e3),
        grouped(c.first_cost),
        whole(c.score.saving_year.map(|x| x - c.cost.yearly)),
        c.payback_years.map_or_else(|| NONE.to_owned(), |y| format!("{y:.1}")),
        whole(c.score.npv),
        pf(c.score.average_pf),
        four_digits(c.score.peak_kva),
        format!("{:.1}", c.score.leading_share * 100.0),
        c.score.checked.rise_pct.map_or_else(|| NONE.to_owned(), |x| format!("{x:.1}")),
        worst.map_or_else(|| NONE.to_owned(), |x| format!("{:.0}", x * 100.0)),
    ]
}

const COLUMNS: [&str; 11] =
    ["", "kvar", "cost", "saves", "pays", "worth", "PF", "kVA", "lead", "rise", "I"];

fn side_by_side(page: &mut Page, s: &Sizing) {
    page.heading("Side by side, the best of each kind (money in the tariff's currency)");
    let best = s.best().id.clone();
    let rows: Vec<Vec<String>> =
        s.candidates.iter().map(|c| row(c, if c.id == best { " *" } else { "" })).collect();
    page.table(&COLUMNS, &rows, &[]);
    page.labelled(
        "",
        2,
        "saves: a year, less upkeep. pays: years. worth: net present value. PF: year's average. \
         kVA: highest. lead: % of intervals leading. rise: % voltage, all on. I: % of the \
         capacitors' rated current. * recommended.",
    );
    for c in &s.candidates {
        page.labelled(&format!("  {}", c.id), 7, &c.name);
    }
}

fn excluded(page: &mut Page, s: &Sizing) {
    if s.excluded.is_empty() && s.barred.is_empty() {
        return;
    }
    page.heading("Excluded by a limit");
    for c in s.excluded.iter().take(EXCLUDED_SHOWN) {
        let why: Vec<&str> =
            c.score.checked.exclusions.iter().map(|r| r.words.as_str()).take(2).collect();
        page.labelled(&format!("  {}", c.id), 7, &format!("{}: {}.", c.name, why.join("; ")));
    }
    for b in &s.barred {
        page.labelled("  -", 7, &format!("{}: {}.", b.place, b.reason));
    }
}

fn cautions(page: &mut Page, s: &Sizing) {
    page.heading("Take care");
    let best = s.best();
    for r in &best.score.checked.cautions {
        page.point(&format!("{}.", r.words));
    }
    for p in &best.score.checked.parts {
        page.point(&format!(
            "{}: {:.1} A; conductors for at least {:.1} A (135 %, NFPA 70 Article 460; local code \
             decides).",
            p.name, p.current_a, p.conductor_a
        ));
    }
    if s.distortion.measured.is_none() {
        page.point(
            "Harmonics are not known: measure them before capacitors are bought (resonance, and \
             what flows through them).",
        );
    }
    if best.id != "C0" {
        page.point(
            "Capacitors hold charge: wait the discharge time, test, short; de-energise and lock \
             out before any work.",
        );
        page.point(
            "After installation: log a week again and compare, to prove that every phase works.",
        );
    }
}

/// Why the figures of a candidate are what they are.
pub fn why_text(s: &Sizing, c: &Outcome, style: Style) -> String {
    let mut page = Page::new(style);
    page.heading(&format!("{} {}", c.id, c.name));
    for e in why(s, c) {
        page.line("");
        page.labelled("", 0, &format!("{}: {}", style.strong(&e.figure), e.value));
        page.labelled("  how", 8, &e.formula);
        page.labelled("  with", 8, &e.inputs);
        page.labelled("  from", 8, &e.source);
    }
    for r in &c.score.checked.exclusions {
        page.line("");
        page.labelled("Excluded", 10, &format!("{}.", r.words));
    }
    page.line("");
    page.labelled("", 0, REVIEW);
    page.finish()
}
