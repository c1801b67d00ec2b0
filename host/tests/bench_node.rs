//! The simulated node: its log against the feeder's truth, its flash, its serving, the verb.

mod bench_support;

use bench_support::{MOTOR, RECTIFIER, head, setup};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};
use wattless::bench::flash::RamFlash;
use wattless::bench::port::{Listener, ServeAddress};
use wattless::bench::scenario::SAWMILL;
use wattless::bench::serve::{ServeEvent, Server};
use wattless::bench::{Scenario, Setup};
use wattless_core::flags::Flags;
use wattless_core::interval::ENERGY_PER_WH;
use wattless_core::record::{PAGE, Page, Record, WallQuality};
use wattless_core::wire::{
    FrameKind, FrameReader, Reply, Request, STREAM_MAX, encode_frame, open_frame, read_body,
};
use wattless_node::node::Node;
use wattless_node::ring::Slot;

const HOUR_MS: i64 = 3_600_000;
const FLASH: usize = 1 << 20;

fn records(node: &mut Node<RamFlash>) -> Vec<Record> {
    let bounds = node.keeper().bounds();
    (bounds.oldest..bounds.next)
        .filter_map(|seq| match node.keeper().read(seq) {
            Ok(Slot::Page(page)) => Some(Record::decode(&page).expect("sound")),
            _ => None,
        })
        .collect()
}

/// A working hour of the example without noise and sensor errors.
fn clean_sawmill() -> Setup {
    let text = SAWMILL.replace("noise_uv = 7.6", "noise_uv = 0.0");
    let (before, rest) = text.split_once("[node.errors]").expect("the example has errors");
    let (_, after) = rest.split_once("# [node.leads]").expect("and leads after them");
    let scenario = Scenario::parse(&format!("{before}{after}"), "clean.toml").expect("sound");
    Setup::starting_at(scenario, "2026-03-02T08:00".parse().expect("a time")).expect("in the span")
}

/// Every minute that the node logs is what the feeder did in it, within 0.01 % of apparent power,
/// through all switching; so are the hour's energies.
#[test]
fn the_log_is_what_the_feeder_did() {
    let s = clean_sawmill();
    let mut node = s.start_node(RamFlash::new(FLASH)).unwrap();
    let report = s.run_fast(&mut node, s.from_ms + HOUR_MS, &mut |_| ());
    assert_eq!(report.frames, 28_800_000);
    assert_eq!(report.write_failures, 0);
    let records = records(&mut node);
    assert_eq!(records.len(), 60);
    let start_ms = s.feeder.start_unix_ms();
    for r in &records {
        assert_eq!(r.wall_quality, WallQuality::Host);
        let to_s = (r.wall_ms as i64 - start_ms) as f64 * 1e-3;
        let t = s.feeder.truth(to_s - r.duration_s(), to_s);
        let s_va: f64 = t.s_va.iter().sum();
        for k in 0..3 {
            let p = &r.phases[k];
            let off = |got: f32, want: f64, of: f64| (f64::from(got) - want).abs() / of;
            assert!(off(p.v_rms_v, t.v_rms_v[k], t.v_rms_v[k]) < 1e-4, "V, {}", r.seq);
            assert!(off(p.i_rms_a, t.i_rms_a[k], t.i_rms_a[k]) < 1e-4, "I, {}", r.seq);
            assert!(off(p.p_w, t.p_w[k], s_va / 3.0) < 1e-4, "P, {}", r.seq);
            assert!(off(p.q1_var, t.q1_var[k], s_va / 3.0) < 1e-4, "Q1, {}", r.seq);
        }
        assert!((r.p_w() - t.total_p_w()).abs() / s_va < 1e-4, "P, {}", r.seq);
        let f = r.frequency_hz().expect("a supply");
        assert!((f - t.frequency_hz).abs() < 5e-3, "{f} {}", t.frequency_hz);
    }
    let last = records.last().unwrap();
    let from_s = s.from_ms as f64 * 1e-3;
    let t = s.feeder.truth(from_s, (last.wall_ms as i64 - start_ms) as f64 * 1e-3);
    let counts = last.energy_counts.map(|c| c as f64 / ENERGY_PER_WH);
    for (got, want) in [(counts[0], t.wh[0]), (counts[2], t.varh[0]), (counts[6], t.vah())] {
        assert!((got / want - 1.0).abs() < 1e-4, "{got} {want}");
    }
    assert_eq!(counts[1], 0.0);
}

