//! Logs taken with leads in the wrong place, read again, against the same hours taken right.
//!
//! `WATTLESS_REREAD_HOURS=168` runs the whole simulated week; one working hour otherwise.

use wattless::analyse::reread::{AsIf, Plan};
use wattless::bench::flash::RamFlash;
use wattless::bench::scenario::SAWMILL;
use wattless::bench::{Scenario, Setup};
use wattless_core::record::Record;
use wattless_core::wiring::Wiring;
use wattless_node::ring::Slot;

const MINUTE_MS: i64 = 60_000;

/// A feeder of a wiring with loads that work and rest, on lines and between them, with
/// harmonics, its leads as given; no noise, no errors.
fn workshop(wiring: &str, leads: &str) -> Setup {
    let split = wiring == "split-phase";
    let (nominal_v, nominal_hz) = if split { (240.0, 60.0) } else { (400.0, 50.0) };
    let motor = if split { "connected = \"l1-l2\"" } else { "" };
    let (one, two) = if split { ("l1", "l2") } else { ("l1-l2", "l2-l3") };
    let text = format!(
        r#"
[plant]
name = "Brackwater Joinery"
feeder = "Workshop"
time_zone = "Europe/Berlin"
[span]
start = "2026-03-02"
days = 1
seed = 5
[supply]
nominal_v = {nominal_v}
nominal_hz = {nominal_hz}
wiring = "{wiring}"
wander_pct = 0.4
harmonics = [{{ order = 5, pct = 1.8, angle_deg = 160.0 }}]
[supply.transformer]
kva = 100.0
z_pct = 4.5
x_over_r = 4.0
[node]
i_range_peak_a = 900.0
[node.leads]
{leads}
[[motor]]
name = "Planer"
rated_kw = 11.0
efficiency = 0.9
pf = 0.83
work_s = [20.0, 60.0]
rest_s = [20.0, 90.0]
work_load = [0.3, 0.9]
{motor}
[[heater]]
name = "Glue press"
kw = 4.0
connected = "{one}"
work_s = [30.0, 90.0]
rest_s = [30.0, 120.0]
[[welder]]
name = "Repair welder"
kw = 3.0
pf = 0.45
connected = "{two}"
harmonics = [{{ order = 3, pct = 9.0 }}, {{ order = 5, pct = 6.0 }}]
work_s = [5.0, 20.0]
rest_s = [10.0, 60.0]
"#
    );
    let scenario = Scenario::parse(&text, "workshop.toml").unwrap_or_else(|e| panic!("{e}"));
    Setup::new(scenario)
}

/// The example without noise and sensor errors, its leads as given.
fn sawmill(leads: &str, hours: i64) -> Setup {
    let text = SAWMILL.replace("noise_uv = 7.6", "noise_uv = 0.0");
    let (before, rest) = text.split_once("[node.errors]").expect("the example has errors");
    let (_, after) = rest.split_once("# [node.leads]").expect("and leads after them");
    let leads = if leads.is_empty() { String::new() } else { format!("[node.leads]\n{leads}\n#") };
    let text = format!("{before}{leads}{after}");
    let scenario = Scenario::parse(&text, "sawmill.toml").unwrap_or_else(|e| panic!("{e}"));
    if hours > 100 {
        return Setup::new(scenario);
    }
    let at = "2026-03-02T08:00".parse().expect("a time");
    Setup::starting_at(scenario, at).expect("in the span")
}

fn log(leads: &str, hours: i64) -> Vec<Record> {
    records(&sawmill(leads, hours), 60 * hours)
}

fn records(s: &Setup, minutes: i64) -> Vec<Record> {
    let mut node = s.start_node(RamFlash::new(1 << 23)).unwrap();
    s.run_fast(&mut node, s.from_ms + minutes * MINUTE_MS, &mut |_| ());
    let bounds = node.keeper().bounds();
    (bounds.oldest..bounds.next)
        .filter_map(|seq| match node.keeper().read(seq) {
            Ok(Slot::Page(page)) => Some(Record::decode(&page).expect("sound")),
            _ => None,
        })
        .collect()
}

