//! The simulated feeder against closed forms, the measurement core and itself.

mod bench_support;

use bench_support::{MOTOR, RECTIFIER, head, readings, setup};
use wattless::bench::Setup;
use wattless::bench::timeline::Activity;
use wattless::bench::truth::Truth;
use wattless::bench::wave::{HeldWaves, LiveWaves, SampleSource};
use wattless_core::frame::{COUNT_MAX, COUNT_MIN, Frame};
use wattless_core::power::Reading;

const HOUR_MS: i64 = 3_600_000;

fn held(s: &Setup, from_ms: i64, to_ms: i64) -> HeldWaves<'_> {
    HeldWaves::new(&s.feeder, &s.sensors, s.sample_rate_hz(), from_ms, to_ms)
}

fn live(s: &Setup, from_ms: i64, to_ms: i64) -> LiveWaves<'_> {
    LiveWaves::new(&s.feeder, &s.sensors, s.sample_rate_hz(), from_ms, to_ms)
}

fn close(what: &str, got: f64, want: f64, of: f64, share: f64) {
    let error = (got - want).abs() / of.abs();
    assert!(error <= share, "{what}: {got} is not {want} (off by {:.5} % of {of})", error * 100.0);
}

fn agrees(name: &str, r: &Reading, t: &Truth, phases: usize, share: f64) {
    for k in 0..phases {
        let p = &r.phases[k];
        let what = |q: &str| format!("{name}, {q} of phase {}", k + 1);
        close(&what("V"), p.v_rms_v, t.v_rms_v[k], t.v_rms_v[k], share);
        close(&what("I"), p.i_rms_a, t.i_rms_a[k], t.i_rms_a[k], share);
        close(&what("P"), p.p_w, t.p_w[k], t.s_va[k], share);
        close(&what("Q1"), p.q1_var, t.q1_var[k], t.s_va[k], share);
        close(&what("S"), p.s_va, t.s_va[k], t.s_va[k], share);
    }
}

/// Without noise and sensor errors, core readings of a steady state and the feeder's truth differ
/// by less than 0.01 %, in every wiring, from both sources.
#[test]
fn readings_of_steady_states_are_the_truth() {
    let rigid = "unbalance_pct = 1.5\nharmonics = [{ order = 5, pct = 2.0, angle_deg = 160.0 }]\n\
                 level_pct = 98.0";
    let soft = format!("{rigid}\n[supply.transformer]\nkva = 400.0\nz_pct = 4.0\nx_over_r = 4.0");
    let welder = "[[welder]]\nname = \"W\"\nkw = 6.0\nconnected = \"l2-l3\"\n";
    let bank = "[[capacitor]]\nname = \"C\"\nkvar = 15.0\n";
    let lamp = "[[lighting]]\nname = \"L\"\nkw = 4.0\nconnected = \"l1\"\n\
                harmonics = [{ order = 3, pct = 20.0 }]\n";
    let two_lines = "[[heater]]\nname = \"H\"\nkw = 5.0\nconnected = \"l1-l2\"\n";
    let single = format!("{}connected = \"l1\"\n", MOTOR.replace("55.0", "5.5"));
    let three = format!("{MOTOR}{RECTIFIER}{welder}{bank}");
    let cases = [
        ("four-wire", soft.as_str(), format!("{three}{lamp}"), 3),
        ("three-wire", soft.as_str(), three.clone(), 3),
        ("three-wire-line", rigid, three.clone(), 3),
        ("two-sensor", soft.as_str(), three.clone(), 3),
        ("two-sensor-line", rigid, three, 3),
        ("split-phase", "level_pct = 101.0", format!("{two_lines}{lamp}{single}"), 2),
        ("single-phase", "level_pct = 101.0", format!("{lamp}{single}"), 1),
    ];
    for (wiring, supply, loads, phases) in cases {
        let s = setup(&format!("{}{loads}", head(wiring, supply)));
        let t = s.feeder.truth(0.0, 5.0);
        assert!(t.total_p_w() > 3e3, "{wiring}: {t:?}");
        for r in readings(&s, &mut held(&s, 0, 5000)) {
            agrees(&format!("{wiring} held"), &r, &t, phases, 1e-4);
        }
        for r in readings(&s, &mut live(&s, 0, 5000)) {
            agrees(&format!("{wiring} live"), &r, &t, phases, 1e-4);
        }
    }
}

