//! The proof of a correction kept up to date, on logs whose truth is known in closed form.

use std::convert::Infallible;
use wattless::analyse::standing::{Keeper, StandingProof};
use wattless::analyse::tariff::Tariff;
use wattless::bench::chance::Chance;
use wattless::collect::log::IntervalLog;
use wattless::collect::store::Span;
use wattless::site::Site;
use wattless_tests::made_log::{LogMaker, V, at};

const HOUR_MS: i64 = 3_600_000;
const DAY_MS: i64 = 24 * HOUR_MS;

/// 2026-06-01, a Monday: four weeks ahead of the work.
const BEGINS: &str = "2026-06-01T00:00:00Z";

const SITE: &str = "[supply]\nline_voltage_v = 398.3717\nfrequency_hz = 50\n\
                    [[installed]]\nname = \"Bank\"\nkvar = 50\nrated_v = 400\nsince = \"2026-06-29\"\n";

/// 0.02 a lagging kvarh, nothing else: money is energy.
const TARIFF: &str = "name = \"Kvarh only\"\ncurrency = \"EUR\"\n[demand]\ninterval_min = 15\n\
                      [[charge]]\nclause = \"kvarh\"\nname = \"Reactive energy\"\n\
                      rate_per_kvarh = 0.02\nallowance_kvarh = 0\n";

fn site(text: &str) -> Site {
    match Site::parse(text, "site.toml".as_ref()) {
        Ok(site) => site,
        Err(e) => panic!("{e}"),
    }
}

fn tariff() -> Tariff {
    match Tariff::parse(TARIFF, "tariff.toml".as_ref()) {
        Ok(t) => t,
        Err(e) => panic!("{e}"),
    }
}

/// Output of the bank at the voltage of the made log: 50 kvar at 400 V, with V² (physics).
fn output_kvar() -> f64 {
    let phase_v = 400.0 / libm::sqrt(3.0);
    50.0 * (V / phase_v) * (V / phase_v)
}

/// Weeks of a plant that draws 65 kvar and 0.4 kvar a kW at all hours, less a share of the bank in
/// each week from the fifth on.
fn log(record_s: f64, shares: &[f64]) -> LogMaker {
    let mut c = Chance::new(21, "standing");
    let mut maker = at(BEGINS);
    let records = (7.0 * 86_400.0 / record_s) as usize;
    let mut wander = 0.0;
    for week in 0..4 + shares.len() {
        for k in 0..records {
            let second = (k as f64 * record_s) % 86_400.0;
            let works = (21_600.0..64_800.0).contains(&second) && k * 7 / records < 5;
            let pace = record_s / 900.0;
            wander += pace.min(1.0) * -wander + 6.0 * libm::sqrt(pace).min(1.0) * c.normal();
            let kw = if works { 70.0 + wander } else { 12.0 + 0.2 * wander };
            let given = if week < 4 { 0.0 } else { shares[week - 4] * output_kvar() };
            maker.record(record_s, kw, 65.0 + 0.4 * kw - given);
        }
    }
    maker
}

/// The records of a span, as a store would give them.
fn part(log: &IntervalLog, span: Span) -> IntervalLog {
    let mut out = IntervalLog::default();
    for k in (0..log.len()).filter(|k| span.holds(log.end_ms[*k])) {
        out.seq.push(log.seq[k]);
        out.boot.push(log.boot[k]);
        out.end_ms.push(log.end_ms[k]);
        out.duration_us.push(log.duration_us[k]);
        out.flags.push(log.flags[k]);
        out.placed.push(log.placed[k]);
        out.frames_lost.push(log.frames_lost[k]);
        out.frequency_10uhz.push(log.frequency_10uhz[k]);
        for n in 0..3 {
            out.v_rms_v[n].push(log.v_rms_v[n][k]);
            out.i_rms_a[n].push(log.i_rms_a[n][k]);
            out.p_w[n].push(log.p_w[n][k]);
            out.q1_var[n].push(log.q1_var[n][k]);
            out.s_va[n].push(log.s_va[n][k]);
        }
        out.s_effective_va.push(log.s_effective_va[k]);
        for (to, from) in out.energy_counts.iter_mut().zip(&log.energy_counts) {
            to.push(from[k]);
        }
    }
    out
}

/// Goes on until nothing is left to do at an instant.
fn settle(keeper: &mut Keeper, log: &IntervalLog, now_ms: i64) -> Option<StandingProof> {
    let mut steps = 0;
    while keeper
        .advance(now_ms, &mut |span: Span| {
            // A day at a time, whatever the age of the store.
            assert!(span.to_ms - span.from_ms <= DAY_MS, "{span:?}");
            let until = Span { to_ms: span.to_ms.min(now_ms), ..span };
            Ok::<_, Infallible>(part(log, until))
        })
        .unwrap_or(false)
    {
        steps += 1;
        assert!(steps < 200, "it never ends");
    }
    keeper.standing().cloned()
}

