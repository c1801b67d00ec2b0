//! The arithmetic of power-factor correction: how much kvar, and what it does.
//! Formulas are those of the handbooks: Qc = P·(tan φ1 − tan φ2) and its consequences.

/// tan φ of a power factor from 0 (excluded) to 1; `None` outside.
pub fn tan_of_pf(pf: f64) -> Option<f64> {
    (pf > 0.0 && pf <= 1.0).then(|| libm::sqrt(1.0 - pf * pf) / pf)
}

/// kvar per kW to go from one lagging power factor to another: tan φ1 − tan φ2.
///
/// Negative when the target is lower; `None` when either is not in 0 to 1.
pub fn multiplier(pf_from: f64, pf_to: f64) -> Option<f64> {
    Some(tan_of_pf(pf_from)? - tan_of_pf(pf_to)?)
}

/// Reactive power to take away so that a load reaches a target power factor, in var.
///
/// `p_w` consumed and `q1_var` lagging positive; zero where the target is met
/// already, the load leads, or P is not positive. `None` for a target outside 0 to 1.
pub fn required_var(p_w: f64, q1_var: f64, target_pf: f64) -> Option<f64> {
    let allowed = p_w.max(0.0) * tan_of_pf(target_pf)?;
    Some(if p_w > 0.0 { (q1_var - allowed).max(0.0) } else { 0.0 })
}

/// Output of a capacitor rated `rated_var` at `rated_v` and `rated_hz`: Qr·(V/Vr)²·(f/fr), in var.
pub fn capacitor_output_var(
    rated_var: f64,
    rated_v: f64,
    rated_hz: f64,
    v: f64,
    frequency_hz: f64,
) -> f64 {
    let u = v / rated_v;
    rated_var * u * u * (frequency_hz / rated_hz)
}

/// Power factor of P and Q1 together; `None` at no load.
pub fn power_factor(p: f64, q1: f64) -> Option<f64> {
    let s = libm::sqrt(p * p + q1 * q1);
    (s > 0.0).then(|| p / s)
}

/// Voltage rise at the transformer in percent: kvar · %X / kVA, the usual rule.
pub fn voltage_rise_pct(q_var: f64, x_pct: f64, transformer_va: f64) -> f64 {
    q_var * x_pct / transformer_va
}

/// Harmonic order of the parallel resonance of capacitor and supply: sqrt(S_sc / Qc).
pub fn resonance_order(short_circuit_va: f64, q_var: f64) -> f64 {
    libm::sqrt(short_circuit_va / q_var)
}

/// Share of I²R losses upstream that goes when the power factor rises: 1 − (PF1/PF2)².
///
/// For the same kW at the same voltage; `None` when either is not in 0 to 1.
pub fn loss_reduction(pf_from: f64, pf_to: f64) -> Option<f64> {
    tan_of_pf(pf_from)?;
    tan_of_pf(pf_to)?;
    let i = pf_from / pf_to;
    Some(1.0 - i * i)
}

/// Apparent power that a higher power factor releases at the same P, in VA.
pub fn released_va(p_w: f64, q1_var: f64, q_var: f64) -> f64 {
    let after = q1_var - q_var;
    libm::sqrt(p_w * p_w + q1_var * q1_var) - libm::sqrt(p_w * p_w + after * after)
}

/// Short-circuit power behind a transformer alone: kVA over per-unit impedance, in VA.
pub fn transformer_short_circuit_va(transformer_va: f64, z_pct: f64) -> f64 {
    transformer_va / (z_pct / 100.0)
}

/// Short-circuit power of two stretches of supply in series: their reciprocals add.
pub fn short_circuit_in_series_va(a_va: f64, b_va: f64) -> f64 {
    1.0 / (1.0 / a_va + 1.0 / b_va)
}

