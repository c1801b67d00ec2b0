//! Rows of the table of unsealed records: the statements and the way to a record and back.

use super::columns::{Column, Kind, StoredRecord, Value, blank, columns};
use rusqlite::{Row, Statement, types::ValueRef};
use std::sync::LazyLock;

/// Inserts a row: the node's key, then every column.
pub(super) static INSERT: LazyLock<String> = LazyLock::new(|| {
    let names: Vec<_> = columns().map(|c| c.name).collect();
    let marks = vec!["?"; names.len() + 1].join(", ");
    format!("INSERT INTO tail (node, {}) VALUES ({marks})", names.join(", "))
});

/// Selects every column of a node's rows in a range of sequence numbers, in order.
pub(super) static SELECT: LazyLock<String> = LazyLock::new(|| {
    let names: Vec<_> = columns().map(|c| c.name).collect();
    format!(
        "SELECT {} FROM tail WHERE node = ?1 AND seq BETWEEN ?2 AND ?3 ORDER BY seq",
        names.join(", ")
    )
});

/// Runs [`INSERT`] for a record.
pub(super) fn insert(
    statement: &mut Statement<'_>,
    node: i64,
    record: &StoredRecord,
) -> rusqlite::Result<()> {
    statement.raw_bind_parameter(1, node)?;
    for (at, c) in columns().enumerate() {
        match (c.get)(record) {
            Value::Int(x) => statement.raw_bind_parameter(at + 2, x)?,
            Value::Real(x) => statement.raw_bind_parameter(at + 2, f64::from(x))?,
            Value::Missing => statement.raw_bind_parameter(at + 2, rusqlite::types::Null)?,
        }
    }
    statement.raw_execute().map(|_| ())
}

/// Takes one field out of a row.
pub(super) fn value(row: &Row<'_>, at: usize, kind: Kind) -> rusqlite::Result<Value> {
    Ok(match row.get_ref(at)? {
        // Whole numbers come back from a column of reals as reals.
        ValueRef::Real(x) => Value::Real(x as f32),
        ValueRef::Integer(x) if kind == Kind::Real => Value::Real(x as f32),
        ValueRef::Integer(x) => Value::Int(x),
        _ => Value::Missing,
    })
}

/// Makes a record of a row of [`SELECT`]; the column's name when its value is impossible.
pub(super) fn record(row: &Row<'_>) -> rusqlite::Result<Result<StoredRecord, &'static Column>> {
    let mut stored = blank();
    for (at, c) in columns().enumerate() {
        if (c.set)(&mut stored, value(row, at, c.kind)?).is_none() {
            return Ok(Err(c));
        }
    }
    Ok(Ok(stored))
}
