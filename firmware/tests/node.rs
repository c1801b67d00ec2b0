//! The node as the laptop sees it: frames in, answers over a stream of bytes.

mod support;

use support::flash::MockFlash;
use support::{HARDWARE, frames, settings};
use wattless_core::flags::Flags;
use wattless_core::frame::Frame;
use wattless_core::record::{PAGE, Record, WallQuality};
use wattless_core::wire::{
    FrameKind, FrameReader, PROTOCOL_VERSION, Refusal, Reply, Request, STREAM_MAX, encode_frame,
    open_frame, read_body,
};
use wattless_node::link::LinkServer;
use wattless_node::node::Node;

type TestNode = Node<MockFlash>;

fn start(interval_s: u16) -> TestNode {
    let mut node = Node::start(MockFlash::new(16, 1), HARDWARE, None).unwrap();
    node.answer(Request::WriteSettings(settings(interval_s))).unwrap();
    node
}

/// Runs whole windows; a window ends once three frames of the next one are there.
fn run(node: &mut TestNode, windows: usize) {
    let frames = frames();
    for _ in 0..windows {
        node.push_frames(&frames);
        while node.service(node.uptime_ms()) <= node.uptime_ms() {}
    }
}

fn records(node: &mut TestNode) -> Vec<Record> {
    let Reply::LogBounds(b) = node.answer(Request::LogBounds).unwrap() else { panic!() };
    let (mut seq, mut out) = (b.oldest, Vec::new());
    while seq < b.next {
        let Reply::Log(slice) = node.answer(Request::ReadLog { from: seq, count: 100 }).unwrap()
        else {
            panic!()
        };
        assert_eq!(slice.from, seq);
        assert!(slice.covered > 0);
        for page in slice.pages.chunks(PAGE) {
            out.push(Record::decode(page.try_into().unwrap()).unwrap());
        }
        seq += u32::from(slice.covered);
    }
    out
}

/// Asks over bytes, as a laptop does.
fn ask(server: &mut LinkServer, node: &mut TestNode, bytes: &[u8]) -> Vec<Vec<u8>> {
    bytes.iter().filter_map(|&b| server.receive(node, b).map(<[u8]>::to_vec)).collect()
}

fn request(number: u16, request: &Request) -> Vec<u8> {
    let mut out = [0; STREAM_MAX];
    encode_frame(FrameKind::Request, number, request, &mut out).unwrap().to_vec()
}

#[test]
fn an_hour_of_a_steady_load_is_logged_as_it_was() {
    let mut node = start(60);
    run(&mut node, 18_001);
    let records = records(&mut node);
    assert_eq!(records.len(), 60);
    for (k, r) in records.iter().enumerate() {
        assert_eq!(r.seq as usize, k);
        assert_eq!((r.boot, r.windows, r.duration_us), (1, 300, 60_000_000));
        assert_eq!(r.uptime_ms, 60_000 * (k as u64 + 1));
        assert_eq!((r.wall_ms, r.wall_quality), (0, WallQuality::None));
        assert_eq!(r.frequency_10uhz, 5_000_000);
        for p in &r.phases {
            // 325.27 V and 70.71 A peak, 60° apart.
            assert!((p.v_rms_v - 230.0).abs() < 0.01, "{}", p.v_rms_v);
            assert!((p.i_rms_a - 50.0).abs() < 0.01);
            assert!((p.p_w - 5750.0).abs() < 1.0);
            assert!((p.q1_var - 9959.3).abs() < 1.0);
        }
        let wh = r.energy_counts[0] as f64 / 100.0;
        assert!((wh - 17_250.0 * (k as f64 + 1.0) / 60.0).abs() < 1.0, "{wh}");
    }
    assert!(records[0].flags.contains(Flags::BOOTED.with(Flags::ENERGY_RESTARTED)));
    assert!(records[1].flags.is_empty(), "{:?}", records[1].flags.names().collect::<Vec<_>>());
}

