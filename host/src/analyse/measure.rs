//! Readings of sampled waveforms by the node's own core, and the records a node would keep of them.
//!
//! Frames go through [`Meter`], [`read_window`] and [`IntervalLogger`] exactly as
//! on the node. Opening files and choosing gains is [`crate::collect::waveform`]'s business.

use super::course::Course;
use super::harmonics::{HarmonicSums, HarmonicTable};
use crate::collect::waveform::{SLOTS, Waveform, WaveformError};
use std::io::Write;
use std::path::PathBuf;
use wattless_core::acquire::{acquire_frames, find_fundamental};
use wattless_core::chain;
use wattless_core::flags::Flags;
use wattless_core::frame::{COUNT_MAX, Frame};
use wattless_core::interval::{Energies, IntervalSummary};
use wattless_core::logger::IntervalLogger;
use wattless_core::power::{Dc, PowerConfig, Reading, read_harmonics, read_window};
use wattless_core::record::{Record, Stamp};
use wattless_core::rogowski::Integrators;
use wattless_core::window::{
    ABSENT_SHARE, Follow, Meter, MeterConfig, MeterError, Nominal, SAMPLE_RATE_MAX_HZ,
    SAMPLE_RATE_MIN_HZ, Window,
};
use wattless_core::wiring::Wiring;

/// Frames handed to the meter at a time.
const CHUNK: usize = 4096;

/// How to measure a file.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct MeasureOptions {
    /// Nominal frequency; the nearest to the one found when absent.
    pub nominal: Option<Nominal>,
    /// Length of an interval in seconds; the whole file when absent.
    pub interval_s: Option<f64>,
    /// Leaves harmonics out, for speed.
    pub without_harmonics: bool,
}

/// Readings of one interval.
#[derive(Clone, Debug, PartialEq)]
pub struct MeasuredInterval {
    /// Start in seconds from the start of the file.
    pub start_s: f64,
    /// The numbers.
    pub summary: IntervalSummary,
    /// Harmonics; `None` unless every window has them.
    pub harmonics: Option<HarmonicTable>,
}

impl MeasuredInterval {
    /// Mean (DC) of the voltage and current of a phase, in V and A.
    pub fn phase_dc(&self, wiring: Wiring, phase: usize) -> (f64, f64) {
        let sum = |weights: &[f64]| weights.iter().zip(&self.summary.dc).map(|(w, x)| w * x).sum();
        (sum(&wiring.phase_voltages()[phase]), sum(&wiring.phase_currents()[phase]))
    }
}

/// Readings of a file.
#[derive(Clone, Debug, PartialEq)]
pub struct Measurement {
    /// How channels made phases.
    pub wiring: Wiring,
    /// The nominal frequency used.
    pub nominal: Nominal,
    /// Samples per second of each channel.
    pub sample_rate_hz: f64,
    /// Frames in the file.
    pub frames: u64,
    /// Frames after the last whole window, which are in no reading.
    pub frames_left: u64,
    /// What was done with DC of voltages and currents.
    pub dc: (Dc, Dc),
    /// The intervals in order; at least one.
    pub intervals: Vec<MeasuredInterval>,
    /// Where no interval has a fundamental: how often a second the strongest voltage alternates.
    pub alternates_hz: Option<f64>,
}

/// Why a file cannot be measured.
#[derive(Debug, thiserror::Error)]
pub enum MeasureError {
    /// The file itself.
    #[error(transparent)]
    File(#[from] WaveformError),
    /// The sample rate is outside the meter's range.
    #[error(
        "{}: sampled at {rate_hz:.6} per second; {SAMPLE_RATE_MIN_HZ} to {SAMPLE_RATE_MAX_HZ} can \
         be measured: {cure}",
        path.display()
    )]
    SampleRate {
        /// The file.
        path: PathBuf,
        /// Its rate in samples per second.
        rate_hz: f64,
        /// What to do.
        cure: &'static str,
    },
    /// The file holds no whole window.
    #[error(
        "{}: {samples} samples ({have_s:.4} s) are too short for a window of {cycles} cycles; \
         at least {need_s:.3} s ({need} samples) are needed",
        path.display()
    )]
    TooShort {
        /// The file.
        path: PathBuf,
        /// Samples in it.
        samples: u64,
        /// Its length in seconds.
        have_s: f64,
        /// Cycles of a window.
        cycles: f64,
        /// Length needed in seconds.
        need_s: f64,
        /// Samples needed.
        need: u64,
    },
    /// The interval is no usable length.
    #[error("an interval of {0} s cannot be used; give 0.2 or more")]
    Interval(f64),
    /// Records need the settings of a node.
    #[error(
        "{}: records can be made from a count file only, since they need a node's settings",
        .0.display()
    )]
    NoSettings(PathBuf),
    /// The records cannot be written.
    #[error("{}: {source}", path.display())]
    Write {
        /// Where to.
        path: PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
}

