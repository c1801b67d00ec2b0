//! The page's pictures: phasors and waveforms of now, the day and the week of the log.

use crate::analyse::survey::clock::LocalClock;
use crate::collect::log::IntervalLog;
use crate::present::chart::phasor::PhasorChart;
use crate::present::chart::reduce::Sample;
use crate::present::chart::scene::{Anchor, Canvas, Dash, Scene};
use crate::present::chart::time::{TimeChart, Trace, both_widths};
use crate::present::chart::{Chart, Ink, svg};
use crate::present::locale::Locale;
use crate::watch::state::{StationState, Waves};
use jiff::tz::TimeZone;
use wattless_core::complex::Complex;

/// Phasors of a node, if they are known.
pub fn phasors(s: &StationState, locale: &Locale) -> Option<String> {
    let wiring = s.live.as_ref()?.wiring;
    let [a, b, c, d, e, f] = s.phasors?.map(|[re, im]| Complex::new(f64::from(re), f64::from(im)));
    let chart = PhasorChart {
        v: [a, b, c],
        i: [d, e, f],
        phases: wiring.phases(),
        told: "Fundamental voltages and currents as measured".to_owned(),
    };
    let scene = chart.scene(&Canvas::page(340.0, 260.0), locale);
    Some(svg::svg(&scene, svg::Colours::Classes, "Phasors", &chart.alt(locale), "chart"))
}

/// Two cycles of voltages above, currents below.
pub fn waves(w: &Waves, locale: &Locale) -> String {
    let canvas = Canvas::page(340.0, 260.0);
    let mut scene = Scene::new(&canvas);
    let most = |from: usize| {
        w.channels.iter().skip(from).take(3).flatten().fold(0.0f32, |m, x| m.max(x.abs()))
    };
    let inks = Ink::SERIES;
    let dashes = [Dash::Solid, Dash::Long, Dash::Dots];
    let length = (0.04 / w.step_s.max(1e-6)) as usize;
    for (part, (from, unit)) in [(0, "V"), (3, "A")].into_iter().enumerate() {
        let top = 16.0 + part as f64 * 124.0;
        let middle = top + 50.0;
        let peak = f64::from(most(from));
        scene.line(vec![(0.0, middle), (320.0, middle)], Ink::Grid, 1.0, Dash::Solid);
        let title = format!("{} {unit} peak", locale.four_digits(peak));
        scene.text((0.0, top - 3.0), title, Anchor::Start, Ink::Quiet);
        if peak <= 0.0 {
            continue;
        }
        let mut names = Vec::new();
        for k in 0..3 {
            let points: Vec<_> = w.channels[from + k]
                .iter()
                .take(length)
                .enumerate()
                .map(|(n, x)| {
                    let at = n as f64 / length.max(1) as f64 * 320.0;
                    (at, middle - f64::from(*x) / peak * 48.0)
                })
                .collect();
            names.extend(points.last().map(|end| (end.1 + 4.0, k)));
            scene.line(points, inks[k], 1.5, dashes[k]);
        }
        // Names at the ends, from the top down, none on another.
        names.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut free = f64::NEG_INFINITY;
        for (y, k) in names {
            free = y.max(free) + 12.0;
            scene.text((324.0, free - 12.0), (k + 1).to_string(), Anchor::Start, inks[k]);
        }
    }
    let alt = "Two cycles of the voltages above and of the currents below";
    svg::svg(&scene, svg::Colours::Classes, "Waveforms", alt, "chart")
}

/// Active and reactive power of a stretch of the log.
pub fn stretch(
    log: &IntervalLog,
    zone: &TimeZone,
    locale: &Locale,
    (from_ms, to_ms): (i64, i64),
    slot_ms: i64,
    name: &str,
) -> Option<String> {
    let clock = LocalClock::new(zone, from_ms, to_ms).ok()?;
    let mut slots: Vec<(i64, f64, [f64; 3], [f64; 3])> = Vec::new();
    for at in 0..log.len() {
        let (end_ms, s) = (log.end_ms[at], log.duration_s(at));
        let (p, q) = (log.total_p_w(at) / 1e3, log.total_q1_var(at) / 1e3);
        if end_ms <= from_ms || end_ms > to_ms || !(p + q).is_finite() {
            continue;
        }
        let slot = (end_ms - 1).div_euclid(slot_ms) * slot_ms;
        if slots.last().is_none_or(|l| l.0 != slot) {
            let none = [0.0, f64::INFINITY, f64::NEG_INFINITY];
            slots.push((slot, 0.0, none, none));
        }
        if let Some((_, seconds, a, b)) = slots.last_mut() {
            *seconds += s;
            for (sum, x) in [(a, p), (b, q)] {
                *sum = [sum[0] + x * s, sum[1].min(x), sum[2].max(x)];
            }
        }
    }
    if slots.is_empty() {
        return None;
    }
    let samples = |part: usize| {
        slots
            .iter()
            .map(|(start, s, a, b)| {
                let [sum, low, high] = if part == 0 { *a } else { *b };
                Sample { start_ms: *start, end_ms: start + slot_ms, mean: sum / s, low, high }
            })
            .collect()
    };
    let trace = |name: &str, ink, dash, samples| Trace {
        name: name.to_owned(),
        ink,
        dash,
        samples,
        band: true,
        steps: false,
        slack_ms: slot_ms / 2,
    };
    let chart = TimeChart {
        clock,
        from_ms,
        to_ms,
        unit: "kW, kvar".to_owned(),
        at_least: (0.0, 1.0),
        traces: vec![
            trace("kW", Ink::Active, Dash::Solid, samples(0)),
            trace("kvar", Ink::Reactive, Dash::Long, samples(1)),
        ],
        levels: Vec::new(),
        notes: Vec::new(),
        shaded: Vec::new(),
        told: "Means, with the range of the records as a band".to_owned(),
    };
    Some(both_widths(&chart, locale, name, 240.0))
}
