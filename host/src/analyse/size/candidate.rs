//! Candidates: what may stand where, what each puts on the feeder, what it costs.

use super::prices::{Build, Cost, PriceList, Site as At};
use super::replay::{Lane, Rule};
use super::supply::Supply;
use crate::site::plant::{CorrectionTerms, Motor, Plant, Starter};
use serde::Serialize;
use wattless_core::correction::{no_load_var, tan_of_pf};

/// Most units of one kind at a group or the service.
const SAME_UNITS: u32 = 3;

/// Share of a motor's no-load reactive power that capacitors switched with it may have
/// (common practice; NEMA MG 1 part 14 has 100 % as the limit).
pub const SELF_EXCITATION_SHARE: f64 = 0.9;

/// Where a part of a candidate stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Place {
    /// At a motor, by position; switched with it.
    Motor(usize),
    /// At the board of a group, by position; always on.
    Group(usize),
    /// At the service, always on.
    Service,
    /// At the service, a bank with a controller.
    Bank,
}

/// What may be chosen at a place.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub enum Choice {
    /// Some fixed units of one kind: position in the list, and how many.
    Units(usize, u32),
    /// A bank: position in the list, and the controller's target.
    Bank(usize, f64),
}

/// A place and what it may have.
#[derive(Clone, Debug, PartialEq)]
pub struct Options {
    /// The place.
    pub place: Place,
    /// What may be chosen; nothing is always possible.
    pub choices: Vec<Choice>,
}

/// A place that cannot have capacitors, and why.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Barred {
    /// The place in words.
    pub place: String,
    /// Why, and what to do.
    pub reason: String,
}

/// One choice for each place, 0 for none, else one more than its position.
pub type Genome = Vec<u16>;

/// Everything that candidates are made of.
#[derive(Clone, Debug)]
pub struct Space<'a> {
    /// The price list.
    pub prices: &'a PriceList,
    /// The plant.
    pub plant: &'a Plant,
    /// The supply.
    pub supply: &'a Supply,
    /// Places with something to choose.
    pub options: Vec<Options>,
    /// Places without.
    pub barred: Vec<Barred>,
    /// Names of the groups.
    pub groups: Vec<String>,
}

/// Reactive power of a motor without load, in var, from either entry of its nameplate.
pub fn no_load_var_of(m: &Motor, line_voltage_v: f64) -> Option<f64> {
    m.no_load_var.or_else(|| m.no_load_current_a.map(|a| no_load_var(a, line_voltage_v)))
}

/// Most kvar of capacitors on a motor of NEMA design B at 60 Hz by hp and synchronous speed
/// (3600, 1800, 1200, 900, 720, 600 r/min).
///
/// The common table of makers' leaflets and IEEE Std 141 chapter 8.
const HANDBOOK: [(f64, [f64; 6]); 12] = [
    (5.0, [2.0, 2.5, 3.0, 4.0, 4.0, 5.0]),
    (7.5, [2.5, 3.0, 4.0, 5.0, 5.0, 6.0]),
    (10.0, [4.0, 4.0, 5.0, 6.0, 7.5, 8.0]),
    (15.0, [5.0, 5.0, 6.0, 7.5, 8.0, 10.0]),
    (20.0, [6.0, 6.0, 7.5, 9.0, 9.0, 10.0]),
    (25.0, [7.5, 7.5, 8.0, 10.0, 12.5, 17.5]),
    (30.0, [8.0, 8.0, 10.0, 15.0, 15.0, 20.0]),
    (40.0, [12.5, 15.0, 15.0, 17.5, 20.0, 25.0]),
    (50.0, [15.0, 17.5, 20.0, 22.5, 22.5, 30.0]),
    (60.0, [17.5, 20.0, 22.5, 25.0, 30.0, 35.0]),
    (75.0, [20.0, 25.0, 25.0, 30.0, 35.0, 40.0]),
    (100.0, [22.5, 30.0, 30.0, 35.0, 40.0, 45.0]),
];

