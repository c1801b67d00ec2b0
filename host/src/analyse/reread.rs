//! Records read again as if the leads had been connected otherwise, from the phasors in them.
//!
//! What a new reading only gives other names or turned signs is exact: RMS values, and P and Q1
//! where a voltage and its current stay together. The product of a pair that was not measured
//! together is estimated from the interval's mean fundamental phasors. What that leaves out is
//! bounded: P − Re(V̄·Ī*) is a mean product of the parts of v and i beyond those phasors, hence at
//! most sqrt(V² − V̄²)·sqrt(I² − Ī²) (Cauchy and Schwarz); the same holds for Q1.

use super::reread_sizes::{Excess, beyond, rms, shares};
use crate::collect::log::IntervalLog;
use crate::collect::store::{StoreError, StoredRecord};

use serde::Serialize;
use std::array;
use std::fmt;
use wattless_core::complex::Complex;
use wattless_core::flags::Flags;
use wattless_core::frame::{ACTIVE, Channel};
use wattless_core::hookup::{Connection, Place};
use wattless_core::record::{Record, RecordHarmonics};
use wattless_core::wiring::{Weights, Wiring};

/// What each lead should have read, as a sum of what the channels read.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AsIf {
    rows: [[i8; ACTIVE]; ACTIVE],
}

