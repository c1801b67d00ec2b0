//! Sampled waveforms from a CSV file: `t_s` and one column for each lead, in any order.
//!
//! The file is read twice and never held: once for its checks, its sample rate and
//! its largest samples, once for the frames. Commas, semicolons and tabs separate;
//! with the latter two a decimal comma is understood.

pub mod number;

use super::flat_tops::FlatChannels;
use super::waveform::{
    self, Format, FrameStream, Lead, OpenOptions, SAMPLE_MAX, SLOTS, Taken, Waveform, WaveformError,
};
use number::{Bad, Number, digit, number, whole_rate};
use std::fs::File;
use std::io::{BufRead, BufReader, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};
use wattless_core::frame::{CHANNELS, Frame, NEUTRAL};
use wattless_core::power::PowerConfig;

/// The column of time, in seconds.
pub const TIME_COLUMN: &str = "t_s";

/// Steps of time may differ from the mean step by this share of it.
const STEP_TOLERANCE: f64 = 0.05;

/// How fast the expected time follows the file's, so that a slow drift of its clock is no fault.
const FOLLOW: f64 = 0.01;

/// A longer line than this is not CSV.
const LINE_MAX: u64 = 1 << 16;

/// What can be wrong in a line of a CSV file.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum CsvFault {
    /// The file has no line at all.
    #[error("the file is empty; it needs a header such as t_s,v1_v,i1_a and rows of numbers")]
    NoHeader,
    /// The first line holds numbers.
    #[error("there is no header; the first line must name the columns, such as t_s,v1_v,i1_a")]
    NumbersFirst,
    /// A column is not known.
    #[error("unknown column '{0}'; known are t_s, {known}", known = known_columns())]
    UnknownColumn(String),
    /// A column appears twice.
    #[error("column {0} appears twice; keep one of them")]
    Duplicate(String),
    /// There is no time.
    #[error("there is no column t_s; it must hold the time of each row in seconds")]
    NoTime,
    /// No voltage or no current.
    #[error("there are no columns of samples beside t_s; add for example v1_v and i1_a")]
    NoSamples,
    /// Fewer or more cells than columns.
    #[error(
        "{found} cells where the header has {wanted} columns{hint}",
        hint = cells_hint(*found, *wanted, *last)
    )]
    Cells {
        /// Cells in the line.
        found: usize,
        /// Columns in the header.
        wanted: usize,
        /// Whether it is the last line of the file and not ended.
        last: bool,
    },
    /// A cell is empty.
    #[error("{0} is empty; every cell needs a number, and gaps cannot be measured across")]
    Empty(String),
    /// A cell is not a number.
    #[error("{0} is '{1}', which is not a number")]
    NotANumber(String, String),
    /// A cell is NaN or infinite.
    #[error("{0} is '{1}'; only finite numbers can be measured")]
    NotFinite(String, String),
    /// A cell is larger than any mains quantity.
    #[error("{0} is {1:e}, beyond ±1e9 V or A; check the unit")]
    TooLarge(String, f64),
    /// An empty line is followed by more.
    #[error("empty line in the middle of the data")]
    EmptyLine,
    /// A line has no end.
    #[error("the line is longer than 65536 bytes: this is not a CSV file")]
    Endless,
    /// A line is not text.
    #[error("the line is not UTF-8 text")]
    NotText,
    /// Time stands still or runs back.
    #[error("t_s goes from {from} to {to}; time must rise from row to row")]
    TimeOrder {
        /// Time of the row before.
        from: f64,
        /// Time of this row.
        to: f64,
    },
    /// The steps of time differ.
    #[error(
        "t_s steps by {step_s:.3e} s where the mean step is {mean_s:.3e} s; rows are missing, \
         doubled or not evenly spaced, and only even sampling can be measured"
    )]
    Step {
        /// The step to this row.
        step_s: f64,
        /// The mean step.
        mean_s: f64,
    },
    /// The header is not followed by two rows.
    #[error("there are {0} rows of samples; at least two are needed to know the sample rate")]
    TooFew(u64),
}

fn cells_hint(found: usize, wanted: usize, last: bool) -> &'static str {
    match (found < wanted, last) {
        (true, true) => "; the file seems to be cut off",
        (true, false) => "",
        (false, _) => "; decimal commas need semicolons or tabs between the cells",
    }
}

fn known_columns() -> String {
    Lead::ALL.map(Lead::column).join(", ")
}

