//! The survey's figures on logs small enough to compute by hand.

use std::path::Path;
use wattless::analyse::survey::completeness::GapReason;
use wattless::analyse::survey::verdict::{Class, Obstacle};
use wattless::analyse::survey::{Survey, SurveyError, survey, survey_with};
use wattless::collect::log::IntervalLog;
use wattless::collect::store::{Gap, GapReason as Known};
use wattless::site::Site;
use wattless_core::flags::Flags;
use wattless_tests::made_log::{LogMaker, at, kvar, production_week};

const MINUTE: f64 = 60.0;
const HOUR: f64 = 3600.0;

fn site(text: &str) -> Site {
    Site::parse(text, Path::new("test.toml")).unwrap()
}

fn run(log: &LogMaker, text: &str) -> Survey {
    survey(&log.log, &site(text)).unwrap()
}

#[track_caller]
fn near(got: f64, want: f64, tolerance: f64) {
    assert!((got - want).abs() <= tolerance, "{got} is not {want} within {tolerance}");
}

#[test]
fn energies_are_power_times_time_by_direction() {
    let mut log = at("2026-06-01T00:00:00Z");
    log.record(HOUR, 100.0, 75.0).record(HOUR, 60.0, -20.0).record(HOUR, -40.0, 30.0);
    let s = run(&log, "[demand]\ninterval_min = 60\nsub_interval_min = 20\n");
    near(s.energy.active_in_wh, 160e3, 0.1);
    near(s.energy.active_out_wh, 40e3, 0.1);
    near(s.energy.reactive_lagging_varh, 105e3, 0.1);
    near(s.energy.reactive_leading_varh, 20e3, 0.1);
    near(s.energy.apparent_vector_vah, libm::sqrt(120e3 * 120e3 + 85e3 * 85e3), 0.1);
    let arithmetic = 125e3 + libm::sqrt(60e3 * 60e3 + 20e3 * 20e3) + 50e3;
    near(s.energy.apparent_arithmetic_vah, arithmetic, 0.1);
    near(s.power_factor.average.unwrap(), 120.0 / libm::sqrt(120.0 * 120.0 + 85.0 * 85.0), 1e-6);
    assert_eq!(s.power_factor.intervals_giving_back, 1);
    assert_eq!(s.power_factor.intervals_loaded, 2);
    assert_eq!(s.power_factor.leading_share, Some(0.5));
    // The first record only sets the counters' start.
    let c = s.counter_check.unwrap();
    assert_eq!(c.records, 2);
    near(c.active_net_wh, 20e3, 0.05);
    near(c.active_difference_wh, 0.0, 0.05);
    near(c.reactive_difference_varh, 0.0, 0.05);
    near(c.apparent_difference_vah, 0.0, 0.05);
}

/// Counters that say something else than the records are told apart by the difference.
#[test]
fn counters_that_disagree_show_by_how_much() {
    let mut log = at("2026-06-01T00:00:00Z");
    log.records(60, MINUTE, 60.0, 30.0);
    for (k, count) in log.log.energy_counts[0].iter_mut().enumerate() {
        *count += k as u64 * 1000;
    }
    let c = run(&log, "").counter_check.unwrap();
    near(c.active_net_wh, 59e3 + 590.0, 0.05);
    near(c.active_difference_wh, -590.0, 0.05);
}

/// Average PF is kWh / sqrt(kWh² + kvarh²), never a mean of PFs (common practice, and the clause
/// of check B10: monthly PF from kWh and kvarh, lawinsider.com/dictionary/average-power-factor).
#[test]
fn the_average_is_of_energies() {
    let mut log = at("2026-06-01T00:00:00Z");
    log.records(60, MINUTE, 100.0, 0.0).records(60, MINUTE, 1.0, 10.0);
    let s = run(&log, "");
    let average = s.power_factor.average.unwrap();
    near(average, 101.0 / libm::sqrt(101.0 * 101.0 + 100.0), 1e-6);
    let mean_of_pfs = (1.0 + 1.0 / libm::sqrt(101.0)) / 2.0;
    assert!((average - mean_of_pfs).abs() > 0.4);
}

