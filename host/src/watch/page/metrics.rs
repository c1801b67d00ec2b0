//! Counters and last readings as Prometheus text (exposition format in OpenMetrics' dialect).
//!
//! Names end in their unit, base units without prefix, counters in `_total`, ratios from 0 to 1
//! (Prometheus documentation, "Metric and label naming"). What is not known is left out.

use super::words::totals;
use crate::watch::state::{Link, StandingProof, StationState};
use prometheus_client::encoding::EncodeLabelSet;
use prometheus_client::encoding::text::encode;
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::registry::{Registry, Unit};
use std::sync::atomic::AtomicU64;
use wattless_core::wire::Live;

/// Labels of a node.
#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Whose {
    node: String,
    feeder: String,
}

/// Labels of a part of what is measured at a node: a phase, a direction, a kind.
macro_rules! part {
    ($name:ident, $label:ident) => {
        #[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
        struct $name {
            node: String,
            feeder: String,
            $label: String,
        }

        impl $name {
            fn new(whose: &Whose, part: impl Into<String>) -> Self {
                let Whose { node, feeder } = whose.clone();
                $name { node, feeder, $label: part.into() }
            }
        }
    };
}

part!(PhaseOf, phase);
part!(Direction, direction);
part!(Quadrant, quadrant);
part!(KindOf, kind);
part!(WeekOf, week);
part!(CurrencyOf, currency);

type Real<L> = Family<L, Gauge<f64, AtomicU64>>;
type Energy<L> = Family<L, Counter<f64, AtomicU64>>;

fn real<L>(r: &mut Registry, name: &str, help: &str, unit: &str) -> Real<L>
where
    L: Clone + std::hash::Hash + Eq + EncodeLabelSet + std::fmt::Debug + Send + Sync + 'static,
{
    let family: Real<L> = Family::default();
    match unit {
        "" => r.register(name, help, family.clone()),
        unit => r.register_with_unit(name, help, Unit::Other(unit.to_owned()), family.clone()),
    }
    family
}

fn energy<L>(r: &mut Registry, name: &str, help: &str, unit: &str) -> Energy<L>
where
    L: Clone + std::hash::Hash + Eq + EncodeLabelSet + std::fmt::Debug + Send + Sync + 'static,
{
    let family: Energy<L> = Family::default();
    r.register_with_unit(name, help, Unit::Other(unit.to_owned()), family.clone());
    family
}

/// What a window holds.
struct OfWindow {
    p: Real<Whose>,
    q: Real<Whose>,
    s: Real<Whose>,
    pf: Real<Whose>,
    f: Real<Whose>,
    volts: Real<PhaseOf>,
    amps: Real<PhaseOf>,
    phase_p: Real<PhaseOf>,
    phase_q: Real<PhaseOf>,
    active: Energy<Direction>,
    reactive: Energy<Quadrant>,
}

impl OfWindow {
    fn new(r: &mut Registry) -> OfWindow {
        OfWindow {
            p: real(r, "active_power", "Total active power of the newest window", "watts"),
            q: real(r, "reactive_power", "Total reactive power of the fundamental", "vars"),
            s: real(r, "apparent_power", "Sum of the phases' apparent power", "voltamperes"),
            pf: real(r, "power_factor", "Active over apparent power; absent without load", "ratio"),
            f: real(r, "frequency", "Frequency of the fundamental", "hertz"),
            volts: real(r, "voltage", "RMS voltage of a phase", "volts"),
            amps: real(r, "current", "RMS current of a phase", "amperes"),
            phase_p: real(r, "phase_active_power", "Active power of a phase", "watts"),
            phase_q: real(r, "phase_reactive_power", "Reactive power of a phase", "vars"),
            active: energy(r, "active_energy", "The node's counter of active energy", "joules"),
            reactive: energy(
                r,
                "reactive_energy",
                "The node's counter of reactive energy by quadrant of P and Q1",
                "varseconds",
            ),
        }
    }

