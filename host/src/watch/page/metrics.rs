//! Counters and last readings as Prometheus text (exposition format in OpenMetrics' dialect).

use super::words::totals;
use crate::watch::state::{Link, StationState};
use prometheus_client::encoding::EncodeLabelSet;
use prometheus_client::encoding::text::encode;
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::registry::{Registry, Unit};
use std::sync::atomic::AtomicU64;

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Whose {
    node: String,
    feeder: String,
}

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct PhaseOf {
    node: String,
    feeder: String,
    phase: String,
}

type Real = Gauge<f64, AtomicU64>;

/// All counters and readings as text.
pub fn text(stations: &[StationState]) -> Result<String, std::fmt::Error> {
    let mut registry = Registry::with_prefix("wattless");
    let mut real = |name: &str, help: &str, unit: Option<&str>| {
        let family: Family<Whose, Real> = Family::default();
        match unit {
            Some(u) => {
                registry.register_with_unit(name, help, Unit::Other(u.to_owned()), family.clone());
            }
            None => registry.register(name, help, family.clone()),
        }
        family
    };
    let p = real("active_power", "Total active power of the newest window", Some("watts"));
    let q = real("reactive_power", "Total reactive power of the fundamental", Some("vars"));
    let s = real("apparent_power", "Sum of the phases' apparent power", Some("voltamperes"));
    let pf = real("power_factor", "Active over apparent power; absent without load", None);
    let f = real("frequency", "Frequency", Some("hertz"));
    let up = real("link_up", "Whether the node answers", None);
    let standing = real("alarms_standing", "Alarms that stand", None);
    let clock = real("clock_offset", "Node's clock minus this computer's", Some("seconds"));
    let newest = real("newest_record", "End of the newest record, Unix time", Some("seconds"));
    let volts: Family<PhaseOf, Real> = Family::default();
    let amps: Family<PhaseOf, Real> = Family::default();
    registry.register_with_unit(
        "voltage",
        "RMS voltage of a phase",
        Unit::Other("volts".into()),
        volts.clone(),
    );
    registry.register_with_unit(
        "current",
        "RMS current of a phase",
        Unit::Other("amperes".into()),
        amps.clone(),
    );
    let mut count = |name: &str, help: &str| {
        let family: Family<Whose, Counter> = Family::default();
        registry.register(name, help, family.clone());
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
        let whose = Whose { node: node.clone(), feeder: st.feeder.clone() };
        up.get_or_create(&whose).set(f64::from(u8::from(st.link == Link::Up)));
        standing.get_or_create(&whose).set(st.standing.len() as f64);
        if let Some(ms) = st.clock_offset_ms {
            clock.get_or_create(&whose).set(ms as f64 / 1e3);
        }
        if let Some(ms) = st.newest_record_ms {
            newest.get_or_create(&whose).set(ms as f64 / 1e3);
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
        let Some(live) = &st.live else { continue };
        let (p_w, q_var, s_va) = totals(live);
        p.get_or_create(&whose).set(p_w);
        q.get_or_create(&whose).set(q_var);
        s.get_or_create(&whose).set(s_va);
        if live.phases.iter().any(|p| p.loaded) && s_va > 0.0 {
            pf.get_or_create(&whose).set(p_w / s_va);
        }
        if let Some(hz) = live.frequency_hz {
            f.get_or_create(&whose).set(f64::from(hz));
        }
        for (k, phase) in live.phases.iter().take(live.wiring.phases()).enumerate() {
            let of = PhaseOf {
                node: node.clone(),
                feeder: st.feeder.clone(),
                phase: format!("L{}", k + 1),
            };
            volts.get_or_create(&of).set(f64::from(phase.v_rms_v));
            amps.get_or_create(&of).set(f64::from(phase.i_rms_a));
        }
    }
    let mut out = String::new();
    encode(&mut out, &registry)?;
    Ok(out)
}
