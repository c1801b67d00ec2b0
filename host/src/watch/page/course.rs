//! The day and the week of the log: a picture of active and reactive power, and what it comes to.

use crate::analyse::survey::clock::LocalClock;
use crate::collect::log::IntervalLog;
use crate::present::chart::Ink;
use crate::present::chart::reduce::Sample;
use crate::present::chart::scene::Dash;
use crate::present::chart::time::{Level, TimeChart, Trace, both_widths};
use crate::present::locale::Locale;
use crate::present::number::percent;
use crate::site::Site;
use wattless_core::demand::{Demand, DemandMeter, Energy};

/// Gaps shorter than this many slots are not shaded.
const SHADE_FROM: i64 = 1;

/// What a stretch of the log comes to.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Sum {
    /// Active energy taken less given back, in Wh.
    pub p_wh: f64,
    /// Reactive energy of the fundamental, lagging less leading, in varh.
    pub q1_varh: f64,
    /// The highest whole demand interval that ends within the stretch: W and its end.
    pub peak: Option<(f64, i64)>,
    /// Share of the stretch that is recorded, from 0 to 1.
    pub recorded: f64,
}

impl Sum {
    /// kWh over kVAh of the energies; none without load.
    pub fn power_factor(&self) -> Option<f64> {
        let s = libm::sqrt(self.p_wh * self.p_wh + self.q1_varh * self.q1_varh);
        (s > 0.0).then(|| self.p_wh / s)
    }
}

/// A record that lies in a stretch: start, end, length in s, W, var.
fn within(
    log: &IntervalLog,
    (from_ms, to_ms): (i64, i64),
) -> impl Iterator<Item = (i64, i64, f64, f64, f64)> + '_ {
    (0..log.len()).filter_map(move |at| {
        let (end_ms, s) = (log.end_ms[at], log.duration_s(at));
        let (p, q) = (log.total_p_w(at), log.total_q1_var(at));
        let inside = end_ms > from_ms && end_ms <= to_ms && s > 0.0 && (p + q).is_finite();
        inside.then_some((end_ms - (s * 1000.0) as i64, end_ms, s, p, q))
    })
}

/// Sums a stretch up, by the demand rule of the site.
pub fn sum(log: &IntervalLog, site: &Site, span: (i64, i64)) -> Sum {
    let offset_s = jiff::Timestamp::from_millisecond(span.0)
        .map_or(0, |t| site.time_zone.to_offset(t).seconds());
    let rule = site.demand.billed();
    let mut meter = rule.map(|r| DemandMeter::new(r.by_clocks_ahead_s(offset_s)));
    let mut all = Sum::default();
    let mut seconds = 0.0;
    let mut last_ms = i64::MIN;
    for (start_ms, end_ms, s, p, q) in within(log, span) {
        let hours = s / 3600.0;
        all.p_wh += p * hours;
        all.q1_varh += q * hours;
        seconds += s;
        let mut see = |d: &Demand| {
            if d.is_complete() && all.peak.is_none_or(|(most, _)| d.p_w > most) {
                all.peak = Some((d.p_w, d.end_ms));
            }
        };
        if let Some(meter) = &mut meter {
            let energy = Energy { p_wh: p * hours, q1_varh: q * hours, s_vah: 0.0 };
            meter.add(start_ms.max(last_ms), end_ms, &energy, &mut see);
        }
        last_ms = last_ms.max(end_ms);
    }
    let length_s = (span.1 - span.0) as f64 / 1000.0;
    all.recorded = (seconds / length_s.max(1.0)).min(1.0);
    all
}

