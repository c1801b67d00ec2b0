//! Values over local time: the week's profile, demand steps, power factor; gaps stay gaps.

use super::ink::Ink;
use super::plot::{Layout, Plot};
use super::reduce::{Sample, reduce, runs};
use super::scale::{Ticks, time_ticks};
use super::scene::{Anchor, Canvas, Dash, Fill, Scene, Shape};
use super::{Chart, svg};
use crate::analyse::survey::clock::LocalClock;
use crate::present::locale::{Dates, Locale};

/// One line over time.
#[derive(Clone, Debug, PartialEq)]
pub struct Trace {
    /// Name at its end.
    pub name: String,
    /// Colour.
    pub ink: Ink,
    /// Breaks.
    pub dash: Dash,
    /// Values in order of time.
    pub samples: Vec<Sample>,
    /// Whether the band from lowest to highest is drawn.
    pub band: bool,
    /// Whether a value holds over its stretch, as demand does.
    pub steps: bool,
    /// Longest gap that the line crosses, in milliseconds.
    pub slack_ms: i64,
}

impl Trace {
    /// A line whose values hold over their stretches, as demand does, without a band.
    pub fn held(name: String, ink: Ink, dash: Dash, samples: Vec<Sample>) -> Trace {
        Trace { name, ink, dash, samples, band: false, steps: true, slack_ms: 1000 }
    }
}

/// A level with its name.
#[derive(Clone, Debug, PartialEq)]
pub struct Level {
    /// Value.
    pub value: f64,
    /// Name.
    pub name: String,
}

/// A remark at an instant.
#[derive(Clone, Debug, PartialEq)]
pub struct Note {
    /// Unix milliseconds.
    pub at_ms: i64,
    /// Value.
    pub value: f64,
    /// Words.
    pub text: String,
    /// Mark.
    pub shape: Shape,
    /// Its colour.
    pub ink: Ink,
}

/// Lines over local time.
#[derive(Clone, Debug)]
pub struct TimeChart {
    /// Local time.
    pub clock: LocalClock,
    /// Beginning, Unix milliseconds.
    pub from_ms: i64,
    /// End, Unix milliseconds.
    pub to_ms: i64,
    /// Unit of the values.
    pub unit: String,
    /// Range that is shown at least.
    pub at_least: (f64, f64),
    /// Lines.
    pub traces: Vec<Trace>,
    /// Levels, such as a target.
    pub levels: Vec<Level>,
    /// Remarks, such as the peak.
    pub notes: Vec<Note>,
    /// Stretches with a shaded ground, such as nothing recorded.
    pub shaded: Vec<(i64, i64)>,
    /// What it shows, for those who cannot see it.
    pub told: String,
}

impl TimeChart {
    fn range(&self) -> (f64, f64) {
        let mut range = self.at_least;
        let mut reach = |x: f64| {
            if x.is_finite() {
                range = (range.0.min(x), range.1.max(x));
            }
        };
        for trace in &self.traces {
            for s in &trace.samples {
                reach(if trace.band { s.low } else { s.mean });
                reach(if trace.band { s.high } else { s.mean });
            }
        }
        self.levels.iter().for_each(|l| reach(l.value));
        range
    }

    fn trace(&self, scene: &mut Scene, plot: &Plot, trace: &Trace) {
        let columns = ((plot.x.end - plot.x.start) / 1.2).max(60.0) as usize;
        let thin = reduce(&trace.samples, columns);
        let joined = thin.len() < trace.samples.len();
        let stretch = (self.to_ms - self.from_ms) / columns as i64;
        let slack = trace.slack_ms + if joined { stretch } else { 0 };
        let place = |ms: i64, value: f64| plot.at(ms as f64, value);
        for run in runs(&thin, slack) {
            if (trace.band || joined) && !plot.canvas.text {
                let mut around: Vec<_> = run
                    .iter()
                    .flat_map(|s| ends(s, trace.steps).map(|t| place(t, s.high)))
                    .collect();
                around.extend(run.iter().rev().flat_map(|s| {
                    let [a, b] = ends(s, trace.steps);
                    [place(b, s.low), place(a, s.low)]
                }));
                scene.area(around, trace.ink, Fill::Tint);
            }
        }
        for run in runs(&thin, slack) {
            let mut points = Vec::with_capacity(run.len() * 2);
            for s in run {
                // A thinned line of demand shows the highest: the peak is what is billed.
                let value = if joined && trace.steps { s.high } else { s.mean };
                points.extend(ends(s, trace.steps).map(|t| place(t, value)));
            }
            points.dedup();
            scene.line(points, trace.ink, 1.5, trace.dash);
        }
    }
}

