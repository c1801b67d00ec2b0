//! What the data says: the connection, readings of waveforms, the survey of a log, and what
//! they are worth.

pub mod harmonics;
pub mod calibrate;
pub mod hookup;
pub mod measure;
pub mod survey;
pub mod uncertainty;
