//! What a channel's way from terminal to count does to a wave, and the factor that takes it back.
//!
//! Factors of the way at a frequency f, multiplied with each other and with the gain:
//!
//! - the sensor's table: (1 + ε)·e^(jδ/h), ratio error ε and lead δ at the measured current; the
//!   lead of a transformer comes from its magnetizing branch and falls as 1/h (order h);
//! - a Rogowski coil with the integrator of [`crate::rogowski`];
//! - the input filter: 1/(1 + j2πf·RC);
//! - the delay: e^(−j2πf·τ), the same time at every order;
//! - the converter's sinc³: |sin(Nx)/(N·sin x)|³ with x = πf/f_mod; its delay is the same in
//!   every channel and moves nothing but the time of a window, by 1.5 sample periods.
//!
//! A fundamental is divided by its factor in `f64`; harmonics, whose corrections are small parts
//! of a reading, in `f32` operations that are the same on every processor.

use crate::calibration::{Calibration, FIRST_CURRENT};
use crate::complex::Complex;
use crate::frame::ACTIVE;
use crate::rogowski::leak;
use core::f64::consts::{PI, TAU};

/// Highest order that is corrected.
pub const ORDER_MAX: usize = 50;

/// Orders are corrected up to this share of the sample rate; what lies above is not recoverable.
pub const BAND_SHARE: f64 = 0.45;

/// Oversampling of the sinc³ stage beyond which a second stage averages.
const SINC3_MAX: u16 = 1024;

/// Magnitude of a sinc³ filter at a frequency, relative to DC.
///
/// `osr` is the oversampling, `sample_rate_hz` the rate of its results; 0 stands for no filter.
/// Above 1024 the results of a sinc³ of 1024 are averaged in groups.
pub fn sinc3(frequency_hz: f64, sample_rate_hz: f64, osr: u16) -> f64 {
    if osr == 0 {
        return 1.0;
    }
    let first = osr.min(SINC3_MAX);
    let group = f64::from(osr / first);
    // Half the angle per sample of the results, of the first stage, and of the modulator.
    let x = PI * frequency_hz / sample_rate_hz;
    let stage = dirichlet(x / group, f64::from(first));
    stage * stage * stage * if group > 1.0 { dirichlet(x, group) } else { 1.0 }
}

/// sin(x) / (n·sin(x/n)).
fn dirichlet(x: f64, n: f64) -> f64 {
    let below = n * libm::sin(x / n);
    if below == 0.0 { 1.0 } else { libm::sin(x) / below }
}

/// The responses of all channels at the frequency of one window.
#[derive(Clone, Debug)]
pub struct Responses<'a> {
    calibration: &'a Calibration,
    sample_rate_hz: f64,
    fundamental_hz: f64,
    orders: usize,
    /// Inverse of the sinc³ filter's magnitude, by order.
    inverse_droop: [f32; ORDER_MAX + 1],
}

impl<'a> Responses<'a> {
    /// For a fundamental of `fundamental_hz` sampled at `sample_rate_hz`, both positive.
    pub fn new(calibration: &'a Calibration, sample_rate_hz: f64, fundamental_hz: f64) -> Self {
        let turns = fundamental_hz / sample_rate_hz;
        let orders = ((BAND_SHARE / turns) as usize).min(ORDER_MAX);
        let mut inverse_droop = [1.0; ORDER_MAX + 1];
        let osr = calibration.sinc3_osr;
        if osr > SINC3_MAX {
            for (h, d) in inverse_droop.iter_mut().enumerate().take(orders + 1) {
                let f = h as f64 * fundamental_hz;
                *d = (1.0 / sinc3(f, sample_rate_hz, osr)) as f32;
            }
        } else if osr > 0 {
            let step = Turn::new(PI * turns);
            let mut at = step;
            let half = (PI * turns) as f32;
            let n = 1.0 / f32::from(osr);
            for (h, d) in inverse_droop.iter_mut().enumerate().take(orders + 1).skip(1) {
                // sin(Nx)/(N·sin x); x is small enough for three terms of its sine.
                let nx = half * h as f32;
                let x2 = (nx * n) * (nx * n);
                let one = nx * (1.0 - x2 * (1.0 / 6.0) * (1.0 - x2 * (1.0 / 20.0))) / at.im;
                *d = one * one * one;
                at = at.then(step);
            }
        }
        Responses { calibration, sample_rate_hz, fundamental_hz, orders, inverse_droop }
    }

    /// Highest order within the band, up to [`ORDER_MAX`].
    pub fn orders(&self) -> usize {
        self.orders
    }

    /// Whether a channel's counts are its quantity already, at every frequency.
    pub fn is_plain(&self, slot: usize) -> bool {
        is_plain(self.calibration, slot)
    }

