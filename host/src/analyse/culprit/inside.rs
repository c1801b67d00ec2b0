//! What one log says about the loads behind it, by their behaviour.

use super::NamedLog;
use super::edges;
use crate::analyse::regression::{median, quantile};
use crate::analyse::survey::clock::{HOUR_MS, LocalClock, WEEK_H, hour_of_week};
use crate::site::Site;
use serde::Serialize;
use wattless_core::correction::power_factor;

/// What a log holds.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Inside {
    /// Name of the log.
    pub name: String,
    /// Length of its records, in seconds: what is shorter shows only in extremes.
    pub record_s: f64,
    /// What never goes off.
    pub always_on: AlwaysOn,
    /// What working hours add.
    pub working: Option<Rise>,
    /// A load that goes on and off in a steady rhythm.
    pub cycle: Option<Cycle>,
    /// How much power moves within a record.
    pub fluctuation: Option<Fluctuation>,
    /// Loads seen to switch, the one with most reactive energy first.
    pub loads: Vec<Switched>,
    /// Share of the reactive energy that the loads seen to switch make.
    pub switched_share: Option<f64>,
    /// What it amounts to, the largest part first.
    pub findings: Vec<Finding>,
}

/// What never goes off: exceeded 95 % of the time.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct AlwaysOn {
    /// Active power, in W.
    pub p_w: f64,
    /// Reactive power, in var.
    pub q1_var: f64,
    /// Power factor of the two.
    pub pf: Option<f64>,
    /// Share of the log's reactive energy.
    pub share: Option<f64>,
    /// Mean reactive power outside working hours, in var.
    pub off_hours_var: Option<f64>,
    /// Mean active power outside working hours, in W.
    pub off_hours_w: Option<f64>,
}

/// What working hours add to the rest.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Rise {
    /// Active power, in W.
    pub p_w: f64,
    /// Reactive power, in var.
    pub q1_var: f64,
    /// Power factor of the two.
    pub pf: Option<f64>,
    /// Share of the log's reactive energy.
    pub share: Option<f64>,
}

/// A steady rhythm outside working hours.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Cycle {
    /// Length, in minutes.
    pub period_min: f64,
    /// Correlation of the power with itself one cycle later, 0 to 1.
    pub regularity: f64,
    /// Height in active power, in W.
    pub p_w: f64,
    /// Height in reactive power, in var.
    pub q1_var: f64,
}

/// How much power moves within a record.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Fluctuation {
    /// Median range of reactive power within a record of working time, in var.
    pub q1_range_var: f64,
    /// The same of active power, in W.
    pub p_range_w: f64,
    /// Range of reactive power over its mean in working time.
    pub over_mean: Option<f64>,
    /// Highest basic window over the highest mean of a record, reactive power.
    pub peak_over_mean: Option<f64>,
}

/// A load that was seen to switch.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Switched {
    /// Active power, in W.
    pub p_w: f64,
    /// Reactive power, in var.
    pub q1_var: f64,
    /// Power factor of the two.
    pub pf: Option<f64>,
    /// How often it went on and off again.
    pub times: u32,
    /// Hours that it was on, between steps that belong together.
    pub on_h: f64,
    /// Median length of being on, in minutes.
    pub on_min: f64,
    /// Its share of the log's reactive energy.
    pub share: Option<f64>,
    /// Share of its steps outside working hours.
    pub off_hours_share: f64,
    /// What it behaves like.
    pub kind: Kind,
}

/// What a load behaves like; a guess from sizes and times, for someone to look at.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// On and off many times a day, also outside working hours: compressor, pump.
    Cycling,
    /// On once or a few times a day for hours: a machine of a shift, lighting.
    Shift,
    /// Reactive power with little active power: an idle motor, a transformer, a welder; or a
    /// capacitor, the other way round.
    MostlyReactive,
    /// Active power with little reactive power: a running motor that takes up its load, a heater.
    MostlyActive,
    /// Anything else that switches.
    Other,
}

