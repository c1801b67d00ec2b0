//! Least squares: weighted, robust, with prior knowledge; and how much correlated records count.
//!
//! Householder reflections on the rows as they are (no normal equations), so that badly
//! conditioned reference sets keep their digits. What the columns mean is the caller's business.

pub mod serial;
pub mod student;

use thiserror::Error;

/// Residuals beyond this many robust standard deviations lose weight (Huber).
const HUBER_K: f64 = 2.5;

/// Rounds of re-weighting; the weights hardly move after a few.
const ROUNDS: usize = 8;

/// Median absolute deviation to standard deviation, for a normal distribution.
const MAD_TO_SD: f64 = 1.4826;

/// A fit of a column of numbers by other columns.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    /// One coefficient for each column.
    pub coefficients: Vec<f64>,
    /// (XᵀWX)⁻¹: times the residual variance it is the covariance of independent records.
    pub unscaled_covariance: Vec<Vec<f64>>,
    /// What is left of each row.
    pub residuals: Vec<f64>,
    /// Weight of each row, 1 where it counts in full.
    pub weights: Vec<f64>,
    /// Standard deviation of the residuals, with the degrees of freedom taken off.
    pub residual_sd: f64,
    /// Share of the variance about the mean that the fit explains.
    pub r_squared: f64,
}

impl Fit {
    /// Standard error of each coefficient for independent rows.
    pub fn standard_errors(&self) -> Vec<f64> {
        let sd = self.residual_sd;
        let diagonal = self.unscaled_covariance.iter().enumerate();
        diagonal.map(|(k, row)| sd * libm::sqrt(row[k].max(0.0))).collect()
    }

    /// xᵀ·coefficients.
    pub fn at(&self, x: &[f64]) -> f64 {
        x.iter().zip(&self.coefficients).map(|(x, c)| x * c).sum()
    }

    /// Variance of [`Fit::at`] for independent rows.
    pub fn variance_at(&self, x: &[f64]) -> f64 {
        let row = |r: &Vec<f64>| r.iter().zip(x).map(|(c, x)| c * x).sum::<f64>();
        let sum: f64 = self.unscaled_covariance.iter().zip(x).map(|(r, x)| row(r) * x).sum();
        self.residual_sd * self.residual_sd * sum.max(0.0)
    }
}

/// Knowledge ahead of the data: the coefficient of a column lies about a value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Prior {
    /// Which column.
    pub column: usize,
    /// Expected coefficient.
    pub mean: f64,
    /// Standard deviation of what is expected, in units of the residuals' standard deviation:
    /// the row `coefficient / sd` counts like one independent record.
    pub sd_over_residual_sd: f64,
}

/// Why nothing can be fitted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
pub enum FitError {
    /// Fewer rows than coefficients, or as many.
    #[error("{rows} rows cannot carry {columns} coefficients")]
    TooFew {
        /// Rows.
        rows: usize,
        /// Coefficients.
        columns: usize,
    },
    /// A column is a combination of others.
    #[error("column {column} says nothing that the columns before it do not say")]
    Dependent {
        /// Position, from 0.
        column: usize,
    },
}

/// Least squares with optional weights (variance ∝ 1/weight) and priors.
pub fn least_squares(
    columns: &[Vec<f64>],
    y: &[f64],
    weights: Option<&[f64]>,
    priors: &[Prior],
) -> Result<Fit, FitError> {
    let (n, p) = (y.len(), columns.len());
    if n + priors.len() <= p {
        return Err(FitError::TooFew { rows: n, columns: p });
    }
    let root = |i: usize| weights.map_or(1.0, |w| libm::sqrt(w[i].max(0.0)));
    let rows = n + priors.len();
    let mut a: Vec<Vec<f64>> = columns
        .iter()
        .enumerate()
        .map(|(k, c)| {
            let mut column: Vec<f64> = (0..n).map(|i| c[i] * root(i)).collect();
            column.extend(
                priors
                    .iter()
                    .map(|q| if q.column == k { 1.0 / q.sd_over_residual_sd } else { 0.0 }),
            );
            column
        })
        .collect();
    let mut b: Vec<f64> = (0..n).map(|i| y[i] * root(i)).collect();
    b.extend(priors.iter().map(|q| q.mean / q.sd_over_residual_sd));
    let r = triangle(&mut a, &mut b, rows)?;
    let mut coefficients = vec![0.0; p];
    for k in (0..p).rev() {
        let rest: f64 = (k + 1..p).map(|j| r[k][j] * coefficients[j]).sum();
        coefficients[k] = (b[k] - rest) / r[k][k];
    }
    let unscaled_covariance = covariance(&r);
    let residuals: Vec<f64> = (0..n)
        .map(|i| y[i] - columns.iter().zip(&coefficients).map(|(c, b)| c[i] * b).sum::<f64>())
        .collect();
    let weight = |i: usize| weights.map_or(1.0, |w| w[i]);
    let sum_w: f64 = (0..n).map(weight).sum();
    let squares: f64 = residuals.iter().enumerate().map(|(i, e)| weight(i) * e * e).sum();
    let mean = (0..n).map(|i| weight(i) * y[i]).sum::<f64>() / sum_w;
    let about: f64 = (0..n).map(|i| weight(i) * (y[i] - mean) * (y[i] - mean)).sum();
    let freedom = (n + priors.len() - p) as f64;
    Ok(Fit {
        coefficients,
        unscaled_covariance,
        residual_sd: libm::sqrt(squares / freedom),
        r_squared: if about > 0.0 { 1.0 - squares / about } else { 0.0 },
        residuals,
        weights: (0..n).map(weight).collect(),
    })
}

