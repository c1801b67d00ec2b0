//! Conditions of the load: overload, running when it should not.

use super::gate::{Side, Times};
use super::judge::{Judge, WHOLE};
use super::{AlarmTerms, Kind, Observed};

/// How many times the usual hold time running out of hours must last: work may end late.
const LATE: f64 = 3.0;

pub(super) fn take(o: &Observed, t: &AlarmTerms, hours_stated: bool, judge: &mut Judge) {
    if let Some(rated) = t.rated_a {
        let n = o.record.wiring.phases();
        let amps = o.record.phases.iter().take(n).map(|p| f64::from(p.i_rms_a));
        let most = amps.fold(0.0, f64::max);
        let limit = rated * t.overload_pct / 100.0;
        let side = Side::above(Some(most), limit, 0.95 * limit);
        judge.condition(Kind::Overload, WHOLE, side, Times::new(t.hold_s, t.rest_s), || {
            format!("{most:.1} A on the highest phase; rated {rated:.1} A, limit {limit:.1} A")
        });
    }
    if let (true, Some(peak)) = (t.out_of_hours.unwrap_or(hours_stated), o.usual_peak_w) {
        let limit = t.out_of_hours_share * peak;
        let side = match o.working_hours {
            true => Side::Good,
            false => Side::above(Some(o.p_w), limit, 0.8 * limit),
        };
        let times = Times::new(LATE * t.hold_s, t.rest_s);
        judge.condition(Kind::OutOfHours, WHOLE, side, times, || {
            format!(
                "{:.1} kW outside working hours; the usual peak is {:.1} kW",
                o.p_w / 1e3,
                peak / 1e3
            )
        });
    }
}
