//! Tries every pairing of currents with voltages on the picture and says what each costs.
//! Leaves the answer to `decide`.
//!
//! Costs are in nats (negative logarithms of rough probabilities): mistakes, how much the
//! phases disagree, how odd the load would be, and what current or a second load say.

use super::channels::Channels;
use super::clamps::{Doubled, doubled};
use super::connection::{
    Connection, Faults, IDENTITY, Perm, Seat, perms, pick, source, then, used, weighted,
};
use super::load::{
    Agreement, DEG, LEADS_UNTOLD_DEG, Level, LoadPicture, PhaseLoad, Zone, change_cost,
    each_expected, wrap, zone,
};
use super::voltages::{VoltagePicture, star, turnings};
use super::witness::{WITNESS_ORDERS, Witness};
use super::{Explanation, HookupInput, LoadKind};
use crate::complex::Complex;
use crate::frame::ACTIVE;
use crate::sequence::Rotation;
use crate::wiring::Wiring;
use heapless::Vec;

/// Cost of a supply that turns L1-L3-L2 at the terminals, which is no mistake.
const NEGATIVE_SUPPLY: f64 = 2.0;

/// Cost of a pairing for which the harmonics do not speak while they speak for another.
const UNVOUCHED: f64 = 3.0;
/// The same where all orders speak for the other.
const SURELY_NOT: f64 = 8.0;
/// What is left of the oddness of leading strongly where harmonics show the capacitors.
const SHOWN: f64 = 3.5;

/// Pairings of currents with voltages: 6 orders by 8 polarities at most.
pub(super) const CANDIDATES: usize = 48;

/// One way of pairing currents with voltages, in its least unlikely connection.
#[derive(Clone, Copy)]
pub(super) struct Candidate {
    pub(super) order: Perm,
    pub(super) turned: [bool; 3],
    pub(super) connection: Connection,
    pub(super) guarded: bool,
    pub(super) agreement: Agreement,
    pub(super) zone: Zone,
    /// What current and second load say against it, and the harmonics, in nats.
    pub(super) evidence: f64,
    pub(super) unvouched: f64,
    /// Whether the load answers the harmonics as one of its angle can.
    pub(super) vouched: bool,
    /// Whether it does so at all orders, which chance does not bring about.
    pub(super) surely: bool,
    pub(super) cost: f64,
    pub(super) phi_deg: [f64; 3],
    pub(super) judged: [bool; 3],
}

impl Candidate {
    /// Whether a load like this can be.
    pub(super) fn acceptable(&self, kind: LoadKind) -> bool {
        let coherent = self.agreement.coherent();
        match self.zone {
            Zone::Expected => coherent || each_expected(kind, &self.agreement),
            // Leads by more than was told of, with all harmonics as witnesses.
            Zone::Odd => coherent && self.surely && self.agreement.centre_deg < 0.0,
            Zone::Refuted => false,
        }
    }

    /// Whether a load that nobody told of could be this, though it leads by more than expected.
    pub(super) fn untold(&self, kind: LoadKind) -> bool {
        kind == LoadKind::Unknown
            && self.agreement.coherent()
            && (LEADS_UNTOLD_DEG..0.0).contains(&self.agreement.centre_deg)
    }

    /// Whether it is worth naming: a load like this can be, or leads more than expected of it.
    pub(super) fn conceivable(&self, kind: LoadKind) -> bool {
        let leads = self.agreement.centre_deg < 0.0 && self.agreement.coherent();
        self.acceptable(kind) || (self.zone == Zone::Odd && leads)
    }

    /// The highest harmonic that speaks for it, if any does.
    pub(super) fn heard(&self) -> usize {
        let [_, second, .., last] = WITNESS_ORDERS;
        if self.surely { last } else { second }
    }

    pub(super) fn same_pairing(&self, other: &Candidate) -> bool {
        self.order == other.order && self.turned == other.turned
    }

    /// Whether the judged phases read differently enough to matter.
    pub(super) fn reads_apart(&self, other: &Candidate) -> bool {
        let pairs = self.phi_deg.iter().zip(other.phi_deg);
        pairs
            .zip(self.judged.iter().zip(other.judged))
            .any(|((a, b), (ja, jb))| *ja != jb || (*ja && libm::fabs(wrap(a - b)) > 5.0))
    }
}

