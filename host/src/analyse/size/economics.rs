//! Money over the years: net present value and payback.

use crate::site::plant::Economics;

/// Net present value: the first cost now, savings and upkeep at the end of each year.
///
/// NPV = −C + Σ (S·(1+e)^(y−1) − U) / (1+d)^y over the years y; prices rise by e, interest is d.
pub fn net_present_value(first: f64, saving: f64, upkeep: f64, terms: &Economics) -> f64 {
    let mut value = -first;
    let (mut price, mut worth) = (1.0, 1.0);
    for _ in 0..terms.years {
        worth /= 1.0 + terms.discount_share;
        value += (saving * price - upkeep) * worth;
        price *= 1.0 + terms.escalation_share;
    }
    value
}

/// Simple payback in years: first cost over the yearly saving less upkeep; `None` where that
/// is not positive.
pub fn payback_years(first: f64, saving: f64, upkeep: f64) -> Option<f64> {
    let net = saving - upkeep;
    (net > 0.0).then(|| first / net)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An annuity of 1 over 10 years at 8 % is worth 6.7101 (any table of annuities); a payback
    /// of 0.76 years is that of a published exam problem: 5,00,000 for 6,60,000 a year.
    #[test]
    fn tables_and_examples() {
        let terms = Economics { years: 10, discount_share: 0.08, escalation_share: 0.0 };
        assert!((net_present_value(0.0, 1.0, 0.0, &terms) - 6.710_1).abs() < 5e-5);
        assert!((net_present_value(5.0, 1.0, 0.5, &terms) + 5.0 - 3.355_04).abs() < 5e-5);
        let even = Economics { years: 3, discount_share: 0.05, escalation_share: 0.05 };
        assert!((net_present_value(0.0, 1.05, 0.0, &even) - 3.0).abs() < 1e-12);
        assert!((payback_years(5e5, 6.6e5, 0.0).unwrap() - 0.757_6).abs() < 1e-4);
        assert_eq!(payback_years(1.0, 1.0, 1.0), None);
    }
}
