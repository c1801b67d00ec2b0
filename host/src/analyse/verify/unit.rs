//! What was installed: capacitor units, what they give, and what they give when something is broken.
//!
//! Shares are of a whole unit's output, phase by phase against neutral or the star point, for
//! nearly balanced voltages. An element between two lines draws 3/2·B·V² of reactive power on each
//! of them (B its susceptance, V the voltage to the star point), from S = V_k·I_k* with
//! I = jB·(V_a − V_b).

use serde::Serialize;
use wattless_core::correction::capacitor_output_var;

/// How the elements of a unit are connected.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Connection {
    /// Three elements between lines.
    Delta,
    /// Three elements from line to neutral.
    Star,
    /// Three elements to a star point that is connected to nothing.
    FloatingStar,
    /// One element from a line to neutral; 0 is L1.
    ToNeutral(u8),
    /// One element between a line and the next one; 0 is L1-L2, 2 is L3-L1.
    Between(u8),
}

impl Connection {
    /// Every connection with its name in files and on the command line.
    pub const ALL: [(Connection, &'static str); 9] = [
        (Connection::Delta, "delta"),
        (Connection::Star, "star"),
        (Connection::FloatingStar, "floating-star"),
        (Connection::ToNeutral(0), "l1"),
        (Connection::ToNeutral(1), "l2"),
        (Connection::ToNeutral(2), "l3"),
        (Connection::Between(0), "l1-l2"),
        (Connection::Between(1), "l2-l3"),
        (Connection::Between(2), "l3-l1"),
    ];

    /// The connection with a name.
    pub fn from_name(name: &str) -> Option<Connection> {
        Connection::ALL.into_iter().find(|(_, n)| *n == name).map(|(c, _)| c)
    }

    /// The name in files.
    pub fn name(self) -> &'static str {
        Connection::ALL.into_iter().find(|(c, _)| *c == self).map_or("delta", |(_, n)| n)
    }

    /// Shares of the phases in a whole unit's output.
    pub fn whole(self) -> [f64; 3] {
        let third = [1.0 / 3.0; 3];
        match self {
            Connection::Delta | Connection::Star | Connection::FloatingStar => third,
            Connection::ToNeutral(k) => {
                std::array::from_fn(|j| if j == usize::from(k) { 1.0 } else { 0.0 })
            }
            Connection::Between(k) => {
                let (a, b) = (usize::from(k), (usize::from(k) + 1) % 3);
                std::array::from_fn(|j| if j == a || j == b { 0.5 } else { 0.0 })
            }
        }
    }
}

/// When a unit is on.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub enum Control {
    /// Always.
    Fixed,
    /// By a controller that aims at a power factor, in steps.
    Automatic {
        /// Power factor that it aims at.
        target_pf: f64,
        /// Smallest step, in var at the rated voltage.
        step_var: f64,
    },
    /// With a load: on while the feeder draws more than a power.
    WithLoad {
        /// That power, in W.
        from_w: f64,
    },
}

/// A capacitor unit as its nameplate has it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Unit {
    /// Name, for messages.
    pub name: String,
    /// Rated output of the whole unit, in var.
    pub rated_var: f64,
    /// Rated voltage, in V: between lines, or to neutral for a single element to neutral.
    pub rated_v: f64,
    /// Rated frequency, in Hz.
    pub rated_hz: f64,
    /// How its elements are connected.
    pub connection: Connection,
    /// When it is on.
    pub control: Control,
}

impl Unit {
    /// Output of the whole unit at a phase voltage and a frequency, in var: goes with V² and f.
    pub fn output_var(&self, phase_v: f64, hz: f64) -> f64 {
        capacitor_output_var(self.rated_var, self.rated_phase_v(), self.rated_hz, phase_v, hz)
    }

    /// Voltage to neutral or star point at which the unit gives its rated output, in V.
    pub fn rated_phase_v(&self) -> f64 {
        match self.connection {
            Connection::ToNeutral(_) => self.rated_v,
            _ => self.rated_v / libm::sqrt(3.0),
        }
    }
}

/// What may have become of a unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "kind", content = "place")]
pub enum State {
    /// As installed.
    Whole,
    /// Gives nothing: not switched on, all fuses blown, or not there.
    Absent,
    /// The line's fuse or wire is open; 0 is L1.
    LineOpen(u8),
    /// An element is dead: of a delta 0 is L1-L2, of a star 0 is L1.
    ElementDead(u8),
}

impl State {
    /// Every state that a connection can show; those that read alike stand once.
    pub fn of(connection: Connection) -> Vec<State> {
        let mut all = vec![State::Whole, State::Absent];
        match connection {
            Connection::Delta => {
                all.extend((0..3).map(State::LineOpen));
                all.extend((0..3).map(State::ElementDead));
            }
            Connection::Star | Connection::FloatingStar => {
                all.extend((0..3).map(State::LineOpen));
            }
            Connection::ToNeutral(_) | Connection::Between(_) => {}
        }
        all
    }

