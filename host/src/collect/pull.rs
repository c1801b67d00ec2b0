//! The pull: brings what is new on a node into the store, and says what is missing.
//!
//! It begins where the last one ended, stores in small transactions, and may be stopped
//! at any instant: the next one goes on from the last stored record. Nothing is deleted
//! on the node.

use super::chain::{Before, Break, ChainReport, Checker, Entry, Fault, Link, tag_text};
use super::drift::{ClockNote, Drift, drift};
use super::link::{Client, ClockReading, LinkError};
pub use super::pull_error::PullError;
use super::store::{Batch, Gap, GapReason, NodeId, StartSource, Store};
use super::transport::Transport;
use serde::Serialize;
use std::time::Instant;
use wattless_core::record::{PAGE, Page, RECORD_VERSION, Record};
use wattless_core::wire::{Identity, LogBounds, LogSlice, PAGES_PER_REPLY, Refusal};

/// A node's clock further than this from the host's is worth a warning, in ms.
pub const CLOCK_WARN_MS: i64 = 2000;

/// How a pull goes about it.
#[derive(Clone, Copy, Debug)]
pub struct PullOptions {
    /// Records stored in one transaction.
    pub commit_every: usize,
    /// Whether to set the node's clock to the host's.
    pub set_clock: bool,
    /// How often in a row a broken link is opened again without any progress.
    pub reopen: u32,
}

impl Default for PullOptions {
    fn default() -> Self {
        PullOptions { commit_every: 512, set_clock: false, reopen: 3 }
    }
}

/// How far a pull is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Progress {
    /// Sequence numbers done.
    pub done: u64,
    /// Sequence numbers that were new when it began.
    pub total: u64,
}

/// Whether a pull goes on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Go {
    /// It does.
    On,
    /// It ends as soon as what arrived is stored; the next pull goes on from there.
    NoFurther,
}

/// What is done with a client between two answers of a pull.
pub type Between<'a, T> = dyn FnMut(&mut Client<T>, Progress) -> Result<Go, LinkError> + 'a;

/// What a pull did.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct PullSummary {
    /// The node, 16 hexadecimal digits.
    pub node_id: String,
    /// What it is connected to.
    pub feeder: String,
    /// Kind of hardware.
    pub hardware: String,
    /// Version of its program.
    pub firmware: String,
    /// Records that are new in the store.
    pub new_records: u64,
    /// Sequence numbers that the node still holds and that were pulled before.
    pub already_stored: u64,
    /// First and last sequence numbers that the node had overwritten before they were pulled.
    pub overwritten_ranges: Vec<[u32; 2]>,
    /// How many those are.
    pub overwritten: u64,
    /// Sequence numbers that the node had left empty.
    pub void: u64,
    /// First new record.
    pub first_seq: Option<u32>,
    /// Last new record.
    pub last_seq: Option<u32>,
    /// The next record wanted.
    pub next_seq: u32,
    /// Days sealed.
    pub sealed_days: u64,
    /// Records of the node that have no place in time yet.
    pub unplaced_records: u64,
    /// The node's clock minus the host's in ms before anything was set; `None` without a clock.
    pub clock_offset_ms: Option<i64>,
    /// Whether the clock was set.
    pub clock_set: bool,
    /// How fast the node's clock runs against this computer's, where two pulls tell.
    pub clock_drift: Option<Drift>,
    /// What the chain says about the new records: they follow on what is stored, or where not.
    pub chain: ChainReport,
    /// Bytes received.
    pub bytes: u64,
    /// Questions that had to be asked again.
    pub repeated_questions: u64,
    /// Times that the link was opened again.
    pub reopened: u64,
    /// Seconds that the pull took.
    pub elapsed_s: f64,
}

impl PullSummary {
    /// Whether every new record follows on the one before it.
    pub fn chain_is_whole(&self) -> bool {
        self.chain.breaks.is_empty()
    }

    /// Whether the node's clock is far enough off to say so; a node without clock is.
    pub fn clock_is_off(&self) -> bool {
        self.clock_offset_ms.is_none_or(|o| o.saturating_abs() > CLOCK_WARN_MS)
    }
}

/// Pulls what is new over a link that is open.
pub fn pull<T: Transport>(
    client: &mut Client<T>,
    store: &mut Store,
    options: &PullOptions,
    progress: &mut dyn FnMut(Progress),
) -> Result<PullSummary, PullError> {
    pull_between(client, store, options, &mut |_, p| {
        progress(p);
        Ok(Go::On)
    })
}

