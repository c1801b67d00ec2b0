//! What readings are worth: standard uncertainties by first-order propagation (JCGM 100, 5).
//!
//! Inputs are the ratio and angle errors of each channel, noise and the sample clock; each
//! reading is a function of them, and its sensitivities are taken at the reading itself. Where
//! the first order vanishes (a power factor near one) the next term of JCGM 100, 5.1.2 (note)
//! is added. The random trials of JCGM 101 that confirm it are a test.
//!
//! ```
//! use wattless::analyse::uncertainty::{Budget, PhaseValues, Point};
//! use wattless::site::Site;
//! use wattless_core::wiring::Wiring;
//!
//! let budget = Budget::of(&Site::default());
//! let phase = PhaseValues { v_v: 230.0, i_a: 50.0, p_w: 9200.0, q1_var: 6900.0 };
//! let point = Point::new(Wiring::FourWire, &[phase; 3]);
//! let total = budget.total(&point, 0.2).expanded();
//! assert!(total.p_w > 0.005 * 27_600.0 && total.p_w < 0.05 * 27_600.0);
//! ```

mod point;
mod survey;
mod terms;

pub use point::{PhaseValues, Point, Sensitivity};
pub use survey::{SurveyUncertainty, Worth, survey_uncertainty};
pub use terms::{MINUTE, On, Shape, Term, list, sensor_limits};

use crate::site::Site;
use crate::site::uncertainty::UncertaintyTerms;
use core::f64::consts::TAU;
use point::{CURRENTS, VOLTAGES};

/// The coverage factor of expanded uncertainties: about 95 % of a normal distribution.
pub const COVERAGE: f64 = 2.0;

/// Samples a second that noise is averaged over.
const SAMPLE_RATE_HZ: f64 = 8000.0;

/// Load of the current sensors, percent of rated, where the site does not say their rating.
const LOAD_ASSUMED_PCT: f64 = 20.0;

/// Half-width of what a sensor's ratio may differ at a harmonic, for each of V and I.
///
/// Classes say nothing of harmonics; one percent is common practice for sound sensors.
const HARMONIC_WIDTH: f64 = 0.01;

/// Half-width of the input filters' time constant: 1 % and 5 % parts.
const RC_WIDTH: f64 = 0.06;

/// Length of a basic window in seconds.
const WINDOW_S: f64 = 0.2;

/// One count of the converter as a standard uncertainty, in µV: 2.4 V in 2²⁴ steps, over √12.
const QUANTISATION_UV: f64 = 0.041;

/// Uncertainties of one phase's readings, each in the unit of its reading.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct PhaseUncertainty {
    /// Of the RMS voltage, in V.
    pub v_v: f64,
    /// Of the RMS current, in A.
    pub i_a: f64,
    /// Of active power, in W.
    pub p_w: f64,
    /// Of reactive power of the fundamental, in var.
    pub q1_var: f64,
    /// Of apparent power, in VA.
    pub s_va: f64,
    /// Of the power factor; `None` without load.
    pub pf: Option<f64>,
    /// Of the angle of voltage before current, in degrees; `None` without load.
    pub phi1_deg: Option<f64>,
}

impl PhaseUncertainty {
    /// Times the coverage factor.
    pub fn expanded(&self) -> PhaseUncertainty {
        PhaseUncertainty {
            v_v: COVERAGE * self.v_v,
            i_a: COVERAGE * self.i_a,
            p_w: COVERAGE * self.p_w,
            q1_var: COVERAGE * self.q1_var,
            s_va: COVERAGE * self.s_va,
            pf: self.pf.map(|x| COVERAGE * x),
            phi1_deg: self.phi1_deg.map(|x| COVERAGE * x),
        }
    }
}

/// Uncertainties of the totals.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct TotalUncertainty {
    /// Of active power, in W.
    pub p_w: f64,
    /// Of reactive power of the fundamental, in var.
    pub q1_var: f64,
    /// Of the sum of the phases' V·I, in VA.
    pub s_arithmetic_va: f64,
    /// Of the root of P² and Q1², in VA.
    pub s_vector_va: f64,
    /// Of P over arithmetic S; `None` without load.
    pub pf_arithmetic: Option<f64>,
    /// Of P over vector S; `None` without load.
    pub pf_vector: Option<f64>,
}

