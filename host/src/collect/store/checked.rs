//! The chain over the records of a store: every day that a span touches, and the unsealed rows.
//!
//! Days are checked where they are read, on all processors, and joined in order afterwards. The
//! time that the store gives a record is checked, too: it is the record's own wall time, or
//! follows from its uptime and the noted beginning of its start.

use super::node::NodeId;
use super::pages::Pages;
use super::read::{Listed, Span};
use super::{Gap, Store, StoreError, StoredRecord, Value, columns, pages, sealed};
use crate::collect::chain::{Before, ChainReport, Checker, Entry, Link};
use rusqlite::params;
use std::collections::HashMap;
use std::sync::Arc;
use wattless_core::record::{Page, Record, Tag, page_seq};

/// What every reading thread needs for the check.
#[derive(Clone)]
pub(super) struct Material {
    id: NodeId,
    gaps: Arc<[Gap]>,
    /// Wall time at which each start began, where it is known.
    starts: Arc<HashMap<u32, i64>>,
}

impl Material {
    /// Checks the rows of a sealed day among themselves.
    pub(super) fn check(&self, pages: &Pages) -> Checker {
        let mut checker = Checker::new(self.id, self.gaps.clone(), Before::Elsewhere);
        for row in pages.rows() {
            let end_ms = Some(row.end_ms);
            checker.push(&self.entry(row.page, row.tag, end_ms, row.placed));
        }
        checker
    }

    fn entry<'a>(&self, page: &'a Page, tag: &Tag, end_ms: Option<i64>, placed: bool) -> Entry<'a> {
        Entry {
            seq: page_seq(page),
            void_before: page.get(29).copied().unwrap_or(0),
            tag: page.first().is_some_and(|version| *version > 1).then_some(*tag),
            page,
            end_ms,
            moved: end_ms.is_some_and(|end| self.is_moved(page, end, placed)),
        }
    }

    /// Whether a record's place in time is another than the record and its start tell.
    fn is_moved(&self, page: &Page, end_ms: i64, placed: bool) -> bool {
        let number = |at: usize, n: usize| {
            let bytes = page.get(at..at + n).unwrap_or_default();
            bytes.iter().rev().fold(0i64, |sum, b| sum << 8 | i64::from(*b))
        };
        let (boot, uptime, wall) = (number(12, 4), number(16, 6), number(22, 6));
        if wall != 0 {
            return placed || end_ms != wall;
        }
        let start = u32::try_from(boot).ok().and_then(|b| self.starts.get(&b));
        !placed || start.is_some_and(|s| s.saturating_add(uptime) != end_ms)
    }
}

/// The check of a span under way.
pub(super) struct Check {
    material: Material,
    checker: Checker,
    /// For each day that is read: what it follows on, where that is not the day read before.
    follows: Vec<Option<Before>>,
    /// Unsealed rows to be checked, and what they follow on, likewise.
    tail: Option<([u32; 2], Option<Before>)>,
    /// The number due behind the log, if its end belongs to the span.
    next_seq: Option<u32>,
}

/// A sealed day in the catalogue.
struct Day {
    file: Listed,
    is_read: bool,
}

impl Check {
    /// Finds out what is to be checked; within the transaction that reads.
    pub(super) fn new(
        store: &Store,
        id: NodeId,
        node: i64,
        span: Span,
    ) -> Result<Check, StoreError> {
        let material =
            Material { id, gaps: store.gaps(id)?.into(), starts: Arc::new(starts(store, node)?) };
        let days = days(store, node, span)?;
        let before = |at: usize| match at.checked_sub(1).and_then(|at| days.get(at)) {
            None => Ok(Some(Before::Nothing)),
            Some(day) if day.is_read => Ok(None),
            Some(day) => last_of(&day.file).map(|l| Some(Before::Record(l))),
        };
        let mut follows = Vec::new();
        for (at, _) in days.iter().enumerate().filter(|(_, d)| d.is_read) {
            follows.push(before(at)?);
        }
        let (in_span, last_in_tail) = tail_range(store, node, span)?;
        let tail = match in_span {
            None => None,
            Some(range) => Some((range, before(days.len())?)),
        };
        let ends = match last_in_tail {
            Some(last) => tail.as_ref().is_some_and(|t| t.0[1] == last),
            None => days.last().is_none_or(|d| d.is_read),
        };
        let next_seq = if ends { Some(store.cursor(node)?) } else { None };
        let checker = Checker::new(id, material.gaps.clone(), Before::Nothing);
        Ok(Check { material, checker, follows, tail, next_seq })
    }

