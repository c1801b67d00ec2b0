//! How long the survey of a year of one-minute records takes, and how much memory.
//!
//! Prints the best of several runs for a quarter of a year and a year (linear: four times), and
//! the peak of resident memory before and after. Run with `cargo bench --bench survey_year`.

use std::path::Path;
use std::time::{Duration, Instant};
use wattless::analyse::survey::survey;
use wattless::collect::log::IntervalLog;
use wattless::site::Site;
use wattless_core::flags::Flags;
use wattless_tests::made_log::{at, weekday_minutes};

/// Minutes of a year.
const YEAR: usize = 525_600;

/// Runs of which the best counts.
const RUNS: usize = 7;

/// A plant that works on weekdays, with a restart and a gap a day.
fn log(minutes: usize) -> IntervalLog {
    let mut log = at("2026-01-01T00:00:00Z");
    for (minute, works, noise) in weekday_minutes(minutes) {
        if minute % 1440 == 700 {
            log.pause(60.0);
            log.boot += 1;
            log.flags = Flags::BOOTED;
            continue;
        }
        let (kw, kvar) = if works { (70.0 + 30.0 * noise, 65.0) } else { (4.0 + noise, 3.0) };
        log.record(60.0, kw, kvar);
    }
    // A copy has no spare room, so that memory is what the log needs.
    log.log.clone()
}

/// Peak of resident memory, in MiB; `None` where the system does not tell.
fn peak_mib() -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM:"))?;
    let kib: f64 = line.split_whitespace().nth(1)?.parse().ok()?;
    Some(kib / 1024.0)
}

fn best(log: &IntervalLog, site: &Site) -> Duration {
    let mut best = Duration::MAX;
    for _ in 0..RUNS {
        let start = Instant::now();
        let done = survey(log, site);
        best = best.min(start.elapsed());
        assert!(done.is_ok_and(|s| s.demand.block.is_some_and(|b| b.complete > 8000)));
    }
    best
}

fn main() {
    let site = Path::new(env!("CARGO_MANIFEST_DIR")).join("../host/sites/brackwater.toml");
    let site = Site::load(&site).expect("the example site is there");
    let quarter = best(&log(YEAR / 4), &site);
    let year_log = log(YEAR);
    // Where the system allows it, the peak starts anew with what the log holds.
    let _ = std::fs::write("/proc/self/clear_refs", "5");
    let before = peak_mib();
    let year = best(&year_log, &site);
    let after = peak_mib();
    let ms = |d: Duration| d.as_secs_f64() * 1e3;
    println!("survey of {} one-minute records: {:.1} ms", YEAR / 4, ms(quarter));
    println!(
        "survey of {YEAR} one-minute records: {:.1} ms ({:.2} times)",
        ms(year),
        ms(year) / ms(quarter)
    );
    if let (Some(before), Some(after)) = (before, after) {
        println!("peak memory: {before:.1} MiB with the log, {after:.1} MiB after the survey");
    }
}
