//! Folding a sensor's small files into one, without losing one row.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use super::error::LedgerError;
use super::file::{self, Content};
use super::record::{self, Entry};
use super::store::{EXTENSION, Ledger, contents, united};

/// How the name of a compacted file begins.
pub(super) const COMPACTED: &str = "compact-";

/// What a compaction did.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Folded {
    /// How many files went.
    pub gone: usize,
    /// Files left as they are, because folding them would lose something, and why.
    pub aside: Vec<(PathBuf, String)>,
}

impl Ledger {
    /// Folds a sensor's small files into one, without losing one row.
    ///
    /// The new file is complete on disk and was read back before the first old one goes; dying in between leaves
    /// entries in two files, which reading counts once and the next compaction clears. Several at once do no harm: each
    /// removes only what it holds in its own file, and the same entries give the same file, so that no two remove each
    /// other's.
    ///
    /// # Errors
    /// A file that cannot be read (then nothing is removed) or what the file system says.
    pub fn compact(&self, serial: &str) -> Result<Folded, LedgerError> {
        let (mut folded, old, rows) = self.fold(&self.sensor_folder(serial)?)?;
        for path in old {
            match remove(&path, &rows)? {
                Removed::Gone => folded.gone += 1,
                Removed::Missing => {}
                Removed::Exchanged(path) => {
                    folded.aside.push((path, "it was exchanged while the files were folded".to_owned()));
                }
            }
        }
        Ok(folded)
    }

    /// Writes the file that holds what the small files of a folder hold.
    ///
    /// * returns what is left alone, files that may go now, and the rows that the new file holds for them
    fn fold(&self, folder: &Path) -> Result<(Folded, Vec<PathBuf>, BTreeSet<String>), LedgerError> {
        let files = contents(folder)?;
        let aside = aside(&files, &self.linked()?);
        let (old, parts): (Vec<PathBuf>, Vec<Content>) =
            files.into_iter().filter(|(path, _)| !aside.contains_key(path)).unzip();
        let folded = Folded { gone: 0, aside: aside.into_iter().collect() };
        if old.len() < 2 {
            return Ok((folded, Vec::new(), BTreeSet::new()));
        }
        let mut rows = BTreeSet::new();
        let mut entries = Vec::new();
        for part in parts {
            rows.extend(part.rows);
            entries.extend(part.entries);
        }
        let Some(target) = hold(folder, &folded.aside, &united(entries), &rows)? else {
            return Ok((folded, Vec::new(), rows));
        };
        Ok((folded, old.into_iter().filter(|path| *path != target).collect(), rows))
    }

    /// Files that a link anywhere in the ledger points to, by their own paths.
    fn linked(&self) -> Result<BTreeSet<PathBuf>, LedgerError> {
        let mut linked = BTreeSet::new();
        for path in self.places()?.into_iter().filter(|path| is_link(path)) {
            linked.extend(fs::canonicalize(path));
        }
        Ok(linked)
    }
}

/// Lets one file of a folder hold these entries; another program may put a file there at any moment, which stays.
///
/// * `aside`: what is left alone, and why
/// * `rows`: what the entries say
/// * returns null when another compaction has folded the file already; the next one clears what is left
fn hold(
    folder: &Path,
    aside: &[(PathBuf, String)],
    entries: &[Entry],
    rows: &BTreeSet<String>,
) -> Result<Option<PathBuf>, LedgerError> {
    let mut name = rows.iter().map(String::as_str).collect::<Vec<_>>().join("\n");
    loop {
        let target = folder.join(format!("{COMPACTED}{}.{EXTENSION}", record::digest(name.as_bytes())));
        if aside.iter().all(|(path, _)| *path != target) {
            let is_new = file::create(&target, entries)?;
            // Another compaction, or a copy of one, may have written the same rows; they must be on disk as well.
            let held = file::content(&target).and_then(|held| file::settle(&target).map(|()| held));
            match held {
                Ok(held) if held.rows == *rows && !is_link(&target) => return Ok(Some(target)),
                Err(LedgerError::Unreadable { source, .. }) if source.kind() == io::ErrorKind::NotFound => {
                    return Ok(None);
                }
                Ok(_) | Err(LedgerError::Foreign { .. }) if !is_new => {}
                Ok(_) => {
                    let source = io::Error::other("it does not hold what was written; no file was removed");
                    return Err(LedgerError::Io { path: target, source });
                }
                Err(error) => return Err(error),
            }
        }
        // A file that is left alone, or that holds something else, has this name.
        name.push('\n');
    }
}

