//! Records changed, removed, inserted and put in another order: each is named, and nothing else.

use super::super::fake_node::{chained, record};
use super::*;
use wattless_core::record::set_page_tag;

const NODE: NodeId = NodeId(0xB0A7_0001);

fn log(n: u32) -> Vec<Record> {
    chained(NODE.0, (0..n).map(record))
}

fn check_with(records: &[Record], gaps: &[Gap], next_seq: u32) -> ChainReport {
    let gaps: Arc<[Gap]> = gaps.into();
    let new = |before| Checker::new(NODE, gaps.clone(), before);
    let (mut whole, mut joined) = (new(Before::Nothing), new(Before::Nothing));
    for part in records.chunks(7) {
        let mut checker = new(Before::Elsewhere);
        for r in part {
            let page = r.encode();
            let entry = Entry::new(r, &page, Some(r.wall_ms as i64));
            whole.push(&entry);
            checker.push(&entry);
        }
        joined.join(checker);
    }
    let (whole, joined) = (whole.finish(Some(next_seq)), joined.finish(Some(next_seq)));
    // A part cannot know what the tag of its first record should have been: it may name one more.
    for b in &whole.breaks {
        assert!(joined.breaks.contains(b), "{b:?} in {:?}", joined.breaks);
    }
    assert_eq!((whole.records, &whole.last_tag), (joined.records, &joined.last_tag));
    whole
}

fn check(records: &[Record]) -> ChainReport {
    check_with(records, &[], 40)
}

fn named(report: &ChainReport) -> Vec<(Fault, u32, u32)> {
    assert_eq!(report.whole, report.breaks.is_empty());
    report.breaks.iter().map(|b| (b.fault, b.first_seq, b.last_seq)).collect()
}

#[test]
fn a_whole_log_is_proven_to_its_first_record() {
    let report = check(&log(40));
    assert!(report.whole);
    assert_eq!((report.records, report.proven), (40, 40));
    assert!(report.begins_at.is_empty());
    assert_eq!(report.last_tag, Some(tag_text(&log(40)[39].tag)));
    // The chain belongs to the node: the same records of another one do not pass.
    let foreign = chained(5, (0..40).map(record));
    assert_eq!(named(&check(&foreign)), [(Fault::Changed, 0, 0)]);
}

#[test]
fn a_changed_record_is_named() {
    for seq in 0..40 {
        let mut records = log(40);
        records[seq as usize].phases[1].p_w += 1.0;
        let report = check(&records);
        assert_eq!(named(&report), [(Fault::Changed, seq, seq)]);
        assert_eq!(report.breaks[0].to_ms, Some(records[seq as usize].wall_ms as i64));
        // Only the tag.
        let mut records = log(40);
        records[seq as usize].tag[3] ^= 1;
        assert_eq!(named(&check(&records)), [(Fault::Changed, seq, seq)]);
    }
}

/// Whoever makes the tag of his record anew is seen at the next one, which names both.
#[test]
fn a_record_with_a_new_tag_is_seen_at_the_next() {
    let mut records = log(40);
    records[17].energy_counts[0] += 1;
    let mut page = records[17].encode();
    let tag = next_tag(&records[16].tag, &page);
    set_page_tag(&mut page, &tag);
    records[17] = Record::decode(&page).unwrap();
    let report = check(&records);
    assert_eq!(named(&report), [(Fault::Changed, 18, 18)]);
    assert!(report.breaks[0].sentence().contains("or the one before it"));
}

#[test]
fn removed_records_are_named() {
    for range in [0..1, 5..6, 5..9, 0..7, 39..40, 30..40] {
        let mut records = log(40);
        records.drain(range.clone());
        let want = (Fault::Removed, range.start as u32, range.end as u32 - 1);
        assert_eq!(named(&check(&records)), [want]);
    }
    let none = check(&[]);
    assert_eq!(named(&none), [(Fault::Removed, 0, 39)]);
}

#[test]
fn an_inserted_record_is_named() {
    // At a number that is taken.
    let mut records = log(40);
    records.insert(20, records[7]);
    assert_eq!(named(&check(&records)), [(Fault::Inserted, 7, 7)]);
    // At a number that the node had left empty.
    let all = (0..40).filter(|s| !(10..14).contains(s));
    let with_void = |s| Record { void_before: if s == 14 { 4 } else { 0 }, ..record(s) };
    let mut records = chained(NODE.0, all.map(with_void));
    let gaps = [Gap { first_seq: 10, last_seq: 13, reason: GapReason::Void }];
    assert!(check_with(&records, &gaps, 40).whole);
    records.insert(10, Record { tag: [7; 16], ..record(12) });
    assert_eq!(named(&check_with(&records, &gaps, 40)), [(Fault::Inserted, 12, 12)]);
}

#[test]
fn records_in_another_order_are_named() {
    let mut records = log(40);
    records.swap(11, 12);
    let faults = named(&check(&records));
    assert_eq!(faults, [(Fault::Removed, 11, 11), (Fault::Inserted, 11, 11)]);
    // With their numbers set right again.
    let mut records = log(40);
    records.swap(11, 12);
    (records[11].seq, records[12].seq) = (11, 12);
    let faults = named(&check(&records));
    assert!(faults.contains(&(Fault::Changed, 11, 11)));
    assert!(faults.contains(&(Fault::Changed, 12, 12)));
}

#[test]
fn what_was_overwritten_before_the_pull_is_no_fault() {
    let mut records = log(40);
    records.drain(10..20);
    records.drain(..3);
    let gaps = [(0, 2), (10, 19)].map(|(first_seq, last_seq)| Gap {
        first_seq,
        last_seq,
        reason: GapReason::Overwritten,
    });
    let report = check_with(&records, &gaps, 40);
    assert!(report.whole);
    assert_eq!(report.begins_at, [3, 20]);
    // One more than was overwritten.
    records.remove(7);
    let report = check_with(&records, &gaps, 40);
    assert_eq!(named(&report), [(Fault::Removed, 20, 20)]);
}

#[test]
fn records_without_a_tag_prove_nothing_and_break_nothing() {
    let mut records: Vec<_> = (0..5)
        .map(|s| Record { version: 1, ..record(s) })
        .map(|r| Record { tag: [0; 16], ..r })
        .collect();
    // The node was given a new program: its chain begins behind them.
    records.extend(chained(NODE.0, (5..40).map(record)));
    let report = check(&records);
    assert!(report.whole);
    assert_eq!((report.without_tag, report.proven), (5, 35));
}
