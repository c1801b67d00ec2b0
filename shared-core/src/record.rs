//! The interval record: one log page of 256 bytes, fixed layout, CRC-32 at its end.
//!
//! All numbers are little-endian. `f24` is the upper 24 bits of an IEEE 754
//! single (rounded to nearest even): 15 bits after the point, wrong by at most 1.6·10⁻⁵ of itself.
//! The table of offsets is in DEVELOPERS.md; a test there decodes an example.

use crate::flags::Flags;
use crate::frame::ACTIVE;
use crate::interval::{Energies, Extremes, IntervalSummary};
use crate::window::Nominal;
use crate::wiring::Wiring;
use serde::{Deserialize, Serialize};

/// Bytes of a record, and of a page of the log.
pub const PAGE: usize = 256;

/// A record as it lies in the flash and travels on the link.
pub type Page = [u8; PAGE];

/// The format written by this version.
pub const RECORD_VERSION: u8 = 1;

/// The kind of page that holds an interval.
const KIND_INTERVAL: u8 = 1;

/// Bytes between the last field and the CRC, zero in this version.
const RESERVED: usize = 22;

/// The CRC over a page and over the link: CRC-32/ISO-HDLC (IEEE 802.3).
pub const CRC: crc::Crc<u32> = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC);

/// Where the wall time of a record comes from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[serde(rename_all = "kebab-case")]
pub enum WallQuality {
    /// There is no wall time since the start.
    #[default]
    None,
    /// From the battery-backed clock, not confirmed by a host since the start.
    Clock,
    /// Set or confirmed by a host since the start.
    Host,
}

impl WallQuality {
    /// The quality with a code.
    pub const fn from_code(code: u8) -> Option<WallQuality> {
        match code {
            0 => Some(WallQuality::None),
            1 => Some(WallQuality::Clock),
            2 => Some(WallQuality::Host),
            _ => None,
        }
    }
}

/// One phase of a record.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct RecordPhase {
    /// RMS voltage, in V.
    pub v_rms_v: f32,
    /// RMS current, in A.
    pub i_rms_a: f32,
    /// Mean active power, in W.
    pub p_w: f32,
    /// Mean reactive power of the fundamental, in var.
    pub q1_var: f32,
    /// Mean apparent power, in VA (f24).
    pub s_va: f32,
    /// Smallest and largest RMS voltage of the windows, in V (f24).
    pub v_min_max_v: [f32; 2],
    /// Smallest and largest RMS current of the windows, in A (f24).
    pub i_min_max_a: [f32; 2],
}

/// An interval as it is stored.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Record {
    /// How the leads were connected.
    pub wiring: Wiring,
    /// Nominal frequency.
    pub nominal: Nominal,
    /// Remarks.
    pub flags: Flags,
    /// Sequence number in the log; counts up for the node's life.
    pub seq: u32,
    /// Number of the start of the node; counts up.
    pub boot: u32,
    /// Milliseconds since that start at the end of the interval.
    pub uptime_ms: u64,
    /// Unix time in milliseconds at the end of the interval; 0 when there is none.
    pub wall_ms: u64,
    /// Where the wall time comes from.
    pub wall_quality: WallQuality,
    /// Sequence numbers before this one that were left empty on purpose.
    pub void_before: u8,
    /// Basic windows in the interval.
    pub windows: u16,
    /// Length by the sample clock, in microseconds.
    pub duration_us: u32,
    /// Frames lost within the interval; 65 535 means that or more.
    pub frames_lost: u16,
    /// Mean frequency in units of 10 µHz; 0 when there was none.
    pub frequency_10uhz: u32,
    /// Energy counters at the end, in 10 mWh: Wh in, Wh out, varh of quadrants I to IV, VAh.
    pub energy_counts: [u64; 7],
    /// Phases in order; zeros for those the wiring does not have.
    pub phases: [RecordPhase; 3],
    /// Mean effective apparent power, in VA (f24); NaN where it is not defined.
    pub s_effective_va: f32,
    /// RMS neutral current, in A (f24).
    pub i_neutral_a: f32,
    /// Smallest and largest total active power of the windows, in W (f24).
    pub p_min_max_w: [f32; 2],
    /// Smallest and largest total reactive power of the windows, in var (f24).
    pub q1_min_max_var: [f32; 2],
    /// Mean fundamental phasors of the channels, real and imaginary, in V or A (f24).
    pub channels: [[f32; 2]; ACTIVE],
}

