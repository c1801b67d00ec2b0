//! The inner loop of the replay: many candidates side by side, step after step of the log.
//!
//! Every lane is one candidate. There is one body, without branches per lane; it is compiled
//! for what the processor has, found out at run time. Only `+ − × ÷` and comparisons of
//! single floats are used, and nothing is fused, so that all ways give the same numbers.

use super::{Course, Lane, Replayed, Totals};
use pulp::{Arch, Simd, WithSimd};
use std::sync::LazyLock;

/// Candidates replayed at once.
pub const LANES: usize = 32;

/// Steps whose sums stay in single floats before they go into doubles.
const STRETCH: usize = 64;

/// Slots turned into columns at once.
const SHEET: usize = 16;

/// Adding and taking this away rounds a single float below 2^22 to a whole number.
const ROUND: f32 = 12_582_912.0;

/// What makes the nearest whole number the whole part; a ten-thousandth early, so that a
/// quotient that should be whole is not missed by its rounding.
const DOWN: f32 = 0.4999;

type Row = [f32; LANES];

static ARCH: LazyLock<Arch> = LazyLock::new(Arch::new);

/// How the loop is compiled; all give equal numbers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Way {
    /// For any processor of the target.
    Plain,
    /// For the widest registers of this processor.
    Widest,
    /// For 256-bit registers, where there are any.
    Half,
}

/// Room for the replay of one batch, used again for the next.
#[derive(Default)]
pub(super) struct Room {
    lag: Vec<f32>,
    net: Vec<f32>,
    done: Vec<Replayed>,
}

/// Replays up to [`LANES`] candidates; the results are in their order.
pub(super) fn replay<'a>(
    course: &Course,
    lanes: &[Lane],
    way: Way,
    room: &'a mut Room,
) -> &'a mut [Replayed] {
    let lanes = lanes.get(..LANES).unwrap_or(lanes);
    room.done.resize_with(LANES, Replayed::default);
    for column in [&mut room.lag, &mut room.net] {
        column.clear();
        column.resize(course.slots * LANES, 0.0);
    }
    let work = Work { course, lanes, room };
    match way {
        Way::Plain => run(work),
        Way::Widest => ARCH.dispatch(work),
        Way::Half => half(work),
    }
    room.done.get_mut(..lanes.len()).unwrap_or_default()
}

#[cfg(target_arch = "x86_64")]
fn half(work: Work<'_>) {
    match pulp::x86::V3::try_new() {
        Some(v3) => Arch::V3(v3).dispatch(work),
        None => run(work),
    }
}

#[cfg(not(target_arch = "x86_64"))]
fn half(work: Work<'_>) {
    run(work);
}

struct Work<'a> {
    course: &'a Course,
    lanes: &'a [Lane],
    room: &'a mut Room,
}

impl WithSimd for Work<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, _: S) {
        run(self);
    }
}

/// What a lane's bank is, row by row.
struct Banks {
    /// kvar that are on with the motors running now, in var at nominal voltage.
    fixed: Row,
    step: Row,
    inv_step: Row,
    steps: Row,
    tan: Row,
    on: Row,
    off: Row,
    delay: Row,
    half_delay: Row,
    inv_delay: Row,
    lockout: Row,
}

/// What a lane's controller remembers.
struct Controllers {
    /// Steps that are on.
    k: Row,
    /// Seconds since which it wants the next step; negative where it wants one less.
    wait: Row,
    /// Steps that discharge, and for how many seconds yet.
    locked: Row,
    lock: Row,
}

/// Sums since the last time they went into doubles or into a slot.
struct Sums {
    lag: Row,
    net: Row,
    i2: Row,
    on: Row,
    moves: Row,
    v_max: Row,
}

/// The numbers of a step that all lanes share.
#[derive(Clone, Copy)]
struct Step {
    dt: f32,
    inv_dt: f32,
    p_pos: f32,
    p2: f32,
    q: f32,
    uuf: f32,
    inv_uuf: f32,
    v: f32,
    /// Seconds over the square of the voltage.
    weight: f32,
    rise: f32,
    bend: f32,
}

impl Step {
    #[inline(always)]
    fn of(c: &Course, n: usize) -> Step {
        let (dt, p, uuf, v) = (c.dt_s[n], c.p_w[n], c.output_ratio[n], c.v_ratio[n]);
        Step {
            dt,
            inv_dt: 1.0 / dt,
            p_pos: larger(p, 0.0),
            p2: p * p,
            q: c.q_var[n],
            uuf,
            inv_uuf: 1.0 / uuf,
            v,
            weight: dt / (v * v),
            rise: c.rise_per_var[n],
            bend: c.rise_per_var2[n],
        }
    }
}

