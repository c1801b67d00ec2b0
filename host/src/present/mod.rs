//! Results for people: numbers with their units, tables, pictures and sentences, for a terminal.
//!
//! Meaning never hangs on colour. Everything fits 80 columns and reads the same when piped.

pub mod bill;
pub mod chain;
pub mod chart;
pub mod culprit;
pub mod hookup;
pub mod live;
pub mod locale;
pub mod measured;
pub mod number;
pub mod phasor_picture;
pub mod picture;
pub mod report;
pub mod rows;
pub mod saved;
pub mod size;
pub mod survey;
pub mod text;
pub mod verify;
pub mod words;
pub mod worth;