struct Off {
    /// Energy error as a share, its bound as a share, largest error of a record's P over S.
    energy: f64,
    bound: f64,
    record: f64,
}

fn compare(right: &[Record], wrong: &[Record], plan: &Plan, exact: bool) -> Off {
    assert_eq!(right.len(), wrong.len());
    let (mut wh, mut off_wh, mut bound_wh, mut record) = (0.0, 0.0, 0.0, 0.0f64);
    for (r, w) in right.iter().zip(wrong) {
        let (again, bound) = plan.apply(w);
        let s = r.s_arithmetic_va();
        // What the fields of a record can hold of a total.
        let dust = 3e-5 * s;
        let (p, q) = (again.p_w() - r.p_w(), again.q1_var() - r.q1_var());
        assert!(p.abs() <= bound.p_w + dust, "{}: {p} W, bound {}", r.seq, bound.p_w);
        assert!(q.abs() <= bound.p_w + dust, "{}: {q} var, bound {}", r.seq, bound.p_w);
        if exact {
            assert_eq!(bound.p_w, 0.0);
        }
        for k in 0..r.wiring.phases() {
            let (a, b) = (&again.phases[k], &r.phases[k]);
            // Of sums of phases a little is lost in the record's digits.
            let digits = match (plan.estimated_rms(), plan.estimated_power()) {
                (rms, _) if rms.contains(&k) => 0.2,
                (_, power) if power.contains(&k) => 1e-3,
                _ => 4e-5,
            };
            let near = |x: f32, y: f32| (x - y).abs() <= digits * y.abs();
            assert!(near(a.v_rms_v, b.v_rms_v), "{}: {} {}", r.seq, a.v_rms_v, b.v_rms_v);
            assert!(near(a.i_rms_a, b.i_rms_a), "{}: {} {}", r.seq, a.i_rms_a, b.i_rms_a);
        }
        for (a, b) in again.channels.iter().zip(&r.channels) {
            let size = b[0].hypot_of(b[1]);
            assert!((a[0] - b[0]).hypot_of(a[1] - b[1]) <= 2e-3 * size, "{}: phasors", r.seq);
        }
        let hours = r.duration_s() / 3600.0;
        (wh, off_wh) = (wh + r.p_w() * hours, off_wh + p * hours);
        bound_wh += bound.p_w * hours;
        record = record.max(p.abs() / s);
    }
    Off { energy: off_wh / wh, bound: bound_wh / wh, record }
}

/// Length of a vector of two.
trait HypotOf {
    fn hypot_of(self, other: f32) -> f32;
}

impl HypotOf for f32 {
    fn hypot_of(self, other: f32) -> f32 {
        libm::sqrtf(self * self + other * other)
    }
}

#[test]
fn hours_taken_wrong_read_like_hours_taken_right() {
    let hours = std::env::var("WATTLESS_REREAD_HOURS").ok();
    let hours: i64 = hours.map_or(1, |h| h.parse().expect("a number of hours"));
    let right = log("", hours);
    assert_eq!(right.len() as i64, 60 * hours);
    for (leads, as_if, exact) in [
        ("i1 = \"-l1\"", "i1=-i1", true),
        ("i1 = \"-l1\"\ni2 = \"-l2\"\ni3 = \"-l3\"", "i1=-i1 i2=-i2 i3=-i3", true),
        ("i2 = \"l3\"\ni3 = \"l2\"\nv2 = \"l3\"\nv3 = \"l2\"", "v2=v3 v3=v2 i2=i3 i3=i2", true),
        ("i2 = \"l3\"\ni3 = \"l2\"", "i2=i3 i3=i2", false),
        ("v1 = \"l2\"\nv2 = \"l1\"", "v1=v2 v2=v1", false),
        ("i1 = \"-l2\"\ni2 = \"-l3\"\ni3 = \"-l1\"", "i1=-i3 i2=-i1 i3=-i2", false),
    ] {
        let wrong = log(leads, hours);
        let plan = AsIf::parse(as_if).unwrap().plan(Wiring::FourWire).unwrap();
        assert_eq!(plan.estimated_power().is_empty(), exact);
        let off = compare(&right, &wrong, &plan, exact);
        println!(
            "{as_if}: energy {:+.4} %, bound {:.3} %, worst record {:.4} % of S",
            100.0 * off.energy,
            100.0 * off.bound,
            100.0 * off.record
        );
        // Beside the bound, which always holds: how good it is on this feeder.
        assert!(off.energy.abs() < 2e-3, "{as_if}: {}", off.energy);
    }
}

