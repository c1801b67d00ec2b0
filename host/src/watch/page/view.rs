//! What the page shows: words and pictures of the shared state and of the store.

use super::{charts, course, html, proof, words};
use crate::collect::log::IntervalLog;
use crate::collect::store::{NodeId, Span, Store};
use crate::present::locale::Locale;
use crate::site::Site;
use crate::watch::config::WatchTerms;
use crate::watch::state::{Shared, StationState};
use std::collections::HashMap;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// Age at which pictures of the log are drawn anew.
const LOG_PICTURES: Duration = Duration::from_secs(60);

/// Milliseconds of a day.
const DAY_MS: i64 = 86_400_000;

/// Pictures of the log of a node, with the time of their making.
#[derive(Clone)]
struct Drawn {
    at: Instant,
    /// Unix milliseconds; tells whether a page has these.
    stamp: u64,
    pictures: HashMap<String, String>,
}

/// What the page is made of.
pub struct View {
    /// The state that is shown.
    pub shared: Arc<Shared>,
    site: Site,
    terms: WatchTerms,
    locale: Locale,
    folder: PathBuf,
    drawn: Mutex<HashMap<usize, Drawn>>,
}

/// Words that changed, as they go to a page.
pub type Words = HashMap<String, String>;

impl View {
    /// A view of a state and a store's folder.
    pub fn new(shared: Arc<Shared>, site: Site, terms: WatchTerms, folder: PathBuf) -> View {
        let locale = Locale::of(&site);
        View { shared, site, terms, locale, folder, drawn: Mutex::default() }
    }

    fn local(&self, ms: i64, format: &str) -> String {
        let Ok(t) = jiff::Timestamp::from_millisecond(ms) else { return String::new() };
        let text = t.to_zoned_datetime(self.site.time_zone.clone()).strftime(format).to_string();
        self.locale.localise(&text)
    }

    fn when(&self, ms: i64) -> String {
        self.local(ms, "%a %Y-%m-%d %H:%M")
    }

    fn clock(&self, ms: i64) -> String {
        self.local(ms, "%H:%M")
    }

    fn plant(&self) -> &str {
        self.site.name.as_deref().unwrap_or("Watch")
    }

    /// The node that a page shows: the one asked for, or the only one.
    pub fn choose(&self, asked: Option<usize>) -> Option<usize> {
        let count = self.shared.look(<[StationState]>::len);
        asked.filter(|k| *k < count).or((count == 1).then_some(0))
    }

    /// All words of a page, with the class of its glance under `glance`, its title under `title`.
    pub fn words(&self, node: Option<usize>) -> (Words, Vec<String>) {
        let now_ms = now_ms();
        let mut all = Words::new();
        let mut absent = Vec::new();
        self.shared.look(|stations| {
            for (k, s) in stations.iter().enumerate().filter(|(k, _)| node.is_none_or(|n| n == *k))
            {
                let clock = |ms| self.clock(ms);
                all.extend(words::station(k, s, &self.terms, &self.locale, now_ms, &clock));
                absent.extend(words::absent(k, s));
            }
            let shown = match node.and_then(|k| stations.get(k)) {
                Some(one) => std::slice::from_ref(one),
                None => stations,
            };
            let worst = shown.iter().map(|s| words::Glance::of(s, &self.terms, now_ms)).max();
            let worst = worst.unwrap_or(words::Glance::Unknown);
            let headline = words::headline(shown, &self.terms, now_ms);
            all.insert("glance".into(), worst.class().to_owned());
            all.insert("glance-sign".into(), worst.sign().to_owned());
            all.insert("title".into(), format!("{headline} \u{2013} {}", self.plant()));
            all.insert("glance-words".into(), headline);
            let heard = shown.iter().filter_map(|s| s.heard_ms).max();
            all.insert(
                "fresh".into(),
                heard.map_or("No reading yet".to_owned(), |ms| {
                    format!("Reading of {}", self.local(ms, "%a %Y-%m-%d %H:%M:%S"))
                }),
            );
        });
        (all, absent)
    }

