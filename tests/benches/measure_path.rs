//! What a frame costs on the way to readings, against loops that only do the sums.
//!
//! Prints nanoseconds a frame of six channels. Arguments: `--frames FILE` writes the frames
//! as 32-bit integers for another program to read; `--json` prints one JSON object.

use std::f64::consts::TAU;
use std::hint::black_box;
use std::io::Write;
use std::time::{Duration, Instant};
use wattless_core::acquire::acquire_frames;
use wattless_core::frame::{ACTIVE, Frame};
use wattless_core::power::{Dc, PowerConfig, read_harmonics, read_window};
use wattless_core::window::{Follow, Meter, MeterConfig, Nominal};
use wattless_core::wiring::Wiring;
use wattless_tests::waveform::{distorted, frames, ideal};

const RATE: f64 = 8000.0;
/// Frames of ten cycles of 50 Hz.
const WINDOW: usize = 1600;
const PERIOD: usize = 160;
/// A minute of the feeder.
const WINDOWS: usize = 300;
/// How often each way is timed; the fastest counts, since all else is the machine.
const ROUNDS: usize = 15;

fn feeder(peaks: &[f64; 6]) -> Vec<Frame> {
    let harmonics = [(5, 20.0, 180.0), (7, 14.0, 0.0), (11, 9.0, 180.0)];
    let channels = std::array::from_fn(|k| {
        let at = -120.0 * (k % 3) as f64;
        if k < 3 {
            distorted(230.0, at, &[(5, 3.0, 40.0)])
        } else {
            distorted(10.0, at - 37.0, &harmonics)
        }
    });
    frames(&channels, peaks, 50.0, RATE, WINDOW * WINDOWS)
}

/// The fastest of several rounds, in nanoseconds a frame.
fn time(count: usize, mut run: impl FnMut()) -> f64 {
    let mut best = Duration::MAX;
    for _ in 0..ROUNDS {
        let start = Instant::now();
        run();
        best = best.min(start.elapsed());
    }
    best.as_nanos() as f64 / count as f64
}

/// Meter, windows and readings: everything that a file of frames goes through.
fn measure(frames: &[Frame], power: &PowerConfig, harmonics: bool) -> usize {
    let config = MeterConfig { sample_rate_hz: RATE, nominal: Nominal::Hz50 };
    let hold = vec![Frame::ZERO; acquire_frames(RATE)];
    let Ok(mut meter) = Meter::new(config, hold) else {
        return 0;
    };
    meter.follow(Follow { harmonics, neutral: false });
    let mut windows = 0;
    for chunk in frames.chunks(4096) {
        meter.push(chunk, &mut |w| {
            if harmonics {
                black_box(read_harmonics(w, power));
            } else {
                black_box(read_window(w, power));
            }
            windows += 1;
        });
    }
    windows
}

/// Six squares, three products and six phasors from a table, in integers.
fn bare_integers(frames: &[Frame], table: &[(i32, i32)]) {
    for window in frames.chunks_exact(WINDOW) {
        let mut s = [0i64; 21];
        for cycle in window.chunks_exact(PERIOD) {
            for (frame, &(cos, sin)) in cycle.iter().zip(table) {
                let x = frame.counts();
                for k in 0..ACTIVE {
                    let y = i64::from(x[k]);
                    s[k] += y * y;
                    s[6 + k] += y * i64::from(cos);
                    s[12 + k] += y * i64::from(sin);
                }
                for k in 0..3 {
                    s[18 + k] += i64::from(x[k]) * i64::from(x[k + 3]);
                }
            }
        }
        black_box(s);
    }
}

/// The same in doubles.
fn bare_doubles(frames: &[Frame], table: &[(f64, f64)]) {
    for window in frames.chunks_exact(WINDOW) {
        let mut s = [0.0f64; 21];
        for cycle in window.chunks_exact(PERIOD) {
            for (frame, &(cos, sin)) in cycle.iter().zip(table) {
                let counts = frame.counts();
                let x: [f64; ACTIVE] = std::array::from_fn(|k| f64::from(counts[k]));
                for k in 0..ACTIVE {
                    s[k] += x[k] * x[k];
                    s[6 + k] += x[k] * cos;
                    s[12 + k] += x[k] * sin;
                }
                for k in 0..3 {
                    s[18 + k] += x[k] * x[k + 3];
                }
            }
        }
        black_box(s);
    }
}

fn main() {
    let args: Vec<String> = std::env::args().collect();
    let peaks = [400.0, 400.0, 400.0, 25.0, 25.0, 25.0];
    let all = feeder(&peaks);
    if let Some(path) = args.iter().position(|a| a == "--frames").and_then(|k| args.get(k + 1)) {
        let bytes: Vec<u8> = all
            .iter()
            .flat_map(|f| f.counts()[..ACTIVE].to_vec())
            .flat_map(i32::to_le_bytes)
            .collect();
        let written = std::fs::File::create(path).and_then(|mut f| f.write_all(&bytes));
        if let Err(e) = written {
            eprintln!("{path}: {e}");
            std::process::exit(2);
        }
    }
    let power = PowerConfig {
        wiring: Wiring::FourWire,
        calibration: ideal(&peaks),
        v_dc: Dc::Keep,
        i_dc: Dc::Keep,
        neutral_sensor: false,
    };
    let angle = |k: usize| TAU * (k as f64 + 0.5) / PERIOD as f64;
    let doubles: Vec<(f64, f64)> =
        (0..PERIOD).map(|k| (libm::cos(angle(k)), libm::sin(angle(k)))).collect();
    let scaled = |x: f64| libm::rint(x * 4_194_304.0) as i32;
    let integers: Vec<(i32, i32)> = doubles.iter().map(|&(c, s)| (scaled(c), scaled(s))).collect();

    let windows = measure(&all, &power, true);
    // The last window waits for the frames behind its cut.
    assert!(windows >= WINDOWS - 1, "{windows} windows");
    let n = all.len();
    let path = time(n, || {
        black_box(measure(black_box(&all), &power, false));
    });
    let h = time(n, || {
        black_box(measure(black_box(&all), &power, true));
    });
    let i = time(n, || bare_integers(black_box(&all), &integers));
    let f = time(n, || bare_doubles(black_box(&all), &doubles));
    if args.iter().any(|a| a == "--json") {
        println!(
            "{{\"measure_ns\": {path:.3}, \"harmonics_ns\": {h:.3}, \"bare_integers_ns\": {i:.3}, \"bare_doubles_ns\": {f:.3}, \
             \"frames\": {n}, \"window\": {WINDOW}}}"
        );
        return;
    }
    println!("{n} frames of six channels, nanoseconds a frame");
    println!("frames to readings          {path:8.2}");
    println!("the same with harmonics     {h:8.2}");
    println!("bare sums, integers         {i:8.2}");
    println!("bare sums, doubles          {f:8.2}");
    println!("ratio to the faster of both {:8.2}", path / i.min(f));
}
