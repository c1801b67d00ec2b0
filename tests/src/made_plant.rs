//! Plants drawn at random, and weeks of their records without waveforms: what comparisons of
//! two weeks are tried on.
//!
//! Motors draw magnetizing kvar with a power of the voltage between 2 and 3.2 and leakage with
//! the square of the current; lighting, heating on one phase, a cycling compressor and a welder
//! come beside them. Shifts, idle times, intensity by the day and by the minute differ, and so
//! does the voltage. All of it is common practice in kind; sizes are drawn.

use crate::made_log::LogMaker;
use wattless::analyse::verify::unit::{Connection, Control, State, Unit};
use wattless::bench::chance::Chance;
use wattless::collect::log::IntervalLog;

/// Nominal phase voltage of every plant, in V.
pub const PHASE_V: f64 = 230.94;

/// A motor as the records see it.
#[derive(Clone, Debug)]
struct Motor {
    shaft_w: f64,
    magnetizing_var: f64,
    leakage_var: f64,
    saturation: f64,
    /// Mean share of its rating while it works.
    load: f64,
    /// Share of working time in which it works; else it idles.
    works: f64,
    /// Minutes for which it stays as it is, about.
    persists_min: f64,
    /// Whether it stops in pauses instead of idling.
    stops: bool,
    /// Runs day and night.
    always: bool,
}

/// A plant.
#[derive(Clone, Debug)]
pub struct Plant {
    motors: Vec<Motor>,
    light_w: f64,
    light_tan: f64,
    heat_w: f64,
    welder_va: f64,
    shares: [f64; 3],
    /// First and last working hour of each shift.
    shifts: Vec<(f64, f64)>,
    saturday: bool,
    /// Standard deviation of a day's intensity.
    day_spread: f64,
    transformer_va: f64,
    x_pct: f64,
}

/// What a week is like.
#[derive(Clone, Copy, Debug)]
pub struct Week {
    /// Intensity of the work, 1 is usual.
    pub intensity: f64,
    /// Voltage without load over nominal.
    pub level: f64,
    /// Length in days.
    pub days: f64,
    /// Length of a record in seconds.
    pub record_s: f64,
    /// Minutes since 1970 of its beginning.
    pub begins_min: i64,
}

impl Plant {
    /// Draws a plant.
    pub fn draw(c: &mut Chance) -> Plant {
        let count = 3 + c.below(6);
        let motors: Vec<Motor> = (0..count)
            .map(|k| {
                let kw = libm::exp(c.between([1.6, 4.6]));
                let pf = c.between([0.80, 0.89]);
                let input = kw * 1e3 / c.between([0.88, 0.95]);
                let rated_var = input * libm::sqrt(1.0 - pf * pf) / pf;
                let magnetizing = c.between([0.5, 0.75]);
                Motor {
                    shaft_w: input,
                    magnetizing_var: rated_var * magnetizing,
                    leakage_var: rated_var * (1.0 - magnetizing),
                    saturation: c.between([2.0, 3.2]),
                    load: c.between([0.3, 0.85]),
                    works: c.between([0.4, 0.95]),
                    persists_min: c.between([1.0, 40.0]),
                    stops: c.unit() < 0.4,
                    always: k == 0 && c.unit() < 0.7,
                }
            })
            .collect();
        let rated: f64 = motors.iter().map(|m| m.shaft_w).sum();
        let shifts = match c.below(3) {
            0 => vec![(6.0, 14.0)],
            1 => vec![(6.0, 14.0), (14.0, 22.0)],
            _ => vec![(7.0, 16.0)],
        };
        let apart = c.between([-0.02, 0.02]);
        Plant {
            light_w: rated * c.between([0.02, 0.12]),
            light_tan: c.between([0.1, 0.5]),
            heat_w: rated * c.between([0.0, 0.03]),
            welder_va: rated * c.between([0.0, 0.05]),
            shares: [1.0 / 3.0 + apart, 1.0 / 3.0, 1.0 / 3.0 - apart],
            saturday: c.unit() < 0.3,
            day_spread: c.between([0.02, 0.12]),
            transformer_va: rated * c.between([1.2, 3.0]),
            x_pct: c.between([3.5, 6.0]),
            shifts,
            motors,
        }
    }

    /// Changes as plants change from week to week: a shift more or less, machines used otherwise.
    pub fn changed(&self, c: &mut Chance) -> Plant {
        let mut plant = self.clone();
        if c.unit() < 0.25 {
            if plant.shifts.len() > 1 {
                plant.shifts.pop();
            } else {
                plant.shifts.push((14.0, 20.0));
            }
        }
        plant.saturday ^= c.unit() < 0.15;
        for m in &mut plant.motors {
            m.works = (m.works * c.between([0.9, 1.1])).min(1.0);
            m.load *= c.between([0.93, 1.07]);
        }
        plant
    }

