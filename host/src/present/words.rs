//! The survey in sentences: the verdict, why and when, what to be careful with.

use super::number::{Prefix, count, percent, pf, span};
use crate::analyse::survey::Survey;
use crate::analyse::survey::factors::Band;
use crate::analyse::survey::profile::Part;
use crate::analyse::survey::verdict::{Cause, Class, HourOfDay, Obstacle};
use crate::site::Apparent;
use serde::Serialize;

/// Least difference of two power factors that is worth a sentence.
const TELLING: f64 = 0.03;

/// Sentences of a survey.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Words {
    /// The verdict in one sentence.
    pub verdict: String,
    /// What it stands on.
    pub why: Vec<String>,
    /// When the power factor is low.
    pub when: Vec<String>,
    /// What it takes to reach the target.
    pub needs: Vec<String>,
    /// What to do next.
    pub next: Vec<String>,
    /// What to be careful with.
    pub cautions: Vec<String>,
}

/// The unit prefix that suits a survey.
pub fn prefix(s: &Survey) -> Prefix {
    let peak = s.duration.first().map(|r| r.s_va);
    let average = s.energy.apparent_arithmetic_vah / s.energy.measured_h.max(1e-9);
    Prefix::for_peak(peak.unwrap_or(average))
}

/// Puts a survey into sentences.
pub fn words(s: &Survey) -> Words {
    Words {
        verdict: verdict(s),
        why: why(s),
        when: when(s),
        needs: needs(s),
        next: next(s),
        cautions: cautions(s),
    }
}

fn against_target(s: &Survey) -> String {
    let p = &s.power_factor;
    format!("PF averages {} against a target of {:.2}", pf(p.average), p.target)
}

fn leads(s: &Survey) -> bool {
    let v = &s.verdict.causes;
    v.contains(&Cause::LeadingAtPeak) || v.contains(&Cause::LeadingOnAverage)
}

fn verdict(s: &Survey) -> String {
    let against = against_target(s);
    match s.verdict.class {
        Class::Good => format!("Good: {against}."),
        Class::NotWorthFixing if s.verdict.causes.contains(&Cause::Harmonics) => format!(
            "Bad, but not worth fixing with capacitors: harmonics make it. True PF averages {}, \
             displacement PF {}, target {:.2}.",
            pf(s.power_factor.average_true),
            pf(s.power_factor.average_displacement),
            s.power_factor.target
        ),
        Class::NotWorthFixing if s.verdict.causes.contains(&Cause::PhasesDiffer) => format!(
            "Bad, but not worth fixing with capacitors: the phases differ. PF averages {} phase \
             by phase, {} together, target {:.2}.",
            pf(s.power_factor.average_true),
            pf(s.power_factor.average_displacement),
            s.power_factor.target
        ),
        Class::NotWorthFixing if s.verdict.causes.contains(&Cause::OnlyAtLowDemand) => {
            format!("Bad at low demand only, not worth fixing: {against}.")
        }
        Class::NotWorthFixing => {
            format!("Bad, but not worth fixing, too little is missing: {against}.")
        }
        Class::WorthFixing if leads(s) => {
            format!("Worth fixing, by taking capacitors off: the feeder leads. {against}.")
        }
        Class::WorthFixing => format!("Worth fixing: {against}."),
        Class::CannotTell => match s.verdict.so_far {
            Some(Class::Good) => format!("Cannot tell yet; so far it looks good. {against}."),
            Some(Class::NotWorthFixing) => {
                format!("Cannot tell yet; so far it does not look worth fixing. {against}.")
            }
            Some(Class::WorthFixing) => {
                format!("Cannot tell yet; so far it looks worth fixing. {against}.")
            }
            Some(Class::CannotTell) | None => "Cannot tell from this log.".to_owned(),
        },
    }
}

