//! Sealed days as Parquet files: writing one, and reading chosen columns of one.

use super::columns::{Column, Kind, StoredRecord, Value, column, columns, columns_since_2};
use super::node::NodeId;
use bytes::Bytes;
use parquet::basic::{
    Compression, Encoding, LogicalType, Repetition, TimeUnit, Type as Physical, ZstdLevel,
};
use parquet::column::reader::ColumnReader;
use parquet::data_type::{FloatType, Int32Type, Int64Type};
use parquet::errors::{ParquetError, Result};
use parquet::file::metadata::KeyValue;
use parquet::file::properties::{EnabledStatistics, WriterProperties};
use parquet::file::reader::{FileReader, SerializedFileReader};
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::types::Type;
use std::sync::{Arc, LazyLock};

/// Checksum of a whole file, in the catalogue.
pub(super) const CHECKSUM: crc::Crc<u32, crc::Table<16>> =
    crc::Crc::<u32, crc::Table<16>>::new(&crc::CRC_32_ISO_HDLC);

/// The note in a file that tells the store format.
const STORE_FORMAT: &str = "store_format";

fn physical(kind: Kind) -> (Physical, Option<LogicalType>) {
    match kind {
        Kind::Unsigned(bits) => (Physical::INT32, Some(LogicalType::integer(bits, false))),
        Kind::Wide => (Physical::INT64, None),
        Kind::Time => (Physical::INT64, Some(LogicalType::timestamp(true, TimeUnit::MILLIS))),
        Kind::Real => (Physical::FLOAT, None),
    }
}

static SCHEMA: LazyLock<Result<Arc<Type>>> = LazyLock::new(|| {
    let field = |c: &Column| {
        let (physical, logical) = physical(c.kind);
        Type::primitive_type_builder(c.name, physical)
            .with_repetition(Repetition::REQUIRED)
            .with_logical_type(logical)
            .build()
            .map(Arc::new)
    };
    let fields = columns().map(field).collect::<Result<_>>()?;
    Type::group_type_builder("records").with_fields(fields).build().map(Arc::new)
});

fn schema() -> Result<Arc<Type>> {
    match &*SCHEMA {
        Ok(schema) => Ok(schema.clone()),
        Err(e) => Err(ParquetError::General(e.to_string())),
    }
}

/// Integers lie close to their neighbours, and the bytes of floats to those of their
/// neighbours: each has the encoding that makes use of it.
fn properties(id: NodeId, day: &str) -> Result<WriterProperties> {
    let note = |key: &str, value: String| KeyValue::new(key.to_owned(), value);
    let mut p = WriterProperties::builder()
        .set_created_by(concat!("wattless ", env!("CARGO_PKG_VERSION")).to_owned())
        .set_dictionary_enabled(false)
        .set_statistics_enabled(EnabledStatistics::None)
        .set_offset_index_disabled(true)
        .set_compression(Compression::ZSTD(ZstdLevel::try_new(3)?))
        .set_data_page_row_count_limit(1 << 20)
        .set_data_page_size_limit(1 << 24)
        .set_key_value_metadata(Some(vec![
            note(STORE_FORMAT, super::FORMAT.to_string()),
            note("node_id", id.to_string()),
            note("day_utc", day.to_owned()),
        ]));
    for c in columns() {
        let encoding = match c.kind {
            Kind::Real => Encoding::BYTE_STREAM_SPLIT,
            _ => Encoding::DELTA_BINARY_PACKED,
        };
        p = p.set_column_encoding(c.name.into(), encoding);
    }
    Ok(p.build())
}

/// Writes records, all with a place, as a Parquet file in memory.
pub(super) fn encode(rows: &[StoredRecord], id: NodeId, day: &str) -> Result<Vec<u8>> {
    let mut out = Vec::new();
    let mut file = SerializedFileWriter::new(&mut out, schema()?, Arc::new(properties(id, day)?))?;
    let mut group = file.next_row_group()?;
    for c in columns() {
        let Some(mut writer) = group.next_column()? else {
            return Err(ParquetError::General(format!("no column {}", c.name)));
        };
        let whole = |r: &StoredRecord| match (c.get)(r) {
            Value::Int(x) => x,
            _ => 0,
        };
        match c.kind {
            Kind::Unsigned(_) => {
                // The bits are those of the unsigned number, as the logical type says.
                let values: Vec<i32> = rows.iter().map(|r| whole(r) as u32 as i32).collect();
                writer.typed::<Int32Type>().write_batch(&values, None, None)?;
            }
            Kind::Wide | Kind::Time => {
                let values: Vec<i64> = rows.iter().map(whole).collect();
                writer.typed::<Int64Type>().write_batch(&values, None, None)?;
            }
            Kind::Real => {
                let real = |r| match (c.get)(r) {
                    Value::Real(x) => x,
                    _ => f32::NAN,
                };
                let values: Vec<f32> = rows.iter().map(real).collect();
                writer.typed::<FloatType>().write_batch(&values, None, None)?;
            }
        }
        writer.close()?;
    }
    group.close()?;
    file.close()?;
    Ok(out)
}

