//! Files of sampled waveforms as a stream of frames with what is known about them.
//!
//! Finds out which format a file has, pairs its channels with leads, and chooses the gains.
//! The formats themselves are in [`super::csv`], [`super::comtrade`] and [`super::counts`].

use super::comtrade::ComtradeFault;
use super::counts::CountsFault;
use super::csv::CsvFault;
use super::{comtrade, counts, csv};
use std::io::Read;
use std::path::{Path, PathBuf};
use wattless_core::calibration::{Calibration, ChannelCalibration, SensorKind};
use wattless_core::frame::{ACTIVE, CLIP_MARGIN, COUNT_MAX, Frame, NEUTRAL};
use wattless_core::power::{Dc, PowerConfig};
use wattless_core::settings::Settings;
use wattless_core::window::Nominal;
use wattless_core::wiring::Wiring;

/// Share of the 24-bit range that the largest sample of a kind takes.
const RANGE_USED: f64 = 0.95;

/// A voltage range is never taken as smaller than this peak, in V: less is numerical dust.
pub const V_RANGE_MIN_V: f64 = 1.0;

/// A current range is never taken as smaller than this peak, in A.
pub const I_RANGE_MIN_A: f64 = 0.01;

/// Samples beyond this magnitude, in V or A, are taken as damage.
pub const SAMPLE_MAX: f64 = 1e9;

/// What a column or channel carries.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lead {
    /// First voltage, to neutral or to a common point.
    V1,
    /// Second voltage.
    V2,
    /// Third voltage.
    V3,
    /// Line voltage L1–L2.
    V12,
    /// Line voltage L2–L3.
    V23,
    /// Line voltage L3–L1.
    V31,
    /// Line voltage L3–L2.
    V32,
    /// First current.
    I1,
    /// Second current.
    I2,
    /// Third current.
    I3,
    /// Neutral current, from a sensor of its own.
    In,
}

/// Slots of a frame that leads fill.
pub const SLOTS: usize = NEUTRAL + 1;

impl Lead {
    /// Every lead.
    pub const ALL: [Lead; 11] = [
        Lead::V1,
        Lead::V2,
        Lead::V3,
        Lead::V12,
        Lead::V23,
        Lead::V31,
        Lead::V32,
        Lead::I1,
        Lead::I2,
        Lead::I3,
        Lead::In,
    ];

    /// The name on the command line.
    pub const fn name(self) -> &'static str {
        match self {
            Lead::V1 => "v1",
            Lead::V2 => "v2",
            Lead::V3 => "v3",
            Lead::V12 => "v12",
            Lead::V23 => "v23",
            Lead::V31 => "v31",
            Lead::V32 => "v32",
            Lead::I1 => "i1",
            Lead::I2 => "i2",
            Lead::I3 => "i3",
            Lead::In => "in",
        }
    }

    /// The column of a CSV file that carries it.
    pub const fn column(self) -> &'static str {
        match self {
            Lead::V1 => "v1_v",
            Lead::V2 => "v2_v",
            Lead::V3 => "v3_v",
            Lead::V12 => "v12_v",
            Lead::V23 => "v23_v",
            Lead::V31 => "v31_v",
            Lead::V32 => "v32_v",
            Lead::I1 => "i1_a",
            Lead::I2 => "i2_a",
            Lead::I3 => "i3_a",
            Lead::In => "in_a",
        }
    }

    /// The lead with a name.
    pub fn from_name(name: &str) -> Option<Lead> {
        Lead::ALL.into_iter().find(|l| l.name().eq_ignore_ascii_case(name))
    }

    /// The lead with a column name.
    pub fn from_column(name: &str) -> Option<Lead> {
        Lead::ALL.into_iter().find(|l| l.column().eq_ignore_ascii_case(name))
    }

    /// The slot of the frame that it fills.
    pub const fn slot(self) -> usize {
        match self {
            Lead::V1 | Lead::V12 => 0,
            Lead::V2 | Lead::V23 => 1,
            Lead::V3 | Lead::V31 | Lead::V32 => 2,
            Lead::I1 => 3,
            Lead::I2 => 4,
            Lead::I3 => 5,
            Lead::In => NEUTRAL,
        }
    }

    /// Whether it is a voltage.
    pub const fn is_voltage(self) -> bool {
        self.slot() < 3
    }
}

