//! The converter driver against a simulated part: start-up, exact samples, and every fault we know.
//! Sources of the part's behaviour: data sheets SBAS950B, SBAS949A, SBASAF2.

mod simulated_converter;

use simulated_converter::{
    Chip, Host, Options, Rng, Source, disturb, driver, every_option, host_ns, rig_of,
};
use wattless_node::converter::registers::{Address, GainFactor, Input, OffsetCounts};
use wattless_node::converter::*;

/// Words as 24-bit bytes.
fn words(list: &[u32]) -> Vec<u8> {
    list.iter().flat_map(|w| w.to_be_bytes()[1..].to_vec()).collect()
}

fn word(bytes: &[u8], n: usize) -> u32 {
    u32::from_be_bytes([0, bytes[3 * n], bytes[3 * n + 1], bytes[3 * n + 2]])
}

// ---- the part itself ---------------------------------------------------------------------------

#[test]
fn the_simulated_part_answers_as_the_sheet_says() {
    let rig = rig_of(Part::M08);
    rig.chip.borrow_mut().advance(10_000);
    let say = |first: u32| rig.exchange(&words(&[first, 0, 0, 0, 0, 0, 0, 0, 0, 0]));
    assert_eq!(word(&say(0xA00000), 0), 0xFF2800, "first word after power-up");
    assert_eq!(word(&say(0xA10000), 0) & 0xFF0000, 0x280000, "identity");
    assert_eq!(word(&say(0xA18000), 0), 0x051000, "mode");
    assert_eq!(word(&say(0xA08000), 0), 0xFF0E00, "clock");
    assert_eq!(word(&say(0), 0) & 0xFFFF00 & !0xFF00, 0x050000, "status");
    // A command that does not exist is answered by the status.
    say(0x123400);
    assert_eq!(word(&say(0), 0) >> 16, 0x05);
    // Five registers in one go: no samples in that frame, checksum right behind the last one.
    say(0xA10400);
    let many = rig.exchange(&words(&[0; 10]));
    let got: Vec<u32> = (0..6).map(|n| word(&many, n)).collect();
    assert_eq!(got, [0xE10400, 0x051000, 0xFF0E00, 0, 0, 0x060000]);
    assert_eq!(word(&many, 6) >> 8, u32::from(frames::checksum(CrcKind::Ccitt, &many[..18])));
    // Two registers written, one of them at an address where nothing is.
    rig.exchange(&words(&[0x638100, 0x123400, 0x567800, 0, 0, 0, 0, 0, 0, 0]));
    assert_eq!(word(&say(0), 0), 0x438100);
    let chip = rig.chip.borrow();
    assert_eq!((chip.register(7), chip.register(8)), (0x1234, 0x5608));
}

#[test]
fn reset_needs_a_whole_frame() {
    let rig = rig_of(Part::M08);
    rig.chip.borrow_mut().advance(10_000);
    let reset: [u8; 30] = command_frame(Command::Reset, CrcKind::Ccitt);
    let null: [u8; 30] = command_frame(Command::Null, CrcKind::Ccitt);
    rig.exchange(&reset[..24]);
    assert_eq!(word(&rig.exchange(&null), 0), 0x001100);
    rig.exchange(&reset);
    rig.chip.borrow_mut().advance(100);
    assert_eq!(word(&rig.exchange(&null), 0), 0xFF2800);
}

/// Model values computed apart from this code for the default registers, seed FFFFh.
#[test]
fn register_checksum_of_the_defaults() {
    for (mode, want) in [(0x2110, 0x622A), (0x2510, 0x5DAC)] {
        let rig = rig_of(Part::M08);
        rig.chip.borrow_mut().advance(10_000);
        let f: [u8; 30] = command_frame(Command::Write(Address::MODE, mode), CrcKind::Ccitt);
        rig.exchange(&f);
        rig.chip.borrow_mut().advance(2000);
        let read: [u8; 30] = command_frame(Command::Read(Address::MAP_CRC), CrcKind::Ccitt);
        rig.exchange(&read);
        assert_eq!(word(&rig.exchange(&read), 0) >> 8, want);
    }
}

/// Table 8-8 of SBAS950B: first result 1324, third 3372 modulator clocks after a reset.
#[test]
fn first_results_after_a_reset() {
    let rig = rig_of(Part::M08);
    let mut chip = rig.chip.borrow_mut();
    chip.reset();
    let start = chip.now;
    let falls: Vec<u64> =
        (0..2).map(|_| (chip.wait_for_edge(9000).expect("data") - start) / 2).collect();
    assert_eq!(falls, [1324, 2348]);
}

