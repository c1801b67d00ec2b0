//! What of the time is in the log: gaps with their reasons, overlaps, remarks of the records.

use super::clock::{LocalClock, Moment};
use crate::collect::log::IntervalLog;
use crate::collect::store;
use serde::Serialize;
use wattless_core::flags::Flags;

/// Missing stretches from this length on are listed one by one.
const LISTED_MS: i64 = 1000;

/// At most this many gaps are listed: the longest.
const LISTED_MAX: usize = 200;

/// Remarks after which voltages or currents read wrong, whatever the load.
const WRONG: Flags = Flags::V_CLIPPED.with(Flags::I_CLIPPED).with(Flags::OUT_OF_RANGE);

/// Remarks that are harmless while the feeder is dead, and doubtful while current flows.
const WRONG_UNDER_LOAD: Flags =
    Flags::NO_FUNDAMENTAL.with(Flags::V_MISSING).with(Flags::OFF_NOMINAL);

/// How much of the time the log holds.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Completeness {
    /// Records used.
    pub records: u64,
    /// Shortest record, in seconds.
    pub record_min_s: f64,
    /// Longest record, in seconds.
    pub record_max_s: f64,
    /// Time between the first record's start and the last one's end, in seconds.
    pub expected_s: f64,
    /// Part of it that records cover, in seconds.
    pub present_s: f64,
    /// The rest, in seconds.
    pub missing_s: f64,
    /// Present over expected, 0 to 1.
    pub present_share: f64,
    /// Hours of the week (of 168) of which at least half an hour was recorded.
    pub hours_of_week_seen: u32,
    /// Whether every hour of the week was seen.
    pub whole_week: bool,
    /// Gaps of a second or more.
    pub gap_count: u64,
    /// The longest of them, at most 200, in order of time.
    pub gaps: Vec<Gap>,
    /// Time missing in shorter gaps, in seconds.
    pub short_gaps_s: f64,
    /// Time that two records claim (a clock set back), in seconds; counted once as time.
    pub overlap_s: f64,
    /// Record numbers that are not in the log.
    pub record_numbers_absent: u64,
    /// Starts of the node within the log.
    pub restarts: u64,
    /// Records during which the clock was set.
    pub clock_sets: u64,
    /// Records whose wall time was placed by the host.
    pub placed_records: u64,
    /// Records left out since a value is not a number.
    pub unusable_records: u64,
    /// Records left out since they are there twice.
    pub repeated_records: u64,
    /// Records with values in doubt while current flowed (clipped, out of range, voltage missing).
    pub doubtful_records: u64,
    /// Time of those, in seconds.
    pub doubtful_s: f64,
    /// Remarks that records carry.
    pub remarks: Vec<Remark>,
}

/// A stretch of time without records.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Gap {
    /// End of the record before.
    pub start: Moment,
    /// Start of the record after.
    pub end: Moment,
    /// Length, in seconds.
    pub length_s: f64,
    /// What is known about why.
    pub reasons: Vec<GapReason>,
    /// Record numbers absent between the two records.
    pub record_numbers_absent: u32,
}

/// Why time is missing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum GapReason {
    /// The node started anew: it had no power.
    Restart,
    /// Record numbers are absent and nothing tells why.
    RecordsAbsent,
    /// The node had overwritten the records before they were pulled.
    Overwritten,
    /// The node left record numbers empty.
    LeftEmpty,
    /// Samples were lost within a record.
    SamplesLost,
    /// The clock was set forward.
    ClockSet,
    /// Settings were changed.
    SettingsChanged,
    /// A record between holds values that are not numbers.
    UnusableRecord,
    /// Nothing tells.
    Unknown,
}

impl GapReason {
    /// A few words for people.
    pub const fn words(self) -> &'static str {
        match self {
            GapReason::Restart => "node without power, restarted",
            GapReason::RecordsAbsent => "records absent",
            GapReason::Overwritten => "overwritten before the pull",
            GapReason::LeftEmpty => "left empty by the node",
            GapReason::SamplesLost => "samples lost",
            GapReason::ClockSet => "clock set",
            GapReason::SettingsChanged => "settings changed",
            GapReason::UnusableRecord => "unusable record",
            GapReason::Unknown => "reason not known",
        }
    }
}

/// How often a remark stands in the records.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Remark {
    /// Short name.
    pub name: &'static str,
    /// What it means.
    pub meaning: &'static str,
    /// Records that carry it.
    pub records: u64,
    /// Their time, in seconds.
    pub time_s: f64,
}

/// The wall time that a record stands for.
#[derive(Clone, Copy, Debug)]
pub(super) struct Place {
    pub(super) start_ms: i64,
    pub(super) end_ms: i64,
    /// Part of the record's energy that falls into that time; below 1 where clocks overlap.
    pub(super) share: f64,
}

