//! Published figures of power theory, run through counts, windows and readings.
//!
//! Each check names its source and how far it was seen: SEEN (inputs and result
//! read in the source), SEEN-IN (inputs read, result computed from the printed
//! formula), MEM (from memory, recomputed), DERIVED (from first principles). Printed digits
//! set the tolerance; where more digits follow, it is a fifth of the core's 0.005 % or so.

#![allow(clippy::approx_constant, reason = "figures are as printed in their sources")]

use std::f64::consts::{PI, SQRT_2, TAU};
use wattless_core::acquire::acquire_frames;
use wattless_core::flags::Flags;
use wattless_core::frame::{COUNT_MAX, Frame};
use wattless_core::interval::{IntervalBuilder, IntervalSummary};
use wattless_core::power::{Dc, PowerConfig, Reading, read_window};
use wattless_core::window::{Meter, MeterConfig, Nominal, Window};
use wattless_core::wiring::Wiring;
use wattless_tests::waveform::{Component, Wave, cosine, frames, ideal};

/// Sines given by order, peak and angle in degrees, as books write them.
fn sines(terms: &[(f64, f64, f64)]) -> Wave {
    let term = |&(order, peak, deg): &(f64, f64, f64)| Component {
        order,
        rms: peak / SQRT_2,
        angle_deg: deg - 90.0,
    };
    terms.iter().map(term).collect()
}

fn with_dc(mut wave: Wave, dc: f64) -> Wave {
    wave.push(Component { order: 0.0, rms: dc, angle_deg: 0.0 });
    wave
}

/// The current through a resistance and, in series, an inductance of reactance `x` at order 1.
fn through(v: &Wave, r: f64, x: f64) -> Wave {
    let term = |c: &Component| Component {
        rms: c.rms / libm::hypot(r, c.order * x),
        angle_deg: c.angle_deg - degrees(libm::atan2(c.order * x, r)),
        ..*c
    };
    v.iter().map(term).collect()
}

fn turned(wave: &Wave) -> Wave {
    wave.iter().map(|c| Component { rms: -c.rms, ..*c }).collect()
}

fn none() -> Wave {
    Wave::new()
}

fn radians(degrees: f64) -> f64 {
    degrees * PI / 180.0
}

fn degrees(radians: f64) -> f64 {
    radians * 180.0 / PI
}

/// A bench set-up for one check.
#[derive(Clone, Copy)]
struct Setup {
    wiring: Wiring,
    frequency_hz: f64,
    rate_hz: f64,
    cycles: f64,
    dc: Dc,
}

impl Setup {
    fn new(wiring: Wiring) -> Setup {
        Setup { wiring, frequency_hz: 50.0, rate_hz: 8000.0, cycles: 50.0, dc: Dc::Keep }
    }

    fn count(&self) -> usize {
        libm::rint(self.cycles * self.rate_hz / self.frequency_hz) as usize
    }

    /// Reads every window of frames whose channels have these peak ranges.
    fn read(&self, frames: &[Frame], peaks: &[f64; 6]) -> Vec<Reading> {
        let (wiring, calibration) = (self.wiring, ideal(peaks));
        let power = PowerConfig {
            wiring,
            calibration,
            v_dc: self.dc,
            i_dc: self.dc,
            neutral_sensor: false,
        };
        let nominal = Nominal::nearest(self.frequency_hz);
        let config = MeterConfig { sample_rate_hz: self.rate_hz, nominal };
        let hold = vec![Frame::ZERO; acquire_frames(self.rate_hz)];
        let mut meter = Meter::new(config, hold).unwrap();
        let mut out = Vec::new();
        let mut sink = |w: &Window| out.push(read_window(w, &power));
        meter.push(frames, &mut sink);
        let tail = &frames[frames.len() - acquire_frames(self.rate_hz)..];
        meter.finish(tail, &mut sink);
        assert_eq!(out.len(), (self.cycles / nominal.cycles()) as usize, "windows");
        out
    }

    /// Quantises the channels to 24 bits and reads every window.
    fn readings(&self, channels: &[Wave; 6]) -> Vec<Reading> {
        let peak = |kind: &[Wave]| {
            let of = |w: &Wave| w.iter().map(|c| c.rms.abs() * SQRT_2).sum::<f64>();
            kind.iter().map(of).fold(0.0, f64::max) / 0.95
        };
        let (v, i) = (peak(&channels[..3]), peak(&channels[3..]));
        let peaks = [v, v, v, i, i, i];
        let frames = frames(channels, &peaks, self.frequency_hz, self.rate_hz, self.count());
        self.read(&frames, &peaks)
    }

