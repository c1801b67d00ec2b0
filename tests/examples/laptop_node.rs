//! The laptop's side of the emulated node, for tests/emulated.sh.
//!
//! `make FOLDER SECONDS` writes samples of the simulated feeder (samples.bin), a flash with
//! settings (flash.bin), what the same node on the laptop makes of both (expected.bin), and prints
//! the words for the emulated node's command line. `talk ADDRESS FOLDER` asks the emulated node
//! everything and compares its log with expected.bin. `cases` lists the odd waveforms; `case NAME
//! FOLDER` makes the same files of one of them, and samples.counts for `wattless measure`;
//! `compare FOLDER` holds records.bin, which that wrote, against flash.bin. `expect FOLDER
//! MILLIHERTZ` runs the laptop's node over samples.bin on expected.bin; `cut FOLDER` compares
//! flash.bin after a cut with before.bin, expected.bin and what the node told of in told.log.

use std::error::Error;
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;
use std::sync::Arc;
use std::thread::sleep;
use std::time::{Duration, Instant};
use wattless::bench::flash::RamFlash;
use wattless::bench::run::Setup;
use wattless::bench::scenario::Scenario;
use wattless::bench::wave::{HeldWaves, SampleSource};
use wattless::collect::address::Address;
use wattless::collect::chain::{Before, Checker, Entry};
use wattless::collect::counts::CountsWriter;
use wattless::collect::link::{AnyClient, Client, Patience};
use wattless::collect::store::{Gap, GapReason, NodeId};
use wattless_core::frame::{ACTIVE, CHANNELS, Frame};
use wattless_core::record::{PAGE, Page, Record, page_seq};
use wattless_core::wire::{LogBounds, Reply, Request};
use wattless_node::node::{Hardware, Node};
use wattless_tests::odd_waves;

type Failure = Box<dyn Error>;

/// Frames that the emulated node takes at a time.
const BLOCK: usize = 160;

/// Pieces of flash work for each block, as in the emulated node.
const WORK_PER_BLOCK: usize = 16;

const FLASH_SIZE: usize = 256 << 10;

/// The emulated node's number.
const NODE: u64 = 386;

/// Length of an odd waveform.
const CASE_SECONDS: u32 = 11;

fn main() -> Result<(), Failure> {
    let args: Vec<String> = std::env::args().skip(1).collect();
    match args.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        ["make", folder, seconds] => make(Path::new(folder), seconds.parse()?),
        ["talk", address, folder] => talk(&address.parse()?, Path::new(folder)),
        ["cases"] => {
            odd_waves::CASES.iter().for_each(|case| println!("{case}"));
            Ok(())
        }
        ["case", name, folder] => case(name, Path::new(folder)),
        ["compare", folder] => compare(Path::new(folder)),
        ["expect", folder, rate] => expect(Path::new(folder), rate.parse()?),
        ["cut", folder] => cut(Path::new(folder)),
        _ => Err("say make, talk, cases, case, compare, expect or cut; see the source".into()),
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
    Hardware { node_id: NODE, hardware: "laptop", firmware, sample_rate_mhz }
}

