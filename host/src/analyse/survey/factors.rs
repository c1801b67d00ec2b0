//! Power factors and the kvar that they lack, from energies and complete demand intervals.
//! An average power factor is never a mean of power factors.

use super::clock::LocalClock;
use super::demand::{DemandAt, DemandFigures, Peaks, apparent_va, pf};
use super::energy::EnergyTotals;
use super::phases::NotKvar;
use crate::site::{Apparent, PowerFactorTerms};
use serde::Serialize;
use wattless_core::correction::{power_factor, required_var};
use wattless_core::demand::Demand;

/// A power factor this little below the target meets it: single precision in records.
const ROUNDING: f64 = 1e-6;

/// Shares of time in the duration curves.
const SHARES: [f64; 11] = [0.0, 0.01, 0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95, 0.99, 1.0];

/// Power factors of the log.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PowerFactors {
    /// The target.
    pub target: f64,
    /// Apparent power behind the figures below, where they do not say otherwise.
    pub apparent: Apparent,
    /// From energies with the tariff's apparent power; vector: Wh / sqrt(Wh² + varh²), net lagging varh.
    pub average: Option<f64>,
    /// Wh / sqrt(Wh² + varh²), net: what kvar can change.
    pub average_displacement: Option<f64>,
    /// Wh / VAh with the sum of the phases' V·I: includes harmonics and unbalance.
    pub average_true: Option<f64>,
    /// What of the apparent power is not kvar.
    pub not_kvar: NotKvar,
    /// In the billed interval of the highest kW.
    pub at_p_peak: Option<f64>,
    /// In the billed interval of the highest kVA.
    pub at_s_peak: Option<f64>,
    /// Load from which the lowest interval counts, in W.
    pub counts_from_w: f64,
    /// Interval of the lowest power factor among those.
    pub lowest: Option<DemandAt>,
    /// Load below which an interval has no power factor, in VA.
    pub no_load_below_va: f64,
    /// Complete intervals with load: the shares below are of these.
    pub intervals_loaded: u64,
    /// Complete intervals without load, left out.
    pub intervals_no_load: u64,
    /// Complete intervals in which energy flowed back, left out.
    pub intervals_giving_back: u64,
    /// Share of the loaded time below the target, lagging or leading.
    pub below_target_share: Option<f64>,
    /// Share of the loaded time that leads.
    pub leading_share: Option<f64>,
    /// Share of the loaded time below the target and leading.
    pub below_target_leading_share: Option<f64>,
    /// Intervals from the load on that counts.
    pub high_demand: Band,
    /// Loaded intervals under it.
    pub low_demand: Band,
    /// The quarter of the loaded intervals with the least load.
    pub lightest_quarter: Band,
    /// The quarter with the most load.
    pub heaviest_quarter: Band,
}

/// Energies of the intervals in a band of load.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Band {
    /// Share of the loaded intervals.
    pub time_share: Option<f64>,
    /// Share of their active energy.
    pub energy_share: Option<f64>,
    /// Mean active power, in W.
    pub p_w: Option<f64>,
    /// Mean reactive power, in var.
    pub q1_var: Option<f64>,
    /// Displacement power factor from the energies.
    pub pf: Option<f64>,
}

/// Reactive power to take away (or, negative, too much of it) so that the target is met.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Required {
    /// In the billed interval of the highest kW, in var.
    pub at_p_peak_var: Option<f64>,
    /// In the billed interval of the highest kVA, in var.
    pub at_s_peak_var: Option<f64>,
    /// So that the energies meet the target, as a constant, in var.
    pub average_var: Option<f64>,
    /// In the interval of the lowest power factor that counts, in var.
    pub at_lowest_pf_var: Option<f64>,
    /// Most in any complete interval: holds the target all the time, in var.
    pub every_interval_var: Option<f64>,
    /// Lagging energy beyond the target's allowance, interval by interval, in varh.
    pub beyond_target_lagging_varh: f64,
    /// Leading energy beyond the same allowance, in varh.
    pub beyond_target_leading_varh: f64,
}

/// What is exceeded for a share of the time.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct DurationRow {
    /// Share of the complete intervals that lie above the figures.
    pub exceeded_share: f64,
    /// Active power, in W.
    pub p_w: f64,
    /// Reactive power of the fundamental, in var.
    pub q1_var: f64,
    /// Apparent power of the tariff, in VA.
    pub s_va: f64,
}

/// kvar that a load lacks to meet the target; negative where it leads by too much.
pub(super) fn signed_need_var(p_w: f64, q1_var: f64, target: f64) -> Option<f64> {
    if q1_var >= 0.0 {
        required_var(p_w, q1_var, target)
    } else {
        required_var(p_w, -q1_var, target).map(|x| -x)
    }
}

