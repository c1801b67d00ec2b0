//! Slow loss: the residual of the total, week by week.
//!
//! Ageing capacitors lose a little every week, and never give it back; a machine that is added or
//! a shift that is dropped moves the kvar at the same kW from one day to the next. So the weekly
//! level is watched (the median of five days with running time), and of each week's rise no more
//! counts than fast ageing would make: what comes at one go is no ageing. Both the rise that
//! counts and the whole rise have to pass the limit.

/// Days of running time that make a week.
const WEEK_DAYS: usize = 5;

/// Running time that makes a day count, in seconds.
const DAY_MIN_S: f64 = 2.0 * 3600.0;

/// Limits of the slow loss, as shares of what is installed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SlowTerms {
    /// Rise of kvar at like load that raises.
    pub share: f64,
    /// Most that a week's rise counts for.
    pub week_share: f64,
    /// Weeks that it takes at least.
    pub weeks: u32,
    /// Limit over the scatter of the days learnt from, as a factor.
    pub over_scatter: f64,
}

impl Default for SlowTerms {
    fn default() -> Self {
        SlowTerms { share: 0.15, week_share: 0.03, weeks: 4, over_scatter: 3.0 }
    }
}

/// A change of the slow loss.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum SlowEdge {
    /// The correction fades: rise of kvar at like load since it was learnt, in var, and weeks.
    Raised {
        /// Rise, in var.
        rise_var: f64,
        /// Weeks with running time.
        weeks: u32,
    },
    /// It is back.
    Cleared,
}

/// The watch over slow loss.
#[derive(Clone, Debug)]
pub struct Slow {
    limit_var: f64,
    week_max_var: f64,
    weeks_min: u32,
    day: i64,
    sum_vars: f64,
    seconds: f64,
    days: Vec<f64>,
    first_var: Option<f64>,
    last_var: f64,
    gradual_var: f64,
    weeks: u32,
    raised: bool,
}

impl Slow {
    /// Of what is installed, with the standard deviation of the days' residuals, both in var.
    pub fn new(terms: &SlowTerms, installed_var: f64, scatter_var: f64) -> Slow {
        Slow {
            limit_var: (terms.share * installed_var).max(terms.over_scatter * scatter_var),
            week_max_var: terms.week_share * installed_var,
            weeks_min: terms.weeks,
            day: i64::MIN,
            sum_vars: 0.0,
            seconds: 0.0,
            days: Vec::new(),
            first_var: None,
            last_var: 0.0,
            gradual_var: 0.0,
            weeks: 0,
            raised: false,
        }
    }

    /// A loss at one go was found: it is no ageing.
    pub fn step(&mut self, rise_var: f64) {
        self.first_var = self.first_var.map(|v| v + rise_var);
        self.last_var += rise_var;
        self.days.iter_mut().for_each(|d| *d += rise_var);
    }

    /// Takes the mean residual of a stretch of running time.
    pub fn take(&mut self, residual_var: f64, start_ms: i64, seconds: f64) -> Option<SlowEdge> {
        let day = start_ms.div_euclid(86_400_000);
        if day == self.day {
            self.sum_vars += residual_var * seconds;
            self.seconds += seconds;
            return None;
        }
        let mean = (self.seconds >= DAY_MIN_S).then(|| self.sum_vars / self.seconds);
        self.day = day;
        self.sum_vars = residual_var * seconds;
        self.seconds = seconds;
        self.days.extend(mean);
        if self.days.len() < WEEK_DAYS {
            return None;
        }
        self.days.sort_unstable_by(f64::total_cmp);
        let level = self.days[WEEK_DAYS / 2];
        self.days.clear();
        self.week(level)
    }

    fn week(&mut self, level_var: f64) -> Option<SlowEdge> {
        let Some(first_var) = self.first_var else {
            self.first_var = Some(level_var);
            self.last_var = level_var;
            return None;
        };
        self.weeks += 1;
        let rise = level_var - self.last_var;
        self.gradual_var += rise.clamp(-self.week_max_var, self.week_max_var);
        self.last_var = level_var;
        let counts_var = self.gradual_var.min(level_var - first_var);
        if !self.raised && self.weeks >= self.weeks_min && counts_var > self.limit_var {
            self.raised = true;
            let rise_var = level_var - first_var;
            return Some(SlowEdge::Raised { rise_var, weeks: self.weeks });
        }
        if self.raised && counts_var < 0.5 * self.limit_var {
            self.raised = false;
            return Some(SlowEdge::Cleared);
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Runs weeks of five days of eight hours; gives the week of each edge.
    fn run(weeks: usize, level_var: impl Fn(f64) -> f64) -> Vec<(usize, bool)> {
        let mut slow = Slow::new(&SlowTerms::default(), 100e3, 0.0);
        let mut edges = Vec::new();
        for day in (0..weeks * 7).filter(|d| d % 7 < 5) {
            for hour in 6..14 {
                let ms = (day * 24 + hour) as i64 * 3_600_000;
                if let Some(edge) = slow.take(level_var(day as f64 / 7.0), ms, 3600.0) {
                    edges.push((day / 7, matches!(edge, SlowEdge::Raised { .. })));
                }
            }
        }
        edges
    }

    #[test]
    fn ageing_is_found_and_a_step_or_the_season_is_not() {
        // 2 % a week: 15 % are gone in the eighth week.
        let found = run(20, |week| 2e3 * week);
        assert_eq!(found.len(), 1, "{found:?}");
        assert!((8..=10).contains(&found[0].0), "{found:?}");
        // 40 % at one go, by a new machine.
        assert_eq!(run(52, |week| if week > 9.5 { 40e3 } else { 0.0 }), []);
        // Output of capacitors over 40 K of season: 0.5 %/10 K (common practice).
        let season = |week: f64| 1e3 * (1.0 - libm::cos(week / 52.0 * core::f64::consts::TAU));
        assert_eq!(run(104, season), []);
        // Replaced: over.
        let replaced = run(30, |week| if week < 15.0 { 2e3 * week } else { 0.0 });
        assert_eq!(replaced.iter().map(|e| e.1).collect::<Vec<_>>(), [true, false]);
    }
}
