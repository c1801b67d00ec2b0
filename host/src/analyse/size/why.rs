//! Where each figure of a candidate comes from: formula, inputs, source.

use super::limits::{CURRENT_LIMIT, KVAR_LIMIT, VOLTAGE_LIMIT};
use super::{Outcome, Sizing};
use serde::Serialize;

/// One figure explained.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Explanation {
    /// The figure's name.
    pub figure: String,
    /// Its value in words; a dash where it does not exist.
    pub value: String,
    /// The formula.
    pub formula: String,
    /// The formula's numbers.
    pub inputs: String,
    /// Where the formula, or the number, is from.
    pub source: String,
}

/// Explains every figure of a candidate.
pub fn why(sizing: &Sizing, c: &Outcome) -> Vec<Explanation> {
    let mut out = Vec::new();
    money(sizing, c, &mut out);
    network(sizing, c, &mut out);
    limits(sizing, c, &mut out);
    out
}

struct Writer<'a>(&'a mut Vec<Explanation>);

impl Writer<'_> {
    fn add(&mut self, figure: &str, value: String, formula: &str, inputs: String, source: &str) {
        self.0.push(Explanation {
            figure: figure.to_owned(),
            value,
            formula: formula.to_owned(),
            inputs,
            source: source.to_owned(),
        });
    }
}

fn or_dash(x: Option<f64>, decimals: usize) -> String {
    x.map_or_else(|| "–".to_owned(), |x| format!("{x:.decimals$}"))
}

fn money(sizing: &Sizing, c: &Outcome, out: &mut Vec<Explanation>) {
    let b = &sizing.basis;
    let mut w = Writer(out);
    let (s, base) = (&c.score, &sizing.nothing.score);
    w.add(
        "kvar installed",
        format!("{:.2} kvar", c.installed_var / 1e3),
        "Σ Qr·(Vn/Vr)²·(fn/fr)/(1 − p)",
        s.checked
            .parts
            .iter()
            .map(|p| format!("{}: {:.2} kvar", p.name, p.nominal_var / 1e3))
            .collect::<Vec<_>>()
            .join("; "),
        &format!("price list {}; output of a capacitor with V² and f", b.price_list),
    );
    w.add(
        "kvar at each moment",
        "replayed".to_owned(),
        "what is on · (V/Vn)²·(f/fn), V raised by the capacitors themselves",
        format!(
            "{} records or steps; controller: on from {} of a step lacking, off from {} of a step \
             too much, {} s delay, {} s lock-out",
            b.replayed,
            b.correction.switch_on_share,
            b.correction.switch_off_share,
            b.correction.delay_s,
            b.correction.lockout_s
        ),
        "log; site file, [correction]",
    );
    w.add(
        "bill of the year",
        format!("{} {}", or_dash(s.bill_year, 2), b.currency),
        "tariff applied to twelve billing months, clause by clause",
        format!(
            "{}; {:.0} % of the year's steps stand in from like days of the log",
            b.tariff,
            b.filled_share * 100.0
        ),
        "tariff file; `wattless bill --extrapolate year` shows the lines",
    );
    let billed = (s.billed_loss_saved_kwh - s.own_loss_kwh) * b.kwh_value;
    w.add(
        "saved a year",
        format!("{} {}", or_dash(s.saving_year, 2), b.currency),
        "bill before − bill after + (losses saved behind the meter − losses of the capacitors)·value",
        format!(
            "{} − {} + ({:.0} − {:.0}) kWh · {:.4} {}/kWh = {} + {billed:.2}",
            or_dash(base.bill_year, 2),
            or_dash(s.bill_year, 2),
            s.billed_loss_saved_kwh,
            s.own_loss_kwh,
            b.kwh_value,
            b.currency,
            or_dash(base.bill_year.zip(s.bill_year).map(|(x, y)| x - y), 2),
        ),
        "value: the tariff priced with 1 % more kWh of the load's own shape",
    );
    w.add(
        "first cost",
        format!("{:.2} {}", c.first_cost, b.currency),
        "price + installation",
        format!("{:.2} + {:.2}", c.cost.price, c.cost.installation),
        &format!("price list {}", b.price_list),
    );
    let e = &b.economics;
    w.add(
        "net present value",
        format!("{} {}", or_dash(s.npv, 2), b.currency),
        "−C + Σ (S·(1+e)^(y−1) − U)/(1+d)^y, y = 1 … n",
        format!(
            "C {:.2}, S {}, U {:.2} a year, d {} %, e {} %, n {}",
            c.first_cost,
            or_dash(s.saving_year, 2),
            c.cost.yearly,
            e.discount_share * 100.0,
            e.escalation_share * 100.0,
            e.years
        ),
        "site file, [economics]; textbook formula",
    );
    w.add(
        "payback",
        format!("{} years", or_dash(c.payback_years, 2)),
        "C/(S − U)",
        format!("{:.2}/({} − {:.2})", c.first_cost, or_dash(s.saving_year, 2), c.cost.yearly),
        "simple payback, no interest",
    );
    w.add(
        "average power factor",
        or_dash(s.average_pf, 4),
        "kWh/sqrt(kWh² + kvarh²), lagging less leading, of the year",
        format!("{} without", or_dash(base.average_pf, 4)),
        "log and replay",
    );
}

