//! The samples of a COMTRADE recording: one stored value of one channel at a time.
//! Knows storage and missing values; what the values mean is in [`super::config`].

use super::ComtradeFault;
use super::config::{Config, Storage};
use crate::collect::csv::number::parse;

/// The samples of a recording in memory, as they are in the file.
pub struct Data {
    bytes: Vec<u8>,
    storage: Storage,
    analogs: usize,
    /// Bytes of a binary sample.
    size: usize,
    /// Samples there are.
    pub samples: u64,
}

impl Data {
    /// Takes the samples and checks that all that were announced are there.
    pub fn new(bytes: Vec<u8>, config: &Config) -> Result<Data, ComtradeFault> {
        let analogs = config.analog.len();
        let width = if config.storage == Storage::Binary { 2 } else { 4 };
        let size = 8 + analogs * width + config.digital.div_ceil(16) * 2;
        let samples = match config.storage {
            Storage::Ascii => text_lines(&bytes).count() as u64,
            _ => (bytes.len() / size) as u64,
        };
        let wanted = config.sections.last().map_or(0, |s| s.last);
        if samples < wanted {
            return Err(ComtradeFault::CutData { found: samples, wanted });
        }
        Ok(Data { bytes, storage: config.storage, analogs, size, samples: wanted })
    }

    /// Starts reading at a sample counted from 0.
    pub fn reader(&self, from: u64) -> Reader {
        let at = match self.storage {
            Storage::Ascii => self.text_offset(from),
            _ => from as usize * self.size,
        };
        Reader { at, sample: from }
    }

    fn text_offset(&self, from: u64) -> usize {
        let mut reader = Reader { at: 0, sample: 0 };
        for _ in 0..from {
            reader.next_line(&self.bytes);
        }
        reader.at
    }

    /// The stored values of some channels at the next sample, and its time stamp.
    ///
    /// `picks` are positions of channels; a value that is marked as missing is `None`.
    pub fn next(
        &self,
        reader: &mut Reader,
        picks: &[usize],
        values: &mut [Option<f64>],
    ) -> Result<f64, ComtradeFault> {
        let stamp = match self.storage {
            Storage::Ascii => self.next_text(reader, picks, values)?,
            _ => self.next_binary(reader, picks, values)?,
        };
        reader.sample += 1;
        Ok(stamp)
    }

    fn next_binary(
        &self,
        reader: &mut Reader,
        picks: &[usize],
        values: &mut [Option<f64>],
    ) -> Result<f64, ComtradeFault> {
        let cut = ComtradeFault::CutData { found: reader.sample, wanted: self.samples };
        let record = self.bytes.get(reader.at..reader.at + self.size).ok_or(cut)?;
        let stamp = four(record, 4).map_or(0.0, |b| f64::from(u32::from_le_bytes(b)));
        for (value, &pick) in values.iter_mut().zip(picks) {
            *value = match self.storage {
                Storage::Binary => record
                    .get(8 + 2 * pick..10 + 2 * pick)
                    .map(|b| i16::from_le_bytes([b[0], b[1]]))
                    .filter(|&x| x != i16::MIN)
                    .map(f64::from),
                Storage::Binary32 => four(record, 8 + 4 * pick)
                    .map(i32::from_le_bytes)
                    .filter(|&x| x != i32::MIN)
                    .map(f64::from),
                // The smallest of all numbers marks a missing one, as does what is no number.
                _ => four(record, 8 + 4 * pick)
                    .map(f32::from_le_bytes)
                    .filter(|x| x.is_finite() && *x > f32::MIN)
                    .map(f64::from),
            };
        }
        reader.at += self.size;
        Ok(stamp)
    }

    fn next_text(
        &self,
        reader: &mut Reader,
        picks: &[usize],
        values: &mut [Option<f64>],
    ) -> Result<f64, ComtradeFault> {
        let line = reader
            .next_line(&self.bytes)
            .ok_or(ComtradeFault::CutData { found: reader.sample, wanted: self.samples })?;
        let sample = reader.sample + 1;
        let bad = |cell: &[u8]| ComtradeFault::Value {
            sample,
            text: String::from_utf8_lossy(cell.trim_ascii()).chars().take(24).collect(),
        };
        let mut cells = line.split(|&b| b == b',');
        cells.next();
        let stamp_cell = cells.next().unwrap_or_default();
        let stamp = match stamp_cell.trim_ascii() {
            b"" => 0.0,
            cell => parse(cell).ok_or_else(|| bad(cell))?,
        };
        let found = line.split(|&b| b == b',').count();
        if found < 2 + self.analogs {
            return Err(ComtradeFault::Fields { sample, found, wanted: 2 + self.analogs });
        }
        let cells: Vec<&[u8]> = cells.take(self.analogs).collect();
        for (value, &pick) in values.iter_mut().zip(picks) {
            let cell = cells.get(pick).copied().unwrap_or_default().trim_ascii();
            *value = match cell {
                // Nothing at all, or the marks of the 1991 and 1999 revisions.
                b"" | b"99999" | b"999999" => None,
                _ => Some(parse(cell).ok_or_else(|| bad(cell))?),
            };
        }
        Ok(stamp)
    }
}

fn four(record: &[u8], at: usize) -> Option<[u8; 4]> {
    record.get(at..at + 4)?.try_into().ok()
}

/// Lines that hold samples.
fn text_lines(bytes: &[u8]) -> impl Iterator<Item = &[u8]> {
    let mut reader = Reader { at: 0, sample: 0 };
    std::iter::from_fn(move || reader.next_line(bytes))
}

/// A place in the samples.
#[derive(Clone, Copy, Debug)]
pub struct Reader {
    at: usize,
    /// Number of the next sample, from 0.
    pub sample: u64,
}

impl Reader {
    /// The next line that is not empty; a SUB character ends the text.
    fn next_line<'a>(&mut self, bytes: &'a [u8]) -> Option<&'a [u8]> {
        loop {
            let rest = bytes.get(self.at..).filter(|r| !r.is_empty())?;
            let length = rest.iter().position(|&b| b == b'\n').map_or(rest.len(), |n| n + 1);
            self.at += length;
            let line = rest[..length].trim_ascii();
            if line.first() == Some(&0x1A) {
                return None;
            }
            if !line.is_empty() {
                return Some(line);
            }
        }
    }
}
