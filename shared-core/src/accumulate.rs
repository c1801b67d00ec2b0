//! Sums over a stretch of frames with fractional ends, and fundamental phasors over it.
//!
//! Frame n stands for the cell from n to n + 1 (its instant is the middle).
//! A stretch starts and ends at fractional positions inside cells. The cell in
//! which it ends is split by a quadratic through its neighbours, with weights
//! that add to one over both sides: what one window leaves, the next one gets.

use crate::complex::Complex;
use crate::frame::{ACTIVE, Frame};
use crate::kernel::{BLOCK, BlockSums, PAIRS, REFERENCE_ONE, Reference, pair, sum_block};
use core::f64::consts::TAU;

/// A weight of one, and one frame of length, in the fixed-point scale of sums.
pub const WEIGHT_ONE: i64 = 1 << 16;

/// Longest stretch in frames whose exact sums cannot overflow.
pub const MAX_FRAMES: u32 = 1 << 16;

/// The three frames around a fractional cut: before, in, and after the cut cell.
pub type CutFrames = [Frame; 3];

/// Where in its cell a cut lies, as a fraction in units of 1/65536.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct CutFraction(u16);

impl CutFraction {
    /// Splits a position into the cell it lies in and the fraction inside.
    ///
    /// Positions are not negative; one too large for `u32` is limited.
    pub fn split(position: f64) -> (u32, CutFraction) {
        let cell = position as u32;
        let rest = position - f64::from(cell);
        (cell, CutFraction((rest * WEIGHT_ONE as f64) as u16))
    }

    /// The fraction as a number from 0 to below 1.
    pub fn value(self) -> f64 {
        f64::from(self.0) / WEIGHT_ONE as f64
    }

    /// The fraction in units of 1/65536.
    pub fn q16(self) -> i64 {
        i64::from(self.0)
    }

