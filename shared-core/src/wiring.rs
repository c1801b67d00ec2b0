//! How channels make phases: each wiring is a table of weights.
//!
//! Three-wire systems are read against the star point of the three line
//! voltages, so that every wiring has phases with a voltage, a current and a
//! power of their own, and line voltages are differences.

use crate::frame::ACTIVE;
use serde::{Deserialize, Serialize};

/// Weights of the channels V1, V2, V3, I1, I2, I3 in a derived quantity.
pub type Weights = [f64; ACTIVE];

/// A way of connecting voltage leads and current sensors.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum Wiring {
    /// One phase and neutral: v1, i1.
    SinglePhase,
    /// Two lines and a neutral between them: v1 and v2 to neutral, i1, i2.
    SplitPhase,
    /// Three phases and neutral: v1 to v3 to neutral, i1 to i3.
    FourWire,
    /// Three lines without neutral: v1 to v3 from each line to any common point, i1 to i3.
    ThreeWire,
    /// Three lines, line voltages: v1 is L1–L2, v2 is L2–L3, v3 is L3–L1; i1 to i3.
    ThreeWireLine,
    /// Three lines with sensors on L1 and L3: v1 to v3 to any common point, i1, i3.
    TwoSensor,
    /// Three lines, two elements: v1 is L1–L2, v3 is L3–L2, with i1 and i3.
    TwoSensorLine,
}

impl Wiring {
    /// Every wiring; the position is its code in settings and records.
    pub const ALL: [Wiring; 7] = [
        Wiring::SinglePhase,
        Wiring::SplitPhase,
        Wiring::FourWire,
        Wiring::ThreeWire,
        Wiring::ThreeWireLine,
        Wiring::TwoSensor,
        Wiring::TwoSensorLine,
    ];

    /// The code in settings and records.
    pub const fn code(self) -> u8 {
        self as u8
    }

    /// The wiring with a code.
    pub fn from_code(code: u8) -> Option<Wiring> {
        Wiring::ALL.get(usize::from(code)).copied()
    }

    /// The name in files and on the command line.
    pub const fn name(self) -> &'static str {
        match self {
            Wiring::SinglePhase => "single-phase",
            Wiring::SplitPhase => "split-phase",
            Wiring::FourWire => "four-wire",
            Wiring::ThreeWire => "three-wire",
            Wiring::ThreeWireLine => "three-wire-line",
            Wiring::TwoSensor => "two-sensor",
            Wiring::TwoSensorLine => "two-sensor-line",
        }
    }

    /// The wiring with a name.
    pub fn from_name(name: &str) -> Option<Wiring> {
        Wiring::ALL.into_iter().find(|w| w.name() == name)
    }

    /// Which channels V1, V2, V3, I1, I2, I3 the wiring uses.
    pub const fn uses(self) -> [bool; ACTIVE] {
        match self {
            Wiring::SinglePhase => [true, false, false, true, false, false],
            Wiring::SplitPhase => [true, true, false, true, true, false],
            Wiring::FourWire | Wiring::ThreeWire | Wiring::ThreeWireLine => [true; ACTIVE],
            Wiring::TwoSensor => [true, true, true, true, false, true],
            Wiring::TwoSensorLine => [true, false, true, true, false, true],
        }
    }

    /// Number of phases with readings of their own.
    pub const fn phases(self) -> usize {
        match self {
            Wiring::SinglePhase => 1,
            Wiring::SplitPhase => 2,
            _ => 3,
        }
    }

    /// Whether there is no neutral conductor, so that the currents add to zero.
    pub const fn is_three_wire(self) -> bool {
        matches!(
            self,
            Wiring::ThreeWire | Wiring::ThreeWireLine | Wiring::TwoSensor | Wiring::TwoSensorLine
        )
    }

    /// The voltage of each phase, against neutral or the star point of the lines.
    pub const fn phase_voltages(self) -> [Weights; 3] {
        const T: f64 = 1.0 / 3.0;
        match self {
            Wiring::SinglePhase => [v(1.0, 0.0, 0.0), NONE, NONE],
            Wiring::SplitPhase => [v(1.0, 0.0, 0.0), v(0.0, 1.0, 0.0), NONE],
            Wiring::FourWire => [v(1.0, 0.0, 0.0), v(0.0, 1.0, 0.0), v(0.0, 0.0, 1.0)],
            Wiring::ThreeWire | Wiring::TwoSensor => {
                [v(2.0 * T, -T, -T), v(-T, 2.0 * T, -T), v(-T, -T, 2.0 * T)]
            }
            Wiring::ThreeWireLine => [v(T, 0.0, -T), v(-T, T, 0.0), v(0.0, -T, T)],
            Wiring::TwoSensorLine => [v(2.0 * T, 0.0, -T), v(-T, 0.0, -T), v(-T, 0.0, 2.0 * T)],
        }
    }

    /// The current of each phase.
    pub const fn phase_currents(self) -> [Weights; 3] {
        match self {
            Wiring::SinglePhase => [i(1.0, 0.0, 0.0), NONE, NONE],
            Wiring::SplitPhase => [i(1.0, 0.0, 0.0), i(0.0, 1.0, 0.0), NONE],
            Wiring::FourWire | Wiring::ThreeWire | Wiring::ThreeWireLine => {
                [i(1.0, 0.0, 0.0), i(0.0, 1.0, 0.0), i(0.0, 0.0, 1.0)]
            }
            Wiring::TwoSensor | Wiring::TwoSensorLine => {
                [i(1.0, 0.0, 0.0), i(-1.0, 0.0, -1.0), i(0.0, 0.0, 1.0)]
            }
        }
    }

    /// Which lines a line voltage goes between: L1–L2, L2–L3, L3–L1, as phase indices.
    pub const fn line_pairs(self) -> &'static [(usize, usize)] {
        match self {
            Wiring::SinglePhase => &[],
            Wiring::SplitPhase => &[(0, 1)],
            _ => &[(0, 1), (1, 2), (2, 0)],
        }
    }

    /// The current that returns in the neutral, where the wiring has one.
    pub const fn neutral_current(self) -> Option<Weights> {
        match self {
            Wiring::SplitPhase => Some(i(-1.0, -1.0, 0.0)),
            Wiring::FourWire => Some(i(-1.0, -1.0, -1.0)),
            _ => None,
        }
    }
}

const NONE: Weights = [0.0; ACTIVE];

const fn v(a: f64, b: f64, c: f64) -> Weights {
    [a, b, c, 0.0, 0.0, 0.0]
}

const fn i(a: f64, b: f64, c: f64) -> Weights {
    [0.0, 0.0, 0.0, a, b, c]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_and_codes_return() {
        for w in Wiring::ALL {
            assert_eq!(Wiring::from_code(w.code()), Some(w));
            assert_eq!(Wiring::from_name(w.name()), Some(w));
        }
        assert_eq!(Wiring::from_code(7), None);
    }

    #[test]
    fn star_voltages_add_to_zero_without_neutral() {
        for w in Wiring::ALL.into_iter().filter(|w| w.is_three_wire()) {
            let rows = w.phase_voltages();
            for column in 0..ACTIVE {
                let sum: f64 = rows.iter().map(|r| r[column]).sum();
                assert!(sum.abs() < 1e-12, "{}", w.name());
            }
        }
    }
}
