//! `wattless node`: arguments and printing.

use super::Outcome;

/// Who and how is a node: identity, status, clock, settings
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs the verb.
pub fn run(_args: &Args) -> anyhow::Result<Outcome> {
    anyhow::bail!("not built in this working copy")
}
