//! Adding an entry: once, however many processes add it at the same time.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::error::LedgerError;
use super::file::{self, Head};
use super::record::Entry;
use super::store::{EXTENSION, Ledger, files, settled};
use crate::atomic;

/// More small files than this in one sensor's folder are folded by the next `add`: a season of club events
/// stays far below it, and ten thousand sessions are read from a handful of files.
const COMPACT_ABOVE: usize = 256;

/// What `add` did.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Added {
    /// A new entry was written.
    New,
    /// The same entry was there, of this day (as [`Entry::at`]).
    Known(String),
}

impl Ledger {
    /// Adds an entry; the same entry twice is one.
    ///
    /// * `moved`: the user says that the sensor went to another machine
    ///
    /// # Errors
    /// [`LedgerError::OtherRig`] for a session of another machine, [`LedgerError::RigMeanwhile`] where one was added at the
    /// same time and [`LedgerError::EntryMeanwhile`] where this log was (both are there then), or what the file system says.
    pub fn add(&self, serial: &str, entry: &Entry, moved: bool) -> Result<Added, LedgerError> {
        let folder = self.sensor_folder(serial)?;
        loop {
            // Null: another process has taken the name meanwhile, for this entry or another, so look again.
            if let Some(added) = self.add_once(&folder, serial, entry, moved)? {
                return Ok(added);
            }
        }
    }

    /// Tries to add; null when another process came between looking and writing.
    fn add_once(
        &self,
        folder: &Path,
        serial: &str,
        entry: &Entry,
        moved: bool,
    ) -> Result<Option<Added>, LedgerError> {
        let place = match look(folder, serial, entry, moved)? {
            Looked::New(place) => place,
            Looked::Known(at, path) => {
                // Whoever wrote it may not have come so far yet. Null: it was folded meanwhile.
                return match file::settle(&path) {
                    Err(LedgerError::Unreadable { source, .. })
                        if source.kind() == io::ErrorKind::NotFound =>
                    {
                        Ok(None)
                    }
                    settled => settled.map(|()| Some(Added::Known(at))),
                };
            }
        };
        atomic::make_folder(folder)
            .map_err(|source| LedgerError::Io { path: folder.to_path_buf(), source })?;
        if !put(folder, serial, place, entry, moved)? {
            return Ok(None);
        }
        if files(folder)?.len() > COMPACT_ABOVE {
            // The entry is kept whether or not the files can be folded; the next `add` tries again.
            self.compact(serial).ok();
        }
        Ok(Some(Added::New))
    }
}

/// Where a new entry goes.
struct Place {
    /// A name that nothing had.
    path: PathBuf,
    /// Files that do not hold the entry.
    seen: Vec<PathBuf>,
    /// What they hold.
    known: Vec<Head>,
}

/// What looking for an entry found.
enum Looked {
    /// The ledger does not have it.
    New(Place),
    /// It has it, of this day, in this file.
    Known(String, PathBuf),
}

/// Looks for an entry.
fn look(folder: &Path, serial: &str, entry: &Entry, moved: bool) -> Result<Looked, LedgerError> {
    // Chosen before the files are read: whoever takes this name later makes the writing fail, and whoever had taken it
    // before is among what is read.
    let path = free(folder, &entry.id);
    let (seen, heads) = settled(folder, |paths| Ok((paths.to_vec(), read_heads(paths)?)))?;
    // Of parts that contradict each other the last counts, as in [`History`](super::History).
    for (path, heads) in seen.iter().zip(&heads).rev() {
        if let Some(other) = heads.iter().rfind(|other| other.id == entry.id) {
            return Ok(Looked::Known(other.at.clone(), path.clone()));
        }
    }
    let known: Vec<Head> = heads.into_iter().flatten().collect();
    if let (false, Some(given)) = (moved, &entry.rig) {
        let last = known.iter().filter(|head| head.rig.is_some()).max_by(|a, b| a.at.cmp(&b.at));
        if let Some(last) = last.and_then(|head| head.rig.as_ref()).filter(|last| *last != given) {
            return Err(LedgerError::OtherRig {
                serial: serial.to_owned(),
                known: last.clone(),
                given: given.clone(),
            });
        }
    }
    Ok(Looked::New(Place { path, seen, known }))
}

/// Writes an entry; false when the name is taken.
///
/// What has its name stays, whatever comes in beside it: others may have been told that the ledger has it.
fn put(
    folder: &Path,
    serial: &str,
    Place { path, mut seen, known }: Place,
    entry: &Entry,
    moved: bool,
) -> Result<bool, LedgerError> {
    if !file::create(&path, std::slice::from_ref(entry))? {
        return Ok(false);
    }
    seen.push(path.clone());
    if files(folder)?.iter().all(|file| seen.contains(file)) {
        return Ok(true);
    }
    let now = settled(folder, read_parts)?;
    // Another process may have taken the name and lost it again to a compaction, or a file was copied in.
    if let Some(other) = now.iter().find(|part| part.id == entry.id && !part.agrees(entry)) {
        let [given, other] = [entry, other].map(|entry| entry.at.clone());
        return Err(LedgerError::EntryMeanwhile { serial: serial.to_owned(), given, other, path });
    }
    // Of two that add at once neither saw the other before; whoever wrote last sees both now.
    if let (false, Some(given)) = (moved, &entry.rig) {
        let is_new = |part: &&Entry| part.id != entry.id && known.iter().all(|old| old.id != part.id);
        let rigs = now.iter().filter(is_new).filter_map(|part| part.rig.as_ref());
        if let Some(other) = rigs.into_iter().find(|rig| *rig != given) {
            let (serial, given, other) = (serial.to_owned(), given.clone(), other.clone());
            return Err(LedgerError::RigMeanwhile { serial, given, other, path });
        }
    }
    Ok(true)
}

