//! The capacitors that a feeder has at a time, by the site file.

use super::AlarmTerms;
use crate::analyse::verify::unit::Control;
use crate::site::Site;
use crate::site::installed::Installed;

/// A unit, or a step of one that a controller switches.
#[derive(Clone, Debug, PartialEq)]
pub struct BankUnit {
    /// What it is called in evidence.
    pub name: String,
    /// Output at nominal voltage, in var.
    pub var: f64,
}

/// What is installed at a time.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct BankPlan {
    /// The units.
    pub units: Vec<BankUnit>,
    /// Whether a controller switches steps.
    pub switched: bool,
    /// Output of units that are always on, in var: what may lead when all else is off.
    pub fixed_var: f64,
}

impl BankPlan {
    /// The units of the terms, else those of the site that are there at an instant.
    pub fn at(terms: &AlarmTerms, site: &Site, at_ms: i64) -> BankPlan {
        if !terms.units_kvar.is_empty() {
            let unit = |(k, kvar): (usize, &f64)| BankUnit {
                name: format!("unit {}", k + 1),
                var: kvar * 1e3,
            };
            let units: Vec<BankUnit> = terms.units_kvar.iter().enumerate().map(unit).collect();
            let all: f64 = units.iter().map(|u| u.var).sum();
            let fixed_var = if terms.switched { 0.0 } else { all };
            return BankPlan { units, switched: terms.switched, fixed_var };
        }
        let mut plan = BankPlan::default();
        for i in &site.installed {
            let from = i.since.and_then(|since| site.unix_ms(since));
            if from.is_none_or(|from| from <= at_ms) {
                plan.add(i, site);
            }
        }
        plan
    }

    fn add(&mut self, i: &Installed, site: &Site) {
        let unit = &i.unit;
        // Without a nominal voltage the rated one is the best that is known.
        let volts = site.supply.phase_voltage_v().unwrap_or(unit.rated_phase_v());
        let hz = site.supply.frequency_hz.unwrap_or(unit.rated_hz);
        let var = unit.output_var(volts, hz);
        let steps = match unit.control {
            Control::Automatic { step_var, .. } => {
                self.switched = true;
                libm::rint(unit.rated_var / step_var).clamp(1.0, 24.0) as usize
            }
            Control::Fixed => {
                self.fixed_var += var;
                1
            }
            Control::WithLoad { .. } => 1,
        };
        for _ in 0..steps {
            let name = match steps {
                1 => unit.name.clone(),
                _ => format!("{}, a step", unit.name),
            };
            self.units.push(BankUnit { name, var: var / steps as f64 });
        }
    }

    /// Output of all units, in var.
    pub fn total_var(&self) -> f64 {
        self.units.iter().map(|u| u.var).sum()
    }
}