/// What became of a file that was to go.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Removed {
    /// It is removed.
    Gone,
    /// Another process had removed it.
    Missing,
    /// It holds more than is known: it stays, under this path.
    Exchanged(PathBuf),
}

/// How the name of a file begins that is being taken away.
pub(super) const ASIDE: &str = "folded-";

/// Removes a file of the ledger that holds no other rows than these.
///
/// Another program may exchange the file at any moment (two ledgers are merged by copying). So it first gets a name that
/// nobody else knows, is read under that name, and goes or gets its own name back. A process that dies in between leaves
/// it a file of the ledger like any other.
pub(super) fn remove(path: &Path, rows: &BTreeSet<String>) -> Result<Removed, LedgerError> {
    let failed = |source| LedgerError::Io { path: path.to_path_buf(), source };
    let folder = path.parent().unwrap_or(Path::new("."));
    let suffix = format!(".{EXTENSION}");
    let aside = tempfile::Builder::new()
        .prefix(ASIDE)
        .suffix(&suffix)
        .rand_bytes(16)
        .make_in(folder, |free| fs::rename(path, free));
    let aside = match aside {
        Ok(aside) => aside.into_temp_path(),
        Err(source) if source.kind() == io::ErrorKind::NotFound => return Ok(Removed::Missing),
        Err(source) => return Err(failed(source)),
    };
    let known = |content: &Content| content.lost.is_none() && content.rows.is_subset(rows);
    match file::content(&aside) {
        Ok(content) if known(&content) => match aside.close() {
            Ok(()) => Ok(Removed::Gone),
            Err(source) if source.kind() == io::ErrorKind::NotFound => Ok(Removed::Missing),
            Err(source) => Err(failed(source)),
        },
        Err(LedgerError::Unreadable { source, .. }) if source.kind() == io::ErrorKind::NotFound => {
            Ok(Removed::Missing)
        }
        _ => match aside.persist_noclobber(path) {
            Ok(()) => Ok(Removed::Exchanged(path.to_path_buf())),
            Err(gone) if gone.error.kind() == io::ErrorKind::NotFound => Ok(Removed::Missing),
            // The name is taken again.
            Err(taken) => {
                let kept = taken.path.keep().map_err(|refused| failed(refused.error))?;
                Ok(Removed::Exchanged(kept))
            }
        },
    }
}

fn is_link(path: &Path) -> bool {
    fs::symlink_metadata(path).is_ok_and(|about| about.is_symlink())
}

/// Files that cannot be folded without losing something, and why.
///
/// * `linked`: what links of the ledger point to
fn aside(files: &[(PathBuf, Content)], linked: &BTreeSet<PathBuf>) -> BTreeMap<PathBuf, String> {
    let mut aside = BTreeMap::new();
    let mut known: BTreeMap<&str, Vec<(&PathBuf, &Entry)>> = BTreeMap::new();
    for (path, content) in files {
        if is_link(path) {
            aside.insert(path.clone(), "it is a link".to_owned());
        } else if fs::canonicalize(path).is_ok_and(|own| linked.contains(&own)) {
            aside.insert(path.clone(), "a link in the ledger points to it".to_owned());
        } else if let Some(lost) = &content.lost {
            aside.insert(path.clone(), lost.clone());
        }
        for entry in &content.entries {
            known.entry(&entry.id).or_default().push((path, entry));
        }
    }
    for (path, why) in contradictions(&known) {
        aside.entry(path).or_insert(why);
    }
    aside
}

/// Files that tell otherwise of one entry than another, and what.
///
/// * `known`: parts by the entry's identity
pub(super) fn contradictions(known: &BTreeMap<&str, Vec<(&PathBuf, &Entry)>>) -> BTreeMap<PathBuf, String> {
    let mut told = BTreeMap::new();
    for parts in known.values() {
        // One word of each file is enough: a file may tell one entry in thousands of ways, and not every two of them are
        // set beside each other.
        let mut parts = parts.clone();
        parts.dedup();
        let mut silent: Vec<usize> = Vec::new();
        for (index, (path, part)) in parts.iter().enumerate() {
            let differs = |at: &usize| !parts[*at].1.agrees(part);
            let first = if told.contains_key(*path) { None } else { (0..index).find(differs) };
            let others: Vec<usize> =
                first.into_iter().chain(silent.iter().copied().filter(differs)).collect();
            for other in others.iter().map(|at| parts[*at].0) {
                let name = |path: &PathBuf| path.file_name().unwrap_or_default().display().to_string();
                let what = if part.log.is_empty() { part.kind.name() } else { &part.log };
                for (path, other) in [(*path, other), (other, *path)] {
                    let why = format!("{} tells otherwise of {what}, {}", name(other), part.at);
                    told.entry(path.clone()).or_insert(why);
                }
            }
            silent.push(index);
            if !others.is_empty() {
                silent.retain(|at| !told.contains_key(parts[*at].0));
            }
        }
    }
    told
}

