//! The folder: immutable Parquet files under `sensor=<serial>/`, written by way of a temporary name.
//!
//! No lock is needed: a file is either there whole or not there, its name follows from its content, and
//! entries are told apart by their identity, so adding twice, copying two folders together or dying in the
//! middle of a compaction loses and doubles nothing.

use std::collections::BTreeMap;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::compact::{ASIDE, COMPACTED, contradictions};
use super::error::LedgerError;
use super::file::{self, Content};
use super::record::Entry;

/// What a ledger tells of a sensor.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct History {
    /// Each entry once, by time. Of parts that contradict each other the last is taken.
    pub entries: Vec<Entry>,
    /// Files that tell otherwise of an entry than another file does, and what.
    pub contradictions: Vec<(PathBuf, String)>,
    /// Files without a byte, which were passed over.
    pub empty: Vec<PathBuf>,
}

impl History {
    /// Which files hold nothing, and which contradict each other, a line each: what is shown rests on one of them.
    pub fn remarks(&self) -> Vec<String> {
        let empty = self.empty.iter().map(|path| format!("passed over: {}: an empty file", path.display()));
        let told = self.contradictions.iter();
        let told = told.map(|(path, why)| format!("contradiction: {}: {why}", path.display()));
        let advice = "Of each session the last file was taken; move the wrong one out of the ledger.";
        let advice = (!self.contradictions.is_empty()).then(|| advice.to_owned());
        empty.chain(told).chain(advice).collect()
    }
}

/// A ledger folder.
#[derive(Clone, Debug)]
pub struct Ledger {
    folder: PathBuf,
}

pub(super) const EXTENSION: &str = "parquet";
/// What the name of a sensor's folder begins with.
pub(crate) const SENSOR_FOLDER: &str = "sensor=";

impl Ledger {
    /// A ledger in a folder, which is made by the first entry.
    pub fn new(folder: PathBuf) -> Self {
        Self { folder }
    }

    /// The platform's place for a user's data: `$XDG_DATA_HOME/sondeproof/ledger`, else
    /// `~/.local/share/...`, `~/Library/Application Support/...` or `%APPDATA%\...`.
    ///
    /// * returns null when the environment names no home
    pub fn default_folder() -> Option<PathBuf> {
        let set = |name: &str| std::env::var_os(name).filter(|value| !value.is_empty()).map(PathBuf::from);
        let base = if cfg!(windows) {
            set("APPDATA")?
        } else if let Some(base) = set("XDG_DATA_HOME") {
            base
        } else if cfg!(target_os = "macos") {
            set("HOME")?.join("Library").join("Application Support")
        } else {
            set("HOME")?.join(".local").join("share")
        };
        Some(base.join("sondeproof").join("ledger"))
    }

    /// The folder.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Serials with a folder, ascending. A folder under a name that no serial gives is none of the ledger's.
    ///
    /// # Errors
    /// When the folder exists and cannot be listed.
    pub fn serials(&self) -> Result<Vec<String>, LedgerError> {
        let mut serials: Vec<String> = list(&self.folder)?
            .into_iter()
            .filter(|path| path.is_dir())
            .filter_map(|path| {
                let serial = decode(path.file_name()?.to_str()?.strip_prefix(SENSOR_FOLDER)?)?;
                self.sensor_folder(&serial).is_ok_and(|own| own == path).then_some(serial)
            })
            .collect();
        serials.sort();
        Ok(serials)
    }

    /// Every folder and file that holds entries: what no output may be written to.
    ///
    /// # Errors
    /// When a folder exists and cannot be listed.
    pub fn places(&self) -> Result<Vec<PathBuf>, LedgerError> {
        let mut places = Vec::new();
        for serial in self.serials()? {
            let folder = self.sensor_folder(&serial)?;
            places.extend(files(&folder)?);
            places.push(folder);
        }
        Ok(places)
    }

    /// Every entry of a sensor, by time; each once, however many files hold it.
    ///
    /// # Errors
    /// A file that cannot be read or is no ledger file.
    pub fn entries(&self, serial: &str) -> Result<Vec<Entry>, LedgerError> {
        Ok(self.history(serial)?.entries)
    }

