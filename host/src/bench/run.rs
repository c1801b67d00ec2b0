//! The simulated node on the simulated feeder: setting up, and running as fast as the machine goes.

use super::feeder::Feeder;
use super::flash::RamFlash;
use super::scenario::{Scenario, WallClock};
use super::sensors::Sensors;
use super::wave::{HeldWaves, SampleSource};
use jiff::civil::DateTime;
use jiff::{Timestamp, ToSpan};
use std::time::{Duration, Instant};
use wattless_core::wire::{LogBounds, Refusal, Request};
use wattless_node::keeper::StartError;
use wattless_node::node::{Hardware, Node};

/// Pieces of flash work that one block of frames may cause; a flash that fails must not stop it.
const WORK_PER_BLOCK: usize = 16;

/// Why a bench cannot run.
#[derive(Debug, thiserror::Error)]
pub enum RunError {
    /// The node does not start.
    #[error("the simulated node does not start: {0}")]
    Start(StartError),
    /// The node does not take its settings.
    #[error("the simulated node does not take its settings: {0}")]
    Settings(Refusal),
    /// A time that the scenario does not cover.
    #[error("{at} is not in the scenario's span, {from} to {to}; choose a time in it")]
    OutsideSpan {
        /// The time asked for.
        at: String,
        /// Start of the span.
        from: DateTime,
        /// End of the span.
        to: DateTime,
    },
}

/// A scenario that is ready to run: what was drawn, and where it starts.
#[derive(Clone, Debug)]
pub struct Setup {
    /// The scenario.
    pub scenario: Scenario,
    /// Its feeder.
    pub feeder: Feeder,
    /// Its sensors.
    pub sensors: Sensors,
    /// Milliseconds of the span at which the run starts.
    pub from_ms: i64,
}

impl Setup {
    /// From the start of the span.
    pub fn new(scenario: Scenario) -> Setup {
        let (feeder, sensors) = (Feeder::new(&scenario), Sensors::new(&scenario));
        Setup { scenario, feeder, sensors, from_ms: 0 }
    }

    /// From a local time within the span.
    pub fn starting_at(scenario: Scenario, local: DateTime) -> Result<Setup, RunError> {
        let at = super::scenario::instant(&scenario.zone(), local);
        let mut setup = Setup::new(scenario);
        let from_ms = at.as_millisecond() - setup.feeder.start_unix_ms();
        if !(0..setup.feeder.span_ms()).contains(&from_ms) {
            return Err(setup.outside(local.to_string()));
        }
        setup.from_ms = from_ms;
        Ok(setup)
    }

    /// From this instant: the scenario's dates are moved by whole weeks until it covers it.
    pub fn starting_now(scenario: &Scenario, now: Timestamp) -> Result<Setup, RunError> {
        let zone = scenario.zone();
        let today = zone.to_datetime(now).date();
        let start = scenario.span.start.date();
        let days = (today - start).get_days();
        let mut setup = Setup::new(scenario.later(days.div_euclid(7) * 7));
        let from_ms = now.as_millisecond() - setup.feeder.start_unix_ms();
        if !(0..setup.feeder.span_ms()).contains(&from_ms) {
            return Err(setup.outside(format!("now ({})", zone.to_datetime(now))));
        }
        setup.from_ms = from_ms;
        Ok(setup)
    }

    fn outside(&self, at: String) -> RunError {
        let from = self.scenario.span.start;
        let to = from.saturating_add(i64::from(self.scenario.span.days).days());
        RunError::OutsideSpan { at, from, to }
    }

    /// Frames per second by a true clock; the node takes its own for true.
    pub fn true_rate_hz(&self) -> f64 {
        self.sensors.sample_rate_hz()
    }

    /// Frames per second of the node, by its own clock.
    pub fn sample_rate_hz(&self) -> f64 {
        self.scenario.node.sample_rate_hz
    }

    /// Wall time at a millisecond of the span, Unix milliseconds.
    pub fn unix_ms(&self, t_ms: i64) -> u64 {
        u64::try_from(self.feeder.start_unix_ms() + t_ms).unwrap_or_default()
    }

