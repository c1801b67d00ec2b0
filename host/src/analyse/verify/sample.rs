//! The records of a range that count, as columns of doubles.

use super::VerifyError;
use crate::analyse::regression::median;
use crate::collect::log::IntervalLog;
use wattless_core::flags::Flags;

/// Remarks after which a record's values are not to be trusted.
const DOUBTFUL: Flags = Flags::V_CLIPPED
    .with(Flags::I_CLIPPED)
    .with(Flags::OUT_OF_RANGE)
    .with(Flags::NO_FUNDAMENTAL)
    .with(Flags::OFF_NOMINAL)
    .with(Flags::V_MISSING);

/// Share of the time in which power may flow back before the sensors are in doubt.
const BACK_SHARE: f64 = 0.2;

/// Usable records of a range.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Sample {
    pub(super) end_ms: Vec<i64>,
    pub(super) hours: Vec<f64>,
    pub(super) p_w: Vec<f64>,
    pub(super) q1_var: Vec<f64>,
    /// Reactive power of each phase; empty for phases that the wiring does not have.
    pub(super) phase_q1_var: Vec<Vec<f64>>,
    /// Root mean square of the phases' voltages.
    pub(super) v: Vec<f64>,
    /// Frequency; 0 where there is none.
    pub(super) hz: Vec<f64>,
    /// Mean of the phases' squared currents.
    pub(super) i2: Vec<f64>,
    pub(super) first_ms: i64,
    pub(super) last_ms: i64,
    pub(super) left_out: u64,
    pub(super) placed: u64,
    /// Usual length of a record.
    pub(super) record_s: f64,
}

impl Sample {
    pub(super) fn len(&self) -> usize {
        self.end_ms.len()
    }

    /// Takes the records of a log that count.
    pub(super) fn of(log: &IntervalLog, range: &'static str) -> Result<Sample, VerifyError> {
        check(log, range)?;
        let phases = phases(log);
        let lengths: Vec<f64> = log.duration_us.iter().map(|d| f64::from(*d) * 1e-6).collect();
        let record_s = median(&lengths).unwrap_or(60.0);
        let mut s = Sample {
            phase_q1_var: vec![Vec::new(); phases],
            record_s,
            first_ms: if log.is_empty() { 0 } else { log.start_ms(0) },
            last_ms: log.end_ms.last().copied().unwrap_or(0),
            ..Sample::default()
        };
        let mut back_h = 0.0;
        let most = (0..log.len()).map(|k| libm::fabs(log.total_p_w(k))).fold(0.0, f64::max);
        let nominal = usual_voltage(log, phases);
        for at in 0..log.len() {
            let (p, q) = (log.total_p_w(at), log.total_q1_var(at));
            let square = |c: &[Vec<f32>; 3]| {
                (0..phases).map(|k| f64::from(c[k][at]) * f64::from(c[k][at])).sum::<f64>()
                    / phases as f64
            };
            let (v, i2) = (libm::sqrt(square(&log.v_rms_v)), square(&log.i_rms_a));
            let usable = (p + q + v + i2).is_finite()
                && v > 0.5 * nominal
                && log.flags[at] & DOUBTFUL.0 == 0
                && lengths[at] >= 0.5 * record_s;
            if !usable {
                s.left_out += 1;
                continue;
            }
            let hours = lengths[at] / 3600.0;
            if p < -0.02 * most {
                back_h += hours;
            }
            s.end_ms.push(log.end_ms[at]);
            s.hours.push(hours);
            s.p_w.push(p);
            s.q1_var.push(q);
            for (k, column) in s.phase_q1_var.iter_mut().enumerate() {
                column.push(f64::from(log.q1_var[k][at]));
            }
            s.v.push(v);
            s.hz.push(f64::from(log.frequency_10uhz[at]) * 1e-5);
            s.i2.push(i2);
            s.placed += u64::from(log.placed[at]);
        }
        if s.end_ms.is_empty() {
            let cure = if log.is_empty() {
                "pull from the node first, or correct the range"
            } else {
                "its records are clipped or without voltage: check leads and ranges, log anew"
            };
            return Err(VerifyError::Empty { range, left_out: s.left_out, cure });
        }
        let all: f64 = s.hours.iter().sum();
        if back_h > BACK_SHARE * all {
            return Err(VerifyError::FlowsBack { range, share_pct: 100.0 * back_h / all });
        }
        Ok(s)
    }
}

fn check(log: &IntervalLog, range: &'static str) -> Result<(), VerifyError> {
    let n = log.len();
    let columns = [&log.v_rms_v, &log.i_rms_a, &log.p_w, &log.q1_var];
    let uneven = columns.into_iter().flatten().any(|c| c.len() != n)
        || [log.flags.len(), log.duration_us.len(), log.frequency_10uhz.len(), log.placed.len()]
            .into_iter()
            .any(|l| l != n);
    let back = log.end_ms.windows(2).any(|w| w[1] < w[0]);
    if uneven || back { Err(VerifyError::Damaged { range }) } else { Ok(()) }
}

/// Phases that carry anything; one at the end that does not is one the wiring does not have.
fn phases(log: &IntervalLog) -> usize {
    let carries =
        |k: usize| log.v_rms_v[k].iter().chain(&log.i_rms_a[k]).any(|x| x.is_finite() && *x > 0.0);
    (0..3).rev().find(|k| carries(*k)).map_or(1, |k| k + 1)
}

fn usual_voltage(log: &IntervalLog, phases: usize) -> f64 {
    let all: Vec<f64> = (0..phases)
        .flat_map(|k| log.v_rms_v[k].iter().step_by(1 + log.len() / 4096))
        .map(|v| f64::from(*v))
        .filter(|v| v.is_finite() && *v > 0.0)
        .collect();
    median(&all).unwrap_or(0.0)
}
