//! Alarms on records that nobody would wish for: gaps, clocks that jump, garbage.

use wattless::bench::chance::Chance;
use wattless::site::Site;
use wattless::watch::alarm::{Alarms, Change, Kind};
use wattless_core::flags::Flags;
use wattless_core::record::{Page, Record};
use wattless_core::wiring::Wiring;
use wattless_tests::alarmed::{Watched, raised, site};
use wattless_tests::made_records::{Maker, V, balanced};

const HOUR: f64 = 3600.0;

const FULL: &str = "[watch.alarms]\nrated_a = 150\ndemand_limit_kw = 100\ndemand_limit_kva = 120\n\
                    units_kvar = [10, 20]\nswitched = true\n[working_hours]\nfrom_h = 6\nto_h = 18\n";

/// One record of garbage now and then in a plain week: nothing is raised by it, and what is to be
/// raised afterwards still is.
#[test]
fn a_bad_record_raises_nothing_and_poisons_nothing() {
    type Spoil = fn(&mut Record);
    let spoilers: [(&str, Spoil); 7] = [
        ("not a number", |r| {
            r.phases.iter_mut().for_each(|p| {
                (p.v_rms_v, p.i_rms_a, p.p_w) = (f32::NAN, f32::NAN, f32::NAN);
                (p.q1_var, p.s_va) = (f32::NAN, f32::NAN);
            });
            r.channels = [[f32::NAN; 2]; 6];
        }),
        ("zero", |r| {
            r.phases = Default::default();
            r.channels = [[0.0; 2]; 6];
        }),
        ("huge", |r| {
            r.phases.iter_mut().for_each(|p| {
                (p.i_rms_a, p.p_w, p.q1_var, p.s_va) = (1e9, 1e12, 1e12, 1e12);
            });
        }),
        ("infinite", |r| r.phases[0].p_w = f32::INFINITY),
        ("backwards", |r| r.phases.iter_mut().for_each(|p| p.p_w = -p.p_w)),
        ("no length", |r| r.duration_us = 0),
        ("limited", |r| {
            r.flags = Flags::OUT_OF_RANGE;
            r.phases[1].i_rms_a = 4e4;
        }),
    ];
    for seconds in [60.0, 900.0] {
        for (name, spoil) in spoilers {
            // A demand limit would hold: a wild record is a wild demand.
            let more = "[watch.alarms]\nrated_a = 150\nunits_kvar = [10, 20]\n";
            let mut w = Watched::new(seconds, more);
            w.settle(90.0, 20.0);
            for k in 0..400 {
                let mut record = w.maker.record();
                if k % 80 == 40 {
                    spoil(&mut record);
                }
                w.changes.extend(w.alarms.take(&record, w.maker.now_ms));
            }
            assert_eq!(w.changes, [], "{name}, {seconds} s");
            let changes = w.run(2.0 * HOUR, |m, _| {
                m.load(115.0, 20.0);
            });
            assert_eq!(raised(&changes), [(Kind::Overload, "")], "{name}, {seconds} s");
        }
    }
}

/// A clock that stood in another year and is set back goes on being watched.
#[test]
fn a_clock_that_is_set_back_or_ahead_stops_nothing() {
    for jump_s in [-5.0 * 365.0 * 86_400.0, -86_400.0, -600.0, 600.0, 4.0 * 365.0 * 86_400.0] {
        let mut w = Watched::new(60.0, "[watch.alarms]\nrated_a = 150\n");
        w.settle(90.0, 20.0);
        w.maker.pause(jump_s);
        let quiet = w.run(2.0 * HOUR, |m, _| {
            m.load(90.0, 20.0);
        });
        assert_eq!(quiet, [], "{jump_s} s");
        let changes = w.run(HOUR, |m, _| {
            m.load(112.0, 20.0);
        });
        assert_eq!(raised(&changes), [(Kind::Overload, "")], "{jump_s} s");
    }
}

/// Five minutes over the limit, a gap of ten hours, five minutes more: not ten in a row.
#[test]
fn a_gap_is_not_time_that_a_condition_held() {
    let mut w = Watched::new(60.0, "");
    for _ in 0..20 {
        let changes = w.run(420.0, |m, _| m.v = balanced(1.12 * V));
        assert_eq!(changes, []);
        w.maker.pause(10.0 * HOUR);
    }
}

/// Any pages at all, in any order of time: no panic, no word that is not a number, and everything
/// that is cleared was raised before.
#[test]
fn garbage_makes_no_panic_and_no_nonsense() {
    for seed in 0..60u64 {
        let mut c = Chance::new(seed, "garbage");
        let the_site = if seed.is_multiple_of(2) { site(FULL) } else { Site::default() };
        let mut alarms = Alarms::new(the_site.watch.alarms.clone(), &the_site);
        let mut maker = Maker::at("2026-06-01T00:00:00Z", 60.0);
        maker.load(80.0, 30.0);
        let mut stands = std::collections::BTreeSet::new();
        for _ in 0..800 {
            let mut record = maker.record();
            if c.unit() < 0.5 {
                let mut page: Page = record.encode();
                for _ in 0..1 + c.below(40) {
                    page[8 + c.below(240)] = c.below(256) as u8;
                }
                let crc = wattless_core::record::CRC.checksum(&page[..252]);
                page[252..].copy_from_slice(&crc.to_le_bytes());
                if let Ok(other) = Record::decode(&page) {
                    record = other;
                }
            }
            if c.unit() < 0.02 {
                maker.wiring = Wiring::ALL[c.below(Wiring::ALL.len())];
                maker.pause(c.between([-1e7, 1e7]));
                maker.seconds = [1.0, 60.0, 900.0][c.below(3)];
                maker.load(c.between([-100.0, 200.0]), c.between([-100.0, 100.0]));
            }
            for change in alarms.take(&record, maker.now_ms) {
                let a = change.alarm().clone();
                assert!(!a.evidence.contains("NaN"), "{a:?}");
                match change {
                    Change::Raised(_) => assert!(stands.insert((a.kind, a.part)), "twice"),
                    Change::Cleared(_) => assert!(stands.remove(&(a.kind, a.part)), "never raised"),
                }
            }
            assert_eq!(stands.len(), alarms.standing().len());
        }
    }
}
