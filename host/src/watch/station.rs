//! One node under watch: its link, its pulls, its alarms.
//!
//! A station is a loop in a thread of its own, so that a node that hangs holds up no other.
//! The store is shared: one writer at a time, in whole transactions.

use super::alarm::{Alarms, Change, Kind};
use super::config::WatchTerms;
use super::diary::Diary;
use super::running::RunningDemand;
use super::state::{Link, Shared};
use crate::collect::address::Address;
use crate::collect::link::{AnyClient, LinkError, Patience};
use crate::collect::pull::{PullError, PullOptions, pull};
use crate::collect::store::{NodeId, Span, Store, StoreError};
use crate::site::Site;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};
use wattless_core::record::Record;

/// Longest pause between two tries of a link that is down.
const LONGEST_PAUSE: Duration = Duration::from_secs(30);

/// How much of the log is gone through again at the start, so that alarms know what is usual.
const LOOK_BACK_MS: i64 = 40 * 86_400_000;

/// Longest time between two live readings while somebody looks at the page, in seconds.
const LOOKED_AT_S: f64 = 0.5;

/// Seconds between two looks at phasors and waveforms while somebody looks at the page.
const PICTURE_EVERY_S: f64 = 3.0;

/// One node under watch.
pub struct Station {
    place: usize,
    address: Address,
    terms: WatchTerms,
    site: Site,
    store: Arc<Mutex<Store>>,
    shared: Arc<Shared>,
    diary: Arc<Diary>,
    alarms: Alarms,
    running: RunningDemand,
    node: Option<NodeId>,
    /// The newest record that the alarms have seen: number and end.
    seen: Option<(u32, i64)>,
}

/// Why a turn of the loop ended.
enum Broken {
    Link(LinkError),
    Store(StoreError),
}

impl Station {
    /// A station for an address; nothing happens before it runs.
    pub fn new(
        place: usize,
        address: Address,
        terms: &WatchTerms,
        site: &Site,
        store: Arc<Mutex<Store>>,
        shared: Arc<Shared>,
        diary: Arc<Diary>,
    ) -> Station {
        Station {
            place,
            address,
            alarms: Alarms::new(terms.alarms.clone(), site),
            running: RunningDemand::new(site),
            terms: terms.clone(),
            site: site.clone(),
            store,
            shared,
            diary,
            node: None,
            seen: None,
        }
    }

    fn now_ms() -> i64 {
        jiff::Timestamp::now().as_millisecond()
    }

    fn say(&self, words: &str) {
        self.diary.say(&self.address.to_string(), words);
    }

    /// Runs until the watch is stopped.
    pub fn run(&mut self) {
        let mut pause = Duration::from_secs(1);
        let mut down_since: Option<i64> = None;
        while !self.shared.is_stopping() {
            let reason = match self.connect() {
                Ok(mut client) => {
                    if let Some(since) = down_since.take() {
                        let minutes = (Self::now_ms() - since) as f64 / 60_000.0;
                        self.say(&format!("answers again after {minutes:.1} min"));
                    }
                    pause = Duration::from_secs(1);
                    let began = Instant::now();
                    let broken = self.attend(&mut client);
                    if began.elapsed() < Duration::from_secs(5) {
                        pause = Duration::from_secs(5);
                    }
                    match broken {
                        None => return,
                        Some(Broken::Link(e)) => e.to_string(),
                        Some(Broken::Store(e)) => {
                            self.store_failed(&e);
                            pause = LONGEST_PAUSE;
                            e.to_string()
                        }
                    }
                }
                Err(e) => e.to_string(),
            };
            if self.shared.is_stopping() {
                return;
            }
            if down_since.is_none() {
                self.say(&format!("no link: {reason}"));
            }
            let since = *down_since.get_or_insert_with(Self::now_ms);
            self.shared.change(self.place, |s| {
                if !matches!(s.link, Link::OtherNode(_)) {
                    s.link = Link::Down(reason.clone());
                }
                s.live = None;
            });
            let silent_s = (Self::now_ms() - since) as f64 / 1000.0;
            if silent_s >= self.terms.alarms.silent_s {
                let words = format!("No answer for {:.0} min: {reason}", silent_s / 60.0);
                let change = self.alarms.raise(Kind::Silent, "", Self::now_ms(), words);
                self.publish(change);
            }
            self.shared.sleep_until(Instant::now() + pause);
            pause = (pause * 2).min(LONGEST_PAUSE);
        }
    }

    fn connect(&mut self) -> Result<AnyClient, LinkError> {
        let client = AnyClient::open(&self.address, Patience { tries: 3, ..Patience::default() })?;
        self.shared.change(self.place, |s| s.counters.links_opened += 1);
        Ok(client)
    }