impl TotalUncertainty {
    /// Times the coverage factor.
    pub fn expanded(&self) -> TotalUncertainty {
        TotalUncertainty {
            p_w: COVERAGE * self.p_w,
            q1_var: COVERAGE * self.q1_var,
            s_arithmetic_va: COVERAGE * self.s_arithmetic_va,
            s_vector_va: COVERAGE * self.s_vector_va,
            pf_arithmetic: self.pf_arithmetic.map(|x| COVERAGE * x),
            pf_vector: self.pf_vector.map(|x| COVERAGE * x),
        }
    }
}

/// Totals of a point or of a time, with the sensitivities of each.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Totals {
    /// Active power or energy.
    pub p: (f64, Sensitivity),
    /// Reactive power or energy of the fundamental.
    pub q1: (f64, Sensitivity),
    /// Arithmetic apparent power or energy.
    pub s: (f64, Sensitivity),
}

impl Totals {
    /// Adds another, times a factor such as a time.
    pub fn add(&mut self, o: &Totals, factor: f64) {
        let parts = [(&mut self.p, &o.p), (&mut self.q1, &o.q1), (&mut self.s, &o.s)];
        for ((value, sensitivity), (v, s)) in parts {
            *value += factor * v;
            sensitivity.add(s, factor);
        }
    }

    /// Vector apparent power or energy.
    pub fn vector(&self) -> (f64, Sensitivity) {
        let (p, q) = (self.p.0, self.q1.0);
        let s = libm::sqrt(p * p + q * q);
        let mut sensitivity = Sensitivity::default();
        if s > 0.0 {
            sensitivity.add(&self.p.1, p / s);
            sensitivity.add(&self.q1.1, q / s);
        }
        (s, sensitivity)
    }

    /// The angle of P and Q1 together, in radians.
    fn angle(&self) -> Sensitivity {
        let (p, q) = (self.p.0, self.q1.0);
        let s2 = p * p + q * q;
        let mut sensitivity = Sensitivity::default();
        if s2 > 0.0 {
            sensitivity.add(&self.q1.1, p / s2);
            sensitivity.add(&self.p.1, -q / s2);
        }
        sensitivity
    }
}

/// The contributions of a site, ready to be propagated.
#[derive(Clone, Debug, PartialEq)]
pub struct Budget {
    terms: Vec<Term>,
    given: UncertaintyTerms,
    nominal_v: Option<f64>,
    /// What stands in for what the site file does not say, in words.
    pub assumed: Vec<String>,
}

impl Budget {
    /// The budget of a site; what its file leaves out is assumed and listed.
    pub fn of(site: &Site) -> Budget {
        let t = site.uncertainty;
        let mut assumed = Vec::new();
        if !t.current_given {
            assumed.push("current sensors are of class 1 (set uncertainty.current_class)".into());
        }
        if !t.voltage_given {
            assumed.push(
                "voltage transducers are of class 0.5 (set uncertainty.voltage_class)".into(),
            );
        }
        if t.current_rated_a.is_none() {
            assumed.push(format!(
                "current sensors carry {LOAD_ASSUMED_PCT} % of their rated current (set \
                 uncertainty.current_rated_a)"
            ));
        }
        Budget { terms: list(&t), given: t, nominal_v: site.supply.phase_voltage_v(), assumed }
    }

    /// The contributions.
    pub fn terms(&self) -> &[Term] {
        &self.terms
    }

    /// One sentence that says which sensors and whether calibrated, as a result must state.
    pub fn basis(&self) -> String {
        use crate::site::uncertainty::{CURRENT_CLASSES, CurrentAccuracy};
        let current = match self.given.current {
            CurrentAccuracy::Class(k) => {
                format!("class {}", CURRENT_CLASSES.get(k).map_or("-", |c| c.name))
            }
            CurrentAccuracy::Limits { ratio_pct, phase_min } => {
                format!("{ratio_pct} %, {phase_min}'")
            }
        };
        let (ratio, phase) = (self.given.voltage_ratio_pct, self.given.voltage_phase_min);
        let state = if self.given.calibrated { "" } else { "not " };
        format!(
            "k = {COVERAGE}; current sensors {current}, voltage transducers {ratio} %, {phase}', \
             {state}calibrated in place"
        )
    }

