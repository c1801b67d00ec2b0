//! The connection check in words: verdict, reasons, pictures, cautions, what to move, what else.

use super::number::{NONE, Prefix, four_digits, percent};
use super::phasor_picture::{beside, draw};
use super::text::{Page, Style};
use crate::analyse::hookup::Picture;
use crate::analyse::reread::AsIf;
use wattless_core::flags::Flags;
use wattless_core::hookup::{
    Action, Connection, Explanation, HookupReport, Lead, LoadKind, LoadPicture, Move, NextCheck,
    PhaseLoad, Reason, Verdict,
};
use wattless_core::sequence::Rotation;

/// What has to be read before anything is moved.
pub const CAUTIONS: [&str; 6] = [
    "Only qualified persons; never alone. Local codes and licensed practice decide.",
    "De-energise, lock out, test for absence of voltage. Where that cannot be done: shock and \
     arc-flash protection by the equipment's arc-flash label or the tables of NFPA 70E.",
    "Never open the secondary of a current transformer under load: it makes dangerous voltage. \
     Short it at its terminals before a wire is touched.",
    "Voltage leads are live up to their fuses: isolate them there before they are moved.",
    "Capacitors stay charged: wait their discharge time, test, then short them.",
    "Move one thing at a time, and check again after each.",
];

/// A verdict in a sentence.
pub fn verdict(report: &HookupReport) -> String {
    match (report.verdict, report.moves().len()) {
        (Verdict::Right, _) => "RIGHT: every lead and clamp is where it should be".into(),
        (Verdict::Wrong, 0) => "WRONG: see why".into(),
        (Verdict::Wrong, 1) => "WRONG: one thing to move".into(),
        (Verdict::Wrong, n) => format!("WRONG: {n} things to move"),
        (Verdict::Doubtful, _) => "DOUBTFUL: the picture alone does not tell".into(),
    }
}

fn degrees(phi: f64) -> String {
    format!("{phi:.0}°")
}

/// An angle with the power factor it stands for.
fn angle_and_pf(phi: f64) -> String {
    let cosine = libm::cos(phi.to_radians());
    let side = if phi < 0.0 { "leading" } else { "lagging" };
    let back = if cosine < 0.0 { ", power flowing back" } else { "" };
    format!("{} (PF {:.2} {side}{back})", degrees(phi), cosine.abs())
}