/// With the flash kept, a second start goes on: next boot, next number, energies add up.
#[test]
fn a_kept_flash_goes_on_where_it_was() {
    let s = setup(&format!("{}{MOTOR}{RECTIFIER}", head("four-wire", "")));
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("node.flash");
    let mut wh = 0.0;
    for (boot, from_minute) in [(1, 0), (2, 10)] {
        let flash = RamFlash::on_file(&path, FLASH).unwrap();
        let mut s = s.clone();
        s.from_ms = from_minute * 60_000;
        let mut node = s.start_node(flash).unwrap();
        s.run_fast(&mut node, s.from_ms + 600_000, &mut |_| ());
        let records = records(&mut node);
        assert_eq!(records.len(), 10 * boot as usize);
        // A start goes on in a fresh sector and says how many numbers it left out.
        let gaps = records.iter().map(|r| u32::from(r.void_before)).sum::<u32>();
        let last = records.last().unwrap();
        assert_eq!(last.seq + 1, 10 * boot + gaps);
        assert_eq!(last.boot, boot);
        let now = last.energy_counts[0] as f64 / ENERGY_PER_WH;
        let t = s.feeder.truth(0.0, 600.0);
        assert!(((now - wh) / t.wh[0] - 1.0).abs() < 1e-3, "{now} {wh}");
        wh = now;
    }
}

#[test]
fn a_node_without_a_clock_logs_without_wall_time() {
    for (clock, quality) in
        [("none", WallQuality::None), ("battery", WallQuality::Clock), ("host", WallQuality::Host)]
    {
        let node = format!("[node]\nwall_clock = \"{clock}\"\ninterval_s = 10\n");
        let s = setup(&format!("{}{node}{MOTOR}", head("four-wire", "")));
        let mut node = s.start_node(RamFlash::new(FLASH)).unwrap();
        s.run_fast(&mut node, 30_000, &mut |_| ());
        let r = records(&mut node)[1];
        assert_eq!((r.wall_quality, r.wall_ms > 0), (quality, clock != "none"));
        assert!(!r.flags.contains(Flags::UNCALIBRATED));
    }
}

/// A client of its own, made of the protocol's parts only.
struct Client<S> {
    stream: S,
    reader: FrameReader,
    number: u16,
}

impl<S: Read + Write> Client<S> {
    fn new(stream: S) -> Self {
        Client { stream, reader: FrameReader::default(), number: 0 }
    }

    fn ask(&mut self, request: &Request) -> Reply {
        self.number += 1;
        let mut out = [0; STREAM_MAX];
        let bytes = encode_frame(FrameKind::Request, self.number, request, &mut out).unwrap();
        self.stream.write_all(&[0]).unwrap();
        self.stream.write_all(bytes).unwrap();
        let deadline = Instant::now() + Duration::from_secs(20);
        let mut chunk = [0; 512];
        while Instant::now() < deadline {
            let n = match self.stream.read(&mut chunk) {
                Ok(n) => n,
                Err(e) if e.kind() == std::io::ErrorKind::TimedOut => 0,
                Err(e) => panic!("{e}"),
            };
            for &byte in &chunk[..n] {
                let Some(frame) = self.reader.push(byte) else { continue };
                let (header, body) = open_frame(frame.unwrap()).unwrap();
                if header.number == self.number {
                    assert_eq!(header.kind, FrameKind::Reply, "refused");
                    return read_body(&header, body).unwrap();
                }
            }
        }
        panic!("no answer to {request:?}");
    }
}

