//! `wattless hookup` from the outside: files, a served bench node, exit codes, JSON.
//!
//! The waveforms are Brackwater Joinery's feeder "Sawmill main" in closed form:
//! 230 V, 100 A on every phase.

use serde_json::Value;
use std::f64::consts::{SQRT_2, TAU};
use std::path::{Path, PathBuf};
use std::process::Output;
use wattless_tests::program::{self, Served};

/// Clamps as they sit: line from 0, and 1 or −1 for the way they face.
type Clamps = [(usize, f64); 3];

/// Lead, action and place of a move.
type Moves = &'static [(&'static str, &'static str, &'static str)];

const RIGHT: Clamps = [(0, 1.0), (1, 1.0), (2, 1.0)];

fn put(folder: &Path, name: &str, phi_deg: f64, clamps: Clamps) -> PathBuf {
    let mut text = String::from("t_s,v1_v,v2_v,v3_v,i1_a,i2_a,i3_a\n");
    let angle = |line: usize| -TAU / 3.0 * line as f64;
    for k in 0..5000 {
        let t = f64::from(k) / 5000.0;
        let turn = TAU * 50.0 * t + 0.7;
        text += &format!("{t:.6}");
        for line in 0..3 {
            text += &format!(",{:.4}", 230.0 * SQRT_2 * libm::cos(turn + angle(line)));
        }
        for (line, sign) in clamps {
            let i = 100.0 * SQRT_2 * libm::cos(turn + angle(line) - phi_deg.to_radians());
            text += &format!(",{:.4}", sign * i);
        }
        text.push('\n');
    }
    let path = folder.join(name);
    std::fs::write(&path, text).unwrap();
    path
}

fn hookup(args: &[&str]) -> Output {
    program::command().arg("hookup").args(args).output().unwrap()
}

fn json(args: &[&str]) -> (Value, i32) {
    let out = hookup(&[args, &["--json"]].concat());
    let object = serde_json::from_slice(&out.stdout)
        .unwrap_or_else(|e| panic!("{e}: {}", String::from_utf8_lossy(&out.stderr)));
    (object, out.status.code().unwrap())
}

#[test]
fn a_right_connection_exits_with_0() {
    let folder = tempfile::tempdir().unwrap();
    let file = put(folder.path(), "sawmill.csv", 40.0, RIGHT);
    let (answer, code) = json(&[file.to_str().unwrap()]);
    assert_eq!((answer["verdict"].as_str(), code), (Some("right"), 0));
    assert_eq!(answer["moves"], serde_json::json!([]));
    for lead in ["v1", "v2", "v3", "i1", "i2", "i3"] {
        let place = &answer["connected"][lead];
        assert_eq!(place["reversed"], false);
        assert_eq!(place["phase"].as_str().unwrap(), format!("L{}", &lead[1..]));
    }
    let p = answer["readings_now"]["total"]["p1_w"].as_f64().unwrap();
    assert!((p - 3.0 * 23_000.0 * libm::cos(40f64.to_radians())).abs() < 5.0, "{p}");
}

#[test]
fn mistakes_exit_with_1_and_name_the_moves() {
    let folder = tempfile::tempdir().unwrap();
    let cases: [(&str, Clamps, Moves); 4] = [
        ("turned", [(0, 1.0), (1, -1.0), (2, 1.0)], &[("i2", "turn", "L2")]),
        (
            "exchanged",
            [(0, 1.0), (2, 1.0), (1, 1.0)],
            &[("i2", "move", "L2"), ("i3", "move", "L3")],
        ),
        (
            "both",
            [(0, -1.0), (2, 1.0), (1, 1.0)],
            &[("i1", "turn", "L1"), ("i2", "move", "L2"), ("i3", "move", "L3")],
        ),
        (
            "all turned",
            [(0, -1.0), (1, -1.0), (2, -1.0)],
            &[("i1", "turn", "L1"), ("i2", "turn", "L2"), ("i3", "turn", "L3")],
        ),
    ];
    for (name, clamps, want) in cases {
        let file = put(folder.path(), &format!("{name}.csv"), 40.0, clamps);
        let (answer, code) = json(&[file.to_str().unwrap()]);
        assert_eq!((answer["verdict"].as_str(), code), (Some("wrong"), 1), "{name}");
        let got: Vec<_> = answer["moves"].as_array().unwrap().iter().collect();
        let got: Vec<_> = got
            .iter()
            .map(|m| ["lead", "action", "to"].map(|key| m[key].as_str().unwrap()))
            .map(|[lead, action, to]| (lead, action, to))
            .collect();
        assert_eq!(got, want, "{name}");
        for (k, (line, sign)) in clamps.into_iter().enumerate() {
            let place = &answer["connected"][format!("i{}", k + 1)];
            assert_eq!(place["phase"].as_str().unwrap(), format!("L{}", line + 1));
            assert_eq!(place["reversed"].as_bool().unwrap(), sign < 0.0);
        }
        let after = &answer["readings_after"]["total"];
        assert!((after["phi1_deg"].as_f64().unwrap() - 40.0).abs() < 0.05);
        assert!(!answer["cautions"].as_array().unwrap().is_empty());
        assert!(!answer["why"].as_array().unwrap().is_empty());
    }
}

