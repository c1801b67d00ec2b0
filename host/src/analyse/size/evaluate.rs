//! Replays and bills candidates: from a genome to a year's money.

use super::candidate::{Genome, Place, Space, no_load_var_of};
use super::course::Running;
use super::economics::net_present_value;
use super::harmonics::Measured;
use super::limits::{Checked, Seen, check};
use super::replay::{Course, Lane, Replayer, Totals};
use crate::analyse::bill::extrapolate::{ExtrapolationError, Horizon, extended};
use crate::analyse::bill::plan::{Plan, Scratch};
use crate::analyse::bill::price::totals;
use crate::analyse::bill::quantities::Figures;
use crate::analyse::bill::seasons::{Level, Seasons};
use crate::analyse::series::LoadSeries;
use crate::analyse::tariff::Tariff;
use jiff::tz::TimeZone;
use rust_decimal::prelude::ToPrimitive;
use serde::Serialize;
use std::cmp::Ordering;

/// Share of the highest kVA from which an interval's leading kvar count as leading.
const LEADING_SHARE: f64 = 0.01;

/// kvar per kW from which leading counts: PF below 0.995 leading.
const LEADING_TAN: f32 = 0.1;

/// The year that candidates are billed for.
#[derive(Clone, Debug)]
pub struct Year {
    /// Twelve billing months, with the steps that the log lacks filled from like days.
    pub series: LoadSeries,
    /// The year laid out against the tariff.
    plan: Plan,
    /// For each step of the year, the step that stands for it, of the log at each level one after
    /// the other; none where the log is the year.
    source: Option<Vec<u32>>,
    /// Levels that candidates are replayed at: the log as it is, and as past bills put its months.
    pub levels: Vec<Level>,
    /// The year's active energy over that of what is replayed.
    pub energy_ratio: f64,
    /// The year's time over that of what is replayed.
    pub time_ratio: f64,
}

/// What a candidate comes to.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Score {
    /// The year's bill; none where a quantity is not known.
    pub bill_year: Option<f64>,
    /// Highest kVA of the year, its kW and kvar.
    pub peak_kva: f64,
    /// Highest kW of the year.
    pub peak_kw: f64,
    /// Power factor of the year from energies; none without energy.
    pub average_pf: Option<f64>,
    /// The lowest monthly one.
    pub lowest_month_pf: Option<f64>,
    /// Share of the log's intervals in which the feeder leads.
    pub leading_share: f64,
    /// Sums and extremes of the replay.
    #[serde(skip)]
    pub totals: Totals,
    /// Losses upstream saved, in kWh a year; none without data of transformer or conductor.
    pub loss_saved_kwh: Option<f64>,
    /// Losses saved in the conductors from the board to motors and groups, in kWh a year, at least.
    pub branch_loss_saved_kwh: f64,
    /// The part of all these losses that is behind the meter, in kWh a year.
    pub billed_loss_saved_kwh: f64,
    /// Losses of the capacitors and reactors, in kWh a year.
    pub own_loss_kwh: f64,
    /// Money saved a year: bill and billed losses, less the capacitors' own.
    pub saving_year: Option<f64>,
    /// Net present value; none where the bill is not known.
    pub npv: Option<f64>,
    /// What the limits say.
    pub checked: Checked,
}

impl Score {
    /// Whether no limit is broken.
    pub fn is_allowed(&self) -> bool {
        self.checked.exclusions.is_empty()
    }

    /// What the search goes by.
    pub fn worth(&self) -> f64 {
        match self.npv {
            Some(npv) if self.is_allowed() => npv,
            _ => f64::NEG_INFINITY,
        }
    }
}

/// Everything prepared for the candidates of one log.
pub struct Evaluator<'a> {
    /// What candidates are made of.
    pub space: &'a Space<'a>,
    /// The tariff.
    pub tariff: &'a Tariff,
    /// The log's steps, at every level of the year.
    pub series: &'a LoadSeries,
    /// The log, at every level of the year.
    pub course: &'a Course,
    /// The year.
    pub year: &'a Year,
    /// Harmonics.
    pub measured: Measured,
    /// Money that a kWh more of the load's own shape costs.
    pub kwh_value: f64,
    /// Doing nothing.
    pub base: Score,
    branches: Vec<Branch>,
    replayer: Replayer,
    room: Scratch,
    columns: [Vec<f32>; 2],
}

/// The conductor from the board to a place, and what flows in it at least.
#[derive(Clone, Copy, Debug)]
struct Branch {
    place: Place,
    /// Resistance of a phase, in ohm.
    r_ohm: f64,
    /// Time integral of the motors' reactive power without load, while they run, in var·s.
    q_s: f64,
    /// Seconds in which capacitors there are on.
    on_s: f64,
}

