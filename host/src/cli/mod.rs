//! Arguments and printing, one file a verb.

mod bench;
mod bill;
mod calibrate;
mod culprit;
mod demo;
mod export;
mod feeders;
mod hookup;
mod live;
mod measure;
mod node;
mod pull;
mod report;
mod size;
mod source;
mod survey;
mod verify;
mod watch;
mod wave_file;

use clap::{Parser, Subcommand};
use std::io::Write;

/// How a verb that worked ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// Done (exit code 0).
    Done,
    /// The answer is no (exit code 1).
    No,
    /// The data does not carry an answer; what it holds was printed (exit code 2).
    Undecided,
}

/// From a feeder's log to the power-factor decision.
#[derive(Debug, Parser)]
#[command(name = "wattless", version, about, max_term_width = 80)]
struct Cli {
    #[command(subcommand)]
    verb: Verb,
}

#[derive(Debug, Subcommand)]
enum Verb {
    Demo(demo::Args),
    Bench(bench::Args),
    Node(node::Args),
    Hookup(Box<hookup::Args>),
    Measure(measure::Args),
    Pull(pull::Args),
    Survey(survey::Args),
    Report(report::Args),
    Size(size::Args),
    Bill(Box<bill::Args>),
    Culprit(culprit::Args),
    Verify(Box<verify::Args>),
    Watch(watch::Args),
    Export(export::Args),
}

/// Runs the verb that was asked for.
pub fn run() -> anyhow::Result<Outcome> {
    match Cli::parse().verb {
        Verb::Demo(args) => demo::run(&args),
        Verb::Bench(args) => bench::run(&args),
        Verb::Node(args) => node::run(&args),
        Verb::Hookup(args) => hookup::run(&args),
        Verb::Measure(args) => measure::run(&args),
        Verb::Pull(args) => pull::run(&args),
        Verb::Survey(args) => survey::run(&args),
        Verb::Report(args) => report::run(&args),
        Verb::Size(args) => size::run(&args),
        Verb::Bill(args) => bill::run(&args),
        Verb::Culprit(args) => culprit::run(&args),
        Verb::Verify(args) => verify::run(&args),
        Verb::Watch(args) => watch::run(&args),
        Verb::Export(args) => export::run(&args),
    }
}

/// Writes to standard output; a reader that has seen enough is no error.
fn print(text: &str) -> anyhow::Result<()> {
    let mut out = std::io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(e) if e.kind() != std::io::ErrorKind::BrokenPipe => Err(e.into()),
        _ => Ok(()),
    }
}
