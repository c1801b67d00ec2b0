//! Phasors as a picture in characters: voltages dotted, currents as spokes of their phase's digit.
//!
//! Angles are counter-clockwise with the first voltage pointing to the right, so that a
//! current that lags stands clockwise of its voltage. Phases are told apart by their digits.

use wattless_core::complex::Complex;

/// Width of a picture, in characters.
pub const WIDTH: usize = 37;
/// Height of a picture, in lines.
pub const HEIGHT: usize = 17;

/// A character is about twice as high as it is wide.
const X_PER_Y: f64 = 2.0;
/// Length of the longest voltage, in lines.
const REACH_V: f64 = 7.4;
/// Length of the longest and shortest current drawn, in lines.
const REACH_I: (f64, f64) = (5.2, 2.0);
/// Currents below this share of the largest are not drawn: their angle means nothing.
const SMALLEST: f64 = 0.02;

/// Draws voltages and currents of up to three phases; lines of [`WIDTH`] characters at most.
pub fn draw(v: &[Complex; 3], i: &[Complex; 3], phases: usize) -> Vec<String> {
    let mut field = Field::new();
    let most = |x: &[Complex; 3]| x.iter().take(phases).map(|x| x.abs()).fold(0.0, f64::max);
    let (most_v, most_i) = (most(v), most(i));
    let first = v.iter().take(phases).find(|x| most_v > 0.0 && x.abs() > 0.1 * most_v);
    let zero = first.map_or(0.0, |x| x.arg());
    let mut tips = Vec::new();
    for (k, x) in v.iter().enumerate().take(phases) {
        if most_v > 0.0 && x.abs() > SMALLEST * most_v {
            let length = REACH_V * x.abs() / most_v;
            field.spoke(x.arg() - zero, length, '·');
            tips.push((x.arg() - zero, length, format!("V{}", k + 1)));
        }
    }
    for (k, x) in i.iter().enumerate().take(phases) {
        if most_i > 0.0 && x.abs() > SMALLEST * most_i {
            let length = f64::max(REACH_I.0 * x.abs() / most_i, REACH_I.1);
            field.spoke(x.arg() - zero, length, char::from(b'1' + k as u8));
            tips.push((x.arg() - zero, length + 0.7, format!("I{}", k + 1)));
        }
    }
    field.put(0.0, 0.0, '+');
    for (angle, length, name) in &tips {
        field.label(*angle, *length, name);
    }
    field.lines()
}

/// Two pictures side by side under their titles, in 76 columns.
pub fn beside(left: (&str, &[String]), right: (&str, &[String])) -> Vec<String> {
    let pad = |text: &str| format!("{text:<WIDTH$}");
    let mut out = vec![format!("  {}  {}", pad(left.0), right.0)];
    for k in 0..left.1.len().max(right.1.len()) {
        let of = |lines: &[String]| lines.get(k).cloned().unwrap_or_default();
        out.push(format!("  {}  {}", pad(&of(left.1)), of(right.1)).trim_end().to_owned());
    }
    out
}

struct Field {
    cells: [[char; WIDTH]; HEIGHT],
    /// Cells that carry a label.
    taken: [[bool; WIDTH]; HEIGHT],
}

impl Field {
    fn new() -> Field {
        Field { cells: [[' '; WIDTH]; HEIGHT], taken: [[false; WIDTH]; HEIGHT] }
    }

    /// The cell at a place measured in lines from the middle, to the right and up.
    fn cell(right: f64, up: f64) -> Option<(usize, usize)> {
        let row = (HEIGHT / 2) as f64 - up;
        let column = (WIDTH / 2) as f64 + right * X_PER_Y;
        let inside = |x: f64, n: usize| {
            (x.round() >= 0.0 && x.round() < n as f64).then(|| x.round() as usize)
        };
        Some((inside(row, HEIGHT)?, inside(column, WIDTH)?))
    }

    fn put(&mut self, right: f64, up: f64, c: char) {
        if let Some((row, column)) = Field::cell(right, up) {
            self.cells[row][column] = c;
        }
    }

    fn spoke(&mut self, angle_rad: f64, length: f64, c: char) {
        let (up, right) = libm::sincos(angle_rad);
        let steps = (length / 0.5) as usize;
        for step in 1..=steps {
            let r = 0.5 * step as f64;
            // Dots are laid thinly, so that a current along its voltage stays readable.
            if c != '·' || step % 2 == 0 {
                self.put(r * right, r * up, c);
            }
        }
    }

