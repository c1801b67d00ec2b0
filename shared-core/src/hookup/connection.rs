//! Where leads and clamps sit: seats, how unlikely a set of mistakes is, the moves that mend it,
//! and readings as they would be then. Judges nothing.

use super::clamps::by_clamp;
use crate::complex::Complex;
use crate::frame::{ACTIVE, Channel};
use crate::wiring::{Weights, Wiring};
use heapless::Vec;

/// A permutation of up to three lines: position → line.
pub(super) type Perm = [usize; 3];

/// The identity.
pub(super) const IDENTITY: Perm = [0, 1, 2];

const PERMS: [Perm; 6] = [IDENTITY, [1, 0, 2], [2, 1, 0], [0, 2, 1], [1, 2, 0], [2, 0, 1]];

/// The permutations of `n` lines, identity first.
pub(super) fn perms(n: usize) -> &'static [Perm] {
    match n {
        0 | 1 => PERMS.get(..1),
        2 => PERMS.get(..2),
        _ => PERMS.get(..),
    }
    .unwrap_or(&[])
}

/// Element of a short array, the default outside.
pub(super) fn pick<T: Copy + Default, const N: usize>(x: &[T; N], k: usize) -> T {
    x.get(k).copied().unwrap_or_default()
}

/// First `a`, then `b`.
pub(super) fn then(a: &Perm, b: &Perm) -> Perm {
    a.map(|k| pick(b, k))
}

/// Which position maps to line `k`.
pub(super) fn source(p: &Perm, k: usize) -> usize {
    p.iter().position(|x| *x == k).unwrap_or(k)
}

fn moved(p: &Perm) -> usize {
    p.iter().enumerate().filter(|(k, x)| k != *x).count()
}

/// How many exchanges of two make the permutation.
pub(super) fn exchanges(p: &Perm) -> usize {
    moved(p).saturating_sub(1)
}

/// Where one lead or clamp sits: on which line, and whether it is turned round.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Seat {
    /// The line, from 0.
    pub line: usize,
    /// Whether the lead's two wires, or the clamp, are turned round.
    pub reversed: bool,
}

/// A full assignment of leads and clamps to lines.
///
/// For wirings of line voltages a voltage channel's seat is named by its first
/// line; [`Connection::placements`] gives the pair of lines.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Connection {
    /// The wiring it departs from.
    pub wiring: Wiring,
    /// Seats of v1 to v3.
    pub v: [Seat; 3],
    /// Seats of i1 to i3.
    pub i: [Seat; 3],
}

/// Which positions of a kind of channel the wiring uses.
pub(super) fn used(wiring: Wiring, voltages: bool) -> [bool; 3] {
    let [v1, v2, v3, i1, i2, i3] = wiring.uses();
    if voltages { [v1, v2, v3] } else { [i1, i2, i3] }
}

pub(super) const V: [Channel; 3] = [Channel::V1, Channel::V2, Channel::V3];
pub(super) const I: [Channel; 3] = [Channel::I1, Channel::I2, Channel::I3];

/// Whether the voltage channels read between lines.
fn reads_lines(wiring: Wiring) -> bool {
    matches!(wiring, Wiring::ThreeWireLine | Wiring::TwoSensorLine)
}

/// Between which lines a voltage channel reads when connected right.
fn pair(wiring: Wiring, slot: usize) -> (usize, usize) {
    match (wiring, slot) {
        (_, 0) => (0, 1),
        (Wiring::TwoSensorLine, 2) => (2, 1),
        (_, 1) => (1, 2),
        _ => (2, 0),
    }
}

impl Connection {
    /// Connected as the wiring says.
    pub fn as_labelled(wiring: Wiring) -> Self {
        let seats = [0, 1, 2].map(|line| Seat { line, reversed: false });
        Connection { wiring, v: seats, i: seats }
    }

    pub(super) fn new(
        wiring: Wiring,
        v_lines: &Perm,
        v_turned: &[bool; 3],
        i_lines: &Perm,
        i_turned: &[bool; 3],
    ) -> Self {
        let seats = |lines: &Perm, turned: &[bool; 3]| {
            [0, 1, 2].map(|k| Seat { line: pick(lines, k), reversed: pick(turned, k) })
        };
        Connection { wiring, v: seats(v_lines, v_turned), i: seats(i_lines, i_turned) }
    }

