//! Harmonics of windows against closed form.
//!
//! Waves are sums of cosines with known RMS and angle, sampled as 24-bit counts; the phasor of
//! an order is the cosine's own. Limits: 0.05 % of the fundamental or 1 % of the reading.

use std::f64::consts::TAU;
use wattless_core::complex::Complex;
use wattless_core::frame::{CHANNELS, Frame};
use wattless_core::spectrum::ORDERS;
use wattless_core::window::{Follow, Meter, MeterConfig, Nominal, Window};

/// Peak of the range in units of the fundamental's RMS.
const RANGE: f64 = 3.0;

/// A component: order, RMS against the fundamental, angle.
type Part = (f64, f64, f64);

/// Samples `sum(√2·rms·cos(order·θ + angle))` with θ the turns of a frequency that may ramp.
fn frames(parts: &[Vec<Part>; 7], f: f64, ramp_hz_s: f64, rate: f64, count: usize) -> Vec<Frame> {
    (0..count)
        .map(|n| {
            let t = (n as f64 + 0.5) / rate;
            let turns = f * t + 0.5 * ramp_hz_s * t * t;
            let mut counts = [0; CHANNELS];
            for (count, parts) in counts.iter_mut().zip(parts) {
                let x: f64 = parts
                    .iter()
                    .map(|&(order, rms, angle)| {
                        let at = order * turns;
                        core::f64::consts::SQRT_2 * rms * libm::cos(TAU * (at - at.floor()) + angle)
                    })
                    .sum();
                *count = libm::rint(x / RANGE * 8_388_607.0) as i32;
            }
            Frame::new(counts)
        })
        .collect()
}

fn windows(frames: &[Frame], rate: f64, f: f64, follow: Follow) -> Vec<Window> {
    let config = MeterConfig { sample_rate_hz: rate, nominal: Nominal::nearest(f) };
    let hold = vec![Frame::ZERO; (rate * 0.1).ceil() as usize];
    let mut meter = Meter::new(config, hold).unwrap();
    meter.follow(follow);
    let mut out = Vec::new();
    for chunk in frames.chunks(777) {
        meter.push(chunk, &mut |w| out.push(*w));
    }
    out
}

/// Largest error over all windows and channels: against the fundamental, and how many limits
/// (0.05 % of the fundamental or 1 % of the reading) the worst is.
fn worst(windows: &[Window], parts: &[Vec<Part>; 7], skip: usize) -> (f64, f64) {
    let (mut of_fundamental, mut of_limit) = (0.0f64, 0.0f64);
    for w in &windows[skip..] {
        let s = w.spectrum.expect("harmonics are on");
        let reference = Complex::from(s.channels[0][1]).arg() - parts[0][0].2;
        for (orders, parts) in s.channels.iter().zip(parts) {
            let fundamental = parts.iter().find(|p| p.0 == 1.0).map_or(1.0, |p| p.1);
            for (h, x) in orders.iter().enumerate().take(s.highest + 1).skip(1) {
                let got = Complex::from(*x).scale(RANGE / 8_388_607.0);
                let mut want = Complex::ZERO;
                for p in parts.iter().filter(|p| p.0 == h as f64) {
                    want += Complex::unit(p.2 + h as f64 * reference).scale(p.1);
                }
                let size = (got.abs() - want.abs()).abs();
                // The angle is judged as the error it makes in the phasor.
                let error = (got - want).abs().max(size) / fundamental;
                of_fundamental = of_fundamental.max(error);
                let limit = 5e-4f64.max(0.01 * want.abs() / fundamental);
                of_limit = of_limit.max(error / limit);
            }
        }
    }
    (of_fundamental, of_limit)
}

/// Every order at once, each channel with another mixture; the seventh is the neutral.
fn rich() -> [Vec<Part>; 7] {
    std::array::from_fn(|c| {
        let mut parts = vec![(1.0, 1.0 / (1.0 + c as f64), 0.3 - 2.1 * c as f64)];
        for h in 2..=ORDERS {
            let share = 0.2 / h as f64 / (1.0 + c as f64);
            parts.push((h as f64, share, (h * (c + 3)) as f64));
        }
        parts
    })
}

const FREQUENCIES: [f64; 12] =
    [42.5, 45.0, 47.31, 49.95, 50.0, 50.05, 53.7, 57.5, 59.93, 60.0, 63.7, 69.0];

#[test]
fn every_order_at_every_frequency() {
    for f in FREQUENCIES {
        let parts = rich();
        let w = windows(&frames(&parts, f, 0.0, 8000.0, 8000), 8000.0, f, Follow::default());
        let (e, limits) = worst(&w, &parts, 0);
        println!("{f} {e:.2e} {limits:.3} highest {}", w[0].spectrum.unwrap().highest);
        assert!(limits < 0.25, "{f} Hz: {e:.2e} of the fundamental, {limits} limits");
    }
}

/// Moving at 1 Hz a second, once the slope is known (from the fourth window on).
#[test]
fn ramps_are_followed() {
    for (f, ramp) in [(50.0, 1.0), (50.0, -1.0), (60.0, 1.0), (45.0, 1.0)] {
        let parts = rich();
        let w = windows(&frames(&parts, f, ramp, 8000.0, 16000), 8000.0, f, Follow::default());
        let (e, limits) = worst(&w, &parts, 3);
        println!("ramp {f} {ramp} {e:.2e} {limits:.3}");
        assert!(limits < 0.5, "{f} Hz, {ramp} Hz/s: {e:.2e}, {limits} limits");
    }
}

/// Interharmonics on the 5 Hz lines stay out; between the lines a window cannot keep them out,
/// and they leak by the sinc of their distance, as in any window of 200 ms.
#[test]
fn interharmonics_stay_out_of_the_lines() {
    let with = |order: f64| -> [Vec<Part>; 7] {
        std::array::from_fn(|_| vec![(1.0, 1.0, 0.4), (5.0, 0.05, 1.0), (order, 0.02, 2.0)])
    };
    for (order, limit) in [(3.7, 1e-4), (8.3, 1e-4), (3.55, 2e-3), (5.45, 3e-3)] {
        let parts = with(order);
        let f = frames(&parts, 50.0, 0.0, 8000.0, 8000);
        let (e, _) = worst(&windows(&f, 8000.0, 50.0, Follow::default()), &parts, 0);
        println!("2 % at order {order}: {:.4} % of the fundamental", 100.0 * e);
        assert!(e < limit, "{order}: {e:.2e}");
    }
}

/// A neutral's sensor: exact RMS beside the six, harmonics like theirs.
#[test]
fn the_neutral_is_followed_where_asked() {
    let parts = rich();
    let f = frames(&parts, 50.0, 0.0, 8000.0, 8000);
    let follow = Follow { harmonics: true, neutral: true };
    let (with, without) = (
        windows(&f, 8000.0, 50.0, follow),
        windows(&f, 8000.0, 50.0, Follow { harmonics: false, neutral: false }),
    );
    assert_eq!(with.len(), without.len());
    let square: f64 = parts[6].iter().map(|p| p.1 * p.1).sum();
    for (a, b) in with.iter().zip(&without) {
        assert_eq!((a.sums, b.neutral, b.spectrum), (b.sums, None, None));
        let n = a.neutral.expect("the neutral is on");
        let got = n.square_q16 as f64 / a.sums.length_q16 as f64;
        let got = got * (RANGE / 8_388_607.0) * (RANGE / 8_388_607.0);
        assert!((got / square - 1.0).abs() < 2e-5, "{got} {square}");
    }
}
