//! One file of a ledger: its entries, read wherever their rows stand, and written whole.

use std::collections::BTreeSet;
use std::fs::{self, File};
use std::io::{self, BufWriter};
use std::path::Path;
use std::sync::Arc;

use arrow_array::cast::AsArray;
use arrow_array::{Array, RecordBatch};
use parquet::arrow::arrow_reader::{
    ArrowReaderMetadata, ArrowReaderOptions, ParquetRecordBatchReaderBuilder,
};
use parquet::arrow::{ARROW_SCHEMA_META_KEY, ArrowWriter, ProjectionMask};
use parquet::errors::ParquetError;
use parquet::file::properties::WriterProperties;

use super::error::LedgerError;
use super::record::{self, Collected, Entry};
use crate::atomic::{self, Sink};
use crate::guard::guarded;
use crate::read::{checked_packing, footer};

/// Everything that a file holds.
pub(super) struct Content {
    /// Its entries; two of one identity where its rows tell two things of it.
    pub(super) entries: Vec<Entry>,
    /// What its rows say, to the last bit; see [`record::rows`].
    pub(super) rows: BTreeSet<String>,
    /// What would be lost by writing the entries again.
    pub(super) lost: Option<String>,
}

/// What tells an entry from others, without its metrics.
pub(super) struct Head {
    pub(super) id: String,
    pub(super) at: String,
    pub(super) rig: Option<String>,
}

/// Everything of a file, and what an entry cannot hold of it.
pub(super) fn content(path: &Path) -> Result<Content, LedgerError> {
    decoded(path, read_whole)
}

/// The entries of a file.
pub(super) fn entries(path: &Path) -> Result<Vec<Entry>, LedgerError> {
    decoded(path, |path| read(path, |_| {}).map(|(entries, _)| entries))
}

/// Heads of a file's entries, in no order; one may be there several times.
pub(super) fn heads(path: &Path) -> Result<Vec<Head>, LedgerError> {
    decoded(path, read_heads)
}

