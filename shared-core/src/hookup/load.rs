//! What a load looks like: angles of the phases, how well they agree, and what is possible.
//! Angles are of voltage before current in degrees: 0 to 90 consumes and lags.

use super::{HookupInput, LoadKind};
use crate::complex::Complex;
use core::f64::consts::PI;

/// Degrees in a radian.
pub(super) const DEG: f64 = 180.0 / PI;

/// Readings of one phase from fundamentals.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct PhaseLoad {
    /// Active power of the fundamental, in W.
    pub p1_w: f64,
    /// Reactive power of the fundamental, in var.
    pub q1_var: f64,
    /// RMS current of the fundamental, in A.
    pub i1_a: f64,
}

impl PhaseLoad {
    pub(super) fn of(v: Complex, i: Complex) -> Self {
        let s = v * i.conj();
        PhaseLoad { p1_w: s.re, q1_var: s.im, i1_a: i.abs() }
    }

    /// Displacement power factor; `None` without power.
    pub fn dpf(&self) -> Option<f64> {
        crate::correction::power_factor(self.p1_w, self.q1_var)
    }

    /// Angle of voltage before current in degrees, −180 to 180; `None` without power.
    pub fn phi_deg(&self) -> Option<f64> {
        (self.p1_w != 0.0 || self.q1_var != 0.0)
            .then(|| libm::atan2(self.q1_var, self.p1_w) * 180.0 / PI)
    }
}

/// Readings of all phases under a connection; totals are of the fundamental.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LoadPicture {
    /// L1 to L3, or the channels' positions; zeros where the wiring has no such phase.
    pub phases: [PhaseLoad; 3],
    /// How many phases count.
    pub count: usize,
    /// Lines that no clamp reads: their readings, and the totals, are not known.
    pub unknown: [bool; 3],
}

impl LoadPicture {
    /// Whether every phase is known, so that totals mean something.
    pub fn complete(&self) -> bool {
        !self.unknown.contains(&true)
    }

    /// Total active power, in W.
    pub fn p1_w(&self) -> f64 {
        self.phases.iter().map(|p| p.p1_w).sum()
    }

    /// Total reactive power, in var.
    pub fn q1_var(&self) -> f64 {
        self.phases.iter().map(|p| p.q1_var).sum()
    }

    /// The totals as one.
    pub fn total(&self) -> PhaseLoad {
        let i1_a = self.phases.iter().map(|p| p.i1_a).sum::<f64>() / self.count.max(1) as f64;
        PhaseLoad { p1_w: self.p1_w(), q1_var: self.q1_var(), i1_a }
    }
}

/// An angle brought to −180 (excluded) to 180.
pub(super) fn wrap(deg: f64) -> f64 {
    let turns = libm::floor((deg + 180.0) / 360.0);
    deg - 360.0 * turns
}

/// How the judged phases of a picture agree.
#[derive(Clone, Copy, Debug)]
pub(super) struct Agreement {
    /// The angle most of them agree on, in degrees.
    pub(super) centre_deg: f64,
    /// Largest difference between two of them, in degrees.
    pub(super) spread_deg: f64,
    /// Implausibility of the differences, in nats.
    pub(super) cost: f64,
    /// Smallest and largest angle, measured around the centre.
    pub(super) from_deg: f64,
    pub(super) to_deg: f64,
}

/// Phases agree when they lie within this: unbalance of a motor at light load reaches it.
const COHERENT_DEG: f64 = 30.0;
/// Ordinary difference of one phase's angle from the others.
const SIGMA_DEG: f64 = 10.0;

