//! From two logs to a verdict: order of the steps, and the rules of the answer.
//!
//! Worked: total and phases match whole units, within tolerance and uncertainty, and the
//! uncertainty is as small as wished. Partly: significantly less, but not nothing. Not: nothing,
//! and half of what was installed is excluded. Else the data does not tell, and what it takes is
//! said.

use super::estimate::{Comparison, Found};
use super::explain::{Measured, cost, explanations, place, shown};
use super::period::{leading_share, period};
use super::sample::Sample;
use super::unit::{Control, Explanation, State, Unit};
use super::{
    Basis, Coverage, Drop, Needed, Outcome, Output, Reason, Terms, Verdict, Verification,
    VerifyError, clock, trend,
};
use crate::analyse::regression::student;
use crate::analyse::survey::clock::LocalClock;
use crate::collect::log::IntervalLog;
use crate::site::Site;

/// Share of the time after whose load must have been seen before.
const COVERED_MIN: f64 = 0.5;

/// Misfit between which two explanations are told apart.
const APART: f64 = 6.0;

/// Misfit per explanation above which nothing fits.
const MISFIT_MAX: f64 = 16.0;

const PHASES: [&str; 3] = ["L1", "L2", "L3"];

pub(super) fn run(
    before_log: &IntervalLog,
    after_log: &IntervalLog,
    site: &Site,
    terms: &Terms,
) -> Result<Verification, VerifyError> {
    let before = Sample::of(before_log, "before")?;
    let after = Sample::of(after_log, "after")?;
    let clock = clock(before_log, after_log, site)?;
    check(&before, &after, &clock)?;
    let mut assumed = Vec::new();
    let reference_v = reference_voltage(&before, site, &mut assumed);
    let c = Comparison::new(&before, &after, reference_v)?;
    let outputs: Vec<Vec<f64>> = outputs(&terms.installed, &c, &after);
    let expected: Vec<f64> = (0..after.len()).map(|k| outputs.iter().map(|o| o[k]).sum()).collect();
    let mean = |y: &[f64]| c.after_mean(y);
    let output_var: Vec<f64> = outputs.iter().map(|o| mean(o)).collect();

    let too_few = VerifyError::TooFew {
        range: "before",
        records: c.before.rows.len(),
        load: "enough different loads",
        needed: super::estimate::RECORDS_MIN,
    };
    let level = mean(
        &after.p_w.iter().zip(&after.v).map(|(p, v)| c.before_at(*p, *v)).collect::<Vec<f64>>(),
    );
    let found = c.drop_of(&before.q1_var, &after.q1_var, 1.0).ok_or(too_few)?;
    let freedom = freedom(&c, &found);
    let t = student::quantile(terms.confidence, freedom);
    let budget = c.budget(&found, terms.instrument_share, t, freedom);
    let total = drop("total", &found, budget.combined_var, t, total_of(&output_var));
    let n = before.phase_q1_var.len();
    let mut phases = Vec::new();
    let mut apart = Vec::new();
    for (k, (b, a)) in before.phase_q1_var.iter().zip(&after.phase_q1_var).enumerate() {
        let Some(f) = c.drop_of(b, a, 1.0 / n as f64) else { continue };
        let share: f64 =
            terms.installed.iter().zip(&output_var).map(|(u, o)| u.connection.whole()[k] * o).sum();
        let expected = (!terms.installed.is_empty()).then_some(share);
        let sd = libm::hypot(f.sd(), terms.instrument_share / 2.0 * libm::fabs(f.drop_var()));
        phases.push(drop(PHASES[k], &f, sd, t, expected));
        let minus = |y: &[f64], total: &[f64]| {
            y.iter().zip(total).map(|(y, q)| y - q / n as f64).collect::<Vec<f64>>()
        };
        let Some(d) = c.drop_of(&minus(b, &before.q1_var), &minus(a, &after.q1_var), 0.0) else {
            continue;
        };
        // Loads on one phase come and go a little between the ranges.
        let drift = 0.01 * libm::fabs(level) / n as f64;
        apart.push((d.drop_var(), libm::hypot(d.sd(), drift)));
    }

    let step_sd: f64 = terms
        .installed
        .iter()
        .map(|u| match u.control {
            Control::Automatic { step_var, .. } => 0.3 * step_var,
            _ => 0.0,
        })
        .sum();
    let measured = Measured {
        units: &terms.installed,
        output_var: &output_var,
        output_sd_var: step_sd,
        total_var: found.drop_var(),
        // Student's t over the normal's: few stretches leave the spread itself uncertain.
        total_sd: budget.combined_var * t / student::quantile(terms.confidence, f64::INFINITY),
        apart,
        tolerance: terms.tolerance,
    };
    let (all, whole) = explanations(&measured);
    let days = trend::days(&c, &after, &clock, &expected);
    let judge = Judge {
        c: &c,
        before: &before,
        after: &after,
        terms,
        total: &total,
        all: &all,
        whole: &whole,
    };
    let mut verdict = judge.verdict();
    remarks(&mut verdict, &judge, &expected, &clock, &budget);
    let needed = needed(&c, &found, &budget, &total, terms);
    let regression = |s: &Sample, side: &super::estimate::Side| {
        period(s, &clock, &side.fit, &side.serial, &side.rows, c.exponent, c.reference_v)
    };
    Ok(Verification {
        basis: Basis {
            site: site.name.clone(),
            feeder: site.feeder.clone(),
            time_zone: site.time_zone_name.clone(),
            reference_v,
            confidence: terms.confidence,
            wished_share: terms.wished_share,
            tolerance: terms.tolerance,
            instrument_share: terms.instrument_share,
            assumed,
        },
        verdict,
        before: regression(&before, &c.before),
        after: regression(&after, &c.after),
        installed: terms.installed.clone(),
        total,
        phases,
        curve: c.curve(t, &after),
        coverage: Coverage { bins: c.bins.clone(), covered_share: c.covered_share },
        uncertainty: budget,
        days,
        explanations: if terms.installed.is_empty() { Vec::new() } else { shown(&all) },
        needed,
    })
}