#[test]
fn peaks_are_of_whole_intervals_at_local_times() {
    let mut log = at("2026-06-01T00:00:00Z");
    // 00:00 50 kW; 00:15 the highest kVA; 00:30 the highest kW.
    log.records(15, MINUTE, 50.0, 10.0).records(15, MINUTE, 80.0, 70.0);
    log.records(15, MINUTE, 90.0, 30.0).records(15, MINUTE, 20.0, -5.0);
    let s = run(&log, "time_zone = \"Europe/Berlin\"\n");
    let b = s.demand.block.as_ref().unwrap();
    assert_eq!((b.complete, b.incomplete), (4, 0));
    let p = b.at_p_peak.unwrap();
    near(p.p_w, 90e3, 0.1);
    assert_eq!(p.start.rfc3339(), "2026-06-01T02:30:00+02:00");
    assert_eq!(p.end.to_string(), "Mon 2026-06-01 02:45");
    near(p.pf.unwrap(), 90.0 / libm::sqrt(90.0 * 90.0 + 30.0 * 30.0), 1e-6);
    let va = b.at_s_peak.unwrap();
    assert_eq!(va.start.clock_words(), "02:15");
    near(va.s_va, libm::sqrt(80e3 * 80e3 + 70e3 * 70e3), 0.1);
    near(b.at_q1_peak.unwrap().q1_var, 70e3, 0.1);
    assert_eq!(s.power_factor.at_s_peak, va.pf);
    // At the kVA peak 70 kvar less 80·tan(acos 0.95) are too many.
    near(s.required.at_s_peak_var.unwrap(), 70e3 - kvar(80e3, 0.95), 0.1);
    near(s.required.at_p_peak_var.unwrap(), 30e3 - kvar(90e3, 0.95), 0.1);
}

#[test]
fn sliding_sees_the_peak_that_blocks_cut() {
    let mut log = at("2026-06-01T00:00:00Z");
    log.records(10, MINUTE, 0.5, 0.0).records(15, MINUTE, 90.0, 30.0).records(20, MINUTE, 0.5, 0.0);
    let s = run(&log, "[demand]\nkind = \"sliding\"\n");
    let block = s.demand.block.as_ref().unwrap().at_p_peak.unwrap();
    near(block.p_w, (90e3 * 10.0 + 500.0 * 5.0) / 15.0, 0.1);
    let billed = s.demand.billed().unwrap().at_p_peak.unwrap();
    near(billed.p_w, 90e3, 0.1);
    assert_eq!(billed.start.clock_words(), "00:10");
    assert_eq!(s.power_factor.at_p_peak, billed.pf);
}

#[test]
fn a_peak_in_an_incomplete_interval_is_no_peak_but_told() {
    let mut log = at("2026-06-01T00:00:00Z");
    log.records(15, MINUTE, 50.0, 10.0).records(10, MINUTE, 120.0, 40.0);
    log.pause(5.0 * MINUTE).records(15, MINUTE, 40.0, 10.0);
    let s = run(&log, "");
    let b = s.demand.block.as_ref().unwrap();
    assert_eq!((b.complete, b.incomplete), (2, 1));
    near(b.at_p_peak.unwrap().p_w, 50e3, 0.1);
    let hidden = b.hidden.unwrap();
    near(hidden.p_seen_w, 120e3, 0.1);
    near(hidden.p_at_least_w, 80e3, 0.1);
    near(hidden.coverage, 2.0 / 3.0, 1e-9);
    assert_eq!(hidden.start.clock_words(), "00:15");
    near(s.energy.active_in_wh, 50e3 * 0.25 + 120e3 / 6.0 + 10e3, 0.5);
}

