//! Reactive against active power before and after, with the fitted curves.

use super::Chart;
use super::ink::Ink;
use super::plot::{Layout, Plot};
use super::scale::Ticks;
use super::scene::{Canvas, Dash, Fill, Point, Scene, Shape};
use crate::present::locale::Locale;

/// At most so many points of a cloud are drawn.
const MOST: usize = 600;

/// Points of one stretch of time with the curve through them.
#[derive(Clone, Debug, PartialEq)]
pub struct Cloud {
    /// Name at the end of the curve.
    pub name: String,
    /// Colour.
    pub ink: Ink,
    /// Mark of a point.
    pub shape: Shape,
    /// Breaks of the curve.
    pub dash: Dash,
    /// Load and reactive power.
    pub points: Vec<Point>,
    /// The fitted curve.
    pub curve: Vec<Point>,
    /// Half the width of its band of uncertainty, for each point of the curve.
    pub band: Vec<f64>,
}

/// Before and after.
#[derive(Clone, Debug, PartialEq)]
pub struct FitChart {
    /// Unit of the load.
    pub load_unit: String,
    /// Unit of the reactive power.
    pub unit: String,
    /// The stretches.
    pub clouds: Vec<Cloud>,
    /// What it shows, in words.
    pub told: String,
}

impl Chart for FitChart {
    fn scene(&self, canvas: &Canvas, locale: &Locale) -> Scene {
        let mut scene = Scene::new(canvas);
        let all = || self.clouds.iter().flat_map(|c| c.points.iter().chain(&c.curve));
        let most = all().map(|p| p.0).fold(0.0, f64::max);
        let (low, high) = all().fold((0.0f64, 0.0f64), |(a, b), p| (a.min(p.1), b.max(p.1)));
        let rows = (canvas.height / canvas.line / 2.6) as usize;
        let columns = (canvas.width / canvas.letter / 9.0) as usize;
        let load = Ticks::over(0.0, most, columns.clamp(3, 9));
        let widest = self.clouds.iter().map(|c| canvas.width_of(&c.name)).fold(0.0, f64::max);
        let plot = Plot::new(&mut scene, canvas, locale, &Layout {
            y: Ticks::over(low, high, rows.clamp(3, 7)),
            unit: &self.unit,
            x: (0.0, load.high()),
            right: widest + canvas.letter * 1.4,
            below: 2.0,
            above: 0.0,
        });
        plot.number_axis(&mut scene, locale, &load, &format!("load in {}", self.load_unit));
        for cloud in &self.clouds {
            let step = cloud.points.len().div_ceil(MOST).max(1);
            for p in cloud.points.iter().step_by(step) {
                let at = plot.at(p.0, p.1);
                if canvas.text {
                    scene.line(vec![at, (at.0 + 0.1, at.1)], cloud.ink, 1.0, Dash::Solid);
                } else {
                    scene.mark(at, 1.9, cloud.shape, cloud.ink);
                }
            }
            let upper = cloud.curve.iter().zip(&cloud.band).map(|(p, b)| plot.at(p.0, p.1 + b));
            let lower = cloud.curve.iter().zip(&cloud.band).map(|(p, b)| plot.at(p.0, p.1 - b));
            let around: Vec<Point> = upper.chain(lower.rev()).collect();
            scene.area(around, cloud.ink, Fill::Tint);
            let line: Vec<Point> = cloud.curve.iter().map(|p| plot.at(p.0, p.1)).collect();
            scene.line(line, cloud.ink, 2.2, cloud.dash);
        }
        let names: Vec<(f64, String, Ink)> = self
            .clouds
            .iter()
            .filter_map(|c| Some((c.curve.last()?.1, c.name.clone(), c.ink)))
            .collect();
        plot.end_names(&mut scene, &names);
        scene
    }

    fn alt(&self, locale: &Locale) -> String {
        locale.localise(&self.told)
    }
}
