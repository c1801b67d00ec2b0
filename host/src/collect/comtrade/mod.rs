//! Recordings in the open standard COMTRADE (IEEE C37.111): the pair `.cfg` and `.dat`, or one `.cff`.
//!
//! Chooses the channels and gives primary values in V and A. The configuration is
//! read in [`config`], the stored values in [`data`].

pub mod config;
pub mod data;

use super::csv::number::whole_rate;
use super::flat_tops::FlatChannels;
use super::waveform::{
    self, Format, FrameStream, Lead, OpenOptions, SAMPLE_MAX, SLOTS, Taken, Waveform, WaveformError,
};
use config::{Analog, Config, Section, Storage};
use data::{Data, Reader};
use std::path::{Path, PathBuf};
use wattless_core::calibration::DELAY_MAX_NS;
use wattless_core::frame::{CHANNELS, Frame, NEUTRAL};
use wattless_core::power::PowerConfig;
use wattless_core::window::Nominal;
use wattless_core::wiring::Wiring;

/// Steps of a converter below which a range is never taken, so that the last
/// few steps of a dead channel are not blown up into a signal: half of 16 bits.
const RANGE_STEPS: f64 = 16_384.0;

/// Why a recording cannot be used.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ComtradeFault {
    /// The other file of the pair is not there.
    #[error("the file {wanted} that belongs to it is not there; put both into one folder", wanted = .0.display())]
    NoPartner(PathBuf),
    /// A part of a single-file recording is not there.
    #[error("the part '{0}' is missing")]
    NoPart(&'static str),
    /// A part of a single-file recording is too short.
    #[error("the samples take {found} bytes where {wanted} were announced: the file is cut off")]
    CutPart {
        /// Bytes that are there.
        found: usize,
        /// Bytes announced.
        wanted: usize,
    },
    /// A line of the configuration cannot be read.
    #[error("configuration line {line}: '{text}' is not {what}")]
    Config {
        /// Line from 1.
        line: usize,
        /// What was expected.
        what: &'static str,
        /// What is there.
        text: String,
    },
    /// The configuration ends too early.
    #[error("the configuration ends where {what} should be: the file is cut off")]
    ConfigEnds {
        /// What was expected.
        what: &'static str,
    },
    /// There is no analog channel.
    #[error("the recording has no analog channels")]
    NoAnalog,
    /// Fewer samples than announced.
    #[error("{found} samples where the configuration announces {wanted}: the file is cut off")]
    CutData {
        /// Samples that are there.
        found: u64,
        /// Samples announced.
        wanted: u64,
    },
    /// A line of samples has too few fields.
    #[error("sample {sample} has {found} fields where at least {wanted} are needed")]
    Fields {
        /// Sample from 1.
        sample: u64,
        /// Fields that are there.
        found: usize,
        /// Fields needed.
        wanted: usize,
    },
    /// A stored value is not a number.
    #[error("sample {sample}: '{text}' is not a number")]
    Value {
        /// Sample from 1.
        sample: u64,
        /// What is there.
        text: String,
    },
    /// A stored value is marked as missing.
    #[error(
        "sample {sample} of {name} is marked as missing; a recording cannot be measured across a \
         gap: export the part before or after it"
    )]
    Missing {
        /// Sample from 1.
        sample: u64,
        /// The channel.
        name: String,
    },
    /// A value larger than any mains quantity.
    #[error("sample {sample} of {name} is {value:e}, beyond ±1e9 V or A; check unit and factors")]
    TooLarge {
        /// Sample from 1.
        sample: u64,
        /// The channel.
        name: String,
        /// The value in V or A.
        value: f64,
    },
    /// There are several sample rates.
    #[error("it has {} sections of different sample rate ({list}); choose one with --section", .0.len(), list = section_list(.0))]
    Sections(Vec<Section>),
    /// The section asked for is not there.
    #[error("there is no section {wanted}; it has {have}")]
    NoSection {
        /// Number asked for.
        wanted: usize,
        /// Number of sections.
        have: usize,
    },
    /// Time stamps do not give a sample rate.
    #[error("it states no sample rate, and its time stamps do not give one")]
    NoRate,
    /// Which channel is which lead cannot be told.
    #[error(
        "which channels to take cannot be told; name them, for example --channel v1=NAME \
         --channel i1=NAME, or one circuit with --component NAME. Its channels:\n{list}"
    )]
    Ambiguous {
        /// The channels, one a line.
        list: String,
    },
    /// A channel asked for is not there, or its name is used twice.
    #[error("{why} '{name}'; take a name or # and a number from its channels:\n{list}")]
    NoChannel {
        /// What is wrong with the name.
        why: &'static str,
        /// The name asked for.
        name: String,
        /// The channels, one a line.
        list: String,
    },
    /// A lead was given twice.
    #[error("--channel names {0} twice; keep one of them")]
    LeadTwice(&'static str),
    /// A channel's unit does not fit its lead.
    #[error("channel {name} has the unit '{unit}', which is not {wanted}; choose another channel")]
    Unit {
        /// The channel.
        name: String,
        /// Its unit.
        unit: String,
        /// What the lead wants.
        wanted: &'static str,
    },
    /// A skew that cannot be corrected.
    #[error("channel {name} is sampled {skew_us} µs late; at most 1000 µs can be corrected")]
    Skew {
        /// The channel.
        name: String,
        /// Its skew.
        skew_us: f64,
    },
}

