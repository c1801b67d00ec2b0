//! Spreads frames over one cycle of the fundamental, so that a short Fourier transform sees whole
//! cycles whatever the frequency. Which windows there are, and what follows, is others' business.
//!
//! Each frame goes to the five nearest of 256 cells of the cycle, weighted with a Kaiser–Bessel
//! bell (a non-uniform Fourier transform of the first type; J. A. Fessler and B. P. Sutton, IEEE
//! Transactions on Signal Processing 51, 2003, describe the method). The bell's own transform is
//! known and divided out afterwards. Weights and sums are integers: the same on every processor.

use crate::accumulate::{Cut, CutFrames};
use crate::frame::{CHANNELS, Frame};
use core::f64::consts::PI;

/// Cells of one cycle.
pub const CELLS: usize = 256;

/// Channels that are spread: the six of the wirings, and a neutral's current.
pub const SPREAD: usize = 7;

/// Cells that a frame reaches.
const TAPS: usize = 5;

/// A weight of one: sums of 65,536 frames stay below 2^53 and are exact as doubles too.
const WEIGHT_BITS: u32 = 18;

/// The scale of the cells' sums.
pub const WEIGHT_ONE: f64 = (1u32 << WEIGHT_BITS) as f64;

/// Rows of weights along a cell; between them they are interpolated.
const ROWS: usize = 128;

/// Bits of the phase's upper word that lie below cell and row.
const REST_BITS: u32 = 32 - 8 - 7;

/// Sharpness of the bell, for the orders up to 50 of 256 (formula of P. J. Beatty and others,
/// IEEE Transactions on Medical Imaging 24, 2005).
const BETA_SQ: f64 = PI * PI * (25.0 * (2.06 * 2.06) / (2.56 * 2.56) - 0.8);

/// Room of a row: vector registers load eight at once.
const ROW: usize = if cfg!(feature = "wide") { 8 } else { TAPS };

/// Weights at the start of a stretch of the cell, and what they grow by along it.
#[derive(Clone, Copy)]
#[cfg_attr(feature = "wide", repr(align(64)))]
struct Row {
    base: [i32; ROW],
    slope: [i32; ROW],
}

static KERNEL: [Row; ROWS] = kernel();

/// Modified Bessel function of the first kind and order zero, of the square of its argument.
const fn bessel_i0(z_sq: f64) -> f64 {
    let (mut sum, mut term, mut k) = (1.0, 1.0, 1.0);
    while k < 60.0 {
        term *= z_sq / (4.0 * k * k);
        sum += term;
        k += 1.0;
    }
    sum
}

/// The bell at a distance in cells.
const fn bell(x: f64) -> f64 {
    let half = TAPS as f64 / 2.0;
    bessel_i0(BETA_SQ * (1.0 - (x / half) * (x / half))) / bessel_i0(BETA_SQ)
}

/// The bell's Fourier transform at an order: sinh(s)/s with s² = β² − (π·5·order/256)².
pub(crate) const fn bell_transform(order: f64) -> f64 {
    let u = PI * TAPS as f64 * order / CELLS as f64;
    let s_sq = BETA_SQ - u * u;
    let (mut sum, mut term, mut k) = (1.0, 1.0, 1.0);
    while k < 60.0 {
        term *= s_sq / (2.0 * k * (2.0 * k + 1.0));
        sum += term;
        k += 1.0;
    }
    sum * TAPS as f64 / bessel_i0(BETA_SQ)
}

const fn kernel() -> [Row; ROWS] {
    let mut rows = [Row { base: [0; ROW], slope: [0; ROW] }; ROWS];
    let mut r = 0;
    while r < ROWS {
        let mut t = 0;
        while t < TAPS {
            let from = scaled(r, t);
            rows[r].base[t] = from;
            rows[r].slope[t] = scaled(r + 1, t) - from;
            t += 1;
        }
        r += 1;
    }
    rows
}

/// Weight of tap `t` for a frame at row `r` of its cell; the cells' middles are their places.
const fn scaled(r: usize, t: usize) -> i32 {
    let x = t as f64 - 1.5 - r as f64 / ROWS as f64;
    (bell(x) * WEIGHT_ONE + 0.5) as i32
}