/// Conductors to motors and groups whose current is known well enough.
///
/// Motors draw at least their no-load kvar while they run; those whose running the log does not
/// tell are left out.
fn branches(space: &Space<'_>, running: &Running, course: &Course) -> Vec<Branch> {
    let v = space.supply.line_voltage_v;
    let least = |k: usize| {
        let m = space.plant.motors.get(k)?;
        running.is_known(k).then(|| no_load_var_of(m, v)).flatten()
    };
    let seconds = |mask: u32| -> f64 {
        let each = course.dt_s.iter().zip(&course.running);
        each.filter(|(_, bits)| *bits & mask != 0).map(|(dt, _)| f64::from(*dt)).sum()
    };
    let mut out = Vec::new();
    for (k, m) in space.plant.motors.iter().enumerate() {
        if let (Some(c), Some(q)) = (m.conductor, least(k)) {
            let on_s = seconds(1 << k);
            out.push(Branch {
                place: Place::Motor(k),
                r_ohm: c.resistance_ohm,
                q_s: q * on_s,
                on_s,
            });
        }
    }
    for (g, name) in space.groups.iter().enumerate() {
        let Some(c) = space.plant.groups.iter().find(|x| x.name == *name).and_then(|x| x.conductor)
        else {
            continue;
        };
        let members = (0..space.plant.motors.len())
            .filter(|k| space.plant.motors[*k].group.as_ref() == Some(name));
        let q_s = members.filter_map(|k| Some(least(k)? * seconds(1 << k))).sum();
        let on_s = course.covered_s();
        out.push(Branch { place: Place::Group(g), r_ohm: c.resistance_ohm, q_s, on_s });
    }
    out
}

impl Year {
    /// Extends a log to twelve billing months.
    pub fn of(
        series: &LoadSeries,
        tariff: &Tariff,
        zone: &TimeZone,
        seasons: Option<&Seasons>,
    ) -> Result<Year, ExtrapolationError> {
        let made = extended(series, tariff, zone, Horizon::Year, seasons)?;
        let whole = made.series;
        let at = |(step, level): (&u32, &u8)| u32::from(*level) * series.len() as u32 + *step;
        let source: Vec<u32> = made.source.iter().zip(&made.level).map(at).collect();
        let same = source.len() == series.len()
            && source.iter().enumerate().all(|(k, s)| k == *s as usize);
        let levels = if same { vec![Level::SAME] } else { made.levels };
        let plan = Plan::new(&whole, tariff, zone)?;
        let sum = |x: &[f64]| x.iter().sum::<f64>();
        // What is replayed: the log at every level.
        let wide = series.at_levels(&levels);
        let covered: f64 = wide.covered_s.iter().map(|c| f64::from(*c)).sum();
        let year_s = whole.len() as f64 * f64::from(whole.step_s);
        let (log_wh, year_wh) = (sum(&wide.p_in_wh), sum(&whole.p_in_wh));
        Ok(Year {
            plan,
            source: (!same).then_some(source),
            levels,
            energy_ratio: if log_wh > 0.0 { year_wh / log_wh } else { 1.0 },
            time_ratio: if covered > 0.0 { year_s / covered } else { 1.0 },
            series: whole,
        })
    }

    /// Share of the year's steps that were filled from like days.
    pub fn filled_share(&self) -> f64 {
        let filled = self.series.filled.as_ref().map_or(0, |f| f.iter().filter(|x| **x).count());
        filled as f64 / self.series.len().max(1) as f64
    }

    /// The year's bill and figures with other reactive energies than the log's.
    fn bill(
        &self,
        tariff: &Tariff,
        lag: &[f32],
        lead: &[f32],
        room: &mut Scratch,
        columns: &mut [Vec<f32>; 2],
    ) -> (Option<f64>, Vec<Figures>) {
        let figures = match &self.source {
            None => self.plan.figures(lag, lead, room),
            Some(source) => {
                for (to, from) in columns.iter_mut().zip([lag, lead]) {
                    to.clear();
                    to.extend(source.iter().map(|k| from.get(*k as usize).copied().unwrap_or(0.0)));
                }
                self.plan.figures(&columns[0], &columns[1], room)
            }
        };
        let months = totals(tariff, self.plan.frames(), &figures, &[]);
        let sum = months.into_iter().try_fold(0.0, |sum, m| Some(sum + m?.to_f64()?));
        (sum, figures)
    }

