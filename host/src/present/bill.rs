//! A bill for people and as JSON: line by line with the rule, the power-factor part apart.

use super::number::{NONE, grouped};
use super::text::{Page, Style, wrapped};
use crate::analyse::bill::extrapolate::{Extrapolation, Horizon};
use crate::analyse::bill::meter::{Agreement, Compared, Reconciliation};
use crate::analyse::bill::past::{Comparison, Reproduction, pf_charge};
use crate::analyse::bill::quantities::{Peak, SlotFigures};
use crate::analyse::bill::{Bill, BillLine, BillMonth, Caution};
use crate::analyse::survey::clock::Moment;
use crate::analyse::tariff::{PfBasis, Tariff};
use jiff::Timestamp;
use jiff::tz::TimeZone;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use serde_json::{Value, json};

/// What stands above a bill.
#[derive(Clone, Debug)]
pub struct Heading {
    site: Option<String>,
    feeder: Option<String>,
    zone: TimeZone,
    zone_name: String,
    basis: PfBasis,
    decimals: u32,
    slots: Vec<String>,
    tariff: Tariff,
}

impl Heading {
    /// Of a site and a tariff; the zone is that of the tariff's hours.
    pub fn new(site: &crate::site::Site, tariff: &Tariff, zone: &TimeZone) -> Heading {
        let name = tariff.time_zone.as_ref().map_or(&site.time_zone_name, |z| &z.0);
        Heading {
            site: site.name.clone(),
            feeder: site.feeder.clone(),
            zone: zone.clone(),
            zone_name: name.clone(),
            basis: tariff.power_factor.basis,
            decimals: tariff.rounding.money_decimals,
            slots: (0..tariff.calendar.slots()).map(|s| tariff.calendar.slot_name(s)).collect(),
            tariff: tariff.clone(),
        }
    }

    fn moment(&self, utc_ms: i64) -> Moment {
        let at = Timestamp::from_millisecond(utc_ms).unwrap_or_default();
        Moment { utc_ms, offset_s: self.zone.to_offset(at).seconds() }
    }

    fn money(&self, x: Decimal) -> String {
        let decimals = self.decimals;
        let text = format!("{:.1$}", x.abs(), decimals as usize);
        let (whole, rest) = text.split_once('.').unwrap_or((&text, ""));
        let whole = grouped(whole.parse().unwrap_or(0.0));
        let zero = text.chars().all(|c| c == '0' || c == '.');
        let sign = if x.is_sign_negative() && !zero { "-" } else { "" };
        if decimals == 0 { format!("{sign}{whole}") } else { format!("{sign}{whole}.{rest}") }
    }

    fn money_or_none(&self, x: Option<Decimal>) -> String {
        x.map_or_else(|| NONE.to_owned(), |x| self.money(x))
    }
}

/// A quantity with at most three decimals, grouped.
fn quantity(x: Option<f64>) -> String {
    let Some(x) = x.filter(|x| x.is_finite()) else { return NONE.to_owned() };
    let text = format!("{:.3}", x.abs());
    let (whole, rest) = text.split_once('.').unwrap_or((&text, ""));
    let rest = rest.trim_end_matches('0');
    let whole = grouped(whole.parse().unwrap_or(0.0));
    let sign = if x < 0.0 { "-" } else { "" };
    if rest.is_empty() { format!("{sign}{whole}") } else { format!("{sign}{whole}.{rest}") }
}

fn share_words(part: Option<Decimal>, total: Option<Decimal>) -> String {
    match (part, total) {
        (Some(p), Some(t)) if t > Decimal::ZERO => {
            let pct = (p / t * Decimal::ONE_HUNDRED).to_f64().unwrap_or(0.0);
            format!(" ({pct:.1} %)")
        }
        _ => String::new(),
    }
}

/// A bill as text.
pub fn bill_text(
    bill: &Bill,
    meter: Option<&Reconciliation>,
    heading: &Heading,
    style: Style,
) -> String {
    let mut page = Page::new(style);
    title(&mut page, bill, heading);
    if let Some(x) = &bill.extrapolation {
        extrapolation_text(&mut page, bill, x, heading);
    }
    cautions_text(&mut page, &bill.cautions, style);
    for m in &bill.months {
        month_text(&mut page, bill, m, None, heading, style);
    }
    if bill.months.len() > 1 {
        summary(&mut page, bill, heading);
    }
    if let Some(m) = meter {
        meter_text(&mut page, m, heading);
    }
    notes(&mut page, heading);
    page.finish()
}

