//! `wattless report`: arguments and printing.

use super::bill::horizon;
use super::feeders::Feeders;
use super::source::{self, local_time, unix_ms};
use super::{Outcome, print};
use anyhow::Context;
use jiff::civil::DateTime;
use std::path::{Path, PathBuf};
use wattless::analyse::bill::extrapolate::Horizon;
use wattless::analyse::bill::past::PastBills;
use wattless::analyse::size::prices::PriceList;
use wattless::analyse::tariff::Tariff;
use wattless::analyse::verify::money::Promised;
use wattless::collect::store::{Span, Store};
use wattless::present::report::gather::{Beside, Sources, gather};
use wattless::present::report::{Report, charts_text, html, json, summary_text};
use wattless::present::text::Style;

/// The written report: one page for the owner, the rest for the engineer who checks it
///
/// Writes one self-contained HTML file, and a PDF where the program was built with it. What the
/// log, the tariff and the other sources do not hold is left out, with a sentence how to get it.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Folder of the store that `wattless pull` fills
    store: PathBuf,
    /// Node or feeder to report on, where the store holds several
    #[arg(long, value_name = "NODE")]
    node: Option<String>,
    /// Site file (TOML)
    #[arg(long, value_name = "FILE")]
    site: Option<PathBuf>,
    /// Tariff file (TOML): without it the report has no money
    #[arg(long, value_name = "FILE")]
    tariff: Option<PathBuf>,
    /// Price list (TOML): without it there are no candidates
    #[arg(long, value_name = "FILE", requires = "tariff")]
    prices: Option<PathBuf>,
    /// Extend the bill by like days: month or year; the report says how, and how sure
    #[arg(long, value_name = "HORIZON", value_parser = horizon, requires = "tariff")]
    extrapolate: Option<Horizon>,
    /// Past bills of the months before (CSV, as for `bill`): for ratchets, and, where they state
    /// the kWh of twelve months, for the seasons of an extrapolated year
    #[arg(long, value_name = "FILE", requires = "tariff")]
    history: Option<PathBuf>,
    /// When the correction was installed: the report is on the time from then on, and compares it
    /// with the time before; units are the [[installed]] ones of the site file
    #[arg(long, value_name = "TIME", value_parser = local_time)]
    installed_on: Option<DateTime>,
    /// What was promised: the file that `wattless size --json` wrote, to set against what is saved
    #[arg(long, value_name = "FILE", requires = "installed_on")]
    sizing: Option<PathBuf>,
    /// The candidate of that file that was installed; else the recommended one
    #[arg(long, value_name = "ID", requires = "sizing")]
    candidate: Option<String>,
    /// More stores with feeders, to tell which load draws the kvar; where a store holds several
    /// nodes, they are told apart without this
    #[arg(long, value_name = "STORE")]
    feeders: Vec<PathBuf>,
    /// Node or feeder that is the service, upstream of the others
    #[arg(long, value_name = "NODE")]
    service: Option<String>,
    /// Only from this local time or date on, e.g. 2026-03-02 or 2026-03-02T06:00
    #[arg(long, value_name = "TIME", value_parser = local_time)]
    from: Option<DateTime>,
    /// Only up to this local time, or to the beginning of this date
    #[arg(long, value_name = "TIME", value_parser = local_time)]
    to: Option<DateTime>,
    /// Where to write: NAME.html, and NAME.pdf beside it
    #[arg(long, short, value_name = "NAME", default_value = "report")]
    output: PathBuf,
    /// Print every chart in characters as well
    #[arg(long, conflicts_with = "json")]
    charts: bool,
    /// Print the report's data as one JSON object
    #[arg(long)]
    json: bool,
}

