//! What the watch writes down: lines for people on the error output, alarms in a file.
//!
//! The file `alarms.jsonl` in the store's folder has one JSON object a line and is only appended
//! to. A line that a crash cut short is passed over when it is read, and the next line begins on
//! a line of its own. An alarm that is found again when the log is gone through anew is not
//! written twice: it is known by its node, kind, part and the time of its change.

use super::alarm::{Alarm, Change};
use crate::collect::store::NodeId;
use serde_json::{Value, json};
use std::collections::HashSet;
use std::fs::{File, OpenOptions};
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

/// Name of the file in the store's folder.
pub const FILE: &str = "alarms.jsonl";

type Known = (String, String, String, i64, bool);

struct Inside {
    file: Option<File>,
    known: HashSet<Known>,
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
        let mut known = HashSet::new();
        let mut file = OpenOptions::new().create(true).read(true).append(true).open(&path)?;
        // Bytes of a torn line need not be text.
        let mut bytes = Vec::new();
        file.read_to_end(&mut bytes)?;
        text.push_str(&String::from_utf8_lossy(&bytes));
        for line in text.lines() {
            known.extend(serde_json::from_str::<Value>(line).ok().as_ref().and_then(key));
        }
        if !text.is_empty() && !text.ends_with('\n') {
            file.write_all(b"\n")?;
        }
        Ok(Diary { path, inside: Mutex::new(Inside { file: Some(file), known }), quiet })
    }

    /// Says something to people.
    pub fn say(&self, who: &str, words: &str) {
        if !self.quiet {
            let now = jiff::Timestamp::now().strftime("%Y-%m-%dT%H:%M:%SZ");
            eprintln!("{now} {who}: {words}");
        }
    }

    /// Writes down a change of an alarm, once.
    pub fn note(&self, who: &str, node: Option<NodeId>, change: &Change) {
        let (Change::Raised(alarm) | Change::Cleared(alarm)) = change;
        let entry = entry(node, alarm);
        let mut inside = self.inside.lock().unwrap_or_else(PoisonError::into_inner);
        let Some(key) = key(&entry) else { return };
        if !inside.known.insert(key) {
            return;
        }
        let written = match &mut inside.file {
            Some(file) => file.write_all(format!("{entry}\n").as_bytes()),
            None => Ok(()),
        };
        drop(inside);
        if let Err(e) = written {
            self.say(
                "watch",
                &format!("{}: {e}; the alarm is said here only", self.path.display()),
            );
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

fn entry(node: Option<NodeId>, a: &Alarm) -> Value {
    json!({
        "node_id": node.map(|n| n.to_string()).unwrap_or_default(),
        "kind": a.kind.word(),
        "part": a.part,
        "since_ms": a.since_ms,
        "raised_ms": a.raised_ms,
        "cleared_ms": a.cleared_ms,
        "evidence": a.evidence,
    })
}

fn key(v: &Value) -> Option<Known> {
    let text = |k: &str| v.get(k)?.as_str().map(str::to_owned);
    let cleared = v.get("cleared_ms")?.as_i64();
    let at = cleared.or_else(|| v.get("raised_ms")?.as_i64())?;
    Some((text("node_id")?, text("kind")?, text("part")?, at, cleared.is_some()))
}