    /// Attends to a node that answers; ends when the link or the store breaks, or with the watch.
    fn attend(&mut self, client: &mut AnyClient) -> Option<Broken> {
        let found = NodeId(client.identity().node_id);
        if let Some(expected) = self.node.filter(|n| *n != found) {
            let words =
                format!("node {found} answers where node {expected} was; nothing of it is stored");
            self.say(&words);
            let change = self.alarms.raise(Kind::OtherNode, "", Self::now_ms(), words.clone());
            self.publish(change);
            self.shared.change(self.place, |s| s.link = Link::OtherNode(words));
            self.shared.sleep_until(Instant::now() + LONGEST_PAUSE);
            if self.shared.is_stopping() {
                return None;
            }
            return Some(Broken::Link(other_node(&self.address)));
        }
        if self.node.is_none() {
            self.node = Some(found);
            if let Err(e) = self.catch_up(found) {
                return Some(Broken::Store(e));
            }
        }
        for kind in [Kind::Silent, Kind::OtherNode] {
            let change = self.alarms.clear(kind, "", Self::now_ms());
            self.publish(change);
        }
        self.shared.change(self.place, |s| {
            s.node_id = found.to_string();
            s.link = Link::Up;
        });
        let every = |s: f64| Duration::from_secs_f64(s);
        let mut next_live = Instant::now();
        let mut next_pull = Instant::now();
        let mut next_picture = Instant::now();
        while !self.shared.is_stopping() {
            let now = Instant::now();
            let looks = self.shared.looks();
            let looked_at = self.shared.is_looked_at();
            let live_every_s = if looked_at {
                self.terms.live_every_s.min(LOOKED_AT_S)
            } else {
                self.terms.live_every_s
            };
            if looked_at {
                next_live = next_live.min(now + every(live_every_s));
            }
            if now >= next_live {
                next_live = (next_live + every(live_every_s)).max(now);
                match client.live() {
                    Ok(live) => {
                        self.running.take_live(&live);
                        let running = self.running.now();
                        self.shared.change(self.place, |s| {
                            s.heard_ms = Some(Self::now_ms());
                            s.live = Some(live);
                            s.running = running;
                            s.counters.readings += 1;
                        })
                    }
                    // Just started: its first window is not over.
                    Err(e) if e.refusal().is_some() => None,
                    Err(e) => return Some(Broken::Link(e)),
                };
            }
            if now >= next_pull {
                next_pull = now + every(self.terms.pull_every_s);
                if let Err(broken) = self.pull(client) {
                    return Some(broken);
                }
            }
            if now >= next_picture && looked_at {
                next_picture = now + every(PICTURE_EVERY_S);
                if let Err(e) = self.picture(client) {
                    return Some(Broken::Link(e));
                }
            }
            let next = next_live.min(next_pull);
            self.shared.sleep_until_looked_at(next, looks);
        }
        None
    }

    fn pull(&mut self, client: &mut AnyClient) -> Result<(), Broken> {
        let off_ms = match client.status_and_clock() {
            Ok((status, clock)) => {
                self.running.set_time(&status, &clock);
                self.shared.change(self.place, |s| s.status = Some(status));
                clock.offset_ms
            }
            Err(e) => return Err(Broken::Link(e)),
        };
        let limit_ms = self.terms.alarms.clock_s * 1000.0;
        let off = off_ms.is_none_or(|ms| libm::fabs(ms as f64) > limit_ms);
        let options =
            PullOptions { set_clock: off && self.terms.set_clock, ..PullOptions::default() };
        let result = {
            let mut store = self.store.lock().unwrap_or_else(PoisonError::into_inner);
            pull(client, &mut store, &options, &mut |_| {})
        };
        let summary = match result {
            Ok(summary) => summary,
            Err(e) => {
                self.shared.change(self.place, |s| s.counters.failed_pulls += 1);
                return Err(match e {
                    PullError::Link(e) => Broken::Link(e),
                    PullError::Store(e) => Broken::Store(e),
                    other => {
                        let words = other.to_string();
                        self.say(&words);
                        let change = self.alarms.raise(Kind::LogChanged, "", Self::now_ms(), words);
                        self.publish(change);
                        return Ok(());
                    }
                });
            }
        };
        let now_ms = Self::now_ms();
        let change = self.alarms.clear(Kind::StoreFull, "", now_ms);
        self.publish(change);
        let change = match summary.clock_offset_ms {
            Some(ms) if libm::fabs(ms as f64) > limit_ms => {
                let words = format!(
                    "{:+.1} s against this computer{}",
                    ms as f64 / 1000.0,
                    if summary.clock_set { "; it was set" } else { "" }
                );
                self.say(&format!("clock {words}"));
                self.alarms.raise(Kind::Clock, "", now_ms, words)
            }
            Some(_) => self.alarms.clear(Kind::Clock, "", now_ms),
            None => None,
        };
        self.publish(change);
        if summary.overwritten > 0 {
            let words = format!(
                "{} records were overwritten on the node before they were pulled",
                summary.overwritten
            );
            self.say(&words);
            let change = self.alarms.raise(Kind::Gap, "", now_ms, words);
            self.publish(change);
        }
        self.shared.change(self.place, |s| {
            s.counters.pulls += 1;
            s.counters.records += summary.new_records;
            s.counters.lost_records += summary.overwritten;
            s.counters.bytes += summary.bytes;
            s.feeder.clone_from(&summary.feeder);
            s.pulled_ms = Some(now_ms);
            s.clock_offset_ms = summary.clock_offset_ms;
        });
        if summary.new_records > 0 {
            self.judge_new().map_err(Broken::Store)?;
        }
        Ok(())
    }