/// The cell of a phase, and the weights of the cells from two before to two behind it.
#[inline(always)]
fn place(phase: u64) -> (usize, [i32; ROW]) {
    let upper = (phase >> 32) as u32;
    let row = &KERNEL[(upper >> REST_BITS) as usize % ROWS];
    let rest = (upper & ((1 << REST_BITS) - 1)) as i32;
    let mut weights = [0; ROW];
    for ((weight, base), slope) in weights.iter_mut().zip(&row.base).zip(&row.slope) {
        // At most 2^12 times 2^17.
        *weight = base + ((slope * rest) >> REST_BITS);
    }
    ((upper >> 24) as usize, weights)
}

/// Turns as a phase of 64 bits, whole turns dropped.
fn phase_of(turns: f64) -> u64 {
    let part = turns - libm::floor(turns);
    // 2^63 twice, since 2^64 itself is no u64; the lowest bits do not matter.
    ((part * 9_223_372_036_854_775_808.0) as u64).wrapping_shl(1)
}

/// A sum of a cell: an exact integer either way, in the form that the processor is fast with.
#[cfg(feature = "wide")]
pub(crate) type Sum = f64;
/// A sum of a cell: an exact integer either way, in the form that the processor is fast with.
#[cfg(not(feature = "wide"))]
pub(crate) type Sum = i64;

/// Sums side by side for the channels: all eight slots where registers are wide.
const LANES: usize = if cfg!(feature = "wide") { CHANNELS } else { SPREAD };

/// The cells, with room before and behind for frames near the ends of the cycle.
#[derive(Clone, Debug)]
#[cfg_attr(feature = "wide", repr(align(64)))]
struct Cells([[Sum; LANES]; CELLS + TAPS - 1]);

impl Cells {
    const NONE: Cells = Cells([[0 as Sum; LANES]; CELLS + TAPS - 1]);
}

/// How the reference turns over a window.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Turning {
    /// Mean turns a frame over the window.
    pub turns_per_frame: f64,
    /// By how much the turns a frame grow each frame.
    pub growth: f64,
    /// Length of the window in frames.
    pub frames: f64,
}

impl Turning {
    /// Turns made `at` frames after the start of the window: whole at its end.
    fn turns_at(&self, at: f64) -> f64 {
        at * self.turns_per_frame + 0.5 * self.growth * at * (at - self.frames)
    }
}

/// Sums of a window spread over one cycle.
#[derive(Clone, Debug)]
pub struct Spreader {
    cells: Cells,
    turning: Turning,
    start_fraction: f64,
    phases: Phases,
}

/// Phases of frames one after the other, 2^64 a turn.
#[derive(Clone, Copy, Debug)]
struct Phases {
    next: u64,
    step: u64,
    step_growth: u64,
}

impl Phases {
    /// The phase of the next frame; moves on to the one after.
    #[inline(always)]
    fn take(&mut self) -> u64 {
        let phase = self.next;
        self.next = phase.wrapping_add(self.step);
        self.step = self.step.wrapping_add(self.step_growth);
        phase
    }
}

impl Spreader {
    /// Nothing spread yet.
    pub const fn new() -> Self {
        Spreader {
            cells: Cells::NONE,
            turning: Turning { turns_per_frame: 0.0, growth: 0.0, frames: 0.0 },
            start_fraction: 0.0,
            phases: Phases { next: 0, step: 0, step_growth: 0 },
        }
    }

    /// Starts a window at a cut; its cell's frame is the first to be added.
    pub fn begin(&mut self, turning: Turning, start: Cut, around: &CutFrames) {
        self.cells = Cells::NONE;
        self.turning = turning;
        self.start_fraction = start.fraction();
        let Turning { turns_per_frame, growth, frames } = turning;
        // From the middle of the first frame to that of the second.
        let half = 1.0 - self.start_fraction - frames / 2.0;
        self.phases = Phases {
            next: phase_of(self.turns_of_frame(0.0)),
            step: phase_of(turns_per_frame + growth * half),
            step_growth: phase_of(growth),
        };
        self.add_edge(start, around, 0.0, -1);
    }

    /// Turns of the reference at frame `n`, counted from the cell of the start.
    fn turns_of_frame(&self, n: f64) -> f64 {
        self.turning.turns_at(n + 0.5 - self.start_fraction)
    }