#[test]
fn look_alikes_are_doubtful_until_more_is_known() {
    let folder = tempfile::tempdir().unwrap();
    // A motor at 40° with its clamps shifted by one line, and a capacitor bank, read −80°.
    let shifted = put(folder.path(), "shifted.csv", 40.0, [(2, 1.0), (0, 1.0), (1, 1.0)]);
    let shifted = shifted.to_str().unwrap();
    let (answer, code) = json(&[shifted]);
    let told = json(&[shifted, "--load", "motor"]);
    let phi = answer["readings_now"]["total"]["phi1_deg"].as_f64().unwrap();
    assert!((phi + 80.0).abs() < 0.05);
    assert_eq!((answer["verdict"].as_str(), code), (Some("doubtful"), 1));
    assert_eq!((told.0["verdict"].as_str(), told.1), (Some("wrong"), 1));
    let alternatives = answer["alternatives"].as_array().unwrap();
    assert!(!alternatives.is_empty());
    assert!(!answer["checks"].as_array().unwrap().is_empty());

    // A third of rated current at 20°: no motor does that by itself.
    let twenty = put(folder.path(), "twenty.csv", 20.0, RIGHT);
    let twenty = twenty.to_str().unwrap();
    let plate = ["--nameplate-a", "300", "--nameplate-pf", "0.88"];
    let (answer, code) = json(&[&[twenty][..], &plate].concat());
    assert_eq!((answer["verdict"].as_str(), code), (Some("doubtful"), 1));
    assert_eq!(json(&[twenty, "--nameplate-a", "110"]).1, 0);
    assert_eq!(json(&[&[twenty, "--load", "corrected"][..], &plate].concat()).1, 0);
}

#[test]
fn people_read_cautions_before_moves_within_80_columns() {
    let folder = tempfile::tempdir().unwrap();
    let file = put(folder.path(), "turned.csv", 40.0, [(0, -1.0), (1, 1.0), (2, 1.0)]);
    let out = hookup(&[file.to_str().unwrap()]);
    let text = String::from_utf8(out.stdout).unwrap();
    assert_eq!(out.status.code(), Some(1));
    assert!(text.starts_with("WRONG: one thing to move"), "{text}");
    let caution = text.find("Never open the secondary").unwrap();
    assert!(caution < text.find("Turn the clamp of i1 round").unwrap());
    let within = |line: &&str| line.chars().count() > 80 && !line.contains(".csv");
    assert_eq!(text.lines().find(within), None);
    assert!(!text.contains('\u{1b}'), "no escapes into a pipe");
}

/// A coil's output is 90° ahead of its current: the file is read as `measure` reads it.
#[test]
fn bare_coils_are_read_as_such() {
    let folder = tempfile::tempdir().unwrap();
    // As written: 40° behind, less the coil's 90°.
    let file = put(folder.path(), "coil.csv", 40.0 - 90.0, RIGHT);
    let file = file.to_str().unwrap();
    let (answer, code) = json(&[file, "--rogowski", "50"]);
    assert_eq!((answer["verdict"].as_str(), code), (Some("right"), 0), "{answer:#}");
    let p = answer["readings_now"]["total"]["p1_w"].as_f64().unwrap();
    assert!((p - 3.0 * 23_000.0 * libm::cos(40f64.to_radians())).abs() < 30.0, "{p}");
    assert_ne!(json(&[file]).1, 0);
}

