//! A scene as SVG: no script, no outside font, no picture; for pages with classes, for print with
//! colours in place.

use super::ink::Ink;
use super::scene::{Anchor, Dash, Fill, Item, Point, Scene, Shape, hatching};
use std::fmt::Write;

/// Where colours come from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Colours {
    /// The classes of [`super::ink::rules`], light and dark by the page.
    Classes,
    /// Written into the drawing, for print.
    Fixed,
}

/// Distance of the lines of a hatching.
const HATCH: f64 = 5.0;

/// Draws a scene; `name` and `alt` are read out in its place, `class` goes to the root.
pub fn svg(scene: &Scene, colours: Colours, name: &str, alt: &str, class: &str) -> String {
    let mut w = Writer { out: String::with_capacity(16 * 1024), colours };
    let (width, height) = (scene.width, scene.height);
    let _ = write!(
        w.out,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width:.0} {height:.0}\" "
    );
    match colours {
        Colours::Classes => {
            let _ = write!(w.out, "class=\"{class}\" role=\"img\" aria-label=\"");
            escape(&mut w.out, &format!("{name}. {alt}"));
            w.out.push_str("\">");
        }
        Colours::Fixed => {
            let _ = write!(
                w.out,
                "width=\"{width:.0}pt\" height=\"{height:.0}pt\" \
                 font-family=\"Noto Sans\" font-size=\"11\">"
            );
        }
    }
    scene.items.iter().for_each(|item| w.item(item));
    w.out.push_str("</svg>");
    w.out
}

/// Writes text with what XML reserves replaced.
pub fn escape(out: &mut String, text: &str) {
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            c if c.is_control() && c != '\n' && c != '\t' => {}
            c => out.push(c),
        }
    }
}

struct Writer {
    out: String,
    colours: Colours,
}

impl Writer {
    fn stroke(&mut self, ink: Ink, width: f64, dash: Dash) {
        let o = &mut self.out;
        let _ = match self.colours {
            Colours::Classes => write!(o, " class=\"s-{}\" fill=\"none\"", ink.name()),
            Colours::Fixed => write!(o, " stroke=\"{}\" fill=\"none\"", ink.light()),
        };
        let _ = write!(o, " stroke-width=\"{}\"", number(width));
        let pattern = match dash {
            Dash::Solid => return,
            Dash::Long => "7 4",
            Dash::Dots => "1.5 3.5",
            Dash::DashDot => "7 3 1.5 3",
        };
        let _ = write!(o, " stroke-dasharray=\"{pattern}\"");
    }

    fn fill(&mut self, ink: Ink, fill: Fill) {
        let o = &mut self.out;
        let _ = match self.colours {
            Colours::Classes => write!(o, " class=\"f-{}\"", ink.name()),
            Colours::Fixed => write!(o, " fill=\"{}\"", ink.light()),
        };
        if fill == Fill::Tint {
            let opacity = if ink == Ink::Paper { 0.82 } else { 0.24 };
            let _ = write!(o, " fill-opacity=\"{opacity}\"");
        }
    }

    fn item(&mut self, item: &Item) {
        match item {
            Item::Line { points, ink, width, dash } => {
                self.path("<path d=\"", points, false);
                self.stroke(*ink, *width, *dash);
                self.out.push_str(" stroke-linejoin=\"round\"/>");
            }
            Item::Area { points, ink, fill } => {
                self.path("<path d=\"", points, true);
                match fill {
                    Fill::Outline => self.stroke(*ink, 1.2, Dash::Solid),
                    _ => self.fill(*ink, *fill),
                }
                self.out.push_str("/>");
            }
            Item::Rect { at, ink, fill } => self.rect(*at, *ink, *fill),
            Item::Mark { at, size, shape, ink } => self.mark(*at, *size, *shape, *ink),
            Item::Text { at, text, anchor, ink, strong } => {
                let _ = write!(self.out, "<text x=\"{}\" y=\"{}\"", number(at.0), number(at.1));
                match anchor {
                    Anchor::Start => {}
                    Anchor::Middle => self.out.push_str(" text-anchor=\"middle\""),
                    Anchor::End => self.out.push_str(" text-anchor=\"end\""),
                }
                if *strong {
                    self.out.push_str(" font-weight=\"bold\"");
                }
                self.fill(*ink, Fill::Solid);
                self.out.push('>');
                escape(&mut self.out, text);
                self.out.push_str("</text>");
            }
        }
    }