    /// Money that one kWh more costs, spread over the year as the load is: its demand too.
    fn kwh_value(&self, tariff: &Tariff, zone: &TimeZone) -> Result<f64, ExtrapolationError> {
        const MORE: f64 = 0.01;
        let mut room = Scratch::default();
        let sum = |series: &LoadSeries, room: &mut Scratch| -> Result<_, ExtrapolationError> {
            let plan = Plan::new(series, tariff, zone)?;
            let figures = plan.figures(&series.q_lag_varh, &series.q_lead_varh, room);
            let months = totals(tariff, plan.frames(), &figures, &[]);
            Ok(months.into_iter().try_fold(0.0, |sum, m| Some(sum + m?.to_f64()?)))
        };
        let before = sum(&self.series, &mut room)?;
        let mut more = self.series.clone();
        more.p_in_wh.iter_mut().for_each(|x| *x *= 1.0 + MORE);
        let after = sum(&more, &mut room)?;
        let kwh = self.series.p_in_wh.iter().sum::<f64>() / 1e3 * MORE;
        Ok(match (before, after) {
            (Some(a), Some(b)) if kwh > 0.0 => ((b - a) / kwh).max(0.0),
            _ => 0.0,
        })
    }
}

impl<'a> Evaluator<'a> {
    /// Prepares, and replays and bills doing nothing.
    #[allow(clippy::too_many_arguments, reason = "each is prepared apart and used by others")]
    pub fn new(
        space: &'a Space<'a>,
        tariff: &'a Tariff,
        zone: &TimeZone,
        series: &'a LoadSeries,
        course: &'a Course,
        year: &'a Year,
        measured: Measured,
        running: &Running,
    ) -> Result<Evaluator<'a>, ExtrapolationError> {
        let blank = Score {
            bill_year: None,
            peak_kva: 0.0,
            peak_kw: 0.0,
            average_pf: None,
            lowest_month_pf: None,
            leading_share: 0.0,
            totals: Totals::default(),
            loss_saved_kwh: None,
            branch_loss_saved_kwh: 0.0,
            billed_loss_saved_kwh: 0.0,
            own_loss_kwh: 0.0,
            saving_year: None,
            npv: None,
            checked: Checked::default(),
        };
        let mut me = Evaluator {
            space,
            tariff,
            series,
            course,
            year,
            measured,
            kwh_value: year.kwh_value(tariff, zone)?,
            base: blank,
            branches: branches(space, running, course),
            replayer: Replayer::new(course),
            room: Scratch::default(),
            columns: [Vec::new(), Vec::new()],
        };
        let mut base = None;
        me.replayer.replay(&[Lane::default()], |_, done| base = Some(done.totals));
        if let Some(totals) = base {
            // The series' own reactive energies: where a step both lags and leads, both count.
            let column = |x: &[f64]| x.iter().map(|q| *q as f32).collect::<Vec<f32>>();
            let (lag, lead) = (column(&series.q_lag_varh), column(&series.q_lead_varh));
            let (bill, figures) = year.bill(tariff, &lag, &lead, &mut me.room, &mut me.columns);
            let mut score = me.figures(bill, &figures);
            score.totals = totals;
            score.peak_kva = score.peak_kva.max(0.0);
            me.base = score;
            me.base.leading_share = me.leading_share(&lag, &lead);
            me.base.loss_saved_kwh = me.space.supply.loss_r_ohm.map(|_| 0.0);
            me.base.saving_year = me.base.bill_year.map(|_| 0.0);
            me.base.npv = me.base.saving_year;
        }
        Ok(me)
    }

    /// Replays and bills candidates, in their order.
    pub fn scores(&mut self, genomes: &[Genome]) -> Vec<Score> {
        // Like ones side by side: then all of them switch or rest together, which is quicker.
        let mut order: Vec<usize> = (0..genomes.len()).collect();
        let lanes: Vec<Lane> = genomes.iter().map(|g| self.space.lane(g)).collect();
        order.sort_by(|a, b| {
            let (a, b) = (lanes[*a].likeness(), lanes[*b].likeness());
            a.iter().zip(&b).fold(Ordering::Equal, |o, (a, b)| o.then(a.total_cmp(b)))
        });
        let sorted: Vec<Lane> = order.iter().map(|k| lanes[*k].clone()).collect();
        let mut scores: Vec<Option<Score>> = vec![None; genomes.len()];
        let (year, tariff) = (self.year, self.tariff);
        let mut replayer = std::mem::take(&mut self.replayer);
        replayer.replay(&sorted, |n, done| {
            let k = order[n];
            let score = if genomes[k].iter().all(|g| *g == 0) {
                self.base.clone()
            } else {
                let (bill, figures) = year.bill(
                    tariff,
                    &done.lag_varh,
                    &done.lead_varh,
                    &mut self.room,
                    &mut self.columns,
                );
                let mut score = self.figures(bill, &figures);
                score.totals = done.totals;
                score.leading_share = self.leading_share(&done.lag_varh, &done.lead_varh);
                self.money(&genomes[k], score)
            };
            scores[k] = Some(score);
        });
        self.replayer = replayer;
        scores.into_iter().flatten().collect()
    }

    fn figures(&self, bill_year: Option<f64>, figures: &[Figures]) -> Score {
        let mut score = Score { bill_year, ..self.blank() };
        let (mut p, mut q) = (0.0, 0.0);
        for f in figures {
            let t = &f.total;
            let net = t.q_lag_kvarh - t.q_lead_kvarh;
            p += t.p_in_kwh;
            q += net;
            score.peak_kva = score.peak_kva.max(t.s_peak.s_kva);
            score.peak_kw = score.peak_kw.max(t.p_peak.p_kw);
            if let Some(pf) = wattless_core::correction::power_factor(t.p_in_kwh, net) {
                score.lowest_month_pf = Some(score.lowest_month_pf.map_or(pf, |x: f64| x.min(pf)));
            }
        }
        score.average_pf = wattless_core::correction::power_factor(p, q);
        score
    }

    fn blank(&self) -> Score {
        Score {
            bill_year: None,
            peak_kva: 0.0,
            peak_kw: 0.0,
            average_pf: None,
            lowest_month_pf: None,
            checked: Checked::default(),
            ..self.base.clone()
        }
    }

    /// Share of the covered demand intervals that lead by more than a trifle.
    fn leading_share(&self, lag: &[f32], lead: &[f32]) -> f64 {
        let hours = f64::from(self.series.step_s) / 3600.0;
        let trifle = (LEADING_SHARE * self.base.peak_kva * 1e3 * hours) as f32;
        let (mut leading, mut all) = (0u64, 0u64);
        let pairs =
            lag.iter().zip(lead).zip(self.series.covered_s.iter().zip(&self.series.p_in_wh));
        for ((lag, lead), (covered, p_wh)) in pairs {
            all += u64::from(*covered > 0.0);
            let net = lead - lag;
            leading += u64::from(net > trifle && net > LEADING_TAN * *p_wh as f32);
        }
        if all > 0 { leading as f64 / all as f64 } else { 0.0 }
    }

    /// Σ R/V²·(Q² − (Q − q)²)·t of the conductors between the board and capacitors, in kWh a year.
    fn branch_loss_kwh(&self, genome: &[u16]) -> f64 {
        let v2 = self.space.supply.line_voltage_v * self.space.supply.line_voltage_v;
        let mut ws = 0.0;
        for (place, choice) in self.space.parts(genome) {
            let Some(b) = self.branches.iter().find(|b| b.place == place) else { continue };
            let (build, many, _) = self.space.piece(choice);
            let q = self.space.output_var(build) * f64::from(many);
            ws += b.r_ohm / v2 * (2.0 * q * b.q_s - q * q * b.on_s);
        }
        ws / 3.6e6 * self.year.time_ratio
    }

    fn money(&self, genome: &[u16], mut score: Score) -> Score {
        let supply = self.space.supply;
        let cost = self.space.cost(genome);
        let fewer = self.base.totals.i2_s - score.totals.i2_s;
        let year = |ohm: f64| supply.loss_wh(fewer, ohm) / 1e3 * self.year.energy_ratio;
        score.loss_saved_kwh = supply.loss_r_ohm.map(year);
        score.branch_loss_saved_kwh = self.branch_loss_kwh(genome);
        score.billed_loss_saved_kwh = year(supply.billed_r_ohm) + score.branch_loss_saved_kwh;
        let kvarh = score.totals.nominal_var_s / 3.6e6 * self.year.time_ratio;
        score.own_loss_kwh = cost.loss_w_per_kvar * kvarh / 1e3;
        score.saving_year = self.base.bill_year.zip(score.bill_year).map(|(before, after)| {
            before - after + (score.billed_loss_saved_kwh - score.own_loss_kwh) * self.kwh_value
        });
        let terms = &self.space.plant.economics;
        score.npv =
            score.saving_year.map(|s| net_present_value(cost.first(), s, cost.yearly, terms));
        let seen = Seen {
            totals: score.totals,
            leading_added: score.leading_share - self.base.leading_share,
            v_before: f64::from(self.base.totals.v_ratio_max),
        };
        score.checked = check(self.space, genome, &seen, &self.measured);
        score
    }
}
