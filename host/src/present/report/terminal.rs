//! The report on a terminal: its first page, and its charts in characters.

use super::model::{Block, Figure, Report};
use crate::present::chart::{Canvas, terminal};
use crate::present::text::{Page, Style};

/// Columns of a chart.
const COLUMNS: usize = 80;

/// The first page as text.
pub fn summary_text(report: &Report, style: Style) -> String {
    let mut page = Page::new(style);
    page.heading(&format!("{}: {}", report.title, report.subject));
    for (name, value) in &report.head {
        page.labelled(name, 11, value);
    }
    page.heading(&report.summary.headline);
    for f in &report.summary.figures {
        let note = if f.note.is_empty() { String::new() } else { format!(" ({})", f.note) };
        page.labelled("", 2, &format!("{}: {}{note}", f.label, f.value));
    }
    for (name, words) in &report.summary.points {
        page.heading(name);
        page.labelled("", 2, words);
    }
    page.line("");
    page.labelled("", 0, &report.summary.review);
    page.finish()
}

/// Every chart of the report in characters.
pub fn charts_text(report: &Report, style: Style) -> String {
    let mut page = Page::new(style);
    let figures = report.sections.iter().flat_map(|s| &s.blocks).filter_map(|b| match b {
        Block::Figure(f) => Some(f),
        _ => None,
    });
    for figure in figures {
        page.heading(&figure.name);
        chart_lines(report, figure).iter().for_each(|line| page.line(line));
        page.labelled("", 2, &figure.caption);
    }
    page.finish()
}

fn chart_lines(report: &Report, figure: &Figure) -> Vec<String> {
    let rows = (figure.height / 14.0) as usize;
    terminal::lines(&figure.chart.scene(&Canvas::terminal(COLUMNS, rows), &report.locale))
}
