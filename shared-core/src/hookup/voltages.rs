//! What the voltages say by themselves: polarity, rotation, star point, missing and doubled leads.

use super::channels::Channels;
use super::connection::{V, home, pick, used, weighted};
use super::{HookupInput, Reason};
use crate::complex::Complex;
use crate::frame::Channel;
use crate::sequence::{Components, Rotation};
use crate::wiring::Wiring;

/// Above this ratio of the smaller to the larger rotating part the voltages are no set.
const SET_LIMIT: f64 = 0.25;
/// Above this share of zero sequence a star point floats, if the lines are even.
const ZERO_LIMIT: f64 = 0.06;
/// Above this share of negative sequence something is wrong with a voltage.
const NEGATIVE_LIMIT: f64 = 0.08;
/// Magnitudes within these ratios of the middle one are a supply's own.
const EVEN: core::ops::Range<f64> = 0.85..1.18;
/// Readings within these ratios of the expected voltage are a supply's own.
const EXPECTED: core::ops::Range<f64> = 0.85..1.15;
/// Two leads nearer than this share of a voltage read the same line.
const SAME_SHARE: f64 = 0.08;

/// The voltages as a set of phases.
#[derive(Clone, Copy, Debug)]
pub(super) struct VoltagePicture {
    /// Voltage of each phase position, leads turned back where they were reversed.
    pub(super) phases: [Complex; 3],
    /// Which leads stand against the others; the opposite of all is the same picture.
    pub(super) turned: [bool; 3],
    /// Direction in which the positions turn.
    pub(super) rotation: Option<Rotation>,
    /// Whether something about the voltages must be mended or doubted.
    pub(super) trouble: Trouble,
}

/// How bad the voltages are.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Trouble {
    None,
    Doubtful,
    Wrong,
}

/// The voltage of each phase position from channel phasors, some of them turned.
pub(super) fn star(wiring: Wiring, v: &[Complex; 3], turned: &[bool; 3]) -> [Complex; 3] {
    weighted(&wiring.phase_voltages(), 0, v, turned)
}

/// Every choice of turned channels among the used ones, fewest turned first.
pub(super) fn turnings(used: [bool; 3]) -> impl Iterator<Item = [bool; 3]> {
    [0u8, 1, 2, 4, 3, 5, 6, 7]
        .into_iter()
        .map(|bits| [bits & 1 != 0, bits & 2 != 0, bits & 4 != 0])
        .filter(move |t| t.iter().zip(used).all(|(t, u)| u || !t))
}

/// How far phase voltages are from a balanced set of `n`: 0 balanced, 0.5 and more with a
/// lead turned. Directions alone may be the set: a wrong ratio turns nothing.
fn distance(wiring: Wiring, v: &[Complex; 3], turned: &[bool; 3]) -> f64 {
    let as_read = distance_as_read(wiring, v, turned);
    if wiring == Wiring::FourWire {
        let directions = v.map(|x| x.scale(1.0 / x.abs()));
        as_read.min(distance_as_read(wiring, &directions, turned))
    } else {
        as_read
    }
}

fn distance_as_read(wiring: Wiring, v: &[Complex; 3], turned: &[bool; 3]) -> f64 {
    let w = star(wiring, v, turned);
    let [a, b, c] = w;
    match wiring.phases() {
        1 => 0.0,
        2 => (a + b).abs() / (a.abs() + b.abs()),
        _ => {
            let parts = Components::of([a, b, c]);
            let (p, n) = (parts.positive.abs(), parts.negative.abs());
            let uneven = p.min(n) / p.max(n);
            if wiring != Wiring::ThreeWireLine {
                return uneven;
            }
            // Line voltages must close a triangle, which the star voltages cannot show.
            let (mut sum, mut size) = (Complex::ZERO, 0.0);
            for (x, t) in v.iter().zip(turned) {
                sum += x.scale(if *t { -1.0 } else { 1.0 });
                size += x.abs();
            }
            uneven.max(sum.abs() / size)
        }
    }
}

