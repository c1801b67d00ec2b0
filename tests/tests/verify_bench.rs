//! From waveforms to the verdict: the simulated plant with banks whole, broken, missing, unseen.
//!
//! Every sample goes through the node; the node's own records are compared. Two working days
//! before, two after, at 1000 samples a second.

use std::path::Path;
use wattless::analyse::verify::unit::{Connection, Control, Unit};
use wattless::analyse::verify::{Outcome, Reason, Terms, Verification, verify};
use wattless::bench::Setup;
use wattless::bench::flash::{RamFlash, USUAL_SIZE};
use wattless::bench::scenario::{SAWMILL, Scenario};
use wattless::collect::log::IntervalLog;
use wattless::site::Site;
use wattless_core::record::{PAGE, Record};
use wattless_core::wire::{Reply, Request};

/// Monday to Thursday; what is appended comes on Wednesday.
fn scenario(more: &str) -> Scenario {
    let text = SAWMILL.replace("days = 7 ", "days = 4 ");
    let text = text.replace("sample_rate_hz = 8000.0", "sample_rate_hz = 1000.0");
    // Harmonics have no room at this rate; the fundamental is what is compared.
    let text = format!("{text}\n{more}");
    Scenario::parse(&text, "sawmill.toml").unwrap()
}

/// The records of a run, before and after Wednesday.
fn records(scenario: Scenario) -> (IntervalLog, IntervalLog) {
    let setup = Setup::new(scenario);
    let to_ms = setup.feeder.span_ms();
    let mut node = setup.start_node(RamFlash::new(USUAL_SIZE)).unwrap();
    setup.run_fast(&mut node, to_ms, &mut |_| ());
    let middle = i64::try_from(setup.unix_ms(to_ms / 2)).unwrap();
    let (mut before, mut after) = (IntervalLog::default(), IntervalLog::default());
    let bounds = node.keeper().bounds();
    let mut from = bounds.oldest;
    while from < bounds.next {
        let Ok(Reply::Log(log)) = node.answer(Request::ReadLog { from, count: 7 }) else {
            panic!("the node does not give its log");
        };
        for page in log.pages.chunks_exact(PAGE) {
            let r = Record::decode(page.try_into().unwrap()).unwrap();
            let end_ms = r.wall_ms as i64;
            let side = if end_ms <= middle { &mut before } else { &mut after };
            side.push(&r, end_ms, false);
        }
        from += u32::from(log.covered.max(1));
    }
    (before, after)
}

const BANKS: &str = "
[[capacitor]]
name = \"New bank 1\"
kvar = 50.0
rated_v = 440.0
since = \"2026-03-04\"
[[capacitor]]
name = \"New bank 2\"
kvar = 25.0
rated_v = 440.0
since = \"2026-03-04\"
";

fn judged(more: &str) -> Verification {
    let (before, after) = records(scenario(more));
    assert!(before.len() > 2800 && after.len() > 2800);
    let unit = |name: &str, kvar: f64| Unit {
        name: name.into(),
        rated_var: kvar * 1e3,
        rated_v: 440.0,
        rated_hz: 50.0,
        connection: Connection::Delta,
        control: Control::Fixed,
    };
    let site = "[supply]\nline_voltage_v = 400\nwiring = \"four-wire\"\n";
    let site = Site::parse(site, Path::new("site.toml")).unwrap();
    let terms = Terms::new(vec![unit("Bank 1", 50.0), unit("Bank 2", 25.0)]);
    verify(&before, &after, &site, &terms).unwrap()
}

#[test]
fn whole_banks_worked() {
    let v = judged(BANKS);
    assert_eq!(v.verdict.outcome, Outcome::Worked, "{:?} {:?}", v.verdict, v.total);
    let (r, u) = (v.total.ratio.unwrap(), v.total.ratio_uncertainty.unwrap());
    assert!((r - 1.0).abs() <= u, "{r} ± {u}");
}

#[test]
fn a_blown_fuse_is_found() {
    let v = judged(&BANKS.replacen("since", "dead = \"l2\"\nsince", 1));
    assert_eq!(v.verdict.outcome, Outcome::Partly, "{:?} {:?}", v.verdict, v.total);
    let open = Reason::LineOpen { unit: "Bank 1".into(), place: "L2".into() };
    assert!(v.verdict.reasons.contains(&open), "{:?} {:?}", v.verdict.reasons, v.phases);
}

#[test]
fn a_missing_unit_is_found() {
    let v = judged(&BANKS[..BANKS.rfind("[[").unwrap()]);
    assert_eq!(v.verdict.outcome, Outcome::Partly, "{:?} {:?}", v.verdict, v.total);
    let missing = Reason::UnitsMissing { units: vec!["Bank 2".into()] };
    assert!(v.verdict.reasons.contains(&missing), "{:?} {:?}", v.verdict.reasons, v.total);
}

/// A sensor between capacitor and load sees the load alone: the same records as without a bank.
#[test]
fn a_bank_that_the_sensor_does_not_see() {
    let v = judged("");
    assert_eq!(v.verdict.outcome, Outcome::Not, "{:?} {:?}", v.verdict, v.total);
    assert!(matches!(v.verdict.reasons[1], Reason::SensorBehindCapacitor { .. }));
}
