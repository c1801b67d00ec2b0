//! What the data says: the connection, readings of waveforms, the survey of a log.

pub mod hookup;
pub mod measure;
pub mod size;
pub mod survey;
