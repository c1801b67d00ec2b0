//! Hard limits that exclude a candidate, and what to take care of.

use super::candidate::{Choice, Place, Space, motor_limit};
use super::harmonics::{
    Branch, Measured, ORDERS, Resonance, Stress, THD_LIMIT_PCT, VOLTAGE_LIMIT_PCT, resonance,
    stress,
};
use super::replay::Totals;
use serde::Serialize;
use wattless_core::correction::{line_current_a, overload_ratio, tuned_order};

/// Most voltage on capacitors, RMS over rated (IEEE Std 18: 110 %, from memory).
pub const VOLTAGE_LIMIT: f64 = 1.10;

/// Most current through capacitors, RMS over rated (IEEE Std 18: 135 %, from memory).
pub const CURRENT_LIMIT: f64 = 1.35;

/// Most reactive power of capacitors over rated (IEEE Std 18: 135 %, from memory).
pub const KVAR_LIMIT: f64 = 1.35;

/// Conductors to capacitors carry at least this over the capacitor's rated current (NFPA 70
/// Article 460, from memory; the local code decides).
pub const CONDUCTOR_SHARE: f64 = 1.35;

/// A remark on a candidate.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Remark {
    /// A short name that stays the same.
    pub id: &'static str,
    /// A sentence.
    pub words: String,
}

/// Capacitors of one part of a candidate: stress and current.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Part {
    /// What stands where.
    pub name: String,
    /// Where.
    pub place: Place,
    /// Output at nominal voltage and frequency, in var.
    pub nominal_var: f64,
    /// Rated voltage of its capacitors, in V.
    pub rated_v: f64,
    /// Order to which a series reactor tunes it; none for plain capacitors.
    pub tuned_order: Option<f64>,
    /// Stress at the highest voltage, over rated.
    pub stress: Stress,
    /// Current at nominal voltage, in A.
    pub current_a: f64,
    /// Least ampacity of its conductors, in A.
    pub conductor_a: f64,
    /// New setting of the motor's overload relay with the capacitors on its load side, in A.
    pub overload_setting_a: Option<f64>,
    /// The same over the old setting.
    pub overload_ratio: Option<f64>,
}

/// What the limits say about a candidate.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Checked {
    /// Limits that it breaks; any excludes it.
    pub exclusions: Vec<Remark>,
    /// What to take care of.
    pub cautions: Vec<Remark>,
    /// Its parts.
    pub parts: Vec<Part>,
    /// The worst combination of steps for the harmonics: the nearest to an order, or the one
    /// that magnifies most.
    pub resonance: Option<Resonance>,
    /// Rise of the voltage with everything on, by the rule kvar·X%/kVA, in percent.
    pub rise_pct: Option<f64>,
}

/// What the replay found.
#[derive(Clone, Copy, Debug)]
pub struct Seen {
    /// Its sums and extremes.
    pub totals: Totals,
    /// Share of the demand intervals with the feeder leading beyond that of doing nothing.
    pub leading_added: f64,
    /// Highest voltage over nominal without any capacitors added.
    pub v_before: f64,
}

