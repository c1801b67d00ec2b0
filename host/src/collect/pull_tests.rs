//! The pull from a fake node: hostile links, cuts at every point, kills, what is missing or foreign.

use super::address::Address;
use super::fake_node::{FakeNode, Harm, InMemory, MONDAY_MS, chained, record, serve};
use super::link::{AnyClient, Client, LinkError, Patience};
use super::pull::{Progress, PullError, PullOptions, PullSummary, pull, pull_reopening};
use super::store::{GapReason, NodeId, Span, Store, StoreError};
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tempfile::TempDir;
use wattless_core::record::{CRC, Record, RecordError, WallQuality};

const NODE: NodeId = NodeId(0xB0A7_0001);

fn node(records: impl IntoIterator<Item = Record>) -> Arc<Mutex<FakeNode>> {
    Arc::new(Mutex::new(FakeNode::new(records)))
}

/// The host's clock in tests stands a minute after the fake node's last record.
fn patience(host_ms: i64) -> Patience {
    Patience { wait: Duration::from_millis(40), tries: 40, clock: Box::new(move || host_ms) }
}

fn connect(node: &Arc<Mutex<FakeNode>>, harm: Harm, seed: u64) -> Client<InMemory> {
    let transport = InMemory::new(node, harm, seed);
    Client::connect(transport, "memory", patience(MONDAY_MS)).unwrap()
}

fn pull_into(
    node: &Arc<Mutex<FakeNode>>,
    store: &mut Store,
    options: PullOptions,
) -> Result<PullSummary, PullError> {
    pull(&mut connect(node, Harm::default(), 1), store, &options, &mut |_| {})
}

fn few() -> PullOptions {
    PullOptions { commit_every: 20, ..PullOptions::default() }
}

/// Exactly these records, as the node wrote them.
fn assert_holds(store: &Store, expected: &[Record]) {
    let got: Vec<_> =
        store.read_records(NODE, 0..=u32::MAX).unwrap().map(|r| r.unwrap().record).collect();
    assert_eq!(got.len(), expected.len());
    assert!(got.iter().zip(expected).all(|(a, b)| a.encode() == b.encode()));
}

#[test]
fn everything_new_arrives_and_the_rest_stays() {
    let folder = TempDir::new().unwrap();
    let mut store = Store::create(folder.path()).unwrap();
    let records: Vec<_> = (0..3200).map(record).collect();
    let fake = node(records[..1500].iter().copied());
    let first = pull_into(&fake, &mut store, few()).unwrap();
    assert_eq!((first.new_records, first.already_stored, first.next_seq), (1500, 0, 1500));
    assert_eq!((first.first_seq, first.last_seq), (Some(0), Some(1499)));
    assert_eq!((first.sealed_days, first.unplaced_records, first.void), (1, 0, 0));
    assert_eq!(
        (first.feeder.as_str(), first.node_id.as_str()),
        ("Sawmill main", "00000000b0a70001")
    );
    *fake.lock().unwrap() = FakeNode::new(records.iter().copied());
    let mut seen = Vec::new();
    let second =
        pull(&mut connect(&fake, Harm::default(), 2), &mut store, &few(), &mut |p| seen.push(p));
    let second = second.unwrap();
    assert_eq!((second.new_records, second.already_stored), (1700, 1500));
    assert_eq!((second.first_seq, second.last_seq), (Some(1500), Some(3199)));
    assert_eq!(seen.last(), Some(&Progress { done: 1700, total: 1700 }));
    let third = pull_into(&fake, &mut store, few()).unwrap();
    assert_eq!((third.new_records, third.first_seq), (0, None));
    assert_holds(&store, &records);
    let info = store.node(NODE).unwrap().unwrap();
    assert_eq!((info.feeder.as_str(), info.next_seq), ("Sawmill main", Some(3200)));
    assert!(info.settings().is_some() && info.last_pull_ms.is_some());
}

#[test]
fn a_harmful_link_changes_nothing() {
    let harm = Harm { drop: 0.1, double: 0.1, flip: 0.1, delay: 0.1, stale: 0.1 };
    let records: Vec<_> = (0..400).map(record).collect();
    let fake = node(records.iter().copied());
    for seed in 0..6 {
        let folder = TempDir::new().unwrap();
        let mut store = Store::create(folder.path()).unwrap();
        let mut client = connect(&fake, harm, seed);
        let summary = pull(&mut client, &mut store, &few(), &mut |_| {}).unwrap();
        assert!(summary.repeated_questions > 0);
        assert_eq!(summary.new_records, 400);
        assert_holds(&store, &records);
    }
}

