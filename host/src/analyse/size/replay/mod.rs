//! Candidates replayed over every interval of a log: what the meter would have seen.
//!
//! A [`Course`] is the log as columns; a [`Lane`] is what a candidate puts on the feeder. The
//! result of a lane is its lagging and leading energy in each of the tariff's steps, and what
//! the candidate did meanwhile. The load's own kW and kvar are taken as logged: that they
//! change a little with the voltage that capacitors raise is left out.
//!
//! The switching rule of a bank: its controller compares the feeder's lacking kvar to its
//! target with the steps that are on. Beyond `on_share` of a step it wants one more, beyond
//! `off_share` of a step too much one less; nothing moves in between. A wish must last for the
//! delay before each move, and a step switched off is not used again until it has discharged.
//! Steps of unequal size are counted in units of the smallest.

mod kernel;
mod path;
mod row;
#[cfg(test)]
mod tests;

pub use kernel::Way;
use path::{Path, Wanted};

/// Most motors whose running is told apart.
pub const MOTORS: usize = 32;

/// A log as the replay walks through it: one entry a record in each column, in order of time.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Course {
    /// Length in seconds.
    pub dt_s: Vec<f32>,
    /// Active power, in W.
    pub p_w: Vec<f32>,
    /// Reactive power of the fundamental, lagging positive, in var.
    pub q_var: Vec<f32>,
    /// Output of a capacitor over its output at nominal voltage and frequency: (V/Vn)²·f/fn.
    pub output_ratio: Vec<f32>,
    /// Voltage over nominal.
    pub v_ratio: Vec<f32>,
    /// Relative rise of the voltage per var of capacitors; 0 where the supply is unknown.
    pub rise_per_var: Vec<f32>,
    /// The same per var², for the rise's own bend.
    pub rise_per_var2: Vec<f32>,
    /// Motors that run, one bit each.
    pub running: Vec<u32>,
    /// Number of the tariff's step that the record falls into; never falls.
    pub slot: Vec<u32>,
    /// Number of the tariff's steps.
    pub slots: usize,
}

impl Course {
    /// Number of records.
    pub fn len(&self) -> usize {
        self.dt_s.len()
    }

    /// Whether there is no record.
    pub fn is_empty(&self) -> bool {
        self.dt_s.is_empty()
    }

    /// Seconds covered.
    pub fn covered_s(&self) -> f64 {
        self.dt_s.iter().map(|x| f64::from(*x)).sum()
    }
}

/// How a bank's controller switches.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rule {
    /// kvar per kW that the controller leaves.
    pub tan_target: f32,
    /// Share of a step that must be lacking before one is switched on.
    pub on_share: f32,
    /// Share of a step that must be too much before one is switched off.
    pub off_share: f32,
    /// Seconds that a wish must last before each switching.
    pub delay_s: f32,
    /// Seconds that a step must discharge before it is used again.
    pub lockout_s: f32,
}

impl Default for Rule {
    fn default() -> Rule {
        Rule { tan_target: 0.0, on_share: 1.0, off_share: 1.0, delay_s: 40.0, lockout_s: 60.0 }
    }
}

/// What a candidate puts on the feeder, in var at nominal voltage and frequency.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Lane {
    /// Always on.
    pub always_var: f32,
    /// On while a motor runs: its bit's number, and var.
    pub with_motor_var: Vec<(u8, f32)>,
    /// The smallest step of a bank; 0 without one.
    pub step_var: f32,
    /// Number of smallest steps.
    pub steps: u32,
    /// How the bank switches.
    pub rule: Rule,
}

impl Lane {
    /// var at nominal voltage that are on beside the bank's steps.
    pub fn fixed_var(&self, running: u32) -> f32 {
        self.with_motor_var.iter().fold(self.always_var, |sum, (bit, var)| {
            if running >> (bit & 31) & 1 == 1 { sum + var } else { sum }
        })
    }