    /// Goes through the last weeks of the log again, so that alarms know what is usual and what
    /// already stood; what the diary has already is not said again.
    fn catch_up(&mut self, node: NodeId) -> Result<(), StoreError> {
        self.alarms = Alarms::new(self.terms.alarms.clone(), &self.site);
        self.running = RunningDemand::new(&self.site);
        self.seen = None;
        let from_ms = Self::now_ms() - LOOK_BACK_MS;
        self.judge(node, Span { from_ms, to_ms: i64::MAX })
    }

    fn judge_new(&mut self) -> Result<(), StoreError> {
        let Some(node) = self.node else { return Ok(()) };
        let from_ms = self.seen.map_or(Self::now_ms() - LOOK_BACK_MS, |s| s.1);
        self.judge(node, Span { from_ms, to_ms: i64::MAX })
    }

    fn judge(&mut self, node: NodeId, span: Span) -> Result<(), StoreError> {
        let records = {
            let store = self.store.lock().unwrap_or_else(PoisonError::into_inner);
            if store.node(node)?.is_none() {
                return Ok(());
            }
            store.read_span(node, span)?
        };
        let mut newest = None;
        for stored in records {
            let stored = stored?;
            let Some(end_ms) = stored.end_ms else { continue };
            if self.seen.is_some_and(|(seq, _)| stored.record.seq <= seq) {
                continue;
            }
            self.gap_before(&stored.record, end_ms);
            self.seen = Some((stored.record.seq, end_ms));
            self.running.take_record(&stored.record, end_ms);
            newest = Some(stored.record);
            for change in self.alarms.take(&stored.record, end_ms) {
                self.publish(Some(change));
            }
        }
        let heading = self.alarms.heading();
        self.shared.change(self.place, |s| {
            s.heading = heading;
            s.running = self.running.now();
            s.newest = newest.or(s.newest);
            s.newest_record_ms = self.seen.map(|s| s.1);
        });
        Ok(())
    }

    /// Time between two records that no record covers.
    fn gap_before(&mut self, record: &Record, end_ms: i64) {
        let Some((_, last_ms)) = self.seen else { return };
        let start_ms = end_ms - (i64::from(record.duration_us) + 500) / 1000;
        let gap_s = (start_ms - last_ms) as f64 / 1000.0;
        let change = if gap_s > (1.5 * record.duration_s()).max(60.0) {
            let words =
                format!("{:.1} min without a record before record {}", gap_s / 60.0, record.seq);
            self.alarms.raise(Kind::Gap, "", start_ms, words)
        } else if start_ms - last_ms < 86_400_000 {
            self.alarms.clear_after(Kind::Gap, "", end_ms, 3_600_000)
        } else {
            None
        };
        self.publish(change);
    }

    fn store_failed(&mut self, e: &StoreError) {
        let change = self.alarms.raise(Kind::StoreFull, "", Self::now_ms(), e.to_string());
        self.publish(change);
    }

    /// Phasors and waveforms for the page.
    fn picture(&mut self, client: &mut AnyClient) -> Result<(), LinkError> {
        let settings = client.settings()?;
        let snapshot = match client.hookup() {
            Ok(snapshot) => Some(snapshot),
            Err(e) if e.refusal().is_some() => None,
            Err(e) => return Err(e),
        };
        let frequency = snapshot.as_ref().and_then(|s| s.frequency_hz).map(f64::from);
        let frequency = frequency.unwrap_or(settings.nominal.hz());
        let waves = super::waves::fetch(client, &settings, frequency)?;
        self.shared.change(self.place, |s| {
            s.phasors = snapshot.map(|s| s.phasors);
            s.waves = waves.or(s.waves.take());
        });
        Ok(())
    }

    fn publish(&mut self, change: Option<Change>) {
        let Some(change) = change else { return };
        self.diary.note(&self.address.to_string(), self.node, &change);
        let standing: Vec<_> = self.alarms.standing().into_iter().cloned().collect();
        self.shared.change(self.place, |s| {
            s.note(&change);
            s.standing = standing;
        });
    }
}

/// The error of a link at whose end another node is.
fn other_node(address: &Address) -> LinkError {
    LinkError::Open {
        port: address.to_string(),
        source: std::io::Error::other("another node answers there"),
    }
}
