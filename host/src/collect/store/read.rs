//! Reading a store: records one by one, and a node's log as columns, fast.
//!
//! Both see one consistent state, also while another program appends and seals.

use super::checked::{Check, Material};
use super::columns::{Column, StoredRecord, Value};
use super::node::NodeId;
use super::pages::{self, Pages};
use super::sealed::{self, Room, Values};
use super::{CATALOGUE, Store, StoreError, tail};
use crate::collect::chain::{ChainReport, Checker};
use crate::collect::log::IntervalLog;
use bytes::Bytes;
use rusqlite::{Params, params};
use std::fs;
use std::ops::RangeInclusive;
use std::path::PathBuf;

/// A stretch of time: what ends after its beginning and not after its end lies in it.
///
/// So an interval that ends at midnight belongs to the day before, and spans that
/// touch share no interval.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Span {
    /// Beginning, Unix milliseconds.
    pub from_ms: i64,
    /// End, Unix milliseconds.
    pub to_ms: i64,
}

impl Span {
    /// All time.
    pub const ALL: Span = Span { from_ms: i64::MIN, to_ms: i64::MAX };

    /// Whether an interval with this end lies in the span.
    pub fn holds(&self, end_ms: i64) -> bool {
        self.from_ms < end_ms && end_ms <= self.to_ms
    }
}

/// How much a store holds of a node.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Extent {
    /// Records, with and without a place in time.
    pub records: u64,
    /// Records that have no place in time yet; the next whole pull gives them one.
    pub unplaced: u64,
    /// First sequence number.
    pub first_seq: Option<u32>,
    /// Last sequence number.
    pub last_seq: Option<u32>,
    /// First end of an interval, Unix milliseconds.
    pub first_end_ms: Option<i64>,
    /// Last end of an interval, Unix milliseconds.
    pub last_end_ms: Option<i64>,
    /// Sealed files.
    pub sealed_files: u64,
    /// Records in them.
    pub sealed_records: u64,
}

/// A sealed file as the catalogue lists it.
#[derive(Clone, Debug)]
pub(super) struct Listed {
    path: PathBuf,
    pub(super) count: usize,
    crc32: u32,
}

impl Listed {
    pub(super) fn damaged(&self, what: impl ToString) -> StoreError {
        StoreError::Damaged { path: self.path.clone(), what: what.to_string() }
    }

    pub(super) fn bytes(&self) -> Result<Bytes, StoreError> {
        let read = fs::read(&self.path);
        read.map(Bytes::from).map_err(|source| StoreError::Io { path: self.path.clone(), source })
    }
}

impl Store {
    /// How much the store holds of a node.
    pub fn extent(&self, id: NodeId) -> Result<Extent, StoreError> {
        let node = self.key(id)?;
        let sql = "SELECT count(*), coalesce(sum(record_count), 0), min(first_seq), max(last_seq), \
                   min(min_end_ms), max(max_end_ms), 0 FROM sealed WHERE node = ?1 UNION ALL \
                   SELECT 0, count(*), min(seq), max(seq), min(end_ms), max(end_ms), \
                   coalesce(sum(end_ms IS NULL), 0) FROM tail WHERE node = ?1";
        let mut statement = self.db.prepare_cached(sql).map_err(|e| self.sql(e))?;
        let rows = statement.query_map([node], |r| {
            let count = |at| r.get::<_, i64>(at).map(|n| u64::try_from(n).unwrap_or(0));
            let (sealed_files, records) = (count(0)?, count(1)?);
            Ok(Extent {
                records,
                unplaced: count(6)?,
                first_seq: r.get(2)?,
                last_seq: r.get(3)?,
                first_end_ms: r.get(4)?,
                last_end_ms: r.get(5)?,
                sealed_files,
                sealed_records: if sealed_files > 0 { records } else { 0 },
            })
        });
        let mut sum = Extent::default();
        let least = |a: Option<i64>, b: Option<i64>| a.into_iter().chain(b).min();
        for part in rows.map_err(|e| self.sql(e))? {
            let part = part.map_err(|e| self.sql(e))?;
            sum.records += part.records;
            sum.unplaced += part.unplaced;
            sum.first_seq = sum.first_seq.into_iter().chain(part.first_seq).min();
            sum.last_seq = sum.last_seq.max(part.last_seq);
            sum.first_end_ms = least(sum.first_end_ms, part.first_end_ms);
            sum.last_end_ms = sum.last_end_ms.max(part.last_end_ms);
            sum.sealed_files += part.sealed_files;
            sum.sealed_records += part.sealed_records;
        }
        Ok(sum)
    }

