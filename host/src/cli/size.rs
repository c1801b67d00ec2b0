//! `wattless size`: arguments and printing.

use super::source::{self, local_time};
use super::{Outcome, print};
use anyhow::{Context, bail};
use jiff::civil::DateTime;
use jiff::tz::TimeZone;
use std::path::PathBuf;
use wattless::analyse::bill::past::PastBills;
use wattless::analyse::series::{LoadSeries, interval_csv};
use wattless::analyse::size::prices::PriceList;
use wattless::analyse::size::why::why;
use wattless::analyse::size::{Job, MOST, size};
use wattless::analyse::tariff::Tariff;
use wattless::collect::log::IntervalLog;
use wattless::collect::store::Store;
use wattless::present::size::{size_json, size_text, why_text};
use wattless::present::text::Style;
use wattless::site::Site;

/// Which correction pays: candidates replayed over the log, billed, checked, ranked
///
/// Puts the units and banks of your price list at motors, groups and the service, replays each
/// combination over every interval of the log, bills a year of it by the tariff, excludes what
/// breaks a limit (voltage, resonance, current, self-excitation, leading) and ranks the rest by
/// net present value. Doing nothing is always among them. What it knows of transformer,
/// conductors and motors comes from the site file.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Folder of the store that `wattless pull` fills
    #[arg(required_unless_present = "intervals", conflicts_with = "intervals")]
    store: Option<PathBuf>,
    /// Tariff file (TOML)
    #[arg(long, value_name = "FILE")]
    tariff: PathBuf,
    /// Price list (TOML)
    #[arg(long, value_name = "FILE")]
    prices: PathBuf,
    /// Site file (TOML): voltage, transformer, conductors, motors, terms
    #[arg(long, value_name = "FILE")]
    site: Option<PathBuf>,
    /// Interval data of the utility (CSV) instead of a store; without voltage
    #[arg(long, value_name = "FILE")]
    intervals: Option<PathBuf>,
    /// Past bills (CSV, as for `bill`): with twelve months of kWh the year follows them, instead of
    /// repeating the log
    #[arg(long, value_name = "FILE")]
    history: Option<PathBuf>,
    /// Node or feeder, where the store holds several
    #[arg(long, value_name = "NODE")]
    node: Option<String>,
    /// Only from this local time or date on, e.g. 2026-03-02 or 2026-03-02T06:00
    #[arg(long, value_name = "TIME", value_parser = local_time)]
    from: Option<DateTime>,
    /// Only up to this local time, or to the beginning of this date
    #[arg(long, value_name = "TIME", value_parser = local_time)]
    to: Option<DateTime>,
    /// Look at no more than so many candidates
    #[arg(long, value_name = "N", default_value_t = MOST, value_parser = at_least_one)]
    most: usize,
    /// Explain every figure of a candidate, such as C1
    #[arg(long, value_name = "CANDIDATE")]
    why: Option<String>,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

fn at_least_one(text: &str) -> Result<usize, String> {
    match text.parse() {
        Ok(n) if n > 0 => Ok(n),
        _ => Err("give a number from 1 on".into()),
    }
}

/// Runs the verb.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let tariff = Tariff::load(&args.tariff)?;
    let prices = PriceList::load(&args.prices)?;
    let mut site = source::site(args.site.as_deref())?;
    let zone = tariff.time_zone.as_ref().map_or(&site.time_zone, |z| &z.1).clone();
    let (log, series, source) = load(args, &mut site, &tariff, &zone)?;
    let history = match &args.history {
        Some(path) => PastBills::load(path, &tariff, &zone)?.quantities(),
        None => Vec::new(),
    };
    let job = Job {
        log: log.as_ref(),
        series: &series,
        site: &site,
        tariff: &tariff,
        prices: &prices,
        history: &history,
        most: args.most,
    };
    let sizing = size(&job).with_context(|| source.clone())?;
    let asked = match &args.why {
        None => None,
        Some(id) => Some(sizing.find(id).with_context(|| {
            let all = sizing.candidates.iter().chain(&sizing.excluded);
            let known: Vec<&str> = all.map(|c| c.id.as_str()).collect();
            format!("there is no candidate {id:?}; choose one of {}", known.join(", "))
        })?),
    };
    let text = match (args.json, asked) {
        (true, None) => format!("{:#}\n", size_json(&sizing)),
        (true, Some(c)) => {
            let value = serde_json::json!({ "candidate": c, "why": why(&sizing, c) });
            format!("{value:#}\n")
        }
        (false, None) => size_text(&sizing, Style::for_stdout()),
        (false, Some(c)) => why_text(&sizing, c, Style::for_stdout()),
    };
    print(&text)?;
    Ok(Outcome::Done)
}

/// The log and its series, with the name of where they came from.
fn load(
    args: &Args,
    site: &mut Site,
    tariff: &Tariff,
    zone: &TimeZone,
) -> anyhow::Result<(Option<IntervalLog>, LoadSeries, String)> {
    let span = source::span(args.from, args.to, zone)?;
    if let Some(path) = &args.intervals {
        let series = interval_csv::load(path, tariff.step_s(), zone)?;
        let series = series.between(span.from_ms, span.to_ms);
        if series.is_empty() {
            bail!("no interval lies between --from and --to");
        }
        return Ok((None, series, path.display().to_string()));
    }
    let Some(folder) = &args.store else { bail!("give a store or --intervals") };
    let store = Store::open(folder)?;
    let node = source::node(&store, args.node.as_deref(), site)?;
    source::unplaced(&store, &node)?;
    let source = format!("{}, node {}", folder.display(), node.id);
    let log = store.read_log(node.id, span)?;
    let series = LoadSeries::of_log(&log, tariff.step_s(), tariff.demand.apparent)
        .with_context(|| source.clone())?;
    Ok((Some(log), series, source))
}
