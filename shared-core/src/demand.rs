//! Demand: mean power over the utility's interval, block or sliding.
//!
//! Energies come in with their start and end; an amount that straddles a
//! boundary is split by time. kVA demand is sqrt(kW² + kvar²) of the same
//! interval, beside the mean of metered apparent power.

/// Most sub-intervals that an interval may have.
pub const MAX_SUBS: usize = 12;

/// Energies of a stretch of time, in Wh, varh and VAh.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Energy {
    /// Active energy, taken in minus given back, in Wh.
    pub p_wh: f64,
    /// Reactive energy of the fundamental, lagging minus leading, in varh.
    pub q1_varh: f64,
    /// Metered apparent energy, in VAh.
    pub s_vah: f64,
}

impl Energy {
    fn add(&mut self, o: &Energy, share: f64) {
        self.p_wh += o.p_wh * share;
        self.q1_varh += o.q1_varh * share;
        self.s_vah += o.s_vah * share;
    }
}

/// The utility's rule for the demand interval.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DemandRule {
    interval_ms: i64,
    sub_ms: i64,
    offset_ms: i64,
}

/// Why a demand rule makes no sense.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DemandError {
    /// The interval is not 1 minute to 2 hours.
    Interval,
    /// The sub-interval does not divide the interval into 1 to [`MAX_SUBS`] parts.
    Sub,
}

impl core::fmt::Display for DemandError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            DemandError::Interval => write!(f, "the demand interval must be 1 to 120 minutes"),
            DemandError::Sub => write!(
                f,
                "the sub-interval must divide the demand interval into at most {MAX_SUBS} parts"
            ),
        }
    }
}

impl core::error::Error for DemandError {}

impl DemandRule {
    /// A block interval, aligned to multiples of itself since the epoch plus `offset_s`.
    pub const fn block(interval_s: u32) -> Result<Self, DemandError> {
        DemandRule::sliding(interval_s, interval_s)
    }

    /// An interval that slides in steps of `sub_s`.
    pub const fn sliding(interval_s: u32, sub_s: u32) -> Result<Self, DemandError> {
        if interval_s < 60 || interval_s > 7200 {
            return Err(DemandError::Interval);
        }
        if sub_s == 0
            || !interval_s.is_multiple_of(sub_s)
            || (interval_s / sub_s) as usize > MAX_SUBS
        {
            return Err(DemandError::Sub);
        }
        Ok(DemandRule {
            interval_ms: interval_s as i64 * 1000,
            sub_ms: sub_s as i64 * 1000,
            offset_ms: 0,
        })
    }

    /// Boundaries at multiples of the step by clocks that are ahead of UTC by so many seconds.
    pub const fn by_clocks_ahead_s(mut self, ahead_s: i32) -> Self {
        self.offset_ms = (ahead_s as i64 * -1000).rem_euclid(self.sub_ms);
        self
    }

    /// Length of the interval in seconds.
    pub fn interval_s(&self) -> f64 {
        self.interval_ms as f64 / 1000.0
    }

    /// Start of the sub-interval that contains an instant.
    fn sub_start(&self, at_ms: i64) -> i64 {
        (at_ms - self.offset_ms).div_euclid(self.sub_ms) * self.sub_ms + self.offset_ms
    }
}

/// Demand of one interval.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Demand {
    /// End of the interval, Unix milliseconds.
    pub end_ms: i64,
    /// Mean active power, in W.
    pub p_w: f64,
    /// Mean reactive power of the fundamental, in var.
    pub q1_var: f64,
    /// sqrt(P² + Q1²), in VA.
    pub s_va: f64,
    /// Mean metered apparent power, in VA.
    pub s_metered_va: f64,
    /// Share of the interval with data, from 0 to 1; a demand below 1 is not a billed demand.
    pub coverage: f64,
}

impl Demand {
    /// Whether the log covers the interval but for rounding of record times.
    pub fn is_complete(&self) -> bool {
        self.coverage > 0.999
    }
}

