//! The course of a recording's frequency, so that its windows can be cut for what comes.
//!
//! A node knows only the windows before; where the frequency begins to move, it cuts one or two
//! windows for a frequency that is no longer there. Of a recording the windows behind are known
//! as well: read once to find the course, it is read again with windows that fit.

use wattless_core::window::{Expected, MeterConfig, Window};

/// A window cut for a frequency that was off by more, in Hz, is worth a second reading: order
/// 50 then reads low by 6 % (sinc of a fifth of a cycle). Below, a supply only wanders.
const OFF_HZ: f64 = 0.02;

/// Change of slope from one window to the next beyond which a window is marked, in Hz.
const BEND_HZ: f64 = 0.08;

/// Beyond the outermost points a course goes on as it came where its slope changes there by no
/// more than this share of it, or by no more than this, in Hz from window to window.
const STEADY_SHARE: f64 = 0.25;
const STEADY_HZ: f64 = 1e-3;

/// Frequencies at the ends of windows that follow one another.
#[derive(Clone, Debug, Default)]
struct Run {
    /// Middles of its first and last window, in frames from the start.
    from: f64,
    to: f64,
    /// Place in frames, frequency in Hz; rising places.
    points: Vec<(f64, f64)>,
}

impl Run {
    /// The first point behind a place.
    fn behind(&self, frame: f64) -> usize {
        self.points.partition_point(|p| p.0 <= frame)
    }

    /// Change of slope at a point, in Hz from window to window; that of its neighbour at the ends.
    fn second(&self, k: usize) -> f64 {
        let k = k.clamp(1, self.points.len().saturating_sub(2).max(1));
        match self.points.get(k - 1..k + 2) {
            Some([a, b, c]) => a.1 - 2.0 * b.1 + c.1,
            _ => 0.0,
        }
    }

    /// The same where the frequency moves smoothly; a step must not reach the windows about it.
    fn curve(&self, k: usize) -> f64 {
        let second = self.second(k);
        if second.abs() > BEND_HZ { 0.0 } else { second }
    }

    /// Whether a course goes on beyond a place behind which (or before which) no point lies.
    fn goes_on(&self, next: usize) -> bool {
        let p = &self.points;
        if (1..p.len()).contains(&next) {
            return true;
        }
        let k = next.clamp(1, p.len() - 1);
        let slope = p[k].1 - p[k - 1].1;
        self.second(k).abs() <= STEADY_HZ.max(STEADY_SHARE * slope.abs())
    }

    /// Frequency at a place, by a parabola through points nearby; beyond the points it goes on so,
    /// and is not known where it wanders there.
    ///
    /// A point is the mean over the window about it, which exceeds the value in its middle by
    /// a 24th of the second difference.
    fn at(&self, frame: f64) -> Option<f64> {
        let p = &self.points;
        if p.len() < 2 {
            return p.first().map(|p| p.1);
        }
        let next = self.behind(frame);
        if !self.goes_on(next) {
            return None;
        }
        let next = next.clamp(1, p.len() - 1);
        let (a, b) = (p[next - 1], p[next]);
        let u = (frame - a.0) / (b.0 - a.0);
        let bend = self.curve(next - 1) * (1.0 - u) + self.curve(next) * u;
        let bend = if (0.0..=1.0).contains(&u) { bend } else { self.curve(next) };
        Some(a.1 + (b.1 - a.1) * u - bend * (u * (1.0 - u) / 2.0 + 1.0 / 24.0))
    }

    /// Largest change of slope at the points about a place, in Hz from window to window.
    fn bend(&self, frame: f64) -> f64 {
        let next = self.behind(frame);
        self.second(next).abs().max(self.second(next.saturating_sub(1)).abs())
    }
}

/// The course of the frequency over a recording.
#[derive(Clone, Debug)]
pub struct Course {
    config: MeterConfig,
    runs: Vec<Run>,
    before: Option<Window>,
    off: bool,
}

impl Course {
    /// Nothing known yet.
    pub fn new(config: MeterConfig) -> Course {
        Course { config, runs: Vec::new(), before: None, off: false }
    }

