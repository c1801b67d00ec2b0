//! `wattless bill`: arguments and printing.

use super::source::{self, local_time, unix_ms};
use super::{Outcome, print};
use anyhow::{Context, bail};
use jiff::civil::DateTime;
use jiff::tz::TimeZone;
use std::path::{Path, PathBuf};
use wattless::analyse::bill::extrapolate::{Horizon, bill_extended};
use wattless::analyse::bill::meter::{MeterReading, Reconciliation};
use wattless::analyse::bill::past::PastBills;
use wattless::analyse::bill::{Bill, bill};
use wattless::analyse::series::{LoadSeries, interval_csv};
use wattless::analyse::tariff::Tariff;
use wattless::collect::store::Store;
use wattless::present::bill::{Heading, bill_json, bill_text, past_json, past_text};
use wattless::present::text::Style;
use wattless::site::Site;

/// What the tariff makes of the load: the bill line by line, its power-factor part apart
///
/// Of a store, of the utility's interval data (--intervals), or of past bills (--bills), which
/// are reproduced from their own figures. Each line shows the rule behind it. Time that is not
/// covered is never filled, unless --extrapolate asks for it.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Folder of the store that `wattless pull` fills
    #[arg(required_unless_present_any = ["intervals", "bills"], conflicts_with_all = ["intervals", "bills"])]
    store: Option<PathBuf>,
    /// Tariff file (TOML)
    #[arg(long, value_name = "FILE")]
    tariff: PathBuf,
    /// Site file (TOML)
    #[arg(long, value_name = "FILE")]
    site: Option<PathBuf>,
    /// Interval data of the utility (CSV): start or end, kw and kvar or kwh and kvarh
    #[arg(long, value_name = "FILE", conflicts_with = "bills")]
    intervals: Option<PathBuf>,
    /// Past bills (CSV), one row a month: month, kwh, kw, kva or kvar, pf, total, pf_charge
    #[arg(long, value_name = "FILE")]
    bills: Option<PathBuf>,
    /// Past bills of the months before (CSV, as for --bills): for ratchets, and, where they state
    /// the kWh of twelve months, for the seasons of an extrapolated year
    #[arg(long, value_name = "FILE", conflicts_with = "bills")]
    history: Option<PathBuf>,
    /// Node or feeder to bill, where the store holds several
    #[arg(long, value_name = "NODE")]
    node: Option<String>,
    /// Only from this local time or date on, e.g. 2026-03-02 or 2026-03-02T06:00
    #[arg(long, value_name = "TIME", value_parser = local_time)]
    from: Option<DateTime>,
    /// Only up to this local time, or to the beginning of this date
    #[arg(long, value_name = "TIME", value_parser = local_time)]
    to: Option<DateTime>,
    /// Extend the load by like days: month or year; says how, and how sure
    #[arg(long, value_name = "HORIZON", value_parser = horizon, conflicts_with = "bills")]
    extrapolate: Option<Horizon>,
    /// Registers of the utility's meter at the start: TIME,KWH[,KVARH]
    #[arg(long, value_name = "READING", requires = "meter_end", conflicts_with = "bills")]
    meter_start: Option<String>,
    /// Registers at the end
    #[arg(long, value_name = "READING", requires = "meter_start", conflicts_with = "bills")]
    meter_end: Option<String>,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

pub(super) fn horizon(text: &str) -> Result<Horizon, String> {
    match text {
        "month" => Ok(Horizon::Month),
        "year" => Ok(Horizon::Year),
        _ => Err("give month or year".into()),
    }
}

