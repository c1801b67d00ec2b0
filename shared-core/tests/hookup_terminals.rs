//! The connection check against leads that are put on terminals one by one.
//!
//! The truth here is physical and knows nothing of how the check thinks: every transducer has
//! two wires on two terminals, every clamp one conductor and a side that faces the load, any
//! of them may share a conductor. Applying the moves to that must leave it right for power.

mod hookup_sim;

use hookup_sim::{Lcg, at};
use std::collections::BTreeMap;
use wattless_core::complex::Complex;
use wattless_core::frame::{ACTIVE, Channel};
use wattless_core::hookup::{
    Action, Connection, HookupInput, HookupReport, Lead, LoadKind, Moves, NextCheck, Place, Reason,
    Verdict, check,
};
use wattless_core::sequence::Components;
use wattless_core::wiring::Wiring;

/// Neutral, or the common point of the voltage leads.
const N: usize = 3;

/// Terminals of a transducer's two wires; or conductor of a clamp, and whether it faces back.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Seat {
    Wires(usize, usize),
    Clamp(usize, bool),
}

impl Seat {
    fn turned(self) -> Seat {
        match self {
            Seat::Wires(a, b) => Seat::Wires(b, a),
            Seat::Clamp(line, back) => Seat::Clamp(line, !back),
        }
    }
}

type Leads = BTreeMap<usize, Seat>;

fn lines_of(wiring: Wiring) -> bool {
    matches!(wiring, Wiring::ThreeWireLine | Wiring::TwoSensorLine)
}

fn right(wiring: Wiring) -> Leads {
    let wires = |slot: usize| match (wiring, slot) {
        (Wiring::ThreeWireLine, _) => Seat::Wires(slot, (slot + 1) % 3),
        (Wiring::TwoSensorLine, 0) => Seat::Wires(0, 1),
        (Wiring::TwoSensorLine, _) => Seat::Wires(2, 1),
        _ => Seat::Wires(slot, N),
    };
    let seat = |slot: usize| if slot < 3 { wires(slot) } else { Seat::Clamp(slot - 3, false) };
    (0..ACTIVE).filter(|slot| wiring.uses()[*slot]).map(|slot| (slot, seat(slot))).collect()
}

/// The same with lines called otherwise, and everything turned: power is the same.
fn renamed(leads: &Leads, order: &[usize], turned: bool) -> Leads {
    let line = |k: usize| order.get(k).copied().unwrap_or(k);
    let seat = |s: Seat| match s {
        Seat::Wires(a, b) => Seat::Wires(line(a), line(b)),
        Seat::Clamp(k, back) => Seat::Clamp(line(k), back),
    };
    let turn = |s: Seat| if turned { s.turned() } else { s };
    leads.iter().map(|(slot, s)| (*slot, turn(seat(*s)))).collect()
}

fn orders(wiring: Wiring) -> Vec<Vec<usize>> {
    match wiring.phases() {
        1 => vec![vec![0]],
        2 => vec![vec![0, 1], vec![1, 0]],
        _ => hookup_sim::ORDERS.iter().map(|o| o.to_vec()).collect(),
    }
}

fn same_power(wiring: Wiring, a: &Leads, b: &Leads) -> bool {
    orders(wiring).iter().any(|o| [false, true].iter().any(|t| renamed(a, o, *t) == *b))
}

/// One thing done wrong.
#[derive(Clone, Copy, Debug)]
enum Mistake {
    Turn(usize),
    Exchange(usize, usize),
    /// Two wires exchanged where transducers tap the lines.
    Taps(usize, usize),
    /// A clamp put around a conductor, whether another is there or not.
    Onto(usize, usize),
}

fn mistakes(wiring: Wiring) -> Vec<Mistake> {
    let slots: Vec<usize> = right(wiring).into_keys().collect();
    let mut out: Vec<Mistake> = slots.iter().map(|s| Mistake::Turn(*s)).collect();
    for (n, a) in slots.iter().enumerate() {
        for b in slots.iter().skip(n + 1).filter(|b| (*a < 3) == (**b < 3)) {
            out.push(Mistake::Exchange(*a, *b));
        }
    }
    if lines_of(wiring) {
        out.extend([Mistake::Taps(0, 1), Mistake::Taps(1, 2), Mistake::Taps(0, 2)]);
    }
    if wiring.phases() == 3 {
        for slot in slots.into_iter().filter(|s| *s > 2) {
            out.extend((0..3).filter(|k| *k != slot - 3).map(|k| Mistake::Onto(slot, k)));
        }
    }
    out
}