/// Harmonic RMS and power from the nameplate alone: 20 kW at displacement PF 0.96 with 33, 12, 8
/// and 5 % harmonics on a clean rigid supply.
#[test]
fn a_rectifier_draws_its_nameplate() {
    let s = setup(&format!("{}{RECTIFIER}", head("four-wire", "")));
    let t = s.feeder.truth(0.0, 1.0);
    let fundamental = 20e3 / 0.96 / (400.0 * libm::sqrt(3.0));
    let thd2: f64 = [0.33f64, 0.12, 0.08, 0.05].iter().map(|x| x * x).sum();
    close("I", t.i_rms_a[0], fundamental * libm::sqrt(1.0 + thd2), fundamental, 1e-9);
    close("P", t.total_p_w(), 20e3, 20e3, 1e-9);
    close("Q1", t.total_q1_var(), 20e3 * libm::sqrt(1.0 / 0.9216 - 1.0), 20e3, 1e-9);
}

fn mean(s: &Setup, at_ms: i64) -> Reading {
    *readings(s, &mut held(s, at_ms, at_ms + 2000)).last().unwrap()
}

/// A dead element of a delta bank: a third of the kvar gone, on the two phases it lies between
/// (common practice of the check after an installation). A blown fuse in front of a delta leaves
/// half; a dead element of a star takes one phase's part.
#[test]
fn dead_capacitor_elements_show_on_the_right_phases() {
    let bank = |how: &str| {
        setup(&format!(
            "{}[[capacitor]]\nname = \"C\"\nkvar = 60.0\n{how}\ndead_since = \"2026-03-02T01:00\"\n",
            head("four-wire", "")
        ))
    };
    let cases = [
        ("dead = \"l1-l2\"", [0.5, 0.5, 1.0]),
        ("dead = \"l3-l1\"", [0.5, 1.0, 0.5]),
        ("dead = \"l1\"", [0.0, 0.75, 0.75]),
        ("connected = \"star\"\ndead = \"l2\"", [1.0, 0.0, 1.0]),
    ];
    for (how, left) in cases {
        let s = bank(how);
        let (before, after) = (mean(&s, HOUR_MS - 5000), mean(&s, HOUR_MS + 5000));
        for (k, left) in left.into_iter().enumerate() {
            let (whole, now) = (before.phases[k].q1_var, after.phases[k].q1_var);
            close(how, whole, -20e3, 20e3, 1e-4);
            close(how, now, whole * left, whole, 1e-4);
        }
    }
}

/// Output of capacitors goes with the square of the voltage: 10 % up is 21 % more.
#[test]
fn capacitors_go_with_the_square_of_the_voltage() {
    let bank = "[[capacitor]]\nname = \"C\"\nkvar = 60.0\nrated_v = 440.0\n";
    for (level, want) in [(100.0, 60e3 / 1.21), (110.0, 60e3)] {
        let s = setup(&format!("{}{bank}", head("three-wire", &format!("level_pct = {level:?}"))));
        close("Q", s.feeder.truth(0.0, 1.0).total_q1_var(), -want, want, 1e-9);
    }
}

