//! `[[installed]]` of the site file: capacitor units as their nameplates have them.

use super::Supply;
use super::raw::Fault;
use crate::analyse::verify::unit::{Connection, Control, Unit};
use jiff::civil::{Date, DateTime, Time};
use serde::Deserialize;
use toml::Spanned;

/// A capacitor unit of the plant.
#[derive(Clone, Debug, PartialEq)]
pub struct Installed {
    /// Nameplate, connection and control.
    pub unit: Unit,
    /// Local time since when it is there; none where it always was, or it is not known.
    pub since: Option<DateTime>,
    /// Local times at which it was changed or repaired since.
    pub changed: Vec<DateTime>,
    /// Where it sits, in words.
    pub place: Option<String>,
}

type Entry<T> = Option<Spanned<T>>;

/// The table as it is written.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct InstalledSection {
    name: Spanned<String>,
    kvar: Spanned<f64>,
    rated_v: Entry<f64>,
    rated_hz: Entry<f64>,
    connected: Entry<String>,
    control: Entry<String>,
    target_pf: Entry<f64>,
    step_kvar: Entry<f64>,
    from_kw: Entry<f64>,
    since: Entry<String>,
    #[serde(default)]
    changed: Vec<Spanned<String>>,
    place: Option<String>,
}

fn fault<T>(entry: &Spanned<T>, message: String) -> Fault {
    Fault { at: Some(entry.span().start), message }
}

fn positive(entry: &Spanned<f64>, what: &str, unit: &str) -> Result<f64, Fault> {
    let x = *entry.get_ref();
    if x > 0.0 && x.is_finite() {
        return Ok(x);
    }
    Err(fault(entry, format!("{what} = {x} makes no sense; give a positive number of {unit}")))
}

pub(super) fn resolve(
    sections: Vec<InstalledSection>,
    supply: &Supply,
) -> Result<Vec<Installed>, Fault> {
    let mut out: Vec<Installed> = Vec::new();
    for s in sections {
        let installed = s.resolve(supply)?;
        if out.iter().any(|o| o.unit.name == installed.unit.name) {
            let message = format!(
                "two installed units are called {:?}; give each a name of its own",
                installed.unit.name
            );
            return Err(Fault { at: Some(s.name.span().start), message });
        }
        out.push(installed);
    }
    Ok(out)
}

impl InstalledSection {
    fn resolve(&self, supply: &Supply) -> Result<Installed, Fault> {
        let rated_var = positive(&self.kvar, "kvar", "kvar")? * 1e3;
        let rated_v = match (&self.rated_v, supply.line_voltage_v) {
            (Some(v), _) => positive(v, "rated_v", "volts")?,
            (None, Some(line)) => line,
            (None, None) => {
                return Err(fault(
                    &self.name,
                    "the unit has no voltage: give rated_v from its nameplate, or supply.line_voltage_v"
                        .into(),
                ));
            }
        };
        let rated_hz = match &self.rated_hz {
            Some(f) => positive(f, "rated_hz", "hertz")?,
            None => supply.frequency_hz.unwrap_or(50.0),
        };
        let connection = match &self.connected {
            None => Connection::Delta,
            Some(word) => Connection::from_name(word.get_ref()).ok_or_else(|| {
                let names = Connection::ALL.map(|(_, n)| n).join(", ");
                fault(
                    word,
                    format!("connected {:?} is not known; use one of {names}", word.get_ref()),
                )
            })?,
        };
        Ok(Installed {
            unit: Unit {
                name: self.name.get_ref().clone(),
                rated_var,
                rated_v,
                rated_hz,
                connection,
                control: self.control(rated_var)?,
            },
            since: self.since.as_ref().map(|s| local("since", s)).transpose()?,
            changed: self.changed.iter().map(|c| local("changed", c)).collect::<Result<_, _>>()?,
            place: self.place.clone(),
        })
    }

    fn control(&self, rated_var: f64) -> Result<Control, Fault> {
        let word = self.control.as_ref().map_or("fixed", |w| w.get_ref().as_str());
        match word {
            "fixed" => Ok(Control::Fixed),
            "automatic" => {
                let target_pf = self.target_pf.as_ref().map_or(Ok(0.95), |t| {
                    let x = *t.get_ref();
                    if x > 0.0 && x <= 1.0 {
                        return Ok(x);
                    }
                    Err(fault(t, format!("target_pf = {x} is not a power factor; give e.g. 0.95")))
                })?;
                let step_var = match &self.step_kvar {
                    None => rated_var / 4.0,
                    Some(s) => positive(s, "step_kvar", "kvar")? * 1e3,
                };
                if step_var > rated_var
                    && let Some(s) = &self.step_kvar
                {
                    return Err(fault(
                        s,
                        "step_kvar is more than kvar; give the smallest step".into(),
                    ));
                }
                Ok(Control::Automatic { target_pf, step_var })
            }
            "with-load" => {
                let from_w = match &self.from_kw {
                    Some(p) => positive(p, "from_kw", "kW")? * 1e3,
                    None => {
                        return Err(fault(
                            &self.name,
                            "a unit that is on with its load needs from_kw: the kW of the feeder from which the load runs"
                                .into(),
                        ));
                    }
                };
                Ok(Control::WithLoad { from_w })
            }
            other => Err(Fault {
                at: self.control.as_ref().map(|c| c.span().start),
                message: format!(
                    "control {other:?} is not known; use \"fixed\", \"automatic\" or \"with-load\""
                ),
            }),
        }
    }
}

fn local(key: &str, entry: &Spanned<String>) -> Result<DateTime, Fault> {
    let text = entry.get_ref();
    let whole: Result<DateTime, _> = text.parse();
    let day = || text.parse::<Date>().map(|d| d.to_datetime(Time::midnight()));
    whole.or_else(|_| day()).map_err(|_| {
        fault(
            entry,
            format!(
                "{key} = {text:?} is no date; give e.g. \"2026-03-09\" or \"2026-03-09T07:00\""
            ),
        )
    })
}
