//! The connection check over simulated feeders and every class of miswiring.
//!
//! Bounded here; `WATTLESS_FEEDERS=20000 cargo test -p wattless-core --test hookup_feeders`
//! takes more feeders of every sort, and the example `hookup_table` prints the whole table.

mod hookup_sim;

use hookup_sim::*;
use wattless_core::complex::Complex;
use wattless_core::hookup::{
    HarmonicPhasors, HookupInput, LoadKind, Place, Reason, Verdict, check,
};
use wattless_core::wiring::Wiring;

const WIRINGS: [Wiring; 5] = [
    Wiring::FourWire,
    Wiring::ThreeWire,
    Wiring::ThreeWireLine,
    Wiring::TwoSensor,
    Wiring::TwoSensorLine,
];

/// Feeders of every sort.
fn feeders() -> usize {
    std::env::var("WATTLESS_FEEDERS").ok().and_then(|n| n.parse().ok()).unwrap_or(120)
}

/// Sorts that a wiring can have; loads that are odd without a neutral only with one.
fn sorts(wiring: Wiring) -> &'static [Sort] {
    match wiring {
        Wiring::FourWire => &[
            Sort::Motor,
            Sort::LightMotor,
            Sort::Corrected,
            Sort::Leading,
            Sort::Mixed,
            Sort::BetweenLines,
            Sort::Generator,
        ],
        _ => &[Sort::Motor, Sort::LightMotor, Sort::Corrected, Sort::Leading, Sort::Generator],
    }
}

/// Knowledge: nothing, the load kind, kind and nameplate. What leads by more than 44 degrees or
/// feeds back must be told: its shifted picture is a loaded motor's.
fn tell(input: &mut HookupInput, f: &Feeder, told: usize) {
    let s = f.v.iter().zip(&f.i).fold(Complex::ZERO, |s, (v, i)| s + *v * i.conj());
    let must = match f.sort {
        Sort::Leading => s.arg().to_degrees() < -44.0,
        Sort::Generator => true,
        _ => false,
    };
    if told > 0 || must {
        input.load = kind(f.sort);
    }
    if told == 2 {
        input.nameplate = nameplate(f);
    }
}

/// No connection with one or two mistakes, all clamps turned, or shifted by one, is passed.
#[test]
fn guarded_connections_are_never_right() {
    let mut checks = 0;
    for wiring in WIRINGS {
        let mut guarded = Miswiring::singles_of(wiring);
        guarded.extend(Miswiring::doubles_of(wiring));
        guarded.extend(Miswiring::distinct(Miswiring::all_turned(), wiring));
        guarded.extend(Miswiring::shifted());
        for &sort in sorts(wiring) {
            for told in 0..3 {
                let mut rng = Lcg(17 + told as u64);
                for _ in 0..feeders() {
                    let f = Feeder::random(&mut rng, sort, wiring == Wiring::FourWire);
                    // Each feeder takes its share, so that all of them take all.
                    for _ in 0..12 {
                        let m = guarded[rng.below(guarded.len())];
                        let mut input = read(&f, &m, wiring, &mut rng);
                        tell(&mut input, &f, told);
                        let report = check(&input);
                        checks += 1;
                        assert_ne!(
                            report.verdict,
                            Verdict::Right,
                            "{} {sort:?} told {told} {m:?}\n{f:?}\n{report:?}",
                            wiring.name()
                        );
                    }
                }
            }
        }
    }
    println!("{checks} guarded connections");
}

/// A right connection is never called wrong (generators not told apart), and is seldom doubted.
#[test]
fn right_connections_are_not_blamed() {
    for wiring in WIRINGS {
        for &sort in sorts(wiring) {
            for told in 0..3 {
                let mut rng = Lcg(99 + told as u64);
                let (mut loaded, mut doubted) = (0, 0);
                for _ in 0..4 * feeders() {
                    let f = Feeder::random(&mut rng, sort, wiring == Wiring::FourWire);
                    let mut input = read(&f, &Miswiring::NONE, wiring, &mut rng);
                    tell(&mut input, &f, told);
                    let report = check(&input);
                    assert_ne!(report.verdict, Verdict::Wrong, "{sort:?} {f:?}\n{report:?}");
                    if f.of_range() > 0.1 {
                        loaded += 1;
                        doubted += u32::from(report.verdict == Verdict::Doubtful);
                    }
                }
                let share = f64::from(doubted) / f64::from(loaded);
                let limit = match (sort, told) {
                    // An idle motor may be a leading load with all clamps shifted by one line.
                    // Where the supply has harmonics they tell.
                    (Sort::LightMotor, 0) => 0.3,
                    (Sort::Motor, 0) => 0.08,
                    (Sort::Motor | Sort::LightMotor, _) => 0.004,
                    // A leading or near-unity load at a quarter of the range or less may be an
                    // idle motor with all clamps shifted and turned.
                    (Sort::Corrected, 0) => 0.27,
                    (Sort::Corrected, _) => 0.005,
                    // Uneven currents: a wrong ratio looks the same.
                    (Sort::Mixed, _) => 0.07,
                    // Ambiguous in principle.
                    _ => 1.0,
                };
                assert!(share <= limit, "{} {sort:?} told {told}: {share}", wiring.name());
            }
        }
    }
}

