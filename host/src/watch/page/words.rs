//! The words and numbers of the page: made once here, for the first drawing and every update.

use crate::present::locale::Locale;
use crate::present::number::span;
use crate::watch::alarm::{Alarm, Kind};
use crate::watch::config::WatchTerms;
use crate::watch::running::Running;
use crate::watch::state::{Link, StationState};
use wattless_core::flags::Flags;
use wattless_core::wire::{Live, LivePhase};

/// A dash where a value does not exist.
pub const NONE: &str = "\u{2013}";

/// One value of the page: the name of its place and its words.
pub type Word = (String, String);

/// How a node is, in one glance.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Glance {
    /// Readings come in and no alarm stands.
    Well,
    /// It cannot be told yet.
    Unknown,
    /// An alarm stands, or the node is silent.
    Bad,
}

impl Glance {
    /// Of a node; readings that are too old tell nothing.
    pub fn of(s: &StationState, t: &WatchTerms, now_ms: i64) -> Glance {
        match (&s.link, s.standing.is_empty(), &s.live) {
            (Link::Down(_) | Link::OtherNode(_), _, _) | (_, false, _) => Glance::Bad,
            (Link::Up, true, Some(_)) if is_fresh(s, t, now_ms) => Glance::Well,
            _ => Glance::Unknown,
        }
    }

    /// The class that style sheet and script know.
    pub const fn class(self) -> &'static str {
        match self {
            Glance::Well => "well",
            Glance::Unknown => "unknown",
            Glance::Bad => "bad",
        }
    }

    /// A sign that needs no colour.
    pub const fn sign(self) -> &'static str {
        match self {
            Glance::Well => "\u{2713}",
            Glance::Unknown => "\u{2026}",
            Glance::Bad => "!",
        }
    }
}

/// Whether the newest reading is of now: not older than three readings, and ten seconds.
fn is_fresh(s: &StationState, t: &WatchTerms, now_ms: i64) -> bool {
    let longest_ms = (3000.0 * t.live_every_s).max(10_000.0);
    s.heard_ms.is_some_and(|ms| ((now_ms - ms) as f64) < longest_ms)
}

/// How soon somebody has to act on an alarm; the lowest comes first.
pub const fn urgency(kind: Kind) -> u8 {
    match kind {
        // People, motors and capacitors can come to harm.
        Kind::PhaseLost
        | Kind::NeutralLost
        | Kind::Overload
        | Kind::VoltageHigh
        | Kind::Resonance => 0,
        // An interval does not wait.
        Kind::DemandLimit => 1,
        // The node itself: it still measures, or the other alarms say what is missing.
        Kind::Clock | Kind::Gap | Kind::StoreFull | Kind::OutOfHours => 3,
        _ => 2,
    }
}

/// The alarms that stand, the most urgent first, then the newest.
pub fn ordered(s: &StationState) -> Vec<&Alarm> {
    let mut all: Vec<&Alarm> = s.standing.iter().collect();
    all.sort_by_key(|a| (urgency(a.kind), std::cmp::Reverse(a.raised_ms)));
    all
}

/// What is wrong with a node, in a few words; none when nothing is.
fn reason(s: &StationState) -> Option<String> {
    match (ordered(s).first(), &s.link) {
        (Some(a), _) => Some(titled(a)),
        (None, Link::Down(_)) => Some("no answer from the node".to_owned()),
        (None, Link::OtherNode(_)) => Some("another node answers".to_owned()),
        (None, _) => None,
    }
}

/// The sentence at the top.
pub fn headline(stations: &[StationState], t: &WatchTerms, now_ms: i64) -> String {
    let waiting = stations.iter().any(|s| Glance::of(s, t, now_ms) == Glance::Unknown);
    let mut wrong = Vec::new();
    for s in stations {
        let more = s.standing.len().max(1) - 1;
        if let Some(reason) = reason(s) {
            let least = ordered(s).first().map_or(0, |a| urgency(a.kind));
            wrong.push((least, name(s), reason, more));
        }
    }
    wrong.sort_by_key(|w| w.0);
    let Some((_, who, reason, more)) = wrong.first() else {
        return match (waiting, stations.iter().all(|s| s.heard_ms.is_none())) {
            (false, _) => "All is well".to_owned(),
            (true, true) => "Waiting for the first readings".to_owned(),
            (true, false) => "Waiting for fresh readings".to_owned(),
        };
    };
    let others = wrong.len() - 1;
    let mut text = if stations.len() > 1 { format!("{who}: {reason}") } else { capital(reason) };
    if *more > 0 {
        text += &format!(", and {more} more");
    }
    match others {
        0 => text,
        1 => text + "; something at 1 other node",
        n => text + &format!("; something at {n} other nodes"),
    }
}

fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |c| c.to_uppercase().chain(chars).collect())
}

/// How one node is, in a few words.
pub fn state(s: &StationState, t: &WatchTerms, now_ms: i64) -> String {
    let more = s.standing.len().max(1) - 1;
    match (reason(s), Glance::of(s, t, now_ms)) {
        (Some(reason), _) if more > 0 => format!("{}, and {more} more", capital(&reason)),
        (Some(reason), _) => capital(&reason),
        (None, Glance::Well) => "Well".to_owned(),
        (None, _) => "Waiting for readings".to_owned(),
    }
}

/// An alarm's title with its part.
pub fn titled(a: &Alarm) -> String {
    match a.part.as_str() {
        "" => a.kind.title().to_owned(),
        part => format!("{} ({part})", a.kind.title()),
    }
}

/// What a node is called.
pub fn name(s: &StationState) -> String {
    match (s.feeder.as_str(), s.node_id.as_str()) {
        ("", "") => s.address.clone(),
        ("", id) => format!("Node {id}"),
        (feeder, _) => feeder.to_owned(),
    }
}

/// A length of time in words.
pub fn ago(ms: i64) -> String {
    let s = ms.max(0) / 1000;
    match s {
        0..=90 => format!("{s} s ago"),
        91..=5400 => format!("{} min ago", s / 60),
        5401..=172_800 => format!("{} h ago", s / 3600),
        _ => format!("{} days ago", s / 86_400),
    }
}

fn kilo(l: &Locale, x: f64) -> String {
    l.four_digits(x / 1e3)
}

/// A power factor with its side; a dash without load.
fn power_factor(l: &Locale, p_w: f64, s_va: f64, q1_var: f64, loaded: bool) -> String {
    if !loaded || s_va <= 0.0 {
        return NONE.to_owned();
    }
    let side = if q1_var < 0.0 { "leading" } else { "lagging" };
    format!("{} {side}", l.number((p_w / s_va).clamp(-1.0, 1.0), 2))
}

/// Totals of a live reading: W, var, VA (arithmetic).
pub fn totals(live: &Live) -> (f64, f64, f64) {
    let there = live.phases.iter().take(live.wiring.phases());
    let sum = |f: fn(&LivePhase) -> f32| there.clone().map(|p| f64::from(f(p))).sum();
    (sum(|p| p.p_w), sum(|p| p.q1_var), sum(|p| p.s_va))
}

/// What flags mean, in sentences joined by semicolons.
pub fn remarks(flags: u32) -> String {
    let set = Flags::ALL.iter().filter(|f| Flags(flags).contains(f.0));
    let all: Vec<_> = set.map(|f| f.2).collect();
    if all.is_empty() { "none".to_owned() } else { all.join("; ") }
}

/// Limit of the demand and its unit, kW before kVA.
pub fn demand_limit(t: &WatchTerms) -> Option<(f64, &'static str)> {
    let kw = t.alarms.demand_limit_kw.map(|kw| (kw, "kW"));
    kw.or(t.alarms.demand_limit_kva.map(|kva| (kva, "kVA")))
}

