//! The survey on a terminal: verdict first, then figures, the week in pictures, the log's state.

use super::number::{NONE, Prefix, count, grouped, percent, pf, span};
use super::text::{Page, Style};
use super::words::{Words, prefix, words};
use super::{picture, rows};
use crate::analyse::reread::Reread;
use crate::analyse::survey::Survey;
use crate::analyse::survey::clock::hour_of_week;
use crate::analyse::survey::demand::DemandAt;
use crate::analyse::survey::factors::DurationRow;
use crate::site::DemandKind;

/// Width of the labels ahead of paragraphs.
const LABEL: usize = 11;

/// Gaps shown one by one.
const GAPS_SHOWN: usize = 8;

/// Days shown one by one.
const DAYS_SHOWN: usize = 14;

/// The survey as text.
pub fn survey_text(s: &Survey, style: Style) -> String {
    let mut page = Page::new(style);
    let (u, w) = (prefix(s), words(s));
    head(&mut page, s, &w);
    figures(&mut page, s, u);
    week(&mut page, s, u);
    days(&mut page, s, u);
    duration(&mut page, s, u);
    phases(&mut page, s, u);
    log(&mut page, s);
    page.heading("Take care");
    w.cautions.iter().for_each(|c| page.point(c));
    if !s.basis.assumed.is_empty() {
        page.heading("Assumed, where no site file says otherwise");
        s.basis.assumed.iter().for_each(|a| page.point(a));
    }
    page.finish()
}

/// The survey as one JSON object: all figures, and the sentences under `words`.
pub fn survey_json(s: &Survey) -> serde_json::Value {
    let mut value = serde_json::to_value(s).unwrap_or_default();
    if let Some(object) = value.as_object_mut() {
        object.insert("words".into(), serde_json::to_value(words(s)).unwrap_or_default());
    }
    value
}

fn head(page: &mut Page, s: &Survey, w: &Words) {
    let title = match (&s.basis.site, &s.basis.feeder) {
        (Some(site), Some(feeder)) => format!("{site}, {feeder}"),
        (Some(name), None) | (None, Some(name)) => name.clone(),
        (None, None) => "Survey".to_owned(),
    };
    page.heading(&title);
    page.line(&format!(
        "{} to {} ({}), {}",
        s.first,
        s.last,
        s.basis.time_zone,
        span(s.completeness.expected_s)
    ));
    if let Some(r) = &s.reread {
        reread(page, s, r);
    }
    page.heading(&marked(s, &w.verdict));
    for (label, sentences) in
        [("Why", &w.why), ("Needs", &w.needs), ("When", &w.when), ("Next", &w.next)]
    {
        for (k, sentence) in sentences.iter().enumerate() {
            page.labelled(if k == 0 { label } else { "" }, LABEL, sentence);
        }
    }
}

/// A heading over figures that rest on powers: marked where those are estimated.
fn marked(s: &Survey, title: &str) -> String {
    match &s.reread {
        Some(r) if r.is_estimated() => format!("{title} [~ estimated]"),
        _ => title.to_owned(),
    }
}

/// What was read again, and which figures are estimates.
fn reread(page: &mut Page, s: &Survey, r: &Reread) {
    page.labelled("Re-read", LABEL, &format!("as if wired {}.", r.as_if_wired));
    if r.is_estimated() {
        let wh = s.energy.active_net_wh.abs();
        let share = if wh > 0.0 {
            format!(" ({:.1} %)", 100.0 * r.energy_bound_wh / wh)
        } else {
            String::new()
        };
        page.labelled(
            "",
            LABEL,
            &format!(
                "P, Q1, N and PF of {} are estimated from the fundamental: their voltages and \
             currents were not measured as pairs. Total energies, active and reactive, are off by \
             at most {}{share}. Figures under headings marked [~ estimated] rest on that.",
                r.estimated_power.join(", "),
                prefix(s).energy(r.energy_bound_wh, "Wh"),
            ),
        );
    }
    if !r.estimated_rms.is_empty() {
        let phases = r.estimated_rms.join(", ");
        page.labelled("", LABEL, &format!("RMS values of {phases} are estimated likewise."));
    }
    if r.estimated_effective {
        page.labelled("", LABEL, "Effective kVA and the neutral's current are estimated likewise.");
    }
}

