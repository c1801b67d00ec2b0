//! Conditions of the load: overload, running when it should not.

use super::gate::{Side, Times};
use super::judge::{Judge, WHOLE};
use super::{AlarmTerms, Kind, Observed};
use std::collections::VecDeque;

/// How many times the usual hold time running out of hours must last: work may end late.
const LATE: f64 = 3.0;

/// Rests that tell what always runs.
const RESTS: usize = 9;

/// Fewest rests that tell it.
const RESTS_KNOWN: usize = 3;

/// Longest time that counts as one rest, so that a weekend is several, in seconds.
const REST_MAX_S: f64 = 86_400.0;

/// Length of the means of which the lowest counts, in seconds.
const MEAN_S: f64 = 900.0;

/// What runs out of hours as a rule: pumps, compressors, kilns.
///
/// The lowest quarter of an hour of each of the last rests, of those the upper quartile: what was
/// left on once or twice is not what always runs.
#[derive(Clone, Debug, Default)]
struct AlwaysOn {
    rests: VecDeque<f64>,
    lowest_w: Option<f64>,
    rest_s: f64,
    sum_ws: f64,
    sum_s: f64,
}

impl AlwaysOn {
    fn take(&mut self, p_w: f64, seconds: f64, working_hours: bool) {
        if working_hours || self.rest_s >= REST_MAX_S {
            if let Some(lowest) = self.lowest_w.take() {
                self.rests.truncate(RESTS - 1);
                self.rests.push_front(lowest);
            }
            (self.rest_s, self.sum_ws, self.sum_s) = (0.0, 0.0, 0.0);
        }
        if working_hours || !p_w.is_finite() {
            return;
        }
        self.rest_s += seconds;
        self.sum_ws += p_w * seconds;
        self.sum_s += seconds;
        if self.sum_s >= MEAN_S {
            let mean = self.sum_ws / self.sum_s;
            self.lowest_w = Some(self.lowest_w.map_or(mean, |w| w.min(mean)));
            (self.sum_ws, self.sum_s) = (0.0, 0.0);
        }
    }

    fn watts(&self) -> Option<f64> {
        if self.rests.len() < RESTS_KNOWN {
            return None;
        }
        let mut all: Vec<f64> = self.rests.iter().copied().collect();
        all.sort_unstable_by(f64::total_cmp);
        all.get(3 * (all.len() - 1) / 4).copied()
    }
}

/// Rules of the load.
#[derive(Clone, Debug, Default)]
pub struct LoadRules {
    always_on: AlwaysOn,
}

impl LoadRules {
    pub(super) fn take(
        &mut self,
        o: &Observed,
        t: &AlarmTerms,
        hours_stated: bool,
        judge: &mut Judge,
    ) {
        if let Some(rated) = t.rated_a {
            overload(o, t, rated, judge);
        }
        if t.out_of_hours.unwrap_or(hours_stated) {
            self.out_of_hours(o, t, judge);
        }
    }

    fn out_of_hours(&mut self, o: &Observed, t: &AlarmTerms, judge: &mut Judge) {
        let p_w = if o.usable { o.p_w } else { f64::NAN };
        self.always_on.take(p_w, o.seconds, o.working_hours);
        let (Some(peak), Some(always)) = (o.usual_peak_w, self.always_on.watts()) else { return };
        let (share, always) = (t.out_of_hours_share * peak, always.max(0.0));
        let side = match o.working_hours {
            true => Side::Good,
            false => Side::above(Some(p_w), always + share, always + 0.8 * share),
        };
        let times = Times::new(LATE * t.hold_s, t.rest_s);
        judge.condition(Kind::OutOfHours, WHOLE, side, times, || {
            format!(
                "{:.1} kW outside working hours, when {:.1} kW always run; the usual peak is \
                 {:.1} kW",
                p_w / 1e3,
                always / 1e3,
                peak / 1e3
            )
        });
    }
}

fn overload(o: &Observed, t: &AlarmTerms, rated: f64, judge: &mut Judge) {
    let n = o.record.wiring.phases();
    let amps = o.record.phases.iter().take(n).map(|p| f64::from(p.i_rms_a));
    let most = amps.fold(0.0, f64::max);
    let limit = rated * t.overload_pct / 100.0;
    let side = Side::above(Some(most), limit, 0.95 * limit);
    judge.condition(Kind::Overload, WHOLE, side, Times::new(t.hold_s, t.rest_s), || {
        format!("{most:.1} A on the highest phase; rated {rated:.1} A, limit {limit:.1} A")
    });
}
