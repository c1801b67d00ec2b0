//! The site file: what cannot be measured, read from TOML; says nothing about a log.
//!
//! Everything is optional. What the file leaves out gets a default, and each
//! default that changes a result is listed in [`Site::assumed`], so that a report can say so.
//! A new section is one field in `raw::SiteFile`, one struct here, one line in `raw::resolve`.

pub mod installed;
pub mod plant;
mod raw;
pub mod uncertainty;
pub mod writing;

use crate::analyse::bill::meter::Meter;
use installed::Installed;
use jiff::tz::TimeZone;
use serde::Serialize;
use std::path::{Path, PathBuf};
use wattless_core::demand::DemandRule;
use wattless_core::wiring::Wiring;

/// The site file of the invented plant of the demo, with every entry explained.
pub const BRACKWATER: &str = include_str!("../sites/brackwater.toml");

/// What is known about a plant and its tariff beside the log.
#[derive(Clone, Debug, PartialEq)]
pub struct Site {
    /// Name of the plant, for headings.
    pub name: Option<String>,
    /// Name of the feeder, for headings.
    pub feeder: Option<String>,
    /// Time zone of the plant and its tariff.
    pub time_zone: TimeZone,
    /// The IANA name of that zone.
    pub time_zone_name: String,
    /// The supply.
    pub supply: Supply,
    /// How the utility measures demand.
    pub demand: DemandTerms,
    /// How the power factor is judged.
    pub power_factor: PowerFactorTerms,
    /// When the plant works.
    pub working_hours: WorkingHours,
    /// Whether the file states them.
    pub hours_stated: bool,
    /// What a verdict takes.
    pub verdict: VerdictTerms,
    /// How reports are written.
    pub writing: writing::WritingTerms,
    /// Transformer, conductors, motors, terms of a correction.
    pub plant: plant::Plant,
    /// The utility's meter and its registers.
    pub meter: Option<Meter>,
    /// Capacitor units that are there, or were put in.
    pub installed: Vec<installed::Installed>,
    /// How good sensors, reference and clock are.
    pub uncertainty: uncertainty::UncertaintyTerms,
    /// How the feeder is watched.
    pub watch: crate::watch::config::WatchTerms,
    /// Defaults that stand in for what the file does not say, in words.
    pub assumed: Vec<String>,
}

/// Nominal figures of the supply.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Supply {
    /// Nominal voltage between lines, in V (single phase: to neutral).
    pub line_voltage_v: Option<f64>,
    /// Nominal frequency, in Hz.
    pub frequency_hz: Option<f64>,
    /// How the node is connected.
    pub wiring: Option<Wiring>,
}

impl Supply {
    /// Nominal voltage of a phase as a log states it, in V: against neutral or the star point.
    pub fn phase_voltage_v(&self) -> Option<f64> {
        let line = self.line_voltage_v?;
        Some(match self.wiring {
            Some(Wiring::SinglePhase) => line,
            Some(Wiring::SplitPhase) => line / 2.0,
            _ => line / libm::sqrt(3.0),
        })
    }
}

/// Whether the demand interval stands on the clock or slides.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum DemandKind {
    /// Intervals follow each other, aligned to local time.
    Block,
    /// The interval moves on by a sub-interval at a time.
    Sliding,
}

/// Which apparent power the tariff uses.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Apparent {
    /// sqrt(P² + Q1²) of the interval's energies.
    Vector,
    /// Sum of the phases' V·I.
    Arithmetic,
    /// 3·Ve·Ie of IEEE 1459.
    Effective,
}

impl Apparent {
    /// The word in files and reports.
    pub const fn name(self) -> &'static str {
        match self {
            Apparent::Vector => "vector",
            Apparent::Arithmetic => "arithmetic",
            Apparent::Effective => "effective",
        }
    }
}

/// How the utility measures demand.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DemandTerms {
    /// Which kind of interval is billed.
    pub kind: DemandKind,
    /// Length of the interval, in seconds.
    pub interval_s: u32,
    /// Step of the sliding interval, in seconds.
    pub sub_interval_s: u32,
    /// Apparent power behind kVA and PF.
    pub apparent: Apparent,
}

impl DemandTerms {
    /// The block rule, aligned to the epoch.
    pub fn block(&self) -> Option<DemandRule> {
        DemandRule::block(self.interval_s).ok()
    }

    /// The sliding rule, aligned to the epoch.
    pub fn sliding(&self) -> Option<DemandRule> {
        DemandRule::sliding(self.interval_s, self.sub_interval_s).ok()
    }

    /// The rule that is billed, aligned to the epoch.
    pub fn billed(&self) -> Option<DemandRule> {
        match self.kind {
            DemandKind::Block => self.block(),
            DemandKind::Sliding => self.sliding(),
        }
    }

    /// Seconds from one boundary of that rule to the next.
    pub fn step_s(&self) -> u32 {
        match self.kind {
            DemandKind::Block => self.interval_s,
            DemandKind::Sliding => self.sub_interval_s,
        }
    }
}

