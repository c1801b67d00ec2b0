//! What a tariff can charge: one type a clause, with its parameters as the file states them.

use super::calendar::SlotMask;
use rust_decimal::Decimal;

/// One charge of a tariff: a clause with a name, for some seasons and periods.
#[derive(Clone, Debug, PartialEq)]
pub struct Charge {
    /// Name on the bill.
    pub name: String,
    /// The seasons and periods that it applies to.
    pub slots: SlotMask,
    /// Whether it applies to all of them, so that totals of the month serve.
    pub whole: bool,
    /// The line of the file.
    pub line: usize,
    /// What it charges.
    pub clause: Clause,
}

/// The clauses.
#[derive(Clone, Debug, PartialEq)]
pub enum Clause {
    /// An amount a month or a day.
    Fixed(Fixed),
    /// Money a kWh taken.
    Energy(Tiers),
    /// Money a kW or kVA of billed demand.
    Demand(Demand),
    /// Money a kvar of demand beyond an allowance.
    Kvar(Kvar),
    /// Money a kvarh beyond an allowance.
    Kvarh(Kvarh),
    /// Percent of other lines by the distance of PF from a target.
    PfPercent(PfPercent),
    /// Percent of other lines by the band that PF lies in.
    PfTable(PfTable),
    /// A least total of the lines above.
    Minimum(Decimal),
    /// Percent of other lines.
    Tax(PercentOf),
}

impl Clause {
    /// The word in the file.
    pub fn word(&self) -> &'static str {
        match self {
            Clause::Fixed(_) => "fixed",
            Clause::Energy(_) => "energy",
            Clause::Demand(_) => "demand",
            Clause::Kvar(_) => "kvar",
            Clause::Kvarh(_) => "kvarh",
            Clause::PfPercent(_) => "pf-percent",
            Clause::PfTable(_) => "pf-table",
            Clause::Minimum(_) => "minimum",
            Clause::Tax(_) => "tax",
        }
    }

    /// Whether the clause asks for the tariff's power factor.
    pub fn uses_pf(&self) -> bool {
        match self {
            Clause::PfPercent(_) | Clause::PfTable(_) => true,
            Clause::Demand(d) => d.adjustment.is_some(),
            Clause::Kvar(k) => k.only_below_pf.is_some(),
            Clause::Kvarh(k) => k.only_below_pf.is_some(),
            _ => false,
        }
    }

    /// Whether the clause asks for a demand.
    pub fn uses_demand(&self) -> bool {
        matches!(self, Clause::Demand(_) | Clause::Kvar(_))
            || matches!(self, Clause::Kvarh(k) if k.per_interval)
    }
}

/// An amount of every bill.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fixed {
    /// The amount.
    pub amount: Decimal,
    /// Whether it is charged by the day instead of the month.
    pub per_day: bool,
}

/// Rates that change with the quantity.
#[derive(Clone, Debug, PartialEq)]
pub struct Tiers(pub Vec<Tier>);

/// One rate up to a quantity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tier {
    /// The end of the tier; `None` in the last one.
    pub up_to: Option<Decimal>,
    /// Money a unit.
    pub rate: Decimal,
}

/// What a demand is billed in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DemandUnit {
    /// Active power.
    Kw,
    /// Apparent power.
    Kva,
}

impl DemandUnit {
    /// The unit's sign.
    pub fn sign(self) -> &'static str {
        match self {
            DemandUnit::Kw => "kW",
            DemandUnit::Kva => "kVA",
        }
    }
}

/// A demand charge.
#[derive(Clone, Debug, PartialEq)]
pub struct Demand {
    /// Unit.
    pub unit: DemandUnit,
    /// Rates.
    pub tiers: Tiers,
    /// How PF changes the billed kW.
    pub adjustment: Option<Adjustment>,
    /// The billed kW is at least this share of the highest kVA.
    pub share_of_kva: Option<f64>,
    /// Floor from the highest demand of earlier months.
    pub ratchet: Option<Ratchet>,
    /// Least billed demand.
    pub minimum: Option<f64>,
}

/// kW changed by PF.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Adjustment {
    /// The target.
    pub target_pf: f64,
    /// Formula.
    pub formula: AdjustmentFormula,
    /// Whether a PF above the target lowers the billed kW.
    pub both_ways: bool,
    /// The factor is limited to this.
    pub max_factor: Option<f64>,
}

