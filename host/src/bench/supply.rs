//! What the utility delivers: level and frequency over the span, harmonics, and the impedance
//! behind the feeder.

use super::chance::Chance;
use super::loads::System;
use super::phasor::{ALPHA, ALPHA2, V3};
use super::scenario::Scenario;
use jiff::SignedDuration;
use wattless_core::complex::Complex;
use wattless_core::wiring::Wiring;

/// Seconds between the points that level and frequency are drawn at; straight lines join them.
pub const KNOT_S: i64 = 10;

/// Time constants of the wandering, in seconds.
const LEVEL_TIME_S: f64 = 1800.0;
const FREQUENCY_TIME_S: f64 = 120.0;

/// Voltage level and frequency at a time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Level {
    /// Voltage without load as a share of nominal.
    pub voltage: f64,
    /// Frequency in Hz.
    pub frequency_hz: f64,
}

/// The supply of a feeder over a span.
#[derive(Clone, Debug, PartialEq)]
pub struct SupplyModel {
    system: System,
    knots: Vec<Level>,
    unbalance: f64,
    /// Harmonic order with its phasor as a share of nominal.
    harmonics: Vec<(u8, Complex)>,
    /// Impedance of a line at nominal frequency, in Ω.
    impedance: Option<Complex>,
}

impl SupplyModel {
    /// Draws level and frequency for a span of so many milliseconds.
    pub fn new(s: &Scenario, span_ms: i64) -> Self {
        let system = System::new(s);
        let x = &s.supply;
        let impedance = x.transformer.as_ref().map(|t| {
            let base = match x.wiring {
                // Each half of the winding carries half of the rating at half of the voltage.
                Wiring::SplitPhase => x.nominal_v * x.nominal_v / 2.0,
                _ => x.nominal_v * x.nominal_v,
            };
            let z = base / (t.kva * 1e3) * t.z_pct / 100.0;
            let r = z / libm::sqrt(1.0 + t.x_over_r * t.x_over_r);
            Complex::new(r, r * t.x_over_r)
        });
        let harmonics = x
            .harmonics
            .iter()
            .map(|h| (h.order, Complex::unit(h.angle_deg.to_radians()).scale(h.pct / 100.0)))
            .collect();
        SupplyModel {
            system,
            knots: draw(s, span_ms),
            unbalance: x.unbalance_pct / 100.0,
            harmonics,
            impedance,
        }
    }

    /// Level and frequency at seconds of the span.
    pub fn level(&self, t_s: f64) -> Level {
        let x = (t_s / KNOT_S as f64).clamp(0.0, (self.knots.len() - 1) as f64);
        let at = libm::floor(x) as usize;
        let (a, share) = (self.knots[at], x - at as f64);
        let b = self.knots.get(at + 1).copied().unwrap_or(a);
        Level {
            voltage: a.voltage + share * (b.voltage - a.voltage),
            frequency_hz: a.frequency_hz + share * (b.frequency_hz - a.frequency_hz),
        }
    }

    /// Voltages without load at an order, as RMS phasors in V; line 1 of order 1 is at angle 0.
    pub fn open_voltage(&self, voltage: f64, order: u8) -> V3 {
        let nominal = Complex::new(self.system.phase_v, 0.0);
        if order == 1 {
            let v1 = nominal.scale(voltage);
            let v2 = v1.scale(self.unbalance);
            return match self.system.wiring {
                Wiring::SinglePhase => [v1, Complex::ZERO, Complex::ZERO],
                Wiring::SplitPhase => [v1, v1.scale(-1.0), Complex::ZERO],
                _ => [v1 + v2, v1 * ALPHA2 + v2 * ALPHA, v1 * ALPHA + v2 * ALPHA2],
            };
        }
        let Some((_, share)) = self.harmonics.iter().find(|h| h.0 == order) else {
            return [Complex::ZERO; 3];
        };
        let turn = |k: f64| {
            let lines = if self.system.wiring == Wiring::SplitPhase { 2.0 } else { 3.0 };
            let angle = -core::f64::consts::TAU * k * f64::from(order) / lines;
            nominal * *share * Complex::unit(angle)
        };
        match self.system.wiring {
            Wiring::SinglePhase => [turn(0.0), Complex::ZERO, Complex::ZERO],
            Wiring::SplitPhase => [turn(0.0), turn(1.0), Complex::ZERO],
            _ => [turn(0.0), turn(1.0), turn(2.0)],
        }
    }

    /// Impedance of a line at an order and frequency, in Ω; `None` for a rigid supply.
    pub fn impedance(&self, order: u8, frequency_hz: f64) -> Option<Complex> {
        let times = f64::from(order) * frequency_hz / self.system.nominal_hz;
        self.impedance.map(|z| Complex::new(z.re, z.im * times))
    }
}

fn draw(s: &Scenario, span_ms: i64) -> Vec<Level> {
    let zone = s.zone();
    let start = s.bounds().0;
    let mut level = Wander::new(Chance::new(s.span.seed, "supply level"), LEVEL_TIME_S);
    let mut frequency = Wander::new(Chance::new(s.span.seed, "supply frequency"), FREQUENCY_TIME_S);
    let x = &s.supply;
    let knots = span_ms / (KNOT_S * 1000) + 2;
    (0..knots)
        .map(|k| {
            let local = zone.to_datetime(start + SignedDuration::from_secs(k * KNOT_S));
            let hour = f64::from(local.hour())
                + f64::from(local.minute()) / 60.0
                + f64::from(local.second()) / 3600.0;
            let swing = libm::cos(core::f64::consts::TAU * (hour - 3.0) / 24.0) / 2.0;
            let pct = x.level_pct + x.daily_swing_pct * swing + x.wander_pct * level.next();
            let wander_hz = x.frequency_wander_mhz * 1e-3 * frequency.next();
            Level {
                voltage: (pct / 100.0).max(0.1),
                frequency_hz: (x.nominal_hz + wander_hz)
                    .clamp(x.nominal_hz - 2.0, x.nominal_hz + 2.0),
            }
        })
        .collect()
}

/// A random walk that is drawn back to zero, of variance 1.
struct Wander {
    chance: Chance,
    keep: f64,
    at: f64,
}

impl Wander {
    fn new(mut chance: Chance, time_s: f64) -> Self {
        let at = chance.normal();
        Wander { chance, keep: libm::exp(-(KNOT_S as f64) / time_s), at }
    }

    fn next(&mut self) -> f64 {
        let now = self.at;
        let kick = libm::sqrt(1.0 - self.keep * self.keep);
        self.at = self.keep * now + kick * self.chance.normal();
        now
    }
}
