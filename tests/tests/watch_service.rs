//! A watch as a service: told to end it ends, catches up without holding up anybody, leaves alone
//! what is not its own, and sets clocks only when its own can be believed.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::{Duration, Instant};
use wattless::collect::store::{NodeId, Store};
use wattless_tests::rough_plant::{Cable, Plug, RoughPlant};
use wattless_tests::watching::{Watching, until};

fn metrics(at: &str) -> String {
    let mut text = String::new();
    let Ok(mut stream) = TcpStream::connect(at) else { return text };
    let _ = stream.set_read_timeout(Some(Duration::from_secs(30)));
    let ask = format!("GET /metrics HTTP/1.1\r\nHost: {at}\r\nConnection: close\r\n\r\n");
    let _ = stream.write_all(ask.as_bytes());
    let _ = stream.read_to_string(&mut text);
    text
}

/// A counter of a node.
fn counter(text: &str, name: &str, id: u64) -> u64 {
    let (name, id) = (format!("wattless_{name}_total{{"), format!("\"{id:016x}\""));
    let line = text.lines().find(|l| l.starts_with(&name) && l.contains(&id));
    line.and_then(|l| l.rsplit(' ').next()?.parse().ok()).unwrap_or(0)
}

fn extent(folder: &std::path::Path, id: u64) -> u64 {
    Store::open(folder).and_then(|s| s.extent(NodeId(id))).map_or(0, |e| e.records)
}

#[test]
fn told_to_end_it_ends() {
    let folder = tempfile::tempdir().unwrap();
    let plant = RoughPlant::new(1, 60, 1 << 20, 3);
    plant.with(|w| w.pace(10_000.0));
    // In the middle of its work, with a link that hangs, and by Ctrl-C.
    for (signal, cable) in [("TERM", Cable::Good), ("TERM", Cable::Dead), ("INT", Cable::Good)] {
        plant.with(move |w| w.cable(cable));
        let mut watch = Watching::new(
            folder.path(),
            &[plant.address.as_str(), "--pull-every", "1", "--listen", "127.0.0.1:0"],
        );
        watch.page();
        if cable == Cable::Good {
            until("records are stored", || extent(folder.path(), plant.id) > 0);
        }
        watch.signal(signal);
        let mut status = None;
        until("it ends", || {
            status = watch.ended();
            status.is_some()
        });
        assert_eq!(status.and_then(|s| s.code()), Some(0), "{:?}", watch.said());
        assert!(watch.times("told to stop") == 1 && watch.times("stopped") > 0);
    }
}

#[test]
fn a_node_with_days_behind_is_caught_up_with_while_others_go_on() {
    let folder = tempfile::tempdir().unwrap();
    let (behind, other) = (RoughPlant::new(1, 1, 4 << 20, 5), RoughPlant::new(1, 60, 1 << 20, 6));
    let records = behind.with(|w| {
        w.run_to(3_600_000 * 3 / 2);
        w.slow_line(250_000.0);
        w.log(Plug::Own).0.len() as u64
    });
    assert!(records > 5000, "{records}");
    other.with(|w| {
        w.be_another(0xC0FFEE);
        w.pace(3000.0);
    });
    let site = folder.path().join("site.toml");
    std::fs::write(&site, "[watch]\npull_every_s = 1\nlive_every_s = 0.2\nset_clock = false\n")
        .unwrap();
    let store = folder.path().join("store");
    let args = [behind.address.as_str(), &other.address, "--listen", "127.0.0.1:0", "--site"];
    let mut all: Vec<String> = args.map(str::to_owned).to_vec();
    all.push(site.display().to_string());
    let mut watch = Watching::new(&store, &all);
    let page = watch.page();
    watch.wait_for("catching up");
    let first = metrics(&page);
    let (mut last, mut pulled) = (first.clone(), extent(&store, 0xC0FFEE));
    let began = Instant::now();
    let others_before = pulled;
    while watch.times("caught up") == 0 {
        assert!(began.elapsed() < Duration::from_secs(120), "{:?}", watch.said());
        last = metrics(&page);
        pulled = extent(&store, 0xC0FFEE);
        std::thread::sleep(Duration::from_millis(200));
    }
    let readings = |text: &str, id: u64| counter(text, "readings", id);
    let live = readings(&last, behind.id) - readings(&first, behind.id);
    assert!(live >= 5, "{live} readings of the node meanwhile");
    assert!(pulled > others_before, "the other node was not pulled meanwhile");
    until("all is stored", || extent(&store, behind.id) >= records);
    assert!(counter(&metrics(&page), "pulls", 0xC0FFEE) > 2);
}