/// Past bills priced anew, as text.
pub fn past_text(again: &Reproduction, heading: &Heading, style: Style) -> String {
    let mut page = Page::new(style);
    title(&mut page, &again.bill, heading);
    page.line("Past bills, each priced from its own figures by the tariff file.");
    for (m, c) in again.bill.months.iter().zip(&again.comparisons) {
        month_text(&mut page, &again.bill, m, Some(c), heading, style);
    }
    page.heading("Computed against billed");
    let rows: Vec<Vec<String>> = again
        .bill
        .months
        .iter()
        .zip(&again.comparisons)
        .map(|(m, c)| {
            vec![
                m.quantities.frame.label.clone(),
                heading.money_or_none(m.total),
                heading.money_or_none(c.billed_total),
                heading.money_or_none(c.total_difference),
                heading.money_or_none(c.computed_pf_charge),
                heading.money_or_none(c.billed_pf_charge),
                heading.money_or_none(c.pf_charge_difference),
            ]
        })
        .collect();
    let header = ["Month", "total", "billed", "off by", "PF charge", "billed", "off by"];
    page.table(&header, &rows, &[]);
    let off = |c: &Comparison| {
        [c.total_difference, c.pf_charge_difference].into_iter().flatten().any(|d| !d.is_zero())
    };
    if again.comparisons.iter().any(off) {
        page.point(
            "Where a bill is off, the tariff file does not reproduce it: correct the file, or \
             find the rule that it lacks, before a saving is promised from it.",
        );
    }
    notes(&mut page, heading);
    page.finish()
}

fn title(page: &mut Page, bill: &Bill, heading: &Heading) {
    let place: Vec<&str> =
        [&heading.site, &heading.feeder].into_iter().flatten().map(String::as_str).collect();
    let place = if place.is_empty() { String::new() } else { format!(": {}", place.join(", ")) };
    page.heading(&format!("Bill{place}"));
    page.labelled("Tariff", 10, &format!("{}, in {}", bill.tariff, bill.currency));
    page.labelled("Times", 10, &format!("local, {}", heading.zone_name));
    if heading.tariff.uses_pf() {
        page.labelled("PF", 10, heading.basis.words());
    }
}

fn cautions_text(page: &mut Page, cautions: &[Caution], style: Style) {
    for c in cautions {
        for (k, line) in wrapped(&c.words, style.width.saturating_sub(4)).iter().enumerate() {
            page.line(&format!("  {} {line}", if k == 0 { "!" } else { " " }));
        }
    }
}

fn month_title(m: &BillMonth) -> String {
    let f = &m.quantities.frame;
    let cover = if f.is_filled() {
        let measured = (f.covered_s - f.filled_s) / f.length_s() * 100.0;
        format!("{measured:.1} % measured, the rest from like days")
    } else if f.is_whole() {
        "whole".to_owned()
    } else {
        format!("{:.1} % covered, NOT A WHOLE MONTH", f.coverage() * 100.0)
    };
    format!("{}, {} days, {cover}", f.label, f.days())
}

fn month_text(
    page: &mut Page,
    bill: &Bill,
    m: &BillMonth,
    past: Option<&Comparison>,
    heading: &Heading,
    style: Style,
) {
    page.heading(&month_title(m));
    figures_text(page, m, heading);
    if let Some(c) = past {
        for a in &c.assumed {
            page.labelled("  taken", 10, a);
        }
    }
    for l in &m.lines {
        line_text(page, l, heading, style);
    }
    let f = &m.quantities.frame;
    let name = if f.is_whole() { "Total" } else { "Total of the covered part" };
    page.line(&ends(
        &format!("  {name}, {}", bill.currency),
        &heading.money_or_none(m.total),
        style.width,
    ));
    page.line(&ends(
        &format!("  of it power factor{}", share_words(m.power_factor_part, m.total)),
        &heading.money_or_none(m.power_factor_part),
        style.width,
    ));
    if m.total.is_none() {
        let unknown: Vec<&str> =
            m.lines.iter().filter(|l| l.amount.is_none()).map(|l| l.name.as_str()).collect();
        page.labelled(
            "  !",
            4,
            &format!("no total: a quantity of {} is not known", unknown.join(", ")),
        );
    }
    cautions_text(page, &m.cautions, style);
}

