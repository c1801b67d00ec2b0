//! The `wattless` program: maps results to exit codes and does nothing else.
#![forbid(unsafe_code)]

mod cli;

use std::process::ExitCode;

fn main() -> ExitCode {
    match cli::run() {
        Ok(cli::Outcome::Done) => ExitCode::SUCCESS,
        Ok(cli::Outcome::No) => ExitCode::from(1),
        Ok(cli::Outcome::Undecided) => ExitCode::from(2),
        Err(error) => {
            eprintln!("wattless: {}", message(&error));
            ExitCode::from(2)
        }
    }
}

/// The error with its causes, each said once: many say their cause themselves.
fn message(error: &anyhow::Error) -> String {
    let mut text = error.to_string();
    for cause in error.chain().skip(1).map(ToString::to_string) {
        if !text.contains(&cause) {
            text = format!("{text}: {cause}");
        }
    }
    text
}
