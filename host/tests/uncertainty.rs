//! Uncertainties by first-order propagation against random trials through the full equations
//! (form of JCGM 101:2008, adaptive part left out: a fixed number of trials), and against the
//! tables of the hardware notes, which a program in Python of its own makes.

use rand::{RngExt, SeedableRng, rngs::StdRng};
use std::path::Path;
use wattless::analyse::uncertainty::{
    Budget, COVERAGE, On, PhaseValues, Point, Shape, Term, sensor_limits,
};
use wattless::site::Site;
use wattless_core::complex::Complex;
use wattless_core::wiring::Wiring;

const NOTES: &str = include_str!("../../hardware-notes/uncertainty.md");

fn site(text: &str) -> Site {
    Site::parse(text, Path::new("trial.toml")).expect("a sound site")
}

/// Balanced phases of 230 V at a current, power factor and side.
fn point(wiring: Wiring, i_a: f64, pf: f64) -> Point {
    let s = 230.0 * i_a;
    let q = libm::sqrt(1.0 - pf * pf) * if pf < 0.0 { -1.0 } else { 1.0 };
    let phase = PhaseValues { v_v: 230.0, i_a, p_w: s * pf.abs(), q1_var: s * q };
    let mut phases = [PhaseValues::default(); 3];
    phases[..wiring.phases()].fill(phase);
    Point::new(wiring, &phases)
}

/// Rows of a table of the notes, by its heading: name and numbers.
fn table(heading: &str) -> Vec<(String, Vec<f64>)> {
    let from = NOTES.find(heading).unwrap_or_else(|| panic!("no table {heading}"));
    let lines = NOTES[from..].lines().skip(2).skip_while(|l| l.is_empty());
    let rows = lines.skip(2).take_while(|l| l.starts_with('|'));
    rows.map(|l| {
        let cells: Vec<&str> = l.trim_matches('|').split(" | ").map(str::trim).collect();
        let numbers =
            cells[1..].iter().map(|c| c.trim_start_matches("± ").parse().expect("a number"));
        (cells[0].to_owned(), numbers.collect())
    })
    .collect()
}

/// The notes' name of a state as a site, and the current of that load.
fn state(name: &str) -> (Budget, f64) {
    let (class, rest) = name.split_once(", ").expect("class and state");
    let calibrated = rest.starts_with("after");
    let text = format!(
        "[uncertainty]\ncurrent_class = \"{class}\"\nvoltage_class = \"{class}\"\n\
         current_rated_a = 100.0\nnoise_uv = 0.0\ncalibrated = {calibrated}\n"
    );
    (Budget::of(&site(&text)), if rest.contains("20 %") { 20.0 } else { 100.0 })
}

#[test]
fn the_notes_tables_are_the_librarys() {
    const PFS: [f64; 3] = [0.5, 0.8, 0.95];
    let near = |name: &str, printed: f64, digits: f64, got: f64| {
        assert!((printed - got).abs() <= 0.55 * digits, "{name}: {printed} printed, {got}");
    };
    let rows = table("### Expanded uncertainty, one phase, k = 2, percent of the reading");
    let own_units = table("### Power factor in its own units, one phase, k = 2");
    let sums = table("### Sum of three balanced phases, k = 2, percent of the reading");
    assert_eq!((rows.len(), own_units.len(), sums.len()), (6, 6, 6));
    for (name, printed) in rows {
        let (budget, i_a) = state(&name);
        for (k, pf) in PFS.into_iter().enumerate() {
            let p = point(Wiring::SinglePhase, i_a, pf);
            let u = budget.phase(&p, 0, 0.2).expanded();
            let q = 230.0 * i_a * libm::sqrt(1.0 - pf * pf);
            near(&name, printed[0], 0.01, u.v_v / 2.3);
            near(&name, printed[1], 0.01, u.i_a / i_a * 100.0);
            near(&name, printed[2 + k], 0.01, u.p_w / (230.0 * i_a * pf) * 100.0);
            near(&name, printed[5 + k], 0.01, u.q1_var / q * 100.0);
            near(&name, printed[8 + k], 0.01, u.pf.expect("load") / pf * 100.0);
        }
    }
    for (name, printed) in own_units {
        let (budget, i_a) = state(&name);
        for (k, pf) in PFS.into_iter().enumerate() {
            let u = budget.phase(&point(Wiring::SinglePhase, i_a, pf), 0, 0.2).expanded();
            near(&name, printed[k], 0.0001, u.pf.expect("load"));
        }
    }
    for (name, printed) in sums {
        let (budget, i_a) = state(&name);
        for (k, pf) in PFS.into_iter().enumerate() {
            let u = budget.total(&point(Wiring::FourWire, i_a, pf), 0.2).expanded();
            let s = 3.0 * 230.0 * i_a;
            near(&name, printed[k], 0.01, u.p_w / (s * pf) * 100.0);
            near(&name, printed[3 + k], 0.01, u.q1_var / (s * libm::sqrt(1.0 - pf * pf)) * 100.0);
        }
    }
}

