//! Sums of cosines as frames of counts, with the readings they must give in closed form.

use std::f64::consts::{PI, TAU};
use wattless_core::calibration::{Calibration, ChannelCalibration};
use wattless_core::frame::{CHANNELS, COUNT_MAX, Frame};

/// One component of a channel: `rms · √2 · cos(order · ωt + angle)`.
#[derive(Clone, Copy, Debug)]
pub struct Component {
    /// Multiple of the fundamental; need not be whole. Zero is DC, with `rms` its value.
    pub order: f64,
    /// RMS, in V or A.
    pub rms: f64,
    /// Angle at time zero, in degrees.
    pub angle_deg: f64,
}

/// A channel as a sum of components.
pub type Wave = Vec<Component>;

/// A pure cosine.
pub fn cosine(rms: f64, angle_deg: f64) -> Wave {
    vec![Component { order: 1.0, rms, angle_deg }]
}

/// A fundamental with harmonics given as (order, percent of it, angle at the fundamental's zero).
pub fn distorted(rms: f64, angle_deg: f64, harmonics: &[(u32, f64, f64)]) -> Wave {
    let mut wave = cosine(rms, angle_deg);
    wave.extend(harmonics.iter().map(|&(h, pct, at_deg)| Component {
        order: f64::from(h),
        rms: rms * pct / 100.0,
        angle_deg: f64::from(h) * angle_deg + at_deg,
    }));
    wave
}

/// The difference of two waves.
pub fn minus(a: &Wave, b: &Wave) -> Wave {
    let turned = b.iter().map(|c| Component { rms: -c.rms, ..*c });
    a.iter().copied().chain(turned).collect()
}

/// True RMS.
pub fn rms(a: &Wave) -> f64 {
    libm::sqrt(mean_product(a, a))
}

/// Mean of the product over whole cycles: components of equal order only.
pub fn mean_product(a: &Wave, b: &Wave) -> f64 {
    let mut sum = 0.0;
    for x in a {
        for y in b.iter().filter(|y| y.order == x.order) {
            let angle = if x.order == 0.0 { 0.0 } else { x.angle_deg - y.angle_deg };
            sum += x.rms * y.rms * libm::cos(angle * PI / 180.0);
        }
    }
    sum
}

/// P1 and Q1 of the fundamentals of a voltage and a current.
pub fn fundamental_power(v: &Wave, i: &Wave) -> (f64, f64) {
    let (mut p, mut q) = (0.0, 0.0);
    for x in v.iter().filter(|x| x.order == 1.0) {
        for y in i.iter().filter(|y| y.order == 1.0) {
            let angle = (x.angle_deg - y.angle_deg) * PI / 180.0;
            p += x.rms * y.rms * libm::cos(angle);
            q += x.rms * y.rms * libm::sin(angle);
        }
    }
    (p, q)
}

/// Samples channels into frames: frame n is taken at (n + ½)/rate.
pub fn frames(
    channels: &[Wave; 6],
    peaks: &[f64; 6],
    frequency_hz: f64,
    sample_rate_hz: f64,
    count: usize,
) -> Vec<Frame> {
    let mut counts = vec![[0i32; CHANNELS]; count];
    for (slot, (wave, peak)) in channels.iter().zip(peaks).enumerate() {
        let scale = f64::from(COUNT_MAX) / peak;
        let mut samples = vec![0.0f64; count];
        for c in wave {
            let root2 = if c.order == 0.0 { 1.0 } else { std::f64::consts::SQRT_2 };
            let turns = c.order * frequency_hz / sample_rate_hz;
            for (n, x) in samples.iter_mut().enumerate() {
                let angle = turns * (n as f64 + 0.5) + c.angle_deg / 360.0;
                *x += root2 * c.rms * libm::cos(TAU * (angle - libm::floor(angle)));
            }
        }
        for (frame, x) in counts.iter_mut().zip(samples) {
            frame[slot] = libm::rint(x * scale) as i32;
        }
    }
    counts.into_iter().map(Frame::new).collect()
}

/// The calibration of ideal channels with these peak ranges.
pub fn ideal(peaks: &[f64; 6]) -> Calibration {
    let mut calibration = Calibration::default();
    for (c, peak) in calibration.channels.iter_mut().zip(peaks) {
        *c = ChannelCalibration::with_gain(peak / f64::from(COUNT_MAX));
    }
    calibration
}
