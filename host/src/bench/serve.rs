//! Serves a simulated node to clients, and lets simulated time pass meanwhile.

use super::flash::RamFlash;
use super::port::{Listener, Port};
use super::run::{Setup, work};
use super::wave::{LiveWaves, SampleSource};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};
use wattless_node::link::LinkServer;
use wattless_node::node::Node;

/// Pause between two turns when nothing is to do.
const REST: Duration = Duration::from_millis(2);

/// Seconds of wall time by which the simulation may lag before its clock is set back.
const LAG_MAX_S: f64 = 1.0;

/// Highest factor by which simulated time may run ahead, beyond which only a fast run helps.
pub const SPEED_MAX: f64 = 200.0;

/// What happens while serving.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum ServeEvent {
    /// A client has come; so many are there now.
    Came(usize),
    /// A client has gone; so many are left.
    Left(usize),
    /// The scenario's span is over: there are no more samples, the log can still be read.
    SpanOver,
    /// The machine is too slow for the speed asked for; simulated time lags.
    TooSlow,
}

/// A simulated node at a place where clients come.
pub struct Server<'a> {
    node: &'a mut Node<RamFlash>,
    listener: Listener,
    clients: Vec<(Port, LinkServer)>,
}

impl<'a> Server<'a> {
    /// A server that has no clients yet.
    pub fn new(node: &'a mut Node<RamFlash>, listener: Listener) -> Self {
        Server { node, listener, clients: Vec::new() }
    }

    /// Answers whatever has arrived, without waiting; `true` when anything had.
    pub fn turn(&mut self, tell: &mut dyn FnMut(ServeEvent)) -> bool {
        let mut busy = false;
        while let Some(port) = self.listener.accept(self.clients.len()) {
            self.clients.push((port, LinkServer::default()));
            if matches!(self.listener, Listener::Tcp(..)) {
                tell(ServeEvent::Came(self.clients.len()));
            }
        }
        for (port, link) in &mut self.clients {
            busy |= port.exchange();
            // A client that floods or does not read closes its own port only.
            busy |= link.poll(self.node, port).unwrap_or(false);
            busy |= port.exchange();
        }
        let before = self.clients.len();
        self.clients.retain(|(port, _)| !port.is_closed());
        if self.clients.len() < before {
            tell(ServeEvent::Left(self.clients.len()));
        }
        busy
    }

    /// Serves a log that does not grow, until told to stop.
    pub fn serve(&mut self, stop: &AtomicBool, tell: &mut dyn FnMut(ServeEvent)) {
        while !stop.load(Ordering::Relaxed) {
            if !self.turn(tell) {
                std::thread::sleep(REST);
            }
        }
    }

    /// Serves while time passes `speed` times as fast as the wall clock, until told to stop.
    ///
    /// `speed` is limited to [`SPEED_MAX`].
    pub fn serve_live(
        &mut self,
        setup: &Setup,
        speed: f64,
        stop: &AtomicBool,
        tell: &mut dyn FnMut(ServeEvent),
    ) {
        let rate = setup.true_rate_hz();
        let pace = rate * speed.clamp(0.01, SPEED_MAX);
        let to_ms = setup.feeder.span_ms();
        let mut waves = LiveWaves::new(&setup.feeder, &setup.sensors, rate, setup.from_ms, to_ms);
        let mut start = Instant::now();
        let (mut over, mut slow) = (false, false);
        while !stop.load(Ordering::Relaxed) {
            let due = start.elapsed().as_secs_f64() * pace;
            let turn_began = Instant::now();
            while !over && (waves.frames_given() as f64) < due {
                match waves.next_block() {
                    Some(block) => self.node.push_frames(block),
                    None => {
                        over = true;
                        self.node.finish();
                        tell(ServeEvent::SpanOver);
                    }
                }
                work(self.node);
                // Clients must not starve behind a speed that the machine cannot reach.
                if turn_began.elapsed() > Duration::from_millis(50) {
                    break;
                }
            }
            let lag_s = (due - waves.frames_given() as f64) / pace;
            if !over && lag_s > LAG_MAX_S {
                start += Duration::from_secs_f64(lag_s);
                if !slow {
                    tell(ServeEvent::TooSlow);
                }
                slow = true;
            }
            work(self.node);
            if !self.turn(tell) {
                std::thread::sleep(REST);
            }
        }
    }
}
