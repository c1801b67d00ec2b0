//! The report's data as JSON: every figure as a number with its unit, every sentence, every table.

use super::model::{Block, Report};
use serde_json::{Value, json};

/// The report as one JSON object.
pub fn report_json(report: &Report) -> Value {
    let s = &report.summary;
    json!({
        "title": report.title,
        "subject": report.subject,
        "locale": report.locale,
        "head": pairs(&report.head),
        "headline": s.headline,
        "tone": s.tone,
        "figures": s.figures,
        "points": pairs(&s.points),
        "review": s.review,
        "sections": report.sections.iter().map(|section| json!({
            "id": section.id,
            "title": section.title,
            "blocks": section.blocks.iter().map(|b| block(b, report)).collect::<Vec<_>>(),
        })).collect::<Vec<_>>(),
    })
}

fn pairs(list: &[(String, String)]) -> Value {
    list.iter().map(|(name, text)| json!({ "name": name, "text": text })).collect()
}

fn block(b: &Block, report: &Report) -> Value {
    match b {
        Block::Text(x) => json!({ "text": x }),
        Block::Heading(x) => json!({ "heading": x }),
        Block::Points(x) => json!({ "points": x }),
        Block::Facts(x) => json!({ "facts": pairs(x) }),
        Block::Table(t) => json!({ "table": t }),
        Block::Figure(f) => json!({ "figure": {
            "name": f.name,
            "caption": f.caption,
            "shows": f.chart.alt(&report.locale),
        } }),
        Block::Caution(x) => json!({ "caution": x }),
        Block::Absent(x) => json!({ "absent": x }),
    }
}