/// Pulls what is new and lets others use the link between two answers.
///
/// So a log of months does not hold up live readings, and a long pull can be told to end.
pub fn pull_between<T: Transport>(
    client: &mut Client<T>,
    store: &mut Store,
    options: &PullOptions,
    between: &mut Between<'_, T>,
) -> Result<PullSummary, PullError> {
    let begin = Instant::now();
    let mut work = Work::new(between);
    let result = work.run(client, store, options);
    work.finish(begin, result)
}

/// Pulls what is new and opens the link again when it breaks, as long as that gets on.
pub fn pull_reopening<T: Transport>(
    mut open: impl FnMut() -> Result<Client<T>, LinkError>,
    store: &mut Store,
    options: &PullOptions,
    progress: &mut dyn FnMut(Progress),
) -> Result<PullSummary, PullError> {
    let begin = Instant::now();
    let mut between = |_: &mut Client<T>, p: Progress| {
        progress(p);
        Ok(Go::On)
    };
    let mut work = Work::new(&mut between);
    let mut client = open()?;
    let mut vain = 0;
    loop {
        let before = work.done;
        let error = match work.run(&mut client, store, options) {
            Err(PullError::Link(e)) if e.is_passing() => e,
            result => return work.finish(begin, result),
        };
        vain = if work.done > before { 1 } else { vain + 1 };
        let mut last = error;
        client = loop {
            if vain > options.reopen {
                return work.finish(begin, Err(last.into()));
            }
            match open() {
                Ok(client) => break client,
                Err(e @ (LinkError::Protocol { .. } | LinkError::Unexpected { .. })) => {
                    return work.finish(begin, Err(e.into()));
                }
                Err(e) => last = e,
            }
            vain += 1;
        };
        work.summary.reopened += 1;
    }
}

struct Work<'a, 'b, T> {
    summary: PullSummary,
    between: &'a mut Between<'b, T>,
    stopped: bool,
    done: u64,
    total: u64,
    /// The chain over the log, from the last stored record on.
    checker: Option<Checker>,
    clock: Option<ClockNote>,
}

/// What is gathered for the next transaction.
#[derive(Default)]
struct Pending {
    records: Vec<Record>,
    gaps: Vec<Gap>,
}

impl<'a, 'b, T: Transport> Work<'a, 'b, T> {
    fn new(between: &'a mut Between<'b, T>) -> Self {
        let (summary, stopped) = (PullSummary::default(), false);
        Work { summary, between, stopped, done: 0, total: 0, checker: None, clock: None }
    }

    fn finish(
        mut self,
        begin: Instant,
        result: Result<(), PullError>,
    ) -> Result<PullSummary, PullError> {
        result?;
        if let Some(checker) = self.checker.take() {
            let mut named = std::mem::take(&mut self.summary.chain.breaks);
            self.summary.chain = checker.finish(None);
            named.retain(|b| !self.summary.chain.breaks.contains(b));
            self.summary.chain.breaks.append(&mut named);
            self.summary.chain.whole = self.summary.chain.breaks.is_empty();
        }
        self.summary.elapsed_s = begin.elapsed().as_secs_f64();
        Ok(self.summary)
    }

    fn run(
        &mut self,
        client: &mut Client<T>,
        store: &mut Store,
        options: &PullOptions,
    ) -> Result<(), PullError> {
        let before = client.traffic();
        let result = self.work(client, store, options);
        let after = client.traffic();
        self.summary.bytes += after.received - before.received;
        self.summary.repeated_questions += after.repeated - before.repeated;
        result
    }