fn obstacle(o: &Obstacle) -> String {
    match o {
        Obstacle::NoLoad => {
            "No load was recorded: check the current sensors and that the feeder ran.".into()
        }
        Obstacle::FlowsBack => {
            "More energy flows back than in: current sensors face the wrong way or sit on \
             another phase than their voltage. Check with `wattless hookup`."
                .into()
        }
        Obstacle::NoCompleteInterval => {
            "No demand interval is covered whole: there is no peak to judge. Log on.".into()
        }
        Obstacle::RecordsTooLong => {
            "The records are longer than the tariff's interval or its steps, so they hold no \
             demand. Set the node to shorter records."
                .into()
        }
        Obstacle::WeekNotCovered { hours_seen, hours_needed } => format!(
            "The log covers {hours_seen} of the 168 hours of a week; a verdict needs \
             {hours_needed}. Log a whole production week."
        ),
        Obstacle::Incomplete { present_share, needed_share } => format!(
            "Only {} of the log's time is there; a verdict needs {}. See the gaps below, \
             pull again, or log another week.",
            percent(*present_share),
            percent(*needed_share)
        ),
        Obstacle::Doubtful { doubtful_share, tolerated_share } => format!(
            "Values are in doubt for {} of the time (more than {}): see the remarks below, \
             and check ranges and leads.",
            percent(*doubtful_share),
            percent(*tolerated_share)
        ),
    }
}

fn why(s: &Survey) -> Vec<String> {
    let (u, p, r) = (prefix(s), &s.power_factor, &s.required);
    let mut out: Vec<String> = s.verdict.obstacles.iter().map(obstacle).collect();
    let Some(threshold) = s.verdict.threshold_var else { return out };
    let peak = s.demand.billed();
    if let (Some(at_p), Some(at_s)) =
        (peak.and_then(|b| b.at_p_peak), peak.and_then(|b| b.at_s_peak))
        && at_p.pf.is_some()
    {
        let lacking = r.at_p_peak_var.unwrap_or(0.0).max(r.at_s_peak_var.unwrap_or(0.0));
        let end = if same_peak(s) {
            format!("PF is {} at the peak of kW and kVA", pf(at_p.pf))
        } else {
            format!("PF is {} at the kW peak and {} at the kVA peak", pf(at_p.pf), pf(at_s.pf))
        };
        let gains = lacking < threshold && s.verdict.causes.contains(&Cause::LackingOnAverage)
            || s.verdict.causes.contains(&Cause::LackingAtLowDemand);
        out.push(if gains {
            format!(
                "{end}: a bill on peak kVA or on PF at the peak gains little. One on average PF \
                 or kvarh does."
            )
        } else {
            format!("{end}.")
        });
    }
    if let Some(share) = p.below_target_share {
        out.push(format!(
            "PF is below {:.2} for {} of the time under load{}.",
            p.target,
            percent(share),
            match p.leading_share {
                Some(x) if x > 0.0 => format!(", and leads for {}", percent(x)),
                _ => String::new(),
            }
        ));
    }
    for cause in &s.verdict.causes {
        match cause {
            Cause::OnlyAtLowDemand => {
                let threshold = s.verdict.low_demand_threshold_var.unwrap_or(threshold);
                out.push(low_demand_only(s, u, threshold));
            }
            Cause::LackingAtLowDemand => out.push(format!(
                "Intervals from {} on meet the target ({}). What is missing is missing below \
                 that load, and it is much: {} on average.",
                u.say(p.counts_from_w, "W"),
                pf(p.high_demand.pf),
                u.say(r.average_var.unwrap_or(0.0), "var")
            )),
            Cause::FewKvar => out.push(format!(
                "What is missing is little: {} on average and {} at the peak, under {} ({} of \
                 peak kVA).",
                u.say(r.average_var.unwrap_or(0.0).abs(), "var"),
                u.say(
                    r.at_p_peak_var.unwrap_or(0.0).abs().max(r.at_s_peak_var.unwrap_or(0.0).abs()),
                    "var"
                ),
                u.say(threshold, "var"),
                percent_of_peak(s, threshold)
            )),
            Cause::Harmonics | Cause::PhasesDiffer => out.push(not_kvar(s, *cause)),
            _ => {}
        }
    }
    out
}

