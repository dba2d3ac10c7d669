//! The whole finding list of every data set: a false alarm, or a finding lost, shows as a difference.

use std::fmt::Write as _;
use std::path::Path;

use sondeproof::document::Audit;
use sondeproof::read::open;
use sondeproof::rig::{Rig, assemble};

use crate::kept;
use crate::logs::kept_logs;

/// The rig that belongs to a log: `hill_climb.toml` for `hill_climb_demo.csv`, by the longest name that fits.
fn rig_of(log: &Path) -> Rig {
    let name = log.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let mut rigs: Vec<_> = std::fs::read_dir(log.parent().expect("a folder"))
        .expect("listed")
        .map(|entry| entry.expect("entry").path())
        .filter(|path| path.extension().is_some_and(|extension| extension == "toml"))
        .filter(|path| path.file_stem().is_some_and(|stem| name.starts_with(&*stem.to_string_lossy())))
        .collect();
    rigs.sort_by_key(|path| path.as_os_str().len());
    rigs.pop().map_or_else(Rig::default, |path| Rig::load(&path).expect("a checked rig"))
}

fn audit(log: &Path) -> Result<Audit, String> {
    let rig = rig_of(log);
    let table = open(log, &rig.read_options()).map_err(|error| error.to_string())?;
    let log = assemble(table, &rig).map_err(|error| error.to_string())?;
    Ok(sondeproof::audit::audit(&log, &rig).document)
}

/// What must not change unnoticed; digits beyond those a reader would use are left out, so that a platform's
/// last bit cannot fail the test.
fn digest(audit: &Audit) -> String {
    let mut text = String::new();
    for channel in &audit.channels {
        let _ = writeln!(text, "channel {} = {} [{}]", channel.name, channel.role.name(), channel.unit);
    }
    for finding in &audit.findings {
        let _ = writeln!(
            text,
            "finding {:.3} to {:.3} s, flag {}, {}, {}: {}",
            finding.start_s, finding.end_s, finding.flag, finding.detector, finding.channel, finding.message
        );
    }
    if let Some(because) = &audit.lean_not_evaluated {
        let _ = writeln!(text, "lean events not evaluated: {because}");
    }
    for event in &audit.lean_events {
        let treat_as = serde_json::to_value(event.treat_as).expect("a word");
        let verdict = serde_json::to_value(event.verdict).expect("a word");
        let _ = writeln!(
            text,
            "lean event {:.3} to {:.3} s, peak {:.3}: {} ({}), treat as {}",
            event.start_s,
            event.end_s,
            event.peak_lambda,
            verdict.as_str().unwrap_or_default(),
            event.cause,
            treat_as.as_str().unwrap_or_default()
        );
    }
    for note in &audit.notes {
        let _ = writeln!(text, "note line {:?}: {}", note.line, note.text);
    }
    text
}

fn check(folder: &Path, prefix: &str) -> usize {
    let logs = kept_logs(folder);
    for log in &logs {
        let inside = log.strip_prefix(folder).expect("inside").to_string_lossy().into_owned();
        // Names that every file system accepts.
        let name: String =
            inside.chars().map(|c| if c.is_ascii_alphanumeric() || c == '.' { c } else { '_' }).collect();
        let text = match audit(log) {
            Ok(document) => digest(&document),
            Err(error) => format!("refused: {}\n", error.replace(&*folder.to_string_lossy(), "")),
        };
        kept::file(&kept::root().join("tests/it/kept").join(format!("{prefix}{name}.txt")), &text);
    }
    logs.len()
}

#[test]
fn findings_of_the_data_sets_are_as_kept() {
    assert!(check(&kept::root().join("datasets"), "") > 0, "no data set found");
}

/// Counts per detector, channel and flag: the whole list of a long trip would hide what matters.
fn counts(audit: &Audit) -> String {
    let mut counts = std::collections::BTreeMap::new();
    for finding in &audit.findings {
        *counts.entry((&finding.detector, &finding.channel, finding.flag)).or_insert(0) += 1;
    }
    let mut text = format!("rows {}, {:.0} s\n", audit.source.rows, audit.source.duration_s);
    for ((detector, channel, flag), count) in counts {
        let _ = writeln!(text, "{count} x {detector}, {channel}, flag {flag}");
    }
    text
}

#[test]
#[allow(clippy::print_stderr, reason = "a skipped test must say so")]
fn findings_of_the_open_trips_are_as_kept() {
    let Some(folder) = std::env::var_os("SONDEPROOF_OPEN_DATA") else {
        eprintln!("skipped: SONDEPROOF_OPEN_DATA is not set");
        return;
    };
    let folder = Path::new(&folder).join("kit-obd2");
    let logs = kept_logs(&folder);
    assert!(!logs.is_empty(), "no log in {}", folder.display());
    for log in logs {
        let name = log.file_stem().expect("a name").to_string_lossy().into_owned();
        let text = counts(&audit(&log).expect("a readable trip"));
        kept::file(&kept::root().join("tests/it/kept/open").join(format!("{name}.txt")), &text);
    }
}