#[cfg(test)]
mod tests {
    use std::collections::HashMap;
    use std::fs::File;
    use std::sync::Arc;

    use arrow_array::{ArrayRef, Float64Array, Int64Array, RecordBatch, StringArray};
    use arrow_schema::{DataType, Field, Schema};
    use parquet::arrow::ArrowWriter;
    use parquet::file::metadata::KeyValue;

    use super::super::record::tests::{metric, session};
    use super::super::record::to_batch;
    use super::super::store::files;
    use super::*;

    const SERIAL: &str = "A-0107";

    /// A ledger of six sessions, one file each, and the folder of its sensor.
    fn six() -> (tempfile::TempDir, Ledger, PathBuf) {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let ledger = Ledger::new(folder.path().join("ledger"));
        for day in 0..6 {
            ledger.add(SERIAL, &session(day, 0.08), false).expect("adds");
        }
        let sensor = ledger.sensor_folder(SERIAL).expect("valid serial");
        (folder, ledger, sensor)
    }

    fn entries(ledger: &Ledger) -> Vec<Entry> {
        ledger.entries(SERIAL).expect("reads")
    }

    /// As another tool writes it: rows of a batch with one column exchanged or added.
    fn foreign(path: &Path, of: &[Entry], name: &str, column: ArrayRef) {
        let batch = to_batch(of).expect("a batch");
        let known = batch.schema();
        let mut fields: Vec<Field> = known.fields().iter().map(|field| field.as_ref().clone()).collect();
        let mut columns = batch.columns().to_vec();
        if let Ok(place) = known.index_of(name) {
            columns[place] = column;
        } else {
            fields.push(Field::new(name, DataType::Utf8, true));
            columns.push(column);
        }
        let batch = RecordBatch::try_new(Arc::new(Schema::new(fields)), columns).expect("a batch");
        let file = File::create(path).expect("a file");
        let mut writer = ArrowWriter::try_new(file, batch.schema(), None).expect("a writer");
        writer.write(&batch).expect("writes");
        writer.close().expect("closes");
    }

    fn aside_of(folded: &Folded) -> Vec<&Path> {
        folded.aside.iter().map(|(path, _)| path.as_path()).collect()
    }

    /// Two ledgers may be merged by copying at any moment.
    #[test]
    fn a_file_that_is_exchanged_before_it_goes_stays() {
        let (_folder, ledger, sensor) = six();
        let mut other = session(3, 0.08);
        other.at = "2026-12-24".to_owned();
        let (folded, old, rows) = ledger.fold(&sensor).expect("folds");
        assert_eq!((folded.aside.len(), old.len()), (0, 6));
        let exchanged = sensor.join(format!("{}.parquet", other.id));
        file::tests::write(&exchanged, &[other.clone()]);
        let left: Vec<Removed> = old
            .iter()
            .map(|path| remove(path, &rows).expect("removes"))
            .filter(|r| *r != Removed::Gone)
            .collect();
        assert_eq!(left, [Removed::Exchanged(exchanged.clone())]);
        assert_eq!(file::entries(&exchanged).expect("reads"), [other]);
        assert_eq!(files(&sensor).expect("lists").len(), 2);
        // What is gone already is nobody's fault.
        assert_eq!(remove(&old[0], &rows).ok().filter(|_| old[0] != exchanged), Some(Removed::Missing));
        // Nor does a file go that cannot be read.
        fs::write(&exchanged, "half a copy").expect("writes");
        assert_eq!(remove(&exchanged, &rows).expect("moves"), Removed::Exchanged(exchanged.clone()));
        assert_eq!(fs::read(&exchanged).expect("reads"), b"half a copy");
        let told = ledger.history(SERIAL).expect_err("half a copy");
        assert!(matches!(told, LedgerError::Foreign { .. }), "{told}");
    }

