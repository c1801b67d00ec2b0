//! The comparison itself: kvar against kW as a line with a few bends, before and after.
//!
//! Model of a load's reactive power: q = h(P)·(V/V₀)ⁿ. h is a straight line between knots of P,
//! which follows a constant plus a rise with P and P² (magnetizing and leakage of motors) as well
//! as the step between night and day. n is 2 for magnetizing, less where leakage counts; it is
//! taken from the data as far as they tell and else lies about [`EXPONENT`].

use super::sample::Sample;
use super::{Budget, CurvePoint, LoadBin, VerifyError};
use crate::analyse::regression::serial::{Serial, serial};
use crate::analyse::regression::{Fit, FitError, Prior, least_squares, quantile_of_sorted, robust};

/// What is known of the exponent of voltage ahead of the data: magnetizing current gives 2 and
/// more with saturation, leakage −2, constant current 1, electronic loads 0 (common practice).
pub(super) const EXPONENT: f64 = 1.5;

/// Standard deviation of that.
const EXPONENT_SD: f64 = 1.0;

/// Machines that make other kvar at the same kW after than before: what a fit leaves unexplained
/// may shift for good, by this share of the residuals' standard deviation. One standard
/// deviation; set by simulated pairs with changed shifts and use.
const MIX_SHARE: f64 = 0.22;

/// Points of the load's distribution at which the line may bend.
const KNOTS: [f64; 7] = [0.005, 0.1, 0.3, 0.5, 0.7, 0.9, 0.995];

/// Least distance of knots, as a share of the range of load.
const KNOT_GAP: f64 = 0.08;

/// Steps of load that the range before is cut into, about.
const STEPS: f64 = 12.0;

/// Time that a step of load needs before to be compared, in hours.
const STEP_MIN_H: f64 = 0.25;

/// Records that a fit takes at least.
pub(super) const RECORDS_MIN: usize = 30;

/// Both fits and what they are made of.
pub(super) struct Comparison {
    pub(super) knots: Vec<f64>,
    pub(super) reference_v: f64,
    pub(super) before: Side,
    pub(super) after: Side,
    pub(super) bins: Vec<LoadBin>,
    pub(super) covered_share: f64,
    pub(super) exponent: f64,
    pub(super) exponent_sd: f64,
    /// Mean columns over the compared records after.
    mean_x: Vec<f64>,
    /// Voltage at like load, after minus before, as a share.
    pub(super) voltage_rise: f64,
}

/// The compared records of one range.
pub(super) struct Side {
    /// Positions of the compared records in the sample.
    pub(super) rows: Vec<usize>,
    columns: Vec<Vec<f64>>,
    pub(super) fit: Fit,
    pub(super) serial: Serial,
    pub(super) hours: f64,
}

/// A drop with its standard uncertainties.
#[derive(Clone, Copy, Debug)]
pub(super) struct Found {
    pub(super) before_var: f64,
    pub(super) after_var: f64,
    pub(super) sd_before: f64,
    pub(super) sd_after: f64,
    /// Part of `sd_before` from the exponent of voltage.
    pub(super) sd_voltage: f64,
    pub(super) sd_mix: f64,
}

impl Found {
    pub(super) fn drop_var(&self) -> f64 {
        self.before_var - self.after_var
    }

    pub(super) fn sd(&self) -> f64 {
        let squares = [self.sd_before, self.sd_after, self.sd_mix].map(|x| x * x);
        libm::sqrt(squares.iter().sum())
    }
}

