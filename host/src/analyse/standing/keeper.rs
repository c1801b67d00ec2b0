//! Keeps a standing proof up to date in small steps: at most one week of the log at a time.

use super::savings::Ledger;
use super::{NO_TARIFF, Removed, StandingProof};
use crate::analyse::tariff::Tariff;
use crate::analyse::verify::unit::{Control, Unit};
use crate::analyse::verify::{Terms, Verification, VerifyError, expected_outputs, verify};
use crate::collect::log::IntervalLog;
use crate::collect::store::Span;
use crate::site::Site;
use crate::site::installed::Installed;

const DAY_MS: i64 = 86_400_000;
const WEEK_MS: i64 = 7 * DAY_MS;

/// How much of the time before the work is compared with.
const BEFORE_MS: i64 = 28 * DAY_MS;

/// Shorter records are joined to means over this, by the clock: a year's store must not weigh on
/// the memory of the watch.
const JOINED_MS: i64 = 300_000;

/// Units that were put in at dates, and when something was done to them since.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Work {
    /// Units with the instant since when they are there, Unix milliseconds.
    pub units: Vec<(Unit, i64)>,
    /// Instants of all works, in order.
    pub at_ms: Vec<i64>,
}

impl Work {
    /// The works that a site file tells of.
    pub fn of(site: &Site) -> Work {
        let since_ms = |i: &Installed| i.since.and_then(|since| site.unix_ms(since));
        let dated = || site.installed.iter().filter(|i| since_ms(i).is_some());
        let units = dated().filter_map(|i| Some((i.unit.clone(), since_ms(i)?)));
        Work { units: units.collect(), at_ms: site.works_ms(dated()) }
    }

    /// All units of a site as one work, at an instant.
    pub fn at(site: &Site, at_ms: i64) -> Work {
        let units = site.installed.iter().map(|i| (i.unit.clone(), at_ms)).collect();
        Work { units, at_ms: vec![at_ms] }
    }

    fn units_at(&self, at_ms: i64) -> Vec<Unit> {
        self.units.iter().filter(|u| u.1 <= at_ms).map(|u| u.0.clone()).collect()
    }
}

/// Keeps a standing proof.
#[derive(Clone, Debug)]
pub struct Keeper {
    site: Site,
    tariff: Option<Tariff>,
    work: Work,
    /// Fall of the removed reactive power that counts, as a share of the proof's.
    fall_share: f64,
    ledger: Ledger,
    /// Up to when the ledger goes; begins with the first work.
    booked_ms: Option<i64>,
    /// Share of the units' output that the last week compared has shown.
    ratio: f64,
    /// End of the week that was judged last.
    judged_ms: Option<i64>,
    proof: Option<(i64, Option<Removed>)>,
    standing: Option<StandingProof>,
}

impl Keeper {
    /// A keeper for what a site tells of; none where nothing was installed at a date.
    pub fn new(site: &Site, tariff: Option<Tariff>, fall_share: f64) -> Option<Keeper> {
        Keeper::of(Work::of(site), site, tariff, fall_share)
    }

    /// A keeper for a work; none where it lists no unit.
    pub fn of(work: Work, site: &Site, tariff: Option<Tariff>, fall_share: f64) -> Option<Keeper> {
        (!work.units.is_empty()).then(|| Keeper {
            site: site.clone(),
            tariff,
            work,
            fall_share,
            ledger: Ledger::default(),
            booked_ms: None,
            ratio: 1.0,
            judged_ms: None,
            proof: None,
            standing: None,
        })
    }

    /// The proof as it stands.
    pub fn standing(&self) -> Option<&StandingProof> {
        self.standing.as_ref()
    }

