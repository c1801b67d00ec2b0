//! Sums over a stretch of frames with fractional ends, and fundamental phasors over it.
//!
//! Frame n stands for the cell from n to n + 1 (its instant is the middle).
//! A stretch starts and ends at fractional positions inside cells. The frames
//! around a cut are shared between both sides by the integral of a cubic
//! B-spline: their weights add to one, so what one window leaves, the next one
//! gets, and products that alias around the sample rate are damped by sinc⁴.

use crate::complex::Complex;
use crate::frame::{ACTIVE, Frame};
use crate::kernel::{BLOCK, PAIRS, REFERENCE_ONE, Reference, Totals, add_block, pair};
use core::f64::consts::TAU;

/// A weight of one, and one frame of length, in the fixed-point scale of sums.
pub const WEIGHT_ONE: i64 = 1 << 16;

/// Longest stretch in frames whose exact sums cannot overflow.
pub const MAX_FRAMES: u32 = 1 << 16;

/// Frames that a cut can share: two before its cell, the one in it, two behind.
pub const CUT_FRAMES: usize = 5;

/// The frames around a cut, in order.
pub type CutFrames = [Frame; CUT_FRAMES];

/// Where a stretch is cut, and how the frames around it are shared.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Cut {
    /// Place inside its cell in units of 1/65536.
    fraction: u16,
    /// What the side before the cut gets of each frame, beyond the whole frames before its cell.
    weights: [i32; CUT_FRAMES],
}

impl Cut {
    /// No cut: of no frame anything belongs to either side.
    pub(crate) const NOWHERE: Cut = Cut { fraction: 0, weights: [0; CUT_FRAMES] };

    /// Splits a position into the cell it lies in and a cut that needs frames on both sides.
    ///
    /// Positions are not negative; one too large for `u32` is limited.
    pub fn smooth(position: f64) -> (u32, Cut) {
        let (cell, fraction) = split(position);
        let at = f64::from(fraction) / WEIGHT_ONE as f64;
        let mut weights = [0; CUT_FRAMES];
        for (k, w) in weights.iter_mut().enumerate() {
            // Distance from the middle of frame k's cell to the cut, shifted by the spline's half width.
            let share = spline_integral(at + 2.0 - k as f64 - 0.5 + 2.0);
            let whole = if k < 2 { 1.0 } else { 0.0 };
            *w = libm::rint((share - whole) * WEIGHT_ONE as f64) as i32;
        }
        (cell, Cut { fraction, weights })
    }

    /// The cut at the very start of a stream: there is no frame before it.
    ///
    /// A sum of cell middles misses a 24th of the slope at its ends (Euler and
    /// Maclaurin); the slope comes from a parabola through the first three frames.
    pub const fn first() -> Cut {
        const W: i32 = WEIGHT_ONE as i32;
        Cut { fraction: 0, weights: [0, 0, -2 * W / 24, 3 * W / 24, -W / 24] }
    }

    /// The cut at the very end of a stream: there is no frame behind its cell.
    ///
    /// At a fraction of zero the cell's own frame is not needed either.
    pub fn last(position: f64) -> (u32, Cut) {
        let (cell, fraction) = split(position);
        let one = WEIGHT_ONE as f64;
        if fraction == 0 {
            let w = WEIGHT_ONE as i32 / 24;
            return (cell, Cut { fraction, weights: [-w, w, 0, 0, 0] });
        }
        // Integral of the parabola through the last three frames, and its slope's 24th.
        let f = f64::from(fraction) / one;
        let t = f - 0.5;
        let a = (t * t - 0.25) / 2.0 + 1.0 / 24.0;
        let b = (t * t * t + 0.125) / 3.0 - 1.0 / 24.0;
        let outer = libm::rint((0.5 * a + 0.5 * b) * one) as i32;
        let inner = libm::rint((-2.0 * a - b) * one) as i32;
        // The third follows from the other two, so that the length stays exact.
        let own = i32::from(fraction) - outer - inner;
        (cell, Cut { fraction, weights: [outer, inner, own, 0, 0] })
    }

    /// The fraction as a number from 0 to below 1.
    pub fn fraction(self) -> f64 {
        f64::from(self.fraction) / WEIGHT_ONE as f64
    }

    /// What the side before the cut gets of the frames around it, beyond the whole frames before
    /// its cell, in units of 1/65536.
    pub(crate) fn weights(&self) -> &[i32; CUT_FRAMES] {
        &self.weights
    }

    /// What the side before gets in all, beyond whole frames, times 65536.
    fn length_q16(self) -> i64 {
        self.weights.iter().map(|&w| i64::from(w)).sum()
    }
}

/// A position's cell and its place there in units of 1/65536.
fn split(position: f64) -> (u32, u16) {
    let cell = position as u32;
    let rest = position - f64::from(cell);
    (cell, (rest * WEIGHT_ONE as f64) as u16)
}

