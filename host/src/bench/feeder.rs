//! The simulated feeder: voltages and currents at every time of the span, and what really flowed.

use super::calendar::Stretch;
use super::control::Controller;
use super::loads::{Model, System};
use super::motor::tan_of_pf;
use super::phasor::{V3, ZERO3, product, solve, sum};
use super::scenario::{Capacitor, Duty, Scenario};
use super::supply::{KNOT_S, SupplyModel};
use super::timeline::{Activity, SpanClock, Timeline};
use wattless_core::complex::Complex;
use wattless_core::frame::{ACTIVE, NEUTRAL};
use wattless_core::wiring::{Weights, Wiring};

/// Inputs of the node: V1 to I3, and the neutral's current.
pub const INPUTS: usize = NEUTRAL + 1;

/// Rounds in which voltages and the currents that depend on them settle.
const ROUNDS: usize = 5;

/// Voltages and currents of the lines at one instant, by harmonic order.
#[derive(Clone, Debug, PartialEq)]
pub struct State {
    /// Frequency in Hz.
    pub frequency_hz: f64,
    /// Line-to-neutral voltages as RMS phasors in V, in the order of [`Feeder::orders`].
    pub v_v: Vec<V3>,
    /// Line currents as RMS phasors in A, load convention.
    pub i_a: Vec<V3>,
}

/// A load with what it does when.
#[derive(Clone, Debug)]
struct Load {
    name: String,
    model: Model,
    timeline: Timeline,
}

/// A feeder over the span of a scenario.
#[derive(Clone, Debug)]
pub struct Feeder {
    system: System,
    orders: Vec<u8>,
    loads: Vec<Load>,
    supply: SupplyModel,
    changes_ms: Vec<i64>,
    start_unix_ms: i64,
    span_ms: i64,
}

impl Feeder {
    /// Draws everything random and makes the feeder of a checked scenario.
    pub fn new(s: &Scenario) -> Feeder {
        let system = System::new(s);
        let clock = SpanClock::new(s);
        let mut feeder = Feeder {
            system,
            orders: Vec::new(),
            loads: Vec::new(),
            supply: SupplyModel::new(s, clock.whole.to_ms),
            changes_ms: Vec::new(),
            start_unix_ms: s.bounds().0.as_millisecond(),
            span_ms: clock.whole.to_ms,
        };
        for m in &s.motor {
            if let Some(model) = Model::motor(m, &system) {
                let timeline = clock.draw(&m.name, &m.duty(), Some(m.start_s));
                feeder.loads.push(Load { name: m.name.clone(), model, timeline });
            }
        }
        let kinds: [(_, fn(&_, &_) -> Model); 4] = [
            (&s.lighting, Model::lighting),
            (&s.heater, Model::heater),
            (&s.rectifier, Model::rectifier),
            (&s.welder, Model::welder),
        ];
        for (list, model) in kinds {
            for l in list {
                let timeline = clock.draw(&l.name, &l.duty(), None);
                feeder.loads.push(Load {
                    name: l.name.clone(),
                    model: model(l, &system),
                    timeline,
                });
            }
        }
        // Stepped banks follow what the other banks leave to them.
        let (stepped, plain): (Vec<_>, Vec<_>) =
            s.capacitor.iter().partition(|c| c.step_kvar.is_some());
        for c in plain.into_iter().chain(stepped) {
            let timeline = feeder.bank_timeline(c, &clock);
            let broken_from = c.dead_since.map_or(i64::MIN, |t| clock.of_local(t));
            let model = Model::bank(c, &system, broken_from);
            feeder.loads.push(Load { name: c.name.clone(), model, timeline });
        }
        feeder.find_orders(s);
        feeder.changes_ms = feeder.collect_changes();
        feeder
    }