/// Random errors.
struct Draw(StdRng);

impl Draw {
    fn normal(&mut self) -> f64 {
        let radius = libm::sqrt(-2.0 * libm::log(1.0 - self.0.random::<f64>()));
        radius * libm::cos(core::f64::consts::TAU * self.0.random::<f64>())
    }

    fn term(&mut self, t: &Term) -> f64 {
        match t.shape {
            Shape::Rectangle => t.width * (2.0 * self.0.random::<f64>() - 1.0),
            Shape::Normal => t.width * self.normal(),
        }
    }
}

/// What one trial reads: each phase's V, I, P, Q1, S, PF, φ, then the totals.
fn trial(
    budget: &Budget,
    p: &Point,
    limits: &[(f64, f64); 3],
    noise: (f64, f64),
    rng: &mut Draw,
) -> Vec<f64> {
    let (mut ratio, mut angle) = ([0.0; 6], [0.0; 6]);
    let mut clock = 0.0;
    for t in budget.terms() {
        let once = rng.term(t);
        let mut each = || if t.common { once } else { rng.term(t) };
        match t.on {
            On::Voltage => ratio[..3].iter_mut().for_each(|x| *x += each()),
            On::Current => ratio[3..].iter_mut().for_each(|x| *x += each()),
            On::All => ratio.iter_mut().for_each(|x| *x += each()),
            On::VoltageAngle => angle[..3].iter_mut().for_each(|x| *x += each()),
            On::CurrentAngle => angle[3..].iter_mut().for_each(|x| *x += each()),
            On::SensorRatio => (0..3).for_each(|k| ratio[3 + k] += each() * limits[k].0),
            On::SensorAngle => (0..3).for_each(|k| angle[3 + k] += each() * limits[k].1),
            On::Clock => clock = once,
        }
    }
    let seen: [Complex; 6] = core::array::from_fn(|ch| {
        let n = if ch < 3 { noise.0 } else { noise.1 };
        let noise = Complex::new(n * rng.normal(), n * rng.normal());
        p.channels[ch].scale(1.0 + ratio[ch]) * Complex::unit(angle[ch]) + noise
    });
    let w = p.wiring;
    let sum = |weights: &[f64; 6]| {
        weights.iter().zip(&seen).fold(Complex::ZERO, |sum, (w, x)| sum + x.scale(*w))
    };
    let (mut out, mut total) = (Vec::new(), [0.0; 3]);
    for k in 0..w.phases() {
        let (v, i) = (sum(&w.phase_voltages()[k]), sum(&w.phase_currents()[k]));
        let (s1, s) = (v * i.conj(), v.abs() * i.abs());
        out.extend([v.abs(), i.abs(), s1.re, s1.im, s, s1.re / s, s1.arg().to_degrees()]);
        [s1.re, s1.im, s].iter().zip(&mut total).for_each(|(x, sum)| *sum += x);
    }
    let [tp, tq, ts] = total;
    let vector = libm::hypot(tp, tq);
    out.extend([tp, tq, ts, vector, tp / ts, tp / vector]);
    out.extend([50.0 * (1.0 + clock), tp * (1.0 + clock)]);
    out
}

/// The same by propagation.
fn propagated(budget: &Budget, p: &Point, duration_s: f64) -> Vec<f64> {
    let mut out = Vec::new();
    for k in 0..p.wiring.phases() {
        let u = budget.phase(p, k, duration_s);
        let (pf, phi) = (u.pf.expect("load"), u.phi1_deg.expect("load"));
        out.extend([u.v_v, u.i_a, u.p_w, u.q1_var, u.s_va, pf, phi]);
    }
    let t = budget.total(p, duration_s);
    out.extend([t.p_w, t.q1_var, t.s_arithmetic_va, t.s_vector_va]);
    out.extend([t.pf_arithmetic.expect("load"), t.pf_vector.expect("load")]);
    let mut energy = budget.totals(p, duration_s).p;
    energy.1.clock += energy.0;
    out.extend([budget.frequency_hz(p, 50.0, duration_s), budget.combined(&energy.1)]);
    out
}

const NAMES: [&str; 7] = ["V", "I", "P", "Q1", "S", "PF", "phi"];
const TOTALS: [&str; 8] = [
    "total P",
    "total Q1",
    "S arithmetic",
    "S vector",
    "PF arithmetic",
    "PF vector",
    "f",
    "energy",
];

