//! Raw counts of a node in a file: what its converter gave, with the settings to read it.
//!
//! For comparisons bit for bit between a node and this program. The layout, little-endian:
//!
//! | offset | bytes | content |
//! |---|---|---|
//! | 0 | 8 | `wl-count` |
//! | 8 | 1 | version of the format, 2; in version 1 the settings are of format 1 |
//! | 9 | 1 | channels of a frame, c: 6 or 8 |
//! | 10 | 2 | bytes of the settings, n |
//! | 12 | 8 | frames per second, `f64` |
//! | 20 | n | [`Settings`] in postcard |
//! | 20 + n | 4 | CRC-32/ISO-HDLC of everything before |
//! | 24 + n | 3·c each | frames: counts in slot order, 24-bit two's complement |

use super::waveform::{
    self, Format, FrameStream, Lead, OpenOptions, SLOTS, Taken, Waveform, WaveformError,
};
use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use wattless_core::frame::{ACTIVE, CHANNELS, Frame};
use wattless_core::record::CRC;
use wattless_core::settings::{SETTINGS_FORMAT, Settings, SettingsError};
use wattless_core::window::{SAMPLE_RATE_MAX_HZ, SAMPLE_RATE_MIN_HZ};

/// The first bytes of a count file.
pub const MAGIC: [u8; 8] = *b"wl-count";

/// The version that is written; it is the format of the settings, too.
pub const VERSION: u8 = SETTINGS_FORMAT;

/// Bytes before the settings.
const HEAD: usize = 20;

/// Why a count file cannot be used.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum CountsFault {
    /// The header ends too early.
    #[error("the header of this count file is cut off; copy the file again")]
    CutHeader,
    /// The header's CRC does not match.
    #[error("the header of this count file is damaged (checksum); copy the file again")]
    Checksum,
    /// A format that this program does not know.
    #[error(
        "count file format {0} is not known here (known: 1 to {VERSION}); use a newer version of this program"
    )]
    Version(u8),
    /// A header that passes its CRC but cannot be.
    #[error("the header of this count file holds {0}; write the file again")]
    Header(&'static str),
    /// The settings do not pass their checks.
    #[error("the settings in this count file cannot be used: {0}")]
    Settings(SettingsError),
    /// The last frame is not whole.
    #[error("the file ends within frame {frame}: it is cut off; copy it again")]
    CutFrame {
        /// Number of the frame, from 1.
        frame: u64,
    },
}

/// Writes a count file frame by frame.
#[derive(Debug)]
pub struct CountsWriter<W> {
    to: W,
    channels: usize,
}

impl<W: Write> CountsWriter<W> {
    /// Writes the header; `channels` is 6, or 8 to keep the spare slots.
    pub fn new(
        mut to: W,
        sample_rate_hz: f64,
        settings: &Settings,
        channels: usize,
    ) -> std::io::Result<Self> {
        let bad = |what: String| std::io::Error::new(std::io::ErrorKind::InvalidInput, what);
        if channels != ACTIVE && channels != CHANNELS {
            return Err(bad(format!("a frame has {ACTIVE} or {CHANNELS} channels")));
        }
        let mut room = [0u8; 1024];
        let stored = postcard::to_slice(settings, &mut room).map_err(|e| bad(e.to_string()))?;
        let mut head = MAGIC.to_vec();
        head.extend([VERSION, channels as u8]);
        head.extend((stored.len() as u16).to_le_bytes());
        head.extend(sample_rate_hz.to_le_bytes());
        head.extend(&*stored);
        head.extend(CRC.checksum(&head).to_le_bytes());
        to.write_all(&head)?;
        Ok(CountsWriter { to, channels })
    }

    /// Writes frames.
    pub fn write(&mut self, frames: &[Frame]) -> std::io::Result<()> {
        let mut bytes = Vec::with_capacity(frames.len() * self.channels * 3);
        for frame in frames {
            for count in &frame.counts()[..self.channels] {
                bytes.extend(&count.to_le_bytes()[..3]);
            }
        }
        self.to.write_all(&bytes)
    }

    /// Flushes and gives the writer back.
    pub fn finish(mut self) -> std::io::Result<W> {
        self.to.flush()?;
        Ok(self.to)
    }
}

