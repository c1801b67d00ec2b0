//! Reading only the columns that energies and demands need, on all processors.
//!
//! A year of one-minute records is 365 files; reading 9 of their columns costs a fraction of
//! reading them all.

use super::columns::StoredRecord;
use super::node::NodeId;
use super::sealed::{self, Room, Values};
use super::{Span, Store, StoreError};
use crate::site::Apparent;
use rusqlite::params;
use std::fs;
use std::path::PathBuf;

/// Times and powers of a node's records, in order of time.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Powers {
    /// End of the interval, Unix milliseconds.
    pub end_ms: Vec<i64>,
    /// Length in microseconds.
    pub duration_us: Vec<u32>,
    /// Remarks of the records.
    pub flags: Vec<u32>,
    /// Mean active power of the phases, in W.
    pub p_w: [Vec<f32>; 3],
    /// Mean reactive power of the phases' fundamental, in var.
    pub q1_var: [Vec<f32>; 3],
    /// Apparent power: of the phases, or the effective one in the first column; in VA.
    /// Empty for [`Apparent::Vector`].
    pub s_va: [Vec<f32>; 3],
}

const P: [&str; 3] = ["p_l1_w", "p_l2_w", "p_l3_w"];
const Q: [&str; 3] = ["q1_l1_var", "q1_l2_var", "q1_l3_var"];
const S: [&str; 3] = ["s_l1_va", "s_l2_va", "s_l3_va"];

/// Names of the columns of floats that an apparent power needs.
fn reals(apparent: Apparent) -> Vec<&'static str> {
    let s: &[&str] = match apparent {
        Apparent::Vector => &[],
        Apparent::Arithmetic => &S,
        Apparent::Effective => &["s_effective_va"],
    };
    P.iter().chain(&Q).chain(s).copied().collect()
}

/// Places of records that follow each other.
struct Places<'a> {
    end_ms: &'a mut [i64],
    duration_us: &'a mut [u32],
    flags: &'a mut [u32],
    reals: Vec<&'a mut [f32]>,
}

fn first<'a, T>(slice: &mut &'a mut [T], n: usize) -> &'a mut [T] {
    let whole = std::mem::take(slice);
    let (head, rest) = whole.split_at_mut(n.min(whole.len()));
    *slice = rest;
    head
}

impl<'a> Places<'a> {
    /// Takes off the places of the next `n` records.
    fn split_off(&mut self, n: usize) -> Places<'a> {
        Places {
            end_ms: first(&mut self.end_ms, n),
            duration_us: first(&mut self.duration_us, n),
            flags: first(&mut self.flags, n),
            reals: self.reals.iter_mut().map(|r| first(r, n)).collect(),
        }
    }

    /// Copies a file's values of the column at a position of the list of names.
    fn take(&mut self, at: usize, values: &Values<'_>) {
        match (at, values) {
            (0, Values::Whole(from)) => self.end_ms.copy_from_slice(from),
            (1, Values::Bits(from)) => unsigned(self.duration_us, from),
            (2, Values::Bits(from)) => unsigned(self.flags, from),
            (_, Values::Real(from)) => {
                if let Some(to) = self.reals.get_mut(at - 3) {
                    to.copy_from_slice(from);
                }
            }
            _ => debug_assert!(false, "a column and its place differ in kind"),
        }
    }
}

fn unsigned(to: &mut [u32], from: &[i32]) {
    to.iter_mut().zip(from).for_each(|(t, f)| *t = *f as u32);
}

impl Powers {
    fn with_room(n: usize, apparent: Apparent) -> Powers {
        let real = || vec![0.0; n];
        let none = Vec::new;
        Powers {
            end_ms: vec![0; n],
            duration_us: vec![0; n],
            flags: vec![0; n],
            p_w: [real(), real(), real()],
            q1_var: [real(), real(), real()],
            s_va: match apparent {
                Apparent::Vector => [none(), none(), none()],
                Apparent::Arithmetic => [real(), real(), real()],
                Apparent::Effective => [real(), none(), none()],
            },
        }
    }

