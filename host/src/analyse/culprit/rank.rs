//! The ranking: each feeder's part at the peak and over the week, and how sure it is.

use super::inside::inside;
use super::profile::{At, Cell, Profile};
use super::{
    Basis, Caution, CulpritError, Culprits, From, LogFigures, NamedLog, Peak, PeakOf, Place,
    Sureness, Suspect, Together, Unmetered,
};
use crate::analyse::survey::clock::{HOUR_MS, LocalClock, WEEK_H, hour_of_week};
use crate::site::Site;
use wattless_core::correction::power_factor;

/// Hours of the week below which a log is short.
const SHORT_H: u32 = 120;

/// A feeder on its way into the ranking.
struct Entry {
    at: usize,
    peak: Option<At>,
    energy_share: Option<f64>,
    peak_share: Option<f64>,
    week_varh: f64,
}

pub(super) fn run(logs: &[NamedLog], site: &Site) -> Result<Culprits, CulpritError> {
    check(logs)?;
    let clock = clock(logs, site)?;
    let interval_s = site.demand.interval_s;
    let profiles: Vec<Profile> = logs
        .iter()
        .map(|l| Profile::of(l, &clock, interval_s, site.working_hours))
        .collect::<Result<_, _>>()?;
    let service = logs.iter().position(|l| l.place == Place::Service);
    let feeders: Vec<usize> = (0..logs.len()).filter(|k| Some(*k) != service).collect();
    let peak = peak(&profiles, service, &feeders, &clock, interval_s);

    let mut entries: Vec<Entry> = feeders
        .iter()
        .map(|k| entry(*k, &profiles, service, &feeders, peak.as_ref(), &clock))
        .collect();
    shares_at_peak(&mut entries, peak.as_ref(), service.is_some());
    // By kvar at the peak; those that do not know that hour by their week, behind.
    let key = |e: &Entry| (e.peak.map(|a| a.q1_var), e.week_varh);
    entries.sort_by(|a, b| match (key(a), key(b)) {
        ((Some(x), _), (Some(y), _)) => y.total_cmp(&x),
        ((Some(_), _), (None, _)) => std::cmp::Ordering::Less,
        ((None, _), (Some(_), _)) => std::cmp::Ordering::Greater,
        ((None, x), (None, y)) => y.total_cmp(&x),
    });
    let ranges: Vec<Option<[f64; 2]>> = entries.iter().map(|e| e.peak.map(range)).collect();
    let ranking: Vec<Suspect> = entries
        .iter()
        .enumerate()
        .map(|(n, e)| suspect(n, e, &ranges, logs, &profiles, &clock))
        .collect();
    let mut cautions = Vec::new();
    if service.is_none() && feeders.len() > 1 {
        cautions.push(Caution::NoService);
    }
    if peak.is_none() {
        cautions.push(Caution::NoPeak);
    }
    let apart: Vec<String> = entries
        .iter()
        .filter(|e| e.peak.is_none_or(|a| a.from != From::Measured))
        .map(|e| logs[e.at].name.clone())
        .collect();
    if !apart.is_empty() && logs.len() > 1 {
        cautions.push(Caution::DifferentTimes { names: apart });
    }
    for (l, p) in logs.iter().zip(&profiles) {
        if p.hours_seen() < SHORT_H {
            let (name, hours_of_week) = (l.name.clone(), p.hours_seen());
            cautions.push(Caution::ShortLog { name, hours_of_week });
        }
    }
    for w in ranking.windows(2) {
        if let [a, b] = w
            && b.sureness != Sureness::Good
            && let (Some(x), Some(y)) = (a.peak_share_range, b.peak_share_range)
            && y[1] > x[0]
        {
            let (first, second) = (a.figures.name.clone(), b.figures.name.clone());
            cautions.push(Caution::Close { first, second });
        }
    }
    let together = together(&profiles, service, &feeders);
    if let Some(t) = &together
        && t.service_var > 0.0
        && t.feeders_var > 1.05 * t.service_var
    {
        cautions.push(Caution::MoreThanService { ratio: t.feeders_var / t.service_var });
    }
    let unmetered = unmetered(&profiles, service, &feeders, &entries, peak.as_ref());
    let order = service.into_iter().chain(entries.iter().map(|e| e.at));
    let inside = order.map(|k| inside(&logs[k], site, &clock)).collect();
    Ok(Culprits {
        basis: Basis {
            site: site.name.clone(),
            time_zone: site.time_zone_name.clone(),
            demand_interval_min: f64::from(interval_s) / 60.0,
            assumed: site.assumed.clone(),
        },
        peak,
        service: service.map(|k| figures(&logs[k], &profiles[k], &clock)),
        ranking,
        together,
        unmetered,
        cautions,
        inside,
    })
}