    /// What the fundamental of a channel is multiplied by to be that at the terminals.
    ///
    /// `rms` is the channel's measured RMS in V or A, for the sensor's table.
    pub fn fundamental(&self, slot: usize, rms: f64) -> Complex {
        let f = self.fundamental_hz;
        let c = self.calibration;
        let omega = TAU * f;
        let mut inverse = Complex::new(1.0 / sinc3(f, self.sample_rate_hz, c.sinc3_osr), 0.0);
        if let Some(channel) = c.channels.get(slot)
            && channel.delay_ns != 0
        {
            inverse = inverse * Complex::unit(omega * f64::from(channel.delay_ns) * 1e-9);
        }
        if let Some(&rc) = c.rc_ns.get(slot)
            && rc != 0
        {
            inverse = inverse * Complex::new(1.0, omega * f64::from(rc) * 1e-9);
        }
        let (ratio, lead_rad) = sensor_errors(c, slot, rms);
        if ratio != 0.0 || lead_rad != 0.0 {
            inverse = inverse * Complex::unit(-lead_rad).scale(1.0 / (1.0 + ratio));
        }
        if c.rogowski(slot).is_some() {
            let (angle, keep) = (omega / self.sample_rate_hz, 1.0 - leak(self.sample_rate_hz));
            let sin = libm::sin(angle);
            let (sin_half, lost) = (libm::sin(angle / 2.0), 1.0 - keep);
            // −(z − a)²/z over Ω·sin Ω, with 1 + a² and 1 − a² written so that nothing cancels.
            let re = (1.0 + keep * keep) * 2.0 * sin_half * sin_half - lost * lost;
            let im = -(lost * (1.0 + keep)) * sin;
            inverse = inverse * Complex::new(re, im).scale(1.0 / (angle * sin));
        }
        inverse
    }

    /// The same for the harmonics of a channel, from order 2 up to [`Self::orders`].
    pub fn harmonics(&self, slot: usize, rms: f64) -> Harmonics<'_> {
        let c = self.calibration;
        let omega = TAU * self.fundamental_hz;
        let delay_ns = c.channels.get(slot).map_or(0, |x| x.delay_ns);
        let rc_ns = c.rc_ns.get(slot).copied().unwrap_or_default();
        let (ratio, lead_rad) = sensor_errors(c, slot, rms);
        let coil = c.rogowski(slot).map(|_| {
            let angle = omega / self.sample_rate_hz;
            let half = Turn::new(angle / 2.0);
            let lost = leak(self.sample_rate_hz) as f32;
            Coil { step: half, at: half.then(half), half_angle: (angle / 2.0) as f32, lost }
        });
        let step = Turn::new(omega * f64::from(delay_ns) * 1e-9);
        Harmonics {
            droop: &self.inverse_droop,
            last: self.orders,
            order: 2,
            delay: (delay_ns != 0).then(|| (step, step.then(step))),
            rc: (omega * f64::from(rc_ns) * 1e-9) as f32,
            lead_rad: lead_rad as f32,
            inverse_ratio: (1.0 / (1.0 + ratio)) as f32,
            coil,
        }
    }
}

/// Whether nothing on a channel's way depends on frequency or magnitude.
pub fn is_plain(c: &Calibration, slot: usize) -> bool {
    c.sinc3_osr == 0
        && c.rc_ns.get(slot).is_none_or(|rc| *rc == 0)
        && c.channels.get(slot).is_none_or(|x| x.delay_ns == 0)
        && c.rogowski(slot).is_none()
        && c.sensor(slot).is_none_or(|s| s.points().is_empty())
}

/// Whether any of the channels that wirings use needs a correction beyond gain and offset.
pub fn any_correction(c: &Calibration) -> bool {
    (0..ACTIVE).any(|slot| !is_plain(c, slot))
}

/// What the integrator of a Rogowski channel multiplies a sine of the coil's frequency by.
///
/// Counts over this, times the gain, are the current; 1 for a channel without a coil.
pub fn integrator_scale(c: &Calibration, slot: usize, sample_rate_hz: f64) -> f64 {
    c.rogowski(slot).map_or(1.0, |at| crate::rogowski::scale(sample_rate_hz, at.hz()))
}

