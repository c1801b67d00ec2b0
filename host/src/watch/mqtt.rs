//! Readings and alarms by MQTT, for whoever subscribes.
//!
//! Topics, under the prefix of the site file (`wattless` unless it says otherwise):
//! - `PREFIX/watch`: `online`, or `offline` when the watch is gone (retained, last will);
//! - `PREFIX/NODE/reading`: the newest window as `node --live --json` prints it, at most once a
//!   second, not retained;
//! - `PREFIX/NODE/alarms`: a JSON array of the alarms that stand (retained);
//! - `PREFIX/NODE/link`: whether the node answers, and why not (retained).
//!
//! NODE is the node's number, 16 hexadecimal digits. A broker that is away holds up nothing:
//! what cannot be sent now is not sent later, for the next reading says it better.

use super::config::{MqttTerms, WatchTermsError};
use super::diary::Diary;
use super::state::{Shared, StationState};
use crate::present::live::LiveView;
use rumqttc::{Client, Connection, LastWill, MqttOptions, QoS};
use serde_json::{Value, json};
use std::collections::HashMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// Messages that may wait for the broker.
const WAITING: usize = 64;

/// Largest message, in bytes.
const LARGEST: usize = 1 << 20;

/// Shortest time between two readings of a node.
const READING_EVERY: Duration = Duration::from_secs(1);

fn options(terms: &MqttTerms) -> Result<MqttOptions, WatchTermsError> {
    let id = format!("wattless-{:08x}", rand::random::<u32>());
    let mut options = MqttOptions::new(id, terms.host.clone(), terms.port);
    options.set_keep_alive(Duration::from_secs(30));
    // A bad day has more alarms than the library's ten kilobytes hold.
    options.set_max_packet_size(10 << 10, LARGEST);
    let watch = format!("{}/watch", terms.topic);
    options.set_last_will(LastWill::new(watch, "offline", QoS::AtLeastOnce, true));
    if let Some(user) = &terms.user {
        let password = match &terms.password_file {
            None => String::new(),
            Some(file) => std::fs::read_to_string(file)
                .map_err(|e| WatchTermsError::Password { file: file.clone(), source: e })?
                .trim_end()
                .to_owned(),
        };
        options.set_credentials(user, password);
    }
    Ok(options)
}

/// A node's newest window; none before the first, and while the node does not answer.
pub fn reading(s: &StationState) -> Option<Value> {
    s.live.as_ref().map(|_| LiveView::of(s).json())
}

/// The alarms that stand.
pub fn alarms(s: &StationState) -> Value {
    let one = |a: &super::alarm::Alarm| {
        json!({
            "kind": a.kind.word(), "part": a.part, "title": a.kind.title(),
            "since_ms": a.since_ms, "raised_ms": a.raised_ms, "evidence": a.evidence,
            "check_first": a.kind.check_first(),
        })
    };
    super::page::words::ordered(s).into_iter().map(one).collect()
}

/// Longest wait at the end for what is still on its way to the broker.
const LAST_WAIT: Duration = Duration::from_secs(1);

/// Time between two tries of a broker that is away.
const TRY_EVERY: Duration = Duration::from_secs(5);

/// Publishes until the watch stops.
pub fn publish(
    terms: &MqttTerms,
    shared: &Arc<Shared>,
    diary: &Arc<Diary>,
) -> Result<(), WatchTermsError> {
    let (client, connection) = Client::new(options(terms)?, WAITING);
    let connected = Arc::new(AtomicBool::new(false));
    let watch = format!("{}/watch", terms.topic);
    let line = Line {
        broker: format!("mqtt {}:{}", terms.host, terms.port),
        watch: watch.clone(),
        client: client.clone(),
        shared: shared.clone(),
        diary: diary.clone(),
        connected: connected.clone(),
    };
    // Not waited for at the end: a broker that swallows packets would hold up the watch.
    let line = std::thread::spawn(move || line.attend(connection));
    send(terms, shared, &client, &connected);
    if connected.load(Ordering::Acquire) {
        let _ = client.try_publish(watch, QoS::AtLeastOnce, true, "offline");
        let _ = client.try_disconnect();
        let until = Instant::now() + LAST_WAIT;
        while !line.is_finished() && Instant::now() < until {
            std::thread::sleep(Duration::from_millis(10));
        }
    }
    Ok(())
}

