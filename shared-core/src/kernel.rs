//! Exact sums over short blocks of frames: the inner loop of everything.
//!
//! A block is at most [`BLOCK`] frames. Its sums are integers: products of two
//! 24-bit counts stay below 2^47 and of a count and a reference value below
//! 2^46, so 32 of them stay below 2^52 and are exact in an `i64` as well as in
//! an `f64`. A processor with a fast `f64` unit uses that, a microcontroller
//! its 32×32→64-bit multiply; both give the same numbers, bit for bit.

use crate::frame::{ACTIVE, CLIP_MARGIN, COUNT_MAX, Frame};

/// Frames in a full block.
pub const BLOCK: usize = 32;

/// Number of distinct products of two of the active channels, squares included.
pub const PAIRS: usize = ACTIVE * (ACTIVE + 1) / 2;

/// Scale of the reference oscillator's values: 1.0 is 2^22.
pub const REFERENCE_ONE: f64 = 4_194_304.0;

/// Cosine and sine of the reference over one block, scaled by [`REFERENCE_ONE`].
#[derive(Clone, Copy, Debug)]
pub struct Reference {
    /// Cosine at frame b of the block.
    pub cos: [i32; BLOCK],
    /// Minus the sine at frame b of the block.
    pub neg_sin: [i32; BLOCK],
}

/// Sums over one block.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BlockSums {
    /// Sum of counts of each channel.
    pub sum: [i64; ACTIVE],
    /// Sum of products of channel pairs, at [`pair`]`(i, j)`.
    pub product: [i64; PAIRS],
    /// Sum of count times reference cosine.
    pub re: [i64; ACTIVE],
    /// Sum of count times minus reference sine.
    pub im: [i64; ACTIVE],
    /// Frames in which the channel stood at either end of its range.
    pub clipped: [u32; ACTIVE],
}

/// Index of the product of channels `i` and `j`, in either order.
#[inline]
pub const fn pair(i: usize, j: usize) -> usize {
    let (lo, hi) = if i < j { (i, j) } else { (j, i) };
    // Rows of the upper triangle: row lo starts after rows 0..lo.
    lo * ACTIVE - lo * (lo + 1) / 2 + hi
}

/// Whether a count stands at an end of the converter's range.
#[inline]
const fn is_clipped(count: i32) -> bool {
    // For a negative count the exclusive or gives −count − 1, so both ends compare alike.
    (count ^ (count >> 31)) > COUNT_MAX - CLIP_MARGIN
}

/// Sums a block; frames beyond [`BLOCK`] are ignored.
#[inline]
pub fn sum_block(frames: &[Frame], reference: &Reference) -> BlockSums {
    if cfg!(any(target_arch = "x86_64", target_arch = "aarch64")) {
        float::sum_block(frames, reference)
    } else {
        integer::sum_block(frames, reference)
    }
}

/// The way of a processor with a 32×32→64-bit multiply and add.
pub mod integer {
    use super::*;

    /// Sums a block in integers.
    pub fn sum_block(frames: &[Frame], reference: &Reference) -> BlockSums {
        let mut s = BlockSums {
            sum: [0; ACTIVE],
            product: [0; PAIRS],
            re: [0; ACTIVE],
            im: [0; ACTIVE],
            clipped: [0; ACTIVE],
        };
        let refs = reference.cos.iter().zip(reference.neg_sin.iter());
        for (frame, (&cos, &neg_sin)) in frames.iter().zip(refs) {
            let x = frame.counts();
            let mut p = s.product.iter_mut();
            for i in 0..ACTIVE {
                let xi = i64::from(x[i]);
                s.sum[i] += xi;
                s.re[i] += xi * i64::from(cos);
                s.im[i] += xi * i64::from(neg_sin);
                s.clipped[i] += u32::from(is_clipped(x[i]));
                for (xj, pij) in x[i..ACTIVE].iter().zip(&mut p) {
                    *pij += xi * i64::from(*xj);
                }
            }
        }
        s
    }
}

/// The way of a processor with a fast double-precision unit.
#[allow(clippy::needless_range_loop, reason = "indices name rows and columns of one table")]
pub mod float {
    use super::*;
    use crate::frame::CHANNELS;

    /// Channels, then the reference's cosine and sine.
    const COLUMNS: usize = ACTIVE + 2;

    /// Frames handled at once: two doubles fill the vector register that every target has.
    const LANES: usize = 2;

    /// A block turned on its side: one row of frames a column of the product table.
    type Table = [[[f64; LANES]; BLOCK / LANES]; COLUMNS];

