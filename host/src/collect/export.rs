//! Records as CSV or Parquet for other people's tools: one row a record, units in the names.
//!
//! Numbers are scaled to plain units (Wh, Hz, s); what does not exist is empty (CSV) or
//! null (Parquet). A file appears whole or not at all.

use super::store::{Column, NodeId, Show, Span, Store, StoreError, StoredRecord, Value, columns};
use arrow_array::builder::{
    Float32Builder, Float64Builder, Int64Builder, StringBuilder, TimestampMillisecondBuilder,
};
use arrow_array::{ArrayRef, RecordBatch};
use arrow_schema::{ArrowError, DataType, Field, Schema, TimeUnit};
use parquet::arrow::ArrowWriter;
use parquet::basic::{Compression, ZstdLevel};
use parquet::errors::ParquetError;
use parquet::file::properties::WriterProperties;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Rows written to Parquet at a time.
const BATCH: usize = 1 << 16;

/// Why an export failed.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The store cannot be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The file cannot be written.
    #[error("{}: cannot be written: {source}; check the folder and the space on the disk", .path.display())]
    Write {
        /// The file.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// There is nothing to write.
    #[error("there are no records of node {node} in that time")]
    Empty {
        /// The node.
        node: NodeId,
    },
}

/// What was written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Exported {
    /// Rows.
    pub rows: u64,
    /// Columns.
    pub columns: usize,
}

/// A column as it is exported.
#[derive(Clone, Copy)]
enum Shown {
    /// End of the interval in UTC.
    Time,
    /// The names of the flags.
    Remarks,
    /// A column of the store.
    Stored(&'static Column),
}

impl Shown {
    fn all() -> impl Iterator<Item = Shown> {
        [Shown::Time].into_iter().chain(columns().map(Shown::Stored)).chain([Shown::Remarks])
    }

    fn name(self) -> &'static str {
        match self {
            Shown::Time => "end_utc",
            Shown::Remarks => "remarks",
            Shown::Stored(c) => match c.show {
                Show::Scaled { name, .. } | Show::Word { name, .. } => name,
                Show::Same | Show::NonZero => c.name,
            },
        }
    }

    fn kind(self) -> DataType {
        match self {
            Shown::Time => DataType::Timestamp(TimeUnit::Millisecond, Some("UTC".into())),
            Shown::Remarks => DataType::Utf8,
            Shown::Stored(c) => match (c.show, c.kind) {
                (Show::Word { .. }, _) => DataType::Utf8,
                (Show::Scaled { .. }, _) => DataType::Float64,
                (_, super::store::Kind::Real) => DataType::Float32,
                _ => DataType::Int64,
            },
        }
    }

    fn cell(self, r: &StoredRecord) -> Cell {
        let column = match self {
            Shown::Time => return r.end_ms.map_or(Cell::None, Cell::Time),
            Shown::Remarks => {
                return Cell::Text(r.record.flags.names().collect::<Vec<_>>().join(" "));
            }
            Shown::Stored(column) => column,
        };
        if column.phase.is_some_and(|p| p >= r.record.wiring.phases()) {
            return Cell::None;
        }
        match ((column.get)(r), column.show) {
            (Value::Missing, _) => Cell::None,
            (Value::Real(x), _) if x.is_nan() => Cell::None,
            (Value::Real(x), _) => Cell::Real(x),
            (Value::Int(x), Show::Same) => Cell::Int(x),
            (Value::Int(0), Show::NonZero | Show::Scaled { zero_is_missing: true, .. }) => {
                Cell::None
            }
            (Value::Int(x), Show::NonZero) => Cell::Int(x),
            (Value::Int(x), Show::Scaled { places, .. }) => Cell::Scaled(x, places),
            (Value::Int(x), Show::Word { word, .. }) => {
                word(x).map_or(Cell::None, |w| Cell::Text(w.to_owned()))
            }
        }
    }
}

/// One value of an export.
enum Cell {
    None,
    Time(i64),
    Int(i64),
    /// A whole number with the point so many places from its end.
    Scaled(i64, u8),
    Real(f32),
    Text(String),
}

impl Cell {
    fn write(&self, out: &mut impl Write) -> io::Result<()> {
        match self {
            Cell::None => Ok(()),
            Cell::Time(ms) => match jiff::Timestamp::from_millisecond(*ms) {
                Ok(t) => write!(out, "{t}"),
                Err(_) => Ok(()),
            },
            Cell::Int(x) => write!(out, "{x}"),
            Cell::Scaled(x, places) => {
                let unit = 10i64.pow(u32::from(*places));
                let width = usize::from(*places);
                let sign = if *x < 0 { "-" } else { "" };
                let (x, unit) = (x.unsigned_abs(), unit.unsigned_abs());
                write!(out, "{sign}{}.{:0width$}", x / unit, x % unit)
            }
            // Very small and very large numbers would be long rows of zeros.
            Cell::Real(x) if *x != 0.0 && !(1e-4..1e9).contains(&x.abs()) => write!(out, "{x:e}"),
            Cell::Real(x) => write!(out, "{x}"),
            // Words and flag names need no quotes.
            Cell::Text(t) => write!(out, "{t}"),
        }
    }

    fn number(&self) -> Option<f64> {
        match self {
            Cell::Scaled(x, places) => Some(*x as f64 / 10f64.powi(i32::from(*places))),
            _ => None,
        }
    }
}