/// Harmonic order to which a series reactor tunes a capacitor: 1/sqrt(p).
///
/// `p` is the reactor's reactance over the capacitor's, at the fundamental: 0.07 for 7 %.
pub fn tuned_order(p: f64) -> f64 {
    1.0 / libm::sqrt(p)
}

/// Voltage on a capacitor behind a series reactor, over the supply's voltage: 1/(1 − p).
pub fn detuned_voltage_ratio(p: f64) -> f64 {
    1.0 / (1.0 - p)
}

/// Magnification of a harmonic voltage when a capacitor joins a bus: |1/(1 + Zs·Yc)|.
///
/// `short_circuit_va` and `r_over_x` (at the fundamental) describe the supply, `q_var` the
/// branch's output at the fundamental, `p` its detuning (0 for none). Exact for a linear
/// network whose impedance is the stated one; R is taken as the same at all orders.
pub fn magnification(order: f64, short_circuit_va: f64, r_over_x: f64, q_var: f64, p: f64) -> f64 {
    // Admittances and impedances per unit of the supply's reactance at the fundamental.
    let b = q_var / short_circuit_va * (1.0 - p);
    let net = 1.0 - p * order * order;
    if net == 0.0 {
        return 0.0;
    }
    let y = b * order / net;
    let (re, im) = (1.0 - order * y, r_over_x * y);
    1.0 / libm::sqrt(re * re + im * im)
}

/// Current of a harmonic through a capacitor branch over its fundamental current.
///
/// `ratio` is the harmonic voltage of the bus over its fundamental; `p` as above. Without a
/// reactor this is order times ratio.
pub fn harmonic_current_ratio(order: f64, ratio: f64, p: f64) -> f64 {
    let net = libm::fabs(1.0 / order - p * order);
    if net == 0.0 { f64::INFINITY } else { ratio * (1.0 - p) / net }
}

/// Line current of a balanced three-phase load, in A.
pub fn line_current_a(s_va: f64, line_voltage_v: f64) -> f64 {
    s_va / (libm::sqrt(3.0) * line_voltage_v)
}

/// Capacitance of a three-phase bank connected in delta, per branch, in F: Q/(3·ω·V²).
pub fn delta_capacitance_f(q_var: f64, line_voltage_v: f64, frequency_hz: f64) -> f64 {
    let omega = 2.0 * core::f64::consts::PI * frequency_hz;
    q_var / (3.0 * omega * line_voltage_v * line_voltage_v)
}

/// Magnetising reactive power of an idle motor from its no-load current, in var.
///
/// The no-load current is nearly all reactive; its small active part is neglected, which
/// makes the figure large by a percent or two and is covered by the margin on capacitors.
pub fn no_load_var(no_load_current_a: f64, line_voltage_v: f64) -> f64 {
    libm::sqrt(3.0) * line_voltage_v * no_load_current_a
}