pub(super) fn expected_outputs(
    before_log: &IntervalLog,
    after_log: &IntervalLog,
    site: &Site,
    units: &[Unit],
) -> Result<Vec<Output>, VerifyError> {
    let before = Sample::of(before_log, "before")?;
    let after = Sample::of(after_log, "after")?;
    let reference_v = reference_voltage(&before, site, &mut Vec::new());
    let c = Comparison::new(&before, &after, reference_v)?;
    let each = outputs(units, &c, &after);
    let at = |k: usize| {
        let mut phase_var = [0.0; 3];
        for (unit, output) in units.iter().zip(&each) {
            for (sum, share) in phase_var.iter_mut().zip(unit.connection.whole()) {
                *sum += share * output[k];
            }
        }
        Output { end_ms: after.end_ms[k], phase_var }
    };
    Ok((0..after.len()).map(at).collect())
}

/// Effective degrees of freedom by Welch and Satterthwaite (JCGM 100, G.4): those of the two
/// ranges by their weight in the variance; what is not estimated from scatter has no end of them.
fn freedom(c: &Comparison, f: &Found) -> f64 {
    let fourth = |x: f64| x * x * x * x;
    let of = |stretches: usize| (stretches as f64 - 1.0).max(3.0);
    let parts = fourth(f.sd_before) / of(c.before.serial.stretches)
        + fourth(f.sd_after) / of(c.after.serial.stretches);
    if parts > 0.0 { (fourth(f.sd()) / parts).max(3.0) } else { f64::INFINITY }.min(1e6)
}

/// Refuses ranges that cannot belong together.
fn check(before: &Sample, after: &Sample, clock: &LocalClock) -> Result<(), VerifyError> {
    let m = |ms| clock.moment(ms);
    if after.first_ms < before.first_ms {
        return Err(VerifyError::WrongOrder {
            before: m(before.first_ms),
            after: m(after.first_ms),
        });
    }
    if after.first_ms + 1000 < before.last_ms {
        return Err(VerifyError::Overlap {
            before_end: m(before.last_ms),
            after_begin: m(after.first_ms),
        });
    }
    let (b, a) = (before.phase_q1_var.len(), after.phase_q1_var.len());
    if b != a {
        return Err(VerifyError::Phases { before: b, after: a });
    }
    let mean = |s: &Sample| s.v.iter().sum::<f64>() / s.len() as f64;
    let (before_v, after_v) = (mean(before), mean(after));
    if libm::fabs(before_v / after_v - 1.0) > 0.15 {
        return Err(VerifyError::Supply { before_v, after_v });
    }
    Ok(())
}

