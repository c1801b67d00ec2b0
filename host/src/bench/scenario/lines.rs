//! Where in the text of a scenario a key stands, for messages that point at it.

use super::ScenarioError;
use toml::de::{DeTable, DeValue};

/// A step on the way to a value.
#[derive(Clone, Copy, Debug)]
pub enum Step<'a> {
    /// Into a table.
    Key(&'a str),
    /// Into an array.
    Entry(usize),
}

/// The text with its parsed shape.
pub struct Lines<'a> {
    text: &'a str,
    file: &'a str,
    root: Option<toml::Spanned<DeTable<'a>>>,
}

impl<'a> Lines<'a> {
    /// Parses the text for positions; it has been read before, so that faults are of no interest.
    pub fn new(text: &'a str, file: &'a str) -> Self {
        Lines { text, file, root: DeTable::parse(text).ok() }
    }

    /// The line, from 1, of the deepest step of the way that exists.
    fn line(&self, way: &[Step<'_>]) -> usize {
        let Some(root) = &self.root else { return 1 };
        let mut at = 0;
        let (mut table, mut array) = (Some(root.get_ref()), None);
        for step in way {
            let next = match step {
                Step::Key(key) => {
                    table.and_then(|t| t.iter().find(|(k, _)| k.get_ref() == key)).map(|(k, v)| {
                        at = k.span().start;
                        v
                    })
                }
                Step::Entry(index) => array.and_then(|a: &toml::de::DeArray<'_>| a.get(*index)),
            };
            let Some(value) = next else { break };
            match value.get_ref() {
                DeValue::Table(t) => {
                    if matches!(step, Step::Entry(_)) {
                        at = value.span().start;
                    }
                    (table, array) = (Some(t), None);
                }
                DeValue::Array(a) => (table, array) = (None, Some(a)),
                _ => {
                    at = value.span().start;
                    (table, array) = (None, None);
                }
            }
        }
        line_at(self.text, at)
    }

    /// An error about the value at the end of a way.
    pub fn fault(&self, way: &[Step<'_>], key: String, message: String) -> ScenarioError {
        ScenarioError::Value { file: self.file.to_owned(), line: self.line(way), key, message }
    }
}

/// The line, from 1, of a position in a text.
pub fn line_at(text: &str, position: usize) -> usize {
    1 + text.bytes().take(position).filter(|&b| b == b'\n').count()
}
