//! The server of the page.

use super::guard::{Door, guard};
use super::stall::Impatient;
use super::view::{View, Words};
use super::{html, metrics};
use crate::site::Site;
use crate::watch::config::WatchTerms;
use crate::watch::state::Shared;
use axum::Router;
use axum::body::Body;
use axum::extract::State;
use axum::http::{StatusCode, Uri, header};
use axum::middleware::from_fn_with_state;
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use std::collections::HashMap;
use std::convert::Infallible;
use std::net::{IpAddr, SocketAddr};
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};
use tokio::net::TcpListener;
use tokio::sync::Semaphore;

/// Connections at a time; more are closed at once.
const CONNECTIONS: usize = 64;

/// Connections at a time from one address, so that one that takes all it can leaves room.
const CONNECTIONS_OF_ONE: usize = 48;

/// Longest wait for a client to take some of what it is sent.
const STALLED: Duration = Duration::from_secs(20);

/// Longest wait for the head of a request.
const HEAD_WAIT: Duration = Duration::from_secs(10);

/// Largest head of a request, in bytes.
const HEAD_BYTES: usize = 16 * 1024;

/// Longest that an open page is served before its browser connects anew.
const LONGEST_STREAM: Duration = Duration::from_secs(600);

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

/// What the page serves from.
pub struct Page {
    view: View,
    door: Arc<Door>,
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
        let door = Arc::new(Door::new(token.as_deref(), &terms.names));
        Page { view: View::new(shared, site, terms, folder), door }
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
            let shared = self.view.shared.clone();
            let router = router(Arc::new(self));
            let places = Arc::new(Semaphore::new(CONNECTIONS));
            let crowd = Crowd::default();
            while !shared.is_stopping() {
                let accepted = tokio::time::timeout(Duration::from_millis(250), listener.accept());
                let (socket, from) = match accepted.await {
                    Err(_) => continue,
                    // Out of file descriptors, for one: wait until some are given back.
                    Ok(Err(_)) => {
                        tokio::time::sleep(Duration::from_millis(100)).await;
                        continue;
                    }
                    Ok(Ok((socket, from))) => (socket, from.ip()),
                };
                let Ok(place) = places.clone().try_acquire_owned() else { continue };
                let Some(of_one) = OfOne::take(&crowd, from) else { continue };
                let router = router.clone();
                tokio::spawn(async move {
                    let served = hyper::server::conn::http1::Builder::new()
                        .timer(TokioTimer::new())
                        .header_read_timeout(HEAD_WAIT)
                        .max_buf_size(HEAD_BYTES)
                        .keep_alive(true)
                        .serve_connection(
                            TokioIo::new(Impatient::new(socket, STALLED)),
                            TowerToHyperService::new(router),
                        );
                    // A page that is open needs its connection anew from time to time.
                    let _ = tokio::time::timeout(LONGEST_STREAM + HEAD_WAIT, served).await;
                    drop((place, of_one));
                });
            }
            Ok(())
        })
    }
}

/// Connections by the address that they come from.
type Crowd = Arc<Mutex<HashMap<IpAddr, usize>>>;

/// A place among the connections of one address, given back when it is dropped.
struct OfOne {
    crowd: Crowd,
    from: IpAddr,
}

impl OfOne {
    fn take(crowd: &Crowd, from: IpAddr) -> Option<OfOne> {
        let mut all = crowd.lock().unwrap_or_else(PoisonError::into_inner);
        let count = all.entry(from).or_default();
        if *count >= CONNECTIONS_OF_ONE {
            return None;
        }
        *count += 1;
        Some(OfOne { crowd: crowd.clone(), from })
    }
}

impl Drop for OfOne {
    fn drop(&mut self) {
        let mut all = self.crowd.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(count) = all.get_mut(&self.from) {
            *count -= 1;
            if *count == 0 {
                all.remove(&self.from);
            }
        }
    }
}

fn router(page: Arc<Page>) -> Router {
    Router::new()
        .route("/", get(front))
        .route("/watch.js", get(script))
        .route("/live", get(live))
        .route("/metrics", get(prometheus))
        .fallback(|| async { (StatusCode::NOT_FOUND, "There is nothing here.\n") })
        .layer(from_fn_with_state(page.door.clone(), guard))
        .with_state(page)
}

/// Work on the store and drawings, away from the connections.
async fn aside<R: Send + 'static>(
    page: Arc<Page>,
    work: impl FnOnce(&Page) -> R + Send + 'static,
) -> Option<R> {
    tokio::task::spawn_blocking(move || work(&page)).await.ok()
}