/// The leads that a wiring wants, in slot order, by the names that imply the wiring.
pub fn leads_of(wiring: Wiring) -> &'static [Lead] {
    use Lead::*;
    match wiring {
        Wiring::SinglePhase => &[V1, I1],
        Wiring::SplitPhase => &[V1, V2, I1, I2],
        Wiring::FourWire | Wiring::ThreeWire => &[V1, V2, V3, I1, I2, I3],
        Wiring::ThreeWireLine => &[V12, V23, V31, I1, I2, I3],
        Wiring::TwoSensor => &[V1, V2, V3, I1, I3],
        Wiring::TwoSensorLine => &[V12, V32, I1, I3],
    }
}

/// Finds the wiring that exactly these leads make; a neutral current may come with any.
pub fn wiring_of(leads: &[Lead]) -> Option<Wiring> {
    let count = leads.iter().filter(|l| **l != Lead::In).count();
    // Four wires come before three: without more words, three voltages are to neutral.
    Wiring::ALL.into_iter().find(|&w| {
        let wanted = leads_of(w);
        wanted.len() == count && wanted.iter().all(|l| leads.contains(l))
    })
}

/// Chooses, for a wiring asked for, the position in `leads` that fills each slot it uses.
///
/// The line wirings also take `v1`, `v2`, `v3` for their voltages. A neutral current is taken
/// where the wiring has a neutral, and left alone elsewhere.
pub fn place(leads: &[Lead], wiring: Wiring) -> Result<[Option<usize>; SLOTS], LeadFault> {
    let named = leads_of(wiring);
    let mut places = [None; SLOTS];
    if wiring.neutral_current().is_some() {
        places[NEUTRAL] = leads.iter().position(|l| *l == Lead::In);
    }
    for (slot, place) in places.iter_mut().enumerate().take(ACTIVE) {
        if !wiring.uses()[slot] {
            continue;
        }
        let wanted = named.iter().copied().find(|l| l.slot() == slot);
        let plain = [Lead::V1, Lead::V2, Lead::V3, Lead::I1, Lead::I2, Lead::I3][slot];
        let find = |lead: Lead| leads.iter().position(|&l| l == lead);
        *place = wanted.and_then(find).or_else(|| find(plain));
        if place.is_none() {
            return Err(LeadFault::Missing { wiring, lead: wanted.unwrap_or(plain) });
        }
    }
    Ok(places)
}

/// Why leads do not make a wiring.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum LeadFault {
    /// A wiring that was asked for lacks a lead.
    Missing {
        /// The wiring.
        wiring: Wiring,
        /// What it lacks.
        lead: Lead,
    },
    /// The leads that are there make no wiring by themselves.
    NoWiring {
        /// The leads that are there.
        leads: Vec<Lead>,
    },
}

impl std::fmt::Display for LeadFault {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            LeadFault::Missing { wiring, lead } => {
                write!(f, "wiring {} needs {}, which is not there", wiring.name(), lead.name())
            }
            LeadFault::NoWiring { leads } => {
                let names: Vec<_> = leads.iter().map(|l| l.name()).collect();
                write!(f, "{} make no wiring; a wiring is one of", names.join(", "))?;
                for (k, wiring) in Wiring::ALL.into_iter().enumerate() {
                    let wanted: Vec<_> = leads_of(wiring).iter().map(|l| l.name()).collect();
                    let stop = if k == 0 { "" } else { ";" };
                    write!(f, "{stop} {} ({})", wiring.name(), wanted.join(" "))?;
                }
                write!(f, "; name the one that is meant with --wiring")
            }
        }
    }
}

/// What a factor applies to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FactorFor {
    /// Every voltage.
    Voltages,
    /// Every current.
    Currents,
    /// One lead.
    Lead(Lead),
}

impl FactorFor {
    /// What a name on the command line stands for.
    pub fn from_name(name: &str) -> Option<FactorFor> {
        match name {
            "v" | "V" => Some(FactorFor::Voltages),
            "i" | "I" => Some(FactorFor::Currents),
            _ => Lead::from_name(name).map(FactorFor::Lead),
        }
    }

    fn covers(self, lead: Lead) -> bool {
        match self {
            FactorFor::Voltages => lead.is_voltage(),
            FactorFor::Currents => !lead.is_voltage(),
            FactorFor::Lead(l) => l == lead,
        }
    }
}

/// What to know about a file beyond what it says itself.
#[derive(Clone, Debug, Default)]
pub struct OpenOptions {
    /// The wiring; found from the leads when absent.
    pub wiring: Option<Wiring>,
    /// Which channel of a COMTRADE recording each lead is: its name, or `#` and its number.
    pub channels: Vec<(Lead, String)>,
    /// The circuit component (field `ccbm`) of a COMTRADE recording to take channels from.
    pub component: Option<String>,
    /// The section of constant sample rate of a COMTRADE recording, from 1.
    pub section: Option<usize>,
    /// Factors on voltages, currents or single leads, such as sensor ratios; all that apply count.
    pub factors: Vec<(FactorFor, f64)>,
    /// What to do with DC; kept when absent (a count file says itself).
    pub dc: Option<Dc>,
}

