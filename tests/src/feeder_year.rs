//! A year of an invented feeder with capacitors, minute by minute, for alarms that judge years.
//!
//! Variety, all from a seed: size of the plant, number and kind of motors, what they drive and
//! how long, single-phase loads that differ between phases and with the season, one to three
//! shifts, a change of shifts, holidays, a new machine; voltage by the day, its unbalance, taps
//! of the transformer; a fixed or switched bank of one to four units in star or delta, whose
//! capacitance follows temperature. What is not from a source is common practice.

use wattless::bench::chance::Chance;
use wattless::watch::alarm::correction::Sample;

/// Minutes of a year.
pub const YEAR_MIN: u32 = 365 * 1440;

/// How a unit lost one phase.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lost {
    /// One capacitor of a star-connected unit is open.
    StarPhase,
    /// One capacitor between two lines is open.
    DeltaLeg,
    /// One line fuse of a delta-connected unit is open.
    DeltaFuse,
}

#[derive(Clone, Debug)]
struct Motor {
    rated_w: f64,
    magnetizing_var: f64,
    leakage_var: f64,
    mean_on_min: f64,
    mean_off_min: f64,
    always: bool,
    from_min: u32,
    lean: [f64; 3],
    on: bool,
    load: f64,
    load_mean: f64,
    swing: f64,
}

#[derive(Clone, Debug)]
struct Single {
    phase: usize,
    p_w: f64,
    tan: f64,
    season: f64,
    mean_on_min: f64,
    mean_off_min: f64,
    at_night: bool,
    on: bool,
}

/// The feeder and its state.
#[derive(Clone, Debug)]
pub struct FeederYear {
    chance: Chance,
    minute: u32,
    motors: Vec<Motor>,
    singles: Vec<Single>,
    /// Rated output of each unit of the bank, in var.
    pub units_var: Vec<f64>,
    /// Whether a controller switches the units.
    pub switched: bool,
    /// Which unit loses what.
    pub fault: (usize, Lost),
    unit_on: Vec<bool>,
    wait_min: u32,
    shifts: u32,
    shifts_later: u32,
    change_min: u32,
    holiday: [u32; 2],
    u: f64,
    u_lean: [f64; 3],
    tap: f64,
    temperature_span: f64,
    tolerance: Vec<[f64; 3]>,
    /// Capacitance that every unit loses a week, as a share; and from which minute on.
    pub ageing: (f64, u32),
}

/// Nominal voltage of a phase, in V.
pub const NOMINAL_V: f64 = 230.0;