fn check(logs: &[NamedLog]) -> Result<(), CulpritError> {
    if logs.is_empty() {
        return Err(CulpritError::Nothing);
    }
    for (k, l) in logs.iter().enumerate() {
        if l.log.is_empty() {
            return Err(CulpritError::Empty { name: l.name.clone() });
        }
        if logs[..k].iter().any(|o| o.name == l.name) {
            return Err(CulpritError::SameName { name: l.name.clone() });
        }
    }
    let services: Vec<&NamedLog> = logs.iter().filter(|l| l.place == Place::Service).collect();
    match services.as_slice() {
        [first, second, ..] => {
            let (first, second) = (first.name.clone(), second.name.clone());
            Err(CulpritError::TwoServices { first, second })
        }
        _ => Ok(()),
    }
}

fn clock(logs: &[NamedLog], site: &Site) -> Result<LocalClock, CulpritError> {
    let (mut first, mut last) = (i64::MAX, i64::MIN);
    for l in logs {
        for end in [l.log.end_ms.first(), l.log.end_ms.last()].into_iter().flatten() {
            if jiff::Timestamp::from_millisecond(*end).is_err() {
                return Err(CulpritError::Time { name: l.name.clone() });
            }
            first = first.min(end - 24 * HOUR_MS);
            last = last.max(*end);
        }
    }
    let name = || logs[0].name.clone();
    LocalClock::new(&site.time_zone, first, last).map_err(|_| CulpritError::Time { name: name() })
}

/// Demand intervals that all of some logs hold whole, with their sums.
fn common(profiles: &[Profile], of: &[usize]) -> Vec<(i64, Cell)> {
    let Some((first, rest)) = of.split_first() else { return Vec::new() };
    profiles[*first]
        .whole_steps()
        .filter_map(|(start, cell)| {
            let mut sum = Cell { hours: cell.hours, ..cell };
            for k in rest {
                let c = profiles[*k].whole_step(start)?;
                sum.wh += c.wh;
                sum.varh += c.varh;
            }
            Some((start, sum))
        })
        .collect()
}

fn peak(
    profiles: &[Profile],
    service: Option<usize>,
    feeders: &[usize],
    clock: &LocalClock,
    interval_s: u32,
) -> Option<Peak> {
    let interval_ms = i64::from(interval_s) * 1000;
    let make = |start: i64, c: Cell, of: PeakOf| {
        let (p_w, q1_var) = (c.wh / c.hours, c.varh / c.hours);
        Peak {
            start: clock.moment(start),
            end: clock.moment(start + interval_ms),
            p_w,
            q1_var,
            s_va: libm::hypot(p_w, q1_var),
            of,
        }
    };
    let highest = |steps: Vec<(i64, Cell)>| {
        steps.into_iter().max_by(|a, b| {
            let va = |c: &Cell| libm::hypot(c.wh, c.varh) / c.hours;
            va(&a.1).total_cmp(&va(&b.1))
        })
    };
    if let Some(k) = service {
        let (start, cell) = highest(profiles[k].whole_steps().collect())?;
        return Some(make(start, cell, PeakOf::Service));
    }
    let all = common(profiles, feeders);
    // A week's worth of common time shows the peak; less is luck.
    if all.len() as i64 * interval_ms >= 24 * HOUR_MS || feeders.len() == 1 {
        let (start, cell) = highest(all)?;
        return Some(make(start, cell, PeakOf::Feeders));
    }
    let sums: Vec<(usize, f64, f64)> = (0..WEEK_H)
        .filter_map(|h| {
            let (mut p, mut q) = (0.0, 0.0);
            for k in feeders {
                let at = profiles[*k].by_hour(h, clock)?;
                p += at.p_w;
                q += at.q1_var;
            }
            Some((h, p, q))
        })
        .collect();
    let (hour, p_w, q1_var) =
        sums.into_iter().max_by(|a, b| libm::hypot(a.1, a.2).total_cmp(&libm::hypot(b.1, b.2)))?;
    // Any such hour within the logs stands for the hour of the week.
    let last = feeders.iter().map(|k| profiles[*k].last_ms).max()?;
    let first =
        (0..WEEK_H as i64).map(|back| (last.div_euclid(HOUR_MS) - back) * HOUR_MS).find(|s| {
            let local = clock.moment(*s).local_ms().div_euclid(HOUR_MS);
            hour_of_week(local) == hour
        })?;
    Some(Peak {
        start: clock.moment(first),
        end: clock.moment(first + HOUR_MS),
        p_w,
        q1_var,
        s_va: libm::hypot(p_w, q1_var),
        of: PeakOf::Profiles,
    })
}