    pub(super) fn listed(&self, sql: &str, values: impl Params) -> Result<Vec<Listed>, StoreError> {
        let mut statement = self.db.prepare_cached(sql).map_err(|e| self.sql(e))?;
        let rows = statement.query_map(values, |r| {
            Ok(Listed {
                path: self.folder.join(r.get::<_, String>(0)?),
                count: r.get::<_, u32>(1)? as usize,
                crc32: r.get(2)?,
            })
        });
        let rows = rows.map_err(|e| self.sql(e))?;
        rows.collect::<Result<_, _>>().map_err(|e| self.sql(e))
    }

    /// Rows of the tail in a range of sequence numbers.
    pub(super) fn tail_rows(
        &self,
        node: i64,
        first: u32,
        last: u32,
    ) -> Result<Vec<StoredRecord>, StoreError> {
        let mut statement = self.db.prepare_cached(&tail::SELECT).map_err(|e| self.sql(e))?;
        let mut rows = statement.query(params![node, first, last]).map_err(|e| self.sql(e))?;
        let mut records = Vec::new();
        while let Some(row) = rows.next().map_err(|e| self.sql(e))? {
            let record = tail::record(row).map_err(|e| self.sql(e))?;
            records.push(record.map_err(|c| self.impossible(c))?);
        }
        Ok(records)
    }

    fn impossible(&self, c: &Column) -> StoreError {
        StoreError::Damaged {
            path: self.folder.join(CATALOGUE),
            what: format!("a row of the table tail holds an impossible value in {}", c.name),
        }
    }

    /// Records of a node in a range of sequence numbers, in order, as they were on the node.
    pub fn read_records(
        &self,
        id: NodeId,
        range: RangeInclusive<u32>,
    ) -> Result<Records, StoreError> {
        self.records(id, range, Span::ALL)
    }

    /// Records of a node over a stretch of time, in order of their sequence numbers.
    ///
    /// Those without a place in time come only with [`Span::ALL`].
    pub fn read_span(&self, id: NodeId, span: Span) -> Result<Records, StoreError> {
        self.records(id, 0..=u32::MAX, span)
    }

    fn records(
        &self,
        id: NodeId,
        range: RangeInclusive<u32>,
        span: Span,
    ) -> Result<Records, StoreError> {
        let node = self.key(id)?;
        let (first, last) = (*range.start(), *range.end());
        // One read transaction, so that no day is in both or in neither.
        let t = self.db.unchecked_transaction().map_err(|e| self.sql(e))?;
        let sql = "SELECT file, record_count, crc32 FROM sealed \
                   WHERE node = ?1 AND last_seq >= ?2 AND first_seq <= ?3 \
                   AND max_end_ms > ?4 AND min_end_ms <= ?5 ORDER BY first_seq";
        let files = self.listed(sql, params![node, first, last, span.from_ms, span.to_ms])?;
        let tail = self.tail_rows(node, first, last)?;
        t.finish().map_err(|e| self.sql(e))?;
        let (files, now) = (files.into_iter(), Vec::new().into_iter());
        Ok(Records { files, now, tail: Some(tail), range, span })
    }

    /// The log of a node over a stretch of time, as columns in order of time.
    ///
    /// Records that have no place in time yet are left out; [`Store::extent`] counts them.
    pub fn read_log(&self, id: NodeId, span: Span) -> Result<IntervalLog, StoreError> {
        self.log(id, span, None)
    }

    /// The log of a node as [`Store::read_log`] gives it, and what the chain over it says.
    ///
    /// Checked are all records of the days that the span touches.
    pub fn read_log_checked(
        &self,
        id: NodeId,
        span: Span,
    ) -> Result<(IntervalLog, ChainReport), StoreError> {
        let node = self.key(id)?;
        let t = self.db.unchecked_transaction().map_err(|e| self.sql(e))?;
        let mut check = Check::new(self, id, node, span)?;
        let log = self.log(id, span, Some(&mut check))?;
        let report = check.finish(self, node)?;
        t.finish().map_err(|e| self.sql(e))?;
        Ok((log, report))
    }