impl FeederYear {
    /// The feeder of a seed.
    pub fn new(seed: u64) -> FeederYear {
        let mut c = Chance::new(seed, "feeder year");
        let peak_w = 40e3 * libm::pow(10.0, c.unit());
        let late = |c: &mut Chance, share: f64| {
            if c.unit() < share {
                (YEAR_MIN / 10) + c.below(YEAR_MIN as usize * 8 / 10) as u32
            } else {
                0
            }
        };
        let n = 3 + c.below(7);
        let shares: Vec<f64> = (0..n).map(|_| c.between([0.2, 1.0])).collect();
        let whole: f64 = shares.iter().sum();
        let mut motors: Vec<Motor> = shares
            .iter()
            .map(|share| {
                let rated_w = 1.3 * peak_w * share / whole;
                let magnetizing = c.between([0.25, 0.45]);
                Motor {
                    rated_w,
                    magnetizing_var: rated_w * magnetizing,
                    leakage_var: rated_w * c.between([0.15, 0.3]),
                    mean_on_min: c.between([10.0, 180.0]),
                    mean_off_min: c.between([3.0, 60.0]),
                    always: c.unit() < 0.3,
                    from_min: 0,
                    lean: std::array::from_fn(|_| 1.0 + 0.01 * c.normal()),
                    on: false,
                    load: 0.5,
                    load_mean: c.between([0.2, 0.9]),
                    swing: c.between([0.02, 0.25]),
                }
            })
            .collect();
        let added = late(&mut c, 0.3);
        if let (true, Some(last)) = (added > 0, motors.last_mut()) {
            last.from_min = added;
        }
        let singles = (0..c.below(12))
            .map(|k| Single {
                phase: k % 3,
                p_w: peak_w * c.between([0.003, 0.03]),
                tan: c.between([0.0, 0.6]),
                season: c.between([-0.4, 0.4]),
                mean_on_min: c.between([20.0, 400.0]),
                mean_off_min: c.between([20.0, 400.0]),
                at_night: c.unit() < 0.3,
                on: false,
            })
            .collect();
        let magnetizing: f64 = motors.iter().map(|m| m.magnetizing_var).sum();
        let count = 1 + c.below(4);
        let total = magnetizing * c.between([0.5, 1.1]);
        let units_var: Vec<f64> = if c.unit() < 0.6 {
            vec![total / count as f64; count]
        } else {
            let weight: Vec<f64> = (0..count).map(|k| f64::from(1u32 << k.min(1))).collect();
            let sum: f64 = weight.iter().sum();
            weight.iter().map(|w| total * w / sum).collect()
        };
        let lost = [Lost::StarPhase, Lost::DeltaLeg, Lost::DeltaFuse][c.below(3)];
        let fault = (c.below(count), lost);
        let switched = count > 1 && c.unit() < 0.4;
        let tolerance = units_var
            .iter()
            .map(|_| {
                let whole = 1.0 + 0.03 * c.unit();
                std::array::from_fn(|_| whole + 0.004 * c.normal())
            })
            .collect();
        let shifts = 1 + c.below(3) as u32;
        let change_min = late(&mut c, 0.3);
        let holiday = late(&mut c, 0.6);
        FeederYear {
            minute: 0,
            motors,
            singles,
            unit_on: vec![!switched; count],
            units_var,
            switched,
            fault,
            wait_min: 0,
            shifts,
            shifts_later: 1 + c.below(3) as u32,
            change_min,
            holiday: [holiday, holiday + if holiday > 0 { 14 * 1440 } else { 0 }],
            u: 0.0,
            u_lean: std::array::from_fn(|_| 0.003 * c.normal()),
            tap: 0.0,
            temperature_span: c.between([5.0, 20.0]),
            tolerance,
            ageing: (0.0, 0),
            chance: c,
        }
    }

    /// Minutes gone.
    pub fn minute(&self) -> u32 {
        self.minute
    }

    /// Whether the unit that is to fail is connected now.
    pub fn failing_unit_on(&self) -> bool {
        self.unit_on[self.fault.0]
    }

    fn works(&self) -> bool {
        let day = self.minute / 1440;
        let hour = self.minute % 1440 / 60;
        let shifts = if self.change_min > 0 && self.minute >= self.change_min {
            self.shifts_later
        } else {
            self.shifts
        };
        let working_day = day % 7 < if shifts == 3 { 6 } else { 5 };
        let in_shift = match shifts {
            1 => (6..15).contains(&hour),
            2 => (6..22).contains(&hour),
            _ => true,
        };
        let holiday =
            self.holiday[1] > 0 && (self.holiday[0]..self.holiday[1]).contains(&self.minute);
        working_day && in_shift && !holiday
    }

