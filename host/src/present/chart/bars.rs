//! Bars: bills stacked by month, harmonics with their limits, candidates side by side.

use super::Chart;
use super::ink::Ink;
use super::plot::{Layout, Plot};
use super::scale::{Scale, Ticks};
use super::scene::{Anchor, Canvas, Dash, Fill, Scene};
use crate::present::locale::Locale;

/// A layer of stacked bars.
#[derive(Clone, Debug, PartialEq)]
pub struct Layer {
    /// Name in the legend.
    pub name: String,
    /// Colour.
    pub ink: Ink,
    /// Filling.
    pub fill: Fill,
    /// A value for each bar, 0 and up.
    pub values: Vec<f64>,
}

/// Bars of layers, one on another.
#[derive(Clone, Debug, PartialEq)]
pub struct StackChart {
    /// Unit of the values.
    pub unit: String,
    /// Names of the bars.
    pub names: Vec<String>,
    /// Layers, the lowest first.
    pub layers: Vec<Layer>,
    /// Bars that are partial and marked so.
    pub partial: Vec<bool>,
    /// What it shows, in words.
    pub told: String,
}

/// A plot of equal slots for bars from zero up to a height, with room above, and a slot's width.
fn slots(
    scene: &mut Scene,
    c: &Canvas,
    locale: &Locale,
    unit: &str,
    (count, high, above): (usize, f64, f64),
) -> (Plot, f64) {
    let rows = (c.height / c.line / 2.8) as usize;
    let y = Ticks::over(0.0, high, rows.clamp(3, 6));
    let x = (0.0, count as f64);
    let plot = Plot::new(scene, c, locale, &Layout { y, unit, x, right: 0.0, below: 2.3, above });
    let [left, _, right, _] = plot.edges();
    (plot, (right - left) / count.max(1) as f64)
}

impl Chart for StackChart {
    fn scene(&self, canvas: &Canvas, locale: &Locale) -> Scene {
        let mut scene = Scene::new(canvas);
        let c = canvas;
        let total = |k: usize| {
            self.layers.iter().map(|l| l.values.get(k).copied().unwrap_or(0.0)).sum::<f64>()
        };
        let high = (0..self.names.len()).map(total).fold(0.0, f64::max);
        let (plot, slot) = slots(&mut scene, c, locale, &self.unit, (self.names.len(), high, 0.4));
        let [left, _, _, bottom] = plot.edges();
        let width = (slot * 0.66).min(c.letter * 14.0);
        for (k, name) in self.names.iter().enumerate() {
            let middle = left + (k as f64 + 0.5) * slot;
            let mut floor = 0.0;
            for layer in &self.layers {
                let value = layer.values.get(k).copied().unwrap_or(0.0).max(0.0);
                let (a, b) = (plot.y.at(floor), plot.y.at(floor + value));
                scene.rect([middle - width / 2.0, b, width, a - b], layer.ink, layer.fill);
                floor += value;
            }
            let sum = locale.number(floor, 0);
            if c.width_of(&sum) < slot {
                let at = (middle, plot.y.at(floor) - c.line * 0.35);
                scene.text(at, sum, Anchor::Middle, Ink::Text);
            }
            let star = if self.partial.get(k) == Some(&true) { " *" } else { "" };
            let every = libm::ceil(c.width_of("0000-00 ") / slot) as usize;
            if k.is_multiple_of(every.max(1)) {
                let at = (middle, bottom + c.line);
                scene.text(at, format!("{name}{star}"), Anchor::Middle, Ink::Quiet);
            }
        }
        let keys: Vec<(&str, Ink, Fill)> =
            self.layers.iter().map(|l| (l.name.as_str(), l.ink, l.fill)).collect();
        legend(&mut scene, c, left, &keys);
        scene
    }

    fn alt(&self, locale: &Locale) -> String {
        locale.localise(&self.told)
    }
}

/// Draws a legend along the foot of a canvas.
fn legend(scene: &mut Scene, c: &Canvas, left: f64, keys: &[(&str, Ink, Fill)]) {
    let foot = c.height - c.line * 0.3;
    let mut x = left;
    for (words, ink, fill) in keys {
        let s = c.line * 0.62;
        scene.rect([x, foot - s, s * 1.3, s], *ink, *fill);
        x += s * 1.3 + c.letter * 0.7;
        scene.text((x, foot), *words, Anchor::Start, Ink::Text);
        x += c.width_of(words) + c.letter * 2.0;
    }
}

/// One harmonic order.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Order {
    /// Order.
    pub order: u32,
    /// Typical value, in the chart's unit.
    pub value: f64,
    /// Highest value.
    pub highest: f64,
    /// Limit, where one holds.
    pub limit: Option<f64>,
}

/// Harmonics as bars with their limits as strokes.
#[derive(Clone, Debug, PartialEq)]
pub struct SpectrumChart {
    /// Unit, such as "% of the fundamental".
    pub unit: String,
    /// Orders, ascending.
    pub orders: Vec<Order>,
    /// What bars, whiskers and strokes are.
    pub legend: String,
    /// What it shows, in words.
    pub told: String,
}

