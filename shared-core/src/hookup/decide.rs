//! Decides from the candidates: right, wrong or doubtful, and why.

use super::channels::{Channels, clipped, with_dc};
use super::connection::{Connection, I, IDENTITY, pick, used};
use super::level::unusual;
use super::load::{LoadPicture, PhaseLoad, Zone, wrap};
use super::pairing::{Bench, Candidate, cheapest, masked, phase_currents, sum_share};
use super::reasons::Reason;
use super::voltages::{Trouble, judge, star, uneven};
use super::{ALTERNATIVES, Explanation, HookupInput, HookupReport, LoadKind, Verdict};
use crate::complex::Complex;
use crate::wiring::Wiring;
use heapless::Vec;

/// Lead over every other connection that a right one must have.
const MARGIN: f64 = 4.0;
/// Lead of a mended connection over the present one that makes the present one wrong.
const BLAME: f64 = 4.0;
/// Evidence (current, second load) that rules a guarded connection out.
const RULED_OUT: f64 = 4.5;
/// Alternatives up to this much less likely than the best are told.
pub(super) const WORTH_TELLING: f64 = 6.0;
/// The same for explanations beside a right connection.
const WORTH_TELLING_RIGHT: f64 = 9.0;
/// Other explanations of the same readings up to this much less likely are told.
const SAME_READINGS: f64 = 2.5;
/// Sum over mean of three currents without neutral that is still measurement.
const SUM_LIMIT: f64 = 0.2;
/// Currents within these ratios of the middle one are a motor's own.
const EVEN_CURRENT: core::ops::Range<f64> = 0.58..1.72;
/// Below this share of the largest current a clamp reads nothing.
const NOTHING: f64 = 2e-3;

/// Judges a connection from phasors; see [`HookupInput`] for what it needs.
pub fn check(input: &HookupInput) -> HookupReport {
    let channels = Channels::of(input);
    let mut report = HookupReport {
        verdict: Verdict::Doubtful,
        wiring: input.wiring,
        as_connected: as_connected(input.wiring, &channels),
        best: None,
        alternatives: Vec::new(),
        reasons: Vec::new(),
        checks: Vec::new(),
        rotation: None,
    };
    if input.frequency_hz.is_none() {
        report.tell(Reason::NoFundamental);
        report.next_checks(input);
        return report;
    }
    let mut doubt = false;
    for reason in clipped(input) {
        report.tell(reason);
        doubt = true;
    }
    let (voltages, trouble) = judge(input, &channels, |r| report.tell(r));
    let Some(voltages) = voltages else {
        report.verdict = if trouble == Trouble::Wrong { Verdict::Wrong } else { Verdict::Doubtful };
        report.next_checks(input);
        return report;
    };
    report.rotation = voltages.rotation;
    let bench = Bench::new(input, channels, voltages);
    bench.decide(&mut report, doubt);
    // Last, since it decides nothing.
    for reason in with_dc(input) {
        report.tell(reason);
    }
    if let Some(reason) = unusual(input, &bench.voltages) {
        report.tell(reason);
    }
    report.next_checks(input);
    report
}

fn as_connected(wiring: Wiring, c: &Channels) -> LoadPicture {
    let v = star(wiring, &c.v, &[false; 3]);
    let i = phase_currents(wiring, &c.i, &[false; 3]);
    let mut picture = LoadPicture { count: wiring.phases(), ..LoadPicture::default() };
    for (k, phase) in picture.phases.iter_mut().enumerate().take(wiring.phases()) {
        *phase = PhaseLoad::of(pick(&v, k), pick(&i, k));
    }
    picture
}

