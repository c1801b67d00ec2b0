//! Before and after: did the correction work.

use super::Material;
use super::load::scale;
use super::model::{Block, Section, Table};
use crate::analyse::standing::{NO_TARIFF, Removed, StandingProof};
use crate::analyse::verify::{Drop, Outcome, Verification};
use crate::present::chart::fit::{Cloud, FitChart};
use crate::present::chart::ink::Ink;
use crate::present::chart::scene::{Dash, Shape};
use crate::present::number::{NONE, percent, pf};
use crate::present::saved;
use crate::present::verify as words_of_proof;

/// The answer in a sentence, with its reasons, for the first page.
pub(super) fn sentence(m: &Material<'_>) -> Option<String> {
    let w = words_of_proof::words(m.proof?);
    let mut all = vec![w.verdict];
    all.extend(w.why);
    // Money that is not proven is told in the section, beside what it lacks, and not here.
    if matches!(m.proof?.verdict.outcome, Outcome::Worked | Outcome::Partly) {
        all.extend(m.saved.and_then(|s| saved::sentences(s, m.proof?).into_iter().next()));
    }
    Some(all.join(" "))
}

/// Whether the correction does what it should.
pub(super) fn worked(m: &Material<'_>) -> Option<bool> {
    match m.proof?.verdict.outcome {
        Outcome::Worked => Some(true),
        Outcome::Partly | Outcome::Not => Some(false),
        Outcome::CannotTell => None,
    }
}

/// The section.
pub(super) fn section(m: &Material<'_>) -> Option<Section> {
    let v = m.proof?;
    let u = words_of_proof::prefix(v);
    let w = words_of_proof::words(v);
    let mut out = Section::new("proof", "Before and after: did the correction work?");
    out.text(format!(
        "{} Before: {} to {}; after: {} to {}.",
        w.verdict, v.before.first, v.before.last, v.after.first, v.after.last
    ));
    out.points(w.why);
    out.figure(
        "Reactive power at the same load",
        format!(
            "Mean of each step of load with the fitted curves; tinted: \u{b1} the uncertainty of the \
             difference ({} confidence).",
            percent(v.basis.confidence)
        ),
        250.0,
        chart(v),
    );
    let row = |name: &str, d: &Drop| {
        vec![
            name.to_owned(),
            u.number(d.before_var),
            u.number(d.after_var),
            format!("{} \u{b1} {}", u.number(d.measured_var), u.number(d.uncertainty_var)),
            u.number_or_none(d.expected_var),
            d.ratio.map_or_else(|| NONE.into(), |x| format!("{:.0} %", x * 100.0)),
        ]
    };
    let mut rows = vec![row("All phases", &v.total)];
    rows.extend(v.phases.iter().map(|d| row(d.of, d)));
    out.add(Block::Table(Table {
        caption: format!("Drop at like load, in {}", u.unit("var")),
        head: ["", "before", "after", "gone", "installed units give", "found"]
            .map(str::to_owned)
            .to_vec(),
        rows,
        left: Vec::new(),
        strong: vec![0],
    }));
    if let Some(s) = m.saved {
        out.add(Block::Heading("What it saves".into()));
        out.points(saved::sentences(s, v));
    }
    let range = |name: &str, p: &crate::analyse::verify::Period| {
        vec![
            name.to_owned(),
            format!("{:.0} h", p.measured_h),
            u.number(p.p_mean_w),
            u.number(p.q1_mean_var),
            pf(p.pf),
            format!("{:.1}", p.i_rms_a),
            percent(p.leading_share),
        ]
    };
    out.add(Block::Table(Table {
        caption: "The two ranges".into(),
        head: ["", "recorded", &u.unit("W"), &u.unit("var"), "PF", "A rms", "leads"]
            .map(str::to_owned)
            .to_vec(),
        rows: vec![range("Before", &v.before), range("After", &v.after)],
        ..Table::default()
    }));
    if let Some(s) = m.standing {
        since_then(&mut out, s, m);
    }
    out.points(w.know);
    out.points(w.next);
    out.points(w.cautions);
    Some(out)
}

