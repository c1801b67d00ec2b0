//! The `wattless` program itself, for checks from the outside.

use std::path::{Path, PathBuf};
use std::process::Command;
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
