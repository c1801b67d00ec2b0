//! The chain over a node's log, checked: which record was changed, removed or inserted.
//!
//! A record proves what the one before it was, since its tag is a hash over both
//! ([`wattless_core::chain`]). [`Checker`] takes records in the order of their numbers; parts of
//! a log may be checked apart from each other and joined.

use super::store::{Gap, GapReason, NodeId};
use serde::Serialize;
use std::collections::VecDeque;
use std::sync::Arc;
use wattless_core::chain::{first_tag, next_tag};
use wattless_core::record::{Page, Record, Tag};

/// Most numbers that a record can say are empty before it.
const VOID_MAX: usize = u8::MAX as usize;

/// A tag as people write it down: 32 hexadecimal digits.
pub fn tag_text(tag: &Tag) -> String {
    tag.iter().map(|b| format!("{b:02x}")).collect()
}

/// What is wrong at a place of the chain.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Fault {
    /// A record is not what its tag was made from: it was changed, or the one before it together
    /// with its tag.
    Changed,
    /// Records that were there when the next one was written are gone.
    Removed,
    /// A record is no part of the chain: it stands at a number that was taken or left empty.
    Inserted,
    /// The store has a record at another time than the node gave it.
    Moved,
}

/// A place where the chain does not hold.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Break {
    /// What is wrong.
    pub fault: Fault,
    /// The record, or the first of those that are gone.
    pub first_seq: u32,
    /// The same record, or the last of those that are gone.
    pub last_seq: u32,
    /// End of the record, or of the last one before those that are gone, Unix milliseconds.
    pub from_ms: Option<i64>,
    /// End of the record, or of the first one after those that are gone, Unix milliseconds.
    pub to_ms: Option<i64>,
}

impl Break {
    /// The finding as a sentence, with the record's number and its time in UTC.
    pub fn sentence(&self) -> String {
        let (first, last) = (self.first_seq, self.last_seq);
        let at = self.to_ms.or(self.from_ms).map_or(String::new(), |t| format!(" ({})", utc(t)));
        match self.fault {
            Fault::Changed => {
                format!(
                    "record {first}{at} was changed, or the one before it together with its tag"
                )
            }
            Fault::Moved => {
                format!("record {first} was put at another time{at} than the node gave it")
            }
            Fault::Inserted => format!(
                "record {first}{at} is no part of the node's chain: it was inserted, or the node \
                 gave it up when power failed"
            ),
            Fault::Removed => {
                let time = |ms: Option<i64>| ms.map_or("an unknown time".to_owned(), utc);
                let (a, b) = (time(self.from_ms), time(self.to_ms));
                match first == last {
                    true => format!("record {first} was removed (between {a} and {b})"),
                    false => {
                        format!("records {first} to {last} were removed (between {a} and {b})")
                    }
                }
            }
        }
    }
}

fn utc(ms: i64) -> String {
    let time = jiff::Timestamp::from_millisecond(ms).unwrap_or_default();
    time.strftime("%Y-%m-%d %H:%M:%S UTC").to_string()
}

/// What the chain says about a stretch of a log.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct ChainReport {
    /// Whether nothing speaks against any record.
    pub whole: bool,
    /// Records looked at.
    pub records: u64,
    /// Records that follow from the one before, bit by bit.
    pub proven: u64,
    /// Records of format 1, which have no tag.
    pub without_tag: u64,
    /// Records with nothing known before them: first of the log or after overwritten ones.
    pub begins_at: Vec<u32>,
    /// Where the chain does not hold.
    pub breaks: Vec<Break>,
    /// First and last record looked at.
    pub first_seq: Option<u32>,
    /// First and last record looked at.
    pub last_seq: Option<u32>,
    /// Tag of the last record: the node showed the same when it had written it.
    pub last_tag: Option<String>,
}

/// What the chain proves and what not, for people.
pub const PROVES: &str = "The chain shows any record that was changed, removed or inserted after \
    the node wrote it, unless all later tags were made anew too: it has no key. Write the last \
    tag down, or compare it with `wattless node`, to rule that out.";

/// A record as the check needs it.
#[derive(Clone, Copy)]
pub struct Entry<'a> {
    /// Sequence number.
    pub seq: u32,
    /// Numbers before it that the node left empty.
    pub void_before: u8,
    /// Its tag; `None` in format 1.
    pub tag: Option<Tag>,
    /// Its page; only what the tag covers counts.
    pub page: &'a Page,
    /// End of the interval, Unix milliseconds.
    pub end_ms: Option<i64>,
    /// Whether that end is another than the record itself tells.
    pub moved: bool,
}

impl<'a> Entry<'a> {
    /// Of a record and its page.
    pub fn new(record: &Record, page: &'a Page, end_ms: Option<i64>) -> Self {
        Entry {
            seq: record.seq,
            void_before: record.void_before,
            tag: (record.version > 1).then_some(record.tag),
            page,
            end_ms,
            moved: false,
        }
    }
}

