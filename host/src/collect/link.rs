//! The host's end of the link: asks, waits, asks again, and takes only the answer to its question.
//!
//! Every request may be asked twice without harm, so a lost, damaged or doubled
//! frame costs a repetition at most. No call waits for ever. What the answers mean
//! is left to the callers.

use super::address::Address;
use super::transport::Transport;
use std::io;
use std::time::{Duration, Instant};
use wattless_core::frame::ACTIVE;
use wattless_core::settings::Settings;
use wattless_core::wire::{
    CaptureInfo, CaptureSlice, FrameKind, FrameReader, HookupSnapshot, Identity, Live, LogBounds,
    LogHead, LogSlice, PROTOCOL_VERSION, Refusal, Reply, Request, STREAM_MAX, Status, WireError,
    encode_frame, open_frame, read_body,
};

/// Tells the host's time, in Unix milliseconds.
pub type HostClock = Box<dyn Fn() -> i64 + Send>;

/// The clock of this machine.
pub fn system_clock() -> HostClock {
    Box::new(|| jiff::Timestamp::now().as_millisecond())
}

/// How patient a client is, and whose time it goes by.
pub struct Patience {
    /// How long one try waits for its answer.
    pub wait: Duration,
    /// How often a question is asked before giving up; at least once.
    pub tries: u32,
    /// The host's clock; a simulated one lets a simulated plant keep its own time.
    pub clock: HostClock,
}

impl Default for Patience {
    fn default() -> Self {
        Patience { wait: Duration::from_millis(1000), tries: 5, clock: system_clock() }
    }
}

/// Why a question to a node found no answer.
#[derive(Debug, thiserror::Error)]
pub enum LinkError {
    /// The port cannot be opened or the host not reached.
    #[error("cannot open {port}: {source}; check the cable, the address and who else uses it")]
    Open {
        /// The node's address.
        port: String,
        /// What the system says.
        source: io::Error,
    },
    /// The connection broke.
    #[error("{port}: the connection broke: {source}; check the cable and try again")]
    Lost {
        /// The node's address.
        port: String,
        /// What the system says.
        source: io::Error,
    },
    /// Nothing usable came back.
    #[error(
        "{port}: no answer to \"{question}\" in {tries} tries of {wait_ms} ms \
         ({damaged} damaged frames arrived); check that a node is there and has power"
    )]
    NoAnswer {
        /// The node's address.
        port: String,
        /// What was asked.
        question: &'static str,
        /// How often.
        tries: u32,
        /// How long each time.
        wait_ms: u128,
        /// Damaged frames that arrived meanwhile.
        damaged: u64,
    },
    /// The node speaks another protocol version.
    #[error(
        "{port}: the node speaks protocol version {node}, this program version {ours}; {}",
        cure(*.node, *.ours)
    )]
    Protocol {
        /// The node's address.
        port: String,
        /// The node's version.
        node: u8,
        /// This program's version.
        ours: u8,
    },
    /// The node understood and does not do it.
    #[error("{port}: the node refused \"{question}\": {refusal}")]
    Refused {
        /// The node's address.
        port: String,
        /// What was asked.
        question: &'static str,
        /// Why not.
        refusal: Refusal,
    },
    /// A sound answer to another question.
    #[error(
        "{port}: the node's answer to \"{question}\" makes no sense here; \
         compare the versions of node and program with `wattless node`"
    )]
    Unexpected {
        /// The node's address.
        port: String,
        /// What was asked.
        question: &'static str,
    },
}

fn cure(node: u8, ours: u8) -> &'static str {
    if node > ours {
        "use a wattless as new as the node"
    } else {
        "update the node, or use a wattless as old as it"
    }
}

impl LinkError {
    /// Whether opening the link again may help.
    pub fn is_passing(&self) -> bool {
        matches!(self, LinkError::Lost { .. } | LinkError::NoAnswer { .. })
    }

    /// The node's reason, if it refused.
    pub fn refusal(&self) -> Option<Refusal> {
        match self {
            LinkError::Refused { refusal, .. } => Some(*refusal),
            _ => None,
        }
    }
}

/// Longest wait for a node's capture, which takes a twentieth of a second to fill.
pub const CAPTURE_WAIT: Duration = Duration::from_secs(3);

/// A waveform capture.
#[derive(Clone, Debug, PartialEq)]
pub struct Captured {
    /// Seconds between two frames.
    pub step_s: f64,
    /// Counts of v1, v2, v3, i1, i2, i3 of each frame.
    pub frames: Vec<[i32; ACTIVE]>,
}

