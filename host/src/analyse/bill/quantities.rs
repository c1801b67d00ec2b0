//! What is billed in a month, before any price: energies, demands, power factors.
//!
//! kW, kWh and so on, as bills have them. Not-a-number stands for "not known"; it makes the
//! lines that need it unknown as well.

use super::months::MonthFrame;
use crate::analyse::tariff::calendar::SlotMask;

/// What is billed in a month, and what it would be without reactive power.
#[derive(Clone, Debug, PartialEq)]
pub struct MonthQuantities {
    /// The month.
    pub frame: MonthFrame,
    /// As it was.
    pub figures: Figures,
    /// With the same kW and no reactive power.
    pub at_unity: Figures,
}

/// Figures of a month.
#[derive(Clone, Debug, PartialEq)]
pub struct Figures {
    /// By slot: pairs of season and period, see [`crate::analyse::tariff::calendar`].
    pub slots: Vec<SlotFigures>,
    /// Of the whole month. Sums and highest values of the slots, where those are known.
    pub total: SlotFigures,
    /// Power factors.
    pub power_factor: PowerFactors,
    /// Sums over intervals of kvarh beyond a share, one entry a charge, in kvarh; 0 for charges
    /// that do not ask for it.
    pub interval_excess_kvarh: Vec<f64>,
}

/// Figures of a season and period within a month, or of the month.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SlotFigures {
    /// Share of the month's time that the slot has, 0 to 1.
    pub time_share: f64,
    /// Active energy taken, in kWh.
    pub p_in_kwh: f64,
    /// Active energy given back, in kWh.
    pub p_out_kwh: f64,
    /// Lagging reactive energy, in kvarh.
    pub q_lag_kvarh: f64,
    /// Leading reactive energy, in kvarh.
    pub q_lead_kvarh: f64,
    /// Apparent energy of the tariff's definition, in kVAh; the sum over demand intervals.
    pub s_kvah: f64,
    /// The interval of the highest active power.
    pub p_peak: Peak,
    /// The interval of the highest lagging reactive power.
    pub q_peak: Peak,
    /// The interval of the highest apparent power.
    pub s_peak: Peak,
}

/// A demand interval that stands out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Peak {
    /// Start of the interval, Unix milliseconds; `None` for past bills and where there is none.
    pub start_ms: Option<i64>,
    /// Mean active power, in kW.
    pub p_kw: f64,
    /// Mean reactive power, lagging positive, in kvar.
    pub q_kvar: f64,
    /// Apparent power, in kVA.
    pub s_kva: f64,
}

/// Power factors of a month, before rounding. Those of the tariff's periods that count.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PowerFactors {
    /// From energies.
    pub average: Option<f64>,
    /// In the interval of the highest kW.
    pub at_p_peak: Option<f64>,
    /// In the interval of the highest kVA.
    pub at_s_peak: Option<f64>,
    /// The lowest interval that counts; computed only where the tariff asks for it.
    pub lowest: Option<f64>,
    /// Start of that interval, Unix milliseconds.
    pub lowest_ms: Option<i64>,
}

impl Peak {
    /// No interval at all: nothing was drawn.
    pub const NONE: Peak = Peak { start_ms: None, p_kw: 0.0, q_kvar: 0.0, s_kva: 0.0 };
    /// Not known.
    pub const UNKNOWN: Peak =
        Peak { start_ms: None, p_kw: f64::NAN, q_kvar: f64::NAN, s_kva: f64::NAN };
}

impl SlotFigures {
    /// Nothing at all.
    pub const ZERO: SlotFigures = SlotFigures {
        time_share: 0.0,
        p_in_kwh: 0.0,
        p_out_kwh: 0.0,
        q_lag_kvarh: 0.0,
        q_lead_kvarh: 0.0,
        s_kvah: 0.0,
        p_peak: Peak::NONE,
        q_peak: Peak::NONE,
        s_peak: Peak::NONE,
    };

    /// Not known, for a share of the month's time.
    pub fn unknown(time_share: f64) -> SlotFigures {
        let nan = f64::NAN;
        SlotFigures {
            time_share,
            p_in_kwh: nan,
            p_out_kwh: nan,
            q_lag_kvarh: nan,
            q_lead_kvarh: nan,
            s_kvah: nan,
            p_peak: Peak::UNKNOWN,
            q_peak: Peak::UNKNOWN,
            s_peak: Peak::UNKNOWN,
        }
    }

    /// Adds another slot: energies add, of peaks the higher stays.
    pub fn join(&mut self, o: &SlotFigures) {
        self.time_share += o.time_share;
        self.p_in_kwh += o.p_in_kwh;
        self.p_out_kwh += o.p_out_kwh;
        self.q_lag_kvarh += o.q_lag_kvarh;
        self.q_lead_kvarh += o.q_lead_kvarh;
        self.s_kvah += o.s_kvah;
        let higher = |a: &mut Peak, b: &Peak, of: fn(&Peak) -> f64| {
            // An unknown peak makes the highest one unknown.
            if of(b) > of(a) || (of(b).is_nan() && !of(a).is_nan()) {
                *a = *b;
            }
        };
        higher(&mut self.p_peak, &o.p_peak, |p| p.p_kw);
        higher(&mut self.q_peak, &o.q_peak, |p| p.q_kvar);
        higher(&mut self.s_peak, &o.s_peak, |p| p.s_kva);
    }
}

impl Figures {
    /// The figures of some seasons and periods together.
    pub fn of(&self, mask: SlotMask, whole: bool) -> SlotFigures {
        if whole {
            return self.total;
        }
        let mut sum = SlotFigures::ZERO;
        let chosen = self.slots.iter().enumerate().filter(|(k, _)| mask.has(*k));
        for (_, s) in chosen.filter(|(_, s)| s.time_share > 0.0) {
            sum.join(s);
        }
        sum
    }
}