#[test]
fn one_node_at_two_addresses_is_watched_once() {
    let folder = tempfile::tempdir().unwrap();
    let plant = RoughPlant::new(1, 60, 1 << 20, 8);
    plant.with(|w| w.pace(1000.0));
    let port = plant.address.rsplit(':').next().unwrap().to_owned();
    let second = format!("tcp:localhost:{port}");
    let args = [plant.address.as_str(), &second, "--no-page", "--pull-every", "1"];
    let mut watch = Watching::new(folder.path(), &args);
    let line = watch.wait_for("already; give each node one address");
    assert!(line.contains(&format!("{:016x}", plant.id)), "{line}");
}

#[test]
fn a_node_that_was_exchanged_while_nobody_watched_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let plant = RoughPlant::new(1, 60, 1 << 20, 9);
    plant.with(|w| w.pace(1000.0));
    let args = [plant.address.as_str(), "--no-page", "--pull-every", "1"];
    let start = |more: &[&str]| Watching::new(folder.path(), &[&args[..], more].concat());
    let mut watch = start(&[]);
    until("records are stored", || extent(folder.path(), plant.id) > 0);
    watch.kill();
    plant.with(|w| w.plug(Plug::Other, false));
    let mut watch = start(&[]);
    watch.wait_for("nothing of it is stored");
    let nodes = |n: usize| Store::open(folder.path()).unwrap().nodes().unwrap().len() == n;
    assert!(nodes(1));
    assert_eq!(watch.end().code(), Some(0));
    let mut watch = start(&["--adopt"]);
    until("the new node is taken", || nodes(2));
    assert_eq!(watch.end().code(), Some(0));
    // And from then on without a word.
    let mut watch = start(&[]);
    watch.wait_for("1 node(s)");
    std::thread::sleep(Duration::from_secs(2));
    assert_eq!(watch.times("nothing of it is stored"), 0, "{:?}", watch.said());
}

#[test]
fn a_clock_is_set_unless_this_computers_own_went_back() {
    let folder = tempfile::tempdir().unwrap();
    let plant = RoughPlant::new(1, 1, 1 << 20, 10);
    plant.with(|w| w.pace(1.0));
    let args = [plant.address.as_str(), "--no-page", "--pull-every", "1"];
    let mut watch = Watching::new(folder.path(), &args);
    // The plant's day ended at midnight: its clock is hours behind.
    watch.wait_for("it was set");
    assert_eq!(watch.end().code(), Some(0));
    // A later pull is noted than this computer's clock can have made.
    let tomorrow = jiff::Timestamp::now().as_millisecond() + 86_400_000;
    let mut store = Store::create(folder.path()).unwrap();
    store.note_pull(NodeId(plant.id), tomorrow, None).unwrap();
    drop(store);
    plant.with(|w| w.set_clock_off(0));
    let mut watch = Watching::new(folder.path(), &args);
    let line = watch.wait_for("the node's clock is left alone");
    assert!(line.contains("behind its own last pull of"), "{line}");
    assert_eq!(watch.times("it was set"), 0);
}

/// A node that answers and writes nothing, and one whose plug is loose: both answer whenever they
/// are asked, so no link tells.
#[test]
fn a_log_that_stands_still_and_a_node_that_starts_again_and_again_are_told() {
    let folder = tempfile::tempdir().unwrap();
    let site = folder.path().join("site.toml");
    std::fs::write(&site, "[watch.alarms]\nsilent_s = 1\n").unwrap();
    let plant = RoughPlant::new(1, 1, 1 << 20, 12);
    plant.with(|w| w.pace(1.0));
    let store = folder.path().join("store");
    let args = [&plant.address, "--no-page", "--pull-every", "1", "--site", site.to_str().unwrap()]
        .map(str::to_owned);
    let mut watch = Watching::new(&store, &args);
    until("records come", || store.exists() && extent(&store, plant.id) > 2);
    // Samples stop; questions are still answered.
    plant.with(|w| w.pace(0.0));
    let line = watch.wait_for("ALARM The node writes no records");
    assert!(line.contains("It answers, but no record came for"), "{line}");
    plant.with(|w| w.pace(1.0));
    watch.wait_for("over: The node writes no records");
    for times in 1..=4 {
        plant.with(|w| w.restart(false));
        let records = extent(&store, plant.id);
        until("it writes again", || extent(&store, plant.id) > records + 1);
        let told = watch.times("ALARM The node starts anew again and again");
        assert!(times == 4 || told == 0, "after {times}");
    }
    let line = watch.wait_for("ALARM The node starts anew again and again");
    assert!(line.contains("It started 4 times within an hour"), "{line}");
    assert_eq!(watch.end().code(), Some(0));
}