    /// What is left, phase by phase, of a whole unit's output.
    ///
    /// Delta with an element dead: 1/2, 1/2 and all of the phases; with a line open the two
    /// elements at it are in series beside the third, nothing, 3/4 and 3/4. Star with neutral:
    /// the phase is gone. Floating star: as a delta with a line open.
    pub fn shares(self, connection: Connection) -> [f64; 3] {
        let whole = connection.whole();
        let scaled = |f: &dyn Fn(usize) -> f64| std::array::from_fn(|k| whole[k] * f(k));
        match (self, connection) {
            (State::Whole, _) => whole,
            (State::Absent, _) => [0.0; 3],
            (State::LineOpen(at), Connection::Star) => {
                scaled(&|k| if k == usize::from(at) { 0.0 } else { 1.0 })
            }
            (State::LineOpen(at), _) => scaled(&|k| if k == usize::from(at) { 0.0 } else { 0.75 }),
            (State::ElementDead(at), Connection::Delta) => {
                let far = (usize::from(at) + 2) % 3;
                scaled(&|k| if k == far { 1.0 } else { 0.5 })
            }
            (State::ElementDead(at), _) => {
                scaled(&|k| if k == usize::from(at) { 0.0 } else { 1.0 })
            }
        }
    }
}

/// A state of every unit that was tried against the measured drop.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Explanation {
    /// State of each unit, in the order of the list of units.
    pub states: Vec<State>,
    /// Drop that it would make, phase by phase, in var.
    pub phase_var: [f64; 3],
    /// Total, in var.
    pub total_var: f64,
    /// Sum of squared differences over their variances: the lower the better.
    pub misfit: f64,
}

#[cfg(test)]
mod tests {
    use super::*;
    use wattless_core::complex::Complex;

    /// Reactive power on each phase of elements between nodes, from Kirchhoff's laws: the star
    /// point and open lines float, balanced voltages of 1 V, all elements of 1 S.
    fn kirchhoff(connection: Connection, state: State) -> [f64; 3] {
        let v: [Complex; 3] =
            std::array::from_fn(|k| Complex::unit(-(k as f64) * std::f64::consts::TAU / 3.0));
        let open = |k: usize| state == State::LineOpen(k as u8);
        let dead = |k: usize| state == State::ElementDead(k as u8);
        let mut i = [Complex::ZERO; 3];
        let j = |x: Complex| Complex::new(-x.im, x.re);
        match connection {
            Connection::Star => {
                for k in (0..3).filter(|k| !open(*k) && !dead(*k)) {
                    i[k] = j(v[k]);
                }
            }
            Connection::FloatingStar => {
                let on: Vec<usize> = (0..3).filter(|k| !open(*k)).collect();
                let point =
                    on.iter().fold(Complex::ZERO, |s, k| s + v[*k]).scale(1.0 / on.len() as f64);
                on.iter().for_each(|k| i[*k] = j(v[*k] - point));
            }
            _ => {
                // An open line's corner floats between its two neighbours.
                let mut u = v;
                if let Some(k) = (0..3).find(|k| open(*k)) {
                    u[k] = (v[(k + 1) % 3] + v[(k + 2) % 3]).scale(0.5);
                }
                for k in (0..3).filter(|k| !dead(*k)) {
                    let n = (k + 1) % 3;
                    let current = j(u[k] - u[n]);
                    i[k] += current;
                    i[n] = i[n] - current;
                }
            }
        }
        std::array::from_fn(|k| -(v[k] * i[k].conj()).im)
    }

    #[test]
    fn shares_follow_from_kirchhoff() {
        for connection in [Connection::Delta, Connection::Star, Connection::FloatingStar] {
            let all: f64 = kirchhoff(connection, State::Whole).iter().sum();
            for state in State::of(connection).into_iter().filter(|s| *s != State::Absent) {
                let want = kirchhoff(connection, state).map(|q| q / all);
                let got = state.shares(connection);
                for (g, w) in got.iter().zip(want) {
                    assert!((g - w).abs() < 1e-12, "{connection:?} {state:?}: {got:?} {want:?}");
                }
            }
        }
    }

    /// Trade rule: a dead phase of a star is a third missing on one phase; of a delta with a dead
    /// element a third missing in all, on two phases of the supply.
    #[test]
    fn a_third_is_missing() {
        let sum = |s: [f64; 3]| s.iter().sum::<f64>();
        let star = State::LineOpen(1).shares(Connection::Star);
        assert!((sum(star) - 2.0 / 3.0).abs() < 1e-12 && star[1] == 0.0);
        let delta = State::ElementDead(0).shares(Connection::Delta);
        assert!((sum(delta) - 2.0 / 3.0).abs() < 1e-12);
        assert!((delta[2] - 1.0 / 3.0).abs() < 1e-12 && (delta[0] - 1.0 / 6.0).abs() < 1e-12);
    }

    /// 480 V unit on 440 V: 0.8403 of its rating; 50 instead of 60 Hz: 0.8333 (physics, V² and f).
    #[test]
    fn output_goes_with_voltage_and_frequency() {
        let unit = Unit {
            name: "u".into(),
            rated_var: 1.0,
            rated_v: 480.0,
            rated_hz: 60.0,
            connection: Connection::Delta,
            control: Control::Fixed,
        };
        assert!((unit.output_var(440.0 / libm::sqrt(3.0), 60.0) - 0.8403).abs() < 1e-4);
        assert!((unit.output_var(480.0 / libm::sqrt(3.0), 50.0) - 0.8333).abs() < 1e-4);
    }
}
