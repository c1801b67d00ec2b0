//! Expanded uncertainties for people and for programs: "value ± expanded (k = 2)".

use super::text::wrapped;
use crate::analyse::uncertainty::{
    Budget, COVERAGE, HarmonicOf, PhaseValues, Point, SurveyUncertainty, Worth,
};
use serde_json::{Map, Value, json};
use std::fmt::Write as _;
use wattless_core::interval::IntervalSummary;
use wattless_core::wiring::Wiring;

/// Width of the terminal that texts are made for.
const WIDTH: usize = 78;

/// The point that a summary of windows stands for.
fn point(wiring: Wiring, s: &IntervalSummary) -> Point {
    let phases = s.phases.each_ref().map(|p| PhaseValues {
        v_v: p.v_rms_v,
        i_a: p.i_rms_a,
        p_w: p.p_w,
        q1_var: p.q1_var,
    });
    Point::new(wiring, &phases)
}

/// Adds `..._expanded` (k = 2) beside each reading of `measure`, in the reading's unit.
pub fn add_to_reading(budget: &Budget, wiring: Wiring, s: &IntervalSummary, reading: &mut Value) {
    let p = point(wiring, s);
    let locked = s.frequency_hz.is_some();
    let of_fundamental = |x: f64| locked.then_some(x);
    let put = |into: Option<&mut Map<String, Value>>, pairs: &[(&str, Option<f64>)]| {
        let Some(into) = into else { return };
        for (key, value) in pairs {
            into.insert(format!("{key}_expanded"), json!(value));
        }
    };
    for k in 0..wiring.phases() {
        let u = budget.phase(&p, k, s.duration_s).expanded();
        let loaded = s.phases[k].loaded;
        let phase = &mut reading["phases"][k];
        put(
            phase.as_object_mut(),
            &[
                ("v_rms_v", Some(u.v_v)),
                ("i_rms_a", Some(u.i_a)),
                ("p_w", Some(u.p_w)),
                ("q1_var", of_fundamental(u.q1_var)),
                ("s_va", Some(u.s_va)),
                ("pf", u.pf.filter(|_| loaded)),
                ("phi1_deg", u.phi1_deg.filter(|_| loaded)),
            ],
        );
        for (list, of, unit) in [
            ("v_harmonics", HarmonicOf::Voltage, "rms_v"),
            ("i_harmonics", HarmonicOf::Current, "rms_a"),
        ] {
            for line in phase[list].as_array_mut().into_iter().flatten() {
                let order = line["order"].as_u64().and_then(|h| u8::try_from(h).ok());
                let (Some(order), Some(rms)) = (order, line[unit].as_f64()) else { continue };
                let u = COVERAGE * budget.harmonic(&p, k, of, order, rms, s.duration_s);
                put(line.as_object_mut(), &[(unit, Some(u))]);
            }
        }
    }
    let t = budget.total(&p, s.duration_s).expanded();
    let loaded = s.total.loaded;
    put(
        reading["total"].as_object_mut(),
        &[
            ("p_w", Some(t.p_w)),
            ("q1_var", of_fundamental(t.q1_var)),
            ("s_arithmetic_va", Some(t.s_arithmetic_va)),
            ("s_vector_va", of_fundamental(t.s_vector_va)),
            ("pf_arithmetic", t.pf_arithmetic.filter(|_| loaded)),
            ("pf_vector", t.pf_vector.filter(|_| loaded)),
        ],
    );
    let f = s.frequency_hz.map(|f| COVERAGE * budget.frequency_hz(&p, f, s.duration_s));
    put(reading.as_object_mut(), &[("frequency_hz", f)]);
}

/// What the uncertainties rest on, for the head of a JSON object.
pub fn basis_json(budget: &Budget) -> Value {
    json!({
        "coverage_factor": COVERAGE,
        "basis": budget.basis(),
        "assumed": budget.assumed,
    })
}

