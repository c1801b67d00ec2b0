//! Demands in local time, block and sliding, and their peaks; only complete intervals count.

use super::clock::{LocalClock, Moment};
use crate::site::{Apparent, DemandTerms};
use serde::Serialize;
use wattless_core::correction::power_factor;
use wattless_core::demand::{Demand, DemandMeter, DemandRule, Energy};

/// Share of an interval that must be there before its mean says something about a hidden peak.
const TELLING_COVERAGE: f64 = 0.2;

/// Demands of the log.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct DemandFigures {
    /// Which series the tariff bills.
    pub billed: crate::site::DemandKind,
    /// Intervals by the clock; none where records are longer than the interval.
    pub block: Option<Peaks>,
    /// Sliding intervals; none where records are longer than the sub-interval.
    pub sliding: Option<Peaks>,
    /// Records that lie in two intervals and are long enough to blur them.
    pub blurring_records: u64,
}

impl DemandFigures {
    /// The series that the tariff bills.
    pub fn billed(&self) -> Option<&Peaks> {
        match self.billed {
            crate::site::DemandKind::Block => self.block.as_ref(),
            crate::site::DemandKind::Sliding => self.sliding.as_ref(),
        }
    }
}

/// Peaks of one series of demands.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Peaks {
    /// Length of the interval, in minutes.
    pub interval_min: f64,
    /// Step of the interval, in minutes; equal to the length for blocks.
    pub step_min: f64,
    /// Intervals that the log covers whole.
    pub complete: u64,
    /// Intervals that it covers in part; they are in no peak.
    pub incomplete: u64,
    /// Interval of the highest active power.
    pub at_p_peak: Option<DemandAt>,
    /// Interval of the highest apparent power.
    pub at_s_peak: Option<DemandAt>,
    /// Interval of the highest reactive power.
    pub at_q1_peak: Option<DemandAt>,
    /// The incomplete interval that may hide a higher peak.
    pub hidden: Option<HiddenPeak>,
}

/// Demand of one interval with its time.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct DemandAt {
    /// Start of the interval.
    pub start: Moment,
    /// End of the interval.
    pub end: Moment,
    /// Mean active power, in W.
    pub p_w: f64,
    /// Mean reactive power of the fundamental, in var.
    pub q1_var: f64,
    /// Apparent power that the tariff uses, in VA.
    pub s_va: f64,
    /// P over that apparent power.
    pub pf: Option<f64>,
}

/// An interval with data missing, in which load was higher than in any complete one.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct HiddenPeak {
    /// Start of the interval.
    pub start: Moment,
    /// End of the interval.
    pub end: Moment,
    /// Share of the interval with data.
    pub coverage: f64,
    /// Mean active power of the time with data, in W.
    pub p_seen_w: f64,
    /// Mean over the whole interval as if the missing time had no load, in W.
    pub p_at_least_w: f64,
}

/// Apparent power of a demand by the tariff's choice, in VA.
///
/// The metered energy of a demand is the arithmetic or the effective one, as fed.
pub(super) fn apparent_va(d: &Demand, which: Apparent) -> f64 {
    match which {
        Apparent::Vector => d.s_va,
        Apparent::Arithmetic | Apparent::Effective => d.s_metered_va,
    }
}

/// Power factor of a demand by the tariff's choice; `None` without load.
pub(super) fn pf(d: &Demand, which: Apparent) -> Option<f64> {
    match which {
        Apparent::Vector => power_factor(d.p_w, d.q1_var),
        Apparent::Arithmetic | Apparent::Effective => {
            (d.s_metered_va > 0.0).then(|| (d.p_w / d.s_metered_va).clamp(-1.0, 1.0))
        }
    }
}

/// Follows the highest complete demands of a series.
#[derive(Clone, Default)]
struct Finder {
    complete: u64,
    incomplete: u64,
    p: Option<Demand>,
    s: Option<Demand>,
    q1: Option<Demand>,
    partial: Option<Demand>,
}

fn raise(best: &mut Option<Demand>, d: &Demand, key: impl Fn(&Demand) -> f64) {
    if best.as_ref().is_none_or(|b| key(d) > key(b)) {
        *best = Some(*d);
    }
}

