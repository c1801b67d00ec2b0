//! The link between node and laptop: messages, and their frames on a stream of bytes.
//!
//! A frame is: protocol version (1 byte), kind (1), request number (2, little-endian),
//! body (postcard), CRC-32 of all that (4, little-endian); COBS-encoded and ended by a
//! zero byte. The first four bytes, the CRC and COBS are the same in every version, so
//! that two versions can always tell each other apart. Nothing here does IO.

use crate::frame::ACTIVE;
use crate::record::{CRC, PAGE, Tag, WallQuality};
use crate::settings::Settings;
use crate::wiring::Wiring;
use heapless::{String, Vec};
use serde::{Deserialize, Serialize, de::DeserializeOwned};

/// The protocol spoken by this version.
pub const PROTOCOL_VERSION: u8 = 2;

/// Longest frame before COBS, in bytes.
pub const FRAME_MAX: usize = 2048;

/// Longest frame on the stream, with COBS overhead and the closing zero.
pub const STREAM_MAX: usize = FRAME_MAX + FRAME_MAX / 254 + 2;

/// Most log pages in one reply.
pub const PAGES_PER_REPLY: usize = 7;

/// Most frames of a capture in one reply.
pub const CAPTURE_PER_REPLY: usize = 80;

const HEADER: usize = 4;
const TRAILER: usize = 4;

/// What the host asks. The order of the variants is part of the protocol.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[allow(clippy::large_enum_variant, reason = "no heap to put the large ones on")]
pub enum Request {
    /// Who are you?
    Identify,
    /// How are you?
    Status,
    /// What are your settings?
    ReadSettings,
    /// Take these settings and keep them.
    WriteSettings(Settings),
    /// It is now this time, in Unix milliseconds.
    SetClock {
        /// Unix milliseconds.
        wall_ms: u64,
    },
    /// Which records do you hold?
    LogBounds,
    /// Give me records from a sequence number on.
    ReadLog {
        /// First sequence number wanted.
        from: u32,
        /// How many at most; the reply may hold fewer.
        count: u16,
    },
    /// What do you read now?
    Live,
    /// Keep the newest waveforms for me.
    Capture,
    /// Give me frames of the kept waveforms.
    ReadCapture {
        /// The capture's number, from the reply to [`Request::Capture`].
        capture: u16,
        /// First frame wanted.
        from: u16,
    },
    /// Give me what a connection check needs.
    Hookup,
    /// Where does the chain over your log stand?
    LogHead,
}

/// What the node answers. The order of the variants is part of the protocol.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[allow(clippy::large_enum_variant, reason = "no heap to put the large ones on")]
pub enum Reply {
    /// To [`Request::Identify`].
    Identity(Identity),
    /// To [`Request::Status`].
    Status(Status),
    /// To [`Request::ReadSettings`].
    Settings(Settings),
    /// To [`Request::WriteSettings`]: stored and in force.
    SettingsWritten,
    /// To [`Request::SetClock`]: how far the node's clock was ahead before, if it had one.
    ClockSet {
        /// Node minus host, in milliseconds.
        was_ahead_ms: Option<i64>,
    },
    /// To [`Request::LogBounds`].
    LogBounds(LogBounds),
    /// To [`Request::ReadLog`].
    Log(LogSlice),
    /// To [`Request::Live`].
    Live(Live),
    /// To [`Request::Capture`].
    Capture(CaptureInfo),
    /// To [`Request::ReadCapture`].
    CaptureFrames(CaptureSlice),
    /// To [`Request::Hookup`].
    Hookup(HookupSnapshot),
    /// To [`Request::LogHead`].
    LogHead(LogHead),
}

/// Why the node does not do what was asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Refusal {
    /// The request is of another protocol version; the reply's first byte is the node's.
    Version,
    /// The request could not be understood.
    NotUnderstood,
    /// The settings do not pass their checks.
    BadSettings,
    /// The log does not hold that sequence number; ask for the bounds.
    NoSuchRecord,
    /// There is no such capture any more, or it is not yet full.
    NoCapture,
    /// No reading yet: the node has just started.
    NotReady,
    /// The node's storage failed.
    Storage,
}

