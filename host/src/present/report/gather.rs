//! From a store to everything that a report stands on.

use super::connection::check_at_peak;
use super::traces::Traces;
use super::{ConnectionCheck, HarmonicsSeen, Material, NodeFacts, Report};
use crate::analyse::bill::extrapolate::{ExtrapolationError, Horizon, bill_extended};
use crate::analyse::bill::meter::Reconciliation;
use crate::analyse::bill::plan::PlanError;
use crate::analyse::bill::quantities::MonthQuantities;
use crate::analyse::bill::{Bill, bill};
use crate::analyse::culprit::{CulpritError, Culprits, NamedLog, culprits};
use crate::analyse::series::{LoadSeries, SeriesError};
use crate::analyse::size::prices::PriceList;
use crate::analyse::size::{Job, MOST, Sizing, size};
use crate::analyse::standing::{Keeper, StandingProof, Work};
use crate::analyse::survey::clock::HOUR_MS;
use crate::analyse::survey::{Survey, SurveyError, survey_with};
use crate::analyse::tariff::Tariff;
use crate::analyse::uncertainty::{SurveyUncertainty, survey_uncertainty};
use crate::analyse::verify::money::{Promised, Saved, SavedError, saved};
use crate::analyse::verify::{Terms, Verification, VerifyError, verify};
use crate::collect::chain::ChainReport;
use crate::collect::log::IntervalLog;
use crate::collect::store::{NodeInfo, Span, Store, StoreError};
use crate::present::locale::Locale;
use crate::site::Site;
use jiff::civil::Date;

/// Where a report's figures come from.
pub struct Sources<'a> {
    /// The store.
    pub store: &'a Store,
    /// The node of it.
    pub node: &'a NodeInfo,
    /// The stretch of time.
    pub span: Span,
    /// The site.
    pub site: &'a Site,
    /// The tariff; none means no money.
    pub tariff: Option<&'a Tariff>,
    /// How far the bill is extended by like days; none bills what was recorded.
    pub horizon: Option<Horizon>,
    /// The price list; none, or no tariff, means no candidates.
    pub prices: Option<&'a PriceList>,
    /// Bills before the log, for clauses that look back.
    pub history: &'a [MonthQuantities],
    /// When the correction was installed, Unix milliseconds: the report is on the time from then
    /// on, and compares it with the time before.
    pub installed_ms: Option<i64>,
    /// What stands beside the log.
    pub beside: Beside,
}

/// What a report can stand on beside one log; all of it may be absent.
#[derive(Default)]
pub struct Beside {
    /// What a sizing promised, to set against what is saved.
    pub promised: Option<Promised>,
    /// Logs of a service and its feeders, to tell which load draws the kvar.
    pub logs: Vec<NamedLog>,
}

/// Everything gathered for one report.
pub struct Gathered {
    /// The survey.
    pub survey: Survey,
    /// What the tariff makes of the log.
    pub bill: Option<Bill>,
    /// The log against the utility's meter.
    pub meter: Option<Reconciliation>,
    /// Candidate corrections.
    pub sizing: Option<Sizing>,
    /// Why there are none, where there was a price list.
    pub not_sized: Option<String>,
    /// Before and after.
    pub proof: Option<Verification>,
    /// The newest week against the week of the proof, where two weeks have gone since the work.
    pub standing: Option<StandingProof>,
    /// What the drop saves.
    pub saved: Option<Saved>,
    /// The feeders ranked.
    pub suspects: Option<Culprits>,
    /// What the chain over the log says.
    pub chain: ChainReport,
    /// What the headline figures are worth.
    pub worth: SurveyUncertainty,
    harmonics: Option<HarmonicsSeen>,
    traces: Traces,
    connection: Option<ConnectionCheck>,
    node: NodeFacts,
    simulated: bool,
}

