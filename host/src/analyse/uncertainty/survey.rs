//! What the headline figures of a survey are worth.
//!
//! A sensor's error is one and the same all week, as a share of its limit at each current: its
//! parts of an energy add up over time before they are squared. Noise averages away.

use super::{Budget, COVERAGE, PhaseValues, Point, Sensitivity, Totals};
use crate::analyse::survey::Survey;
use crate::analyse::survey::demand::DemandAt;
use crate::collect::log::IntervalLog;
use crate::site::{Apparent, Site};
use serde::Serialize;
use wattless_core::wiring::Wiring;

/// A value with its expanded uncertainty (k = 2), both in the unit of its name.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Worth {
    /// The value.
    pub value: f64,
    /// Half of the range that holds the true value in about 95 % of all cases.
    pub expanded: f64,
}

/// The headline figures of a survey with their expanded uncertainties (k = 2).
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SurveyUncertainty {
    /// The coverage factor.
    pub coverage_factor: f64,
    /// What it rests on, in a sentence.
    pub basis: String,
    /// What stands in for what the site file does not say.
    pub assumed: Vec<String>,
    /// Active energy taken in, in Wh.
    pub active_in_wh: Option<Worth>,
    /// Lagging reactive energy, in varh.
    pub reactive_lagging_varh: Option<Worth>,
    /// Highest billed active demand, in W.
    pub p_peak_w: Option<Worth>,
    /// Highest billed apparent demand, in VA.
    pub s_peak_va: Option<Worth>,
    /// Average power factor as the tariff has it.
    pub average_pf: Option<Worth>,
}

/// Propagates the budget of a site through a log that was surveyed.
pub fn survey_uncertainty(log: &IntervalLog, site: &Site, survey: &Survey) -> SurveyUncertainty {
    let budget = Budget::of(site);
    let wiring = site.supply.wiring.unwrap_or(Wiring::FourWire);
    let mut assumed = budget.assumed.clone();
    if site.supply.wiring.is_none() {
        assumed.push("wiring is four-wire (set supply.wiring)".into());
    }
    let (mut active_in, mut lagging, mut net) = Default::default();
    for at in 0..log.len() {
        let hours = log.duration_s(at) / 3600.0;
        let Some(t) = totals_of(log, at, wiring, &budget) else { continue };
        add_energy(&mut net, &t, hours);
        if t.p.0 > 0.0 {
            add_energy(&mut active_in, &t, hours);
        }
        if t.q1.0 > 0.0 {
            add_energy(&mut lagging, &t, hours);
        }
    }
    let worth = |value: f64, (of, s): (f64, Sensitivity)| {
        // The survey leaves out what overlaps; what is left has the same relative uncertainty.
        let relative = if of > 0.0 { budget.combined(&s) / of } else { f64::NAN };
        let expanded = COVERAGE * relative * value;
        (expanded.is_finite() && value > 0.0).then_some(Worth { value, expanded })
    };
    let peak = |at: Option<&DemandAt>| {
        at.map(|at| {
            let mut t = Totals::default();
            for k in 0..log.len() {
                let from = log.start_ms(k).max(at.start.utc_ms);
                let to = log.end_ms[k].min(at.end.utc_ms);
                if from < to
                    && let Some(of) = totals_of(log, k, wiring, &budget)
                {
                    t.add(&of, (to - from) as f64);
                }
            }
            t
        })
    };
    let billed = survey.demand.billed();
    let apparent = survey.basis.apparent;
    let p_at = billed.and_then(|b| b.at_p_peak.as_ref());
    let s_at = billed.and_then(|b| b.at_s_peak.as_ref());
    let pf_u = match apparent {
        Apparent::Vector => budget.pf_vector(&net),
        Apparent::Arithmetic | Apparent::Effective => budget.pf_arithmetic(&net, None),
    };
    let energy = &survey.energy;
    SurveyUncertainty {
        coverage_factor: COVERAGE,
        basis: budget.basis(),
        assumed,
        active_in_wh: worth(energy.active_in_wh, active_in.p),
        reactive_lagging_varh: worth(energy.reactive_lagging_varh, lagging.q1),
        p_peak_w: peak(p_at).and_then(|t| worth(p_at?.p_w, t.p)),
        s_peak_va: peak(s_at).and_then(|t| {
            let of = if apparent == Apparent::Vector { t.vector() } else { t.s };
            worth(s_at?.s_va, of)
        }),
        average_pf: survey
            .power_factor
            .average
            .zip(pf_u)
            .map(|(value, u)| Worth { value, expanded: COVERAGE * u }),
    }
}

fn add_energy(sum: &mut Totals, t: &Totals, hours: f64) {
    let mut t = *t;
    // Energy is power times what the sample clock takes for an hour.
    for (value, s) in [&mut t.p, &mut t.q1, &mut t.s] {
        s.clock += *value;
    }
    sum.add(&t, hours);
}

/// Totals of a record; `None` where it holds no numbers.
fn totals_of(log: &IntervalLog, at: usize, wiring: Wiring, budget: &Budget) -> Option<Totals> {
    let phases = core::array::from_fn(|k| PhaseValues {
        v_v: f64::from(log.v_rms_v[k][at]),
        i_a: f64::from(log.i_rms_a[k][at]),
        p_w: f64::from(log.p_w[k][at]),
        q1_var: f64::from(log.q1_var[k][at]),
    });
    let sound = |p: &PhaseValues| (p.v_v + p.i_a + p.p_w + p.q1_var).is_finite();
    let sound = phases.iter().take(wiring.phases()).all(sound);
    sound.then(|| budget.totals(&Point::new(wiring, &phases), log.duration_s(at)))
}
