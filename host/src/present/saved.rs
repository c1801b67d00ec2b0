//! What a measured drop of kvar saves, in sentences.

use super::number::{grouped, percent};
use crate::analyse::verify::money::Saved;
use crate::analyse::verify::{Outcome, Verification};

/// The money in sentences: what is saved and how sure, what it is of, what was promised.
pub fn sentences(s: &Saved, v: &Verification) -> Vec<String> {
    let money = |x: f64| format!("{} {}", grouped(x), s.currency);
    let (Some(saved), Some([from, to])) = (s.saved, s.saved_from_to) else {
        return vec![format!(
            "By the tariff \u{201c}{}\u{201d} the money cannot be told: it asks for a quantity that \
             the log does not hold; `wattless bill` says which.",
            s.tariff
        )];
    };
    let over =
        if s.of_a_year { "a year".to_owned() } else { format!("in the {:.1} days after", s.days) };
    let verb = if saved < 0.0 { "costs" } else { "saves" };
    let mut out = vec![format!(
        "By the tariff \u{201c}{}\u{201d} the measured change {verb} {} {over} ({} to {} by the \
         uncertainty of the drop, {} confidence).",
        s.tariff,
        money(saved.abs()),
        money(if saved < 0.0 { -to } else { from }),
        money(if saved < 0.0 { -from } else { to }),
        percent(v.basis.confidence)
    )];
    if let (Some(now), Some(without)) = (s.power_factor_part, s.power_factor_part_without) {
        out.push(format!(
            "Power-factor part of the bill {over}: {} as it is, {} with the kvar that are gone, at \
             the loads after.",
            money(now),
            money(without)
        ));
    }
    match (&s.extrapolation, &s.not_extended) {
        (Some(x), _) => out.push(format!(
            "The year is the range after extended by like days ({} of {} days measured): other \
             seasons and shutdowns are not in the range given.",
            x.days_measured, x.days
        )),
        (None, Some(why)) => {
            out.push(format!("These are no sums of a month or a year: {why}."));
        }
        (None, None) => {}
    }
    if s.compared_share < 0.995 {
        out.push(format!(
            "{} of the time after had loads that were seen before; for the rest the drop at the \
             nearest load was taken.",
            percent(s.compared_share)
        ));
    }
    if v.verdict.outcome == Outcome::CannotTell {
        out.push("The drop itself is not proven (see the answer): neither is this money.".into());
    }
    if let Some(p) = &s.promised {
        let kept = match p.kept_share {
            Some(share) => format!("{} of that is reached", percent_of(share)),
            None if p.currency != s.currency => "another currency than the tariff's".to_owned(),
            None => "no yearly saving is measured to set against it".to_owned(),
        };
        let ends = [from, to].map(|x| x / p.saving_year);
        let sure = match p.kept_share {
            Some(_) if ends[0] > 1.0 => ", more than the uncertainty explains",
            Some(_) if ends[1] < 1.0 => ", less than the uncertainty explains",
            Some(_) => ", which the uncertainty explains",
            None => "",
        };
        out.push(format!(
            "Promised by the sizing ({}): {} {} a year; {kept}{sure}.",
            p.candidate,
            grouped(p.saving_year),
            p.currency
        ));
    }
    out
}

fn percent_of(share: f64) -> String {
    format!("{:.0} %", share * 100.0)
}