    fn places(&mut self) -> Places<'_> {
        let columns = self.p_w.iter_mut().chain(&mut self.q1_var).chain(&mut self.s_va);
        Places {
            end_ms: &mut self.end_ms,
            duration_us: &mut self.duration_us,
            flags: &mut self.flags,
            reals: columns.filter(|c| !c.is_empty()).map(Vec::as_mut_slice).collect(),
        }
    }

    fn push(&mut self, r: &StoredRecord, end_ms: i64, apparent: Apparent) {
        self.end_ms.push(end_ms);
        self.duration_us.push(r.record.duration_us);
        self.flags.push(r.record.flags.0);
        for (k, phase) in r.record.phases.iter().enumerate() {
            self.p_w[k].push(phase.p_w);
            self.q1_var[k].push(phase.q1_var);
            if apparent == Apparent::Arithmetic {
                self.s_va[k].push(phase.s_va);
            }
        }
        if apparent == Apparent::Effective {
            self.s_va[0].push(r.record.s_effective_va);
        }
    }

    /// Leaves out what lies outside the span, and orders by time where a clock was set back.
    fn tidy(&mut self, span: Span) {
        let ordered = self.end_ms.is_sorted();
        if ordered && self.end_ms.iter().all(|e| span.holds(*e)) {
            return;
        }
        let ends = &self.end_ms;
        let mut order: Vec<usize> =
            (0..ends.len()).filter(|i| ends.get(*i).is_some_and(|e| span.holds(*e))).collect();
        if !ordered {
            order.sort_by_key(|i| ends.get(*i).copied());
        }
        fn pick<T: Copy>(column: &mut Vec<T>, order: &[usize]) {
            *column = order.iter().filter_map(|i| column.get(*i).copied()).collect();
        }
        pick(&mut self.duration_us, &order);
        pick(&mut self.flags, &order);
        let columns = self.p_w.iter_mut().chain(&mut self.q1_var).chain(&mut self.s_va);
        columns.for_each(|c| pick(c, &order));
        pick(&mut self.end_ms, &order);
    }
}

impl Store {
    /// Times and powers of a node over a stretch of time, in order of time.
    ///
    /// Records that have no place in time yet are left out; [`Store::extent`] counts them.
    pub fn read_powers(
        &self,
        id: NodeId,
        span: Span,
        apparent: Apparent,
    ) -> Result<Powers, StoreError> {
        let node = self.key(id)?;
        // One read transaction, so that no day is in both or in neither.
        let t = self.db.unchecked_transaction().map_err(|e| self.sql(e))?;
        let files = {
            let sql = "SELECT file, record_count FROM sealed \
                       WHERE node = ?1 AND max_end_ms > ?2 AND min_end_ms <= ?3 ORDER BY first_seq";
            let mut statement = self.db.prepare_cached(sql).map_err(|e| self.sql(e))?;
            let row = |r: &rusqlite::Row<'_>| {
                let name: String = r.get(0)?;
                Ok((self.folder.join(name), r.get::<_, u32>(1)? as usize))
            };
            let rows = statement.query_map(params![node, span.from_ms, span.to_ms], row);
            let rows = rows.map_err(|e| self.sql(e))?;
            rows.collect::<Result<Vec<_>, _>>().map_err(|e| self.sql(e))?
        };
        let tail = self.tail_rows(node, 0, u32::MAX)?;
        t.finish().map_err(|e| self.sql(e))?;
        let mut powers = Powers::with_room(files.iter().map(|f| f.1).sum(), apparent);
        let mut names = vec!["end_ms", "duration_us", "flags"];
        names.extend(reals(apparent));
        self.fill(&files, &names, powers.places())?;
        for r in &tail {
            if let Some(end_ms) = r.end_ms.filter(|e| span.holds(*e)) {
                powers.push(r, end_ms, apparent);
            }
        }
        powers.tidy(span);
        Ok(powers)
    }

    /// Reads files into places that follow each other, each thread a run of files.
    fn fill(
        &self,
        files: &[(PathBuf, usize)],
        names: &[&str],
        mut places: Places<'_>,
    ) -> Result<(), StoreError> {
        let threads = std::thread::available_parallelism().map_or(1, |n| n.get().min(8));
        let share = files.len().div_ceil(threads).max(1);
        std::thread::scope(|scope| {
            let mut readers = Vec::new();
            for run in files.chunks(share) {
                let mine = places.split_off(run.iter().map(|f| f.1).sum());
                readers.push(scope.spawn(move || read_run(run, names, mine)));
            }
            let lost = || StoreError::Damaged {
                path: self.folder.clone(),
                what: "a reading thread stopped".to_owned(),
            };
            readers.into_iter().try_for_each(|r| r.join().unwrap_or_else(|_| Err(lost())))
        })
    }
}

fn read_run(
    files: &[(PathBuf, usize)],
    names: &[&str],
    mut places: Places<'_>,
) -> Result<(), StoreError> {
    let mut room = Room::default();
    for (path, count) in files {
        let read = fs::read(path);
        let bytes = read.map_err(|source| StoreError::Io { path: path.clone(), source })?;
        let mut here = places.split_off(*count);
        let take = |at: usize, values: Values<'_>| {
            // A file of another length is refused after this.
            let n = match &values {
                Values::Bits(x) => x.len(),
                Values::Whole(x) => x.len(),
                Values::Real(x) => x.len(),
            };
            if n == *count {
                here.take(at, &values);
            }
            Ok(())
        };
        sealed::read(bytes.into(), *count, names, &mut room, take)
            .map_err(|e| StoreError::Damaged { path: path.clone(), what: e.to_string() })?;
    }
    Ok(())
}
