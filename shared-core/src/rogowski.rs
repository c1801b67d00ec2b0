//! Integrates the output of Rogowski coils sample by sample, in integers.
//!
//! A coil gives the rate of change of its current. A leaky sum of neighbours in pairs (the
//! trapezoid rule) turns that back, and a high-pass with the same corner takes out what the
//! converter's offset would pile up:
//!
//! H(z) = 2⁻ˢ·(1 − z⁻²) / (1 − a·z⁻¹)², a = 1 − 2⁻ᵏ.
//!
//! At DC it is exactly zero, so nothing drifts; it has a corner of about 1 Hz, so whatever a
//! start, a loss or an overload leaves behind falls with a time constant of about 0.15 s. What
//! it does to amplitude and angle at a frequency is known exactly and divided out in
//! [`crate::response`]. The states carry 16 bits behind the point: rounding adds about 10⁻⁴ of
//! a count.

use crate::calibration::{CURRENTS, Calibration, FIRST_CURRENT};
use crate::flags::Flags;
use crate::frame::{CHANNELS, CLIP_MARGIN, COUNT_MAX, Frame};
use core::f64::consts::PI;

/// Lowest frequency at which a coil's full range stays within 24 bits, in Hz.
const FULL_RANGE_FROM_HZ: f64 = 40.0;

/// Corner that the leak comes nearest to, in Hz.
const CORNER_HZ: f64 = 1.2;

/// Bits behind the point in the integrator's states.
const FRACTION: u32 = 16;

/// Seconds after a start or an overload until what it left behind is below 10⁻⁴ of it.
pub const SETTLE_S: f64 = 2.0;

/// Shifts of the integrator at a sample rate: by how much it scales down, and its leak.
fn shifts(sample_rate_hz: f64) -> (u32, u32) {
    let mut scale = 0u32;
    // Trapezoid: twice the shift's scale times rate over 2πf; one at most at the lowest frequency.
    while f64::from(1u32 << scale) < sample_rate_hz / (PI * FULL_RANGE_FROM_HZ) && scale < 12 {
        scale += 1;
    }
    let mut leak = 4u32;
    while f64::from(1u32 << leak) * core::f64::consts::SQRT_2
        < sample_rate_hz / (2.0 * PI * CORNER_HZ)
        && leak < 18
    {
        leak += 1;
    }
    (scale, leak)
}

/// The share 2⁻ᵏ that the integrator loses a sample.
pub fn leak(sample_rate_hz: f64) -> f64 {
    1.0 / f64::from(1u32 << shifts(sample_rate_hz).1)
}

/// What an ideal integrator of this scale multiplies a sine of a frequency by.
pub fn scale(sample_rate_hz: f64, frequency_hz: f64) -> f64 {
    let down = f64::from(1u32 << shifts(sample_rate_hz).0);
    sample_rate_hz / (PI * frequency_hz * down)
}

/// One channel's integrator.
#[derive(Clone, Copy, Debug, Default)]
struct Integrator {
    before: i32,
    /// The leaky sum.
    sum: i64,
    /// The sum behind its high-pass.
    out: i64,
}

impl Integrator {
    /// Takes a count and gives the integral, limited to 24 bits by the frame it goes into.
    #[inline]
    fn push(&mut self, count: i32, scale: u32, leak: u32) -> i32 {
        let pair = i64::from(count) + i64::from(self.before);
        self.before = count;
        let step = (pair << (FRACTION - scale.min(FRACTION))) - (self.sum >> leak);
        self.sum += step;
        self.out += step - (self.out >> leak);
        // Far outside 24 bits only after an overload; the limit keeps the state finite for good.
        let limit = 1i64 << (24 + FRACTION);
        self.out = self.out.clamp(-limit, limit);
        ((self.out + (1 << (FRACTION - 1))) >> FRACTION) as i32
    }
}

/// What is to be said of frames that were integrated.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Seen {
    /// A coil's input stood at the end of its range, or the integral left it.
    pub clipped: bool,
    /// An integrator has not settled since its start or an overload.
    pub settling: bool,
}

/// The integrators of all current channels that need one.
#[derive(Clone, Debug)]
pub struct Integrators {
    channels: [Integrator; CURRENTS],
    used: [bool; CURRENTS],
    scale: u32,
    leak: u32,
    settle_frames: u32,
    settling: u32,
}

