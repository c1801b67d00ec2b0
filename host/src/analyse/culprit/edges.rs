//! Loads that switch, found by steps of P and Q together.
//!
//! A load that switches within a record shows in two differences: the record in which it happens
//! is a mixture. So a step is the difference between the quiet records on either side of at most
//! two moved ones. Steps up are paired with steps down of the same size, first one up, first one
//! down, and pairs of like size are one load. Loads that switch together, or whose load wanders,
//! are not told apart: what is found is a lower bound.

use super::inside::{Kind, Switched};
use crate::analyse::regression::{median, quantile, spread};
use wattless_core::correction::power_factor;

/// A step is this many times the usual difference between neighbours.
const NOISE: f64 = 6.0;

/// And this share of the load's range.
const SHARE: f64 = 0.03;

/// Two sizes are alike within this share, and within the noise.
const ALIKE: f64 = 0.2;

/// Times that a load must be seen to switch on and off.
const TIMES_MIN: usize = 3;

/// Loads told at most.
const LOADS_MAX: usize = 8;

/// Sizes that are tried.
const TRIES: usize = 24;

/// Steps that are tried as the middle of a size, at most about twice as many.
const CANDIDATES: usize = 400;

/// Share of the steps of a size that must follow each other as up and down.
const PAIRED: f64 = 0.7;

/// kvar over kW below which a step is no motor that starts from rest: a power factor above 0.96.
const LOADING: f64 = 0.29;

#[derive(Clone, Copy, Debug, PartialEq)]
struct Step {
    at_ms: i64,
    p: f64,
    q: f64,
    working: bool,
}

impl Step {
    fn is_up(&self) -> bool {
        self.p + self.q > 0.0
    }

    /// P and Q of the load that it switches, whichever way.
    fn size(&self) -> (f64, f64) {
        if self.is_up() { (self.p, self.q) } else { (-self.p, -self.q) }
    }
}

#[derive(Clone, Copy, Debug)]
struct Pair {
    p: f64,
    q: f64,
    on_h: f64,
    off_hours: f64,
}

/// The loads, the one with most reactive energy first; shares are for the caller.
pub(super) fn loads(
    end_ms: &[i64],
    p: &[f64],
    q: &[f64],
    working: &[bool],
    record_s: f64,
) -> Vec<Switched> {
    let (mut steps, noise) = steps(end_ms, p, q, working, record_s);
    let days = match (end_ms.first(), end_ms.last()) {
        (Some(a), Some(b)) => ((b - a) as f64 / 86_400_000.0).max(1.0),
        _ => 1.0,
    };
    let mut found: Vec<Switched> = Vec::new();
    // The size with most like it may be a load; then the next among what is left.
    for _ in 0..TRIES {
        let alike = |a: &Step| steps.iter().filter(|b| is_alike(a.size(), b.size(), noise)).count();
        let every = 1 + steps.len() / CANDIDATES;
        let Some(best) = steps.iter().step_by(every).copied().max_by_key(alike) else { break };
        let (mine, rest): (Vec<Step>, Vec<Step>) =
            steps.iter().partition(|b| is_alike(best.size(), b.size(), noise));
        if mine.len() < 2 * TIMES_MIN {
            break;
        }
        steps = rest;
        let pairs = pair(&mine);
        // Ups without downs are levels of something that wanders, not a load.
        if pairs.len() >= TIMES_MIN && (2 * pairs.len()) as f64 >= PAIRED * mine.len() as f64 {
            found.push(describe(&pairs, days));
        }
    }
    found.sort_by(|a, b| (b.q1_var * b.on_h).total_cmp(&(a.q1_var * a.on_h)));
    found.truncate(LOADS_MAX);
    found
}

fn describe(pairs: &[Pair], days: f64) -> Switched {
    let middle = |f: &dyn Fn(&Pair) -> f64| median(&pairs.iter().map(f).collect::<Vec<f64>>());
    let p_w = middle(&|x| x.p).unwrap_or(0.0);
    let q1_var = middle(&|x| x.q).unwrap_or(0.0);
    let on_h: f64 = pairs.iter().map(|x| x.on_h).sum();
    let on_min = middle(&|x| x.on_h * 60.0).unwrap_or(0.0);
    let off_hours_share = pairs.iter().map(|x| x.off_hours).sum::<f64>() / pairs.len() as f64;
    let a_day = pairs.len() as f64 / days;
    let kind = if q1_var > 2.0 * libm::fabs(p_w) {
        Kind::MostlyReactive
    } else if q1_var < LOADING * p_w {
        Kind::MostlyActive
    } else if a_day >= 8.0 && on_min < 90.0 {
        Kind::Cycling
    } else if on_min >= 90.0 {
        Kind::Shift
    } else {
        Kind::Other
    };
    Switched {
        p_w,
        q1_var,
        pf: if p_w > 0.0 { power_factor(p_w, q1_var) } else { None },
        times: pairs.len() as u32,
        on_h,
        on_min,
        share: None,
        off_hours_share,
        kind,
    }
}

