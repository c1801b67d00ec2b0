//! `node --live` as someone at the panel uses it: in a terminal, in a pipe, as JSON, over a link
//! that is lost and comes back.

use serde_json::Value;
use std::io::{BufRead, BufReader, Lines};
use std::process::{Child, ChildStdout, Command, Stdio};
use wattless_tests::program::{Served, command, path};
use wattless_tests::watching::until;

fn node(folder: &std::path::Path) -> Served {
    let scenario = folder.join("scenario.toml");
    let text = wattless::bench::scenario::SAWMILL
        .replace("sample_rate_hz = 8000.0", "sample_rate_hz = 2000.0")
        .replace("interval_s = 60", "interval_s = 1");
    std::fs::write(&scenario, text).unwrap();
    let node = Served::new(&[scenario]);
    // Its first window takes a moment.
    until("the node has a reading", || {
        let out = command().args(["node", &node.address, "--json"]).output().unwrap();
        serde_json::from_slice::<Value>(&out.stdout).is_ok_and(|v| v["now"].is_object())
    });
    node
}

fn signal(which: &str, pid: u32) {
    let sent = Command::new("kill").args([which, &pid.to_string()]).status();
    assert!(sent.is_ok_and(|s| s.success()));
}

/// A node followed as JSON lines, several a second.
fn follow(address: &str) -> (Child, Lines<BufReader<ChildStdout>>) {
    let mut child = command()
        .args(["node", address, "--live", "--json", "--every", "0.3"])
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let lines = BufReader::new(child.stdout.take().unwrap()).lines();
    (child, lines)
}

#[test]
fn readings_come_line_by_line_and_agree_with_the_node() {
    let folder = tempfile::tempdir().unwrap();
    let node = node(folder.path());
    let address = node.address.as_str();
    let out = command()
        .args(["node", address, "--live", "--json", "--readings", "4", "--every", "0.5"])
        .output()
        .unwrap();
    assert!(out.status.success());
    let text = String::from_utf8(out.stdout).unwrap();
    let all: Vec<Value> = text.lines().map(|l| serde_json::from_str(l).unwrap()).collect();
    assert_eq!(all.len(), 4);
    let last = &all[3];
    assert_eq!((&last["link"], &last["feeder"]), (&"up".into(), &"Sawmill main".into()));
    let phases = last["phases"].as_array().unwrap();
    let sum = |key: &str| phases.iter().map(|p| p[key].as_f64().unwrap()).sum::<f64>();
    for key in ["p_w", "q1_var", "s_va"] {
        let total = last[key].as_f64().unwrap();
        assert!((total - sum(key)).abs() <= 1e-6 * total.abs(), "{key}");
    }
    let pf = last["power_factor"].as_f64().unwrap();
    assert!((pf - sum("p_w") / sum("s_va")).abs() < 1e-9);
    let at: Vec<u64> = all.iter().map(|v| v["uptime_ms"].as_u64().unwrap()).collect();
    assert!(at.windows(2).all(|w| w[0] < w[1]), "{at:?}");

    // Into a pipe: whole blocks, no escapes, 80 columns.
    let site = folder.path().join("site.toml");
    std::fs::write(&site, "time_zone = \"UTC\"\n[demand]\ninterval_min = 5\n").unwrap();
    let out = command()
        .args(["node", address, "--live", "--readings", "2", "--every", "0.5", "--site"])
        .arg(&site)
        .output()
        .unwrap();
    let text = String::from_utf8(out.stdout).unwrap();
    assert!(!text.contains('\u{1b}'), "{text}");
    assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
    assert_eq!(text.matches("Sawmill main, node 000000005a170001").count(), 2);
    for part in ["L3", "Total", "Frequency", "Demand", "Clock", "Remarks     none", " to go: "] {
        assert!(text.contains(part), "{part} is not in\n{text}");
    }
}

#[test]
fn a_terminal_is_written_in_place_and_ends_cleanly() {
    let folder = tempfile::tempdir().unwrap();
    let node = node(folder.path());
    // script (util-linux) gives it a terminal.
    let line = format!(
        "stty cols 80 rows 30; {} node {} --live --readings 3 --every 0.3",
        path().display(),
        node.address
    );
    let out = Command::new("script")
        .args(["-q", "-e", "-c", &line, "/dev/null"])
        .env("TERM", "xterm")
        .env("NO_COLOR", "1")
        .output()
        .expect("script is missing; install the package bsdutils");
    assert!(out.status.success());
    let text = String::from_utf8(out.stdout).unwrap();
    // Up to the first line of the block, twice; what is left of old lines is cleared.
    let up = text.match_indices("\u{1b}[").filter(|(at, _)| {
        text[at + 2..].split_once('F').is_some_and(|(n, _)| n.parse::<u16>().is_ok_and(|n| n > 8))
    });
    assert_eq!(up.count(), 2, "{text:?}");
    assert!(text.contains("\u{1b}[K") && text.ends_with("\u{1b}[J"), "{text:?}");
    assert!(!text.contains("\u{1b}[3"), "a colour: {text:?}");

    let (mut child, mut lines) = follow(&node.address);
    assert!(lines.next().unwrap().unwrap().contains("\"link\":\"up\""));
    signal("-INT", child.id());
    assert_eq!(child.wait().unwrap().code(), Some(0));
}

#[test]
fn a_lost_link_is_said_and_taken_up_again() {
    let folder = tempfile::tempdir().unwrap();
    let node = node(folder.path());
    let (mut child, mut lines) = follow(&node.address);
    let mut next = |link: &str| loop {
        let line = lines.next().expect("it goes on").unwrap();
        let value: Value = serde_json::from_str(&line).unwrap();
        if value["link"] == link {
            return value;
        }
    };
    next("up");
    signal("-STOP", node.pid());
    let lost = next("down");
    assert!(lost["reason"].as_str().unwrap().contains("no answer"), "{lost}");
    assert!(lost.get("phases").is_none(), "no old reading as one of now");
    signal("-CONT", node.pid());
    assert!(next("up")["p_w"].is_number());
    child.kill().unwrap();
    child.wait().unwrap();

    // A wrong address is said at once.
    drop(node);
    let gone = command().args(["node", "tcp:127.0.0.1:1", "--live"]).output().unwrap();
    assert_eq!(gone.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&gone.stderr).contains("cannot open"));
}