/// Shortest interval that can be asked for: a basic window.
const INTERVAL_MIN_S: f64 = 0.2;

/// Measures a file.
pub fn measure(file: &mut Waveform, options: &MeasureOptions) -> Result<Measurement, MeasureError> {
    let interval_s = options.interval_s.unwrap_or(f64::INFINITY);
    if options.interval_s.is_some_and(|s| !(INTERVAL_MIN_S..=1e9).contains(&s)) {
        return Err(MeasureError::Interval(interval_s));
    }
    check_rate(file)?;
    let nominal = options.nominal.map_or_else(|| find_nominal(file), Ok)?;
    let power = file.power;
    let rate_hz = file.sample_rate_hz;
    let mut course = Course::new(MeterConfig { sample_rate_hz: rate_hz, nominal });
    let once = read_intervals(file, nominal, options, None, |window| course.add(window))?;
    // What a node sampled is measured as the node did, windows and all.
    let again = file.settings.is_none() && course.is_worth_a_second_reading();
    let (intervals, run) = match again.then_some(&course) {
        Some(course) => read_intervals(file, nominal, options, Some(course), |_| ())?,
        None => once,
    };
    if intervals.is_empty() {
        return Err(too_short(file, nominal, run.frames));
    }
    let lost = intervals.iter().all(|r| r.summary.frequency_hz.is_none());
    let alternates_hz = if lost { alternation(file)? } else { None };
    Ok(Measurement {
        wiring: power.wiring,
        nominal,
        sample_rate_hz: rate_hz,
        frames: run.frames,
        frames_left: run.left,
        dc: (power.v_dc, power.i_dc),
        intervals,
        alternates_hz,
    })
}

/// Reads the whole file into intervals; with a course of the frequency, windows are cut for it.
fn read_intervals(
    file: &mut Waveform,
    nominal: Nominal,
    options: &MeasureOptions,
    course: Option<&Course>,
    mut see: impl FnMut(&Window),
) -> Result<(Vec<MeasuredInterval>, Run), MeasureError> {
    let power = file.power;
    let rate_hz = file.sample_rate_hz;
    let mut logger = IntervalLogger::new(options.interval_s.unwrap_or(f64::INFINITY));
    let mut start_s = None;
    let mut intervals = Vec::new();
    let follow = Follow { harmonics: !options.without_harmonics, ..power.follow() };
    let ends = file.range_ends();
    let mut sums = HarmonicSums::default();
    let mut finished = |start_s, summary: IntervalSummary, sums: &mut HarmonicSums| {
        let harmonics = sums.take(power.wiring).filter(|_| summary.distortion.is_some());
        intervals.push(MeasuredInterval { start_s, summary, harmonics });
    };
    let run = run_meter(file, nominal, true, follow, course, |window, remarks| {
        see(window);
        let (mut reading, harmonics) = read_harmonics(window, &power);
        reading.flags.insert(remarks.with(clip_flags(&at_end(window, &ends))));
        let bends = course.is_some_and(|c| c.bends(window));
        reading.flags.insert_if(bends, Flags::FREQUENCY_MOVED);
        if let Some(harmonics) = &harmonics {
            sums.add(&reading, harmonics, power.wiring);
        }
        start_s.get_or_insert(window.begins_at() / rate_hz);
        if logger.push(&reading) {
            let start_s = start_s.take().unwrap_or_default();
            if let Some(summary) = logger.take() {
                finished(start_s, summary, &mut sums);
            }
        }
    })?;
    if let (Some(start_s), Some(mut summary)) = (start_s, logger.take()) {
        // The file ended before the interval did.
        summary.flags.insert_if(options.interval_s.is_some(), Flags::SHORT);
        finished(start_s, summary, &mut sums);
    }
    Ok((intervals, run))
}