    /// Channels as functions of the angle of the fundamental, for what is no sum of sines.
    fn readings_of(&self, peaks: &[f64; 6], source: impl Fn(f64) -> [f64; 6]) -> Vec<Reading> {
        let frames: Vec<Frame> = (0..self.count())
            .map(|n| {
                let x = source(TAU * self.frequency_hz * (n as f64 + 0.5) / self.rate_hz);
                let mut counts = [0; 8];
                for (slot, count) in counts.iter_mut().take(6).enumerate() {
                    *count = libm::rint(x[slot] / peaks[slot] * f64::from(COUNT_MAX)) as i32;
                }
                Frame::new(counts)
            })
            .collect();
        self.read(&frames, peaks)
    }

    /// The interval that all windows make; none of them may need a remark.
    fn interval(&self, channels: &[Wave; 6]) -> IntervalSummary {
        let s = joined(&self.readings(channels));
        assert_eq!(s.flags.0 & !(Flags::V_DC_REMOVED.0 | Flags::I_DC_REMOVED.0), 0);
        s
    }
}

fn joined(readings: &[Reading]) -> IntervalSummary {
    let mut builder = IntervalBuilder::new();
    readings.iter().for_each(|r| builder.add(r));
    builder.summary().unwrap()
}

fn one(v: &Wave, i: &Wave) -> [Wave; 6] {
    [v.clone(), none(), none(), i.clone(), none(), none()]
}

/// One voltage and one current at 50 Hz.
fn single(v: &Wave, i: &Wave) -> IntervalSummary {
    Setup::new(Wiring::SinglePhase).interval(&one(v, i))
}

#[track_caller]
fn near(got: f64, want: f64, tolerance: f64) {
    assert!((got - want).abs() <= tolerance, "got {got}, want {want} ± {tolerance}");
}

/// Bird, Electrical Circuit Theory and Technology, problem 36.07 (SEEN-IN).
#[test]
fn w1_three_terms_in_voltage_and_current() {
    let v = sines(&[(1.0, 60.0, 0.0), (3.0, 15.0, 45.0), (5.0, 10.0, -90.0)]);
    let i = sines(&[(1.0, 2.0, -30.0), (3.0, 0.30, -15.0), (5.0, 0.10, -160.0)]);
    let p = single(&v, &i).phases[0];
    near(p.p_w, 53.26, 0.005);
    near(p.pf().unwrap(), 0.840, 0.0005);
    near(p.v_rms_v, 44.300, 0.0005);
    near(p.i_rms_a, 1.43178, 5e-6);
    // To more digits, by the printed formula.
    near(p.p_w, 53.25753, 5e-4);
    near(p.pf().unwrap(), 0.839652, 5e-6);
}

/// Bird, problem 36.09 (SEEN-IN); from the displacement factor on DERIVED.
#[test]
fn w2_series_impedance_on_a_distorted_voltage() {
    let omega = 314.0;
    let v = sines(&[(1.0, 240.0, 0.0), (3.0, 40.0, 0.0), (5.0, 30.0, 0.0)]);
    let i = through(&v, 12.0, omega * 9.55e-3);
    // 314 rad/s is 49.97 Hz: the windows must follow it.
    let setup = Setup { frequency_hz: omega / TAU, ..Setup::new(Wiring::SinglePhase) };
    let s = setup.interval(&one(&v, &i));
    let p = s.phases[0];
    near(p.i_rms_a, 13.89, 0.005);
    near(p.v_rms_v, 173.35, 0.005);
    near(p.p_w, 2316.0, 0.5);
    near(p.pf().unwrap(), 0.962, 0.0005);
    near(s.frequency_hz.unwrap(), omega / TAU, 1e-3);
    near(p.dpf().unwrap(), 0.970167, 1e-6);
    near(p.p1_w, 2258.9387, 0.01);
    near(p.q1_var, 564.4899, 0.01);
    near(p.s_va, 2408.3817, 0.01);
    // Fryze's reactive power is the nonactive power sqrt(S² − P²).
    near(p.n_var(), 659.7269, 0.02);
}

