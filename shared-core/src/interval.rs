//! Joins basic windows into an interval: averages, extremes, phasors, and energies for life.
//! V and I aggregate as root mean square, powers as mean (IEC 61000-4-30, 4.5), all weighted by time.

use crate::complex::Complex;
use crate::flags::Flags;
use crate::frame::ACTIVE;
use crate::power::{PhaseReading, Reading, TotalReading};
use crate::record::ORDERS;

/// Smallest and largest value of the basic windows.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Extremes {
    /// Smallest.
    pub min: f64,
    /// Largest.
    pub max: f64,
}

impl Extremes {
    const NONE: Extremes = Extremes { min: f64::INFINITY, max: f64::NEG_INFINITY };

    fn add(&mut self, x: f64) {
        self.min = self.min.min(x);
        self.max = self.max.max(x);
    }
}

/// Harmonics of an interval as ratios to the fundamental (not percent); not-a-number where absent.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct IntervalHarmonics {
    /// Total harmonic distortion of the phase voltages.
    pub v_thd: [f64; 3],
    /// Total harmonic distortion of the currents.
    pub i_thd: [f64; 3],
    /// Voltage of the orders in [`ORDERS`], root mean square over the phases that exist.
    pub v_orders: [f64; ORDERS.len()],
    /// Current of the orders in [`ORDERS`], likewise.
    pub i_orders: [f64; ORDERS.len()],
}

/// What an interval was, in full precision.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct IntervalSummary {
    /// Length in seconds: the sum of its windows.
    pub duration_s: f64,
    /// Number of basic windows.
    pub windows: u32,
    /// Mean frequency of the windows that had one, in Hz.
    pub frequency_hz: Option<f64>,
    /// Remarks of all windows together.
    pub flags: Flags,
    /// Aggregated phases; phasors turn against the first phase voltage that is present.
    pub phases: [PhaseReading; 3],
    /// Aggregated totals.
    pub total: TotalReading,
    /// Line voltages L1–L2, L2–L3, L3–L1 as RMS, in V.
    pub v_line_v: [f64; 3],
    /// Neutral current as RMS, in A.
    pub i_neutral_a: f64,
    /// Mean fundamental phasor of every channel, in V or A.
    pub channels: [Complex; ACTIVE],
    /// Mean (DC) of every channel, in V or A.
    pub dc: [f64; ACTIVE],
    /// Extremes of each phase's RMS voltage, in V.
    pub v_extremes_v: [Extremes; 3],
    /// Extremes of each phase's RMS current, in A.
    pub i_extremes_a: [Extremes; 3],
    /// Extremes of total active power, in W.
    pub p_extremes_w: Extremes,
    /// Extremes of total reactive power of the fundamental, in var.
    pub q1_extremes_var: Extremes,
    /// Harmonics, where they were measured.
    pub harmonics: Option<IntervalHarmonics>,
}

/// Collects windows until the interval is closed.
#[derive(Clone, Debug)]
pub struct IntervalBuilder {
    sum: IntervalSummary,
    frequency_time_s: f64,
    effective_all: bool,
}

impl Default for IntervalBuilder {
    fn default() -> Self {
        Self::new()
    }
}

impl IntervalBuilder {
    /// An empty interval.
    pub fn new() -> Self {
        IntervalBuilder {
            sum: IntervalSummary {
                duration_s: 0.0,
                windows: 0,
                frequency_hz: None,
                flags: Flags::NONE,
                phases: [PhaseReading::default(); 3],
                total: TotalReading { s_effective_va: Some(0.0), ..TotalReading::default() },
                v_line_v: [0.0; 3],
                i_neutral_a: 0.0,
                channels: [Complex::ZERO; ACTIVE],
                dc: [0.0; ACTIVE],
                v_extremes_v: [Extremes::NONE; 3],
                i_extremes_a: [Extremes::NONE; 3],
                p_extremes_w: Extremes::NONE,
                q1_extremes_var: Extremes::NONE,
                harmonics: None,
            },
            frequency_time_s: 0.0,
            effective_all: true,
        }
    }

    /// Seconds collected so far.
    pub fn duration_s(&self) -> f64 {
        self.sum.duration_s
    }

    /// Windows collected so far.
    pub fn windows(&self) -> u32 {
        self.sum.windows
    }

    /// Adds a remark to the interval under way.
    pub fn flag(&mut self, flags: Flags) {
        self.sum.flags.insert(flags);
    }