    /// Covariance of two quantities, without noise.
    fn covariance(&self, a: &Sensitivity, b: &Sensitivity) -> f64 {
        self.sum(
            |t, x, y| {
                let u = t.u();
                if t.common {
                    u * u * x.iter().sum::<f64>() * y.iter().sum::<f64>()
                } else {
                    u * u * x.iter().zip(y).map(|(x, y)| x * y).sum::<f64>()
                }
            },
            a,
            b,
        )
    }

    /// What two quantities have in common beyond normal distributions, for their squares.
    fn fourth(&self, a: &Sensitivity, b: &Sensitivity) -> f64 {
        self.sum(
            |t, x, y| {
                let k = t.fourth_cumulant();
                if t.common {
                    let (x, y): (f64, f64) = (x.iter().sum(), y.iter().sum());
                    k * x * x * y * y
                } else {
                    k * x.iter().zip(y).map(|(x, y)| x * x * y * y).sum::<f64>()
                }
            },
            a,
            b,
        )
    }

    fn sum(
        &self,
        part: impl Fn(&Term, &[f64], &[f64]) -> f64,
        a: &Sensitivity,
        b: &Sensitivity,
    ) -> f64 {
        let on = |s: &Sensitivity, t: &Term| -> ([f64; 6], usize) {
            let mut x = [0.0; 6];
            let from: &[f64] = match t.on {
                On::Voltage => &s.ratio[VOLTAGES],
                On::Current => &s.ratio[CURRENTS],
                On::All => &s.ratio,
                On::VoltageAngle => &s.angle[VOLTAGES],
                On::CurrentAngle => &s.angle[CURRENTS],
                On::SensorRatio => &s.sensor_ratio,
                On::SensorAngle => &s.sensor_angle,
                On::Clock => core::slice::from_ref(&s.clock),
            };
            x[..from.len()].copy_from_slice(from);
            (x, from.len())
        };
        self.terms
            .iter()
            .map(|t| {
                let ((x, n), (y, _)) = (on(a, t), on(b, t));
                part(t, &x[..n], &y[..n])
            })
            .sum()
    }

    /// Standard uncertainty of a quantity with these sensitivities.
    pub fn combined(&self, s: &Sensitivity) -> f64 {
        libm::sqrt(self.covariance(s, s) + s.noise)
    }

    /// Load of a sensor in percent of its rated current.
    fn load_pct(&self, current_a: f64) -> f64 {
        self.given.current_rated_a.map_or(LOAD_ASSUMED_PCT, |r| 100.0 * current_a / r)
    }

    /// Limits of the sensors at their currents.
    fn limits(&self, point: &Point) -> [(f64, f64); 3] {
        point.sensor_currents_a().map(|a| sensor_limits(&self.given, self.load_pct(a)))
    }

    /// Noise of a voltage and a current channel averaged over a time, in V and A.
    pub fn noise(&self, point: &Point, duration_s: f64) -> (f64, f64) {
        let t = &self.given;
        let uv = libm::sqrt(t.noise_uv * t.noise_uv + QUANTISATION_UV * QUANTISATION_UV);
        let of_output = uv / (t.sensor_output_mv * 1e3);
        let averaged = of_output / libm::sqrt((SAMPLE_RATE_HZ * duration_s).max(1.0));
        let largest = |x: [f64; 3]| x.into_iter().fold(0.0, f64::max);
        let nominal_v = self.nominal_v.unwrap_or_else(|| largest(point.v_v));
        let rated_a =
            t.current_rated_a.unwrap_or_else(|| largest(point.i_a) * 100.0 / LOAD_ASSUMED_PCT);
        (averaged * nominal_v, averaged * rated_a)
    }

    /// Relative variances of a phase's RMS voltage and current by the squares of noise, whose mean
    /// over a time of its own scatters: it matters where noise is not small beside the reading.
    fn noise_squares(&self, point: &Point, k: usize, duration_s: f64) -> (f64, f64) {
        let (noise_v, noise_a) = self.noise(point, duration_s);
        let samples = (SAMPLE_RATE_HZ * duration_s).max(1.0);
        let of = |noise: f64, rms: f64| {
            let share = if rms > 0.0 { noise / rms } else { 0.0 };
            0.5 * samples * share * share * share * share
        };
        (of(noise_v, point.v_v[k]), of(noise_a, point.i_a[k]))
    }

