//! The chain over a node's log, checked: which record was changed, removed or inserted.

use wattless_core::record::Tag;

/// A tag as people write it down: 32 hexadecimal digits.
pub fn tag_text(tag: &Tag) -> String {
    tag.iter().map(|b| format!("{b:02x}")).collect()
}
