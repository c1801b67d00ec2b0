//! Where in time an interval lies: the rule, for records with and without a wall time.
//!
//! A node always knows the number of its start ("boot") and the milliseconds since, and
//! its records of one start lie right against each other. Wall time it may lack: no
//! battery, and no host has set the clock yet. The rule, in this order:
//!
//! 1. A record with a wall time lies where its wall time says.
//! 2. The other records of a start lie by their uptime, once the wall time of that start is
//!    known: from the first record of the start that has a wall time, or, for the start the
//!    node is in at a pull, from its clock then, or else from its uptime and the host's clock.
//! 3. A finished start of which nothing is known goes as one block between its neighbours:
//!    right after the last record before it. If there is none before it, it ends where the
//!    next start begins. How long the node was off is not known, so the block may truly lie
//!    later by up to the gap that is left after it.
//!
//! Every record of 2 and 3 is marked as placed. Lengths, order and energies are exact in
//! every case; only the time of day is not measured. A sealed record keeps its place.

/// A start of a node of whose records some have no place, and what is known around it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Unplaced {
    /// Number of the start.
    pub boot: u32,
    /// Its first record without a place.
    pub first_seq: u32,
    /// Uptime at the end of its last record, in ms.
    pub last_uptime_ms: i64,
    /// End of the record before it, Unix ms, if that has a place.
    pub end_before_ms: Option<i64>,
    /// The next start whose wall time is known.
    pub next_known: Option<Start>,
}

/// A start with the wall time given to it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Start {
    /// Number of the start.
    pub boot: u32,
    /// Unix ms at its uptime 0.
    pub start_ms: i64,
}

/// Places finished starts between their neighbours (step 3 of the rule).
///
/// `newest` is the latest start known of; that one is not finished and is left alone, as
/// are starts with nothing around them that is known. `complete` says that no record of a
/// start in between is still to come, so that the next known start really is the next.
pub fn place_between(waiting: &[Unplaced], newest: Option<u32>, complete: bool) -> Vec<Start> {
    let finished = |u: &&Unplaced| newest.is_some_and(|n| u.boot < n);
    let mut placed: Vec<Start> = Vec::new();
    // Forward: each right after what lies before it.
    let mut end_of_last = None;
    let mut left = Vec::new();
    for u in waiting.iter().filter(finished) {
        match u.end_before_ms.or(end_of_last) {
            Some(end) => {
                placed.push(Start { boot: u.boot, start_ms: end });
                end_of_last = Some(end.saturating_add(u.last_uptime_ms));
            }
            None => left.push(u),
        }
    }
    // Backward: what has nothing before it ends where the next one begins.
    for u in left.into_iter().rev().filter(|_| complete) {
        let after = placed.iter().copied().chain(u.next_known).filter(|s| s.boot > u.boot);
        if let Some(next) = after.min_by_key(|s| s.boot) {
            let start_ms = next.start_ms.saturating_sub(u.last_uptime_ms);
            placed.push(Start { boot: u.boot, start_ms });
        }
    }
    placed.sort_by_key(|s| s.boot);
    placed
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(boot: u32, length_ms: i64, before: Option<i64>, next: Option<(u32, i64)>) -> Unplaced {
        Unplaced {
            boot,
            first_seq: boot * 100,
            last_uptime_ms: length_ms,
            end_before_ms: before,
            next_known: next.map(|(boot, start_ms)| Start { boot, start_ms }),
        }
    }

    fn starts(waiting: &[Unplaced], newest: u32) -> Vec<(u32, i64)> {
        place_between(waiting, Some(newest), true).iter().map(|s| (s.boot, s.start_ms)).collect()
    }

    #[test]
    fn a_block_follows_the_record_before_it() {
        assert_eq!(starts(&[run(4, 600, Some(10_000), Some((5, 90_000)))], 5), [(4, 10_000)]);
    }

    #[test]
    fn blocks_in_a_row_follow_each_other() {
        let next = Some((6, 90_000));
        let waiting = [run(4, 600, Some(10_000), next), run(5, 300, None, next)];
        assert_eq!(starts(&waiting, 6), [(4, 10_000), (5, 10_600)]);
    }

    #[test]
    fn without_anything_before_they_end_at_the_next_start() {
        let next = Some((2, 90_000));
        let waiting = [run(0, 500, None, next), run(1, 300, None, next)];
        assert_eq!(starts(&waiting, 2), [(0, 89_200), (1, 89_700)]);
    }

    #[test]
    fn the_nearest_start_counts_not_one_further_on() {
        let waiting = [run(0, 500, None, Some((1, 20_000))), run(2, 300, Some(50_000), None)];
        assert_eq!(starts(&waiting, 3), [(0, 19_500), (2, 50_000)]);
    }

    #[test]
    fn the_present_start_and_the_unknown_wait() {
        assert_eq!(starts(&[run(3, 500, Some(1), None)], 3), []);
        assert_eq!(starts(&[run(2, 500, None, None)], 3), []);
        assert_eq!(place_between(&[run(2, 500, Some(1), None)], None, true), []);
        // Records of a start in between may still come.
        assert_eq!(place_between(&[run(0, 500, None, Some((2, 9_000)))], Some(1), false), []);
    }
}
