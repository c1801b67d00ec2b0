//! Single floats of candidates side by side in one register, with the signs of arithmetic.

use pulp::Simd;
use std::ops::{Add, Div, Mul, Sub};

/// As many single floats as a register of the processor holds, one a candidate.
#[derive(Clone, Copy)]
pub(super) struct Row<S: Simd> {
    simd: S,
    x: S::f32s,
}

impl<S: Simd> Row<S> {
    /// Candidates in a row.
    pub(super) const WIDTH: usize = size_of::<S::f32s>() / size_of::<f32>();

    /// The same number in all places.
    #[inline(always)]
    pub(super) fn all(simd: S, x: f32) -> Self {
        Row { simd, x: simd.splat_f32s(x) }
    }

    /// The processor's way.
    #[inline(always)]
    pub(super) fn simd(self) -> S {
        self.simd
    }

    /// From as many numbers as there are places; zero of fewer.
    #[inline(always)]
    pub(super) fn load(simd: S, from: &[f32]) -> Self {
        match S::as_simd_f32s(from).0 {
            [x, ..] => Row { simd, x: *x },
            [] => Row::all(simd, 0.0),
        }
    }

    /// Into as many numbers as there are places; nowhere of fewer.
    #[inline(always)]
    pub(super) fn store(self, to: &mut [f32]) {
        if let [place, ..] = S::as_mut_simd_f32s(to).0 {
            *place = self.x;
        }
    }

    #[inline(always)]
    pub(super) fn larger(self, other: Self) -> Self {
        Row { simd: self.simd, x: self.simd.max_f32s(self.x, other.x) }
    }

    #[inline(always)]
    pub(super) fn smaller(self, other: Self) -> Self {
        Row { simd: self.simd, x: self.simd.min_f32s(self.x, other.x) }
    }

    #[inline(always)]
    pub(super) fn abs(self) -> Self {
        Row { simd: self.simd, x: self.simd.abs_f32s(self.x) }
    }

    /// Where this is above another.
    #[inline(always)]
    pub(super) fn above(self, other: Self) -> S::m32s {
        self.simd.greater_than_f32s(self.x, other.x)
    }

    /// This where the mask is set, else another.
    #[inline(always)]
    pub(super) fn or(self, mask: S::m32s, other: Self) -> Self {
        Row { simd: self.simd, x: self.simd.select_f32s(mask, self.x, other.x) }
    }

    /// The largest of all places.
    #[inline(always)]
    pub(super) fn largest(self) -> f32 {
        self.simd.reduce_max_f32s(self.x)
    }

    /// The smallest of all places.
    #[inline(always)]
    pub(super) fn smallest(self) -> f32 {
        self.simd.reduce_min_f32s(self.x)
    }
}

/// Whether a mask is set anywhere.
#[inline(always)]
pub(super) fn any<S: Simd>(simd: S, mask: S::m32s) -> bool {
    Row::all(simd, 1.0).or(mask, Row::all(simd, 0.0)).largest() > 0.0
}

macro_rules! arithmetic {
    ($($sign:ident $name:ident $of:ident;)*) => {$(
        impl<S: Simd> $sign for Row<S> {
            type Output = Self;
            #[inline(always)]
            fn $name(self, other: Self) -> Self {
                Row { simd: self.simd, x: self.simd.$of(self.x, other.x) }
            }
        }
    )*};
}

arithmetic! {
    Add add add_f32s;
    Sub sub sub_f32s;
    Mul mul mul_f32s;
    Div div div_f32s;
}
