//! The supply as the board sees it: impedance, and what capacitors do to its voltage.

use crate::site::Site;
use serde::Serialize;
use wattless_core::correction::{short_circuit_in_series_va, transformer_short_circuit_va};

/// R over X of a supply where the site file does not tell; low, which makes resonance sharp.
const R_OVER_X: f64 = 0.1;

/// The supply up to the board where the log was taken.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Supply {
    /// Nominal voltage between lines, in V.
    pub line_voltage_v: f64,
    /// Nominal frequency, in Hz.
    pub frequency_hz: f64,
    /// Reactance of a phase from the source to the board, in ohm; none without transformer data.
    pub x_ohm: Option<f64>,
    /// Resistance of a phase from the source to the board, in ohm, as far as it is known.
    pub r_ohm: f64,
    /// Resistance whose losses can be told, in ohm; none where neither transformer losses nor
    /// the conductor are known.
    pub loss_r_ohm: Option<f64>,
    /// The part of that behind the meter, whose losses are billed, in ohm.
    pub billed_r_ohm: f64,
    /// Short-circuit power at the board, in VA.
    pub short_circuit_va: Option<f64>,
    /// R over X, for the sharpness of a resonance.
    pub r_over_x: f64,
    /// Rated power of the transformer, in VA.
    pub transformer_va: Option<f64>,
    /// Defaults that stand in for what the site file does not say.
    pub assumed: Vec<String>,
}

impl Supply {
    /// From the site file; `None` without a nominal voltage.
    pub fn of(site: &Site, frequency_hz: f64) -> Option<Supply> {
        let v = site.supply.line_voltage_v?;
        let plant = &site.plant;
        let mut assumed = Vec::new();
        let base = |pct: f64, va: f64| pct / 100.0 * v * v / va;
        let (mut r, mut billed, mut known) = (0.0, 0.0, false);
        let mut x = None;
        if let Some(t) = plant.transformer {
            x = Some(base(t.x_pct(), t.rated_va));
            match t.r_pct {
                Some(pct) => {
                    let ohm = base(pct, t.rated_va);
                    (r, known) = (r + ohm, true);
                    if plant.correction.primary_metering {
                        billed += ohm;
                    }
                }
                None => assumed.push(
                    "the transformer's losses are not known (set load_loss_kw or x_over_r)".into(),
                ),
            }
            match plant.source_short_circuit_va {
                Some(va) => x = x.map(|x| x + v * v / va),
                None => assumed.push(
                    "the supply ahead of the transformer is taken as rigid \
                     (set source.short_circuit_mva)"
                        .into(),
                ),
            }
        }
        if let Some(c) = plant.service_conductor {
            (r, billed, known) = (r + c.resistance_ohm, billed + c.resistance_ohm, true);
            x = x.map(|x| x + c.reactance_ohm);
        }
        let short_circuit_va = plant.transformer.map(|t| {
            let own = transformer_short_circuit_va(t.rated_va, t.z_pct);
            let with_source = plant
                .source_short_circuit_va
                .map_or(own, |source| short_circuit_in_series_va(own, source));
            plant.service_conductor.map_or(with_source, |c| {
                let z = libm::sqrt(
                    c.resistance_ohm * c.resistance_ohm + c.reactance_ohm * c.reactance_ohm,
                );
                if z > 0.0 {
                    short_circuit_in_series_va(with_source, v * v / z)
                } else {
                    with_source
                }
            })
        });
        let r_over_x = match x {
            Some(x) if x > 0.0 && plant.transformer.is_some_and(|t| t.r_pct.is_some()) => r / x,
            _ => R_OVER_X,
        };
        Some(Supply {
            line_voltage_v: v,
            frequency_hz,
            x_ohm: x,
            r_ohm: r,
            loss_r_ohm: known.then_some(r),
            billed_r_ohm: billed,
            short_circuit_va,
            r_over_x,
            transformer_va: plant.transformer.map(|t| t.rated_va),
            assumed,
        })
    }