impl OpenOptions {
    /// The product of all factors on a lead.
    pub fn factor(&self, lead: Lead) -> f64 {
        self.factors.iter().filter(|(on, _)| on.covers(lead)).map(|(_, x)| x).product()
    }
}

/// The formats that can be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// Comma-separated values.
    Csv,
    /// IEEE C37.111.
    Comtrade,
    /// Raw counts in the format of this project.
    Counts,
}

impl Format {
    /// The name in output.
    pub const fn name(self) -> &'static str {
        match self {
            Format::Csv => "csv",
            Format::Comtrade => "comtrade",
            Format::Counts => "counts",
        }
    }
}

/// Where a lead's samples come from.
#[derive(Clone, Debug, PartialEq)]
pub struct Taken {
    /// The lead.
    pub lead: Lead,
    /// The name of the column or channel in the file.
    pub name: String,
    /// What the file's number is multiplied by to give V or A.
    pub factor: f64,
}

/// Frames one after the other, any number of times.
pub trait FrameStream {
    /// Fills `out` from the front; fewer than its length only at the end of the file.
    fn read(&mut self, out: &mut [Frame]) -> Result<usize, WaveformError>;

    /// Goes back to the first frame.
    fn rewind(&mut self) -> Result<(), WaveformError>;
}

/// An opened file of waveforms.
pub struct Waveform {
    /// The file.
    pub path: PathBuf,
    /// Its format.
    pub format: Format,
    /// Samples per second of each channel.
    pub sample_rate_hz: f64,
    /// Time of the first sample in the file's own time, in seconds.
    pub first_sample_s: Option<f64>,
    /// The nominal frequency that the file declares.
    pub declared_nominal: Option<Nominal>,
    /// Wiring, gains and treatment of DC.
    pub power: PowerConfig,
    /// The settings of a node, where the file carries them.
    pub settings: Option<Settings>,
    /// The leads in slot order.
    pub taken: Vec<Taken>,
    /// Magnitude at which each slot's wave was clipped before it reached the file, in V or A.
    pub clipped_at: [Option<f64>; SLOTS],
    /// The frames.
    pub frames: Box<dyn FrameStream>,
}

impl Waveform {
    /// Largest count of each slot, neutral included, that is still within its range.
    pub fn range_ends(&self) -> [i32; SLOTS] {
        let gains = self.power.calibration.channels.map(|c| c.gain);
        std::array::from_fn(|slot| match self.clipped_at[slot] {
            Some(level) => count(level, gains[slot].abs()) - 1,
            None => COUNT_MAX - CLIP_MARGIN,
        })
    }

    /// Takes over what a calibration says of delays, filters and sensors; gains stay the file's.
    ///
    /// The samples of a coil must be in A per its rate of change at the coil's frequency: one
    /// ampere of that frequency gives one unit.
    pub fn take_sensors(&mut self, from: &Calibration) {
        let c = &mut self.power.calibration;
        for (to, from) in c.channels.iter_mut().zip(&from.channels) {
            to.delay_ns = from.delay_ns;
        }
        (c.sinc3_osr, c.rc_ns, c.sensors) = (from.sinc3_osr, from.rc_ns, from.sensors);
    }

    /// Takes every current column as that of a bare Rogowski coil; see [`Self::take_sensors`].
    pub fn take_coils(&mut self, reference: Nominal) {
        for sensor in &mut self.power.calibration.sensors {
            sensor.kind = SensorKind::Rogowski(reference);
        }
    }
}

/// Opens a file of waveforms in any of the known formats.
pub fn open(path: &Path, options: &OpenOptions) -> Result<Waveform, WaveformError> {
    if comtrade::is_named_so(path) {
        return comtrade::open(path, options);
    }
    let mut start = [0u8; counts::MAGIC.len()];
    let io = |source| WaveformError::Io { path: path.into(), source };
    let mut file = std::fs::File::open(path).map_err(io)?;
    let is_counts = file.read_exact(&mut start).is_ok() && start == counts::MAGIC;
    drop(file);
    if is_counts { counts::open(path, options) } else { csv::open(path, options) }
}

