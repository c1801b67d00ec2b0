//! The chain over the stored log, as the watch goes about it: a day at a time, told in a sentence.

use crate::collect::chain::Break;
use crate::collect::store::{NodeId, Span, Store, StoreError};

const DAY_MS: i64 = 86_400_000;

/// Breaks that are named; more are counted.
const NAMED: usize = 3;

/// Breaks of the chain over a node's records from an instant on; `go_on` ends it early.
pub(super) fn breaks(
    store: &Store,
    node: NodeId,
    from_ms: i64,
    go_on: &dyn Fn() -> bool,
) -> Result<Vec<Break>, StoreError> {
    let extent = store.extent(node)?;
    let mut found = Vec::new();
    let (Some(first), Some(last)) = (extent.first_end_ms, extent.last_end_ms) else {
        return Ok(found);
    };
    let mut at = first.max(from_ms).div_euclid(DAY_MS) * DAY_MS;
    while at < last && go_on() {
        let (_, report) = store.read_log_checked(node, Span { from_ms: at, to_ms: at + DAY_MS })?;
        for one in report.breaks {
            // A break at midnight belongs to two days.
            if !found.contains(&one) {
                found.push(one);
            }
        }
        at += DAY_MS;
    }
    Ok(found)
}

/// Breaks in words.
pub(super) fn words(breaks: &[Break]) -> String {
    let mut words: Vec<String> = breaks.iter().take(NAMED).map(Break::sentence).collect();
    if breaks.len() > NAMED {
        words.push(format!("and {} more", breaks.len() - NAMED));
    }
    words.join("; ")
}