    /// Voltage at the board with capacitors that give `out_var` at voltage `v`, in V.
    ///
    /// The load at the board takes `p_w` and `q_var` whatever its voltage. Source and impedance
    /// stay: of |E|² = |V + Z·conj(S)/V|² the higher root. `None` without data of the supply, or
    /// where no voltage would do.
    pub fn voltage_with_v(&self, v: f64, p_w: f64, q_var: f64, out_var: f64) -> Option<f64> {
        let (r, x) = (self.r_ohm, self.x_ohm?);
        let y = v * v;
        let (along, across) = (p_w * r + q_var * x, p_w * x - q_var * r);
        let e2 = ((y + along) * (y + along) + across * across) / y;
        // Susceptance of the capacitors: they give b·V².
        let b = out_var / y;
        let square = (1.0 - b * x) * (1.0 - b * x) + b * r * b * r;
        let linear = 2.0 * (1.0 - b * x) * along + 2.0 * b * r * across - e2;
        let rest = along * along + across * across;
        let root = linear * linear - 4.0 * square * rest;
        (root >= 0.0).then(|| libm::sqrt((libm::sqrt(root) - linear) / (2.0 * square)))
    }

    /// Relative rise of the voltage per var and per var², exact at `reference_var` and half of it.
    pub fn rise(&self, v: f64, p_w: f64, q_var: f64, reference_var: f64) -> (f64, f64) {
        let at = |q: f64| self.voltage_with_v(v, p_w, q_var, q).map(|u| u / v - 1.0);
        let half = reference_var / 2.0;
        match (at(half), at(reference_var)) {
            (Some(a), Some(b)) if reference_var > 0.0 => {
                let bend = (b / reference_var - a / half) / half;
                (a / half - bend * half, bend)
            }
            _ => (0.0, 0.0),
        }
    }

    /// Loss of a current whose (S/V)² has a time integral, in Wh: V over nominal, 3·R·I².
    pub fn loss_wh(&self, i2_s: f64, r_ohm: f64) -> f64 {
        i2_s * r_ohm / (self.line_voltage_v * self.line_voltage_v) / 3600.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::path::Path;

    fn site() -> Site {
        let text = "[supply]\nline_voltage_v = 480\nfrequency_hz = 60\n\
            [transformer]\nkva = 1000\nz_pct = 6\nload_loss_kw = 10\n\
            [service_conductor]\nlength_m = 50\nohm_per_km = 0.02\nreactance_ohm_per_km = 0.03\n";
        Site::parse(text, Path::new("x")).unwrap()
    }

    /// pandapower 3.5.6 on 13.8/0.48 kV, 1 MVA, 6 % with 1 % R, 50 m of 0.02 + j0.03 ohm/km,
    /// 800 kW at 0.75: 0.937303 without, 0.967086 with 442.6 kvar (rated at 480 V).
    #[test]
    fn voltage_is_that_of_a_power_flow() {
        let s = Supply::of(&site(), 60.0).unwrap();
        let v = 0.937_303 * 480.0;
        let q = 800e3 * wattless_core::correction::tan_of_pf(0.75).unwrap();
        let out = 442.6e3 * 0.937_303 * 0.937_303;
        let after = s.voltage_with_v(v, 800e3, q, out).unwrap() / 480.0;
        assert!((after - 0.967_086).abs() < 2e-5, "{after}");
        assert!((s.voltage_with_v(v, 800e3, q, 0.0).unwrap() - v).abs() < 1e-9);
        let (a, b) = s.rise(v, 800e3, q, 600e3);
        assert!((v * (1.0 + out * (a + b * out)) / 480.0 - 0.967_086).abs() < 3e-5);
    }

    /// 300 kvar on 1000 kVA of 5.75 %: 1.725 % by the rule kvar·%X/kVA; a no-load power flow
    /// gives 1/(1 − 0.3·0.0575) − 1 = 1.75528 %.
    #[test]
    fn rise_without_load() {
        let text = "[supply]\nline_voltage_v = 480\n[transformer]\nkva = 1000\nz_pct = 5.75\n";
        let s = Supply::of(&Site::parse(text, Path::new("x")).unwrap(), 60.0).unwrap();
        let rise = s.voltage_with_v(480.0, 0.0, 0.0, 300e3).unwrap() / 480.0 - 1.0;
        assert!((rise - 0.017_552_8).abs() < 1e-7, "{rise}");
        assert_eq!(s.assumed.len(), 2);
        assert!((s.short_circuit_va.unwrap() - 17.391e6).abs() < 1e3);
    }

    #[test]
    fn without_a_transformer_there_is_no_rise() {
        let s = Supply::of(
            &Site::parse("[supply]\nline_voltage_v = 400\n", Path::new("x")).unwrap(),
            50.0,
        )
        .unwrap();
        assert_eq!(s.voltage_with_v(400.0, 1e5, 1e5, 5e4), None);
        assert_eq!(s.rise(400.0, 1e5, 1e5, 5e4), (0.0, 0.0));
        assert_eq!((s.loss_r_ohm, s.short_circuit_va), (None, None));
    }
}
