//! The keys of a TOML table taken one by one, each with its place in the text.
//!
//! What was not taken at the end is unknown to its section and refused by name.

use super::error::Fault;
use rust_decimal::Decimal;
use std::str::FromStr;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// A value and where it stands.
#[derive(Clone, Debug)]
pub(crate) struct At<T> {
    pub value: T,
    pub at: usize,
    pub key: String,
}

impl<T> At<T> {
    /// A complaint about the value.
    pub fn fault(&self, message: impl Into<String>) -> Fault {
        Fault { at: self.at, key: self.key.clone(), message: message.into() }
    }

    /// The value in another form, at the same place.
    pub fn map<U>(self, change: impl FnOnce(T) -> U) -> At<U> {
        At { value: change(self.value), at: self.at, key: self.key }
    }

    /// Checks the value.
    pub fn check(self, good: impl FnOnce(&T) -> bool, message: &str) -> Result<At<T>, Fault> {
        if good(&self.value) { Ok(self) } else { Err(self.fault(message)) }
    }
}

struct Entry<'a> {
    name: String,
    at: usize,
    value: &'a Spanned<DeValue<'a>>,
    taken: bool,
}

/// The keys of one table.
pub(crate) struct Keys<'a> {
    section: String,
    at: usize,
    entries: Vec<Entry<'a>>,
}

impl<'a> Keys<'a> {
    /// The keys of a table that stands at a position, under a name for messages.
    pub fn new(section: &str, at: usize, table: &'a DeTable<'a>) -> Self {
        let entries = table
            .iter()
            .map(|(k, v)| Entry {
                name: k.get_ref().to_string(),
                at: k.span().start,
                value: v,
                taken: false,
            })
            .collect();
        Keys { section: section.to_owned(), at, entries }
    }

    /// A table without keys.
    pub fn none(section: &str) -> Self {
        Keys { section: section.to_owned(), at: 0, entries: Vec::new() }
    }

    /// The key with its section.
    fn path(&self, key: &str) -> String {
        if self.section.is_empty() { key.to_owned() } else { format!("{}.{key}", self.section) }
    }

    /// A complaint about the section as a whole, or a key that is not there.
    pub fn fault(&self, key: &str, message: impl Into<String>) -> Fault {
        let path = if key.is_empty() { self.section.clone() } else { self.path(key) };
        Fault { at: self.at, key: path, message: message.into() }
    }

    /// Names the section anew, once more is known of it.
    pub fn rename(&mut self, section: String) {
        self.section = section;
    }

    /// Whether a key is there, without taking it.
    pub fn has(&self, key: &str) -> bool {
        self.entries.iter().any(|e| e.name == key)
    }

    fn take(&mut self, key: &str) -> Option<At<&'a DeValue<'a>>> {
        let path = self.path(key);
        let entry = self.entries.iter_mut().find(|e| e.name == key)?;
        entry.taken = true;
        Some(At { value: entry.value.get_ref(), at: entry.at, key: path })
    }

    fn wrong<T>(at: &At<&DeValue<'_>>, wanted: &str) -> Result<T, Fault> {
        Err(at.fault(format!("expected {wanted}, found {}", at.value.type_str())))
    }

    /// A text.
    pub fn text(&mut self, key: &str) -> Result<Option<At<String>>, Fault> {
        let Some(at) = self.take(key) else { return Ok(None) };
        match at.value {
            DeValue::String(s) => Ok(Some(at.map(|_| s.to_string()))),
            DeValue::Datetime(d) => Ok(Some(at.map(|_| d.to_string()))),
            _ => Keys::wrong(&at, "a text in quotes"),
        }
    }

    /// Yes or no.
    pub fn flag(&mut self, key: &str) -> Result<Option<At<bool>>, Fault> {
        let Some(at) = self.take(key) else { return Ok(None) };
        match at.value {
            DeValue::Boolean(b) => Ok(Some(at.map(|_| *b))),
            _ => Keys::wrong(&at, "true or false"),
        }
    }

    /// A number, exactly as it is written.
    pub fn decimal(&mut self, key: &str) -> Result<Option<At<Decimal>>, Fault> {
        let Some(at) = self.take(key) else { return Ok(None) };
        decimal(at).map(Some)
    }

    /// A number.
    pub fn number(&mut self, key: &str) -> Result<Option<At<f64>>, Fault> {
        let Some(at) = self.decimal(key)? else { return Ok(None) };
        let x = at.value.to_string().parse().unwrap_or(f64::NAN);
        Ok(Some(at.map(|_| x)))
    }

    /// A whole number in a range.
    pub fn whole(&mut self, key: &str, least: u32, most: u32) -> Result<Option<At<u32>>, Fault> {
        let Some(at) = self.decimal(key)? else { return Ok(None) };
        let whole = at.value.to_string().parse::<u32>().ok();
        match whole.filter(|x| (least..=most).contains(x)) {
            Some(x) => Ok(Some(at.map(|_| x))),
            None => Err(at.fault(format!("give a whole number from {least} to {most}"))),
        }
    }

