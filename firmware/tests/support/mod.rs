//! What the node's tests share: a flash that can lose power, and a feeder that never changes.
#![allow(dead_code, reason = "each test file uses a part")]

pub mod flash;
pub mod random;

use wattless_core::calibration::{Calibration, ChannelCalibration};
use wattless_core::frame::{CHANNELS, COUNT_MAX, Frame};
use wattless_core::settings::Settings;
use wattless_node::node::Hardware;

/// The hardware that tests pretend to have.
pub const HARDWARE: Hardware = Hardware {
    node_id: 0x77_61_74_74,
    hardware: "test",
    firmware: "0.0.0",
    sample_rate_mhz: 8_000_000,
};

/// Settings with 400 V and 200 A peak ranges.
pub fn settings(interval_s: u16) -> Settings {
    let mut calibration = Calibration::default();
    for (slot, c) in calibration.channels.iter_mut().enumerate() {
        let peak = if slot < 3 { 400.0 } else { 200.0 };
        *c = ChannelCalibration::with_gain(peak / f64::from(COUNT_MAX));
    }
    let mut s = Settings { interval_s, ..Settings::default() };
    s.power.calibration = calibration;
    s
}

/// Ten cycles of 50 Hz at 8 kSPS: 230 V, 50 A lagging by 60°, to be repeated.
pub fn frames() -> Vec<Frame> {
    (0..1600)
        .map(|n| {
            let mut counts = [0; CHANNELS];
            for (slot, count) in counts.iter_mut().take(6).enumerate() {
                let phase = (slot % 3) as f64 / 3.0;
                let (peak, lag) =
                    if slot < 3 { (325.27 / 400.0, 0.0) } else { (70.71 / 200.0, 60.0 / 360.0) };
                let turns = (n as f64 + 0.5) / 160.0 - phase - lag;
                let x = libm::cos(core::f64::consts::TAU * turns);
                *count = libm::round(x * peak * f64::from(COUNT_MAX)) as i32;
            }
            Frame::new(counts)
        })
        .collect()
}
