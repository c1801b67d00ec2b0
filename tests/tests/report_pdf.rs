//! The report as PDF: it is one, it holds the headline figures as text, fonts and tags included.

use std::path::Path;
use std::process::Command;
use wattless::analyse::bill::extrapolate::Horizon;
use wattless::analyse::size::prices::PriceList;
use wattless::analyse::tariff::Tariff;
use wattless::collect::store::{Span, Store};
use wattless::present::report::Report;
use wattless::present::report::gather::{Beside, Sources, gather};
use wattless::present::report::pdf::pdf;
use wattless::site::Site;
use wattless_tests::made_log::{kvar, production_week};
use wattless_tests::made_store;

const SITE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../host/sites/brackwater.toml");
const PRICES: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../host/prices/brackwater.toml");
const TARIFF: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../host/tariffs/millrace.toml");

fn report(folder: &Path, site: &Site, with_prices: bool) -> Report {
    let log = production_week((12_345.6, kvar(12_345.6, 0.75)), (100.0, 50.0));
    let store = folder.join("store");
    made_store::store(&store, &[("Sawmill main", &log.log)]);
    let store = Store::open(&store).unwrap();
    let node = store.choose(None).unwrap();
    let tariff = Tariff::load(Path::new(TARIFF)).unwrap();
    let prices = PriceList::load(Path::new(PRICES)).unwrap();
    let gathered = gather(&Sources {
        store: &store,
        node: &node,
        span: Span::ALL,
        site,
        tariff: Some(&tariff),
        horizon: Some(Horizon::Month),
        prices: with_prices.then_some(&prices),
        history: &[],
        installed_ms: None,
        beside: Beside::default(),
    });
    gathered.unwrap().report(site, jiff::civil::date(2026, 6, 8))
}

/// What a command of poppler says about a PDF.
fn poppler(tool: &str, file: &Path, rest: &[&str]) -> String {
    let out = Command::new(tool).arg(file).args(rest).output();
    let out = out.unwrap_or_else(|e| panic!("{tool}: {e}; install poppler-utils"));
    assert!(out.status.success(), "{tool}: {}", String::from_utf8_lossy(&out.stderr));
    String::from_utf8(out.stdout).unwrap()
}

/// Blanks of every kind are one blank: lines break where they like.
fn plain(text: &str) -> String {
    let blank = |c: char| c.is_whitespace() || c == '\u{202f}' || c == '\u{a0}';
    text.split(blank).filter(|w| !w.is_empty()).collect::<Vec<_>>().join(" ")
}

#[test]
fn the_pdf_holds_every_headline_figure_and_heading() {
    let folder = tempfile::tempdir().unwrap();
    let site = Site::load(Path::new(SITE)).unwrap();
    let report = report(folder.path(), &site, true);
    let file = folder.path().join("report.pdf");
    std::fs::write(&file, pdf(&report).unwrap()).unwrap();
    let text = plain(&poppler("pdftotext", &file, &["-layout", "-"]));
    for f in &report.summary.figures {
        assert!(text.contains(&plain(&f.value)), "{} is not in {text}", f.value);
    }
    let raw = plain(&poppler("pdftotext", &file, &["-raw", "-"]));
    for section in &report.sections {
        assert!(raw.contains(&plain(&section.title)), "{} is not there", section.title);
    }
    assert!(raw.contains(&plain(&report.summary.headline)));
    assert!(raw.contains("12 346 kW") && raw.contains("0,95"));
    let info = poppler("pdfinfo", &file, &[]);
    let value = |name: &str| {
        let line = info.lines().find(|l| l.starts_with(name)).unwrap_or_default();
        line.split_once(':').map_or("", |x| x.1).trim().to_owned()
    };
    assert!(value("Title").contains("Brackwater Joinery"), "{info}");
    assert_eq!(value("Tagged"), "yes");
    assert!(value("Page size").contains("A4"), "{info}");
    let pages: usize = value("Pages").parse().unwrap();
    assert!((5..=16).contains(&pages), "{pages} pages");
    // The owner's page is one page: what follows it begins on the second.
    let first = plain(&poppler("pdftotext", &file, &["-raw", "-f", "1", "-l", "1", "-"]));
    assert!(first.contains("licensed") && !first.contains("Method and site"), "{first}");
    // Every font is embedded.
    let fonts = poppler("pdffonts", &file, &[]);
    let embedded = |l: &str| l.split_whitespace().rev().nth(4) == Some("yes");
    assert!(fonts.lines().skip(2).all(embedded) && fonts.lines().count() > 3, "{fonts}");
}

#[test]
fn letter_paper_and_points_where_the_site_is_american() {
    let folder = tempfile::tempdir().unwrap();
    let text = "name = \"Plant \\\"A\\\" #1 $x$\"\ntime_zone = \"America/Chicago\"\n";
    let site = Site::parse(text, Path::new("site.toml")).unwrap();
    // Its 60 Hz have no price list here.
    let report = report(folder.path(), &site, false);
    let file = folder.path().join("report.pdf");
    std::fs::write(&file, pdf(&report).unwrap()).unwrap();
    assert!(poppler("pdfinfo", &file, &[]).contains("letter"));
    let raw = plain(&poppler("pdftotext", &file, &["-raw", "-"]));
    assert!(raw.contains("12,346 kW") && raw.contains("06/08/2026"), "{raw}");
    assert!(raw.contains("Plant \"A\" #1 $x$"), "words became markup");
}
