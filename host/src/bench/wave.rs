//! Waveforms: frames of counts from a feeder, sample by sample or stretch by stretch.
//!
//! Both sources have the interface that a hardware front end has: blocks of frames in order,
//! without gaps. [`LiveWaves`] changes continuously. [`HeldWaves`] holds the state of a stretch
//! without switching as a buffer of whole cycles and repeats it; buffers join without a jump of
//! phase, at the frame of the switching.

use super::chance::Chance;
use super::feeder::{Feeder, INPUTS};
use super::sensors::{STEP_FRAMES, Sensors};
use wattless_core::complex::Complex;
use wattless_core::frame::{CHANNELS, Frame};

/// Where frames come from.
pub trait SampleSource {
    /// The next frames; `None` at the end of what there is.
    fn next_block(&mut self) -> Option<&[Frame]>;

    /// Frames given so far.
    fn frames_given(&self) -> u64;
}

/// Frames of one run of the inner loops: small enough to stay near the processor.
const RUN: usize = 64;

/// Far outside the converter's range, and safe to add noise to; clipping follows in the frame.
const LIMIT: f64 = 1e9;

/// Adding it to a number below 2⁵¹ leaves the rounded number in the low bits.
const ROUNDER: f64 = 6_755_399_441_055_744.0;

/// Frames of a block of [`LiveWaves`], at most.
const LIVE_BLOCK: usize = 160;

/// Milliseconds over which [`LiveWaves`] goes straight from state to state, at most.
const LIVE_STEP_MS: i64 = 100;

/// What both sources need: the feeder, its sensors, the clock of the samples.
#[derive(Clone, Debug)]
struct Bench<'a> {
    feeder: &'a Feeder,
    sensors: &'a Sensors,
    sample_rate_hz: f64,
    chance: Chance,
    from_ms: i64,
}

impl<'a> Bench<'a> {
    fn new(feeder: &'a Feeder, sensors: &'a Sensors, sample_rate_hz: f64, from_ms: i64) -> Self {
        let chance = Chance::new(feeder.start_unix_ms() as u64, "noise places");
        Bench { feeder, sensors, sample_rate_hz, chance, from_ms }
    }

    /// The first frame at or after a millisecond of the span.
    fn frame_at(&self, t_ms: i64) -> u64 {
        let since = (t_ms - self.from_ms).max(0) as f64;
        libm::ceil(since * self.sample_rate_hz / 1000.0 - 1e-6) as u64
    }
}

/// Holds each stretch without switching as a buffer that is repeated: the fast source.
#[derive(Clone, Debug)]
pub struct HeldWaves<'a> {
    bench: Bench<'a>,
    tables: Vec<Table>,
    buffer: Vec<Frame>,
    /// The first frames of a stretch, where coils see the currents go over from the last one.
    opening: Vec<Frame>,
    /// Frames of the opening given.
    opened: usize,
    /// Currents behind the coils at the end of the last stretch.
    left_at: Option<[f64; INPUTS]>,
    /// Frames of the buffer given since the last time it began.
    used: usize,
    /// Frames left of the stretch.
    left: u64,
    at_ms: i64,
    to_ms: i64,
    given: u64,
    /// Turns of the fundamental at the next frame, below 1.
    turns: f64,
    /// Turns that the buffers, which hold whole cycles, are behind the supply.
    behind: f64,
}

impl<'a> HeldWaves<'a> {
    /// Frames from one millisecond of the span to another.
    pub fn new(
        feeder: &'a Feeder,
        sensors: &'a Sensors,
        sample_rate_hz: f64,
        from_ms: i64,
        to_ms: i64,
    ) -> Self {
        HeldWaves {
            bench: Bench::new(feeder, sensors, sample_rate_hz, from_ms),
            tables: Vec::new(),
            buffer: Vec::new(),
            opening: Vec::new(),
            opened: 0,
            left_at: None,
            used: 0,
            left: 0,
            at_ms: from_ms,
            to_ms: to_ms.min(feeder.span_ms()),
            given: 0,
            turns: 0.0,
            behind: 0.0,
        }
    }

    fn next_stretch(&mut self) -> Option<()> {
        while self.left == 0 {
            if self.at_ms >= self.to_ms {
                return None;
            }
            let end_ms = self.bench.feeder.next_change_ms(self.at_ms).min(self.to_ms);
            let frames = self.bench.frame_at(end_ms) - self.bench.frame_at(self.at_ms);
            if frames > 0 {
                self.hold(end_ms, frames);
            }
            self.at_ms = end_ms;
        }
        Some(())
    }

