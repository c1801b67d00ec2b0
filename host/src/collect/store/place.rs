//! Placing records in time within the store, by the rule of [`super::super::placement`].

use super::columns::StoredRecord;
use super::node::NodeId;
use super::{Store, StoreError};
use crate::collect::placement::{Start, Unplaced, place_between};
use rusqlite::{OptionalExtension, params};
use std::collections::HashMap;
use wattless_core::record::Record;

/// Where the wall time of a start is known from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StartSource {
    /// A record of that start has a wall time.
    Record,
    /// The node's clock at a pull.
    NodeClock,
    /// The node's uptime against the host's clock at a pull.
    HostClock,
    /// The starts before and after it.
    Neighbours,
}

impl StartSource {
    /// The word in the catalogue.
    pub const fn word(self) -> &'static str {
        match self {
            StartSource::Record => "record",
            StartSource::NodeClock => "node clock at pull",
            StartSource::HostClock => "host clock at pull",
            StartSource::Neighbours => "neighbours",
        }
    }
}

/// The known starts of one node, within a transaction.
pub(super) struct Starts<'a> {
    store: &'a Store,
    node: i64,
    known: HashMap<u32, Option<i64>>,
}

impl<'a> Starts<'a> {
    pub(super) fn new(store: &'a Store, node: i64) -> Self {
        Starts { store, node, known: HashMap::new() }
    }

    fn start(&mut self, boot: u32) -> Result<Option<i64>, StoreError> {
        if let Some(start) = self.known.get(&boot) {
            return Ok(*start);
        }
        let sql = "SELECT start_ms FROM starts WHERE node = ?1 AND boot = ?2";
        let found = self.store.db.query_row(sql, params![self.node, boot], |r| r.get(0)).optional();
        let start = found.map_err(|e| self.store.sql(e))?;
        self.known.insert(boot, start);
        Ok(start)
    }

    /// Gives a record its place, if it is known.
    pub(super) fn place(&mut self, record: &Record) -> Result<StoredRecord, StoreError> {
        let uptime = i64::try_from(record.uptime_ms).unwrap_or(i64::MAX);
        if record.wall_ms == 0 {
            let end_ms = self.start(record.boot)?.map(|s| s.saturating_add(uptime));
            return Ok(StoredRecord { record: *record, end_ms, placed: true });
        }
        let wall = i64::try_from(record.wall_ms).unwrap_or(i64::MAX);
        if self.start(record.boot)?.is_none() {
            self.note(record.boot, wall - uptime, StartSource::Record)?;
        }
        Ok(StoredRecord { record: *record, end_ms: Some(wall), placed: false })
    }

    /// Notes a start, and places the rows that waited for it.
    pub(super) fn note(
        &mut self,
        boot: u32,
        start_ms: i64,
        source: StartSource,
    ) -> Result<(), StoreError> {
        let db = &self.store.db;
        let sql = "INSERT OR IGNORE INTO starts VALUES (?1, ?2, ?3, ?4)";
        let noted = db.execute(sql, params![self.node, boot, start_ms, source.word()]);
        if noted.map_err(|e| self.store.sql(e))? == 0 {
            return Ok(());
        }
        self.known.insert(boot, Some(start_ms));
        let sql = "UPDATE tail SET end_ms = uptime_ms + ?3 \
                   WHERE node = ?1 AND boot = ?2 AND end_ms IS NULL";
        let placed = db.execute(sql, params![self.node, boot, start_ms]);
        placed.map(|_| ()).map_err(|e| self.store.sql(e))
    }
}

impl Store {
    /// Places what still has no place: finished starts of a node go between their neighbours.
    ///
    /// `present_boot` is the start that the node is in; `None` while records are still to come.
    pub fn place_finished(
        &mut self,
        id: NodeId,
        present_boot: Option<u32>,
    ) -> Result<(), StoreError> {
        self.for_writing()?;
        let node = self.key(id)?;
        let t = self.write()?;
        let waiting = self.unplaced(node)?;
        if !waiting.is_empty() {
            let newest = self.newest_boot(node)?.max(present_boot);
            let mut starts = Starts::new(self, node);
            for run in place_between(&waiting, newest, present_boot.is_some()) {
                starts.note(run.boot, run.start_ms, StartSource::Neighbours)?;
            }
        }
        t.commit().map_err(|e| self.sql(e))
    }

    fn newest_boot(&self, node: i64) -> Result<Option<u32>, StoreError> {
        let sql = "SELECT max(boot) FROM tail WHERE node = ?1";
        self.db.query_row(sql, [node], |r| r.get(0)).map_err(|e| self.sql(e))
    }

    /// Starts with rows that have no place, in order, with what is known around them.
    fn unplaced(&self, node: i64) -> Result<Vec<Unplaced>, StoreError> {
        let sql = "SELECT boot, min(seq), max(uptime_ms) FROM tail \
                   WHERE node = ?1 AND end_ms IS NULL GROUP BY boot ORDER BY boot";
        let mut statement = self.db.prepare_cached(sql).map_err(|e| self.sql(e))?;
        let rows = statement.query_map([node], |r| {
            Ok(Unplaced {
                boot: r.get(0)?,
                first_seq: r.get(1)?,
                last_uptime_ms: r.get(2)?,
                end_before_ms: None,
                next_known: None,
            })
        });
        let rows = rows.map_err(|e| self.sql(e))?;
        let mut runs: Vec<Unplaced> = rows.collect::<Result<_, _>>().map_err(|e| self.sql(e))?;
        for run in &mut runs {
            let sql =
                "SELECT end_ms FROM tail WHERE node = ?1 AND seq < ?2 ORDER BY seq DESC LIMIT 1";
            let in_tail: Option<Option<i64>> = self
                .db
                .query_row(sql, params![node, run.first_seq], |r| r.get(0))
                .optional()
                .map_err(|e| self.sql(e))?;
            let sql = "SELECT last_end_ms FROM sealed WHERE node = ?1 AND first_seq < ?2 \
                       ORDER BY first_seq DESC LIMIT 1";
            run.end_before_ms = match in_tail {
                Some(end) => end,
                None => self
                    .db
                    .query_row(sql, params![node, run.first_seq], |r| r.get(0))
                    .optional()
                    .map_err(|e| self.sql(e))?,
            };
            let sql = "SELECT boot, start_ms FROM starts WHERE node = ?1 AND boot > ?2 \
                       ORDER BY boot LIMIT 1";
            let start = |r: &rusqlite::Row<'_>| Ok(Start { boot: r.get(0)?, start_ms: r.get(1)? });
            run.next_known = self
                .db
                .query_row(sql, params![node, run.boot], start)
                .optional()
                .map_err(|e| self.sql(e))?;
        }
        Ok(runs)
    }
}
