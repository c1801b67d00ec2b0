//! Connection check: is every lead and clamp where it should be, and if not, what to move.
//!
//! Works on the fundamental phasors of the six channels. Every way of connecting
//! them (which line, which way round) is tried on the picture: what would the load
//! be if the leads sat there? Connections whose load makes sense and that take few
//! mistakes are believed. [`check`] is pure: no clock, no IO, no allocation.
//!
//! What is in principle ambiguous stays so: with three balanced phases the clamps of
//! all lines shifted by one, turned round, or both, turn the angle of the load by a
//! multiple of 60°. A load kind, a nameplate or a second load point narrows that, and so do
//! harmonics where the load answers them as a motor's leakage or capacitors do.

mod advice;
mod channels;
mod clamps;
mod connection;
mod decide;
mod level;
mod load;
mod pairing;
mod reasons;
mod voltages;
mod witness;

pub use connection::{Action, Connection, Lead, Move, Moves, Place, Placement, Seat};
pub use decide::check;
pub use load::{LoadPicture, PhaseLoad, motor_angle_band_deg};
pub use reasons::{NextCheck, Reason};
pub use witness::{HarmonicPhasors, WITNESS_ORDERS};

use crate::complex::Complex;
use crate::flags::Flags;
use crate::frame::ACTIVE;
use crate::sequence::Rotation;
use crate::wire::HookupSnapshot;
use crate::wiring::Wiring;
use heapless::Vec;

/// What is known about the load on the feeder at the moment of the check.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum LoadKind {
    /// Nothing beyond "a motor feeder": consumes, lags, or leads by a little.
    #[default]
    Unknown,
    /// Induction motors and nothing that could lead.
    Motor,
    /// Motors with capacitors that do not outweigh them by much.
    Corrected,
    /// Capacitors may outweigh the rest: strongly leading is possible.
    MayLead,
    /// The feeder feeds back at the moment.
    Generating,
    /// A capacitor bank alone.
    Capacitor,
}

impl LoadKind {
    /// Every kind.
    pub const ALL: [LoadKind; 6] = [
        LoadKind::Unknown,
        LoadKind::Motor,
        LoadKind::Corrected,
        LoadKind::MayLead,
        LoadKind::Generating,
        LoadKind::Capacitor,
    ];

    /// The kind with a name.
    pub fn from_name(name: &str) -> Option<LoadKind> {
        LoadKind::ALL.into_iter().find(|k| k.name() == name)
    }

    /// The name in files and on the command line.
    pub const fn name(self) -> &'static str {
        match self {
            LoadKind::Unknown => "unknown",
            LoadKind::Motor => "motor",
            LoadKind::Corrected => "corrected",
            LoadKind::MayLead => "may-lead",
            LoadKind::Generating => "generating",
            LoadKind::Capacitor => "capacitor",
        }
    }
}

/// Full-load figures of the motor, or of the motors together.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Nameplate {
    /// Rated line current, in A.
    pub rated_a: f64,
    /// Power factor at full load, 0 to 1, if it is given.
    pub rated_pf: Option<f64>,
}

/// What a connection check works on; channels in the order V1, V2, V3, I1, I2, I3.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HookupInput {
    /// How the leads should be connected.
    pub wiring: Wiring,
    /// Calibrated fundamental RMS phasors of the channels, in V or A.
    pub phasors: [Complex; ACTIVE],
    /// True RMS of the channels, in V or A.
    pub rms: [f64; ACTIVE],
    /// DC of the channels, in V or A; zero where unknown.
    pub dc: [f64; ACTIVE],
    /// RMS of a full-scale sine of each channel, in V or A; zero where unknown.
    pub range_rms: [f64; ACTIVE],
    /// Channels that stood at the end of their range.
    pub clipped: [bool; ACTIVE],
    /// Frequency in Hz; `None` without a usable fundamental.
    pub frequency_hz: Option<f64>,
    /// What is known about the load.
    pub load: LoadKind,
    /// Full-load figures, if known.
    pub nameplate: Option<Nameplate>,
    /// Nominal voltage that the voltage leads should read, in V, if known.
    pub expected_v: Option<f64>,
    /// Harmonics of the channels, if known.
    pub harmonics: Option<HarmonicPhasors>,
    /// Phasors of the same connection at another load, if taken.
    pub second_load: Option<[Complex; ACTIVE]>,
}