fn near(found: f64, truth: f64, within: f64, what: &str) {
    assert!((found - truth).abs() <= within, "{what}: {found}, in truth {truth}");
}

#[test]
fn a_week_that_holds_and_a_week_that_has_fallen() {
    let made = log(300.0, &[1.0, 1.0, 1.0, 0.6, 0.6]);
    let begins_ms = made.log.start_ms(0);
    let work_ms = begins_ms + 28 * DAY_MS;
    let mut keeper = Keeper::new(&site(SITE), Some(tariff()), 0.15).expect("a bank is listed");
    assert_eq!(settle(&mut keeper, &made.log, work_ms - DAY_MS), None);

    let s = settle(&mut keeper, &made.log, work_ms + 3 * DAY_MS).expect("the bank is there");
    assert!(s.change_var.is_none() && s.notes.iter().any(|n| n.contains("under way")), "{s:?}");

    let s = settle(&mut keeper, &made.log, work_ms + 21 * DAY_MS).expect("three weeks");
    let (proof, week) = (s.proof.expect("proof"), s.week.expect("week"));
    for (name, r) in [("proof", proof), ("week", week)] {
        near(r.removed_var, 1e3 * output_kvar(), r.uncertainty_var.max(300.0), name);
        near(r.expected_var.expect("listed"), 1e3 * output_kvar(), 1.0, "expected");
        assert!(r.uncertainty_var < 5e3, "{r:?}");
    }
    let (change, u) = (s.change_var.expect("weeks"), s.change_uncertainty_var.expect("weeks"));
    near(change, 0.0, u.max(300.0), "change");
    assert!(!s.fell);
    let saved = s.saved.expect("a tariff");
    let hours = 21.0 * 24.0;
    // Money in closed form: the bank's kvarh at 0.02.
    let truth = 0.02 * output_kvar() * hours;
    near(saved.money, truth, 0.02 * truth, "saved");
    assert_eq!((saved.currency.as_str(), saved.from_ms), ("EUR", work_ms));
    near(saved.covered_share, 1.0, 1e-6, "covered");

    let s = settle(&mut keeper, &made.log, work_ms + 35 * DAY_MS).expect("five weeks");
    assert!(s.fell, "{s:?}");
    near(s.change_var.expect("weeks"), -0.4e3 * output_kvar(), 1.5e3, "fall");
    near(s.week.expect("week").removed_var, 0.6e3 * output_kvar(), 1.5e3, "this week");
    let words = s.fall_words();
    assert!(words.contains("kvar less are removed this week"), "{words}");
    // Three whole weeks and two at 60 %.
    let truth = 0.02 * output_kvar() * 7.0 * 24.0 * (3.0 + 2.0 * 0.6);
    near(s.saved.as_ref().expect("a tariff").money, truth, 0.03 * truth, "saved");

    // A keeper that is started only now comes to the same.
    let mut late = Keeper::new(&site(SITE), Some(tariff()), 0.15).expect("a bank is listed");
    let again = settle(&mut late, &made.log, work_ms + 35 * DAY_MS).expect("five weeks");
    assert_eq!(again.fell, s.fell);
    let money = |s: &StandingProof| s.saved.as_ref().map_or(f64::NAN, |x| x.money);
    near(money(&again), money(&s), 1e-6 * truth, "late");
}

/// Records of ten seconds are joined, and come to the same as longer ones.
#[test]
fn short_records_come_to_the_same() {
    let found: Vec<f64> = [10.0, 300.0]
        .into_iter()
        .map(|record_s| {
            let made = log(record_s, &[1.0, 0.8]);
            let end_ms = made.now_ms;
            let mut keeper = Keeper::new(&site(SITE), None, 0.15).expect("a bank is listed");
            let s = settle(&mut keeper, &made.log, end_ms).expect("two weeks");
            assert!(s.saved.is_none() && s.notes.iter().any(|n| n.contains("tariff")));
            s.change_var.expect("two weeks")
        })
        .collect();
    near(found[0], -0.2e3 * output_kvar(), 1e3, "10 s");
    near(found[1], -0.2e3 * output_kvar(), 1e3, "300 s");
}

