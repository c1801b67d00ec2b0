//! The inner loop of the replay: candidates side by side in a register, leg after leg of the log.
//!
//! In a leg in which a candidate's controller will not move, its kvar are constant and the leg's
//! polynomials give what it does; only the others are followed record by record. Which of the two
//! is decided for each candidate alone, so that its result does not depend on its neighbours.
//! There is one body, compiled for what the processor has, found out at run time. Only
//! `+ − × ÷` and comparisons of single floats are used, and nothing is fused, so that all ways
//! give the same numbers.

use super::path::{Leg, Path, Step, Wanted};
use super::row::{Row, any};
use super::{Lane, Replayed, Totals};
use pulp::{Arch, Scalar128b, Simd, WithSimd};
use std::sync::LazyLock;

/// Candidates replayed at once.
pub(super) const LANES: usize = 16;

/// Records whose sums stay in single floats before they go into doubles.
const STRETCH: u32 = 64;

/// Slots turned into columns at once.
const SHEET: usize = 16;

/// Adding and taking this away rounds a single float below 2^22 to a whole number.
const ROUND: f32 = 12_582_912.0;

/// What makes the nearest whole number the whole part; a ten-thousandth early, so that a
/// quotient that should be whole is not missed by its rounding.
const DOWN: f32 = 0.4999;

/// Steps beyond which nobody counts.
const MOST: f32 = 1e4;

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
#[derive(Clone, Debug, Default)]
pub(super) struct Room {
    lag: Vec<f32>,
    net: Vec<f32>,
    done: Vec<Replayed>,
}

/// Replays up to [`LANES`] candidates; the results are in their order. Those with a controller
/// have one target, that of `wanted`.
pub(super) fn replay<'a>(
    path: &Path,
    lanes: &[Lane],
    wanted: Option<&Wanted>,
    way: Way,
    room: &'a mut Room,
) -> &'a mut [Replayed] {
    let lanes = lanes.get(..LANES).unwrap_or(lanes);
    room.done.resize_with(LANES, Replayed::default);
    for column in [&mut room.lag, &mut room.net] {
        column.clear();
        column.resize(path.slots * LANES, 0.0);
    }
    let work = Work { path, lanes, wanted, room };
    match way {
        Way::Plain => work.with_simd(Scalar128b),
        Way::Widest => ARCH.dispatch(work),
        Way::Half => half(work),
    }
    room.turn(path.slots, lanes.len());
    room.done.get_mut(..lanes.len()).unwrap_or_default()
}

#[cfg(target_arch = "x86_64")]
fn half(work: Work<'_>) {
    match pulp::x86::V3::try_new() {
        Some(v3) => Arch::V3(v3).dispatch(work),
        None => work.with_simd(Scalar128b),
    }
}

#[cfg(not(target_arch = "x86_64"))]
fn half(work: Work<'_>) {
    work.with_simd(Scalar128b);
}

impl Room {
    /// Slots side by side become a column each; a few at a time, so that what is read lies close.
    fn turn(&mut self, slots: usize, lanes: usize) {
        for to in &mut self.done {
            to.lag_varh.resize(slots, 0.0);
            to.lead_varh.resize(slots, 0.0);
        }
        let parts = self.lag.chunks(SHEET * LANES).zip(self.net.chunks(SHEET * LANES));
        for (part, (lag, net)) in parts.enumerate() {
            let from = part * SHEET;
            let slots = from..from + lag.len() / LANES;
            for (lane, to) in self.done.iter_mut().take(lanes).enumerate() {
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
}

struct Work<'a> {
    path: &'a Path,
    lanes: &'a [Lane],
    wanted: Option<&'a Wanted>,
    room: &'a mut Room,
}

impl WithSimd for Work<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        if Row::<S>::WIDTH == 1 {
            // The processor has no wide registers that are known; most have four places.
            return self.with_simd(Scalar128b);
        }
        let Work { path, lanes, wanted, room } = self;
        for at in (0..lanes.len()).step_by(Row::<S>::WIDTH) {
            let lanes = &lanes[at..lanes.len().min(at + Row::<S>::WIDTH)];
            match wanted {
                Some(wanted) => Walk::new(simd, path, lanes).go::<true>(wanted, at, room),
                None => {
                    let none = Wanted { tan_target: 0.0, var: Vec::new(), ends: Vec::new() };
                    Walk::new(simd, path, lanes).go::<false>(&none, at, room);
                }
            }
        }
    }
}

