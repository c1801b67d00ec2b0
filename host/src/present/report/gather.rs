//! From a store to everything that a report stands on.

use super::connection::check_at_peak;
use super::traces::Traces;
use super::{ConnectionCheck, Material, NodeFacts, Report};
use crate::analyse::bill::Bill;
use crate::analyse::bill::plan::{PlanError, determinants};
use crate::analyse::bill::price::price;
use crate::analyse::series::{LoadSeries, SeriesError};
use crate::analyse::survey::{Survey, SurveyError, survey_with};
use crate::analyse::tariff::Tariff;
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
}

/// Everything gathered for one report.
pub struct Gathered {
    /// The survey.
    pub survey: Survey,
    /// What the tariff makes of the log.
    pub bill: Option<Bill>,
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
}

/// Reads a store and analyses it.
pub fn gather(from: &Sources<'_>) -> Result<Gathered, GatherError> {
    let log = from.store.read_log(from.node.id, from.span)?;
    let absent = from.store.gaps(from.node.id)?;
    let survey = survey_with(&log, from.site, &absent)?;
    let connection = check_at_peak(from.store, from.node.id, &survey, from.site)?;
    Ok(Gathered {
        traces: Traces::of(&log, from.site, &survey),
        bill: from.tariff.map(|t| priced(&log, from.site, t)).transpose()?,
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

/// What a tariff makes of a log.
fn priced(log: &IntervalLog, site: &Site, tariff: &Tariff) -> Result<Bill, GatherError> {
    let series = LoadSeries::of_log(log, tariff.step_s(), tariff.demand.apparent)?;
    let months = determinants(&series, tariff, &site.time_zone)?;
    Ok(price(tariff, &months, &[]))
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
            connection: self.connection.clone(),
            bill: self.bill.as_ref(),
            demand_limit_w: None,
            made_on,
            simulated: self.simulated,
        })
    }
}
