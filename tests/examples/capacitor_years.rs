//! How soon a lost phase of a capacitor is found, and how often for nothing.
//!
//! `cargo run --release -p wattless-tests --example capacitor_years -- 1000`

use wattless::watch::alarm::correction::{Bank, CorrectionWatch, Loss, Terms};
use wattless_tests::feeder_year::{FeederYear, NOMINAL_V, YEAR_MIN};

fn main() {
    let years: u64 = std::env::args().nth(1).and_then(|a| a.parse().ok()).unwrap_or(1000);
    let known = std::env::args().nth(2).as_deref() != Some("unknown");
    let mut false_phase = 0;
    let mut false_unit = 0;
    let mut hours: Vec<(f64, u64, bool)> = Vec::new();
    for seed in 0..years {
        let mut feeder = FeederYear::new(seed);
        let bank = Bank { units_var: if known { feeder.units_var.clone() } else { Vec::new() } };
        let mut watch = CorrectionWatch::new(Terms::default(), bank.clone(), NOMINAL_V);
        let mut alarms = 0;
        while feeder.minute() < YEAR_MIN {
            if let Some(f) = watch.take(&feeder.next_minute(false)) {
                alarms += 1;
                match f.loss {
                    Loss::Phase { .. } => false_phase += 1,
                    Loss::Unit { .. } => false_unit += 1,
                }
            }
        }
        if alarms > 3 {
            println!("seed {seed}: {alarms} false, switched {}", feeder.switched);
        }
        // The same feeder again, with a fault at a time of its own.
        let mut feeder = FeederYear::new(seed);
        let mut watch = CorrectionWatch::new(Terms::default(), bank, NOMINAL_V);
        let at = 30 * 1440 + (seed * 7919 % 300) as u32 * 1440 + (seed * 104_729 % 1440) as u32;
        let mut running_min = 0;
        let mut found = f64::INFINITY;
        while feeder.minute() < YEAR_MIN && running_min < 200 * 60 {
            let failed = feeder.minute() >= at;
            let s = feeder.next_minute(failed);
            let finding = watch.take(&s);
            if failed {
                if watch.is_running(&s) && feeder.failing_unit_on() {
                    running_min += 1;
                }
                if finding.is_some() {
                    found = f64::from(running_min) / 60.0;
                    break;
                }
            }
        }
        if running_min < 24 * 60 && found.is_infinite() {
            continue; // the year was over before a day of running time
        }
        if found > 24.0 {
            println!(
                "seed {seed}: {found:.1} h, {:?}, units {:.0?} of {:.0}, switched {}, armed {}",
                feeder.fault,
                feeder.units_var,
                feeder.units_var.iter().sum::<f64>(),
                feeder.switched,
                watch.is_armed()
            );
        }
        hours.push((found, seed, feeder.switched));
    }
    hours.sort_by(|a, b| a.0.total_cmp(&b.0));
    let n = hours.len();
    let within = hours.iter().filter(|h| h.0 <= 24.0).count();
    println!("{n} faults, {within} ({:.1} %) found within 24 h", 100.0 * within as f64 / n as f64);
    println!("median {:.1} h, 95 % {:.1} h", hours[n / 2].0, hours[n * 95 / 100].0);
    println!(
        "false alarms a year: phase {:.3}, unit {:.3}",
        f64::from(false_phase) / years as f64,
        f64::from(false_unit) / years as f64
    );
}
