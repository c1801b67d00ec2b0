//! How one plant writes numbers, dates and money, and on which paper it prints.
//!
//! Analysis writes its sentences with a decimal point, thin groups and ISO dates;
//! [`Locale::localise`] rewrites those, so that a report has one way of writing throughout.

use crate::site::Site;
pub use crate::site::writing::{Dates, NARROW_SPACE, Numbers, Paper};
use serde::Serialize;

/// A plant's ways of writing.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Locale {
    /// Numbers.
    pub numbers: Numbers,
    /// Dates.
    pub dates: Dates,
    /// Paper.
    pub paper: Paper,
    /// Currency as it is written ahead of or after amounts; none where nobody said.
    pub currency: Option<String>,
}

impl Locale {
    /// Metric ways: `1 234,5`, ISO dates, A4.
    pub const METRIC: Locale =
        Locale { numbers: Numbers::SpaceComma, dates: Dates::Iso, paper: Paper::A4, currency: None };

    /// North American ways: `1,234.5`, month first, Letter.
    pub const NORTH_AMERICAN: Locale = Locale {
        numbers: Numbers::CommaPoint,
        dates: Dates::MonthSlash,
        paper: Paper::Letter,
        currency: None,
    };

    /// The ways that a site file names, or those usual in its time zone.
    pub fn of(site: &Site) -> Locale {
        let w = &site.writing;
        let american = ["America/", "US/", "Canada/"]
            .iter()
            .any(|zone| site.time_zone_name.starts_with(zone))
            && site.supply.frequency_hz != Some(50.0);
        let usual = if american { Locale::NORTH_AMERICAN } else { Locale::METRIC };
        Locale {
            numbers: w.numbers.unwrap_or(usual.numbers),
            dates: w.dates.unwrap_or(usual.dates),
            paper: w.paper.unwrap_or(usual.paper),
            currency: w.currency.clone(),
        }
    }

    /// A number with so many decimals, in groups of three.
    pub fn number(&self, x: f64, decimals: usize) -> String {
        if !x.is_finite() {
            return super::number::NONE.to_owned();
        }
        self.rewrite(&format!("{x:.decimals$}"))
    }

    /// Four digits that carry meaning, as the survey shows them.
    pub fn four_digits(&self, x: f64) -> String {
        if x.is_finite() {
            self.localise(&super::number::four_digits(x))
        } else {
            super::number::NONE.to_owned()
        }
    }

    /// Money, whole from a hundred on; the currency follows, as a code does.
    pub fn money(&self, x: f64) -> String {
        let decimals = if x.abs() < 99.5 { 2 } else { 0 };
        let amount = self.number(x, decimals);
        match &self.currency {
            None => amount,
            Some(sign) if is_symbol(sign) && self.numbers == Numbers::CommaPoint => {
                match amount.strip_prefix('−') {
                    Some(rest) => format!("−{sign}{rest}"),
                    None => format!("{sign}{amount}"),
                }
            }
            Some(code) => format!("{amount}\u{A0}{code}"),
        }
    }

    /// Rewrites the numbers (`1 234.5`) and dates (`2026-03-31`) of a sentence.
    pub fn localise(&self, text: &str) -> String {
        let mut out = String::with_capacity(text.len() + 8);
        let chars: Vec<char> = text.chars().collect();
        let mut at = 0;
        while at < chars.len() {
            let starts = chars[at].is_ascii_digit()
                && (at == 0 || !(chars[at - 1].is_alphanumeric() || chars[at - 1] == '.'));
            if !starts {
                out.push(if chars[at] == '-' && is_minus(&chars, at) { '−' } else { chars[at] });
                at += 1;
                continue;
            }
            if let Some(date) = date_at(&chars, at) {
                out.push_str(&self.date(date));
                at += 10;
                continue;
            }
            let end = number_end(&chars, at);
            let plain: String = chars[at..end].iter().filter(|c| !is_group(**c)).collect();
            let named = chars.get(end).is_some_and(|c| c.is_alphabetic() || *c == '-')
                || (at > 0 && chars[at - 1] == '-' && !is_minus(&chars, at - 1));
            // Four digits without anything may be a year.
            let year = end - at == 4 && !plain.contains('.');
            if named || year { out.push_str(&plain) } else { out.push_str(&self.rewrite(&plain)) }
            at = end;
        }
        out
    }

    /// A date.
    pub fn date(&self, [year, month, day]: [u16; 3]) -> String {
        match self.dates {
            Dates::Iso => format!("{year:04}-{month:02}-{day:02}"),
            Dates::DayPoint => format!("{day:02}.{month:02}.{year:04}"),
            Dates::DaySlash => format!("{day:02}/{month:02}/{year:04}"),
            Dates::MonthSlash => format!("{month:02}/{day:02}/{year:04}"),
        }
    }

    /// Digits with a point, as this plant writes them.
    fn rewrite(&self, plain: &str) -> String {
        let (sign, digits) = plain.strip_prefix('-').map_or(("", plain), |d| ("−", d));
        let (whole, rest) = digits.split_once('.').map_or((digits, None), |(w, r)| (w, Some(r)));
        let zero = digits.chars().all(|c| c == '0' || c == '.');
        let mut out = String::from(if zero { "" } else { sign });
        for (k, c) in whole.chars().enumerate() {
            if k > 0 && (whole.len() - k).is_multiple_of(3) {
                out.push(self.numbers.group());
            }
            out.push(c);
        }
        if let Some(rest) = rest {
            out.push(self.numbers.decimal());
            out.push_str(rest);
        }
        out
    }
}

