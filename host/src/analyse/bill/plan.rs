//! A series laid out against a tariff once, so that figures of many corrections come cheap.
//!
//! Everything that does not depend on reactive power is prepared: months, seasons and periods of
//! the steps, whole demand intervals and their kW. An interval belongs to the month and slot in
//! which it ends. A pass then goes over reactive energies only.

mod pass;

use super::months::{GapAtPeak, MonthFrame, months};
use super::quantities::{MonthQuantities, SlotFigures};
use crate::analyse::series::LoadSeries;
use crate::analyse::survey::clock::{HOUR_MS, LocalClock, date_of_day};
use crate::analyse::tariff::calendar::SlotMask;
use crate::analyse::tariff::clause::{Clause, Direction};
use crate::analyse::tariff::{PfBasis, Reactive, Tariff};
use crate::site::{Apparent, DemandKind};
use jiff::tz::TimeZone;

/// From this share of the month's peak on, the load beside a gap may have peaked in it.
const NEAR_PEAK: f64 = 0.9;

/// Why a series cannot be billed by a tariff.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum PlanError {
    /// The series is empty.
    #[error("there is no load to bill: the series holds no step")]
    Empty,
    /// The series' steps do not fit the tariff.
    #[error(
        "steps of {step_s} s do not divide the tariff's {needed_s} s (demand interval and \
         boundaries of its hours); make the series with the step that the tariff asks for"
    )]
    Step {
        /// Step of the series.
        step_s: u32,
        /// Step that the tariff needs.
        needed_s: u32,
    },
    /// The load lies outside of the reading dates.
    #[error("the load lies outside the tariff's reading_dates; add the dates, or use reading_day")]
    NoMonth,
    /// A time is outside the calendar.
    #[error("the load's times are outside the calendar; set the node's clock and pull again")]
    Time,
}

/// Steps of one month and slot that follow each other.
#[derive(Clone, Copy, Debug)]
struct Run {
    from: usize,
    to: usize,
    cell: usize,
}

/// Whole demand intervals of one month and slot that follow each other.
#[derive(Clone, Copy, Debug)]
struct Windows {
    /// Positions among all whole intervals.
    from: usize,
    to: usize,
    /// First step of the first interval.
    step: usize,
    cell: usize,
}

/// kvarh beyond a share of kWh, interval by interval.
#[derive(Clone, Copy, Debug)]
struct Excess {
    charge: usize,
    slots: SlotMask,
    direction: Direction,
    share: f64,
    up_to: f64,
}

/// A series laid out against a tariff.
#[derive(Clone, Debug)]
pub struct Plan {
    frames: Vec<MonthFrame>,
    slots: usize,
    charges: usize,
    step_ms: i64,
    start_ms: i64,
    steps: usize,
    /// Steps in a demand interval, and from the start of one to the next.
    width: usize,
    stride: usize,
    hours: f64,
    runs: Vec<Run>,
    windows: Vec<Windows>,
    /// kW of whole intervals, in W.
    p_w: Vec<f64>,
    /// What of S² is neither P² nor Q1², where S is measured.
    rest_va2: Option<Vec<f64>>,
    /// 1/P² of intervals that count for the lowest PF, else 0; by position.
    lowest_inv_p2: Option<Vec<f64>>,
    /// Energies and kW peaks by month and slot, without reactive power.
    base: Vec<SlotFigures>,
    /// Position of the highest kW by month and slot.
    p_peak_at: Vec<Option<usize>>,
    excesses: Vec<Excess>,
    apparent: Apparent,
    basis: PfBasis,
    reactive: Reactive,
    pf_slots: SlotMask,
    pf_whole: bool,
}

/// Room that passes use again and again.
#[derive(Clone, Debug, Default)]
pub struct Scratch {
    q_var: Vec<f64>,
    q_best: Vec<(f64, usize)>,
    s_best: Vec<(f64, usize)>,
}

/// Quantities of every month that a series touches: plan, figures as they are and at unity.
pub fn determinants(
    series: &LoadSeries,
    tariff: &Tariff,
    zone: &TimeZone,
) -> Result<Vec<MonthQuantities>, PlanError> {
    Plan::new(series, tariff, zone).map(|plan| plan.quantities(series))
}

