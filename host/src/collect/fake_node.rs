//! A small node for tests: serves a list of pages over the wire protocol, and a link that loses bytes.

use super::transport::Transport;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use std::collections::{BTreeMap, VecDeque};
use std::io::{self, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::{Arc, Mutex};
use std::time::Duration;
use wattless_core::flags::Flags;
use wattless_core::record::{CRC, Page, RECORD_VERSION, Record, WallQuality, page_tag};
use wattless_core::settings::Settings;
use wattless_core::wire::*;

/// 6 July 2026, 00:00 UTC.
pub(crate) const MONDAY_MS: i64 = 1_783_296_000_000;

/// A record whose every field follows from its number; interval one minute.
pub(crate) fn record(seq: u32) -> Record {
    let mut s = super::store::columns();
    let mut stored = super::store::StoredRecord { record: empty(), end_ms: None, placed: false };
    let mut rng = StdRng::seed_from_u64(u64::from(seq));
    s.by_ref().filter(|c| c.kind == super::store::Kind::Real).for_each(|c| {
        let x: f32 = rng.random_range(-500.0..500.0);
        let _ = (c.set)(&mut stored, super::store::Value::Real(x));
    });
    // As the node keeps numbers: rounded to their fields.
    let mut r = Record::decode(&stored.record.encode()).expect("a sound page");
    r.seq = seq;
    r.uptime_ms = u64::from(seq) * 60_000 + 60_000;
    r.wall_ms = (MONDAY_MS + i64::from(seq) * 60_000 + 60_000) as u64;
    r.wall_quality = WallQuality::Host;
    r.windows = 300;
    r.duration_us = 60_000_000;
    r.frequency_10uhz = 5_000_000 + seq % 1000;
    r.energy_counts = std::array::from_fn(|k| u64::from(seq) * 1000 * (k as u64 + 1));
    if seq.is_multiple_of(7) {
        r.s_effective_va = f32::NAN;
        r.flags = Flags::V_MISSING;
        r.phases[1].p_w = -0.0;
        r.channels[2][1] = -0.0;
    }
    r
}

fn empty() -> Record {
    Record { boot: 1, ..Record::BLANK }
}

/// A node made of a list of pages.
#[derive(Clone)]
pub(crate) struct FakeNode {
    pub pages: BTreeMap<u32, Page>,
    pub oldest: u32,
    pub next: u32,
    pub identity: Identity,
    pub settings: Settings,
    pub uptime_ms: u64,
    pub wall_ms: Option<u64>,
    /// Protocol version in its frames.
    pub version: u8,
    /// Requests it has answered.
    pub answered: u64,
}

impl FakeNode {
    /// A node that holds the records given, with the present start of the last one.
    pub fn new(records: impl IntoIterator<Item = Record>) -> FakeNode {
        let records: Vec<Record> = records.into_iter().collect();
        let oldest = records.first().map_or(0, |r| r.seq);
        let next = records.last().map_or(oldest, |r| r.seq + 1);
        let last = records.last().copied().unwrap_or_else(empty);
        let mut settings = Settings::default();
        settings.feeder.push_str("Sawmill main").unwrap();
        FakeNode {
            pages: records.iter().map(|r| (r.seq, r.encode())).collect(),
            oldest,
            next,
            identity: Identity {
                node_id: 0xB0A7_0001,
                firmware: "0.1.0".try_into().unwrap(),
                record_version: RECORD_VERSION,
                hardware: "fake".try_into().unwrap(),
                sample_rate_mhz: 8_000_000,
                boot: last.boot,
            },
            settings,
            uptime_ms: last.uptime_ms + 1000,
            wall_ms: (last.wall_ms > 0).then_some(last.wall_ms + 1000),
            version: PROTOCOL_VERSION,
            answered: 0,
        }
    }

    fn head(&self) -> LogHead {
        let last = self.pages.last_key_value();
        LogHead {
            seq: last.map(|(seq, _)| *seq),
            tag: last.and_then(|(_, page)| page_tag(page)).unwrap_or_default(),
        }
    }

    fn bounds(&self) -> LogBounds {
        LogBounds { oldest: self.oldest, next: self.next, capacity: 1000 }
    }

    fn answer(&mut self, request: Request) -> Result<Reply, Refusal> {
        self.answered += 1;
        Ok(match request {
            Request::Identify => Reply::Identity(self.identity.clone()),
            Request::LogHead => Reply::LogHead(self.head()),
            Request::Status => Reply::Status(Status {
                boot: self.identity.boot,
                uptime_ms: self.uptime_ms,
                wall_ms: self.wall_ms,
                wall_quality: WallQuality::None,
                log: self.bounds(),
                frames_lost: 0,
                windows: 0,
                write_failures: 0,
                link_errors: 0,
                has_settings: true,
            }),
            Request::ReadSettings => Reply::Settings(self.settings.clone()),
            Request::WriteSettings(s) => {
                s.check().map_err(|_| Refusal::BadSettings)?;
                self.settings = s;
                Reply::SettingsWritten
            }
            Request::SetClock { wall_ms } => {
                let was = self.wall_ms.replace(wall_ms);
                Reply::ClockSet { was_ahead_ms: was.map(|w| w as i64 - wall_ms as i64) }
            }
            Request::LogBounds => Reply::LogBounds(self.bounds()),
            Request::ReadLog { from, count } => {
                if from < self.oldest || from >= self.next {
                    return Err(Refusal::NoSuchRecord);
                }
                let covered = count.min(PAGES_PER_REPLY as u16).min((self.next - from) as u16);
                let mut slice = LogSlice { from, covered, pages: Default::default() };
                for (_, page) in self.pages.range(from..from + u32::from(covered)) {
                    slice.pages.extend_from_slice(page).unwrap();
                }
                Reply::Log(slice)
            }
            _ => return Err(Refusal::NotReady),
        })
    }

    /// Answers a frame as it came, or says nothing when it is damaged.
    pub fn hear(&mut self, frame: &mut [u8]) -> Vec<u8> {
        let Ok((header, body)) = open_frame(frame) else { return Vec::new() };
        let Ok(request) = read_body::<Request>(&header, body) else { return Vec::new() };
        let mut out = [0; STREAM_MAX];
        let answer = if self.version == PROTOCOL_VERSION {
            self.answer(request)
        } else {
            Err(Refusal::Version)
        };
        let bytes = match answer {
            Ok(reply) => encode_frame(FrameKind::Reply, header.number, &reply, &mut out),
            Err(refusal) => encode_frame(FrameKind::Refusal, header.number, &refusal, &mut out),
        };
        let mut bytes = bytes.expect("fits").to_vec();
        if self.version != PROTOCOL_VERSION {
            bytes = with_version(&bytes, self.version);
        }
        bytes
    }
}

/// The same frame as a node of another version would send it.
fn with_version(frame: &[u8], version: u8) -> Vec<u8> {
    let mut plain = cobs_decode(frame);
    plain[0] = version;
    let end = plain.len() - 4;
    let sum = CRC.checksum(&plain[..end]).to_le_bytes();
    plain[end..].copy_from_slice(&sum);
    let mut out = vec![0; STREAM_MAX];
    let n = cobs::try_encode(&plain, &mut out).unwrap();
    out.truncate(n);
    out.push(0);
    out
}

fn cobs_decode(frame: &[u8]) -> Vec<u8> {
    let mut bytes = frame[..frame.len() - 1].to_vec();
    let n = cobs::decode_in_place(&mut bytes).unwrap();
    bytes.truncate(n);
    bytes
}

/// What a link does to the bytes, in each direction, per write; shares of one.
#[derive(Clone, Copy, Default)]
pub(crate) struct Harm {
    pub drop: f64,
    pub double: f64,
    pub flip: f64,
    /// Held back and delivered with the next ones.
    pub delay: f64,
    /// A whole answer of an earlier question comes again.
    pub stale: f64,
}

/// The same harm every time for the same seed.
pub(crate) struct Lossy {
    harm: Harm,
    rng: StdRng,
    held: Vec<u8>,
    earlier: Vec<u8>,
}

impl Lossy {
    pub fn new(harm: Harm, seed: u64) -> Lossy {
        Lossy { harm, rng: StdRng::seed_from_u64(seed), held: Vec::new(), earlier: Vec::new() }
    }

    pub fn pass(&mut self, bytes: &[u8]) -> Vec<u8> {
        let mut out = std::mem::take(&mut self.held);
        if !self.earlier.is_empty() && self.rng.random_bool(self.harm.stale) {
            out.extend(&self.earlier);
        }
        let mut now = bytes.to_vec();
        if !now.is_empty() && self.rng.random_bool(self.harm.flip) {
            let at = self.rng.random_range(0..now.len());
            now[at] ^= 1 << self.rng.random_range(0..8);
        }
        if !now.is_empty() && self.rng.random_bool(self.harm.drop) {
            let at = self.rng.random_range(0..now.len());
            let end = self.rng.random_range(at..now.len()) + 1;
            now.drain(at..end);
        }
        if self.rng.random_bool(self.harm.double) {
            now.extend(now.clone());
        }
        if self.rng.random_bool(self.harm.delay) {
            self.held = now;
        } else {
            out.extend(now);
        }
        self.earlier = bytes.to_vec();
        out
    }
}

/// A node in this process, over a lossy link; waiting for nothing takes no time.
pub(crate) struct InMemory {
    pub node: Arc<Mutex<FakeNode>>,
    reader: FrameReader,
    there: Lossy,
    back: Lossy,
    inbox: VecDeque<u8>,
    /// Bytes that may still pass before the connection breaks.
    pub cut_after: Option<u64>,
}

impl InMemory {
    pub fn new(node: &Arc<Mutex<FakeNode>>, harm: Harm, seed: u64) -> InMemory {
        InMemory {
            node: node.clone(),
            reader: FrameReader::default(),
            there: Lossy::new(harm, seed),
            back: Lossy::new(harm, seed ^ 0xFFFF),
            inbox: VecDeque::new(),
            cut_after: None,
        }
    }

    /// How much of so many bytes gets through before the cut.
    fn allowed(&mut self, n: usize) -> io::Result<usize> {
        let Some(left) = &mut self.cut_after else { return Ok(n) };
        if *left == 0 {
            return Err(io::Error::new(io::ErrorKind::ConnectionReset, "cut"));
        }
        let n = n.min(usize::try_from(*left).unwrap_or(usize::MAX));
        *left -= n as u64;
        Ok(n)
    }
}

impl Transport for InMemory {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        let n = self.allowed(bytes.len())?;
        for byte in self.there.pass(&bytes[..n]) {
            if let Some(Ok(frame)) = self.reader.push(byte) {
                let answer = self.node.lock().unwrap().hear(frame);
                self.inbox.extend(self.back.pass(&answer));
            }
        }
        Ok(())
    }

    fn receive(&mut self, buffer: &mut [u8], _wait: Duration) -> io::Result<usize> {
        let n = self.inbox.len().min(buffer.len());
        if n == 0 {
            return Ok(0);
        }
        let n = self.allowed(n)?;
        for place in &mut buffer[..n] {
            *place = self.inbox.pop_front().unwrap();
        }
        Ok(n)
    }
}

