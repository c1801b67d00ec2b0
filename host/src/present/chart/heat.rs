//! The week by the hour: a square for each hour, larger where more is drawn.

use super::Chart;
use super::ink::Ink;
use super::scene::{Anchor, Canvas, Fill, Scene, Shape};
use crate::analyse::survey::clock::DAY_NAMES;
use crate::present::locale::Locale;

/// What one hour of the week shows.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Hour {
    /// Recorded: the size of its square (0 and up) and whether it is short of the target.
    Seen {
        /// Size.
        size: f64,
        /// Filled in the colour of what is wrong.
        short: bool,
    },
    /// Never recorded.
    Unseen,
    /// Not in this week: clocks were put forward.
    Skipped,
}

/// Seven days of 24 hours, Monday first.
#[derive(Clone, Debug, PartialEq)]
pub struct HeatChart {
    /// 168 hours.
    pub hours: Vec<Hour>,
    /// Size of a full square, with its unit.
    pub full: (f64, String),
    /// What filled and empty squares mean.
    pub legend: [String; 2],
    /// Hour of the week that is marked, with its name.
    pub marked: Option<(usize, String)>,
    /// What it shows, in words.
    pub told: String,
}

impl Chart for HeatChart {
    fn scene(&self, canvas: &Canvas, locale: &Locale) -> Scene {
        let mut scene = Scene::new(canvas);
        let c = canvas;
        let left = c.width_of("Wed") + c.letter * 1.2;
        let top = c.line * 1.3;
        let width = (c.width - left - c.letter) / 24.0;
        let height = (c.height - top - c.line * 2.4) / 7.0;
        let side = width.min(height) * 0.92;
        for hour in (0..=24).step_by(if width * 3.0 < c.width_of("00:00") { 6 } else { 3 }) {
            let x = left + f64::from(hour) * width;
            scene.text((x, c.line * 0.8), format!("{hour:02}"), Anchor::Middle, Ink::Quiet);
        }
        for (day, row) in self.hours.chunks(24).enumerate().take(7) {
            let y = top + (day as f64 + 0.5) * height;
            scene.text((0.0, y + c.line * 0.28), DAY_NAMES[day], Anchor::Start, Ink::Quiet);
            if !c.text {
                let line = vec![(left, y + height / 2.0), (c.width - c.letter, y + height / 2.0)];
                scene.line(line, Ink::Grid, 0.8, super::scene::Dash::Solid);
            }
            for (hour, h) in row.iter().enumerate() {
                let x = left + (hour as f64 + 0.5) * width;
                match h {
                    Hour::Seen { size, short } => {
                        let part = libm::sqrt((size / self.full.0).clamp(0.0, 1.0));
                        let s = side * part.max(0.12);
                        let at = [x - s / 2.0, y - s / 2.0, s, s];
                        let (ink, fill) = match short {
                            true => (Ink::Reactive, Fill::Solid),
                            false => (Ink::Active, Fill::Outline),
                        };
                        scene.rect(at, ink, fill);
                    }
                    Hour::Unseen => scene.mark((x, y), 2.5, Shape::Cross, Ink::Axis),
                    Hour::Skipped => {}
                }
            }
        }
        if let Some((hour, name)) = &self.marked {
            let x = left + ((hour % 24) as f64 + 0.5) * width;
            let y = top + ((hour / 24) as f64 + 0.5) * height;
            scene.mark((x, y), side * 0.62, Shape::Ring, Ink::Limit);
            let at = if x > c.width * 0.5 { x - side } else { x + side };
            let anchor = if x > c.width * 0.5 { Anchor::End } else { Anchor::Start };
            super::plot::halo(&mut scene, c, (at, y - height * 0.55), name, anchor, Ink::Limit);
        }
        let foot = c.height - c.line * 0.5;
        let mut x = left;
        for (k, words) in self.legend.iter().enumerate() {
            let (ink, fill) =
                if k == 0 { (Ink::Reactive, Fill::Solid) } else { (Ink::Active, Fill::Outline) };
            let s = c.line * 0.62;
            scene.rect([x, foot - s, s, s], ink, fill);
            scene.text((x + s + c.letter * 0.7, foot), words.as_str(), Anchor::Start, Ink::Text);
            x += s + c.width_of(words) + c.letter * 2.4;
        }
        let full = format!("full square: {} {}", locale.four_digits(self.full.0), self.full.1);
        if x + c.width_of(&full) < c.width {
            scene.text((x, foot), full, Anchor::Start, Ink::Quiet);
        }
        scene
    }

    fn alt(&self, locale: &Locale) -> String {
        locale.localise(&self.told)
    }
}
