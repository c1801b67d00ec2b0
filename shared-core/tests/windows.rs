//! Windows as a stream: nothing lost or used twice, the same in any pieces, loss and return of the supply.

use core::f64::consts::TAU;
use wattless_core::flags::Flags;
use wattless_core::frame::Frame;
use wattless_core::window::{Meter, MeterConfig, Nominal, Window};

const RATE: f64 = 8000.0;

/// Three voltages at a frequency given for each frame, three currents, a constant on i3.
fn frames(
    count: usize,
    frequency: impl Fn(usize) -> f64,
    level: impl Fn(usize) -> f64,
) -> Vec<Frame> {
    let mut turns = 0.1;
    (0..count)
        .map(|n| {
            turns += frequency(n) / RATE;
            let wave = |k: i32, peak: f64| {
                let a = TAU * (turns - f64::from(k) / 3.0);
                (level(n) * peak * (libm::cos(a) + 0.1 * libm::cos(5.0 * a))) as i32
            };
            Frame::new([
                wave(0, 5e6),
                wave(1, 5e6),
                wave(2, 5e6),
                wave(0, 3e6),
                wave(1, 3e6),
                123_456,
                0,
                0,
            ])
        })
        .collect()
}

fn meter() -> Meter<Vec<Frame>> {
    let config = MeterConfig { sample_rate_hz: RATE, nominal: Nominal::Hz50 };
    Meter::new(config, vec![Frame::ZERO; 800]).expect("good configuration")
}

fn windows(frames: &[Frame], pieces: impl Fn(usize) -> usize) -> Vec<Window> {
    let mut m = meter();
    let mut out = Vec::new();
    let (mut rest, mut k) = (frames, 0);
    while !rest.is_empty() {
        let (now, later) = rest.split_at(pieces(k).clamp(1, rest.len()));
        m.push(now, &mut |w| out.push(*w));
        rest = later;
        k += 1;
    }
    out
}

fn start_q16(w: &Window) -> i64 {
    w.first_frame as i64 * 65_536 + libm::rint(w.start.fraction() * 65_536.0) as i64
}

#[test]
fn each_frame_counts_once_whatever_side_of_a_cut_it_is_on() {
    let base = frames(6000, |_| 49.37, |_| 1.0);
    let plain = windows(&base, |_| 6000);
    assert_eq!(plain.len(), 3);
    for w in &plain {
        // A constant weighs as much as the window is long, to the last unit.
        assert_eq!(w.sums.sum_q16[5], 123_456 * w.sums.length_q16);
    }
    for pair in plain.windows(2) {
        // The shared weights of a cut are rounded: at most one unit each of five.
        let gap = start_q16(&pair[0]) + pair[0].sums.length_q16 - start_q16(&pair[1]);
        assert!(gap.abs() <= 5, "{gap}");
    }
    // A change in one frame, anywhere around the first two cuts, is seen exactly once.
    let sum = |ws: &[Window]| -> i64 { ws.iter().map(|w| w.sums.sum_q16[4]).sum() };
    let cuts: Vec<usize> = plain[1..].iter().map(|w| w.first_frame as usize).collect();
    for n in cuts.iter().flat_map(|c| c - 4..c + 5) {
        let mut changed = base.clone();
        let mut counts = *changed[n].counts();
        counts[4] += 1000;
        changed[n] = Frame::new(counts);
        let got = sum(&windows(&changed, |_| 6000)) - sum(&plain);
        assert_eq!(got, 1000 * 65_536, "frame {n}");
    }
}

#[test]
fn the_pieces_in_which_frames_come_do_not_matter() {
    // Frequency steps, a loss and a return are in it.
    let f = |n: usize| if n < 9000 { 50.4 } else { 49.1 };
    let level = |n: usize| if (20_000..26_500).contains(&n) { 0.0 } else { 1.0 };
    let stream = frames(40_000, f, level);
    let whole = windows(&stream, |_| usize::MAX);
    for pieces in [(|_| 1) as fn(usize) -> usize, |_| 160, |_| 799, |k| 1 + k * 7919 % 1701] {
        assert_eq!(windows(&stream, pieces), whole);
    }
}

#[test]
fn without_a_fundamental_windows_are_fixed_and_marked_until_it_returns() {
    let level = |n: usize| if (16_000..32_000).contains(&n) { 0.0 } else { 1.0 };
    let stream = frames(56_000, |_| 50.2, level);
    let all = windows(&stream, |_| 1600);
    let lost: Vec<&Window> =
        all.iter().filter(|w| w.flags.contains(Flags::NO_FUNDAMENTAL)).collect();
    assert!((8..=13).contains(&lost.len()), "{}", lost.len());
    for w in &lost[1..] {
        assert!((w.duration_s - 0.2).abs() < 1e-6, "{}", w.duration_s);
        assert_eq!(w.frequency_hz, None);
    }
    // Locked before and again after, within 1 mHz once it has settled.
    for w in [&all[1], all.last().expect("many")] {
        assert!((w.frequency_hz.expect("locked") - 50.2).abs() < 1e-3);
    }
    let covered: f64 = all.iter().map(|w| w.duration_s).sum();
    assert!((covered - 7.0).abs() < 0.25, "{covered}");
}

#[test]
fn frequency_steps_and_ramps_are_followed() {
    let step = frames(40_000, |n| if n < 16_000 { 50.0 } else { 51.0 }, |_| 1.0);
    let all = windows(&step, |_| 1600);
    assert!(all.iter().any(|w| w.flags.contains(Flags::FREQUENCY_MOVED)));
    let last = all.last().expect("many").frequency_hz.expect("locked");
    assert!((last - 51.0).abs() < 1e-3, "{last}");
    // 1 Hz a second: the middle of each window once it follows.
    let ramp = frames(40_000, |n| 49.0 + n as f64 / RATE, |_| 1.0);
    for w in &windows(&ramp, |_| 1600)[4..] {
        let middle = w.first_frame as f64 + w.sums.length() / 2.0;
        let error = w.frequency_hz.expect("locked") - (49.0 + middle / RATE);
        assert!(error.abs() < 2e-3, "{error} Hz at frame {}", w.first_frame);
    }
}

#[test]
fn a_stream_after_lost_frames_starts_anew_and_says_what_was_dropped() {
    let stream = frames(8000, |_| 50.0, |_| 1.0);
    let mut m = meter();
    let mut count = 0;
    m.push(&stream[..2000], &mut |_| count += 1);
    assert_eq!((count, m.frames()), (1, 2000));
    assert_eq!(m.restart(), 400);
    assert_eq!(m.frames(), 0);
    m.push(&stream[2100..2500], &mut |_| count += 1);
    assert_eq!(m.restart(), 400, "also while the start is being searched");
    m.push(&stream[2500..], &mut |_| count += 1);
    assert_eq!(count, 1 + 3);
}
