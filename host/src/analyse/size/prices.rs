//! The price list: standard units and banks with what they cost, read from TOML.

use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};
use toml::Spanned;
use wattless_core::correction::{capacitor_output_var, detuned_voltage_ratio};

/// The invented price list of the demo, with every entry explained.
pub const BRACKWATER: &str = include_str!("../../../prices/brackwater.toml");

/// Units and banks that can be bought.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PriceList {
    /// Where it was read.
    pub file: PathBuf,
    /// Its name.
    pub name: String,
    /// Currency.
    pub currency: String,
    /// Frequency for which the entries are rated, in Hz.
    pub rated_hz: f64,
    /// Fixed units, smallest first.
    pub units: Vec<Unit>,
    /// Banks with a controller, smallest first.
    pub banks: Vec<Bank>,
}

/// Capacitors as they are built: what output and stress follow from.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Build {
    /// Rated voltage of the capacitors, in V between lines.
    pub rated_v: f64,
    /// Output of the capacitors alone at their rated voltage and frequency, in var.
    pub capacitor_var: f64,
    /// Reactance of the series reactor over that of the capacitors; 0 for plain ones.
    pub detuning: f64,
    /// Rated frequency, in Hz.
    pub rated_hz: f64,
}

impl Build {
    /// Output at a voltage and frequency of the network, in var: V² and f, and 1/(1 − p).
    pub fn output_var(&self, v: f64, hz: f64) -> f64 {
        capacitor_output_var(self.capacitor_var, self.rated_v, self.rated_hz, v, hz)
            * detuned_voltage_ratio(self.detuning)
    }
}

/// Where capacitors may go.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Site {
    /// At a motor, switched with it.
    Motor,
    /// At the board of a group.
    Group,
    /// At the service.
    Service,
}

/// A fixed unit.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Unit {
    /// Output as the list gives it, in kvar.
    pub kvar: f64,
    /// Voltage at which it gives that, in V.
    pub kvar_at_v: f64,
    /// How it is built.
    pub build: Build,
    /// Where it may go.
    pub at: Vec<Site>,
    /// What it costs.
    pub cost: Cost,
    /// Line of the list.
    pub line: usize,
}

/// A bank with a controller.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Bank {
    /// Output of the smallest step as the list gives it, in kvar.
    pub step_kvar: f64,
    /// Smallest steps in all.
    pub steps: u32,
    /// Voltage at which a step gives that, in V.
    pub kvar_at_v: f64,
    /// How one step is built.
    pub build: Build,
    /// What it costs.
    pub cost: Cost,
    /// Line of the list.
    pub line: usize,
}

/// What something costs.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Cost {
    /// To buy.
    pub price: f64,
    /// To install.
    pub installation: f64,
    /// Upkeep a year.
    pub yearly: f64,
    /// Losses per kvar that is on, in W.
    pub loss_w_per_kvar: f64,
}

impl Cost {
    /// To buy and install.
    pub fn first(&self) -> f64 {
        self.price + self.installation
    }
}

