//! Simulated feeders and every way of miswiring them, as channel phasors.
//! Shared by the tests of the connection check and the `hookup_table` example.
#![allow(dead_code, reason = "each user needs a part of it")]

mod harmonics;

pub use harmonics::Setting;
use harmonics::{Load, Order, orders};
use std::f64::consts::PI;
use wattless_core::complex::Complex;
use wattless_core::hookup::{HarmonicPhasors, HookupInput, LoadKind, Nameplate};
use wattless_core::sequence::Components;
use wattless_core::wiring::Wiring;

/// A small linear congruential generator (constants of Knuth's MMIX).
pub struct Lcg(pub u64);

impl Lcg {
    /// Uniform from 0 to 1.
    pub fn unit(&mut self) -> f64 {
        self.0 =
            self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Uniform within limits.
    pub fn within(&mut self, from: f64, to: f64) -> f64 {
        from + (to - from) * self.unit()
    }

    /// A whole number below `n`.
    pub fn below(&mut self, n: usize) -> usize {
        ((self.unit() * n as f64) as usize).min(n - 1)
    }

    /// A phasor of a given size at any angle.
    pub fn phasor(&mut self, size: f64) -> Complex {
        let angle = self.within(-PI, PI);
        Complex::unit(angle).scale(size)
    }
}

/// A phasor from magnitude and degrees.
pub fn at(magnitude: f64, deg: f64) -> Complex {
    Complex::unit(deg * PI / 180.0).scale(magnitude)
}

/// Kinds of simulated load.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sort {
    /// Induction motor, from no load to 110 %.
    Motor,
    /// Induction motor at no load to a fifth of its load.
    LightMotor,
    /// Motor with capacitors that leave it lagging or leading by up to 25°.
    Corrected,
    /// Leading by 30 to 90°.
    Leading,
    /// Motor beside single-phase loads of −15 to 60°.
    Mixed,
    /// One load between two lines, nothing else.
    BetweenLines,
    /// Feeding back.
    Generator,
}

/// A feeder: what its lines really carry.
#[derive(Clone, Copy, Debug)]
pub struct Feeder {
    pub sort: Sort,
    pub v: [Complex; 3],
    pub i: [Complex; 3],
    pub rated_a: f64,
    pub rated_pf: f64,
    pub range_a: f64,
    pub four_wire: bool,
    /// The 5th and the 7th.
    pub harmonics: [Order; 2],
    pub setting: Setting,
}