    /// A copy of the ledger may have been folded and corrected elsewhere, and come back after the reading.
    #[test]
    fn a_file_of_the_new_files_name_that_comes_meanwhile_is_not_written_over() {
        let (_folder, ledger, sensor) = six();
        let before = entries(&ledger);
        let rows = record::rows_of(&before).expect("rows");
        ledger.compact(SERIAL).expect("compacts");
        let target = files(&sensor).expect("lists").remove(0);
        // The same rows are used as they are, also when another program wrote them.
        let reversed: Vec<Entry> = before.iter().rev().cloned().collect();
        file::tests::write(&target, &reversed);
        let bytes = fs::read(&target).expect("reads");
        assert_eq!(hold(&sensor, &[], &before, &rows).expect("holds"), Some(target.clone()));
        assert_eq!(fs::read(&target).expect("still there"), bytes);
        let mut corrected = before.clone();
        corrected[1].at = "2026-12-24".to_owned();
        file::tests::write(&target, &corrected);
        let bytes = fs::read(&target).expect("reads");
        let other = hold(&sensor, &[], &before, &rows).expect("holds").expect("is there");
        assert_eq!(fs::read(&target).expect("still there"), bytes);
        assert_eq!(file::entries(&other).expect("reads"), before);
        assert_eq!(ledger.history(SERIAL).expect("reads").contradictions.len(), 2);
        // Nor a copy that is not all there yet, or a place that another program keeps free for one.
        for bytes in ["half a copy", ""] {
            fs::write(&target, bytes).expect("writes");
            assert_eq!(hold(&sensor, &[], &before, &rows).expect("holds"), Some(other.clone()));
            assert_eq!(fs::read(&target).expect("still there"), bytes.as_bytes());
        }
    }

    #[cfg(unix)]
    #[test]
    fn a_link_of_the_new_files_name_loses_nothing() {
        let (folder, ledger, sensor) = six();
        let before = entries(&ledger);
        let small = files(&sensor).expect("lists");
        let elsewhere = folder.path().join("elsewhere.parquet");
        fs::copy(&small[2], &elsewhere).expect("a copy");
        let kept: Vec<Vec<u8>> = small.iter().map(|path| fs::read(path).expect("reads")).collect();
        ledger.compact(SERIAL).expect("compacts");
        let target = files(&sensor).expect("lists").remove(0);
        for (path, bytes) in small.iter().zip(kept) {
            fs::write(path, bytes).expect("the old file again");
        }
        fs::remove_file(&target).expect("removed");
        std::os::unix::fs::symlink(&elsewhere, &target).expect("a link");
        let folded = ledger.compact(SERIAL).expect("compacts");
        assert_eq!(aside_of(&folded), [target.as_path()]);
        assert_eq!(folded.gone, 6);
        fs::remove_file(&target).expect("the link");
        assert_eq!(entries(&ledger), before);
    }

    #[cfg(unix)]
    #[test]
    fn an_entry_whose_name_is_taken_gets_another() {
        let (_folder, ledger, sensor) = six();
        let first = files(&sensor).expect("lists").remove(0);
        let (new, newer) = (session(7, 0.08), session(8, 0.08));
        std::os::unix::fs::symlink(&first, sensor.join(format!("{}.parquet", new.id))).expect("a link");
        fs::rename(&first, sensor.join(format!("{}.parquet", newer.id))).expect("renamed");
        std::os::unix::fs::symlink(format!("{}.parquet", newer.id), &first).expect("a link");
        for entry in [&new, &newer] {
            ledger.add(SERIAL, entry, false).expect("adds");
        }
        assert_eq!(entries(&ledger).len(), 8);
    }

    #[test]
    fn rows_in_any_order_and_in_several_files_are_one_entry() {
        let (_folder, ledger, sensor) = six();
        let before = entries(&ledger);
        for path in files(&sensor).expect("lists") {
            fs::remove_file(path).expect("removed");
        }
        // Sorted by metric in one file, and three of the rows in a second one, one of them in both.
        let parts = |metric: usize| {
            before
                .iter()
                .map(move |entry| Entry { metrics: vec![entry.metrics[metric].clone()], ..entry.clone() })
        };
        let sorted: Vec<Entry> = parts(0).chain(parts(1).skip(2)).collect();
        file::tests::write(&sensor.join("a.parquet"), &sorted);
        file::tests::write(&sensor.join("b.parquet"), &parts(1).take(3).collect::<Vec<_>>());
        assert_eq!(entries(&ledger), before);
        assert_eq!(ledger.compact(SERIAL).expect("compacts"), Folded { gone: 2, aside: Vec::new() });
        assert_eq!(entries(&ledger), before);
    }