fn make(leads: &mut Leads, mistake: Mistake) {
    match mistake {
        Mistake::Turn(slot) => leads.insert(slot, leads[&slot].turned()),
        Mistake::Exchange(a, b) => {
            let (x, y) = (leads[&a], leads[&b]);
            leads.insert(b, x);
            leads.insert(a, y)
        }
        Mistake::Taps(a, b) => {
            let line = |k: usize| {
                if k == a {
                    b
                } else if k == b {
                    a
                } else {
                    k
                }
            };
            for seat in leads.values_mut() {
                if let Seat::Wires(x, y) = *seat {
                    *seat = Seat::Wires(line(x), line(y));
                }
            }
            None
        }
        Mistake::Onto(slot, line) => {
            let Seat::Clamp(_, back) = leads[&slot] else { panic!("no clamp") };
            leads.insert(slot, Seat::Clamp(line, back))
        }
    };
}

/// What two mistakes can come to that nothing tells from another load: transducers exchanged
/// and two taps as well, which shifts all line voltages by one and turns them.
fn alike_in_principle(wiring: Wiring, leads: &Leads) -> bool {
    let shifted = |by: usize| {
        right(wiring)
            .into_iter()
            .map(|(slot, seat)| match seat {
                Seat::Clamp(k, _) => (slot, Seat::Clamp((k + by) % 3, true)),
                wires => (slot, wires),
            })
            .collect::<Leads>()
    };
    lines_of(wiring) && [1, 2].into_iter().any(|by| same_power(wiring, &shifted(by), leads))
}

/// A feeder's terminals: voltages against neutral and line currents.
#[derive(Clone, Debug)]
struct Feeder {
    v: [Complex; 4],
    i: [Complex; 3],
    load: LoadKind,
    s: f64,
    power: Complex,
}

fn feeder(rng: &mut Lcg, wiring: Wiring) -> Feeder {
    let (size, around) = (rng.within(5.0, 300.0), rng.within(-180.0, 180.0));
    let (load, phi) = match rng.below(3) {
        0 => (LoadKind::Motor, rng.within(25.0, 85.0)),
        1 => (LoadKind::Corrected, rng.within(-25.0, 25.0)),
        _ => (LoadKind::Unknown, rng.within(25.0, 60.0)),
    };
    let (mut v, mut i) = ([Complex::ZERO; 4], [Complex::ZERO; 3]);
    let neutral = matches!(wiring, Wiring::FourWire | Wiring::SplitPhase);
    match wiring.phases() {
        1 => (v[0], i[0]) = (at(230.0, around), at(size, around - phi)),
        2 => {
            for (k, turn) in [(0, around), (1, around + 180.0)] {
                v[k] = at(rng.within(117.0, 123.0), turn + rng.within(-0.5, 0.5));
                i[k] = at(size, turn - phi);
            }
        }
        _ => {
            let part = |rng: &mut Lcg, most: f64| at(rng.within(0.0, most), rng.within(0.0, 360.0));
            let zero = if neutral { 1.0 } else { 0.0 };
            let vs = Components {
                zero: part(rng, 2.0 * zero),
                positive: at(rng.within(220.0, 290.0), around),
                negative: part(rng, 7.0),
            };
            let is = Components {
                zero: part(rng, 0.03 * zero * size),
                positive: at(size, around - phi),
                negative: part(rng, 0.12 * size),
            };
            v[..3].copy_from_slice(&vs.phasors());
            i = is.phasors();
        }
    }
    if load == LoadKind::Unknown && neutral {
        for (i, v) in i.iter_mut().zip(v).take(wiring.phases()) {
            let single = at(size * rng.within(0.0, 0.5), rng.within(-45.0, 15.0));
            *i += v.scale(1.0 / v.abs()) * single;
        }
    }
    if matches!(wiring, Wiring::ThreeWire | Wiring::TwoSensor) {
        v[N] = at(rng.within(0.0, 60.0), rng.within(0.0, 360.0));
    }
    let power = v.iter().zip(i).fold(Complex::ZERO, |s, (v, i)| s + *v * i.conj());
    let s = v.iter().zip(i).map(|(v, i)| v.abs() * i.abs()).sum();
    Feeder { v, i, load, s, power }
}

