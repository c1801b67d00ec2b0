//! Results for people: numbers with their units, tables, pictures and sentences, for a terminal.
//!
//! Meaning never hangs on colour. Everything fits 80 columns and reads the same when piped.

pub mod chart;
pub mod hookup;
pub mod locale;
pub mod number;
pub mod phasor_picture;
pub mod picture;
pub mod report;
pub mod survey;
pub mod text;
pub mod words;