/// Two texts at the ends of a line.
fn ends(left: &str, right: &str, width: usize) -> String {
    let room = width.saturating_sub(left.chars().count() + right.chars().count());
    format!("{left}{}{right}", " ".repeat(room.max(1)))
}

fn figures_text(page: &mut Page, m: &BillMonth, heading: &Heading) {
    let t = &m.quantities.figures.total;
    let mut parts = vec![format!("{} kWh", quantity(whole(t.p_in_kwh)))];
    if t.q_lag_kvarh.is_finite() {
        parts.push(format!("{} kvarh lagging", quantity(whole(t.q_lag_kvarh))));
    }
    if t.q_lead_kvarh > 0.5 {
        parts.push(format!("{} leading", quantity(whole(t.q_lead_kvarh))));
    }
    let pf = &m.quantities.figures.power_factor;
    if let Some(pf) = pf.average {
        parts.push(format!("average PF {pf:.3}"));
    }
    page.labelled("  energy", 10, &parts.join(", "));
    let peak = |p: &Peak, x: f64, unit: &str| {
        let at = p.start_ms.map(|ms| format!(" on {}", heading.moment(ms)));
        format!("{} {unit}{}", quantity(tenths(x)), at.unwrap_or_default())
    };
    if t.p_peak.p_kw > 0.0 {
        let mut text = peak(&t.p_peak, t.p_peak.p_kw, "kW");
        if t.s_peak.s_kva.is_finite() {
            text += &format!("; {}", peak(&t.s_peak, t.s_peak.s_kva, "kVA"));
        }
        page.labelled("  peak", 10, &text);
    }
}

fn whole(x: f64) -> Option<f64> {
    x.is_finite().then(|| libm::round(x))
}

fn tenths(x: f64) -> Option<f64> {
    x.is_finite().then(|| libm::round(x * 10.0) / 10.0)
}

fn line_text(page: &mut Page, l: &BillLine, heading: &Heading, style: Style) {
    let mut how = String::new();
    if let Some(q) = l.quantity {
        how = format!("{} {}", quantity(Some(q)), l.unit);
        if let Some(rate) = l.rate {
            how += &format!(" × {} {}", rate.normalize(), l.rate_unit);
        }
    }
    let amount = heading.money_or_none(l.amount);
    let left = format!("  {}", l.name);
    let both = format!("{left}: {how}");
    if how.is_empty() || both.chars().count() + amount.chars().count() + 2 > style.width {
        page.line(&ends(&left, &amount, style.width));
        if !how.is_empty() {
            page.labelled("", 6, &how);
        }
    } else {
        page.line(&ends(&both, &amount, style.width));
    }
    page.labelled("", 6, &l.rule);
    if let Some(part) = l.power_factor_part.filter(|p| !p.is_zero() && Some(*p) != l.amount) {
        page.labelled("", 6, &format!("of this, power factor: {}", heading.money(part)));
    }
}

fn summary(page: &mut Page, bill: &Bill, heading: &Heading) {
    page.heading("All months");
    let rows: Vec<Vec<String>> = bill
        .months
        .iter()
        .map(|m| {
            let t = &m.quantities.figures.total;
            let f = &m.quantities.frame;
            let mark = if f.is_whole() { "" } else { " *" };
            let pf = m.quantities.figures.power_factor.average;
            vec![
                format!("{}{mark}", f.label),
                quantity(whole(t.p_in_kwh)),
                quantity(tenths(t.p_peak.p_kw)),
                quantity(tenths(t.s_peak.s_kva)),
                pf.map_or_else(|| NONE.to_owned(), |pf| format!("{pf:.3}")),
                heading.money_or_none(m.total),
                heading.money_or_none(m.power_factor_part),
            ]
        })
        .collect();
    page.table(&["Month", "kWh", "kW", "kVA", "PF", "total", "PF part"], &rows, &[]);
    let (total, part) = (bill.total(), bill.power_factor_part());
    let of = if bill.is_whole() { "" } else { " of what is covered" };
    page.line(&format!(
        "  Sum{of}: {} {}, of it power factor {}{}",
        bill.currency,
        heading.money_or_none(total),
        heading.money_or_none(part),
        share_words(part, total)
    ));
    if !bill.is_whole() {
        page.line("  * not a whole month: the sum is not that of whole months");
    }
}

