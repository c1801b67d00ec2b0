//! Sections on the load: the week, demand and power factor, kvar over time, harmonics by figures.

use super::Material;
use super::model::{Block, Section, Table};
use crate::analyse::survey::clock::HOUR_MS;
use crate::analyse::survey::demand::DemandAt;
use crate::present::chart::duration::{Curve, DurationChart};
use crate::present::chart::factor::{FactorChart, FactorPoint};
use crate::present::chart::heat::{HeatChart, Hour};
use crate::present::chart::ink::Ink;
use crate::present::chart::reduce::Sample;
use crate::present::chart::scene::{Dash, Shape};
use crate::present::chart::time::{Level, Note, TimeChart, Trace};
use crate::present::number::{NONE, Prefix, percent, pf};
use crate::present::{rows, words};
use crate::site::DemandKind;

/// Logs up to this length are shown as they ran; longer ones also as a typical week.
const SHOWN_WHOLE_MS: i64 = 16 * 24 * HOUR_MS;

/// Values in the report's unit: kW or W.
pub(super) fn scale(u: Prefix) -> f64 {
    if u == Prefix::Kilo { 1e-3 } else { 1.0 }
}

/// The chart of active and reactive power over the log.
pub(super) fn profile_chart(m: &Material<'_>) -> TimeChart {
    let (s, t) = (m.survey, m.traces);
    let u = words::prefix(s);
    let k = scale(u);
    let times = |[a, b]: [f64; 2]| [a * k, b * k];
    let active = t.samples(|x| (x.p_w() * k, times(x.p_range_w)));
    let reactive = t.samples(|x| (x.q1_var() * k, times(x.q_range_var)));
    let trace = |name: String, ink, dash, samples| Trace {
        name,
        ink,
        dash,
        samples,
        band: true,
        steps: false,
        slack_ms: 1000,
    };
    let peak = s.demand.billed().and_then(|b| b.at_p_peak);
    TimeChart {
        clock: t.clock.clone(),
        from_ms: s.first.utc_ms,
        to_ms: s.last.utc_ms,
        unit: format!("{}, {}", u.unit("W"), u.unit("var")),
        at_least: (0.0, 0.0),
        traces: vec![
            trace(u.unit("W"), Ink::Active, Dash::Solid, active),
            trace(u.unit("var"), Ink::Reactive, Dash::Long, reactive),
        ],
        levels: Vec::new(),
        notes: peak
            .map(|d| Note {
                at_ms: (d.start.utc_ms + d.end.utc_ms) / 2,
                value: d.p_w * k,
                text: format!("{} {}", m.locale.four_digits(d.p_w * k), u.unit("W")),
                shape: Shape::Triangle,
                ink: Ink::Active,
            })
            .into_iter()
            .collect(),
        shaded: t.gaps.clone(),
        told: format!(
            "Active and reactive power from {} to {}. {}{}",
            s.first,
            s.last,
            peak.map_or_else(String::new, |d| format!(
                "Highest {} of {} on {}. ",
                u.with(d.p_w, "W"),
                interval_words(&d),
                d.start.day_words()
            )),
            match t.gaps.len() {
                0 => "No gaps.".to_owned(),
                1 => "One gap is shown shaded.".to_owned(),
                n => format!("{n} gaps are shown shaded."),
            }
        ),
    }
}

fn interval_words(d: &DemandAt) -> String {
    format!("{} to {}", d.start.clock_words(), d.end.clock_words())
}

/// A demand with its time, for tables.
fn when(d: &DemandAt) -> String {
    format!("{} {}–{}", d.start.day_words(), d.start.clock_words(), d.end.clock_words())
}

/// The week, or the whole log and its typical week.
pub(super) fn week(m: &Material<'_>) -> Section {
    let s = m.survey;
    let u = words::prefix(s);
    let mut out = Section::new("week", "The load over the log");
    let whole = s.last.utc_ms - s.first.utc_ms <= SHOWN_WHOLE_MS;
    let caption = format!(
        "Means of {:.0} min with the range of the records of {} within (tinted).{} Shaded: nothing \
         recorded.",
        s.basis.demand_interval_min,
        crate::present::number::span(s.completeness.record_max_s),
        if whole { "" } else { " Drawn for many intervals at once; lowest and highest are kept." }
    );
    let name = if whole { "Power over the week" } else { "Power over the log" };
    out.figure(name, caption, 250.0, profile_chart(m));
    if !whole {
        out.figure(
            "A typical week",
            "Mean of each hour of the week over all weeks of the log.",
            230.0,
            typical_week(m),
        );
    }
    out.figure(
        "When reactive power is drawn",
        format!(
            "Each square is an hour of the week; its area is the mean reactive power. Filled: power \
             factor below {:.2}.",
            s.power_factor.target
        ),
        260.0,
        heat(m),
    );
    out.add(Block::Table(Table {
        caption: "Parts of the week: means, and their share of the reactive energy".into(),
        head: ["", "recorded", &u.unit("W"), &u.unit("var"), "PF", &u.unit("varh"), "share"]
            .map(str::to_owned)
            .to_vec(),
        rows: rows::parts(s, u),
        ..Table::default()
    }));
    out.points(words::words(s).when);
    out
}