/// Setting of an overload relay over its old one, once a capacitor sits on its load side.
///
/// Line current with over line current without, at the load given; never above 1.
pub fn overload_ratio(p_w: f64, q1_var: f64, q_var: f64) -> f64 {
    let after = q1_var - q_var;
    let before = p_w * p_w + q1_var * q1_var;
    if before <= 0.0 {
        return 1.0;
    }
    let ratio = libm::sqrt((p_w * p_w + after * after) / before);
    if ratio < 1.0 { ratio } else { 1.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn near(got: f64, want: f64, tolerance: f64) {
        assert!((got - want).abs() <= tolerance, "{got} is not {want} within {tolerance}");
    }

    /// "Multipliers to determine capacitor kilovars", Table 6 of a plant engineer's guide
    /// (2010); a few entries are truncated there, hence 0.001.
    #[test]
    fn handbook_multipliers() {
        const TO: [f64; 9] = [0.80, 0.85, 0.90, 0.92, 0.95, 0.97, 0.98, 0.99, 1.00];
        for (from, row) in [
            (0.50, [0.982, 1.112, 1.248, 1.306, 1.403, 1.481, 1.529, 1.589, 1.732]),
            (0.52, [0.893, 1.023, 1.159, 1.217, 1.314, 1.392, 1.440, 1.500, 1.643]),
            (0.55, [0.769, 0.899, 1.035, 1.093, 1.190, 1.268, 1.316, 1.376, 1.519]),
            (0.58, [0.655, 0.785, 0.921, 0.979, 1.076, 1.154, 1.202, 1.262, 1.405]),
            (0.60, [0.583, 0.713, 0.849, 0.907, 1.004, 1.082, 1.130, 1.190, 1.333]),
            (0.61, [0.549, 0.679, 0.815, 0.873, 0.970, 1.048, 1.096, 1.156, 1.299]),
        ] {
            for (to, want) in TO.iter().zip(row) {
                near(multiplier(from, *to).unwrap(), want, 0.001);
            }
        }
        // Further published entries: 620 kW from 0.65 to 0.90; 650 kW from 0.65 to 1.
        near(620.0 * multiplier(0.65, 0.90).unwrap(), 425.0, 0.5);
        near(650.0 * multiplier(0.65, 1.00).unwrap(), 759.85, 0.15);
        near(multiplier(0.75, 0.90).unwrap(), 0.398, 0.001);
        // From memory of the same handbooks.
        for (from, to, want) in
            [(0.70, 0.95, 0.692), (0.75, 0.95, 0.553), (0.80, 0.95, 0.421), (0.85, 0.95, 0.291)]
        {
            near(multiplier(from, to).unwrap(), want, 0.001);
        }
    }

    /// Mehta, Principles of Power System, ex. 6.2 and 6.4; Gonen, Electric Power Distribution
    /// System Engineering, ex. 8.1 and 8.2 (inputs); Bird, Electrical Circuit Theory and
    /// Technology, ex. 26.07.
    #[test]
    fn worked_examples_of_textbooks() {
        near(5e3 * multiplier(0.75, 0.90).unwrap(), 1988.0, 0.5);
        let omega = 2.0 * core::f64::consts::PI;
        let p = 400.0 * 31.7 * 0.7;
        let q = p * multiplier(0.7, 0.9).unwrap();
        near(q / (omega * 50.0 * 400.0 * 400.0) * 1e6, 94.6, 0.05);
        let s = 700.0;
        let (p, q) = (s * 0.65, s * libm::sqrt(1.0 - 0.65 * 0.65));
        near(required_var(p, q, power_factor(p, q - 0.74 * p).unwrap()).unwrap(), 336.7, 0.05);
        near(power_factor(p, q - 360.0).unwrap() * 100.0, 93.54, 0.01);
        let p = 500.0 * 0.7457 / 0.88 * 1e3;
        let q = p * multiplier(0.75, 0.90).unwrap();
        near(q / 1e3, 168.46, 0.1);
        near(delta_capacitance_f(168.46e3, 4160.0, 60.0) * 1e6, 8.607, 0.002);
        let q = required_var(300.0, 400.0, 0.966).unwrap();
        near(q, 319.7, 0.1);
        near(q / (omega * 1500.0 * 50.0 * 50.0) * 1e6, 13.57, 0.01);
    }

    /// US DOE fact sheet "Reducing Power Factor Cost": 100 kW is 142 kVA at 0.70 and 105 kVA
    /// at 0.95. Bureau of Energy Efficiency (India), guide book 3, from memory: 1160 kVA at
    /// 0.70 with 410 kvar becomes 913 kVA, PF 0.89.
    #[test]
    fn worked_examples_of_agencies() {
        let q = 100.0 * tan_of_pf(0.70).unwrap();
        let need = required_var(100.0, q, 0.95).unwrap();
        near(need, 69.15, 0.05);
        near(libm::sqrt(1e4 + q * q), 142.9, 0.05);
        near(libm::sqrt(1e4 + q * q) - released_va(100.0, q, need), 105.3, 0.05);
        let (p, q) = (1160.0 * 0.70, 1160.0 * libm::sqrt(1.0 - 0.49));
        near(1160.0 - released_va(p, q, 410.0), 913.0, 1.0);
        near(power_factor(p, q - 410.0).unwrap(), 0.89, 0.005);
        // 750 kW at 0.75 to 0.95 behind 1000 kVA (DERIVED from the formulas).
        let q = 750.0 * tan_of_pf(0.75).unwrap();
        let need = required_var(750.0, q, 0.95).unwrap();
        near(need, 414.92, 0.005);
        near(released_va(750.0, q, need), 210.53, 0.005);
        near(loss_reduction(0.75, 0.95).unwrap(), 1.0 - 0.6233, 1e-4);
        assert_eq!(loss_reduction(0.0, 0.95), None);
    }

    /// Published: 1000 kVA, 5.3 %, 100 kvar resonate at 13.7; 125 MVA with 5 Mvar at 5.0. The
    /// others are the formula's.
    #[test]
    fn resonance_of_published_examples() {
        near(resonance_order(transformer_short_circuit_va(1e6, 5.3), 100e3), 13.736, 1e-3);
        near(resonance_order(125e6, 5e6), 5.0, 1e-12);
        near(resonance_order(transformer_short_circuit_va(1.5e6, 6.0), 300e3), 9.129, 1e-3);
        near(resonance_order(transformer_short_circuit_va(1e6, 5.75), 250e3), 8.341, 1e-3);
        near(short_circuit_in_series_va(20e6, 20e6), 10e6, 1e-3);
    }

    /// A published calculation: 80 kvar at 525 V with 7 % at 400 V, 50 Hz: 924 µF in star,
    /// 189 Hz, 49.9 kvar. Tuned frequencies of other p from the formula sheet's relation.
    #[test]
    fn detuning_of_published_examples() {
        near(3.0 * delta_capacitance_f(80e3, 525.0, 50.0) * 1e6, 924.0, 0.5);
        let bare = capacitor_output_var(80e3, 525.0, 50.0, 400.0, 50.0);
        near(bare * detuned_voltage_ratio(0.07), 49.9e3, 50.0);
        let at_rated = 80e3 * detuned_voltage_ratio(0.07);
        near(at_rated, 86.02e3, 10.0);
        for (p, order, hz50, hz60, rise) in [
            (0.0567, 4.20, 210.0, 252.0, 1.0601),
            (0.06, 4.08, 204.0, 245.0, 1.0638),
            (0.07, 3.78, 189.0, 227.0, 1.0753),
            (0.125, 2.83, 141.0, 170.0, 1.1429),
            (0.14, 2.67, 134.0, 160.0, 1.1628),
        ] {
            near(tuned_order(p), order, 0.006);
            near(tuned_order(p) * 50.0, hz50, 0.5);
            near(tuned_order(p) * 60.0, hz60, 0.5);
            near(detuned_voltage_ratio(p), rise, 5e-5);
        }
    }

    /// Output with V² and f, voltage rise and unit currents of published rules.
    #[test]
    fn output_rise_and_current() {
        for (vr, v, hz, want) in [
            (600.0, 480.0, 60.0, 0.640),
            (480.0, 440.0, 60.0, 0.8403),
            (240.0, 208.0, 60.0, 0.7511),
            (400.0, 400.0, 50.0, 0.8333),
        ] {
            near(capacitor_output_var(1.0, vr, 60.0, v, hz), want, 1e-4);
        }
        near(voltage_rise_pct(300e3, 5.75, 1e6), 1.725, 1e-9);
        // 100 kvar at 480 V: 120.28 A; conductors 135 % of that.
        near(line_current_a(100e3, 480.0), 120.28, 0.005);
        near(1.35 * line_current_a(100e3, 480.0), 162.38, 0.005);
        // 480 V, 300 A, 200 kW to 0.95: 83.29 kvar and 253.2 A (fact-sheet style, DERIVED).
        let s = libm::sqrt(3.0) * 480.0 * 300.0;
        let q = libm::sqrt(s * s - 4e10);
        let need = required_var(200e3, q, 0.95).unwrap();
        near(need, 83.29e3, 10.0);
        near(line_current_a(s - released_va(200e3, q, need), 480.0), 253.2, 0.05);
    }

    /// The circuit solved by hand: supply jX behind R, capacitor and reactor in parallel to it.
    #[test]
    fn magnification_is_that_of_the_circuit() {
        // Ssc 10 MVA, R/X 0.1, 400 kvar: resonance at 5; there only R limits.
        let m = magnification(5.0, 10e6, 0.1, 400e3, 0.0);
        near(m, 1.0 / (0.1 * 5.0 * 0.04), 1e-9);
        near(magnification(1.0, 10e6, 0.0, 400e3, 0.0), 1.0 / 0.96, 1e-12);
        near(magnification(3.0, 10e6, 0.0, 400e3, 0.0), 1.0 / (1.0 - 0.36), 1e-12);
        // With 7 % the branch is inductive at the fifth and takes its part of it.
        let x = 1.0 / (0.04 * 0.93);
        let branch = 5.0 * 0.07 * x - x / 5.0;
        near(magnification(5.0, 10e6, 0.0, 400e3, 0.07), branch / (branch + 5.0), 1e-9);
        assert_eq!(magnification(2.0, 10e6, 0.1, 400e3, 0.25), 0.0);
        near(harmonic_current_ratio(5.0, 0.04, 0.0), 0.2, 1e-12);
        near(harmonic_current_ratio(5.0, 0.04, 0.07), 0.04 * 0.93 / (0.35 - 0.2), 1e-12);
        assert!(harmonic_current_ratio(2.0, 0.01, 0.25).is_infinite());
    }

    /// Line-current reductions of the common table of motor capacitors (NEMA design B, 60 Hz):
    /// 100 hp at 1800 r/min, 30 kvar, 14 %. With efficiency 0.945 and PF 0.87 (from memory of
    /// NEMA MG 10's typical values) the circuit gives that within 3 points.
    #[test]
    fn overload_setting_follows_the_line_current() {
        let p = 100.0 * 745.7 / 0.945;
        let q = p * tan_of_pf(0.87).unwrap();
        near((1.0 - overload_ratio(p, q, 30e3)) * 100.0, 14.0, 3.0);
        assert_eq!(overload_ratio(p, q, 0.0), 1.0);
        assert_eq!(overload_ratio(0.0, 0.0, 10.0), 1.0);
        near(overload_ratio(0.0, 10.0, 9.0), 0.1, 1e-12);
        near(no_load_var(20.0, 400.0), 13_856.4, 0.1);
    }

    #[test]
    fn nothing_is_required_where_nothing_is_missing() {
        assert_eq!(required_var(100.0, 20.0, 0.95), Some(0.0));
        assert_eq!(required_var(100.0, -50.0, 0.95), Some(0.0));
        assert_eq!(required_var(-100.0, 50.0, 0.95), Some(0.0));
        assert_eq!(required_var(100.0, 50.0, 1.2), None);
        assert_eq!(required_var(100.0, 50.0, 0.0), None);
    }

    /// 100 kW from 0.75 to 0.95 needs 55.323 kvar: kW · (tan φ1 − tan φ2), computed by hand.
    #[test]
    fn both_ways_of_asking_agree() {
        let q = 100e3 * tan_of_pf(0.75).unwrap();
        let need = required_var(100e3, q, 0.95).unwrap();
        assert!((need - 55_323.0).abs() < 1.0);
        assert!((multiplier(0.75, 0.95).unwrap() * 100e3 - need).abs() < 1e-6);
        assert!((power_factor(100e3, q - need).unwrap() - 0.95).abs() < 1e-12);
    }
}
