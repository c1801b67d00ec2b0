//! Waveforms with a closed-form truth, for the checks of the whole.

pub mod waveform;
