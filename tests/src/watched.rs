//! A watch in a process of its own, with what it says.

use crate::program::command;
use std::ffi::OsStr;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// Longest wait for anything: test machines may be busy.
pub const LONGEST: Duration = Duration::from_secs(120);

/// Waits until something is there.
///
/// Panics when it does not come.
pub fn until<T>(what: &str, mut look: impl FnMut() -> Option<T>) -> T {
    let begin = Instant::now();
    loop {
        if let Some(found) = look() {
            return found;
        }
        assert!(begin.elapsed() < LONGEST, "waited in vain until {what}");
        std::thread::sleep(Duration::from_millis(50));
    }
}

/// A running watch, killed when this goes out of scope.
pub struct Watched {
    child: Child,
    /// Where the page is, such as `127.0.0.1:40123`.
    pub page: String,
    said: Arc<Mutex<Vec<String>>>,
}

impl Watched {
    /// Watches nodes into a store, with a site file and the page on a free port.
    pub fn new<A: AsRef<OsStr>>(store: &Path, nodes: &[A], site: &Path) -> Watched {
        let mut child = command()
            .arg("watch")
            .arg(store)
            .args(nodes)
            .arg("--site")
            .arg(site)
            .args(["--listen", "127.0.0.1:0", "--pull-every", "1"])
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program starts");
        let said = Arc::new(Mutex::new(Vec::new()));
        let lines = BufReader::new(child.stderr.take().expect("piped")).lines();
        let keep = said.clone();
        std::thread::spawn(move || {
            for line in lines.map_while(Result::ok) {
                keep.lock().expect("whole").push(line);
            }
        });
        let mut watched = Watched { child, page: String::new(), said };
        watched.page = until("the page is served", || {
            let at = |l: &String| Some(l.split("http://").nth(1)?.trim_end_matches('/').to_owned());
            watched.said().iter().find_map(at)
        });
        watched
    }

    /// What it said so far, line by line.
    pub fn said(&self) -> Vec<String> {
        self.said.lock().expect("whole").clone()
    }

    /// Number of its process.
    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    /// Body of what it answers to a path.
    pub fn get(&self, path: &str) -> String {
        let mut stream = TcpStream::connect(&self.page).expect("the page is served");
        stream.set_read_timeout(Some(LONGEST)).expect("a socket");
        let ask = format!("GET {path} HTTP/1.0\r\nHost: {}\r\n\r\n", self.page);
        stream.write_all(ask.as_bytes()).expect("sent");
        let mut text = String::new();
        stream.read_to_string(&mut text).expect("answered");
        let (head, body) = text.split_once("\r\n\r\n").expect("a head");
        assert!(head.contains(" 200 "), "{path}: {head}");
        body.to_owned()
    }
}

impl Drop for Watched {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