impl Comparison {
    pub(super) fn new(
        before: &Sample,
        after: &Sample,
        reference_v: f64,
    ) -> Result<Comparison, VerifyError> {
        let (mut bins, step, low) = bins(before, after);
        for b in &mut bins {
            b.compared = b.before_h >= STEP_MIN_H.min(0.02 * before.hours.iter().sum::<f64>());
        }
        let place = |p: f64| {
            let at = libm::floor((p - low) / step);
            (at >= 0.0).then_some(at as usize).filter(|at| *at < bins.len())
        };
        let seen = |p: f64| place(p).is_some_and(|at| bins[at].compared);
        let pick = |s: &Sample| (0..s.len()).filter(|k| seen(s.p_w[*k])).collect::<Vec<usize>>();
        let (rows_before, rows_after) = (pick(before), pick(after));
        let hours = |s: &Sample, rows: &[usize]| rows.iter().map(|k| s.hours[*k]).sum::<f64>();
        let after_h: f64 = after.hours.iter().sum();
        let covered_share = hours(after, &rows_after) / after_h;
        let few = |range, records, load| VerifyError::TooFew {
            range,
            records,
            load,
            needed: RECORDS_MIN,
        };
        if rows_before.len() < RECORDS_MIN {
            return Err(few("before", rows_before.len(), "any load"));
        }
        if after.len() < RECORDS_MIN {
            return Err(few("after", after.len(), "any load"));
        }
        let knots = knots(&rows_before.iter().map(|k| before.p_w[*k]).collect::<Vec<f64>>());
        // With next to nothing in common, the range after is fitted as it is, and only told.
        let rows_after =
            if rows_after.len() < RECORDS_MIN { (0..after.len()).collect() } else { rows_after };

        let hats = |s: &Sample, rows: &[usize]| hat_columns(s, rows, &knots, reference_v);
        let y =
            |s: &Sample, rows: &[usize]| rows.iter().map(|k| s.q1_var[*k]).collect::<Vec<f64>>();
        let y_before = y(before, &rows_before);
        let mut columns = hats(before, &rows_before);
        let damaged = |_: FitError| few("before", rows_before.len(), "enough different loads");
        let first = robust(&columns, &y_before, &[]).map_err(damaged)?;
        let ends =
            |s: &Sample, rows: &[usize]| rows.iter().map(|k| s.end_ms[*k]).collect::<Vec<i64>>();
        let ends_before = ends(before, &rows_before);
        let first_serial = serial(&first.residuals, &ends_before, before.record_s);
        // The exponent's column: how q moves when the exponent does.
        let column = |s: &Sample, rows: &[usize], hats: &[Vec<f64>]| -> Vec<f64> {
            let level =
                |i: usize| hats.iter().zip(&first.coefficients).map(|(h, b)| h[i] * b).sum::<f64>();
            let of = |(i, k): (usize, &usize)| level(i) * libm::log(s.v[*k] / reference_v);
            rows.iter().enumerate().map(of).collect()
        };
        let extra = column(before, &rows_before, &columns);
        let sd = first.residual_sd * libm::sqrt(first_serial.inflation);
        let prior = Prior {
            column: columns.len(),
            mean: EXPONENT - 2.0,
            sd_over_residual_sd: EXPONENT_SD / sd.max(1e-9),
        };
        let says = extra.iter().any(|x| *x != 0.0);
        let priors: &[Prior] = if says { &[prior] } else { &[] };
        if says {
            columns.push(extra);
        }
        let fit = robust(&columns, &y_before, priors).map_err(damaged)?;
        let before_serial = serial(&fit.residuals, &ends_before, before.record_s);
        let (exponent, exponent_sd) = match fit.coefficients.get(knots.len()) {
            Some(g) => {
                let sd = fit.standard_errors()[knots.len()] * libm::sqrt(before_serial.inflation);
                (2.0 + g, sd.min(EXPONENT_SD))
            }
            None => (EXPONENT, EXPONENT_SD),
        };

        let mut columns_after = hats(after, &rows_after);
        if says {
            columns_after.push(column(after, &rows_after, &columns_after));
        }
        let fit_after = fit_after(&columns_after, &y(after, &rows_after), knots.len());
        let after_serial = serial(&fit_after.residuals, &ends(after, &rows_after), after.record_s);
        let mean_x = weighted_means(&columns_after, &fit_after.weights);

        let u = |s: &Sample, rows: &[usize]| {
            rows.iter().map(|k| s.v[*k] / reference_v).collect::<Vec<f64>>()
        };
        let plain: Vec<Vec<f64>> = plain_hats(before, &rows_before, &knots);
        let voltage_rise = least_squares(&plain, &u(before, &rows_before), None, &[])
            .map(|f| {
                let at =
                    weighted_means(&plain_hats(after, &rows_after, &knots), &fit_after.weights);
                weighted_mean(&u(after, &rows_after), &fit_after.weights) - f.at(&at)
            })
            .unwrap_or(0.0);

        let (before_h, compared_h) = (hours(before, &rows_before), hours(after, &rows_after));
        let (before_serial, after_serial) = lent(
            (before_serial, rows_before.len(), before_h),
            (after_serial, rows_after.len(), compared_h),
        );
        let mut c = Comparison {
            knots,
            reference_v,
            before: Side {
                hours: before_h,
                rows: rows_before,
                columns,
                fit,
                serial: before_serial,
            },
            after: Side {
                hours: compared_h,
                rows: rows_after,
                columns: columns_after,
                fit: fit_after,
                serial: after_serial,
            },
            bins,
            covered_share,
            exponent,
            exponent_sd,
            mean_x,
            voltage_rise,
        };
        c.fill_bins(after, step, low, before);
        Ok(c)
    }

