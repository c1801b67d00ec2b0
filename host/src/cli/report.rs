//! `wattless report`: arguments and printing.

use super::{Outcome, print};
use anyhow::{Context, bail};
use std::path::{Path, PathBuf};
use wattless::analyse::survey::survey_with;
use wattless::collect::store::{Span, Store};
use wattless::present::locale::Locale;
use wattless::present::report::traces::Traces;
use wattless::present::report::{
    Material, NodeFacts, Report, charts_text, html, json, summary_text,
};
use wattless::present::text::Style;
use wattless::site::Site;

/// The written report: one page for the owner, the rest for the engineer who checks it
///
/// Writes one self-contained HTML file, and a PDF where the program was built with it. What the
/// log, the tariff, the price list and a second log do not hold is left out, with a sentence how
/// to get it.
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
    /// Where to write: NAME.html, and NAME.pdf beside it
    #[arg(long, short, value_name = "NAME", default_value = "report")]
    output: PathBuf,
    /// Print every chart in characters as well
    #[arg(long)]
    charts: bool,
    /// Print the report's data as one JSON object
    #[arg(long)]
    json: bool,
}

/// Runs the verb.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let mut site = match &args.site {
        Some(path) => Site::load(path)?,
        None => Site::default(),
    };
    let store = Store::open(&args.store)?;
    let node = store.choose(args.node.as_deref())?;
    if site.feeder.is_none() && !node.feeder.is_empty() {
        site.feeder = Some(node.feeder.clone());
    }
    let log = store.read_log(node.id, Span::ALL)?;
    let gaps = store.gaps(node.id)?;
    let survey = survey_with(&log, &site, &gaps)?;
    let traces = Traces::of(&log, &site, &survey);
    let material = Material {
        locale: Locale::of(&site),
        site: &site,
        survey: &survey,
        traces: &traces,
        node: Some(NodeFacts {
            id: node.id.to_string(),
            hardware: node.hardware.clone(),
            firmware: node.firmware.clone(),
        }),
        connection: None,
        demand_limit_w: None,
        made_on: jiff::Timestamp::now().to_zoned_datetime(site.time_zone.clone()).date(),
        simulated: node.hardware == "bench",
    };
    let report = Report::of(&material);
    let file = args.output.with_extension("html");
    write(&file, html::html(&report).as_bytes())?;
    let text = if args.json {
        format!("{:#}\n", json::report_json(&report))
    } else {
        let charts = if args.charts { charts_text(&report, Style::for_stdout()) } else { String::new() };
        format!("{}{charts}\n{}\n", summary_text(&report, Style::for_stdout()), file.display())
    };
    print(&text)?;
    Ok(Outcome::Done)
}

fn write(path: &Path, bytes: &[u8]) -> anyhow::Result<()> {
    if path.is_dir() {
        bail!("{}: is a folder; give another name with --output", path.display());
    }
    std::fs::write(path, bytes).with_context(|| format!("{}: cannot be written", path.display()))
}