fn extrapolation_text(page: &mut Page, bill: &Bill, x: &Extrapolation, heading: &Heading) {
    let span = match x.horizon {
        Horizon::Month => "the month",
        Horizon::Year => "a year",
    };
    page.heading(&format!(
        "EXTRAPOLATED to {span}: {} of {} days measured",
        x.days_measured, x.days
    ));
    page.labelled(
        "  how",
        10,
        &format!(
            "measured time stays; every other day is a copy of a like day of the log, in turn: \
             working days {}, Saturdays {}, Sundays {} (also for holidays)",
            x.like_days[0], x.like_days[1], x.like_days[2]
        ),
    );
    let sure = match (x.half_width_95, x.power_factor_half_width_95) {
        (Some(total), Some(part)) => {
            let money = |x: f64| {
                Decimal::from_f64_retain(x)
                    .map_or_else(|| NONE.to_owned(), |d| heading.money(d.round_dp(0)))
            };
            format!(
                "total ± {} {}, power-factor part ± {} (95 %, from bills with each day of the \
                 log left out in turn)",
                bill.currency,
                money(total),
                money(part)
            )
        }
        _ => "not known: no kind of day is in the log twice".to_owned(),
    };
    page.labelled("  how sure", 12, &sure);
    if let Some([low, high]) = x.working_day_peak_kw {
        page.labelled(
            "  peaks",
            12,
            &format!("daily peaks of the log's working days: {low:.1} to {high:.1} kW"),
        );
    }
    for limit in &x.limits {
        page.labelled("  !", 4, limit);
    }
}

fn meter_text(page: &mut Page, m: &Reconciliation, heading: &Heading) {
    let number = m.number.as_ref().map(|n| format!(" {n}")).unwrap_or_default();
    page.heading(&format!("The utility's meter{number} against the log"));
    page.line(&format!("  from {} to {}", heading.moment(m.from_ms), heading.moment(m.to_ms)));
    let row = |name: &str, c: &Compared| {
        vec![
            name.to_owned(),
            quantity(tenths(c.meter)),
            quantity(tenths(c.log)),
            quantity(tenths(c.difference)),
            c.difference_pct.map_or_else(|| NONE.to_owned(), |p| format!("{p:.2} %")),
            format!("± {}", quantity(tenths(c.uncertainty))),
            match c.verdict {
                Agreement::Agrees => "agrees",
                Agreement::Differs => "DIFFERS",
                Agreement::CannotTell => "cannot tell",
            }
            .to_owned(),
        ]
    };
    let mut rows = vec![row("kWh", &m.active)];
    rows.extend(m.reactive.as_ref().map(|c| row("kvarh lagging", c)));
    page.table(&["", "meter", "log", "off by", "", "allowed", ""], &rows, &[6]);
    if m.coverage < 0.999 {
        page.labelled(
            "  !",
            4,
            &format!(
                "the log covers {:.1} % of the time between the readings: what is missing is in \
                 the difference",
                m.coverage * 100.0
            ),
        );
    } else if m.active.verdict == Agreement::Differs {
        page.labelled(
            "  !",
            4,
            "more than both may be off: check the sensor ratio, whether the meter feeds other \
             loads too, and its multiplier",
        );
    }
}

fn notes(page: &mut Page, heading: &Heading) {
    page.heading("Notes");
    page.point(
        "Power factor: the total less the total of the same kW with no kvar, taxes and missed \
         bonus included. Harmonics' part of kVA stays.",
    );
    let used = &heading.tariff.charges;
    if used.iter().any(|c| c.clause.uses_demand()) {
        page.point("Demands are of intervals with all their data; a gap is never filled.");
    }
    page.point("The utility's meter and bill decide; this tells what to expect.");
}

fn number(x: Option<Decimal>) -> Value {
    x.and_then(|d| d.to_f64()).map_or(Value::Null, Value::from)
}

fn finite(x: f64) -> Value {
    if x.is_finite() { Value::from(x) } else { Value::Null }
}

fn cautions_json(cautions: &[Caution]) -> Value {
    cautions.iter().map(|c| json!({ "id": c.id, "words": c.words })).collect()
}