/// Table 9-1 of SBAS950B: never read, data ready falls for every second sample only.
#[test]
fn unread_samples_halve_data_ready() {
    let rig = rig_of(Part::M08);
    let mut chip = rig.chip.borrow_mut();
    chip.advance(2 * 1024 * 40 + 2648 + 2048);
    let mut falls = 0;
    while chip.take_edge().is_some() {
        falls += 1;
    }
    assert!((20..=22).contains(&falls), "{falls}");
}

// ---- start-up ----------------------------------------------------------------------------------

fn fancy(part: Part, crc: CrcKind) -> Setup {
    let mut s = Setup { crc, ..Setup::eight_ksps(part) };
    s.channels[1].gain = Gain::X4;
    s.channels[4].gain = Gain::X32;
    s.channels[0].phase_clocks = -100;
    s.channels[5].phase_clocks = 27;
    s.channels[2].input = Input::Shorted;
    s.channels[3].offset = OffsetCounts::new(-12_345).expect("in range");
    s.channels[3].factor = GainFactor::new(0x7F_1234).expect("in range");
    s
}

#[test]
fn every_register_is_as_asked_after_a_start() {
    for part in [Part::M06, Part::M08] {
        for crc in [CrcKind::Ccitt, CrcKind::Ansi] {
            for with_reset in [true, false] {
                let rig = rig_of(part);
                let setup = fancy(part, crc);
                let found = driver(&rig, setup, with_reset).start().expect("starts");
                assert_eq!((found.part, found.revision), (part, 3));
                let chip = rig.chip.borrow();
                assert_eq!(found.map_crc, chip.map_crc());
                let reg = |n| chip.register(n);
                assert_eq!(reg(2), if crc == CrcKind::Ansi { 0x3910 } else { 0x3110 });
                assert_eq!(reg(3), 0x3F0A);
                assert_eq!((reg(4), reg(5), reg(6)), (0x0020, 0x0005, 0x0600));
                assert_eq!((reg(0x09), reg(0x22)), (0xE700, 27 << 6));
                assert_eq!(reg(0x13), 1);
                assert_eq!(
                    [reg(0x19), reg(0x1A), reg(0x1B), reg(0x1C)],
                    [0xFFCF, 0xC700, 0x7F12, 0x3400]
                );
            }
        }
    }
}

#[test]
fn a_start_succeeds_from_any_state() {
    // Mode register before: word lengths, polynomials, input checksum, pulse format.
    for mode in [0x0410, 0x0510, 0x0610, 0x0710, 0x1510, 0x1D10, 0x1410, 0x1E10, 0x3F13] {
        for locked in [false, true] {
            let rig = rig_of(Part::M08);
            rig.chip.borrow_mut().advance(10_000);
            let send = |command| {
                let f: [u8; 30] = command_frame(command, CrcKind::Ccitt);
                rig.exchange(&f);
            };
            // A locked part with other words needs its reset line.
            let plain = mode & 0x0300 == 0x0100;
            if locked && plain && mode & 0x1000 == 0 {
                send(Command::Write(Address::MODE, mode));
                send(Command::Lock);
            } else {
                send(Command::Write(Address::MODE, mode));
            }
            assert!(
                driver(&rig, fancy(Part::M08, CrcKind::Ccitt), false).start().is_ok(),
                "{mode:04X}"
            );
            assert!(driver(&rig, fancy(Part::M08, CrcKind::Ansi), true).start().is_ok());
        }
    }
}

#[test]
fn what_is_wrong_at_the_start_is_said() {
    let setup = Setup::eight_ksps(Part::M08);
    let e = driver(&rig_of(Part::M06), setup, true).start().expect_err("six channels");
    assert!(matches!(e, StartError::WrongPart { wanted: Part::M08, id: 0x2603 }), "{e:?}");
    assert!(e.to_string().contains("check which part is fitted"));
    let e = driver(&rig_of(Part::M08), Setup::eight_ksps(Part::M06), true).start();
    assert!(matches!(e, Err(StartError::WrongPart { id: 0x2803, .. })));

    let rig = rig_of(Part::M08);
    rig.chip.borrow_mut().set_reset_line(false);
    let e = driver(&rig, setup, false).start();
    assert_eq!(e, Err(StartError::NoReply), "held in reset");

    let rig = rig_of(Part::M08);
    rig.chip.borrow_mut().set_clock_running(false);
    assert_eq!(driver(&rig, setup, true).start(), Err(StartError::NoData), "no crystal");

    let rig = rig_of(Part::M08);
    rig.faults.borrow_mut().port_fails = true;
    assert!(matches!(driver(&rig, setup, true).start(), Err(StartError::Spi(_))));

    let mut bad = setup;
    bad.channels[0].phase_clocks = 300;
    assert!(matches!(driver(&rig, bad, true).start(), Err(StartError::Setup(_))));
}

