//! Alarms, each with the evidence that raised it and what to check first.
//!
//! Records go in one by one, in the order of their numbers; changes come out. Every condition
//! passes a [`gate`]: it must hold for a while, and be well for a while with a margin, so that the
//! start of a motor raises nothing and nothing chatters. What a single record cannot show, the
//! loss of capacitors, is judged over days by [`correction`].

pub mod bank;
pub mod correction;
pub mod demand;
pub mod gate;
pub mod harmonics;
pub mod inputs;
pub mod judge;
pub mod kind;
mod load;
mod loss;
mod starts;
pub mod steps;
pub mod supply;
pub mod terms;
pub mod usual;

use crate::analyse::survey::clock::{HOUR_MS, hour_of_week};
use crate::site::{Site, Supply};
use bank::BankPlan;
use jiff::Timestamp;
use judge::Judge;
pub use kind::Kind;
use serde::Serialize;
use std::borrow::Cow;
pub use terms::AlarmTerms;
use usual::UsualPeak;
use wattless_core::flags::Flags;
use wattless_core::record::Record;
use wattless_core::wiring::Wiring;

/// An alarm that is or was raised.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Alarm {
    /// What it is about.
    pub kind: Kind,
    /// Which part, such as `L2` or `unit 3`; empty where it is the whole.
    pub part: String,
    /// When the condition began, Unix milliseconds.
    pub since_ms: i64,
    /// When it had held long enough, Unix milliseconds.
    pub raised_ms: i64,
    /// When it was over, Unix milliseconds; none while it stands.
    pub cleared_ms: Option<i64>,
    /// The figures that raised it, in a sentence.
    pub evidence: String,
}

/// What a record changed.
#[derive(Clone, Debug, PartialEq)]
pub enum Change {
    /// A new alarm.
    Raised(Alarm),
    /// An alarm that is over.
    Cleared(Alarm),
}

impl Change {
    /// The alarm that changed.
    pub fn alarm(&self) -> &Alarm {
        let (Change::Raised(alarm) | Change::Cleared(alarm)) = self;
        alarm
    }
}

/// Remarks after which powers and currents of a record are not to be trusted.
const DOUBTFUL: [Flags; 5] = [
    Flags::V_CLIPPED,
    Flags::I_CLIPPED,
    Flags::OUT_OF_RANGE,
    Flags::NO_FUNDAMENTAL,
    Flags::I_SETTLING,
];

/// A record placed in time, with what several rules need of it.
pub struct Observed<'a> {
    /// The record.
    pub record: &'a Record,
    /// End, Unix milliseconds.
    pub end_ms: i64,
    /// Length in seconds.
    pub seconds: f64,
    /// Total active power, in W.
    pub p_w: f64,
    /// Total reactive power, in var.
    pub q1_var: f64,
    /// Whether powers and currents are numbers and not in doubt.
    pub usable: bool,
    /// The usual peak, in W; none as long as it is not known.
    pub usual_peak_w: Option<f64>,
    /// Nominal voltage of a phase, in V, if it is known.
    pub nominal_v: Option<f64>,
    /// Whether the record ended in the plant's working hours.
    pub working_hours: bool,
    /// Seconds that the plant's clocks are ahead of UTC.
    pub zone_offset_s: i32,
}

impl Observed<'_> {
    /// Whether the feeder draws more than a share of its usual peak, as far as can be told.
    pub fn is_loaded(&self, share: f64) -> bool {
        let p_w = libm::fabs(self.p_w);
        self.usable && self.usual_peak_w.is_some_and(|peak| p_w > share * peak)
    }
}

/// All alarms of one node.
#[derive(Clone)]
pub struct Alarms {
    terms: AlarmTerms,
    site: Site,
    judge: Judge,
    peak: UsualPeak,
    demand: demand::DemandRules,
    supply: supply::SupplyRules,
    inputs: inputs::InputRules,
    harmonics: harmonics::HarmonicRules,
    bank: BankPlan,
    steps: steps::StepRules,
    loss: loss::LossRules,
    load: load::LoadRules,
    starts: starts::StartRules,
    /// When work was done on the correction and is still ahead, Unix milliseconds.
    work_ms: Vec<i64>,
    wiring: Option<Wiring>,
    /// Nominal voltage of a single-phase node, in V, once its voltage has told which one it is.
    single_v: Option<f64>,
    last_end_ms: Option<i64>,
}