/// Judges the voltages; `None` when they give no picture to judge currents by.
pub(super) fn judge(
    input: &HookupInput,
    c: &Channels,
    mut tell: impl FnMut(Reason),
) -> (Option<VoltagePicture>, Trouble) {
    let wiring = input.wiring;
    let used = used(wiring, true);
    let alive = c.v_alive.iter().filter(|a| **a).count();
    if alive == 0 {
        tell(Reason::NoVoltage);
        return (None, Trouble::Doubtful);
    }
    let to_common = matches!(wiring, Wiring::ThreeWire | Wiring::TwoSensor);
    // Where any point may be the common one, a line's own lead may read zero against it.
    let one_at_common = to_common && alive == 2;
    if alive < used.iter().filter(|u| **u).count() && !one_at_common {
        for (lead, _) in
            V.into_iter().zip(used.iter().zip(c.v_alive)).filter(|(_, (u, a))| **u && !*a)
        {
            tell(Reason::VoltageMissing { lead, to: home(wiring, lead) });
        }
        return (None, Trouble::Wrong);
    }
    if let Some(reason) = doubled(wiring, &c.v) {
        tell(reason);
        return (None, Trouble::Wrong);
    }
    let mut best = ([false; 3], f64::INFINITY);
    for turned in turnings(used) {
        let d = distance(wiring, &c.v, &turned);
        if d < best.1 - 1e-9 {
            best = (turned, d);
        }
    }
    let (turned, d) = best;
    if d.is_nan() || d > SET_LIMIT {
        tell(Reason::VoltagesNoSet);
        return (None, Trouble::Wrong);
    }
    let mut trouble = Trouble::None;
    for (lead, _) in V.into_iter().zip(turned).filter(|(_, t)| *t) {
        tell(Reason::VoltageReversed(lead));
        trouble = Trouble::Wrong;
    }
    let mut phases = star(wiring, &c.v, &turned);
    let parts = Components::of(phases);
    let rotation = if wiring.phases() == 3 { parts.rotation() } else { None };
    if rotation == Some(Rotation::Negative) {
        tell(Reason::RotationNegative);
    }
    let main = parts.positive.abs().max(parts.negative.abs());
    let minor = parts.positive.abs().min(parts.negative.abs());
    let zero_share = parts.zero.abs() / main;
    if wiring == Wiring::FourWire && zero_share > ZERO_LIMIT && minor < 0.7 * ZERO_LIMIT * main {
        tell(Reason::NeutralMissing { zero_share });
        trouble = Trouble::Wrong;
        // Against the star point of the lines the currents can still be judged.
        phases = phases.map(|w| w - parts.zero);
    } else {
        let uneven =
            uneven_lead(&c.v, used).filter(|_| !to_common || minor > NEGATIVE_LIMIT * main);
        if let Some((lead, ratio)) = uneven {
            tell(Reason::VoltageUneven { lead, ratio });
            trouble = trouble.max(Trouble::Doubtful);
        } else if wiring.phases() == 3 && minor > NEGATIVE_LIMIT * main {
            tell(Reason::VoltagesNoSet);
            trouble = trouble.max(Trouble::Doubtful);
        }
    }
    if let Some(expected) = input.expected_v.filter(|e| *e > 0.0) {
        let read = if to_common { phases } else { c.v };
        for ((lead, x), _) in V.into_iter().zip(read).zip(used).filter(|(_, u)| *u) {
            let ratio = x.abs() / expected;
            if !EXPECTED.contains(&ratio) {
                tell(Reason::VoltageUnexpected { lead, ratio });
                let far = !(0.7..1.3).contains(&ratio);
                trouble = trouble.max(if far { Trouble::Wrong } else { Trouble::Doubtful });
            }
        }
    }
    (Some(VoltagePicture { phases, turned, rotation, trouble }), trouble)
}

/// Two leads on one line, where leads read lines one by one.
fn doubled(wiring: Wiring, v: &[Complex; 3]) -> Option<Reason> {
    if !matches!(wiring, Wiring::FourWire | Wiring::ThreeWire | Wiring::TwoSensor) {
        return None;
    }
    let size = v.iter().map(|x| x.abs()).fold(0.0, f64::max);
    for (a, b, other) in [(0, 1, 2), (1, 2, 0), (0, 2, 1)] {
        if (pick(v, a) - pick(v, b)).abs() > SAME_SHARE * size {
            continue;
        }
        // Which of the two is in place follows from the third, if the supply turns L1-L2-L3.
        let step = [0.0, -120.0, 120.0];
        let lag = pick(&step, (other + 3 - a) % 3);
        let turn = pick(v, other) * pick(v, a).conj();
        let agrees = (turn * Complex::unit(-lag * core::f64::consts::PI / 180.0)).re > 0.0;
        let (kept, lead) = if agrees { (a, b) } else { (b, a) };
        let channel = |k: usize| match k {
            0 => Channel::V1,
            1 => Channel::V2,
            _ => Channel::V3,
        };
        return Some(Reason::VoltagesSame {
            kept: channel(kept),
            lead: channel(lead),
            to: home(wiring, channel(lead)),
        });
    }
    None
}

/// The used channel whose magnitude is furthest from the middle one, if it is far.
pub(super) fn uneven_lead(x: &[Complex; 3], used: [bool; 3]) -> Option<(Channel, f64)> {
    uneven(x, used, EVEN).and_then(|(k, ratio)| V.get(k).map(|c| (*c, ratio)))
}

/// The used position whose magnitude is furthest outside the ratios of the middle one.
pub(super) fn uneven(
    x: &[Complex; 3],
    used: [bool; 3],
    even: core::ops::Range<f64>,
) -> Option<(usize, f64)> {
    let n = used.iter().filter(|u| **u).count();
    let size = x.map(|x| x.abs());
    let middle = match n {
        3 => {
            let [a, b, c] = size;
            f64::max(a.min(b), a.max(b).min(c))
        }
        // Of two, the larger one is as good as the smaller: call the smaller one odd.
        2 => size.iter().zip(used).filter(|(_, u)| *u).map(|(s, _)| *s).fold(0.0, f64::max),
        _ => return None,
    };
    let mut worst: Option<(usize, f64)> = None;
    for (k, (s, _)) in size.iter().zip(used).enumerate().filter(|(_, (_, u))| *u) {
        let ratio = s / middle;
        let off = |r: f64| libm::fabs(libm::log(r.max(1e-9)));
        if !even.contains(&ratio) && worst.is_none_or(|(_, w)| off(ratio) > off(w)) {
            worst = Some((k, ratio));
        }
    }
    worst
}