    /// kvar per kW that the bank's controller leaves; none without a bank.
    fn target(&self) -> Option<f32> {
        (self.steps > 0 && self.step_var > 0.0).then_some(self.rule.tan_target)
    }

    /// Candidates with near values switch alike: banks of one target by their steps, then by what
    /// is on beside them.
    pub fn likeness(&self) -> [f32; 4] {
        let bank = self.target().map_or([0.0; 3], |t| [1.0 + t, self.step_var, self.steps as f32]);
        [bank[0], bank[1], bank[2], self.fixed_var(u32::MAX)]
    }

    /// var at nominal voltage with everything on.
    pub fn all_var(&self) -> f64 {
        f64::from(self.fixed_var(u32::MAX)) + f64::from(self.step_var) * f64::from(self.steps)
    }
}

/// What a candidate did over the whole course.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Totals {
    /// Time integral of ((P² + Q²)/V²), V over nominal, in VA²·s.
    pub i2_s: f64,
    /// Time integral of what was on, in var·s at nominal voltage.
    pub nominal_var_s: f64,
    /// Steps switched on or off.
    pub switchings: f64,
    /// Largest voltage over nominal.
    pub v_ratio_max: f32,
    /// Steps on at the end.
    pub steps_at_end: f32,
}

/// The result of one candidate.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Replayed {
    /// Lagging energy in each of the tariff's steps, in varh.
    pub lag_varh: Vec<f32>,
    /// Leading energy in each of the tariff's steps, in varh.
    pub lead_varh: Vec<f32>,
    /// Sums and extremes.
    pub totals: Totals,
}

/// Replays candidates over one course.
#[derive(Clone, Debug, Default)]
pub struct Replayer {
    path: Path,
    wanted: Vec<Wanted>,
    room: kernel::Room,
}

impl Replayer {
    /// Makes a course ready.
    pub fn new(course: &Course) -> Replayer {
        Replayer { path: Path::of(course), ..Replayer::default() }
    }

    /// Replays candidates and hands each result to `each`, in the order of the candidates.
    ///
    /// Results are handed over as they come and their room is used again, so that memory does
    /// not grow with their number. Candidates without a bank are quicker, and so are banks of one
    /// target: put them side by side.
    pub fn replay(&mut self, lanes: &[Lane], each: impl FnMut(usize, &Replayed)) {
        self.replay_in(lanes, Way::Widest, each);
    }

    fn replay_in(&mut self, lanes: &[Lane], way: Way, mut each: impl FnMut(usize, &Replayed)) {
        let mut from = 0;
        while from < lanes.len() {
            let target = lanes[from].target();
            let same = |l: &&Lane| l.target().map(f32::to_bits) == target.map(f32::to_bits);
            let to = from + lanes[from..].iter().take(kernel::LANES).take_while(same).count();
            let wanted = target.map(|t| self.wanted(t));
            let wanted = wanted.and_then(|w| self.wanted.get(w));
            let (path, room) = (&self.path, &mut self.room);
            let done = kernel::replay(path, &lanes[from..to], wanted, way, room);
            for (k, done) in done.iter().enumerate() {
                each(from + k, done);
            }
            from = to;
        }
    }

    /// Position of what controllers with a target want.
    fn wanted(&mut self, tan_target: f32) -> usize {
        let known = |w: &Wanted| w.tan_target.to_bits() == tan_target.to_bits();
        self.wanted.iter().position(known).unwrap_or_else(|| {
            self.wanted.push(self.path.wanted(tan_target));
            self.wanted.len() - 1
        })
    }
}

/// Replays candidates in a stated way, all results kept.
pub fn replay_in(course: &Course, lanes: &[Lane], way: Way) -> Vec<Replayed> {
    let mut all = Vec::with_capacity(lanes.len());
    Replayer::new(course).replay_in(lanes, way, |_, done| all.push(done.clone()));
    all
}
