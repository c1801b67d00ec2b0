//! The report as one self-contained HTML file: no script, nothing from outside, prints well.

use super::model::{Block, Figure, Report, Section, Table};
use crate::present::chart::{ink, svg, time::both_widths};
use crate::present::locale::Paper;
use std::fmt::Write;

/// Layout, type and colours; charts bring their inks.
const STYLE: &str = include_str!("report.css");

/// The whole file.
pub fn html(report: &Report) -> String {
    let mut w = Writer { out: String::with_capacity(512 * 1024), report };
    w.page();
    w.out
}

struct Writer<'a> {
    out: String,
    report: &'a Report,
}

impl Writer<'_> {
    fn raw(&mut self, markup: &str) {
        self.out.push_str(markup);
    }

    /// An element that holds words only.
    fn element(&mut self, open: &str, words: &str, close: &str) {
        self.raw(open);
        svg::escape(&mut self.out, words);
        self.raw(close);
    }

    fn page(&mut self) {
        let r = self.report;
        let paper = match r.locale.paper {
            Paper::A4 => "A4",
            Paper::Letter => "letter",
        };
        self.raw("<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n");
        self.raw("<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n");
        self.raw("<meta name=\"color-scheme\" content=\"light dark\">\n");
        self.element("<title>", &format!("{}: {}", r.title, r.subject), "</title>\n");
        let _ = writeln!(
            self.out,
            "<style>\n:root{{{}}}\n@media (prefers-color-scheme:dark){{:root{{{}}}}}\n\
             @media print{{:root{{{}}}}}\n@page{{size:{paper}}}\n{STYLE}{}</style>",
            ink::variables(false),
            ink::variables(true),
            ink::variables(false),
            ink::rules(),
        );
        self.raw("</head>\n<body>\n");
        self.raw("<a class=\"skip\" href=\"#main\">Skip to the report</a>\n");
        self.head();
        self.raw("<main id=\"main\">\n");
        self.summary();
        self.contents();
        let mut nth = 0;
        for section in &r.sections {
            nth += 1;
            self.section(section, nth);
        }
        self.raw("</main>\n");
        self.element("<footer><p>", &r.foot, "</p></footer>\n");
        self.raw("</body>\n</html>\n");
    }

    fn head(&mut self) {
        let r = self.report;
        self.raw("<header>\n");
        self.element("<p class=\"kind\">", &r.title, "</p>\n");
        self.element("<h1>", &r.subject, "</h1>\n<dl class=\"head\">\n");
        for (name, value) in &r.head {
            self.element("<div><dt>", name, "</dt>");
            self.element("<dd>", value, "</dd></div>\n");
        }
        self.raw("</dl>\n</header>\n");
    }

    fn summary(&mut self) {
        let r = self.report;
        let s = &r.summary;
        self.raw("<section class=\"summary\" aria-labelledby=\"finding\">\n");
        self.element("<p class=\"tone\">", s.tone.word(), "</p>\n");
        self.element("<h2 id=\"finding\">", &s.headline, "</h2>\n<dl class=\"figures\">\n");
        for f in &s.figures {
            self.element("<div><dt>", &f.label, "</dt>");
            self.element("<dd class=\"value\">", &f.value, "</dd>");
            if !f.note.is_empty() {
                self.element("<dd class=\"note\">", &f.note, "</dd>");
            }
            self.raw("</div>\n");
        }
        self.raw("</dl>\n<dl class=\"points\">\n");
        for (name, words) in &s.points {
            self.element("<div><dt>", name, "</dt>");
            self.element("<dd>", words, "</dd></div>\n");
        }
        self.raw("</dl>\n");
        if let Some(f) = &s.figure {
            self.figure(f);
        }
        self.element("<p class=\"review\">", &s.review, "</p>\n</section>\n");
    }

    fn contents(&mut self) {
        let r = self.report;
        self.raw("<nav aria-label=\"Contents\">\n<h2>For those who check it</h2>\n<ol>\n");
        for section in &r.sections {
            let _ = write!(self.out, "<li><a href=\"#{}\">", section.id);
            self.element("", &section.title, "</a></li>\n");
        }
        self.raw("</ol>\n</nav>\n");
    }

    fn section(&mut self, section: &Section, nth: usize) {
        let class = if section.new_page { " class=\"new-page\"" } else { "" };
        let id = section.id;
        let _ = write!(self.out, "<section id=\"{id}\"{class}>\n<h2><span>{nth}</span> ");
        self.element("", &section.title, "</h2>\n");
        section.blocks.iter().for_each(|b| self.block(b));
        self.raw("</section>\n");
    }

    fn block(&mut self, block: &Block) {
        match block {
            Block::Text(x) => self.element("<p>", x, "</p>\n"),
            Block::Heading(x) => self.element("<h3>", x, "</h3>\n"),
            Block::Points(list) => {
                self.raw("<ul>\n");
                list.iter().for_each(|x| self.element("<li>", x, "</li>\n"));
                self.raw("</ul>\n");
            }
            Block::Facts(list) => {
                self.raw("<dl class=\"facts\">\n");
                for (name, value) in list {
                    self.element("<div><dt>", name, "</dt>");
                    self.element("<dd>", value, "</dd></div>\n");
                }
                self.raw("</dl>\n");
            }
            Block::Table(t) => self.table(t),
            Block::Figure(f) => self.figure(f),
            Block::Caution(x) => {
                self.element("<p class=\"caution\"><strong>Caution.</strong> ", x, "</p>\n");
            }
            Block::Absent(x) => self.element("<p class=\"absent\">", x, "</p>\n"),
        }
    }

    fn table(&mut self, t: &Table) {
        self.element("<div class=\"scroll\" role=\"region\" tabindex=\"0\" aria-label=\"", &t.caption, "\">\n");
        self.element("<table>\n<caption>", &t.caption, "</caption>\n<thead><tr>");
        let side = |k: usize| if k == 0 || t.left.contains(&k) { " class=\"l\"" } else { "" };
        for (k, name) in t.head.iter().enumerate() {
            if name.is_empty() {
                self.raw("<td></td>");
            } else {
                self.element(&format!("<th scope=\"col\"{}>", side(k)), name, "</th>");
            }
        }
        self.raw("</tr></thead>\n<tbody>\n");
        for (n, row) in t.rows.iter().enumerate() {
            self.raw(if t.strong.contains(&n) { "<tr class=\"strong\">" } else { "<tr>" });
            for (k, cell) in row.iter().enumerate() {
                if k == 0 {
                    self.element("<th scope=\"row\" class=\"l\">", cell, "</th>");
                } else {
                    self.element(&format!("<td{}>", side(k)), cell, "</td>");
                }
            }
            self.raw("</tr>\n");
        }
        self.raw("</tbody>\n</table>\n</div>\n");
    }

    fn figure(&mut self, f: &Figure) {
        self.raw("<figure>\n");
        let drawing = both_widths(f.chart.as_ref(), &self.report.locale, &f.name, f.height);
        self.element("<p class=\"name\">", &f.name, "</p>\n");
        self.raw(&drawing);
        self.element("\n<figcaption>", &f.caption, "</figcaption>\n</figure>\n");
    }
}
