//! Counts of a converter on feeders that are out of order, for comparisons bit for bit.

use libm::{cos, floor, rint, sin};
use std::f64::consts::TAU;
use wattless_core::calibration::ChannelCalibration;
use wattless_core::frame::{CHANNELS, COUNT_MAX, Frame};
use wattless_core::settings::Settings;
use wattless_core::window::Nominal;
use wattless_core::wiring::Wiring;

/// Frames a second.
pub const RATE_HZ: u32 = 8000;

/// The names of all cases.
pub const CASES: [&str; 10] = [
    "clean",
    "noise",
    "clipping",
    "one-phase-lost",
    "all-lost",
    "steps",
    "ramp",
    "odd-phase",
    "unbalance-dc",
    "sixty-three-wire",
];

/// A repeatable noise from −1 to 1 (a 64-bit linear congruential generator's upper bits).
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> f64 {
        self.0 =
            self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 52) as f64 - 1.0
    }
}

/// Settings of a case: records of 2 s, channels that differ in gain, offset and delay.
pub fn settings(case: &str) -> Settings {
    let mut s = Settings { interval_s: 2, ..Settings::default() };
    for (slot, c) in s.power.calibration.channels.iter_mut().enumerate() {
        *c = ChannelCalibration::with_gain(if slot < 3 { 5.3e-5 } else { 1.1e-5 });
        if case != "clean" {
            c.offset_counts = 211 * slot as i32 - 500;
            c.delay_ns = 3100 - 1700 * slot as i32;
        }
    }
    if case == "sixty-three-wire" {
        s.nominal = Nominal::Hz60;
        s.power.wiring = Wiring::ThreeWire;
    }
    s
}

/// Frequency at a time, in Hz.
fn frequency_hz(case: &str, t: f64) -> f64 {
    match case {
        "steps" if t < 2.9 => 50.0,
        "steps" if t < 6.1 => 47.3,
        "steps" => 52.9,
        "ramp" => 48.0 + (t - 2.0).clamp(0.0, 6.0),
        "odd-phase" => 50.037,
        "sixty-three-wire" => 59.94,
        _ => 50.0,
    }
}

/// The frames of a case.
pub fn frames(case: &str, seconds: u32) -> Vec<Frame> {
    let mut noise = Noise(case.len() as u64);
    let mut turns = 0.0;
    let full = f64::from(COUNT_MAX);
    (0..seconds * RATE_HZ)
        .map(|n| {
            let t = (f64::from(n) + 0.5) / f64::from(RATE_HZ);
            turns += frequency_hz(case, t) / f64::from(RATE_HZ);
            turns -= floor(turns);
            let mut counts = [0; CHANNELS];
            for (slot, count) in counts.iter_mut().take(6).enumerate() {
                let (phase, is_v) = (slot % 3, slot < 3);
                let odd = if case == "odd-phase" { [0.11, -0.07, 0.31][phase] } else { 0.0 };
                let lag = if is_v { 0.0 } else { 0.16 } + odd;
                let angle = TAU * (turns - phase as f64 / 3.0 - lag);
                let mut level = if is_v { 0.73 } else { 0.4 };
                let mut x = cos(angle);
                match case {
                    "clipping" => level *= if (3.0..8.0).contains(&t) { 1.6 } else { 1.0 },
                    "one-phase-lost" if phase == 1 && (2.6..7.3).contains(&t) => level = 0.0,
                    "all-lost" if (2.6..7.3).contains(&t) => level = 0.0,
                    "unbalance-dc" => {
                        level *= [1.0, 0.8, 0.55][phase];
                        x += 0.09 + 0.06 * cos(5.0 * angle) + 0.11 * sin(3.0 * angle);
                    }
                    _ => {}
                }
                let mut value = level * x;
                if case == "noise" {
                    value = 0.2 * value + 0.03 * noise.next();
                }
                // Every converter moves by some steps.
                let steps = if case == "clean" { 0.0 } else { 3.0 * noise.next() };
                *count = rint(value * full + steps).clamp(-full - 1.0, full) as i32;
            }
            Frame::new(counts)
        })
        .collect()
}
