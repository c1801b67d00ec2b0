//! Records for other people's tools: CSV and Parquet in SI units, what does not exist left empty.
//!
//! One row a record, every column of the store; counts become Wh, Hz and seconds without
//! a digit lost. The numbers of phases, channels and a neutral that the wiring does not have
//! are left empty, as are a frequency, a wall time or an effective power that there is not.

use super::chain::tag_text;
use super::store::{
    Column, Kind, NodeId, Show, Span, Store, StoreError, StoredRecord, Value, columns,
};
use parquet::basic::{Compression, LogicalType, Repetition, TimeUnit, Type as Physical, ZstdLevel};
use parquet::data_type::{ByteArray, ByteArrayType, DoubleType, FloatType, Int32Type, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::types::Type;
use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use wattless_core::flags::Flags;
use wattless_core::record::Tag;

/// Rows of a Parquet file that are gathered before they are written.
const GROUP_ROWS: usize = 65_536;

/// A format of export.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ExportFormat {
    /// Comma-separated values with a line of names.
    Csv,
    /// Parquet.
    Parquet,
}

/// Why an export came to nothing.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The file cannot be written.
    #[error("{}: {source}; check the folder and the room on the disk", .path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// The Parquet writer cannot.
    #[error("{}: {source}", .path.display())]
    Parquet {
        /// The file.
        path: PathBuf,
        /// What the writer says.
        source: ParquetError,
    },
}

/// What one cell of an export holds.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Cell {
    Missing,
    Int(i64),
    /// A whole number of units of ten to the minus so many.
    Decimal(i64, u8),
    Real(f32),
    Word(&'static str),
    /// End of the interval as date and time.
    Time(i64),
    Remarks(u32),
    Tag(Tag),
}

/// One column of an export.
#[derive(Clone, Copy)]
enum Field {
    EndTime,
    Remarks,
    Tag,
    Of(&'static Column),
}

fn fields() -> Vec<Field> {
    let mut all = vec![Field::EndTime];
    for c in columns().filter(|c| !matches!(c.show, Show::Hidden)) {
        all.push(Field::Of(c));
        if c.name == "flags" {
            all.push(Field::Remarks);
        }
    }
    all.push(Field::Tag);
    all
}

impl Field {
    fn name(self) -> &'static str {
        match self {
            Field::EndTime => "end_utc",
            Field::Remarks => "remarks",
            Field::Tag => "tag",
            Field::Of(c) => match c.show {
                Show::Same | Show::NonZero | Show::Hidden => c.name,
                Show::Scaled { name, .. } | Show::Word { name, .. } => name,
            },
        }
    }

    fn cell(self, r: &StoredRecord) -> Cell {
        let c = match self {
            Field::EndTime => return r.end_ms.map_or(Cell::Missing, Cell::Time),
            Field::Remarks => return Cell::Remarks(r.record.flags.0),
            Field::Tag if r.record.version == 1 => return Cell::Missing,
            Field::Tag => return Cell::Tag(r.record.tag),
            Field::Of(c) => c,
        };
        if !c.of.is_in(r.record.wiring) {
            return Cell::Missing;
        }
        match ((c.get)(r), c.show) {
            (Value::Missing, _) => Cell::Missing,
            (Value::Real(x), _) if x.is_nan() => Cell::Missing,
            (Value::Real(x), _) => Cell::Real(x),
            (Value::Int(x), Show::Same | Show::Hidden) => Cell::Int(x),
            (Value::Int(0), Show::NonZero | Show::Scaled { zero_is_missing: true, .. }) => {
                Cell::Missing
            }
            (Value::Int(x), Show::NonZero) => Cell::Int(x),
            (Value::Int(x), Show::Scaled { places, .. }) => Cell::Decimal(x, places),
            (Value::Int(x), Show::Word { word, .. }) => word(x).map_or(Cell::Missing, Cell::Word),
        }
    }

