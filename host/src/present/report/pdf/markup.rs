//! The report as Typst source: calls of the functions in `report.typ`, words as strings only.

use crate::present::chart::{Canvas, ink::Ink, svg};
use crate::present::locale::Paper;
use crate::present::report::model::{Block, Figure, Report, Table};
use std::fmt::Write;

/// Functions that lay out a page, a table, a figure.
const LAYOUT: &str = include_str!("report.typ");

/// Width of a chart's drawing; on paper it is made as wide as the text.
const WIDTH: f64 = 600.0;

/// A source with its drawings.
pub(super) struct Document {
    pub(super) source: String,
    /// Names and drawings.
    pub(super) charts: Vec<(String, String)>,
}

/// Sets a report.
pub(super) fn document(report: &Report) -> Document {
    let mut w = Writer { source: String::with_capacity(64 * 1024), charts: Vec::new(), report };
    w.all();
    Document { source: w.source, charts: w.charts }
}

/// A string literal of Typst.
fn literal(text: &str) -> String {
    let mut out = String::with_capacity(text.len() + 2);
    out.push('"');
    for c in text.chars() {
        match c {
            '"' => out.push_str("\\\""),
            '\\' => out.push_str("\\\\"),
            '\n' => out.push(' '),
            c if c.is_control() => {}
            c => out.push(c),
        }
    }
    out.push('"');
    out
}

/// An array of string literals.
fn array<'a>(items: impl IntoIterator<Item = &'a String>) -> String {
    let mut out = String::from("(");
    for x in items {
        out.push_str(&literal(x));
        out.push(',');
    }
    out.push(')');
    out
}

/// An array of pairs.
fn pairs(items: &[(String, String)]) -> String {
    let mut out = String::from("(");
    for (a, b) in items {
        let _ = write!(out, "({},{}),", literal(a), literal(b));
    }
    out.push(')');
    out
}

struct Writer<'a> {
    source: String,
    charts: Vec<(String, String)>,
    report: &'a Report,
}

impl Writer<'_> {
    fn call(&mut self, text: &str) {
        let _ = writeln!(self.source, "#{text}");
    }

    fn all(&mut self) {
        let r = self.report;
        for ink in Ink::ALL {
            // `text` and `grid` are functions of Typst.
            let name = match ink {
                Ink::Text => "text-ink",
                Ink::Grid => "grid-ink",
                other => other.name(),
            };
            let _ = writeln!(self.source, "#let {name} = rgb(\"{}\")", ink.light());
        }
        self.source.push_str(LAYOUT);
        let paper = match r.locale.paper {
            Paper::A4 => "a4",
            Paper::Letter => "us-letter",
        };
        let by = r.head.iter().find(|(name, _)| name == "Made by").map_or("", |(_, who)| who);
        let title = format!("{}: {}", r.title, r.subject);
        let _ = writeln!(
            self.source,
            "#show: report.with(title: {}, author: {}, paper: \"{paper}\", foot: {})",
            literal(&title),
            literal(by),
            literal(&r.foot)
        );
        self.call(&format!(
            "masthead({}, {}, {})",
            literal(&r.title),
            literal(&r.subject),
            pairs(&r.head)
        ));
        let s = &r.summary;
        self.call(&format!("finding({}, {})", literal(s.tone.word()), literal(&s.headline)));
        let mut figures = String::from("figures((");
        for f in &s.figures {
            let _ = write!(
                figures,
                "({},{},{}),",
                literal(&f.label),
                literal(&f.value),
                literal(&f.note)
            );
        }
        figures.push_str("))");
        self.call(&figures);
        self.call(&format!("points({})", pairs(&s.points)));
        if let Some(f) = &s.figure {
            self.figure(f);
        }
        self.call(&format!("review({})", literal(&s.review)));
        for (nth, section) in r.sections.iter().enumerate() {
            if section.new_page {
                self.call("pagebreak(weak: true)");
            }
            self.call(&format!("section({}, {})", nth + 1, literal(&section.title)));
            section.blocks.iter().for_each(|b| self.block(b));
        }
    }

    fn block(&mut self, block: &Block) {
        match block {
            Block::Text(x) => self.call(&format!("words({})", literal(x))),
            Block::Heading(x) => self.call(&format!("minor({})", literal(x))),
            Block::Points(list) => self.call(&format!("bullets({})", array(list))),
            Block::Facts(list) => self.call(&format!("facts({})", pairs(list))),
            Block::Table(t) => self.table(t),
            Block::Figure(f) => self.figure(f),
            Block::Caution(x) => self.call(&format!("caution({})", literal(x))),
            Block::Absent(x) => self.call(&format!("absent({})", literal(x))),
        }
    }

    fn table(&mut self, t: &Table) {
        let columns = t.head.len();
        let mut widths = String::from("(");
        for k in 0..columns {
            let cells = t.rows.iter().filter_map(|r| r.get(k)).chain(t.head.get(k));
            let longest = cells.map(|c| c.chars().count()).max().unwrap_or(0);
            let _ = write!(widths, "{}fr,", longest.clamp(4, 34));
        }
        widths.push(')');
        let mut left = String::from("(0,");
        t.left.iter().for_each(|k| {
            let _ = write!(left, "{k},");
        });
        left.push(')');
        let strong: Vec<String> = t.strong.iter().map(usize::to_string).collect();
        let mut rows = String::from("(");
        for row in &t.rows {
            let _ = write!(rows, "{},", array(row));
        }
        rows.push(')');
        self.call(&format!(
            "grid-table({}, {widths}, {left}, ({}), {}, {rows})",
            literal(&t.caption),
            strong.iter().map(|s| format!("{s},")).collect::<String>(),
            array(&t.head),
        ));
    }

    fn figure(&mut self, f: &Figure) {
        let locale = &self.report.locale;
        let canvas = Canvas::page(WIDTH, libm::round(f.height * 0.84));
        let scene = f.chart.scene(&canvas, locale);
        let name = format!("chart-{}.svg", self.charts.len() + 1);
        let drawing = svg::svg(&scene, svg::Colours::Fixed, &f.name, "", "");
        let alt = f.chart.alt(locale);
        self.call(&format!(
            "chart({}, {}, {}, {})",
            literal(&name),
            literal(&f.name),
            literal(&f.caption),
            literal(&alt)
        ));
        self.charts.push((name, drawing));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_cannot_become_markup() {
        assert_eq!(literal("a \"b\" \\ #c\n$d$\u{7}"), "\"a \\\"b\\\" \\\\ #c $d$\"");
        assert_eq!(array(&["x".to_owned()]), "(\"x\",)");
    }
}
