//! What the data says: the connection, readings of waveforms, the survey of a log.

pub mod culprit;
pub mod hookup;
pub mod measure;
pub mod regression;
pub mod survey;
pub mod verify;
