//! Harmonics, sequence components and the parts of apparent power of one reading, as text and JSON.

use crate::analyse::harmonics::{HarmonicTable, Lines};
use crate::analyse::measure::MeasuredInterval;
use serde_json::{Map, Value, json};
use std::fmt::Write as _;
use wattless_core::complex::Complex;
use wattless_core::distortion::{Apparent, Squares};
use wattless_core::flags::Flags;
use wattless_core::interval::IntervalSummary;
use wattless_core::sequence::{Components, deviation_from_mean};
use wattless_core::spectrum::ORDERS;
use wattless_core::wiring::Wiring;

/// Orders are shown where any voltage or current reaches these shares of its fundamental.
const SHOWN_SHARE: (f64, f64) = (0.001, 0.005);

fn pct(x: Option<f64>) -> Option<f64> {
    x.map(|x| 100.0 * x)
}

/// The keys of a phase that say how its waves are distorted.
pub fn phase_json(
    r: &MeasuredInterval,
    phase: usize,
    demand_current_a: Option<f64>,
    into: &mut Map<String, Value>,
) {
    let s = &r.summary;
    let of = |f: &dyn Fn(&Squares) -> Option<f64>, current: bool| {
        s.distortion.as_ref().and_then(|d| f(if current { &d.i[phase] } else { &d.v[phase] }))
    };
    let lines = |pick: &dyn Fn(&HarmonicTable) -> Option<&Lines>, unit| {
        r.harmonics.as_ref().and_then(pick).map(|l| lines_json(l, unit))
    };
    let mut put = |key: &str, value: Value| into.insert(key.into(), value);
    put("v_thd_pct", json!(pct(of(&Squares::thd, false))));
    put("i_thd_pct", json!(pct(of(&Squares::thd, true))));
    if let Some(a) = demand_current_a {
        put("i_tdd_pct", json!(pct(of(&|s| s.tdd(a), true))));
    }
    let a = s.apparent(phase);
    put("s1_va", json!(a.map(|a| a.s1_va)));
    put("sn_va", json!(a.map(|a| a.sn_va)));
    put("di_var", json!(a.map(|a| a.di_var)));
    put("dv_var", json!(a.map(|a| a.dv_var)));
    put("sh_va", json!(a.map(|a| a.sh_va)));
    put("dh_var", json!(a.map(|a| a.dh_var)));
    put("ph_w", json!(a.map(|a| a.ph_w)));
    put("v_harmonics", json!(lines(&|t| t.v.get(phase), "rms_v")));
    put("i_harmonics", json!(lines(&|t| t.i.get(phase), "rms_a")));
}

/// An array over the orders from 1.
fn lines_json(lines: &Lines, unit: &str) -> Value {
    let one = |(k, l): (usize, &crate::analyse::harmonics::Line)| json!({"order": k + 1, unit: l.rms, "angle_deg": l.angle_deg});
    lines.iter().enumerate().map(one).collect()
}

/// The keys of the totals beyond P, Q1 and S.
pub fn total_json(s: &IntervalSummary, wiring: Wiring, into: &mut Map<String, Value>) {
    let a = s.apparent_effective(wiring);
    let p = positive(s, wiring);
    let mut put = |key: &str, value: Option<f64>| into.insert(key.into(), json!(value));
    put("se1_va", a.map(|a| a.s1_va));
    put("sen_va", a.map(|a| a.sn_va));
    put("dei_var", a.map(|a| a.di_var));
    put("dev_var", a.map(|a| a.dv_var));
    put("seh_va", a.map(|a| a.sh_va));
    put("p1_positive_w", p.map(|s| s.re));
    put("q1_positive_var", p.map(|s| s.im));
    put("s1_positive_va", p.map(Complex::abs));
    put("pf1_positive", p.and_then(|p| pf_of(s, p)));
    // Fundamental unbalanced apparent power.
    let unbalanced = |a: Apparent, p: Complex| a.s1_va * a.s1_va - p.norm_sq();
    put("su1_va", a.zip(p).map(|(a, p)| libm::sqrt(unbalanced(a, p).max(0.0))));
}

/// P1+ and Q1+ as one complex number, in VA; + is the direction in which the voltages turn.
fn positive(s: &IntervalSummary, wiring: Wiring) -> Option<Complex> {
    let (v, i) = s.sequence(wiring)?;
    let (v, i) = (v.along(v.rotation()), i.along(v.rotation()));
    Some((v.positive * i.positive.conj()).scale(3.0))
}

