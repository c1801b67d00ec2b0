//! The laptop's side of the emulated node, for tests/emulated.sh.
//!
//! `make FOLDER SECONDS` writes samples of the simulated feeder (samples.bin), a flash with
//! settings (flash.bin), what the same node on the laptop makes of both (expected.bin), and prints
//! the words for the emulated node's command line. `talk ADDRESS FOLDER` asks the emulated node
//! everything and compares its log with expected.bin. `check FOLDER` reads flash.bin after a
//! power cut and a restart.

use std::error::Error;
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;
use std::thread::sleep;
use std::time::{Duration, Instant};
use wattless::bench::flash::RamFlash;
use wattless::bench::run::Setup;
use wattless::bench::scenario::Scenario;
use wattless::bench::wave::{HeldWaves, SampleSource};
use wattless::collect::address::Address;
use wattless::collect::link::{AnyClient, Client, Patience};
use wattless_core::frame::{ACTIVE, Frame};
use wattless_core::record::{PAGE, Record};
use wattless_core::wire::{LogBounds, Reply, Request};
use wattless_node::node::{Hardware, Node};

type Failure = Box<dyn Error>;

/// Frames that the emulated node takes at a time.
const BLOCK: usize = 160;

/// Pieces of flash work for each block, as in the emulated node.
const WORK_PER_BLOCK: usize = 16;

const FLASH_SIZE: usize = 256 << 10;

fn main() -> Result<(), Failure> {
    let args: Vec<String> = std::env::args().skip(1).collect();
    match args.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        ["make", folder, seconds] => make(Path::new(folder), seconds.parse()?),
        ["talk", address, folder] => talk(&address.parse()?, Path::new(folder)),
        ["check", folder] => check(Path::new(folder)),
        _ => Err("say make FOLDER SECONDS, talk ADDRESS FOLDER, or check FOLDER".into()),
    }
}

fn make(folder: &Path, seconds: i64) -> Result<(), Failure> {
    // The first morning of the sawmill, when motors start; or a scenario like it.
    let scenario = match std::env::var_os("NODE_SCENARIO") {
        Some(path) => Scenario::load(Path::new(&path))?,
        None => Scenario::sawmill()?,
    };
    let at = scenario.span.start.date().to_datetime(jiff::civil::time(6, 59, 0, 0));
    let setup = Setup::starting_at(scenario, at)?;
    let mut node = setup.start_node(RamFlash::on_file(&folder.join("flash.bin"), FLASH_SIZE)?)?;
    let mut settings = node.settings().clone();
    settings.interval_s = 10;
    node.answer(Request::WriteSettings(settings)).map_err(|e| format!("settings: {e:?}"))?;
    drop(node);
    std::fs::copy(folder.join("flash.bin"), folder.join("expected.bin"))?;

    let rate_hz = setup.sample_rate_hz();
    let to_ms = setup.from_ms + seconds * 1000;
    let mut waves = HeldWaves::new(&setup.feeder, &setup.sensors, rate_hz, setup.from_ms, to_ms);
    let mut frames: Vec<Frame> = Vec::new();
    while let Some(block) = waves.next_block() {
        frames.extend_from_slice(block);
    }
    write_samples(&folder.join("samples.bin"), &frames)?;

    let hardware = hardware(libm::rint(rate_hz * 1000.0) as u32);
    let wall_ms = setup.unix_ms(setup.from_ms);
    let flash = RamFlash::on_file(&folder.join("expected.bin"), FLASH_SIZE)?;
    let mut node = Node::start(flash, hardware, Some(wall_ms))?;
    for block in frames.chunks(BLOCK) {
        node.push_frames(block);
        work(&mut node);
    }
    node.finish();
    work(&mut node);
    println!("rate={} clock={wall_ms}", hardware.sample_rate_mhz);
    Ok(())
}

fn work(node: &mut Node<RamFlash>) {
    let now = node.uptime_ms();
    for _ in 0..WORK_PER_BLOCK {
        if node.service(now) > now {
            break;
        }
    }
}

fn hardware(sample_rate_mhz: u32) -> Hardware {
    let firmware = env!("CARGO_PKG_VERSION");
    Hardware { node_id: 386, hardware: "laptop", firmware, sample_rate_mhz }
}