/// Bird, problem 36.11 (SEEN-IN): voltage and current with DC; the circuit's
/// 10 000 rad/s are slowed down to 50 Hz, with the same reactances.
#[test]
fn w3_dc_belongs_to_rms_and_power() {
    let v = with_dc(sines(&[(1.0, 100.0, 0.0), (3.0, 40.0, 30.0), (5.0, 20.0, 15.0)]), 25.0);
    let i = through(&v, 5.0, 1e4 * 500e-6);
    let p = single(&v, &i).phases[0];
    near(p.i_rms_a, 11.34, 0.005);
    near(p.p_w, 643.0, 0.5);
    near(p.i_rms_a, 11.336123, 2e-5);
    near(p.p_w, 642.538, 0.01);
    // With DC taken out, what is gone is the power of the means: 25 V · 5 A (DERIVED).
    let setup = Setup { dc: Dc::Remove, ..Setup::new(Wiring::SinglePhase) };
    let s = setup.interval(&one(&v, &i));
    near(s.phases[0].p_w, 642.538 - 125.0, 0.01);
    near(s.dc[0], 25.0, 1e-3);
    near(s.dc[3], 5.0, 1e-4);
}

/// Alexander and Sadiku, Fundamentals of Electric Circuits, chapter 17, practice problem (MEM).
#[test]
fn w5_dc_in_the_voltage_only() {
    // Cosines there: a quarter turn ahead of sines.
    let v = with_dc(sines(&[(1.0, 120.0, 90.0), (3.0, 60.0, 60.0)]), 80.0);
    let i = sines(&[(1.0, 5.0, 80.0), (3.0, 2.0, 30.0)]);
    let setup = Setup { frequency_hz: 60.0, cycles: 60.0, ..Setup::new(Wiring::SinglePhase) };
    let p = setup.interval(&one(&v, &i)).phases[0];
    near(p.p_w, 347.4, 0.05);
    near(p.p_w, 347.4038, 0.005);
}

/// IEEE Std 1459-2010, Annex B (MEM, inputs recalled from the printed powers): the
/// standard's P uses a rounded P1, hence 0.3 W. The identities are those of clauses
/// 3.1.2.7 to 3.1.2.13, their formulas SEEN in a public worksheet.
#[test]
fn w6_w7_components_of_apparent_power() {
    let order = [1.0, 3.0, 5.0, 7.0];
    let (v_rms, i_rms) = ([100.0, 8.0, 15.0, 5.0], [100.0, 20.0, 15.0, 10.0]);
    let between = [30.0, 95.0, 93.0, 92.0];
    let wave = |rms: [f64; 4], late: [f64; 4]| {
        sines(&std::array::from_fn::<_, 4, _>(|k| (order[k], rms[k] * SQRT_2, -late[k])))
    };
    let p = single(&wave(v_rms, [0.0; 4]), &wave(i_rms, between)).phases[0];
    near(p.p_w, 8632.54, 0.3);
    near(p.p_w, 8632.79, 0.1);
    near(p.p1_w, 8660.25, 0.05);
    near(p.q1_var, 5000.0, 0.05);
    near(p.v_rms_v, 101.56, 0.005);
    near(p.i_rms_a, 103.56, 0.005);
    near(p.s_va, 10517.49, 0.05);
    near(p.n_var(), 6007.71, 0.05);
    near(p.pf().unwrap(), 0.8208, 5e-5);
    near(p.dpf().unwrap(), 0.8660, 5e-5);
    let (v1, i1) = (p.v1_v.abs(), p.i1_a.abs());
    let rest = |all: f64, first: f64| libm::sqrt(all * all - first * first);
    let (v_h, i_h) = (rest(p.v_rms_v, v1), rest(p.i_rms_a, i1));
    near(v_h, 17.72, 0.005);
    near(i_h, 26.93, 0.005);
    let s1 = v1 * i1;
    near(s1, 10_000.0, 0.05);
    let (d_i, d_v, s_h) = (s1 * (i_h / i1), s1 * (v_h / v1), v_h * i_h);
    near(d_i, 2692.58, 0.02);
    near(d_v, 1772.00, 0.02);
    near(s_h, 477.13, 0.02);
    let s_n = rest(p.s_va, s1);
    near(s_n, 3258.47, 0.02);
    near(s_n / s1, 0.3258, 5e-5);
    near((d_i * d_i + d_v * d_v + s_h * s_h) / (s_n * s_n), 1.0, 1e-9);
    let p_h = p.p_w - p.p1_w;
    near(p_h, -27.47, 0.01);
    near(rest(s_h, p_h), 476.34, 0.02);
}