    fn work(
        &mut self,
        client: &mut Client<T>,
        store: &mut Store,
        options: &PullOptions,
    ) -> Result<(), PullError> {
        // Asked anew: a bridge keeps its connection when the cable behind it goes to another node.
        let identity = same_node(client)?;
        if !(1..=RECORD_VERSION).contains(&identity.record_version) {
            return Err(PullError::RecordVersion {
                port: client.port().to_owned(),
                found: identity.record_version,
                known: RECORD_VERSION,
            });
        }
        let id = NodeId(identity.node_id);
        let settings = client.settings()?;
        let bounds = client.log_bounds()?;
        let known = store.node(id)?.and_then(|n| n.next_seq);
        if let Some(cursor) = known
            && let Some(seq) = same_log(client, store, id, cursor, bounds)?
        {
            self.name(Fault::Changed, seq);
        }
        store.meet(&identity, &settings, client.now_ms())?;
        if self.checker.is_none() {
            self.checker = Some(Checker::new(id, store.gaps(id)?.into(), before(store, id)?));
        }
        self.describe(id, &settings.feeder, &identity.hardware, &identity.firmware);
        self.clock(client, store, id, options)?;

        let mut cursor = known.unwrap_or(0);
        if self.done == 0 {
            let from = cursor.max(bounds.oldest);
            self.total = u64::from(bounds.next.saturating_sub(from));
            self.summary.already_stored = u64::from(cursor.saturating_sub(bounds.oldest));
        }
        self.summary.next_seq = cursor;
        let mut pending = Pending::default();
        let result = self.records(client, store, id, bounds, &mut cursor, &mut pending, options);
        if matches!(result, Err(PullError::OtherNode { .. })) {
            // Whose the last pages are cannot be told.
            return result;
        }
        // What arrived whole before an error is kept.
        let kept = self.commit(store, id, &mut pending, cursor);
        result?;
        kept?;
        if self.stopped {
            return Ok(());
        }
        let (status, _) = client.status_and_clock()?;
        store.place_finished(id, Some(status.boot))?;
        self.seal(store, id)?;
        self.summary.unplaced_records = store.extent(id)?.unplaced;
        self.compare_head(client)?;
        store.note_pull(id, client.now_ms(), self.clock.as_ref())?;
        self.summary.clock_drift = drift(&store.clock_notes(id)?);
        Ok(())
    }

    /// Names a record with which something is wrong, once.
    fn name(&mut self, fault: Fault, seq: u32) {
        let (first_seq, last_seq, from_ms, to_ms) = (seq, seq, None, None);
        let found = Break { fault, first_seq, last_seq, from_ms, to_ms };
        if !self.summary.chain.breaks.contains(&found) {
            self.summary.chain.breaks.push(found);
        }
    }

    /// The node remembers the tag that it wrote last: the newest record pulled must carry it.
    fn compare_head(&mut self, client: &mut Client<T>) -> Result<(), PullError> {
        let Some(head) = client.log_head()? else { return Ok(()) };
        let last = self.checker.as_ref().and_then(Checker::last);
        if let (Some(seq), Some(last)) = (head.seq, last)
            && seq == last.seq
            && last.tag.is_some_and(|t| tag_text(&t) != tag_text(&head.tag))
        {
            self.name(Fault::Changed, seq);
        }
        Ok(())
    }

    fn describe(&mut self, id: NodeId, feeder: &str, hardware: &str, firmware: &str) {
        self.summary.node_id = id.to_string();
        self.summary.feeder = feeder.to_owned();
        self.summary.hardware = hardware.to_owned();
        self.summary.firmware = firmware.to_owned();
    }

    /// Measures the node's clock, sets it if asked to, and notes when its present start began.
    fn clock(
        &mut self,
        client: &mut Client<T>,
        store: &mut Store,
        id: NodeId,
        options: &PullOptions,
    ) -> Result<(), PullError> {
        let (mut status, mut clock) = client.status_and_clock()?;
        if !self.summary.clock_set {
            self.summary.clock_offset_ms = clock.offset_ms;
            self.clock = Some(ClockNote {
                host_ms: clock.started_ms.saturating_add_unsigned(status.uptime_ms),
                boot: status.boot,
                uptime_ms: status.uptime_ms,
                offset_ms: clock.offset_ms,
                round_trip_us: u32::try_from(clock.round_trip.as_micros()).unwrap_or(u32::MAX),
                was_set: options.set_clock,
            });
            if options.set_clock {
                client.set_clock()?;
                self.summary.clock_set = true;
                (status, clock) = client.status_and_clock()?;
            }
        }
        let ClockReading { started_ms, .. } = clock;
        let uptime = i64::try_from(status.uptime_ms).unwrap_or(i64::MAX);
        let (start, source) = match status.wall_ms.and_then(|w| i64::try_from(w).ok()) {
            Some(wall) => (wall.saturating_sub(uptime), StartSource::NodeClock),
            None => (started_ms, StartSource::HostClock),
        };
        store.note_start(id, status.boot, start, source)?;
        Ok(())
    }