/// Integral from 0 of the cubic B-spline on 0 to 4 (the sum of four uniform variables).
fn spline_integral(u: f64) -> f64 {
    if u <= 0.0 {
        return 0.0;
    }
    if u >= 4.0 {
        return 1.0;
    }
    let mut sum = 0.0;
    for (k, binomial) in [1.0, -4.0, 6.0, -4.0].into_iter().enumerate() {
        let x = u - k as f64;
        if x > 0.0 {
            sum += binomial * (x * x) * (x * x);
        }
    }
    sum / 24.0
}

/// A reference that turns once per cycle of the frequency to look at.
#[derive(Clone, Copy, Debug)]
pub struct Oscillator {
    turns_per_frame: f64,
    reference: Reference,
    block_step: Complex,
    block_phase: Complex,
    start_fraction: f64,
}

impl Oscillator {
    /// A reference with phase zero at the start of the stretch.
    pub fn new(turns_per_frame: f64, start: Cut) -> Self {
        let step = Complex::unit(-TAU * turns_per_frame);
        let (mut cosines, mut neg_sines) = ([0; BLOCK], [0; BLOCK]);
        let mut at = Complex::new(1.0, 0.0);
        for (cos, neg_sin) in cosines.iter_mut().zip(&mut neg_sines) {
            *cos = scaled(at.re);
            *neg_sin = scaled(at.im);
            at = at * step;
        }
        let mut o = Oscillator {
            turns_per_frame,
            reference: Reference::new(cosines, neg_sines),
            block_step: at,
            block_phase: Complex::ZERO,
            start_fraction: start.fraction(),
        };
        o.block_phase = o.unit_at(0.0);
        o
    }

    /// The reference (conjugate) at frame n counted from the cell of the start.
    fn unit_at(&self, n: f64) -> Complex {
        let turns = self.turns_per_frame * (n + 0.5 - self.start_fraction);
        Complex::unit(-TAU * (turns - libm::floor(turns)))
    }
}

/// Rounds a value of the unit circle to the reference's scale.
fn scaled(x: f64) -> i32 {
    // Adding 2.5 before the truncation keeps it positive, so it rounds like floor(x + ½).
    let lifted = (x + 2.0) * REFERENCE_ONE + 0.5;
    lifted as i32 - 2 * REFERENCE_ONE as i32
}

/// Sums over a stretch, in units of 1/65536 of count, count² and frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sums {
    /// Length of the stretch in frames, times 65536.
    pub length_q16: i64,
    /// Sum of counts of each channel, times 65536.
    pub sum_q16: [i64; ACTIVE],
    /// Sum of products of channel pairs, times 65536, at [`pair`]`(i, j)`.
    pub product_q16: [i128; PAIRS],
    /// Sum of count times the conjugate reference, in counts.
    pub phasor: [Complex; ACTIVE],
    /// Largest magnitude of each channel in the whole frames, in counts.
    pub peak: [i32; ACTIVE],
}

impl Sums {
    /// Length in frames.
    pub fn length(&self) -> f64 {
        self.length_q16 as f64 / WEIGHT_ONE as f64
    }

    /// RMS phasor of a channel in counts, relative to the reference.
    pub fn rms_phasor(&self, slot: usize) -> Complex {
        let sum = self.phasor.get(slot).copied().unwrap_or_default();
        sum.scale(core::f64::consts::SQRT_2 / self.length())
    }

    /// Mean of the product of two channels, each freed of an offset in counts.
    pub fn mean_product(&self, i: usize, j: usize, offset_i: i32, offset_j: i32) -> f64 {
        let (Some(&sum_i), Some(&sum_j)) = (self.sum_q16.get(i), self.sum_q16.get(j)) else {
            return 0.0;
        };
        let product = self.product_q16.get(pair(i, j)).copied().unwrap_or_default();
        let (oi, oj) = (i128::from(offset_i), i128::from(offset_j));
        let exact = product - oi * i128::from(sum_j) - oj * i128::from(sum_i)
            + oi * oj * i128::from(self.length_q16);
        exact as f64 / self.length_q16 as f64
    }

    /// Mean of a channel in counts.
    pub fn mean(&self, slot: usize) -> f64 {
        self.sum_q16.get(slot).copied().unwrap_or_default() as f64 / self.length_q16 as f64
    }
}

/// Adds up one stretch.
#[derive(Clone, Debug)]
pub struct Accumulator {
    oscillator: Oscillator,
    start: Cut,
    start_edge: Edge,
    frames: u32,
    totals: Totals,
    phasor: [Complex; ACTIVE],
}

/// What a cut adds beyond the whole frames before its cell.
#[derive(Clone, Copy, Debug)]
struct Edge {
    sum: [i64; ACTIVE],
    product: [i64; PAIRS],
    phasor: [Complex; ACTIVE],
}

impl Edge {
    const NONE: Edge =
        Edge { sum: [0; ACTIVE], product: [0; PAIRS], phasor: [Complex::ZERO; ACTIVE] };

