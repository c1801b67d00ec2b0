//! Getting data in: the link to a node, the pull, the store, waveform files.

pub mod log;