/// Why a price list cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum PriceError {
    /// The file cannot be read.
    #[error("cannot read the price list {}: {source}; check the path given with --prices", file.display())]
    Read {
        /// The file.
        file: PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
    /// An entry makes no sense.
    #[error("{}, line {line}: {message}", file.display())]
    Entry {
        /// The file.
        file: PathBuf,
        /// The line, from 1.
        line: usize,
        /// What is wrong and what to do.
        message: String,
    },
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    name: Option<String>,
    currency: Option<String>,
    rated_hz: Option<Spanned<f64>>,
    #[serde(default)]
    unit: Vec<Spanned<UnitEntry>>,
    #[serde(default)]
    bank: Vec<Spanned<BankEntry>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct UnitEntry {
    kvar: Option<Spanned<f64>>,
    at: Option<Vec<Spanned<String>>>,
    kvar_at_v: Option<Spanned<f64>>,
    rated_v: Option<Spanned<f64>>,
    detuning_pct: Option<Spanned<f64>>,
    price: Option<Spanned<f64>>,
    installation: Option<Spanned<f64>>,
    yearly: Option<Spanned<f64>>,
    loss_w_per_kvar: Option<Spanned<f64>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct BankEntry {
    step_kvar: Option<Spanned<f64>>,
    steps: Option<Spanned<u32>>,
    kvar_at_v: Option<Spanned<f64>>,
    rated_v: Option<Spanned<f64>>,
    detuning_pct: Option<Spanned<f64>>,
    price: Option<Spanned<f64>>,
    installation: Option<Spanned<f64>>,
    yearly: Option<Spanned<f64>>,
    loss_w_per_kvar: Option<Spanned<f64>>,
}

/// What is wrong, and where in the text.
struct Fault {
    at: usize,
    message: String,
}

impl PriceList {
    /// Reads a price list.
    pub fn load(path: &Path) -> Result<PriceList, PriceError> {
        let text = std::fs::read_to_string(path)
            .map_err(|source| PriceError::Read { file: path.to_owned(), source })?;
        PriceList::parse(&text, path)
    }

    /// Reads the text of a price list; the path is for messages only.
    pub fn parse(text: &str, path: &Path) -> Result<PriceList, PriceError> {
        let lines = Lines { text };
        lines.read(path).map_err(|fault| PriceError::Entry {
            file: path.to_owned(),
            line: lines.of(fault.at),
            message: fault.message,
        })
    }
}

struct Lines<'a> {
    text: &'a str,
}

impl Lines<'_> {
    fn of(&self, at: usize) -> usize {
        let before = self.text.as_bytes().get(..at).unwrap_or_default();
        1 + before.iter().filter(|b| **b == b'\n').count()
    }

    fn read(&self, path: &Path) -> Result<PriceList, Fault> {
        let file: File = toml::from_str(self.text).map_err(|e| Fault {
            at: e.span().map_or(0, |s| s.start),
            message: format!("{}; correct the entry", e.message().trim().replace('\n', ", ")),
        })?;
        let rated_hz = match file.rated_hz {
            None => 50.0,
            Some(hz) if [50.0, 60.0].contains(hz.get_ref()) => hz.into_inner(),
            Some(hz) => {
                return Err(Fault {
                    at: hz.span().start,
                    message: format!("rated_hz = {} is not supported; give 50 or 60", hz.get_ref()),
                });
            }
        };
        let missing = |what: &str| Fault { at: 0, message: format!("{what} is missing; add it") };
        let mut list = PriceList {
            file: path.to_owned(),
            name: file.name.unwrap_or_else(|| "price list".to_owned()),
            currency: file.currency.ok_or_else(|| missing("currency"))?,
            rated_hz,
            units: Vec::new(),
            banks: Vec::new(),
        };
        for entry in file.unit {
            let unit = self.unit(entry, rated_hz)?;
            let same = list.units.iter().find(|u| {
                u.kvar == unit.kvar
                    && u.kvar_at_v == unit.kvar_at_v
                    && u.build.rated_v == unit.build.rated_v
                    && u.build.detuning == unit.build.detuning
                    && u.at.iter().any(|a| unit.at.contains(a))
            });
            if let Some(same) = same {
                return Err(self.twice(
                    unit.line,
                    same.line,
                    &format!("unit of {} kvar", unit.kvar),
                ));
            }
            list.units.push(unit);
        }
        for entry in file.bank {
            let bank = self.bank(entry, rated_hz)?;
            let same = list.banks.iter().find(|b| {
                b.step_kvar == bank.step_kvar
                    && b.steps == bank.steps
                    && b.kvar_at_v == bank.kvar_at_v
                    && b.build.rated_v == bank.build.rated_v
                    && b.build.detuning == bank.build.detuning
            });
            if let Some(same) = same {
                let what = format!("bank of {} × {} kvar", bank.steps, bank.step_kvar);
                return Err(self.twice(bank.line, same.line, &what));
            }
            list.banks.push(bank);
        }
        if list.units.is_empty() && list.banks.is_empty() {
            return Err(missing("any [[unit]] or [[bank]]"));
        }
        list.units.sort_by(|a, b| {
            a.build.output_var(400.0, 50.0).total_cmp(&b.build.output_var(400.0, 50.0))
        });
        list.banks.sort_by(|a, b| {
            let all = |x: &Bank| x.build.output_var(400.0, 50.0) * f64::from(x.steps);
            all(a).total_cmp(&all(b))
        });
        Ok(list)
    }

    fn twice(&self, line: usize, first: usize, what: &str) -> Fault {
        let at = self.text.split_inclusive('\n').take(line - 1).map(str::len).sum();
        let message = format!(
            "the {what} is in the list twice, first on line {first}; remove one, or give it \
             another place, voltage or detuning"
        );
        Fault { at, message }
    }

    fn unit(&self, entry: Spanned<UnitEntry>, hz: f64) -> Result<Unit, Fault> {
        let at = entry.span().start;
        let e = entry.into_inner();
        let what = "the unit";
        let kvar = positive(e.kvar, at, "kvar", what)?;
        let (build, kvar_at_v) = build(kvar, e.rated_v, e.kvar_at_v, e.detuning_pct, at, what, hz)?;
        let mut places = Vec::new();
        for word in e.at.iter().flatten() {
            places.push(match word.get_ref().as_str() {
                "motor" => Site::Motor,
                "group" => Site::Group,
                "service" => Site::Service,
                other => {
                    return Err(Fault {
                        at: word.span().start,
                        message: format!(
                            "place {other:?} is not known; use \"motor\", \"group\" or \"service\""
                        ),
                    });
                }
            });
        }
        if places.is_empty() {
            places = vec![Site::Motor, Site::Group, Site::Service];
        }
        let cost = cost(e.price, e.installation, e.yearly, e.loss_w_per_kvar, at, what)?;
        Ok(Unit { kvar, kvar_at_v, build, at: places, cost, line: self.of(at) })
    }

    fn bank(&self, entry: Spanned<BankEntry>, hz: f64) -> Result<Bank, Fault> {
        let at = entry.span().start;
        let e = entry.into_inner();
        let what = "the bank";
        let step_kvar = positive(e.step_kvar, at, "step_kvar", what)?;
        let steps = match e.steps {
            None => return Err(lacking(at, "steps", what)),
            Some(n) if (1..=64).contains(n.get_ref()) => n.into_inner(),
            Some(n) => {
                return Err(Fault {
                    at: n.span().start,
                    message: format!("steps = {} cannot be; give 1 to 64", n.get_ref()),
                });
            }
        };
        let (build, kvar_at_v) =
            build(step_kvar, e.rated_v, e.kvar_at_v, e.detuning_pct, at, what, hz)?;
        let cost = cost(e.price, e.installation, e.yearly, e.loss_w_per_kvar, at, what)?;
        Ok(Bank { step_kvar, steps, kvar_at_v, build, cost, line: self.of(at) })
    }
}