/// A part of the reactive energy with a name.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "what")]
pub enum Finding {
    /// Always on, at a low power factor: idle motors, transformers, old ballasts.
    AlwaysOnLowPf {
        /// Share of the reactive energy.
        share: f64,
        /// In var.
        q1_var: f64,
    },
    /// Always on, at a fair power factor.
    AlwaysOn {
        /// Share of the reactive energy.
        share: f64,
        /// In var.
        q1_var: f64,
    },
    /// Motors that go on idling in working time: kvar stay when kW fall.
    IdlingMotors {
        /// kvar at the lowest tenth of working load over kvar at the highest.
        stays_share: f64,
    },
    /// A rhythm: compressor or pump.
    Cycling {
        /// Length, in minutes.
        period_min: f64,
        /// Height, in var.
        q1_var: f64,
    },
    /// Short and fierce: welders, saws, presses. Fixed or slow capacitors do not follow them.
    Fluctuating {
        /// Median range within a record over the mean.
        over_mean: f64,
    },
    /// A large load that switches.
    SwitchedLoad {
        /// Share of the reactive energy.
        share: f64,
        /// Its size, in var.
        q1_var: f64,
        /// Its size, in W.
        p_w: f64,
        /// What it behaves like.
        kind: Kind,
    },
    /// Capacitors are there already: leading at low load.
    Leading {
        /// Share of the time.
        time_share: f64,
    },
}

/// Power factor below which what is always on is suspicious.
const LOW_PF: f64 = 0.7;

/// Regularity from which a rhythm is one.
const REGULAR: f64 = 0.35;

/// Columns of a log that count, with working time marked.
struct Columns {
    end_ms: Vec<i64>,
    p: Vec<f64>,
    q: Vec<f64>,
    working: Vec<bool>,
    hours: Vec<f64>,
    swing: Vec<Option<[f64; 2]>>,
    top_q: Vec<f64>,
}

/// Looks into a log.
pub fn inside(named: &NamedLog, site: &Site, clock: &LocalClock) -> Inside {
    let c = columns(named, site, clock);
    let lengths: Vec<f64> = c.hours.iter().map(|h| h * 3600.0).collect();
    let record_s = median(&lengths).unwrap_or(0.0);
    let lagging: f64 = c.q.iter().zip(&c.hours).map(|(q, h)| q.max(0.0) * h).sum();
    let share = |varh: f64| (lagging > 0.0).then(|| (varh / lagging).clamp(0.0, 1.0));
    let measured: f64 = c.hours.iter().sum();
    let always_on = always_on(&c, share, measured);
    let working = rise(&c, share);
    let cycle = cycle(&c, record_s);
    let fluctuation = fluctuation(&c);
    let found = edges::loads(&c.end_ms, &c.p, &c.q, &c.working, record_s);
    let loads: Vec<Switched> = found
        .into_iter()
        .map(|mut l| {
            l.share = share(l.q1_var.max(0.0) * l.on_h);
            l
        })
        .collect();
    let switched_share =
        (!loads.is_empty()).then(|| loads.iter().filter_map(|l| l.share).sum::<f64>().min(1.0));
    let mut inside = Inside {
        name: named.name.clone(),
        record_s,
        always_on,
        working,
        cycle,
        fluctuation,
        loads,
        switched_share,
        findings: Vec::new(),
    };
    inside.findings = findings(&inside, &c);
    inside
}

fn columns(named: &NamedLog, site: &Site, clock: &LocalClock) -> Columns {
    let log = &named.log;
    let mut c = Columns {
        end_ms: Vec::new(),
        p: Vec::new(),
        q: Vec::new(),
        working: Vec::new(),
        hours: Vec::new(),
        swing: Vec::new(),
        top_q: Vec::new(),
    };
    for at in 0..log.len() {
        let (p, q) = (log.total_p_w(at), log.total_q1_var(at));
        let hours = log.duration_s(at) / 3600.0;
        if !(p + q).is_finite() || hours <= 0.0 {
            continue;
        }
        let local = clock.moment(log.end_ms[at] - 1).local_ms().div_euclid(HOUR_MS);
        c.end_ms.push(log.end_ms[at]);
        c.p.push(p);
        c.q.push(q);
        c.hours.push(hours);
        c.working.push(site.working_hours.contains(hour_of_week(local) % WEEK_H));
        let swing = named
            .swings
            .get(at)
            .map(|s| [s.q1_min_max_var, s.p_min_max_w].map(|[a, b]| f64::from(b) - f64::from(a)));
        c.swing.push(swing.filter(|s| s.iter().all(|x| x.is_finite())));
        c.top_q.push(named.swings.get(at).map_or(f64::NAN, |s| f64::from(s.q1_min_max_var[1])));
    }
    c
}

/// Time-weighted mean over some records; `None` of nothing.
fn mean(y: &[f64], hours: &[f64], take: impl Fn(usize) -> bool) -> Option<f64> {
    let (mut sum, mut time) = (0.0, 0.0);
    for k in (0..y.len()).filter(|k| take(*k)) {
        sum += y[k] * hours[k];
        time += hours[k];
    }
    (time > 0.0).then(|| sum / time)
}