    fn physical(self) -> (Physical, Option<LogicalType>) {
        let time = LogicalType::timestamp(true, TimeUnit::MILLIS);
        match self {
            Field::EndTime => (Physical::INT64, Some(time)),
            Field::Remarks | Field::Tag => (Physical::BYTE_ARRAY, Some(LogicalType::String)),
            Field::Of(c) => match (c.show, c.kind) {
                (Show::Word { .. }, _) => (Physical::BYTE_ARRAY, Some(LogicalType::String)),
                (Show::Scaled { .. }, _) => (Physical::DOUBLE, None),
                (_, Kind::Real) => (Physical::FLOAT, None),
                (_, Kind::Unsigned(bits)) => {
                    (Physical::INT32, Some(LogicalType::integer(bits, false)))
                }
                (_, Kind::Wide | Kind::Time) => (Physical::INT64, None),
            },
        }
    }
}

/// Names of the remarks that are set, parted by spaces.
fn remarks(bits: u32) -> String {
    Flags(bits).names().collect::<Vec<_>>().join(" ")
}

/// A time as RFC 3339 writes it, with milliseconds.
fn rfc3339(ms: i64) -> String {
    match jiff::Timestamp::from_millisecond(ms) {
        Ok(time) => format!("{time:.3}"),
        Err(_) => String::new(),
    }
}

fn write_cell(out: &mut impl Write, cell: Cell) -> io::Result<()> {
    match cell {
        Cell::Missing => Ok(()),
        Cell::Int(x) => write!(out, "{x}"),
        Cell::Decimal(x, places) => {
            let unit = 10_i64.pow(u32::from(places));
            let width = usize::from(places);
            write!(out, "{}.{:0width$}", x / unit, x % unit)
        }
        Cell::Real(x) => write!(out, "{x}"),
        Cell::Word(x) => out.write_all(x.as_bytes()),
        Cell::Time(ms) => out.write_all(rfc3339(ms).as_bytes()),
        Cell::Remarks(bits) => out.write_all(remarks(bits).as_bytes()),
        Cell::Tag(tag) => out.write_all(tag_text(&tag).as_bytes()),
    }
}

/// Exports records to a file, which appears whole or not at all; gives their number.
pub fn export_file(
    store: &Store,
    id: NodeId,
    span: Span,
    format: ExportFormat,
    path: &Path,
) -> Result<u64, ExportError> {
    let io = |source| ExportError::Io { path: path.to_owned(), source };
    let mut name = path.file_name().unwrap_or_default().to_owned();
    name.push(".part");
    let part = path.with_file_name(name);
    let written = File::create(&part).map_err(io).and_then(|file| {
        let mut out = BufWriter::new(file);
        let count = export(store, id, span, format, path, &mut out)?;
        let file = out.into_inner().map_err(|e| io(e.into_error()))?;
        file.sync_all().map_err(io)?;
        fs::rename(&part, path).map_err(io)?;
        Ok(count)
    });
    if written.is_err() {
        let _ = fs::remove_file(&part);
    }
    written
}

/// Exports records to a stream; `name` is what errors call it. Gives the number of records.
pub fn export(
    store: &Store,
    id: NodeId,
    span: Span,
    format: ExportFormat,
    name: &Path,
    out: &mut (impl Write + Send),
) -> Result<u64, ExportError> {
    match format {
        ExportFormat::Csv => csv(store, id, span, name, out),
        ExportFormat::Parquet => parquet(store, id, span, name, out),
    }
}

fn csv(
    store: &Store,
    id: NodeId,
    span: Span,
    name: &Path,
    out: &mut impl Write,
) -> Result<u64, ExportError> {
    let io = |source| ExportError::Io { path: name.to_owned(), source };
    let fields = fields();
    let names: Vec<_> = fields.iter().map(|f| f.name()).collect();
    writeln!(out, "{}", names.join(",")).map_err(io)?;
    let mut count = 0;
    for record in store.read_span(id, span)? {
        let record = record?;
        for (at, field) in fields.iter().enumerate() {
            if at > 0 {
                out.write_all(b",").map_err(io)?;
            }
            write_cell(out, field.cell(&record)).map_err(io)?;
        }
        out.write_all(b"\n").map_err(io)?;
        count += 1;
    }
    out.flush().map_err(io)?;
    Ok(count)
}