    /// Goes on by one step, with the end of the newest record; gives whether the proof changed.
    ///
    /// A step reads at most a week of the log beside the time before; call it again while it gives
    /// `true`. Nothing is done between two days.
    pub fn advance<E>(
        &mut self,
        newest_ms: i64,
        read: &mut dyn FnMut(Span) -> Result<IntervalLog, E>,
    ) -> Result<bool, E> {
        let done = |at: &&i64| **at <= newest_ms;
        let Some(installed_ms) = self.work.at_ms.iter().rev().find(done).copied() else {
            return Ok(false);
        };
        let first_ms = self.work.at_ms[0];
        let before = Span { from_ms: first_ms - BEFORE_MS, to_ms: first_ms };
        let booked_ms = *self.booked_ms.get_or_insert(first_ms);
        let week_over = newest_ms - booked_ms >= WEEK_MS;
        let day_over = self.judged_ms.is_none_or(|at| newest_ms - at >= DAY_MS);
        if self.tariff.is_some() && week_over {
            let to_ms = booked_ms + WEEK_MS;
            let before = joined(before, read)?;
            self.book(&before, Span { from_ms: booked_ms, to_ms }, read)?;
            self.booked_ms = Some(to_ms);
            self.judged_ms = None;
            return Ok(true);
        }
        if !day_over {
            return Ok(false);
        }
        self.judged_ms = Some(newest_ms);
        let before = joined(before, read)?;
        let mut s = self.judge(installed_ms, newest_ms, &before, read)?;
        if let Some(tariff) = &self.tariff {
            // The days of this week are booked on a copy, until the week is over.
            let mut ledger = self.ledger.clone();
            std::mem::swap(&mut self.ledger, &mut ledger);
            let rest = Span { from_ms: booked_ms, to_ms: newest_ms };
            let tariff = tariff.clone();
            let booked = self.book(&before, rest, read);
            std::mem::swap(&mut self.ledger, &mut ledger);
            booked?;
            let zone = tariff.time_zone.as_ref().map_or(&self.site.time_zone, |z| &z.1);
            match ledger.saved(&tariff, zone) {
                Ok(saved) => s.saved = Some(saved),
                Err(why) => s.notes.push(format!("Money saved is not known: {why}.")),
            }
        } else {
            s.notes.push(NO_TARIFF.to_owned());
        }
        self.standing = Some(s);
        Ok(true)
    }

    /// Compares this week with the week of the proof, and both with the time before.
    fn judge<E>(
        &mut self,
        installed_ms: i64,
        newest_ms: i64,
        before: &IntervalLog,
        read: &mut dyn FnMut(Span) -> Result<IntervalLog, E>,
    ) -> Result<StandingProof, E> {
        let proof_span = Span { from_ms: installed_ms, to_ms: installed_ms + WEEK_MS };
        let week_span = Span { from_ms: (newest_ms - WEEK_MS).max(installed_ms), to_ms: newest_ms };
        let units = self.work.units_at(installed_ms);
        let mut s = StandingProof {
            installed_ms,
            proof_ms: [proof_span.from_ms, proof_span.to_ms.min(newest_ms)],
            week_ms: [week_span.from_ms, week_span.to_ms],
            ..StandingProof::default()
        };
        let proof_log = joined(proof_span, read)?;
        let week_log = joined(week_span, read)?;
        let finished = newest_ms >= proof_span.to_ms;
        let known = self.proof.filter(|(at, _)| *at == installed_ms && finished);
        s.proof = match known {
            Some((_, proof)) => proof,
            None => self.removed(before, &proof_log, &units, "the week of the proof", &mut s.notes),
        };
        self.proof = Some((installed_ms, s.proof));
        s.week = self.removed(before, &week_log, &units, "this week", &mut s.notes);
        if !finished || week_span.from_ms < proof_span.to_ms {
            s.notes.push("The week of the proof is under way.".to_owned());
            return Ok(s);
        }
        match self.compare(&proof_log, &week_log, Vec::new()) {
            Ok(v) => {
                let (change, u) = (v.total.measured_var, v.total.uncertainty_var);
                s.change_var = Some(change);
                s.change_uncertainty_var = Some(u);
                let of = s.proof.map(|p| p.removed_var.max(p.expected_var.unwrap_or(0.0)));
                let installed: f64 = units.iter().map(|u| u.rated_var).sum();
                let enough = self.fall_share * of.unwrap_or(installed);
                s.fell = change + u < 0.0 && -change > enough;
            }
            Err(e) => s.notes.push(format!("This week is not compared with the proof: {e}.")),
        }
        Ok(s)
    }

    fn compare(
        &self,
        before: &IntervalLog,
        after: &IntervalLog,
        units: Vec<Unit>,
    ) -> Result<Verification, VerifyError> {
        verify(before, after, &self.site, &Terms::new(units))
    }

    fn removed(
        &self,
        before: &IntervalLog,
        week: &IntervalLog,
        units: &[Unit],
        which: &str,
        notes: &mut Vec<String>,
    ) -> Option<Removed> {
        if before.is_empty() {
            notes.push(format!("No record from before the work to hold {which} against."));
            return None;
        }
        match self.compare(before, week, units.to_vec()) {
            Ok(v) => Some(Removed {
                removed_var: v.total.measured_var,
                uncertainty_var: v.total.uncertainty_var,
                expected_var: v.total.expected_var,
            }),
            Err(e) => {
                notes.push(format!("What {which} removes is not known: {e}."));
                None
            }
        }
    }