/// What is known of a record that others follow.
#[derive(Clone, Copy, Debug)]
pub struct Link {
    /// Sequence number.
    pub seq: u32,
    /// Its tag; `None` in format 1.
    pub tag: Option<Tag>,
    /// End of its interval, Unix milliseconds.
    pub end_ms: Option<i64>,
    /// The tag that it should have, where it has another.
    remade: Option<Tag>,
}

impl Link {
    /// A record whose own check is done elsewhere.
    pub fn new(seq: u32, tag: Option<Tag>, end_ms: Option<i64>) -> Self {
        Link { seq, tag, end_ms, remade: None }
    }
}

/// What lies before the first record that is checked.
#[derive(Clone, Copy, Debug)]
pub enum Before {
    /// Nothing: the node's first record is due.
    Nothing,
    /// A record.
    Record(Link),
    /// This is a part, to be joined to what is before it.
    Elsewhere,
}

/// The first record of a part, kept until the part is joined.
struct Opening {
    seq: u32,
    void_before: u8,
    tag: Option<Tag>,
    page: Page,
    end_ms: Option<i64>,
    moved: bool,
}

/// Checks records in the order of their numbers.
pub struct Checker {
    node: NodeId,
    gaps: Arc<[Gap]>,
    before: Before,
    opening: Option<Opening>,
    /// The newest records, oldest first; as many as a record can disown.
    recent: VecDeque<Link>,
    report: ChainReport,
}

impl Checker {
    /// A check of a node's log, whose overwritten records are known.
    pub fn new(node: NodeId, gaps: Arc<[Gap]>, before: Before) -> Self {
        let (recent, report) = (VecDeque::new(), ChainReport::default());
        let mut checker = Checker { node, gaps, before, opening: None, recent, report };
        checker.resume(before);
        checker
    }

    /// Notes records that the node had overwritten.
    pub fn note_gap(&mut self, gap: Gap) {
        let mut gaps = self.gaps.to_vec();
        gaps.push(gap);
        gaps.sort_by_key(|g| g.first_seq);
        self.gaps = gaps.into();
    }

    /// Takes the next record.
    pub fn push(&mut self, e: &Entry<'_>) {
        let part = matches!(self.before, Before::Elsewhere);
        if part && self.opening.is_none() && self.recent.is_empty() {
            let Entry { seq, void_before, tag, page, end_ms, moved } = *e;
            self.opening = Some(Opening { seq, void_before, tag, page: *page, end_ms, moved });
            self.recent.push_back(Link::new(seq, tag, end_ms));
            return;
        }
        self.report.records += 1;
        if e.moved {
            self.fault(Fault::Moved, [e.seq; 2], [e.end_ms; 2]);
        }
        let last = self.recent.back().copied();
        if last.is_some_and(|l| e.seq <= l.seq) {
            self.fault(Fault::Inserted, [e.seq; 2], [e.end_ms; 2]);
            return;
        }
        self.report.first_seq.get_or_insert(e.seq);
        self.report.last_seq = Some(e.seq);
        let mut link = Link::new(e.seq, e.tag, e.end_ms);
        match e.tag {
            None => self.report.without_tag += 1,
            Some(tag) if self.follows(last, e, tag) || self.disowns(e, tag) => {
                self.report.proven += 1;
            }
            Some(_) => {
                link.remade = Some(next_tag(&self.tag_before(last), e.page));
                self.explain(last, e);
            }
        }
        if self.recent.len() > VOID_MAX {
            self.recent.pop_front();
        }
        self.recent.push_back(link);
    }

    /// The tag that a record's own is made from; behind a record without one the chain begins anew.
    fn tag_before(&self, last: Option<Link>) -> Tag {
        last.and_then(|l| l.tag).unwrap_or_else(|| first_tag(self.node.0))
    }

    fn follows(&self, last: Option<Link>, e: &Entry<'_>, tag: Tag) -> bool {
        let remade = last.and_then(|l| l.remade);
        next_tag(&self.tag_before(last), e.page) == tag
            // Of the record before only the tag was changed.
            || remade.is_some_and(|r| next_tag(&r, e.page) == tag)
    }

    /// Whether a record follows an earlier one, and what stands between was left empty by the node.
    fn disowns(&mut self, e: &Entry<'_>, tag: Tag) -> bool {
        let first_void = e.seq.saturating_sub(u32::from(e.void_before));
        let disowned = self.recent.iter().rev().take_while(|l| l.seq >= first_void).count();
        if disowned == 0 {
            return false;
        }
        let kept = self.recent.len() - disowned;
        let before = kept.checked_sub(1).and_then(|at| self.recent.get(at)).copied();
        let known = before.is_some() || matches!(self.before, Before::Nothing);
        if !known || !self.follows(before, e, tag) {
            return false;
        }
        // What seemed to be missing around them is explained, too.
        let from = before.map_or(0, |l| l.seq.saturating_add(1));
        self.report
            .breaks
            .retain(|b| b.first_seq < from || matches!(b.fault, Fault::Inserted | Fault::Moved));
        self.report.begins_at.retain(|seq| *seq < from);
        for link in self.recent.split_off(kept) {
            self.fault(Fault::Inserted, [link.seq; 2], [link.end_ms; 2]);
        }
        true
    }

