//! Whether voltages have a size that is usual for what the leads are taken to read.
//!
//! Leads that all read between lines look like a good set of phases, 30° ahead, so that a
//! loaded motor passes for a light one. Only the size can tell, and only where it is usual
//! between lines and not to neutral: it is told, and decides nothing.

use super::voltages::VoltagePicture;
use super::{HookupInput, Reason};
use crate::sequence::Components;
use crate::wiring::Wiring;
use core::ops::Range;

/// RMS voltages in V that are common between lines (380 to 690 V nominal) and not to neutral,
/// where 347 V (of 600 V) is the highest common one. Common practice; 400 V to neutral of the
/// rarer 690 V supply is asked about, too.
const BETWEEN_LINES: Range<f64> = 365.0..760.0;
/// 208 V between lines of a 120 V supply; at 50 Hz a low 220 V to neutral is as likely.
const BETWEEN_LINES_60_HZ: Range<f64> = 202.0..214.0;
/// 277 V and 347 V, which are common to neutral and not between lines.
const TO_NEUTRAL: [Range<f64>; 2] = [262.0..292.0, 330.0..362.0];
/// Line voltages add to zero; more zero sequence than sensors make is of phases to neutral.
const SUM_SHARE: f64 = 0.02;

/// Asks about the size of the voltages where nobody said what they should be.
pub(super) fn unusual(input: &HookupInput, voltages: &VoltagePicture) -> Option<Reason> {
    if input.expected_v.is_some() {
        return None;
    }
    let [a, b, c] = voltages.phases;
    let parts = Components::of([a, b, c]);
    let star_v = parts.positive.abs().max(parts.negative.abs());
    let at_60_hz = input.frequency_hz.is_some_and(|f| f > 55.0);
    match input.wiring {
        Wiring::FourWire | Wiring::ThreeWire | Wiring::TwoSensor => {
            let lines = BETWEEN_LINES.contains(&star_v)
                || (at_60_hz && BETWEEN_LINES_60_HZ.contains(&star_v));
            (lines && parts.zero.abs() < SUM_SHARE * star_v)
                .then_some(Reason::SizeOfLineVoltage { v: star_v })
        }
        Wiring::ThreeWireLine => {
            let v = star_v * libm::sqrt(3.0);
            TO_NEUTRAL.iter().any(|r| r.contains(&v)).then_some(Reason::SizeOfPhaseVoltage { v })
        }
        _ => None,
    }
}