fn pf_of(s: &IntervalSummary, p: Complex) -> Option<f64> {
    (s.total.loaded && p.abs() > 0.0).then(|| p.re / p.abs())
}

/// What the neutral carries.
pub fn neutral_json(r: &MeasuredInterval, wiring: Wiring) -> Value {
    let s = &r.summary;
    let measured = s.flags.contains(Flags::NEUTRAL_MEASURED);
    let lines = r.harmonics.as_ref().and_then(|t| t.neutral.as_ref());
    match wiring.neutral_current() {
        None => Value::Null,
        Some(_) => json!({
            "i_rms_a": s.i_neutral_a,
            "measured": measured,
            "i_sum_of_phases_a": s.i_sum_a,
            "i_harmonics": lines.map(|l| lines_json(l, "rms_a")),
        }),
    }
}

/// Symmetrical components and unbalance; null unless there are three phases.
pub fn sequence_json(s: &IntervalSummary, wiring: Wiring) -> Value {
    let Some((v, i)) = s.sequence(wiring) else {
        return Value::Null;
    };
    let u = Unbalance::of(s, wiring, &v, &i);
    json!({
        "rotation": v.rotation().map(|r| r.name()),
        "v_positive_v": v.positive.abs(),
        "v_negative_v": v.negative.abs(),
        "v_zero_v": u.has_v_zero.then(|| v.zero.abs()),
        "i_positive_a": i.positive.abs(),
        "i_negative_a": i.negative.abs(),
        "i_zero_a": u.has_i_zero.then(|| i.zero.abs()),
        "v_unbalance_pct": pct(u.v),
        "v_unbalance_nema_pct": pct(u.v_nema),
        "v_zero_unbalance_pct": pct(u.v_zero),
        "i_unbalance_pct": pct(u.i),
        "i_unbalance_nema_pct": pct(u.i_nema),
    })
}

/// Unbalance both ways, as fractions, whichever way the supply turns.
struct Unbalance {
    v: Option<f64>,
    v_zero: Option<f64>,
    v_nema: Option<f64>,
    i: Option<f64>,
    i_nema: Option<f64>,
    has_v_zero: bool,
    has_i_zero: bool,
}

impl Unbalance {
    fn of(s: &IntervalSummary, wiring: Wiring, v: &Components, i: &Components) -> Unbalance {
        let loaded = s.total.loaded;
        let two_sensors = matches!(wiring, Wiring::TwoSensor | Wiring::TwoSensorLine);
        let supply = v.rotation();
        // Against the star point of the lines there is none to be seen.
        let has_v_zero = !wiring.is_three_wire();
        Unbalance {
            v: v.along(supply).negative_ratio(),
            v_zero: v.along(supply).zero_ratio().filter(|_| has_v_zero),
            v_nema: deviation_from_mean(s.v_line_v),
            i: i.along(supply).negative_ratio().filter(|_| loaded),
            i_nema: deviation_from_mean(s.phases.each_ref().map(|p| p.i_rms_a)).filter(|_| loaded),
            has_v_zero,
            has_i_zero: !two_sensors,
        }
    }
}

fn number(x: f64) -> String {
    let decimals = match x.abs() {
        x if x >= 1000.0 => 1,
        x if x >= 100.0 => 2,
        x if x >= 10.0 => 3,
        _ => 4,
    };
    format!("{x:.decimals$}")
}

fn pct_text(x: Option<f64>) -> String {
    x.map_or_else(|| "-".into(), |x| format!("{:.2} %", 100.0 * x))
}

