//! Two or three clamps around one conductor, the same way round or against each other.
//!
//! No order of three lines explains that, so that it is tried apart from `pairing`: which line
//! they sit on, which way round they face, where the third clamp is. The line that is left has
//! no clamp: without a neutral its current follows from the others, else it is unknown.

use super::channels::Channels;
use super::connection::{Connection, I, home, moved_clamps, pick, used};
use super::decide::WORTH_TELLING;
use super::load::{Agreement, DEG, LoadPicture, PhaseLoad, wrap, zone};
use super::pairing::{Bench, Candidate, sum_share};
use super::{Explanation, HookupInput, HookupReport, LoadKind, Reason};
use crate::complex::Complex;
use heapless::Vec;

/// Two clamps nearer than this share of their current read one conductor: their ratios may
/// differ by 4 % and their phases by 3°.
const SAME_CONDUCTOR: f64 = 0.08;
/// Sum over mean of three currents that no clamps' errors make.
const SUM_NEEDED: f64 = 0.3;
/// Three lines, each way round, with the third clamp on any of them, each way round.
const GUESSES: usize = 36;

/// Two clamps that read one current.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Doubled {
    one: usize,
    other: usize,
    /// The clamp beside them, if there is one.
    third: Option<usize>,
    /// Whether they read it in opposite directions.
    opposite: bool,
    /// Whether the third reads it, too, and if so whether against the first.
    third_against: Option<bool>,
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

/// Whether two clamps read one current, and if so whether in opposite directions.
fn against(a: Complex, b: Complex) -> Option<bool> {
    let near = SAME_CONDUCTOR * a.abs().max(b.abs());
    let [same, opposite] = [(a - b).abs() < near, (a + b).abs() < near];
    (same || opposite).then_some(opposite)
}

/// Finds two clamps of three phases that read one current.
pub(super) fn doubled(input: &HookupInput, c: &Channels) -> Option<Doubled> {
    let wiring = input.wiring;
    if wiring.phases() != 3 {
        return None;
    }
    let three = used(wiring, false) == [true; 3];
    for (one, other, beside) in [(0, 1, 2), (1, 2, 0), (0, 2, 1)] {
        if !(pick(&c.i_judged, one) && pick(&c.i_judged, other)) {
            continue;
        }
        let (a, b) = (pick(&c.i, one), pick(&c.i, other));
        let Some(opposite) = against(a, b) else {
            continue;
        };
        let third = three.then_some(beside);
        let flows = third.is_some_and(|k| pick(&c.i_judged, k));
        if opposite && three && !flows {
            // With nothing on the third line that is what a load between two lines is.
            continue;
        }
        let third_against = third.filter(|_| flows).and_then(|k| against(a, pick(&c.i, k)));
        let unbalanced = three && sum_share(&c.i).is_some_and(|s| s > SUM_NEEDED);
        let motor = input.load == LoadKind::Motor;
        let sure = motor || (wiring.is_three_wire() && unbalanced) || third_against.is_some();
        let between_lines = opposite && !sure;
        return Some(Doubled { one, other, third, opposite, third_against, between_lines });
    }
    None
}

/// A clamp on a position of the voltages, turned round there or not.
#[derive(Clone, Copy)]
struct Clamp {
    clamp: usize,
    position: usize,
    turned: bool,
}

/// One way in which clamps may sit on one conductor.
#[derive(Clone, Copy)]
struct Guess {
    connection: Connection,
    load: LoadPicture,
    cost: f64,
}

