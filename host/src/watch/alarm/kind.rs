//! What an alarm can be about, with the words for it.

use serde::Serialize;

macro_rules! kinds {
    ($($(#[$doc:meta])* $name:ident = $word:literal, $title:literal, $first:literal;)*) => {
        /// What an alarm is about.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
        #[serde(rename_all = "kebab-case")]
        pub enum Kind { $($(#[$doc])* $name,)* }

        impl Kind {
            /// Every kind.
            pub const ALL: &'static [Kind] = &[$(Kind::$name),*];

            /// Those that are about capacitors, and over when work was done on them.
            pub const OF_CORRECTION: &'static [Kind] = &[
                Kind::UnitPhaseLost,
                Kind::UnitLost,
                Kind::SlowLoss,
                Kind::ProofFallen,
                Kind::LeadingAtIdle,
                Kind::StepSilent,
            ];

            /// The word in files, messages and addresses.
            pub const fn word(self) -> &'static str {
                match self { $(Kind::$name => $word,)* }
            }

            /// A heading.
            pub const fn title(self) -> &'static str {
                match self { $(Kind::$name => $title,)* }
            }

            /// What to check first.
            pub const fn check_first(self) -> &'static str {
                match self { $(Kind::$name => $first,)* }
            }
        }
    };
}

kinds! {
    /// PF of the demand interval below target at a load that counts.
    LowPowerFactor = "low-power-factor", "Power factor below target",
        "Is the correction switched on, its fuses whole, its controller in automatic?";
    /// Demand of the running interval will exceed its limit.
    DemandLimit = "demand-limit", "Demand is heading over its limit",
        "Which large load can wait until the interval is over?";
    /// One phase of a capacitor unit is open.
    UnitPhaseLost = "unit-phase-lost", "A capacitor has lost a phase",
        "Fuses of the unit, by a qualified person: switch off, wait the discharge time, test, short.";
    /// A whole unit is missing.
    UnitLost = "unit-lost", "A capacitor unit is missing",
        "Breaker, contactor and fuses of the unit; capacitors hold charge: wait, test, short.";
    /// The correction gives less than weeks ago.
    SlowLoss = "slow-loss", "The correction fades",
        "Currents of each unit against its nameplate; swollen or leaking cans; temperature.";
    /// This week removes clearly less than the week of the proof.
    ProofFallen = "proof-fallen", "The correction gives less than when it was proved",
        "Is every unit switched on? Then fuses and currents of each unit against its nameplate.";
    /// Capacitors stay on without load.
    LeadingAtIdle = "leading-at-idle", "Leading at idle: a step does not leave",
        "Contactors of the bank that hang; a fixed unit larger than what idles.";
    /// A step has not switched for long.
    StepSilent = "step-silent", "A step no longer switches",
        "Fuse of the step's contactor coil, its output at the controller, the contactor.";
    /// Harmonic voltage and current rise together.
    Resonance = "resonance", "Harmonics rise together: resonance",
        "Currents of the capacitors against their limit; which step was on; take it off.";
    /// Voltages differ between phases.
    VoltageUnbalance = "voltage-unbalance", "Voltages unbalanced",
        "Single-phase loads upstream, a loose connection, a fuse of the supply.";
    /// Voltage below its band.
    VoltageLow = "voltage-low", "Voltage low",
        "Taps of the transformer, load upstream, connections that run warm.";
    /// Voltage above its band.
    VoltageHigh = "voltage-high", "Voltage high",
        "Taps of the transformer; capacitors on at light load.";
    /// No voltage on any phase.
    NoVoltage = "no-voltage", "No voltage",
        "Was the feeder switched off on purpose? Else its breaker, then the fuses of the taps.";
    /// A phase voltage is gone, or a phase's current.
    PhaseLost = "phase-lost", "A phase is missing",
        "Stop motors at once: they burn on two phases. Then fuses of the supply, then of the taps.";
    /// The star point of the voltages against neutral has moved.
    NeutralLost = "neutral-lost", "The neutral is open or loose",
        "Single-phase loads get too much voltage: switch them off. Then the neutral from transformer \
         to panel, by a qualified person; then the node's own neutral lead.";
    /// Currents differ between phases.
    CurrentUnbalance = "current-unbalance", "Currents unbalanced",
        "Connections and contacts of the motor's circuit, a fuse; voltages between its lines.";
    /// Current above the rating.
    Overload = "overload", "Overload",
        "What the machine drives: jams, blunt tools, bearings; then the rating in the site file.";
    /// Running when it should not.
    OutOfHours = "out-of-hours", "Running out of hours",
        "Was something left on?";
    /// Records are missing.
    Gap = "gap", "Records are missing",
        "Supply of the node, its link; when it was last pulled.";
    /// The node answers, and its log does not grow.
    LogStill = "log-still", "The node writes no records",
        "Does it start anew again and again? Then its supply; else its flash: see its faults.";
    /// The node starts anew again and again.
    Restarts = "restarts", "The node starts anew again and again",
        "Supply of the node: a loose plug, a weak supply, voltage that dips when a motor starts.";
    /// No answer from the node.
    Silent = "silent", "The node does not answer",
        "Its supply and its cable, as far as they lie outside the flash-protection boundary.";
    /// Another node answers.
    OtherNode = "other-node", "Another node answers",
        "Was the node replaced, or the address given to another? Nothing of it was stored.";
    /// The node's clock is off.
    Clock = "clock", "The node's clock is off",
        "Set it with a pull that sets the clock; if it drifts again, the battery of the clock.";
    /// Inputs stand at the end of their range.
    Clipped = "clipped", "An input is beyond its range",
        "Ratio of the sensor in the settings against the sensor itself.";
    /// The connection is not the one that it was.
    Connection = "connection", "The connection has changed",
        "Run the connection check; who was in the panel since?";
    /// The log was changed after it was written.
    LogChanged = "log-changed", "The log does not hang together",
        "Keep the store as it is; pull the same records from the node into a new one and compare.";
    /// The store cannot be written.
    StoreFull = "store-full", "The store cannot be written",
        "Free space on the disk of the store; the node keeps its records meanwhile.";
}
