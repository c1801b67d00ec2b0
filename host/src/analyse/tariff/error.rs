//! Why a tariff file cannot be used: always with the file, the line and the key.

use std::path::PathBuf;

/// Why a tariff file cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum TariffError {
    /// The file cannot be read.
    #[error("cannot read the tariff file {}: {source}; check its path (--tariff, or tariff under [watch] in the site file)", file.display())]
    Read {
        /// The file.
        file: PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
    /// An entry makes no sense.
    #[error("{}, line {line}: {key}: {message}", file.display())]
    Entry {
        /// The file.
        file: PathBuf,
        /// The line, from 1.
        line: usize,
        /// The key, with its section.
        key: String,
        /// What is wrong and what to do.
        message: String,
    },
}

/// What is wrong at a place in the text.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Fault {
    /// Position in the text, in bytes.
    pub at: usize,
    /// The key, with its section.
    pub key: String,
    /// What is wrong and what to do.
    pub message: String,
}
