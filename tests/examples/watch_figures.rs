//! Memory and time of `wattless watch`: prints its resident memory after a year in the store and
//! along a run, its share of a core with one node and with ten, and how fast the page answers.
//!
//! `cargo run --release -p wattless-tests --example watch_figures [SECONDS]`; each of the three runs
//! takes so many seconds (60). Works on Linux, which tells memory and time under /proc.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::time::{Duration, Instant};
use wattless::bench::Scenario;
use wattless::bench::flash::RamFlash;
use wattless::collect::store::{NodeId, Store};
use wattless_core::record::{PAGE, Record};
use wattless_core::settings::Settings;
use wattless_core::wire::Identity;
use wattless_core::wiring::Wiring;
use wattless_tests::made_log::{LogMaker, kvar, weekday_minutes};
use wattless_tests::made_store;
use wattless_tests::rough_plant::RoughPlant;
use wattless_tests::watching::{Watching, until};

/// Minutes of a year.
const YEAR: usize = 365 * 1440;

/// Size of a node's flash, and of the settings in front of its log.
const FLASH: usize = 1 << 20;
const SETTINGS: usize = 2 * 4096;

/// Ticks of a second in /proc, the same on every Linux.
const TICKS: f64 = 100.0;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let seconds = std::env::args().nth(1).and_then(|a| a.parse().ok()).unwrap_or(60);
    let folder = tempfile::tempdir()?;
    let store = folder.path().join("store");
    let began = Instant::now();
    let flash = a_year(&store, &folder.path().join("flash"))?;
    let size: u64 = files(&store);
    println!(
        "a year of one-minute records ({YEAR}) stored in {:.0} s: {:.0} MB",
        began.elapsed().as_secs_f64(),
        size as f64 / 1e6
    );

    let plant = RoughPlant::on(flash, 2, 60, 1);
    plant.with(|w| w.pace(1.0));
    let mut watch = start(&store, &[plant.address.as_str()], "60");
    let page = watch.page();
    settle(&page, 1);
    println!("after the start (40 days gone through): {}", memory(&watch));
    let (first_ms, text) = get(&page, "/");
    let share = watched(&watch, seconds);
    println!("one node, nobody looks: {:.2} % of a core, {}", share * 100.0, memory(&watch));
    let mut times: Vec<f64> = Vec::new();
    for _ in 0..20 {
        times.push(get(&page, "/").0);
    }
    times.sort_by(f64::total_cmp);
    println!(
        "the page with day and week, {} kB: drawn anew in {first_ms:.1} ms; of 20 more half within \
         {:.1} ms, the slowest {:.1} ms; {}",
        text.len() / 1000,
        times[10],
        times[19],
        memory(&watch)
    );
    let open = open_page(&page)?;
    let share = watched(&watch, seconds);
    println!("one node, a page open: {:.2} % of a core, {}", share * 100.0, memory(&watch));
    drop(open);
    watch.end();

    // Pulls every second are a day's in 24 minutes.
    let fast = plant;
    fast.with(|w| w.pace(60.0));
    let mut watch = start(&store, &[fast.address.as_str()], "1");
    let page = watch.page();
    settle(&page, 1);
    watched(&watch, 10);
    let before = memory(&watch);
    watched(&watch, seconds);
    println!("{seconds} pulls of a record each: {before}, then {}", memory(&watch));
    watch.end();

    let ten: Vec<RoughPlant> = (0..10)
        .map(|k| {
            let plant = RoughPlant::new(1, 60, FLASH, 100 + k);
            plant.with(move |w| {
                w.be_another(0x1000 + k);
                w.pace(1.0);
            });
            plant
        })
        .collect();
    let addresses: Vec<&str> = ten.iter().map(|p| p.address.as_str()).collect();
    let mut watch = start(&folder.path().join("ten"), &addresses, "60");
    let page = watch.page();
    settle(&page, 10);
    let share = watched(&watch, seconds);
    println!(
        "ten nodes, a reading a second each: {:.2} % of a core, {}",
        share * 100.0,
        memory(&watch)
    );
    let open = open_page(&page)?;
    let share = watched(&watch, seconds);
    println!("the same, a page open: {:.2} % of a core, {}", share * 100.0, memory(&watch));
    drop(open);
    Ok(())
}

fn start(store: &Path, nodes: &[&str], pull_every: &str) -> Watching {
    let site = store.with_extension("toml");
    let text = "name = \"Brackwater Joinery\"\n[supply]\nline_voltage_v = 400\n\
                [watch]\nset_clock = false\n";
    std::fs::write(&site, text).expect("a site file");
    let site = site.display().to_string();
    let more = ["--listen", "127.0.0.1:0", "--pull-every", pull_every, "--site", &site];
    Watching::new(store, &[nodes, &more].concat())
}