/// Turns of the strongest voltage a second, from its crossings of the mean in the first second.
///
/// `None` when there is next to no voltage, or no more than two crossings.
fn alternation(file: &mut Waveform) -> Result<Option<f64>, MeasureError> {
    let rate_hz = file.sample_rate_hz;
    let mut frames = vec![Frame::ZERO; rate_hz as usize];
    file.frames.rewind()?;
    let n = file.frames.read(&mut frames)?;
    let column = |slot: usize| frames[..n].iter().map(move |f| f64::from(f.counts()[slot]));
    let mean = |slot| column(slot).sum::<f64>() / n.max(1) as f64;
    let square = |slot: usize| {
        let m = mean(slot);
        column(slot).map(|x| (x - m) * (x - m)).sum::<f64>() / n.max(1) as f64
    };
    let Some((slot, power)) = (0..3).map(|s| (s, square(s))).max_by(|a, b| a.1.total_cmp(&b.1))
    else {
        return Ok(None);
    };
    let (m, rms) = (mean(slot), libm::sqrt(power));
    if rms < ABSENT_SHARE * f64::from(COUNT_MAX) {
        return Ok(None);
    }
    // A crossing counts once the wave has been well below: noise does not turn it.
    let (mut below, mut crossings) = (false, Vec::new());
    for (k, x) in column(slot).enumerate() {
        if x - m < -0.3 * rms {
            below = true;
        } else if below && x - m > 0.0 {
            below = false;
            crossings.push(k);
        }
    }
    // Crossings of noise come at any distance.
    let apart = || crossings.windows(2).map(|pair| pair[1] - pair[0]);
    let mean = apart().sum::<usize>() as f64 / apart().len().max(1) as f64;
    let regular = apart().all(|n| (n as f64 - mean).abs() < 0.25 * mean + 1.0);
    Ok(match crossings[..] {
        [first, .., last] if crossings.len() > 2 && regular => {
            Some((crossings.len() - 1) as f64 * rate_hz / (last - first) as f64)
        }
        _ => None,
    })
}

/// Which slots stood at the ends of their ranges within a window.
pub(super) fn at_end(window: &Window, ends: &[i32; SLOTS]) -> [bool; SLOTS] {
    let neutral = window.neutral.map_or(0, |n| n.peak);
    std::array::from_fn(|slot| *window.sums.peak.get(slot).unwrap_or(&neutral) > ends[slot])
}

/// The remarks that follow from it.
fn clip_flags(at_end: &[bool; SLOTS]) -> Flags {
    let mut flags = Flags::NONE;
    flags.insert_if(at_end[..3].contains(&true), Flags::V_CLIPPED);
    flags.insert_if(at_end[3..].contains(&true), Flags::I_CLIPPED);
    flags
}

/// Reads every window of a file in order; the windows of [`measure`] before they are joined,
/// cut as a node would. A file without one is an error, as there.
pub fn windows(
    file: &mut Waveform,
    nominal: Option<Nominal>,
    mut sink: impl FnMut(&Window, &Reading),
) -> Result<(), MeasureError> {
    check_rate(file)?;
    let nominal = nominal.map_or_else(|| find_nominal(file), Ok)?;
    let power: PowerConfig = file.power;
    let ends = file.range_ends();
    let mut any = false;
    let run = run_meter(file, nominal, true, power.follow(), None, |window, remarks| {
        let mut reading = read_window(window, &power);
        reading.flags.insert(remarks.with(clip_flags(&at_end(window, &ends))));
        any = true;
        sink(window, &reading);
    })?;
    if any { Ok(()) } else { Err(too_short(file, nominal, run.frames)) }
}

/// How many records were written and what they cover.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RecordsWritten {
    /// Number of records.
    pub records: u32,
    /// Frames in the file.
    pub frames: u64,
    /// Frames after the last whole window.
    pub frames_left: u64,
    /// The interval set in the file's settings, in seconds.
    pub interval_s: u16,
    /// Length of the last record, in seconds.
    pub last_s: f64,
}

