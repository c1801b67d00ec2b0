//! One node under watch: its link, its pulls, its alarms.
//!
//! A station is a loop in a thread of its own with a handle of the store of its own, so that a
//! node that hangs holds up no other. A link that breaks is opened again; a store that cannot be
//! written leaves the link and the live readings alone; a node that does not belong here is said
//! and left alone.

mod judging;

use super::alarm::{Alarms, Change, Kind};
use super::config::WatchTerms;
use super::diary::Diary;
use super::proving::Proving;
use super::running::RunningDemand;
use super::state::{Link, Shared};
use super::whose::{Claim, Whose};
use crate::analyse::tariff::Tariff;
use crate::collect::address::Address;
use crate::collect::link::{AnyClient, LinkError, Patience};
use crate::collect::pull::{Go, PullError, PullOptions, PullSummary, pull_between};
use crate::collect::store::{NodeId, Store, StoreError};
use crate::site::Site;
use judging::Seen;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// Longest pause between two tries of a link that is down, or of a node that is not the one.
const LONGEST_PAUSE: Duration = Duration::from_secs(10);

/// A link that comes back within this time is not worth a line; its losses are counted.
const BRIEF: Duration = Duration::from_secs(5);

/// Longest time between two live readings while somebody looks at the page, in seconds.
const LOOKED_AT_S: f64 = 0.5;

/// Seconds between two looks at phasors and waveforms while somebody looks at the page.
const PICTURE_EVERY_S: f64 = 3.0;

/// Sequence numbers that a pull is behind, from which on it is worth a word.
const WORTH_A_WORD: u64 = 2000;

/// Longest record that a node can be set to, in seconds.
const LONGEST_RECORD_S: f64 = 900.0;

/// A log stands still when no record came for so many times a record's length.
const RECORDS_LATE: f64 = 2.5;

/// This computer's clock may be so far behind its own last pull, in ms, before it is not believed.
const HOST_BACK_MS: i64 = 60_000;

/// What the stations of a watch have in common.
#[derive(Clone)]
pub struct Common {
    /// How the watch goes about it.
    pub terms: WatchTerms,
    /// The site.
    pub site: Site,
    /// The tariff, for what a correction has saved so far.
    pub tariff: Option<Tariff>,
    /// What is known now.
    pub shared: Arc<Shared>,
    /// What is written down.
    pub diary: Arc<Diary>,
    /// Which node belongs to which address.
    pub whose: Arc<Whose>,
}

/// One node under watch.
pub struct Station {
    place: usize,
    address: Address,
    common: Common,
    store: Store,
    alarms: Alarms,
    running: RunningDemand,
    node: Option<NodeId>,
    /// Whether the log of before was gone through.
    caught_up: bool,
    /// Number of the newest record that was gone through.
    judged_to: Option<u32>,
    /// The newest record with a place in time that the alarms have seen.
    seen: Option<Seen>,
    /// What was said last of a trouble that stands, so that it is said once.
    said: Option<String>,
    /// Whether the node has answered since the start.
    answered: bool,
    /// When its log last grew; the first answer after a long silence counts as well.
    grew: Option<Instant>,
    /// The proof of the correction, where one was installed at a date.
    proving: Option<Proving>,
}

/// Why a link is given up.
enum Ended {
    Stopping,
    Link(LinkError),
    /// Another node than the one that belongs here answers: what to say of it.
    Foreign(String),
}

impl From<LinkError> for Ended {
    fn from(e: LinkError) -> Ended {
        Ended::Link(e)
    }
}

/// When the next of everything is due.
struct Due {
    live: Instant,
    pull: Instant,
    picture: Instant,
}

impl Station {
    /// A station for an address; nothing happens before it runs.
    pub fn new(place: usize, address: Address, common: Common, store: Store) -> Station {
        Station {
            place,
            address,
            store,
            alarms: Alarms::new(common.terms.alarms.clone(), &common.site),
            running: RunningDemand::new(&common.site),
            node: common.whose.node(place),
            proving: Proving::new(&common.site, common.tariff.clone(), &common.terms),
            common,
            caught_up: false,
            judged_to: None,
            seen: None,
            said: None,
            answered: false,
            grew: None,
        }
    }

    fn now_ms() -> i64 {
        jiff::Timestamp::now().as_millisecond()
    }

    fn say(&self, words: &str) {
        self.common.diary.say(&self.address.to_string(), words);
    }

    /// Says a trouble when it begins or changes.
    fn say_once(&mut self, words: &str) {
        if self.said.as_deref() != Some(words) {
            self.say(words);
            self.said = Some(words.to_owned());
        }
    }