    fn rect(&mut self, at: [f64; 4], ink: Ink, fill: Fill) {
        let [x, y, w, h] = at.map(number);
        if matches!(fill, Fill::Solid | Fill::Tint) {
            let _ = write!(self.out, "<rect x=\"{x}\" y=\"{y}\" width=\"{w}\" height=\"{h}\"");
            self.fill(ink, fill);
            self.out.push_str("/>");
            return;
        }
        if fill == Fill::Hatch {
            self.out.push_str("<path d=\"");
            for [a, b] in hatching(at, HATCH) {
                let (ax, ay, bx, by) = (number(a.0), number(a.1), number(b.0), number(b.1));
                let _ = write!(self.out, "M{ax} {ay}L{bx} {by}");
            }
            self.out.push('"');
            self.stroke(ink, 1.3, Dash::Solid);
            self.out.push_str("/>");
        }
        let _ = write!(self.out, "<rect x=\"{x}\" y=\"{y}\" width=\"{w}\" height=\"{h}\"");
        self.stroke(ink, 1.1, Dash::Solid);
        self.out.push_str("/>");
    }

    fn mark(&mut self, (x, y): Point, size: f64, shape: Shape, ink: Ink) {
        let r = size;
        match shape {
            Shape::Dot | Shape::Ring => {
                let _ = write!(
                    self.out,
                    "<circle cx=\"{}\" cy=\"{}\" r=\"{}\"",
                    number(x),
                    number(y),
                    number(r)
                );
                match shape {
                    Shape::Dot => self.fill(ink, Fill::Solid),
                    _ => self.stroke(ink, 1.4, Dash::Solid),
                }
                self.out.push_str("/>");
            }
            Shape::Diamond => {
                let around = vec![(x, y - r), (x + r, y), (x, y + r), (x - r, y)];
                self.item(&Item::Area { points: around, ink, fill: Fill::Solid });
            }
            Shape::Triangle => {
                let around = vec![(x, y - r), (x + r, y + 0.8 * r), (x - r, y + 0.8 * r)];
                self.item(&Item::Area { points: around, ink, fill: Fill::Solid });
            }
            Shape::Cross => {
                for points in [vec![(x - r, y - r), (x + r, y + r)], vec![(x - r, y + r), (x + r, y - r)]]
                {
                    self.item(&Item::Line { points, ink, width: 1.6, dash: Dash::Solid });
                }
            }
        }
    }

    /// Points with steps between them, in tenths of a point: half the length of absolute places.
    fn path(&mut self, lead: &str, points: &[Point], closed: bool) {
        self.out.push_str(lead);
        let tenths = |p: &Point| (libm::round(p.0 * 10.0) as i64, libm::round(p.1 * 10.0) as i64);
        let mut last = (0, 0);
        for (k, p) in points.iter().enumerate() {
            let here = tenths(p);
            let (dx, dy) = (here.0 - last.0, here.1 - last.1);
            if k == 0 {
                let _ = write!(self.out, "M{} {}", tenth(dx), tenth(dy));
            } else if (dx, dy) == (0, 0) {
                continue;
            } else if dy == 0 {
                let _ = write!(self.out, "h{}", tenth(dx));
            } else if dx == 0 {
                let _ = write!(self.out, "v{}", tenth(dy));
            } else {
                let _ = write!(self.out, "l{} {}", tenth(dx), tenth(dy));
            }
            last = here;
        }
        self.out.push_str(if closed { "z\"" } else { "\"" });
    }
}

fn tenth(x: i64) -> String {
    let sign = if x < 0 { "-" } else { "" };
    match (x.abs() / 10, x.abs() % 10) {
        (whole, 0) => format!("{sign}{whole}"),
        (whole, rest) => format!("{sign}{whole}.{rest}"),
    }
}

fn number(x: f64) -> String {
    tenth(libm::round(x * 10.0) as i64)
}

#[cfg(test)]
mod tests {
    use super::super::scene::Canvas;
    use super::*;

    #[test]
    fn steps_lead_back_to_the_points() {
        let mut scene = Scene::new(&Canvas::page(100.0, 50.0));
        scene.line(
            vec![(1.0, 2.0), (3.5, 2.0), (3.5, 1.0), (0.0, 0.26)],
            Ink::Active,
            1.5,
            Dash::Long,
        );
        let text = svg(&scene, Colours::Fixed, "A", "b", "");
        assert!(text.contains("d=\"M1 2h2.5v-1l-3.5 -0.7\""), "{text}");
        assert!(text.contains("stroke-dasharray"));
    }

    #[test]
    fn words_are_escaped_and_controls_left_out() {
        let mut scene = Scene::new(&Canvas::page(100.0, 50.0));
        scene.text((0.0, 0.0), "a<b & \"c\"\u{1b}", Anchor::End, Ink::Text);
        let text = svg(&scene, Colours::Classes, "x\"y", "", "w");
        assert!(text.contains(">a&lt;b &amp; &quot;c&quot;</text>"), "{text}");
        assert!(text.contains("aria-label=\"x&quot;y. \""));
    }

    /// Each stroke of a hatching stays within its rectangle.
    #[test]
    fn hatching_stays_inside() {
        let at = [10.0, 20.0, 33.0, 7.0];
        let strokes = hatching(at, 5.0);
        assert_eq!(strokes.len(), 7);
        for (x, y) in strokes.into_iter().flatten() {
            assert!((10.0..=43.0).contains(&x) && (20.0..=27.0).contains(&y), "{x} {y}");
        }
    }
}