/// What a record carries beside the interval's own numbers.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Stamp {
    /// Sequence number.
    pub seq: u32,
    /// Number of the start.
    pub boot: u32,
    /// Milliseconds since the start at the end.
    pub uptime_ms: u64,
    /// Unix milliseconds at the end; 0 when there is none.
    pub wall_ms: u64,
    /// Where the wall time comes from.
    pub wall_quality: WallQuality,
    /// Sequence numbers left empty before this one.
    pub void_before: u8,
    /// Frames lost within the interval.
    pub frames_lost: u64,
}

/// Why a page is not a record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum RecordError {
    /// Erased flash.
    Blank,
    /// The checksum does not match: damaged or half written.
    Checksum,
    /// A format that this program does not know.
    Version {
        /// The format's version.
        found: u8,
    },
    /// A kind of page or a field value that this version does not know.
    Unknown,
}

impl core::fmt::Display for RecordError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            RecordError::Blank => write!(f, "the page is empty"),
            RecordError::Checksum => write!(f, "the page is damaged (checksum)"),
            RecordError::Version { found } => write!(
                f,
                "record format {found} is not known here (known: {RECORD_VERSION}); \
                 use a program as new as the node"
            ),
            RecordError::Unknown => write!(f, "the page holds an unknown kind of entry"),
        }
    }
}

impl core::error::Error for RecordError {}

impl Record {
    /// Makes a record of an interval; what exceeds its field is limited and flagged.
    pub fn new(
        s: &IntervalSummary,
        stamp: &Stamp,
        energies: &Energies,
        wiring: Wiring,
        nominal: Nominal,
    ) -> Record {
        let mut flags = s.flags;
        flags.insert_if(stamp.frames_lost > 0, Flags::FRAMES_LOST);
        flags.insert_if(energies.is_full(), Flags::OUT_OF_RANGE);
        let mut limit = Limit { exceeded: false };
        let mut phases = [RecordPhase::default(); 3];
        let extremes = s.v_extremes_v.iter().zip(&s.i_extremes_a);
        for (r, (p, (v, i))) in phases.iter_mut().zip(s.phases.iter().zip(extremes)) {
            *r = RecordPhase {
                v_rms_v: limit.f32(p.v_rms_v),
                i_rms_a: limit.f32(p.i_rms_a),
                p_w: limit.f32(p.p_w),
                q1_var: limit.f32(p.q1_var),
                s_va: limit.f24(p.s_va),
                v_min_max_v: limit.pair(v),
                i_min_max_a: limit.pair(i),
            };
        }
        let micros = libm::rint(s.duration_s * 1e6);
        let frequency = libm::rint(s.frequency_hz.unwrap_or(0.0) * 1e5);
        let mut record = Record {
            wiring,
            nominal,
            flags,
            seq: stamp.seq,
            boot: stamp.boot,
            uptime_ms: stamp.uptime_ms.min(U48_MAX),
            wall_ms: stamp.wall_ms.min(U48_MAX),
            wall_quality: stamp.wall_quality,
            void_before: stamp.void_before,
            windows: u16::try_from(s.windows).unwrap_or(u16::MAX),
            duration_us: micros as u32,
            frames_lost: u16::try_from(stamp.frames_lost).unwrap_or(u16::MAX),
            frequency_10uhz: (frequency as u32).min(0xFF_FFFF),
            energy_counts: energies.counts(),
            phases,
            s_effective_va: s.total.s_effective_va.map_or(f32::NAN, |x| limit.f24(x)),
            i_neutral_a: limit.f24(s.i_neutral_a),
            p_min_max_w: limit.pair(&s.p_extremes_w),
            q1_min_max_var: limit.pair(&s.q1_extremes_var),
            channels: s.channels.map(|x| [limit.f24(x.re), limit.f24(x.im)]),
        };
        record.flags.insert_if(limit.exceeded, Flags::OUT_OF_RANGE);
        record
    }

    /// Length in seconds.
    pub fn duration_s(&self) -> f64 {
        f64::from(self.duration_us) * 1e-6
    }