impl Integrators {
    /// For the Rogowski channels of a calibration, at a sample rate from 1000 to 200 000.
    pub fn new(calibration: &Calibration, sample_rate_hz: f64) -> Self {
        let (scale, leak) = shifts(sample_rate_hz);
        let settle_frames = (SETTLE_S * sample_rate_hz) as u32;
        Integrators {
            channels: [Integrator::default(); CURRENTS],
            used: core::array::from_fn(|k| calibration.rogowski(FIRST_CURRENT + k).is_some()),
            scale,
            leak,
            settle_frames,
            settling: settle_frames,
        }
    }

    /// Whether any channel is integrated; if not, frames need not pass here.
    pub fn any(&self) -> bool {
        self.used.contains(&true)
    }

    /// Frames were lost: integration starts anew from zero.
    pub fn restart(&mut self) {
        self.channels = [Integrator::default(); CURRENTS];
        self.settling = self.settle_frames;
    }

    /// Starts as if the wave had been there all along, from its first frames.
    ///
    /// For recordings, which begin in the middle of a wave. What a start from zero leaves is
    /// (c₁ + c₂·n)·aⁿ; over whole cycles the rest has no mean, so that two means of some cycles
    /// tell c₁ and c₂. `period` is that of the fundamental in frames. Needs at least two cycles;
    /// with less, nothing is done and the integrators count as settling.
    pub fn prime(&mut self, frames: &[Frame], period: f64) {
        let cycles = libm::floor(frames.len() as f64 / (2.0 * period));
        if !(cycles >= 1.0) {
            return;
        }
        let length = cycles * period;
        let keep = 1.0 - 1.0 / f64::from(1u32 << self.leak);
        // Mean of what has value x at frame n, over one of two spans of whole cycles.
        let spans = [(0.0, length), (length, 2.0 * length)];
        let share = |n: f64, (from, to): (f64, f64)| (to - n).min(n + 1.0 - from).clamp(0.0, 1.0);
        let (mut of_one, mut of_n) = ([0.0; 2], [0.0; 2]);
        let mut means = [[0.0; 2]; CURRENTS];
        let mut zero = Integrators { channels: Default::default(), ..self.clone() };
        let mut falling = 1.0;
        for (k, frame) in frames.iter().enumerate() {
            let mut out = [Frame::ZERO];
            zero.run(core::slice::from_ref(frame), &mut out);
            let n = k as f64;
            falling *= keep;
            for (place, span) in spans.into_iter().enumerate() {
                let w = share(n, span) / length;
                if w == 0.0 {
                    continue;
                }
                of_one[place] += w * falling;
                of_n[place] += w * (n + 1.0) * falling;
                let counts = out.first().map_or(&[0; CHANNELS], |f| f.counts());
                for (mean, x) in means.iter_mut().zip(counts.iter().skip(FIRST_CURRENT)) {
                    mean[place] += w * f64::from(*x);
                }
            }
        }
        let determinant = of_one[0] * of_n[1] - of_one[1] * of_n[0];
        let one = f64::from(1u32 << FRACTION);
        for ((channel, mean), used) in self.channels.iter_mut().zip(&means).zip(&self.used) {
            if !*used || determinant == 0.0 {
                continue;
            }
            let c1 = (mean[0] * of_n[1] - mean[1] * of_n[0]) / determinant;
            let c2 = (of_one[0] * mean[1] - of_one[1] * mean[0]) / determinant;
            // Left alone, the output is aⁿ·out − n·aⁿ⁻¹·sum/2ᵏ; it must take both away.
            channel.out = -(c1 * one) as i64;
            channel.sum = (c2 * one * keep * f64::from(1u32 << self.leak)) as i64;
        }
        self.settling = 0;
    }