    /// Adds whole frames, in order.
    #[inline]
    pub fn add(&mut self, frames: &[Frame]) {
        #[cfg(feature = "wide")]
        wide::add(self, frames);
        #[cfg(not(feature = "wide"))]
        self.add_plain(frames);
    }

    /// The way without vector registers.
    #[inline]
    fn add_plain(&mut self, frames: &[Frame]) {
        let mut phases = self.phases;
        for frame in frames {
            let (first, weights) = place(phases.take());
            add_at(&mut self.cells, first, frame, &weights);
        }
        self.phases = phases;
    }

    /// Adds or takes away what a cut gives of the frames around it.
    fn add_edge(&mut self, cut: Cut, around: &CutFrames, n: f64, sign: i64) {
        for (k, (frame, &share)) in around.iter().zip(cut.weights()).enumerate() {
            let turns = self.turns_of_frame(n + k as f64 - 2.0);
            let (first, weights) = place(phase_of(turns));
            let share = i64::from(share) * sign;
            // A whole share is 2^16; halves are rounded up.
            let weights = weights.map(|w| ((i64::from(w) * share + (1 << 15)) >> 16) as i32);
            add_at(&mut self.cells, first, frame, &weights);
        }
    }

    /// Ends the window at a cut, `frames` after the cell of the start.
    pub fn finish(&mut self, end: Cut, around: &CutFrames, frames: u32) {
        self.add_edge(end, around, f64::from(frames), 1);
        // What went beyond the ends of the cycle belongs to the other end.
        const REACH: usize = TAPS / 2;
        for k in 0..REACH {
            let (before, behind) = (self.cells.0[k], self.cells.0[CELLS + REACH + k]);
            for c in 0..LANES {
                self.cells.0[CELLS + k][c] += before[c];
                self.cells.0[REACH + k][c] += behind[c];
            }
        }
    }

    /// The sums of the cells in order, one row a cell; whole after [`Spreader::finish`].
    pub(crate) fn cells(&self) -> &[[Sum; LANES]] {
        self.cells.0.get(TAPS / 2..TAPS / 2 + CELLS).unwrap_or_default()
    }
}

impl Default for Spreader {
    fn default() -> Self {
        Self::new()
    }
}

#[inline(always)]
fn add_at(cells: &mut Cells, first: usize, frame: &Frame, weights: &[i32; ROW]) {
    let Some(reached) = cells.0.get_mut(first..).and_then(|c| c.first_chunk_mut::<TAPS>()) else {
        return;
    };
    for (cell, weight) in reached.iter_mut().zip(weights) {
        for (sum, count) in cell.iter_mut().zip(frame.counts()) {
            *sum += Sum::from(*count) * Sum::from(*weight);
        }
    }
}

/// The way of a processor with wide vector registers, chosen at run time.
#[cfg(feature = "wide")]
#[allow(clippy::needless_range_loop, reason = "indices name rows and columns of one table")]
mod wide {
    use super::*;
    use crate::kernel::wide::ARCH;
    use pulp::{Arch, Simd, WithSimd};

    pub(super) fn add(spreader: &mut Spreader, frames: &[Frame]) {
        if matches!(*ARCH, Arch::Scalar) {
            return spreader.add_plain(frames);
        }
        ARCH.dispatch(Work { spreader, frames });
    }

