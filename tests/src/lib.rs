//! What the checks share: waveforms and logs with a truth in closed form, the program itself.

pub mod feeder_year;
pub mod made_log;
pub mod program;
pub mod waveform;