/// Asks the emulated node over the link, and compares its whole log with the laptop's.
fn talk(address: &Address, folder: &Path) -> Result<(), Failure> {
    let mut client = open(address)?;
    let identity = client.identity().clone();
    if identity.hardware != "emulated" || identity.node_id != NODE {
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

/// Files of one odd waveform, as [`make`] makes those of the feeder.
fn case(name: &str, folder: &Path) -> Result<(), Failure> {
    let (settings, frames) = (odd_waves::settings(name), odd_waves::frames(name, CASE_SECONDS));
    let rate_mhz = odd_waves::RATE_HZ * 1000;
    let at = |file: &str| folder.join(file);
    let mut node = node_on(&at("flash.bin"), rate_mhz)?;
    node.answer(Request::WriteSettings(settings.clone())).map_err(|e| format!("{e:?}"))?;
    drop(node);
    std::fs::copy(at("flash.bin"), at("expected.bin"))?;
    write_samples(&at("samples.bin"), &frames)?;
    let counts = BufWriter::new(File::create(at("samples.counts"))?);
    let rate_hz = f64::from(odd_waves::RATE_HZ);
    let mut counts = CountsWriter::new(counts, rate_hz, &settings, ACTIVE)?;
    counts.write(&frames)?;
    counts.finish()?;
    expect(folder, rate_mhz)?;
    println!("rate={rate_mhz}");
    Ok(())
}

/// Runs the laptop's node over the samples, on expected.bin.
fn expect(folder: &Path, rate_mhz: u32) -> Result<(), Failure> {
    let bytes = std::fs::read(folder.join("samples.bin"))?;
    let frames: Vec<Frame> = bytes.chunks_exact(3 * ACTIVE).map(frame).collect();
    let mut node = node_on(&folder.join("expected.bin"), rate_mhz)?;
    for block in frames.chunks(BLOCK) {
        node.push_frames(block);
        work(&mut node);
    }
    node.finish();
    work(&mut node);
    Ok(())
}

/// The pages that `wattless measure` wrote are those in the emulated node's flash, byte for byte.
fn compare(folder: &Path) -> Result<(), Failure> {
    let emulated = pages(&folder.join("flash.bin"))?;
    let measured = std::fs::read(folder.join("records.bin"))?;
    if emulated.is_empty() || measured != emulated.concat() {
        let same = measured.as_chunks::<PAGE>().0.iter().zip(&emulated);
        let same = same.take_while(|(a, b)| a == b).count();
        let (a, b) = (measured.len() / PAGE, emulated.len());
        return Err(format!("{a} records measured, {b} logged, the first {same} are equal").into());
    }
    Ok(())
}

/// Every sound page in a flash file, in order of their numbers.
fn pages(flash: &Path) -> Result<Vec<Page>, Failure> {
    // A copy: starting on it erases nothing, but it shall not even be opened for writing.
    let copy = flash.with_extension("copy");
    std::fs::copy(flash, &copy)?;
    let mut node = node_on(&copy, 8_000_000)?;
    Ok(records(&mut node)?.iter().map(Record::encode).collect())
}

/// After a cut: nothing that the node told of is lost, nothing altered, nothing invented.
fn cut(folder: &Path) -> Result<(), Failure> {
    let read = |file: &str| pages(&folder.join(file));
    let (before, expected, after) =
        (read("before.bin")?, read("expected.bin")?, read("flash.bin")?);
    let oldest = after.first().map_or(0, page_seq);
    let told = std::fs::read_to_string(folder.join("told.log"))?;
    // The last line may be cut off.
    let whole = told.rsplit_once('\n').map_or("", |(lines, _)| lines);
    let told: Vec<u32> = whole
        .lines()
        .filter_map(|l| l.strip_prefix("kept ")?.parse().ok())
        .filter(|seq| *seq >= oldest)
        .collect();
    if let Some(seq) = told.iter().find(|seq| after.iter().all(|p| page_seq(p) != **seq)) {
        return Err(format!("record {seq} was confirmed and is lost").into());
    }
    let kept = before.iter().filter(|p| page_seq(p) >= oldest);
    if let Some(lost) = kept.clone().find(|p| !after.contains(p)) {
        return Err(
            format!("record {} was there before and is lost or altered", page_seq(lost)).into()
        );
    }
    let known = |p: &Page| before.contains(p) || expected.contains(p);
    if let Some(new) = after.iter().find(|p| !known(p)) {
        return Err(format!("record {} is not what the node meant", page_seq(new)).into());
    }
    let records: Vec<Record> = after.iter().map(Record::decode).collect::<Result<_, _>>()?;
    let rises = |w: &[Record]| {
        w[1].seq > w[0].seq
            && w[1].energy_counts.iter().zip(w[0].energy_counts).all(|(a, b)| *a >= b)
    };
    if !records.windows(2).all(rises) {
        return Err("energies or numbers went back".into());
    }
    let gaps: Arc<[Gap]> = overwritten(oldest).into();
    let mut chain = Checker::new(NodeId(NODE), gaps, Before::Nothing);
    for (r, page) in records.iter().zip(&after) {
        chain.push(&Entry::new(r, page, None));
    }
    let chain = chain.finish(None);
    if !chain.whole {
        return Err(format!("the chain is broken: {:?}", chain.breaks).into());
    }
    let (boots, new) = (records.last().map_or(0, |r| r.boot), after.len() - kept.count());
    println!("start {boots}: {} records, {new} of them new, {} told of", after.len(), told.len());
    Ok(())
}

/// What the ring has overwritten.
fn overwritten(oldest: u32) -> Vec<Gap> {
    let reason = GapReason::Overwritten;
    oldest
        .checked_sub(1)
        .map(|last_seq| Gap { first_seq: 0, last_seq, reason })
        .into_iter()
        .collect()
}

fn frame(bytes: &[u8]) -> Frame {
    let mut counts = [0; CHANNELS];
    for (count, b) in counts.iter_mut().zip(bytes.chunks_exact(3)) {
        *count = i32::from_le_bytes([0, b[0], b[1], b[2]]) >> 8;
    }
    Frame::new(counts)
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