    /// Learns from the next window.
    pub fn add(&mut self, window: &Window) {
        let start = window.begins_at();
        let middle = start + window.sums.length() / 2.0;
        let since = self.before.as_ref().and_then(|b| window.frequency_since(b, self.config));
        match (since, self.runs.last_mut()) {
            (Some(hz), Some(run)) => {
                run.points.push((start, hz));
                run.to = middle;
            }
            _ => self.runs.push(Run { from: middle, to: middle, points: Vec::new() }),
        }
        let off = |hz: f64| (hz - window.reference_hz).abs() > OFF_HZ;
        self.off |= window.frequency_hz.is_some_and(off);
        self.before = Some(*window);
    }

    /// Whether windows were cut for a frequency that was not there.
    pub fn is_worth_a_second_reading(&self) -> bool {
        self.off
    }

    fn run_at(&self, frame: f64) -> Option<&Run> {
        let window = self.config.nominal.cycles() / self.config.nominal.hz();
        let near = 0.6 * window * self.config.sample_rate_hz;
        let next = self.runs.partition_point(|r| r.to + near < frame);
        self.runs.get(next).filter(|r| r.from - near <= frame)
    }

    /// What to cut the window for that starts at a place, in frames.
    pub fn expected(&self, start: f64) -> Option<Expected> {
        let rate_hz = self.config.sample_rate_hz;
        let length = |hz: f64| self.config.nominal.cycles() / hz * rate_hz;
        let run = self.run_at(start + 0.5 * length(self.config.nominal.hz()))?;
        let from = run.at(start)?;
        let half = 0.5 * length(from);
        let (middle, to) = (run.at(start + half)?, run.at(start + 2.0 * half)?);
        // The mean over the window, by Simpson's rule.
        Some(Expected { middle_hz: (from + 4.0 * middle + to) / 6.0, change_hz: to - from })
    }

    /// Whether the frequency changed within a window in a way that it was not cut for.
    pub fn bends(&self, window: &Window) -> bool {
        let middle = window.begins_at() + window.sums.length() / 2.0;
        self.run_at(middle).is_some_and(|run| run.bend(middle) > BEND_HZ)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(points: &[(f64, f64)]) -> Run {
        Run { from: 0.0, to: 0.0, points: points.to_vec() }
    }

    #[test]
    fn frequency_between_and_beyond_points() {
        let r = run(&[(10.0, 50.0), (20.0, 51.0), (30.0, 52.0)]);
        for (frame, hz) in [(5.0, 49.5), (10.0, 50.0), (15.0, 50.5), (25.0, 51.5), (35.0, 52.5)] {
            assert_eq!(r.at(frame), Some(hz));
        }
        assert_eq!(run(&[(10.0, 50.0)]).at(99.0), Some(50.0));
        assert_eq!(run(&[]).at(1.0), None);
    }

    /// What wanders is not drawn out beyond its ends.
    #[test]
    fn a_wandering_course_ends_with_its_points() {
        let r = run(&[(10.0, 50.015), (20.0, 50.02), (30.0, 50.003), (40.0, 50.016)]);
        assert_eq!((r.at(5.0), r.at(45.0)), (None, None));
        assert!(r.at(10.0).is_some() && r.at(39.0).is_some());
    }

    /// Means over windows of a parabola give the parabola back.
    #[test]
    fn a_parabola_is_followed() {
        let f = |t: f64| 50.0 + 0.3 * t - 0.02 * t * t;
        let mean = |t: f64| f(t) - 0.02 / 12.0;
        let r = run(&[1.0, 2.0, 3.0, 4.0].map(|t| (t, mean(t))));
        for t in [0.5, 1.0, 1.25, 2.0, 3.5, 4.0, 4.75] {
            assert!((r.at(t).unwrap() - f(t)).abs() < 1e-9, "{t}: {:?} {}", r.at(t), f(t));
        }
    }

    #[test]
    fn bends_are_seen_from_both_sides() {
        let r = run(&[
            (10.0, 50.0),
            (20.0, 50.0),
            (30.0, 50.0),
            (40.0, 50.0),
            (50.0, 51.0),
            (60.0, 51.0),
            (70.0, 51.0),
        ]);
        assert_eq!(r.bend(15.0), 0.0);
        assert_eq!(r.bend(35.0), 1.0);
        assert_eq!(r.bend(55.0), 1.0);
        assert_eq!(r.bend(5.0), 0.0);
    }
}