/// Batarseh, Power Electronics, eq. 3.58 and 3.59 (relation SEEN, values DERIVED): with a
/// sinusoidal voltage, PF is the distortion factor times the displacement factor.
#[test]
fn w8_distortion_and_displacement_multiply() {
    let table = [
        (0.2, 0.98058),
        (0.3, 0.95783),
        (0.4, 0.92848),
        (0.5, 0.89443),
        (0.8, 0.78087),
        (1.0, 0.70711),
    ];
    for (thd, distortion) in table {
        for phi in [0.0, 30.0, -60.0] {
            let v = cosine(230.0, 0.0);
            // Two harmonics share the distortion as 0.8 to 0.6.
            let part = |order, rms, angle_deg| Component { order, rms, angle_deg };
            let i = vec![
                part(1.0, 10.0, -phi),
                part(5.0, 8.0 * thd, 20.0),
                part(7.0, 6.0 * thd, -70.0),
            ];
            let p = single(&v, &i).phases[0];
            let displacement = libm::cos(radians(phi));
            near(p.dpf().unwrap(), displacement, 5e-6);
            near(p.pf().unwrap() / displacement, distortion, 1e-5);
        }
    }
}

/// A square wave of current in phase with a sine of voltage: PF 2·sqrt(2)/π (DERIVED; what
/// average-sensing instruments get wrong); DC of its own adds to RMS and not to P.
#[test]
fn w10_square_wave_against_sine() {
    let setup = Setup { rate_hz: 180_000.0, ..Setup::new(Wiring::SinglePhase) };
    let square = |angle: f64| if libm::sin(angle) >= 0.0 { 10.0 } else { -10.0 };
    let v = |angle: f64| 230.0 * SQRT_2 * libm::sin(angle);
    let peaks = [400.0, 400.0, 400.0, 20.0, 20.0, 20.0];
    for dc in [0.0, 5.0] {
        let readings = setup.readings_of(&peaks, |a| [v(a), 0.0, 0.0, square(a) + dc, 0.0, 0.0]);
        let p = joined(&readings).phases[0];
        let i_rms = libm::sqrt(100.0 + dc * dc);
        near(p.i_rms_a, i_rms, 1e-4);
        near(p.p_w, 230.0 * 10.0 * 2.0 * SQRT_2 / PI, 0.05);
        near(p.pf().unwrap(), 10.0 / i_rms * 2.0 * SQRT_2 / PI, 2e-5);
    }
}

/// A balanced three-wire load: v12, v23, v31 and three line currents.
fn balanced(v_line: f64, i_line: f64, phi: f64) -> [Wave; 6] {
    let v = |k: f64| cosine(v_line, 30.0 - 120.0 * k);
    let i = |k: f64| cosine(i_line, -120.0 * k - phi);
    [v(0.0), v(1.0), v(2.0), i(0.0), i(1.0), i(2.0)]
}

/// The readings of two wattmeters on lines 1 and 3, both against line 2, and of the node.
fn two_wattmeters(v_line: f64, i_line: f64, phi: f64) -> ([f64; 2], IntervalSummary) {
    let channels = balanced(v_line, i_line, phi);
    let [v12, v23, _, i1, _, i3] = channels.clone();
    let v32 = turned(&v23);
    let first = single(&v12, &i1).total.p_w;
    let second = single(&v32, &i3).total.p_w;
    let elements = Setup::new(Wiring::TwoSensorLine).interval(&[v12, none(), v32, i1, none(), i3]);
    // The same load by three sensors: no difference.
    let three = Setup::new(Wiring::ThreeWireLine).interval(&channels);
    near(three.total.p_w, elements.total.p_w, 1e-5 * three.total.s_arithmetic_va);
    near(three.total.q1_var, elements.total.q1_var, 1e-5 * three.total.s_arithmetic_va);
    ([first, second], elements)
}