    /// kvar of the whole plant in usual work, in var: for the size of a bank.
    pub fn usual_var(&self) -> f64 {
        self.motors
            .iter()
            .map(|m| m.magnetizing_var + m.leakage_var * m.load * m.load * m.works)
            .sum::<f64>()
            + self.light_w * self.light_tan
    }

    /// kvar that are always there, about, in var.
    pub fn base_var(&self) -> f64 {
        let always = self.motors.iter().filter(|m| m.always);
        always.map(|m| m.magnetizing_var).sum::<f64>() + 0.5 * self.light_w * self.light_tan
    }

    /// Records of a week with capacitor units in their states.
    pub fn week(&self, c: &mut Chance, w: &Week, units: &[(Unit, State)]) -> IntervalLog {
        let mut maker = LogMaker::at(w.begins_min * 60_000);
        let n = (w.days * 86_400.0 / w.record_s) as usize;
        let mut running: Vec<(bool, f64)> = vec![(false, 0.0); self.motors.len()];
        let mut wander = 0.0;
        let mut day = (i64::MIN, 1.0);
        let minutes = w.record_s / 60.0;
        let mut voltage = w.level;
        for k in 0..n {
            let minute = w.begins_min as f64 + k as f64 * minutes;
            let epoch_day = libm::floor(minute / 1440.0) as i64;
            let weekday = (epoch_day + 3).rem_euclid(7);
            let hour = (minute / 60.0) - epoch_day as f64 * 24.0;
            if day.0 != epoch_day {
                day = (epoch_day, (1.0 + self.day_spread * c.normal()).clamp(0.5, 1.5));
            }
            let open = weekday < 5 || (weekday == 5 && self.saturday);
            let shift = open && self.shifts.iter().any(|s| hour >= s.0 && hour < s.1);
            let pause = (9.0..9.25).contains(&hour) || (12.0..12.5).contains(&hour);
            let intensity = w.intensity * day.1;
            let hz = 50.0 + 0.015 * c.normal();
            let (mut p, mut q) = (0.0, 0.0);
            let u = voltage;
            for (m, state) in self.motors.iter().zip(&mut running) {
                if c.unit() < minutes / m.persists_min.max(minutes) {
                    state.0 = c.unit() < (m.works * intensity).min(1.0);
                    state.1 = (m.load * (1.0 + 0.15 * c.normal()) * libm::sqrt(intensity))
                        .clamp(0.1, 1.2);
                }
                let on = m.always || (shift && !(pause && m.stops));
                if on {
                    let load =
                        if state.0 && (shift || m.always) && !pause { state.1 } else { 0.04 };
                    p += m.shaft_w * (0.03 + load);
                    q += m.magnetizing_var * libm::pow(u, m.saturation)
                        + m.leakage_var * load * load / (u * u);
                }
            }
            let light = self.light_w * if shift { 1.0 } else { 0.5 };
            p += light * libm::pow(u, 1.6);
            q += light * self.light_tan * libm::pow(u, 1.6);
            let welding = if shift && !pause { self.welder_va * c.unit() } else { 0.0 };
            p += 0.5 * welding;
            q += 0.87 * welding;
            p *= 1.0 + 0.002 * c.normal();
            q *= 1.0 + 0.004 * c.normal();
            let heat = if hour as i64 % 2 == 0 { self.heat_w } else { 0.0 };
            let mut phase_p = self.shares.map(|s| s * p);
            phase_p[0] += heat;
            let mut phase_q = self.shares.map(|s| s * q);
            for (unit, state) in units {
                let out = unit.output_var(u * PHASE_V, hz);
                for (q, s) in phase_q.iter_mut().zip(state.shares(unit.connection)) {
                    *q -= s * out;
                }
            }
            let total_q: f64 = phase_q.iter().sum();
            // The supply gives way to kvar, wanders, and is higher at night.
            wander += -wander * minutes / 90.0 + 0.0006 * libm::sqrt(minutes) * c.normal();
            let swing = 0.006 * libm::cos((hour - 3.0) / 24.0 * std::f64::consts::TAU);
            voltage = w.level + swing + wander - self.x_pct / 100.0 * total_q / self.transformer_va;
            push(&mut maker, w.record_s, &phase_p, &phase_q, u * PHASE_V, hz);
        }
        maker.log
    }
}

