//! The words and numbers of the page: made once here, for the first drawing and every update.

use crate::present::locale::Locale;
use crate::watch::alarm::Alarm;
use crate::watch::config::WatchTerms;
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
    /// Of a node.
    pub fn of(s: &StationState) -> Glance {
        match (&s.link, s.standing.is_empty(), &s.live) {
            (Link::Down(_) | Link::OtherNode(_), _, _) | (_, false, _) => Glance::Bad,
            (Link::Up, true, Some(_)) => Glance::Well,
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

/// The sentence at the top.
pub fn headline(stations: &[StationState]) -> String {
    let bad: Vec<_> = stations.iter().filter(|s| Glance::of(s) == Glance::Bad).collect();
    let waiting = stations.iter().any(|s| Glance::of(s) == Glance::Unknown);
    let mut reasons = Vec::new();
    for s in &bad {
        let who = if stations.len() > 1 { format!("{}: ", name(s)) } else { String::new() };
        match s.standing.last() {
            Some(a) => reasons.push(format!("{who}{}", titled(a))),
            None => reasons.push(format!("{who}no answer from the node")),
        }
    }
    match (reasons.len(), waiting) {
        (0, false) => "All is well".to_owned(),
        (0, true) => "Waiting for the first readings".to_owned(),
        (1, _) => reasons.swap_remove(0),
        (n, _) => format!("{}, and {} more", reasons.swap_remove(0), n - 1),
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

fn power_factor(l: &Locale, p_w: f64, s_va: f64, q1_var: f64, loaded: bool) -> String {
    if !loaded || s_va <= 0.0 {
        return NONE.to_owned();
    }
    let side = if q1_var < 0.0 { "leading" } else { "lagging" };
    format!("{} {side}", l.number((p_w / s_va).clamp(-1.0, 1.0), 2))
}

/// Totals of a live reading: W, var, VA (arithmetic).
pub fn totals(live: &Live) -> (f64, f64, f64) {
    let sum = |f: fn(&LivePhase) -> f32| live.phases.iter().map(|p| f64::from(f(p))).sum();
    (sum(|p| p.p_w), sum(|p| p.q1_var), sum(|p| p.s_va))
}

/// All values of a node; `k` is its place.
pub fn station(k: usize, s: &StationState, t: &WatchTerms, l: &Locale, now_ms: i64) -> Vec<Word> {
    let mut words = Vec::with_capacity(48);
    let mut put = |id: &str, text: String| words.push((format!("n{k}-{id}"), text));
    let glance = Glance::of(s);
    put("name", name(s));
    put("sign", glance.sign().to_owned());
    put("link", link(s, now_ms));
    match &s.live {
        Some(live) => {
            let (p, q, va) = totals(live);
            let loaded = live.phases.iter().any(|p| p.loaded);
            put("p", kilo(l, p));
            put("q", kilo(l, q));
            put("s", kilo(l, va));
            put("pf", power_factor(l, p, va, q, loaded));
            put("f", live.frequency_hz.map_or(NONE.to_owned(), |f| l.number(f64::from(f), 3)));
            let remarks: Vec<_> = Flags(live.flags).names().map(|n| n.replace('_', " ")).collect();
            put("flags", if remarks.is_empty() { "none".to_owned() } else { remarks.join(", ") });
        }
        None => ["p", "q", "s", "pf", "f", "flags"].iter().for_each(|id| put(id, NONE.to_owned())),
    }
    for phase in 0..3 {
        let live = s.live.as_ref().filter(|live| phase < live.wiring.phases());
        let texts = match live.and_then(|live| live.phases.get(phase)) {
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
        };
        for (id, text) in ["v", "i", "p", "q", "pf"].iter().zip(texts) {
            put(&format!("{}{id}", phase + 1), text);
        }
    }
    put("demand", demand(s, t, l));
    put("newest", s.newest_record_ms.map_or(NONE.to_owned(), |ms| ago(now_ms - ms)));
    put("pulled", s.pulled_ms.map_or(NONE.to_owned(), |ms| ago(now_ms - ms)));
    put(
        "clock",
        s.clock_offset_ms.map_or("not set".to_owned(), |ms| {
            format!("{} s against this computer", l.number(ms as f64 / 1e3, 1))
        }),
    );
    put("records", format!("{} stored since the watch began", s.counters.records));
    put("lost", s.counters.lost_records.to_string());
    words
}

fn link(s: &StationState, now_ms: i64) -> String {
    let heard =
        s.heard_ms.map_or("never heard".to_owned(), |ms| format!("heard {}", ago(now_ms - ms)));
    match &s.link {
        Link::Starting => "Not reached yet".to_owned(),
        Link::Up => format!("Answers, {heard}"),
        Link::Down(why) => format!("No answer, {heard}. {why}"),
        Link::OtherNode(why) => format!("Refused: {why}"),
    }
}

/// Where the running demand interval is heading, against the limit.
fn demand(s: &StationState, t: &WatchTerms, l: &Locale) -> String {
    let Some((kw, kvar)) = s.heading else {
        return "Too early in the interval".to_owned();
    };
    let kva = libm::sqrt(kw * kw + kvar * kvar);
    let limit = match (t.alarms.demand_limit_kw, t.alarms.demand_limit_kva) {
        (Some(kw), _) => format!("; limit {} kW", l.four_digits(kw)),
        (None, Some(kva)) => format!("; limit {} kVA", l.four_digits(kva)),
        (None, None) => "; no limit is set".to_owned(),
    };
    format!("{} kW, {} kVA{limit}", l.four_digits(kw), l.four_digits(kva))
}