    /// [`Ledger::entries`], and which files contradict each other.
    ///
    /// # Errors
    /// A file that cannot be read or is no ledger file.
    pub fn history(&self, serial: &str) -> Result<History, LedgerError> {
        let folder = self.sensor_folder(serial)?;
        let history = settled(&folder, read_all)?;
        Ok(History { empty: named(&folder)?.into_iter().filter(|path| is_empty(path)).collect(), ..history })
    }

    pub(super) fn sensor_folder(&self, serial: &str) -> Result<PathBuf, LedgerError> {
        let problem = if serial.trim().is_empty() {
            "it is empty"
        } else if serial.len() > 80 {
            "it is longer than 80 bytes"
        } else {
            return Ok(self.folder.join(format!("{SENSOR_FOLDER}{}", encode(serial))));
        };
        Err(LedgerError::Serial { serial: serial.to_owned(), problem: problem.to_owned() })
    }
}

/// Percent-encoding as hive-partitioned folders use it, so that any serial is one safe folder name.
fn encode(serial: &str) -> String {
    serial
        .bytes()
        .map(|byte| match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'_' | b'.' => char::from(byte).to_string(),
            other => format!("%{other:02X}"),
        })
        .collect()
}

fn decode(name: &str) -> Option<String> {
    let mut bytes = Vec::with_capacity(name.len());
    let mut rest = name.as_bytes();
    while let Some((first, tail)) = rest.split_first() {
        if *first == b'%' {
            let digits = std::str::from_utf8(tail.get(..2)?).ok()?;
            bytes.push(u8::from_str_radix(digits, 16).ok()?);
            rest = &tail[2..];
        } else {
            bytes.push(*first);
            rest = tail;
        }
    }
    String::from_utf8(bytes).ok()
}

/// What a folder holds, ascending; nothing when it is not there.
fn list(folder: &Path) -> Result<Vec<PathBuf>, LedgerError> {
    let failed = |source| LedgerError::Unreadable { path: folder.to_path_buf(), source };
    let items = match fs::read_dir(folder) {
        Ok(items) => items,
        Err(source) if source.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(source) => return Err(failed(source)),
    };
    let mut paths =
        items.map(|item| item.map(|i| i.path())).collect::<Result<Vec<_>, _>>().map_err(failed)?;
    paths.sort();
    Ok(paths)
}

/// The ledger files of a folder: those that were being taken away first, compacted ones last. Of two entries that
/// contradict each other the last is taken: one that was taken back was never confirmed, one that was folded was, and of
/// a single file beside it nobody can tell. One without a byte holds no entry: a program that keeps folders alike puts it
/// in the place of a file that it has not fetched yet.
pub(super) fn files(folder: &Path) -> Result<Vec<PathBuf>, LedgerError> {
    let mut paths: Vec<PathBuf> = named(folder)?.into_iter().filter(|path| !is_empty(path)).collect();
    paths.sort_by_key(|path| {
        let begins = |with: &str| {
            path.file_name().is_some_and(|name| name.as_encoded_bytes().starts_with(with.as_bytes()))
        };
        (begins(COMPACTED), !begins(ASIDE))
    });
    Ok(paths)
}

fn is_empty(path: &Path) -> bool {
    fs::metadata(path).is_ok_and(|about| about.is_file() && about.len() == 0)
}

/// What a folder holds under names of ledger files. Names that begin with a dot are those of other programs: a file system
/// that keeps a second file beside each one that is copied to it, for example.
fn named(folder: &Path) -> Result<Vec<PathBuf>, LedgerError> {
    let own = |path: &PathBuf| {
        let hidden = path.file_name().is_some_and(|name| name.as_encoded_bytes().starts_with(b"."));
        !hidden && path.extension().is_some_and(|extension| extension == EXTENSION)
    };
    Ok(list(folder)?.into_iter().filter(own).collect())
}

