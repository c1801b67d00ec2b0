use super::extrapolate::{ExtrapolationError, Horizon, bill_extended};
use super::meter::{Agreement, Meter, MeterError, MeterReading};
use super::past::PastBills;
use super::plan::{Plan, PlanError, Scratch, determinants};
use super::price::{price, totals};
use super::quantities::MonthQuantities;
use super::*;
use crate::analyse::series::table::Table;
use std::path::Path;

const DEMAND: &str =
    "[demand]\ninterval_min = 15\n[[charge]]\nclause = \"demand\"\nrate_per_kw = 10\n";

fn tariff(text: &str) -> Tariff {
    Tariff::parse(&format!("currency = \"EUR\"\n{text}"), Path::new("t.toml"))
        .unwrap_or_else(|e| panic!("{e}"))
}

fn ms(text: &str) -> i64 {
    text.parse::<jiff::Timestamp>().unwrap().as_millisecond()
}

fn zone(name: &str) -> TimeZone {
    TimeZone::get(name).unwrap()
}

/// A covered series from an instant on with kW and kvar by step number.
fn series(start: &str, step_s: u32, steps: usize, of: impl Fn(usize) -> (f64, f64)) -> LoadSeries {
    let mut s = LoadSeries::blank(ms(start), step_s, steps, false);
    for k in 0..steps {
        let (kw, kvar) = of(k);
        let h = f64::from(step_s) / 3600.0 * 1e3;
        let at = s.time_ms(k);
        s.spread(at, at + s.step_ms(), [kw * h, kvar * h, 0.0]);
    }
    s.origin.first_ms = s.start_ms;
    s.origin.last_ms = s.end_ms();
    s.origin.record_max_s = f64::from(step_s);
    s
}

fn money(x: Option<Decimal>) -> f64 {
    x.unwrap().to_string().parse().unwrap()
}

fn ids(cautions: &[Caution]) -> Vec<&str> {
    cautions.iter().map(|c| c.id).collect()
}

/// Simple and slow: what the plan must give, straight from the definitions.
fn slowly(s: &LoadSeries, kw_from: usize, width: usize) -> (f64, f64, f64, f64) {
    let (mut peak, mut q_peak, mut s_peak, mut low) = (0.0f64, f64::MIN, 0.0f64, 1.0f64);
    let mut at = kw_from;
    while at + width <= s.len() {
        let h = f64::from(s.step_s) / 3600.0 * width as f64 * 1e3;
        let p = s.p_in_wh[at..at + width].iter().sum::<f64>() / h;
        let q = (s.q_lag_varh[at..at + width].iter().sum::<f64>()
            - s.q_lead_varh[at..at + width].iter().sum::<f64>())
            / h;
        let va = libm::sqrt(p * p + q * q);
        peak = peak.max(p);
        q_peak = q_peak.max(q);
        s_peak = s_peak.max(va);
        if p > 0.0 {
            low = low.min(p / libm::sqrt(p * p + q.max(0.0) * q.max(0.0)));
        }
        at += width;
    }
    (peak, q_peak, s_peak, low)
}

