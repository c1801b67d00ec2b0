//! The pass over reactive energies: figures of every month, cheap enough for a thousand corrections.

use super::{Plan, Scratch, Windows};
use crate::analyse::bill::quantities::{Figures, MonthQuantities, Peak, PowerFactors, SlotFigures};
use crate::analyse::series::LoadSeries;
use crate::analyse::tariff::Reactive;
use crate::analyse::tariff::clause::Direction;
use crate::site::Apparent;

/// No power factor at all.
const NO_PF: PowerFactors =
    PowerFactors { average: None, at_p_peak: None, at_s_peak: None, lowest: None, lowest_ms: None };

impl Plan {
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
            let q_max = highest(q.len(), |i| q[i]);
            let s_max = match &self.rest_va2 {
                None => highest(p.len().min(q.len()), |i| p[i] * p[i] + q[i] * q[i]),
                Some(rest) => {
                    let rest = &rest[w.from..w.to];
                    let s2 = |i: usize| p[i] * p[i] + q[i] * q[i] + rest[i];
                    let sum: f64 = (0..rest.len()).map(|i| libm::sqrt(s2(i))).sum();
                    cells[w.cell].s_kvah +=
                        sum * self.hours / 1e3 * self.stride as f64 / self.width as f64;
                    highest(rest.len(), s2)
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
            // Without one whole interval a demand is not nothing, it is not known.
            if self.frames[c / self.slots].intervals == 0 && cell.time_share > 0.0 {
                (cell.p_peak, cell.q_peak, cell.s_peak) =
                    (Peak::UNKNOWN, Peak::UNKNOWN, Peak::UNKNOWN);
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

/// The highest of some numbers, in lanes that do not wait for each other; minus infinity of none.
#[inline]
fn highest(count: usize, of: impl Fn(usize) -> f64) -> f64 {
    let larger = |a: f64, b: f64| if b > a { b } else { a };
    let mut lanes = [f64::NEG_INFINITY; 4];
    let whole = count - count % lanes.len();
    for at in (0..whole).step_by(lanes.len()) {
        for (k, lane) in lanes.iter_mut().enumerate() {
            *lane = larger(*lane, of(at + k));
        }
    }
    let rest = (whole..count).map(of).fold(f64::NEG_INFINITY, larger);
    lanes.into_iter().fold(rest, larger)
}
