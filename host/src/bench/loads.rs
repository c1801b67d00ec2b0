//! What the loads of a feeder draw at given voltages: currents of the fundamental and harmonics.

use super::motor::{MotorModel, tan_of_pf};
use super::phasor::{M3, V3, ZERO3, add_element, quotient};
use super::scenario::{
    BankConnection, Capacitor, Connection, Harmonic, Motor, PlainLoad, Scenario,
};
use super::timeline::Activity;
use wattless_core::complex::Complex;
use wattless_core::wiring::Wiring;

/// Below this share of nominal voltage every load is an impedance.
const COLLAPSE: f64 = 0.2;

/// Reactance over resistance of a bank's series reactor; common practice.
const REACTOR_QUALITY: f64 = 40.0;

/// Line currents of a six-pulse rectifier with a choke, in percent; common practice.
const SIX_PULSE: [Harmonic; 4] =
    [line(5, 33.0, 180.0), line(7, 12.0, 0.0), line(11, 8.0, 180.0), line(13, 5.0, 0.0)];

/// Currents of a welding transformer, in percent; common practice.
const WELDING: [Harmonic; 2] = [line(3, 12.0, 0.0), line(5, 6.0, 180.0)];

const fn line(order: u8, pct: f64, angle_deg: f64) -> Harmonic {
    Harmonic { order, pct, angle_deg }
}

/// Voltages and places that loads refer to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct System {
    /// How the node is connected, and so which conductors there are.
    pub wiring: Wiring,
    /// Nominal voltage from line to neutral or star point, in V.
    pub phase_v: f64,
    /// Nominal frequency in Hz.
    pub nominal_hz: f64,
}

impl System {
    /// The system of a scenario.
    pub fn new(s: &Scenario) -> Self {
        System {
            wiring: s.supply.wiring,
            phase_v: s.nominal_phase_v(),
            nominal_hz: s.supply.nominal_hz,
        }
    }

    /// Nominal voltage across an element, in V.
    fn across_v(&self, to: Option<usize>) -> f64 {
        match (to, self.wiring) {
            (None, _) => self.phase_v,
            (Some(_), Wiring::SplitPhase) => 2.0 * self.phase_v,
            (Some(_), _) => libm::sqrt(3.0) * self.phase_v,
        }
    }

    /// The elements of a load: a star where there is a neutral, a delta where there is none.
    fn elements(&self, connected: Connection) -> Vec<(usize, Option<usize>)> {
        match connected.ends() {
            Some(ends) => vec![ends],
            None if self.wiring.is_three_wire() => DELTA.to_vec(),
            None => STAR.to_vec(),
        }
    }
}

const STAR: [(usize, Option<usize>); 3] = [(0, None), (1, None), (2, None)];
const DELTA: [(usize, Option<usize>); 3] = [(0, Some(1)), (1, Some(2)), (2, Some(0))];

/// Voltage across an element.
fn across(v: &V3, (from, to): (usize, Option<usize>)) -> Complex {
    to.map_or(v[from], |to| v[from] - v[to])
}

/// Lets an element's current flow.
fn flow(i: &mut V3, (from, to): (usize, Option<usize>), current: Complex) {
    i[from] += current;
    if let Some(to) = to {
        i[to] = i[to] - current;
    }
}

/// A load's model.
#[derive(Clone, Debug, PartialEq)]
pub enum Model {
    /// A motor on three lines.
    Motor(MotorModel),
    /// A motor on one line or between two.
    SingleMotor(MotorModel, (usize, Option<usize>), f64),
    /// A load given by power.
    Plain(Plain),
    /// A capacitor bank.
    Bank(Bank),
}

/// A load given by active and reactive power at nominal voltage.
#[derive(Clone, Debug, PartialEq)]
pub struct Plain {
    elements: Vec<(usize, Option<usize>)>,
    /// Power of one element, in W and var.
    power: Complex,
    nominal_v: f64,
    /// Power goes with voltage to this.
    exponent: f64,
    harmonics: Vec<Harmonic>,
}

/// A capacitor bank.
#[derive(Clone, Debug, PartialEq)]
pub struct Bank {
    whole: Vec<Element>,
    broken: Vec<Element>,
    /// Millisecond of the span from which it is broken.
    pub broken_from_ms: i64,
    /// Share of a series reactor.
    detuning: f64,
    /// Rated output at nominal voltage and frequency while whole, in var.
    pub nominal_var: f64,
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Element {
    ends: (usize, Option<usize>),
    /// Susceptance at nominal frequency, reactor included, in S.
    susceptance_s: f64,
}

impl Model {
    /// A motor; `None` for impossible power factors, which the scenario's check refuses.
    pub fn motor(m: &Motor, system: &System) -> Option<Model> {
        let model = MotorModel::new(m, system.phase_v)?;
        Some(match m.connected.ends() {
            None => Model::Motor(model),
            Some(ends) => Model::SingleMotor(model, ends, system.across_v(ends.1)),
        })
    }