/// Reads a folder while another process may compact it: a file that vanishes between listing and opening has its
/// entries in a file that the next listing shows. Each vanishing is another process's progress, so that a few listings
/// are enough; the bound only ends what cannot happen.
pub(super) fn settled<T>(
    folder: &Path,
    read: impl Fn(&[PathBuf]) -> Result<T, LedgerError>,
) -> Result<T, LedgerError> {
    for _ in 0..100 {
        match read(&files(folder)?) {
            Err(LedgerError::Unreadable { source, .. }) if source.kind() == io::ErrorKind::NotFound => {}
            other => return other,
        }
    }
    read(&files(folder)?)
}

/// What every file of a folder holds, with its path.
pub(super) fn contents(folder: &Path) -> Result<Vec<(PathBuf, Content)>, LedgerError> {
    settled(folder, |paths| paths.par_iter().map(|path| Ok((path.clone(), file::content(path)?))).collect())
}

fn read_all(paths: &[PathBuf]) -> Result<History, LedgerError> {
    let files: Vec<Vec<Entry>> =
        paths.par_iter().map(|path| file::entries(path)).collect::<Result<_, _>>()?;
    let mut known: BTreeMap<&str, Vec<(&PathBuf, &Entry)>> = BTreeMap::new();
    for (path, entries) in paths.iter().zip(&files) {
        for entry in entries {
            known.entry(&entry.id).or_default().push((path, entry));
        }
    }
    let contradictions = contradictions(&known).into_iter().collect();
    Ok(History { entries: united(files.into_iter().flatten()), contradictions, empty: Vec::new() })
}

/// Each entry once, by time, with the rows of all its parts. Of two that contradict each other the last is taken.
pub(super) fn united(parts: impl IntoIterator<Item = Entry>) -> Vec<Entry> {
    let mut unique: BTreeMap<String, Entry> = BTreeMap::new();
    for part in parts {
        match unique.get_mut(&part.id) {
            Some(known) if known.agrees(&part) => known.unite(part),
            _ => {
                unique.insert(part.id.clone(), part);
            }
        }
    }
    let mut entries: Vec<Entry> = unique.into_values().collect();
    // A fitting comes before the sessions of its day, a retirement after them.
    entries.sort_by(|a, b| {
        let day = |entry: &Entry| entry.at.get(..10).unwrap_or(&entry.at).to_owned();
        (day(a), a.kind, &a.at, &a.id).cmp(&(day(b), b.kind, &b.at, &b.id))
    });
    entries
}

#[cfg(test)]
mod tests {
    use super::super::add::Added;
    use super::super::record::tests::{ledger, session};
    use super::*;

    #[test]
    fn an_entry_that_was_being_taken_back_does_not_outweigh_the_confirmed_one() {
        let (_folder, ledger) = ledger();
        let confirmed = session(1, 0.08);
        ledger.add("A-0107", &confirmed, false).expect("adds");
        let folder = ledger.sensor_folder("A-0107").expect("a folder");
        let left = Entry { at: "2001-01-01".to_owned(), ..confirmed.clone() };
        file::tests::write(&folder.join(format!("{ASIDE}0123456789abcdef.parquet")), &[left]);
        let found = ledger.history("A-0107").expect("reads");
        assert_eq!(found.entries.iter().map(|entry| &entry.at).collect::<Vec<_>>(), [&confirmed.at]);
        assert!(!found.contradictions.is_empty(), "and it is told");
    }

    #[test]
    fn the_same_log_twice_is_one_session() {
        let (_folder, ledger) = ledger();
        assert_eq!(ledger.add("A-0107", &session(1, 0.08), false).expect("adds"), Added::New);
        assert_eq!(
            ledger.add("A-0107", &session(1, 0.08), false).expect("adds"),
            Added::Known(session(1, 0.08).at)
        );
        assert_eq!(ledger.entries("A-0107").expect("reads").len(), 1);
    }