    /// Sums a block in doubles that hold exact integers.
    #[inline]
    pub fn sum_block(frames: &[Frame], reference: &Reference) -> BlockSums {
        let mut table: Table = [[[0.0; LANES]; BLOCK / LANES]; COLUMNS];
        let mut clipped = [0u32; CHANNELS];
        for (n, frame) in frames.iter().take(BLOCK).enumerate() {
            let counts = frame.counts();
            for (row, count) in table.iter_mut().zip(&counts[..ACTIVE]) {
                row.as_flattened_mut()[n] = f64::from(*count);
            }
            for (sum, count) in clipped.iter_mut().zip(counts) {
                *sum += u32::from(is_clipped(*count));
            }
        }
        for n in 0..BLOCK {
            table[ACTIVE].as_flattened_mut()[n] = f64::from(reference.cos[n]);
            table[ACTIVE + 1].as_flattened_mut()[n] = f64::from(reference.neg_sin[n]);
        }
        let mut s = BlockSums {
            sum: [0; ACTIVE],
            product: [0; PAIRS],
            re: [0; ACTIVE],
            im: [0; ACTIVE],
            clipped: [0; ACTIVE],
        };
        s.clipped.copy_from_slice(&clipped[..ACTIVE]);
        let mut acc = [[0.0; LANES]; COLUMNS + 1];
        row::<0>(&table, &mut acc);
        fold::<0>(&acc, &mut s);
        row::<1>(&table, &mut acc);
        fold::<1>(&acc, &mut s);
        row::<2>(&table, &mut acc);
        fold::<2>(&acc, &mut s);
        row::<3>(&table, &mut acc);
        fold::<3>(&acc, &mut s);
        row::<4>(&table, &mut acc);
        fold::<4>(&acc, &mut s);
        row::<5>(&table, &mut acc);
        fold::<5>(&acc, &mut s);
        s
    }

    /// Sums of the lanes of channel I: with itself, the later channels, the reference, and alone.
    ///
    /// A function of its own, so that the compiler keeps the lanes in vector registers.
    #[inline(never)]
    fn row<const I: usize>(table: &Table, out: &mut [[f64; LANES]; COLUMNS + 1]) {
        let mut acc = [[0.0; LANES]; COLUMNS + 1];
        for n in 0..BLOCK / LANES {
            let x = table[I][n];
            for c in I..COLUMNS {
                let y = table[c][n];
                acc[c][0] += x[0] * y[0];
                acc[c][1] += x[1] * y[1];
            }
            acc[COLUMNS][0] += x[0];
            acc[COLUMNS][1] += x[1];
        }
        *out = acc;
    }

    fn fold<const I: usize>(acc: &[[f64; LANES]; COLUMNS + 1], s: &mut BlockSums) {
        let fold = |a: [f64; LANES]| (a[0] + a[1]) as i64;
        s.sum[I] = fold(acc[COLUMNS]);
        for c in I..ACTIVE {
            s.product[pair(I, c)] = fold(acc[c]);
        }
        s.re[I] = fold(acc[ACTIVE]);
        s.im[I] = fold(acc[ACTIVE + 1]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{CHANNELS, COUNT_MIN};
    use proptest::prelude::*;

    fn count() -> impl Strategy<Value = i32> {
        prop_oneof![
            4 => COUNT_MIN..=COUNT_MAX,
            1 => Just(COUNT_MIN),
            1 => Just(COUNT_MAX),
            1 => -100i32..100,
        ]
    }

    proptest! {
        #[test]
        fn both_ways_are_equal(
            frames in prop::collection::vec(prop::array::uniform8(count()), 0..=BLOCK),
            cos in prop::array::uniform32(-(1i32 << 22)..=1 << 22),
            neg_sin in prop::array::uniform32(-(1i32 << 22)..=1 << 22),
        ) {
            let frames: Vec<Frame> = frames.into_iter().map(Frame::new).collect();
            let reference = Reference { cos, neg_sin };
            prop_assert_eq!(
                integer::sum_block(&frames, &reference),
                float::sum_block(&frames, &reference)
            );
        }
    }

    #[test]
    fn worst_case_is_exact() {
        let frames = [Frame::new([COUNT_MIN; CHANNELS]); BLOCK];
        let reference = Reference { cos: [1 << 22; BLOCK], neg_sin: [-(1 << 22); BLOCK] };
        let s = float::sum_block(&frames, &reference);
        assert_eq!(s.product[pair(5, 2)], 32 << 46);
        assert_eq!(s.re[0], -(32 << 45));
        assert_eq!(s.clipped, [32; ACTIVE]);
        assert_eq!(s, integer::sum_block(&frames, &reference));
    }

    #[test]
    fn pairs_are_distinct() {
        let mut seen = [false; PAIRS];
        for i in 0..ACTIVE {
            for j in i..ACTIVE {
                assert!(!core::mem::replace(&mut seen[pair(i, j)], true));
                assert_eq!(pair(i, j), pair(j, i));
            }
        }
        assert!(seen.iter().all(|&s| s));
    }
}
