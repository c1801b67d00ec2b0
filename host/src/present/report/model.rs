//! A report, decided: every sentence, number and chart once, for all renderers.

use crate::present::chart::Chart;
use crate::present::locale::Locale;
use serde::Serialize;

/// A report ready to be rendered.
pub struct Report {
    /// How numbers, dates and money are written.
    pub locale: Locale,
    /// Title.
    pub title: String,
    /// Plant and feeder.
    pub subject: String,
    /// Lines of the head: what and its value.
    pub head: Vec<(String, String)>,
    /// The first page.
    pub summary: Summary,
    /// The rest, in order.
    pub sections: Vec<Section>,
    /// Words at the foot of every page.
    pub foot: String,
}

/// The first page: what the owner reads.
pub struct Summary {
    /// The finding in a sentence.
    pub headline: String,
    /// What kind of finding it is.
    pub tone: Tone,
    /// Figures that a glance takes in.
    pub figures: Vec<KeyFigure>,
    /// Finding, money now, recommendation, price, payback, if nothing is done: name and words.
    pub points: Vec<(String, String)>,
    /// The one chart.
    pub figure: Option<Figure>,
    /// Who has to look at it before anything is bought or installed.
    pub review: String,
}

/// What kind of finding it is; shown as a word, never as a colour alone.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Tone {
    /// Nothing to do.
    Good,
    /// Something is worth doing.
    Act,
    /// It cannot be told yet.
    Open,
}

impl Tone {
    /// The word ahead of the headline.
    pub const fn word(self) -> &'static str {
        match self {
            Tone::Good => "Nothing to do",
            Tone::Act => "Worth doing",
            Tone::Open => "Not decided yet",
        }
    }
}

/// A figure that a glance takes in.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct KeyFigure {
    /// A short name that stays the same.
    pub id: &'static str,
    /// Its name.
    pub label: String,
    /// The value as it is printed, with its unit.
    pub value: String,
    /// What it is set against, or its uncertainty.
    pub note: String,
    /// The number itself, in the unit of `unit`.
    pub number: Option<f64>,
    /// Unit of the number.
    pub unit: String,
}

/// A part of the report.
#[derive(Default)]
pub struct Section {
    /// Name in links.
    pub id: &'static str,
    /// Heading.
    pub title: String,
    /// Contents in order.
    pub blocks: Vec<Block>,
    /// Whether it begins on a new page of paper.
    pub new_page: bool,
}

/// A piece of a section.
pub enum Block {
    /// A paragraph.
    Text(String),
    /// A heading below the section's.
    Heading(String),
    /// A list.
    Points(Vec<String>),
    /// Names and values side by side.
    Facts(Vec<(String, String)>),
    /// A table.
    Table(Table),
    /// A chart.
    Figure(Figure),
    /// Something that can hurt somebody, or mislead.
    Caution(String),
    /// What is not here, and how to get it.
    Absent(String),
}

/// A table.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Table {
    /// What it shows.
    pub caption: String,
    /// Names of the columns.
    pub head: Vec<String>,
    /// Rows.
    pub rows: Vec<Vec<String>>,
    /// Columns of words, to the left; the first always is.
    pub left: Vec<usize>,
    /// Rows that stand out: sums, the recommended candidate.
    pub strong: Vec<usize>,
}

/// A chart with its words.
pub struct Figure {
    /// What it shows, short.
    pub name: String,
    /// What to read in it.
    pub caption: String,
    /// The chart.
    pub chart: Box<dyn Chart + Send + Sync>,
    /// Height on a page 720 wide.
    pub height: f64,
}

impl Section {
    /// A section without contents yet.
    pub fn new(id: &'static str, title: impl Into<String>) -> Section {
        Section { id, title: title.into(), ..Section::default() }
    }

    /// Adds a paragraph.
    pub fn text(&mut self, text: impl Into<String>) -> &mut Self {
        self.blocks.push(Block::Text(text.into()));
        self
    }

    /// Adds a list, unless it is empty.
    pub fn points(&mut self, points: Vec<String>) -> &mut Self {
        if !points.is_empty() {
            self.blocks.push(Block::Points(points));
        }
        self
    }

    /// Adds any block.
    pub fn add(&mut self, block: Block) -> &mut Self {
        self.blocks.push(block);
        self
    }

    /// Adds a chart.
    pub fn figure(
        &mut self,
        name: &str,
        caption: impl Into<String>,
        height: f64,
        chart: impl Chart + Send + Sync + 'static,
    ) -> &mut Self {
        let chart: Box<dyn Chart + Send + Sync> = Box::new(chart);
        let figure = Figure { name: name.to_owned(), caption: caption.into(), chart, height };
        self.add(Block::Figure(figure))
    }
}
