//! Harmonics of phases over an interval: RMS and angle of every order, from the windows' phasors.

use wattless_core::complex::Complex;
use wattless_core::interval::direction;
use wattless_core::power::{Harmonics, Reading};
use wattless_core::spectrum::{ORDERS, Orders};
use wattless_core::wiring::Wiring;

/// Below this share of the fundamental an angle is numerical dust and not given.
const ANGLE_MIN_SHARE: f64 = 2e-6;

/// One harmonic over an interval.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Root mean square over the windows, in V or A.
    pub rms: f64,
    /// Angle in degrees; `None` where there is nothing to have one.
    ///
    /// Of the cosine phasor, when time is counted from a peak of the fundamental of the first
    /// phase voltage that is present: arg X_h − h·arg V_1.
    pub angle_deg: Option<f64>,
}

/// Harmonics of one voltage or current, from order 1 to the highest that the sample rate allows.
pub type Lines = Vec<Line>;

/// Harmonics of an interval.
#[derive(Clone, Debug, PartialEq)]
pub struct HarmonicTable {
    /// Phase voltages.
    pub v: Vec<Lines>,
    /// Phase currents.
    pub i: Vec<Lines>,
    /// Neutral current, where the wiring has one.
    pub neutral: Option<Lines>,
}

/// Sums over windows of one voltage or current.
#[derive(Clone, Debug)]
struct Sums {
    square: [f64; ORDERS + 1],
    phasor: [Complex; ORDERS + 1],
}

impl Sums {
    const NONE: Sums = Sums { square: [0.0; ORDERS + 1], phasor: [Complex::ZERO; ORDERS + 1] };

    fn add(&mut self, orders: &Orders, turns: &[Complex; ORDERS + 1], t: f64) {
        for h in 1..=ORDERS {
            let x = Complex::from(orders[h]);
            self.square[h] += x.norm_sq() * t;
            self.phasor[h] += (x * turns[h]).scale(t);
        }
    }

    fn lines(&self, highest: usize, t: f64) -> Lines {
        let dust = ANGLE_MIN_SHARE * ANGLE_MIN_SHARE * self.square[1];
        let line = |h: usize| Line {
            rms: libm::sqrt(self.square[h] / t),
            angle_deg: (self.square[h] > dust && self.phasor[h].norm_sq() > 0.0)
                .then(|| self.phasor[h].arg().to_degrees()),
        };
        (1..=highest).map(line).collect()
    }
}

/// What each order of a window is multiplied by so that windows add up: turns it back to the
/// direction of the first phase voltage that is present.
pub(super) fn turns(reading: &Reading) -> [Complex; ORDERS + 1] {
    let step = direction(reading).conj();
    let mut turns = [Complex::new(1.0, 0.0); ORDERS + 1];
    for h in 1..=ORDERS {
        turns[h] = turns[h - 1] * step;
    }
    turns
}

/// Collects windows of one interval.
#[derive(Clone, Debug)]
pub struct HarmonicSums {
    seconds: f64,
    highest: usize,
    v: [Sums; 3],
    i: [Sums; 3],
    neutral: Option<Sums>,
}

impl Default for HarmonicSums {
    fn default() -> Self {
        HarmonicSums {
            seconds: 0.0,
            highest: ORDERS,
            v: [const { Sums::NONE }; 3],
            i: [const { Sums::NONE }; 3],
            neutral: None,
        }
    }
}

impl HarmonicSums {
    /// Adds a window that has harmonics.
    pub fn add(&mut self, reading: &Reading, harmonics: &Harmonics, wiring: Wiring) {
        let turns = turns(reading);
        let t = reading.duration_s;
        self.seconds += t;
        self.highest = self.highest.min(harmonics.highest);
        for k in 0..wiring.phases() {
            self.v[k].add(&harmonics.v[k], &turns, t);
            self.i[k].add(&harmonics.i[k], &turns, t);
        }
        if let Some(orders) = &harmonics.neutral {
            self.neutral.get_or_insert(Sums::NONE).add(orders, &turns, t);
        }
    }

    /// Ends the interval and starts the next; `None` when it had no window with harmonics.
    pub fn take(&mut self, wiring: Wiring) -> Option<HarmonicTable> {
        let s = std::mem::take(self);
        let lines = |sums: &Sums| sums.lines(s.highest, s.seconds);
        let all = |sums: &[Sums; 3]| sums[..wiring.phases()].iter().map(lines).collect();
        (s.seconds > 0.0).then(|| HarmonicTable {
            v: all(&s.v),
            i: all(&s.i),
            neutral: s.neutral.as_ref().map(lines),
        })
    }
}