fn same_peak(s: &Survey) -> bool {
    s.demand.billed().is_some_and(|b| b.at_p_peak.map(|d| d.start) == b.at_s_peak.map(|d| d.start))
}

fn percent_of_peak(s: &Survey, var: f64) -> String {
    let peak = s.demand.billed().and_then(|b| b.at_s_peak).map_or(0.0, |d| d.s_va);
    if peak > 0.0 { percent(var / peak) } else { super::number::NONE.to_owned() }
}

fn low_demand_only(s: &Survey, u: Prefix, threshold: f64) -> String {
    let p = &s.power_factor;
    let average = s.required.average_var.unwrap_or(0.0);
    let tail = if average > 0.0 {
        format!(
            "On average {} are missing, {} of peak kVA",
            u.say(average, "var"),
            percent_of_peak(s, average)
        )
    } else {
        "On average nothing is missing".to_owned()
    };
    let low = &p.low_demand;
    match low.pf {
        Some(_) => format!(
            "It is low only at low demand: under {} PF is {}, but that is {} of the energy. From \
             there on it is {}. {tail} (worth a look from {} on).",
            u.say(p.counts_from_w, "W"),
            pf(low.pf),
            super::number::percent_or_none(low.energy_share),
            pf(p.high_demand.pf),
            u.say(threshold, "var"),
        ),
        None => format!("Low intervals are offset by better ones. {tail}."),
    }
}

fn not_kvar(s: &Survey, cause: Cause) -> String {
    let p = &s.power_factor;
    let meter = match p.apparent {
        Apparent::Vector => {
            "Whether the bill charges it depends on how its meter makes kVA: ask the utility."
        }
        _ => "The tariff's kVA contains it.",
    };
    match cause {
        Cause::Harmonics => format!(
            "Displacement PF is {}, true PF (kWh / sum of V·I) is {}: the difference is harmonic \
             current, which capacitors cannot take away and may amplify. Look at filters. {meter}",
            pf(p.average_displacement),
            pf(p.average_true)
        ),
        _ => format!(
            "All phases together have PF {}, the phases apart {}: they differ. Spread the loads \
             over the phases. {meter}",
            pf(p.average_displacement),
            pf(p.average_true)
        ),
    }
}

fn needs(s: &Survey) -> Vec<String> {
    let (u, r) = (prefix(s), &s.required);
    let Some(average) = r.average_var else { return Vec::new() };
    if s.duration.is_empty() || s.power_factor.average.is_none() {
        return Vec::new();
    }
    let target = s.power_factor.target;
    let at_peak = r.at_p_peak_var.unwrap_or(0.0);
    let at_s_peak = r.at_s_peak_var.unwrap_or(0.0);
    let worst = r.every_interval_var.unwrap_or(0.0);
    if average < 0.0 || at_peak < 0.0 || at_s_peak < 0.0 {
        let most = average.min(at_peak).min(at_s_peak);
        return vec![format!(
            "{} of capacitors too many (on average {}, at the kW peak {}).",
            u.say(-most, "var"),
            u.say((-average).max(0.0), "var"),
            u.say((-at_peak).max(0.0), "var")
        )];
    }
    if worst <= 0.0 {
        return vec![format!("No kvar: no interval is below {target:.2} for want of them.")];
    }
    let peaks = if at_peak == 0.0 && at_s_peak == 0.0 {
        "nothing at the peaks".to_owned()
    } else if same_peak(s) {
        format!("{} at the peak of kW and kVA", u.say(at_peak, "var"))
    } else {
        format!(
            "{} at the kW peak, {} at the kVA peak",
            u.say(at_peak, "var"),
            u.say(at_s_peak, "var")
        )
    };
    let average = if average == 0.0 { "nothing".to_owned() } else { u.say(average, "var") };
    vec![format!(
        "To reach {target:.2}: {peaks}, {average} on average; {} would hold it in every interval.",
        u.say(worst, "var")
    )]
}