/// All values of a node; `k` is its place, `clock` writes the time of day of an instant.
pub fn station(
    k: usize,
    s: &StationState,
    t: &WatchTerms,
    l: &Locale,
    now_ms: i64,
    clock: &dyn Fn(i64) -> String,
) -> Vec<Word> {
    let mut words = Vec::with_capacity(64);
    let mut put = |id: &str, text: String| words.push((format!("n{k}-{id}"), text));
    put("name", name(s));
    put("sign", Glance::of(s, t, now_ms).sign().to_owned());
    put("state", state(s, t, now_ms));
    put("link", link(s, now_ms, l));
    let none = || NONE.to_owned();
    match &s.live {
        Some(live) => {
            let (p, q, va) = totals(live);
            let loaded = live.phases.iter().any(|p| p.loaded);
            put("p", kilo(l, p));
            put("q", kilo(l, q));
            put("s", kilo(l, va));
            put("pf", power_factor(l, p, va, q, loaded));
            put("f", live.frequency_hz.map_or_else(none, |f| l.number(f64::from(f), 3)));
            put("flags", remarks(live.flags));
        }
        None => ["p", "q", "s", "pf", "f", "flags"].iter().for_each(|id| put(id, none())),
    }
    for phase in 0..3 {
        for (id, text) in ["v", "i", "p", "q", "pf"].iter().zip(of_phase(s, phase, l)) {
            put(&format!("{}{id}", phase + 1), text);
        }
        let ratio = |x: Option<f32>| {
            let x = x.map(f64::from).filter(|x| x.is_finite());
            x.map_or_else(none, |x| l.number(x * 100.0, 1))
        };
        let h = s.newest.as_ref().map(|r| r.harmonics);
        put(&format!("{}vd", phase + 1), ratio(h.map(|h| h.v_thd[phase])));
        put(&format!("{}id", phase + 1), ratio(h.map(|h| h.i_thd[phase])));
    }
    put("thd-of", s.newest_record_ms.map_or_else(none, clock));
    // Without readings, the interval of the last one may long be over.
    let running = s.running.filter(|_| s.live.is_some());
    put("interval", running.map_or_else(none, |r| interval(&r, clock)));
    put("demand", running.map_or_else(|| "Not known now".to_owned(), |r| demand(&r, t, l)));
    put("heading", running.and_then(|r| heading(&r, t, l)).unwrap_or_else(none));
    put("newest", s.newest_record_ms.map_or_else(none, |ms| ago(now_ms - ms)));
    put("pulled", s.pulled_ms.map_or_else(none, |ms| ago(now_ms - ms)));
    put(
        "clock",
        s.clock_offset_ms.map_or_else(
            || "not set".to_owned(),
            |ms| format!("{} s against this computer", l.number(ms as f64 / 1e3, 1)),
        ),
    );
    let c = &s.counters;
    let stored = format!("{} stored since the watch began", l.number(c.records as f64, 0));
    put("records", format!("{stored}, {} lost", l.number(c.lost_records as f64, 0)));
    put("runs", s.status.as_ref().map_or_else(none, |st| runs(st.uptime_ms, st.boot)));
    put("held", s.status.as_ref().map_or_else(none, |st| held(s, st.log.capacity, st.log.next)));
    put(
        "faults",
        s.status.as_ref().map_or_else(none, |st| {
            format!(
                "{} samples lost, {} records not written since its start",
                l.number(st.frames_lost as f64, 0),
                l.number(f64::from(st.write_failures), 0)
            )
        }),
    );
    words
}

/// V, A, kW, kvar, PF of a phase.
fn of_phase(s: &StationState, phase: usize, l: &Locale) -> [String; 5] {
    let live = s.live.as_ref().filter(|live| phase < live.wiring.phases());
    match live.and_then(|live| live.phases.get(phase)) {
        Some(p) => {
            let (w, var, va) = (f64::from(p.p_w), f64::from(p.q1_var), f64::from(p.s_va));
            [
                l.number(f64::from(p.v_rms_v), 1),
                l.four_digits(f64::from(p.i_rms_a)),
                kilo(l, w),
                kilo(l, var),
                power_factor(l, w, va, var, p.loaded),
            ]
        }
        None => std::array::from_fn(|_| NONE.to_owned()),
    }
}

/// Places that a node's wiring has no use for.
pub fn absent(k: usize, s: &StationState) -> Vec<String> {
    let phases = match (&s.live, &s.newest) {
        (Some(live), _) => live.wiring.phases(),
        (None, Some(record)) => record.wiring.phases(),
        (None, None) => 3,
    };
    let rows = (phases + 1..=3).flat_map(|n| [format!("n{k}-row{n}"), format!("n{k}-thd{n}")]);
    rows.collect()
}

fn runs(uptime_ms: u64, boot: u32) -> String {
    format!("for {}, start number {boot}", span(uptime_ms as f64 / 1000.0))
}

/// How far back the node's own log reaches.
fn held(s: &StationState, capacity: u32, next: u32) -> String {
    match s.newest.as_ref().map(wattless_core::record::Record::duration_s) {
        Some(each) if each > 0.0 => {
            let room = span(f64::from(capacity) * each);
            format!("record {} is the next; room for the last {room}", next)
        }
        _ => format!("record {next} is the next; room for {capacity}"),
    }
}

