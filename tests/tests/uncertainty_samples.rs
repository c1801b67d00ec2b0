//! Uncertainties against random trials through samples (form of JCGM 101:2008): each trial draws
//! gains, angles, sensor errors and a sample clock, makes counts with the converter's noise and
//! rounding, and reads them with the core.

use std::f64::consts::{PI, SQRT_2, TAU};
use std::path::Path;
use wattless::analyse::uncertainty::{
    Budget, HarmonicOf, On, PhaseValues, Point, Shape, Term, sensor_limits,
};
use wattless::bench::chance::Chance;
use wattless::site::Site;
use wattless_core::calibration::{Calibration, ChannelCalibration};
use wattless_core::flags::Flags;
use wattless_core::frame::{COUNT_MAX, Frame};
use wattless_core::power::{Dc, PowerConfig, read_harmonics, read_window};
use wattless_core::window::{Meter, MeterConfig, Nominal, Window, sums_of};
use wattless_core::wiring::Wiring;

const RATE: f64 = 8000.0;
const F: f64 = 50.0;
const V: f64 = 230.0;
const RATED_A: f64 = 200.0;
/// Frames of noise that are drawn; trials use stretches of it from random places.
const POOL: usize = 1 << 18;
const FIFTH: f64 = 0.2;

struct Trials {
    budget: Budget,
    point: Point,
    limits: [(f64, f64); 3],
    config: PowerConfig,
    noise: Vec<i32>,
    chance: Chance,
    pf: f64,
    i_a: f64,
}

/// Counts per RMS unit: 333 mV of 1.2 V full scale at the rating.
fn per_unit(slot: usize) -> f64 {
    let rated = if slot < 3 { V } else { RATED_A };
    0.333 / 1.2 * f64::from(COUNT_MAX) / rated
}

impl Trials {
    fn new(text: &str, noise_uv: f64, i_a: f64, pf: f64) -> Trials {
        let text = format!(
            "[supply]\nline_voltage_v = {}\nwiring = \"four-wire\"\n[uncertainty]\n{text}\n\
             current_rated_a = {RATED_A:?}\nnoise_uv = {noise_uv:?}\n",
            V * libm::sqrt(3.0)
        );
        let site = Site::parse(&text, Path::new("trial.toml")).expect("a sound site");
        let s = V * i_a;
        let q1_var = s * libm::sqrt(1.0 - pf * pf);
        let phase = PhaseValues { v_v: V, i_a, p_w: s * pf, q1_var };
        let point = Point::new(Wiring::FourWire, &[phase; 3]);
        let load = |a: f64| 100.0 * a / RATED_A;
        let limits = point.sensor_currents_a().map(|a| sensor_limits(&site.uncertainty, load(a)));
        let mut calibration = Calibration::default();
        for (slot, c) in calibration.channels.iter_mut().enumerate() {
            *c = ChannelCalibration::with_gain(1.0 / per_unit(slot));
        }
        let mut chance = Chance::new(1, "noise");
        let sigma = noise_uv * 1e-6 / 1.2 * f64::from(COUNT_MAX);
        let noise = (0..POOL).map(|_| libm::rint(sigma * chance.normal()) as i32).collect();
        let config = PowerConfig {
            wiring: Wiring::FourWire,
            calibration,
            v_dc: Dc::Keep,
            i_dc: Dc::Keep,
            neutral_sensor: false,
        };
        Trials { budget: Budget::of(&site), point, limits, config, noise, chance, pf, i_a }
    }

    fn draw(&mut self, t: &Term) -> f64 {
        match t.shape {
            Shape::Rectangle => self.chance.between([-t.width, t.width]),
            Shape::Normal => t.width * self.chance.normal(),
        }
    }

    /// Ratio and angle errors of the channels, and the clock's.
    fn errors(&mut self) -> ([f64; 6], [f64; 6], f64) {
        let (mut ratio, mut angle, mut clock) = ([0.0; 6], [0.0; 6], 0.0);
        for t in self.budget.terms().to_vec() {
            let once = self.draw(&t);
            let slots = match t.on {
                On::Voltage | On::VoltageAngle => 0..3,
                On::All => 0..6,
                _ => 3..6,
            };
            for slot in slots {
                let x = if t.common { once } else { self.draw(&t) };
                match t.on {
                    On::Voltage | On::Current | On::All => ratio[slot] += x,
                    On::VoltageAngle | On::CurrentAngle => angle[slot] += x,
                    On::SensorRatio => ratio[slot] += x * self.limits[slot - 3].0,
                    On::SensorAngle => angle[slot] += x * self.limits[slot - 3].1,
                    On::Clock => clock = once,
                }
            }
        }
        (ratio, angle, clock)
    }

    /// Frames of one trial; with `fifth`, harmonics of the current with ratios of their own.
    fn frames(&mut self, count: usize, fifth: bool) -> Vec<Frame> {
        let (ratio, angle, clock) = self.errors();
        let turns = F / (RATE * (1.0 + clock));
        let lag = libm::acos(self.pf);
        let mut counts = vec![[0i32; 8]; count];
        let step = libm::sincos(TAU * turns);
        for slot in 0..6 {
            let phase = -TAU / 3.0 * (slot % 3) as f64 - if slot < 3 { 0.0 } else { lag };
            let rms = if slot < 3 { V } else { self.i_a };
            let peak = SQRT_2 * rms * per_unit(slot) * (1.0 + ratio[slot]);
            let harmonic = if fifth && slot >= 3 {
                FIFTH * (1.0 + self.chance.between([-0.01, 0.01]))
            } else {
                0.0
            };
            let from = self.chance.below(POOL - count);
            // A frame lies in the middle of its cell.
            let (mut sin, mut cos) = libm::sincos(phase + angle[slot] + PI * turns);
            for (n, c) in counts.iter_mut().enumerate() {
                let fifth = cos * (16.0 * cos * cos * cos * cos - 20.0 * cos * cos + 5.0);
                let x = peak * (cos + harmonic * fifth);
                c[slot] = libm::rint(x) as i32 + self.noise[from + n];
                (sin, cos) = (sin * step.1 + cos * step.0, cos * step.1 - sin * step.0);
            }
        }
        counts.into_iter().map(Frame::new).collect()
    }
}

