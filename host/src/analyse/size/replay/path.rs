//! A course made ready for its candidates: what they all share, reckoned once.
//!
//! A [`Leg`] is a stretch of records of one slot in which the same motors run. While nothing
//! switches, what a candidate does in a leg depends on its kvar alone, and smoothly: sums over
//! the leg's records are polynomials in the kvar, and bounds of the records tell whether a
//! controller will move at all.

use super::Course;

/// By how much bounds are widened for the roundings of single floats.
const ROUNDINGS: f64 = 1e-6;

/// What all candidates share of a record.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Step {
    pub(super) dt: f32,
    pub(super) inv_dt: f32,
    pub(super) p: f32,
    pub(super) q: f32,
    /// Output over that at nominal voltage and frequency.
    pub(super) output: f32,
    /// Voltage over nominal.
    pub(super) v: f32,
    /// Seconds over the square of the voltage.
    pub(super) weight: f32,
    pub(super) rise: f32,
    pub(super) bend: f32,
}

/// Records of one slot in which the same motors run.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Leg {
    pub(super) from: u32,
    pub(super) to: u32,
    pub(super) slot: u32,
    pub(super) running: u32,
    pub(super) dt: f32,
    /// Time integral of Q in var·s, and what a power of the constant kvar takes from it; kvar in
    /// [`Path::unit_var`].
    pub(super) net: [f32; 6],
    /// Time integral of (P² + Q²)/V² by powers of the constant kvar.
    pub(super) i2: [f32; 7],
    pub(super) q_low: f32,
    pub(super) q_high: f32,
    pub(super) output_low: f32,
    pub(super) output_high: f32,
    /// Bounds of the voltage's rise per var and per var².
    pub(super) rise_low: f32,
    pub(super) rise_high: f32,
    pub(super) bend_low: f32,
    pub(super) bend_high: f32,
    pub(super) v_high: f32,
}

/// What controllers with one target want: var at nominal voltage in each record, and the lowest
/// and highest of each leg.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Wanted {
    pub(super) tan_target: f32,
    pub(super) var: Vec<f32>,
    pub(super) ends: Vec<[f32; 2]>,
}

/// A course made ready.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Path {
    pub(super) steps: Vec<Step>,
    pub(super) legs: Vec<Leg>,
    pub(super) slots: usize,
    /// The unit of kvar in the polynomials, a power of two near the load's size, in var.
    pub(super) unit_var: f32,
}

impl Path {
    pub(super) fn of(c: &Course) -> Path {
        let largest = c.p_w.iter().chain(&c.q_var).fold(1.0f32, |m, x| m.max(x.abs()));
        let mut unit_var = 1.0f32;
        while unit_var < largest {
            unit_var *= 2.0;
        }
        let steps: Vec<Step> = (0..c.len())
            .map(|n| Step {
                dt: c.dt_s[n],
                inv_dt: 1.0 / c.dt_s[n],
                p: c.p_w[n],
                q: c.q_var[n],
                output: c.output_ratio[n],
                v: c.v_ratio[n],
                weight: c.dt_s[n] / (c.v_ratio[n] * c.v_ratio[n]),
                rise: c.rise_per_var[n],
                bend: c.rise_per_var2[n],
            })
            .collect();
        let mut legs = Vec::with_capacity(c.slots);
        let mut from = 0;
        while from < c.len() {
            let same = |n: &usize| c.slot[*n] == c.slot[from] && c.running[*n] == c.running[from];
            let to = (from..c.len()).take_while(same).last().unwrap_or(from) + 1;
            let mut leg = leg(&steps[from..to], f64::from(unit_var));
            (leg.from, leg.to) = (from as u32, to as u32);
            (leg.slot, leg.running) = (c.slot[from], c.running[from]);
            legs.push(leg);
            from = to;
        }
        Path { steps, legs, slots: c.slots, unit_var }
    }