    /// Standard uncertainties of a phase's readings over a time.
    pub fn phase(&self, point: &Point, k: usize, duration_s: f64) -> PhaseUncertainty {
        let (noise_v, noise_a) = self.noise(point, duration_s);
        let limits = self.limits(point);
        let squares = self.noise_squares(point, k, duration_s);
        let of = |mut s: Sensitivity, more: f64| {
            s.noise += more;
            self.combined(&s.with_limits(&limits))
        };
        let (p, q) = point.power(k, noise_v, noise_a);
        let s = point.apparent(k, noise_v, noise_a);
        let phi = point.phi(k, noise_v, noise_a).with_limits(&limits);
        let s_va = point.v_v[k] * point.i_a[k];
        let pf = (s_va > 0.0).then(|| {
            let pf = point.p_w[k] / s_va;
            let mut d = p.times(1.0 / s_va);
            d.add(&s, -pf / s_va);
            // Noise turns the angle; the rest of it P and S share, but for its squares in S.
            d.noise = (1.0 - pf * pf).max(0.0) * phi.noise + pf * pf * (squares.0 + squares.1);
            let first = self.combined(&d.with_limits(&limits));
            self.with_second_order(first, pf, &phi)
        });
        let phi_u = self.combined(&phi).to_degrees();
        PhaseUncertainty {
            v_v: of(point.voltage(k, noise_v), point.v_v[k] * point.v_v[k] * squares.0),
            i_a: of(point.current(k, noise_a), point.i_a[k] * point.i_a[k] * squares.1),
            p_w: of(p, 0.0),
            q1_var: of(q, 0.0),
            s_va: of(s, s_va * s_va * (squares.0 + squares.1)),
            pf,
            phi1_deg: (s_va > 0.0).then_some(phi_u),
        }
    }

    /// Adds what the square of an angle's error does to a cosine.
    fn with_second_order(&self, first: f64, pf: f64, phi: &Sensitivity) -> f64 {
        let variance = self.covariance(phi, phi) + phi.noise;
        let of_square = 2.0 * variance * variance + self.fourth(phi, phi);
        libm::sqrt(first * first + 0.25 * pf * pf * of_square.max(0.0))
    }

    /// Totals of a point with their sensitivities.
    pub fn totals(&self, point: &Point, duration_s: f64) -> Totals {
        let (noise_v, noise_a) = self.noise(point, duration_s);
        let limits = self.limits(point);
        let mut t = Totals::default();
        for k in 0..point.wiring.phases() {
            let (v, i) = point.phase[k];
            let (p, q) = point.power(k, noise_v, noise_a);
            t.p.0 += point.p_w[k];
            t.q1.0 += (v * i.conj()).im;
            t.s.0 += point.v_v[k] * point.i_a[k];
            t.p.1.add(&p.with_limits(&limits), 1.0);
            t.q1.1.add(&q.with_limits(&limits), 1.0);
            t.s.1.add(&point.apparent(k, noise_v, noise_a).with_limits(&limits), 1.0);
        }
        t
    }

    /// Standard uncertainties of a point's totals over a time.
    pub fn total(&self, point: &Point, duration_s: f64) -> TotalUncertainty {
        let t = self.totals(point, duration_s);
        TotalUncertainty {
            p_w: self.combined(&t.p.1),
            q1_var: self.combined(&t.q1.1),
            s_arithmetic_va: self.combined(&t.s.1),
            s_vector_va: self.combined(&t.vector().1),
            pf_arithmetic: self.pf_arithmetic(&t, Some((point, duration_s))),
            pf_vector: self.pf_vector(&t),
        }
    }

    /// Standard uncertainty of P over vector S, of powers or energies.
    pub fn pf_vector(&self, t: &Totals) -> Option<f64> {
        let (s, _) = t.vector();
        if s <= 0.0 {
            return None;
        }
        // PF = cos φ, φ the angle of P and Q1.
        let pf = t.p.0 / s;
        let phi = t.angle();
        let sin2 = (1.0 - pf * pf).max(0.0);
        let first = libm::sqrt(sin2 * (self.covariance(&phi, &phi) + phi.noise));
        Some(self.with_second_order(first, pf, &phi))
    }

