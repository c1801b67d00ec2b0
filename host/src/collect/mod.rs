//! Getting data in: the link to a node, the pull, the store, waveform files.

pub mod address;
pub mod comtrade;
pub mod counts;
pub mod csv;
pub mod export;
pub mod link;
pub mod log;
pub mod node_settings;
pub mod placement;
pub mod pull;
pub mod store;
pub mod transport;
pub mod waveform;

#[cfg(test)]
mod fake_node;
#[cfg(test)]
mod link_tests;
#[cfg(test)]
mod pull_tests;
