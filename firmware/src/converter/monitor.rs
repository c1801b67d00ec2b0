//! Decides which frames are new and whole, counts what is lost, says when to start over.
//! Moves no byte itself: it is told what came and when, so DMA and polling share it.
//!
//! The part keeps the last two samples of each channel until they are read, and a frame that was
//! cut short is sent again. A frame is therefore taken only when its place in time is certain:
//! the store was empty one period before, and is empty again after this one read. Everything
//! else is read away and counted as lost. Losses are counted by time, from one frame taken to the
//! next, so no kind of fault can be forgotten.

use super::frames::{Command, ConverterFrame, FRAME_BYTES_MAX, command_frame, parse_frame};
use super::registers::{Address, CrcKind, Part, Status, WordLength};
use super::setup::Setup;

/// Samples that the filters need after a start before they are settled (SBAS950B section 8.5.2).
pub const SETTLING_SAMPLES: u32 = 3;

/// Damaged frames in a row that call for a new start.
pub const DAMAGED_MAX: u8 = 8;

/// Reads at one edge after which data ready is taken as stuck; the part stores two samples.
pub const READS_MAX: u8 = 4;

/// Periods without an edge that call for a new start.
pub const SILENT_PERIODS: u64 = 20;

/// Periods without a sample that is new beyond doubt that call for a new start.
pub const UNCERTAIN_PERIODS: u64 = 400;

/// What the caller is told about the stream of frames.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Event {
    /// The next frame.
    Frame(ConverterFrame),
    /// As many frames are missing before the one that follows.
    Lost(u32),
    /// Nothing more comes until the converter is started again.
    NeedsRestart(Reason),
}

/// Events of one edge, in order.
pub type Events = heapless::Vec<Event, 4>;

/// Why the converter must be started again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Reason {
    /// The part was reset, so its settings are gone.
    Reset,
    /// The filters were restarted from outside.
    Resynced,
    /// The interface is locked.
    Locked,
    /// A register changed, or the part's own checksum of its registers cannot be confirmed.
    RegistersChanged,
    /// Word length or polynomial are not what was set.
    Format,
    /// Damaged frames one after the other.
    Damaged,
    /// Data ready stays low however often is read.
    ReadyStuck,
    /// No sample for too long.
    Silent,
    /// A sample was ready right after a read that had emptied the store, or none could be placed
    /// in time for too long.
    OutOfStep,
}

impl Reason {
    /// What happened and what to look at, in one sentence.
    pub const fn text(self) -> &'static str {
        match self {
            Reason::Reset => "the converter was reset: check its supply and the SYNC/RESET line",
            Reason::Resynced => {
                "the converter was restarted by its SYNC/RESET line: check that line for noise"
            }
            Reason::Locked => "the converter locked its interface: check the SPI lines for noise",
            Reason::RegistersChanged => {
                "a converter register changed: check supply and SPI lines for noise"
            }
            Reason::Format => {
                "the converter changed its word format: check the SPI lines for noise"
            }
            Reason::Damaged => {
                "damaged frames one after the other: check SPI wiring and clock rate"
            }
            Reason::ReadyStuck => "data ready stays low: check that line for a short",
            Reason::Silent => {
                "data ready is silent: check the converter's clock, supply and that line"
            }
            Reason::OutOfStep => {
                "samples came out of step: data ready was served too late, looked at too early, or is noisy"
            }
        }
    }
}

impl core::fmt::Display for Reason {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str(self.text())
    }
}

/// Result of one exchange.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Taken {
    /// What is to be said, in order.
    pub events: Events,
    /// Exchange another frame at once, for the same edge: the store is not empty.
    pub read_again: bool,
}

/// Watches the stream of frames of one converter.
///
/// Exact as long as the times of edges are true to less than half a period, of which the
/// difference of the two clocks over a gap is a part: at 100 ppm, gaps up to 4000 periods.
#[derive(Clone, Debug)]
pub struct Monitor {
    part: Part,
    crc: CrcKind,
    enabled: u8,
    period_ns: u64,
    /// Longest time from an edge to the end of its read in which no channel gets a further sample.
    late_ns: u64,
    /// End of the read before.
    done_ns: u64,
    settling: u32,
    /// The part's checksum over its registers as it was after configuration.
    map_crc: u16,
    /// Edge of the frame delivered last.
    delivered_ns: Option<u64>,
    /// Edge at which the store was last left empty.
    emptied_ns: Option<u64>,
    /// Last edge with a sample behind it.
    seen_ns: Option<u64>,
    /// Last edge whose sample was new beyond doubt.
    certain_ns: Option<u64>,
    /// The sample before this one was new beyond doubt.
    stepped: bool,
    /// Frames still to be held back while the filters settle.
    hold: u32,
    confirm: Confirm,
    damaged: u8,
    reads: u8,
    in_flight: Command,
    sending: Command,
    halted: bool,
}

