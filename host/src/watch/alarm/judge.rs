//! The one place where conditions become alarms: gates, what stands, what changed.

use super::gate::{Edge, Gate, Side, Times};
use super::{Alarm, Change, Kind};
use std::borrow::Cow;
use std::collections::BTreeMap;

/// Which part an alarm is about.
pub type Part = Cow<'static, str>;

/// The whole feeder.
pub const WHOLE: Part = Cow::Borrowed("");

/// Names of the phases.
pub const PHASES: [&str; 3] = ["L1", "L2", "L3"];

type Key = (Kind, Part);

/// Gates and standing alarms of one node.
#[derive(Clone, Debug, Default)]
pub(super) struct Judge {
    gates: BTreeMap<Key, Gate>,
    standing: BTreeMap<Key, Alarm>,
    /// Of the record under way: its length and its end.
    seconds: f64,
    end_ms: i64,
    changes: Vec<Change>,
}

impl Judge {
    /// Begins with a record.
    pub(super) fn open(&mut self, seconds: f64, end_ms: i64) {
        self.seconds = seconds;
        self.end_ms = end_ms;
    }

    /// What came of it.
    pub(super) fn close(&mut self) -> Vec<Change> {
        std::mem::take(&mut self.changes)
    }

    pub(super) fn standing(&self) -> impl Iterator<Item = &Alarm> {
        self.standing.values()
    }

    pub(super) fn stands(&self, kind: Kind, part: &str) -> bool {
        self.standing.keys().any(|(k, p)| *k == kind && p == part)
    }

    /// Time was lost: what was about to be raised or cleared begins anew.
    pub(super) fn interrupt(&mut self) {
        self.gates.values_mut().for_each(Gate::interrupt);
    }

    /// Passes a condition of the record through its gate; the evidence is made when it raises.
    pub(super) fn condition(
        &mut self,
        kind: Kind,
        part: impl Into<Part>,
        side: Side,
        times: Times,
        evidence: impl FnOnce() -> String,
    ) {
        let key = (kind, part.into());
        let gate = self.gates.entry(key.clone()).or_default();
        match gate.take(side, self.seconds, self.end_ms, &times) {
            Some(Edge::Raised) => {
                let since_ms = gate.since_ms;
                self.stand(key, since_ms, self.end_ms, evidence());
            }
            Some(Edge::Cleared) => self.end(&key, self.end_ms),
            None => {}
        }
    }

    /// Raises what was found at one go; nothing happens where it stands already.
    pub(super) fn raise(
        &mut self,
        kind: Kind,
        part: impl Into<Part>,
        since_ms: i64,
        at_ms: i64,
        evidence: String,
    ) {
        let key = (kind, part.into());
        if !self.standing.contains_key(&key) {
            self.stand(key, since_ms, at_ms, evidence);
        }
    }

    /// Clears such an alarm; nothing happens where it does not stand.
    pub(super) fn clear(&mut self, kind: Kind, part: impl Into<Part>, at_ms: i64) {
        self.end(&(kind, part.into()), at_ms);
    }

    /// Clears all alarms of some kinds.
    pub(super) fn clear_kinds(&mut self, kinds: &[Kind], at_ms: i64) {
        let keys: Vec<Key> =
            self.standing.keys().filter(|(k, _)| kinds.contains(k)).cloned().collect();
        for key in keys {
            self.end(&key, at_ms);
            self.gates.remove(&key);
        }
    }

    /// Puts back an alarm that stood before a restart.
    pub(super) fn restore(&mut self, alarm: Alarm) {
        let key = (alarm.kind, Cow::Owned(alarm.part.clone()));
        self.standing.entry(key).or_insert(alarm);
    }

    /// When an alarm that stands was raised.
    pub(super) fn raised_ms(&self, kind: Kind, part: &str) -> Option<i64> {
        self.standing.get(&(kind, Cow::Owned(part.to_owned()))).map(|a| a.raised_ms)
    }

    fn stand(&mut self, key: Key, since_ms: i64, raised_ms: i64, evidence: String) {
        let alarm = Alarm {
            kind: key.0,
            part: key.1.to_string(),
            since_ms,
            raised_ms,
            cleared_ms: None,
            evidence,
        };
        self.standing.insert(key, alarm.clone());
        self.changes.push(Change::Raised(alarm));
    }

    fn end(&mut self, key: &Key, at_ms: i64) {
        if let Some(mut alarm) = self.standing.remove(key) {
            alarm.cleared_ms = Some(at_ms);
            self.changes.push(Change::Cleared(alarm));
        }
    }
}
