//! The site file's `[uncertainty]` section: how good sensors, reference and clock are.

use super::raw::{Entry, Fault, checked, fault};
use serde::Deserialize;
use toml::Spanned;

/// Accuracy of the current sensors.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum CurrentAccuracy {
    /// A class of IEC 61869-2, by its place in [`CURRENT_CLASSES`].
    Class(usize),
    /// Limits of one's own, from 10 to 120 % of rated current.
    Limits {
        /// Ratio error in percent.
        ratio_pct: f64,
        /// Phase displacement in minutes.
        phase_min: f64,
    },
}

/// A class of current transformers: limits of ratio (%) and phase (minutes) at percents of
/// rated current.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CurrentClass {
    /// Its name.
    pub name: &'static str,
    /// Load in percent, ratio in percent, phase in minutes; loads rise.
    pub limits: &'static [(f64, f64, f64)],
}

/// Classes of IEC 61869-2, measuring transformers: ratio limits of 0.2 and 0.5 from a public
/// reproduction of its table, the rest from memory. Class 3 states no phase: 180' is assumed.
pub const CURRENT_CLASSES: [CurrentClass; 6] = [
    CurrentClass {
        name: "0.2",
        limits: &[(5.0, 0.75, 30.0), (20.0, 0.35, 15.0), (100.0, 0.2, 10.0)],
    },
    CurrentClass {
        name: "0.2S",
        limits: &[(1.0, 0.75, 30.0), (5.0, 0.35, 15.0), (20.0, 0.2, 10.0)],
    },
    CurrentClass {
        name: "0.5",
        limits: &[(5.0, 1.5, 90.0), (20.0, 0.75, 45.0), (100.0, 0.5, 30.0)],
    },
    CurrentClass {
        name: "0.5S",
        limits: &[(1.0, 1.5, 90.0), (5.0, 0.75, 45.0), (20.0, 0.5, 30.0)],
    },
    CurrentClass { name: "1", limits: &[(5.0, 3.0, 180.0), (20.0, 1.5, 90.0), (100.0, 1.0, 60.0)] },
    CurrentClass { name: "3", limits: &[(50.0, 3.0, 180.0)] },
];

/// Classes of voltage transformers: name, ratio in percent, phase in minutes, at 80 to 120 % of
/// rated voltage (IEC 61869-3, from memory). Class 3 states no phase: 120' is assumed.
pub const VOLTAGE_CLASSES: [(&str, f64, f64); 5] = [
    ("0.1", 0.1, 5.0),
    ("0.2", 0.2, 10.0),
    ("0.5", 0.5, 20.0),
    ("1", 1.0, 40.0),
    ("3", 3.0, 120.0),
];

/// What the uncertainty of readings rests on beside the readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct UncertaintyTerms {
    /// Current sensors.
    pub current: CurrentAccuracy,
    /// Whether the file says how good they are.
    pub current_given: bool,
    /// Their rated current, in A.
    pub current_rated_a: Option<f64>,
    /// Ratio limit of the voltage transducers, in percent.
    pub voltage_ratio_pct: f64,
    /// Phase limit of the voltage transducers, in minutes.
    pub voltage_phase_min: f64,
    /// Whether the file says how good they are.
    pub voltage_given: bool,
    /// Whether gains and delays were set against a reference in place.
    pub calibrated: bool,
    /// Expanded uncertainty (k = 2) of that reference in V and I, in percent.
    pub reference_pct: f64,
    /// Expanded uncertainty (k = 2) of that reference in angle, in minutes.
    pub reference_min: f64,
    /// Whether the sensors of the three phases are taken to err in the same way.
    pub sensors_alike: bool,
    /// Limit of the sample clock's error, in ppm.
    pub clock_ppm: f64,
    /// Noise of the converter per sample, RMS, in µV.
    pub noise_uv: f64,
    /// Output of the sensors at rated current or nominal voltage, RMS, in mV.
    pub sensor_output_mv: f64,
    /// Time constant of the input filters, in ns.
    pub rc_ns: f64,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct UncertaintySection {
    current_class: Entry<String>,
    current_ratio_pct: Entry<f64>,
    current_phase_min: Entry<f64>,
    current_rated_a: Entry<f64>,
    voltage_class: Entry<String>,
    voltage_ratio_pct: Entry<f64>,
    voltage_phase_min: Entry<f64>,
    calibrated: Option<bool>,
    reference_pct: Entry<f64>,
    reference_min: Entry<f64>,
    sensors_alike: Option<bool>,
    clock_ppm: Entry<f64>,
    noise_uv: Entry<f64>,
    sensor_output_mv: Entry<f64>,
    rc_ns: Entry<f64>,
}

/// A number from 0 up to a limit.
fn number(name: &str, entry: Entry<f64>, most: f64, unit: &str) -> Result<Option<f64>, Fault> {
    checked(
        entry,
        |x| (0.0..=most).contains(&x),
        |x| format!("{name} = {x} makes no sense; give 0 to {most} {unit}"),
    )
}

/// A positive number up to a limit.
fn positive(name: &str, entry: Entry<f64>, most: f64, unit: &str) -> Result<Option<f64>, Fault> {
    checked(
        entry,
        |x| x > 0.0 && x <= most,
        |x| format!("{name} = {x} makes no sense; give a number above 0 and up to {most} {unit}"),
    )
}

/// Refuses a class beside limits of one's own, and one limit without the other.
fn pair(
    class: &Entry<String>,
    ratio: &Entry<f64>,
    phase: &Entry<f64>,
    what: &str,
) -> Result<(), Fault> {
    match (class, ratio, phase) {
        (Some(c), Some(_), _) | (Some(c), _, Some(_)) => Err(fault(
            c,
            format!("give {what}_class, or {what}_ratio_pct and {what}_phase_min, not both"),
        )),
        (None, Some(x), None) | (None, None, Some(x)) => Err(fault(
            x,
            format!("{what}_ratio_pct and {what}_phase_min go together; give the other one, too"),
        )),
        _ => Ok(()),
    }
}