fn typical_week(m: &Material<'_>) -> TimeChart {
    let s = m.survey;
    let u = words::prefix(s);
    let k = scale(u);
    // A week of the calendar without clock changes stands for all.
    let monday_ms = 4 * 24 * HOUR_MS;
    let clock = crate::analyse::survey::clock::LocalClock::new(
        &jiff::tz::TimeZone::UTC,
        monday_ms,
        monday_ms + 168 * HOUR_MS,
    );
    let series = |get: &dyn Fn(usize) -> Option<f64>| {
        (0..168usize)
            .filter_map(|h| {
                let start = monday_ms + h as i64 * HOUR_MS;
                Some(Sample::flat(start, start + HOUR_MS, get(h)? * k))
            })
            .collect::<Vec<_>>()
    };
    let hours = &s.profile.hours_of_week;
    TimeChart {
        clock: clock.unwrap_or_else(|_| m.traces.clock.clone()),
        from_ms: monday_ms,
        to_ms: monday_ms + 168 * HOUR_MS,
        unit: format!("{}, {}", u.unit("W"), u.unit("var")),
        at_least: (0.0, 0.0),
        traces: vec![
            Trace::held(u.unit("W"), Ink::Active, Dash::Solid, series(&|h| hours.get(h)?.p_w)),
            Trace::held(
                u.unit("var"),
                Ink::Reactive,
                Dash::Long,
                series(&|h| hours.get(h)?.q1_var),
            ),
        ],
        levels: Vec::new(),
        notes: Vec::new(),
        shaded: Vec::new(),
        told: "Mean active and reactive power by hour of the week, Monday to Sunday.".into(),
    }
}

fn heat(m: &Material<'_>) -> HeatChart {
    let s = m.survey;
    let u = words::prefix(s);
    let most = s.profile.hours_of_week.iter().filter_map(|h| h.q1_var).fold(0.0, f64::max);
    let target = s.power_factor.target;
    let hours = s
        .profile
        .hours_of_week
        .iter()
        .map(|h| match (h.skipped, h.q1_var) {
            (true, _) => Hour::Skipped,
            (_, None) => Hour::Unseen,
            (_, Some(q)) => Hour::Seen {
                size: libm::fabs(q) * scale(u),
                short: h.pf.is_some_and(|x| x < target - 5e-4),
            },
        })
        .collect();
    let peak = s.demand.billed().and_then(|b| b.at_p_peak).map(|d| {
        let hour = d.start.local_ms().div_euclid(HOUR_MS);
        (crate::analyse::survey::clock::hour_of_week(hour), format!("{} peak", u.unit("W")))
    });
    let worst = s.pattern.lowest_hour.map_or_else(String::new, |h| {
        format!(
            " On working days power factor is lowest from {:02} to {:02} h.",
            h.hour,
            h.hour + 1
        )
    });
    HeatChart {
        hours,
        full: (most.max(1e-9) * scale(u), u.unit("var")),
        legend: [format!("PF below {target:.2}"), "meets it, or no load".into()]
            .map(|x| m.locale.localise(&x)),
        marked: peak,
        told: format!("Reactive power for each hour of the week.{worst}"),
    }
}

