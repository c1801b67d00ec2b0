//! Which candidates are looked at: all of them where they are few, else a search by neighbours.

use super::candidate::Genome;
use std::collections::{BTreeMap, BTreeSet};

/// Candidates that were looked at with what each is worth.
#[derive(Clone, Debug, Default)]
pub struct Looked {
    /// Worth by candidate; minus infinity where a limit excludes it.
    pub worth: BTreeMap<Genome, f64>,
    /// Whether every candidate there is was looked at.
    pub all: bool,
}

impl Looked {
    /// The best one, of equals the one with the fewest parts.
    pub fn best(&self) -> Option<&Genome> {
        let parts = |g: &Genome| g.iter().filter(|x| **x > 0).count();
        let better = |a: &(&Genome, &f64), b: &(&Genome, &f64)| {
            a.1.total_cmp(b.1).then(parts(b.0).cmp(&parts(a.0))).then(b.0.cmp(a.0))
        };
        self.worth.iter().max_by(better).map(|(g, _)| g)
    }
}

/// Looks at candidates: `choices` is the number of choices at each place beside none, `most` how
/// many may be looked at, `judge` what they are worth.
///
/// Up to `most` candidates there is no search: all are looked at. Beyond, it starts from nothing,
/// from every single choice, and from the best single choice of every place together; then takes
/// the best few and changes one place, or two at once where places are few; where that finds
/// nothing new, the next best as well, until `most` are looked at. The neighbours of the best are
/// always looked at, also beyond `most`: no change of one place betters what is found.
pub fn search(
    choices: &[usize],
    most: usize,
    judge: &mut dyn FnMut(&[Genome]) -> Vec<f64>,
) -> Looked {
    let mut looked = Looked::default();
    let size = choices.iter().try_fold(1usize, |n, c| n.checked_mul(c + 1));
    if size.is_some_and(|n| n <= most.max(1)) {
        let all = everything(choices);
        add(&mut looked, all, usize::MAX, judge);
        looked.all = true;
        return looked;
    }
    let nothing: Genome = vec![0; choices.len()];
    let mut first = vec![nothing.clone()];
    for (place, n) in choices.iter().enumerate() {
        first.extend((1..=*n).map(|c| with(&nothing, place, c)));
    }
    add(&mut looked, first, most, judge);
    // The best choice of each place, together, and together without each one.
    let best_of = |place: usize, looked: &Looked| {
        (0..=choices[place])
            .map(|c| (c, looked.worth.get(&with(&nothing, place, c)).copied()))
            .filter_map(|(c, w)| w.map(|w| (c, w)))
            .max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.cmp(&a.0)))
            .map_or(0, |(c, _)| c as u16)
    };
    let together: Genome = (0..choices.len()).map(|p| best_of(p, &looked)).collect();
    let mut second = vec![together.clone()];
    second.extend((0..choices.len()).map(|p| with(&together, p, 0)));
    add(&mut looked, second, most, judge);
    let mut width = HEADS;
    loop {
        let before = looked.worth.len();
        let mut heads: Vec<(Genome, f64)> =
            looked.worth.iter().map(|(g, w)| (g.clone(), *w)).collect();
        heads.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
        heads.truncate(width);
        let mut next = Vec::new();
        for (head, _) in &heads {
            next.extend(neighbours(head, choices));
        }
        if let Some((head, _)) = heads.first() {
            next.extend(second_neighbours(head, choices));
        }
        add(&mut looked, next, most, judge);
        if looked.worth.len() >= most || (looked.worth.len() == before && width >= before) {
            break;
        }
        if looked.worth.len() == before {
            width *= 2;
        }
    }
    // Where the number was used up in the middle of a way: to the end of it.
    loop {
        let before = looked.worth.len();
        let Some(best) = looked.best().cloned() else { return looked };
        let mut next = neighbours(&best, choices);
        next.extend(second_neighbours(&best, choices));
        add(&mut looked, next, usize::MAX, judge);
        if looked.worth.len() == before {
            return looked;
        }
    }
}

