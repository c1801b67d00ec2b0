//! A simulated node in a rough place: served on TCP while simulated time runs fast, with a cable
//! that can be cut, a plug that can be put into another node, restarts and clocks that jump.

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use wattless::bench::flash::RamFlash;
use wattless::bench::wave::{HeldWaves, SampleSource};
use wattless::bench::{Scenario, Setup};
use wattless_core::record::{PAGE, Page};
use wattless_core::wire::{Reply, Request};
use wattless_node::link::LinkServer;
use wattless_node::node::{Hardware, Node};

/// Pieces of flash work that a block of frames may cause.
const WORK_PER_BLOCK: usize = 16;

/// How the cable stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Cable {
    /// It leads to the node.
    Good,
    /// Connections are closed as soon as they are made.
    Unplugged,
    /// Connections are held, and nothing is answered.
    Dead,
}

/// Which node the cable leads to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Plug {
    /// The one that belongs there.
    Own,
    /// Another one.
    Other,
}

struct Client {
    stream: TcpStream,
    server: LinkServer,
}

/// Everything at the far end of the cable; faults are done to it between two of its turns.
pub struct World<'a> {
    setup: &'a Setup,
    id: u64,
    own: Option<Node<RamFlash>>,
    other: Option<Node<RamFlash>>,
    waves: HeldWaves<'a>,
    given: u64,
    /// Simulated milliseconds up to which frames may be given.
    due_ms: i64,
    /// Simulated milliseconds that pass in one of real time.
    speed: f64,
    cable: Cable,
    plug: Plug,
    /// Bytes of answers until every connection is cut.
    cut_after: Option<usize>,
    /// Bytes of answers in a second, as a slow line lets through.
    line_rate: Option<f64>,
    /// Until when the line is busy with the last answer.
    busy_until: Instant,
    clients: Vec<Client>,
    over: bool,
    /// Restarts so far.
    pub restarts: u32,
}

/// A node's number of its own.
fn hardware(setup: &Setup, id: u64) -> Hardware {
    Hardware {
        node_id: id,
        hardware: "bench",
        firmware: env!("CARGO_PKG_VERSION"),
        sample_rate_mhz: (setup.sample_rate_hz() * 1000.0) as u32,
    }
}

fn work(node: &mut Node<RamFlash>) {
    let now = node.uptime_ms();
    for _ in 0..WORK_PER_BLOCK {
        if node.service(now) > now {
            break;
        }
    }
}

