//! The interval record: one log page of 256 bytes, fixed layout, CRC-32 at its end.
//!
//! All numbers are little-endian. `f24` is the upper 24 bits of an IEEE 754
//! single (rounded to nearest even): 15 bits after the point, wrong by at most 1.6·10⁻⁵ of itself.
//! `f16u` has no sign, 6 bits of exponent and 10 of mantissa: wrong by at most 4.9·10⁻⁴.
//! The table of offsets is in DEVELOPERS.md; a test there decodes an example of each format.

mod page;
mod small;

pub(crate) use page::TAG_AT;
pub use page::{check_page, page_seq, page_tag, set_page_tag};
pub use small::{
    F16U_MAX, RATIO_MAX, RATIO_MIN, from_f16u, from_ratio_code, round_f16u, round_f24, round_ratio,
    to_f16u, to_ratio_code,
};

use crate::flags::Flags;
use crate::frame::ACTIVE;
use crate::interval::{Energies, Extremes, IntervalHarmonics, IntervalSummary};
use crate::window::Nominal;
use crate::wiring::Wiring;
use serde::{Deserialize, Serialize};

/// Bytes of a record, and of a page of the log.
pub const PAGE: usize = 256;

/// A record as it lies in the flash and travels on the link.
pub type Page = [u8; PAGE];

/// The format written by this version; older ones can be read.
pub const RECORD_VERSION: u8 = 2;

/// Bytes of a chain tag.
pub const TAG: usize = 16;

/// A record's link of the chain over the log; see [`crate::chain`].
pub type Tag = [u8; TAG];

/// Harmonic orders that a record keeps one by one.
pub const ORDERS: [u32; 5] = [3, 5, 7, 11, 13];

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
    /// Smallest and largest RMS voltage of the windows, in V (f16u; f24 in format 1).
    pub v_min_max_v: [f32; 2],
    /// Smallest and largest RMS current of the windows, in A (f16u; f24 in format 1).
    pub i_min_max_a: [f32; 2],
}

/// Harmonics of an interval as ratios to the fundamental, not percent; not-a-number where absent.
///
/// 12 bits each, 0.001 % to 1000 % on a logarithmic scale, wrong by at most 0.17 % of the value.
#[derive(Clone, Copy, Debug)]
pub struct RecordHarmonics {
    /// Total harmonic distortion of the phase voltages.
    pub v_thd: [f32; 3],
    /// Total harmonic distortion of the currents.
    pub i_thd: [f32; 3],
    /// Voltage of the orders in [`ORDERS`], root mean square over the phases that exist.
    pub v_orders: [f32; ORDERS.len()],
    /// Current of the orders in [`ORDERS`], likewise.
    pub i_orders: [f32; ORDERS.len()],
}

impl RecordHarmonics {
    /// No harmonics known.
    pub const NONE: RecordHarmonics = RecordHarmonics {
        v_thd: [f32::NAN; 3],
        i_thd: [f32::NAN; 3],
        v_orders: [f32::NAN; ORDERS.len()],
        i_orders: [f32::NAN; ORDERS.len()],
    };

    /// All ratios in the order of the record.
    pub fn to_array(&self) -> [f32; 16] {
        let [a, b, c] = self.v_thd;
        let [d, e, f] = self.i_thd;
        let [g, h, i, j, k] = self.v_orders;
        let [l, m, n, o, p] = self.i_orders;
        [a, b, c, d, e, f, g, h, i, j, k, l, m, n, o, p]
    }

    /// From ratios in the order of the record.
    pub fn from_array(all: [f32; 16]) -> Self {
        let [a, b, c, d, e, f, g, h, i, j, k, l, m, n, o, p] = all;
        RecordHarmonics {
            v_thd: [a, b, c],
            i_thd: [d, e, f],
            v_orders: [g, h, i, j, k],
            i_orders: [l, m, n, o, p],
        }
    }
}

impl PartialEq for RecordHarmonics {
    /// Equal where both are absent, too.
    fn eq(&self, other: &Self) -> bool {
        self.to_array().map(f32::to_bits) == other.to_array().map(f32::to_bits)
    }
}

/// An interval as it is stored.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Record {
    /// The format it has or had in the flash.
    pub version: u8,
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
    /// Harmonics; absent in format 1.
    pub harmonics: RecordHarmonics,
    /// Link of the chain over the log; zero in format 1 and before it is put in.
    pub tag: Tag,
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
                "record format {found} is not known here (known: up to {RECORD_VERSION}); \
                 use a program as new as the node"
            ),
            RecordError::Unknown => write!(f, "the page holds an unknown kind of entry"),
        }
    }
}

impl core::error::Error for RecordError {}

impl Record {
    /// A record of nothing, to be filled.
    pub const BLANK: Record = Record {
        version: RECORD_VERSION,
        wiring: Wiring::FourWire,
        nominal: Nominal::Hz50,
        flags: Flags::NONE,
        seq: 0,
        boot: 0,
        uptime_ms: 0,
        wall_ms: 0,
        wall_quality: WallQuality::None,
        void_before: 0,
        windows: 0,
        duration_us: 0,
        frames_lost: 0,
        frequency_10uhz: 0,
        energy_counts: [0; 7],
        phases: [RecordPhase {
            v_rms_v: 0.0,
            i_rms_a: 0.0,
            p_w: 0.0,
            q1_var: 0.0,
            s_va: 0.0,
            v_min_max_v: [0.0; 2],
            i_min_max_a: [0.0; 2],
        }; 3],
        s_effective_va: 0.0,
        i_neutral_a: 0.0,
        p_min_max_w: [0.0; 2],
        q1_min_max_var: [0.0; 2],
        channels: [[0.0; 2]; ACTIVE],
        harmonics: RecordHarmonics::NONE,
        tag: [0; TAG],
    };