/// Why a report cannot be made.
#[derive(Debug, thiserror::Error)]
pub enum GatherError {
    /// The store cannot be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The log cannot be surveyed.
    #[error(transparent)]
    Survey(#[from] SurveyError),
    /// The log cannot be billed.
    #[error(transparent)]
    Series(#[from] SeriesError),
    /// The tariff does not fit the log.
    #[error(transparent)]
    Plan(#[from] PlanError),
    /// The log cannot be extended.
    #[error(transparent)]
    Extend(#[from] ExtrapolationError),
    /// The meter's readings do not fit the log.
    #[error(transparent)]
    Meter(#[from] crate::analyse::bill::meter::MeterError),
    /// Before and after cannot be compared.
    #[error(transparent)]
    Verify(#[from] VerifyError),
    /// What the drop saves cannot be told.
    #[error(transparent)]
    Saved(#[from] SavedError),
    /// The feeders cannot be ranked.
    #[error(transparent)]
    Culprit(#[from] CulpritError),
}

/// Reads a store and analyses it.
pub fn gather(from: &Sources<'_>) -> Result<Gathered, GatherError> {
    let span = Span {
        from_ms: from.installed_ms.map_or(from.span.from_ms, |t| t.max(from.span.from_ms)),
        ..from.span
    };
    let (log, chain) = from.store.read_log_checked(from.node.id, span)?;
    let absent = from.store.gaps(from.node.id)?;
    let survey = survey_with(&log, from.site, &absent)?;
    let connection = check_at_peak(from.store, from.node.id, &survey, from.site)?;
    let Money { bill, meter, sizing, not_sized, series } = priced(&log, from)?;
    let proof = match from.installed_ms {
        None => None,
        Some(at) => {
            let before = Span { to_ms: at, ..from.span };
            let before = from.store.read_log(from.node.id, before)?;
            let units = from.site.installed.iter().map(|i| i.unit.clone()).collect();
            Some(verify(&before, &log, from.site, &Terms::new(units))?)
        }
    };
    let newest_ms = log.end_ms.last().copied();
    let standing = match (from.installed_ms, newest_ms) {
        (Some(at), Some(newest)) if newest - at >= TWO_WEEKS_MS => standing(from, at, newest)?,
        _ => None,
    };
    let saved = match (&proof, from.tariff, &series) {
        (Some(v), Some(tariff), Some(series)) => {
            let zone = zone_of(tariff, from.site);
            let promised = from.beside.promised.clone();
            Some(saved(v, series, tariff, zone, from.history, promised)?)
        }
        _ => None,
    };
    let suspects = match from.beside.logs.as_slice() {
        [] => None,
        logs => Some(culprits(logs, from.site)?),
    };
    Ok(Gathered {
        proof,
        standing,
        saved,
        suspects,
        sizing,
        not_sized,
        chain,
        worth: survey_uncertainty(&log, from.site, &survey),
        harmonics: harmonics(from, span, log.len(), &survey)?,
        traces: Traces::of(&log, from.site, &survey),
        bill,
        meter,
        connection,
        survey,
        node: NodeFacts {
            id: from.node.id.to_string(),
            hardware: from.node.hardware.clone(),
            firmware: from.node.firmware.clone(),
        },
        simulated: from.node.hardware == "bench",
    })
}

/// Time since the work from which on there is another week than that of the proof.
const TWO_WEEKS_MS: i64 = 14 * 24 * HOUR_MS;

fn standing(
    from: &Sources<'_>,
    installed_ms: i64,
    newest_ms: i64,
) -> Result<Option<StandingProof>, StoreError> {
    let work = Work::at(from.site, installed_ms);
    let share = from.site.watch.alarms.slow_loss_share;
    let Some(mut keeper) = Keeper::of(work, from.site, None, share) else {
        return Ok(None);
    };
    let mut read = |span| from.store.read_log(from.node.id, span);
    while keeper.advance(newest_ms, &mut read)? {}
    Ok(keeper.standing().cloned())
}

/// Records up to this number are all read for their harmonics; of longer logs those of the
/// peak's day.
const ALL_RECORDS: usize = 50_000;

fn harmonics(
    from: &Sources<'_>,
    span: Span,
    records: usize,
    survey: &Survey,
) -> Result<Option<HarmonicsSeen>, StoreError> {
    let day_ms = 24 * HOUR_MS;
    let peak = survey.demand.billed().and_then(|b| b.at_p_peak).map(|d| d.start.utc_ms);
    let span = match peak {
        Some(at) if records > ALL_RECORDS => {
            Span { from_ms: at - day_ms / 2, to_ms: at + day_ms / 2 }
        }
        _ => span,
    };
    let mut all = super::harmonics::Collector::default();
    for record in from.store.read_span(from.node.id, span)? {
        all.add(&record?.record);
    }
    Ok(all.finish())
}

/// What a tariff and a price list make of a log.
#[derive(Default)]
struct Money {
    bill: Option<Bill>,
    meter: Option<Reconciliation>,
    sizing: Option<Sizing>,
    not_sized: Option<String>,
    series: Option<LoadSeries>,
}

fn priced(log: &IntervalLog, from: &Sources<'_>) -> Result<Money, GatherError> {
    let meter = from.site.meter.as_ref().filter(|m| !m.readings.is_empty());
    if from.tariff.is_none() && meter.is_none() {
        return Ok(Money::default());
    }
    let step_s = from.tariff.map_or(from.site.demand.interval_s, Tariff::step_s);
    let apparent = from.tariff.map_or(from.site.demand.apparent, |t| t.demand.apparent);
    let series = LoadSeries::of_log(log, step_s, apparent)?;
    let meter = meter.map(|m| m.reconcile(&series)).transpose()?;
    let Some(tariff) = from.tariff else { return Ok(Money { meter, ..Money::default() }) };
    let zone = zone_of(tariff, from.site);
    let bill = match from.horizon {
        None => bill(&series, tariff, zone, from.history)?,
        Some(horizon) => bill_extended(&series, tariff, zone, from.history, horizon)?,
    };
    let job = |prices| Job {
        log: Some(log),
        series: &series,
        site: from.site,
        tariff,
        prices,
        history: from.history,
        most: MOST,
    };
    // A correction that cannot be sized must not cost the rest of the report.
    let (sizing, not_sized) = match from.prices.map(|prices| size(&job(prices))) {
        None => (None, None),
        Some(Ok(sizing)) => (Some(sizing), None),
        Some(Err(why)) => (None, Some(why.to_string())),
    };
    Ok(Money { bill: Some(bill), meter, sizing, not_sized, series: Some(series) })
}

fn zone_of<'a>(tariff: &'a Tariff, site: &'a Site) -> &'a jiff::tz::TimeZone {
    tariff.time_zone.as_ref().map_or(&site.time_zone, |z| &z.1)
}

impl Gathered {
    /// The report, dated.
    pub fn report(&self, site: &Site, made_on: Date) -> Report {
        let mut locale = Locale::of(site);
        if let Some(bill) = &self.bill {
            locale.currency = Some(bill.currency.clone());
        }
        Report::of(&Material {
            locale,
            site,
            survey: &self.survey,
            traces: &self.traces,
            node: Some(self.node.clone()),
            chain: Some(&self.chain),
            worth: Some(&self.worth),
            harmonics: self.harmonics.clone(),
            connection: self.connection.clone(),
            bill: self.bill.as_ref(),
            meter: self.meter.as_ref(),
            sizing: self.sizing.as_ref(),
            not_sized: self.not_sized.as_deref(),
            proof: self.proof.as_ref(),
            standing: self.standing.as_ref(),
            saved: self.saved.as_ref(),
            suspects: self.suspects.as_ref(),
            demand_limit_w: None,
            made_on,
            simulated: self.simulated,
        })
    }
}