    /// The drop of a series that was recorded beside the total (total, phase, difference).
    ///
    /// Weights of the rows are those of the total's fits. `mix_share` is the series' part of what
    /// another mix of machines may make: differences between phases have none.
    pub(super) fn drop_of(&self, before: &[f64], after: &[f64], mix_share: f64) -> Option<Found> {
        let pick = |y: &[f64], rows: &[usize]| rows.iter().map(|k| y[*k]).collect::<Vec<f64>>();
        let y = pick(before, &self.before.rows);
        let weights = Some(self.before.fit.weights.as_slice());
        let m = self.knots.len();
        // A phase's exponent is that of the total: its column is taken out with its coefficient.
        let share = share_of(&y, &self.before.columns, &self.before.fit, m);
        let gamma = self.before.fit.coefficients.get(m).map(|g| g * share);
        let taken: Vec<f64> = match (gamma, self.before.columns.get(m)) {
            (Some(g), Some(c)) => y.iter().zip(c).map(|(y, c)| y - g * c).collect(),
            _ => y,
        };
        let fit = least_squares(&self.before.columns[..m], &taken, weights, &[]).ok()?;
        let own = self.before.serial.inflation;
        let x = &self.mean_x[..m];
        let before_var =
            fit.at(x) + gamma.unwrap_or(0.0) * self.mean_x.get(m).copied().unwrap_or(0.0);
        let after_y = pick(after, &self.after.rows);
        let after_var = weighted_mean(&after_y, &self.after.fit.weights);
        let n = self.after.fit.weights.iter().sum::<f64>();
        let rest =
            least_squares(&self.after.columns[..m], &after_y, Some(&self.after.fit.weights), &[]);
        let sd_residual = rest.map_or_else(|_| deviation(&after_y), |f| f.residual_sd);
        let sd_after = sd_residual * libm::sqrt(self.after.serial.inflation / n);
        // What the exponent leaves open acts on the difference of voltage between the ranges.
        let lever = self.mean_x.get(m).copied().unwrap_or(0.0) - self.lever_before();
        let sd_voltage = libm::fabs(self.exponent_sd * share * lever);
        let sd_fit = libm::sqrt(fit.variance_at(x) * own);
        Some(Found {
            before_var,
            after_var,
            sd_before: libm::sqrt(sd_fit * sd_fit + sd_voltage * sd_voltage),
            sd_after,
            sd_voltage,
            sd_mix: mix_share * self.mix_var(),
        })
    }

    /// Mean over the compared records after, weighted as in the fit.
    pub(super) fn after_mean(&self, y: &[f64]) -> f64 {
        let picked: Vec<f64> = self.after.rows.iter().map(|k| y[*k]).collect();
        weighted_mean(&picked, &self.after.fit.weights)
    }

    /// Standard deviation for another mix of machines at the same kW, in var.
    fn mix_var(&self) -> f64 {
        MIX_SHARE * self.before.fit.residual_sd.max(self.after.fit.residual_sd)
    }

    /// The exponent's column at the loads after, as the range before would have it.
    fn lever_before(&self) -> f64 {
        let m = self.knots.len();
        let Some(c) = self.before.columns.get(m) else { return 0.0 };
        let weights = Some(self.before.fit.weights.as_slice());
        least_squares(&self.before.columns[..m], c, weights, &[])
            .map_or(0.0, |f| f.at(&self.mean_x[..m]))
    }