    #[allow(clippy::too_many_arguments, reason = "the parts of one loop")]
    fn records(
        &mut self,
        client: &mut Client<T>,
        store: &mut Store,
        id: NodeId,
        mut bounds: LogBounds,
        cursor: &mut u32,
        pending: &mut Pending,
        options: &PullOptions,
    ) -> Result<(), PullError> {
        while *cursor < bounds.next {
            if *cursor < bounds.oldest {
                self.overwritten(*cursor, bounds.oldest, pending);
                *cursor = bounds.oldest;
                continue;
            }
            let left = bounds.next - *cursor;
            let count = left.min(PAGES_PER_REPLY as u32) as u16;
            let slice = match client.read_log(*cursor, count) {
                // The ring went on while we were reading: ask where it begins now.
                Err(e) if e.refusal() == Some(Refusal::NoSuchRecord) => {
                    let now = client.log_bounds()?;
                    if now.oldest <= *cursor {
                        return Err(e.into());
                    }
                    bounds = LogBounds { next: bounds.next.max(now.oldest), ..now };
                    continue;
                }
                other => other?,
            };
            let next = self.take(client, &slice, *cursor, bounds.next, pending)?;
            self.done += u64::from(next - *cursor);
            *cursor = next;
            if pending.records.len() >= options.commit_every.max(1) {
                self.commit_sure(client, store, id, pending, *cursor)?;
                store.place_finished(id, None)?;
                self.seal(store, id)?;
            }
            let progress = Progress { done: self.done, total: self.total.max(self.done) };
            if (self.between)(client, progress)? == Go::NoFurther {
                self.stopped = true;
                break;
            }
        }
        if pending.records.is_empty() {
            return Ok(());
        }
        self.commit_sure(client, store, id, pending, *cursor)
    }

    fn overwritten(&mut self, from: u32, oldest: u32, pending: &mut Pending) {
        let gap = Gap { first_seq: from, last_seq: oldest - 1, reason: GapReason::Overwritten };
        self.summary.overwritten_ranges.push([gap.first_seq, gap.last_seq]);
        self.summary.overwritten += gap.count();
        if let Some(checker) = &mut self.checker {
            checker.note_gap(gap);
        }
        pending.gaps.push(gap);
    }

    /// Checks a reply and takes its records over, all or none; gives the next number wanted.
    fn take(
        &mut self,
        client: &Client<T>,
        slice: &LogSlice,
        from: u32,
        end: u32,
        pending: &mut Pending,
    ) -> Result<u32, PullError> {
        let port = || client.port().to_owned();
        let covered_to = slice.from.saturating_add(u32::from(slice.covered)).min(end);
        let (pages, rest) = slice.pages.as_chunks::<PAGE>();
        if slice.from != from || covered_to <= from || !rest.is_empty() {
            return Err(client.unexpected("read the log").into());
        }
        let mut records = Vec::with_capacity(pages.len());
        let mut gaps = Vec::new();
        let mut wanted = from;
        for page in pages {
            let record = read_page(page, wanted, &port)?;
            if record.seq < wanted || record.seq >= covered_to {
                return Err(PullError::WrongRecord { port: port(), from, found: record.seq });
            }
            gaps.extend(void(wanted, record.seq));
            wanted = record.seq + 1;
            records.push(record);
        }
        gaps.extend(void(wanted, covered_to));
        if let Some(checker) = &mut self.checker {
            for (record, page) in records.iter().zip(pages) {
                let wall = i64::try_from(record.wall_ms).ok().filter(|w| *w > 0);
                checker.push(&Entry::new(record, page, wall));
            }
        }
        self.summary.void += gaps.iter().map(Gap::count).sum::<u64>();
        pending.records.append(&mut records);
        for gap in gaps {
            match pending.gaps.last_mut() {
                // A run of empty numbers may go on from one answer to the next.
                Some(last) if last.reason == gap.reason && last.last_seq + 1 == gap.first_seq => {
                    last.last_seq = gap.last_seq;
                }
                _ => pending.gaps.push(gap),
            }
        }
        Ok(covered_to)
    }

    /// Commits once it is certain that no other node has taken the link over meanwhile.
    fn commit_sure(
        &mut self,
        client: &mut Client<T>,
        store: &mut Store,
        id: NodeId,
        pending: &mut Pending,
        next_seq: u32,
    ) -> Result<(), PullError> {
        same_node(client)?;
        self.commit(store, id, pending, next_seq)
    }

