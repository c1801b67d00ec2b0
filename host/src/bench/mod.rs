//! The bench: a simulated feeder with its loads, and a simulated node that watches it.
//!
//! The way of the data: [`scenario`] file → [`calendar`] and [`timeline`] → [`feeder`] (phasors
//! at every time) and [`truth`] → [`sensors`] and [`wave`] (frames of counts) → the node's own
//! program, [`run`] as fast as the machine goes or [`serve`]d in real time.

pub mod calendar;
pub mod chance;
pub mod control;
pub mod feeder;
pub mod flash;
pub mod loads;
pub mod motor;
pub mod phasor;
pub mod port;
pub mod run;
pub mod scenario;
pub mod sensors;
pub mod serve;
pub mod supply;
pub mod timeline;
pub mod truth;
pub mod wave;

pub use run::{BenchReport, RunError, Setup};
pub use scenario::{Scenario, ScenarioError};
