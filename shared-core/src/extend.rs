//! Continues a periodic stream by a few frames beyond its ends, for cuts that lie there.
//!
//! Only the first and the last window of a stream need this, and only for the
//! share of about a fifth of a frame; nothing else is ever made up.

use crate::accumulate::{CUT_FRAMES, CutFrames};
use crate::frame::{CHANNELS, Frame};

/// Frames around the start of a stream: two continued backwards, then its first three.
///
/// `None` when the stream is shorter than a period or so.
pub fn around_start(frames: &[Frame], period: f64) -> Option<CutFrames> {
    around(frames, period, 0)
}

/// Frames around the cell behind the last frame: the last two, then three continued.
pub fn around_end(frames: &[Frame], period: f64) -> Option<CutFrames> {
    around(frames, period, i64::try_from(frames.len()).ok()?)
}

fn around(frames: &[Frame], period: f64, cell: i64) -> Option<CutFrames> {
    let mut out = [Frame::ZERO; CUT_FRAMES];
    for (k, frame) in (-2i64..).zip(&mut out) {
        let n = cell + k;
        *frame = match usize::try_from(n).ok().and_then(|n| frames.get(n)) {
            Some(f) => *f,
            None => periodic(frames, period, n as f64)?,
        };
    }
    Some(out)
}

/// The frame at a place outside the stream, from whole periods further inside.
fn periodic(frames: &[Frame], period: f64, at: f64) -> Option<Frame> {
    let inside = if at < 0.0 { period } else { -period };
    let last = frames.len() as f64 - 3.0;
    let (mut best, mut best_rest) = (None, 1.0);
    let mut place = at + inside;
    // The number of periods that comes closest to a whole number of frames.
    for _ in 0..8 {
        if place >= 1.0 && place <= last {
            let nearest = libm::rint(place);
            let rest = place - nearest;
            if libm::fabs(rest) < best_rest {
                (best, best_rest) = (Some((nearest, rest)), libm::fabs(rest));
            }
        }
        place += inside;
    }
    let (nearest, rest) = best?;
    // Four points with the place between the middle two.
    let base = if rest < 0.0 { nearest - 1.0 } else { nearest };
    let t = if rest < 0.0 { rest + 1.0 } else { rest };
    let first = (base as usize).checked_sub(1)?;
    let [a, b, c, d] = frames.get(first..)?.first_chunk::<4>()?;
    let mut counts = [0i32; CHANNELS];
    let points = a.counts().iter().zip(b.counts()).zip(c.counts()).zip(d.counts());
    for (count, (((a, b), c), d)) in counts.iter_mut().zip(points) {
        let [a, b, c, d] = [a, b, c, d].map(|x| f64::from(*x));
        // Lagrange's cubic.
        let y = -a * t * (t - 1.0) * (t - 2.0) / 6.0 + b * (t + 1.0) * (t - 1.0) * (t - 2.0) / 2.0
            - c * (t + 1.0) * t * (t - 2.0) / 2.0
            + d * (t + 1.0) * t * (t - 1.0) / 6.0;
        *count = libm::rint(y) as i32;
    }
    Some(Frame::new(counts))
}

#[cfg(test)]
mod tests {
    use super::*;
    use core::f64::consts::TAU;

    #[test]
    fn a_periodic_stream_goes_on_as_it_was() {
        let period = 8000.0 / 49.3;
        let sample = |n: i64| {
            let a = TAU * (n as f64) / period;
            (3e6 * (libm::cos(a) + 0.2 * libm::cos(7.0 * a + 1.0))) as i32
        };
        let frames: Vec<Frame> = (0..800).map(|n| Frame::new([sample(n); 8])).collect();
        let near = |f: &Frame, n: i64| {
            let error = (f.counts()[0] - sample(n)).abs();
            assert!(error < 3000, "{n}: {error}");
        };
        let start = around_start(&frames, period).unwrap();
        let end = around_end(&frames, period).unwrap();
        for (k, f) in (-2i64..).zip(&start) {
            near(f, k);
        }
        for (k, f) in (798i64..).zip(&end) {
            near(f, k);
        }
        assert_eq!(around_start(&frames[..100], period), None);
        assert_eq!(around_end(&[], period), None);
    }
}