impl core::fmt::Display for Refusal {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str(match self {
            Refusal::Version => "the node speaks another protocol version",
            Refusal::NotUnderstood => "the node did not understand the request",
            Refusal::BadSettings => "the node found the settings unusable",
            Refusal::NoSuchRecord => "the node does not hold that record",
            Refusal::NoCapture => "the node has no such capture; ask for a new one",
            Refusal::NotReady => "the node has no reading yet; try again in a second",
            Refusal::Storage => "the node's storage failed",
        })
    }
}

/// Who a node is.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Identity {
    /// Unique number of the node, from its chip.
    pub node_id: u64,
    /// Version of its program.
    pub firmware: String<24>,
    /// Format of its log records.
    pub record_version: u8,
    /// Kind of hardware, or "bench".
    pub hardware: String<24>,
    /// Frames per second, in thousandths.
    pub sample_rate_mhz: u32,
    /// Number of this start.
    pub boot: u32,
}

/// How a node is.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Status {
    /// Number of this start.
    pub boot: u32,
    /// Milliseconds since the start.
    pub uptime_ms: u64,
    /// Unix milliseconds, if the node knows.
    pub wall_ms: Option<u64>,
    /// Where the wall time comes from.
    pub wall_quality: WallQuality,
    /// The log's bounds.
    pub log: LogBounds,
    /// Frames lost since the start.
    pub frames_lost: u64,
    /// Basic windows since the start.
    pub windows: u64,
    /// Records that could not be written since the start.
    pub write_failures: u32,
    /// Frames on the link that could not be read or made no sense, since the start.
    pub link_errors: u32,
    /// Whether settings were ever stored.
    pub has_settings: bool,
}

/// Which sequence numbers the log holds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct LogBounds {
    /// The oldest record held.
    pub oldest: u32,
    /// The next record to be written; equal to `oldest` when the log is empty.
    pub next: u32,
    /// How many records the log can hold.
    pub capacity: u32,
}

/// A run of records.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LogSlice {
    /// The first sequence number covered.
    pub from: u32,
    /// How many sequence numbers are covered; those without a page are void.
    pub covered: u16,
    /// Pages of [`PAGE`] bytes, one after the other.
    pub pages: Vec<u8, { PAGES_PER_REPLY * PAGE }>,
}

/// Where the chain over the log stands; see [`crate::chain`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LogHead {
    /// Sequence number of the newest record; `None` before the first.
    pub seq: Option<u32>,
    /// Its tag, or the one in front of the first record.
    pub tag: Tag,
}

/// Readings of one phase, live.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct LivePhase {
    /// RMS voltage, in V.
    pub v_rms_v: f32,
    /// RMS current, in A.
    pub i_rms_a: f32,
    /// Active power, in W.
    pub p_w: f32,
    /// Reactive power of the fundamental, in var.
    pub q1_var: f32,
    /// Apparent power, in VA.
    pub s_va: f32,
    /// Whether a power factor exists.
    pub loaded: bool,
}

/// The newest window.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Live {
    /// Milliseconds since the start at the end of the window.
    pub uptime_ms: u64,
    /// How the leads are connected.
    pub wiring: Wiring,
    /// Frequency in Hz, if there is a fundamental.
    pub frequency_hz: Option<f32>,
    /// Remarks; the bits of [`crate::flags::Flags`].
    pub flags: u32,
    /// Phases in order.
    pub phases: [LivePhase; 3],
    /// Effective apparent power in VA, where it is defined.
    pub s_effective_va: Option<f32>,
    /// Energy counters, in the record's order and unit.
    pub energy_counts: [u64; 7],
}