impl Plan {
    /// Lays a series out. The zone is the site's; a tariff with its own overrides it.
    pub fn new(series: &LoadSeries, tariff: &Tariff, zone: &TimeZone) -> Result<Plan, PlanError> {
        let zone = tariff.time_zone.as_ref().map_or(zone, |z| &z.1);
        let needed_s = tariff.step_s();
        if series.is_empty() {
            return Err(PlanError::Empty);
        }
        if series.step_s == 0 || !needed_s.is_multiple_of(series.step_s) {
            return Err(PlanError::Step { step_s: series.step_s, needed_s });
        }
        let (start_ms, end_ms) = (series.start_ms, series.end_ms());
        let clock = LocalClock::new(zone, start_ms, end_ms).map_err(|_| PlanError::Time)?;
        let frames = months(start_ms, end_ms, &tariff.months, zone);
        if frames.is_empty() {
            return Err(PlanError::NoMonth);
        }
        let width = (tariff.demand.interval_s / series.step_s) as usize;
        let stride = match tariff.demand.kind {
            DemandKind::Block => width,
            DemandKind::Sliding => (tariff.demand.sub_interval_s / series.step_s) as usize,
        };
        let slots = tariff.calendar.slots();
        // Measured S counts only where the tariff does not bill the vector sum.
        let measured = tariff.demand.apparent != Apparent::Vector && series.s_vah.is_some();
        let mut plan = Plan {
            base: vec![SlotFigures::ZERO; frames.len() * slots],
            p_peak_at: vec![None; frames.len() * slots],
            frames,
            slots,
            charges: tariff.charges.len(),
            step_ms: series.step_ms(),
            start_ms,
            steps: series.len(),
            width,
            stride,
            hours: f64::from(tariff.demand.interval_s) / 3600.0,
            runs: Vec::new(),
            windows: Vec::new(),
            p_w: Vec::new(),
            rest_va2: measured.then(Vec::new),
            lowest_inv_p2: None,
            excesses: excesses(tariff),
            apparent: if measured { tariff.demand.apparent } else { Apparent::Vector },
            basis: tariff.power_factor.basis,
            reactive: tariff.power_factor.reactive,
            pf_slots: tariff.power_factor.slots,
            pf_whole: tariff.power_factor.slots == tariff.calendar.all(),
        };
        let cells = plan.classify(tariff, &clock);
        plan.energies(series, &cells);
        plan.intervals(series, &cells, &clock);
        plan.time_shares(tariff);
        plan.peaks();
        plan.lowest(tariff.power_factor.counts_from_share);
        Ok(plan)
    }

    /// The months.
    pub fn frames(&self) -> &[MonthFrame] {
        &self.frames
    }

    /// Number of whole demand intervals.
    pub fn intervals_whole(&self) -> usize {
        self.p_w.len()
    }

    /// Month and slot of every step; `None` outside of all months.
    fn classify(&mut self, tariff: &Tariff, clock: &LocalClock) -> Vec<Option<u32>> {
        const DAY_MS: i64 = 24 * HOUR_MS;
        let mut cells = Vec::with_capacity(self.steps);
        let mut changes = clock.changes().iter().peekable();
        let mut offset_ms = i64::from(clock.offset_s(self.start_ms)) * 1000;
        let (mut day, mut season, mut row): (i64, usize, &[u8]) = (i64::MIN, 0, &[]);
        let mut month = 0;
        for step in 0..self.steps {
            let at_ms = self.start_ms + step as i64 * self.step_ms;
            while let Some((_, offset_s)) = changes.next_if(|(when, _)| *when <= at_ms) {
                offset_ms = i64::from(*offset_s) * 1000;
            }
            let local_ms = at_ms + offset_ms;
            if local_ms.div_euclid(DAY_MS) != day {
                day = local_ms.div_euclid(DAY_MS);
                (season, row) = tariff.calendar.day(date_of_day(day));
            }
            while self.frames.get(month).is_some_and(|f| f.end_ms <= at_ms) {
                month += 1;
            }
            let minute = (local_ms.rem_euclid(DAY_MS) / 60_000) as usize;
            let period = row.get(minute).copied().map_or(0, usize::from);
            let slot = tariff.calendar.slot(season, period);
            let inside = self.frames.get(month).is_some_and(|f| f.start_ms <= at_ms);
            cells.push(inside.then_some((month * self.slots + slot) as u32));
        }
        cells
    }

