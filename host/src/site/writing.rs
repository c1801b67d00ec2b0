//! How a plant writes numbers, dates and money, and on which paper it prints.

use serde::Serialize;

/// What keeps the groups of a number on one line.
pub const NARROW_SPACE: char = '\u{202F}';

/// How numbers are written; named by example.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub enum Numbers {
    /// `1 234,5`.
    #[serde(rename = "1 234,5")]
    SpaceComma,
    /// `1,234.5`.
    #[serde(rename = "1,234.5")]
    CommaPoint,
    /// `1.234,5`.
    #[serde(rename = "1.234,5")]
    PointComma,
    /// `1 234.5`.
    #[serde(rename = "1 234.5")]
    SpacePoint,
}

impl Numbers {
    /// Every way.
    pub const ALL: [Numbers; 4] =
        [Numbers::SpaceComma, Numbers::CommaPoint, Numbers::PointComma, Numbers::SpacePoint];

    /// The example that names it in a site file.
    pub const fn name(self) -> &'static str {
        match self {
            Numbers::SpaceComma => "1 234,5",
            Numbers::CommaPoint => "1,234.5",
            Numbers::PointComma => "1.234,5",
            Numbers::SpacePoint => "1 234.5",
        }
    }

    /// What stands ahead of decimals.
    pub const fn decimal(self) -> char {
        match self {
            Numbers::SpaceComma | Numbers::PointComma => ',',
            Numbers::CommaPoint | Numbers::SpacePoint => '.',
        }
    }

    /// What stands between groups of three digits.
    pub const fn group(self) -> char {
        match self {
            Numbers::SpaceComma | Numbers::SpacePoint => NARROW_SPACE,
            Numbers::CommaPoint => ',',
            Numbers::PointComma => '.',
        }
    }
}

/// How dates are written; named by example, 31 March 2026.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub enum Dates {
    /// `2026-03-31`.
    #[serde(rename = "2026-03-31")]
    Iso,
    /// `31.03.2026`.
    #[serde(rename = "31.03.2026")]
    DayPoint,
    /// `31/03/2026`.
    #[serde(rename = "31/03/2026")]
    DaySlash,
    /// `03/31/2026`.
    #[serde(rename = "03/31/2026")]
    MonthSlash,
}

impl Dates {
    /// Every way.
    pub const ALL: [Dates; 4] = [Dates::Iso, Dates::DayPoint, Dates::DaySlash, Dates::MonthSlash];

    /// The example that names it in a site file.
    pub const fn name(self) -> &'static str {
        match self {
            Dates::Iso => "2026-03-31",
            Dates::DayPoint => "31.03.2026",
            Dates::DaySlash => "31/03/2026",
            Dates::MonthSlash => "03/31/2026",
        }
    }
}

/// The sheet that a report is laid out for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Paper {
    /// 210 mm by 297 mm (ISO 216).
    A4,
    /// 8.5 in by 11 in.
    Letter,
}

impl Paper {
    /// The word in a site file.
    pub const fn name(self) -> &'static str {
        match self {
            Paper::A4 => "a4",
            Paper::Letter => "letter",
        }
    }
}

/// What a site file says about reports; the rest follows from its time zone.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct WritingTerms {
    /// How numbers are written.
    pub numbers: Option<Numbers>,
    /// How dates are written.
    pub dates: Option<Dates>,
    /// The paper.
    pub paper: Option<Paper>,
    /// Currency, as a code (`EUR`) or a sign (`$`), where no tariff names one.
    pub currency: Option<String>,
    /// Who made the report: name, firm, licence number.
    pub prepared_by: Option<String>,
}
