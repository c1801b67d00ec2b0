//! A load as energies over equal steps of the clock: what money is computed from.
//!
//! [`LoadSeries::of_log`] makes it of a node's records, [`interval_csv`] of the utility's
//! interval data. A record that spans a boundary is split by time; time without records stays
//! uncovered and is never filled. Totals over the phases; load convention (consumed active
//! energy is "in", inductive reactive energy is "lag").

pub mod interval_csv;

use crate::collect::log::IntervalLog;
use crate::site::Apparent;
use serde::Serialize;
use wattless_core::flags::Flags;

/// Energies over equal steps, one entry a step in every column.
#[derive(Clone, Debug, PartialEq)]
pub struct LoadSeries {
    /// Start of the first step, Unix milliseconds; a multiple of the step.
    pub start_ms: i64,
    /// Length of a step, in seconds.
    pub step_s: u32,
    /// Active energy taken, in Wh.
    pub p_in_wh: Vec<f64>,
    /// Active energy given back, in Wh.
    pub p_out_wh: Vec<f64>,
    /// Lagging reactive energy of the fundamental, in varh.
    pub q_lag_varh: Vec<f64>,
    /// Leading reactive energy of the fundamental, in varh, positive.
    pub q_lead_varh: Vec<f64>,
    /// Apparent energy as measured, in VAh; `None` where S is the vector sum of P and Q.
    pub s_vah: Option<Vec<f64>>,
    /// Seconds of the step that records cover.
    pub covered_s: Vec<f32>,
    /// Steps that were filled from like days, where any were.
    pub filled: Option<Vec<bool>>,
    /// Where it came from.
    pub origin: Origin,
}

/// What a series was made of.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Origin {
    /// Records used.
    pub records: u64,
    /// Shortest record, in seconds.
    pub record_min_s: f64,
    /// Longest record, in seconds.
    pub record_max_s: f64,
    /// Records left out: values are not numbers, or they are there twice.
    pub records_left_out: u64,
    /// Records with values in doubt (clipped, out of range, voltage missing) while current flowed.
    pub doubtful_records: u64,
    /// Time that two records claim, in seconds; counted once.
    pub overlap_s: f64,
    /// Start of the first record, Unix milliseconds.
    pub first_ms: i64,
    /// End of the last record, Unix milliseconds.
    pub last_ms: i64,
}

/// Why a log cannot be made a series.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SeriesError {
    /// There is no usable record.
    #[error("the log holds no usable record; pull from the node first, or widen the time range")]
    Empty,
    /// Records are not in order of time.
    #[error("record {at} of the log ends before the one ahead of it; sort the records by end time")]
    OutOfOrder {
        /// Position, from 0.
        at: usize,
    },
    /// The log spans more than the calendar of one job.
    #[error(
        "the log spans {years} years; a record's clock was wrong by years, or give --from and --to"
    )]
    TooLong {
        /// Years between the first and the last record.
        years: i64,
    },
}

/// Longest stretch of a series, in milliseconds: 20 years.
const LONGEST_MS: i64 = 20 * 366 * 86_400_000;

/// Columns of a node's log that money needs.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Powers {
    /// End of the interval, Unix milliseconds.
    pub end_ms: Vec<i64>,
    /// Length in microseconds.
    pub duration_us: Vec<u32>,
    /// Remarks of the records.
    pub flags: Vec<u32>,
    /// Mean active power of the phases, in W.
    pub p_w: [Vec<f32>; 3],
    /// Mean reactive power of the phases' fundamental, in var.
    pub q1_var: [Vec<f32>; 3],
    /// Apparent power: of the phases, or the effective one in the first column; in VA.
    /// Empty for [`Apparent::Vector`].
    pub s_va: [Vec<f32>; 3],
}

impl LoadSeries {
    /// Steps of a given length without any data.
    pub fn blank(start_ms: i64, step_s: u32, steps: usize, with_s: bool) -> LoadSeries {
        LoadSeries {
            start_ms,
            step_s,
            p_in_wh: vec![0.0; steps],
            p_out_wh: vec![0.0; steps],
            q_lag_varh: vec![0.0; steps],
            q_lead_varh: vec![0.0; steps],
            s_vah: with_s.then(|| vec![0.0; steps]),
            covered_s: vec![0.0; steps],
            filled: None,
            origin: Origin::default(),
        }
    }

    /// Number of steps.
    pub fn len(&self) -> usize {
        self.p_in_wh.len()
    }

    /// Whether there is no step.
    pub fn is_empty(&self) -> bool {
        self.p_in_wh.is_empty()
    }

    /// Length of a step in milliseconds.
    pub fn step_ms(&self) -> i64 {
        i64::from(self.step_s) * 1000
    }

    /// Start of a step, Unix milliseconds.
    pub fn time_ms(&self, step: usize) -> i64 {
        self.start_ms + step as i64 * self.step_ms()
    }

    /// End of the last step, Unix milliseconds.
    pub fn end_ms(&self) -> i64 {
        self.time_ms(self.len())
    }

