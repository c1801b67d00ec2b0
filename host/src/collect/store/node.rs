//! The nodes of a store: who they are, where the next pull begins, which one is meant.

use super::{Store, StoreError};
use crate::collect::drift::ClockNote;
use rusqlite::{OptionalExtension, Row, Transaction, params};
use std::fmt;
use std::str::FromStr;
use wattless_core::settings::Settings;
use wattless_core::wire::Identity;

/// The unique number of a node, written as 16 hexadecimal digits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct NodeId(pub u64);

impl fmt::Display for NodeId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:016x}", self.0)
    }
}

impl FromStr for NodeId {
    type Err = std::num::ParseIntError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        u64::from_str_radix(text, 16).map(NodeId)
    }
}

/// What a store knows about a node.
#[derive(Clone, Debug, PartialEq)]
pub struct NodeInfo {
    /// Its unique number.
    pub id: NodeId,
    /// Kind of hardware, or "bench".
    pub hardware: String,
    /// Version of its program.
    pub firmware: String,
    /// What it is connected to.
    pub feeder: String,
    /// When it first came into this store, Unix milliseconds.
    pub first_seen_ms: i64,
    /// When it was last pulled, Unix milliseconds.
    pub last_pull_ms: Option<i64>,
    /// Its settings at the last pull, as JSON.
    pub settings_json: Option<String>,
    /// Its clock minus the host's at the last pull, in milliseconds; `None` without a clock.
    pub clock_offset_ms: Option<i64>,
    /// The next sequence number wanted; `None` before the first pull.
    pub next_seq: Option<u32>,
}

impl NodeInfo {
    /// Settings at the last pull, if they were read and are known to this version.
    pub fn settings(&self) -> Option<Settings> {
        serde_json::from_str(self.settings_json.as_deref()?).ok()
    }
}

/// Nodes with their feeders, for messages.
fn list(nodes: &[NodeInfo]) -> String {
    let line = |n: &NodeInfo| match n.feeder.as_str() {
        "" => format!("{} (feeder without a name)", n.id),
        feeder => format!("{} (\"{feeder}\")", n.id),
    };
    nodes.iter().map(line).collect::<Vec<_>>().join(", ")
}

const SELECT: &str = "SELECT node_id, hardware, firmware, feeder, first_seen_ms, last_pull_ms, \
                      settings_json, clock_offset_ms, next_seq, node FROM nodes";

const CLOCKS: &str =
    "SELECT host_ms, boot, uptime_ms, offset_ms, round_trip_us, was_set FROM clocks";

fn clock_note(r: &Row<'_>) -> rusqlite::Result<ClockNote> {
    Ok(ClockNote {
        host_ms: r.get(0)?,
        boot: r.get(1)?,
        uptime_ms: u64::try_from(r.get::<_, i64>(2)?).unwrap_or(0),
        offset_ms: r.get(3)?,
        round_trip_us: r.get(4)?,
        was_set: r.get(5)?,
    })
}

fn read(row: &Row<'_>) -> rusqlite::Result<NodeInfo> {
    let id: String = row.get(0)?;
    let id = id.parse().map_err(|e| {
        rusqlite::Error::FromSqlConversionFailure(0, rusqlite::types::Type::Text, Box::new(e))
    })?;
    Ok(NodeInfo {
        id,
        hardware: row.get(1)?,
        firmware: row.get(2)?,
        feeder: row.get(3)?,
        first_seen_ms: row.get(4)?,
        last_pull_ms: row.get(5)?,
        settings_json: row.get(6)?,
        clock_offset_ms: row.get(7)?,
        next_seq: row.get(8)?,
    })
}

impl Store {
    /// All nodes of the store, in order of their numbers.
    pub fn nodes(&self) -> Result<Vec<NodeInfo>, StoreError> {
        let sql = format!("{SELECT} ORDER BY node_id");
        let mut statement = self.db.prepare_cached(&sql).map_err(|e| self.sql(e))?;
        let rows = statement.query_map([], read).map_err(|e| self.sql(e))?;
        rows.collect::<Result<_, _>>().map_err(|e| self.sql(e))
    }

    /// What the store knows about a node; `None` when it does not know it.
    pub fn node(&self, id: NodeId) -> Result<Option<NodeInfo>, StoreError> {
        let sql = format!("{SELECT} WHERE node_id = ?1");
        let found = self.db.query_row(&sql, [id.to_string()], read).optional();
        found.map_err(|e| self.sql(e))
    }

