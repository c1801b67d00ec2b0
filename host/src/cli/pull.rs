//! `wattless pull`: arguments and printing.

use super::Outcome;

/// Bring new records of a node into a store
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs the verb.
pub fn run(_args: &Args) -> anyhow::Result<Outcome> {
    anyhow::bail!("not built in this working copy")
}
