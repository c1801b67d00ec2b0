//! Tries the verification on simulated pairs of weeks whose truth is known, and counts.
//!
//! `cargo run --release -p wattless-tests --example verify_pairs -- [PAIRS] [DAYS_AFTER] [RECORD_S] [FIRST]`

use std::collections::BTreeMap;
use wattless::analyse::verify::unit::State;
use wattless::analyse::verify::{Outcome, Reason, Terms, verify};
use wattless::site::Site;
use wattless_tests::made_plant::{Pair, Truth};

/// Whether the true fault is named, alone or among those that read the same.
fn is_among(reasons: &[Reason], pair: &Pair) -> bool {
    let absent: Vec<String> = pair
        .units
        .iter()
        .zip(&pair.states)
        .filter(|(_, s)| **s == State::Absent)
        .map(|(u, _)| u.name.clone())
        .collect();
    let broken = |kind: &dyn Fn(&State) -> bool| {
        pair.units.iter().zip(&pair.states).find(|(_, s)| kind(s)).map(|(u, _)| u.name.clone())
    };
    let line = broken(&|s| matches!(s, State::LineOpen(_)));
    let element = broken(&|s| matches!(s, State::ElementDead(_)));
    reasons.iter().any(|r| match r {
        Reason::UnitsMissing { units } => *units == absent,
        Reason::OrMissing { combinations } => combinations.contains(&absent),
        Reason::LineOpen { unit, .. } => line.as_ref() == Some(unit),
        Reason::ElementDead { unit, .. } => element.as_ref() == Some(unit),
        Reason::OneOf { units } => line.iter().chain(&element).any(|broken| units.contains(broken)),
        _ => false,
    })
}

#[derive(Default)]
struct Count {
    pairs: u32,
    right: u32,
    named: u32,
    undecided: u32,
    covered: u32,
    uncertainty: f64,
    error2: f64,
}

fn main() {
    let number = |at: usize, usual: f64| {
        std::env::args().nth(at).map_or(usual, |a| a.parse().expect("a number"))
    };
    let (pairs, days, record_s) = (number(1, 1000.0) as u64, number(2, 7.0), number(3, 60.0));
    let show = std::env::var_os("SHOW").is_some();
    let mut counts: BTreeMap<Truth, Count> = BTreeMap::new();
    // Other pairs than those that the program was made with.
    let first = number(4, 1e6) as u64;
    for seed in first..first + pairs {
        let truth = Truth::ALL[(seed % 5) as usize];
        let pair = Pair::draw(seed, truth, days, record_s);
        let terms = Terms::new(pair.units.clone());
        let v = match verify(&pair.before, &pair.after, &Site::default(), &terms) {
            Ok(v) => v,
            Err(e) => panic!("pair {seed}: {e}"),
        };
        let want = match truth {
            Truth::Whole => Outcome::Worked,
            Truth::Nothing => Outcome::Not,
            _ => Outcome::Partly,
        };
        let c = counts.entry(truth).or_default();
        c.pairs += 1;
        let got = v.verdict.outcome;
        c.right += u32::from(got == want);
        c.undecided += u32::from(got == Outcome::CannotTell && want != Outcome::CannotTell);
        let named = got == want
            && match truth {
                Truth::Whole => v.verdict.reasons == [Reason::AsInstalled],
                Truth::Nothing => v.verdict.reasons.contains(&Reason::NoDrop),
                _ => is_among(&v.verdict.reasons, &pair),
            };
        c.named += u32::from(named);
        let (r, u) =
            (v.total.ratio.unwrap_or(f64::NAN), v.total.ratio_uncertainty.unwrap_or(f64::NAN));
        c.covered += u32::from((r - pair.ratio).abs() <= u);
        c.uncertainty += u;
        c.error2 += (r - pair.ratio) * (r - pair.ratio);
        if show && (got != want || (r - pair.ratio).abs() > u) {
            let b = v.uncertainty;
            println!(
                "{seed} {truth:?} {got:?} true {:.3} got {r:.3} ± {u:.3} cov {:.2} n' {:.0}/{:.0} \
                 sd b {:.0} a {:.0} mix {:.0} v {:.0} of {:.0} dV {:+.2} t {:.2} best {:?} {:?}",
                pair.ratio,
                v.coverage.covered_share,
                v.before.regression.effective_records,
                v.after.regression.effective_records,
                b.before_var,
                b.after_var,
                b.mix_var,
                b.voltage_var,
                v.total.expected_var.unwrap_or(0.0),
                100.0 * (v.after.v_mean_v / v.before.v_mean_v - 1.0),
                b.t,
                v.explanations.first().map(|e| (&e.states, e.misfit)),
                v.verdict.reasons.first(),
            );
        }
    }
    println!("truth          pairs  right  undecided  wrong  named  covered  mean ±   rms error");
    let mut sum = Count::default();
    let line = |name: &str, c: &Count| {
        let p = |n: u32| 100.0 * f64::from(n) / f64::from(c.pairs.max(1));
        println!(
            "{name:13} {:6} {:5.1}% {:9.1}% {:5.1}% {:5.1}% {:7.1}% {:7.3} {:9.3}",
            c.pairs,
            p(c.right),
            p(c.undecided),
            p(c.pairs - c.right - c.undecided),
            p(c.named),
            p(c.covered),
            c.uncertainty / f64::from(c.pairs.max(1)),
            libm::sqrt(c.error2 / f64::from(c.pairs.max(1))),
        );
    };
    for (truth, c) in &counts {
        line(&format!("{truth:?}"), c);
        sum.pairs += c.pairs;
        sum.right += c.right;
        sum.undecided += c.undecided;
        sum.named += c.named;
        sum.covered += c.covered;
        sum.uncertainty += c.uncertainty;
        sum.error2 += c.error2;
    }
    line("all", &sum);
}