fn section_list(sections: &[Section]) -> String {
    let mut from = 1;
    let mut list = Vec::new();
    for (k, s) in sections.iter().enumerate() {
        list.push(format!("{}: samples {from} to {} at {} Hz", k + 1, s.last, s.rate_hz));
        from = s.last + 1;
    }
    list.join("; ")
}

fn channel_list(channels: &[Analog]) -> String {
    let line = |(k, c): (usize, &Analog)| {
        let about: Vec<&str> = [&c.phase, &c.component, &c.unit]
            .map(String::as_str)
            .into_iter()
            .filter(|s| !s.is_empty())
            .collect();
        format!("  #{} {} ({})", k + 1, c.name, about.join(", "))
    };
    channels.iter().enumerate().map(line).collect::<Vec<_>>().join("\n")
}

/// Whether a file is a part of a recording by its name.
pub fn is_named_so(path: &Path) -> bool {
    let extension = path.extension().map(|e| e.to_ascii_lowercase());
    extension.is_some_and(|e| e == "cfg" || e == "dat" || e == "cff")
}

/// Opens a recording by any of its files.
pub fn open(path: &Path, options: &OpenOptions) -> Result<Waveform, WaveformError> {
    let (config_path, config, data_path, bytes) = read_parts(path)?;
    let in_config = |fault| WaveformError::Comtrade { path: config_path.clone(), fault };
    if config.analog.is_empty() {
        return Err(in_config(ComtradeFault::NoAnalog));
    }
    let section = choose_section(&config, options.section).map_err(in_config)?;
    let choice = choose_channels(&config.analog, options).map_err(in_config)?;
    let leads: Vec<Lead> = choice.iter().map(|(lead, _)| *lead).collect();
    let (wiring, places) = waveform::arrange(&config_path, &leads, options.wiring)?;
    let neutral_sensor = places[NEUTRAL].is_some();
    let in_data = |fault| WaveformError::Comtrade { path: data_path.clone(), fault };
    let data = Data::new(bytes, &config).map_err(in_data)?;
    let mut channels = Vec::new();
    let mut taken = Vec::new();
    for (slot, place) in places.into_iter().enumerate() {
        let Some(&(lead, position)) = place.and_then(|k| choice.get(k)) else {
            continue;
        };
        let analog = &config.analog[position];
        let factor = unit_factor(analog, lead).map_err(in_config)?
            * analog.to_primary
            * options.factor(lead);
        let delay_ns = delay_ns(analog).map_err(in_config)?;
        channels.push(Picked {
            slot,
            position,
            analog: analog.clone(),
            factor,
            gain: 0.0,
            delay_ns,
        });
        taken.push(Taken { lead, name: analog.name.clone(), factor: analog.a * factor });
    }
    let mut frames = ComtradeFrames::new(data_path.clone(), data, channels, section);
    let rate_hz = frames.survey(&config, section)?;
    let mut calibration = waveform::calibration([1.0; SLOTS]);
    for c in &frames.channels {
        calibration.channels[c.slot].gain = c.gain;
        calibration.channels[c.slot].delay_ns = c.delay_ns;
    }
    let dc = options.dc.unwrap_or_default();
    let nominal = [Nominal::Hz50, Nominal::Hz60].into_iter().find(|n| n.hz() == config.line_hz);
    Ok(Waveform {
        path: path.into(),
        format: Format::Comtrade,
        sample_rate_hz: rate_hz,
        first_sample_s: None,
        declared_nominal: nominal,
        power: PowerConfig { wiring, calibration, v_dc: dc, i_dc: dc, neutral_sensor },
        settings: None,
        taken,
        clipped_at: frames.clipped_at,
        frames: Box::new(frames),
    })
}

