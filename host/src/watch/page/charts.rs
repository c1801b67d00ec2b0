//! The page's pictures of now: phasors, waveforms, the running demand interval.

use crate::present::chart::phasor::PhasorChart;
use crate::present::chart::scene::{Anchor, Canvas, Dash, Fill, Scene};
use crate::present::chart::{Chart, Ink, svg};
use crate::present::locale::Locale;
use crate::watch::running::Running;
use crate::watch::state::{StationState, Waves};
use wattless_core::complex::Complex;
use wattless_core::wiring::{Weights, Wiring};

/// Line styles of the phases.
const DASHES: [Dash; 3] = [Dash::Solid, Dash::Long, Dash::Dots];

/// Currents below this share of the largest have no angle to speak of.
const SMALLEST: f64 = 0.02;

/// Phasors of the phases: voltages, currents.
fn phase_phasors(wiring: Wiring, channels: &[[f32; 2]; 6]) -> ([Complex; 3], [Complex; 3]) {
    let of = |w: &Weights| {
        w.iter().zip(channels).fold(Complex::new(0.0, 0.0), |sum, (w, [re, im])| {
            sum + Complex::new(w * f64::from(*re), w * f64::from(*im))
        })
    };
    let (v, i) = (wiring.phase_voltages(), wiring.phase_currents());
    (v.each_ref().map(of), i.each_ref().map(of))
}

/// By how much each current lags or leads its voltage, in words.
fn angles(v: &[Complex; 3], i: &[Complex; 3], phases: usize, l: &Locale) -> String {
    let most = |x: &[Complex; 3]| x.iter().take(phases).map(|x| x.abs()).fold(0.0, f64::max);
    let (most_v, most_i) = (most(v), most(i));
    let there = |x: &Complex, most: f64| most > 0.0 && x.abs() > SMALLEST * most;
    let one = |k: usize| {
        let name = format!("I{} to V{}: ", k + 1, k + 1);
        if !there(&v[k], most_v) || !there(&i[k], most_i) {
            return name + super::words::NONE;
        }
        let turn = (v[k].arg() - i[k].arg()).to_degrees();
        let turn = turn - 360.0 * libm::round(turn / 360.0);
        let side = if turn < 0.0 { "ahead" } else { "behind" };
        format!("{name}{}° {side}", l.number(libm::fabs(turn), 1))
    };
    (0..phases.min(3)).map(one).collect::<Vec<_>>().join(", ")
}

/// Phasors of a node, if they are known, with the angles in words.
pub fn phasors(s: &StationState, locale: &Locale) -> Option<String> {
    let wiring = s.live.as_ref()?.wiring;
    let (v, i) = phase_phasors(wiring, &s.phasors?);
    let phases = wiring.phases();
    let told = angles(&v, &i, phases, locale);
    let chart = PhasorChart { v, i, phases, told: told.clone() };
    let scene = chart.scene(&Canvas::page(340.0, 250.0), locale);
    let drawing = svg::svg(&scene, svg::Colours::Classes, "Phasors", &told, "chart");
    Some(format!("{drawing}<p class=\"told\">{}</p>", super::html::safe(&told)))
}

/// Voltages above, currents below, over a cycle and a half from a rising voltage.
pub fn waves(w: &Waves, locale: &Locale) -> String {
    let canvas = Canvas::page(340.0, 250.0);
    let mut scene = Scene::new(&canvas);
    let (left, right) = (0.0, 316.0);
    let from = w.first_rise();
    let points = w.v.iter().chain(&w.i).map(Vec::len).max().unwrap_or(0);
    let wished = (1.5 / (w.frequency_hz * w.step_s).max(1e-6)) as usize + 1;
    let length = wished.min(points.saturating_sub(from)).max(2);
    let x = |n: usize| left + n as f64 / (length - 1) as f64 * (right - left);
    let mut told = Vec::new();
    for (part, (name, channels, unit)) in
        [("Voltages", &w.v, "V"), ("Currents", &w.i, "A")].into_iter().enumerate()
    {
        let top = 18.0 + part as f64 * 110.0;
        let middle = top + 44.0;
        let peak = f64::from(channels.iter().flatten().fold(0.0f32, |m, x| m.max(x.abs())));
        scene.line(vec![(left, middle), (right, middle)], Ink::Grid, 1.0, Dash::Solid);
        let title = format!("{name}, to {} {unit}", locale.four_digits(peak));
        told.push(title.clone());
        scene.text((left, top - 5.0), title, Anchor::Start, Ink::Quiet);
        let mut names = Vec::new();
        for (k, channel) in channels.iter().enumerate() {
            let line: Vec<_> = channel
                .iter()
                .skip(from)
                .take(length)
                .enumerate()
                .map(|(n, y)| (x(n), middle - f64::from(*y) / peak.max(1e-9) * 42.0))
                .collect();
            names.extend(line.last().map(|end| (end.1 + 4.0, k)));
            scene.line(line, Ink::SERIES[k], 1.5, DASHES[k]);
        }
        // Names at the ends, from the top down, none on another.
        names.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut free = f64::NEG_INFINITY;
        for (y, k) in names {
            free = y.max(free) + 12.0;
            let name = format!("L{}", k + 1);
            scene.strong((right + 4.0, free - 12.0), name, Anchor::Start, Ink::Text);
        }
    }
    time_axis(&mut scene, (left, right, 230.0), (length - 1) as f64 * w.step_s * 1e3, locale);
    let alt = format!("{}; L1 solid, L2 dashed, L3 dotted", told.join("; "));
    svg::svg(&scene, svg::Colours::Classes, "Waveforms", &alt, "chart")
}

