//! What the watch publishes, at a real broker: mosquitto, on loopback.

use serde_json::Value;
use std::io::{BufRead, BufReader};
use std::net::TcpListener;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use wattless_tests::program::Served;
use wattless_tests::watching::{Watching, found, get};

struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// A broker that asks for a password; its data lie in memory only.
fn broker(folder: &Path, port: u16) -> Running {
    let passwords = folder.join("passwords");
    if !passwords.exists() {
        let made = Command::new("mosquitto_passwd")
            .arg("-b")
            .arg("-c")
            .arg(&passwords)
            .args(["plant", "sawdust"])
            .status();
        let said = "mosquitto is missing; install the packages mosquitto and mosquitto-clients";
        assert!(made.expect(said).success());
    }
    let file = folder.join("broker.conf");
    let text = format!(
        "listener {port} 127.0.0.1\nallow_anonymous false\npassword_file {}\nuser root\n\
         persistence false\n",
        passwords.display()
    );
    std::fs::write(&file, text).unwrap();
    // Debian keeps it where a user's path does not lead.
    let start = |name: &str| {
        Command::new(name)
            .arg("-c")
            .arg(&file)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .ok()
    };
    let child = ["/usr/sbin/mosquitto", "mosquitto"].into_iter().find_map(start);
    Running(child.expect("mosquitto is missing; install the package mosquitto"))
}

/// What a subscriber hears: whether it was retained, topic, words.
struct Heard {
    _client: Running,
    all: Arc<Mutex<Vec<(bool, String, String)>>>,
}

impl Heard {
    fn new(port: u16) -> Heard {
        let mut client = Command::new("mosquitto_sub")
            .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-u", "plant", "-P", "sawdust"])
            .args(["-t", "joinery/#", "-q", "1", "-F", "%r %t %p"])
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("mosquitto_sub is missing; install the package mosquitto-clients");
        let lines = BufReader::new(client.stdout.take().expect("piped")).lines();
        let all = Arc::new(Mutex::new(Vec::new()));
        let keep = all.clone();
        std::thread::spawn(move || {
            for line in lines.map_while(Result::ok) {
                let mut parts = line.splitn(3, ' ').map(str::to_owned);
                let (r, t, p) = (parts.next(), parts.next(), parts.next());
                let one = (r.as_deref() == Some("1"), t.unwrap_or_default(), p.unwrap_or_default());
                keep.lock().unwrap().push(one);
            }
        });
        Heard { _client: Running(client), all }
    }

    fn find(&self, topic: &str, fits: impl Fn(&str) -> bool) -> Option<(bool, String)> {
        let all = self.all.lock().unwrap();
        let found = all.iter().rev().find(|m| m.1 == topic && fits(&m.2));
        found.map(|m| (m.0, m.2.clone()))
    }
}

fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port()
}

/// Pulls that ended well, from the watch's own counters.
fn pulls(page: &str) -> u64 {
    let text = get(page, "/metrics");
    let line = text.lines().find(|l| l.starts_with("wattless_pulls_total")).unwrap();
    line.rsplit(' ').next().unwrap().parse().unwrap()
}