#[test]
fn a_plan_agrees_with_the_definitions() {
    let t = tariff(
        "[demand]\ninterval_min = 30\n[power_factor]\nbasis = \"lowest\"\ncounts_from_share = 0\n\
         [[charge]]\nclause = \"demand\"\nrate_per_kw = 1\ntarget_pf = 0.9\n",
    );
    assert_eq!(t.step_s(), 900);
    let mut state = 7u64;
    let mut noise = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
        (state >> 40) as f64 / (1u64 << 24) as f64
    };
    let values: Vec<(f64, f64)> =
        (0..30 * 96).map(|_| (20.0 + 100.0 * noise(), 80.0 * noise() - 20.0)).collect();
    let s = series("2026-06-01T00:00:00Z", 900, values.len(), |k| values[k]);
    let m = determinants(&s, &t, &TimeZone::UTC).unwrap();
    assert_eq!(m.len(), 1);
    let f = &m[0].figures;
    let (peak, q_peak, s_peak, low) = slowly(&s, 0, 2);
    assert!((f.total.p_peak.p_kw - peak).abs() < 1e-9);
    assert!((f.total.q_peak.q_kvar - q_peak).abs() < 1e-9);
    assert!((f.total.s_peak.s_kva - s_peak).abs() < 1e-9);
    assert!((f.power_factor.lowest.unwrap() - low).abs() < 1e-12);
    let kwh: f64 = values.iter().map(|v| v.0 / 4.0).sum();
    let lag: f64 = values.iter().map(|v| v.1.max(0.0) / 4.0).sum();
    assert!((f.total.p_in_kwh - kwh).abs() < 1e-6 && (f.total.q_lag_kvarh - lag).abs() < 1e-6);
    let average = kwh / libm::sqrt(kwh * kwh + lag * lag);
    assert!((f.power_factor.average.unwrap() - average).abs() < 1e-12);
    // Totals without words are the bill's, month by month; so they are at unity.
    let bill = price(&t, &m, &[]);
    let frames: Vec<_> = m.iter().map(|m| m.frame.clone()).collect();
    let plain: Vec<_> = m.iter().map(|m| m.figures.clone()).collect();
    assert_eq!(totals(&t, &frames, &plain, &[]), [bill.months[0].total]);
    let unity: Vec<_> = m.iter().map(|m| m.at_unity.clone()).collect();
    let best = totals(&t, &frames, &unity, &[])[0].unwrap();
    assert_eq!(bill.months[0].power_factor_part, Some(bill.months[0].total.unwrap() - best));
}

/// Other kvar in the same plan are those of a plan of their own, in either precision.
#[test]
fn a_pass_over_other_kvar_is_a_plan_of_its_own() {
    let t = tariff(DEMAND);
    let load = |k: usize, less: f64| (50.0 + (k % 7) as f64, 40.0 + (k % 5) as f64 - less);
    let a = series("2026-06-01T00:00:00Z", 900, 960, |k| load(k, 0.0));
    let b = series("2026-06-01T00:00:00Z", 900, 960, |k| load(k, 30.0));
    let plan = Plan::new(&a, &t, &TimeZone::UTC).unwrap();
    let mut room = Scratch::default();
    let passed = plan.figures(&b.q_lag_varh, &b.q_lead_varh, &mut room);
    let own = determinants(&b, &t, &TimeZone::UTC).unwrap();
    assert_eq!(passed[0], own[0].figures);
    let single: Vec<f32> = b.q_lag_varh.iter().map(|x| *x as f32).collect();
    let lead = vec![0.0f32; single.len()];
    let rough = plan.figures(&single, &lead, &mut room);
    let relative = rough[0].total.q_lag_kvarh / own[0].figures.total.q_lag_kvarh - 1.0;
    assert!(relative.abs() < 1e-6);
}

/// A 15-minute peak across the clock's quarter hours: sliding demand sees it whole.
#[test]
fn sliding_demand_sees_what_blocks_cut() {
    let load = |k: usize| (if (100..103).contains(&k) { 90.0 } else { 0.0 }, 0.0);
    let s = series("2026-06-01T00:00:00Z", 300, 288, load);
    let peak = |text: &str| {
        let t = tariff(&format!("{text}[[charge]]\nclause = \"demand\"\nrate_per_kw = 1\n"));
        determinants(&s, &t, &TimeZone::UTC).unwrap()[0].figures.total.p_peak
    };
    let blocks = peak("[demand]\ninterval_min = 15\n");
    assert!((blocks.p_kw - 60.0).abs() < 1e-9);
    let sliding = peak("[demand]\nkind = \"sliding\"\ninterval_min = 15\nsub_interval_min = 5\n");
    assert!((sliding.p_kw - 90.0).abs() < 1e-9);
    assert_eq!(sliding.start_ms, Some(ms("2026-06-01T08:20:00Z")));
}

