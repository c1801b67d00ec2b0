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
use wattless_core::power::{Dc, PowerConfig, Reading, read_harmonics, read_window};
use wattless_core::window::{Meter, MeterConfig, Nominal, Window, sums_of};
use wattless_core::wiring::Wiring;

const RATE: f64 = 8000.0;
const F: f64 = 50.0;
const V: f64 = 230.0;
const RATED_A: f64 = 200.0;
/// Frames of noise that are drawn; trials use stretches of it from random places.
const POOL: usize = 1 << 18;
const FIFTH: f64 = 0.2;
/// Frames a cycle.
const CYCLE: usize = (RATE / F) as usize;

/// Order, RMS against the fundamental, angle in degrees against the fundamental's.
type Harmonic = (f64, f64, f64);

struct Trials {
    budget: Budget,
    point: Point,
    limits: [(f64, f64); 3],
    config: PowerConfig,
    noise: Vec<i32>,
    chance: Chance,
    /// Displacement power factor and fundamental current.
    pf: f64,
    i_a: f64,
    /// Harmonics of the three currents over one cycle, against the fundamental's peak.
    distortion: Option<[[f64; CYCLE]; 3]>,
}

/// Counts per RMS unit: 333 mV of 1.2 V full scale at the rating.
fn per_unit(slot: usize) -> f64 {
    let rated = if slot < 3 { V } else { RATED_A };
    0.333 / 1.2 * f64::from(COUNT_MAX) / rated
}

impl Trials {
    fn new(text: &str, noise_uv: f64, i_a: f64, pf: f64) -> Trials {
        Trials::distorted(text, noise_uv, i_a, pf, &[])
    }

    fn distorted(text: &str, noise_uv: f64, i_a: f64, pf: f64, harmonics: &[Harmonic]) -> Trials {
        let text = format!(
            "[supply]\nline_voltage_v = {}\nwiring = \"four-wire\"\n[uncertainty]\n{text}\n\
             current_rated_a = {RATED_A:?}\nnoise_uv = {noise_uv:?}\n",
            V * libm::sqrt(3.0)
        );
        let site = Site::parse(&text, Path::new("trial.toml")).expect("a sound site");
        let s = V * i_a;
        let q1_var = s * libm::sqrt(1.0 - pf * pf);
        let square: f64 = harmonics.iter().map(|h| h.1 * h.1).sum();
        let rms_a = i_a * libm::sqrt(1.0 + square);
        let phase = PhaseValues { v_v: V, i_a: rms_a, p_w: s * pf, q1_var };
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
        let distortion = (!harmonics.is_empty()).then(|| waves(harmonics, libm::acos(pf)));
        let budget = Budget::of(&site);
        Trials { budget, point, limits, config, noise, chance, pf, i_a, distortion }
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
            let wave = self.distortion.as_ref().filter(|_| slot >= 3).map(|w| &w[slot - 3]);
            // A frame lies in the middle of its cell.
            let (mut sin, mut cos) = libm::sincos(phase + angle[slot] + PI * turns);
            for (n, c) in counts.iter_mut().enumerate() {
                let fifth = cos * (16.0 * cos * cos * cos * cos - 20.0 * cos * cos + 5.0);
                let more = wave.map_or(0.0, |w| w[n % CYCLE]);
                let x = peak * (cos + harmonic * fifth + more);
                c[slot] = libm::rint(x) as i32 + self.noise[from + n];
                (sin, cos) = (sin * step.1 + cos * step.0, cos * step.1 - sin * step.0);
            }
        }
        counts.into_iter().map(Frame::new).collect()
    }
}

