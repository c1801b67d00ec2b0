//! What lies between the feeder and the counts, as a scenario file says it.

use serde::Deserialize;

/// `[node.front_end]`: filters and sample clock.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct FrontEnd {
    /// Oversampling of the converter's sinc³ filter, a power of two from 16 to 16384; 0 for none.
    pub sinc3_osr: u16,
    /// Time constant of the input filters in ns, 0 to 1 000 000: 10 000 for 1 kΩ and 10 nF.
    pub rc_ns: u32,
    /// How much faster the sample clock runs than it says, −1000 to 1000 ppm.
    pub clock_error_ppm: f64,
    /// Whether the node's settings hold these filters and the sensors' table; true when not given.
    pub corrected: bool,
}

impl Default for FrontEnd {
    fn default() -> Self {
        FrontEnd { sinc3_osr: 0, rc_ns: 0, clock_error_ppm: 0.0, corrected: true }
    }
}

/// `[node.sensors]`: the current sensors, all of one kind.
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct CurrentSensors {
    /// `"transformer"` or `"rogowski"`; a coil gives the range at nominal frequency.
    pub kind: CoilOrTransformer,
    /// Rated current in A, 0.1 to 100 000, which the table refers to.
    pub rated_a: Option<f64>,
    /// Errors over current, rising loads, at most six rows.
    pub table: Vec<SensorRow>,
}

/// Kind of current sensor.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CoilOrTransformer {
    /// Output in proportion to the current.
    #[default]
    Transformer,
    /// Output in proportion to its rate of change.
    Rogowski,
}

/// Errors of a sensor at a share of rated current.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SensorRow {
    /// Percent of rated current, 0.1 to 6000.
    pub load_pct: f64,
    /// Ratio error in percent, positive when the output is too large, −20 to 20.
    pub ratio_pct: f64,
    /// Output ahead of the current at the fundamental, in minutes, −600 to 600.
    pub lead_min: f64,
}