/// A number of the query, such as `node=2`; none where it is left out or no number.
fn asked(uri: &Uri, name: &str) -> Option<u64> {
    let mut all = uri.query()?.split('&').filter_map(|part| part.split_once('='));
    all.find(|(key, _)| *key == name)?.1.parse().ok()
}

/// The node that is asked for, counted from 1 in addresses.
fn node_asked(uri: &Uri) -> Option<usize> {
    usize::try_from(asked(uri, "node")?.checked_sub(1)?).ok()
}

async fn front(State(page): State<Arc<Page>>, uri: Uri) -> Response {
    page.view.shared.looked_at();
    let node = node_asked(&uri);
    match aside(page, move |p| p.view.html(node)).await {
        Some(text) => ([(header::CONTENT_TYPE, "text/html; charset=utf-8")], text).into_response(),
        None => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
}

async fn script() -> Response {
    let kind = "text/javascript; charset=utf-8";
    ([(header::CONTENT_TYPE, kind)], html::SCRIPT).into_response()
}

async fn prometheus(State(page): State<Arc<Page>>) -> Response {
    match page.view.shared.look(metrics::text) {
        Ok(text) => {
            let kind = "application/openmetrics-text; version=1.0.0; charset=utf-8";
            ([(header::CONTENT_TYPE, kind)], Body::from(text)).into_response()
        }
        Err(_) => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
}

/// A page that is open in a browser.
struct Stream {
    page: Arc<Page>,
    began: Instant,
    node: Option<usize>,
    /// Stamp of the pictures of the log that the page came with.
    drawn: u64,
    seen: u64,
    next_words: Instant,
    next_parts: Instant,
    /// Words and parts as they were sent, so that only what changed goes again.
    words: Words,
    sent: HashMap<String, String>,
}

/// Words go at least this often, so that the page knows that it is served.
const WORDS_EVERY: Duration = Duration::from_secs(3);

/// Time between two looks at the pictures.
const PARTS_EVERY: Duration = Duration::from_secs(2);

/// Time between two looks at the state.
const LOOK_EVERY: Duration = Duration::from_millis(100);

impl Stream {
    /// Words that changed, or that the page should hear again that there are none.
    fn words(&mut self) -> Option<Event> {
        let version = self.page.view.shared.version();
        if version == self.seen && Instant::now() < self.next_words {
            return None;
        }
        self.seen = version;
        self.next_words = Instant::now() + WORDS_EVERY;
        let (all, absent) = self.page.view.words(self.node);
        let new: Words = all.into_iter().filter(|(k, v)| self.words.get(k) != Some(v)).collect();
        let data = serde_json::json!({ "words": new, "absent": absent }).to_string();
        self.words.extend(new);
        Some(Event::default().event("words").data(data))
    }

    /// Pictures and lists that changed.
    async fn parts(&mut self) -> Option<Event> {
        if Instant::now() < self.next_parts {
            return None;
        }
        self.next_parts = Instant::now() + PARTS_EVERY;
        let node = self.node;
        let (parts, stamp) = aside(self.page.clone(), move |p| p.view.parts(node)).await?;
        let known = |place: &str| stamp == self.drawn && View::is_of_log(place);
        let new: HashMap<_, _> =
            parts.into_iter().filter(|(k, v)| self.sent.get(k) != Some(v) && !known(k)).collect();
        if new.is_empty() {
            return None;
        }
        let data = serde_json::to_string(&new).unwrap_or_default();
        self.sent.extend(new);
        Some(Event::default().event("parts").data(data))
    }
}

/// Words at every change, at most ten times a second; pictures every few seconds.
async fn live(
    State(page): State<Arc<Page>>,
    uri: Uri,
) -> Sse<impl futures_util::Stream<Item = Result<Event, Infallible>>> {
    let now = Instant::now();
    let stream = Stream {
        node: page.view.choose(node_asked(&uri)),
        drawn: asked(&uri, "drawn").unwrap_or(0),
        page,
        began: now,
        seen: u64::MAX,
        next_words: now,
        next_parts: now,
        words: Words::new(),
        sent: HashMap::new(),
    };
    let events = futures_util::stream::unfold(stream, |mut s| async move {
        loop {
            if s.began.elapsed() > LONGEST_STREAM || s.page.view.shared.is_stopping() {
                return None;
            }
            s.page.view.shared.looked_at();
            if let Some(event) = s.words() {
                return Some((Ok(event), s));
            }
            if let Some(event) = s.parts().await {
                return Some((Ok(event), s));
            }
            tokio::time::sleep(LOOK_EVERY).await;
        }
    });
    Sse::new(events).keep_alive(KeepAlive::default())
}
