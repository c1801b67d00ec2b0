//! The standing proof of a correction: what it removes now, and the money so far.

use super::html::safe;
use crate::present::locale::Locale;
use crate::watch::state::{Removed, StandingProof};
use std::fmt::Write;

/// What was removed, with its uncertainty.
fn removed(r: Option<&Removed>, l: &Locale) -> String {
    let Some(r) = r else { return super::words::NONE.to_owned() };
    let kvar = |x: f64| l.four_digits(x / 1e3);
    let mut text = format!("{} ± {} kvar", kvar(r.removed_var), kvar(r.uncertainty_var));
    if let Some(expected) = r.expected_var {
        let _ = write!(text, "; the units should give {}", kvar(expected));
    }
    text
}

/// The verdict in a sentence.
pub fn verdict(p: &StandingProof, l: &Locale) -> String {
    let change = p.change_var.map(|x| l.four_digits(libm::fabs(x) / 1e3));
    match (change, p.change_var, p.fell) {
        (Some(kvar), _, true) => {
            format!("This week it removes {kvar} kvar less than when it was proven.")
        }
        (Some(_), _, false) if p.week.is_some() => "It still works as proven.".to_owned(),
        _ => "It cannot be told yet whether it works as proven.".to_owned(),
    }
}

/// The section of the page, without its heading.
pub fn html(p: &StandingProof, l: &Locale, when: &dyn Fn(i64) -> String) -> String {
    let mut out = format!("<p><strong>{}</strong></p><dl class=\"facts\">", safe(&verdict(p, l)));
    let mut row = |title: &str, text: &str| {
        let _ = write!(out, "<div><dt>{title}</dt><dd>{}</dd></div>", safe(text));
    };
    row("Removed this week", &removed(p.week.as_ref(), l));
    row("Removed when proven", &removed(p.proof.as_ref(), l));
    if let (Some(change), Some(uncertainty)) = (p.change_var, p.change_uncertainty_var) {
        let (c, u) = (l.four_digits(change / 1e3), l.four_digits(uncertainty / 1e3));
        row("Change since", &format!("{c} ± {u} kvar, at like load"));
    }
    if let Some(s) = &p.saved {
        let locale = Locale { currency: Some(s.currency.clone()), ..l.clone() };
        let covered = match s.covered_share {
            c if c >= 0.995 => String::new(),
            c => format!(
                "; records cover {} % of that time, the rest is not counted",
                l.number(c * 100.0, 0)
            ),
        };
        let money = locale.money(s.money);
        row("Saved so far", &format!("{money}, {} to {}{covered}", when(s.from_ms), when(s.to_ms)));
    }
    row("Work done", &when(p.installed_ms));
    out.push_str("</dl>");
    for note in &p.notes {
        let _ = write!(out, "<p class=\"told\">{}</p>", safe(&l.localise(note)));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::watch::state::Saved;

    #[test]
    fn a_fall_is_said_first_and_missing_figures_are_dashes() {
        let l = Locale::NORTH_AMERICAN;
        let when = |_| "then".to_owned();
        let empty = html(&StandingProof::default(), &l, &when);
        assert!(empty.contains("cannot be told yet") && empty.contains("<dd>–</dd>"), "{empty}");
        let week = |kvar: f64| {
            Some(Removed {
                removed_var: kvar * 1e3,
                uncertainty_var: 1500.0,
                expected_var: Some(50_000.0),
            })
        };
        let mut p = StandingProof {
            proof: week(49.0),
            week: week(33.0),
            change_var: Some(-16_000.0),
            change_uncertainty_var: Some(2000.0),
            fell: true,
            saved: Some(Saved {
                money: 1234.4,
                currency: "EUR".to_owned(),
                from_ms: 0,
                to_ms: 1,
                covered_share: 0.9,
            }),
            notes: vec!["a < b".to_owned()],
            ..StandingProof::default()
        };
        let text = html(&p, &l, &when);
        for part in [
            "This week it removes 16.00 kvar less than when it was proven.",
            "33.00 ± 1.50 kvar; the units should give 50.00",
            "−16.00 ± 2.00 kvar",
            "1,234\u{A0}EUR, then to then; records cover 90 %",
            "a &lt; b",
        ] {
            assert!(text.contains(part), "{part} is not in {text}");
        }
        (p.fell, p.change_var) = (false, Some(100.0));
        assert_eq!(verdict(&p, &l), "It still works as proven.");
    }
}
