//! Harmonic phasors of every channel over one window, in counts.
//!
//! What is reported for an order is one line of the spectrum: the window holds whole cycles, so
//! the lines of IEC 61000-4-7 lie 5 Hz apart and every tenth (twelfth) of them is a harmonic.
//! Interharmonics next to it stay out of it, as a subgroup of that standard would not have it.

use crate::accumulate::Sums;
use crate::complex::Complex;
use crate::spread::{CELLS, SPREAD, Spreader, Sum, WEIGHT_ONE, bell_transform};
use crate::transform::{Lanes, Signal, cos_sin, less, sum, times};
use core::f64::consts::{PI, SQRT_2};
use core::ops::{Add, AddAssign, Mul, Sub};

/// Highest harmonic order.
pub const ORDERS: usize = 50;

/// Orders that must lie between the highest one reported and half the sample rate.
///
/// Closer to it, an order and its mirror image cannot be told apart within a window.
/// A little less than four, so that a whole number of frames a cycle does not hang on noise.
pub const NYQUIST_MARGIN: f64 = 3.9;

/// A complex number in `f32`, for harmonics.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Complex32 {
    /// Real part.
    pub re: f32,
    /// Imaginary part.
    pub im: f32,
}

impl Complex32 {
    /// Zero.
    pub const ZERO: Complex32 = Complex32 { re: 0.0, im: 0.0 };

    /// From real and imaginary part.
    pub const fn new(re: f32, im: f32) -> Self {
        Complex32 { re, im }
    }

    /// Complex conjugate.
    pub fn conj(self) -> Self {
        Complex32 { re: self.re, im: -self.im }
    }

    /// Square of the absolute value.
    pub fn norm_sq(self) -> f32 {
        self.re * self.re + self.im * self.im
    }

    /// Product with a real number.
    pub fn scale(self, k: f32) -> Self {
        Complex32 { re: self.re * k, im: self.im * k }
    }
}

impl From<Complex32> for Complex {
    fn from(x: Complex32) -> Self {
        Complex::new(f64::from(x.re), f64::from(x.im))
    }
}

impl From<Complex> for Complex32 {
    /// Rounds to nearest.
    fn from(x: Complex) -> Self {
        Complex32::new(x.re as f32, x.im as f32)
    }
}

impl Add for Complex32 {
    type Output = Complex32;
    fn add(self, o: Complex32) -> Complex32 {
        Complex32 { re: self.re + o.re, im: self.im + o.im }
    }
}

impl AddAssign for Complex32 {
    fn add_assign(&mut self, o: Complex32) {
        *self = *self + o;
    }
}

impl Sub for Complex32 {
    type Output = Complex32;
    fn sub(self, o: Complex32) -> Complex32 {
        Complex32 { re: self.re - o.re, im: self.im - o.im }
    }
}

impl Mul for Complex32 {
    type Output = Complex32;
    fn mul(self, o: Complex32) -> Complex32 {
        Complex32 { re: self.re * o.re - self.im * o.im, im: self.re * o.im + self.im * o.re }
    }
}

/// What an order is multiplied with to undo the bell, and to look at the cells' middles.
static UNDO: [Complex32; ORDERS + 1] = undo();

const fn undo() -> [Complex32; ORDERS + 1] {
    let mut table = [Complex32::ZERO; ORDERS + 1];
    let mut h = 0;
    while h <= ORDERS {
        // e^(−iπh/256): the angle is below 0.62.
        let (cos, sin) = cos_sin(PI * h as f64 / CELLS as f64);
        // A half, because the transform gives twice the sum.
        let size = 0.5 / bell_transform(h as f64);
        table[h] = Complex32::new((cos * size) as f32, (-sin * size) as f32);
        h += 1;
    }
    table
}

/// Phasors of one channel, by order from 0 (whose real part is the mean).
pub type Orders = [Complex32; ORDERS + 1];

/// Harmonic phasors of the channels over one window.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spectrum {
    /// RMS phasors in counts, by slot and order, against the window's reference.
    ///
    /// Order h turns against h times the reference: a channel `√2·X·cos(h·θ + a)`, with θ zero
    /// at the start of the window, has the phasor X∠a.
    pub channels: [Orders; SPREAD],
    /// Highest order that the sample rate allows; what is above is zero and means nothing.
    pub highest: usize,
}

/// The highest order that `frames_per_cycle` allows, at most [`ORDERS`].
pub fn highest_order(frames_per_cycle: f64) -> usize {
    let highest = frames_per_cycle / 2.0 - NYQUIST_MARGIN;
    if highest >= ORDERS as f64 { ORDERS } else { highest.max(0.0) as usize }
}

