//! Who may see the page: reading only, under its own names, for its own pages, with the token.
//!
//! A name that another site's owner points at this computer (DNS rebinding) is no name of ours; a
//! script of another site gets no answer that it could read; and a wrong token costs a while.

use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use sha2::{Digest, Sha256};
use std::net::{Ipv4Addr, Ipv6Addr};
use std::sync::Arc;
use std::time::Duration;

/// How long a wrong token waits for its answer.
const WRONG_TOKEN: Duration = Duration::from_millis(500);

/// Name of the cookie that holds the token after the first visit.
const COOKIE: &str = "wattless";

/// Who is let in.
#[derive(Debug)]
pub struct Door {
    /// Digest of the token, where there is one.
    token: Option<[u8; 32]>,
    /// Names besides numbers and `localhost`, in small letters.
    names: Vec<String>,
}

/// The digest under which tokens are compared: how long that takes tells nothing of the token.
fn digest(token: &str) -> [u8; 32] {
    Sha256::digest(token.as_bytes()).into()
}

impl Door {
    /// A door with a token, if there is one, and names under which the page is reached.
    pub fn new(token: Option<&str>, names: &[String]) -> Door {
        let mut all: Vec<String> = names.iter().map(|n| n.to_ascii_lowercase()).collect();
        if let Some(own) = own_name() {
            let short = own.split('.').next().unwrap_or_default().to_owned();
            all.extend([format!("{own}.local"), format!("{short}.local"), short, own]);
        }
        Door { token: token.map(digest), names: all }
    }

    /// Whether a request's name for this computer is one that nobody else can point here.
    fn knows(&self, host: &str) -> bool {
        let Some(name) = without_port(host) else { return false };
        let name = name.strip_suffix('.').unwrap_or(name).to_ascii_lowercase();
        if let Some(number) = name.strip_prefix('[').and_then(|n| n.strip_suffix(']')) {
            return number.parse::<Ipv6Addr>().is_ok();
        }
        name.parse::<Ipv4Addr>().is_ok() || name == "localhost" || self.names.contains(&name)
    }

    fn opens_to(&self, given: &str) -> bool {
        self.token.is_none_or(|token| token == digest(given))
    }
}

/// The name of this computer, where the system tells it as a file.
fn own_name() -> Option<String> {
    let files = ["/proc/sys/kernel/hostname", "/etc/hostname"];
    let text = files.iter().find_map(|f| std::fs::read_to_string(f).ok())?;
    let name = text.trim().to_ascii_lowercase();
    (!name.is_empty()).then_some(name)
}

/// A host without its port; none where there is something else behind it.
fn without_port(host: &str) -> Option<&str> {
    let end = host.rfind(']').map_or(0, |at| at + 1);
    let (name, port) = match host.get(end..)?.find(':') {
        Some(colon) => host.split_at(end + colon),
        None => (host, ""),
    };
    let port = port.strip_prefix(':').unwrap_or(port);
    let bare = end == 0 || name.len() == end;
    (bare && !name.is_empty() && port.bytes().all(|b| b.is_ascii_digit())).then_some(name)
}

/// The one value of a header; none where there are several.
fn only<'a>(headers: &'a HeaderMap, name: &str) -> Option<&'a str> {
    let mut all = headers.get_all(name).iter();
    let first = all.next()?;
    if all.next().is_some() { None } else { first.to_str().ok() }
}

fn cookie(headers: &HeaderMap) -> Option<&str> {
    let all = only(headers, "cookie")?;
    all.split(';').filter_map(|c| c.trim().split_once('=')).find(|c| c.0 == COOKIE).map(|c| c.1)
}

fn bearer(headers: &HeaderMap) -> Option<&str> {
    only(headers, "authorization")?.strip_prefix("Bearer ")
}

fn says(status: StatusCode, words: &'static str) -> Response {
    armoured((status, [(header::CONNECTION, "close")], words).into_response())
}

/// Whether a page of another site asks, other than by a link that somebody follows.
fn from_elsewhere(request: &Request, host: &str) -> bool {
    let headers = request.headers();
    if headers.contains_key(header::ORIGIN) {
        let origin = only(headers, "origin").and_then(|o| o.split_once("://")).map(|o| o.1);
        if origin.is_none_or(|o| !o.eq_ignore_ascii_case(host)) {
            return true;
        }
    }
    let fetch = |name| only(headers, name).unwrap_or_default();
    match fetch("sec-fetch-site") {
        "cross-site" | "same-site" => {
            let follows =
                fetch("sec-fetch-mode") == "navigate" && fetch("sec-fetch-dest") == "document";
            !(follows && request.uri().path() == "/")
        }
        _ => false,
    }
}

