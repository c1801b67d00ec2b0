//! Why a pull ends early.

use super::link::LinkError;
use super::store::{NodeId, StoreError};
use wattless_core::record::RecordError;

/// Why a pull ended early.
#[derive(Debug, thiserror::Error)]
pub enum PullError {
    /// The link.
    #[error(transparent)]
    Link(#[from] LinkError),
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The node writes records of a format that is not known here.
    #[error(
        "{port}: the node writes records of format {found}, this program knows format {known}; {}",
        if found > known { "use a wattless as new as the node" } else { "update the node" }
    )]
    RecordVersion {
        /// The node's address.
        port: String,
        /// The node's format.
        found: u8,
        /// This program's format.
        known: u8,
    },
    /// A page is not a record.
    #[error(
        "{port}: record {seq}: {source}; nothing of this answer was stored. \
         Try again, and look at the node's storage if it stays"
    )]
    Page {
        /// The node's address.
        port: String,
        /// The record that was due.
        seq: u32,
        /// What is wrong with it.
        source: RecordError,
    },
    /// A record holds something that this version would lose.
    #[error(
        "{port}: record {seq} holds values that this program does not know; \
         nothing of this answer was stored. Use a wattless as new as the node"
    )]
    UnknownContent {
        /// The node's address.
        port: String,
        /// The record.
        seq: u32,
    },
    /// A record is not the one that was due.
    #[error(
        "{port}: asked for records from {from} on, got record {found}; \
         nothing of this answer was stored. Try again, and restart the node if it stays"
    )]
    WrongRecord {
        /// The node's address.
        port: String,
        /// What was asked for.
        from: u32,
        /// What came.
        found: u32,
    },
    /// The node's log ends before what is stored already.
    #[error(
        "{port}: node {node} is at record {next}, but the store already holds its records \
         up to {stored}: its log was erased or replaced. Nothing was changed; \
         pull into a new store, and keep the old one"
    )]
    LogRestarted {
        /// The node's address.
        port: String,
        /// The node.
        node: NodeId,
        /// The node's next record.
        next: u32,
        /// The last record stored.
        stored: u32,
    },
    /// Another node has come to the other end of a link that stayed open.
    #[error(
        "{port}: node {found} answers where node {expected} did; \
         nothing of it was stored. Check which node the cable leads to"
    )]
    OtherNode {
        /// The address.
        port: String,
        /// The node that the link was opened to.
        expected: NodeId,
        /// The node that answers now.
        found: NodeId,
    },
    /// The node's log is not the one that is stored.
    #[error(
        "{port}: record {seq} of node {node} is another than the one in the store: \
         its log was erased and has grown again. Nothing was changed; \
         pull into a new store, and keep the old one"
    )]
    OtherLog {
        /// The node's address.
        port: String,
        /// The node.
        node: NodeId,
        /// The record that differs.
        seq: u32,
    },
}
