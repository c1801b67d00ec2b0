//! What the report stands on: method, site, connection, completeness, phases.

use super::Material;
use super::model::{Block, Section, Table};
use crate::analyse::survey::verdict::Cause;
use crate::present::chain::chain_state;
use crate::present::chart::phasor::PhasorChart;
use crate::present::hookup as words_of_check;
use crate::present::number::{NONE, count, four_digits, percent, pf, span};
use crate::present::{rows, words};
use wattless_core::hookup::Verdict;

/// Gaps that are listed one by one.
const GAPS_SHOWN: usize = 12;

/// Ahead of everything where the chain over the log is broken.
pub(super) const CHANGED: &str = "This log is not as the node recorded it: records were changed, \
     removed or inserted. Decide nothing on these figures before it is clear what happened; pull \
     into a new store while the node still holds the records, and compare.";

/// Method and site.
pub(super) fn method(m: &Material<'_>) -> Section {
    let s = m.survey;
    let mut out = Section::new("method", "Method and site");
    out.new_page = true;
    out.text(
        "A logging node on the feeder measured voltage and current of every phase without a gap in \
         windows of 10 or 12 cycles and kept one record an interval. Reactive power (kvar) is that \
         of the fundamental; kW is the mean of voltage times current. Every figure below is made \
         of those records; time without a record is never filled in.",
    );
    if m.simulated {
        out.add(Block::Caution(
            "The log behind this report was simulated: the plant, its load and its prices are \
             invented."
                .into(),
        ));
    }
    let site = m.site;
    let mut facts = vec![(
        "Plant and feeder".to_owned(),
        match (&s.basis.site, &s.basis.feeder) {
            (Some(a), Some(b)) => format!("{a}, {b}"),
            (Some(a), None) | (None, Some(a)) => a.clone(),
            _ => NONE.into(),
        },
    )];
    let supply = match (site.supply.line_voltage_v, site.supply.frequency_hz) {
        (Some(v), Some(f)) => format!("{} V nominal between lines, {f:.0} Hz", four_digits(v)),
        (Some(v), None) => format!("{} V nominal between lines", four_digits(v)),
        (None, Some(f)) => format!("{f:.0} Hz"),
        (None, None) => NONE.into(),
    };
    facts.push(("Supply".into(), supply));
    if let Some(wiring) = site.supply.wiring {
        facts.push(("Wiring of the node".into(), wiring.name().replace('-', " ")));
    }
    facts.push(("Time zone".into(), s.basis.time_zone.clone()));
    facts.push((
        "Log".into(),
        format!("{} to {}, {}", s.first, s.last, span(s.completeness.expected_s)),
    ));
    facts.push((
        "Records".into(),
        format!(
            "{}, each {}",
            count(s.completeness.records, "record", "records"),
            length(s.completeness.record_min_s, s.completeness.record_max_s)
        ),
    ));
    if let Some(n) = &m.node {
        facts.push(("Node".into(), format!("{} ({}, program {})", n.id, n.hardware, n.firmware)));
    }
    facts.push(("Target power factor".into(), format!("{:.2}", s.power_factor.target)));
    let [from, to] = s.basis.working_h;
    let days: Vec<&str> = s
        .basis
        .working_days
        .iter()
        .zip(crate::analyse::survey::clock::DAY_NAMES)
        .filter_map(|(on, name)| on.then_some(name))
        .collect();
    facts.push(("Working hours".into(), format!("{from:02}–{to:02} h on {}", days.join(", "))));
    out.add(Block::Facts(facts));
    out
}

fn length(least_s: f64, most_s: f64) -> String {
    let (a, b) = (span(least_s), span(most_s));
    if a == b { format!("{a} long") } else { format!("{a} to {b} long") }
}

