//! From phasors to counts: ranges, sensors, filters, leads, offsets and the converter's noise.
//!
//! Everything acts on phasors, as it acts on a wave in the steady state. What the node's
//! program does about it is written elsewhere and by other formulas.

use super::chance::Chance;
use super::feeder::{INPUTS, RIGHT_LEADS, State};
use super::scenario::{CoilOrTransformer, FrontEnd, Scenario, SensorRow};
use core::f64::consts::{PI, TAU};
use wattless_core::calibration::{Calibration, ChannelCalibration, SensorKind, SensorPoint};
use wattless_core::complex::Complex;
use wattless_core::frame::{ACTIVE, COUNT_MAX, NEUTRAL};
use wattless_core::power::{Dc, PowerConfig};
use wattless_core::settings::Settings;
use wattless_core::wiring::Wiring;

/// Voltage range over nominal peak when the scenario gives none.
const V_HEADROOM: f64 = 1.5;

/// Frames over which a switched current goes from one state to the next, where it matters.
pub const STEP_FRAMES: usize = 48;

/// Frames of noise that are drawn; stretches of it are used from random starts.
const NOISE_LEN: usize = 1 << 16;

/// The channels between the feeder and the frames.
#[derive(Clone, Debug)]
pub struct Sensors {
    wiring: Wiring,
    leads: [(usize, f64); ACTIVE],
    /// What the neutral's sensor sits on; `None` where there is no such sensor.
    neutral: Option<NeutralOn>,
    /// Peak counts per RMS volt or ampere, gain error included.
    counts_per_rms: [f64; INPUTS],
    /// How far the output is ahead, in radians of the fundamental.
    ahead_rad: [f64; INPUTS],
    /// Counts at zero input.
    pub offsets: [f64; INPUTS],
    front_end: FrontEnd,
    /// Rows of the current sensors' table, and the rated current that their loads refer to.
    table: Vec<SensorRow>,
    rated_a: f64,
    /// The frequency at which coils give their range, for coils.
    coil_hz: Option<f64>,
    sample_rate_hz: f64,
    settings: Settings,
    noise: Vec<i32>,
}

