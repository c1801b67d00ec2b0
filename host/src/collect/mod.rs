//! Getting data in: the link to a node, the pull, the store, waveform files.

pub mod address;
pub mod chain;
pub mod comtrade;
pub mod counts;
pub mod csv;
pub mod drift;
pub mod export;
mod flat_tops;
pub mod link;
pub mod log;
pub mod placement;
pub mod pull;
mod pull_error;
pub mod settings_file;
pub mod store;
pub mod transport;
pub mod waveform;

#[cfg(test)]
mod export_tests;
#[cfg(test)]
mod fake_node;
#[cfg(test)]
mod link_tests;
#[cfg(test)]
mod pull_tests;