/// Writes the records that a node with an empty log and no clock would keep of a count file.
///
/// Pages of 256 bytes one after the other, sequence numbers from 0, start number 1, tags of the
/// chain of the node with this number; the last one ends with the file and may be shorter than
/// the interval.
pub fn write_records(
    file: &mut Waveform,
    node_id: u64,
    out: &mut impl Write,
    out_path: &std::path::Path,
) -> Result<RecordsWritten, MeasureError> {
    let Some(settings) = file.settings.clone() else {
        return Err(MeasureError::NoSettings(file.path.clone()));
    };
    check_rate(file)?;
    let power = file.power;
    let rate_hz = file.sample_rate_hz;
    let mut logger = IntervalLogger::new(f64::from(settings.interval_s));
    let mut energies = Energies::default();
    let mut pages: Vec<u8> = Vec::new();
    let (mut seq, mut uptime_ms, mut last_s) = (0u32, 0u64, 0.0);
    let mut tag = chain::first_tag(node_id);
    let mut keep = |summary: Option<IntervalSummary>, uptime_ms, energies: &Energies| {
        let Some(summary) = summary else {
            return;
        };
        let stamp = Stamp { seq, boot: 1, uptime_ms, ..Stamp::default() };
        let mut record = Record::new(&summary, &stamp, energies, power.wiring, settings.nominal);
        // What a node says of the first record in an empty log.
        let first = Flags::BOOTED.with(Flags::ENERGY_RESTARTED);
        record.flags.insert_if(seq == 0, first);
        let mut page = record.encode();
        tag = chain::append(&tag, &mut page);
        pages.extend(page);
        seq += 1;
        last_s = summary.duration_s;
    };
    let run = run_meter(file, settings.nominal, false, power.follow(), None, |window, remarks| {
        let mut reading = read_window(window, &power);
        reading.flags.insert(remarks);
        energies.add(&reading);
        uptime_ms = (window.ends_at() * 1000.0 / rate_hz + 0.5) as u64;
        if logger.push(&reading) {
            keep(logger.take(), uptime_ms, &energies);
        }
    })?;
    keep(logger.take(), uptime_ms, &energies);
    if seq == 0 {
        return Err(too_short(file, settings.nominal, run.frames));
    }
    out.write_all(&pages)
        .and_then(|()| out.flush())
        .map_err(|source| MeasureError::Write { path: out_path.into(), source })?;
    Ok(RecordsWritten {
        records: seq,
        frames: run.frames,
        frames_left: run.left,
        interval_s: settings.interval_s,
        last_s,
    })
}

/// What went through the meter.
struct Run {
    frames: u64,
    left: u64,
}

/// Sends the whole file through a meter; `look_back` lets it see the end of the stream once
/// more when that closes a last window, which a node does not. With a course of the frequency,
/// windows are cut for it.
fn run_meter(
    file: &mut Waveform,
    nominal: Nominal,
    look_back: bool,
    follow: Follow,
    course: Option<&Course>,
    mut sink: impl FnMut(&Window, Flags),
) -> Result<Run, MeasureError> {
    let rate_hz = file.sample_rate_hz;
    let config = MeterConfig { sample_rate_hz: rate_hz, nominal };
    let hold = vec![Frame::ZERO; acquire_frames(rate_hz)];
    let mut meter = match Meter::new(config, hold) {
        Ok(meter) => meter,
        Err(MeterError::SampleRate | MeterError::Buffer) => return Err(bad_rate(file)),
    };
    meter.follow(follow);
    file.frames.rewind()?;
    let mut coils = Coils::new(file);
    let mut frames = 0;
    // Two chunks in turn, so that the end of the stream is still at hand when it has come.
    let size = CHUNK.max(acquire_frames(rate_hz));
    let (mut chunk, mut before) = (vec![Frame::ZERO; size], Vec::new());
    loop {
        let n = file.frames.read(&mut chunk)?;
        let first = frames == 0;
        frames += n as u64;
        coils.prepare(&chunk[..n], first);
        let mut at = 0;
        while at < n {
            let done = coils.run(&mut chunk[at..n]);
            let expect = &mut |start| course.and_then(|c| c.expected(start));
            let sink = &mut |window: &Window| sink(window, coils.remarks());
            meter.push_expecting(&chunk[at..at + done], expect, sink);
            at += done;
        }
        if n < chunk.len() {
            before.extend_from_slice(&chunk[..n]);
            break;
        }
        before.resize(size, Frame::ZERO);
        before.copy_from_slice(&chunk);
    }
    let tail = if look_back { before.as_slice() } else { &[] };
    let left = meter.finish(tail, &mut |window| sink(window, coils.remarks()));
    Ok(Run { frames, left })
}

