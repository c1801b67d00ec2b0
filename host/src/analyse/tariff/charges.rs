//! The charges of a tariff file, read clause by clause and checked.

use super::calendar::{UseCalendar, needed};
use super::clause::*;
use super::error::Fault;
use super::keys::{At, Keys};
use rust_decimal::Decimal;

/// The clauses by name.
const CLAUSES: [(&str, u8); 9] = [
    ("fixed", 0),
    ("energy", 1),
    ("demand", 2),
    ("kvar", 3),
    ("kvarh", 4),
    ("pf-percent", 5),
    ("pf-table", 6),
    ("minimum", 7),
    ("tax", 8),
];

/// Reads the charges in the order of the file.
pub(super) fn parse(root: &mut Keys<'_>, calendar: &UseCalendar) -> Result<Vec<Charge>, Fault> {
    let tables = root.tables("charge")?;
    if tables.is_empty() {
        return Err(root.fault("charge", "a tariff charges something; add a [[charge]]"));
    }
    let mut charges: Vec<Charge> = Vec::new();
    for t in tables {
        let charge = charge(t, calendar, &charges)?;
        charges.push(charge);
    }
    covered(root, &charges, calendar)?;
    Ok(charges)
}

/// Every slot has a price of energy as soon as one has.
fn covered(root: &Keys<'_>, charges: &[Charge], calendar: &UseCalendar) -> Result<(), Fault> {
    let priced = charges
        .iter()
        .filter(|c| matches!(c.clause, Clause::Energy(_)))
        .fold(0u64, |m, c| m | c.slots.0);
    let free = calendar.all().0 & !priced;
    if priced == 0 || free == 0 {
        return Ok(());
    }
    let slot = free.trailing_zeros() as usize;
    Err(root.fault(
        "charge",
        format!(
            "no energy charge covers {}; add one, with rate_per_kwh = 0 if it is free",
            calendar.slot_name(slot)
        ),
    ))
}

fn charge(mut t: Keys<'_>, calendar: &UseCalendar, above: &[Charge]) -> Result<Charge, Fault> {
    let word = t.word("clause", &CLAUSES)?;
    let kind = needed(&t, word, "clause", "say what it charges, such as \"energy\"")?;
    let word = CLAUSES.iter().find(|c| c.1 == kind.value).map_or("", |c| c.0);
    let name = match t.text("name")? {
        Some(n) => n,
        None => At { value: word.to_owned(), at: kind.at, key: kind.key.clone() },
    };
    if above.iter().any(|c| c.name == name.value) {
        return Err(name
            .fault(format!("there is a charge {:?} already; give each its own name", name.value)));
    }
    t.rename(format!("charge {:?}", name.value));
    let credit = t.flag("credit")?.is_some_and(|c| c.value);
    let mut known = vec!["clause", "name", "credit"];
    let scoped = kind.value <= 4;
    let slots = if scoped {
        known.extend(["season", "period"]);
        calendar.mask(&mut t)?
    } else {
        calendar.all()
    };
    let mut c = Reader { t: &mut t, credit, calendar, above };
    let (clause, keys): (Clause, &[&str]) = match kind.value {
        0 => (c.fixed()?, &["amount", "per"]),
        1 => (Clause::Energy(c.tiers("kwh")?), &["rate_per_kwh", "tiers"]),
        2 => (c.demand()?, DEMAND_KEYS),
        3 => (c.kvar()?, KVAR_KEYS),
        4 => (c.kvarh()?, KVARH_KEYS),
        5 => (c.pf_percent()?, PERCENT_KEYS),
        6 => (c.pf_table()?, &["of", "bands"]),
        7 => (Clause::Minimum(c.money("amount")?.value), &["amount"]),
        _ => (c.tax()?, &["percent", "of"]),
    };
    known.extend(keys);
    t.finish(&known)?;
    let whole = slots == calendar.all();
    Ok(Charge { name: name.value, slots, whole, line: kind.at, clause })
}

