//! From a value that moves to an alarm that stays put: hold time and hysteresis.
//!
//! A gate fills while its condition holds and drains, twice as fast, while all is well; in the
//! band between it stands still. So an alarm needs the condition for two thirds of the time at
//! least, needs the opposite for two thirds to be over, and noise about a limit changes nothing.

/// What a gate does with a step in time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Edge {
    /// The condition has held long enough.
    Raised,
    /// It has been absent long enough.
    Cleared,
}

/// How far a value is from an alarm.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// Beyond the limit.
    Bad,
    /// Between the limit and where it counts as well again: nothing changes.
    Between,
    /// Well.
    Good,
    /// Cannot be told: time stands still.
    Unknown,
}

impl Side {
    /// A value against a limit that it should stay below, well again below `good`.
    ///
    /// What is not a number cannot be told.
    pub fn above(value: Option<f64>, limit: f64, good: f64) -> Side {
        match value {
            Some(v) if v > limit => Side::Bad,
            Some(v) if v <= good => Side::Good,
            Some(v) if v.is_finite() => Side::Between,
            _ => Side::Unknown,
        }
    }

    /// A value against a limit that it should stay above, well again above `good`.
    pub fn below(value: Option<f64>, limit: f64, good: f64) -> Side {
        Side::above(value.map(|v| -v), -limit, -good)
    }

    /// A condition that is there or not.
    pub fn of(bad: bool) -> Side {
        if bad { Side::Bad } else { Side::Good }
    }
}

/// How long a condition must hold, and how long it must be well again.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Times {
    /// Seconds that raise.
    pub hold_s: f64,
    /// Seconds that clear.
    pub rest_s: f64,
    /// Records that raise or clear at least: a single bad record proves nothing.
    pub records: u32,
}

impl Times {
    /// Times in seconds, and two records.
    pub const fn new(hold_s: f64, rest_s: f64) -> Times {
        Times { hold_s, rest_s, records: 2 }
    }
}

/// How much faster a gate drains than it fills.
const DRAIN: f64 = 2.0;

/// One condition: raised after it held for a time, cleared after it was well for a time.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Gate {
    filled_s: f64,
    records: u32,
    raised: bool,
    /// When the condition that is under way began, Unix milliseconds.
    pub since_ms: i64,
}

impl Gate {
    /// Whether it is raised.
    pub fn is_raised(&self) -> bool {
        self.raised
    }

    /// Forgets what was under way, not what is raised: time has been lost.
    pub fn interrupt(&mut self) {
        self.filled_s = 0.0;
        self.records = 0;
    }

    /// Takes a stretch of time that ended at an instant.
    pub fn take(&mut self, side: Side, seconds: f64, end_ms: i64, times: &Times) -> Option<Edge> {
        let fills = match (self.raised, side) {
            (_, Side::Unknown | Side::Between) => return None,
            (raised, side) => raised == (side == Side::Good),
        };
        if !fills {
            self.filled_s -= DRAIN * seconds;
            if self.filled_s <= 0.0 {
                self.interrupt();
            }
            return None;
        }
        if self.records == 0 && !self.raised {
            self.since_ms = end_ms - (seconds * 1000.0) as i64;
        }
        self.filled_s += seconds;
        self.records += 1;
        let needed = if self.raised { times.rest_s } else { times.hold_s };
        // Half a second of slack: records end by the sample clock.
        if self.filled_s + 0.5 < needed || self.records < times.records {
            return None;
        }
        self.interrupt();
        self.raised = !self.raised;
        Some(if self.raised { Edge::Raised } else { Edge::Cleared })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::chance::Chance;

    const TIMES: Times = Times::new(300.0, 600.0);

    struct Clock(Gate, i64);

    impl Clock {
        fn step(&mut self, side: Side, seconds: f64) -> Option<Edge> {
            self.1 += (seconds * 1e3) as i64;
            self.0.take(side, seconds, self.1, &TIMES)
        }
    }

    #[test]
    fn short_visits_raise_nothing_and_a_raised_alarm_waits_for_rest() {
        let mut g = Clock(Gate::default(), 0);
        for _ in 0..4 {
            assert_eq!(g.step(Side::Bad, 60.0), None);
        }
        for _ in 0..2 {
            assert_eq!(g.step(Side::Good, 60.0), None);
        }
        for _ in 0..4 {
            assert_eq!(g.step(Side::Bad, 60.0), None);
        }
        assert_eq!(g.step(Side::Unknown, 60.0), None);
        assert_eq!(g.step(Side::Bad, 60.0), Some(Edge::Raised));
        assert_eq!(g.0.since_ms, 6 * 60_000);
        for _ in 0..9 {
            assert_eq!(g.step(Side::Good, 60.0), None);
        }
        assert_eq!(g.step(Side::Between, 60.0), None);
        assert_eq!(g.step(Side::Bad, 60.0), None);
        for _ in 0..2 {
            assert_eq!(g.step(Side::Good, 60.0), None);
        }
        assert_eq!(g.step(Side::Good, 60.0), Some(Edge::Cleared));
    }

    #[test]
    fn one_record_however_long_proves_nothing() {
        let mut g = Clock(Gate::default(), 0);
        for _ in 0..20 {
            assert_eq!(g.step(Side::Bad, 900.0), None);
            assert_eq!(g.step(Side::Good, 900.0), None);
        }
        assert_eq!(g.step(Side::Bad, 900.0), None);
        assert_eq!(g.step(Side::Bad, 900.0), Some(Edge::Raised));
    }

    #[test]
    fn sides_have_a_band_between() {
        assert_eq!(Side::above(Some(3.0), 2.0, 1.5), Side::Bad);
        assert_eq!(Side::above(Some(1.7), 2.0, 1.5), Side::Between);
        assert_eq!(Side::below(Some(0.8), 0.9, 0.91), Side::Bad);
        assert_eq!(Side::below(Some(0.905), 0.9, 0.91), Side::Between);
        assert_eq!(Side::below(Some(0.95), 0.9, 0.91), Side::Good);
        assert_eq!(Side::below(None, 0.9, 0.91), Side::Unknown);
        assert_eq!(Side::above(Some(f64::NAN), 2.0, 1.5), Side::Unknown);
        assert_eq!(Side::below(Some(f64::NAN), 2.0, 1.5), Side::Unknown);
    }

    /// Noise of twice the margin, its mean anywhere about the limit: many records to a hold time
    /// change nothing but once, few of them rarely, and a value that is clearly on one side ends
    /// there.
    #[test]
    fn noise_at_the_limit_does_not_chatter() {
        for seed in 0..40 {
            let mut c = Chance::new(seed, "gate");
            let seconds = [1.0, 10.0, 60.0, 300.0, 900.0][c.below(5)];
            let mean = c.between([-2.0, 2.0]);
            let mut g = Clock(Gate::default(), 0);
            let records = ((40.0 * 86_400.0 / seconds) as u32).min(20_000);
            let mut changes = 0;
            for _ in 0..records {
                let value = mean + c.normal();
                if g.step(Side::above(Some(value), 0.0, -0.5), seconds).is_some() {
                    changes += 1;
                }
            }
            let most = match seconds {
                ..=10.0 => 2,
                ..=60.0 => records / 200,
                _ => records / 4,
            };
            assert!(changes <= most, "seed {seed}, {seconds} s, mean {mean}: {changes}");
            assert!(mean < 1.0 || g.0.is_raised(), "seed {seed}, {seconds} s, mean {mean}");
            assert!(mean > -1.5 || !g.0.is_raised(), "seed {seed}, {seconds} s, mean {mean}");
        }
    }
}
