//! Exact amounts of inexact quantities, and how they are written in a rule.

use crate::analyse::tariff::clause::{Adjustment, AdjustmentFormula, PfPercent, Points, Tiers};
use rust_decimal::Decimal;

/// The money of a quantity: each tier's part at its rate.
pub(super) fn charged(tiers: &Tiers, quantity: Decimal) -> Decimal {
    let mut from = Decimal::ZERO;
    let mut money = Decimal::ZERO;
    for tier in &tiers.0 {
        let to = tier.up_to.map_or(quantity, |end| end.min(quantity));
        if to > from {
            money += (to - from) * tier.rate;
            from = to;
        }
    }
    money
}

pub(super) fn single(tiers: &Tiers) -> Option<Decimal> {
    match tiers.0.as_slice() {
        [one] => Some(one.rate),
        _ => None,
    }
}

pub(super) fn tier_words(tiers: &Tiers, unit: &str) -> String {
    if tiers.0.len() < 2 {
        return String::new();
    }
    let each: Vec<String> = tiers
        .0
        .iter()
        .map(|t| match t.up_to {
            Some(end) => format!("{} up to {end} {unit}", t.rate),
            None => format!("{} beyond", t.rate),
        })
        .collect();
    format!("; {}", each.join(", "))
}

/// A number with so many decimals as an exact decimal; `0` where it is not finite.
pub(super) fn exact(x: f64, decimals: u32) -> Decimal {
    let scaled = libm::round(x * 10f64.powi(decimals as i32));
    if scaled.abs() < 9e18 {
        Decimal::new(scaled as i64, decimals).normalize()
    } else {
        Decimal::ZERO
    }
}

/// A quantity to the thousandth; `None` where it is not known, or larger than money is counted.
pub(super) fn thousandths(x: f64) -> Option<Decimal> {
    (x.abs() < 9e15).then(|| exact(x, 3))
}

pub(super) fn known(x: f64) -> Option<f64> {
    x.is_finite().then(|| libm::round(x * 1e3) / 1e3)
}

/// The larger; unknown where either is.
pub(super) fn at_least(a: f64, b: f64) -> f64 {
    if b > a || b.is_nan() { b } else { a }
}

/// The smaller; unknown where either is.
pub(super) fn lower(a: f64, b: f64) -> f64 {
    if b < a || b.is_nan() { b } else { a }
}

pub(super) fn positive(x: f64) -> f64 {
    if x < 0.0 { 0.0 } else { x }
}

/// A number with at most three decimals for a rule.
pub(super) fn num(x: f64) -> String {
    if !x.is_finite() {
        return "–".to_owned();
    }
    let text = format!("{x:.3}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

pub(super) fn prorated(share: f64) -> String {
    if share < 1.0 { format!("; for {} % of the month", num(share * 100.0)) } else { String::new() }
}

/// A power factor this close to a limit meets it.
pub(super) const PF_ROUNDING: f64 = 1e-9;

/// Changes a demand by the power factor.
pub(super) fn adjust(
    a: &Adjustment,
    kw: f64,
    pf: Option<f64>,
    idle: bool,
    say: &mut dyn FnMut(std::fmt::Arguments<'_>),
) -> f64 {
    let Some(pf) = pf else {
        return if idle { kw } else { f64::NAN };
    };
    let target = a.target_pf;
    if pf >= target - PF_ROUNDING && !a.both_ways {
        say(format_args!("; PF {} meets {}", num(pf), num(target)));
        return kw;
    }
    let factor = match a.formula {
        AdjustmentFormula::Ratio => target / pf,
        AdjustmentFormula::Linear => 1.0 + target - pf,
    };
    let factor = a.max_factor.map_or(factor, |most| factor.min(most));
    let formula = match a.formula {
        AdjustmentFormula::Ratio => format!("{} / {}", num(target), num(pf)),
        AdjustmentFormula::Linear => format!("(1 + {} − {})", num(target), num(pf)),
    };
    say(format_args!("; × {formula} for PF = {}", num(kw * factor)));
    kw * factor
}

/// Percent of a power factor: positive below, negative above.
pub(super) fn percent_of_pf(p: &PfPercent, pf: f64) -> Decimal {
    let count = |from: f64, to: f64| {
        let points = ((to - from) * 100.0).max(0.0);
        exact(
            match p.points {
                Points::Proportional => points,
                Points::EachWhole => libm::floor(points + 1e-7),
                Points::EachStarted => libm::ceil(points - 1e-7),
            },
            6,
        )
    };
    let mut percent = Decimal::ZERO;
    for (k, step) in p.below.iter().enumerate().filter(|(_, s)| pf < s.pf) {
        let end = p.below.get(k + 1).map_or(0.0, |next| next.pf);
        percent += count(pf.max(end), step.pf) * step.percent_per_point;
    }
    if let Some(most) = p.max_percent {
        percent = percent.min(most);
    }
    let mut bonus = Decimal::ZERO;
    let best = pf.min(p.best_pf);
    for (k, step) in p.above.iter().enumerate().filter(|(_, s)| best > s.pf) {
        let end = p.above.get(k + 1).map_or(1.0, |next| next.pf);
        bonus += count(step.pf, best.min(end)) * step.percent_per_point;
    }
    if let Some(most) = p.max_bonus_percent {
        bonus = bonus.min(most);
    }
    percent - bonus
}
