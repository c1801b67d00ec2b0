//! `wattless pull`: arguments and printing.

use super::{Outcome, print};
use indicatif::{ProgressBar, ProgressStyle};
use std::io::IsTerminal;
use std::path::PathBuf;
use wattless::collect::address::Address;
use wattless::collect::link::{AnyClient, Patience};
use wattless::collect::pull::{Progress, PullOptions, PullSummary, pull_reopening};
use wattless::collect::store::Store;
use wattless::present::number::{count, span};

/// Bring new records of a node into a store
///
/// Begins where the last pull ended and may be stopped at any moment: what is stored is
/// whole, and the next pull goes on. Nothing is deleted on the node.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The node: serial:PATH or tcp:HOST:PORT
    node: Address,
    /// Folder of the store; made if it is not there
    store: PathBuf,
    /// Set the node's clock to this computer's
    #[arg(long)]
    set_clock: bool,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

/// Runs the verb.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    // A port that is not there must not leave an empty store behind.
    let mut first = Some(AnyClient::open(&args.node, Patience::default())?);
    let open = || match first.take() {
        Some(client) => Ok(client),
        None => AnyClient::open(&args.node, Patience::default()),
    };
    let mut store = Store::create(&args.store)?;
    let bar = progress_bar(args.json);
    let options = PullOptions { set_clock: args.set_clock, ..PullOptions::default() };
    let summary = pull_reopening(open, &mut store, &options, &mut |p: Progress| {
        bar.set_length(p.total);
        bar.set_position(p.done);
    });
    bar.finish_and_clear();
    let summary = summary?;
    if args.json {
        print(&format!("{:#}\n", serde_json::to_value(&summary)?))?;
    } else {
        print(&to_text(&summary))?;
    }
    Ok(Outcome::Done)
}

fn progress_bar(json: bool) -> ProgressBar {
    if json || !std::io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    let style = ProgressStyle::with_template("{bar:40} {pos}/{len} records  {eta} left");
    let bar = ProgressBar::new(0);
    bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
    bar
}

fn to_text(s: &PullSummary) -> String {
    let mut out = String::new();
    let mut line = |text: String| {
        out.push_str(&text);
        out.push('\n');
    };
    let feeder = if s.feeder.is_empty() { "feeder without a name" } else { &s.feeder };
    line(format!("Node {}, {feeder} ({} {})", s.node_id, s.hardware, s.firmware));
    let range = match (s.first_seq, s.last_seq) {
        (Some(a), Some(b)) => format!(", {a} to {b}"),
        _ => String::new(),
    };
    line(format!(
        "New         {}{range}; {} were here before",
        count(s.new_records, "record", "records"),
        s.already_stored
    ));
    if s.overwritten > 0 {
        let ranges: Vec<String> =
            s.overwritten_ranges.iter().map(|[a, b]| format!("{a} to {b}")).collect();
        line(format!(
            "Lost        {} overwritten on the node before this pull: {}.\n            \
             Pull more often than the node's memory lasts.",
            count(s.overwritten, "record was", "records were"),
            ranges.join(", ")
        ));
    }
    if s.void > 0 {
        line(format!("Left empty  {} by the node at its starts; nothing is missing", s.void));
    }
    if s.unplaced_records > 0 {
        line(format!(
            "No time     {} without a place in time yet",
            count(s.unplaced_records, "record", "records")
        ));
    }
    line(match (s.clock_offset_ms, s.clock_set) {
        (Some(ms), true) => format!("Clock       was {}; now set", offset(ms)),
        (None, true) => "Clock       had no time; now set".into(),
        (Some(ms), false) if s.clock_is_off() => {
            format!("Clock       is {}: correct it with --set-clock", offset(ms))
        }
        (Some(ms), false) => format!("Clock       is {}", offset(ms)),
        (None, false) => "Clock       has no time: give it with --set-clock".into(),
    });
    if s.repeated_questions + s.reopened > 0 {
        line(format!(
            "Link        {} asked again, opened again {} times",
            count(s.repeated_questions, "question", "questions"),
            s.reopened
        ));
    }
    line(format!(
        "Took        {}, {:.1} kB; {} sealed",
        span(s.elapsed_s),
        s.bytes as f64 / 1e3,
        count(s.sealed_days, "day", "days")
    ));
    out
}

/// How a node's clock stands against this computer's.
fn offset(ms: i64) -> String {
    match ms {
        0 => "right to the millisecond".into(),
        ms if ms > 0 => format!("{} ahead", span(ms as f64 / 1e3)),
        ms => format!("{} behind", span(-ms as f64 / 1e3)),
    }
}