#[test]
fn what_cannot_be_done_exits_with_2_and_one_error() {
    let folder = tempfile::tempdir().unwrap();
    let file = put(folder.path(), "sawmill.csv", 40.0, RIGHT);
    let file = file.to_str().unwrap();
    for (args, says) in [
        (vec!["nowhere.csv"], "nowhere.csv"),
        (vec!["tcp:nowhere"], "tcp:HOST:PORT"),
        (vec![file, "--nameplate-pf", "0.9"], "--nameplate-a"),
        (vec![file, "--nameplate-a", "0"], "above 0"),
        (vec![file, "--load", "pump"], "known kinds of load"),
        (vec![file, "--wiring", "three-wire-line", "--then-after", "2"], "--then-after is for"),
        (vec!["tcp:127.0.0.1:1", "--factor", "i=200"], "--factor is for files"),
        (vec!["tcp:127.0.0.1:1", "--rogowski", "50"], "--rogowski is for files"),
    ] {
        let out = hookup(&args);
        assert_eq!(out.status.code(), Some(2), "{args:?}");
        assert!(out.stdout.is_empty(), "{args:?}");
        let error = String::from_utf8(out.stderr).unwrap();
        assert!(error.contains(says), "{args:?}: {error}");
    }
}

/// A served bench node with leads in other places.
fn served(name: &str, folder: &Path, leads: &str) -> Served {
    served_with(name, folder, leads, "")
}

/// The same with what a sensor does wrong.
fn served_with(name: &str, folder: &Path, leads: &str, errors: &str) -> Served {
    let scenario = folder.join(name);
    let made = program::command().args(["bench", "--write-scenario"]).arg(&scenario).output();
    assert!(made.unwrap().status.success());
    let text = std::fs::read_to_string(&scenario).unwrap();
    let text = text.replacen(
        "[node.errors]",
        &format!("[node.leads]\n{leads}\n[node.errors]\n{errors}"),
        1,
    );
    std::fs::write(&scenario, text).unwrap();
    // A Tuesday at ten, in the middle of the early shift.
    Served::new(&[scenario.as_os_str(), "--at".as_ref(), "2026-03-03T10:00".as_ref()])
}

/// The picture of a live node, once it has its first reading.
fn live(address: &str, more: &[&str]) -> (Value, i32) {
    for _ in 0..100 {
        let args = [&["hookup", address, "--json"][..], more].concat();
        let out = program::command().args(&args).output().unwrap();
        if let Ok(answer) = serde_json::from_slice(&out.stdout) {
            return (answer, out.status.code().unwrap());
        }
        let error = String::from_utf8_lossy(&out.stderr).into_owned();
        assert!(error.contains("no reading yet"), "{error}");
        std::thread::sleep(std::time::Duration::from_millis(100));
    }
    panic!("no reading from the bench node");
}

#[test]
fn a_live_node_is_checked() {
    let folder = tempfile::tempdir().unwrap();
    let node = served("right.toml", folder.path(), "");
    let (answer, code) = live(&node.address, &[]);
    assert_eq!((answer["verdict"].as_str(), code), (Some("right"), 0), "{answer:#}");
    drop(node);
    let node = served("wrong.toml", folder.path(), "i1 = \"l2\"\ni2 = \"-l1\"");
    let (answer, code) = live(&node.address, &["--then-after", "1"]);
    assert_eq!((answer["verdict"].as_str(), code), (Some("wrong"), 1));
    let place = |lead: &str| {
        let p = &answer["connected"][lead];
        (p["phase"].as_str().unwrap().to_owned(), p["reversed"].as_bool().unwrap())
    };
    assert_eq!(place("i1"), ("L2".into(), false));
    assert_eq!(place("i2"), ("L1".into(), true));
    assert_eq!(place("i3"), ("L3".into(), false));
    assert_eq!(answer["moves"].as_array().unwrap().len(), 2);
}

/// DC goes through the phasors unseen; it is taken from the node's capture of waveforms.
#[test]
fn dc_at_a_live_node_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let node = served("dc.toml", folder.path(), "");
    let (answer, _) = live(&node.address, &[]);
    let codes = |answer: &Value| -> Vec<(String, String)> {
        let why = answer["why"].as_array().unwrap();
        let text = |w: &Value, key: &str| w[key].as_str().unwrap().to_owned();
        why.iter().map(|w| (text(w, "code"), text(w, "text"))).collect()
    };
    assert!(codes(&answer).iter().all(|(code, _)| code != "dc_offset"), "{answer:#}");
    drop(node);
    // The second voltage's zero is off by 5 % of what it reads: 231 V where 490 V are the end.
    let off = (0.05 * 231.0 / 490.0 * f64::from(wattless_core::frame::COUNT_MAX)) as i32;
    let node =
        served_with("off.toml", folder.path(), "", &format!("v2 = {{ offset_counts = {off} }}"));
    let (answer, _) = live(&node.address, &[]);
    let told = codes(&answer);
    let dc: Vec<_> = told.iter().filter(|(code, _)| code == "dc_offset").collect();
    assert!(dc.len() == 1 && dc[0].1.contains("v2") && dc[0].1.contains("5"), "{told:?}");
}
