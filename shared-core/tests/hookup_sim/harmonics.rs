//! The 5th and 7th harmonics of simulated feeders: what the supply brings, and how the load answers.
//!
//! Per unit of the rated current and 230 V. Sizes are common practice: 0.2 to 3 % of voltage in a
//! plant, leakage of 14 to 25 %, chokes of 5.67, 7 or 14 %, a drive's 5th up to 25 % of its current.

use super::{Feeder, Lcg, Sort, at, rng_phasor};
use wattless_core::complex::Complex;
use wattless_core::hookup::WITNESS_ORDERS;
use wattless_core::sequence::Components;

/// Voltages and currents of the lines at one order.
#[derive(Clone, Copy, Debug, Default)]
pub struct Order {
    pub v: [Complex; 3],
    pub i: [Complex; 3],
}

/// What there is beside the fundamental.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Setting {
    /// Next to no harmonics in the voltage.
    Clean,
    /// The supply's, and linear loads.
    Linear,
    /// The supply's, and a share of drives and rectifiers on the feeder.
    Distorted,
}

impl Setting {
    pub fn random(rng: &mut Lcg) -> Setting {
        match rng.unit() {
            x if x < 0.1 => Setting::Clean,
            x if x < 0.7 => Setting::Linear,
            _ => Setting::Distorted,
        }
    }
}

/// What stands behind the feeder at the harmonics, per unit.
pub struct Load {
    /// Reactive power of capacitors at the fundamental.
    pub capacitors: f64,
    /// Share of the rated machine that is connected.
    pub machine: f64,
    /// Share of the load that makes harmonics of its own, in a distorted setting.
    pub drives: f64,
}

/// A real number over a complex one.
fn over(x: f64, z: Complex) -> Complex {
    z.conj().scale(x / z.norm_sq())
}

/// Both orders of a feeder.
pub fn orders(rng: &mut Lcg, f: &Feeder, load: &Load, setting: Setting) -> [Order; 2] {
    let ohm = 230.0 / f.rated_a;
    let leakage = rng.within(0.14, 0.25);
    let winding = rng.within(0.02, 0.05);
    let choke = [0.0, 0.0, 0.0567, 0.07, 0.14][rng.below(5)];
    // The capacitors of an inverter's filter have their choke towards the bridge.
    let choke = if f.sort == Sort::Generator { 0.0 } else { choke };
    let stray = rng.within(0.01, 0.05);
    let level = f.level();
    WITNESS_ORDERS.map(|h| {
        let most = if h == 5 { 0.03 } else { 0.02 };
        let share = match setting {
            Setting::Clean => rng.within(0.0, 0.001),
            _ => rng.within(0.002, most),
        };
        let main = rng.phasor(230.0 * share);
        let aside = rng_phasor(rng, 46.0 * share);
        let zero = rng_phasor(rng, 115.0 * share);
        let order = h as f64;
        let (positive, negative) = if h == 5 { (aside, main) } else { (main, aside) };
        let v = Components { zero, positive, negative }.phasors();
        // Copper loss rises with the square root of the order (skin).
        let machine =
            over(load.machine, Complex::new(winding * libm::sqrt(order), leakage * order));
        let b = load.capacitors * (1.0 - choke);
        let series = Complex::new(0.02 * choke * order, order * choke - 1.0 / order);
        let bank = over(b, series);
        let y = (machine + bank).scale(1.0 / ohm);
        let made = match setting {
            Setting::Distorted => load.drives * rng.within(0.02, 0.25) * f.rated_a * level,
            _ => 0.0,
        };
        let falls = if h == 5 { 1.0 } else { rng.within(0.2, 0.7) };
        let own = rng.phasor(made * falls);
        let (op, on) = if h == 5 { (Complex::ZERO, own) } else { (own, Complex::ZERO) };
        let own = Components { zero: Complex::ZERO, positive: op, negative: on }.phasors();
        let mean = (v[0] + v[1] + v[2]).scale(1.0 / 3.0);
        let mut out = Order::default();
        for k in 0..3 {
            let single = match (f.sort, setting) {
                // One-phase loads: heaters answer as resistance, electronics make their own.
                (Sort::Mixed, Setting::Distorted) => rng_phasor(rng, 0.1 * f.i[k].abs()),
                (Sort::Mixed, _) => v[k].scale(0.3 * level / ohm),
                _ => Complex::ZERO,
            };
            out.i[k] = (v[k] - mean) * y + own[k] + single;
            // What flows through the supply's reactance changes the voltage.
            out.v[k] = v[k] - (own[k] + single) * Complex::new(0.0, stray * order * ohm);
        }
        if f.sort == Sort::BetweenLines {
            // A welder's transformer and choke: current falls with the order.
            let u = f.i.map(|i| if i.abs() > 0.0 { 1.0 } else { 0.0 });
            let (a, b) = if u[2] == 0.0 {
                (0, 1)
            } else if u[0] == 0.0 {
                (1, 2)
            } else {
                (2, 0)
            };
            let flows = (v[a] - v[b]) * at(level / (ohm * order), -80.0);
            out.i = [Complex::ZERO; 3];
            out.i[a] = flows;
            out.i[b] = Complex::ZERO - flows;
            out.v = v;
        }
        out
    })
}