/// The uncertainties of a reading of `measure`, a line a phase.
pub fn reading_text(budget: &Budget, wiring: Wiring, s: &IntervalSummary) -> String {
    let p = point(wiring, s);
    let mut out = String::from("  expanded uncertainty (k = 2)\n");
    let of_fundamental =
        |x: f64, unit: &str| s.frequency_hz.map_or("-".to_owned(), |_| plus_minus(x, unit));
    let or_dash = |x: Option<f64>, show: &dyn Fn(f64) -> String| x.map_or("-".to_owned(), show);
    for (k, phase) in s.phases.iter().enumerate().take(wiring.phases()) {
        let u = budget.phase(&p, k, s.duration_s).expanded();
        let pf = or_dash(u.pf.filter(|_| phase.loaded), &|x| format!("PF ±{}", two_digits(x)));
        let phi = or_dash(u.phi1_deg.filter(|_| phase.loaded), &|x| format!("±{}°", two_digits(x)));
        line(
            &mut out,
            &format!("L{}", k + 1),
            [
                plus_minus(u.v_v, "V"),
                plus_minus(u.i_a, "A"),
                plus_minus(u.p_w, "W"),
                of_fundamental(u.q1_var, "var"),
                plus_minus(u.s_va, "VA"),
                format!("{pf}  {phi}"),
            ],
        );
    }
    if wiring.phases() > 1 {
        let t = budget.total(&p, s.duration_s).expanded();
        let loaded = s.total.loaded;
        let pf = or_dash(t.pf_arithmetic.filter(|_| loaded), &|x| format!("PF ±{}", two_digits(x)));
        let f = s.frequency_hz.map(|f| COVERAGE * budget.frequency_hz(&p, f, s.duration_s));
        line(
            &mut out,
            "total",
            [
                String::new(),
                String::new(),
                plus_minus(t.p_w, "W"),
                of_fundamental(t.q1_var, "var"),
                plus_minus(t.s_arithmetic_va, "VA"),
                format!("{pf}  {}", or_dash(f, &|x| format!("±{} mHz", two_digits(x * 1e3)))),
            ],
        );
    }
    out + &basis_text(&budget.basis(), &budget.assumed)
}

fn line(out: &mut String, name: &str, cells: [String; 6]) {
    let [v, a, w, var, va, rest] = cells;
    let text = format!("  {name:<6}{v:>9}{a:>9}{w:>10}{var:>12}{va:>10}  {rest}");
    let _ = writeln!(out, "{}", text.trim_end());
}

fn basis_text(basis: &str, assumed: &[String]) -> String {
    let mut text = basis.to_owned();
    for a in assumed {
        let _ = write!(text, "; assumed: {a}");
    }
    let lines = wrapped(&format!("{text}."), WIDTH - 4);
    lines.iter().map(|l| format!("    {l}\n")).collect()
}

/// Two digits that count, or three when the first is a one, as uncertainties are stated
/// (JCGM 100, 7.2.6: at most two matter).
fn two_digits(x: f64) -> String {
    if !x.is_finite() {
        return "-".into();
    }
    if x == 0.0 {
        return "0".into();
    }
    let places = 1 - libm::floor(libm::log10(x.abs())) as i32;
    if places > 0 {
        format!("{x:.*}", places.min(12) as usize)
    } else {
        let step = libm::pow(10.0, f64::from(-places));
        format!("{:.0}", libm::rint(x / step) * step)
    }
}

/// `±1.2 kW`.
fn plus_minus(x: f64, unit: &str) -> String {
    let (scaled, prefix) = match x.abs() {
        a if a >= 1e6 => (x / 1e6, "M"),
        a if a >= 1e3 => (x / 1e3, "k"),
        a if a >= 0.1 || a == 0.0 => (x, ""),
        _ => (x * 1e3, "m"),
    };
    format!("±{} {prefix}{unit}", two_digits(scaled))
}

