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
#[cfg_attr(feature = "wide", repr(align(64)))]
pub(crate) struct Signal<const L: usize> {
    re: [Lanes<L>; HALF],
    im: [Lanes<L>; HALF],
}

impl<const L: usize> Signal<L> {
    /// Takes the numbers; does the first two stages on the way, whose turns are quarters.
    #[inline(always)]
    pub(crate) fn fill(mut number: impl FnMut(usize) -> Lanes<L>) -> Self {
        let mut s = Signal { re: [[0.0; L]; HALF], im: [[0.0; L]; HALF] };
        let (re, _) = s.re.as_chunks_mut::<4>();
        let (im, _) = s.im.as_chunks_mut::<4>();
        for (group, (re, im)) in re.iter_mut().zip(im).enumerate() {
            let mut pair = |k: usize| {
                let n = reversed(4 * group + k);
                (number(2 * n), number(2 * n + 1))
            };
            let [(ar, ai), (br, bi), (cr, ci), (dr, di)] = [pair(0), pair(1), pair(2), pair(3)];
            let (sr, si, tr, ti) = (sum(ar, br), sum(ai, bi), less(ar, br), less(ai, bi));
            let (ur, ui, vr, vi) = (sum(cr, dr), sum(ci, di), less(cr, dr), less(ci, di));
            *re = [sum(sr, ur), sum(tr, vi), less(sr, ur), less(tr, vi)];
            *im = [sum(si, ui), less(ti, vr), less(si, ui), sum(ti, vr)];
        }
        s
    }

    /// Transforms in place; [`Signal::order`] reads the result.
    #[inline(always)]
    pub(crate) fn transform(&mut self) {
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

    #[inline(always)]
    fn butterfly(&mut self, a: usize, b: usize, (cos, neg_sin): (f32, f32)) {
        let (a, b) = (a % HALF, b % HALF);
        let (ar, ai, br, bi) = (self.re[a], self.im[a], self.re[b], self.im[b]);
        let tr = less(times(br, cos), times(bi, neg_sin));
        let ti = sum(times(br, neg_sin), times(bi, cos));
        (self.re[a], self.im[a]) = (sum(ar, tr), sum(ai, ti));
        (self.re[b], self.im[b]) = (less(ar, tr), less(ai, ti));
    }

    /// Twice the sum of the numbers times e^(−i·2π·order·n/256), for orders 0 to 63.
    #[inline(always)]
    pub(crate) fn order(&self, order: usize) -> (Lanes<L>, Lanes<L>) {
        let (a, b) = (order % HALF, (HALF - order) % HALF);
        let (cos, neg_sin) = JOIN[order % (HALF / 2)];
        let (ar, ai, br, bi) = (self.re[a], self.im[a], self.re[b], self.im[b]);
        // The even numbers' part, and the odd ones' times i.
        let (er, ei) = (sum(ar, br), less(ai, bi));
        let (or, oi) = (sum(ai, bi), less(br, ar));
        let re = sum(er, less(times(or, cos), times(oi, neg_sin)));
        let im = sum(ei, sum(times(or, neg_sin), times(oi, cos)));
        (re, im)
    }
}

// Whole lanes at a time, so that each is one vector operation where there are such.

#[inline(always)]
pub(crate) fn sum<const L: usize>(mut a: Lanes<L>, b: Lanes<L>) -> Lanes<L> {
    a.iter_mut().zip(b).for_each(|(a, b)| *a += b);
    a
}

#[inline(always)]
pub(crate) fn less<const L: usize>(mut a: Lanes<L>, b: Lanes<L>) -> Lanes<L> {
    a.iter_mut().zip(b).for_each(|(a, b)| *a -= b);
    a
}

#[inline(always)]
pub(crate) fn times<const L: usize>(mut a: Lanes<L>, k: f32) -> Lanes<L> {
    a.iter_mut().for_each(|a| *a *= k);
    a
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