    /// The next minute; `failed` says whether the unit has lost its phase by now.
    pub fn next_minute(&mut self, failed: bool) -> Sample {
        let works = self.works();
        let season =
            libm::cos(core::f64::consts::TAU * f64::from(self.minute) / f64::from(YEAR_MIN));
        let hour = f64::from(self.minute % 1440) / 60.0;
        let c = &mut self.chance;
        self.u += -0.02 * self.u + 0.0006 * c.normal();
        if c.unit() < 4.0 / f64::from(YEAR_MIN) {
            self.tap = c.between([-0.015, 0.015]);
        }
        let daily = 0.01 * libm::cos(core::f64::consts::TAU * (hour - 3.0) / 24.0);
        for lean in &mut self.u_lean {
            *lean += 1e-3 * (-0.02 * *lean + 0.0006 * c.normal());
        }
        let u: [f64; 3] = std::array::from_fn(|k| 1.0 + daily + self.u + self.tap + self.u_lean[k]);
        let mut p = [0.0; 3];
        let mut q = [0.0; 3];
        for m in &mut self.motors {
            let wanted = works && self.minute >= m.from_min;
            if !wanted {
                m.on = false;
            } else if m.always {
                m.on = true;
            } else {
                let mean = if m.on { m.mean_on_min } else { m.mean_off_min };
                if c.unit() < 1.0 / mean {
                    m.on = !m.on;
                }
            }
            m.load += 0.1 * (m.load_mean - m.load) + 0.45 * m.swing * c.normal();
            m.load = m.load.clamp(0.0, 1.2);
            if !m.on {
                continue;
            }
            for k in 0..3 {
                let part = m.load * m.lean[k];
                p[k] += m.rated_w / 3.0 * (0.05 + part);
                q[k] += (m.magnetizing_var * u[k] * u[k] * m.lean[k]
                    + m.leakage_var * part * part / (u[k] * u[k]))
                    / 3.0;
            }
        }
        for s in &mut self.singles {
            let mean = if s.on { s.mean_on_min } else { s.mean_off_min };
            if c.unit() < 1.0 / mean {
                s.on = !s.on;
            }
            if s.on && (works || s.at_night) {
                let now = s.p_w * (1.0 + s.season * season) * u[s.phase];
                p[s.phase] += now;
                q[s.phase] += now * s.tan;
            }
        }
        let aged = f64::from(self.minute.saturating_sub(self.ageing.1)) / 10_080.0;
        let warm = (1.0 - 0.0004 * self.temperature_span * (0.5 - 0.5 * season))
            * (1.0 - self.ageing.0 * aged).max(0.0);
        let needed: f64 = q.iter().sum();
        if self.switched {
            let given: f64 = self
                .units_var
                .iter()
                .zip(&self.unit_on)
                .filter(|(_, on)| **on)
                .map(|(v, _)| v)
                .sum();
            self.wait_min = self.wait_min.saturating_sub(1);
            if self.wait_min == 0 {
                let lacking = needed - given;
                let smallest = self.units_var.iter().copied().fold(f64::INFINITY, f64::min);
                let off = self.unit_on.iter().position(|on| !on);
                let on = self.unit_on.iter().rposition(|on| *on);
                if let (true, Some(k)) = (lacking > 0.7 * smallest, off) {
                    self.unit_on[k] = true;
                    self.wait_min = 3;
                } else if let (true, Some(k)) = (lacking < -0.4 * smallest, on) {
                    self.unit_on[k] = false;
                    self.wait_min = 3;
                }
            }
        }
        for (j, var) in self.units_var.iter().enumerate() {
            if !self.unit_on[j] {
                continue;
            }
            // Share of a third of the unit that each phase still sees.
            let shares = match (failed && j == self.fault.0, self.fault.1) {
                (false, _) => [1.0; 3],
                (true, Lost::StarPhase) => [0.0, 1.0, 1.0],
                (true, Lost::DeltaLeg) => [0.5, 0.5, 1.0],
                (true, Lost::DeltaFuse) => [0.0, 0.75, 0.75],
            };
            for k in 0..3 {
                q[k] -= var / 3.0 * u[k] * u[k] * warm * shares[k] * self.tolerance[j][k];
            }
            // An open leg leaves the other legs' currents at 30° to the phase voltages.
            if failed && j == self.fault.0 && self.fault.1 == Lost::DeltaLeg {
                let cross = var / 3.0 / (2.0 * libm::sqrt(3.0)) * u[0] * u[1];
                p[0] += cross;
                p[1] -= cross;
            }
        }
        self.minute += 1;
        let noise = 2e-4;
        Sample {
            end_ms: i64::from(self.minute) * 60_000,
            duration_s: 60.0,
            phases: 3,
            v_v: u.map(|x| x * NOMINAL_V),
            p_w: p.map(|x| x * (1.0 + noise * c.normal())),
            q1_var: std::array::from_fn(|k| {
                q[k] + noise * c.normal() * (libm::fabs(p[k]) + libm::fabs(q[k]))
            }),
        }
    }
}