const DEMAND_KEYS: &[&str] = &[
    "rate_per_kw",
    "rate_per_kva",
    "tiers",
    "unit",
    "target_pf",
    "adjustment",
    "both_ways",
    "max_factor",
    "share_of_kva",
    "ratchet_share",
    "ratchet_months",
    "ratchet_seasons",
    "ratchet_on",
    "minimum_kw",
    "minimum_kva",
];
const KVAR_KEYS: &[&str] = &[
    "rate_per_kvar",
    "tiers",
    "share_of_kw",
    "allowance_kvar",
    "kvar",
    "kw_months",
    "only_below_pf",
];
const KVARH_KEYS: &[&str] = &[
    "rate_per_kvarh",
    "tiers",
    "direction",
    "share_of_kwh",
    "up_to_share_of_kwh",
    "allowance_kvarh",
    "per",
    "only_below_pf",
];
const PERCENT_KEYS: &[&str] = &[
    "of",
    "target_pf",
    "percent_per_point",
    "bonus_above_pf",
    "bonus_percent_per_point",
    "best_pf",
    "below",
    "above",
    "points",
    "max_percent",
    "max_bonus_percent",
];

struct Reader<'r, 'a> {
    t: &'r mut Keys<'a>,
    credit: bool,
    calendar: &'r UseCalendar,
    above: &'r [Charge],
}

impl Reader<'_, '_> {
    fn must<T>(&self, value: Option<At<T>>, key: &str, cure: &str) -> Result<At<T>, Fault> {
        needed(self.t, value, key, cure)
    }

    fn not_negative(&self, at: At<Decimal>) -> Result<At<Decimal>, Fault> {
        let credit = self.credit;
        at.check(
            |d| credit || !d.is_sign_negative() || d.is_zero(),
            "is negative; write credit = true if the utility pays for this",
        )
    }

    fn money(&mut self, key: &str) -> Result<At<Decimal>, Fault> {
        let at = self.t.decimal(key)?;
        let at = self.must(at, key, "give an amount of money")?;
        self.not_negative(at)
    }

    /// A number of at least 0, or a default.
    fn amount(&mut self, key: &str) -> Result<Option<f64>, Fault> {
        let Some(at) = self.t.number(key)? else { return Ok(None) };
        Ok(Some(at.check(|x| *x >= 0.0, "is negative; give 0 or more")?.value))
    }

    fn pf(&mut self, key: &str) -> Result<Option<At<f64>>, Fault> {
        let Some(at) = self.t.number(key)? else { return Ok(None) };
        at.check(
            |x| *x > 0.0 && *x <= 1.0,
            "is not a power factor; give a number above 0 and up to 1, such as 0.95",
        )
        .map(Some)
    }

    fn share(&mut self, key: &str, most: f64) -> Result<Option<At<f64>>, Fault> {
        let Some(at) = self.t.number(key)? else { return Ok(None) };
        at.check(
            |x| *x >= 0.0 && *x <= most,
            &format!("is not a share from 0 to {most}; write 40 % as 0.40"),
        )
        .map(Some)
    }

    /// A rate a unit, or tiers of such rates.
    fn tiers(&mut self, unit: &str) -> Result<Tiers, Fault> {
        let key = format!("rate_per_{unit}");
        let rate = self.t.decimal(&key)?;
        let tables = self.t.tables("tiers")?;
        match (rate, tables.is_empty()) {
            (Some(rate), true) => {
                let rate = self.not_negative(rate)?.value;
                Ok(Tiers(vec![Tier { up_to: None, rate }]))
            }
            (Some(rate), false) => Err(rate.fault("gives one rate, and tiers others; remove one")),
            (None, true) => Err(self.t.fault(&key, "is missing; give the rate, or tiers of rates")),
            (None, false) => self.tier_list(unit, tables),
        }
    }

