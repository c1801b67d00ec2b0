//! The laptop's side of the emulated node: samples of the simulated feeder, a flash with settings,
//! and what the same node on the laptop makes of both. See tests/emulated.sh.
//!
//! Usage: laptop_node FOLDER SECONDS. Writes samples.bin, flash.bin, expected.bin into the folder
//! and prints the words for the emulated node's command line.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;
use wattless::bench::flash::RamFlash;
use wattless::bench::run::Setup;
use wattless::bench::scenario::Scenario;
use wattless::bench::wave::{HeldWaves, SampleSource};
use wattless_core::frame::{ACTIVE, Frame};
use wattless_core::wire::Request;
use wattless_node::node::{Hardware, Node};

/// Frames that the emulated node takes at a time.
const BLOCK: usize = 160;

/// Pieces of flash work for each block, as in the emulated node.
const WORK_PER_BLOCK: usize = 16;

const FLASH_SIZE: usize = 256 << 10;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut args = std::env::args().skip(1);
    let (folder, seconds) = (args.next().ok_or("no folder given")?, args.next().ok_or("no time")?);
    let (folder, seconds) = (Path::new(&folder), seconds.parse::<i64>()?);

    // The first morning of the sawmill, when motors start.
    let scenario = Scenario::sawmill()?;
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

    let hardware = Hardware {
        node_id: 386,
        hardware: "laptop",
        firmware: env!("CARGO_PKG_VERSION"),
        sample_rate_mhz: libm::rint(rate_hz * 1000.0) as u32,
    };
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