/// Demand and power factor with their peaks.
pub(super) fn demand(m: &Material<'_>) -> Section {
    let s = m.survey;
    let u = words::prefix(s);
    let b = &s.basis;
    let mut out = Section::new("demand", "Demand and power factor");
    let kind = match b.demand_kind {
        DemandKind::Block => format!("blocks of {:.0} min by the clock", b.demand_interval_min),
        DemandKind::Sliding => format!("sliding intervals of {:.0} min", b.demand_interval_min),
    };
    out.text(format!(
        "Demand is the mean of {kind}; kVA is {} apparent power. An average power factor is made of \
         energies, never of power factors.",
        b.apparent.name()
    ));
    out.figure(
        "Demand",
        format!("Demand of every interval, with the highest {} marked.", u.unit("W")),
        220.0,
        demand_chart(m),
    );
    out.add(Block::Table(peaks(m)));
    let points = factor_points(m);
    if !points.is_empty() {
        out.figure(
            "Power factor against load",
            format!(
                "All {:.0}-min intervals with load; the larger a square, the more of them. Filled in \
                 the second shade: below {:.2}; empty: leading.",
                b.demand_interval_min, s.power_factor.target
            ),
            250.0,
            FactorChart {
                unit: u.unit("W"),
                peak: s.demand.billed().and_then(|p| p.at_p_peak).and_then(|d| {
                    Some(FactorPoint { load: d.p_w * scale(u), factor: d.pf?, leads: false })
                }),
                points,
                target: s.power_factor.target,
                told: factor_told(m),
            },
        );
    }
    out.points(words::words(s).why);
    if let Some(h) = s.demand.billed().and_then(|b| b.hidden) {
        out.add(Block::Caution(format!(
            "The peak may be higher than shown: from {} to {} only {} is recorded, at {} on average.",
            h.start,
            h.end.clock_words(),
            percent(h.coverage),
            u.say(h.p_seen_w, "W")
        )));
    }
    out
}

fn demand_chart(m: &Material<'_>) -> TimeChart {
    let (s, t) = (m.survey, m.traces);
    let u = words::prefix(s);
    let k = scale(u);
    let series = |get: &dyn Fn(&super::traces::Slot) -> f64| {
        t.whole().map(|x| Sample::flat(x.start_ms, x.end_ms, get(x) * k)).collect::<Vec<_>>()
    };
    let billed = s.demand.billed();
    let note = |d: Option<DemandAt>, value: fn(&DemandAt) -> f64, unit: &str, shape, ink| {
        d.map(|d| Note {
            at_ms: (d.start.utc_ms + d.end.utc_ms) / 2,
            value: value(&d) * k,
            text: format!(
                "{} {}, {} {}",
                m.locale.four_digits(value(&d) * k),
                u.unit(unit),
                &d.start.day_words()[..3],
                d.start.clock_words()
            ),
            shape,
            ink,
        })
    };
    let kw = note(billed.and_then(|b| b.at_p_peak), |d| d.p_w, "W", Shape::Triangle, Ink::Active);
    let kva =
        note(billed.and_then(|b| b.at_s_peak), |d| d.s_va, "VA", Shape::Diamond, Ink::Apparent);
    let told = format!(
        "Demand over the log. {}",
        match (&kw, &kva) {
            (Some(a), Some(b)) => format!("Highest {} and {}.", a.text, b.text),
            _ => "No interval is whole.".into(),
        }
    );
    TimeChart {
        clock: t.clock.clone(),
        from_ms: s.first.utc_ms,
        to_ms: s.last.utc_ms,
        unit: format!("{}, {}", u.unit("W"), u.unit("VA")),
        at_least: (0.0, 0.0),
        traces: vec![
            Trace::held(u.unit("VA"), Ink::Apparent, Dash::Solid, series(&|x| x.s_va())),
            Trace::held(u.unit("W"), Ink::Active, Dash::Solid, series(&|x| x.p_w())),
        ],
        levels: m
            .demand_limit_w
            .map(|w| Level { value: w * k, name: "limit".into() })
            .into_iter()
            .collect(),
        notes: kva.into_iter().chain(kw).collect(),
        shaded: t.gaps.clone(),
        told,
    }
}

fn peaks(m: &Material<'_>) -> Table {
    let s = m.survey;
    let u = words::prefix(s);
    let row = |name: String, d: Option<DemandAt>| {
        vec![
            name,
            u.number_or_none(d.map(|d| d.p_w)),
            u.number_or_none(d.map(|d| d.q1_var)),
            u.number_or_none(d.map(|d| d.s_va)),
            pf(d.and_then(|d| d.pf)),
            d.map_or_else(|| NONE.to_owned(), |d| when(&d)),
        ]
    };
    let billed = s.demand.billed();
    let hours = s.energy.measured_h;
    let average_va = match s.power_factor.apparent {
        crate::site::Apparent::Vector => Some(s.energy.apparent_vector_vah),
        crate::site::Apparent::Arithmetic => Some(s.energy.apparent_arithmetic_vah),
        crate::site::Apparent::Effective => s.energy.apparent_effective_vah,
    };
    let (kw, kvar, kva) = (u.unit("W"), u.unit("var"), u.unit("VA"));
    Table {
        caption: "Peaks and averages".into(),
        head: ["", &kw, &kvar, &kva, "PF", "when"].map(str::to_owned).to_vec(),
        rows: vec![
            row(format!("Highest {kw}"), billed.and_then(|p| p.at_p_peak)),
            row(format!("Highest {kva}"), billed.and_then(|p| p.at_s_peak)),
            row(format!("Highest {kvar}"), billed.and_then(|p| p.at_q1_peak)),
            row(
                format!("Lowest PF from {} on", u.with(s.power_factor.counts_from_w, "W")),
                s.power_factor.lowest,
            ),
            vec![
                "Average".into(),
                u.number(s.energy.active_net_wh / hours),
                u.number(s.energy.reactive_net_varh / hours),
                u.number_or_none(average_va.map(|x| x / hours)),
                pf(s.power_factor.average),
                "from energies".into(),
            ],
        ],
        left: vec![5],
        strong: Vec::new(),
    }
}

