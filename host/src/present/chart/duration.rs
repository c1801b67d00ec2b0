//! The duration curve: what is exceeded for how much of the time.

use super::Chart;
use super::ink::Ink;
use super::plot::{Layout, Plot};
use super::scale::Ticks;
use super::scene::{Canvas, Dash, Fill, Scene};
use super::time::Level;
use crate::present::locale::Locale;

/// A curve of values sorted from the highest on.
#[derive(Clone, Debug, PartialEq)]
pub struct DurationChart {
    /// Unit of the values.
    pub unit: String,
    /// Curves: name, colour, breaks, values from the highest to the lowest.
    pub curves: Vec<Curve>,
    /// Levels, such as the base and a correction's size.
    pub levels: Vec<Level>,
    /// What it shows, in words.
    pub told: String,
}

/// One sorted curve.
#[derive(Clone, Debug, PartialEq)]
pub struct Curve {
    /// Name.
    pub name: String,
    /// Colour.
    pub ink: Ink,
    /// Breaks.
    pub dash: Dash,
    /// Values, highest first, evenly spread over the time.
    pub sorted: Vec<f64>,
    /// Whether the area beneath is tinted.
    pub filled: bool,
}

impl Curve {
    /// At most so many points of the curve, first and last among them.
    fn points(&self, most: usize) -> Vec<(f64, f64)> {
        let last = self.sorted.len().saturating_sub(1);
        let step = last.div_ceil(most.max(2)).max(1);
        let share = |k: usize| if last == 0 { 0.0 } else { k as f64 / last as f64 };
        let mut out: Vec<(f64, f64)> =
            self.sorted.iter().enumerate().step_by(step).map(|(k, v)| (share(k), *v)).collect();
        if let Some(end) = self.sorted.last()
            && last % step != 0
        {
            out.push((1.0, *end));
        }
        out
    }
}

impl Chart for DurationChart {
    fn scene(&self, canvas: &Canvas, locale: &Locale) -> Scene {
        let mut scene = Scene::new(canvas);
        let all = || self.curves.iter().flat_map(|c| c.sorted.iter().copied());
        let levels = || self.levels.iter().map(|l| l.value);
        let high = all().chain(levels()).fold(0.0, f64::max);
        let low = all().fold(0.0, f64::min);
        let rows = (canvas.height / canvas.line / 2.6) as usize;
        let widest = self.curves.iter().map(|c| canvas.width_of(&c.name)).fold(0.0, f64::max);
        let right = if self.curves.len() > 1 { widest + canvas.letter * 1.4 } else { 0.0 };
        let plot = Plot::new(&mut scene, canvas, locale, &Layout {
            y: Ticks::over(low, high, rows.clamp(3, 7)),
            unit: &self.unit,
            x: (0.0, 100.0),
            right: right.max(canvas.letter * 2.5),
            below: 2.0,
            above: 0.0,
        });
        let columns = if canvas.width < 400.0 { 3 } else { 6 };
        let ticks = Ticks::over(0.0, 100.0, columns);
        plot.number_axis(&mut scene, locale, &ticks, "% of the time exceeded");
        for curve in &self.curves {
            let line: Vec<_> =
                curve.points(240).into_iter().map(|(x, y)| plot.at(x * 100.0, y)).collect();
            if curve.filled && !canvas.text {
                let mut around = line.clone();
                around.push(plot.at(100.0, 0.0));
                around.push(plot.at(0.0, 0.0));
                scene.area(around, curve.ink, Fill::Tint);
            }
            scene.line(line, curve.ink, 1.8, curve.dash);
        }
        for level in &self.levels {
            plot.level(&mut scene, level.value, &level.name, Ink::Limit, Dash::Long);
        }
        if self.curves.len() > 1 {
            let names: Vec<(f64, String, Ink)> = self
                .curves
                .iter()
                .filter_map(|c| Some((*c.sorted.last()?, c.name.clone(), c.ink)))
                .collect();
            plot.end_names(&mut scene, &names);
        }
        scene
    }

    fn alt(&self, locale: &Locale) -> String {
        locale.localise(&self.told)
    }
}
