//! Readings and alarms by MQTT, for whoever subscribes.
//!
//! Topics, under the prefix of the site file (`wattless` unless it says otherwise):
//! - `PREFIX/watch`: `online`, or `offline` when the watch is gone (retained, last will);
//! - `PREFIX/NODE/reading`: the newest window as a JSON object, at most once a second;
//! - `PREFIX/NODE/alarms`: a JSON array of the alarms that stand (retained).
//!
//! NODE is the node's number, 16 hexadecimal digits. A broker that is away holds up nothing:
//! what cannot be sent now is not sent later, for the next reading says it better.

use super::config::{MqttTerms, WatchTermsError};
use super::diary::Diary;
use super::page::words::totals;
use super::state::{Shared, StationState};
use rumqttc::{Client, LastWill, MqttOptions, QoS};
use serde_json::{Value, json};
use std::collections::HashMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// Messages that may wait for the broker.
const WAITING: usize = 64;

/// Shortest time between two readings of a node.
const READING_EVERY: Duration = Duration::from_secs(1);

fn options(terms: &MqttTerms) -> Result<MqttOptions, WatchTermsError> {
    let id = format!("wattless-{:08x}", rand::random::<u32>());
    let mut options = MqttOptions::new(id, terms.host.clone(), terms.port);
    options.set_keep_alive(Duration::from_secs(30));
    let watch = format!("{}/watch", terms.topic);
    options.set_last_will(LastWill::new(watch, "offline", QoS::AtLeastOnce, true));
    if let Some(user) = &terms.user {
        let password = match &terms.password_file {
            None => String::new(),
            Some(file) => std::fs::read_to_string(file)
                .map_err(|e| WatchTermsError::Token { file: file.clone(), what: e.to_string() })?
                .trim_end()
                .to_owned(),
        };
        options.set_credentials(user, password);
    }
    Ok(options)
}

/// A node's newest window.
pub fn reading(s: &StationState) -> Option<Value> {
    let live = s.live.as_ref()?;
    let (p_w, q1_var, s_va) = totals(live);
    let loaded = live.phases.iter().any(|p| p.loaded) && s_va > 0.0;
    let phases: Vec<_> = live
        .phases
        .iter()
        .take(live.wiring.phases())
        .map(|p| {
            json!({
                "v_rms_v": p.v_rms_v, "i_rms_a": p.i_rms_a, "p_w": p.p_w,
                "q1_var": p.q1_var, "s_va": p.s_va,
            })
        })
        .collect();
    Some(json!({
        "at_ms": s.heard_ms,
        "feeder": s.feeder,
        "p_w": p_w,
        "q1_var": q1_var,
        "s_va": s_va,
        "power_factor": loaded.then(|| p_w / s_va),
        "frequency_hz": live.frequency_hz,
        "phases": phases,
        "demand_heading_kw": s.heading.map(|h| h.0),
        "demand_heading_kvar": s.heading.map(|h| h.1),
    }))
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
    s.standing.iter().map(one).collect()
}

/// Publishes until the watch stops.
pub fn publish(terms: &MqttTerms, shared: &Shared, diary: &Diary) -> Result<(), WatchTermsError> {
    let (client, mut connection) = Client::new(options(terms)?, WAITING);
    let connected = Arc::new(AtomicBool::new(false));
    let broker = format!("mqtt {}:{}", terms.host, terms.port);
    std::thread::scope(|scope| {
        let flag = connected.clone();
        let (watch, sender) = (format!("{}/watch", terms.topic), client.clone());
        let who = broker.clone();
        scope.spawn(move || {
            let mut said = false;
            for event in connection.iter() {
                match event {
                    Ok(rumqttc::Event::Incoming(rumqttc::Packet::ConnAck(_))) => {
                        diary.say(&who, "connected");
                        said = false;
                        flag.store(true, Ordering::Release);
                        let _ = sender.try_publish(&watch, QoS::AtLeastOnce, true, "online");
                    }
                    Ok(_) => {}
                    Err(_) if shared.is_stopping() => return,
                    Err(e) => {
                        flag.store(false, Ordering::Release);
                        if !said {
                            diary.say(&who, &format!("no broker: {e}; tried again every 5 s"));
                            said = true;
                        }
                        shared.sleep_until(Instant::now() + Duration::from_secs(5));
                    }
                }
            }
        });
        send(terms, shared, &client, &connected);
        let _ =
            client.try_publish(format!("{}/watch", terms.topic), QoS::AtLeastOnce, true, "offline");
        let _ = client.try_disconnect();
    });
    Ok(())
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
            let (key, value) = (topic("alarms"), alarms(s));
            let due = sent.get(&key).is_none_or(|(_, old)| old.as_ref() != Some(&value));
            if due && client.try_publish(&key, QoS::AtLeastOnce, true, value.to_string()).is_ok() {
                sent.insert(key, (now, Some(value)));
            }
        }
    }
}