    fn log(
        &self,
        id: NodeId,
        span: Span,
        check: Option<&mut Check>,
    ) -> Result<IntervalLog, StoreError> {
        let node = self.key(id)?;
        let t = check.is_none().then(|| self.db.unchecked_transaction()).transpose();
        let t = t.map_err(|e| self.sql(e))?;
        let sql = "SELECT file, record_count, crc32 FROM sealed \
                   WHERE node = ?1 AND max_end_ms > ?2 AND min_end_ms <= ?3 ORDER BY first_seq";
        let files = self.listed(sql, params![node, span.from_ms, span.to_ms])?;
        let sealed: usize = files.iter().map(|f| f.count).sum();
        let mut log = IntervalLog::default();
        let tail = self.tail_into(&mut log, node, span, sealed)?;
        t.map_or(Ok(()), |t| t.finish()).map_err(|e| self.sql(e))?;
        let names: Vec<&str> = places(&mut log, 0).iter().map(|p| p.0).collect();
        let shares = shares(&files);
        let places = places(&mut log, sealed);
        let parts = std::thread::scope(|scope| {
            let mut rest: Vec<Place<'_>> = places.into_iter().map(|p| p.1).collect();
            let mut readers = Vec::new();
            for share in shares {
                let count = share.iter().map(|f| f.count).sum();
                let mut mine: Vec<_> = rest.iter_mut().map(|p| p.split_off(count)).collect();
                let (names, material) = (&names, check.as_deref().map(Check::material));
                readers.push(scope.spawn(move || fill(share, names, &mut mine, material)));
            }
            let lost = || StoreError::Damaged {
                path: self.folder.clone(),
                what: "a reading thread stopped".to_owned(),
            };
            let all: Result<Vec<_>, _> =
                readers.into_iter().map(|r| r.join().unwrap_or_else(|_| Err(lost()))).collect();
            all
        })?;
        if let Some(check) = check {
            check.take(parts.into_iter().flatten());
        }
        debug_assert_eq!(log.len(), sealed + tail);
        tidy(&mut log, span);
        Ok(log)
    }

    /// Makes room for sealed records and puts those of the tail behind it.
    fn tail_into(
        &self,
        log: &mut IntervalLog,
        node: i64,
        span: Span,
        sealed: usize,
    ) -> Result<usize, StoreError> {
        let sql = "SELECT count(*) FROM tail WHERE node = ?1 AND end_ms > ?2 AND end_ms <= ?3";
        let range = params![node, span.from_ms, span.to_ms];
        let count: u32 = self.db.query_row(sql, range, |r| r.get(0)).map_err(|e| self.sql(e))?;
        resize(log, sealed + count as usize);
        let mut places = places(log, usize::MAX);
        let bits: Vec<_> = tail::zero_bits().collect();
        let column_of = |name: &str| bits.iter().find(|(c, _)| c.name == name).copied();
        let chosen: Vec<_> = places.iter().map(|p| column_of(p.0)).collect();
        let names: Vec<_> = places.iter().map(|p| p.0).collect();
        let sql = format!(
            "SELECT {}, {} FROM tail WHERE node = ?1 AND end_ms > ?2 AND end_ms <= ?3 ORDER BY seq",
            names.join(", "),
            tail::NEGATIVE_ZEROS
        );
        let mut statement = self.db.prepare_cached(&sql).map_err(|e| self.sql(e))?;
        let mut rows = statement.query(range).map_err(|e| self.sql(e))?;
        let mut at = sealed;
        while let Some(row) = rows.next().map_err(|e| self.sql(e))? {
            let zeros: i64 = row.get(names.len()).map_err(|e| self.sql(e))?;
            for (i, ((name, place), chosen)) in places.iter_mut().zip(&chosen).enumerate() {
                let value = match chosen {
                    Some((c, bit)) => {
                        let value = tail::value(row, i, c.kind).map_err(|e| self.sql(e))?;
                        tail::signed(value, zeros & bit != 0)
                    }
                    None => Value::Missing,
                };
                if place.set(at, value).is_none() {
                    let what = format!("a row of the table tail is impossible in {name}");
                    return Err(StoreError::Damaged { path: self.folder.join(CATALOGUE), what });
                }
            }
            at += 1;
        }
        Ok(count as usize)
    }
}