/// Values of one column of a file, without a copy per value.
pub(super) enum Values<'a> {
    /// Of [`Kind::Unsigned`]: the bits of the unsigned number.
    Bits(&'a [i32]),
    /// Of [`Kind::Wide`] and [`Kind::Time`].
    Whole(&'a [i64]),
    /// Of [`Kind::Real`].
    Real(&'a [f32]),
}

/// Room for the values of one column, used again for the next.
#[derive(Default)]
pub(super) struct Room {
    bits: Vec<i32>,
    whole: Vec<i64>,
    real: Vec<f32>,
}

/// Reads columns of a file of `count` records and hands each to `take`, with its position in `names`.
///
/// Columns that store format 1 did not have are passed over in its files.
pub(super) fn read(
    bytes: Bytes,
    count: usize,
    names: &[&str],
    room: &mut Room,
    mut take: impl FnMut(usize, Values<'_>) -> Result<()>,
) -> Result<()> {
    let file = SerializedFileReader::new(bytes)?;
    let wrong = |what: String| ParquetError::General(what);
    if file.num_row_groups() != 1 {
        return Err(wrong(format!("{} row groups instead of one", file.num_row_groups())));
    }
    let group = file.get_row_group(0)?;
    let schema = file.metadata().file_metadata().schema_descr();
    let notes = file.metadata().file_metadata().key_value_metadata().map_or(&[][..], |n| n);
    let is_old = notes.iter().any(|n| n.key == STORE_FORMAT && n.value.as_deref() == Some("1"));
    for (at, name) in names.iter().enumerate() {
        // The files are written in the order of the list; another order is searched.
        let expected = columns().position(|c| c.name == *name);
        let is_it = |i: &usize| schema.columns().get(*i).is_some_and(|c| c.name() == *name);
        let found = expected
            .filter(is_it)
            .or_else(|| schema.columns().iter().position(|c| c.name() == *name));
        let Some(found) = found else {
            if is_old && columns_since_2().any(|c| c.name == *name) {
                continue;
            }
            return Err(wrong(format!("no column {name}")));
        };
        let kind = column(name).map(|c| c.kind);
        let read = match (group.get_column_reader(found)?, kind) {
            (ColumnReader::Int32ColumnReader(mut r), Some(Kind::Unsigned(_))) => {
                room.bits.clear();
                r.read_records(count + 1, None, None, &mut room.bits)?;
                take(at, Values::Bits(&room.bits))?;
                room.bits.len()
            }
            (ColumnReader::Int64ColumnReader(mut r), Some(Kind::Wide | Kind::Time)) => {
                room.whole.clear();
                r.read_records(count + 1, None, None, &mut room.whole)?;
                take(at, Values::Whole(&room.whole))?;
                room.whole.len()
            }
            (ColumnReader::FloatColumnReader(mut r), Some(Kind::Real)) => {
                room.real.clear();
                r.read_records(count + 1, None, None, &mut room.real)?;
                take(at, Values::Real(&room.real))?;
                room.real.len()
            }
            _ => return Err(wrong(format!("column {name} has another type"))),
        };
        if read != count {
            return Err(wrong(format!("{read} values in column {name} instead of {count}")));
        }
    }
    Ok(())
}

/// Reads whole records of a file.
pub(super) fn read_records(bytes: Bytes, count: usize) -> Result<Vec<StoredRecord>> {
    let all: Vec<&Column> = columns().collect();
    let names: Vec<&str> = all.iter().map(|c| c.name).collect();
    let mut rows = vec![super::columns::blank(); count];
    read(bytes, count, &names, &mut Room::default(), |at, values| {
        let Some(c) = all.get(at) else { return Ok(()) };
        let value = |row: &mut StoredRecord, v: Value| {
            let wrong = || ParquetError::General(format!("impossible value in {}", c.name));
            (c.set)(row, v).ok_or_else(wrong)
        };
        match values {
            Values::Bits(x) => rows
                .iter_mut()
                .zip(x)
                .try_for_each(|(r, x)| value(r, Value::Int(i64::from(*x as u32)))),
            Values::Whole(x) => {
                rows.iter_mut().zip(x).try_for_each(|(r, x)| value(r, Value::Int(*x)))
            }
            Values::Real(x) => {
                rows.iter_mut().zip(x).try_for_each(|(r, x)| value(r, Value::Real(*x)))
            }
        }
    })?;
    Ok(rows)
}