    /// Integrates frames into `out` as long as there is the same to say of them.
    ///
    /// Returns how many were integrated, at least one where there are any, and what holds for
    /// each of them. So a window's remarks depend on its frames alone, not on how they came.
    pub fn run(&mut self, frames: &[Frame], out: &mut [Frame]) -> (usize, Seen) {
        let mut seen = None;
        let mut done = 0;
        for (frame, place) in frames.iter().zip(out) {
            let before = (self.channels, self.settling);
            let mut counts: [i32; CHANNELS] = *frame.counts();
            let mut now = Seen { clipped: false, settling: self.settling > 0 };
            let slots = counts.iter_mut().skip(FIRST_CURRENT);
            for ((count, channel), used) in slots.zip(&mut self.channels).zip(&self.used) {
                if *used {
                    let raw = *count;
                    *count = channel.push(raw, self.scale, self.leak);
                    now.clipped |= is_clipped(raw) | is_clipped(*count);
                }
            }
            if *seen.get_or_insert(now) != now {
                (self.channels, self.settling) = before;
                break;
            }
            self.settling =
                if now.clipped { self.settle_frames } else { self.settling.saturating_sub(1) };
            *place = Frame::new(counts);
            done += 1;
        }
        (done, seen.unwrap_or_default())
    }
}

impl Seen {
    /// The remarks for a window.
    pub fn flags(self) -> Flags {
        let mut flags = Flags::NONE;
        flags.insert_if(self.clipped, Flags::I_CLIPPED);
        flags.insert_if(self.settling, Flags::I_SETTLING);
        flags
    }
}

