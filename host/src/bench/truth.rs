//! What really flowed in a stretch of the span: the yardstick for what a node has logged.
//! Definitions are the core's; the numbers come from the feeder's phasors, not from samples.

use super::feeder::{Feeder, RIGHT_LEADS, State, weighted};
use wattless_core::frame::NEUTRAL;
use wattless_core::wiring::Wiring;

/// True mean values of a stretch of time.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Truth {
    /// Seconds that it covers.
    pub duration_s: f64,
    /// Mean frequency in Hz.
    pub frequency_hz: f64,
    /// RMS voltage of each phase, in V.
    pub v_rms_v: [f64; 3],
    /// RMS current of each phase, in A.
    pub i_rms_a: [f64; 3],
    /// RMS current of the neutral, in A.
    pub i_neutral_a: f64,
    /// Mean active power of each phase, in W.
    pub p_w: [f64; 3],
    /// Mean reactive power of the fundamental of each phase, in var.
    pub q1_var: [f64; 3],
    /// Mean apparent power of each phase, in VA.
    pub s_va: [f64; 3],
    /// Active energy taken in and given back, in Wh.
    pub wh: [f64; 2],
    /// Reactive energy by quadrant I to IV, in varh.
    pub varh: [f64; 4],
}

impl Truth {
    /// Total active power, in W.
    pub fn total_p_w(&self) -> f64 {
        self.p_w.iter().sum()
    }

    /// Total reactive power of the fundamental, in var.
    pub fn total_q1_var(&self) -> f64 {
        self.q1_var.iter().sum()
    }

    /// Arithmetic apparent energy, in VAh.
    pub fn vah(&self) -> f64 {
        self.s_va.iter().sum::<f64>() * self.duration_s / 3600.0
    }

    /// Average power factor from energies: Wh over the root of Wh² and net varh²; `None` at no load.
    pub fn average_pf(&self) -> Option<f64> {
        let varh = self.varh[0] + self.varh[1] - self.varh[2] - self.varh[3];
        let wh = self.wh[0] - self.wh[1];
        let vah = libm::sqrt(wh * wh + varh * varh);
        (vah > 0.0).then(|| wh / vah)
    }

    /// The truth of one unchanging state, for a duration in seconds.
    pub fn of_state(state: &State, orders: &[u8], wiring: Wiring, duration_s: f64) -> Truth {
        let mut t = Truth { duration_s, frequency_hz: state.frequency_hz, ..Truth::default() };
        let channels = state.channels(wiring, &RIGHT_LEADS);
        let (voltages, currents) = (wiring.phase_voltages(), wiring.phase_currents());
        for k in 0..wiring.phases() {
            let (mut v2, mut i2) = (0.0, 0.0);
            for (order, x) in orders.iter().zip(&channels) {
                let (v, i) = (weighted(&voltages[k], x), weighted(&currents[k], x));
                v2 += v.norm_sq();
                i2 += i.norm_sq();
                let s = v * i.conj();
                t.p_w[k] += s.re;
                if *order == 1 {
                    t.q1_var[k] = s.im;
                }
            }
            (t.v_rms_v[k], t.i_rms_a[k]) = (libm::sqrt(v2), libm::sqrt(i2));
            t.s_va[k] = t.v_rms_v[k] * t.i_rms_a[k];
        }
        t.i_neutral_a = libm::sqrt(channels.iter().map(|x| x[NEUTRAL].norm_sq()).sum());
        let (p, q, hours) = (t.total_p_w(), t.total_q1_var(), duration_s / 3600.0);
        t.wh[usize::from(p < 0.0)] = p.abs() * hours;
        let quadrant = match (p >= 0.0, q >= 0.0) {
            (true, true) => 0,
            (false, true) => 1,
            (false, false) => 2,
            (true, false) => 3,
        };
        t.varh[quadrant] = q.abs() * hours;
        t
    }
}

/// Joins stretches: V and I as root mean square, powers as mean, energies as sums.
#[derive(Clone, Debug, Default)]
struct Joined {
    sum: Truth,
}

impl Joined {
    fn add(&mut self, x: &Truth) {
        let (s, d) = (&mut self.sum, x.duration_s);
        s.duration_s += d;
        s.frequency_hz += x.frequency_hz * d;
        s.i_neutral_a += x.i_neutral_a * x.i_neutral_a * d;
        for k in 0..3 {
            s.v_rms_v[k] += x.v_rms_v[k] * x.v_rms_v[k] * d;
            s.i_rms_a[k] += x.i_rms_a[k] * x.i_rms_a[k] * d;
            s.p_w[k] += x.p_w[k] * d;
            s.q1_var[k] += x.q1_var[k] * d;
            s.s_va[k] += x.s_va[k] * d;
        }
        s.wh.iter_mut().zip(x.wh).for_each(|(s, x)| *s += x);
        s.varh.iter_mut().zip(x.varh).for_each(|(s, x)| *s += x);
    }

    fn finish(self) -> Truth {
        let mut t = self.sum;
        let d = t.duration_s;
        if d > 0.0 {
            t.frequency_hz /= d;
            let rms = |x: f64| libm::sqrt(x / d);
            (t.v_rms_v, t.i_rms_a) = (t.v_rms_v.map(rms), t.i_rms_a.map(rms));
            t.i_neutral_a = rms(t.i_neutral_a);
            t.p_w = t.p_w.map(|x| x / d);
            t.q1_var = t.q1_var.map(|x| x / d);
            t.s_va = t.s_va.map(|x| x / d);
        }
        t
    }
}

impl Feeder {
    /// What really flows from one second of the span to another.
    ///
    /// Between switchings the state of the middle counts; voltage and frequency change along
    /// straight lines of ten seconds there, so that the error is below 10⁻⁶.
    pub fn truth(&self, from_s: f64, to_s: f64) -> Truth {
        let mut joined = Joined::default();
        let ms = |s: f64| libm::floor(s * 1e3) as i64;
        for stretch in self.stretches(ms(from_s), ms(to_s) + 1) {
            let from = (stretch.from_ms as f64 * 1e-3).max(from_s);
            let to = (stretch.to_ms as f64 * 1e-3).min(to_s);
            if to > from {
                let state = self.state(stretch.from_ms, (from + to) / 2.0);
                joined.add(&Truth::of_state(&state, self.orders(), self.wiring(), to - from));
            }
        }
        joined.finish()
    }
}