/// The connection check, where there was a picture.
pub(super) fn connection(m: &Material<'_>) -> Option<Section> {
    let c = m.connection.as_ref()?;
    let mut out = Section::new("connection", "Was it connected right?");
    out.text(format!(
        "{}. Judged by the phasors recorded {}.",
        sentence_case(&words_of_check::verdict(&c.report)),
        c.when
    ));
    let (v, i): (Vec<_>, Vec<_>) = (c.phasors[..3].to_vec(), c.phasors[3..].to_vec());
    let three = |x: &[wattless_core::complex::Complex]| -> [wattless_core::complex::Complex; 3] {
        std::array::from_fn(|k| x.get(k).copied().unwrap_or_default())
    };
    out.figure(
        "Phasors",
        "Thin: voltages; thick: currents, to scales of their own. A current that lags stands \
         clockwise of its voltage.",
        250.0,
        PhasorChart { v: three(&v), i: three(&i), phases: c.phases, told: phasors_told(c) },
    );
    let mut rows = Vec::new();
    for k in 0..c.phases.min(3) {
        let (v, i) = (c.phasors[k], c.phasors[3 + k]);
        if v.abs() <= 0.0 {
            continue;
        }
        let turn = |x: f64| {
            let mut d = x.to_degrees() % 360.0;
            if d > 180.0 {
                d -= 360.0;
            } else if d <= -180.0 {
                d += 360.0;
            }
            d
        };
        let angle = turn(v.arg() - i.arg());
        rows.push(vec![
            format!("L{}", k + 1),
            format!("{:.1}", v.abs()),
            format!("{:.0}°", turn(v.arg() - c.phasors[0].arg()) + 0.0),
            four_digits(i.abs()),
            if i.abs() > 0.0 { format!("{angle:.1}°") } else { NONE.into() },
            if i.abs() > 0.0 {
                format!("{:.3}", libm::cos(angle.to_radians()))
            } else {
                NONE.into()
            },
        ]);
    }
    out.add(Block::Table(Table {
        caption: "Fundamental of each phase".into(),
        head: ["", "V", "angle of V", "A", "I lags V by", "displacement PF"]
            .map(str::to_owned)
            .to_vec(),
        rows,
        ..Table::default()
    }));
    out.points(c.report.reasons.iter().map(words_of_check::reason).collect());
    if c.report.verdict != Verdict::Right {
        let moves: Vec<String> = c.report.moves().iter().map(words_of_check::instruction).collect();
        out.points(moves);
        out.points(c.report.checks.iter().map(|c| words_of_check::next_check(*c)).collect());
        out.add(Block::Caution(
            "As long as the connection is not known to be right, every figure of this report is \
             open. Do not buy anything on it."
                .into(),
        ));
    }
    Some(out)
}

fn phasors_told(c: &super::ConnectionCheck) -> String {
    let mut parts = Vec::new();
    for k in 0..c.phases.min(3) {
        let (v, i) = (c.phasors[k], c.phasors[3 + k]);
        if v.abs() > 0.0 && i.abs() > 0.0 {
            let mut lag = (v.arg() - i.arg()).to_degrees();
            lag -= 360.0 * libm::round(lag / 360.0);
            let side = if lag < 0.0 { "leads" } else { "lags" };
            parts.push(format!(
                "current {} {side} its voltage by {:.0} degrees",
                k + 1,
                libm::fabs(lag)
            ));
        }
    }
    format!("Phasor diagram: {}.", parts.join(", "))
}

/// `RIGHT: every lead` as a sentence that does not shout.
fn sentence_case(text: &str) -> String {
    match text.split_once(": ") {
        Some((shout, rest)) => {
            let mut word = shout.to_lowercase();
            if let Some(first) = word.get_mut(..1) {
                first.make_ascii_uppercase();
            }
            format!("{word}: {rest}")
        }
        None => text.to_owned(),
    }
}