/// Ratio error and lead in radians of a channel's sensor at a measured RMS.
///
/// Between the rows of its table straight over the logarithm of the current, beyond them as in
/// the outermost row; zeros without a table.
pub fn sensor_errors(c: &Calibration, slot: usize, rms: f64) -> (f64, f64) {
    let Some(sensor) = c.sensor(slot).filter(|_| slot >= FIRST_CURRENT) else {
        return (0.0, 0.0);
    };
    let points = sensor.points();
    let (Some(first), Some(last)) = (points.first(), points.last()) else {
        return (0.0, 0.0);
    };
    let load = 1000.0 * rms / f64::from(sensor.rated_a);
    let row = |p: &crate::calibration::SensorPoint| {
        (f64::from(p.ratio_ppm) * 1e-6, f64::from(p.lead_urad) * 1e-6)
    };
    if !(load > f64::from(first.load_permille)) {
        return row(first);
    }
    for pair in points.windows(2) {
        let [a, b] = pair else { continue };
        let (low, high) = (f64::from(a.load_permille), f64::from(b.load_permille));
        if load < high {
            let share = libm::log(load / low) / libm::log(high / low);
            let (from, to) = (row(a), row(b));
            return (from.0 + (to.0 - from.0) * share, from.1 + (to.1 - from.1) * share);
        }
    }
    row(last)
}

/// A turn in single precision.
#[derive(Clone, Copy, Debug)]
struct Turn {
    re: f32,
    im: f32,
}

impl Turn {
    fn new(angle_rad: f64) -> Turn {
        let (im, re) = libm::sincos(angle_rad);
        Turn { re: re as f32, im: im as f32 }
    }

    fn then(self, o: Turn) -> Turn {
        Turn { re: self.re * o.re - self.im * o.im, im: self.re * o.im + self.im * o.re }
    }
}

/// The corrections of a channel's harmonics in order; see [`Responses::harmonics`].
#[derive(Clone, Debug)]
pub struct Harmonics<'a> {
    droop: &'a [f32; ORDER_MAX + 1],
    last: usize,
    order: usize,
    /// The delay's turn of one order, and at the order to come.
    delay: Option<(Turn, Turn)>,
    rc: f32,
    lead_rad: f32,
    inverse_ratio: f32,
    coil: Option<Coil>,
}

/// Half turns per sample of an integrated coil.
#[derive(Clone, Copy, Debug)]
struct Coil {
    step: Turn,
    at: Turn,
    half_angle: f32,
    lost: f32,
}

