//! `wattless demo`: arguments and printing.

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
use wattless::analyse::survey::{Survey, survey_with};
use wattless::bench::flash::{RamFlash, USUAL_SIZE};
use wattless::bench::port::{Listener, ServeAddress};
use wattless::bench::scenario::{SAWMILL, Scenario};
use wattless::bench::serve::Server;
use wattless::bench::{BenchReport, Setup};
use wattless::collect::address::Address;
use wattless::collect::link::{AnyClient, Patience};
use wattless::collect::pull::{PullOptions, PullSummary, pull};
use wattless::collect::store::{Span, Store};
use wattless::present::survey::{survey_json, survey_text};
use wattless::present::text::Style;
use wattless::site::{BRACKWATER, Site};

/// Made first, so that a later run knows which folder it may empty.
const MARK: &str = "made-by-wattless-demo";

/// A simulated week, from samples to a survey, in one command
///
/// An invented plant's week runs through the node's own program, every sample of it; the
/// node's log is pulled over a real link into a store, and surveyed. All files stay in the
/// folder: scenario, site file, the node's flash, the store, the survey.
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

    say(args, "3  The store is surveyed\n")?;
    let before_survey = Instant::now();
    let chosen = store.choose(None)?;
    let (log, chain) = store.read_log_checked(chosen.id, Span::ALL)?;
    if !chain.whole {
        bail!("the log in the store is not what the node recorded: {:?}", chain.breaks);
    }
    let survey = survey_with(&log, &site, &store.gaps(chosen.id)?)?;
    let survey_s = before_survey.elapsed().as_secs_f64();
    write(&place("survey.txt"), &survey_text(&survey, Style::PLAIN))?;
    write(&place("survey.json"), &format!("{:#}\n", survey_json(&survey)))?;

    let total_s = begin.elapsed().as_secs_f64();
    let text = if args.json {
        let json = to_json(args, whole_ms, to_ms, &report, &pulled, &survey, survey_s, total_s);
        format!("{json:#}\n")
    } else {
        let end = closing(&args.folder, whole_ms, to_ms, total_s);
        format!("{}\n{end}", survey_text(&survey, Style::for_stdout()))
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
    survey_s: f64,
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
        "survey_s": survey_s,
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
