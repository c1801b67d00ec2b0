//! What a log means: the survey of demand, energy and power factor.

pub mod survey;