/// What has become of it: the newest week against the week of the proof.
fn since_then(out: &mut Section, s: &StandingProof, m: &Material<'_>) {
    let day = |ms: i64| {
        let instant = jiff::Timestamp::from_millisecond(ms).unwrap_or_default();
        instant.to_zoned_datetime(m.site.time_zone.clone()).date()
    };
    let row = |name: &str, [from_ms, to_ms]: [i64; 2], r: Option<Removed>| {
        let kvar = |x: f64| format!("{:.1}", x / 1e3);
        let removed =
            |r: Removed| format!("{} \u{b1} {}", kvar(r.removed_var), kvar(r.uncertainty_var));
        vec![
            name.to_owned(),
            // A week that ends at midnight ends on the day before.
            format!("{} to {}", day(from_ms), day(to_ms - 1)),
            r.map_or_else(|| NONE.into(), removed),
            r.and_then(|r| r.expected_var).map_or_else(|| NONE.into(), kvar),
            r.and_then(|r| r.ratio())
                .map_or_else(|| NONE.into(), |x| format!("{:.0} %", x * 100.0)),
        ]
    };
    out.add(Block::Table(Table {
        caption: "Since then, in kvar removed at like load".into(),
        head: ["", "days", "gone", "installed units give", "found"].map(str::to_owned).to_vec(),
        rows: vec![
            row("Week of the proof", s.proof_ms, s.proof),
            row("Newest week", s.week_ms, s.week),
        ],
        left: vec![1],
        strong: Vec::new(),
    }));
    let mut words = Vec::new();
    if s.change_var.is_some() {
        let verdict = match s.fell {
            true => "It has fallen: have fuses, contactors and currents of the units checked.",
            false => "That is no fall that counts.",
        };
        words.push(format!("{}. {verdict}", s.fall_words()));
    }
    // Money is told above, of all the time since the work.
    words.extend(s.notes.iter().filter(|n| *n != NO_TARIFF).cloned());
    out.points(words);
}

fn chart(v: &Verification) -> FitChart {
    let u = words_of_proof::prefix(v);
    let k = scale(u);
    let bins = |get: fn(&crate::analyse::verify::LoadBin) -> Option<f64>| {
        v.coverage
            .bins
            .iter()
            .filter_map(|b| Some(((b.from_w + b.to_w) / 2.0 * k, get(b)? * k)))
            .collect::<Vec<_>>()
    };
    let before: Vec<(f64, f64)> = v.curve.iter().map(|c| (c.p_w * k, c.before_var * k)).collect();
    let after: Vec<(f64, f64)> =
        v.curve.iter().filter_map(|c| Some((c.p_w * k, c.after_var? * k))).collect();
    let band: Vec<f64> = v
        .curve
        .iter()
        .filter(|c| c.after_var.is_some())
        .map(|c| c.uncertainty_var.unwrap_or(0.0) * k)
        .collect();
    FitChart {
        load_unit: u.unit("W"),
        unit: u.unit("var"),
        clouds: vec![
            Cloud {
                name: "before".into(),
                ink: Ink::Reactive,
                shape: Shape::Ring,
                dash: Dash::Long,
                points: bins(|b| b.before_var),
                curve: before,
                band: Vec::new(),
            },
            Cloud {
                name: "after".into(),
                ink: Ink::Active,
                shape: Shape::Dot,
                dash: Dash::Solid,
                points: bins(|b| b.after_var),
                curve: after,
                band,
            },
        ],
        told: format!(
            "Reactive power against load before and after. At like load it fell by {} from {}.",
            u.with(v.total.measured_var, "var"),
            u.with(v.total.before_var, "var")
        ),
    }
}