/// A store with a year of a node, and the node's flash as it stood at the end of it.
fn a_year(store: &Path, flash: &Path) -> Result<RamFlash, Box<dyn std::error::Error>> {
    let scenario = Scenario::sawmill()?;
    let id = scenario.node.id;
    let zone = scenario.zone();
    let today = zone.to_datetime(jiff::Timestamp::now()).date();
    let end = zone.to_timestamp(today.yesterday()?.yesterday()?.at(0, 0, 0, 0))?.as_millisecond();
    let mut log = LogMaker::at(end - YEAR as i64 * 60_000);
    for (minute, works, noise) in weekday_minutes(YEAR) {
        let season = 1.0 + 0.1 * libm::cos(minute as f64 / YEAR as f64 * std::f64::consts::TAU);
        let kw = if works { 60.0 + 40.0 * noise } else { 4.0 + noise } * season;
        log.record(60.0, kw, kvar(kw, if works { 0.78 } else { 0.6 }));
    }
    let identity = Identity {
        node_id: id,
        firmware: "0.1.0".try_into().map_err(|_| "short")?,
        record_version: 2,
        hardware: "bench".try_into().map_err(|_| "short")?,
        sample_rate_mhz: 1_000_000,
        boot: 1,
    };
    let mut held = Store::create(store)?;
    held.meet(&identity, &Settings::default(), end)?;
    let record = |at| made_store::record(&log.log, at, Wiring::FourWire, 0.1);
    held.append_bulk(NodeId(id), (0..log.log.len()).map(record))?;
    // Its last record in its place: the node goes on from there.
    let last: Record = record(log.log.len() - 1);
    let mut bytes = vec![0xFF; FLASH];
    let slots = (FLASH - SETTINGS) / PAGE;
    let at = SETTINGS + last.seq as usize % slots * PAGE;
    bytes[at..at + PAGE].copy_from_slice(&last.encode());
    std::fs::write(flash, &bytes)?;
    Ok(RamFlash::on_file(flash, FLASH)?)
}

fn files(folder: &Path) -> u64 {
    let Ok(entries) = std::fs::read_dir(folder) else { return 0 };
    let size = |e: std::fs::DirEntry| match e.metadata() {
        Ok(m) if m.is_dir() => files(&e.path()),
        Ok(m) => m.len(),
        Err(_) => 0,
    };
    entries.flatten().map(size).sum()
}

/// Resident memory now and at most so far.
fn memory(watch: &Watching) -> String {
    let text = std::fs::read_to_string(format!("/proc/{}/status", watch.id())).unwrap_or_default();
    let of = |key: &str| {
        let line = text.lines().find(|l| l.starts_with(key));
        let kb: Option<f64> = line.and_then(|l| l.split_whitespace().nth(1)?.parse().ok());
        kb.unwrap_or(f64::NAN) / 1024.0
    };
    format!(
        "{:.1} MiB resident ({:.1} of it its own, not of files), {:.1} at most",
        of("VmRSS:"),
        of("RssAnon:"),
        of("VmHWM:")
    )
}

/// Seconds of processor time so far.
fn used_s(watch: &Watching) -> f64 {
    let text = std::fs::read_to_string(format!("/proc/{}/stat", watch.id())).unwrap_or_default();
    let behind = text.rsplit(')').next().unwrap_or_default();
    let ticks = |at: usize| behind.split_whitespace().nth(at).and_then(|t| t.parse::<f64>().ok());
    (ticks(11).unwrap_or(0.0) + ticks(12).unwrap_or(0.0)) / TICKS
}

/// Lets it run; gives its share of a core meanwhile.
fn watched(watch: &Watching, seconds: u64) -> f64 {
    let (began, before) = (Instant::now(), used_s(watch));
    std::thread::sleep(Duration::from_secs(seconds));
    (used_s(watch) - before) / began.elapsed().as_secs_f64()
}

/// Waits until every node was pulled.
fn settle(page: &str, nodes: usize) {
    until("every node is pulled", || {
        let (_, text) = get(page, "/metrics");
        let pulled = |l: &&str| l.starts_with("wattless_pulls_total{") && !l.ends_with(" 0");
        text.lines().filter(pulled).count() >= nodes
    });
    std::thread::sleep(Duration::from_secs(3));
}

/// Milliseconds that an answer took, and the answer.
fn get(page: &str, path: &str) -> (f64, String) {
    let began = Instant::now();
    let mut text = String::new();
    if let Ok(mut stream) = TcpStream::connect(page) {
        let ask = format!("GET {path} HTTP/1.1\r\nHost: {page}\r\nConnection: close\r\n\r\n");
        let _ = stream.write_all(ask.as_bytes());
        let _ = stream.read_to_string(&mut text);
    }
    (began.elapsed().as_secs_f64() * 1e3, text)
}

/// An open page: its events are read and thrown away until this is dropped.
struct Open(TcpStream);

impl Drop for Open {
    fn drop(&mut self) {
        let _ = self.0.shutdown(std::net::Shutdown::Both);
    }
}

fn open_page(page: &str) -> std::io::Result<Open> {
    let mut stream = TcpStream::connect(page)?;
    let ask = format!("GET /live HTTP/1.1\r\nHost: {page}\r\n\r\n");
    stream.write_all(ask.as_bytes())?;
    let mut reader = stream.try_clone()?;
    std::thread::spawn(move || {
        let mut chunk = [0; 65_536];
        while matches!(reader.read(&mut chunk), Ok(n) if n > 0) {}
    });
    Ok(Open(stream))
}
