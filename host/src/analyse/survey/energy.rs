//! Energies of the log, from mean power times time, and their check against the node's counters.

use crate::collect::log::IntervalLog;
use serde::Serialize;
use wattless_core::flags::Flags;
use wattless_core::interval::ENERGY_PER_WH;

/// Energies of the records; nothing is added for time without records.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct EnergyTotals {
    /// Time that the records measured, in hours.
    pub measured_h: f64,
    /// Active energy taken in (records with P > 0), in Wh.
    pub active_in_wh: f64,
    /// Active energy given back (records with P < 0), in Wh.
    pub active_out_wh: f64,
    /// Taken in minus given back, in Wh.
    pub active_net_wh: f64,
    /// Reactive energy of the fundamental, lagging (records with Q1 > 0), in varh.
    pub reactive_lagging_varh: f64,
    /// Reactive energy of the fundamental, leading (records with Q1 < 0), in varh.
    pub reactive_leading_varh: f64,
    /// Lagging minus leading, in varh; the average power factor uses this one.
    pub reactive_net_varh: f64,
    /// Apparent energy sqrt(Wh² + varh²) of the net energies, in VAh.
    pub apparent_vector_vah: f64,
    /// Apparent energy as the sum of the phases' V·I, in VAh.
    pub apparent_arithmetic_vah: f64,
    /// Effective apparent energy (IEEE 1459), in VAh; none where a record lacks it.
    pub apparent_effective_vah: Option<f64>,
}

/// Energies of the records against the differences of the node's counters for life.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct CounterCheck {
    /// Records whose energy could be compared.
    pub records: u64,
    /// Net active energy by the counters, in Wh.
    pub active_net_wh: f64,
    /// Records minus counters, in Wh.
    pub active_difference_wh: f64,
    /// Net reactive energy by the counters, in varh.
    pub reactive_net_varh: f64,
    /// Records minus counters, in varh.
    pub reactive_difference_varh: f64,
    /// Apparent energy by the counters, in VAh.
    pub apparent_vah: f64,
    /// Records minus counters, in VAh.
    pub apparent_difference_vah: f64,
    /// Net active energy that the counters show for absent records, in Wh; in no other figure.
    pub absent_active_net_wh: f64,
    /// Net reactive energy that the counters show for absent records, in varh.
    pub absent_reactive_net_varh: f64,
}

/// Net Wh, net varh, VAh.
type Triple = [f64; 3];

/// Adds up records in order of time.
#[derive(Default)]
pub(super) struct Sums {
    totals: EnergyTotals,
    effective_vah: f64,
    effective_h: f64,
    run: Option<Run>,
    checked: u64,
    by_counters: Triple,
    by_records: Triple,
    absent: Triple,
}

/// Records without a number left out, whose counters run on.
#[derive(Clone, Copy)]
struct Run {
    first: usize,
    last: usize,
    /// Energies of the records after the first.
    sums: Triple,
}

/// A record's numbers that energies need.
pub(super) struct Power {
    pub(super) hours: f64,
    pub(super) p_w: f64,
    pub(super) q1_var: f64,
    pub(super) s_va: f64,
    pub(super) s_effective_va: f64,
}

impl Sums {
    #[inline]
    pub(super) fn add(&mut self, log: &IntervalLog, at: usize, r: &Power) {
        let t = &mut self.totals;
        let (wh, varh, vah) = (r.p_w * r.hours, r.q1_var * r.hours, r.s_va * r.hours);
        t.measured_h += r.hours;
        t.active_in_wh += wh.max(0.0);
        t.active_out_wh += (-wh).max(0.0);
        t.reactive_lagging_varh += varh.max(0.0);
        t.reactive_leading_varh += (-varh).max(0.0);
        t.apparent_arithmetic_vah += vah;
        if r.s_effective_va.is_finite() {
            self.effective_vah += r.s_effective_va * r.hours;
            self.effective_h += r.hours;
        }
        match &mut self.run {
            Some(run) if follows(log, run.last, at) => {
                run.last = at;
                run.sums[0] += wh;
                run.sums[1] += varh;
                run.sums[2] += vah;
            }
            _ => self.close_run(log, Some(at)),
        }
    }

    /// Compares the run that ends, and what the counters did until the next record.
    fn close_run(&mut self, log: &IntervalLog, next: Option<usize>) {
        if let Some(run) = self.run.take() {
            if run.last > run.first
                && let Some(counted) = difference(log, run.first, run.last)
            {
                self.checked += (run.last - run.first) as u64;
                add(&mut self.by_counters, &counted);
                add(&mut self.by_records, &run.sums);
            }
            if let Some(next) = next
                && log.seq[next] > log.seq[run.last]
                && !Flags(log.flags[next]).contains(Flags::ENERGY_RESTARTED)
                && let Some(counted) = difference(log, run.last, next)
            {
                // The next record's own energy is in the difference and in the totals.
                let hours = log.duration_s(next) / 3600.0;
                let own = [
                    log.total_p_w(next) * hours,
                    log.total_q1_var(next) * hours,
                    log.total_s_va(next) * hours,
                ];
                for ((sum, counted), own) in self.absent.iter_mut().zip(counted).zip(own) {
                    *sum += counted - own;
                }
            }
        }
        self.run = next.map(|at| Run { first: at, last: at, sums: [0.0; 3] });
    }

    pub(super) fn finish(mut self, log: &IntervalLog) -> (EnergyTotals, Option<CounterCheck>) {
        self.close_run(log, None);
        let mut t = self.totals;
        t.active_net_wh = t.active_in_wh - t.active_out_wh;
        t.reactive_net_varh = t.reactive_lagging_varh - t.reactive_leading_varh;
        t.apparent_vector_vah = libm::sqrt(
            t.active_net_wh * t.active_net_wh + t.reactive_net_varh * t.reactive_net_varh,
        );
        let complete = self.effective_h > 0.0 && self.effective_h >= t.measured_h * (1.0 - 1e-9);
        t.apparent_effective_vah = complete.then_some(self.effective_vah);
        let [p, q, s] = self.by_counters;
        let [rp, rq, rs] = self.by_records;
        let check = (self.checked > 0).then(|| CounterCheck {
            records: self.checked,
            active_net_wh: p,
            active_difference_wh: rp - p,
            reactive_net_varh: q,
            reactive_difference_varh: rq - q,
            apparent_vah: s,
            apparent_difference_vah: rs - s,
            absent_active_net_wh: self.absent[0],
            absent_reactive_net_varh: self.absent[1],
        });
        (t, check)
    }
}

/// Whether the counters of a record continue those of another with only its own energy between.
fn follows(log: &IntervalLog, before: usize, at: usize) -> bool {
    log.seq[at] == log.seq[before].wrapping_add(1)
        && log.boot[at] == log.boot[before]
        && !Flags(log.flags[at]).contains(Flags::ENERGY_RESTARTED)
}

/// What the counters went up by; `None` where one went back or none was ever counted.
fn difference(log: &IntervalLog, from: usize, to: usize) -> Option<Triple> {
    let mut d = [0.0; 7];
    let mut any = false;
    for (d, column) in d.iter_mut().zip(&log.energy_counts) {
        *d = column[to].checked_sub(column[from])? as f64 / ENERGY_PER_WH;
        any |= column[to] > 0;
    }
    let [wh_in, wh_out, q1, q2, q3, q4, vah] = d;
    any.then_some([wh_in - wh_out, q1 + q2 - q3 - q4, vah])
}

fn add(sum: &mut Triple, x: &Triple) {
    for (s, x) in sum.iter_mut().zip(x) {
        *s += x;
    }
}