    /// Starts the node on a flash, with the settings that fit the scenario's sensors.
    ///
    /// Settings are written before the start that counts, as an electrician would have done
    /// before; a host's clock setting is the first thing that happens after it.
    pub fn start_node(&self, flash: RamFlash) -> Result<Node<RamFlash>, RunError> {
        let n = &self.scenario.node;
        let hardware = Hardware {
            node_id: n.id,
            hardware: "bench",
            firmware: env!("CARGO_PKG_VERSION"),
            sample_rate_mhz: libm::rint(n.sample_rate_hz * 1000.0) as u32,
        };
        let mut flash = flash;
        let mut before = Node::start(flash, hardware, None).map_err(RunError::Start)?;
        before
            .answer(Request::WriteSettings(self.sensors.settings().clone()))
            .map_err(RunError::Settings)?;
        flash = before.into_flash();
        let wall_ms = self.unix_ms(self.from_ms);
        let battery = (n.wall_clock == WallClock::Battery).then_some(wall_ms);
        let mut node = Node::start(flash, hardware, battery).map_err(RunError::Start)?;
        if n.wall_clock == WallClock::Host {
            node.answer(Request::SetClock { wall_ms }).map_err(RunError::Settings)?;
        }
        Ok(node)
    }

    /// Runs the node to a millisecond of the span as fast as the machine goes.
    ///
    /// Every frame passes through the node. `progress` is told the milliseconds done.
    pub fn run_fast(
        &self,
        node: &mut Node<RamFlash>,
        to_ms: i64,
        progress: &mut dyn FnMut(i64),
    ) -> BenchReport {
        let rate = self.true_rate_hz();
        let mut waves = HeldWaves::new(&self.feeder, &self.sensors, rate, self.from_ms, to_ms);
        let start = Instant::now();
        let (mut in_feeder, mut told, mut frames) = (Duration::ZERO, start, 0u64);
        loop {
            let before = Instant::now();
            let Some(block) = waves.next_block() else { break };
            let after = Instant::now();
            in_feeder += after - before;
            node.push_frames(block);
            frames += block.len() as u64;
            work(node);
            if after - told > Duration::from_millis(100) {
                told = after;
                progress((frames as f64 * 1000.0 / rate) as i64);
            }
        }
        node.finish();
        while node.sampler().waiting().is_some() {
            let failures = node.keeper().write_failures();
            work(node);
            if node.keeper().write_failures() > failures {
                break;
            }
        }
        progress((frames as f64 * 1000.0 / rate) as i64);
        BenchReport {
            frames,
            simulated_s: frames as f64 / rate,
            wall_s: start.elapsed().as_secs_f64(),
            feeder_s: in_feeder.as_secs_f64(),
            log: node.keeper().bounds(),
            write_failures: node.keeper().write_failures(),
        }
    }
}

/// Lets the node do the work on its flash that is due.
pub(super) fn work(node: &mut Node<RamFlash>) {
    let now = node.uptime_ms();
    for _ in 0..WORK_PER_BLOCK {
        if node.service(now) > now {
            break;
        }
    }
}

/// What a fast run did.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BenchReport {
    /// Frames that passed through the node.
    pub frames: u64,
    /// Seconds that they stand for.
    pub simulated_s: f64,
    /// Seconds that it took.
    pub wall_s: f64,
    /// Seconds of these that the feeder took.
    pub feeder_s: f64,
    /// What the log holds.
    pub log: LogBounds,
    /// Records that could not be written.
    pub write_failures: u32,
}

impl BenchReport {
    /// Nanoseconds per frame, feeder and node together; `None` without frames.
    pub fn ns_per_frame(&self) -> Option<f64> {
        (self.frames > 0).then(|| self.wall_s * 1e9 / self.frames as f64)
    }

    /// Nanoseconds per frame of the feeder alone; `None` without frames.
    pub fn feeder_ns_per_frame(&self) -> Option<f64> {
        (self.frames > 0).then(|| self.feeder_s * 1e9 / self.frames as f64)
    }
}