    fn hold(&mut self, end_ms: i64, frames: u64) {
        let b = &mut self.bench;
        let middle_s = (self.at_ms + end_ms) as f64 * 0.5e-3;
        let state = b.feeder.state(self.at_ms, middle_s);
        // A buffer that holds whole cycles has a frequency near the supply's; what it lacks is
        // made up by the buffers after it.
        let ideal = state.frequency_hz / b.sample_rate_hz;
        let catch_up = (self.behind / frames as f64).clamp(-1e-3 * ideal, 1e-3 * ideal);
        let cycles = if state.frequency_hz < 55.0 { 10 } else { 12 };
        let len = libm::rint(f64::from(cycles) / (ideal + catch_up)).max(16.0) as usize;
        let per_frame = f64::from(cycles) / len as f64;
        self.behind += (ideal - per_frame) * frames as f64;

        let orders = b.feeder.orders();
        let mut phasors = b.sensors.counts(&state, orders);
        for (row, order) in phasors.iter_mut().zip(orders) {
            let turn = Complex::unit(core::f64::consts::TAU * f64::from(*order) * self.turns);
            row.iter_mut().for_each(|x| *x = *x * turn);
        }
        let needed = usize::try_from(frames).map_or(len, |f| f.min(len));
        let at = Table::find(&mut self.tables, len, cycles, orders);
        self.buffer.resize(needed, Frame::ZERO);
        let noise = b.sensors.noise(needed, &mut b.chance);
        self.tables[at].synthesise(&phasors, &b.sensors.offsets, &noise, &mut self.buffer);
        self.used = 0;
        self.left = frames;
        if b.sensors.coils().contains(&true) {
            let hz = state.frequency_hz;
            let began = b.sensors.behind_coils(&phasors, orders, hz, 0.0);
            let ends = (frames % len as u64) as f64 * per_frame;
            let ended = b.sensors.behind_coils(&phasors, orders, hz, ends);
            let falls =
                self.left_at.map_or([0.0; INPUTS], |l| core::array::from_fn(|k| l[k] - began[k]));
            self.left_at = Some(ended);
            let n = needed.min(STEP_FRAMES);
            self.opening.clear();
            self.opening.extend(self.buffer[..n].iter().enumerate().map(|(n, frame)| {
                let mut counts = *frame.counts();
                for (k, c) in counts.iter_mut().enumerate().take(INPUTS) {
                    let more = b.sensors.step_counts(falls[k], n).clamp(-LIMIT, LIMIT);
                    *c += libm::rint(more) as i32;
                }
                Frame::new(counts)
            }));
            self.opened = 0;
        }
        let turns = self.turns + (frames % len as u64) as f64 * per_frame;
        self.turns = turns - libm::floor(turns);
    }
}

impl SampleSource for HeldWaves<'_> {
    fn next_block(&mut self) -> Option<&[Frame]> {
        self.next_stretch()?;
        if self.opened < self.opening.len() {
            let rest = &self.opening[self.opened..];
            let n = usize::try_from(self.left).map_or(rest.len(), |left| left.min(rest.len()));
            self.opened = self.opening.len();
            self.used = n;
            self.left -= n as u64;
            self.given += n as u64;
            return Some(&rest[..n]);
        }
        if self.used == self.buffer.len() {
            self.used = 0;
        }
        let rest = &self.buffer[self.used..];
        let n = usize::try_from(self.left).map_or(rest.len(), |left| left.min(rest.len()));
        self.used += n;
        self.left -= n as u64;
        self.given += n as u64;
        Some(&rest[..n])
    }

    fn frames_given(&self) -> u64 {
        self.given
    }
}

/// Cosine and sine of every order over a buffer of whole cycles.
#[derive(Clone, Debug)]
struct Table {
    len: usize,
    cycles: u32,
    /// One entry an order: cosines, and sines with their sign turned.
    rows: Vec<(Vec<f64>, Vec<f64>)>,
}

impl Table {
    /// Tables kept; frequencies come back to the same few lengths.
    const KEPT: usize = 24;

