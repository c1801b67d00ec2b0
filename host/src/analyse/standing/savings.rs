//! The log as it would have been without the correction, beside the log, in the tariff's steps.

use super::Saved;
use crate::analyse::bill::bill;
use crate::analyse::series::LoadSeries;
use crate::analyse::tariff::Tariff;
use crate::analyse::verify::Output;
use crate::collect::log::IntervalLog;
use jiff::tz::TimeZone;
use rust_decimal::prelude::ToPrimitive;

/// Energies with and without the correction, growing with the log.
#[derive(Clone, Debug, Default)]
pub(super) struct Ledger {
    with: Option<LoadSeries>,
    without: Option<LoadSeries>,
}

impl Ledger {
    /// Adds records, with what the units took away during each.
    ///
    /// Records without a known output count as they are: nothing was saved in them.
    pub(super) fn add(&mut self, log: &IntervalLog, outputs: &[Output], ratio: f64, t: &Tariff) {
        let other = put_back(log, outputs, ratio);
        let series = |l: &IntervalLog| LoadSeries::of_log(l, t.step_s(), t.demand.apparent).ok();
        if let (Some(with), Some(without)) = (series(log), series(&other)) {
            join(&mut self.with, with);
            join(&mut self.without, without);
        }
    }

    /// The money between the two bills.
    pub(super) fn saved(&self, tariff: &Tariff, zone: &TimeZone) -> Result<Saved, String> {
        let (Some(with), Some(without)) = (&self.with, &self.without) else {
            return Err("no record since the work".to_owned());
        };
        let total = |s: &LoadSeries| {
            let bill = bill(s, tariff, zone, &[]).map_err(|e| e.to_string())?;
            let total = bill.total().and_then(|t| t.to_f64());
            total.ok_or_else(|| "the tariff asks for what the log does not hold".to_owned())
        };
        let covered: f64 = with.covered_s.iter().map(|c| f64::from(*c)).sum();
        let seconds = with.len() as f64 * f64::from(with.step_s);
        Ok(Saved {
            money: total(without)? - total(with)?,
            currency: tariff.currency.clone(),
            from_ms: with.start_ms,
            to_ms: with.end_ms(),
            covered_share: if seconds > 0.0 { (covered / seconds).min(1.0) } else { 0.0 },
        })
    }
}

/// The log with the reactive power that units took away put back.
fn put_back(log: &IntervalLog, outputs: &[Output], ratio: f64) -> IntervalLog {
    let mut out = log.clone();
    let mut known = outputs.iter().peekable();
    for at in 0..log.len() {
        while known.peek().is_some_and(|o| o.end_ms < log.end_ms[at]) {
            known.next();
        }
        let Some(output) = known.peek().filter(|o| o.end_ms == log.end_ms[at]) else { continue };
        let (q_before, mut q_after) = (log.total_q1_var(at), 0.0);
        for k in 0..3 {
            let (q, s) = (f64::from(log.q1_var[k][at]), f64::from(log.s_va[k][at]));
            let other = q + ratio * output.phase_var[k];
            q_after += other;
            out.q1_var[k][at] = other as f32;
            // What of S² is not reactive power of the fundamental stays.
            out.s_va[k][at] = libm::sqrt((s * s - q * q).max(0.0) + other * other) as f32;
        }
        let s = f64::from(log.s_effective_va[at]);
        let rest = (s * s - q_before * q_before).max(0.0);
        out.s_effective_va[at] = libm::sqrt(rest + q_after * q_after) as f32;
    }
    out
}

/// Lays a later series onto an earlier one.
fn join(all: &mut Option<LoadSeries>, part: LoadSeries) {
    let Some(all) = all else {
        *all = Some(part);
        return;
    };
    let step_ms = all.step_ms();
    let from = (part.start_ms - all.start_ms).div_euclid(step_ms);
    // Records from ahead of the first ones do not come: a clock was set back.
    let skip = (-from).max(0) as usize;
    let from = from.max(0) as usize;
    let length = (from + part.len().saturating_sub(skip)).max(all.len());
    fn add<T: Copy + Default + std::ops::AddAssign>(
        all: &mut Vec<T>,
        part: &[T],
        from: usize,
        skip: usize,
        length: usize,
    ) {
        all.resize(length, T::default());
        for (sum, x) in all.iter_mut().skip(from).zip(part.iter().skip(skip)) {
            *sum += *x;
        }
    }
    add(&mut all.p_in_wh, &part.p_in_wh, from, skip, length);
    add(&mut all.p_out_wh, &part.p_out_wh, from, skip, length);
    add(&mut all.q_lag_varh, &part.q_lag_varh, from, skip, length);
    add(&mut all.q_lead_varh, &part.q_lead_varh, from, skip, length);
    add(&mut all.covered_s, &part.covered_s, from, skip, length);
    if let (Some(all), Some(part)) = (&mut all.s_vah, &part.s_vah) {
        add(all, part, from, skip, length);
    }
    all.origin.records += part.origin.records;
    all.origin.last_ms = all.origin.last_ms.max(part.origin.last_ms);
}
