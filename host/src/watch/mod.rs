//! Permanent monitoring of feeders: pulls on a schedule, alarms, a page.

pub mod alarm;
