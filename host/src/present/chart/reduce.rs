//! Thinning of long series to what a picture resolves; lowest and highest values stay.

/// A value over a stretch of time, with the lowest and highest within.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    /// Start, Unix milliseconds.
    pub start_ms: i64,
    /// End, Unix milliseconds.
    pub end_ms: i64,
    /// Mean.
    pub mean: f64,
    /// Lowest.
    pub low: f64,
    /// Highest.
    pub high: f64,
}

impl Sample {
    /// A value without extremes of its own.
    pub fn flat(start_ms: i64, end_ms: i64, mean: f64) -> Sample {
        Sample { start_ms, end_ms, mean, low: mean, high: mean }
    }
}

/// Joins samples into at most so many equal stretches of time; a stretch without any gives none.
///
/// Means are weighted by time; a gap longer than a stretch stays a gap.
pub fn reduce(samples: &[Sample], most: usize) -> Vec<Sample> {
    let (Some(first), Some(last)) = (samples.first(), samples.last()) else { return Vec::new() };
    if samples.len() <= most || most == 0 {
        return samples.to_vec();
    }
    let (from, to) = (first.start_ms, last.end_ms);
    let stretch = (to - from).max(1) as f64 / most as f64;
    let mut out: Vec<Sample> = Vec::with_capacity(most);
    let (mut cell, mut weight, mut sum) = (usize::MAX, 0.0, 0.0);
    for s in samples {
        let middle = (s.start_ms + s.end_ms) / 2;
        let here = (((middle - from) as f64 / stretch) as usize).min(most - 1);
        let length = (s.end_ms - s.start_ms).max(1) as f64;
        match out.last_mut() {
            Some(joined) if here == cell => {
                weight += length;
                sum += s.mean * length;
                joined.end_ms = s.end_ms;
                joined.low = joined.low.min(s.low);
                joined.high = joined.high.max(s.high);
                joined.mean = sum / weight;
            }
            _ => {
                (cell, weight, sum) = (here, length, s.mean * length);
                out.push(*s);
            }
        }
    }
    out
}

/// Runs of samples that follow each other without a gap longer than `slack_ms`.
pub fn runs(samples: &[Sample], slack_ms: i64) -> Vec<&[Sample]> {
    samples.chunk_by(|a, b| b.start_ms - a.end_ms <= slack_ms).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_year_keeps_its_extremes_and_its_mean() {
        let minute = 60_000;
        let samples: Vec<Sample> = (0..525_600i64)
            .map(|k| Sample::flat(k * minute, (k + 1) * minute, (k % 1440) as f64))
            .map(|s| if s.start_ms == 300_000 * minute { Sample { mean: 9e3, high: 9e3, ..s } } else { s })
            .collect();
        let thin = reduce(&samples, 700);
        assert!(thin.len() <= 700 && thin.len() > 690);
        assert_eq!(thin.iter().map(|s| s.high).fold(0.0, f64::max), 9e3);
        assert_eq!(thin.iter().map(|s| s.low).fold(1e9, f64::min), 0.0);
        let (all, kept): (f64, f64) = (
            samples.iter().map(|s| s.mean).sum::<f64>() / 525_600.0,
            thin.iter().map(|s| s.mean * (s.end_ms - s.start_ms) as f64).sum::<f64>()
                / thin.iter().map(|s| (s.end_ms - s.start_ms) as f64).sum::<f64>(),
        );
        assert!((all - kept).abs() < 1e-6, "{all} {kept}");
    }

    #[test]
    fn gaps_part_runs() {
        let s = |a, b| Sample::flat(a, b, 1.0);
        let samples = [s(0, 10), s(10, 20), s(50, 60), s(61, 70)];
        let lengths: Vec<usize> = runs(&samples, 2).iter().map(|r| r.len()).collect();
        assert_eq!(lengths, [2, 2]);
    }
}