/// The same where two legs, or two sensors, make the phases.
#[test]
fn two_legs_and_two_sensors_are_read_again() {
    let of = |wiring: &str, leads: &str| records(&workshop(wiring, leads), 20);
    for (wiring, cases) in [
        (
            Wiring::SplitPhase,
            &[
                ("i2 = \"-l2\"", "i2=-i2", true),
                ("i1 = \"-l1\"\ni2 = \"-l2\"", "i1=-i1 i2=-i2", true),
                ("v1 = \"-l1\"\ni1 = \"-l1\"", "v1=-v1 i1=-i1", true),
                (
                    "v1 = \"l2\"\nv2 = \"l1\"\ni1 = \"l2\"\ni2 = \"l1\"",
                    "v1=v2 v2=v1 i1=i2 i2=i1",
                    true,
                ),
                ("i1 = \"l2\"\ni2 = \"l1\"", "i1=i2 i2=i1", false),
                ("v1 = \"l2\"\nv2 = \"-l1\"", "v1=-v2 v2=v1", false),
                ("i1 = \"-l2\"\ni2 = \"l1\"", "i1=i2 i2=-i1", false),
            ][..],
        ),
        (
            Wiring::TwoSensor,
            &[
                ("i1 = \"-l1\"\ni3 = \"-l3\"", "i1=-i1 i3=-i3", true),
                ("i1 = \"-l1\"", "i1=-i1", false),
                ("i1 = \"l3\"\ni3 = \"l1\"", "i1=i3 i3=i1", false),
                ("i1 = \"l2\"", "i1=-i1-i3", false),
                ("i1 = \"l2\"\ni3 = \"-l3\"", "i1=i3-i1 i3=-i3", false),
                ("v1 = \"l2\"\nv2 = \"l1\"", "v1=v2 v2=v1", false),
                (
                    "v1 = \"l3\"\nv3 = \"l1\"\ni1 = \"l3\"\ni3 = \"l1\"",
                    "v1=v3 v3=v1 i1=i3 i3=i1",
                    true,
                ),
            ][..],
        ),
        (
            Wiring::TwoSensorLine,
            &[
                ("i1 = \"-l1\"\ni3 = \"-l3\"", "i1=-i1 i3=-i3", true),
                ("i3 = \"-l3\"", "i3=-i3", false),
                ("i1 = \"l3\"\ni3 = \"l1\"", "i1=i3 i3=i1", false),
                ("i3 = \"l2\"", "i3=-i1-i3", false),
            ][..],
        ),
        (Wiring::ThreeWire, &[("i2 = \"l1\"", "i2=-i1-i3", false)][..]),
    ] {
        let right = of(wiring.name(), "");
        assert_eq!((right.len(), right[0].wiring), (20, wiring));
        for &(leads, as_if, exact) in cases {
            let wrong = of(wiring.name(), leads);
            let plan = AsIf::parse(as_if).unwrap().plan(wiring).unwrap();
            assert_eq!(plan.estimated_power().is_empty(), exact, "{as_if}");
            let off = compare(&right, &wrong, &plan, exact);
            println!(
                "{} {as_if}: energy {:+.4} %, bound {:.3} %, worst record {:.4} % of S",
                wiring.name(),
                100.0 * off.energy,
                100.0 * off.bound,
                100.0 * off.record
            );
        }
    }
}