    /// What a record would have drawn before, in var.
    pub(super) fn before_at(&self, p_w: f64, v: f64) -> f64 {
        let u = v / self.reference_v;
        let hats = hat_row(p_w, &self.knots);
        let m = self.knots.len();
        let level: f64 =
            hats.iter().zip(&self.before.fit.coefficients).map(|(h, b)| h * u * u * b).sum();
        let g = self.before.fit.coefficients.get(m).copied().unwrap_or(0.0);
        level * (1.0 + g * libm::log(u))
    }

    /// kvar against kW before and after, at the mean voltage after.
    pub(super) fn curve(&self, t: f64, after: &Sample) -> Vec<CurvePoint> {
        let m = self.knots.len();
        let volts: Vec<f64> = self.after.rows.iter().map(|k| after.v[*k]).collect();
        let v = weighted_mean(&volts, &self.after.fit.weights);
        let u2 = (v / self.reference_v) * (v / self.reference_v);
        let loads: Vec<f64> = self.after.rows.iter().map(|k| after.p_w[*k]).collect();
        let low = loads.iter().copied().fold(f64::INFINITY, f64::min);
        let high = loads.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let covariance = |f: &Fit, k: usize| {
            f.unscaled_covariance
                .get(k)
                .and_then(|r| r.get(k))
                .map_or(0.0, |c| c * f.residual_sd * f.residual_sd)
        };
        (0..m)
            .map(|k| {
                let p_w = self.knots[k];
                let gap = if m > 1 { (self.knots[m - 1] - self.knots[0]) * KNOT_GAP } else { 1.0 };
                let seen = p_w > low - gap && p_w < high + gap;
                let after = self.after.fit.coefficients.get(k).filter(|_| seen).map(|b| b * u2);
                let variance = covariance(&self.before.fit, k) * self.before.serial.inflation
                    + covariance(&self.after.fit, k) * self.after.serial.inflation;
                CurvePoint {
                    p_w,
                    before_var: self.before_at(p_w, v),
                    after_var: after,
                    uncertainty_var: after.map(|_| t * u2 * libm::sqrt(variance)),
                }
            })
            .collect()
    }

    fn fill_bins(&mut self, after: &Sample, step: f64, low: f64, before: &Sample) {
        let mut sums = vec![[0.0; 4]; self.bins.len()];
        let place = |p: f64| libm::floor((p - low) / step).max(0.0) as usize;
        for k in &self.after.rows {
            if let Some(s) = sums.get_mut(place(after.p_w[*k])) {
                s[0] += after.q1_var[*k];
                s[1] += 1.0;
            }
        }
        let volts: Vec<f64> = self.after.rows.iter().map(|k| after.v[*k]).collect();
        let v = volts.iter().sum::<f64>() / volts.len().max(1) as f64;
        for k in &self.before.rows {
            if let Some(s) = sums.get_mut(place(before.p_w[*k])) {
                s[2] += before.q1_var[*k] * libm::pow(v / before.v[*k], self.exponent);
                s[3] += 1.0;
            }
        }
        for (b, s) in self.bins.iter_mut().zip(sums).filter(|(b, _)| b.compared) {
            b.after_var = (s[1] > 0.0).then(|| s[0] / s[1]);
            b.before_var = (s[3] > 0.0).then(|| s[2] / s[3]);
        }
    }

    /// The budget of the total.
    pub(super) fn budget(&self, f: &Found, instrument_share: f64, t: f64, freedom: f64) -> Budget {
        let drop = f.drop_var();
        let instrument_var = libm::fabs(drop) * instrument_share / 2.0;
        let combined_var = libm::hypot(f.sd(), instrument_var);
        let n = self.before.rows.len() as f64;
        let effective = (n / self.before.serial.inflation).max(1.0);
        let m = self.after.rows.len() as f64;
        let mean = f.before_var;
        let guideline14_share = (drop > 0.0 && mean > 0.0).then(|| {
            guideline14(t, self.before.fit.residual_sd / mean, drop / mean, n, effective, m)
        });
        Budget {
            before_var: f.sd_before,
            after_var: f.sd_after,
            mix_var: f.sd_mix,
            voltage_var: f.sd_voltage,
            instrument_var,
            combined_var,
            t,
            freedom,
            guideline14_share,
            own_share: (drop > 0.0).then(|| t * combined_var / drop),
        }
    }
}