/// A delta load by its two wattmeter readings (SEEN-IN: a public solved-problem page, after
/// Alexander and Sadiku, example 12.14).
#[test]
fn t1_delta_load_from_two_wattmeters() {
    let (z, phi) = (38.44, 14.335);
    let i_phase = 220.0 / z;
    let (w, s) = two_wattmeters(220.0, i_phase * libm::sqrt(3.0), phi);
    near(i_phase, 5.724, 0.001);
    near(w[0], 1560.0, 0.3);
    near(w[1], 2100.0, 0.3);
    near(s.total.p_w, 3660.0, 0.3);
    near(s.total.q1_var, 935.3, 0.1);
    near(s.total.pf_vector().unwrap(), 0.9689, 5e-5);
    near(s.phases[0].p_w, 1220.0, 0.1);
    near(s.phases[1].q1_var, 311.77, 0.05);
    near(s.phases[2].phi1_deg().unwrap(), 14.335, 0.001);
}

/// A balanced star of 8 + j6 Ω on 208 V (SEEN-IN, same page; the book, MEM, rounds the
/// current to 12 A).
#[test]
fn t2_star_load() {
    let i = 208.0 / libm::sqrt(3.0) / 10.0;
    let (w, s) = two_wattmeters(208.0, i, degrees(libm::atan2(6.0, 8.0)));
    near(s.phases[0].i_rms_a, 12.009, 0.0005);
    near(s.phases[1].i_rms_a, 12.009, 0.0005);
    let rows = [(w[0], 981.2, 980.48), (w[1], 2479.9, 2478.1), (s.total.p_w, 3461.1, 3459.0)];
    for (got, exact, book) in rows {
        near(got, exact, 0.06);
        near(got, book, 2.2);
    }
    near(s.total.q1_var, 2595.8, 0.06);
    near(s.total.pf_vector().unwrap(), 0.8, 1e-5);
}

/// Four wires with the phases in reverse order (SEEN-IN, same page, after example 12.13; two
/// of the currents MEM).
#[test]
fn t3_four_wires_in_reverse_order() {
    let s = Setup::new(Wiring::FourWire).interval(&[
        cosine(100.0, 0.0),
        cosine(100.0, 120.0),
        cosine(100.0, -120.0),
        cosine(6.67, 0.0),
        cosine(8.93, 93.44),
        cosine(10.0, -66.87),
    ]);
    near(s.phases[0].p_w, 667.0, 2.0);
    near(s.phases[1].p_w, 800.0, 2.0);
    near(s.phases[2].p_w, 600.0, 2.0);
    near(s.total.p_w, 2067.0, 2.0);
}

/// Wattmeter readings at a given power and angle: sources beside each row.
#[test]
fn t4_t6_t8_t9_two_wattmeters_over_power_factor() {
    struct Case {
        p_w: f64,
        phi: f64,
        w: [f64; 2],
        pf: f64,
        tolerance: f64,
    }
    let acos = |pf: f64| degrees(libm::acos(pf));
    let cases = [
        // T4: electricalexams.co, one meter reversed (SEEN; 68.96° printed).
        Case { p_w: 200e3, phi: 68.95, w: [-50e3, 250e3], pf: 0.359, tolerance: 60.0 },
        // T6: Bird, chapter 20, problem 16 (SEEN-IN).
        Case { p_w: 12e3, phi: acos(0.6), w: [1.38e3, 10.62e3], pf: 0.6, tolerance: 5.0 },
        // T8: Basic Electrical Engineering, example 4.16 (SEEN).
        Case { p_w: 15e3, phi: 60.0, w: [0.0, 15e3], pf: 0.5, tolerance: 0.2 },
        // T9: hackmath.net, problem 11081 (SEEN).
        Case { p_w: 2000.0, phi: 0.0, w: [1000.0, 1000.0], pf: 1.0, tolerance: 0.02 },
    ];
    for c in cases {
        let s_va = c.p_w / libm::cos(radians(c.phi));
        let (w, s) = two_wattmeters(400.0, s_va / 400.0 / libm::sqrt(3.0), c.phi);
        near(w[0], c.w[0], c.tolerance);
        near(w[1], c.w[1], c.tolerance);
        near(s.total.p_w, c.p_w, c.tolerance);
        near(s.total.pf_vector().unwrap(), c.pf, 5e-4);
    }
    // T9, second half: readings of −1000 and 1000 W, PF 0 (here lagging, so Q1 is positive).
    let (w, s) = two_wattmeters(400.0, 2000.0 / 400.0, 90.0);
    near(w[0], -1000.0, 0.02);
    near(w[1], 1000.0, 0.02);
    near(s.total.p_w, 0.0, 0.03);
    near(s.total.pf_vector().unwrap(), 0.0, 1e-5);
    near(s.total.q1_var, 2000.0 * libm::sqrt(3.0), 0.05);
}