fn entry(
    at: usize,
    profiles: &[Profile],
    service: Option<usize>,
    feeders: &[usize],
    peak: Option<&Peak>,
    clock: &LocalClock,
) -> Entry {
    let mine = &profiles[at];
    let of_peak = peak.and_then(|p| match p.of {
        // The hour stands for its weekday: nobody measured that sum.
        PeakOf::Profiles => {
            mine.by_hour(hour_of_week(p.start.local_ms().div_euclid(HOUR_MS)), clock)
        }
        PeakOf::Service | PeakOf::Feeders => mine.at(p.start.utc_ms, clock),
    });
    // Against the service, or the feeders' sum, over hours of the week that both have seen.
    let whole: Vec<usize> = service.map_or_else(|| feeders.to_vec(), |k| vec![k]);
    let both = |h: usize| mine.seen(h) && whole.iter().all(|k| profiles[*k].seen(h));
    let mean = |p: &Profile| p.mean(both).map(|m| m.1);
    let total: Option<f64> = whole.iter().map(|k| mean(&profiles[*k])).sum();
    let energy_share = match (mean(mine), total) {
        (Some(a), Some(b)) if b > 0.0 => Some(a / b),
        _ => None,
    };
    let week_varh = (0..WEEK_H)
        .filter(|h| mine.seen(*h))
        .map(|h| mine.cells[h].varh / mine.cells[h].hours)
        .sum();
    Entry { at, peak: of_peak, energy_share, peak_share: None, week_varh }
}

fn shares_at_peak(entries: &mut [Entry], peak: Option<&Peak>, service: bool) {
    let Some(peak) = peak else { return };
    let sum: f64 = entries.iter().filter_map(|e| e.peak.map(|a| a.q1_var)).sum();
    let whole = if service { peak.q1_var } else { sum };
    for e in entries.iter_mut() {
        e.peak_share = e.peak.filter(|_| whole > 0.0).map(|a| a.q1_var / whole);
    }
}

/// Two standard deviations about a figure at the peak.
fn range(a: At) -> [f64; 2] {
    let sd = a.q1_sd_var.unwrap_or(0.0);
    [a.q1_var - 2.0 * sd, a.q1_var + 2.0 * sd]
}

