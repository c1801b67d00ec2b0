//! What the watch knows now: shared by the stations that write it and the page that reads it.

use super::alarm::{Alarm, Change};
use super::running::Running;
pub use crate::analyse::standing::{Removed, Saved, StandingProof};
use serde::Serialize;
use std::collections::VecDeque;
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};
use wattless_core::record::Record;
use wattless_core::wire::{Live, Status};

/// Alarms that are over and still shown.
const KEPT_CHANGES: usize = 200;

/// Counters of one station, all since the watch began.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Counters {
    /// Pulls that ended well.
    pub pulls: u64,
    /// Pulls that did not.
    pub failed_pulls: u64,
    /// Records stored.
    pub records: u64,
    /// Records lost: overwritten on the node before they were pulled.
    pub lost_records: u64,
    /// Times that the link was opened.
    pub links_opened: u64,
    /// Live readings received.
    pub readings: u64,
    /// Bytes received.
    pub bytes: u64,
    /// Alarms raised.
    pub alarms_raised: u64,
}

/// How the link stands.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "link", content = "reason")]
pub enum Link {
    /// Not tried yet.
    #[default]
    Starting,
    /// The node answers.
    Up,
    /// It does not, and why.
    Down(String),
    /// Another node than the one of this station answers.
    OtherNode(String),
}

/// The newest waveform capture of a node, as phases; empty for those that the wiring has not.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Waves {
    /// Seconds between two points.
    pub step_s: f64,
    /// Frequency of the fundamental, or nominal, in Hz.
    pub frequency_hz: f64,
    /// Voltages against neutral or the star point of the lines, in V.
    pub v: [Vec<f32>; 3],
    /// Currents, in A.
    pub i: [Vec<f32>; 3],
    /// When it was taken, Unix milliseconds.
    pub at_ms: i64,
}

/// What is known of one node now.
#[derive(Clone, Debug, Default)]
pub struct StationState {
    /// The address as it was given.
    pub address: String,
    /// The node's number, 16 hexadecimal digits; empty before it answered.
    pub node_id: String,
    /// What it is connected to.
    pub feeder: String,
    /// How the link stands.
    pub link: Link,
    /// When the node last answered, Unix milliseconds.
    pub heard_ms: Option<i64>,
    /// Its newest window.
    pub live: Option<Live>,
    /// Fundamental phasors of the channels, from the last look at the connection: real, imaginary.
    pub phasors: Option<[[f32; 2]; 6]>,
    /// Its newest waveforms.
    pub waves: Option<Waves>,
    /// The demand interval under way.
    pub running: Option<Running>,
    /// How the node was at the last pull.
    pub status: Option<Status>,
    /// The newest record that has a place in time.
    pub newest: Option<Record>,
    /// Power of the running demand interval, where it is heading: kW, kvar.
    pub heading: Option<(f64, f64)>,
    /// The proof of the correction kept up to date; none where none was installed at a date.
    pub proof: Option<StandingProof>,
    /// When its records were last pulled, Unix milliseconds.
    pub pulled_ms: Option<i64>,
    /// End of the newest record, Unix milliseconds.
    pub newest_record_ms: Option<i64>,
    /// Node's clock minus this computer's, in ms.
    pub clock_offset_ms: Option<i64>,
    /// Alarms that stand.
    pub standing: Vec<Alarm>,
    /// Changes of alarms, newest first.
    pub changes: VecDeque<Alarm>,
    /// Counters.
    pub counters: Counters,
}

impl StationState {
    /// Notes a change of an alarm.
    pub fn note(&mut self, change: &Change) {
        let (Change::Raised(alarm) | Change::Cleared(alarm)) = change;
        if matches!(change, Change::Raised(_)) {
            self.counters.alarms_raised += 1;
        }
        self.changes.push_front(alarm.clone());
        self.changes.truncate(KEPT_CHANGES);
    }
}

#[derive(Default)]
struct Inside {
    stations: Vec<StationState>,
    /// Counts up at every change.
    version: u64,
    /// Until when somebody looks at the page.
    looked_at_until: Option<Instant>,
    /// Counts up when somebody begins to.
    looks: u64,
    stopping: bool,
}

/// The state of the watch, shared between threads.
#[derive(Default)]
pub struct Shared {
    inside: Mutex<Inside>,
    changed: Condvar,
}

/// How long a look at the page keeps waveforms coming.
const LOOK: Duration = Duration::from_secs(5);

impl Shared {
    /// A state with one station an address.
    pub fn new(addresses: impl IntoIterator<Item = String>) -> Shared {
        let stations = addresses
            .into_iter()
            .map(|address| StationState { address, ..StationState::default() })
            .collect();
        Shared {
            inside: Mutex::new(Inside { stations, ..Inside::default() }),
            changed: Condvar::new(),
        }
    }

    /// A thread that died holding the state has left it whole: every change is a plain store.
    fn lock(&self) -> MutexGuard<'_, Inside> {
        self.inside.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Changes a station and wakes those who wait.
    pub fn change<R>(&self, station: usize, f: impl FnOnce(&mut StationState) -> R) -> Option<R> {
        let mut inside = self.lock();
        let result = inside.stations.get_mut(station).map(f);
        inside.version += 1;
        drop(inside);
        self.changed.notify_all();
        result
    }

    /// Looks at all stations.
    pub fn look<R>(&self, f: impl FnOnce(&[StationState]) -> R) -> R {
        f(&self.lock().stations)
    }

    /// Counts up at every change.
    pub fn version(&self) -> u64 {
        self.lock().version
    }

    /// Waits until the version is another, or the time is over; gives the version then.
    pub fn wait(&self, seen: u64, longest: Duration) -> u64 {
        let inside = self.lock();
        let result =
            self.changed.wait_timeout_while(inside, longest, |i| i.version == seen && !i.stopping);
        result.map_or_else(|e| e.into_inner().0.version, |(i, _)| i.version)
    }

    /// Somebody looks at the page.
    pub fn looked_at(&self) {
        let mut inside = self.lock();
        let now = Instant::now();
        let begins = inside.looked_at_until.is_none_or(|until| until <= now);
        inside.looked_at_until = Some(now + LOOK);
        inside.looks += u64::from(begins);
        drop(inside);
        if begins {
            self.changed.notify_all();
        }
    }

    /// Counts up when somebody begins to look at the page.
    pub fn looks(&self) -> u64 {
        self.lock().looks
    }

    /// Whether somebody does.
    pub fn is_looked_at(&self) -> bool {
        self.lock().looked_at_until.is_some_and(|until| Instant::now() < until)
    }

    /// Ends the watch.
    pub fn stop(&self) {
        self.lock().stopping = true;
        self.changed.notify_all();
    }

    /// Whether the watch ends.
    pub fn is_stopping(&self) -> bool {
        self.lock().stopping
    }

    /// Sleeps until an instant, or less when the watch ends.
    pub fn sleep_until(&self, until: Instant) {
        self.sleep(until, None);
    }

    /// The same, or less when somebody begins to look at the page; `looks` is the count seen.
    pub fn sleep_until_looked_at(&self, until: Instant, looks: u64) {
        self.sleep(until, Some(looks));
    }

    fn sleep(&self, until: Instant, looks: Option<u64>) {
        let mut inside = self.lock();
        while !inside.stopping && looks.is_none_or(|seen| inside.looks == seen) {
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return;
            }
            inside = match self.changed.wait_timeout(inside, left) {
                Ok((i, _)) => i,
                Err(e) => e.into_inner().0,
            };
        }
    }
}