/// h = sqrt(Ssc / Qc): 630 kVA of 4.5 % has 14 MVA; 285.7 kvar put the resonance at order 7.
#[test]
fn a_bank_and_the_transformer_resonate_where_the_formula_says() {
    let gain = |kvar: f64, order: u8| {
        let supply = format!(
            "harmonics = [{{ order = {order}, pct = 0.1 }}]\n\
             [supply.transformer]\nkva = 630.0\nz_pct = 4.5\nx_over_r = 20.0"
        );
        let bank = format!("[[capacitor]]\nname = \"C\"\nkvar = {kvar:?}\n");
        let s = setup(&format!("{}{bank}", head("three-wire", &supply)));
        let state = s.feeder.state(0, 0.0);
        state.v_v[1][0].abs() / (400.0 / libm::sqrt(3.0) * 1e-3)
    };
    let at = 14e3 / 49.0;
    assert!(gain(at, 7) > 2.5 * gain(at * 1.5, 7).max(gain(at / 1.5, 7)), "{}", gain(at, 7));
    assert!(gain(at, 5) < gain(at, 7) && gain(at, 11) < 1.0);
}

/// At 60 Hz windows have 12 cycles; a converter clock may give an odd rate.
#[test]
fn readings_are_true_at_60_hz_and_other_rates() {
    for rate in ["8000.0", "7812.5", "6400.0"] {
        let head = head("three-wire", "level_pct = 103.0").replace("_hz = 50.0", "_hz = 60.0");
        let s = setup(&format!("{head}[node]\nsample_rate_hz = {rate}\n{MOTOR}{RECTIFIER}"));
        let t = s.feeder.truth(0.0, 2.0);
        for r in readings(&s, &mut live(&s, 0, 2000)) {
            agrees(rate, &r, &t, 3, 1e-4);
            close("frequency", r.frequency_hz.unwrap(), 60.0, 60.0, 1e-6);
        }
        // Held buffers hold whole cycles: their frequency is near, not at, that of the supply.
        for r in readings(&s, &mut held(&s, 0, 2000)) {
            agrees(rate, &r, &t, 3, 1e-4);
            close("frequency", r.frequency_hz.unwrap(), 60.0, 60.0, 5e-4);
        }
    }
}

/// Common practice: capacitors raise the voltage by kvar times the transformer's reactance in
/// percent over its kVA; here 100 kvar on 400 kVA of 4 %, nearly all reactance: 1 %.
#[test]
fn capacitors_raise_the_voltage_behind_a_transformer() {
    let supply = "[supply.transformer]\nkva = 400.0\nz_pct = 4.0\nx_over_r = 20.0";
    let bank = "[[capacitor]]\nname = \"C\"\nkvar = 100.0\n";
    let v = |loads: &str| {
        setup(&format!("{}{loads}", head("four-wire", supply))).feeder.truth(0.0, 1.0).v_rms_v[0]
    };
    close("rise", v(bank) / v("") - 1.0, 0.0101, 0.0101, 0.01);
}

/// 7 % of series reactance tunes a bank to order 3.78 (1/sqrt(p)): at order 5 it draws like a
/// reactance of 5p − 1/5 times its capacitive one, while its kvar stay as rated.
#[test]
fn a_detuned_bank_keeps_its_kvar_and_turns_inductive_at_harmonics() {
    let supply = "harmonics = [{ order = 5, pct = 2.0 }]";
    let bank = "[[capacitor]]\nname = \"C\"\nkvar = 60.0\ndetuning_pct = 7.0\n";
    let s = setup(&format!("{}{bank}", head("three-wire", supply)));
    close("kvar", s.feeder.truth(0.0, 1.0).total_q1_var(), -60e3, 60e3, 1e-5);
    let state = s.feeder.state(0, 0.0);
    let z = state.v_v[1][0].abs() / state.i_a[1][0].abs();
    let x_c = 400.0 * 400.0 / 60e3 / 0.93;
    close("impedance", z, x_c * (5.0 * 0.07 - 0.2), z, 1e-3);
    let lags = (state.v_v[1][0] * state.i_a[1][0].conj()).im;
    assert!(lags > 0.0, "inductive above its tuning");
}