impl Finder {
    #[inline]
    fn see(&mut self, d: &Demand, which: Apparent) {
        if d.is_complete() {
            self.complete += 1;
            raise(&mut self.p, d, |d| d.p_w);
            raise(&mut self.s, d, |d| apparent_va(d, which));
            raise(&mut self.q1, d, |d| d.q1_var);
        } else {
            self.incomplete += 1;
            if d.coverage >= TELLING_COVERAGE {
                raise(&mut self.partial, d, |d| d.p_w / d.coverage);
            }
        }
    }

    fn finish(&self, rule: &DemandRule, step_s: u32, which: Apparent, clock: &LocalClock) -> Peaks {
        let interval_s = rule.interval_s();
        let start = |d: &Demand| clock.moment(d.end_ms - (interval_s * 1000.0) as i64);
        let at = |d: &Demand| DemandAt {
            start: start(d),
            end: clock.moment(d.end_ms),
            p_w: d.p_w,
            q1_var: d.q1_var,
            s_va: apparent_va(d, which),
            pf: pf(d, which),
        };
        let peak_w = self.p.map_or(0.0, |d| d.p_w);
        let hidden = self.partial.filter(|d| d.p_w / d.coverage > peak_w).map(|d| HiddenPeak {
            start: start(&d),
            end: clock.moment(d.end_ms),
            coverage: d.coverage,
            p_seen_w: d.p_w / d.coverage,
            p_at_least_w: d.p_w,
        });
        Peaks {
            interval_min: interval_s / 60.0,
            step_min: f64::from(step_s) / 60.0,
            complete: self.complete,
            incomplete: self.incomplete,
            at_p_peak: self.p.as_ref().map(at),
            at_s_peak: self.s.as_ref().map(at),
            at_q1_peak: self.q1.as_ref().map(at),
            hidden,
        }
    }
}

/// A meter whose boundaries follow the local clock.
struct LocalMeter {
    rule: DemandRule,
    meter: DemandMeter,
    step_s: i32,
    offset_s: i32,
}

impl LocalMeter {
    fn new(rule: DemandRule, step_s: u32, offset_s: i32) -> Self {
        let step_s = step_s as i32;
        let meter = DemandMeter::new(rule.by_clocks_ahead_s(offset_s));
        LocalMeter { rule, meter, step_s, offset_s }
    }

    /// Starts anew where the clocks change by no multiple of the step; the rest goes to the sink.
    fn realign(&mut self, offset_s: i32, sink: &mut impl FnMut(&Demand)) {
        if (offset_s - self.offset_s) % self.step_s != 0 {
            self.meter.finish(sink);
            self.meter = DemandMeter::new(self.rule.by_clocks_ahead_s(offset_s));
        }
        self.offset_s = offset_s;
    }
}

/// Makes both series of demands from energies in order of time.
pub(super) struct Demands<'a> {
    clock: &'a LocalClock,
    terms: DemandTerms,
    changes: &'a [(i64, i32)],
    block: LocalMeter,
    sliding: Option<LocalMeter>,
    series: Vec<Demand>,
    block_peaks: Finder,
    sliding_peaks: Finder,
    longest_ms: i64,
    blurring: u64,
}

impl<'a> Demands<'a> {
    /// `None` where the site's rule makes no sense.
    pub(super) fn new(clock: &'a LocalClock, terms: DemandTerms, from_ms: i64) -> Option<Self> {
        let offset_s = clock.offset_s(from_ms);
        let sliding = terms.sliding()?;
        Some(Demands {
            clock,
            terms,
            changes: clock.changes(),
            block: LocalMeter::new(terms.block()?, terms.interval_s, offset_s),
            sliding: (terms.sub_interval_s < terms.interval_s)
                .then(|| LocalMeter::new(sliding, terms.sub_interval_s, offset_s)),
            series: Vec::new(),
            block_peaks: Finder::default(),
            sliding_peaks: Finder::default(),
            longest_ms: 0,
            blurring: 0,
        })
    }

