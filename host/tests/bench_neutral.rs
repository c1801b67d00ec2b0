//! A simulated sensor on the neutral: node, record and `measure` against what really flows.

use std::io::BufWriter;
use wattless::analyse::measure::{MeasureOptions, measure};
use wattless::bench::flash::RamFlash;
use wattless::bench::scenario::SAWMILL;
use wattless::bench::wave::{HeldWaves, SampleSource};
use wattless::bench::{Scenario, Setup};
use wattless::collect::counts::CountsWriter;
use wattless::collect::waveform::{OpenOptions, open};
use wattless_core::flags::Flags;
use wattless_core::frame::CHANNELS;
use wattless_core::record::Record;
use wattless_node::ring::Slot;

/// The example plant on its working morning without noise; `node` goes into its table, `errors`
/// and `leads` into theirs.
fn sawmill(node: &str, errors: &str, leads: &str) -> Setup {
    let text = SAWMILL.replace("noise_uv = 7.6", &format!("noise_uv = 0.0\n{node}"));
    let (before, rest) = text.split_once("[node.errors]").expect("the example has errors");
    let (_, after) = rest.split_once("# [node.leads]").expect("and leads after them");
    let text = format!("{before}[node.errors]\n{errors}\n[node.leads]\n{leads}\n#{after}");
    let scenario = Scenario::parse(&text, "neutral.toml").unwrap_or_else(|e| panic!("{e}"));
    Setup::starting_at(scenario, "2026-03-02T08:00".parse().expect("a time")).expect("in the span")
}

const FITTED: &str = "neutral_sensor = true";

/// Records of four minutes, each with the true RMS of the neutral and of line 1.
fn records(s: &Setup) -> Vec<(Record, [f64; 2])> {
    let mut node = s.start_node(RamFlash::new(4 << 20)).unwrap();
    s.run_fast(&mut node, s.from_ms + 4 * 60_000, &mut |_| ());
    let bounds = node.keeper().bounds();
    let all = (bounds.oldest..bounds.next).filter_map(|seq| match node.keeper().read(seq) {
        Ok(Slot::Page(page)) => Some(Record::decode(&page).expect("sound")),
        _ => None,
    });
    let start_s = s.feeder.start_unix_ms() as f64 * 1e-3;
    all.map(|r| {
        let to_s = r.wall_ms as f64 * 1e-3 - start_s;
        let t = s.feeder.truth(to_s - r.duration_s(), to_s);
        (r, [t.i_neutral_a, t.i_rms_a[0]])
    })
    .collect()
}

#[track_caller]
fn near(got: f32, want: f64) {
    assert!((f64::from(got) / want - 1.0).abs() < 1e-3, "{got} A, truly {want} A");
}

#[test]
fn a_sensor_on_the_neutral_is_recorded() {
    let rows = records(&sawmill(FITTED, "", ""));
    assert!(rows.len() >= 3);
    for (r, [neutral, _]) in &rows[1..] {
        assert!(*neutral > 5.0, "the example loads its phases unevenly: {neutral} A");
        near(r.i_neutral_a, *neutral);
        assert!(r.flags.contains(Flags::NEUTRAL_MEASURED));
        assert!(!r.flags.contains(Flags::NEUTRAL_DIFFERS));
    }
    // It is the sensor that is read: its error shows.
    for (r, [neutral, _]) in &records(&sawmill(FITTED, "in = { gain_pct = 2.0 }", ""))[1..] {
        near(r.i_neutral_a, 1.02 * neutral);
    }
    // Without a sensor it is the sum of the lines, and says so.
    for (r, [neutral, _]) in &records(&sawmill("", "", ""))[1..] {
        near(r.i_neutral_a, *neutral);
        assert!(!r.flags.contains(Flags::NEUTRAL_MEASURED));
    }
}

#[test]
fn a_neutral_sensor_on_a_line_is_told() {
    for (r, [_, line]) in &records(&sawmill(FITTED, "", "in = \"-l1\""))[1..] {
        near(r.i_neutral_a, *line);
        assert!(r.flags.contains(Flags::NEUTRAL_MEASURED.with(Flags::NEUTRAL_DIFFERS)));
    }
}

/// Coils and filters act on the neutral's sensor as on the others, and are taken back.
#[test]
fn a_neutrals_coil_is_integrated() {
    let coil = "neutral_sensor = true\nfront_end = { sinc3_osr = 512, rc_ns = 10000 }\n\
                sensors = { kind = \"rogowski\" }";
    let rows = records(&sawmill(coil, "", ""));
    let (r, [neutral, _]) = rows.last().expect("records");
    near(r.i_neutral_a, *neutral);
    assert!(!r.flags.contains(Flags::NEUTRAL_DIFFERS));
}

#[test]
fn measure_reads_the_same_neutral() {
    let s = sawmill(FITTED, "", "");
    let rate = s.true_rate_hz();
    let to_ms = s.from_ms + 5000;
    let mut waves = HeldWaves::new(&s.feeder, &s.sensors, rate, s.from_ms, to_ms);
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("sawmill.counts");
    let file = BufWriter::new(std::fs::File::create(&path).unwrap());
    let mut out =
        CountsWriter::new(file, s.sample_rate_hz(), s.sensors.settings(), CHANNELS).unwrap();
    while let Some(block) = waves.next_block() {
        out.write(block).unwrap();
    }
    out.finish().unwrap();
    let mut file = open(&path, &OpenOptions::default()).unwrap();
    let m = measure(&mut file, &MeasureOptions::default()).unwrap();
    let r = &m.intervals[0];
    let from_s = s.from_ms as f64 * 1e-3 + r.start_s;
    let t = s.feeder.truth(from_s, from_s + r.summary.duration_s);
    near(r.summary.i_neutral_a as f32, t.i_neutral_a);
    near(r.summary.i_sum_a as f32, t.i_neutral_a);
    assert!(r.summary.flags.contains(Flags::NEUTRAL_MEASURED));
}

#[test]
fn a_wiring_without_neutral_has_no_such_sensor() {
    for (wiring, words) in [("three-wire", "no neutral"), ("two-sensor", "no neutral")] {
        let text = format!(
            "[plant]\nname = \"Brackwater Joinery\"\nfeeder = \"Sawmill main\"\n\
             time_zone = \"Europe/Copenhagen\"\n[span]\nstart = \"2026-03-02\"\ndays = 1\n\
             [supply]\nnominal_v = 400.0\nnominal_hz = 50.0\nwiring = \"{wiring}\"\n\
             [node]\n{FITTED}\n"
        );
        let e = Scenario::parse(&text, "x.toml").expect_err("refused").to_string();
        assert!(e.starts_with("x.toml:") && e.contains(words), "{e}");
    }
}
