//! From a value that moves to an alarm that stays put: hold time and hysteresis.

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
    pub fn above(value: Option<f64>, limit: f64, good: f64) -> Side {
        match value {
            Some(v) if v > limit => Side::Bad,
            Some(v) if v <= good => Side::Good,
            Some(_) => Side::Between,
            None => Side::Unknown,
        }
    }

    /// A value against a limit that it should stay above, well again above `good`.
    pub fn below(value: Option<f64>, limit: f64, good: f64) -> Side {
        Side::above(value.map(|v| -v), -limit, -good)
    }
}

/// One condition: raised after it held for a time, cleared after it was well for a time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gate {
    hold_s: f64,
    rest_s: f64,
    gone_s: f64,
    raised: bool,
    /// When the condition that is under way began, Unix milliseconds.
    pub since_ms: i64,
}

impl Gate {
    /// A gate with its times, in seconds.
    pub const fn new(hold_s: f64, rest_s: f64) -> Gate {
        Gate { hold_s, rest_s, gone_s: 0.0, raised: false, since_ms: 0 }
    }

    /// Whether it is raised.
    pub fn is_raised(&self) -> bool {
        self.raised
    }

    /// Takes a stretch of time that ended at an instant.
    pub fn take(&mut self, side: Side, seconds: f64, end_ms: i64) -> Option<Edge> {
        let (counts, holds) = match (self.raised, side) {
            (_, Side::Unknown) => return None,
            (false, Side::Bad) | (true, Side::Good) => {
                (true, if self.raised { self.rest_s } else { self.hold_s })
            }
            _ => (false, 0.0),
        };
        if !counts {
            self.gone_s = 0.0;
            return None;
        }
        if self.gone_s == 0.0 && !self.raised {
            self.since_ms = end_ms - (seconds * 1000.0) as i64;
        }
        self.gone_s += seconds;
        // Half a second of slack: records end by the sample clock.
        if self.gone_s + 0.5 < holds {
            return None;
        }
        self.gone_s = 0.0;
        self.raised = !self.raised;
        Some(if self.raised { Edge::Raised } else { Edge::Cleared })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn short_visits_raise_nothing_and_a_raised_alarm_waits_for_rest() {
        let mut g = Gate::new(300.0, 600.0);
        let mut t = 0;
        let mut step = |g: &mut Gate, side| {
            t += 60_000;
            g.take(side, 60.0, t)
        };
        for _ in 0..4 {
            assert_eq!(step(&mut g, Side::Bad), None);
        }
        assert_eq!(step(&mut g, Side::Good), None);
        for _ in 0..4 {
            assert_eq!(step(&mut g, Side::Bad), None);
        }
        assert_eq!(step(&mut g, Side::Unknown), None);
        assert_eq!(step(&mut g, Side::Bad), Some(Edge::Raised));
        assert_eq!(g.since_ms, 5 * 60_000);
        for _ in 0..9 {
            assert_eq!(step(&mut g, Side::Good), None);
        }
        assert_eq!(step(&mut g, Side::Between), None);
        for _ in 0..9 {
            assert_eq!(step(&mut g, Side::Good), None);
        }
        assert_eq!(step(&mut g, Side::Good), Some(Edge::Cleared));
    }

    #[test]
    fn sides_have_a_band_between() {
        assert_eq!(Side::above(Some(3.0), 2.0, 1.5), Side::Bad);
        assert_eq!(Side::above(Some(1.7), 2.0, 1.5), Side::Between);
        assert_eq!(Side::below(Some(0.8), 0.9, 0.91), Side::Bad);
        assert_eq!(Side::below(Some(0.905), 0.9, 0.91), Side::Between);
        assert_eq!(Side::below(Some(0.95), 0.9, 0.91), Side::Good);
        assert_eq!(Side::below(None, 0.9, 0.91), Side::Unknown);
    }
}