/// Rectifier pulses of 60° that never overlap: the neutral carries sqrt(3) times a line's
/// current (limit 1.73 SEEN in a public article, construction DERIVED).
#[test]
fn t11_neutral_current_of_pulses() {
    let setup = Setup { rate_hz: 180_000.0, ..Setup::new(Wiring::FourWire) };
    let pulse = |angle: f64| {
        let turn = angle / TAU - libm::floor(angle / TAU);
        match (turn * 6.0) as u32 {
            1 => 1.0,
            4 => -1.0,
            _ => 0.0,
        }
    };
    let peaks = [400.0, 400.0, 400.0, 2.0, 2.0, 2.0];
    let s = joined(&setup.readings_of(&peaks, |a| {
        let at = [a, a - TAU / 3.0, a + TAU / 3.0];
        let v = at.map(|a| 325.0 * libm::sin(a));
        let i = at.map(pulse);
        [v[0], v[1], v[2], i[0], i[1], i[2]]
    }));
    near(s.phases[0].i_rms_a, libm::sqrt(1.0 / 3.0), 1e-3);
    near(s.i_neutral_a / s.phases[0].i_rms_a, libm::sqrt(3.0), 1e-3);
}

fn star_of_120() -> [Wave; 3] {
    [0.0, -120.0, 120.0].map(|deg| cosine(120.0, deg))
}

/// A resistor between two lines: the classical case for three definitions of S
/// (used with IEEE Std 1459-2010 Annex A; MEM, recomputed).
#[test]
fn t12_resistor_between_two_lines() {
    let [v1, v2, v3] = star_of_120();
    let channels = [v1, v2, v3, cosine(10.0, 30.0), cosine(10.0, 210.0), none()];
    for wiring in [Wiring::FourWire, Wiring::ThreeWire] {
        let s = Setup::new(wiring).interval(&channels);
        let t = s.total;
        near(t.p_w, 2078.46, 0.01);
        near(t.s_arithmetic_va, 2400.0, 0.01);
        near(t.pf_arithmetic().unwrap(), 0.8660, 5e-5);
        near(t.s_vector_va(), 2078.46, 0.01);
        near(t.pf_vector().unwrap(), 1.0, 1e-6);
        near(t.s_effective_va.unwrap(), 2939.39, 0.02);
        near(t.pf_effective().unwrap(), 0.7071, 1e-4);
        // The phase without current has no power factor at all.
        assert_eq!(s.phases[2].pf(), None);
    }
}

/// One phase of four wires loaded (DERIVED from the definitions of IEEE Std 1459-2010, MEM).
#[test]
fn t13_one_phase_loaded() {
    let [v1, v2, v3] = star_of_120();
    let channels = [v1, v2, v3, cosine(10.0, 0.0), none(), none()];
    let t = Setup::new(Wiring::FourWire).interval(&channels).total;
    near(t.p_w, 1200.0, 0.01);
    near(t.s_effective_va.unwrap(), 2939.39, 0.02);
    near(t.pf_effective().unwrap(), 0.40825, 1e-5);
    near(t.s_arithmetic_va, 1200.0, 0.01);
    near(t.pf_arithmetic().unwrap(), 1.0, 1e-6);
}

