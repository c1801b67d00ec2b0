//! The proof of a correction under watch: goes on with it after a pull, and says when it fell.

use super::alarm::{Alarms, Change, Kind};
use super::config::WatchTerms;
use super::state::StandingProof;
use crate::analyse::standing::Keeper;
use crate::analyse::tariff::Tariff;
use crate::collect::store::{NodeId, Store, StoreError};
use crate::site::Site;

/// Days in a row on which the proof must have fallen: a week with a holiday in it differs for one.
const FELL_DAYS: u32 = 2;

/// The proof of one station's correction.
pub(super) struct Proving {
    keeper: Keeper,
    fell_days: u32,
    /// End of the week that was judged last.
    judged_ms: Option<i64>,
}

impl Proving {
    /// None where nothing was installed at a date.
    pub(super) fn new(site: &Site, tariff: Option<Tariff>, terms: &WatchTerms) -> Option<Proving> {
        let keeper = Keeper::new(site, tariff, terms.alarms.slow_loss_share)?;
        Some(Proving { keeper, fell_days: 0, judged_ms: None })
    }

    /// Goes on by one step, with the end of the newest record; gives the proof where it changed.
    pub(super) fn go_on(
        &mut self,
        store: &Store,
        node: NodeId,
        newest_ms: i64,
    ) -> Result<Option<StandingProof>, StoreError> {
        let changed = self.keeper.advance(newest_ms, &mut |span| store.read_log(node, span))?;
        Ok(self.keeper.standing().filter(|_| changed).cloned())
    }

    /// Raises or clears by a proof; a step that only booked money judges nothing.
    pub(super) fn judge(&mut self, proof: &StandingProof, alarms: &mut Alarms) -> Option<Change> {
        let at_ms = proof.week_ms[1];
        if self.judged_ms.replace(at_ms) == Some(at_ms) {
            return None;
        }
        self.fell_days = if proof.fell { self.fell_days + 1 } else { 0 };
        match self.fell_days {
            0 if proof.change_var.is_some() => alarms.clear(Kind::ProofFallen, "", at_ms),
            FELL_DAYS.. => alarms.raise(Kind::ProofFallen, "", at_ms, proof.fall_words()),
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_days_in_a_row_raise_and_one_good_day_clears() {
        let text =
            "[[installed]]\nname = \"Bank\"\nkvar = 50\nrated_v = 400\nsince = \"2026-03-09\"\n";
        let site = Site::parse(text, "site.toml".as_ref()).unwrap();
        let mut alarms = Alarms::new(site.watch.alarms.clone(), &site);
        let mut proving = Proving::new(&site, None, &site.watch).unwrap();
        let mut day = 0;
        let mut judge = |fell: bool, same_day: bool| {
            day += i64::from(!same_day);
            let proof = StandingProof {
                week_ms: [0, day * 86_400_000],
                change_var: Some(if fell { -15e3 } else { 0.0 }),
                change_uncertainty_var: Some(2e3),
                fell,
                ..StandingProof::default()
            };
            proving.judge(&proof, &mut alarms)
        };
        assert_eq!(judge(true, false), None);
        assert_eq!(judge(true, true), None);
        assert_eq!(judge(false, false), None);
        assert_eq!(judge(true, false), None);
        let raised = judge(true, false).unwrap();
        assert_eq!(raised.alarm().kind, Kind::ProofFallen);
        assert!(raised.alarm().evidence.contains("15.0 \u{b1} 2.0 kvar less"), "{raised:?}");
        assert_eq!(judge(true, false), None);
        assert!(matches!(judge(false, false), Some(Change::Cleared(_))));
        assert!(Proving::new(&Site::default(), None, &WatchTerms::default()).is_none());
    }
}
