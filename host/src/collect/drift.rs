//! How fast a node's clock runs against the host's, from the readings of several pulls.

use serde::Serialize;

/// A clock that moved faster than this against the host's was set, in parts per million.
const SET_PPM: f64 = 1000.0;

/// Least time between two readings for a drift to be told, in seconds.
const LEAST_S: f64 = 60.0;

/// A node's clock against the host's at one pull.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ClockNote {
    /// The host's time, Unix milliseconds.
    pub host_ms: i64,
    /// Number of the node's start.
    pub boot: u32,
    /// Milliseconds since that start.
    pub uptime_ms: u64,
    /// Node minus host in milliseconds; `None` without a clock.
    pub offset_ms: Option<i64>,
    /// Question and answer took this long: the reading is good to half of it.
    pub round_trip_us: u32,
    /// Whether the clock was set to the host's right after the reading.
    pub was_set: bool,
}

/// Notes of a clock that runs evenly are kept this far apart, in ms.
const KEPT_EVERY_MS: i64 = 3_600_000;

impl ClockNote {
    /// Node minus host right after the note, in ms.
    fn offset_after_ms(&self) -> Option<i64> {
        self.offset_ms.map(|o| if self.was_set { 0 } else { o })
    }

    /// Limit of the reading's error, in ms: both clocks' milliseconds, half of the travel time.
    fn error_ms(&self) -> f64 {
        1.0 + f64::from(self.round_trip_us) / 2000.0
    }

    /// Whether the clock ran by itself from here to a later note, as far as the readings tell.
    fn runs_on_to(&self, later: &ClockNote) -> bool {
        let (Some(here), Some(there)) = (self.offset_after_ms(), later.offset_ms) else {
            return false;
        };
        let between_ms = (later.host_ms - self.host_ms) as f64;
        // A step that no oscillator makes was a setting of the clock.
        let doubt_ms = self.error_ms() + later.error_ms();
        between_ms > 0.0 && ((there - here) as f64).abs() <= between_ms * SET_PPM * 1e-6 + doubt_ms
    }

    /// Whether nothing is lost without this note: the clock ran evenly, and its neighbours are near.
    pub fn is_needless(&self, before: &ClockNote, after: &ClockNote) -> bool {
        !self.was_set
            && before.boot == self.boot
            && self.boot == after.boot
            && after.host_ms - before.host_ms <= KEPT_EVERY_MS
            && before.runs_on_to(self)
            && self.runs_on_to(after)
    }
}

/// The rate of a node's clock against the host's.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Drift {
    /// Parts per million; positive when the node's clock runs fast.
    pub drift_ppm: f64,
    /// The same as seconds a day.
    pub drift_s_per_day: f64,
    /// Limit of its error by what the link's travel times allow, in parts per million.
    pub uncertainty_ppm: f64,
    /// Time between the two readings, in seconds.
    pub over_s: f64,
    /// Node minus host at the newer reading, in ms.
    pub offset_ms: i64,
}

/// The drift up to the newest reading, over the longest time in which nobody set the clock.
///
/// Readings are in order of time. `None` where fewer than two belong together, or for less than
/// a minute. Both clocks' milliseconds and half of both travel times bound the error.
pub fn drift(notes: &[ClockNote]) -> Option<Drift> {
    let (newest, earlier) = notes.split_last()?;
    let offset_ms = newest.offset_ms?;
    let mut best = None;
    let mut later = newest;
    for note in earlier.iter().rev() {
        let Some(offset) = note.offset_after_ms() else { break };
        if !note.runs_on_to(later) {
            break;
        }
        let over_ms = (newest.host_ms - note.host_ms) as f64;
        if over_ms >= LEAST_S * 1000.0 {
            let drift_ppm = (offset_ms - offset) as f64 / over_ms * 1e6;
            let doubt_ms = note.error_ms() + newest.error_ms();
            best = Some(Drift {
                drift_ppm,
                drift_s_per_day: drift_ppm * 0.0864,
                uncertainty_ppm: doubt_ms / over_ms * 1e6,
                over_s: over_ms / 1000.0,
                offset_ms,
            });
        }
        if note.was_set {
            break;
        }
        later = note;
    }
    best
}