fn network(sizing: &Sizing, c: &Outcome, out: &mut Vec<Explanation>) {
    let b = &sizing.basis;
    let supply = &b.supply;
    let mut w = Writer(out);
    let (s, base) = (&c.score, &sizing.nothing.score);
    w.add(
        "released capacity",
        format!("{:.1} kVA", c.released_va / 1e3),
        "highest kVA before − highest kVA after",
        format!("{:.1} − {:.1}", base.peak_kva, s.peak_kva),
        "demand intervals of the tariff",
    );
    w.add(
        "highest demand current",
        format!("{:.1} A", c.peak_current_a),
        "S/(√3·Vn)",
        format!("{:.1} kVA, {} V", s.peak_kva, supply.line_voltage_v),
        "three-phase, balanced",
    );
    w.add(
        "losses saved upstream",
        format!("{} kWh a year", or_dash(s.loss_saved_kwh, 0)),
        "Σ 3·R·(I²before − I²after)·Δt, I² = (P² + Q²)/(3·V²), scaled by the year's kWh",
        match supply.loss_r_ohm {
            None => "neither transformer losses nor service conductor are in the site file".into(),
            Some(r) => format!(
                "R {:.3} mΩ a phase, of which {:.3} behind the meter; ΔΣ(S/V)²Δt {:.4e}; year/log \
                 {:.3}",
                r * 1e3,
                supply.billed_r_ohm * 1e3,
                base.totals.i2_s - s.totals.i2_s,
                b.energy_ratio
            ),
        },
        "site file: transformer (load_loss_kw or x_over_r), service_conductor",
    );
    if s.branch_loss_saved_kwh != 0.0 {
        w.add(
            "losses saved to motors and groups",
            format!("{:.0} kWh a year, at least", s.branch_loss_saved_kwh),
            "Σ R/V²·(Q² − (Q − q)²)·t, Q the motors' kvar without load while they run",
            "conductors of [[motor]] and [[group]]; running from the log".to_owned(),
            "site file; no-load kvar is the least that a running motor draws",
        );
    }
    w.add(
        "losses of the capacitors",
        format!("{:.0} kWh a year", s.own_loss_kwh),
        "W per kvar · kvar·h that are on",
        format!("{:.2} W/kvar", c.cost.loss_w_per_kvar),
        &format!("price list {}", b.price_list),
    );
    w.add(
        "voltage rise, all on",
        format!("{} %", or_dash(s.checked.rise_pct, 2)),
        "kvar·X%/kVA, X from source to board",
        match supply.x_ohm {
            None => "no transformer in the site file".into(),
            Some(x) => format!("{:.1} kvar, X {:.2} mΩ a phase", c.installed_var / 1e3, x * 1e3),
        },
        "handbook rule; limit from the site file, common practice",
    );
    w.add(
        "highest voltage",
        format!("{:.1} % of nominal", f64::from(s.totals.v_ratio_max) * 100.0),
        "largest over all records of V·(1 + rise), the rise from |E| = |V + Z·I| with P and Q held",
        format!("{:.1} % in the log", f64::from(base.totals.v_ratio_max) * 100.0),
        "log; two-bus power flow",
    );
    w.add(
        "intervals leading",
        format!("{:.2} %", s.leading_share * 100.0),
        "intervals with leading − lagging kvar above 1 % of the highest kVA and 0.1 of their kW",
        format!("{:.2} % without", base.leading_share * 100.0),
        "replay; limit of what is added from the site file",
    );
    w.add(
        "switchings",
        format!("{:.1} a day", c.switchings_per_day),
        "steps on and off in the replay over the days covered",
        format!("{:.0} in {:.1} h", s.totals.switchings, b.covered_h),
        "replay",
    );
}

