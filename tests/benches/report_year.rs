//! How long the report of a year of one-minute records takes, from the store to the files.
//!
//! Prints the best of several runs for reading and analysing (survey, bill with a tariff of time
//! of use, candidates of a price list, series for the charts) and for writing HTML; with the feature `pdf`
//! the PDF as well.
//! Run with `cargo bench --bench report_year` (and `--features pdf`).

use std::path::Path;
use std::time::{Duration, Instant};
use wattless::analyse::size::prices::PriceList;
use wattless::analyse::tariff::Tariff;
use wattless::collect::store::{Span, Store};
use wattless::present::report::gather::{Beside, Sources, gather};
use wattless::present::report::html::html;
use wattless::site::Site;
use wattless_tests::made_log::{LogMaker, at, weekday_minutes};
use wattless_tests::made_store;

/// Minutes of a year.
const YEAR: usize = 525_600;

/// Runs of which the best counts.
const RUNS: usize = 3;

/// A plant that works on weekdays, with a gap of a minute a month.
fn log() -> LogMaker {
    let mut log = at("2025-12-31T23:00:00Z");
    for (minute, works, noise) in weekday_minutes(YEAR) {
        if minute % (30 * 1440) == 700 {
            log.pause(60.0);
            continue;
        }
        let (kw, kvar) = if works { (70.0 + 30.0 * noise, 65.0) } else { (4.0 + noise, 3.0) };
        log.record(60.0, kw, kvar);
    }
    log
}

fn main() {
    let host = Path::new(env!("CARGO_MANIFEST_DIR")).join("../host");
    let site = Site::load(&host.join("sites/brackwater.toml")).expect("the example site");
    let tariff = Tariff::load(&host.join("tariffs/millrace.toml")).expect("the example tariff");
    let prices = PriceList::load(&host.join("prices/brackwater.toml")).expect("the example list");
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = folder.path().join("store");
    let made = log();
    let records = made.log.len();
    made_store::store(&path, &[("Sawmill main", &made.log)]);
    let mut store = Store::create(&path).expect("the store opens");
    let node = store.choose(None).expect("one node");
    store.seal_finished(node.id).expect("finished days are sealed");
    let mut best = [Duration::MAX; 3];
    let mut size = [0usize; 2];
    for _ in 0..RUNS {
        let start = Instant::now();
        let gathered = gather(&Sources {
            store: &store,
            node: &node,
            span: Span::ALL,
            site: &site,
            tariff: Some(&tariff),
            horizon: None,
            prices: Some(&prices),
            history: &[],
            installed_ms: None,
            beside: Beside::default(),
        });
        let report = gathered.expect("a report").report(&site, jiff::civil::date(2027, 1, 1));
        best[0] = best[0].min(start.elapsed());
        let start = Instant::now();
        size[0] = html(&report).len();
        best[1] = best[1].min(start.elapsed());
        #[cfg(feature = "pdf")]
        {
            let start = Instant::now();
            size[1] = wattless::present::report::pdf::pdf(&report).expect("a PDF").len();
            best[2] = best[2].min(start.elapsed());
        }
    }
    let ms = |d: Duration| d.as_secs_f64() * 1e3;
    println!("report of {records} one-minute records");
    println!("store to decided report: {:.0} ms", ms(best[0]));
    println!("HTML: {:.0} ms, {} KB", ms(best[1]), size[0] / 1000);
    if best[2] < Duration::MAX {
        println!("PDF: {:.0} ms, {} KB", ms(best[2]), size[1] / 1000);
    }
}
