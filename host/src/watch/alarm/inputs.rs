//! Conditions of the node's own inputs: clipped, samples lost, a connection that changed.

use super::gate::{Side, Times};
use super::judge::{Judge, PHASES, WHOLE};
use super::supply::phasors;
use super::{AlarmTerms, Kind, Observed};
use wattless_core::complex::Complex;
use wattless_core::flags::Flags;
use wattless_core::frame::ACTIVE;
use wattless_core::hookup::{self, HookupInput, LoadKind, Verdict};
use wattless_core::wiring::Wiring;

/// Angles within this of those that were checked last say the same, in radians (6°).
const LIKE_RAD: f64 = 0.105;

/// A clip must be seen for this long at least: the start of a motor may clip for seconds.
const CLIP_HOLD_S: f64 = 120.0;

/// A clip must be absent for so many rest times: a range that is too small stays too small.
const CLIP_REST: f64 = 6.0;

/// Currents that point backwards by no more than this off the opposite of what was right, in
/// radians (12°), were turned: a feeder that feeds back goes on drawing its reactive power.
const TURNED_RAD: f64 = 0.21;

/// Where the power factor is near 1 and both look alike: by no more than this share of their size.
const TURNED_SHARE: f64 = 0.35;

/// Rules of the inputs.
#[derive(Clone, Default)]
pub struct InputRules {
    checked: Option<Checked>,
    /// Whether the connection was ever right.
    was_right: bool,
    /// The phases' currents against their voltages when it was last right.
    right: Option<[Complex; 3]>,
    /// All clamps were seen to turn round at once.
    turned: bool,
    words: String,
}

/// A picture that was checked, and what came of it.
#[derive(Clone, Copy)]
struct Checked {
    wiring: Wiring,
    load: LoadKind,
    channels: [Complex; ACTIVE],
    verdict: Verdict,
}

impl Checked {
    /// Whether a picture differs in nothing that the check looks at.
    fn is_like(&self, wiring: Wiring, load: LoadKind, channels: &[Complex; ACTIVE]) -> bool {
        let angle = |x: &[Complex; ACTIVE], k: usize| (x[k] * x[0].conj()).arg();
        self.wiring == wiring
            && self.load == load
            && (0..ACTIVE).all(|k| {
                let turn = libm::remainder(
                    angle(&self.channels, k) - angle(channels, k),
                    core::f64::consts::TAU,
                );
                let (a, b) = (self.channels[k].abs(), channels[k].abs());
                let alike = |x: f64, y: f64, share: f64| libm::fabs(x - y) <= share * x.max(y);
                libm::fabs(turn) < LIKE_RAD && alike(a, b, if k < 3 { 0.1 } else { 0.3 })
            })
    }
}

impl InputRules {
    /// Settings changed: the connection is another one, on purpose.
    pub(super) fn restart(&mut self) {
        *self = InputRules::default();
    }

    pub(super) fn take(
        &mut self,
        o: &Observed,
        t: &AlarmTerms,
        corrected: bool,
        judge: &mut Judge,
    ) {
        let flags = o.record.flags;
        for (flag, part) in [(Flags::V_CLIPPED, "voltage"), (Flags::I_CLIPPED, "current")] {
            let side = Side::of(flags.contains(flag));
            let times = Times::new(CLIP_HOLD_S, CLIP_REST * t.rest_s);
            judge.condition(Kind::Clipped, part, side, times, || {
                let n = o.record.wiring.phases();
                let most = |x: &[f32]| x.iter().copied().fold(0.0f32, f32::max);
                let value = o.record.phases.each_ref().map(|p| match part {
                    "voltage" => p.v_min_max_v[1].max(p.v_rms_v),
                    _ => p.i_min_max_a[1].max(p.i_rms_a),
                });
                format!(
                    "A {part} input stood at the end of its range up to record {}; highest RMS \
                     {:.1} {}, and true values are higher",
                    o.record.seq,
                    most(&value[..n]),
                    if part == "voltage" { "V" } else { "A" }
                )
            });
        }
        let side = Side::of(flags.contains(Flags::FRAMES_LOST));
        judge.condition(Kind::Gap, "samples", side, Times::new(t.hold_s, t.rest_s), || {
            format!("{} samples were lost in record {}", o.record.frames_lost, o.record.seq)
        });
        self.connection(o, t, corrected, judge);
    }

