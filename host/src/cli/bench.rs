//! `wattless bench`: arguments and printing.

use super::Outcome;

/// Run a simulated node on a simulated feeder from a scenario file
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs the verb.
pub fn run(_args: &Args) -> anyhow::Result<Outcome> {
    anyhow::bail!("not built in this working copy")
}