    /// Whether every used lead and clamp sits where it should.
    pub fn is_as_labelled(&self) -> bool {
        self.placements().iter().all(|p| !p.reversed && p.place == home(self.wiring, p.channel))
    }

    /// Every used lead and clamp with its place, in channel order.
    pub fn placements(&self) -> Vec<Placement, 6> {
        let v_lines = self.v.map(|s| s.line);
        let voltages = (0..3).filter(|k| pick(&used(self.wiring, true), *k)).map(|k| {
            let seat = pick(&self.v, k);
            let channel = pick_channel(&V, k);
            if !reads_lines(self.wiring) {
                return Placement {
                    channel,
                    place: Place::line(seat.line),
                    reversed: seat.reversed,
                };
            }
            let (from, to) = pair(self.wiring, k);
            let (from, to) = (pick(&v_lines, from), pick(&v_lines, to));
            let (place, against) = Place::between(self.wiring, from, to);
            Placement { channel, place, reversed: seat.reversed != against }
        });
        let currents = (0..3).filter(|k| pick(&used(self.wiring, false), *k)).map(|k| {
            let seat = pick(&self.i, k);
            Placement {
                channel: pick_channel(&I, k),
                place: Place::line(seat.line),
                reversed: seat.reversed,
            }
        });
        let mut out = Vec::new();
        for p in voltages.chain(currents) {
            // One for each of six channels.
            let _ = out.push(p);
        }
        out
    }

    /// The moves that mend it: clamps before voltage leads, turning before moving.
    pub fn moves(&self) -> Moves {
        let mut moves = Moves::new();
        let places = self.placements();
        for (voltage, action) in [
            (false, Action::Turn),
            (false, Action::Move),
            (false, Action::MoveAndTurn),
            (true, Action::Turn),
            (true, Action::Move),
            (true, Action::MoveAndTurn),
        ] {
            for p in places.iter().filter(|p| p.channel.is_voltage() == voltage) {
                let to = home(self.wiring, p.channel);
                let needed = match (p.place != to, p.reversed) {
                    (false, false) => continue,
                    (false, true) => Action::Turn,
                    (true, false) => Action::Move,
                    (true, true) => Action::MoveAndTurn,
                };
                if needed == action {
                    // One move a channel at most, so there is room.
                    let _ = moves.push(Move { lead: Lead::Channel(p.channel), action, to });
                }
            }
        }
        moves
    }

    /// Reads channel phasors as this connection says: voltage and current of each line.
    ///
    /// Voltages are against neutral or the star point of the lines. Works on phasors of
    /// records too, so that a log made with leads in the wrong place can be read again
    /// afterwards, from its fundamentals. Zeros where the wiring has no such line.
    pub fn reread(&self, phasors: &[Complex; ACTIVE]) -> ([Complex; 3], [Complex; 3]) {
        let [v1, v2, v3, i1, i2, i3] = *phasors;
        let v = weighted(&self.wiring.phase_voltages(), 0, &[v1, v2, v3], &seats(&self.v).1);
        if self.has_doubled_clamps() {
            return (by_line(self.wiring, v, &self.v), by_clamp(self, &[i1, i2, i3]));
        }
        let i = weighted(&self.wiring.phase_currents(), 3, &[i1, i2, i3], &seats(&self.i).1);
        (by_line(self.wiring, v, &self.v), by_line(self.wiring, i, &self.i))
    }

    /// Whether two clamps sit on one line, so that another has none.
    pub(super) fn has_doubled_clamps(&self) -> bool {
        let n = self.wiring.phases();
        (0..n).any(|line| self.i.iter().take(n).all(|s| s.line != line))
    }

    /// How unlikely the mistakes are together, in nats; zero without a mistake.
    pub(super) fn cost(&self) -> f64 {
        self.voltage_faults().cost_with(&self.clamp_faults())
    }

    /// What is wrong with the clamps.
    pub(super) fn clamp_faults(&self) -> Faults {
        let (lines, turned) = seats(&self.i);
        let used = used(self.wiring, false);
        let exchanged = match exchanges(&lines) {
            0 => 0.0,
            1 => 3.0,
            _ => 3.2,
        };
        Faults { exchanged, ..moved_clamps(exchanges(&lines), &turned, used) }
    }