/// What the lanes' banks are.
#[derive(Clone, Copy)]
struct Banks<S: Simd> {
    step: Row<S>,
    inv_step: Row<S>,
    steps: Row<S>,
    on: Row<S>,
    off: Row<S>,
    delay: Row<S>,
    half_delay: Row<S>,
    inv_delay: Row<S>,
    lockout: Row<S>,
}

/// What the lanes' controllers remember.
#[derive(Clone, Copy)]
struct Controllers<S: Simd> {
    /// Steps that are on.
    k: Row<S>,
    /// Seconds since which it wants the next step; negative where it wants one less.
    wait: Row<S>,
    /// Steps that discharge, and for how many seconds yet.
    locked: Row<S>,
    lock: Row<S>,
}

/// What flowed and moved.
#[derive(Clone, Copy)]
struct Sums<S: Simd> {
    lag: Row<S>,
    net: Row<S>,
    i2: Row<S>,
    on: Row<S>,
    moves: Row<S>,
    v_max: Row<S>,
}

struct Walk<'a, S: Simd> {
    simd: S,
    path: &'a Path,
    lanes: &'a [Lane],
    banks: Banks<S>,
    totals: [Totals; LANES],
}

impl<'a, S: Simd> Walk<'a, S> {
    #[inline(always)]
    fn new(simd: S, path: &'a Path, lanes: &'a [Lane]) -> Self {
        Walk {
            simd,
            path,
            lanes,
            banks: Banks::new(simd, lanes),
            totals: [Totals::default(); LANES],
        }
    }

    #[inline(always)]
    fn all(&self, x: f32) -> Row<S> {
        Row::all(self.simd, x)
    }

    /// kvar that are on beside the bank with these motors running, in var at nominal voltage.
    #[inline(always)]
    fn fixed(&self, running: u32) -> Row<S> {
        let mut fixed = [0.0; LANES];
        for (place, lane) in fixed.iter_mut().zip(self.lanes) {
            *place = lane.fixed_var(running);
        }
        Row::load(self.simd, &fixed[..Row::<S>::WIDTH])
    }

    #[inline(always)]
    fn go<const SWITCHED: bool>(mut self, wanted: &Wanted, at: usize, room: &mut Room) {
        let zero = self.all(0.0);
        let mut control = Controllers { k: zero, wait: zero, locked: zero, lock: zero };
        let mut sums = Sums { lag: zero, net: zero, i2: zero, on: zero, moves: zero, v_max: zero };
        let mut running = None;
        let mut fixed = zero;
        let mut slot = self.path.legs.first().map_or(0, |l| l.slot);
        let mut since = 0;
        let path = self.path;
        for (n, leg) in path.legs.iter().enumerate() {
            if running != Some(leg.running) {
                running = Some(leg.running);
                fixed = self.fixed(leg.running);
            }
            if leg.slot != slot {
                put(&mut room.lag, slot, at, &mut sums.lag, zero);
                put(&mut room.net, slot, at, &mut sums.net, zero);
                slot = leg.slot;
                if since >= STRETCH {
                    since = 0;
                    self.empty(&mut sums);
                }
            }
            since += leg.to - leg.from;
            let steps = &path.steps[leg.from as usize..leg.to as usize];
            if !SWITCHED {
                self.still(leg, steps, fixed, &mut sums);
                continue;
            }
            let moving = self.will_move(wanted.ends[n], fixed, &control);
            if moving.largest() > 0.0 {
                let var = &wanted.var[leg.from as usize..leg.to as usize];
                let (mut moved, mut theirs) = (control, sums);
                self.follow(steps, var, fixed, &mut moved, &mut theirs);
                if moving.smallest() > 0.0 {
                    (control, sums) = (moved, theirs);
                    continue;
                }
                let nominal = fixed + control.k * self.banks.step;
                self.rest(leg, &mut control);
                self.still(leg, steps, nominal, &mut sums);
                let mask = moving.above(zero);
                control = moved.or(mask, control);
                sums = theirs.or(mask, sums);
            } else {
                let nominal = fixed + control.k * self.banks.step;
                self.rest(leg, &mut control);
                self.still(leg, steps, nominal, &mut sums);
            }
        }
        put(&mut room.lag, slot, at, &mut sums.lag, zero);
        put(&mut room.net, slot, at, &mut sums.net, zero);
        self.empty(&mut sums);
        let (mut v_max, mut k) = ([0.0; LANES], [0.0; LANES]);
        sums.v_max.store(&mut v_max[..Row::<S>::WIDTH]);
        control.k.store(&mut k[..Row::<S>::WIDTH]);
        for (lane, to) in room.done[at..].iter_mut().take(self.lanes.len()).enumerate() {
            to.totals =
                Totals { v_ratio_max: v_max[lane], steps_at_end: k[lane], ..self.totals[lane] };
        }
    }

