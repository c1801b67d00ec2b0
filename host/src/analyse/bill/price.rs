//! Money: the clauses of a tariff applied to the quantities of months, in exact decimals.
//!
//! Quantities are rounded as the tariff says (else to thousandths of a kWh, kW, kvar), rates are
//! the decimals of the file, every line is rounded to the tariff's money decimals, and totals
//! are sums of rounded lines. So a line can be checked by hand.

use super::months::MonthFrame;
use super::quantities::{Figures, MonthQuantities};
use super::{Bill, BillLine, BillMonth, Caution};
use crate::analyse::tariff::clause::*;
use crate::analyse::tariff::{PfBasis, Tariff};
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

/// What of a month later months look back to.
#[derive(Clone, Debug)]
struct PastMonth {
    /// The season of most of its days.
    season: usize,
    /// By charge: demand before the ratchet, or highest kW, in kW or kVA.
    demand: Vec<f64>,
}

/// A line in the making.
struct Draft {
    charge: usize,
    amount: Option<Decimal>,
    words: Option<Words>,
}

/// What people read of a line.
struct Words {
    quantity: Option<f64>,
    unit: String,
    rate: Option<Decimal>,
    rate_unit: String,
    rule: String,
}

/// Makes a bill of the quantities of months in order.
///
/// `history` holds months before the first one, oldest first, for ratchets and allowances that
/// look back; those count as they were billed.
pub fn price(tariff: &Tariff, months: &[MonthQuantities], history: &[MonthQuantities]) -> Bill {
    let mut past = looked_back(tariff, history);
    let mut past_at_unity = past.clone();
    let mut billed = Vec::with_capacity(months.len());
    for m in months {
        let known_months = past.len();
        let (lines, this) = Pricer { tariff, words: true }.month(&m.frame, &m.figures, &past);
        let (unity, that) =
            Pricer { tariff, words: false }.month(&m.frame, &m.at_unity, &past_at_unity);
        past.push(this);
        past_at_unity.push(that);
        let lines: Vec<BillLine> = lines
            .into_iter()
            .zip(unity)
            .map(|(line, at_unity)| finish(tariff, line, &at_unity))
            .collect();
        let total = lines.iter().map(|l| l.amount).sum();
        let power_factor_part = lines.iter().map(|l| l.power_factor_part).sum();
        let cautions = cautions(tariff, m, known_months);
        billed.push(BillMonth { quantities: m.clone(), lines, total, power_factor_part, cautions });
    }
    Bill {
        tariff: tariff.name.clone(),
        currency: tariff.currency.clone(),
        months: billed,
        origin: None,
        extrapolation: None,
    }
}

/// Totals of months in order, by the same arithmetic as [`price`]; `None` where a quantity is
/// not known.
pub fn totals(
    tariff: &Tariff,
    frames: &[MonthFrame],
    figures: &[Figures],
    history: &[MonthQuantities],
) -> Vec<Option<Decimal>> {
    let mut past = looked_back(tariff, history);
    let pricer = Pricer { tariff, words: false };
    let month = |(frame, f)| {
        let (lines, this) = pricer.month(frame, f, &past);
        past.push(this);
        lines.iter().map(|l| l.amount).sum()
    };
    frames.iter().zip(figures).map(month).collect()
}

fn looked_back(tariff: &Tariff, history: &[MonthQuantities]) -> Vec<PastMonth> {
    let pricer = Pricer { tariff, words: false };
    let mut past = Vec::new();
    for m in history {
        let (_, this) = pricer.month(&m.frame, &m.figures, &past);
        past.push(this);
    }
    past
}

fn finish(tariff: &Tariff, line: Draft, at_unity: &Draft) -> BillLine {
    let charge = &tariff.charges[line.charge];
    let words = line.words.unwrap_or(Words {
        quantity: None,
        unit: String::new(),
        rate: None,
        rate_unit: String::new(),
        rule: String::new(),
    });
    BillLine {
        clause: charge.clause.word(),
        name: charge.name.clone(),
        charge: line.charge,
        quantity: words.quantity,
        unit: words.unit,
        rate: words.rate,
        rate_unit: words.rate_unit,
        amount: line.amount,
        power_factor_part: line.amount.zip(at_unity.amount).map(|(a, b)| a - b),
        rule: words.rule,
    }
}