/// Runs a served node beside a closure that gets its address; returns what happened.
fn served(s: &Setup, at: &str, live: bool, client: impl FnOnce(&str)) -> Vec<ServeEvent> {
    let mut node = s.start_node(RamFlash::new(FLASH)).unwrap();
    if !live {
        s.run_fast(&mut node, 600_000, &mut |_| ());
    }
    let listener = Listener::open(&at.parse::<ServeAddress>().unwrap()).unwrap();
    let address = listener.address().to_owned();
    let stop = AtomicBool::new(false);
    let mut events = Vec::new();
    std::thread::scope(|scope| {
        let (node, events, stop_ref) = (&mut node, &mut events, &stop);
        scope.spawn(move || {
            let mut server = Server::new(node, listener);
            let mut tell = |e| events.push(e);
            if live {
                server.serve_live(s, 5.0, stop_ref, &mut tell);
            } else {
                server.serve(stop_ref, &mut tell);
            }
        });
        // The server must end even when the client's checks fail.
        let result = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| client(&address)));
        stop.store(true, Ordering::Relaxed);
        if let Err(e) = result {
            std::panic::resume_unwind(e);
        }
    });
    events
}

fn connect(address: &str) -> Client<TcpStream> {
    let stream = TcpStream::connect(address.strip_prefix("tcp:").unwrap()).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(20))).unwrap();
    Client::new(stream)
}

fn first_records(reply: &Reply) -> Vec<Record> {
    let Reply::Log(slice) = reply else { panic!("{reply:?}") };
    let pages: Vec<Page> =
        slice.pages.chunks(PAGE).map(|p| p.try_into().expect("whole pages")).collect();
    pages.iter().map(|p| Record::decode(p).unwrap()).collect()
}

#[test]
fn clients_come_in_turn_and_together_and_may_break_off() {
    let s = setup(&format!("{}{MOTOR}", head("four-wire", "")));
    let events = served(&s, "tcp:127.0.0.1:0", false, |address| {
        let mut first = connect(address);
        let Reply::Identity(id) = first.ask(&Request::Identify) else { panic!() };
        assert_eq!((id.hardware.as_str(), id.node_id), ("bench", 0xB0A7));
        let Reply::LogBounds(bounds) = first.ask(&Request::LogBounds) else { panic!() };
        assert_eq!((bounds.oldest, bounds.next), (0, 10));
        // Another breaks off in the middle of a request, a third beside the first.
        connect(address).stream.write_all(&[7, 1, 2]).unwrap();
        let mut third = connect(address);
        let log = third.ask(&Request::ReadLog { from: 0, count: 3 });
        assert_eq!(first_records(&log).len(), 3);
        assert_eq!(first.ask(&Request::ReadLog { from: 0, count: 3 }), log);
        drop(first);
        let Reply::Settings(settings) = third.ask(&Request::ReadSettings) else { panic!() };
        assert_eq!(settings.feeder.as_str(), "Sawmill main");
    });
    assert!(events.contains(&ServeEvent::Came(1)), "{events:?}");
    assert!(events.iter().any(|e| matches!(e, ServeEvent::Left(_))), "{events:?}");
}

#[test]
fn a_live_node_reads_the_feeder_as_time_passes() {
    let s = setup(&format!("{}{MOTOR}", head("four-wire", "")));
    served(&s, "tcp:127.0.0.1:0", true, |address| {
        let mut client = connect(address);
        let deadline = Instant::now() + Duration::from_secs(30);
        let mut uptimes = Vec::new();
        while uptimes.len() < 3 && Instant::now() < deadline {
            std::thread::sleep(Duration::from_millis(300));
            let Reply::Status(status) = client.ask(&Request::Status) else { panic!() };
            if status.windows == 0 {
                continue;
            }
            let Reply::Live(live) = client.ask(&Request::Live) else { panic!() };
            let p: f32 = live.phases.iter().map(|p| p.p_w).sum();
            let truth = s.feeder.truth(0.0, 1.0).total_p_w();
            assert!((f64::from(p) / truth - 1.0).abs() < 1e-3, "{p} {truth}");
            uptimes.push(live.uptime_ms);
        }
        assert!(uptimes.windows(2).all(|w| w[0] < w[1]) && uptimes.len() == 3, "{uptimes:?}");
    });
}