/// Why a file of waveforms cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum WaveformError {
    /// The file cannot be read.
    #[error("{}: {source}", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
    /// Something is wrong in a line of a CSV file.
    #[error("{}, line {line}: {fault}", path.display())]
    Csv {
        /// The file.
        path: PathBuf,
        /// The line, from 1.
        line: u64,
        /// What is wrong.
        fault: CsvFault,
    },
    /// Something is wrong with a COMTRADE recording.
    #[error("{}: {fault}", path.display())]
    Comtrade {
        /// The file at fault.
        path: PathBuf,
        /// What is wrong.
        fault: ComtradeFault,
    },
    /// Something is wrong with a count file.
    #[error("{}: {fault}", path.display())]
    Counts {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        fault: CountsFault,
    },
    /// The leads make no wiring.
    #[error("{}: {fault}", path.display())]
    Leads {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        fault: LeadFault,
    },
    /// The option does not go with the format.
    #[error("{}: {option} does not apply to a {} file", path.display(), format.name())]
    Option {
        /// The file.
        path: PathBuf,
        /// The option as written on the command line.
        option: &'static str,
        /// The format.
        format: Format,
    },
}

/// Refuses options that a format cannot use.
pub(super) fn refuse(
    path: &Path,
    format: Format,
    options: &[(&'static str, bool)],
) -> Result<(), WaveformError> {
    match options.iter().find(|(_, given)| *given) {
        Some(&(option, _)) => Err(WaveformError::Option { path: path.into(), option, format }),
        None => Ok(()),
    }
}

/// Wiring, leads by slot: from the leads in a file and the wiring asked for.
pub(super) fn arrange(
    path: &Path,
    leads: &[Lead],
    wanted: Option<Wiring>,
) -> Result<(Wiring, [Option<usize>; SLOTS]), WaveformError> {
    let fault = |fault| WaveformError::Leads { path: path.into(), fault };
    let wiring = match wanted.or_else(|| wiring_of(leads)) {
        Some(wiring) => wiring,
        None => return Err(fault(LeadFault::NoWiring { leads: leads.to_vec() })),
    };
    let places = place(leads, wiring).map_err(fault)?;
    Ok((wiring, places))
}

/// A calibration from gains alone.
pub(super) fn calibration(gains: [f64; SLOTS]) -> Calibration {
    let mut c = Calibration::default();
    for (channel, gain) in c.channels.iter_mut().zip(gains) {
        *channel = ChannelCalibration::with_gain(gain);
    }
    c
}

/// The gain of a channel whose samples reach a peak, in V or A per count.
pub(super) fn gain_for_peak(peak: f64, is_voltage: bool) -> f64 {
    let least = if is_voltage { V_RANGE_MIN_V } else { I_RANGE_MIN_A };
    peak.max(least) / (RANGE_USED * f64::from(COUNT_MAX))
}

/// The count that stands for a quantity under a gain; never one that counts as clipped.
#[inline]
pub(super) fn count(quantity: f64, gain: f64) -> i32 {
    const MOST: f64 = (COUNT_MAX - CLIP_MARGIN) as f64;
    libm::rint(quantity / gain).clamp(-MOST, MOST) as i32
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn leads_choose_their_wiring() {
        for w in Wiring::ALL {
            let found = wiring_of(leads_of(w)).unwrap();
            // Three voltages alone are taken as to neutral.
            let meant = if w == Wiring::ThreeWire { Wiring::FourWire } else { w };
            assert_eq!(found, meant);
            let places = place(leads_of(w), w).unwrap();
            for (slot, used) in w.uses().into_iter().enumerate() {
                assert_eq!(places[slot].is_some(), used, "{} {slot}", w.name());
            }
        }
        let with_neutral = [leads_of(Wiring::FourWire), &[Lead::In]].concat();
        assert_eq!(wiring_of(&with_neutral), Some(Wiring::FourWire));
        assert_eq!(place(&with_neutral, Wiring::FourWire).unwrap()[NEUTRAL], Some(6));
        assert_eq!(place(&with_neutral, Wiring::ThreeWire).unwrap()[NEUTRAL], None);
        assert_eq!(wiring_of(&[Lead::V1, Lead::V2, Lead::V3, Lead::I1, Lead::I2]), None);
        let line = [Lead::V12, Lead::V23, Lead::V31, Lead::I1, Lead::I2, Lead::I3];
        assert!(matches!(place(&line, Wiring::FourWire), Err(LeadFault::Missing { .. })));
    }

    #[test]
    fn counts_stay_clear_of_the_clip_marks() {
        let gain = gain_for_peak(325.0, true);
        assert_eq!(count(325.0, gain), libm::rint(0.95 * f64::from(COUNT_MAX)) as i32);
        assert_eq!(count(1e9, gain), COUNT_MAX - CLIP_MARGIN);
        assert_eq!(count(-1e9, gain), CLIP_MARGIN - COUNT_MAX);
    }
}