fn limits(sizing: &Sizing, c: &Outcome, out: &mut Vec<Explanation>) {
    let supply = &sizing.basis.supply;
    let mut w = Writer(out);
    if let Some(r) = &c.score.checked.resonance {
        w.add(
            "resonance",
            r.order.map_or_else(|| "–".to_owned(), |h| format!("order {h:.2}")),
            "h = sqrt(Ssc/Qc) of plain capacitors; voltages · |1/(1 + Zs·Yc)|",
            format!(
                "Ssc {} MVA, Qc {:.1} kvar, R/X {:.3}{}",
                or_dash(supply.short_circuit_va.map(|x| x / 1e6), 2),
                r.q_var / 1e3,
                supply.r_over_x,
                r.magnification.map_or_else(String::new, |m| format!(
                    "; magnification of 5, 7, 11, 13: {:.2}, {:.2}, {:.2}, {:.2}",
                    m[1], m[2], m[3], m[4]
                ))
            ),
            "handbook formula; limits of the voltage EN 50160",
        );
    }
    for p in &c.score.checked.parts {
        let s = &p.stress;
        w.add(
            &format!("stress of {}", p.name),
            format!(
                "{:.1} % V, {:.1} % I, {:.1} % kvar of rated",
                s.voltage * 100.0,
                s.current * 100.0,
                s.kvar * 100.0
            ),
            "V/Vr/(1 − p), with harmonics sqrt(1 + Σ(I_h/I_1)²), I_h/I_1 = v_h·(1 − p)/|1/h − p·h|",
            format!(
                "highest V {:.1} V, Vr {} V{}{}; limits {:.0}, {:.0}, {:.0} %",
                f64::from(c.score.totals.v_ratio_max) * supply.line_voltage_v,
                p.rated_v,
                p.tuned_order
                    .map_or_else(String::new, |h| format!(", tuned to order {h:.2} = 1/√p")),
                if s.with_harmonics { "" } else { "; harmonics not known" },
                VOLTAGE_LIMIT * 100.0,
                CURRENT_LIMIT * 100.0,
                KVAR_LIMIT * 100.0
            ),
            "IEEE Std 18 (limits from memory)",
        );
        w.add(
            &format!("conductors to {}", p.name),
            format!("at least {:.1} A", p.conductor_a),
            "1.35·Q/(√3·Vn)",
            format!("{:.2} kvar, {:.1} A", p.nominal_var / 1e3, p.current_a),
            "NFPA 70 Article 460 (from memory); the local code decides",
        );
        if let Some(ratio) = p.overload_ratio {
            w.add(
                &format!("overload relay, {}", p.name),
                p.overload_setting_a
                    .map_or_else(|| format!("{:.1} %", ratio * 100.0), |a| format!("{a:.1} A")),
                "old setting·sqrt(P² + (Q − Qc)²)/sqrt(P² + Q²) at rated load",
                format!("ratio {ratio:.4}, Qc {:.2} kvar", p.nominal_var / 1e3),
                "nameplate in the site file; only where the capacitors are on the relay's load side",
            );
        }
    }
}