#[test]
fn a_cut_at_any_byte_is_made_good_by_the_next_pull() {
    let records: Vec<_> = (0..60).map(record).collect();
    let fake = node(records.iter().copied());
    let whole = {
        let folder = TempDir::new().unwrap();
        let mut store = Store::create(folder.path()).unwrap();
        let mut client = connect(&fake, Harm::default(), 1);
        pull(&mut client, &mut store, &few(), &mut |_| {}).unwrap();
        client.traffic().sent + client.traffic().received
    };
    let folder = TempDir::new().unwrap();
    let mut cuts = 0;
    for (at, cut) in (0..whole).step_by(463).enumerate() {
        let mut store = Store::create(folder.path().join(at.to_string())).unwrap();
        let mut transport = InMemory::new(&fake, Harm::default(), 1);
        transport.cut_after = Some(cut);
        let first = Client::connect(transport, "memory", patience(MONDAY_MS))
            .map_err(PullError::from)
            .and_then(|mut c| pull(&mut c, &mut store, &few(), &mut |_| {}));
        let error = first.unwrap_err();
        assert!(matches!(error, PullError::Link(LinkError::Lost { .. })), "{error}");
        let held =
            store.nodes().unwrap().first().map_or(0, |n| store.extent(n.id).unwrap().records);
        // Whole answers are kept, half ones are not.
        assert!(held == 60 || held.is_multiple_of(7), "{held} after {cut}");
        let second = pull_into(&fake, &mut store, few()).unwrap();
        assert_eq!(second.new_records, 60 - held);
        assert_holds(&store, &records);
        cuts += 1;
    }
    assert!(cuts > 30, "{cuts}");
}

#[test]
fn over_tcp_with_harm_and_cuts_the_pull_goes_on_by_itself() {
    let records: Vec<_> = (0..300).map(record).collect();
    let fake = node(records.iter().copied());
    let harm = Harm { drop: 0.03, double: 0.05, flip: 0.03, delay: 0.03, stale: 0.05 };
    // Each connection gets a little further, and some break before anything is said.
    let port =
        serve(&fake, harm, 9, |at| Some(if at % 3 == 2 { 10 } else { 9000 + 977 * at as usize }));
    let address = Address::Tcp { host: "127.0.0.1".into(), port };
    let folder = TempDir::new().unwrap();
    let mut store = Store::create(folder.path()).unwrap();
    let options = PullOptions { reopen: 8, ..few() };
    let open = || AnyClient::open(&address, patience(MONDAY_MS));
    let summary = pull_reopening(open, &mut store, &options, &mut |_| {}).unwrap();
    assert!(summary.reopened > 3, "{summary:?}");
    assert_eq!(summary.new_records, 300);
    assert_holds(&store, &records);
}

#[test]
fn a_node_that_is_gone_ends_the_pull() {
    let fake = node((0..300).map(record));
    let port = serve(&fake, Harm::default(), 9, |at| Some(if at == 0 { 20_000 } else { 0 }));
    let address = Address::Tcp { host: "127.0.0.1".into(), port };
    let folder = TempDir::new().unwrap();
    let mut store = Store::create(folder.path()).unwrap();
    let open = || AnyClient::open(&address, patience(MONDAY_MS));
    let error = pull_reopening(open, &mut store, &few(), &mut |_| {}).unwrap_err();
    assert!(matches!(error, PullError::Link(LinkError::Lost { .. })), "{error}");
    let held = store.extent(NODE).unwrap().records;
    assert!((40..100).contains(&held), "{held}");
}

#[test]
fn what_the_node_has_overwritten_and_left_empty_is_told() {
    let folder = TempDir::new().unwrap();
    let mut store = Store::create(folder.path()).unwrap();
    let mut fake = FakeNode::new((10..40).map(record));
    fake.pages.remove(&20);
    fake.pages.remove(&23);
    fake.pages.remove(&24);
    fake.pages.remove(&39);
    let fake = Arc::new(Mutex::new(fake));
    let summary = pull_into(&fake, &mut store, few()).unwrap();
    assert_eq!(summary.overwritten_ranges, [[0, 9]]);
    assert_eq!((summary.overwritten, summary.void, summary.new_records), (10, 4, 26));
    assert_eq!(summary.next_seq, 40);
    // The ring went past the cursor before the next pull.
    *fake.lock().unwrap() = FakeNode::new((100..150).map(record));
    let summary = pull_into(&fake, &mut store, few()).unwrap();
    assert_eq!(summary.overwritten_ranges, [[40, 99]]);
    assert_eq!((summary.new_records, summary.void), (50, 0));
    let gaps: Vec<_> = store.gaps(NODE).unwrap();
    let told: Vec<_> = gaps.iter().map(|g| (g.first_seq, g.last_seq, g.reason)).collect();
    use GapReason::{Overwritten, Void};
    assert_eq!(
        told,
        [
            (0, 9, Overwritten),
            (20, 20, Void),
            (23, 24, Void),
            (39, 39, Void),
            (40, 99, Overwritten)
        ]
    );
}

