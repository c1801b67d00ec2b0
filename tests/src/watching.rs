//! A `wattless watch` in a process of its own, with what it says.

use crate::program;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// Longest wait for anything that must happen; machines that test are slow.
pub const PATIENCE: Duration = Duration::from_secs(120);

/// Waits until something is so.
///
/// Panics with `what` when it does not come about.
pub fn until(what: &str, mut is_so: impl FnMut() -> bool) {
    let began = Instant::now();
    while !is_so() {
        assert!(began.elapsed() < PATIENCE, "{what}: not within {PATIENCE:?}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// Waits until something is there, and gives it.
///
/// Panics with `what` when it does not come.
pub fn found<T>(what: &str, mut look: impl FnMut() -> Option<T>) -> T {
    let mut there = None;
    until(what, || {
        there = look();
        there.is_some()
    });
    there.expect("found")
}

/// Body of what a page, given as HOST:PORT, answers to a path.
///
/// Panics where it does not answer well.
pub fn get(page: &str, path: &str) -> String {
    let mut stream = TcpStream::connect(page).expect("the page is served");
    stream.set_read_timeout(Some(PATIENCE)).expect("a socket");
    let ask = format!("GET {path} HTTP/1.0\r\nHost: {page}\r\n\r\n");
    stream.write_all(ask.as_bytes()).expect("sent");
    let mut text = String::new();
    stream.read_to_string(&mut text).expect("answered");
    let (head, body) = text.split_once("\r\n\r\n").expect("a head");
    assert!(head.contains(" 200 "), "{path}: {head}");
    body.to_owned()
}

/// A watch that runs; killed when this goes out of scope.
pub struct Watching {
    child: Child,
    said: Arc<Mutex<Vec<String>>>,
}

impl Watching {
    /// Starts a watch with its arguments behind `wattless watch`.
    pub fn new<A: AsRef<std::ffi::OsStr>>(store: &Path, more: &[A]) -> Watching {
        let mut command = program::command();
        command.arg("watch").arg(store).args(more);
        Watching::of(command)
    }

    /// Watches a node with a site file and the page on a free port, pulling every second.
    pub fn with_page(store: &Path, node: &str, site: &Path) -> Watching {
        let site = site.display().to_string();
        let page = ["--listen", "127.0.0.1:0", "--pull-every", "1", "--site"];
        Watching::new(store, &[&[node][..], &page[..], &[site.as_str()][..]].concat())
    }

    /// Starts a command that becomes a watch.
    pub fn of(mut command: Command) -> Watching {
        let mut child =
            command.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().expect("a watch starts");
        let said = Arc::new(Mutex::new(Vec::new()));
        let (lines, err) = (said.clone(), BufReader::new(child.stderr.take().expect("piped")));
        std::thread::spawn(move || {
            for line in err.lines().map_while(Result::ok) {
                lines.lock().expect("lines").push(line);
            }
        });
        Watching { child, said }
    }

    /// Number of the process.
    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// Every line that it has said.
    pub fn said(&self) -> Vec<String> {
        self.said.lock().expect("lines").clone()
    }

    /// How often it has said words.
    pub fn times(&self, words: &str) -> usize {
        self.said().iter().filter(|l| l.contains(words)).count()
    }

    /// Waits for words.
    pub fn wait_for(&mut self, words: &str) -> String {
        let mut found = None;
        until(&format!("the watch says \"{words}\""), || {
            found = self.said().into_iter().find(|l| l.contains(words));
            let ended = self.ended();
            assert!(found.is_some() || ended.is_none(), "{ended:?}: {:#?}", self.said());
            found.is_some()
        });
        found.unwrap_or_default()
    }

    /// Where its page is, as HOST:PORT.
    pub fn page(&mut self) -> String {
        let line = self.wait_for("page at http://");
        let at = line.split("http://").nth(1).unwrap_or_default();
        at.trim_end_matches('/').to_owned()
    }

    /// How it ended, if it has.
    pub fn ended(&mut self) -> Option<ExitStatus> {
        self.child.try_wait().expect("a child")
    }

    /// Kills it at once, as a power cut would.
    pub fn kill(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }

    /// Sends it a signal by name.
    pub fn signal(&self, name: &str) {
        let sent = Command::new("kill").args(["-s", name, &self.id().to_string()]).status();
        assert!(sent.is_ok_and(|s| s.success()), "a signal can be sent");
    }

    /// Tells it to end, and waits until it has.
    pub fn end(&mut self) -> ExitStatus {
        self.signal("TERM");
        let mut status = None;
        until("the watch ends", || {
            status = self.ended();
            status.is_some()
        });
        status.expect("ended")
    }
}

impl Drop for Watching {
    fn drop(&mut self) {
        self.kill();
    }
}