/// Divides files between threads, in order, so that each has about the same number of records.
fn shares(files: &[Listed]) -> Vec<&[Listed]> {
    let threads = std::thread::available_parallelism().map_or(1, |n| n.get().min(8));
    let per_thread = files.len().div_ceil(threads).max(1);
    files.chunks(per_thread).collect()
}

/// Reads files one after the other into places that follow each other, and checks their chains.
fn fill(
    files: &[Listed],
    names: &[&str],
    places: &mut [Place<'_>],
    material: Option<Material>,
) -> Result<Vec<Checker>, StoreError> {
    let (mut room, mut checks) = (Room::default(), Vec::new());
    let Some(material) = material else {
        for file in files {
            let mut here: Vec<_> = places.iter_mut().map(|p| p.split_off(file.count)).collect();
            sealed::read(file.bytes()?, file.count, names, &mut room, |at, values| {
                if let Some(place) = here.get_mut(at) {
                    place.take(&values);
                }
                Ok(())
            })
            .map_err(|e| file.damaged(e))?;
        }
        return Ok(checks);
    };
    // All that lies in a page is needed for its tag, and some of it in the log.
    let mut pages = Pages::default();
    let wanted: Vec<Wanted<'_>> = Wanted::all(names).collect();
    let all: Vec<&str> = wanted.iter().map(|w| w.name).collect();
    for file in files {
        let mut here: Vec<_> = places.iter_mut().map(|p| p.split_off(file.count)).collect();
        pages.clear(file.count);
        sealed::read(file.bytes()?, file.count, &all, &mut room, |at, values| {
            if let Some(w) = wanted.get(at) {
                pages.put(w.column, &values);
                if let Some(place) = w.place.and_then(|p| here.get_mut(p)) {
                    place.take(&values);
                }
            }
            Ok(())
        })
        .map_err(|e| file.damaged(e))?;
        checks.push(material.check(&pages));
    }
    Ok(checks)
}

/// A column to be read for the check of the chain.
struct Wanted<'a> {
    name: &'a str,
    /// Position in the list of columns.
    column: usize,
    /// Position among the places of the log.
    place: Option<usize>,
}

impl<'a> Wanted<'a> {
    /// Every column that is in a page or in the log.
    fn all(names: &'a [&'a str]) -> impl Iterator<Item = Wanted<'a>> {
        pages::needed().filter_map(|(column, name, in_page)| {
            let place = names.iter().position(|n| *n == name);
            (in_page || place.is_some()).then_some(Wanted { name, column, place })
        })
    }
}

