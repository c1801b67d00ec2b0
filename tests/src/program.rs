//! The `wattless` program itself, for checks from the outside.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::OnceLock;

/// The program, built once beside the tests in their profile.
///
/// Panics when it cannot be built: a check of the program must not pass without it.
pub fn path() -> &'static Path {
    static PATH: OnceLock<PathBuf> = OnceLock::new();
    PATH.get_or_init(|| {
        // Tests lie in TARGET/PROFILE/deps.
        let own = std::env::current_exe().expect("a test knows its own path");
        let folder = own.ancestors().nth(2).expect("a test lies in a profile's folder");
        let mut build = Command::new(std::env::var_os("CARGO").unwrap_or("cargo".into()));
        build.current_dir(env!("CARGO_MANIFEST_DIR"));
        build.args(["build", "--quiet", "--workspace", "--bin", "wattless"]);
        // A test beside it brings in the features of a whole test run: nothing is compiled twice.
        build.args(["--test", "bench_node"]);
        if cfg!(feature = "pdf") {
            build.args(["--features", "wattless-tests/pdf"]);
        }
        build.arg("--target-dir").arg(folder.parent().expect("a profile lies in a target folder"));
        if folder.ends_with("release") {
            build.arg("--release");
        }
        let built = build.status();
        assert!(built.is_ok_and(|s| s.success()), "the program could not be built");
        folder.join(format!("wattless{}", std::env::consts::EXE_SUFFIX))
    })
}

/// A command that runs the program.
pub fn command() -> Command {
    Command::new(path())
}

/// A bench node in a process of its own, ended when this goes out of scope.
pub struct Served {
    child: Child,
    /// Where it serves, as other commands take it.
    pub address: String,
}

impl Served {
    /// Serves on a free port with more arguments of `wattless bench`.
    ///
    /// Panics when it does not say where it serves: a check of a live node must not pass without.
    pub fn new<A: AsRef<std::ffi::OsStr>>(more: &[A]) -> Served {
        let mut child = command()
            .args(["bench", "--serve", "tcp:127.0.0.1:0"])
            .args(more)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("the program starts");
        let out = BufReader::new(child.stdout.take().expect("piped"));
        let of_line = |line: String| {
            let mut words = line.split(|c: char| c.is_whitespace() || c == '"').map(str::to_owned);
            words.find(|w| w.starts_with("tcp:"))
        };
        let address =
            out.lines().map_while(Result::ok).find_map(of_line).expect("says where it serves");
        Served { child, address }
    }
}

impl Served {
    /// Number of its process.
    pub fn pid(&self) -> u32 {
        self.child.id()
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