    /// Mean frequency in Hz; `None` without a fundamental.
    pub fn frequency_hz(&self) -> Option<f64> {
        (self.frequency_10uhz > 0).then(|| f64::from(self.frequency_10uhz) * 1e-5)
    }

    /// Total active power, in W.
    pub fn p_w(&self) -> f64 {
        self.phases.iter().map(|p| f64::from(p.p_w)).sum()
    }

    /// Total reactive power of the fundamental, in var.
    pub fn q1_var(&self) -> f64 {
        self.phases.iter().map(|p| f64::from(p.q1_var)).sum()
    }

    /// Arithmetic apparent power, in VA.
    pub fn s_arithmetic_va(&self) -> f64 {
        self.phases.iter().map(|p| f64::from(p.s_va)).sum()
    }

    /// Writes the page.
    pub fn encode(&self) -> Page {
        let mut w = Writer { page: [0; PAGE], at: 0 };
        w.put(&[RECORD_VERSION, KIND_INTERVAL, self.wiring.code(), self.nominal.hz() as u8]);
        w.put(&self.flags.0.to_le_bytes());
        w.put(&self.seq.to_le_bytes());
        w.put(&self.boot.to_le_bytes());
        w.u48(self.uptime_ms);
        w.u48(self.wall_ms);
        w.put(&[self.wall_quality as u8, self.void_before]);
        w.put(&self.windows.to_le_bytes());
        w.put(&self.duration_us.to_le_bytes());
        w.put(&self.frames_lost.to_le_bytes());
        w.u24(self.frequency_10uhz);
        for e in self.energy_counts {
            w.u48(e);
        }
        for field in [
            self.phases.map(|p| p.v_rms_v),
            self.phases.map(|p| p.i_rms_a),
            self.phases.map(|p| p.p_w),
            self.phases.map(|p| p.q1_var),
        ] {
            field.iter().for_each(|x| w.put(&x.to_le_bytes()));
        }
        self.phases.iter().for_each(|p| w.f24(p.s_va));
        w.f24(self.s_effective_va);
        w.f24(self.i_neutral_a);
        for p in &self.phases {
            p.v_min_max_v.iter().for_each(|x| w.f24(*x));
        }
        for p in &self.phases {
            p.i_min_max_a.iter().for_each(|x| w.f24(*x));
        }
        self.p_min_max_w.iter().chain(&self.q1_min_max_var).for_each(|x| w.f24(*x));
        self.channels.as_flattened().iter().for_each(|x| w.f24(*x));
        w.put(&[0; RESERVED]);
        w.seal()
    }