    /// Adds energy that flowed evenly from start to end.
    pub(super) fn add(&mut self, start_ms: i64, end_ms: i64, e: &Energy) {
        let mut at = start_ms;
        let length = end_ms - start_ms;
        self.longest_ms = self.longest_ms.max(length);
        let step_ms = i64::from(self.terms.interval_s) * 1000;
        if length * 5 > step_ms {
            self.watch_blur(start_ms, end_ms, step_ms);
        }
        while let Some((&(change_ms, offset_s), rest)) = self.changes.split_first() {
            if change_ms >= end_ms {
                break;
            }
            if change_ms > at {
                self.feed(at, change_ms, &part(e, change_ms - at, length));
                at = change_ms;
            }
            self.realign(offset_s);
            self.changes = rest;
        }
        if at < end_ms {
            self.feed(at, end_ms, &part(e, end_ms - at, length));
        }
    }

    /// Counts a long record that reaches over a boundary by more than a second on both sides.
    fn watch_blur(&mut self, start_ms: i64, end_ms: i64, step_ms: i64) {
        let local = i64::from(self.block.offset_s) * 1000;
        let from = (start_ms + local + 1000).div_euclid(step_ms);
        let to = (end_ms + local - 1000).div_euclid(step_ms);
        self.blurring += u64::from(from != to);
    }

    #[inline]
    fn feed(&mut self, start_ms: i64, end_ms: i64, e: &Energy) {
        let which = self.terms.apparent;
        let (series, peaks) = (&mut self.series, &mut self.block_peaks);
        self.block.meter.add(start_ms, end_ms, e, &mut |d| {
            peaks.see(d, which);
            series.push(*d);
        });
        if let Some(sliding) = &mut self.sliding {
            let peaks = &mut self.sliding_peaks;
            sliding.meter.add(start_ms, end_ms, e, &mut |d| peaks.see(d, which));
        }
    }

    fn realign(&mut self, offset_s: i32) {
        let which = self.terms.apparent;
        let (series, peaks) = (&mut self.series, &mut self.block_peaks);
        self.block.realign(offset_s, &mut |d| {
            peaks.see(d, which);
            series.push(*d);
        });
        if let Some(sliding) = &mut self.sliding {
            let peaks = &mut self.sliding_peaks;
            sliding.realign(offset_s, &mut |d| peaks.see(d, which));
        }
    }

    /// Ends the run: the figures, and the block demands in order of time, incomplete ones too.
    pub(super) fn finish(mut self) -> (DemandFigures, Vec<Demand>) {
        let which = self.terms.apparent;
        let (series, peaks) = (&mut self.series, &mut self.block_peaks);
        self.block.meter.finish(&mut |d| {
            peaks.see(d, which);
            series.push(*d);
        });
        if let Some(sliding) = &mut self.sliding {
            let peaks = &mut self.sliding_peaks;
            sliding.meter.finish(&mut |d| peaks.see(d, which));
        }
        // A record longer than the interval would make demands by interpolation.
        let resolves = |step_s: u32| self.longest_ms <= i64::from(step_s) * 1000 + 1000;
        let block = resolves(self.terms.interval_s).then(|| {
            self.block_peaks.finish(&self.block.rule, self.terms.interval_s, which, self.clock)
        });
        let sliding =
            self.sliding.as_ref().filter(|_| resolves(self.terms.sub_interval_s)).map(|m| {
                self.sliding_peaks.finish(&m.rule, self.terms.sub_interval_s, which, self.clock)
            });
        let series = if block.is_some() { self.series } else { Vec::new() };
        let billed = self.terms.kind;
        // A sliding interval without sub-intervals is a block.
        let sliding = match (self.sliding.is_none(), billed) {
            (true, crate::site::DemandKind::Sliding) => block.clone(),
            _ => sliding,
        };
        (DemandFigures { billed, block, sliding, blurring_records: self.blurring }, series)
    }
}

fn part(e: &Energy, of_ms: i64, whole_ms: i64) -> Energy {
    if of_ms == whole_ms {
        return *e;
    }
    let share = of_ms as f64 / whole_ms as f64;
    Energy { p_wh: e.p_wh * share, q1_varh: e.q1_varh * share, s_vah: e.s_vah * share }
}
