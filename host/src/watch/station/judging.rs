//! What a station makes of its log: alarms from records, from the chain, from the proof.

use super::super::alarm::{Alarms, Change, Kind};
use super::super::integrity;
use super::super::running::RunningDemand;
use super::Station;
use crate::collect::chain::Break;
use crate::collect::store::{NodeId, Records, Span, StoreError};
use wattless_core::record::Record;

/// How much of the log is gone through again at the start, so that alarms know what is usual.
const LOOK_BACK_MS: i64 = 40 * 86_400_000;

/// Alarms that come from the link and the store, not from the records: after a start they are
/// known from the diary only.
const NOT_OF_RECORDS: [Kind; 7] = [
    Kind::Silent,
    Kind::OtherNode,
    Kind::Clock,
    Kind::StoreFull,
    Kind::LogChanged,
    Kind::LogStill,
    Kind::Gap,
];

/// Alarms that stay until somebody did something, however long ago the records are that showed it.
const LASTING: [Kind; 4] = [Kind::UnitPhaseLost, Kind::UnitLost, Kind::SlowLoss, Kind::ProofFallen];

/// What of a record tells whether the next one follows on it.
#[derive(Clone, Copy)]
pub(super) struct Seen {
    pub(super) end_ms: i64,
    boot: u32,
    uptime_ms: u64,
    length_s: f64,
}

impl Station {
    /// Length of a record in seconds, as far as it is known.
    pub(super) fn record_s(&self) -> Option<f64> {
        self.seen.map(|s| s.length_s)
    }

    /// Goes through the last weeks of the log again, so that alarms know what is usual and what
    /// already stood; what the diary has already is not said again.
    pub(super) fn catch_up(&mut self) {
        self.alarms = Alarms::new(self.common.terms.alarms.clone(), &self.common.site);
        let whole = self.node.map_or(Ok(()), |node| self.go_through(node));
        self.caught_up = whole.is_ok() && self.node.is_some();
        self.take_over();
        self.show_standing();
        if let Err(e) = whole {
            self.store_failed(&e);
        }
    }

    fn go_through(&mut self, node: NodeId) -> Result<(), StoreError> {
        self.running = RunningDemand::new(&self.common.site);
        (self.seen, self.judged_to) = (None, None);
        let from_ms = Self::now_ms() - LOOK_BACK_MS;
        let Some(known) = self.store.node(node)? else { return Ok(()) };
        // What is stored is shown also while the node does not answer.
        self.common.shared.change(self.place, |s| {
            s.node_id = node.to_string();
            s.feeder.clone_from(&known.feeder);
        });
        let last = self.store.extent(node)?.last_seq;
        self.judge(self.store.read_span(node, Span { from_ms, to_ms: i64::MAX })?)?;
        self.judged_to = self.judged_to.max(last);
        let go_on = || !self.common.shared.is_stopping();
        let breaks = integrity::breaks(&self.store, node, from_ms, &go_on)?;
        self.chain_broken(&breaks, Self::now_ms());
        Ok(())
    }

    /// Takes over from the diary what stood when the watch ended.
    fn take_over(&mut self) {
        let now_ms = Self::now_ms();
        let address = self.address.to_string();
        let works = crate::analyse::standing::Work::of(&self.common.site).at_ms;
        for mut alarm in self.common.diary.open_alarms(self.node, &address) {
            let mended = works.iter().any(|at| (alarm.raised_ms..=now_ms).contains(at));
            if NOT_OF_RECORDS.contains(&alarm.kind) || (LASTING.contains(&alarm.kind) && !mended) {
                self.alarms.restore(alarm);
            } else if self.caught_up && !self.alarms.stands(alarm.kind, &alarm.part) {
                // The records that were gone through again do not show it any more.
                alarm.cleared_ms = Some(now_ms);
                let change = Change::Cleared(alarm);
                self.common.diary.note(&address, self.node, &change);
            }
        }
    }

    /// Raises an alarm where the chain over the log does not hold.
    pub(super) fn chain_broken(&mut self, breaks: &[Break], now_ms: i64) {
        if breaks.is_empty() {
            let days_ms = LOOK_BACK_MS;
            let change = self.alarms.clear_after(Kind::LogChanged, "", now_ms, days_ms);
            self.publish(change);
            return;
        }
        let words = integrity::words(breaks);
        let change = self.alarms.raise(Kind::LogChanged, "", now_ms, words);
        self.publish(change);
    }

    /// Goes on with the proof of the correction, by one step.
    pub(super) fn prove(&mut self) {
        let (Some(node), Some(seen), Some(proving)) = (self.node, self.seen, &mut self.proving)
        else {
            return;
        };
        match proving.go_on(&self.store, node, seen.end_ms) {
            Err(e) => self.store_failed(&e),
            Ok(None) => {}
            Ok(Some(proof)) => {
                let change = proving.judge(&proof, &mut self.alarms);
                self.publish(change);
                self.common.shared.change(self.place, |s| s.proof = Some(proof));
            }
        }
    }

    /// Goes through what is new in the store.
    pub(super) fn judge_new(&mut self) {
        let Some(node) = self.node else { return };
        let from = self.judged_to.map_or(0, |seq| seq.saturating_add(1));
        let judged = self.store.read_records(node, from..=u32::MAX).and_then(|new| self.judge(new));
        if let Err(e) = judged {
            self.store_failed(&e);
        }
    }

    fn judge(&mut self, records: Records) -> Result<(), StoreError> {
        let mut newest = None;
        for stored in records {
            if self.common.shared.is_stopping() {
                break;
            }
            let stored = stored?;
            let record = &stored.record;
            self.judged_to = Some(record.seq);
            let Some(end_ms) = stored.end_ms else { continue };
            self.gap_before(record, end_ms);
            self.seen = Some(Seen {
                end_ms,
                boot: record.boot,
                uptime_ms: record.uptime_ms,
                length_s: record.duration_s(),
            });
            self.running.take_record(record, end_ms);
            newest = Some(*record);
            for change in self.alarms.take(record, end_ms) {
                self.publish(Some(change));
            }
        }
        let heading = self.alarms.heading();
        self.common.shared.change(self.place, |s| {
            s.heading = heading;
            s.running = self.running.now();
            s.newest = newest.or(s.newest);
            s.newest_record_ms = self.seen.map(|s| s.end_ms);
        });
        Ok(())
    }

    /// Time between two records that no record covers.
    ///
    /// Within a start it is told by the uptime, so that a clock that was set leaves no gap.
    fn gap_before(&mut self, record: &Record, end_ms: i64) {
        let Some(seen) = self.seen else { return };
        let length_ms = (i64::from(record.duration_us) + 500) / 1000;
        let start_ms = end_ms - length_ms;
        let gap_ms = if seen.boot == record.boot {
            let since = record.uptime_ms.saturating_sub(seen.uptime_ms);
            i64::try_from(since).unwrap_or(i64::MAX) - length_ms
        } else {
            start_ms - seen.end_ms
        };
        let gap_s = gap_ms as f64 / 1000.0;
        let change = if gap_s > (1.5 * record.duration_s()).max(60.0) {
            let words =
                format!("{:.1} min without a record before record {}", gap_s / 60.0, record.seq);
            self.alarms.raise(Kind::Gap, "", start_ms, words)
        } else {
            self.alarms.clear_after(Kind::Gap, "", end_ms, 3_600_000)
        };
        self.publish(change);
    }
}