/// Steps with the size of the noise in P and Q.
fn steps(
    end_ms: &[i64],
    p: &[f64],
    q: &[f64],
    working: &[bool],
    record_s: f64,
) -> (Vec<Step>, (f64, f64)) {
    let n = p.len();
    let next = |a: usize| (end_ms[a + 1] - end_ms[a]) as f64 <= 1500.0 * record_s;
    let differences = |y: &[f64]| -> Vec<f64> {
        (0..n.saturating_sub(1)).filter(|k| next(*k)).map(|k| y[k + 1] - y[k]).collect()
    };
    let range = |y: &[f64]| quantile(y, 0.99).unwrap_or(0.0) - quantile(y, 0.01).unwrap_or(0.0);
    let least = |y: &[f64]| (NOISE * spread(&differences(y))).max(SHARE * range(y)).max(1.0);
    let (least_p, least_q) = (least(p), least(q));
    let quiet = |k: usize| {
        next(k)
            && libm::fabs(p[k + 1] - p[k]) < 0.5 * least_p
            && libm::fabs(q[k + 1] - q[k]) < 0.5 * least_q
    };
    let mut out = Vec::new();
    let mut k = 1;
    while k + 2 < n {
        if quiet(k) || !quiet(k - 1) {
            k += 1;
            continue;
        }
        // Moved records up to the next two quiet neighbours.
        let end = (k + 1..=k + 2).find(|e| e + 1 < n && quiet(*e) && (k..*e).all(next));
        let Some(end) = end else {
            k += 1;
            continue;
        };
        let mean = |y: &[f64], a: usize| 0.5 * (y[a] + y[a + 1]);
        let (dp, dq) = (mean(p, end) - mean(p, k - 1), mean(q, end) - mean(q, k - 1));
        if libm::fabs(dp) >= least_p || libm::fabs(dq) >= least_q {
            out.push(Step { at_ms: end_ms[k], p: dp, q: dq, working: working[k] });
        }
        k = end;
    }
    (out, (least_p / 2.0, least_q / 2.0))
}

fn is_alike(a: (f64, f64), b: (f64, f64), noise: (f64, f64)) -> bool {
    let near = |a: f64, b: f64, noise: f64| {
        libm::fabs(a - b) <= noise.max(ALIKE * libm::fabs(a).max(libm::fabs(b)))
    };
    near(a.0, b.0, noise.0) && near(a.1, b.1, noise.1)
}

/// Each step up with the step down that follows it: one load is never on twice.
fn pair(steps: &[Step]) -> Vec<Pair> {
    let follows = steps.windows(2).filter_map(|w| match w {
        [up, down] if up.is_up() && !down.is_up() => Some((up, down)),
        _ => None,
    });
    follows
        .filter(|(up, down)| down.at_ms - up.at_ms <= 36 * 3_600_000)
        .map(|(up, down)| Pair {
            p: 0.5 * (up.p - down.p),
            q: 0.5 * (up.q - down.q),
            on_h: (down.at_ms - up.at_ms) as f64 / 3.6e6,
            off_hours: if up.working { 0.0 } else { 1.0 },
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Three loads of known size and duty on a noisy base, by construction.
    #[test]
    fn loads_of_known_size_are_found() {
        let mut chance = crate::bench::chance::Chance::new(3, "edges");
        let n = 3 * 1440;
        let (mut p, mut q) = (vec![20e3; n], vec![12e3; n]);
        let mut on_h = [0.0; 2];
        for k in 0..n {
            let minute = k % 1440;
            // A compressor: 30 kW, 22 kvar, 6 of 20 minutes; a machine: 80 kW, 60 kvar, from 7 h on.
            if k % 20 < 6 {
                p[k] += 30e3;
                q[k] += 22e3;
                on_h[0] += 1.0 / 60.0;
            }
            if (423..910).contains(&minute) {
                p[k] += 80e3;
                q[k] += 60e3;
                on_h[1] += 1.0 / 60.0;
            }
            p[k] += 200.0 * chance.normal();
            q[k] += 200.0 * chance.normal();
        }
        let ends: Vec<i64> = (1..=n as i64).map(|k| k * 60_000).collect();
        let working = vec![true; n];
        let found = loads(&ends, &p, &q, &working, 60.0);
        assert_eq!(found.len(), 2, "{found:?}");
        let machine = found.iter().find(|l| l.kind == Kind::Shift).unwrap();
        assert!((machine.p_w - 80e3).abs() < 2e3 && (machine.q1_var - 60e3).abs() < 2e3);
        assert!((machine.on_h - on_h[1]).abs() < 0.1 * on_h[1], "{machine:?}");
        let compressor = found.iter().find(|l| l.kind == Kind::Cycling).unwrap();
        assert!((compressor.p_w - 30e3).abs() < 2e3 && (compressor.q1_var - 22e3).abs() < 2e3);
        assert!((compressor.on_h - on_h[0]).abs() < 0.1 * on_h[0], "{compressor:?}");
    }

    #[test]
    fn noise_has_no_loads() {
        let mut chance = crate::bench::chance::Chance::new(4, "noise");
        let y: Vec<f64> = (0..2000).map(|_| 50e3 + 3e3 * chance.normal()).collect();
        let ends: Vec<i64> = (1..=2000).map(|k| k * 60_000).collect();
        assert_eq!(loads(&ends, &y, &y, &vec![true; 2000], 60.0), []);
    }
}
