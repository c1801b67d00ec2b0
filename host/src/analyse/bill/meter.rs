//! The utility's meter against the log: registers at start and end, and whether the difference
//! lies within the uncertainty of both.
//!
//! A class of x % is a limit of error: a rectangular distribution of that half width has the
//! standard uncertainty x/√3 (JCGM 100:2008, 4.3.7). Registers are read to a digit, twice. The
//! expanded uncertainty of the difference is twice the root of the sum of squares (k = 2).

use crate::analyse::series::LoadSeries;
use serde::Serialize;

/// A utility's meter and what is known of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Meter {
    /// Its number.
    pub number: Option<String>,
    /// Limit of error of active energy, in percent.
    pub class_active_pct: f64,
    /// Limit of error of reactive energy, in percent.
    pub class_reactive_pct: f64,
    /// Limit of error of the node's active energy, in percent.
    pub node_active_pct: f64,
    /// Limit of error of the node's reactive energy, in percent.
    pub node_reactive_pct: f64,
    /// Factor between registers and energy (transformer ratios).
    pub multiplier: f64,
    /// The last digit of the registers, in kWh or kvarh before the multiplier.
    pub digit: f64,
    /// Readings in order of time.
    pub readings: Vec<MeterReading>,
}

/// Registers at an instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MeterReading {
    /// When, Unix milliseconds.
    pub at_ms: i64,
    /// Active energy, in kWh before the multiplier.
    pub kwh: f64,
    /// Lagging reactive energy, in kvarh before the multiplier.
    pub kvarh: Option<f64>,
}

impl Default for Meter {
    fn default() -> Self {
        Meter {
            number: None,
            class_active_pct: 1.0,
            class_reactive_pct: 2.0,
            node_active_pct: 1.0,
            node_reactive_pct: 2.0,
            multiplier: 1.0,
            digit: 1.0,
            readings: Vec::new(),
        }
    }
}

/// The log against the meter between its first and last reading.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Reconciliation {
    /// Number of the meter.
    pub number: Option<String>,
    /// First reading, Unix milliseconds.
    pub from_ms: i64,
    /// Last reading, Unix milliseconds.
    pub to_ms: i64,
    /// Share of the time between that the log covers, 0 to 1.
    pub coverage: f64,
    /// Active energy, kWh.
    pub active: Compared,
    /// Lagging reactive energy, kvarh; `None` where the meter has no such register.
    pub reactive: Option<Compared>,
}

/// One register against the log.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Compared {
    /// By the meter, in kWh or kvarh.
    pub meter: f64,
    /// By the log.
    pub log: f64,
    /// Log less meter.
    pub difference: f64,
    /// The difference in percent of the meter; `None` where it counted nothing.
    pub difference_pct: Option<f64>,
    /// Expanded uncertainty of the meter's figure (k = 2).
    pub meter_uncertainty: f64,
    /// Expanded uncertainty of the log's figure (k = 2).
    pub log_uncertainty: f64,
    /// Of the difference.
    pub uncertainty: f64,
    /// What follows.
    pub verdict: Agreement,
}

/// Whether log and meter agree.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Agreement {
    /// Within the uncertainty of both.
    Agrees,
    /// Beyond it.
    Differs,
    /// The log lacks a part of the time, so that nothing follows.
    CannotTell,
}

/// Why registers cannot be compared.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum MeterError {
    /// Fewer than two readings.
    #[error("the meter has fewer than two readings; give its registers at start and end")]
    Few,
    /// A register runs backwards.
    #[error(
        "the meter's {register} falls from {from} to {to}; check the readings, or add what the \
         register holds at most if it went through zero"
    )]
    Backwards {
        /// Which register.
        register: &'static str,
        /// First value.
        from: String,
        /// Later value.
        to: String,
    },
    /// The readings and the log share no time.
    #[error("no record lies between the meter's readings; check their times and the log's")]
    Apart,
}

/// Share of the time that the log may lack and still be compared.
const MISSING: f64 = 1e-3;

impl Meter {
    /// Compares the log with the registers.
    pub fn reconcile(&self, series: &LoadSeries) -> Result<Reconciliation, MeterError> {
        let (Some(first), Some(last)) = (self.readings.first(), self.readings.last()) else {
            return Err(MeterError::Few);
        };
        if first.at_ms >= last.at_ms {
            return Err(MeterError::Few);
        }
        let (mut kwh, mut kvarh, mut covered_s) = (0.0, 0.0, 0.0);
        for step in 0..series.len() {
            let from = series.time_ms(step).max(first.at_ms);
            let to = (series.time_ms(step) + series.step_ms()).min(last.at_ms);
            if to > from {
                let share = (to - from) as f64 / series.step_ms() as f64;
                kwh += series.p_in_wh[step] * share / 1e3;
                kvarh += series.q_lag_varh[step] * share / 1e3;
                covered_s += f64::from(series.covered_s[step]) * share;
            }
        }
        if covered_s == 0.0 {
            return Err(MeterError::Apart);
        }
        let coverage = (covered_s * 1e3 / (last.at_ms - first.at_ms) as f64).min(1.0);
        let backwards = |register, from: f64, to: f64| MeterError::Backwards {
            register,
            from: from.to_string(),
            to: to.to_string(),
        };
        for w in self.readings.windows(2) {
            if let [a, b] = w {
                if b.kwh < a.kwh {
                    return Err(backwards("kWh register", a.kwh, b.kwh));
                }
                if let (Some(x), Some(y)) = (a.kvarh, b.kvarh)
                    && y < x
                {
                    return Err(backwards("kvarh register", x, y));
                }
            }
        }
        let active = self.compare(
            (last.kwh - first.kwh) * self.multiplier,
            kwh,
            [self.class_active_pct, self.node_active_pct],
            coverage,
        );
        let registers = first.kvarh.zip(last.kvarh);
        let reactive = registers.map(|(a, b)| {
            let classes = [self.class_reactive_pct, self.node_reactive_pct];
            self.compare((b - a) * self.multiplier, kvarh, classes, coverage)
        });
        Ok(Reconciliation {
            number: self.number.clone(),
            from_ms: first.at_ms,
            to_ms: last.at_ms,
            coverage,
            active,
            reactive,
        })
    }

    fn compare(&self, meter: f64, log: f64, classes: [f64; 2], coverage: f64) -> Compared {
        let third = libm::sqrt(3.0);
        // Two readings, each rounded down to a digit: a triangle of half width one digit.
        let digit = self.digit * self.multiplier / libm::sqrt(6.0);
        let of_meter = classes[0] / 100.0 * meter / third;
        let of_log = classes[1] / 100.0 * log / third;
        let meter_u = libm::sqrt(of_meter * of_meter + digit * digit);
        let uncertainty = 2.0 * libm::sqrt(meter_u * meter_u + of_log * of_log);
        let difference = log - meter;
        let verdict = if coverage < 1.0 - MISSING {
            Agreement::CannotTell
        } else if difference.abs() <= uncertainty {
            Agreement::Agrees
        } else {
            Agreement::Differs
        };
        Compared {
            meter,
            log,
            difference,
            difference_pct: (meter > 0.0).then(|| difference / meter * 100.0),
            meter_uncertainty: 2.0 * meter_u,
            log_uncertainty: 2.0 * of_log,
            uncertainty,
            verdict,
        }
    }
}