/// A bill as JSON.
pub fn bill_json(bill: &Bill, meter: Option<&Reconciliation>, heading: &Heading) -> Value {
    let months: Vec<Value> = bill.months.iter().map(|m| month_json(m, heading)).collect();
    json!({
        "site": heading.site,
        "feeder": heading.feeder,
        "tariff": bill.tariff,
        "currency": bill.currency,
        "time_zone": heading.zone_name,
        "whole": bill.is_whole(),
        "extrapolation": bill.extrapolation,
        "months": months,
        "total": number(bill.total()),
        "power_factor_part": number(bill.power_factor_part()),
        "meter": meter,
        "origin": bill.origin,
        "cautions": cautions_json(&bill.cautions),
    })
}

/// Past bills priced anew, as JSON.
pub fn past_json(again: &Reproduction, heading: &Heading) -> Value {
    let mut out = bill_json(&again.bill, None, heading);
    let months = out.get_mut("months").and_then(Value::as_array_mut).into_iter().flatten();
    let priced = again.comparisons.iter().zip(&again.bill.months);
    for (value, (c, m)) in months.zip(priced) {
        let of_charge: Vec<Value> = c
            .charge_differences
            .iter()
            .map(|(name, d)| json!({ "name": name, "difference": number(*d) }))
            .collect();
        value["billed"] = json!({
            "total": number(c.billed_total),
            "total_difference": number(c.total_difference),
            "power_factor_charge": number(c.billed_pf_charge),
            "computed_power_factor_charge": number(pf_charge(m, &heading.tariff)),
            "power_factor_charge_difference": number(c.pf_charge_difference),
            "charges": of_charge,
            "assumed": c.assumed,
        });
    }
    out
}

fn month_json(m: &BillMonth, heading: &Heading) -> Value {
    let f = &m.quantities.frame;
    let lines: Vec<Value> = m
        .lines
        .iter()
        .map(|l| {
            json!({
                "clause": l.clause,
                "name": l.name,
                "quantity": l.quantity,
                "unit": l.unit,
                "rate": number(l.rate),
                "rate_unit": l.rate_unit,
                "amount": number(l.amount),
                "power_factor_part": number(l.power_factor_part),
                "rule": l.rule,
            })
        })
        .collect();
    let figures = &m.quantities.figures;
    let slots: Vec<Value> = figures
        .slots
        .iter()
        .zip(&heading.slots)
        .filter(|(s, _)| s.time_share > 0.0)
        .map(|(s, name)| {
            let mut value = slot_json(s, heading);
            value["period"] = name.as_str().into();
            value
        })
        .collect();
    let pf = &figures.power_factor;
    json!({
        "label": f.label,
        "start": heading.moment(f.start_ms),
        "end": heading.moment(f.end_ms),
        "days": f.days(),
        "coverage": f.coverage(),
        "whole": f.is_whole(),
        "filled_share": f.filled_s / f.length_s(),
        "demand_intervals": f.intervals,
        "demand_intervals_incomplete": f.intervals_partial,
        "lines": lines,
        "total": number(m.total),
        "total_is_of": if f.is_whole() { "month" } else { "covered part" },
        "power_factor_part": number(m.power_factor_part),
        "quantities": slot_json(&figures.total, heading),
        "periods": slots,
        "power_factor": {
            "average": pf.average,
            "at_peak_kw": pf.at_p_peak,
            "at_peak_kva": pf.at_s_peak,
            "lowest": pf.lowest,
            "lowest_start": pf.lowest_ms.map(|ms| heading.moment(ms)),
        },
        "cautions": cautions_json(&m.cautions),
    })
}

fn slot_json(s: &SlotFigures, heading: &Heading) -> Value {
    let peak = |p: &Peak| {
        json!({
            "start": p.start_ms.map(|ms| heading.moment(ms)),
            "p_kw": finite(p.p_kw),
            "q1_kvar": finite(p.q_kvar),
            "s_kva": finite(p.s_kva),
        })
    };
    json!({
        "active_in_kwh": finite(s.p_in_kwh),
        "active_out_kwh": finite(s.p_out_kwh),
        "reactive_lagging_kvarh": finite(s.q_lag_kvarh),
        "reactive_leading_kvarh": finite(s.q_lead_kvarh),
        "apparent_kvah": finite(s.s_kvah),
        "peak_kw": peak(&s.p_peak),
        "peak_kvar": peak(&s.q_peak),
        "peak_kva": peak(&s.s_peak),
    })
}
