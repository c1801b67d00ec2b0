//! Extending a log to a month or a year by like days: how, and how sure.

/// How a load was extended.
#[derive(Clone, Debug, PartialEq)]
pub struct Extrapolation {}