/// Why a re-reading makes no sense.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum AsIfError {
    /// A word is not `lead=lead`.
    #[error(
        "'{0}' is not understood; write what a lead should have read, such as i1=-i1 or v3=v1-v2"
    )]
    Word(String),
    /// A lead is given twice.
    #[error("{0} is given twice")]
    Twice(&'static str),
    /// A voltage from currents, or the other way round.
    #[error("'{0}' mixes voltages and currents")]
    Mixed(String),
    /// The leads do not follow from the channels one by one.
    #[error("{0} cannot be read again so: the same channel stands for several leads")]
    Singular(&'static str),
    /// A lead that the wiring does not have.
    #[error("the wiring {wiring} of the records has no {lead}")]
    NotThere {
        /// The wiring.
        wiring: &'static str,
        /// The lead.
        lead: &'static str,
    },
}

impl AsIf {
    /// Everything as it was recorded.
    pub const AS_RECORDED: AsIf = {
        let mut rows = [[0; ACTIVE]; ACTIVE];
        let mut k = 0;
        while k < ACTIVE {
            rows[k][k] = 1;
            k += 1;
        }
        AsIf { rows }
    };

    /// Reads words such as `i1=-i1 i2=i3 i3=i2`, separated by spaces or commas.
    ///
    /// On the left stands a lead, on the right what it should have read, in terms of what the
    /// channels did read. Leads that are not mentioned stay as they are.
    pub fn parse(text: &str) -> Result<AsIf, AsIfError> {
        let mut as_if = AsIf::AS_RECORDED;
        let mut given = [false; ACTIVE];
        for word in text.split([' ', ',', '\t', '\n']).filter(|w| !w.is_empty()) {
            let wrong = || AsIfError::Word(word.to_owned());
            let (lead, sum) = word.split_once('=').ok_or_else(wrong)?;
            let lead = channel(lead).ok_or_else(wrong)?;
            let slot = lead.slot();
            if std::mem::replace(&mut given[slot], true) {
                return Err(AsIfError::Twice(lead.name()));
            }
            let mut row = [0i8; ACTIVE];
            let (mut rest, mut first) = (sum, true);
            while !rest.is_empty() || first {
                let sign = match rest.as_bytes().first() {
                    Some(b'-') => -1,
                    Some(b'+') => 1,
                    _ if first => 1,
                    _ => return Err(wrong()),
                };
                let term = rest.trim_start_matches(['-', '+']);
                if rest.len() - term.len() > 1 {
                    return Err(wrong());
                }
                let end = term.find(['-', '+']).unwrap_or(term.len());
                let from = channel(&term[..end]).ok_or_else(wrong)?;
                if from.is_voltage() != lead.is_voltage() {
                    return Err(AsIfError::Mixed(word.to_owned()));
                }
                row[from.slot()] += sign;
                (rest, first) = (&term[end..], false);
            }
            as_if.rows[slot] = row;
        }
        as_if.check()
    }

    /// The re-reading that mends a connection; `None` where signs and sums of channels cannot.
    pub fn mending(connection: &Connection) -> Option<AsIf> {
        let wiring = connection.wiring;
        let right = Connection::as_labelled(wiring);
        let mut as_if = AsIf::AS_RECORDED;
        // What each channel really reads, in terms of lines.
        let seen: Vec<(usize, [i8; 3])> = connection
            .placements()
            .iter()
            .map(|p| (p.channel.slot(), lines_of(p.place, p.reversed)))
            .collect();
        for p in right.placements().iter() {
            let slot = p.channel.slot();
            let want = lines_of(p.place, false);
            let kind: Vec<_> = seen.iter().filter(|(s, _)| (*s < 3) == (slot < 3)).collect();
            // Without a neutral the currents add to zero.
            let add_to_zero = slot >= 3 && wiring.is_three_wire();
            as_if.rows[slot] = combine(&kind, slot, want, add_to_zero)?;
        }
        as_if.check().ok()
    }

    /// Refuses what cannot be turned back: both kinds of channel must be told apart afterwards.
    ///
    /// Currents may be two and the rest of them: [`AsIf::plan`] refuses that with a neutral.
    fn check(self) -> Result<AsIf, AsIfError> {
        let repeats = (3..ACTIVE)
            .any(|a| (3..a).any(|b| same(&wide(&self.rows[a]), &[wide(&self.rows[b])]).is_some()));
        for (base, name) in [(0, "the voltages"), (3, "the currents")] {
            if self.determinant(base) == 0 && (base == 0 || repeats) {
                return Err(AsIfError::Singular(name));
            }
        }
        Ok(self)
    }

    /// Determinant of three channels' rows.
    fn determinant(&self, base: usize) -> i32 {
        let m = |r: usize, c: usize| i32::from(self.rows[base + r][base + c]);
        let minor = |a: usize, b: usize| m(1, a) * m(2, b) - m(1, b) * m(2, a);
        m(0, 0) * minor(1, 2) - m(0, 1) * minor(0, 2) + m(0, 2) * minor(0, 1)
    }

    /// Whether nothing changes.
    pub fn is_as_recorded(&self) -> bool {
        *self == AsIf::AS_RECORDED
    }

    /// Works out what the re-reading means for a wiring.
    pub fn plan(&self, wiring: Wiring) -> Result<Plan, AsIfError> {
        let uses = wiring.uses();
        if self.determinant(3) == 0 && !wiring.is_three_wire() {
            return Err(AsIfError::Singular("the currents"));
        }
        for (slot, row) in self.rows.iter().enumerate() {
            let changed = *row != AsIf::AS_RECORDED.rows[slot];
            let missing = (0..ACTIVE).find(|&c| !uses[c] && (row[c] != 0 && changed));
            let lead = if changed && !uses[slot] { Some(slot) } else { missing };
            if let Some(c) = lead {
                let lead = Channel::ALL[c].name();
                return Err(AsIfError::NotThere { wiring: wiring.name(), lead });
            }
        }
        let turn = |weights: &Weights| {
            let mut row = [0.0; ACTIVE];
            for (w, from) in weights.iter().zip(&self.rows) {
                for (x, k) in row.iter_mut().zip(from) {
                    *x += w * f64::from(*k);
                }
            }
            row
        };
        let (v_old, i_old) = (wiring.phase_voltages(), wiring.phase_currents());
        let n = wiring.phases();
        let mut plan = Plan {
            wiring,
            rows: self.rows.each_ref().map(wide),
            v_rows: v_old.each_ref().map(turn),
            i_rows: i_old.each_ref().map(turn),
            v_from: [None; 3],
            i_from: [None; 3],
            v_shares: [None; 3],
            i_shares: [None; 3],
        };
        for k in 0..n {
            plan.v_from[k] = same(&plan.v_rows[k], &v_old[..n]);
            plan.i_from[k] = same(&plan.i_rows[k], &i_old[..n]);
            plan.v_shares[k] = shares(&plan.v_rows[k], &v_old[..n]);
            plan.i_shares[k] = shares(&plan.i_rows[k], &i_old[..n]);
        }
        Ok(plan)
    }
}

impl fmt::Display for AsIf {
    /// The words that [`AsIf::parse`] reads; nothing for what stays.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut space = "";
        for (lead, row) in Channel::ALL.iter().zip(&self.rows) {
            if *row == AsIf::AS_RECORDED.rows[lead.slot()] {
                continue;
            }
            write!(f, "{space}{}=", lead.name())?;
            space = " ";
            let mut plus = "";
            // What counts positive first, as people write it.
            let terms = || Channel::ALL.iter().zip(row);
            for (from, k) in terms().filter(|t| *t.1 > 0).chain(terms().filter(|t| *t.1 < 0)) {
                for _ in 0..k.unsigned_abs() {
                    write!(f, "{}{}", if *k < 0 { "-" } else { plus }, from.name())?;
                    plus = "+";
                }
            }
        }
        Ok(())
    }
}