/// Configuration and samples, each with the file that it came from.
fn read_parts(path: &Path) -> Result<(PathBuf, Config, PathBuf, Vec<u8>), WaveformError> {
    let read =
        |p: &Path| std::fs::read(p).map_err(|source| WaveformError::Io { path: p.into(), source });
    let extension = path.extension().unwrap_or_default().to_ascii_lowercase();
    if extension == "cff" {
        let bytes = read(path)?;
        let fault = |fault| WaveformError::Comtrade { path: path.into(), fault };
        let parts = config::split_parts(&bytes).map_err(fault)?;
        let mut config = Config::parse(&parts.config).map_err(fault)?;
        config.storage = parts.storage.unwrap_or(config.storage);
        return Ok((path.into(), config, path.into(), parts.data.to_vec()));
    }
    // The file asked for must be there before its partner is looked for.
    if let Err(source) = std::fs::metadata(path) {
        return Err(WaveformError::Io { path: path.into(), source });
    }
    let partner = |lower: &str| {
        let names = [lower.to_owned(), lower.to_ascii_uppercase()];
        let found = names.iter().map(|n| path.with_extension(n)).find(|p| p.exists());
        found.ok_or_else(|| WaveformError::Comtrade {
            path: path.into(),
            fault: ComtradeFault::NoPartner(path.with_extension(lower)),
        })
    };
    let (config_path, data_path) = if extension == "cfg" {
        (path.to_path_buf(), partner("dat")?)
    } else {
        (partner("cfg")?, path.to_path_buf())
    };
    let text = config::text_of(&read(&config_path)?);
    let config = Config::parse(&text)
        .map_err(|fault| WaveformError::Comtrade { path: config_path.clone(), fault })?;
    let bytes = read(&data_path)?;
    Ok((config_path, config, data_path, bytes))
}

/// Samples of one rate: from, up to, rate.
#[derive(Clone, Copy, Debug)]
struct Span {
    from: u64,
    to: u64,
    rate_hz: f64,
}

fn choose_section(config: &Config, wanted: Option<usize>) -> Result<Span, ComtradeFault> {
    let sections = &config.sections;
    let span = |k: usize| {
        let from = k.checked_sub(1).map_or(0, |before| sections[before].last);
        Span { from, to: sections[k].last, rate_hz: sections[k].rate_hz }
    };
    match wanted {
        Some(n) if (1..=sections.len()).contains(&n) => Ok(span(n - 1)),
        Some(n) => Err(ComtradeFault::NoSection { wanted: n, have: sections.len() }),
        None if sections.iter().all(|s| s.rate_hz == sections[0].rate_hz) => {
            Ok(Span { from: 0, ..span(sections.len() - 1) })
        }
        None => Err(ComtradeFault::Sections(sections.clone())),
    }
}

