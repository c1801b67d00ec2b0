//! A stepped bank's controller: contactor steps that follow the reactive demand with a delay.

use super::timeline::{Activity, Timeline};
use wattless_core::complex::Complex;

/// A step goes in when more than this share of it is missing, and out when as much is too much.
/// Common practice: about two thirds, so that it does not hunt.
const THRESHOLD: f64 = 0.65;

/// What a controller is set to.
#[derive(Clone, Debug, PartialEq)]
pub struct Controller {
    /// Sizes of the steps in var, in switching order.
    pub steps_var: Vec<f64>,
    /// Reactive over active power at the target power factor.
    pub target_tan: f64,
    /// Milliseconds for which a step must be wanted.
    pub delay_ms: i64,
}

impl Controller {
    /// Follows the demand `p + jq` between the times of its changes, up to an end.
    ///
    /// Gives the share of the bank that is in.
    pub fn follow(
        &self,
        changes_ms: &[i64],
        end_ms: i64,
        demand: impl Fn(i64) -> Complex,
    ) -> Timeline {
        let total: f64 = self.steps_var.iter().sum();
        let mut out = Timeline::new();
        let (mut steps_in, mut wanted) = (0usize, None::<(i64, bool)>);
        out.push(0, Activity::Run(0.0));
        for (k, &from) in changes_ms.iter().enumerate() {
            let to = changes_ms.get(k + 1).copied().unwrap_or(end_ms);
            let load = demand(from);
            let mut t = from;
            while t < to {
                let Some(more) = self.wants(load, steps_in) else {
                    wanted = None;
                    break;
                };
                let since = match wanted {
                    Some((since, same)) if same == more => since,
                    _ => t,
                };
                wanted = Some((since, more));
                let due = since + self.delay_ms;
                if due >= to {
                    break;
                }
                steps_in = if more { steps_in + 1 } else { steps_in - 1 };
                let var: f64 = self.steps_var[..steps_in].iter().sum();
                out.push(due, Activity::Run(var / total));
                wanted = None;
                t = due;
            }
        }
        out
    }

    /// Whether one more step (or one less) is wanted.
    fn wants(&self, load: Complex, steps_in: usize) -> Option<bool> {
        let (now, later) = self.steps_var.split_at(steps_in);
        let missing = load.im - now.iter().sum::<f64>() - load.re.max(0.0) * self.target_tan;
        if later.first().is_some_and(|next| missing > THRESHOLD * next) {
            return Some(true);
        }
        now.last().is_some_and(|last| -missing > THRESHOLD * last).then_some(false)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_follow_with_their_delay() {
        let c =
            Controller { steps_var: vec![10e3, 10e3, 20e3], target_tan: 0.33, delay_ms: 40_000 };
        // 60 kW with 50 kvar from 100 s on, for 300 s: 30.2 kvar are missing, so two steps of
        // 10 kvar; of the third only 10.2 of 20 kvar are missing, which is too little.
        let demand = |t: i64| {
            if (100_000..400_000).contains(&t) { Complex::new(60e3, 50e3) } else { Complex::ZERO }
        };
        let t = c.follow(&[0, 100_000, 400_000], 1_000_000, demand);
        let times: Vec<i64> = t.times().collect();
        assert_eq!(times, [0, 140_000, 180_000, 440_000, 480_000]);
        assert_eq!(t.at(139_999), Activity::Run(0.0));
        assert_eq!(t.at(140_000), Activity::Run(0.25));
        assert_eq!(t.at(180_000), Activity::Run(0.5));
        assert_eq!(t.at(480_000), Activity::Run(0.0));
    }

    #[test]
    fn a_demand_shorter_than_the_delay_switches_nothing() {
        let c = Controller { steps_var: vec![10e3], target_tan: 0.0, delay_ms: 40_000 };
        let demand =
            |t: i64| Complex::new(0.0, if (10_000..45_000).contains(&t) { 50e3 } else { 0.0 });
        let t = c.follow(&[0, 10_000, 45_000], 100_000, demand);
        assert_eq!(t.times().count(), 1);
    }
}
