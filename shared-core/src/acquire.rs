//! Finds the fundamental in a short stretch of frames, with no idea of it beforehand.
//! First a coarse look at a decimated copy, then phase differences between whole cycles.

use crate::accumulate::{Sums, sum_stretch};
use crate::complex::Complex;
use crate::frame::Frame;

/// Seconds of frames that the search needs.
pub const ACQUIRE_S: f64 = 0.1;

/// Lowest and highest fundamental that is ever accepted, in Hz.
pub const FREQUENCY_RANGE_HZ: (f64, f64) = (40.0, 72.0);

/// Share of the AC power of the voltages that the fundamental must have.
pub const FUNDAMENTAL_SHARE: f64 = 0.5;

const VOLTAGES: usize = 3;
const COARSE_RATE_HZ: f64 = 1000.0;
const COARSE_MAX: usize = 160;
const COARSE_STEP_HZ: f32 = 2.0;

/// Frames that the search needs at a sample rate.
pub fn acquire_frames(sample_rate_hz: f64) -> usize {
    libm::ceil(ACQUIRE_S * sample_rate_hz) as usize
}

/// Finds the frequency of the fundamental of the voltages, in Hz.
///
/// Needs about [`ACQUIRE_S`] of frames. Returns `None` when no component from
/// 40 to 72 Hz holds half of the AC power, or its RMS is below `floor_counts`.
pub fn find_fundamental(frames: &[Frame], sample_rate_hz: f64, floor_counts: f64) -> Option<f64> {
    let mut f = coarse(frames, sample_rate_hz)?;
    let mut quality = None;
    for _ in 0..8 {
        let period = sample_rate_hz / f;
        // Every cut keeps two frames on either side, so that all are of the same kind.
        let cycles = libm::floor((frames.len() as f64 - 5.0) / period);
        if cycles < 3.0 {
            return None;
        }
        let (part, apart) = (2.0, cycles - 2.0);
        let head = sum_stretch(frames, f / sample_rate_hz, 2.0, part * period)?;
        let tail = sum_stretch(frames, f / sample_rate_hz, 2.0 + apart * period, part * period)?;
        let turn = advance(&head, &tail)?.arg() / core::f64::consts::TAU;
        let next = f * (1.0 + turn / apart);
        quality = Some((presence(&head), presence(&tail)));
        let settled = libm::fabs(next - f) < 1e-5;
        f = next;
        if !(FREQUENCY_RANGE_HZ.0..=FREQUENCY_RANGE_HZ.1).contains(&f) {
            return None;
        }
        if settled {
            break;
        }
    }
    let (head, tail) = quality?;
    (head.is_usable(floor_counts) && tail.is_usable(floor_counts)).then_some(f)
}

/// How much of the voltages is fundamental.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Presence {
    fundamental: f64,
    alternating: f64,
}

impl Presence {
    /// Whether the fundamental is strong enough to follow.
    pub(crate) fn is_usable(&self, floor_counts: f64) -> bool {
        self.fundamental >= floor_counts * floor_counts
            && self.fundamental >= FUNDAMENTAL_SHARE * self.alternating
    }
}

/// Sums the squares of the voltages' fundamental and of all their AC.
pub(crate) fn presence(sums: &Sums) -> Presence {
    let mut p = Presence { fundamental: 0.0, alternating: 0.0 };
    for slot in 0..VOLTAGES {
        let mean = sums.mean(slot);
        p.fundamental += sums.rms_phasor(slot).norm_sq();
        p.alternating += sums.mean_product(slot, slot, 0, 0) - mean * mean;
    }
    p
}

/// The turn of all voltage phasors from one stretch to the next, weighted by their squares.
pub(crate) fn advance(from: &Sums, to: &Sums) -> Option<Complex> {
    let mut turn = Complex::ZERO;
    for slot in 0..VOLTAGES {
        turn += to.rms_phasor(slot) * from.rms_phasor(slot).conj();
    }
    (turn.norm_sq() > 0.0).then_some(turn)
}