/// Pairs leads with positions of channels.
fn choose_channels(
    channels: &[Analog],
    options: &OpenOptions,
) -> Result<Vec<(Lead, usize)>, ComtradeFault> {
    if options.channels.is_empty() {
        return guess_channels(channels, options);
    }
    let mut choice: Vec<(Lead, usize)> = Vec::new();
    for (lead, name) in &options.channels {
        if choice.iter().any(|(l, _)| l == lead) {
            return Err(ComtradeFault::LeadTwice(lead.name()));
        }
        choice.push((*lead, find_channel(channels, options, name)?));
    }
    Ok(choice)
}

fn find_channel(
    channels: &[Analog],
    options: &OpenOptions,
    name: &str,
) -> Result<usize, ComtradeFault> {
    let bad =
        |why| ComtradeFault::NoChannel { why, name: name.to_owned(), list: channel_list(channels) };
    if let Some(number) = name.strip_prefix('#') {
        let number: Option<usize> = number.trim().parse().ok();
        let position = number.and_then(|n| n.checked_sub(1)).filter(|&k| k < channels.len());
        return position.ok_or_else(|| bad("there is no channel"));
    }
    let mut found = (0..channels.len())
        .filter(|&k| channels[k].name == name.trim() && of_component(&channels[k], options));
    let first = found.next().ok_or_else(|| bad("there is no channel"))?;
    match found.next() {
        None => Ok(first),
        Some(_) => Err(bad("several channels are called")),
    }
}

fn of_component(channel: &Analog, options: &OpenOptions) -> bool {
    let wanted = options.component.as_deref();
    wanted.is_none_or(|w| channel.component.eq_ignore_ascii_case(w.trim()))
}

/// Tells leads by unit and phase, where that leaves no choice.
fn guess_channels(
    channels: &[Analog],
    options: &OpenOptions,
) -> Result<Vec<(Lead, usize)>, ComtradeFault> {
    let ambiguous = || ComtradeFault::Ambiguous { list: channel_list(channels) };
    let mut choice: Vec<(Lead, usize)> = Vec::new();
    for (k, channel) in channels.iter().enumerate() {
        if !of_component(channel, options) {
            continue;
        }
        let Some(lead) = guess_lead(channel) else {
            continue;
        };
        if choice.iter().any(|(l, _)| *l == lead) {
            return Err(ambiguous());
        }
        choice.push((lead, k));
    }
    let leads: Vec<Lead> = choice.iter().map(|(l, _)| *l).collect();
    // A neutral channel or line voltages beside phase voltages leave no doubt.
    let wiring = options.wiring.or_else(|| waveform::wiring_of(&leads)).or_else(|| {
        [Wiring::FourWire, Wiring::ThreeWireLine]
            .into_iter()
            .find(|&w| waveform::leads_of(w).iter().all(|l| leads.contains(l)))
    });
    let wiring = wiring.ok_or_else(ambiguous)?;
    waveform::place(&leads, wiring).map_err(|_| ambiguous())?;
    if options.wiring.is_none() {
        choice.retain(|(l, _)| waveform::leads_of(wiring).contains(l));
    }
    Ok(choice)
}