    /// Active energies, coverage, and the runs of steps of one month and slot.
    fn energies(&mut self, series: &LoadSeries, cells: &[Option<u32>]) {
        let mut from = 0;
        while from < cells.len() {
            let cell = cells[from];
            let to = from + cells[from..].iter().take_while(|c| **c == cell).count();
            if let Some(cell) = cell.map(|c| c as usize) {
                self.runs.push(Run { from, to, cell });
                let base = &mut self.base[cell];
                base.p_in_kwh += series.p_in_wh[from..to].iter().sum::<f64>() / 1e3;
                base.p_out_kwh += series.p_out_wh[from..to].iter().sum::<f64>() / 1e3;
                let frame = &mut self.frames[cell / self.slots];
                let seconds = |s: &[f32]| s.iter().map(|c| f64::from(*c)).sum::<f64>();
                frame.covered_s += seconds(&series.covered_s[from..to]);
                if let Some(filled) = &series.filled {
                    let steps = filled[from..to].iter().filter(|f| **f).count();
                    frame.filled_s += steps as f64 * f64::from(series.step_s);
                }
            }
            from = to;
        }
    }

    /// Whole demand intervals with their kW, and where gaps lie.
    fn intervals(&mut self, series: &LoadSeries, cells: &[Option<u32>], clock: &LocalClock) {
        let covered: Vec<bool> = (0..self.steps).map(|s| series.is_covered(s)).collect();
        let mut next = self.first_start(clock);
        let mut gap: Option<(i64, f64)> = None;
        let mut last: Option<(i64, f64)> = None;
        let mut gaps: Vec<GapAtPeak> = Vec::new();
        let (width, steps) = (self.width as i64, self.steps as i64);
        while next < steps {
            let (from, to) = (next.max(0) as usize, (next + width).min(steps) as usize);
            let start_ms = self.start_ms + next * self.step_ms;
            let end = (to.max(1)) - 1;
            let cell = cells[end].map(|c| c as usize);
            let whole = next >= 0
                && next + width <= steps
                && covered[from..to].iter().all(|c| *c)
                && cell.is_some();
            let wh = series.p_in_wh[from..to].iter().sum::<f64>();
            if let (true, Some(cell)) = (whole, cell) {
                let p_w = wh / self.hours;
                if let (Some((from_ms, inside)), Some((_, before))) = (gap.take(), last) {
                    let p_kw = before.max(p_w).max(inside) / 1e3;
                    let (from, to) = (clock.moment(from_ms), clock.moment(start_ms));
                    gaps.push(GapAtPeak { from_ms, to_ms: start_ms, from, to, p_kw });
                }
                last = Some((start_ms, p_w));
                self.push_interval(series, from, to, cell, p_w);
            } else {
                if series.covered_s[from..to].iter().any(|c| *c > 0.0)
                    && let Some(cell) = cell
                {
                    self.frames[cell / self.slots].intervals_partial += 1;
                }
                if last.is_some() {
                    let inside = gap.map_or(0.0, |g| g.1).max(wh / self.hours);
                    gap = Some((gap.map_or(start_ms, |g| g.0), inside));
                }
            }
            next += self.stride as i64;
            // A change of the clocks by less than an interval moves the boundaries.
            if self.stride > 1 && self.local_step(next, clock) % self.stride as i64 != 0 {
                next += 1;
                while self.local_step(next, clock) % self.stride as i64 != 0 {
                    next += 1;
                }
            }
        }
        self.note_gaps(&gaps);
    }

    /// Number of the step on the local clock.
    fn local_step(&self, step: i64, clock: &LocalClock) -> i64 {
        let at_ms = self.start_ms + step * self.step_ms;
        (at_ms + i64::from(clock.offset_s(at_ms)) * 1000).div_euclid(self.step_ms)
    }

