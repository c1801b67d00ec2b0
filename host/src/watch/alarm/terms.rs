//! Limits of the alarms, from the site file; the defaults are given with their sources.

use serde::{Deserialize, Serialize};

/// Limits and times of the alarms; everything may be left out.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct AlarmTerms {
    /// Share of the usual peak kW from which a power factor counts (common practice).
    pub counts_from_share: f64,
    /// Demand intervals in a row with a bad, or a good, power factor that raise or clear.
    pub power_factor_intervals: u32,
    /// Limit of the demand of an interval in kW; none: not watched.
    pub demand_limit_kw: Option<f64>,
    /// Limit of the demand of an interval in kVA; none: not watched.
    pub demand_limit_kva: Option<f64>,
    /// Output of each capacitor unit at nominal voltage, in kvar; left out: the site's `installed`.
    pub units_kvar: Vec<f64>,
    /// Whether a controller switches the units of `units_kvar`.
    pub switched: bool,
    /// Fall of the correction, as a share of what is installed, that counts as slow loss.
    pub slow_loss_share: f64,
    /// kvar leading at idle, as a share of the usual peak kVA, that raise.
    pub idle_leading_share: f64,
    /// Negative over positive sequence voltage in percent (EN 50160: 2 %; from memory).
    pub voltage_unbalance_pct: f64,
    /// Deviation of the voltage from nominal in percent (EN 50160: 10 %; from memory).
    pub voltage_band_pct: f64,
    /// Largest deviation of a current from the mean of the phases in percent (common practice).
    pub current_unbalance_pct: f64,
    /// Rated current of what the feeder carries, in A; none: not watched.
    pub rated_a: Option<f64>,
    /// Overload in percent of the rated current.
    pub overload_pct: f64,
    /// Share of the usual peak kW by which the feeder should not exceed, out of hours, what always
    /// runs.
    pub out_of_hours_share: f64,
    /// Whether running out of hours raises an alarm; left out: where the site states its hours.
    pub out_of_hours: Option<bool>,
    /// Clock of the node off by this, in seconds.
    pub clock_s: f64,
    /// Seconds that a condition of supply or load must hold.
    pub hold_s: f64,
    /// Seconds that it must be well again.
    pub rest_s: f64,
    /// Seconds without an answer that raise.
    pub silent_s: f64,
}

impl Default for AlarmTerms {
    fn default() -> Self {
        AlarmTerms {
            counts_from_share: 0.25,
            power_factor_intervals: 2,
            demand_limit_kw: None,
            demand_limit_kva: None,
            units_kvar: Vec::new(),
            switched: false,
            slow_loss_share: 0.15,
            idle_leading_share: 0.05,
            voltage_unbalance_pct: 2.0,
            voltage_band_pct: 10.0,
            current_unbalance_pct: 10.0,
            rated_a: None,
            overload_pct: 105.0,
            out_of_hours_share: 0.10,
            out_of_hours: None,
            clock_s: 10.0,
            hold_s: 600.0,
            rest_s: 600.0,
            silent_s: 900.0,
        }
    }
}

impl AlarmTerms {
    /// The first entry that makes no sense, with what to do.
    pub fn fault(&self) -> Option<(&'static str, &'static str)> {
        const SHARE: &str = "give a share from 0 to 1";
        const PART: &str = "give a share above 0, up to 1";
        const PERCENT: &str = "give percent above 0 and below 50";
        const SECONDS: &str = "give seconds above 0, up to a day";
        let share = |x: f64| x.is_finite() && (0.0..=1.0).contains(&x);
        let part = |x: f64| share(x) && x > 0.0;
        let positive = |x: f64| x.is_finite() && x > 0.0;
        let percent = |x: f64| x > 0.0 && x < 50.0;
        let seconds = |x: f64| x > 0.0 && x <= 86_400.0;
        let intervals = (1..=96).contains(&self.power_factor_intervals);
        let all = [
            ("counts_from_share", share(self.counts_from_share), SHARE),
            ("power_factor_intervals", intervals, "give 1 to 96"),
            ("demand_limit_kw", self.demand_limit_kw.is_none_or(positive), "give kW above 0"),
            ("demand_limit_kva", self.demand_limit_kva.is_none_or(positive), "give kVA above 0"),
            ("units_kvar", self.units_kvar.iter().all(|k| positive(*k)), "give kvar above 0"),
            (
                "switched",
                !self.switched || !self.units_kvar.is_empty(),
                "give units_kvar as well; a bank under [[installed]] says control = \"automatic\"",
            ),
            ("slow_loss_share", part(self.slow_loss_share), PART),
            ("idle_leading_share", part(self.idle_leading_share), PART),
            ("voltage_unbalance_pct", percent(self.voltage_unbalance_pct), PERCENT),
            ("voltage_band_pct", percent(self.voltage_band_pct), PERCENT),
            (
                "current_unbalance_pct",
                // Two currents without the third are 100 % off their mean.
                self.current_unbalance_pct > 0.0 && self.current_unbalance_pct <= 200.0,
                "give percent above 0, up to 200",
            ),
            (
                "rated_a",
                self.rated_a.is_none_or(|a| (0.1..=100_000.0).contains(&a)),
                "give 0.1 to 100000 amperes",
            ),
            (
                "overload_pct",
                (50.0..=1000.0).contains(&self.overload_pct),
                "give 50 to 1000 percent",
            ),
            ("out_of_hours_share", part(self.out_of_hours_share), PART),
            ("clock_s", seconds(self.clock_s), SECONDS),
            ("hold_s", seconds(self.hold_s), SECONDS),
            ("rest_s", seconds(self.rest_s), SECONDS),
            (
                "silent_s",
                (1.0..=7.0 * 86_400.0).contains(&self.silent_s),
                "give 1 second to a week",
            ),
        ];
        all.into_iter().find(|(_, well, _)| !well).map(|(key, _, cure)| (key, cure))
    }
}