    #[test]
    fn compaction_keeps_every_row_and_the_sessions_stay_known() {
        let (_folder, ledger) = ledger();
        let sessions: Vec<Entry> = (0..20).map(|day| session(day, 0.08 + f64::from(day) * 1e-3)).collect();
        for entry in &sessions {
            ledger.add("A-0107", entry, false).expect("adds");
        }
        let before = ledger.entries("A-0107").expect("reads");
        assert_eq!(ledger.compact("A-0107").expect("compacts").gone, 20);
        assert_eq!(ledger.entries("A-0107").expect("reads"), before);
        assert_eq!(
            ledger.add("A-0107", &sessions[3], false).expect("adds"),
            Added::Known(sessions[3].at.clone())
        );
    }

    #[test]
    fn files_left_behind_by_a_killed_compaction_double_nothing() {
        let (_folder, ledger) = ledger();
        for day in 0..3 {
            ledger.add("A-0107", &session(day, 0.08), false).expect("adds");
        }
        let folder = ledger.sensor_folder("A-0107").expect("valid serial");
        let small = files(&folder).expect("lists");
        let kept: Vec<Vec<u8>> = small.iter().map(|path| fs::read(path).expect("reads")).collect();
        ledger.compact("A-0107").expect("compacts");
        for (path, bytes) in small.iter().zip(kept) {
            fs::write(path, bytes).expect("puts the old file back");
        }
        assert_eq!(ledger.entries("A-0107").expect("reads").len(), 3);
        ledger.compact("A-0107").expect("compacts");
        assert_eq!(files(&folder).expect("lists").len(), 1);
    }

    #[test]
    fn another_machine_is_refused_until_the_user_says_it_moved() {
        let (_folder, ledger) = ledger();
        ledger.add("A-0107", &session(1, 0.08), false).expect("adds");
        let mut boat = session(2, 0.08);
        boat.rig = Some("club boat".to_owned());
        let refused = ledger.add("A-0107", &boat, false);
        assert!(matches!(refused, Err(LedgerError::OtherRig { .. })));
        assert_eq!(ledger.add("A-0107", &boat, true).expect("adds"), Added::New);
    }

    /// Run with `cargo test --release --lib ten_thousand -- --ignored --nocapture`.
    #[test]
    #[ignore = "measures; run alone on a quiet machine"]
    #[allow(clippy::print_stderr)] // it reports a measurement
    fn ten_thousand_sessions_are_quick_to_follow_and_to_add_to() {
        let (_folder, ledger) = ledger();
        let folder = ledger.sensor_folder("A-0107").expect("valid serial");
        fs::create_dir_all(&folder).expect("a folder");
        let names = crate::health::ALL.iter().map(|meta| meta.name).collect::<Vec<_>>();
        let sessions: Vec<Entry> = (0..10_000_u32)
            .map(|number| {
                let value = 0.08 * (1.0 + 1e-5 * f64::from(number) + 0.01 * f64::from(number % 7));
                let mut entry = session(number, value);
                entry.at = format!("2{:03}-{:02}-{:02}", number / 336, 1 + number / 28 % 12, 1 + number % 28);
                entry.metrics = names
                    .iter()
                    .map(|name| crate::document::HealthMetric {
                        metric: (*name).to_owned(),
                        ..super::super::record::tests::metric(name, Some(value))
                    })
                    .collect();
                entry
            })
            .collect();
        // As it stands after years of `add`: folded files and up to a full hand of small ones.
        for (index, part) in sessions[..9_800].chunks(257).chain(sessions[9_800..].chunks(1)).enumerate() {
            file::tests::write(&folder.join(format!("part-{index}.{EXTENSION}")), part);
        }
        let clock = std::time::Instant::now();
        let life = super::super::trend::life("A-0107", &ledger.entries("A-0107").expect("reads"));
        let page = crate::report::life::render(&life, 100);
        let trend_s = clock.elapsed().as_secs_f64();
        assert!(life.sessions == 10_000 && page.contains("10000 sessions"), "{page}");
        let clock = std::time::Instant::now();
        ledger.add("A-0107", &session(20_000, 0.09), false).expect("adds");
        let add_s = clock.elapsed().as_secs_f64();
        eprintln!("10,000 sessions: trend {trend_s:.3} s, add {add_s:.3} s beyond the audit");
        assert!(trend_s < 1.0 && add_s < 0.2, "trend {trend_s:.3} s, add {add_s:.3} s");
    }

