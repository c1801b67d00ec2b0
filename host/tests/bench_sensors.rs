//! What real parts do, simulated, and taken back by the node's program: agreement with the truth.
//!
//! The simulated filters and sensors act by formulas of their own; see `bench/sensors.rs`.

mod bench_support;

use bench_support::readings;
use wattless::bench::flash::RamFlash;
use wattless::bench::scenario::SAWMILL;
use wattless::bench::truth::Truth;
use wattless::bench::wave::{HeldWaves, LiveWaves};
use wattless::bench::{Scenario, Setup};
use wattless_core::flags::Flags;
use wattless_core::interval::ENERGY_PER_WH;
use wattless_core::record::Record;
use wattless_node::ring::Slot;

/// The converter at 8 kSPS and 1 kΩ with 10 nF, as the hardware notes have them.
const FILTERS: &str = "sinc3_osr = 512\nrc_ns = 10000\n";

/// A table in the shape of class 1 (IEC 61869-2): errors grow as the current falls.
const TRANSFORMER: &str = "[node.sensors]\nrated_a = 600.0\ntable = [\
    { load_pct = 1.0, ratio_pct = -2.4, lead_min = 150.0 },\
    { load_pct = 5.0, ratio_pct = -1.6, lead_min = 95.0 },\
    { load_pct = 20.0, ratio_pct = -0.8, lead_min = 50.0 },\
    { load_pct = 100.0, ratio_pct = -0.3, lead_min = 22.0 },\
    ]\n";

const COIL: &str = "[node.sensors]\nkind = \"rogowski\"\n";

/// Minutes that `WATTLESS_FRONT_END_MINUTES` asks for instead of a run's own.
fn asked_minutes() -> Option<i64> {
    std::env::var("WATTLESS_FRONT_END_MINUTES").ok().and_then(|m| m.parse().ok())
}

/// The example plant on its working morning, without noise and sensor errors of its own, with a
/// front end.
fn sawmill(front_end: &str, sensors: &str, noise_uv: f64) -> Setup {
    let text = SAWMILL.replace("noise_uv = 7.6", &format!("noise_uv = {noise_uv:?}"));
    let (before, rest) = text.split_once("[node.errors]").expect("the example has errors");
    let (_, after) = rest.split_once("# [node.leads]").expect("and leads after them");
    // A run begins at eight: a week of it ends on the eighth day.
    let before = match asked_minutes() {
        Some(_) => before.replacen("days = 7", "days = 8", 1),
        None => before.to_owned(),
    };
    let text = format!("{before}[node.front_end]\n{front_end}\n{sensors}\n# {after}");
    let scenario = Scenario::parse(&text, "front-end.toml").unwrap_or_else(|e| panic!("{e}"));
    Setup::starting_at(scenario, "2026-03-02T08:00".parse().expect("a time")).expect("in the span")
}

/// Largest differences from the truth over the minutes of a run, V and I in ‰ of the reading, P
/// and Q1 in ‰ of S; the first records, in which integrators settle, are left out.
#[derive(Clone, Copy, Debug, Default)]
struct Worst {
    v: f64,
    i: f64,
    p: f64,
    q1: f64,
    wh: f64,
    varh: f64,
}

/// Minutes of a run; `WATTLESS_FRONT_END_MINUTES=10080` makes it a week.
fn run(s: &Setup, minutes: i64) -> Worst {
    let minutes = asked_minutes().unwrap_or(minutes);
    let mut node = s.start_node(RamFlash::new(4 << 20)).unwrap();
    s.run_fast(&mut node, s.from_ms + minutes * 60_000, &mut |_| ());
    let bounds = node.keeper().bounds();
    let records: Vec<Record> = (bounds.oldest..bounds.next)
        .filter_map(|seq| match node.keeper().read(seq) {
            Ok(Slot::Page(page)) => Some(Record::decode(&page).expect("sound")),
            _ => None,
        })
        .collect();
    assert!(records.len() as i64 >= minutes - 1);
    println!("{:?}", s.scenario.node.sensors.kind);
    let start_s = s.feeder.start_unix_ms() as f64 * 1e-3;
    let real = s.sample_rate_hz() / s.true_rate_hz();
    // The clock is set at the start and drifts from there.
    let true_s = |wall_ms: u64| {
        let from = s.from_ms as f64 * 1e-3;
        from + (wall_ms as f64 * 1e-3 - start_s - from) * real
    };
    let mut worst = Worst::default();
    for r in records.iter().skip(2) {
        assert!(!r.flags.contains(Flags::I_SETTLING) && !r.flags.contains(Flags::I_CLIPPED));
        let to_s = true_s(r.wall_ms);
        let t = s.feeder.truth(to_s - r.duration_s() * real, to_s);
        for k in 0..3 {
            let p = &r.phases[k];
            let off = |got: f32, want: f64, of: f64| 1e3 * (f64::from(got) - want).abs() / of;
            worst.v = worst.v.max(off(p.v_rms_v, t.v_rms_v[k], t.v_rms_v[k]));
            worst.i = worst.i.max(off(p.i_rms_a, t.i_rms_a[k], t.i_rms_a[k]));
            worst.p = worst.p.max(off(p.p_w, t.p_w[k], t.s_va[k]));
            worst.q1 = worst.q1.max(off(p.q1_var, t.q1_var[k], t.s_va[k]));
        }
    }
    let (first, last) = (&records[1], records.last().expect("records"));
    let t: Truth = s.feeder.truth(true_s(first.wall_ms), true_s(last.wall_ms));
    // The node's hour is its clock's: what that adds to an energy is taken out here.
    let counted =
        |k: usize| (last.energy_counts[k] - first.energy_counts[k]) as f64 / ENERGY_PER_WH * real;
    worst.wh = 1e3 * (counted(0) / t.wh[0] - 1.0).abs();
    worst.varh = 1e3 * (counted(2) / t.varh[0] - 1.0).abs();
    println!("{minutes} minutes: {worst:.4?} ‰");
    worst
}