impl Monitor {
    /// A monitor for a converter that was just configured.
    ///
    /// `map_crc` is the part's checksum over its registers, read after configuration.
    pub fn new(setup: &Setup, map_crc: u16) -> Monitor {
        let period_ns = setup.period_ns().max(1);
        let period_clocks = 2 * setup.osr.ratio();
        let settling = setup.part.map_crc_clocks().div_ceil(period_clocks).max(SETTLING_SAMPLES);
        Monitor {
            part: setup.part,
            crc: setup.crc,
            enabled: setup.enabled(),
            period_ns,
            late_ns: period_ns
                .saturating_sub(period_ns / 8)
                .saturating_sub(setup.clocks_ns(2 * setup.phase_spread())),
            done_ns: 0,
            settling,
            map_crc,
            delivered_ns: None,
            emptied_ns: None,
            seen_ns: None,
            certain_ns: None,
            stepped: false,
            hold: settling,
            confirm: Confirm::Wanted,
            damaged: 0,
            reads: 0,
            in_flight: Command::Null,
            sending: Command::Null,
            halted: false,
        }
    }

    /// Goes on after a new start; frames lost meanwhile are counted from the last one delivered.
    pub fn resume(&mut self, map_crc: u16) {
        self.map_crc = map_crc;
        self.emptied_ns = None;
        self.seen_ns = None;
        self.certain_ns = None;
        self.stepped = false;
        self.damaged = 0;
        self.reads = 0;
        self.in_flight = Command::Null;
        self.sending = Command::Null;
        self.halted = false;
        self.hold_back();
    }

    /// Bytes of a frame of this part.
    pub const fn frame_bytes(&self) -> usize {
        self.part.frame_bytes()
    }

    /// What the next exchange must send: the first [`Monitor::frame_bytes`] of these bytes.
    pub fn frame_to_send(&self) -> [u8; FRAME_BYTES_MAX] {
        command_frame(self.sending, self.crc)
    }

    /// Takes what came in one exchange.
    ///
    /// `edge_ns` is the time of the falling edge of data ready that caused it. `still_ready` says
    /// that data ready was low after the exchange, and `done_ns` when that was looked at: not
    /// earlier than a microsecond after the end. Both times are on one clock that never goes back.
    pub fn take(&mut self, bytes: &[u8], edge_ns: u64, done_ns: u64, still_ready: bool) -> Taken {
        let mut events = Events::new();
        if self.halted {
            return Taken { events, read_again: false };
        }
        let answered = core::mem::replace(&mut self.in_flight, self.sending);
        self.sending = Command::Null;
        let since_empty = self.emptied_ns.map(|t| edge_ns.saturating_sub(t));
        // Between two stored samples data ready may show an edge of its own, which is older than
        // the end of that read.
        let edge_is_new = edge_ns > self.done_ns;
        self.done_ns = done_ns;
        let in_step = edge_is_new
            && since_empty.is_some_and(|ns| self.periods(ns) == 1)
            && done_ns.saturating_sub(edge_ns) < self.late_ns
            && !still_ready;
        let result = match parse_frame(self.part, self.crc, bytes) {
            Ok(frame) => self.judge(&frame, answered, since_empty).map(|new| (frame, new)),
            Err(_) => {
                self.damaged = self.damaged.saturating_add(1);
                self.hold_back();
                if self.damaged < DAMAGED_MAX {
                    Ok((NOTHING, New::Unknown))
                } else {
                    Err(Reason::Damaged)
                }
            }
        };
        self.reads = if still_ready { self.reads.saturating_add(1) } else { 0 };
        let result = match result {
            Ok(_) if self.reads >= READS_MAX && self.damaged > 0 => Err(Reason::Damaged),
            Ok(_) if self.reads >= READS_MAX => Err(Reason::ReadyStuck),
            other => other,
        };
        let mut read_again = still_ready;
        match result {
            Err(reason) => {
                self.halted = true;
                read_again = false;
                push(&mut events, Event::NeedsRestart(reason));
            }
            // An edge without a sample is a disturbance: the store was empty and still is.
            Ok((_, New::Nothing)) if !still_ready => {}
            Ok((frame, new)) => {
                self.seen_ns = Some(edge_ns);
                self.emptied_ns = (!still_ready).then_some(edge_ns);
                self.stepped = in_step && matches!(new, New::All);
                if self.stepped {
                    self.certain_ns = Some(edge_ns);
                    self.deliver(frame, edge_ns, &mut events);
                }
            }
        }
        Taken { events, read_again }
    }