/// Days of 23 and 25 hours: every step of local time has its period, and no kWh is lost.
#[test]
fn clocks_change_within_a_month() {
    let t = tariff(
        "time_zone = \"Europe/Berlin\"\n[[period]]\nname = \"night\"\nhours = \"00:00-06:00\"\n\
         [[period]]\nname = \"day\"\nrest = true\n[[charge]]\nclause = \"energy\"\nrate_per_kwh = 1\n",
    );
    for (start, days, night_h, all_h) in [
        ("2026-02-28T23:00:00Z", 31, 31.0 * 6.0 - 1.0, 31.0 * 24.0 - 1.0),
        ("2026-09-30T22:00:00Z", 31, 31.0 * 6.0 + 1.0, 31.0 * 24.0 + 1.0),
    ] {
        let steps = (all_h * 4.0) as usize;
        let s = series(start, 900, steps, |_| (10.0, 0.0));
        let m = determinants(&s, &t, &TimeZone::UTC).unwrap();
        assert_eq!((m.len(), m[0].frame.days()), (1, days));
        assert!(m[0].frame.is_whole());
        let f = &m[0].figures;
        assert!((f.slots[0].p_in_kwh - 10.0 * night_h).abs() < 1e-6);
        assert!((f.total.p_in_kwh - 10.0 * all_h).abs() < 1e-6);
    }
}

#[test]
fn a_part_of_a_month_says_so() {
    let t = tariff(DEMAND);
    let s = series("2026-06-01T00:00:00Z", 900, 7 * 96, |_| (100.0, 50.0));
    let b = bill(&s, &t, &TimeZone::UTC, &[]).unwrap();
    assert!(!b.is_whole());
    assert!(ids(&b.months[0].cautions).contains(&"month-not-whole"));
    assert!(b.months[0].cautions[0].words.contains("23.3 %"));
}

#[test]
fn a_gap_over_the_peak_is_named_and_not_filled() {
    let t = tariff(DEMAND);
    let load = |k: usize| (if (40..60).contains(&k) { 100.0 } else { 20.0 }, 10.0);
    let mut s = series("2026-06-01T00:00:00Z", 900, 30 * 96, load);
    for k in 45..48 {
        (s.p_in_wh[k], s.q_lag_varh[k], s.covered_s[k]) = (0.0, 0.0, 0.0);
    }
    let b = bill(&s, &t, &TimeZone::UTC, &[]).unwrap();
    assert!(ids(&b.months[0].cautions).contains(&"gap-at-peak"), "{:?}", b.months[0].cautions);
    let gap = b.months[0].quantities.frame.gap_at_peak.unwrap();
    assert_eq!((gap.from_ms, gap.to_ms), (s.time_ms(45), s.time_ms(48)));
    // The same gap at night is no reason to doubt the peak.
    let mut s = series("2026-06-01T00:00:00Z", 900, 30 * 96, load);
    s.covered_s[10] = 0.0;
    let b = bill(&s, &t, &TimeZone::UTC, &[]).unwrap();
    assert!(!ids(&b.months[0].cautions).contains(&"gap-at-peak"));
    assert_eq!(b.months[0].quantities.frame.intervals, 30 * 96 - 1);
}

#[test]
fn a_log_without_a_whole_interval_has_no_demand() {
    let t = tariff(DEMAND);
    let mut s = series("2026-06-01T00:00:00Z", 900, 1, |_| (100.0, 50.0));
    s.covered_s[0] = 300.0;
    s.origin.last_ms = s.origin.first_ms + 300_000;
    let b = bill(&s, &t, &TimeZone::UTC, &[]).unwrap();
    assert_eq!(b.months[0].total, None);
    assert_eq!(b.total(), None);
    assert!(ids(&b.months[0].cautions).contains(&"no-demand-interval"));
    assert!(ids(&b.cautions).contains(&"log-shorter-than-interval"));
}

