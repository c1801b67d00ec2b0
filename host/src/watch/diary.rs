//! What the watch writes down: lines for people on the error output, alarms in a file.
//!
//! The file `alarms.jsonl` in the store's folder has one JSON object a line and is only appended
//! to. What a full disk does not take waits in memory and is written later. A line that a crash
//! cut short is passed over when it is read, and the next line begins on a line of its own. An
//! alarm that is found again when the log is gone through anew is not written twice: it is known
//! by its node, kind, part and the time of its change.

use super::alarm::{Alarm, Change, Kind};
use crate::collect::store::NodeId;
use serde_json::{Value, json};
use std::collections::{HashMap, HashSet};
use std::fs::{File, OpenOptions};
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

/// Name of the file in the store's folder.
pub const FILE: &str = "alarms.jsonl";

type Known = (String, String, String, i64, bool);

struct Inside {
    file: File,
    /// Length of the file up to the end of its last whole line.
    len: u64,
    /// Lines that the disk did not take yet.
    waiting: String,
    known: HashSet<Known>,
    /// Alarms that were raised and not cleared, by node (or address), kind and part.
    open: HashMap<(String, String, String), Alarm>,
}

impl Inside {
    /// Writes what waits; a line goes to the disk whole or not at all.
    fn write(&mut self) -> std::io::Result<()> {
        if self.waiting.is_empty() {
            return Ok(());
        }
        let written = self.file.write_all(self.waiting.as_bytes());
        if written.is_err() {
            // Half a line would make the next one unreadable; to shorten a file takes no room.
            let _ = self.file.set_len(self.len);
            return written;
        }
        self.len += self.waiting.len() as u64;
        self.waiting.clear();
        Ok(())
    }
}

/// The diary of a watch.
pub struct Diary {
    path: PathBuf,
    inside: Mutex<Inside>,
    quiet: bool,
}

impl Diary {
    /// Opens the diary of a store's folder, or begins it.
    pub fn open(folder: &Path, quiet: bool) -> std::io::Result<Diary> {
        let path = folder.join(FILE);
        let mut text = String::new();
        let (mut known, mut open) = (HashSet::new(), HashMap::new());
        let mut file = OpenOptions::new().create(true).read(true).append(true).open(&path)?;
        // Bytes of a torn line need not be text.
        let mut bytes = Vec::new();
        file.read_to_end(&mut bytes)?;
        text.push_str(&String::from_utf8_lossy(&bytes));
        for line in text.lines() {
            let Ok(entry) = serde_json::from_str::<Value>(line) else { continue };
            known.extend(key(&entry));
            if let Some((whose, alarm)) = alarm(&entry) {
                follow(&mut open, whose, alarm);
            }
        }
        let torn = !text.is_empty() && !text.ends_with('\n');
        let waiting = if torn { "\n".to_owned() } else { String::new() };
        let mut inside = Inside { file, len: bytes.len() as u64, waiting, known, open };
        // On a full disk the line's end is written together with the next alarm.
        let _ = inside.write();
        Ok(Diary { path, inside: Mutex::new(inside), quiet })
    }

    /// Alarms that were raised and not cleared, as far as this file knows: those of a node, or of
    /// an address at which no node has answered yet.
    pub fn open_alarms(&self, node: Option<NodeId>, address: &str) -> Vec<Alarm> {
        let inside = self.inside.lock().unwrap_or_else(PoisonError::into_inner);
        let whose = node.map_or_else(|| address.to_owned(), |n| n.to_string());
        inside.open.iter().filter(|((w, ..), _)| *w == whose).map(|(_, a)| a.clone()).collect()
    }

    /// Writes what a full disk did not take, if there is any.
    pub fn retry(&self) {
        let mut inside = self.inside.lock().unwrap_or_else(PoisonError::into_inner);
        let lines = inside.waiting.lines().filter(|l| !l.is_empty()).count();
        if lines > 0 && inside.write().is_ok() {
            drop(inside);
            self.say("watch", &format!("{FILE}: {lines} line(s) that had to wait are written"));
        }
    }

    /// Says something to people.
    pub fn say(&self, who: &str, words: &str) {
        if !self.quiet {
            let now = jiff::Timestamp::now().strftime("%Y-%m-%dT%H:%M:%SZ");
            // Where this output goes to a full disk, words are lost and the watch goes on.
            let _ = writeln!(std::io::stderr(), "{now} {who}: {words}");
        }
    }

    /// Writes down a change that was found again when the log was gone through anew, unless what
    /// is written already goes as far.
    ///
    /// What was learnt from another stretch of the log may find the same alarm some records sooner
    /// or later: it is no other alarm.
    pub fn replay(&self, who: &str, node: Option<NodeId>, change: &Change) {
        let alarm = change.alarm();
        let at_ms = alarm.cleared_ms.unwrap_or(alarm.raised_ms);
        let id = node.map_or_else(|| who.to_owned(), |n| n.to_string());
        let word = alarm.kind.word();
        let inside = self.inside.lock().unwrap_or_else(PoisonError::into_inner);
        let is_open = inside.open.contains_key(&(id.clone(), word.to_owned(), alarm.part.clone()));
        let later = inside
            .known
            .iter()
            .any(|k| k.0 == id && k.1 == word && k.2 == alarm.part && k.3 >= at_ms);
        drop(inside);
        if !later && is_open == matches!(change, Change::Cleared(_)) {
            self.note(who, node, change);
        }
    }