impl Feeder {
    /// A feeder of a sort at random: V unbalance to 3 %, I unbalance to 15 %.
    pub fn random(rng: &mut Lcg, sort: Sort, four_wire: bool) -> Self {
        let v = Components {
            zero: rng_phasor(rng, if four_wire { 2.3 } else { 0.0 }),
            positive: at(rng.within(218.0, 242.0), rng.within(-180.0, 180.0)),
            negative: rng_phasor(rng, 0.03 * 230.0),
        }
        .phasors();
        let rated_a = rng.within(20.0, 400.0);
        let rated_pf = rng.within(0.78, 0.92);
        let range_a = rated_a / rng.within(0.45, 1.2);
        let load = match sort {
            Sort::LightMotor => rng.within(0.0, 0.2),
            _ => rng.within(0.0, 1.1),
        };
        let q = libm::sqrt(1.0 - rated_pf * rated_pf);
        let no_load = q * rng.within(0.6, 0.92);
        let mut active = rated_pf * (0.035 + 0.965 * load);
        let mut reactive = no_load + (q - no_load) * load * load;
        let magnetizing = reactive;
        match sort {
            Sort::Corrected => {
                let phi = rng.within(-25.0, 30.0) * PI / 180.0;
                active = active.max(0.1);
                reactive = reactive.min(active * libm::tan(phi));
            }
            Sort::Leading => {
                let phi = rng.within(-90.0, -30.0) * PI / 180.0;
                let size = rng.within(0.15, 1.0);
                let (s, c) = libm::sincos(phi);
                (active, reactive) = (size * c, size * s);
            }
            Sort::Generator => active = -active.max(0.1),
            _ => {}
        }
        let turn = v[0] + at(1.0, 120.0) * v[1] + at(1.0, -120.0) * v[2];
        let turn = turn.scale(1.0 / turn.abs());
        let positive = turn * Complex::new(active, -reactive).scale(rated_a);
        let size = positive.abs();
        let mut i = Components {
            zero: rng_phasor(rng, if four_wire { 0.03 * size } else { 0.0 }),
            positive,
            negative: rng_phasor(rng, 0.15 * size),
        }
        .phasors();
        match sort {
            Sort::Mixed => {
                for (i, v) in i.iter_mut().zip(&v) {
                    let size = rated_a * rng.within(0.0, 0.6);
                    let phi = rng.within(-15.0, 60.0);
                    *i += v.scale(1.0 / v.abs()) * at(size, -phi);
                }
                if !four_wire {
                    let n = (i[0] + i[1] + i[2]).scale(1.0 / 3.0);
                    i = i.map(|x| x - n);
                }
            }
            Sort::BetweenLines => {
                let (a, b) = [(0, 1), (1, 2), (2, 0)][rng.below(3)];
                let u = v[a] - v[b];
                let flows = u.scale(1.0 / u.abs())
                    * at(rated_a * rng.within(0.1, 1.0), -rng.within(0.0, 75.0));
                i = [Complex::ZERO; 3];
                i[a] = flows;
                i[b] = Complex::ZERO - flows;
            }
            _ => {}
        }
        let harmonics = [Order::default(); 2];
        let setting = Setting::Linear;
        let mut f =
            Feeder { sort, v, i, rated_a, rated_pf, range_a, four_wire, harmonics, setting };
        // Numbers of their own: what there is at the fundamental does not depend on them.
        let mut own = Lcg(rng.0 ^ 0x5757);
        f.setting = Setting::random(&mut own);
        // A bank that leads has more or less of a machine beside it; what feeds back is an
        // induction machine, or an inverter with the capacitors of its filter.
        let (machine, capacitors, drives) = match sort {
            Sort::Corrected => (1.0, magnetizing - reactive, 0.3),
            Sort::Leading => {
                let machine = own.below(3) as f64 / 2.0;
                (machine, machine * magnetizing - reactive, 0.3)
            }
            Sort::Generator if own.below(2) == 0 => (0.0, own.within(0.02, 0.06), 0.1),
            Sort::BetweenLines => (0.0, 0.0, 0.0),
            _ => (1.0, 0.0, 0.5),
        };
        f.harmonics = orders(&mut own, &f, &Load { machine, capacitors, drives }, f.setting);
        f
    }

    /// Mean current over rated current.
    pub fn level(&self) -> f64 {
        self.i.iter().map(|x| x.abs()).sum::<f64>() / 3.0 / self.rated_a
    }

    /// Mean current over the sensors' range.
    pub fn of_range(&self) -> f64 {
        self.i.iter().map(|x| x.abs()).sum::<f64>() / 3.0 / self.range_a
    }

    /// Active power of all lines, in W.
    pub fn p_w(&self) -> f64 {
        self.v.iter().zip(&self.i).map(|(v, i)| (*v * i.conj()).re).sum()
    }
}

fn rng_phasor(rng: &mut Lcg, most: f64) -> Complex {
    let size = most * rng.unit();
    rng.phasor(size)
}

/// Where leads and clamps really sit: line and polarity of v1 to v3 and i1 to i3.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Miswiring {
    pub v: [usize; 3],
    pub v_turned: [bool; 3],
    pub i: [usize; 3],
    pub i_turned: [bool; 3],
}

pub const ORDERS: [[usize; 3]; 6] =
    [[0, 1, 2], [1, 0, 2], [2, 1, 0], [0, 2, 1], [1, 2, 0], [2, 0, 1]];

impl Miswiring {
    pub const NONE: Miswiring =
        Miswiring { v: [0, 1, 2], v_turned: [false; 3], i: [0, 1, 2], i_turned: [false; 3] };

    /// Every single mistake: a clamp or voltage lead turned, two clamps or leads exchanged.
    pub fn singles() -> Vec<Miswiring> {
        let mut out = vec![];
        for k in 0..3 {
            let mut m = Miswiring::NONE;
            m.i_turned[k] = true;
            out.push(m);
            let mut m = Miswiring::NONE;
            m.v_turned[k] = true;
            out.push(m);
            let mut m = Miswiring::NONE;
            m.i = ORDERS[k + 1];
            out.push(m);
            let mut m = Miswiring::NONE;
            m.v = ORDERS[k + 1];
            out.push(m);
        }
        out
    }

    /// Two voltage transducers exchanged whole, where they read between lines.
    pub fn transducers() -> Vec<Miswiring> {
        let exchange = |v| Miswiring { v, v_turned: [true; 3], ..Miswiring::NONE };
        vec![exchange(ORDERS[1]), exchange(ORDERS[2]), exchange(ORDERS[3])]
    }