    /// Puts a stretch of the log into the ledger, day by day, with the share of the units' output
    /// that it shows itself, or else the last one that showed any.
    fn book<E>(
        &mut self,
        before: &IntervalLog,
        span: Span,
        read: &mut dyn FnMut(Span) -> Result<IntervalLog, E>,
    ) -> Result<(), E> {
        let Some(tariff) = self.tariff.clone() else { return Ok(()) };
        let units = self.work.units_at(span.from_ms);
        let whole = joined(span, read)?;
        let outputs = match before.is_empty() {
            false => {
                if let Ok(v) = self.compare(before, &whole, units.clone())
                    && let Some(ratio) = v.total.ratio
                {
                    self.ratio = ratio.clamp(0.0, 1.15);
                }
                expected_outputs(before, &whole, &self.site, &units).unwrap_or_default()
            }
            // Without a time before, the nameplates stand for what is removed; not for what a
            // controller chooses by a load that nobody has seen.
            true if units.iter().all(|u| !matches!(u.control, Control::Automatic { .. })) => {
                expected_outputs(&whole, &whole, &self.site, &units).unwrap_or_default()
            }
            true => Vec::new(),
        };
        self.ledger.add(&whole, &outputs, self.ratio, &tariff);
        Ok(())
    }
}

/// The log of a span, read day by day, in records of [`JOINED_MS`] or longer.
fn joined<E>(
    span: Span,
    read: &mut dyn FnMut(Span) -> Result<IntervalLog, E>,
) -> Result<IntervalLog, E> {
    let mut out = IntervalLog::default();
    let mut from_ms = span.from_ms;
    while from_ms < span.to_ms {
        let to_ms = (from_ms + DAY_MS).min(span.to_ms);
        let day = read(Span { from_ms, to_ms })?;
        let mut from = 0;
        while from < day.len() {
            let slot = |k: usize| (day.end_ms[k] - 1).div_euclid(JOINED_MS);
            let mut to = from + 1;
            while to < day.len()
                && slot(to) == slot(from)
                && (day.start_ms(to) - day.end_ms[to - 1]).abs() < 2000
            {
                to += 1;
            }
            push_mean(&mut out, &day, from..to);
            from = to;
        }
        from_ms = to_ms;
    }
    Ok(out)
}

fn push_mean(out: &mut IntervalLog, log: &IntervalLog, rows: std::ops::Range<usize>) {
    let last = rows.end - 1;
    let us: f64 = rows.clone().map(|k| f64::from(log.duration_us[k])).sum();
    let mean = |c: &[f32]| {
        let sum: f64 = rows.clone().map(|k| f64::from(c[k]) * f64::from(log.duration_us[k])).sum();
        (sum / us.max(1.0)) as f32
    };
    let square = |c: &[f32]| {
        let sum: f64 = rows
            .clone()
            .map(|k| f64::from(c[k]) * f64::from(c[k]) * f64::from(log.duration_us[k]))
            .sum();
        libm::sqrt(sum / us.max(1.0)) as f32
    };
    out.seq.push(log.seq[last]);
    out.boot.push(log.boot[last]);
    out.end_ms.push(log.end_ms[last]);
    out.duration_us.push(us as u32);
    out.flags.push(rows.clone().fold(0, |f, k| f | log.flags[k]));
    out.placed.push(rows.clone().any(|k| log.placed[k]));
    out.frames_lost.push(rows.clone().fold(0u16, |n, k| n.saturating_add(log.frames_lost[k])));
    out.frequency_10uhz.push(log.frequency_10uhz[last]);
    for k in 0..3 {
        out.v_rms_v[k].push(square(&log.v_rms_v[k]));
        out.i_rms_a[k].push(square(&log.i_rms_a[k]));
        out.p_w[k].push(mean(&log.p_w[k]));
        out.q1_var[k].push(mean(&log.q1_var[k]));
        out.s_va[k].push(mean(&log.s_va[k]));
    }
    out.s_effective_va.push(mean(&log.s_effective_va));
    for (to, c) in out.energy_counts.iter_mut().zip(&log.energy_counts) {
        to.push(c[last]);
    }
}