/// The table's kvar for a motor, of the next smaller rating; `None` below 5 hp.
pub fn handbook_var(hp: f64, sync_rpm: u32) -> Option<f64> {
    let column = [3600, 1800, 1200, 900, 720, 600].iter().position(|r| *r == sync_rpm)?;
    let row = HANDBOOK.iter().rev().find(|(size, _)| *size <= hp * 1.005)?;
    row.1.get(column).map(|kvar| kvar * 1e3)
}

/// The most that capacitors at a motor may have, in var, with the rule behind it.
pub fn motor_limit(m: &Motor, line_voltage_v: f64) -> Result<(f64, String), String> {
    if m.starter != Starter::Direct {
        return Err(format!(
            "its starter is \"{}\": no capacitors between it and the motor (common practice); \
             correct at the group or the service",
            m.starter.name()
        ));
    }
    let own = no_load_var_of(m, line_voltage_v).map(|q| {
        let limit = SELF_EXCITATION_SHARE * q;
        (limit, format!("90 % of {:.1} kvar without load", q / 1e3))
    });
    let maker = m.maker_limit_var.map(|q| (q, "the maker's limit".to_owned()));
    let table = m.sync_rpm.and_then(|rpm| {
        let hp = m.rated_w / 745.7;
        handbook_var(hp, rpm)
            .map(|q| (q, format!("handbook table, {hp:.0} hp at {rpm} r/min (60 Hz, design B)")))
    });
    match (own, maker, table) {
        (Some(a), Some(b), _) => Ok(if a.0 <= b.0 { a } else { b }),
        (Some(x), None, _) | (None, Some(x), _) | (None, None, Some(x)) => Ok(x),
        (None, None, None) => {
            Err("its no-load current is not known; measure it uncoupled and set no_load_current_a"
                .to_owned())
        }
    }
}