/// Runs trials; the largest disagreement of a standard uncertainty, after checking 10 % of each.
fn confirm(text: &str, wiring: Wiring, i_a: f64, pf: f64, trials: usize, seed: u64) -> f64 {
    let site = site(text);
    let budget = Budget::of(&site);
    let p = point(wiring, i_a, pf);
    let limits = p.sensor_currents_a().map(|a| {
        let load = site.uncertainty.current_rated_a.map_or(20.0, |r| 100.0 * a / r);
        sensor_limits(&site.uncertainty, load)
    });
    let noise = budget.noise(&p, 0.2);
    let want = propagated(&budget, &p, 0.2);
    let mut rng = Draw(StdRng::seed_from_u64(seed));
    let mut sums = vec![(0.0, 0.0); want.len()];
    for _ in 0..trials {
        let got = trial(&budget, &p, &limits, noise, &mut rng);
        for (s, x) in sums.iter_mut().zip(got) {
            s.0 += x;
            s.1 += x * x;
        }
    }
    let mut worst = 0.0;
    for (k, ((sum, square), want)) in sums.into_iter().zip(want).enumerate() {
        let mean = sum / trials as f64;
        let u = libm::sqrt((square / trials as f64 - mean * mean).max(0.0));
        let phases = wiring.phases() * 7;
        let name = if k < phases { NAMES[k % 7] } else { TOTALS[k - phases] };
        // Rounding of a mean of large numbers hides what is below 10⁻⁸ of it.
        if want < 1e-7 * mean.abs() {
            continue;
        }
        let off = (u / want - 1.0).abs();
        assert!(off < 0.10, "{} PF {pf}, {i_a} A: {name} {u} by trials, {want}", wiring.name());
        worst = f64::max(worst, off);
    }
    worst
}

#[test]
fn random_trials_agree() {
    let mut seed = 0;
    for text in [
        "[uncertainty]\ncurrent_class = \"1\"\nvoltage_class = \"1\"\ncurrent_rated_a = 200.0\n",
        "[uncertainty]\ncurrent_class = \"0.5\"\nvoltage_class = \"0.5\"\ncurrent_rated_a = 200.0\n\
         calibrated = true\n",
        "[uncertainty]\ncurrent_ratio_pct = 1.0\ncurrent_phase_min = 120.0\nsensors_alike = true\n\
         noise_uv = 2000.0\n",
    ] {
        for wiring in [Wiring::FourWire, Wiring::SinglePhase, Wiring::TwoSensor] {
            for i_a in [200.0, 40.0, 2.0] {
                for pf in [1.0, 0.95, -0.95, 0.8, 0.5, 0.2] {
                    seed += 1;
                    confirm(text, wiring, i_a, pf, 10_000, seed);
                }
            }
        }
    }
}

/// A hundred thousand trials at the corners: the agreement is that of the method, not of chance.
#[test]
fn many_trials_agree_closely_where_the_first_order_holds() {
    let text = "[uncertainty]\ncurrent_class = \"0.5\"\nvoltage_class = \"0.5\"\n\
                current_rated_a = 200.0\n";
    for wiring in [Wiring::FourWire, Wiring::ThreeWireLine, Wiring::TwoSensorLine] {
        for pf in [1.0, 0.2] {
            let worst = confirm(text, wiring, 100.0, pf, 100_000, 1);
            assert!(worst < 0.02, "{} PF {pf}: {worst}", wiring.name());
        }
    }
}

/// The range of two standard uncertainties holds about 95 % of trials (JCGM 100, 6.3.3).
#[test]
fn the_coverage_factor_covers() {
    let text = "[uncertainty]\ncurrent_rated_a = 200.0\n";
    let site = site(text);
    let budget = Budget::of(&site);
    let p = point(Wiring::FourWire, 100.0, 0.75);
    let limits = p.sensor_currents_a().map(|a| sensor_limits(&site.uncertainty, a / 2.0));
    let u = budget.total(&p, 0.2);
    let mut rng = Draw(StdRng::seed_from_u64(3));
    let (trials, at) = (20_000, 21);
    let truth = 3.0 * 230.0 * 100.0 * 0.75;
    let within = (0..trials)
        .map(|_| trial(&budget, &p, &limits, budget.noise(&p, 0.2), &mut rng)[at])
        .filter(|x| (x - truth).abs() <= COVERAGE * u.p_w)
        .count();
    let share = within as f64 / trials as f64;
    assert!((0.93..0.975).contains(&share), "{share}");
}