    /// Adds a window.
    pub fn add(&mut self, r: &Reading) {
        let s = &mut self.sum;
        let t = r.duration_s;
        s.duration_s += t;
        s.windows = s.windows.saturating_add(1);
        s.flags.insert(r.flags);
        if let Some(f) = r.frequency_hz {
            s.frequency_hz = Some(s.frequency_hz.unwrap_or(0.0) + f * t);
            self.frequency_time_s += t;
        }
        for (k, (a, p)) in s.phases.iter_mut().zip(&r.phases).enumerate() {
            a.v_rms_v += p.v_rms_v * p.v_rms_v * t;
            a.i_rms_a += p.i_rms_a * p.i_rms_a * t;
            a.p_w += p.p_w * t;
            a.p1_w += p.p1_w * t;
            a.q1_var += p.q1_var * t;
            a.s_va += p.s_va * t;
            a.loaded |= p.loaded;
            if let (Some(v), Some(i)) = (s.v_extremes_v.get_mut(k), s.i_extremes_a.get_mut(k)) {
                v.add(p.v_rms_v);
                i.add(p.i_rms_a);
            }
        }
        s.total.p_w += r.total.p_w * t;
        s.total.q1_var += r.total.q1_var * t;
        s.total.s_arithmetic_va += r.total.s_arithmetic_va * t;
        s.total.loaded |= r.total.loaded;
        match (s.total.s_effective_va, r.total.s_effective_va) {
            (Some(sum), Some(x)) => s.total.s_effective_va = Some(sum + x * t),
            _ => self.effective_all = false,
        }
        s.p_extremes_w.add(r.total.p_w);
        s.q1_extremes_var.add(r.total.q1_var);
        for (a, x) in s.v_line_v.iter_mut().zip(&r.v_line_v) {
            *a += x * x * t;
        }
        s.i_neutral_a += r.i_neutral_a * r.i_neutral_a * t;
        for (a, x) in s.dc.iter_mut().zip(&r.dc) {
            *a += x * t;
        }
        // Phasors of different windows add up only against a common direction.
        let turn = direction(r).conj();
        for (a, x) in s.channels.iter_mut().zip(&r.channels) {
            *a += (*x * turn).scale(t);
        }
        for (a, p) in s.phases.iter_mut().zip(&r.phases) {
            a.v1_v += (p.v1_v * turn).scale(t);
            a.i1_a += (p.i1_a * turn).scale(t);
        }
    }

    /// The interval so far; `None` before the first window.
    pub fn summary(&self) -> Option<IntervalSummary> {
        let mut s = self.sum;
        let t = s.duration_s;
        if s.windows == 0 || t <= 0.0 {
            return None;
        }
        let rms = |x: f64| libm::sqrt(x / t);
        s.frequency_hz = s.frequency_hz.map(|f| f / self.frequency_time_s);
        for p in &mut s.phases {
            p.v_rms_v = rms(p.v_rms_v);
            p.i_rms_a = rms(p.i_rms_a);
            p.p_w /= t;
            p.p1_w /= t;
            p.q1_var /= t;
            p.s_va /= t;
            p.v1_v = p.v1_v.scale(1.0 / t);
            p.i1_a = p.i1_a.scale(1.0 / t);
        }
        s.total.p_w /= t;
        s.total.q1_var /= t;
        s.total.s_arithmetic_va /= t;
        let effective = s.total.s_effective_va.filter(|_| self.effective_all);
        s.total.s_effective_va = effective.map(|x| x / t);
        s.v_line_v = s.v_line_v.map(rms);
        s.i_neutral_a = rms(s.i_neutral_a);
        s.channels = s.channels.map(|x| x.scale(1.0 / t));
        s.dc = s.dc.map(|x| x / t);
        Some(s)
    }

    /// Forgets everything, for the next interval.
    pub fn clear(&mut self) {
        *self = IntervalBuilder::new();
    }
}

/// Direction of the first phase voltage that is present, as a unit phasor.
fn direction(r: &Reading) -> Complex {
    let strongest = r.phases.iter().map(|p| p.v1_v.abs()).fold(0.0, f64::max);
    r.phases
        .iter()
        .map(|p| p.v1_v)
        .find(|v| strongest > 0.0 && v.abs() >= 0.5 * strongest)
        .map_or(Complex::new(1.0, 0.0), |v| v.scale(1.0 / v.abs()))
}

/// Largest value of an energy counter: 48 bits of 10 mWh, 2.8 TWh.
pub const ENERGY_MAX: u64 = (1 << 48) - 1;

/// Counts of a counter in one Wh, varh or VAh.
pub const ENERGY_PER_WH: f64 = 100.0;

/// An energy counter for life, in units of 10 mWh (10 mvarh, 10 mVAh).
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct EnergyCounter {
    count: u64,
    /// Below one count, not yet counted.
    rest: f64,
}

impl EnergyCounter {
    /// Continues from a stored count.
    pub fn from_count(count: u64) -> Self {
        EnergyCounter { count: count.min(ENERGY_MAX), rest: 0.0 }
    }