/// The current of each phase position from clamp phasors, some of them turned.
pub(super) fn phase_currents(wiring: Wiring, i: &[Complex; 3], turned: &[bool; 3]) -> [Complex; 3] {
    weighted(&wiring.phase_currents(), 3, i, turned)
}

/// Sum over mean of three currents.
pub(super) fn sum_share([a, b, c]: &[Complex; 3]) -> Option<f64> {
    let mean = (a.abs() + b.abs() + c.abs()) / 3.0;
    (mean > 0.0).then(|| (*a + *b + *c).abs() / mean)
}

/// Everything a candidate is tried on.
pub(super) struct Bench<'a> {
    pub(super) input: &'a HookupInput,
    pub(super) channels: Channels,
    pub(super) voltages: VoltagePicture,
    /// Clamps on one conductor.
    pub(super) doubled: Option<Doubled>,
    pub(super) seatings: Vec<Seating, SEATINGS>,
}

/// Ways to seat the voltage leads: six orders by two polarities of all.
const SEATINGS: usize = 12;

/// One way to seat the voltage leads that gives the voltages seen.
pub(super) struct Seating {
    /// The clamps are still to be seated.
    pub(super) connection: Connection,
    /// Whether all leads are the other way round than the picture has them.
    pub(super) flipped: bool,
    pub(super) faults: Faults,
    /// What the direction costs in which the supply would turn.
    pub(super) supply_cost: f64,
    /// Whether it is to be guarded against.
    plain: bool,
}

/// A connection with its cost.
#[derive(Clone, Copy)]
pub(super) struct Told {
    pub(super) connection: Connection,
    pub(super) cost: f64,
    /// Whether a right answer must exclude it: two mistakes or fewer, or all clamps turned.
    pub(super) guarded: bool,
}