/// A range much shorter than the other cannot show its own long memory: it is the same plant's, and
/// takes the other's.
fn lent(before: (Serial, usize, f64), after: (Serial, usize, f64)) -> (Serial, Serial) {
    let longer = |short: (Serial, usize, f64), long: (Serial, usize, f64)| {
        let (mut s, n, hours) = short;
        // In records of unlike length the memory is the same in hours.
        let in_hours = long.0.inflation * long.2 / long.1.max(1) as f64;
        let borrowed = (in_hours * n as f64 / hours.max(1e-9)).min(n as f64 / 2.0);
        if hours < 0.5 * long.2 && borrowed > s.inflation {
            s.inflation = borrowed;
        }
        s
    };
    (longer(before, after), longer(after, before))
}

/// Fractional savings uncertainty of ASHRAE Guideline 14 (1.26 and n′ from memory):
/// 1.26·t·CV/F·sqrt((n/n′)·(1 + 2/n′)/m).
pub(super) fn guideline14(t: f64, cv: f64, f: f64, n: f64, effective: f64, m: f64) -> f64 {
    1.26 * t * cv / f * libm::sqrt(n / effective * (1.0 + 2.0 / effective) / m)
}

/// How much of the total's level a series carries, for its part of the exponent's column.
fn share_of(y: &[f64], columns: &[Vec<f64>], total: &Fit, m: usize) -> f64 {
    let level: f64 = (0..y.len())
        .map(|i| columns[..m].iter().zip(&total.coefficients).map(|(c, b)| c[i] * b).sum::<f64>())
        .sum();
    if libm::fabs(level) > 0.0 { y.iter().sum::<f64>() / level } else { 0.0 }
}

/// The range after, by the same columns; those that it does not reach are left out.
fn fit_after(columns: &[Vec<f64>], y: &[f64], hats: usize) -> Fit {
    let reached: Vec<usize> = (0..hats)
        .filter(|k| columns[*k].iter().map(|x| x * x).sum::<f64>() > 1e-3 * y.len() as f64 / 100.0)
        .collect();
    let chosen: Vec<Vec<f64>> = reached.iter().map(|k| columns[*k].clone()).collect();
    let fit = robust(&chosen, y, &[]).or_else(|_| robust(&[vec![1.0; y.len()]], y, &[]));
    let used = chosen.len();
    match fit {
        Ok(mut f) if f.coefficients.len() == used => {
            let mut coefficients = vec![0.0; hats];
            let mut covariance = vec![vec![0.0; hats]; hats];
            for (a, k) in reached.iter().enumerate() {
                coefficients[*k] = f.coefficients[a];
                for (b, j) in reached.iter().enumerate() {
                    covariance[*k][*j] = f.unscaled_covariance[a][b];
                }
            }
            f.coefficients = coefficients;
            f.unscaled_covariance = covariance;
            f
        }
        Ok(mut f) => {
            // All loads alike: one level stands for every knot.
            f.coefficients = vec![f.coefficients[0]; hats];
            f.unscaled_covariance = vec![vec![0.0; hats]; hats];
            f
        }
        Err(_) => Fit {
            coefficients: vec![0.0; hats],
            unscaled_covariance: vec![vec![0.0; hats]; hats],
            residuals: vec![0.0; y.len()],
            weights: vec![1.0; y.len()],
            residual_sd: deviation(y),
            r_squared: 0.0,
        },
    }
}