/// Opens a CSV file and reads it once for its checks.
pub fn open(path: &Path, options: &OpenOptions) -> Result<Waveform, WaveformError> {
    waveform::refuse(
        path,
        Format::Csv,
        &[
            ("--channel", !options.channels.is_empty()),
            ("--component", options.component.is_some()),
            ("--section", options.section.is_some()),
        ],
    )?;
    let mut rows = Rows::open(path)?;
    let header = Header::parse(&rows.header).map_err(|fault| rows.error(fault))?;
    let leads: Vec<Lead> = header.leads.iter().map(|(lead, _)| *lead).collect();
    let (wiring, places) = waveform::arrange(path, &leads, options.wiring)?;
    let mut factors = [1.0; SLOTS];
    let mut taken = Vec::new();
    let mut roles = vec![Role::Skip; header.columns.len()];
    roles[header.time] = Role::Time;
    for (slot, place) in places.into_iter().enumerate() {
        let Some(&(lead, column)) = place.and_then(|k| header.leads.get(k)) else {
            continue;
        };
        factors[slot] = options.factor(lead);
        roles[column] = Role::Slot(slot);
        let name = header.columns[column].clone();
        taken.push(Taken { lead, name, factor: factors[slot] });
    }
    let neutral_sensor = places[NEUTRAL].is_some();
    let layout = Layout { separator: header.separator, columns: header.columns, roles };
    let found = survey(&mut rows, &layout, &factors)?;
    let v_gain = waveform::gain_for_peak(found.v_peak, true);
    let i_gain = waveform::gain_for_peak(found.i_peak, false);
    let gains = std::array::from_fn(|slot| if slot < 3 { v_gain } else { i_gain });
    let dc = options.dc.unwrap_or_default();
    let calibration = waveform::calibration(gains);
    let mut frames = CsvFrames { rows, layout, factors, gains, clock: found.clock, before: None };
    frames.rewind()?;
    Ok(Waveform {
        path: path.into(),
        format: Format::Csv,
        sample_rate_hz: found.clock.rate_hz,
        first_sample_s: Some(found.clock.first_s),
        declared_nominal: None,
        power: PowerConfig { wiring, calibration, v_dc: dc, i_dc: dc, neutral_sensor },
        settings: None,
        taken,
        clipped_at: found.clipped_at,
        frames: Box::new(frames),
    })
}

/// What the header says.
struct Header {
    separator: u8,
    columns: Vec<String>,
    time: usize,
    leads: Vec<(Lead, usize)>,
}

impl Header {
    fn parse(line: &str) -> Result<Header, CsvFault> {
        let line = line.trim();
        if line.is_empty() {
            return Err(CsvFault::NoHeader);
        }
        let separator = [b';', b'\t'].into_iter().find(|&c| line.contains(char::from(c)));
        let separator = separator.unwrap_or(b',');
        let columns: Vec<String> = line
            .split(char::from(separator))
            .map(|name| name.trim().trim_matches('"').trim().to_ascii_lowercase())
            .collect();
        if columns.iter().all(|c| c.replace(',', ".").parse::<f64>().is_ok()) {
            return Err(CsvFault::NumbersFirst);
        }
        let (mut time, mut leads) = (None, Vec::new());
        for (k, name) in columns.iter().enumerate() {
            if columns[..k].contains(name) {
                return Err(CsvFault::Duplicate(name.clone()));
            }
            match Lead::from_column(name) {
                Some(lead) => leads.push((lead, k)),
                None if name == TIME_COLUMN => time = Some(k),
                None => return Err(CsvFault::UnknownColumn(name.clone())),
            }
        }
        let time = time.ok_or(CsvFault::NoTime)?;
        if leads.is_empty() {
            return Err(CsvFault::NoSamples);
        }
        Ok(Header { separator, columns, time, leads })
    }
}

/// What is done with a column.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Role {
    Skip,
    Time,
    Slot(usize),
}

/// How lines are cut into cells.
struct Layout {
    separator: u8,
    columns: Vec<String>,
    roles: Vec<Role>,
}

/// The numbers of a row.
#[derive(Clone, Copy, Debug, Default)]
struct Row {
    time: Number,
    samples: [f64; SLOTS],
}

impl Layout {
    fn row(&self, line: &[u8], last: bool) -> Result<Row, CsvFault> {
        let mut row = Row::default();
        let mut cells = line.split(|&b| b == self.separator);
        for (k, role) in self.roles.iter().enumerate() {
            let Some(cell) = cells.next() else {
                return Err(self.wrong_cells(line, last));
            };
            if *role == Role::Skip {
                continue;
            }
            let number = number(cell, self.separator != b',')
                .map_err(|bad| self.bad_cell(bad, k, cell, line, last))?;
            match *role {
                Role::Slot(slot) => row.samples[slot] = number.value,
                _ => row.time = number,
            }
        }
        if cells.next().is_some() {
            return Err(self.wrong_cells(line, last));
        }
        Ok(row)
    }

    fn wrong_cells(&self, line: &[u8], last: bool) -> CsvFault {
        let found = line.split(|&b| b == self.separator).count();
        CsvFault::Cells { found, wanted: self.columns.len(), last }
    }