impl<'a> Bench<'a> {
    pub(super) fn new(
        input: &'a HookupInput,
        channels: Channels,
        voltages: VoltagePicture,
    ) -> Bench<'a> {
        let wiring = input.wiring;
        let mut seatings = Vec::new();
        for lines in perms(wiring.phases()) {
            for flipped in [false, true] {
                let turned = masked(voltages.turned.map(|t| t != flipped), used(wiring, true));
                let connection = Connection::new(wiring, lines, &turned, &IDENTITY, &[false; 3]);
                let exchanged = connection.voltages_exchanged();
                let supply = voltages.rotation.map(|r| if exchanged { r.reversed() } else { r });
                let backwards = supply == Some(Rotation::Negative);
                let seating = Seating {
                    connection,
                    flipped,
                    faults: connection.voltage_faults(),
                    supply_cost: if backwards { NEGATIVE_SUPPLY } else { 0.0 },
                    // Voltage leads exchanged on a supply that turns backwards, so that it
                    // seems to turn forwards, is one coincidence too many to guard against.
                    plain: !exchanged || voltages.rotation != Some(Rotation::Positive),
                };
                // Six orders by two polarities at most, so there is room.
                let _ = seatings.push(seating);
            }
        }
        let doubled = doubled(input, &channels);
        Bench { input, channels, voltages, doubled, seatings }
    }

    pub(super) fn input_phasors(&self) -> ([Complex; 3], [Complex; 3]) {
        (self.voltages.phases, self.channels.i)
    }

    /// The load at each voltage position if currents are paired so.
    pub(super) fn picture(
        &self,
        order: &Perm,
        turned: &[bool; 3],
        (v, i): ([Complex; 3], [Complex; 3]),
    ) -> LoadPicture {
        let n = self.input.wiring.phases();
        let currents = phase_currents(self.input.wiring, &i, turned);
        let mut picture = LoadPicture { count: n, ..LoadPicture::default() };
        for (k, phase) in picture.phases.iter_mut().enumerate().take(n) {
            *phase = PhaseLoad::of(pick(&v, k), pick(&currents, source(order, k)));
        }
        picture
    }

    pub(super) fn level(&self, turned: &[bool; 3]) -> Level {
        let wiring = self.input.wiring;
        let currents = phase_currents(wiring, &self.channels.i, turned);
        let (mut sum, mut n) = (0.0, 0.0);
        for (x, judged) in currents.iter().zip(self.judged_currents(&currents)) {
            if judged {
                sum += x.abs();
                n += 1.0;
            }
        }
        let mut range = f64::INFINITY;
        for (r, u) in self.input.range_rms.iter().skip(3).zip(used(wiring, false)) {
            if u {
                range = range.min(if r.is_finite() { *r } else { 0.0 });
            }
        }
        Level::of(self.input, if n > 0.0 { sum / n } else { 0.0 }, range)
    }

    /// Which phase currents can be judged, the reconstructed one of two sensors included.
    pub(super) fn judged_currents(&self, currents: &[Complex; 3]) -> [bool; 3] {
        let mut judged = self.channels.i_judged;
        let [one, two, three] = *currents;
        if self.input.wiring.is_three_wire() && !pick(&used(self.input.wiring, false), 1) {
            let [a, b, c] = &mut judged;
            *b = *a && *c && two.abs() > 0.05 * one.abs().max(three.abs());
        }
        judged
    }

    /// How little the magnitudes suit one load, in nats: only where that depends on polarity.
    pub(super) fn magnitude_cost(&self, currents: &[Complex; 3]) -> f64 {
        let wiring = self.input.wiring;
        if !wiring.is_three_wire() || self.channels.i_judged.iter().filter(|j| **j).count() < 2 {
            return 0.0;
        }
        let mean = currents.iter().map(|x| x.abs()).sum::<f64>() / 3.0;
        if mean <= 0.0 {
            return 0.0;
        }
        let uneven: f64 = currents
            .iter()
            .map(|x| {
                let d = (x.abs() / mean - 1.0) / 0.25;
                0.8 * libm::log1p(d * d)
            })
            .sum();
        let measured = used(wiring, false) == [true; 3];
        let share = sum_share(currents).filter(|_| measured).map_or(0.0, |s| s / 0.15);
        uneven + 1.2 * libm::log1p(share * share)
    }

    /// Every connection behind a pairing; they all give the same readings.
    pub(super) fn connections(&self, order: &Perm, turned: &[bool; 3]) -> Vec<Told, SEATINGS> {
        let wiring = self.input.wiring;
        let i_used = used(wiring, false);
        let mut out = Vec::new();
        for seating in &self.seatings {
            let v_lines = seating.connection.v.map(|s| s.line);
            let i_turned = masked(turned.map(|t| t != seating.flipped), i_used);
            let i_lines = then(order, &v_lines);
            let mut connection = seating.connection;
            for (k, seat) in connection.i.iter_mut().enumerate() {
                *seat = Seat { line: pick(&i_lines, k), reversed: pick(&i_turned, k) };
            }
            let clamps = connection.clamp_faults();
            let few = seating.faults.count + clamps.count <= 2 && seating.plain;
            let habit = seating.faults.count == 0 && connection.all_clamps_turned();
            let cost = seating.faults.cost_with(&clamps) + seating.supply_cost;
            // One for each seating, so there is room.
            let _ = out.push(Told { connection, cost, guarded: few || habit });
        }
        out
    }

    pub(super) fn candidates(&self) -> Vec<Candidate, CANDIDATES> {
        let wiring = self.input.wiring;
        let kind = self.input.load;
        let v_deg = self.voltages.phases.map(|v| v.arg() * DEG);
        let witness = Witness::of(self.input, &self.voltages.turned, self.voltages.phases);
        let mut out: Vec<Candidate, CANDIDATES> = Vec::new();
        for turned in turnings(used(wiring, false)) {
            let currents = phase_currents(wiring, &self.channels.i, &turned);
            let judged_currents = self.judged_currents(&currents);
            let magnitude = self.magnitude_cost(&currents);
            let level = self.level(&turned);
            let i_deg = currents.map(|i| i.arg() * DEG);
            for order in perms(wiring.phases()) {
                let mut phi_deg = [0.0; 3];
                let mut judged = [false; 3];
                for (k, (phi, j)) in phi_deg.iter_mut().zip(&mut judged).enumerate() {
                    let from = source(order, k);
                    *j = pick(&judged_currents, from);
                    *phi = wrap(pick(&v_deg, k) - pick(&i_deg, from));
                }
                let Some(agreement) = Agreement::of(&phi_deg, judged) else {
                    continue;
                };
                let connections = self.connections(order, &turned);
                let mut least: Option<&Told> = None;
                for c in &connections {
                    if least.is_none_or(|l| c.cost < l.cost - 1e-9) {
                        least = Some(c);
                    }
                }
                let Some(least) = least else {
                    continue;
                };
                let guarded = connections.iter().any(|c| c.guarded);
                let (zone, odd) = zone(kind, agreement.centre_deg);
                let linear = witness.as_ref().and_then(|w| w.load(order, &turned));
                let vouched = agreement.coherent()
                    && linear.is_some_and(|l| l.suits(agreement.centre_deg))
                    && (kind == LoadKind::Unknown || zone != Zone::Refuted);
                // Where harmonics show capacitors, leading is less of a surprise and no motor's
                // band a measure; that names a connection, and makes none right.
                let shown = vouched && linear.is_some_and(|l| !l.machine);
                let odd = if shown { odd.min(SHOWN) } else { odd };
                let of_level = if shown { 0.0 } else { level.cost(agreement.centre_deg) };
                let evidence = of_level + self.change(order, &turned);
                // An unusual angle and a current that does not suit it are one surprise.
                let load = if zone == Zone::Expected { odd.max(evidence) } else { odd + evidence };
                let cost = least.cost + agreement.cost + load + magnitude;
                let _ = out.push(Candidate {
                    order: *order,
                    turned,
                    connection: least.connection,
                    guarded,
                    agreement,
                    zone,
                    evidence,
                    unvouched: 0.0,
                    vouched,
                    surely: vouched && linear.is_some_and(|l| l.sure),
                    cost,
                    phi_deg,
                    judged,
                });
            }
        }
        if out.iter().any(|c| c.vouched) {
            let sure = out.iter().any(|c| c.surely);
            for c in out.iter_mut().filter(|c| !c.vouched) {
                c.unvouched = if sure { SURELY_NOT } else { UNVOUCHED };
                c.cost += c.unvouched;
            }
        }
        out
    }

    /// What the second load point says of a pairing, in nats.
    pub(super) fn change(&self, order: &Perm, turned: &[bool; 3]) -> f64 {
        let Some(second) = &self.input.second_load else {
            return 0.0;
        };
        let c = Channels::of(&HookupInput { phasors: *second, rms: [0.0; ACTIVE], ..*self.input });
        let v = star(self.input.wiring, &c.v, &self.voltages.turned);
        let before = self.picture(order, turned, self.input_phasors());
        change_cost(self.input.load, &before, &self.picture(order, turned, (v, c.i)))
    }

    /// Readings line by line once a connection is mended.
    pub(super) fn mended(&self, c: &Candidate, connection: &Connection) -> LoadPicture {
        let by_position = self.picture(&c.order, &c.turned, self.input_phasors());
        let mut out = LoadPicture { count: by_position.count, ..LoadPicture::default() };
        for (position, seat) in connection.v.iter().enumerate() {
            if let Some(line) = out.phases.get_mut(seat.line) {
                *line = pick(&by_position.phases, position);
            }
        }
        out
    }

    pub(super) fn explanation(
        &self,
        c: &Candidate,
        connection: &Connection,
        cost: f64,
        same: bool,
    ) -> Explanation {
        Explanation {
            connection: *connection,
            moves: connection.moves(),
            load: self.mended(c, connection),
            same_power: same,
            cost,
        }
    }
}

pub(super) fn masked(turned: [bool; 3], used: [bool; 3]) -> [bool; 3] {
    let mut out = turned;
    for (t, u) in out.iter_mut().zip(used) {
        *t &= u;
    }
    out
}

pub(super) fn cheapest(
    candidates: &[Candidate],
    wanted: impl Fn(&Candidate) -> bool,
) -> Option<&Candidate> {
    let mut best: Option<&Candidate> = None;
    for c in candidates.iter().filter(|c| wanted(c)) {
        if best.is_none_or(|b| c.cost < b.cost) {
            best = Some(c);
        }
    }
    best
}