fn unknown_class<'a>(
    class: &Spanned<String>,
    what: &str,
    names: impl Iterator<Item = &'a str>,
) -> Fault {
    let names: Vec<_> = names.collect();
    let given = class.get_ref();
    fault(class, format!("{what}_class {given:?} is not known; use one of {}", names.join(", ")))
}

impl UncertaintySection {
    pub(super) fn resolve(self) -> Result<UncertaintyTerms, Fault> {
        pair(&self.current_class, &self.current_ratio_pct, &self.current_phase_min, "current")?;
        pair(&self.voltage_class, &self.voltage_ratio_pct, &self.voltage_phase_min, "voltage")?;
        let current_given = self.current_class.is_some() || self.current_ratio_pct.is_some();
        let current = match &self.current_class {
            Some(name) => {
                let place = CURRENT_CLASSES.iter().position(|c| c.name == name.get_ref());
                let names = CURRENT_CLASSES.iter().map(|c| c.name);
                CurrentAccuracy::Class(place.ok_or(unknown_class(name, "current", names))?)
            }
            None => match (
                number("current_ratio_pct", self.current_ratio_pct, 50.0, "%")?,
                number("current_phase_min", self.current_phase_min, 600.0, "minutes")?,
            ) {
                (Some(ratio_pct), Some(phase_min)) => {
                    CurrentAccuracy::Limits { ratio_pct, phase_min }
                }
                // Split-core sensors of the 333 mV kind: class 1 is common practice.
                _ => CurrentAccuracy::Class(4),
            },
        };
        let voltage_given = self.voltage_class.is_some() || self.voltage_ratio_pct.is_some();
        let (voltage_ratio_pct, voltage_phase_min) = match &self.voltage_class {
            Some(name) => {
                let found = VOLTAGE_CLASSES.iter().find(|c| c.0 == name.get_ref());
                let names = VOLTAGE_CLASSES.iter().map(|c| c.0);
                let c = found.ok_or(unknown_class(name, "voltage", names))?;
                (c.1, c.2)
            }
            None => (
                number("voltage_ratio_pct", self.voltage_ratio_pct, 50.0, "%")?.unwrap_or(0.5),
                number("voltage_phase_min", self.voltage_phase_min, 600.0, "minutes")?
                    .unwrap_or(20.0),
            ),
        };
        Ok(UncertaintyTerms {
            current,
            current_given,
            current_rated_a: positive("current_rated_a", self.current_rated_a, 1e6, "A")?,
            voltage_ratio_pct,
            voltage_phase_min,
            voltage_given,
            calibrated: self.calibrated.unwrap_or(false),
            reference_pct: number("reference_pct", self.reference_pct, 10.0, "%")?.unwrap_or(0.2),
            reference_min: number("reference_min", self.reference_min, 600.0, "minutes")?
                .unwrap_or(6.0),
            sensors_alike: self.sensors_alike.unwrap_or(false),
            clock_ppm: number("clock_ppm", self.clock_ppm, 10_000.0, "ppm")?.unwrap_or(50.0),
            noise_uv: number("noise_uv", self.noise_uv, 10_000.0, "µV")?.unwrap_or(7.57),
            sensor_output_mv: positive("sensor_output_mv", self.sensor_output_mv, 1e4, "mV")?
                .unwrap_or(333.0),
            rc_ns: number("rc_ns", self.rc_ns, 1e6, "ns")?.unwrap_or(10_000.0),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::site::Site;
    use std::path::Path;

    fn terms(text: &str) -> Result<UncertaintyTerms, String> {
        let text = format!("[uncertainty]\n{text}\n");
        let site = Site::parse(&text, Path::new("plant.toml"));
        site.map(|s| s.uncertainty).map_err(|e| e.to_string())
    }

    #[test]
    fn classes_and_limits_are_understood() {
        let t =
            terms("current_class = \"0.5S\"\nvoltage_class = \"0.2\"\ncalibrated = true").unwrap();
        assert_eq!(t.current, CurrentAccuracy::Class(3));
        assert_eq!((t.voltage_ratio_pct, t.voltage_phase_min), (0.2, 10.0));
        assert!(t.calibrated && t.current_given && t.voltage_given && !t.sensors_alike);
        let t =
            terms("current_ratio_pct = 1\ncurrent_phase_min = 120\ncurrent_rated_a = 600").unwrap();
        assert_eq!(t.current, CurrentAccuracy::Limits { ratio_pct: 1.0, phase_min: 120.0 });
        assert_eq!(t.current_rated_a, Some(600.0));
        assert!(!terms("").unwrap().current_given);
    }

    #[test]
    fn faults_name_the_line_and_the_cure() {
        for (text, line, words) in [
            ("current_class = \"5P10\"", 2, "0.5S"),
            ("voltage_class = \"0.5S\"", 2, "0.1, 0.2"),
            ("clock_ppm = 20\ncurrent_ratio_pct = 1.0", 3, "current_phase_min go together"),
            ("current_class = \"1\"\ncurrent_phase_min = 5", 2, "not both"),
            ("current_rated_a = 0", 2, "above 0"),
            ("reference_pct = -1", 2, "0 to 10 %"),
            ("noise = 3", 2, "unknown field"),
        ] {
            let e = terms(text).unwrap_err();
            assert!(e.starts_with(&format!("plant.toml, line {line}: ")), "{text}: {e}");
            assert!(e.contains(words), "{text}: {e}");
        }
    }
}