/// Asks the emulated node over the link, and compares its whole log with the laptop's.
fn talk(address: &Address, folder: &Path) -> Result<(), Failure> {
    let mut client = open(address)?;
    let identity = client.identity().clone();
    if identity.hardware != "emulated" || identity.node_id != 386 {
        return Err(format!("another node answers: {identity:?}").into());
    }
    let mut laptop = node_on(&folder.join("expected.bin"), identity.sample_rate_mhz)?;
    // A restart leaves places empty behind the last record; they are not in the first run's log.
    let records = records(&mut laptop)?;
    let (Some(first), Some(last)) = (records.first(), records.last()) else {
        return Err("the laptop's log is empty".into());
    };
    let (oldest, next) = (first.seq, last.seq + 1);
    let start = Instant::now();
    while client.log_bounds()?.next < next {
        if start.elapsed() > Duration::from_secs(120) {
            return Err("the emulated node does not come to the end of its samples".into());
        }
        sleep(Duration::from_millis(200));
    }
    let (status, settings) = (client.status()?, client.settings()?);
    if &settings != laptop.settings() || status.frames_lost != 0 || status.write_failures != 0 {
        return Err(format!("not as on the laptop: {status:?} {settings:?}").into());
    }
    let live = client.live()?;
    let (mut seq, start) = (oldest, Instant::now());
    while seq < next {
        let count = u16::try_from(next - seq)?;
        let slice = client.read_log(seq, count)?;
        let Ok(Reply::Log(own)) = laptop.answer(Request::ReadLog { from: seq, count }) else {
            return Err("the laptop's log cannot be read".into());
        };
        if slice != own || slice.covered == 0 {
            return Err(format!("records from {seq} on differ from the laptop's").into());
        }
        seq += u32::from(slice.covered);
    }
    let (ms, phase) = (start.elapsed().as_millis(), live.phases[0]);
    println!("{} records over the link in {ms} ms, the same as the laptop's", records.len());
    println!(
        "live: {:.1} V, {:.1} A, {:.0} W on the first phase",
        phase.v_rms_v, phase.i_rms_a, phase.p_w
    );
    Ok(())
}

/// The emulator needs a moment until it listens.
fn open(address: &Address) -> Result<AnyClient, Failure> {
    let start = Instant::now();
    loop {
        match Client::open(address, Patience::default()) {
            Ok(client) => return Ok(client),
            Err(e) if start.elapsed() > Duration::from_secs(20) => return Err(e.into()),
            Err(_) => sleep(Duration::from_millis(100)),
        }
    }
}

fn node_on(flash: &Path, sample_rate_mhz: u32) -> Result<Node<RamFlash>, Failure> {
    Ok(Node::start(RamFlash::on_file(flash, FLASH_SIZE)?, hardware(sample_rate_mhz), None)?)
}

/// Every record in a node's log.
fn records(node: &mut Node<RamFlash>) -> Result<Vec<Record>, Failure> {
    let Ok(Reply::LogBounds(LogBounds { oldest, next, .. })) = node.answer(Request::LogBounds)
    else {
        return Err("no log bounds".into());
    };
    let mut records = Vec::new();
    for seq in oldest..next {
        if let Ok(Reply::Log(slice)) = node.answer(Request::ReadLog { from: seq, count: 1 }) {
            for page in slice.pages.as_chunks::<PAGE>().0 {
                records.push(Record::decode(page).map_err(|e| format!("record {seq}: {e:?}"))?);
            }
        }
    }
    Ok(records)
}

/// After a cut and a restart: every record is whole, energies never fall, both starts are there.
fn check(folder: &Path) -> Result<(), Failure> {
    let mut node = node_on(&folder.join("flash.bin"), 8_000_000)?;
    let records = records(&mut node)?;
    let boots: Vec<u32> = records.iter().map(|r| r.boot).collect();
    let rising =
        |w: &[Record]| w[1].seq > w[0].seq && w[1].energy_counts[0] >= w[0].energy_counts[0];
    if !records.windows(2).all(rising) || !boots.is_sorted() || boots.first() == boots.last() {
        return Err(format!("records do not follow on each other: starts {boots:?}").into());
    }
    println!(
        "{} records of starts {:?} to {:?}, whole and in order",
        records.len(),
        boots.first(),
        boots.last()
    );
    Ok(())
}

/// 18 bytes a frame: v1 to i3 as 24-bit two's complement, low byte first.
fn write_samples(path: &Path, frames: &[Frame]) -> std::io::Result<()> {
    let mut out = BufWriter::new(File::create(path)?);
    for frame in frames {
        for count in frame.counts().iter().take(ACTIVE) {
            let [a, b, c, _] = count.to_le_bytes();
            out.write_all(&[a, b, c])?;
        }
    }
    out.flush()
}
