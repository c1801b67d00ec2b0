//! Checks what was pulled from the simulated board, for tests/pico.sh.
//!
//! `pico_check STORE FLASH REPORT [plain|faults]`: every record of the store stands in the flash
//! image byte for byte, and none of the image is missing in the store; readings are what the
//! simulated feeder (tests/pico_sim/feeder.mjs) gives; losses are flagged and nothing is bridged.

use std::error::Error;
use std::fs;
use std::path::Path;
use wattless::collect::store::{Span, Store};
use wattless_core::flags::Flags;
use wattless_core::record::{PAGE, Page, Record, check_page};

type Failure = Box<dyn Error>;

/// Two sectors of settings come before the log.
const LOG_START: usize = 2 * 4096;

fn main() -> Result<(), Failure> {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let [store, flash, report, kind] = args.as_slice() else {
        return Err("say STORE FLASH REPORT plain|faults".into());
    };
    let (pulled, report) = (stored(Path::new(store))?, fs::read_to_string(report)?);
    let report: serde_json::Value = serde_json::from_str(&report)?;
    let image = fs::read(flash)?;
    let written = pages(&image)?;
    same(&pulled, &written)?;
    follow(&pulled)?;
    for record in &pulled {
        readings(record)?;
    }
    match kind.as_str() {
        "plain" => plain(&pulled, &report)?,
        "faults" => faults(&pulled, &report)?,
        other => return Err(format!("no such check: {other}").into()),
    }
    let clean = |key: &str| report["flash"][key] == 0;
    if !clean("refused") || !clean("unclean") {
        return Err(format!("the flash was used against its rules: {}", report["flash"]).into());
    }
    println!("{} records as in the flash and as the feeder is", pulled.len());
    Ok(())
}

/// Records of the only node in a store, in order.
fn stored(folder: &Path) -> Result<Vec<Record>, Failure> {
    let store = Store::open(folder)?;
    let node = store.choose(None)?;
    let mut records = Vec::new();
    for stored in store.read_span(node.id, Span::ALL)? {
        records.push(stored?.record);
    }
    Ok(records)
}

/// Sound pages of the ring in order of their numbers.
fn pages(image: &[u8]) -> Result<Vec<(u32, Page)>, Failure> {
    let (all, _) = image.get(LOG_START..).ok_or("the image is too short")?.as_chunks::<PAGE>();
    let slots = u32::try_from(all.len())?;
    let mut found = Vec::new();
    for (slot, page) in (0..slots).zip(all) {
        if page[0] == 0xFF {
            continue;
        }
        check_page(page).map_err(|e| format!("page {slot} of the log: {e:?}"))?;
        let seq = Record::decode(page).map_err(|e| format!("page {slot}: {e:?}"))?.seq;
        if seq % slots != slot {
            return Err(format!("record {seq} stands in page {slot}").into());
        }
        found.push((seq, *page));
    }
    found.sort_unstable_by_key(|(seq, _)| *seq);
    Ok(found)
}

/// What was pulled is what was written, byte for byte; newer pages may not be pulled yet.
fn same(pulled: &[Record], written: &[(u32, Page)]) -> Result<(), Failure> {
    if pulled.len() < 5 {
        return Err(format!("only {} records were pulled", pulled.len()).into());
    }
    for (record, (seq, page)) in pulled.iter().zip(written) {
        if record.seq != *seq || record.encode() != *page {
            return Err(
                format!("record {} differs from page {seq} of the flash", record.seq).into()
            );
        }
    }
    if pulled.len() > written.len() {
        return Err("the store holds more records than the flash".into());
    }
    Ok(())
}