/// How much of the time the log holds.
pub(super) fn completeness(m: &Material<'_>) -> Section {
    let s = m.survey;
    let c = &s.completeness;
    let mut out = Section::new("completeness", "How complete is the log?");
    out.add(Block::Facts(vec![
        (
            "Recorded".into(),
            format!(
                "{} of {} ({})",
                span(c.present_s),
                span(c.expected_s),
                percent(c.present_share)
            ),
        ),
        ("Hours of the week seen".into(), format!("{} of 168", c.hours_of_week_seen)),
        (
            "Gaps".into(),
            match c.gap_count {
                0 => "none".into(),
                n => format!("{n}, {} in all", span(c.missing_s)),
            },
        ),
        ("Record numbers absent".into(), count(c.record_numbers_absent, "number", "numbers")),
        ("Starts of the node within the log".into(), c.restarts.to_string()),
        (
            "Records with values in doubt".into(),
            match c.doubtful_records {
                0 => "none".into(),
                n => format!("{} ({})", count(n, "record", "records"), span(c.doubtful_s)),
            },
        ),
    ]));
    if !c.gaps.is_empty() {
        let mut longest: Vec<&crate::analyse::survey::completeness::Gap> = c.gaps.iter().collect();
        longest.sort_by(|a, b| b.length_s.total_cmp(&a.length_s));
        longest.truncate(GAPS_SHOWN);
        longest.sort_by_key(|g| g.start.utc_ms);
        let shown = longest.len() as u64;
        out.add(Block::Table(Table {
            caption: if shown < c.gap_count {
                format!("The {shown} longest of {} gaps", c.gap_count)
            } else {
                "Gaps".into()
            },
            head: ["from", "to", "length", "why"].map(str::to_owned).to_vec(),
            rows: longest
                .iter()
                .map(|g| {
                    let why: Vec<&str> = g.reasons.iter().map(|r| r.words()).collect();
                    vec![g.start.to_string(), g.end.to_string(), span(g.length_s), why.join(", ")]
                })
                .collect(),
            left: vec![1, 3],
            strong: Vec::new(),
        }));
    }
    if !c.remarks.is_empty() {
        out.add(Block::Table(Table {
            caption: "Remarks that records carry".into(),
            head: ["remark", "meaning", "records", "time"].map(str::to_owned).to_vec(),
            rows: c
                .remarks
                .iter()
                .map(|r| {
                    vec![
                        r.name.replace('_', " "),
                        r.meaning.to_owned(),
                        count(r.records, "record", "records"),
                        span(r.time_s),
                    ]
                })
                .collect(),
            left: vec![1],
            strong: Vec::new(),
        }));
    }
    if let Some(chain) = m.chain {
        if chain.breaks.is_empty() {
            out.text(format!(
                "Is it the log that the node wrote? The chain over its records {}. {}",
                chain_state(chain),
                crate::collect::chain::PROVES
            ));
        } else {
            out.add(Block::Caution(CHANGED.into()));
            out.points(chain.breaks.iter().take(GAPS_SHOWN).map(|b| b.sentence()).collect());
        }
    }
    if let Some(check) = &s.counter_check {
        let share = |part: f64, whole: f64| {
            if whole == 0.0 {
                NONE.to_owned()
            } else {
                format!("{:.3} %", libm::fabs(part / whole) * 100.0)
            }
        };
        out.text(format!(
            "The energies of the records agree with the node's own counters over {}: kWh within {}, \
             kvarh within {}.",
            count(check.records, "record", "records"),
            share(check.active_difference_wh, check.active_net_wh),
            share(check.reactive_difference_varh, check.reactive_net_varh)
        ));
    }
    out
}

/// Phases, voltage, frequency, and what harmonics do.
pub(super) fn phases(m: &Material<'_>) -> Section {
    let s = m.survey;
    let p = &s.phases;
    let u = words::prefix(s);
    let mut out = Section::new("phases", "Phases, voltage, harmonics");
    out.add(Block::Table(Table {
        caption: "Each phase over the log; least and most are of whole records".into(),
        head: ["", "V rms", "least", "most", "A rms", "most", &u.unit("W"), &u.unit("var"), "PF"]
            .map(str::to_owned)
            .to_vec(),
        rows: rows::phases(m.survey, u),
        ..Table::default()
    }));
    let mut points = Vec::new();
    if let (Some(v), Some(i)) = (p.v_unbalance_pct, p.i_unbalance_pct) {
        points.push(format!(
            "Largest difference of a phase from the mean: voltages {v:.1} %, currents {i:.1} % \
             (the form of NEMA MG 1)."
        ));
    }
    if let (Some(f), Some([low, high])) = (p.frequency_hz, p.frequency_min_max_hz) {
        points.push(format!("Frequency {f:.3} Hz on average, {low:.2} to {high:.2} Hz."));
    }
    let f = &s.power_factor;
    if let Some(d) = f.not_kvar.distortion_factor {
        points.push(format!(
            "Displacement power factor {}, true power factor {}, distortion factor {d:.3}: {}.",
            pf(f.average_displacement),
            pf(f.average_true),
            if s.verdict.causes.contains(&Cause::Harmonics) || d < 0.95 {
                "much of the current is harmonic, and capacitors do not take that away"
            } else {
                "harmonics add little to the current"
            }
        ));
    }
    out.points(points);
    out
}
