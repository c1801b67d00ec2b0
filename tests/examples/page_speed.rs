//! How fast the page answers over a store that holds a year of minutes, and how many bytes it is.
//!
//! Makes the store and draws the page of one node as a browser gets it at first, pictures of the day
//! and the week included; prints the best and the median of several, each with the store opened anew.
//! `cargo run --release -p wattless-tests --example page_speed`

use std::sync::Arc;
use std::time::Instant;
use wattless::site::Site;
use wattless::watch::page::view::View;
use wattless::watch::state::{Link, Shared};
use wattless_core::wire::{Live, LivePhase};
use wattless_core::wiring::Wiring;
use wattless_tests::made_log::{LogMaker, weekday_minutes};
use wattless_tests::made_store;

/// Minutes of a year.
const YEAR: usize = 525_600;

/// Runs.
const RUNS: usize = 15;

/// The newest window of the made node.
fn live() -> Live {
    let phase = LivePhase {
        v_rms_v: 231.0,
        i_rms_a: 120.0,
        p_w: 23_000.0,
        q1_var: 15_000.0,
        s_va: 27_700.0,
        loaded: true,
    };
    Live {
        uptime_ms: 1000,
        wiring: Wiring::FourWire,
        frequency_hz: Some(50.01),
        flags: 0,
        phases: [phase; 3],
        s_effective_va: None,
        energy_counts: [0; 7],
    }
}

fn main() {
    let folder = tempfile::tempdir().expect("a folder");
    let store = folder.path().join("store");
    let now_ms = jiff::Timestamp::now().as_millisecond() / 60_000 * 60_000;
    let mut log = LogMaker::at(now_ms - YEAR as i64 * 60_000);
    for (_, works, noise) in weekday_minutes(YEAR) {
        let (kw, kvar) = if works { (70.0 + 30.0 * noise, 65.0) } else { (4.0 + noise, 3.0) };
        log.record(60.0, kw, kvar);
    }
    made_store::store(&store, &[("Sawmill main", &log.log)]);
    let site = Site::default();
    let mut times = Vec::new();
    let mut bytes = 0;
    for _ in 0..RUNS {
        let shared = Arc::new(Shared::new(["tcp:made:1".to_owned()]));
        shared.change(0, |s| {
            s.node_id = "0000000000005a17".to_owned();
            s.feeder = "Sawmill main".to_owned();
            s.link = Link::Up;
            s.heard_ms = Some(now_ms);
            s.live = Some(live());
            s.newest_record_ms = Some(now_ms);
        });
        let view = View::new(shared, site.clone(), site.watch.clone(), store.clone());
        let begin = Instant::now();
        let text = view.html(None);
        times.push(begin.elapsed().as_secs_f64() * 1e3);
        assert!(text.contains("Power over the last 7 days"), "the week is not in the page");
        bytes = text.len() + wattless::watch::page::html::SCRIPT.len();
    }
    times.sort_by(f64::total_cmp);
    println!(
        "page with day and week over a year of minutes: {:.1} ms at best, {:.1} ms median",
        times[0],
        times[RUNS / 2]
    );
    println!("first paint: {bytes} bytes with its script");
    assert!(bytes < 200_000, "too many bytes");
}