impl Agreement {
    pub(super) fn of(phi_deg: &[f64; 3], judged: [bool; 3]) -> Option<Self> {
        let angles = || phi_deg.iter().zip(judged).filter(|(_, j)| *j).map(|(a, _)| *a);
        let first = angles().next()?;
        let n = angles().count() as f64;
        // The sum of logarithms as one logarithm of a product.
        let product_at = |centre: f64| {
            angles()
                .map(|a| {
                    let d = wrap(a - centre) / SIGMA_DEG;
                    1.0 + d * d
                })
                .product::<f64>()
        };
        let mean = first + angles().map(|a| wrap(a - first)).sum::<f64>() / n;
        let mut centre = (mean, product_at(mean));
        for a in angles() {
            let product = product_at(a);
            // The mean is preferred: a single phase must be clearly the better centre.
            if product * 5.0 < centre.1 {
                centre = (a, product);
            }
        }
        let (centre_deg, cost) = (wrap(centre.0), 1.8 * libm::log(centre.1));
        let (mut from, mut to) = (f64::INFINITY, f64::NEG_INFINITY);
        for a in angles() {
            let d = wrap(a - centre_deg);
            from = from.min(d);
            to = to.max(d);
        }
        Some(Agreement {
            centre_deg,
            spread_deg: to - from,
            cost,
            from_deg: centre_deg + from,
            to_deg: centre_deg + to,
        })
    }

    pub(super) fn coherent(&self) -> bool {
        self.spread_deg <= COHERENT_DEG
    }
}

/// Whether a load at an angle is what is expected.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Zone {
    /// As expected of this kind of load.
    Expected,
    /// Odd but real loads do this: not to be blamed on the connection alone.
    Odd,
    /// No load of this kind does this.
    Refuted,
}

/// How far a load that nobody told of may lead: shifted by one line it looks like an idle motor.
pub(super) const LEADS_UNTOLD_DEG: f64 = -47.0;

/// The angles a kind of load can have. A shift of all clamps by one line turns by 120°, so
/// that a range of 120° or less never meets its own shifted copy.
fn expected_deg(kind: LoadKind) -> (f64, f64) {
    match kind {
        LoadKind::Unknown | LoadKind::Corrected => (-28.0, 91.0),
        LoadKind::Motor => (5.0, 92.0),
        LoadKind::MayLead => (-93.0, 92.0),
        LoadKind::Generating => (88.0, 272.0),
        LoadKind::Capacitor => (-100.0, -75.0),
    }
}

/// Zone and implausibility in nats of a load angle.
pub(super) fn zone(kind: LoadKind, phi_deg: f64) -> (Zone, f64) {
    let (from, to) = expected_deg(kind);
    let phi =
        if kind == LoadKind::Generating && phi_deg < -88.0 { phi_deg + 360.0 } else { phi_deg };
    if (from..=to).contains(&phi) {
        let unusual = kind == LoadKind::Unknown && phi < 10.0;
        return (Zone::Expected, if unusual { 1.0 } else { 0.0 });
    }
    match kind {
        LoadKind::Generating => return (Zone::Odd, 4.0),
        LoadKind::Capacitor => return (Zone::Refuted, 9.0),
        _ => {}
    }
    let leading = (-93.0..from).contains(&phi);
    let slightly_back = phi > to && phi <= 115.0;
    match kind {
        LoadKind::Motor if leading && phi < -5.0 => (Zone::Refuted, 9.0),
        LoadKind::Corrected | LoadKind::Motor if leading => (Zone::Odd, 3.0),
        _ if leading => (Zone::Odd, 5.0),
        _ if slightly_back => (Zone::Odd, 6.0),
        _ => (Zone::Refuted, 9.0),
    }
}

/// Whether every judged phase by itself is inside the expected range, whatever the others do.
pub(super) fn each_expected(kind: LoadKind, a: &Agreement) -> bool {
    let (from, to) = expected_deg(kind);
    let inside = |phi: f64| (from..=to - 3.0).contains(&wrap_from(phi, from));
    a.spread_deg < 180.0 && inside(a.from_deg) && inside(a.to_deg)
}

