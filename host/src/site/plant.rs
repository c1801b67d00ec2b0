//! The plant around the feeder: transformer, source, conductors, motors, terms of a correction.
//!
//! What `size` needs to know. Everything may be left out; a figure that needs what is missing
//! is then a dash, and a place for capacitors that needs it is not proposed.

use super::raw::{Entry, Fault, checked, fault, one_of, share, value};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use toml::Spanned;

/// What surrounds the feeder.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Plant {
    /// The transformer that feeds it.
    pub transformer: Option<Transformer>,
    /// Short-circuit power of the supply ahead of the transformer, in VA.
    pub source_short_circuit_va: Option<f64>,
    /// The conductor from the transformer to the board where the log was taken.
    pub service_conductor: Option<Conductor>,
    /// Motors on the feeder.
    pub motors: Vec<Motor>,
    /// Groups of motors with a board of their own.
    pub groups: Vec<Group>,
    /// Terms of a correction.
    pub correction: CorrectionTerms,
    /// Terms of money over the years.
    pub economics: Economics,
}

/// A transformer.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Transformer {
    /// Rated power, in VA.
    pub rated_va: f64,
    /// Short-circuit impedance, in percent.
    pub z_pct: f64,
    /// Resistance, in percent; from the load losses or X/R.
    pub r_pct: Option<f64>,
}

impl Transformer {
    /// Reactance in percent; the whole impedance where the resistance is not known.
    pub fn x_pct(&self) -> f64 {
        let r = self.r_pct.unwrap_or(0.0);
        libm::sqrt((self.z_pct * self.z_pct - r * r).max(0.0))
    }
}

/// A conductor, three-phase.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Conductor {
    /// Length one way, in m.
    pub length_m: f64,
    /// Resistance of a phase over the whole length, in ohm.
    pub resistance_ohm: f64,
    /// Reactance of a phase over the whole length, in ohm.
    pub reactance_ohm: f64,
}

/// How a motor is started, as far as capacitors care.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Starter {
    /// Direct on line, or closed transition.
    Direct,
    /// Electronic soft starter.
    SoftStarter,
    /// Variable-speed drive.
    Drive,
    /// Star-delta or other with open transition.
    OpenTransition,
    /// Reversing, plugging or inching.
    Reversing,
    /// Several speeds.
    MultiSpeed,
}

impl Starter {
    /// All, with their words in files.
    pub const ALL: [(&'static str, Starter); 6] = [
        ("direct", Starter::Direct),
        ("soft-starter", Starter::SoftStarter),
        ("drive", Starter::Drive),
        ("open-transition", Starter::OpenTransition),
        ("reversing", Starter::Reversing),
        ("multi-speed", Starter::MultiSpeed),
    ];

    /// The word in files.
    pub fn name(self) -> &'static str {
        Starter::ALL.iter().find(|(_, s)| *s == self).map_or("", |(n, _)| n)
    }
}

/// A motor, from its nameplate.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Motor {
    /// Name.
    pub name: String,
    /// Rated shaft power, in W.
    pub rated_w: f64,
    /// Power factor at rated load.
    pub pf: f64,
    /// Efficiency at rated load.
    pub efficiency: f64,
    /// Current without load, in A.
    pub no_load_current_a: Option<f64>,
    /// Reactive power without load, in var.
    pub no_load_var: Option<f64>,
    /// Most capacitors that its maker allows, in var.
    pub maker_limit_var: Option<f64>,
    /// Speed at 60 Hz synchronism, in r/min, for the handbook table.
    pub sync_rpm: Option<u32>,
    /// How it is started.
    pub starter: Starter,
    /// Setting of its overload relay, in A.
    pub overload_setting_a: Option<f64>,
    /// Feeder power above which it surely runs, in W; with one motor, from the log.
    pub runs_above_w: Option<f64>,
    /// Name of its group.
    pub group: Option<String>,
    /// The conductor from the board to it.
    pub conductor: Option<Conductor>,
}

impl Motor {
    /// Active power drawn at rated load, in W.
    pub fn input_w(&self) -> f64 {
        self.rated_w / self.efficiency
    }