#[test]
fn records_and_intervals_that_do_not_fit_are_named() {
    let t = tariff(DEMAND);
    let mut s = series("2026-06-01T00:00:00Z", 900, 96, |_| (100.0, 50.0));
    for (record, id) in
        [(3600.0, "records-longer-than-interval"), (600.0, "interval-not-multiple-of-records")]
    {
        s.origin.record_max_s = record;
        let b = bill(&s, &t, &TimeZone::UTC, &[]).unwrap();
        assert!(ids(&b.cautions).contains(&id), "{:?}", b.cautions);
    }
    s.origin.record_max_s = 60.0;
    assert_eq!(bill(&s, &t, &TimeZone::UTC, &[]).unwrap().cautions, []);
    let odd = LoadSeries::blank(0, 600, 10, false);
    assert_eq!(
        determinants(&odd, &t, &TimeZone::UTC).unwrap_err(),
        PlanError::Step { step_s: 600, needed_s: 900 }
    );
}

/// Measured kVA keep what is neither kW nor kvar: zero kvar leaves harmonics in the bill.
#[test]
fn harmonics_stay_when_kvar_go() {
    let t = tariff(
        "[demand]\ninterval_min = 15\napparent_power = \"arithmetic\"\n[[charge]]\nclause = \"demand\"\nrate_per_kva = 1\n",
    );
    let mut s = series("2026-06-01T00:00:00Z", 900, 30 * 96, |_| (80.0, 60.0));
    // 110 kVA where 80 kW and 60 kvar alone are 100.
    s.s_vah = Some(vec![110e3 / 4.0; s.len()]);
    let b = bill(&s, &t, &TimeZone::UTC, &[]).unwrap();
    assert!((money(b.months[0].total) - 110.0).abs() < 0.005);
    let rest = libm::sqrt(110.0 * 110.0 - 60.0 * 60.0);
    assert!((money(b.months[0].power_factor_part) - (110.0 - rest)).abs() < 0.011);
    let pf = b.months[0].quantities.figures.power_factor.average.unwrap();
    assert!((pf - 80.0 / 110.0).abs() < 1e-9);
}

#[test]
fn no_load_has_no_power_factor_and_no_surcharge() {
    let t = tariff(
        "[power_factor]\nbasis = \"average\"\n[[charge]]\nclause = \"fixed\"\namount = 50\n\
         [[charge]]\nclause = \"pf-percent\"\ntarget_pf = 0.9\npercent_per_point = 1\n",
    );
    let s = series("2026-06-01T00:00:00Z", 900, 30 * 96, |_| (0.0, 0.0));
    let b = bill(&s, &t, &TimeZone::UTC, &[]).unwrap();
    assert_eq!(b.months[0].quantities.figures.power_factor.average, None);
    assert_eq!(money(b.months[0].total), 50.0);
    assert!(b.months[0].lines[1].rule.contains("no load"));
}

/// A season that begins within a month is billed for its days; both seasons together are one month.
#[test]
fn seasons_within_a_month_share_it() {
    let t = tariff(
        "[demand]\ninterval_min = 15\n[billing]\nreading_day = 16\n\
         [[season]]\nname = \"a\"\nfrom = \"06-01\"\nto = \"12-31\"\n\
         [[season]]\nname = \"b\"\nfrom = \"01-01\"\nto = \"05-31\"\n\
         [[charge]]\nclause = \"demand\"\nname = \"A\"\nseason = \"a\"\nrate_per_kw = 31\n\
         [[charge]]\nclause = \"demand\"\nname = \"B\"\nseason = \"b\"\nrate_per_kw = 62\n",
    );
    let s = series("2026-05-16T00:00:00Z", 900, 31 * 96, |_| (10.0, 0.0));
    let b = bill(&s, &t, &TimeZone::UTC, &[]).unwrap();
    assert_eq!(b.months.len(), 1);
    // 16 days of May at 62, 15 of June at 31.
    let amounts: Vec<f64> = b.months[0].lines.iter().map(|l| money(l.amount)).collect();
    assert_eq!(amounts, [150.0, 320.0]);
}

