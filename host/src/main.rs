//! The `wattless` program: maps results to exit codes and does nothing else.
#![forbid(unsafe_code)]

mod cli;

use std::process::ExitCode;

fn main() -> ExitCode {
    match cli::run() {
        Ok(cli::Outcome::Done) => ExitCode::SUCCESS,
        Ok(cli::Outcome::No) => ExitCode::from(1),
        Err(error) => {
            eprintln!("wattless: {error:#}");
            ExitCode::from(2)
        }
    }
}
