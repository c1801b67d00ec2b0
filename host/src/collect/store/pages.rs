//! Columns of a sealed day made into the pages that they came from, all rows of a column at once.
//!
//! Only the bytes that a tag covers are made, and only for record format 2: that is what the check
//! of the chain needs, many times faster than record by record. A test holds it equal to the
//! record's own way to its page.

use super::columns::{Kind, columns};
use super::sealed::Values;
use std::sync::LazyLock;
use wattless_core::record::{
    PAGE, Page, TAG, Tag, from_f16u, from_ratio_code, to_f16u, to_ratio_code,
};

/// How a column lies in a page.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Field {
    /// Not in the page.
    None,
    /// So many low bytes of a whole number.
    Whole(usize),
    /// An IEEE 754 single.
    F32,
    /// Its upper three bytes.
    F24,
    /// The small unsigned one.
    F16u,
    /// A code of 12 bits: the low or the high half of three bytes.
    Ratio(bool),
    /// Half a tag, not covered by itself.
    Tag(usize),
    /// End of the interval as the store has it.
    End,
    /// Whether the host placed the record.
    Placed,
}

/// The column that says whether the host placed a record.
const PLACED: &str = "placed";

/// Field and offset of every column, in the order of the columns.
static LAYOUT: LazyLock<Vec<(Field, usize)>> =
    LazyLock::new(|| columns().map(|c| layout(c.name)).collect());

fn layout(name: &str) -> (Field, usize) {
    use Field::*;
    // Groups of columns that follow each other: first offset, distance.
    let phase = |first: usize, step: usize| {
        let k = ["_l1_", "_l2_", "_l3_"].iter().position(|l| name.contains(l)).unwrap_or(0);
        first + k * step
    };
    let energy = |k: usize| (Whole(6), 41 + 6 * k);
    match name {
        "record_format" => (Whole(1), 0),
        "wiring_code" => (Whole(1), 2),
        "nominal_hz" => (Whole(1), 3),
        "flags" => (Whole(4), 4),
        "seq" => (Whole(4), 8),
        "boot" => (Whole(4), 12),
        "uptime_ms" => (Whole(6), 16),
        "wall_ms" => (Whole(6), 22),
        "wall_quality_code" => (Whole(1), 28),
        "void_before" => (Whole(1), 29),
        "windows" => (Whole(2), 30),
        "duration_us" => (Whole(4), 32),
        "frames_lost" => (Whole(2), 36),
        "frequency_10uhz" => (Whole(3), 38),
        "active_in_10mwh" => energy(0),
        "active_out_10mwh" => energy(1),
        "reactive_i_10mvarh" => energy(2),
        "reactive_ii_10mvarh" => energy(3),
        "reactive_iii_10mvarh" => energy(4),
        "reactive_iv_10mvarh" => energy(5),
        "apparent_10mvah" => energy(6),
        "s_effective_va" => (F24, 134),
        "i_neutral_a" => (F24, 137),
        "p_min_w" => (F24, 164),
        "p_max_w" => (F24, 167),
        "q1_min_var" => (F24, 170),
        "q1_max_var" => (F24, 173),
        "tag_high" => (Tag(0), 0),
        "tag_low" => (Tag(8), 0),
        "end_ms" => (End, 0),
        PLACED => (Placed, 0),
        _ if name.starts_with("v_rms_") => (F24, phase(83, 3)),
        _ if name.starts_with("i_rms_") => (F24, phase(92, 3)),
        _ if name.starts_with("p_l") => (F32, phase(101, 4)),
        _ if name.starts_with("q1_l") => (F32, phase(113, 4)),
        _ if name.starts_with("s_l") => (F24, phase(125, 3)),
        _ if name.starts_with("v_min_") => (F16u, phase(140, 4)),
        _ if name.starts_with("v_max_") => (F16u, phase(142, 4)),
        _ if name.starts_with("i_min_") => (F16u, phase(152, 4)),
        _ if name.starts_with("i_max_") => (F16u, phase(154, 4)),
        _ if name.starts_with("channel_") => {
            let channel = ["_v1_", "_v2_", "_v3_", "_i1_", "_i2_", "_i3_"];
            let k = channel.iter().position(|c| name.contains(c)).unwrap_or(0);
            (F24, 176 + 6 * k + if name.contains("_im_") { 3 } else { 0 })
        }
        _ if name.ends_with("_ratio") => {
            let names = columns().map(|c| c.name).filter(|n| n.ends_with("_ratio"));
            let k = names.take_while(|n| *n != name).count();
            (Ratio(k % 2 == 1), 212 + k / 2 * 3)
        }
        _ => (None, 0),
    }
}

/// Codes of ratios, by the upper bits of the single: each entry is the first code in its stretch.
static RATIOS: LazyLock<Vec<u16>> =
    LazyLock::new(|| (0..1u32 << 16).map(|b| to_ratio_code(f32::from_bits(b << 16))).collect());

