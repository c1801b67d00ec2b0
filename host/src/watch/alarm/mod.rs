//! Alarms, each with the evidence that raised it.

pub mod correction;