    #[cold]
    fn bad_cell(&self, bad: Bad, k: usize, cell: &[u8], line: &[u8], last: bool) -> CsvFault {
        // A line of the wrong length says more than the cell that it shifted.
        if line.split(|&b| b == self.separator).count() != self.columns.len() {
            return self.wrong_cells(line, last);
        }
        let column = self.columns[k].clone();
        let mut text = String::from_utf8_lossy(cell.trim_ascii()).into_owned();
        if text.chars().count() > 24 {
            text = text.chars().take(24).chain(['…']).collect();
        }
        match bad {
            Bad::Empty => CsvFault::Empty(column),
            Bad::NotANumber => CsvFault::NotANumber(column, text),
            Bad::NotFinite => CsvFault::NotFinite(column, text),
        }
    }
}

/// Lines of a CSV file.
struct Rows {
    path: PathBuf,
    reader: BufReader<File>,
    line: Vec<u8>,
    number: u64,
    header: String,
    /// Where the first row starts.
    data_at: u64,
}

impl Rows {
    fn open(path: &Path) -> Result<Rows, WaveformError> {
        let io = |source| WaveformError::Io { path: path.into(), source };
        let reader = BufReader::with_capacity(1 << 20, File::open(path).map_err(io)?);
        let mut rows = Rows {
            path: path.into(),
            reader,
            line: Vec::new(),
            number: 0,
            header: String::new(),
            data_at: 0,
        };
        if !rows.next_line()? {
            rows.number = 1;
            return Err(rows.error(CsvFault::NoHeader));
        }
        let bytes = rows.line.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(&rows.line);
        let header = std::str::from_utf8(bytes).map(str::to_owned);
        rows.header = header.map_err(|_| rows.error(CsvFault::NotText))?;
        rows.data_at = rows.reader.stream_position().map_err(io)?;
        Ok(rows)
    }

    fn error(&self, fault: CsvFault) -> WaveformError {
        WaveformError::Csv { path: self.path.clone(), line: self.number, fault }
    }

    fn error_at(&self, line: u64, fault: CsvFault) -> WaveformError {
        WaveformError::Csv { path: self.path.clone(), line, fault }
    }

    /// Reads the next line into `self.line`; `false` at the end of the file.
    fn next_line(&mut self) -> Result<bool, WaveformError> {
        self.line.clear();
        let mut limited = (&mut self.reader).take(LINE_MAX);
        let read = limited.read_until(b'\n', &mut self.line);
        let read = read.map_err(|source| WaveformError::Io { path: self.path.clone(), source })?;
        self.number += 1;
        if read as u64 == LINE_MAX && self.line.last() != Some(&b'\n') {
            return Err(self.error(CsvFault::Endless));
        }
        Ok(read > 0)
    }

    /// The next row; empty lines are allowed at the end of the file only.
    fn next_row(&mut self, layout: &Layout) -> Result<Option<Row>, WaveformError> {
        let mut empty_line = None;
        while self.next_line()? {
            let ended = self.line.last() == Some(&b'\n');
            let line = self.line.trim_ascii_end();
            if line.is_empty() {
                empty_line = empty_line.or(Some(self.number));
                continue;
            }
            if let Some(at) = empty_line {
                return Err(self.error_at(at, CsvFault::EmptyLine));
            }
            // A trailing tab separates nothing when tabs separate cells.
            let line = if layout.separator == b'\t' { strip_end(&self.line) } else { line };
            return match layout.row(line, !ended) {
                Ok(row) => Ok(Some(row)),
                Err(fault) => Err(self.error(fault)),
            };
        }
        Ok(None)
    }

    fn rewind(&mut self) -> Result<(), WaveformError> {
        let done = self.reader.seek(SeekFrom::Start(self.data_at));
        done.map_err(|source| WaveformError::Io { path: self.path.clone(), source })?;
        self.number = 1;
        Ok(())
    }
}

fn strip_end(line: &[u8]) -> &[u8] {
    let line = line.strip_suffix(b"\n").unwrap_or(line);
    line.strip_suffix(b"\r").unwrap_or(line)
}

/// When rows are expected.
#[derive(Clone, Copy, Debug)]
struct Clock {
    first_s: f64,
    step_s: f64,
    rate_hz: f64,
    /// Largest error of a printed time against the true one, doubled.
    digit_s: f64,
}

/// What the first reading found.
struct Survey {
    clock: Clock,
    v_peak: f64,
    i_peak: f64,
    clipped_at: [Option<f64>; SLOTS],
}

/// A step of time and the line that it leads to.
#[derive(Clone, Copy)]
struct Step {
    seconds: f64,
    to: f64,
    line: u64,
}

