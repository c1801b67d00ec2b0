//! What the data says: readings of waveforms, the survey of a log.

pub mod measure;
pub mod survey;