/// How the power factor is judged.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PowerFactorTerms {
    /// Power factor below which the utility charges.
    pub target: f64,
    /// Share of the peak kW from which an interval's PF counts as "lowest".
    pub counts_from_share: f64,
    /// Share of the peak kVA below which an interval has no load and no PF.
    pub no_load_share: f64,
}

/// When the plant works, in whole hours of local time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct WorkingHours {
    /// Working days, Monday first.
    pub days: [bool; 7],
    /// First working hour of the day.
    pub from_h: u8,
    /// Hour at which work ends, up to 24.
    pub to_h: u8,
}

impl WorkingHours {
    /// Whether an hour of the week (0 is Monday 00–01 h) is worked.
    pub fn contains(&self, hour_of_week: usize) -> bool {
        let hour = hour_of_week % 24;
        self.is_working_day(hour_of_week / 24)
            && (usize::from(self.from_h)..usize::from(self.to_h)).contains(&hour)
    }

    /// Whether a day of the week (0 is Monday) is a working day.
    pub fn is_working_day(&self, day: usize) -> bool {
        self.days.get(day).copied().unwrap_or(false)
    }
}

/// What a verdict takes. These are this project's own criteria, not a standard's.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct VerdictTerms {
    /// kvar missing, as a share of peak kVA, from which a correction is worth a look.
    pub kvar_share: f64,
    /// The same where PF is low only at low demand; higher, since less is at stake there.
    pub low_demand_kvar_share: f64,
    /// Share of the loaded time that may lie below the target in a good week.
    pub tolerated_time_share: f64,
    /// Share of the log's time that must be there.
    pub present_share: f64,
    /// Hours of the week that must be there, of 168.
    pub hours_of_week: u32,
    /// Share of the time that may carry doubtful values (clipped, out of range, voltage missing).
    pub doubtful_share: f64,
}

impl Default for Site {
    fn default() -> Self {
        raw::SiteFile::default().resolve_defaults()
    }
}

impl Site {
    /// The instant of a time on the plant's clocks, Unix milliseconds; none outside the calendar.
    pub fn unix_ms(&self, local: jiff::civil::DateTime) -> Option<i64> {
        let instant = self.time_zone.to_ambiguous_timestamp(local).compatible().ok()?;
        Some(instant.as_millisecond())
    }

    /// When work was done on capacitor units, in order: installed, changed or repaired.
    pub fn works_ms<'a>(&self, units: impl Iterator<Item = &'a Installed>) -> Vec<i64> {
        let times = units.flat_map(|i| i.since.iter().chain(&i.changed));
        let mut all: Vec<i64> = times.filter_map(|t| self.unix_ms(*t)).collect();
        all.sort_unstable();
        all.dedup();
        all
    }

    /// Reads a site file.
    pub fn load(path: &Path) -> Result<Site, SiteError> {
        let text = std::fs::read_to_string(path)
            .map_err(|source| SiteError::Read { file: path.to_owned(), source })?;
        let mut site = Site::parse(&text, path)?;
        site.watch.beside(path.parent().unwrap_or(Path::new("")));
        Ok(site)
    }

    /// Reads the text of a site file; the path is for messages only.
    pub fn parse(text: &str, path: &Path) -> Result<Site, SiteError> {
        raw::parse(text).map_err(|fault| {
            let line = fault.at.map(|at| {
                let before = text.as_bytes().get(..at).unwrap_or_default();
                1 + before.iter().filter(|b| **b == b'\n').count()
            });
            SiteError::Entry { file: path.to_owned(), line, message: fault.message }
        })
    }
}

