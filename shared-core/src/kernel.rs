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
pub mod float {
    use super::*;

    type Lane = [f64; BLOCK];

    /// Sums a block in doubles that hold exact integers.
    #[inline]
    pub fn sum_block(frames: &[Frame], reference: &Reference) -> BlockSums {
        let mut x = [[0.0f64; BLOCK]; ACTIVE];
        let mut clipped = [0u32; ACTIVE];
        for (n, frame) in frames.iter().take(BLOCK).enumerate() {
            let counts = frame.counts();
            for ch in 0..ACTIVE {
                x[ch][n] = f64::from(counts[ch]);
                clipped[ch] += u32::from(is_clipped(counts[ch]));
            }
        }
        let cos = reference.cos.map(f64::from);
        let neg_sin = reference.neg_sin.map(f64::from);
        let mut s = BlockSums {
            sum: [0; ACTIVE],
            product: [0; PAIRS],
            re: [0; ACTIVE],
            im: [0; ACTIVE],
            clipped,
        };
        for i in 0..ACTIVE {
            s.sum[i] = total(&x[i]) as i64;
            s.re[i] = dot(&x[i], &cos) as i64;
            s.im[i] = dot(&x[i], &neg_sin) as i64;
            for j in i..ACTIVE {
                s.product[pair(i, j)] = dot(&x[i], &x[j]) as i64;
            }
        }
        s
    }

    /// Independent partial sums let the compiler use vector registers.
    const LANES: usize = 8;

    #[inline(always)]
    fn dot(a: &Lane, b: &Lane) -> f64 {
        let mut acc = [0.0f64; LANES];
        for (a, b) in a.chunks_exact(LANES).zip(b.chunks_exact(LANES)) {
            for k in 0..LANES {
                acc[k] += a[k] * b[k];
            }
        }
        fold(acc)
    }

    #[inline(always)]
    fn total(a: &Lane) -> f64 {
        let mut acc = [0.0f64; LANES];
        for a in a.chunks_exact(LANES) {
            for k in 0..LANES {
                acc[k] += a[k];
            }
        }
        fold(acc)
    }

    #[inline(always)]
    fn fold(a: [f64; LANES]) -> f64 {
        ((a[0] + a[4]) + (a[1] + a[5])) + ((a[2] + a[6]) + (a[3] + a[7]))
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