struct Pricer<'a> {
    tariff: &'a Tariff,
    words: bool,
}

/// A month and what is known when its lines are made.
struct Month<'a> {
    frame: &'a MonthFrame,
    figures: &'a Figures,
    past: &'a [PastMonth],
    /// PF as the tariff rounds it; `None` without load or where it is not known.
    pf: Option<f64>,
    /// PF before rounding.
    pf_exact: Option<f64>,
    /// Whether no energy was drawn at all, so that there is no PF and none is charged.
    idle: bool,
}

impl Pricer<'_> {
    fn month(
        &self,
        frame: &MonthFrame,
        figures: &Figures,
        past: &[PastMonth],
    ) -> (Vec<Draft>, PastMonth) {
        let terms = &self.tariff.power_factor;
        let f = &figures.power_factor;
        let pf_exact = match terms.basis {
            PfBasis::Average => f.average,
            PfBasis::AtPeakKw => f.at_p_peak,
            PfBasis::AtPeakKva => f.at_s_peak,
            PfBasis::Lowest => f.lowest,
        };
        let pf = pf_exact.map(|x| match terms.decimals {
            Some(d) => terms.rounding.to_step(x, 1.0 / 10f64.powi(d as i32)),
            None => x,
        });
        let idle =
            figures.of(terms.slots, terms.slots == self.tariff.calendar.all()).p_in_kwh == 0.0;
        let m = Month { frame, figures, past, pf, pf_exact, idle };
        let mut this = PastMonth {
            season: self.season(figures),
            demand: vec![f64::NAN; self.tariff.charges.len()],
        };
        let mut lines: Vec<Draft> = Vec::with_capacity(self.tariff.charges.len());
        for (k, charge) in self.tariff.charges.iter().enumerate() {
            let share = self.season_share(charge, figures);
            let line = match &charge.clause {
                Clause::Demand(d) => self.demand(&m, k, charge, d, share, &mut this),
                Clause::Kvar(q) => self.kvar(&m, k, charge, q, share, &mut this),
                _ if share == 0.0 => continue,
                Clause::Fixed(f) => self.fixed(&m, f, share),
                Clause::Energy(t) => self.energy(&m, charge, t),
                Clause::Kvarh(q) => self.kvarh(&m, k, charge, q, share),
                Clause::PfPercent(p) => self.pf_percent(&m, p, &lines),
                Clause::PfTable(p) => self.pf_table(&m, p, &lines),
                Clause::Minimum(least) => self.minimum(*least, &lines),
                Clause::Tax(p) => self.tax(p, &lines),
            };
            // A season that the month has no day of has no line.
            if share > 0.0 {
                lines.push(Draft { charge: k, ..line });
            }
        }
        (lines, this)
    }

    /// The season of most of a month's days.
    fn season(&self, figures: &Figures) -> usize {
        let periods = self.tariff.calendar.periods.len();
        let shares = figures.slots.chunks(periods).map(|c| c.iter().map(|s| s.time_share).sum());
        let best = shares.enumerate().max_by(|a: &(usize, f64), b| a.1.total_cmp(&b.1));
        best.map_or(0, |b| b.0)
    }

    /// Share of the month's days that lie in the seasons of a charge.
    fn season_share(&self, charge: &Charge, figures: &Figures) -> f64 {
        if charge.whole {
            return 1.0;
        }
        let periods = self.tariff.calendar.periods.len();
        let of_season = |(s, slots): (usize, &[super::quantities::SlotFigures])| {
            let used = (0..periods).any(|p| charge.slots.has(s * periods + p));
            if used { slots.iter().map(|f| f.time_share).sum::<f64>() } else { 0.0 }
        };
        let share: f64 = figures.slots.chunks(periods).enumerate().map(of_season).sum();
        if share > 1.0 - 1e-9 { 1.0 } else { share }
    }

    fn money(&self, x: Decimal) -> Decimal {
        self.tariff.rounding.money(x)
    }

    fn draft(&self, amount: Option<Decimal>, words: impl FnOnce() -> Words) -> Draft {
        let amount = amount.map(|a| self.money(a));
        Draft { charge: 0, amount, words: self.words.then(words) }
    }

    fn per(&self, unit: &str) -> String {
        format!("{}/{unit}", self.tariff.currency)
    }

    fn energy_step(&self, kwh: f64) -> f64 {
        let r = &self.tariff.rounding;
        r.energy_step.map_or(kwh, |step| r.energy.to_step(kwh, step))
    }

    fn demand_step(&self, kw: f64) -> f64 {
        let r = &self.tariff.rounding;
        r.demand_step.map_or(kw, |step| r.demand.to_step(kw, step))
    }

    fn fixed(&self, m: &Month<'_>, f: &Fixed, share: f64) -> Draft {
        let days = m.frame.days();
        let count = if f.per_day { Decimal::from(days) } else { Decimal::ONE };
        let amount = f.amount * count * exact(share, 9);
        self.draft(Some(amount), || {
            let unit = if f.per_day { "day" } else { "month" };
            Words {
                quantity: count.to_f64(),
                unit: unit.to_owned(),
                rate: Some(f.amount),
                rate_unit: self.per(unit),
                rule: format!("{} a {unit}{}", f.amount, prorated(share)),
            }
        })
    }

    fn energy(&self, m: &Month<'_>, charge: &Charge, tiers: &Tiers) -> Draft {
        let kwh = self.energy_step(m.figures.of(charge.slots, charge.whole).p_in_kwh);
        let quantity = thousandths(kwh);
        self.draft(quantity.map(|q| charged(tiers, q)), || Words {
            quantity: known(kwh),
            unit: "kWh".to_owned(),
            rate: single(tiers),
            rate_unit: self.per("kWh"),
            rule: format!("kWh taken{}{}", self.scope(charge), tier_words(tiers, "kWh")),
        })
    }

    fn scope(&self, charge: &Charge) -> String {
        if charge.whole {
            return String::new();
        }
        let c = &self.tariff.calendar;
        let names: Vec<String> =
            (0..c.slots()).filter(|s| charge.slots.has(*s)).map(|s| c.slot_name(s)).collect();
        // All seasons of a period read as the period alone.
        let periods = c.periods.len();
        for (p, name) in c.periods.iter().enumerate() {
            let all = (0..c.seasons.len()).fold(0u64, |m, s| m | 1 << (s * periods + p));
            if charge.slots.0 == all {
                return format!(", {name}");
            }
        }
        for (s, name) in c.seasons.iter().enumerate() {
            let all = (0..periods).fold(0u64, |m, p| m | 1 << (s * periods + p));
            if charge.slots.0 == all {
                return format!(", {name}");
            }
        }
        format!(", {}", names.join(" and "))
    }

    fn demand(
        &self,
        m: &Month<'_>,
        k: usize,
        charge: &Charge,
        d: &Demand,
        share: f64,
        this: &mut PastMonth,
    ) -> Draft {
        let unit = d.unit.sign();
        let f = m.figures.of(charge.slots, charge.whole);
        let mut rule = String::new();
        let mut say = |text: std::fmt::Arguments<'_>| {
            if self.words {
                let _ = std::fmt::Write::write_fmt(&mut rule, text);
            }
        };
        let (measured, kva) =
            (if d.unit == DemandUnit::Kw { f.p_peak.p_kw } else { f.s_peak.s_kva }, f.s_peak.s_kva);
        say(format_args!("highest demand{} {} {unit}", self.scope(charge), num(measured)));
        let mut value = measured;
        if let Some(share) = d.share_of_kva {
            say(format_args!(
                "; at least {} × {} kVA = {} kW",
                num(share),
                num(kva),
                num(share * kva)
            ));
            value = at_least(value, share * kva);
        }
        let ratchets_adjusted = d.ratchet.as_ref().is_none_or(|r| r.adjusted);
        let adjusted = |value: f64, say: &mut dyn FnMut(std::fmt::Arguments<'_>)| match d.adjustment
        {
            Some(a) => adjust(&a, value, m, say),
            None => value,
        };
        if ratchets_adjusted {
            value = adjusted(value, &mut say);
        }
        this.demand[k] = value;
        if let Some(r) = &d.ratchet {
            let from = m.past.len().saturating_sub(r.months);
            let counted = m.past.iter().skip(from);
            let counted = counted.filter(|p| r.seasons.is_empty() || r.seasons.contains(&p.season));
            let highest = counted.filter_map(|p| p.demand.get(k)).fold(0.0f64, |a, b| a.max(*b));
            let floor = r.share * highest;
            if floor > value {
                say(format_args!(
                    "; ratchet: {} × {} {unit} of the last {} months = {}",
                    num(r.share),
                    num(highest),
                    r.months,
                    num(floor)
                ));
                value = floor;
            } else if highest > 0.0 {
                say(format_args!("; ratchet floor {} not reached", num(floor)));
            }
        }
        if !ratchets_adjusted {
            value = adjusted(value, &mut say);
        }
        if let Some(least) = d.minimum.filter(|least| *least > value) {
            say(format_args!("; at least {} {unit}", num(least)));
            value = least;
        }
        let billed = self.demand_step(value);
        if billed != value {
            say(format_args!("; billed as {}", num(billed)));
        }
        say(format_args!("{}{}", tier_words(&d.tiers, unit), prorated(share)));
        let amount = thousandths(billed).map(|q| charged(&d.tiers, q) * exact(share, 9));
        self.draft(amount, || Words {
            quantity: known(billed),
            unit: unit.to_owned(),
            rate: single(&d.tiers),
            rate_unit: self.per(unit),
            rule,
        })
    }

    fn kvar(
        &self,
        m: &Month<'_>,
        k: usize,
        charge: &Charge,
        q: &Kvar,
        share: f64,
        this: &mut PastMonth,
    ) -> Draft {
        let f = m.figures.of(charge.slots, charge.whole);
        let measured = if q.at_kw_peak { f.p_peak.q_kvar } else { f.q_peak.q_kvar };
        let kvar = if measured.is_nan() { measured } else { measured.max(0.0) };
        this.demand[k] = f.p_peak.p_kw;
        let from = m.past.len().saturating_sub(q.kw_months);
        let before = m.past.iter().skip(from).filter_map(|p| p.demand.get(k));
        let kw = before.fold(f.p_peak.p_kw, |a, b| if *b > a { *b } else { a });
        let allowed = if q.share_of_kw > 0.0 { q.share_of_kw * kw } else { 0.0 } + q.allowance_kvar;
        let free = self.is_free(m, q.only_below_pf);
        let beyond = match free {
            Some(true) => 0.0,
            Some(false) => positive(kvar - allowed),
            None => f64::NAN,
        };
        let excess = self.demand_step(beyond);
        let amount = thousandths(excess).map(|x| charged(&q.tiers, x) * exact(share, 9));
        self.draft(amount, || {
            let which = if q.at_kw_peak { "kvar at the highest kW" } else { "highest kvar" };
            let mut rule = format!("{which}{} {} kvar", self.scope(charge), num(kvar));
            if q.share_of_kw > 0.0 {
                rule += &format!(" less {} × {} kW", num(q.share_of_kw), num(kw));
            }
            if q.allowance_kvar > 0.0 {
                rule += &format!(" less {} kvar free", num(q.allowance_kvar));
            }
            rule += &format!(" = {}", num(kvar - allowed));
            rule += &self.free_words(m, q.only_below_pf);
            rule += &format!("{}{}", tier_words(&q.tiers, "kvar"), prorated(share));
            Words {
                quantity: known(excess),
                unit: "kvar".to_owned(),
                rate: single(&q.tiers),
                rate_unit: self.per("kvar"),
                rule,
            }
        })
    }

    /// Whether PF is good enough that a line charges nothing; `None` where PF is not known.
    fn is_free(&self, m: &Month<'_>, only_below_pf: Option<f64>) -> Option<bool> {
        let Some(limit) = only_below_pf else { return Some(false) };
        if m.idle {
            return Some(true);
        }
        m.pf.map(|pf| pf >= limit - PF_ROUNDING)
    }

    fn free_words(&self, m: &Month<'_>, only_below_pf: Option<f64>) -> String {
        match (only_below_pf, m.pf) {
            (Some(limit), Some(pf)) => {
                let which = if pf >= limit - PF_ROUNDING { "not charged" } else { "charged" };
                format!("; {which}: PF {} against {}", num(pf), num(limit))
            }
            _ => String::new(),
        }
    }

    fn kvarh(&self, m: &Month<'_>, k: usize, charge: &Charge, q: &Kvarh, share: f64) -> Draft {
        let f = m.figures.of(charge.slots, charge.whole);
        let kvarh = match q.direction {
            Direction::Lagging => f.q_lag_kvarh,
            Direction::Leading => f.q_lead_kvarh,
            Direction::Both => f.q_lag_kvarh + f.q_lead_kvarh,
        };
        let of_kwh = |share: f64| if share > 0.0 { share * f.p_in_kwh } else { 0.0 };
        let (allowed, allowance) = (of_kwh(q.share_of_kwh), q.allowance_kvarh * share);
        let beyond = if q.per_interval {
            m.figures.interval_excess_kvarh.get(k).copied().unwrap_or(f64::NAN)
        } else {
            let top = q.up_to_share_of_kwh.map_or(kvarh, |u| lower(kvarh, of_kwh(u)));
            positive(top - allowed - allowance)
        };
        let excess = match self.is_free(m, q.only_below_pf) {
            Some(true) => 0.0,
            Some(false) => self.energy_step(beyond),
            None => f64::NAN,
        };
        self.draft(thousandths(excess).map(|x| charged(&q.tiers, x)), || {
            let mut rule =
                format!("kvarh {}{} {}", q.direction.word(), self.scope(charge), num(kvarh));
            if q.per_interval {
                rule += &format!(
                    "; beyond {} × kWh of each interval, summed: {}",
                    num(q.share_of_kwh),
                    num(beyond)
                );
            } else {
                if q.share_of_kwh > 0.0 {
                    rule += &format!(" less {} × {} kWh", num(q.share_of_kwh), num(f.p_in_kwh));
                }
                if q.allowance_kvarh > 0.0 {
                    rule += &format!(" less {} kvarh free", num(allowance));
                }
                if let Some(up_to) = q.up_to_share_of_kwh {
                    rule += &format!(", up to {} × kWh", num(up_to));
                }
                if allowed + allowance > 0.0 || q.up_to_share_of_kwh.is_some() {
                    rule += &format!(" = {}", num(beyond));
                }
            }
            rule += &self.free_words(m, q.only_below_pf);
            rule += &tier_words(&q.tiers, "kvarh");
            Words {
                quantity: known(excess),
                unit: "kvarh".to_owned(),
                rate: single(&q.tiers),
                rate_unit: self.per("kvarh"),
                rule,
            }
        })
    }

    /// The sum of lines that a percentage is of; `None` where one of them is not known.
    fn base(&self, of: &PercentOf, lines: &[Draft]) -> Option<Decimal> {
        lines.iter().filter(|l| of.of.contains(&l.charge)).map(|l| l.amount).sum()
    }

    fn percent_line(
        &self,
        of: &PercentOf,
        base: Option<Decimal>,
        percent: Option<Decimal>,
        rule: impl FnOnce() -> String,
    ) -> Draft {
        let amount = base.zip(percent).map(|(b, p)| b * p / Decimal::ONE_HUNDRED);
        let amount =
            if percent.is_some_and(|p| p.is_zero()) { Some(Decimal::ZERO) } else { amount };
        self.draft(amount, || Words {
            quantity: base.and_then(|b| b.to_f64()),
            unit: self.tariff.currency.clone(),
            rate: percent.map(|p| p.normalize()),
            rate_unit: "%".to_owned(),
            rule: format!("{}, of {}", rule(), of.words),
        })
    }

    fn pf_percent(&self, m: &Month<'_>, p: &PfPercent, lines: &[Draft]) -> Draft {
        let percent = match m.pf {
            Some(pf) => Some(percent_of_pf(p, pf)),
            None if m.idle => Some(Decimal::ZERO),
            None => None,
        };
        self.percent_line(&p.of, self.base(&p.of, lines), percent, || {
            let mut rule = self.pf_words(m);
            for s in &p.below {
                rule += &format!("; {} % per 0.01 below {}", s.percent_per_point, num(s.pf));
            }
            for s in &p.above {
                rule += &format!("; {} % off per 0.01 above {}", s.percent_per_point, num(s.pf));
            }
            if !p.above.is_empty() && p.best_pf < 1.0 {
                rule += &format!(" up to {}", num(p.best_pf));
            }
            rule
        })
    }

    fn pf_table(&self, m: &Month<'_>, p: &PfTable, lines: &[Draft]) -> Draft {
        let band = m.pf.and_then(|pf| {
            let pf = pf + PF_ROUNDING;
            p.bands.iter().rfind(|b| pf >= b.from_pf)
        });
        let percent = match band {
            Some(b) => Some(b.percent),
            None if m.idle => Some(Decimal::ZERO),
            None => None,
        };
        self.percent_line(&p.of, self.base(&p.of, lines), percent, || {
            let band = band.map_or(String::new(), |b| {
                format!("; band {} to {}: {} %", num(b.from_pf), num(b.to_pf), b.percent)
            });
            format!("{}{band}", self.pf_words(m))
        })
    }

    /// The power factor that counts, and what it is.
    fn pf_words(&self, m: &Month<'_>) -> String {
        let basis = self.tariff.power_factor.basis.words();
        match (m.pf, m.pf_exact) {
            (Some(pf), Some(exact)) if pf != exact => {
                format!("PF {} (from {exact:.4}), {basis}", num(pf))
            }
            (Some(pf), _) => format!("PF {pf:.4}, {basis}"),
            _ if m.idle => "no load, so no power factor".to_owned(),
            _ => format!("PF not known ({basis})"),
        }
    }

    fn minimum(&self, least: Decimal, lines: &[Draft]) -> Draft {
        let sum: Option<Decimal> = lines.iter().map(|l| l.amount).sum();
        let amount = sum.map(|s| (least - s).max(Decimal::ZERO));
        self.draft(amount, || Words {
            quantity: None,
            unit: String::new(),
            rate: None,
            rate_unit: String::new(),
            rule: format!("the lines above come to at least {least}"),
        })
    }

    fn tax(&self, of: &PercentOf, lines: &[Draft]) -> Draft {
        self.percent_line(of, self.base(of, lines), Some(of.percent), || {
            format!("{} %", of.percent)
        })
    }
}

