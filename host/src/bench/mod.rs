//! The bench: a simulated feeder with its loads, and a simulated node that watches it.
//!
//! The way of the data: scenario file → calendar and timelines → feeder (phasors at every time,
//! and the truth) → sensors and converter (frames of counts) → the node's own program.

pub mod calendar;
pub mod chance;
pub mod control;
pub mod feeder;
pub mod loads;
pub mod motor;
pub mod phasor;
pub mod scenario;
pub mod supply;
pub mod timeline;
pub mod truth;