fn reference_voltage(before: &Sample, site: &Site, assumed: &mut Vec<String>) -> f64 {
    let mean = before.v.iter().sum::<f64>() / before.len() as f64;
    match site.supply.phase_voltage_v() {
        Some(v) if libm::fabs(v / mean - 1.0) < 0.15 => v,
        nominal => {
            assumed.push(match nominal {
                None => format!("the fit's reference is the mean voltage before, {mean:.1} V (set supply.line_voltage_v)"),
                Some(v) => format!("the site's nominal {v:.1} V is far from the {mean:.1} V measured; the fit uses the latter"),
            });
            mean
        }
    }
}

/// Output of each unit at each record after, whole, in var.
fn outputs(units: &[Unit], c: &Comparison, after: &Sample) -> Vec<Vec<f64>> {
    let n = after.len();
    let at = |u: &Unit, k: usize| {
        let hz = if after.hz[k] > 0.0 { after.hz[k] } else { u.rated_hz };
        u.output_var(after.v[k], hz)
    };
    let mut out: Vec<Vec<f64>> = units
        .iter()
        .map(|u| {
            (0..n)
                .map(|k| match u.control {
                    Control::Fixed => at(u, k),
                    Control::WithLoad { from_w } if after.p_w[k] >= from_w => at(u, k),
                    Control::WithLoad { .. } | Control::Automatic { .. } => 0.0,
                })
                .collect()
        })
        .collect();
    // Controllers make up what the others leave, in the order of the list.
    for (i, u) in units.iter().enumerate() {
        let Control::Automatic { target_pf, step_var } = u.control else { continue };
        let tan = wattless_core::correction::tan_of_pf(target_pf).unwrap_or(0.0);
        let chosen = |k: usize| {
            let others: f64 = (0..units.len()).filter(|j| *j != i).map(|j| out[j][k]).sum();
            let load = c.before_at(after.p_w[k], after.v[k]);
            let lacks = load - others - after.p_w[k].max(0.0) * tan;
            let full = at(u, k);
            let step = if u.rated_var > 0.0 { step_var * full / u.rated_var } else { 0.0 };
            let steps = |lacks: f64| libm::ceil(lacks.max(0.0) / step - 0.1) * step;
            let wanted = if step > 0.0 { steps(lacks) } else { lacks };
            wanted.clamp(0.0, full)
        };
        out[i] = (0..n).map(chosen).collect();
    }
    out
}

fn total_of(outputs: &[f64]) -> Option<f64> {
    (!outputs.is_empty()).then(|| outputs.iter().sum())
}

fn drop(of: &'static str, f: &Found, sd: f64, t: f64, expected_var: Option<f64>) -> Drop {
    let expected = expected_var.filter(|e| *e > 0.0);
    Drop {
        of,
        before_var: f.before_var,
        after_var: f.after_var,
        measured_var: f.drop_var(),
        uncertainty_var: t * sd,
        expected_var,
        ratio: expected.map(|e| f.drop_var() / e),
        ratio_uncertainty: expected.map(|e| t * sd / e),
    }
}

struct Judge<'a> {
    c: &'a Comparison,
    before: &'a Sample,
    after: &'a Sample,
    terms: &'a Terms,
    total: &'a Drop,
    all: &'a [Explanation],
    whole: &'a Explanation,
}