    /// Sums since the last time into doubles.
    #[inline(always)]
    fn empty(&mut self, sums: &mut Sums<S>) {
        let mut out = [[0.0; LANES]; 3];
        for (out, row) in out.iter_mut().zip([&mut sums.i2, &mut sums.on, &mut sums.moves]) {
            row.store(&mut out[..Row::<S>::WIDTH]);
            *row = Row::all(self.simd, 0.0);
        }
        for (l, t) in self.totals.iter_mut().enumerate() {
            t.i2_s += f64::from(out[0][l]);
            t.nominal_var_s += f64::from(out[1][l]);
            t.switchings += f64::from(out[2][l]);
        }
    }

    /// Above zero where a controller may move in a leg whose records want between these ends.
    ///
    /// What [`Walk::follow`] makes of a record goes up and down with what is wanted, roundings
    /// included: where nothing moves at either end, nothing moves in between.
    #[inline(always)]
    fn will_move(&self, ends: [f32; 2], fixed: Row<S>, c: &Controllers<S>) -> Row<S> {
        let b = &self.banks;
        let zero = self.all(0.0);
        let high = (self.all(ends[1]) - fixed) * b.inv_step - c.k;
        let low = zero - ((self.all(ends[0]) - fixed) * b.inv_step - c.k);
        self.moves(high, b.on, (b.steps - c.k).larger(zero)) + self.moves(low, b.off, c.k)
    }

    /// Steps wanted beyond the dead band, as many as there are; none where it lies the other way.
    #[inline(always)]
    fn moves(&self, lacking: Row<S>, band: Row<S>, room: Row<S>) -> Row<S> {
        let y = lacking.smaller(self.all(MOST));
        nearest(self.all(ROUND), y - band).larger(self.all(0.0)).smaller(room)
    }

    /// A controller's memory after a leg in which nothing moved.
    #[inline(always)]
    fn rest(&self, leg: &Leg, c: &mut Controllers<S>) {
        let zero = self.all(0.0);
        c.wait = zero;
        c.lock = (c.lock - self.all(leg.dt)).larger(zero);
        c.locked = c.locked.or(c.lock.above(zero), zero);
    }

