//! The server of the page.

use super::{charts, html, metrics, words};
use crate::collect::log::IntervalLog;
use crate::collect::store::{NodeId, Span, Store};
use crate::present::locale::Locale;
use crate::site::Site;
use crate::watch::config::WatchTerms;
use crate::watch::state::{Shared, StationState};
use axum::Router;
use axum::body::Body;
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::middleware::{Next, from_fn_with_state};
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use std::collections::HashMap;
use std::convert::Infallible;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};
use tokio::net::TcpListener;
use tokio::sync::Semaphore;

/// Connections at a time; more are closed at once.
const CONNECTIONS: usize = 64;

/// Longest wait for the head of a request.
const HEAD_WAIT: Duration = Duration::from_secs(10);

/// Largest head of a request, in bytes.
const HEAD_BYTES: usize = 16 * 1024;

/// Longest that an open page is served before its browser connects anew.
const LONGEST_STREAM: Duration = Duration::from_secs(600);

/// Age at which pictures of the log are drawn anew.
const LOG_PICTURES: Duration = Duration::from_secs(60);

/// Why the page cannot be served.
#[derive(Debug, thiserror::Error)]
pub enum PageError {
    /// The port cannot be had.
    #[error("cannot serve the page at {at}: {source}; choose another port with --listen")]
    Listen {
        /// Where.
        at: SocketAddr,
        /// What the system says.
        source: std::io::Error,
    },
}

/// Pictures of the log with the time of their making.
type Drawn = HashMap<usize, (Instant, HashMap<String, String>)>;

/// What the page serves from.
pub struct Page {
    shared: Arc<Shared>,
    site: Site,
    terms: WatchTerms,
    locale: Locale,
    token: Option<String>,
    folder: PathBuf,
    drawn: Mutex<Drawn>,
}

impl Page {
    /// A page on a state and a store's folder; `token` is asked for where there is one.
    pub fn new(
        shared: Arc<Shared>,
        site: Site,
        terms: WatchTerms,
        token: Option<String>,
        folder: PathBuf,
    ) -> Page {
        let locale = Locale::of(&site);
        Page { shared, site, terms, locale, token, folder, drawn: Mutex::default() }
    }

    fn when(&self, ms: i64) -> String {
        let Ok(t) = jiff::Timestamp::from_millisecond(ms) else { return String::new() };
        t.to_zoned_datetime(self.site.time_zone.clone()).strftime("%a %Y-%m-%d %H:%M").to_string()
    }

    fn words(&self) -> serde_json::Value {
        let now_ms = jiff::Timestamp::now().as_millisecond();
        let mut all = serde_json::Map::new();
        let (glance, headline) = self.shared.look(|stations| {
            for (k, s) in stations.iter().enumerate() {
                for (id, text) in words::station(k, s, &self.terms, &self.locale, now_ms) {
                    all.insert(id, text.into());
                }
            }
            let worst = stations.iter().map(words::Glance::of).max();
            (worst.unwrap_or(words::Glance::Unknown), words::headline(stations))
        });
        all.insert("glance-words".into(), headline.clone().into());
        all.insert("glance-sign".into(), glance.sign().into());
        all.insert("fresh".into(), self.when(now_ms).into());
        let plant = self.site.name.as_deref().unwrap_or("Watch");
        serde_json::json!({
            "words": all, "glance": glance.class(), "title": format!("{plant}: {headline}"),
        })
    }

    /// Pictures and lists by their place.
    fn parts(&self, with_alarms: bool) -> HashMap<String, String> {
        let stations: Vec<StationState> = self.shared.look(<[StationState]>::to_vec);
        let mut parts = HashMap::new();
        for (k, s) in stations.iter().enumerate() {
            if let Some(svg) = charts::phasors(s, &self.locale) {
                parts.insert(format!("n{k}-phasors"), svg);
            }
            if let Some(w) = &s.waves {
                parts.insert(format!("n{k}-waves"), charts::waves(w, &self.locale));
            }
            if with_alarms {
                parts.insert(format!("n{k}-alarms"), html::alarms(s, &|ms| self.when(ms)));
            }
            parts.extend(self.log_pictures(k, s));
        }
        parts
    }

    /// The day and the week of a node, from the store, kept for a while.
    fn log_pictures(&self, k: usize, s: &StationState) -> HashMap<String, String> {
        let mut drawn = self.drawn.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((at, pictures)) = drawn.get(&k)
            && at.elapsed() < LOG_PICTURES
        {
            return pictures.clone();
        }
        let pictures = self.draw_log(k, s).unwrap_or_default();
        drawn.insert(k, (Instant::now(), pictures.clone()));
        pictures
    }

