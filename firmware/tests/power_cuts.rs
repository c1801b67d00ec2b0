//! Power fails at any step, also during recovery: no confirmed record is lost or altered,
//! none is invented, energies never go back, settings are the old or the new ones.
//!
//! `WATTLESS_CUTS` sets the number of random cuts (default 20,000).

mod support;

use support::flash::{Damage, MockFlash};
use support::random::Random;
use support::settings;
use wattless_core::complex::Complex;
use wattless_core::flags::Flags;
use wattless_core::interval::{Energies, IntervalBuilder, IntervalSummary};
use wattless_core::power::{PhaseReading, Reading, TotalReading};
use wattless_core::record::{Page, Record};
use wattless_core::window::Nominal;
use wattless_core::wiring::Wiring;
use wattless_node::keeper::{Found, Keeper, Wall};
use wattless_node::ring::Slot;
use wattless_node::sampler::Finished;

/// Two sectors of settings and a ring of four: it wraps every 64 records.
const SECTORS: usize = 6;

/// The node's number, which its chain begins with.
const NODE: u64 = 7;

const DAMAGES: [Damage; 5] =
    [Damage::Random, Damage::Nothing, Damage::All, Damage::Prefix, Damage::Almost];

fn reading(p_w: f64) -> Reading {
    Reading {
        duration_s: 60.0,
        frequency_hz: Some(50.0),
        flags: Flags::NONE,
        phases: [PhaseReading { v_rms_v: 230.0, p_w, ..PhaseReading::default() }; 3],
        total: TotalReading {
            p_w: 3.0 * p_w,
            q1_var: p_w,
            s_effective_va: Some(4.0 * p_w),
            ..TotalReading::default()
        },
        v_line_v: [400.0; 3],
        i_neutral_a: 0.0,
        channels: [Complex::ZERO; 6],
        channel_rms: [0.0; 6],
        dc: [0.0; 6],
    }
}

fn summary(p_w: f64) -> IntervalSummary {
    let mut b = IntervalBuilder::new();
    b.add(&reading(p_w));
    b.summary().expect("one window")
}

/// A node's storing life between two cuts, checked against what it confirmed.
struct Story {
    /// What was confirmed and is not yet overwritten, by sequence number.
    confirmed: Vec<(u32, Record)>,
    /// What was being written when power failed, page by page.
    meant: Vec<(u32, Page)>,
    energies: Energies,
    records: u32,
}

impl Story {
    fn new() -> Self {
        Story {
            confirmed: Vec::new(),
            meant: Vec::new(),
            energies: Energies::default(),
            records: 0,
        }
    }

    /// Starts on a flash with power, which must always work, and checks all that it finds.
    fn start(&mut self, flash: MockFlash) -> Keeper<MockFlash> {
        let (mut keeper, found) = Keeper::open(flash, NODE).expect("the node always starts");
        self.check(&mut keeper, &found);
        keeper
    }

    fn check(&mut self, keeper: &mut Keeper<MockFlash>, found: &Found) {
        let bounds = keeper.bounds();
        let last = self.confirmed.last().map(|(seq, _)| *seq);
        assert!(last.is_none_or(|l| l < bounds.next), "a confirmed record is beyond the log");
        let mut held = Vec::new();
        for seq in bounds.oldest..bounds.next {
            if let Slot::Page(page) = keeper.read(seq).expect("flash has power") {
                held.push(Record::decode(&page).expect("sound"));
            }
        }
        // Every confirmed record above the oldest bound is there, unaltered.
        for (seq, record) in self.confirmed.iter().filter(|(seq, _)| *seq >= bounds.oldest) {
            let got = held.iter().find(|r| r.seq == *seq);
            assert_eq!(got, Some(record), "record {seq} of {bounds:?}");
        }
        // Whatever else is there was being written when power failed: it is what the node
        // meant to write, after the newest confirmed at that time.
        for r in held.iter().filter(|r| self.confirmed.iter().all(|(seq, _)| *seq != r.seq)) {
            assert!(self.meant.contains(&(r.seq, r.encode())), "invented: {r:?}");
        }
        // Energies go on from the newest record that could be read at the start, and never
        // back. A page with weak bits may have been readable then and not now, or now and
        // not then: it counts as long as it was meant.
        let confirmed = self.confirmed.last().map(|(_, r)| r.energy_counts).unwrap_or_default();
        let counts = found.energies.counts();
        let known = counts == confirmed
            || self.meant.iter().any(|(_, p)| Record::decode(p).unwrap().energy_counts == counts);
        assert!(known, "energies from nowhere: {counts:?}");
        assert!(counts.iter().zip(confirmed).all(|(n, c)| *n >= c), "energies went back");
        self.energies = found.energies;
        self.confirmed.retain(|(seq, _)| *seq >= bounds.oldest);
        self.meant.retain(|(seq, _)| *seq >= bounds.oldest);
    }