fn figures(page: &mut Page, s: &Survey, u: Prefix) {
    let b = &s.basis;
    let kind = match b.demand_kind {
        DemandKind::Block => format!("{:.0}-min blocks", b.demand_interval_min),
        DemandKind::Sliding => format!(
            "{:.0}-min sliding{}",
            b.demand_interval_min,
            s.demand
                .sliding
                .as_ref()
                .map_or_else(String::new, |p| format!(" by {:.0}", p.step_min))
        ),
    };
    let title = format!("Demand and power factor ({kind}, kVA {})", b.apparent.name());
    page.heading(&marked(s, &title));
    let row = |name: &str, d: Option<DemandAt>| {
        let mut cells = vec![name.to_owned()];
        cells.extend([
            u.number_or_none(d.map(|d| d.p_w)),
            u.number_or_none(d.map(|d| d.q1_var)),
            u.number_or_none(d.map(|d| d.s_va)),
            pf(d.and_then(|d| d.pf)),
            d.map_or_else(|| NONE.to_owned(), |d| interval(&d)),
        ]);
        cells
    };
    let (kw, kvar, kva) = (u.unit("W"), u.unit("var"), u.unit("VA"));
    let mut rows = Vec::new();
    let billed = s.demand.billed();
    rows.push(row(&format!("Highest {kw}"), billed.and_then(|p| p.at_p_peak)));
    rows.push(row(&format!("Highest {kva}"), billed.and_then(|p| p.at_s_peak)));
    rows.push(row(&format!("Highest {kvar}"), billed.and_then(|p| p.at_q1_peak)));
    rows.push(row("Lowest PF *", s.power_factor.lowest));
    let hours = s.energy.measured_h;
    let average_va = match s.power_factor.apparent {
        crate::site::Apparent::Vector => Some(s.energy.apparent_vector_vah),
        crate::site::Apparent::Arithmetic => Some(s.energy.apparent_arithmetic_vah),
        crate::site::Apparent::Effective => s.energy.apparent_effective_vah,
    };
    rows.push(vec![
        "Average".into(),
        u.number(s.energy.active_net_wh / hours),
        u.number(s.energy.reactive_net_varh / hours),
        u.number_or_none(average_va.map(|x| x / hours)),
        pf(s.power_factor.average),
        "from energies".into(),
    ]);
    page.table(&["", &kw, &kvar, &kva, "PF", "when"], &rows, &[5]);
    if let Some(other) = other_series(s)
        && let (name, Some(p), Some(va)) = (other.0, other.1.at_p_peak, other.1.at_s_peak)
    {
        page.labelled(
            "",
            2,
            &format!(
                "{name}: highest {} ({}), {} ({}).",
                u.with(p.p_w, "W"),
                interval(&p),
                u.with(va.s_va, "VA"),
                interval(&va)
            ),
        );
    }
    page.labelled("", 2, &format!(
        "* of intervals from {} on ({} of the highest). {} under load, {} without load left out.",
        u.with(s.power_factor.counts_from_w, "W"),
        percent(b.counts_from_share),
        count(s.power_factor.intervals_loaded, "interval", "intervals"),
        grouped(s.power_factor.intervals_no_load as f64),
    ));
    energy(page, s, u);
}

/// The series that is not billed, with its name.
fn other_series(s: &Survey) -> Option<(String, &crate::analyse::survey::demand::Peaks)> {
    match s.demand.billed {
        DemandKind::Block => s
            .demand
            .sliding
            .as_ref()
            .map(|p| (format!("Sliding {:.0} min by {:.0}", p.interval_min, p.step_min), p)),
        DemandKind::Sliding => {
            s.demand.block.as_ref().map(|p| (format!("{:.0}-min blocks", p.interval_min), p))
        }
    }
}

