//! What to do next: checks that follow from reasons and alternatives.

use super::reasons::{NextCheck, Reason};
use super::{HookupInput, HookupReport, Verdict};
use crate::frame::Channel;

impl HookupReport {
    pub(super) fn tell(&mut self, reason: Reason) {
        // The least telling reasons come last: what no longer fits is no loss.
        let _ = self.reasons.push(reason);
    }

    fn then_check(&mut self, check: NextCheck) {
        if !self.checks.contains(&check) {
            let _ = self.checks.push(check);
        }
    }

    /// What to do next, from reasons and alternatives.
    pub(super) fn next_checks(&mut self, input: &HookupInput) {
        for reason in self.reasons.clone() {
            match reason {
                Reason::NoFundamental | Reason::NoVoltage => {
                    self.then_check(NextCheck::VoltageLead(Channel::V1));
                }
                Reason::VoltageMissing { lead, .. }
                | Reason::VoltagesSame { lead, .. }
                | Reason::VoltageReversed(lead) => self.then_check(NextCheck::VoltageLead(lead)),
                Reason::VoltagesNoSet
                | Reason::VoltageUneven { .. }
                | Reason::VoltageUnexpected { .. }
                | Reason::Clipped(_)
                | Reason::CurrentsDoNotAdd { .. }
                | Reason::CurrentAgainstNameplate { .. } => self.then_check(NextCheck::Ratios),
                Reason::NeutralMissing { .. } => self.then_check(NextCheck::NeutralLead),
                Reason::NoLoad => self.then_check(NextCheck::MoreLoad),
                Reason::CurrentTooSmall(lead)
                | Reason::CurrentDead(lead)
                | Reason::CurrentMissing(lead) => {
                    self.then_check(NextCheck::Clamp(lead));
                    self.then_check(NextCheck::MoreLoad);
                }
                Reason::CurrentUneven { lead, .. } => {
                    self.then_check(NextCheck::Clamp(lead));
                    self.then_check(NextCheck::Ratios);
                }
                Reason::CurrentsSame { one, other }
                | Reason::CurrentsOpposite { one, other, .. } => {
                    self.then_check(NextCheck::Clamp(one));
                    self.then_check(NextCheck::Clamp(other));
                }
                Reason::Leads { .. } if self.verdict != Verdict::Right => {
                    self.then_check(NextCheck::Capacitors);
                }
                Reason::ReadsTheSame { phi_deg } | Reason::RestsOnLoad { phi_deg }
                    if phi_deg < -28.0 =>
                {
                    self.then_check(NextCheck::Capacitors);
                }
                Reason::UnlikelyForMotor { phi_deg, .. } if phi_deg < 45.0 => {
                    self.then_check(NextCheck::Capacitors);
                }
                Reason::FeedsBack { .. } => self.then_check(NextCheck::FeedsBack),
                Reason::RotationNegative => self.then_check(NextCheck::Rotation),
                _ => {}
            }
        }
        let apart = self.alternatives.iter().any(|a| !a.same_power);
        let two_legs = self.wiring.phases() == 2 && !self.alternatives.is_empty();
        if apart || two_legs {
            self.then_check(NextCheck::TraceOneClamp);
            self.then_check(NextCheck::FacingOfOneClamp);
        }
        if two_legs {
            self.then_check(NextCheck::KnownLoad);
        }
        if apart {
            if input.second_load.is_none() {
                self.then_check(NextCheck::SecondLoad);
            }
            if input.nameplate.is_none() {
                self.then_check(NextCheck::Nameplate);
            }
            self.then_check(NextCheck::KnownLoad);
        }
    }
}
