//! The interval log of one node as columns in order of time: what analysis works on.

use wattless_core::record::Record;

/// Interval records of one node, one entry per record in every column, ordered by `end_ms`.
///
/// Numbers are those of [`Record`]; times are wall times as placed by the pull.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct IntervalLog {
    /// Sequence number.
    pub seq: Vec<u32>,
    /// Number of the node's start.
    pub boot: Vec<u32>,
    /// End of the interval, Unix milliseconds.
    pub end_ms: Vec<i64>,
    /// Length in microseconds.
    pub duration_us: Vec<u32>,
    /// Remarks: the bits of [`wattless_core::flags::Flags`].
    pub flags: Vec<u32>,
    /// Whether the wall time was placed by the host, since the node had none.
    pub placed: Vec<bool>,
    /// Frames lost within the interval.
    pub frames_lost: Vec<u16>,
    /// Mean frequency in 10 µHz; 0 without a fundamental.
    pub frequency_10uhz: Vec<u32>,
    /// RMS voltage of each phase, in V.
    pub v_rms_v: [Vec<f32>; 3],
    /// RMS current of each phase, in A.
    pub i_rms_a: [Vec<f32>; 3],
    /// Mean active power of each phase, in W.
    pub p_w: [Vec<f32>; 3],
    /// Mean reactive power of the fundamental of each phase, in var.
    pub q1_var: [Vec<f32>; 3],
    /// Mean apparent power of each phase, in VA.
    pub s_va: [Vec<f32>; 3],
    /// Mean effective apparent power, in VA; NaN where it is not defined.
    pub s_effective_va: Vec<f32>,
    /// Harmonic voltage over the fundamental, by the orders of
    /// [`wattless_core::record::ORDERS`]; NaN, or no entry, where a record has none.
    pub v_order_ratio: [Vec<f32>; 5],
    /// Harmonic current over the fundamental, likewise.
    pub i_order_ratio: [Vec<f32>; 5],
    /// Energy counters in 10 mWh: Wh in, Wh out, varh of quadrants I to IV, VAh.
    pub energy_counts: [Vec<u64>; 7],
}

impl IntervalLog {
    /// Number of records.
    pub fn len(&self) -> usize {
        self.end_ms.len()
    }

    /// Whether there is no record.
    pub fn is_empty(&self) -> bool {
        self.end_ms.is_empty()
    }

    /// Appends a record that ended at a wall time.
    pub fn push(&mut self, r: &Record, end_ms: i64, placed: bool) {
        self.seq.push(r.seq);
        self.boot.push(r.boot);
        self.end_ms.push(end_ms);
        self.duration_us.push(r.duration_us);
        self.flags.push(r.flags.0);
        self.placed.push(placed);
        self.frames_lost.push(r.frames_lost);
        self.frequency_10uhz.push(r.frequency_10uhz);
        for (k, p) in r.phases.iter().enumerate() {
            self.v_rms_v[k].push(p.v_rms_v);
            self.i_rms_a[k].push(p.i_rms_a);
            self.p_w[k].push(p.p_w);
            self.q1_var[k].push(p.q1_var);
            self.s_va[k].push(p.s_va);
        }
        self.s_effective_va.push(r.s_effective_va);
        let h = &r.harmonics;
        for (column, ratio) in self.v_order_ratio.iter_mut().zip(h.v_orders) {
            column.push(ratio);
        }
        for (column, ratio) in self.i_order_ratio.iter_mut().zip(h.i_orders) {
            column.push(ratio);
        }
        for (column, count) in self.energy_counts.iter_mut().zip(r.energy_counts) {
            column.push(count);
        }
    }

    /// Length of a record in seconds.
    pub fn duration_s(&self, at: usize) -> f64 {
        f64::from(self.duration_us[at]) * 1e-6
    }

    /// Start of a record, Unix milliseconds.
    pub fn start_ms(&self, at: usize) -> i64 {
        self.end_ms[at] - (i64::from(self.duration_us[at]) + 500) / 1000
    }

    /// Total active power of a record, in W.
    pub fn total_p_w(&self, at: usize) -> f64 {
        self.p_w.iter().map(|c| f64::from(c[at])).sum()
    }

    /// Total reactive power of a record's fundamental, in var.
    pub fn total_q1_var(&self, at: usize) -> f64 {
        self.q1_var.iter().map(|c| f64::from(c[at])).sum()
    }

    /// Total arithmetic apparent power of a record, in VA.
    pub fn total_s_va(&self, at: usize) -> f64 {
        self.s_va.iter().map(|c| f64::from(c[at])).sum()
    }
}