    /// Reactive power drawn at rated load, in var.
    pub fn input_var(&self) -> f64 {
        self.input_w() * wattless_core::correction::tan_of_pf(self.pf).unwrap_or(0.0)
    }
}

/// A group of motors.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Group {
    /// Name.
    pub name: String,
    /// The conductor from the board to it.
    pub conductor: Option<Conductor>,
}

/// Terms of a correction.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CorrectionTerms {
    /// Power factors that controllers may be set to.
    pub controller_targets: Vec<f64>,
    /// Share of a step lacking from which a controller wants one more.
    pub switch_on_share: f64,
    /// Share of a step too much from which it wants one less.
    pub switch_off_share: f64,
    /// Seconds that a wish must last.
    pub delay_s: f64,
    /// Seconds that a step discharges before it is used again.
    pub lockout_s: f64,
    /// Share of the time that a candidate may add with the feeder leading.
    pub leading_share: f64,
    /// Highest voltage on the feeder, in percent of nominal.
    pub highest_voltage_pct: f64,
    /// Most that capacitors may raise the voltage, in percent of nominal.
    pub highest_rise_pct: f64,
    /// Whether the meter stands on the primary side, so that transformer losses are billed.
    pub primary_metering: bool,
}

impl Default for CorrectionTerms {
    fn default() -> CorrectionTerms {
        CorrectionTerms {
            controller_targets: vec![0.95, 0.98, 1.0],
            switch_on_share: 0.65,
            switch_off_share: 0.65,
            delay_s: 40.0,
            lockout_s: 60.0,
            leading_share: 0.05,
            highest_voltage_pct: 110.0,
            highest_rise_pct: 3.0,
            primary_metering: false,
        }
    }
}

/// Terms of money over the years.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Economics {
    /// Years over which money counts.
    pub years: u32,
    /// Interest that money in hand is worth, per year, as a share.
    pub discount_share: f64,
    /// Yearly rise of the tariff's prices, as a share.
    pub escalation_share: f64,
}

impl Default for Economics {
    fn default() -> Economics {
        Economics { years: 10, discount_share: 0.08, escalation_share: 0.0 }
    }
}