/// The strongest of a few frequencies under a Hann window, refined by a parabola.
fn coarse(frames: &[Frame], sample_rate_hz: f64) -> Option<f64> {
    let decimation = (libm::floor(sample_rate_hz / COARSE_RATE_HZ) as usize).max(1);
    let mut data = [[0.0f32; VOLTAGES]; COARSE_MAX];
    let mut used = 0usize;
    let mut mean = [0.0f32; VOLTAGES];
    for (row, group) in data.iter_mut().zip(frames.chunks_exact(decimation)) {
        for (k, x) in row.iter_mut().enumerate() {
            let sum: i64 = group
                .iter()
                .map(|f| i64::from(f.counts().get(k).copied().unwrap_or_default()))
                .sum();
            *x = sum as f32;
        }
        for (m, x) in mean.iter_mut().zip(row.iter()) {
            *m += *x;
        }
        used += 1;
    }
    if used < 8 {
        return None;
    }
    let hann = Complex::unit(core::f64::consts::TAU / used as f64);
    let (mut w, half) = (Complex::unit(core::f64::consts::PI / used as f64), 0.5f32);
    for row in data.iter_mut().take(used) {
        for (x, m) in row.iter_mut().zip(&mean) {
            *x = (*x - *m / used as f32) * (half - half * w.re as f32);
        }
        w = w * hann;
    }
    let rate = (sample_rate_hz / decimation as f64) as f32;
    let (low, high) = (FREQUENCY_RANGE_HZ.0 as f32 - 4.0, FREQUENCY_RANGE_HZ.1 as f32 + 4.0);
    let (mut best, mut before) = ((0.0f32, 0.0f32), 0.0f32);
    let (mut last, mut after) = (0.0f32, 0.0f32);
    let mut f = low;
    while f <= high {
        let p = power_at(data.get(..used)?, f / rate);
        if p > best.1 {
            best = (f, p);
            before = last;
            after = 0.0;
        } else if after == 0.0 {
            after = p;
        }
        last = p;
        f += COARSE_STEP_HZ;
    }
    if best.1 <= 0.0 {
        return None;
    }
    let bend = before - 2.0 * best.1 + after;
    let shift = if bend < 0.0 { 0.5 * (before - after) / bend } else { 0.0 };
    let f = best.0 + shift.clamp(-0.5, 0.5) * COARSE_STEP_HZ;
    Some(f64::from(f).clamp(FREQUENCY_RANGE_HZ.0, FREQUENCY_RANGE_HZ.1))
}

/// Power of one frequency over all voltages.
fn power_at(rows: &[[f32; VOLTAGES]], turns_per_row: f32) -> f32 {
    let unit = Complex::unit(-core::f64::consts::TAU * f64::from(turns_per_row));
    let (step_re, step_im) = (unit.re as f32, unit.im as f32);
    let (mut re, mut im) = (1.0f32, 0.0f32);
    let mut acc = [(0.0f32, 0.0f32); VOLTAGES];
    for row in rows {
        for (a, x) in acc.iter_mut().zip(row) {
            a.0 += x * re;
            a.1 += x * im;
        }
        (re, im) = (re * step_re - im * step_im, re * step_im + im * step_re);
    }
    acc.iter().map(|a| a.0 * a.0 + a.1 * a.1).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use core::f64::consts::TAU;

    fn wave(f: f64, rate: f64, phase: f64, fifth: f64) -> Vec<Frame> {
        (0..acquire_frames(rate))
            .map(|n| {
                let a = TAU * f * (n as f64 + 0.5) / rate;
                let v = |shift: f64| {
                    let x =
                        libm::cos(a + shift + phase) + fifth * libm::cos(5.0 * (a + shift) + 1.0);
                    (x * 4e6) as i32
                };
                Frame::new([v(0.0), v(-TAU / 3.0), v(TAU / 3.0), 0, 0, 0, 0, 0])
            })
            .collect()
    }

    #[test]
    fn finds_any_frequency_phase_and_rate() {
        for f in [42.5, 47.3, 49.99, 50.0, 54.9, 60.0, 63.7, 69.0] {
            for rate in [2000.0, 5760.0, 8000.0, 32000.0] {
                for phase in [0.0, 1.0, 2.5, -2.0] {
                    let found = find_fundamental(&wave(f, rate, phase, 0.2), rate, 100.0);
                    let error = found.map(|g| (g - f).abs());
                    assert!(error.is_some_and(|e| e < 0.02), "{f} Hz at {rate}: {found:?}");
                }
            }
        }
    }

    #[test]
    fn refuses_what_is_no_fundamental() {
        let rate = 8000.0;
        for f in [16.7, 30.0, 100.0, 400.0] {
            let found = find_fundamental(&wave(f, rate, 0.0, 0.0), rate, 100.0);
            assert_eq!(found, None, "{f} Hz");
        }
        assert_eq!(find_fundamental(&[Frame::ZERO; 800], rate, 1.0), None);
        assert_eq!(find_fundamental(&[Frame::new([5_000_000; 8]); 800], rate, 1.0), None);
        assert_eq!(find_fundamental(&[], rate, 1.0), None);
    }
}