/// A reason in a sentence.
pub fn reason(r: &Reason) -> String {
    match *r {
        Reason::NoFundamental => "There is no usable voltage of a steady frequency on the voltage \
             leads, so there are no angles to judge: supply or load off, leads off, or channels \
             dead."
            .into(),
        Reason::NoVoltage => "No voltage lead carries a voltage.".into(),
        Reason::VoltageMissing { lead, to } => format!(
            "{} reads nothing while other voltages are there: lead off, fuse blown, or {} dead.",
            lead.name(),
            to.name()
        ),
        Reason::VoltagesSame { kept, lead, to } => format!(
            "{} and {} read the same voltage: both sit on one line, and {} has none.",
            kept.name(),
            lead.name(),
            to.name()
        ),
        Reason::VoltagesNoSet => "The voltages are not a set of phases 120° apart, whichever way \
             round they are read."
            .into(),
        Reason::VoltageReversed(lead) => {
            format!("{} stands against the other voltages: it is turned round.", lead.name())
        }
        Reason::NeutralMissing { zero_share } => format!(
            "The line voltages are even, but the voltages to neutral have {} in common: the \
             neutral lead is off, and the star point floats.",
            percent(zero_share)
        ),
        Reason::VoltageUneven { lead, ratio } => format!(
            "{} reads {} of the middle voltage: wrong ratio, a bad contact, or a blown fuse.",
            lead.name(),
            percent(ratio)
        ),
        Reason::VoltageUnexpected { lead, ratio } => format!(
            "{} reads {} of the expected voltage{}.",
            lead.name(),
            percent(ratio),
            if (1.6..1.85).contains(&ratio) {
                ", as a line voltage does where a phase voltage was expected"
            } else if (0.54..0.62).contains(&ratio) {
                ", as a phase voltage does where a line voltage was expected"
            } else {
                ""
            }
        ),
        Reason::SizeOfLineVoltage { v } => format!(
            "The leads read {v:.0} V to neutral or star point, which makes {:.0} V between lines. \
             Is that so? If the lines have {v:.0} V between them, all leads read between lines, \
             and power and angles are wrong by √3 and 30°. --expected-v settles it.",
            v * libm::sqrt(3.0)
        ),
        Reason::SizeOfPhaseVoltage { v } => format!(
            "The leads read {v:.0} V between lines. Is that so? If lines have {v:.0} V to neutral, \
             all leads read to neutral, and power and angles are wrong by √3 and 30°. \
             --expected-v settles it."
        ),
        Reason::Clipped(lead) => format!(
            "{} stood at the end of its range: its readings are too low. Take a larger range.",
            lead.name()
        ),
        Reason::DcOffset { lead, share } => format!(
            "{} has DC of {} of its reading beside the wave: an offset of sensor or input, or a \
             load that draws DC. The phasors do not show it.",
            lead.name(),
            percent(share)
        ),
        Reason::NoLoad => "No clamp carries enough current to judge.".into(),
        Reason::CurrentTooSmall(lead) => {
            format!("{} carries too little current to judge its place.", lead.name())
        }
        Reason::CurrentDead(lead) => format!(
            "{} reads nothing while others carry current: clamp open, not plugged in, channel \
             dead, or a line without load.",
            lead.name()
        ),
        Reason::CurrentMissing(lead) => format!(
            "{} reads nothing, though the other two currents need a third: clamp open, not \
             plugged in, or not around its conductor.",
            lead.name()
        ),
        Reason::CurrentsSame { one, other } => format!(
            "{} and {} read the same current: both sit on one conductor.",
            one.name(),
            other.name()
        ),
        Reason::CurrentsOpposite { one, other, between_lines } => format!(
            "{} and {} read one current in opposite directions: both sit on one conductor, one of \
             them turned round{}.",
            one.name(),
            other.name(),
            if between_lines { ", or the load lies between their two lines" } else { "" }
        ),
        Reason::CurrentsDoNotAdd { share } => format!(
            "Without a neutral the three currents must add to zero; {} of their mean is left \
             over: a wrong ratio or a clamp around more than one conductor.",
            percent(share)
        ),
        Reason::CurrentUneven { lead, ratio } => format!(
            "{} reads {} of the middle current: a wrong ratio, or a single-phase load.",
            lead.name(),
            percent(ratio)
        ),
        Reason::CurrentAgainstNameplate { ratio } => format!(
            "The current is {} of the nameplate's, which the motor does not draw at any steady \
             load: wrong ratio, wrong nameplate, or another load.",
            percent(ratio)
        ),
        Reason::RotationNegative => "The voltages turn L1-L3-L2. That does not disturb power \
             readings; the labels L1 to L3 then follow the leads, not the supply."
            .into(),
        Reason::NegativePower { phase, dpf } => {
            format!("Phase {} reads power flowing back, PF {dpf:.2}.", phase + 1)
        }
        Reason::AnglesDisagree { spread_deg } => format!(
            "The phases disagree by up to {} on how far the current is behind the voltage.",
            degrees(if spread_deg > 180.0 { 360.0 - spread_deg } else { spread_deg }.max(30.0))
        ),
        Reason::Leads { phi_deg } => {
            format!("All phases read {}: capacitors, or all clamps shifted.", angle_and_pf(phi_deg))
        }
        Reason::FeedsBack { phi_deg } => {
            format!("All phases read {}.", angle_and_pf(phi_deg))
        }
        Reason::UnlikelyForMotor { phi_deg, ratio, nameplate } => format!(
            "{} is not what an induction motor without capacitors has at {} of {}.",
            angle_and_pf(phi_deg),
            percent(ratio),
            if nameplate { "its rated current" } else { "the clamps' range" }
        ),
        Reason::ReadsTheSame { phi_deg } => format!(
            "Another connection gives the same picture with a load at {}.",
            angle_and_pf(phi_deg)
        ),
        Reason::RestsOnLoad { phi_deg } => format!(
            "This rests on the load not being one at {}, which on the wrong lines would read the \
             same.",
            angle_and_pf(phi_deg)
        ),
        Reason::HarmonicsAgree { highest } => format!(
            "At the harmonics from the 5th to the {highest}th the load answers as motors or \
             capacitors do, which it would not with the currents on other lines."
        ),
        Reason::HarmonicsSpeakFor { highest, phi_deg } => format!(
            "At the harmonics from the 5th to the {highest}th the load answers as motors or \
             capacitors do only with another connection, under which it is {}.",
            angle_and_pf(phi_deg)
        ),
        Reason::AllPhasesAgree { phi_deg, spread_deg } => format!(
            "Every current is behind its own voltage by about {}, the phases within {}.",
            angle_and_pf(phi_deg),
            degrees(spread_deg.max(1.0))
        ),
        Reason::LightMotor { .. } => "So low a power factor is that of a motor without load, and \
             no fault of the connection."
            .into(),
        Reason::OneElementNegative => "One of the two elements reads negative. Below a power \
             factor of 0.5 that is right with two sensors."
            .into(),
        _ => r.code().replace('_', " "),
    }
}

