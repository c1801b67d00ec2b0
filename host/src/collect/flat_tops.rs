//! Channels that were clipped before their samples reached the file.
//!
//! A file of samples does not say where the range of its converter ends. A channel that was
//! clipped shows it: it comes up to its largest value in a curve that would have gone on, stays
//! there for several equal samples, and does so time and again. A peak that is only rounded to
//! a coarse step is not that, since the curve would not have gone on by much; nor is the flat
//! top of a square or trapezoid, to which no curve leads. What rises ever more steeply up to the
//! flat, or of which less than half is left, is not told from those and stays unnamed.

use super::waveform::SLOTS;

/// Samples looked at before a flat stretch; a power of two.
const BEFORE: usize = 64;
/// Samples that a new one is compared with, counted back, to find the smallest step.
const LOOK_BACK: [usize; 8] = [1, 2, 3, 5, 8, 13, 21, 34];
/// Equal samples that make a flat stretch.
const LENGTH_MIN: usize = 3;
/// The curve would have gone beyond the flat by more than this share of it.
const BEYOND_SHARE: f64 = 2e-3;
/// And by more than so many of the smallest steps between samples.
const BEYOND_STEPS: f64 = 4.0;
/// Flats below this share of the channel's largest magnitude are no end of a range.
const LEVEL_SHARE: f64 = 0.2;
/// So many flats at one level are no chance.
const FLATS_MIN: u32 = 2;

/// One end of the range, above or below.
#[derive(Clone, Copy, Debug, Default)]
struct End {
    level: f64,
    flats: u32,
}

/// Looks at the samples of one channel in order.
#[derive(Clone, Debug)]
pub struct FlatTops {
    /// Samples before the present stretch of equal ones, the newest at `next - 1`.
    before: [f64; BEFORE],
    next: usize,
    value: f64,
    length: usize,
    /// A flat whose way down is still to come: its length and the slope towards it.
    pending: Option<(f64, usize, f64)>,
    step: f64,
    highest: f64,
    lowest: f64,
    above: End,
    below: End,
}

impl Default for FlatTops {
    fn default() -> Self {
        FlatTops {
            before: [0.0; BEFORE],
            next: 0,
            value: f64::NAN,
            length: 0,
            pending: None,
            step: f64::INFINITY,
            highest: 0.0,
            lowest: 0.0,
            above: End::default(),
            below: End::default(),
        }
    }
}

impl FlatTops {
    /// Takes the next sample.
    pub fn add(&mut self, x: f64) {
        if x == self.value {
            self.length += 1;
            return;
        }
        if self.value.is_nan() {
            (self.value, self.length) = (x, 1);
            return;
        }
        self.step = self.step.min((x - self.value).abs());
        for back in LOOK_BACK.into_iter().filter(|n| *n <= self.next) {
            let change = (x - self.before[(self.next - back) % BEFORE]).abs();
            if change > 0.0 {
                self.step = self.step.min(change);
            }
        }
        self.highest = self.highest.max(self.value).max(x);
        self.lowest = self.lowest.min(self.value).min(x);
        if let Some((level, length, slope)) = self.pending.take()
            && self.length == 1
        {
            // The second sample after the flat shows how steep the way down is.
            let down = (self.value - x) * level.signum();
            self.judge(level, length, slope.min(down));
        }
        if self.length >= LENGTH_MIN
            && let Some(slope) = self.slope_towards(self.value)
            && (x - self.value) * self.value < 0.0
        {
            self.pending = Some((self.value, self.length, slope));
        }
        for _ in 0..self.length.min(BEFORE) {
            self.before[self.next % BEFORE] = self.value;
            self.next += 1;
        }
        (self.value, self.length) = (x, 1);
    }

    /// The slope per sample with which a curve comes up to a flat; `None` if it is no curve.
    fn slope_towards(&self, level: f64) -> Option<f64> {
        let longest = (self.length / 4).clamp(1, BEFORE / 2 - 1);
        let back = |n: usize| self.before[(self.next - 1 - n) % BEFORE] * level.signum();
        // It bends towards its peak: steeper before than just below the flat, and no jump.
        // Where little of the wave is left, only short pieces lie on one side of it.
        (1..=longest).rev().filter(|m| self.next > 2 * m).find_map(|m| {
            let (near, far) = (back(0) - back(m), back(m) - back(2 * m));
            let jump = level.abs() - back(0);
            // Rounding to steps bends a straight ramp, too; few samples a cycle show no step.
            let rounding = (3.0 * self.step).min(0.05 * far);
            let bend = far - near > f64::max(0.005 * far, rounding);
            let curve = near > 0.0 && bend && jump >= 0.0 && jump <= 1.5 * near;
            curve.then_some(near / m as f64)
        })
    }

