#![doc = include_str!("../README.md")]
#![cfg_attr(not(test), no_std)]
#![forbid(unsafe_code)]

pub mod clock;
pub mod converter;
pub mod flash;
pub mod handover;
pub mod keeper;
pub mod light;
pub mod link;
pub mod node;
pub mod ring;
pub mod sampler;
pub mod settings;