#[test]
fn a_ratchet_reaches_into_past_bills() {
    let t = tariff(
        "[demand]\ninterval_min = 15\n[[charge]]\nclause = \"demand\"\nrate_per_kw = 1\nratchet_share = 0.8\nratchet_months = 2\n",
    );
    let csv = "month,kwh,kw\n2026-04,1000,300\n2026-05,1000,200\n";
    let table = Table::parse(csv, Path::new("b.csv")).unwrap();
    let past = PastBills::of_table(&table, &t, &TimeZone::UTC).unwrap().quantities();
    let s = series("2026-06-01T00:00:00Z", 900, 61 * 96, |_| (100.0, 0.0));
    let b = bill(&s, &t, &TimeZone::UTC, &past).unwrap();
    assert_eq!(money(b.months[0].total), 240.0);
    assert_eq!(money(b.months[1].total), 160.0);
    assert_eq!(b.months[0].cautions, []);
    let alone = bill(&s, &t, &TimeZone::UTC, &[]).unwrap();
    assert!(ids(&alone.months[0].cautions).contains(&"history-short"));
}

#[test]
fn kvarh_of_each_interval_are_not_those_of_the_month() {
    let t = tariff(
        "[demand]\ninterval_min = 30\n[[charge]]\nclause = \"kvarh\"\nshare_of_kwh = 0.5\nper = \"interval\"\nrate_per_kvarh = 1\n",
    );
    let load = |k: usize| if k % 4 < 2 { (100.0, 100.0) } else { (100.0, 0.0) };
    let s = series("2026-06-01T00:00:00Z", 900, 30 * 96, load);
    let b = bill(&s, &t, &TimeZone::UTC, &[]).unwrap();
    // Half of the half hours exceed by 50 kvar; over the month 0.5 is just met.
    assert!((money(b.months[0].total) - 360.0 * 50.0).abs() < 0.01);
    let month = tariff("[[charge]]\nclause = \"kvarh\"\nshare_of_kwh = 0.5\nrate_per_kvarh = 1\n");
    assert_eq!(money(bill(&s, &month, &TimeZone::UTC, &[]).unwrap().total()), 0.0);
}

#[test]
fn bad_bills_name_line_and_cure() {
    let t = tariff(DEMAND);
    let message = |csv: &str| {
        let table = Table::parse(csv, Path::new("b.csv")).unwrap();
        PastBills::of_table(&table, &t, &TimeZone::UTC).unwrap_err().to_string()
    };
    for (csv, words) in [
        ("month,kwh,kw,pf\n2026-01,1000,10,1.2\n", "line 2: pf 1.2 is impossible"),
        (
            "month,kwh,kw,pf\n2026-01,1000,10,85\n",
            "line 2: pf 85 is not a power factor (0 to 1); write 0.85",
        ),
        ("month,kwh,kw,pf\n2026-01,1000,10,0\n", "line 2: pf 0 is impossible"),
        ("month,kwh,kw,pf\n2026-01,1000,10,-0.8\n", "line 2: pf -0.8 is impossible"),
        ("month,kwh,kw\n2026-01,-5,10\n", "line 2: kwh -5 is negative"),
        (
            "month,kwh,kw\n2026-01,1000,10\n2026-03,1000,10\n",
            "line 3: the bills from 2026-02-01 to 2026-03-01 are missing between lines 2 and 3",
        ),
        (
            "month,kwh,kw\n2026-01,1000,10\n2026-01,1000,10\n",
            "line 3: 2026-01 is there twice (line 2)",
        ),
        ("month,kwh,kw\n2026-02,1000,10\n2026-01,1000,10\n", "line 3: 2026-01 overlaps"),
        ("month,kwh,kw,kva\n2026-01,1000,10,8\n", "line 2: kva 8 is below kw 10"),
        ("month,kwh,kw\n2026-01,10000,10\n", "line 2: 10000 kWh in 744 h"),
        ("month,kwh,kilowatt\n2026-01,1,1\n", "line 1: column \"kilowatt\" is not known"),
        ("month,kwh\nJanuary,1\n", "line 2: \"January\" is no month"),
        ("month,kwh,kw\n2026-01,many,10\n", "line 2: kwh \"many\" is not a number"),
    ] {
        let m = message(csv);
        assert!(m.contains(words), "{m}\nlacks {words}");
    }
    // Several faulty rows are told at once.
    let m = message("month,kwh,kw\n2026-01,-1,10\n2026-02,-1,10\n");
    assert!(m.contains("line 2") && m.contains("line 3"), "{m}");
}

