//! How fast a store is: appending, bulk writing a year, reading it back as columns.
//!
//! `cargo run --release -p wattless --example store_speed [FOLDER]`

use std::time::Instant;
use wattless::collect::store::{Batch, Kind, NodeId, Span, Store, StoredRecord, Value, columns};
use wattless_core::chain;
use wattless_core::record::{Record, Tag};
use wattless_core::settings::Settings;
use wattless_core::wire::Identity;

const MINUTES: u32 = 525_600;
const START_MS: u64 = 1_767_225_600_000;

/// A record with a day's shape and some noise in every real column.
fn record(seq: u32, noise: &mut u64, tag: &mut Tag) -> Record {
    let mut stored = StoredRecord { record: Record::BLANK, end_ms: None, placed: false };
    let day = libm::sin(f64::from(seq % 1440) / 1440.0 * std::f64::consts::TAU);
    for c in columns().filter(|c| c.kind == Kind::Real) {
        *noise = noise.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
        let mut x = 20_000.0 + 15_000.0 * day + (*noise >> 40) as f64 / 30_000.0;
        if c.name.ends_with("_ratio") {
            x /= 1e6;
        }
        let _ = (c.set)(&mut stored, Value::Real(x as f32));
    }
    let mut r = stored.record;
    r.seq = seq;
    r.boot = 1;
    r.uptime_ms = (u64::from(seq) + 1) * 60_000;
    r.wall_ms = START_MS + r.uptime_ms;
    r.windows = 300;
    r.duration_us = 60_000_000 + (*noise >> 56) as u32;
    r.frequency_10uhz = 5_000_000 + (*noise >> 54) as u32;
    r.energy_counts = std::array::from_fn(|k| u64::from(seq) * (3000 + k as u64) + (*noise >> 58));
    // As the node would have it: every number rounded to its field, and a tag.
    let mut page = r.encode();
    *tag = chain::append(tag, &mut page);
    Record::decode(&page).expect("a sound page")
}

fn resident_mb(field: &str) -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find(|l| l.starts_with(field)).unwrap_or_default();
    line.split_whitespace()
        .nth(1)
        .and_then(|x| x.parse().ok())
        .map_or(f64::NAN, |kb: f64| kb / 1024.0)
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let temporary = tempfile::tempdir()?;
    let folder = std::env::args().nth(1).map_or(temporary.path().join("store"), Into::into);
    let identity = Identity {
        node_id: 1,
        firmware: "0".try_into()?,
        record_version: 2,
        hardware: "bench".try_into()?,
        sample_rate_mhz: 8_000_000,
        boot: 1,
    };
    let id = NodeId(1);
    if !folder.exists() {
        let mut store = Store::create(&folder)?;
        store.meet(&identity, &Settings::default(), 0)?;
        let (mut noise, mut tag) = (1, chain::first_tag(id.0));
        let begin = Instant::now();
        store.append_bulk(id, (0..MINUTES).map(|s| record(s, &mut noise, &mut tag)))?;
        let s = begin.elapsed().as_secs_f64();
        println!("bulk     {:>9.0} records/s   a year in {s:.2} s", f64::from(MINUTES) / s);

        let mut appended = Store::create(folder.with_extension("appended"))?;
        appended.meet(&identity, &Settings::default(), 0)?;
        let records: Vec<_> = (0..14_400).map(|s| record(s, &mut noise, &mut tag)).collect();
        let begin = Instant::now();
        for piece in records.chunks(512) {
            let next_seq = piece.last().map_or(0, |r| r.seq + 1);
            appended.append(id, &Batch { records: piece, gaps: &[], next_seq })?;
        }
        let s = begin.elapsed().as_secs_f64();
        println!("append   {:>9.0} records/s   512 a transaction", records.len() as f64 / s);
        let begin = Instant::now();
        appended.seal_finished(id)?;
        println!("seal     {:>9.2} ms a day", begin.elapsed().as_secs_f64() * 100.0);
    }
    let store = Store::open(&folder)?;
    let size: u64 = std::fs::read_dir(folder.join("sealed").join(id.to_string()))?
        .filter_map(|e| e.ok()?.metadata().ok())
        .map(|m| m.len())
        .sum();
    println!("sealed   {:>9.1} MB", size as f64 / 1e6);
    let before = resident_mb("VmRSS");
    for _ in 0..3 {
        let begin = Instant::now();
        let log = store.read_log(id, Span::ALL)?;
        println!(
            "read_log {:>9.1} ms   {} records",
            begin.elapsed().as_secs_f64() * 1e3,
            log.len()
        );
    }
    for _ in 0..3 {
        let begin = Instant::now();
        let (log, chain) = store.read_log_checked(id, Span::ALL)?;
        println!(
            "checked  {:>9.1} ms   {} records, {} proven",
            begin.elapsed().as_secs_f64() * 1e3,
            log.len(),
            chain.proven
        );
    }
    println!("memory   {:>9.1} MB peak, {before:.1} MB before", resident_mb("VmHWM"));
    let begin = Instant::now();
    let count = store.read_records(id, 0..=u32::MAX)?.filter(Result::is_ok).count();
    println!("records  {:>9.0} ms   {count} records", begin.elapsed().as_secs_f64() * 1e3);
    Ok(())
}
