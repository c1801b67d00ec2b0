//! Two clamps around one conductor, the same way round or against each other.
//!
//! No order of three lines explains that, so that it is tried apart from `pairing`: which line
//! both sit on, which way round they face, where the third clamp is. The line that is left has
//! no clamp: without a neutral its current follows from the others, else it is unknown.

use super::channels::Channels;
use super::connection::{Connection, I, IDENTITY, Perm, Seat, home, moved_clamps_cost, pick, used};
use super::decide::WORTH_TELLING;
use super::load::{Agreement, LoadPicture, PhaseLoad, wrap, zone};
use super::pairing::{Bench, Candidate, masked, sum_share};
use super::{Explanation, HookupInput, HookupReport, LoadKind, Reason};
use crate::complex::Complex;
use heapless::Vec;

/// Two clamps nearer than this share of their current read one conductor: their ratios may
/// differ by 4 % and their phases by 3°.
const SAME_CONDUCTOR: f64 = 0.08;
/// Sum over mean of three currents that no clamps' errors make.
const SUM_NEEDED: f64 = 0.3;
/// Degrees in a radian.
const DEG: f64 = 180.0 / core::f64::consts::PI;
/// Three lines, each way round, with the third clamp on either line left, each way round.
const GUESSES: usize = 24;

/// Two clamps that read one current.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Doubled {
    one: usize,
    other: usize,
    /// Whether they read it in opposite directions.
    opposite: bool,
    /// Whether a load between two lines reads so, too.
    pub(super) between_lines: bool,
}

impl Doubled {
    /// The reason to tell.
    pub(super) fn reason(self) -> Option<Reason> {
        let (one, other) = (*I.get(self.one)?, *I.get(self.other)?);
        Some(if self.opposite {
            Reason::CurrentsOpposite { one, other, between_lines: self.between_lines }
        } else {
            Reason::CurrentsSame { one, other }
        })
    }
}

/// Finds two clamps of three phases that read one current.
pub(super) fn doubled(input: &HookupInput, c: &Channels) -> Option<Doubled> {
    let wiring = input.wiring;
    if wiring.phases() != 3 {
        return None;
    }
    for (one, other, third) in [(0, 1, 2), (1, 2, 0), (0, 2, 1)] {
        if !(pick(&c.i_judged, one) && pick(&c.i_judged, other)) {
            continue;
        }
        let (a, b) = (pick(&c.i, one), pick(&c.i, other));
        let near = SAME_CONDUCTOR * a.abs().max(b.abs());
        if (a - b).abs() < near {
            return Some(Doubled { one, other, opposite: false, between_lines: false });
        }
        if (a + b).abs() < near {
            let three = used(wiring, false) == [true; 3];
            let third_flows = pick(&c.i_judged, third);
            // With nothing on the third line that is what a load between two lines is.
            if three && !third_flows {
                continue;
            }
            let no_neutral = wiring.is_three_wire();
            let unbalanced = three && sum_share(&c.i).is_some_and(|s| s > SUM_NEEDED);
            let motor = input.load == LoadKind::Motor;
            let between_lines = !(motor || (no_neutral && unbalanced));
            return Some(Doubled { one, other, opposite: true, between_lines });
        }
    }
    None
}

/// One way in which two clamps may sit on one conductor.
#[derive(Clone, Copy)]
struct Guess {
    connection: Connection,
    load: LoadPicture,
    cost: f64,
}

