//! A host that reads the simulated converter, checks every frame, and disturbs it at random.

use super::{Options, Rig, SimulatedDelay, SimulatedReady, SimulatedReset, SimulatedSpi, Truth};
use wattless_node::converter::*;

pub type Driver = Converter<SimulatedSpi, SimulatedReady, SimulatedReset, SimulatedDelay>;

pub fn driver(rig: &Rig, setup: Setup, with_reset: bool) -> Driver {
    Converter::new(rig.spi(), rig.ready(), with_reset.then(|| rig.reset()), rig.delay(), setup)
}

pub fn rig_of(part: Part) -> Rig {
    Rig::new(part.channels())
}

/// The host's clock, which runs a little fast or slow, at a time of the converter's.
pub fn host_ns(clocks: u64, ppm: i64) -> u64 {
    let t = i128::from(clocks) * 1_000_000_000 / 8_192_000;
    (t + t * i128::from(ppm) / 1_000_000) as u64
}

pub struct Rng(pub u64);

impl Rng {
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (self.0 ^ self.0 >> 30).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ z >> 27).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ z >> 31
    }

    pub fn below(&mut self, n: u64) -> u64 {
        self.next() % n
    }

    /// One to `most` places in a frame.
    pub fn bits(&mut self, most: u64) -> Vec<usize> {
        (0..=self.below(most)).map(|_| self.below(192) as usize).collect()
    }
}

/// A host that reads a converter and checks each frame against what was converted.
pub struct Host {
    pub rig: Rig,
    driver: Driver,
    pub period: u64,
    /// The frame before, and losses reported since.
    last: Option<Truth>,
    lost_since: u64,
    pub frames: u64,
    pub lost: u64,
    pub reasons: Vec<Reason>,
    tampered: u32,
    pub ppm: i64,
}

impl Host {
    pub fn start(setup: Setup, options: Options) -> Host {
        let rig = rig_of(setup.part);
        rig.chip.borrow_mut().options = options;
        let mut driver = driver(&rig, setup, true);
        driver.start().expect("starts");
        let period = 2 * u64::from(setup.osr.ratio());
        Host {
            rig,
            driver,
            period,
            last: None,
            lost_since: 0,
            frames: 0,
            lost: 0,
            reasons: Vec::new(),
            tampered: 0,
            ppm: 0,
        }
    }

    pub fn host_ns(&self, clocks: u64) -> u64 {
        host_ns(clocks, self.ppm)
    }

    pub fn advance(&self, clocks: u64) {
        self.rig.chip.borrow_mut().advance(clocks);
    }

    /// Waits for an edge and serves it some clocks later.
    pub fn step(&mut self, latency: u64) {
        let edge = self.rig.chip.borrow_mut().wait_for_edge(64 * self.period);
        let Some(edge) = edge else {
            let now = self.host_ns(self.rig.now());
            if let Some(reason) = self.driver.check(now) {
                self.restart(reason);
            }
            return;
        };
        self.advance(latency);
        self.serve(edge);
    }

    pub fn serve(&mut self, edge: u64) {
        let edge = self.host_ns(edge);
        let (rig, ppm) = (self.rig.clone(), self.ppm);
        let events = self.driver.service(edge, || host_ns(rig.now(), ppm));
        for event in events.unwrap_or_default() {
            match event {
                Event::Frame(f) => self.check(&f),
                Event::Lost(n) => {
                    self.lost += u64::from(n);
                    self.lost_since += u64::from(n);
                }
                Event::NeedsRestart(reason) => self.restart(reason),
            }
        }
    }

    pub fn restart(&mut self, reason: Reason) {
        self.reasons.push(reason);
        *self.rig.faults.borrow_mut() = Default::default();
        if self.driver.start().is_err() {
            self.rig.chip.borrow_mut().set_clock_running(true);
            self.driver.start().expect("starts again");
        }
    }