    /// A lamp.
    pub fn lighting(l: &PlainLoad, system: &System) -> Model {
        // Between constant current and constant impedance; common practice.
        Model::plain(l, system, 0.95, 1.6, &[])
    }

    /// A resistance.
    pub fn heater(l: &PlainLoad, system: &System) -> Model {
        Model::plain(l, system, 1.0, 2.0, &[])
    }

    /// A rectifier: draws its power whatever the voltage.
    pub fn rectifier(l: &PlainLoad, system: &System) -> Model {
        Model::plain(l, system, 0.96, 0.0, &SIX_PULSE)
    }

    /// A welding transformer.
    pub fn welder(l: &PlainLoad, system: &System) -> Model {
        Model::plain(l, system, 0.5, 2.0, &WELDING)
    }

    fn plain(l: &PlainLoad, s: &System, pf: f64, exponent: f64, usual: &[Harmonic]) -> Model {
        let elements = s.elements(l.connected);
        let p = l.kw * 1e3 / elements.len() as f64;
        let q = p * tan_of_pf(l.pf.unwrap_or(pf)) * if l.leading { -1.0 } else { 1.0 };
        Model::Plain(Plain {
            nominal_v: s.across_v(elements.first().and_then(|e| e.1)),
            elements,
            power: Complex::new(p, q),
            exponent,
            harmonics: l.harmonics.clone().unwrap_or_else(|| usual.to_vec()),
        })
    }

    /// A bank, broken from a millisecond of the span on.
    pub fn bank(c: &Capacitor, system: &System, broken_from_ms: i64) -> Model {
        let ends: Vec<(usize, Option<usize>)> = match (c.connected, c.connected.single()) {
            (BankConnection::Star, _) => STAR.to_vec(),
            (_, Some(single)) => single.ends().into_iter().collect(),
            (_, None) => DELTA.to_vec(),
        };
        let nominal_v = system.across_v(ends.first().and_then(|e| e.1));
        let rated_v = match (c.rated_v, c.connected) {
            (None, _) => nominal_v,
            // The rated voltage of a star is that between lines.
            (Some(v), BankConnection::Star) => v / libm::sqrt(3.0),
            (Some(v), _) => v,
        };
        let susceptance_s = c.kvar * 1e3 / ends.len() as f64 / (rated_v * rated_v);
        let whole: Vec<Element> =
            ends.iter().map(|ends| Element { ends: *ends, susceptance_s }).collect();
        let broken = match c.dead.and_then(Connection::ends) {
            None => whole.clone(),
            Some(dead) => broken(&whole, dead),
        };
        Model::Bank(Bank {
            nominal_var: c.kvar * 1e3 * (nominal_v / rated_v) * (nominal_v / rated_v),
            whole,
            broken,
            broken_from_ms: if c.dead.is_some() { broken_from_ms } else { i64::MAX },
            detuning: c.detuning_pct / 100.0,
        })
    }

    /// Harmonics that the load brings in.
    pub fn harmonics(&self) -> &[Harmonic] {
        match self {
            Model::Plain(p) => &p.harmonics,
            _ => &[],
        }
    }

    /// Power at nominal voltage and frequency, in W and var; of a bank all of its output.
    pub fn nominal_power(&self, activity: Activity) -> Complex {
        match (self, activity) {
            (_, Activity::Off) | (Model::Plain(_), Activity::Start) => Complex::ZERO,
            (Model::Motor(m) | Model::SingleMotor(m, ..), Activity::Start) => {
                let (p, q) = m.start_power();
                Complex::new(p, q)
            }
            (Model::Motor(m) | Model::SingleMotor(m, ..), Activity::Run(load)) => {
                let (p, q) = m.power(load, 1.0, 1.0);
                Complex::new(p, q)
            }
            (Model::Plain(p), Activity::Run(load)) => p.power.scale(load * p.elements.len() as f64),
            (Model::Bank(b), Activity::Run(share)) => Complex::new(0.0, -b.nominal_var * share),
            (Model::Bank(_), Activity::Start) => Complex::ZERO,
        }
    }

