//! Harmonics of the records: each order typical and high, voltages against the limits of EN 50160.

use super::Material;
use super::model::{Block, Section, Table};
use crate::analyse::size::harmonics::{THD_LIMIT_PCT, VOLTAGE_LIMIT_PCT};
use crate::present::chart::bars::{Order, SpectrumChart};
use crate::present::number::NONE;
use wattless_core::record::{ORDERS, Record};

/// Share of the records that may lie above the high value.
const HIGH: f64 = 0.95;

/// A value over the records: median and the one that 5 % exceed, as ratios to the fundamental.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Typical {
    /// Exceeded by half of the records.
    pub median: f64,
    /// Exceeded by one in twenty.
    pub high: f64,
}

/// Harmonics over records under load.
#[derive(Clone, Debug, PartialEq)]
pub struct HarmonicsSeen {
    /// Records with harmonics under load.
    pub records: usize,
    /// Voltage of each order of the record.
    pub v: [Option<Typical>; ORDERS.len()],
    /// Current of each order.
    pub i: [Option<Typical>; ORDERS.len()],
    /// Total distortion of the worst phase's voltage.
    pub v_thd: Option<Typical>,
    /// Total distortion of the worst phase's current.
    pub i_thd: Option<Typical>,
}

/// Collects harmonics of records.
#[derive(Default)]
pub(super) struct Collector {
    most_a: f32,
    rows: Vec<(f32, [f32; 2 * ORDERS.len() + 2])>,
}

impl Collector {
    pub(super) fn add(&mut self, r: &Record) {
        let h = &r.harmonics;
        let worst =
            |x: &[f32; 3]| x.iter().copied().filter(|x| x.is_finite()).fold(f32::NAN, f32::max);
        let mut row = [f32::NAN; 2 * ORDERS.len() + 2];
        let values = h.v_orders.iter().chain(&h.i_orders).copied();
        let thd = [worst(&h.v_thd), worst(&h.i_thd)];
        row.iter_mut().zip(values.chain(thd)).for_each(|(to, from)| *to = from);
        let amperes = r.phases.iter().map(|p| p.i_rms_a).fold(0.0, f32::max);
        if row.iter().any(|x| x.is_finite()) {
            self.most_a = self.most_a.max(amperes);
            self.rows.push((amperes, row));
        }
    }

    /// `None` where no record holds harmonics.
    pub(super) fn finish(self) -> Option<HarmonicsSeen> {
        // Ratios of next to no current mean nothing.
        let floor = self.most_a * 0.1;
        let loaded: Vec<&[f32; 2 * ORDERS.len() + 2]> =
            self.rows.iter().filter(|(a, _)| *a >= floor).map(|(_, row)| row).collect();
        let typical = |k: usize| {
            let mut x: Vec<f32> =
                loaded.iter().filter_map(|r| r.get(k).copied()).filter(|x| x.is_finite()).collect();
            x.sort_unstable_by(f32::total_cmp);
            let at = |share: f64| {
                let place = share * x.len().saturating_sub(1) as f64;
                x.get(libm::round(place) as usize).map(|x| f64::from(*x))
            };
            Some(Typical { median: at(0.5)?, high: at(HIGH)? })
        };
        let n = ORDERS.len();
        (!loaded.is_empty()).then(|| HarmonicsSeen {
            records: loaded.len(),
            v: std::array::from_fn(typical),
            i: std::array::from_fn(|k| typical(n + k)),
            v_thd: typical(2 * n),
            i_thd: typical(2 * n + 1),
        })
    }
}

/// The section; none where no record holds harmonics.
pub(super) fn section(m: &Material<'_>) -> Option<Section> {
    let seen = m.harmonics.as_ref()?;
    let mut out = Section::new("harmonics", "Harmonics");
    out.text(format!(
        "From {} records under load. \u{201c}Typical\u{201d} is exceeded half of the time, \
         \u{201c}high\u{201d} one time in twenty; percent of the fundamental, root mean square of the \
         phases, total distortion of the worst phase.",
        crate::present::number::grouped(seen.records as f64)
    ));
    let chart = |values: &[Option<Typical>; ORDERS.len()], limits: bool, what: &str| {
        let orders: Vec<Order> = ORDERS
            .iter()
            .zip(values)
            .zip(VOLTAGE_LIMIT_PCT)
            .filter_map(|((order, t), limit)| {
                let t = (*t)?;
                Some(Order {
                    order: *order,
                    value: t.median * 100.0,
                    highest: t.high * 100.0,
                    limit: limits.then_some(limit),
                })
            })
            .collect();
        let told = orders
            .iter()
            .map(|o| {
                format!("order {} typically {:.2} %, high {:.2} %", o.order, o.value, o.highest)
            })
            .collect::<Vec<_>>()
            .join("; ");
        SpectrumChart {
            unit: format!("{what}, % of the fundamental"),
            orders,
            legend: if limits {
                "order   bar: typical   stroke upward: high   stroke across: limit".into()
            } else {
                "order   bar: typical   stroke upward: high".into()
            },
            told: format!("{what}: {told}."),
        }
    };
    out.figure(
        "Harmonics of the current",
        "What the loads draw.",
        190.0,
        chart(&seen.i, false, "current"),
    );
    out.figure(
        "Harmonics of the voltage",
        "Limits of EN 50160 for a public low-voltage supply (from memory): they show scale; other \
         limits may hold here.",
        190.0,
        chart(&seen.v, true, "voltage"),
    );
    let cell = |t: Option<Typical>, high: bool| {
        t.map_or_else(
            || NONE.to_owned(),
            |t| format!("{:.2}", if high { t.high } else { t.median } * 100.0),
        )
    };
    let mut rows: Vec<Vec<String>> = ORDERS
        .iter()
        .enumerate()
        .map(|(k, order)| {
            let (i, v) = (seen.i[k], seen.v[k]);
            vec![
                order.to_string(),
                cell(i, false),
                cell(i, true),
                cell(v, false),
                cell(v, true),
                format!("{:.1}", VOLTAGE_LIMIT_PCT[k]),
            ]
        })
        .collect();
    rows.push(vec![
        "all (THD)".into(),
        cell(seen.i_thd, false),
        cell(seen.i_thd, true),
        cell(seen.v_thd, false),
        cell(seen.v_thd, true),
        format!("{THD_LIMIT_PCT:.1}"),
    ]);
    out.add(Block::Table(Table {
        caption: "Percent of the fundamental".into(),
        head: ["order", "I typical", "I high", "V typical", "V high", "V limit"]
            .map(str::to_owned)
            .to_vec(),
        rows,
        ..Table::default()
    }));
    out.text(
        "Capacitors form a resonance with the transformer: near an order that is there they amplify \
         it. Each candidate is checked for that.",
    );
    Some(out)
}