fn link(s: &StationState, now_ms: i64, l: &Locale) -> String {
    let heard =
        s.heard_ms.map_or("never heard".to_owned(), |ms| format!("heard {}", ago(now_ms - ms)));
    match &s.link {
        Link::Starting => "Not reached yet".to_owned(),
        Link::Up => format!("Answers, {heard}"),
        Link::Down(why) => format!("No answer, {heard}. {}", l.localise(&capital(why))),
        Link::OtherNode(why) => format!("Refused: {why}"),
    }
}

/// The running interval and how much of it is left.
fn interval(r: &Running, clock: &dyn Fn(i64) -> String) -> String {
    let left = if r.left_s() >= 90.0 {
        format!("{:.0} min to go", r.left_s() / 60.0)
    } else {
        format!("{:.0} s to go", r.left_s())
    };
    format!("{} to {}, {left}", clock(r.from_ms), clock(r.until_ms))
}

/// Where the running interval is heading, in few words; none where it cannot be told.
fn heading(r: &Running, t: &WatchTerms, l: &Locale) -> Option<String> {
    let (kw, kva) = (r.heading?.0 / 1e3, r.heading_va()? / 1e3);
    Some(match demand_limit(t) {
        Some((limit, "kVA")) => {
            format!("{} kVA of {}", l.four_digits(kva), l.four_digits(limit))
        }
        Some((limit, _)) => format!("{} kW of {}", l.four_digits(kw), l.four_digits(limit)),
        None => format!("{} kW", l.four_digits(kw)),
    })
}

/// The demand of the running interval, against its limit.
fn demand(r: &Running, t: &WatchTerms, l: &Locale) -> String {
    let limit = demand_limit(t);
    let (so_far_kw, so_far_kvar) = (r.so_far_w / 1e3, r.so_far_var / 1e3);
    let va = |p: f64, q: f64| libm::sqrt(p * p + q * q);
    let heading = match r.heading {
        Some((p, q)) => {
            let (kw, kva) = (p / 1e3, va(p, q) / 1e3);
            let mut text =
                format!("Heading for {} kW, {} kVA", l.four_digits(kw), l.four_digits(kva));
            if let Some((limit, unit)) = limit {
                let value = if unit == "kVA" { kva } else { kw };
                let share = l.number(value / limit * 100.0, 0);
                text += &format!(": {share} % of the limit of {} {unit}", l.four_digits(limit));
            }
            text
        }
        None if !r.is_known() => {
            let known = l.number(r.known * 100.0, 0);
            format!("Where it is heading is not known: {known} % of the time gone by was seen")
        }
        None => "Too early to tell where it is heading".to_owned(),
    };
    let none = if limit.is_none() { "; no limit is set" } else { "" };
    let (kw, kva) = (l.four_digits(so_far_kw), l.four_digits(va(so_far_kw, so_far_kvar)));
    let least = if r.is_known() { "" } else { "at least " };
    format!("{heading}{none}. If all stopped now: {least}{kw} kW, {kva} kVA")
}

#[cfg(test)]
mod tests {
    use super::*;
    use wattless_core::wiring::Wiring;

    fn alarm(kind: Kind, part: &str, raised_ms: i64) -> Alarm {
        Alarm {
            kind,
            part: part.to_owned(),
            since_ms: raised_ms,
            raised_ms,
            cleared_ms: None,
            evidence: String::new(),
        }
    }

    fn live(wiring: Wiring) -> Live {
        let phase = LivePhase {
            v_rms_v: 230.0,
            i_rms_a: 100.0,
            p_w: 20_000.0,
            q1_var: 10_000.0,
            s_va: 23_000.0,
            loaded: true,
        };
        Live {
            uptime_ms: 0,
            wiring,
            frequency_hz: Some(50.0),
            flags: 0,
            phases: [phase; 3],
            s_effective_va: None,
            energy_counts: [0; 7],
        }
    }

    fn well(feeder: &str) -> StationState {
        StationState {
            feeder: feeder.to_owned(),
            node_id: "5a17".to_owned(),
            link: Link::Up,
            heard_ms: Some(100_000),
            live: Some(live(Wiring::FourWire)),
            ..StationState::default()
        }
    }

    fn said(stations: &[StationState]) -> String {
        headline(stations, &WatchTerms::default(), 101_000)
    }