/// A bank on a motor's contactor is on with it; a controller's steps reach their target.
#[test]
fn banks_follow_their_contactor_or_controller() {
    let shift = "[[shift]]\nname = \"day\"\ndays = [\"mon\"]\nfrom = \"06:00\"\nto = \"14:00\"\n";
    let motor = format!("{shift}{MOTOR}when = [\"day\"]\n");
    let at = |s: &Setup, hour: f64| s.feeder.truth(hour * 3600.0, hour * 3600.0 + 60.0);
    let alone = setup(&format!("{}{motor}", head("four-wire", "")));
    let with = "[[capacitor]]\nname = \"C\"\nkvar = 12.0\nwith = \"Saw\"\n";
    let with = setup(&format!("{}{motor}{with}", head("four-wire", "")));
    close("off", at(&with, 5.0).total_q1_var(), 0.0, 1.0, 1e-9);
    let (q, q0) = (at(&with, 10.0).total_q1_var(), at(&alone, 10.0).total_q1_var());
    close("on", q0 - q, 12e3, 12e3, 1e-9);
    let steps = "[[capacitor]]\nname = \"C\"\nkvar = 30.0\n\
                 step_kvar = [5.0, 5.0, 5.0, 5.0, 5.0, 5.0]\n\
                 target_pf = 0.95\ndelay_s = 30.0\n";
    let s = setup(&format!("{}{motor}{steps}", head("four-wire", "")));
    let pf = |hour| at(&s, hour).average_pf().unwrap();
    assert!(at(&alone, 10.0).average_pf().unwrap() < 0.8);
    assert!((0.93..0.99).contains(&pf(10.0)), "{}", pf(10.0));
    // The steps are late at the start, and leave after the end.
    let first_minute = s.feeder.truth(6.0 * 3600.0 + 4.0, 6.0 * 3600.0 + 29.0);
    assert!(first_minute.average_pf().unwrap() < 0.8);
    assert!(at(&s, 14.0).total_q1_var() < -5e3);
    close("gone", at(&s, 14.1).total_q1_var(), 0.0, 1.0, 1e-9);
}

#[test]
fn the_same_seed_gives_the_same_frames_and_another_seed_others() {
    let text = wattless::bench::scenario::SAWMILL;
    let eight = 8 * HOUR_MS;
    let sum = |text: &str| {
        let s = setup(text);
        let mut source = held(&s, eight, eight + 60_000);
        let mut crc = wattless_core::record::CRC.digest();
        while let Some(block) = source.next_block() {
            block.iter().flat_map(|f| f.counts()).for_each(|c| crc.update(&c.to_le_bytes()));
        }
        assert_eq!(source.frames_given(), 480_000);
        crc.finalize()
    };
    assert_eq!(sum(text), sum(text));
    let other = text.replace("seed = 20", "seed = 21");
    assert_ne!(other, text);
    assert_ne!(sum(&other), sum(text));
}

#[test]
fn motors_run_in_their_shifts_and_rest_at_the_weekend() {
    let s = Setup::new(wattless::bench::Scenario::sawmill().unwrap());
    let at = |day: i64, hour: i64| {
        s.feeder.activity("Log saw", (day * 24 + hour) * HOUR_MS).expect("the load exists")
    };
    assert_eq!(at(0, 3), Activity::Off);
    for (day, hour) in [(0, 8), (3, 20), (4, 10)] {
        assert!(matches!(at(day, hour), Activity::Run(_)), "day {day}, {hour} h");
    }
    // No late shift on Fridays, none at all on Saturday and Sunday.
    for (day, hour) in [(4, 18), (5, 10), (6, 10)] {
        assert_eq!(at(day, hour), Activity::Off, "day {day}, {hour} h");
    }
    // In pauses it runs idle; dust extraction goes on.
    let pause_ms = 9 * HOUR_MS + 5 * 60_000;
    assert_eq!(s.feeder.activity("Log saw", pause_ms), Some(Activity::Run(0.0)));
    let dust = s.feeder.activity("Dust extraction", pause_ms);
    assert!(matches!(dust, Some(Activity::Run(load)) if load > 0.5), "{dust:?}");
    assert_eq!(s.feeder.activity("no such load", 0), None);
}