    /// A leg with constant kvar.
    #[inline(always)]
    fn still(&self, leg: &Leg, steps: &[Step], nominal: Row<S>, sums: &mut Sums<S>) {
        let (zero, one) = (self.all(0.0), self.all(1.0));
        let n = nominal;
        let m = n * self.all(1.0 / self.path.unit_var);
        let taken = power_sum(self.simd, &leg.net[1..], m) * m;
        let net = self.all(leg.net[0]) - taken;
        sums.i2 = sums.i2 + power_sum(self.simd, &leg.i2, m);
        sums.on = sums.on + n * self.all(leg.dt);
        let u_high = one + n * (self.all(leg.rise_high) + n * self.all(leg.bend_high));
        let u_low = one + n * (self.all(leg.rise_low) + n * self.all(leg.bend_low));
        let out_high = n * self.all(leg.output_high) * u_high * u_high;
        let out_low = n * self.all(leg.output_low) * u_low * u_low;
        // Lagging all along, leading all along, or both.
        let simd = self.simd;
        let lags = self.all(leg.q_low).above(out_high);
        let leads = simd.and_m32s(out_low.above(self.all(leg.q_high)), u_low.above(zero));
        let both = zero.or(simd.or_m32s(lags, leads), one);
        if both.largest() > 0.0 {
            let (lag, own_net) = self.parted(steps, n);
            let mask = both.above(zero);
            sums.lag = sums.lag + lag.or(mask, net.or(lags, zero));
            sums.net = sums.net + own_net.or(mask, net);
        } else {
            sums.lag = sums.lag + net.or(lags, zero);
            sums.net = sums.net + net;
        }
        // The voltage is looked at where it may be higher than ever.
        let higher = (self.all(leg.v_high) * u_high).above(sums.v_max);
        if any(simd, higher) {
            let mut v = sums.v_max;
            for s in steps {
                let out = n * self.all(s.output);
                let u = one + out * (self.all(s.rise) + self.all(s.bend) * out);
                v = v.larger(self.all(s.v) * u);
            }
            sums.v_max = v.or(higher, sums.v_max);
        }
    }

    /// Lagging and net energy, in var·s, of a leg with constant kvar, record by record.
    #[inline(always)]
    fn parted(&self, steps: &[Step], nominal: Row<S>) -> (Row<S>, Row<S>) {
        let (zero, one) = (self.all(0.0), self.all(1.0));
        let (mut lag, mut net) = (zero, zero);
        for s in steps {
            let out = nominal * self.all(s.output);
            let u = one + out * (self.all(s.rise) + self.all(s.bend) * out);
            let q = self.all(s.q) - out * (u * u);
            let dt = self.all(s.dt);
            lag = lag + q.larger(zero) * dt;
            net = net + q * dt;
        }
        (lag, net)
    }

    /// A leg record by record, as the controllers move.
    #[inline(always)]
    fn follow(
        &self,
        steps: &[Step],
        wanted: &[f32],
        fixed: Row<S>,
        c: &mut Controllers<S>,
        sums: &mut Sums<S>,
    ) {
        let b = &self.banks;
        let (zero, one) = (self.all(0.0), self.all(1.0));
        let (minus, round, down) = (self.all(-1.0), self.all(ROUND), self.all(DOWN));
        let Controllers { mut k, mut wait, mut locked, mut lock } = *c;
        let mut t = *sums;
        for (s, wanted) in steps.iter().zip(wanted) {
            let dt = self.all(s.dt);
            // Steps that were switched off are discharged once their time is over.
            lock = (lock - dt).larger(zero);
            locked = locked.or(lock.above(zero), zero);
            // How many steps are lacking to the controller's target, beyond its dead band.
            let x = (self.all(*wanted) - fixed) * b.inv_step - k;
            let more = x.above(zero);
            let room = (b.steps - locked - k).larger(zero).or(more, k);
            let y = x.abs().smaller(self.all(MOST));
            let many = nearest(round, y - b.on.or(more, b.off)).larger(zero).smaller(room);
            // The delay runs as long as the wish keeps its direction; each switching starts it
            // anew.
            let sign = one.or(more, minus);
            let time = (wait * sign).larger(zero) + dt;
            let moves = nearest(round, time * b.inv_delay - down).larger(zero).smaller(many);
            let rest = (time - moves * b.delay) * sign;
            wait = rest.or(many.above(moves), zero);
            // The moves come one delay after the other: their mean over the step.
            let mean = moves * (time - b.half_delay * (moves + one)) * self.all(s.inv_dt);
            let nominal = fixed + (k + sign * mean) * b.step;
            k = k + sign * moves;
            let off = zero.or(more, moves);
            locked = locked + off;
            lock = b.lockout.or(off.above(zero), lock);
            t.moves = t.moves + moves;
            // Output with V² and f, the voltage raised by the capacitors themselves.
            let out = nominal * self.all(s.output);
            let u = one + out * (self.all(s.rise) + self.all(s.bend) * out);
            let u2 = u * u;
            let q = self.all(s.q) - out * u2;
            t.net = t.net + q * dt;
            t.lag = t.lag + q.larger(zero) * dt;
            t.i2 = t.i2 + (self.all(s.p * s.p) + q * q) * self.all(s.weight) / u2;
            t.on = t.on + nominal * dt;
            t.v_max = (self.all(s.v) * u).larger(t.v_max);
        }
        *c = Controllers { k, wait, locked, lock };
        *sums = t;
    }
}