#[test]
fn every_gap_has_its_reason() {
    let mut log = at("2026-06-01T00:00:00Z");
    log.records(10, MINUTE, 10.0, 5.0);
    // Without power for half an hour.
    log.pause(1800.0);
    log.boot = 2;
    log.flags = Flags::BOOTED;
    log.records(10, MINUTE, 10.0, 5.0);
    // Three records that never arrived, whose energy the counters know.
    log.absent(3, MINUTE, 30.0, 15.0).records(10, MINUTE, 10.0, 5.0);
    // Samples lost for 2 s.
    log.pause(2.0);
    log.flags = Flags::FRAMES_LOST;
    log.record(58.0, 10.0, 5.0).records(10, MINUTE, 10.0, 5.0);
    // The clock set forward by 90 s.
    log.pause(90.0);
    log.flags = Flags::CLOCK_SET;
    log.records(10, MINUTE, 10.0, 5.0);
    // Nothing tells.
    log.pause(7.0).records(10, MINUTE, 10.0, 5.0);
    let s = run(&log, "");
    let c = &s.completeness;
    let told: Vec<(Vec<GapReason>, f64, u32)> =
        c.gaps.iter().map(|g| (g.reasons.clone(), g.length_s, g.record_numbers_absent)).collect();
    assert_eq!(
        told,
        [
            (vec![GapReason::Restart], 1800.0, 0),
            (vec![GapReason::RecordsAbsent], 180.0, 3),
            (vec![GapReason::SamplesLost], 2.0, 0),
            (vec![GapReason::ClockSet], 90.0, 0),
            (vec![GapReason::Unknown], 7.0, 0),
        ]
    );
    assert_eq!((c.restarts, c.clock_sets, c.record_numbers_absent, c.gap_count), (1, 1, 3, 5));
    near(c.missing_s, 2079.0, 1e-9);
    near(c.expected_s, 60.0 * 60.0 + 58.0 + 2079.0, 1e-9);
    near(c.present_share, 3658.0 / 5737.0, 1e-12);
    let names: Vec<&str> = c.remarks.iter().map(|r| r.name).collect();
    assert_eq!(names, ["frames_lost", "booted", "clock_set"]);
    let counters = s.counter_check.unwrap();
    near(counters.absent_active_net_wh, 30e3 * 0.05, 0.2);
    near(counters.absent_reactive_net_varh, 15e3 * 0.05, 0.2);
    near(s.energy.active_net_wh, 10e3 * 3658.0 / 3600.0, 0.1);
}

/// What the store knows of absent records is told with the gap.
#[test]
fn the_store_knows_why_records_are_absent() {
    let mut log = at("2026-06-01T00:00:00Z");
    log.records(10, MINUTE, 10.0, 5.0); // 1 to 10
    log.absent(3, MINUTE, 10.0, 5.0).records(10, MINUTE, 10.0, 5.0); // 14 to 23
    log.absent(4, MINUTE, 10.0, 5.0).records(10, MINUTE, 10.0, 5.0); // 28 on
    let known = [
        Gap { first_seq: 11, last_seq: 13, reason: Known::Overwritten },
        Gap { first_seq: 25, last_seq: 26, reason: Known::Void },
    ];
    let s = survey_with(&log.log, &Site::default(), &known).unwrap();
    let reasons: Vec<_> = s.completeness.gaps.iter().map(|g| g.reasons.clone()).collect();
    assert_eq!(reasons[0], [GapReason::Overwritten]);
    assert_eq!(reasons[1], [GapReason::LeftEmpty, GapReason::RecordsAbsent]);
}

/// Sample clocks are off by some 100 ppm and times are rounded: that is no gap.
#[test]
fn a_slow_sample_clock_leaves_no_gaps() {
    let mut log = at("2026-06-01T00:00:00.400Z");
    for _ in 0..120 {
        log.pause(0.006).record(59.994, 10.0, 5.0);
    }
    let s = run(&log, "");
    assert_eq!(s.completeness.gap_count, 0);
    near(s.completeness.missing_s, 0.0, 0.01);
    assert_eq!(s.demand.block.as_ref().unwrap().complete, 8);
}

#[test]
fn a_log_full_of_holes_lists_the_longest() {
    let mut log = at("2026-06-01T00:00:00Z");
    for k in 0..5000 {
        log.record(MINUTE, 10.0, 5.0).pause(2.0 + f64::from(k % 1000));
    }
    let c = run(&log, "").completeness;
    assert_eq!((c.gap_count, c.gaps.len()), (4999, 200));
    assert!(c.gaps.iter().all(|g| g.length_s >= 961.0), "40 lengths of 5 each");
    assert!(c.gaps.windows(2).all(|w| w[0].start < w[1].start));
}

/// Where the clock was set back, time counts once; energy that was measured counts.
#[test]
fn overlapping_records_count_time_once() {
    let mut log = at("2026-06-01T00:00:00Z");
    log.records(30, MINUTE, 60.0, 0.0);
    log.pause(-30.0);
    log.flags = Flags::CLOCK_SET;
    log.records(29, MINUTE, 60.0, 0.0);
    let s = run(&log, "");
    near(s.completeness.overlap_s, 30.0, 1e-9);
    near(s.completeness.present_s, 59.0 * 60.0 - 30.0, 1e-9);
    near(s.energy.active_in_wh, 59e3, 0.1);
    near(s.demand.block.as_ref().unwrap().at_p_peak.unwrap().p_w, 60e3, 0.1);
}