/// Checks a candidate against every limit.
pub fn check(space: &Space<'_>, genome: &[u16], seen: &Seen, measured: &Measured) -> Checked {
    let mut out = Checked::default();
    if genome.iter().all(|g| *g == 0) {
        return out;
    }
    let (supply, terms) = (space.supply, &space.plant.correction);
    let v_max = f64::from(seen.totals.v_ratio_max);
    worst_resonance(space, genome, measured, &mut out);
    let v_ratio = out.resonance.as_ref().and_then(|r| r.v_ratio);
    for (place, choice) in space.parts(genome) {
        let (build, many, _) = space.piece(choice);
        let one = space.output_var(build);
        let over_rated = v_max * supply.line_voltage_v / build.rated_v;
        let s = stress(over_rated, build.detuning, v_ratio);
        let name = space.part_name(place, choice);
        for (id, got, limit, what) in [
            ("capacitor-voltage", s.voltage, VOLTAGE_LIMIT, "voltage"),
            ("capacitor-current", s.current, CURRENT_LIMIT, "current"),
            ("capacitor-kvar", s.kvar, KVAR_LIMIT, "kvar"),
        ] {
            if got > limit {
                out.exclusions.push(Remark {
                    id,
                    words: format!(
                        "{name}: {what} would reach {:.0} % of the capacitors' rating (limit {:.0} %); \
                         take a higher rated voltage",
                        got * 100.0,
                        limit * 100.0
                    ),
                });
            }
        }
        let rated_var = one * f64::from(many);
        let current_a = line_current_a(rated_var, supply.line_voltage_v);
        let mut part = Part {
            name,
            place,
            nominal_var: rated_var,
            rated_v: build.rated_v,
            tuned_order: (build.detuning > 0.0).then(|| tuned_order(build.detuning)),
            stress: s,
            current_a,
            conductor_a: CONDUCTOR_SHARE * current_a,
            overload_setting_a: None,
            overload_ratio: None,
        };
        if let Place::Motor(k) = place {
            motor_part(space, k, &mut part, &mut out);
        }
        if let Choice::Bank(..) = choice
            && seen.totals.switchings > 0.0
        {
            out.cautions.push(Remark {
                id: "discharge",
                words: format!(
                    "the bank waits {} s before a step is used again: its discharge devices must be \
                     as quick",
                    terms.lockout_s
                ),
            });
        }
        tuning(space, &part, measured, &mut out);
        out.parts.push(part);
    }
    voltage(space, genome, seen, &mut out);
    if seen.leading_added > terms.leading_share {
        out.exclusions.push(Remark {
            id: "leading",
            words: format!(
                "the feeder would lead in {:.0} % more of the intervals (limit {:.0} %)",
                seen.leading_added * 100.0,
                terms.leading_share * 100.0
            ),
        });
    } else if seen.leading_added > 0.0 {
        out.cautions.push(Remark {
            id: "leading-some",
            words: format!(
                "the feeder would lead in {:.1} % more of the intervals",
                seen.leading_added * 100.0
            ),
        });
    }
    out
}

fn motor_part(space: &Space<'_>, k: usize, part: &mut Part, out: &mut Checked) {
    let Some(m) = space.plant.motors.get(k) else { return };
    if let Ok((limit_var, rule)) = motor_limit(m, space.supply.line_voltage_v)
        && part.nominal_var > limit_var
    {
        out.exclusions.push(Remark {
            id: "self-excitation",
            words: format!(
                "motor {} may have {:.1} kvar at most ({rule}): with more it excites itself when \
                 switched off",
                m.name,
                limit_var / 1e3
            ),
        });
    }
    let ratio = overload_ratio(m.input_w(), m.input_var(), part.nominal_var);
    part.overload_ratio = Some(ratio);
    part.overload_setting_a = m.overload_setting_a.map(|a| a * ratio);
    let to = match part.overload_setting_a {
        Some(a) => format!("from {:.1} to {a:.1} A", m.overload_setting_a.unwrap_or(0.0)),
        None => format!("to {:.1} % of its setting", ratio * 100.0),
    };
    out.cautions.push(Remark {
        id: "overload-relay",
        words: format!(
            "motor {}: with the capacitors on the load side of the overload relay, set it {to}",
            m.name
        ),
    });
}

/// A tuned branch must lie below the orders that the feeder injects, and not on the third.
fn tuning(space: &Space<'_>, part: &Part, measured: &Measured, out: &mut Checked) {
    let Some(order) = part.tuned_order else { return };
    if let Some(v) = measured.voltages(space.supply)
        && order > 3.0
        && v[0] > 0.01
    {
        out.cautions.push(Remark {
            id: "third-harmonic",
            words: format!(
                "{}: tuned to order {order:.2} with {:.1} % of third harmonic in the voltage; 14 % \
                 (order 2.67) suits better",
                part.name,
                v[0] * 100.0
            ),
        });
    }
}