#[test]
fn a_disturbed_start_never_leaves_wrong_registers_unseen() {
    let mut rng = Rng(7);
    let mut failed = 0;
    for round in 0..1500 {
        let rig = rig_of(Part::M08);
        let setup = fancy(Part::M08, CrcKind::Ansi);
        {
            let mut faults = rig.faults.borrow_mut();
            faults.after = rng.below(230) as usize;
            match rng.below(4) {
                0 => faults.flip_input = rng.bits(3),
                1 => faults.flip_output = rng.bits(3),
                2 => faults.drop_clock = rng.bits(1),
                _ => faults.reset_at = Some(rng.below(240) as usize),
            }
        }
        match driver(&rig, setup, round % 2 == 0).start() {
            Err(_) => failed += 1,
            Ok(_) => {
                let chip = rig.chip.borrow();
                assert_eq!([chip.register(2), chip.register(3)], [0x3910, 0x3F0A], "{round}");
                for (a, v) in setup.registers() {
                    assert_eq!(chip.register(a.number().into()), v, "{round} {a}");
                }
            }
        }
    }
    assert!((500..1500).contains(&failed), "{failed} of 1500 starts noticed the disturbance");
}

// ---- the stream --------------------------------------------------------------------------------

#[test]
fn undisturbed_nothing_is_lost() {
    for part in [Part::M06, Part::M08] {
        for osr in [Osr::X256, Osr::X512, Osr::X1024, Osr::X4096] {
            let setup = Setup { osr, ..Setup::eight_ksps(part) };
            for ppm in [-100, 0, 100] {
                let mut host = Host::start(setup, Options::default());
                host.ppm = ppm;
                host.run(1500);
                assert!(host.frames >= 1485, "{part:?} {osr:?}: {} frames", host.frames);
                assert_eq!((host.lost, host.reasons.len()), (0, 0));
            }
        }
    }
}

#[test]
fn eight_channels_in_one_frame() {
    let mut setup = Setup::eight_ksps(Part::M08);
    setup.channels[6] = ChannelSetup::on(Gain::X1);
    setup.channels[7] = ChannelSetup::on(Gain::X2);
    let mut host = Host::start(setup, Options::default());
    host.run(100);
    assert!(host.frames > 90 && host.lost == 0);
}

#[test]
fn missed_edges_are_counted_exactly() {
    for options in every_option() {
        for missed in [1, 2, 3, 5, 17] {
            let mut host = Host::start(Setup::eight_ksps(Part::M08), options);
            host.run(40);
            assert_eq!(host.lost, 0);
            host.advance(missed * host.period);
            host.run(40);
            // One period later is in time. After that the samples at hand may be stale, and with a
            // full store there are edges for every second sample only.
            let want = if missed == 1 { 0..=0 } else { missed..=missed + 1 };
            assert!(want.contains(&host.lost), "{missed}: {}", host.lost);
            assert_eq!(host.reasons, []);
        }
    }
}

#[test]
fn edges_without_a_sample_cost_nothing() {
    for options in every_option() {
        let mut host = Host::start(Setup::eight_ksps(Part::M08), options);
        host.run(40);
        for after in [50, 300, 500, 700] {
            host.step(5);
            host.advance(after);
            host.serve(host.rig.now());
        }
        host.run(10);
        // A read that reaches into the next sample hides its edge: the last of the four does.
        assert!(host.lost <= 2 && host.reasons.is_empty(), "{} {:?}", host.lost, host.reasons);
        assert!(host.frames >= 45, "{}", host.frames);
    }
}

