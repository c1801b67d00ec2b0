//! What the data says: the connection, readings of waveforms, the survey of a log, what they are
//! worth, money.

pub mod bill;
pub mod calibrate;
mod course;
pub mod culprit;
pub mod harmonics;
pub mod hookup;
pub mod measure;
pub mod regression;
pub mod reread;
mod reread_sizes;
pub mod series;
pub mod size;
pub mod standing;
pub mod survey;
pub mod tariff;
pub mod uncertainty;
pub mod verify;