    /// One or several texts.
    pub fn texts(&mut self, key: &str) -> Result<Option<At<Vec<At<String>>>>, Fault> {
        let Some(at) = self.take(key) else { return Ok(None) };
        let one = |v: &DeValue<'_>, pos: usize| match v {
            DeValue::String(s) => Ok(At { value: s.to_string(), at: pos, key: at.key.clone() }),
            DeValue::Datetime(d) => Ok(At { value: d.to_string(), at: pos, key: at.key.clone() }),
            _ => Keys::wrong(&at, "a text in quotes, or a list of such"),
        };
        let list = match at.value {
            DeValue::Array(a) => {
                a.iter().map(|v| one(v.get_ref(), v.span().start)).collect::<Result<_, _>>()?
            }
            v => vec![one(v, at.at)?],
        };
        Ok(Some(at.map(|_| list)))
    }

    /// A table of its own.
    pub fn table(&mut self, key: &str) -> Result<Option<Keys<'a>>, Fault> {
        let Some(at) = self.take(key) else { return Ok(None) };
        match at.value {
            DeValue::Table(t) => Ok(Some(Keys::new(&at.key, at.at, t))),
            _ => Keys::wrong(&at, "a table"),
        }
    }

    /// A list of tables, empty where the key is not there.
    pub fn tables(&mut self, key: &str) -> Result<Vec<Keys<'a>>, Fault> {
        let Some(at) = self.take(key) else { return Ok(Vec::new()) };
        let DeValue::Array(list) = at.value else { return Keys::wrong(&at, "a list of tables") };
        let each = |(k, v): (usize, &'a Spanned<DeValue<'a>>)| match v.get_ref() {
            DeValue::Table(t) => {
                Ok(Keys::new(&format!("{}[{}]", at.key, k + 1), v.span().start, t))
            }
            _ => Keys::wrong(&at, "a list of tables"),
        };
        list.iter().enumerate().map(each).collect()
    }

    /// One of some words.
    pub fn word<T: Copy>(
        &mut self,
        key: &str,
        known: &[(&str, T)],
    ) -> Result<Option<At<T>>, Fault> {
        let Some(at) = self.text(key)? else { return Ok(None) };
        match known.iter().find(|(name, _)| *name == at.value) {
            Some((_, x)) => Ok(Some(at.map(|_| *x))),
            None => {
                let names: Vec<String> = known.iter().map(|(n, _)| format!("{n:?}")).collect();
                let found = &at.value;
                Err(at.fault(format!("{found:?} is not known; use {}", names.join(" or "))))
            }
        }
    }

    /// Refuses what nobody asked for.
    pub fn finish(self, known: &[&str]) -> Result<(), Fault> {
        let Some(left) = self.entries.iter().find(|e| !e.taken) else { return Ok(()) };
        let near = known
            .iter()
            .map(|k| (distance(k, &left.name), *k))
            .min()
            .filter(|(d, k)| *d <= 2.max(k.len() / 3));
        let cure = match near {
            Some((_, k)) => format!("did you mean {k}?"),
            None if known.is_empty() => "remove it".to_owned(),
            None => format!("known here: {}", known.join(", ")),
        };
        let message = format!("no such key here; {cure}");
        Err(Fault { at: left.at, key: self.path(&left.name), message })
    }
}

/// A number with its literal's digits, so that money is what the file says.
fn decimal<'a>(at: At<&'a DeValue<'a>>) -> Result<At<Decimal>, Fault> {
    let (text, radix) = match at.value {
        DeValue::Integer(i) => (i.as_str().to_owned(), i.radix()),
        DeValue::Float(f) => (f.as_str().to_owned(), 10),
        _ => return Keys::wrong(&at, "a number without quotes"),
    };
    let digits = text.replace('_', "");
    let digits = digits.strip_prefix('+').unwrap_or(&digits);
    let parsed = if digits.contains(['e', 'E']) {
        Decimal::from_scientific(digits).ok()
    } else {
        Decimal::from_str(digits).ok()
    };
    match parsed.filter(|d| radix == 10 && d.abs() < Decimal::from(1_000_000_000_000_i64)) {
        Some(d) => Ok(at.map(|_| d)),
        None => Err(at.fault(format!("{text} is not a usable number"))),
    }
}

/// Number of letters to change, add or remove between two words.
fn distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.chars().enumerate() {
        let mut before = row[0];
        row[0] = i + 1;
        for (j, y) in b.iter().enumerate() {
            let change = before + usize::from(x != *y);
            before = row[j + 1];
            row[j + 1] = change.min(before + 1).min(row[j] + 1);
        }
    }
    row[b.len()]
}
