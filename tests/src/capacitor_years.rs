//! Feeder-years with capacitors, judged: how soon a lost phase is found, how often for nothing.
//!
//! Each seed is one feeder. It runs a healthy year, every alarm of which is false. At a minute of
//! its own a copy of the same feeder, with the same watch over it, loses one phase of one unit and
//! runs on until that is found; another copy ages. Running time is counted while the plant runs
//! and the failed unit is switched on: a fault cannot be seen while nothing is there to see.

use crate::feeder_year::{FeederYear, YEAR_MIN};
use std::collections::BTreeMap;
use wattless::watch::alarm::correction::Sample;

/// Share of capacitance that the ageing copy loses a week.
pub const AGEING_WEEK: f64 = 0.02;

/// Running hours within which a lost phase has to be found.
pub const WITHIN_H: f64 = 24.0;

/// What watches a feeder.
pub trait Watch: Clone {
    /// Takes a minute; names the alarms that it raises.
    fn take(&mut self, s: &Sample) -> Vec<&'static str>;
    /// Whether a minute counts as running time.
    fn is_running(&self, s: &Sample) -> bool;
}

/// What became of a fault.
#[derive(Clone, Debug, PartialEq)]
pub struct Fault {
    /// The feeder.
    pub seed: u64,
    /// Running hours until it was found; infinite where it was not, within 200.
    pub hours: f64,
    /// Whether a controller switches the bank.
    pub switched: bool,
    /// What failed, in words.
    pub what: String,
}

/// All years together.
#[derive(Clone, Debug, Default)]
pub struct Tally {
    /// Healthy years.
    pub years: u32,
    /// False alarms by their names.
    pub false_alarms: BTreeMap<&'static str, u32>,
    /// Years with one or more.
    pub years_with_false: u32,
    /// Faults that had a day of running time.
    pub faults: Vec<Fault>,
    /// Ageing of banks that are always on: weeks until it was found; infinite where it was not.
    pub ageing_weeks: Vec<f64>,
}

impl Tally {
    /// Runs a feeder and adds what came of it.
    pub fn add<W: Watch>(&mut self, seed: u64, watch: impl Fn(&FeederYear) -> W) {
        let mut feeder = FeederYear::new(seed);
        let mut w = watch(&feeder);
        let at = 30 * 1440 + (seed * 7919 % 300) as u32 * 1440 + (seed * 104_729 % 1440) as u32;
        let mut any = false;
        while feeder.minute() < YEAR_MIN {
            if feeder.minute() == at {
                self.fail(seed, feeder.clone(), w.clone());
                if !feeder.switched && at < 200 * 1440 {
                    self.age(feeder.clone(), w.clone());
                }
            }
            for name in w.take(&feeder.next_minute(false)) {
                *self.false_alarms.entry(name).or_insert(0) += 1;
                any = true;
            }
        }
        self.years += 1;
        self.years_with_false += u32::from(any);
    }

    fn fail<W: Watch>(&mut self, seed: u64, mut feeder: FeederYear, mut w: W) {
        let what = format!("{:?} of units {:.0?} var", feeder.fault, feeder.units_var);
        let mut running_min = 0u32;
        let mut hours = f64::INFINITY;
        while feeder.minute() < YEAR_MIN && running_min < 200 * 60 {
            let s = feeder.next_minute(true);
            let found = !w.take(&s).is_empty();
            if w.is_running(&s) && feeder.failing_unit_on() {
                running_min += 1;
            }
            if found {
                hours = f64::from(running_min) / 60.0;
                break;
            }
        }
        // The year may be over before a day of running time.
        if hours.is_finite() || f64::from(running_min) >= WITHIN_H * 60.0 {
            self.faults.push(Fault { seed, hours, switched: feeder.switched, what });
        }
    }

    fn age<W: Watch>(&mut self, mut feeder: FeederYear, mut w: W) {
        let from = feeder.minute();
        feeder.ageing = (AGEING_WEEK, from);
        let mut weeks = f64::INFINITY;
        while feeder.minute() < YEAR_MIN {
            if w.take(&feeder.next_minute(false)).iter().any(|n| n.starts_with("slow")) {
                weeks = f64::from(feeder.minute() - from) / 10_080.0;
                break;
            }
        }
        self.ageing_weeks.push(weeks);
    }

    /// Joins the years of another tally.
    pub fn join(&mut self, other: Tally) {
        self.years += other.years;
        self.years_with_false += other.years_with_false;
        for (name, n) in other.false_alarms {
            *self.false_alarms.entry(name).or_insert(0) += n;
        }
        self.faults.extend(other.faults);
        self.ageing_weeks.extend(other.ageing_weeks);
    }

    /// Share of the faults found within [`WITHIN_H`] running hours.
    pub fn found_share(&self) -> f64 {
        let found = self.faults.iter().filter(|f| f.hours <= WITHIN_H).count();
        found as f64 / self.faults.len().max(1) as f64
    }

    /// False alarms a year.
    pub fn false_a_year(&self) -> f64 {
        f64::from(self.false_alarms.values().sum::<u32>()) / f64::from(self.years.max(1))
    }

    /// Running hours below which a share of the faults was found.
    pub fn hours_at(&self, share: f64) -> f64 {
        at_share(self.faults.iter().map(|f| f.hours).collect(), share)
    }

    /// Weeks of ageing below which a share of the banks was found.
    pub fn weeks_at(&self, share: f64) -> f64 {
        at_share(self.ageing_weeks.clone(), share)
    }
}

fn at_share(mut x: Vec<f64>, share: f64) -> f64 {
    x.sort_by(f64::total_cmp);
    let at = (share * x.len() as f64) as usize;
    x.get(at.min(x.len().saturating_sub(1))).copied().unwrap_or(f64::NAN)
}