impl Chart for SpectrumChart {
    fn scene(&self, canvas: &Canvas, locale: &Locale) -> Scene {
        let mut scene = Scene::new(canvas);
        let c = canvas;
        let high = self
            .orders
            .iter()
            .map(|o| o.highest.max(o.value).max(o.limit.unwrap_or(0.0)))
            .fold(0.0, f64::max);
        let (plot, slot) = slots(&mut scene, c, locale, &self.unit, (self.orders.len(), high, 0.0));
        let [left, _, _, bottom] = plot.edges();
        let width = (slot * 0.5).min(c.letter * 5.0);
        for (k, o) in self.orders.iter().enumerate() {
            let middle = left + (k as f64 + 0.5) * slot;
            let over = o.limit.is_some_and(|l| o.highest > l);
            let ink = if over { Ink::Reactive } else { Ink::Active };
            let top = plot.y.at(o.value);
            scene.rect([middle - width / 2.0, top, width, bottom - top], ink, Fill::Solid);
            scene.line(vec![(middle, top), (middle, plot.y.at(o.highest))], ink, 1.6, Dash::Solid);
            if let Some(limit) = o.limit {
                let y = plot.y.at(limit);
                let line = vec![(middle - slot * 0.42, y), (middle + slot * 0.42, y)];
                scene.line(line, Ink::Limit, 2.0, Dash::Solid);
            }
            scene.text((middle, bottom + c.line), o.order.to_string(), Anchor::Middle, Ink::Quiet);
        }
        scene.text((left, c.height - c.line * 0.3), self.legend.as_str(), Anchor::Start, Ink::Text);
        scene
    }

    fn alt(&self, locale: &Locale) -> String {
        locale.localise(&self.told)
    }
}

/// A candidate.
#[derive(Clone, Debug, PartialEq)]
pub struct Ranked {
    /// Name.
    pub name: String,
    /// Worth, in the chart's unit; may be negative.
    pub value: f64,
    /// Words beside the bar, such as the payback.
    pub note: String,
    /// Whether it is the one that is recommended.
    pub best: bool,
}

/// Candidates side by side, the best first.
#[derive(Clone, Debug, PartialEq)]
pub struct RankChart {
    /// What the bars show, with the unit.
    pub unit: String,
    /// Candidates in order.
    pub rows: Vec<Ranked>,
    /// What it shows, in words.
    pub told: String,
}

impl Chart for RankChart {
    fn scene(&self, canvas: &Canvas, _locale: &Locale) -> Scene {
        let c = canvas;
        let mut scene = Scene::new(c);
        let notes = self.rows.iter().map(|r| c.width_of(&r.note)).fold(0.0, f64::max);
        let (low, high) =
            self.rows.iter().fold((0.0f64, 0.0f64), |(a, b), r| (a.min(r.value), b.max(r.value)));
        let ticks = Ticks::over(low, high, 6);
        let x = Scale {
            from: if low < 0.0 { ticks.low() } else { 0.0 },
            to: high.max(1e-9),
            start: c.letter,
            end: (c.width - notes - c.letter * 1.5).max(c.letter * 8.0),
        };
        let top = c.line * 1.5;
        let slot = (c.height - top - c.line * 0.4) / self.rows.len().max(1) as f64;
        scene.text((0.0, c.line * 0.75), self.unit.as_str(), Anchor::Start, Ink::Text);
        let zero = x.at(0.0);
        scene.line(vec![(zero, top), (zero, c.height - c.line * 0.4)], Ink::Axis, 1.0, Dash::Solid);
        for (k, row) in self.rows.iter().enumerate() {
            // The name stands above its bar: it may be long.
            let y = top + k as f64 * slot;
            let name = fitting(&row.name, c, c.width - c.letter * 2.0);
            let at = (c.letter * 1.6, y + c.line * 0.85);
            if row.best {
                scene.strong(at, name, Anchor::Start, Ink::Text);
            } else {
                scene.text(at, name, Anchor::Start, Ink::Text);
            }
            let bar = (slot - c.line * 1.35).clamp(2.0, c.line);
            let from = y + c.line * 1.12;
            let end = x.at(row.value);
            let rect = [zero.min(end), from, libm::fabs(end - zero), bar];
            let fill = if row.best { Fill::Solid } else { Fill::Hatch };
            scene.rect(rect, if row.value < 0.0 { Ink::Reactive } else { Ink::Active }, fill);
            let beside = (zero.max(end) + c.letter * 0.8, from + bar / 2.0 + c.line * 0.28);
            scene.text(beside, row.note.as_str(), Anchor::Start, Ink::Quiet);
        }
        scene
    }

    fn alt(&self, locale: &Locale) -> String {
        locale.localise(&self.told)
    }
}

/// A name cut to a width, with a sign that it was.
fn fitting(name: &str, c: &Canvas, width: f64) -> String {
    let most = (width / c.letter) as usize;
    if name.chars().count() <= most {
        return name.to_owned();
    }
    let mut cut: String = name.chars().take(most.saturating_sub(1)).collect();
    cut.push('\u{2026}');
    cut
}
