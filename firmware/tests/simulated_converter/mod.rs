//! A converter of the ADS131M06/M08 kind that answers SPI bit for bit, with its pins and its faults.
//! Built from the text of data sheets SBAS950B, SBAS949A and SBASAF2 alone and sharing no code
//! with the driver, so that a misreading on one side shows. What the sheets leave open is an
//! [`Options`] field.
#![allow(dead_code)]

mod chip;
mod host;
mod interface;
mod lines;

pub use chip::{Chip, Options, Source, Truth};
pub use host::{Host, Rng, disturb, driver, every_option, host_ns, rig_of};
pub use lines::{Rig, SimulatedDelay, SimulatedReady, SimulatedReset, SimulatedSpi};
