//! The contributions to the uncertainty: what each acts on, and how large it is.
//!
//! A rectangle of half-width a has u = a/√3 (JCGM 100, 4.3.7). A maker's "typical" without a
//! limit is taken as a standard uncertainty, since it promises no more. Where a figure is
//! from, and what is assumed, stands in the hardware notes' uncertainty budget.

use crate::site::uncertainty::{CURRENT_CLASSES, CurrentAccuracy, UncertaintyTerms};

/// One minute of arc in radians.
pub const MINUTE: f64 = core::f64::consts::PI / 10_800.0;

/// What a contribution acts on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum On {
    /// The ratio of voltage channels, relative.
    Voltage,
    /// The ratio of current channels, relative.
    Current,
    /// The ratio of all channels at once, relative.
    All,
    /// The angle of voltage channels, in radians.
    VoltageAngle,
    /// The angle of current channels, in radians.
    CurrentAngle,
    /// The ratio of current sensors, as a share of their limit at the current.
    SensorRatio,
    /// The angle of current sensors, as a share of their limit at the current.
    SensorAngle,
    /// The sample clock, relative.
    Clock,
}

/// The distribution of a contribution.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shape {
    /// Equal chance within ± its width.
    Rectangle,
    /// Normal, its width one standard deviation.
    Normal,
}

/// One contribution.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Term {
    /// What it is, in words.
    pub name: &'static str,
    /// What it acts on.
    pub on: On,
    /// How it is distributed.
    pub shape: Shape,
    /// Half-width or standard deviation, in the unit of what it acts on.
    pub width: f64,
    /// Whether it is one error of all channels that it acts on.
    pub common: bool,
}

impl Term {
    /// Its standard uncertainty.
    pub fn u(&self) -> f64 {
        match self.shape {
            Shape::Rectangle => self.width / libm::sqrt(3.0),
            Shape::Normal => self.width,
        }
    }

    /// Its fourth cumulant: a rectangle has less in its tails than a normal distribution.
    pub fn fourth_cumulant(&self) -> f64 {
        match self.shape {
            Shape::Rectangle => {
                let u2 = self.u() * self.u();
                -1.2 * u2 * u2
            }
            Shape::Normal => 0.0,
        }
    }
}

const fn term(name: &'static str, on: On, shape: Shape, width: f64, common: bool) -> Term {
    Term { name, on, shape, width, common }
}

/// All contributions for a site's sensors.
pub fn list(t: &UncertaintyTerms) -> Vec<Term> {
    use On::*;
    use Shape::*;
    let pct = 0.01;
    let own = t.sensors_alike;
    // Tolerances of 1 % and 5 % of the filter: 6 % of its angle at 50 Hz.
    let rc_angle = 0.06 * core::f64::consts::TAU * 50.0 * t.rc_ns * 1e-9;
    let v_ratio = t.voltage_ratio_pct * pct;
    let v_angle = t.voltage_phase_min * MINUTE;
    let mut terms = if t.calibrated {
        // A figure with k = 2 is two standard uncertainties.
        let (ratio, angle) = (t.reference_pct * pct / 2.0, t.reference_min * MINUTE / 2.0);
        vec![
            term("reference meter, voltage", Voltage, Normal, ratio, true),
            term("reference meter, current", Current, Normal, ratio, true),
            term("reference meter, angle", CurrentAngle, Normal, angle, true),
            term("comparison, voltage", Voltage, Normal, 0.03 * pct, false),
            term("comparison, current", Current, Normal, 0.03 * pct, false),
            term("comparison, angle", CurrentAngle, Normal, MINUTE, false),
            term("voltage transducer ratio, change", Voltage, Rectangle, v_ratio / 5.0, own),
            term("voltage transducer phase, change", VoltageAngle, Rectangle, v_angle / 5.0, own),
            term("current sensor ratio, change", SensorRatio, Rectangle, 0.5, own),
            term("current sensor phase, change", SensorAngle, Rectangle, 0.5, own),
            term(
                "current sensor position, temperature",
                Current,
                Rectangle,
                limits_at_rated(t).0 / 5.0,
                own,
            ),
        ]
    } else {
        vec![
            term("voltage transducer ratio", Voltage, Rectangle, v_ratio, own),
            term("current sensor ratio", SensorRatio, Rectangle, 1.0, own),
            term("voltage transducer phase", VoltageAngle, Rectangle, v_angle, own),
            term("current sensor phase", SensorAngle, Rectangle, 1.0, own),
            term("converter gain, voltage channel", Voltage, Normal, 0.3 * pct, false),
            term("converter gain, current channel", Current, Normal, 0.3 * pct, false),
            term("converter reference", All, Normal, 0.1 * pct, true),
            term("input loading, voltage channel", Voltage, Rectangle, 0.1 * pct, false),
            term("input loading, current channel", Current, Rectangle, 0.1 * pct, false),
            term("RC tolerance, voltage channel", VoltageAngle, Rectangle, rc_angle, false),
            term("RC tolerance, current channel", CurrentAngle, Rectangle, rc_angle, false),
        ]
    };
    terms.extend([
        term("converter drift, 15 K x 20 ppm/K", All, Rectangle, 0.03 * pct, true),
        term("INL, arithmetic, voltage", Voltage, Normal, 0.003 * pct, false),
        term("INL, arithmetic, current", Current, Normal, 0.003 * pct, false),
        term("sample clock", Clock, Rectangle, t.clock_ppm * 1e-6, true),
    ]);
    terms
}