/// A month that is known to be missing leaves the sum unknown.
#[test]
fn a_missing_bill_leaves_no_sum() {
    let t = tariff(DEMAND);
    let csv = "month;kwh;kw\n2026-01;1000;10,5\n2026-02;;\n";
    let table = Table::parse(csv, Path::new("b.csv")).unwrap();
    let again = PastBills::of_table(&table, &t, &TimeZone::UTC).unwrap().reproduce(&t);
    assert_eq!(money(again.bill.months[0].total), 105.0);
    assert_eq!(again.bill.months[1].total, None);
    assert_eq!(again.bill.total(), None);
}

/// Weeks that are all alike extend without any spread; one odd Monday opens the interval.
#[test]
fn like_days_extend_a_week() {
    let t = tariff(DEMAND);
    let zone = zone("Europe/Berlin");
    let week = |odd: f64| {
        series("2026-06-07T22:00:00Z", 900, 7 * 96, move |k| {
            let works = k / 96 < 5 && (24..72).contains(&(k % 96));
            (
                if !works {
                    5.0
                } else if k / 96 == 0 {
                    100.0 + odd
                } else {
                    100.0
                },
                3.0,
            )
        })
    };
    let b = bill_extended(&week(0.0), &t, &zone, &[], Horizon::Year).unwrap();
    assert_eq!(b.months.len(), 12);
    let x = b.extrapolation.as_ref().unwrap();
    assert_eq!((x.days, x.days_measured, x.like_days), (365, 7, [5, 1, 1]));
    assert_eq!(x.standard_error, Some(0.0));
    assert!(
        b.months.iter().all(|m| m.quantities.frame.is_whole() && m.quantities.frame.is_filled())
    );
    // 261 working days from June 2026 on: 12 h at 100 kW, the rest of the year at 5 kW.
    let kwh: f64 = b.months.iter().map(|m| m.quantities.figures.total.p_in_kwh).sum();
    assert!((kwh - (261.0 * 12.0 * 95.0 + 8760.0 * 5.0)).abs() < 1.0, "{kwh}");
    assert!(b.months.iter().all(|m| (m.quantities.figures.total.p_peak.p_kw - 100.0).abs() < 1e-9));
    let odd = bill_extended(&week(20.0), &t, &zone, &[], Horizon::Month).unwrap();
    assert_eq!(odd.months.len(), 1);
    assert!(odd.extrapolation.unwrap().half_width_95.unwrap() > 100.0);
    let short = series("2026-06-07T22:00:00Z", 900, 3 * 96, |_| (5.0, 1.0));
    let e = bill_extended(&short, &t, &zone, &[], Horizon::Month).unwrap_err();
    assert_eq!(e, ExtrapolationError::NoLikeDay("Saturday"));
    let hours = series("2026-06-08T06:00:00Z", 900, 20, |_| (5.0, 1.0));
    let e = bill_extended(&hours, &t, &zone, &[], Horizon::Month).unwrap_err();
    assert_eq!(e, ExtrapolationError::NoWholeDay);
}

