//! Files to tables: the format is told from the content, never from the file's name.

mod access;
mod arrow_claim;
mod arrow_column;
mod arrow_file;
mod cells;
mod compress;
mod dialect;
mod encoding;
mod header;
mod limits;
#[cfg(feature = "mdf")]
mod mdf;
#[cfg(feature = "mdf")]
mod mdf_claim;
#[cfg(feature = "mdf")]
mod merge;
mod nmea;
mod number;
mod parquet_claim;
mod parquet_file;
pub(crate) mod place;
mod stamp;
mod table;
mod text;
mod time;
mod time_name;
mod values;
mod write;

pub(crate) use access::{refusal, whole};
pub use arrow_file::{ROLE_KEY, SOURCE_NAME_KEY, UNIT_KEY, from_batches};
pub use cells::UNREADABLE_KEPT;
pub use header::HEADER_LINES;
pub(crate) use header::name_and_unit;
pub use limits::{COLUMNS_MOST, EXPANDED_MOST, FILE_MOST, RATIO_MOST, STREAM_MOST, TEXT_RATIO_MOST};
pub(crate) use limits::{SETTINGS_MOST, Thin};
pub(crate) use parquet_claim::footer;
pub use table::{Column, Table};
pub use text::ROUNDED;
pub use time::{TimeAxis, find_time};
pub use values::Values;
pub use write::{FieldMeta, FileFormat, WriteError, write_table};
pub(crate) use write::{checked_packing, marks, partly_read, write_parquet};

use std::borrow::Cow;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

use compress::Compression;
use limits::Allowance;

use crate::clip::clip;
use crate::log::{CutShort, Note, Source};

/// Characters of a file's text that a message quotes.
const QUOTED_MOST: usize = 200;

/// What the caller knows of a file, mostly from the rig.
#[derive(Clone, Debug, Default)]
pub struct ReadOptions {
    /// Decimal mark, when stated.
    pub decimal: Option<char>,
    /// Bytes that a packed file may expand to, when stated, in place of [`RATIO_MOST`], [`TEXT_RATIO_MOST`]
    /// and [`EXPANDED_MOST`].
    pub unpacked_most: Option<u64>,
}

/// Why a file could not be read: what, where, what was found, what to do.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ReadError {
    /// The file could not be opened or read.
    #[error("cannot read {path}: {}", refusal(path, source))]
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

/// Where in a file something stands.
#[derive(Debug, Default)]
struct Place {
    /// From 1.
    line: Option<u64>,
    /// Index from 0 and name.
    column: Option<(usize, String)>,
}

fn content_error(path: &str, place: Place, problem: &str, found: &str, help: &str) -> ReadError {
    let mut words = String::new();
    if let Some(line) = place.line {
        write!(words, ", line {line}").ok();
    }
    if let Some((index, name)) = place.column {
        write!(words, ", column {} (\"{}\")", index + 1, clip(place::quoted(&name), QUOTED_MOST)).ok();
    }
    ReadError::Content {
        path: PathBuf::from(path),
        place: words,
        problem: problem.to_owned(),
        found: if found.is_empty() { "nothing".to_owned() } else { clip(place::quoted(found), QUOTED_MOST) },
        help: help.to_owned(),
    }
}

/// Refuses a file of more columns than any logger writes: most of their cost does not depend on their rows.
fn check_columns(path: &str, columns: usize) -> Result<(), ReadError> {
    if columns <= COLUMNS_MOST {
        return Ok(());
    }
    let problem = format!("the file has more than {COLUMNS_MOST} columns");
    let help =
        "write one column per channel, and fewer of them; a log that has its channels in rows must be turned";
    Err(content_error(path, Place::default(), &problem, "a file that is not what it seems", help))
}

/// Reads a log file of any supported format.
///
/// # Errors
/// [`ReadError::Io`] when the file cannot be opened or read, else as [`from_bytes`].
pub fn open(path: &Path, options: &ReadOptions) -> Result<Table, ReadError> {
    if let Some(table) = text::read_file(path, options)? {
        return Ok(table);
    }
    let bytes =
        whole(path, FILE_MOST).map_err(|source| ReadError::Io { path: path.to_path_buf(), source })?;
    from_bytes(&path.to_string_lossy(), &bytes, options)
}

/// Reads a log from the bytes of a file: delimited text, Parquet, Arrow IPC or MDF 4, as it is or packed with gzip
/// or zstd.
///
/// * `name`: path for messages and for [`Source`]
///
/// # Errors
/// [`ReadError::Content`] when the bytes are empty, of another kind, damaged beyond use, or expand beyond
/// [`EXPANDED_MOST`], [`RATIO_MOST`] or [`TEXT_RATIO_MOST`].
pub fn from_bytes(name: &str, bytes: &[u8], options: &ReadOptions) -> Result<Table, ReadError> {
    if bytes.is_empty() {
        let help = "the logger closed it without writing; record it again";
        return Err(content_error(name, Place::default(), "the file is empty", "0 bytes", help));
    }
    let mut hashed = String::new();
    // Read by the thread that goes on with the table: what it frees on the way is of use to no other.
    let table = rayon::in_place_scope(|scope| {
        scope.spawn(|_| hashed = sha256(bytes));
        read_content(name, bytes, options)
    });
    let mut table = table?;
    table.source.sha256 = hashed;
    Ok(table)
}

/// SHA-256, hexadecimal.
pub(crate) fn sha256(bytes: &[u8]) -> String {
    hexadecimal(&Sha256::digest(bytes))
}