impl Iterator for Harmonics<'_> {
    type Item = Complex;

    fn next(&mut self) -> Option<Complex> {
        if self.order > self.last {
            return None;
        }
        let h = self.order as f32;
        let droop = self.droop.get(self.order)? * self.inverse_ratio;
        let mut x = Turn { re: droop, im: droop * (h * self.rc) };
        if let Some((step, at)) = &mut self.delay {
            x = x.then(*at);
            *at = at.then(*step);
        }
        if self.lead_rad != 0.0 {
            let d = self.lead_rad / h;
            // At most 5°: the series is exact to single precision.
            let (cos, sin) = (1.0 - 0.5 * d * d, d - d * d * d * (1.0 / 6.0));
            x = x.then(Turn { re: cos, im: -sin });
        }
        if let Some(c) = &mut self.coil {
            let (sin, cos) = (c.at.im, c.at.re);
            let keep = 1.0 - c.lost;
            let re = (1.0 + keep * keep) * 2.0 * sin * sin - c.lost * c.lost;
            let sin_whole = 2.0 * sin * cos;
            let im = -(c.lost * (1.0 + keep)) * sin_whole;
            let below = 1.0 / (2.0 * c.half_angle * h * sin_whole);
            x = x.then(Turn { re: re * below, im: im * below });
            c.at = c.at.then(c.step);
        }
        self.order += 1;
        Some(Complex::new(f64::from(x.re), f64::from(x.im)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibration::{SensorKind, SensorPoint};
    use crate::window::Nominal;

    fn db(x: f64) -> f64 {
        20.0 * libm::log10(x)
    }

    /// Losses calculated from the formula of the converter's data sheet (SBAS950B, 8.3.7) at
    /// 8192 kHz: oversampling, then dB at 2.0, 2.5 and 3.0 kHz.
    #[test]
    fn the_sinc3_droops_as_its_data_sheet_says() {
        for (osr, at) in [
            (128, [-0.168, -0.262, -0.378]),
            (256, [-0.673, -1.055, -1.525]),
            (512, [-2.736, -4.329, -6.334]),
        ] {
            let rate = 4_096_000.0 / f64::from(osr);
            for (f, want) in [2000.0, 2500.0, 3000.0].into_iter().zip(at) {
                let got = db(sinc3(f, rate, osr));
                assert!((got - want).abs() < 6e-4, "{osr} {f}: {got}");
            }
        }
        // Percent lost at 50 Hz, and −3 dB points of the two-stage filters, same source.
        assert!((1.0 - sinc3(50.0, 8000.0, 512) - 0.000_193).abs() < 5e-7);
        assert!((db(sinc3(736.0, 2000.0, 2048)) + 3.01).abs() < 0.01);
        assert!((1.0 - sinc3(60.0, 2000.0, 2048) - 0.002_22).abs() < 5e-6);
        assert!(sinc3(2000.0, 2000.0, 2048).abs() < 1e-9);
        assert_eq!(sinc3(3000.0, 8000.0, 0), 1.0);
    }

    /// Input filters of 1 kΩ with 10 nF and 33 nF (by hand from 1/(1 + j2πf·RC)): lag in minutes
    /// at 50 Hz and loss in dB at 2 kHz.
    #[test]
    fn the_input_filter_lags_and_loses() {
        for (rc_ns, lag_min, loss_db) in [(10_000, 10.8, 0.068), (33_000, 35.6, 0.689)] {
            let mut c = Calibration::default();
            c.rc_ns[0] = rc_ns;
            let at_50 = Responses::new(&c, 8000.0, 50.0).fundamental(0, 0.0);
            assert!((at_50.arg().to_degrees() * 60.0 - lag_min).abs() < 0.05);
            let at_2k = Responses::new(&c, 8000.0, 50.0).harmonics(0, 0.0).nth(38).unwrap();
            assert!((db(at_2k.abs()) - loss_db).abs() < 5e-4, "{}", db(at_2k.abs()));
        }
    }

    /// Harmonics in single precision against the fundamental's formula in double, at every order.
    #[test]
    fn both_precisions_agree() {
        let mut c = Calibration::default();
        let table = [SensorPoint { load_permille: 1000, ratio_ppm: -9000, lead_urad: 26_000 }];
        c.rc_ns = [33_000; 8];
        c.channels[1].delay_ns = -400_000;
        c.sensors[1].kind = SensorKind::Rogowski(Nominal::Hz60);
        (c.sensors[2].rated_a, c.sensors[2].table[0]) = (100.0, table[0]);
        for osr in [0, 128, 512, 2048] {
            c.sinc3_osr = osr;
            for (rate, f1) in [(8000.0, 42.5), (8000.0, 60.0), (4000.0, 50.0), (32_000.0, 69.0)] {
                let r = Responses::new(&c, rate, f1);
                assert_eq!(r.orders(), ((0.45 * rate / f1) as usize).min(50));
                for slot in [0, 1, 4, 5] {
                    let fast: Vec<Complex> = r.harmonics(slot, 30.0).collect();
                    assert_eq!(fast.len(), r.orders() - 1);
                    for (h, x) in (2u32..).zip(fast) {
                        let mut at_h = c;
                        // A transformer's lead falls with the order.
                        at_h.sensors[2].table[0].lead_urad = 0;
                        let exact = Responses::new(&at_h, rate, f1 * f64::from(h));
                        let mut want = exact.fundamental(slot, 30.0);
                        if slot == 5 {
                            want = want * Complex::unit(-0.026 / f64::from(h));
                        }
                        let off = (x - want).abs() / want.abs();
                        assert!(off < 1e-5, "{osr} {rate} {f1} slot {slot} h {h}: {off}");
                    }
                }
            }
        }
    }

    #[test]
    fn tables_go_straight_over_the_logarithm() {
        let mut c = Calibration::default();
        let s = &mut c.sensors[0];
        s.rated_a = 200.0;
        // Limits of class 1 at 5, 20 and 100 % of rated current (IEC 61869-2).
        for (p, (load_permille, ratio_ppm, lead_urad)) in s.table.iter_mut().zip([
            (50, -30_000, 52_360),
            (200, -15_000, 26_180),
            (1000, -10_000, 17_453),
        ]) {
            *p = SensorPoint { load_permille, ratio_ppm, lead_urad };
        }
        let at = |a| sensor_errors(&c, 3, a);
        assert_eq!(at(0.0), (-0.03, 0.052_36));
        assert_eq!(at(f64::NAN), (-0.03, 0.052_36));
        assert_eq!(at(10.0), (-0.03, 0.052_36));
        // 10 % of rated is half way between 5 and 20 % on a logarithmic scale.
        let (ratio, lead) = at(20.0);
        assert!((ratio + 0.0225).abs() < 1e-12 && (lead - 0.039_27).abs() < 1e-12);
        assert_eq!(at(200.0), (-0.01, 0.017_453));
        assert_eq!(at(5000.0), (-0.01, 0.017_453));
        assert_eq!(sensor_errors(&c, 0, 20.0), (0.0, 0.0));
        assert_eq!(sensor_errors(&c, 4, 20.0), (0.0, 0.0));
        assert!(is_plain(&c, 4) && !is_plain(&c, 3) && any_correction(&c));
        assert!(!any_correction(&Calibration::default()));
    }
}