    /// Reads a page back; every page that decodes encodes to the same bytes.
    pub fn decode(page: &Page) -> Result<Record, RecordError> {
        check_page(page)?;
        let mut r = Reader { page, at: 0 };
        let [_, kind, wiring, nominal] = r.take();
        if kind != KIND_INTERVAL {
            return Err(RecordError::Unknown);
        }
        let wiring = Wiring::from_code(wiring).ok_or(RecordError::Unknown)?;
        let nominal = match nominal {
            50 => Nominal::Hz50,
            60 => Nominal::Hz60,
            _ => return Err(RecordError::Unknown),
        };
        let flags = Flags(u32::from_le_bytes(r.take()));
        let (seq, boot) = (u32::from_le_bytes(r.take()), u32::from_le_bytes(r.take()));
        let (uptime_ms, wall_ms) = (r.u48(), r.u48());
        let [quality, void_before] = r.take();
        let wall_quality = WallQuality::from_code(quality).ok_or(RecordError::Unknown)?;
        let windows = u16::from_le_bytes(r.take());
        let duration_us = u32::from_le_bytes(r.take());
        let frames_lost = u16::from_le_bytes(r.take());
        let frequency_10uhz = r.u24();
        let energy_counts = core::array::from_fn(|_| r.u48());
        let mut three = || -> [f32; 3] { core::array::from_fn(|_| f32::from_le_bytes(r.take())) };
        let (v, i, p, q) = (three(), three(), three(), three());
        let s: [f32; 3] = core::array::from_fn(|_| r.f24());
        let (s_effective_va, i_neutral_a) = (r.f24(), r.f24());
        let v_min_max: [[f32; 2]; 3] = core::array::from_fn(|_| r.two());
        let i_min_max: [[f32; 2]; 3] = core::array::from_fn(|_| r.two());
        let (p_min_max_w, q1_min_max_var) = (r.two(), r.two());
        let channels = core::array::from_fn(|_| r.two());
        let [[v0, v1, v2], [i0, i1, i2], [p0, p1, p2], [q0, q1, q2], [s0, s1, s2]] =
            [v, i, p, q, s];
        let [vm0, vm1, vm2] = v_min_max;
        let [im0, im1, im2] = i_min_max;
        let phase = |v_rms_v, i_rms_a, p_w, q1_var, s_va, v_min_max_v, i_min_max_a| RecordPhase {
            v_rms_v,
            i_rms_a,
            p_w,
            q1_var,
            s_va,
            v_min_max_v,
            i_min_max_a,
        };
        Ok(Record {
            wiring,
            nominal,
            flags,
            seq,
            boot,
            uptime_ms,
            wall_ms,
            wall_quality,
            void_before,
            windows,
            duration_us,
            frames_lost,
            frequency_10uhz,
            energy_counts,
            phases: [
                phase(v0, i0, p0, q0, s0, vm0, im0),
                phase(v1, i1, p1, q1, s1, vm1, im1),
                phase(v2, i2, p2, q2, s2, vm2, im2),
            ],
            s_effective_va,
            i_neutral_a,
            p_min_max_w,
            q1_min_max_var,
            channels,
        })
    }
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
        Some(&RECORD_VERSION) => Ok(()),
        Some(&found) => Err(RecordError::Version { found }),
        None => Err(RecordError::Checksum),
    }
}

/// The sequence number of a page that has passed [`check_page`].
pub fn page_seq(page: &Page) -> u32 {
    let mut r = Reader { page, at: 8 };
    u32::from_le_bytes(r.take())
}

const U48_MAX: u64 = (1 << 48) - 1;

/// Limits numbers to their fields and remembers that it had to.
struct Limit {
    exceeded: bool,
}

impl Limit {
    fn f32(&mut self, x: f64) -> f32 {
        let y = x as f32;
        if y.is_finite() {
            return y;
        }
        self.exceeded = true;
        if x > 0.0 {
            f32::MAX
        } else if x < 0.0 {
            f32::MIN
        } else {
            0.0
        }
    }

    fn f24(&mut self, x: f64) -> f32 {
        let y = round_f24(self.f32(x));
        if y.is_finite() {
            return y;
        }
        self.exceeded = true;
        f32::from_bits(0x7F7F_FF00).copysign(y)
    }

    fn pair(&mut self, e: &Extremes) -> [f32; 2] {
        [self.f24(e.min), self.f24(e.max)]
    }
}

/// Rounds a single to the nearest f24, ties to even.
pub fn round_f24(x: f32) -> f32 {
    if x.is_nan() {
        return f32::NAN;
    }
    let bits = x.to_bits();
    let up = 0x7F + ((bits >> 8) & 1);
    f32::from_bits(bits.wrapping_add(up) & 0xFFFF_FF00)
}

struct Writer {
    page: Page,
    at: usize,
}

impl Writer {
    fn put(&mut self, bytes: &[u8]) {
        if let Some(room) = self.page.get_mut(self.at..self.at + bytes.len()) {
            room.copy_from_slice(bytes);
        }
        self.at += bytes.len();
    }

    fn u48(&mut self, x: u64) {
        let [a, b, c, d, e, f, ..] = x.min(U48_MAX).to_le_bytes();
        self.put(&[a, b, c, d, e, f]);
    }

    fn u24(&mut self, x: u32) {
        let [a, b, c, _] = x.to_le_bytes();
        self.put(&[a, b, c]);
    }

    /// Not-a-number has one form in a record, the same on every target.
    fn f24(&mut self, x: f32) {
        let bits = if x.is_nan() { 0x7FC0_0000 } else { round_f24(x).to_bits() };
        self.u24(bits >> 8);
    }

    fn seal(mut self) -> Page {
        let body = self.page.get(..PAGE - 4).unwrap_or_default();
        let sum = CRC.checksum(body).to_le_bytes();
        self.at = PAGE - 4;
        self.put(&sum);
        self.page
    }
}