/// What single minutes may be off by, in ‰. A week has minutes in which nearly all load goes or
/// comes: what is left of a large current's error is then held against a small reading.
fn minute_limit() -> f64 {
    if asked_minutes().is_some() { 1.0 } else { 0.1 }
}

#[test]
fn filters_are_taken_back() {
    let (w, limit) = (run(&sawmill(FILTERS, "", 0.0), 12), minute_limit());
    assert!(w.v < 0.05 && w.i < limit && w.p < limit && w.q1 < limit, "{w:?}");
    assert!(w.wh < 0.1 && w.varh < 0.1, "{w:?}");
    // Without correction the droop shows: the simulation does something.
    let w = run(&sawmill(&format!("{FILTERS}corrected = false\n"), "", 0.0), 4);
    assert!(w.v > 0.18 && w.i > 0.2, "{w:?}");
}

#[test]
fn a_transformers_table_is_taken_back() {
    let (w, limit) = (run(&sawmill(FILTERS, TRANSFORMER, 0.0), 12), minute_limit());
    assert!(w.v < 0.05 && w.i < limit && w.p < limit && w.q1 < limit, "{w:?}");
    assert!(w.wh < 0.1 && w.varh < 0.1, "{w:?}");
    let w = run(&sawmill(&format!("{FILTERS}corrected = false\n"), TRANSFORMER, 0.0), 4);
    assert!(w.i > 3.0 && w.p > 3.0, "{w:?}");
}

/// Through every switching of the example, with currents that go over within 6 ms: in single
/// minutes within 1 ‰ (after a large load has gone, a small one's reading carries its end), in
/// energy within 0.2 ‰.
#[test]
fn coils_are_integrated() {
    let w = run(&sawmill(FILTERS, COIL, 0.0), 12);
    assert!(w.v < 0.05 && w.i < 1.0 && w.p < 1.0 && w.q1 < 1.0, "{w:?}");
    assert!(w.wh < 0.2 && w.varh < 0.2, "{w:?}");
}

/// Noise of the data sheet, an offset and a clock that is off change nothing that matters.
#[test]
fn noise_and_clock_are_harmless() {
    let clock = format!("{FILTERS}clock_error_ppm = 50.0\n");
    for sensors in [TRANSFORMER, COIL] {
        let w = run(&sawmill(&clock, sensors, 7.57), 8);
        assert!(w.v < 0.05 && w.i < 1.0 && w.p < 1.0 && w.q1 < 1.0, "{w:?}");
    }
}

/// The continuous source and the fast one agree through coils, too.
#[test]
fn both_sources_agree_with_coils() {
    let s = sawmill(FILTERS, COIL, 0.0);
    let (from, to) = (s.from_ms, s.from_ms + 20_000);
    let rate = s.true_rate_hz();
    let held = readings(&s, &mut HeldWaves::new(&s.feeder, &s.sensors, rate, from, to));
    let live = readings(&s, &mut LiveWaves::new(&s.feeder, &s.sensors, rate, from, to));
    assert_eq!(held.len(), live.len());
    let mean = |r: &[wattless_core::power::Reading]| {
        let r = &r[15..];
        r.iter().map(|r| r.total.p_w).sum::<f64>() / r.len() as f64
    };
    assert!((mean(&held) / mean(&live) - 1.0).abs() < 2e-3, "{} {}", mean(&held), mean(&live));
}

#[test]
fn impossible_front_ends_are_named() {
    for (front_end, sensors, words) in [
        ("sinc3_osr = 500\n", "", "power of two"),
        ("rc_ns = 2000000\n", "", "0 to 1000000 ns"),
        ("clock_error_ppm = 5000.0\n", "", "-1000 to 1000 ppm"),
        ("", "[node.sensors]\nrated_a = 5.0\n", "go together"),
        ("", "[node.sensors]\nkind = \"hall\"\n", "rogowski"),
    ] {
        let text = SAWMILL.replace(
            "[node.errors]",
            &format!("[node.front_end]\n{front_end}{sensors}[node.errors]"),
        );
        let e = Scenario::parse(&text, "x.toml").expect_err("refused").to_string();
        assert!(e.starts_with("x.toml:") && e.contains(words), "{e}");
    }
}

/// The front end that the example scenario describes in comments is one that can be used.
#[test]
fn the_examples_comments_are_right() {
    let from = SAWMILL.find("# [node.front_end]").expect("the example describes it");
    let to = from + SAWMILL[from..].find("# Working hours").expect("and goes on");
    let open: String =
        SAWMILL[from..to].lines().map(|l| format!("{}\n", l.trim_start_matches("# "))).collect();
    let text = format!("{}{open}{}", &SAWMILL[..from], &SAWMILL[to..]);
    let s = Scenario::parse(&text, "open.toml").unwrap_or_else(|e| panic!("{e}"));
    assert_eq!((s.node.front_end.sinc3_osr, s.node.sensors.table.len()), (512, 2));
}
