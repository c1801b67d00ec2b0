//! A `wattless watch` in a process of its own, with what it says.

use crate::program;
use std::io::{BufRead, BufReader};
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