impl HookupInput {
    /// Phasors alone: RMS taken from them, ranges unknown, nothing clipped.
    pub fn new(wiring: Wiring, phasors: [Complex; ACTIVE], frequency_hz: Option<f64>) -> Self {
        HookupInput {
            wiring,
            phasors,
            rms: phasors.map(Complex::abs),
            dc: [0.0; ACTIVE],
            range_rms: [0.0; ACTIVE],
            clipped: [false; ACTIVE],
            frequency_hz,
            load: LoadKind::Unknown,
            nameplate: None,
            expected_v: None,
            harmonics: None,
            second_load: None,
        }
    }

    /// From what a node sends; its clipping remark is laid on the channels nearest their range.
    pub fn from_snapshot(s: &HookupSnapshot) -> Self {
        let wide = |x: [f32; ACTIVE]| x.map(f64::from);
        let phasors = s.phasors.map(|[re, im]| Complex::new(f64::from(re), f64::from(im)));
        let mut input = HookupInput {
            rms: wide(s.rms),
            range_rms: wide(s.range_rms),
            ..HookupInput::new(s.wiring, phasors, s.frequency_hz.map(f64::from))
        };
        let flags = Flags(s.flags);
        input.clipped = channels::likely_clipped(
            &input.rms,
            &input.range_rms,
            flags.contains(Flags::V_CLIPPED),
            flags.contains(Flags::I_CLIPPED),
        );
        input
    }
}

/// The answer to "is it connected right?"
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Verdict {
    /// Connected as it should be, as far as the picture can tell.
    Right,
    /// Not connected as it should be.
    Wrong,
    /// Cannot be told from what is known; see the alternatives and the next checks.
    Doubtful,
}

impl Verdict {
    /// The name in output.
    pub const fn name(self) -> &'static str {
        match self {
            Verdict::Right => "right",
            Verdict::Wrong => "wrong",
            Verdict::Doubtful => "doubtful",
        }
    }
}

/// A way the leads may really be connected, and what the load is if they are.
#[derive(Clone, Debug, PartialEq)]
pub struct Explanation {
    /// Where each lead and clamp would really sit.
    pub connection: Connection,
    /// What to move then, least disturbing first.
    pub moves: Moves,
    /// Readings of the lines once the moves are made.
    pub load: LoadPicture,
    /// Whether it gives the same readings as the most likely explanation.
    pub same_power: bool,
    /// Implausibility in nats: lower is more likely; only differences mean something.
    pub cost: f64,
}

/// Most alternatives that a report carries.
pub const ALTERNATIVES: usize = 6;
/// Most reasons that a report carries.
pub const REASONS: usize = 16;
/// Most next checks that a report carries.
pub const CHECKS: usize = 8;

/// What a connection check found.
#[derive(Clone, Debug, PartialEq)]
pub struct HookupReport {
    /// The answer.
    pub verdict: Verdict,
    /// The wiring that was asked for.
    pub wiring: Wiring,
    /// Readings as connected now, channel by channel.
    pub as_connected: LoadPicture,
    /// The most likely explanation; `None` where the voltages give no picture.
    pub best: Option<Explanation>,
    /// Other explanations that fit nearly as well, most likely first.
    pub alternatives: Vec<Explanation, ALTERNATIVES>,
    /// What speaks for the answer.
    pub reasons: Vec<Reason, REASONS>,
    /// What would tell the explanations apart.
    pub checks: Vec<NextCheck, CHECKS>,
    /// Direction in which the voltages turn as connected; `None` for fewer than three.
    pub rotation: Option<Rotation>,
}

impl HookupReport {
    /// What to move according to the most likely explanation, and to reasons that name one lead.
    pub fn moves(&self) -> Moves {
        let implied = self.reasons.iter().filter_map(Reason::implied_move);
        let mending = self.best.iter().flat_map(|b| b.moves.iter().copied());
        let mut moves = Moves::new();
        for m in implied.chain(mending) {
            if !moves.iter().any(|x| x.lead == m.lead) {
                // One move a lead, and fewer leads than room.
                let _ = moves.push(m);
            }
        }
        moves
    }
}