#[test]
fn an_edge_from_within_a_read_places_no_sample() {
    let setup = Setup::eight_ksps(Part::M08);
    let rig = rig_of(setup.part);
    let mut converter = driver(&rig, setup, true);
    converter.start().expect("starts");
    let (.., Some(mut monitor)) = converter.into_parts() else { panic!("started") };
    let mut taken = |edge_us: u64, done_us: u64| {
        let sent = monitor.frame_to_send();
        rig.chip.borrow_mut().wait_for_edge(10_000);
        let came = rig.exchange(&sent[..30]);
        monitor.take(&came, edge_us * 1000, done_us * 1000, false).events.len()
    };
    let mut last = 0;
    for n in 1..20 {
        last = taken(n * 125, n * 125 + 40);
    }
    assert_eq!(last, 1, "in step");
    assert_eq!(taken(2500, 2590), 1, "late but certain");
    assert_eq!(taken(2588, 2660), 0, "an edge from before the end of the last read");
}

#[test]
fn damaged_frames_cost_only_the_frames_until_trust_is_back() {
    for options in every_option() {
        let mut host = Host::start(Setup::eight_ksps(Part::M06), options);
        host.run(40);
        host.rig.faults.borrow_mut().flip_output = vec![100];
        host.run(40);
        assert_eq!(
            (host.lost, host.reasons.len()),
            (6, 0),
            "itself, three to settle, two to confirm"
        );
        host.rig.faults.borrow_mut().flip_input = vec![3];
        host.run(40);
        // The frame that went with a damaged command is itself whole.
        assert_eq!((host.lost, host.reasons.len()), (11, 0));
    }
}

#[test]
fn each_serious_fault_is_named() {
    let after = |fault: &dyn Fn(&mut Host)| {
        let mut host = Host::start(Setup::eight_ksps(Part::M08), Options::default());
        host.run(40);
        fault(&mut host);
        host.run(60);
        assert!(host.frames > 60, "goes on: {}", host.frames);
        host.reasons
    };
    let chip = |f: &'static dyn Fn(&mut Chip)| {
        after(&|host: &mut Host| f(&mut host.rig.chip.borrow_mut()))
    };
    assert_eq!(chip(&|c| c.reset()), [Reason::Reset]);
    assert_eq!(chip(&|c| c.corrupt(4, 0x0001)), [Reason::RegistersChanged]);
    assert_eq!(chip(&|c| c.lock()), [Reason::Locked]);
    assert_eq!(chip(&|c| c.set_clock_running(false)), [Reason::Silent]);
    let glitch = |host: &mut Host| {
        host.rig.chip.borrow_mut().set_reset_line(false);
        host.advance(700);
        host.rig.chip.borrow_mut().set_reset_line(true);
    };
    assert_eq!(after(&glitch), [Reason::Resynced]);
    let damaged = |host: &mut Host| {
        for _ in 0..20 {
            host.rig.faults.borrow_mut().flip_output = vec![7];
            host.step(5);
        }
    };
    assert!(after(&damaged).contains(&Reason::Damaged));
}

#[test]
fn a_damaged_command_that_writes_is_noticed_before_its_samples_are_taken() {
    // Flips that turn "nothing" into a write of the gain register: words 6200h and 0007h.
    let mut host = Host::start(Setup::eight_ksps(Part::M08), Options::default());
    host.run(40);
    let frames = host.frames;
    host.rig.faults.borrow_mut().flip_input = vec![1, 2, 6, 24 + 13, 24 + 14, 24 + 15];
    host.step(5);
    assert_ne!(host.rig.chip.borrow().register(4), 0, "the write went through");
    host.step(5);
    assert_eq!(host.frames, frames + 1, "only the frame before the write");
    host.run(40);
    assert_eq!(host.reasons, [Reason::RegistersChanged]);
}

#[test]
fn every_other_way_to_lose_the_words_is_named() {
    let after = |flip: u16, address: usize| {
        let mut host = Host::start(Setup::eight_ksps(Part::M08), Options::default());
        host.run(40);
        host.rig.chip.borrow_mut().corrupt(address, flip);
        host.run(60);
        assert!(host.frames > 60);
        host.reasons
    };
    // Other word lengths garble every frame; another polynomial makes every checksum wrong.
    for flip in [0x0100, 0x0200, 0x0300] {
        assert_eq!(after(flip, 2).last(), Some(&Reason::Damaged), "{flip:04X}");
    }
    assert_eq!(after(0x0800, 2), [Reason::Damaged]);
    // A channel that went off, another ratio, another phase.
    for (address, flip) in [(3, 0x0100), (3, 0x0004), (9, 0x0040)] {
        assert_eq!(after(flip, address), [Reason::RegistersChanged], "{address} {flip:04X}");
    }
}