    fn tier_list(&mut self, unit: &str, tables: Vec<Keys<'_>>) -> Result<Tiers, Fault> {
        let (rate_key, end_key) = (format!("rate_per_{unit}"), format!("up_to_{unit}"));
        let count = tables.len();
        let mut tiers: Vec<Tier> = Vec::new();
        for (k, mut t) in tables.into_iter().enumerate() {
            let rate = t.decimal(&rate_key)?;
            let rate = self.not_negative(needed(&t, rate, &rate_key, "give the tier's rate")?)?;
            let end = t.decimal(&end_key)?;
            let before = tiers.last().and_then(|x| x.up_to).unwrap_or(Decimal::ZERO);
            match &end {
                Some(e) if e.value <= before => {
                    return Err(e.fault(format!("must rise from tier to tier: above {before}")));
                }
                Some(e) if k + 1 == count => {
                    return Err(e.fault("the last tier has no end; remove it"));
                }
                None if k + 1 < count => {
                    return Err(t.fault(&end_key, "is missing; only the last tier has no end"));
                }
                _ => {}
            }
            t.finish(&[&rate_key, &end_key])?;
            tiers.push(Tier { up_to: end.map(|e| e.value), rate: rate.value });
        }
        Ok(Tiers(tiers))
    }

    fn fixed(&mut self) -> Result<Clause, Fault> {
        let amount = self.money("amount")?.value;
        let per_day = self.t.word("per", &[("month", false), ("day", true)])?;
        Ok(Clause::Fixed(Fixed { amount, per_day: per_day.is_some_and(|p| p.value) }))
    }

    fn demand(&mut self) -> Result<Clause, Fault> {
        let named = self.t.word("unit", &[("kW", DemandUnit::Kw), ("kVA", DemandUnit::Kva)])?;
        let unit = match (named, self.t.has("rate_per_kw"), self.t.has("rate_per_kva")) {
            (_, true, true) => {
                return Err(self.t.fault("rate_per_kva", "kW and kVA are both priced; use one"));
            }
            (Some(at), kw, kva) => {
                if (at.value == DemandUnit::Kw && kva) || (at.value == DemandUnit::Kva && kw) {
                    return Err(at.fault("contradicts the unit of the rate; remove one"));
                }
                at.value
            }
            (None, true, false) => DemandUnit::Kw,
            (None, false, true) => DemandUnit::Kva,
            (None, false, false) if self.t.has("tiers") => {
                return Err(self
                    .t
                    .fault("unit", "is missing; tiers need unit = \"kW\" or \"kVA\""));
            }
            _ => return Err(self.t.fault("rate_per_kw", "is missing; give it, or rate_per_kva")),
        };
        let lower = if unit == DemandUnit::Kw { "kw" } else { "kva" };
        let tiers = self.tiers(lower)?;
        let adjustment = self.adjustment(unit)?;
        let share_of_kva = self.share("share_of_kva", 1.0)?;
        if let Some(at) = share_of_kva.as_ref().filter(|_| unit == DemandUnit::Kva) {
            return Err(at.fault("makes sense for a demand in kW only; remove it"));
        }
        if let Some(at) = share_of_kva.as_ref().filter(|_| adjustment.is_some()) {
            return Err(at.fault("and target_pf both bill the power factor; use one"));
        }
        let ratchet = self.ratchet(adjustment.is_some())?;
        let minimum = self.amount(&format!("minimum_{lower}"))?;
        Ok(Clause::Demand(Demand {
            unit,
            tiers,
            adjustment,
            share_of_kva: share_of_kva.map(|s| s.value),
            ratchet,
            minimum,
        }))
    }

    fn adjustment(&mut self, unit: DemandUnit) -> Result<Option<Adjustment>, Fault> {
        let target = self.pf("target_pf")?;
        let words = [("ratio", AdjustmentFormula::Ratio), ("linear", AdjustmentFormula::Linear)];
        let formula = self.t.word("adjustment", &words)?;
        let both_ways = self.t.flag("both_ways")?;
        let max_factor = self.t.number("max_factor")?;
        let Some(target) = target else {
            for at in [formula.map(|f| f.map(|_| ())), both_ways.map(|f| f.map(|_| ()))] {
                if let Some(at) = at {
                    return Err(at.fault("needs target_pf; give the target, or remove it"));
                }
            }
            return match max_factor {
                Some(at) => Err(at.fault("needs target_pf; give the target, or remove it")),
                None => Ok(None),
            };
        };
        if unit == DemandUnit::Kva {
            return Err(target.fault(
                "kVA holds the power factor already; adjust a demand in kW, or remove target_pf",
            ));
        }
        let max_factor = max_factor
            .map(|m| m.check(|x| *x >= 1.0, "limits the factor; give 1 or more").map(|m| m.value))
            .transpose()?;
        Ok(Some(Adjustment {
            target_pf: target.value,
            formula: formula.map_or(AdjustmentFormula::Ratio, |f| f.value),
            both_ways: both_ways.is_some_and(|b| b.value),
            max_factor,
        }))
    }