/// The formula of a PF adjustment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AdjustmentFormula {
    /// kW × target / PF.
    Ratio,
    /// kW × (1 + target − PF).
    Linear,
}

/// A floor from earlier months.
#[derive(Clone, Debug, PartialEq)]
pub struct Ratchet {
    /// Share of the highest demand.
    pub share: f64,
    /// Months that count, before the month itself.
    pub months: usize,
    /// Seasons whose months count; empty: all.
    pub seasons: Vec<usize>,
    /// Whether the demand is adjusted by PF before the ratchet (else after it).
    pub adjusted: bool,
}

/// kvar beyond an allowance.
#[derive(Clone, Debug, PartialEq)]
pub struct Kvar {
    /// Rates a kvar.
    pub tiers: Tiers,
    /// Allowed share of kW.
    pub share_of_kw: f64,
    /// Allowed whatever the kW, in kvar.
    pub allowance_kvar: f64,
    /// Whether the kvar are those of the interval of the highest kW, not the highest kvar.
    pub at_kw_peak: bool,
    /// Months before this one whose highest kW counts for the allowance too.
    pub kw_months: usize,
    /// Charged only below this PF.
    pub only_below_pf: Option<f64>,
}

/// Which way reactive energy flows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Direction {
    /// Drawn by the load: inductive.
    Lagging,
    /// Given to the supply: capacitive.
    Leading,
    /// The sum of both.
    Both,
}

impl Direction {
    /// The word in the file.
    pub fn word(self) -> &'static str {
        match self {
            Direction::Lagging => "lagging",
            Direction::Leading => "leading",
            Direction::Both => "lagging and leading",
        }
    }
}

/// kvarh beyond an allowance.
#[derive(Clone, Debug, PartialEq)]
pub struct Kvarh {
    /// Rates a kvarh.
    pub tiers: Tiers,
    /// Which kvarh.
    pub direction: Direction,
    /// Allowed share of kWh.
    pub share_of_kwh: f64,
    /// Charged only up to this share of kWh; another line charges what is beyond.
    pub up_to_share_of_kwh: Option<f64>,
    /// Allowed whatever the kWh, in kvarh a month.
    pub allowance_kvarh: f64,
    /// Whether the share is taken interval by interval and the excesses are summed.
    pub per_interval: bool,
    /// Charged only below this PF.
    pub only_below_pf: Option<f64>,
}

/// Lines of the bill that a percentage is of.
#[derive(Clone, Debug, PartialEq)]
pub struct PercentOf {
    /// Percent.
    pub percent: Decimal,
    /// Positions of charges.
    pub of: Vec<usize>,
    /// For people: `the bill so far`, or names.
    pub words: String,
}

/// How points of 0.01 are counted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Points {
    /// In proportion.
    Proportional,
    /// Whole points only.
    EachWhole,
    /// A point begun is a point.
    EachStarted,
}

/// Percent per 0.01 of PF.
#[derive(Clone, Debug, PartialEq)]
pub struct PfPercent {
    /// Lines; the percent in it is unused.
    pub of: PercentOf,
    /// Rates below a PF, falling PF: each holds from its PF down to the next one's.
    pub below: Vec<PfStep>,
    /// Rates above a PF, rising PF.
    pub above: Vec<PfStep>,
    /// PF above which the bonus does not grow.
    pub best_pf: f64,
    /// How points are counted.
    pub points: Points,
    /// Limit of the surcharge, in percent.
    pub max_percent: Option<Decimal>,
    /// Limit of the bonus, in percent.
    pub max_bonus_percent: Option<Decimal>,
}

/// Percent per 0.01 from a PF on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PfStep {
    /// Where it begins.
    pub pf: f64,
    /// Percent a point.
    pub percent_per_point: Decimal,
}

/// Percent by band of PF.
#[derive(Clone, Debug, PartialEq)]
pub struct PfTable {
    /// Lines; the percent in it is unused.
    pub of: PercentOf,
    /// Bands in rising order without gaps from 0 to 1.
    pub bands: Vec<PfBand>,
}

/// A band: from its lower end, included, to its upper end, not included (but 1 is).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PfBand {
    /// Lower end.
    pub from_pf: f64,
    /// Upper end.
    pub to_pf: f64,
    /// Percent.
    pub percent: Decimal,
}
