//! Appending: rows, cursor and notes of a batch in one transaction, and no record twice.

use super::columns::StoredRecord;
use super::node::NodeId;
use super::place::{StartSource, Starts};
use super::{Point, Store, StoreError, tail};
use rusqlite::params;
use wattless_core::record::Record;

/// Why sequence numbers have no record in the store.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum GapReason {
    /// The node left them empty.
    Void,
    /// The node had overwritten them before they were pulled.
    Overwritten,
}

impl GapReason {
    /// The word in the catalogue.
    pub const fn word(self) -> &'static str {
        match self {
            GapReason::Void => "void",
            GapReason::Overwritten => "overwritten",
        }
    }
}

/// A run of sequence numbers without records.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Gap {
    /// The first.
    pub first_seq: u32,
    /// The last.
    pub last_seq: u32,
    /// Why.
    pub reason: GapReason,
}

impl Gap {
    /// How many sequence numbers it covers.
    pub fn count(&self) -> u64 {
        u64::from(self.last_seq.saturating_sub(self.first_seq)) + 1
    }
}

/// What is appended at once.
#[derive(Clone, Copy, Debug, Default)]
pub struct Batch<'a> {
    /// Records in order of their sequence numbers.
    pub records: &'a [Record],
    /// Runs without records.
    pub gaps: &'a [Gap],
    /// The next sequence number wanted once this batch is stored.
    pub next_seq: u32,
}

/// What an append did.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Appended {
    /// Records that are new in the store.
    pub new: u64,
    /// Records that it held already.
    pub already_stored: u64,
}

impl Store {
    /// Appends records of a node, whole or not at all.
    ///
    /// Records before the node's cursor are counted and passed over. A record is
    /// placed in time by its own wall time or by its boot's start; see
    /// [`super::super::placement`] for the rule.
    pub fn append(&mut self, id: NodeId, batch: &Batch<'_>) -> Result<Appended, StoreError> {
        self.for_writing()?;
        let node = self.key(id)?;
        let mut appended = Appended::default();
        let t = self.write()?;
        let cursor = self.cursor(node)?;
        let mut wanted = cursor;
        let mut starts = Starts::new(self, node);
        for record in batch.records {
            if record.seq < cursor {
                appended.already_stored += 1;
                continue;
            }
            if record.seq < wanted {
                return Err(StoreError::Order { node: id, found: record.seq, wanted });
            }
            wanted = record.seq.saturating_add(1);
            let stored = starts.place(record)?;
            let mut insert = self.db.prepare_cached(&tail::INSERT).map_err(|e| self.sql(e))?;
            tail::insert(&mut insert, node, &stored).map_err(|e| self.sql(e))?;
            appended.new += 1;
        }
        if batch.next_seq < wanted {
            return Err(StoreError::Order { node: id, found: batch.next_seq, wanted });
        }
        self.note_gaps(node, batch.gaps)?;
        self.set_cursor(node, batch.next_seq)?;
        self.passes(Point::RowsInserted)?;
        t.commit().map_err(|e| self.sql(e))?;
        self.passes(Point::BatchCommitted)?;
        Ok(appended)
    }

    /// Writes many records of a node fast: finished days go straight into sealed files.
    ///
    /// For records that all have wall times, in order; meant for simulated logs and
    /// imports. Each record is stored once, but a stop on the way leaves only whole days.
    pub fn append_bulk(
        &mut self,
        id: NodeId,
        records: impl IntoIterator<Item = Record>,
    ) -> Result<Appended, StoreError> {
        self.for_writing()?;
        let node = self.key(id)?;
        // What is in the tail comes first in order, so it must be sealed first.
        if self.tail_count(node)? > 0 {
            return self.append_in_pieces(id, records);
        }
        let mut wanted = self.cursor(node)?;
        let mut appended = Appended::default();
        let mut day: Vec<StoredRecord> = Vec::new();
        let mut all = records.into_iter().peekable();
        let mut open = Vec::new();
        while let Some(record) = all.next() {
            if record.seq < wanted {
                return Err(StoreError::Order { node: id, found: record.seq, wanted });
            }
            if record.wall_ms == 0 {
                open.extend(day.drain(..).map(|s| s.record));
                open.push(record);
                break;
            }
            wanted = record.seq.saturating_add(1);
            let end = i64::try_from(record.wall_ms).unwrap_or(i64::MAX);
            day.push(StoredRecord { record, end_ms: Some(end), placed: false });
            let ends_day = all.peek().is_none_or(|next| {
                let next = i64::try_from(next.wall_ms).unwrap_or(i64::MAX);
                super::seal::day_number(next) != super::seal::day_number(end)
            });
            if !ends_day {
                continue;
            }
            if all.peek().is_none() {
                open.extend(day.drain(..).map(|s| s.record));
                break;
            }
            appended.new += day.len() as u64;
            self.seal_rows(id, node, &day, false)?;
            day.clear();
        }
        let rest = self.append_in_pieces(id, open.into_iter().chain(all))?;
        appended.new += rest.new;
        Ok(appended)
    }