    /// What is wrong with the voltage leads, which are mixed up less often than clamps.
    pub(super) fn voltage_faults(&self) -> Faults {
        let used = used(self.wiring, true);
        let of = |lines: &Perm, turned: &[bool; 3]| {
            let exchanged = match exchanges(lines) {
                0 => 0.0,
                1 => 3.2,
                _ => 3.8,
            };
            Faults {
                turned: turned_cost(turned, used, 3.5, 6.0, 4.5),
                exchanged,
                count: exchanges(lines) + count(turned, used),
            }
        };
        let (lines, turned) = seats(&self.v);
        let by_lead = of(&lines, &turned);
        // Whole transducers exchanged are fewer mistakes than the leads that come to the same.
        match self.channel_seats().map(|(slots, turned)| of(&slots, &turned)) {
            Some(c) if c.count < by_lead.count => c,
            _ => by_lead,
        }
    }

    /// For wirings of line voltages: whole channels exchanged and turned, where that is what it is.
    fn channel_seats(&self) -> Option<(Perm, [bool; 3])> {
        if !reads_lines(self.wiring) {
            return None;
        }
        let mut slots = IDENTITY;
        let mut turned = [false; 3];
        for p in self.placements().iter().filter(|p| p.channel.is_voltage()) {
            let slot = V.iter().position(|c| home(self.wiring, *c) == p.place)?;
            *slots.get_mut(p.channel.slot())? = slot;
            *turned.get_mut(p.channel.slot())? = p.reversed;
        }
        (slots.iter().sum::<usize>() == 3).then_some((slots, turned))
    }

    /// How many single mistakes (a turn, an exchange of two) make it.
    pub fn mistakes(&self) -> usize {
        self.voltage_faults().count + self.clamp_faults().count
    }

    /// Whether two voltage leads are exchanged, which turns the rotation read.
    pub(super) fn voltages_exchanged(&self) -> bool {
        exchanges(&seats(&self.v).0) == 1
    }

    /// Whether all clamps are turned round and none is on another line.
    pub(super) fn all_clamps_turned(&self) -> bool {
        let (lines, turned) = seats(&self.i);
        let used = used(self.wiring, false);
        exchanges(&lines) == 0 && turned.iter().zip(used).all(|(t, u)| *t == u)
    }
}

/// What each phase position reads, put at its line.
fn by_line(wiring: Wiring, x: [Complex; 3], seats: &[Seat; 3]) -> [Complex; 3] {
    let mut out = [Complex::ZERO; 3];
    for (x, seat) in x.into_iter().zip(seats).take(wiring.phases()) {
        if let Some(line) = out.get_mut(seat.line) {
            *line = x;
        }
    }
    out
}

/// Weighted sums of three channels from `slot` on, some of them turned.
pub(super) fn weighted(
    rows: &[Weights; 3],
    slot: usize,
    x: &[Complex; 3],
    turned: &[bool; 3],
) -> [Complex; 3] {
    rows.map(|row| {
        let mut sum = Complex::ZERO;
        for (w, (x, t)) in row.iter().skip(slot).zip(x.iter().zip(turned)) {
            sum += x.scale(if *t { -*w } else { *w });
        }
        sum
    })
}

fn seats(s: &[Seat; 3]) -> (Perm, [bool; 3]) {
    (s.map(|s| s.line), s.map(|s| s.reversed))
}

fn count(turned: &[bool; 3], used: [bool; 3]) -> usize {
    turned.iter().zip(used).filter(|(t, u)| **t && *u).count()
}

/// What is wrong with clamps of which so many are on another line and these are turned.
pub(super) fn moved_clamps(moved: usize, turned: &[bool; 3], used: [bool; 3]) -> Faults {
    Faults {
        turned: turned_cost(turned, used, 3.0, 5.5, 2.8),
        exchanged: 3.0 * moved as f64,
        count: moved + count(turned, used),
    }
}

