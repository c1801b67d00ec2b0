//! Fourier transform of 256 real numbers in `f32`, for any number of channels side by side.
//!
//! Only sums, differences and products, each correctly rounded, in a fixed order: the result is
//! the same on every processor. Errors stay near 10⁻⁷ of the largest component.

use crate::spread::CELLS;
use core::f64::consts::TAU;

/// Length of the complex transform that does the work.
const HALF: usize = CELLS / 2;

/// Cosine and sine by their series, for constants: full precision up to an angle of 1.
pub(crate) const fn cos_sin(x: f64) -> (f64, f64) {
    let (mut cos, mut sin, mut term, mut k) = (0.0, 0.0, 1.0, 0);
    while k < 24 {
        match k % 4 {
            0 => cos += term,
            1 => sin += term,
            2 => cos -= term,
            _ => sin -= term,
        }
        k += 1;
        term *= x / k as f64;
    }
    (cos, sin)
}

/// Cosine and minus sine of parts of a turn.
const fn unit(part: usize, of: usize) -> (f32, f32) {
    // The nearest quarter turn leaves an angle of at most an eighth for the series.
    let quarter = (4 * part + of / 2) / of;
    let x = TAU * (part as f64 / of as f64 - quarter as f64 / 4.0);
    let (cos, sin) = cos_sin(x);
    let (c, s) = match quarter % 4 {
        0 => (cos, sin),
        1 => (-sin, cos),
        2 => (-cos, -sin),
        _ => (sin, -cos),
    };
    (c as f32, -s as f32)
}

const fn units<const N: usize>(of: usize) -> [(f32, f32); N] {
    let mut table = [(0.0, 0.0); N];
    let mut k = 0;
    while k < N {
        table[k] = unit(k, of);
        k += 1;
    }
    table
}

/// Turns of the stages: k parts of 128.
static STAGE: [(f32, f32); HALF / 2] = units(HALF);

/// Turns that put the halves together: k parts of 256.
static JOIN: [(f32, f32); HALF / 2] = units(CELLS);

/// A number for each channel.
pub(crate) type Lanes<const L: usize> = [f32; L];

/// Where the number of a cell goes: even ones are real parts, odd ones imaginary, places bit-reversed.
const fn reversed(n: usize) -> usize {
    (n.reverse_bits() >> (usize::BITS - 7)) % HALF
}

/// 256 real numbers a channel, laid out for the transform.
#[derive(Clone, Debug)]
pub(crate) struct Signal<const L: usize> {
    re: [Lanes<L>; HALF],
    im: [Lanes<L>; HALF],
}

impl<const L: usize> Signal<L> {
    /// Takes the numbers in order.
    #[inline(always)]
    pub(crate) fn fill(mut number: impl FnMut(usize) -> Lanes<L>) -> Self {
        let mut s = Signal { re: [[0.0; L]; HALF], im: [[0.0; L]; HALF] };
        for n in 0..HALF {
            let at = reversed(n);
            s.re[at] = number(2 * n);
            s.im[at] = number(2 * n + 1);
        }
        s
    }

    /// Transforms in place; [`Signal::order`] reads the result.
    #[inline(always)]
    pub(crate) fn transform(&mut self) {
        self.first_two_stages();
        let mut span = 4;
        while span < HALF {
            let stride = HALF / (2 * span);
            let mut group = 0;
            while group < HALF {
                for k in 0..span {
                    let turn = STAGE[(k * stride) % (HALF / 2)];
                    self.butterfly(group + k, group + k + span, turn);
                }
                group += 2 * span;
            }
            span *= 2;
        }
    }

    /// Groups of four, whose turns are quarters.
    #[inline(always)]
    fn first_two_stages(&mut self) {
        let (re, _) = self.re.as_chunks_mut::<4>();
        let (im, _) = self.im.as_chunks_mut::<4>();
        for (re, im) in re.iter_mut().zip(im) {
            for c in 0..L {
                let [ar, br, cr, dr] = [re[0][c], re[1][c], re[2][c], re[3][c]];
                let [ai, bi, ci, di] = [im[0][c], im[1][c], im[2][c], im[3][c]];
                let (sr, si, tr, ti) = (ar + br, ai + bi, ar - br, ai - bi);
                let (ur, ui, vr, vi) = (cr + dr, ci + di, cr - dr, ci - di);
                [re[0][c], re[1][c], re[2][c], re[3][c]] = [sr + ur, tr + vi, sr - ur, tr - vi];
                [im[0][c], im[1][c], im[2][c], im[3][c]] = [si + ui, ti - vr, si - ui, ti + vr];
            }
        }
    }

    #[inline(always)]
    fn butterfly(&mut self, a: usize, b: usize, (cos, neg_sin): (f32, f32)) {
        let (a, b) = (a % HALF, b % HALF);
        let (ar, ai, br, bi) = (self.re[a], self.im[a], self.re[b], self.im[b]);
        for c in 0..L {
            let tr = br[c] * cos - bi[c] * neg_sin;
            let ti = br[c] * neg_sin + bi[c] * cos;
            self.re[a][c] = ar[c] + tr;
            self.im[a][c] = ai[c] + ti;
            self.re[b][c] = ar[c] - tr;
            self.im[b][c] = ai[c] - ti;
        }
    }

    /// Twice the sum of the numbers times e^(−i·2π·order·n/256), for orders 0 to 63.
    #[inline(always)]
    pub(crate) fn order(&self, order: usize) -> (Lanes<L>, Lanes<L>) {
        let (a, b) = (order % HALF, (HALF - order) % HALF);
        let (cos, neg_sin) = JOIN[order % (HALF / 2)];
        let (mut re, mut im) = ([0.0; L], [0.0; L]);
        for c in 0..L {
            let (ar, ai, br, bi) = (self.re[a][c], self.im[a][c], self.re[b][c], self.im[b][c]);
            // The even numbers' part, and the odd ones' times i.
            let (er, ei) = (ar + br, ai - bi);
            let (or, oi) = (ai + bi, br - ar);
            re[c] = er + (or * cos - oi * neg_sin);
            im[c] = ei + (or * neg_sin + oi * cos);
        }
        (re, im)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against the definition, in doubles.
    #[test]
    fn agrees_with_the_definition() {
        let x: Vec<[f32; 3]> = (0..CELLS)
            .map(|n| {
                [n * n % 97, (n * 31) % 11 + n / 9, usize::from(n == 5)].map(|x| x as f32 - 20.0)
            })
            .collect();
        let mut s = Signal::fill(|n| x[n]);
        s.transform();
        for order in 0..64 {
            let (re, im) = s.order(order);
            for c in 0..3 {
                let (mut want_re, mut want_im, mut size) = (0.0, 0.0, 0.0);
                for (n, x) in x.iter().enumerate() {
                    let angle = -TAU * ((order * n) % CELLS) as f64 / CELLS as f64;
                    want_re += f64::from(x[c]) * libm::cos(angle);
                    want_im += f64::from(x[c]) * libm::sin(angle);
                    size += f64::from(x[c].abs());
                }
                let near = |got: f32, want: f64| (f64::from(got) / 2.0 - want).abs() < 3e-7 * size;
                assert!(near(re[c], want_re) && near(im[c], want_im), "{order} {c}");
            }
        }
    }
}