    /// Weight of the difference of the neighbours, from the integral of the
    /// parabola through three points: (f² − f)/4, between −1/16 and 0.
    fn neighbour_q16(self) -> i64 {
        let f = self.q16();
        (f * f - f * WEIGHT_ONE) >> 18
    }
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
    pub fn new(turns_per_frame: f64, start: CutFraction) -> Self {
        let step = Complex::unit(-TAU * turns_per_frame);
        let mut reference = Reference { cos: [0; BLOCK], neg_sin: [0; BLOCK] };
        let mut at = Complex::new(1.0, 0.0);
        for (cos, neg_sin) in reference.cos.iter_mut().zip(&mut reference.neg_sin) {
            *cos = scaled(at.re);
            *neg_sin = scaled(at.im);
            at = at * step;
        }
        let mut o = Oscillator {
            turns_per_frame,
            reference,
            block_step: at,
            block_phase: Complex::ZERO,
            start_fraction: start.value(),
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
    /// Frames in which the channel stood at an end of its range.
    pub clipped: [u32; ACTIVE],
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
    start: CutFraction,
    start_edge: Edge,
    frames: u32,
    sum: [i64; ACTIVE],
    product: [i64; PAIRS],
    phasor: [Complex; ACTIVE],
    clipped: [u32; ACTIVE],
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
    fn new(frames: &CutFrames, cut: CutFraction, oscillator: &Oscillator, n: f64) -> Edge {
        if cut.q16() == 0 {
            return Edge::NONE;
        }
        let (whole, side) = (cut.q16(), cut.neighbour_q16());
        // Products are below 2^46, weights below 2^16 and 2^13: the sum fits 63 bits.
        let blend = |before: i64, at: i64, after: i64| whole * at + side * (after - before);
        let [a, b, c] = frames.each_ref().map(|f| f.counts().map(i64::from));
        let turn = [-1.0, 0.0, 1.0].map(|k| oscillator.unit_at(n + k));
        let mut e = Edge::NONE;
        for i in 0..ACTIVE {
            e.sum[i] = blend(a[i], b[i], c[i]);
            for j in i..ACTIVE {
                e.product[pair(i, j)] = blend(a[i] * a[j], b[i] * b[j], c[i] * c[j]);
            }
            e.phasor[i] = (turn[1].scale((whole * b[i]) as f64)
                + turn[2].scale((side * c[i]) as f64)
                - turn[0].scale((side * a[i]) as f64))
            .scale(1.0 / WEIGHT_ONE as f64);
        }
        e
    }
}

impl Accumulator {
    /// Starts a stretch at a cut; its cell's frame is the first to be added.
    pub fn new(turns_per_frame: f64, start: CutFraction, around: &CutFrames) -> Self {
        let oscillator = Oscillator::new(turns_per_frame, start);
        Accumulator {
            start_edge: Edge::new(around, start, &oscillator, 0.0),
            oscillator,
            start,
            frames: 0,
            sum: [0; ACTIVE],
            product: [0; PAIRS],
            phasor: [Complex::ZERO; ACTIVE],
            clipped: [0; ACTIVE],
        }
    }

    /// Whole frames added so far.
    pub fn frames(&self) -> u32 {
        self.frames
    }

    /// Adds a block of up to [`BLOCK`] frames; only the last one may be shorter.
    #[inline]
    pub fn add_block(&mut self, frames: &[Frame]) {
        let s: BlockSums = sum_block(frames, &self.oscillator.reference);
        for i in 0..PAIRS {
            self.product[i] = self.product[i].wrapping_add(s.product[i]);
        }
        for i in 0..ACTIVE {
            self.sum[i] = self.sum[i].wrapping_add(s.sum[i]);
            self.clipped[i] = self.clipped[i].wrapping_add(s.clipped[i]);
            let inner = Complex::new(s.re[i] as f64, s.im[i] as f64);
            self.phasor[i] += inner * self.oscillator.block_phase;
        }
        self.oscillator.block_phase = self.oscillator.block_phase * self.oscillator.block_step;
        self.frames = self.frames.wrapping_add(frames.len() as u32);
    }

    /// Ends the stretch at a cut in the cell after the last whole frame.
    pub fn finish(&self, end: CutFraction, around: &CutFrames) -> Sums {
        let edge = Edge::new(around, end, &self.oscillator, f64::from(self.frames));
        let mut s = Sums {
            length_q16: i64::from(self.frames) * WEIGHT_ONE + end.q16() - self.start.q16(),
            sum_q16: [0; ACTIVE],
            product_q16: [0; PAIRS],
            phasor: [Complex::ZERO; ACTIVE],
            clipped: self.clipped,
        };
        for i in 0..ACTIVE {
            s.sum_q16[i] = self.sum[i] * WEIGHT_ONE + edge.sum[i] - self.start_edge.sum[i];
            let whole = self.phasor[i].scale(1.0 / REFERENCE_ONE);
            s.phasor[i] = whole + edge.phasor[i] - self.start_edge.phasor[i];
        }
        for i in 0..PAIRS {
            s.product_q16[i] = i128::from(self.product[i]) * i128::from(WEIGHT_ONE)
                + i128::from(edge.product[i])
                - i128::from(self.start_edge.product[i]);
        }
        s
    }
}

/// Sums over `length` frames from `start` in a slice; `None` when the slice is too short.
pub fn sum_stretch(
    frames: &[Frame],
    turns_per_frame: f64,
    start: f64,
    length: f64,
) -> Option<Sums> {
    let (first, from) = CutFraction::split(start);
    let (last, to) = CutFraction::split(start + length);
    let at = |n: u32| -> CutFrames {
        let get = |k: i64| {
            let last = frames.len() as i64 - 1;
            frames.get(k.clamp(0, last.max(0)) as usize).copied().unwrap_or_default()
        };
        [get(i64::from(n) - 1), get(i64::from(n)), get(i64::from(n) + 1)]
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