    /// Whether records cover a step but for rounding of their times.
    pub fn is_covered(&self, step: usize) -> bool {
        self.covered_s.get(step).is_some_and(|c| f64::from(*c) >= f64::from(self.step_s) * 0.999)
    }

    /// Makes a series of a node's log, with the apparent energy of a definition.
    pub fn of_log(
        log: &IntervalLog,
        step_s: u32,
        apparent: Apparent,
    ) -> Result<LoadSeries, SeriesError> {
        const NONE: &[f32] = &[];
        let s = match apparent {
            Apparent::Vector => [NONE; 3],
            Apparent::Arithmetic => log.s_va.each_ref().map(Vec::as_slice),
            Apparent::Effective => [log.s_effective_va.as_slice(), NONE, NONE],
        };
        let columns = Columns {
            end_ms: &log.end_ms,
            duration_us: &log.duration_us,
            flags: &log.flags,
            p_w: log.p_w.each_ref().map(Vec::as_slice),
            q1_var: log.q1_var.each_ref().map(Vec::as_slice),
            s_va: s,
        };
        make(&columns, step_s)
    }

    /// Makes a series of the columns of a log that money needs.
    pub fn of_powers(powers: &Powers, step_s: u32) -> Result<LoadSeries, SeriesError> {
        let columns = Columns {
            end_ms: &powers.end_ms,
            duration_us: &powers.duration_us,
            flags: &powers.flags,
            p_w: powers.p_w.each_ref().map(Vec::as_slice),
            q1_var: powers.q1_var.each_ref().map(Vec::as_slice),
            s_va: powers.s_va.each_ref().map(Vec::as_slice),
        };
        make(&columns, step_s)
    }
}