impl Spectrum {
    /// Phasors of a window that is finished, `length` frames long.
    pub fn of(spreader: &Spreader, length: f64, frames_per_cycle: f64) -> Spectrum {
        let mut s = Spectrum {
            channels: [[Complex32::ZERO; ORDERS + 1]; SPREAD],
            highest: highest_order(frames_per_cycle),
        };
        let scale = (SQRT_2 / (length * WEIGHT_ONE)) as f32;
        #[cfg(feature = "wide")]
        wide::read(spreader, scale, &mut s);
        #[cfg(not(feature = "wide"))]
        for first in 0..SPREAD {
            read_lanes::<1>(spreader, first, scale, &mut s);
        }
        // The mean is no RMS of a cosine.
        for orders in &mut s.channels {
            orders[0] = Complex32::new(orders[0].re * core::f32::consts::FRAC_1_SQRT_2, 0.0);
        }
        s
    }
}

impl Spectrum {
    /// Turns all orders, as by a shift in time, until the fundamental of the voltages has the
    /// direction that the window's own phasors give it.
    ///
    /// The two differ where the frequency moves within the window, which the harmonics' reference
    /// follows and the other one, turning evenly, does not.
    pub(crate) fn align(&mut self, sums: &Sums) {
        let mut turn = Complex::ZERO;
        for (slot, orders) in self.channels.iter().enumerate().take(3) {
            turn += sums.rms_phasor(slot) * Complex::from(orders[1]).conj();
        }
        let size = turn.abs();
        if size <= 0.0 {
            return;
        }
        let step = Complex32::from(turn.scale(1.0 / size));
        // One order's turn waits for the last one's: once for all channels.
        let mut turns = [step; ORDERS + 1];
        let mut at = step;
        for turn in turns.iter_mut().skip(1) {
            *turn = at;
            at = at * step;
        }
        for orders in &mut self.channels {
            for (x, turn) in orders.iter_mut().zip(&turns).take(self.highest + 1).skip(1) {
                *x = *x * *turn;
            }
        }
    }
}

/// Transforms `L` channels from `first` on.
#[inline(always)]
fn read_lanes<const L: usize>(spreader: &Spreader, first: usize, scale: f32, s: &mut Spectrum) {
    let cells = spreader.cells();
    let mut signal: Signal<L> = Signal::fill(|n| {
        let mut lanes: Lanes<L> = [0.0; L];
        if let Some(sums) = cells.get(n).and_then(|c| c.get(first..)?.first_chunk::<L>()) {
            for (lane, sum) in lanes.iter_mut().zip(sums) {
                *lane = rounded(*sum);
            }
        }
        lanes
    });
    signal.transform();
    // Side by side first, then by channel: the products are vector operations where there are any.
    let mut lines = [([0.0; L], [0.0; L]); ORDERS + 1];
    for (h, (line, undo)) in lines.iter_mut().zip(&UNDO).enumerate().take(s.highest + 1) {
        let (re, im) = signal.order(h);
        let undo = undo.scale(scale);
        line.0 = less(times(re, undo.re), times(im, undo.im));
        line.1 = sum(times(re, undo.im), times(im, undo.re));
    }
    for (c, orders) in s.channels.iter_mut().skip(first).take(L).enumerate() {
        for (x, (re, im)) in orders.iter_mut().zip(&lines).take(s.highest + 1) {
            *x = Complex32::new(re[c], im[c]);
        }
    }
}

/// The nearest `f32`, which is the same from an integer and from a double that holds it.
#[inline(always)]
fn rounded(sum: Sum) -> f32 {
    sum as f32
}

/// All channels at once on a processor with wide vector registers.
#[cfg(feature = "wide")]
mod wide {
    use super::*;
    use crate::frame::CHANNELS;
    use crate::kernel::wide::ARCH;
    use pulp::{Simd, WithSimd};

    pub(super) fn read(spreader: &Spreader, scale: f32, s: &mut Spectrum) {
        ARCH.dispatch(Work { spreader, scale, spectrum: s });
    }

    struct Work<'a> {
        spreader: &'a Spreader,
        scale: f32,
        spectrum: &'a mut Spectrum,
    }

    impl WithSimd for Work<'_> {
        type Output = ();

        #[inline(always)]
        fn with_simd<S: Simd>(self, _: S) {
            read_lanes::<CHANNELS>(self.spreader, 0, self.scale, self.spectrum);
        }
    }
}