#[test]
fn a_restart_goes_on_with_energies_and_says_what_is_void() {
    let mut node = start(1);
    run(&mut node, 100);
    let before = *records(&mut node).last().unwrap();
    let mut node = Node::start(node.into_flash(), HARDWARE, Some(1_800_000_000_000)).unwrap();
    assert_eq!(node.settings().interval_s, 1);
    run(&mut node, 20);
    let after = records(&mut node);
    let first = after.iter().find(|r| r.boot == 2).unwrap();
    assert_eq!(first.seq, before.seq + 1 + u32::from(first.void_before));
    assert!(first.flags.contains(Flags::BOOTED));
    assert!(!first.flags.contains(Flags::ENERGY_RESTARTED));
    assert!(first.energy_counts[0] > before.energy_counts[0]);
    assert_eq!(first.wall_quality, WallQuality::Clock);
    assert_eq!(first.wall_ms % 1000, 0, "intervals end on the clock's multiples");
}

#[test]
fn lost_frames_are_counted_and_never_bridged() {
    let mut node = start(1);
    let frames = frames();
    run(&mut node, 2);
    node.push_frames(&frames[..700]);
    node.frames_lost(5);
    node.push_frames(&frames[705..]);
    run(&mut node, 7);
    let records = records(&mut node);
    let r = records[0];
    assert!(r.flags.contains(Flags::FRAMES_LOST));
    assert_eq!(r.frames_lost, 705);
    // 700 frames of the window under way went with the five: 88 ms are missing.
    assert_eq!(r.uptime_ms * 1000 - u64::from(r.duration_us), 88_125 - 125);
    let uptime_ms = node.uptime_ms();
    assert_eq!(uptime_ms, 2000, "time goes on over what was lost");
}

#[test]
fn a_full_ring_overwrites_only_the_oldest() {
    let mut node = start(1);
    run(&mut node, 5 * 300 + 1);
    let Reply::LogBounds(b) = node.answer(Request::LogBounds).unwrap() else { panic!() };
    assert_eq!(b.next, 300);
    assert!(b.next - b.oldest >= b.capacity, "{b:?}");
    let records = records(&mut node);
    assert_eq!(records.first().unwrap().seq, b.oldest);
    assert!(records.windows(2).all(|w| w[1].seq == w[0].seq + 1));
    let gone = node.answer(Request::ReadLog { from: b.oldest - 1, count: 1 });
    assert_eq!(gone, Err(Refusal::NoSuchRecord));
}

#[test]
fn the_queue_keeps_energy_when_the_flash_is_late() {
    let mut node = start(1);
    for _ in 0..100 {
        node.push_frames(&frames());
    }
    while node.service(node.uptime_ms()) <= node.uptime_ms() {}
    run(&mut node, 5);
    let all = records(&mut node);
    let seconds: f64 = all.iter().map(Record::duration_s).sum();
    // All but the interval under way: no second is missing while the queue was full.
    let last = all.last().unwrap();
    assert!((seconds - last.uptime_ms as f64 / 1000.0).abs() < 1e-3, "{seconds}");
    assert!(seconds > 19.9 && all.len() == 5, "{seconds}");
    let wh = last.energy_counts[0] as f64 / 100.0;
    assert!((wh - 17_250.0 * seconds / 3600.0).abs() < 0.1);
}

#[test]
fn requests_over_bytes_are_answered_or_refused_with_a_reason() {
    let mut node = start(1);
    let mut server = LinkServer::default();
    let mut line = vec![0x55, 0, 1, 2, 3, 0];
    line.extend(request(41, &Request::Identify));
    line.extend(request(42, &Request::Live));
    let answers = ask(&mut server, &mut node, &line);
    assert_eq!(answers.len(), 2);
    let mut reader = FrameReader::default();
    let mut seen = Vec::new();
    for byte in answers.concat() {
        if let Some(frame) = reader.push(byte) {
            let (header, body) = open_frame(frame.unwrap()).unwrap();
            seen.push((header.kind, header.number, body.to_vec()));
        }
    }
    assert_eq!((seen[0].0, seen[0].1), (FrameKind::Reply, 41));
    assert_eq!((seen[1].0, seen[1].1), (FrameKind::Refusal, 42));
    let Reply::Status(status) = node.answer(Request::Status).unwrap() else { panic!() };
    assert_eq!(status.link_errors, 2, "two pieces of noise; asking too early is no fault");
}