fn factor_points(m: &Material<'_>) -> Vec<FactorPoint> {
    let k = scale(words::prefix(m.survey));
    let floor = m.survey.power_factor.no_load_below_va;
    m.traces
        .whole()
        .filter(|x| x.s_va() >= floor && x.p_w() >= 0.0)
        .filter_map(|x| {
            Some(FactorPoint { load: x.p_w() * k, factor: x.pf()?, leads: x.q1_var() < 0.0 })
        })
        .collect()
}

fn factor_told(m: &Material<'_>) -> String {
    let p = &m.survey.power_factor;
    let u = words::prefix(m.survey);
    let band = |b: &crate::analyse::survey::factors::Band| {
        format!("{} at {} on average", pf(b.pf), u.number_or_none(b.p_w))
    };
    format!(
        "Power factor in the quarter of least load: {}; in the quarter of most load: {} {}.",
        band(&p.lightest_quarter),
        band(&p.heaviest_quarter),
        u.unit("W")
    )
}

/// Reactive power sorted, with the base and what it takes.
pub(super) fn duration(m: &Material<'_>) -> Option<Section> {
    let s = m.survey;
    let u = words::prefix(s);
    let k = scale(u);
    let sorted: Vec<f64> = m.traces.sorted(|x| x.q1_var()).into_iter().map(|q| q * k).collect();
    if sorted.len() < 2 {
        return None;
    }
    let mut out = Section::new("duration", "How much reactive power, and for how long");
    let mut levels = Vec::new();
    if let Some(base) = s.pattern.base_q1_var.filter(|b| *b > 0.0) {
        let name = format!("always on: {} {}", m.locale.four_digits(base * k), u.unit("var"));
        levels.push(Level { value: base * k, name });
    }
    if let Some(need) = s.required.at_p_peak_var.filter(|x| *x > 0.0) {
        let value = need * k;
        let name =
            format!("lacking at the peak: {} {}", m.locale.four_digits(value), u.unit("var"));
        levels.push(Level { value, name });
    }
    // Two levels that touch would be unreadable.
    let most = sorted.first().copied().unwrap_or(0.0).max(1e-9);
    if let [a, b] = levels.as_slice()
        && libm::fabs(a.value - b.value) < 0.08 * most
    {
        levels.truncate(1);
    }
    let middle = sorted[sorted.len() / 2];
    out.figure(
        "Duration of reactive power",
        "Reactive power of every interval, sorted. What lies at the far right flows all the time: \
         that is what a fixed unit can take away without ever leading.",
        230.0,
        DurationChart {
            unit: u.unit("var"),
            curves: vec![Curve {
                name: u.unit("var"),
                ink: Ink::Reactive,
                dash: Dash::Solid,
                sorted,
                filled: true,
            }],
            levels,
            told: format!(
                "Reactive power sorted by size: at most {:.1}, half of the time above {:.1} {}.",
                most,
                middle,
                u.unit("var")
            ),
        },
    );
    let shares = [0.0, 0.05, 0.25, 0.5, 0.75, 0.95, 1.0];
    let rows: Vec<&crate::analyse::survey::factors::DurationRow> =
        s.duration.iter().filter(|r| shares.contains(&r.exceeded_share)).collect();
    let mut head = vec!["exceeded for".to_owned()];
    head.extend(rows.iter().map(|r| match r.exceeded_share {
        0.0 => "highest".into(),
        1.0 => "lowest".into(),
        x => format!("{:.0} %", x * 100.0),
    }));
    let line = |unit: &str, get: fn(&crate::analyse::survey::factors::DurationRow) -> f64| {
        let mut cells = vec![u.unit(unit)];
        cells.extend(rows.iter().map(|r| u.number(get(r))));
        cells
    };
    out.add(Block::Table(Table {
        caption: "Each row sorted on its own".into(),
        head,
        rows: vec![line("W", |r| r.p_w), line("var", |r| r.q1_var), line("VA", |r| r.s_va)],
        ..Table::default()
    }));
    out.points(words::words(s).needs);
    Some(out)
}