/// Whether a file holds sessions of a ledger, wherever it stands and whatever it is called.
pub(crate) fn holds_sessions(path: &Path) -> bool {
    path.is_file() && heads(path).is_ok_and(|heads| !heads.is_empty())
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
        // A file may be back by now that was not there just before: it was being read apart.
        Err(source)
            if source.kind() == io::ErrorKind::NotFound
                && fs::symlink_metadata(path).is_ok_and(|about| about.is_symlink()) =>
        {
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

/// What a reader of Parquet could not do. It wraps what the system refuses (too many open files, an input error), which
/// says nothing about the file.
fn refused(path: &Path, error: &dyn std::fmt::Display) -> LedgerError {
    let (path, problem) = (path.to_path_buf(), error.to_string());
    if problem.contains("(os error ") {
        LedgerError::Unreadable { path, source: io::Error::other(problem) }
    } else {
        LedgerError::Foreign { path, problem }
    }
}

fn builder(file: File) -> Result<ParquetRecordBatchReaderBuilder<File>, ParquetError> {
    let metadata = ArrowReaderMetadata::try_new(Arc::new(footer(&file)?), ArrowReaderOptions::new())?;
    Ok(ParquetRecordBatchReaderBuilder::new_with_metadata(file, metadata))
}

fn read_heads(path: &Path) -> Result<Vec<Head>, LedgerError> {
    let foreign = |problem: String| LedgerError::Foreign { path: path.to_path_buf(), problem };
    let file = open(path)?;
    let builder = builder(file).map_err(|error| refused(path, &error))?;
    let columns = ProjectionMask::columns(builder.parquet_schema(), ["id", "at", "rig"]);
    let reader = builder.with_projection(columns).build().map_err(|error| refused(path, &error))?;
    let mut heads: Vec<Head> = Vec::new();
    for batch in reader {
        let batch = batch.map_err(|error| refused(path, &error))?;
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

/// The entries of a file, and what it carries beside the columns of a ledger; `each` is shown every batch.
fn read(
    path: &Path,
    mut each: impl FnMut(&RecordBatch),
) -> Result<(Vec<Entry>, Option<String>), LedgerError> {
    let foreign = |problem: String| LedgerError::Foreign { path: path.to_path_buf(), problem };
    let file = open(path)?;
    let builder = builder(file).map_err(|error| refused(path, &error))?;
    let beside = beside(&builder);
    let mut collected = Collected::default();
    for batch in builder.build().map_err(|error| refused(path, &error))? {
        let batch = batch.map_err(|error| refused(path, &error))?;
        collected.add(&batch).map_err(|problem| foreign(problem.to_owned()))?;
        each(&batch);
    }
    Ok((collected.entries, beside))
}

fn read_whole(path: &Path) -> Result<Content, LedgerError> {
    let mut rows = BTreeSet::new();
    let (entries, beside) = read(path, |batch| rows.extend(record::rows(batch)))?;
    let lost = beside.or_else(|| match record::rows_of(&entries) {
        Ok(again) if again == rows => None,
        _ => Some("it has rows that this version would not write the same".to_owned()),
    });
    Ok(Content { entries, rows, lost })
}

/// What a file carries beside the columns of a ledger.
fn beside(builder: &ParquetRecordBatchReaderBuilder<File>) -> Option<String> {
    let known = record::schema();
    let fields = builder.schema().fields();
    let mut names: Vec<&str> = fields.iter().map(|field| field.name().as_str()).collect();
    let unknown: Vec<&str> =
        names.iter().copied().filter(|name| known.field_with_name(name).is_err()).collect();
    if !unknown.is_empty() {
        return Some(format!("this version does not know its columns {}", unknown.join(", ")));
    }
    names.sort_unstable();
    let twice = names.iter().zip(names.iter().skip(1)).find(|(name, next)| name == next);
    if let Some((name, _)) = twice {
        return Some(format!("it has two columns {name}"));
    }
    // The writer's own note repeats the columns.
    let notes = builder.metadata().file_metadata().key_value_metadata();
    let noted = notes.is_some_and(|notes| notes.iter().any(|note| note.key != ARROW_SCHEMA_META_KEY));
    let marked = fields.iter().any(|field| !field.metadata().is_empty());
    (noted || marked).then(|| "another program has added notes to it".to_owned())
}

/// Writes entries to a new file of the ledger; false, and nothing is written, when the name is taken.
pub(super) fn create(path: &Path, entries: &[Entry]) -> Result<bool, LedgerError> {
    let done = encoded(entries).and_then(|fill| atomic::create(path, fill));
    done.map_err(|source| LedgerError::Io { path: path.to_path_buf(), source })
}

/// Lets a file of the ledger that another program may have written reach the disk, and its name.
pub(super) fn settle(path: &Path) -> Result<(), LedgerError> {
    let folder = path.parent().unwrap_or(Path::new("."));
    let unreadable = |source| LedgerError::Unreadable { path: path.to_path_buf(), source };
    [path, folder].into_iter().try_for_each(atomic::settle).map_err(unreadable)
}

/// What writes the file of these entries.
fn encoded(entries: &[Entry]) -> io::Result<impl FnOnce(&mut BufWriter<Sink>) -> io::Result<()>> {
    let other = |error: ParquetError| io::Error::other(error.to_string());
    let batch = record::to_batch(entries).map_err(io::Error::other)?;
    let properties = WriterProperties::builder()
        .set_compression(checked_packing(batch.num_columns()).map_err(other)?)
        .set_created_by(format!("sondeproof {}", env!("CARGO_PKG_VERSION")))
        .build();
    Ok(move |file: &mut BufWriter<Sink>| {
        let mut writer = ArrowWriter::try_new(file, batch.schema(), Some(properties)).map_err(other)?;
        writer.write(&batch).map_err(other)?;
        writer.close().map_err(other)?;
        Ok(())
    })
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// Writes entries over whatever is there.
    pub(in super::super) fn write(path: &Path, entries: &[Entry]) {
        fs::remove_file(path).ok();
        assert!(create(path, entries).expect("writes"), "{} is taken", path.display());
    }

    /// One bit in every ninth byte: what still reads must read as it did, so that no figure of a trend changes unseen.
    #[test]
    fn a_bit_that_flips_on_the_disk_never_changes_an_entry() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("session.parquet");
        let kept: Vec<Entry> = (0..3).map(|day| record::tests::session(day, 0.08)).collect();
        write(&path, &kept);
        let bytes = fs::read(&path).expect("reads");
        let mut refused = 0;
        for at in (0..bytes.len()).step_by(9) {
            let mut damaged = bytes.clone();
            damaged[at] ^= 1 << (at % 8);
            fs::write(&path, &damaged).expect("writes");
            match entries(&path) {
                Ok(read) => assert_eq!(read, kept, "byte {at}"),
                Err(_) => refused += 1,
            }
        }
        assert!(refused > bytes.len() / 18, "{refused} of {}", bytes.len());
    }
}