    /// Pictures and lists of a page by their place, and the stamp of those of the log.
    pub fn parts(&self, node: Option<usize>) -> (HashMap<String, String>, u64) {
        let stations: Vec<StationState> = self.shared.look(<[StationState]>::to_vec);
        let mut parts = HashMap::new();
        let mut stamp = 0;
        for (k, s) in stations.iter().enumerate().filter(|(k, _)| node.is_none_or(|n| n == *k)) {
            let when = |ms| self.when(ms);
            let list = if node.is_some() { html::alarms } else { html::standing };
            parts.insert(format!("n{k}-alarms"), list(s, &self.locale, &when));
            if node.is_none() {
                continue;
            }
            let none = || "<p class=\"told\">No readings now.</p>".to_owned();
            let phasors = charts::phasors(s, &self.locale);
            if s.phasors.is_some() || s.live.is_none() {
                parts.insert(format!("n{k}-phasors"), phasors.unwrap_or_else(none));
            }
            if let Some(w) = &s.waves {
                let at = self.local(w.at_ms, "%H:%M:%S");
                let drawn = charts::waves(w, &self.locale);
                let drawn = format!("{drawn}<p class=\"told\">Taken at {}</p>", html::safe(&at));
                parts.insert(format!("n{k}-waves"), drawn);
            }
            let limit = words::demand_limit(&self.terms);
            let running = s.running.filter(|_| s.live.is_some());
            let bar = running.map(|r| charts::demand(&r, limit, &self.locale));
            parts.insert(format!("n{k}-bar"), bar.unwrap_or_default());
            if let Some(p) = &s.proof {
                let text = proof::html(p, &self.locale, &|ms| self.when(ms));
                parts.insert(format!("n{k}-proof"), text);
            }
            let drawn = self.log_pictures(k, s);
            stamp = drawn.stamp;
            parts.extend(drawn.pictures);
        }
        (parts, stamp)
    }

    /// Whether a place holds a picture of the log, which the stamp of a page stands for.
    pub fn is_of_log(place: &str) -> bool {
        place.ends_with("-day") || place.ends_with("-week")
    }

    /// The day and the week of a node, from the store, kept for a while.
    fn log_pictures(&self, k: usize, s: &StationState) -> Drawn {
        let mut drawn = self.drawn.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(kept) = drawn.get(&k)
            && kept.at.elapsed() < LOG_PICTURES
            && !(kept.pictures.is_empty() && s.newest_record_ms.is_some())
        {
            return kept.clone();
        }
        let now_ms = now_ms();
        let pictures = self.draw_log(k, s, now_ms).unwrap_or_default();
        let stamp = u64::try_from(now_ms).unwrap_or(0);
        let fresh = Drawn { at: Instant::now(), stamp, pictures };
        drawn.insert(k, fresh.clone());
        fresh
    }

    fn draw_log(&self, k: usize, s: &StationState, now_ms: i64) -> Option<HashMap<String, String>> {
        let id: NodeId = s.node_id.parse().ok()?;
        // A node whose clock is ahead has its newest records after now.
        let to_ms = s.newest_record_ms?.max(now_ms);
        let store = Store::open(&self.folder).ok()?;
        let span = Span { from_ms: to_ms - 7 * DAY_MS, to_ms };
        let log: IntervalLog = store.read_log(id, span).ok()?;
        Some(self.draw(k, &log, to_ms))
    }

    /// Pictures of a log that ends at an instant.
    pub fn draw(&self, k: usize, log: &IntervalLog, to_ms: i64) -> HashMap<String, String> {
        // A point is no shorter than the usual record.
        let mut lengths = log.duration_us.clone();
        lengths.sort_unstable();
        let usual_ms = lengths.get(lengths.len() / 2).map_or(0, |us| i64::from(us / 1000));
        let mut pictures = HashMap::new();
        for (place, name, days, slot_ms) in [
            ("day", "Power over the last 24 hours", 1, 300_000),
            ("week", "Power over the last 7 days", 7, 1_800_000),
        ] {
            let span = (to_ms - days * DAY_MS, to_ms);
            let sum = course::sum(log, &self.site, span);
            let told = course::sentence(&sum, &self.locale, &|ms| self.when(ms));
            let limit_kw = self.terms.alarms.demand_limit_kw;
            let slot_ms = slot_ms.max(usual_ms);
            let frame = course::Frame { name, span, slot_ms, limit_kw, told: &told };
            let drawn = match course::picture(log, &self.site, &self.locale, &frame) {
                Some(svg) => format!("{svg}<p class=\"told\">{}</p>", html::safe(&told)),
                None => "<p class=\"told\">Nothing was recorded in this time.</p>".to_owned(),
            };
            pictures.insert(format!("n{k}-{place}"), drawn);
        }
        pictures
    }

    /// The page as HTML, of one node or of all in short.
    pub fn html(&self, asked: Option<usize>) -> String {
        let node = self.choose(asked);
        let (pictures, stamp) = self.parts(node);
        let (words, absent) = self.words(node);
        self.shared.look(|stations| {
            html::page(
                stations,
                &html::Sheet {
                    plant: self.plant(),
                    terms: &self.terms,
                    locale: &self.locale,
                    words,
                    absent,
                    pictures,
                    now_ms: now_ms(),
                    when: &|ms| self.when(ms),
                    node,
                    stamp,
                },
            )
        })
    }
}

fn now_ms() -> i64 {
    jiff::Timestamp::now().as_millisecond()
}
