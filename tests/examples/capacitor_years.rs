//! How soon a lost phase of a capacitor is found, and how often for nothing.
//!
//! `cargo run --release -p wattless-tests --example capacitor_years -- 1000`, on as many threads
//! as a second argument says (1). Every minute goes as a record through all alarms of the watch;
//! those that are about capacitors count.

use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};
use wattless::site::Site;
use wattless::watch::alarm::correction::{Sample, Terms};
use wattless::watch::alarm::usual::UsualPeak;
use wattless::watch::alarm::{Alarms, Change, Kind};
use wattless_core::record::{Record, RecordPhase, WallQuality};
use wattless_tests::capacitor_years::{AGEING_WEEK, Tally, WITHIN_H, Watch};
use wattless_tests::feeder_year::{FeederYear, NOMINAL_V};

/// A Monday, 00:00 UTC.
const BEGINS_MS: i64 = 1_767_571_200_000;

/// All alarms of a station, and what counts as running.
#[derive(Clone)]
struct Full {
    alarms: Alarms,
    peak: UsualPeak,
    seq: u32,
}

impl Full {
    fn new(feeder: &FeederYear) -> Full {
        let kvar: Vec<String> =
            feeder.units_var.iter().map(|v| format!("{:.6}", v / 1e3)).collect();
        let text = format!(
            "[supply]\nline_voltage_v = {}\n[watch.alarms]\nunits_kvar = [{}]\nswitched = {}\n",
            NOMINAL_V * libm::sqrt(3.0),
            kvar.join(", "),
            feeder.switched
        );
        let site = match Site::parse(&text, "made".as_ref()) {
            Ok(site) => site,
            Err(e) => panic!("{e}"),
        };
        Full {
            alarms: Alarms::new(site.watch.alarms.clone(), &site),
            peak: UsualPeak::default(),
            seq: 0,
        }
    }
}

impl Watch for Full {
    fn take(&mut self, s: &Sample) -> Vec<&'static str> {
        self.seq += 1;
        self.peak.take(s.p_w.iter().sum(), s.duration_s, true);
        let phases = std::array::from_fn(|k| {
            let s_va = libm::hypot(s.p_w[k], s.q1_var[k]);
            RecordPhase {
                v_rms_v: s.v_v[k] as f32,
                i_rms_a: (s_va / s.v_v[k]) as f32,
                p_w: s.p_w[k] as f32,
                q1_var: s.q1_var[k] as f32,
                s_va: s_va as f32,
                ..RecordPhase::default()
            }
        });
        let end_ms = BEGINS_MS + s.end_ms;
        let record = Record {
            seq: self.seq,
            boot: 1,
            uptime_ms: s.end_ms as u64,
            wall_ms: end_ms as u64,
            wall_quality: WallQuality::Host,
            windows: 300,
            duration_us: 60_000_000,
            frequency_10uhz: 5_000_000,
            phases,
            ..Record::BLANK
        };
        let changes = self.alarms.take(&record, end_ms);
        let raised = changes.into_iter().filter_map(|c| match c {
            Change::Raised(a) if Kind::OF_CORRECTION.contains(&a.kind) => Some(a.kind.word()),
            _ => None,
        });
        raised.collect()
    }

    fn is_running(&self, s: &Sample) -> bool {
        let p_w: f64 = s.p_w.iter().sum();
        self.peak.watts().is_some_and(|peak| p_w > Terms::default().running_share * peak)
    }
}

fn main() {
    let argument = |n: usize| std::env::args().nth(n).and_then(|a| a.parse::<u64>().ok());
    let (years, threads) = (argument(1).unwrap_or(1000), argument(2).unwrap_or(1).max(1));
    let next = AtomicU64::new(0);
    let all = Mutex::new(Tally::default());
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                loop {
                    let seed = next.fetch_add(1, Ordering::Relaxed);
                    if seed >= years {
                        break;
                    }
                    let mut one = Tally::default();
                    one.add(seed, Full::new);
                    let mut all = all.lock().unwrap_or_else(PoisonError::into_inner);
                    all.join(one);
                    if all.years.is_multiple_of(100) {
                        eprintln!("{} of {years} feeders", all.years);
                        tell(&all);
                    }
                }
            });
        }
    });
    let all = all.into_inner().unwrap_or_else(PoisonError::into_inner);
    if !all.years.is_multiple_of(100) {
        tell(&all);
    }
    for f in all.faults.iter().filter(|f| f.hours > WITHIN_H) {
        println!("feeder {}: {:.1} h, {}, switched {}", f.seed, f.hours, f.what, f.switched);
    }
}

fn tell(all: &Tally) {
    println!(
        "{} feeders, {} with one phase of one unit lost: {:.1} % found within {WITHIN_H:.0} h of \
         running time (median {:.1} h, 95 % within {:.1} h)",
        all.years,
        all.faults.len(),
        100.0 * all.found_share(),
        all.hours_at(0.5),
        all.hours_at(0.95)
    );
    println!(
        "{} healthy feeder-years: {:.3} false alarms a year, {} years with any; {:?}",
        all.years,
        all.false_a_year(),
        all.years_with_false,
        all.false_alarms
    );
    println!(
        "{} banks always on that lose {:.0} % a week: slow loss found after {:.1} weeks (median), \
         {:.1} weeks (95 %)",
        all.ageing_weeks.len(),
        100.0 * AGEING_WEEK,
        all.weeks_at(0.5),
        all.weeks_at(0.95)
    );
}