/// Where the values of a column go in an [`IntervalLog`].
enum Place<'a> {
    Bool(&'a mut [bool]),
    U16(&'a mut [u16]),
    U32(&'a mut [u32]),
    I64(&'a mut [i64]),
    U64(&'a mut [u64]),
    F32(&'a mut [f32]),
}

/// Takes the first `n` entries off a slice.
fn first<'a, T>(slice: &mut &'a mut [T], n: usize) -> &'a mut [T] {
    let whole = std::mem::take(slice);
    let (head, rest) = whole.split_at_mut(n.min(whole.len()));
    *slice = rest;
    head
}

impl<'a> Place<'a> {
    /// Takes off the room for the next `n` records.
    fn split_off(&mut self, n: usize) -> Place<'a> {
        match self {
            Place::Bool(x) => Place::Bool(first(x, n)),
            Place::U16(x) => Place::U16(first(x, n)),
            Place::U32(x) => Place::U32(first(x, n)),
            Place::I64(x) => Place::I64(first(x, n)),
            Place::U64(x) => Place::U64(first(x, n)),
            Place::F32(x) => Place::F32(first(x, n)),
        }
    }

    /// Copies a file's values; their number is checked by the caller.
    fn take(&mut self, values: &Values<'_>) {
        fn each<T: Copy, U>(to: &mut [U], from: &[T], change: impl Fn(T) -> U) {
            to.iter_mut().zip(from).for_each(|(t, f)| *t = change(*f));
        }
        match (self, values) {
            (Place::Bool(to), Values::Bits(from)) => each(to, from, |x| x != 0),
            (Place::U16(to), Values::Bits(from)) => each(to, from, |x| x as u16),
            (Place::U32(to), Values::Bits(from)) => each(to, from, |x| x as u32),
            (Place::I64(to), Values::Whole(from)) => each(to, from, |x| x),
            (Place::U64(to), Values::Whole(from)) => each(to, from, |x| x as u64),
            (Place::F32(to), Values::Real(from)) => each(to, from, |x| x),
            // The test of the places makes sure that every column meets its kind.
            _ => debug_assert!(false, "a column and its place differ in kind"),
        }
    }

    /// Sets one entry; `None` when the value does not fit.
    fn set(&mut self, at: usize, value: Value) -> Option<()> {
        match (self, value) {
            (Place::Bool(x), Value::Int(v)) => *x.get_mut(at)? = v != 0,
            (Place::U16(x), Value::Int(v)) => *x.get_mut(at)? = v.try_into().ok()?,
            (Place::U32(x), Value::Int(v)) => *x.get_mut(at)? = v.try_into().ok()?,
            (Place::I64(x), Value::Int(v)) => *x.get_mut(at)? = v,
            (Place::U64(x), Value::Int(v)) => *x.get_mut(at)? = v.try_into().ok()?,
            (Place::F32(x), Value::Real(v)) => *x.get_mut(at)? = v,
            (Place::F32(x), Value::Missing) => *x.get_mut(at)? = f32::NAN,
            _ => return None,
        }
        Some(())
    }
}

/// Every column that an [`IntervalLog`] takes from the store, with the first `n` entries of its place.
fn places(log: &mut IntervalLog, n: usize) -> Vec<(&'static str, Place<'_>)> {
    const V: [&str; 3] = ["v_rms_l1_v", "v_rms_l2_v", "v_rms_l3_v"];
    const I: [&str; 3] = ["i_rms_l1_a", "i_rms_l2_a", "i_rms_l3_a"];
    const P: [&str; 3] = ["p_l1_w", "p_l2_w", "p_l3_w"];
    const Q: [&str; 3] = ["q1_l1_var", "q1_l2_var", "q1_l3_var"];
    const S: [&str; 3] = ["s_l1_va", "s_l2_va", "s_l3_va"];
    const ENERGY: [&str; 7] = [
        "active_in_10mwh",
        "active_out_10mwh",
        "reactive_i_10mvarh",
        "reactive_ii_10mvarh",
        "reactive_iii_10mvarh",
        "reactive_iv_10mvarh",
        "apparent_10mvah",
    ];
    fn up_to<T>(x: &mut [T], n: usize) -> &mut [T] {
        let n = n.min(x.len());
        &mut x[..n]
    }
    let mut all = vec![
        ("seq", Place::U32(up_to(&mut log.seq, n))),
        ("boot", Place::U32(up_to(&mut log.boot, n))),
        ("end_ms", Place::I64(up_to(&mut log.end_ms, n))),
        ("duration_us", Place::U32(up_to(&mut log.duration_us, n))),
        ("flags", Place::U32(up_to(&mut log.flags, n))),
        ("placed", Place::Bool(up_to(&mut log.placed, n))),
        ("frames_lost", Place::U16(up_to(&mut log.frames_lost, n))),
        ("frequency_10uhz", Place::U32(up_to(&mut log.frequency_10uhz, n))),
        ("s_effective_va", Place::F32(up_to(&mut log.s_effective_va, n))),
    ];
    let groups = [
        (V, &mut log.v_rms_v),
        (I, &mut log.i_rms_a),
        (P, &mut log.p_w),
        (Q, &mut log.q1_var),
        (S, &mut log.s_va),
    ];
    for (names, columns) in groups {
        all.extend(names.into_iter().zip(columns).map(|(k, x)| (k, Place::F32(up_to(x, n)))));
    }
    let energies = ENERGY.into_iter().zip(&mut log.energy_counts);
    all.extend(energies.map(|(k, x)| (k, Place::U64(up_to(x, n)))));
    all
}

macro_rules! every_column {
    ($log:ident, |$x:ident| $do:expr) => {{
        macro_rules! each {
            ($c:expr) => {{
                let $x = $c;
                $do;
            }};
        }
        each!(&mut $log.seq);
        each!(&mut $log.boot);
        each!(&mut $log.end_ms);
        each!(&mut $log.duration_us);
        each!(&mut $log.flags);
        each!(&mut $log.placed);
        each!(&mut $log.frames_lost);
        each!(&mut $log.frequency_10uhz);
        each!(&mut $log.s_effective_va);
        $log.energy_counts.iter_mut().for_each(|c| each!(c));
        let groups =
            [&mut $log.v_rms_v, &mut $log.i_rms_a, &mut $log.p_w, &mut $log.q1_var, &mut $log.s_va];
        groups.into_iter().flatten().for_each(|c| each!(c));
    }};
}

fn resize(log: &mut IntervalLog, n: usize) {
    every_column!(log, |x| x.resize(n, Default::default()));
}

/// Leaves out what lies outside the span, and orders by time where the node's clock was set back.
fn tidy(log: &mut IntervalLog, span: Span) {
    let inside = log.end_ms.iter().all(|e| span.holds(*e));
    let ordered = log.end_ms.is_sorted();
    if inside && ordered {
        return;
    }
    let mut order: Vec<usize> =
        (0..log.len()).filter(|i| log.end_ms.get(*i).is_some_and(|e| span.holds(*e))).collect();
    if !ordered {
        let ends = &log.end_ms;
        order.sort_by_key(|i| ends.get(*i).copied());
    }
    every_column!(log, |x| *x = order.iter().filter_map(|i| x.get(*i).copied()).collect());
}

/// Records of a node one by one, read file by file; made by [`Store::read_records`]
/// and [`Store::read_span`].
pub struct Records {
    files: std::vec::IntoIter<Listed>,
    now: std::vec::IntoIter<StoredRecord>,
    tail: Option<Vec<StoredRecord>>,
    range: RangeInclusive<u32>,
    span: Span,
}

impl Records {
    fn next_file(&mut self) -> Option<Result<Vec<StoredRecord>, StoreError>> {
        let Some(file) = self.files.next() else { return self.tail.take().map(Ok) };
        let read = || {
            let bytes = file.bytes()?;
            if sealed::CHECKSUM.checksum(&bytes) != file.crc32 {
                return Err(file.damaged("the file is not as it was sealed (checksum)"));
            }
            sealed::read_records(bytes, file.count).map_err(|e| file.damaged(e))
        };
        Some(read())
    }
}

impl Iterator for Records {
    type Item = Result<StoredRecord, StoreError>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            let (range, span) = (&self.range, self.span);
            let wanted = |r: &StoredRecord| {
                range.contains(&r.record.seq)
                    && r.end_ms.map_or(span == Span::ALL, |end| span.holds(end))
            };
            if let Some(record) = self.now.find(wanted) {
                return Some(Ok(record));
            }
            match self.next_file()? {
                Ok(records) => self.now = records.into_iter(),
                Err(e) => {
                    // After a file that cannot be read, nothing is whole any more.
                    self.files = Vec::new().into_iter();
                    self.tail = None;
                    return Some(Err(e));
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::collect::store::Kind;
    use crate::collect::store::columns::column;

    #[test]
    fn every_place_has_a_column_of_its_kind() {
        let mut log = IntervalLog::default();
        for (name, place) in places(&mut log, 0) {
            let kind = column(name).unwrap_or_else(|| panic!("no column {name}")).kind;
            let fits = match place {
                Place::Bool(_) => kind == Kind::Unsigned(8),
                Place::U16(_) => kind == Kind::Unsigned(16),
                Place::U32(_) => kind == Kind::Unsigned(32),
                Place::I64(_) => kind == Kind::Time,
                Place::U64(_) => kind == Kind::Wide,
                Place::F32(_) => kind == Kind::Real,
            };
            assert!(fits, "{name}");
        }
    }

    #[test]
    fn a_span_holds_its_end_and_not_its_beginning() {
        let span = Span { from_ms: 10, to_ms: 20 };
        assert_eq!([10, 11, 20, 21].map(|e| span.holds(e)), [false, true, true, false]);
    }
}