/// Where a sample's value is drawn: over its stretch, or in its middle.
fn ends(s: &Sample, steps: bool) -> [i64; 2] {
    let middle = (s.start_ms + s.end_ms) / 2;
    if steps { [s.start_ms, s.end_ms] } else { [middle, middle] }
}

impl Chart for TimeChart {
    fn scene(&self, canvas: &Canvas, locale: &Locale) -> Scene {
        let mut scene = Scene::new(canvas);
        let (low, high) = self.range();
        let rows = (canvas.height / canvas.line / 2.6) as usize;
        let widest = self.traces.iter().map(|t| canvas.width_of(&t.name)).fold(0.0, f64::max);
        let plot = Plot::new(
            &mut scene,
            canvas,
            locale,
            &Layout {
                y: Ticks::over(low, high, rows.clamp(3, 7)),
                unit: &self.unit,
                x: (self.from_ms as f64, self.to_ms as f64),
                right: widest + canvas.letter * 1.4,
                below: 1.0,
                above: if self.notes.is_empty() { 0.0 } else { 0.6 },
            },
        );
        for (from, to) in &self.shaded {
            let [_, top, _, bottom] = plot.edges();
            let x = plot.x.at((*from).max(self.from_ms) as f64);
            let w = plot.x.at((*to).min(self.to_ms) as f64) - x;
            // Below everything else.
            let before = scene.items.len();
            scene.rect([x, top, w, bottom - top], Ink::Shade, Fill::Solid);
            if scene.items.len() > before
                && let Some(item) = scene.items.pop()
            {
                scene.items.insert(0, item);
            }
        }
        let room = ((plot.x.end - plot.x.start) / (canvas.letter * 8.0)) as usize;
        let date = |d: jiff::civil::Date| short_date(locale, d);
        let ticks = time_ticks(&self.clock, self.from_ms, self.to_ms, room, &date);
        let days = (self.to_ms - self.from_ms) as f64 / 8.64e7;
        plot.time_axis(&mut scene, &ticks, days > 1.5 && days < 32.0);
        for trace in &self.traces {
            self.trace(&mut scene, &plot, trace);
        }
        for level in &self.levels {
            plot.level(&mut scene, level.value, &level.name, Ink::Limit, Dash::Long);
        }
        let names: Vec<(f64, String, Ink)> = self
            .traces
            .iter()
            .filter_map(|t| Some((t.samples.last()?.mean, t.name.clone(), t.ink)))
            .collect();
        plot.end_names(&mut scene, &names);
        for note in &self.notes {
            let at = plot.at(note.at_ms as f64, note.value);
            plot.note(&mut scene, at, note.shape, &note.text, note.ink);
        }
        if self.traces.iter().all(|t| t.samples.is_empty()) {
            let [left, top, right, bottom] = plot.edges();
            let at = ((left + right) / 2.0, (top + bottom) / 2.0);
            scene.text(at, "nothing recorded", Anchor::Middle, Ink::Quiet);
        }
        scene
    }

    fn alt(&self, locale: &Locale) -> String {
        locale.localise(&self.told)
    }
}

/// Day and month in the plant's order: `03-31`, `31.03.`, `31/03`, `03/31`.
pub fn short_date(locale: &Locale, d: jiff::civil::Date) -> String {
    let (month, day) = (d.month(), d.day());
    match locale.dates {
        Dates::Iso => format!("{month:02}-{day:02}"),
        Dates::DayPoint => format!("{day:02}.{month:02}."),
        Dates::DaySlash => format!("{day:02}/{month:02}"),
        Dates::MonthSlash => format!("{month:02}/{day:02}"),
    }
}

/// A chart as SVG for a page: one drawing for wide and one for narrow screens.
pub fn both_widths(chart: &dyn Chart, locale: &Locale, name: &str, height: f64) -> String {
    let alt = chart.alt(locale);
    let wide = chart.scene(&Canvas::page(720.0, height), locale);
    let narrow = chart.scene(&Canvas::page(348.0, height.min(300.0)), locale);
    let draw = |scene, class| svg::svg(scene, svg::Colours::Classes, name, &alt, class);
    format!("{}{}", draw(&wide, "chart wide"), draw(&narrow, "chart narrow"))
}