/// One mistake at a motor feeder: wrong, and the mistake is named lead by lead.
#[test]
fn single_mistakes_are_found_and_named() {
    for wiring in [Wiring::FourWire, Wiring::ThreeWire, Wiring::TwoSensor] {
        let mut rng = Lcg(5);
        for m in Miswiring::singles_of(wiring) {
            for _ in 0..feeders() {
                let sort = if rng.below(2) == 0 { Sort::Motor } else { Sort::LightMotor };
                let f = Feeder::random(&mut rng, sort, wiring == Wiring::FourWire);
                let input = read(&f, &m, wiring, &mut rng);
                let report = check(&input);
                assert_eq!(report.verdict, Verdict::Wrong, "{m:?} {f:?} {report:?}");
                let best = report.best.expect("an explanation");
                for p in best.connection.placements() {
                    let k = p.channel.slot() % 3;
                    let (line, turned) = if p.channel.is_voltage() {
                        (m.v[k], m.v_turned[k])
                    } else {
                        (m.i[k], m.i_turned[k])
                    };
                    let places = [Place::L1, Place::L2, Place::L3];
                    assert_eq!((p.place, p.reversed), (places[line], turned), "{m:?} {best:?}");
                }
                let s: f64 = f.v.iter().zip(&f.i).map(|(v, i)| v.abs() * i.abs()).sum();
                assert!((best.load.p1_w() - f.p_w()).abs() < 0.06 * s);
                // The same by reading the channels again, as can be done with records.
                let (v, i) = best.connection.reread(&input.phasors);
                for ((v, i), line) in v.iter().zip(&i).zip(&best.load.phases) {
                    assert!(((*v * i.conj()).re - line.p1_w).abs() < 1e-9 * s);
                }
            }
        }
    }
}

/// Voltages and currents exchanged or shifted together are right for power, and only noted.
#[test]
fn leads_and_clamps_exchanged_together_are_right() {
    let mut rng = Lcg(31);
    let mut doubted = 0;
    for order in ORDERS {
        for _ in 0..feeders() {
            let f = Feeder::random(&mut rng, Sort::Motor, true);
            let m = Miswiring { v: order, i: order, ..Miswiring::NONE };
            let mut input = read(&f, &m, Wiring::FourWire, &mut rng);
            input.load = LoadKind::Motor;
            let report = check(&input);
            // Drives beside the motor can make harmonics that look like another load's.
            doubted += usize::from(report.verdict == Verdict::Doubtful);
            assert_ne!(report.verdict, Verdict::Wrong, "{report:?}");
            let backwards = (0..3).filter(|k| order[*k] != *k).count() == 2;
            assert_eq!(report.reasons.contains(&Reason::RotationNegative), backwards);
            assert!(report.moves().is_empty());
        }
    }
    assert!(doubted <= 1 + ORDERS.len() * feeders() / 1000, "{doubted}");
}

/// The picture that is ambiguous in principle: doubted or told beside, and settled by a second
/// load point, whatever else is known.
#[test]
fn a_second_load_point_settles_the_ambiguous_picture() {
    let mut rng = Lcg(77);
    let (mut right, mut named) = (0, 0);
    for _ in 0..4 * feeders() {
        let light = Feeder::random(&mut rng, Sort::LightMotor, true);
        // The same motor at more load: active current rises, reactive little.
        let mut heavy = light;
        for (i, v) in heavy.i.iter_mut().zip(&light.v) {
            *i += v.scale(1.0 / v.abs()) * at(light.rated_a * 0.5, -6.0);
        }
        for m in Miswiring::shifted_and_turned() {
            let mut input = read(&light, &m, Wiring::FourWire, &mut rng);
            input.second_load = Some(read(&heavy, &m, Wiring::FourWire, &mut rng).phasors);
            let report = check(&input);
            right += u32::from(report.verdict == Verdict::Right);
            let s: f64 = light.v.iter().zip(&light.i).map(|(v, i)| v.abs() * i.abs()).sum();
            let best = report.best.expect("an explanation");
            named += u32::from((best.load.p1_w() - light.p_w()).abs() < 0.06 * s);
        }
        let mut input = read(&light, &Miswiring::NONE, Wiring::FourWire, &mut rng);
        input.second_load =
            Some(read(&heavy, &Miswiring::NONE, Wiring::FourWire, &mut rng).phasors);
        assert_eq!(check(&input).verdict, Verdict::Right);
    }
    let cases = 8 * feeders() as u32;
    assert_eq!(right, 0, "of {cases}");
    assert!(named >= cases * 7 / 10, "{named} of {cases}");
}