/// The frame of a later protocol version, whatever it says, is refused in a form that any version reads.
#[test]
fn another_version_is_refused_by_name() {
    let mut node = start(1);
    let mut plain = vec![PROTOCOL_VERSION + 1, 0, 7, 0, 0xEE, 0xEE];
    plain.extend(wattless_core::record::CRC.checksum(&plain).to_le_bytes());
    let mut line = [0; 64];
    let n = cobs::encode(&plain, &mut line);
    line[n] = 0;
    let answers = ask(&mut LinkServer::default(), &mut node, &line[..=n]);
    let mut answer = answers[0].clone();
    let (header, body) =
        open_frame(answer.strip_suffix(&[0]).map(<[u8]>::len).map(|n| &mut answer[..n]).unwrap())
            .unwrap();
    assert_eq!(
        (header.version, header.kind, header.number),
        (PROTOCOL_VERSION, FrameKind::Refusal, 7)
    );
    assert_eq!(read_body::<Refusal>(&header, body), Ok(Refusal::Version));
}

#[test]
fn settings_and_clock_can_be_asked_for_twice() {
    let mut node = start(10);
    let set = Request::SetClock { wall_ms: 1_800_000_000_000 };
    assert_eq!(node.answer(set.clone()), Ok(Reply::ClockSet { was_ahead_ms: None }));
    assert_eq!(node.answer(set), Ok(Reply::ClockSet { was_ahead_ms: Some(0) }));
    assert_eq!(node.clock_to_set(), Some(1_800_000_000_000));
    assert_eq!(node.answer(Request::WriteSettings(settings(10))), Ok(Reply::SettingsWritten));
    let mut bad = settings(10);
    bad.interval_s = 7;
    assert_eq!(node.answer(Request::WriteSettings(bad)), Err(Refusal::BadSettings));
    assert_eq!(node.settings(), &settings(10));
}

#[test]
fn a_capture_holds_the_waveforms_that_follow() {
    let mut node = start(10);
    let Reply::Capture(info) = node.answer(Request::Capture).unwrap() else { panic!() };
    let read = |node: &mut TestNode, from| {
        node.answer(Request::ReadCapture { capture: info.capture, from })
    };
    assert_eq!(read(&mut node, 0), Err(Refusal::NoCapture));
    run(&mut node, 1);
    let mut got = Vec::new();
    while got.len() < usize::from(info.frames) {
        let Reply::CaptureFrames(slice) = read(&mut node, got.len() as u16).unwrap() else {
            panic!()
        };
        for f in slice.counts.chunks(18) {
            let mut counts = [0; 8];
            for (c, b) in counts.iter_mut().zip(f.chunks(3)) {
                *c = i32::from_le_bytes([0, b[0], b[1], b[2]]) >> 8;
            }
            got.push(Frame::new(counts));
        }
    }
    assert_eq!(got, frames()[..400]);
    assert_eq!(read(&mut node, 400), Err(Refusal::NoCapture));
}

/// The whole state of a node fits well into the memory of a small microcontroller.
#[test]
fn the_state_is_small() {
    let bytes = size_of::<TestNode>() - size_of::<MockFlash>() + size_of::<LinkServer>();
    println!("node state with link: {bytes} bytes");
    assert!(bytes < 128 * 1024, "{bytes}");
}

/// Central European clocks go from 02:00 to 03:00 at 2026-03-29 01:00 UTC and back at 2026-10-25
/// 01:00 UTC (EU directive 2000/84/EC): to the node these are minutes like any others.
#[test]
fn daylight_saving_never_touches_the_node() {
    for change_ms in [1_774_746_000_000u64, 1_792_890_000_000] {
        let mut node =
            Node::start(MockFlash::new(16, 1), HARDWARE, Some(change_ms - 180_000)).unwrap();
        node.answer(Request::WriteSettings(settings(60))).unwrap();
        run(&mut node, 6 * 300 + 5);
        let records = records(&mut node);
        let ends: Vec<u64> = records.iter().map(|r| r.wall_ms).collect();
        assert!(ends.contains(&change_ms), "{ends:?}");
        assert!(ends.len() >= 5 && ends.windows(2).all(|w| w[1] - w[0] == 60_000), "{ends:?}");
        for (r, end) in records.iter().zip(&ends) {
            assert_eq!((r.duration_us, end % 60_000), (60_000_000, 0));
            assert_eq!(change_ms - 180_000 + r.uptime_ms, *end);
        }
    }
}
