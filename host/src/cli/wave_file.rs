//! Options of verbs that read a file of waveforms: what its columns are and how they are taken.

use anyhow::bail;
use std::path::{Path, PathBuf};
use wattless::collect::settings_file;
use wattless::collect::waveform::{FactorFor, Lead, OpenOptions, Waveform, WaveformError, open};
use wattless_core::power::Dc;
use wattless_core::settings::Settings;
use wattless_core::window::Nominal;
use wattless_core::wiring::Wiring;

/// How a file is read; what only one verb has is the verb's.
#[derive(Debug, clap::Args)]
pub struct WaveArgs {
    /// How leads make phases: single-phase, split-phase, four-wire, three-wire,
    /// three-wire-line, two-sensor, two-sensor-line [default: from the leads or the node]
    #[arg(long, value_name = "NAME", value_parser = parse_wiring)]
    pub wiring: Option<Wiring>,
    /// Nominal frequency of a file, 50 or 60 [default: the nearest to the one found]
    #[arg(long, value_name = "HZ", value_parser = parse_nominal)]
    pub nominal_hz: Option<Nominal>,
    /// Whether DC of a file is part of RMS and power: keep or remove [default: keep]
    #[arg(long, value_name = "WHAT", value_parser = parse_dc)]
    dc: Option<Dc>,
    /// Channel of a COMTRADE recording for a lead, such as v1=NAME or v1=#3; repeatable
    #[arg(long = "channel", value_name = "LEAD=NAME", value_parser = parse_channel)]
    channels: Vec<(Lead, String)>,
    /// Circuit component of a COMTRADE recording to take channels from
    #[arg(long, value_name = "NAME")]
    component: Option<String>,
    /// Section of constant sample rate of a COMTRADE recording, from 1
    #[arg(long, value_name = "N")]
    section: Option<usize>,
    /// Multiplies samples of a file, such as i=200 for a 1 V = 200 A sensor, i2=-1 or v=10;
    /// repeatable
    #[arg(long = "factor", value_name = "LEAD=NUMBER", value_parser = parse_factor)]
    factors: Vec<(FactorFor, f64)>,
    /// Current columns are outputs of bare Rogowski coils, in A of a sine of this frequency (50
    /// or 60): factor by the coil's sensitivity there
    #[arg(long, value_name = "HZ", value_parser = parse_nominal)]
    rogowski: Option<Nominal>,
    /// Takes delays, filters and sensors from a settings file of a node; gains stay the file's
    #[arg(long, value_name = "FILE")]
    sensors: Option<PathBuf>,
}

impl WaveArgs {
    /// Opens a file, its channels and their sensors as the options say.
    pub fn open(&self, path: &Path) -> anyhow::Result<Waveform> {
        let options = OpenOptions {
            wiring: self.wiring,
            channels: self.channels.clone(),
            component: self.component.clone(),
            section: self.section,
            factors: self.factors.clone(),
            dc: self.dc,
        };
        let mut file = open(path, &options)?;
        if let Some(path) = &self.sensors {
            refuse_for_counts(&file, "--sensors")?;
            let settings = settings_file::read(path, &Settings::default())?;
            file.take_sensors(&settings.power.calibration);
        }
        if let Some(reference) = self.rogowski {
            refuse_for_counts(&file, "--rogowski")?;
            file.take_coils(reference);
        }
        Ok(file)
    }

    /// The first option given that means nothing to a node, which knows all but its wiring.
    pub fn of_files(&self) -> Option<&'static str> {
        [
            (self.nominal_hz.is_some(), "--nominal-hz"),
            (self.dc.is_some(), "--dc"),
            (!self.channels.is_empty(), "--channel"),
            (self.component.is_some(), "--component"),
            (self.section.is_some(), "--section"),
            (!self.factors.is_empty(), "--factor"),
            (self.rogowski.is_some(), "--rogowski"),
            (self.sensors.is_some(), "--sensors"),
        ]
        .into_iter()
        .find_map(|(given, option)| given.then_some(option))
    }
}

/// A count file brings the settings of its node along.
fn refuse_for_counts(file: &Waveform, option: &'static str) -> anyhow::Result<()> {
    if file.settings.is_some() {
        bail!(WaveformError::Option { path: file.path.clone(), option, format: file.format });
    }
    Ok(())
}

fn parse_wiring(text: &str) -> Result<Wiring, String> {
    let names = Wiring::ALL.map(Wiring::name).join(", ");
    Wiring::from_name(text).ok_or_else(|| format!("known wirings are {names}"))
}

fn parse_nominal(text: &str) -> Result<Nominal, String> {
    match text {
        "50" => Ok(Nominal::Hz50),
        "60" => Ok(Nominal::Hz60),
        _ => Err("the nominal frequency is 50 or 60".into()),
    }
}

fn parse_dc(text: &str) -> Result<Dc, String> {
    match text {
        "keep" => Ok(Dc::Keep),
        "remove" => Ok(Dc::Remove),
        _ => Err("keep or remove".into()),
    }
}

fn parse_channel(text: &str) -> Result<(Lead, String), String> {
    let (lead, name) = text.split_once('=').ok_or("write LEAD=NAME, such as v1=VA")?;
    let lead = Lead::from_name(lead.trim()).ok_or_else(|| {
        format!("'{lead}' is no lead; leads are {}", Lead::ALL.map(Lead::name).join(", "))
    })?;
    Ok((lead, name.trim().to_owned()))
}

fn parse_factor(text: &str) -> Result<(FactorFor, f64), String> {
    let (on, number) = text.split_once('=').ok_or("write LEAD=NUMBER, such as i=200")?;
    let on = FactorFor::from_name(on.trim()).ok_or_else(|| {
        format!("'{on}' is neither v, i nor one of {}", Lead::ALL.map(Lead::name).join(", "))
    })?;
    let x: f64 = number.trim().parse().map_err(|_| format!("'{number}' is not a number"))?;
    let usable = x.is_finite() && (1e-9..=1e9).contains(&x.abs());
    if usable { Ok((on, x)) } else { Err("a factor is a number of magnitude 1e-9 to 1e9".into()) }
}
