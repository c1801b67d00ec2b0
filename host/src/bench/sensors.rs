//! From phasors to counts: ranges, sensor errors, leads, offsets and the converter's noise.

use super::chance::Chance;
use super::feeder::{RIGHT_LEADS, State};
use super::scenario::Scenario;
use wattless_core::calibration::{Calibration, ChannelCalibration};
use wattless_core::complex::Complex;
use wattless_core::frame::{ACTIVE, COUNT_MAX};
use wattless_core::power::{Dc, PowerConfig};
use wattless_core::settings::Settings;
use wattless_core::wiring::Wiring;

/// Voltage range over nominal peak when the scenario gives none.
const V_HEADROOM: f64 = 1.5;

/// Frames of noise that are drawn; stretches of it are used from random starts.
const NOISE_LEN: usize = 1 << 16;

/// The six channels between the feeder and the frames.
#[derive(Clone, Debug)]
pub struct Sensors {
    wiring: Wiring,
    leads: [(usize, f64); ACTIVE],
    /// Peak counts per RMS volt or ampere, gain error included.
    counts_per_rms: [f64; ACTIVE],
    /// How far the output is ahead, in radians of the fundamental.
    ahead_rad: [f64; ACTIVE],
    /// Counts at zero input.
    pub offsets: [f64; ACTIVE],
    settings: Settings,
    noise: Vec<i32>,
}

impl Sensors {
    /// The sensors of a scenario.
    pub fn new(s: &Scenario) -> Sensors {
        let n = &s.node;
        let wiring = s.supply.wiring;
        let line_inputs = matches!(wiring, Wiring::ThreeWireLine | Wiring::TwoSensorLine);
        let nominal_v = s.nominal_phase_v() * if line_inputs { libm::sqrt(3.0) } else { 1.0 };
        let v_range =
            n.v_range_peak_v.unwrap_or(V_HEADROOM * core::f64::consts::SQRT_2 * nominal_v);
        let mut calibration = Calibration::default();
        for (slot, c) in calibration.channels.iter_mut().enumerate().take(ACTIVE) {
            let range = if slot < 3 { v_range } else { n.i_range_peak_a };
            *c = ChannelCalibration::with_gain(range / f64::from(COUNT_MAX));
        }
        let errors = n.errors.by_slot();
        let leads = n.leads.by_slot();
        let mut settings = Settings {
            nominal: s.nominal(),
            interval_s: n.interval_s,
            power: PowerConfig {
                wiring,
                calibration,
                v_dc: Dc::Keep,
                i_dc: Dc::Keep,
                neutral_sensor: false,
            },
            ..Settings::default()
        };
        // The check has made sure that it fits.
        let _ = settings.feeder.push_str(&s.plant.feeder);
        let rms_counts = n.noise_uv / (n.full_scale_mv * 1e3) * f64::from(COUNT_MAX);
        let mut chance = Chance::new(s.span.seed, "converter noise");
        let noise = if rms_counts > 0.0 {
            (0..NOISE_LEN).map(|_| libm::rint(rms_counts * chance.normal()) as i32).collect()
        } else {
            Vec::new()
        };
        Sensors {
            wiring,
            leads: core::array::from_fn(|k| leads[k].map_or(RIGHT_LEADS[k], |l| l.place())),
            counts_per_rms: core::array::from_fn(|k| {
                core::f64::consts::SQRT_2 * (1.0 + errors[k].gain_pct / 100.0)
                    / calibration.channels[k].gain
            }),
            ahead_rad: errors.map(|e| (e.phase_min / 60.0).to_radians()),
            offsets: errors.map(|e| f64::from(e.offset_counts)),
            settings,
            noise,
        }
    }

    /// What the node is told: ranges as its calibration, wiring, interval; no sensor error.
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// Phasors of the channels in peak counts, one row an order.
    ///
    /// A sensor that is ahead is so by the same time at every order.
    pub fn counts(&self, state: &State, orders: &[u8]) -> Vec<[Complex; ACTIVE]> {
        let mut rows = state.channels(self.wiring, &self.leads);
        for (row, order) in rows.iter_mut().zip(orders) {
            for (k, x) in row.iter_mut().enumerate() {
                *x = x.scale(self.counts_per_rms[k]);
                if self.ahead_rad[k] != 0.0 {
                    *x = *x * Complex::unit(self.ahead_rad[k] * f64::from(*order));
                }
            }
        }
        rows
    }

    /// Noise for so many frames of each channel, from random places of what was drawn.
    pub fn noise<'a>(&'a self, len: usize, chance: &mut Chance) -> [&'a [i32]; ACTIVE] {
        core::array::from_fn(|_| {
            let room = self.noise.len().saturating_sub(len);
            if room == 0 {
                return &[][..];
            }
            let from = chance.below(room);
            &self.noise[from..from + len]
        })
    }
}