fn parquet(
    store: &Store,
    id: NodeId,
    span: Span,
    name: &Path,
    out: &mut (impl Write + Send),
) -> Result<u64, ExportError> {
    let failed = |source| ExportError::Parquet { path: name.to_owned(), source };
    let fields = fields();
    let mut file = open_parquet(&fields, out).map_err(failed)?;
    let mut count = 0;
    let mut rows = Vec::new();
    let mut records = store.read_span(id, span)?;
    loop {
        for record in records.by_ref().take(GROUP_ROWS) {
            rows.push(record?);
        }
        if rows.is_empty() {
            break;
        }
        write_group(&mut file, &fields, &rows).map_err(failed)?;
        count += rows.len() as u64;
        rows.clear();
    }
    file.close().map_err(failed)?;
    Ok(count)
}

fn open_parquet<W: Write + Send>(
    fields: &[Field],
    out: W,
) -> Result<SerializedFileWriter<W>, ParquetError> {
    let column = |f: &Field| {
        let (physical, logical) = f.physical();
        Type::primitive_type_builder(f.name(), physical)
            .with_repetition(Repetition::OPTIONAL)
            .with_logical_type(logical)
            .build()
            .map(Arc::new)
    };
    let columns = fields.iter().map(column).collect::<Result<_, _>>()?;
    let schema = Type::group_type_builder("records").with_fields(columns).build()?;
    let properties = WriterProperties::builder()
        .set_created_by(concat!("wattless ", env!("CARGO_PKG_VERSION")).to_owned())
        .set_compression(Compression::ZSTD(ZstdLevel::try_new(3)?))
        .build();
    SerializedFileWriter::new(out, Arc::new(schema), Arc::new(properties))
}

fn write_group<W: Write + Send>(
    file: &mut SerializedFileWriter<W>,
    fields: &[Field],
    rows: &[StoredRecord],
) -> Result<(), ParquetError> {
    let mut group = file.next_row_group()?;
    for field in fields {
        let Some(mut writer) = group.next_column()? else { break };
        let cells: Vec<Cell> = rows.iter().map(|r| field.cell(r)).collect();
        let there: Vec<i16> = cells.iter().map(|c| i16::from(*c != Cell::Missing)).collect();
        let there = Some(there.as_slice());
        match field.physical().0 {
            Physical::INT32 => {
                // The bits are those of the unsigned number, as the logical type says.
                let v: Vec<_> = cells.iter().filter_map(whole).map(|x| x as u32 as i32).collect();
                writer.typed::<Int32Type>().write_batch(&v, there, None)?;
            }
            Physical::INT64 => {
                let v: Vec<_> = cells.iter().filter_map(whole).collect();
                writer.typed::<Int64Type>().write_batch(&v, there, None)?;
            }
            Physical::DOUBLE => {
                let v: Vec<_> = cells.iter().filter_map(decimal).collect();
                writer.typed::<DoubleType>().write_batch(&v, there, None)?;
            }
            Physical::FLOAT => {
                let v: Vec<_> = cells.iter().filter_map(real).collect();
                writer.typed::<FloatType>().write_batch(&v, there, None)?;
            }
            _ => {
                let v: Vec<_> = cells.iter().filter_map(text).collect();
                writer.typed::<ByteArrayType>().write_batch(&v, there, None)?;
            }
        }
        writer.close()?;
    }
    group.close()?;
    Ok(())
}

fn whole(cell: &Cell) -> Option<i64> {
    match cell {
        Cell::Int(x) | Cell::Time(x) => Some(*x),
        _ => None,
    }
}

fn decimal(cell: &Cell) -> Option<f64> {
    match cell {
        Cell::Decimal(x, places) => Some(*x as f64 / 10_i64.pow(u32::from(*places)) as f64),
        _ => None,
    }
}

fn real(cell: &Cell) -> Option<f32> {
    match cell {
        Cell::Real(x) => Some(*x),
        _ => None,
    }
}

fn text(cell: &Cell) -> Option<ByteArray> {
    match cell {
        Cell::Word(x) => Some(ByteArray::from(*x)),
        Cell::Remarks(bits) => Some(ByteArray::from(remarks(*bits).into_bytes())),
        Cell::Tag(tag) => Some(ByteArray::from(tag_text(tag).into_bytes())),
        _ => None,
    }
}