/// With load kind and nameplate, all clamps shifted and turned is hardly ever passed at a motor
/// (10 of 20,000 in a large run).
#[test]
fn a_nameplate_unmasks_clamps_shifted_and_turned() {
    let mut rng = Lcg(123);
    let (mut cases, mut right) = (0, 0);
    for _ in 0..8 * feeders() {
        let sort = if rng.below(2) == 0 { Sort::Motor } else { Sort::LightMotor };
        let f = Feeder::random(&mut rng, sort, true);
        for m in Miswiring::shifted_and_turned() {
            let mut input = read(&f, &m, Wiring::FourWire, &mut rng);
            tell(&mut input, &f, 2);
            cases += 1;
            right += u32::from(check(&input).verdict == Verdict::Right);
        }
    }
    assert!(f64::from(right) < 0.003 * f64::from(cases), "{right} of {cases}");
}

/// Shares of answers that are right over feeders with linear loads on a supply with harmonics.
fn right_share(sort: Sort, wiring: Wiring, m: impl Fn(&mut Lcg) -> Miswiring) -> f64 {
    let mut rng = Lcg(211);
    let (mut cases, mut right) = (0, 0);
    while cases < 5 * feeders() {
        let f = Feeder::random(&mut rng, sort, wiring == Wiring::FourWire);
        if f.setting != Setting::Linear {
            continue;
        }
        let m = m(&mut rng).of(wiring);
        cases += 1;
        right += usize::from(check(&read(&f, &m, wiring, &mut rng)).verdict == Verdict::Right);
    }
    right as f64 / cases as f64
}

/// Told nothing but what the channels read, harmonics tell an idle motor from a leading load with
/// its currents on the next line, and both from clamps on the next line and turned.
///
/// The loads answer harmonics as studies of them model it (IEEE 399 and IEEE 1036, from memory):
/// a machine by its locked-rotor reactance times the order, a capacitor by its reactance over it.
#[test]
fn harmonics_tell_what_the_fundamental_cannot() {
    for wiring in WIRINGS {
        let right = |sort, m: &dyn Fn(&mut Lcg) -> Miswiring| right_share(sort, wiring, m);
        let none = |_: &mut Lcg| Miswiring::NONE;
        let shifted = |rng: &mut Lcg| Miswiring::shifted()[rng.below(4)];
        let and_turned = |rng: &mut Lcg| Miswiring::shifted_and_turned()[rng.below(2)];
        let name = wiring.name();
        for sort in [Sort::Motor, Sort::LightMotor] {
            assert!(right(sort, &none) > 0.99, "{name} {sort:?}");
            assert_eq!(right(sort, &shifted), 0.0, "{name} {sort:?}");
            assert!(right(sort, &and_turned) < 0.02, "{name} {sort:?}");
        }
        assert!(right(Sort::Leading, &shifted) < 0.01, "{name}");
        assert!(right(Sort::Leading, &and_turned) < 0.02, "{name}");
    }
}

/// Harmonics at random, of which no load is known, hardly ever speak for a pairing.
#[test]
fn harmonics_of_anything_say_nothing() {
    let mut rng = Lcg(5151);
    let cases = 40 * feeders();
    let (mut doubted, mut passed) = (0, 0);
    for n in 0..cases {
        let shift = n % 2;
        let phi = if shift == 0 { rng.within(15.0, 73.0) } else { rng.within(-46.0, 85.0) };
        let mut orders = [[Complex::ZERO; 6]; 3];
        for (h, x) in [1.0, 5.0, 7.0].into_iter().zip(&mut orders) {
            let (v, i) = (rng.within(0.5, 4.0), rng.within(1.0, 15.0));
            let (v, i) = match h {
                1.0 => (at(230.0, 0.0), at(50.0, -phi)),
                _ => (rng.phasor(2.3 * v), rng.phasor(0.5 * i)),
            };
            for k in 0..3 {
                let turn = |line: usize| at(1.0, [0.0, -120.0, 120.0][line] * h);
                x[k] = v * turn(k);
                x[3 + k] = i * turn((k + shift) % 3);
            }
        }
        let [one, fifth, seventh] = orders;
        let mut input = HookupInput::new(Wiring::FourWire, one, Some(50.0));
        input.harmonics = Some(HarmonicPhasors { fifth, seventh });
        let verdict = check(&input).verdict;
        doubted += usize::from(shift == 0 && verdict != Verdict::Right);
        passed += usize::from(shift == 1 && verdict == Verdict::Right);
    }
    assert!(doubted < cases / 2 / 50, "{doubted} of {}", cases / 2);
    assert!(passed <= 1 + cases / 2 / 2000, "{passed} of {}", cases / 2);
}