    /// Writes records until power fails or enough are written.
    fn run(&mut self, keeper: &mut Keeper<MockFlash>, records: u32) {
        for _ in 0..records {
            if keeper.tidy().is_err() {
                return;
            }
            let p_w = f64::from(self.records + 1);
            self.energies.add(&reading(p_w));
            self.records += 1;
            let finished = Finished {
                summary: summary(p_w),
                uptime_ms: 60_000,
                energies: self.energies,
                frames_lost: 0,
                wiring: Wiring::FourWire,
                nominal: Nominal::Hz50,
            };
            let (meant, page) = keeper.prepare(&finished, &Wall::default());
            let Ok(seq) = keeper.store(&finished, &Wall::default()) else {
                self.meant.push((meant.seq, page));
                return;
            };
            let Ok(Slot::Page(page)) = keeper.read(seq) else {
                panic!("record {seq} was confirmed and cannot be read");
            };
            self.confirmed.push((seq, Record::decode(&page).expect("sound")));
        }
    }
}

fn with_power(mut flash: MockFlash, fuel: Option<u64>, damage: Damage) -> MockFlash {
    flash.power_on(fuel);
    flash.damage = damage;
    flash
}

/// Every step of several turns of the ring, with each kind of damage, and a second cut in recovery.
#[test]
fn every_cut_position_over_several_wraps() {
    for damage in DAMAGES {
        for cut in 0..230 {
            for second in [0, 1, 2, 3, 9] {
                let mut story = Story::new();
                let flash = MockFlash::new(SECTORS, cut * 31 + second);
                let mut keeper = story.start(with_power(flash, Some(cut), damage));
                story.run(&mut keeper, 250);
                let flash = with_power(keeper.into_flash(), Some(second), damage);
                let mut keeper = story.start(flash);
                story.run(&mut keeper, 10);
                let flash = with_power(keeper.into_flash(), None, damage);
                let mut keeper = story.start(flash);
                story.run(&mut keeper, 70);
                let flash = with_power(keeper.into_flash(), None, damage);
                story.start(flash);
            }
        }
    }
}

/// Long lives with a cut after a random number of steps, again and again.
#[test]
fn random_cuts_in_a_row() {
    let cuts: u64 = std::env::var("WATTLESS_CUTS")
        .map_or(20_000, |s| s.parse().expect("WATTLESS_CUTS is a number of cuts"));
    let mut random = Random(1);
    let mut done = 0;
    let mut lives = 0;
    while done < cuts {
        let mut story = Story::new();
        let mut flash = MockFlash::new(SECTORS, random.next());
        for _ in 0..200 {
            let damage =
                [Damage::Random, Damage::Random, Damage::Nothing, Damage::All, Damage::Prefix]
                    [random.below(5) as usize];
            let fuel = if random.below(3) == 0 { random.below(4) } else { random.below(120) };
            let mut keeper = story.start(with_power(flash, Some(fuel), damage));
            story.run(&mut keeper, 130);
            flash = keeper.into_flash();
            done += u64::from(flash.is_off());
            flash.power_on(None);
        }
        story.start(with_power(flash, None, Damage::Random));
        lives += 1;
    }
    println!("{done} random cuts in {lives} lives: nothing lost, altered or invented");
}

/// Settings are the old or the new ones after a cut at any step, never a mixture or none.
#[test]
fn settings_survive_cuts() {
    for damage in DAMAGES {
        for fuel in 0..4 {
            for seed in 0..200 {
                let (mut keeper, _) = Keeper::open(MockFlash::new(SECTORS, seed), NODE).unwrap();
                keeper.keep_settings(&settings(30)).unwrap();
                keeper.keep_settings(&settings(60)).unwrap();
                let flash = with_power(keeper.into_flash(), Some(fuel), damage);
                let (mut keeper, _) = Keeper::open(flash, NODE).unwrap();
                let stored = keeper.keep_settings(&settings(300)).is_ok();
                let flash = with_power(keeper.into_flash(), None, damage);
                let (mut keeper, found) = Keeper::open(flash, NODE).unwrap();
                let now = found.settings.interval_s;
                assert!(now == 300 || (now == 60 && !stored), "{now} {stored} {damage:?}");
                // And they can be written again.
                keeper.keep_settings(&settings(900)).unwrap();
                let (_, found) = Keeper::open(keeper.into_flash(), NODE).unwrap();
                assert_eq!(found.settings.interval_s, 900);
            }
        }
    }
}
