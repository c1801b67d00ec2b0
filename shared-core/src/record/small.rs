//! The short number formats of a record: `f24`, `f16u` and the logarithmic code of a ratio.
//!
//! All of them are made with integers, correctly rounded operations and `libm`, so that they
//! are the same bits on every target.

/// Rounds a single to the nearest f24 (its upper 24 bits), ties to even.
pub fn round_f24(x: f32) -> f32 {
    if x.is_nan() {
        return f32::NAN;
    }
    let bits = x.to_bits();
    let up = 0x7F + ((bits >> 8) & 1);
    f32::from_bits(bits.wrapping_add(up) & 0xFFFF_FF00)
}

/// Largest f16u: 2³³ − 2²³, 8.58·10⁹.
pub const F16U_MAX: f32 = 8_581_545_984.0;

/// The f16u that stands for not-a-number.
const F16U_NAN: u16 = 0xFFFF;

/// Bits of an f16u after its exponent.
const F16U_MANTISSA: u32 = 10;

/// Exponent of a single less that of an f16u: the one counts from −127, the other from −31.
const F16U_BIAS: u32 = 127 - 31;

/// The bits of the f16u nearest to a single, ties to even; what lies outside is limited.
///
/// 6 bits of exponent (from −31), 10 of mantissa, no sign: 2⁻³⁰ to 8.58·10⁹ wrong by at most
/// 2⁻¹¹ of the value; below that in steps of 2⁻⁴⁰; negative becomes 0.
pub fn to_f16u(x: f32) -> u16 {
    if x.is_nan() {
        return F16U_NAN;
    }
    if x <= 0.0 {
        return 0;
    }
    if x >= F16U_MAX {
        return F16U_NAN - 1;
    }
    let bits = x.to_bits();
    let exponent = bits >> 23;
    let (whole, drop) = if exponent > F16U_BIAS {
        // The same number with another bias: only the mantissa is rounded.
        (bits.wrapping_sub(F16U_BIAS << 23), 23 - F16U_MANTISSA)
    } else {
        // Below the smallest normal one: a whole number of steps of 2⁻⁴⁰.
        let mantissa = (bits & 0x7F_FFFF) | 0x80_0000;
        (mantissa, (23 - F16U_MANTISSA).saturating_add(F16U_BIAS + 1 - exponent).min(31))
    };
    let half = (1u32 << drop) >> 1;
    let up = half.wrapping_sub(1).wrapping_add((whole >> drop) & 1);
    (whole.wrapping_add(up) >> drop) as u16
}

/// The single that an f16u stands for.
pub fn from_f16u(bits: u16) -> f32 {
    if bits == F16U_NAN {
        return f32::NAN;
    }
    let bits = u32::from(bits);
    if bits >> F16U_MANTISSA == 0 {
        // 2⁻⁴⁰; the product is exact.
        return bits as f32 * f32::from_bits((127 - 40) << 23);
    }
    f32::from_bits((bits << (23 - F16U_MANTISSA)).wrapping_add(F16U_BIAS << 23))
}

/// Rounds a single to the nearest f16u.
pub fn round_f16u(x: f32) -> f32 {
    from_f16u(to_f16u(x))
}

/// Smallest ratio with a code of its own: 0.001 %.
pub const RATIO_MIN: f64 = 1e-5;

/// Largest ratio: 1000 %.
pub const RATIO_MAX: f64 = 10.0;

/// The code of no ratio at all.
const RATIO_NONE: u16 = 0;

/// The code of a ratio too small for the others.
const RATIO_BELOW: u16 = 1;

/// The codes of [`RATIO_MIN`] and [`RATIO_MAX`].
const RATIO_FIRST: u16 = 2;
const RATIO_LAST: u16 = 0xFFF;

/// Steps between the two.
const RATIO_STEPS: f64 = (RATIO_LAST - RATIO_FIRST) as f64;

/// Natural logarithm of [`RATIO_MAX`] over [`RATIO_MIN`]: six times that of ten.
const RATIO_SPAN: f64 = 6.0 * core::f64::consts::LN_10;

