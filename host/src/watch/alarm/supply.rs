//! Conditions of the supply that one record shows: voltages, their balance, a phase that is gone.

use super::gate::{Side, Times};
use super::judge::{Judge, PHASES, WHOLE};
use super::{AlarmTerms, Kind, Observed};
use wattless_core::complex::Complex;
use wattless_core::flags::Flags;
use wattless_core::frame::ACTIVE;
use wattless_core::sequence::Components;
use wattless_core::wiring::Wiring;

/// A phase below this share of nominal, or of the highest phase, is lost (common practice).
const LOST_SHARE: f64 = 0.5;

/// Below this share of nominal on every phase the feeder is switched off.
const OFF_SHARE: f64 = 0.1;

/// The same where nominal is not known, in V.
const OFF_V: f64 = 20.0;

/// A phase's current below this share of the others' mean carries nothing.
const NO_CURRENT_SHARE: f64 = 0.05;

/// A phase that usually has at least this share of the others' mean is missed when it has none.
const CARRIES_SHARE: f64 = 0.4;

/// Share of the usual peak from which currents are held against each other: below it a few loads
/// on one phase make any feeder unbalanced, and no motor warm.
const UNBALANCE_SHARE: f64 = 0.5;

/// Seconds that a lost phase must hold: motors on two phases burn within minutes.
const LOST_HOLD_S: f64 = 60.0;

/// Phasors of the phases: voltages against neutral or star point, then currents.
pub(super) fn phasors(
    wiring: Wiring,
    channels: &[[f32; 2]; ACTIVE],
) -> ([Complex; 3], [Complex; 3]) {
    let sum = |weights: [f64; ACTIVE]| {
        channels.iter().zip(weights).fold(Complex::ZERO, |s, (c, w)| {
            s + Complex::new(f64::from(c[0]), f64::from(c[1])).scale(w)
        })
    };
    (wiring.phase_voltages().map(sum), wiring.phase_currents().map(sum))
}

/// Rules of the supply.
#[derive(Clone, Default)]
pub struct SupplyRules {
    /// Usual share of each phase's current in the mean of the others, under load.
    carries: [f64; 3],
}

impl SupplyRules {
    pub(super) fn take(&mut self, o: &Observed, t: &AlarmTerms, judge: &mut Judge) {
        let n = o.record.wiring.phases();
        let volts: Vec<f64> =
            o.record.phases.iter().take(n).map(|p| f64::from(p.v_rms_v)).collect();
        let highest = volts.iter().copied().fold(0.0, f64::max);
        let off_v = o.nominal_v.map_or(OFF_V, |v| OFF_SHARE * v);
        let off = volts.iter().all(|v| *v < off_v);
        let lost_times = Times::new(LOST_HOLD_S, t.rest_s);
        judge.condition(Kind::NoVoltage, WHOLE, Side::of(off), lost_times, || {
            format!("{highest:.1} V on the highest phase")
        });
        // One phase has no other to be held against.
        let reference = o.nominal_v.or((n > 1).then_some(highest));
        let mut any_lost = off;
        for (k, v) in volts.iter().copied().enumerate() {
            let Some(reference) = reference else { break };
            let lost = v < LOST_SHARE * reference;
            any_lost |= lost;
            let good = (1.0 - t.voltage_band_pct / 100.0).min(0.9) * reference;
            let side = match off {
                true => Side::Unknown,
                false => Side::below(Some(v), LOST_SHARE * reference, good),
            };
            judge.condition(Kind::PhaseLost, PHASES[k], side, lost_times, || match o.nominal_v {
                Some(nominal) => against(v, nominal),
                None => format!("{v:.1} V, while another phase has {highest:.1} V"),
            });
            if let Some(nominal) = o.nominal_v {
                // A phase that is gone is not also "low".
                let v = (!lost && !off).then_some(v);
                SupplyRules::band(k, v, nominal, t, judge);
            }
        }
        if n == 3 {
            self.unbalance(o, t, any_lost, judge);
            self.currents(o, t, any_lost, judge);
        }
    }

