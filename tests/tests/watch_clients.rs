//! Clients of the page that misbehave: each is refused or bounded, and pulls and readings go on.
//!
//! Status codes after RFC 9110 (401, 403, 404, 405, 413, 421), RFC 6585 (431) and RFC 9112 (400 for
//! a request without its Host).

use std::io::{Read, Write};
use std::net::{Shutdown, TcpStream};
use std::path::PathBuf;
use std::time::{Duration, Instant};
use wattless::collect::store::{NodeId, Store};
use wattless_tests::program;
use wattless_tests::rough_plant::RoughPlant;
use wattless_tests::watching::{Watching, until};

const TOKEN: &str = "saw-dust_and.shavings~42";

struct Served {
    plant: RoughPlant,
    folder: tempfile::TempDir,
    watch: Watching,
    at: String,
}

impl Served {
    /// A watch of a node with a record a second; the page asks for the token.
    fn new() -> Served {
        let plant = RoughPlant::new(1, 1, 1 << 20, 7);
        plant.with(|w| w.pace(2.0));
        let folder = tempfile::tempdir().expect("a folder");
        let token = folder.path().join("token");
        std::fs::write(&token, format!("{TOKEN}\n")).expect("a token file");
        let args = ["--pull-every", "1", "--listen", "127.0.0.1:0", "--token-file"];
        let mut all: Vec<String> = vec![plant.address.clone()];
        all.extend(args.map(str::to_owned));
        all.push(token.display().to_string());
        let mut watch = Watching::new(&folder.path().join("store"), &all);
        let at = watch.page();
        Served { plant, folder, watch, at }
    }

    fn store(&self) -> PathBuf {
        self.folder.path().join("store")
    }

    fn connect(&self) -> TcpStream {
        let stream = TcpStream::connect(&self.at).expect("connects");
        stream.set_read_timeout(Some(Duration::from_secs(60))).expect("a socket");
        stream
    }

    /// Sends bytes and gives everything that comes back until the other end closes.
    fn raw(&self, bytes: &[u8]) -> String {
        let mut stream = self.connect();
        // The other end may refuse before it has read all.
        let _ = stream.write_all(bytes);
        let mut answer = Vec::new();
        let mut chunk = [0; 4096];
        while let Ok(n) = stream.read(&mut chunk) {
            if n == 0 {
                break;
            }
            answer.extend_from_slice(&chunk[..n]);
        }
        String::from_utf8_lossy(&answer).into_owned()
    }

    /// Asks with more lines in the head, and closes.
    fn ask(&self, method: &str, path: &str, more: &str) -> String {
        let at = &self.at;
        let head =
            format!("{method} {path} HTTP/1.1\r\nHost: {at}\r\nConnection: close\r\n{more}\r\n");
        self.raw(head.as_bytes())
    }

    fn with_token(&self, path: &str, more: &str) -> String {
        self.ask("GET", path, &format!("Authorization: Bearer {TOKEN}\r\n{more}"))
    }

    /// Pulls and live readings so far.
    fn counters(&self) -> (u64, u64) {
        let text = self.with_token("/metrics", "");
        assert_eq!(code(&text), 200, "{text}");
        let of = |name: &str| {
            let line = text.lines().find(|l| l.starts_with(&format!("wattless_{name}_total{{")));
            let value = line.and_then(|l| l.rsplit(' ').next()?.parse().ok());
            value.unwrap_or_else(|| panic!("no {name} in {text}"))
        };
        (of("pulls"), of("readings"))
    }

    fn last_seq(&self) -> u32 {
        let extent = Store::open(self.store()).and_then(|s| s.extent(NodeId(self.plant.id)));
        extent.ok().and_then(|e| e.last_seq).unwrap_or(0)
    }

    fn files(&self) -> usize {
        let folder = format!("/proc/{}/fd", self.watch.id());
        std::fs::read_dir(folder).map_or(0, Iterator::count)
    }
}

/// The status code of an answer; 0 for none.
fn code(answer: &str) -> u16 {
    let line = answer.lines().next().unwrap_or_default();
    line.strip_prefix("HTTP/1.1 ").and_then(|l| l.get(..3)?.parse().ok()).unwrap_or(0)
}