    /// The whole counts.
    pub fn count(&self) -> u64 {
        self.count
    }

    /// Adds joules (watt-seconds); a negative amount is ignored.
    fn add(&mut self, joules: f64) {
        self.rest += joules.max(0.0) * (ENERGY_PER_WH / 3600.0);
        let whole = libm::floor(self.rest);
        self.rest -= whole;
        self.count = self.count.saturating_add(whole as u64).min(ENERGY_MAX);
    }
}

/// Energy counters of a feeder: they only count up.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Energies {
    /// Active energy taken in (P > 0).
    pub wh_in: EnergyCounter,
    /// Active energy given back (P < 0).
    pub wh_out: EnergyCounter,
    /// Reactive energy by quadrant: I (P ≥ 0, Q1 ≥ 0), II (P < 0, Q1 ≥ 0),
    /// III (P < 0, Q1 < 0), IV (P ≥ 0, Q1 < 0).
    pub varh: [EnergyCounter; 4],
    /// Arithmetic apparent energy.
    pub vah: EnergyCounter,
}

impl Energies {
    /// Counts the energy of one window.
    pub fn add(&mut self, r: &Reading) {
        let (p, q, t) = (r.total.p_w, r.total.q1_var, r.duration_s);
        self.wh_in.add(p * t);
        self.wh_out.add(-p * t);
        let quadrant = match (p >= 0.0, q >= 0.0) {
            (true, true) => 0,
            (false, true) => 1,
            (false, false) => 2,
            (true, false) => 3,
        };
        if let Some(c) = self.varh.get_mut(quadrant) {
            c.add(libm::fabs(q) * t);
        }
        self.vah.add(r.total.s_arithmetic_va * t);
    }

    /// Counts in the order of the record: Wh in, Wh out, varh I to IV, VAh.
    pub fn counts(&self) -> [u64; 7] {
        let [a, b, c, d] = self.varh.map(|c| c.count());
        [self.wh_in.count(), self.wh_out.count(), a, b, c, d, self.vah.count()]
    }

    /// Continues from the counts of a record.
    pub fn from_counts(c: &[u64; 7]) -> Self {
        let [wh_in, wh_out, q1, q2, q3, q4, vah] = c.map(EnergyCounter::from_count);
        Energies { wh_in, wh_out, varh: [q1, q2, q3, q4], vah }
    }

    /// Whether any counter has reached its end.
    pub fn is_full(&self) -> bool {
        self.counts().contains(&ENERGY_MAX)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reading(p_w: f64, q1_var: f64, v: f64, duration_s: f64) -> Reading {
        Reading {
            duration_s,
            frequency_hz: Some(50.0),
            flags: Flags::NONE,
            phases: [PhaseReading { v_rms_v: v, loaded: true, ..PhaseReading::default() }; 3],
            total: TotalReading {
                p_w,
                q1_var,
                s_arithmetic_va: 10.0,
                s_effective_va: None,
                loaded: true,
            },
            v_line_v: [0.0; 3],
            i_neutral_a: 0.0,
            channels: [Complex::ZERO; ACTIVE],
            channel_rms: [0.0; ACTIVE],
            dc: [0.0; ACTIVE],
        }
    }

    /// IEC 61000-4-30 4.5 (from memory): 230 V and 0 V for equal times aggregate to 162.635 V.
    #[test]
    fn voltages_aggregate_as_root_mean_square() {
        let mut b = IntervalBuilder::new();
        assert!(b.summary().is_none());
        b.add(&reading(100.0, 0.0, 230.0, 0.2));
        b.add(&reading(300.0, 0.0, 0.0, 0.2));
        let s = b.summary().unwrap();
        assert!((s.phases[0].v_rms_v - 162.635).abs() < 5e-4);
        assert_eq!(s.total.p_w, 200.0);
        assert_eq!((s.p_extremes_w.min, s.p_extremes_w.max), (100.0, 300.0));
        assert_eq!(s.total.s_effective_va, None);
        assert_eq!(s.windows, 2);
    }

    #[test]
    fn energies_fall_into_their_quadrants_and_lose_nothing() {
        let mut e = Energies::default();
        for (p, q) in [(7.0, 3.0), (-7.0, 3.0), (-7.0, -3.0), (7.0, -3.0)] {
            for _ in 0..18_000 {
                e.add(&reading(p, q, 230.0, 0.2));
            }
        }
        let c = e.counts().map(|c| c as f64 / ENERGY_PER_WH);
        for (got, want) in c.into_iter().zip([14.0, 14.0, 3.0, 3.0, 3.0, 3.0, 40.0]) {
            assert!((got - want).abs() <= 0.0101, "{got} {want}");
        }
        assert_eq!(Energies::from_counts(&e.counts()).counts(), e.counts());
    }
}
