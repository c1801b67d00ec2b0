//! The usual peak of a feeder: what "loaded" and "idle" are measured by.

/// Recorded time after which the peak counts as known, in seconds.
const KNOWN_S: f64 = 86_400.0;

/// Part of it that must lie in working hours: who starts on a Saturday knows nothing yet.
const WORKED_S: f64 = 4.0 * 3600.0;

/// Time in which a peak that is not reached again falls by half, in seconds.
const HALF_S: f64 = 30.0 * 86_400.0;

/// A record counts up to this many times the peak that is known; a wild one must not make it.
const RISE_MAX: f64 = 3.0;

/// The largest mean of a quarter of an hour, falling by half in thirty days.
///
/// A quarter of an hour, so that no motor start makes it; falling, so that a machine that was
/// sold does not stay in it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct UsualPeak {
    peak_w: f64,
    mean_w: f64,
    seen_s: f64,
    worked_s: f64,
    last_w: f64,
}

impl UsualPeak {
    /// Takes a record's power; what is not a number is passed over.
    pub fn take(&mut self, p_w: f64, seconds: f64, working_hours: bool) {
        if !p_w.is_finite() {
            return;
        }
        let known = self.watts().is_some();
        // Records that are as long as the mean have no neighbours in it to be judged by.
        let counted = match (known, seconds >= 600.0) {
            (false, _) => p_w,
            (true, true) => p_w.min(self.last_w.max(self.peak_w)),
            (true, false) => p_w.min(RISE_MAX * self.peak_w),
        };
        self.last_w = p_w;
        self.mean_w += (seconds / 900.0).min(1.0) * (counted - self.mean_w);
        self.peak_w *= libm::exp2(-seconds / HALF_S);
        self.peak_w = self.peak_w.max(self.mean_w);
        self.seen_s += seconds;
        if working_hours {
            self.worked_s += seconds;
        }
    }

    /// The peak in W, once a day with working hours was seen.
    pub fn watts(&self) -> Option<f64> {
        (self.seen_s >= KNOWN_S && self.worked_s >= WORKED_S && self.peak_w > 0.0)
            .then_some(self.peak_w)
    }
}
