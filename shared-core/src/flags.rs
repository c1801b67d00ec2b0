//! What is to be said about a reading or a record beside its numbers.

use serde::{Deserialize, Serialize};

/// A set of remarks; the bit values are part of the record format.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(transparent)]
pub struct Flags(pub u32);

macro_rules! flags {
    ($($(#[$doc:meta])* $name:ident = $bit:literal, $word:literal, $text:literal;)*) => {
        impl Flags {
            $($(#[$doc])* pub const $name: Flags = Flags(1 << $bit);)*

            /// Every flag with its short name and its meaning in a sentence.
            pub const ALL: &'static [(Flags, &'static str, &'static str)] =
                &[$((Flags::$name, $word, $text)),*];
        }
    };
}

flags! {
    /// A window had no usable fundamental and was cut at fixed length.
    NO_FUNDAMENTAL = 0, "no_fundamental", "no usable fundamental voltage: fixed windows, no phasors to trust";
    /// The frequency moved so fast that a window was not a whole number of cycles.
    FREQUENCY_MOVED = 1, "frequency_moved", "the frequency moved within a window";
    /// The frequency is more than 15 % from nominal.
    OFF_NOMINAL = 2, "off_nominal", "frequency more than 15 % from nominal";
    /// A voltage input stood at the end of its range.
    V_CLIPPED = 3, "v_clipped", "a voltage input was clipped: values read low";
    /// A current input stood at the end of its range.
    I_CLIPPED = 4, "i_clipped", "a current input was clipped: values read low";
    /// Frames were lost within the interval.
    FRAMES_LOST = 5, "frames_lost", "samples were lost";
    /// At least one phase voltage is missing.
    V_MISSING = 6, "v_missing", "a phase voltage is missing";
    /// First record after a start of the node.
    BOOTED = 7, "booted", "first record after a start";
    /// The wall clock was set during the interval.
    CLOCK_SET = 8, "clock_set", "the clock was set";
    /// A stored number was limited to the range of its field.
    OUT_OF_RANGE = 9, "out_of_range", "a value exceeded what the record can hold and was limited";
    /// The mean (DC) of the voltages was taken out of RMS and power.
    V_DC_REMOVED = 10, "v_dc_removed", "DC was removed from the voltages";
    /// The mean (DC) of the currents was taken out of RMS and power.
    I_DC_REMOVED = 11, "i_dc_removed", "DC was removed from the currents";
    /// No calibration was ever stored in the node.
    UNCALIBRATED = 12, "uncalibrated", "the node has no calibration of its own";
    /// Settings changed, so the interval was closed early or differs from its neighbours.
    SETTINGS_CHANGED = 13, "settings_changed", "settings changed";
    /// The interval is shorter than its setting.
    SHORT = 14, "short", "shorter than the interval that was set";
    /// Energy counters restarted because no earlier record was found.
    ENERGY_RESTARTED = 15, "energy_restarted", "the energy counters started from zero";
    /// The integrator of a Rogowski coil had not settled after a start, a loss or an overload.
    I_SETTLING = 16, "i_settling", "the integrator of a Rogowski coil was settling";
    /// The neutral current is that of a sensor, not the sum of the phases' currents.
    NEUTRAL_MEASURED = 17, "neutral_measured", "the neutral current is measured by a sensor of its own";
    /// The neutral's sensor and the sum of the phases' currents do not agree.
    NEUTRAL_DIFFERS = 18, "neutral_differs", "the neutral's sensor does not read what the phases leave: on another conductor, wrong ratio, or leakage";
}

impl Flags {
    /// No remarks.
    pub const NONE: Flags = Flags(0);

    /// Whether every flag of `other` is set.
    pub const fn contains(self, other: Flags) -> bool {
        self.0 & other.0 == other.0
    }

    /// Both sets together.
    pub const fn with(self, other: Flags) -> Flags {
        Flags(self.0 | other.0)
    }

    /// Adds flags.
    pub fn insert(&mut self, other: Flags) {
        self.0 |= other.0;
    }

    /// Adds flags when the condition holds.
    pub fn insert_if(&mut self, condition: bool, other: Flags) {
        if condition {
            self.insert(other);
        }
    }

    /// Whether nothing is set.
    pub const fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// The short names of the flags that are set.
    pub fn names(self) -> impl Iterator<Item = &'static str> {
        Flags::ALL.iter().filter(move |f| self.contains(f.0)).map(|f| f.1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_follow_bits() {
        let f = Flags::V_CLIPPED.with(Flags::BOOTED);
        assert_eq!(f.0, 0b1000_1000);
        assert!(f.names().eq(["v_clipped", "booted"]));
    }
}
