//! The store: nothing lost on the way in and out, formats, locks, spans, several nodes.

use super::*;
use crate::collect::fake_node::{FakeNode, MONDAY_MS, record};
use crate::collect::log::IntervalLog;
use proptest::prelude::*;
use std::fs;
use tempfile::TempDir;
use wattless_core::record::{Record, WallQuality, round_f24};
use wattless_core::wire::Identity;

const NODE: NodeId = NodeId(0xB0A7_0001);
const DAY: u32 = 1440;

/// A new store that has met the node.
pub(super) fn new_store(folder: &TempDir) -> Store {
    let mut store = Store::create(folder.path().join("store")).unwrap();
    let node = FakeNode::new([]);
    store.meet(&node.identity, &node.settings, MONDAY_MS).unwrap();
    store
}

pub(super) fn append(store: &mut Store, records: &[Record]) -> Result<Appended, StoreError> {
    let next_seq = records.last().map_or(0, |r| r.seq + 1);
    store.append(NODE, &Batch { records, gaps: &[], next_seq })
}

pub(super) fn all_records(store: &Store) -> Vec<StoredRecord> {
    store.read_records(NODE, 0..=u32::MAX).unwrap().collect::<Result<_, _>>().unwrap()
}

/// Every page is as the node wrote it.
pub(super) fn assert_pages(store: &Store, expected: &[Record]) {
    let got = all_records(store);
    assert_eq!(got.len(), expected.len());
    for (got, want) in got.iter().zip(expected) {
        assert!(got.record.encode() == want.encode(), "{:?} {want:?}", got.record);
    }
}

#[test]
fn records_return_byte_by_byte_from_tail_and_sealed_days() {
    let folder = TempDir::new().unwrap();
    let mut store = new_store(&folder);
    let records: Vec<_> = (0..3 * DAY + 100).map(record).collect();
    for piece in records.chunks(700) {
        append(&mut store, piece).unwrap();
        assert_pages(&store, &records[..piece.last().unwrap().seq as usize + 1]);
        store.seal_finished(NODE).unwrap();
    }
    let extent = store.extent(NODE).unwrap();
    // The interval that ends at midnight ends on the next day.
    assert_eq!((extent.sealed_files, extent.sealed_records), (3, u64::from(3 * DAY - 1)));
    assert_eq!((extent.records, extent.unplaced), (u64::from(3 * DAY + 100), 0));
    assert_eq!((extent.first_seq, extent.last_seq), (Some(0), Some(3 * DAY + 99)));
    assert_pages(&store, &records);
    let some: Vec<_> = store.read_records(NODE, 1438..=1441).unwrap().map(Result::unwrap).collect();
    assert_eq!(some.iter().map(|r| r.record.seq).collect::<Vec<_>>(), [1438, 1439, 1440, 1441]);
}

fn any_f24() -> impl Strategy<Value = f32> {
    prop_oneof![
        any::<u32>()
            .prop_map(|b| f32::from_bits(b & 0xFFFF_FF00))
            .prop_filter("finite", |x| x.is_finite()),
        Just(f32::NAN),
        Just(-0.0),
        Just(f32::INFINITY),
        Just(round_f24(f32::MIN_POSITIVE / 4.0)),
    ]
}

fn any_single() -> impl Strategy<Value = f32> {
    prop_oneof![any::<f32>().prop_filter("one kind of NaN", |x| !x.is_nan()), Just(-0.0)]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]
    /// Each field in turn takes any value that fits it; the rest stays.
    #[test]
    fn any_value_of_any_field_returns(
        whole in prop::collection::vec(any::<u64>(), 40),
        singles in prop::collection::vec(any_single(), 12),
        f24s in prop::collection::vec(any_f24(), 40),
    ) {
        let folder = TempDir::new().unwrap();
        let mut store = new_store(&folder);
        let (mut singles, mut f24s) = (singles.into_iter().cycle(), f24s.into_iter().cycle());
        let mut whole = whole.into_iter().cycle();
        let records: Vec<Record> = (0..6u32).map(|seq| {
            let mut s = StoredRecord { record: record(seq), end_ms: None, placed: false };
            for c in columns() {
                let is_single = |p: &str| c.name.starts_with(p) && c.phase.is_some();
                let value = match c.kind {
                    Kind::Real if ["v_rms", "i_rms", "p_l", "q1_l"].into_iter().any(is_single) =>
                        Value::Real(singles.next().unwrap()),
                    Kind::Real => Value::Real(f24s.next().unwrap()),
                    Kind::Unsigned(bits) => {
                        Value::Int((whole.next().unwrap() & ((1 << bits) - 1)) as i64)
                    }
                    Kind::Wide => Value::Int((whole.next().unwrap() >> 16) as i64),
                    Kind::Time => continue,
                };
                // Codes keep to those there are.
                let _ = (c.set)(&mut s, value);
            }
            let mut r = s.record;
            r.seq = seq;
            // Within what a date can be, and three on one day, three on the next.
            r.wall_ms = (MONDAY_MS as u64) + u64::from(seq) / 3 * 86_400_000 + 1;
            r.frequency_10uhz &= 0xFF_FFFF;
            r
        }).collect();
        append(&mut store, &records).unwrap();
        assert_pages(&store, &records);
        store.seal_finished(NODE).unwrap();
        prop_assert_eq!(store.extent(NODE).unwrap().sealed_records, 3);
        assert_pages(&store, &records);
    }
}