#[test]
fn readings_alarms_and_links_reach_a_broker_that_comes_and_goes() {
    let folder = tempfile::tempdir().unwrap();
    let port = free_port();
    let password = folder.path().join("password");
    std::fs::write(&password, "sawdust\n").unwrap();
    let site = folder.path().join("site.toml");
    // An overload from the first record on: the sawmill draws more than that at any time.
    let text = format!(
        "[watch.mqtt]\nhost = \"127.0.0.1\"\nport = {port}\ntopic = \"joinery\"\nuser = \"plant\"\n\
         password_file = {:?}\n[watch.alarms]\nrated_a = 1\nhold_s = 1\n",
        password.display().to_string()
    );
    std::fs::write(&site, text).unwrap();
    let scenario = folder.path().join("scenario.toml");
    let text = wattless::bench::scenario::SAWMILL
        .replace("sample_rate_hz = 8000.0", "sample_rate_hz = 2000.0")
        .replace("interval_s = 60", "interval_s = 1");
    std::fs::write(&scenario, text).unwrap();
    let node = Served::new(&[scenario.display().to_string()]);

    // No broker yet: the watch says so and pulls all the same.
    let mut watched = Watching::with_page(&folder.path().join("store"), &node.address, &site);
    let page = watched.page();
    found("it says that there is no broker", || {
        watched.said().iter().any(|l| l.contains("no broker")).then_some(())
    });
    found("records are pulled without a broker", || (pulls(&page) >= 2).then_some(()));

    let first = broker(folder.path(), port);
    let heard = found("the broker is there", || {
        std::net::TcpStream::connect(("127.0.0.1", port)).ok().map(|_| Heard::new(port))
    });
    found("the watch is online", || heard.find("joinery/watch", |p| p == "online"));
    let id = "000000005a170001";
    let reading = format!("joinery/{id}/reading");
    let (retained, text) = found("a reading comes", || heard.find(&reading, |_| true));
    assert!(!retained, "an old reading must not look like one of now");
    let value: Value = serde_json::from_str(&text).unwrap();
    assert_eq!((&value["node_id"], &value["feeder"]), (&id.into(), &"Sawmill main".into()));
    assert_eq!(value["phases"].as_array().unwrap().len(), 3);
    let sum: f64 =
        value["phases"].as_array().unwrap().iter().map(|p| p["p_w"].as_f64().unwrap()).sum();
    assert!((value["p_w"].as_f64().unwrap() - sum).abs() < 1e-3 * sum.abs(), "{text}");
    for key in ["at_ms", "q1_var", "s_va", "power_factor", "frequency_hz"] {
        assert!(value[key].is_number(), "{key}: {text}");
    }
    let alarms = format!("joinery/{id}/alarms");
    let (_, text) = found("the alarm comes", || heard.find(&alarms, |p| p.contains("overload")));
    let value: Value = serde_json::from_str(&text).unwrap();
    let alarm = value.as_array().unwrap().iter().find(|a| a["kind"] == "overload").unwrap();
    assert!(alarm["evidence"].as_str().unwrap().contains("rated 1.0 A"), "{text}");
    assert!(alarm["check_first"].as_str().unwrap().len() > 10, "{text}");

    // Who comes later hears at once what is retained.
    let later = Heard::new(port);
    for (topic, part) in [
        (alarms.clone(), "overload"),
        ("joinery/watch".to_owned(), "online"),
        (format!("joinery/{id}/link"), r#"{"link":"up"}"#),
    ] {
        let (retained, _) =
            found("what is retained comes", || later.find(&topic, |p| p.contains(part)));
        assert!(retained, "{topic}");
    }
    drop(later);

    // The broker is stopped: pulls go on. It comes back with an empty memory: it is filled again.
    drop(first);
    let before = pulls(&page);
    found("pulls go on", || (pulls(&page) >= before + 3).then_some(()));
    let _second = broker(folder.path(), port);
    let heard = found("the broker is back", || {
        std::net::TcpStream::connect(("127.0.0.1", port)).ok().map(|_| Heard::new(port))
    });
    found("the watch is online again", || heard.find("joinery/watch", |p| p == "online"));
    found("the alarm is there again", || heard.find(&alarms, |p| p.contains("overload")));
    found("readings come again", || heard.find(&reading, |_| true));

    // The node goes: said in words. The watch is killed: the broker says it for it.
    drop(node);
    found("the link is told to be down", || {
        heard.find(&format!("joinery/{id}/link"), |p| p.contains(r#""link":"down""#))
    });
    drop(watched);
    found("the last will is told", || heard.find("joinery/watch", |p| p == "offline"));
}