impl Bench<'_> {
    fn decide(&self, report: &mut HookupReport, mut doubt: bool) {
        let kind = self.input.load;
        let mut wrong = self.voltages.trouble == Trouble::Wrong;
        doubt |= self.voltages.trouble == Trouble::Doubtful;
        match self.clamps(report) {
            Trouble::Wrong => wrong = true,
            Trouble::Doubtful => doubt = true,
            Trouble::None => {}
        }
        if !self.channels.i_judged.contains(&true) {
            report.tell(Reason::NoLoad);
            self.voltages_only(report);
            report.verdict = if wrong { Verdict::Wrong } else { Verdict::Doubtful };
            return;
        }
        let candidates = self.candidates();
        let Some(best) = cheapest(&candidates, |_| true) else {
            return;
        };
        let present = candidates.iter().find(|c| {
            c.order == IDENTITY
                && !c.turned.contains(&true)
                && !self.voltages.turned.contains(&true)
        });
        let second = cheapest(&candidates, |c| !c.same_pairing(best));
        // Two harmonics lift a doubt, and are no lead of themselves; all of them are.
        let beside = |s: &Candidate| if best.surely { s.cost } else { s.cost - s.unvouched };
        let lead = second.map_or(f64::INFINITY, |s| beside(s) - best.cost + best.unvouched);
        let Some(present) = present else {
            // A voltage lead is turned round: wrong whatever the currents do.
            report.verdict = Verdict::Wrong;
            self.explain(report, best, &candidates, [None; 2]);
            return;
        };
        self.describe(report, present);
        doubt |= self.rated_current(report, present) | self.kirchhoff(report, best);
        // A nameplate whose motor has this angle at this current speaks for a motor.
        let is_motor =
            present.evidence < 1.0 && matches!(self.level(&present.turned).ratio, Some((_, true)));
        let guarded = candidates.iter().find(|c| {
            c.guarded
                && !c.same_pairing(present)
                && c.reads_apart(present)
                && !present.surely
                && (c.acceptable(kind) || (c.untold(kind) && !is_motor && !present.vouched))
                && (c.agreement.coherent() || !present.agreement.coherent())
                && c.evidence - present.evidence < RULED_OUT
        });
        let spoken_for = cheapest(&candidates, |c| {
            c.vouched && c.reads_apart(present) && c.evidence - present.evidence < RULED_OUT
        });
        let spoken_for = spoken_for.filter(|_| !present.vouched);
        let guarded = guarded.or(spoken_for);
        let good = present.same_pairing(best) && present.acceptable(kind);
        let blamed = !good && self.blames(present, best);
        report.verdict = if wrong || blamed {
            Verdict::Wrong
        } else if good && lead >= MARGIN && guarded.is_none() && !doubt {
            Verdict::Right
        } else {
            Verdict::Doubtful
        };
        let look_alike = guarded
            .or(second.filter(|_| good && lead < MARGIN))
            .filter(|_| report.verdict == Verdict::Doubtful)
            .filter(|_| self.doubled.is_none());
        if let Some(other) = look_alike {
            report.tell(Reason::ReadsTheSame { phi_deg: other.agreement.centre_deg });
        }
        self.account(report, present, spoken_for, &candidates);
        self.explain(report, best, &candidates, [Some(present), look_alike]);
    }

    /// Tells what speaks for and against the present connection once the verdict is known.
    fn account(
        &self,
        report: &mut HookupReport,
        present: &Candidate,
        spoken_for: Option<&Candidate>,
        candidates: &[Candidate],
    ) {
        if report.verdict != Verdict::Wrong && present.evidence > 1.0 {
            let level = self.level(&present.turned);
            if let Some((ratio, nameplate)) = level.ratio {
                let phi_deg = present.agreement.centre_deg;
                report.tell(Reason::UnlikelyForMotor { phi_deg, ratio, nameplate });
            }
        }
        if report.verdict == Verdict::Right {
            self.praise(report, present);
        }
        if present.vouched {
            report.tell(Reason::HarmonicsAgree { highest: present.heard() });
        } else if let Some(other) = spoken_for {
            report.tell(Reason::HarmonicsSpeakFor {
                highest: other.heard(),
                phi_deg: other.agreement.centre_deg,
            });
        }
        if report.verdict == Verdict::Right {
            // What is excluded only because such a load would have been told of.
            let other = cheapest(candidates, |c| {
                c.guarded && c.agreement.coherent() && c.zone == Zone::Odd && c.reads_apart(present)
            });
            let untold = self.input.load == LoadKind::Unknown && !present.vouched;
            if let Some(other) = other.filter(|_| untold) {
                report.tell(Reason::RestsOnLoad { phi_deg: other.agreement.centre_deg });
            }
        }
    }

    /// Whether the mended picture accuses the present one.
    fn blames(&self, present: &Candidate, best: &Candidate) -> bool {
        let kind = self.input.load;
        let credible = best.acceptable(kind) || best.vouched;
        if best.same_pairing(present) || present.cost - best.cost < BLAME || !credible {
            return false;
        }
        if present.agreement.coherent() {
            return present.zone == Zone::Refuted;
        }
        let back = present
            .phi_deg
            .iter()
            .zip(present.judged)
            .any(|(phi, j)| j && libm::fabs(wrap(*phi)) > 107.5);
        back || (present.agreement.spread_deg >= 90.0 && best.agreement.coherent())
    }

    /// What single clamps say.
    fn clamps(&self, report: &mut HookupReport) -> Trouble {
        let wiring = self.input.wiring;
        let (i, judged) = (&self.channels.i, self.channels.i_judged);
        let used = used(wiring, false);
        let mut trouble = Trouble::None;
        let largest = i.iter().map(|x| x.abs()).fold(0.0, f64::max);
        if !judged.contains(&true) {
            return Trouble::Doubtful;
        }
        for (k, lead) in I.into_iter().enumerate() {
            if pick(&used, k) && !pick(&judged, k) {
                let others = (0..3).filter(|o| *o != k && pick(&judged, *o));
                let mut sum = Complex::ZERO;
                let mut n = 0;
                for o in others {
                    sum += pick(i, o);
                    n += 1;
                }
                let three_sensors = used == [true; 3];
                let no_neutral = wiring.is_three_wire() || self.input.load == LoadKind::Motor;
                // Two currents that cancel are a load between two lines; else a third is needed.
                let needed = three_sensors && no_neutral && n == 2 && sum.abs() > 0.4 * largest;
                if needed && pick(i, k).abs() < 0.05 * largest {
                    report.tell(Reason::CurrentMissing(lead));
                    trouble = Trouble::Wrong;
                } else {
                    report.tell(if pick(i, k).abs() < NOTHING * largest {
                        Reason::CurrentDead(lead)
                    } else {
                        Reason::CurrentTooSmall(lead)
                    });
                    trouble = trouble.max(Trouble::Doubtful);
                }
            }
        }
        if let Some(pair) = self.doubled
            && let Some(reason) = pair.reason()
        {
            report.tell(reason);
            let sure = !pair.between_lines;
            trouble = trouble.max(if sure { Trouble::Wrong } else { Trouble::Doubtful });
        }
        if let Some((k, ratio)) = uneven(i, judged, EVEN_CURRENT)
            && let Some(lead) = I.get(k)
        {
            report.tell(Reason::CurrentUneven { lead: *lead, ratio });
            trouble = trouble.max(Trouble::Doubtful);
        }
        trouble
    }

    /// The most likely places of the voltage leads when there is nothing to say of currents.
    fn voltages_only(&self, report: &mut HookupReport) {
        let cost = |c: &Connection| c.cost();
        let mut best: Option<Connection> = None;
        for flip in [false, true] {
            let turned = self.voltages.turned.map(|t| t != flip);
            let c = Connection::new(
                self.input.wiring,
                &IDENTITY,
                &masked(turned, used(self.input.wiring, true)),
                &IDENTITY,
                &[false; 3],
            );
            if best.as_ref().is_none_or(|b| cost(&c) < cost(b)) {
                best = Some(c);
            }
        }
        report.best = best.map(|connection| Explanation {
            moves: connection.moves(),
            load: self.picture(&IDENTITY, &[false; 3], self.input_phasors()),
            same_power: true,
            cost: connection.cost(),
            connection,
        });
    }

    fn explain(
        &self,
        report: &mut HookupReport,
        best: &Candidate,
        candidates: &[Candidate],
        [present, look_alike]: [Option<&Candidate>; 2],
    ) {
        if self.explain_doubled(report, present) {
            return;
        }
        let kind = self.input.load;
        report.best = Some(self.explanation(best, &best.connection, best.cost, true));
        let window = match report.verdict {
            Verdict::Right => WORTH_TELLING_RIGHT,
            _ => WORTH_TELLING,
        };
        // Two legs stand opposite each other: exchanged or turned reads the same on a load
        // between them, and not on others.
        let two_legs = self.input.wiring.phases() == 2 && report.verdict != Verdict::Right;
        // Few enough for a plain search of the next cheapest each time.
        let mut told: Vec<&Candidate, ALTERNATIVES> = Vec::new();
        while !told.is_full() {
            let first = look_alike.filter(|c| told.is_empty() && !c.same_pairing(best));
            let next = first.or_else(|| {
                cheapest(candidates, |c| {
                    let as_it_is =
                        present.is_some_and(|p| p.same_pairing(c)) && c.agreement.coherent();
                    !c.same_pairing(best)
                        && !told.iter().any(|t| t.same_pairing(c))
                        && (two_legs || c.reads_apart(best))
                        && (as_it_is || (c.conceivable(kind) && c.cost < best.cost + window))
                })
            });
            let Some(next) = next else { break };
            let _ = told.push(next);
            let _ = report.alternatives.push(self.explanation(
                next,
                &next.connection,
                next.cost,
                !next.reads_apart(best),
            ));
        }
        if best.connection.is_as_labelled() {
            return;
        }
        let connections = self.connections(&best.order, &best.turned);
        let same = connections.iter().find(|c| c.connection == best.connection);
        let least = same.map_or(0.0, |c| c.cost);
        for c in &connections {
            let near = c.cost < least + SAME_READINGS && c.connection != best.connection;
            if near && !report.alternatives.is_full() {
                let cost = best.cost + c.cost - least;
                let told = self.explanation(best, &c.connection, cost, true);
                let _ = report.alternatives.push(told);
            }
        }
    }

    /// What the picture as connected looks like.
    fn describe(&self, report: &mut HookupReport, present: &Candidate) {
        let a = &present.agreement;
        let n = self.input.wiring.phases();
        let back = |phi: f64| libm::fabs(wrap(phi)) > 90.0;
        if a.coherent() {
            let phi_deg = wrap(a.centre_deg);
            if back(phi_deg) {
                report.tell(Reason::FeedsBack { phi_deg });
            } else if phi_deg < -28.0 {
                report.tell(Reason::Leads { phi_deg });
            }
            return;
        }
        report.tell(Reason::AnglesDisagree { spread_deg: a.spread_deg });
        for (phase, load) in report.as_connected.phases.iter().enumerate().take(n) {
            if pick(&present.judged, phase)
                && let (Some(dpf), Some(phi)) = (load.dpf(), load.phi_deg())
                && back(phi)
            {
                let _ = report.reasons.push(Reason::NegativePower { phase, dpf });
            }
        }
    }

    /// What a right connection shows, odd but true things included.
    fn praise(&self, report: &mut HookupReport, present: &Candidate) {
        let a = &present.agreement;
        let phi_deg = a.centre_deg;
        report.tell(Reason::AllPhasesAgree { phi_deg, spread_deg: a.spread_deg });
        if phi_deg > 70.0 {
            report.tell(Reason::LightMotor { phi_deg });
        }
        let two_elements = matches!(self.input.wiring, Wiring::TwoSensor | Wiring::TwoSensorLine);
        let [u1, u2, u3] = self.voltages.phases;
        let [i1, _, i3] = self.channels.i;
        let element = |u: Complex, i: Complex| ((u - u2) * i.conj()).re;
        if two_elements && (element(u1, i1) < 0.0) != (element(u3, i3) < 0.0) {
            report.tell(Reason::OneElementNegative);
        }
    }

    /// A current that no load of the nameplate's motor has; whether that leaves a doubt.
    fn rated_current(&self, report: &mut HookupReport, present: &Candidate) -> bool {
        let Some((ratio, true)) = self.level(&present.turned).ratio else {
            return false;
        };
        let capacitors = matches!(
            self.input.load,
            LoadKind::Corrected | LoadKind::MayLead | LoadKind::Capacitor
        );
        let off = ratio > 1.5 || (ratio < 0.08 && !capacitors);
        if off {
            report.tell(Reason::CurrentAgainstNameplate { ratio });
        }
        off
    }

    /// Currents without neutral that do not add to zero even when mended; a motor has none.
    fn kirchhoff(&self, report: &mut HookupReport, best: &Candidate) -> bool {
        let wiring = self.input.wiring;
        let currents = phase_currents(wiring, &self.channels.i, &best.turned);
        let no_neutral = wiring.is_three_wire()
            || (wiring == Wiring::FourWire && self.input.load == LoadKind::Motor);
        let all = self.channels.i_judged == [true; 3] && no_neutral;
        match sum_share(&currents).filter(|s| all && *s > SUM_LIMIT) {
            Some(share) => {
                report.tell(Reason::CurrentsDoNotAdd { share });
                true
            }
            None => false,
        }
    }
}