#[cfg(unix)]
#[test]
fn a_pseudo_terminal_serves_one_client_after_another() {
    let s = setup(&format!("{}{MOTOR}", head("four-wire", "")));
    served(&s, "pty", false, |address| {
        let path = address.strip_prefix("serial:").unwrap();
        for _ in 0..2 {
            let tty =
                serialport::new(path, 115_200).timeout(Duration::from_millis(500)).open().unwrap();
            let mut client = Client::new(tty);
            let log = client.ask(&Request::ReadLog { from: 2, count: 7 });
            assert_eq!(first_records(&log).len(), 7);
        }
    });
}

#[test]
fn a_scenario_of_other_weeks_runs_today() {
    let scenario = Scenario::sawmill().unwrap();
    for now in ["2026-03-01T23:59:59Z", "2026-07-23T10:00:00Z", "2031-01-01T05:00:00Z"] {
        let now = now.parse().unwrap();
        let s = Setup::starting_now(&scenario, now).unwrap();
        assert_eq!(s.unix_ms(s.from_ms) as i64, now.as_millisecond());
        assert_eq!(s.scenario.span.start.date().weekday(), jiff::civil::Weekday::Monday);
    }
    let error = Setup::starting_at(scenario, "2027-01-01T00:00".parse().unwrap()).unwrap_err();
    assert!(error.to_string().contains("2026-03-02"), "{error}");
}

fn wattless(args: &[&str]) -> Command {
    let mut c = Command::new(env!("CARGO_BIN_EXE_wattless"));
    c.arg("bench").args(args).stdin(Stdio::null());
    c
}

#[test]
fn the_verb_runs_writes_and_refuses() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("mill.toml");
    let file = file.to_str().unwrap();
    assert!(wattless(&["--write-scenario", file]).output().unwrap().status.success());
    assert_eq!(std::fs::read_to_string(file).unwrap(), SAWMILL);
    let again = wattless(&["--write-scenario", file]).output().unwrap();
    assert_eq!(again.status.code(), Some(2), "an edited file is not overwritten");

    let run = wattless(&[file, "--fast", "--hours", "1", "--json"]).output().unwrap();
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    let json: serde_json::Value = serde_json::from_slice(&run.stdout).unwrap();
    assert_eq!(json["fast_run"]["frames"], 28_800_000);
    assert_eq!(json["fast_run"]["log_next_seq"], 60);
    let pf = json["truth"]["average_pf"].as_f64().unwrap();
    assert!((0.85..0.97).contains(&pf), "an hour of the night: {pf}");
    let text = wattless(&["--fast", "--hours", "1"]).output().unwrap().stdout;
    let text = String::from_utf8(text).unwrap();
    assert!(text.contains("Brackwater Joinery") && text.contains("60 records"), "{text}");
    assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");

    std::fs::write(file, SAWMILL.replace("kva = 630.0", "kva = -630.0")).unwrap();
    for args in [vec![file, "--fast"], vec!["no.toml", "--fast"], vec![]] {
        let out = wattless(&args).output().unwrap();
        assert_eq!((out.status.code(), out.stdout.len()), (Some(2), 0), "{args:?}");
        let error = String::from_utf8(out.stderr).unwrap();
        assert_eq!(error.lines().count(), 1, "{error}");
    }
}

#[test]
fn the_verb_serves_until_it_is_ended() {
    let mut child = wattless(&["--serve", "tcp:127.0.0.1:0", "--at", "2026-03-03T10:00", "--json"])
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut line = String::new();
    BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
    let json: serde_json::Value = serde_json::from_str(&line).unwrap();
    let mut client = connect(json["address"].as_str().unwrap());
    let Reply::Status(status) = client.ask(&Request::Status) else { panic!() };
    // 10:00 in Copenhagen in March is 09:00 UTC.
    let start: jiff::Timestamp = "2026-03-03T09:00:00Z".parse().unwrap();
    let since = status.wall_ms.unwrap() as i64 - start.as_millisecond();
    assert!((0..60_000).contains(&since), "{since}");
    child.kill().unwrap();
    child.wait().unwrap();
}