impl World<'_> {
    /// Simulated milliseconds since the beginning.
    pub fn now_ms(&self) -> i64 {
        (self.given as f64 * 1000.0 / self.setup.true_rate_hz()) as i64
    }

    /// True wall time, Unix milliseconds.
    pub fn unix_ms(&self) -> u64 {
        self.setup.unix_ms(self.setup.from_ms + self.now_ms())
    }

    /// Whether the span is over.
    pub fn is_over(&self) -> bool {
        self.over
    }

    /// Sets the pace: simulated milliseconds in one of real time.
    pub fn pace(&mut self, speed: f64) {
        self.speed = speed;
    }

    /// Lets time pass to a simulated millisecond at once.
    pub fn run_to(&mut self, ms: i64) {
        self.due_ms = ms;
        while !self.over && self.now_ms() < ms {
            self.run_on();
        }
    }

    /// Gives the node another number, before its first record.
    pub fn be_another(&mut self, id: u64) {
        self.id = id;
        self.restart(true);
    }

    /// The cable, from now on; what was connected is cut unless the cable is only dead.
    pub fn cable(&mut self, cable: Cable) {
        if cable == Cable::Unplugged {
            self.clients.clear();
        }
        self.cable = cable;
    }

    /// Cuts every connection after so many more bytes of answers.
    pub fn cut_after(&mut self, bytes: usize) {
        self.cut_after = Some(bytes);
    }

    /// Makes the line slow: so many bytes of answers a second.
    pub fn slow_line(&mut self, bytes_per_s: f64) {
        self.line_rate = Some(bytes_per_s);
    }

    /// Puts the plug into a node; a bridge in between may keep its connections.
    pub fn plug(&mut self, plug: Plug, connections_stay: bool) {
        if plug == Plug::Other && self.other.is_none() {
            self.other = Some(other_node(self.setup));
        }
        self.plug = plug;
        if !connections_stay {
            self.clients.clear();
        }
    }

    /// Cuts the node's power and starts it again, with or without a clock that ran on.
    pub fn restart(&mut self, clock_ran_on: bool) {
        let clock = clock_ran_on.then(|| self.unix_ms());
        let hardware = hardware(self.setup, self.id);
        let flash = self.own.take().expect("there is a node").into_flash();
        self.own = Some(Node::start(flash, hardware, clock).expect("starts again"));
        self.restarts += 1;
    }

    /// Sets the node's clock off the true time.
    pub fn set_clock_off(&mut self, off_ms: i64) {
        let wall_ms = self.unix_ms().saturating_add_signed(off_ms);
        let node = self.own.as_mut().expect("there is a node");
        node.answer(Request::SetClock { wall_ms }).expect("the clock can be set");
    }

    /// Every page that a node's log holds, in order, with the numbers left empty.
    pub fn log(&mut self, plug: Plug) -> (Vec<Page>, u64) {
        let node = self.node(plug);
        let Ok(Reply::LogBounds(b)) = node.answer(Request::LogBounds) else { panic!("no bounds") };
        let (mut seq, mut pages, mut void) = (b.oldest, Vec::new(), 0);
        while seq < b.next {
            let Ok(Reply::Log(s)) = node.answer(Request::ReadLog { from: seq, count: 7 }) else {
                panic!("no log from {seq} on")
            };
            pages.extend_from_slice(s.pages.as_chunks::<PAGE>().0);
            void += u64::from(s.covered) - (s.pages.len() / PAGE) as u64;
            seq += u32::from(s.covered);
        }
        (pages, void)
    }

    fn node(&mut self, plug: Plug) -> &mut Node<RamFlash> {
        let node = if plug == Plug::Own { &mut self.own } else { &mut self.other };
        node.as_mut().expect("there is a node")
    }

    fn run_on(&mut self) {
        let began = Instant::now();
        while !self.over && self.now_ms() < self.due_ms && began.elapsed().as_millis() < 20 {
            match self.waves.next_block() {
                Some(block) => {
                    self.given += block.len() as u64;
                    let node = self.own.as_mut().expect("there is a node");
                    node.push_frames(block);
                    work(node);
                }
                None => {
                    self.over = true;
                    let node = self.own.as_mut().expect("there is a node");
                    node.finish();
                    work(node);
                }
            }
        }
    }

    fn take_clients(&mut self, listener: &TcpListener) {
        while let Ok((stream, _)) = listener.accept() {
            if self.cable == Cable::Unplugged {
                continue;
            }
            let set = stream.set_nonblocking(true).and_then(|()| stream.set_nodelay(true));
            if set.is_ok() {
                self.clients.push(Client { stream, server: LinkServer::default() });
            }
        }
    }

    /// Answers what has arrived; `true` when anything had.
    fn answer(&mut self) -> bool {
        let mut busy = false;
        if Instant::now() < self.busy_until {
            return false;
        }
        let mut clients = std::mem::take(&mut self.clients);
        let mut cut = false;
        clients.retain_mut(|c| {
            let mut chunk = [0; 512];
            let n = match c.stream.read(&mut chunk) {
                Ok(0) => return false,
                Ok(n) => n,
                Err(e) => return e.kind() == std::io::ErrorKind::WouldBlock,
            };
            busy = true;
            if self.cable == Cable::Dead {
                return true;
            }
            let node = if self.plug == Plug::Own { &mut self.own } else { &mut self.other };
            let node = node.as_mut().expect("there is a node");
            for byte in &chunk[..n] {
                let Some(answer) = c.server.receive(node, *byte) else { continue };
                let allowed = self.cut_after.map_or(answer.len(), |left| left.min(answer.len()));
                // Answers are short; a client that takes none of them is cut off.
                if c.stream.write_all(&answer[..allowed]).is_err() {
                    return false;
                }
                if let Some(rate) = self.line_rate {
                    let wait = Duration::from_secs_f64(allowed as f64 / rate);
                    self.busy_until = self.busy_until.max(Instant::now()) + wait;
                }
                if let Some(left) = &mut self.cut_after {
                    *left -= allowed;
                    cut |= *left == 0;
                }
            }
            !cut
        });
        self.clients = clients;
        if cut {
            self.cut_after = None;
            self.clients.clear();
        }
        busy
    }
}

type Deed = Box<dyn for<'a> FnOnce(&mut World<'a>) + Send>;

