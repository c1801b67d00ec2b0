//! Signs of resonance: voltage and current of one harmonic order rise together.
//!
//! A capacitor and the supply's inductance resonate near one order; there, current drawn by
//! the bank and the voltage it makes grow at the same time. A load that merely injects more
//! raises both as well, but on a stiff supply hardly the voltage. So both must stand well above
//! what was usual at that order, and the voltage must matter.

use super::gate::{Side, Times};
use super::judge::Judge;
use super::{AlarmTerms, Kind, Observed};
use wattless_core::record::ORDERS;

/// Running time to learn what is usual, in seconds.
const LEARN_S: f64 = 2.0 * 86_400.0;

/// A harmonic voltage below this share of the fundamental does not matter here.
const VOLTAGE_COUNTS: f64 = 0.02;

/// Names of the orders that records keep, [`ORDERS`].
const ORDER_NAMES: [&str; ORDERS.len()] = ["order 3", "order 5", "order 7", "order 11", "order 13"];

/// How far above the usual both must be.
const RISE: f64 = 1.5;

/// What is usual of one order: a level that 99 % of the time lies below.
#[derive(Clone, Copy, Debug, Default)]
struct Usual {
    level: f64,
}

impl Usual {
    /// Moves towards the 99 % point: up 99 times as fast as down (stochastic approximation).
    fn take(&mut self, value: f64, share: f64) {
        if self.level == 0.0 {
            self.level = value;
        }
        let step = share * self.level.max(1e-4);
        self.level += if value > self.level { 0.99 * step } else { -0.01 * step };
    }
}

/// Rules of the harmonics.
#[derive(Clone, Default)]
pub struct HarmonicRules {
    learnt_s: f64,
    v: [Usual; ORDERS.len()],
    i: [Usual; ORDERS.len()],
}

impl HarmonicRules {
    pub(super) fn take(&mut self, o: &Observed, t: &AlarmTerms, judge: &mut Judge) {
        let h = &o.record.harmonics;
        if !o.is_loaded(t.counts_from_share) {
            return;
        }
        let armed = self.learnt_s >= LEARN_S;
        self.learnt_s += o.seconds;
        for (k, order) in ORDERS.iter().enumerate() {
            // Amperes, not a share of the fundamental, which falls when the load does.
            let amps = f64::from(h.i_orders[k]) * mean_current_a(o);
            let volts = f64::from(h.v_orders[k]);
            if !amps.is_finite() || !volts.is_finite() {
                continue;
            }
            let both = (volts / (RISE * self.v[k].level).max(VOLTAGE_COUNTS))
                .min(amps / (RISE * self.i[k].level).max(1e-9));
            let side = if armed { Side::above(Some(both), 1.0, 0.85) } else { Side::Unknown };
            if side != Side::Bad {
                let share = (o.seconds / 7200.0).min(0.2);
                self.v[k].take(volts, share);
                self.i[k].take(amps, share);
            }
            let (v_usual, i_usual) = (self.v[k].level, self.i[k].level);
            let times = Times::new(3.0 * t.hold_s, 3.0 * t.rest_s);
            judge.condition(Kind::Resonance, ORDER_NAMES[k], side, times, || {
                format!(
                    "Order {order}: voltage {:.1} %, usually below {:.1} %; current {amps:.1} A, \
                     usually below {i_usual:.1} A",
                    100.0 * volts,
                    100.0 * v_usual
                )
            });
        }
    }
}

/// Mean RMS current of the phases.
fn mean_current_a(o: &Observed) -> f64 {
    let n = o.record.wiring.phases().max(1);
    let sum: f64 = o.record.phases.iter().take(n).map(|p| f64::from(p.i_rms_a)).sum();
    sum / n as f64
}