    /// Finds or makes the table of a length.
    fn find(tables: &mut Vec<Table>, len: usize, cycles: u32, orders: &[u8]) -> usize {
        if let Some(at) = tables.iter().position(|t| t.len == len && t.cycles == cycles) {
            return at;
        }
        if tables.len() == Table::KEPT {
            tables.remove(0);
        }
        // All angles are whole parts of a turn: one circle serves every order.
        let step = core::f64::consts::TAU / len as f64;
        let circle: Vec<(f64, f64)> = (0..len).map(|k| libm::sincos(step * k as f64)).collect();
        let rows = orders
            .iter()
            .map(|order| {
                let by = usize::from(*order) * cycles as usize;
                (0..len)
                    .map(|k| {
                        let (sin, cos) = circle[k * by % len];
                        (cos, -sin)
                    })
                    .unzip()
            })
            .collect();
        tables.push(Table { len, cycles, rows });
        tables.len() - 1
    }

    /// Fills frames from the buffer's beginning.
    fn synthesise(
        &self,
        phasors: &[[Complex; INPUTS]],
        offsets: &[f64; INPUTS],
        noise: &[&[i32]; INPUTS],
        out: &mut [Frame],
    ) {
        for (run, frames) in out.chunks_mut(RUN).enumerate() {
            let from = run * RUN;
            let n = frames.len();
            let mut counts = [[0i32; RUN]; INPUTS];
            for (slot, column) in counts.iter_mut().enumerate() {
                let mut sum = [offsets[slot]; RUN];
                for (row, (cos, sin)) in phasors.iter().zip(&self.rows) {
                    let x = row[slot];
                    if x == Complex::ZERO {
                        continue;
                    }
                    let waves = cos[from..from + n].iter().zip(&sin[from..from + n]);
                    for (s, (c, d)) in sum[..n].iter_mut().zip(waves) {
                        *s += x.re * c + x.im * d;
                    }
                }
                for (c, s) in column.iter_mut().zip(&sum) {
                    *c = (s.clamp(-LIMIT, LIMIT) + ROUNDER).to_bits() as i32;
                }
                if let Some(noise) = noise[slot].get(from..from + n) {
                    column[..n].iter_mut().zip(noise).for_each(|(c, n)| *c += n);
                }
            }
            for (k, frame) in frames.iter_mut().enumerate() {
                let [a, b, c, d, e, f, g] = &counts;
                *frame = Frame::new([a[k], b[k], c[k], d[k], e[k], f[k], g[k], 0]);
            }
        }
    }
}

/// Changes continuously, sample by sample: the source for a node in real time.
#[derive(Clone, Debug)]
pub struct LiveWaves<'a> {
    bench: Bench<'a>,
    at_ms: i64,
    to_ms: i64,
    given: u64,
    turns: f64,
    step: Step,
    block: Vec<Frame>,
    /// Currents behind the coils at the end of the last step.
    left_at: Option<[f64; INPUTS]>,
    /// By how much they fall where this step begins, and frames since then.
    falls: [f64; INPUTS],
    since: usize,
}

/// A short time over which phasors and frequency go along straight lines.
#[derive(Clone, Debug, Default)]
struct Step {
    phasors: Vec<[Complex; INPUTS]>,
    slopes: Vec<[Complex; INPUTS]>,
    /// Turns per frame at its start, and what is added to them with each frame.
    turns: f64,
    turns_slope: f64,
    frames: u64,
    done: u64,
}

impl<'a> LiveWaves<'a> {
    /// Frames from one millisecond of the span to another.
    pub fn new(
        feeder: &'a Feeder,
        sensors: &'a Sensors,
        sample_rate_hz: f64,
        from_ms: i64,
        to_ms: i64,
    ) -> Self {
        LiveWaves {
            bench: Bench::new(feeder, sensors, sample_rate_hz, from_ms),
            at_ms: from_ms,
            to_ms: to_ms.min(feeder.span_ms()),
            given: 0,
            turns: 0.0,
            step: Step::default(),
            block: Vec::new(),
            left_at: None,
            falls: [0.0; INPUTS],
            since: STEP_FRAMES,
        }
    }