fn is_clipped(count: i32) -> bool {
    count.unsigned_abs() > (COUNT_MAX - CLIP_MARGIN).unsigned_abs()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibration::SensorKind;
    use crate::complex::Complex;
    use crate::response::Responses;
    use crate::window::Nominal;
    use core::f64::consts::TAU;

    fn coils() -> Calibration {
        let mut c = Calibration::default();
        c.sensors[0].kind = SensorKind::Rogowski(Nominal::Hz50);
        c
    }

    /// A frame whose i1 holds a count.
    fn frame(count: f64) -> Frame {
        Frame::new([0, 0, 0, libm::rint(count) as i32, 7, 0, 0, 0])
    }

    fn integrate(integrators: &mut Integrators, x: impl Iterator<Item = f64>) -> Vec<f64> {
        x.map(|x| {
            let mut out = [Frame::ZERO];
            integrators.run(&[frame(x)], &mut out);
            assert_eq!(out[0].counts()[4], 7, "a channel without a coil passes unchanged");
            f64::from(out[0].counts()[3])
        })
        .collect()
    }

    /// Counts of a coil whose output has an RMS of a million: the current's are 50/f of it.
    fn coil(f: f64, rate: f64, n: usize) -> f64 {
        let angle = TAU * f * n as f64 / rate;
        -1e6 * core::f64::consts::SQRT_2 * libm::sin(angle)
    }

    /// A sine of any frequency comes back with the amplitude and angle it has at the terminals.
    #[test]
    fn amplitude_and_phase_are_right_at_any_frequency() {
        let c = coils();
        for rate in [4000.0, 8000.0, 5760.0] {
            for f in [42.5, 50.0, 57.5, 69.0, 250.0, 1250.0, 1700.0] {
                let mut integrators = Integrators::new(&c, rate);
                // Whole cycles of every frequency here fit two seconds.
                let (settle, length) = (4 * rate as usize, 2 * rate as usize);
                let y = integrate(&mut integrators, (0..settle + length).map(|n| coil(f, rate, n)));
                let mut sum = Complex::ZERO;
                for (n, y) in (settle..).zip(&y[settle..]) {
                    sum += Complex::unit(-TAU * f * n as f64 / rate).scale(*y);
                }
                let x = sum.scale(core::f64::consts::SQRT_2 / length as f64);
                let responses = Responses::new(&c, rate, f);
                let x = x.scale(1.0 / scale(rate, 50.0)) * responses.fundamental(3, 0.0);
                let off = x.abs() * f / 50.0 / 1e6 - 1.0;
                assert!(off.abs() < 1e-5, "{rate} {f}: {off}");
                assert!(x.arg().abs() < 1e-5, "{rate} {f}: {}", x.arg());
            }
        }
    }

    /// An hour of the largest offset leaves nothing, and never did more than a bounded start.
    #[test]
    fn an_offset_does_not_pile_up() {
        let mut integrators = Integrators::new(&coils(), 8000.0);
        let y = integrate(&mut integrators, (0..3_600_000).map(|_| 1_048_576.0));
        let most = y.iter().fold(0.0, |m: f64, y| m.max(y.abs()));
        // The step's own integral: 2·offset·2⁻⁶·2¹⁰/e at its highest.
        assert!(most < 1_048_576.0 * 32.0 / 2.7, "{most}");
        assert!(y[16_000..].iter().all(|y| y.abs() < 1e-4 * most), "settled after two seconds");
        assert!(y[200_000..].iter().all(|y| *y == 0.0), "exactly zero in the end");
    }

    /// Ten days of an offset with a signal: the mean stays within a count.
    #[test]
    fn rounding_does_not_drift() {
        let mut integrators = Integrators::new(&coils(), 8000.0);
        let wave: Vec<f64> = (0..160).map(|n| 1700.3 + coil(50.0, 8000.0, n)).collect();
        let mut sum = 0.0;
        for cycle in 0..20_000 {
            let y = integrate(&mut integrators, wave.iter().copied());
            if cycle >= 1000 {
                sum += y.iter().sum::<f64>() / (160.0 * 19_000.0);
            }
        }
        assert!(sum.abs() < 0.1, "{sum}");
    }

    /// A recording that begins anywhere in a wave, with an offset, is right from its first cycle.
    #[test]
    fn a_primed_start_has_nothing_to_settle() {
        for (f, from) in [(50.0, 0), (50.0, 40), (47.3, 77), (60.3, 101)] {
            let wave = |n: usize| coil(f, 8000.0, n) + 0.2 * coil(5.0 * f, 8000.0, n) + 1700.0;
            let frames: Vec<Frame> = (from..from + 4000).map(|n| frame(wave(n))).collect();
            let mut primed = Integrators::new(&coils(), 8000.0);
            primed.prime(&frames[..2000], 8000.0 / f);
            let mut settled = Integrators::new(&coils(), 8000.0);
            // A whole second of it before, at the same phase.
            for n in 0..40_000 {
                let before = (n as f64 - 40_000.0 + from as f64) * f / 8000.0;
                let back = (before - libm::floor(before)) * 8000.0 / f;
                let angle = TAU * f * back / 8000.0;
                let x = -1e6
                    * core::f64::consts::SQRT_2
                    * (libm::sin(angle) + 0.2 * libm::sin(5.0 * angle));
                settled.run(&[frame(x + 1700.0)], &mut [Frame::ZERO]);
            }
            let mut worst = 0;
            for (n, x) in frames.iter().enumerate() {
                let (mut a, mut b) = ([Frame::ZERO], [Frame::ZERO]);
                assert!(!primed.run(&[*x], &mut a).1.settling);
                settled.run(&[*x], &mut b);
                worst = worst.max((a[0].counts()[3] - b[0].counts()[3]).abs());
                assert!(worst < 300, "{f} {from}: {worst} counts of a million at {n}");
            }
        }
    }

    /// After an overload the output finds back, and both are told.
    #[test]
    fn an_overload_is_told_and_passes() {
        let c = coils();
        let mut integrators = Integrators::new(&c, 8000.0);
        let mut clean = Integrators::new(&c, 8000.0);
        let mut worst = 0.0;
        for n in 0..48_000usize {
            let x = coil(50.0, 8000.0, n);
            let over = (16_000..16_400).contains(&n);
            let (mut out, mut want) = ([Frame::ZERO], [Frame::ZERO]);
            let loud = if over { 10.0 * x } else { x };
            let (_, seen) = integrators.run(&[frame(loud.clamp(-9e6, 9e6))], &mut out);
            clean.run(&[frame(x)], &mut want);
            // The integral itself stands outside the range for a while after the input is back.
            assert!(!seen.clipped || (16_000..20_000).contains(&n));
            assert!(seen.settling || n >= 16_000 && !(16_100..32_000).contains(&n), "{n}");
            assert!(!seen.settling || n < 36_000, "{n}");
            if n >= 36_000 {
                let off = out[0].counts()[3] - want[0].counts()[3];
                worst = f64::max(worst, f64::from(off.abs()));
            }
        }
        assert!(worst < 1e-4 * 1e6, "{worst}");
    }
}
