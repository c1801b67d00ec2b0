//! The connection check from the records: the phasors of the billed interval with the highest load.

use super::ConnectionCheck;
use crate::analyse::survey::Survey;
use crate::collect::store::{NodeId, Span, Store, StoreError};
use crate::site::Site;
use wattless_core::complex::Complex;
use wattless_core::hookup::{HookupInput, check};
use wattless_core::record::Record;
use wattless_core::wiring::Wiring;

/// Checks the connection by the records of the peak; `None` where they hold no phasors.
pub fn check_at_peak(
    store: &Store,
    node: NodeId,
    survey: &Survey,
    site: &Site,
) -> Result<Option<ConnectionCheck>, StoreError> {
    let Some(peak) = survey.demand.billed().and_then(|b| b.at_p_peak) else { return Ok(None) };
    let span = Span { from_ms: peak.start.utc_ms, to_ms: peak.end.utc_ms };
    let mut records = Vec::new();
    for record in store.read_span(node, span)? {
        records.push(record?.record);
    }
    let when = format!(
        "from {} to {} on {}, the interval of the highest load",
        peak.start.clock_words(),
        peak.end.clock_words(),
        peak.start.day_words()
    );
    Ok(check_records(&records, when, site))
}

/// Checks the mean phasors of records of one wiring.
fn check_records(records: &[Record], when: String, site: &Site) -> Option<ConnectionCheck> {
    let wiring = records.first()?.wiring;
    let mut phasors = [Complex::default(); 6];
    let (mut weight, mut hz) = (0.0, (0.0, 0.0));
    for r in records.iter().filter(|r| r.wiring == wiring) {
        let s = r.duration_s();
        for (sum, [re, im]) in phasors.iter_mut().zip(r.channels) {
            sum.re += f64::from(re) * s;
            sum.im += f64::from(im) * s;
        }
        weight += s;
        if let Some(f) = r.frequency_hz() {
            hz = (hz.0 + f * s, hz.1 + s);
        }
    }
    if weight <= 0.0 || !phasors.iter().all(|x| x.abs().is_finite()) {
        return None;
    }
    for x in &mut phasors {
        *x = Complex::new(x.re / weight, x.im / weight);
    }
    if phasors.iter().all(|x| x.abs() <= 0.0) {
        return None;
    }
    let mut input = HookupInput::new(wiring, phasors, (hz.1 > 0.0).then(|| hz.0 / hz.1));
    input.expected_v = site.supply.phase_voltage_v().filter(|_| wiring == Wiring::FourWire);
    let phases = match wiring {
        Wiring::SinglePhase => 1,
        Wiring::SplitPhase => 2,
        _ => 3,
    };
    Some(ConnectionCheck { when, phasors, phases, report: check(&input) })
}
