//! A watch in a rough place: cables pulled, nodes restarted and exchanged, disks full, clocks that
//! jump, kills. In the end the store holds exactly the node's records, and nothing of another.
//!
//! `WATTLESS_SOAK_DAYS=30 cargo test --release -p wattless-tests --test watch_soak -- --nocapture`
//! goes through a month with some three hundred faults; `WATTLESS_SOAK_SEED` draws others.

use std::collections::{BTreeMap, HashSet};
use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};
use wattless::collect::store::{NodeId, Span, Store};
use wattless_core::record::{Page, Record};
use wattless_tests::program;
use wattless_tests::rough_plant::{Cable, Plug, RoughPlant};
use wattless_tests::watching::{Watching, until};

/// A repeatable source of misfortune (xorshift).
struct Chance(u64);

impl Chance {
    fn below(&mut self, n: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % n
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Fault {
    CutMidTransfer,
    Unplugged,
    Dead,
    Restart,
    RestartWithoutClock,
    ClockAhead,
    ClockBack,
    OtherNode,
    OtherNodeBehindABridge,
    DiskFull,
    FileLimit,
    Killed,
    Ended,
    SecondWatch,
    PullBeside,
}

const FAULTS: [Fault; 15] = [
    Fault::CutMidTransfer,
    Fault::Unplugged,
    Fault::Dead,
    Fault::Restart,
    Fault::RestartWithoutClock,
    Fault::ClockAhead,
    Fault::ClockBack,
    Fault::OtherNode,
    Fault::OtherNodeBehindABridge,
    Fault::DiskFull,
    Fault::FileLimit,
    Fault::Killed,
    Fault::Ended,
    Fault::SecondWatch,
    Fault::PullBeside,
];

/// A disk of its own where the system lets a test have one, else a folder.
struct Disk {
    folder: tempfile::TempDir,
    mounted: bool,
}

impl Disk {
    fn new() -> Disk {
        let folder = tempfile::tempdir().expect("a folder");
        let mounted = Command::new("mount")
            .args(["-t", "tmpfs", "-o", "size=48m", "tmpfs"])
            .arg(folder.path())
            .stderr(Stdio::null())
            .status();
        Disk { folder, mounted: mounted.is_ok_and(|s| s.success()) }
    }

    fn filler(&self) -> PathBuf {
        self.folder.path().join("filler")
    }

    /// Fills the disk to its last byte.
    fn fill(&self) {
        let mut file = std::fs::File::create(self.filler()).expect("a filler");
        for size in [1 << 20, 4096, 1] {
            while file.write_all(&vec![0; size]).is_ok() {}
        }
    }

    fn empty(&self) {
        let _ = std::fs::remove_file(self.filler());
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        if self.mounted {
            let _ = Command::new("umount").arg(self.folder.path()).status();
        }
    }
}

struct Soak {
    // Dropped first: the disk cannot be given back under it.
    watch: Watching,
    plant: RoughPlant,
    disk: Disk,
    site: PathBuf,
    chance: Chance,
    /// Watches started.
    starts: u32,
    /// Starts that a full disk refused.
    refused_starts: u32,
    refused_seconds: u32,
    clean_ends: u32,
    done: BTreeMap<Fault, u32>,
    said: Vec<String>,
}

fn start(plant: &RoughPlant, store: &Path, site: &Path) -> Watching {
    // A write beyond a file limit is then an error and not the end.
    let mut command = Command::new("sh");
    command.args(["-c", "trap '' XFSZ; exec \"$@\"", "sh"]);
    command.arg(program::path()).arg("watch").arg(store).arg(&plant.address);
    command.args(["--pull-every", "1", "--listen", "127.0.0.1:0", "--site"]).arg(site);
    Watching::of(command)
}

impl Soak {
    fn new(days: u32, seed: u64) -> Soak {
        let plant = RoughPlant::new(days, 60, 16 << 20, seed);
        let disk = Disk::new();
        let site = disk.folder.path().join("site.toml");
        let text = "name = \"Brackwater Joinery\"\n[supply]\nline_voltage_v = 400\n\
                    [watch]\nlive_every_s = 0.2\nset_clock = false\n\
                    [watch.alarms]\nsilent_s = 2\n";
        std::fs::write(&site, text).expect("a site file");
        let watch = start(&plant, &disk.folder.path().join("store"), &site);
        let mut soak = Soak {
            plant,
            disk,
            site,
            watch,
            chance: Chance(seed * 2 + 1),
            starts: 1,
            refused_starts: 0,
            refused_seconds: 0,
            clean_ends: 0,
            done: BTreeMap::new(),
            said: Vec::new(),
        };
        soak.watch.wait_for("page at");
        soak
    }

    fn store(&self) -> PathBuf {
        self.disk.folder.path().join("store")
    }

    fn wait(&self, ms: u64) {
        std::thread::sleep(Duration::from_millis(ms));
    }

    /// Starts the watch anew, as a service manager does until it stays.
    fn start_again(&mut self) {
        self.said.extend(self.watch.said());
        let began = Instant::now();
        loop {
            self.watch = start(&self.plant, &self.store(), &self.site);
            self.starts += 1;
            let mut up = false;
            until("the watch starts or refuses", || {
                up = self.watch.times("page at") > 0;
                up || self.watch.ended().is_some()
            });
            if up {
                return;
            }
            self.refused_starts += 1;
            let (status, said) = (self.watch.ended(), self.watch.said());
            assert_eq!(status.and_then(|s| s.code()), Some(2), "{said:?}");
            assert!(began.elapsed().as_secs() < 120, "does not start again: {said:?}");
            self.wait(300);
        }
    }

    fn limit(&self, limit: &str) {
        let pid = self.watch.id().to_string();
        let limit = format!("--fsize={limit}:unlimited");
        let set = Command::new("prlimit").args(["--pid", &pid, &limit]).status();
        assert!(set.is_ok_and(|s| s.success()), "prlimit (util-linux) is needed");
    }

    /// Another program that wants to write is refused, says where and what to do.
    fn second(&mut self, verb: &str) {
        let mut command = program::command();
        command.arg(verb);
        let store = self.store();
        if verb == "watch" {
            command.arg(&store).arg(&self.plant.address).arg("--no-page");
        } else {
            command.arg(&self.plant.address).arg(&store);
        }
        let out = command.output().expect("runs");
        let words = String::from_utf8_lossy(&out.stderr).into_owned();
        assert_eq!(out.status.code(), Some(2), "{verb}: {words}");
        let plain = words.split_whitespace().collect::<Vec<_>>().join(" ");
        let named = plain.contains(&store.display().to_string()) && plain.contains("stop it first");
        assert!(named, "{verb}: {words}");
        self.refused_seconds += 1;
    }

    /// Another node at the address is told of; where none was met, for as long as it takes.
    fn other_node_is_told(&mut self) {
        const WORDS: &str = "nothing of it";
        self.said.extend(self.watch.said());
        if !self.said.iter().any(|l| l.contains(WORDS)) {
            self.plant.with(|w| w.plug(Plug::Other, false));
            self.watch.wait_for(WORDS);
            self.plant.with(|w| w.plug(Plug::Own, false));
        }
    }

    fn fault(&mut self, fault: Fault) {
        *self.done.entry(fault).or_default() += 1;
        let a_while = 200 + self.chance.below(900);
        let jump_ms = 60_000 * (1 + self.chance.below(3 * 1440)) as i64;
        let bytes = self.chance.below(9000) as usize + 1;
        match fault {
            Fault::CutMidTransfer => self.plant.with(move |w| w.cut_after(bytes)),
            Fault::Unplugged | Fault::Dead => {
                let cable = if fault == Fault::Dead { Cable::Dead } else { Cable::Unplugged };
                self.plant.with(move |w| w.cable(cable));
                self.wait(a_while);
                self.plant.with(|w| w.cable(Cable::Good));
            }
            Fault::Restart => self.plant.with(|w| w.restart(true)),
            Fault::RestartWithoutClock => {
                self.plant.with(|w| w.restart(false));
                self.wait(a_while / 2);
                self.plant.with(|w| w.set_clock_off(0));
            }
            Fault::ClockAhead => self.plant.with(move |w| w.set_clock_off(jump_ms)),
            Fault::ClockBack => self.plant.with(move |w| w.set_clock_off(-jump_ms)),
            Fault::OtherNode | Fault::OtherNodeBehindABridge => {
                let bridge = fault == Fault::OtherNodeBehindABridge;
                self.plant.with(move |w| w.plug(Plug::Other, bridge));
                self.wait(a_while + 1200);
                self.plant.with(move |w| w.plug(Plug::Own, bridge));
            }
            Fault::DiskFull if self.disk.mounted => {
                self.disk.fill();
                self.wait(a_while + 1000);
                // One kill in three happens on the full disk.
                if self.chance.below(3) == 0 {
                    self.watch.kill();
                    self.disk.fill();
                    self.watch = start(&self.plant, &self.store(), &self.site);
                    self.wait(a_while);
                    self.disk.empty();
                    if self.watch.ended().is_some() {
                        self.refused_starts += 1;
                        self.start_again();
                    }
                }
                self.disk.empty();
            }
            Fault::DiskFull | Fault::FileLimit => {
                self.limit("8192");
                self.wait(a_while + 1000);
                self.limit("unlimited");
            }
            Fault::Killed => {
                self.watch.kill();
                self.wait(a_while / 3);
                self.start_again();
            }
            Fault::Ended => {
                let status = self.watch.end();
                assert_eq!(status.code(), Some(0), "{:?}", self.watch.said());
                self.clean_ends += 1;
                self.start_again();
            }
            Fault::SecondWatch => self.second("watch"),
            Fault::PullBeside => self.second("pull"),
        }
        let ended = self.watch.ended();
        assert!(ended.is_none(), "after {fault:?}: {ended:?} {:#?}", self.watch.said());
    }

    /// Somebody looks at the page: another reader of the store.
    fn look(&mut self) -> String {
        let at = self.watch.page();
        let mut text = String::new();
        if let Ok(mut stream) = TcpStream::connect(&at) {
            let _ = stream.set_read_timeout(Some(Duration::from_secs(20)));
            let ask = format!("GET / HTTP/1.1\r\nHost: {at}\r\nConnection: close\r\n\r\n");
            let _ = stream.write_all(ask.as_bytes());
            let _ = stream.read_to_string(&mut text);
        }
        text
    }

    /// Waits until the store holds the last record of the node.
    fn settle(&mut self, last_seq: u32) {
        let store = self.store();
        let id = NodeId(self.plant.id);
        until("the store holds every record", || {
            let ended = self.watch.ended();
            assert!(ended.is_none(), "{ended:?} {:#?}", self.watch.said());
            let extent = Store::open(&store).and_then(|s| s.extent(id));
            extent.is_ok_and(|e| e.last_seq == Some(last_seq))
        });
    }

    /// Nothing lost, doubled, altered, mixed; gives records and numbers left empty.
    fn compare(&mut self) -> (usize, u64) {
        let (pages, void) = self.plant.with(|w| w.log(Plug::Own));
        let store = Store::open(self.store()).expect("the store opens");
        let nodes: Vec<_> = store.nodes().expect("nodes").iter().map(|n| n.id).collect();
        assert_eq!(nodes, [NodeId(self.plant.id)], "something of another node was stored");
        let id = NodeId(self.plant.id);
        let stored = store.read_records(id, 0..=u32::MAX).expect("records");
        let stored: Vec<Page> = stored.map(|r| r.expect("a record").record.encode()).collect();
        let seq = |p: &Page| Record::decode(p).expect("a record").seq;
        for (at, (a, b)) in stored.iter().zip(&pages).enumerate() {
            assert_eq!(seq(a), seq(b), "place {at}: lost or doubled");
            assert_eq!(a, b, "record {} was altered", seq(a));
        }
        assert_eq!(stored.len(), pages.len());
        let gaps = store.gaps(id).expect("gaps");
        assert_eq!(gaps.iter().map(|g| g.count()).sum::<u64>(), void);
        let (log, chain) = store.read_log_checked(id, Span::ALL).expect("a log");
        assert!(chain.whole, "{:?}", chain.breaks);
        assert_eq!(log.len(), pages.len(), "records without a place in time");
        (pages.len(), void)
    }

    /// Every line of the diary is whole and there once; what began is over.
    fn diary(&self) -> (usize, Vec<String>) {
        let text = std::fs::read_to_string(self.store().join("alarms.jsonl")).expect("a diary");
        let mut keys = HashSet::new();
        let mut standing: BTreeMap<String, i64> = BTreeMap::new();
        let mut lines = 0;
        for line in text.lines() {
            let v: serde_json::Value = serde_json::from_str(line).unwrap_or_else(|e| {
                panic!("a line of the diary is torn: {e}: {line}");
            });
            lines += 1;
            let cleared = v["cleared_ms"].as_i64();
            let at = cleared.or(v["raised_ms"].as_i64()).expect("a time");
            let about = format!("{} {} {}", v["node_id"], v["kind"], v["part"]);
            assert!(keys.insert((about.clone(), at, cleared.is_some())), "twice: {line}");
            // Before the first answer nobody knows which node it is.
            let own = format!("{:016x}", self.plant.id);
            let whose = v["node_id"].as_str().expect("a node");
            assert!(whose == own || whose.is_empty(), "{line}");
            assert_eq!(v["address"], self.plant.address, "{line}");
            *standing.entry(about).or_default() += if cleared.is_some() { -1 } else { 1 };
        }
        let link = ["silent", "other-node", "store-full", "log-changed"];
        for (about, n) in &standing {
            if link.iter().any(|k| about.contains(k)) {
                assert_eq!(*n, 0, "{about}: raised and not over, or over and never raised");
            }
        }
        (lines, standing.into_keys().collect())
    }
}

#[test]
fn nothing_is_lost_doubled_or_mixed() {
    let number = |name: &str| std::env::var(name).ok().and_then(|v| v.parse::<u64>().ok());
    let days = number("WATTLESS_SOAK_DAYS").unwrap_or(2).clamp(1, 60) as u32;
    let seed = number("WATTLESS_SOAK_SEED").unwrap_or(1);
    // The short form has each fault once; a month has each twenty times.
    let rounds = (u64::from(days) * 2 / 3).max(1);
    let began = Instant::now();
    let mut soak = Soak::new(days, seed);
    if std::env::var_os("CI").is_some() {
        println!("a disk of its own: {}", soak.disk.mounted);
    }
    // Each fault takes some two seconds: the days pass meanwhile.
    let seconds = (rounds * FAULTS.len() as u64) as f64 * 1.6;
    let speed = f64::from(days) * 86_400.0 / seconds;
    soak.plant.with(move |w| w.pace(speed));
    for _ in 0..rounds {
        let mut deck = FAULTS.to_vec();
        while !deck.is_empty() {
            let fault = deck.swap_remove(soak.chance.below(deck.len() as u64) as usize);
            let pause = 50 + soak.chance.below(500);
            soak.wait(pause);
            if soak.chance.below(4) == 0 {
                let text = soak.look();
                assert!(text.starts_with("HTTP/1.1 200"), "{text}");
            }
            soak.fault(fault);
        }
    }
    soak.other_node_is_told();
    soak.plant.with(|w| w.pace(1e6));
    // A busy machine may take its time, but time must pass.
    while !soak.plant.with(|w| w.is_over()) {
        let before = soak.plant.with(|w| w.now_ms());
        until("simulated time passes", || {
            soak.plant.with(move |w| w.is_over() || w.now_ms() > before)
        });
    }
    let restarts = soak.plant.with(|w| w.restarts);
    let (pages, _) = soak.plant.with(|w| w.log(Plug::Own));
    let last = Record::decode(pages.last().expect("records")).expect("a record").seq;
    soak.settle(last);
    assert!(soak.look().starts_with("HTTP/1.1 200"));
    // A pull after the last record lets every alarm of the link end.
    let pulls = |s: &mut Soak| s.look().len();
    pulls(&mut soak);
    soak.wait(2500);
    let status = soak.watch.end();
    assert_eq!(status.code(), Some(0), "{:?}", soak.watch.said());
    soak.said.extend(soak.watch.said());
    let fallen: Vec<_> = soak.said.iter().filter(|l| l.contains("panicked")).collect();
    assert!(fallen.is_empty(), "{fallen:?}");
    let (records, void) = soak.compare();
    let (lines, kinds) = soak.diary();
    println!(
        "{days} simulated days in {:.0} s, seed {seed}: {records} records compared byte for byte, \
         {void} numbers left empty by {restarts} restarts",
        began.elapsed().as_secs_f64()
    );
    println!(
        "watch started {} times, {} of them refused by a full disk; ended in order {} times; \
         {} second writers refused; diary of {lines} whole lines",
        soak.starts, soak.refused_starts, soak.clean_ends, soak.refused_seconds
    );
    println!("faults: {:?}", soak.done);
    println!("alarms: {}", kinds.join(", "));
    if std::env::var_os("WATTLESS_SOAK_DAYS").is_some() {
        println!("{}", soak.said.join("\n"));
    }
}