    /// `n` is the frame number of the cut cell, counted from the cell of the start.
    fn new(frames: &CutFrames, cut: Cut, oscillator: &Oscillator, n: f64) -> Edge {
        let mut e = Edge::NONE;
        for (k, (frame, &weight)) in frames.iter().zip(&cut.weights).enumerate() {
            if weight == 0 {
                continue;
            }
            // Weights of a cut add up to below 2^17, products are below 2^46: 63 bits hold.
            let x = frame.counts().map(i64::from);
            let turn =
                oscillator.unit_at(n + k as f64 - 2.0).scale(f64::from(weight) / WEIGHT_ONE as f64);
            let weight = i64::from(weight);
            for i in 0..ACTIVE {
                e.sum[i] += weight * x[i];
                for j in i..ACTIVE {
                    e.product[pair(i, j)] += weight * (x[i] * x[j]);
                }
                e.phasor[i] += turn.scale(x[i] as f64);
            }
        }
        e
    }
}

impl Accumulator {
    /// An accumulator that nothing is added to; for memory that [`Accumulator::new`] fills later.
    pub const fn idle() -> Self {
        Accumulator {
            oscillator: Oscillator {
                turns_per_frame: 0.0,
                reference: Reference::ZERO,
                block_step: Complex::ZERO,
                block_phase: Complex::ZERO,
                start_fraction: 0.0,
            },
            start: Cut::NOWHERE,
            start_edge: Edge::NONE,
            frames: 0,
            totals: Totals { sum: [0; ACTIVE], product: [0; PAIRS], peak: [0; ACTIVE] },
            phasor: [Complex::ZERO; ACTIVE],
        }
    }

    /// Starts a stretch at a cut; its cell's frame is the first to be added.
    pub fn new(turns_per_frame: f64, start: Cut, around: &CutFrames) -> Self {
        let oscillator = Oscillator::new(turns_per_frame, start);
        Accumulator {
            start_edge: Edge::new(around, start, &oscillator, 0.0),
            oscillator,
            start,
            frames: 0,
            totals: Totals::default(),
            phasor: [Complex::ZERO; ACTIVE],
        }
    }

    /// Whole frames added so far.
    pub fn frames(&self) -> u32 {
        self.frames
    }

    /// Adds a block of up to [`BLOCK`] frames; only the last one may be shorter.
    #[inline]
    pub fn add_block(&mut self, frames: &[Frame]) {
        let turned = add_block(frames, &self.oscillator.reference, &mut self.totals);
        for (sum, inner) in self.phasor.iter_mut().zip(turned) {
            *sum += inner * self.oscillator.block_phase;
        }
        self.oscillator.block_phase = self.oscillator.block_phase * self.oscillator.block_step;
        self.frames = self.frames.wrapping_add(frames.len() as u32);
    }

    /// Ends the stretch at a cut in the cell after the last whole frame.
    pub fn finish(&self, end: Cut, around: &CutFrames) -> Sums {
        let edge = Edge::new(around, end, &self.oscillator, f64::from(self.frames));
        let mut s = Sums {
            length_q16: i64::from(self.frames) * WEIGHT_ONE + end.length_q16()
                - self.start.length_q16(),
            sum_q16: [0; ACTIVE],
            product_q16: [0; PAIRS],
            phasor: [Complex::ZERO; ACTIVE],
            peak: self.totals.peak,
        };
        for i in 0..ACTIVE {
            s.sum_q16[i] = self.totals.sum[i] * WEIGHT_ONE + edge.sum[i] - self.start_edge.sum[i];
            let whole = self.phasor[i].scale(1.0 / REFERENCE_ONE);
            s.phasor[i] = whole + edge.phasor[i] - self.start_edge.phasor[i];
        }
        for i in 0..PAIRS {
            s.product_q16[i] = i128::from(self.totals.product[i]) * i128::from(WEIGHT_ONE)
                + i128::from(edge.product[i])
                - i128::from(self.start_edge.product[i]);
        }
        s
    }
}

/// Sums over `length` frames from `start` in a slice; a start below 2 counts as 0.
///
/// `None` when the slice is too short for exact sums or the stretch is empty.
pub fn sum_stretch(
    frames: &[Frame],
    turns_per_frame: f64,
    start: f64,
    length: f64,
) -> Option<Sums> {
    let (first, from) = if start < 2.0 { (0, Cut::first()) } else { Cut::smooth(start) };
    let end = (start + length).min(frames.len() as f64);
    let (last, to) = match Cut::smooth(end) {
        (cell, cut) if (cell as usize).saturating_add(2) < frames.len() => (cell, cut),
        _ => Cut::last(end),
    };
    let at = |n: u32| -> CutFrames {
        let last = frames.len().saturating_sub(1);
        let get = |k: usize| {
            frames.get((n as usize + k).saturating_sub(2).min(last)).copied().unwrap_or_default()
        };
        [get(0), get(1), get(2), get(3), get(4)]
    };
    let inside = frames.get(first as usize..last as usize)?;
    if inside.len() as u64 > u64::from(MAX_FRAMES) {
        return None;
    }
    let mut acc = Accumulator::new(turns_per_frame, from, &at(first));
    for block in inside.chunks(BLOCK) {
        acc.add_block(block);
    }
    Some(acc.finish(to, &at(last)))
}