/// The nearest whole number of one below 2^21; taking [`DOWN`] away first makes it the whole
/// part.
#[inline(always)]
fn nearest<S: Simd>(round: Row<S>, x: Row<S>) -> Row<S> {
    (x + round) - round
}

/// Σ cₖ·mᵏ.
#[inline(always)]
fn power_sum<S: Simd>(simd: S, factors: &[f32], m: Row<S>) -> Row<S> {
    let mut sum = Row::all(simd, 0.0);
    for c in factors.iter().rev() {
        sum = sum * m + Row::all(simd, *c);
    }
    sum
}

/// Puts a slot's sums in their place and starts anew.
#[inline(always)]
fn put<S: Simd>(out: &mut [f32], slot: u32, at: usize, sums: &mut Row<S>, zero: Row<S>) {
    let from = slot as usize * LANES + at;
    if let Some(place) = out.get_mut(from..from + Row::<S>::WIDTH) {
        let so_far = Row::load(sums.simd(), place);
        (so_far + *sums).store(place);
    }
    *sums = zero;
}

impl<S: Simd> Banks<S> {
    #[inline(always)]
    fn new(simd: S, lanes: &[Lane]) -> Self {
        let row = |of: &dyn Fn(&Lane) -> f32, without: f32| {
            let mut row = [without; LANES];
            for (place, lane) in row.iter_mut().zip(lanes) {
                *place = of(lane);
            }
            Row::load(simd, &row[..Row::<S>::WIDTH])
        };
        let delay = |x: &Lane| if x.rule.delay_s > 1.0 { x.rule.delay_s } else { 1.0 };
        Banks {
            step: row(&|x| x.step_var, 0.0),
            inv_step: row(&|x| if x.step_var > 0.0 { 1.0 / x.step_var } else { 0.0 }, 0.0),
            steps: row(&|x| if x.step_var > 0.0 { x.steps as f32 } else { 0.0 }, 0.0),
            // So many steps that the band takes one away, but for the rounding down.
            on: row(&|x| x.rule.on_share - 1.0 + DOWN, 1.0),
            off: row(&|x| x.rule.off_share - 1.0 + DOWN, 1.0),
            delay: row(&delay, 1.0),
            half_delay: row(&|x| 0.5 * delay(x), 1.0),
            inv_delay: row(&|x| 1.0 / delay(x), 1.0),
            lockout: row(&|x| if x.rule.lockout_s > 0.0 { x.rule.lockout_s } else { 0.0 }, 0.0),
        }
    }
}

impl<S: Simd> Controllers<S> {
    /// These where the mask is set, else others.
    #[inline(always)]
    fn or(self, mask: S::m32s, other: Self) -> Self {
        Controllers {
            k: self.k.or(mask, other.k),
            wait: self.wait.or(mask, other.wait),
            locked: self.locked.or(mask, other.locked),
            lock: self.lock.or(mask, other.lock),
        }
    }
}

impl<S: Simd> Sums<S> {
    /// These where the mask is set, else others.
    #[inline(always)]
    fn or(self, mask: S::m32s, other: Self) -> Self {
        Sums {
            lag: self.lag.or(mask, other.lag),
            net: self.net.or(mask, other.net),
            i2: self.i2.or(mask, other.i2),
            on: self.on.or(mask, other.on),
            moves: self.moves.or(mask, other.moves),
            v_max: self.v_max.or(mask, other.v_max),
        }
    }
}
