//! Waveforms of a node's capture, calibrated, for drawing.

use super::state::Waves;
use crate::collect::link::{AnyClient, LinkError};
use std::time::Duration;
use wattless_core::settings::Settings;

/// Longest wait for a capture.
const WAIT: Duration = Duration::from_secs(2);

/// Takes a capture and calibrates it; none when the node has no capture.
pub fn fetch(client: &mut AnyClient, settings: &Settings) -> Result<Option<Waves>, LinkError> {
    let Some(captured) = client.captured(WAIT)? else { return Ok(None) };
    let calibration = settings.power.calibration.active();
    let channels = std::array::from_fn(|k| {
        let c = &calibration[k];
        let value = |n: i32| ((f64::from(n) - f64::from(c.offset_counts)) * c.gain) as f32;
        captured.frames.iter().map(|f| value(f[k])).collect()
    });
    let at_ms = jiff::Timestamp::now().as_millisecond();
    Ok(Some(Waves { step_s: captured.step_s, channels, at_ms }))
}