    /// Notes that an exchange failed as a whole and its bytes are not known.
    pub fn exchange_failed(&mut self) {
        self.emptied_ns = None;
        self.in_flight = Command::Null;
        self.sending = Command::Null;
        self.hold_back();
    }

    /// Looks for silence; to be called now and then, not for every edge.
    pub fn check(&mut self, now_ns: u64) -> Option<Reason> {
        let seen = *self.seen_ns.get_or_insert(now_ns);
        let certain = *self.certain_ns.get_or_insert(now_ns);
        if self.halted {
            return None;
        }
        let reason = if now_ns.saturating_sub(seen) > SILENT_PERIODS * self.period_ns {
            Reason::Silent
        } else if now_ns.saturating_sub(certain) > UNCERTAIN_PERIODS * self.period_ns {
            Reason::OutOfStep
        } else {
            return None;
        };
        self.halted = true;
        Some(reason)
    }

    /// Whether the converter must be started again before anything more comes.
    pub const fn is_halted(&self) -> bool {
        self.halted
    }

    /// Holds frames back until the filters are settled and the registers are confirmed.
    fn hold_back(&mut self) {
        self.hold = self.settling;
        self.confirm = Confirm::Wanted;
    }

    fn periods(&self, ns: u64) -> u64 {
        // The period is never zero; this form has no panic path.
        ns.saturating_add(self.period_ns / 2).checked_div(self.period_ns).unwrap_or(0)
    }

    /// What a whole frame says about the part's state and its own sample.
    fn judge(
        &mut self,
        frame: &ConverterFrame,
        answered: Command,
        since_empty: Option<u64>,
    ) -> Result<New, Reason> {
        if let Command::Read(_) = answered {
            if frame.response != self.map_crc {
                return Err(Reason::RegistersChanged);
            }
            if self.confirm == Confirm::Asked {
                self.confirm = Confirm::Done;
            }
            return Ok(New::Unknown);
        }
        let status = Status(frame.response);
        self.refuse(status)?;
        if status.input_crc_error() {
            // The command before came damaged. It was not carried out, unless it was a write.
            self.hold_back();
        }
        if status.ready() == 0 {
            return Ok(New::Nothing);
        }
        if self.stepped && since_empty.is_some_and(|ns| ns < self.period_ns / 8) {
            return Err(Reason::OutOfStep);
        }
        if status.ready() != self.enabled {
            return Ok(New::Unknown);
        }
        Ok(New::All)
    }

    /// States that only a new start ends.
    fn refuse(&self, status: Status) -> Result<(), Reason> {
        if status.was_reset() {
            Err(Reason::Reset)
        } else if status.word_length() != WordLength::Bits24 || status.crc() != self.crc {
            Err(Reason::Format)
        } else if status.locked() {
            Err(Reason::Locked)
        } else if status.resynced() {
            Err(Reason::Resynced)
        } else if status.map_changed() {
            Err(Reason::RegistersChanged)
        } else {
            Ok(())
        }
    }

    /// Passes a frame on, or counts it down while frames are held back.
    fn deliver(&mut self, frame: ConverterFrame, edge_ns: u64, events: &mut Events) {
        let held = self.confirm != Confirm::Done;
        self.hold = self.hold.saturating_sub(1);
        if self.hold == 0 && self.confirm == Confirm::Wanted {
            self.sending = Command::Read(Address::MAP_CRC);
            self.confirm = Confirm::Asked;
        }
        if held {
            return;
        }
        self.damaged = 0;
        let before = self.delivered_ns.replace(edge_ns);
        let gap = before.map_or(1, |t| self.periods(edge_ns.saturating_sub(t)));
        if gap > 1 {
            push(events, Event::Lost(u32::try_from(gap - 1).unwrap_or(u32::MAX)));
        }
        push(events, Event::Frame(frame));
    }
}

/// Whether the registers are known to be as configured.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Confirm {
    /// The part's checksum must be read.
    Wanted,
    /// The request is on its way.
    Asked,
    /// They are.
    Done,
}

/// What a frame brings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum New {
    /// A sample of every channel that is on.
    All,
    /// No sample of any channel.
    Nothing,
    /// Not to be told, or of some channels only.
    Unknown,
}

const NOTHING: ConverterFrame = ConverterFrame { response: 0, counts: [0; 8] };

/// Adds an event; one edge never has more than fit.
fn push(events: &mut Events, event: Event) {
    let _ = events.push(event);
}