    /// Fundamental currents at fundamental voltages; banks count as admittances instead.
    pub fn current(&self, activity: Activity, v: &V3, frequency: f64) -> V3 {
        match (self, activity) {
            (_, Activity::Off) | (Model::Bank(_), _) => ZERO3,
            (Model::Motor(m), Activity::Start) => m.standing(v),
            (Model::Motor(m), Activity::Run(load)) => m.running(v, load, frequency),
            (Model::SingleMotor(m, ends, nominal_v), _) => {
                let u = across(v, *ends);
                let share = u.abs() / nominal_v;
                let (p, q) = match activity {
                    Activity::Run(load) if share >= COLLAPSE => m.power(load, share, frequency),
                    _ => {
                        let (p, q) = m.start_power();
                        (p * share * share, q * share * share)
                    }
                };
                let mut i = ZERO3;
                flow(&mut i, *ends, quotient(Complex::new(p, q), u).conj());
                i
            }
            (Model::Plain(p), Activity::Run(load)) if load > 0.0 => {
                let mut i = ZERO3;
                for e in &p.elements {
                    flow(&mut i, *e, p.element_current(across(v, *e), load));
                }
                i
            }
            (Model::Plain(_), _) => ZERO3,
        }
    }

    /// Currents that a load brings in at a harmonic, given the fundamental voltages.
    pub fn harmonic_current(&self, activity: Activity, v1: &V3, order: u8) -> V3 {
        let (Model::Plain(p), Activity::Run(load)) = (self, activity) else { return ZERO3 };
        let Some(h) = p.harmonics.iter().find(|h| h.order == order) else { return ZERO3 };
        let mut i = ZERO3;
        for e in &p.elements {
            let u = across(v1, *e);
            let amount = p.element_current(u, load).abs() * h.pct / 100.0;
            let angle = f64::from(order) * u.arg() + h.angle_deg.to_radians();
            flow(&mut i, *e, Complex::unit(angle).scale(amount));
        }
        i
    }

    /// Adds what a load is at a harmonic to the feeder's admittance; order 1 is for banks only.
    pub fn add_admittance(&self, m: &mut M3, activity: Activity, at_ms: i64, order: f64) {
        match (self, activity) {
            (_, Activity::Off) => {}
            (Model::Bank(b), Activity::Run(share)) => {
                let elements = if at_ms >= b.broken_from_ms { &b.broken } else { &b.whole };
                for e in elements {
                    let y = b.admittance(e.susceptance_s * share, order);
                    add_element(m, e.ends.0, e.ends.1, y);
                }
            }
            (Model::Motor(motor), _) if order > 1.5 => {
                // A star without neutral: the same as a delta of a third of the admittance.
                let y = motor.at_harmonic(order).scale(1.0 / 3.0);
                for (from, to) in DELTA {
                    add_element(m, from, to, y);
                }
            }
            (Model::SingleMotor(motor, ends, nominal_v), _) if order > 1.5 => {
                let per_phase = motor.start_power();
                let scale = libm::hypot(per_phase.0, per_phase.1) / (nominal_v * nominal_v);
                let y = motor.at_harmonic(order);
                let standing = motor.at_harmonic(1.0).abs();
                add_element(m, ends.0, ends.1, y.scale(scale / standing));
            }
            _ => {}
        }
    }
}

impl Plain {
    fn element_current(&self, u: Complex, load: f64) -> Complex {
        let share = u.abs() / self.nominal_v;
        let exponent = if share < COLLAPSE { 2.0 } else { self.exponent };
        let s = self.power.scale(load * libm::pow(share, exponent));
        quotient(s, u).conj()
    }
}

impl Bank {
    /// Admittance of an element with its reactor at an order, from its susceptance at order 1.
    fn admittance(&self, susceptance_s: f64, order: f64) -> Complex {
        if self.detuning == 0.0 {
            return Complex::new(0.0, susceptance_s * order);
        }
        if susceptance_s == 0.0 {
            return Complex::ZERO;
        }
        let x_c = 1.0 / (susceptance_s * (1.0 - self.detuning));
        let x_l = self.detuning * x_c;
        let z = Complex::new(x_l / REACTOR_QUALITY, x_l * order - x_c / order);
        quotient(Complex::new(1.0, 0.0), z)
    }
}

/// What is left of a bank when an element has failed, or a line's fuse in front of a delta.
fn broken(whole: &[Element], dead: (usize, Option<usize>)) -> Vec<Element> {
    let delta = whole.len() == 3 && whole.iter().all(|e| e.ends.1.is_some());
    if !delta || dead.1.is_some() {
        return whole.iter().copied().filter(|e| e.ends != dead).collect();
    }
    // The two elements at the open line are in series beside the third.
    whole
        .iter()
        .filter(|e| e.ends.0 != dead.0 && e.ends.1 != Some(dead.0))
        .map(|e| Element { susceptance_s: 1.5 * e.susceptance_s, ..*e })
        .collect()
}
