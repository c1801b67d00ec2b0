//! Exact sums of the neutral's current, for feeders with a sensor on it; a light path beside the six.

use crate::accumulate::{Cut, CutFrames, WEIGHT_ONE};
use crate::frame::{Frame, NEUTRAL};

/// Sums of the neutral's current over a window, in units of 1/65536 of count and count².
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct NeutralSums {
    /// Sum of counts, times 65536.
    pub sum_q16: i64,
    /// Sum of squares, times 65536.
    pub square_q16: i128,
    /// Largest magnitude in the whole frames, in counts.
    pub peak: i32,
}

/// Adds up one window.
#[derive(Clone, Debug, Default)]
pub struct NeutralAccumulator {
    edge: NeutralSums,
    sum: i64,
    square: i64,
    peak: i32,
}

/// What a cut gives of the frames around it.
fn edge(cut: Cut, around: &CutFrames) -> NeutralSums {
    let mut e = NeutralSums::default();
    for (frame, &weight) in around.iter().zip(cut.weights()) {
        let x = i64::from(frame.counts()[NEUTRAL]);
        e.sum_q16 += i64::from(weight) * x;
        e.square_q16 += i128::from(i64::from(weight) * (x * x));
    }
    e
}

impl NeutralAccumulator {
    /// Nothing added yet.
    pub const IDLE: NeutralAccumulator = NeutralAccumulator {
        edge: NeutralSums { sum_q16: 0, square_q16: 0, peak: 0 },
        sum: 0,
        square: 0,
        peak: 0,
    };

    /// Starts a window at a cut.
    pub fn begin(&mut self, start: Cut, around: &CutFrames) {
        *self = NeutralAccumulator { edge: edge(start, around), ..Self::default() };
    }

    /// Adds whole frames; exact for up to 65,536 of them.
    #[inline]
    pub fn add(&mut self, frames: &[Frame]) {
        for frame in frames {
            let count = frame.counts()[NEUTRAL];
            let x = i64::from(count);
            self.sum = self.sum.wrapping_add(x);
            self.square = self.square.wrapping_add(x * x);
            self.peak = self.peak.max(count.wrapping_abs());
        }
    }

    /// Ends the window at a cut.
    pub fn finish(&self, end: Cut, around: &CutFrames) -> NeutralSums {
        let end = edge(end, around);
        NeutralSums {
            sum_q16: self.sum * WEIGHT_ONE + end.sum_q16 - self.edge.sum_q16,
            square_q16: i128::from(self.square) * i128::from(WEIGHT_ONE) + end.square_q16
                - self.edge.square_q16,
            peak: self.peak,
        }
    }
}