    #[test]
    fn any_serial_is_one_folder_inside_the_ledger() {
        let (_folder, ledger) = ledger();
        for serial in ["../up", "a/b", "Größe 7", "%41", "."] {
            ledger.add(serial, &session(1, 0.08), false).expect("adds");
            let folder = ledger.sensor_folder(serial).expect("valid serial");
            assert_eq!(folder.parent(), Some(ledger.folder()), "{serial}");
        }
        let mut expected = vec!["../up", "a/b", "Größe 7", "%41", "."];
        expected.sort_unstable();
        assert_eq!(ledger.serials().expect("lists"), expected);
        assert!(matches!(ledger.entries("  "), Err(LedgerError::Serial { .. })));
    }

    #[test]
    fn a_folder_that_no_serial_names_is_no_sensor() {
        let (_folder, ledger) = ledger();
        ledger.add("A-1", &session(1, 0.08), false).expect("adds");
        for name in ["sensor=%41-1", "sensor=", "sensor=%20", "sensor=b%2fc"] {
            fs::create_dir(ledger.folder().join(name)).expect("a folder");
        }
        assert_eq!(ledger.serials().expect("lists"), ["A-1"]);
    }

    #[test]
    fn compactions_and_additions_at_once_all_succeed_and_lose_nothing() {
        let (_folder, ledger) = ledger();
        let events = |round: u32, part: u32| session(40 * round + part, 0.08);
        let mut all = std::collections::BTreeSet::new();
        for round in 0..20 {
            for part in 0..4 {
                ledger.add("A-0107", &events(round, part), false).expect("adds");
            }
            std::thread::scope(|scope| {
                for part in 0..6 {
                    let ledger = &ledger;
                    scope.spawn(move || ledger.compact("A-0107").expect("compacts"));
                    scope.spawn(move || ledger.add("A-0107", &events(round, 4 + part), false).expect("adds"));
                }
            });
            all.extend((0..10).map(|part| events(round, part).id));
            let kept = ledger.entries("A-0107").expect("reads").into_iter().map(|entry| entry.id);
            assert_eq!(kept.collect::<std::collections::BTreeSet<_>>(), all, "round {round}");
        }
    }

    #[cfg(unix)]
    #[test]
    fn links_to_nothing_and_in_a_circle_are_unreadable_and_no_fault_of_the_writer() {
        for target in ["nowhere", "x.parquet"] {
            let (_folder, ledger) = ledger();
            ledger.add("A-0107", &session(1, 0.08), false).expect("adds");
            let link = ledger.sensor_folder("A-0107").expect("valid serial").join("x.parquet");
            std::os::unix::fs::symlink(target, &link).expect("a link");
            let said = ledger.entries("A-0107").expect_err("unreadable").to_string();
            assert!(said.contains("cannot read") && said.contains("x.parquet"), "{said}");
            assert!(said.contains("help:"), "{said}");
        }
    }

    #[test]
    fn a_foreign_file_is_named_and_nothing_is_removed() {
        let (_folder, ledger) = ledger();
        for day in 0..2 {
            ledger.add("A-0107", &session(day, 0.08), false).expect("adds");
        }
        let folder = ledger.sensor_folder("A-0107").expect("valid serial");
        // Beside each file that a stick of another system brings lies one of its own.
        fs::write(folder.join("._notes.parquet"), b"not parquet").expect("writes");
        assert_eq!(ledger.entries("A-0107").expect("reads").len(), 2);
        fs::write(folder.join("notes.parquet"), b"not parquet").expect("writes");
        assert!(matches!(ledger.compact("A-0107"), Err(LedgerError::Foreign { .. })));
        assert_eq!(files(&folder).expect("lists").len(), 3);
    }
}