#[test]
fn a_log_that_began_again_is_not_mixed_in() {
    let folder = TempDir::new().unwrap();
    let mut store = Store::create(folder.path()).unwrap();
    let records: Vec<_> = (0..50).map(record).collect();
    pull_into(&node(records.iter().copied()), &mut store, few()).unwrap();
    let shorter = node((0..30).map(record));
    let error = pull_into(&shorter, &mut store, few()).unwrap_err();
    assert!(matches!(error, PullError::LogRestarted { next: 30, stored: 49, .. }), "{error}");
    assert!(error.to_string().contains("new store"), "{error}");
    let changed = (0..80).map(|s| Record { windows: 299, ..record(s) });
    let other = node(chained(NODE.0, changed));
    let error = pull_into(&other, &mut store, few()).unwrap_err();
    assert!(matches!(error, PullError::OtherLog { seq: 49, .. }), "{error}");
    assert_holds(&store, &records);
    assert_eq!(pull_into(&node((0..60).map(record)), &mut store, few()).unwrap().new_records, 10);
}

#[test]
fn pages_that_are_wrong_are_refused_and_nothing_of_them_is_stored() {
    let records: Vec<_> = (0..100).map(record).collect();
    let page = |change: &dyn Fn(&mut [u8; 256])| {
        let mut page = record(73).encode();
        change(&mut page);
        let sum = CRC.checksum(&page[..252]).to_le_bytes();
        page[252..].copy_from_slice(&sum);
        page
    };
    let version = page(&|p| p[0] = 9);
    let kind = page(&|p| p[1] = 9);
    let reserved = page(&|p| [p[0], p[240]] = [1, 1]);
    let nan = page(&|p| p[101..105].copy_from_slice(&0x7FC0_0001u32.to_le_bytes()));
    let mut damaged = record(73).encode();
    damaged[99] ^= 1;
    for (at, bad) in
        [version, kind, reserved, nan, damaged, record(3).encode(), record(90).encode()]
            .into_iter()
            .enumerate()
    {
        let folder = TempDir::new().unwrap();
        let mut store = Store::create(folder.path()).unwrap();
        let fake = node(records.iter().copied());
        fake.lock().unwrap().pages.insert(73, bad);
        let error = pull_into(&fake, &mut store, few()).unwrap_err();
        let fits = match &error {
            PullError::Page { seq: 73, source, .. } => {
                *source == [RecordError::Version { found: 9 }, RecordError::Unknown][at.min(1)]
                    || (at == 4 && *source == RecordError::Checksum)
            }
            PullError::UnknownContent { seq: 73, .. } => at == 2 || at == 3,
            PullError::WrongRecord { found, .. } => [(5, 3), (6, 90)].contains(&(at, *found)),
            _ => false,
        };
        assert!(fits, "{at}: {error}");
        // The answer with record 73 began at 70: what came before is kept.
        assert_holds(&store, &records[..70]);
        fake.lock().unwrap().pages.insert(73, record(73).encode());
        assert_eq!(pull_into(&fake, &mut store, few()).unwrap().new_records, 30);
        assert_holds(&store, &records);
    }
}

#[test]
fn a_node_with_another_record_format_is_refused_at_once() {
    let folder = TempDir::new().unwrap();
    let mut store = Store::create(folder.path()).unwrap();
    let fake = node((0..5).map(record));
    fake.lock().unwrap().identity.record_version = 7;
    let error = pull_into(&fake, &mut store, few()).unwrap_err();
    assert!(matches!(error, PullError::RecordVersion { found: 7, .. }));
    assert!(error.to_string().contains("format 7"), "{error}");
    assert_eq!(store.nodes().unwrap(), []);
}

