//! A scene as lines of characters: lines in braille dots, bars in blocks, words as they are.

use super::scene::{Anchor, Dash, Fill, Item, Point, Scene, Shape};

/// Dots across and down in a cell.
const ACROSS: usize = 2;
const DOWN: usize = 4;

/// Size of a cell in points, as [`super::scene::Canvas::terminal`] has it.
const CELL: (f64, f64) = (8.0, 16.0);

/// The bit of a dot in a braille cell (Unicode, block 2800, dots 1 to 8).
const BITS: [[u8; ACROSS]; DOWN] = [[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]];

/// Draws a scene made for a terminal; trailing blanks are cut.
pub fn lines(scene: &Scene) -> Vec<String> {
    let columns = (scene.width / CELL.0) as usize;
    let rows = (scene.height / CELL.1) as usize;
    let mut field = Field {
        columns,
        rows,
        dots: vec![0; columns * rows],
        words: vec![None; columns * rows],
    };
    scene.items.iter().for_each(|item| field.item(item));
    field.finish()
}

struct Field {
    columns: usize,
    rows: usize,
    dots: Vec<u8>,
    words: Vec<Option<char>>,
}

impl Field {
    /// Sets a dot, counted from the top left.
    fn dot(&mut self, x: i64, y: i64) {
        let (Ok(x), Ok(y)) = (usize::try_from(x), usize::try_from(y)) else { return };
        let (column, row) = (x / ACROSS, y / DOWN);
        if column < self.columns
            && row < self.rows
            && let Some(cell) = self.dots.get_mut(row * self.columns + column)
        {
            *cell |= BITS[y % DOWN][x % ACROSS];
        }
    }

    /// Dots of a place in points.
    fn to_dots((x, y): Point) -> (f64, f64) {
        (x / CELL.0 * ACROSS as f64, y / CELL.1 * DOWN as f64)
    }

    fn stroke(&mut self, points: &[Point], dash: Dash) {
        let mut along = 0usize;
        for pair in points.windows(2) {
            let (a, b) = (Field::to_dots(pair[0]), Field::to_dots(pair[1]));
            let steps = libm::ceil(libm::fmax(libm::fabs(b.0 - a.0), libm::fabs(b.1 - a.1)));
            let steps = steps.clamp(1.0, 1e4);
            for k in 0..=steps as usize {
                let t = k as f64 / steps;
                let shown = match dash {
                    Dash::Solid => true,
                    Dash::Long => along % 6 < 4,
                    Dash::Dots => along.is_multiple_of(3),
                    Dash::DashDot => !matches!(along % 7, 4 | 6),
                };
                if shown {
                    let x = libm::floor(a.0 + (b.0 - a.0) * t) as i64;
                    let y = libm::floor(a.1 + (b.1 - a.1) * t) as i64;
                    self.dot(x, y);
                }
                along += 1;
            }
        }
    }

    /// Fills a rectangle with dots: all of them, or a pattern.
    fn fill(&mut self, at: [f64; 4], fill: Fill) {
        let (x0, y0) = Field::to_dots((at[0], at[1]));
        let (x1, y1) = Field::to_dots((at[0] + at[2], at[1] + at[3]));
        for y in libm::round(y0) as i64..libm::round(y1) as i64 {
            for x in libm::round(x0) as i64..libm::round(x1) as i64 {
                let shown = match fill {
                    Fill::Solid => true,
                    Fill::Hatch => (x + y).rem_euclid(3) == 0,
                    Fill::Tint => x.rem_euclid(2) == 0 && y.rem_euclid(3) == 0,
                    Fill::Outline => false,
                };
                if shown {
                    self.dot(x, y);
                }
            }
        }
    }

    fn item(&mut self, item: &Item) {
        use super::ink::Ink;
        match item {
            Item::Line { ink: Ink::Grid, .. } => {}
            Item::Line { points, dash, .. } => self.stroke(points, *dash),
            Item::Area { points, fill, .. } => {
                // Bands would hide the lines within: only an outline is drawn.
                if *fill == Fill::Outline {
                    let mut around = points.clone();
                    around.extend(points.first().copied());
                    self.stroke(&around, Dash::Solid);
                }
            }
            Item::Rect { ink: Ink::Paper | Ink::Shade, .. } => {}
            Item::Rect { at, fill, .. } => {
                self.fill(*at, *fill);
                if matches!(fill, Fill::Outline | Fill::Hatch) {
                    let [x, y, w, h] = *at;
                    let around = [(x, y), (x + w, y), (x + w, y + h), (x, y + h), (x, y)];
                    self.stroke(&around, Dash::Solid);
                }
            }
            Item::Mark { at, shape, .. } => {
                let c = match shape {
                    Shape::Dot => '●',
                    Shape::Ring => '○',
                    Shape::Diamond => '◆',
                    Shape::Triangle => '▲',
                    Shape::Cross => '×',
                };
                let (column, row) = (at.0 / CELL.0, at.1 / CELL.1);
                self.word(libm::floor(column) as i64, libm::floor(row) as i64, c);
            }
            Item::Text { at, text, anchor, .. } => {
                let count = text.chars().count() as f64;
                let shift = match anchor {
                    Anchor::Start => 0.0,
                    Anchor::Middle => count / 2.0,
                    Anchor::End => count,
                };
                let column = libm::round(at.0 / CELL.0 - shift) as i64;
                let row = libm::floor((at.1 - 0.3 * CELL.1) / CELL.1) as i64;
                for (k, c) in text.chars().enumerate() {
                    self.word(column + k as i64, row, c);
                }
            }
        }
    }

    fn word(&mut self, column: i64, row: i64, c: char) {
        let (Ok(column), Ok(row)) = (usize::try_from(column), usize::try_from(row)) else { return };
        if column < self.columns
            && row < self.rows
            && let Some(cell) = self.words.get_mut(row * self.columns + column)
        {
            *cell = Some(c);
        }
    }

    fn finish(self) -> Vec<String> {
        let cell = |at: usize| match (self.words[at], self.dots[at]) {
            (Some(c), _) => c,
            (None, 0) => ' ',
            (None, dots) => char::from_u32(0x2800 + u32::from(dots)).unwrap_or(' '),
        };
        (0..self.rows)
            .map(|row| {
                let line: String = (0..self.columns).map(|c| cell(row * self.columns + c)).collect();
                line.trim_end().to_owned()
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::super::ink::Ink;
    use super::super::scene::Canvas;
    use super::*;

    #[test]
    fn lines_bars_and_words_land_in_their_cells() {
        let mut scene = Scene::new(&Canvas::terminal(6, 3));
        scene.line(vec![(0.0, 8.0), (31.0, 8.0)], Ink::Active, 1.0, Dash::Solid);
        scene.rect([0.0, 16.0, 16.0, 16.0], Ink::Active, Fill::Solid);
        scene.text((47.0, 44.0), "ab", Anchor::End, Ink::Text);
        assert_eq!(lines(&scene), ["⠤⠤⠤⠤", "⣿⣿", "    ab"]);
    }
}
