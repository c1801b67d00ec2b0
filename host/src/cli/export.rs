//! `wattless export`: arguments and printing.

use super::survey::{local_time, unix_ms};
use super::{Outcome, print};
use anyhow::bail;
use jiff::civil::DateTime;
use jiff::tz::TimeZone;
use serde_json::json;
use std::path::{Path, PathBuf};
use wattless::collect::export::{csv_file, parquet_file, write_csv};
use wattless::collect::store::{Span, Store};
use wattless::present::number::count;

/// Write records as CSV or Parquet for other people's tools
///
/// One row a record, every column with its unit in the name; times in UTC. The file appears
/// whole or not at all.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Folder of the store that `wattless pull` fills
    store: PathBuf,
    /// Write CSV into this file; - writes it to the terminal or the next program
    #[arg(long, value_name = "FILE", required_unless_present = "parquet")]
    csv: Option<PathBuf>,
    /// Write Parquet into this file
    #[arg(long, value_name = "FILE")]
    parquet: Option<PathBuf>,
    /// Node or feeder to export, where the store holds several
    #[arg(long, value_name = "NODE")]
    node: Option<String>,
    /// Only from this time or date on, UTC, e.g. 2026-03-02 or 2026-03-02T06:00
    #[arg(long, value_name = "TIME", value_parser = local_time)]
    from: Option<DateTime>,
    /// Only up to this time, or to the beginning of this date, UTC
    #[arg(long, value_name = "TIME", value_parser = local_time)]
    to: Option<DateTime>,
    /// Print one JSON object about what was written
    #[arg(long)]
    json: bool,
}

/// Runs the verb.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let store = Store::open(&args.store)?;
    let node = store.choose(args.node.as_deref())?.id;
    let span = Span {
        from_ms: unix_ms(args.from, &TimeZone::UTC)?.unwrap_or(Span::ALL.from_ms),
        to_ms: unix_ms(args.to, &TimeZone::UTC)?.unwrap_or(Span::ALL.to_ms),
    };
    if span.from_ms >= span.to_ms {
        bail!("--from must lie before --to");
    }
    let to_stdout = args.csv.as_deref() == Some(Path::new("-"));
    if to_stdout && args.json {
        bail!("--json and --csv - would both write to standard output; give a file");
    }
    let mut written = Vec::new();
    if let Some(path) = &args.csv {
        if to_stdout {
            let mut out = std::io::BufWriter::new(std::io::stdout().lock());
            write_csv(&store, node, span, &mut out, Path::new("standard output"))?;
        } else {
            written.push((path, csv_file(&store, node, span, path)?));
        }
    }
    if let Some(path) = &args.parquet {
        written.push((path, parquet_file(&store, node, span, path)?));
    }
    if args.json {
        let files: Vec<_> = written
            .iter()
            .map(|(p, e)| {
                json!({ "file": p.display().to_string(), "rows": e.rows, "columns": e.columns })
            })
            .collect();
        print(&format!("{:#}\n", json!({ "node_id": node.to_string(), "files": files })))?;
    } else {
        for (path, e) in written {
            let rows = count(e.rows, "record", "records");
            print(&format!("{}: {rows}, {} columns\n", path.display(), e.columns))?;
        }
    }
    Ok(Outcome::Done)
}