fn channel(name: &str) -> Option<Channel> {
    Channel::ALL.into_iter().find(|c| c.name().eq_ignore_ascii_case(name.trim()))
}

fn wide(row: &[i8; ACTIVE]) -> Weights {
    row.map(f64::from)
}

/// A place in terms of the lines' potentials or currents.
fn lines_of(place: Place, reversed: bool) -> [i8; 3] {
    let lines = match place {
        Place::L1 => [1, 0, 0],
        Place::L2 => [0, 1, 0],
        Place::L3 => [0, 0, 1],
        Place::L1L2 => [1, -1, 0],
        Place::L2L3 => [0, 1, -1],
        Place::L3L1 => [-1, 0, 1],
        Place::L3L2 => [0, -1, 1],
        Place::N => [0; 3],
    };
    lines.map(|x| if reversed { -x } else { x })
}

/// The shortest sum of channels that reads what is wanted, the channel itself before others.
fn combine(
    channels: &[&(usize, [i8; 3])],
    own: usize,
    want: [i8; 3],
    add_to_zero: bool,
) -> Option<[i8; ACTIVE]> {
    let mut best: Option<(u8, [i8; ACTIVE])> = None;
    for code in 0..3usize.pow(channels.len() as u32) {
        let (mut rest, mut sum, mut row) = (code, [0i8; 3], [0i8; ACTIVE]);
        for (slot, lines) in channels {
            let k = (rest % 3) as i8 - 1;
            rest /= 3;
            row[*slot] = k;
            for (s, x) in sum.iter_mut().zip(lines) {
                *s += k * x;
            }
        }
        let terms = 2 * row.iter().map(|k| k.unsigned_abs()).sum::<u8>() - u8::from(row[own] == 1);
        let [a, b, c]: [i8; 3] = array::from_fn(|k| sum[k] - want[k]);
        let same = if add_to_zero { a == b && b == c } else { [a, b, c] == [0; 3] };
        if same && best.is_none_or(|(fewest, _)| terms < fewest) {
            best = Some((terms, row));
        }
    }
    best.map(|(_, row)| row)
}

/// Which old row a new one is, and with which sign.
fn same(row: &Weights, old: &[Weights]) -> Option<(usize, f64)> {
    let near = |other: &Weights, sign: f64| {
        row.iter().zip(other).all(|(a, b)| (a - sign * b).abs() < 1e-9)
    };
    (0..old.len()).find_map(|j| {
        [1.0, -1.0].into_iter().find(|&sign| near(&old[j], sign)).map(|sign| (j, sign))
    })
}

/// A re-reading worked out for a wiring.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Plan {
    wiring: Wiring,
    rows: [Weights; ACTIVE],
    v_rows: [Weights; 3],
    i_rows: [Weights; 3],
    /// The phase whose voltage it was, and its sign.
    v_from: [Option<(usize, f64)>; 3],
    i_from: [Option<(usize, f64)>; 3],
    /// The old phases of which a phase's voltage and current are sums, by their shares.
    v_shares: [Option<[f64; 3]>; 3],
    i_shares: [Option<[f64; 3]>; 3],
}

