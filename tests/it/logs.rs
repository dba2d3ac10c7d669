//! Logs for the tests, made once.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

use assert_cmd::assert::OutputAssertExt;
use sondeproof::simulate::{Fault, Scenario, run};

/// The built program.
pub(crate) fn sondeproof() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_sondeproof"));
    command.env_remove("NO_COLOR").env_remove("CLICOLOR_FORCE").current_dir(env!("CARGO_MANIFEST_DIR"));
    command
}

/// Runs it and returns stdout and stderr; the exit code must be `code`.
pub(crate) fn outcome(arguments: &[&str], code: i32) -> (String, String) {
    let assert = sondeproof().args(arguments).assert().code(code);
    let output = assert.get_output();
    (
        String::from_utf8(output.stdout.clone()).expect("text on stdout"),
        String::from_utf8(output.stderr.clone()).expect("text on stderr"),
    )
}

/// A folder of its own for one test.
pub(crate) fn folder() -> tempfile::TempDir {
    tempfile::tempdir().expect("folder")
}

/// Writes a file and returns its path as text.
pub(crate) fn file(folder: &Path, name: &str, content: impl AsRef<[u8]>) -> String {
    let path = folder.join(name);
    std::fs::write(&path, content).expect("written");
    text(&path)
}

/// A path as text.
pub(crate) fn text(path: &Path) -> String {
    path.to_str().expect("a printable path").to_owned()
}

/// The text of a short simulated drive with one real starvation and one spike.
pub(crate) fn drive() -> &'static str {
    static DRIVE: OnceLock<String> = OnceLock::new();
    DRIVE.get_or_init(|| {
        let mut scenario = Scenario::named("hill_climb", 3).expect("a scenario");
        scenario.faults.push(Fault::parse("spike@40").expect("a fault"));
        scenario.faults.push(Fault::parse("starvation@60").expect("a fault"));
        String::from_utf8(run(&scenario).text()).expect("text")
    })
}

/// An MDF 4 file of two groups with clocks of their own.
#[cfg(feature = "mdf")]
pub(crate) fn mdf() -> Vec<u8> {
    let mut writer = falcon_mdf::Mf4Writer::new();
    for (rate_hz, name, unit, offset) in
        [(50.0, "Engine Speed", "1/min", 2_000.0), (10.0, "Lambda", "1", 0.8)]
    {
        let time_s: Vec<f64> = (0..(20.0 * rate_hz) as u32).map(|row| f64::from(row) / rate_hz).collect();
        let values: Vec<f64> = time_s.iter().map(|time| offset * (1.0 + 0.1 * time.sin())).collect();
        let group = writer.add_group(&time_s).expect("group");
        group.add_channel(name, unit, &values).expect("channel");
    }
    let folder = folder();
    let path = folder.path().join("log.mf4");
    writer.write_to_file(&path).expect("written");
    std::fs::read(path).expect("read")
}

/// The same with one column left out, by the start of its header.
pub(crate) fn drive_without(header: &str) -> String {
    let mut lines = drive().lines().map(|line| line.split(',').collect::<Vec<_>>());
    let head = lines.next().expect("a header");
    let keep: Vec<bool> = head.iter().map(|name| !name.starts_with(header)).collect();
    assert!(keep.contains(&false), "no column {header}");
    std::iter::once(head)
        .chain(lines)
        .map(|cells| {
            let cells: Vec<&str> =
                cells.iter().zip(&keep).filter(|(_, keep)| **keep).map(|(c, _)| *c).collect();
            cells.join(",") + "\n"
        })
        .collect()
}

/// Every log kept in a folder, in the order of names.
pub(crate) fn kept_logs(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let Ok(entries) = std::fs::read_dir(folder) else { return found };
    for path in entries.map(|entry| entry.expect("entry").path()) {
        if path.is_dir() {
            found.extend(kept_logs(&path));
        } else if path.extension().is_some_and(|extension| {
            ["csv", "txt", "tsv", "log", "parquet", "arrow", "gz", "zst"]
                .iter()
                .any(|known| extension == *known)
        }) {
            found.push(path);
        }
    }
    found.sort();
    found
}

/// The folder of an open data set, or `None` after saying that the test is skipped.
#[allow(clippy::print_stderr)] // a skipped test says so
pub(crate) fn open_data(set: &str) -> Option<PathBuf> {
    let folder = std::env::var_os("SONDEPROOF_OPEN_DATA").map(|root| Path::new(&root).join(set));
    let folder = folder.filter(|folder| folder.is_dir());
    if folder.is_none() {
        eprintln!("skipped: SONDEPROOF_OPEN_DATA names no folder with `{set}`");
    }
    folder
}
