//! How many independent records a series of correlated residuals is worth.
//!
//! Records of a minute resemble their neighbours: a machine that runs now runs in a minute.
//! The form is that of ASHRAE Guideline 14, n′ = n·(1 − ρ)/(1 + ρ) (from memory). One lag sees
//! only short memory, so means of longer and longer stretches are compared too, and the least
//! favourable counts.

/// What the correlation of a series does to its mean.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Serial {
    /// Correlation of neighbours.
    pub lag1: f64,
    /// Variance of the mean over that of independent records, 1 or more.
    pub inflation: f64,
    /// Stretches behind the inflation, for degrees of freedom.
    pub stretches: usize,
    /// Their length in seconds; 0 where neighbours decide.
    pub stretch_s: f64,
}

/// Lengths of stretches that are tried, in seconds.
const STRETCHES_S: [f64; 5] = [900.0, 3600.0, 3.0 * 3600.0, 8.0 * 3600.0, 24.0 * 3600.0];

/// Fewest stretches that say something about their spread.
const STRETCHES_MIN: usize = 6;

/// Residuals with their ends (Unix milliseconds, ascending) and the length of a record.
pub fn serial(residuals: &[f64], end_ms: &[i64], record_s: f64) -> Serial {
    let n = residuals.len();
    let mean = residuals.iter().sum::<f64>() / n.max(1) as f64;
    let variance = residuals.iter().map(|e| (e - mean) * (e - mean)).sum::<f64>() / n.max(1) as f64;
    let mut found = Serial { lag1: 0.0, inflation: 1.0, stretches: n, stretch_s: 0.0 };
    if n < 3 || variance <= 0.0 {
        return found;
    }
    let (mut product, mut pairs) = (0.0, 0usize);
    for (k, w) in end_ms.windows(2).enumerate() {
        // Neighbours across a gap are none.
        if (w[1] - w[0]) as f64 <= 1500.0 * record_s {
            product += (residuals[k] - mean) * (residuals[k + 1] - mean);
            pairs += 1;
        }
    }
    if pairs > 0 {
        found.lag1 = (product / pairs as f64 / variance).clamp(-0.999, 0.9999);
    }
    found.inflation = effective_ratio(found.lag1.max(0.0)).recip().max(1.0);
    found.stretches = (n as f64 / found.inflation) as usize;
    for stretch_s in STRETCHES_S {
        if let Some((inflation, stretches)) =
            by_stretches(residuals, end_ms, mean, variance, stretch_s)
            && inflation > found.inflation
        {
            found = Serial { inflation, stretches, stretch_s, ..found };
        }
    }
    found
}

/// n′/n of Guideline 14: (1 − ρ)/(1 + ρ).
pub fn effective_ratio(rho: f64) -> f64 {
    (1.0 - rho) / (1.0 + rho)
}

/// Variance of means of stretches against that of single records; `None` for too few stretches.
fn by_stretches(
    residuals: &[f64],
    end_ms: &[i64],
    mean: f64,
    variance: f64,
    stretch_s: f64,
) -> Option<(f64, usize)> {
    let length_ms = (stretch_s * 1000.0) as i64;
    let first = *end_ms.first()?;
    let mut sums: Vec<(f64, f64)> = Vec::new();
    let mut at = i64::MIN;
    for (e, end) in residuals.iter().zip(end_ms) {
        let place = (end - first).div_euclid(length_ms);
        if place != at {
            sums.push((0.0, 0.0));
            at = place;
        }
        if let Some(last) = sums.last_mut() {
            last.0 += e - mean;
            last.1 += 1.0;
        }
    }
    // A stretch of which little is there says little.
    let full = sums.iter().map(|s| s.1).fold(0.0, f64::max);
    sums.retain(|s| s.1 >= 0.5 * full);
    let m = sums.len();
    if m < STRETCHES_MIN {
        return None;
    }
    let n: f64 = sums.iter().map(|s| s.1).sum();
    let squares: f64 = sums.iter().map(|s| s.0 * s.0).sum();
    // Var(mean) = Σ(sum of a stretch)² / n²; of independent records it is variance / n.
    Some((squares / n / variance * m as f64 / (m as f64 - 1.0), m))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn times(n: usize) -> Vec<i64> {
        (1..=n as i64).map(|k| k * 60_000).collect()
    }

    /// Check value of Guideline 14's form: n = 168, ρ = 0.6 gives n′ = 42.
    #[test]
    fn effective_number_of_the_guideline() {
        assert!((168.0 * effective_ratio(0.6) - 42.0).abs() < 1e-9);
    }

    /// AR(1) with ρ: the variance of a mean grows by (1 + ρ)/(1 − ρ), the textbook limit.
    #[test]
    fn an_autoregressive_series_counts_as_the_formula_says() {
        let mut chance = crate::bench::chance::Chance::new(7, "series");
        for rho in [0.0, 0.5, 0.8] {
            let (mut x, n) = (0.0, 40_000);
            let series: Vec<f64> = (0..n)
                .map(|_| {
                    x = rho * x + chance.normal();
                    x
                })
                .collect();
            let s = serial(&series, &times(n), 60.0);
            assert!((s.lag1 - rho).abs() < 0.03, "{s:?}");
            let want = (1.0 + rho) / (1.0 - rho);
            assert!(s.inflation >= 0.9 * want && s.inflation < 2.2 * want, "{rho}: {s:?}");
        }
    }

    #[test]
    fn long_memory_is_seen_by_long_stretches() {
        // A machine that is on every other day adds the same all day.
        let series: Vec<f64> =
            (0..14 * 1440).map(|k| if k / 1440 % 2 == 0 { 1.0 } else { -1.0 }).collect();
        let s = serial(&series, &times(series.len()), 60.0);
        assert!(s.inflation > 1000.0 && s.stretches < 30, "{s:?}");
    }
}