/// Numbers, times and energies only ever rise.
fn follow(pulled: &[Record]) -> Result<(), Failure> {
    for pair in pulled.windows(2) {
        let [a, b] = pair else { continue };
        let rises = b.seq > a.seq
            && (b.boot > a.boot || (b.boot == a.boot && b.uptime_ms > a.uptime_ms))
            && a.energy_counts.iter().zip(&b.energy_counts).all(|(x, y)| x <= y);
        if !rises {
            return Err(format!("record {} does not follow record {}", b.seq, a.seq).into());
        }
    }
    Ok(())
}

/// 230 V and 50 A that lag by 60°, on every phase; V and I within 0.01 %, P and Q1 within 0.01 % of S.
fn readings(record: &Record) -> Result<(), Failure> {
    // The first record ends where the settings came: until then counts were not volts.
    if record.flags.contains(Flags::ENERGY_RESTARTED) {
        return Ok(());
    }
    let (v, i, s) = (230.0, 50.0, 230.0 * 50.0);
    let near = |x: f32, wanted: f64, of: f64| (f64::from(x) - wanted).abs() <= 1e-4 * of;
    for p in &record.phases {
        let good = near(p.v_rms_v, v, v)
            && near(p.i_rms_a, i, i)
            && near(p.p_w, 0.5 * s, s)
            && near(p.q1_var, libm::sqrt(0.75) * s, s);
        if !good {
            return Err(format!("record {} reads {p:?}", record.seq).into());
        }
    }
    let hz = record.frequency_hz().ok_or("a record has no frequency")?;
    if (hz - 50.0).abs() > 1e-3 {
        return Err(format!("record {} reads {hz} Hz", record.seq).into());
    }
    // What is missing in the interval is said to be missing: windows are never stretched.
    let whole_us = u64::from(record.windows) * 200_000;
    if u64::from(record.duration_us).abs_diff(whole_us) > 200 {
        return Err(format!(
            "record {} has {} windows in {} µs",
            record.seq, record.windows, record.duration_us
        )
        .into());
    }
    Ok(())
}

/// An undisturbed run: nothing is lost, nothing is flagged, once the settings have come.
///
/// Settings are stored at once, and the erase of their sector may outlast the queue of frames:
/// the record in which they came may tell of lost frames, no other.
fn plain(pulled: &[Record], report: &serde_json::Value) -> Result<(), Failure> {
    let lost = pulled.iter().find(|r| {
        let lossy = r.frames_lost > 0 || r.flags.contains(Flags::FRAMES_LOST);
        lossy && !r.flags.contains(Flags::SETTINGS_CHANGED)
    });
    if let Some(record) = lost {
        return Err(format!("record {} lost {} frames", record.seq, record.frames_lost).into());
    }
    if report["starts"].as_array().map(Vec::len) != Some(1) {
        return Err(format!("not undisturbed: {report}").into());
    }
    Ok(())
}

/// Damaged frames, missing edges, a power cut and a hanging processor, each seen in the log.
fn faults(pulled: &[Record], report: &serde_json::Value) -> Result<(), Failure> {
    let lossy = pulled.iter().filter(|r| r.frames_lost > 0);
    let unflagged = lossy.clone().find(|r| !r.flags.contains(Flags::FRAMES_LOST));
    if let Some(record) = unflagged {
        return Err(format!("record {} lost frames and does not say so", record.seq).into());
    }
    let (count, lost) = lossy.fold((0, 0), |(n, sum), r| (n + 1, sum + u32::from(r.frames_lost)));
    if count < 2 {
        return Err(
            format!("{count} records tell of lost frames; two disturbances were made").into()
        );
    }
    let mut starts: Vec<u32> = pulled.iter().map(|r| r.boot).collect();
    starts.dedup();
    let made: Vec<&str> =
        report["starts"].as_array().into_iter().flatten().filter_map(|s| s.as_str()).collect();
    if starts.len() < 3 || !made.contains(&"watchdog") || !made.contains(&"power") {
        return Err(format!("starts {starts:?} in the log, {made:?} were made").into());
    }
    println!("{lost} frames lost in {count} records, starts {starts:?} after {made:?}");
    Ok(())
}