#[test]
fn a_record_that_is_there_twice_counts_once() {
    let mut log = at("2026-06-01T00:00:00Z");
    log.records(30, MINUTE, 60.0, 0.0);
    log.pause(-MINUTE);
    log.seq -= 1;
    log.record(MINUTE, 60.0, 0.0);
    let s = run(&log, "");
    assert_eq!((s.completeness.records, s.completeness.repeated_records), (30, 1));
    near(s.energy.active_in_wh, 30e3, 0.1);
}

#[test]
fn values_that_are_no_numbers_are_missing_time() {
    let mut log = at("2026-06-01T00:00:00Z");
    log.records(30, MINUTE, 60.0, 0.0);
    log.log.p_w[1][10] = f32::NAN;
    let s = run(&log, "");
    assert_eq!((s.completeness.records, s.completeness.unusable_records), (29, 1));
    assert_eq!(s.completeness.gaps[0].reasons, [GapReason::UnusableRecord]);
    near(s.energy.active_in_wh, 29e3, 0.1);
    assert_eq!(s.demand.block.as_ref().unwrap().incomplete, 1);
}

/// Days have 23, 24 and 25 hours: 92 and 100 quarter hours (common practice of metering).
#[test]
fn daylight_saving_days_have_their_quarter_hours() {
    for (start, hours, date) in
        [("2026-03-28T23:00:00Z", 23.0, "2026-03-29"), ("2026-10-24T22:00:00Z", 25.0, "2026-10-25")]
    {
        let mut log = at(start);
        log.records((hours * 60.0) as usize, MINUTE, 40.0, 20.0);
        let s = run(&log, "time_zone = \"Europe/Berlin\"\n");
        assert_eq!(s.profile.days.len(), 1);
        let day = &s.profile.days[0];
        assert_eq!((day.date.as_str(), day.day, day.day_h), (date, "Sun", hours));
        near(day.measured_h, hours, 1e-9);
        near(day.active_net_wh, 40e3 * hours, 0.5);
        let b = s.demand.block.as_ref().unwrap();
        assert_eq!((b.complete, b.incomplete), ((hours * 4.0) as u64, 0));
        // 02–03 h is skipped in spring and there twice in autumn.
        let skipped_or_twice = if hours < 24.0 { 0.0 } else { 2.0 };
        near(s.profile.hours_of_week[6 * 24 + 2].measured_h, skipped_or_twice, 1e-9);
        near(s.profile.hours_of_week[6 * 24 + 3].measured_h, 1.0, 1e-9);
    }
}

/// +05:45 is no multiple of half an hour: blocks follow the local clock all the same.
#[test]
fn blocks_stand_on_the_local_clock() {
    let mut log = at("2026-06-01T00:00:00Z"); // 05:45 local
    log.records(15, MINUTE, 10.0, 0.0).records(30, MINUTE, 80.0, 0.0);
    log.records(15, MINUTE, 10.0, 0.0);
    let text =
        "time_zone = \"Asia/Kathmandu\"\n[demand]\ninterval_min = 30\nsub_interval_min = 30\n";
    let s = run(&log, text);
    let b = s.demand.block.as_ref().unwrap();
    let p = b.at_p_peak.unwrap();
    near(p.p_w, 80e3, 0.1);
    assert_eq!(p.start.rfc3339(), "2026-06-01T06:00:00+05:45");
    assert_eq!((b.complete, b.incomplete), (1, 2));
    near(s.profile.hours_of_week[5].measured_h, 0.25, 1e-9);
}

/// Lord Howe's clocks move by half an hour: hourly blocks start anew at the change.
#[test]
fn blocks_follow_a_change_that_is_no_multiple() {
    let mut log = at("2026-04-04T13:00:00Z"); // midnight; 02:00 becomes 01:30 at 15:00 UTC
    log.records(4 * 60, MINUTE, 60.0, 0.0);
    let s = run(&log, "time_zone = \"Australia/Lord_Howe\"\n[demand]\ninterval_min = 60\n");
    let b = s.demand.block.as_ref().unwrap();
    // 00–01, 01–02, then half an hour alone, 02–03, and the half hour that is left.
    assert_eq!((b.complete, b.incomplete), (3, 2));
    near(s.energy.active_in_wh, 240e3, 0.5);
    let day: f64 = s.profile.days.iter().map(|d| d.measured_h).sum();
    near(day, 4.0, 1e-9);
    assert_eq!(s.profile.days[0].day_h, 24.5);
}