    /// The first start of an interval at or before the first step.
    fn first_start(&self, clock: &LocalClock) -> i64 {
        -self.local_step(0, clock).rem_euclid(self.stride as i64)
            - (self.width as i64 - self.stride as i64)
    }

    fn push_interval(
        &mut self,
        series: &LoadSeries,
        from: usize,
        to: usize,
        cell: usize,
        p_w: f64,
    ) {
        let at = self.p_w.len();
        self.frames[cell / self.slots].intervals += 1;
        self.p_w.push(p_w);
        if let (Some(rest), Some(s_vah)) = (&mut self.rest_va2, &series.s_vah) {
            let sum = |c: &[f64]| c[from..to].iter().sum::<f64>() / self.hours;
            let (s, q) = (sum(s_vah), sum(&series.q_lag_varh) - sum(&series.q_lead_varh));
            rest.push((s * s - p_w * p_w - q * q).max(0.0));
        }
        match self.windows.last_mut() {
            Some(w) if w.cell == cell && w.step + (at - w.from) * self.stride == from => w.to += 1,
            _ => self.windows.push(Windows { from: at, to: at + 1, step: from, cell }),
        }
    }

    /// Share of each month's time that each slot has.
    fn time_shares(&mut self, tariff: &Tariff) {
        for (m, frame) in self.frames.iter().enumerate() {
            let shares = tariff.calendar.time_shares(frame.first_day, frame.end_day);
            for (s, share) in shares.into_iter().enumerate() {
                self.base[m * self.slots + s].time_share = share;
            }
        }
    }

    fn peaks(&mut self) {
        for w in &self.windows {
            let best = &mut self.p_peak_at[w.cell];
            for at in w.from..w.to {
                if best.is_none_or(|b| self.p_w[at] > self.p_w[b]) {
                    *best = Some(at);
                }
            }
        }
    }

    /// Keeps of each month the gap beside which the load was highest, if it was near the peak.
    fn note_gaps(&mut self, gaps: &[GapAtPeak]) {
        let mut peak_kw = vec![0.0f64; self.frames.len()];
        for w in &self.windows {
            let peak = &mut peak_kw[w.cell / self.slots];
            *peak = self.p_w[w.from..w.to].iter().fold(*peak, |a, b| a.max(b / 1e3));
        }
        for gap in gaps {
            for (frame, peak) in self.frames.iter_mut().zip(&peak_kw) {
                let inside = gap.from_ms < frame.end_ms && gap.to_ms > frame.start_ms;
                let higher = frame.gap_at_peak.is_none_or(|g| gap.p_kw > g.p_kw);
                if inside && higher && gap.p_kw > 0.0 && gap.p_kw >= NEAR_PEAK * peak {
                    frame.gap_at_peak = Some(*gap);
                }
            }
        }
    }

    /// Prepares the search for the lowest power factor.
    fn lowest(&mut self, counts_from_share: f64) {
        if self.basis != PfBasis::Lowest {
            return;
        }
        let mut inv = vec![0.0; self.p_w.len()];
        for m in 0..self.frames.len() {
            let counted =
                |w: &&Windows| w.cell / self.slots == m && self.pf_slots.has(w.cell % self.slots);
            let mine: Vec<Windows> = self.windows.iter().filter(counted).copied().collect();
            let all = || mine.iter().flat_map(|w| w.from..w.to);
            let peak = all().fold(0.0, |a: f64, at| a.max(self.p_w[at]));
            for at in all().filter(|at| self.p_w[*at] > 0.0) {
                if self.p_w[at] >= counts_from_share * peak {
                    inv[at] = 1.0 / (self.p_w[at] * self.p_w[at]);
                }
            }
        }
        self.lowest_inv_p2 = Some(inv);
    }
}

fn excesses(tariff: &Tariff) -> Vec<Excess> {
    let of = |(charge, c): (usize, &crate::analyse::tariff::clause::Charge)| match &c.clause {
        Clause::Kvarh(k) if k.per_interval => Some(Excess {
            charge,
            slots: c.slots,
            direction: k.direction,
            share: k.share_of_kwh,
            up_to: k.up_to_share_of_kwh.unwrap_or(f64::INFINITY),
        }),
        _ => None,
    };
    tariff.charges.iter().enumerate().filter_map(of).collect()
}
