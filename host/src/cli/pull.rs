//! `wattless pull`: arguments and printing.

use super::{Outcome, print};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::path::PathBuf;
use wattless::collect::address::Address;
use wattless::collect::drift::drift_text;
use wattless::collect::link::{AnyClient, Patience};
use wattless::collect::pull::{CLOCK_WARN_MS, Progress, PullOptions, PullSummary, pull_reopening};
use wattless::collect::store::Store;
use wattless::present::chain::{chain_state, chain_warning};
use wattless::present::text::Style;

/// Bring new records of a node into a store
///
/// Begins where the last pull ended. Nothing is deleted on the node, and a pull may be
/// stopped at any time: the next one goes on from there. A record that does not follow on
/// the one before it is stored and named, and the exit code is 1.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The node: tcp:HOST:PORT or serial:PATH
    address: Address,
    /// The store's folder; made if there is none
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
    let mut client = Some(AnyClient::open(&args.address, Patience::default())?);
    // The node first: a wrong address leaves no empty store behind.
    let mut store = Store::create(&args.store)?;
    let bar = progress_bar(args.json);
    let open = || match client.take() {
        Some(client) => Ok(client),
        None => AnyClient::open(&args.address, Patience::default()),
    };
    let options = PullOptions { set_clock: args.set_clock, ..PullOptions::default() };
    let result = pull_reopening(open, &mut store, &options, &mut |p: Progress| {
        bar.set_length(p.total);
        bar.set_position(p.done);
    });
    bar.finish_and_clear();
    let summary = result?;
    if args.json {
        print(&format!("{:#}\n", serde_json::to_value(&summary)?))?;
    } else {
        print(&text(&summary))?;
    }
    Ok(if summary.chain_is_whole() { Outcome::Done } else { Outcome::No })
}

fn progress_bar(json: bool) -> ProgressBar {
    let target = if json { ProgressDrawTarget::hidden() } else { ProgressDrawTarget::stderr() };
    let bar = ProgressBar::with_draw_target(Some(0), target);
    let style = ProgressStyle::with_template("{bar:30} {pos} of {len} records, {eta} left");
    if let Ok(style) = style {
        bar.set_style(style);
    }
    bar
}

fn text(s: &PullSummary) -> String {
    let mut lines = Vec::new();
    if let Some(warning) = chain_warning(&s.chain, Style::for_stdout()) {
        lines.push(warning);
    }
    let feeder = if s.feeder.is_empty() { "feeder without a name" } else { &s.feeder };
    lines.push(format!("Node {} at \"{feeder}\" ({}, {})", s.node_id, s.hardware, s.firmware));
    let range = match (s.first_seq, s.last_seq) {
        (Some(first), Some(last)) => format!("numbers {first} to {last}"),
        _ => String::new(),
    };
    lines.push(row("new records", s.new_records, &range));
    lines.push(row("pulled before", s.already_stored, "and still on the node"));
    if s.overwritten > 0 {
        let ranges: Vec<_> =
            s.overwritten_ranges.iter().map(|[a, b]| format!("{a} to {b}")).collect();
        lines.push(row("lost", s.overwritten, "overwritten before they were pulled:"));
        lines.extend(ranges.iter().map(|r| format!("{:31}{r}", "")));
    }
    if s.void > 0 {
        lines.push(row("left empty", s.void, "by the node itself, at a power cut for example"));
    }
    if s.unplaced_records > 0 {
        lines.push(row("without a time", s.unplaced_records, "nothing is known around them yet"));
    }
    lines.push(row("days sealed", s.sealed_days, ""));
    lines.push(format!("  {:<16}{}", "node's clock", clock(s)));
    if let Some(drift) = &s.clock_drift {
        lines.push(format!("  {:<16}{}", "", drift_text(drift)));
    }
    lines.push(format!("  {:<16}{}", "chain", chain_state(&s.chain)));
    if let (Some(tag), Some(seq)) = (&s.chain.last_tag, s.chain.last_seq) {
        lines.push(format!("  {:<16}{tag} (number {seq})", "last tag"));
    }
    let repeated = match (s.repeated_questions, s.reopened) {
        (0, 0) => String::new(),
        (n, 0) => format!(", {n} questions asked again"),
        (n, m) => format!(", {n} questions asked again, link opened again {m} times"),
    };
    let kilobytes = s.bytes as f64 / 1000.0;
    lines.push(format!("  {:<16}{kilobytes:.1} kB in {:.1} s{repeated}", "link", s.elapsed_s));
    if s.clock_is_off() && !s.clock_set {
        let why = match s.clock_offset_ms {
            Some(_) => format!("is more than {} s off", CLOCK_WARN_MS / 1000),
            None => "has no time".to_owned(),
        };
        lines.push(format!("The node's clock {why}: set it with --set-clock."));
    }
    lines.join("\n") + "\n"
}

fn row(name: &str, count: u64, remark: &str) -> String {
    format!("  {name:<16}{count:>10}   {remark}").trim_end().to_owned()
}

fn clock(s: &PullSummary) -> String {
    let offset = match s.clock_offset_ms {
        Some(ms) => format!("{:+.1} s against this computer", ms as f64 / 1000.0),
        None => "not set".to_owned(),
    };
    if s.clock_set { format!("{offset}; now set") } else { offset }
}