/// The counts of a frame: 24 bits each, little-endian.
fn counts_of(frame: &[u8]) -> [i32; ACTIVE] {
    std::array::from_fn(|k| {
        let byte = |at: usize| frame.get(3 * k + at).copied().unwrap_or(0);
        i32::from_le_bytes([0, byte(0), byte(1), byte(2)]) >> 8
    })
}

/// What went over the link.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Traffic {
    /// Bytes sent.
    pub sent: u64,
    /// Bytes received.
    pub received: u64,
    /// Questions asked again.
    pub repeated: u64,
    /// Frames that arrived damaged.
    pub damaged: u64,
    /// Sound frames that answered nothing that was asked.
    pub stale: u64,
}

/// A node's clock against the host's.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ClockReading {
    /// Node minus host in milliseconds, if the node has a clock.
    pub offset_ms: Option<i64>,
    /// Host time at which the node's present start began, in Unix milliseconds.
    pub started_ms: i64,
    /// The question and its answer took this long: the reading is good to half of it.
    pub round_trip: Duration,
}

/// The host's end of the link to one node.
pub struct Client<T> {
    transport: T,
    port: String,
    patience: Patience,
    reader: FrameReader,
    number: u16,
    identity: Identity,
    traffic: Traffic,
}

/// A client on whatever an [`Address`] opens.
pub type AnyClient = Client<Box<dyn Transport>>;

/// What one try brought.
#[allow(clippy::large_enum_variant, reason = "one on the stack at a time")]
enum Heard {
    Answer(Reply),
    Nothing,
}

macro_rules! expect {
    ($client:ident, $request:expr, $kind:ident) => {{
        let request = $request;
        match $client.ask(|_| request.clone())? {
            Reply::$kind(value) => Ok(value),
            _ => Err($client.unexpected(question(&request))),
        }
    }};
}

impl AnyClient {
    /// Opens an address and asks the node who it is.
    pub fn open(address: &Address, patience: Patience) -> Result<Self, LinkError> {
        let port = address.to_string();
        match address.open() {
            Ok(transport) => Client::connect(transport, port, patience),
            Err(source) => Err(LinkError::Open { port, source }),
        }
    }
}

impl<T: Transport> Client<T> {
    /// Clears the line and asks the node who it is; another protocol version ends here.
    ///
    /// `port` is what error messages call the link.
    pub fn connect(
        transport: T,
        port: impl Into<String>,
        patience: Patience,
    ) -> Result<Self, LinkError> {
        let nobody = Identity {
            node_id: 0,
            firmware: Default::default(),
            record_version: 0,
            hardware: Default::default(),
            sample_rate_mhz: 0,
            boot: 0,
        };
        let mut client = Client {
            transport,
            port: port.into(),
            patience,
            reader: FrameReader::default(),
            // Answers to an earlier program may still be on a serial line.
            number: rand::random(),
            identity: nobody,
            traffic: Traffic::default(),
        };
        client.identity = client.identify()?;
        Ok(client)
    }

    /// Who the node is, as it said at the beginning.
    pub fn identity(&self) -> &Identity {
        &self.identity
    }

    /// What error messages call the link.
    pub fn port(&self) -> &str {
        &self.port
    }

    /// What went over the link so far.
    pub fn traffic(&self) -> Traffic {
        self.traffic
    }

    /// The host's time, in Unix milliseconds.
    pub fn now_ms(&self) -> i64 {
        (self.patience.clock)()
    }

    /// Asks who the node is.
    pub fn identify(&mut self) -> Result<Identity, LinkError> {
        expect!(self, Request::Identify, Identity)
    }

    /// Asks how the node is.
    pub fn status(&mut self) -> Result<Status, LinkError> {
        expect!(self, Request::Status, Status)
    }

    /// Asks for the settings.
    pub fn settings(&mut self) -> Result<Settings, LinkError> {
        expect!(self, Request::ReadSettings, Settings)
    }

    /// Gives the node settings to keep.
    pub fn write_settings(&mut self, settings: &Settings) -> Result<(), LinkError> {
        let request = Request::WriteSettings(settings.clone());
        match self.ask(|_| request.clone())? {
            Reply::SettingsWritten => Ok(()),
            _ => Err(self.unexpected(question(&request))),
        }
    }

    /// Sets the node's clock to the host's; gives how far it was ahead, in milliseconds.
    pub fn set_clock(&mut self) -> Result<Option<i64>, LinkError> {
        // The time of asking, not of the first try: a repetition must not set it back.
        let ask = |now_ms: i64| Request::SetClock { wall_ms: u64::try_from(now_ms).unwrap_or(0) };
        match self.ask(ask)? {
            Reply::ClockSet { was_ahead_ms } => Ok(was_ahead_ms),
            _ => Err(self.unexpected("set the clock")),
        }
    }