    pub(super) fn material(&self) -> Material {
        self.material.clone()
    }

    /// Joins the days that were read, in order.
    pub(super) fn take(&mut self, days: impl Iterator<Item = Checker>) {
        for (day, follows) in days.zip(&self.follows) {
            if let Some(before) = follows {
                self.checker.resume(*before);
            }
            self.checker.join(day);
        }
    }

    /// Checks the unsealed rows and ends.
    pub(super) fn finish(mut self, store: &Store, node: i64) -> Result<ChainReport, StoreError> {
        if let Some(([first, last], follows)) = self.tail {
            if let Some(before) = follows {
                self.checker.resume(before);
            }
            for row in store.tail_rows(node, first, last)? {
                let mut page = row.record.encode();
                if !is_exact(&row.record, &page) {
                    pages::spoil(&mut page);
                }
                let entry = self.material.entry(&page, &row.record.tag, row.end_ms, row.placed);
                self.checker.push(&entry);
            }
        }
        Ok(self.checker.finish(self.next_seq))
    }
}

/// Whether every number of a record is one that its page can hold.
fn is_exact(record: &Record, page: &Page) -> bool {
    let bits = |r: Record| {
        let stored = StoredRecord { record: r, end_ms: None, placed: false };
        columns().map(move |c| match (c.get)(&stored) {
            Value::Real(x) => i64::from(x.to_bits()),
            Value::Int(x) => x,
            Value::Missing => 0,
        })
    };
    Record::decode(page).is_ok_and(|back| bits(back).eq(bits(*record)))
}

fn starts(store: &Store, node: i64) -> Result<HashMap<u32, i64>, StoreError> {
    let sql = "SELECT boot, start_ms FROM starts WHERE node = ?1";
    let mut statement = store.db.prepare_cached(sql).map_err(|e| store.sql(e))?;
    let rows = statement.query_map([node], |r| Ok((r.get(0)?, r.get(1)?)));
    rows.map_err(|e| store.sql(e))?.collect::<Result<_, _>>().map_err(|e| store.sql(e))
}

/// Every sealed day of a node, in order, and whether the span touches it.
fn days(store: &Store, node: i64, span: Span) -> Result<Vec<Day>, StoreError> {
    let sql = "SELECT file, record_count, crc32 FROM sealed WHERE node = ?1 ORDER BY first_seq";
    let files = store.listed(sql, params![node])?;
    let sql = "SELECT max_end_ms > ?2 AND min_end_ms <= ?3 FROM sealed \
               WHERE node = ?1 ORDER BY first_seq";
    let mut statement = store.db.prepare_cached(sql).map_err(|e| store.sql(e))?;
    let rows = statement.query_map(params![node, span.from_ms, span.to_ms], |r| r.get(0));
    let touched: Result<Vec<bool>, _> = rows.map_err(|e| store.sql(e))?.collect();
    let touched = touched.map_err(|e| store.sql(e))?;
    Ok(files.into_iter().zip(touched).map(|(file, is_read)| Day { file, is_read }).collect())
}

/// The unsealed rows up to the last one in the span, and the last one of all.
fn tail_range(
    store: &Store,
    node: i64,
    span: Span,
) -> Result<(Option<[u32; 2]>, Option<u32>), StoreError> {
    let sql = "SELECT min(seq), max(seq), \
               max(CASE WHEN ?4 OR (end_ms > ?2 AND end_ms <= ?3) THEN seq END) \
               FROM tail WHERE node = ?1";
    let all = span == Span::ALL;
    let row = |r: &rusqlite::Row<'_>| {
        let (first, last): (Option<u32>, Option<u32>) = (r.get(0)?, r.get(1)?);
        let wanted: Option<u32> = r.get(2)?;
        Ok((first.zip(wanted).map(|(a, b)| [a, b]), last))
    };
    let found = store.db.query_row(sql, params![node, span.from_ms, span.to_ms, all], row);
    found.map_err(|e| store.sql(e))
}

/// The last record of a day that is not read itself.
fn last_of(day: &Listed) -> Result<Link, StoreError> {
    let rows = sealed::read_records(day.bytes()?, day.count).map_err(|e| day.damaged(e))?;
    let last = rows.last().ok_or_else(|| day.damaged("the file holds no record"))?;
    let tag = (last.record.version > 1).then_some(last.record.tag);
    Ok(Link::new(last.record.seq, tag, last.end_ms))
}
