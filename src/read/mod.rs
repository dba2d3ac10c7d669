//! Files to tables: the format is told from the content, never from the file's name.

mod table;

pub use table::{Column, Table};

use std::path::PathBuf;

/// What the caller knows of a file, mostly from the rig.
#[derive(Clone, Debug, Default)]
pub struct ReadOptions {
    /// Decimal mark, when stated.
    pub decimal: Option<char>,
}

/// Why a file could not be read: what, where, what was found, what to do.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ReadError {
    /// The file could not be opened or read.
    #[error("cannot read {path}: {source}")]
    Io {
        /// File.
        path: PathBuf,
        /// Cause.
        source: std::io::Error,
    },
    /// The content is no log.
    #[error("cannot read {path}{place}: {problem}\n  found: {found}\n  help: {help}")]
    Content {
        /// File.
        path: PathBuf,
        /// `, line 12, column 3 ("AFR_1")`, or empty.
        place: String,
        /// What is wrong.
        problem: String,
        /// What stands there.
        found: String,
        /// What to do.
        help: String,
    },
}
