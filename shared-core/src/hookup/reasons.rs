//! Typed reasons and next checks of a connection check; their wording for people is the host's.

use super::connection::{Action, Lead, Move, Place};
use crate::frame::Channel;

/// Something the check saw, for or against the connection.
#[derive(Clone, Copy, Debug, PartialEq)]
#[non_exhaustive]
pub enum Reason {
    /// No usable fundamental: there are no phasors to judge.
    NoFundamental,
    /// No voltage input carries a voltage.
    NoVoltage,
    /// A voltage input carries nothing while others do.
    VoltageMissing {
        /// The lead.
        lead: Channel,
        /// Where it belongs.
        to: Place,
    },
    /// Two voltage leads read the same voltage.
    VoltagesSame {
        /// The lead that fits the rotation.
        kept: Channel,
        /// The lead that has to move.
        lead: Channel,
        /// The line without a lead.
        to: Place,
    },
    /// The voltages are no set of phases under any polarity.
    VoltagesNoSet,
    /// The voltage lead is turned round (or its transducer is).
    VoltageReversed(Channel),
    /// Line voltages are even, phase voltages are not: the star point floats.
    NeutralMissing {
        /// Zero over positive sequence of the phase voltages.
        zero_share: f64,
    },
    /// A voltage differs from the others by more than a supply does.
    VoltageUneven {
        /// The lead.
        lead: Channel,
        /// Its magnitude over the middle one of the three.
        ratio: f64,
    },
    /// A voltage is far from what was expected: wrong ratio, or line for phase voltage.
    VoltageUnexpected {
        /// The lead.
        lead: Channel,
        /// Reading over expectation.
        ratio: f64,
    },
    /// The voltages read to neutral have a size that is usual between lines.
    SizeOfLineVoltage {
        /// What they read, in V.
        v: f64,
    },
    /// The voltages read between lines have a size that is usual to neutral.
    SizeOfPhaseVoltage {
        /// What they read, in V.
        v: f64,
    },
    /// The input was clipped, so that its readings are too low.
    Clipped(Channel),
    /// The channel has DC beside its wave, which no phasor shows.
    DcOffset {
        /// The lead or clamp.
        lead: Channel,
        /// DC over the channel's RMS, with its sign.
        share: f64,
    },
    /// No clamp carries enough current to judge.
    NoLoad,
    /// This clamp carries too little to judge while others carry more.
    CurrentTooSmall(Channel),
    /// This clamp reads nothing while others carry current.
    CurrentDead(Channel),
    /// This clamp reads nothing although the other two need it.
    CurrentMissing(Channel),
    /// Two clamps read the same current.
    CurrentsSame {
        /// One clamp.
        one: Channel,
        /// The other.
        other: Channel,
    },
    /// Two clamps read the same current in opposite directions.
    CurrentsOpposite {
        /// One clamp.
        one: Channel,
        /// The other.
        other: Channel,
        /// Whether a load between their two lines does so, too.
        between_lines: bool,
    },
    /// Three currents without a neutral do not add to zero.
    CurrentsDoNotAdd {
        /// Their sum over their mean magnitude.
        share: f64,
    },
    /// A current is very different from the others: wrong ratio, or a single-phase load.
    CurrentUneven {
        /// The clamp.
        lead: Channel,
        /// Its magnitude over the middle one of the three.
        ratio: f64,
    },
    /// The current of the check disagrees with the nameplate at any load.
    CurrentAgainstNameplate {
        /// Mean current over rated current.
        ratio: f64,
    },
    /// Voltages turn L1-L3-L2 as connected, which is no fault for power.
    RotationNegative,
    /// A phase reads negative power as connected.
    NegativePower {
        /// Position of the phase, from 0.
        phase: usize,
        /// Its displacement power factor.
        dpf: f64,
    },
    /// The phases disagree about the angle of the load as connected.
    AnglesDisagree {
        /// Largest difference between two phases, in degrees.
        spread_deg: f64,
    },
    /// All phases agree on a load that leads strongly.
    Leads {
        /// Angle of voltage before current, in degrees.
        phi_deg: f64,
    },
    /// All phases agree on power flowing back.
    FeedsBack {
        /// Angle of voltage before current, in degrees.
        phi_deg: f64,
    },
    /// The power factor does not suit a motor at this current.
    UnlikelyForMotor {
        /// Angle of voltage before current, in degrees.
        phi_deg: f64,
        /// Mean current over rated current; over the sensor's range without a nameplate.
        ratio: f64,
        /// Whether the ratio is over the nameplate's current.
        nameplate: bool,
    },
    /// A guarded connection explains the picture with a load that is possible too.
    ReadsTheSame {
        /// Angle of the load under the other connection, in degrees.
        phi_deg: f64,
    },
    /// The load answers harmonics as one of its angle can.
    HarmonicsAgree {
        /// The highest order that agrees, from the 5th.
        highest: usize,
    },
    /// It does so only under another connection.
    HarmonicsSpeakFor {
        /// The highest order that agrees, from the 5th.
        highest: usize,
        /// Angle of the load under that connection, in degrees.
        phi_deg: f64,
    },
    /// Right unless the load is one that should have been told of, on the wrong lines.
    RestsOnLoad {
        /// Angle of that load, in degrees.
        phi_deg: f64,
    },
    /// Every phase reads a plausible load: right.
    AllPhasesAgree {
        /// Angle of voltage before current, in degrees.
        phi_deg: f64,
        /// Largest difference between two phases, in degrees.
        spread_deg: f64,
    },
    /// A light motor's low power factor, which is no fault.
    LightMotor {
        /// Angle of voltage before current, in degrees.
        phi_deg: f64,
    },
    /// One of two elements reads negative below a power factor of 0.5, which is right.
    OneElementNegative,
}

