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

#[cfg(test)]
mod tests {
    use super::*;

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
