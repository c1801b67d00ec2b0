//! A record as a page and back: fields in order, little-endian, in the layouts of formats 1 and 2.

use super::small::{from_f16u, from_ratio_code, round_f24, to_f16u, to_ratio_code};
use super::{
    CRC, ORDERS, PAGE, Page, RECORD_VERSION, Record, RecordError, RecordHarmonics, RecordPhase,
    TAG, Tag, WallQuality,
};
use crate::flags::Flags;
use crate::frame::ACTIVE;
use crate::window::Nominal;
use crate::wiring::Wiring;

/// The kind of page that holds an interval.
const KIND_INTERVAL: u8 = 1;

/// The oldest format that can be read.
const OLDEST_VERSION: u8 = 1;

/// The first format with harmonics and a tag.
const WITH_TAG: u8 = 2;

/// Where the CRC stands.
const CRC_AT: usize = PAGE - 4;

/// Where the tag of format 2 stands; it covers what is before it.
pub(crate) const TAG_AT: usize = CRC_AT - TAG;

/// Where the sequence number stands.
const SEQ_AT: usize = 8;

// Bytes of the parts of a page, so that the compiler checks their sums.
const HEAD: usize = 4 + 4 + SEQ + 4 + 6 + 6 + 2 + 2 + 4 + 2 + 3;
const SEQ: usize = 4;
const ENERGIES: usize = 7 * 6;
const REST: usize = (3 + 2) * F24 + 4 * F24 + 2 * ACTIVE * F24;
const F24: usize = 3;
const F32: usize = 4;
const F16U: usize = 2;
const RATIOS: usize = 2 * (3 + ORDERS.len());
const V1: usize = HEAD + ENERGIES + 12 * F32 + 12 * F24 + REST;
const V2: usize = HEAD + ENERGIES + 6 * F24 + 6 * F32 + 12 * F16U + REST + RATIOS * 12 / 8;

/// Bytes of format 1 between the last field and the CRC, all zero.
const RESERVED: usize = 22;

const _: () = assert!(HEAD + ENERGIES == 83);
const _: () = assert!(V1 + RESERVED == CRC_AT);
const _: () = assert!(V2 == TAG_AT && TAG_AT == 236);
const _: () = assert!(RATIOS.is_multiple_of(2), "codes go in pairs");

pub(super) const U48_MAX: u64 = (1 << 48) - 1;

/// Writes the page of a record.
pub(super) fn encode(r: &Record) -> Page {
    let mut w = Writer { page: [0; PAGE], at: 0 };
    w.put(&[r.version, KIND_INTERVAL, r.wiring.code(), r.nominal.hz() as u8]);
    w.put(&r.flags.0.to_le_bytes());
    w.put(&r.seq.to_le_bytes());
    w.put(&r.boot.to_le_bytes());
    w.u48(r.uptime_ms);
    w.u48(r.wall_ms);
    w.put(&[r.wall_quality as u8, r.void_before]);
    w.put(&r.windows.to_le_bytes());
    w.put(&r.duration_us.to_le_bytes());
    w.put(&r.frames_lost.to_le_bytes());
    w.u24(r.frequency_10uhz);
    for e in r.energy_counts {
        w.u48(e);
    }
    let short = r.version >= WITH_TAG;
    let (v, i) = (r.phases.map(|p| p.v_rms_v), r.phases.map(|p| p.i_rms_a));
    for x in v.into_iter().chain(i) {
        if short { w.f24(x) } else { w.f32(x) }
    }
    let (p, q) = (r.phases.map(|p| p.p_w), r.phases.map(|p| p.q1_var));
    p.into_iter().chain(q).for_each(|x| w.f32(x));
    r.phases.iter().for_each(|p| w.f24(p.s_va));
    w.f24(r.s_effective_va);
    w.f24(r.i_neutral_a);
    let (v, i) = (r.phases.map(|p| p.v_min_max_v), r.phases.map(|p| p.i_min_max_a));
    for x in v.into_iter().chain(i).flatten() {
        if short { w.put(&to_f16u(x).to_le_bytes()) } else { w.f24(x) }
    }
    r.p_min_max_w.iter().chain(&r.q1_min_max_var).for_each(|x| w.f24(*x));
    r.channels.as_flattened().iter().for_each(|x| w.f24(*x));
    if short {
        w.ratios(&r.harmonics);
        w.put(&r.tag);
    } else {
        w.put(&[0; RESERVED]);
    }
    seal(&mut w.page);
    w.page
}