#[test]
fn the_lowest_interval_looks_only_where_load_counts() {
    let mut log = at("2026-06-01T00:00:00Z");
    log.records(15, MINUTE, 100.0, kvar(100.0, 0.96));
    log.records(15, MINUTE, 30.0, kvar(30.0, 0.8));
    log.records(15, MINUTE, 20.0, kvar(20.0, 0.3));
    log.records(15, MINUTE, 0.0, 0.0);
    let s = run(&log, "");
    let pf = &s.power_factor;
    near(pf.lowest.unwrap().pf.unwrap(), 0.8, 1e-6);
    assert_eq!(pf.lowest.unwrap().start.clock_words(), "00:15");
    near(pf.counts_from_w, 25e3, 0.1);
    assert_eq!((pf.intervals_loaded, pf.intervals_no_load), (3, 1));
    near(pf.below_target_share.unwrap(), 2.0 / 3.0, 1e-12);
    near(pf.low_demand.pf.unwrap(), 0.3, 1e-6);
    near(pf.low_demand.energy_share.unwrap(), 20.0 / 150.0, 1e-6);
    near(s.required.at_lowest_pf_var.unwrap(), kvar(30e3, 0.8) - kvar(30e3, 0.95), 0.1);
    near(s.required.every_interval_var.unwrap(), kvar(20e3, 0.3) - kvar(20e3, 0.95), 0.1);
    let wide = run(&log, "[power_factor]\ncounts_from_share = 0.0\n");
    near(wide.power_factor.lowest.unwrap().pf.unwrap(), 0.3, 1e-6);
}

#[test]
fn without_load_there_is_no_power_factor() {
    let mut log = at("2026-06-01T00:00:00Z");
    log.records(60, MINUTE, 0.0, 0.0);
    let s = run(&log, "");
    let pf = &s.power_factor;
    for x in [pf.average, pf.average_true, pf.average_displacement, pf.at_p_peak, pf.at_s_peak] {
        assert_eq!(x, None);
    }
    assert_eq!((pf.lowest, pf.below_target_share, pf.intervals_no_load), (None, None, 4));
    assert_eq!(s.verdict.class, Class::CannotTell);
    assert!(s.verdict.obstacles.contains(&Obstacle::NoLoad));
    let json = serde_json::to_value(&s).unwrap();
    assert!(json["power_factor"]["average"].is_null());
    assert!(json["profile"]["hours_of_week"][0]["pf"].is_null());
    assert_eq!(s.profile.days[0].pf, None);
}

#[test]
fn a_single_record_is_a_survey_without_demand() {
    let mut log = at("2026-06-01T00:00:00Z");
    log.record(MINUTE, 60.0, 30.0);
    let s = run(&log, "");
    assert_eq!(s.completeness.records, 1);
    near(s.energy.active_in_wh, 1000.0, 0.01);
    let b = s.demand.block.as_ref().unwrap();
    assert_eq!((b.complete, b.incomplete, b.at_p_peak), (0, 1, None));
    assert_eq!(s.verdict.class, Class::CannotTell);
    assert!(s.verdict.obstacles.contains(&Obstacle::NoCompleteInterval));
    assert_eq!(s.counter_check, None);
}

