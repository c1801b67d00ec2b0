//! Past bills against each other: how the load of a short log follows the months of a year.

use super::quantities::MonthQuantities;
use crate::analyse::series::LoadSeries;
use jiff::ToSpan;
use jiff::civil::Date;

/// Where the highest demand of a log is less than so much above its mean, its shape stays as it is.
const FLAT: f64 = 1.05;

/// Twelve months of past bills: a day's energies and the month's highest demand, January first.
#[derive(Clone, Debug, PartialEq)]
pub struct Seasons {
    kwh_a_day: [f64; 12],
    peak_kw: Option<[f64; 12]>,
    kvarh_a_day: Option<[f64; 12]>,
}

/// How a load of the log stands in another month.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Level {
    /// Added to a consumed power, in W.
    pub add_w: f64,
    /// A consumed power is multiplied by this first.
    pub p_factor: f64,
    /// Reactive power is multiplied by this.
    pub q_factor: f64,
}

/// What of a log's like days the levels hang on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Shape {
    /// Mean, highest demand and lowest step of consumed power, in W.
    pub(super) mean_w: f64,
    pub(super) peak_w: f64,
    pub(super) low_w: f64,
}

/// The calendar month, from 0, that a billing month from a day on counts as: that of its middle.
pub(super) fn month_index(first: Date) -> usize {
    let middle = first.checked_add(14.days()).unwrap_or(first);
    usize::from(middle.month().unsigned_abs().clamp(1, 12)) - 1
}

impl Seasons {
    /// Of past bills that state the kWh of each of the twelve months; of a month that is there
    /// twice the later one counts. `None` where a month is missing.
    pub fn of(bills: &[MonthQuantities]) -> Option<Seasons> {
        let of = |get: &dyn Fn(&MonthQuantities) -> f64| -> Option<[f64; 12]> {
            let mut months = [None; 12];
            for b in bills {
                let x = get(b);
                if x.is_finite() && x > 0.0 {
                    months[month_index(b.frame.first_day)] = Some(x);
                }
            }
            let all: Option<Vec<f64>> = months.into_iter().collect();
            all?.try_into().ok()
        };
        let days = |b: &MonthQuantities| b.frame.length_s() / 86_400.0;
        Some(Seasons {
            kwh_a_day: of(&|b| b.figures.total.p_in_kwh / days(b))?,
            peak_kw: of(&|b| b.figures.total.p_peak.p_kw),
            kvarh_a_day: of(&|b| b.figures.total.q_lag_kvarh / days(b)),
        })
    }

    /// Levels of the twelve months for a log with so many like days in each.
    pub(super) fn levels(&self, days: &[u32; 12], shape: Shape) -> [Level; 12] {
        let all: f64 = days.iter().map(|d| f64::from(*d)).sum();
        let against = |months: &[f64; 12]| {
            let own = months.iter().zip(days).map(|(x, d)| x * f64::from(*d)).sum::<f64>() / all;
            months.map(|x| x / own)
        };
        let energy = against(&self.kwh_a_day);
        let peak = self.peak_kw.as_ref().map(against);
        let reactive = self.kvarh_a_day.as_ref().map_or(energy, against);
        std::array::from_fn(|m| {
            let q_factor = reactive[m];
            let plain = Level { add_w: 0.0, p_factor: energy[m], q_factor };
            let Some(peak) = peak.filter(|_| shape.peak_w > FLAT * shape.mean_w) else {
                return plain;
            };
            // Mean and peak both come out as the bills say, with the shape stretched between them.
            let (mean, top) = (energy[m] * shape.mean_w, peak[m] * shape.peak_w);
            let p_factor = (top - mean) / (shape.peak_w - shape.mean_w);
            let add_w = mean - p_factor * shape.mean_w;
            if p_factor <= 0.0 || add_w + p_factor * shape.low_w < 0.0 {
                return plain;
            }
            Level { add_w, p_factor, q_factor }
        })
    }

    /// What the load of the months follows, in words.
    pub(super) fn words(&self) -> String {
        format!(
            "months beyond the log follow the past bills, as if this load went with them: kWh a \
             day{} against those of the log's own month, kvar with the {}",
            if self.peak_kw.is_some() { " and highest kW" } else { "" },
            if self.kvarh_a_day.is_some() { "kvarh a day" } else { "kWh" }
        )
    }
}

impl Level {
    /// The load as it is.
    pub const SAME: Level = Level { add_w: 0.0, p_factor: 1.0, q_factor: 1.0 };

    /// Active power at this level; what is given back stays.
    pub fn p_w(&self, p_w: f64) -> f64 {
        if p_w > 0.0 { self.add_w + self.p_factor * p_w } else { p_w }
    }
}

impl LoadSeries {
    /// The load at each of some levels, one after the other.
    pub fn at_levels(&self, levels: &[Level]) -> LoadSeries {
        let n = self.len();
        let mut out =
            LoadSeries::blank(self.start_ms, self.step_s, n * levels.len(), self.s_vah.is_some());
        for (l, level) in levels.iter().enumerate() {
            for k in 0..n {
                self.put_at_level(k, level, &mut out, l * n + k);
            }
        }
        out.origin = self.origin.clone();
        out
    }

    /// Puts a step into another series, at a level.
    pub(super) fn put_at_level(&self, k: usize, level: &Level, to: &mut LoadSeries, at: usize) {
        if at >= to.len() || k >= self.len() {
            return;
        }
        let hours = f64::from(self.covered_s[k]) / 3600.0;
        let (p_in, q) = (self.p_in_wh[k], level.q_factor);
        to.p_in_wh[at] =
            if p_in > 0.0 { level.add_w * hours + level.p_factor * p_in } else { p_in };
        to.p_out_wh[at] = self.p_out_wh[k];
        to.q_lag_varh[at] = q * self.q_lag_varh[k];
        to.q_lead_varh[at] = q * self.q_lead_varh[k];
        to.covered_s[at] = self.covered_s[k];
        if let (Some(from), Some(s)) = (&self.s_vah, &mut to.s_vah) {
            // Harmonics and unbalance go with P and Q.
            let size =
                |p: f64, lag: f64, lead: f64| libm::sqrt(p * p + (lag - lead) * (lag - lead));
            let own = size(p_in, self.q_lag_varh[k], self.q_lead_varh[k]);
            let new = size(to.p_in_wh[at], to.q_lag_varh[at], to.q_lead_varh[at]);
            s[at] = if own > 0.0 { from[k] * new / own } else { from[k] };
        }
    }
}