/// Largest errors of what is estimated in one record, in W and var.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Bound {
    /// Of total active power and, as well, of total reactive power.
    pub p_w: f64,
}

impl Plan {
    /// The phase whose P and Q1 a phase takes over, and the sign; `None` where they are estimated.
    fn pair(&self, k: usize) -> Option<(usize, f64)> {
        let ((v, v_sign), (i, i_sign)) = (self.v_from[k]?, self.i_from[k]?);
        (v == i).then_some((v, v_sign * i_sign))
    }

    /// Phases whose P, Q1, N and power factor are estimated.
    pub fn estimated_power(&self) -> Vec<usize> {
        (0..self.wiring.phases()).filter(|k| self.pair(*k).is_none()).collect()
    }

    /// Phases whose RMS voltage or current is estimated.
    pub fn estimated_rms(&self) -> Vec<usize> {
        let (v_add, i_add) = self.phases_add_to_zero();
        let v_known = |k: usize| self.v_from[k].is_some() || (v_add && self.v_shares[k].is_some());
        let i_known = |k: usize| self.i_from[k].is_some() || (i_add && self.i_shares[k].is_some());
        let known = |k: usize| v_known(k) && i_known(k);
        (0..self.wiring.phases()).filter(|k| !known(*k)).collect()
    }

    /// Whether the phases as recorded add to zero by the way they are made, voltages and currents:
    /// star voltages do, and two sensors with the phase between them. Sums then have exact sizes.
    fn phases_add_to_zero(&self) -> (bool, bool) {
        let [.., second, _] = self.wiring.uses();
        (self.wiring.is_three_wire(), self.wiring.is_three_wire() && !second)
    }

    /// Whether line voltages and the neutral's current keep their sizes.
    fn keeps_sums(&self) -> bool {
        let uniform = |from: &[Option<(usize, f64)>]| {
            let first = from.first().copied().flatten().map(|f| f.1);
            first.is_some() && from.iter().all(|f| f.map(|f| f.1) == first)
        };
        let n = self.wiring.phases();
        uniform(&self.v_from[..n]) && uniform(&self.i_from[..n])
    }

    /// Whether effective apparent power and the neutral's current are estimated.
    pub fn estimated_effective(&self) -> bool {
        !self.keeps_sums()
    }