    fn commit(
        &mut self,
        store: &mut Store,
        id: NodeId,
        pending: &mut Pending,
        next_seq: u32,
    ) -> Result<(), PullError> {
        let batch = Batch { records: &pending.records, gaps: &pending.gaps, next_seq };
        let appended = store.append(id, &batch)?;
        self.summary.new_records += appended.new;
        if let (Some(first), Some(last)) = (pending.records.first(), pending.records.last()) {
            self.summary.first_seq.get_or_insert(first.seq);
            self.summary.last_seq = Some(last.seq);
        }
        self.summary.next_seq = next_seq;
        pending.records.clear();
        pending.gaps.clear();
        Ok(())
    }

    fn seal(&mut self, store: &mut Store, id: NodeId) -> Result<(), PullError> {
        self.summary.sealed_days += store.seal_finished(id)?.files;
        Ok(())
    }
}

/// Who answers now: the node that the link was opened to, or an error.
fn same_node<T: Transport>(client: &mut Client<T>) -> Result<Identity, PullError> {
    let expected = NodeId(client.identity().node_id);
    let identity = client.identify()?;
    let found = NodeId(identity.node_id);
    if found != expected {
        return Err(PullError::OtherNode { port: client.port().to_owned(), expected, found });
    }
    Ok(identity)
}

/// The numbers from `from` up to and without `to` are empty.
fn void(from: u32, to: u32) -> Option<Gap> {
    (from < to).then(|| Gap { first_seq: from, last_seq: to - 1, reason: GapReason::Void })
}

/// Reads a page and makes sure that all of it is understood.
fn read_page(page: &Page, seq: u32, port: &dyn Fn() -> String) -> Result<Record, PullError> {
    let record =
        Record::decode(page).map_err(|source| PullError::Page { port: port(), seq, source })?;
    // The store keeps fields, not pages: what does not come back would be lost.
    if record.encode() != *page || !one_kind_of_nan(&record) {
        return Err(PullError::UnknownContent { port: port(), seq: record.seq });
    }
    Ok(record)
}

/// Whether every not-a-number is the one that records have.
fn one_kind_of_nan(record: &Record) -> bool {
    let of_phase = |p: &wattless_core::record::RecordPhase| [p.v_rms_v, p.i_rms_a, p.p_w, p.q1_var];
    let mut all = record.phases.iter().flat_map(of_phase);
    all.all(|x| !x.is_nan() || x.to_bits() == f32::NAN.to_bits())
}

/// What the next record follows on: the last one stored.
fn before(store: &Store, id: NodeId) -> Result<Before, PullError> {
    let Some(last) = store.extent(id)?.last_seq else { return Ok(Before::Nothing) };
    let stored = store.read_records(id, last..=last)?.next().transpose()?;
    Ok(stored.map_or(Before::Nothing, |s| {
        let tag = (s.record.version > 1).then_some(s.record.tag);
        Before::Record(Link::new(last, tag, s.end_ms))
    }))
}

/// Makes sure that the node's log is the one in the store: it goes on, and the last record is the
/// same; gives the record's number where the store's copy of it was changed.
fn same_log<T: Transport>(
    client: &mut Client<T>,
    store: &Store,
    node: NodeId,
    cursor: u32,
    bounds: LogBounds,
) -> Result<Option<u32>, PullError> {
    let port = || client.port().to_owned();
    let Some(last) = cursor.checked_sub(1) else { return Ok(None) };
    if cursor > bounds.next {
        return Err(PullError::LogRestarted {
            port: port(),
            node,
            next: bounds.next,
            stored: last,
        });
    }
    let stored = store.read_records(node, last..=last)?.next().transpose()?;
    let Some(stored) = stored.filter(|_| last >= bounds.oldest) else { return Ok(None) };
    let slice = match client.read_log(last, 1) {
        // Overwritten just now.
        Err(e) if e.refusal() == Some(Refusal::NoSuchRecord) => return Ok(None),
        other => other?,
    };
    let page = slice.pages.first_chunk::<PAGE>();
    if page == Some(&stored.record.encode()) {
        return Ok(None);
    }
    // A page that has gone bad on the node since is no other log.
    match page.map(Record::decode) {
        // The same place in the chain: it is our copy that is not what it was.
        Some(Ok(theirs)) if theirs.version > 1 && theirs.tag == stored.record.tag => Ok(Some(last)),
        Some(Ok(_)) => Err(PullError::OtherLog { port: client.port().to_owned(), node, seq: last }),
        _ => Ok(None),
    }
}