fn guess_lead(channel: &Analog) -> Option<Lead> {
    let unit = channel.unit.trim();
    let is_voltage = unit.ends_with(['V', 'v']);
    if !is_voltage && !unit.ends_with(['A', 'a']) {
        return None;
    }
    let phase = if channel.phase.is_empty() {
        let name = channel.name.to_ascii_uppercase();
        let rest = name.strip_prefix(if is_voltage { &['V', 'U'][..] } else { &['I'] })?;
        rest.split(|c: char| !c.is_ascii_alphanumeric()).next().unwrap_or_default().to_owned()
    } else {
        channel.phase.to_ascii_uppercase()
    };
    let letters: Vec<usize> = phase
        .chars()
        .filter(|c| !matches!(c, 'L' | '-' | '/' | ' '))
        .map(|c| ["AR1", "BS2", "CT3"].iter().position(|set| set.contains(c)).unwrap_or(9))
        .collect();
    match (letters.as_slice(), is_voltage) {
        ([0], true) => Some(Lead::V1),
        ([1], true) => Some(Lead::V2),
        ([2], true) => Some(Lead::V3),
        ([0, 1], true) => Some(Lead::V12),
        ([1, 2], true) => Some(Lead::V23),
        ([2, 0], true) => Some(Lead::V31),
        ([2, 1], true) => Some(Lead::V32),
        ([0], false) => Some(Lead::I1),
        ([1], false) => Some(Lead::I2),
        ([2], false) => Some(Lead::I3),
        _ => None,
    }
}

/// What the channel's unit is worth in V or A.
fn unit_factor(channel: &Analog, lead: Lead) -> Result<f64, ComtradeFault> {
    let (letter, wanted) = if lead.is_voltage() { ('V', "a voltage") } else { ('A', "a current") };
    let unit = channel.unit.trim();
    let prefix = unit.strip_suffix([letter, letter.to_ascii_lowercase()]).map(str::trim);
    match prefix {
        Some("") => Ok(1.0),
        Some("k" | "K") => Ok(1e3),
        Some("M") => Ok(1e6),
        Some("m") => Ok(1e-3),
        Some("u" | "µ" | "μ") => Ok(1e-6),
        // A recording without units is taken at its word when the channel was named.
        _ if unit.is_empty() || unit.eq_ignore_ascii_case("none") => Ok(1.0),
        _ => Err(ComtradeFault::Unit { name: channel.name.clone(), unit: unit.to_owned(), wanted }),
    }
}

/// A channel sampled late shows its signal early: a negative delay.
fn delay_ns(channel: &Analog) -> Result<i32, ComtradeFault> {
    let ns = libm::rint(-channel.skew_us * 1000.0);
    if ns.abs() <= f64::from(DELAY_MAX_NS) {
        Ok(ns as i32)
    } else {
        Err(ComtradeFault::Skew { name: channel.name.clone(), skew_us: channel.skew_us })
    }
}

/// A channel that fills a slot.
#[derive(Clone, Debug)]
struct Picked {
    slot: usize,
    position: usize,
    analog: Analog,
    factor: f64,
    gain: f64,
    delay_ns: i32,
}

impl Picked {
    fn quantity(&self, stored: f64) -> f64 {
        (self.analog.a * stored + self.analog.b) * self.factor
    }
}

/// Frames of a recording.
struct ComtradeFrames {
    path: PathBuf,
    data: Data,
    reader: Reader,
    channels: Vec<Picked>,
    picks: Vec<usize>,
    values: Vec<Option<f64>>,
    span: Span,
    clipped_at: [Option<f64>; SLOTS],
}

impl ComtradeFrames {
    fn new(path: PathBuf, data: Data, channels: Vec<Picked>, span: Span) -> Self {
        let picks: Vec<usize> = channels.iter().map(|c| c.position).collect();
        let reader = data.reader(span.from);
        ComtradeFrames {
            path,
            values: vec![None; picks.len()],
            data,
            reader,
            channels,
            picks,
            span,
            clipped_at: [None; SLOTS],
        }
    }

    fn error(&self, fault: ComtradeFault) -> WaveformError {
        WaveformError::Comtrade { path: self.path.clone(), fault }
    }

