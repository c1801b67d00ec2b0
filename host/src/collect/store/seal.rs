//! Sealing: a finished day leaves the tail and becomes an immutable file, at no instant lost or double.
//!
//! The file is written under a temporary name, synced, named, its folder synced; then one
//! transaction lists it and deletes the rows. A file that is not listed does not exist for
//! the store: it is what a stop on the way left, and the next sealing overwrites it.

use super::columns::StoredRecord;
use super::node::NodeId;
use super::{Point, Store, StoreError, catalogue, sealed};
use rusqlite::params;
use std::fs::{self, File};
use std::io::Write;
use std::path::Path;

/// Milliseconds of a UTC day.
const DAY_MS: i64 = 86_400_000;

/// The folder of sealed days within a store.
const SEALED: &str = "sealed";

/// What a sealing did.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Sealed {
    /// Files written.
    pub files: u64,
    /// Records in them.
    pub records: u64,
}

/// The UTC day of a time, in days since 1970.
pub(super) fn day_number(end_ms: i64) -> i64 {
    end_ms.div_euclid(DAY_MS)
}

/// The UTC day of a time as year, month and day.
fn day_name(end_ms: i64) -> String {
    let time = jiff::Timestamp::from_millisecond(end_ms).unwrap_or_default();
    time.strftime("%Y-%m-%d").to_string()
}

impl Store {
    /// Seals the finished days of a node: those after which records of another day follow.
    pub fn seal_finished(&mut self, id: NodeId) -> Result<Sealed, StoreError> {
        self.for_writing()?;
        let node = self.key(id)?;
        let mut done = Sealed::default();
        while let Some((first, last)) = self.finished_run(node)? {
            let rows = self.tail_rows(node, first, last)?;
            self.seal_rows(id, node, &rows, true)?;
            done.files += 1;
            done.records += rows.len() as u64;
        }
        Ok(done)
    }

    /// The oldest records of the tail that lie on one day, if records of another day follow.
    ///
    /// Nothing is sealed past a record that has no place yet.
    fn finished_run(&self, node: i64) -> Result<Option<(u32, u32)>, StoreError> {
        let sql = "SELECT seq, end_ms FROM tail WHERE node = ?1 ORDER BY seq";
        let mut statement = self.db.prepare_cached(sql).map_err(|e| self.sql(e))?;
        let mut rows = statement.query([node]).map_err(|e| self.sql(e))?;
        let mut run: Option<(i64, u32, u32)> = None;
        while let Some(row) = rows.next().map_err(|e| self.sql(e))? {
            let seq = row.get(0).map_err(|e| self.sql(e))?;
            let Some(end) = row.get::<_, Option<i64>>(1).map_err(|e| self.sql(e))? else {
                return Ok(None);
            };
            let day = day_number(end);
            match &mut run {
                None => run = Some((day, seq, seq)),
                Some((same, _, last)) if *same == day => *last = seq,
                Some((_, first, last)) => return Ok(Some((*first, *last))),
            }
        }
        Ok(None)
    }

    /// Writes rows of one day as a sealed file and lists it.
    pub(super) fn seal_rows(
        &mut self,
        id: NodeId,
        node: i64,
        rows: &[StoredRecord],
        from_tail: bool,
    ) -> Result<(), StoreError> {
        let (Some(first), Some(last)) = (rows.first(), rows.last()) else { return Ok(()) };
        let ends = || rows.iter().filter_map(|r| r.end_ms);
        let (Some(min), Some(max), Some(last_end)) = (ends().min(), ends().max(), last.end_ms)
        else {
            return Ok(());
        };
        let (first_seq, last_seq, day) = (first.record.seq, last.record.seq, day_name(min));
        let name = format!("{day}_{first_seq}-{last_seq}.parquet");
        let relative = format!("{SEALED}/{id}/{name}");
        let path = self.folder.join(&relative);
        let bytes = sealed::encode(rows, id, &day).map_err(|source| StoreError::Damaged {
            path: path.clone(),
            what: source.to_string(),
        })?;
        self.write_whole(&path, &bytes)?;
        let t = self.write()?;
        let listed = t.execute(
            "INSERT INTO sealed VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)",
            params![
                node,
                first_seq,
                last_seq,
                day,
                i64::try_from(rows.len()).unwrap_or(i64::MAX),
                min,
                max,
                last_end,
                relative,
                i64::try_from(bytes.len()).unwrap_or(i64::MAX),
                sealed::CHECKSUM.checksum(&bytes),
            ],
        );
        listed.map_err(|e| self.sql(e))?;
        if from_tail {
            let sql = "DELETE FROM tail WHERE node = ?1 AND seq BETWEEN ?2 AND ?3";
            let gone =
                t.execute(sql, params![node, first_seq, last_seq]).map_err(|e| self.sql(e))?;
            if gone != rows.len() {
                let what = format!("{gone} rows where {} were sealed", rows.len());
                return Err(StoreError::Damaged { path: self.folder.join(super::CATALOGUE), what });
            }
        } else {
            self.set_cursor(node, last_seq.saturating_add(1))?;
        }
        self.passes(Point::Listed)?;
        t.commit().map_err(|e| self.sql(e))?;
        self.passes(Point::SealCommitted)
    }

    /// Writes a file so that it has its name only when all of it is on the disk.
    fn write_whole(&self, path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
        let io = |path: &Path, source| StoreError::Io { path: path.to_owned(), source };
        let folder = path.parent().unwrap_or(&self.folder);
        if !folder.is_dir() {
            fs::create_dir_all(folder).map_err(|e| io(folder, e))?;
            catalogue::sync_folder(&self.folder)?;
            catalogue::sync_folder(&self.folder.join(SEALED))?;
        }
        let part = path.with_extension("part");
        let mut file = File::create(&part).map_err(|e| io(&part, e))?;
        let (half, rest) = bytes.split_at(bytes.len() / 2);
        file.write_all(half).map_err(|e| io(&part, e))?;
        self.passes(Point::HalfWritten)?;
        file.write_all(rest).and_then(|()| file.sync_all()).map_err(|e| io(&part, e))?;
        self.passes(Point::Synced)?;
        drop(file);
        fs::rename(&part, path).map_err(|e| io(path, e))?;
        self.passes(Point::Renamed)?;
        catalogue::sync_folder(folder)
    }
}