    fn ratchet(&mut self, adjusts: bool) -> Result<Option<Ratchet>, Fault> {
        let share = self.share("ratchet_share", 1.0)?;
        let months = self.t.whole("ratchet_months", 1, 36)?;
        let seasons = self.t.texts("ratchet_seasons")?;
        let on = self.t.word("ratchet_on", &[("adjusted", true), ("measured", false)])?;
        let Some(share) = share else {
            let others = [
                months.map(|m| m.map(|_| ())),
                seasons.map(|m| m.map(|_| ())),
                on.map(|m| m.map(|_| ())),
            ];
            return match others.into_iter().flatten().next() {
                Some(at) => Err(at.fault("needs ratchet_share; give the share, or remove it")),
                None => Ok(None),
            };
        };
        if let Some(at) = on.as_ref().filter(|_| !adjusts) {
            return Err(at.fault("orders the ratchet against target_pf, which is not there"));
        }
        let mut of = Vec::new();
        for name in seasons.iter().flat_map(|s| &s.value) {
            let known = &self.calendar.seasons;
            match known.iter().position(|s| *s == name.value) {
                Some(s) => of.push(s),
                None => {
                    let list = known.join(", ");
                    return Err(
                        name.fault(format!("{:?} is not defined; there is {list}", name.value))
                    );
                }
            }
        }
        Ok(Some(Ratchet {
            share: share.value,
            months: months.map_or(11, |m| m.value as usize),
            seasons: of,
            adjusted: on.is_none_or(|o| o.value),
        }))
    }

    fn kvar(&mut self) -> Result<Clause, Fault> {
        let tiers = self.tiers("kvar")?;
        let share = self.share("share_of_kw", 10.0)?.map(|s| s.value);
        let allowance = self.amount("allowance_kvar")?;
        let at_kw_peak = self.t.word("kvar", &[("highest", false), ("at-kw-peak", true)])?;
        let kw_months = self.t.whole("kw_months", 0, 36)?;
        if let Some(at) = kw_months.as_ref().filter(|_| share.is_none()) {
            return Err(at.fault("counts for share_of_kw, which is not there"));
        }
        let only_below_pf = self.pf("only_below_pf")?.map(|p| p.value);
        Ok(Clause::Kvar(Kvar {
            tiers,
            share_of_kw: share.unwrap_or(0.0),
            allowance_kvar: allowance.unwrap_or(0.0),
            at_kw_peak: at_kw_peak.is_some_and(|k| k.value),
            kw_months: kw_months.map_or(0, |m| m.value as usize),
            only_below_pf,
        }))
    }

    fn kvarh(&mut self) -> Result<Clause, Fault> {
        let tiers = self.tiers("kvarh")?;
        let words = [
            ("lagging", Direction::Lagging),
            ("leading", Direction::Leading),
            ("both", Direction::Both),
        ];
        let direction = self.t.word("direction", &words)?;
        let share = self.share("share_of_kwh", 10.0)?.map_or(0.0, |s| s.value);
        let up_to = self.share("up_to_share_of_kwh", 100.0)?;
        if let Some(at) = up_to.as_ref().filter(|u| u.value <= share) {
            return Err(at.fault("must be above share_of_kwh, or the line charges nothing"));
        }
        let allowance = self.amount("allowance_kvarh")?;
        let per = self.t.word("per", &[("month", false), ("interval", true)])?;
        if let Some(at) = per.as_ref().filter(|p| p.value && allowance.is_some()) {
            return Err(at.fault("allowance_kvarh is an allowance of the month; remove one"));
        }
        let only_below_pf = self.pf("only_below_pf")?.map(|p| p.value);
        Ok(Clause::Kvarh(Kvarh {
            tiers,
            direction: direction.map_or(Direction::Lagging, |d| d.value),
            share_of_kwh: share,
            up_to_share_of_kwh: up_to.map(|u| u.value),
            allowance_kvarh: allowance.unwrap_or(0.0),
            per_interval: per.is_some_and(|p| p.value),
            only_below_pf,
        }))
    }