    #[test]
    fn rows_without_an_id_are_refused_and_nothing_is_removed() {
        let (_folder, ledger, sensor) = six();
        let none = vec![None::<&str>; 4];
        let path = sensor.join("edited.parquet");
        let two = [session(10, 0.08), session(11, 0.08)];
        foreign(&path, &two, "id", Arc::new(StringArray::from(none)));
        let said = ledger.compact(SERIAL).expect_err("refused").to_string();
        assert!(said.contains("edited.parquet") && said.contains("without an id"), "{said}");
        let said = ledger.add(SERIAL, &session(12, 0.08), false).expect_err("refused").to_string();
        assert!(said.contains("without an id"), "{said}");
        assert_eq!(files(&sensor).expect("lists").len(), 7);
    }

    #[test]
    fn a_file_with_columns_of_its_own_is_left_alone() {
        let (_folder, ledger, sensor) = six();
        let path = sensor.join("later.parquet");
        foreign(&path, &[session(10, 0.08)], "note", Arc::new(StringArray::from(vec!["wet", "dry"])));
        let (before, bytes) = (entries(&ledger), fs::read(&path).expect("reads"));
        let folded = ledger.compact(SERIAL).expect("compacts");
        assert_eq!((aside_of(&folded), folded.gone), (vec![path.as_path()], 6));
        assert!(folded.aside[0].1.contains("note"), "{folded:?}");
        assert_eq!(fs::read(&path).expect("still there"), bytes);
        assert_eq!(entries(&ledger), before);
        // Nor is it written over when it has the name that the folded file would get.
        let folder = files(&sensor).expect("lists");
        let target = folder.iter().find(|other| **other != path).expect("the folded file").clone();
        let six = &before[..6];
        for (name, entry) in ["x.parquet", "y.parquet"].into_iter().zip(six.chunks(3)) {
            file::tests::write(&sensor.join(name), entry);
        }
        fs::remove_file(&path).expect("removed");
        foreign(&target, six, "note", Arc::new(StringArray::from(vec!["wet"; 12])));
        let bytes = fs::read(&target).expect("reads");
        assert_eq!(ledger.compact(SERIAL).expect("compacts").gone, 2);
        assert_eq!(fs::read(&target).expect("still there"), bytes);
        assert_eq!(entries(&ledger), six);
    }

    #[test]
    fn files_that_contradict_each_other_are_left_alone() {
        let (_folder, ledger, sensor) = six();
        let mut other = session(3, 0.08);
        other.metrics = vec![metric("time_constant", Some(0.3))];
        let path = sensor.join("other.parquet");
        file::tests::write(&path, &[other.clone()]);
        let own = sensor.join(format!("{}.parquet", other.id));
        let folded = ledger.compact(SERIAL).expect("compacts");
        let mut both = [own.as_path(), path.as_path()];
        both.sort();
        assert_eq!((aside_of(&folded), folded.gone), (both.to_vec(), 5));
        assert!(folded.aside.iter().all(|(_, why)| why.contains("run 3.csv")), "{folded:?}");
        assert!(own.exists() && path.exists());
        assert_eq!(entries(&ledger).len(), 6);
        // One file may contradict itself as well.
        let mut moved = session(1, 0.08);
        moved.at = "2026-01-01".to_owned();
        let twice = sensor.join("twice.parquet");
        file::tests::write(&twice, &[session(1, 0.08), moved]);
        let folded = ledger.compact(SERIAL).expect("compacts");
        assert!(aside_of(&folded).contains(&twice.as_path()) && twice.exists(), "{folded:?}");
    }

    #[cfg(unix)]
    #[test]
    fn what_a_link_of_any_sensor_points_to_stays() {
        use std::os::unix::fs::symlink;
        let (_folder, ledger, sensor) = six();
        let aims = files(&sensor).expect("lists");
        let other = ledger.sensor_folder("B-2").expect("valid serial");
        fs::create_dir_all(&other).expect("a folder");
        let name = aims[0].file_name().expect("a name");
        symlink(Path::new("../sensor=A-0107").join(name), other.join("moved.parquet")).expect("a link");
        symlink(aims[1].file_name().expect("a name"), sensor.join("twin.parquet")).expect("a link");
        let before = entries(&ledger);
        let folded = ledger.compact(SERIAL).expect("compacts");
        assert_eq!(folded.gone, 4, "{folded:?}");
        assert!(aims[..2].iter().all(|aim| aim.exists() && aside_of(&folded).contains(&aim.as_path())));
        assert_eq!(entries(&ledger), before);
        assert_eq!(ledger.entries("B-2").expect("reads").len(), 1);
    }