/// A capture that was started.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct CaptureInfo {
    /// Its number, for reading it.
    pub capture: u16,
    /// Frames it will hold.
    pub frames: u16,
    /// Frames per second, in thousandths.
    pub sample_rate_mhz: u32,
}

/// Frames of a capture: counts of six channels, 3 bytes each, little-endian.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CaptureSlice {
    /// The capture's number.
    pub capture: u16,
    /// The first frame given.
    pub from: u16,
    /// 18 bytes a frame.
    pub counts: Vec<u8, { CAPTURE_PER_REPLY * ACTIVE * 3 }>,
}

/// What a connection check needs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct HookupSnapshot {
    /// How the leads should be connected.
    pub wiring: Wiring,
    /// Frequency in Hz, if there is a fundamental.
    pub frequency_hz: Option<f32>,
    /// Fundamental RMS phasors of the channels, real and imaginary, in V or A.
    pub phasors: [[f32; 2]; ACTIVE],
    /// RMS of the channels, in V or A.
    pub rms: [f32; ACTIVE],
    /// RMS of a full-scale sine of the channels, in V or A.
    pub range_rms: [f32; ACTIVE],
    /// Remarks; the bits of [`crate::flags::Flags`].
    pub flags: u32,
}

/// What a frame is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FrameKind {
    /// From host to node.
    Request,
    /// From node to host, done.
    Reply,
    /// From node to host, not done.
    Refusal,
}

impl FrameKind {
    const fn code(self) -> u8 {
        match self {
            FrameKind::Request => 0,
            FrameKind::Reply => 1,
            FrameKind::Refusal => 2,
        }
    }

    const fn from_code(code: u8) -> Option<FrameKind> {
        match code {
            0 => Some(FrameKind::Request),
            1 => Some(FrameKind::Reply),
            2 => Some(FrameKind::Refusal),
            _ => None,
        }
    }
}

/// The fixed part of a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Header {
    /// Protocol version of the sender.
    pub version: u8,
    /// What the frame is.
    pub kind: FrameKind,
    /// Number chosen by the host, repeated in the answer.
    pub number: u16,
}

/// Why bytes from the stream are not a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum WireError {
    /// COBS, length or checksum is wrong: noise, or bytes were lost.
    Damaged,
    /// Longer than any frame.
    TooLong,
    /// A sound frame of another protocol version.
    Version {
        /// The sender's version.
        found: u8,
        /// The frame's request number.
        number: u16,
    },
    /// A sound frame whose body makes no sense here.
    Body {
        /// The frame's request number.
        number: u16,
    },
}

impl core::fmt::Display for WireError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            WireError::Damaged => write!(f, "a frame arrived damaged"),
            WireError::TooLong => write!(f, "more bytes arrived than any frame has"),
            WireError::Version { found, .. } => write!(
                f,
                "the other side speaks protocol version {found}, this one {PROTOCOL_VERSION}"
            ),
            WireError::Body { .. } => write!(f, "a frame arrived whose content is not known"),
        }
    }
}

impl core::error::Error for WireError {}

/// Writes a frame for the stream into `out` and returns its bytes, closing zero included.
///
/// `None` when the body is too long, which no message of this module is.
pub fn encode_frame<'a, T: Serialize>(
    kind: FrameKind,
    number: u16,
    body: &T,
    out: &'a mut [u8; STREAM_MAX],
) -> Option<&'a [u8]> {
    let mut plain = [0u8; FRAME_MAX];
    let (head, room) = plain.split_at_mut_checked(HEADER)?;
    let [low, high] = number.to_le_bytes();
    head.copy_from_slice(&[PROTOCOL_VERSION, kind.code(), low, high]);
    let room_len = room.len().checked_sub(TRAILER)?;
    let body_len = postcard::to_slice(body, room.get_mut(..room_len)?).ok()?.len();
    let end = HEADER + body_len;
    let sum = CRC.checksum(plain.get(..end)?).to_le_bytes();
    plain.get_mut(end..end + TRAILER)?.copy_from_slice(&sum);
    let n = cobs::try_encode(plain.get(..end + TRAILER)?, out.get_mut(..STREAM_MAX - 1)?).ok()?;
    *out.get_mut(n)? = 0;
    out.get(..=n)
}