#[test]
fn what_cannot_be_surveyed_says_what_to_do() {
    let plain = Site::default();
    assert_eq!(survey(&IntervalLog::default(), &plain), Err(SurveyError::Empty));
    assert!(SurveyError::Empty.to_string().contains("pull"));
    let mut log = at("2026-06-01T00:00:00Z");
    log.records(3, MINUTE, 1.0, 1.0);
    let mut uneven = log.log.clone();
    uneven.s_va[2].pop();
    assert_eq!(survey(&uneven, &plain), Err(SurveyError::Uneven { expected: 3, found: 2 }));
    let mut mixed = log.log.clone();
    mixed.end_ms.swap(0, 2);
    assert_eq!(survey(&mixed, &plain), Err(SurveyError::OutOfOrder { at: 1 }));
    let mut dead = log.log.clone();
    dead.p_w[0].fill(f32::INFINITY);
    assert_eq!(survey(&dead, &plain), Err(SurveyError::Unusable { records: 3 }));
    let mut far = log.log.clone();
    far.end_ms[2] = i64::MAX / 2;
    assert!(matches!(survey(&far, &plain), Err(SurveyError::Time { .. })));
    let mut split = log.log.clone();
    split.s_effective_va.fill(f32::NAN);
    let effective = site("[demand]\napparent_power = \"effective\"\n");
    assert_eq!(survey(&split, &effective), Err(SurveyError::NoEffective));
}

#[test]
fn the_tariffs_apparent_power_decides_the_kva() {
    let mut log = at("2026-06-01T00:00:00Z");
    log.distortion = 0.8;
    log.records(30, MINUTE, 80.0, 60.0);
    let vector = run(&log, "");
    near(vector.power_factor.average.unwrap(), 0.8, 1e-6);
    near(vector.demand.billed().unwrap().at_s_peak.unwrap().s_va, 100e3, 0.1);
    near(vector.power_factor.average_true.unwrap(), 0.64, 1e-6);
    near(vector.power_factor.not_kvar.distortion_factor.unwrap(), 0.8, 1e-6);
    for text in ["arithmetic", "effective"] {
        let s = run(&log, &format!("[demand]\napparent_power = \"{text}\"\n"));
        near(s.power_factor.average.unwrap(), 0.64, 1e-6);
        near(s.demand.billed().unwrap().at_s_peak.unwrap().s_va, 125e3, 0.1);
        near(s.power_factor.average_displacement.unwrap(), 0.8, 1e-6);
    }
}

/// One record lacks the tariff's kVA: its interval is incomplete, nothing is filled in.
#[test]
fn a_missing_effective_power_leaves_its_interval_incomplete() {
    let mut log = at("2026-06-01T00:00:00Z");
    log.records(30, MINUTE, 80.0, 60.0);
    log.log.s_effective_va[20] = f32::NAN;
    let s = run(&log, "[demand]\napparent_power = \"effective\"\n");
    let b = s.demand.billed().unwrap();
    assert_eq!((b.complete, b.incomplete), (1, 1));
    assert_eq!(s.energy.apparent_effective_vah, None);
    near(s.energy.active_in_wh, 40e3, 0.1);
}

/// Records longer than the interval hold no demand: it would be made up.
#[test]
fn long_records_make_no_demands() {
    let mut log = at("2026-06-01T00:00:00Z");
    log.records(24, HOUR, 80.0, 60.0);
    let s = run(&log, "");
    assert!(s.demand.block.is_none() && s.demand.sliding.is_none());
    assert!(s.verdict.obstacles.contains(&Obstacle::RecordsTooLong));
    near(s.power_factor.average.unwrap(), 0.8, 1e-6);
    let mut quarter = at("2026-06-01T00:00:00Z");
    quarter.records(96, 900.0, 80.0, 60.0);
    let s = run(&quarter, "");
    assert!(s.demand.block.is_some() && s.demand.sliding.is_none());
    assert_eq!(s.demand.blurring_records, 0);
    let mut shifted = at("2026-06-01T00:07:00Z");
    shifted.records(96, 900.0, 80.0, 60.0);
    assert_eq!(run(&shifted, "").demand.blurring_records, 96);
}

#[test]
fn parts_and_pattern_say_when() {
    let s = run(&production_week((100.0, 75.0), (10.0, 20.0)), "");
    let p = &s.profile.parts;
    near(p.working.measured_h, 60.0, 1e-9);
    near(p.nights.measured_h, 60.0, 1e-9);
    near(p.days_off.measured_h, 48.0, 1e-9);
    near(p.working.pf.unwrap(), 0.8, 1e-6);
    near(p.nights.q1_var.unwrap(), 20e3, 0.1);
    near(p.days_off.reactive_net_varh, 960e3, 1.0);
    near(s.pattern.base_q1_var.unwrap(), 20e3, 0.1);
    near(s.pattern.base_share.unwrap(), 20.0 * 168.0 / (75.0 * 60.0 + 20.0 * 108.0), 1e-6);
    assert_eq!(s.pattern.low_hours, 24);
    near(s.pattern.most_lacking_hour.unwrap().q1_var, 75e3, 0.1);
    assert!(s.completeness.whole_week);
    near(s.duration[0].p_w, 100e3, 0.1);
    near(s.duration[10].p_w, 10e3, 0.1);
}