/// Cost of one, of two, and of all turned: that is one habit, not as many mistakes.
fn turned_cost(turned: &[bool; 3], used: [bool; 3], one: f64, two: f64, all: f64) -> f64 {
    let n = used.iter().filter(|u| **u).count();
    match count(turned, used) {
        0 => 0.0,
        k if k == n && n > 1 => all,
        1 => one,
        _ => two,
    }
}

/// Mistakes of one kind of lead, with how unlikely they are in nats.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Faults {
    turned: f64,
    exchanged: f64,
    pub(super) count: usize,
}

impl Faults {
    /// The cost of both kinds of lead together.
    pub(super) fn cost_with(&self, other: &Faults) -> f64 {
        let (turned, exchanged) = (self.turned + other.turned, self.exchanged + other.exchanged);
        // Two kinds of mistake at once are less likely than their product.
        let both = if turned > 0.0 && exchanged > 0.0 { 1.7 } else { 0.0 };
        turned + exchanged + both
    }
}

fn pick_channel(channels: &[Channel; 3], k: usize) -> Channel {
    let [a, b, c] = *channels;
    match k {
        0 => a,
        1 => b,
        _ => c,
    }
}

/// Where a lead or clamp belongs.
pub(super) fn home(wiring: Wiring, channel: Channel) -> Place {
    let slot = channel.slot();
    if channel.is_voltage() && reads_lines(wiring) {
        let (from, to) = pair(wiring, slot);
        Place::between(wiring, from, to).0
    } else {
        Place::line(slot % 3)
    }
}

/// Where a lead or clamp can sit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[allow(missing_docs, reason = "the names say it")]
pub enum Place {
    L1,
    L2,
    L3,
    L1L2,
    L2L3,
    L3L1,
    L3L2,
    N,
}

impl Place {
    /// The name in output.
    pub const fn name(self) -> &'static str {
        match self {
            Place::L1 => "L1",
            Place::L2 => "L2",
            Place::L3 => "L3",
            Place::L1L2 => "L1-L2",
            Place::L2L3 => "L2-L3",
            Place::L3L1 => "L3-L1",
            Place::L3L2 => "L3-L2",
            Place::N => "N",
        }
    }

    pub(super) const fn line(k: usize) -> Place {
        match k {
            0 => Place::L1,
            1 => Place::L2,
            _ => Place::L3,
        }
    }

    /// A pair of lines in the direction the wiring names it, and whether that is against `from → to`.
    fn between(wiring: Wiring, from: usize, to: usize) -> (Place, bool) {
        match (from.min(to), from.max(to)) {
            (0, 1) => (Place::L1L2, from == 1),
            (1, 2) if wiring == Wiring::TwoSensorLine => (Place::L3L2, from == 1),
            (1, 2) => (Place::L2L3, from == 2),
            _ => (Place::L3L1, from == 0),
        }
    }
}

/// A lead or clamp with the place it sits at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Placement {
    /// The channel.
    pub channel: Channel,
    /// The line, or pair of lines.
    pub place: Place,
    /// Whether it is turned round there.
    pub reversed: bool,
}

/// What can be moved: a channel's lead or clamp, or the neutral lead.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Lead {
    /// A voltage lead or a clamp.
    Channel(Channel),
    /// The common neutral lead of the voltage inputs.
    Neutral,
}

impl Lead {
    /// The name on the node's terminals.
    pub const fn name(self) -> &'static str {
        match self {
            Lead::Channel(c) => c.name(),
            Lead::Neutral => "n",
        }
    }
}

/// What to do with a lead or clamp.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Action {
    /// Turn the clamp round, or exchange the two wires of the voltage transducer.
    Turn,
    /// Move it to another line as it faces now.
    Move,
    /// Move it to another line and turn it round.
    MoveAndTurn,
    /// Make the connection that is missing.
    Connect,
}

impl Action {
    /// The name in JSON.
    pub const fn name(self) -> &'static str {
        match self {
            Action::Turn => "turn",
            Action::Move => "move",
            Action::MoveAndTurn => "move-and-turn",
            Action::Connect => "connect",
        }
    }
}

/// One thing to do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Move {
    /// What to take hold of.
    pub lead: Lead,
    /// What to do with it.
    pub action: Action,
    /// Where it has to be afterwards.
    pub to: Place,
}

/// What to do, in order.
pub type Moves = Vec<Move, 8>;