#[test]
fn the_log_is_what_pushing_records_gives() {
    let folder = TempDir::new().unwrap();
    let mut store = new_store(&folder);
    let records: Vec<_> = (0..2 * DAY + 300).map(record).collect();
    append(&mut store, &records).unwrap();
    store.seal_finished(NODE).unwrap();
    let ends = |s: u32| MONDAY_MS + i64::from(s) * 60_000;
    for span in [
        Span::ALL,
        Span { from_ms: ends(100), to_ms: ends(1600) },
        Span { from_ms: ends(2881), to_ms: ends(2890) },
        Span { from_ms: 0, to_ms: MONDAY_MS },
    ] {
        let mut expected = IntervalLog::default();
        for r in records.iter().filter(|r| span.holds(r.wall_ms as i64)) {
            expected.push(r, r.wall_ms as i64, false);
        }
        let got = store.read_log(NODE, span).unwrap();
        assert_eq!(got.len(), expected.len());
        // Not-a-number differs from itself: compare as text.
        assert!(format!("{got:?}") == format!("{expected:?}"), "{span:?}");
    }
    let day = Span { from_ms: ends(1440), to_ms: ends(2880) };
    assert_eq!(store.read_log(NODE, day).unwrap().len(), 1440);
}

#[test]
fn a_clock_set_back_keeps_every_record_once_and_in_order_of_time() {
    let folder = TempDir::new().unwrap();
    let mut store = new_store(&folder);
    let mut records: Vec<_> = (0..DAY + 600).map(record).collect();
    for r in &mut records[1500..1520] {
        r.wall_ms -= 86_400_000;
    }
    append(&mut store, &records).unwrap();
    store.seal_finished(NODE).unwrap();
    assert_pages(&store, &records);
    let log = store.read_log(NODE, Span::ALL).unwrap();
    assert_eq!(log.len(), records.len());
    assert!(log.end_ms.is_sorted());
    assert_eq!(log.seq[60..64], [60, 1500, 61, 1501]);
}

#[test]
fn what_is_stored_is_not_stored_again() {
    let folder = TempDir::new().unwrap();
    let mut store = new_store(&folder);
    let records: Vec<_> = (0..20).map(record).collect();
    assert_eq!(append(&mut store, &records[..12]).unwrap().new, 12);
    let second = append(&mut store, &records).unwrap();
    assert_eq!(second, Appended { new: 8, already_stored: 12 });
    assert_pages(&store, &records);
    let twice = [record(30), record(30)];
    assert!(matches!(append(&mut store, &twice), Err(StoreError::Order { found: 30, .. })));
    assert_pages(&store, &records);
}

#[test]
fn gaps_are_remembered() {
    let folder = TempDir::new().unwrap();
    let mut store = new_store(&folder);
    let gaps = [
        Gap { first_seq: 0, last_seq: 4, reason: GapReason::Overwritten },
        Gap { first_seq: 6, last_seq: 6, reason: GapReason::Void },
    ];
    let records = [record(5), record(7)];
    store.append(NODE, &Batch { records: &records, gaps: &gaps, next_seq: 8 }).unwrap();
    assert_eq!(store.gaps(NODE).unwrap(), gaps);
    assert_eq!(store.node(NODE).unwrap().unwrap().next_seq, Some(8));
}