    /// Whether what was said last begins like this.
    fn has_said(&self, beginning: &str) -> bool {
        self.said.as_deref().is_some_and(|s| s.starts_with(beginning))
    }

    /// Runs until the watch is stopped.
    pub fn run(&mut self) {
        self.catch_up();
        let mut pause = Duration::from_secs(1);
        let mut down: Option<Instant> = None;
        while !self.common.shared.is_stopping() {
            let began = Instant::now();
            let ended = match self.connect() {
                Ok(mut client) => self.attend(&mut client, &mut down),
                Err(e) => Ended::Link(e),
            };
            if began.elapsed() > 2 * pause {
                pause = Duration::from_secs(1);
            }
            match ended {
                Ended::Stopping => return,
                Ended::Link(e) => self.is_down(*down.get_or_insert(began), &e),
                Ended::Foreign(words) => {
                    self.is_foreign(words);
                    pause = LONGEST_PAUSE;
                }
            }
            self.common.shared.sleep_until(Instant::now() + pause);
            pause = (pause * 2).min(LONGEST_PAUSE);
        }
    }

    /// The link is down since an instant.
    fn is_down(&mut self, since: Instant, error: &LinkError) {
        let reason = error.to_string();
        self.common.shared.change(self.place, |s| {
            s.link = Link::Down(reason.clone());
            s.live = None;
        });
        if self.common.shared.is_stopping() {
            return;
        }
        let brief = self.answered && since.elapsed() < BRIEF;
        if !brief && !self.has_said("no link") {
            self.say_once(&format!("no link: {reason}"));
        }
        let silent_s = since.elapsed().as_secs_f64();
        if silent_s >= self.common.terms.alarms.silent_s {
            let words = format!("No answer for {:.0} min: {reason}", silent_s / 60.0);
            let change = self.alarms.raise(Kind::Silent, "", Self::now_ms(), words);
            self.publish(change);
        }
    }

    /// A node that does not belong here answers.
    fn is_foreign(&mut self, words: String) {
        self.say_once(&words);
        let change = self.alarms.raise(Kind::OtherNode, "", Self::now_ms(), words.clone());
        self.publish(change);
        self.common.shared.change(self.place, |s| {
            s.link = Link::OtherNode(words);
            s.live = None;
        });
    }

    fn connect(&mut self) -> Result<AnyClient, LinkError> {
        let client = AnyClient::open(&self.address, Patience { tries: 3, ..Patience::default() })?;
        self.common.shared.change(self.place, |s| s.counters.links_opened += 1);
        Ok(client)
    }

    /// Makes sure that the node that answers is the one of this address.
    fn claim(&mut self, found: NodeId) -> Result<(), Ended> {
        let (claim, kept) = self.common.whose.claim(self.place, found);
        if let Err(e) = kept {
            self.say(&format!("{}: {e}; it is noted at the next start", super::whose::FILE));
        }
        match claim {
            Claim::Ours => {
                // Before the first answer alarms are the address's; from now on they are the node's.
                self.clear_link_alarms();
                self.node = Some(found);
                Ok(())
            }
            Claim::Expected(node) => Err(Ended::Foreign(format!(
                "node {found} answers where node {node} was; nothing of it is stored. \
                 If it was exchanged on purpose, start the watch once with --adopt"
            ))),
            Claim::Elsewhere(address) => Err(Ended::Foreign(format!(
                "node {found} is watched at {address} already; give each node one address"
            ))),
        }
    }

    fn clear_link_alarms(&mut self) {
        for kind in [Kind::Silent, Kind::OtherNode] {
            let change = self.alarms.clear(kind, "", Self::now_ms());
            self.publish(change);
        }
    }

    /// Attends to a node that answers, until the link breaks or the watch ends.
    fn attend(&mut self, client: &mut AnyClient, down: &mut Option<Instant>) -> Ended {
        match self.attend_to(client, down) {
            Ok(()) => Ended::Stopping,
            Err(ended) => ended,
        }
    }