    /// Single mistakes of a wiring.
    pub fn singles_of(wiring: Wiring) -> Vec<Miswiring> {
        let mut out = Miswiring::singles();
        if wiring == Wiring::ThreeWireLine {
            out.extend(Miswiring::transducers());
        }
        Miswiring::distinct(out, wiring)
    }

    /// Pairs of mistakes of a wiring that leave one; see [`Miswiring::ambiguous`].
    pub fn doubles_of(wiring: Wiring) -> Vec<Miswiring> {
        let singles = Miswiring::singles_of(wiring);
        let mut out = vec![];
        for a in &singles {
            out.extend(singles.iter().map(|b| a.and(b)).filter(|m| !singles.contains(m)));
        }
        let ambiguous = Miswiring::ambiguous(wiring);
        out.retain(|m| !ambiguous.contains(m));
        Miswiring::distinct(out, wiring)
    }

    /// What turns the angle of a balanced load by 60° and nothing else: all clamps shifted by
    /// one line and turned, and, where transducers read between lines, a voltage exchange
    /// at the taps together with one of transducers, which comes to the same.
    pub fn ambiguous(wiring: Wiring) -> Vec<Miswiring> {
        let mut out = Miswiring::shifted_and_turned();
        if wiring == Wiring::ThreeWireLine {
            for m in Miswiring::transducers() {
                for v in ORDERS.into_iter().skip(1).take(3) {
                    out.push(m.and(&Miswiring { v, ..Miswiring::NONE }));
                }
            }
            out.retain(|m| m.v != m.i);
        }
        Miswiring::distinct(out, wiring)
    }

    /// Without doubles, without what is unused, without what is right for power.
    pub fn distinct(list: Vec<Miswiring>, wiring: Wiring) -> Vec<Miswiring> {
        let mut out: Vec<Miswiring> = vec![];
        for m in list {
            let m = m.of(wiring);
            if !m.right_for_power(wiring) && !out.contains(&m) {
                out.push(m);
            }
        }
        out
    }

    /// This mistake made on top of another.
    pub fn and(&self, o: &Miswiring) -> Miswiring {
        let mut m = *self;
        for k in 0..3 {
            m.v[k] = self.v[o.v[k]];
            m.v_turned[k] = self.v_turned[k] ^ o.v_turned[k];
            m.i[k] = self.i[o.i[k]];
            m.i_turned[k] = self.i_turned[k] ^ o.i_turned[k];
        }
        m
    }

    pub fn clamps(i: [usize; 3], i_turned: [bool; 3]) -> Miswiring {
        Miswiring { i, i_turned, ..Miswiring::NONE }
    }

    /// All clamps turned, without and with all voltage transducers in place.
    pub fn all_turned() -> Vec<Miswiring> {
        vec![
            Miswiring::clamps([0, 1, 2], [true; 3]),
            Miswiring { v_turned: [true; 3], ..Miswiring::NONE },
        ]
    }

    /// All clamps, or all voltage leads, shifted by one line.
    pub fn shifted() -> Vec<Miswiring> {
        let mut out = vec![];
        for order in [ORDERS[4], ORDERS[5]] {
            out.push(Miswiring::clamps(order, [false; 3]));
            out.push(Miswiring { v: order, ..Miswiring::NONE });
        }
        out
    }

    /// All clamps shifted by one line and turned.
    pub fn shifted_and_turned() -> Vec<Miswiring> {
        [ORDERS[4], ORDERS[5]].map(|order| Miswiring::clamps(order, [true; 3])).to_vec()
    }

    /// Anything at all.
    pub fn random(rng: &mut Lcg, voltages_turned: bool) -> Miswiring {
        let mut turned = || [rng.below(2) == 1, rng.below(2) == 1, rng.below(2) == 1];
        let i_turned = turned();
        let v_turned = if voltages_turned { turned() } else { [false; 3] };
        Miswiring { v: ORDERS[rng.below(6)], i: ORDERS[rng.below(6)], v_turned, i_turned }
    }

    /// The same without what the wiring does not use.
    pub fn of(&self, wiring: Wiring) -> Miswiring {
        let uses = wiring.uses();
        let mut m = *self;
        for k in 0..3 {
            m.v_turned[k] &= uses[k];
            m.i_turned[k] &= uses[3 + k];
        }
        m
    }