fn energy(page: &mut Page, s: &Survey, u: Prefix) {
    let e = &s.energy;
    page.heading(&marked(s, "Energy"));
    page.labelled(
        "",
        2,
        &format!(
            "{} in, {} out; {} lagging, {} leading; {} (sum of V·I).",
            u.energy(e.active_in_wh, "Wh"),
            u.energy(e.active_out_wh, "Wh"),
            u.energy(e.reactive_lagging_varh, "varh"),
            u.energy(e.reactive_leading_varh, "varh"),
            u.energy(e.apparent_arithmetic_vah, "VAh"),
        ),
    );
    page.labelled(
        "",
        2,
        &format!(
            "PF from energies: {} by kWh and net kvarh (displacement), {} by kWh and kVAh (true).",
            pf(s.power_factor.average_displacement),
            pf(s.power_factor.average_true),
        ),
    );
    let leading = s.required.beyond_target_leading_varh;
    page.labelled(
        "",
        2,
        &format!(
            "Beyond what {:.2} allows, interval by interval: {} lagging{}.",
            s.power_factor.target,
            u.energy(s.required.beyond_target_lagging_varh, "varh"),
            if leading > 0.0 {
                format!(", {} leading", u.energy(leading, "varh"))
            } else {
                String::new()
            }
        ),
    );
    match &s.counter_check {
        Some(c) => page.labelled("", 2, &format!(
            "Checked against the node's counters over {} records: off by {} of {} and {} of {}.{}",
            grouped(c.records as f64),
            difference(c.active_difference_wh, c.active_net_wh),
            u.unit("Wh"),
            difference(c.reactive_difference_varh, c.reactive_net_varh),
            u.unit("varh"),
            if c.absent_active_net_wh.abs() > 0.0005 * c.active_net_wh.abs() {
                format!(
                    " For absent records the counters hold another {} and {}; no figure here \
                     includes them.",
                    u.energy(c.absent_active_net_wh, "Wh"),
                    u.energy(c.absent_reactive_net_varh, "varh")
                )
            } else {
                String::new()
            }
        )),
        None => page.labelled("", 2, "The log holds no counters that run on, so none were compared."),
    }
}

/// A difference in percent of a whole.
fn difference(part: f64, whole: f64) -> String {
    if whole == 0.0 {
        return NONE.to_owned();
    }
    let p = part / whole.abs() * 100.0;
    if p.abs() < 0.0005 { "0.000 %".to_owned() } else { format!("{p:+.3} %") }
}

fn week(page: &mut Page, s: &Survey, u: Prefix) {
    page.heading(&marked(s, "The week by the hour (local time)"));
    let peak = s.demand.billed().and_then(|b| b.at_p_peak);
    let peak_hour = peak
        .filter(|d| d.p_w > 0.0)
        .map(|d| hour_of_week(d.start.local_ms().div_euclid(3_600_000)));
    let target = s.power_factor.target;
    for line in picture::week(&s.profile.hours_of_week, target, peak_hour) {
        page.line(&line);
    }
    for line in picture::legend(target) {
        page.line(&format!("    {line}"));
    }
    let most = s.profile.hours_of_week.iter().filter_map(|h| h.p_w).fold(0.0, f64::max);
    page.labelled(
        "",
        4,
        &format!("Load: a full bar is {} as the mean of an hour.", u.with(most, "W")),
    );
    page.line("");
    let header = [
        "".to_owned(),
        "time".to_owned(),
        u.unit("W"),
        u.unit("var"),
        "PF".to_owned(),
        u.unit("varh"),
        "share".to_owned(),
    ];
    let header: Vec<&str> = header.iter().map(String::as_str).collect();
    page.table(&header, &rows::parts(s, u), &[]);
}

fn days(page: &mut Page, s: &Survey, u: Prefix) {
    let days = &s.profile.days;
    if days.len() > DAYS_SHOWN {
        return;
    }
    page.heading(&marked(s, "Day by day"));
    let rows: Vec<Vec<String>> = days
        .iter()
        .map(|d| {
            vec![
                format!("{} {}", d.day, d.date),
                u.energy_number(d.active_net_wh),
                u.energy_number(d.reactive_net_varh),
                pf(d.pf),
                format!("{} of {} h", trimmed(d.measured_h), trimmed(d.day_h)),
            ]
        })
        .collect();
    page.table(&["", &u.unit("Wh"), &u.unit("varh"), "PF", "recorded"], &rows, &[]);
}

