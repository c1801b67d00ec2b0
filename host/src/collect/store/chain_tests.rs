//! What someone does to a store afterwards is named: in sealed days, in rows, in the catalogue.

use super::columns::columns_since_2;
use super::tests::{all_records, append, assert_pages, new_store};
use super::*;
use crate::collect::chain::{Break, ChainReport, Fault};
use crate::collect::fake_node::{MONDAY_MS, chained, record};
use crate::collect::log::IntervalLog;
use std::fs;
use tempfile::TempDir;
use wattless_core::record::Record;

const NODE: NodeId = NodeId(0xB0A7_0001);
const DAY: u32 = 1440;
const ALL: u32 = 3 * DAY + 100;

fn log() -> Vec<Record> {
    chained(NODE.0, (0..ALL).map(record))
}

/// What is wrong with which records, first and last.
type Named = (Fault, u32, u32);

/// What someone does to the records of a sealed day.
type Forgery<'a> = &'a dyn Fn(&mut Vec<StoredRecord>);

/// A store with three sealed days and some rows.
fn store(folder: &TempDir) -> Store {
    let mut store = new_store(folder);
    append(&mut store, &log()).unwrap();
    store.seal_finished(NODE).unwrap();
    store
}

fn check(store: &Store, span: Span) -> ChainReport {
    store.read_log_checked(NODE, span).unwrap().1
}

/// Equal in every number, not-a-number included.
fn same(a: &IntervalLog, b: &IntervalLog) -> bool {
    format!("{a:?}") == format!("{b:?}")
}

fn named(report: &ChainReport) -> Vec<Named> {
    let what = |b: &Break| (b.fault, b.first_seq, b.last_seq);
    assert_eq!(report.whole, report.breaks.is_empty());
    report.breaks.iter().map(what).collect()
}

/// Writes a sealed day anew with other records, and makes the catalogue fit.
fn forge(store: &Store, first_seq: u32, change: impl FnOnce(&mut Vec<StoredRecord>)) {
    let file: String = store
        .db
        .query_row("SELECT file FROM sealed WHERE first_seq = ?1", [first_seq], |r| r.get(0))
        .unwrap();
    let path = store.folder().join(file);
    let count: u32 = store
        .db
        .query_row("SELECT record_count FROM sealed WHERE first_seq = ?1", [first_seq], |r| {
            r.get(0)
        })
        .unwrap();
    let mut rows = sealed::read_records(fs::read(&path).unwrap().into(), count as usize).unwrap();
    change(&mut rows);
    let bytes = sealed::encode(&rows, NODE, "2026-07-06").unwrap();
    let sum = sealed::CHECKSUM.checksum(&bytes);
    fs::write(&path, &bytes).unwrap();
    let sql = "UPDATE sealed SET record_count = ?2, crc32 = ?3 WHERE first_seq = ?1";
    store.db.execute(sql, rusqlite::params![first_seq, rows.len() as u32, sum]).unwrap();
}

#[test]
fn a_whole_store_is_proven_over_any_span() {
    let folder = TempDir::new().unwrap();
    let store = store(&folder);
    let (log, report) = store.read_log_checked(NODE, Span::ALL).unwrap();
    assert!(same(&log, &store.read_log(NODE, Span::ALL).unwrap()));
    assert!(report.whole && report.begins_at.is_empty());
    assert_eq!((report.records, report.proven), (u64::from(ALL), u64::from(ALL)));
    assert_eq!(report.last_seq, Some(ALL - 1));
    let ms = |minutes: i64| MONDAY_MS + minutes * 60_000;
    for (from, to) in [(1500, 1600), (1500, 3000), (3000, 4330), (4325, 4400), (-50, 10)] {
        let span = Span { from_ms: ms(from), to_ms: ms(to) };
        let (log, report) = store.read_log_checked(NODE, span).unwrap();
        assert!(same(&log, &store.read_log(NODE, span).unwrap()));
        assert!(report.whole && report.begins_at.is_empty(), "{report:?}");
        assert!(report.records >= log.len() as u64 && report.proven == report.records);
    }
}