/// Equal steps of load over both ranges, their width, and where they begin.
fn bins(before: &Sample, after: &Sample) -> (Vec<LoadBin>, f64, f64) {
    let sorted = |s: &Sample| {
        let mut p = s.p_w.clone();
        p.sort_unstable_by(f64::total_cmp);
        p
    };
    let (b, a) = (sorted(before), sorted(after));
    let span = quantile_of_sorted(&b, 0.999) - quantile_of_sorted(&b, 0.001);
    let most = libm::fabs(quantile_of_sorted(&b, 0.999)).max(1.0);
    let step = round_step(span.max(0.02 * most) / STEPS);
    let least = b[0].min(a[0]);
    let low = libm::floor(least / step) * step;
    let highest = b[b.len() - 1].max(a[a.len() - 1]);
    // A single wild record must not make thousands of steps.
    let count = (libm::floor((highest - low) / step) as usize + 1).min(400);
    let mut bins: Vec<LoadBin> = (0..count)
        .map(|k| LoadBin {
            from_w: low + k as f64 * step,
            to_w: low + (k + 1) as f64 * step,
            before_h: 0.0,
            after_h: 0.0,
            compared: false,
            before_var: None,
            after_var: None,
        })
        .collect();
    let mut add = |s: &Sample, after: bool| {
        for (p, h) in s.p_w.iter().zip(&s.hours) {
            let at = libm::floor((p - low) / step).max(0.0) as usize;
            if let Some(b) = bins.get_mut(at) {
                *(if after { &mut b.after_h } else { &mut b.before_h }) += h;
            }
        }
    };
    add(before, false);
    add(after, true);
    (bins, step, low)
}

/// 1, 2 or 5 times a power of ten, not below.
fn round_step(x: f64) -> f64 {
    let power = libm::pow(10.0, libm::floor(libm::log10(x)));
    [1.0, 2.0, 5.0, 10.0].into_iter().map(|f| f * power).find(|s| *s >= x * 0.999).unwrap_or(x)
}

fn knots(p: &[f64]) -> Vec<f64> {
    let mut sorted = p.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let (low, high) =
        (quantile_of_sorted(&sorted, KNOTS[0]), quantile_of_sorted(&sorted, KNOTS[6]));
    if high - low <= 0.02 * libm::fabs(high).max(1.0) {
        return vec![0.5 * (low + high)];
    }
    let gap = (high - low) * KNOT_GAP;
    let mut knots = vec![low];
    for share in &KNOTS[1..6] {
        let at = quantile_of_sorted(&sorted, *share);
        if at >= knots[knots.len() - 1] + gap && at <= high - gap {
            knots.push(at);
        }
    }
    knots.push(high);
    knots
}

/// Values of the hats at a load: a straight line between knots, the outer pieces go on.
fn hat_row(p: f64, knots: &[f64]) -> Vec<f64> {
    let m = knots.len();
    let mut row = vec![0.0; m];
    if m == 1 {
        row[0] = 1.0;
        return row;
    }
    let k = (1..m - 1).find(|k| p < knots[*k]).unwrap_or(m - 1);
    let f = (p - knots[k - 1]) / (knots[k] - knots[k - 1]);
    // A little beyond the ends the line goes on; far beyond nothing is compared.
    let f = f.clamp(-0.5, 1.5);
    row[k - 1] = 1.0 - f;
    row[k] = f;
    row
}

fn plain_hats(s: &Sample, rows: &[usize], knots: &[f64]) -> Vec<Vec<f64>> {
    let mut columns = vec![Vec::with_capacity(rows.len()); knots.len()];
    for k in rows {
        for (c, h) in columns.iter_mut().zip(hat_row(s.p_w[*k], knots)) {
            c.push(h);
        }
    }
    columns
}

fn hat_columns(s: &Sample, rows: &[usize], knots: &[f64], reference_v: f64) -> Vec<Vec<f64>> {
    let mut columns = plain_hats(s, rows, knots);
    for c in &mut columns {
        for (x, k) in c.iter_mut().zip(rows) {
            let u = s.v[*k] / reference_v;
            *x *= u * u;
        }
    }
    columns
}

fn weighted_mean(y: &[f64], weights: &[f64]) -> f64 {
    let sum: f64 = y.iter().zip(weights).map(|(y, w)| y * w).sum();
    sum / weights.iter().sum::<f64>().max(f64::MIN_POSITIVE)
}

fn weighted_means(columns: &[Vec<f64>], weights: &[f64]) -> Vec<f64> {
    columns.iter().map(|c| weighted_mean(c, weights)).collect()
}

fn deviation(y: &[f64]) -> f64 {
    let n = y.len().max(2) as f64;
    let mean = y.iter().sum::<f64>() / n;
    libm::sqrt(y.iter().map(|y| (y - mean) * (y - mean)).sum::<f64>() / (n - 1.0))
}