    fn bank_timeline(&self, c: &Capacitor, clock: &SpanClock<'_>) -> Timeline {
        let Some(exists) = clock.existence(c.since, c.until) else { return Timeline::new() };
        let whole = if let Some(with) = &c.with {
            let load = self.loads.iter().find(|l| l.name == *with);
            load.map_or(Timeline::new(), |l| {
                l.timeline.map(|a| match a {
                    Activity::Off => Activity::Off,
                    _ => Activity::Run(1.0),
                })
            })
        } else if let Some(steps) = &c.step_kvar {
            let controller = Controller {
                steps_var: steps.iter().map(|k| k * 1e3).collect(),
                target_tan: tan_of_pf(c.target_pf.unwrap_or(0.95)),
                delay_ms: (c.delay_s.unwrap_or(40.0) * 1e3) as i64,
            };
            // The controller sees nothing before its bank exists.
            let mut changes = self.collect_changes();
            changes.retain(|t| *t > exists.from_ms);
            changes.insert(0, exists.from_ms);
            controller.follow(&changes, clock.whole.to_ms, |t| self.nominal_demand(t))
        } else {
            let duty = Duty {
                when: c.when.clone(),
                spread_min: 0.0,
                work_s: None,
                rest_s: None,
                work_load: [1.0, 1.0],
                rest_load: 0.0,
                pauses: false,
                since: None,
                until: None,
            };
            clock.draw(&c.name, &duty, None)
        };
        whole.only_within(exists)
    }

    fn nominal_demand(&self, t_ms: i64) -> Complex {
        self.loads
            .iter()
            .fold(Complex::ZERO, |sum, l| sum + l.model.nominal_power(l.timeline.at(t_ms)))
    }

    fn find_orders(&mut self, s: &Scenario) {
        let of_loads = self.loads.iter().flat_map(|l| l.model.harmonics());
        let mut orders: Vec<u8> = of_loads
            .chain(&s.supply.harmonics)
            .filter(|h| h.pct > 0.0)
            .map(|h| h.order)
            .chain([1])
            .collect();
        orders.sort_unstable();
        orders.dedup();
        // What the sampling cannot carry would come back as something else.
        let limit = 0.45 * s.node.sample_rate_hz / s.supply.nominal_hz;
        orders.retain(|o| f64::from(*o) < limit);
        self.orders = orders;
    }

    fn collect_changes(&self) -> Vec<i64> {
        let breaks = self.loads.iter().filter_map(|l| match &l.model {
            Model::Bank(b) => Some(b.broken_from_ms),
            _ => None,
        });
        let mut times: Vec<i64> =
            self.loads.iter().flat_map(|l| l.timeline.times()).chain(breaks).collect();
        times.retain(|t| (0..self.span_ms).contains(t));
        times.push(0);
        times.sort_unstable();
        times.dedup();
        times
    }

    /// Harmonic orders present, ascending; the first is 1.
    pub fn orders(&self) -> &[u8] {
        &self.orders
    }

    /// How the node is connected.
    pub fn wiring(&self) -> Wiring {
        self.system.wiring
    }

    /// Length of the span in milliseconds.
    pub fn span_ms(&self) -> i64 {
        self.span_ms
    }

    /// Start of the span, Unix milliseconds.
    pub fn start_unix_ms(&self) -> i64 {
        self.start_unix_ms
    }

    /// The names of all loads and banks.
    pub fn load_names(&self) -> impl Iterator<Item = &str> {
        self.loads.iter().map(|l| l.name.as_str())
    }

    /// What a load or bank does at a millisecond of the span; `None` for an unknown name.
    pub fn activity(&self, name: &str, t_ms: i64) -> Option<Activity> {
        self.loads.iter().find(|l| l.name == name).map(|l| l.timeline.at(t_ms))
    }

    /// The next time after `t_ms` at which something switches or the supply takes a new direction.
    pub fn next_change_ms(&self, t_ms: i64) -> i64 {
        let knot = (t_ms.div_euclid(KNOT_S * 1000) + 1) * KNOT_S * 1000;
        let after = self.changes_ms.partition_point(|t| *t <= t_ms);
        self.changes_ms.get(after).map_or(knot, |t| knot.min(*t)).min(self.span_ms.max(t_ms + 1))
    }