/// The connection to the broker, kept up in a thread of its own.
struct Line {
    broker: String,
    watch: String,
    client: Client,
    shared: Arc<Shared>,
    diary: Arc<Diary>,
    connected: Arc<AtomicBool>,
}

impl Line {
    fn attend(self, mut connection: Connection) {
        let mut said = false;
        for event in connection.iter() {
            match event {
                Ok(rumqttc::Event::Incoming(rumqttc::Packet::ConnAck(_))) => {
                    self.diary.say(&self.broker, "connected");
                    said = false;
                    self.connected.store(true, Ordering::Release);
                    let _ = self.client.try_publish(&self.watch, QoS::AtLeastOnce, true, "online");
                }
                Ok(_) => {}
                Err(_) if self.shared.is_stopping() => return,
                Err(e) => {
                    self.connected.store(false, Ordering::Release);
                    if !said {
                        let every = TRY_EVERY.as_secs();
                        let words = format!("no broker: {e}; tried again every {every} s");
                        self.diary.say(&self.broker, &words);
                        said = true;
                    }
                    self.shared.sleep_until(Instant::now() + TRY_EVERY);
                }
            }
        }
    }
}

fn send(terms: &MqttTerms, shared: &Shared, client: &Client, connected: &AtomicBool) {
    let mut seen = u64::MAX;
    let mut sent: HashMap<String, (Instant, Option<Value>)> = HashMap::new();
    let mut was_connected = false;
    while !shared.is_stopping() {
        seen = shared.wait(seen, Duration::from_secs(1));
        let up = connected.load(Ordering::Acquire);
        if up && !was_connected {
            // The broker may have forgotten what it retained.
            sent.clear();
        }
        was_connected = up;
        if !up {
            continue;
        }
        let stations: Vec<StationState> = shared.look(<[StationState]>::to_vec);
        for s in stations.iter().filter(|s| !s.node_id.is_empty()) {
            let topic = |what: &str| format!("{}/{}/{what}", terms.topic, s.node_id);
            let now = Instant::now();
            if let Some(value) = reading(s) {
                let key = topic("reading");
                let due = sent.get(&key).is_none_or(|(at, old)| {
                    at.elapsed() >= READING_EVERY && old.as_ref() != Some(&value)
                });
                if due
                    && client.try_publish(&key, QoS::AtMostOnce, false, value.to_string()).is_ok()
                {
                    sent.insert(key, (now, Some(value)));
                }
            }
            for (what, value) in [("alarms", alarms(s)), ("link", json!(s.link))] {
                let key = topic(what);
                let due = sent.get(&key).is_none_or(|(_, old)| old.as_ref() != Some(&value));
                let text = value.to_string();
                if due && client.try_publish(&key, QoS::AtLeastOnce, true, text).is_ok() {
                    sent.insert(key, (now, Some(value)));
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::watch::alarm::{Alarm, Kind};
    use crate::watch::state::Link;

    #[test]
    fn the_link_and_the_alarms_say_what_the_documentation_says() {
        assert_eq!(json!(Link::Up).to_string(), r#"{"link":"up"}"#);
        let down = json!(Link::Down("cable".to_owned())).to_string();
        assert_eq!(down, r#"{"link":"down","reason":"cable"}"#);
        let s = StationState {
            standing: vec![Alarm {
                kind: Kind::PhaseLost,
                part: "L2".to_owned(),
                since_ms: 1,
                raised_ms: 2,
                cleared_ms: None,
                evidence: "3 V".to_owned(),
            }],
            ..StationState::default()
        };
        let all = alarms(&s);
        assert_eq!(all[0]["kind"], "phase-lost");
        assert_eq!((&all[0]["part"], &all[0]["since_ms"]), (&"L2".into(), &1.into()));
        assert!(all[0]["check_first"].as_str().unwrap().len() > 10);
        assert_eq!(reading(&s), None);
    }
}