    /// Every frame is what was converted, and sits where the losses say.
    pub fn check(&mut self, f: &ConverterFrame) {
        let chip = self.rig.chip.borrow();
        let truth = chip.truth_of(&f.counts).unwrap_or_else(|| panic!("made up: {f:?}"));
        assert!(truth.settled, "unsettled: {truth:?} after {:?}", self.reasons);
        // A register that changes by itself shows when the part's own checksum has come round.
        self.tampered = if truth.tampered { self.tampered + 1 } else { 0 };
        assert!(self.tampered <= 2, "register change unseen");
        if let Some(last) = &self.last {
            let gap = self.lost_since + 1;
            let ticks = truth.tick.checked_sub(last.tick).expect("never goes back");
            assert!(ticks > 0, "the same sample twice");
            if ticks < 1000 && truth.stops == last.stops {
                assert_eq!(ticks, gap, "same run, {} frames", self.frames);
            } else {
                // Sampling started afresh or stood still: whole periods to nearest, and a disturbed
                // edge may have been up to half a period off.
                let periods = (truth.at - last.at) as f64 / self.period as f64;
                assert!((periods - gap as f64).abs() < 1.0, "{periods} {gap}");
            }
        }
        self.last = Some(truth.clone());
        drop(chip);
        self.lost_since = 0;
        self.frames += 1;
    }

    pub fn run(&mut self, steps: usize) {
        for _ in 0..steps {
            self.step(5);
        }
    }
}

pub fn every_option() -> impl Iterator<Item = Options> {
    (0u32..64).map(|n| Options {
        full_replaces_second: n & 1 != 0,
        read_needs_whole_frame: n & 2 != 0,
        blocked_edge_comes_late: n & 4 != 0,
        short_pulse_between: n & 8 != 0,
        resync_flag_clears: n & 16 != 0,
        empty_repeats: n & 32 != 0,
    })
}

/// One disturbance, drawn at random.
pub fn disturb(host: &mut Host, rng: &mut Rng) {
    let period = host.period;
    let kind = rng.below(15);
    {
        let mut faults = host.rig.faults.borrow_mut();
        match kind {
            0 => faults.flip_output = rng.bits(2),
            1 => {
                let from = rng.below(176) as usize;
                let pattern = rng.next();
                faults.flip_output =
                    (0..16).filter(|n| pattern >> n & 1 == 1).map(|n| from + n).collect();
            }
            2 => faults.flip_input = rng.bits(2),
            3 => faults.drop_clock = vec![rng.below(240) as usize],
            4 => faults.double_clock = vec![rng.below(240) as usize],
            5 => faults.reset_at = Some(rng.below(240) as usize),
            6 => faults.port_fails = true,
            _ => {}
        }
    }
    let pause = |most: u64, rng: &mut Rng| rng.below(most * period);
    match kind {
        7 => {
            let clocks = pause(60, rng);
            host.advance(clocks);
        }
        8 => {
            let clocks = pause(3, rng);
            host.advance(clocks);
        }
        9 => {
            host.advance(rng.below(period));
            host.rig.chip.borrow_mut().reset();
        }
        10 => {
            host.advance(rng.below(period));
            host.rig.chip.borrow_mut().set_reset_line(false);
            host.advance(1 + rng.below(2600));
            host.rig.chip.borrow_mut().set_reset_line(true);
        }
        11 => {
            host.rig.chip.borrow_mut().set_clock_running(false);
            let clocks = pause(30, rng);
            host.advance(clocks);
            host.rig.chip.borrow_mut().set_clock_running(true);
        }
        // An edge that is none.
        12 => {
            host.advance(rng.below(period));
            host.serve(host.rig.now());
        }
        // An edge that is served far too late.
        13 => {
            let edge = host.rig.chip.borrow_mut().wait_for_edge(64 * period);
            let clocks = pause(4, rng);
            host.advance(clocks);
            host.serve(edge.unwrap_or(host.rig.now()));
        }
        // The interface locks itself.
        14 => host.rig.chip.borrow_mut().lock(),
        _ => {}
    }
}
