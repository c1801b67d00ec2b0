//! An induction motor from its nameplate: active and reactive power against load, and its start.
//!
//! Losses are a fixed part and one that grows with the square of the load; reactive power is
//! magnetizing, which stays, and leakage, which grows with the square of the current. The two
//! power factors of a data sheet (rated and half load) fix the split.

use super::phasor::{ALPHA, ALPHA2, V3, quotient};
use super::scenario::Motor;
use wattless_core::complex::Complex;

/// Share of the rated losses that is there without load (core, friction, windage).
/// Common practice: four tenths.
const FIXED_LOSS_SHARE: f64 = 0.4;

/// Smallest share of the rated reactive power that leakage takes; below it the two
/// power factors given do not belong to an induction motor.
const LEAKAGE_MIN: f64 = 0.02;

/// Size up to which motors lose more power factor at half load, in kW (NEMA MG 10 bands,
/// from memory: 0.84 to 0.72 up to 30 hp, 0.87 to 0.79 above).
const SMALL_KW: f64 = 22.5;

/// A motor's equivalent, per unit of nothing: W, var, S.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MotorModel {
    shaft_w: f64,
    fixed_loss_w: f64,
    load_loss_w: f64,
    magnetizing_var: f64,
    leakage_var: f64,
    /// Nominal voltage from line to star point, in V.
    nominal_v: f64,
    /// Admittance of a phase while the rotor stands, in S.
    standstill_s: Complex,
}

impl MotorModel {
    /// Fits the model; `None` when the power factors leave no room for magnetizing and leakage.
    ///
    /// `nominal_v` is the voltage per phase, in V.
    pub fn new(m: &Motor, nominal_v: f64) -> Option<MotorModel> {
        let shaft_w = m.rated_kw * 1e3;
        let input_w = shaft_w / m.efficiency;
        let losses_w = input_w - shaft_w;
        let (fixed_loss_w, load_loss_w) =
            (FIXED_LOSS_SHARE * losses_w, (1.0 - FIXED_LOSS_SHARE) * losses_w);
        let drop = if m.rated_kw <= SMALL_KW { 0.12 } else { 0.08 };
        let half_pf = m.pf_half_load.unwrap_or(m.pf - drop);
        let half_w = 0.5 * shaft_w + fixed_loss_w + 0.25 * load_loss_w;
        let rated_var = input_w * tan_of_pf(m.pf);
        let half_var = half_w * tan_of_pf(half_pf);
        // rated = magnetizing + leakage; half = magnetizing + leakage / 4.
        let leakage_var = (rated_var - half_var) / 0.75;
        let magnetizing_var = rated_var - leakage_var;
        let split = leakage_var / rated_var;
        if !(LEAKAGE_MIN..1.0 - LEAKAGE_MIN).contains(&split) {
            return None;
        }
        let rated_s_per_phase = input_w / m.pf / 3.0;
        let start_va = m.start_multiple * rated_s_per_phase;
        let sin = libm::sqrt(1.0 - m.start_pf * m.start_pf);
        let standstill_s = Complex::new(m.start_pf, -sin).scale(start_va / (nominal_v * nominal_v));
        Some(MotorModel {
            shaft_w,
            fixed_loss_w,
            load_loss_w,
            magnetizing_var,
            leakage_var,
            nominal_v,
            standstill_s,
        })
    }

    /// Active and reactive power of all three phases, in W and var.
    ///
    /// `load` is a share of rated shaft power, voltage and frequency shares of nominal.
    pub fn power(&self, load: f64, voltage: f64, frequency: f64) -> (f64, f64) {
        let (v2, current2) = (voltage * voltage, load * load / (voltage * voltage));
        let p = load * self.shaft_w + self.fixed_loss_w * v2 + self.load_loss_w * current2;
        let q = self.magnetizing_var * v2 / frequency + self.leakage_var * current2 * frequency;
        (p, q)
    }

    /// Currents of a running motor, load convention.
    ///
    /// The positive sequence carries the power; to the negative sequence the rotor looks as
    /// if it stood; there is no way for a zero sequence.
    pub fn running(&self, v: &V3, load: f64, frequency: f64) -> V3 {
        let third = 1.0 / 3.0;
        let positive = (v[0] + v[1] * ALPHA + v[2] * ALPHA2).scale(third);
        let negative = (v[0] + v[1] * ALPHA2 + v[2] * ALPHA).scale(third);
        let share = positive.abs() / self.nominal_v;
        if share < 0.2 {
            return self.standing(v);
        }
        let (p, q) = self.power(load, share, frequency);
        let i1 = quotient(Complex::new(p, q).scale(third), positive).conj();
        let i2 = negative * self.standstill_s;
        [i1 + i2, i1 * ALPHA2 + i2 * ALPHA, i1 * ALPHA + i2 * ALPHA2]
    }

    /// Currents while the rotor stands, as at the beginning of a start.
    pub fn standing(&self, v: &V3) -> V3 {
        let mean = (v[0] + v[1] + v[2]).scale(1.0 / 3.0);
        v.map(|v| (v - mean) * self.standstill_s)
    }

    /// Active and reactive power while the rotor stands at nominal voltage, in W and var.
    pub fn start_power(&self) -> (f64, f64) {
        let y = self.standstill_s.scale(3.0 * self.nominal_v * self.nominal_v);
        (y.re, -y.im)
    }