/// Reads the header of a sound frame, whatever its version, and gives the body's bytes.
pub fn open_frame(bytes: &mut [u8]) -> Result<(Header, &[u8]), WireError> {
    let n = decode_in_place(bytes).ok_or(WireError::Damaged)?;
    let plain = bytes.get(..n).ok_or(WireError::Damaged)?;
    let (checked, sum) = plain.split_last_chunk::<TRAILER>().ok_or(WireError::Damaged)?;
    if CRC.checksum(checked) != u32::from_le_bytes(*sum) {
        return Err(WireError::Damaged);
    }
    let (head, body) = checked.split_first_chunk::<HEADER>().ok_or(WireError::Damaged)?;
    let [version, kind, low, high] = *head;
    let number = u16::from_le_bytes([low, high]);
    if version != PROTOCOL_VERSION {
        return Err(WireError::Version { found: version, number });
    }
    let kind = FrameKind::from_code(kind).ok_or(WireError::Body { number })?;
    Ok((Header { version, kind, number }, body))
}

/// Undoes COBS in place; gives the length. The crate's own way has indices that may panic.
fn decode_in_place(bytes: &mut [u8]) -> Option<usize> {
    let mut state = cobs::DecoderState::default();
    let mut done = 0usize;
    for at in 0..bytes.len() {
        match state.feed(*bytes.get(at)?).ok()? {
            cobs::DecodeResult::DataContinue(byte) => {
                *bytes.get_mut(done)? = byte;
                done = done.wrapping_add(1);
            }
            cobs::DecodeResult::DataComplete => return None,
            cobs::DecodeResult::DataStart | cobs::DecodeResult::NoData => {}
        }
    }
    // The zero that ended the frame on the stream.
    matches!(state.feed(0), Ok(cobs::DecodeResult::DataComplete)).then_some(done)
}

/// Reads a body; bytes that are left over make it wrong.
pub fn read_body<T: DeserializeOwned>(header: &Header, body: &[u8]) -> Result<T, WireError> {
    match postcard::take_from_bytes::<T>(body) {
        Ok((value, [])) => Ok(value),
        _ => Err(WireError::Body { number: header.number }),
    }
}

/// Collects bytes of a stream into frames.
#[derive(Clone, Debug)]
pub struct FrameReader {
    buffer: [u8; STREAM_MAX],
    used: usize,
    overflown: bool,
}

impl Default for FrameReader {
    fn default() -> Self {
        FrameReader { buffer: [0; STREAM_MAX], used: 0, overflown: false }
    }
}

impl FrameReader {
    /// Takes one byte; at the end of a frame gives its bytes, still to be opened.
    ///
    /// Empty frames (zeros in a row) are passed over, so that a sender may put a
    /// zero in front to clear the line.
    pub fn push(&mut self, byte: u8) -> Option<Result<&mut [u8], WireError>> {
        if byte != 0 {
            match self.buffer.get_mut(self.used) {
                Some(place) => {
                    *place = byte;
                    self.used += 1;
                }
                None => self.overflown = true,
            }
            return None;
        }
        let used = core::mem::take(&mut self.used);
        if core::mem::take(&mut self.overflown) {
            return Some(Err(WireError::TooLong));
        }
        if used == 0 {
            return None;
        }
        self.buffer.get_mut(..used).map(Ok)
    }