    /// Cells that no release writes, which an entry cannot hold: a remark without a metric, numbers that are none, blanks.
    #[test]
    fn a_file_that_would_not_be_written_the_same_is_left_alone() {
        let blank = || Arc::new(StringArray::from(vec![None::<&str>; 2])) as ArrayRef;
        let number = |value| Arc::new(Float64Array::from(vec![value; 2])) as ArrayRef;
        let whole = |value| Arc::new(Int64Array::from(vec![value; 2])) as ArrayRef;
        let cases = [
            ("metric", blank()),
            ("log", blank()),
            ("unit", blank()),
            ("because", blank()),
            ("value", number(f64::NAN)),
            ("limit", number(f64::INFINITY)),
            ("events", whole(Some(-5))),
            ("events", whole(None)),
        ];
        for (name, column) in cases {
            let (_folder, ledger, sensor) = six();
            let path = sensor.join("theirs.parquet");
            foreign(&path, &[session(9, 0.08)], name, column);
            let bytes = fs::read(&path).expect("reads");
            let folded = ledger.compact(SERIAL).expect("compacts");
            assert_eq!((aside_of(&folded), folded.gone), (vec![path.as_path()], 6), "{name}");
            assert_eq!(fs::read(&path).expect("still there"), bytes, "{name}");
        }
    }

    #[test]
    fn a_doubled_column_and_notes_of_another_program_are_left_alone() {
        let (_folder, ledger, sensor) = six();
        let batch = to_batch(&[session(9, 0.08)]).expect("a batch");
        let save = |name: &str, fields: Vec<Field>, columns: Vec<ArrayRef>, note: Option<KeyValue>| {
            let path = sensor.join(name);
            let batch = RecordBatch::try_new(Arc::new(Schema::new(fields)), columns).expect("a batch");
            let file = File::create(&path).expect("a file");
            let mut writer = ArrowWriter::try_new(file, batch.schema(), None).expect("a writer");
            writer.write(&batch).expect("writes");
            if let Some(note) = note {
                writer.append_key_value_metadata(note);
            }
            writer.close().expect("closes");
            path
        };
        let fields: Vec<Field> = batch.schema().fields().iter().map(|f| f.as_ref().clone()).collect();
        let columns = batch.columns().to_vec();
        let mut doubled = (fields.clone(), columns.clone());
        doubled.0.push(Field::new("value", DataType::Float64, true));
        doubled.1.push(Arc::new(Float64Array::from(vec![9.0; 2])));
        let mut marked = fields.clone();
        marked[3] =
            marked[3].clone().with_metadata(HashMap::from([("source".to_owned(), "hand".to_owned())]));
        let note = KeyValue::new("ledger".to_owned(), "2".to_owned());
        let theirs = [
            save("a_doubled.parquet", doubled.0, doubled.1, None),
            save("a_marked.parquet", marked, columns.clone(), None),
            save("a_noted.parquet", fields, columns, Some(note)),
        ];
        let folded = ledger.compact(SERIAL).expect("compacts");
        assert_eq!(aside_of(&folded), theirs.each_ref().map(PathBuf::as_path), "{folded:?}");
        assert_eq!(folded.gone, 6);
    }

    /// 8000 days of one session in one file took 20 s when every two of them were told apart.
    #[test]
    fn a_file_that_tells_one_session_in_thousands_of_ways_is_told_once_and_so_is_every_other() {
        let days: Vec<Entry> =
            (0..40_000).map(|day| Entry { at: format!("day {day}"), ..session(1, 0.08) }).collect();
        let [many, one, alone] = ["many", "one", "alone"].map(PathBuf::from);
        let mut parts: Vec<(&PathBuf, &Entry)> = vec![(&one, &days[0])];
        parts.extend(days.iter().map(|day| (&many, day)));
        let known = BTreeMap::from([("id", parts), ("other", vec![(&alone, &days[0]), (&alone, &days[0])])]);
        let told = contradictions(&known);
        assert_eq!(told.keys().collect::<Vec<_>>(), [&many, &one]);
        assert!(told[&one].contains("many") && told[&many].contains("one"), "{told:?}");
    }
}
