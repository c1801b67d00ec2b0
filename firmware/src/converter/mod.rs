//! The sampling converter: 24 bits, six or eight channels at the same instant, on SPI.
//! From its words to frames of counts with every loss counted; volts and amperes are not known here.
//!
//! Written for Texas Instruments ADS131M08 (data sheet SBAS950B, revised February 2021) and
//! ADS131M06 (SBAS949A, revised February 2021; register table also in SBASAF2, August 2022).
//! Where a comment says "not stated", these sources are silent and nothing relies on a guess.
//!
//! | file | concern |
//! |---|---|
//! | [`registers`] | what the bits of the registers mean |
//! | [`frames`] | bytes to send, bytes that came: pure functions, for SPI by polling or by DMA |
//! | [`setup`] | what is asked of the part, checked, and what follows from it (rate, volts per count, delay) |
//! | [`monitor`] | which frames are new, which are lost, when to start over |
//! | [`driver`] | start-up and reading over `embedded-hal` |
//!
//! # Reading by DMA
//! Start with [`driver::Converter::start`], take it apart with
//! [`driver::Converter::into_parts`] and keep its [`monitor::Monitor`]. On every falling edge of
//! data ready take the time, exchange [`monitor::Monitor::frame_to_send`] for as many bytes, wait
//! [`driver::PIN_SETTLE_US`], look at the level of data ready, and hand all of it to
//! [`monitor::Monitor::take`]. Exchange frames at no other time: each one takes a sample away.

pub mod driver;
pub mod frames;
pub mod monitor;
pub mod registers;
pub mod setup;

pub use driver::{Converter, ServiceError, StartError};
pub use frames::{Command, ConverterFrame, FrameError, command_frame, parse_frame};
pub use monitor::{Event, Events, Monitor, Reason, Taken};
pub use registers::{CrcKind, Gain, Osr, Part, Status};
pub use setup::{ChannelSetup, Lead, PhaseSplit, Setup, SetupError, SlotMap};
