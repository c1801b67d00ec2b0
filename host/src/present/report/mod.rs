//! The written report: one page for the owner, the rest for the engineer who checks it.
//!
//! [`Report::of`] decides every sentence, number and chart once ([`model`]); [`html`] and, in the
//! feature `pdf`, `pdf` render the same report. A section without data is left out, and the
//! section on what is not here says why and how to get it.

mod closing;
mod connection;
pub mod gather;
mod grounds;
mod harmonics;
pub mod html;
pub mod json;
mod load;
pub mod model;
mod money;
#[cfg(feature = "pdf")]
pub mod pdf;
mod proof;
mod remedy;
mod summary;
mod suspects;
mod terminal;
pub mod traces;

pub use harmonics::HarmonicsSeen;
pub use model::Report;
pub use terminal::{charts_text, summary_text};

use crate::analyse::bill::Bill;
use crate::analyse::bill::meter::Reconciliation;
use crate::analyse::culprit::Culprits;
use crate::analyse::size::Sizing;
use crate::analyse::standing::StandingProof;
use crate::analyse::survey::Survey;
use crate::analyse::uncertainty::SurveyUncertainty;
use crate::analyse::verify::Verification;
use crate::analyse::verify::money::Saved;
use crate::collect::chain::ChainReport;
use crate::present::locale::Locale;
use crate::site::Site;
use traces::Traces;
use wattless_core::complex::Complex;
use wattless_core::hookup::HookupReport;

/// Everything that a report can stand on; what is absent is `None`.
pub struct Material<'a> {
    /// How numbers are written.
    pub locale: Locale,
    /// The site.
    pub site: &'a Site,
    /// The survey.
    pub survey: &'a Survey,
    /// Series for charts.
    pub traces: &'a Traces,
    /// The node that recorded the log.
    pub node: Option<NodeFacts>,
    /// What the chain over the log says.
    pub chain: Option<&'a ChainReport>,
    /// What the headline figures are worth.
    pub worth: Option<&'a SurveyUncertainty>,
    /// Harmonics of the records.
    pub harmonics: Option<HarmonicsSeen>,
    /// The check of the connection.
    pub connection: Option<ConnectionCheck>,
    /// What the tariff makes of the log.
    pub bill: Option<&'a Bill>,
    /// The log against the utility's meter.
    pub meter: Option<&'a Reconciliation>,
    /// Candidate corrections.
    pub sizing: Option<&'a Sizing>,
    /// Why there are none, where there was a price list.
    pub not_sized: Option<&'a str>,
    /// The comparison of before and after.
    pub proof: Option<&'a Verification>,
    /// The newest week against the week of the proof.
    pub standing: Option<&'a StandingProof>,
    /// What the drop of that comparison saves.
    pub saved: Option<&'a Saved>,
    /// The logs of the feeders ranked.
    pub suspects: Option<&'a Culprits>,
    /// Demand that must not be exceeded, in W.
    pub demand_limit_w: Option<f64>,
    /// Local date on which the report is made.
    pub made_on: jiff::civil::Date,
    /// Whether the log was simulated.
    pub simulated: bool,
}

/// The node as the report names it.
#[derive(Clone, Debug, PartialEq)]
pub struct NodeFacts {
    /// Its number.
    pub id: String,
    /// Kind of hardware.
    pub hardware: String,
    /// Version of its program.
    pub firmware: String,
}

/// A connection check on what the records hold.
#[derive(Clone, Debug, PartialEq)]
pub struct ConnectionCheck {
    /// When the picture was taken, in words.
    pub when: String,
    /// Mean phasors of the channels, V1 to V3 and I1 to I3.
    pub phasors: [Complex; 6],
    /// Phases that there are.
    pub phases: usize,
    /// What the check says.
    pub report: HookupReport,
}

impl Report {
    /// Decides a report.
    pub fn of(m: &Material<'_>) -> Report {
        let s = m.survey;
        let subject = match (&s.basis.site, &s.basis.feeder) {
            (Some(site), Some(feeder)) => format!("{site}, feeder \u{201c}{feeder}\u{201d}"),
            (Some(site), None) => site.clone(),
            (None, Some(feeder)) => format!("Feeder \u{201c}{feeder}\u{201d}"),
            (None, None) => "A feeder without a name".into(),
        };
        let mut sections = vec![grounds::method(m)];
        sections.extend(grounds::connection(m));
        sections.push(grounds::completeness(m));
        sections.push(load::week(m));
        sections.push(load::demand(m));
        sections.extend(load::duration(m));
        sections.push(grounds::phases(m));
        sections.extend(harmonics::section(m));
        sections.extend(suspects::section(m));
        sections.extend(money::section(m));
        sections.extend(remedy::section(m));
        sections.extend(proof::section(m));
        sections.push(closing::uncertainty(m));
        sections.push(closing::assumptions(m));
        sections.push(closing::cautions(m));
        sections.extend(closing::absent(m));
        let mut report = Report {
            locale: m.locale.clone(),
            title: "Power factor report".into(),
            subject,
            head: summary::head(m),
            summary: summary::summary(m),
            sections,
            foot: format!(
                "{} \u{b7} wattless {}",
                s.basis.site.as_deref().unwrap_or("Power factor report"),
                env!("CARGO_PKG_VERSION")
            ),
        };
        report.localise();
        report
    }

    /// Rewrites every number and date of the words as the plant writes them.
    fn localise(&mut self) {
        let l = self.locale.clone();
        let one = |x: &mut String| *x = l.localise(x);
        let pair = |(_, x): &mut (String, String)| *x = l.localise(x);
        self.head.iter_mut().for_each(pair);
        one(&mut self.summary.headline);
        one(&mut self.summary.review);
        self.summary.points.iter_mut().for_each(pair);
        self.summary.figures.iter_mut().for_each(|f| {
            one(&mut f.value);
            one(&mut f.note);
        });
        if let Some(f) = &mut self.summary.figure {
            one(&mut f.caption);
        }
        for block in self.sections.iter_mut().flat_map(|s| &mut s.blocks) {
            use model::Block;
            match block {
                Block::Text(x) | Block::Heading(x) | Block::Caution(x) | Block::Absent(x) => one(x),
                Block::Points(list) => list.iter_mut().for_each(one),
                Block::Facts(list) => list.iter_mut().for_each(|(name, x)| {
                    one(name);
                    one(x);
                }),
                Block::Table(t) => {
                    one(&mut t.caption);
                    t.head.iter_mut().for_each(one);
                    t.rows.iter_mut().flatten().for_each(one);
                }
                Block::Figure(f) => one(&mut f.caption),
            }
        }
    }
}
