//! A station at its start, with a store and no node: what it raises from the log alone, and what
//! it takes over from the diary.

use std::path::Path;
use std::sync::Arc;
use wattless::collect::store::{Batch, NodeId, Span, Store};
use wattless::site::Site;
use wattless::watch::alarm::{Alarm, Change, Kind};
use wattless::watch::diary::{Diary, FILE};
use wattless::watch::state::Shared;
use wattless::watch::station::{Common, Station};
use wattless::watch::whose::{self, Whose};
use wattless_core::chain::{append, first_tag};
use wattless_core::record::Record;
use wattless_core::settings::Settings;
use wattless_core::wire::Identity;
use wattless_tests::made_records::Maker;

const NODE: NodeId = NodeId(0x5A17);

/// A port on which nobody listens.
const NOBODY: &str = "tcp:127.0.0.1:9";

/// A store with a day of records up to now, chained as a node chains them; `spoil` may change one
/// after it was tagged.
fn store(folder: &Path, spoil: impl Fn(&mut Record)) {
    let identity = Identity {
        node_id: NODE.0,
        firmware: "0.1.0".try_into().expect("short"),
        record_version: 2,
        hardware: "made".try_into().expect("short"),
        sample_rate_mhz: 8_000_000,
        boot: 1,
    };
    let mut store = Store::create(folder).expect("a store");
    let now_ms = jiff::Timestamp::now().as_millisecond();
    let id = store.meet(&identity, &Settings::default(), now_ms).expect("a node");
    let mut maker = Maker::at("2026-01-01T00:00:00Z", 60.0);
    maker.now_ms = now_ms - 86_400_000;
    maker.load(80.0, 30.0);
    let mut tag = first_tag(NODE.0);
    let mut records = Vec::new();
    for seq in 0..1430 {
        let mut page = Record { seq, ..maker.record() }.encode();
        tag = append(&tag, &mut page);
        // As the page holds it, to the last bit.
        let mut record = Record::decode(&page).expect("a page of its own");
        spoil(&mut record);
        records.push(record);
    }
    let next_seq = records.last().map_or(0, |r| r.seq + 1);
    store.append(id, &Batch { records: &records, gaps: &[], next_seq }).expect("records");
    std::fs::write(folder.join(whose::FILE), format!("{{\"{NOBODY}\": \"{NODE}\"}}"))
        .expect("a file");
}

/// Runs a station until it has found that nobody answers.
fn run(folder: &Path, site: &Site) -> (Vec<Alarm>, String) {
    let addresses = vec![NOBODY.to_owned()];
    let shared = Arc::new(Shared::new(addresses.clone()));
    let common = Common {
        terms: site.watch.clone(),
        site: site.clone(),
        tariff: None,
        shared: shared.clone(),
        diary: Arc::new(Diary::open(folder, true).expect("a diary")),
        whose: Arc::new(Whose::open(folder, &addresses, false)),
    };
    let store = Store::open(folder).expect("the store");
    let mut station = Station::new(0, NOBODY.parse().expect("an address"), common, store);
    let stop = shared.clone();
    let waiter = std::thread::spawn(move || {
        let down = |s: &Shared| s.look(|all| all[0].link != Default::default());
        while !down(&stop) {
            stop.wait(stop.version(), std::time::Duration::from_secs(1));
        }
        stop.stop();
    });
    station.run();
    waiter.join().expect("the waiter");
    let standing = shared.look(|all| all[0].standing.clone());
    (standing, std::fs::read_to_string(folder.join(FILE)).unwrap_or_default())
}

fn kinds(alarms: &[Alarm]) -> Vec<Kind> {
    alarms.iter().map(|a| a.kind).collect()
}

#[test]
fn a_record_that_was_changed_in_the_store_is_an_alarm_and_a_whole_log_is_none() {
    let folder = tempfile::tempdir().expect("a folder");
    store(folder.path(), |_| {});
    let (standing, _) = run(folder.path(), &Site::default());
    assert_eq!(standing, []);

    let folder = tempfile::tempdir().expect("a folder");
    store(folder.path(), |r| {
        if r.seq == 700 {
            r.phases[0].p_w *= 0.5;
        }
    });
    let (standing, diary) = run(folder.path(), &Site::default());
    assert_eq!(kinds(&standing), [Kind::LogChanged]);
    assert!(standing[0].evidence.contains("record 700"), "{standing:?}");
    assert!(diary.contains("log-changed"), "{diary}");
    // A restart finds it again and writes nothing twice.
    let (standing, again) = run(folder.path(), &Site::default());
    assert_eq!(kinds(&standing), [Kind::LogChanged]);
    assert_eq!(again, diary);
}

/// A lost capacitor stays until somebody was there; an overload that the records do not show any
/// more is over.
#[test]
fn what_lasts_is_taken_over_from_the_diary_and_what_is_over_is_said() {
    let folder = tempfile::tempdir().expect("a folder");
    store(folder.path(), |_| {});
    let now_ms = jiff::Timestamp::now().as_millisecond();
    let then_ms = now_ms - 100 * 86_400_000;
    let alarm = |kind: Kind, part: &str| Alarm {
        kind,
        part: part.to_owned(),
        since_ms: then_ms,
        raised_ms: then_ms,
        cleared_ms: None,
        evidence: "then".to_owned(),
    };
    let diary = Diary::open(folder.path(), true).expect("a diary");
    for a in [alarm(Kind::UnitPhaseLost, "L2"), alarm(Kind::Overload, ""), alarm(Kind::Clock, "")] {
        diary.note("made", Some(NODE), &Change::Raised(a));
    }
    drop(diary);
    let (standing, diary) = run(folder.path(), &Site::default());
    let mut found = kinds(&standing);
    found.sort();
    assert_eq!(found, [Kind::UnitPhaseLost, Kind::Clock], "{standing:?}");
    let over: Vec<&str> = diary.lines().filter(|l| !l.contains("\"cleared_ms\":null")).collect();
    assert!(over.len() == 1 && over[0].contains("overload"), "{diary}");

    // A repair since then is in the site file: it is over.
    let day = jiff::Timestamp::now().to_zoned_datetime(jiff::tz::TimeZone::UTC).date();
    let text = format!(
        "[[installed]]\nname = \"Bank\"\nkvar = 30\nrated_v = 400\nsince = \"2020-01-01\"\n\
         changed = [\"{day}\"]\n"
    );
    let site = Site::parse(&text, "site.toml".as_ref()).expect("a site");
    let (standing, _) = run(folder.path(), &site);
    assert_eq!(kinds(&standing), [Kind::Clock]);
    let store = Store::open(folder.path()).expect("the store");
    assert_eq!(store.read_log(NODE, Span::ALL).expect("a log").len(), 1430);
}
