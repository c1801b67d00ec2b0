//! Exact sums over short blocks of frames: the inner loop of everything.
//!
//! A block is at most [`BLOCK`] frames. Its sums are integers: products of two
//! 24-bit counts stay below 2^47 and of a count and a reference value below
//! 2^46, so 64 of them stay below 2^53 and are exact in an `i64` as well as in
//! an `f64`. A processor with a fast `f64` unit uses that, a microcontroller
//! its 32×32→64-bit multiply; both give the same numbers, bit for bit.

use crate::complex::Complex;
use crate::frame::{ACTIVE, Frame};

/// Frames in a full block.
pub const BLOCK: usize = 64;

/// Number of distinct products of two of the active channels, squares included.
pub const PAIRS: usize = ACTIVE * (ACTIVE + 1) / 2;

/// Scale of the reference oscillator's values: 1.0 is 2^22.
pub const REFERENCE_ONE: f64 = 4_194_304.0;

/// Cosine and sine of the reference over one block, scaled by [`REFERENCE_ONE`].
#[derive(Clone, Copy, Debug)]
pub struct Reference {
    /// Cosine at frame b of the block.
    cos: [i32; BLOCK],
    /// Minus the sine at frame b of the block.
    neg_sin: [i32; BLOCK],
    /// The same numbers as doubles, in the places behind the channels.
    #[cfg(feature = "wide")]
    doubles: Doubles,
}

/// Rows of a reference, each a line of the processor's cache.
#[cfg(feature = "wide")]
#[derive(Clone, Copy, Debug)]
#[repr(align(64))]
struct Doubles([[f64; ACTIVE + 2]; BLOCK]);

impl Reference {
    /// A reference of zeros.
    pub const ZERO: Reference = Reference {
        cos: [0; BLOCK],
        neg_sin: [0; BLOCK],
        #[cfg(feature = "wide")]
        doubles: Doubles([[0.0; ACTIVE + 2]; BLOCK]),
    };

    /// From cosine and minus sine at each frame of a block.
    pub fn new(cos: [i32; BLOCK], neg_sin: [i32; BLOCK]) -> Self {
        #[cfg(feature = "wide")]
        let mut doubles = Doubles([[0.0; ACTIVE + 2]; BLOCK]);
        #[cfg(feature = "wide")]
        for (d, (c, s)) in doubles.0.iter_mut().zip(cos.iter().zip(&neg_sin)) {
            [d[ACTIVE], d[ACTIVE + 1]] = [f64::from(*c), f64::from(*s)];
        }
        Reference {
            cos,
            neg_sin,
            #[cfg(feature = "wide")]
            doubles,
        }
    }
}

/// Sums over blocks, exact as long as there are no more than 65,536 frames.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Totals {
    /// Sum of counts of each channel.
    pub sum: [i64; ACTIVE],
    /// Sum of products of channel pairs, at [`pair`]`(i, j)`.
    pub product: [i64; PAIRS],
    /// Largest magnitude of each channel.
    pub peak: [i32; ACTIVE],
}

/// Sums of count times reference of each channel over one block: whole numbers.
pub type Turned = [Complex; ACTIVE];

/// Index of the product of channels `i` and `j`, in either order.
#[inline]
pub const fn pair(i: usize, j: usize) -> usize {
    let (lo, hi) = if i < j { (i, j) } else { (j, i) };
    // Rows of the upper triangle: row lo starts after rows 0..lo.
    lo * ACTIVE - lo * (lo + 1) / 2 + hi
}

/// Adds a block to the totals and turns it; frames beyond [`BLOCK`] are ignored.
#[inline]
pub fn add_block(frames: &[Frame], reference: &Reference, totals: &mut Totals) -> Turned {
    #[cfg(feature = "wide")]
    {
        wide::add_block(frames, reference, totals)
    }
    #[cfg(not(feature = "wide"))]
    if cfg!(any(target_arch = "x86_64", target_arch = "aarch64")) {
        float::add_block(frames, reference, totals)
    } else {
        integer::add_block(frames, reference, totals)
    }
}

