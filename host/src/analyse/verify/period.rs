//! The figures of one range on its own.

use super::sample::Sample;
use super::{Period, Regression};
use crate::analyse::regression::serial::Serial;
use crate::analyse::regression::{Fit, quantile, robust};
use crate::analyse::survey::clock::LocalClock;
use wattless_core::correction::power_factor;

/// Load below this share of the highest counts as none.
const LOADED: f64 = 0.02;

pub(super) fn period(
    s: &Sample,
    clock: &LocalClock,
    fit: &Fit,
    serial: &Serial,
    rows: &[usize],
    exponent: f64,
    reference_v: f64,
) -> Period {
    let hours: f64 = s.hours.iter().sum();
    let sum = |x: &dyn Fn(usize) -> f64| (0..s.len()).map(|k| x(k) * s.hours[k]).sum::<f64>();
    let lagging = sum(&|k| s.q1_var[k].max(0.0));
    let leading = sum(&|k| (-s.q1_var[k]).max(0.0));
    let active = sum(&|k| s.p_w[k]);
    let with_hz: Vec<usize> = (0..s.len()).filter(|k| s.hz[*k] > 0.0).collect();
    let day = |end: i64| clock.moment(end - 1).local_ms().div_euclid(86_400_000);
    let mut days: Vec<i64> = s.end_ms.iter().map(|e| day(*e)).collect();
    days.dedup();
    let (share, _) = leading_share(s);
    Period {
        first: clock.moment(s.first_ms),
        last: clock.moment(s.last_ms),
        records: s.len() as u64,
        left_out: s.left_out,
        placed: s.placed,
        measured_h: hours,
        days: days.len() as u32,
        p_mean_w: active / hours,
        p_low_w: quantile(&s.p_w, 0.01).unwrap_or(0.0),
        p_high_w: quantile(&s.p_w, 0.99).unwrap_or(0.0),
        q1_mean_var: (lagging - leading) / hours,
        v_mean_v: sum(&|k| s.v[k]) / hours,
        frequency_hz: (!with_hz.is_empty())
            .then(|| with_hz.iter().map(|k| s.hz[*k]).sum::<f64>() / with_hz.len() as f64),
        active_net_wh: active,
        reactive_lagging_varh: lagging,
        reactive_leading_varh: leading,
        pf: power_factor(active, lagging - leading),
        i_rms_a: libm::sqrt(sum(&|k| s.i2[k]) / hours),
        leading_share: share,
        regression: regression(s, fit, serial, rows, exponent, reference_v),
    }
}

/// Share of the loaded time with leading kvar, and the share of that time below 0.95 leading.
pub(super) fn leading_share(s: &Sample) -> (f64, f64) {
    let most = (0..s.len()).map(|k| libm::hypot(s.p_w[k], s.q1_var[k])).fold(0.0, f64::max);
    let (mut loaded, mut leads, mut low) = (0.0, 0.0, 0.0);
    for k in 0..s.len() {
        let va = libm::hypot(s.p_w[k], s.q1_var[k]);
        if va < LOADED * most {
            continue;
        }
        loaded += s.hours[k];
        // Within the noise of zero nobody leads.
        if s.q1_var[k] < -0.005 * most {
            leads += s.hours[k];
            if s.p_w[k] < 0.95 * va {
                low += s.hours[k];
            }
        }
    }
    let ratio = |a: f64, b: f64| if b > 0.0 { a / b } else { 0.0 };
    (ratio(leads, loaded), ratio(low, leads))
}

/// The plain curve a + b·P + c·P² at the reference voltage, for people; quality is the finer fit's.
fn regression(
    s: &Sample,
    fit: &Fit,
    serial: &Serial,
    rows: &[usize],
    exponent: f64,
    reference_v: f64,
) -> Regression {
    let n = rows.len() as f64;
    let q: Vec<f64> =
        rows.iter().map(|k| s.q1_var[*k] * libm::pow(reference_v / s.v[*k], exponent)).collect();
    // Kilowatts keep the columns alike in size.
    let p: Vec<f64> = rows.iter().map(|k| s.p_w[*k] * 1e-3).collect();
    let ones = vec![1.0; rows.len()];
    let square: Vec<f64> = p.iter().map(|p| p * p).collect();
    let curve = robust(&[ones.clone(), p.clone(), square], &q, &[])
        .or_else(|_| robust(&[ones.clone(), p], &q, &[]))
        .or_else(|_| robust(&[ones], &q, &[]));
    let c = curve.map(|f| f.coefficients).unwrap_or_default();
    let mean = rows.iter().map(|k| s.q1_var[*k]).sum::<f64>() / n;
    let at = |k: usize| c.get(k).copied().unwrap_or(0.0);
    Regression {
        a_var: at(0),
        b_var_per_w: at(1) * 1e-3,
        c_var_per_w2: at(2) * 1e-6,
        r_squared: fit.r_squared,
        residual_sd_var: fit.residual_sd,
        cv_rmse: (mean > 0.0).then(|| fit.residual_sd / mean),
        lag1: serial.lag1,
        effective_records: (n / serial.inflation).max(1.0),
    }
}