fn push(maker: &mut LogMaker, record_s: f64, p: &[f64; 3], q: &[f64; 3], v: f64, hz: f64) {
    maker.record(record_s, p.iter().sum::<f64>() * 1e-3, q.iter().sum::<f64>() * 1e-3);
    let at = maker.log.len() - 1;
    for k in 0..3 {
        let s = libm::hypot(p[k], q[k]);
        maker.log.p_w[k][at] = p[k] as f32;
        maker.log.q1_var[k][at] = q[k] as f32;
        maker.log.s_va[k][at] = s as f32;
        maker.log.v_rms_v[k][at] = v as f32;
        maker.log.i_rms_a[k][at] = (s / v) as f32;
    }
    maker.log.frequency_10uhz[at] = (hz * 1e5) as u32;
}

/// What was made true of a pair of weeks.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Truth {
    /// All units as installed.
    Whole,
    /// One of several units gives nothing.
    UnitMissing,
    /// A line to the largest unit is open.
    LineOpen,
    /// An element of the largest unit is dead.
    ElementDead,
    /// Nothing is on, or the sensor sits between capacitor and load: the same readings.
    Nothing,
}

impl Truth {
    /// All of them.
    pub const ALL: [Truth; 5] =
        [Truth::Whole, Truth::UnitMissing, Truth::LineOpen, Truth::ElementDead, Truth::Nothing];
}

/// Two weeks with a truth between them.
#[derive(Clone, Debug)]
pub struct Pair {
    /// Records before.
    pub before: IntervalLog,
    /// Records after.
    pub after: IntervalLog,
    /// What the verification is told.
    pub units: Vec<Unit>,
    /// What is true.
    pub truth: Truth,
    /// The states of the units.
    pub states: Vec<State>,
    /// True output over that of whole units.
    pub ratio: f64,
}

impl Pair {
    /// Draws a pair; after lasts a number of days, before a week.
    pub fn draw(seed: u64, truth: Truth, days_after: f64, record_s: f64) -> Pair {
        let mut c = Chance::new(seed, "pair");
        let plant = Plant::draw(&mut c);
        let count = if truth == Truth::UnitMissing { 2 + c.below(3) } else { 1 + c.below(3) };
        let whole = plant.usual_var() * c.between([0.25, 0.6]);
        let connection = match c.below(3) {
            0 => Connection::Star,
            _ => Connection::Delta,
        };
        let parts: Vec<f64> = (0..count).map(|_| c.between([0.7, 1.4])).collect();
        let sum: f64 = parts.iter().sum();
        let units: Vec<Unit> = parts
            .iter()
            .enumerate()
            .map(|(k, part)| Unit {
                name: format!("Unit {}", k + 1),
                rated_var: libm::rint(whole * part / sum / 500.0).max(1.0) * 500.0,
                rated_v: if c.unit() < 0.5 { 400.0 } else { 440.0 },
                rated_hz: 50.0,
                connection,
                control: Control::Fixed,
            })
            .collect();
        let largest = (0..count).max_by(|a, b| units[*a].rated_var.total_cmp(&units[*b].rated_var));
        let largest = largest.unwrap_or(0);
        let place = c.below(3) as u8;
        let mut states = vec![State::Whole; count];
        match truth {
            Truth::Whole => {}
            Truth::UnitMissing => states[largest] = State::Absent,
            Truth::LineOpen => states[largest] = State::LineOpen(place),
            Truth::ElementDead => {
                states[largest] = match connection {
                    Connection::Delta => State::ElementDead(place),
                    _ => State::LineOpen(place),
                }
            }
            Truth::Nothing => states.fill(State::Absent),
        }
        let begins_min = 29_556_000 + 10_080 * c.below(40) as i64;
        let begins_min = begins_min - (begins_min + 3 * 1440).rem_euclid(10_080);
        let level = 1.0 + 0.012 * c.normal();
        let week = |intensity, level, days, begins_min| Week {
            intensity,
            level,
            days,
            record_s,
            begins_min,
        };
        let before = plant.week(&mut c, &week(1.0, level, 7.0, begins_min), &[]);
        let later = plant.changed(&mut c);
        let intensity = c.between([0.85, 1.15]);
        let level = level + 0.008 * c.normal();
        let on: Vec<(Unit, State)> = units.iter().cloned().zip(states.iter().copied()).collect();
        let start = begins_min + 2 * 10_080;
        let after = later.week(&mut c, &week(intensity, level, days_after, start), &on);
        let full = |u: &Unit| u.output_var(PHASE_V, 50.0);
        let all: f64 = units.iter().map(full).sum();
        let there: f64 =
            on.iter().map(|(u, s)| full(u) * s.shares(u.connection).iter().sum::<f64>()).sum();
        Pair { before, after, units, truth, states, ratio: there / all }
    }
}