/// The exact product of two numbers of 24 bits, in whatever way the processor is fast with.
#[inline(always)]
pub fn product(a: i32, b: i32) -> i64 {
    // Arm processors without compare-and-swap (ARMv6-M) have no long multiply either.
    if cfg!(all(target_arch = "arm", not(target_has_atomic = "32"))) {
        product_of_halves(a, b)
    } else {
        i64::from(a) * i64::from(b)
    }
}

/// The same from four products of 12 bits, each of which fits a register.
#[inline(always)]
fn product_of_halves(a: i32, b: i32) -> i64 {
    let ((ah, al), (bh, bl)) = ((a >> 12, a & 0xFFF), (b >> 12, b & 0xFFF));
    let middle = ah.wrapping_mul(bl).wrapping_add(al.wrapping_mul(bh));
    (i64::from(ah.wrapping_mul(bh)) << 24)
        .wrapping_add(i64::from(middle) << 12)
        .wrapping_add(i64::from(al.wrapping_mul(bl)))
}

/// The way of a processor with a 32×32→64-bit multiply and add.
pub mod integer {
    use super::*;

    /// Adds a block in integers.
    ///
    /// One pass a handful of sums, so that all of them stay in the registers of a small
    /// processor: a sum in memory costs four times its multiplication.
    pub fn add_block(frames: &[Frame], reference: &Reference, totals: &mut Totals) -> Turned {
        let frames = frames.get(..BLOCK).unwrap_or(frames);
        let mut turned = [Complex::ZERO; ACTIVE];
        turned[0] = turn::<0>(frames, reference, totals);
        turned[1] = turn::<1>(frames, reference, totals);
        turned[2] = turn::<2>(frames, reference, totals);
        turned[3] = turn::<3>(frames, reference, totals);
        turned[4] = turn::<4>(frames, reference, totals);
        turned[5] = turn::<5>(frames, reference, totals);
        products::<0, 0, 4>(frames, totals);
        products::<0, 4, 2>(frames, totals);
        products::<1, 1, 3>(frames, totals);
        products::<1, 4, 2>(frames, totals);
        products::<2, 2, 4>(frames, totals);
        products::<3, 3, 3>(frames, totals);
        products::<4, 4, 2>(frames, totals);
        products::<5, 5, 1>(frames, totals);
        turned
    }

    /// Turns channel I, and adds its sum and its peak.
    #[inline(never)]
    fn turn<const I: usize>(
        frames: &[Frame],
        reference: &Reference,
        totals: &mut Totals,
    ) -> Complex {
        let (mut re, mut im) = (0i64, 0i64);
        // 64 counts of 24 bits stay below 2^30.
        let (mut sum, mut peak) = (0i32, 0i32);
        let refs = reference.cos.iter().zip(&reference.neg_sin);
        for (frame, (&cos, &neg_sin)) in frames.iter().zip(refs) {
            let x = frame.counts()[I];
            sum = sum.wrapping_add(x);
            peak = peak.max(x.wrapping_abs());
            re = re.wrapping_add(product(x, cos));
            im = im.wrapping_add(product(x, neg_sin));
        }
        totals.sum[I] = totals.sum[I].wrapping_add(i64::from(sum));
        totals.peak[I] = totals.peak[I].max(peak);
        Complex::new(re as f64, im as f64)
    }

    /// Adds the products of channel I with the N channels from J on.
    #[inline(never)]
    fn products<const I: usize, const J: usize, const N: usize>(
        frames: &[Frame],
        totals: &mut Totals,
    ) {
        let mut sums = [0i64; N];
        for frame in frames {
            let counts = frame.counts();
            let x = counts[I];
            for (k, sum) in sums.iter_mut().enumerate() {
                *sum = sum.wrapping_add(product(x, counts[J + k]));
            }
        }
        for (k, sum) in sums.iter().enumerate() {
            let total = &mut totals.product[pair(I, J + k)];
            *total = total.wrapping_add(*sum);
        }
    }
}

/// The way of a processor with a fast double-precision unit.
#[allow(clippy::needless_range_loop, reason = "indices name rows and columns of one table")]
pub mod float {
    use super::*;