    /// Says why a record does not follow from the one before it.
    fn explain(&mut self, last: Option<Link>, e: &Entry<'_>) {
        let first_missing = last.map_or(0, |l| l.seq.saturating_add(1));
        let first_void = e.seq.saturating_sub(u32::from(e.void_before));
        let missing = first_missing..first_void;
        let overwritten = |g: &&Gap| g.reason == GapReason::Overwritten;
        let gone = uncovered(missing.clone(), self.gaps.iter().filter(overwritten));
        let is_known = gone.iter().map(|[a, b]| u64::from(b - a) + 1).sum::<u64>()
            < u64::from(missing.end.saturating_sub(missing.start));
        for run in &gone {
            self.fault(Fault::Removed, *run, [last.and_then(|l| l.end_ms), e.end_ms]);
        }
        if is_known {
            self.report.begins_at.push(e.seq);
        } else if gone.is_empty() {
            self.fault(Fault::Changed, [e.seq; 2], [e.end_ms; 2]);
        }
    }

    fn fault(&mut self, fault: Fault, [first_seq, last_seq]: [u32; 2], ms: [Option<i64>; 2]) {
        let [from_ms, to_ms] = ms;
        self.report.breaks.push(Break { fault, first_seq, last_seq, from_ms, to_ms });
    }

    /// Joins a part that follows on what was checked so far.
    pub fn join(&mut self, part: Checker) {
        let Some(o) = &part.opening else { return };
        let Opening { seq, void_before, tag, end_ms, moved, .. } = *o;
        self.push(&Entry { seq, void_before, tag, page: &o.page, end_ms, moved });
        let (sum, more) = (&mut self.report, part.report);
        sum.records += more.records;
        sum.proven += more.proven;
        sum.without_tag += more.without_tag;
        sum.begins_at.extend(more.begins_at);
        sum.breaks.extend(more.breaks);
        sum.last_seq = sum.last_seq.max(more.last_seq);
        let known = self.recent.back().map(|l| l.seq);
        self.recent.extend(part.recent.iter().filter(|l| known.is_none_or(|k| l.seq > k)));
        let too_many = self.recent.len().saturating_sub(VOID_MAX + 1);
        self.recent.drain(..too_many);
    }

    /// Goes on behind another record, whose own check is done elsewhere.
    pub fn resume(&mut self, before: Before) {
        self.recent.clear();
        self.before = before;
        if let Before::Record(link) = before {
            self.recent.push_back(link);
        }
    }

    /// The newest record taken.
    pub fn last(&self) -> Option<Link> {
        self.recent.back().copied()
    }

    /// How many breaks were found so far.
    pub fn breaks(&self) -> usize {
        self.report.breaks.len()
    }

    /// Ends the check; `next_seq` is the number due behind the log, if its end belongs to the range.
    pub fn finish(mut self, next_seq: Option<u32>) -> ChainReport {
        let last = self.last();
        if let Some(next) = next_seq {
            let missing = last.map_or(0, |l| l.seq.saturating_add(1))..next;
            for run in uncovered(missing, self.gaps.iter()) {
                self.fault(Fault::Removed, run, [last.and_then(|l| l.end_ms), None]);
            }
        }
        let mut report = self.report;
        report.breaks.sort_by_key(|b| b.first_seq);
        report.whole = report.breaks.is_empty();
        let is_last = |l: &Link| Some(l.seq) == report.last_seq;
        report.last_tag = last.filter(is_last).and_then(|l| l.tag).as_ref().map(tag_text);
        report
    }
}

/// The runs of a range that no gap covers; gaps are in order.
fn uncovered<'a>(
    range: std::ops::Range<u32>,
    gaps: impl Iterator<Item = &'a Gap>,
) -> Vec<[u32; 2]> {
    let (mut from, mut runs) = (range.start, Vec::new());
    for gap in gaps {
        if gap.last_seq < from {
            continue;
        }
        if gap.first_seq >= range.end {
            break;
        }
        if gap.first_seq > from {
            runs.push([from, gap.first_seq - 1]);
        }
        from = gap.last_seq.saturating_add(1);
    }
    if from < range.end {
        runs.push([from, range.end - 1]);
    }
    runs
}

#[cfg(test)]
#[path = "chain_tests.rs"]
mod tests;