    /// Makes a record of an interval, without a tag; what exceeds its field is limited and flagged.
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
                v_rms_v: limit.f24(p.v_rms_v),
                i_rms_a: limit.f24(p.i_rms_a),
                p_w: limit.f32(p.p_w),
                q1_var: limit.f32(p.q1_var),
                s_va: limit.f24(p.s_va),
                v_min_max_v: limit.pair_f16u(v),
                i_min_max_a: limit.pair_f16u(i),
            };
        }
        let micros = libm::rint(s.duration_s * 1e6);
        let frequency = libm::rint(s.frequency_hz.unwrap_or(0.0) * 1e5);
        let mut record = Record {
            version: RECORD_VERSION,
            wiring,
            nominal,
            flags,
            seq: stamp.seq,
            boot: stamp.boot,
            uptime_ms: stamp.uptime_ms.min(page::U48_MAX),
            wall_ms: stamp.wall_ms.min(page::U48_MAX),
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
            harmonics: s.harmonics.as_ref().map_or(RecordHarmonics::NONE, |h| limit.harmonics(h)),
            tag: [0; TAG],
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

    /// Writes the page, in the format of [`Record::version`].
    pub fn encode(&self) -> Page {
        page::encode(self)
    }

    /// Reads a page back; every page that decodes encodes to the same bytes.
    pub fn decode(page: &Page) -> Result<Record, RecordError> {
        page::decode(page)
    }
}

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

    fn f16u(&mut self, x: f64) -> f32 {
        let x = self.f32(x);
        self.exceeded |= !(0.0..=F16U_MAX).contains(&x);
        round_f16u(x)
    }

    fn pair_f16u(&mut self, e: &Extremes) -> [f32; 2] {
        [self.f16u(e.min), self.f16u(e.max)]
    }

    fn ratio(&mut self, x: f64) -> f32 {
        self.exceeded |= x > RATIO_MAX;
        round_ratio(x as f32)
    }

    fn harmonics(&mut self, h: &IntervalHarmonics) -> RecordHarmonics {
        RecordHarmonics {
            v_thd: h.v_thd.map(|x| self.ratio(x)),
            i_thd: h.i_thd.map(|x| self.ratio(x)),
            v_orders: h.v_orders.map(|x| self.ratio(x)),
            i_orders: h.i_orders.map(|x| self.ratio(x)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::page::U48_MAX;
    use super::*;
    use proptest::prelude::*;

    fn f24() -> impl Strategy<Value = f32> {
        any::<u32>()
            .prop_map(|b| f32::from_bits(b & 0xFFFF_FF00))
            .prop_filter("finite", |x| x.is_finite())
    }

    fn f16u() -> impl Strategy<Value = f32> {
        (0..u16::MAX).prop_map(from_f16u)
    }

    fn ratios() -> impl Strategy<Value = RecordHarmonics> {
        prop::array::uniform16(0u16..4096)
            .prop_map(|codes| RecordHarmonics::from_array(codes.map(from_ratio_code)))
    }

    prop_compose! {
        fn phase()(
            x in prop::array::uniform2(prop::num::f32::NORMAL),
            [v_rms_v, i_rms_a] in prop::array::uniform2(f24()),
            s_va in f24(),
            v in prop::array::uniform2(f16u()),
            i in prop::array::uniform2(f16u()),
        ) -> RecordPhase {
            let [p_w, q1_var] = x;
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
            (harmonics, tag) in (ratios(), any::<Tag>()),
        ) -> Record {
            Record {
                version: RECORD_VERSION,
                wiring: Wiring::from_code(wiring).unwrap(),
                nominal: if sixty { Nominal::Hz60 } else { Nominal::Hz50 },
                flags: Flags(flags), seq, boot, uptime_ms, wall_ms,
                wall_quality: WallQuality::from_code(quality).unwrap(), void_before,
                windows, duration_us, frames_lost, frequency_10uhz, energy_counts, phases,
                s_effective_va, i_neutral_a, p_min_max_w, q1_min_max_var, channels, harmonics, tag,
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
            prop_assert_eq!(page_tag(&page), Some(r.tag));
        }

        #[test]
        fn any_flipped_bits_are_refused(r in record(), at in 0usize..PAGE, mask in 1u8..) {
            let mut page = r.encode();
            page[at] ^= mask;
            prop_assert_eq!(Record::decode(&page), Err(RecordError::Checksum));
        }

        /// Format 1: wider voltages, currents and extremes, no harmonics, no tag.
        #[test]
        fn a_record_of_format_1_returns(r in record(), v in prop::num::f32::NORMAL, e in f24()) {
            let mut old = Record {
                version: 1,
                harmonics: RecordHarmonics::NONE,
                tag: [0; TAG],
                ..r
            };
            old.phases[1].v_rms_v = v;
            old.phases[2].i_min_max_a[1] = e;
            let page = old.encode();
            prop_assert_eq!(page[0], 1);
            prop_assert!(page[230..252].iter().all(|b| *b == 0));
            let back = Record::decode(&page).unwrap();
            prop_assert_eq!(back, old);
            prop_assert_eq!(back.encode(), page);
            prop_assert_eq!(page_tag(&page), None);
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
