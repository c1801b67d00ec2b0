#![doc = include_str!("../README.md")]
#![cfg_attr(not(any(test, feature = "wide")), no_std)]
#![forbid(unsafe_code)]

pub mod accumulate;
pub mod acquire;
pub mod calibration;
pub mod chain;
pub mod complex;
pub mod correction;
mod cutter;
pub mod demand;
pub mod distortion;
pub mod extend;
pub mod flags;
pub mod frame;
pub mod hookup;
pub mod interval;
pub mod kernel;
pub mod logger;
mod moments;
pub mod neutral;
pub mod power;
pub mod record;
pub mod response;
pub mod rogowski;
pub mod rough;
pub mod sequence;
pub mod settings;
pub mod spectrum;
pub mod spread;
mod transform;
pub mod window;
pub mod wire;
pub mod wiring;