/// A voltage within this share of a nominal one tells that it is meant.
const NEAR_NOMINAL: f64 = 0.15;

impl Alarms {
    /// Alarms of a site, nothing raised.
    pub fn new(terms: AlarmTerms, site: &Site) -> Alarms {
        let mut alarms = Alarms {
            judge: Judge::default(),
            peak: UsualPeak::default(),
            demand: demand::DemandRules::new(site),
            supply: supply::SupplyRules::default(),
            inputs: inputs::InputRules::default(),
            harmonics: harmonics::HarmonicRules::default(),
            bank: BankPlan::default(),
            steps: steps::StepRules::default(),
            loss: loss::LossRules::default(),
            load: load::LoadRules::default(),
            starts: starts::StartRules::default(),
            work_ms: site.works_ms(site.installed.iter()),
            wiring: None,
            single_v: None,
            last_end_ms: None,
            site: site.clone(),
            terms,
        };
        alarms.learn_bank(i64::MIN);
        alarms
    }

    /// What stands now, oldest first.
    pub fn standing(&self) -> Vec<&Alarm> {
        let mut all: Vec<_> = self.judge.standing().collect();
        all.sort_by_key(|a| a.raised_ms);
        all
    }

    /// Takes the next record, which ended at a wall time.
    pub fn take(&mut self, record: &Record, end_ms: i64) -> Vec<Change> {
        let seconds = record.duration_s();
        if !(seconds > 0.0 && seconds < 86_400.0) {
            return Vec::new();
        }
        let start_ms = end_ms - (seconds * 1000.0) as i64;
        self.judge.open(seconds, end_ms);
        match self.last_end_ms.replace(end_ms) {
            // The clock was set back: records go on, intervals under way do not.
            Some(last) if start_ms < last - 1500 => self.interrupt(),
            Some(last) if start_ms > last + ((1.5 * seconds).max(60.0) * 1000.0) as i64 => {
                self.judge.interrupt();
            }
            _ => {}
        }
        if self.wiring.is_some_and(|w| w != record.wiring) {
            self.inputs.restart();
            self.supply = supply::SupplyRules::default();
            self.learn_bank(end_ms);
            self.single_v = None;
        }
        self.wiring = Some(record.wiring);
        self.work_until(end_ms);
        let (offset_s, working_hours) = self.local(end_ms);
        let (p_w, q1_var) = (record.p_w(), record.q1_var());
        let amps: f32 = record.phases.iter().map(|p| p.i_rms_a + p.v_rms_v).sum();
        let doubtful = DOUBTFUL.iter().any(|f| record.flags.contains(*f));
        let usable = (p_w + q1_var).is_finite() && amps.is_finite() && !doubtful;
        if usable {
            self.peak.take(libm::fabs(p_w), seconds, working_hours);
        }
        let nominal_v = self.nominal_v(record);
        let o = Observed {
            record,
            end_ms,
            seconds,
            p_w,
            q1_var,
            usable,
            usual_peak_w: self.peak.watts(),
            nominal_v,
            working_hours,
            zone_offset_s: offset_s,
        };
        let (t, judge) = (&self.terms, &mut self.judge);
        self.supply.take(&o, t, judge);
        self.load.take(&o, t, self.site.hours_stated, judge);
        self.starts.take(record.boot, end_ms, judge);
        self.inputs.take(&o, t, !self.bank.units.is_empty(), judge);
        self.demand.take(&o, t, judge);
        self.harmonics.take(&o, t, judge);
        if let (true, Some(peak_w)) = (usable, o.usual_peak_w) {
            self.steps.take(&steps::Load { end_ms, seconds, p_w, q1_var, peak_w }, t, judge);
        }
        self.loss.take(&o, t, &self.bank, judge);
        self.judge.close()
    }

    /// Takes the number of the start that the node tells, between records.
    pub fn started(&mut self, boot: u32, at_ms: i64) -> Vec<Change> {
        match self.starts.boot() {
            Some(last) if boot < last => self.starts.restart(boot),
            _ => self.starts.take(boot, at_ms, &mut self.judge),
        }
        self.judge.close()
    }

