//! Rows of tables of a survey that the terminal and the report both show.

use super::number::{NONE, Prefix, four_digits, percent, pf};
use crate::analyse::survey::Survey;
use crate::analyse::survey::profile::Part;

/// Parts of the week: name, hours recorded, mean P and Q1, PF, reactive energy and its share.
pub fn parts(s: &Survey, u: Prefix) -> Vec<Vec<String>> {
    let all = s.energy.reactive_net_varh;
    let row = |name: String, p: &Part| {
        let seen = p.measured_h > 0.0;
        let or_none = |x: Option<String>| x.unwrap_or_else(|| NONE.to_owned());
        vec![
            name,
            format!("{:.0} h", p.measured_h),
            u.number_or_none(p.p_w),
            u.number_or_none(p.q1_var),
            pf(p.pf),
            or_none(seen.then(|| u.energy_number(p.reactive_net_varh))),
            or_none((seen && all > 0.0).then(|| percent(p.reactive_net_varh / all))),
        ]
    };
    let [from, to] = s.basis.working_h;
    let parts = &s.profile.parts;
    vec![
        row(format!("Working hours, {from:02}–{to:02} h"), &parts.working),
        row("Nights of working days".to_owned(), &parts.nights),
        row("Days off".to_owned(), &parts.days_off),
    ]
}

/// Phases: name, V with its extremes, A with its highest, P, Q1, PF.
pub fn phases(s: &Survey, u: Prefix) -> Vec<Vec<String>> {
    let volts = |v: Option<f64>| v.map_or_else(|| NONE.to_owned(), |v| format!("{v:.1}"));
    let phases = s.phases.phases.iter().enumerate();
    phases
        .map(|(k, f)| {
            vec![
                format!("L{}", k + 1),
                volts(f.v_rms_v),
                volts(f.v_min_v),
                volts(f.v_max_v),
                four_digits(f.i_rms_a),
                four_digits(f.i_max_a),
                u.number(f.p_w),
                u.number(f.q1_var),
                pf(f.pf),
            ]
        })
        .collect()
}