/// What is wrong with a request before anybody looks at its token.
fn refused(door: &Door, request: &Request) -> Option<Response> {
    if request.method() != Method::GET && request.method() != Method::HEAD {
        let mut no = says(StatusCode::METHOD_NOT_ALLOWED, "This page is for reading only.\n");
        no.headers_mut().insert(header::ALLOW, HeaderValue::from_static("GET, HEAD"));
        return Some(no);
    }
    let headers = request.headers();
    let length = headers.get(header::CONTENT_LENGTH).map(HeaderValue::as_bytes);
    if length.is_some_and(|n| n != b"0") || headers.contains_key(header::TRANSFER_ENCODING) {
        return Some(says(StatusCode::PAYLOAD_TOO_LARGE, "Nothing is to be sent here.\n"));
    }
    let Some(host) = only(headers, "host") else {
        return Some(says(StatusCode::BAD_REQUEST, "The request lacks its one Host.\n"));
    };
    let authority = request.uri().authority().map(|a| a.as_str());
    if !door.knows(host) || authority.is_some_and(|a| a != host) {
        let words = "This page is not served under that name. Use the computer's number, or add \
                     the name to names under [watch] in the site file.\n";
        return Some(says(StatusCode::MISDIRECTED_REQUEST, words));
    }
    if from_elsewhere(request, host) {
        return Some(says(StatusCode::FORBIDDEN, "This page does not talk to other sites.\n"));
    }
    None
}

/// Lets through who may see the page.
pub async fn guard(State(door): State<Arc<Door>>, request: Request, next: Next) -> Response {
    if let Some(no) = refused(&door, &request) {
        return no;
    }
    let given = bearer(request.headers()).or_else(|| cookie(request.headers()));
    if door.token.is_none() || given.is_some_and(|g| door.opens_to(g)) {
        return armoured(next.run(request).await);
    }
    let asked = request.uri().query().and_then(|q| q.strip_prefix("token="));
    if let Some(token) = asked.filter(|a| request.uri().path() == "/" && door.opens_to(a)) {
        let set = format!("{COOKIE}={token}; HttpOnly; SameSite=Strict; Path=/; Max-Age=31536000");
        let mut response = (StatusCode::SEE_OTHER, [(header::LOCATION, "./")]).into_response();
        if let Ok(value) = HeaderValue::from_str(&set) {
            response.headers_mut().insert(header::SET_COOKIE, value);
        }
        return armoured(response);
    }
    if given.is_some() || asked.is_some() {
        tokio::time::sleep(WRONG_TOKEN).await;
    }
    let words = "This page needs its token: open it once as http://HOST:PORT/?token=TOKEN\n";
    says(StatusCode::UNAUTHORIZED, words)
}

/// Headers that keep other sites' scripts and frames away.
fn armoured(mut response: Response) -> Response {
    let policy = "default-src 'none'; style-src 'unsafe-inline'; script-src 'self'; \
                  connect-src 'self'; img-src data:; frame-ancestors 'none'; base-uri 'none'; \
                  form-action 'none'";
    for (name, value) in [
        (header::CONTENT_SECURITY_POLICY.as_str(), policy),
        (header::X_CONTENT_TYPE_OPTIONS.as_str(), "nosniff"),
        (header::REFERRER_POLICY.as_str(), "no-referrer"),
        (header::CACHE_CONTROL.as_str(), "no-store"),
        ("cross-origin-resource-policy", "same-origin"),
        ("cross-origin-opener-policy", "same-origin"),
    ] {
        response
            .headers_mut()
            .insert(axum::http::HeaderName::from_static(name), HeaderValue::from_static(value));
    }
    response
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_and_own_names_are_known_and_no_others() {
        let door = Door::new(None, &["Monitor.Brackwater.example".to_owned()]);
        for host in [
            "127.0.0.1:8420",
            "192.168.4.20",
            "[::1]:8420",
            "[fe80::1]",
            "localhost:8420",
            "LOCALHOST",
            "localhost.",
            "monitor.brackwater.example:443",
        ] {
            assert!(door.knows(host), "{host}");
        }
        for host in [
            "",
            ":8420",
            "elsewhere.example",
            "elsewhere.example:8420",
            "localhost.elsewhere.example",
            "127.0.0.1.elsewhere.example",
            "127.0.0.1@elsewhere.example",
            "[::1].elsewhere.example",
            "[::1",
            "::1",
            "127.1",
            "2130706433",
            "0x7f.0.0.1",
            "localhost:80:80",
            "localhost:port",
            "monitor.brackwater.example.elsewhere.example",
        ] {
            assert!(!door.knows(host), "{host}");
        }
        let own = own_name().unwrap_or_default();
        assert!(own.is_empty() || door.knows(&own));
    }

    #[test]
    fn a_token_opens_only_whole() {
        let door = Door::new(Some("0123456789abcdef"), &[]);
        assert!(door.opens_to("0123456789abcdef"));
        for wrong in ["", "0123456789abcde", "0123456789abcdef0", "0123456789abcdeF"] {
            assert!(!door.opens_to(wrong), "{wrong}");
        }
    }
}