/// Makes demands of a run of energies in order of time.
#[derive(Clone, Debug)]
pub struct DemandMeter {
    rule: DemandRule,
    /// Sub-intervals of the running interval, oldest first; the last is under way.
    subs: [(Energy, f64); MAX_SUBS],
    sub_start_ms: Option<i64>,
}

impl DemandMeter {
    /// A meter without data.
    pub fn new(rule: DemandRule) -> Self {
        DemandMeter { rule, subs: [(Energy::default(), 0.0); MAX_SUBS], sub_start_ms: None }
    }

    /// Adds energy that flowed evenly from start to end; hands out demands that are complete in time.
    ///
    /// Times must not go back; an amount without length is ignored.
    pub fn add(
        &mut self,
        start_ms: i64,
        end_ms: i64,
        energy: &Energy,
        sink: &mut impl FnMut(&Demand),
    ) {
        if end_ms <= start_ms {
            return;
        }
        let mut at = start_ms;
        while at < end_ms {
            let sub = self.rule.sub_start(at);
            self.advance(sub, sink);
            let until = end_ms.min(sub + self.rule.sub_ms);
            let share = (until - at) as f64 / (end_ms - start_ms) as f64;
            let n = self.count();
            if let Some((e, ms)) = self.subs.get_mut(n - 1) {
                e.add(energy, share);
                *ms += (until - at) as f64;
            }
            at = until;
        }
        // An interval that has just been filled is known now, not at the next amount.
        let sub = self.rule.sub_start(end_ms);
        self.advance(sub, sink);
    }

    /// Ends the run: hands out the intervals under way, with the coverage they have.
    pub fn finish(&mut self, sink: &mut impl FnMut(&Demand)) {
        if let Some(start) = self.sub_start_ms {
            self.advance(start + self.rule.sub_ms, sink);
            self.sub_start_ms = None;
            self.subs = [(Energy::default(), 0.0); MAX_SUBS];
        }
    }

    /// Demand of the interval under way so far, as if the rest had no load.
    pub fn running(&self) -> Demand {
        self.demand(self.sub_start_ms.unwrap_or(0) + self.rule.sub_ms)
    }

    fn count(&self) -> usize {
        ((self.rule.interval_ms / self.rule.sub_ms) as usize).clamp(1, MAX_SUBS)
    }

    /// Moves to the sub-interval that starts at `sub`, closing those before it.
    fn advance(&mut self, sub: i64, sink: &mut impl FnMut(&Demand)) {
        let Some(mut start) = self.sub_start_ms else {
            self.sub_start_ms = Some(sub);
            return;
        };
        let n = self.count();
        while start < sub {
            let demand = self.demand(start + self.rule.sub_ms);
            if demand.coverage > 0.0 {
                sink(&demand);
            } else {
                // Nothing left to slide over: jump across the gap.
                start = sub - self.rule.sub_ms;
            }
            if let Some(used) = self.subs.get_mut(..n) {
                used.rotate_left(1);
                if let Some(last) = used.last_mut() {
                    *last = (Energy::default(), 0.0);
                }
            }
            start += self.rule.sub_ms;
        }
        self.sub_start_ms = Some(start.max(sub));
    }

