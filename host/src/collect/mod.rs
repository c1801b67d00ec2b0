//! Getting data in: the link to a node, the pull, the store, waveform files.

pub mod comtrade;
pub mod counts;
pub mod csv;
pub mod log;
pub mod waveform;