/// Three wires (IEEE Std 1459-2010, 3.2.2 and 3.2.3, MEM): Se follows from line voltages
/// and currents alone; its square is the sum of its parts; balanced sines make all S equal.
#[test]
fn t14_effective_power_of_three_wires() {
    let t = Setup::new(Wiring::ThreeWireLine).interval(&balanced(400.0, 12.0, 37.0)).total;
    let s = libm::sqrt(3.0) * 400.0 * 12.0;
    for x in [t.s_arithmetic_va, t.s_vector_va(), t.s_effective_va.unwrap()] {
        near(x, s, 1e-5 * s);
    }
    // Unbalanced and distorted: the fifth harmonic turns backwards.
    let distorted = |rms: f64, deg: f64, k: f64| {
        let fifth = Component { order: 5.0, rms: 0.2 * rms, angle_deg: 120.0 * k };
        cosine(rms, deg).into_iter().chain([fifth]).collect::<Wave>()
    };
    let closing = |a: &Wave, b: &Wave| turned(&a.iter().chain(b).copied().collect());
    let (v1, v2) = (distorted(400.0, 30.0, 0.0), distorted(380.0, -95.0, 1.0));
    let (i1, i2) = (distorted(10.0, -20.0, 0.0), distorted(14.0, -150.0, 1.0));
    let (v3, i3) = (closing(&v1, &v2), closing(&i1, &i2));
    let r = Setup::new(Wiring::ThreeWireLine).readings(&[v1, v2, v3, i1, i2, i3])[2];
    let squares = |x: [f64; 3]| x.iter().map(|x| x * x).sum::<f64>();
    let (ve2, ie2) = (squares(r.v_line_v) / 9.0, squares(r.phases.map(|p| p.i_rms_a)) / 3.0);
    let se = r.total.s_effective_va.unwrap();
    near(se / (3.0 * libm::sqrt(ve2 * ie2)), 1.0, 1e-12);
    let star = r.phases.map(|p| p.v1_v);
    let lines = [(0, 1), (1, 2), (2, 0)].map(|(a, b): (usize, usize)| (star[a] - star[b]).abs());
    let ve1 = libm::sqrt(squares(lines) / 9.0);
    let ie1 = libm::sqrt(squares(r.phases.map(|p| p.i1_a.abs())) / 3.0);
    let (veh, ieh) = (libm::sqrt(ve2 - ve1 * ve1), libm::sqrt(ie2 - ie1 * ie1));
    let (de_i, de_v, se_h) = (3.0 * ve1 * ieh, 3.0 * veh * ie1, 3.0 * veh * ieh);
    let se1 = 3.0 * ve1 * ie1;
    near((de_i * de_i + de_v * de_v + se_h * se_h) / (se * se - se1 * se1), 1.0, 1e-9);
    assert!(ieh > 0.15 * ie1 && veh > 0.15 * ve1);
    // The effective S is the largest, the vector S the smallest.
    assert!(se >= r.total.s_arithmetic_va);
    assert!(r.total.s_arithmetic_va >= r.total.s_vector_va());
}

/// Two sensors at PF below 0.5 have one negative element, and that is right (common practice).
#[test]
fn low_power_factor_makes_one_element_negative() {
    let (w, s) = two_wattmeters(400.0, 20.0, 75.0);
    assert!(w[0] < 0.0 && w[1] > 0.0);
    near(s.total.pf_vector().unwrap(), libm::cos(radians(75.0)), 1e-5);
    near(s.total.p_w, w[0] + w[1], 0.1);
}

/// IEC 61000-4-30, 4.5 (MEM): RMS values aggregate as the root of the mean square, so half
/// the time at 230 V and half at 0 V is 162.635 V.
#[test]
fn rms_aggregates_as_root_mean_square() {
    let setup = Setup { cycles: 100.0, ..Setup::new(Wiring::SinglePhase) };
    // Fifty cycles with voltage, fifty without.
    let readings = setup.readings_of(&[400.0, 400.0, 400.0, 20.0, 20.0, 20.0], |a| {
        let x = if a < 50.0 * TAU { 230.0 * SQRT_2 * libm::sin(a) } else { 0.0 };
        [x, 0.0, 0.0, x / 23.0, 0.0, 0.0]
    });
    let s = joined(&readings);
    near(s.phases[0].v_rms_v, 162.635, 0.005);
    near(s.phases[0].i_rms_a, 162.635 / 23.0, 0.001);
    // Power is a mean, and so is S: the power factor of the whole comes from the two.
    near(s.phases[0].p_w, 1150.0, 0.1);
    near(s.phases[0].pf().unwrap(), 1.0, 1e-6);
    near(s.v_extremes_v[0].min, 0.0, 0.1);
    near(s.v_extremes_v[0].max, 230.0, 0.01);
    assert!(s.flags.contains(Flags::NO_FUNDAMENTAL.with(Flags::V_MISSING)));
}

/// IEC 61000-4-30 (SEEN): 150 cycles of 50 Hz and 180 of 60 Hz make fifteen windows of 3 s.
#[test]
fn three_seconds_are_fifteen_windows() {
    for (frequency_hz, cycles) in [(50.0, 150.0), (60.0, 180.0)] {
        let setup = Setup { frequency_hz, cycles, ..Setup::new(Wiring::SinglePhase) };
        let s = setup.interval(&one(&cosine(230.0, 17.0), &cosine(9.0, -20.0)));
        assert_eq!(s.windows, 15);
        near(s.duration_s, 3.0, 1e-4);
        near(s.frequency_hz.unwrap(), frequency_hz, 1e-3);
    }
}