/// The 12-bit code of a ratio, the nearest on a logarithmic scale.
///
/// 0 for not-a-number, 1 below 0.001 % (by more than half a step), 2 to 4095 from 0.001 % to
/// 1000 % in steps of 0.338 %; more is limited.
pub fn to_ratio_code(x: f32) -> u16 {
    let x = f64::from(x);
    if x.is_nan() {
        return RATIO_NONE;
    }
    if x <= 0.0 {
        return RATIO_BELOW;
    }
    let step = libm::rint(libm::log(x / RATIO_MIN) * (RATIO_STEPS / RATIO_SPAN));
    if step < 0.0 { RATIO_BELOW } else { (step as u16).min(RATIO_LAST - RATIO_FIRST) + RATIO_FIRST }
}

/// The ratio of a code; not-a-number for none, 0 for what is below 0.001 %.
pub fn from_ratio_code(code: u16) -> f32 {
    match code {
        RATIO_NONE => f32::NAN,
        RATIO_BELOW => 0.0,
        code => {
            let step = f64::from(code.min(RATIO_LAST) - RATIO_FIRST);
            (RATIO_MIN * libm::exp(step * (RATIO_SPAN / RATIO_STEPS))) as f32
        }
    }
}

/// Rounds a ratio to the nearest that has a code.
pub fn round_ratio(x: f32) -> f32 {
    from_ratio_code(to_ratio_code(x))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn f24_rounds_to_nearest(x in prop::num::f32::NORMAL) {
            let y = round_f24(x);
            prop_assume!(y.is_finite());
            prop_assert_eq!(y.to_bits() & 0xFF, 0);
            prop_assert!(((f64::from(y) - f64::from(x)) / f64::from(x)).abs() <= 1.53e-5);
        }

        #[test]
        fn f16u_rounds_to_nearest(exponent in -30i32..33, mantissa in 1.0f64..2.0) {
            let x = (mantissa * libm::exp2(f64::from(exponent))) as f32;
            prop_assume!(x < F16U_MAX);
            let y = round_f16u(x);
            let error = (f64::from(y) - f64::from(x)).abs();
            prop_assert!(error / f64::from(x) <= 1.0 / 2048.0);
            // Neither neighbour is nearer.
            let code = to_f16u(x);
            for other in [code.saturating_sub(1), (code + 1).min(0xFFFE)] {
                prop_assert!((f64::from(from_f16u(other)) - f64::from(x)).abs() >= error);
            }
        }

        #[test]
        fn ratios_keep_their_bound(x in 1.0e-5f32..10.0) {
            let y = round_ratio(x);
            prop_assert!((f64::from(y) / f64::from(x) - 1.0).abs() < 0.0017);
        }
    }

    #[test]
    fn every_code_returns() {
        for bits in 0..=u16::MAX {
            assert_eq!(to_f16u(from_f16u(bits)), bits);
        }
        for code in 0..=RATIO_LAST {
            assert_eq!(to_ratio_code(from_ratio_code(code)), code);
        }
    }

    #[test]
    fn ends_of_the_scales() {
        assert_eq!(from_f16u(0xFFFE), F16U_MAX);
        assert_eq!([to_f16u(-1.0), to_f16u(1e12), to_f16u(f32::INFINITY)], [0, 0xFFFE, 0xFFFE]);
        assert_eq!(from_f16u(1), libm::exp2f(-40.0));
        // 1.0 + 2⁻¹¹ lies in the middle: the even one below; 1.0 + 3·2⁻¹¹: the even one above.
        let tie = |k: f32| to_f16u(1.0 + k / 2048.0) - to_f16u(1.0);
        assert_eq!([tie(1.0), tie(3.0)], [0, 2]);
        assert_eq!([to_ratio_code(1e-6), to_ratio_code(1e-5), to_ratio_code(99.0)], [1, 2, 4095]);
        assert_eq!((from_ratio_code(2), from_ratio_code(4095)), (1e-5, 10.0));
    }
}