impl Judge<'_> {
    fn verdict(&self) -> Verdict {
        let (outcome, reasons) = self.answer();
        Verdict { outcome, reasons, remarks: Vec::new() }
    }

    fn answer(&self) -> (Outcome, Vec<Reason>) {
        let cannot = |r: Reason| (Outcome::CannotTell, vec![r]);
        if self.c.covered_share < COVERED_MIN {
            return cannot(self.beyond());
        }
        let (Some(r), Some(u)) = (self.total.ratio, self.total.ratio_uncertainty) else {
            return cannot(if self.terms.installed.is_empty() {
                Reason::NothingListed
            } else {
                Reason::NothingExpected
            });
        };
        let [low, high] = self.terms.tolerance;
        let best = self.all.first().unwrap_or(self.whole);
        let score = |e: &Explanation| e.misfit + cost(e);
        if r + u < 0.0 && r < -0.15 {
            let by_var = -self.total.measured_var;
            return (Outcome::Not, vec![Reason::KvarRose { by_var }]);
        }
        let more =
            Reason::MoreDataNeeded { reached_share: u, wished_share: self.terms.wished_share };
        if r - u > high {
            return cannot(Reason::MoreThanInstalled { ratio: r });
        }
        let faulty = score(self.whole) - score(best) > APART;
        let total_short = r + u < low;
        if total_short && r + u < 0.5 && r - u <= 0.1 && r < 0.25 {
            return (Outcome::Not, self.nothing());
        }
        if total_short || faulty {
            // Half of it may be there or not: an answer needs less uncertainty.
            if r - u <= 0.0 && !faulty {
                return cannot(more);
            }
            return (Outcome::Partly, self.faults(r));
        }
        if u > self.terms.wished_share {
            return cannot(more);
        }
        // A fault of some size that fits better than whole units is not excluded by its rarity.
        let material = |e: &&Explanation| e.total_var < 0.9 * self.whole.total_var;
        if self.all.iter().filter(material).any(|e| e.misfit + 0.05 < self.whole.misfit) {
            return cannot(Reason::FaultNotExcluded { ratio: r, uncertainty: u });
        }
        (Outcome::Worked, vec![Reason::AsInstalled])
    }

    fn beyond(&self) -> Reason {
        let range = |s: &Sample| {
            let q = |share| crate::analyse::regression::quantile(&s.p_w, share).unwrap_or(0.0);
            [q(0.005), q(0.995)]
        };
        Reason::LoadBeyondRange {
            covered_share: self.c.covered_share,
            before_w: range(self.before),
            after_w: range(self.after),
        }
    }

    fn nothing(&self) -> Vec<Reason> {
        let expected_rise_pct = self.terms.transformer.map(|t| {
            wattless_core::correction::voltage_rise_pct(
                self.total.expected_var.unwrap_or(0.0),
                t.x_pct,
                t.rated_va,
            )
        });
        let voltage_rise_pct = 100.0 * self.c.voltage_rise;
        vec![Reason::NoDrop, Reason::SensorBehindCapacitor { voltage_rise_pct, expected_rise_pct }]
    }

    /// Which fault, and which other explanations read the same.
    fn faults(&self, ratio: f64) -> Vec<Reason> {
        let units = &self.terms.installed;
        let score = |e: &Explanation| e.misfit + cost(e);
        let Some(best) = self.all.first().filter(|e| e.misfit < MISFIT_MAX) else {
            return vec![Reason::LessThanInstalled { ratio }];
        };
        let near: Vec<&Explanation> =
            self.all.iter().filter(|e| score(e) < score(best) + 3.0).collect();
        let names = |e: &Explanation| -> Vec<String> {
            let missing = e.states.iter().zip(units).filter(|(s, _)| **s == State::Absent);
            missing.map(|(_, u)| u.name.clone()).collect()
        };
        let mut reasons = Vec::new();
        let broken = |e: &Explanation| {
            e.states.iter().zip(units).find_map(|(s, u)| Some((*s, u, place(*s, u)?)))
        };
        if let Some((state, unit, place)) = broken(best) {
            reasons.push(match state {
                State::LineOpen(_) => {
                    Reason::LineOpen { unit: unit.name.clone(), place: place.clone() }
                }
                _ => Reason::ElementDead { unit: unit.name.clone(), place: place.clone() },
            });
            let alike: Vec<String> = near
                .iter()
                .filter_map(|e| broken(e))
                .filter(|(s, _, _)| *s == state)
                .map(|(_, u, _)| u.name.clone())
                .collect();
            if alike.len() > 1 {
                reasons.push(Reason::OneOf { units: alike });
            }
        }
        let missing = names(best);
        if !missing.is_empty() {
            let combinations: Vec<Vec<String>> = near
                .iter()
                .skip(1)
                .filter(|e| broken(e).is_none() == broken(best).is_none())
                .map(|e| names(e))
                .filter(|n| !n.is_empty() && *n != missing)
                .take(4)
                .collect();
            reasons.push(Reason::UnitsMissing { units: missing });
            if !combinations.is_empty() {
                reasons.push(Reason::OrMissing { combinations });
            }
        }
        if reasons.is_empty() {
            reasons.push(Reason::LessThanInstalled { ratio });
        }
        reasons
    }
}