    /// Asks which records the node holds.
    pub fn log_bounds(&mut self) -> Result<LogBounds, LinkError> {
        expect!(self, Request::LogBounds, LogBounds)
    }

    /// Asks where the chain over the log stands; `None` when the node is too old to know.
    pub fn log_head(&mut self) -> Result<Option<LogHead>, LinkError> {
        match self.ask(|_| Request::LogHead) {
            Ok(Reply::LogHead(head)) => Ok(Some(head)),
            Ok(_) => Err(self.unexpected("end of the log")),
            Err(e) if e.refusal() == Some(Refusal::NotUnderstood) => Ok(None),
            Err(e) => Err(e),
        }
    }

    /// Asks for records from a sequence number on; the answer may hold fewer.
    pub fn read_log(&mut self, from: u32, count: u16) -> Result<LogSlice, LinkError> {
        expect!(self, Request::ReadLog { from, count }, Log)
    }

    /// Asks for the newest reading.
    pub fn live(&mut self) -> Result<Live, LinkError> {
        expect!(self, Request::Live, Live)
    }

    /// Has the node keep its newest waveforms.
    pub fn capture(&mut self) -> Result<CaptureInfo, LinkError> {
        expect!(self, Request::Capture, Capture)
    }

    /// Asks for frames of kept waveforms.
    pub fn read_capture(&mut self, capture: u16, from: u16) -> Result<CaptureSlice, LinkError> {
        expect!(self, Request::ReadCapture { capture, from }, CaptureFrames)
    }

    /// Takes a waveform capture and fetches all of it: raw counts, frame by frame.
    ///
    /// `None` when the node makes none, or another client's capture took its place for `longest`.
    pub fn captured(&mut self, longest: Duration) -> Result<Option<Captured>, LinkError> {
        let info = match self.capture() {
            Ok(info) => info,
            Err(e) if e.refusal().is_some() => return Ok(None),
            Err(e) => return Err(e),
        };
        let begin = Instant::now();
        let mut frames = Vec::with_capacity(usize::from(info.frames));
        while frames.len() < usize::from(info.frames) {
            let from = u16::try_from(frames.len()).unwrap_or(u16::MAX);
            match self.read_capture(info.capture, from) {
                Ok(slice) if slice.counts.len() < 3 * ACTIVE => return Ok(None),
                Ok(slice) => frames.extend(slice.counts.chunks_exact(3 * ACTIVE).map(counts_of)),
                // Not full yet.
                Err(e) if e.refusal().is_some() => {
                    if begin.elapsed() > longest {
                        return Ok(None);
                    }
                    std::thread::sleep(Duration::from_millis(20));
                }
                Err(e) => return Err(e),
            }
        }
        Ok(Some(Captured { step_s: 1e3 / f64::from(info.sample_rate_mhz.max(1)), frames }))
    }

    /// Asks for what a connection check needs.
    pub fn hookup(&mut self) -> Result<HookupSnapshot, LinkError> {
        expect!(self, Request::Hookup, Hookup)
    }

    /// Reads the status together with the node's clock against the host's.
    pub fn status_and_clock(&mut self) -> Result<(Status, ClockReading), LinkError> {
        let (begin, before) = (Instant::now(), self.now_ms());
        let repeated = self.traffic.repeated;
        let mut status = self.status()?;
        let (mut round_trip, mut after, mut start) = (begin.elapsed(), self.now_ms(), before);
        // A try that was lost would count as travel time: measure once more, undisturbed.
        if self.traffic.repeated != repeated {
            let begin = Instant::now();
            start = self.now_ms();
            status = self.status()?;
            (round_trip, after) = (begin.elapsed(), self.now_ms());
        }
        let middle = start + (after - start) / 2;
        let offset = |wall: u64| i64::try_from(wall).unwrap_or(i64::MAX).saturating_sub(middle);
        let uptime = i64::try_from(status.uptime_ms).unwrap_or(i64::MAX);
        let reading = ClockReading {
            offset_ms: status.wall_ms.map(offset),
            started_ms: middle.saturating_sub(uptime),
            round_trip,
        };
        Ok((status, reading))
    }