/// Reads a page back.
pub(super) fn decode(page: &Page) -> Result<Record, RecordError> {
    check_page(page)?;
    let mut r = Reader { page, at: 0 };
    let [version, kind, wiring, nominal] = r.take();
    if kind != KIND_INTERVAL {
        return Err(RecordError::Unknown);
    }
    let wiring = Wiring::from_code(wiring).ok_or(RecordError::Unknown)?;
    let nominal = match nominal {
        50 => Nominal::Hz50,
        60 => Nominal::Hz60,
        _ => return Err(RecordError::Unknown),
    };
    let mut record = Record { version, wiring, nominal, ..Record::BLANK };
    record.flags = Flags(u32::from_le_bytes(r.take()));
    (record.seq, record.boot) = (u32::from_le_bytes(r.take()), u32::from_le_bytes(r.take()));
    (record.uptime_ms, record.wall_ms) = (r.u48(), r.u48());
    let [quality, void_before] = r.take();
    record.wall_quality = WallQuality::from_code(quality).ok_or(RecordError::Unknown)?;
    record.void_before = void_before;
    record.windows = u16::from_le_bytes(r.take());
    record.duration_us = u32::from_le_bytes(r.take());
    record.frames_lost = u16::from_le_bytes(r.take());
    record.frequency_10uhz = r.u24();
    record.energy_counts = core::array::from_fn(|_| r.u48());
    let short = version >= WITH_TAG;
    let mut each = |set: fn(&mut RecordPhase, &mut Reader<'_>, bool)| {
        record.phases.iter_mut().for_each(|p| set(p, &mut r, short));
    };
    each(|p, r, short| p.v_rms_v = if short { r.f24() } else { r.f32() });
    each(|p, r, short| p.i_rms_a = if short { r.f24() } else { r.f32() });
    each(|p, r, _| p.p_w = r.f32());
    each(|p, r, _| p.q1_var = r.f32());
    each(|p, r, _| p.s_va = r.f24());
    (record.s_effective_va, record.i_neutral_a) = (r.f24(), r.f24());
    let mut each = |set: fn(&mut RecordPhase, &mut Reader<'_>, bool)| {
        record.phases.iter_mut().for_each(|p| set(p, &mut r, short));
    };
    each(|p, r, short| p.v_min_max_v = if short { r.two_f16u() } else { r.two_f24() });
    each(|p, r, short| p.i_min_max_a = if short { r.two_f16u() } else { r.two_f24() });
    (record.p_min_max_w, record.q1_min_max_var) = (r.two_f24(), r.two_f24());
    record.channels = core::array::from_fn(|_| r.two_f24());
    if short {
        record.harmonics = r.ratios();
        record.tag = r.take();
    }
    Ok(record)
}

/// Checks blank, checksum and version, in this order; the version stands in the first byte.
pub fn check_page(page: &Page) -> Result<(), RecordError> {
    if page.iter().all(|&b| b == 0xFF) {
        return Err(RecordError::Blank);
    }
    let Some((body, sum)) = page.split_last_chunk::<4>() else {
        return Err(RecordError::Checksum);
    };
    if CRC.checksum(body) != u32::from_le_bytes(*sum) {
        return Err(RecordError::Checksum);
    }
    match page.first() {
        Some(&(OLDEST_VERSION..=RECORD_VERSION)) => Ok(()),
        Some(&found) => Err(RecordError::Version { found }),
        None => Err(RecordError::Checksum),
    }
}