impl Reason {
    /// The code in JSON.
    pub const fn code(&self) -> &'static str {
        match self {
            Reason::NoFundamental => "no_fundamental",
            Reason::NoVoltage => "no_voltage",
            Reason::VoltageMissing { .. } => "voltage_missing",
            Reason::VoltagesSame { .. } => "voltages_same",
            Reason::VoltagesNoSet => "voltages_no_set",
            Reason::VoltageReversed(_) => "voltage_reversed",
            Reason::NeutralMissing { .. } => "neutral_missing",
            Reason::VoltageUneven { .. } => "voltage_uneven",
            Reason::VoltageUnexpected { .. } => "voltage_unexpected",
            Reason::SizeOfLineVoltage { .. } => "size_of_line_voltage",
            Reason::SizeOfPhaseVoltage { .. } => "size_of_phase_voltage",
            Reason::Clipped(_) => "clipped",
            Reason::DcOffset { .. } => "dc_offset",
            Reason::NoLoad => "no_load",
            Reason::CurrentTooSmall(_) => "current_too_small",
            Reason::CurrentDead(_) => "current_dead",
            Reason::CurrentMissing(_) => "current_missing",
            Reason::CurrentsSame { .. } => "currents_same",
            Reason::CurrentsOpposite { .. } => "currents_opposite",
            Reason::CurrentsDoNotAdd { .. } => "currents_do_not_add",
            Reason::CurrentUneven { .. } => "current_uneven",
            Reason::CurrentAgainstNameplate { .. } => "current_against_nameplate",
            Reason::RotationNegative => "rotation_negative",
            Reason::NegativePower { .. } => "negative_power",
            Reason::AnglesDisagree { .. } => "angles_disagree",
            Reason::Leads { .. } => "leads",
            Reason::FeedsBack { .. } => "feeds_back",
            Reason::UnlikelyForMotor { .. } => "unlikely_for_motor",
            Reason::ReadsTheSame { .. } => "reads_the_same",
            Reason::RestsOnLoad { .. } => "rests_on_load",
            Reason::HarmonicsAgree { .. } => "harmonics_agree",
            Reason::HarmonicsSpeakFor { .. } => "harmonics_speak_for",
            Reason::AllPhasesAgree { .. } => "all_phases_agree",
            Reason::LightMotor { .. } => "light_motor",
            Reason::OneElementNegative => "one_element_negative",
        }
    }

    /// A move that this reason alone asks for.
    pub fn implied_move(&self) -> Option<Move> {
        let (lead, action, to) = match *self {
            Reason::VoltageMissing { lead, to } => (Lead::Channel(lead), Action::Connect, to),
            Reason::VoltagesSame { lead, to, .. } => (Lead::Channel(lead), Action::Move, to),
            Reason::NeutralMissing { .. } => (Lead::Neutral, Action::Connect, Place::N),
            _ => return None,
        };
        Some(Move { lead, action, to })
    }
}

/// Something to do that tells explanations apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum NextCheck {
    /// Check fuse, lead and transducer of a voltage input.
    VoltageLead(Channel),
    /// Check that a clamp is closed around its conductor, plugged in and set to its ratio.
    Clamp(Channel),
    /// Check the neutral lead.
    NeutralLead,
    /// Compare ratio settings with sensors and transducers.
    Ratios,
    /// Follow one clamp's conductor to the terminal where a voltage lead sits.
    TraceOneClamp,
    /// Look which way one clamp faces: from supply to load.
    FacingOfOneClamp,
    /// Compare with a rotation indicator or with the motor's direction.
    Rotation,
    /// Repeat at another load and give both pictures.
    SecondLoad,
    /// Switch on a light known load on one phase and see which reading rises.
    KnownLoad,
    /// Give the motor's rated current and power factor.
    Nameplate,
    /// Say what kind of load it is, or repeat with capacitors switched off.
    Capacitors,
    /// Ask whether the feeder can feed back.
    FeedsBack,
    /// Repeat with enough load on every clamp.
    MoreLoad,
}

impl NextCheck {
    /// The code in JSON.
    pub const fn code(self) -> &'static str {
        match self {
            NextCheck::VoltageLead(_) => "voltage_lead",
            NextCheck::Clamp(_) => "clamp",
            NextCheck::NeutralLead => "neutral_lead",
            NextCheck::Ratios => "ratios",
            NextCheck::TraceOneClamp => "trace_one_clamp",
            NextCheck::FacingOfOneClamp => "facing_of_one_clamp",
            NextCheck::Rotation => "rotation",
            NextCheck::SecondLoad => "second_load",
            NextCheck::KnownLoad => "known_load",
            NextCheck::Nameplate => "nameplate",
            NextCheck::Capacitors => "capacitors",
            NextCheck::FeedsBack => "feeds_back",
            NextCheck::MoreLoad => "more_load",
        }
    }
}
