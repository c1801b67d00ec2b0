//! Scenarios for the bench's tests.
#![allow(dead_code, reason = "each test program uses a part")]

use wattless::bench::{Scenario, Setup};
use wattless_core::frame::Frame;
use wattless_core::power::{Reading, read_window};
use wattless_core::rogowski::Integrators;
use wattless_core::window::{Meter, MeterConfig};

use wattless::bench::wave::SampleSource;

/// A steady supply: plant, one day from Monday 2 March 2026, 400 V or 230 V, 50 Hz.
pub fn head(wiring: &str, more_supply: &str) -> String {
    let nominal_v = if wiring == "single-phase" { 230.0 } else { 400.0 };
    format!(
        "[plant]\nname = \"Brackwater Joinery\"\nfeeder = \"Sawmill main\"\n\
         time_zone = \"Europe/Copenhagen\"\n\
         [span]\nstart = \"2026-03-02\"\ndays = 1\nseed = 5\n\
         [supply]\nnominal_v = {nominal_v:?}\nnominal_hz = 50.0\nwiring = \"{wiring}\"\n{more_supply}\n"
    )
}

/// A motor at constant load, always on.
pub const MOTOR: &str = "[[motor]]\nname = \"Saw\"\nrated_kw = 55.0\nefficiency = 0.94\npf = 0.86\n\
                         work_load = [0.4, 0.4]\n";

/// Rectifiers with the usual harmonics, always on.
pub const RECTIFIER: &str = "[[rectifier]]\nname = \"Drives\"\nkw = 20.0\n";

pub fn setup(text: &str) -> Setup {
    match Scenario::parse(text, "test.toml") {
        Ok(s) => Setup::new(s),
        Err(e) => panic!("{e}"),
    }
}

/// The readings of all windows of a source.
pub fn readings(setup: &Setup, source: &mut dyn SampleSource) -> Vec<Reading> {
    let settings = setup.sensors.settings();
    let config = MeterConfig { sample_rate_hz: setup.sample_rate_hz(), nominal: settings.nominal };
    let mut meter = Meter::new(config, vec![Frame::ZERO; 800]).unwrap();
    let mut integrators = Integrators::new(&settings.power.calibration, setup.sample_rate_hz());
    let mut out = Vec::new();
    while let Some(block) = source.next_block() {
        let mut frames = block.to_vec();
        let mut at = 0;
        while integrators.any() && at < block.len() {
            at += integrators.run(&block[at..], &mut frames[at..]).0;
        }
        meter.push(&frames, &mut |w| out.push(read_window(w, &settings.power)));
    }
    out
}
