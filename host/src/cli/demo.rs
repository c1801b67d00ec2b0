//! `wattless demo`: arguments and printing.

use super::Outcome;

/// A simulated week from samples to a survey, in one command
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs the verb.
pub fn run(_args: &Args) -> anyhow::Result<Outcome> {
    anyhow::bail!("not built in this working copy")
}