/// Harmonics of the three lines over a cycle; the fundamental lags by so many radians.
fn waves(harmonics: &[Harmonic], lag: f64) -> [[f64; CYCLE]; 3] {
    std::array::from_fn(|line| {
        std::array::from_fn(|n| {
            let turn = TAU * (n as f64 + 0.5) / CYCLE as f64 - TAU / 3.0 * line as f64 - lag;
            harmonics.iter().map(|(h, rms, deg)| rms * libm::cos(h * turn + deg.to_radians())).sum()
        })
    })
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

/// The reading of one trial of 200 ms.
fn one_window(t: &mut Trials) -> Reading {
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
    read_window(&window, &t.config)
}

const CLASS_1: &str = "current_class = \"1\"\nvoltage_class = \"1\"";
const CALIBRATED: &str = "current_class = \"0.2S\"\nvoltage_class = \"0.1\"\ncalibrated = true\nreference_pct = 0.05\n\
     reference_min = 1.0";

/// Holds the scatter of windows of samples against what is propagated: V, I, P, Q1, S, PF and angle
/// of a phase, P, Q1 and PF of all. Gives what was read.
fn agree(t: &mut Trials, trials: usize, name: &str) -> [Vec<f64>; 10] {
    let mut got: [Vec<f64>; 10] = Default::default();
    for _ in 0..trials {
        let r = one_window(t);
        let (p, all) = (&r.phases[0], &r.total);
        let phi = p.phi1_deg().expect("load");
        let (pf, pf_of_all) = (p.p_w / p.s_va, all.p_w / all.s_arithmetic_va);
        let values = [
            p.v_rms_v, p.i_rms_a, p.p_w, p.q1_var, p.s_va, pf, phi, all.p_w, all.q1_var, pf_of_all,
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
    for ((quantity, got), want) in names.into_iter().zip(&got).zip(want) {
        near(&format!("{name}: {quantity}"), got, want, 0.10);
    }
    got
}

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
        agree(&mut t, 10_000, &format!("{i_a} A, PF {pf}"));
    }
}

/// Current and powers of loads that distort, from three thousand trials each.
///
/// The mixes are closed forms of common practice: a six-pulse bridge with a smooth direct
/// current draws 1/h of the orders 6k ± 1; a resistance switched on at the voltage's peak draws
/// what Fourier gives for that wave (fundamental 0.593 of the uncut one's, 32.5° behind); a
/// welder lags far and draws some of the third.
#[test]
fn distorted_loads_scatter_as_propagated() {
    let six_pulse: Vec<Harmonic> = [5.0, 7.0, 11.0, 13.0, 17.0, 19.0, 23.0, 25.0]
        .map(|h: f64| (h, 1.0 / h, if (h as u32 / 6).is_multiple_of(2) { 0.0 } else { 180.0 }))
        .to_vec();
    let welder = [(3.0, 0.25, 40.0), (5.0, 0.06, 200.0)];
    for (name, text, noise_uv, i_a, dpf, harmonics) in [
        ("six-pulse drive", CLASS_1, 7.57, 180.0, 0.96, six_pulse.as_slice()),
        ("six-pulse drive, light", CALIBRATED, 400.0, 3.0, 0.96, &six_pulse),
        ("cut phases", CLASS_1, 7.57, 60.0, 0.8436, &cut_at_the_peak()),
        ("welder", CLASS_1, 7.57, 150.0, 0.45, &welder),
        ("welder, calibrated", CALIBRATED, 7.57, 150.0, 0.45, &welder),
    ] {
        let mut t = Trials::distorted(text, noise_uv, i_a, dpf, harmonics);
        let got = agree(&mut t, 3000, name);
        // What is read is what was made.
        let square: f64 = harmonics.iter().map(|h| h.1 * h.1).sum();
        let noise_a = noise_uv * 1e-6 / 0.333 * RATED_A;
        let rms = libm::sqrt(i_a * i_a * (1.0 + square) + noise_a * noise_a);
        assert!((spread(&got[1]).0 / rms - 1.0).abs() < 1e-3, "{name}");
    }
}

/// Odd orders of a sine that flows from its peaks to its zeros, by Fourier's integrals over a
/// fine grid, against its fundamental and with angles against the fundamental's.
fn cut_at_the_peak() -> Vec<Harmonic> {
    const N: usize = 20_000;
    let part = |h: f64| {
        let (mut re, mut im) = (0.0, 0.0);
        for n in 0..N {
            let a = TAU * (n as f64 + 0.5) / N as f64;
            let on = libm::fmod(a, PI) > PI / 2.0;
            let x = if on { libm::sin(a) } else { 0.0 };
            re += x * libm::cos(h * a);
            im -= x * libm::sin(h * a);
        }
        (libm::hypot(re, im), libm::atan2(im, re))
    };
    let first = part(1.0);
    let odd = (1..12).map(|k| f64::from(2 * k + 1));
    odd.map(|h| {
        let (size, angle) = part(h);
        (h, size / first.0, (angle - h * first.1).to_degrees())
    })
    .collect()
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
