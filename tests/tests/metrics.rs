//! The counters of a watch, read by a parser of others: prometheus_client, fetched by pip.

use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};
use wattless_tests::program::Served;
use wattless_tests::watching::{Watching, found, get};

/// Python with prometheus_client, in an environment of its own under the target folder.
fn python() -> String {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).with_file_name("metrics-python");
    let python = folder.join("bin/python");
    let has = |python: &Path| {
        let ask = ["-c", "import prometheus_client.openmetrics.parser"];
        Command::new(python).args(ask).stderr(Stdio::null()).status().is_ok_and(|s| s.success())
    };
    if !has(&python) {
        let made = Command::new("python3").args(["-m", "venv"]).arg(&folder).status();
        assert!(made.is_ok_and(|s| s.success()), "python3 cannot make an environment");
        let pip =
            ["-m", "pip", "install", "--quiet", "--disable-pip-version-check", "prometheus_client"];
        let installed = Command::new(&python).args(pip).status();
        assert!(installed.is_ok_and(|s| s.success()), "pip cannot install prometheus_client");
    }
    python.display().to_string()
}

#[test]
fn another_parser_reads_the_metrics_and_their_names_follow_the_rules() {
    let folder = tempfile::tempdir().unwrap();
    let file = |name: &str, text: &str| {
        let path = folder.path().join(name);
        std::fs::write(&path, text).unwrap();
        path
    };
    let scenario = wattless::bench::scenario::SAWMILL
        .replace("sample_rate_hz = 8000.0", "sample_rate_hz = 2000.0")
        .replace("interval_s = 60", "interval_s = 1");
    let node = Served::new(&[file("scenario.toml", &scenario)]);
    // An alarm that stands from the first record on.
    let site = file("site.toml", "[watch.alarms]\nrated_a = 1\nhold_s = 1\n");
    let mut watched = Watching::with_page(&folder.path().join("store"), &node.address, &site);
    let page = watched.page();
    let text = found("records and readings have come", || {
        let text = get(&page, "/metrics");
        let all = ["wattless_voltage_distortion_ratio{", "wattless_active_power_watts{", "kind="];
        all.iter().all(|part| text.contains(part)).then_some(text)
    });
    let check = Path::new(env!("CARGO_MANIFEST_DIR")).join("metrics_check.py");
    let mut child = Command::new(python())
        .arg(check)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    child.stdin.take().unwrap().write_all(text.as_bytes()).unwrap();
    let out = child.wait_with_output().unwrap();
    assert!(out.status.success(), "{}\n{text}", String::from_utf8_lossy(&out.stdout));
    assert!(text.contains("kind=\"overload\""), "{text}");
}
