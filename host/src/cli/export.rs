//! `wattless export`: arguments and printing.

use super::{Outcome, print};
use anyhow::Context;
use std::io::{self, Seek, Write};
use std::path::{Path, PathBuf};
use wattless::collect::export::{ExportFormat, export, export_file};
use wattless::collect::store::{Span, Store};

/// Write records as CSV or Parquet for other people's tools
///
/// One row a record, every number with its unit in the column's name. What does not exist
/// is left empty. Times are UTC.
#[derive(Debug, clap::Args)]
#[command(group = clap::ArgGroup::new("target").required(true))]
pub struct Args {
    /// The store's folder
    store: PathBuf,
    /// Write CSV to this file, or to standard output with "-"
    #[arg(long, value_name = "FILE", group = "target")]
    csv: Option<PathBuf>,
    /// Write Parquet to this file
    #[arg(long, value_name = "FILE", group = "target")]
    parquet: Option<PathBuf>,
    /// Leave out what ends before or at this time: 2026-07-06, 2026-07-06T06:00,
    /// 2026-07-06T06:00+02:00; without an offset it is UTC
    #[arg(long, value_name = "TIME", value_parser = time_ms)]
    from: Option<i64>,
    /// Leave out what ends after this time
    #[arg(long, value_name = "TIME", value_parser = time_ms)]
    to: Option<i64>,
    /// The node, by number or feeder, where the store holds several
    #[arg(long, value_name = "NODE")]
    node: Option<String>,
    /// Print one JSON object about what was written
    #[arg(long)]
    json: bool,
}

/// Reads a date, a date and time, or one with an offset.
fn time_ms(text: &str) -> Result<i64, String> {
    if let Ok(time) = text.parse::<jiff::Timestamp>() {
        return Ok(time.as_millisecond());
    }
    let civil = text.parse::<jiff::civil::DateTime>();
    let utc = civil.and_then(|t| t.to_zoned_datetime(jiff::tz::TimeZone::UTC));
    utc.map(|z| z.timestamp().as_millisecond())
        .map_err(|_| "write a time like 2026-07-06 or 2026-07-06T06:00+02:00".to_owned())
}

/// Runs the verb.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let span = Span {
        from_ms: args.from.unwrap_or(Span::ALL.from_ms),
        to_ms: args.to.unwrap_or(Span::ALL.to_ms),
    };
    if span.from_ms >= span.to_ms {
        anyhow::bail!("--from must lie before --to");
    }
    let store = Store::open(&args.store)?;
    let node = store.choose(args.node.as_deref())?;
    let (format, path) = match (&args.csv, &args.parquet) {
        (Some(path), _) => (ExportFormat::Csv, path),
        (None, Some(path)) => (ExportFormat::Parquet, path),
        (None, None) => anyhow::bail!("name a file with --csv or --parquet"),
    };
    let to_stdout = format == ExportFormat::Csv && path == Path::new("-");
    if to_stdout && args.json {
        anyhow::bail!("--json and --csv - both want standard output; name a file");
    }
    if to_stdout {
        // Kept aside until it is whole: a store that cannot be read prints nothing.
        let mut aside = tempfile::tempfile().context("cannot make a temporary file")?;
        let mut out = io::BufWriter::new(&mut aside);
        export(&store, node.id, span, format, path, &mut out)?;
        out.flush().context("cannot write a temporary file")?;
        drop(out);
        aside.rewind()?;
        let copied = io::copy(&mut aside, &mut io::stdout().lock());
        return match copied {
            // The reader has seen enough.
            Err(e) if e.kind() == io::ErrorKind::BrokenPipe => Ok(Outcome::Done),
            other => other.map(|_| Outcome::Done).context("cannot write to standard output"),
        };
    }
    let records = export_file(&store, node.id, span, format, path)?;
    if args.json {
        let object = serde_json::json!({
            "node_id": node.id.to_string(),
            "feeder": node.feeder,
            "file": path.display().to_string(),
            "records": records,
        });
        print(&format!("{object:#}\n"))?;
    } else {
        let where_to = path.display();
        print(&format!("{records} records of \"{}\" in {where_to}\n", node.feeder))?;
    }
    Ok(Outcome::Done)
}

#[cfg(test)]
mod tests {
    use super::time_ms;

    #[test]
    fn times_may_be_dates_and_have_offsets() {
        let midnight = 1_783_296_000_000;
        assert_eq!(time_ms("2026-07-06"), Ok(midnight));
        assert_eq!(time_ms("2026-07-06T02:00+02:00"), Ok(midnight));
        assert_eq!(time_ms("2026-07-06T00:00:00Z"), Ok(midnight));
        assert_eq!(time_ms("2026-07-06 06:30"), Ok(midnight + 6 * 3_600_000 + 1_800_000));
        assert!(time_ms("yesterday").unwrap_err().contains("2026-07-06"));
    }
}
