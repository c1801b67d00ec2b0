//! `wattless demo`: arguments and printing.

use super::report::{write_files, written};
use super::{Outcome, print};
use anyhow::{Context, bail};
use clap::builder::RangedU64ValueParser;
use indicatif::{ProgressBar, ProgressStyle};
use serde_json::json;
use std::fs;
use std::io::IsTerminal;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;
use std::time::Instant;
use wattless::analyse::bill::extrapolate::Horizon;
use wattless::analyse::size::prices::{self, PriceList};
use wattless::analyse::survey::Survey;
use wattless::analyse::tariff::{MILLRACE, Tariff};
use wattless::bench::flash::{RamFlash, USUAL_SIZE};
use wattless::bench::port::{Listener, ServeAddress};
use wattless::bench::scenario::{SAWMILL, Scenario};
use wattless::bench::serve::Server;
use wattless::bench::{BenchReport, Setup};
use wattless::collect::address::Address;
use wattless::collect::link::{AnyClient, Patience};
use wattless::collect::pull::{PullOptions, PullSummary, pull};
use wattless::collect::store::{Span, Store};
use wattless::present::report::gather::{Beside, Sources, gather};
use wattless::present::report::{json::report_json, summary_text};
use wattless::present::survey::{survey_json, survey_text};
use wattless::present::text::Style;
use wattless::site::{BRACKWATER, Site};

/// Made first, so that a later run knows which folder it may empty.
const MARK: &str = "made-by-wattless-demo";

/// A simulated week, from samples to the written report, in one command
///
/// An invented plant's week runs through the node's own program, every sample of it; the
/// node's log is pulled over a real link into a store, surveyed, billed by an invented tariff;
/// corrections from an invented price list are tried on it, and the report is written. All files
/// stay in the folder: scenario, site file, tariff, prices, the node's flash, the store, the
/// survey, the report.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Folder for the files; one that an earlier demo made is emptied first
    #[arg(long, value_name = "DIR", default_value = "wattless-demo")]
    folder: PathBuf,
    /// Simulate only so many hours of the week
    #[arg(long, value_name = "H",
          value_parser = RangedU64ValueParser::<u32>::new().range(1..=168))]
    hours: Option<u32>,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

/// Runs the verb.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let begin = Instant::now();
    prepare(&args.folder)?;
    let place = |name: &str| args.folder.join(name);
    write(&place("scenario.toml"), SAWMILL)?;
    write(&place("site.toml"), BRACKWATER)?;
    write(&place("tariff.toml"), MILLRACE)?;
    write(&place("prices.toml"), prices::BRACKWATER)?;

    let setup = Setup::new(Scenario::load(&place("scenario.toml"))?);
    let site = Site::load(&place("site.toml"))?;
    let whole_ms = setup.feeder.span_ms();
    let to_ms = args.hours.map_or(whole_ms, |h| whole_ms.min(i64::from(h) * 3_600_000));

    say(args, "1  The feeder runs through the node: samples in, records into its flash")?;
    let mut node = setup.start_node(RamFlash::on_file(&place("node.flash"), USUAL_SIZE)?)?;
    let bar = progress_bar(args, to_ms);
    let report = setup.run_fast(&mut node, to_ms, &mut |done| bar.set_position(done as u64));
    bar.finish_and_clear();
    say(args, &ran(&report))?;

    say(args, "2  Its log is pulled over a TCP link into a store")?;
    let mut store = Store::create(place("store"))?;
    let end_ms = i64::try_from(setup.unix_ms(to_ms))?;
    let pulled = serve_and_pull(&mut node, &mut store, end_ms)?;
    say(args, &fetched(&pulled))?;

    say(args, "3  The week is surveyed, billed, corrected on paper, and reported\n")?;
    let before_report = Instant::now();
    let chosen = store.choose(None)?;
    let tariff = Tariff::load(&place("tariff.toml"))?;
    let prices = PriceList::load(&place("prices.toml"))?;
    let gathered = gather(&Sources {
        store: &store,
        node: &chosen,
        span: Span::ALL,
        site: &site,
        tariff: Some(&tariff),
        // A shortened week holds no whole day of every kind to stand for others.
        // A correction is sized on a whole week only.
        prices: (to_ms == whole_ms).then_some(&prices),
        history: &[],
        installed_ms: None,
        beside: Beside::default(),
        horizon: (to_ms == whole_ms).then_some(Horizon::Month),
    })?;
    let survey = &gathered.survey;
    write(&place("survey.txt"), &survey_text(survey, Style::PLAIN))?;
    write(&place("survey.json"), &format!("{:#}\n", survey_json(survey)))?;
    // The plant keeps its own time: its report is made on the day after its week.
    let made_on = survey.last.date();
    let written_report = gathered.report(&site, made_on);
    let files = write_files(&written_report, &place("report"))?;
    let report_s = before_report.elapsed().as_secs_f64();

    let total_s = begin.elapsed().as_secs_f64();
    let text = if args.json {
        let mut json = to_json(args, whole_ms, to_ms, &report, &pulled, survey, report_s, total_s);
        json["report"] = report_json(&written_report);
        format!("{json:#}\n")
    } else {
        let style = Style::for_stdout();
        let end = closing(&args.folder, whole_ms, to_ms, total_s);
        format!("{}\n{}\n{end}", summary_text(&written_report, style), written(&files))
    };
    print(&text)?;
    Ok(Outcome::Done)
}

