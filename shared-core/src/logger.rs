//! Cuts the stream of windows into intervals of a set length, at the window end nearest to each boundary.

use crate::flags::Flags;
use crate::interval::{IntervalBuilder, IntervalSummary};
use crate::power::Reading;

/// Cuts intervals; time is the sum of the windows' lengths and of what was skipped.
#[derive(Clone, Debug)]
pub struct IntervalLogger {
    builder: IntervalBuilder,
    interval_s: f64,
    /// Seconds until the interval under way should end.
    left_s: f64,
    /// The interval under way is meant to be shorter, to meet the wall clock.
    short: bool,
}

impl IntervalLogger {
    /// A logger whose first interval has full length; `interval_s` above 0.
    pub fn new(interval_s: f64) -> Self {
        IntervalLogger {
            builder: IntervalBuilder::new(),
            interval_s,
            left_s: interval_s,
            short: false,
        }
    }

    /// The set length in seconds.
    pub fn interval_s(&self) -> f64 {
        self.interval_s
    }

    /// Seconds in the interval under way.
    pub fn collected_s(&self) -> f64 {
        self.builder.duration_s()
    }

    /// Adds a remark to the interval under way.
    pub fn flag(&mut self, flags: Flags) {
        self.builder.flag(flags);
    }

    /// Moves the end of the interval under way: it should come in `left_s` seconds.
    pub fn end_in(&mut self, left_s: f64) {
        self.left_s = left_s;
        let whole = self.builder.duration_s() + left_s;
        self.short = whole < self.interval_s - 0.3;
    }

    /// Time passed without a window, because frames were lost.
    pub fn skip(&mut self, seconds: f64) {
        self.left_s -= seconds;
    }

    /// Adds a window; `true` when the interval should now be taken.
    ///
    /// An interval that is not taken goes on and is due again after each window.
    pub fn push(&mut self, reading: &Reading) -> bool {
        self.builder.add(reading);
        self.left_s -= reading.duration_s;
        self.is_due(reading.duration_s)
    }

    /// Whether the next window would end further from the boundary than this one did.
    fn is_due(&self, window_s: f64) -> bool {
        self.left_s < 0.5 * window_s
    }

    /// Ends the interval and starts the next; `None` when it has no window.
    pub fn take(&mut self) -> Option<IntervalSummary> {
        let mut summary = self.builder.summary();
        if let Some(s) = &mut summary {
            s.flags.insert_if(self.short, Flags::SHORT);
        }
        self.builder.clear();
        self.short = false;
        // Boundaries keep their distance, so that small remainders do not add up.
        self.left_s += self.interval_s;
        if self.left_s < 0.5 * self.interval_s {
            self.left_s = self.interval_s;
        }
        summary
    }
}
