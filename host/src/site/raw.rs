//! The site file as it is written, and its way to a checked [`Site`].

use super::plant;
use super::uncertainty::UncertaintySection;
use super::writing::{Dates, Numbers, Paper, WritingTerms};
use super::{
    Apparent, DemandKind, DemandTerms, PowerFactorTerms, Site, Supply, VerdictTerms, WorkingHours,
};
use crate::analyse::bill::meter::{Meter, MeterReading};
use crate::watch::config::WatchTerms;
use jiff::civil::DateTime;
use jiff::tz::TimeZone;
use serde::Deserialize;
use std::collections::BTreeMap;
use toml::Spanned;
use wattless_core::demand::{DemandError, DemandRule};
use wattless_core::wiring::Wiring;

/// What is wrong, and where in the text.
pub(super) struct Fault {
    pub(super) at: Option<usize>,
    pub(super) message: String,
}

pub(super) type Entry<T> = Option<Spanned<T>>;

/// The file: a few names, then sections.
#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct SiteFile {
    name: Option<String>,
    feeder: Option<String>,
    time_zone: Entry<String>,
    #[serde(default)]
    supply: SupplySection,
    #[serde(default)]
    demand: DemandSection,
    #[serde(default)]
    power_factor: PowerFactorSection,
    #[serde(default)]
    working_hours: WorkingHoursSection,
    #[serde(default)]
    verdict: VerdictSection,
    #[serde(default)]
    watch: Option<Spanned<WatchTerms>>,
    #[serde(default)]
    report: ReportSection,
    transformer: Option<Spanned<plant::TransformerSection>>,
    source: Option<plant::SourceSection>,
    service_conductor: Option<Spanned<plant::ConductorSection>>,
    #[serde(default)]
    motor: Vec<Spanned<plant::MotorSection>>,
    #[serde(default)]
    group: Vec<Spanned<plant::GroupSection>>,
    #[serde(default)]
    correction: plant::CorrectionSection,
    #[serde(default)]
    economics: plant::EconomicsSection,
    meter: Option<MeterSection>,
    #[serde(default)]
    installed: Vec<super::installed::InstalledSection>,
    #[serde(default)]
    uncertainty: UncertaintySection,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct MeterSection {
    number: Option<String>,
    class_active_pct: Entry<f64>,
    class_reactive_pct: Entry<f64>,
    node_active_pct: Entry<f64>,
    node_reactive_pct: Entry<f64>,
    multiplier: Entry<f64>,
    digit: Entry<f64>,
    #[serde(default)]
    reading: Vec<ReadingSection>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ReadingSection {
    at: Spanned<String>,
    kwh: Spanned<f64>,
    kvarh: Entry<f64>,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct SupplySection {
    line_voltage_v: Entry<f64>,
    frequency_hz: Entry<f64>,
    wiring: Entry<String>,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct DemandSection {
    kind: Entry<String>,
    interval_min: Entry<u32>,
    sub_interval_min: Entry<u32>,
    apparent_power: Entry<String>,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct PowerFactorSection {
    target: Entry<f64>,
    counts_from_share: Entry<f64>,
    no_load_share: Entry<f64>,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct WorkingHoursSection {
    days: Option<Vec<Spanned<String>>>,
    from_h: Entry<u8>,
    to_h: Entry<u8>,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct VerdictSection {
    kvar_share: Entry<f64>,
    low_demand_kvar_share: Entry<f64>,
    tolerated_time_share: Entry<f64>,
    present_share: Entry<f64>,
    hours_of_week: Entry<u32>,
    doubtful_share: Entry<f64>,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct ReportSection {
    numbers: Entry<String>,
    dates: Entry<String>,
    paper: Entry<String>,
    currency: Option<String>,
    prepared_by: Option<String>,
}

/// Names of the days in files, Monday first.
const DAYS: [&str; 7] = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"];

pub(super) fn parse(text: &str) -> Result<Site, Fault> {
    let file: SiteFile = toml::from_str(text).map_err(|e| {
        let what = e
            .message()
            .trim()
            .replace('\n', ", ")
            .replace("expected u32", "expected a whole number")
            .replace("expected u16", "expected a whole number up to 65535")
            .replace("expected struct WatchTerms", "expected a section")
            .replace("expected struct AlarmTerms", "expected a section")
            .replace("expected struct MqttTerms", "expected a section")
            .replace("expected u8", "expected a small whole number")
            .replace("expected f64", "expected a number");
        let cure = if what.starts_with("unknown field") {
            "correct the name or remove the entry"
        } else {
            "correct the entry"
        };
        Fault { at: e.span().map(|s| s.start), message: format!("{what}; {cure}") }
    })?;
    if let Some(watch) = &file.watch {
        watch.get_ref().check().map_err(|e| {
            let at = e.entry().and_then(|way| place(text, &way));
            Fault { at: at.or(Some(watch.span().start)), message: e.to_string() }
        })?;
    }
    file.resolve()
}

/// Where the key at the end of a way through sections stands; empty names end the way.
fn place(text: &str, way: &[&str]) -> Option<usize> {
    let whole = toml::de::DeTable::parse(text).ok()?;
    let (mut table, mut at) = (whole.get_ref(), None);
    for name in way.iter().filter(|name| !name.is_empty()) {
        let (key, value) = table.iter().find(|(key, _)| key.get_ref().as_ref() == *name)?;
        at = Some(key.span().start);
        let toml::de::DeValue::Table(inner) = value.get_ref() else { break };
        table = inner;
    }
    at
}

impl SiteFile {
    /// Defaults only, which always pass.
    pub(super) fn resolve_defaults(self) -> Site {
        match self.resolve() {
            Ok(site) => site,
            Err(fault) => unreachable!("the defaults pass their own checks: {}", fault.message),
        }
    }

    fn resolve(self) -> Result<Site, Fault> {
        let mut assumed = Vec::new();
        let (time_zone_name, time_zone) = match &self.time_zone {
            None => {
                assumed.push("times are UTC (set time_zone)".to_owned());
                ("UTC".to_owned(), TimeZone::UTC)
            }
            Some(name) => {
                let zone = TimeZone::get(name.get_ref()).map_err(|_| {
                    fault(name, format!(
                        "time zone {:?} is not known; use an IANA name such as \"Europe/Berlin\" or \"America/Chicago\"",
                        name.get_ref()
                    ))
                })?;
                (name.get_ref().clone(), zone)
            }
        };
        let meter = self.meter.map(|m| m.resolve(&time_zone)).transpose()?;
        let supply = self.supply.resolve()?;
        Ok(Site {
            meter,
            name: self.name,
            feeder: self.feeder,
            time_zone,
            time_zone_name,
            installed: super::installed::resolve(self.installed, &supply)?,
            supply,
            demand: self.demand.resolve(&mut assumed)?,
            power_factor: self.power_factor.resolve(&mut assumed)?,
            hours_stated: self.working_hours.is_stated(),
            working_hours: self.working_hours.resolve(&mut assumed)?,
            watch: self.watch.map(Spanned::into_inner).unwrap_or_default(),
            verdict: self.verdict.resolve()?,
            writing: self.report.resolve()?,
            plant: plant::Sections {
                transformer: self.transformer,
                source: self.source,
                service_conductor: self.service_conductor,
                motor: self.motor,
                group: self.group,
                correction: self.correction,
                economics: self.economics,
            }
            .resolve()?,
            uncertainty: self.uncertainty.resolve()?,
            assumed,
        })
    }
}

impl SupplySection {
    fn resolve(self) -> Result<Supply, Fault> {
        let wiring = self
            .wiring
            .map(|w| {
                Wiring::from_name(w.get_ref()).ok_or_else(|| {
                    let names = Wiring::ALL.map(Wiring::name).join(", ");
                    fault(&w, format!("wiring {:?} is not known; use one of {names}", w.get_ref()))
                })
            })
            .transpose()?;
        let line_voltage_v = checked(
            self.line_voltage_v,
            |v| v > 0.0 && v.is_finite(),
            |v| {
                format!(
                    "line_voltage_v = {v} makes no sense; give a positive number of volts between lines"
                )
            },
        )?;
        let frequency_hz = checked(
            self.frequency_hz,
            |f| f == 50.0 || f == 60.0,
            |f| format!("frequency_hz = {f} is not supported; give 50 or 60"),
        )?;
        Ok(Supply { line_voltage_v, frequency_hz, wiring })
    }
}

impl DemandSection {
    fn resolve(self, assumed: &mut Vec<String>) -> Result<DemandTerms, Fault> {
        let kind = one_of(
            &self.kind,
            "demand kind",
            &[("block", DemandKind::Block), ("sliding", DemandKind::Sliding)],
        )?;
        let apparent = one_of(
            &self.apparent_power,
            "apparent_power",
            &[Apparent::Vector, Apparent::Arithmetic, Apparent::Effective].map(|a| (a.name(), a)),
        )?;
        let interval_min = value(&self.interval_min).unwrap_or(15);
        // Where the file does not say, a third of the interval: 5 minutes of 15.
        let sub_min = value(&self.sub_interval_min).unwrap_or(if interval_min.is_multiple_of(3) {
            interval_min / 3
        } else {
            interval_min
        });
        let refuse = |e: DemandError| {
            let at = match e {
                DemandError::Sub => self.sub_interval_min.as_ref().or(self.interval_min.as_ref()),
                DemandError::Interval => self.interval_min.as_ref(),
            };
            Fault {
                at: at.map(|s| s.span().start),
                message: format!("{e}; correct interval_min or sub_interval_min"),
            }
        };
        let seconds = |min: u32| min.saturating_mul(60);
        let (interval_s, sub_interval_s) = (seconds(interval_min), seconds(sub_min));
        DemandRule::block(interval_s).map_err(refuse)?;
        DemandRule::sliding(interval_s, sub_interval_s).map_err(refuse)?;
        if self.interval_min.is_none() || kind.is_none() {
            assumed.push(format!(
                "demand is the mean over {} of {interval_min} min (set demand.kind, demand.interval_min)",
                if kind == Some(DemandKind::Sliding) { "sliding intervals" } else { "clock blocks" },
            ));
        }
        if apparent.is_none() {
            assumed
                .push("kVA is the vector sqrt(kW² + kvar²) (set demand.apparent_power)".to_owned());
        }
        Ok(DemandTerms {
            kind: kind.unwrap_or(DemandKind::Block),
            interval_s,
            sub_interval_s,
            apparent: apparent.unwrap_or(Apparent::Vector),
        })
    }
}

impl PowerFactorSection {
    fn resolve(self, assumed: &mut Vec<String>) -> Result<PowerFactorTerms, Fault> {
        if self.target.is_none() {
            assumed.push("the target power factor is 0.95 (set power_factor.target)".to_owned());
        }
        let target = checked(
            self.target,
            |x| x > 0.0 && x <= 1.0,
            |x| {
                format!(
                    "target = {x} is not a power factor; give a number above 0 and up to 1, such as 0.95"
                )
            },
        )?;
        Ok(PowerFactorTerms {
            target: target.unwrap_or(0.95),
            counts_from_share: share("counts_from_share", self.counts_from_share)?.unwrap_or(0.25),
            no_load_share: share("no_load_share", self.no_load_share)?.unwrap_or(0.01),
        })
    }
}

impl WorkingHoursSection {
    fn is_stated(&self) -> bool {
        self.days.is_some() || self.from_h.is_some() || self.to_h.is_some()
    }

    fn resolve(self, assumed: &mut Vec<String>) -> Result<WorkingHours, Fault> {
        if !self.is_stated() {
            assumed.push("working hours are Mon to Fri, 06 to 18 h (set working_hours)".to_owned());
        }
        let mut days = [true, true, true, true, true, false, false];
        if let Some(list) = self.days {
            days = [false; 7];
            for name in list {
                let day = DAYS.iter().position(|d| d == name.get_ref()).ok_or_else(|| {
                    let known = DAYS.join(", ");
                    fault(&name, format!("day {:?} is not known; use {known}", name.get_ref()))
                })?;
                days[day] = true;
            }
        }
        let from_h = checked(
            self.from_h,
            |h| h < 24,
            |h| format!("from_h = {h} is not an hour; give 0 to 23"),
        )?
        .unwrap_or(6);
        let to_h = checked(
            self.to_h,
            |h| h > from_h && h <= 24,
            |h| format!("to_h = {h} must be after from_h = {from_h} and at most 24"),
        )?
        .unwrap_or(18.max(from_h + 1));
        Ok(WorkingHours { days, from_h, to_h })
    }
}

impl VerdictSection {
    fn resolve(self) -> Result<VerdictTerms, Fault> {
        let hours_of_week = checked(
            self.hours_of_week,
            |h| (1..=168).contains(&h),
            |h| format!("hours_of_week = {h} cannot be; give 1 to 168"),
        )?;
        Ok(VerdictTerms {
            kvar_share: share("kvar_share", self.kvar_share)?.unwrap_or(0.05),
            low_demand_kvar_share: share("low_demand_kvar_share", self.low_demand_kvar_share)?
                .unwrap_or(0.10),
            tolerated_time_share: share("tolerated_time_share", self.tolerated_time_share)?
                .unwrap_or(0.10),
            present_share: share("present_share", self.present_share)?.unwrap_or(0.90),
            hours_of_week: hours_of_week.unwrap_or(160),
            doubtful_share: share("doubtful_share", self.doubtful_share)?.unwrap_or(0.10),
        })
    }
}

impl ReportSection {
    fn resolve(self) -> Result<WritingTerms, Fault> {
        Ok(WritingTerms {
            numbers: one_of(&self.numbers, "way of numbers", &Numbers::ALL.map(|x| (x.name(), x)))?,
            dates: one_of(&self.dates, "way of dates", &Dates::ALL.map(|x| (x.name(), x)))?,
            paper: one_of(
                &self.paper,
                "paper",
                &[Paper::A4, Paper::Letter].map(|x| (x.name(), x)),
            )?,
            currency: self.currency.filter(|c| !c.trim().is_empty()),
            prepared_by: self.prepared_by.filter(|c| !c.trim().is_empty()),
        })
    }
}

impl MeterSection {
    fn resolve(self, zone: &TimeZone) -> Result<Meter, Fault> {
        let default = Meter::default();
        let positive = |name: &str, entry: Entry<f64>| {
            let good = |x: f64| x > 0.0 && x.is_finite();
            checked(entry, good, |x| format!("{name} = {x} makes no sense; give a number above 0"))
        };
        let mut readings: Vec<MeterReading> = Vec::new();
        for r in self.reading {
            let at_ms = r.at.get_ref().parse::<DateTime>().ok().and_then(|t| {
                let zoned = t.to_zoned_datetime(zone.clone()).ok()?;
                Some(zoned.timestamp().as_millisecond())
            });
            let Some(at_ms) = at_ms else {
                let message = format!(
                    "at = {:?} is no local time; write \"2026-03-02T00:00\"",
                    r.at.get_ref()
                );
                return Err(fault(&r.at, message));
            };
            if readings.last().is_some_and(|b| b.at_ms >= at_ms) {
                return Err(fault(&r.at, "readings must be in order of time".to_owned()));
            }
            let register = |name: &str, entry: Entry<f64>| {
                checked(
                    entry,
                    |x| x >= 0.0 && x.is_finite(),
                    |x| format!("{name} = {x} is no register; give 0 or more"),
                )
            };
            let kwh = register("kwh", Some(r.kwh))?.unwrap_or(0.0);
            readings.push(MeterReading { at_ms, kwh, kvarh: register("kvarh", r.kvarh)? });
        }
        let or = |x: Option<f64>, default: f64| x.unwrap_or(default);
        Ok(Meter {
            number: self.number,
            class_active_pct: or(
                positive("class_active_pct", self.class_active_pct)?,
                default.class_active_pct,
            ),
            class_reactive_pct: or(
                positive("class_reactive_pct", self.class_reactive_pct)?,
                default.class_reactive_pct,
            ),
            node_active_pct: or(
                positive("node_active_pct", self.node_active_pct)?,
                default.node_active_pct,
            ),
            node_reactive_pct: or(
                positive("node_reactive_pct", self.node_reactive_pct)?,
                default.node_reactive_pct,
            ),
            multiplier: or(positive("multiplier", self.multiplier)?, default.multiplier),
            digit: or(positive("digit", self.digit)?, default.digit),
            readings,
        })
    }
}

pub(super) fn value<T: Copy>(entry: &Entry<T>) -> Option<T> {
    entry.as_ref().map(|e| *e.get_ref())
}

pub(super) fn fault<T>(entry: &Spanned<T>, message: String) -> Fault {
    Fault { at: Some(entry.span().start), message }
}

pub(super) fn checked<T: Copy>(
    entry: Entry<T>,
    good: impl Fn(T) -> bool,
    message: impl Fn(T) -> String,
) -> Result<Option<T>, Fault> {
    match entry {
        None => Ok(None),
        Some(e) if good(*e.get_ref()) => Ok(Some(*e.get_ref())),
        Some(e) => Err(fault(&e, message(*e.get_ref()))),
    }
}

pub(super) fn share(name: &str, entry: Entry<f64>) -> Result<Option<f64>, Fault> {
    checked(
        entry,
        |x| (0.0..=1.0).contains(&x),
        |x| format!("{name} = {x} is not a share; give a number from 0 to 1"),
    )
}

pub(super) fn one_of<T: Copy>(
    entry: &Entry<String>,
    what: &str,
    known: &[(&str, T)],
) -> Result<Option<T>, Fault> {
    let Some(word) = entry else { return Ok(None) };
    let by_name: BTreeMap<&str, T> = known.iter().copied().collect();
    match by_name.get(word.get_ref().as_str()) {
        Some(x) => Ok(Some(*x)),
        None => {
            let names: Vec<String> = known.iter().map(|(n, _)| format!("{n:?}")).collect();
            Err(fault(
                word,
                format!("{what} {:?} is not known; use {}", word.get_ref(), names.join(" or ")),
            ))
        }
    }
}
