//! The cumulative sum of a deviation beyond an allowance (Page, Biometrika 41, 1954).

/// One side of a cumulative sum: grows while the deviation stays above the allowance.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Excursion {
    /// The sum, in the unit of the deviation times batches.
    pub sum: f64,
    /// Batches since the sum last left zero.
    pub batches: u32,
    /// Sum of the deviations since then, for their mean.
    total: f64,
    /// When the first of those batches began, Unix milliseconds.
    pub since_ms: i64,
}

impl Excursion {
    /// Takes a deviation (its sign already turned to the side that is watched).
    pub fn add(&mut self, deviation: f64, allowance: f64, start_ms: i64) {
        if self.sum <= 0.0 {
            *self = Excursion { since_ms: start_ms, ..Excursion::default() };
        }
        self.sum += deviation - allowance;
        self.total += deviation;
        self.batches += 1;
        if self.sum <= 0.0 {
            *self = Excursion::default();
        }
    }

    /// Mean deviation since the sum left zero.
    pub fn mean(&self) -> f64 {
        if self.batches == 0 { 0.0 } else { self.total / f64::from(self.batches) }
    }
}