    fn demand(&self, end_ms: i64) -> Demand {
        let mut sum = Energy::default();
        let mut covered_ms = 0.0;
        for (e, ms) in self.subs.iter().take(self.count()) {
            sum.add(e, 1.0);
            covered_ms += ms;
        }
        let hours = self.rule.interval_s() / 3600.0;
        let (p_w, q1_var) = (sum.p_wh / hours, sum.q1_varh / hours);
        Demand {
            end_ms,
            p_w,
            q1_var,
            s_va: libm::sqrt(p_w * p_w + q1_var * q1_var),
            s_metered_va: sum.s_vah / hours,
            coverage: covered_ms / self.rule.interval_ms as f64,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(rule: DemandRule, amounts: &[(i64, i64, f64)]) -> Vec<Demand> {
        let mut out = Vec::new();
        let mut m = DemandMeter::new(rule);
        let mut sink = |d: &Demand| out.push(*d);
        for &(start_min, end_min, kw) in amounts {
            let hours = (end_min - start_min) as f64 / 60.0;
            let e = Energy { p_wh: kw * 1e3 * hours, q1_varh: 750.0 * kw * hours, s_vah: 0.0 };
            m.add(start_min * 60_000, end_min * 60_000, &e, &mut sink);
        }
        m.finish(&mut sink);
        out
    }

    #[test]
    fn blocks_split_what_straddles_them() {
        let rule = DemandRule::block(900).unwrap();
        let d = run(rule, &[(0, 10, 60.0), (10, 20, 120.0), (20, 30, 30.0)]);
        assert_eq!(d.len(), 2);
        assert!((d[0].p_w - (60.0 * 10.0 + 120.0 * 5.0) / 15.0 * 1e3).abs() < 1e-6);
        assert!((d[1].p_w - (120.0 * 5.0 + 30.0 * 10.0) / 15.0 * 1e3).abs() < 1e-6);
        assert!((d[0].s_va - d[0].p_w * 1.25).abs() < 1e-6);
        assert!(d.iter().all(Demand::is_complete));
        assert_eq!(d[1].end_ms, 30 * 60_000);
    }

    /// Boundaries by clocks of whole, half and three-quarter hours, ahead of UTC and behind.
    #[test]
    fn boundaries_follow_the_clocks() {
        for ahead_min in [0, 60, 330, 345, 765, -210, -570] {
            for (interval_s, step_s) in [(3600, 3600), (1800, 600), (900, 900), (7200, 1800)] {
                let rule = DemandRule::sliding(interval_s, step_s).unwrap();
                let rule = rule.by_clocks_ahead_s(ahead_min * 60);
                for d in run(rule, &[(100, 400, 50.0)]) {
                    let local_s = d.end_ms / 1000 + i64::from(ahead_min) * 60;
                    assert_eq!(local_s % i64::from(step_s), 0, "{ahead_min} {step_s}");
                }
            }
        }
    }

    /// A 15-minute peak across a block boundary: the sliding demand sees it whole.
    #[test]
    fn sliding_finds_the_peak_between_blocks() {
        let load: Vec<(i64, i64, f64)> = (0..12)
            .map(|k| (k * 5, k * 5 + 5, if (2..5).contains(&k) { 90.0 } else { 0.0 }))
            .collect();
        let peak = |d: Vec<Demand>| {
            d.iter().filter(|d| d.is_complete()).map(|d| d.p_w).fold(0.0, f64::max)
        };
        assert!((peak(run(DemandRule::block(900).unwrap(), &load)) - 60e3).abs() < 1e-6);
        assert!((peak(run(DemandRule::sliding(900, 300).unwrap(), &load)) - 90e3).abs() < 1e-6);
    }

    #[test]
    fn gaps_show_as_coverage_and_are_jumped() {
        let rule = DemandRule::block(900).unwrap();
        let d = run(rule, &[(0, 5, 60.0), (1000, 1005, 60.0)]);
        assert_eq!(d.len(), 2);
        assert!((d[0].coverage - 1.0 / 3.0).abs() < 1e-9 && !d[0].is_complete());
        assert_eq!(d[1].end_ms, 1005 * 60_000);
    }

    #[test]
    fn senseless_rules_are_refused() {
        assert_eq!(DemandRule::block(30), Err(DemandError::Interval));
        assert_eq!(DemandRule::sliding(900, 0), Err(DemandError::Sub));
        assert_eq!(DemandRule::sliding(900, 420), Err(DemandError::Sub));
        assert_eq!(DemandRule::sliding(900, 60), Err(DemandError::Sub));
    }
}