/// Frames whose coils are integrated at a time.
const PIECE: usize = 64;

/// The integrators of a file's Rogowski coils, and what is to be said of them.
struct Coils {
    integrators: Integrators,
    /// A node starts from zero; a recording begins within a wave.
    primed: bool,
    sample_rate_hz: f64,
    remarks: Flags,
    seen: Flags,
}

impl Coils {
    fn new(file: &Waveform) -> Coils {
        let sample_rate_hz = file.sample_rate_hz;
        Coils {
            integrators: Integrators::new(&file.power.calibration, sample_rate_hz),
            primed: file.settings.is_none(),
            sample_rate_hz,
            remarks: Flags::NONE,
            seen: Flags::NONE,
        }
    }

    /// Looks at the first frames of a recording.
    fn prepare(&mut self, frames: &[Frame], first: bool) {
        if !(first && self.primed && self.integrators.any()) {
            return;
        }
        let floor = ABSENT_SHARE * f64::from(COUNT_MAX);
        let start = &frames[..acquire_frames(self.sample_rate_hz).min(frames.len())];
        if let Some(f) = find_fundamental(start, self.sample_rate_hz, floor) {
            let period = self.sample_rate_hz / f;
            let look = (20.0 * period) as usize;
            self.integrators.prime(&frames[..look.min(frames.len())], period);
        }
    }

    /// Integrates frames in place; returns how many, all of them where there is no coil.
    fn run(&mut self, frames: &mut [Frame]) -> usize {
        if !self.integrators.any() {
            return frames.len();
        }
        let mut raw = [Frame::ZERO; PIECE];
        let n = frames.len().min(PIECE);
        raw[..n].copy_from_slice(&frames[..n]);
        let (done, seen) = self.integrators.run(&raw[..n], frames);
        self.seen = seen.flags();
        self.remarks.insert(self.seen);
        done
    }

    /// The remarks of a window that ends; the newest frames lie behind its end already.
    fn remarks(&mut self) -> Flags {
        core::mem::replace(&mut self.remarks, self.seen)
    }
}

fn check_rate(file: &Waveform) -> Result<(), MeasureError> {
    let range = SAMPLE_RATE_MIN_HZ..=SAMPLE_RATE_MAX_HZ;
    if range.contains(&file.sample_rate_hz) { Ok(()) } else { Err(bad_rate(file)) }
}

fn bad_rate(file: &Waveform) -> MeasureError {
    let cure = if file.sample_rate_hz < SAMPLE_RATE_MIN_HZ {
        "check that the times are in seconds, or sample faster"
    } else {
        "filter it and keep every nth sample"
    };
    MeasureError::SampleRate { path: file.path.clone(), rate_hz: file.sample_rate_hz, cure }
}

/// The nominal nearest to the first fundamental in the file, else what the file declares, else 50 Hz.
fn find_nominal(file: &mut Waveform) -> Result<Nominal, MeasureError> {
    let declared = file.declared_nominal;
    if file.settings.is_some() {
        return Ok(declared.unwrap_or(Nominal::Hz50));
    }
    let rate_hz = file.sample_rate_hz;
    let mut hold = vec![Frame::ZERO; acquire_frames(rate_hz)];
    file.frames.rewind()?;
    loop {
        let n = file.frames.read(&mut hold)?;
        let floor = ABSENT_SHARE * f64::from(COUNT_MAX);
        if let Some(f) = find_fundamental(&hold[..n], rate_hz, floor) {
            return Ok(Nominal::nearest(f));
        }
        if n < hold.len() {
            return Ok(declared.unwrap_or(Nominal::Hz50));
        }
    }
}

fn too_short(file: &Waveform, nominal: Nominal, samples: u64) -> MeasureError {
    // Room for a fundamental 1 % below nominal and for the samples around the last cut.
    let need_s = 1.01 * nominal.cycles() / nominal.hz();
    MeasureError::TooShort {
        path: file.path.clone(),
        samples,
        have_s: samples as f64 / file.sample_rate_hz,
        cycles: nominal.cycles(),
        need_s,
        need: (need_s * file.sample_rate_hz) as u64 + 2,
    }
}