    /// Standard uncertainty of P over arithmetic S; of a point, with the second order of each phase.
    pub fn pf_arithmetic(&self, t: &Totals, point: Option<(&Point, f64)>) -> Option<f64> {
        let s = t.s.0;
        if s <= 0.0 {
            return None;
        }
        let pf = t.p.0 / s;
        let mut d = t.p.1.times(1.0 / s);
        d.add(&t.s.1, -pf / s);
        d.noise = 0.0;
        let mut variance = self.covariance(&d, &d);
        if let Some((point, duration_s)) = point {
            let (noise_v, noise_a) = self.noise(point, duration_s);
            let limits = self.limits(point);
            let phases = point.wiring.phases();
            let phi: Vec<Sensitivity> =
                (0..phases).map(|k| point.phi(k, noise_v, noise_a).with_limits(&limits)).collect();
            for (k, a) in phi.iter().enumerate() {
                // Noise moves P/S by what of the current is not in step with the voltage:
                // harmonics as well as reactive current.
                let apparent = point.v_v[k] * point.i_a[k];
                let n2 = apparent * apparent - point.p_w[k] * point.p_w[k];
                variance += n2.max(0.0) / (s * s) * a.noise;
                let squares = self.noise_squares(point, k, duration_s);
                let share = pf * point.v_v[k] * point.i_a[k] / s;
                variance += share * share * (squares.0 + squares.1);
                for (l, b) in phi.iter().enumerate() {
                    let mut c = self.covariance(a, b);
                    if k == l {
                        c += a.noise;
                    }
                    let weight = 0.25 * point.p_w[k] * point.p_w[l] / (s * s);
                    variance += weight * (2.0 * c * c + self.fourth(a, b));
                }
            }
        } else {
            let phi = t.angle();
            return Some(self.with_second_order(libm::sqrt(variance), pf, &phi));
        }
        Some(libm::sqrt(variance.max(0.0)))
    }

    /// Standard uncertainty of the frequency, in Hz: the clock, and noise in the voltages' turn
    /// over three windows.
    pub fn frequency_hz(&self, point: &Point, frequency_hz: f64, duration_s: f64) -> f64 {
        let clock = Sensitivity { clock: frequency_hz, ..Sensitivity::default() };
        let (noise_v, _) = self.noise(point, WINDOW_S);
        let v2: f64 = point.v_v.iter().map(|v| v * v).sum();
        // Of angles a window apart, with the half slope that leads to the window's middle.
        let angle = if v2 > 0.0 { noise_v / libm::sqrt(v2) } else { 0.0 };
        let windows = (duration_s / WINDOW_S).max(1.0);
        let noise = libm::sqrt(6.5 / windows) * angle / (TAU * WINDOW_S);
        let u = self.combined(&clock);
        libm::sqrt(u * u + noise * noise)
    }

    /// Standard uncertainty of a harmonic's RMS in a phase: V for a voltage, A for a current.
    pub fn harmonic(
        &self,
        point: &Point,
        k: usize,
        of: HarmonicOf,
        order: u8,
        rms: f64,
        duration_s: f64,
    ) -> f64 {
        let (noise_v, noise_a) = self.noise(point, duration_s);
        let (whole, base, noise) = match of {
            HarmonicOf::Voltage => (point.voltage(k, 0.0), point.v_v[k], noise_v),
            HarmonicOf::Current => (point.current(k, 0.0), point.i_a[k], noise_a),
        };
        // The ratio of a harmonic errs as that of the whole; the sensor's rest comes on top.
        let mut ratio = whole.with_limits(&self.limits(point));
        ratio.angle = [0.0; 6];
        ratio.sensor_angle = [0.0; 3];
        let relative = if base > 0.0 { self.combined(&ratio) / base } else { 0.0 };
        let mut variance = relative * relative;
        if order > 1 {
            // |1/(1 + jx)| moves by x²/(1 + x²) of what its time constant moves.
            let x = TAU * f64::from(order) * 55.0 * self.given.rc_ns * 1e-9;
            let filter = RC_WIDTH * x * x / (1.0 + x * x);
            variance += (HARMONIC_WIDTH * HARMONIC_WIDTH + filter * filter) / 3.0;
        }
        libm::sqrt(variance * rms * rms + noise * noise)
    }
}

/// Whether a harmonic is one of voltage or current.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum HarmonicOf {
    /// Of a voltage.
    Voltage,
    /// Of a current.
    Current,
}