    /// What controllers with a target want.
    pub(super) fn wanted(&self, tan_target: f32) -> Wanted {
        let of = |s: &Step| {
            let p = if s.p > 0.0 { s.p } else { 0.0 };
            (s.q - p * tan_target) * (1.0 / s.output)
        };
        let var: Vec<f32> = self.steps.iter().map(of).collect();
        let ends = self.legs.iter().map(|leg| {
            let mine = var[leg.from as usize..leg.to as usize].iter();
            mine.fold([f32::INFINITY, f32::NEG_INFINITY], |e, x| [e[0].min(*x), e[1].max(*x)])
        });
        Wanted { tan_target, ends: ends.collect(), var }
    }
}

/// Sums and bounds of a leg's records.
///
/// With n var on at nominal voltage, capacitors give f·n·u² where the voltage rises to
/// u = 1 + a·n + b·n². What flows then is Q − f·n·u², and (P² + (Q − f·n·u²)²)/u² is
/// (P² + Q²)/u² − 2·Q·f·n + f²·n²·u²: all of it powers of n but 1/u², whose series ends here
/// after the sixth, which at a rise of 10 % leaves out a millionth.
fn leg(steps: &[Step], unit: f64) -> Leg {
    let (mut net, mut i2) = ([0.0f64; 6], [0.0f64; 7]);
    let mut dt = 0.0;
    let none = [f64::INFINITY, f64::NEG_INFINITY];
    let (mut q, mut output, mut rise, mut bend, mut v) = (none, none, none, none, 0.0f32);
    let widen = |ends: &mut [f64; 2], x: f64| {
        *ends = [ends[0].min(x), ends[1].max(x)];
    };
    for s in steps {
        let (t, w, q_s, f) =
            (f64::from(s.dt), f64::from(s.weight), f64::from(s.q), f64::from(s.output));
        let (a_var, b_var) = (f * f64::from(s.rise), f * f * f64::from(s.bend));
        widen(&mut q, q_s);
        widen(&mut output, f);
        widen(&mut rise, a_var);
        widen(&mut bend, b_var);
        v = v.max(s.v);
        dt += t;
        let (f, a, b) = (f * unit, a_var * unit, b_var * unit * unit);
        let u2 = [1.0, 2.0 * a, a * a + 2.0 * b, 2.0 * a * b, b * b];
        net[0] += t * q_s;
        for (sum, u2) in net[1..].iter_mut().zip(u2) {
            *sum += t * f * u2;
        }
        let (a2, b2) = (a * a, b * b);
        let inv_u2 = [
            1.0,
            -2.0 * a,
            3.0 * a2 - 2.0 * b,
            a * (6.0 * b - 4.0 * a2),
            3.0 * b2 - 12.0 * a2 * b + 5.0 * a2 * a2,
            a * (-12.0 * b2 + 20.0 * a2 * b - 6.0 * a2 * a2),
            -4.0 * b2 * b + 30.0 * a2 * b2 - 30.0 * a2 * a2 * b + 7.0 * a2 * a2 * a2,
        ];
        let s2 = f64::from(s.p) * f64::from(s.p) + q_s * q_s;
        for (sum, inv_u2) in i2.iter_mut().zip(inv_u2) {
            *sum += w * s2 * inv_u2;
        }
        i2[1] -= 2.0 * w * q_s * f;
        for (sum, u2) in i2[2..].iter_mut().zip(u2) {
            *sum += w * f * f * u2;
        }
    }
    Leg {
        from: 0,
        to: 0,
        slot: 0,
        running: 0,
        dt: dt as f32,
        net: net.map(|x| x as f32),
        i2: i2.map(|x| x as f32),
        q_low: q[0] as f32,
        q_high: q[1] as f32,
        output_low: (output[0] * (1.0 - ROUNDINGS)) as f32,
        output_high: (output[1] * (1.0 + ROUNDINGS)) as f32,
        rise_low: rise[0] as f32,
        rise_high: rise[1] as f32,
        bend_low: bend[0] as f32,
        bend_high: bend[1] as f32,
        v_high: v,
    }
}
