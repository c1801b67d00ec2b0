//! A CSV file with a header as rows of named cells that know their line, for messages.
//!
//! Comma or semicolon between cells; with semicolons a comma may be the decimal sign. Lines that
//! start with `#` are remarks.

use std::path::{Path, PathBuf};

/// Rows of a CSV file.
#[derive(Clone, Debug)]
pub struct Table {
    /// The file, for messages.
    pub file: PathBuf,
    header: Vec<String>,
    rows: Vec<Row>,
    decimal_comma: bool,
}

/// One row.
#[derive(Clone, Debug)]
pub struct Row {
    /// Line in the file, from 1.
    pub line: usize,
    cells: Vec<String>,
}

/// Why a CSV file cannot be used: every faulty line with what to do.
#[derive(Debug, thiserror::Error)]
pub enum TableError {
    /// The file cannot be read.
    #[error("cannot read {}: {source}; check the path", file.display())]
    Read {
        /// The file.
        file: PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
    /// Lines make no sense.
    #[error("{}", lines(file, faults))]
    Rows {
        /// The file.
        file: PathBuf,
        /// The faults in the order of the file.
        faults: Vec<RowFault>,
    },
}

/// What is wrong with a line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RowFault {
    /// Line, from 1.
    pub line: usize,
    /// What is wrong and what to do.
    pub message: String,
}

/// At most so many faults are listed.
const LISTED: usize = 20;

fn lines(file: &Path, faults: &[RowFault]) -> String {
    let mut text: Vec<String> = faults
        .iter()
        .take(LISTED)
        .map(|f| format!("{}, line {}: {}", file.display(), f.line, f.message))
        .collect();
    if faults.len() > LISTED {
        text.push(format!("and {} more lines", faults.len() - LISTED));
    }
    text.join("\n")
}

impl Table {
    /// Reads a file.
    pub fn load(path: &Path) -> Result<Table, TableError> {
        let text = std::fs::read(path)
            .map_err(|source| TableError::Read { file: path.to_owned(), source })?;
        Table::parse(&String::from_utf8_lossy(&text), path)
    }

    /// Reads a text; the path is for messages only.
    pub fn parse(text: &str, path: &Path) -> Result<Table, TableError> {
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let refuse = |line, message: String| TableError::Rows {
            file: path.to_owned(),
            faults: vec![RowFault { line, message }],
        };
        let head = text.lines().find(|l| !l.trim().is_empty() && !l.starts_with('#'));
        let semicolon = head.is_some_and(|h| h.contains(';'));
        let mut reader = csv::ReaderBuilder::new()
            .delimiter(if semicolon { b';' } else { b',' })
            .has_headers(false)
            .flexible(true)
            .comment(Some(b'#'))
            .trim(csv::Trim::All)
            .from_reader(text.as_bytes());
        let mut header: Vec<String> = Vec::new();
        let mut rows = Vec::new();
        for record in reader.records() {
            let record = record.map_err(|e| {
                let line = e.position().map_or(1, |p| p.line() as usize);
                refuse(line, format!("not a row of CSV: {e}"))
            })?;
            let line = record.position().map_or(0, |p| p.line() as usize);
            let cells: Vec<String> = record.iter().map(str::to_owned).collect();
            if header.is_empty() {
                header = cells.iter().map(|c| c.to_lowercase()).collect();
                continue;
            }
            if cells.iter().all(String::is_empty) {
                continue;
            }
            if cells.len() != header.len() {
                let message = format!(
                    "{} cells under {} headings; complete the row, or put numbers with commas in \
                     a file with semicolons",
                    cells.len(),
                    header.len()
                );
                return Err(refuse(line, message));
            }
            rows.push(Row { line, cells });
        }
        if rows.is_empty() {
            return Err(refuse(
                1,
                "no row below a header; the first line names the columns".into(),
            ));
        }
        let twice = (1..header.len()).find(|k| header[..*k].contains(&header[*k]));
        if let Some(k) = twice {
            return Err(refuse(1, format!("column {:?} is there twice; remove one", header[k])));
        }
        Ok(Table { file: path.to_owned(), header, rows, decimal_comma: semicolon })
    }

    /// Names of the columns, in lower case.
    pub fn header(&self) -> &[String] {
        &self.header
    }

    /// The rows.
    pub fn rows(&self) -> &[Row] {
        &self.rows
    }

    /// Position of a column.
    pub fn column(&self, name: &str) -> Option<usize> {
        self.header.iter().position(|h| h == name)
    }

    /// The text of a cell.
    pub fn text<'a>(&self, row: &'a Row, column: usize) -> &'a str {
        row.cells.get(column).map_or("", String::as_str)
    }

    /// The number of a cell; `None` where it is empty.
    pub fn number(&self, row: &Row, column: usize) -> Result<Option<f64>, String> {
        let text = self.text(row, column);
        if text.is_empty() || text == "-" || text == "–" {
            return Ok(None);
        }
        let plain = self.plain(text);
        let number = plain.parse::<f64>().ok().filter(|x| x.is_finite() && !text.contains(' '));
        number.map(Some).ok_or_else(|| {
            let name = self.header.get(column).map_or("", String::as_str);
            format!("{name} {text:?} is not a number; write it without units or groups of digits")
        })
    }

    /// A cell's number text with a point as decimal sign.
    pub fn plain(&self, text: &str) -> String {
        if self.decimal_comma && !text.contains('.') {
            text.replacen(',', ".", 1)
        } else {
            text.to_owned()
        }
    }

    /// All faults as one error; `None` where there is none.
    pub fn refuse(&self, mut faults: Vec<RowFault>) -> Option<TableError> {
        faults.sort_by_key(|f| f.line);
        (!faults.is_empty()).then(|| TableError::Rows { file: self.file.clone(), faults })
    }
}
