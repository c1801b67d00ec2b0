//! `wattless export`: arguments and printing.

use super::Outcome;

/// Write records as CSV or Parquet for other people's tools
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs the verb.
pub fn run(_args: &Args) -> anyhow::Result<Outcome> {
    anyhow::bail!("not built in this working copy")
}
