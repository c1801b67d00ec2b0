//! The plot of a chart: axes with round ticks, names at the ends of lines, notes at peaks.

use super::ink::Ink;
use super::scale::{Scale, Ticks, TimeTick};
use super::scene::{Anchor, Canvas, Dash, Point, Scene, Shape};
use crate::present::locale::Locale;

/// The area in which data are drawn, with its scales.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Plot {
    /// Across.
    pub x: Scale,
    /// Up; its start is at the bottom.
    pub y: Scale,
    /// The canvas.
    pub canvas: Canvas,
}

/// Room and ranges of a plot.
#[derive(Clone, Debug, PartialEq)]
pub struct Layout<'a> {
    /// Values of the axis that runs up.
    pub y: Ticks,
    /// Its unit, written above it.
    pub unit: &'a str,
    /// First and last value across.
    pub x: (f64, f64),
    /// Room to the right for names.
    pub right: f64,
    /// Lines of words beneath.
    pub below: f64,
    /// Lines of words above, beside the unit.
    pub above: f64,
}

impl Plot {
    /// Lays out a plot and draws its upward axis.
    pub fn new(scene: &mut Scene, canvas: &Canvas, locale: &Locale, l: &Layout<'_>) -> Plot {
        let names: Vec<String> =
            l.y.values.iter().map(|v| locale.number(*v, l.y.decimals)).collect();
        let widest = names.iter().map(|n| canvas.width_of(n)).fold(0.0, f64::max);
        let left = widest + canvas.letter * 1.5;
        let top = canvas.line * (1.2 + l.above);
        let bottom = canvas.height - canvas.line * (l.below + 0.45);
        let right = canvas.width - l.right.max(canvas.letter);
        let plot = Plot {
            x: Scale { from: l.x.0, to: l.x.1, start: left, end: right },
            y: Scale { from: l.y.low(), to: l.y.high(), start: bottom, end: top },
            canvas: *canvas,
        };
        for (value, name) in l.y.values.iter().zip(&names) {
            let y = plot.y.at(*value);
            let ink = if *value == 0.0 { Ink::Axis } else { Ink::Grid };
            if !canvas.text || *value == 0.0 {
                scene.line(vec![(left, y), (right, y)], ink, 1.0, Dash::Solid);
            }
            let at = (left - canvas.letter * 0.8, y + canvas.line * 0.26);
            scene.text(at, name.as_str(), Anchor::End, Ink::Quiet);
        }
        // Ends where the numbers end; one that is too wide begins at the edge instead.
        let end = left - canvas.letter * 0.8;
        let (at, anchor) = match canvas.width_of(l.unit) > end {
            true => (0.0, Anchor::Start),
            false => (end, Anchor::End),
        };
        scene.text((at, canvas.line * 0.75), l.unit, anchor, Ink::Text);
        plot
    }

    /// The place of a pair of values.
    pub fn at(&self, x: f64, y: f64) -> Point {
        (self.x.at(x), self.y.at(y.clamp(self.y.from, self.y.to)))
    }

    /// Left, top, right and bottom.
    pub fn edges(&self) -> [f64; 4] {
        [self.x.start, self.y.end, self.x.end, self.y.start]
    }

    /// Draws an axis of numbers across, with a title at its right end.
    pub fn number_axis(&self, scene: &mut Scene, locale: &Locale, ticks: &Ticks, title: &str) {
        let [left, _, right, bottom] = self.edges();
        let c = &self.canvas;
        scene.line(vec![(left, bottom), (right, bottom)], Ink::Axis, 1.0, Dash::Solid);
        let inside = ticks.values.iter().filter(|v| self.x.holds(**v));
        for value in inside {
            let x = self.x.at(*value);
            scene.line(vec![(x, bottom), (x, bottom + 4.0)], Ink::Axis, 1.0, Dash::Solid);
            let name = locale.number(*value, ticks.decimals);
            scene.text((x, bottom + c.line), name, Anchor::Middle, Ink::Quiet);
        }
        if !title.is_empty() {
            scene.text((right, bottom + 2.0 * c.line), title, Anchor::End, Ink::Text);
        }
    }

    /// Draws an axis of time across; labels stand in the middle of their day where days are ticked.
    pub fn time_axis(&self, scene: &mut Scene, ticks: &[TimeTick], centred: bool) {
        let [left, top, right, bottom] = self.edges();
        let c = &self.canvas;
        scene.line(vec![(left, bottom), (right, bottom)], Ink::Axis, 1.0, Dash::Solid);
        for (k, tick) in ticks.iter().enumerate() {
            let x = self.x.at(tick.at_ms as f64);
            if tick.major && x > left + 1.0 && !c.text {
                scene.line(vec![(x, top), (x, bottom)], Ink::Grid, 1.0, Dash::Solid);
            }
            scene.line(vec![(x, bottom), (x, bottom + 4.0)], Ink::Axis, 1.0, Dash::Solid);
            if tick.label.is_empty() {
                continue;
            }
            let next = ticks.get(k + 1).map_or(self.x.to, |t| t.at_ms as f64);
            let at = if centred { (x + self.x.at(next)) / 2.0 } else { x };
            let half = c.width_of(&tick.label) / 2.0;
            let fits = if centred { self.x.at(next) - x >= half } else { true };
            if fits && at + half <= c.width && at - half >= 0.0 {
                scene.text((at, bottom + c.line), tick.label.as_str(), Anchor::Middle, Ink::Quiet);
            }
        }
    }