    /// Whether every clamp faces its voltage's way on its voltage's line: power is right.
    ///
    /// Voltage leads must also agree among each other, else line voltages are wrong.
    pub fn right_for_power(&self, wiring: Wiring) -> bool {
        let uses = wiring.uses();
        let turned =
            (0..3).map(|k| (k, self.v_turned[k])).chain((0..3).map(|k| (3 + k, self.i_turned[k])));
        let mut turned = turned.filter(|(slot, _)| uses[*slot]).map(|(_, t)| t);
        let first = turned.next();
        self.v == self.i && turned.all(|t| Some(t) == first)
    }

    /// Smallest number of single mistakes that make it.
    pub fn mistakes(&self) -> usize {
        let exchanges = |p: &[usize; 3]| (0..3).filter(|k| p[*k] != *k).count().saturating_sub(1);
        let turned = |t: &[bool; 3]| t.iter().filter(|t| **t).count();
        exchanges(&self.v) + exchanges(&self.i) + turned(&self.v_turned) + turned(&self.i_turned)
    }
}

/// What the channels read.
pub fn read(f: &Feeder, m: &Miswiring, wiring: Wiring, rng: &mut Lcg) -> HookupInput {
    // Any common point will do where there is no neutral.
    let common = rng_phasor(rng, 40.0);
    let mut phasors = channels(&f.v, &f.i, common, m, wiring);
    let range_rms = [480.0, 480.0, 480.0, f.range_a, f.range_a, f.range_a];
    let mut harmonics = f.harmonics.map(|h| channels(&h.v, &h.i, Complex::ZERO, m, wiring));
    let mut own = Lcg(rng.0 ^ 0x7575);
    for (k, x) in phasors.iter_mut().enumerate() {
        // Ratio and phase errors of sensors (classes 0.5 to 3), noise of the input.
        let current = if k < 3 { 0.0 } else { 1.0 };
        let ratio = 1.0 + rng.within(-0.005, 0.005) + current * rng.within(-0.015, 0.015);
        let turn = rng.within(-0.3, 0.3) + current * rng.within(-1.2, 1.2);
        *x = *x * at(ratio, turn) + rng_phasor(rng, 0.0005 * range_rms[k]);
        // What samples a channel later than another turns a harmonic by as many times more.
        let later = own.within(-0.5, 0.5);
        for (h, x) in [5.0, 7.0].into_iter().zip(&mut harmonics) {
            x[k] =
                x[k] * at(ratio, turn / h + h * later) + rng_phasor(&mut own, 1e-4 * range_rms[k]);
        }
    }
    let [fifth, seventh] = harmonics;
    let harmonics = Some(HarmonicPhasors { fifth, seventh });
    HookupInput { range_rms, harmonics, ..HookupInput::new(wiring, phasors, Some(50.0)) }
}

/// What channels read of lines, before sensors' errors.
fn channels(
    v: &[Complex; 3],
    i: &[Complex; 3],
    common: Complex,
    m: &Miswiring,
    wiring: Wiring,
) -> [Complex; 6] {
    let sign = |t: bool| if t { -1.0 } else { 1.0 };
    let line = |k: usize| v[m.v[k]];
    let v: [Complex; 3] = match wiring {
        Wiring::FourWire => [0, 1, 2].map(line),
        Wiring::ThreeWire | Wiring::TwoSensor => [0, 1, 2].map(|k| line(k) - common),
        Wiring::ThreeWireLine => [line(0) - line(1), line(1) - line(2), line(2) - line(0)],
        _ => [line(0) - line(1), Complex::ZERO, line(2) - line(1)],
    };
    let mut out = [Complex::ZERO; 6];
    let two = matches!(wiring, Wiring::TwoSensor | Wiring::TwoSensorLine);
    for k in 0..3 {
        out[k] = v[k].scale(sign(m.v_turned[k]));
        if !(two && k == 1) {
            out[3 + k] = i[m.i[k]].scale(sign(m.i_turned[k]));
        }
    }
    out
}

/// The load kind an electrician would name for a sort of feeder.
pub fn kind(sort: Sort) -> LoadKind {
    match sort {
        Sort::Motor | Sort::LightMotor => LoadKind::Motor,
        Sort::Corrected => LoadKind::Corrected,
        Sort::Leading => LoadKind::MayLead,
        Sort::Generator => LoadKind::Generating,
        Sort::Mixed | Sort::BetweenLines => LoadKind::Unknown,
    }
}

/// The nameplate of a feeder.
pub fn nameplate(f: &Feeder) -> Option<Nameplate> {
    Some(Nameplate { rated_a: f.rated_a, rated_pf: Some(f.rated_pf) })
}