    #[test]
    fn one_sentence_says_what_is_wrong_and_the_worst_first() {
        let mut a = well("Saws");
        assert_eq!(said(std::slice::from_ref(&a)), "All is well");
        a.standing = vec![
            alarm(Kind::PhaseLost, "L2", 10),
            alarm(Kind::LowPowerFactor, "", 20),
            alarm(Kind::Gap, "", 30),
        ];
        assert_eq!(said(std::slice::from_ref(&a)), "A phase is missing (L2), and 2 more");
        let mut b = well("Kilns");
        b.link = Link::Down("x".to_owned());
        b.live = None;
        assert_eq!(said(std::slice::from_ref(&b)), "No answer from the node");
        let all = [well("Planer"), b, a];
        assert_eq!(said(&all[..2]), "Kilns: no answer from the node");
        assert!(said(&all).ends_with("; something at 1 other node"), "{}", said(&all));
        assert_eq!(state(&all[0], &WatchTerms::default(), 101_000), "Well");
    }

    /// A reading that stands still is not "well".
    #[test]
    fn old_readings_tell_nothing() {
        let a = well("Saws");
        let t = WatchTerms::default();
        assert_eq!(Glance::of(&a, &t, 109_000), Glance::Well);
        assert_eq!(Glance::of(&a, &t, 111_000), Glance::Unknown);
        assert_eq!(headline(&[a], &t, 111_000), "Waiting for fresh readings");
        let slow = WatchTerms { live_every_s: 60.0, ..t.clone() };
        assert_eq!(Glance::of(&well("x"), &slow, 250_000), Glance::Well);
        let none = StationState { address: "tcp:x:1".to_owned(), ..StationState::default() };
        assert_eq!(headline(&[none], &t, 0), "Waiting for the first readings");
    }

    /// PF does not exist without load, and is never 0 or 1 then.
    #[test]
    fn values_that_do_not_exist_are_dashes() {
        let l = Locale::NORTH_AMERICAN;
        assert_eq!(power_factor(&l, 0.0, 0.0, 0.0, true), NONE);
        assert_eq!(power_factor(&l, 5.0, 9.0, 1.0, false), NONE);
        assert_eq!(power_factor(&l, -20.0, 25.0, -15.0, true), "−0.80 leading");
        let mut s = well("Saws");
        s.live = Some(live(Wiring::SinglePhase));
        let t = WatchTerms::default();
        let words = station(0, &s, &t, &l, 101_000, &|_| "now".to_owned());
        let of = |id: &str| words.iter().find(|w| w.0 == id).map(|w| w.1.clone()).unwrap();
        assert_eq!((of("n0-1v").as_str(), of("n0-2v").as_str()), ("230.0", NONE));
        assert_eq!((of("n0-p").as_str(), of("n0-1pf").as_str()), ("20.00", "0.87 lagging"));
        assert_eq!(absent(0, &s), ["n0-row2", "n0-thd2", "n0-row3", "n0-thd3"]);
        assert_eq!(of("n0-demand"), "Not known now");
        assert_eq!(of("n0-1vd"), NONE);
    }

    #[test]
    fn demand_is_held_against_its_limit() {
        let l = Locale::NORTH_AMERICAN;
        let r = Running {
            from_ms: 0,
            until_ms: 900_000,
            at_ms: 600_000,
            known: 1.0,
            so_far_w: 100_000.0,
            so_far_var: 0.0,
            heading: Some((150_000.0, 112_500.0)),
        };
        let mut t = WatchTerms::default();
        assert_eq!(
            demand(&r, &t, &l),
            "Heading for 150.0 kW, 187.5 kVA; no limit is set. If all stopped now: 100.0 kW, \
             100.0 kVA"
        );
        t.alarms.demand_limit_kva = Some(250.0);
        assert!(demand(&r, &t, &l).contains(": 75 % of the limit of 250.0 kVA."));
        t.alarms.demand_limit_kw = Some(200.0);
        assert!(demand(&r, &t, &l).contains(": 75 % of the limit of 200.0 kW."));
        assert_eq!(heading(&r, &t, &l).as_deref(), Some("150.0 kW of 200.0"));
        let partly = Running { known: 0.4, heading: None, ..r };
        assert!(demand(&partly, &t, &l).starts_with("Where it is heading is not known: 40 %"));
        assert_eq!(interval(&r, &|ms| format!("{ms}")), "0 to 900000, 5 min to go");
    }
}