fn always_on(c: &Columns, share: impl Fn(f64) -> Option<f64>, measured_h: f64) -> AlwaysOn {
    let q1_var = quantile(&c.q, 0.05).unwrap_or(0.0);
    let p_w = quantile(&c.p, 0.05).unwrap_or(0.0);
    AlwaysOn {
        p_w,
        q1_var,
        pf: power_factor(p_w, q1_var),
        share: share(q1_var.max(0.0) * measured_h),
        off_hours_var: mean(&c.q, &c.hours, |k| !c.working[k]),
        off_hours_w: mean(&c.p, &c.hours, |k| !c.working[k]),
    }
}

fn rise(c: &Columns, share: impl Fn(f64) -> Option<f64>) -> Option<Rise> {
    let part = |y: &[f64], working: bool| mean(y, &c.hours, |k| c.working[k] == working);
    let p_w = part(&c.p, true)? - part(&c.p, false)?;
    let q1_var = part(&c.q, true)? - part(&c.q, false)?;
    let hours: f64 = (0..c.p.len()).filter(|k| c.working[*k]).map(|k| c.hours[k]).sum();
    Some(Rise {
        p_w,
        q1_var,
        pf: if p_w > 0.0 { power_factor(p_w, q1_var) } else { None },
        share: share(q1_var.max(0.0) * hours),
    })
}

/// The rhythm outside working hours, where one load's cycling is not hidden by others.
fn cycle(c: &Columns, record_s: f64) -> Option<Cycle> {
    if record_s <= 0.0 || record_s > 600.0 {
        return None;
    }
    let rows: Vec<usize> = (0..c.p.len()).filter(|k| !c.working[*k]).collect();
    let p: Vec<f64> = rows.iter().map(|k| c.p[*k]).collect();
    if p.len() < 240 {
        return None;
    }
    // Slow changes (lighting, shifts) are taken out by differences over the longest lag.
    let longest = (7200.0 / record_s) as usize;
    let middle = moving_mean(&p, longest);
    let x: Vec<f64> = p.iter().zip(&middle).map(|(p, m)| p - m).collect();
    let power: f64 = x.iter().map(|x| x * x).sum::<f64>() / x.len() as f64;
    let sd = libm::sqrt(power);
    let most = c.p.iter().copied().fold(0.0, f64::max);
    if sd < 0.002 * most || power <= 0.0 {
        return None;
    }
    let correlation = |lag: usize| {
        let n = x.len() - lag;
        let near = |k: &usize| {
            let gap = c.end_ms[rows[k + lag]] - c.end_ms[rows[*k]];
            (gap as f64 - lag as f64 * record_s * 1000.0).abs() < 0.6 * record_s * 1000.0
        };
        let (mut sum, mut count) = (0.0, 0usize);
        for k in (0..n).filter(near) {
            sum += x[k] * x[k + lag];
            count += 1;
        }
        if count < 60 { 0.0 } else { sum / count as f64 / power }
    };
    let lags: Vec<f64> = (0..=longest.min(x.len() / 3)).map(correlation).collect();
    // The first peak behind the first crossing of zero.
    let start = lags.iter().position(|r| *r < 0.0)?;
    let peak = (start + 1..lags.len().saturating_sub(1))
        .filter(|k| lags[*k] >= lags[k - 1] && lags[*k] >= lags[k + 1])
        .find(|k| lags[*k] >= REGULAR)?;
    let q: Vec<f64> = rows.iter().map(|k| c.q[*k]).collect();
    let q_middle = moving_mean(&q, longest);
    let y: Vec<f64> = q.iter().zip(&q_middle).map(|(q, m)| q - m).collect();
    let slope = x.iter().zip(&y).map(|(x, y)| x * y).sum::<f64>() / (power * x.len() as f64);
    let height = quantile(&x, 0.9)? - quantile(&x, 0.1)?;
    Some(Cycle {
        period_min: peak as f64 * record_s / 60.0,
        regularity: lags[peak],
        p_w: height,
        q1_var: slope * height,
    })
}

fn moving_mean(y: &[f64], width: usize) -> Vec<f64> {
    let mut sums = vec![0.0];
    for v in y {
        sums.push(sums[sums.len() - 1] + v);
    }
    let half = (width / 2).max(1);
    (0..y.len())
        .map(|k| {
            let (a, b) = (k.saturating_sub(half), (k + half + 1).min(y.len()));
            (sums[b] - sums[a]) / (b - a) as f64
        })
        .collect()
}