fn when(s: &Survey) -> Vec<String> {
    let (u, p) = (prefix(s), &s.power_factor);
    let mut out = Vec::new();
    let short = |x: Option<f64>| x.is_some_and(|x| x < p.target - 5e-4);
    let parts = &s.profile.parts;
    let named: [(&str, &Part); 3] = [
        ("in working hours", &parts.working),
        ("on nights of working days", &parts.nights),
        ("on days off", &parts.days_off),
    ];
    let list = |low: bool| {
        named
            .iter()
            .filter(|(_, part)| part.pf.is_some() && short(part.pf) == low)
            .map(|(name, part)| format!("{name} ({})", pf(part.pf)))
            .collect::<Vec<_>>()
    };
    let (low, fine) = (list(true), list(false));
    if low.is_empty() {
        return out;
    }
    out.push(if fine.is_empty() {
        format!("Low at all times: {}.", joined(&low))
    } else {
        format!("Low {}; not {}.", joined(&low), joined(&fine))
    });
    hours(s, u, &mut out);
    let (light, heavy) = (&p.lightest_quarter, &p.heaviest_quarter);
    if let (Some(a), Some(b)) = (light.pf, heavy.pf) {
        let band = |b: &Band| u.say(b.p_w.unwrap_or(0.0), "W");
        if b - a >= TELLING {
            out.push(format!(
                "Worst at light load: {a:.3} in the quarter of least load (mean {}), {b:.3} in \
                 the quarter of most (mean {}). {} do this.",
                band(light),
                band(heavy),
                if light.q1_var.is_some_and(|q| q < 0.0) {
                    "Capacitors that stay on"
                } else {
                    "Motors that run lightly loaded"
                }
            ));
        } else if a - b >= TELLING {
            out.push(format!(
                "Worst at heavy load: {b:.3} in the quarter of most load (mean {}), {a:.3} in \
                 the quarter of least (mean {}).",
                band(heavy),
                band(light)
            ));
        }
    }
    if let (Some(base), Some(share)) = (s.pattern.base_q1_var, s.pattern.base_share)
        && share >= 0.1
    {
        let night = parts
            .nights
            .q1_var
            .map_or_else(String::new, |q| format!(" At night the mean is {}.", u.say(q, "var")));
        out.push(format!(
            "Always on: {} are drawn 95 % of the time, {} of all kvarh.{night}",
            u.say(base, "var"),
            percent(share)
        ));
    }
    out
}

fn hours(s: &Survey, u: Prefix, out: &mut Vec<String>) {
    let pattern = &s.pattern;
    let clock = |h: &HourOfDay| format!("{:02}–{:02} h", h.hour, h.hour + 1);
    let Some(lowest) = pattern.lowest_hour else { return };
    let highest = pattern.highest_hour.unwrap_or(lowest);
    let all_day = match pattern.low_hours {
        0 => return,
        24 => "On working days low around the clock".to_owned(),
        n => format!("On working days low in {n} of {} hours", pattern.hours),
    };
    if highest.pf - lowest.pf < TELLING {
        out.push(format!("{all_day}, much the same at all of them."));
        return;
    }
    let most =
        pattern.most_lacking_hour.filter(|h| h.hour != lowest.hour).map_or_else(String::new, |h| {
            format!(
                " Most kvar lack at {} ({} at {}).",
                clock(&h),
                u.say(h.q1_var, "var"),
                u.say(h.p_w, "W")
            )
        });
    out.push(format!(
        "{all_day}: worst at {} (PF {:.3} at {}), best at {} (PF {:.3} at {}).{most}",
        clock(&lowest),
        lowest.pf,
        u.say(lowest.p_w, "W"),
        clock(&highest),
        highest.pf,
        u.say(highest.p_w, "W"),
    ));
}