    fn draw_log(&self, k: usize, s: &StationState) -> Option<HashMap<String, String>> {
        let id: NodeId = s.node_id.parse().ok()?;
        let to_ms = s.newest_record_ms?;
        let week_ms = to_ms - 7 * 86_400_000;
        let store = Store::open(&self.folder).ok()?;
        let log: IntervalLog = store.read_log(id, Span { from_ms: week_ms, to_ms }).ok()?;
        let mut pictures = HashMap::new();
        for (place, name, from_ms, slot_ms) in [
            ("day", "Power over the last 24 hours", to_ms - 86_400_000, 300_000),
            ("week", "Power over the last 7 days", week_ms, 1_800_000),
        ] {
            let zone = &self.site.time_zone;
            let span = (from_ms, to_ms);
            if let Some(svg) = charts::stretch(&log, zone, &self.locale, span, slot_ms, name) {
                pictures.insert(format!("n{k}-{place}"), svg);
            }
        }
        Some(pictures)
    }

    fn html(&self) -> String {
        let pictures = self.parts(false);
        self.shared.look(|stations| {
            html::page(
                stations,
                &html::View {
                    site: &self.site,
                    terms: &self.terms,
                    locale: &self.locale,
                    pictures,
                    now_ms: jiff::Timestamp::now().as_millisecond(),
                    when: &|ms| self.when(ms),
                },
            )
        })
    }

    /// Serves until the watch stops.
    pub fn serve(self, at: SocketAddr, ready: impl FnOnce(SocketAddr)) -> Result<(), PageError> {
        let fail = |source| PageError::Listen { at, source };
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .max_blocking_threads(4)
            .build()
            .map_err(fail)?;
        runtime.block_on(async move {
            let listener = TcpListener::bind(at).await.map_err(fail)?;
            ready(listener.local_addr().map_err(fail)?);
            let shared = self.shared.clone();
            let router = router(Arc::new(self));
            let places = Arc::new(Semaphore::new(CONNECTIONS));
            loop {
                let accepted = tokio::time::timeout(Duration::from_millis(250), listener.accept());
                let socket = match accepted.await {
                    Err(_) if shared.is_stopping() => return Ok(()),
                    Err(_) => continue,
                    // Out of file descriptors, for one: wait until some are given back.
                    Ok(Err(_)) => {
                        tokio::time::sleep(Duration::from_millis(100)).await;
                        continue;
                    }
                    Ok(Ok((socket, _))) => socket,
                };
                let Ok(place) = places.clone().try_acquire_owned() else { continue };
                let router = router.clone();
                tokio::spawn(async move {
                    let served = hyper::server::conn::http1::Builder::new()
                        .timer(TokioTimer::new())
                        .header_read_timeout(HEAD_WAIT)
                        .max_buf_size(HEAD_BYTES)
                        .keep_alive(true)
                        .serve_connection(TokioIo::new(socket), TowerToHyperService::new(router));
                    // A page that is open needs its connection anew from time to time.
                    let _ = tokio::time::timeout(LONGEST_STREAM + HEAD_WAIT, served).await;
                    drop(place);
                });
            }
        })
    }
}

fn router(page: Arc<Page>) -> Router {
    Router::new()
        .route("/", get(front))
        .route("/live", get(live))
        .route("/metrics", get(prometheus))
        .fallback(|| async { (StatusCode::NOT_FOUND, "There is nothing here.\n") })
        .layer(from_fn_with_state(page.clone(), guard))
        .with_state(page)
}

/// Whether two texts are equal, in a time that does not tell where they differ.
fn same(a: &str, b: &str) -> bool {
    let differing = a.bytes().zip(b.bytes()).fold(0u8, |d, (x, y)| d | (x ^ y));
    a.len() == b.len() && differing == 0
}

/// Name of the cookie that holds the token after the first visit.
const COOKIE: &str = "wattless";

fn cookie(headers: &HeaderMap) -> Option<&str> {
    let all = headers.get(header::COOKIE)?.to_str().ok()?;
    all.split(';').filter_map(|c| c.trim().split_once('=')).find(|c| c.0 == COOKIE).map(|c| c.1)
}