/// Mean and standard deviation.
fn spread(x: &[f64]) -> (f64, f64) {
    let mean = x.iter().sum::<f64>() / x.len() as f64;
    let square = x.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>();
    (mean, libm::sqrt(square / x.len() as f64))
}

fn near(name: &str, got: &[f64], want: f64, limit: f64) {
    let (_, u) = spread(got);
    assert!((u / want - 1.0).abs() < limit, "{name}: {u} by trials, {want}");
}

const CLASS_1: &str = "current_class = \"1\"\nvoltage_class = \"1\"";
const CALIBRATED: &str = "current_class = \"0.2S\"\nvoltage_class = \"0.1\"\ncalibrated = true\nreference_pct = 0.05\n\
     reference_min = 1.0";

/// V, I, P, Q1, S, PF and the angle of one window, from ten thousand trials each.
#[test]
fn windows_of_samples_scatter_as_propagated() {
    for (text, noise_uv, i_a, pf) in [
        (CLASS_1, 7.57, 200.0, 0.2),
        (CLASS_1, 7.57, 200.0, 1.0),
        (CLASS_1, 7.57, 10.0, 0.8),
        // Noise leads: a hundredth of the rating, calibrated, a noisy converter.
        (CALIBRATED, 400.0, 2.0, 0.2),
        (CALIBRATED, 400.0, 2.0, 1.0),
    ] {
        let mut t = Trials::new(text, noise_uv, i_a, pf);
        let mut got: [Vec<f64>; 10] = Default::default();
        for _ in 0..10_000 {
            let frames = t.frames(1600, false);
            let window = Window {
                sums: sums_of(&frames, RATE, F).expect("a window"),
                first_frame: 0,
                start: Default::default(),
                duration_s: 0.2,
                reference_hz: F,
                frequency_hz: Some(F),
                flags: Flags::NONE,
                spectrum: None,
                neutral: None,
            };
            let r = read_window(&window, &t.config);
            let p = &r.phases[0];
            let pf = p.p_w / p.s_va;
            let phi = p.phi1_deg().expect("load");
            let total = r.total.p_w / r.total.s_arithmetic_va;
            let values = [
                p.v_rms_v,
                p.i_rms_a,
                p.p_w,
                p.q1_var,
                p.s_va,
                pf,
                phi,
                r.total.p_w,
                r.total.q1_var,
                total,
            ];
            got.iter_mut().zip(values).for_each(|(list, x)| list.push(x));
        }
        let u = t.budget.phase(&t.point, 0, 0.2);
        let total = t.budget.total(&t.point, 0.2);
        let want = [
            u.v_v,
            u.i_a,
            u.p_w,
            u.q1_var,
            u.s_va,
            u.pf.unwrap(),
            u.phi1_deg.unwrap(),
            total.p_w,
            total.q1_var,
            total.pf_arithmetic.unwrap(),
        ];
        let names = ["V", "I", "P", "Q1", "S", "PF", "phi", "sum P", "sum Q1", "sum PF"];
        for ((name, got), want) in names.into_iter().zip(&got).zip(want) {
            near(&format!("{name}, {i_a} A, PF {pf}"), got, want, 0.10);
        }
    }
}

/// Frequency, a harmonic and an energy, through the meter: windows found, followed and joined.
#[test]
fn frequency_harmonics_and_energy_scatter_as_propagated() {
    let mut t = Trials::new(CLASS_1, 7.57, 200.0, 0.8);
    let (mut f, mut fifth, mut wh) = (Vec::new(), Vec::new(), Vec::new());
    for _ in 0..1500 {
        let frames = t.frames(6700, true);
        let config = MeterConfig { sample_rate_hz: RATE, nominal: Nominal::Hz50 };
        let mut meter = Meter::new(config, vec![Frame::ZERO; 800]).unwrap();
        let (mut last, mut energy, mut windows) = (None, 0.0, 0);
        meter.push(&frames, &mut |w| {
            let (r, h) = read_harmonics(w, &t.config);
            energy += r.total.p_w * r.duration_s / 3600.0;
            windows += 1;
            last = Some((r.frequency_hz, h));
        });
        assert_eq!(windows, 4);
        let (hz, h) = last.expect("windows");
        f.push(hz.expect("locked"));
        fifth.push(f64::from(libm::sqrtf(h.expect("harmonics").i[0][5].norm_sq())));
        wh.push(energy);
    }
    near("f", &f, t.budget.frequency_hz(&t.point, F, 0.2), 0.10);
    let want = t.budget.harmonic(&t.point, 0, HarmonicOf::Current, 5, FIFTH * t.i_a, 0.2);
    near("fifth", &fifth, want, 0.10);
    let mut energy = t.budget.totals(&t.point, 0.8).p;
    energy.1.clock += energy.0;
    near("energy", &wh, t.budget.combined(&energy.1) * 0.8 / 3600.0, 0.10);
}