fn suspect(
    n: usize,
    e: &Entry,
    ranges: &[Option<[f64; 2]>],
    logs: &[NamedLog],
    profiles: &[Profile],
    clock: &LocalClock,
) -> Suspect {
    let p = &profiles[e.at];
    let touches = |other: Option<&Option<[f64; 2]>>| match (ranges[n], other.copied().flatten()) {
        (Some(a), Some(b)) => a[0] < b[1] && b[0] < a[1],
        _ => false,
    };
    let near = touches(n.checked_sub(1).and_then(|k| ranges.get(k))) || touches(ranges.get(n + 1));
    let from = e.peak.map_or(From::Nothing, |a| a.from);
    let spread_known = e.peak.is_some_and(|a| a.q1_sd_var.is_some());
    let sureness = match from {
        From::Measured => Sureness::Good,
        From::Nothing => Sureness::Poor,
        _ if p.hours_seen() < 24 || !spread_known => Sureness::Poor,
        _ if near => Sureness::Fair,
        _ => Sureness::Good,
    };
    let per_var = match (e.peak_share, e.peak) {
        (Some(s), Some(a)) if a.q1_var != 0.0 => Some(s / a.q1_var),
        _ => None,
    };
    Suspect {
        rank: n as u32 + 1,
        figures: figures(&logs[e.at], p, clock),
        at_peak_var: e.peak.map(|a| a.q1_var),
        at_peak_sd_var: e.peak.and_then(|a| a.q1_sd_var),
        at_peak_w: e.peak.map(|a| a.p_w),
        at_peak_from: from,
        peak_share: e.peak_share,
        energy_share: e.energy_share,
        week_varh: e.week_varh,
        peak_share_range: match (ranges[n], per_var) {
            (Some(r), Some(f)) => Some(r.map(|x| x * f)),
            _ => None,
        },
        sureness,
    }
}

fn figures(named: &NamedLog, p: &Profile, clock: &LocalClock) -> LogFigures {
    let (p_w, q1_var) = p.mean(|_| true).unwrap_or_else(|| {
        let sum = |f: &dyn Fn(&Cell) -> f64| p.cells.iter().map(f).sum::<f64>() / p.measured_h;
        (sum(&|c| c.wh), sum(&|c| c.varh))
    });
    LogFigures {
        name: named.name.clone(),
        first: clock.moment(p.first_ms),
        last: clock.moment(p.last_ms),
        measured_h: p.measured_h,
        hours_of_week: p.hours_seen(),
        p_w,
        q1_var,
        pf: power_factor(p_w, q1_var),
        q1_peak_var: p.whole_steps().map(|(_, c)| c.varh / c.hours).reduce(f64::max),
    }
}

fn together(profiles: &[Profile], service: Option<usize>, feeders: &[usize]) -> Option<Together> {
    let service = service.filter(|_| !feeders.is_empty())?;
    let mut sum = [0.0; 5];
    for (start, f) in common(profiles, feeders) {
        if let Some(s) = profiles[service].whole_step(start) {
            let parts = [s.hours, s.wh, f.wh, s.varh, f.varh];
            sum.iter_mut().zip(parts).for_each(|(a, b)| *a += b);
        }
    }
    let hours = sum[0];
    (hours >= 1.0).then(|| Together {
        hours,
        service_w: sum[1] / hours,
        feeders_w: sum[2] / hours,
        service_var: sum[3] / hours,
        feeders_var: sum[4] / hours,
    })
}

fn unmetered(
    profiles: &[Profile],
    service: Option<usize>,
    feeders: &[usize],
    entries: &[Entry],
    peak: Option<&Peak>,
) -> Option<Unmetered> {
    let service = service.filter(|_| !feeders.is_empty())?;
    let all = |h: usize| profiles[service].seen(h) && feeders.iter().all(|k| profiles[*k].seen(h));
    let hours_of_week = (0..WEEK_H).filter(|h| all(*h)).count() as u32;
    let (p, q) = profiles[service].mean(all)?;
    let (mut feeders_p, mut feeders_q) = (0.0, 0.0);
    for k in feeders {
        let m = profiles[*k].mean(all)?;
        feeders_p += m.0;
        feeders_q += m.1;
    }
    let known: Option<f64> = entries.iter().map(|e| e.peak.map(|a| a.q1_var)).sum();
    Some(Unmetered {
        hours_of_week,
        p_w: p - feeders_p,
        q1_var: q - feeders_q,
        share: (q > 0.0).then(|| (q - feeders_q) / q),
        at_peak_var: peak.zip(known).map(|(p, k)| p.q1_var - k),
    })
}