    fn connection(&mut self, o: &Observed, t: &AlarmTerms, corrected: bool, judge: &mut Judge) {
        let side = self.looks_right(o, t, corrected);
        judge.condition(Kind::Connection, WHOLE, side, Times::new(t.hold_s, t.rest_s), || {
            self.words.clone()
        });
    }

    fn looks_right(&mut self, o: &Observed, t: &AlarmTerms, corrected: bool) -> Side {
        let r = o.record;
        let n = r.wiring.phases();
        let volts: Vec<f32> = r.phases.iter().take(n).map(|p| p.v_rms_v).collect();
        let highest = volts.iter().copied().fold(0.0f32, f32::max);
        let supplied = highest > 0.0 && volts.iter().all(|v| *v > 0.5 * highest);
        let channels = r.channels.map(|[re, im]| Complex::new(f64::from(re), f64::from(im)));
        let pictured = channels
            .iter()
            .zip(r.wiring.uses())
            .all(|(c, used)| !used || (c.re.is_finite() && c.im.is_finite() && c.norm_sq() > 0.0));
        // Exchanged clamps leave no power, but the same apparent power.
        let s_va = r.s_arithmetic_va();
        let loaded = o.usual_peak_w.is_some_and(|peak| s_va > t.counts_from_share * peak);
        if !(o.usable && supplied && pictured && loaded) {
            return Side::Unknown;
        }
        let (v, i) = phasors(r.wiring, &r.channels);
        // Each current as its own voltage sees it.
        let seen: [Complex; 3] =
            std::array::from_fn(|k| i[k] * v[k].conj().scale(1.0 / v[k].abs().max(1e-9)));
        let backwards = seen.iter().take(n).all(|i| i.re < 0.0);
        let load = match (backwards, corrected) {
            (true, _) => LoadKind::Generating,
            (false, true) if o.q1_var < -0.2 * o.p_w => LoadKind::MayLead,
            (false, true) => LoadKind::Corrected,
            (false, false) => LoadKind::Unknown,
        };
        let verdict = match &self.checked {
            Some(c) if c.is_like(r.wiring, load, &channels) => c.verdict,
            _ => {
                let mut input = HookupInput::new(r.wiring, channels, r.frequency_hz());
                input.load = load;
                let report = hookup::check(&input);
                if report.verdict == Verdict::Wrong {
                    let leads: Vec<_> = report.moves().iter().map(|m| m.lead.name()).collect();
                    let which = match leads.is_empty() {
                        true => "which lead cannot be told".to_owned(),
                        false => format!("leads concerned: {}", leads.join(", ")),
                    };
                    self.words = format!(
                        "The phasors of record {} do not fit the connection that was right \
                         before ({which})",
                        r.seq
                    );
                }
                let verdict = report.verdict;
                self.checked = Some(Checked { wiring: r.wiring, load, channels, verdict });
                verdict
            }
        };
        // All clamps turned at once look like a feeder that feeds back.
        self.turned = backwards && (self.turned || self.turns(&seen[..n]));
        if self.turned {
            self.words = format!(
                "All currents point the other way since the last record that was right: power is \
                 negative on {}, with the angle of before, record {}",
                PHASES[..n].join(", "),
                r.seq
            );
            return Side::Bad;
        }
        match verdict {
            Verdict::Right => {
                self.was_right = true;
                self.right = Some(seen);
                Side::Good
            }
            Verdict::Wrong if self.was_right => Side::Bad,
            Verdict::Wrong | Verdict::Doubtful => Side::Unknown,
        }
    }

    /// Whether currents are the opposite of what was right.
    fn turns(&self, seen: &[Complex]) -> bool {
        let Some(before) = self.right else { return false };
        let pairs = || seen.iter().map(|now| now.scale(-1.0)).zip(before);
        let opposite = pairs()
            .all(|(now, then)| then.re > 0.0 && libm::fabs((now * then.conj()).arg()) < TURNED_RAD);
        let telling = before.iter().take(seen.len()).all(|i| libm::fabs(i.arg()) > TURNED_RAD);
        let same = || pairs().all(|(now, then)| (now - then).abs() < TURNED_SHARE * then.abs());
        opposite && (telling || same())
    }
}
