//! Exports: units, empty cells, whole files, and the same numbers in every format.

use super::export::{ExportError, ExportFormat, export, export_file};
use super::fake_node::{FakeNode, MONDAY_MS, record};
use super::store::{Batch, NodeId, Span, Store};
use parquet::file::reader::{FileReader, SerializedFileReader};
use parquet::record::Field;
use std::collections::HashMap;
use std::path::Path;
use tempfile::TempDir;
use wattless_core::record::{Record, WallQuality};
use wattless_core::wiring::Wiring;

const NODE: NodeId = NodeId(0xB0A7_0001);

/// A store of a sealed day and the beginning of the next; record 3 lacks what can lack.
fn store(folder: &TempDir) -> Store {
    let mut store = Store::create(folder.path().join("store")).unwrap();
    let fake = FakeNode::new([]);
    store.meet(&fake.identity, &fake.settings, MONDAY_MS).unwrap();
    let mut records: Vec<_> = (0..1500).map(record).collect();
    records[3] = Record {
        wiring: Wiring::SinglePhase,
        wall_ms: 0,
        wall_quality: WallQuality::None,
        frequency_10uhz: 0,
        ..records[3]
    };
    store.append(NODE, &Batch { records: &records, gaps: &[], next_seq: 1500 }).unwrap();
    store.seal_finished(NODE).unwrap();
    store
}

fn csv(store: &Store, span: Span) -> Vec<HashMap<String, String>> {
    let mut out = Vec::new();
    let count = export(store, NODE, span, ExportFormat::Csv, Path::new("x"), &mut out).unwrap();
    let text = String::from_utf8(out).unwrap();
    let mut lines = text.lines();
    let names: Vec<_> = lines.next().unwrap().split(',').map(str::to_owned).collect();
    let rows: Vec<HashMap<_, _>> = lines
        .map(|l| {
            let cells: Vec<_> = l.split(',').map(str::to_owned).collect();
            assert_eq!(cells.len(), names.len());
            names.iter().cloned().zip(cells).collect()
        })
        .collect();
    assert_eq!(rows.len() as u64, count);
    rows
}

#[test]
fn csv_has_units_and_leaves_empty_what_there_is_not() {
    let folder = TempDir::new().unwrap();
    let store = store(&folder);
    let rows = csv(&store, Span::ALL);
    assert_eq!(rows.len(), 1500);
    let r = record(7);
    let row = &rows[7];
    for (name, expected) in [
        ("end_utc", "2026-07-06T00:08:00.000Z".to_owned()),
        ("end_ms", (MONDAY_MS + 8 * 60_000).to_string()),
        ("placed", "0".into()),
        ("duration_s", "60.000000".into()),
        ("wall_quality", "host".into()),
        ("wiring", "four-wire".into()),
        ("flags", "64".into()),
        ("remarks", "v_missing".into()),
        ("frequency_hz", "50.00007".into()),
        ("active_in_wh", "70.00".into()),
        ("apparent_vah", "490.00".into()),
        ("v_rms_l1_v", r.phases[0].v_rms_v.to_string()),
        ("q1_l3_var", r.phases[2].q1_var.to_string()),
        ("s_effective_va", String::new()),
        ("channel_i3_im_a", r.channels[5][1].to_string()),
    ] {
        assert_eq!(row[name], expected, "{name}");
    }
    // Record 3: one phase, no neutral, no frequency, no clock; placed by its start.
    let row = &rows[3];
    for name in
        ["v_rms_l2_v", "i_max_l3_a", "i_neutral_a", "frequency_hz", "wall_ms", "channel_v2_re_v"]
    {
        assert_eq!(row[name], "", "{name}");
    }
    assert_eq!((row["placed"].as_str(), row["wall_quality"].as_str()), ("1", "none"));
    assert_eq!(row["end_utc"], "2026-07-06T00:04:00.000Z");
    assert_ne!(row["v_rms_l1_v"], "");
}

#[test]
fn every_number_in_csv_reads_back_to_the_record() {
    let folder = TempDir::new().unwrap();
    let store = store(&folder);
    for (row, s) in csv(&store, Span::ALL).iter().zip(0..) {
        let r = record(s);
        let real = |name: &str| row[name].parse::<f32>().unwrap();
        assert_eq!(real("p_l1_w").to_bits(), r.phases[0].p_w.to_bits());
        assert_eq!(real("v_min_l1_v").to_bits(), r.phases[0].v_min_max_v[0].to_bits());
        assert_eq!(real("channel_v1_im_v").to_bits(), r.channels[0][1].to_bits());
    }
}

#[test]
fn parquet_holds_the_same_as_csv() {
    let folder = TempDir::new().unwrap();
    let store = store(&folder);
    let path = folder.path().join("week.parquet");
    let span = Span { from_ms: MONDAY_MS + 60_000, to_ms: MONDAY_MS + 1_450 * 60_000 };
    let count = export_file(&store, NODE, span, ExportFormat::Parquet, &path).unwrap();
    assert_eq!(count, 1449);
    let rows = csv(&store, span);
    let file = SerializedFileReader::new(std::fs::File::open(&path).unwrap()).unwrap();
    let mut read = 0;
    for (row, text) in file.get_row_iter(None).unwrap().zip(&rows) {
        for (name, field) in row.unwrap().get_column_iter() {
            let text = text[name.as_str()].as_str();
            let same = match field {
                // An empty word and a missing one look the same in CSV.
                Field::Null => text.is_empty(),
                Field::UByte(x) => text == x.to_string(),
                Field::UShort(x) => text == x.to_string(),
                Field::UInt(x) => text == x.to_string(),
                Field::Long(x) => text == x.to_string(),
                Field::Float(x) => text.parse() == Ok(*x),
                Field::Double(x) => text.parse() == Ok(*x),
                Field::Str(x) => text == x,
                Field::TimestampMillis(ms) => {
                    text.parse::<jiff::Timestamp>().unwrap().as_millisecond() == *ms
                }
                other => panic!("{name}: {other:?}"),
            };
            assert!(same, "{name}: {field:?} in Parquet, {text} in CSV");
        }
        read += 1;
    }
    assert_eq!(read, 1449);
}

#[test]
fn a_file_appears_whole_or_not_at_all() {
    let folder = TempDir::new().unwrap();
    let store = store(&folder);
    let path = folder.path().join("week.csv");
    std::fs::write(&path, "of last week").unwrap();
    let sealed = store.folder().join("sealed/00000000b0a70001/2026-07-06_0-1438.parquet");
    let whole = std::fs::read(&sealed).unwrap();
    std::fs::write(&sealed, &whole[..500]).unwrap();
    let error = export_file(&store, NODE, Span::ALL, ExportFormat::Csv, &path).unwrap_err();
    assert!(error.to_string().contains("2026-07-06_0-1438.parquet"), "{error}");
    assert_eq!(std::fs::read_to_string(&path).unwrap(), "of last week");
    assert!(!folder.path().join("week.csv.part").exists());
    std::fs::write(&sealed, &whole).unwrap();
    export_file(&store, NODE, Span::ALL, ExportFormat::Csv, &path).unwrap();
    assert_eq!(std::fs::read_to_string(&path).unwrap().lines().count(), 1501);
    let nowhere = folder.path().join("no/such/week.csv");
    let error = export_file(&store, NODE, Span::ALL, ExportFormat::Csv, &nowhere).unwrap_err();
    assert!(matches!(&error, ExportError::Io { .. }), "{error}");
    assert!(error.to_string().contains("no/such/week.csv"), "{error}");
}
