//! The SQLite file of a store: its tables, its format number, who may write.

use super::columns::{Column, Kind, Value, blank, columns, columns_since_2, meanings};
use super::tail::NEGATIVE_ZEROS;
use super::{Store, StoreError};
use rusqlite::{Connection, OpenFlags, TransactionBehavior, params};
use std::fs::{self, File, OpenOptions, TryLockError};
use std::io::Read;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

/// The store format that this version writes.
pub const FORMAT: u32 = 2;

/// The oldest store format that can be read; it is brought up to date when it is opened.
pub const OLDEST_FORMAT: u32 = 1;

/// Tells a store's catalogue from other SQLite files ("WatL" in ASCII).
const APPLICATION_ID: u32 = 0x5761_744C;

/// The catalogue's file name.
pub const CATALOGUE: &str = "catalogue.sqlite";

/// The file that a writer holds locked.
const LOCK: &str = "writer.lock";

/// A new catalogue until it is complete.
const PART: &str = "catalogue.part";

const TABLES: &str = "
CREATE TABLE nodes (
    node INTEGER PRIMARY KEY,
    node_id TEXT NOT NULL UNIQUE,
    hardware TEXT NOT NULL,
    firmware TEXT NOT NULL,
    feeder TEXT NOT NULL,
    first_seen_ms INTEGER NOT NULL,
    last_pull_ms INTEGER,
    settings_json TEXT,
    clock_offset_ms INTEGER,
    next_seq INTEGER
);
-- Wall time at which each start of a node began, and where that is known from.
CREATE TABLE starts (
    node INTEGER NOT NULL REFERENCES nodes,
    boot INTEGER NOT NULL,
    start_ms INTEGER NOT NULL,
    source TEXT NOT NULL,
    PRIMARY KEY (node, boot)
) WITHOUT ROWID;
-- Sequence numbers that will never have a record here.
CREATE TABLE gaps (
    node INTEGER NOT NULL REFERENCES nodes,
    first_seq INTEGER NOT NULL,
    last_seq INTEGER NOT NULL,
    reason TEXT NOT NULL,
    PRIMARY KEY (node, first_seq)
) WITHOUT ROWID;
CREATE TABLE sealed (
    node INTEGER NOT NULL REFERENCES nodes,
    first_seq INTEGER NOT NULL,
    last_seq INTEGER NOT NULL,
    day TEXT NOT NULL,
    record_count INTEGER NOT NULL,
    min_end_ms INTEGER NOT NULL,
    max_end_ms INTEGER NOT NULL,
    last_end_ms INTEGER NOT NULL,
    file TEXT NOT NULL UNIQUE,
    size_bytes INTEGER NOT NULL,
    crc32 INTEGER NOT NULL,
    PRIMARY KEY (node, first_seq)
) WITHOUT ROWID;
-- What codes and flag bits in the columns stand for, and what the columns mean.
CREATE TABLE meanings (column_name TEXT, code INTEGER, name TEXT, meaning TEXT);
";

/// How each node's clock stood against the host's, at each pull.
const CLOCKS: &str = "
CREATE TABLE clocks (
    node INTEGER NOT NULL REFERENCES nodes,
    host_ms INTEGER NOT NULL,
    boot INTEGER NOT NULL,
    uptime_ms INTEGER NOT NULL,
    offset_ms INTEGER,
    round_trip_us INTEGER NOT NULL,
    was_set INTEGER NOT NULL,
    PRIMARY KEY (node, host_ms)
) WITHOUT ROWID;
";

/// Name and type of a column in the table of records that are not sealed yet.
fn tail_column(c: &Column) -> String {
    let kind = if c.kind == Kind::Real { "REAL" } else { "INTEGER" };
    // SQLite keeps not-a-number as NULL, and an end that cannot be told yet is NULL.
    let may_be_null = c.kind == Kind::Real || c.kind == Kind::Time;
    format!("{} {kind}{}", c.name, if may_be_null { "" } else { " NOT NULL" })
}