    /// Reads a record again; how far off estimates can be comes with it.
    ///
    /// Energy counters cannot be read again: they are zero unless nothing but names changes.
    pub fn apply(&self, old: &Record) -> (Record, Bound) {
        let n = self.wiring.phases();
        let channels = old.channels.map(|[re, im]| Complex::new(re.into(), im.into()));
        let sum = |row: &Weights| {
            let mut sum = Complex::ZERO;
            row.iter().zip(&channels).for_each(|(w, x)| sum += x.scale(*w));
            sum
        };
        let (v, i) = (self.v_rows.each_ref().map(sum), self.i_rows.each_ref().map(sum));
        let excess = Excess::of(old, self.wiring, &sum);
        let (v_old, i_old) = (self.wiring.phase_voltages(), self.wiring.phase_currents());
        let v_beyond = array::from_fn(|k| beyond(old.phases[k].v_rms_v, sum(&v_old[k])));
        let i_beyond = array::from_fn(|k| beyond(old.phases[k].i_rms_a, sum(&i_old[k])));
        let v_old_rms = old.phases.each_ref().map(|p| f64::from(p.v_rms_v));
        let i_old_rms = old.phases.each_ref().map(|p| f64::from(p.i_rms_a));
        let (v_add, i_add) = self.phases_add_to_zero();
        let size = |shares: Option<[f64; 3]>, parts: &[f64; 3], mean: Complex, excess: f64| {
            shares.map_or(mean.abs() * excess, |s| rms(&s, parts).max(mean.abs())) as f32
        };
        let mut new = *old;
        let mut bound = Bound::default();
        for k in 0..n {
            let p = &mut new.phases[k];
            let blank = [f32::NAN; 2];
            (p.v_rms_v, p.v_min_max_v) = match self.v_from[k] {
                Some((j, _)) => (old.phases[j].v_rms_v, old.phases[j].v_min_max_v),
                None => {
                    (size(self.v_shares[k].filter(|_| v_add), &v_old_rms, v[k], excess.v), blank)
                }
            };
            (p.i_rms_a, p.i_min_max_a) = match self.i_from[k] {
                Some((j, _)) => (old.phases[j].i_rms_a, old.phases[j].i_min_max_a),
                None => {
                    (size(self.i_shares[k].filter(|_| i_add), &i_old_rms, i[k], excess.i), blank)
                }
            };
            if let Some((j, sign)) = self.pair(k) {
                let o = &old.phases[j];
                (p.p_w, p.q1_var) = (o.p_w * sign as f32, o.q1_var * sign as f32);
                p.s_va = o.s_va;
                continue;
            }
            let s = v[k] * i[k].conj();
            (p.p_w, p.q1_var) = (s.re as f32, s.im as f32);
            p.s_va = p.v_rms_v * p.i_rms_a;
            // A sum of phases fluctuates by no more than its parts together.
            let most = |shares: &Option<[f64; 3]>, parts: &[f64; 3], estimated: f64| {
                let sum = |s: &[f64; 3]| s.iter().zip(parts).map(|(s, x)| s.abs() * x).sum();
                shares.as_ref().map_or(estimated, sum)
            };
            let v_most = most(&self.v_shares[k], &v_beyond, beyond(p.v_rms_v, v[k]));
            let i_most = most(&self.i_shares[k], &i_beyond, beyond(p.i_rms_a, i[k]));
            bound.p_w += v_most * i_most;
        }
        if !self.keeps_sums() {
            self.estimate_sums(old, &mut new, &v, &i, &excess);
        }
        self.totals(old, &mut new);
        new.harmonics = self.harmonics(&old.harmonics);
        let turned = self.rows.each_ref().map(sum);
        // As on the node: against the first phase voltage that is present.
        let strongest = v.iter().map(|v| v.abs()).fold(0.0, f64::max);
        let direction = v.iter().find(|v| strongest > 0.0 && v.abs() >= 0.5 * strongest);
        let turn = direction.map_or(Complex::new(1.0, 0.0), |d| d.conj().scale(1.0 / d.abs()));
        new.channels = turned.map(|x| {
            let x = x * turn;
            [x.re as f32, x.im as f32]
        });
        (new, bound)
    }

    /// Neutral current and effective apparent power from fundamentals.
    fn estimate_sums(
        &self,
        old: &Record,
        new: &mut Record,
        v: &[Complex; 3],
        i: &[Complex; 3],
        excess: &Excess,
    ) {
        let neutral = (i[0] + i[1] + i[2]).abs() * excess.i;
        let has_neutral = self.wiring.neutral_current().is_some();
        if has_neutral && !old.flags.contains(Flags::NEUTRAL_MEASURED) {
            new.i_neutral_a = neutral as f32;
        }
        if self.wiring.phases() < 3 {
            return;
        }
        let square = |x: f64| x * x;
        let lines =
            square((v[0] - v[1]).abs()) + square((v[1] - v[2]).abs()) + square((v[2] - v[0]).abs());
        let lines = lines * square(excess.v);
        let phase = |f: &dyn Fn(usize) -> f32| (0..3).map(|k| square(f(k).into())).sum::<f64>();
        let v2 = phase(&|k| new.phases[k].v_rms_v);
        let i2 = phase(&|k| new.phases[k].i_rms_a);
        let (ve2, ie2) = match self.wiring {
            Wiring::FourWire => {
                ((3.0 * v2 + lines) / 18.0, (i2 + square(new.i_neutral_a.into())) / 3.0)
            }
            _ => (lines / 9.0, i2 / 3.0),
        };
        new.s_effective_va = (3.0 * libm::sqrt(ve2 * ie2)) as f32;
    }

