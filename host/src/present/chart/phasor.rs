//! Phasors: voltages as thin arrows, currents as thick ones, phases by number and line style.

use super::Chart;
use super::ink::Ink;
use super::scene::{Anchor, Canvas, Dash, Fill, Scene};
use crate::present::locale::Locale;
use wattless_core::complex::Complex;

/// Currents below this share of the largest are not drawn: their angle means nothing.
const SMALLEST: f64 = 0.02;

/// Voltages and currents of up to three phases.
#[derive(Clone, Debug, PartialEq)]
pub struct PhasorChart {
    /// Voltages.
    pub v: [Complex; 3],
    /// Currents.
    pub i: [Complex; 3],
    /// Phases that there are.
    pub phases: usize,
    /// What it shows, in words.
    pub told: String,
}

impl Chart for PhasorChart {
    fn scene(&self, canvas: &Canvas, locale: &Locale) -> Scene {
        let mut scene = Scene::new(canvas);
        let c = canvas;
        let radius = (c.width.min(c.height) / 2.0 - c.line * 1.2).max(10.0);
        let middle = (c.width / 2.0, c.height / 2.0);
        let round: Vec<_> = (0..=72)
            .map(|k| {
                let (s, c) = libm::sincos(f64::from(k) * core::f64::consts::TAU / 72.0);
                (middle.0 + radius * c, middle.1 - radius * s)
            })
            .collect();
        scene.line(round, Ink::Grid, 1.0, Dash::Solid);
        let across = [(-radius, 0.0), (0.0, -radius)];
        for (x, y) in across {
            let line = vec![(middle.0 + x, middle.1 + y), (middle.0 - x, middle.1 - y)];
            scene.line(line, Ink::Grid, 1.0, Dash::Solid);
        }
        let most = |x: &[Complex; 3]| x.iter().take(self.phases).map(|x| x.abs()).fold(0.0, f64::max);
        let (most_v, most_i) = (most(&self.v), most(&self.i));
        let zero = self
            .v
            .iter()
            .take(self.phases)
            .find(|x| most_v > 0.0 && x.abs() > 0.1 * most_v)
            .map_or(0.0, |x| x.arg());
        let dashes = [Dash::Solid, Dash::Long, Dash::Dots];
        let inks = Ink::SERIES;
        let mut arrow = |x: &Complex, most: f64, reach: f64, width: f64, k: usize, name: String| {
            if most <= 0.0 || x.abs() <= SMALLEST * most {
                return;
            }
            let (sin, cos) = libm::sincos(x.arg() - zero);
            let length = radius * reach * (x.abs() / most).max(0.25);
            let tip = (middle.0 + length * cos, middle.1 - length * sin);
            scene.line(vec![middle, tip], inks[k % 3], width, dashes[k % 3]);
            let head = 4.0 + width * 1.6;
            let side = |turn: f64| {
                let (s, c) = libm::sincos(x.arg() - zero + turn);
                (tip.0 - head * c, tip.1 + head * s)
            };
            if !canvas.text {
                scene.area(vec![tip, side(0.42), side(-0.42)], inks[k % 3], Fill::Solid);
            }
            let far = length + c.line * 0.75;
            let at = (middle.0 + far * cos, middle.1 - far * sin + c.line * 0.28);
            scene.strong(at, name, Anchor::Middle, Ink::Text);
        };
        for k in 0..self.phases.min(3) {
            arrow(&self.v[k], most_v, 0.98, 1.3, k, format!("V{}", k + 1));
        }
        for k in 0..self.phases.min(3) {
            arrow(&self.i[k], most_i, 0.66, 3.0, k, format!("I{}", k + 1));
        }
        let _ = locale;
        scene
    }

    fn alt(&self, locale: &Locale) -> String {
        locale.localise(&self.told)
    }
}