/// Where the sensor on the neutral sits.
#[derive(Clone, Copy, Debug)]
enum NeutralOn {
    Neutral,
    /// On a line by mistake, with the way it faces.
    Line((usize, f64)),
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
        let inputs = if n.neutral_sensor { INPUTS } else { ACTIVE };
        let mut calibration = Calibration::default();
        for (slot, c) in calibration.channels.iter_mut().enumerate().take(inputs) {
            let range = if slot < 3 { v_range } else { n.i_range_peak_a };
            *c = ChannelCalibration::with_gain(range / f64::from(COUNT_MAX));
        }
        let coils = n.sensors.kind == CoilOrTransformer::Rogowski;
        if coils {
            let kind = SensorKind::Rogowski(s.nominal());
            calibration.sensors.iter_mut().take(inputs - 3).for_each(|s| s.kind = kind);
        }
        if n.front_end.corrected {
            calibration.sinc3_osr = n.front_end.sinc3_osr;
            calibration.rc_ns[..inputs].fill(n.front_end.rc_ns);
            for sensor in calibration.sensors.iter_mut().take(inputs - 3) {
                sensor.rated_a = n.sensors.rated_a.unwrap_or_default() as f32;
                for (place, row) in sensor.table.iter_mut().zip(&n.sensors.table) {
                    *place = SensorPoint {
                        load_permille: libm::rint(row.load_pct * 10.0) as u16,
                        ratio_ppm: libm::rint(row.ratio_pct * 1e4) as i32,
                        lead_urad: libm::rint(radians(row.lead_min) * 1e6) as i32,
                    };
                }
            }
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
                neutral_sensor: n.neutral_sensor,
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
            neutral: n.neutral_sensor.then(|| match n.leads.neutral {
                Some(lead) => NeutralOn::Line(lead.place()),
                None => NeutralOn::Neutral,
            }),
            counts_per_rms: core::array::from_fn(|k| {
                core::f64::consts::SQRT_2 * (1.0 + errors[k].gain_pct / 100.0)
                    / calibration.channels[k].gain
            }),
            ahead_rad: errors.map(|e| radians(e.phase_min)),
            offsets: errors.map(|e| f64::from(e.offset_counts)),
            front_end: n.front_end,
            table: n.sensors.table.clone(),
            rated_a: n.sensors.rated_a.unwrap_or(1.0),
            coil_hz: coils.then_some(s.supply.nominal_hz),
            sample_rate_hz: n.sample_rate_hz * (1.0 + n.front_end.clock_error_ppm * 1e-6),
            settings,
            noise,
        }
    }

    /// What the node is told: ranges as its calibration, wiring, interval; no sensor error.
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// Frames per second by a true clock.
    pub fn sample_rate_hz(&self) -> f64 {
        self.sample_rate_hz
    }

    /// Phasors of the channels in peak counts, one row an order.
    ///
    /// A sensor error is ahead by the same time at every order; the lead of a table falls with
    /// the order, as a transformer's does.
    pub fn counts(&self, state: &State, orders: &[u8]) -> Vec<[Complex; INPUTS]> {
        let mut rows = state.channels(self.wiring, &self.leads);
        for (row, i) in rows.iter_mut().zip(&state.i_a) {
            match self.neutral {
                Some(NeutralOn::Neutral) => {}
                Some(NeutralOn::Line((line, sign))) => row[NEUTRAL] = i[line].scale(sign),
                None => row[NEUTRAL] = Complex::ZERO,
            }
        }
        let table: [Option<(f64, f64)>; INPUTS] = core::array::from_fn(|k| {
            let rms = || libm::sqrt(rows.iter().map(|row| row[k].norm_sq()).sum());
            (k >= 3 && !self.table.is_empty()).then(|| self.table_at(rms()))
        });
        for (row, order) in rows.iter_mut().zip(orders) {
            let h = f64::from(*order);
            let filters = self.filters(h * state.frequency_hz);
            for (k, x) in row.iter_mut().enumerate() {
                *x = x.scale(self.counts_per_rms[k]) * filters;
                if self.ahead_rad[k] != 0.0 {
                    *x = *x * Complex::unit(self.ahead_rad[k] * h);
                }
                if let Some((ratio, lead)) = table[k] {
                    *x = *x * Complex::unit(lead / h).scale(1.0 + ratio);
                }
                if let Some(reference) = self.coil_hz.filter(|_| k >= 3) {
                    *x = *x * Complex::new(0.0, h * state.frequency_hz / reference);
                }
            }
        }
        rows
    }

    /// What input filter and converter do to a wave of a frequency.
    fn filters(&self, f: f64) -> Complex {
        let mut out = Complex::new(1.0, 0.0);
        let e = &self.front_end;
        if e.rc_ns > 0 {
            // 1/(1 + jx) = e^(−j·atan x) / √(1 + x²).
            let x = TAU * f * f64::from(e.rc_ns) * 1e-9;
            out = out * Complex::unit(-libm::atan(x)).scale(1.0 / libm::sqrt(1.0 + x * x));
        }
        if e.sinc3_osr > 0 {
            let taps = e.sinc3_osr.min(1024);
            let group = e.sinc3_osr / taps;
            let first_hz = self.sample_rate_hz * f64::from(group);
            let stage = mean_of_taps(f / (first_hz * f64::from(taps)), taps);
            out = out * stage * stage * stage * mean_of_taps(f / first_hz, group);
        }
        out
    }

    /// Ratio error and lead in radians of the table at a current.
    fn table_at(&self, rms_a: f64) -> (f64, f64) {
        let load_pct = 100.0 * rms_a / self.rated_a;
        let value = |r: &SensorRow| (r.ratio_pct / 100.0, radians(r.lead_min));
        let after = self.table.partition_point(|r| r.load_pct <= load_pct);
        match (after.checked_sub(1).and_then(|k| self.table.get(k)), self.table.get(after)) {
            (Some(a), Some(b)) => {
                let share =
                    libm::log10(load_pct / a.load_pct) / libm::log10(b.load_pct / a.load_pct);
                let (from, to) = (value(a), value(b));
                let mix = |x: f64, y: f64| x * (1.0 - share) + y * share;
                (mix(from.0, to.0), mix(from.1, to.1))
            }
            (Some(only), None) | (None, Some(only)) => value(only),
            (None, None) => (0.0, 0.0),
        }
    }

    /// Which channels are coils, whose counts follow the rate of change.
    pub fn coils(&self) -> [bool; INPUTS] {
        core::array::from_fn(|k| k >= 3 && self.coil_hz.is_some())
    }

    /// The currents behind the coils at an instant, in counts at the coils' frequency.
    ///
    /// `turns` is the fundamental's place; zeros where there is no coil.
    pub fn behind_coils(
        &self,
        phasors: &[[Complex; INPUTS]],
        orders: &[u8],
        frequency_hz: f64,
        turns: f64,
    ) -> [f64; INPUTS] {
        let mut out = [0.0; INPUTS];
        let Some(reference) = self.coil_hz else { return out };
        for (row, order) in phasors.iter().zip(orders) {
            let h = f64::from(*order);
            let unit = Complex::unit(TAU * h * turns);
            for (x, out) in row.iter().zip(&mut out).skip(3) {
                // The imaginary part: division by j turns back by a quarter.
                *out += (*x * unit).im * reference / (h * frequency_hz);
            }
        }
        out
    }

    /// What a step of the currents behind coils adds to their counts, frame by frame.
    ///
    /// A current cannot jump: it goes over in [`STEP_FRAMES`], along half a cosine. `step` is
    /// how much it falls in all; the answer is for the n-th frame from the step.
    pub fn step_counts(&self, step: f64, n: usize) -> f64 {
        let Some(reference) = self.coil_hz.filter(|_| n < STEP_FRAMES) else { return 0.0 };
        let part = |n: usize| 0.5 * (1.0 + libm::cos(PI * n as f64 / STEP_FRAMES as f64));
        -step * (part(n) - part(n + 1)) * self.sample_rate_hz / (TAU * reference)
    }

    /// Noise for so many frames of each channel, from random places of what was drawn.
    pub fn noise<'a>(&'a self, len: usize, chance: &mut Chance) -> [&'a [i32]; INPUTS] {
        core::array::from_fn(|slot| {
            let room = self.noise.len().saturating_sub(len);
            if room == 0 || (slot == NEUTRAL && self.neutral.is_none()) {
                return &[][..];
            }
            let from = chance.below(room);
            &self.noise[from..from + len]
        })
    }
}

/// Minutes of arc in radians.
fn radians(minutes: f64) -> f64 {
    (minutes / 60.0).to_radians()
}

/// The mean of n samples in a row of a wave, `turns` apart, against the newest one.
fn mean_of_taps(turns: f64, n: u16) -> Complex {
    // The geometric series of e^(−jωk), k from 0 to n − 1.
    let (angle, n) = (TAU * turns, f64::from(n));
    let one = Complex::new(1.0, 0.0);
    let below = one - Complex::unit(-angle);
    if below.norm_sq() == 0.0 {
        return one;
    }
    let above = one - Complex::unit(-angle * n);
    (above * below.conj()).scale(1.0 / (n * below.norm_sq()))
}