/// The larger one, as one instruction; the numbers are never NaN.
#[inline(always)]
fn larger(a: f32, b: f32) -> f32 {
    if a > b { a } else { b }
}

#[inline(always)]
fn smaller(a: f32, b: f32) -> f32 {
    if a < b { a } else { b }
}

/// The nearest whole number of one below 2^21; taking [`DOWN`] away first makes it the whole
/// part.
#[inline(always)]
fn nearest(x: f32) -> f32 {
    (x + ROUND) - ROUND
}

#[inline(always)]
fn run(work: Work<'_>) {
    let Work { course, lanes, room } = work;
    let Room { lag, net, done } = room;
    let mut banks = Banks::new(lanes);
    let mut control = Controllers {
        k: [0.0; LANES],
        wait: [0.0; LANES],
        locked: [0.0; LANES],
        lock: [0.0; LANES],
    };
    let mut sums = Sums {
        lag: [0.0; LANES],
        net: [0.0; LANES],
        i2: [0.0; LANES],
        on: [0.0; LANES],
        moves: [0.0; LANES],
        v_max: [0.0; LANES],
    };
    let mut totals = [Totals::default(); LANES];
    // Capacitors without a controller need none of its arithmetic.
    let switched = lanes.iter().any(|x| x.steps > 0 && x.step_var > 0.0);
    let mut running = None;
    let mut slot = course.slot.first().copied().unwrap_or(0);
    let mut since = 0;
    for n in 0..course.len() {
        if running != Some(course.running[n]) {
            running = Some(course.running[n]);
            banks.fix(lanes, course.running[n]);
        }
        if course.slot[n] != slot {
            store(lag, slot, &mut sums.lag);
            store(net, slot, &mut sums.net);
            slot = course.slot[n];
            if since >= STRETCH {
                since = 0;
                empty(&mut sums, &mut totals);
            }
        }
        since += 1;
        let now = Step::of(course, n);
        if switched {
            step::<true>(now, &banks, &mut control, &mut sums);
        } else {
            step::<false>(now, &banks, &mut control, &mut sums);
        }
    }
    store(lag, slot, &mut sums.lag);
    store(net, slot, &mut sums.net);
    empty(&mut sums, &mut totals);
    for (lane, to) in done.iter_mut().enumerate() {
        to.totals =
            Totals { v_ratio_max: sums.v_max[lane], steps_at_end: control.k[lane], ..totals[lane] };
        to.lag_varh.resize(course.slots, 0.0);
        to.lead_varh.resize(course.slots, 0.0);
    }
    // A few slots at a time, so that what is read lies close by.
    for (part, (lag, net)) in lag.chunks(SHEET * LANES).zip(net.chunks(SHEET * LANES)).enumerate() {
        let from = part * SHEET;
        let slots = from..from + lag.len() / LANES;
        for (lane, to) in done.iter_mut().take(lanes.len()).enumerate() {
            let to_lag = to.lag_varh[slots.clone()].iter_mut();
            let to_lead = to.lead_varh[slots.clone()].iter_mut();
            let from = lag.as_chunks::<LANES>().0.iter().zip(net.as_chunks::<LANES>().0);
            for ((to_lag, to_lead), (lag, net)) in to_lag.zip(to_lead).zip(from) {
                *to_lag = lag[lane] * (1.0 / 3600.0);
                *to_lead = (lag[lane] - net[lane]) * (1.0 / 3600.0);
            }
        }
    }
}

/// Puts a slot's sums in their place and starts anew.
#[inline(always)]
fn store(out: &mut [f32], slot: u32, sums: &mut Row) {
    let at = slot as usize * LANES;
    if let Some(place) = out.get_mut(at..at + LANES) {
        for (o, s) in place.iter_mut().zip(&mut *sums) {
            *o += *s;
        }
    }
    *sums = [0.0; LANES];
}

#[inline(always)]
fn empty(sums: &mut Sums, totals: &mut [Totals; LANES]) {
    for (l, t) in totals.iter_mut().enumerate() {
        t.i2_s += f64::from(sums.i2[l]);
        t.nominal_var_s += f64::from(sums.on[l]);
        t.switchings += f64::from(sums.moves[l]);
    }
    (sums.i2, sums.on, sums.moves) = ([0.0; LANES], [0.0; LANES], [0.0; LANES]);
}

