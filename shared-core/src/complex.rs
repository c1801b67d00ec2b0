//! Complex numbers in `f64` with just the operations phasors need.

use core::ops::{Add, AddAssign, Mul, Sub};

/// A complex number; as a phasor, RMS amplitude and angle in the unit of its channel.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Complex {
    /// Real part.
    pub re: f64,
    /// Imaginary part.
    pub im: f64,
}

impl Complex {
    /// Zero.
    pub const ZERO: Complex = Complex { re: 0.0, im: 0.0 };

    /// From real and imaginary part.
    pub const fn new(re: f64, im: f64) -> Self {
        Complex { re, im }
    }

    /// The point on the unit circle at an angle in radians.
    pub fn unit(angle_rad: f64) -> Self {
        let (im, re) = libm::sincos(angle_rad);
        Complex { re, im }
    }

    /// Complex conjugate.
    pub fn conj(self) -> Self {
        Complex { re: self.re, im: -self.im }
    }

    /// Square of the absolute value.
    pub fn norm_sq(self) -> f64 {
        self.re * self.re + self.im * self.im
    }

    /// Absolute value.
    pub fn abs(self) -> f64 {
        libm::sqrt(self.norm_sq())
    }

    /// Angle in radians, from -π to π; zero for the zero phasor.
    pub fn arg(self) -> f64 {
        libm::atan2(self.im, self.re)
    }

    /// Product with a real number.
    pub fn scale(self, k: f64) -> Self {
        Complex { re: self.re * k, im: self.im * k }
    }
}

impl Add for Complex {
    type Output = Complex;
    fn add(self, o: Complex) -> Complex {
        Complex { re: self.re + o.re, im: self.im + o.im }
    }
}

impl AddAssign for Complex {
    fn add_assign(&mut self, o: Complex) {
        *self = *self + o;
    }
}

impl Sub for Complex {
    type Output = Complex;
    fn sub(self, o: Complex) -> Complex {
        Complex { re: self.re - o.re, im: self.im - o.im }
    }
}

impl Mul for Complex {
    type Output = Complex;
    fn mul(self, o: Complex) -> Complex {
        Complex { re: self.re * o.re - self.im * o.im, im: self.re * o.im + self.im * o.re }
    }
}