/// Sums of P and Q1 over intervals.
#[derive(Clone, Copy, Default)]
struct Tally {
    count: u64,
    p: f64,
    q1: f64,
}

impl Tally {
    fn add(&mut self, d: &Demand) {
        self.count += 1;
        self.p += d.p_w;
        self.q1 += d.q1_var;
    }

    fn band(&self, all: &Tally) -> Band {
        let n = self.count as f64;
        let some = self.count > 0;
        Band {
            time_share: (all.count > 0).then(|| n / all.count as f64),
            energy_share: (all.p > 0.0).then(|| self.p / all.p),
            p_w: some.then(|| self.p / n),
            q1_var: some.then(|| self.q1 / n),
            pf: some.then(|| power_factor(self.p, self.q1)).flatten(),
        }
    }
}

/// Everything that the intervals and the energies say about the power factor.
pub(super) struct Judged {
    pub(super) power_factor: PowerFactors,
    pub(super) required: Required,
    pub(super) duration: Vec<DurationRow>,
}

/// What there is to judge.
pub(super) struct Material<'a> {
    pub(super) clock: &'a LocalClock,
    pub(super) terms: &'a PowerFactorTerms,
    pub(super) apparent: Apparent,
    pub(super) energy: &'a EnergyTotals,
    pub(super) not_kvar: NotKvar,
    pub(super) demand: &'a DemandFigures,
    pub(super) series: &'a [Demand],
}

/// Judges energies and block intervals.
pub(super) fn judge(m: &Material<'_>) -> Judged {
    let target = m.terms.target;
    let peaks = m.demand.billed().or(m.demand.block.as_ref());
    let block = m.demand.block.as_ref();
    let at_peak = |get: &dyn Fn(&Peaks) -> Option<DemandAt>| peaks.and_then(get);
    let p_peak = at_peak(&|p| p.at_p_peak);
    let s_peak = at_peak(&|p| p.at_s_peak);
    let block_p = block.and_then(|b| b.at_p_peak).map_or(0.0, |d| d.p_w);
    let block_s = block.and_then(|b| b.at_s_peak).map_or(0.0, |d| d.s_va);
    let counts_from_w = m.terms.counts_from_share * block_p;
    let no_load_below_va = m.terms.no_load_share * block_s;
    let interval_ms = block.map_or(0.0, |b| b.interval_min * 60_000.0) as i64;

    let (mut all, mut high, mut low) = (Tally::default(), Tally::default(), Tally::default());
    let (mut no_load, mut giving_back) = (0u64, 0u64);
    let (mut below, mut leading, mut below_leading) = (0u64, 0u64, 0u64);
    let mut lowest: Option<(f64, &Demand)> = None;
    let mut most: Option<f64> = None;
    let (mut beyond_lagging, mut beyond_leading) = (0.0, 0.0);
    let mut loaded: Vec<&Demand> = Vec::with_capacity(m.series.len());
    for d in m.series.iter().filter(|d| d.is_complete()) {
        let need = signed_need_var(d.p_w, d.q1_var, target).unwrap_or(0.0);
        most = Some(most.map_or(need.max(0.0), |x: f64| x.max(need)));
        beyond_lagging += need.max(0.0);
        beyond_leading += (-need).max(0.0);
        let factor = match pf(d, m.apparent) {
            Some(x) if d.s_va >= no_load_below_va => x,
            _ => {
                no_load += 1;
                continue;
            }
        };
        if d.p_w < 0.0 {
            giving_back += 1;
            continue;
        }
        loaded.push(d);
        all.add(d);
        let is_below = factor < target - ROUNDING;
        below += u64::from(is_below);
        leading += u64::from(d.q1_var < 0.0);
        below_leading += u64::from(is_below && d.q1_var < 0.0);
        if d.p_w >= counts_from_w {
            high.add(d);
            if lowest.is_none_or(|(x, _)| factor < x) {
                lowest = Some((factor, d));
            }
        } else {
            low.add(d);
        }
    }
    loaded.sort_by(|a, b| a.p_w.total_cmp(&b.p_w));
    let quarter = loaded.len() / 4;
    let tally = |part: &[&Demand]| {
        let mut t = Tally::default();
        part.iter().for_each(|d| t.add(d));
        t.band(&all)
    };
    let share = |n: u64| (all.count > 0).then(|| n as f64 / all.count as f64);
    let lowest = lowest.map(|(factor, d)| DemandAt {
        start: m.clock.moment(d.end_ms - interval_ms),
        end: m.clock.moment(d.end_ms),
        p_w: d.p_w,
        q1_var: d.q1_var,
        s_va: apparent_va(d, m.apparent),
        pf: Some(factor),
    });
    let hours = interval_ms as f64 / 3.6e6;
    let e = m.energy;
    let need_at = |d: Option<DemandAt>| d.and_then(|d| signed_need_var(d.p_w, d.q1_var, target));
    Judged {
        power_factor: PowerFactors {
            target,
            apparent: m.apparent,
            average: average(e, m.apparent),
            average_displacement: average(e, Apparent::Vector),
            average_true: average(e, Apparent::Arithmetic),
            not_kvar: m.not_kvar,
            at_p_peak: p_peak.and_then(|d| d.pf),
            at_s_peak: s_peak.and_then(|d| d.pf),
            counts_from_w,
            lowest,
            no_load_below_va,
            intervals_loaded: all.count,
            intervals_no_load: no_load,
            intervals_giving_back: giving_back,
            below_target_share: share(below),
            leading_share: share(leading),
            below_target_leading_share: share(below_leading),
            high_demand: high.band(&all),
            low_demand: low.band(&all),
            lightest_quarter: tally(loaded.get(..quarter).unwrap_or_default()),
            heaviest_quarter: tally(loaded.get(loaded.len() - quarter..).unwrap_or_default()),
        },
        required: Required {
            at_p_peak_var: need_at(p_peak),
            at_s_peak_var: need_at(s_peak),
            average_var: (e.measured_h > 0.0)
                .then(|| signed_need_var(e.active_net_wh, e.reactive_net_varh, target))
                .flatten()
                .map(|x| x / e.measured_h),
            at_lowest_pf_var: need_at(lowest),
            every_interval_var: most,
            beyond_target_lagging_varh: beyond_lagging * hours,
            beyond_target_leading_varh: beyond_leading * hours,
        },
        duration: duration(m.series, m.apparent),
    }
}