    /// Reads everything once: missing values, gains from the largest samples, the rate.
    fn survey(&mut self, config: &Config, span: Span) -> Result<f64, WaveformError> {
        let mut peaks = vec![0.0f64; self.channels.len()];
        let mut flats = FlatChannels::default();
        let mut samples = [0.0; SLOTS];
        let mut whole_numbers = true;
        let (mut first, mut last) = (None, 0.0);
        while self.reader.sample < self.span.to {
            last = self.next()?;
            first = first.or(Some(last));
            for (k, (c, value)) in self.channels.iter().zip(&self.values).enumerate() {
                let stored = value.unwrap_or_default();
                whole_numbers &= stored == libm::trunc(stored);
                let quantity = c.quantity(stored);
                peaks[k] = peaks[k].max(quantity.abs());
                if !quantity.is_finite() || quantity.abs() > SAMPLE_MAX {
                    let fault = ComtradeFault::TooLarge {
                        sample: self.reader.sample,
                        name: c.analog.name.clone(),
                        value: quantity,
                    };
                    return Err(self.error(fault));
                }
                samples[c.slot] = quantity;
            }
            flats.add(&samples);
        }
        self.clipped_at = flats.levels();
        let steps = config.storage != Storage::Float32 && whole_numbers;
        let kind_peak = |is_voltage: bool| {
            let of_kind =
                self.channels.iter().zip(&peaks).filter(|(c, _)| (c.slot < 3) == is_voltage);
            of_kind.map(|(_, &p)| p).fold(0.0, f64::max)
        };
        let kinds = [kind_peak(false), kind_peak(true)];
        for (c, own) in self.channels.iter_mut().zip(&peaks) {
            let is_voltage = c.slot < 3;
            let peak = if steps {
                // Converters have ranges: what moves by a few steps only is no signal.
                let declared = c.analog.max.abs().max(c.analog.min.abs());
                let range = if declared > 0.0 { declared.min(RANGE_STEPS) } else { RANGE_STEPS };
                own.max((c.analog.a * c.factor).abs() * range)
            } else {
                kinds[usize::from(is_voltage)]
            };
            c.gain = waveform::gain_for_peak(peak, is_voltage);
        }
        self.rewind()?;
        if span.rate_hz > 0.0 {
            return Ok(span.rate_hz);
        }
        let samples = self.span.to - self.span.from;
        let seconds = (last - first.unwrap_or(last)) * config.stamp_s;
        if samples < 2 || seconds <= 0.0 {
            return Err(self.error(ComtradeFault::NoRate));
        }
        Ok(whole_rate((samples - 1) as f64 / seconds, config.stamp_s / seconds))
    }

    /// Reads the next sample into `values`; a missing value is an error.
    fn next(&mut self) -> Result<f64, WaveformError> {
        let stamp = match self.data.next(&mut self.reader, &self.picks, &mut self.values) {
            Ok(stamp) => stamp,
            Err(fault) => return Err(self.error(fault)),
        };
        if let Some(k) = self.values.iter().position(Option::is_none) {
            let name = self.channels[k].analog.name.clone();
            return Err(self.error(ComtradeFault::Missing { sample: self.reader.sample, name }));
        }
        Ok(stamp)
    }
}

impl FrameStream for ComtradeFrames {
    fn read(&mut self, out: &mut [Frame]) -> Result<usize, WaveformError> {
        for (n, frame) in out.iter_mut().enumerate() {
            if self.reader.sample >= self.span.to {
                return Ok(n);
            }
            self.next()?;
            let mut counts = [0i32; CHANNELS];
            for (c, value) in self.channels.iter().zip(&self.values) {
                counts[c.slot] = waveform::count(c.quantity(value.unwrap_or_default()), c.gain);
            }
            *frame = Frame::new(counts);
        }
        Ok(out.len())
    }

    fn rewind(&mut self) -> Result<(), WaveformError> {
        self.reader = self.data.reader(self.span.from);
        Ok(())
    }
}
