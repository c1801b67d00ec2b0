//! The byte-by-byte examples in DEVELOPERS.md are what the code writes and reads.

use wattless_core::chain;
use wattless_core::flags::Flags;
use wattless_core::record::{Page, Record, RecordHarmonics, RecordPhase, WallQuality, round_ratio};
use wattless_core::window::Nominal;
use wattless_core::wire::{
    FrameKind, FrameReader, Reply, Request, STREAM_MAX, encode_frame, open_frame, read_body,
};
use wattless_core::wiring::Wiring;

const DOCUMENT: &str = include_str!("../../DEVELOPERS.md");

/// The hexadecimal bytes of a fenced block with this tag.
fn block(tag: &str) -> Vec<u8> {
    let start = format!("```{tag}\n");
    let from = DOCUMENT.find(&start).unwrap_or_else(|| panic!("no block {tag}")) + start.len();
    let text = &DOCUMENT[from..from + DOCUMENT[from..].find("```").expect("block ends")];
    text.split_whitespace()
        .map(|b| u8::from_str_radix(b, 16).unwrap_or_else(|_| panic!("{tag}: {b}")))
        .collect()
}

fn example() -> Record {
    let phase = |v: f32, i: f32| RecordPhase {
        v_rms_v: v,
        i_rms_a: i,
        p_w: 5750.0,
        q1_var: 9959.25,
        s_va: 11_500.0,
        v_min_max_v: [229.0, 231.5],
        i_min_max_a: [48.0, 52.0],
    };
    let mut percent = 0.0f32;
    let mut ratio = || {
        percent += 0.75;
        round_ratio(percent / 100.0)
    };
    let mut harmonics = RecordHarmonics::NONE;
    harmonics.v_thd = std::array::from_fn(|_| ratio());
    harmonics.i_thd = std::array::from_fn(|_| ratio());
    harmonics.v_orders[..4].fill_with(&mut ratio);
    harmonics.i_orders[..3].fill_with(&mut ratio);
    harmonics.i_orders[3] = 0.0;
    Record {
        version: 2,
        wiring: Wiring::FourWire,
        nominal: Nominal::Hz50,
        flags: Flags::BOOTED,
        seq: 4711,
        boot: 3,
        uptime_ms: 60_000,
        wall_ms: 1_800_000_000_000,
        wall_quality: WallQuality::Host,
        void_before: 5,
        windows: 300,
        duration_us: 60_000_000,
        frames_lost: 0,
        frequency_10uhz: 4_998_765,
        energy_counts: [28_750, 0, 49_796, 0, 0, 0, 57_500],
        phases: [phase(230.0, 50.0), phase(230.25, 50.5), phase(229.75, 49.5)],
        s_effective_va: 34_500.0,
        i_neutral_a: 0.875,
        p_min_max_w: [16_896.0, 17_408.0],
        q1_min_max_var: [29_440.0, 30_208.0],
        channels: [
            [230.0, 0.0],
            [-115.0, -199.0],
            [-115.0, 199.0],
            [25.0, -43.25],
            [-50.0, 0.0],
            [25.0, 43.25],
        ],
        harmonics,
        tag: [0; 16],
    }
}

/// The same as format 1 kept it.
fn example_1() -> Record {
    Record { version: 1, harmonics: RecordHarmonics::NONE, ..example() }
}

fn page(tag: &str) -> Page {
    block(tag).try_into().expect("256 bytes")
}

#[test]
fn the_example_page_is_the_example_record() {
    let mut want = example();
    let mut made = want.encode();
    want.tag = chain::append(&chain::first_tag(386), &mut made);
    assert_eq!(made, page("record-page"));
    assert_eq!(Record::decode(&made), Ok(want));
    assert_eq!(want.encode(), made);
}

#[test]
fn a_page_of_format_1_still_decodes() {
    let page = page("record-page-1");
    assert_eq!(Record::decode(&page), Ok(example_1()));
    assert_eq!(example_1().encode(), page);
}

#[test]
fn the_example_request_is_on_the_wire_as_written() {
    let request = Request::ReadLog { from: 4711, count: 7 };
    let mut out = [0; STREAM_MAX];
    let bytes = encode_frame(FrameKind::Request, 258, &request, &mut out).unwrap();
    assert_eq!(bytes, block("link-request"));
}

#[test]
fn the_example_reply_reads_as_written() {
    let mut reader = FrameReader::default();
    let mut replies = Vec::new();
    for byte in block("link-reply") {
        if let Some(frame) = reader.push(byte) {
            let (header, body) = open_frame(frame.unwrap()).unwrap();
            replies.push((header.kind, header.number, read_body::<Reply>(&header, body).unwrap()));
        }
    }
    let bounds = wattless_core::wire::LogBounds { oldest: 16, next: 4712, capacity: 65_472 };
    assert_eq!(replies, [(FrameKind::Reply, 259, Reply::LogBounds(bounds))]);
}