/// The singles that have codes, in order.
static CODES: LazyLock<Vec<f32>> = LazyLock::new(|| (0..4096).map(from_ratio_code).collect());

/// The code of a ratio, found in a table; none for one that no record can hold.
fn ratio_code(x: f32) -> Option<u32> {
    let guess = RATIOS.get((x.to_bits() >> 16) as usize).copied().unwrap_or(0);
    let is_it =
        |code: &u16| CODES.get(usize::from(*code)).is_some_and(|c| c.to_bits() == x.to_bits());
    (guess..guess.saturating_add(5)).find(is_it).map(u32::from)
}

/// The pages of a sealed day under way.
#[derive(Default)]
pub(super) struct Pages {
    pages: Vec<Page>,
    tags: Vec<Tag>,
    ends_ms: Vec<i64>,
    placed: Vec<bool>,
}

/// A row of a sealed day, as the check of the chain needs it.
pub(super) struct Row<'a> {
    pub page: &'a Page,
    pub tag: &'a Tag,
    pub end_ms: i64,
    pub placed: bool,
}

impl Pages {
    /// Empty pages of interval records, used again for each file.
    pub(super) fn clear(&mut self, count: usize) {
        let mut blank = [0; PAGE];
        // Format and kind; a file of store format 1 has no column for the first.
        [blank[0], blank[1]] = [1, 1];
        self.pages.clear();
        self.pages.resize(count, blank);
        self.tags.clear();
        self.tags.resize(count, [0; TAG]);
        self.ends_ms.clear();
        self.placed.clear();
    }

    /// The rows, in order.
    pub(super) fn rows(&self) -> impl Iterator<Item = Row<'_>> {
        let times = self.ends_ms.iter().zip(&self.placed);
        self.pages.iter().zip(&self.tags).zip(times).map(|((page, tag), (end, placed))| Row {
            page,
            tag,
            end_ms: *end,
            placed: *placed,
        })
    }

    /// Puts a column of all rows into the pages; `column` counts in the list of columns.
    pub(super) fn put(&mut self, column: usize, values: &Values<'_>) {
        let Some((field, at)) = LAYOUT.get(column).copied() else { return };
        match (field, values) {
            (Field::Whole(4), Values::Bits(v)) => self.bytes(at, v, |x| (x.to_le_bytes(), true)),
            (Field::Whole(3), Values::Bits(v)) => {
                self.bytes(at, v, |x| (low(x.to_le_bytes()), x as u32 >> 24 == 0));
            }
            (Field::Whole(2), Values::Bits(v)) => {
                self.bytes(at, v, |x| ((x as u16).to_le_bytes(), x as u32 >> 16 == 0));
            }
            (Field::Whole(1), Values::Bits(v)) => {
                self.bytes(at, v, |x| ([x as u8], x as u32 >> 8 == 0));
            }
            (Field::Whole(6), Values::Whole(v)) => self.bytes(at, v, |x| {
                let [a, b, c, d, e, f, ..] = x.to_le_bytes();
                ([a, b, c, d, e, f], x as u64 >> 48 == 0)
            }),
            (Field::Tag(from), Values::Whole(v)) => {
                for (tag, x) in self.tags.iter_mut().zip(*v) {
                    let half = tag.iter_mut().skip(from);
                    half.zip(x.to_be_bytes()).for_each(|(place, byte)| *place = byte);
                }
            }
            (Field::End, Values::Whole(v)) => self.ends_ms.extend_from_slice(v),
            (Field::Placed, Values::Bits(v)) => self.placed.extend(v.iter().map(|x| *x != 0)),
            (Field::F32, Values::Real(v)) => {
                self.bytes(at, v, |x| (x.to_bits().to_le_bytes(), true));
            }
            (Field::F24, Values::Real(v)) => self.bytes(at, v, |x| {
                let bits = x.to_bits();
                (low((bits >> 8).to_le_bytes()), bits & 0xFF == 0)
            }),
            (Field::F16u, Values::Real(v)) => self.bytes(at, v, |x| {
                let code = to_f16u(x);
                (code.to_le_bytes(), from_f16u(code).to_bits() == x.to_bits())
            }),
            (Field::Ratio(high), Values::Real(v)) => {
                let shift = if high { 12 } else { 0 };
                for (page, x) in self.pages.iter_mut().zip(*v) {
                    let code = ratio_code(*x);
                    let bytes = low((code.unwrap_or(0) << shift).to_le_bytes());
                    let room = page.iter_mut().skip(at);
                    room.zip(bytes).for_each(|(place, byte)| *place |= byte);
                    if code.is_none() {
                        spoil(page);
                    }
                }
            }
            // Not in the page, or of another kind than its column, which reading has refused.
            _ => {}
        }
    }

    fn bytes<T: Copy, const N: usize>(
        &mut self,
        at: usize,
        values: &[T],
        bytes: impl Fn(T) -> ([u8; N], bool),
    ) {
        for (page, x) in self.pages.iter_mut().zip(values) {
            let (bytes, exact) = bytes(*x);
            if let Some(room) = page.get_mut(at..).and_then(|p| p.first_chunk_mut::<N>()) {
                *room = bytes;
            }
            if !exact {
                spoil(page);
            }
        }
    }
}