/// The headline figures of a survey with their uncertainties, as a section of its text.
pub fn survey_text(u: &SurveyUncertainty) -> String {
    let mut out = String::from("\nHow sure (value ± expanded uncertainty, k = 2)\n");
    let kilo = |w: &Option<Worth>, unit: &str| {
        w.as_ref().map_or("-".to_owned(), |w| {
            let digits = places(w.expanded / 1e3);
            format!("{:.digits$} ± {} k{unit}", w.value / 1e3, two_digits(w.expanded / 1e3))
        })
    };
    let pf = u.average_pf.as_ref().map_or("-".to_owned(), |w| {
        let digits = places(w.expanded).max(2);
        format!("{:.digits$} ± {}", w.value, two_digits(w.expanded))
    });
    for (name, text) in [
        ("active energy in", kilo(&u.active_in_wh, "Wh")),
        ("reactive energy, lagging", kilo(&u.reactive_lagging_varh, "varh")),
        ("peak active demand", kilo(&u.p_peak_w, "W")),
        ("peak apparent demand", kilo(&u.s_peak_va, "VA")),
        ("average power factor", pf),
    ] {
        let _ = writeln!(out, "  {name:<26}{text}");
    }
    out + &basis_text(&u.basis, &u.assumed)
}

/// Decimals of a value whose uncertainty has two digits.
fn places(u: f64) -> usize {
    if u.is_finite() && u > 0.0 {
        (1 - libm::floor(libm::log10(u)) as i32).clamp(0, 9) as usize
    } else {
        3
    }
}

/// The same for programs: each figure and its `..._expanded`.
pub fn survey_json(u: &SurveyUncertainty) -> Value {
    let mut out = json!({
        "coverage_factor": u.coverage_factor,
        "basis": u.basis,
        "assumed": u.assumed,
    });
    for (key, worth) in [
        ("active_in_wh", &u.active_in_wh),
        ("reactive_lagging_varh", &u.reactive_lagging_varh),
        ("p_peak_w", &u.p_peak_w),
        ("s_peak_va", &u.s_peak_va),
        ("average_pf", &u.average_pf),
    ] {
        out[key] = json!(worth.map(|w| w.value));
        out[format!("{key}_expanded")] = json!(worth.map(|w| w.expanded));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn uncertainties_have_two_digits() {
        for (x, text) in [
            (0.0, "0"),
            (0.012_34, "0.012"),
            (0.99, "0.99"),
            (1.234, "1.2"),
            (12.34, "12"),
            (1234.0, "1200"),
            (f64::NAN, "-"),
        ] {
            assert_eq!(two_digits(x), text);
        }
        assert_eq!(plus_minus(1234.0, "W"), "±1.2 kW");
        assert_eq!(plus_minus(0.012, "A"), "±12 mA");
    }

    #[test]
    fn surveys_fit_and_say_dash_for_none() {
        let worth = |value, expanded| Some(Worth { value, expanded });
        let u = SurveyUncertainty {
            coverage_factor: 2.0,
            basis: "k = 2; current sensors class 1".into(),
            assumed: vec!["current sensors are of class 1 (set uncertainty.current_class)".into()],
            active_in_wh: worth(7_340_220.0, 93_400.0),
            reactive_lagging_varh: None,
            p_peak_w: worth(134_447.0, 1712.0),
            s_peak_va: worth(139_517.0, 1800.0),
            average_pf: worth(0.8168, 0.0091),
        };
        let text = survey_text(&u);
        assert!(text.contains("7340 ± 93 kWh") && text.contains("134.4 ± 1.7 kW"), "{text}");
        assert!(text.contains("0.8168 ± 0.0091") && text.contains("lagging  -"), "{text}");
        assert!(text.lines().all(|l| l.chars().count() <= 80));
        let json = survey_json(&u);
        assert_eq!(json["active_in_wh_expanded"], 93_400.0);
        assert!(json["reactive_lagging_varh_expanded"].is_null());
    }
}