struct Reader<'a> {
    page: &'a Page,
    at: usize,
}

impl Reader<'_> {
    fn take<const N: usize>(&mut self) -> [u8; N] {
        let bytes = self.page.get(self.at..).and_then(|b| b.first_chunk::<N>());
        self.at += N;
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

    fn f24(&mut self) -> f32 {
        f32::from_bits(self.u24() << 8)
    }

    fn two(&mut self) -> [f32; 2] {
        [self.f24(), self.f24()]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn f24() -> impl Strategy<Value = f32> {
        any::<u32>()
            .prop_map(|b| f32::from_bits(b & 0xFFFF_FF00))
            .prop_filter("finite", |x| x.is_finite())
    }

    prop_compose! {
        fn phase()(
            x in prop::array::uniform4(prop::num::f32::NORMAL),
            s_va in f24(),
            v in prop::array::uniform2(f24()),
            i in prop::array::uniform2(f24()),
        ) -> RecordPhase {
            let [v_rms_v, i_rms_a, p_w, q1_var] = x;
            RecordPhase { v_rms_v, i_rms_a, p_w, q1_var, s_va, v_min_max_v: v, i_min_max_a: i }
        }
    }

    prop_compose! {
        pub(crate) fn record()(
            (wiring, sixty, flags, seq, boot) in (0u8..7, any::<bool>(), any::<u32>(), any::<u32>(), any::<u32>()),
            (uptime_ms, wall_ms, quality, void_before) in (0..=U48_MAX, 0..=U48_MAX, 0u8..3, any::<u8>()),
            (windows, duration_us, frames_lost, frequency_10uhz) in (any::<u16>(), any::<u32>(), any::<u16>(), 0u32..1 << 24),
            energy_counts in prop::array::uniform7(0..=U48_MAX),
            phases in prop::array::uniform3(phase()),
            (s_effective_va, i_neutral_a) in (f24(), f24()),
            (p_min_max_w, q1_min_max_var) in (prop::array::uniform2(f24()), prop::array::uniform2(f24())),
            channels in prop::array::uniform6(prop::array::uniform2(f24())),
        ) -> Record {
            Record {
                wiring: Wiring::from_code(wiring).unwrap(),
                nominal: if sixty { Nominal::Hz60 } else { Nominal::Hz50 },
                flags: Flags(flags), seq, boot, uptime_ms, wall_ms,
                wall_quality: WallQuality::from_code(quality).unwrap(), void_before,
                windows, duration_us, frames_lost, frequency_10uhz, energy_counts, phases,
                s_effective_va, i_neutral_a, p_min_max_w, q1_min_max_var, channels,
            }
        }
    }

    proptest! {
        #[test]
        fn a_record_returns_from_its_page(r in record()) {
            let page = r.encode();
            let back = Record::decode(&page).unwrap();
            prop_assert_eq!(back, r);
            prop_assert_eq!(back.encode(), page);
            prop_assert_eq!(page_seq(&page), r.seq);
        }

        #[test]
        fn any_flipped_bits_are_refused(r in record(), at in 0usize..PAGE, mask in 1u8..) {
            let mut page = r.encode();
            page[at] ^= mask;
            prop_assert_eq!(Record::decode(&page), Err(RecordError::Checksum));
        }

        #[test]
        fn f24_rounds_to_nearest(x in prop::num::f32::NORMAL) {
            let y = round_f24(x);
            prop_assume!(y.is_finite());
            prop_assert_eq!(y.to_bits() & 0xFF, 0);
            prop_assert!(((f64::from(y) - f64::from(x)) / f64::from(x)).abs() <= 1.53e-5);
        }
    }

    #[test]
    fn blank_and_foreign_pages_are_told_apart() {
        assert_eq!(Record::decode(&[0xFF; PAGE]), Err(RecordError::Blank));
        assert_eq!(Record::decode(&[0; PAGE]), Err(RecordError::Checksum));
        let mut page = [0u8; PAGE];
        page[0] = 9;
        let sum = CRC.checksum(&page[..252]).to_le_bytes();
        page[252..].copy_from_slice(&sum);
        assert_eq!(Record::decode(&page), Err(RecordError::Version { found: 9 }));
    }
}
