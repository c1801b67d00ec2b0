//! Which states of the installed units fit the measured drop, phase by phase.
//!
//! Every subset of units may be missing, and one unit beside them may have an open line or a dead
//! element. The total is compared with its own uncertainty; what phases differ by with theirs,
//! which is much smaller, since a change of the load moves all three alike.

use super::unit::{Explanation, State, Unit};

/// More units than this are tried one fault at a time only.
const SUBSETS_MAX: usize = 10;

/// What a fault must gain to be believed: twice the logarithm of its rarity, about 1 in 7.
const FAULT_COST: f64 = 4.0;

/// Explanations kept.
const KEPT: usize = 8;

/// The measured drop with standard deviations, and each unit's expected output.
pub(super) struct Measured<'a> {
    pub(super) units: &'a [Unit],
    /// Mean output of each whole unit over the compared time, in var.
    pub(super) output_var: &'a [f64],
    /// Standard deviation of the expected output that controllers leave open, in var.
    pub(super) output_sd_var: f64,
    pub(super) total_var: f64,
    pub(super) total_sd: f64,
    /// Drop of each phase minus the mean of the phases, with standard deviations.
    pub(super) apart: Vec<(f64, f64)>,
    /// Output of a whole unit over its rating: least and most.
    pub(super) tolerance: [f64; 2],
}

/// All explanations, best first; the one with every unit whole is among them, by position.
pub(super) fn explanations(m: &Measured<'_>) -> (Vec<Explanation>, Explanation) {
    let n = m.units.len();
    let mut all = Vec::new();
    let mut add = |states: Vec<State>| all.push(explain(m, states));
    let whole = vec![State::Whole; n];
    let with = |states: &[State], at: usize, state: State| {
        let mut s = states.to_vec();
        s[at] = state;
        s
    };
    let faults = |at: usize| {
        State::of(m.units[at].connection)
            .into_iter()
            .filter(|s| !matches!(s, State::Whole | State::Absent))
            .collect::<Vec<State>>()
    };
    if n <= SUBSETS_MAX {
        for subset in 0u32..1 << n {
            let states: Vec<State> = (0..n)
                .map(|k| if subset >> k & 1 == 1 { State::Absent } else { State::Whole })
                .collect();
            for at in (0..n).filter(|k| states[*k] == State::Whole) {
                faults(at).into_iter().for_each(|f| add(with(&states, at, f)));
            }
            add(states);
        }
    } else {
        add(whole.clone());
        add(vec![State::Absent; n]);
        for at in 0..n {
            add(with(&whole, at, State::Absent));
            faults(at).into_iter().for_each(|f| add(with(&whole, at, f)));
        }
    }
    let as_installed = explain(m, whole);
    all.sort_by(|a, b| (a.misfit + cost(a)).total_cmp(&(b.misfit + cost(b))));
    all.truncate(64);
    (all, as_installed)
}

/// The few that are worth showing: within reach of the best.
pub(super) fn shown(all: &[Explanation]) -> Vec<Explanation> {
    let Some(best) = all.first().map(|e| e.misfit + cost(e)) else { return Vec::new() };
    all.iter().filter(|e| e.misfit + cost(e) < best + 25.0).take(KEPT).cloned().collect()
}

/// What an explanation must gain: nothing for all whole, once for all absent (one switch).
pub(super) fn cost(e: &Explanation) -> f64 {
    let broken = e.states.iter().filter(|s| **s != State::Whole).count();
    let all_absent = e.states.iter().all(|s| *s == State::Absent);
    if all_absent { FAULT_COST } else { FAULT_COST * broken as f64 }
}

fn explain(m: &Measured<'_>, states: Vec<State>) -> Explanation {
    let mut phase_var = [0.0; 3];
    for ((unit, state), output) in m.units.iter().zip(&states).zip(m.output_var) {
        let shares = state.shares(unit.connection);
        phase_var.iter_mut().zip(shares).for_each(|(p, s)| *p += s * output);
    }
    let nominal: f64 = phase_var.iter().sum();
    let [low, high] = m.tolerance;
    // Within the tolerance every output is as good.
    let total_var =
        if nominal > 0.0 { m.total_var.clamp(low * nominal, high * nominal) } else { nominal };
    let scale = if nominal > 0.0 { total_var / nominal } else { 1.0 };
    let z = |off: f64, sd: f64| off * off / (sd * sd).max(1e-12);
    let missing = m.total_var - total_var;
    let mut misfit = z(missing, libm::hypot(m.total_sd, m.output_sd_var));
    let n = m.apart.len();
    if n > 1 {
        let mean = phase_var[..n].iter().sum::<f64>() / n as f64;
        // Differences add to zero: n of them are worth n − 1.
        let worth = (n - 1) as f64 / n as f64;
        for (k, (apart, sd)) in m.apart.iter().enumerate() {
            let expected = (phase_var[k] - mean) * scale;
            // Elements of one unit differ by a little too.
            misfit += worth * z(apart - expected, libm::hypot(*sd, 0.02 * nominal / n as f64));
        }
    }
    Explanation { states, total_var: nominal, phase_var, misfit }
}

/// Words for a place: lines of an open line, pairs of a dead element of a delta.
pub(super) fn place(state: State, unit: &Unit) -> Option<String> {
    const LINES: [&str; 3] = ["L1", "L2", "L3"];
    const PAIRS: [&str; 3] = ["L1-L2", "L2-L3", "L3-L1"];
    let delta = unit.connection == super::unit::Connection::Delta;
    match state {
        State::LineOpen(k) => LINES.get(usize::from(k)).map(|s| (*s).to_owned()),
        State::ElementDead(k) if delta => PAIRS.get(usize::from(k)).map(|s| (*s).to_owned()),
        State::ElementDead(k) => LINES.get(usize::from(k)).map(|s| (*s).to_owned()),
        State::Whole | State::Absent => None,
    }
}