    /// Admittance of a phase against the star point at a harmonic, in S.
    ///
    /// The slip against a harmonic is near 1: standstill resistance and `order` times reactance.
    pub fn at_harmonic(&self, order: f64) -> Complex {
        let z = quotient(Complex::new(1.0, 0.0), self.standstill_s);
        quotient(Complex::new(1.0, 0.0), Complex::new(z.re, z.im * order))
    }
}

/// Reactive over active power at a power factor.
pub fn tan_of_pf(pf: f64) -> f64 {
    libm::sqrt(1.0 - pf * pf) / pf
}

#[cfg(test)]
mod tests {
    use super::*;

    fn motor(rated_kw: f64, efficiency: f64, pf: f64, half: Option<f64>) -> MotorModel {
        let text = format!(
            "name = \"m\"\nrated_kw = {rated_kw:?}\nefficiency = {efficiency:?}\npf = {pf:?}\n{}",
            half.map_or(String::new(), |x| format!("pf_half_load = {x:?}"))
        );
        MotorModel::new(&toml::from_str(&text).unwrap(), 230.0).unwrap()
    }

    fn pf(m: &MotorModel, load: f64) -> f64 {
        let (p, q) = m.power(load, 1.0, 1.0);
        p / libm::sqrt(p * p + q * q)
    }

    fn near(got: f64, want: f64, tolerance: f64) {
        assert!((got - want).abs() <= tolerance, "{got} is not {want} ± {tolerance}");
    }

    /// Typical motor, public tables of power factor against load: no load 0.10 to 0.20,
    /// half 0.75, three quarters 0.85, full 0.90; bands of 0.05.
    #[test]
    fn typical_power_factor_against_load() {
        let m = motor(30.0, 0.92, 0.90, Some(0.75));
        assert!((0.05..=0.25).contains(&pf(&m, 0.0)), "{}", pf(&m, 0.0));
        near(pf(&m, 0.5), 0.75, 0.05);
        near(pf(&m, 0.75), 0.85, 0.05);
        near(pf(&m, 1.0), 0.90, 0.05);
        let default = motor(30.0, 0.92, 0.90, None);
        near(pf(&default, 0.75), 0.85, 0.05);
        assert!((0.05..=0.25).contains(&pf(&default, 0.0)));
    }

    /// NEMA MG 10 typical values at half, three quarters and full load (from memory):
    /// 5 to 30 hp 0.72, 0.82, 0.84; 40 to 100 hp 0.79, 0.85, 0.87; bands of 0.03.
    #[test]
    fn energy_management_guide_bands() {
        for (kw, efficiency, table) in
            [(11.0, 0.90, [0.72, 0.82, 0.84]), (45.0, 0.93, [0.79, 0.85, 0.87])]
        {
            let m = motor(kw, efficiency, table[2], None);
            for (load, want) in [0.5, 0.75, 1.0].into_iter().zip(table) {
                near(pf(&m, load), want, 0.03);
            }
        }
    }

    /// Data sheet of a 3 hp (2.24 kW) four-pole motor: PF 0.87, 0.82, 0.72 and efficiency
    /// 89.5, 90.5, 89.0 % at full, three-quarter and half load, 3.6 A at 460 V. The model is
    /// given the outer two power factors and must find the middle one, and the efficiencies.
    #[test]
    fn data_sheet_of_a_small_motor() {
        let m = motor(2.24, 0.895, 0.87, Some(0.72));
        near(pf(&m, 0.75), 0.82, 0.05);
        for (load, want) in [(0.5, 0.890), (0.75, 0.905), (1.0, 0.895)] {
            near(load * 2240.0 / m.power(load, 1.0, 1.0).0, want, 0.01);
        }
        let (p, q) = m.power(1.0, 1.0, 1.0);
        let amperes = libm::sqrt(p * p + q * q) / (460.0 * libm::sqrt(3.0));
        near(amperes, 3.6, 0.05);
    }

    /// Public rule of thumb after NEMA MG 1: current unbalance is 6 to 10 times voltage unbalance.
    #[test]
    fn unbalanced_voltage_unbalances_the_current_six_to_ten_times() {
        let m = motor(45.0, 0.93, 0.87, None);
        let unbalance = |x: &V3| {
            let a = x.map(|x| x.abs());
            let mean = a.iter().sum::<f64>() / 3.0;
            a.iter().map(|a| (a - mean).abs()).fold(0.0, f64::max) / mean
        };
        let v1 = Complex::new(230.0, 0.0);
        let v2 = Complex::new(2.3, 0.0);
        let v = [v1 + v2, v1 * ALPHA2 + v2 * ALPHA, v1 * ALPHA + v2 * ALPHA2];
        for load in [0.75, 1.0] {
            let ratio = unbalance(&m.running(&v, load, 1.0)) / unbalance(&v);
            assert!((5.0..=10.0).contains(&ratio), "{ratio}");
        }
    }

    #[test]
    fn currents_carry_the_power_and_add_to_zero() {
        let m = motor(22.0, 0.915, 0.86, None);
        let v1 = Complex::new(236.0, 0.0);
        let v = [v1, v1 * ALPHA2, v1 * ALPHA];
        let i = m.running(&v, 0.4, 0.999);
        let s = v.iter().zip(&i).fold(Complex::ZERO, |s, (v, i)| s + *v * i.conj());
        let (p, q) = m.power(0.4, 236.0 / 230.0, 0.999);
        near(s.re, p, 1e-6);
        near(s.im, q, 1e-6);
        assert!((i[0] + i[1] + i[2]).abs() < 1e-9);
        let (p, q) = m.start_power();
        near(p / libm::sqrt(p * p + q * q), 0.3, 1e-12);
    }
}