/// One step of the log in all lanes.
#[inline(always)]
#[allow(clippy::needless_range_loop, reason = "one index names the lane in a dozen rows")]
fn step<const SWITCHED: bool>(s: Step, b: &Banks, c: &mut Controllers, sums: &mut Sums) {
    for l in 0..LANES {
        let mut nominal = b.fixed[l];
        if SWITCHED {
            // Steps that were switched off are discharged once their time is over.
            let lock = larger(c.lock[l] - s.dt, 0.0);
            let locked = if lock > 0.0 { c.locked[l] } else { 0.0 };
            // How many steps are lacking to the controller's target, beyond its dead band.
            let k = c.k[l];
            let lacking = (s.q - s.p_pos * b.tan[l]) * s.inv_uuf - nominal;
            let x = lacking * b.inv_step[l] - k;
            let more = x > 0.0;
            let room = if more { larger(b.steps[l] - locked - k, 0.0) } else { k };
            let band = if more { b.on[l] } else { b.off[l] };
            let y = smaller(if more { x } else { -x }, 1e4);
            let many = smaller(larger(nearest(y - band), 0.0), room);
            // The delay runs as long as the wish keeps its direction; each switching starts it
            // anew.
            let sign = if more { 1.0 } else { -1.0 };
            let waited = larger(c.wait[l] * sign, 0.0);
            let time = waited + s.dt;
            let moves = smaller(larger(nearest(time * b.inv_delay[l] - DOWN), 0.0), many);
            let rest = (time - moves * b.delay[l]) * sign;
            c.wait[l] = if moves < many { rest } else { 0.0 };
            // The moves come one delay after the other: their mean over the step.
            let mean = moves * (time - b.half_delay[l] * (moves + 1.0)) * s.inv_dt;
            c.k[l] = k + sign * moves;
            let off = if more { 0.0 } else { moves };
            c.locked[l] = locked + off;
            c.lock[l] = if off > 0.0 { b.lockout[l] } else { lock };
            sums.moves[l] += moves;
            nominal += (k + sign * mean) * b.step[l];
        }
        // Output with V² and f, the voltage raised by the capacitors themselves.
        let out = nominal * s.uuf;
        let u = 1.0 + out * (s.rise + s.bend * out);
        let u2 = u * u;
        let q = s.q - out * u2;
        sums.net[l] += q * s.dt;
        sums.lag[l] += larger(q, 0.0) * s.dt;
        sums.i2[l] += (s.p2 + q * q) * s.weight / u2;
        sums.on[l] += nominal * s.dt;
        sums.v_max[l] = larger(s.v * u, sums.v_max[l]);
    }
}

impl Banks {
    fn new(lanes: &[Lane]) -> Banks {
        let row = |of: &dyn Fn(&Lane) -> f32, without: f32| {
            let mut row = [without; LANES];
            for (place, lane) in row.iter_mut().zip(lanes) {
                *place = of(lane);
            }
            row
        };
        Banks {
            fixed: [0.0; LANES],
            step: row(&|x| x.step_var, 0.0),
            inv_step: row(&|x| if x.step_var > 0.0 { 1.0 / x.step_var } else { 0.0 }, 0.0),
            steps: row(&|x| if x.step_var > 0.0 { x.steps as f32 } else { 0.0 }, 0.0),
            tan: row(&|x| x.rule.tan_target, 0.0),
            // So many steps that the band takes one away, but for the rounding down.
            on: row(&|x| x.rule.on_share - 1.0 + DOWN, 1.0),
            off: row(&|x| x.rule.off_share - 1.0 + DOWN, 1.0),
            delay: row(&|x| larger(x.rule.delay_s, 1.0), 1.0),
            half_delay: row(&|x| 0.5 * larger(x.rule.delay_s, 1.0), 1.0),
            inv_delay: row(&|x| 1.0 / larger(x.rule.delay_s, 1.0), 1.0),
            lockout: row(&|x| larger(x.rule.lockout_s, 0.0), 0.0),
        }
    }

    /// Capacitors that are on with these motors running.
    fn fix(&mut self, lanes: &[Lane], running: u32) {
        for (place, lane) in self.fixed.iter_mut().zip(lanes) {
            *place = lane.fixed_var(running);
        }
    }
}