/// A start: six times rated current at PF 0.3 for three seconds, to the sample.
#[test]
fn a_motor_starts_with_its_inrush() {
    let shift = "[[shift]]\nname = \"day\"\ndays = [\"mon\"]\nfrom = \"06:00\"\nto = \"14:00\"\n";
    let motor = format!("{shift}{MOTOR}when = [\"day\"]\n");
    let s = setup(&format!("{}{motor}", head("four-wire", "")));
    let rated = 55e3 / 0.94 / 0.86 / (400.0 * libm::sqrt(3.0));
    let start = s.feeder.truth(6.0 * 3600.0, 6.0 * 3600.0 + 3.0);
    close("starting current", start.i_rms_a[0], 6.0 * rated, rated, 1e-6);
    close("starting PF", start.average_pf().unwrap(), 0.3, 1.0, 1e-9);
    let on = |source: &mut dyn SampleSource| {
        let mut n = 0u64;
        while let Some(block) = source.next_block() {
            if let Some(k) = block.iter().position(|f| f.counts()[3..6] != [0; 3]) {
                return n + k as u64;
            }
            n += block.len() as u64;
        }
        panic!("never on");
    };
    let from = 6 * HOUR_MS - 1000;
    assert_eq!(on(&mut held(&s, from, from + 2000)), 8000);
    assert_eq!(on(&mut live(&s, from, from + 2000)), 8000);
}

/// Frames of the held source join without a jump of phase: where nothing switches, the second
/// difference of a sine sample is bounded by that of the sine itself.
#[test]
fn held_buffers_join_without_jumps() {
    let supply = "frequency_wander_mhz = 60.0\nwander_pct = 0.5";
    let s = setup(&format!("{}{MOTOR}", head("four-wire", supply)));
    let mut source = held(&s, 0, 120_000);
    let mut frames: Vec<Frame> = Vec::new();
    while let Some(block) = source.next_block() {
        frames.extend_from_slice(block);
    }
    let step = std::f64::consts::TAU * 50.2 / 8000.0;
    let peak = frames.iter().map(|f| f.counts()[0]).max().map(f64::from).unwrap();
    let bound = 1.02 * peak * step * step + peak * 2e-4 + 2.0;
    for (k, w) in frames.windows(3).enumerate() {
        let [a, b, c] = [w[0], w[1], w[2]].map(|f| f64::from(f.counts()[0]));
        assert!((a - 2.0 * b + c).abs() <= bound, "frame {k}");
    }
}

/// The two sources agree on the energies of a working hour within 0.01 %.
#[test]
fn fast_and_live_agree_on_an_hour() {
    let s = Setup::new(wattless::bench::Scenario::sawmill().unwrap());
    let (from, to) = (8 * HOUR_MS, 9 * HOUR_MS);
    let energy = |source: &mut dyn SampleSource| {
        let (mut wh, mut varh, mut time_s) = (0.0, 0.0, 0.0);
        for r in readings(&s, source) {
            wh += r.total.p_w * r.duration_s / 3600.0;
            varh += r.total.q1_var * r.duration_s / 3600.0;
            time_s += r.duration_s;
        }
        [wh, varh, time_s]
    };
    let (a, b) = (energy(&mut held(&s, from, to)), energy(&mut live(&s, from, to)));
    assert!(a[0] > 50e3 && a[1] > 50e3, "{a:?}");
    for (a, b) in a.into_iter().zip(b) {
        close("fast against live", a, b, b, 1e-4);
    }
}

#[test]
fn a_range_too_small_clips_at_the_converter() {
    let node = "[node]\ni_range_peak_a = 10.0\n";
    let s = setup(&format!("{}{node}{MOTOR}", head("four-wire", "")));
    let mut source = held(&s, 0, 1000);
    let mut ends = (0, 0);
    while let Some(block) = source.next_block() {
        for f in block {
            ends = (ends.0.min(f.counts()[3]), ends.1.max(f.counts()[3]));
        }
    }
    assert_eq!(ends, (COUNT_MIN, COUNT_MAX));
}

