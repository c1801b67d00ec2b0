//! What a survey's headline figures are worth, against random trials over a whole week (form of
//! JCGM 101:2008): each trial is one set of sensors, with which every record is read.

use std::path::Path;
use wattless::analyse::survey::survey;
use wattless::analyse::uncertainty::{
    Budget, COVERAGE, On, Shape, sensor_limits, survey_uncertainty,
};
use wattless::bench::chance::Chance;
use wattless::collect::log::IntervalLog;
use wattless::site::Site;
use wattless_tests::made_log::{kvar, production_week};

const RATED_A: f64 = 250.0;
const TRIALS: usize = 4000;

/// The log as one set of sensors and one clock would have it.
fn seen(log: &IntervalLog, budget: &Budget, site: &Site, chance: &mut Chance) -> IntervalLog {
    let (mut ratio, mut angle) = ([0.0; 6], [0.0; 6]);
    let (mut of_ratio, mut of_angle) = ([0.0; 3], [0.0; 3]);
    for t in budget.terms() {
        let mut one = || match t.shape {
            Shape::Rectangle => chance.between([-t.width, t.width]),
            Shape::Normal => t.width * chance.normal(),
        };
        let once = one();
        let mut all = |x: &mut [f64]| {
            x.iter_mut().for_each(|x| *x += if t.common { once } else { one() });
        };
        match t.on {
            On::Voltage => all(&mut ratio[..3]),
            On::Current => all(&mut ratio[3..]),
            On::All => all(&mut ratio),
            On::VoltageAngle => all(&mut angle[..3]),
            On::CurrentAngle => all(&mut angle[3..]),
            On::SensorRatio => all(&mut of_ratio),
            On::SensorAngle => all(&mut of_angle),
            // Its part is in another test, since lengths of records are whole microseconds.
            On::Clock => {}
        }
    }
    let mut out = log.clone();
    for at in 0..log.len() {
        for k in 0..3 {
            let i = f64::from(log.i_rms_a[k][at]);
            let (p, q) = (f64::from(log.p_w[k][at]), f64::from(log.q1_var[k][at]));
            let limits = sensor_limits(&site.uncertainty, 100.0 * i / RATED_A);
            let gain_i = 1.0 + ratio[3 + k] + of_ratio[k] * limits.0;
            let gain = (1.0 + ratio[k]) * gain_i;
            let turn = angle[k] - angle[3 + k] - of_angle[k] * limits.1;
            let (sin, cos) = libm::sincos(turn);
            out.v_rms_v[k][at] *= (1.0 + ratio[k]) as f32;
            out.i_rms_a[k][at] = (i * gain_i) as f32;
            out.p_w[k][at] = (gain * (p * cos - q * sin)) as f32;
            out.q1_var[k][at] = (gain * (q * cos + p * sin)) as f32;
            out.s_va[k][at] = (f64::from(log.s_va[k][at]) * gain) as f32;
        }
    }
    out
}

#[test]
fn headline_figures_scatter_as_propagated() {
    for (calibrated, pf_day, pf_night) in [(false, 0.75, 0.4), (true, 0.98, 0.6)] {
        let text = format!(
            "[supply]\nline_voltage_v = 398.37\nwiring = \"four-wire\"\n[uncertainty]\n\
             current_class = \"0.5\"\nvoltage_class = \"0.5\"\ncurrent_rated_a = {RATED_A:?}\n\
             noise_uv = 0.0\nclock_ppm = 0.0\ncalibrated = {calibrated}\n"
        );
        let site = Site::parse(&text, Path::new("trial.toml")).unwrap();
        let budget = Budget::of(&site);
        // Nights at a tenth of the load, where class limits are wide.
        let log = production_week((100.0, kvar(100.0, pf_day)), (10.0, kvar(10.0, pf_night))).log;
        let of = survey(&log, &site).unwrap();
        let u = survey_uncertainty(&log, &site, &of);
        assert!(u.assumed.is_empty(), "{:?}", u.assumed);
        let worths = [
            ("kWh", u.active_in_wh.unwrap()),
            ("kvarh", u.reactive_lagging_varh.unwrap()),
            ("peak kW", u.p_peak_w.unwrap()),
            ("peak kVA", u.s_peak_va.unwrap()),
            ("PF", u.average_pf.unwrap()),
        ];
        assert_eq!(worths[0].1.value, of.energy.active_in_wh);
        let mut chance = Chance::new(7, "sensors");
        let mut sums = [(0.0, 0.0); 5];
        for _ in 0..TRIALS {
            let got = figures(&seen(&log, &budget, &site, &mut chance));
            for (s, (x, (_, w))) in sums.iter_mut().zip(got.into_iter().zip(&worths)) {
                // Against the truth, so that rounding stays small.
                let d = x - w.value;
                s.0 += d;
                s.1 += d * d;
            }
        }
        for ((sum, square), (name, w)) in sums.into_iter().zip(worths) {
            let mean = sum / TRIALS as f64;
            let u = libm::sqrt(square / TRIALS as f64 - mean * mean);
            let want = w.expanded / COVERAGE;
            assert!((u / want - 1.0).abs() < 0.10, "{name}: {u} by trials, {want} propagated");
        }
    }
}

/// The figures from a log by plain sums; its days are equal, so that the peak is any of them.
fn figures(log: &IntervalLog) -> [f64; 5] {
    let (mut wh, mut varh) = (0.0, 0.0);
    let (mut p_peak, mut s_peak) = (0.0, 0.0);
    for at in 0..log.len() {
        let hours = log.duration_s(at) / 3600.0;
        let (p, q) = (log.total_p_w(at), log.total_q1_var(at));
        wh += p * hours;
        varh += q * hours;
        p_peak = f64::max(p_peak, p);
        s_peak = f64::max(s_peak, libm::hypot(p, q));
    }
    [wh, varh, p_peak, s_peak, wh / libm::hypot(wh, varh)]
}