fn lacking(at: usize, key: &str, what: &str) -> Fault {
    Fault { at, message: format!("{key} of {what} is missing; add it") }
}

fn positive(entry: Option<Spanned<f64>>, at: usize, key: &str, what: &str) -> Result<f64, Fault> {
    match entry {
        None => Err(lacking(at, key, what)),
        Some(x) if *x.get_ref() > 0.0 && x.get_ref().is_finite() => Ok(x.into_inner()),
        Some(x) => Err(Fault {
            at: x.span().start,
            message: format!("{key} = {} makes no sense; give a number above 0", x.get_ref()),
        }),
    }
}

fn not_negative(entry: Option<Spanned<f64>>, key: &str) -> Result<f64, Fault> {
    match entry {
        None => Ok(0.0),
        Some(x) if *x.get_ref() >= 0.0 && x.get_ref().is_finite() => Ok(x.into_inner()),
        Some(x) => Err(Fault {
            at: x.span().start,
            message: format!("{key} = {} is negative; give what it costs, or 0", x.get_ref()),
        }),
    }
}

fn build(
    kvar: f64,
    rated_v: Option<Spanned<f64>>,
    kvar_at_v: Option<Spanned<f64>>,
    detuning_pct: Option<Spanned<f64>>,
    at: usize,
    what: &str,
    hz: f64,
) -> Result<(Build, f64), Fault> {
    let rated_v = positive(rated_v, at, "rated_v", what)?;
    let detuning = match detuning_pct {
        None => 0.0,
        Some(p) if *p.get_ref() >= 0.0 && *p.get_ref() < 30.0 => p.into_inner() / 100.0,
        Some(p) => {
            return Err(Fault {
                at: p.span().start,
                message: format!(
                    "detuning_pct = {} cannot be; give percent such as 7, or leave it out",
                    p.get_ref()
                ),
            });
        }
    };
    let network_v = kvar_at_v.map(|v| positive(Some(v), at, "kvar_at_v", what)).transpose()?;
    // Either the capacitors' own rating, or what the whole gives at a voltage of the network.
    let capacitor_var = match network_v {
        None => kvar * 1e3,
        Some(v) => kvar * 1e3 * (rated_v / v) * (rated_v / v) / detuned_voltage_ratio(detuning),
    };
    Ok((Build { rated_v, capacitor_var, detuning, rated_hz: hz }, network_v.unwrap_or(rated_v)))
}

