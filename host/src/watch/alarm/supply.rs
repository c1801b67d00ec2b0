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

/// The star point this far off the middle, as a share of the phase voltage, is a neutral that does
/// not hold it; it is well below the second (common practice: a sound one keeps within 2 %).
const NEUTRAL_OFF: f64 = 0.08;
const NEUTRAL_WELL: f64 = 0.05;

/// Line voltages are whole while the negative sequence is below this share of the positive, or the
/// voltage of both halves within this share of what it was.
const LINES_WHOLE: f64 = 0.1;

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

/// What the voltages of one record say of neutral and lines.
struct Star {
    /// How far the star point is off the middle, as a share of the phase voltage.
    off: f64,
    /// Voltage that stands for that of the lines, in V.
    lines_v: f64,
    /// Negative over positive sequence of the lines; 0 for two halves, which have none.
    lines_apart: f64,
}

impl Star {
    /// Of wirings that see a neutral; none for others, or without voltage.
    fn of(wiring: Wiring, v: &[Complex; 3]) -> Option<Star> {
        let star = match wiring {
            Wiring::FourWire => {
                let parts = Components::of(*v);
                let (a, b) = (parts.positive.abs(), parts.negative.abs());
                // Voltages that turn the other way are as good.
                let (more, less) = (a.max(b), a.min(b));
                Star { off: parts.zero.abs() / more, lines_v: more, lines_apart: less / more }
            }
            Wiring::SplitPhase => {
                let whole = (v[0] - v[1]).abs();
                Star { off: (v[0] + v[1]).abs() / whole, lines_v: whole, lines_apart: 0.0 }
            }
            _ => return None,
        };
        (star.off + star.lines_apart).is_finite().then_some(star)
    }
}

/// Rules of the supply.
#[derive(Clone, Default)]
pub struct SupplyRules {
    /// Voltage of the lines when the neutral last held the star point, in V; none before.
    held_v: Option<f64>,
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
        let moved = self.neutral(o, t, off, judge);
        // One phase has no other to be held against.
        let reference = o.nominal_v.or((n > 1).then_some(highest));
        let is_lost = |v: f64| reference.is_some_and(|r| v < LOST_SHARE * r) && !moved;
        let any_lost = off || volts.iter().any(|v| is_lost(*v));
        // Without neutral, a phase that is gone pulls the star point with it.
        let star_known =
            !any_lost || matches!(o.record.wiring, Wiring::FourWire | Wiring::SplitPhase);
        for (k, v) in volts.iter().copied().enumerate() {
            let Some(reference) = reference else { break };
            let lost = is_lost(v);
            let good = (1.0 - t.voltage_band_pct / 100.0).min(0.9) * reference;
            let side = match off || moved || (!lost && !star_known) {
                true => Side::Unknown,
                false => Side::below(Some(v), LOST_SHARE * reference, good),
            };
            judge.condition(Kind::PhaseLost, PHASES[k], side, lost_times, || match o.nominal_v {
                Some(nominal) => against(v, nominal),
                None => format!("{v:.1} V, while another phase has {highest:.1} V"),
            });
            if let Some(nominal) = o.nominal_v {
                // A phase that is gone is not also "low".
                let v = (!lost && !off && star_known).then_some(v);
                SupplyRules::band(k, v, nominal, t, judge);
            }
        }
        if n == 3 {
            self.unbalance(o, t, any_lost, judge);
            self.currents(o, t, any_lost, judge);
        }
    }

    /// Whether the star point has left the middle, where a neutral held it before, while the lines
    /// are whole: a phase that is gone moves both.
    fn neutral(&mut self, o: &Observed, t: &AlarmTerms, off: bool, judge: &mut Judge) -> bool {
        let (v, _) = phasors(o.record.wiring, &o.record.channels);
        let known = !off && !o.record.flags.contains(Flags::NO_FUNDAMENTAL);
        let Some(star) = Star::of(o.record.wiring, &v).filter(|_| known) else { return false };
        let as_before = |held: f64| libm::fabs(star.lines_v / held - 1.0) < LINES_WHOLE;
        let whole = star.lines_apart < LINES_WHOLE && self.held_v.is_none_or(as_before);
        if whole && star.off < NEUTRAL_WELL {
            self.held_v = Some(star.lines_v);
        }
        let told = whole && self.held_v.is_some();
        let side = Side::above(told.then_some(star.off), NEUTRAL_OFF, NEUTRAL_WELL);
        let times = Times::new(LOST_HOLD_S, t.rest_s);
        judge.condition(Kind::NeutralLost, WHOLE, side, times, || {
            let n = o.record.wiring.phases();
            let volts: Vec<String> = v[..n].iter().map(|v| format!("{:.1}", v.abs())).collect();
            format!(
                "{} V against neutral, while the voltages between lines are whole: the star point \
                 is {:.0} % off the middle",
                volts.join(", "),
                100.0 * star.off
            )
        });
        side == Side::Bad
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
            // Of a phase without voltage that one alarm is enough.
            let share = if known && !lost && others > 0.0 { amps[k] / others } else { f64::NAN };
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
                format!(
                    "{a:.1}, {b:.1} and {c:.1} A at {:.1} kW; if the motors run well, the clamp of \
                     {} is off",
                    o.p_w / 1e3,
                    PHASES[k]
                )
            });
        }
    }
}

fn against(v: f64, nominal: f64) -> String {
    let off = 100.0 * (v / nominal - 1.0);
    format!("{v:.1} V against {nominal:.1} V nominal ({off:+.1} %)")
}