/// 0.62 of kW is PF 0.85 (a district's clause, check B7 by electrical-contractor.net); 27,000 of
/// 60,000 kvarh lie beyond 0.33 × kWh (check B9, powercapacitors.co.uk, the example derived).
#[test]
fn allowances_are_tangents_of_targets() {
    near(wattless_core::correction::tan_of_pf(0.85).unwrap(), 0.61974, 5e-5);
    near(wattless_core::correction::power_factor(1.0, 0.62).unwrap(), 0.84990, 5e-5);
    let mut log = at("2026-06-01T00:00:00Z");
    log.records(600, MINUTE, 10_000.0, 6_000.0);
    let target = wattless_core::correction::power_factor(1.0, 0.33).unwrap();
    let s = run(&log, &format!("[power_factor]\ntarget = {target}\n"));
    near(s.energy.active_in_wh, 1e8, 10.0);
    near(s.required.beyond_target_lagging_varh, 27e6, 10.0);
    near(s.required.average_var.unwrap(), 2.7e6, 1.0);
}

/// Before and after compare by energies, not by means of PFs (check V9): 1160 kVA at PF 0.70 with
/// 410 kvar becomes 0.89 and 913 kVA (check C15, BEE guide book 3, from memory).
#[test]
fn a_correction_shows_in_energies() {
    let (kw, q) = (1160.0 * 0.7, kvar(1160.0 * 0.7, 0.7));
    let mut before = at("2026-06-01T00:00:00Z");
    before.records(60, MINUTE, kw, q);
    let mut after = at("2026-06-08T00:00:00Z");
    after.records(60, MINUTE, kw, q - 410.0);
    let (b, a) = (run(&before, ""), run(&after, ""));
    near(b.power_factor.average.unwrap(), 0.70, 1e-6);
    near(a.power_factor.average.unwrap(), 0.89, 0.005);
    near(a.demand.billed().unwrap().at_s_peak.unwrap().s_va, 913e3, 1e3);
    near(b.energy.reactive_net_varh - a.energy.reactive_net_varh, 410e3, 1.0);
}

#[test]
fn phases_show_their_differences() {
    let mut log = at("2026-06-01T00:00:00Z");
    log.shares = [0.5, 0.3, 0.2];
    log.records(60, MINUTE, 80.0, 60.0);
    let s = run(&log, "[supply]\nline_voltage_v = 400\n");
    assert_eq!(s.phases.phases.len(), 3);
    near(s.phases.phases[0].p_w, 40e3, 0.1);
    near(s.phases.i_unbalance_pct.unwrap(), 50.0, 1e-3);
    near(s.phases.v_unbalance_pct.unwrap(), 0.0, 1e-9);
    near(s.phases.v_nominal_v.unwrap(), 230.94, 0.01);
    near(s.phases.frequency_hz.unwrap(), 50.0, 1e-9);
    let mut single = at("2026-06-01T00:00:00Z");
    single.shares = [1.0, 0.0, 0.0];
    single.records(60, MINUTE, 2.0, 1.0);
    single.log.v_rms_v[1].fill(0.0);
    single.log.v_rms_v[2].fill(0.0);
    let s = run(&single, "");
    assert_eq!(s.phases.phases.len(), 1);
    assert_eq!(s.phases.i_unbalance_pct, None);
}

#[test]
fn json_carries_units_and_rfc_3339() {
    let log = production_week((100.0, 75.0), (10.0, 20.0));
    let s = run(&log, "time_zone = \"America/St_Johns\"\n");
    let json = serde_json::to_value(&s).unwrap();
    assert_eq!(json["first"], "2026-05-31T21:30:00-02:30");
    assert_eq!(json["verdict"]["class"], "worth-fixing");
    assert_eq!(json["profile"]["hours_of_week"].as_array().unwrap().len(), 168);
    assert!(json["energy"]["active_in_wh"].is_f64());
    assert!(json["demand"]["block"]["at_p_peak"]["start"].is_string());
}
