//! The log as the replay walks through it, laid out on the steps of a load series.

use super::replay::Course;
use super::supply::Supply;
use crate::analyse::bill::seasons::Level;
use crate::analyse::series::LoadSeries;
use crate::collect::log::IntervalLog;
use crate::site::plant::Motor;

/// Which motors run, told from the feeder's power.
#[derive(Clone, Debug, PartialEq)]
pub struct Running {
    /// Apparent power from which each runs, in VA; none where it counts as always running.
    from_va: Vec<Option<f64>>,
    /// Active power from which each runs, in W.
    from_w: Vec<Option<f64>>,
}

impl Running {
    /// From the motors of the site file.
    ///
    /// One motor alone on the feeder runs while the feeder draws half of the motor's no-load
    /// power (or a tenth of its rated input, where that is not known). Of several, each runs
    /// above its `runs_above_kw`; without that it counts as running all the time.
    pub fn of(motors: &[Motor], line_voltage_v: f64) -> Running {
        let alone = motors.len() == 1;
        let from_va = motors.iter().map(|m| {
            let known = super::candidate::no_load_var_of(m, line_voltage_v);
            (alone && m.runs_above_w.is_none())
                .then(|| known.map_or(0.1 * m.input_w(), |q| 0.5 * q))
        });
        Running {
            from_va: from_va.collect(),
            from_w: motors.iter().map(|m| m.runs_above_w).collect(),
        }
    }

    /// Whether a motor's running is told from the log.
    pub fn is_known(&self, motor: usize) -> bool {
        self.from_va.get(motor).is_some_and(Option::is_some)
            || self.from_w.get(motor).is_some_and(Option::is_some)
    }

    fn bits(&self, p_w: f64, q_var: f64) -> u32 {
        let s2 = p_w * p_w + q_var * q_var;
        let mut bits = 0;
        for (k, (va, w)) in self.from_va.iter().zip(&self.from_w).enumerate() {
            let runs = match (w, va) {
                (Some(w), _) => p_w > *w,
                (None, Some(va)) => s2 > va * va,
                (None, None) => true,
            };
            bits |= u32::from(runs) << k;
        }
        bits
    }
}

/// What a course is laid out with.
pub struct Layout<'a> {
    /// The tariff's steps.
    pub series: &'a LoadSeries,
    /// The supply.
    pub supply: &'a Supply,
    /// Which motors run.
    pub running: &'a Running,
    /// The most that any candidate puts on the feeder, in var.
    pub reference_var: f64,
}

impl Layout<'_> {
    /// From records: split where they span a boundary, none where the series has none.
    ///
    /// `phase_to_line` is the nominal line voltage over the nominal voltage of the records.
    pub fn of_log(&self, log: &IntervalLog, phase_to_line: f64) -> Course {
        let mut course = Course { slots: self.series.len(), ..Course::default() };
        let mut done_ms = i64::MIN;
        for at in 0..log.len() {
            let end_ms = log.end_ms[at];
            let start_ms = log.start_ms(at).max(done_ms);
            let (p, q) = (log.total_p_w(at), log.total_q1_var(at));
            if start_ms >= end_ms || !p.is_finite() || !q.is_finite() {
                continue;
            }
            done_ms = end_ms;
            let (mut sum, mut phases) = (0.0, 0.0);
            for v in log.v_rms_v.iter().map(|c| f64::from(c[at])) {
                if v.is_finite() && v > 0.0 {
                    (sum, phases) = (sum + v, phases + 1.0);
                }
            }
            let v = if phases > 0.0 {
                sum / phases * phase_to_line
            } else {
                self.supply.line_voltage_v
            };
            let hz = match log.frequency_10uhz[at] {
                0 => self.supply.frequency_hz,
                f => f64::from(f) * 1e-5,
            };
            let mut from = start_ms;
            while from < end_ms {
                let slot = (from - self.series.start_ms).div_euclid(self.series.step_ms());
                let to = end_ms.min(self.series.start_ms + (slot + 1) * self.series.step_ms());
                if slot >= 0 && (slot as usize) < self.series.len() {
                    self.push(&mut course, slot as u32, (to - from) as f64 * 1e-3, [p, q, v, hz]);
                }
                from = to;
            }
        }
        course
    }

    /// From the series alone, at nominal voltage and frequency.
    pub fn of_series(&self) -> Course {
        let s = self.series;
        let mut course = Course { slots: s.len(), ..Course::default() };
        for slot in 0..s.len() {
            let dt = f64::from(s.covered_s[slot]);
            if dt > 0.0 {
                let per_hour = 3600.0 / dt;
                let p = (s.p_in_wh[slot] - s.p_out_wh[slot]) * per_hour;
                let q = (s.q_lag_varh[slot] - s.q_lead_varh[slot]) * per_hour;
                let nominal = [p, q, self.supply.line_voltage_v, self.supply.frequency_hz];
                self.push(&mut course, slot as u32, dt, nominal);
            }
        }
        course
    }

    /// A course at each of some levels of the load, one after the other.
    pub fn at_levels(&self, course: &Course, levels: &[Level]) -> Course {
        let mut out = Course { slots: course.slots * levels.len(), ..Course::default() };
        for (l, level) in levels.iter().enumerate() {
            for n in 0..course.len() {
                let slot = (l * course.slots) as u32 + course.slot[n];
                let u = f64::from(course.v_ratio[n]);
                let hz = f64::from(course.output_ratio[n]) / (u * u) * self.supply.frequency_hz;
                let p = level.p_w(f64::from(course.p_w[n]));
                let q = level.q_factor * f64::from(course.q_var[n]);
                let at = [p, q, u * self.supply.line_voltage_v, hz];
                self.push(&mut out, slot, f64::from(course.dt_s[n]), at);
            }
        }
        out
    }

    fn push(&self, c: &mut Course, slot: u32, dt_s: f64, [p, q, v, hz]: [f64; 4]) {
        let u = v / self.supply.line_voltage_v;
        let output = u * u * hz / self.supply.frequency_hz;
        let (rise, bend) = self.supply.rise(v, p, q, self.reference_var * output);
        c.dt_s.push(dt_s as f32);
        c.p_w.push(p as f32);
        c.q_var.push(q as f32);
        c.output_ratio.push(output as f32);
        c.v_ratio.push(u as f32);
        c.rise_per_var.push(rise as f32);
        c.rise_per_var2.push(bend as f32);
        c.running.push(self.running.bits(p, q));
        c.slot.push(slot);
    }
}