/// A next check in a sentence.
pub fn next_check(c: NextCheck) -> String {
    match c {
        NextCheck::VoltageLead(lead) => {
            format!("Check fuse, lead and transducer of {}.", lead.name())
        }
        NextCheck::Clamp(lead) => format!(
            "Check that {} is closed around one conductor, plugged in, and set to its ratio.",
            lead.name()
        ),
        NextCheck::NeutralLead => "Check the neutral lead of the voltage inputs.".into(),
        NextCheck::Ratios => {
            "Compare ratios and ranges in the settings with what is written on the sensors.".into()
        }
        NextCheck::TraceOneClamp => "Follow the conductor under one clamp to the terminal of its \
             voltage lead: this tells a shift by one line."
            .into(),
        NextCheck::FacingOfOneClamp => "Look which way one clamp faces, from supply to load: \
             this tells clamps that are all turned."
            .into(),
        NextCheck::Rotation => {
            "Compare with a rotation indicator, if the labels L1 to L3 matter.".into()
        }
        NextCheck::SecondLoad => "Repeat at another load and give both pictures (--then): with \
             more load a motor draws more kW and hardly more kvar, which a wrong pairing turns."
            .into(),
        NextCheck::KnownLoad => "Switch on a light known load on one phase, a heater: only that \
             phase's kW may rise."
            .into(),
        NextCheck::Nameplate => {
            "Give the motor's rated current and PF (--nameplate-a, --nameplate-pf).".into()
        }
        NextCheck::Capacitors => "Say what the load is (--load motor, corrected, may-lead, \
             capacitor), or repeat with the capacitors off."
            .into(),
        NextCheck::FeedsBack => {
            "Find out whether the feeder can feed back; if it does now, say --load generating."
                .into()
        }
        NextCheck::MoreLoad => "Repeat with more load on the feeder.".into(),
        _ => c.code().replace('_', " "),
    }
}