    /// The lines that a percentage is of: `all` above, names, or clauses.
    fn of(&mut self) -> Result<PercentOf, Fault> {
        let list = self.t.texts("of")?;
        let all: Vec<usize> = (0..self.above.len()).collect();
        let Some(list) = list else {
            return Ok(PercentOf {
                percent: Decimal::ZERO,
                of: all,
                words: "the lines above".to_owned(),
            });
        };
        let mut of = Vec::new();
        for name in &list.value {
            let hits: Vec<usize> = self
                .above
                .iter()
                .enumerate()
                .filter(|(_, c)| {
                    name.value == "all" || c.name == name.value || c.clause.word() == name.value
                })
                .map(|(k, _)| k)
                .collect();
            if hits.is_empty() {
                return Err(name.fault(format!(
                    "{:?} is neither the name nor the clause of a charge above; charges come in \
                     the order in which they are computed",
                    name.value
                )));
            }
            of.extend(hits);
        }
        of.sort_unstable();
        of.dedup();
        let words = if of == all {
            "the lines above".to_owned()
        } else {
            let names: Vec<&str> =
                of.iter().filter_map(|k| self.above.get(*k)).map(|c| c.name.as_str()).collect();
            names.join(" + ")
        };
        Ok(PercentOf { percent: Decimal::ZERO, of, words })
    }

    fn tax(&mut self) -> Result<Clause, Fault> {
        let mut of = self.of()?;
        let at = self.t.decimal("percent")?;
        let at = self.must(at, "percent", "give the percentage")?;
        of.percent = self.not_negative(at)?.value;
        Ok(Clause::Tax(of))
    }

    fn pf_percent(&mut self) -> Result<Clause, Fault> {
        let of = self.of()?;
        let below = self.pf_steps("target_pf", "percent_per_point", "below")?;
        let above = self.pf_steps("bonus_above_pf", "bonus_percent_per_point", "above")?;
        if below.is_empty() && above.is_empty() {
            return Err(self.t.fault("target_pf", "is missing; give it with percent_per_point"));
        }
        if let (Some((b, _)), Some((a, at))) = (below.first(), above.first()) {
            if a.pf < b.pf {
                return Err(at.fault(format!(
                    "the bonus begins at {} while the surcharge reaches up to {}; one power \
                     factor cannot have both",
                    a.pf, b.pf
                )));
            }
        }
        let best = self.pf("best_pf")?;
        if let Some(at) = &best {
            if above.first().is_none_or(|a| at.value < a.0.pf) {
                return Err(at.fault("limits the bonus and must lie above where it begins"));
            }
        }
        let words = [
            ("proportional", Points::Proportional),
            ("each-whole", Points::EachWhole),
            ("each-started", Points::EachStarted),
        ];
        let points = self.t.word("points", &words)?.map_or(Points::Proportional, |p| p.value);
        let mut limit = |key: &str| -> Result<Option<Decimal>, Fault> {
            let Some(at) = self.t.decimal(key)? else { return Ok(None) };
            Ok(Some(at.check(|d| !d.is_sign_negative(), "is negative; give 0 or more")?.value))
        };
        Ok(Clause::PfPercent(PfPercent {
            of,
            max_percent: limit("max_percent")?,
            max_bonus_percent: limit("max_bonus_percent")?,
            below: below.into_iter().map(|b| b.0).collect(),
            above: above.into_iter().map(|a| a.0).collect(),
            best_pf: best.map_or(1.0, |b| b.value),
            points,
        }))
    }