fn read(rng: &mut Lcg, wiring: Wiring, f: &Feeder, leads: &Leads) -> HookupInput {
    let mut x = [Complex::ZERO; ACTIVE];
    for (slot, seat) in leads {
        let wave = match *seat {
            Seat::Wires(a, b) => f.v[a] - f.v[b],
            Seat::Clamp(k, back) => f.i[k].scale(if back { -1.0 } else { 1.0 }),
        };
        let error = if *slot < 3 { 0.003 } else { 0.012 };
        let turn = rng.within(-60.0, 60.0) * error;
        x[*slot] = wave * at(1.0 + rng.within(-error, error), turn);
    }
    HookupInput::new(wiring, x, Some(50.0))
}

fn wires(place: Place) -> (usize, usize) {
    match place {
        Place::L1 => (0, N),
        Place::L2 => (1, N),
        Place::L3 => (2, N),
        Place::L1L2 => (0, 1),
        Place::L2L3 => (1, 2),
        Place::L3L1 => (2, 0),
        Place::L3L2 => (2, 1),
        Place::N => (N, N),
    }
}

fn seat(channel: Channel, place: Place, reversed: bool) -> Seat {
    let (a, b) = wires(place);
    let seat = if channel.is_voltage() { Seat::Wires(a, b) } else { Seat::Clamp(a, false) };
    if reversed { seat.turned() } else { seat }
}

fn leads_of(connection: &Connection) -> Leads {
    let places = connection.placements();
    places.iter().map(|p| (p.channel.slot(), seat(p.channel, p.place, p.reversed))).collect()
}

/// Which of the two ways round a seat is, against the way its place is named.
fn is_turned(wiring: Wiring, seat: Seat) -> bool {
    match seat {
        Seat::Clamp(_, back) => back,
        Seat::Wires(a, b) => match wiring {
            Wiring::TwoSensorLine => [(1, 0), (1, 2), (0, 2)].contains(&(a, b)),
            Wiring::ThreeWireLine => [(1, 0), (2, 1), (0, 2)].contains(&(a, b)),
            _ => a == N,
        },
    }
}

fn apply(wiring: Wiring, leads: &Leads, moves: &Moves) -> Leads {
    let mut leads = leads.clone();
    for m in moves {
        let Lead::Channel(channel) = m.lead else { panic!("{m:?}") };
        let now = leads[&channel.slot()];
        let turned = is_turned(wiring, now);
        let then = match m.action {
            Action::Turn => now.turned(),
            Action::Move | Action::Connect => seat(channel, m.to, turned),
            Action::MoveAndTurn => seat(channel, m.to, !turned),
        };
        leads.insert(channel.slot(), then);
    }
    leads
}

/// Whether the moves mend it, or the truth is among what is told.
fn mended_or_told(wiring: Wiring, leads: &Leads, report: &HookupReport) -> bool {
    let told = report.best.iter().chain(&report.alternatives);
    let mut told = told.map(|e| leads_of(&e.connection));
    same_power(wiring, &right(wiring), &apply(wiring, leads, &report.moves()))
        || told.any(|t| same_power(wiring, &t, leads))
}

/// Readings after the moves are the true ones, where the likeliest explanation is the truth.
fn readings_hold(wiring: Wiring, f: &Feeder, leads: &Leads, report: &HookupReport) -> bool {
    let Some(best) = &report.best else { return true };
    if !best.load.complete() || !same_power(wiring, &leads_of(&best.connection), leads) {
        return true;
    }
    let read = Complex::new(best.load.p1_w(), best.load.q1_var());
    // Clamps err by 1.2 % and 0.7°, the reconstructed third by more.
    (read - f.power).abs() < 0.06 * f.s
}

const FEEDERS: usize = 1500;