#[test]
fn a_second_writer_is_told_and_readers_are_not_disturbed() {
    let folder = TempDir::new().unwrap();
    let mut store = new_store(&folder);
    append(&mut store, &[record(0)]).unwrap();
    let path = store.folder().to_owned();
    let error = Store::create(&path).err().unwrap();
    assert!(matches!(error, StoreError::InUse { .. }), "{error}");
    let mut reader = Store::open(&path).unwrap();
    assert_eq!(all_records(&reader).len(), 1);
    assert!(matches!(append(&mut reader, &[record(1)]), Err(StoreError::ReadOnly { .. })));
    append(&mut store, &[record(1)]).unwrap();
    assert_eq!(all_records(&reader).len(), 2);
    drop(store);
    assert!(Store::create(&path).is_ok());
}

#[test]
fn a_store_of_a_newer_version_is_left_as_it_is() {
    let folder = TempDir::new().unwrap();
    let store = new_store(&folder);
    let path = store.folder().to_owned();
    store.db.pragma_update(None, "user_version", FORMAT + 1).unwrap();
    drop(store);
    let before = fs::read(path.join(CATALOGUE)).unwrap();
    for result in [Store::open(&path), Store::create(&path)] {
        let error = result.err().unwrap();
        assert!(matches!(error, StoreError::Newer { found, .. } if found == FORMAT + 1), "{error}");
    }
    assert_eq!(fs::read(path.join(CATALOGUE)).unwrap(), before);
    assert!(!path.join("catalogue.sqlite-wal").exists());
}

#[test]
fn what_is_no_store_is_not_touched() {
    let folder = TempDir::new().unwrap();
    let path = folder.path();
    assert!(matches!(Store::open(path.join("none")), Err(StoreError::NotAStore { .. })));
    fs::write(path.join("letter.txt"), "of someone").unwrap();
    assert!(matches!(Store::create(path), Err(StoreError::Occupied { .. })));
    let other = path.join("other");
    fs::create_dir(&other).unwrap();
    let db = rusqlite::Connection::open(other.join(CATALOGUE)).unwrap();
    db.execute_batch("CREATE TABLE songs (title TEXT)").unwrap();
    drop(db);
    assert!(matches!(Store::create(&other), Err(StoreError::NotAStore { .. })));
    assert!(matches!(Store::open(&other), Err(StoreError::NotAStore { .. })));
    fs::write(other.join(CATALOGUE), "short").unwrap();
    assert!(matches!(Store::open(&other), Err(StoreError::NotAStore { .. })));
}

#[test]
fn one_of_several_nodes_must_be_chosen() {
    let folder = TempDir::new().unwrap();
    let mut store = Store::create(folder.path()).unwrap();
    assert!(matches!(store.choose(None), Err(StoreError::NoNode { .. })));
    let mut fake = FakeNode::new([]);
    store.meet(&fake.identity, &fake.settings, MONDAY_MS).unwrap();
    assert_eq!(store.choose(None).unwrap().id, NODE);
    fake.identity = Identity { node_id: 0xFFFF_0000_0000_0002, ..fake.identity };
    fake.settings.feeder = "Planer".try_into().unwrap();
    store.meet(&fake.identity, &fake.settings, MONDAY_MS).unwrap();
    let error = store.choose(None).unwrap_err().to_string();
    assert!(error.contains("00000000b0a70001 (\"Sawmill main\")"), "{error}");
    assert!(error.contains("ffff000000000002 (\"Planer\")"), "{error}");
    assert_eq!(store.choose(Some("Planer")).unwrap().id.0, fake.identity.node_id);
    assert_eq!(store.choose(Some("b0a70001")).unwrap().id, NODE);
    assert!(matches!(store.choose(Some("Lathe")), Err(StoreError::NoSuchNode { .. })));
    let info = store.choose(Some("Planer")).unwrap();
    assert_eq!(info.settings().unwrap(), fake.settings);

    let other = NodeId(fake.identity.node_id);
    let same = [record(0), record(1)];
    append(&mut store, &same).unwrap();
    store.append(other, &Batch { records: &same[..1], gaps: &[], next_seq: 1 }).unwrap();
    assert_eq!(store.extent(NODE).unwrap().records, 2);
    assert_eq!(store.extent(other).unwrap().records, 1);
}

/// Records without wall time, of boots given as (boot, first seq, count, wall time from record on).
fn boots(list: &[(u32, u32, u32, Option<u32>)]) -> Vec<Record> {
    let mut records = Vec::new();
    for &(boot, first, count, wall_from) in list {
        for k in 0..count {
            let mut r = record(first + k);
            r.boot = boot;
            r.uptime_ms = u64::from(k + 1) * 60_000;
            if wall_from.is_none_or(|from| k < from) {
                (r.wall_ms, r.wall_quality) = (0, WallQuality::None);
            }
            records.push(r);
        }
    }
    records
}