/// Makes sure that a page fits no tag: it has a number that no record holds, so someone put it
/// there. Rounded to its field it would pass for the node's own.
pub(super) fn spoil(page: &mut Page) {
    // The kind of page, which no column writes.
    page[1] = 0;
}

/// The three low bytes of four.
fn low([a, b, c, _]: [u8; 4]) -> [u8; 3] {
    [a, b, c]
}

/// Position and name of every column, and whether it lies in a page or is needed beside it.
pub(super) fn needed() -> impl Iterator<Item = (usize, &'static str, bool)> {
    columns().enumerate().map(|(at, c)| {
        let in_page = LAYOUT.get(at).is_some_and(|l| l.0 != Field::None);
        (at, c.name, in_page || c.kind == Kind::Time || c.name == PLACED)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::collect::fake_node::{chained, record};
    use crate::collect::store::columns::{StoredRecord, Value};
    use wattless_core::chain::next_tag;
    use wattless_core::record::{Record, RecordHarmonics};

    #[test]
    fn pages_of_columns_are_pages_of_records() {
        let mut records: Vec<Record> = (0..200).map(record).collect();
        for (k, r) in records.iter_mut().enumerate() {
            r.flags.0 = 0x8000_0001 << (k % 7);
            r.boot = u32::MAX - k as u32;
            r.void_before = k as u8;
            r.wiring = wattless_core::wiring::Wiring::ALL[k % 7];
            let code = |n: usize| from_ratio_code(((k * 16 + n * 251) % 4096) as u16);
            r.harmonics = RecordHarmonics::from_array(std::array::from_fn(code));
        }
        let records = chained(3, records);
        let rows: Vec<_> = records
            .iter()
            .map(|r| StoredRecord { record: *r, end_ms: Some(1), placed: false })
            .collect();
        let mut pages = Pages::default();
        pages.clear(rows.len());
        for (at, c) in columns().enumerate() {
            let ints = || {
                rows.iter().map(|r| (c.get)(r)).map(|v| match v {
                    Value::Int(x) => x,
                    _ => 0,
                })
            };
            match c.kind {
                Kind::Unsigned(_) => {
                    let bits: Vec<i32> = ints().map(|x| x as u32 as i32).collect();
                    pages.put(at, &Values::Bits(&bits));
                }
                Kind::Wide | Kind::Time => {
                    let whole: Vec<i64> = ints().collect();
                    pages.put(at, &Values::Whole(&whole));
                }
                Kind::Real => {
                    let real: Vec<f32> = rows
                        .iter()
                        .map(|r| match (c.get)(r) {
                            Value::Real(x) => x,
                            _ => f32::NAN,
                        })
                        .collect();
                    pages.put(at, &Values::Real(&real));
                }
            }
        }
        let mut before = wattless_core::chain::first_tag(3);
        assert_eq!(pages.rows().count(), records.len());
        for (row, r) in pages.rows().zip(&records) {
            let want = r.encode();
            assert_eq!(row.page[..236], want[..236], "record {}", r.seq);
            assert_eq!((*row.tag, row.end_ms, row.placed), (r.tag, 1, false));
            assert_eq!(next_tag(&before, row.page), r.tag);
            before = *row.tag;
        }
    }

    #[test]
    fn every_covered_byte_comes_from_one_column() {
        let mut covered = [0u8; PAGE];
        covered[1] = 1;
        for (field, at) in LAYOUT.iter() {
            let n = match field {
                Field::None | Field::Ratio(true) => 0,
                Field::Tag(_) | Field::End | Field::Placed => 0,
                Field::Whole(n) => *n,
                Field::F32 => 4,
                Field::F24 | Field::Ratio(false) => 3,
                Field::F16u => 2,
            };
            covered[*at..at + n].iter_mut().for_each(|c| *c += 1);
        }
        assert!(covered[..236].iter().all(|c| *c == 1), "{covered:?}");
    }

    #[test]
    fn ratios_by_table_are_ratios_by_logarithm() {
        for code in 0..4096 {
            let x = from_ratio_code(code);
            assert_eq!(ratio_code(x), Some(u32::from(code)));
            // The neighbours of a number that a record can hold are none.
            assert_eq!(ratio_code(f32::from_bits(x.to_bits() ^ 1)), None);
        }
    }
}