/// Whether a currency is a sign such as `$` and not a code such as `EUR`.
fn is_symbol(currency: &str) -> bool {
    currency.chars().count() == 1 && !currency.chars().any(char::is_alphanumeric)
}

fn is_group(c: char) -> bool {
    matches!(c, ' ' | '\u{202F}' | '\u{2009}' | '\u{A0}')
}

/// Whether a hyphen stands for a minus: ahead of a digit and after a blank or an opening.
fn is_minus(chars: &[char], at: usize) -> bool {
    chars.get(at + 1).is_some_and(char::is_ascii_digit)
        && (at == 0 || matches!(chars[at - 1], ' ' | '(' | '\u{A0}' | '\u{202F}'))
}

/// The date that begins here.
fn date_at(chars: &[char], at: usize) -> Option<[u16; 3]> {
    let text: String = chars.get(at..at + 10)?.iter().collect();
    if chars.get(at + 10).is_some_and(|c| c.is_ascii_digit()) {
        return None;
    }
    let mut parts = text.split('-');
    let mut part = |digits: usize| {
        let p = parts.next()?;
        (p.len() == digits).then(|| p.parse::<u16>().ok()).flatten()
    };
    let date = [part(4)?, part(2)?, part(2)?];
    ((1..=12).contains(&date[1]) && (1..=31).contains(&date[2])).then_some(date)
}

/// Where a number that begins here ends: digits, groups of three after a blank, one point.
fn number_end(chars: &[char], from: usize) -> usize {
    let digit = |at: usize| chars.get(at).is_some_and(char::is_ascii_digit);
    let run = |mut at: usize| {
        while digit(at) {
            at += 1;
        }
        at
    };
    let mut end = run(from);
    if end - from <= 3 {
        while chars.get(end).is_some_and(|c| is_group(*c) && *c != '\u{A0}') && run(end + 1) == end + 4 {
            end += 4;
        }
    }
    if chars.get(end) == Some(&'.') && digit(end + 1) { run(end + 1) } else { end }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn all(x: f64, decimals: usize) -> [String; 4] {
        Numbers::ALL.map(|numbers| {
            Locale { numbers, ..Locale::METRIC }.number(x, decimals).replace(NARROW_SPACE, " ")
        })
    }

    /// Groups of three with a space: SI brochure, 9th edition, 5.4.4. The others: common practice.
    #[test]
    fn numbers_are_written_four_ways() {
        assert_eq!(all(12345.67, 1), ["12 345,7", "12,345.7", "12.345,7", "12 345.7"]);
        assert_eq!(all(1234.5, 1), ["1 234,5", "1,234.5", "1.234,5", "1 234.5"]);
        assert_eq!(all(-0.04, 1), ["0,0", "0.0", "0,0", "0.0"]);
        assert_eq!(all(-1e6, 0), ["−1 000 000", "−1,000,000", "−1.000.000", "−1 000 000"]);
        assert_eq!(all(f64::NAN, 1)[0], super::super::number::NONE);
    }

    #[test]
    fn sentences_are_rewritten_and_names_are_not() {
        let metric = Locale::METRIC;
        let american = Locale::NORTH_AMERICAN;
        let text = "PF 0.751 at 134.4 kW on Tue 2026-03-03 14:45, 12 345 kWh, off by -0.5 %.";
        assert_eq!(
            metric.localise(text),
            "PF 0,751 at 134,4 kW on Tue 2026-03-03 14:45, 12\u{202F}345 kWh, off by −0,5 %."
        );
        assert_eq!(
            american.localise(text),
            "PF 0.751 at 134.4 kW on Tue 03/03/2026 14:45, 12,345 kWh, off by −0.5 %."
        );
        for same in ["IEC 61000-4-30", "IEEE Std 1459-2010", "L1", "06–18 h", "NFPA 70E", "3 of 12."] {
            assert_eq!(metric.localise(same), same);
            assert_eq!(american.localise(same), same);
        }
        assert_eq!(american.localise("2 345 678.5 kvar"), "2,345,678.5 kvar");
        assert_eq!(american.localise("in 2026 and 1025.5 kW"), "in 2026 and 1,025.5 kW");
        assert_eq!(metric.localise("5 records in 100 min"), "5 records in 100 min");
    }

    #[test]
    fn money_carries_its_currency() {
        let eur = Locale { currency: Some("EUR".into()), ..Locale::METRIC };
        assert_eq!(eur.money(12345.6), "12\u{202F}346\u{A0}EUR");
        assert_eq!(eur.money(12.5), "12,50\u{A0}EUR");
        let dollar = Locale { currency: Some("$".into()), ..Locale::NORTH_AMERICAN };
        assert_eq!(dollar.money(-1234.4), "−$1,234");
        assert_eq!(Locale::METRIC.money(1000.0), "1\u{202F}000");
    }
}