fn bearer(headers: &HeaderMap) -> Option<&str> {
    headers.get(header::AUTHORIZATION)?.to_str().ok()?.strip_prefix("Bearer ")
}

/// Lets through who has the token; everything else is asked for it.
async fn guard(State(page): State<Arc<Page>>, request: Request, next: Next) -> Response {
    let Some(token) = &page.token else { return armoured(next.run(request).await) };
    let given = bearer(request.headers()).or_else(|| cookie(request.headers()));
    if given.is_some_and(|g| same(g, token)) {
        return armoured(next.run(request).await);
    }
    let asked = request.uri().query().and_then(|q| q.strip_prefix("token="));
    if request.uri().path() == "/" && asked.is_some_and(|a| same(a, token)) {
        let set = format!("{COOKIE}={token}; HttpOnly; SameSite=Strict; Path=/; Max-Age=31536000");
        let mut response = (StatusCode::SEE_OTHER, [(header::LOCATION, "./")]).into_response();
        if let Ok(value) = HeaderValue::from_str(&set) {
            response.headers_mut().insert(header::SET_COOKIE, value);
        }
        return armoured(response);
    }
    let words = "This page needs its token: open it once as http://HOST:PORT/?token=TOKEN\n";
    armoured((StatusCode::UNAUTHORIZED, words).into_response())
}

/// Headers that keep other sites' scripts and frames away.
fn armoured(mut response: Response) -> Response {
    let policy = "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; \
                  connect-src 'self'; img-src data:; frame-ancestors 'none'; base-uri 'none'";
    for (name, value) in [
        (header::CONTENT_SECURITY_POLICY, policy),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::REFERRER_POLICY, "no-referrer"),
        (header::CACHE_CONTROL, "no-store"),
    ] {
        response.headers_mut().insert(name, HeaderValue::from_static(value));
    }
    response
}

/// Work on the store and drawings, away from the connections.
async fn aside<R: Send + 'static>(
    page: Arc<Page>,
    work: impl FnOnce(&Page) -> R + Send + 'static,
) -> Option<R> {
    tokio::task::spawn_blocking(move || work(&page)).await.ok()
}

async fn front(State(page): State<Arc<Page>>) -> Response {
    page.shared.looked_at();
    match aside(page, Page::html).await {
        Some(text) => ([(header::CONTENT_TYPE, "text/html; charset=utf-8")], text).into_response(),
        None => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
}

async fn prometheus(State(page): State<Arc<Page>>) -> Response {
    match page.shared.look(metrics::text) {
        Ok(text) => {
            let kind = "application/openmetrics-text; version=1.0.0; charset=utf-8";
            ([(header::CONTENT_TYPE, kind)], Body::from(text)).into_response()
        }
        Err(_) => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
}

struct Stream {
    page: Arc<Page>,
    began: Instant,
    seen: u64,
    next_parts: Instant,
    /// Parts as they were sent, so that only what changed goes again.
    sent: HashMap<String, String>,
}

/// Words at every change, at most five times a second; pictures every few seconds.
async fn live(
    State(page): State<Arc<Page>>,
) -> Sse<impl futures_util::Stream<Item = Result<Event, Infallible>>> {
    let now = Instant::now();
    let stream = Stream { page, began: now, seen: u64::MAX, next_parts: now, sent: HashMap::new() };
    let events = futures_util::stream::unfold(stream, |mut s| async move {
        loop {
            if s.began.elapsed() > LONGEST_STREAM || s.page.shared.is_stopping() {
                return None;
            }
            s.page.shared.looked_at();
            if Instant::now() >= s.next_parts {
                s.next_parts = Instant::now() + Duration::from_secs(3);
                let parts = aside(s.page.clone(), |p| p.parts(true)).await.unwrap_or_default();
                let new: HashMap<_, _> =
                    parts.into_iter().filter(|(k, v)| s.sent.get(k) != Some(v)).collect();
                if !new.is_empty() {
                    let data = serde_json::to_string(&new).unwrap_or_default();
                    s.sent.extend(new);
                    return Some((Ok(Event::default().event("parts").data(data)), s));
                }
            }
            let version = s.page.shared.version();
            if version != s.seen {
                s.seen = version;
                let data = s.page.words().to_string();
                return Some((Ok(Event::default().event("words").data(data)), s));
            }
            tokio::time::sleep(Duration::from_millis(200)).await;
        }
    });
    Sse::new(events).keep_alive(KeepAlive::default())
}