    /// Draws a level across the plot with its name above it at the right.
    pub fn level(&self, scene: &mut Scene, value: f64, name: &str, ink: Ink, dash: Dash) {
        if !self.y.holds(value) {
            return;
        }
        let [left, top, right, _] = self.edges();
        let y = self.y.at(value);
        scene.line(vec![(left, y), (right, y)], ink, 1.4, dash);
        let c = &self.canvas;
        let above = y - c.line * 0.3 > top - c.line * 0.4;
        let at = if above { y - c.line * 0.3 } else { y + c.line * 0.95 };
        halo(scene, c, (right - c.letter * 0.4, at), name, Anchor::End, ink);
    }

    /// Writes names at the right ends of lines, moved apart where they would touch.
    pub fn end_names(&self, scene: &mut Scene, names: &[(f64, String, Ink)]) {
        let c = &self.canvas;
        let mut order: Vec<(f64, &str, Ink)> =
            names.iter().map(|(v, n, i)| (self.at(self.x.to, *v).1, n.as_str(), *i)).collect();
        order.sort_by(|a, b| a.0.total_cmp(&b.0));
        let [_, top, right, bottom] = self.edges();
        let gap = c.line * 0.95;
        let mut floor = top;
        for entry in &mut order {
            entry.0 = entry.0.max(floor);
            floor = entry.0 + gap;
        }
        // Pushed out at the bottom, they move up again.
        let mut ceiling = bottom;
        for entry in order.iter_mut().rev() {
            entry.0 = entry.0.min(ceiling);
            ceiling = entry.0 - gap;
        }
        for (y, name, ink) in order {
            let at = (right + c.letter * 0.7, y + c.line * 0.26);
            scene.strong(at, name, Anchor::Start, ink);
        }
    }

    /// Marks a place and writes a note beside it, inside the plot.
    pub fn note(&self, scene: &mut Scene, at: Point, shape: Shape, note: &str, ink: Ink) {
        let c = &self.canvas;
        let [left, top, right, _] = self.edges();
        scene.mark(at, if c.text { 6.0 } else { 5.0 }, shape, ink);
        let width = c.width_of(note);
        let above = at.1 - c.line * 0.7;
        let (y, x, anchor) = if above - c.line * 0.6 >= top - c.line {
            let x = at.0.clamp(left + width / 2.0, (right - width / 2.0).max(left + width / 2.0));
            (above, x, Anchor::Middle)
        } else if at.0 + width + c.letter * 1.5 < right {
            (at.1 + c.line * 0.3, at.0 + c.letter * 1.5, Anchor::Start)
        } else {
            (at.1 + c.line * 0.3, at.0 - c.letter * 1.5, Anchor::End)
        };
        halo(scene, c, (x, y), note, anchor, Ink::Text);
    }
}

/// A text on a patch of paper, readable over lines.
pub fn halo(scene: &mut Scene, c: &Canvas, at: Point, text: &str, anchor: Anchor, ink: Ink) {
    let width = c.width_of(text) + c.letter * 0.6;
    let left = match anchor {
        Anchor::Start => at.0 - c.letter * 0.3,
        Anchor::Middle => at.0 - width / 2.0,
        Anchor::End => at.0 - width + c.letter * 0.3,
    };
    if !c.text {
        let patch = [left, at.1 - c.line * 0.78, width, c.line * 1.02];
        scene.rect(patch, Ink::Paper, super::scene::Fill::Tint);
    }
    scene.text(at, text, anchor, ink);
}

#[cfg(test)]
mod tests {
    use super::super::scene::Item;
    use super::*;

    /// Units as long as the numbers, shorter and longer, stay on the paper.
    #[test]
    fn a_unit_is_not_cut_off() {
        let canvas = Canvas::page(400.0, 200.0);
        for unit in ["A", "kVA", "kvar", "kvar at 440 V"] {
            for high in [0.9, 9.0, 90.0, 900.0, 9e3, 9e5] {
                let mut scene = Scene::new(&canvas);
                let y = Ticks::over(0.0, high, 5);
                let l = Layout { y, unit, x: (0.0, 1.0), right: 0.0, below: 1.0, above: 0.0 };
                Plot::new(&mut scene, &canvas, &Locale::METRIC, &l);
                let texts = scene.items.iter().filter_map(|item| match item {
                    Item::Text { at, text, anchor, .. } => Some((at.0, text, anchor)),
                    _ => None,
                });
                for (x, text, anchor) in texts {
                    let before = match anchor {
                        Anchor::Start => 0.0,
                        Anchor::Middle => canvas.width_of(text) / 2.0,
                        Anchor::End => canvas.width_of(text),
                    };
                    assert!(x - before >= 0.0, "{text} of {unit} up to {high}");
                }
            }
        }
    }
}