/// The sum in a sentence; `when` writes an instant.
pub fn sentence(sum: &Sum, l: &Locale, when: &dyn Fn(i64) -> String) -> String {
    let mut parts = Vec::new();
    if let Some((p_w, end_ms)) = sum.peak {
        let (kw, at) = (l.four_digits(p_w / 1e3), when(end_ms));
        parts.push(format!("highest demand {kw} kW, to {at}"));
    }
    parts.push(format!(
        "{} kWh, {} kvarh",
        l.number(sum.p_wh / 1e3, 0),
        l.number(sum.q1_varh / 1e3, 0)
    ));
    if let Some(pf) = sum.power_factor() {
        let side = if sum.q1_varh < 0.0 { "leading" } else { "lagging" };
        parts.push(format!("average power factor {} {side}", l.number(pf, 2)));
    }
    if sum.recorded < 0.995 {
        parts.push(format!("{} of the time recorded", l.localise(&percent(sum.recorded))));
    }
    let mut text = parts.join("; ");
    if let Some(first) = text.get_mut(..1) {
        first.make_ascii_uppercase();
    }
    text + "."
}

/// A slot of the picture: start, seconds, and sum, lowest and highest of kW and kvar.
struct Slot {
    start_ms: i64,
    seconds: f64,
    values: [[f64; 3]; 2],
}

fn slots(log: &IntervalLog, span: (i64, i64), slot_ms: i64) -> Vec<Slot> {
    let mut slots: Vec<Slot> = Vec::new();
    for (_, end_ms, s, p, q) in within(log, span) {
        let start_ms = (end_ms - 1).div_euclid(slot_ms) * slot_ms;
        if slots.last().is_none_or(|l| l.start_ms != start_ms) {
            let none = [0.0, f64::INFINITY, f64::NEG_INFINITY];
            slots.push(Slot { start_ms, seconds: 0.0, values: [none; 2] });
        }
        let Some(slot) = slots.last_mut() else { continue };
        slot.seconds += s;
        for (sum, x) in slot.values.iter_mut().zip([p / 1e3, q / 1e3]) {
            *sum = [sum[0] + x * s, sum[1].min(x), sum[2].max(x)];
        }
    }
    slots
}

/// Stretches without a record, at least a slot long.
fn gaps(log: &IntervalLog, span: (i64, i64), slot_ms: i64) -> Vec<(i64, i64)> {
    let mut gaps = Vec::new();
    let mut known_ms = span.0;
    for (start_ms, end_ms, ..) in within(log, span) {
        if start_ms - known_ms > SHADE_FROM * slot_ms {
            gaps.push((known_ms, start_ms));
        }
        known_ms = known_ms.max(end_ms);
    }
    if span.1 - known_ms > SHADE_FROM * slot_ms {
        gaps.push((known_ms, span.1));
    }
    gaps
}

/// What a picture of a stretch is called, how fine it is, and what else is on it.
#[derive(Clone, Copy, Debug)]
pub struct Frame<'a> {
    /// Name.
    pub name: &'a str,
    /// Beginning and end, Unix milliseconds.
    pub span: (i64, i64),
    /// Length of a point, in milliseconds.
    pub slot_ms: i64,
    /// Limit of the demand in kW.
    pub limit_kw: Option<f64>,
    /// What it comes to, in words.
    pub told: &'a str,
}

