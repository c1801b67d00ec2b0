//! The store on the laptop: a folder with a catalogue and sealed days, appended whole or not at all.
//!
//! `catalogue.sqlite` holds the nodes, the pull cursor, the gaps and the records of unfinished
//! days; `sealed/` holds one immutable Parquet file a finished day. A record is in exactly one of
//! them, at every instant, whatever is switched off when. Getting records is left to the pull.

mod append;
mod catalogue;
mod checked;
mod columns;
mod error;
mod node;
mod pages;
mod place;
mod projected;
mod read;
mod seal;
mod sealed;
mod tail;

#[cfg(test)]
mod chain_tests;
#[cfg(test)]
mod crash_tests;
#[cfg(test)]
mod tests;

pub use append::{Appended, Batch, Gap, GapReason};
pub use catalogue::{CATALOGUE, FORMAT};
pub use columns::{Column, Kind, Of, Show, StoredRecord, Value, columns};
pub use error::StoreError;
pub use node::{NodeId, NodeInfo};
pub use place::StartSource;
pub use projected::Powers;
pub use read::{Extent, Records, Span};
pub use seal::Sealed;

use rusqlite::{Connection, Transaction, TransactionBehavior};
use std::fs::File;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// A store of interval records.
pub struct Store {
    folder: PathBuf,
    db: Connection,
    /// Held locked as long as this store, or another handle of it, may write.
    lock: Option<Arc<File>>,
    #[cfg(test)]
    stop_at: Option<Point>,
}

/// Where a power cut would find the store in the middle of something.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Point {
    /// Rows are inserted, nothing is committed.
    RowsInserted,
    /// The batch is committed.
    BatchCommitted,
    /// Half of a day's file is written under its temporary name.
    HalfWritten,
    /// All of it is, and is on the disk.
    Synced,
    /// The file has its name.
    Renamed,
    /// The file is in the catalogue and its rows are deleted, nothing is committed.
    Listed,
    /// The sealing is committed.
    SealCommitted,
}

impl Store {
    /// The store's folder.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// The error for something that SQLite could not do.
    fn sql(&self, source: rusqlite::Error) -> StoreError {
        StoreError::Catalogue { file: self.folder.join(CATALOGUE), source }
    }

    /// A transaction that writes.
    ///
    /// It takes its turn at the beginning: one that read first and then found another handle's
    /// write in between would have to fail.
    fn write(&self) -> Result<Transaction<'_>, StoreError> {
        Transaction::new_unchecked(&self.db, TransactionBehavior::Immediate)
            .map_err(|e| self.sql(e))
    }

    fn for_writing(&self) -> Result<(), StoreError> {
        match self.lock {
            Some(_) => Ok(()),
            None => Err(StoreError::ReadOnly { folder: self.folder.clone() }),
        }
    }

    /// Tests stop here, as a power cut would.
    #[cfg(test)]
    fn passes(&self, point: Point) -> Result<(), StoreError> {
        match self.stop_at {
            Some(p) if p == point => Err(StoreError::Io {
                path: self.folder.clone(),
                source: std::io::Error::other(format!("stopped at {point:?}")),
            }),
            _ => Ok(()),
        }
    }

    #[cfg(not(test))]
    #[inline]
    fn passes(&self, _point: Point) -> Result<(), StoreError> {
        Ok(())
    }
}
