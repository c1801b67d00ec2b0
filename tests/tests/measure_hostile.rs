//! `wattless measure` and `hookup` on recordings that are hard to measure: a frequency that moves
//! from the first sample on, clipped channels, supplies that are none, times that are large.
//!
//! Every truth is the closed form that the samples were made from.

use serde_json::Value;
use std::f64::consts::{PI, SQRT_2, TAU};
use std::fmt::Write as _;
use wattless_tests::program;

/// Seven columns made at times in seconds.
fn csv(rate: f64, count: usize, row: impl Fn(f64) -> [f64; 6]) -> String {
    let mut text = String::from("t_s,v1_v,v2_v,v3_v,i1_a,i2_a,i3_a\n");
    for n in 0..count {
        let t = n as f64 / rate;
        let [a, b, c, d, e, f] = row(t);
        writeln!(text, "{t:.9},{a:.6},{b:.6},{c:.6},{d:.6},{e:.6},{f:.6}").unwrap();
    }
    text
}

fn run(verb: &str, text: &str, args: &[&str]) -> (i32, Value, String) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("wave.csv");
    std::fs::write(&path, text).unwrap();
    let out = program::command().arg(verb).arg(&path).args(args).arg("--json").output().unwrap();
    let json = serde_json::from_slice(&out.stdout).unwrap_or(Value::Null);
    let err = String::from_utf8_lossy(&out.stderr).into_owned();
    (out.status.code().unwrap(), json, err)
}

/// Three balanced lines of 230 V and 50 A, 60° behind, with orders 5 and 49; `phase` in turns.
fn rich(phase: impl Fn(f64) -> f64) -> impl Fn(f64) -> [f64; 6] {
    move |t| {
        let mut x = [0.0; 6];
        for k in 0..3 {
            let a = TAU * (phase(t) - k as f64 / 3.0);
            let v = libm::cos(a) + 0.05 * libm::cos(5.0 * a + 0.3) + 0.02 * libm::cos(49.0 * a);
            let i = libm::cos(a - PI / 3.0)
                + 0.2 * libm::cos(5.0 * a + 0.9)
                + 0.02 * libm::cos(49.0 * a);
            (x[k], x[k + 3]) = (230.0 * SQRT_2 * v, 50.0 * SQRT_2 * i);
        }
        x
    }
}

fn number(v: &Value) -> f64 {
    v.as_f64().unwrap_or_else(|| panic!("no number: {v}"))
}

fn flags(reading: &Value) -> Vec<&str> {
    reading["flags"].as_array().unwrap().iter().map(|f| f.as_str().unwrap()).collect()
}

/// A ramp of 1 Hz/s from the first sample on: every window is right, the first ones included.
#[test]
fn a_ramp_is_followed_from_the_first_sample() {
    for (f, ramp) in [(50.0, 1.0), (50.5, -1.0), (60.0, 0.3)] {
        let text = csv(8000.0, 12_000, rich(|t| f * t + 0.5 * ramp * t * t));
        let (code, json, err) = run("measure", &text, &["--interval", "0.2"]);
        assert_eq!((code, err.as_str()), (0, ""));
        let readings = json["readings"].as_array().unwrap();
        assert!(readings.len() >= 7);
        for r in readings {
            assert!(flags(r).iter().all(|f| *f == "short"), "{:?}", r["flags"]);
            let middle = number(&r["start_s"]) + 0.5 * number(&r["duration_s"]);
            let want = f + ramp * middle;
            assert!((number(&r["frequency_hz"]) - want).abs() < 2e-3, "{f} {ramp}: {r}");
            for p in r["phases"].as_array().unwrap() {
                let s1 = 230.0 * 50.0;
                let q1 = number(&p["q1_var"]) / s1;
                assert!((q1 - libm::sin(PI / 3.0)).abs() < 2e-4, "{f} {ramp}: Q1 {q1}");
                for (order, v, i) in [(5, 0.05, 0.2), (49, 0.02, 0.02)] {
                    let read = |key: &str, unit: &str, first: f64| {
                        number(&p[key][order - 1][unit]) / first
                    };
                    let v_error = read("v_harmonics", "rms_v", 230.0) - v;
                    let i_error = read("i_harmonics", "rms_a", 50.0) - i;
                    // 0.05 % of the fundamental, or 1 % of the reading.
                    assert!(v_error.abs() < 5e-4 && i_error.abs() < 2e-3, "{order}: {v_error}");
                }
            }
        }
    }
}

/// A step of the frequency is no whole number of cycles in one window: that one is marked.
#[test]
fn a_step_is_marked_where_it_is_and_not_far_from_it() {
    let step = |t: f64| if t < 1.1 { 50.0 * t } else { 55.0 + 50.8 * (t - 1.1) };
    let text = csv(8000.0, 18_000, rich(step));
    let (_, json, _) = run("measure", &text, &["--interval", "0.2"]);
    let mut marked = 0;
    for r in json["readings"].as_array().unwrap() {
        let (from, length) = (number(&r["start_s"]), number(&r["duration_s"]));
        let moved = flags(r).contains(&"frequency_moved");
        assert!(moved || !(from..from + length).contains(&1.1), "{r}");
        marked += i32::from(moved);
        let q1 = number(&r["phases"][0]["q1_var"]) / 230.0 / 50.0;
        assert!(moved || (q1 - libm::sin(PI / 3.0)).abs() < 2e-4, "Q1 {q1} without a mark");
    }
    assert!(marked <= 6, "{marked} windows marked");
}

