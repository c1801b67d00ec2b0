//! Student's t distribution: how many standard errors a confidence asks for.

/// Probability that |t| stays below a value, for degrees of freedom above 0.
pub fn two_sided(t: f64, freedom: f64) -> f64 {
    let x = freedom / (freedom + t * t);
    1.0 - incomplete_beta(freedom / 2.0, 0.5, x)
}

/// The value that |t| stays below with a probability, e.g. 2.262 for 0.95 and 9 degrees of freedom.
///
/// Degrees of freedom below 1 count as 1; found by halving, to 1e-10.
pub fn quantile(confidence: f64, freedom: f64) -> f64 {
    let freedom = if freedom.is_finite() { freedom.clamp(1.0, 1e7) } else { 1e7 };
    let (mut low, mut high) = (0.0, 1.0);
    while two_sided(high, freedom) < confidence && high < 1e9 {
        high *= 2.0;
    }
    while high - low > 1e-10 * (1.0 + high) {
        let middle = 0.5 * (low + high);
        if two_sided(middle, freedom) < confidence { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

/// Regularized incomplete beta function by its continued fraction (Lentz's way).
fn incomplete_beta(a: f64, b: f64, x: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    if x >= 1.0 {
        return 1.0;
    }
    let front = libm::exp(
        libm::lgamma(a + b) - libm::lgamma(a) - libm::lgamma(b)
            + a * libm::log(x)
            + b * libm::log1p(-x),
    );
    // The fraction converges fast only on one side.
    if x < (a + 1.0) / (a + b + 2.0) {
        front * fraction(a, b, x) / a
    } else {
        1.0 - front * fraction(b, a, 1.0 - x) / b
    }
}

fn fraction(a: f64, b: f64, x: f64) -> f64 {
    let away = |y: f64| if libm::fabs(y) < 1e-300 { 1e-300 } else { y };
    let (mut c, mut d) = (1.0, 1.0 / away(1.0 - (a + b) * x / (a + 1.0)));
    let mut h = d;
    for m in 1..1000 {
        let m = f64::from(m);
        let even = m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m));
        d = 1.0 / away(1.0 + even * d);
        c = away(1.0 + even / c);
        h *= d * c;
        let odd = -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0));
        d = 1.0 / away(1.0 + odd * d);
        c = away(1.0 + odd / c);
        h *= d * c;
        if libm::fabs(d * c - 1.0) < 1e-15 {
            break;
        }
    }
    h
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Table of critical values of Student's t, two-sided 95 % (upper tail 0.025), as in the
    /// NIST/SEMATECH e-Handbook of Statistical Methods 1.3.6.7.2 (from memory), three digits.
    #[test]
    fn critical_values_of_the_table() {
        for (freedom, want) in [
            (1.0, 12.706),
            (2.0, 4.303),
            (4.0, 2.776),
            (9.0, 2.262),
            (30.0, 2.042),
            (100.0, 1.984),
            (1e6, 1.960),
        ] {
            let got = quantile(0.95, freedom);
            assert!((got - want).abs() < 6e-4, "{freedom}: {got} is not {want}");
        }
        assert!((quantile(0.90, 10.0) - 1.812).abs() < 6e-4);
        assert!((quantile(0.99, 10.0) - 3.169).abs() < 6e-4);
    }
}
