//! The proof of a correction kept up to date: this week against the week of the proof, and the
//! money that it has saved so far.
//!
//! All of it stands on the comparison of [`crate::analyse::verify`]: the time before the work with
//! the week of the proof and with this week, and the two weeks with each other at like load. The
//! money is what the tariff makes of the log with the reactive power that the units took away put
//! back, record by record, less what it makes of the log.

mod keeper;
mod savings;

pub use keeper::{Keeper, Work};

use serde::Serialize;

/// The note of a proof that has no tariff to go by.
pub const NO_TARIFF: &str = "Money saved is not known: no tariff is named.";

/// Reactive power removed at like load in a week, against the time before the work.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Removed {
    /// Mean drop, in var.
    pub removed_var: f64,
    /// Uncertainty of it, ±, at 95 % confidence, in var.
    pub uncertainty_var: f64,
    /// What the installed units give at that week's voltage, in var; none where none are listed.
    pub expected_var: Option<f64>,
}

impl Removed {
    /// Share of what the units give; none where that is not known.
    pub fn ratio(&self) -> Option<f64> {
        self.expected_var.filter(|e| *e > 0.0).map(|e| self.removed_var / e)
    }
}

/// Money that the correction has saved by the tariff.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Saved {
    /// Bills without the correction less bills with it, in the tariff's currency.
    pub money: f64,
    /// The currency.
    pub currency: String,
    /// From when, Unix milliseconds.
    pub from_ms: i64,
    /// To when, Unix milliseconds.
    pub to_ms: i64,
    /// Share of that time that records cover, 0 to 1; what is missing is not filled in.
    pub covered_share: f64,
}

/// The proof of a correction as it stands.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct StandingProof {
    /// When the last work on the correction was done, Unix milliseconds.
    pub installed_ms: i64,
    /// The week of the proof, Unix milliseconds: from, to.
    pub proof_ms: [i64; 2],
    /// This week: the last seven days with their records, Unix milliseconds: from, to.
    pub week_ms: [i64; 2],
    /// Removed in the week of the proof; none without records from before the work.
    pub proof: Option<Removed>,
    /// Removed this week; none without records from before the work.
    pub week: Option<Removed>,
    /// What this week removes more at like load than the week of the proof (negative: less), in var.
    pub change_var: Option<f64>,
    /// Uncertainty of the change, ±, at 95 % confidence, in var.
    pub change_uncertainty_var: Option<f64>,
    /// Whether this week removes clearly less than the week of the proof.
    pub fell: bool,
    /// Money saved so far; none without a tariff.
    pub saved: Option<Saved>,
    /// What is missing and why, in sentences.
    pub notes: Vec<String>,
}

impl StandingProof {
    /// This week against the week of the proof, in a sentence; empty while it cannot be told.
    pub fn fall_words(&self) -> String {
        let (Some(change), Some(u)) = (self.change_var, self.change_uncertainty_var) else {
            return String::new();
        };
        let [kvar, u] = [change, u].map(|x| x / 1e3);
        let proof = match self.proof {
            Some(p) => format!("; {:.1} kvar were removed then", p.removed_var / 1e3),
            None => String::new(),
        };
        let word = if kvar < 0.0 { "less" } else { "more" };
        format!(
            "At like load {:.1} \u{b1} {u:.1} kvar {word} are removed this week than in the week \
             of the proof{proof}",
            libm::fabs(kvar)
        )
    }
}