    /// One PF with its percentage, or a list of such that goes away from the target.
    fn pf_steps(
        &mut self,
        pf_key: &str,
        percent_key: &str,
        list_key: &str,
    ) -> Result<Vec<(PfStep, At<f64>)>, Fault> {
        let positive = |at: At<Decimal>| {
            at.check(|d| !d.is_sign_negative(), "is negative; the clause knows the direction")
        };
        let pf = self.pf(pf_key)?;
        let percent = self.t.decimal(percent_key)?;
        let tables = self.t.tables(list_key)?;
        if !tables.is_empty() {
            if let Some(at) = pf.map(|p| p.map(|_| ())).or(percent.map(|p| p.map(|_| ()))) {
                return Err(at.fault(format!("and {list_key} say the same; use one")));
            }
            let mut steps: Vec<(PfStep, At<f64>)> = Vec::new();
            for mut t in tables {
                let (pf, percent) = (t.number("pf")?, t.decimal("percent_per_point")?);
                let pf = needed(&t, pf, "pf", "say where the step begins")?
                    .check(|x| *x > 0.0 && *x <= 1.0, "is not a power factor")?;
                let percent =
                    positive(needed(&t, percent, "percent_per_point", "give the percentage")?)?;
                t.finish(&["pf", "percent_per_point"])?;
                let further = |before: f64| {
                    if list_key == "below" { pf.value < before } else { pf.value > before }
                };
                if steps.last().is_some_and(|s| !further(s.0.pf)) {
                    return Err(pf.fault("steps must go away from the target one after another"));
                }
                steps.push((PfStep { pf: pf.value, percent_per_point: percent.value }, pf));
            }
            return Ok(steps);
        }
        match (pf, percent) {
            (None, None) => Ok(Vec::new()),
            (Some(pf), Some(percent)) => {
                let percent_per_point = positive(percent)?.value;
                Ok(vec![(PfStep { pf: pf.value, percent_per_point }, pf)])
            }
            (Some(pf), None) => Err(pf.fault(format!("needs {percent_key}"))),
            (None, Some(percent)) => Err(percent.fault(format!("needs {pf_key}"))),
        }
    }

    fn pf_table(&mut self) -> Result<Clause, Fault> {
        let of = self.of()?;
        let tables = self.t.tables("bands")?;
        if tables.is_empty() {
            return Err(self.t.fault("bands", "is missing; list the bands of power factor"));
        }
        let mut bands: Vec<(PfBand, At<f64>)> = Vec::new();
        for mut t in tables {
            let (from, to, percent) =
                (t.number("from_pf")?, t.number("to_pf")?, t.decimal("percent")?);
            let from = needed(&t, from, "from_pf", "give the band's lower end, 0 in the lowest")?;
            let to = needed(&t, to, "to_pf", "give the band's upper end, 1 in the highest")?;
            let percent = needed(&t, percent, "percent", "give the percentage, 0 for none")?;
            let percent = self.not_negative(percent)?.value;
            t.finish(&["from_pf", "to_pf", "percent"])?;
            if !(0.0..1.0).contains(&from.value) || to.value > 1.0 || to.value <= from.value {
                return Err(from.fault("a band lies between 0 and 1, its lower end first"));
            }
            bands.push((PfBand { from_pf: from.value, to_pf: to.value, percent }, from));
        }
        bands.sort_by(|a, b| a.0.from_pf.total_cmp(&b.0.from_pf));
        let mut end = 0.0;
        for (band, at) in &bands {
            if band.from_pf != end {
                let what = if band.from_pf > end { "in no band" } else { "in two bands" };
                let (a, b) = (band.from_pf.min(end), band.from_pf.max(end));
                return Err(at.fault(format!("PF from {a} to {b} is {what}; correct the bands")));
            }
            end = band.to_pf;
        }
        if end != 1.0 {
            let at = bands.last().map(|b| &b.1);
            let message = format!("PF from {end} to 1 is in no band; correct the bands");
            return Err(at.map_or_else(|| self.t.fault("bands", "is empty"), |a| a.fault(message)));
        }
        Ok(Clause::PfTable(PfTable { of, bands: bands.into_iter().map(|b| b.0).collect() }))
    }
}