#[test]
fn records_without_wall_time_are_placed_by_their_boot() {
    let folder = TempDir::new().unwrap();
    let mut store = new_store(&folder);
    // Boot 1 has wall time from its fourth record on, boot 2 none, boot 3 is the present one.
    let records = boots(&[(1, 0, 6, Some(3)), (2, 6, 4, None), (3, 10, 2, None)]);
    append(&mut store, &records[..2]).unwrap();
    assert_eq!(store.extent(NODE).unwrap().unplaced, 2);
    assert_eq!(store.read_log(NODE, Span::ALL).unwrap().len(), 0);
    append(&mut store, &records).unwrap();
    assert_eq!(store.extent(NODE).unwrap().unplaced, 6);
    store.note_start(NODE, 3, MONDAY_MS + 3_600_000, StartSource::HostClock).unwrap();
    store.place_finished(NODE, Some(3)).unwrap();
    let log = store.read_log(NODE, Span::ALL).unwrap();
    let minutes: Vec<_> = log.end_ms.iter().map(|e| (e - MONDAY_MS) / 60_000).collect();
    assert_eq!(minutes, [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 61, 62]);
    let own: Vec<_> = log.placed.iter().map(|p| u8::from(*p)).collect();
    assert_eq!(own, [1, 1, 1, 0, 0, 0, 1, 1, 1, 1, 1, 1]);
    assert_pages(&store, &records);
}

#[test]
fn nothing_is_sealed_past_a_record_without_a_place() {
    let folder = TempDir::new().unwrap();
    let mut store = new_store(&folder);
    let mut records = boots(&[(1, 0, 10, None)]);
    records.extend((10..2 * DAY).map(|s| Record { boot: 2, ..record(s) }));
    append(&mut store, &records).unwrap();
    assert_eq!(store.seal_finished(NODE).unwrap().files, 0);
    store.place_finished(NODE, Some(2)).unwrap();
    // Boot 1 ends where boot 2 begins, so most of it lies on the Sunday before.
    assert_eq!(store.seal_finished(NODE).unwrap().files, 3);
    assert_pages(&store, &records);
    // Boot 1 ends where boot 2 began.
    let start = all_records(&store)[10].end_ms.unwrap() - records[10].uptime_ms as i64;
    assert_eq!(all_records(&store)[9].end_ms, Some(start));
}

#[test]
fn a_damaged_sealed_file_is_named() {
    let folder = TempDir::new().unwrap();
    let mut store = new_store(&folder);
    let records: Vec<_> = (0..DAY + 10).map(record).collect();
    append(&mut store, &records).unwrap();
    store.seal_finished(NODE).unwrap();
    let file: String = store.db.query_row("SELECT file FROM sealed", [], |r| r.get(0)).unwrap();
    assert_eq!(file, "sealed/00000000b0a70001/2026-07-06_0-1438.parquet");
    let path = store.folder().join(&file);
    let whole = fs::read(&path).unwrap();
    let read = |store: &Store| {
        store.read_records(NODE, 0..=u32::MAX).unwrap().collect::<Result<Vec<_>, _>>().err()
    };
    let mut flipped = whole.clone();
    flipped[whole.len() / 2] ^= 4;
    fs::write(&path, &flipped).unwrap();
    assert!(read(&store).unwrap().to_string().contains(&file));
    fs::write(&path, &whole[..whole.len() - 9]).unwrap();
    assert!(store.read_log(NODE, Span::ALL).unwrap_err().to_string().contains(&file));
    fs::remove_file(&path).unwrap();
    assert!(store.read_log(NODE, Span::ALL).unwrap_err().to_string().contains(&file));
    fs::write(&path, &whole).unwrap();
    assert_pages(&store, &records);
}

#[test]
fn the_bulk_writer_makes_the_same_store() {
    let folder = TempDir::new().unwrap();
    let mut store = new_store(&folder);
    let records: Vec<_> = (0..4 * DAY + 77).map(record).collect();
    assert_eq!(store.append_bulk(NODE, records[..3000].iter().copied()).unwrap().new, 3000);
    assert_eq!(store.append_bulk(NODE, records[3000..].iter().copied()).unwrap().new, 2837);
    assert_eq!(store.extent(NODE).unwrap().sealed_files, 4);
    assert_pages(&store, &records);
    assert_eq!(append(&mut store, &records).unwrap().new, 0);
}