impl Bench<'_> {
    /// Explains two clamps on one conductor; `false` if there are none.
    pub(super) fn explain_doubled(
        &self,
        report: &mut HookupReport,
        present: Option<&Candidate>,
    ) -> bool {
        let Some(pair) = doubled(self.input, &self.channels) else {
            return false;
        };
        let mut guesses: Vec<Guess, GUESSES> = Vec::new();
        for line in 0..3 {
            for turned in [false, true] {
                if used(self.input.wiring, false) != [true; 3] {
                    // A line each way round, so there is room.
                    let _ = guesses.push(self.guess(pair, (line, turned), None));
                    continue;
                }
                for at in (0..3).filter(|k| *k != line) {
                    for third_turned in [false, true] {
                        let third = Some((at, third_turned));
                        let _ = guesses.push(self.guess(pair, (line, turned), third));
                    }
                }
            }
        }
        guesses.sort_unstable_by(|a, b| a.cost.total_cmp(&b.cost));
        let Some(best) = guesses.first() else {
            return false;
        };
        let explanation = |g: &Guess| Explanation {
            connection: g.connection,
            moves: g.connection.moves(),
            load: g.load,
            same_power: false,
            cost: g.cost,
        };
        report.best = Some(Explanation { same_power: true, ..explanation(best) });
        // A load between two lines is no mistake at all.
        if let Some(p) = present.filter(|_| pair.between_lines) {
            let as_it_is = self.explanation(p, &Connection::as_labelled(report.wiring), 0.0, false);
            let _ = report.alternatives.push(Explanation { cost: best.cost, ..as_it_is });
        }
        for g in guesses.iter().skip(1).filter(|g| g.cost < best.cost + WORTH_TELLING) {
            // Most likely first: what no longer fits is no loss.
            let _ = report.alternatives.push(explanation(g));
        }
        true
    }

    /// Both clamps of the pair on one line, the first of them turned or not, the third elsewhere.
    fn guess(
        &self,
        pair: Doubled,
        (line, turned): (usize, bool),
        third: Option<(usize, bool)>,
    ) -> Guess {
        let wiring = self.input.wiring;
        let mut lines: Perm = IDENTITY;
        let mut reversed = [false; 3];
        let mut current: [Option<Complex>; 3] = [None; 3];
        let mut seat = |clamp: usize, line: usize, turn: bool| {
            for (k, (l, r)) in lines.iter_mut().zip(&mut reversed).enumerate() {
                if k == clamp {
                    (*l, *r) = (line, turn);
                }
            }
            if let Some(x) = current.get_mut(line) {
                *x = Some(pick(&self.channels.i, clamp).scale(if turn { -1.0 } else { 1.0 }));
            }
        };
        seat(pair.other, line, turned != pair.opposite);
        seat(pair.one, line, turned);
        if let Some((at, turn)) = third {
            // The pair's slots add up to 0 + 1 + 2 without the third.
            seat(3 - pair.one - pair.other, at, turn);
        }
        let known = current.iter().flatten();
        let rest = known.fold(Complex::ZERO, |sum, x| sum - *x);
        let follows = wiring.is_three_wire() && third.is_some();
        let mut load = LoadPicture { count: 3, ..LoadPicture::default() };
        let (mut phi_deg, mut judged) = ([0.0; 3], [false; 3]);
        let mut flowing = [Complex::ZERO; 3];
        for (k, v) in self.voltages.phases.iter().enumerate() {
            let i = pick(&current, k).or(follows.then_some(rest));
            if let (Some(i), Some(x)) = (i, flowing.get_mut(k)) {
                *x = i;
            }
            let phase = i.map(|i| PhaseLoad::of(*v, i));
            if let Some(slot) = load.phases.get_mut(k) {
                *slot = phase.unwrap_or_default();
            }
            if let Some(slot) = load.unknown.get_mut(k) {
                *slot = phase.is_none();
            }
            let angle = i.map(|i| wrap((v.arg() - i.arg()) * DEG));
            if let (Some(angle), Some(phi), Some(j)) =
                (angle, phi_deg.get_mut(k), judged.get_mut(k))
            {
                (*phi, *j) = (angle, true);
            }
        }
        let v_turned = masked(self.voltages.turned, used(wiring, true));
        let i_turned = masked(reversed, used(wiring, false));
        let mut connection = Connection::new(wiring, &IDENTITY, &v_turned, &lines, &i_turned);
        if used(wiring, false) != [true; 3] {
            // The unused seat stays at home.
            if let Some(seat) = connection.i.get_mut(1) {
                *seat = Seat { line: 1, reversed: false };
            }
        }
        let (agreement, odd) = match Agreement::of(&phi_deg, judged) {
            Some(a) => (a.cost, zone(self.input.load, a.centre_deg).1),
            None => (0.0, 0.0),
        };
        let magnitude = if follows { self.magnitude_cost(&flowing) } else { 0.0 };
        let places = connection.placements();
        let clamps = places.iter().filter(|p| !p.channel.is_voltage());
        let moved = clamps.filter(|p| p.place != home(wiring, p.channel)).count();
        let cost = moved_clamps_cost(moved, &i_turned, used(wiring, false));
        Guess { connection, load, cost: cost + agreement + odd + magnitude }
    }
}

/// Currents of the lines as the clamps of a connection read them, where two sit on one line;
/// zero where none does.
pub(super) fn by_clamp(connection: &Connection, clamps: &[Complex; 3]) -> [Complex; 3] {
    let mut out = [Complex::ZERO; 3];
    let wiring = connection.wiring;
    let seats = connection.i.iter().zip(clamps).zip(used(wiring, false));
    for ((seat, x), _) in seats.filter(|(_, used)| *used) {
        if let Some(line) = out.get_mut(seat.line) {
            *line = x.scale(if seat.reversed { -1.0 } else { 1.0 });
        }
    }
    out
}