    /// Channels, then the reference's cosine and sine.
    const COLUMNS: usize = ACTIVE + 2;

    /// Frames handled at once: two doubles fill the vector register that every target has.
    const LANES: usize = 2;

    /// A block turned on its side: one row of frames a column of the product table.
    type Table = [[[f64; LANES]; BLOCK / LANES]; COLUMNS];

    /// Adds a block in doubles that hold exact integers.
    #[inline]
    pub fn add_block(frames: &[Frame], reference: &Reference, totals: &mut Totals) -> Turned {
        let mut table: Table = [[[0.0; LANES]; BLOCK / LANES]; COLUMNS];
        for (n, frame) in frames.iter().take(BLOCK).enumerate() {
            let counts = frame.counts();
            for (row, count) in table.iter_mut().zip(&counts[..ACTIVE]) {
                row.as_flattened_mut()[n] = f64::from(*count);
            }
        }
        for n in 0..BLOCK {
            table[ACTIVE].as_flattened_mut()[n] = f64::from(reference.cos[n]);
            table[ACTIVE + 1].as_flattened_mut()[n] = f64::from(reference.neg_sin[n]);
        }
        let mut turned = [Complex::ZERO; ACTIVE];
        let mut acc = [[0.0; LANES]; COLUMNS + 2];
        row::<0>(&table, &mut acc);
        turned[0] = fold::<0>(&acc, totals);
        row::<1>(&table, &mut acc);
        turned[1] = fold::<1>(&acc, totals);
        row::<2>(&table, &mut acc);
        turned[2] = fold::<2>(&acc, totals);
        row::<3>(&table, &mut acc);
        turned[3] = fold::<3>(&acc, totals);
        row::<4>(&table, &mut acc);
        turned[4] = fold::<4>(&acc, totals);
        row::<5>(&table, &mut acc);
        turned[5] = fold::<5>(&acc, totals);
        turned
    }

    /// Lanes of channel I: products with itself, the later channels, the reference; sum; peak.
    ///
    /// A function of its own, so that the compiler keeps the lanes in vector registers.
    #[inline(never)]
    fn row<const I: usize>(table: &Table, out: &mut [[f64; LANES]; COLUMNS + 2]) {
        let mut acc = [[0.0; LANES]; COLUMNS + 2];
        for n in 0..BLOCK / LANES {
            let x = table[I][n];
            for c in I..COLUMNS {
                let y = table[c][n];
                acc[c][0] += x[0] * y[0];
                acc[c][1] += x[1] * y[1];
            }
            acc[COLUMNS][0] += x[0];
            acc[COLUMNS][1] += x[1];
            let peak = acc[COLUMNS + 1];
            acc[COLUMNS + 1][0] = larger(peak[0], x[0].abs());
            acc[COLUMNS + 1][1] = larger(peak[1], x[1].abs());
        }
        *out = acc;
    }

    /// The larger of two ordinary numbers, in the form that is one instruction.
    #[inline(always)]
    fn larger(a: f64, b: f64) -> f64 {
        if a > b { a } else { b }
    }

    fn fold<const I: usize>(acc: &[[f64; LANES]; COLUMNS + 2], totals: &mut Totals) -> Complex {
        let fold = |a: [f64; LANES]| a[0] + a[1];
        let add = |total: &mut i64, a| *total = total.wrapping_add(fold(a) as i64);
        add(&mut totals.sum[I], acc[COLUMNS]);
        for c in I..ACTIVE {
            add(&mut totals.product[pair(I, c)], acc[c]);
        }
        let peak = larger(acc[COLUMNS + 1][0], acc[COLUMNS + 1][1]) as i32;
        totals.peak[I] = totals.peak[I].max(peak);
        Complex::new(fold(acc[ACTIVE]), fold(acc[ACTIVE + 1]))
    }
}

/// The way of a processor with wide vector registers, chosen at run time.
#[cfg(feature = "wide")]
#[allow(clippy::needless_range_loop, reason = "indices name rows and columns of one table")]
pub mod wide {
    use super::*;
    use pulp::{Arch, Simd, WithSimd};
    use std::sync::LazyLock;

