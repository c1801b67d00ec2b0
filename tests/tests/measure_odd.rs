//! `wattless measure` on odd input: lines exchanged, a dead phase, a current of nothing.
//!
//! The truth is closed form, by the definitions of IEEE Std 1459-2010 (from memory) on the
//! phasors that the samples were made from.

use serde_json::Value;
use std::f64::consts::{PI, SQRT_2, TAU};
use std::fmt::Write as _;
use wattless_core::complex::Complex;
use wattless_tests::program;

/// Phasors of the orders 1, 5 and 7 of a channel.
type Wave = [Complex; 3];
const ORDERS: [f64; 3] = [1.0, 5.0, 7.0];

fn at(size: f64, deg: f64) -> Complex {
    Complex::unit(deg * PI / 180.0).scale(size)
}

/// Three lines that turn L1-L2-L3, uneven, with harmonics.
fn lines(size: f64, lag: f64, uneven: [f64; 3]) -> [Wave; 3] {
    [0, 1, 2].map(|k| {
        let turn = -120.0 * k as f64;
        [
            at(size * uneven[k], turn - lag),
            at(0.06 * size, 5.0 * turn + 40.0 + lag),
            at(0.03 * size, 7.0 * turn - 70.0),
        ]
    })
}

fn measure(v: &[Wave; 3], i: &[Wave; 3]) -> Value {
    let mut text = String::from("t_s,v1_v,v2_v,v3_v,i1_a,i2_a,i3_a\n");
    for n in 0..3200 {
        let t = f64::from(n) / 8000.0;
        write!(text, "{t:.6}").unwrap();
        for wave in v.iter().chain(i) {
            let x: f64 = wave
                .iter()
                .zip(ORDERS)
                .map(|(c, h)| (*c * Complex::unit(TAU * 50.0 * h * t)).re * SQRT_2)
                .sum();
            write!(text, ",{x:.7}").unwrap();
        }
        text.push('\n');
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("odd.csv");
    std::fs::write(&path, text).unwrap();
    let out = program::command().arg("measure").arg(&path).arg("--json").output().unwrap();
    assert_eq!(out.status.code(), Some(0), "{}", String::from_utf8_lossy(&out.stderr));
    let json: Value = serde_json::from_slice(&out.stdout).unwrap();
    json["readings"][0].clone()
}

fn near(value: &Value, want: f64, within: f64) {
    let x = value.as_f64().unwrap_or_else(|| panic!("{value}, wanted {want}"));
    assert!((x - want).abs() <= within, "{x}, wanted {want}");
}

/// The names of two lines exchanged: nothing that a bill or a motor feels is another.
#[test]
fn exchanged_lines_change_names_only() {
    let v = lines(230.0, 0.0, [1.0, 0.98, 1.01]);
    let i = lines(40.0, 35.0, [1.0, 1.1, 0.8]);
    let swap = |x: &[Wave; 3]| [x[0], x[2], x[1]];
    let (one, other) = (measure(&v, &i), measure(&swap(&v), &swap(&i)));
    assert_eq!(other["sequence"]["rotation"], "L1-L3-L2");
    let totals = one["total"].as_object().unwrap();
    assert!(totals.len() > 12);
    for (key, want) in totals {
        near(&other["total"][key], want.as_f64().unwrap(), 0.05);
    }
    let of = |r: &Value, key: &str| r["sequence"][key].as_f64().unwrap();
    for (here, there) in [
        ("v_positive_v", "v_negative_v"),
        ("i_positive_a", "i_negative_a"),
        ("v_unbalance_pct", "v_unbalance_pct"),
        ("v_zero_unbalance_pct", "v_zero_unbalance_pct"),
        ("i_unbalance_pct", "i_unbalance_pct"),
        ("v_unbalance_nema_pct", "v_unbalance_nema_pct"),
    ] {
        assert!((of(&one, here) - of(&other, there)).abs() < 1e-3, "{here}: {one} {other}");
    }
    // Fortescue by hand: mean of the three, each turned back to the first.
    let part = |sign: f64| {
        let turned = (0..3).map(|k| v[k][0] * at(1.0, sign * 120.0 * k as f64));
        turned.fold(Complex::ZERO, |s, x| s + x).abs() / 3.0
    };
    assert!((of(&one, "v_unbalance_pct") - 100.0 * part(-1.0) / part(1.0)).abs() < 1e-3);
}

/// Square of the RMS of a sum of waves.
fn square(waves: &[(Wave, f64)]) -> f64 {
    let order = |k: usize| waves.iter().fold(Complex::ZERO, |s, (w, x)| s + w[k].scale(*x));
    (0..3).map(|k| order(k).norm_sq()).sum()
}

/// Effective apparent power of four wires, of all orders.
fn effective(v: &[Wave; 3], i: &[Wave; 3]) -> f64 {
    let phases = |x: &[Wave; 3]| x.iter().map(|w| square(&[(*w, 1.0)])).sum::<f64>();
    let lines: f64 =
        [(0, 1), (1, 2), (2, 0)].iter().map(|(a, b)| square(&[(v[*a], 1.0), (v[*b], -1.0)])).sum();
    let neutral = square(&[(i[0], 1.0), (i[1], 1.0), (i[2], 1.0)]);
    let (ve2, ie2) = ((3.0 * phases(v) + lines) / 18.0, (phases(i) + neutral) / 3.0);
    3.0 * libm::sqrt(ve2 * ie2)
}

#[test]
fn dead_phases_are_in_the_totals_and_have_no_ratios() {
    let (v, i) = (lines(230.0, 0.0, [1.0; 3]), lines(40.0, 35.0, [1.0, 1.1, 0.8]));
    let dead = |x: &[Wave; 3], k: usize| {
        let mut x = *x;
        x[k] = [Complex::ZERO; 3];
        x
    };
    let fundamental = |x: &[Wave; 3]| x.map(|w| [w[0], Complex::ZERO, Complex::ZERO]);
    for k in 0..3 {
        for (v, i, voltage) in [(dead(&v, k), i, true), (v, dead(&i, k), false)] {
            let r = measure(&v, &i);
            let (se, se1) = (effective(&v, &i), effective(&fundamental(&v), &fundamental(&i)));
            near(&r["total"]["s_effective_va"], se, 0.05);
            near(&r["total"]["se1_va"], se1, 0.05);
            near(&r["total"]["sen_va"], libm::sqrt(se * se - se1 * se1), 0.2);
            let p: f64 = (0..3)
                .flat_map(|a| (0..3).map(move |h| (a, h)))
                .map(|(a, h)| (v[a][h] * i[a][h].conj()).re)
                .sum();
            near(&r["total"]["p_w"], p, 0.05);
            let phase = &r["phases"][k];
            for key in ["pf", "dpf", if voltage { "v_thd_pct" } else { "i_thd_pct" }] {
                assert_eq!(phase[key], Value::Null, "{key} of a dead phase");
            }
            let missing = r["flags"].as_array().unwrap().iter().any(|f| f == "v_missing");
            assert_eq!(missing, voltage);
        }
    }
    let r = measure(&v, &[[Complex::ZERO; 3]; 3]);
    for key in ["pf_arithmetic", "pf_vector", "pf_effective", "pf1_positive"] {
        assert_eq!(r["total"][key], Value::Null, "{key} without load");
    }
    assert_eq!(r["sequence"]["i_unbalance_pct"], Value::Null);
}