    /// Forgets a frame under way.
    pub fn clear(&mut self) {
        self.used = 0;
        self.overflown = false;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn through(kind: FrameKind, number: u16, body: &impl Serialize) -> std::vec::Vec<u8> {
        let mut out = [0; STREAM_MAX];
        encode_frame(kind, number, body, &mut out).expect("fits").to_vec()
    }

    fn receive<T: DeserializeOwned>(bytes: &[u8]) -> std::vec::Vec<Result<(Header, T), WireError>> {
        let mut reader = FrameReader::default();
        let mut got = std::vec::Vec::new();
        for &b in bytes {
            if let Some(frame) = reader.push(b) {
                got.push(frame.and_then(|f| {
                    let (h, body) = open_frame(f)?;
                    Ok((h, read_body(&h, body)?))
                }));
            }
        }
        got
    }

    fn largest() -> Reply {
        let mut pages = Vec::new();
        pages.resize(PAGES_PER_REPLY * PAGE, 0xA5).unwrap();
        Reply::Log(LogSlice { from: u32::MAX, covered: u16::MAX, pages })
    }

    #[test]
    fn the_largest_messages_fit() {
        for reply in [
            largest(),
            Reply::CaptureFrames(CaptureSlice {
                capture: 9,
                from: 9,
                counts: Vec::from_slice(&[255; CAPTURE_PER_REPLY * ACTIVE * 3]).unwrap(),
            }),
        ] {
            let bytes = through(FrameKind::Reply, 7, &reply);
            assert_eq!(receive::<Reply>(&bytes)[0].as_ref().unwrap().1, reply);
        }
        let mut settings = Settings::default();
        settings.feeder.push_str("a feeder name of 32 bytes, whole").unwrap();
        let request = Request::WriteSettings(settings);
        let bytes = through(FrameKind::Request, 1, &request);
        assert_eq!(receive::<Request>(&bytes)[0].as_ref().unwrap().1, request);
    }

    #[test]
    fn another_version_is_recognised_whatever_its_body() {
        let mut plain = [9u8, 1, 0x34, 0x12, 0xFF, 0xFF].to_vec();
        plain.extend(CRC.checksum(&plain).to_le_bytes());
        let mut bytes = cobs::encode_vec(&plain);
        assert_eq!(open_frame(&mut bytes), Err(WireError::Version { found: 9, number: 0x1234 }));
    }

    #[test]
    fn left_over_bytes_and_endless_frames_are_refused() {
        let bytes = through(FrameKind::Request, 3, &(Request::Identify, 1u8));
        assert_eq!(receive::<Request>(&bytes), [Err(WireError::Body { number: 3 })]);
        let mut noise = std::vec![1u8; 3 * STREAM_MAX];
        noise.push(0);
        noise.extend(through(FrameKind::Request, 4, &Request::Status));
        let got = receive::<Request>(&noise);
        assert_eq!(got[0], Err(WireError::TooLong));
        assert_eq!(got[1].as_ref().unwrap().1, Request::Status);
    }

    proptest! {
        #[test]
        fn requests_return_whatever_comes_before(
            noise in prop::collection::vec(any::<u8>(), 0..300),
            from in any::<u32>(), count in any::<u16>(), number in any::<u16>(),
        ) {
            let request = Request::ReadLog { from, count };
            let mut bytes = noise;
            bytes.push(0);
            bytes.extend(through(FrameKind::Request, number, &request));
            let (header, last) = receive::<Request>(&bytes).pop().unwrap().unwrap();
            prop_assert_eq!((header.number, last), (number, request));
        }

        #[test]
        fn flipped_bytes_never_pass_as_another_message(at in 0usize..1800, mask in 1u8..) {
            let reply = largest();
            let mut bytes = through(FrameKind::Reply, 7, &reply);
            let at = at % bytes.len();
            bytes[at] ^= mask;
            for got in receive::<Reply>(&bytes) {
                prop_assert!(got.is_err() || got.unwrap().1 == reply);
            }
        }

        #[test]
        fn any_bytes_are_survived(bytes in prop::collection::vec(any::<u8>(), 0..5000)) {
            for got in receive::<Request>(&bytes) {
                prop_assert!(got.is_err());
            }
        }
    }
}
