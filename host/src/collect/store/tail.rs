//! Rows of the table of unsealed records: the statements and the way to a record and back.

use super::columns::{Column, Kind, StoredRecord, Value, blank, columns};
use rusqlite::{Row, Statement, types::ValueRef};
use std::sync::LazyLock;

/// The column that keeps the signs of zeros, which SQLite drops: one bit for each column of
/// reals, in their order, set where the value is −0.
pub(super) const NEGATIVE_ZEROS: &str = "negative_zeros";

/// Inserts a row: the node's key, every column, the signs of zeros.
pub(super) static INSERT: LazyLock<String> = LazyLock::new(|| {
    let names: Vec<_> = columns().map(|c| c.name).collect();
    let marks = vec!["?"; names.len() + 2].join(", ");
    format!("INSERT INTO tail (node, {}, {NEGATIVE_ZEROS}) VALUES ({marks})", names.join(", "))
});

/// Selects every column of a node's rows in a range of sequence numbers, in order.
pub(super) static SELECT: LazyLock<String> = LazyLock::new(|| {
    let names: Vec<_> = columns().map(|c| c.name).collect();
    format!(
        "SELECT {}, {NEGATIVE_ZEROS} FROM tail \
         WHERE node = ?1 AND seq BETWEEN ?2 AND ?3 ORDER BY seq",
        names.join(", ")
    )
});

/// The bit of a column in [`NEGATIVE_ZEROS`]; columns of other kinds have none.
pub(super) fn zero_bits() -> impl Iterator<Item = (&'static Column, i64)> {
    let mut bit = 1i64;
    columns().map(move |c| {
        let mine = if c.kind == Kind::Real { bit } else { 0 };
        bit <<= u32::from(c.kind == Kind::Real);
        (c, mine)
    })
}

/// Runs [`INSERT`] for a record.
pub(super) fn insert(
    statement: &mut Statement<'_>,
    node: i64,
    record: &StoredRecord,
) -> rusqlite::Result<()> {
    statement.raw_bind_parameter(1, node)?;
    let (mut at, mut zeros) = (2, 0);
    for (c, bit) in zero_bits() {
        match (c.get)(record) {
            Value::Int(x) => statement.raw_bind_parameter(at, x)?,
            Value::Real(x) => {
                zeros |= if x == 0.0 && x.is_sign_negative() { bit } else { 0 };
                statement.raw_bind_parameter(at, f64::from(x))?;
            }
            Value::Missing => statement.raw_bind_parameter(at, rusqlite::types::Null)?,
        }
        at += 1;
    }
    statement.raw_bind_parameter(at, zeros)?;
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
    let zeros: i64 = row.get(NEGATIVE_ZEROS)?;
    for (at, (c, bit)) in zero_bits().enumerate() {
        let value = signed(value(row, at, c.kind)?, zeros & bit != 0);
        if (c.set)(&mut stored, value).is_none() {
            return Ok(Err(c));
        }
    }
    Ok(Ok(stored))
}

/// Gives a zero its sign back.
pub(super) fn signed(value: Value, is_negative: bool) -> Value {
    if is_negative { Value::Real(-0.0) } else { value }
}