    fn ask(&mut self, request: impl Fn(i64) -> Request) -> Result<Reply, LinkError> {
        self.number = self.number.wrapping_add(1);
        let tries = self.patience.tries.max(1);
        let damaged_before = self.traffic.damaged;
        let mut asked = "";
        for attempt in 0..tries {
            self.traffic.repeated += u64::from(attempt > 0);
            let now = request(self.now_ms());
            asked = question(&now);
            self.send(&now, asked)?;
            if let Heard::Answer(reply) = self.listen(asked)? {
                return Ok(reply);
            }
        }
        Err(LinkError::NoAnswer {
            port: self.port.clone(),
            question: asked,
            tries,
            wait_ms: self.patience.wait.as_millis(),
            damaged: self.traffic.damaged - damaged_before,
        })
    }

    fn send(&mut self, request: &Request, asked: &'static str) -> Result<(), LinkError> {
        let mut out = [0; STREAM_MAX];
        let Some(frame) = encode_frame(FrameKind::Request, self.number, request, &mut out) else {
            return Err(self.unexpected(asked));
        };
        // The zero in front ends whatever half frame the node may have heard.
        let bytes = [&[0], frame].concat();
        self.traffic.sent += bytes.len() as u64;
        self.transport.send(&bytes).map_err(|e| self.lost(e))
    }

    /// Takes in bytes until the answer is there or the time of this try is over.
    fn listen(&mut self, asked: &'static str) -> Result<Heard, LinkError> {
        let until = Instant::now() + self.patience.wait;
        let mut buffer = [0; STREAM_MAX];
        loop {
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return Ok(Heard::Nothing);
            }
            let n = self.transport.receive(&mut buffer, left).map_err(|e| self.lost(e))?;
            if n == 0 {
                return Ok(Heard::Nothing);
            }
            self.traffic.received += n as u64;
            let mut answer = None;
            for &byte in buffer.iter().take(n) {
                let Some(frame) = self.reader.push(byte) else { continue };
                match frame.and_then(|bytes| understand(bytes, self.number)) {
                    Ok(Some(heard)) => answer = Some(heard),
                    Ok(None) => self.traffic.stale += 1,
                    Err(WireError::Version { found, number }) if number == self.number => {
                        answer = Some(Answer::Foreign(found));
                    }
                    Err(WireError::Body { number }) if number == self.number => {
                        answer = Some(Answer::Unknown);
                    }
                    Err(WireError::Version { .. } | WireError::Body { .. }) => {
                        self.traffic.stale += 1;
                    }
                    Err(WireError::Damaged | WireError::TooLong) => self.traffic.damaged += 1,
                }
            }
            let port = || self.port.clone();
            match answer {
                None => {}
                Some(Answer::Done(reply)) => return Ok(Heard::Answer(*reply)),
                Some(Answer::Refused(refusal)) => {
                    return Err(LinkError::Refused { port: port(), question: asked, refusal });
                }
                Some(Answer::Foreign(node)) => {
                    return Err(LinkError::Protocol { port: port(), node, ours: PROTOCOL_VERSION });
                }
                Some(Answer::Unknown) => return Err(self.unexpected(asked)),
            }
        }
    }

    fn lost(&self, source: io::Error) -> LinkError {
        LinkError::Lost { port: self.port.clone(), source }
    }

    /// The error for an answer that does not fit its question.
    pub(crate) fn unexpected(&self, question: &'static str) -> LinkError {
        LinkError::Unexpected { port: self.port.clone(), question }
    }
}

enum Answer {
    Done(Box<Reply>),
    Refused(Refusal),
    Foreign(u8),
    Unknown,
}

/// Opens a frame; `None` when it is not an answer to this number.
fn understand(bytes: &mut [u8], number: u16) -> Result<Option<Answer>, WireError> {
    let (header, body) = open_frame(bytes)?;
    if header.number != number {
        return Ok(None);
    }
    Ok(match header.kind {
        FrameKind::Reply => Some(Answer::Done(Box::new(read_body(&header, body)?))),
        FrameKind::Refusal => Some(Answer::Refused(read_body(&header, body)?)),
        // An echo of what was asked.
        FrameKind::Request => None,
    })
}

/// What a request asks, for messages.
fn question(request: &Request) -> &'static str {
    match request {
        Request::Identify => "who are you",
        Request::Status => "status",
        Request::ReadSettings => "read the settings",
        Request::WriteSettings(_) => "write the settings",
        Request::SetClock { .. } => "set the clock",
        Request::LogBounds => "bounds of the log",
        Request::ReadLog { .. } => "read the log",
        Request::Live => "live reading",
        Request::Capture => "capture waveforms",
        Request::ReadCapture { .. } => "read the capture",
        Request::Hookup => "connection check",
        Request::LogHead => "end of the log",
    }
}
