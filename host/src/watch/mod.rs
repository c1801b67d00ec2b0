//! Permanent monitoring of feeders: pulls on a schedule, alarms, a page.
//!
//! [`config`] says what is wanted; a [`station`] attends to one node and judges its records with
//! the rules of [`alarm`]; [`state`] is what is known now; [`diary`] writes down what changed.

pub mod alarm;
pub mod config;
pub mod diary;
mod integrity;
pub mod mqtt;
pub mod page;
mod proving;
pub mod running;
pub mod state;
pub mod station;
pub mod waves;
pub mod whose;