impl<'a> Space<'a> {
    /// Finds what may stand where.
    pub fn new(prices: &'a PriceList, plant: &'a Plant, supply: &'a Supply) -> Space<'a> {
        let mut space = Space {
            prices,
            plant,
            supply,
            options: Vec::new(),
            barred: Vec::new(),
            groups: Vec::new(),
        };
        space.groups = groups_of(plant);
        for (k, m) in plant.motors.iter().enumerate() {
            match motor_limit(m, supply.line_voltage_v) {
                Err(reason) => space.bar(Place::Motor(k), reason),
                Ok((limit_var, rule)) => {
                    let fits = |var: f64| var <= limit_var;
                    let choices = space.units(At::Motor, 1, &fits);
                    if choices.is_empty() {
                        let reason = format!(
                            "no unit of the price list is small enough: at most {:.1} kvar ({rule})",
                            limit_var / 1e3
                        );
                        space.bar(Place::Motor(k), reason);
                    } else {
                        space.options.push(Options { place: Place::Motor(k), choices });
                    }
                }
            }
        }
        for k in 0..space.groups.len() {
            let choices = space.units(At::Group, SAME_UNITS, &|_| true);
            if choices.is_empty() {
                space.bar(Place::Group(k), "the price list has no unit for groups".to_owned());
            } else {
                space.options.push(Options { place: Place::Group(k), choices });
            }
        }
        let choices = space.units(At::Service, SAME_UNITS, &|_| true);
        if !choices.is_empty() {
            space.options.push(Options { place: Place::Service, choices });
        }
        let targets = &plant.correction.controller_targets;
        let banks = 0..prices.banks.len();
        let choices: Vec<Choice> =
            banks.flat_map(|b| targets.iter().map(move |t| Choice::Bank(b, *t))).collect();
        if !choices.is_empty() {
            space.options.push(Options { place: Place::Bank, choices });
        }
        space
    }

    fn bar(&mut self, place: Place, reason: String) {
        let place = self.place_name(place);
        self.barred.push(Barred { place, reason });
    }

    fn units(&self, at: At, most: u32, fits: &dyn Fn(f64) -> bool) -> Vec<Choice> {
        let of = |k: usize| self.output_var(&self.prices.units[k].build);
        (0..self.prices.units.len())
            .filter(|k| self.prices.units[*k].at.contains(&at))
            .flat_map(|k| (1..=most).map(move |n| (k, n)))
            .filter(|(k, n)| fits(of(*k) * f64::from(*n)))
            .map(|(k, n)| Choice::Units(k, n))
            .collect()
    }

    /// Output of a unit at nominal voltage and frequency, in var.
    pub fn output_var(&self, build: &Build) -> f64 {
        build.output_var(self.supply.line_voltage_v, self.supply.frequency_hz)
    }

    /// A place in words.
    pub fn place_name(&self, place: Place) -> String {
        match place {
            Place::Motor(k) => {
                self.plant.motors.get(k).map_or_else(String::new, |m| format!("motor {}", m.name))
            }
            Place::Group(k) => {
                self.groups.get(k).map_or_else(String::new, |g| format!("group {g}"))
            }
            Place::Service => "service".to_owned(),
            Place::Bank => "service bank".to_owned(),
        }
    }

    /// Number of different candidates, doing nothing included; none beyond 2^63.
    pub fn size(&self) -> Option<u64> {
        self.options.iter().try_fold(1u64, |n, o| n.checked_mul(1 + o.choices.len() as u64))
    }

    /// Doing nothing.
    pub fn nothing(&self) -> Genome {
        vec![0; self.options.len()]
    }

    /// What a genome has chosen.
    pub fn parts<'b>(&'b self, genome: &'b [u16]) -> impl Iterator<Item = (Place, Choice)> + 'b {
        self.options.iter().zip(genome).filter_map(|(o, g)| {
            let at = usize::from(*g).checked_sub(1)?;
            o.choices.get(at).map(|c| (o.place, *c))
        })
    }

    /// How a choice is built, how many units (or smallest steps) it has, and its cost.
    pub fn piece(&self, choice: Choice) -> (&Build, u32, Cost) {
        match choice {
            Choice::Units(k, n) => {
                let u = &self.prices.units[k];
                let many = f64::from(n);
                let cost = Cost {
                    price: u.cost.price * many,
                    installation: u.cost.installation * many,
                    yearly: u.cost.yearly * many,
                    loss_w_per_kvar: u.cost.loss_w_per_kvar,
                };
                (&u.build, n, cost)
            }
            Choice::Bank(k, _) => {
                let b = &self.prices.banks[k];
                (&b.build, b.steps, b.cost)
            }
        }
    }

    /// What a genome puts on the feeder.
    pub fn lane(&self, genome: &[u16]) -> Lane {
        let mut lane = Lane::default();
        for (place, choice) in self.parts(genome) {
            let (build, many, _) = self.piece(choice);
            let one = self.output_var(build);
            match (place, choice) {
                (Place::Motor(k), _) => {
                    lane.with_motor_var.push((k as u8, (one * f64::from(many)) as f32));
                }
                (_, Choice::Bank(_, target)) => {
                    lane.step_var = one as f32;
                    lane.steps = many;
                    lane.rule = rule(&self.plant.correction, target);
                }
                _ => lane.always_var += (one * f64::from(many)) as f32,
            }
        }
        lane
    }

    /// What a genome costs; losses are those of the whole, per kvar.
    pub fn cost(&self, genome: &[u16]) -> Cost {
        let mut sum = Cost::default();
        let (mut loss_w, mut kvar) = (0.0, 0.0);
        for (_, choice) in self.parts(genome) {
            let (build, many, cost) = self.piece(choice);
            let var = self.output_var(build) * f64::from(many);
            sum.price += cost.price;
            sum.installation += cost.installation;
            sum.yearly += cost.yearly;
            loss_w += cost.loss_w_per_kvar * var / 1e3;
            kvar += var / 1e3;
        }
        sum.loss_w_per_kvar = if kvar > 0.0 { loss_w / kvar } else { 0.0 };
        sum
    }

    /// A name for people: `at motor Log saw 30 kvar + service bank 6 × 12.5 kvar, 7 %`.
    pub fn name(&self, genome: &[u16]) -> String {
        let parts: Vec<String> = self.parts(genome).map(|(p, c)| self.part_name(p, c)).collect();
        if parts.is_empty() { "doing nothing".to_owned() } else { parts.join(" + ") }
    }

    /// One part of it.
    pub fn part_name(&self, place: Place, choice: Choice) -> String {
        let (build, many, _) = self.piece(choice);
        let what = match choice {
            Choice::Units(k, _) => {
                let u = &self.prices.units[k];
                let times = if many > 1 { format!("{many} × ") } else { String::new() };
                format!("{times}{} kvar{}", u.kvar, at_voltage(u.kvar_at_v, self.supply))
            }
            Choice::Bank(k, target) => {
                let b = &self.prices.banks[k];
                format!(
                    "{many} × {} kvar{} set to {target}",
                    b.step_kvar,
                    at_voltage(b.kvar_at_v, self.supply)
                )
            }
        };
        let detuned = if build.detuning > 0.0 {
            format!(", detuned {} %", round(build.detuning * 100.0))
        } else {
            String::new()
        };
        format!("{} {what}{detuned}", self.place_name(place))
    }

    /// What kind of correction it is: the same word for candidates that differ in size only.
    pub fn family(&self, genome: &[u16]) -> String {
        let mut words: Vec<&str> = Vec::new();
        let mut add = |w| {
            if !words.contains(&w) {
                words.push(w);
            }
        };
        let mut detuned = false;
        for (place, choice) in self.parts(genome) {
            add(match place {
                Place::Motor(_) => "at motors",
                Place::Group(_) => "at groups",
                Place::Service => "fixed at service",
                Place::Bank => "stepped at service",
            });
            detuned |= self.piece(choice).0.detuning > 0.0;
        }
        if words.is_empty() {
            return "doing nothing".to_owned();
        }
        let kind = words.join(" + ");
        if detuned { format!("{kind}, detuned") } else { kind }
    }
}

fn round(x: f64) -> f64 {
    (x * 100.0).round() / 100.0
}

fn at_voltage(v: f64, supply: &Supply) -> String {
    if v == supply.line_voltage_v { String::new() } else { format!(" ({v} V)") }
}

/// How a controller of the plant switches to a target.
pub fn rule(terms: &CorrectionTerms, target: f64) -> Rule {
    Rule {
        tan_target: tan_of_pf(target).unwrap_or(0.0) as f32,
        on_share: terms.switch_on_share as f32,
        off_share: terms.switch_off_share as f32,
        delay_s: terms.delay_s as f32,
        lockout_s: terms.lockout_s as f32,
    }
}

/// Groups named by the site file or by motors, each once.
fn groups_of(plant: &Plant) -> Vec<String> {
    let mut names: Vec<String> = plant.groups.iter().map(|g| g.name.clone()).collect();
    for g in plant.motors.iter().filter_map(|m| m.group.as_ref()) {
        if !names.contains(g) {
            names.push(g.clone());
        }
    }
    names
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::site::Site;
    use std::path::Path;

    /// The common table of motor capacitors (NEMA design B, 60 Hz; IEEE Std 141 chapter 8).
    #[test]
    fn handbook_limits_of_motors() {
        assert_eq!(handbook_var(100.0, 1800), Some(30e3));
        assert_eq!(handbook_var(50.0, 900), Some(22.5e3));
        assert_eq!(handbook_var(7.5, 3600), Some(2.5e3));
        // A rating between two rows has the smaller one's kvar; small motors have none.
        assert_eq!(handbook_var(90.0, 1800), Some(25e3));
        assert_eq!(handbook_var(3.0, 1800), None);
        assert_eq!(handbook_var(100.0, 1500), None);
    }

    fn motor(extra: &str) -> Motor {
        let text = format!(
            "[[motor]]\nname = \"Saw\"\nrated_kw = 55\npf = 0.86\nefficiency = 0.94\n{extra}"
        );
        Site::parse(&text, Path::new("x")).unwrap().plant.motors.remove(0)
    }

    #[test]
    fn a_motor_that_cannot_have_capacitors_says_why() {
        for starter in ["soft-starter", "drive", "open-transition", "reversing", "multi-speed"] {
            let m = motor(&format!("starter = \"{starter}\"\nno_load_kvar = 20\n"));
            let why = motor_limit(&m, 400.0).unwrap_err();
            assert!(why.contains(starter) && why.contains("group"), "{why}");
        }
        assert!(motor_limit(&motor(""), 400.0).unwrap_err().contains("no_load_current_a"));
        // √3 · 400 V · 30 A = 20.78 kvar, of which 90 %.
        let (limit, _) = motor_limit(&motor("no_load_current_a = 30\n"), 400.0).unwrap();
        assert!((limit - 18.706e3).abs() < 1.0);
        let both = motor("no_load_current_a = 30\nmaker_limit_kvar = 15\n");
        assert_eq!(motor_limit(&both, 400.0).unwrap().0, 15e3);
        let (limit, rule) = motor_limit(&motor("sync_rpm = 1800\n"), 460.0).unwrap();
        assert!(limit == 20e3 && rule.contains("handbook"), "{limit} {rule}");
    }

    #[test]
    fn a_genome_is_lanes_cost_and_name() {
        let site = Site::parse(
            "[supply]\nline_voltage_v = 400\n[[motor]]\nname = \"Saw\"\nrated_kw = 55\npf = 0.86\n\
             efficiency = 0.94\nno_load_kvar = 20\ngroup = \"Saws\"\n[[motor]]\nname = \"Fan\"\n\
             rated_kw = 55\npf = 0.86\nefficiency = 0.94\nstarter = \"drive\"\n",
            Path::new("x"),
        )
        .unwrap();
        let supply = Supply::of(&site, 50.0).unwrap();
        let prices = PriceList::parse(
            "currency = \"EUR\"\n[[unit]]\nkvar = 10\nrated_v = 400\nprice = 100\ninstallation = 20\n\
             loss_w_per_kvar = 1\n[[unit]]\nkvar = 20\nrated_v = 400\nprice = 150\n[[bank]]\n\
             step_kvar = 10\nsteps = 4\nkvar_at_v = 400\nrated_v = 440\ndetuning_pct = 7\n\
             price = 1000\nyearly = 9\nloss_w_per_kvar = 5\n",
            Path::new("p"),
        )
        .unwrap();
        let s = Space::new(&prices, &site.plant, &supply);
        // 18 kvar at the saw: only the 10; three of each at group and service; three targets.
        let counts: Vec<usize> = s.options.iter().map(|o| o.choices.len()).collect();
        assert_eq!(counts, [1, 6, 6, 3]);
        assert_eq!(s.size(), Some(2 * 7 * 7 * 4));
        assert_eq!(s.barred.len(), 1);
        assert!(s.barred[0].place.contains("Fan"));
        let genome = vec![1, 0, 2, 1];
        let lane = s.lane(&genome);
        assert_eq!(lane.with_motor_var, [(0, 10e3)]);
        assert_eq!((lane.always_var, lane.step_var, lane.steps), (20e3, 10e3, 4));
        let cost = s.cost(&genome);
        assert_eq!((cost.price, cost.installation, cost.yearly), (1300.0, 60.0, 9.0));
        assert!((cost.loss_w_per_kvar - (10.0 + 20.0 + 200.0) / 70.0).abs() < 1e-6);
        assert_eq!(
            s.name(&genome),
            "motor Saw 10 kvar + service 2 × 10 kvar + service bank 4 × 10 kvar set to 0.95, \
             detuned 7 %"
        );
        assert_eq!(s.family(&genome), "at motors + fixed at service + stepped at service, detuned");
        assert_eq!(s.name(&s.nothing()), "doing nothing");
    }
}