/// A move in a sentence.
pub fn instruction(m: &Move) -> String {
    let lead = m.lead.name();
    let to = m.to.name();
    let voltage = matches!(m.lead, Lead::Channel(c) if c.is_voltage());
    match (m.action, voltage) {
        (Action::Turn, false) => format!("Turn the clamp of {lead} round; it stays on {to}."),
        (Action::Turn, true) => {
            format!("Exchange the two wires of {lead}'s transducer; it stays on {to}.")
        }
        (Action::Move, false) => format!("Move the clamp of {lead} to {to}, facing as it does."),
        (Action::Move, true) => format!("Move voltage lead {lead} to {to}."),
        (Action::MoveAndTurn, false) => {
            format!("Move the clamp of {lead} to {to} and turn it round.")
        }
        (Action::MoveAndTurn, true) => {
            format!("Move voltage lead {lead} to {to} and exchange its two wires.")
        }
        (Action::Connect, _) => format!("Connect {lead} to {to}."),
    }
}

/// Which leads are elsewhere, in a few words.
pub fn places(c: &Connection) -> String {
    let home = Connection::as_labelled(c.wiring).placements();
    let mut out = Vec::new();
    for (p, home) in c.placements().iter().zip(&home) {
        let moved = p.place != home.place;
        if moved || p.reversed {
            let turned = if p.reversed { " turned" } else { "" };
            out.push(format!("{} on {}{turned}", p.channel.name(), p.place.name()));
        }
    }
    if out.is_empty() { "connected as it should be".into() } else { out.join(", ") }
}

/// What is known of the load, in words.
fn load_words(kind: LoadKind) -> &'static str {
    match kind {
        LoadKind::Unknown => "a motor feeder that leads little and does not feed back",
        LoadKind::Motor => "induction motors, nothing that leads",
        LoadKind::Corrected => "motors with capacitors",
        LoadKind::MayLead => "a load that may lead strongly",
        LoadKind::Generating => "feeding back at the moment",
        LoadKind::Capacitor => "a capacitor bank alone",
    }
}

fn total_words(load: &LoadPicture) -> String {
    if !load.complete() {
        let known = load.phases.iter().zip(load.unknown).filter(|(_, unknown)| !unknown);
        let angles: Vec<String> =
            known.filter_map(|(p, _)| p.phi_deg()).map(angle_and_pf).collect();
        return format!("{} where a clamp is", angles.join(" and "));
    }
    let total = load.total();
    let s = libm::hypot(total.p1_w, total.q1_var);
    let prefix = Prefix::for_peak(s);
    let angle = total.phi_deg().map_or_else(|| NONE.into(), angle_and_pf);
    format!("{}, {angle}", prefix.say(total.p1_w, "W"))
}

fn cells(p: Option<PhaseLoad>, prefix: Prefix) -> [String; 4] {
    let Some(p) = p else {
        return [NONE, NONE, NONE, NONE].map(str::to_owned);
    };
    let number = |x: Option<f64>, digits: usize| {
        x.map_or_else(|| NONE.to_owned(), |x| format!("{x:.digits$}"))
    };
    [
        prefix.number(p.p1_w),
        prefix.number(p.q1_var),
        number(p.dpf(), 3),
        number(p.phi_deg().map(|a| if a.abs() < 0.05 { 0.0 } else { a }), 1),
    ]
}

fn readings(page: &mut Page, now: &LoadPicture, after: Option<&LoadPicture>) {
    let largest = |l: &LoadPicture| {
        let total = l.total();
        libm::hypot(total.p1_w, total.q1_var)
    };
    let prefix = Prefix::for_peak(largest(now).max(after.map_or(0.0, largest)));
    let units = [prefix.unit("W"), prefix.unit("var")];
    let mut header = vec!["now", &units[0], &units[1], "PF", "angle"];
    if after.is_some() {
        header.extend(["  then", &units[0], &units[1], "PF", "angle"]);
    }
    let total = |l: &LoadPicture| PhaseLoad { i1_a: 0.0, ..l.total() };
    let mut rows = Vec::new();
    let count = now.count;
    for k in 0..count + usize::from(count > 1) {
        let sum = k == count;
        let name = |letter: &str| if sum { "sum".into() } else { format!("{letter}{}", k + 1) };
        let of = |l: &LoadPicture| match sum {
            true => l.complete().then(|| total(l)),
            false => (!l.unknown[k]).then_some(l.phases[k]),
        };
        let mut row = vec![name("phase ")];
        row.extend(cells(of(now), prefix));
        if let Some(after) = after {
            row.push(format!("  {}", name("L")));
            row.extend(cells(of(after), prefix));
        }
        rows.push(row);
    }
    page.table(&header, &rows, &[5]);
}