/// An angle brought into the turn that starts at `from`.
fn wrap_from(deg: f64, from: f64) -> f64 {
    deg - 360.0 * libm::floor((deg - from) / 360.0)
}

/// No-load current over the reactive current at full load, from stiff to weak magnetising.
const NO_LOAD_SHARES: (f64, f64) = (0.55, 0.95);

/// Smallest and largest load angle in degrees of an uncorrected induction motor at a current.
///
/// `ratio` is line current over rated current. The model: reactive current rises with
/// the square of the active current from a no-load value of 55 to 95 % of the full-load
/// reactive current (common practice). Below the smallest no-load current both are near 90°.
pub fn motor_angle_band_deg(ratio: f64, rated_pf: f64) -> (f64, f64) {
    let pf = rated_pf.clamp(0.3, 0.99);
    let q = libm::sqrt(1.0 - pf * pf);
    let (low, high) = NO_LOAD_SHARES;
    (angle_at(ratio, pf, q, low * q), angle_at(ratio, pf, q, high * q))
}

fn angle_at(ratio: f64, pf: f64, q: f64, no_load: f64) -> f64 {
    const LIGHTEST_DEG: f64 = 87.0;
    // x is the square of the active current over its rated value.
    let (a, b) = ((q - no_load) * (q - no_load), pf * pf + 2.0 * no_load * (q - no_load));
    let c = no_load * no_load - ratio * ratio;
    if c >= 0.0 {
        return LIGHTEST_DEG;
    }
    let x = 2.0 * -c / (b + libm::sqrt(b * b - 4.0 * a * c));
    let reactive = no_load + (q - no_load) * x;
    let active = pf * libm::sqrt(x);
    (libm::atan2(reactive, active) * 180.0 / PI).min(LIGHTEST_DEG)
}

/// What the size of the current says: against the rated current, or the sensor's range.
#[derive(Clone, Copy, Debug)]
pub(super) struct Level {
    /// Current over rated current, or over range; whether it is the former. `None`: unknown.
    pub(super) ratio: Option<(f64, bool)>,
    /// Angles that suit a motor, in degrees, and how much an angle below or above can cost.
    band_deg: (f64, f64),
    limits: (f64, f64),
}

impl Level {
    pub(super) fn of(input: &HookupInput, mean_a: f64, range_a: f64) -> Self {
        const LIGHT_SHARE: f64 = 0.25;
        const TOLERANCE_DEG: f64 = 4.0;
        let mut level = Level { ratio: None, band_deg: (0.0, 0.0), limits: (0.0, 0.0) };
        let no_motor = matches!(input.load, LoadKind::Generating | LoadKind::Capacitor);
        let (low_ratio, high_ratio, pf, limit) = match input.nameplate {
            Some(n) if n.rated_a > 0.0 => {
                let ratio = mean_a / n.rated_a;
                level.ratio = Some((ratio, true));
                (ratio * 0.95, ratio * 1.05, n.rated_pf.filter(|pf| *pf > 0.0), 8.0)
            }
            // A sensor is chosen for a rated current of 45 to 130 % of its range, common practice.
            _ if range_a > 0.0 => {
                let share = mean_a / range_a;
                level.ratio = Some((share, false));
                (share / 1.3, share / 0.45, None, 4.0)
            }
            _ => return level,
        };
        let starting = matches!(level.ratio, Some((ratio, true)) if ratio > 1.5);
        if no_motor || starting {
            return level;
        }
        // Capacitors explain a high power factor at part load more often than four mistakes
        // do, unless the load is so light that an idle motor is the likelier load.
        let part_load = matches!(level.ratio, Some((share, false)) if share > LIGHT_SHARE);
        let below = match input.load {
            LoadKind::Corrected | LoadKind::MayLead => 0.0,
            LoadKind::Motor => limit,
            _ if part_load => 2.0,
            _ => f64::min(limit, 4.0),
        };
        level.limits = (below, limit);
        level.band_deg = (
            motor_angle_band_deg(high_ratio, pf.unwrap_or(0.92)).0 - TOLERANCE_DEG,
            motor_angle_band_deg(low_ratio, pf.unwrap_or(0.75)).1 + TOLERANCE_DEG,
        );
        level
    }