/// Lines about sequence components, parts of apparent power and distortion.
pub fn text(
    t: &mut String,
    r: &MeasuredInterval,
    wiring: Wiring,
    demand_current_a: Option<f64>,
    table: bool,
) {
    let s = &r.summary;
    if let Some((v, i)) = s.sequence(wiring) {
        let u = Unbalance::of(s, wiring, &v, &i);
        let row = |c: &Components, zero: bool| {
            let zero = if zero { number(c.zero.abs()) } else { "-".into() };
            format!(
                "positive {}, negative {}, zero {zero}",
                number(c.positive.abs()),
                number(c.negative.abs()),
            )
        };
        let rotation = v.rotation().map_or("-", |r| r.name());
        let _ = writeln!(t, "  rotation {rotation}");
        let _ = writeln!(t, "  sequence V  {}", row(&v, u.has_v_zero));
        let _ = writeln!(t, "  sequence A  {}", row(&i, u.has_i_zero));
        let _ = writeln!(
            t,
            "  unbalance   V {} (IEC), {} (NEMA); A {}, {}",
            pct_text(u.v),
            pct_text(u.v_nema),
            pct_text(u.i),
            pct_text(u.i_nema)
        );
    }
    if wiring.neutral_current().is_some() {
        let sum = number(s.i_sum_a);
        let _ = match s.flags.contains(Flags::NEUTRAL_MEASURED) {
            true => writeln!(
                t,
                "  neutral     {} A measured; the phases leave {sum} A",
                number(s.i_neutral_a)
            ),
            false => writeln!(t, "  neutral     {sum} A from the sum of the phases"),
        };
    }
    let effective = s.apparent_effective(wiring);
    let parts = effective
        .map(|a| ("Se", a))
        .or_else(|| (wiring.phases() == 1).then(|| s.apparent(0).map(|a| ("S", a))).flatten());
    if let Some((name, a)) = parts {
        let k = |x: f64| number(x / 1000.0);
        let _ = writeln!(
            t,
            "  {name} {} kVA: of fundamentals {}, the rest {}",
            k(a.s_va),
            k(a.s1_va),
            k(a.sn_va)
        );
        let _ = writeln!(
            t,
            "     of it by current {}, by voltage {}, by both {} (IEEE 1459)",
            k(a.di_var),
            k(a.dv_var),
            k(a.sh_va)
        );
    }
    if let Some(p) = positive(s, wiring) {
        let pf = pf_of(s, p).map_or_else(|| "-".into(), |x| format!("{x:.3}"));
        let _ = writeln!(
            t,
            "  positive sequence of the fundamental: {} kW, {} kvar, PF {pf}",
            number(p.re / 1000.0),
            number(p.im / 1000.0)
        );
    }
    if let Some(h) = &r.harmonics {
        harmonics_text(t, s, h, wiring, demand_current_a, table);
    }
}

/// A table in percent of the fundamentals, 74 columns wide at most.
fn harmonics_text(
    t: &mut String,
    s: &IntervalSummary,
    h: &HarmonicTable,
    wiring: Wiring,
    demand_current_a: Option<f64>,
    table: bool,
) {
    let n = wiring.phases();
    let mut row = |name: &str, v: &dyn Fn(usize) -> String, i: &dyn Fn(usize) -> String| {
        let mut line = format!("  {name:<10}");
        for k in 0..n {
            let _ = write!(line, "{:>9}", v(k));
        }
        line.push_str("  ");
        for k in 0..n {
            let _ = write!(line, "{:>9}", i(k));
        }
        let _ = writeln!(t, "{}", line.trim_end());
    };
    let share = |x: Option<f64>| x.map_or_else(|| "-".into(), |x| format!("{:.2}", 100.0 * x));
    let d = s.distortion.unwrap_or_default();
    row("% of 1st", &|k| format!("V L{}", k + 1), &|k| format!("A L{}", k + 1));
    let all = d.highest >= ORDERS;
    let thd = if all { "THD".to_owned() } else { format!("THD to {}", d.highest) };
    row(&thd, &|k| share(d.v[k].thd()), &|k| share(d.i[k].thd()));
    if let Some(a) = demand_current_a {
        row("TDD", &|_| String::new(), &|k| share(d.i[k].tdd(a)));
    }
    if !table {
        return;
    }
    let ratio = |lines: &Lines, sound: &Squares, order: usize| {
        let (first, x) = (lines.first()?.rms, lines.get(order - 1)?.rms);
        (sound.fundamental > 0.0 && first > 0.0).then(|| x / first)
    };
    let mut left_out = 0;
    for order in 2..=d.highest {
        let v = |k: usize| ratio(&h.v[k], &d.v[k], order);
        let i = |k: usize| ratio(&h.i[k], &d.i[k], order);
        let any = (0..n).any(|k| {
            v(k).is_some_and(|x| x >= SHOWN_SHARE.0) || i(k).is_some_and(|x| x >= SHOWN_SHARE.1)
        });
        if any {
            row(&format!("{order:>5}"), &|k| share(v(k)), &|k| share(i(k)));
        } else {
            left_out += 1;
        }
    }
    if d.highest < ORDERS {
        let _ =
            writeln!(t, "  orders above {}: the sample rate is too low to tell them", d.highest);
    }
    if left_out > 0 {
        let _ = writeln!(
            t,
            "  {left_out} orders up to {} stay below {} % of V and {} % of A (all in --json)",
            d.highest,
            100.0 * SHOWN_SHARE.0,
            100.0 * SHOWN_SHARE.1
        );
    }
}