/// Least squares in which rows far off lose weight: Huber's, with the median absolute deviation.
pub fn robust(columns: &[Vec<f64>], y: &[f64], priors: &[Prior]) -> Result<Fit, FitError> {
    let mut fit = least_squares(columns, y, None, priors)?;
    for _ in 0..ROUNDS {
        let scale = spread(&fit.residuals);
        if scale <= 0.0 {
            break;
        }
        let weights: Vec<f64> = fit
            .residuals
            .iter()
            .map(|e| (HUBER_K * scale / libm::fabs(*e).max(f64::MIN_POSITIVE)).min(1.0))
            .collect();
        let before = fit.coefficients.clone();
        fit = least_squares(columns, y, Some(&weights), priors)?;
        let moved = fit.coefficients.iter().zip(&before);
        let scale_of = |b: f64| libm::fabs(b).max(1e-9);
        if moved.into_iter().all(|(a, b)| libm::fabs(a - b) < 1e-6 * scale_of(*b)) {
            break;
        }
    }
    Ok(fit)
}

/// Robust standard deviation about the median: 1.4826 times the median absolute deviation.
pub fn spread(x: &[f64]) -> f64 {
    let Some(middle) = median(x) else { return 0.0 };
    let off: Vec<f64> = x.iter().map(|x| libm::fabs(x - middle)).collect();
    MAD_TO_SD * median(&off).unwrap_or(0.0)
}

/// Median; `None` of nothing.
pub fn median(x: &[f64]) -> Option<f64> {
    quantile(x, 0.5)
}

/// The value below which a share of the numbers lies, between neighbours on a line.
pub fn quantile(x: &[f64], share: f64) -> Option<f64> {
    if x.is_empty() {
        return None;
    }
    let mut sorted = x.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    Some(quantile_of_sorted(&sorted, share))
}

/// The same of numbers in ascending order; there must be one at least.
pub fn quantile_of_sorted(sorted: &[f64], share: f64) -> f64 {
    let at = share.clamp(0.0, 1.0) * (sorted.len() - 1) as f64;
    let low = libm::floor(at) as usize;
    let high = (low + 1).min(sorted.len() - 1);
    sorted[low] + (sorted[high] - sorted[low]) * (at - low as f64)
}

/// Makes a matrix (by columns) upper triangular in place; gives R by rows.
fn triangle(a: &mut [Vec<f64>], b: &mut [f64], rows: usize) -> Result<Vec<Vec<f64>>, FitError> {
    let p = a.len();
    let mut r = vec![vec![0.0; p]; p];
    let lengths: Vec<f64> =
        a.iter().map(|c| libm::sqrt(c.iter().map(|x| x * x).sum::<f64>())).collect();
    for k in 0..p {
        let (done, rest) = a.split_at_mut(k + 1);
        let column = &mut done[k];
        let norm = libm::sqrt(column[k..rows].iter().map(|x| x * x).sum::<f64>());
        if norm.is_nan() || norm <= 1e-13 * lengths[k] || lengths[k] == 0.0 {
            return Err(FitError::Dependent { column: k });
        }
        let alpha = if column[k] > 0.0 { -norm } else { norm };
        column[k] -= alpha;
        let square: f64 = column[k..rows].iter().map(|x| x * x).sum();
        let reflect = |other: &mut [f64]| {
            let dot: f64 = column[k..rows].iter().zip(&other[k..rows]).map(|(x, y)| x * y).sum();
            let f = 2.0 * dot / square;
            column[k..rows].iter().zip(&mut other[k..rows]).for_each(|(x, y)| *y -= f * x);
        };
        rest.iter_mut().for_each(|other| reflect(other));
        reflect(b);
        r[k][k] = alpha;
        for (j, other) in rest.iter().enumerate() {
            r[k][k + 1 + j] = other[k];
        }
    }
    Ok(r)
}

/// (RᵀR)⁻¹.
fn covariance(r: &[Vec<f64>]) -> Vec<Vec<f64>> {
    let p = r.len();
    // Columns of R⁻¹ by back substitution.
    let column = |j: usize| {
        let mut x = vec![0.0; p];
        for i in (0..=j).rev() {
            let unit = if i == j { 1.0 } else { 0.0 };
            let rest: f64 = (i + 1..=j).map(|k| r[i][k] * x[k]).sum();
            x[i] = (unit - rest) / r[i][i];
        }
        x
    };
    let inverse: Vec<Vec<f64>> = (0..p).map(column).collect();
    let entry = |i: usize, j: usize| inverse.iter().map(|c| c[i] * c[j]).sum();
    (0..p).map(|i| (0..p).map(|j| entry(i, j)).collect()).collect()
}

#[cfg(test)]
mod tests;
