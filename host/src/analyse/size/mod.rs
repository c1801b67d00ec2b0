//! Candidate corrections replayed over a log, billed, checked against limits, and ranked.

pub mod candidate;
pub mod course;
pub mod economics;
pub mod prices;
pub mod replay;
pub mod supply;