    /// A frame's channels side by side, then the reference's cosine and minus sine.
    type Row = [f64; LANES];

    const LANES: usize = ACTIVE + 2;

    const LANE_NUMBERS: Row = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0];

    /// A few rows, each a line of the processor's cache.
    #[repr(align(64))]
    struct Rows([Row; CHUNK]);

    /// Sums of products with each channel; plain sum; peak.
    type Products = [Row; ACTIVE + 2];

    /// Frames turned into doubles at a time: few enough to stay close to the registers.
    const CHUNK: usize = 8;

    /// What the processor at hand can do.
    pub(crate) static ARCH: LazyLock<Arch> = LazyLock::new(Arch::new);

    /// Adds a block in doubles that hold exact integers.
    #[inline]
    pub fn add_block(frames: &[Frame], reference: &Reference, totals: &mut Totals) -> Turned {
        if matches!(*ARCH, Arch::Scalar) {
            return float::add_block(frames, reference, totals);
        }
        add_block_on(*ARCH, frames, reference, totals)
    }

    /// Adds a block on a kind of processor.
    #[inline]
    pub(super) fn add_block_on(
        arch: Arch,
        frames: &[Frame],
        reference: &Reference,
        totals: &mut Totals,
    ) -> Turned {
        let frames = frames.get(..BLOCK).unwrap_or(frames);
        let sums = arch.dispatch(Work { frames, reference });
        let mut turned = [Complex::ZERO; ACTIVE];
        for i in 0..ACTIVE {
            for j in i..ACTIVE {
                let total = &mut totals.product[pair(i, j)];
                *total = total.wrapping_add(sums[i][j] as i64);
            }
            turned[i] = Complex::new(sums[i][ACTIVE], sums[i][ACTIVE + 1]);
            totals.sum[i] = totals.sum[i].wrapping_add(sums[ACTIVE][i] as i64);
            totals.peak[i] = totals.peak[i].max(sums[ACTIVE + 1][i] as i32);
        }
        turned
    }

    struct Work<'a> {
        frames: &'a [Frame],
        reference: &'a Reference,
    }

    impl WithSimd for Work<'_> {
        type Output = Products;

        /// Every product of a frame's row with one of its numbers is one vector operation.
        #[inline(always)]
        fn with_simd<S: Simd>(self, simd: S) -> Self::Output {
            let mut sums = [[0.0; LANES]; ACTIVE + 2];
            // A block's last frames are filled up with zeros, which add nothing.
            let (whole, rest) = self.frames.as_chunks::<CHUNK>();
            let mut last = [Frame::ZERO; CHUNK];
            for (place, frame) in last.iter_mut().zip(rest) {
                *place = *frame;
            }
            let (references, _) = self.reference.doubles.0.as_chunks::<CHUNK>();
            for part in 0..LANES / S::F64_LANES {
                let mut acc = [simd.splat_f64s(0.0); ACTIVE + 2];
                for (frames, references) in whole.iter().zip(references) {
                    add_chunk(simd, &mut acc, frames, references, part);
                }
                if let (false, Some(references)) = (rest.is_empty(), references.get(whole.len())) {
                    add_chunk(simd, &mut acc, &last, references, part);
                }
                for (sum, acc) in sums.iter_mut().zip(acc) {
                    S::as_mut_simd_f64s(sum).0[part] = acc;
                }
            }
            sums
        }
    }

    /// Adds a few frames to one part of the lanes. Loops, not `map`: those stay inlined.
    #[inline(always)]
    fn add_chunk<S: Simd>(
        simd: S,
        acc: &mut [S::f64s; ACTIVE + 2],
        frames: &[Frame; CHUNK],
        references: &[Row; CHUNK],
        part: usize,
    ) {
        let mut rows = Rows([[0.0; LANES]; CHUNK]);
        for k in 0..CHUNK {
            let mut counts = [0.0; LANES];
            for i in 0..LANES {
                counts[i] = f64::from(frames[k].counts()[i]);
            }
            for part in 0..LANES / S::F64_LANES {
                let keep = simd.less_than_f64s(
                    S::as_simd_f64s(&LANE_NUMBERS).0[part],
                    simd.splat_f64s(ACTIVE as f64),
                );
                S::as_mut_simd_f64s(&mut rows.0[k]).0[part] = simd.select_f64s(
                    keep,
                    S::as_simd_f64s(&counts).0[part],
                    S::as_simd_f64s(&references[k]).0[part],
                );
            }
        }
        // Read back from memory: spreading one number over the lanes is free in a load, while
        // the compiler's shuffles would take the multipliers' place.
        let Rows(rows) = core::hint::black_box(&rows);
        for k in 0..CHUNK {
            let x = S::as_simd_f64s(&rows[k]).0[part];
            for i in 0..ACTIVE {
                acc[i] = simd.mul_add_f64s(simd.splat_f64s(rows[k][i]), x, acc[i]);
            }
            acc[ACTIVE] = simd.add_f64s(x, acc[ACTIVE]);
            acc[ACTIVE + 1] = simd.max_f64s(simd.abs_f64s(x), acc[ACTIVE + 1]);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn products_of_halves_are_exact() {
        let edges = [0, 1, -1, 0xFFF, 0x1000, -0xFFF, -0x1000, 0x7F_FFFF, -0x80_0000, 0x12_3456];
        for a in edges {
            for b in edges {
                assert_eq!(product_of_halves(a, b), i64::from(a) * i64::from(b), "{a} {b}");
            }
        }
        let mut x = 1u32;
        let mut next = || {
            x = x.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            x as i32 >> 8
        };
        for _ in 0..100_000 {
            let (a, b) = (next(), next());
            assert_eq!(product_of_halves(a, b), i64::from(a) * i64::from(b), "{a} {b}");
        }
    }
    use crate::frame::{CHANNELS, COUNT_MAX, COUNT_MIN};
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
        fn all_ways_are_equal(
            frames in prop::collection::vec(prop::array::uniform8(count()), 0..=BLOCK),
            cos in prop::collection::vec(-(1i32 << 22)..=1 << 22, BLOCK),
            neg_sin in prop::collection::vec(-(1i32 << 22)..=1 << 22, BLOCK),
        ) {
            let frames: Vec<Frame> = frames.into_iter().map(Frame::new).collect();
            let reference =
                Reference::new(cos.try_into().unwrap(), neg_sin.try_into().unwrap());
            // Totals that are there already are added to.
            let mut before = Totals::default();
            integer::add_block(&frames, &reference, &mut before);
            let run = |way: &dyn Fn(&mut Totals) -> Turned| {
                let mut totals = before;
                let turned = way(&mut totals);
                (totals, turned)
            };
            let expected = run(&|t| integer::add_block(&frames, &reference, t));
            prop_assert_eq!(&expected, &run(&|t| float::add_block(&frames, &reference, t)));
            prop_assert_eq!(&expected, &run(&|t| add_block(&frames, &reference, t)));
            #[cfg(all(feature = "wide", target_arch = "x86_64"))]
            if let Some(half) = pulp::x86::V3::try_new() {
                let arch = pulp::Arch::V3(half);
                let got = run(&|t| wide::add_block_on(arch, &frames, &reference, t));
                prop_assert_eq!(&expected, &got);
            }
            #[cfg(feature = "wide")]
            prop_assert_eq!(
                &expected,
                &run(&|t| wide::add_block_on(pulp::Arch::Scalar, &frames, &reference, t))
            );
        }
    }

    #[test]
    fn worst_case_is_exact() {
        let frames = [Frame::new([COUNT_MIN; CHANNELS]); BLOCK];
        let reference = Reference::new([1 << 22; BLOCK], [-(1 << 22); BLOCK]);
        for way in [float::add_block, integer::add_block, add_block] {
            let mut t = Totals::default();
            let turned = way(&frames, &reference, &mut t);
            assert_eq!(t.product[pair(5, 2)], 64 << 46);
            assert_eq!(turned[0].re, -((64u64 << 45) as f64));
            assert_eq!(t.peak, [1 << 23; ACTIVE]);
        }
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