/// Makes the folder, or empties one that an earlier demo made.
fn prepare(folder: &Path) -> anyhow::Result<()> {
    let name = folder.display();
    if folder.exists() {
        let mut entries = fs::read_dir(folder).with_context(|| format!("{name}: not a folder"))?;
        if folder.join(MARK).is_file() {
            fs::remove_dir_all(folder)
                .with_context(|| format!("{name}: cannot be emptied; is a file of it open?"))?;
        } else if entries.next().is_some() {
            bail!("{name}: holds files that no demo made; give another with --folder");
        }
    }
    fs::create_dir_all(folder).with_context(|| format!("{name}: cannot be made"))?;
    write(&folder.join(MARK), "A later demo may empty this folder.\n")
}

fn write(path: &Path, text: &str) -> anyhow::Result<()> {
    fs::write(path, text).with_context(|| format!("{}: cannot be written", path.display()))
}

/// Serves the node on a port of its own while the pull runs, as if over a cable.
fn serve_and_pull(
    node: &mut wattless_node::node::Node<RamFlash>,
    store: &mut Store,
    end_ms: i64,
) -> anyhow::Result<PullSummary> {
    // Any free port of this machine.
    let listener = Listener::open(&ServeAddress::Tcp("127.0.0.1:0".into()))?;
    let address: Address = listener.address().parse()?;
    let stop = AtomicBool::new(false);
    thread::scope(|scope| {
        scope.spawn(|| Server::new(node, listener).serve(&stop, &mut |_| ()));
        // The plant keeps its own time: the pull happens at the end of its week.
        let patience = Patience { clock: Box::new(move || end_ms), ..Patience::default() };
        let result = AnyClient::open(&address, patience).map_err(anyhow::Error::from).and_then(
            |mut client| Ok(pull(&mut client, store, &PullOptions::default(), &mut |_| ())?),
        );
        stop.store(true, Ordering::Relaxed);
        result
    })
}

fn ran(r: &BenchReport) -> String {
    format!(
        "   {:.0} million frames at {:.0} a second, {} records, {:.1} s ({:.1} ns a frame)",
        r.frames as f64 / 1e6,
        r.frames as f64 / r.simulated_s,
        r.log.next - r.log.oldest,
        r.wall_s,
        r.ns_per_frame().unwrap_or_default(),
    )
}

fn fetched(p: &PullSummary) -> String {
    format!(
        "   {} records of node {}, {:.1} MB in {:.1} s, {} days sealed",
        p.new_records,
        p.node_id,
        p.bytes as f64 / 1e6,
        p.elapsed_s,
        p.sealed_days,
    )
}

/// What was shortened, where the files are, what to try next; the week was simulated.
fn closing(folder: &Path, whole_ms: i64, to_ms: i64, total_s: f64) -> String {
    let hours = |ms: i64| ms as f64 / 3.6e6;
    let extent = if to_ms < whole_ms {
        format!("Shortened to {:.0} of the week's {:.0} hours.", hours(to_ms), hours(whole_ms))
    } else {
        "Nothing was shortened: every sample of the week went through the node.".to_owned()
    };
    let f = folder.display();
    format!(
        "Simulated: an invented plant, {total_s:.0} s in all.\n{extent}\n\n\
         Files are in {f}. To go on:\n  \
         wattless survey {f}/store --site {f}/site.toml\n  \
         wattless export {f}/store --csv week.csv\n  \
         wattless bench {f}/scenario.toml --serve tcp:127.0.0.1:7000\n  \
         wattless node tcp:127.0.0.1:7000\n"
    )
}

#[allow(clippy::too_many_arguments, reason = "one object of all that was done")]
fn to_json(
    args: &Args,
    whole_ms: i64,
    to_ms: i64,
    report: &BenchReport,
    pulled: &PullSummary,
    survey: &Survey,
    report_s: f64,
    total_s: f64,
) -> serde_json::Value {
    json!({
        "folder": args.folder.display().to_string(),
        "simulated": true,
        "week_h": whole_ms as f64 / 3.6e6,
        "simulated_h": to_ms as f64 / 3.6e6,
        "frames": report.frames,
        "ns_per_frame": report.ns_per_frame(),
        "node_s": report.wall_s,
        "feeder_s": report.feeder_s,
        "pull": pulled,
        "report_s": report_s,
        "total_s": total_s,
        "survey": survey_json(survey),
    })
}

/// Says a step on the terminal; JSON stays alone.
fn say(args: &Args, text: &str) -> anyhow::Result<()> {
    if args.json { Ok(()) } else { print(&format!("{text}\n")) }
}

fn progress_bar(args: &Args, length_ms: i64) -> ProgressBar {
    if args.json || !std::io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    let style = ProgressStyle::with_template("   {bar:40} {percent:>3} %  {eta} left");
    let bar = ProgressBar::new(u64::try_from(length_ms).unwrap_or(0));
    bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
    bar
}
