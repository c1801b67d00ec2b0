//! `wattless watch`: arguments and the threads of the service.

use super::{Outcome, source};
use anyhow::{Context, bail};
use signal_hook::consts::{SIGINT, SIGTERM};
use signal_hook::iterator::Signals;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;
use wattless::analyse::tariff::Tariff;
use wattless::collect::address::Address;
use wattless::collect::store::Store;
use wattless::watch::config::{addresses, read_token};
use wattless::watch::diary::Diary;
use wattless::watch::page::Page;
use wattless::watch::state::Shared;
use wattless::watch::station::{Common, Station};
use wattless::watch::whose::Whose;

/// Permanent monitoring: pulls on a schedule, alarms, a page for a phone
///
/// Runs until it is stopped. Pulls from every node into the store, judges each record by the
/// limits in the section [watch.alarms] of the site file, writes alarms to the error output and
/// to alarms.jsonl in the store, and serves a page with the readings, for this computer only
/// unless told otherwise. Unplugged cables, restarts and full disks are ridden through.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Folder of the store; made if it is not there
    store: PathBuf,
    /// Addresses of the nodes, instead of those in the site file
    nodes: Vec<Address>,
    /// Site file (TOML)
    #[arg(long, value_name = "FILE")]
    site: Option<PathBuf>,
    /// Where the page is served, e.g. 127.0.0.1:8420
    #[arg(long, value_name = "ADDRESS:PORT", conflicts_with = "no_page")]
    listen: Option<SocketAddr>,
    /// File with the token that the page asks for
    #[arg(long, value_name = "FILE")]
    token_file: Option<PathBuf>,
    /// Serve no page
    #[arg(long)]
    no_page: bool,
    /// Tariff file (TOML): what a correction has saved so far
    #[arg(long, value_name = "FILE")]
    tariff: Option<PathBuf>,
    /// Seconds between two pulls
    #[arg(long, value_name = "S")]
    pull_every: Option<f64>,
    /// Take whatever node answers at each address for the one that belongs there
    ///
    /// The watch remembers which node was at which address and leaves another one alone; after
    /// a node was exchanged on purpose, start it once with this.
    #[arg(long)]
    adopt: bool,
}

/// Runs the verb.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let site = source::site(args.site.as_deref())?;
    let mut terms = site.watch.clone();
    terms.listen = if args.no_page { None } else { args.listen.or(terms.listen) };
    terms.token_file = args.token_file.clone().or(terms.token_file);
    terms.pull_every_s = args.pull_every.unwrap_or(terms.pull_every_s);
    terms.tariff = args.tariff.clone().or(terms.tariff);
    terms.check()?;
    if !args.nodes.is_empty() {
        terms.nodes = args.nodes.iter().map(ToString::to_string).collect();
    }
    let nodes = addresses(&terms.nodes)?;
    if nodes.is_empty() {
        bail!("no node to watch: give addresses, or nodes under [watch] in the site file");
    }
    let tariff = terms.tariff.as_deref().map(Tariff::load).transpose()?;
    let token = terms.token_file.as_deref().map(read_token).transpose()?;
    if let Some(mqtt) = &terms.mqtt {
        mqtt.password()?;
    }
    let store = Store::create(&args.store)?;
    let diary = Arc::new(Diary::open(&args.store, false).with_context(|| {
        format!("cannot write to {}; check the disk and its permissions", args.store.display())
    })?);
    let addresses: Vec<String> = nodes.iter().map(ToString::to_string).collect();
    let whose = Arc::new(Whose::open(&args.store, &addresses, args.adopt));
    let shared = Arc::new(Shared::new(addresses));
    end_on_signals(shared.clone(), diary.clone())?;
    diary.say("watch", &format!("{} node(s) into {}", nodes.len(), args.store.display()));
    let page = terms.listen.map(|at| {
        let page =
            Page::new(shared.clone(), site.clone(), terms.clone(), token, args.store.clone());
        (at, page)
    });
    let common =
        Common { terms: terms.clone(), site, tariff, shared: shared.clone(), diary, whose };
    let (shared, diary) = (common.shared.clone(), common.diary.clone());
    std::thread::scope(|scope| {
        for (place, address) in nodes.into_iter().enumerate() {
            let (common, shared) = (common.clone(), shared.clone());
            let mut station = Station::new(place, address, common, store.another()?);
            scope.spawn(move || {
                // A station that fell would leave its node unwatched in silence.
                let _end = EndAll(shared);
                station.run();
            });
        }
        if let Some(mqtt) = &terms.mqtt {
            let (shared, diary) = (&shared, &diary);
            scope.spawn(move || {
                if let Err(e) = wattless::watch::mqtt::publish(mqtt, shared, diary) {
                    diary.say("mqtt", &e.to_string());
                }
            });
        }
        if let Some((at, page)) = page {
            let served = page.serve(at, |at| diary.say("watch", &format!("page at http://{at}/")));
            shared.stop();
            served?;
        }
        anyhow::Ok(())
    })?;
    diary.say("watch", "stopped");
    Ok(Outcome::Done)
}

/// Ends the watch when a station ends.
struct EndAll(Arc<Shared>);

impl Drop for EndAll {
    fn drop(&mut self) {
        self.0.stop();
    }
}

/// How long the watch waits for its links after it was told to end.
const GRACE: Duration = Duration::from_millis(1500);

/// Ends the watch on SIGTERM and SIGINT: in order, or after a short while anyhow.
///
/// The store is whole at every instant, so that nothing is lost with a link that still waits.
fn end_on_signals(shared: Arc<Shared>, diary: Arc<Diary>) -> anyhow::Result<()> {
    let mut signals = Signals::new([SIGTERM, SIGINT]).context("cannot listen to signals")?;
    std::thread::spawn(move || {
        if signals.forever().next().is_some() {
            diary.say("watch", "told to stop");
            shared.stop();
            std::thread::sleep(GRACE);
            diary.say("watch", "stopped; a link was still waiting for an answer");
            std::process::exit(0);
        }
    });
    Ok(())
}