    struct Work<'a> {
        spreader: &'a mut Spreader,
        frames: &'a [Frame],
    }

    /// Frames worked out at a time.
    const PIECE: usize = 16;

    /// Weights of a few frames, as doubles: a row is a line of the processor's cache.
    #[repr(align(64))]
    struct Piece {
        weights: [[f64; ROW]; PIECE],
        first: [u8; PIECE],
    }

    impl WithSimd for Work<'_> {
        type Output = ();

        #[inline(always)]
        fn with_simd<S: Simd>(self, simd: S) {
            let mut piece = Piece { weights: [[0.0; ROW]; PIECE], first: [0; PIECE] };
            let mut phases = self.spreader.phases;
            for frames in self.frames.chunks(PIECE) {
                for n in 0..frames.len() {
                    let (first, weights) = place(phases.take());
                    piece.first[n] = first as u8;
                    // By way of an array of its own: that becomes a vector operation.
                    let mut doubles = [0.0; ROW];
                    for k in 0..ROW {
                        doubles[k] = f64::from(weights[k]);
                    }
                    piece.weights[n] = doubles;
                }
                // Read back from memory: one number spreads over all lanes in the load itself.
                let piece = core::hint::black_box(&piece);
                let cells = &mut self.spreader.cells;
                for part in 0..LANES / S::F64_LANES {
                    add_part(simd, cells, piece, frames, part);
                }
            }
            self.spreader.phases = phases;
        }
    }

    /// Adds one part of the lanes. The sums of the cells at hand stay in registers and go to
    /// memory when the phase has left them behind: neighbouring frames reach the same cells.
    #[inline(always)]
    fn add_part<S: Simd>(simd: S, cells: &mut Cells, piece: &Piece, frames: &[Frame], part: usize) {
        let zero = simd.splat_f64s(0.0);
        let mut sums = [zero; TAPS];
        let mut first = piece.first[0];
        for (n, frame) in frames.iter().enumerate().take(PIECE) {
            let next = piece.first[n];
            // One branch for the usual cases: at 8000 frames a second a cell or two.
            match next.wrapping_sub(first) {
                0 => {}
                1 => {
                    put(simd, cells, first, &[sums[0]], part);
                    sums = [sums[1], sums[2], sums[3], sums[4], zero];
                }
                2 => {
                    put(simd, cells, first, &[sums[0], sums[1]], part);
                    sums = [sums[2], sums[3], sums[4], zero, zero];
                }
                _ => {
                    put(simd, cells, first, &sums, part);
                    sums = [zero; TAPS];
                }
            }
            first = next;
            let mut counts = [0.0; LANES];
            for k in 0..LANES {
                counts[k] = f64::from(frame.counts()[k]);
            }
            let x = S::as_simd_f64s(&counts).0[part];
            for k in 0..TAPS {
                sums[k] = simd.mul_add_f64s(simd.splat_f64s(piece.weights[n][k]), x, sums[k]);
            }
        }
        put(simd, cells, first, &sums, part);
    }

    /// Adds sums to cells in memory.
    #[inline(always)]
    fn put<S: Simd, const N: usize>(
        simd: S,
        cells: &mut Cells,
        first: u8,
        sums: &[S::f64s; N],
        part: usize,
    ) {
        if let Some(cells) =
            cells.0.get_mut(usize::from(first)..).and_then(|c| c.first_chunk_mut::<N>())
        {
            for k in 0..N {
                let cell = &mut S::as_mut_simd_f64s(&mut cells[k]).0[part];
                *cell = simd.add_f64s(*cell, sums[k]);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::accumulate::CUT_FRAMES;
    use proptest::prelude::*;

    proptest! {
        /// Registers and memory, vectors and single numbers give the same sums.
        #[test]
        fn all_ways_are_equal(
            frames in prop::collection::vec(prop::array::uniform8(-0x80_0000i32..=0x7F_FFFF), 1..200),
            turns_per_frame in 1e-4f64..0.4,
            growth in -1e-6f64..1e-6,
            start in 0f64..1.0,
        ) {
            let frames: Vec<Frame> = frames.into_iter().map(Frame::new).collect();
            let turning = Turning { turns_per_frame, growth, frames: 1600.0 };
            let (_, cut) = Cut::smooth(start);
            let around = [frames[0]; CUT_FRAMES];
            let run = |way: &dyn Fn(&mut Spreader, &[Frame])| {
                let mut s = Spreader::new();
                s.begin(turning, cut, &around);
                frames.chunks(64).for_each(|block| way(&mut s, block));
                s.finish(cut, &around, frames.len() as u32);
                s.cells().to_vec()
            };
            let plain = run(&Spreader::add_plain);
            prop_assert_eq!(run(&Spreader::add), plain);
        }
    }

    /// Weights of neighbouring cells add up to nearly the same wherever a frame lies, which the
    /// bell's transform at zero says.
    #[test]
    fn weights_add_up_to_the_bell() {
        let whole = bell_transform(0.0) * WEIGHT_ONE;
        for k in 0..1000u64 {
            let (_, weights) = place((k << 46) + 12_345);
            let sum: i32 = weights.iter().take(TAPS).sum();
            assert!((f64::from(sum) / whole - 1.0).abs() < 1e-4, "{k}: {sum} {whole}");
        }
    }
}
