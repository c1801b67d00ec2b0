//! Power factor against load: how long the feeder stood where.

use super::Chart;
use super::ink::Ink;
use super::plot::{Layout, Plot};
use super::scale::Ticks;
use super::scene::{Canvas, Dash, Fill, Scene, Shape};
use crate::present::locale::Locale;

/// Columns and rows that intervals are counted in.
const CELLS: (usize, usize) = (48, 32);

/// An interval.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FactorPoint {
    /// Load, in the chart's unit.
    pub load: f64,
    /// Power factor, 0 to 1.
    pub factor: f64,
    /// Whether it leads.
    pub leads: bool,
}

/// Power factor against load.
#[derive(Clone, Debug, PartialEq)]
pub struct FactorChart {
    /// Unit of the load.
    pub unit: String,
    /// Intervals.
    pub points: Vec<FactorPoint>,
    /// Target.
    pub target: f64,
    /// Interval of the peak.
    pub peak: Option<FactorPoint>,
    /// What it shows, in words.
    pub told: String,
}

/// Counts of one cell, lagging and leading.
type Cell = [u32; 2];

impl FactorChart {
    fn cells(&self, most: f64, lowest: f64) -> Vec<Cell> {
        let mut cells = vec![[0; 2]; CELLS.0 * CELLS.1];
        for p in &self.points {
            let x = (p.load / most * CELLS.0 as f64) as usize;
            let y = ((p.factor - lowest) / (1.0 - lowest) * CELLS.1 as f64) as usize;
            let at = y.min(CELLS.1 - 1) * CELLS.0 + x.min(CELLS.0 - 1);
            if let Some(cell) = cells.get_mut(at) {
                cell[usize::from(p.leads)] += 1;
            }
        }
        cells
    }
}

impl Chart for FactorChart {
    fn scene(&self, canvas: &Canvas, locale: &Locale) -> Scene {
        let mut scene = Scene::new(canvas);
        let most = self.points.iter().map(|p| p.load).fold(0.0, f64::max);
        let least = self.points.iter().map(|p| p.factor).fold(self.target, f64::min);
        let columns = (canvas.width / canvas.letter / 9.0) as usize;
        let load = Ticks::over(0.0, most, columns.clamp(3, 9));
        let rows = (canvas.height / canvas.line / 2.4) as usize;
        let plot = Plot::new(&mut scene, canvas, locale, &Layout {
            y: Ticks::over(libm::floor(least * 10.0) / 10.0, 1.0, rows.clamp(3, 7)),
            unit: "PF",
            x: (0.0, load.high()),
            right: canvas.letter * 2.0,
            below: 2.0,
            above: 0.0,
        });
        plot.number_axis(&mut scene, locale, &load, &format!("load in {}", self.unit));
        let lowest = plot.y.from;
        let cells = self.cells(load.high(), lowest);
        let largest = cells.iter().flatten().copied().max().unwrap_or(0).max(1);
        let width = (plot.x.end - plot.x.start) / CELLS.0 as f64;
        let height = (plot.y.start - plot.y.end) / CELLS.1 as f64;
        let room = width.min(height * 1.6);
        for (at, cell) in cells.iter().enumerate() {
            let x = plot.x.start + (at % CELLS.0) as f64 * width + width / 2.0;
            let y = plot.y.start - (at / CELLS.0) as f64 * height - height / 2.0;
            for (leads, count) in cell.iter().enumerate().filter(|(_, n)| **n > 0) {
                let side = room * libm::sqrt(f64::from(*count) / f64::from(largest)).max(0.28);
                let square = [x - side / 2.0, y - side / 2.0, side, side];
                let below = lowest + (at / CELLS.0) as f64 / CELLS.1 as f64 * (1.0 - lowest)
                    < self.target - 0.5 / CELLS.1 as f64 * (1.0 - lowest);
                let ink = if below { Ink::Reactive } else { Ink::Active };
                let fill = if leads == 1 { Fill::Outline } else { Fill::Solid };
                scene.rect(square, ink, fill);
            }
        }
        let name = format!("target {}", locale.number(self.target, 2));
        plot.level(&mut scene, self.target, &name, Ink::Limit, Dash::Long);
        if let Some(peak) = self.peak {
            let at = plot.at(peak.load, peak.factor);
            let note = format!("peak: {}", locale.number(peak.factor, 3));
            plot.note(&mut scene, at, Shape::Diamond, &note, Ink::Limit);
        }
        scene
    }

    fn alt(&self, locale: &Locale) -> String {
        locale.localise(&self.told)
    }
}