    fn take(&self, whose: &Whose, live: &Live) {
        let (p_w, q_var, s_va) = totals(live);
        self.p.get_or_create(whose).set(p_w);
        self.q.get_or_create(whose).set(q_var);
        self.s.get_or_create(whose).set(s_va);
        if live.phases.iter().any(|p| p.loaded) && s_va > 0.0 {
            self.pf.get_or_create(whose).set(p_w / s_va);
        }
        if let Some(hz) = live.frequency_hz {
            self.f.get_or_create(whose).set(f64::from(hz));
        }
        for (k, phase) in live.phases.iter().take(live.wiring.phases()).enumerate() {
            let of = PhaseOf::new(whose, format!("L{}", k + 1));
            self.volts.get_or_create(&of).set(f64::from(phase.v_rms_v));
            self.amps.get_or_create(&of).set(f64::from(phase.i_rms_a));
            self.phase_p.get_or_create(&of).set(f64::from(phase.p_w));
            self.phase_q.get_or_create(&of).set(f64::from(phase.q1_var));
        }
        // Counters are in hundredths of a watt-hour, 36 joules.
        let [taken, given, quadrants @ .., _] = live.energy_counts.map(|c| c as f64 * 36.0);
        for (direction, joules) in [("in", taken), ("out", given)] {
            self.active.get_or_create(&Direction::new(whose, direction)).inc_by(joules);
        }
        for (name, joules) in ["1", "2", "3", "4"].into_iter().zip(quadrants) {
            self.reactive.get_or_create(&Quadrant::new(whose, name)).inc_by(joules);
        }
    }
}

/// What the standing proof of a correction holds.
struct OfProof {
    removed: Real<WeekOf>,
    expected: Real<WeekOf>,
    change: Real<Whose>,
    saved: Real<CurrencyOf>,
}

impl OfProof {
    fn new(r: &mut Registry) -> OfProof {
        let removed = "Reactive power that a correction removes at like load, by week";
        let expected = "What the installed units give at the week's voltage";
        let change = "What this week removes more at like load than the week of the proof";
        OfProof {
            removed: real(r, "correction_removed", removed, "vars"),
            expected: real(r, "correction_expected", expected, "vars"),
            change: real(r, "correction_change", change, "vars"),
            saved: real(r, "correction_saved", "Money saved by the tariff so far", ""),
        }
    }

    fn take(&self, whose: &Whose, proof: &StandingProof) {
        for (name, week) in [("proof", &proof.proof), ("this", &proof.week)] {
            let Some(week) = week else { continue };
            let of = WeekOf::new(whose, name);
            self.removed.get_or_create(&of).set(week.removed_var);
            if let Some(expected) = week.expected_var {
                self.expected.get_or_create(&of).set(expected);
            }
        }
        if let Some(change) = proof.change_var {
            self.change.get_or_create(whose).set(change);
        }
        if let Some(saved) = &proof.saved {
            self.saved.get_or_create(&CurrencyOf::new(whose, &saved.currency)).set(saved.money);
        }
    }
}