    /// Voltages and currents, with the activities of one time and the supply of another.
    ///
    /// The two differ only where a stretch without switching is looked at from its ends.
    pub fn state(&self, activity_ms: i64, supply_s: f64) -> State {
        let level = self.supply.level(supply_s);
        let frequency = level.frequency_hz / self.system.nominal_hz;
        let active: Vec<(&Model, Activity)> = self
            .loads
            .iter()
            .map(|l| (&l.model, l.timeline.at(activity_ms)))
            .filter(|(_, a)| *a != Activity::Off)
            .collect();
        let mut state = State {
            frequency_hz: level.frequency_hz,
            v_v: Vec::with_capacity(self.orders.len()),
            i_a: Vec::with_capacity(self.orders.len()),
        };
        let mut v1 = ZERO3;
        for &order in &self.orders {
            let open = self.supply.open_voltage(level.voltage, order);
            let z = self.supply.impedance(order, level.frequency_hz);
            let mut y = [ZERO3; 3];
            let times = f64::from(order) * frequency;
            active.iter().for_each(|(m, a)| m.add_admittance(&mut y, *a, activity_ms, times));
            let drawn = |v1: &V3| {
                active.iter().fold(ZERO3, |i, (m, a)| {
                    let i_load = if order == 1 {
                        m.current(*a, v1, frequency)
                    } else {
                        m.harmonic_current(*a, v1, order)
                    };
                    sum(&i, &i_load)
                })
            };
            let mut v = open;
            let mut i = ZERO3;
            for _ in 0..if order == 1 { ROUNDS } else { 1 } {
                i = drawn(if order == 1 { &v } else { &v1 });
                let Some(z) = z else { break };
                let behind: V3 = core::array::from_fn(|k| open[k] - z * i[k]);
                v = solve(z, &y, &behind);
            }
            if order == 1 {
                v1 = v;
                i = drawn(&v1);
            }
            state.i_a.push(sum(&i, &product(&y, &v)));
            state.v_v.push(v);
        }
        state
    }

    /// Stretches without switching from one millisecond of the span to another.
    pub fn stretches(&self, from_ms: i64, to_ms: i64) -> impl Iterator<Item = Stretch> {
        let mut at = from_ms.max(0);
        let end = to_ms.min(self.span_ms);
        core::iter::from_fn(move || {
            let from_ms = at;
            at = self.next_change_ms(at).min(end);
            (from_ms < at).then_some(Stretch { from_ms, to_ms: at })
        })
    }
}

impl State {
    /// RMS phasors of the inputs V1 to I3 and the neutral at each order, as the wiring connects them.
    ///
    /// `leads` gives line and sign of each channel's lead. The neutral carries back what the
    /// lines leave, towards the supply; where the wiring has none, it carries nothing.
    pub fn channels(
        &self,
        wiring: Wiring,
        leads: &[(usize, f64); ACTIVE],
    ) -> Vec<[Complex; INPUTS]> {
        let uses = wiring.uses();
        let ends = self.v_v.iter().zip(&self.i_a);
        ends.map(|(v, i)| {
            let at = |slot: usize| {
                let (line, sign) = leads[slot];
                if slot < 3 { v[line].scale(sign) } else { i[line].scale(sign) }
            };
            let mut x = [Complex::ZERO; INPUTS];
            x.iter_mut().take(ACTIVE).enumerate().for_each(|(slot, x)| *x = at(slot));
            if wiring.neutral_current().is_some() {
                x[NEUTRAL] = i.iter().take(wiring.phases()).fold(Complex::ZERO, |n, i| n - *i);
            }
            let (a, b, c) = (x[0], x[1], x[2]);
            match wiring {
                Wiring::ThreeWireLine => [x[0], x[1], x[2]] = [a - b, b - c, c - a],
                Wiring::TwoSensorLine => [x[0], x[2]] = [a - b, c - b],
                _ => {}
            }
            for (x, used) in x.iter_mut().zip(uses) {
                if !used {
                    *x = Complex::ZERO;
                }
            }
            x
        })
        .collect()
    }
}

/// Every lead where it belongs.
pub const RIGHT_LEADS: [(usize, f64); ACTIVE] =
    [(0, 1.0), (1, 1.0), (2, 1.0), (0, 1.0), (1, 1.0), (2, 1.0)];

/// Weighted sum of channel phasors.
pub(super) fn weighted(w: &Weights, x: &[Complex]) -> Complex {
    w.iter().zip(x).fold(Complex::ZERO, |sum, (w, x)| sum + x.scale(*w))
}