fn hexadecimal(digest: &[u8]) -> String {
    digest.iter().fold(String::with_capacity(64), |mut text, byte| {
        write!(text, "{byte:02x}").ok();
        text
    })
}

fn read_content(name: &str, bytes: &[u8], options: &ReadOptions) -> Result<Table, ReadError> {
    let allowance = Allowance { stored: bytes.len() as u64, stated: options.unpacked_most };
    let source = |format: Format, packed: &str, unpacked: u64| Source {
        path: name.to_owned(),
        sha256: String::new(),
        bytes: bytes.len() as u64,
        unpacked,
        format: format!("{}{packed}", format.name()),
        cut_short: None,
        unread: Vec::new(),
    };
    let Some(compression) = Compression::of(bytes) else {
        let format = Format::of(bytes);
        return of_format(
            format,
            source(format, "", bytes.len() as u64),
            Cow::Borrowed(bytes),
            options,
            allowance,
        );
    };
    let refuse = |why| refused(name, compression, &why);
    let measured = compress::measure(compression, bytes, allowance).map_err(refuse)?;
    let source = source(measured.format, &format!("+{}", compression.name()), measured.bytes);
    let table = match measured.format {
        Format::Text => text::read_packed(&source, compression, bytes, measured.bytes, options)?,
        _ => None,
    };
    let mut table = if let Some(table) = table {
        table
    } else {
        let content = compress::expand(compression, bytes, measured.bytes).map_err(refuse)?;
        of_format(measured.format, source, Cow::Owned(content), options, allowance)?
    };
    if let Some(error) = measured.cut_short {
        let text = format!("the {} data break off ({error}); what came before was read", compression.name());
        table.source.cut_short = Some(CutShort { why: text.clone(), row_only: false });
        table.notes.insert(0, Note { line: None, channel: None, text });
    }
    Ok(table)
}

/// Reads the content of a file, unpacked where it was packed.
fn of_format(
    format: Format,
    source: Source,
    content: Cow<'_, [u8]>,
    options: &ReadOptions,
    allowance: Allowance,
) -> Result<Table, ReadError> {
    let refuse = |problem: &str, found: &str, help: &str| {
        Err(content_error(&source.path, Place::default(), problem, found, help))
    };
    match format {
        Format::Text if nmea::is_nmea(&content) => nmea::read(source, &content),
        Format::Text => text::read(source, &content, options),
        Format::Parquet => parquet_file::read(source, content.into_owned(), allowance),
        Format::ArrowFile | Format::ArrowStream => {
            arrow_file::read_ipc(source, content.into_owned(), allowance)
        }
        #[cfg(feature = "mdf")]
        Format::Mdf => mdf::read(source, &content, allowance),
        #[cfg(not(feature = "mdf"))]
        Format::Mdf => refuse(
            "this program was built without MDF files",
            "an MDF file",
            "build with the feature `mdf`, or export the log as CSV, Parquet or Arrow IPC",
        ),
        Format::Zip => refuse(
            "this is an archive, not a log",
            "a zip archive",
            "unpack it and give the log inside; export spreadsheets as CSV",
        ),
    }
}

fn refused(name: &str, compression: Compression, why: &compress::Refused) -> ReadError {
    let kind = compression.name();
    let refuse =
        |problem: &str, found: &str, help: &str| content_error(name, Place::default(), problem, found, help);
    match why {
        compress::Refused::TooLarge { limit } => refuse(
            &format!("the {kind} data expand to more than {limit}"),
            "a file that is not what it seems",
            "if it is a real log, unpack it first, or set `unpacked_limit_mb` in the rig file",
        ),
        compress::Refused::NoLines => refuse(
            &format!("the {kind} data hold a line of more than {} MiB", limits::LINE_MOST >> 20),
            "a file that is not what it seems",
            "check that it is the log",
        ),
        compress::Refused::Damaged(error) => refuse(
            &format!("the {kind} data are damaged, or packed in a way that takes too much memory"),
            &error.to_string(),
            "copy the file again from where it was recorded, or unpack it first",
        ),
    }
}

/// Kinds of files, by their first bytes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Format {
    Text,
    Parquet,
    ArrowFile,
    ArrowStream,
    Mdf,
    Zip,
}

impl Format {
    fn of(bytes: &[u8]) -> Self {
        match bytes {
            [b'P', b'A', b'R', b'1', ..] => Self::Parquet,
            [b'A', b'R', b'R', b'O', b'W', b'1', 0, 0, ..] => Self::ArrowFile,
            // A stream opens with a continuation mark and the length of its schema message.
            [0xff, 0xff, 0xff, 0xff, _, _, _, 0, ..] => Self::ArrowStream,
            [b'M', b'D', b'F', b' ', b' ', b' ', b' ', b' ', ..]
            // What a logger writes first, and replaces at the end.
            | [b'U', b'n', b'F', b'i', b'n', b'M', b'F', b' ', ..] => Self::Mdf,
            [b'P', b'K', 3, 4, ..] => Self::Zip,
            _ => Self::Text,
        }
    }

    const fn name(self) -> &'static str {
        match self {
            Self::Text => "text",
            Self::Parquet => "parquet",
            Self::ArrowFile | Self::ArrowStream => "arrow_ipc",
            Self::Mdf => "mdf4",
            Self::Zip => "zip",
        }
    }
}

#[cfg(test)]
mod property_test;
