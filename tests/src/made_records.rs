//! Records written by hand: voltages and powers of the phases in, a record of any wiring out.

use wattless_core::complex::Complex;
use wattless_core::flags::Flags;
use wattless_core::frame::ACTIVE;
use wattless_core::record::{ORDERS, Record, RecordHarmonics, RecordPhase, WallQuality};
use wattless_core::wiring::Wiring;

/// Nominal voltage of a phase, in V.
pub const V: f64 = 230.0;

/// A feeder at one moment, and the clock of its node.
#[derive(Clone, Debug)]
pub struct Maker {
    /// How the node is connected.
    pub wiring: Wiring,
    /// End of the last record, Unix milliseconds.
    pub now_ms: i64,
    /// Length of a record in seconds.
    pub seconds: f64,
    /// Number of the last record.
    pub seq: u32,
    /// Fundamental phasors of the phase voltages, in V.
    pub v: [Complex; 3],
    /// Active power of the phases, in W.
    pub p_w: [f64; 3],
    /// Reactive power of the phases, in var.
    pub q_var: [f64; 3],
    /// Whether a clamp is turned.
    pub turned: [bool; 3],
    /// On which line the clamp of each channel sits.
    pub clamps: [usize; 3],
    /// Remarks.
    pub flags: Flags,
    /// Harmonic voltages over the fundamental, by the orders of a record.
    pub v_orders: [f64; ORDERS.len()],
    /// Harmonic currents over the fundamental.
    pub i_orders: [f64; ORDERS.len()],
}

/// Balanced voltages of an amount, turning L1, L2, L3.
pub fn balanced(volts: f64) -> [Complex; 3] {
    std::array::from_fn(|k| Complex::unit(-core::f64::consts::TAU * k as f64 / 3.0).scale(volts))
}

impl Maker {
    /// A four-wire feeder with nothing on it, at an instant such as `2026-06-01T00:00:00Z`.
    pub fn at(instant: &str, seconds: f64) -> Maker {
        let now_ms = match instant.parse::<jiff::Timestamp>() {
            Ok(t) => t.as_millisecond(),
            Err(e) => panic!("{instant}: {e}"),
        };
        Maker {
            wiring: Wiring::FourWire,
            now_ms,
            seconds,
            seq: 0,
            v: balanced(V),
            p_w: [0.0; 3],
            q_var: [0.0; 3],
            turned: [false; 3],
            clamps: [0, 1, 2],
            flags: Flags::NONE,
            v_orders: [0.001; ORDERS.len()],
            i_orders: [0.01; ORDERS.len()],
        }
    }

    /// Puts a load on all phases alike, in kW and kvar.
    pub fn load(&mut self, kw: f64, kvar: f64) -> &mut Self {
        let n = self.wiring.phases();
        let each = |x: f64, k: usize| if k < n { x * 1e3 / n as f64 } else { 0.0 };
        self.p_w = std::array::from_fn(|k| each(kw, k));
        self.q_var = std::array::from_fn(|k| each(kvar, k));
        self
    }

    /// Lets time go by without a record.
    pub fn pause(&mut self, seconds: f64) -> &mut Self {
        self.now_ms += (seconds * 1e3) as i64;
        self
    }

    /// The next record; its end is [`Maker::now_ms`].
    pub fn record(&mut self) -> Record {
        self.now_ms += (self.seconds * 1e3) as i64;
        self.seq += 1;
        let line: [Complex; 3] = std::array::from_fn(|k| {
            let s = Complex::new(self.p_w[k], self.q_var[k]);
            let v = self.v[k];
            let (a, b) = (s.conj(), v.norm_sq().max(1e-9));
            // I = (S/V)* = S*·V/|V|².
            (a * v).scale(1.0 / b)
        });
        let clamp: [Complex; 3] = std::array::from_fn(|k| {
            line[self.clamps[k]].scale(if self.turned[k] { -1.0 } else { 1.0 })
        });
        let channels = channels(self.wiring, &self.v, &clamp);
        let (n, thd2) = (self.wiring.phases(), self.i_orders.iter().map(|x| x * x).sum::<f64>());
        let sum = |weights: [f64; ACTIVE]| {
            channels.iter().zip(weights).fold(Complex::ZERO, |s, (c, w)| s + c.scale(w))
        };
        let (volts, amps) =
            (self.wiring.phase_voltages().map(sum), self.wiring.phase_currents().map(sum));
        let phases = std::array::from_fn(|k| {
            if k >= n {
                return RecordPhase::default();
            }
            let s = volts[k] * amps[k].conj();
            let i = amps[k].abs() * libm::sqrt(1.0 + thd2);
            RecordPhase {
                v_rms_v: volts[k].abs() as f32,
                i_rms_a: i as f32,
                p_w: s.re as f32,
                q1_var: s.im as f32,
                s_va: (volts[k].abs() * i) as f32,
                v_min_max_v: [volts[k].abs() as f32; 2],
                i_min_max_a: [i as f32; 2],
            }
        });
        Record {
            wiring: self.wiring,
            flags: self.flags,
            seq: self.seq,
            boot: 1,
            uptime_ms: u64::from(self.seq) * (self.seconds * 1e3) as u64,
            wall_ms: self.now_ms as u64,
            wall_quality: WallQuality::Host,
            windows: (self.seconds * 5.0) as u16,
            duration_us: (self.seconds * 1e6) as u32,
            frequency_10uhz: 5_000_000,
            phases,
            s_effective_va: f32::NAN,
            channels: channels.map(|c| [c.re as f32, c.im as f32]),
            harmonics: RecordHarmonics {
                v_orders: self.v_orders.map(|x| x as f32),
                i_orders: self.i_orders.map(|x| x as f32),
                ..RecordHarmonics::NONE
            },
            ..Record::BLANK
        }
    }
}

/// What the channels of a wiring see of phase voltages and of currents at the clamps.
fn channels(wiring: Wiring, v: &[Complex; 3], i: &[Complex; 3]) -> [Complex; ACTIVE] {
    let [a, b, c] = *v;
    let none = Complex::ZERO;
    match wiring {
        Wiring::SinglePhase => [a, none, none, i[0], none, none],
        Wiring::SplitPhase => [a, b, none, i[0], i[1], none],
        Wiring::FourWire | Wiring::ThreeWire => [a, b, c, i[0], i[1], i[2]],
        Wiring::ThreeWireLine => [a - b, b - c, c - a, i[0], i[1], i[2]],
        Wiring::TwoSensor => [a, b, c, i[0], none, i[2]],
        Wiring::TwoSensorLine => [a - b, none, c - b, i[0], none, i[2]],
    }
}