/// Runs the verb.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let tariff = Tariff::load(&args.tariff)?;
    let mut site = source::site(args.site.as_deref())?;
    let zone = tariff.time_zone.as_ref().map_or(&site.time_zone, |z| &z.1).clone();
    if let Some(path) = &args.bills {
        return past(args, path, &tariff, &site, &zone);
    }
    let history = match &args.history {
        Some(path) => PastBills::load(path, &tariff, &zone)?.quantities(),
        None => Vec::new(),
    };
    let (series, source) = match &args.intervals {
        Some(path) => {
            let s = interval_csv::load(path, tariff.step_s(), &zone)?;
            (cut(s, args, &zone)?, path.display().to_string())
        }
        None => stored(args, &mut site, &tariff, &zone)?,
    };
    let billed = bills(&series, &tariff, &zone, &history, args.extrapolate)
        .with_context(|| format!("{source}, {}", args.tariff.display()))?;
    let meter = reconciled(args, &site, &series, &zone)?;
    let heading = Heading::new(&site, &tariff, &zone);
    let text = if args.json {
        format!("{:#}\n", bill_json(&billed, meter.as_ref(), &heading))
    } else {
        bill_text(&billed, meter.as_ref(), &heading, Style::for_stdout())
    };
    print(&text)?;
    Ok(Outcome::Done)
}

fn bills(
    series: &LoadSeries,
    tariff: &Tariff,
    zone: &TimeZone,
    history: &[wattless::analyse::bill::quantities::MonthQuantities],
    extrapolate: Option<Horizon>,
) -> anyhow::Result<Bill> {
    Ok(match extrapolate {
        Some(horizon) => bill_extended(series, tariff, zone, history, horizon)?,
        None => bill(series, tariff, zone, history)?,
    })
}

fn past(
    args: &Args,
    path: &Path,
    tariff: &Tariff,
    site: &Site,
    zone: &TimeZone,
) -> anyhow::Result<Outcome> {
    let again = PastBills::load(path, tariff, zone)?.reproduce(tariff);
    let heading = Heading::new(site, tariff, zone);
    let text = if args.json {
        format!("{:#}\n", past_json(&again, &heading))
    } else {
        past_text(&again, &heading, Style::for_stdout())
    };
    print(&text)?;
    Ok(Outcome::Done)
}

/// A load of a store, with the name of where it came from.
fn stored(
    args: &Args,
    site: &mut Site,
    tariff: &Tariff,
    zone: &TimeZone,
) -> anyhow::Result<(LoadSeries, String)> {
    let Some(folder) = &args.store else { bail!("give a store, --intervals or --bills") };
    let store = Store::open(folder)?;
    let node = source::node(&store, args.node.as_deref(), site)?;
    source::unplaced(&store, &node)?;
    let source = format!("{}, node {}", folder.display(), node.id);
    let powers = store.read_powers(
        node.id,
        source::span(args.from, args.to, zone)?,
        tariff.demand.apparent,
    )?;
    let series = LoadSeries::of_powers(&powers, tariff.step_s()).with_context(|| source.clone())?;
    Ok((series, source))
}

/// The part of a series between --from and --to.
fn cut(series: LoadSeries, args: &Args, zone: &TimeZone) -> anyhow::Result<LoadSeries> {
    let span = source::span(args.from, args.to, zone)?;
    let cut = series.between(span.from_ms, span.to_ms);
    if cut.is_empty() {
        bail!("no interval lies between --from and --to");
    }
    Ok(cut)
}

/// The utility's meter against the load, where its registers are given.
fn reconciled(
    args: &Args,
    site: &Site,
    series: &LoadSeries,
    zone: &TimeZone,
) -> anyhow::Result<Option<Reconciliation>> {
    let mut meter = site.meter.clone().unwrap_or_default();
    if let (Some(a), Some(b)) = (&args.meter_start, &args.meter_end) {
        meter.readings = vec![reading(a, zone)?, reading(b, zone)?];
    }
    if meter.readings.is_empty() {
        return Ok(None);
    }
    Ok(Some(meter.reconcile(series)?))
}

fn reading(text: &str, zone: &TimeZone) -> anyhow::Result<MeterReading> {
    let help = || format!("{text:?} is no reading; write 2026-03-02T00:00,48213.5,20331.0");
    let mut parts = text.split(',').map(str::trim);
    let time = parts.next().and_then(|t| local_time(t).ok()).with_context(help)?;
    let mut number =
        || parts.next().map(|x| x.parse::<f64>().ok().filter(|x| *x >= 0.0).with_context(help));
    let kwh = number().with_context(help)??;
    let kvarh = number().transpose()?;
    let at_ms = unix_ms(Some(time), zone)?.with_context(help)?;
    Ok(MeterReading { at_ms, kwh, kvarh })
}