fn pictures(page: &mut Page, picture: &Picture, report: &HookupReport, after: Option<&Connection>) {
    let wiring = report.wiring;
    let phases = wiring.phases();
    let of = |c: &Connection| {
        let (v, i) = c.reread(&picture.input.phasors);
        draw(&v, &i, phases)
    };
    let now = of(&Connection::as_labelled(wiring));
    match after {
        Some(c) => {
            let then = of(c);
            for line in beside(("Now", &now), ("With the moves made", &then)) {
                page.line(&line);
            }
        }
        None => {
            for line in now {
                page.line(&format!("  {line}"));
            }
        }
    }
    page.line("  V1 dotted: voltage of phase 1; I1 in digits: its current, to its own scale.");
    page.line("  Counter-clockwise is ahead: a lagging current stands clockwise of its voltage.");
}

fn alternative(page: &mut Page, e: &Explanation) {
    let moves = match e.moves.len() {
        0 => "nothing to move".into(),
        1 => "1 move".into(),
        n => format!("{n} moves"),
    };
    page.point(&format!("{}: {}; {moves}.", places(&e.connection), total_words(&e.load)));
}

/// The whole answer as text.
pub fn page(source: &str, picture: &Picture, report: &HookupReport, style: Style) -> String {
    let mut page = Page::new(style);
    page.heading(&verdict(report));
    let frequency =
        picture.input.frequency_hz.map_or_else(|| format!("{NONE} Hz"), |f| format!("{f:.2} Hz"));
    let rotation = match report.rotation {
        Some(Rotation::Positive) => ", rotation L1-L2-L3",
        Some(Rotation::Negative) => ", rotation L1-L3-L2",
        None => "",
    };
    page.line(source);
    let stretch = picture
        .stretch_s
        .map_or_else(String::new, |(from, to)| format!(", taken from {from:.2} s to {to:.2} s"));
    page.line(&format!("{}, {frequency}{rotation}{stretch}", report.wiring.name()));
    page.labelled("Taken as", 10, load_words(picture.input.load));
    magnitudes(&mut page, picture);
    if picture.flags.contains(Flags::UNCALIBRATED) {
        page.point("The node has no calibration of its own: ranges and angles may be off.");
    }

    page.heading("Why");
    for r in &report.reasons {
        page.point(&reason(r));
    }

    let best = report.best.as_ref();
    let mended = best.filter(|b| !b.connection.is_as_labelled());
    if picture.input.frequency_hz.is_some() {
        page.heading("Phasors of the fundamental");
        pictures(&mut page, picture, report, mended.map(|b| &b.connection));
        page.heading("Readings from the fundamental");
        readings(&mut page, &report.as_connected, mended.map(|b| &b.load));
    }

    let moves = report.moves();
    if !moves.is_empty() {
        page.heading("Before anything is moved");
        for caution in CAUTIONS {
            page.point(caution);
        }
        page.heading(if report.verdict == Verdict::Wrong {
            "What to move, in this order"
        } else {
            "What to move if the likeliest explanation is the true one"
        });
        for (k, m) in moves.iter().enumerate() {
            page.labelled(&format!("  {}.", k + 1), 5, &instruction(m));
        }
    }
    if let Some(words) = mended.and_then(|b| AsIf::mending(&b.connection)) {
        page.heading("Records taken with this connection");
        page.point(&format!(
            "can be read again as if it had been right: survey STORE --as-if-wired \"{words}\""
        ));
    }
    let (same, other): (Vec<_>, Vec<_>) = report.alternatives.iter().partition(|a| a.same_power);
    if !other.is_empty() {
        page.heading("Other explanations of the same picture");
        for e in other {
            alternative(&mut page, e);
        }
    }
    if !same.is_empty() {
        page.heading("The same readings would come from");
        for e in same {
            page.point(&format!("{}.", places(&e.connection)));
        }
    }
    if !report.checks.is_empty() {
        page.heading(if report.verdict == Verdict::Right {
            "To be surer still"
        } else {
            "What tells more"
        });
        for c in &report.checks {
            page.point(&next_check(*c));
        }
    }
    page.finish()
}