/// Looks at every number of steps that may be on.
fn worst_resonance(space: &Space<'_>, genome: &[u16], measured: &Measured, out: &mut Checked) {
    let mut fixed: Vec<Branch> = Vec::new();
    let mut bank = None;
    let mut add = |q_var: f64, p: f64| match fixed.iter_mut().find(|b| b.p == p) {
        Some(b) => b.q_var += q_var,
        None => fixed.push(Branch { q_var, p }),
    };
    for (_, choice) in space.parts(genome) {
        let (build, many, _) = space.piece(choice);
        let one = space.output_var(build);
        match choice {
            Choice::Units(..) => add(one * f64::from(many), build.detuning),
            Choice::Bank(..) => bank = Some((one, many, build.detuning)),
        }
    }
    let v_before = measured.voltages(space.supply);
    let mut worst: Option<(f64, Resonance)> = None;
    let mut over: Option<(f64, usize, Resonance)> = None;
    for k in 0..=bank.map_or(0, |b| b.1) {
        let mut on = fixed.clone();
        if let Some((one, _, p)) = bank
            && k > 0
        {
            let q = one * f64::from(k);
            match on.iter_mut().find(|b| b.p == p) {
                Some(b) => b.q_var += q,
                None => on.push(Branch { q_var: q, p }),
            }
        }
        if on.is_empty() {
            continue;
        }
        let r = resonance(&on, space.supply, measured);
        let magnified = r.magnification.map_or(0.0, |m| m[1..].iter().copied().fold(0.0, f64::max));
        let badness = match r.v_ratio {
            // The order that comes closest to its limit.
            Some(v) => {
                v.iter().zip(VOLTAGE_LIMIT_PCT).map(|(v, l)| v * 100.0 / l).fold(0.0, f64::max)
            }
            None => magnified,
        };
        if let (Some(after), Some(before)) = (r.v_ratio, v_before) {
            for (n, limit) in VOLTAGE_LIMIT_PCT.iter().enumerate() {
                let share = after[n] * 100.0 / limit;
                if share > 1.0
                    && after[n] > 1.05 * before[n]
                    && over.as_ref().is_none_or(|o| share > o.0)
                {
                    over = Some((share, n, r));
                }
            }
            let thd = |v: [f64; 5]| libm::sqrt(v.iter().map(|x| x * x).sum::<f64>()) * 100.0;
            if thd(after) > THD_LIMIT_PCT && thd(after) > 1.05 * thd(before) && over.is_none() {
                over = Some((thd(after) / THD_LIMIT_PCT, 1, r));
            }
        }
        if worst.as_ref().is_none_or(|w| badness > w.0 || (r.near.is_some() && w.1.near.is_none()))
        {
            worst = Some((badness, r));
        }
    }
    let near = worst.as_ref().and_then(|w| w.1.near.map(|n| (n, w.1)));
    if let Some((_, n, r)) = over {
        let (after, before) = (r.v_ratio.unwrap_or_default(), v_before.unwrap_or_default());
        out.exclusions.push(Remark {
            id: "resonance",
            words: format!(
                "with {:.0} kvar on, harmonic {} of the voltage would rise from {:.1} to {:.1} % \
                 (limit {} %){}; detune it",
                r.q_var / 1e3,
                ORDERS[n],
                before[n] * 100.0,
                after[n] * 100.0,
                VOLTAGE_LIMIT_PCT[n],
                r.order.map_or_else(String::new, |h| format!(": resonance at order {h:.1}")),
            ),
        });
    } else if let Some((order, r)) = near {
        let known = measured.v_ratio.is_some() || measured.i_ratio.is_some();
        let words = format!(
            "with {:.0} kvar on, the supply resonates at order {:.1}, near {order}{}; detune it",
            r.q_var / 1e3,
            r.order.unwrap_or(0.0),
            if known { ", which the feeder injects" } else { "; harmonics are not known" },
        );
        if known {
            out.exclusions.push(Remark { id: "resonance", words });
        } else {
            out.cautions.push(Remark { id: "resonance", words });
        }
    }
    out.resonance = worst.map(|w| w.1);
}

fn voltage(space: &Space<'_>, genome: &[u16], seen: &Seen, out: &mut Checked) {
    let terms = &space.plant.correction;
    let v_max = f64::from(seen.totals.v_ratio_max);
    if v_max * 100.0 > terms.highest_voltage_pct {
        let already = if seen.v_before * 100.0 > terms.highest_voltage_pct {
            "; it is too high already, have the transformer's taps checked"
        } else {
            ""
        };
        out.exclusions.push(Remark {
            id: "voltage",
            words: format!(
                "the feeder's voltage would reach {:.1} % of nominal (limit {} %){already}",
                v_max * 100.0,
                terms.highest_voltage_pct
            ),
        });
    }
    let Some(x) = space.supply.x_ohm else { return };
    let v = space.supply.line_voltage_v;
    let rise = space.lane(genome).all_var() * x / (v * v) * 100.0;
    out.rise_pct = Some(rise);
    if rise > terms.highest_rise_pct {
        out.exclusions.push(Remark {
            id: "voltage-rise",
            words: format!(
                "all on, it would raise the voltage by {rise:.1} % (limit {} %)",
                terms.highest_rise_pct
            ),
        });
    }
}