/// Marks of milliseconds beneath a picture.
fn time_axis(scene: &mut Scene, (left, right, y): (f64, f64, f64), ms: f64, locale: &Locale) {
    scene.line(vec![(left, y), (right, y)], Ink::Axis, 1.0, Dash::Solid);
    let step = if ms > 60.0 { 20.0 } else { 5.0 };
    let mut at = 0.0;
    while at <= ms + 1e-6 && ms > 0.0 {
        let x = left + at / ms * (right - left);
        scene.line(vec![(x, y), (x, y + 4.0)], Ink::Axis, 1.0, Dash::Solid);
        let (name, anchor) = match at {
            0.0 => ("0".to_owned(), Anchor::Start),
            _ if at + step > ms => (format!("{} ms", locale.number(at, 0)), Anchor::Middle),
            _ => (locale.number(at, 0), Anchor::Middle),
        };
        scene.text((x, y + 16.0), name, anchor, Ink::Quiet);
        at += step;
    }
}

/// The running interval: what it holds so far, where it is heading, its limit.
pub fn demand(r: &Running, limit: Option<(f64, &str)>, locale: &Locale) -> String {
    // A limit in kVA is held against kVA.
    let apparent = limit.is_some_and(|(_, unit)| unit == "kVA");
    let size = |p: f64, q: f64| if apparent { libm::sqrt(p * p + q * q) } else { p };
    let so_far = size(r.so_far_w, r.so_far_var) / 1e3;
    let heading = r.heading.map(|(p, q)| size(p, q) / 1e3);
    let most = [Some(so_far), heading, limit.map(|l| l.0)].into_iter().flatten();
    let most = most.fold(0.0f64, |m, x| m.max(x)) * 1.12;
    let canvas = Canvas::page(340.0, 52.0);
    let mut scene = Scene::new(&canvas);
    let x = |value: f64| if most > 0.0 { (value / most).clamp(0.0, 1.0) * 338.0 } else { 0.0 };
    if let Some(h) = heading.filter(|h| *h > so_far) {
        scene.rect([x(so_far), 20.0, x(h) - x(so_far), 18.0], Ink::Active, Fill::Hatch);
    }
    scene.rect([0.0, 20.0, x(so_far), 18.0], Ink::Active, Fill::Solid);
    scene.line(vec![(0.0, 38.0), (338.0, 38.0)], Ink::Axis, 1.0, Dash::Solid);
    if let Some((value, unit)) = limit {
        let at = x(value);
        scene.line(vec![(at, 14.0), (at, 46.0)], Ink::Limit, 3.0, Dash::Solid);
        let name = format!("limit {} {unit}", locale.four_digits(value));
        let anchor = if at > canvas.width_of(&name) { Anchor::End } else { Anchor::Start };
        scene.text((at, 11.0), name, anchor, Ink::Limit);
    }
    let gone = 338.0 * r.gone();
    scene.mark((gone, 45.0), 4.0, crate::present::chart::scene::Shape::Triangle, Ink::Quiet);
    let alt = format!(
        "Filled: so far; hatched: the rest as it is heading; triangle: {} % of the time is over",
        locale.number(r.gone() * 100.0, 0)
    );
    svg::svg(&scene, svg::Colours::Classes, "Running interval", &alt, "chart bar")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(size: f64, degrees: f64) -> [f32; 2] {
        let (s, c) = libm::sincos(degrees.to_radians());
        [(size * c) as f32, (size * s) as f32]
    }

    /// Two sensors at PF 0.5 (common practice): the phases show 60° each, not 30° and 90°.
    #[test]
    fn phasors_are_those_of_the_phases() {
        let channels =
            [at(400.0, 30.0), [0.0; 2], at(400.0, 90.0), at(10.0, -60.0), [0.0; 2], at(10.0, 60.0)];
        let (v, i) = phase_phasors(Wiring::TwoSensorLine, &channels);
        assert_eq!(
            angles(&v, &i, 3, &Locale::NORTH_AMERICAN),
            "I1 to V1: 60.0° behind, I2 to V2: 60.0° behind, I3 to V3: 60.0° behind"
        );
        let (v, i) = phase_phasors(
            Wiring::SplitPhase,
            &[at(120.0, 0.0), at(120.0, 180.0), [0.0; 2], at(50.0, 20.0), at(0.1, 3.0), [0.0; 2]],
        );
        assert_eq!(
            angles(&v, &i, 2, &Locale::NORTH_AMERICAN),
            "I1 to V1: 20.0° ahead, I2 to V2: –"
        );
    }

    #[test]
    fn nothing_to_draw_is_drawn_without_harm() {
        let drawn = waves(&Waves::default(), &Locale::METRIC);
        assert!(drawn.starts_with("<svg") && !drawn.contains("NaN"), "{drawn}");
        let r = Running {
            from_ms: 0,
            until_ms: 900_000,
            at_ms: 0,
            known: 1.0,
            so_far_w: 0.0,
            so_far_var: 0.0,
            heading: None,
        };
        let drawn = demand(&r, None, &Locale::METRIC);
        assert!(drawn.starts_with("<svg") && !drawn.contains("NaN"), "{drawn}");
        let back = Running { so_far_w: -5000.0, heading: Some((-9000.0, 1000.0)), ..r };
        let drawn = demand(&back, Some((180.0, "kVA")), &Locale::METRIC);
        assert!(!drawn.contains("NaN") && drawn.contains("limit 180,0 kVA"), "{drawn}");
    }
}
