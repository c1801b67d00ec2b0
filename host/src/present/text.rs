//! Laying out text for a terminal: headings, wrapped paragraphs, tables.

use comfy_table::{CellAlignment, ContentArrangement, Table};
use std::fmt::Write;

/// How wide to write, and whether headings may be bold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Style {
    /// Columns.
    pub width: usize,
    /// Whether the reader is a terminal that shows bold.
    pub bold: bool,
}

impl Style {
    /// 80 columns without bold: files, pipes, tests.
    pub const PLAIN: Style = Style { width: 80, bold: false };

    /// Bold if standard output is a terminal and NO_COLOR is not set.
    pub fn for_stdout() -> Style {
        use std::io::IsTerminal;
        let plain = std::env::var_os("NO_COLOR").is_some_and(|v| !v.is_empty())
            || std::env::var_os("TERM").is_some_and(|t| t == "dumb");
        Style { bold: std::io::stdout().is_terminal() && !plain, ..Style::PLAIN }
    }

    /// A text made to stand out, where that is possible.
    pub fn strong(&self, text: &str) -> String {
        if !self.bold {
            return text.to_owned();
        }
        let style = anstyle::Style::new().bold();
        format!("{style}{text}{style:#}")
    }
}

/// A text that grows from top to bottom.
#[derive(Clone, Debug)]
pub struct Page {
    style: Style,
    out: String,
}

impl Page {
    /// An empty page.
    pub fn new(style: Style) -> Page {
        Page { style, out: String::new() }
    }

    /// The text.
    pub fn finish(self) -> String {
        self.out
    }

    /// A heading after an empty line.
    pub fn heading(&mut self, title: &str) {
        if !self.out.is_empty() {
            self.out.push('\n');
        }
        for line in wrapped(title, self.style.width) {
            let _ = writeln!(self.out, "{}", self.style.strong(&line));
        }
    }

    /// A line as it is.
    pub fn line(&mut self, text: &str) {
        let _ = writeln!(self.out, "{}", text.trim_end());
    }

    /// A paragraph, wrapped, its first line after a label of a fixed width.
    pub fn labelled(&mut self, label: &str, width: usize, text: &str) {
        let room = self.style.width.saturating_sub(width);
        for (k, line) in wrapped(text, room).iter().enumerate() {
            let lead = if k == 0 { label } else { "" };
            let pad = width.saturating_sub(lead.chars().count());
            let _ = writeln!(self.out, "{lead}{}{line}", " ".repeat(pad));
        }
    }

    /// A point of a list.
    pub fn point(&mut self, text: &str) {
        self.labelled("  -", 4, text);
    }

    /// A table without lines: the header, then rows; all columns but the first to the right,
    /// unless named as left.
    pub fn table(&mut self, header: &[&str], rows: &[Vec<String>], left: &[usize]) {
        let mut table = Table::new();
        table.load_style(comfy_table::presets::NOTHING);
        table.set_content_arrangement(ContentArrangement::Disabled);
        table.set_header(header.iter().map(|h| h.to_string()).collect::<Vec<_>>());
        for row in rows {
            table.add_row(row.clone());
        }
        for (k, column) in table.column_iter_mut().enumerate() {
            let to_the_left = k == 0 || left.contains(&k);
            column.set_cell_alignment(if to_the_left {
                CellAlignment::Left
            } else {
                CellAlignment::Right
            });
            column.set_padding((1, 1));
        }
        for line in table.lines() {
            let _ = writeln!(self.out, " {}", line.trim_end());
        }
    }
}

/// Breaks a text at spaces so that no line is longer than a width.
pub fn wrapped(text: &str, width: usize) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in text.split(' ').filter(|w| !w.is_empty()) {
        let long = line.chars().count() + 1 + word.chars().count() > width;
        if long && !line.is_empty() {
            lines.push(std::mem::take(&mut line));
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(word);
    }
    if !line.is_empty() || lines.is_empty() {
        lines.push(line);
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paragraphs_hang_under_their_label() {
        let mut page = Page::new(Style { width: 20, bold: false });
        page.labelled("Why", 6, "one two three four five");
        assert_eq!(page.finish(), "Why   one two three\n      four five\n");
    }

    #[test]
    fn long_words_keep_their_letters() {
        assert_eq!(wrapped("a bbbbbbbbbb c", 4), ["a", "bbbbbbbbbb", "c"]);
        assert_eq!(wrapped("", 4), [""]);
    }

    #[test]
    fn tables_line_up() {
        let mut page = Page::new(Style::PLAIN);
        page.table(
            &["", "kW"],
            &[vec!["Peak".into(), "134.4".into()], vec!["Mean".into(), "9".into()]],
            &[],
        );
        assert_eq!(page.finish(), "           kW\n  Peak  134.4\n  Mean      9\n");
    }

    #[test]
    fn bold_is_the_only_decoration() {
        assert_eq!(Style::PLAIN.strong("x"), "x");
        assert!(Style { width: 80, bold: true }.strong("x").contains("\u{1b}[1m"));
    }
}