    fn band(k: usize, v: Option<f64>, nominal: f64, t: &AlarmTerms, judge: &mut Judge) {
        let times = Times::new(t.hold_s, t.rest_s);
        let band = t.voltage_band_pct / 100.0;
        let words = || against(v.unwrap_or(0.0), nominal);
        let low = (1.0 - band) * nominal;
        let side = Side::below(v, low, low + 0.01 * nominal);
        judge.condition(Kind::VoltageLow, PHASES[k], side, times, words);
        let high = (1.0 + band) * nominal;
        let side = Side::above(v, high, high - 0.01 * nominal);
        judge.condition(Kind::VoltageHigh, PHASES[k], side, times, words);
    }

    fn unbalance(&self, o: &Observed, t: &AlarmTerms, lost: bool, judge: &mut Judge) {
        let (v, _) = phasors(o.record.wiring, &o.record.channels);
        let known = !lost && !o.record.flags.contains(Flags::NO_FUNDAMENTAL);
        // Voltages that turn the other way are no unbalance.
        let u2 = Components::of(v).negative_ratio().filter(|_| known);
        let u2 = u2.map(|r| 100.0 * r.min(1.0 / r));
        let limit = t.voltage_unbalance_pct;
        let side = Side::above(u2, limit, 0.9 * limit);
        let times = Times::new(t.hold_s, t.rest_s);
        judge.condition(Kind::VoltageUnbalance, WHOLE, side, times, || {
            let [a, b, c] = v.map(Complex::abs);
            format!(
                "Negative sequence {:.1} % of the positive; limit {limit:.1} %. {a:.1}, {b:.1} \
                 and {c:.1} V",
                u2.unwrap_or(0.0)
            )
        });
    }

    /// Unbalance of the currents, and one that is gone while its voltage, which running motors
    /// keep up, is not.
    fn currents(&mut self, o: &Observed, t: &AlarmTerms, lost: bool, judge: &mut Judge) {
        let amps = o.record.phases.each_ref().map(|p| f64::from(p.i_rms_a));
        let loaded = o.is_loaded(t.counts_from_share);
        let mean = (amps[0] + amps[1] + amps[2]) / 3.0;
        let known = loaded && mean > 0.0;
        let off = amps.iter().map(|a| libm::fabs(a - mean)).fold(0.0, f64::max);
        let counts = known && !lost && o.is_loaded(UNBALANCE_SHARE.max(t.counts_from_share));
        let pct = counts.then_some(100.0 * off / mean);
        let limit = t.current_unbalance_pct;
        let times = Times::new(t.hold_s, t.rest_s);
        let [a, b, c] = amps;
        let side = Side::above(pct, limit, 0.9 * limit);
        judge.condition(Kind::CurrentUnbalance, WHOLE, side, times, || {
            format!(
                "{a:.1}, {b:.1} and {c:.1} A: {:.0} % off their mean; limit {limit:.0} %",
                pct.unwrap_or(0.0)
            )
        });
        for k in 0..3 {
            let others = (amps[(k + 1) % 3] + amps[(k + 2) % 3]) / 2.0;
            let share = if known && others > 0.0 { amps[k] / others } else { f64::NAN };
            let gone = share < NO_CURRENT_SHARE;
            let side = match (share.is_nan(), gone) {
                (true, _) => Side::Unknown,
                (false, true) if self.carries[k] >= CARRIES_SHARE => Side::Bad,
                (false, true) => Side::Unknown,
                (false, false) => Side::above(Some(-share), f64::INFINITY, -0.2),
            };
            if !share.is_nan() && !gone {
                let pace = (o.seconds / 86_400.0).min(0.1);
                let from = if self.carries[k] == 0.0 { share } else { self.carries[k] };
                self.carries[k] = from + pace * (share - from);
            }
            let part = ["current L1", "current L2", "current L3"][k];
            judge.condition(Kind::PhaseLost, part, side, Times::new(LOST_HOLD_S, t.rest_s), || {
                format!("{a:.1}, {b:.1} and {c:.1} A at {:.1} kW", o.p_w / 1e3)
            });
        }
    }
}

fn against(v: f64, nominal: f64) -> String {
    let off = 100.0 * (v / nominal - 1.0);
    format!("{v:.1} V against {nominal:.1} V nominal ({off:+.1} %)")
}
