//! How fast a store is billed, reading included: energies, demand and PF by month, as JSON.
//!
//! `cargo run --release -p wattless --example bill_speed STORE`; `tests/polars_ratio.py` sets it
//! against a data-frame library on the same files.

use std::path::Path;
use std::time::Instant;
use wattless::analyse::bill::bill;
use wattless::analyse::series::LoadSeries;
use wattless::analyse::tariff::Tariff;
use wattless::collect::store::{Span, Store};

const TARIFF: &str = "currency = \"EUR\"
[demand]
interval_min = 15
[power_factor]
basis = \"average\"
reactive = \"net\"
[[charge]]
clause = \"energy\"
rate_per_kwh = 0.12
[[charge]]
clause = \"demand\"
rate_per_kw = 10
target_pf = 0.95
";

const RUNS: usize = 9;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let folder = std::env::args().nth(1).ok_or("usage: bill_speed STORE")?;
    let tariff = Tariff::parse(TARIFF, Path::new("tariff.toml"))?;
    let store = Store::open(Path::new(&folder))?;
    let node = store.choose(None)?.id;
    let mut best = [f64::INFINITY; 2];
    let mut result = None;
    for _ in 0..RUNS {
        let start = Instant::now();
        let powers = store.read_powers(node, Span::ALL, tariff.demand.apparent)?;
        let read = start.elapsed().as_secs_f64();
        let series = LoadSeries::of_powers(&powers, tariff.step_s())?;
        let billed = bill(&series, &tariff, &jiff::tz::TimeZone::UTC, &[])?;
        let whole = start.elapsed().as_secs_f64();
        best = [best[0].min(read), best[1].min(whole)];
        result = Some(billed);
    }
    let months: Vec<serde_json::Value> = result
        .iter()
        .flat_map(|b| &b.months)
        .map(|m| {
            let t = &m.quantities.figures.total;
            serde_json::json!({
                "month": m.quantities.frame.label,
                "kwh": t.p_in_kwh,
                "kvarh_lag": t.q_lag_kvarh,
                "peak_kw": t.p_peak.p_kw,
                "pf": m.quantities.figures.power_factor.average,
            })
        })
        .collect();
    let [read, whole] = best.map(|s| s * 1e3);
    println!("{}", serde_json::json!({ "read_ms": read, "whole_ms": whole, "months": months }));
    Ok(())
}
