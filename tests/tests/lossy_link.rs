//! The laptop's client and the node in one process, over a line that loses, doubles, flips and
//! delays bytes: in the end the store holds exactly the node's records.

use std::collections::VecDeque;
use std::io;
use std::time::Duration;
use wattless::bench::flash::RamFlash;
use wattless::bench::{Scenario, Setup};
use wattless::collect::link::{Client, Patience};
use wattless::collect::pull::{PullOptions, pull, pull_reopening};
use wattless::collect::store::Store;
use wattless::collect::transport::Transport;
use wattless_core::record::Record;
use wattless_core::wire::{Reply, Request};
use wattless_node::link::LinkServer;
use wattless_node::node::Node;

/// A repeatable source of misfortune (xorshift).
struct Chance(u64);

impl Chance {
    fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }

    fn one_in(&mut self, n: u64) -> bool {
        self.next().is_multiple_of(n)
    }
}

/// A cable with the node at its far end.
struct Cable<'a> {
    node: &'a mut Node<RamFlash>,
    server: LinkServer,
    arrived: VecDeque<u8>,
    late: VecDeque<u8>,
    chance: Chance,
    /// One byte in so many suffers.
    trouble: u64,
    /// Bytes until the plug is pulled.
    left: Option<u64>,
}

impl Cable<'_> {
    /// What becomes of a byte on the way.
    fn on_the_way(&mut self, byte: u8) -> Vec<u8> {
        if !self.chance.one_in(self.trouble) {
            return vec![byte];
        }
        match self.chance.next() % 4 {
            0 => vec![],
            1 => vec![byte, byte],
            2 => vec![byte ^ (1 << (self.chance.next() % 8))],
            _ => vec![self.chance.next() as u8, byte],
        }
    }
}

impl Transport for Cable<'_> {
    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        if let Some(left) = &mut self.left {
            *left = left.saturating_sub(bytes.len() as u64);
            if *left == 0 {
                return Err(io::ErrorKind::BrokenPipe.into());
            }
        }
        // What was late the last time comes now, into the middle of another conversation.
        self.arrived.append(&mut self.late);
        for byte in bytes.iter().flat_map(|b| self.on_the_way(*b)).collect::<Vec<_>>() {
            let answer = self.server.receive(self.node, byte).map(<[u8]>::to_vec);
            for b in answer.into_iter().flatten() {
                let bytes = self.on_the_way(b);
                self.arrived.extend(bytes);
            }
        }
        if self.chance.one_in(self.trouble.div_ceil(100)) {
            self.late.append(&mut self.arrived);
        }
        Ok(())
    }

    fn receive(&mut self, room: &mut [u8], _wait: Duration) -> io::Result<usize> {
        let n = room.len().min(self.arrived.len());
        for (place, byte) in room.iter_mut().zip(self.arrived.drain(..n)) {
            *place = byte;
        }
        if n == 0 {
            // Nobody sends by himself here: the wait is over at once.
            std::thread::sleep(Duration::from_micros(200));
        }
        Ok(n)
    }
}

fn logged(hours: i64) -> Node<RamFlash> {
    let setup = Setup::new(Scenario::sawmill().expect("the built-in scenario"));
    let mut node = setup.start_node(RamFlash::new(1 << 20)).expect("starts");
    setup.run_fast(&mut node, hours * 3_600_000, &mut |_| ());
    node
}

/// What the node holds, asked without a line between.
fn held(node: &mut Node<RamFlash>) -> Vec<Record> {
    let Ok(Reply::LogBounds(b)) = node.answer(Request::LogBounds) else { panic!("bounds") };
    let (mut seq, mut out) = (b.oldest, Vec::new());
    while seq < b.next {
        let Ok(Reply::Log(s)) = node.answer(Request::ReadLog { from: seq, count: 7 }) else {
            panic!("log")
        };
        let pages = s.pages.chunks(256).map(|p| Record::decode(p.try_into().unwrap()).unwrap());
        out.extend(pages);
        seq += u32::from(s.covered);
    }
    out
}

fn stored(store: &Store) -> Vec<Record> {
    let id = store.choose(None).unwrap().id;
    store.read_records(id, 0..=u32::MAX).unwrap().map(|r| r.unwrap().record).collect()
}

fn patience() -> Patience {
    Patience { wait: Duration::from_millis(2), tries: 200, ..Patience::default() }
}

fn cable(node: &mut Node<RamFlash>, seed: u64, trouble: u64, left: Option<u64>) -> Cable<'_> {
    Cable {
        node,
        server: LinkServer::default(),
        arrived: VecDeque::new(),
        late: VecDeque::new(),
        chance: Chance(seed * 2 + 1),
        trouble,
        left,
    }
}

#[test]
fn a_bad_line_brings_exactly_the_records() {
    let mut node = logged(2);
    let want = held(&mut node);
    assert_eq!(want.len(), 120);
    for (seed, trouble) in [(1, 20_000), (2, 5_000), (3, 2_000), (4, 1_500)] {
        let folder = tempfile::tempdir().unwrap();
        let mut store = Store::create(folder.path().join("store")).unwrap();
        let line = cable(&mut node, seed, trouble, None);
        let mut client = Client::connect(line, "the bad line", patience()).unwrap();
        let summary = pull(&mut client, &mut store, &PullOptions::default(), &mut |_| ()).unwrap();
        assert_eq!(summary.new_records, 120, "seed {seed}");
        assert!(trouble > 5_000 || summary.repeated_questions > 0, "seed {seed}: too easy");
        assert_eq!(stored(&store), want, "seed {seed}");
    }
}

/// The plug is pulled again and again: each pull goes on where the last one ended.
#[test]
fn a_cable_that_is_pulled_out_costs_nothing_but_time() {
    let mut node = logged(2);
    let want = held(&mut node);
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::create(folder.path().join("store")).unwrap();
    let (mut pulls, mut new) = (0, 0);
    let options = PullOptions { commit_every: 7, reopen: 0, ..PullOptions::default() };
    loop {
        pulls += 1;
        assert!(pulls < 200, "no end");
        let line = cable(&mut node, pulls, 50_000, Some(150));
        let mut first = Client::connect(line, "the cable", patience()).ok();
        let before = new;
        let open = || {
            let gone = io::ErrorKind::NotConnected.into();
            let port = "the cable".to_owned();
            first.take().ok_or(wattless::collect::link::LinkError::Open { port, source: gone })
        };
        let result = pull_reopening(open, &mut store, &options, &mut |_| ());
        let done = store.choose(None).ok().and_then(|n| n.next_seq).unwrap_or(0);
        new = u64::from(done);
        assert!(new >= before, "went back");
        if let Ok(summary) = result
            && (summary.new_records == 0 || new == 120)
        {
            break;
        }
    }
    assert!(pulls > 3, "the cable was never pulled out");
    assert_eq!(stored(&store), want);
}
