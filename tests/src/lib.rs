//! Waveforms with a closed-form truth, for the checks of the whole.

pub mod program;
pub mod waveform;