    /// Looks whether the currents behind coils go over where a step begins; `from` are its
    /// phasors there.
    fn begin_step(&mut self, from: &[[Complex; INPUTS]], frequency_hz: f64) {
        let b = &self.bench;
        let orders = b.feeder.orders();
        let began = b.sensors.behind_coils(from, orders, frequency_hz, self.turns);
        let falls =
            self.left_at.map_or([0.0; INPUTS], |l| core::array::from_fn(|k| l[k] - began[k]));
        // Steps of the same stretch join without a jump, up to rounding.
        if falls.iter().any(|f| f.abs() > 1.0) {
            // What an earlier change had still to go comes on top.
            for (k, old) in self.falls.iter_mut().enumerate() {
                let left: f64 =
                    (self.since..STEP_FRAMES).map(|n| b.sensors.step_counts(1.0, n)).sum();
                let whole: f64 = (0..STEP_FRAMES).map(|n| b.sensors.step_counts(1.0, n)).sum();
                *old = falls[k] + if whole == 0.0 { 0.0 } else { *old * left / whole };
            }
            self.since = 0;
        }
    }

    fn next_step(&mut self) -> Option<()> {
        while self.step.done == self.step.frames {
            if self.at_ms >= self.to_ms {
                return None;
            }
            let b = &self.bench;
            let change = b.feeder.next_change_ms(self.at_ms).min(self.to_ms);
            let end_ms = change.min(self.at_ms + LIVE_STEP_MS);
            let frames = b.frame_at(end_ms) - b.frame_at(self.at_ms);
            if frames > 0 {
                let orders = b.feeder.orders();
                let ends =
                    [self.at_ms, end_ms].map(|t| b.feeder.state(self.at_ms, t as f64 * 1e-3));
                let [from, to] = ends.each_ref().map(|s| b.sensors.counts(s, orders));
                let [f0, f1] = ends.each_ref().map(|s| s.frequency_hz / b.sample_rate_hz);
                if b.sensors.coils().contains(&true) {
                    let hz = ends.each_ref().map(|s| s.frequency_hz);
                    self.begin_step(&from, hz[0]);
                    let b = &self.bench;
                    let turns = self.turns + (f0 + f1) / 2.0 * frames as f64;
                    self.left_at =
                        Some(b.sensors.behind_coils(&to, b.feeder.orders(), hz[1], turns));
                }
                let per = 1.0 / frames as f64;
                let slopes = from
                    .iter()
                    .zip(&to)
                    .map(|(a, b)| core::array::from_fn(|k| (b[k] - a[k]).scale(per)))
                    .collect();
                self.step = Step {
                    phasors: from,
                    slopes,
                    turns: f0,
                    turns_slope: (f1 - f0) * per,
                    frames,
                    done: 0,
                };
            }
            self.at_ms = end_ms;
        }
        Some(())
    }

    fn sample(&mut self) -> [f64; INPUTS] {
        let orders = self.bench.feeder.orders();
        let s = &mut self.step;
        let done = s.done as f64;
        let unit = Complex::unit(core::f64::consts::TAU * self.turns);
        let (mut power, mut at_order) = (unit, 1u8);
        let mut x = self.bench.sensors.offsets;
        for ((row, slope), order) in s.phasors.iter().zip(&s.slopes).zip(orders) {
            while at_order < *order {
                power = power * unit;
                at_order += 1;
            }
            for (x, (p, d)) in x.iter_mut().zip(row.iter().zip(slope)) {
                let now = *p + d.scale(done);
                *x += now.re * power.re - now.im * power.im;
            }
        }
        if self.since < STEP_FRAMES {
            for (x, falls) in x.iter_mut().zip(&self.falls) {
                *x += self.bench.sensors.step_counts(*falls, self.since);
            }
            self.since += 1;
        }
        let turns = self.turns + s.turns + s.turns_slope * (done + 0.5);
        self.turns = turns - libm::floor(turns);
        s.done += 1;
        x
    }
}

impl SampleSource for LiveWaves<'_> {
    fn next_block(&mut self) -> Option<&[Frame]> {
        self.next_step()?;
        let left = self.step.frames - self.step.done;
        let n = usize::try_from(left).map_or(LIVE_BLOCK, |left| left.min(LIVE_BLOCK));
        self.block.clear();
        let noise = self.bench.sensors.noise(n, &mut self.bench.chance);
        for k in 0..n {
            let x = self.sample();
            let mut counts = [0; CHANNELS];
            for (slot, c) in counts.iter_mut().enumerate().take(INPUTS) {
                *c = (x[slot].clamp(-LIMIT, LIMIT) + ROUNDER).to_bits() as i32;
                *c += noise[slot].get(k).copied().unwrap_or_default();
            }
            self.block.push(Frame::new(counts));
        }
        self.given += n as u64;
        Some(&self.block)
    }

    fn frames_given(&self) -> u64 {
        self.given
    }
}
