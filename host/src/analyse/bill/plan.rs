//! A series laid out against a tariff once, so that figures of many corrections come cheap.
//!
//! Everything that does not depend on reactive power is prepared: months, seasons and periods of
//! the steps, whole demand intervals and their kW. An interval belongs to the month and slot in
//! which it ends. A pass then goes over reactive energies only.

use super::months::{GapAtPeak, MonthFrame, months};
use super::quantities::{Figures, MonthQuantities, Peak, PowerFactors, SlotFigures};
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
            rest_va2: series.s_vah.as_ref().map(|_| Vec::new()),
            lowest_inv_p2: None,
            excesses: excesses(tariff),
            apparent: tariff.demand.apparent,
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
                    gaps.push(GapAtPeak { from_ms, to_ms: start_ms, p_kw });
                }
                last = Some((start_ms, p_w));
                self.push_interval(series, from, to, cell, p_w);
            } else {
                if series.covered_s[from..to].iter().any(|c| *c > 0.0) {
                    if let Some(cell) = cell {
                        self.frames[cell / self.slots].intervals_partial += 1;
                    }
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
            let mut minutes = vec![0u64; self.slots];
            let mut day = frame.first_day;
            while day < frame.end_day {
                let (season, row) = tariff.calendar.day(day);
                for period in row {
                    minutes[tariff.calendar.slot(season, usize::from(*period))] += 1;
                }
                match day.tomorrow() {
                    Ok(next) => day = next,
                    Err(_) => break,
                }
            }
            let all = minutes.iter().sum::<u64>().max(1) as f64;
            for (s, n) in minutes.into_iter().enumerate() {
                self.base[m * self.slots + s].time_share = n as f64 / all;
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

    /// Quantities with the series' own reactive energies and without any.
    pub fn quantities(&self, series: &LoadSeries) -> Vec<MonthQuantities> {
        let mut room = Scratch::default();
        let figures = self.figures(&series.q_lag_varh, &series.q_lead_varh, &mut room);
        let unity = self.at_unity(&mut room);
        let months = self.frames.iter().zip(figures).zip(unity);
        months
            .map(|((frame, figures), at_unity)| MonthQuantities {
                frame: frame.clone(),
                figures,
                at_unity,
            })
            .collect()
    }

    /// Figures without reactive power.
    pub fn at_unity(&self, room: &mut Scratch) -> Vec<Figures> {
        let none = vec![0.0f64; self.steps];
        self.figures(&none, &none, room)
    }

    /// Figures of every month with the kW of the series and other reactive energies, in varh a
    /// step; missing entries count as none.
    ///
    /// Where S is measured, what of S² is neither P² nor Q1² stays as it was.
    pub fn figures<T: Copy + Into<f64>>(
        &self,
        q_lag_varh: &[T],
        q_lead_varh: &[T],
        room: &mut Scratch,
    ) -> Vec<Figures> {
        let mut cells = self.base.clone();
        for r in &self.runs {
            let cell = &mut cells[r.cell];
            cell.q_lag_kvarh += sum(q_lag_varh, r.from, r.to) / 1e3;
            cell.q_lead_kvarh += sum(q_lead_varh, r.from, r.to) / 1e3;
        }
        self.reactive_demands(q_lag_varh, q_lead_varh, &mut room.q_var);
        self.reactive_peaks(room, &mut cells);
        let excess = self.excess(q_lag_varh, q_lead_varh);
        let mut months = Vec::with_capacity(self.frames.len());
        for (m, chunk) in cells.chunks(self.slots).enumerate() {
            let mut total = SlotFigures::ZERO;
            chunk.iter().for_each(|s| total.join(s));
            let mut figures = Figures {
                slots: chunk.to_vec(),
                total,
                power_factor: NO_PF,
                interval_excess_kvarh: excess.get(m).cloned().unwrap_or_default(),
            };
            self.apparent_energy(&mut figures);
            figures.power_factor = self.power_factors(m, &figures, &room.q_var);
            months.push(figures);
        }
        months
    }

    /// Mean reactive power of every whole interval, in var.
    fn reactive_demands<T: Copy + Into<f64>>(&self, lag: &[T], lead: &[T], q_var: &mut Vec<f64>) {
        q_var.clear();
        q_var.resize(self.p_w.len(), 0.0);
        let per_hour = 1.0 / self.hours;
        for w in &self.windows {
            let out = &mut q_var[w.from..w.to];
            let to = w.step + (out.len() - 1) * self.stride + self.width;
            let (Some(lag), Some(lead)) = (lag.get(w.step..to), lead.get(w.step..to)) else {
                continue;
            };
            if self.width == 1 {
                for ((q, a), b) in out.iter_mut().zip(lag).zip(lead) {
                    *q = ((*a).into() - (*b).into()) * per_hour;
                }
            } else {
                for (k, q) in out.iter_mut().enumerate() {
                    let span = k * self.stride..k * self.stride + self.width;
                    *q = (sum(lag, span.start, span.end) - sum(lead, span.start, span.end))
                        * per_hour;
                }
            }
        }
    }

    /// Finds the highest kvar and kVA, and what reactive power was at the highest kW.
    fn reactive_peaks(&self, room: &mut Scratch, cells: &mut [SlotFigures]) {
        let none = (f64::NEG_INFINITY, usize::MAX);
        for best in [&mut room.q_best, &mut room.s_best] {
            best.clear();
            best.resize(cells.len(), none);
        }
        let q_var = &room.q_var;
        let measured = self.rest_va2.is_some();
        for (k, w) in self.windows.iter().enumerate() {
            let (p, q) = (&self.p_w[w.from..w.to], &q_var[w.from..w.to]);
            let q_max = highest(q.iter().copied());
            let s_max = match &self.rest_va2 {
                None => highest(p.iter().zip(q).map(|(p, q)| p * p + q * q)),
                Some(rest) => {
                    let rest = &rest[w.from..w.to];
                    let s2 = || p.iter().zip(q).zip(rest).map(|((p, q), r)| p * p + q * q + r);
                    let sum: f64 = s2().map(libm::sqrt).sum();
                    cells[w.cell].s_kvah +=
                        sum * self.hours / 1e3 * self.stride as f64 / self.width as f64;
                    highest(s2())
                }
            };
            if q_max > room.q_best[w.cell].0 {
                room.q_best[w.cell] = (q_max, k);
            }
            if s_max > room.s_best[w.cell].0 {
                room.s_best[w.cell] = (s_max, k);
            }
        }
        for (c, cell) in cells.iter_mut().enumerate() {
            let find = |best: (f64, usize), of: &dyn Fn(usize) -> f64| {
                let w = self.windows.get(best.1)?;
                (w.from..w.to).find(|at| of(*at) == best.0)
            };
            if let Some(at) = self.p_peak_at[c] {
                cell.p_peak = self.peak(at, q_var);
            }
            if let Some(at) = find(room.q_best[c], &|at| q_var[at]) {
                cell.q_peak = self.peak(at, q_var);
            }
            if let Some(at) = find(room.s_best[c], &|at| self.s_va2(at, q_var)) {
                cell.s_peak = self.peak(at, q_var);
            }
            if !measured {
                cell.s_kvah = f64::NAN;
            }
        }
    }

    /// S² of an interval, in VA².
    fn s_va2(&self, at: usize, q_var: &[f64]) -> f64 {
        let (p, q) = (self.p_w[at], q_var[at]);
        match &self.rest_va2 {
            None => p * p + q * q,
            Some(rest) => p * p + q * q + rest[at],
        }
    }

    fn peak(&self, at: usize, q_var: &[f64]) -> Peak {
        Peak {
            start_ms: Some(self.interval_ms(at)),
            p_kw: self.p_w[at] / 1e3,
            q_kvar: q_var[at] / 1e3,
            s_kva: libm::sqrt(self.s_va2(at, q_var)) / 1e3,
        }
    }

    /// Start of a whole interval, Unix milliseconds.
    fn interval_ms(&self, at: usize) -> i64 {
        let w = self.windows.partition_point(|w| w.to <= at);
        let step = self.windows.get(w).map_or(0, |w| w.step + (at - w.from) * self.stride);
        self.start_ms + step as i64 * self.step_ms
    }

    /// Reactive energy that counts for a power factor.
    fn counted(&self, lag: f64, lead: f64) -> f64 {
        match self.reactive {
            Reactive::Lagging => lag,
            Reactive::Net => lag - lead,
            Reactive::Both => lag + lead,
        }
    }

    /// kVAh where it is not measured: of the energies.
    fn apparent_energy(&self, figures: &mut Figures) {
        if self.apparent != Apparent::Vector {
            return;
        }
        for s in figures.slots.iter_mut().chain([&mut figures.total]) {
            let q = self.counted(s.q_lag_kvarh, s.q_lead_kvarh);
            s.s_kvah = libm::sqrt(s.p_in_kwh * s.p_in_kwh + q * q);
        }
    }

    fn power_factors(&self, month: usize, figures: &Figures, q_var: &[f64]) -> PowerFactors {
        let f = figures.of(self.pf_slots, self.pf_whole);
        let mut s_kvah = f.s_kvah;
        if self.apparent == Apparent::Vector {
            let q = self.counted(f.q_lag_kvarh, f.q_lead_kvarh);
            s_kvah = libm::sqrt(f.p_in_kwh * f.p_in_kwh + q * q);
        }
        let pf = |p: f64, s: f64| (p > 0.0 && s > 0.0).then(|| (p / s).min(1.0));
        let at_peak = |peak: &Peak| {
            let q = self.counted(peak.q_kvar.max(0.0), (-peak.q_kvar).max(0.0));
            let counted = peak.s_kva * peak.s_kva - peak.q_kvar * peak.q_kvar + q * q;
            peak.start_ms.and_then(|_| pf(peak.p_kw, libm::sqrt(counted.max(0.0))))
        };
        let lowest = self.lowest_pf(month, q_var);
        PowerFactors {
            average: pf(f.p_in_kwh, s_kvah),
            at_p_peak: at_peak(&f.p_peak),
            at_s_peak: at_peak(&f.s_peak),
            lowest: lowest.map(|l| l.0),
            lowest_ms: lowest.map(|l| self.interval_ms(l.1)),
        }
    }

    /// The lowest power factor of a month's intervals that count, and where.
    fn lowest_pf(&self, month: usize, q_var: &[f64]) -> Option<(f64, usize)> {
        let inv = self.lowest_inv_p2.as_ref()?;
        let cells = month * self.slots..(month + 1) * self.slots;
        let mut worst: Option<(f64, usize)> = None;
        for w in self.windows.iter().filter(|w| cells.contains(&w.cell)) {
            for at in w.from..w.to {
                if inv[at] == 0.0 {
                    continue;
                }
                let q = self.counted(q_var[at].max(0.0), (-q_var[at]).max(0.0));
                let rest = self.rest_va2.as_ref().map_or(0.0, |r| r[at]);
                let over = (q * q + rest) * inv[at];
                if worst.is_none_or(|w| over > w.0) {
                    worst = Some((over, at));
                }
            }
        }
        worst.map(|(over, at)| (1.0 / libm::sqrt(1.0 + over), at))
    }

    /// kvarh beyond a share of each interval, by month and charge.
    fn excess<T: Copy + Into<f64>>(&self, lag: &[T], lead: &[T]) -> Vec<Vec<f64>> {
        let mut sums = vec![vec![0.0; self.charges]; self.frames.len()];
        for e in &self.excesses {
            let mine = |w: &&Windows| e.slots.has(w.cell % self.slots);
            for w in self.windows.iter().filter(mine) {
                let mut varh = 0.0;
                for at in w.from..w.to {
                    let step = w.step + (at - w.from) * self.stride;
                    let q = match e.direction {
                        Direction::Lagging => sum(lag, step, step + self.width),
                        Direction::Leading => sum(lead, step, step + self.width),
                        Direction::Both => {
                            sum(lag, step, step + self.width) + sum(lead, step, step + self.width)
                        }
                    };
                    let wh = self.p_w[at] * self.hours;
                    varh += (q.min(e.up_to * wh) - e.share * wh).max(0.0);
                }
                sums[w.cell / self.slots][e.charge] +=
                    varh / 1e3 * self.stride as f64 / self.width as f64;
            }
        }
        sums
    }
}

/// No power factor at all.
const NO_PF: PowerFactors =
    PowerFactors { average: None, at_p_peak: None, at_s_peak: None, lowest: None, lowest_ms: None };

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

/// Sum of a stretch in eight lanes, so that it does not wait for itself.
fn sum<T: Copy + Into<f64>>(column: &[T], from: usize, to: usize) -> f64 {
    let Some(slice) = column.get(from..to.min(column.len())) else { return 0.0 };
    if slice.len() < 8 {
        return slice.iter().map(|x| (*x).into()).sum();
    }
    let mut lanes = [0.0f64; 8];
    let chunks = slice.chunks_exact(8);
    let rest: f64 = chunks.remainder().iter().map(|x| (*x).into()).sum();
    for chunk in chunks {
        for (lane, x) in lanes.iter_mut().zip(chunk) {
            *lane += (*x).into();
        }
    }
    lanes.iter().sum::<f64>() + rest
}

/// The highest of some numbers; minus infinity of none.
fn highest(numbers: impl Iterator<Item = f64>) -> f64 {
    let mut best = f64::NEG_INFINITY;
    for x in numbers {
        best = if x > best { x } else { best };
    }
    best
}