fn fluctuation(c: &Columns) -> Option<Fluctuation> {
    let of = |which: usize| -> Vec<f64> {
        let loaded = (0..c.p.len()).filter(|k| c.working[*k]);
        loaded.filter_map(|k| c.swing[k].map(|s| s[which])).collect()
    };
    let q1_range_var = median(&of(0))?;
    let p_range_w = median(&of(1))?;
    let mean_q = mean(&c.q, &c.hours, |k| c.working[k] && c.swing[k].is_some())?;
    let top_mean = c.q.iter().copied().fold(f64::MIN, f64::max);
    let top = c.top_q.iter().copied().filter(|x| x.is_finite()).fold(f64::MIN, f64::max);
    Some(Fluctuation {
        q1_range_var,
        p_range_w,
        over_mean: (mean_q > 0.0).then(|| q1_range_var / mean_q),
        peak_over_mean: (top_mean > 0.0).then(|| top / top_mean),
    })
}

fn findings(i: &Inside, c: &Columns) -> Vec<Finding> {
    let mut out: Vec<(f64, Finding)> = Vec::new();
    if let Some(share) = i.always_on.share.filter(|s| *s >= 0.1) {
        let q1_var = i.always_on.q1_var;
        let low = i.always_on.pf.is_some_and(|pf| pf < LOW_PF);
        out.push((
            share,
            if low {
                Finding::AlwaysOnLowPf { share, q1_var }
            } else {
                Finding::AlwaysOn { share, q1_var }
            },
        ));
    }
    if let Some(stays_share) = idling(c).filter(|s| *s > 0.5) {
        let weight = i.working.and_then(|w| w.share).unwrap_or(0.0);
        out.push((weight, Finding::IdlingMotors { stays_share }));
    }
    if let Some(y) = i.cycle {
        let most = quantile(&c.q, 0.99).unwrap_or(0.0).max(1e-9);
        let cycling = Finding::Cycling { period_min: y.period_min, q1_var: y.q1_var };
        out.push((0.5 * libm::fabs(y.q1_var) / most, cycling));
    }
    if let Some(over_mean) = i.fluctuation.and_then(|f| f.over_mean).filter(|x| *x > 0.8) {
        out.push((
            i.working.and_then(|w| w.share).unwrap_or(0.0) * 0.9,
            Finding::Fluctuating { over_mean },
        ));
    }
    for l in i.loads.iter().filter(|l| l.kind != Kind::MostlyActive).take(3) {
        if let Some(share) = l.share.filter(|s| *s >= 0.03) {
            let (q1_var, p_w, kind) = (l.q1_var, l.p_w, l.kind);
            out.push((share, Finding::SwitchedLoad { share, q1_var, p_w, kind }));
        }
    }
    let all: f64 = c.hours.iter().sum();
    let most = c.q.iter().copied().fold(0.0, |a: f64, q| a.max(libm::fabs(q)));
    let leads: f64 = (0..c.q.len()).filter(|k| c.q[*k] < -0.02 * most).map(|k| c.hours[k]).sum();
    if leads > 0.02 * all {
        out.push((leads / all, Finding::Leading { time_share: leads / all }));
    }
    out.sort_by(|a, b| b.0.total_cmp(&a.0));
    out.into_iter().map(|f| f.1).collect()
}

/// Share of the load's range above which a record counts as production.
const PRODUCTION: f64 = 0.35;

/// kvar in the lowest tenth of production over kvar in the highest; high where motors idle.
fn idling(c: &Columns) -> Option<f64> {
    let (least, most) = (quantile(&c.p, 0.05)?, quantile(&c.p, 0.99)?);
    let from = least + PRODUCTION * (most - least);
    let counts = |k: usize| c.working[k] && c.p[k] > from;
    let rows: Vec<usize> = (0..c.p.len()).filter(|k| counts(*k)).collect();
    if rows.len() < 100 {
        return None;
    }
    let p: Vec<f64> = rows.iter().map(|k| c.p[*k]).collect();
    let (low, high) = (quantile(&p, 0.1)?, quantile(&p, 0.9)?);
    // Where the load hardly moves, nothing stays.
    if high <= 0.0 || low > 0.7 * high {
        return None;
    }
    let at_low = mean(&c.q, &c.hours, |k| counts(k) && c.p[k] <= low)?;
    let at_high = mean(&c.q, &c.hours, |k| counts(k) && c.p[k] >= high)?;
    (at_high > 0.0).then(|| at_low / at_high)
}