    fn attend_to(
        &mut self,
        client: &mut AnyClient,
        down: &mut Option<Instant>,
    ) -> Result<(), Ended> {
        let found = NodeId(client.identity().node_id);
        self.claim(found)?;
        let silent_s = down.take().map_or(0.0, |since| since.elapsed().as_secs_f64());
        let minutes = silent_s / 60.0;
        // A node that was away has had no time to write; one that starts again and again has.
        if self.grew.is_none() || silent_s >= self.common.terms.alarms.silent_s {
            self.grew = Some(Instant::now());
        }
        if self.has_said("no link") {
            self.say(&format!("answers again after {minutes:.1} min"));
        } else if self.said.is_some() {
            self.say(&format!("node {found} answers"));
        }
        self.said = None;
        self.answered = true;
        self.common.shared.change(self.place, |s| {
            s.node_id = found.to_string();
            s.link = Link::Up;
        });
        let now = Instant::now();
        let mut due = Due { live: now, pull: now, picture: now };
        while !self.common.shared.is_stopping() {
            let looks = self.common.shared.looks();
            live(&self.common, self.place, client, &mut self.running, &mut due)?;
            let now = Instant::now();
            if now >= due.pull {
                due.pull = now + Duration::from_secs_f64(self.common.terms.pull_every_s);
                self.pull(client, &mut due)?;
            }
            if now >= due.picture && self.common.shared.is_looked_at() {
                due.picture = now + Duration::from_secs_f64(PICTURE_EVERY_S);
                self.picture(client)?;
            }
            self.common.shared.sleep_until_looked_at(due.live.min(due.pull), looks);
        }
        Ok(())
    }

    fn pull(&mut self, client: &mut AnyClient, due: &mut Due) -> Result<(), Ended> {
        if !self.caught_up {
            self.catch_up();
        }
        let (status, clock) = client.status_and_clock()?;
        self.running.set_time(&status, &clock);
        for change in self.alarms.started(status.boot, Self::now_ms()) {
            self.publish(Some(change));
        }
        let failures = status.write_failures;
        self.common.shared.change(self.place, |s| s.status = Some(status));
        let limit_ms = self.common.terms.alarms.clock_s * 1000.0;
        let off = clock.offset_ms.is_none_or(|ms| libm::fabs(ms as f64) > limit_ms);
        let set_clock = off && self.common.terms.set_clock && self.host_clock_is_sound();
        let options = PullOptions { set_clock, ..PullOptions::default() };
        let (common, place, running) = (&self.common, self.place, &mut self.running);
        let (began, mut behind) = (Instant::now(), None);
        let result = pull_between(client, &mut self.store, &options, &mut |client, p| {
            if behind.is_none() && p.total > WORTH_A_WORD {
                let words = format!("{} records behind; catching up", p.total);
                common.diary.say(client.port(), &words);
            }
            behind.get_or_insert(p.total);
            live(common, place, client, running, due)?;
            Ok(if common.shared.is_stopping() { Go::NoFurther } else { Go::On })
        });
        let now_ms = Self::now_ms();
        match result {
            Ok(summary) => {
                if behind.is_some_and(|b| b > WORTH_A_WORD) && !self.common.shared.is_stopping() {
                    let s = began.elapsed().as_secs_f64();
                    self.say(&format!("caught up: {} records in {s:.0} s", summary.new_records));
                }
                self.pulled(&summary, limit_ms, now_ms);
                self.judge_new();
                self.grows(summary.new_records, failures, now_ms);
                self.prove();
                Ok(())
            }
            Err(e) => {
                self.common.shared.change(self.place, |s| s.counters.failed_pulls += 1);
                self.pull_failed(e, now_ms)
            }
        }
    }

    fn pull_failed(&mut self, error: PullError, now_ms: i64) -> Result<(), Ended> {
        match error {
            PullError::Link(e) => {
                // What came before it broke is stored.
                self.judge_new();
                Err(Ended::Link(e))
            }
            PullError::OtherNode { .. } => Err(Ended::Foreign(error.to_string())),
            PullError::Store(e) => {
                self.store_failed(&e);
                Ok(())
            }
            other => {
                let words = other.to_string();
                self.say_once(&words);
                let change = self.alarms.raise(Kind::LogChanged, "", now_ms, words);
                self.publish(change);
                Ok(())
            }
        }
    }