#[test]
fn what_is_not_for_this_page_is_refused() {
    let s = Served::new();
    until("a first pull", || s.counters().0 > 0);

    // The token: as a header, as a cookie, in the first address; never in what comes back.
    assert_eq!(code(&s.ask("GET", "/", "")), 401);
    for wrong in ["", &TOKEN[1..], &TOKEN.to_uppercase()] {
        let head = format!("Authorization: Bearer {wrong}\r\n");
        assert_eq!(code(&s.ask("GET", "/", &head)), 401, "{wrong}");
        assert_eq!(code(&s.ask("GET", &format!("/?token={wrong}"), "")), 401, "{wrong}");
        let head = format!("Cookie: a=b; wattless={wrong}\r\n");
        assert_eq!(code(&s.ask("GET", "/live", &head)), 401, "{wrong}");
    }
    let page = s.with_token("/", "");
    assert!(code(&page) == 200 && !page.contains(TOKEN));
    let first = s.ask("GET", &format!("/?token={TOKEN}"), "");
    assert_eq!(code(&first), 303, "{first}");
    let set = first.lines().find(|l| l.to_ascii_lowercase().starts_with("set-cookie:"));
    let set = set.expect("a cookie");
    assert!(set.contains("HttpOnly") && set.contains("SameSite=Strict"), "{set}");
    let head = format!("Cookie: other=1; wattless={TOKEN}\r\n");
    assert_eq!(code(&s.ask("GET", "/", &head)), 200);
    // Only the first page takes it from the address, so that it stands in no other.
    assert_eq!(code(&s.ask("GET", &format!("/metrics?token={TOKEN}"), "")), 401);

    // Paths: there are no files behind the page.
    let long = format!("/{}", "a".repeat(9000));
    for path in [
        "/../../etc/passwd",
        "/%2e%2e/%2e%2e/etc/passwd",
        "/..%2f..%2fetc/passwd",
        "/%00",
        "/live/",
        "//",
        "/alarms.jsonl",
        "/catalogue.sqlite",
        long.as_str(),
    ] {
        let answer = s.with_token(path, "");
        assert_eq!(code(&answer), 404, "{path}: {answer}");
        assert!(!answer.contains("root:"));
    }
    for path in ["/\0", "/a b", "no-slash", ""] {
        let answer = s.with_token(path, "");
        assert!(matches!(code(&answer), 400 | 421), "{path:?}: {answer}");
    }

    // Reading only.
    for method in ["POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT", "BREW"] {
        let path = if method == "CONNECT" { "127.0.0.1:1" } else { "/" };
        let answer = s.ask(method, path, &format!("Authorization: Bearer {TOKEN}\r\n"));
        assert!(matches!(code(&answer), 405 | 400), "{method}: {answer}");
    }
    let head = s.ask("HEAD", "/", &format!("Authorization: Bearer {TOKEN}\r\n"));
    assert!(code(&head) == 200 && head.ends_with("\r\n\r\n"), "{head}");

    // Sizes.
    let big = format!("X-Big: {}\r\n", "b".repeat(1 << 20));
    assert!(matches!(code(&s.with_token("/", &big)), 431 | 0));
    let many: String = (0..2000).map(|k| format!("X-{k}: 1\r\n")).collect();
    assert!(matches!(code(&s.with_token("/", &many)), 431 | 0));
    assert_eq!(code(&s.with_token("/", "Content-Length: 1000000000\r\n")), 413);
    assert_eq!(code(&s.with_token("/", "Transfer-Encoding: chunked\r\n")), 413);
    assert!(matches!(code(&s.with_token("/", "Content-Length: -1\r\n")), 400));
    assert!(matches!(code(&s.raw(&[0xFF; 30_000])), 400 | 431 | 0));
    assert!(matches!(code(&s.raw(&[0; 100])), 400 | 0));
    // The first bytes of a TLS client's greeting.
    assert!(matches!(code(&s.raw(b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03")), 400 | 0));

    // Names: another site's name that points here (DNS rebinding) is not answered.
    let named = |host: &str| {
        let head = format!(
            "GET / HTTP/1.1\r\n{host}Connection: close\r\nAuthorization: Bearer {TOKEN}\r\n\r\n"
        );
        code(&s.raw(head.as_bytes()))
    };
    assert_eq!(named("Host: elsewhere.example\r\n"), 421);
    assert_eq!(named("Host: 127.0.0.1.elsewhere.example:8420\r\n"), 421);
    assert_eq!(named("Host: localhost:8420\r\n"), 200);
    assert_eq!(named("Host: [::1]:8420\r\n"), 200);
    assert_eq!(named(""), 400);
    assert_eq!(named("Host: localhost\r\nHost: elsewhere.example\r\n"), 400);

    // Other sites: no answer that their scripts could read, no frame, no style from outside.
    for (head, want) in [
        ("Origin: http://elsewhere.example\r\n", 403),
        ("Origin: null\r\n", 403),
        ("Sec-Fetch-Site: cross-site\r\nSec-Fetch-Mode: no-cors\r\n", 403),
        ("Sec-Fetch-Site: same-site\r\nSec-Fetch-Mode: cors\r\n", 403),
        (
            "Sec-Fetch-Site: cross-site\r\nSec-Fetch-Mode: navigate\r\nSec-Fetch-Dest: iframe\r\n",
            403,
        ),
        (
            "Sec-Fetch-Site: cross-site\r\nSec-Fetch-Mode: navigate\r\nSec-Fetch-Dest: document\r\n",
            200,
        ),
        ("Sec-Fetch-Site: same-origin\r\nSec-Fetch-Mode: cors\r\n", 200),
        ("Sec-Fetch-Site: none\r\nSec-Fetch-Mode: navigate\r\n", 200),
    ] {
        assert_eq!(code(&s.with_token("/", head)), want, "{head}");
    }
    let own = format!("Origin: http://{}\r\n", s.at);
    let answer = s.with_token("/", &own).to_ascii_lowercase();
    assert_eq!(code(&answer.replacen("http/", "HTTP/", 1)), 200);
    assert!(!answer.contains("access-control-"), "{answer}");
    for line in [
        "content-security-policy: default-src 'none'",
        "x-content-type-options: nosniff",
        "referrer-policy: no-referrer",
        "cache-control: no-store",
        "cross-origin-resource-policy: same-origin",
    ] {
        assert!(answer.contains(line), "{line} in {answer}");
    }

    let before = s.counters();
    until("readings and pulls go on", || {
        let now = s.counters();
        now.0 > before.0 && now.1 > before.1
    });
    let said = s.watch.said().join("\n");
    assert!(!said.contains(TOKEN) && !said.contains("panicked"), "{said}");
}

#[test]
fn many_and_slow_clients_hold_up_nothing() {
    let s = Served::new();
    until("a first pull", || s.counters().0 > 0 && s.last_seq() > 0);
    let files = s.files();
    let before = s.counters();
    let (began, seq) = (Instant::now(), s.last_seq());

    // A head a byte at a time; pages that are open and never read; hundreds that say nothing.
    let drip = s.connect();
    let mut open = Vec::new();
    for _ in 0..20 {
        let mut stream = s.connect();
        let head = format!(
            "GET /live HTTP/1.1\r\nHost: {}\r\nAuthorization: Bearer {TOKEN}\r\n\r\n",
            s.at
        );
        stream.write_all(head.as_bytes()).expect("asks");
        open.push(stream);
    }
    let mut many = Vec::new();
    for k in 0..400 {
        if let Ok(mut stream) = TcpStream::connect(&s.at) {
            if k % 2 == 0 {
                let _ = stream.write_all(b"GET / HT");
            }
            many.push(stream);
        }
    }
    let closed = std::thread::spawn(move || {
        let mut drip = drip;
        let began = Instant::now();
        for byte in b"GET / HTTP/1.1\r\nX-Slow: ".iter().chain(std::iter::repeat(&b'a')) {
            if drip.write_all(&[*byte]).is_err() || began.elapsed() > Duration::from_secs(90) {
                break;
            }
            std::thread::sleep(Duration::from_millis(200));
        }
        began.elapsed()
    });
    let held = s.files();
    assert!(held < files + 100, "{held} files are open, {files} before");
    until("pulls go on", || s.last_seq() > seq + 6);
    let slow = closed.join().expect("ends");
    assert!(slow < Duration::from_secs(60), "a slow head was held for {slow:?}");
    // Those that said nothing are gone by now, so there is room again beside the open pages.
    let room = || {
        let Ok(mut stream) = TcpStream::connect(&s.at) else { return false };
        let _ = stream.set_read_timeout(Some(Duration::from_secs(20)));
        let head = format!("GET /metrics HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n", s.at);
        let head = format!("{head}Authorization: Bearer {TOKEN}\r\n\r\n");
        let mut text = String::new();
        let _ = stream.write_all(head.as_bytes());
        let _ = stream.read_to_string(&mut text);
        text.starts_with("HTTP/1.1 200")
    };
    until("there is room again", room);
    let after = s.counters();
    let seconds = began.elapsed().as_secs();
    assert!(after.0 > before.0 + 2, "{before:?} to {after:?} in {seconds} s");
    assert!(after.1 > before.1 + 4, "{before:?} to {after:?} in {seconds} s");
    for stream in &open {
        let _ = stream.shutdown(Shutdown::Both);
    }
    drop((open, many));
    until("connections are given back", || s.files() <= files + 8);
}

#[test]
fn beyond_loopback_a_token_is_needed_from_the_start() {
    let folder = tempfile::tempdir().expect("a folder");
    let store = folder.path().join("store");
    let run = |args: &[&str]| {
        let mut command = program::command();
        command.arg("watch").arg(&store).arg("tcp:127.0.0.1:9").args(args);
        let out = command.output().expect("runs");
        (out.status.code(), String::from_utf8_lossy(&out.stderr).into_owned())
    };
    for at in ["0.0.0.0:0", "[::]:0", "192.0.2.1:8420"] {
        let (code, words) = run(&["--listen", at]);
        assert!(code == Some(2) && words.contains("token"), "{at}: {code:?} {words}");
    }
    let file = folder.path().join("token");
    for text in ["", "short\n", "\nsecond line holds the token\n", "with spaces in all of it\n"] {
        std::fs::write(&file, text).expect("a file");
        let name = file.display().to_string();
        let (code, words) = run(&["--listen", "0.0.0.0:0", "--token-file", &name]);
        assert!(code == Some(2) && words.contains("16 characters"), "{text:?}: {words}");
    }
    assert!(!store.exists(), "nothing is made before that");
}
