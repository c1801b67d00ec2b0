//! What can go wrong with a store.

use super::catalogue::FORMAT;
use super::node::NodeId;
use std::io;
use std::path::PathBuf;

/// Why a store cannot do what was asked.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// The folder holds no store.
    #[error("{} is not a store; name the folder that `wattless pull` fills", .folder.display())]
    NotAStore {
        /// The folder.
        folder: PathBuf,
    },
    /// The folder holds other things.
    #[error(
        "{} holds other files and is not a store; name a new or empty folder",
        .folder.display()
    )]
    Occupied {
        /// The folder.
        folder: PathBuf,
    },
    /// A program of a later version made the store.
    #[error(
        "{}: the store has format {found}, this program knows up to {FORMAT}; \
         use a wattless as new as the one that wrote it (nothing was changed)",
        .folder.display()
    )]
    Newer {
        /// The folder.
        folder: PathBuf,
        /// The store's format.
        found: u32,
    },
    /// Another program writes into the store.
    #[error(
        "{}: another wattless writes into this store. A pull is done soon; \
         a watch pulls by itself: leave it to it, stop it first, or name another folder",
        .folder.display()
    )]
    InUse {
        /// The folder.
        folder: PathBuf,
    },
    /// The store was opened for reading.
    #[error("{}: the store is open for reading only", .folder.display())]
    ReadOnly {
        /// The folder.
        folder: PathBuf,
    },
    /// SQLite cannot.
    #[error("{}: {source}; check that the disk has room and the file is not locked", .file.display())]
    Catalogue {
        /// The catalogue.
        file: PathBuf,
        /// What SQLite says.
        source: rusqlite::Error,
    },
    /// The file system cannot.
    #[error("{}: {source}", .path.display())]
    Io {
        /// The file or folder.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// A file or table holds what no store holds.
    #[error("{}: {what}; restore it from a copy of the store", .path.display())]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        what: String,
    },
    /// The store holds no node at all.
    #[error("{}: the store holds no node yet; fill it with `wattless pull`", .folder.display())]
    NoNode {
        /// The folder.
        folder: PathBuf,
    },
    /// The store does not hold the node that was asked for.
    #[error(
        "{}: no node or feeder \"{asked}\" in this store; it holds {known}",
        .folder.display()
    )]
    NoSuchNode {
        /// The folder.
        folder: PathBuf,
        /// What was asked for.
        asked: String,
        /// What there is.
        known: String,
    },
    /// The store holds several nodes and none was named.
    #[error("{}: several nodes in this store; choose one with --node: {known}", .folder.display())]
    SeveralNodes {
        /// The folder.
        folder: PathBuf,
        /// What there is.
        known: String,
    },
    /// Records were offered out of order.
    #[error("node {node}: record {found} was offered where {wanted} or later was due")]
    Order {
        /// The node.
        node: NodeId,
        /// The record offered.
        found: u32,
        /// The first that would do.
        wanted: u32,
    },
}