/// A name in a folder that nothing has: a user may have given an entry's name to a file or link that holds others.
fn free(folder: &Path, id: &str) -> PathBuf {
    let mut path = folder.join(format!("{id}.{EXTENSION}"));
    let mut number = 1;
    while fs::symlink_metadata(&path).is_ok() {
        number += 1;
        path = folder.join(format!("{id}-{number}.{EXTENSION}"));
    }
    path
}

/// Heads of every entry of each file; one that stands in two files is there twice.
fn read_heads(paths: &[PathBuf]) -> Result<Vec<Vec<Head>>, LedgerError> {
    paths.par_iter().map(|path| file::heads(path)).collect()
}

/// Every entry as it stands in the files, in no order.
fn read_parts(paths: &[PathBuf]) -> Result<Vec<Entry>, LedgerError> {
    let files: Vec<Vec<Entry>> =
        paths.par_iter().map(|path| file::entries(path)).collect::<Result<_, _>>()?;
    Ok(files.into_iter().flatten().collect())
}

#[cfg(test)]
mod tests {
    use super::super::record::tests::{ledger, session};
    use super::*;

    #[test]
    fn of_several_that_add_one_log_at_once_one_is_told_that_it_did() {
        for _ in 0..10 {
            let (_folder, ledger) = ledger();
            let parts: Vec<Entry> =
                (1..=6).map(|day| Entry { at: format!("2026-05-{day:02}"), ..session(1, 0.08) }).collect();
            let added: Vec<&Entry> = std::thread::scope(|scope| {
                let ledger = &ledger;
                let threads: Vec<_> = parts
                    .iter()
                    .map(|part| (part, scope.spawn(move || ledger.add("A-0107", part, false))))
                    .collect();
                let new = |done: Result<Added, LedgerError>| done.expect("adds") == Added::New;
                threads
                    .into_iter()
                    .filter_map(|(part, thread)| new(thread.join().expect("ends")).then_some(part))
                    .collect()
            });
            assert_eq!(added.len(), 1, "{added:?}");
            assert_eq!(ledger.entries("A-0107").expect("reads"), [added[0].clone()]);
        }
    }

    #[test]
    fn logs_of_two_rigs_added_at_once_never_stand_side_by_side_without_a_word() {
        let boat = Entry { rig: Some("jet boat".to_owned()), ..session(2, 0.08) };
        for _ in 0..30 {
            let (_folder, ledger) = ledger();
            let add = |entry| ledger.add("A-0107", entry, false);
            let (car, boat) = (session(1, 0.08), &boat);
            let done = std::thread::scope(|scope| {
                let threads = [scope.spawn(|| add(&car)), scope.spawn(|| add(boat))];
                threads.map(|thread| thread.join().expect("ends"))
            });
            let told = done.iter().filter(|done| {
                let error = done.as_ref().err();
                matches!(error, Some(LedgerError::OtherRig { .. } | LedgerError::RigMeanwhile { .. }))
            });
            assert!(told.count() > 0, "{done:?}");
        }
    }

    /// The name that an entry was to get is free again when a compaction folded whoever took it meanwhile. What was written
    /// may be known to others by then: it stays, and the ledger says that it contradicts itself.
    #[test]
    fn an_entry_that_came_in_otherwise_meanwhile_stays_beside_it_and_is_told() {
        let (_folder, ledger) = ledger();
        ledger.add("A-0107", &session(0, 0.08), false).expect("adds");
        let [late, first] =
            ["01", "02"].map(|day| Entry { at: format!("2026-05-{day}"), ..session(1, 0.08) });
        let folder = ledger.sensor_folder("A-0107").expect("valid serial");
        let Looked::New(place) = look(&folder, "A-0107", &late, false).expect("reads") else {
            panic!("it is new");
        };
        assert_eq!(ledger.add("A-0107", &first, false).expect("adds"), Added::New);
        assert_eq!(ledger.compact("A-0107").expect("compacts").gone, 2);
        let told = put(&folder, "A-0107", place, &late, false).expect_err("is told").to_string();
        assert!(
            told.contains("2026-05-01") && told.contains("2026-05-02") && told.contains("help:"),
            "{told}"
        );
        let history = ledger.history("A-0107").expect("reads");
        assert_eq!((history.entries.last(), history.contradictions.len()), (Some(&first), 2));
        assert_eq!(ledger.add("A-0107", &late, false).expect("adds"), Added::Known(first.at));
        assert_eq!(file::entries(&folder.join(format!("{}.parquet", late.id))).expect("kept"), [late]);
    }

    /// A process that is killed after its file got its name may leave a day that nobody was told.
    #[test]
    fn a_confirmed_day_outweighs_one_that_was_left_beside_it_under_any_name() {
        let (_folder, ledger) = ledger();
        let told = Entry { id: "f540".repeat(16), at: "2026-05-02".to_owned(), ..session(1, 0.08) };
        let left = Entry { at: "2026-05-01".to_owned(), ..told.clone() };
        ledger.add("A-0107", &session(0, 0.08), false).expect("adds");
        ledger.add("A-0107", &told, false).expect("adds");
        ledger.compact("A-0107").expect("compacts");
        let folder = ledger.sensor_folder("A-0107").expect("valid serial");
        file::tests::write(&folder.join(format!("{}.parquet", told.id)), std::slice::from_ref(&left));
        let history = ledger.history("A-0107").expect("reads");
        assert_eq!(history.entries, [session(0, 0.08), told.clone()]);
        assert_eq!(ledger.add("A-0107", &left, false).expect("adds"), Added::Known(told.at));
    }
}