/// A rough place that runs in a thread of its own.
pub struct RoughPlant {
    /// Where the node is reached.
    pub address: String,
    /// Number of the node that belongs there.
    pub id: u64,
    deeds: Option<Sender<Deed>>,
    thread: Option<JoinHandle<()>>,
}

impl RoughPlant {
    /// The sawmill of the bench at 1000 samples a second, its span ending about now.
    ///
    /// `interval_s` is the length of a record, `flash` the size of the node's memory in bytes.
    /// Time stands still until [`World::pace`] is set.
    pub fn new(days: u32, interval_s: u16, flash: usize, seed: u64) -> RoughPlant {
        RoughPlant::on(RamFlash::new(flash), days, interval_s, seed)
    }

    /// The same on a flash that may hold the end of an earlier log.
    pub fn on(flash: RamFlash, days: u32, interval_s: u16, seed: u64) -> RoughPlant {
        let mut scenario = Scenario::sawmill().expect("the built-in scenario");
        scenario.span.days = u16::try_from(days).expect("a span of days");
        scenario.span.seed = seed;
        scenario.node.sample_rate_hz = 1000.0;
        scenario.node.interval_s = interval_s;
        let start = scenario.span.start.date();
        let today = scenario.zone().to_datetime(jiff::Timestamp::now()).date();
        let ago = i32::try_from(days).expect("a span of days");
        let scenario = scenario.later((today - start).get_days() - ago);
        let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
        listener.set_nonblocking(true).expect("a socket");
        let address = format!("tcp:{}", listener.local_addr().expect("a bound socket"));
        let id = scenario.node.id;
        let (deeds, todo) = channel();
        let thread = std::thread::spawn(move || run(scenario, flash, &listener, &todo));
        RoughPlant { address, id, deeds: Some(deeds), thread: Some(thread) }
    }

    /// Does something to the world and gives back what it says.
    pub fn with<R: Send + 'static>(
        &self,
        deed: impl for<'a> FnOnce(&mut World<'a>) -> R + Send + 'static,
    ) -> R {
        let (tell, told) = channel();
        let deed: Deed = Box::new(move |world| {
            let _ = tell.send(deed(world));
        });
        self.deeds.as_ref().expect("runs").send(deed).expect("the world goes on");
        told.recv().expect("the world goes on")
    }
}

impl Drop for RoughPlant {
    fn drop(&mut self) {
        self.deeds = None;
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

fn run(scenario: Scenario, flash: RamFlash, listener: &TcpListener, todo: &Receiver<Deed>) {
    let setup = Setup::new(scenario);
    let own = setup.start_node(flash).expect("the node starts");
    let waves = HeldWaves::new(
        &setup.feeder,
        &setup.sensors,
        setup.true_rate_hz(),
        setup.from_ms,
        setup.feeder.span_ms(),
    );
    let mut world = World {
        setup: &setup,
        id: setup.scenario.node.id,
        own: Some(own),
        other: None,
        waves,
        given: 0,
        due_ms: 0,
        speed: 0.0,
        cable: Cable::Good,
        plug: Plug::Own,
        cut_after: None,
        line_rate: None,
        busy_until: Instant::now(),
        clients: Vec::new(),
        over: false,
        restarts: 0,
    };
    let mut last = Instant::now();
    loop {
        loop {
            match todo.try_recv() {
                Ok(deed) => deed(&mut world),
                Err(std::sync::mpsc::TryRecvError::Empty) => break,
                Err(std::sync::mpsc::TryRecvError::Disconnected) => return,
            }
        }
        let now = Instant::now();
        let passed_ms = (now - last).as_secs_f64() * 1000.0 * world.speed;
        last = now;
        // A machine that is too slow lags; it does not catch up in one leap.
        world.due_ms = (world.due_ms + passed_ms as i64)
            .min(world.now_ms() + (100.0 * world.speed) as i64 + 1);
        world.run_on();
        world.take_clients(listener);
        if !world.answer() {
            std::thread::sleep(Duration::from_millis(1));
        }
    }
}

/// Another node with some hours of its own, made when it is needed: it takes a while.
fn other_node(setup: &Setup) -> Node<RamFlash> {
    let mut other = Setup::new(setup.scenario.clone());
    other.scenario.node.id ^= 0xFFFF;
    other.scenario.plant.feeder = "Planer".into();
    let mut node = other.start_node(RamFlash::new(1 << 20)).expect("the other node starts");
    other.run_fast(&mut node, 6 * 3_600_000, &mut |_| ());
    node
}
