//! `wattless survey`: arguments and printing.

use super::Outcome;

/// The week: completeness, demand, energy, power factor, and the verdict
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs the verb.
pub fn run(_args: &Args) -> anyhow::Result<Outcome> {
    anyhow::bail!("not built in this working copy")
}