struct Columns<'a> {
    end_ms: &'a [i64],
    duration_us: &'a [u32],
    flags: &'a [u32],
    p_w: [&'a [f32]; 3],
    q1_var: [&'a [f32]; 3],
    s_va: [&'a [f32]; 3],
}

/// Remarks after which values read wrong.
const WRONG: u32 = Flags::V_CLIPPED
    .with(Flags::I_CLIPPED)
    .with(Flags::OUT_OF_RANGE)
    .with(Flags::V_MISSING)
    .with(Flags::NO_FUNDAMENTAL)
    .0;

fn sum(columns: &[&[f32]; 3], at: usize) -> f64 {
    columns.iter().map(|c| c.get(at).map_or(0.0, |x| f64::from(*x))).sum()
}

fn make(log: &Columns<'_>, step_s: u32) -> Result<LoadSeries, SeriesError> {
    let step_ms = i64::from(step_s) * 1000;
    let length_ms = |at: usize| (i64::from(log.duration_us[at]) + 500) / 1000;
    let (Some(first_end), Some(last_end)) = (log.end_ms.first(), log.end_ms.last()) else {
        return Err(SeriesError::Empty);
    };
    if let Some(at) = log.end_ms.windows(2).position(|w| w[1] < w[0]) {
        return Err(SeriesError::OutOfOrder { at: at + 1 });
    }
    let first_ms = first_end - length_ms(0);
    if last_end - first_ms > LONGEST_MS {
        return Err(SeriesError::TooLong { years: (last_end - first_ms) / (366 * 86_400_000) });
    }
    let start_ms = first_ms.div_euclid(step_ms) * step_ms;
    let steps = ((last_end - start_ms + step_ms - 1) / step_ms).max(0) as usize;
    let with_s = log.s_va.iter().any(|c| !c.is_empty());
    let mut series = LoadSeries::blank(start_ms, step_s, steps, with_s);
    let mut origin = Origin { record_min_s: f64::INFINITY, ..Origin::default() };
    let mut before_ms = None;
    for at in 0..log.end_ms.len() {
        let end_ms = log.end_ms[at];
        let length = length_ms(at);
        let (p, q, s) = (sum(&log.p_w, at), sum(&log.q1_var, at), sum(&log.s_va, at));
        if !(p + q + s).is_finite() || length <= 0 || before_ms == Some(end_ms) {
            origin.records_left_out += 1;
            continue;
        }
        let mut from_ms = end_ms - length;
        if let Some(before) = before_ms {
            // Sample clock and wall clock differ by some 100 ppm, and times are rounded.
            let tolerance = 20.max(length / 2000);
            if from_ms - before <= tolerance {
                if before - from_ms > tolerance {
                    origin.overlap_s += (before - from_ms) as f64 / 1000.0;
                }
                from_ms = before;
            }
        } else {
            origin.first_ms = from_ms;
        }
        before_ms = Some(end_ms);
        let length_s = f64::from(log.duration_us[at]) * 1e-6;
        origin.records += 1;
        origin.record_min_s = origin.record_min_s.min(length_s);
        origin.record_max_s = origin.record_max_s.max(length_s);
        if log.flags.get(at).is_some_and(|f| f & WRONG != 0) && (p != 0.0 || q != 0.0) {
            origin.doubtful_records += 1;
        }
        // Energy of the sample clock's time, spread over the wall clock's; less where clocks overlap.
        let wall_ms = end_ms - from_ms;
        let overlaps = length - wall_ms > 20.max(length / 2000);
        let hours = if overlaps { wall_ms as f64 / 3.6e6 } else { length_s / 3600.0 };
        series.spread(from_ms, end_ms, [p * hours, q * hours, s * hours]);
    }
    if origin.records == 0 {
        return Err(SeriesError::Empty);
    }
    origin.last_ms = before_ms.unwrap_or(start_ms);
    series.origin = origin;
    Ok(series)
}

impl LoadSeries {
    /// Adds Wh, varh (lagging positive) and VAh that flowed evenly from one instant to another.
    #[inline]
    pub(crate) fn spread(&mut self, from_ms: i64, to_ms: i64, energy: [f64; 3]) {
        let step_ms = self.step_ms();
        let step = ((from_ms - self.start_ms) / step_ms) as usize;
        if to_ms <= self.time_ms(step + 1) {
            self.add(step, energy, (to_ms - from_ms) as f32 * 1e-3);
            return;
        }
        let whole = (to_ms - from_ms) as f64;
        let (mut at, mut step) = (from_ms, step);
        while at < to_ms {
            let end = self.time_ms(step + 1).min(to_ms);
            let share = (end - at) as f64 / whole;
            self.add(step, energy.map(|e| e * share), (end - at) as f32 * 1e-3);
            (at, step) = (end, step + 1);
        }
    }

    #[inline]
    fn add(&mut self, step: usize, [p, q, s]: [f64; 3], covered_s: f32) {
        let put = |column: &mut Vec<f64>, x: f64| {
            if let Some(cell) = column.get_mut(step) {
                *cell += x;
            }
        };
        put(&mut self.p_in_wh, p.max(0.0));
        put(&mut self.p_out_wh, (-p).max(0.0));
        put(&mut self.q_lag_varh, q.max(0.0));
        put(&mut self.q_lead_varh, (-q).max(0.0));
        if let Some(column) = &mut self.s_vah {
            put(column, s);
        }
        if let Some(cell) = self.covered_s.get_mut(step) {
            *cell += covered_s;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn log(records: &[(i64, i64, f32, f32)]) -> Powers {
        let mut p = Powers::default();
        for &(start_s, end_s, kw, kvar) in records {
            p.end_ms.push(end_s * 1000);
            p.duration_us.push((end_s - start_s) as u32 * 1_000_000);
            p.flags.push(0);
            for k in 0..3 {
                p.p_w[k].push(kw * 1e3 / 3.0);
                p.q1_var[k].push(kvar * 1e3 / 3.0);
            }
        }
        p
    }

    /// 60 kW from 00:05 to 00:20 is 10 min of the first quarter hour and 5 min of the second.
    #[test]
    fn a_record_over_a_boundary_is_split_by_time() {
        let s = LoadSeries::of_powers(&log(&[(300, 1200, 60.0, -30.0)]), 900).unwrap();
        assert_eq!((s.start_ms, s.len()), (0, 2));
        assert!((s.p_in_wh[0] - 10_000.0).abs() < 0.01 && (s.p_in_wh[1] - 5000.0).abs() < 0.01);
        assert!((s.q_lead_varh[0] - 5000.0).abs() < 0.01 && s.q_lag_varh[0] == 0.0);
        assert_eq!(s.covered_s, [600.0, 300.0]);
        assert!(!s.is_covered(0) && s.s_vah.is_none());
    }

    #[test]
    fn gaps_stay_empty_and_overlaps_count_once() {
        let p = log(&[(0, 900, 10.0, 5.0), (2700, 3600, 10.0, 5.0), (3000, 3900, 10.0, 5.0)]);
        let s = LoadSeries::of_powers(&p, 900).unwrap();
        assert_eq!(s.covered_s, [900.0, 0.0, 0.0, 900.0, 300.0]);
        assert!((s.p_in_wh.iter().sum::<f64>() - 10e3 * 2100.0 / 3600.0).abs() < 0.01);
        assert_eq!(s.origin.overlap_s, 600.0);
    }

    #[test]
    fn what_is_not_a_number_is_left_out_and_disorder_refused() {
        let mut p = log(&[(0, 900, 10.0, 5.0), (900, 1800, 10.0, 5.0)]);
        p.p_w[1][1] = f32::NAN;
        let s = LoadSeries::of_powers(&p, 900).unwrap();
        assert_eq!((s.origin.records, s.origin.records_left_out), (1, 1));
        assert_eq!(s.covered_s, [900.0, 0.0]);
        p.end_ms.swap(0, 1);
        assert_eq!(LoadSeries::of_powers(&p, 900), Err(SeriesError::OutOfOrder { at: 1 }));
        assert_eq!(LoadSeries::of_powers(&Powers::default(), 900), Err(SeriesError::Empty));
    }
}
