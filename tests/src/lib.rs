//! What the checks share: waveforms and logs with a truth in closed form.

pub mod made_log;
pub mod waveform;
