//! Interval data of the utility as CSV.