    /// Writes down a change of an alarm, once.
    pub fn note(&self, who: &str, node: Option<NodeId>, change: &Change) {
        let (Change::Raised(alarm) | Change::Cleared(alarm)) = change;
        let entry = entry(node, who, alarm);
        let mut inside = self.inside.lock().unwrap_or_else(PoisonError::into_inner);
        let Some(key) = key(&entry) else { return };
        if !inside.known.insert(key) {
            return;
        }
        let waited = !inside.waiting.is_empty();
        inside.waiting.push_str(&format!("{entry}\n"));
        let whose = node.map_or_else(|| who.to_owned(), |n| n.to_string());
        follow(&mut inside.open, whose, alarm.clone());
        let written = inside.write();
        drop(inside);
        if let (Err(e), false) = (written, waited) {
            let path = self.path.display();
            self.say("watch", &format!("{path}: {e}; alarms are written there once it has room"));
        }
        let part = if alarm.part.is_empty() { String::new() } else { format!(", {}", alarm.part) };
        match change {
            Change::Raised(_) => self.say(
                who,
                &format!(
                    "ALARM {}{part}. {}. First: {}",
                    alarm.kind.title(),
                    alarm.evidence,
                    alarm.kind.check_first()
                ),
            ),
            Change::Cleared(_) => self.say(who, &format!("over: {}{part}", alarm.kind.title())),
        }
    }
}

fn entry(node: Option<NodeId>, address: &str, a: &Alarm) -> Value {
    json!({
        "address": address,
        "node_id": node.map(|n| n.to_string()).unwrap_or_default(),
        "kind": a.kind.word(),
        "part": a.part,
        "since_ms": a.since_ms,
        "raised_ms": a.raised_ms,
        "cleared_ms": a.cleared_ms,
        "evidence": a.evidence,
    })
}

/// An alarm as it was written, with its node, or its address where no node had answered yet.
fn alarm(v: &Value) -> Option<(String, Alarm)> {
    let text = |k: &str| v.get(k)?.as_str().map(str::to_owned);
    let ms = |k: &str| v.get(k)?.as_i64();
    let word = text("kind")?;
    let alarm = Alarm {
        kind: Kind::ALL.iter().copied().find(|k| k.word() == word)?,
        part: text("part")?,
        since_ms: ms("since_ms")?,
        raised_ms: ms("raised_ms")?,
        cleared_ms: ms("cleared_ms"),
        evidence: text("evidence")?,
    };
    let whose = text("node_id").filter(|n| !n.is_empty()).or_else(|| text("address"))?;
    Some((whose, alarm))
}

fn follow(open: &mut HashMap<(String, String, String), Alarm>, whose: String, alarm: Alarm) {
    let key = (whose, alarm.kind.word().to_owned(), alarm.part.clone());
    match alarm.cleared_ms {
        None => open.insert(key, alarm),
        Some(_) => open.remove(&key),
    };
}

fn key(v: &Value) -> Option<Known> {
    let text = |k: &str| v.get(k)?.as_str().map(str::to_owned);
    let cleared = v.get("cleared_ms")?.as_i64();
    let at = cleared.or_else(|| v.get("raised_ms")?.as_i64())?;
    Some((text("node_id")?, text("kind")?, text("part")?, at, cleared.is_some()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn alarm(raised_ms: i64, cleared_ms: Option<i64>) -> Alarm {
        Alarm {
            kind: Kind::Overload,
            part: String::new(),
            since_ms: raised_ms - 600_000,
            raised_ms,
            cleared_ms,
            evidence: "160 A".into(),
        }
    }

    /// What a restart finds again, a little shifted, is not written twice; what is new is.
    #[test]
    fn a_replay_adds_only_what_is_later_than_what_is_written() {
        let folder = tempfile::tempdir().unwrap();
        let node = Some(NodeId(7));
        let lines = || std::fs::read_to_string(folder.path().join(FILE)).unwrap().lines().count();
        let diary = Diary::open(folder.path(), true).unwrap();
        diary.note("a", node, &Change::Raised(alarm(1_000_000, None)));
        diary.note("a", node, &Change::Cleared(alarm(1_000_000, Some(2_000_000))));
        diary.note("a", node, &Change::Raised(alarm(3_000_000, None)));
        assert_eq!(lines(), 3);
        drop(diary);
        let diary = Diary::open(folder.path(), true).unwrap();
        assert_eq!(diary.open_alarms(Some(NodeId(7)), "a").len(), 1);
        diary.replay("a", node, &Change::Raised(alarm(1_060_000, None)));
        diary.replay("a", node, &Change::Cleared(alarm(1_060_000, Some(1_900_000))));
        diary.replay("a", node, &Change::Raised(alarm(3_060_000, None)));
        assert_eq!(lines(), 3);
        diary.replay("a", node, &Change::Cleared(alarm(3_060_000, Some(4_000_000))));
        diary.replay("a", node, &Change::Raised(alarm(5_000_000, None)));
        assert_eq!(lines(), 5);
        assert_eq!(diary.open_alarms(Some(NodeId(7)), "a"), [alarm(5_000_000, None)]);
        assert_eq!(diary.open_alarms(Some(NodeId(8)), "a"), []);
    }
}