/// Hours without decimals where there are none.
fn trimmed(hours: f64) -> String {
    let text = format!("{hours:.1}");
    text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
}

fn duration(page: &mut Page, s: &Survey, u: Prefix) {
    if s.duration.is_empty() {
        return;
    }
    page.heading(&marked(s, "Exceeded for a share of the time (each row sorted on its own)"));
    // Numbers of five digits leave no room for the outermost shares.
    let wide = s.duration.iter().any(|r| short_number(u, r.s_va).len() > 4);
    let rows: Vec<&DurationRow> =
        s.duration.iter().filter(|r| !(wide && [0.01, 0.99].contains(&r.exceeded_share))).collect();
    let shares: Vec<String> = rows
        .iter()
        .map(|r| match r.exceeded_share {
            0.0 => "most".to_owned(),
            1.0 => "least".to_owned(),
            x => format!("{:.0} %", x * 100.0),
        })
        .collect();
    let mut header = vec![""];
    header.extend(shares.iter().map(String::as_str));
    let line = |unit: &str, get: &dyn Fn(&DurationRow) -> f64| {
        let mut cells = vec![u.unit(unit)];
        cells.extend(rows.iter().map(|r| short_number(u, get(r))));
        cells
    };
    page.table(
        &header,
        &[line("W", &|r| r.p_w), line("var", &|r| r.q1_var), line("VA", &|r| r.s_va)],
        &[],
    );
}

/// Three digits, so that eleven columns fit.
fn short_number(u: Prefix, x: f64) -> String {
    let scaled = if u == Prefix::Kilo { x / 1000.0 } else { x };
    let text = match scaled.abs() {
        a if a < 9.95 => format!("{scaled:.1}"),
        _ => format!("{scaled:.0}"),
    };
    if text == "-0.0" { "0.0".to_owned() } else { text }
}

fn phases(page: &mut Page, s: &Survey, u: Prefix) {
    let p = &s.phases;
    page.heading(&marked(s, "Phases"));
    let (kw, kvar) = (u.unit("W"), u.unit("var"));
    page.table(
        &["", "V rms", "least", "most", "A rms", "most", &kw, &kvar, "PF"],
        &rows::phases(s, u),
        &[],
    );
    let mut notes = Vec::new();
    if let Some(nominal) = p.v_nominal_v {
        let range = p.phases.iter().filter_map(|f| Some((f.v_min_v?, f.v_max_v?)));
        let (low, high) =
            range.fold((f64::INFINITY, 0.0f64), |(a, b), (min, max)| (a.min(min), b.max(max)));
        if low.is_finite() {
            notes.push(format!(
                "voltage {:+.1} to {:+.1} % of {nominal:.1} V",
                (low / nominal - 1.0) * 100.0,
                (high / nominal - 1.0) * 100.0
            ));
        }
    }
    let unbalance = [("voltages", p.v_unbalance_pct), ("currents", p.i_unbalance_pct)];
    for (what, pct) in unbalance.into_iter().filter_map(|(w, x)| Some((w, x?))) {
        notes.push(format!("{what} differ by {pct:.1} %"));
    }
    if let (Some(f), Some([low, high])) = (p.frequency_hz, p.frequency_min_max_hz) {
        notes.push(format!("{f:.3} Hz ({low:.2} to {high:.2})"));
    }
    if let Some(d) = s.power_factor.not_kvar.distortion_factor {
        notes.push(format!("distortion factor {d:.3}"));
    }
    if !notes.is_empty() {
        page.labelled("", 2, &format!("{}.", sentence(&notes.join("; "))));
        if p.i_unbalance_pct.is_some() {
            page.labelled(
                "",
                2,
                "Differences are the largest from the mean, over the mean, of the RMS above.",
            );
        }
    }
}