    /// A pull ended well.
    fn pulled(&mut self, summary: &PullSummary, limit_ms: f64, now_ms: i64) {
        if self.has_said("cannot store") {
            self.say("the store can be written again");
            self.said = None;
        }
        self.common.diary.retry();
        let change = self.alarms.clear(Kind::StoreFull, "", now_ms);
        self.publish(change);
        let change = match summary.clock_offset_ms {
            Some(ms) if libm::fabs(ms as f64) > limit_ms => {
                let words = format!(
                    "{:+.1} s against this computer{}",
                    ms as f64 / 1000.0,
                    if summary.clock_set { "; it was set" } else { "" }
                );
                if summary.clock_set {
                    self.say(&format!("clock {words}"));
                }
                self.alarms.raise(Kind::Clock, "", now_ms, words)
            }
            Some(_) => self.alarms.clear(Kind::Clock, "", now_ms),
            None if summary.clock_set => {
                self.say("the node had no time; its clock was set");
                None
            }
            None => {
                let words = "The node has no time: when its records were made is not known for \
                             certain"
                    .to_owned();
                self.alarms.raise(Kind::Clock, "", now_ms, words)
            }
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
        self.chain_broken(&summary.chain.breaks, now_ms);
        self.common.shared.change(self.place, |s| {
            s.counters.pulls += 1;
            s.counters.records += summary.new_records;
            s.counters.lost_records += summary.overwritten;
            s.counters.bytes += summary.bytes;
            s.feeder.clone_from(&summary.feeder);
            s.pulled_ms = Some(now_ms);
            s.clock_offset_ms = summary.clock_offset_ms;
        });
    }

    /// Raises an alarm where a node answers whose log does not grow.
    fn grows(&mut self, new_records: u64, failures: u32, now_ms: i64) {
        let change = if new_records > 0 {
            self.grew = Some(Instant::now());
            self.alarms.clear(Kind::LogStill, "", now_ms)
        } else {
            let still_s = self.grew.map_or(0.0, |at| at.elapsed().as_secs_f64());
            let record_s = self.record_s().unwrap_or(LONGEST_RECORD_S);
            if still_s < self.common.terms.alarms.silent_s.max(RECORDS_LATE * record_s) {
                return;
            }
            let mut words = format!("It answers, but no record came for {:.0} min", still_s / 60.0);
            match (self.alarms.starts_of_late(), failures) {
                (0, 0) => {}
                (0, n) => words += &format!("; {n} could not be written since its start"),
                (n, _) => words += &format!("; it started anew {n} times within the last hour"),
            }
            self.alarms.raise(Kind::LogStill, "", now_ms, words)
        };
        self.publish(change);
    }

    /// Whether this computer's clock has not gone back behind what it said at the last pull.
    ///
    /// A computer without a clock of its own starts in the past until its network tells it the
    /// time: it must not set a node's good clock meanwhile.
    fn host_clock_is_sound(&mut self) -> bool {
        let known = self.node.and_then(|n| self.store.node(n).ok().flatten());
        let Some(last_ms) = known.and_then(|n| n.last_pull_ms) else { return true };
        let back_ms = last_ms - Self::now_ms();
        if back_ms > HOST_BACK_MS {
            let last = jiff::Timestamp::from_millisecond(last_ms).unwrap_or_default();
            self.say_once(&format!(
                "this computer's clock is behind its own last pull of {}: the node's clock is \
                 left alone. Check the time here",
                last.strftime("%Y-%m-%dT%H:%M:%SZ")
            ));
        }
        back_ms <= HOST_BACK_MS
    }

    fn store_failed(&mut self, e: &StoreError) {
        self.say_once(&format!("cannot store: {e}; live readings go on, it is tried again"));
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
        self.common.shared.change(self.place, |s| {
            s.phasors = snapshot.map(|s| s.phasors);
            s.waves = waves.or(s.waves.take());
        });
        Ok(())
    }

    fn publish(&mut self, change: Option<Change>) {
        let Some(change) = change else { return };
        let who = self.address.to_string();
        match self.caught_up {
            true => self.common.diary.note(&who, self.node, &change),
            false => self.common.diary.replay(&who, self.node, &change),
        }
        self.common.shared.change(self.place, |s| s.note(&change));
        self.show_standing();
    }

    fn show_standing(&self) {
        let standing: Vec<_> = self.alarms.standing().into_iter().cloned().collect();
        self.common.shared.change(self.place, |s| s.standing = standing);
    }
}

/// Takes a live reading if one is due; more often while somebody looks at the page.
fn live(
    common: &Common,
    place: usize,
    client: &mut AnyClient,
    running: &mut RunningDemand,
    due: &mut Due,
) -> Result<(), LinkError> {
    let now = Instant::now();
    let mut every_s = common.terms.live_every_s;
    if common.shared.is_looked_at() {
        every_s = every_s.min(LOOKED_AT_S);
        due.live = due.live.min(now + Duration::from_secs_f64(every_s));
    }
    if now < due.live {
        return Ok(());
    }
    due.live = (due.live + Duration::from_secs_f64(every_s)).max(now);
    match client.live() {
        Ok(live) => {
            running.take_live(&live);
            let running = running.now();
            common.shared.change(place, |s| {
                s.heard_ms = Some(Station::now_ms());
                s.live = Some(live);
                s.running = running;
                s.counters.readings += 1;
            });
            Ok(())
        }
        // Just started: its first window is not over.
        Err(e) if e.refusal().is_some() => Ok(()),
        Err(e) => Err(e),
    }
}
