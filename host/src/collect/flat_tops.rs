//! Channels that were clipped before their samples reached the file.
//!
//! A file of samples does not say where the range of its converter ends. A channel that was
//! clipped shows it: it comes up to its largest value in a curve that would have gone on, stays
//! there for several equal samples, and does so time and again. A peak that is only rounded to
//! a coarse step is not that, since the curve would not have gone on by much; nor is the flat
//! top of a square or trapezoid, to which no curve leads. Where less than half of a wave is left,
//! hardly a curve is: there the way from the flat on one side to that on the other must be a sine
//! of the wave's own period, and clearly no straight line. What rises ever more steeply up to the
//! flat is not told from what it looks like and stays unnamed.

use super::waveform::SLOTS;
use std::f64::consts::TAU;

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
/// Samples between two flats that show whether they lie on a sine.
const EDGE: std::ops::RangeInclusive<usize> = 6..=BEFORE;
/// A sine must leave less than this share of the squares that a straight line leaves.
const SINE_OVER_LINE: f64 = 1.0 / 16.0;
/// And rise beyond the flat by this factor.
const SINE_BEYOND: f64 = 1.1;
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
    /// Samples before the present stretch, all of them.
    place: usize,
    /// The last flat: its level and where it ended.
    flat: Option<(f64, usize)>,
    /// Where the last flat above and the last below began, with their levels.
    began: [Option<(f64, usize)>; 2],
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
            place: 0,
            flat: None,
            began: [None; 2],
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
        if self.length >= LENGTH_MIN {
            if (x - self.value) * self.value < 0.0 {
                if let Some(slope) = self.slope_towards(self.value) {
                    self.pending = Some((self.value, self.length, slope));
                } else if self.lies_on_sine(self.value) {
                    self.count(self.value);
                }
            }
            self.flat = Some((self.value, self.place + self.length));
            self.began[usize::from(self.value < 0.0)] = Some((self.value, self.place));
        }
        self.place += self.length;
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
        let rounded_to = self.rounded_to();
        // It bends towards its peak: steeper before than just below the flat, and no jump.
        // Where little of the wave is left, only short pieces lie on one side of it.
        (1..=longest).rev().filter(|m| self.next > 2 * m).find_map(|m| {
            let (near, far) = (back(0) - back(m), back(m) - back(2 * m));
            let jump = level.abs() - back(0);
            // Rounding to steps bends a straight ramp, too.
            // Few samples a cycle show no step: the smallest change is none then.
            let rounding = match rounded_to {
                Some(step) => 3.0 * step,
                None => (3.0 * self.step).min(0.05 * far),
            };
            let bend = far - near > f64::max(0.005 * far, rounding);
            let curve = near > 0.0 && bend && jump >= 0.0 && jump <= 1.5 * near;
            curve.then_some(near / m as f64)
        })
    }

    /// The step to which samples before the present stretch were rounded; `None` if they were not.
    fn rounded_to(&self) -> Option<f64> {
        let n = self.next.min(BEFORE);
        let change = |k: usize| self.edge(n, k) - self.edge(n, k - 1);
        let mut least = f64::INFINITY;
        for k in 2..n {
            // Changes of a ramp differ by a step where they are never as small as one.
            for x in [change(k), change(k) - change(k - 1)] {
                if x.abs() > 1e-9 * self.highest.max(-self.lowest) {
                    least = least.min(x.abs());
                }
            }
        }
        let whole = |x: f64| (x - libm::rint(x)).abs() < 0.01;
        (1..n).all(|k| whole(change(k) / least)).then_some(least)
    }

    /// Whether the way from a flat of the other sign up to this one is a sine of the period at
    /// which this flat returns, rather than a straight line.
    fn lies_on_sine(&self, level: f64) -> bool {
        let Some((from, ended)) = self.flat.filter(|(from, _)| from * level < 0.0) else {
            return false;
        };
        let last = self.began[usize::from(level < 0.0)].filter(|(l, _)| *l == level);
        let Some((_, began)) = last else { return false };
        let (n, period) = (self.place - ended, self.place - began);
        // Both flats clip the same wave, so that the way between them is less than half of it.
        let alike = (0.5..2.0).contains(&(from / level).abs());
        if !EDGE.contains(&n) || 2 * n >= period || !alike {
            return false;
        }
        let middle = (n - 1) as f64 / 2.0;
        let samples = || (0..n).map(|k| (k as f64 - middle, self.edge(n, k)));
        // Least squares of two shapes that are at right angles over the symmetric stretch.
        let left = |odd: &dyn Fn(f64) -> f64, even: &dyn Fn(f64) -> f64| {
            let share = |shape: &dyn Fn(f64) -> f64| {
                let over = samples().map(|(t, x)| shape(t) * x).sum::<f64>();
                over / samples().map(|(t, _)| shape(t) * shape(t)).sum::<f64>()
            };
            let (a, b) = (share(odd), share(even));
            let squares = samples().map(|(t, x)| {
                let off = x - a * odd(t) - b * even(t);
                off * off
            });
            (squares.sum::<f64>(), libm::hypot(a, b))
        };
        let turn = TAU / period as f64;
        let (sine, top) = left(&|t| libm::sin(turn * t), &|t| libm::cos(turn * t));
        let (line, _) = left(&|t| t, &|_| 1.0);
        sine < SINE_OVER_LINE * line && top > SINE_BEYOND * level.abs()
    }

    /// Sample `k` of the last `n` before the present stretch.
    fn edge(&self, n: usize, k: usize) -> f64 {
        self.before[(self.next - n + k) % BEFORE]
    }

    fn judge(&mut self, level: f64, length: usize, slope: f64) {
        // A parabola with these slopes at its ends rises by that between them.
        let beyond = slope * length as f64 / 4.0;
        if beyond < BEYOND_SHARE * level.abs() || beyond < BEYOND_STEPS * self.step {
            return;
        }
        self.count(level);
    }

    /// One more flat at a level, or the first at a larger one.
    fn count(&mut self, level: f64) {
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

    /// A sensor far too small for its current: a fifth to a half of the wave is left, with noise
    /// of a 16-bit input, or harmonics of a motor's current.
    #[test]
    fn hard_clipped_waves_are_found() {
        for per_cycle in [128, 160, 200, 256] {
            for share in [0.2, 0.3, 0.4, 0.5, 0.6] {
                let at = share * 325.0;
                let noise = |t: f64| 325.0 * 2e-5 * libm::sin(1e5 * t);
                let both = |t: f64| (sine(t) + noise(t)).clamp(-at, at);
                assert_eq!(level(per_cycle, both), Some(at), "{per_cycle} a cycle, {share}");
                let rich = |t: f64| (sine(t) + 3.0 * libm::sin(TAU * 5.0 * t + 0.4)).clamp(-at, at);
                let found = level(per_cycle, rich);
                assert!(found.is_none_or(|x| x == at), "{per_cycle} a cycle, {share}: {found:?}");
            }
        }
    }

    /// Currents of rectifiers (commutation by the textbook form cos α − cos(α + x), from memory),
    /// cut phases and trapezoids: flat, and whole.
    #[test]
    fn currents_of_rectifiers_are_whole() {
        let fraction = |t: f64| t - libm::floor(t);
        for per_cycle in [128, 160, 256, 1000] {
            for (alpha_deg, overlap_deg) in [0.0, 15.0, 30.0, 60.0, 75.0]
                .into_iter()
                .flat_map(|alpha| [8.0, 15.0, 25.0, 35.0].map(|u| (alpha, u)))
                // Beyond that a commutation bends before it ends, as a clipped wave does.
                .filter(|(alpha, u)| alpha + u <= 90.0)
            {
                let (alpha, u) = (TAU * alpha_deg / 360.0, TAU * overlap_deg / 360.0);
                let all = libm::cos(alpha) - libm::cos(alpha + u);
                // From 0 to 1 over the overlap that begins at an angle.
                let rise = |t: f64, from_deg: f64| {
                    let x = TAU * fraction(t - from_deg / 360.0);
                    ((libm::cos(alpha) - libm::cos(alpha + x.min(u))) / all).min(1.0)
                };
                let pulse = |t: f64, from_deg: f64, to_deg: f64| {
                    let up = fraction(t - from_deg / 360.0) < fraction(t - to_deg / 360.0);
                    if up { rise(t, from_deg) } else { 1.0 - rise(t, to_deg) }
                };
                let six = |t: f64| 100.0 * (pulse(t, 30.0, 150.0) - pulse(t, 210.0, 330.0));
                let two = |t: f64| 200.0 * pulse(t, 30.0, 210.0) - 100.0;
                for (pulses, found) in [(6, level(per_cycle, six)), (2, level(per_cycle, two))] {
                    assert_eq!(found, None, "{pulses}: {per_cycle} {alpha_deg} {overlap_deg}");
                }
            }
            for slope in [1.2, 2.0, 4.0, 8.0] {
                let ramp = |t: f64| {
                    (400.0 * slope * ((fraction(t) - 0.5).abs() - 0.25)).clamp(-100.0, 100.0)
                };
                assert_eq!(level(per_cycle, ramp), None, "trapezoid {slope}");
                let coarse = |t: f64| libm::rint(ramp(t) / 0.5) * 0.5;
                assert_eq!(level(per_cycle, coarse), None, "{per_cycle} coarse trapezoid {slope}");
            }
            for firing in [0.1, 0.25, 0.4] {
                let cut = |t: f64| if fraction(2.0 * t) < 2.0 * firing { 0.0 } else { sine(t) };
                assert_eq!(level(per_cycle, cut), None, "cut at {firing}");
            }
        }
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
