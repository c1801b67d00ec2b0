//! Table of the connection check over simulated feeders and connections.
//!
//! `cargo run -p wattless-core --example hookup_table -- 100000` takes as many feeders of
//! every sort as the number says, and prints in Markdown what was answered. With a second
//! argument, any word, it also prints the first few feeders that were answered amiss.

#[path = "../tests/hookup_sim/mod.rs"]
mod hookup_sim;

use hookup_sim::*;
use std::time::Instant;
use wattless_core::hookup::{HookupInput, LoadKind, Verdict, check};
use wattless_core::wiring::Wiring;

#[derive(Default, Clone, Copy)]
struct Count {
    all: u64,
    right: u64,
    wrong: u64,
    doubtful: u64,
    /// Cases whose most likely explanation gives the true power within 6 % of S.
    mended: u64,
}

impl Count {
    fn add(&mut self, input: &HookupInput, f: &Feeder) -> Verdict {
        let report = check(input);
        self.all += 1;
        match report.verdict {
            Verdict::Right => self.right += 1,
            Verdict::Wrong => self.wrong += 1,
            Verdict::Doubtful => self.doubtful += 1,
        }
        let p = report.best.map_or(0.0, |b| b.load.p1_w());
        let s: f64 = f.v.iter().zip(&f.i).map(|(v, i)| v.abs() * i.abs()).sum();
        self.mended += u64::from((p - f.p_w()).abs() < 0.06 * s);
        report.verdict
    }

    fn row(&self, names: &str) {
        let pct = |n: u64| 100.0 * n as f64 / self.all.max(1) as f64;
        println!(
            "| {names} | {} | {} ({:.3} %) | {:.2} % | {:.2} % | {:.1} % |",
            self.all,
            self.right,
            pct(self.right),
            pct(self.doubtful),
            pct(self.wrong),
            pct(self.mended)
        );
    }
}

/// The one class that leaves a picture no different in kind.
const AMBIGUOUS: &str = "shifted by one and turned";

fn main() {
    let n: u64 = std::env::args().nth(1).and_then(|a| a.parse().ok()).unwrap_or(2000);
    let show = std::env::args().nth(2).is_some();
    let start = Instant::now();
    let mut checks = 0;
    println!(
        "| wiring, load, knowledge, connection | cases | right | doubtful | wrong | best P right |"
    );
    println!("|---|---|---|---|---|---|");
    for (wiring, sorts) in [
        (
            Wiring::FourWire,
            &[
                Sort::Motor,
                Sort::LightMotor,
                Sort::Corrected,
                Sort::Leading,
                Sort::Mixed,
                Sort::BetweenLines,
                Sort::Generator,
            ][..],
        ),
        (Wiring::ThreeWire, &[Sort::Motor, Sort::Corrected][..]),
        (Wiring::TwoSensor, &[Sort::Motor, Sort::LightMotor, Sort::Corrected][..]),
        (Wiring::ThreeWireLine, &[Sort::Motor, Sort::LightMotor, Sort::Corrected][..]),
        (Wiring::TwoSensorLine, &[Sort::Motor, Sort::Corrected][..]),
    ] {
        let classes: [(&str, Vec<Miswiring>); 6] = [
            ("right", vec![Miswiring::NONE]),
            ("one mistake", Miswiring::singles_of(wiring)),
            ("two mistakes", Miswiring::doubles_of(wiring)),
            ("all turned", Miswiring::distinct(Miswiring::all_turned(), wiring)),
            ("shifted by one", Miswiring::shifted()),
            (AMBIGUOUS, Miswiring::ambiguous(wiring)),
        ];
        for &sort in sorts {
            for (told, known) in KNOWN.into_iter().enumerate() {
                let mut rng = Lcg(0x5eed + told as u64);
                let mut counts = [Count::default(); 6];
                let mut upper = Count::default();
                let mut more = Count::default();
                let mut shown = 0;
                for _ in 0..n {
                    let f = Feeder::random(&mut rng, sort, wiring == Wiring::FourWire);
                    for ((name, list), count) in classes.iter().zip(&mut counts) {
                        for m in list {
                            // One of a class for each feeder is enough, all of them in turn.
                            if list.len() > 1 && rng.below(list.len()) > 2 {
                                continue;
                            }
                            let mut input = read(&f, m, wiring, &mut rng);
                            tell(&mut input, &f, told);
                            let verdict = count.add(&input, &f);
                            checks += 1;
                            if *name == "right" && f.of_range() > 0.1 {
                                upper.add(&input, &f);
                            }
                            let amiss = (*name == "right") != (verdict == Verdict::Right);
                            let shown_class = *name != AMBIGUOUS;
                            if show && shown < 6 && amiss && shown_class {
                                shown += 1;
                                let r = check(&input);
                                println!(
                                    "{name} {m:?}\n {:?} level {:.2}\n {:?}",
                                    f.i.iter()
                                        .zip(&f.v)
                                        .map(|(i, v)| ((*v * i.conj()).arg().to_degrees(), i.abs()))
                                        .collect::<Vec<_>>(),
                                    f.level(),
                                    r.reasons
                                );
                            }
                        }
                    }
                    let m = Miswiring::random(&mut rng, false).of(wiring);
                    if m.mistakes() > 2 && !m.right_for_power(wiring) {
                        let mut input = read(&f, &m, wiring, &mut rng);
                        tell(&mut input, &f, told);
                        more.add(&input, &f);
                        checks += 1;
                    }
                }
                let names = |class: &str| format!("{}, {sort:?}, {known}, {class}", wiring.name());
                for ((name, _), count) in classes.iter().zip(&counts) {
                    count.row(&names(name));
                }
                upper.row(&names("right, above 10 % of range"));
                more.row(&names("three and more mistakes, any"));
            }
        }
    }
    let each = start.elapsed().as_secs_f64() / f64::from(checks) * 1e6;
    println!("\n{checks} checks, {each:.1} µs each with the simulation");
}

/// What the check is told beside the fundamental.
const KNOWN: [&str; 5] =
    ["fundamental", "harmonics", "load kind", "kind and harmonics", "kind and nameplate"];

fn tell(input: &mut HookupInput, f: &Feeder, told: usize) {
    input.load = if told < 2 { LoadKind::Unknown } else { kind(f.sort) };
    if !matches!(told, 1 | 3) {
        input.harmonics = None;
    }
    if told == 4 {
        input.nameplate = nameplate(f);
    }
}
