//! `wattless culprit`: arguments and printing.

use super::feeders::Feeders;
use super::source::{self, Range, range};
use super::{Outcome, print};
use anyhow::bail;
use std::path::{Path, PathBuf};
use wattless::analyse::culprit::{NamedLog, Place, culprits};
use wattless::collect::store::{Span, Store};
use wattless::present::culprit::{culprit_json, culprit_text};
use wattless::present::text::Style;

/// Which load draws the kvar: logs ranked, and what switches within each
///
/// Takes every node of the stores as a log of its own (service and feeders), or, with --place,
/// one node that was moved from load to load. Times need not overlap: a feeder that was not
/// recorded during the peak counts with its own profile by weekday and hour.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Folders of stores that `wattless pull` fills
    #[arg(required = true)]
    stores: Vec<PathBuf>,
    /// Node or feeder that is the service, upstream of the others
    #[arg(long, value_name = "NAME")]
    service: Option<String>,
    /// A load and when the node was on it: "Log saw=2026-03-02..2026-03-04", with a node's number
    /// or feeder ahead of the time where the stores hold several: "Log saw=NODE@FROM..TO"
    #[arg(long, value_name = "NAME=FROM..TO", value_parser = place)]
    place: Vec<(String, Option<String>, Range)>,
    /// Site file (TOML)
    #[arg(long, value_name = "FILE")]
    site: Option<PathBuf>,
    /// Only from and to these local times, e.g. 2026-03-02..2026-03-09
    #[arg(long, value_name = "FROM..TO", value_parser = range, conflicts_with = "place")]
    range: Option<Range>,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

fn place(text: &str) -> Result<(String, Option<String>, Range), String> {
    let (name, rest) = text
        .split_once('=')
        .filter(|(n, _)| !n.trim().is_empty())
        .ok_or("give a name and a time, e.g. \"Log saw=2026-03-02..2026-03-04\"")?;
    let (node, time) = match rest.rsplit_once('@') {
        Some((node, time)) => (Some(node.to_owned()), time),
        None => (None, rest),
    };
    Ok((name.trim().to_owned(), node, range(time)?))
}

/// Runs the verb.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let site = source::site(args.site.as_deref())?;
    let stores: Vec<(Store, &Path)> = args
        .stores
        .iter()
        .map(|p| Ok((Store::open(p)?, p.as_path())))
        .collect::<anyhow::Result<_>>()?;
    let feeders = Feeders::of(stores.iter().map(|(store, _)| store))?;
    let mut logs = Vec::new();
    if args.place.is_empty() {
        let span = args.range.map(|r| r.span(&site.time_zone)).transpose()?.unwrap_or(Span::ALL);
        logs = feeders.logs(args.service.as_deref(), span)?;
    } else {
        for (called, asked, r) in &args.place {
            let (store, node) = match (asked, feeders.only()) {
                (Some(asked), _) => feeders.find(asked)?,
                (None, Some(one)) => one,
                (None, None) => bail!(
                    "--place {called:?} does not say which node; put one ahead of the time, \
                     NODE@FROM..TO, of: {}",
                    feeders.known()
                ),
            };
            let is_service = args.service.as_deref() == Some(called.as_str());
            let place = if is_service { Place::Service } else { Place::Feeder };
            logs.push(NamedLog::read(store, node, called, place, r.span(&site.time_zone)?)?);
        }
        if let Some(s) = &args.service
            && !args.place.iter().any(|p| p.0 == *s)
        {
            bail!("--service {s:?} is none of the names given with --place");
        }
    }
    for (store, path) in &stores {
        for node in store.nodes()? {
            let unplaced = store.extent(node.id)?.unplaced;
            if unplaced > 0 {
                eprintln!(
                    "wattless: {}: {unplaced} records of node {} have no place in time yet and \
                     are left out; pull once more",
                    path.display(),
                    node.id
                );
            }
        }
    }
    let c = culprits(&logs, &site)?;
    print(&if args.json {
        format!("{:#}\n", culprit_json(&c))
    } else {
        culprit_text(&c, Style::for_stdout())
    })?;
    Ok(Outcome::Done)
}