impl Bench<'_> {
    /// Explains clamps on one conductor; `false` if there are none.
    pub(super) fn explain_doubled(
        &self,
        report: &mut HookupReport,
        present: Option<&Candidate>,
    ) -> bool {
        let Some(pair) = self.doubled else {
            return false;
        };
        let mut guesses: Vec<Guess, GUESSES> = Vec::new();
        for position in 0..3 {
            for turned in [false, true] {
                let one = Clamp { clamp: pair.one, position, turned };
                let other = Clamp { clamp: pair.other, position, turned: turned != pair.opposite };
                for at in 0..3 {
                    for third_turned in [false, true] {
                        let third = pair.third.map(|clamp| Clamp {
                            clamp,
                            position: at,
                            turned: third_turned,
                        });
                        let fits = match (pair.third, pair.third_against) {
                            (None, _) => at == 0 && !third_turned,
                            (_, Some(against)) => {
                                at == position && third_turned == (turned != against)
                            }
                            (_, None) => at != position,
                        };
                        if fits && let Some(guess) = self.guess(one, other, third) {
                            // No more than the loops have turns.
                            let _ = guesses.push(guess);
                        }
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
            let as_it_is = Connection::as_labelled(report.wiring);
            let _ = report.alternatives.push(self.explanation(p, &as_it_is, best.cost, false));
        }
        for g in guesses.iter().skip(1).filter(|g| g.cost < best.cost + WORTH_TELLING) {
            // Most likely first: what no longer fits is no loss.
            let _ = report.alternatives.push(explanation(g));
        }
        true
    }

    /// The likeliest connection with the clamps at these positions of the voltages, and the
    /// load as it would then be.
    fn guess(&self, one: Clamp, other: Clamp, third: Option<Clamp>) -> Option<Guess> {
        let wiring = self.input.wiring;
        let i_used = used(wiring, false);
        let clamps = || [Some(one), Some(other), third].into_iter().flatten();
        let mut least: Option<(Connection, f64)> = None;
        for seating in &self.seatings {
            let mut connection = seating.connection;
            let v_lines = connection.v.map(|s| s.line);
            for (k, seat) in connection.i.iter_mut().enumerate() {
                (seat.line, seat.reversed) = (k, false);
                for c in clamps().filter(|c| c.clamp == k) {
                    seat.line = pick(&v_lines, c.position);
                    seat.reversed = c.turned != seating.flipped;
                }
            }
            let places = connection.placements();
            let away = |p: &&super::Placement| {
                !p.channel.is_voltage() && p.place != home(wiring, p.channel)
            };
            let moved = places.iter().filter(away).count();
            let faults = moved_clamps(moved, &connection.i.map(|s| s.reversed), i_used);
            let cost = seating.faults.cost_with(&faults) + seating.supply_cost;
            if least.is_none_or(|(_, l)| cost < l - 1e-9) {
                least = Some((connection, cost));
            }
        }
        let (connection, mistakes) = least?;
        let mut current: [Option<Complex>; 3] = [None; 3];
        for c in clamps() {
            if let Some(x) = current.get_mut(c.position) {
                let sign = if c.turned { -1.0 } else { 1.0 };
                *x = Some(pick(&self.channels.i, c.clamp).scale(sign));
            }
        }
        let known = current.iter().flatten().count();
        // Without a neutral two currents give the third.
        let follows = wiring.is_three_wire() && known == 2;
        let rest = current.iter().flatten().fold(Complex::ZERO, |sum, x| sum - *x);
        let currents = current.map(|i| i.or(follows.then_some(rest)));
        let v = self.voltages.phases;
        let mut load = LoadPicture { count: 3, unknown: [true; 3], ..LoadPicture::default() };
        for (position, seat) in connection.v.iter().enumerate() {
            if let Some(i) = pick(&currents, position)
                && let Some(phase) = load.phases.get_mut(seat.line)
                && let Some(unknown) = load.unknown.get_mut(seat.line)
            {
                *phase = PhaseLoad::of(pick(&v, position), i);
                *unknown = false;
            }
        }
        let judged = currents.map(|i| i.is_some());
        let flowing = currents.map(Option::unwrap_or_default);
        let mut phi_deg = [0.0; 3];
        for (phi, (v, i)) in phi_deg.iter_mut().zip(v.iter().zip(flowing)) {
            *phi = wrap((v.arg() - i.arg()) * DEG);
        }
        let agreement = Agreement::of(&phi_deg, judged)?;
        let odd = zone(self.input.load, agreement.centre_deg).1;
        let magnitude = if follows { self.magnitude_cost(&flowing) } else { 0.0 };
        Some(Guess { connection, load, cost: mistakes + agreement.cost + odd + magnitude })
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