/// The table of records that are not sealed yet.
fn tail_table() -> String {
    let all: String = columns().map(|c| format!("    {},\n", tail_column(c))).collect();
    format!(
        "CREATE TABLE tail (\n    node INTEGER NOT NULL REFERENCES nodes,\n{all}    \
         {NEGATIVE_ZEROS} INTEGER NOT NULL,\n    PRIMARY KEY (node, seq)\n) WITHOUT ROWID;\n\
         CREATE INDEX tail_unplaced ON tail (node, boot) WHERE end_ms IS NULL;\n\
         CREATE INDEX tail_end ON tail (node, end_ms);\n"
    )
}

/// Makes a new catalogue; the file appears complete or not at all.
fn make(folder: &Path) -> Result<(), StoreError> {
    let part = folder.join(PART);
    let sql = |source| StoreError::Catalogue { file: part.clone(), source };
    for leftover in [PART, "catalogue.part-wal", "catalogue.part-shm", "catalogue.part-journal"] {
        let _ = fs::remove_file(folder.join(leftover));
    }
    let mut db = Connection::open(&part).map_err(sql)?;
    let t = db.transaction().map_err(sql)?;
    t.execute_batch(TABLES).map_err(sql)?;
    t.execute_batch(CLOCKS).map_err(sql)?;
    t.execute_batch(&tail_table()).map_err(sql)?;
    note_meanings(&t).map_err(sql)?;
    t.pragma_update(None, "application_id", APPLICATION_ID).map_err(sql)?;
    t.pragma_update(None, "user_version", FORMAT).map_err(sql)?;
    t.commit().map_err(sql)?;
    db.pragma_update(None, "journal_mode", "WAL").map_err(sql)?;
    db.close().map_err(|(_, e)| sql(e))?;
    let io = |source| StoreError::Io { path: part.clone(), source };
    File::open(&part).and_then(|f| f.sync_all()).map_err(io)?;
    fs::rename(&part, folder.join(CATALOGUE)).map_err(io)?;
    sync_folder(folder)
}

/// Fills the table that explains codes, flag bits and columns to readers of the tables.
fn note_meanings(db: &Connection) -> rusqlite::Result<()> {
    db.execute("DELETE FROM meanings", [])?;
    for (column, code, name, meaning) in meanings() {
        let sql = "INSERT INTO meanings VALUES (?1, ?2, ?3, ?4)";
        db.execute(sql, params![column, code, name, meaning])?;
    }
    let explain = "INSERT INTO meanings VALUES (?1, NULL, NULL, ?2)";
    for c in columns() {
        db.execute(explain, params![c.name, c.meaning])?;
    }
    let zeros = "bit k stands for the k-th REAL column and says that its zero is a negative one";
    db.execute(explain, params![NEGATIVE_ZEROS, zeros]).map(|_| ())
}

/// Brings a catalogue of format 1 up to date, whole or not at all; its records keep their bytes.
fn upgrade(db: &mut Connection) -> rusqlite::Result<()> {
    let t = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
    // Another program may have done it meanwhile.
    let found: u32 = t.pragma_query_value(None, "user_version", |r| r.get(0))?;
    if found >= FORMAT {
        return Ok(());
    }
    t.execute_batch(CLOCKS)?;
    for c in columns_since_2() {
        let default = match ((c.get)(&blank()), c.kind) {
            (Value::Int(x), _) => format!(" DEFAULT {x}"),
            _ => String::new(),
        };
        t.execute_batch(&format!("ALTER TABLE tail ADD COLUMN {}{default}", tail_column(c)))?;
    }
    note_meanings(&t)?;
    t.pragma_update(None, "user_version", FORMAT)?;
    t.commit()
}

/// Makes what was created or renamed in a folder last.
pub(super) fn sync_folder(folder: &Path) -> Result<(), StoreError> {
    // Only Unix lets a folder be opened and synced; elsewhere the file system orders this itself.
    if !cfg!(unix) {
        return Ok(());
    }
    let synced = File::open(folder).and_then(|f| f.sync_all());
    synced.map_err(|source| StoreError::Io { path: folder.to_owned(), source })
}

