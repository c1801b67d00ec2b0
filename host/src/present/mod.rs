//! Results for people: numbers with their units, tables, pictures and sentences, for a terminal.
//!
//! Meaning never hangs on colour. Everything fits 80 columns and reads the same when piped.

pub mod chain;
pub mod hookup;
pub mod measured;
pub mod number;
pub mod phasor_picture;
pub mod picture;
pub mod survey;
pub mod text;
pub mod words;
pub mod worth;
