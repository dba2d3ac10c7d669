//! One file of a ledger: its entries, read wherever their rows stand, and written whole.

use std::fs::{self, File};
use std::io;
use std::path::Path;
use std::sync::Arc;

use arrow_array::Array;
use arrow_array::cast::AsArray;
use parquet::arrow::arrow_reader::{
    ArrowReaderMetadata, ArrowReaderOptions, ParquetRecordBatchReaderBuilder,
};
use parquet::arrow::{ArrowWriter, ProjectionMask};
use parquet::basic::{Compression, ZstdLevel};
use parquet::errors::ParquetError;
use parquet::file::properties::WriterProperties;

use super::record::{self, Collected, Entry};
use super::store::LedgerError;
use crate::atomic;
use crate::guard::guarded;
use crate::read::footer;

/// What a file holds.
pub(super) struct Content {
    /// Its entries; two of one identity where its rows tell two things of it.
    pub(super) entries: Vec<Entry>,
    /// Columns that this version does not know: they would be lost by writing the entries again.
    pub(super) unknown: Vec<String>,
}

/// What tells an entry from others, without its metrics.
pub(super) struct Head {
    pub(super) id: String,
    pub(super) at: String,
    pub(super) rig: Option<String>,
}

/// Everything of a file.
pub(super) fn content(path: &Path) -> Result<Content, LedgerError> {
    decoded(path, read)
}

/// Heads of a file's entries, in no order; one may be there several times.
pub(super) fn heads(path: &Path) -> Result<Vec<Head>, LedgerError> {
    decoded(path, read_heads)
}

/// Opens a file of the ledger. A pipe or a device would keep the reader waiting for ever, and a link to nothing would
/// look like a file that vanished.
fn open(path: &Path) -> Result<File, LedgerError> {
    let foreign =
        |problem: &str| LedgerError::Foreign { path: path.to_path_buf(), problem: problem.to_owned() };
    let unreadable = |source| LedgerError::Unreadable { path: path.to_path_buf(), source };
    match fs::metadata(path) {
        Ok(about) if about.is_file() => File::open(path).map_err(unreadable),
        Ok(_) => Err(foreign("it is no file")),
        Err(source) if source.kind() == io::ErrorKind::NotFound && fs::symlink_metadata(path).is_ok() => {
            Err(foreign("it is a link to a file that is not there"))
        }
        Err(source) => Err(unreadable(source)),
    }
}

/// Decodes one file. The format library panics on some damaged files; a ledger must not bring the program down.
fn decoded<T>(path: &Path, read: impl FnOnce(&Path) -> Result<T, LedgerError>) -> Result<T, LedgerError> {
    guarded(|| read(path)).unwrap_or_else(|_| {
        let problem = "its data are damaged".to_owned();
        Err(LedgerError::Foreign { path: path.to_path_buf(), problem })
    })
}

fn builder(file: File) -> Result<ParquetRecordBatchReaderBuilder<File>, ParquetError> {
    let metadata = ArrowReaderMetadata::try_new(Arc::new(footer(&file)?), ArrowReaderOptions::new())?;
    Ok(ParquetRecordBatchReaderBuilder::new_with_metadata(file, metadata))
}

fn read_heads(path: &Path) -> Result<Vec<Head>, LedgerError> {
    let foreign = |problem: String| LedgerError::Foreign { path: path.to_path_buf(), problem };
    let file = open(path)?;
    let builder = builder(file).map_err(|error| foreign(error.to_string()))?;
    let columns = ProjectionMask::columns(builder.parquet_schema(), ["id", "at", "rig"]);
    let reader = builder.with_projection(columns).build().map_err(|error| foreign(error.to_string()))?;
    let mut heads: Vec<Head> = Vec::new();
    for batch in reader {
        let batch = batch.map_err(|error| foreign(error.to_string()))?;
        let text = |name: &str| batch.column_by_name(name).and_then(|c| c.as_string_opt::<i32>());
        let (Some(id), Some(at), Some(rig)) = (text("id"), text("at"), text("rig")) else {
            return Err(foreign("it lacks the columns of a sensor ledger".to_owned()));
        };
        for row in 0..batch.num_rows() {
            if !id.is_valid(row) {
                return Err(foreign(record::NO_ID.to_owned()));
            }
            if heads.last().is_none_or(|last| last.id != id.value(row)) {
                heads.push(Head {
                    id: id.value(row).to_owned(),
                    at: at.value(row).to_owned(),
                    rig: rig.is_valid(row).then(|| rig.value(row).to_owned()),
                });
            }
        }
    }
    Ok(heads)
}

fn read(path: &Path) -> Result<Content, LedgerError> {
    let foreign = |problem: String| LedgerError::Foreign { path: path.to_path_buf(), problem };
    let file = open(path)?;
    let builder = builder(file).map_err(|error| foreign(error.to_string()))?;
    let known = record::schema();
    let unknown = |name: &&String| known.field_with_name(name).is_err();
    let names = builder.schema().fields().iter().map(|field| field.name());
    let unknown: Vec<String> = names.filter(unknown).cloned().collect();
    let mut collected = Collected::default();
    for batch in builder.build().map_err(|error| foreign(error.to_string()))? {
        let batch = batch.map_err(|error| foreign(error.to_string()))?;
        collected.add(&batch).map_err(|problem| foreign(problem.to_owned()))?;
    }
    Ok(Content { entries: collected.entries, unknown })
}

/// Writes entries to a file of the ledger. A link of that name is replaced: what it points to may hold other entries.
pub(super) fn write(path: &Path, entries: &[Entry]) -> Result<(), LedgerError> {
    let failed = |source| LedgerError::Io { path: path.to_path_buf(), source };
    let batch = record::to_batch(entries).map_err(|error| failed(io::Error::other(error)))?;
    let properties = WriterProperties::builder()
        .set_compression(Compression::ZSTD(ZstdLevel::default()))
        .set_created_by(format!("sondeproof {}", env!("CARGO_PKG_VERSION")))
        .build();
    atomic::replace(path, |file| {
        let mut writer = ArrowWriter::try_new(file, batch.schema(), Some(properties))
            .map_err(|error| io::Error::other(error.to_string()))?;
        writer.write(&batch).map_err(|error| io::Error::other(error.to_string()))?;
        writer.close().map_err(|error| io::Error::other(error.to_string()))?;
        Ok::<(), io::Error>(())
    })
    .map_err(failed)
}