/// A gap of one step on every day, at other times or at the same: the days still stand for others,
/// the gap is stated, and one over the peak is named. Where an hour is missing on every day
/// nothing stands for it.
#[test]
fn days_with_small_gaps_extend_a_week() {
    let t = tariff(DEMAND);
    let zone = zone("Europe/Berlin");
    let week = |gap: &dyn Fn(usize) -> bool| {
        let mut s = series("2026-06-07T22:00:00Z", 900, 7 * 96, |k| {
            let works = k / 96 < 5 && (24..72).contains(&(k % 96));
            (if works { 100.0 } else { 5.0 }, 3.0)
        });
        for k in (0..s.len()).filter(|k| gap(*k)) {
            (s.p_in_wh[k], s.q_lag_varh[k], s.covered_s[k]) = (0.0, 0.0, 0.0);
        }
        s
    };
    let year = |s: &LoadSeries| bill_extended(s, &t, &zone, &[], Horizon::Year);
    let kwh = |b: &Bill| b.months.iter().map(|m| m.quantities.figures.total.p_in_kwh).sum::<f64>();
    let whole = year(&week(&|_| false)).unwrap();
    assert_eq!(whole.extrapolation.as_ref().unwrap().gap_share, 0.0);
    for gap in [
        // At another time each day; at noon of every day; at midnight of every day.
        (&|k: usize| k % 96 == 30 + 5 * (k / 96)) as &dyn Fn(usize) -> bool,
        &|k: usize| k % 96 == 48,
        &|k: usize| k.is_multiple_of(96),
    ] {
        let b = year(&week(gap)).unwrap();
        let x = b.extrapolation.as_ref().unwrap();
        assert_eq!((x.like_days, x.days_measured), ([5, 1, 1], 7));
        assert!((x.gap_share - 1.0 / 96.0).abs() < 1e-12);
        assert!(x.limits.iter().any(|l| l.contains("1.04 % of these days")), "{:?}", x.limits);
        // Every day is like its like: nothing changes.
        assert!((kwh(&b) - kwh(&whole)).abs() < 1e-6, "{} {}", kwh(&b), kwh(&whole));
        assert_eq!(b.total(), whole.total());
        assert!(b.is_whole());
    }
    let x = year(&week(&|k| k == 96 + 48)).unwrap().extrapolation.unwrap();
    let over = x.limits.iter().find(|l| l.contains("over the peak")).unwrap();
    assert!(over.contains("Tue 2026-06-09 12:00") && over.contains("100 kW"), "{over}");
    let e = year(&week(&|k| (40..49).contains(&(k % 96)))).unwrap_err().to_string();
    assert!(e.contains("working day") && e.contains("11:00"), "{e}");
    let e = year(&week(&|k| (40..52).contains(&(k % 96)))).unwrap_err();
    assert_eq!(e, ExtrapolationError::NoWholeDay);
}

/// Past bills of twelve months: the months beyond the log have their kWh a day and highest kW, against
/// those of the log's month; what was measured stays. With kWh alone the shape stays.
#[test]
fn a_year_follows_past_bills() {
    let t = tariff(DEMAND);
    let week = series("2026-06-01T00:00:00Z", 900, 7 * 96, |k| {
        let works = k / 96 < 5 && (24..72).contains(&(k % 96));
        if works { (100.0, 50.0) } else { (10.0, 5.0) }
    });
    // Means of 30 kW in summer and 45 in winter; June, the log's month, has 30; peaks 200 and 260.
    let bills = |kw: bool| {
        let mut text = if kw { "month,kwh,kw\n" } else { "month,kwh\n" }.to_owned();
        for m in 1..=12 {
            let days = [31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31][m - 1];
            let winter = !(4..=9).contains(&m);
            let mean = if winter { 45 } else { 30 };
            text += &format!("2025-{m:02},{}", mean * 24 * days);
            text += if kw { if winter { ",260\n" } else { ",200\n" } } else { "\n" };
        }
        let table = Table::parse(&text, Path::new("bills.csv")).unwrap();
        PastBills::of_table(&table, &t, &TimeZone::UTC).unwrap().quantities()
    };
    let year = |history: &[MonthQuantities]| {
        bill_extended(&week, &t, &TimeZone::UTC, history, Horizon::Year).unwrap()
    };
    let plain = year(&[]);
    assert!(!plain.extrapolation.as_ref().unwrap().follows_bills);
    for with_kw in [false, true] {
        let b = year(&bills(with_kw));
        let x = b.extrapolation.as_ref().unwrap();
        assert!(x.follows_bills && x.limits[0].contains("past bills"), "{:?}", x.limits);
        assert_eq!(x.limits[0].contains("highest kW"), with_kw);
        for (m, p) in b.months.iter().zip(&plain.months) {
            let winter = !(4..=9).contains(&m.quantities.frame.first_day.month());
            let (f, g) = (&m.quantities.figures.total, &p.quantities.figures.total);
            let kwh = if winter { 1.5 } else { 1.0 };
            let days = m.quantities.frame.length_s() / 86_400.0;
            // The mean of a week is kept; months do not hold whole weeks, so kWh go with the days.
            let spread = if with_kw { 0.06 } else { 1e-9 };
            assert!((f.p_in_kwh / (kwh * g.p_in_kwh) - 1.0).abs() < spread, "{}", f.p_in_kwh);
            assert!((f.q_lag_kvarh / (kwh * g.q_lag_kvarh) - 1.0).abs() < 1e-9);
            let peak = match (winter, with_kw) {
                (true, true) => 130.0,
                (true, false) => 150.0,
                _ => 100.0,
            };
            assert!((f.p_peak.p_kw - peak).abs() < 1e-6, "{} {days}", f.p_peak.p_kw);
        }
    }
    // Eleven months say nothing of the twelfth: the log is repeated.
    let eleven = bills(false)[1..].to_vec();
    assert!(!year(&eleven).extrapolation.unwrap().follows_bills);
}