    /// Writes a name at a tip, or as near to it as there is room.
    fn label(&mut self, angle_rad: f64, length: f64, name: &str) {
        let (up, right) = libm::sincos(angle_rad);
        let Some((row, column)) = Field::cell(length * right, length * up) else {
            return;
        };
        let width = name.chars().count();
        let near = [(0, 0), (0, 2), (0, -2), (-1, 0), (1, 0), (-1, 2), (1, 2), (-1, -2), (1, -2)];
        let places = near.iter().filter_map(|(down, across)| {
            let row = row.checked_add_signed(*down).filter(|r| *r < HEIGHT)?;
            let column = column.min(WIDTH - width).checked_add_signed(*across)?;
            (column + width <= WIDTH).then_some((row, column))
        });
        let free = |&(row, column): &(usize, usize)| {
            // A blank on either side keeps names apart.
            let from = column.saturating_sub(1);
            self.taken[row][from..(column + width + 1).min(WIDTH)].iter().all(|t| !t)
        };
        let Some((row, column)) = places.clone().find(free).or_else(|| places.clone().next())
        else {
            return;
        };
        for (k, c) in name.chars().enumerate() {
            self.cells[row][column + k] = c;
            self.taken[row][column + k] = true;
        }
    }

    fn lines(&self) -> Vec<String> {
        self.cells.iter().map(|row| row.iter().collect::<String>().trim_end().to_owned()).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(size: f64, deg: f64) -> Complex {
        Complex::unit(deg.to_radians()).scale(size)
    }

    /// Where a name stands, as columns right of and lines above the middle.
    fn place(lines: &[String], name: &str) -> (i32, i32) {
        let found = lines.iter().enumerate().find_map(|(row, line)| {
            line.find(name).map(|byte| (row, line[..byte].chars().count()))
        });
        let (row, column) = found.unwrap_or_else(|| panic!("no {name} in\n{}", lines.join("\n")));
        (column as i32 - WIDTH as i32 / 2, HEIGHT as i32 / 2 - row as i32)
    }

    #[test]
    fn names_stand_where_phasors_point() {
        // Any time reference: everything is turned back to the first voltage.
        let v = [at(230.0, 50.0), at(230.0, -70.0), at(230.0, 170.0)];
        let i = [at(9.0, 20.0), at(9.0, -100.0), at(4.5, 140.0)];
        let lines = draw(&v, &i, 3);
        assert!(lines.len() == HEIGHT && lines.iter().all(|l| l.chars().count() <= WIDTH));
        let (right, up) = place(&lines, "V1");
        assert!(right > 12 && up == 0);
        let (right, up) = place(&lines, "V2");
        assert!(right < 0 && up < -4);
        let (right, up) = place(&lines, "V3");
        assert!(right < 0 && up > 4);
        // 30° clockwise of the first voltage.
        let (right, up) = place(&lines, "I1");
        assert!(right > 6 && (-5..-1).contains(&up));
        // Half the current, half the length.
        let (_, up) = place(&lines, "I3");
        assert!((1..=4).contains(&up), "{}", lines.join("\n"));
    }

    #[test]
    fn what_is_not_there_is_not_drawn() {
        let v = [at(230.0, 0.0), at(230.0, -120.0), Complex::ZERO];
        let lines = draw(&v, &[Complex::ZERO; 3], 3).join("\n");
        assert!(lines.contains("V2") && !lines.contains("V3") && !lines.contains('I'));
        let nothing = draw(&[Complex::ZERO; 3], &[Complex::ZERO; 3], 3);
        assert!(nothing.iter().all(|l| l.trim().is_empty() || l.trim() == "+"));
    }

    #[test]
    fn names_do_not_cover_each_other() {
        let v = [at(230.0, 0.0), at(230.0, 1.0), at(230.0, -1.0)];
        let i = [at(5.0, 0.0), at(5.0, 1.0), at(5.0, -1.0)];
        let text = draw(&v, &i, 3).join("\n");
        assert!(["V1", "V2", "V3", "I1", "I2", "I3"].iter().all(|n| text.contains(n)), "{text}");
    }

    #[test]
    fn pictures_stand_beside_each_other() {
        let left = vec!["ab".to_owned(), "c".to_owned()];
        let lines = beside(("now", &left), ("then", &left[..1]));
        assert_eq!(lines[0].find("then"), Some(WIDTH + 4));
        assert_eq!(lines[2], "  c");
    }
}
