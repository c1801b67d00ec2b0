//! `wattless measure`: arguments and printing.

use super::Outcome;

/// Readings from a file of sampled waveforms (CSV or COMTRADE)
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs the verb.
pub fn run(_args: &Args) -> anyhow::Result<Outcome> {
    anyhow::bail!("not built in this working copy")
}