/// Writes a node's records with a place in the span as CSV.
pub fn write_csv(
    store: &Store,
    node: NodeId,
    span: Span,
    out: &mut impl Write,
    path: &Path,
) -> Result<Exported, ExportError> {
    let failed = |source| ExportError::Write { path: path.to_owned(), source };
    let shown: Vec<Shown> = Shown::all().collect();
    let mut line = || -> Result<u64, ExportError> {
        let names: Vec<&str> = shown.iter().map(|s| s.name()).collect();
        writeln!(out, "{}", names.join(",")).map_err(failed)?;
        let mut rows = 0;
        for record in chosen(store, node, span)? {
            let record = record?;
            for (k, s) in shown.iter().enumerate() {
                if k > 0 {
                    out.write_all(b",").map_err(failed)?;
                }
                s.cell(&record).write(out).map_err(failed)?;
            }
            out.write_all(b"\n").map_err(failed)?;
            rows += 1;
        }
        out.flush().map_err(failed)?;
        Ok(rows)
    };
    finish(line()?, node, shown.len())
}

/// Writes a node's records with a place in the span into a CSV file.
pub fn csv_file(
    store: &Store,
    node: NodeId,
    span: Span,
    path: &Path,
) -> Result<Exported, ExportError> {
    whole_file(path, |file| write_csv(store, node, span, &mut BufWriter::new(file), path))
}

/// Writes a node's records with a place in the span into a Parquet file.
pub fn parquet_file(
    store: &Store,
    node: NodeId,
    span: Span,
    path: &Path,
) -> Result<Exported, ExportError> {
    let shown: Vec<Shown> = Shown::all().collect();
    let failed = |e: ParquetError| ExportError::Write {
        path: path.to_owned(),
        source: io::Error::other(e.to_string()),
    };
    let fields: Vec<Field> = shown.iter().map(|s| Field::new(s.name(), s.kind(), true)).collect();
    let schema = Arc::new(Schema::new(fields));
    whole_file(path, |file| {
        let zstd = ZstdLevel::try_new(3).map_err(failed)?;
        let properties =
            WriterProperties::builder().set_compression(Compression::ZSTD(zstd)).build();
        let mut writer =
            ArrowWriter::try_new(file, Arc::clone(&schema), Some(properties)).map_err(failed)?;
        let (mut rows, mut batch) = (0, Vec::with_capacity(BATCH));
        let mut records = chosen(store, node, span)?;
        loop {
            batch.clear();
            for record in records.by_ref().take(BATCH) {
                batch.push(record?);
            }
            if batch.is_empty() {
                break;
            }
            rows += batch.len() as u64;
            let arrays = shown.iter().map(|s| array(*s, &batch)).collect();
            let made = RecordBatch::try_new(Arc::clone(&schema), arrays);
            let made = made.map_err(|e: ArrowError| failed(e.into()))?;
            writer.write(&made).map_err(failed)?;
        }
        writer.close().map_err(failed)?;
        finish(rows, node, shown.len())
    })
}

fn array(shown: Shown, records: &[StoredRecord]) -> ArrayRef {
    let cells = records.iter().map(|r| shown.cell(r));
    match shown.kind() {
        DataType::Timestamp(..) => {
            let mut b = TimestampMillisecondBuilder::new().with_timezone("UTC");
            cells.for_each(|c| b.append_option(if let Cell::Time(t) = c { Some(t) } else { None }));
            Arc::new(b.finish())
        }
        DataType::Utf8 => {
            let mut b = StringBuilder::new();
            cells.for_each(|c| b.append_option(if let Cell::Text(t) = c { Some(t) } else { None }));
            Arc::new(b.finish())
        }
        DataType::Float64 => {
            let mut b = Float64Builder::new();
            cells.for_each(|c| b.append_option(c.number()));
            Arc::new(b.finish())
        }
        DataType::Float32 => {
            let mut b = Float32Builder::new();
            cells.for_each(|c| b.append_option(if let Cell::Real(x) = c { Some(x) } else { None }));
            Arc::new(b.finish())
        }
        _ => {
            let mut b = Int64Builder::new();
            cells.for_each(|c| b.append_option(if let Cell::Int(x) = c { Some(x) } else { None }));
            Arc::new(b.finish())
        }
    }
}

/// Records of a node with a place in the span; those without a place only when all are asked for.
fn chosen(
    store: &Store,
    node: NodeId,
    span: Span,
) -> Result<impl Iterator<Item = Result<StoredRecord, StoreError>>, StoreError> {
    let all = span == Span::ALL;
    let inside = move |r: &StoredRecord| r.end_ms.map_or(all, |end| span.holds(end));
    let records = store.read_records(node, 0..=u32::MAX)?;
    Ok(records.filter(move |r| r.as_ref().map_or(true, inside)))
}

fn finish(rows: u64, node: NodeId, columns: usize) -> Result<Exported, ExportError> {
    if rows == 0 {
        return Err(ExportError::Empty { node });
    }
    Ok(Exported { rows, columns })
}

/// Lets a file appear only when it is whole.
fn whole_file(
    path: &Path,
    write: impl FnOnce(&std::fs::File) -> Result<Exported, ExportError>,
) -> Result<Exported, ExportError> {
    let failed = |source| ExportError::Write { path: path.to_owned(), source };
    let folder = match path.parent() {
        Some(p) if !p.as_os_str().is_empty() => p,
        _ => Path::new("."),
    };
    let file = tempfile::NamedTempFile::new_in(folder).map_err(failed)?;
    let exported = write(file.as_file())?;
    file.as_file().sync_all().map_err(failed)?;
    file.persist(path).map_err(|e| failed(e.error))?;
    Ok(exported)
}
