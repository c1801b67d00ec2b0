//! What a frame costs on the way to readings, against loops that only do the sums.
//!
//! Prints nanoseconds a frame of six channels. Arguments: `--frames FILE` writes the frames
//! as 32-bit integers for another program to read, `--off-frames FILE` those of a supply beside
//! its nominal frequency; `--json` prints one JSON object.

use std::f64::consts::TAU;
use std::hint::black_box;
use std::io::Write;
use std::time::{Duration, Instant};
use wattless_core::acquire::acquire_frames;
use wattless_core::frame::{ACTIVE, Frame};
use wattless_core::power::{Dc, PowerConfig, read_harmonics, read_window};
use wattless_core::spectrum::ORDERS;
use wattless_core::window::{Follow, Meter, MeterConfig, Nominal};
use wattless_core::wiring::Wiring;
use wattless_tests::waveform::{distorted, frames, ideal};

const RATE: f64 = 8000.0;
/// Frames of ten cycles of 50 Hz.
const WINDOW: usize = 1600;
const PERIOD: usize = 160;
/// A minute of the feeder.
const WINDOWS: usize = 300;
/// A supply as it usually is: windows do not end on a frame.
const OFF_HZ: f64 = 50.02;
/// How often each way is timed; the fastest counts, since all else is the machine.
const ROUNDS: usize = 15;

/// Harmonics of the voltages and of the currents: order, per cent of the fundamental, angle.
const V_HARMONICS: [(u32, f64, f64); 1] = [(5, 3.0, 40.0)];
const I_HARMONICS: [(u32, f64, f64); 3] = [(5, 20.0, 180.0), (7, 14.0, 0.0), (11, 9.0, 180.0)];

fn feeder(peaks: &[f64; 6], hz: f64) -> Vec<Frame> {
    let channels = std::array::from_fn(|k| {
        let at = -120.0 * (k % 3) as f64;
        if k < 3 {
            distorted(230.0, at, &V_HARMONICS)
        } else {
            distorted(10.0, at - 37.0, &I_HARMONICS)
        }
    });
    frames(&channels, peaks, hz, RATE, WINDOW * WINDOWS)
}

/// Writes frames where an argument says so.
fn write_frames(args: &[String], name: &str, frames: &[Frame]) {
    let Some(path) = args.iter().position(|a| a == name).and_then(|k| args.get(k + 1)) else {
        return;
    };
    let counts = frames.iter().flat_map(|f| f.counts()[..ACTIVE].to_vec());
    let bytes: Vec<u8> = counts.flat_map(i32::to_le_bytes).collect();
    if let Err(e) = std::fs::File::create(path).and_then(|mut f| f.write_all(&bytes)) {
        eprintln!("{path}: {e}");
        std::process::exit(2);
    }
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

/// Largest error of a harmonic of any window, as a share of its channel's fundamental.
fn worst_share(frames: &[Frame], power: &PowerConfig) -> f64 {
    let config = MeterConfig { sample_rate_hz: RATE, nominal: Nominal::Hz50 };
    let Ok(mut meter) = Meter::new(config, vec![Frame::ZERO; acquire_frames(RATE)]) else {
        return f64::NAN;
    };
    let mut worst: f64 = 0.0;
    meter.push(frames, &mut |w| {
        let Some(h) = read_harmonics(w, power).1 else { return };
        for (channel, made) in
            h.v.iter()
                .map(|x| (x, &V_HARMONICS[..]))
                .chain(h.i.iter().map(|x| (x, &I_HARMONICS[..])))
        {
            let size = |order: usize| f64::from(libm::sqrtf(channel[order].norm_sq()));
            for order in 2..=ORDERS {
                let share =
                    made.iter().find(|m| m.0 as usize == order).map_or(0.0, |m| m.1 / 100.0);
                worst = worst.max((size(order) / size(1) - share).abs());
            }
        }
    });
    worst
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
    let all = feeder(&peaks, 50.0);
    let off = feeder(&peaks, OFF_HZ);
    write_frames(&args, "--frames", &all);
    write_frames(&args, "--off-frames", &off);
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
    let o = time(n, || {
        black_box(measure(black_box(&off), &power, true));
    });
    let worst = worst_share(&off, &power);
    let i = time(n, || bare_integers(black_box(&all), &integers));
    let f = time(n, || bare_doubles(black_box(&all), &doubles));
    if args.iter().any(|a| a == "--json") {
        println!(
            "{{\"measure_ns\": {path:.3}, \"harmonics_ns\": {h:.3}, \"off_hz\": {OFF_HZ}, \"off_harmonics_ns\": {o:.3}, \"off_worst_share\": {worst:.3e}, \
             \"bare_integers_ns\": {i:.3}, \"bare_doubles_ns\": {f:.3}, \
             \"frames\": {n}, \"window\": {WINDOW}}}"
        );
        return;
    }
    println!("{n} frames of six channels, nanoseconds a frame");
    println!("frames to readings          {path:8.2}");
    println!("the same with harmonics     {h:8.2}");
    println!("the same at {OFF_HZ} Hz        {o:8.2}");
    println!("bare sums, integers         {i:8.2}");
    println!("bare sums, doubles          {f:8.2}");
    println!("ratio to the faster of both {:8.2}", path / i.min(f));
}