/// Reads the whole file once: checks cells, finds sample rate and largest samples.
fn survey(
    rows: &mut Rows,
    layout: &Layout,
    factors: &[f64; SLOTS],
) -> Result<Survey, WaveformError> {
    let mut peaks = [0.0f64; SLOTS];
    let mut flats = FlatChannels::default();
    let (mut count, mut first, mut last) = (0u64, 0.0f64, 0.0f64);
    let (mut last_digit, mut digits) = (0i32, 0i32);
    let mut shortest = Step { seconds: f64::INFINITY, to: 0.0, line: 0 };
    let mut longest = Step { seconds: f64::NEG_INFINITY, to: 0.0, line: 0 };
    while let Some(row) = rows.next_row(layout)? {
        let t = row.time.value;
        let samples = std::array::from_fn(|slot| row.samples[slot] * factors[slot]);
        for (peak, x) in peaks.iter_mut().zip(samples) {
            *peak = peak.max(x.abs());
        }
        flats.add(&samples);
        last_digit = last_digit.min(row.time.last_digit);
        digits = digits.max(row.time.digits);
        if count == 0 {
            first = t;
        } else {
            let step = Step { seconds: t - last, to: t, line: rows.number };
            if step.seconds < 0.0 {
                return Err(rows.error(CsvFault::TimeOrder { from: last, to: t }));
            }
            if step.seconds < shortest.seconds {
                shortest = step;
            }
            if step.seconds > longest.seconds {
                longest = step;
            }
        }
        last = t;
        count += 1;
        if let Some(slot) = peaks.iter().position(|&p| p > SAMPLE_MAX) {
            let column = layout.roles.iter().position(|r| *r == Role::Slot(slot)).unwrap_or(0);
            let name = layout.columns[column].clone();
            return Err(rows.error(CsvFault::TooLarge(name, row.samples[slot])));
        }
    }
    if count < 2 {
        return Err(rows.error(CsvFault::TooFew(count)));
    }
    let mean_s = (last - first) / (count - 1) as f64;
    let largest = first.abs().max(last.abs());
    let digit_s = digit(last_digit, digits, largest);
    let tolerance = STEP_TOLERANCE * mean_s + digit_s;
    for step in [longest, shortest] {
        if (step.seconds - mean_s).abs() > tolerance || mean_s <= 0.0 {
            return Err(if step.seconds <= 0.0 {
                rows.error_at(step.line, CsvFault::TimeOrder { from: step.to, to: step.to })
            } else {
                rows.error_at(step.line, CsvFault::Step { step_s: step.seconds, mean_s })
            });
        }
    }
    let rate_hz = whole_rate(1.0 / mean_s, digit_s / (last - first));
    Ok(Survey {
        clock: Clock { first_s: first, step_s: mean_s, rate_hz, digit_s },
        v_peak: peaks[..3].iter().fold(0.0, |a, &b| a.max(b)),
        i_peak: peaks[3..].iter().fold(0.0, |a, &b| a.max(b)),
        clipped_at: flats.levels(),
    })
}

/// The second reading.
struct CsvFrames {
    rows: Rows,
    layout: Layout,
    factors: [f64; SLOTS],
    gains: [f64; SLOTS],
    clock: Clock,
    /// Time of the row before, in the file and as expected.
    before: Option<(f64, f64)>,
}

impl CsvFrames {
    /// Compares a row's time with the expected one, which follows slowly.
    ///
    /// Both from the first row, since steps added to a large time would lose their digits.
    fn check_time(&mut self, t: f64) -> Result<(), WaveformError> {
        let t = t - self.clock.first_s;
        let Some((last, expected_before)) = self.before else {
            self.before = Some((t, t));
            return Ok(());
        };
        let expected = expected_before + self.clock.step_s;
        let error = t - expected;
        if error.abs() > STEP_TOLERANCE * self.clock.step_s + self.clock.digit_s {
            let fault = CsvFault::Step { step_s: t - last, mean_s: self.clock.step_s };
            return Err(self.rows.error(fault));
        }
        self.before = Some((t, expected + FOLLOW * error));
        Ok(())
    }
}

impl FrameStream for CsvFrames {
    fn read(&mut self, out: &mut [Frame]) -> Result<usize, WaveformError> {
        for (n, frame) in out.iter_mut().enumerate() {
            let Some(row) = self.rows.next_row(&self.layout)? else {
                return Ok(n);
            };
            self.check_time(row.time.value)?;
            let mut counts = [0i32; CHANNELS];
            for (slot, count) in counts.iter_mut().take(SLOTS).enumerate() {
                *count = waveform::count(row.samples[slot] * self.factors[slot], self.gains[slot]);
            }
            *frame = Frame::new(counts);
        }
        Ok(out.len())
    }

    fn rewind(&mut self) -> Result<(), WaveformError> {
        self.before = None;
        self.rows.rewind()
    }
}