#[derive(Clone, Copy)]
struct RawGap {
    start_ms: i64,
    end_ms: i64,
    flags: Flags,
    restart: bool,
    unusable: bool,
    absent: Absent,
}

/// Record numbers between two neighbours, by what the store knows of them.
#[derive(Clone, Copy, Default)]
struct Absent {
    all: u32,
    overwritten: bool,
    left_empty: bool,
    unknown: bool,
}

/// The record before the one at hand.
#[derive(Clone, Copy)]
struct Before {
    end_ms: i64,
    seq: u32,
    boot: u32,
    flags: Flags,
}

/// Goes through the records in order of time.
pub(super) struct Walk<'a> {
    known: &'a [store::Gap],
    before: Option<Before>,
    first_ms: i64,
    records: u64,
    min_us: u32,
    max_us: u32,
    present_ms: i64,
    overlap_ms: i64,
    short_ms: i64,
    gap_count: u64,
    gaps: Vec<RawGap>,
    absent: u64,
    restarts: u64,
    placed: u64,
    unusable: u64,
    unusable_since: bool,
    repeated: u64,
    doubtful: (u64, f64),
    remarks: [(u64, f64); 32],
}

impl<'a> Walk<'a> {
    /// Starts, with what is known of absent record numbers.
    pub(super) fn new(known: &'a [store::Gap]) -> Self {
        Walk {
            known,
            before: None,
            first_ms: 0,
            records: 0,
            min_us: 0,
            max_us: 0,
            present_ms: 0,
            overlap_ms: 0,
            short_ms: 0,
            gap_count: 0,
            gaps: Vec::new(),
            absent: 0,
            restarts: 0,
            placed: 0,
            unusable: 0,
            unusable_since: false,
            repeated: 0,
            doubtful: (0, 0.0),
            remarks: [(0, 0.0); 32],
        }
    }

    /// Says that a record holds values that are not numbers, so that its time is missing.
    pub(super) fn skip(&mut self) {
        self.unusable += 1;
        self.unusable_since = true;
    }

    /// Finds the time of a record; `None` where it is there twice.
    #[inline]
    pub(super) fn place(&mut self, log: &IntervalLog, at: usize, loaded: bool) -> Option<Place> {
        let end_ms = log.end_ms[at];
        let duration_us = log.duration_us[at];
        let length_ms = (i64::from(duration_us) + 500) / 1000;
        let start_ms = end_ms - length_ms;
        let now =
            Before { end_ms, seq: log.seq[at], boot: log.boot[at], flags: Flags(log.flags[at]) };
        let mut place = Place { start_ms, end_ms, share: 1.0 };
        if let Some(before) = self.before {
            if before.end_ms == end_ms && before.seq == now.seq && before.boot == now.boot {
                self.repeated += 1;
                return None;
            }
            // Sample clock and wall clock differ by some 100 ppm, and times are rounded.
            let tolerance_ms = 20.max(length_ms / 2000);
            let gap_ms = start_ms - before.end_ms;
            if gap_ms > tolerance_ms {
                self.gap(&before, &now, start_ms);
            } else {
                place.start_ms = before.end_ms;
                if gap_ms < -tolerance_ms {
                    self.overlap_ms += -gap_ms;
                    place.share = (end_ms - before.end_ms) as f64 / length_ms as f64;
                }
            }
            self.absent += u64::from(absent(&before, &now));
            self.restarts += u64::from(before.boot != now.boot);
            self.min_us = self.min_us.min(duration_us);
        } else {
            self.first_ms = start_ms;
            self.min_us = duration_us;
        }
        self.max_us = self.max_us.max(duration_us);
        self.records += 1;
        self.present_ms += place.end_ms - place.start_ms;
        self.placed += u64::from(log.placed[at]);
        if !now.flags.is_empty() {
            self.remark(now.flags, f64::from(duration_us) * 1e-6, loaded);
        }
        self.before = Some(now);
        self.unusable_since = false;
        Some(place)
    }

    fn remark(&mut self, flags: Flags, time_s: f64, loaded: bool) {
        for (bit, (records, time)) in self.remarks.iter_mut().enumerate() {
            if flags.0 >> bit & 1 == 1 {
                *records += 1;
                *time += time_s;
            }
        }
        if flags.0 & WRONG.0 != 0 || (loaded && flags.0 & WRONG_UNDER_LOAD.0 != 0) {
            self.doubtful.0 += 1;
            self.doubtful.1 += time_s;
        }
    }