/// Limits of the current sensors at rated current: relative, and in radians.
fn limits_at_rated(t: &UncertaintyTerms) -> (f64, f64) {
    class_limits(t, 100.0)
}

/// Limits of the current sensors that the shares of [`On::SensorRatio`] and
/// [`On::SensorAngle`] refer to, at a load in percent of rated current.
///
/// Not calibrated: the class limits. Calibrated at working load: the limits at rated current
/// down to 20 %, below it growing as the class limits do.
pub fn sensor_limits(t: &UncertaintyTerms, load_pct: f64) -> (f64, f64) {
    if !t.calibrated {
        return class_limits(t, load_pct);
    }
    let (rated, knee, here) =
        (limits_at_rated(t), class_limits(t, 20.0), class_limits(t, load_pct.min(20.0)));
    let grown =
        |rated: f64, knee: f64, here: f64| if knee > 0.0 { rated * here / knee } else { 0.0 };
    (grown(rated.0, knee.0, here.0), grown(rated.1, knee.1, here.1))
}

/// Class limits straight over the logarithm of the load between the loads of the standard.
///
/// Below the lowest of these they are taken to grow with the root of its ratio to the load,
/// as between 20 and 5 % (assumed; the standard says nothing there); twenty times at most.
fn class_limits(t: &UncertaintyTerms, load_pct: f64) -> (f64, f64) {
    let own;
    let limits: &[(f64, f64, f64)] = match t.current {
        CurrentAccuracy::Class(k) => CURRENT_CLASSES.get(k).map_or(&[], |c| c.limits),
        CurrentAccuracy::Limits { ratio_pct, phase_min } => {
            own = [(10.0, ratio_pct, phase_min)];
            &own
        }
    };
    let unit =
        |&(_, ratio_pct, phase_min): &(f64, f64, f64)| (ratio_pct * 0.01, phase_min * MINUTE);
    let Some(first) = limits.first() else { return (0.0, 0.0) };
    if !(load_pct > first.0) {
        let grown = libm::sqrt(first.0 / load_pct.max(first.0 / 400.0));
        let (ratio, phase) = unit(first);
        return (ratio * grown, phase * grown);
    }
    for pair in limits.windows(2) {
        if load_pct < pair[1].0 {
            let share = libm::log(load_pct / pair[0].0) / libm::log(pair[1].0 / pair[0].0);
            let (a, b) = (unit(&pair[0]), unit(&pair[1]));
            return (a.0 + (b.0 - a.0) * share, a.1 + (b.1 - a.1) * share);
        }
    }
    limits.last().map_or((0.0, 0.0), unit)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::site::Site;

    /// Limits of class 0.5 at 5, 20, 100 and 120 % of rated current (IEC 61869-2).
    #[test]
    fn class_limits_are_those_of_the_standard() {
        let mut t = Site::default().uncertainty;
        t.current = CurrentAccuracy::Class(2);
        for (load, ratio, phase) in
            [(5.0, 1.5, 90.0), (20.0, 0.75, 45.0), (100.0, 0.5, 30.0), (120.0, 0.5, 30.0)]
        {
            let (r, p) = sensor_limits(&t, load);
            assert!((r - ratio * 0.01).abs() < 1e-12 && (p - phase * MINUTE).abs() < 1e-12);
        }
        // Half way on a logarithmic scale, and below the table.
        assert!((sensor_limits(&t, 10.0).0 - 0.011_25).abs() < 1e-12);
        assert!((sensor_limits(&t, 1.25).0 - 0.03).abs() < 1e-12);
        assert!(sensor_limits(&t, 0.0).0.is_finite());
        t.calibrated = true;
        assert!((sensor_limits(&t, 60.0).0 - 0.005).abs() < 1e-12);
        assert!((sensor_limits(&t, 5.0).0 - 0.01).abs() < 1e-12);
    }
}