#[test]
fn a_changed_value_of_a_sealed_day_is_named() {
    for at in [0, 1, 700, 1438] {
        let folder = TempDir::new().unwrap();
        let store = store(&folder);
        forge(&store, 0, |rows| rows[at].record.phases[2].q1_var *= 0.5);
        assert_eq!(named(&check(&store, Span::ALL)), [(Fault::Changed, at as u32, at as u32)]);
        forge(&store, 0, |rows| rows[at].record.phases[2].q1_var *= 2.0);
        forge(&store, 0, |rows| rows[at].record.phases[0].v_rms_v += 0.000_1);
        assert_eq!(named(&check(&store, Span::ALL)), [(Fault::Changed, at as u32, at as u32)]);
        // Outside of the days looked at, it is not seen.
        let later = Span { from_ms: MONDAY_MS + 2000 * 60_000, to_ms: i64::MAX };
        assert!(check(&store, later).whole);
    }
}

/// Any flipped bit of the file is named, refused, or changes nothing that anybody reads.
#[test]
fn no_flipped_bit_of_a_sealed_file_passes() {
    let folder = TempDir::new().unwrap();
    let store = store(&folder);
    let whole = store.read_log(NODE, Span::ALL).unwrap();
    let path = store.folder().join("sealed/00000000b0a70001/2026-07-06_0-1438.parquet");
    let bytes = fs::read(&path).unwrap();
    let (mut named, mut refused) = (0, 0);
    for at in (5..bytes.len()).step_by(bytes.len() / 40) {
        let mut flipped = bytes.clone();
        flipped[at] ^= 0x10;
        fs::write(&path, &flipped).unwrap();
        match store.read_log_checked(NODE, Span::ALL) {
            Err(_) => refused += 1,
            Ok((_, report)) if !report.whole => named += 1,
            Ok((log, _)) => assert!(same(&log, &whole), "byte {at}"),
        }
    }
    assert!(named + refused > 30, "{named} {refused}");
}

#[test]
fn records_removed_from_or_added_to_a_sealed_day_are_named() {
    let cases: [(Forgery, &[Named]); 4] = [
        (&|rows| drop(rows.drain(10..13)), &[(Fault::Removed, 10, 12)]),
        (&|rows| rows.truncate(1438), &[(Fault::Removed, 1438, 1438)]),
        (&|rows| rows.insert(200, rows[100]), &[(Fault::Inserted, 100, 100)]),
        (&|rows| rows.swap(40, 41), &[(Fault::Removed, 40, 40), (Fault::Inserted, 40, 40)]),
    ];
    for (change, want) in cases {
        let folder = TempDir::new().unwrap();
        let store = store(&folder);
        forge(&store, 0, change);
        assert_eq!(named(&check(&store, Span::ALL)), want);
    }
}

#[test]
fn rows_that_someone_edits_are_named() {
    let cases: [(&str, &[Named]); 7] = [
        // Too little to change the page, which is rounded.
        (
            "UPDATE tail SET v_min_l2_v = v_min_l2_v + 0.001 WHERE seq = 4350",
            &[(Fault::Changed, 4350, 4350)],
        ),
        ("UPDATE tail SET p_l1_w = p_l1_w + 1 WHERE seq = 4350", &[(Fault::Changed, 4350, 4350)]),
        ("UPDATE tail SET tag_low = tag_low + 1 WHERE seq = 4350", &[(Fault::Changed, 4350, 4350)]),
        ("UPDATE tail SET end_ms = end_ms - 60000 WHERE seq = 4350", &[(Fault::Moved, 4350, 4350)]),
        ("DELETE FROM tail WHERE seq BETWEEN 4351 AND 4352", &[(Fault::Removed, 4351, 4352)]),
        ("DELETE FROM tail WHERE seq >= 4400", &[(Fault::Removed, 4400, 4419)]),
        (
            "DELETE FROM tail WHERE seq = 4360; UPDATE tail SET seq = 4360 WHERE seq = 4361",
            &[(Fault::Changed, 4360, 4360)],
        ),
    ];
    for (sql, want) in cases {
        let folder = TempDir::new().unwrap();
        let store = store(&folder);
        store.db.execute_batch(sql).unwrap();
        assert_eq!(named(&check(&store, Span::ALL)), want, "{sql}");
    }
}