#[test]
fn the_clock_is_measured_and_set() {
    let folder = TempDir::new().unwrap();
    let mut store = Store::create(folder.path()).unwrap();
    let fake = node((0..5).map(record));
    let host = fake.lock().unwrap().wall_ms.unwrap() as i64 - 7000;
    let mut client =
        Client::connect(InMemory::new(&fake, Harm::default(), 1), "memory", patience(host))
            .unwrap();
    let summary = pull(&mut client, &mut store, &few(), &mut |_| {}).unwrap();
    assert_eq!((summary.clock_offset_ms, summary.clock_set), (Some(7000), false));
    assert!(summary.clock_is_off());
    let set = PullOptions { set_clock: true, ..few() };
    let summary = pull(&mut client, &mut store, &set, &mut |_| {}).unwrap();
    assert_eq!((summary.clock_offset_ms, summary.clock_set), (Some(7000), true));
    let summary = pull(&mut client, &mut store, &few(), &mut |_| {}).unwrap();
    assert_eq!(summary.clock_offset_ms, Some(0));
    assert!(!summary.clock_is_off());
    assert_eq!(store.node(NODE).unwrap().unwrap().clock_offset_ms, Some(0));
}

/// A node without a clock that was pulled on Monday and Tuesday: the records of each
/// present start lie against the host's clock, those of a start in between after the first.
#[test]
fn a_node_without_a_clock_is_placed_by_the_host() {
    let folder = TempDir::new().unwrap();
    let mut store = Store::create(folder.path()).unwrap();
    let bare = |s: u32, boot: u32, first: u32| Record {
        boot,
        uptime_ms: u64::from(s - first + 1) * 60_000,
        wall_ms: 0,
        wall_quality: WallQuality::None,
        ..record(s)
    };
    let mut records: Vec<_> = (0..10).map(|s| bare(s, 1, 0)).collect();
    let mut pull_at = |records: &[Record], minute: i64| {
        let fake = node(records.iter().copied());
        // The fake node's uptime is a second past its last record.
        let clock = patience(MONDAY_MS + minute * 60_000 + 1000);
        let transport = InMemory::new(&fake, Harm::default(), 1);
        let mut client = Client::connect(transport, "memory", clock).unwrap();
        pull(&mut client, &mut store, &few(), &mut |_| {}).unwrap()
    };
    let summary = pull_at(&records, 60);
    assert_eq!((summary.clock_offset_ms, summary.clock_is_off()), (None, true));
    assert_eq!(summary.unplaced_records, 0);
    records.extend((10..13).map(|s| bare(s, 1, 0)));
    records.extend((13..15).map(|s| bare(s, 2, 13)));
    records.extend((15..18).map(|s| bare(s, 3, 15)));
    pull_at(&records, 200);
    let log = store.read_log(NODE, Span::ALL).unwrap();
    let minutes: Vec<_> = log.end_ms.iter().map(|e| (e - MONDAY_MS) / 60_000).collect();
    let monday = (51..=63).chain([64, 65]).chain([198, 199, 200]);
    assert_eq!(minutes, monday.collect::<Vec<i64>>());
    assert!(log.placed.iter().all(|p| *p));
    assert_holds(&store, &records);
}

/// What the parent test runs in a process of its own and kills; by itself it has nothing to do.
#[test]
fn child_that_pulls() {
    let Ok(task) = std::env::var("WATTLESS_TEST_PULL") else { return };
    let (address, folder) = task.split_once(' ').unwrap();
    let mut store = Store::create(folder).unwrap();
    let open = || AnyClient::open(&address.parse().unwrap(), patience(MONDAY_MS));
    pull_reopening(open, &mut store, &few(), &mut |_| {}).unwrap();
}

#[test]
fn killed_at_any_moment_the_store_opens_and_holds_each_record_once() {
    let records: Vec<_> = (0..6000).map(record).collect();
    let port = serve(&node(records.iter().copied()), Harm::default(), 1, |_| None);
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("store");
    let mut kills = 0;
    for round in 0u64.. {
        let mut child = std::process::Command::new(std::env::current_exe().unwrap())
            .args(["--exact", "collect::pull_tests::child_that_pulls"])
            .env("WATTLESS_TEST_PULL", format!("tcp:127.0.0.1:{port} {}", path.display()))
            .stdout(std::process::Stdio::null())
            .spawn()
            .unwrap();
        std::thread::sleep(Duration::from_millis(40 + 23 * (round % 7) + 2 * round));
        let done = child.try_wait().unwrap().is_some_and(|s| s.success());
        let _ = child.kill();
        child.wait().unwrap();
        let store = match Store::open(&path) {
            Ok(store) => store,
            // Killed before there was one.
            Err(StoreError::NotAStore { .. }) => continue,
            Err(e) => panic!("{e}"),
        };
        let held =
            store.nodes().unwrap().first().map_or(0, |n| store.extent(n.id).unwrap().records);
        if held > 0 {
            assert_holds(&store, &records[..held as usize]);
        }
        if done {
            break;
        }
        kills += 1;
        assert!(round < 500, "no end after {kills} kills");
    }
    assert!(kills >= 3, "{kills}");
    assert_holds(&Store::open(&path).unwrap(), &records);
}