/// What is to be known beside, and changes within the range after, which change the answer.
fn remarks(
    v: &mut Verdict,
    j: &Judge<'_>,
    expected: &[f64],
    clock: &LocalClock,
    b: &super::Budget,
) {
    if let Some(change) = trend::change(j.c, j.after, clock, expected) {
        let reason = Reason::ChangedDuring {
            at: change.at,
            ratio_before: change.ratio_before,
            ratio_from: change.ratio_from,
        };
        let fell = change.ratio_from < change.ratio_before;
        if fell && matches!(v.outcome, Outcome::Worked | Outcome::Partly) {
            v.outcome = Outcome::Partly;
            v.reasons.retain(|r| *r != Reason::AsInstalled);
            v.reasons.insert(0, reason);
        } else {
            v.remarks.push(reason);
        }
    }
    if (COVERED_MIN..0.9).contains(&j.c.covered_share) {
        v.remarks.push(j.beyond());
    }
    let (share, below_095_share) = leading_share(j.after);
    let (share_before, _) = leading_share(j.before);
    if share > 0.01 && share > share_before + 0.005 {
        let most_var = -j.after.q1_var.iter().copied().fold(0.0, f64::min);
        v.remarks.push(Reason::Leading { share, share_before, most_var, below_095_share });
    }
    if libm::fabs(j.c.voltage_rise) > 0.005 {
        v.remarks.push(Reason::VoltageDiffers {
            by_pct: 100.0 * j.c.voltage_rise,
            exponent: j.c.exponent,
            exponent_sd: j.c.exponent_sd,
        });
    }
    let share = (b.mix_var / b.combined_var.max(1e-9)) * (b.mix_var / b.combined_var.max(1e-9));
    if share > 0.5 {
        v.remarks.push(Reason::MixMayDiffer { share });
    }
}

/// Hours that would bring the uncertainty down to the wish; variances of fits go with 1/hours.
fn needed(
    c: &Comparison,
    f: &Found,
    b: &super::Budget,
    total: &Drop,
    terms: &Terms,
) -> Option<Needed> {
    let expected = total.expected_var.filter(|e| *e > 0.0)?;
    if b.combined_var * b.t <= terms.wished_share * expected {
        return None;
    }
    // A longer range has more stretches behind it, and a smaller t.
    let t = b.t.min(student::quantile(terms.confidence, 20.0));
    let wish = terms.wished_share * expected / t;
    let square = |x: f64| x * x;
    let stays = square(f.sd_mix) + square(b.instrument_var) + square(f.sd_voltage);
    let before = square(f.sd_before) - square(f.sd_voltage);
    let after = square(f.sd_after);
    // A short range hides its own memory: the other one's scatter over time counts too.
    let rate = |s: &super::estimate::Side| {
        let sd = s.fit.residual_sd;
        sd * sd * s.serial.inflation * s.hours / s.rows.len().max(1) as f64
    };
    let slowest = rate(&c.before).max(rate(&c.after));
    let hours = |have: f64, part: f64, rest: f64| {
        let room = square(wish) - rest;
        (room > 0.0 && part > 0.0).then(|| ((have * part).max(slowest) / room).max(have))
    };
    Some(Needed {
        after_h: c.after.hours,
        needed_after_h: hours(c.after.hours, after, stays + before),
        before_h: c.before.hours,
        needed_before_h: hours(c.before.hours, before, stays + after),
    })
}