/// No flag of a recording says where the range ended: the flat tops do.
#[test]
fn a_channel_that_was_clipped_before_is_named() {
    let pure = |t: f64| {
        let wave = |k: usize, lag: f64| libm::cos(TAU * (50.0 * t - k as f64 / 3.0) - lag);
        let v = |k| 230.0 * SQRT_2 * wave(k, 0.0);
        let i = |k| 50.0 * SQRT_2 * wave(k, 0.6);
        [v(0), v(1), v(2), i(0), i(1), i(2)]
    };
    let clipped = |t: f64| {
        let mut x = pure(t);
        x[4] = x[4].min(60.0);
        x
    };
    let (_, json, _) = run("measure", &csv(8000.0, 4000, pure), &[]);
    assert!(flags(&json["readings"][0]).is_empty());
    let text = csv(8000.0, 4000, clipped);
    let (code, json, _) = run("measure", &text, &[]);
    assert_eq!((code, flags(&json["readings"][0])), (0, vec!["i_clipped"]));
    let channels = json["channels"].as_array().unwrap();
    let at: Vec<_> = channels.iter().map(|c| c["clipped_at_a"].as_f64()).collect();
    assert_eq!(at, [None, None, None, None, Some(60.0), None]);
    let (code, json, _) = run("hookup", &text, &[]);
    let codes: Vec<_> = json["why"].as_array().unwrap().iter().map(|w| &w["code"]).collect();
    assert_eq!((code, &json["verdict"]), (1, &Value::from("doubtful")));
    assert_eq!(codes.iter().filter(|c| **c == "clipped").count(), 1, "{}", json["why"]);
    assert!(json["why"][0]["text"].as_str().unwrap().contains("i2"), "{}", json["why"]);
}

/// 16⅔ Hz, 400 Hz and DC: no fundamental, which is said, but no voltage is missing.
#[test]
fn other_supplies_are_not_missing_voltages() {
    for hz in [0.0, 50.0 / 3.0, 400.0] {
        let wave = |t: f64| {
            [0.0, 1.0, 2.0]
                .map(|k| if hz == 0.0 { 0.7 } else { libm::cos(TAU * (hz * t - k / 3.0)) })
        };
        let text = csv(8000.0, 4000, |t| {
            let [a, b, c] = wave(t);
            [a, b, c, 0.1 * a, 0.1 * b, 0.1 * c].map(|x| 325.0 * x)
        });
        let (_, json, _) = run("measure", &text, &[]);
        assert_eq!(flags(&json["readings"][0]), ["no_fundamental"], "{hz} Hz");
        let told = json["alternates_hz"].as_f64();
        assert_eq!(told.is_some(), hz > 0.0);
        assert!(told.is_none_or(|f| (f / hz - 1.0).abs() < 0.02), "{told:?}");
    }
}

/// Seconds since 1970: the same step, with fewer digits left for it.
#[test]
fn times_may_be_large_and_must_be_seconds() {
    let wave = |t: f64| {
        let x = libm::cos(TAU * 50.0 * t);
        (325.269_119 * x, 14.142_136 * x)
    };
    let rows = |time: &dyn Fn(usize) -> String| {
        let mut text = String::from("t_s,v1_v,i1_a\n");
        for n in 0..4000 {
            let (v, i) = wave(n as f64 / 8000.0);
            writeln!(text, "{},{v:.6},{i:.6}", time(n)).unwrap();
        }
        text
    };
    let unix = rows(&|n| format!("{:.6}", 1_772_438_400.0 + n as f64 / 8000.0));
    let (code, json, err) = run("measure", &unix, &[]);
    assert_eq!((code, err.as_str()), (0, ""));
    assert!((number(&json["readings"][0]["phases"][0]["p_w"]) - 2300.0).abs() < 0.05);
    let (code, _, err) = run("measure", &rows(&|n| format!("{:.3}", n as f64 / 8.0)), &[]);
    assert_eq!(code, 2);
    assert!(err.contains("in seconds"), "{err}");
}

/// At a low rate, what THD sums is said.
#[test]
fn thd_says_up_to_which_order() {
    for (rate, highest) in [(2000.0, 16), (8000.0, 50)] {
        let (_, json, _) =
            run("measure", &csv(rate, (rate * 0.5) as usize, rich(|t| 50.0 * t)), &[]);
        let r = &json["readings"][0];
        assert_eq!(r["thd_highest_order"], highest);
        assert_eq!(r["phases"][0]["v_harmonics"].as_array().unwrap().len(), highest);
    }
}