/// A drift as people read it.
pub fn drift_text(d: &Drift) -> String {
    let days = d.over_s / 86_400.0;
    let over =
        if days >= 1.0 { format!("{days:.1} days") } else { format!("{:.1} h", d.over_s / 3600.0) };
    let known = d.uncertainty_ppm < 0.5 * d.drift_ppm.abs().max(1.0);
    let doubt = if known { "" } else { ", not yet told apart from the link's delays" };
    format!(
        "{:+.2} s a day ({:+.1} ± {:.1} ppm) over {over}{doubt}",
        d.drift_s_per_day, d.drift_ppm, d.uncertainty_ppm
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    const DAY_MS: i64 = 86_400_000;

    fn note(host_ms: i64, offset_ms: i64, was_set: bool) -> ClockNote {
        let (boot, uptime_ms) = (1, host_ms as u64);
        ClockNote {
            host_ms,
            boot,
            uptime_ms,
            offset_ms: Some(offset_ms),
            round_trip_us: 4000,
            was_set,
        }
    }

    /// 20 ppm are 1.728 s a day (86 400 s · 20·10⁻⁶).
    #[test]
    fn a_fast_clock_is_told_in_ppm_and_seconds_a_day() {
        let notes: Vec<_> = (0..8).map(|d| note(d * DAY_MS, 150 + 1728 * d, false)).collect();
        let d = drift(&notes).unwrap();
        assert!((d.drift_ppm - 20.0).abs() < 1e-9 && (d.drift_s_per_day - 1.728).abs() < 1e-9);
        assert_eq!(d.over_s, 7.0 * 86_400.0);
        // Twice half of 4 ms and a millisecond each, over a week.
        assert!((d.uncertainty_ppm - 6.0 / (7.0 * 86_400e3) * 1e6).abs() < 1e-9);
        assert!(drift_text(&d).starts_with("+1.73 s a day (+20.0 ± 0.0 ppm) over 7.0 days"));
    }

    #[test]
    fn a_clock_that_was_set_begins_anew() {
        let notes = [note(0, 90_000, true), note(DAY_MS, -864, false)];
        assert!((drift(&notes).unwrap().drift_ppm + 10.0).abs() < 1e-9);
        // Set by another program: a step of a minute in a day.
        let notes =
            [note(0, 0, false), note(DAY_MS, 60_000 * 5, false), note(2 * DAY_MS, 300_864, false)];
        let d = drift(&notes).unwrap();
        assert!((d.drift_ppm - 10.0).abs() < 1e-9 && d.over_s == 86_400.0);
    }

    /// A pull a minute for three days: what is kept tells the same drift, and still finds a step.
    #[test]
    fn needless_notes_change_nothing() {
        let kept = |notes: &[ClockNote]| {
            let mut kept: Vec<ClockNote> = Vec::new();
            for n in notes {
                if let [.., before, newest] = kept.as_slice()
                    && newest.is_needless(before, n)
                {
                    kept.pop();
                }
                kept.push(*n);
            }
            kept
        };
        // 20 ppm fast, and a jitter of the readings within their doubt.
        let minute = |m: i64| note(m * 60_000, m * 60 * 20 / 1000 + (m * 7) % 3, false);
        let all: Vec<_> = (0..3 * 1440).map(minute).collect();
        let few = kept(&all);
        assert!((70..=80).contains(&few.len()), "{}", few.len());
        assert_eq!(drift(&few), drift(&all));
        // Somebody sets it by a second on the second day: both see only what follows.
        let all: Vec<_> = (0..3 * 1440)
            .map(minute)
            .map(|n| ClockNote {
                offset_ms: n.offset_ms.map(|o| if n.host_ms > 2 * DAY_MS { o + 1000 } else { o }),
                ..n
            })
            .collect();
        assert_eq!(drift(&kept(&all)), drift(&all));
        assert!(drift(&all).unwrap().over_s < 86_400.0);
        // Notes around a start or a setting stay.
        let set = [note(0, 5, false), note(60_000, 5, true), note(120_000, 0, false)];
        assert_eq!(kept(&set), set);
    }

    #[test]
    fn too_little_is_no_drift() {
        assert_eq!(drift(&[]), None);
        assert_eq!(drift(&[note(0, 5, false)]), None);
        assert_eq!(drift(&[note(0, 5, false), note(30_000, 5, false)]), None);
        let bare = ClockNote { offset_ms: None, ..note(DAY_MS, 0, false) };
        assert_eq!(drift(&[note(0, 5, false), bare]), None);
    }
}
