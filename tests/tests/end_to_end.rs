//! The program as a user runs it: demo; a node served, asked, pulled, exported; wrong ports.

use serde_json::Value;
use std::path::Path;
use std::process::Output;
use wattless_tests::program::{Served, command};

fn run(args: &[&str]) -> Output {
    command().args(args).output().expect("the program starts")
}

fn json(args: &[&str]) -> Value {
    let out = run(args);
    let error = String::from_utf8_lossy(&out.stderr);
    assert!(out.status.success(), "{args:?}: {error}");
    serde_json::from_slice(&out.stdout).expect("one JSON object")
}

fn path(folder: &Path, name: &str) -> String {
    folder.join(name).display().to_string()
}

#[test]
fn demo_leaves_a_store_that_other_commands_read() {
    let folder = tempfile::tempdir().unwrap();
    let demo = path(folder.path(), "demo");
    let d = json(&["demo", "--hours", "3", "--folder", &demo, "--json"]);
    assert_eq!(d["simulated_h"], 3.0);
    assert_eq!(d["pull"]["new_records"], 180);
    assert_eq!(d["frames"], 3 * 3600 * 8000);

    let store = format!("{demo}/store");
    let site = format!("{demo}/site.toml");
    let mut s = json(&["survey", &store, "--site", &site, "--json"]);
    // What only a store can tell stands beside the survey of its records.
    let unplaced = s.as_object_mut().unwrap().remove("unplaced_records");
    assert_eq!(unplaced, Some(0.into()));
    let chain = s.as_object_mut().unwrap().remove("chain").unwrap();
    assert_eq!((&chain["whole"], &chain["records"]), (&true.into(), &180.into()));
    let drift = s.as_object_mut().unwrap().remove("clock_drift");
    assert_eq!(drift, Some(Value::Null), "one pull tells no drift");
    assert_eq!(s, d["survey"], "the same store, the same survey");
    let text = std::fs::read_to_string(format!("{demo}/survey.txt")).unwrap();
    assert!(text.lines().all(|l| l.chars().count() <= 80), "wider than 80 columns");
    assert!(text.contains("Brackwater Joinery"));

    // A second demo may use its own folder again, but nobody else's.
    json(&["demo", "--hours", "1", "--folder", &demo, "--json"]);
    let other = path(folder.path(), "other");
    std::fs::create_dir(&other).unwrap();
    std::fs::write(format!("{other}/letter.txt"), "mine").unwrap();
    let refused = run(&["demo", "--hours", "1", "--folder", &other]);
    assert_eq!(refused.status.code(), Some(2));
    assert!(refused.stdout.is_empty());
    assert!(Path::new(&format!("{other}/letter.txt")).exists());
}

#[test]
fn a_served_node_is_asked_pulled_and_exported() {
    let folder = tempfile::tempdir().unwrap();
    let node = Served::new(&["--fast", "--hours", "2"]);
    let who = json(&["node", &node.address, "--json"]);
    assert_eq!(who["log"]["next_seq"], 120);
    assert_eq!(who["settings"]["wiring"], "four-wire");
    assert!(who["now"]["phases"][0]["v_rms_v"].as_f64().unwrap() > 200.0);

    let store = path(folder.path(), "store");
    let first = json(&["pull", &node.address, &store, "--json"]);
    assert_eq!(first["new_records"], 120);
    let again = json(&["pull", &node.address, &store, "--json"]);
    assert_eq!((&again["new_records"], &again["already_stored"]), (&0.into(), &120.into()));

    let csv = path(folder.path(), "log.csv");
    json(&["export", &store, "--csv", &csv, "--json"]);
    let text = std::fs::read_to_string(&csv).unwrap();
    let mut lines = text.lines();
    let header: Vec<&str> = lines.next().unwrap().split(',').collect();
    let rows: Vec<Vec<&str>> = lines.map(|l| l.split(',').collect()).collect();
    assert_eq!(rows.len(), 120);
    assert!(rows.iter().all(|r| r.len() == header.len()));
    let column = |name: &str| header.iter().position(|h| *h == name).expect(name);
    let seq: Vec<&str> = rows.iter().map(|r| r[column("seq")]).collect();
    assert_eq!((seq[0], seq[119]), ("0", "119"));
    let parquet = path(folder.path(), "log.parquet");
    json(&["export", &store, "--parquet", &parquet, "--json"]);
    let bytes = std::fs::read(&parquet).unwrap();
    assert_eq!((&bytes[..4], &bytes[bytes.len() - 4..]), (&b"PAR1"[..], &b"PAR1"[..]));

    // Python's own SQLite opens the catalogue and finds the node.
    let script = "import sqlite3, sys\n\
                  db = sqlite3.connect(f'file:{sys.argv[1]}/catalogue.sqlite?mode=ro', uri=True)\n\
                  print(db.execute('select node_id, next_seq from nodes').fetchone())";
    let python = std::process::Command::new("python3").args(["-c", script, &store]).output();
    let said = String::from_utf8(python.expect("python3").stdout).unwrap();
    assert_eq!(said.trim(), format!("('{}', 120)", who["node_id"].as_str().unwrap()));
}

#[test]
fn what_is_not_there_is_named_and_leaves_nothing_behind() {
    let folder = tempfile::tempdir().unwrap();
    let store = path(folder.path(), "store");
    let cases: [(&[&str], &str); 6] = [
        (&["pull", "tcp:127.0.0.1:1", &store], "tcp:127.0.0.1:1"),
        (&["node", "serial:/dev/no-such-port"], "/dev/no-such-port"),
        (&["node", "usb:7"], "usb:7"),
        (&["survey", &store], "store"),
        (&["export", &store, "--csv", "-"], "store"),
        (&["bench", "no-such-scenario.toml", "--fast"], "no-such-scenario.toml"),
    ];
    for (args, named) in cases {
        let out = run(args);
        let error = String::from_utf8(out.stderr).unwrap();
        assert_eq!(out.status.code(), Some(2), "{args:?}");
        assert!(out.stdout.is_empty(), "{args:?}");
        assert!(error.contains(named), "{args:?}: {error}");
    }
    assert!(!Path::new(&store).exists());
}