#[test]
fn a_day_that_is_gone_is_named() {
    for (first, last) in [(0, 1438), (1439, 2878)] {
        let folder = TempDir::new().unwrap();
        let store = store(&folder);
        store.db.execute("DELETE FROM sealed WHERE first_seq = ?1", [first]).unwrap();
        assert_eq!(named(&check(&store, Span::ALL)), [(Fault::Removed, first, last)]);
    }
}

#[test]
fn a_sealed_time_that_was_moved_is_named() {
    let folder = TempDir::new().unwrap();
    let store = store(&folder);
    forge(&store, 0, |rows| rows[9].end_ms = rows[8].end_ms.map(|e| e + 1));
    assert_eq!(named(&check(&store, Span::ALL)), [(Fault::Moved, 9, 9)]);
}

/// A store as the first version made it: records of format 1, no columns for harmonics and tags.
#[test]
fn a_store_of_format_1_is_read_and_goes_on() {
    let folder = TempDir::new().unwrap();
    let mut store = new_store(&folder);
    let old = |s| {
        let mut r = Record { version: 1, ..record(s) };
        r.harmonics = wattless_core::record::RecordHarmonics::NONE;
        r.phases[0].v_rms_v = 230.000_01;
        r.phases[1].i_min_max_a[0] = -3.0;
        r
    };
    let records: Vec<Record> = (0..DAY + 50).map(old).collect();
    append(&mut store, &records).unwrap();
    store.seal_finished(NODE).unwrap();
    // Back to what that version wrote: its file, its table.
    let path = store.folder().join("sealed/00000000b0a70001/2026-07-06_0-1438.parquet");
    let rows = sealed::read_records(fs::read(&path).unwrap().into(), 1439).unwrap();
    let is_new = |c: &Column| columns_since_2().any(|n| n.name == c.name);
    let first: Vec<&Column> = columns().filter(|c| !is_new(c)).collect();
    let bytes = sealed::encode_as(&rows, NODE, "2026-07-06", &first, 1).unwrap();
    fs::write(&path, &bytes).unwrap();
    let sum = sealed::CHECKSUM.checksum(&bytes);
    store.db.execute("UPDATE sealed SET crc32 = ?1", [sum]).unwrap();
    for c in columns_since_2() {
        store.db.execute_batch(&format!("ALTER TABLE tail DROP COLUMN {}", c.name)).unwrap();
    }
    store.db.execute_batch("DROP TABLE clocks; PRAGMA user_version = 1").unwrap();
    let path = store.folder().to_owned();
    drop(store);

    let store = Store::open(&path).unwrap();
    assert_pages(&store, &records);
    let report = check(&store, Span::ALL);
    assert!(report.whole);
    assert_eq!((report.without_tag, report.proven), (u64::from(DAY + 50), 0));
    drop(store);
    // A node with the new program goes on behind them.
    let mut store = Store::create(&path).unwrap();
    let new = chained(NODE.0, (DAY + 50..ALL).map(record));
    append(&mut store, &new).unwrap();
    store.seal_finished(NODE).unwrap();
    assert_eq!(all_records(&store).len(), ALL as usize);
    assert_pages(&store, &records.into_iter().chain(new).collect::<Vec<_>>());
    let report = check(&store, Span::ALL);
    assert!(report.whole && report.proven == u64::from(ALL - DAY - 50), "{report:?}");
}
