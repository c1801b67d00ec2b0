//! A node that starts anew again and again: its supply fails, or its program does.

use super::Kind;
use super::judge::{Judge, WHOLE};
use std::collections::VecDeque;

/// Time over which starts are counted, in ms.
const OVER_MS: i64 = 3_600_000;

/// Starts within that time that raise: a power cut and the tries after it are fewer.
const MANY: u32 = 4;

/// Starts of one node, by the number that it gives them.
#[derive(Clone, Debug, Default)]
pub struct StartRules {
    boot: Option<u32>,
    recent: VecDeque<(i64, u32)>,
}

impl StartRules {
    /// Takes the number of the start that a node told at an instant, itself or in a record.
    pub(super) fn take(&mut self, boot: u32, at_ms: i64, judge: &mut Judge) {
        let last = *self.boot.get_or_insert(boot);
        if boot > last {
            self.recent.push_back((at_ms, boot - last));
            self.boot = Some(boot);
        }
        // The node's clock may be a little behind this computer's; what lies far ahead belongs to
        // one that was set back.
        self.recent.retain(|(ms, _)| (at_ms - ms).abs() < OVER_MS);
        let starts = self.recent();
        match self.recent.front() {
            None => judge.clear(Kind::Restarts, WHOLE, at_ms),
            Some((since_ms, _)) if starts >= MANY => {
                let words =
                    format!("It started {starts} times within an hour; start number {boot}");
                judge.raise(Kind::Restarts, WHOLE, *since_ms, at_ms, words);
            }
            Some(_) => {}
        }
    }

    /// The node's count began anew.
    pub(super) fn restart(&mut self, boot: u32) {
        *self = StartRules { boot: Some(boot), recent: VecDeque::new() };
    }

    /// The newest number that is known.
    pub(super) fn boot(&self) -> Option<u32> {
        self.boot
    }

    /// Starts within the last hour before the newest one.
    pub(super) fn recent(&self) -> u32 {
        self.recent.iter().fold(0, |n, (_, more)| n.saturating_add(*more))
    }
}