    /// How often the node started within the last hour, as far as is known.
    pub fn starts_of_late(&self) -> u32 {
        self.starts.recent()
    }

    /// Raises what is no condition of a record, such as a node that is silent, or a changed log.
    pub fn raise(
        &mut self,
        kind: Kind,
        part: &str,
        at_ms: i64,
        evidence: String,
    ) -> Option<Change> {
        self.judge.raise(kind, Cow::Owned(part.to_owned()), at_ms, at_ms, evidence);
        self.judge.close().pop()
    }

    /// Clears such an alarm; nothing happens where it does not stand.
    pub fn clear(&mut self, kind: Kind, part: &str, at_ms: i64) -> Option<Change> {
        self.judge.clear(kind, Cow::Owned(part.to_owned()), at_ms);
        self.judge.close().pop()
    }

    /// Clears such an alarm once it has stood for some time.
    pub fn clear_after(&mut self, kind: Kind, part: &str, at_ms: i64, ms: i64) -> Option<Change> {
        let raised_ms = self.judge.raised_ms(kind, part)?;
        if at_ms - raised_ms < ms { None } else { self.clear(kind, part, at_ms) }
    }

    /// Puts back an alarm that stood before the watch was restarted and that the records which
    /// were gone through again cannot show.
    pub fn restore(&mut self, alarm: Alarm) {
        self.judge.restore(alarm);
    }

    /// Whether an alarm stands.
    pub fn stands(&self, kind: Kind, part: &str) -> bool {
        self.judge.stands(kind, part)
    }

    /// Where the running demand interval is heading, in kW and kvar, if that can be told.
    pub fn heading(&self) -> Option<(f64, f64)> {
        self.demand.heading
    }

    /// Says that a correction was installed, changed or repaired: what was learnt is forgotten.
    ///
    /// Dates in the site file (`since` and `changed` of `[[installed]]`) do it by themselves.
    pub fn correction_changed(&mut self, at_ms: i64) -> Vec<Change> {
        self.forget_correction(at_ms);
        self.judge.close()
    }

    fn forget_correction(&mut self, at_ms: i64) {
        self.learn_bank(at_ms);
        self.judge.clear_kinds(Kind::OF_CORRECTION, at_ms);
    }

    fn learn_bank(&mut self, at_ms: i64) {
        self.bank = BankPlan::at(&self.terms, &self.site, at_ms);
        self.steps = steps::StepRules::new(&self.bank, self.site.power_factor.target);
        self.loss = loss::LossRules::default();
    }

    fn work_until(&mut self, end_ms: i64) {
        let mut done = None;
        while let Some(at) = self.work_ms.first().copied().filter(|at| *at <= end_ms) {
            self.work_ms.remove(0);
            done = Some(at);
        }
        if let Some(at) = done {
            self.forget_correction(at);
        }
    }

    /// Nominal voltage of a phase, in V.
    ///
    /// One phase of a three-phase service and a single-phase service are both written as a line
    /// voltage: which one it is shows as soon as there is voltage.
    fn nominal_v(&mut self, record: &Record) -> Option<f64> {
        let supply = Supply { wiring: Some(record.wiring), ..self.site.supply };
        let whole = supply.phase_voltage_v()?;
        if record.wiring != Wiring::SinglePhase {
            return Some(whole);
        }
        let volts = f64::from(record.phases[0].v_rms_v);
        let meant = |v: &f64| libm::fabs(volts / v - 1.0) < NEAR_NOMINAL;
        self.single_v = self.single_v.or([whole, whole / libm::sqrt(3.0)].into_iter().find(meant));
        self.single_v
    }

    fn interrupt(&mut self) {
        self.judge.interrupt();
        self.demand.restart();
    }

    fn local(&self, at_ms: i64) -> (i32, bool) {
        let zone = &self.site.time_zone;
        let offset_s =
            Timestamp::from_millisecond(at_ms).map_or(0, |t| zone.to_offset(t).seconds());
        let hour = (at_ms - 1 + i64::from(offset_s) * 1000).div_euclid(HOUR_MS);
        (offset_s, self.site.working_hours.contains(hour_of_week(hour)))
    }
}