/// 1 % meter and 1 % node over 16,800 kWh: the difference may be about 2·√(2·(167/√3)²) = 273 kWh
/// (JCGM 100:2008, 4.3.7 and 5.1.2), and the digit hardly counts.
#[test]
fn registers_agree_within_both_uncertainties() {
    let s = series("2026-06-01T00:00:00Z", 900, 7 * 96, |_| (100.0, 50.0));
    let reading = |at: &str, kwh, kvarh| MeterReading { at_ms: ms(at), kwh, kvarh };
    let meter = |kwh: f64, kvarh: f64| Meter {
        readings: vec![
            reading("2026-06-01T00:00:00Z", 1000.0, Some(500.0)),
            reading("2026-06-08T00:00:00Z", 1000.0 + kwh, Some(500.0 + kvarh)),
        ],
        ..Meter::default()
    };
    let r = meter(16_600.0, 8_400.0).reconcile(&s).unwrap();
    assert!((r.active.log - 16_800.0).abs() < 1e-6 && r.coverage == 1.0);
    assert!((r.active.uncertainty - 272.7).abs() < 0.5, "{}", r.active.uncertainty);
    assert_eq!(r.active.verdict, Agreement::Agrees);
    assert_eq!(r.reactive.unwrap().verdict, Agreement::Agrees);
    let r = meter(16_400.0, 9_000.0).reconcile(&s).unwrap();
    assert_eq!(r.active.verdict, Agreement::Differs);
    assert!((r.active.difference - 400.0).abs() < 1e-6);
    assert_eq!(r.reactive.unwrap().verdict, Agreement::Differs);
    // A log that lacks half of the time proves nothing.
    let half = series("2026-06-01T00:00:00Z", 900, 3 * 96, |_| (100.0, 50.0));
    let r = meter(16_800.0, 8_400.0).reconcile(&half).unwrap();
    assert_eq!(r.active.verdict, Agreement::CannotTell);
    let mut back = meter(10.0, 10.0);
    back.readings[1].kwh = 5.0;
    assert!(matches!(back.reconcile(&s), Err(MeterError::Backwards { .. })));
    assert_eq!(Meter::default().reconcile(&s), Err(MeterError::Few));
}

#[test]
fn months_by_reading_dates_leave_out_the_rest() {
    let t =
        tariff(&format!("[billing]\nreading_dates = [\"2026-06-05\", \"2026-07-03\"]\n{DEMAND}"));
    let s = series("2026-06-01T00:00:00Z", 900, 40 * 96, |_| (100.0, 50.0));
    let m: Vec<MonthQuantities> = determinants(&s, &t, &TimeZone::UTC).unwrap();
    assert_eq!(m.len(), 1);
    assert!(m[0].frame.is_whole());
    assert!((m[0].figures.total.p_in_kwh - 28.0 * 2400.0).abs() < 1e-6);
    let t =
        tariff(&format!("[billing]\nreading_dates = [\"2025-06-05\", \"2025-07-03\"]\n{DEMAND}"));
    assert_eq!(determinants(&s, &t, &TimeZone::UTC).unwrap_err(), PlanError::NoMonth);
}
