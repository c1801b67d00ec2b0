//! What the chain over a log says, for people and as JSON.

use super::number::grouped;
use super::text::{Page, Style};
use crate::collect::chain::{ChainReport, PROVES};
use crate::collect::drift::{Drift, drift_text};
use serde_json::Value;

/// Places of a broken chain named one by one on a terminal; JSON has all.
const SHOWN: usize = 12;

/// Width of the labels ahead of lines.
const LABEL: usize = 11;

/// The warning for the top of an output; none where the chain holds.
pub fn chain_warning(c: &ChainReport, style: Style) -> Option<String> {
    if c.breaks.is_empty() {
        return None;
    }
    let mut page = Page::new(style);
    page.heading("WARNING: this log is not as the node recorded it.");
    for b in c.breaks.iter().take(SHOWN) {
        page.point(&b.sentence());
    }
    if let Some(more @ 1..) = c.breaks.len().checked_sub(SHOWN) {
        page.point(&format!("{more} more places; --json names all"));
    }
    page.labelled(
        "",
        0,
        "Do not decide on these figures before it is clear what happened: \
        pull into a new store while the node still holds the records, and compare.",
    );
    Some(page.finish().trim_end().to_owned())
}

/// The state of the chain in a line.
pub fn chain_state(c: &ChainReport) -> String {
    let n = |x: u64| grouped(x as f64);
    let mut text = match (c.records, c.breaks.len()) {
        (0, 0) => return "no new record to check".to_owned(),
        (_, 0) => format!("holds: {} of {} records proven", n(c.proven), n(c.records)),
        (_, 1) => "broken at 1 place".to_owned(),
        (_, breaks) => format!("broken at {breaks} places"),
    };
    if c.without_tag > 0 {
        text += &format!(", {} of an old format without tag", n(c.without_tag));
    }
    if !c.begins_at.is_empty() {
        text += &format!(", {} after a gap", c.begins_at.len());
    }
    text
}

/// A section about the chain and the node's clock.
pub fn chain_text(c: &ChainReport, drift: Option<&Drift>, style: Style) -> String {
    let mut page = Page::new(style);
    page.heading("The log as the node wrote it");
    page.labelled("Chain", LABEL, &chain_state(c));
    if let (Some(tag), Some(seq)) = (&c.last_tag, c.last_seq) {
        page.labelled("Last tag", LABEL, &format!("{tag} (record {seq})"));
    }
    if let Some(drift) = drift {
        page.labelled("Clock", LABEL, &drift_text(drift));
    }
    page.labelled("", LABEL, PROVES);
    format!("\n{}", page.finish())
}

/// The report as JSON, each place with its sentence, and what the chain proves.
pub fn chain_json(c: &ChainReport) -> Value {
    let mut json = serde_json::to_value(c).unwrap_or_default();
    let breaks = json.get_mut("breaks").and_then(Value::as_array_mut);
    for (value, b) in breaks.into_iter().flatten().zip(&c.breaks) {
        if let Some(object) = value.as_object_mut() {
            object.insert("sentence".into(), b.sentence().into());
        }
    }
    if let Some(object) = json.as_object_mut() {
        object.insert("proves".into(), PROVES.into());
    }
    json
}
