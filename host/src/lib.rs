//! From a feeder's log to the power-factor decision, as a library.
//!
//! The way of the data: [`mod@bench`] (a simulated feeder and node) or a real node
//! → [`collect`] (link, pull, store, waveform files) → [`analyse`] (measure,
//! survey) → [`present`] (numbers for people). The program in `main.rs` adds
//! arguments, printing and exit codes, nothing else.
#![forbid(unsafe_code)]

pub mod analyse;
pub mod bench;
pub mod collect;
pub mod present;
pub mod site;
pub mod watch;