/// Noise in counts follows from the converter's µV and range: 7.6 µV of 1.2 V peak are 53 counts.
#[test]
fn noise_has_the_stated_size_and_offsets_show() {
    let node = "[node]\nnoise_uv = 7.6\n[node.errors]\ni1 = { offset_counts = 1000 }\n";
    let s = setup(&format!("{}{node}", head("four-wire", "")));
    let mut source = live(&s, 0, 20_000);
    let (mut n, mut sum, mut square) = (0.0, 0.0, 0.0);
    while let Some(block) = source.next_block() {
        for f in block {
            let x = f64::from(f.counts()[3]);
            n += 1.0;
            sum += x;
            square += x * x;
        }
    }
    let mean = sum / n;
    let rms = libm::sqrt(square / n - mean * mean);
    close("noise", rms, 53.1, 53.1, 0.02);
    close("offset", mean, 1000.0, 1000.0, 0.002);
}

/// A current sensor ahead by δ changes P by cos(φ−δ)/cos φ − 1: 1.508 % for 30' at PF 0.5
/// (derived table of a current transformer's angle against power error); gain errors add.
#[test]
fn sensor_errors_move_power_as_the_formula_says() {
    let node = "[node.errors]\ni1 = { phase_min = 30.0 }\ni2 = { gain_pct = 0.7 }\n";
    let load = "[[lighting]]\nname = \"L\"\nkw = 30.0\npf = 0.5\n";
    let s = setup(&format!("{}{node}{load}", head("four-wire", "")));
    let r = readings(&s, &mut held(&s, 0, 2000)).pop().unwrap();
    let excess = r.phases.map(|p| (p.p_w / 10e3 - 1.0) * 100.0);
    close("30 minutes", excess[0], 1.508, 1.0, 0.001);
    close("0.7 %", excess[1], 0.7, 1.0, 0.001);
    close("none", excess[2], 0.0, 1.0, 0.001);
}

/// Reversed and swapped clamps read as such: P negative, or turned by 120°.
#[test]
fn wrong_leads_read_wrong() {
    let node = "[node.leads]\ni1 = \"-l1\"\ni2 = \"l3\"\ni3 = \"l2\"\n";
    let load = "[[heater]]\nname = \"H\"\nkw = 30.0\n";
    let s = setup(&format!("{}{node}{load}", head("four-wire", "")));
    let r = readings(&s, &mut held(&s, 0, 1000)).pop().unwrap();
    let [a, b, c] = r.phases.map(|p| p.p_w);
    close("reversed", a, -10e3, 10e3, 1e-4);
    close("swapped", b, -5e3, 10e3, 1e-4);
    close("swapped", c, -5e3, 10e3, 1e-4);
    close("the truth", s.feeder.truth(0.0, 1.0).total_p_w(), 30e3, 30e3, 1e-9);
}

/// The example tells its story: correction is clearly worth it.
#[test]
fn the_example_is_a_plant_with_a_power_factor_to_correct() {
    let s = Setup::new(wattless::bench::Scenario::sawmill().unwrap());
    let span_s = s.feeder.span_ms() as f64 * 1e-3;
    let week = s.feeder.truth(0.0, span_s);
    let pf = week.average_pf().unwrap();
    assert!((0.72..=0.80).contains(&pf), "{pf}");
    let quarters = (span_s / 900.0) as i64;
    let peak_w = (0..quarters)
        .map(|q| s.feeder.truth(q as f64 * 900.0, (q + 1) as f64 * 900.0).total_p_w())
        .fold(0.0, f64::max);
    assert!((150e3..=250e3).contains(&peak_w), "{peak_w}");
    let weekend = s.feeder.truth(span_s - 86_400.0, span_s).total_p_w();
    assert!(weekend < 0.4 * peak_w && weekend > 20e3, "{weekend}");
}