fn soak(setup: Setup, seed: u64, steps: usize) -> (u64, u64, usize) {
    let (mut frames, mut lost, mut restarts) = (0, 0, 0);
    for (n, options) in (0u64..).zip(every_option()) {
        let mut rng = Rng(seed + n);
        let mut host = Host::start(setup, options);
        host.ppm = rng.below(201) as i64 - 100;
        for _ in 0..steps {
            if rng.below(25) == 0 {
                disturb(&mut host, &mut rng);
            }
            let latency =
                if rng.below(10) == 0 { rng.below(host.period * 4 / 5) } else { rng.below(40) };
            host.step(latency);
        }
        frames += host.frames;
        lost += host.lost;
        restarts += host.reasons.len();
    }
    (frames, lost, restarts)
}

#[test]
fn no_fault_ever_gives_a_wrong_sample_or_a_wrong_count() {
    let (mut frames, mut lost, mut restarts) = (0, 0, 0);
    for (seed, part, crc) in [(1, Part::M08, CrcKind::Ccitt), (1_000, Part::M06, CrcKind::Ansi)] {
        let setup = Setup { crc, ..Setup::eight_ksps(part) };
        let done = soak(setup, seed, 1700);
        frames += done.0;
        lost += done.1;
        restarts += done.2;
    }
    println!("{frames} frames, {lost} lost, {restarts} restarts");
    assert!(frames > 100_000 && lost > 1000 && restarts > 1000, "{frames} {lost} {restarts}");
}

#[test]
fn channels_stay_together_when_their_phases_differ() {
    let mut setup = Setup::eight_ksps(Part::M08);
    for (c, phase) in setup.channels.iter_mut().zip([-128, 128, 0, -100, 64, 127]) {
        c.phase_clocks = phase;
    }
    let (frames, ..) = soak(setup, 77, 800);
    assert!(frames > 20_000, "{frames}");
}

// ---- what the samples mean ---------------------------------------------------------------------

/// Reads some frames with volts at the pins.
fn read_volts(setup: Setup, volts: impl Fn(usize, f64) -> f64 + 'static) -> Vec<ConverterFrame> {
    let rig = rig_of(setup.part);
    rig.chip.borrow_mut().source = Source::Volts(Box::new(volts));
    let mut driver = driver(&rig, setup, true);
    driver.start().expect("starts");
    let mut frames = Vec::new();
    while frames.len() < 200 {
        let edge = rig.chip.borrow_mut().wait_for_edge(100_000).expect("data");
        for event in driver.service(host_ns(edge, 0), || host_ns(rig.now(), 0)).expect("works") {
            match event {
                Event::Frame(f) => frames.push(f),
                other => panic!("{other:?}"),
            }
        }
    }
    frames
}

#[test]
fn counts_are_volts_at_every_gain() {
    for gain in Gain::ALL {
        let mut setup = Setup::eight_ksps(Part::M08);
        setup.channels[2].gain = gain;
        setup.channels[5].gain = gain;
        let volts = 0.5 / f64::from(gain.factor());
        let f = read_volts(setup, move |c, _| if c == 5 { -volts } else { volts })[0];
        let read = |c: usize| f64::from(f.counts[c]) * setup.volts_per_count(c);
        let step = setup.volts_per_count(2);
        assert!((read(2) - volts).abs() <= step && (read(5) + volts).abs() <= step, "{gain:?}");
    }
}

/// Limits of the output code: SBAS950B section 8.5.1.9; test signal: section 8.3.9.
#[test]
fn the_ends_of_the_range_and_the_test_signal() {
    let mut setup = Setup::eight_ksps(Part::M08);
    setup.channels[2].input = Input::Shorted;
    setup.channels[3].input = Input::TestPositive;
    setup.channels[4].input = Input::TestNegative;
    setup.channels[4].gain = Gain::X8;
    let f = read_volts(setup, |c, _| if c == 0 { 1.3 } else { -1.3 })[0];
    assert_eq!(f.counts[..6], [0x7F_FFFF, -0x80_0000, 0, 1_118_481, -1_118_481, -0x80_0000]);
    let at_pins = f64::from(f.counts[3]) * setup.volts_per_count(3);
    assert!((at_pins - 0.16).abs() < 1e-6);
}

