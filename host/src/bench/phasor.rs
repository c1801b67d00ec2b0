//! Three-phase phasors and the small complex linear algebra that a feeder needs.

use wattless_core::complex::Complex;

/// One phasor a line.
pub type V3 = [Complex; 3];

/// An admittance or impedance between three lines.
pub type M3 = [[Complex; 3]; 3];

const HALF_SQRT_3: f64 = 0.866_025_403_784_438_6;

/// The operator that turns by 120°.
pub const ALPHA: Complex = Complex::new(-0.5, HALF_SQRT_3);

/// The operator that turns by 240°.
pub const ALPHA2: Complex = Complex::new(-0.5, -HALF_SQRT_3);

/// Three zeros.
pub const ZERO3: V3 = [Complex::ZERO; 3];

/// Quotient of two complex numbers; zero when the divisor is.
pub fn quotient(a: Complex, b: Complex) -> Complex {
    let n = b.norm_sq();
    if n > 0.0 { (a * b.conj()).scale(1.0 / n) } else { Complex::ZERO }
}

/// Sum of two triples.
pub fn sum(a: &V3, b: &V3) -> V3 {
    [a[0] + b[0], a[1] + b[1], a[2] + b[2]]
}

/// Product of matrix and triple.
pub fn product(m: &M3, v: &V3) -> V3 {
    m.map(|row| row[0] * v[0] + row[1] * v[1] + row[2] * v[2])
}

/// Solves (1 + z·Y)·x = b for x, by elimination with the largest pivot.
pub fn solve(z: Complex, y: &M3, b: &V3) -> V3 {
    let one = Complex::new(1.0, 0.0);
    let mut m = y.map(|row| row.map(|y| z * y));
    for (k, row) in m.iter_mut().enumerate() {
        row[k] += one;
    }
    let mut x = *b;
    for k in 0..3 {
        let pivot =
            (k..3).max_by(|&a, &b| m[a][k].norm_sq().total_cmp(&m[b][k].norm_sq())).unwrap_or(k);
        m.swap(k, pivot);
        x.swap(k, pivot);
        for r in k + 1..3 {
            let factor = quotient(m[r][k], m[k][k]);
            let top = m[k];
            for (m, above) in m[r].iter_mut().zip(&top) {
                *m = *m - factor * *above;
            }
            x[r] = x[r] - factor * x[k];
        }
    }
    for k in (0..3).rev() {
        for c in k + 1..3 {
            x[k] = x[k] - m[k][c] * x[c];
        }
        x[k] = quotient(x[k], m[k][k]);
    }
    x
}

/// Adds an element between two lines, or a line and neutral, to an admittance matrix.
pub fn add_element(m: &mut M3, from: usize, to: Option<usize>, y: Complex) {
    m[from][from] += y;
    if let Some(to) = to {
        m[to][to] += y;
        m[from][to] = m[from][to] - y;
        m[to][from] = m[to][from] - y;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_solution_solves() {
        let mut y = [[Complex::ZERO; 3]; 3];
        add_element(&mut y, 0, Some(1), Complex::new(0.3, 2.0));
        add_element(&mut y, 1, Some(2), Complex::new(0.0, -1.0));
        add_element(&mut y, 2, None, Complex::new(5.0, 0.5));
        let z = Complex::new(0.2, 0.9);
        let b = [Complex::new(1.0, 2.0), Complex::new(-3.0, 0.1), Complex::new(0.0, 4.0)];
        let x = solve(z, &y, &b);
        let back = sum(&x, &product(&y, &x).map(|i| z * i));
        for (got, want) in back.iter().zip(&b) {
            assert!((*got - *want).abs() < 1e-12);
        }
    }
}