/// Why a site file cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum SiteError {
    /// The file cannot be read.
    #[error("cannot read the site file {}: {source}; check the path given with --site", file.display())]
    Read {
        /// The file.
        file: PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
    /// An entry makes no sense.
    #[error("{}{}: {message}", file.display(), line.map(|n| format!(", line {n}")).unwrap_or_default())]
    Entry {
        /// The file.
        file: PathBuf,
        /// The line, from 1.
        line: Option<usize>,
        /// What is wrong and what to do.
        message: String,
    },
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(text: &str) -> Result<Site, SiteError> {
        Site::parse(text, Path::new("plant.toml"))
    }

    fn message(text: &str) -> String {
        parse(text).unwrap_err().to_string()
    }

    #[test]
    fn an_empty_file_is_the_default_and_says_what_it_assumes() {
        let site = parse("").unwrap();
        assert_eq!(site, Site::default());
        assert_eq!(site.time_zone_name, "UTC");
        assert_eq!(site.demand.interval_s, 900);
        assert_eq!(site.power_factor.target, 0.95);
        for word in ["UTC", "15 min", "0.95", "vector", "06", "Mon"] {
            assert!(site.assumed.iter().any(|a| a.contains(word)), "{word}: {:?}", site.assumed);
        }
    }

    #[test]
    fn whole_numbers_pass_where_fractions_may_stand() {
        assert_eq!(parse("[power_factor]\ntarget = 1\n").unwrap().power_factor.target, 1.0);
    }

    #[test]
    fn the_example_leaves_nothing_to_assume() {
        let text = BRACKWATER;
        let site = parse(text).unwrap();
        assert_eq!(site.name.as_deref(), Some("Brackwater Joinery"));
        assert_eq!(site.assumed, Vec::<String>::new());
        assert!((site.supply.phase_voltage_v().unwrap() - 230.94).abs() < 0.01);
        assert!(site.demand.block().is_some() && site.demand.sliding().is_some());
    }

    #[test]
    fn every_error_names_file_line_and_cure() {
        for (text, line, words) in [
            ("name = \"x\"\n\ntarif = 1\n", 3, vec!["tarif", "remove"]),
            ("[demand]\ninterval_min = 7.5\n", 2, vec!["whole number"]),
            ("[working_hours]\nto_h = 300\n", 2, vec!["whole number"]),
            ("[power_factor]\ntarget = \"high\"\n", 2, vec!["expected a number"]),
            ("[demand]\ninterval_min = 200\n", 2, vec!["1 to 120 minutes"]),
            ("[demand]\n\nsub_interval_min = 4\n", 3, vec!["divide"]),
            ("[demand]\nkind = \"rolling\"\n", 2, vec!["block", "sliding"]),
            ("[demand]\napparent_power = \"rms\"\n", 2, vec!["vector", "arithmetic", "effective"]),
            ("[power_factor]\ntarget = 95\n", 2, vec!["0.95"]),
            ("[power_factor]\ntarget = 0.0\n", 2, vec!["above 0"]),
            ("[power_factor]\ncounts_from_share = 2.0\n", 2, vec!["0 to 1"]),
            ("time_zone = \"Mars/North\"\n", 1, vec!["Mars/North", "Europe/Berlin"]),
            ("[supply]\nwiring = \"delta\"\n", 2, vec!["four-wire", "two-sensor"]),
            ("[supply]\nline_voltage_v = -400\n", 2, vec!["positive"]),
            ("[supply]\nfrequency_hz = 400\n", 2, vec!["50", "60"]),
            ("[working_hours]\ndays = [\"mon\", \"tues\"]\n", 2, vec!["tues", "mon"]),
            ("[working_hours]\nfrom_h = 18\nto_h = 6\n", 3, vec!["after"]),
            ("[verdict]\nhours_of_week = 169\n", 2, vec!["168"]),
            ("[report]\nnumbers = \"1'234\"\n", 2, vec!["1 234,5", "1,234.5"]),
            ("[report]\ndates = \"31 March\"\n", 2, vec!["2026-03-31", "03/31/2026"]),
            ("[report]\npaper = \"a3\"\n", 2, vec!["a4", "letter"]),
            ("[meter]\nclass = 1\n", 2, vec!["class", "class_active_pct"]),
            ("[meter]\nmultiplier = 0\n", 2, vec!["above 0"]),
            ("[[meter.reading]]\nat = \"noon\"\nkwh = 1\n", 2, vec!["2026-03-02T00:00"]),
            ("[[meter.reading]]\nat = \"2026-03-02T00:00\"\nkwh = -1\n", 3, vec!["0 or more"]),
            ("[[installed]]\nname = \"a\"\nkvar = -5\n", 3, vec!["kvar", "positive"]),
            ("[[installed]]\nname = \"a\"\nkvar = 5\n", 2, vec!["rated_v"]),
            (
                "[[installed]]\nname = \"a\"\nkvar = 5\nrated_v = 400\nconnected = \"wye\"\n",
                5,
                vec!["delta", "star"],
            ),
            (
                "[[installed]]\nname = \"a\"\nkvar = 5\nrated_v = 400\nsince = \"soon\"\n",
                5,
                vec!["2026-03-09"],
            ),
            ("name = \"x\n", 1, vec![]),
        ] {
            let m = message(text);
            assert!(m.starts_with(&format!("plant.toml, line {line}: ")), "{text:?}: {m}");
            for w in words {
                assert!(m.contains(w), "{text:?}: {m} lacks {w}");
            }
        }
        let missing = Site::load(Path::new("no-such-site.toml")).unwrap_err().to_string();
        assert!(missing.contains("no-such-site.toml") && missing.contains("--site"), "{missing}");
    }

    #[test]
    fn working_hours_know_their_hours_of_the_week() {
        let w = WorkingHours {
            days: [true, true, true, true, true, false, false],
            from_h: 6,
            to_h: 18,
        };
        let worked: usize = (0..168).filter(|h| w.contains(*h)).count();
        assert_eq!(worked, 60);
        assert!(w.contains(6) && !w.contains(5) && w.contains(17) && !w.contains(18));
        assert!(!w.contains(5 * 24 + 10));
    }

    #[test]
    fn nominal_phase_voltage_follows_the_wiring() {
        let at = |wiring| {
            Supply { line_voltage_v: Some(240.0), frequency_hz: None, wiring: Some(wiring) }
                .phase_voltage_v()
        };
        assert_eq!(at(Wiring::SinglePhase), Some(240.0));
        assert_eq!(at(Wiring::SplitPhase), Some(120.0));
        assert!((at(Wiring::ThreeWire).unwrap() - 138.564).abs() < 1e-3);
    }
}