    /// Finds the node that is meant: by number, by feeder name, or the only one there is.
    pub fn choose(&self, asked: Option<&str>) -> Result<NodeInfo, StoreError> {
        let mut nodes = self.nodes()?;
        let folder = self.folder.clone();
        if nodes.is_empty() {
            return Err(StoreError::NoNode { folder });
        }
        let Some(asked) = asked else {
            return match nodes.len() {
                1 => Ok(nodes.remove(0)),
                _ => Err(StoreError::SeveralNodes { folder, known: list(&nodes) }),
            };
        };
        let known = list(&nodes);
        let id: Option<NodeId> = asked.parse().ok();
        if let Some(by_number) = nodes.iter().find(|n| Some(n.id) == id) {
            return Ok(by_number.clone());
        }
        nodes.retain(|n| n.feeder == asked);
        match nodes.len() {
            0 => Err(StoreError::NoSuchNode { folder, asked: asked.to_owned(), known }),
            1 => Ok(nodes.remove(0)),
            _ => Err(StoreError::SeveralNodes { folder, known: list(&nodes) }),
        }
    }

    /// Notes a node, or what is new about it.
    pub fn meet(
        &mut self,
        identity: &Identity,
        settings: &Settings,
        now_ms: i64,
    ) -> Result<NodeId, StoreError> {
        self.for_writing()?;
        let id = NodeId(identity.node_id);
        let json = serde_json::to_string(settings).ok();
        let met = self.db.execute(
            "INSERT INTO nodes (node_id, hardware, firmware, feeder, first_seen_ms, settings_json) \
             VALUES (?1, ?2, ?3, ?4, ?5, ?6) ON CONFLICT (node_id) DO UPDATE SET \
             hardware = ?2, firmware = ?3, feeder = ?4, settings_json = ?6",
            params![
                id.to_string(),
                identity.hardware.as_str(),
                identity.firmware.as_str(),
                settings.feeder.as_str(),
                now_ms,
                json
            ],
        );
        met.map_err(|e| self.sql(e))?;
        Ok(id)
    }

    /// Notes that a node was pulled, and how its clock stood against the host's.
    pub fn note_pull(
        &mut self,
        id: NodeId,
        now_ms: i64,
        clock: Option<&ClockNote>,
    ) -> Result<(), StoreError> {
        self.for_writing()?;
        let node = self.key(id)?;
        let t = self.write()?;
        let noted = t.execute(
            "UPDATE nodes SET last_pull_ms = ?2, clock_offset_ms = ?3 WHERE node_id = ?1",
            params![id.to_string(), now_ms, clock.and_then(|c| c.offset_ms)],
        );
        noted.map_err(|e| self.sql(e))?;
        if let Some(c) = clock {
            self.thin_clock_notes(&t, node, c)?;
            let uptime = i64::try_from(c.uptime_ms).unwrap_or(i64::MAX);
            let noted = t.execute(
                "INSERT OR REPLACE INTO clocks VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
                params![node, c.host_ms, c.boot, uptime, c.offset_ms, c.round_trip_us, c.was_set],
            );
            noted.map_err(|e| self.sql(e))?;
        }
        t.commit().map_err(|e| self.sql(e))
    }

    /// Forgets the newest note where it says nothing beside the one before it and the next.
    ///
    /// A pull a minute would else leave half a million notes a year, all read at every pull.
    fn thin_clock_notes(
        &self,
        t: &Transaction<'_>,
        node: i64,
        next: &ClockNote,
    ) -> Result<(), StoreError> {
        let sql =
            format!("{CLOCKS} WHERE node = ?1 AND host_ms < ?2 ORDER BY host_ms DESC LIMIT 2");
        let mut statement = t.prepare_cached(&sql).map_err(|e| self.sql(e))?;
        let notes = statement.query_map(params![node, next.host_ms], clock_note);
        let notes: Result<Vec<_>, _> = notes.map_err(|e| self.sql(e))?.collect();
        if let [newest, before] = notes.map_err(|e| self.sql(e))?.as_slice()
            && newest.is_needless(before, next)
        {
            let sql = "DELETE FROM clocks WHERE node = ?1 AND host_ms = ?2";
            t.execute(sql, params![node, newest.host_ms]).map_err(|e| self.sql(e))?;
        }
        Ok(())
    }

    /// How a node's clock stood at the pulls, in order of time; where it ran evenly, once an hour.
    pub fn clock_notes(&self, id: NodeId) -> Result<Vec<ClockNote>, StoreError> {
        let node = self.key(id)?;
        let sql = format!("{CLOCKS} WHERE node = ?1 ORDER BY host_ms");
        let mut statement = self.db.prepare_cached(&sql).map_err(|e| self.sql(e))?;
        let rows = statement.query_map([node], clock_note);
        rows.map_err(|e| self.sql(e))?.collect::<Result<_, _>>().map_err(|e| self.sql(e))
    }

    /// The short key of a node within the tables.
    pub(super) fn key(&self, id: NodeId) -> Result<i64, StoreError> {
        let sql = "SELECT node FROM nodes WHERE node_id = ?1";
        let found = self.db.query_row(sql, [id.to_string()], |r| r.get(0)).optional();
        found.map_err(|e| self.sql(e))?.ok_or_else(|| StoreError::NoSuchNode {
            folder: self.folder.clone(),
            asked: id.to_string(),
            known: self.nodes().map(|n| list(&n)).unwrap_or_default(),
        })
    }
}