/// All counters and readings as text.
pub fn text(stations: &[StationState]) -> Result<String, std::fmt::Error> {
    let mut registry = Registry::with_prefix("wattless");
    let r = &mut registry;
    let window = OfWindow::new(r);
    let of_proof = OfProof::new(r);
    let so_far: Real<Whose> =
        real(r, "demand_so_far", "Demand of the running interval if all stopped now", "watts");
    let heading: Real<Whose> =
        real(r, "demand_heading", "Demand that the running interval is heading for", "watts");
    let v_thd: Real<PhaseOf> =
        real(r, "voltage_distortion", "THD of a voltage in the newest record", "ratio");
    let i_thd: Real<PhaseOf> =
        real(r, "current_distortion", "THD of a current in the newest record", "ratio");
    let up: Real<Whose> = real(r, "link_up", "Whether the node answers", "");
    let standing: Real<Whose> = real(r, "alarms_standing", "How many alarms stand", "");
    let kinds: Real<KindOf> = real(r, "alarm_standing", "Alarms of a kind that stand", "");
    let clock: Real<Whose> =
        real(r, "clock_offset", "Node's clock minus this computer's", "seconds");
    let newest: Real<Whose> =
        real(r, "newest_record_timestamp", "End of the newest record, Unix time", "seconds");
    let mut count = |name: &str, help: &str| {
        let family: Family<Whose, Counter> = Family::default();
        r.register(name, help, family.clone());
        family
    };
    let pulls = count("pulls", "Pulls that ended well");
    let failed = count("failed_pulls", "Pulls that did not");
    let records = count("records", "Records stored");
    let lost = count("lost_records", "Records overwritten on the node before they were pulled");
    let readings = count("readings", "Live readings received");
    let links = count("links_opened", "Times that the link was opened");
    let raised = count("alarms_raised", "Alarms raised");
    for st in stations {
        let node = if st.node_id.is_empty() { st.address.clone() } else { st.node_id.clone() };
        let whose = Whose { node, feeder: st.feeder.clone() };
        up.get_or_create(&whose).set(f64::from(u8::from(st.link == Link::Up)));
        standing.get_or_create(&whose).set(st.standing.len() as f64);
        for alarm in &st.standing {
            kinds.get_or_create(&KindOf::new(&whose, alarm.kind.word())).inc();
        }
        if let Some(ms) = st.clock_offset_ms {
            clock.get_or_create(&whose).set(ms as f64 / 1e3);
        }
        if let Some(ms) = st.newest_record_ms {
            newest.get_or_create(&whose).set(ms as f64 / 1e3);
        }
        if let Some(running) = &st.running {
            so_far.get_or_create(&whose).set(running.so_far_w);
            if let Some((p_w, _)) = running.heading {
                heading.get_or_create(&whose).set(p_w);
            }
        }
        if let Some(record) = &st.newest {
            let h = &record.harmonics;
            for (k, (v, i)) in h.v_thd.iter().zip(&h.i_thd).enumerate() {
                let of = PhaseOf::new(&whose, format!("L{}", k + 1));
                for (family, ratio) in [(&v_thd, v), (&i_thd, i)] {
                    if ratio.is_finite() {
                        family.get_or_create(&of).set(f64::from(*ratio));
                    }
                }
            }
        }
        let c = &st.counters;
        for (family, value) in [
            (&pulls, c.pulls),
            (&failed, c.failed_pulls),
            (&records, c.records),
            (&lost, c.lost_records),
            (&readings, c.readings),
            (&links, c.links_opened),
            (&raised, c.alarms_raised),
        ] {
            family.get_or_create(&whose).inc_by(value);
        }
        if let Some(live) = &st.live {
            window.take(&whose, live);
        }
        if let Some(proof) = &st.proof {
            of_proof.take(&whose, proof);
        }
    }
    let mut out = String::new();
    encode(&mut out, &registry)?;
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::watch::state::{Removed, Saved};

    fn value(text: &str, sample: &str) -> Option<f64> {
        let line =
            text.lines().find(|l| l.strip_prefix(sample).is_some_and(|r| r.starts_with(' ')))?;
        line.rsplit(' ').next()?.parse().ok()
    }

    /// Base units (var, not kvar), one sample a week and currency; what is not known is left out.
    #[test]
    fn the_standing_proof_is_there_with_its_values() {
        let week = |removed_var: f64, expected_var: Option<f64>| {
            Some(Removed { removed_var, uncertainty_var: 900.0, expected_var })
        };
        let mut s = StationState {
            node_id: "5a17".to_owned(),
            feeder: "Sawmill \"main\"\n".to_owned(),
            proof: Some(StandingProof {
                proof: week(49_000.0, Some(50_500.0)),
                week: week(33_000.0, None),
                change_var: Some(-16_000.0),
                saved: Some(Saved {
                    money: 1234.5,
                    currency: "EUR".to_owned(),
                    from_ms: 0,
                    to_ms: 1,
                    covered_share: 1.0,
                }),
                ..StandingProof::default()
            }),
            ..StationState::default()
        };
        let all = text(std::slice::from_ref(&s)).unwrap();
        let whose = r#"node="5a17",feeder="Sawmill \"main\"\n""#;
        let of = |name: &str, more: &str| value(&all, &format!("wattless_{name}{{{whose}{more}}}"));
        assert_eq!(of("correction_removed_vars", r#",week="proof""#), Some(49_000.0), "{all}");
        assert_eq!(of("correction_removed_vars", r#",week="this""#), Some(33_000.0));
        assert_eq!(of("correction_expected_vars", r#",week="proof""#), Some(50_500.0));
        assert_eq!(of("correction_expected_vars", r#",week="this""#), None);
        assert_eq!(of("correction_change_vars", ""), Some(-16_000.0));
        assert_eq!(of("correction_saved", r#",currency="EUR""#), Some(1234.5));
        assert!(all.contains("# TYPE wattless_correction_removed_vars gauge\n"));
        assert!(all.contains("# UNIT wattless_correction_removed_vars vars\n"));
        assert!(all.ends_with("# EOF\n"));
        s.proof = None;
        let none = text(&[s]).unwrap();
        assert!(!none.lines().any(|l| l.starts_with("wattless_correction")), "{none}");
    }
}