/// Candidates whose neighbours are looked at in each round, at first.
const HEADS: usize = 3;

/// Two places are changed at once while that makes no more than so many candidates.
const PAIRS: usize = 2000;

fn everything(choices: &[usize]) -> Vec<Genome> {
    choices.iter().fold(vec![Genome::new()], |all, n| {
        let longer = |g: &Genome| (0..=*n).map(|c| with_last(g, c)).collect::<Vec<_>>();
        all.iter().flat_map(longer).collect()
    })
}

fn with_last(g: &Genome, choice: usize) -> Genome {
    let mut g = g.clone();
    g.push(choice as u16);
    g
}

fn with(g: &Genome, place: usize, choice: usize) -> Genome {
    let mut g = g.clone();
    g[place] = choice as u16;
    g
}

fn neighbours(g: &Genome, choices: &[usize]) -> Vec<Genome> {
    let places = choices.iter().enumerate();
    places.flat_map(|(p, n)| (0..=*n).map(move |c| with(g, p, c))).collect()
}

fn second_neighbours(g: &Genome, choices: &[usize]) -> Vec<Genome> {
    let all: usize = choices.iter().sum();
    if all * all / 2 > PAIRS {
        return Vec::new();
    }
    let mut out = Vec::new();
    for a in 0..choices.len() {
        for b in a + 1..choices.len() {
            for x in 0..=choices[a] {
                out.extend((0..=choices[b]).map(|y| with(&with(g, a, x), b, y)));
            }
        }
    }
    out
}

fn add(
    looked: &mut Looked,
    mut genomes: Vec<Genome>,
    most: usize,
    judge: &mut dyn FnMut(&[Genome]) -> Vec<f64>,
) {
    // In the order given, the most promising first, for those that the limit cuts off.
    let mut seen = BTreeSet::new();
    genomes.retain(|g| !looked.worth.contains_key(g) && seen.insert(g.clone()));
    genomes.truncate(most.saturating_sub(looked.worth.len()));
    let worth = judge(&genomes);
    looked.worth.extend(genomes.into_iter().zip(worth));
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn few_candidates_are_all_looked_at() {
        let mut judge =
            |g: &[Genome]| g.iter().map(|g| f64::from(g[0]) - f64::from(g[1])).collect();
        let looked = search(&[2, 3], 12, &mut judge);
        assert!(looked.all);
        assert_eq!(looked.worth.len(), 12);
        assert_eq!(looked.best(), Some(&vec![2, 0]));
    }

    proptest! {
        /// Money of a correction: each place gives kvar for a price, the bill falls with the
        /// kvar up to what is lacking. Brute force over all finds nothing better.
        #[test]
        fn the_search_finds_what_brute_force_finds(
            lacking in 10.0f64..200.0,
            money in 5.0f64..60.0,
            units in prop::collection::vec(
                prop::collection::vec((2.0f64..60.0, 40.0f64..900.0), 1..6), 2..5),
        ) {
            let worth = |g: &Genome| {
                let (mut kvar, mut cost) = (0.0, 0.0);
                for (choice, place) in g.iter().zip(&units) {
                    if let Some(u) = usize::from(*choice).checked_sub(1).map(|k| place[k]) {
                        kvar += u.0;
                        cost += u.1;
                    }
                }
                money * kvar.min(lacking) - cost - 3.0 * (kvar - lacking).max(0.0)
            };
            let mut judge = |g: &[Genome]| g.iter().map(worth).collect::<Vec<f64>>();
            let choices: Vec<usize> = units.iter().map(Vec::len).collect();
            let brute = search(&choices, usize::MAX, &mut judge);
            prop_assert!(brute.all);
            let size = brute.worth.len();
            prop_assume!(size > 20);
            let quick = search(&choices, size - 1, &mut judge);
            prop_assert!(!quick.all);
            let (a, b) = (brute.best().unwrap(), quick.best().unwrap());
            prop_assert!(quick.worth[b] >= brute.worth[a] - 1e-9, "{a:?} {b:?}");
        }
    }
}
