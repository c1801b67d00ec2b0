//! What single channels say before any picture is made of them: dead, weak, clipped.

use super::connection::used;
use super::{HookupInput, Reason};
use crate::complex::Complex;
use crate::frame::{ACTIVE, Channel};

/// Below this share of its range (as RMS) a current cannot be judged by its angle.
const JUDGE_SHARE: f64 = 0.01;
/// Below this share of the largest current a clamp counts as carrying too little.
const JUDGE_OF_LARGEST: f64 = 0.02;
/// Below this share of the largest voltage, or of expectation, a voltage is missing. Another
/// lead that reads ten times too much must not make the true ones look dead.
const DEAD_OF_LARGEST: f64 = 0.08;
/// Below this share of its range a voltage is missing.
const DEAD_SHARE: f64 = 0.02;
/// Below this share of true RMS a fundamental is noise.
const PURE_SHARE: f64 = 0.35;
/// RMS above this share of a full-scale sine is near the end of the range.
const NEAR_END: f64 = 0.8;

/// DC above this share of a channel's RMS is told.
const DC_SHARE: f64 = 0.01;

/// The six channels with what can be used of them.
#[derive(Clone, Copy, Debug)]
pub(super) struct Channels {
    pub(super) v: [Complex; 3],
    pub(super) i: [Complex; 3],
    /// Used voltage channels that carry a voltage.
    pub(super) v_alive: [bool; 3],
    /// Used current channels whose angle means something.
    pub(super) i_judged: [bool; 3],
}

fn finite(x: Complex) -> Complex {
    if x.re.is_finite() && x.im.is_finite() { x } else { Complex::ZERO }
}

/// Voltages and currents of the channels.
pub(super) fn halves<T: Copy>(x: &[T; ACTIVE]) -> ([T; 3], [T; 3]) {
    let [a, b, c, d, e, f] = *x;
    ([a, b, c], [d, e, f])
}

impl Channels {
    pub(super) fn of(input: &HookupInput) -> Self {
        let (v, i) = halves(&input.phasors.map(finite));
        let (v_rms, i_rms) = halves(&input.rms);
        let (v_range, i_range) = halves(&input.range_rms);
        let pure = |x: Complex, rms: f64| x.abs() > 0.0 && x.abs() >= PURE_SHARE * positive(rms);
        let largest = |x: &[Complex; 3], used: [bool; 3]| {
            x.iter().zip(used).filter(|(_, u)| *u).map(|(x, _)| x.abs()).fold(0.0, f64::max)
        };
        let (v_used, i_used) = (used(input.wiring, true), used(input.wiring, false));
        let v_floor = f64::max(
            DEAD_OF_LARGEST * largest(&v, v_used),
            DEAD_OF_LARGEST * input.expected_v.unwrap_or(0.0),
        );
        let i_floor = JUDGE_OF_LARGEST * largest(&i, i_used);
        let mut c = Channels { v, i, v_alive: [false; 3], i_judged: [false; 3] };
        for (k, alive) in c.v_alive.iter_mut().enumerate() {
            let (x, rms, range) = (at(&v, k), at(&v_rms, k), positive(at(&v_range, k)));
            *alive = at(&v_used, k) && pure(x, rms) && x.abs() >= v_floor.max(DEAD_SHARE * range);
        }
        for (k, judged) in c.i_judged.iter_mut().enumerate() {
            let (x, rms, range) = (at(&i, k), at(&i_rms, k), positive(at(&i_range, k)));
            *judged = at(&i_used, k) && pure(x, rms) && x.abs() >= i_floor.max(JUDGE_SHARE * range);
        }
        c
    }
}

fn at<T: Copy + Default>(x: &[T; 3], k: usize) -> T {
    super::connection::pick(x, k)
}

fn positive(x: f64) -> f64 {
    if x.is_finite() && x > 0.0 { x } else { 0.0 }
}

/// Reasons that clipped inputs give.
pub(super) fn clipped(input: &HookupInput) -> impl Iterator<Item = Reason> {
    let uses = input.wiring.uses();
    let clipped = input.clipped;
    Channel::ALL
        .into_iter()
        .zip(uses.into_iter().zip(clipped))
        .filter(|(_, (used, clipped))| *used && *clipped)
        .map(|(c, _)| Reason::Clipped(c))
}

/// Reasons that DC beside the waves gives.
pub(super) fn with_dc(input: &HookupInput) -> impl Iterator<Item = Reason> {
    let shares = core::array::from_fn::<f64, ACTIVE, _>(|k| {
        let number = |x: &[f64; ACTIVE]| x.get(k).copied().unwrap_or_default();
        number(&input.dc) / number(&input.rms)
    });
    Channel::ALL
        .into_iter()
        .zip(input.wiring.uses().into_iter().zip(shares))
        .filter(|(_, (used, share))| *used && share.is_finite() && libm::fabs(*share) > DC_SHARE)
        .map(|(lead, (_, share))| Reason::DcOffset { lead, share })
}

/// Which channels a remark "some voltage (current) was clipped" means: those near their range,
/// or the nearest one.
pub(super) fn likely_clipped(
    rms: &[f64; ACTIVE],
    range: &[f64; ACTIVE],
    voltages: bool,
    currents: bool,
) -> [bool; ACTIVE] {
    let mut out = [false; ACTIVE];
    for (group, remark) in [(true, voltages), (false, currents)] {
        if !remark {
            continue;
        }
        let share = |c: Channel| {
            let (rms, range) = (rms.get(c.slot()), range.get(c.slot()));
            match (rms, range) {
                (Some(x), Some(r)) if *r > 0.0 => x / r,
                _ => 0.0,
            }
        };
        let members = || Channel::ALL.into_iter().filter(move |c| c.is_voltage() == group);
        let top = members().map(share).fold(0.0, f64::max);
        for c in members() {
            if let Some(o) = out.get_mut(c.slot()) {
                *o = share(c) >= f64::min(NEAR_END, top);
            }
        }
    }
    out
}
