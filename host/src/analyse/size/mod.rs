//! Candidate corrections replayed over a log, billed, checked against limits, and ranked.

pub mod prices;
pub mod replay;