/// The sections as they are written.
#[derive(Default)]
pub(super) struct Sections {
    pub(super) transformer: Option<Spanned<TransformerSection>>,
    pub(super) source: Option<SourceSection>,
    pub(super) service_conductor: Option<Spanned<ConductorSection>>,
    pub(super) motor: Vec<Spanned<MotorSection>>,
    pub(super) group: Vec<Spanned<GroupSection>>,
    pub(super) correction: CorrectionSection,
    pub(super) economics: EconomicsSection,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct TransformerSection {
    kva: Entry<f64>,
    z_pct: Entry<f64>,
    x_over_r: Entry<f64>,
    load_loss_kw: Entry<f64>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct SourceSection {
    short_circuit_mva: Entry<f64>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ConductorSection {
    length_m: Entry<f64>,
    ohm_per_km: Entry<f64>,
    reactance_ohm_per_km: Entry<f64>,
    size_mm2: Entry<f64>,
    size_awg: Entry<String>,
    size_kcmil: Entry<f64>,
    material: Entry<String>,
    parallel: Entry<u32>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct MotorSection {
    name: Entry<String>,
    rated_kw: Entry<f64>,
    pf: Entry<f64>,
    efficiency: Entry<f64>,
    no_load_current_a: Entry<f64>,
    no_load_kvar: Entry<f64>,
    maker_limit_kvar: Entry<f64>,
    sync_rpm: Entry<u32>,
    starter: Entry<String>,
    overload_setting_a: Entry<f64>,
    runs_above_kw: Entry<f64>,
    group: Entry<String>,
    conductor: Option<Spanned<ConductorSection>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct GroupSection {
    name: Entry<String>,
    conductor: Option<Spanned<ConductorSection>>,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct CorrectionSection {
    controller_targets: Option<Vec<Spanned<f64>>>,
    switch_on_share: Entry<f64>,
    switch_off_share: Entry<f64>,
    delay_s: Entry<f64>,
    lockout_s: Entry<f64>,
    leading_share: Entry<f64>,
    highest_voltage_pct: Entry<f64>,
    highest_rise_pct: Entry<f64>,
    metering: Entry<String>,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct EconomicsSection {
    years: Entry<u32>,
    discount_pct: Entry<f64>,
    escalation_pct: Entry<f64>,
}

impl Sections {
    pub(super) fn resolve(self) -> Result<Plant, Fault> {
        let groups: Vec<Group> = self.group.into_iter().map(group).collect::<Result<_, Fault>>()?;
        let mut motors = Vec::new();
        let mut seen: BTreeMap<String, ()> = BTreeMap::new();
        if self.motor.len() > crate::analyse::size::replay::MOTORS {
            let at = self.motor.last().map(|m| m.span().start);
            let most = crate::analyse::size::replay::MOTORS;
            return Err(Fault {
                at,
                message: format!("at most {most} motors; join small ones of one group into one"),
            });
        }
        for section in self.motor {
            let at = section.span().start;
            let m = motor(section)?;
            if seen.insert(m.name.clone(), ()).is_some() {
                let message =
                    format!("motor {:?} is there twice; give each a name of its own", m.name);
                return Err(Fault { at: Some(at), message });
            }
            motors.push(m);
        }
        Ok(Plant {
            transformer: self.transformer.map(transformer).transpose()?,
            source_short_circuit_va: match self.source {
                None => None,
                Some(s) => positive("short_circuit_mva", s.short_circuit_mva)?.map(|x| x * 1e6),
            },
            service_conductor: self.service_conductor.map(conductor).transpose()?,
            motors,
            groups,
            correction: self.correction.resolve()?,
            economics: self.economics.resolve()?,
        })
    }
}

fn positive(name: &str, entry: Entry<f64>) -> Result<Option<f64>, Fault> {
    checked(
        entry,
        |x| x > 0.0 && x.is_finite(),
        |x| format!("{name} = {x} makes no sense; give a number above 0"),
    )
}

fn needed<T>(entry: Option<T>, at: usize, what: &str) -> Result<T, Fault> {
    entry.ok_or_else(|| Fault { at: Some(at), message: format!("{what} is missing; add it") })
}

fn transformer(section: Spanned<TransformerSection>) -> Result<Transformer, Fault> {
    let at = section.span().start;
    let s = section.into_inner();
    let rated_va = needed(positive("kva", s.kva)?, at, "kva of the transformer")? * 1e3;
    let z_pct = needed(
        checked(
            s.z_pct,
            |z| z > 0.0 && z < 30.0,
            |z| format!("z_pct = {z} is no impedance of a transformer; give percent, such as 5.75"),
        )?,
        at,
        "z_pct of the transformer",
    )?;
    let x_over_r = s.x_over_r.clone();
    let loss = s.load_loss_kw.clone();
    let by_ratio = positive("x_over_r", s.x_over_r)?.map(|x| z_pct / libm::sqrt(1.0 + x * x));
    let by_loss = positive("load_loss_kw", s.load_loss_kw)?.map(|kw| kw * 1e3 / rated_va * 100.0);
    if let (Some(_), Some(_), Some(entry)) = (&x_over_r, &loss, &loss) {
        return Err(fault(entry, "give load_loss_kw or x_over_r, not both".to_owned()));
    }
    if let (Some(r), Some(entry)) = (by_loss, &loss)
        && r >= z_pct
    {
        let message = format!("load_loss_kw makes R {r:.2} %, more than z_pct; correct one");
        return Err(fault(entry, message));
    }
    Ok(Transformer { rated_va, z_pct, r_pct: by_loss.or(by_ratio) })
}

/// Resistivity at 75 °C, in ohm·mm²/m: IEC 60028 (copper, 1/58 at 20 °C, 0.00393/K) and
/// IEC 60889 (aluminium, 0.028264 at 20 °C, 0.00403/K), both from memory.
fn resistivity(aluminium: bool) -> f64 {
    if aluminium {
        0.028_264 * (1.0 + 0.004_03 * 55.0)
    } else {
        1.0 / 58.0 * (1.0 + 0.003_93 * 55.0)
    }
}

/// Area of an American wire gauge in mm², by its definition (ASTM B258):
/// d = 0.127 mm · 92^((36 − n)/39), and n = 0, −1, −2, −3 for 1/0 to 4/0.
fn awg_mm2(text: &str) -> Option<f64> {
    let n: f64 = match text.split_once('/') {
        Some((many, "0")) => {
            1.0 - many.trim().parse::<u8>().ok().filter(|m| (1..=4).contains(m)).map(f64::from)?
        }
        Some(_) => return None,
        None => text.trim().parse::<u8>().ok().filter(|n| *n <= 36).map(f64::from)?,
    };
    let d = 0.127 * libm::pow(92.0, (36.0 - n) / 39.0);
    Some(core::f64::consts::FRAC_PI_4 * d * d)
}

fn conductor(section: Spanned<ConductorSection>) -> Result<Conductor, Fault> {
    let at = section.span().start;
    let s = section.into_inner();
    let length_m = needed(positive("length_m", s.length_m)?, at, "length_m of the conductor")?;
    let aluminium = one_of(
        &s.material,
        "material",
        &[("copper", false), ("aluminium", true), ("aluminum", true)],
    )?;
    let parallel = value(&s.parallel).unwrap_or(1);
    if let (0, Some(entry)) = (parallel, &s.parallel) {
        return Err(fault(entry, "parallel = 0 makes no sense; give 1 or more".to_owned()));
    }
    let awg = match &s.size_awg {
        None => None,
        Some(text) => Some(awg_mm2(text.get_ref()).ok_or_else(|| {
            fault(
                text,
                format!("size_awg {:?} is not known; use \"12\" to \"4/0\"", text.get_ref()),
            )
        })?),
    };
    let mm2 = [
        positive("size_mm2", s.size_mm2)?,
        awg,
        // A thousand circular mils are 0.5067 mm².
        positive("size_kcmil", s.size_kcmil)?.map(|k| k * 0.506_707),
    ];
    let direct = positive("ohm_per_km", s.ohm_per_km)?;
    let given = mm2.iter().flatten().count() + usize::from(direct.is_some());
    if given != 1 {
        let message = "give the conductor one of ohm_per_km, size_mm2, size_awg, size_kcmil";
        return Err(Fault { at: Some(at), message: message.to_owned() });
    }
    let rho = resistivity(aluminium.unwrap_or(false));
    let per_km = direct
        .unwrap_or_else(|| mm2.iter().flatten().next().map_or(f64::NAN, |mm2| rho / mm2 * 1000.0));
    // Low-voltage cable has some 0.08 ohm/km (common practice).
    let x_per_km = positive("reactance_ohm_per_km", s.reactance_ohm_per_km)?.unwrap_or(0.08);
    let km = length_m / 1000.0 / f64::from(parallel);
    Ok(Conductor { length_m, resistance_ohm: per_km * km, reactance_ohm: x_per_km * km })
}

fn motor(section: Spanned<MotorSection>) -> Result<Motor, Fault> {
    let at = section.span().start;
    let s = section.into_inner();
    let name = needed(s.name.map(Spanned::into_inner), at, "name of the motor")?;
    let of = |what: &str| format!("{what} of motor {name:?}");
    let unit = |what: &'static str, entry: Entry<f64>| {
        checked(
            entry,
            |x| x > 0.0 && x <= 1.0,
            move |x| {
                format!("{what} = {x} cannot be; give a number above 0 and up to 1, such as 0.86")
            },
        )
    };
    let both = (s.no_load_current_a.is_some(), s.no_load_kvar.clone());
    if let (true, Some(entry)) = both {
        return Err(fault(&entry, "give no_load_current_a or no_load_kvar, not both".to_owned()));
    }
    Ok(Motor {
        rated_w: needed(positive("rated_kw", s.rated_kw)?, at, &of("rated_kw"))? * 1e3,
        pf: needed(unit("pf", s.pf)?, at, &of("pf"))?,
        efficiency: needed(unit("efficiency", s.efficiency)?, at, &of("efficiency"))?,
        no_load_current_a: positive("no_load_current_a", s.no_load_current_a)?,
        no_load_var: positive("no_load_kvar", s.no_load_kvar)?.map(|x| x * 1e3),
        maker_limit_var: positive("maker_limit_kvar", s.maker_limit_kvar)?.map(|x| x * 1e3),
        sync_rpm: checked(
            s.sync_rpm,
            |r| [3600, 1800, 1200, 900, 720, 600].contains(&r),
            |r| {
                format!(
                    "sync_rpm = {r} is not known; use 3600, 1800, 1200, 900, 720 or 600 (60 Hz)"
                )
            },
        )?,
        starter: one_of(&s.starter, "starter", &Starter::ALL)?.unwrap_or(Starter::Direct),
        overload_setting_a: positive("overload_setting_a", s.overload_setting_a)?,
        runs_above_w: positive("runs_above_kw", s.runs_above_kw)?.map(|x| x * 1e3),
        group: s.group.map(Spanned::into_inner),
        conductor: s.conductor.map(conductor).transpose()?,
        name,
    })
}

fn group(section: Spanned<GroupSection>) -> Result<Group, Fault> {
    let at = section.span().start;
    let s = section.into_inner();
    Ok(Group {
        name: needed(s.name.map(Spanned::into_inner), at, "name of the group")?,
        conductor: s.conductor.map(conductor).transpose()?,
    })
}

impl CorrectionSection {
    fn resolve(self) -> Result<CorrectionTerms, Fault> {
        let d = CorrectionTerms::default();
        let mut targets = Vec::new();
        for t in self.controller_targets.iter().flatten() {
            let x = *t.get_ref();
            if !(x > 0.0 && x <= 1.0) {
                let message = format!("controller target {x} is no power factor; give 0.9 to 1");
                return Err(fault(t, message));
            }
            targets.push(x);
        }
        if targets.is_empty() {
            targets = d.controller_targets;
        }
        let band = self.switch_off_share.clone().or(self.switch_on_share.clone());
        let part = |name: &'static str, entry: Entry<f64>| {
            checked(
                entry,
                |x| x > 0.0 && x <= 2.0,
                move |x| format!("{name} = {x} cannot be; give a share of a step, such as 0.65"),
            )
        };
        let switch_on_share =
            part("switch_on_share", self.switch_on_share)?.unwrap_or(d.switch_on_share);
        let switch_off_share =
            part("switch_off_share", self.switch_off_share)?.unwrap_or(d.switch_off_share);
        if let (true, Some(entry)) = (switch_on_share + switch_off_share <= 1.0, &band) {
            return Err(fault(
                entry,
                "switch_on_share and switch_off_share together must exceed 1, or the bank hunts; \
                 raise one"
                    .to_owned(),
            ));
        }
        let seconds = |name: &'static str, entry: Entry<f64>, least: f64| {
            checked(
                entry,
                move |x| x >= least && x <= 3600.0,
                move |x| format!("{name} = {x} cannot be; give {least} to 3600 seconds"),
            )
        };
        let primary_metering =
            one_of(&self.metering, "metering", &[("secondary", false), ("primary", true)])?;
        Ok(CorrectionTerms {
            controller_targets: targets,
            switch_on_share,
            switch_off_share,
            delay_s: seconds("delay_s", self.delay_s, 1.0)?.unwrap_or(d.delay_s),
            lockout_s: seconds("lockout_s", self.lockout_s, 0.0)?.unwrap_or(d.lockout_s),
            leading_share: share("leading_share", self.leading_share)?.unwrap_or(d.leading_share),
            highest_voltage_pct: checked(
                self.highest_voltage_pct,
                |x| (100.0..=130.0).contains(&x),
                |x| format!("highest_voltage_pct = {x} cannot be; give 100 to 130, such as 110"),
            )?
            .unwrap_or(d.highest_voltage_pct),
            highest_rise_pct: positive("highest_rise_pct", self.highest_rise_pct)?
                .unwrap_or(d.highest_rise_pct),
            primary_metering: primary_metering.unwrap_or(d.primary_metering),
        })
    }
}

impl EconomicsSection {
    fn resolve(self) -> Result<Economics, Fault> {
        let d = Economics::default();
        let pct = |name: &'static str, entry: Entry<f64>| {
            checked(
                entry,
                |x| x > -50.0 && x < 100.0,
                move |x| format!("{name} = {x} is no yearly percentage; give one such as 8"),
            )
        };
        Ok(Economics {
            years: checked(
                self.years,
                |y| (1..=50).contains(&y),
                |y| format!("years = {y} cannot be; give 1 to 50"),
            )?
            .unwrap_or(d.years),
            discount_share: pct("discount_pct", self.discount_pct)?
                .map_or(d.discount_share, |x| x / 100.0),
            escalation_share: pct("escalation_pct", self.escalation_pct)?
                .map_or(d.escalation_share, |x| x / 100.0),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::super::Site;
    use super::*;
    use std::path::Path;

    fn plant(text: &str) -> Result<Plant, String> {
        Site::parse(text, Path::new("plant.toml")).map(|s| s.plant).map_err(|e| e.to_string())
    }

    /// 2/0 is 67.43 mm² and 12 is 3.31 mm² in every wire table; a kcmil is 0.5067 mm².
    #[test]
    fn gauges_have_their_areas() {
        for (gauge, mm2) in
            [("12", 3.31), ("2", 33.62), ("1/0", 53.48), ("2/0", 67.43), ("4/0", 107.2)]
        {
            assert!((awg_mm2(gauge).unwrap() / mm2 - 1.0).abs() < 1e-3, "{gauge}");
        }
        assert_eq!(awg_mm2("5/0"), None);
        assert_eq!(awg_mm2("thick"), None);
    }

    #[test]
    fn a_plant_is_read() {
        let p = plant(
            "[transformer]\nkva = 1000\nz_pct = 6\nload_loss_kw = 10\n[source]\nshort_circuit_mva = 250\n\
             [service_conductor]\nlength_m = 50\nohm_per_km = 0.02\nreactance_ohm_per_km = 0.03\n\
             [[motor]]\nname = \"Saw\"\nrated_kw = 100\npf = 0.86\nefficiency = 0.95\n\
             conductor = { length_m = 100, size_mm2 = 70, parallel = 2 }\n",
        )
        .unwrap();
        let t = p.transformer.unwrap();
        assert_eq!(t.r_pct, Some(1.0));
        assert!((t.x_pct() - libm::sqrt(35.0)).abs() < 1e-12);
        assert!((p.service_conductor.unwrap().resistance_ohm - 0.001).abs() < 1e-12);
        let c = p.motors[0].conductor.unwrap();
        assert!((c.resistance_ohm - 0.020_968 / 70.0 * 50.0).abs() < 1e-6, "{c:?}");
        assert_eq!(p.motors[0].starter, Starter::Direct);
        assert!((p.motors[0].input_w() - 105_263.0).abs() < 1.0);
    }

    #[test]
    fn what_makes_no_sense_is_named_with_its_line() {
        for (text, line, word) in [
            ("[transformer]\nkva = 630\n", 1, "z_pct"),
            ("[transformer]\nkva = 630\nz_pct = 45\n", 3, "percent"),
            ("[transformer]\nkva = 630\nz_pct = 4\nload_loss_kw = 30\n", 4, "more than z_pct"),
            ("[service_conductor]\nlength_m = 5\n", 1, "size_mm2"),
            ("[service_conductor]\nlength_m = 5\nsize_awg = \"6/0\"\n", 3, "4/0"),
            ("[[motor]]\nname = \"a\"\nrated_kw = 5\npf = 86\nefficiency = 0.9\n", 4, "0.86"),
            ("[[motor]]\nrated_kw = 5\n", 1, "name"),
            ("[correction]\nswitch_on_share = 0.3\nswitch_off_share = 0.3\n", 3, "hunts"),
            ("[correction]\ncontroller_targets = [0.95, 98]\n", 2, "98"),
            ("[economics]\nyears = 0\n", 2, "1 to 50"),
            ("[transformer]\nkva = 630\nz_pct = 4\nuk = 4\n", 4, "unknown field"),
        ] {
            let m = plant(text).unwrap_err();
            assert!(m.starts_with(&format!("plant.toml, line {line}: ")), "{text:?}: {m}");
            assert!(m.contains(word), "{text:?}: {m}");
        }
        let twice = "[[motor]]\nname = \"a\"\nrated_kw = 5\npf = 0.8\nefficiency = 0.9\n".repeat(2);
        assert!(plant(&twice).unwrap_err().contains("twice"));
    }
}