/// Active and reactive power of a stretch of the log; none without records.
pub fn picture(log: &IntervalLog, site: &Site, locale: &Locale, f: &Frame<'_>) -> Option<String> {
    let (from_ms, to_ms) = f.span;
    let clock = LocalClock::new(&site.time_zone, from_ms, to_ms).ok()?;
    let slots = slots(log, f.span, f.slot_ms);
    if slots.is_empty() {
        return None;
    }
    let samples = |part: usize| {
        let one = |s: &Slot| {
            let [sum, low, high] = s.values[part];
            let end_ms = s.start_ms + f.slot_ms;
            Sample { start_ms: s.start_ms, end_ms, mean: sum / s.seconds, low, high }
        };
        slots.iter().map(one).collect()
    };
    let trace = |name: &str, ink, dash, samples| Trace {
        name: name.to_owned(),
        ink,
        dash,
        samples,
        band: true,
        steps: false,
        slack_ms: f.slot_ms / 2,
    };
    let level = |kw: f64| Level { value: kw, name: format!("limit {} kW", locale.four_digits(kw)) };
    let chart = TimeChart {
        clock,
        from_ms,
        to_ms,
        unit: "kW, kvar".to_owned(),
        at_least: (0.0, 1.0),
        traces: vec![
            trace("kW", Ink::Active, Dash::Solid, samples(0)),
            trace("kvar", Ink::Reactive, Dash::Long, samples(1)),
        ],
        levels: f.limit_kw.map(level).into_iter().collect(),
        notes: Vec::new(),
        shaded: gaps(log, f.span, f.slot_ms),
        told: f.told.to_owned(),
    };
    Some(both_widths(&chart, locale, f.name, 220.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use wattless_core::record::Record;

    /// 2026-06-01 12:00 UTC.
    const NOON: i64 = 1_780_315_200_000;
    const MINUTE: i64 = 60_000;

    /// Records of a minute: kW and kvar by minute, none where there is none.
    fn log(minutes: i64, of: impl Fn(i64) -> Option<(f64, f64)>) -> IntervalLog {
        let mut log = IntervalLog::default();
        for m in 0..minutes {
            let Some((kw, kvar)) = of(m) else { continue };
            let mut r = Record { seq: m as u32, duration_us: 60_000_000, ..Record::BLANK };
            for p in &mut r.phases {
                (p.p_w, p.q1_var) = ((kw * 1e3 / 3.0) as f32, (kvar * 1e3 / 3.0) as f32);
            }
            log.push(&r, NOON + (m + 1) * MINUTE, false);
        }
        log
    }

    /// An hour at 60 kW and 45 kvar with a quarter at 100 kW: 60 kWh + 10 kWh, highest 100 kW.
    #[test]
    fn a_stretch_is_summed_by_the_rule_of_the_site() {
        let l = log(60, |m| Some((if (15..30).contains(&m) { 100.0 } else { 60.0 }, 45.0)));
        let s = sum(&l, &Site::default(), (NOON, NOON + 60 * MINUTE));
        assert!((s.p_wh - 70_000.0).abs() < 1.0 && (s.q1_varh - 45_000.0).abs() < 1.0, "{s:?}");
        let (peak, end_ms) = s.peak.unwrap();
        assert!((peak - 100_000.0).abs() < 1.0 && end_ms == NOON + 30 * MINUTE, "{s:?}");
        assert!((s.recorded - 1.0).abs() < 1e-9);
        let told = sentence(&s, &Locale::NORTH_AMERICAN, &|_| "then".to_owned());
        assert_eq!(
            told,
            "Highest demand 100.0 kW, to then; 70 kWh, 45 kvarh; average power factor 0.84 lagging."
        );
    }

    /// Ten minutes are missing: no demand is made of that quarter, and the sentence says so.
    #[test]
    fn what_is_missing_is_shown_as_missing() {
        let l = log(60, |m| (!(20..30).contains(&m)).then_some((60.0, -10.0)));
        let span = (NOON, NOON + 60 * MINUTE);
        let s = sum(&l, &Site::default(), span);
        assert!((s.p_wh - 50_000.0).abs() < 1.0, "{s:?}");
        assert_eq!(gaps(&l, span, 5 * MINUTE), [(NOON + 20 * MINUTE, NOON + 30 * MINUTE)]);
        let told = sentence(&s, &Locale::NORTH_AMERICAN, &|_| "then".to_owned());
        assert!(told.ends_with("0.99 leading; 83 % of the time recorded."), "{told}");
        let only = log(30, |m| (m > 16).then_some((500.0, 0.0)));
        assert_eq!(sum(&only, &Site::default(), (NOON, NOON + 30 * MINUTE)).peak, None);
        let none = sum(&IntervalLog::default(), &Site::default(), span);
        assert_eq!((none.power_factor(), none.recorded), (None, 0.0));
        let frame =
            Frame { name: "x", span, slot_ms: 5 * MINUTE, limit_kw: Some(80.0), told: "told" };
        let site = Site::default();
        assert_eq!(picture(&IntervalLog::default(), &site, &Locale::METRIC, &frame), None);
        let drawn = picture(&l, &site, &Locale::METRIC, &frame).unwrap();
        assert!(drawn.contains("limit 80,00 kW") && drawn.contains("told"), "{drawn}");
        assert!(drawn.contains("f-shade"), "the gap is shaded");
    }
}