/// Reads kind and format from the file's first bytes, so that a foreign file stays untouched.
fn check_header(folder: &Path) -> Result<(), StoreError> {
    let path = folder.join(CATALOGUE);
    let mut head = [0u8; 100];
    let read = File::open(&path).and_then(|mut f| f.read_exact(&mut head));
    let number = |at: usize| {
        let bytes = head.get(at..).and_then(|b| b.first_chunk()).copied();
        u32::from_be_bytes(bytes.unwrap_or_default())
    };
    let (format, application) = (number(60), number(68));
    if read.is_err() || !head.starts_with(b"SQLite format 3\0") || application != APPLICATION_ID {
        return Err(StoreError::NotAStore { folder: folder.to_owned() });
    }
    check_format(folder, format)
}

fn check_format(folder: &Path, found: u32) -> Result<(), StoreError> {
    match found {
        OLDEST_FORMAT..=FORMAT => Ok(()),
        _ if found > FORMAT => Err(StoreError::Newer { folder: folder.to_owned(), found }),
        _ => Err(StoreError::NotAStore { folder: folder.to_owned() }),
    }
}

impl Store {
    /// Opens a store for reading; several programs may, also while one writes.
    pub fn open(folder: impl AsRef<Path>) -> Result<Store, StoreError> {
        let folder = folder.as_ref();
        if !folder.join(CATALOGUE).is_file() {
            return Err(StoreError::NotAStore { folder: folder.to_owned() });
        }
        Store::open_catalogue(folder, None)
    }

    /// Opens a store for writing, or makes it; one program at a time.
    pub fn create(folder: impl AsRef<Path>) -> Result<Store, StoreError> {
        let folder = folder.as_ref();
        let io = |source| StoreError::Io { path: folder.to_owned(), source };
        let is_new = !folder.join(CATALOGUE).exists();
        if is_new {
            fs::create_dir_all(folder).map_err(io)?;
            for entry in fs::read_dir(folder).map_err(io)? {
                let name = entry.map_err(io)?.file_name();
                let ours = name == LOCK || name.to_string_lossy().starts_with(PART);
                if !ours {
                    return Err(StoreError::Occupied { folder: folder.to_owned() });
                }
            }
        } else {
            check_header(folder)?;
        }
        let path = folder.join(LOCK);
        let opened = OpenOptions::new().create(true).truncate(false).write(true).open(&path);
        let lock = opened.map_err(|source| StoreError::Io { path: path.clone(), source })?;
        match lock.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                return Err(StoreError::InUse { folder: folder.to_owned() });
            }
            Err(TryLockError::Error(source)) => return Err(StoreError::Io { path, source }),
        }
        if !folder.join(CATALOGUE).exists() {
            make(folder)?;
        }
        Store::open_catalogue(folder, Some(Arc::new(lock)))
    }

    /// Another handle of the same store, for another thread; it may write if this one may.
    ///
    /// Transactions of several handles wait for each other, for as long as one takes.
    pub fn another(&self) -> Result<Store, StoreError> {
        Store::open_catalogue(&self.folder, self.lock.clone())
    }

    fn open_catalogue(folder: &Path, lock: Option<Arc<File>>) -> Result<Store, StoreError> {
        check_header(folder)?;
        let file = folder.join(CATALOGUE);
        let sql = |source| StoreError::Catalogue { file: file.clone(), source };
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let mut db = Connection::open_with_flags(&file, flags).map_err(sql)?;
        db.busy_timeout(Duration::from_secs(10)).map_err(sql)?;
        // The header in the file is older than a write-ahead log beside it.
        let found = db.pragma_query_value(None, "user_version", |r| r.get(0)).map_err(sql)?;
        check_format(folder, found)?;
        if found < FORMAT {
            upgrade(&mut db).map_err(sql)?;
        }
        db.pragma_update(None, "synchronous", "FULL").map_err(sql)?;
        db.pragma_update(None, "foreign_keys", true).map_err(sql)?;
        db.set_prepared_statement_cache_capacity(32);
        if lock.is_none() {
            db.pragma_update(None, "query_only", true).map_err(sql)?;
        }
        Ok(Store {
            folder: folder.to_owned(),
            db,
            lock,
            #[cfg(test)]
            stop_at: None,
        })
    }
}
