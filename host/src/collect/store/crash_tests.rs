//! Stops at every point of an append and of a sealing: the store opens and holds each record once.

use super::tests::{all_records, append, assert_pages, new_store};
use super::{NodeId, Point, Store};
use crate::collect::fake_node::record;
use std::fs;
use std::path::Path;
use tempfile::TempDir;

const NODE: NodeId = NodeId(0xB0A7_0001);

/// A copy of a store as the disk has it at this instant, while the writer still runs.
fn snapshot(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap().map(Result::unwrap) {
        let target = to.join(entry.file_name());
        if entry.file_type().unwrap().is_dir() {
            snapshot(&entry.path(), &target);
        } else {
            fs::copy(entry.path(), target).unwrap();
        }
    }
}

#[test]
fn a_stop_at_any_point_leaves_each_record_exactly_once() {
    let records: Vec<_> = (0..3000).map(record).collect();
    for point in [
        Point::RowsInserted,
        Point::BatchCommitted,
        Point::HalfWritten,
        Point::Synced,
        Point::Renamed,
        Point::Listed,
        Point::SealCommitted,
    ] {
        let folder = TempDir::new().unwrap();
        let mut store = new_store(&folder);
        append(&mut store, &records[..1000]).unwrap();
        store.stop_at = Some(point);
        let appended = append(&mut store, &records);
        let sealed = store.seal_finished(NODE);
        assert!(appended.is_err() || sealed.is_err(), "{point:?} was not passed");
        // What a power cut at this instant would leave, with the writer's memory gone.
        let after = folder.path().join("after");
        snapshot(store.folder(), &after);
        let mut reopened = Store::create(&after).unwrap();
        let held = all_records(&reopened).len();
        let whole = if point == Point::RowsInserted { 1000 } else { 3000 };
        assert_eq!(held, whole, "{point:?}");
        assert_pages(&reopened, &records[..held]);
        // Going on brings everything, once.
        append(&mut reopened, &records).unwrap();
        reopened.seal_finished(NODE).unwrap();
        assert_pages(&reopened, &records);
        assert_eq!(reopened.extent(NODE).unwrap().sealed_files, 2);
        let sealed_folder = after.join("sealed").join(NODE.to_string());
        for entry in fs::read_dir(sealed_folder).unwrap().map(Result::unwrap) {
            let name = entry.file_name().to_string_lossy().into_owned();
            assert!(name.ends_with(".parquet"), "left behind: {name}");
        }
    }
}

#[test]
fn a_stop_while_the_catalogue_is_made_leaves_a_folder_that_works() {
    let folder = TempDir::new().unwrap();
    for leftover in ["catalogue.part", "catalogue.part-journal", "writer.lock"] {
        fs::write(folder.path().join(leftover), "half").unwrap();
    }
    assert!(Store::open(folder.path()).is_err());
    let store = Store::create(folder.path()).unwrap();
    assert_eq!(store.nodes().unwrap(), []);
}