    fn append_in_pieces(
        &mut self,
        id: NodeId,
        records: impl IntoIterator<Item = Record>,
    ) -> Result<Appended, StoreError> {
        let mut sum = Appended::default();
        let mut records = records.into_iter();
        loop {
            let piece: Vec<Record> = records.by_ref().take(8192).collect();
            let Some(last) = piece.last() else { break };
            let next_seq = last.seq.saturating_add(1);
            let appended = self.append(id, &Batch { records: &piece, gaps: &[], next_seq })?;
            sum.new += appended.new;
            sum.already_stored += appended.already_stored;
            self.seal_finished(id)?;
        }
        Ok(sum)
    }

    /// The next sequence number wanted from a node.
    pub(super) fn cursor(&self, node: i64) -> Result<u32, StoreError> {
        let sql = "SELECT coalesce(next_seq, 0) FROM nodes WHERE node = ?1";
        self.db.query_row(sql, [node], |r| r.get(0)).map_err(|e| self.sql(e))
    }

    pub(super) fn set_cursor(&self, node: i64, next_seq: u32) -> Result<(), StoreError> {
        let sql = "UPDATE nodes SET next_seq = max(coalesce(next_seq, 0), ?2) WHERE node = ?1";
        self.db.execute(sql, params![node, next_seq]).map(|_| ()).map_err(|e| self.sql(e))
    }

    fn tail_count(&self, node: i64) -> Result<u64, StoreError> {
        let sql = "SELECT count(*) FROM tail WHERE node = ?1";
        self.db
            .query_row(sql, [node], |r| r.get::<_, i64>(0))
            .map_or_else(|e| Err(self.sql(e)), |n| Ok(u64::try_from(n).unwrap_or(0)))
    }

    fn note_gaps(&self, node: i64, gaps: &[Gap]) -> Result<(), StoreError> {
        for gap in gaps {
            let sql = "INSERT OR REPLACE INTO gaps VALUES (?1, ?2, ?3, ?4)";
            let values = params![node, gap.first_seq, gap.last_seq, gap.reason.word()];
            self.db.execute(sql, values).map_err(|e| self.sql(e))?;
        }
        Ok(())
    }

    /// Runs of sequence numbers of a node that have no records here, in order.
    pub fn gaps(&self, id: NodeId) -> Result<Vec<Gap>, StoreError> {
        let node = self.key(id)?;
        let sql = "SELECT first_seq, last_seq, reason FROM gaps WHERE node = ?1 ORDER BY first_seq";
        let mut statement = self.db.prepare_cached(sql).map_err(|e| self.sql(e))?;
        let rows = statement.query_map([node], |r| {
            let reason: String = r.get(2)?;
            let void = reason == GapReason::Void.word();
            let reason = if void { GapReason::Void } else { GapReason::Overwritten };
            Ok(Gap { first_seq: r.get(0)?, last_seq: r.get(1)?, reason })
        });
        let rows = rows.map_err(|e| self.sql(e))?;
        rows.collect::<Result<_, _>>().map_err(|e| self.sql(e))
    }

    /// Notes when a start of a node began, in wall time, if that is not known yet.
    pub fn note_start(
        &mut self,
        id: NodeId,
        boot: u32,
        start_ms: i64,
        source: StartSource,
    ) -> Result<(), StoreError> {
        self.for_writing()?;
        let node = self.key(id)?;
        let t = self.write()?;
        Starts::new(self, node).note(boot, start_ms, source)?;
        t.commit().map_err(|e| self.sql(e))
    }
}