    /// How little the angle suits a motor at this current, in nats.
    pub(super) fn cost(&self, phi_deg: f64) -> f64 {
        const SOFT_DEG: f64 = 4.0;
        if !(-93.0..=115.0).contains(&phi_deg) {
            return 0.0;
        }
        let soft = |d: f64, limit: f64| {
            let d = d.max(0.0) / SOFT_DEG;
            (0.5 * d * d).min(limit)
        };
        let (low, high) = self.band_deg;
        soft(low - phi_deg, self.limits.0).max(soft(phi_deg - high, self.limits.1))
    }
}

/// How little the change from one load point to another suits a load that rises or falls.
///
/// Between two loads a motor's active power changes most and its reactive power little,
/// whatever its power factor: the change points between −15° and 50°.
pub(super) fn change_cost(kind: LoadKind, before: &LoadPicture, after: &LoadPicture) -> f64 {
    let mut change = Complex::new(after.p1_w() - before.p1_w(), after.q1_var() - before.q1_var());
    let size: f64 =
        before.phases.iter().map(|p| libm::sqrt(p.p1_w * p.p1_w + p.q1_var * p.q1_var)).sum();
    if change.abs() <= 0.08 * size {
        return 0.0;
    }
    // A falling load is a rising one seen backwards; current tells which it is, except
    // where capacitors make it rise again towards no load.
    let (now, then) = (after.total().i1_a, before.total().i1_a);
    if kind == LoadKind::Capacitor {
        return 0.0;
    }
    let by_current = !matches!(kind, LoadKind::Corrected | LoadKind::MayLead);
    if by_current && libm::fabs(now - then) < 0.02 * then {
        return 0.0;
    }
    if if by_current { now < then } else { (change.re < 0.0) != (kind == LoadKind::Generating) } {
        change = change.scale(-1.0);
    }
    if kind == LoadKind::Generating {
        change = change.scale(-1.0);
    }
    let phi = change.arg() * 180.0 / PI;
    let out = f64::max(-15.0 - phi, phi - 50.0).max(0.0) / 8.0;
    (0.5 * out * out).min(8.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A 3 hp, 4-pole, 460 V motor's data sheet: PF 0.87, 0.82, 0.72 at full, 3/4 and 1/2 load
    /// with efficiencies 89.5, 90.5, 89.0 % and 3.6 A at full load.
    #[test]
    fn band_holds_a_published_motor() {
        for (load, pf, eff) in [(1.0, 0.87, 0.895), (0.75, 0.82, 0.905), (0.5, 0.72, 0.89)] {
            let i = 2240.0 * load / eff / pf / (libm::sqrt(3.0) * 460.0);
            let phi = libm::acos(pf) * 180.0 / PI;
            let (low, high) = motor_angle_band_deg(i / 3.61, 0.87);
            assert!(low - 1.0 <= phi && phi <= high + 1.0, "{load}: {low} {phi} {high}");
        }
    }

    /// Bands of typical motors: no load PF 0.1 to 0.2, half 0.75, three quarters 0.85, full 0.90.
    #[test]
    fn band_follows_load() {
        let (low, high) = motor_angle_band_deg(0.3, 0.87);
        assert!(low > 55.0 && high > 85.0);
        let (low, high) = motor_angle_band_deg(1.0, 0.87);
        assert!((low - 29.5).abs() < 0.1 && (high - 29.5).abs() < 0.1);
    }

    #[test]
    fn angles_wrap() {
        assert_eq!(wrap(190.0), -170.0);
        assert_eq!(wrap(-190.0), 170.0);
        assert_eq!(wrap(540.0), -180.0);
    }
}
