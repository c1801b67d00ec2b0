//! Waveforms of a node's capture, calibrated, for drawing.

use crate::collect::link::{AnyClient, LinkError};
use std::time::{Duration, Instant};
use wattless_core::settings::Settings;

/// Longest wait for a capture.
const WAIT: Duration = Duration::from_secs(2);

/// Six channels in V or A with the seconds between two points; none when the node has no capture.
pub type Fetched = Option<(f64, [Vec<f32>; 6])>;

/// Takes a capture and fetches it.
pub fn fetch(client: &mut AnyClient, settings: &Settings) -> Result<Fetched, LinkError> {
    let info = match client.capture() {
        Ok(info) => info,
        Err(e) if e.refusal().is_some() => return Ok(None),
        Err(e) => return Err(e),
    };
    let mut channels: [Vec<f32>; 6] = Default::default();
    let gains = settings.power.calibration.active().each_ref().map(|c| (c.gain, c.offset_counts));
    let begin = Instant::now();
    let mut from = 0;
    while from < info.frames {
        let slice = match client.read_capture(info.capture, from) {
            Ok(slice) => slice,
            Err(e) if e.refusal().is_some() => {
                // Not full yet, or another client's capture has taken its place.
                if begin.elapsed() > WAIT {
                    return Ok(None);
                }
                std::thread::sleep(Duration::from_millis(20));
                continue;
            }
            Err(e) => return Err(e),
        };
        let frames = slice.counts.chunks_exact(18);
        if frames.len() == 0 {
            return Ok(None);
        }
        from = slice.from.saturating_add(u16::try_from(frames.len()).unwrap_or(u16::MAX));
        for frame in frames {
            for ((channel, bytes), (gain, offset)) in
                channels.iter_mut().zip(frame.chunks_exact(3)).zip(&gains)
            {
                let [a, b, c] = [bytes[0], bytes[1], bytes[2]];
                let count = i32::from_le_bytes([0, a, b, c]) >> 8;
                channel.push(((f64::from(count) - f64::from(*offset)) * gain) as f32);
            }
        }
    }
    Ok(Some((1e3 / f64::from(info.sample_rate_mhz.max(1)), channels)))
}