    fn judge(&mut self, level: f64, length: usize, slope: f64) {
        // A parabola with these slopes at its ends rises by that between them.
        let beyond = slope * length as f64 / 4.0;
        if beyond < BEYOND_SHARE * level.abs() || beyond < BEYOND_STEPS * self.step {
            return;
        }
        let end = if level > 0.0 { &mut self.above } else { &mut self.below };
        if level == end.level {
            end.flats += 1;
        } else if level.abs() > end.level.abs() {
            *end = End { level, flats: 1 };
        }
    }

    /// The smallest magnitude at which the channel was clipped.
    pub fn level(&self) -> Option<f64> {
        let least = LEVEL_SHARE * self.highest.max(-self.lowest);
        [(self.above, self.highest), (self.below, self.lowest)]
            .into_iter()
            .filter(|(end, most)| end.flats >= FLATS_MIN && end.level == *most)
            .map(|(end, _)| end.level.abs())
            .filter(|level| *level > least)
            .reduce(f64::min)
    }
}

/// All slots of a stream.
#[derive(Clone, Debug, Default)]
pub struct FlatChannels([FlatTops; SLOTS]);

impl FlatChannels {
    /// Takes the samples of the next instant.
    #[inline]
    pub fn add(&mut self, samples: &[f64; SLOTS]) {
        for (channel, x) in self.0.iter_mut().zip(samples) {
            channel.add(*x);
        }
    }

    /// Where each slot was clipped.
    pub fn levels(&self) -> [Option<f64>; SLOTS] {
        self.0.each_ref().map(FlatTops::level)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    /// What a wave sampled so often a cycle, over ten cycles, is found to be clipped at.
    fn level(per_cycle: usize, wave: impl Fn(f64) -> f64) -> Option<f64> {
        let mut flat = FlatTops::default();
        for n in 0..10 * per_cycle {
            flat.add(wave((n as f64 + 0.37) / per_cycle as f64));
        }
        flat.level()
    }

    fn sine(turns: f64) -> f64 {
        325.0 * libm::sin(TAU * turns)
    }

    #[test]
    fn clipped_waves_are_found() {
        for per_cycle in [40, 160, 256, 1000] {
            for share in [0.5, 0.7, 0.9, 0.97] {
                // A few samples of a ramp show no bend.
                if per_cycle < 100 && share < 0.6 {
                    continue;
                }
                let at = share * 325.0;
                let both = level(per_cycle, |t| sine(t).clamp(-at, at));
                assert_eq!(both, Some(at), "{per_cycle} a cycle, {share}");
                assert_eq!(level(per_cycle, |t| sine(t).min(at)), Some(at), "one side");
            }
        }
        // Clipped in a converter of 12 bits.
        let coarse = |x: f64| libm::rint(x / 0.2) * 0.2;
        assert_eq!(level(160, |t| coarse(sine(t)).clamp(-300.0, 300.0)), Some(300.0));
    }

    #[test]
    fn whole_waves_are_not() {
        let fraction = |t: f64| t - libm::floor(t);
        for per_cycle in [40, 160, 256, 1000] {
            assert_eq!(level(per_cycle, sine), None);
            // Rounded to steps of 1 % and less.
            for step in [3.0, 1.0, 0.1] {
                assert_eq!(level(per_cycle, |t| libm::rint(sine(t) / step) * step), None);
            }
            // Half waves, square currents of a six-pulse rectifier, trapezoids, cut phases.
            assert_eq!(level(per_cycle, |t| sine(t).max(0.0)), None);
            let pulse = |t: f64| match fraction(t) {
                x if (1.0 / 12.0..5.0 / 12.0).contains(&x) => 100.0,
                x if (7.0 / 12.0..11.0 / 12.0).contains(&x) => -100.0,
                _ => 0.0,
            };
            assert_eq!(level(per_cycle, pulse), None);
            let trapezoid =
                |t: f64| (400.0 * (2.0 * (fraction(t) - 0.5).abs() - 0.5)).clamp(-100.0, 100.0);
            assert_eq!(level(per_cycle, trapezoid), None);
            assert_eq!(
                level(per_cycle, |t| if fraction(2.0 * t) < 0.5 { 0.0 } else { sine(t) }),
                None
            );
            assert_eq!(level(per_cycle, |_| 48.0), None);
        }
    }
}
