//! What the data says: the connection, readings of waveforms, the survey of a log.

pub mod bill;
pub mod hookup;
pub mod measure;
pub mod series;
pub mod survey;
pub mod tariff;
