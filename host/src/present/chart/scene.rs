//! A drawing of lines, areas, bars, marks and words, in points from the top left corner.

use super::ink::Ink;

/// Where a chart is drawn, and how large its letters are.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Canvas {
    /// Width.
    pub width: f64,
    /// Height.
    pub height: f64,
    /// Height of a line of words.
    pub line: f64,
    /// Mean width of a letter.
    pub letter: f64,
    /// Whether it is made of characters.
    pub text: bool,
}

impl Canvas {
    /// For pages: letters of 11 points.
    pub const fn page(width: f64, height: f64) -> Canvas {
        Canvas { width, height, line: 15.0, letter: 6.0, text: false }
    }

    /// For a terminal: every letter takes a cell of 8 by 16.
    pub const fn terminal(columns: usize, rows: usize) -> Canvas {
        Canvas {
            width: columns as f64 * 8.0,
            height: rows as f64 * 16.0,
            line: 16.0,
            letter: 8.0,
            text: true,
        }
    }

    /// Width of a text.
    pub fn width_of(&self, text: &str) -> f64 {
        text.chars().count() as f64 * self.letter
    }
}

/// How a line is broken up.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Dash {
    /// Unbroken.
    #[default]
    Solid,
    /// Long dashes.
    Long,
    /// Dots.
    Dots,
    /// Dash and dot.
    DashDot,
}

/// How an area is filled.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fill {
    /// Fully.
    Solid,
    /// Lightly.
    Tint,
    /// With slanting lines.
    Hatch,
    /// Not at all, only its outline.
    Outline,
}

/// Form of a mark.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shape {
    /// Filled circle.
    Dot,
    /// Empty circle.
    Ring,
    /// Filled square standing on a corner.
    Diamond,
    /// Filled triangle, point up.
    Triangle,
    /// Two crossed strokes.
    Cross,
}

/// Which end of a text stands at its place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Anchor {
    /// Its beginning.
    Start,
    /// Its middle.
    Middle,
    /// Its end.
    End,
}

/// A place.
pub type Point = (f64, f64);

/// A part of a drawing.
#[derive(Clone, Debug, PartialEq)]
pub enum Item {
    /// A line through points.
    Line {
        /// The points.
        points: Vec<Point>,
        /// Colour.
        ink: Ink,
        /// Thickness.
        width: f64,
        /// Breaks.
        dash: Dash,
    },
    /// An area within points.
    Area {
        /// The points, around.
        points: Vec<Point>,
        /// Colour.
        ink: Ink,
        /// Filling.
        fill: Fill,
    },
    /// A rectangle.
    Rect {
        /// Left, top, width, height.
        at: [f64; 4],
        /// Colour.
        ink: Ink,
        /// Filling.
        fill: Fill,
    },
    /// A mark.
    Mark {
        /// Middle.
        at: Point,
        /// Half its size.
        size: f64,
        /// Form.
        shape: Shape,
        /// Colour.
        ink: Ink,
    },
    /// A text; its place is at the height of the foot of its letters.
    Text {
        /// Place.
        at: Point,
        /// The words.
        text: String,
        /// Which end is at the place.
        anchor: Anchor,
        /// Colour.
        ink: Ink,
        /// Bold.
        strong: bool,
    },
}

/// A whole drawing.
#[derive(Clone, Debug, PartialEq)]
pub struct Scene {
    /// Width.
    pub width: f64,
    /// Height.
    pub height: f64,
    /// Parts, the first at the bottom.
    pub items: Vec<Item>,
}

impl Scene {
    /// An empty drawing.
    pub fn new(canvas: &Canvas) -> Scene {
        Scene { width: canvas.width, height: canvas.height, items: Vec::new() }
    }

    /// Adds a line.
    pub fn line(&mut self, points: Vec<Point>, ink: Ink, width: f64, dash: Dash) {
        if points.len() > 1 {
            self.items.push(Item::Line { points, ink, width, dash });
        }
    }

    /// Adds an area.
    pub fn area(&mut self, points: Vec<Point>, ink: Ink, fill: Fill) {
        if points.len() > 2 {
            self.items.push(Item::Area { points, ink, fill });
        }
    }

    /// Adds a rectangle; one without extent is left out.
    pub fn rect(&mut self, at: [f64; 4], ink: Ink, fill: Fill) {
        if at[2] > 0.0 && at[3] > 0.0 {
            self.items.push(Item::Rect { at, ink, fill });
        }
    }

    /// Adds a mark.
    pub fn mark(&mut self, at: Point, size: f64, shape: Shape, ink: Ink) {
        self.items.push(Item::Mark { at, size, shape, ink });
    }

    /// Adds a text.
    pub fn text(&mut self, at: Point, text: impl Into<String>, anchor: Anchor, ink: Ink) {
        self.items.push(Item::Text { at, text: text.into(), anchor, ink, strong: false });
    }

    /// Adds a bold text.
    pub fn strong(&mut self, at: Point, text: impl Into<String>, anchor: Anchor, ink: Ink) {
        self.items.push(Item::Text { at, text: text.into(), anchor, ink, strong: true });
    }
}

/// Strokes of a hatched rectangle, slanting up to the right, clipped to it.
pub fn hatching(at: [f64; 4], step: f64) -> Vec<[Point; 2]> {
    let [x, y, w, h] = at;
    let mut strokes = Vec::new();
    let mut along = step;
    // A stroke leaves the left or bottom edge and reaches the top or right edge.
    while along < w + h {
        let from = if along <= h { (x, y + along) } else { (x + along - h, y + h) };
        let to = if along <= w { (x + along, y) } else { (x + w, y + along - w) };
        strokes.push([from, to]);
        along += step;
    }
    strokes
}