/// Opens a count file and checks its header.
pub fn open(path: &Path, options: &OpenOptions) -> Result<Waveform, WaveformError> {
    waveform::refuse(
        path,
        Format::Counts,
        &[
            ("--channel", !options.channels.is_empty()),
            ("--component", options.component.is_some()),
            ("--section", options.section.is_some()),
            ("--factor", !options.factors.is_empty()),
        ],
    )?;
    let io = |source| WaveformError::Io { path: path.into(), source };
    let fault = |fault| WaveformError::Counts { path: path.into(), fault };
    let mut reader = BufReader::with_capacity(1 << 18, File::open(path).map_err(io)?);
    let mut get = |bytes: &mut [u8]| match reader.read_exact(bytes) {
        Err(e) if e.kind() == std::io::ErrorKind::UnexpectedEof => {
            Err(fault(CountsFault::CutHeader))
        }
        other => other.map_err(io),
    };
    let mut head = [0u8; HEAD];
    get(&mut head)?;
    if !(1..=VERSION).contains(&head[8]) {
        return Err(fault(CountsFault::Version(head[8])));
    }
    let length = usize::from(u16::from_le_bytes([head[10], head[11]]));
    let mut stored = vec![0u8; length + 4];
    get(&mut stored)?;
    let (stored, sum) = stored.split_at(length);
    let mut digest = CRC.digest();
    digest.update(&head);
    digest.update(stored);
    if digest.finalize().to_le_bytes() != *sum {
        return Err(fault(CountsFault::Checksum));
    }
    let channels = usize::from(head[9]);
    if channels != ACTIVE && channels != CHANNELS {
        return Err(fault(CountsFault::Header("neither 6 nor 8 channels")));
    }
    let mut rate = [0u8; 8];
    rate.copy_from_slice(&head[12..]);
    let sample_rate_hz = f64::from_le_bytes(rate);
    if !(SAMPLE_RATE_MIN_HZ..=SAMPLE_RATE_MAX_HZ).contains(&sample_rate_hz) {
        return Err(fault(CountsFault::Header("a sample rate out of range")));
    }
    let mut settings = Settings::from_stored(head[8], stored)
        .ok_or(fault(CountsFault::Header("settings that cannot be read")))?;
    settings.check().map_err(|e| fault(CountsFault::Settings(e)))?;
    if let Some(wiring) = options.wiring {
        settings.power.wiring = wiring;
    }
    if let Some(dc) = options.dc {
        (settings.power.v_dc, settings.power.i_dc) = (dc, dc);
    }
    let plain = [Lead::V1, Lead::V2, Lead::V3, Lead::I1, Lead::I2, Lead::I3];
    let uses = settings.power.wiring.uses();
    let channel_gains = settings.power.calibration.active();
    let taken = plain.into_iter().filter(|l| uses[l.slot()]).map(|lead| Taken {
        lead,
        name: lead.name().to_owned(),
        factor: channel_gains[lead.slot()].gain,
    });
    Ok(Waveform {
        path: path.into(),
        format: Format::Counts,
        sample_rate_hz,
        first_sample_s: None,
        declared_nominal: Some(settings.nominal),
        power: settings.power,
        taken: taken.collect(),
        clipped_at: [None; SLOTS],
        frames: Box::new(CountFrames {
            path: path.into(),
            reader,
            data_at: (HEAD + length + 4) as u64,
            channels,
            frames: 0,
            bytes: Vec::new(),
        }),
        settings: Some(settings),
    })
}

/// Frames of a count file.
struct CountFrames {
    path: PathBuf,
    reader: BufReader<File>,
    data_at: u64,
    channels: usize,
    frames: u64,
    bytes: Vec<u8>,
}

impl FrameStream for CountFrames {
    fn read(&mut self, out: &mut [Frame]) -> Result<usize, WaveformError> {
        let size = self.channels * 3;
        self.bytes.clear();
        let read = (&mut self.reader).take((out.len() * size) as u64).read_to_end(&mut self.bytes);
        read.map_err(|source| WaveformError::Io { path: self.path.clone(), source })?;
        let frames = self.bytes.chunks_exact(size);
        let cut = !frames.remainder().is_empty();
        let whole = frames.len();
        self.frames += whole as u64;
        if cut {
            let fault = CountsFault::CutFrame { frame: self.frames + 1 };
            return Err(WaveformError::Counts { path: self.path.clone(), fault });
        }
        for (place, bytes) in out.iter_mut().zip(frames) {
            let mut counts = [0i32; CHANNELS];
            for (count, b) in counts.iter_mut().zip(bytes.chunks_exact(3)) {
                // The count in the upper three bytes; the shift back carries its sign.
                *count = i32::from_le_bytes([0, b[0], b[1], b[2]]) >> 8;
            }
            *place = Frame::new(counts);
        }
        Ok(whole)
    }

    fn rewind(&mut self) -> Result<(), WaveformError> {
        self.frames = 0;
        let done = self.reader.seek(SeekFrom::Start(self.data_at));
        done.map(|_| ()).map_err(|source| WaveformError::Io { path: self.path.clone(), source })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use wattless_core::frame::{COUNT_MAX, COUNT_MIN};

    fn written(channels: usize, frames: &[Frame]) -> Vec<u8> {
        let mut w = CountsWriter::new(Vec::new(), 8000.0, &Settings::default(), channels).unwrap();
        w.write(frames).unwrap();
        w.finish().unwrap()
    }

    fn opened(bytes: &[u8]) -> Result<Vec<Frame>, String> {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("sawmill.counts");
        std::fs::write(&path, bytes).unwrap();
        let mut w = open(&path, &OpenOptions::default()).map_err(|e| e.to_string())?;
        assert_eq!(w.settings, Some(Settings::default()));
        let mut out = vec![Frame::ZERO; 16];
        let n = w.frames.read(&mut out).map_err(|e| e.to_string())?;
        out.truncate(n);
        Ok(out)
    }

    #[test]
    fn counts_return() {
        let frames = [Frame::new([COUNT_MAX, COUNT_MIN, -1, 1, 0, -65536, 7, -7]), Frame::ZERO];
        assert_eq!(opened(&written(8, &frames)).unwrap(), frames);
        let six = opened(&written(6, &frames)).unwrap();
        assert_eq!(six[0], Frame::new([COUNT_MAX, COUNT_MIN, -1, 1, 0, -65536, 0, 0]));
    }

    #[test]
    fn any_flipped_header_bit_and_any_cut_is_refused() {
        let frames = [Frame::new([5; 8]); 2];
        let good = written(6, &frames);
        let header = good.len() - 36;
        for at in 8..header {
            for bit in 0..8 {
                let mut bad = good.clone();
                bad[at] ^= 1 << bit;
                assert!(opened(&bad).is_err(), "byte {at}");
            }
        }
        for length in 8..good.len() {
            let cut = opened(&good[..length]);
            let whole_frames = length >= header && (length - header).is_multiple_of(18);
            assert_eq!(cut.is_ok(), whole_frames, "{length}: {cut:?}");
        }
    }
}