/// Runs the verb.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let mut site = source::site(args.site.as_deref())?;
    let tariff = args.tariff.as_deref().map(Tariff::load).transpose()?;
    let prices = args.prices.as_deref().map(PriceList::load).transpose()?;
    let store = Store::open(&args.store)?;
    let node = source::node(&store, args.node.as_deref(), &mut site)?;
    let span = source::span(args.from, args.to, &site.time_zone)?;
    let history = match (&args.history, &tariff) {
        (Some(path), Some(t)) => {
            let zone = t.time_zone.as_ref().map_or(&site.time_zone, |z| &z.1);
            PastBills::load(path, t, zone)?.quantities()
        }
        _ => Vec::new(),
    };
    let sources = Sources {
        store: &store,
        node: &node,
        span,
        site: &site,
        tariff: tariff.as_ref(),
        horizon: args.extrapolate,
        prices: prices.as_ref(),
        history: &history,
        installed_ms: unix_ms(args.installed_on, &site.time_zone)?,
        beside: beside(args, &store, span)?,
    };
    let gathered =
        gather(&sources).with_context(|| format!("{}, node {}", args.store.display(), node.id))?;
    let today = jiff::Timestamp::now().to_zoned_datetime(site.time_zone.clone()).date();
    let report = gathered.report(&site, today);
    let files = write_files(&report, &args.output)?;
    let text = if args.json {
        let mut value = json::report_json(&report);
        let names = files.iter().map(|f| f.display().to_string());
        value["files"] = names.collect::<Vec<_>>().into();
        format!("{value:#}\n")
    } else {
        let style = Style::for_stdout();
        let charts = if args.charts { charts_text(&report, style) } else { String::new() };
        format!("{}{charts}\n{}", summary_text(&report, style), written(&files))
    };
    print(&text)?;
    Ok(Outcome::Done)
}

/// What stands beside the log: a promise, and the logs of feeders where there are several.
fn beside(args: &Args, store: &Store, span: Span) -> anyhow::Result<Beside> {
    let promised = match &args.sizing {
        Some(file) => Some(Promised::load(file, args.candidate.as_deref())?),
        None => None,
    };
    let others: Vec<Store> =
        args.feeders.iter().map(|p| Ok(Store::open(p)?)).collect::<anyhow::Result<_>>()?;
    let feeders = Feeders::of(std::iter::once(store).chain(&others))?;
    let mut logs = Vec::new();
    if feeders.are_several() {
        logs = feeders.logs(args.service.as_deref(), span)?;
        // A node without a record in this time says nothing, and does not stop the report.
        logs.retain(|l| !l.log.is_empty());
    } else if let Some(asked) = &args.service {
        feeders.find(asked)?;
    }
    Ok(Beside { promised, logs: if logs.len() > 1 { logs } else { Vec::new() } })
}

/// Which files there are, and how to get the one that is missing.
pub fn written(files: &[PathBuf]) -> String {
    let mut out = String::new();
    for file in files {
        out.push_str(&format!("Written: {}\n", file.display()));
    }
    if cfg!(not(feature = "pdf")) {
        out.push_str(
            "No PDF: this program was built without it. Print the HTML file to PDF, or build\n\
             with `cargo build --release --features pdf`: it takes minutes the first time.\n",
        );
    }
    out
}

/// Writes the report beside each other in every form that this program can.
pub fn write_files(report: &Report, output: &Path) -> anyhow::Result<Vec<PathBuf>> {
    let mut files = Vec::new();
    let file = named(output, "html");
    write(&file, html::html(report).as_bytes())?;
    files.push(file);
    #[cfg(feature = "pdf")]
    {
        let file = named(output, "pdf");
        write(&file, &wattless::present::report::pdf::pdf(report)?)?;
        files.push(file);
    }
    Ok(files)
}

/// The name with an ending; one of the two endings that is already there is replaced.
fn named(output: &Path, ending: &str) -> PathBuf {
    match output.extension().and_then(|e| e.to_str()) {
        Some("html" | "pdf") => output.with_extension(ending),
        _ => {
            let mut name = output.as_os_str().to_owned();
            name.push(".");
            name.push(ending);
            name.into()
        }
    }
}

fn write(path: &Path, bytes: &[u8]) -> anyhow::Result<()> {
    std::fs::write(path, bytes)
        .with_context(|| format!("{}: cannot be written; check --output", path.display()))
}