    fn gap(&mut self, before: &Before, now: &Before, start_ms: i64) {
        let length_ms = start_ms - before.end_ms;
        if length_ms < LISTED_MS {
            self.short_ms += length_ms;
            return;
        }
        self.gap_count += 1;
        self.gaps.push(RawGap {
            start_ms: before.end_ms,
            end_ms: start_ms,
            flags: Flags(now.flags.0 | before.flags.0 & Flags::CLOCK_SET.0),
            restart: before.boot != now.boot,
            unusable: self.unusable_since,
            absent: self.why_absent(before, now),
        });
        // The list is cut from time to time, so that a log full of holes stays cheap.
        if self.gaps.len() >= 8 * LISTED_MAX {
            self.keep_longest();
        }
    }

    fn why_absent(&self, before: &Before, now: &Before) -> Absent {
        let mut absent = Absent { all: absent(before, now), ..Absent::default() };
        if absent.all == 0 {
            return absent;
        }
        let (first, last) = (before.seq + 1, now.seq - 1);
        let mut explained = 0;
        for run in self.known.iter().filter(|g| g.first_seq <= last && g.last_seq >= first) {
            explained += u64::from(run.last_seq.min(last) - run.first_seq.max(first)) + 1;
            match run.reason {
                store::GapReason::Overwritten => absent.overwritten = true,
                store::GapReason::Void => absent.left_empty = true,
            }
        }
        absent.unknown = explained < u64::from(absent.all);
        absent
    }

    fn keep_longest(&mut self) {
        self.gaps.sort_by_key(|g| g.start_ms - g.end_ms);
        self.gaps.truncate(LISTED_MAX);
    }

    /// Start of the first and end of the last record.
    pub(super) fn bounds_ms(&self) -> Option<(i64, i64)> {
        self.before.map(|b| (self.first_ms, b.end_ms))
    }

    pub(super) fn finish(mut self, clock: &LocalClock, hours_of_week_seen: u32) -> Completeness {
        let (first_ms, last_ms) = self.bounds_ms().unwrap_or_default();
        self.keep_longest();
        self.gaps.sort_by_key(|g| g.start_ms);
        let expected_ms = (last_ms - first_ms).max(0);
        let seconds = |ms: i64| ms as f64 / 1000.0;
        let remarks = Flags::ALL
            .iter()
            .zip(&self.remarks)
            .filter(|(_, (records, _))| *records > 0)
            .map(|((_, name, meaning), (records, time_s))| Remark {
                name,
                meaning,
                records: *records,
                time_s: *time_s,
            })
            .collect();
        let clock_sets = self.remarks[Flags::CLOCK_SET.0.trailing_zeros() as usize].0;
        Completeness {
            records: self.records,
            record_min_s: f64::from(self.min_us) * 1e-6,
            record_max_s: f64::from(self.max_us) * 1e-6,
            expected_s: seconds(expected_ms),
            present_s: seconds(self.present_ms),
            missing_s: seconds((expected_ms - self.present_ms).max(0)),
            present_share: if expected_ms > 0 {
                (self.present_ms as f64 / expected_ms as f64).min(1.0)
            } else {
                0.0
            },
            hours_of_week_seen,
            whole_week: hours_of_week_seen == super::clock::WEEK_H as u32,
            gap_count: self.gap_count,
            gaps: self.gaps.iter().map(|g| g.describe(clock)).collect(),
            short_gaps_s: seconds(self.short_ms),
            overlap_s: seconds(self.overlap_ms),
            record_numbers_absent: self.absent,
            restarts: self.restarts,
            clock_sets,
            placed_records: self.placed,
            unusable_records: self.unusable,
            repeated_records: self.repeated,
            doubtful_records: self.doubtful.0,
            doubtful_s: self.doubtful.1,
            remarks,
        }
    }
}

/// Record numbers between two neighbours in time; none where numbers do not count up.
fn absent(before: &Before, now: &Before) -> u32 {
    now.seq.checked_sub(before.seq).map_or(0, |d| d.saturating_sub(1))
}

impl RawGap {
    fn describe(&self, clock: &LocalClock) -> Gap {
        let mut reasons = Vec::new();
        for (holds, reason) in [
            (self.restart, GapReason::Restart),
            (self.absent.overwritten, GapReason::Overwritten),
            (self.absent.left_empty, GapReason::LeftEmpty),
            (self.absent.unknown && !self.unusable, GapReason::RecordsAbsent),
            (self.flags.contains(Flags::FRAMES_LOST), GapReason::SamplesLost),
            (self.flags.contains(Flags::CLOCK_SET), GapReason::ClockSet),
            (self.flags.contains(Flags::SETTINGS_CHANGED), GapReason::SettingsChanged),
            (self.unusable, GapReason::UnusableRecord),
        ] {
            if holds {
                reasons.push(reason);
            }
        }
        if reasons.is_empty() {
            reasons.push(GapReason::Unknown);
        }
        Gap {
            start: clock.moment(self.start_ms),
            end: clock.moment(self.end_ms),
            length_s: (self.end_ms - self.start_ms) as f64 / 1000.0,
            reasons,
            record_numbers_absent: self.absent.all,
        }
    }
}