/// One line each of what the leads read.
fn magnitudes(page: &mut Page, picture: &Picture) {
    let uses = picture.input.wiring.uses();
    let names = ["v1", "v2", "v3", "i1", "i2", "i3"];
    for (label, slots, unit) in [("Voltages", 0..3, "V"), ("Currents", 3..6, "A")] {
        let read: Vec<String> = slots
            .filter(|k| uses[*k])
            .map(|k| format!("{} {} {unit}", names[k], four_digits(picture.input.rms[k])))
            .collect();
        page.labelled(label, 10, &read.join(", "));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analyse::hookup::check;
    use wattless_core::complex::Complex;
    use wattless_core::hookup::HookupInput;
    use wattless_core::wiring::Wiring;

    fn at(size: f64, deg: f64) -> Complex {
        Complex::unit(deg.to_radians()).scale(size)
    }

    fn picture(phi: [f64; 3], order: [usize; 3]) -> Picture {
        let angle = [0.0, -120.0, 120.0];
        let mut x = [Complex::ZERO; 6];
        for k in 0..3 {
            x[k] = at(230.0, angle[k]);
            x[3 + k] = at(52.0, angle[order[k]] - phi[k]);
        }
        let input = HookupInput::new(Wiring::FourWire, x, Some(50.01));
        Picture { input, flags: Flags::NONE, stretch_s: None }
    }

    fn text(p: &Picture) -> String {
        page("Sawmill main", p, &check(p), Style::PLAIN)
    }

    #[test]
    fn everything_fits_80_columns_and_cautions_come_before_moves() {
        for phi in [20.0, 60.0, 85.0, -80.0, 140.0, 200.0, 265.0] {
            for order in [[0, 1, 2], [1, 0, 2], [1, 2, 0]] {
                for turned in [0.0, 180.0] {
                    let p = picture([phi + turned, phi, phi], order);
                    let text = text(&p);
                    for line in text.lines() {
                        assert!(line.chars().count() <= 80, "{line}");
                    }
                    let moves = text.find("What to move");
                    let cautions = text.find("Before anything is moved");
                    assert_eq!(moves.is_some(), cautions.is_some());
                    assert!(cautions <= moves, "{text}");
                }
            }
        }
    }

    #[test]
    fn a_swap_reads_like_this() {
        let text = text(&picture([35.0; 3], [1, 0, 2]));
        assert!(text.starts_with("WRONG: 2 things to move\n"), "{text}");
        assert!(text.contains("1. Move the clamp of i1 to L1, facing as it does."));
        assert!(text.contains("2. Move the clamp of i2 to L2, facing as it does."));
        assert!(text.contains("Never open the secondary"));
        assert!(text.contains("With the moves made"));
    }

    #[test]
    fn a_right_connection_asks_for_nothing() {
        let text = text(&picture([35.0; 3], [0, 1, 2]));
        assert!(text.starts_with("RIGHT"), "{text}");
        assert!(!text.contains("What to move") && !text.contains("With the moves made"));
    }

    #[test]
    fn every_kind_and_check_has_words() {
        for kind in LoadKind::ALL {
            assert!(!load_words(kind).is_empty());
        }
        assert!(reason(&Reason::NoLoad).ends_with('.'));
        assert!(next_check(NextCheck::MoreLoad).ends_with('.'));
    }
}
