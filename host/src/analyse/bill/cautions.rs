//! What to know before believing a figure, in words with a name that stays the same.

use super::Caution;
use super::amount::num;
use super::quantities::MonthQuantities;
use crate::analyse::series::Origin;
use crate::analyse::tariff::Tariff;
use crate::analyse::tariff::clause::Clause;

/// What to know about the records that a load was made of.
pub(super) fn of_origin(o: &Origin, tariff: &Tariff) -> Vec<Caution> {
    let mut out = Vec::new();
    let mut add = |id, words| out.push(Caution { id, words });
    let interval_s = f64::from(tariff.demand.interval_s);
    let demand = tariff.charges.iter().any(|c| c.clause.uses_demand());
    let minutes = |s: f64| format!("{} min", (s / 6.0).round() / 10.0);
    let interval = minutes(interval_s);
    if demand && ((o.last_ms - o.first_ms) as f64) < interval_s * 1000.0 {
        add(
            "log-shorter-than-interval",
            format!(
                "the log is shorter than one demand interval of {interval}: it holds no demand; \
                 log at least one production week"
            ),
        );
    }
    let record = o.record_max_s;
    if demand && record > interval_s * 1.001 {
        add(
            "records-longer-than-interval",
            format!(
                "records of {} are longer than the demand interval of {interval}: peaks within a \
                 record do not show, and the billed demand may be higher; set the node's interval \
                 to {interval} or a part of it",
                minutes(record)
            ),
        );
    } else if demand && record > 0.0 {
        // A record ends with a whole window: its length wanders by 0.2 s about what is set, which
        // is whole seconds.
        let set_s = if record >= 2.0 { libm::round(record) } else { record };
        let parts = interval_s / set_s;
        if (parts - libm::round(parts)).abs() > 1e-3 * parts {
            add(
                "interval-not-multiple-of-records",
                format!(
                    "the demand interval of {interval} is no multiple of the records' {}: records \
                     over its ends are split by time, which blurs the demand",
                    minutes(record)
                ),
            );
        }
    }
    let many = |n: u64, what: &str, why: &str| format!("{n} {what}: {why}");
    if o.doubtful_records > 0 {
        add(
            "doubtful-records",
            many(
                o.doubtful_records,
                "records carry doubtful values",
                "inputs were clipped, out of range or a voltage was missing; survey tells when",
            ),
        );
    }
    if o.records_left_out > 0 {
        let why = "their values are not numbers, or they are there twice";
        add("records-left-out", many(o.records_left_out, "records are left out", why));
    }
    if o.overlap_s > 0.0 {
        add(
            "clock-set-back",
            format!(
                "two records claim the same {:.0} s (a clock was set back); counted once",
                o.overlap_s
            ),
        );
    }
    out
}

/// What to know about a month before believing its total.
pub(super) fn of_month(tariff: &Tariff, m: &MonthQuantities, known_months: usize) -> Vec<Caution> {
    let mut out = Vec::new();
    let f = &m.frame;
    let mut add = |id, words| out.push(Caution { id, words });
    if !f.is_whole() {
        add(
            "month-not-whole",
            format!(
                "{:.1} % of the month is covered: the total is of that part, not of the month; \
                 fixed amounts stand whole, demands are the highest seen",
                f.coverage() * 100.0
            ),
        );
    }
    let billed_demand = tariff.charges.iter().any(|c| c.clause.uses_demand());
    if f.intervals == 0 && billed_demand && m.figures.total.p_peak.p_kw.is_nan() {
        add(
            "no-demand-interval",
            format!(
                "no demand interval of {} min is whole: demand and what hangs on it are not known",
                num(f64::from(tariff.demand.interval_s) / 60.0)
            ),
        );
    }
    if let Some(gap) = f.gap_at_peak.filter(|_| billed_demand) {
        add(
            "gap-at-peak",
            format!(
                "records are missing from {} to {}, where the load stood at {} kW, near the month's \
                 highest: the billed demand may lie in the gap and be higher",
                gap.from,
                gap.to,
                num(gap.p_kw)
            ),
        );
    }
    let looks_back = tariff.charges.iter().filter_map(|c| match &c.clause {
        Clause::Demand(d) => d.ratchet.as_ref().map(|r| (&c.name, r.months)),
        Clause::Kvar(k) if k.kw_months > 0 => Some((&c.name, k.kw_months)),
        _ => None,
    });
    for (name, months) in looks_back.filter(|(_, months)| *months > known_months) {
        add(
            "history-short",
            format!(
                "{name} looks back {months} months and {known_months} are known: what is billed \
                 may be higher; give past bills with --history"
            ),
        );
    }
    out
}