/// (raw − offset) · factor, offset first: SBAS950B section 8.3.11.
#[test]
fn the_part_corrects_offset_then_gain() {
    let mut setup = Setup::eight_ksps(Part::M08);
    let count = |c: usize| [1_000_000.0, -1_000_000.0, 8_000_000.0, 0.0, 7.0, -3.0][c];
    let correct = |c: &mut ChannelSetup, offset, steps| {
        c.offset = OffsetCounts::new(offset).expect("in range");
        c.factor = GainFactor::new(steps).expect("in range");
    };
    correct(&mut setup.channels[0], 1000, 0x40_0000);
    correct(&mut setup.channels[1], -1000, 0xC0_0000);
    correct(&mut setup.channels[2], -1_000_000, 0x80_0000);
    correct(&mut setup.channels[3], 8_388_607, 0xFF_FFFF);
    let f = read_volts(setup, move |c, _| count(c.min(5)) * 1.2 / 8_388_608.0)[0];
    assert_eq!(f.counts[..6], [499_500, -1_498_500, 0x7F_FFFF, -0x80_0000, 7, -3]);
}

#[test]
fn a_phase_setting_brings_a_late_channel_back() {
    // Channel 1 sees channel 0's wave 20 µs late, channel 2 30 µs early.
    let late_ns = [0, 20_000, -30_000];
    let wave = move |c: usize, s: f64| {
        let late = late_ns.get(c).copied().unwrap_or(0);
        libm::sin(core::f64::consts::TAU * 50.0 * (s - f64::from(late) * 1e-9))
    };
    let mut setup = Setup::eight_ksps(Part::M08);
    let mut rest_ns = [0; 3];
    for c in 0..3 {
        let split = setup.phase(late_ns[c]);
        setup.channels[c].phase_clocks = split.clocks;
        rest_ns[c] = split.remainder_ns;
    }
    for f in read_volts(setup, wave) {
        for c in [1, 2] {
            // What is left is less than half a clock: 122 ns of a wave of 314 V/s slope.
            let apart = f64::from(f.counts[c] - f.counts[0]) * setup.volts_per_count(0);
            assert!(apart.abs() < 314.2 * (f64::from(rest_ns[c].abs()) * 1e-9 + 2e-9));
        }
    }
    assert!(rest_ns.iter().all(|r| r.abs() <= 122));
}

/// Phases beyond the range are cut by the part (Table 8-5 of SBAS950B), so a setup must refuse them.
#[test]
fn the_part_cuts_phases_that_a_setup_refuses() {
    let ramp = |_: usize, s: f64| s * 0.5;
    let mut setup = Setup::eight_ksps(Part::M08);
    setup.channels[1].phase_clocks = 255;
    let f = read_volts(setup, ramp)[0];
    let apart_s = f64::from(f.counts[1] - f.counts[0]) * setup.volts_per_count(0) / 0.5;
    assert!((apart_s - 255.0 / 4.096e6).abs() < 1e-6, "{apart_s}");
    setup.channels[1].phase_clocks = 256;
    assert!(setup.check().is_err());
}

// ---- by DMA ------------------------------------------------------------------------------------

#[test]
fn a_board_with_dma_gets_the_same_stream() {
    let setup = Setup::eight_ksps(Part::M06);
    let rig = rig_of(setup.part);
    let mut converter = driver(&rig, setup, true);
    converter.start().expect("starts");
    let (.., Some(mut monitor)) = converter.into_parts() else { panic!("started") };
    let mut host = Host::start(setup, Options::default());
    let mut frames = 0;
    for _ in 0..300 {
        let edge = rig.chip.borrow_mut().wait_for_edge(10_000).expect("data");
        loop {
            let sent = monitor.frame_to_send();
            let came = rig.exchange(&sent[..monitor.frame_bytes()]);
            rig.chip.borrow_mut().advance(9);
            let low = rig.chip.borrow().ready_is_low();
            let taken = monitor.take(&came, host_ns(edge, 0), host_ns(rig.now(), 0), low);
            for event in &taken.events {
                let Event::Frame(f) = event else { panic!("{event:?}") };
                assert!(rig.chip.borrow().truth_of(&f.counts).is_some_and(|t| t.settled));
                frames += 1;
            }
            if !taken.read_again {
                break;
            }
        }
    }
    host.run(300);
    assert_eq!(frames, host.frames);
    assert!(frames > 290 && !monitor.is_halted());
}