    /// Extremes of totals and energies, where they follow.
    fn totals(&self, old: &Record, new: &mut Record) {
        let pairs: Vec<_> = (0..self.wiring.phases()).map(|k| self.pair(k)).collect();
        let all = |sign: f64| pairs.iter().all(|p| p.is_some_and(|p| p.1 == sign));
        if all(1.0) {
            return;
        }
        new.energy_counts = [0; 7];
        let turned = |x: [f32; 2]| if all(-1.0) { [-x[1], -x[0]] } else { [f32::NAN; 2] };
        new.p_min_max_w = turned(old.p_min_max_w);
        new.q1_min_max_var = turned(old.q1_min_max_var);
    }

    fn harmonics(&self, old: &RecordHarmonics) -> RecordHarmonics {
        let pick = |from: &[Option<(usize, f64)>; 3], x: &[f32; 3]| {
            from.map(|f| f.map_or(f32::NAN, |(j, _)| x[j]))
        };
        RecordHarmonics {
            v_thd: pick(&self.v_from, &old.v_thd),
            i_thd: pick(&self.i_from, &old.i_thd),
            ..*old
        }
    }
}

/// What was read again, and what of it is estimated.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Reread {
    /// The words.
    pub as_if_wired: String,
    /// Records read again.
    pub records: u64,
    /// Phases whose P, Q1, N and power factor are estimated from the fundamental: L1, L2, L3.
    pub estimated_power: Vec<String>,
    /// Phases whose RMS voltage or current is estimated.
    pub estimated_rms: Vec<String>,
    /// Whether effective apparent power and the neutral's current are estimated.
    pub estimated_effective: bool,
    /// How far the total active energy can be off, in Wh; the reactive energy likewise, in varh.
    pub energy_bound_wh: f64,
}

impl Reread {
    /// Whether powers, energies and power factors of the totals rest on estimates.
    pub fn is_estimated(&self) -> bool {
        !self.estimated_power.is_empty()
    }
}

/// Why records cannot be read again.
#[derive(Debug, thiserror::Error)]
pub enum RereadError {
    /// The words.
    #[error(transparent)]
    AsIf(#[from] AsIfError),
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Makes a log of records as if the leads had been connected otherwise.
///
/// Records without a place in time are left out, as everywhere.
pub fn reread_log(
    records: impl Iterator<Item = Result<StoredRecord, StoreError>>,
    as_if: &AsIf,
) -> Result<(IntervalLog, Reread), RereadError> {
    let mut placed: Vec<(i64, bool, Record)> = Vec::new();
    for record in records {
        let r = record?;
        if let Some(end_ms) = r.end_ms {
            placed.push((end_ms, r.placed, r.record));
        }
    }
    placed.sort_by_key(|(end_ms, _, r)| (*end_ms, r.seq));
    let mut plans: Vec<Plan> = Vec::new();
    let mut log = IntervalLog::default();
    let mut bound_wh = 0.0;
    for (end_ms, was_placed, record) in &placed {
        let plan = match plans.iter().find(|p| p.wiring == record.wiring) {
            Some(plan) => *plan,
            None => {
                let plan = as_if.plan(record.wiring)?;
                plans.push(plan);
                plan
            }
        };
        let (new, bound) = plan.apply(record);
        bound_wh += bound.p_w * f64::from(record.duration_us) * 1e-6 / 3600.0;
        log.push(&new, *end_ms, *was_placed);
    }
    let phases = |of: &dyn Fn(&Plan) -> Vec<usize>| {
        let mut all: Vec<usize> = plans.iter().flat_map(of).collect();
        all.sort_unstable();
        all.dedup();
        all.iter().map(|k| format!("L{}", k + 1)).collect()
    };
    let reread = Reread {
        as_if_wired: as_if.to_string(),
        records: placed.len() as u64,
        estimated_power: phases(&Plan::estimated_power),
        estimated_rms: phases(&Plan::estimated_rms),
        estimated_effective: plans.iter().any(Plan::estimated_effective),
        energy_bound_wh: bound_wh,
    };
    Ok((log, reread))
}

#[cfg(test)]
#[path = "reread_tests.rs"]
mod tests;