/// Average power factor from energies; `None` where nothing flowed in.
fn average(e: &EnergyTotals, apparent: Apparent) -> Option<f64> {
    let vah = match apparent {
        Apparent::Vector => e.apparent_vector_vah,
        Apparent::Arithmetic => e.apparent_arithmetic_vah,
        Apparent::Effective => e.apparent_effective_vah?,
    };
    (vah > 0.0).then(|| (e.active_net_wh / vah).clamp(-1.0, 1.0))
}

/// Duration curves of the complete intervals, each figure sorted on its own.
fn duration(series: &[Demand], apparent: Apparent) -> Vec<DurationRow> {
    let sorted = |get: &dyn Fn(&Demand) -> f64| {
        let mut x: Vec<f64> = series.iter().filter(|d| d.is_complete()).map(get).collect();
        x.sort_by(|a, b| b.total_cmp(a));
        x
    };
    let (p, q1, s) =
        (sorted(&|d| d.p_w), sorted(&|d| d.q1_var), sorted(&|d| apparent_va(d, apparent)));
    if p.is_empty() {
        return Vec::new();
    }
    SHARES
        .iter()
        .map(|share| DurationRow {
            exceeded_share: *share,
            p_w: quantile(&p, *share),
            q1_var: quantile(&q1, *share),
            s_va: quantile(&s, *share),
        })
        .collect()
}

/// Linear interpolation between the two nearest ranks of a sorted list that is not empty.
fn quantile(sorted: &[f64], share: f64) -> f64 {
    let at = share * (sorted.len() - 1) as f64;
    let low = libm::floor(at) as usize;
    let high = (low + 1).min(sorted.len() - 1);
    sorted[low] + (sorted[high] - sorted[low]) * (at - low as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 750 kW at 0.75 to 0.95 needs 414.92 kvar (Qc = P·(tan φ1 − tan φ2)); leading mirrors it.
    #[test]
    fn need_has_the_sign_of_the_trouble() {
        let q = 661.438e3;
        assert!((signed_need_var(750e3, q, 0.95).unwrap() - 414.92e3).abs() < 5.0);
        assert!((signed_need_var(750e3, -q, 0.95).unwrap() + 414.92e3).abs() < 5.0);
        assert_eq!(signed_need_var(750e3, 100e3, 0.95), Some(0.0));
    }

    #[test]
    fn quantiles_lie_between_ranks() {
        let x = [40.0, 30.0, 20.0, 10.0];
        assert_eq!(quantile(&x, 0.0), 40.0);
        assert_eq!(quantile(&x, 0.5), 25.0);
        assert_eq!(quantile(&x, 1.0), 10.0);
        assert_eq!(quantile(&[7.0], 0.3), 7.0);
    }
}