/// A power factor this close to a limit meets it.
const PF_ROUNDING: f64 = 1e-9;

/// Changes a demand by the power factor.
fn adjust(
    a: &Adjustment,
    kw: f64,
    m: &Month<'_>,
    say: &mut dyn FnMut(std::fmt::Arguments<'_>),
) -> f64 {
    let Some(pf) = m.pf else {
        return if m.idle { kw } else { f64::NAN };
    };
    let target = a.target_pf;
    if pf >= target - PF_ROUNDING && !a.both_ways {
        say(format_args!("; PF {} meets {}", num(pf), num(target)));
        return kw;
    }
    let factor = match a.formula {
        AdjustmentFormula::Ratio => target / pf,
        AdjustmentFormula::Linear => 1.0 + target - pf,
    };
    let factor = a.max_factor.map_or(factor, |most| factor.min(most));
    let formula = match a.formula {
        AdjustmentFormula::Ratio => format!("{} / {}", num(target), num(pf)),
        AdjustmentFormula::Linear => format!("(1 + {} − {})", num(target), num(pf)),
    };
    say(format_args!("; × {formula} for PF = {}", num(kw * factor)));
    kw * factor
}

/// Percent of a power factor: positive below, negative above.
pub(super) fn percent_of_pf(p: &PfPercent, pf: f64) -> Decimal {
    let count = |from: f64, to: f64| {
        let points = ((to - from) * 100.0).max(0.0);
        exact(
            match p.points {
                Points::Proportional => points,
                Points::EachWhole => libm::floor(points + 1e-7),
                Points::EachStarted => libm::ceil(points - 1e-7),
            },
            6,
        )
    };
    let mut percent = Decimal::ZERO;
    for (k, step) in p.below.iter().enumerate().filter(|(_, s)| pf < s.pf) {
        let end = p.below.get(k + 1).map_or(0.0, |next| next.pf);
        percent += count(pf.max(end), step.pf) * step.percent_per_point;
    }
    if let Some(most) = p.max_percent {
        percent = percent.min(most);
    }
    let mut bonus = Decimal::ZERO;
    let best = pf.min(p.best_pf);
    for (k, step) in p.above.iter().enumerate().filter(|(_, s)| best > s.pf) {
        let end = p.above.get(k + 1).map_or(1.0, |next| next.pf);
        bonus += count(step.pf, best.min(end)) * step.percent_per_point;
    }
    if let Some(most) = p.max_bonus_percent {
        bonus = bonus.min(most);
    }
    percent - bonus
}

/// The money of a quantity: each tier's part at its rate.
fn charged(tiers: &Tiers, quantity: Decimal) -> Decimal {
    let mut from = Decimal::ZERO;
    let mut money = Decimal::ZERO;
    for tier in &tiers.0 {
        let to = tier.up_to.map_or(quantity, |end| end.min(quantity));
        if to > from {
            money += (to - from) * tier.rate;
            from = to;
        }
    }
    money
}

fn single(tiers: &Tiers) -> Option<Decimal> {
    match tiers.0.as_slice() {
        [one] => Some(one.rate),
        _ => None,
    }
}

fn tier_words(tiers: &Tiers, unit: &str) -> String {
    if tiers.0.len() < 2 {
        return String::new();
    }
    let each: Vec<String> = tiers
        .0
        .iter()
        .map(|t| match t.up_to {
            Some(end) => format!("{} up to {end} {unit}", t.rate),
            None => format!("{} beyond", t.rate),
        })
        .collect();
    format!("; {}", each.join(", "))
}

/// A number with so many decimals as an exact decimal; `0` where it is not finite.
fn exact(x: f64, decimals: u32) -> Decimal {
    let scaled = libm::round(x * 10f64.powi(decimals as i32));
    if scaled.abs() < 9e18 {
        Decimal::new(scaled as i64, decimals).normalize()
    } else {
        Decimal::ZERO
    }
}

/// A quantity to the thousandth; `None` where it is not known.
fn thousandths(x: f64) -> Option<Decimal> {
    x.is_finite().then(|| exact(x, 3))
}

fn known(x: f64) -> Option<f64> {
    x.is_finite().then(|| libm::round(x * 1e3) / 1e3)
}

/// The larger; unknown where either is.
fn at_least(a: f64, b: f64) -> f64 {
    if b > a || b.is_nan() { b } else { a }
}

/// The smaller; unknown where either is.
fn lower(a: f64, b: f64) -> f64 {
    if b < a || b.is_nan() { b } else { a }
}

fn positive(x: f64) -> f64 {
    if x < 0.0 { 0.0 } else { x }
}

/// A number with at most three decimals for a rule.
fn num(x: f64) -> String {
    if !x.is_finite() {
        return "–".to_owned();
    }
    let text = format!("{x:.3}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

fn prorated(share: f64) -> String {
    if share < 1.0 { format!("; for {} % of the month", num(share * 100.0)) } else { String::new() }
}

/// What to know about a month before believing its total.
fn cautions(tariff: &Tariff, m: &MonthQuantities, known_months: usize) -> Vec<Caution> {
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
                "records are missing where the load stood at {} kW, near the month's highest: the \
                 billed demand may lie in the gap and be higher",
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