fn cost(
    price: Option<Spanned<f64>>,
    installation: Option<Spanned<f64>>,
    yearly: Option<Spanned<f64>>,
    loss_w_per_kvar: Option<Spanned<f64>>,
    at: usize,
    what: &str,
) -> Result<Cost, Fault> {
    if price.is_none() {
        return Err(lacking(at, "price", what));
    }
    Ok(Cost {
        price: not_negative(price, "price")?,
        installation: not_negative(installation, "installation")?,
        yearly: not_negative(yearly, "yearly")?,
        loss_w_per_kvar: not_negative(loss_w_per_kvar, "loss_w_per_kvar")?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(text: &str) -> Result<PriceList, String> {
        PriceList::parse(text, Path::new("list.toml")).map_err(|e| e.to_string())
    }

    #[test]
    fn the_example_is_whole() {
        let list = parse(BRACKWATER).unwrap();
        assert_eq!(list.currency, "EUR");
        assert!(list.units.len() >= 10 && list.banks.len() >= 6);
        assert!(
            list.units.windows(2).all(|w| {
                w[0].build.output_var(400.0, 50.0) <= w[1].build.output_var(400.0, 50.0)
            })
        );
    }

    /// A published calculation of a detuned unit: 80 kvar at 525 V behind 7 % give 86.02 kvar at
    /// 525 V and 49.9 kvar at 400 V. Given by the network's voltage, the same unit comes back.
    #[test]
    fn ratings_can_be_given_both_ways() {
        let head = "currency = \"EUR\"\n[[unit]]\nprice = 1\nrated_v = 525\ndetuning_pct = 7\n";
        let own = &parse(&format!("{head}kvar = 80\n")).unwrap().units[0];
        assert!((own.build.output_var(525.0, 50.0) - 86_021.5).abs() < 0.1);
        assert!((own.build.output_var(400.0, 50.0) - 49.9e3).abs() < 50.0);
        let kvar = own.build.output_var(400.0, 50.0) / 1e3;
        let network = &parse(&format!("{head}kvar = {kvar}\nkvar_at_v = 400\n")).unwrap().units[0];
        assert!((network.build.capacitor_var - 80e3).abs() < 1e-3);
    }

    #[test]
    fn what_makes_no_sense_is_named_with_its_line() {
        let unit = "[[unit]]\nkvar = 5\nrated_v = 400\nprice = 10\n";
        let bank = "[[bank]]\nstep_kvar = 5\nsteps = 4\nrated_v = 400\nprice = 10\n";
        for (text, line, words) in [
            ("name = \"x\"\n".to_owned(), 1, vec!["currency"]),
            ("currency = \"EUR\"\n".to_owned(), 1, vec!["[[unit]]"]),
            (format!("currency = \"EUR\"\n{unit}{unit}"), 6, vec!["twice", "line 2", "remove"]),
            (format!("currency = \"EUR\"\n{bank}{bank}"), 7, vec!["twice", "line 2"]),
            (format!("currency = \"EUR\"\n{}", unit.replace("10", "-10")), 5, vec!["negative"]),
            (
                format!("currency = \"EUR\"\n{}", unit.replace("kvar = 5", "kvar = 0")),
                3,
                vec!["kvar"],
            ),
            (format!("currency = \"EUR\"\n{}", unit.replace("price = 10\n", "")), 2, vec!["price"]),
            (format!("currency = \"EUR\"\n{unit}losses = 3\n"), 6, vec!["losses"]),
            (format!("currency = \"EUR\"\n{unit}at = [\"roof\"]\n"), 6, vec!["roof", "service"]),
            (format!("currency = \"EUR\"\n{unit}detuning_pct = 700\n"), 6, vec!["700"]),
            (format!("currency = \"EUR\"\n{}", bank.replace("= 4\n", "= 0\n")), 4, vec!["1 to 64"]),
            ("rated_hz = 400\n".to_owned(), 1, vec!["50 or 60"]),
        ] {
            let m = parse(&text).unwrap_err();
            assert!(m.starts_with(&format!("list.toml, line {line}: ")), "{text}: {m}");
            for w in words {
                assert!(m.contains(w), "{text}: {m} lacks {w}");
            }
        }
    }
}