/// A bank that was there before the first record: there is no time before, so what it removes is
/// not known, but its fall is; and what is always on saves by its nameplate.
#[test]
fn without_a_time_before_the_weeks_are_still_compared() {
    let made = log(300.0, &[1.0, 1.0, 0.7]);
    let begins_ms = made.log.start_ms(0);
    let log = part(&made.log, Span { from_ms: begins_ms + 28 * DAY_MS, to_ms: i64::MAX });
    let mut keeper = Keeper::new(&site(SITE), Some(tariff()), 0.15).expect("a bank is listed");
    let s = settle(&mut keeper, &log, made.now_ms).expect("three weeks");
    assert!(s.proof.is_none() && s.week.is_none());
    assert!(s.notes.iter().any(|n| n.starts_with("No record from before the work")), "{s:?}");
    assert!(s.fell);
    near(s.change_var.expect("weeks"), -0.3e3 * output_kvar(), 1e3, "fall");
    let truth = 0.02 * output_kvar() * 21.0 * 24.0;
    near(s.saved.expect("a tariff").money, truth, 0.02 * truth, "saved by nameplate");
}

/// A plant that runs less for a week, all of it at loads that were seen before, has not lost
/// capacitors.
#[test]
fn a_slack_week_is_no_fall() {
    let full = log(300.0, &[1.0, 1.0, 1.0]);
    let last_ms = full.now_ms - 7 * DAY_MS;
    let mut slack = part(&full.log, Span { from_ms: i64::MIN, to_ms: last_ms });
    let quiet = part(&full.log, Span { from_ms: last_ms, to_ms: i64::MAX });
    for k in 0..quiet.len() {
        let hour = (quiet.end_ms[k] - 1).rem_euclid(DAY_MS) / HOUR_MS;
        // Only the mornings are worked; the afternoons are missing from the log altogether.
        if hour < 12 {
            let one = part(&quiet, Span { from_ms: quiet.end_ms[k] - 1, to_ms: quiet.end_ms[k] });
            append(&mut slack, &one);
        }
    }
    let mut keeper = Keeper::new(&site(SITE), None, 0.15).expect("a bank is listed");
    let s = settle(&mut keeper, &slack, full.now_ms).expect("three weeks");
    assert!(!s.fell, "{s:?}");
    near(s.change_var.expect("weeks"), 0.0, s.change_uncertainty_var.expect("weeks"), "change");
}

fn append(to: &mut IntervalLog, one: &IntervalLog) {
    to.seq.extend(&one.seq);
    to.boot.extend(&one.boot);
    to.end_ms.extend(&one.end_ms);
    to.duration_us.extend(&one.duration_us);
    to.flags.extend(&one.flags);
    to.placed.extend(&one.placed);
    to.frames_lost.extend(&one.frames_lost);
    to.frequency_10uhz.extend(&one.frequency_10uhz);
    for n in 0..3 {
        to.v_rms_v[n].extend(&one.v_rms_v[n]);
        to.i_rms_a[n].extend(&one.i_rms_a[n]);
        to.p_w[n].extend(&one.p_w[n]);
        to.q1_var[n].extend(&one.q1_var[n]);
        to.s_va[n].extend(&one.s_va[n]);
    }
    to.s_effective_va.extend(&one.s_effective_va);
    for (a, b) in to.energy_counts.iter_mut().zip(&one.energy_counts) {
        a.extend(b);
    }
}

#[test]
fn nothing_installed_at_a_date_keeps_nothing() {
    assert!(Keeper::new(&Site::default(), None, 0.15).is_none());
    let undated = "[[installed]]\nname = \"Bank\"\nkvar = 50\nrated_v = 400\n";
    assert!(Keeper::new(&site(undated), None, 0.15).is_none());
}

/// The next report has it: two weeks and more after the work a table of both weeks and the verdict.
#[test]
fn the_report_says_what_has_become_of_it() {
    use wattless::collect::store::Store;
    use wattless::present::report::gather::{Beside, Sources, gather};
    use wattless::present::report::html;

    for (shares, verdict) in
        [(&[1.0, 1.0, 1.0][..], "no fall that counts"), (&[1.0, 0.6, 0.6][..], "It has fallen")]
    {
        let made = log(300.0, shares);
        let folder = tempfile::tempdir().expect("a folder");
        wattless_tests::made_store::store(folder.path(), &[("Sawmill main", &made.log)]);
        let store = Store::open(folder.path()).expect("the store");
        let node = store.choose(None).expect("one node");
        let (site, tariff) = (site(SITE), tariff());
        let sources = Sources {
            store: &store,
            node: &node,
            span: Span::ALL,
            site: &site,
            tariff: Some(&tariff),
            horizon: None,
            prices: None,
            history: &[],
            installed_ms: Some(made.log.start_ms(0) + 28 * DAY_MS),
            beside: Beside::default(),
        };
        let gathered = gather(&sources).expect("a report can be made");
        let report = gathered.report(&site, jiff::civil::date(2026, 8, 1));
        let page = html::html(&report);
        for words in ["Since then", "Week of the proof", "Newest week", verdict] {
            assert!(page.contains(words), "{words}");
        }
        if let Some(to) = std::env::var_os("WATTLESS_PROOF_PAGE") {
            std::fs::write(to, &page).expect("a page can be written");
        }
    }
}