#[test]
fn up_to_two_mistakes_are_never_right_and_always_mended() {
    for wiring in Wiring::ALL {
        let mut rng = Lcg(2026 + u64::from(wiring.code()));
        let (mut wrong, mut doubtful) = (0, 0);
        for _ in 0..FEEDERS {
            let all = mistakes(wiring);
            let mut leads = right(wiring);
            let made: Vec<Mistake> =
                (0..1 + rng.below(2)).map(|_| all[rng.below(all.len())]).collect();
            made.iter().for_each(|m| make(&mut leads, *m));
            let f = feeder(&mut rng, wiring);
            if alike_in_principle(wiring, &leads) {
                continue;
            }
            let is_right = same_power(wiring, &right(wiring), &leads);
            let input = read(&mut rng, wiring, &f, &leads);
            for load in [LoadKind::Unknown, f.load] {
                let report = check(&HookupInput { load, ..input });
                let case = || format!("{} {made:?} {load:?} {f:?}\n{report:?}", wiring.name());
                if is_right {
                    assert_ne!(report.verdict, Verdict::Wrong, "{}", case());
                    continue;
                }
                assert_ne!(report.verdict, Verdict::Right, "{}", case());
                wrong += u32::from(report.verdict == Verdict::Wrong);
                doubtful += u32::from(report.verdict == Verdict::Doubtful);
                if report.verdict == Verdict::Wrong {
                    assert!(mended_or_told(wiring, &leads, &report), "{}", case());
                    assert!(readings_hold(wiring, &f, &leads, &report), "{}", case());
                }
            }
        }
        println!("{}: {wrong} wrong, {doubtful} doubtful", wiring.name());
        assert!(wrong > 4 * doubtful, "{}: {wrong} wrong, {doubtful} doubtful", wiring.name());
    }
}

/// Clamps that share a conductor, by name: the moves part them, and what no clamp reads is
/// not known beforehand unless the others give it.
#[test]
fn clamps_on_one_conductor_are_named() {
    for wiring in Wiring::ALL.into_iter().filter(|w| w.phases() == 3) {
        let three = wiring.uses()[4];
        let mut rng = Lcg(11);
        for (one, other) in if three { vec![(0, 1), (1, 2), (2, 0)] } else { vec![(0, 2)] } {
            for back in [false, true] {
                for _ in 0..100 {
                    let f = feeder(&mut rng, wiring);
                    let mut leads = right(wiring);
                    leads.insert(3 + other, Seat::Clamp(one, back));
                    let input = read(&mut rng, wiring, &f, &leads);
                    let report = check(&HookupInput { load: f.load, ..input });
                    let case = || format!("{} {leads:?} {f:?}\n{report:?}", wiring.name());
                    let named = report.reasons.iter().any(|r| match r {
                        Reason::CurrentsSame { .. } => !back,
                        Reason::CurrentsOpposite { .. } => back,
                        _ => false,
                    });
                    assert!(named, "{}", case());
                    // A load between two lines is the same picture until more is known.
                    let sure =
                        !back || f.load == LoadKind::Motor || (three && wiring.is_three_wire());
                    let want = if sure { Verdict::Wrong } else { Verdict::Doubtful };
                    // The angles themselves may say more.
                    assert!([want, Verdict::Wrong].contains(&report.verdict), "{}", case());
                    assert!(mended_or_told(wiring, &leads, &report), "{}", case());
                    let best = report.best.as_ref().unwrap();
                    if same_power(wiring, &leads_of(&best.connection), &leads) {
                        let known = three && wiring.is_three_wire();
                        assert_eq!(best.load.complete(), known, "{}", case());
                    }
                }
            }
        }
    }
}

/// A load between two legs reads the same with clamps exchanged as with both turned; other
/// loads do not, so that both are told, with what tells them apart.
#[test]
fn exchanged_and_turned_clamps_of_two_legs_are_both_told() {
    let wiring = Wiring::SplitPhase;
    let v = [at(120.0, 0.0), at(120.0, 180.0), Complex::ZERO, Complex::ZERO];
    let i = [at(40.0, -35.0), at(40.0, 145.0), Complex::ZERO];
    let mut leads = right(wiring);
    make(&mut leads, Mistake::Exchange(3, 4));
    let mut x = [Complex::ZERO; ACTIVE];
    (x[0], x[1], x[3], x[4]) = (v[0], v[1], i[1], i[0]);
    let report = check(&HookupInput::new(wiring, x, Some(60.0)));
    assert_eq!(report.verdict, Verdict::Wrong);
    assert!(mended_or_told(wiring, &leads, &report), "{report:?}");
    for check in [NextCheck::TraceOneClamp, NextCheck::FacingOfOneClamp, NextCheck::KnownLoad] {
        assert!(report.checks.contains(&check), "{:?}", report.checks);
    }
}