/// Serves a node on 127.0.0.1, one connection after the other; the thread ends with the test.
///
/// `cut_after` gives, for each connection, how many bytes are sent before it is cut.
pub(crate) fn serve(
    node: &Arc<Mutex<FakeNode>>,
    harm: Harm,
    seed: u64,
    cut_after: impl Fn(u64) -> Option<usize> + Send + 'static,
) -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    let node = node.clone();
    std::thread::spawn(move || {
        for (at, stream) in (0u64..).zip(listener.incoming()) {
            let cut = cut_after(at);
            let _ = stream.and_then(|s| serve_one(s, &node, harm, seed.wrapping_add(at), cut));
        }
    });
    port
}

fn serve_one(
    mut stream: TcpStream,
    node: &Mutex<FakeNode>,
    harm: Harm,
    seed: u64,
    cut_after: Option<usize>,
) -> io::Result<()> {
    stream.set_nodelay(true)?;
    let (mut there, mut back) = (Lossy::new(harm, seed), Lossy::new(harm, !seed));
    let mut reader = FrameReader::default();
    let mut left = cut_after;
    let mut buffer = [0; 4096];
    loop {
        let n = stream.read(&mut buffer)?;
        if n == 0 {
            return Ok(());
        }
        for byte in there.pass(&buffer[..n]) {
            let Some(Ok(frame)) = reader.push(byte) else { continue };
            let answer = node.lock().unwrap().hear(frame);
            let mut bytes = back.pass(&answer);
            if let Some(left) = &mut left {
                bytes.truncate(*left);
                *left -= bytes.len();
            }
            stream.write_all(&bytes)?;
            if left == Some(0) {
                return Ok(());
            }
        }
    }
}