fn joined(x: &[String]) -> String {
    match x {
        [] => String::new(),
        [one] => one.clone(),
        [most @ .., last] => format!("{} and {last}", most.join(", ")),
    }
}

fn next(s: &Survey) -> Vec<String> {
    let mut out = Vec::new();
    match s.verdict.class {
        Class::WorthFixing if leads(s) => {
            out.push(
                "Find what stays connected: a stuck contactor, or a bank too large for light load."
                    .into(),
            );
        }
        Class::WorthFixing => {
            out.push("Hold this against the bill's power-factor part: what it charges decides the money.".into());
            out.push("Find the load that draws it; correction near that load also unloads what feeds it.".into());
        }
        Class::NotWorthFixing => {
            out.push(
                "Check the bills once: a charge on the lowest PF or on kvarh may still apply."
                    .into(),
            );
        }
        Class::Good | Class::CannotTell => {}
    }
    out
}

fn cautions(s: &Survey) -> Vec<String> {
    let (u, c) = (prefix(s), &s.completeness);
    let mut out = Vec::new();
    if let Some(h) = s.demand.billed().and_then(|b| b.hidden) {
        out.push(format!(
            "The kW peak may be higher than shown: from {} to {} only {} is recorded, at {} on \
             average.",
            h.start,
            h.end.clock_words(),
            percent(h.coverage),
            u.say(h.p_seen_w, "W")
        ));
    }
    if s.demand.blurring_records > 0 {
        out.push(format!(
            "{} reach over a demand boundary and are long against the interval: peaks are \
             blurred. Use shorter records.",
            count(s.demand.blurring_records, "record", "records")
        ));
    }
    if c.doubtful_records > 0 {
        out.push(format!(
            "Values are in doubt in {} ({}): see the remarks.",
            count(c.doubtful_records, "record", "records"),
            span(c.doubtful_s)
        ));
    }
    if c.placed_records > 0 {
        out.push(format!(
            "{} had no wall time of their own; the pull placed them between their neighbours.",
            count(c.placed_records, "record", "records")
        ));
    }
    if c.overlap_s > 0.0 {
        out.push(format!(
            "Records overlap by {} in all: the clock was set back. Times and peaks there are \
             uncertain.",
            span(c.overlap_s)
        ));
    }
    if c.remarks.iter().any(|r| r.name == "uncalibrated") {
        out.push(
            "The node has no calibration of its own: P and PF at low PF may be far off.".into(),
        );
    }
    if s.energy.active_out_wh > 0.01 * s.energy.active_in_wh && s.energy.active_net_wh > 0.0 {
        out.push(format!(
            "Energy flowed back ({}): the average PF uses net energies.",
            u.energy(s.energy.active_out_wh, "Wh")
        ));
    }
    if s.power_factor.not_kvar.distortion_factor.is_some_and(|d| d < 0.95)
        && !s.verdict.causes.contains(&Cause::Harmonics)
    {
        out.push(format!(
            "Much of the current is harmonic (true PF {}, displacement PF {}): capacitors do not \
             take that away and may resonate with it. Check resonance before any of them.",
            pf(s.power_factor.average_true),
            pf(s.power_factor.average_displacement)
        ));
    }
    if let Some(check) = &s.counter_check {
        let off = check.active_difference_wh.abs().max(check.reactive_difference_varh.abs());
        let whole = check.active_net_wh.abs().max(check.reactive_net_varh.abs());
        if off > 0.005 * whole {
            out.push("Records and the node's own counters differ by more than 0.5 %.".into());
        }
    }
    out.push(
        "Not a billing meter: the utility's meter decides. kvar figures are arithmetic on this \
         log; a sizing is a proposal for a licensed person to review under local codes."
            .into(),
    );
    out.push(
        "Extremes of voltage and current are of whole records; shorter ones are not in this log."
            .into(),
    );
    out
}