fn sentence(text: &str) -> String {
    let mut c = text.chars();
    c.next().map_or_else(String::new, |first| first.to_uppercase().chain(c).collect())
}

fn log(page: &mut Page, s: &Survey) {
    let c = &s.completeness;
    page.heading("The log");
    let lengths = if c.record_max_s - c.record_min_s < 0.02 * c.record_max_s {
        format!("of {}", span(c.record_max_s))
    } else {
        format!("of {} to {}", span(c.record_min_s), span(c.record_max_s))
    };
    page.labelled(
        "",
        2,
        &format!(
            "{} {lengths}: {} of {} recorded, {}.",
            count(c.records, "record", "records"),
            span(c.present_s),
            span(c.expected_s),
            percent(c.present_share),
        ),
    );
    page.labelled(
        "",
        2,
        &if c.whole_week {
            "Every hour of the week was seen.".to_owned()
        } else {
            format!("{} of 168 hours of the week were seen.", c.hours_of_week_seen)
        },
    );
    if let Some(b) = s.demand.billed() {
        page.labelled(
            "",
            2,
            &format!(
                "{} complete{}.",
                count(b.complete, "demand interval", "demand intervals"),
                match b.incomplete {
                    0 => String::new(),
                    n => format!(", {} incomplete and in no peak and no share", grouped(n as f64)),
                }
            ),
        );
    }
    let mut counts = Vec::new();
    for (n, one, many) in [
        (c.restarts, "restart", "restarts"),
        (c.clock_sets, "clock setting", "clock settings"),
        (c.record_numbers_absent, "record number absent", "record numbers absent"),
        (
            c.placed_records,
            "record placed in time by the pull",
            "records placed in time by the pull",
        ),
        (c.unusable_records, "unusable record left out", "unusable records left out"),
        (c.repeated_records, "repeated record left out", "repeated records left out"),
    ] {
        if n > 0 {
            counts.push(count(n, one, many));
        }
    }
    if !counts.is_empty() {
        page.labelled("", 2, &format!("{}.", sentence(&counts.join(", "))));
    }
    gaps(page, s);
    if !c.remarks.is_empty() {
        page.line("");
        let rows: Vec<Vec<String>> = c
            .remarks
            .iter()
            .map(|r| vec![r.meaning.to_owned(), grouped(r.records as f64), span(r.time_s)])
            .collect();
        page.table(&["Remarks of the records", "records", "time"], &rows, &[]);
    }
}

fn gaps(page: &mut Page, s: &Survey) {
    let c = &s.completeness;
    if c.gap_count == 0 {
        page.labelled("", 2, "No gap of a second or more.");
        return;
    }
    page.line("");
    let mut longest: Vec<_> = c.gaps.iter().collect();
    longest.sort_by(|a, b| b.length_s.total_cmp(&a.length_s));
    longest.truncate(GAPS_SHOWN);
    longest.sort_by_key(|g| g.start);
    let rows: Vec<Vec<String>> = longest
        .iter()
        .map(|g| {
            let mut why: Vec<&str> = g.reasons.iter().map(|r| r.words()).collect();
            let absent = format!("{} absent", grouped(f64::from(g.record_numbers_absent)));
            if g.record_numbers_absent > 0 {
                why.retain(|w| *w != "records absent");
                why.push(&absent);
            }
            vec![g.start.to_string(), span(g.length_s), why.join(", ")]
        })
        .collect();
    let title = if c.gap_count as usize > rows.len() {
        format!("{} gaps, the longest", grouped(c.gap_count as f64))
    } else {
        count(c.gap_count, "gap", "gaps")
    };
    page.table(&[&title, "length", "why"], &rows, &[2]);
    if c.short_gaps_s > 0.0 {
        page.labelled("", 2, &format!("Gaps under a second add up to {}.", span(c.short_gaps_s)));
    }
}

/// `Tue 2016-01-05 14:45–15:00`.
fn interval(d: &DemandAt) -> String {
    format!("{}–{}", d.start, d.end.clock_words())
}
