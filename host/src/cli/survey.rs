//! `wattless survey`: arguments and printing.

use super::source::{self, local_time};
use super::{Outcome, print};
use anyhow::Context;
use jiff::civil::DateTime;
use std::path::PathBuf;
use wattless::analyse::reread::{AsIf, reread_log};
use wattless::analyse::survey::survey_with;
use wattless::analyse::uncertainty::survey_uncertainty;
use wattless::collect::drift::drift;
use wattless::collect::store::Store;
use wattless::present::chain::{chain_json, chain_text, chain_warning};
use wattless::present::survey::{survey_json, survey_text};
use wattless::present::text::Style;
use wattless::present::worth;

/// The week: completeness, demand, energy, power factor, and the verdict
///
/// Says whether the power factor is good, bad but not worth fixing, or worth fixing, with the
/// kvar it takes, when it is bad and why; or what is missing to tell. What the log cannot know
/// (time zone, tariff interval, target, working hours) comes from the site file; without one,
/// defaults stand in and are listed.
///
/// Every record of the days surveyed is checked against the chain that the node made; where it
/// does not hold, the records are named first and the exit code is 1.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Folder of the store that `wattless pull` fills
    store: PathBuf,
    /// Node or feeder to survey, where the store holds several
    #[arg(long, value_name = "NODE")]
    node: Option<String>,
    /// Site file (TOML)
    #[arg(long, value_name = "FILE")]
    site: Option<PathBuf>,
    /// Only from this local time or date on, e.g. 2026-03-02 or 2026-03-02T06:00
    #[arg(long, value_name = "TIME", value_parser = local_time)]
    from: Option<DateTime>,
    /// Only up to this local time, or to the beginning of this date
    #[arg(long, value_name = "TIME", value_parser = local_time)]
    to: Option<DateTime>,
    /// Reads the records again as if the leads had been connected otherwise: what each lead
    /// should have read, in terms of what it did, e.g. "i1=-i1" for a turned clamp and
    /// "i2=i3 i3=i2" for two exchanged ones
    #[arg(long, value_name = "LEADS", value_parser = as_if)]
    as_if_wired: Option<AsIf>,
    /// Headline figures with expanded uncertainty (k = 2), from the site's [uncertainty]
    #[arg(long)]
    uncertainty: bool,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

fn as_if(text: &str) -> Result<AsIf, String> {
    AsIf::parse(text).map_err(|e| e.to_string())
}

/// Runs the verb.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let mut site = source::site(args.site.as_deref())?;
    let store = Store::open(&args.store)?;
    let node = source::node(&store, args.node.as_deref(), &mut site)?;
    let span = source::span(args.from, args.to, &site.time_zone)?;
    // The chain is checked over the records as they are, whatever they are read as.
    let (log, chain) = store.read_log_checked(node.id, span)?;
    let (log, reread) = match &args.as_if_wired {
        Some(as_if) => {
            let (log, reread) = reread_log(store.read_span(node.id, span)?, as_if)?;
            (log, Some(reread))
        }
        None => (log, None),
    };
    let drift = drift(&store.clock_notes(node.id)?);
    let gaps = store.gaps(node.id)?;
    let mut survey = survey_with(&log, &site, &gaps)
        .with_context(|| format!("{}, node {}", args.store.display(), node.id))?;
    survey.reread = reread;
    let unplaced = source::unplaced(&store, &node)?;
    let worth = args.uncertainty.then(|| survey_uncertainty(&log, &site, &survey));
    let text = if args.json {
        let mut json = survey_json(&survey);
        json["unplaced_records"] = unplaced.into();
        if let Some(worth) = &worth {
            json["uncertainty"] = worth::survey_json(worth);
        }
        json["chain"] = chain_json(&chain);
        json["clock_drift"] = serde_json::to_value(drift)?;
        format!("{json:#}\n")
    } else {
        let style = Style::for_stdout();
        let warning = chain_warning(&chain, style).map_or(String::new(), |w| w + "\n\n");
        let worth = worth.as_ref().map(worth::survey_text).unwrap_or_default();
        let survey = survey_text(&survey, style);
        warning + &survey + &worth + &chain_text(&chain, drift.as_ref(), style)
    };
    print(&text)?;
    Ok(if chain.whole { Outcome::Done } else { Outcome::No })
}
