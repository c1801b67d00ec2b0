//! Numbers in text, read fast and exactly, and what their digits leave open.

/// A number and how finely it was written.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Number {
    /// Its value.
    pub value: f64,
    /// Power of ten of its last digit.
    pub last_digit: i32,
    /// Digits from the first that is not zero.
    pub digits: i32,
}

/// Why a cell is no number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Bad {
    /// There is nothing.
    Empty,
    /// It is text.
    NotANumber,
    /// It is NaN or infinite.
    NotFinite,
}

/// Powers of ten that an `f64` holds exactly.
const TENS: [f64; 23] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16,
    1e17, 1e18, 1e19, 1e20, 1e21, 1e22,
];

/// Reads a finite number with a decimal point.
#[inline]
pub fn parse(cell: &[u8]) -> Option<f64> {
    number(cell, false).ok().map(|n| n.value)
}

/// Reads a number; exactly rounded, since whole numbers and powers of ten within
/// the reach of an `f64` make one rounding, and all others go to the standard library.
#[inline]
pub fn number(cell: &[u8], comma_is_point: bool) -> Result<Number, Bad> {
    let cell = cell.trim_ascii();
    let cell = match cell {
        [b'"', inner @ .., b'"'] => inner.trim_ascii(),
        _ => cell,
    };
    let (negative, digits) = match cell {
        [b'-', rest @ ..] => (true, rest),
        [b'+', rest @ ..] => (false, rest),
        _ => (false, cell),
    };
    let (mut mantissa, mut count, mut seen) = (0u64, 0i32, false);
    let (mut point, mut after) = (false, 0i32);
    let mut k = 0;
    while let Some(&b) = digits.get(k) {
        let d = b.wrapping_sub(b'0');
        if d < 10 {
            seen = true;
            // Up to 19 digits fit; beyond that the slow way decides.
            mantissa = mantissa.wrapping_mul(10).wrapping_add(u64::from(d));
            count += i32::from(count > 0 || d > 0);
            after += i32::from(point);
        } else if !point && (b == b'.' || (comma_is_point && b == b',')) {
            point = true;
        } else {
            break;
        }
        k += 1;
    }
    let mut exponent = -after;
    if seen && digits.len() > k && matches!(digits[k], b'e' | b'E') {
        let text = std::str::from_utf8(&digits[k + 1..]).map_err(|_| Bad::NotANumber)?;
        let e: i32 = text.parse().map_err(|_| Bad::NotANumber)?;
        exponent = exponent.saturating_add(e);
        k = digits.len();
    }
    let whole = seen && k == digits.len();
    let value = if whole && count <= 19 && mantissa < 1 << 53 && (-22..=22).contains(&exponent) {
        let power = TENS[exponent.unsigned_abs() as usize];
        let m = mantissa as f64;
        let magnitude = if exponent < 0 { m / power } else { m * power };
        if negative { -magnitude } else { magnitude }
    } else {
        slow_number(cell, comma_is_point)?
    };
    Ok(Number { value, last_digit: exponent, digits: count })
}

#[cold]
fn slow_number(cell: &[u8], comma_is_point: bool) -> Result<f64, Bad> {
    if cell.is_empty() {
        return Err(Bad::Empty);
    }
    let text = std::str::from_utf8(cell).map_err(|_| Bad::NotANumber)?;
    let pointed = if comma_is_point { text.replace(',', ".") } else { text.to_owned() };
    let value: f64 = pointed.parse().map_err(|_| Bad::NotANumber)?;
    if value.is_finite() { Ok(value) } else { Err(Bad::NotFinite) }
}

/// The weight of the last digit of the largest time, from the finest that was written.
pub fn digit(last_digit: i32, digits: i32, largest: f64) -> f64 {
    let ten = |e: i32| libm::exp10(f64::from(e));
    let leading = if largest > 0.0 { libm::floor(libm::log10(largest)) as i32 } else { 0 };
    // Writers that keep a number of digits write large times more coarsely.
    ten(last_digit.max(leading - digits + 1)).max(largest * f64::EPSILON)
}

/// The roundest rate within what the digits of time leave open, if there is a whole one.
pub fn whole_rate(rate_hz: f64, share: f64) -> f64 {
    // A few units in the last place of the times themselves are always open.
    let open = rate_hz * (share + 1e-12);
    [1000.0, 100.0, 10.0, 1.0]
        .into_iter()
        .map(|unit| libm::rint(rate_hz / unit) * unit)
        .find(|round| (rate_hz - round).abs() <= open)
        .unwrap_or(rate_hz)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_those_of_the_standard_library() {
        for text in [
            "0",
            "-0.0",
            "1.5",
            "+2",
            ".5",
            "5.",
            "1e3",
            "1.25E-4",
            "123456789012345678901234567890",
            "0.000125",
            "3.4028235e38",
            "9007199254740993",
            "1e-30",
            "-325.26911934581186",
        ] {
            let want: f64 = text.parse().unwrap();
            let got = number(text.as_bytes(), false).unwrap().value;
            assert_eq!(got.to_bits(), want.to_bits(), "{text}");
        }
        assert_eq!(number(b" 1,25 ", true).unwrap().value, 1.25);
        assert_eq!(number(b"\"1.25\"", false).unwrap().value, 1.25);
        for (text, bad) in [
            ("", Bad::Empty),
            ("  ", Bad::Empty),
            ("x", Bad::NotANumber),
            ("1.2.3", Bad::NotANumber),
            ("-", Bad::NotANumber),
            (".", Bad::NotANumber),
            ("1e", Bad::NotANumber),
            ("12 V", Bad::NotANumber),
            ("nan", Bad::NotFinite),
            ("-inf", Bad::NotFinite),
            ("1e999", Bad::NotFinite),
        ] {
            assert_eq!(number(text.as_bytes(), false), Err(bad), "{text}");
        }
    }

    #[test]
    fn few_digits_leave_the_rate_exact() {
        // 6400 per second printed with six decimals: 0.000156, 0.000313, …
        let last: f64 = format!("{:.6}", 1279.0 / 6400.0).parse().unwrap();
        let mean = last / 1279.0;
        assert_ne!(1.0 / mean, 6400.0);
        assert_eq!(whole_rate(1.0 / mean, 1e-6 / last), 6400.0);
        // 8000 per second with four decimals over 0.3 s leaves ±2.7 per second open.
        assert_eq!(whole_rate(2399.0 / 0.2999, 1e-4 / 0.2999), 8000.0);
        // A rate that is not whole stays as it is.
        assert_eq!(whole_rate(7812.5, 1e-6), 7812.5);
        assert_eq!(digit(-6, 7, 9.999875), 1e-6);
        assert!((digit(-6, 6, 123.456) - 1e-3).abs() < 1e-15);
    }
}