/// The sequence number of a page that has passed [`check_page`].
pub fn page_seq(page: &Page) -> u32 {
    let mut r = Reader { page, at: SEQ_AT };
    u32::from_le_bytes(r.take())
}

/// The tag of a page that has passed [`check_page`]; `None` for format 1, which has none.
pub fn page_tag(page: &Page) -> Option<Tag> {
    let mut r = Reader { page, at: TAG_AT };
    page.first().is_some_and(|version| *version >= WITH_TAG).then(|| r.take())
}

/// Puts a tag and the CRC that goes with it into a page of format 2 or later.
pub fn set_page_tag(page: &mut Page, tag: &Tag) {
    if let Some(room) = page.get_mut(TAG_AT..CRC_AT) {
        room.copy_from_slice(tag);
    }
    seal(page);
}

/// Puts the CRC at the end of a page.
fn seal(page: &mut Page) {
    if let Some((body, sum)) = page.split_last_chunk_mut::<4>() {
        *sum = CRC.checksum(body).to_le_bytes();
    }
}

struct Writer {
    page: Page,
    at: usize,
}

impl Writer {
    fn put(&mut self, bytes: &[u8]) {
        let end = self.at.saturating_add(bytes.len());
        if let Some(room) = self.page.get_mut(self.at..end) {
            room.copy_from_slice(bytes);
        }
        self.at = end;
    }

    fn u48(&mut self, x: u64) {
        let [a, b, c, d, e, f, ..] = x.min(U48_MAX).to_le_bytes();
        self.put(&[a, b, c, d, e, f]);
    }

    fn u24(&mut self, x: u32) {
        let [a, b, c, _] = x.to_le_bytes();
        self.put(&[a, b, c]);
    }

    fn f32(&mut self, x: f32) {
        self.put(&x.to_le_bytes());
    }

    /// Not-a-number has one form in a record, the same on every target.
    fn f24(&mut self, x: f32) {
        let bits = if x.is_nan() { 0x7FC0_0000 } else { round_f24(x).to_bits() };
        self.u24(bits >> 8);
    }

    /// Two codes of 12 bits share three bytes, the first in the low bits.
    fn ratios(&mut self, harmonics: &RecordHarmonics) {
        for [a, b] in harmonics.to_array().as_chunks::<2>().0 {
            self.u24(u32::from(to_ratio_code(*a)) | u32::from(to_ratio_code(*b)) << 12);
        }
    }
}

struct Reader<'a> {
    page: &'a Page,
    at: usize,
}

impl Reader<'_> {
    fn take<const N: usize>(&mut self) -> [u8; N] {
        let bytes = self.page.get(self.at..).and_then(|b| b.first_chunk::<N>());
        self.at = self.at.saturating_add(N);
        bytes.copied().unwrap_or([0; N])
    }

    fn u48(&mut self) -> u64 {
        let [a, b, c, d, e, f] = self.take();
        u64::from_le_bytes([a, b, c, d, e, f, 0, 0])
    }

    fn u24(&mut self) -> u32 {
        let [a, b, c] = self.take();
        u32::from_le_bytes([a, b, c, 0])
    }

    fn f32(&mut self) -> f32 {
        f32::from_le_bytes(self.take())
    }

    fn f24(&mut self) -> f32 {
        f32::from_bits(self.u24() << 8)
    }

    fn two_f24(&mut self) -> [f32; 2] {
        [self.f24(), self.f24()]
    }

    fn two_f16u(&mut self) -> [f32; 2] {
        let mut one = || from_f16u(u16::from_le_bytes(self.take()));
        [one(), one()]
    }

    fn ratios(&mut self) -> RecordHarmonics {
        let mut all = [f32::NAN; RATIOS];
        for pair in all.as_chunks_mut::<2>().0 {
            let codes = self.u24();
            *pair = [codes & 0xFFF, codes >> 12].map(|code| from_ratio_code(code as u16));
        }
        RecordHarmonics::from_array(all)
    }
}
