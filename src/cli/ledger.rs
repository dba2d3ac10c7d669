//! `ledger`: sensor health over sessions, per sensor serial.

use std::path::PathBuf;
use std::time::SystemTime;

use clap::Subcommand;
use rayon::prelude::*;

use super::failure::{Failure, Failures};
use super::source::{self, Source};
use super::{Ending, output};
use crate::document::Audit;
use crate::ledger::{self, Added, Entry, History, Kind, Ledger, LedgerError};
use crate::report::{self, life};

/// Follow sensor health over sessions, per sensor serial
#[derive(clap::Args)]
pub(super) struct Arguments {
    /// Folder of the ledger [default: the platform's place for a user's data]
    #[arg(long, value_name = "DIR", global = true)]
    ledger: Option<PathBuf>,
    #[command(subcommand)]
    action: Action,
}

#[derive(Subcommand)]
enum Action {
    /// Audit logs and add the sensor health they tell; the same log twice is one session
    Add {
        /// Log files
        #[arg(value_name = "LOG", required = true)]
        logs: Vec<PathBuf>,
        #[command(flatten)]
        options: source::Options,
        /// Serial of the sensor, where the rig file gives none
        #[arg(long, value_name = "SERIAL")]
        sensor: Option<String>,
        /// Day of the session, where the log gives none (as 2026-05-17)
        #[arg(long, value_name = "DATE", value_parser = date)]
        date: Option<String>,
        /// The sensor was moved to another machine
        #[arg(long)]
        moved: bool,
    },
    /// List the sensors, or the entries of one
    Show {
        /// Serial of the sensor
        #[arg(value_name = "SERIAL")]
        serial: Option<String>,
    },
    /// Say how each metric of a sensor develops, and when to act
    Trend {
        /// Serial of the sensor; all of them when not given
        #[arg(value_name = "SERIAL")]
        serial: Option<String>,
    },
    /// Record that a sensor was put in: its series begins there
    Fit {
        /// Serial of the sensor
        #[arg(value_name = "SERIAL")]
        serial: String,
        /// Day (as 2026-05-17)
        #[arg(long, value_name = "DATE", value_parser = date)]
        date: String,
    },
    /// Record that a sensor was taken out
    Retire {
        /// Serial of the sensor
        #[arg(value_name = "SERIAL")]
        serial: String,
        /// Day (as 2026-05-17)
        #[arg(long, value_name = "DATE", value_parser = date)]
        date: String,
        /// Why
        #[arg(long, value_name = "TEXT")]
        because: String,
    },
    /// Fold many small files into one per sensor
    Compact,
}

pub(super) fn date(text: &str) -> Result<String, String> {
    ledger::day(text).ok_or_else(|| "expected a day such as 2026-05-17".to_owned())
}

pub(super) fn run(arguments: &Arguments) -> Result<Ending, Failure> {
    let ledger = open(arguments)?;
    match &arguments.action {
        Action::Add { logs, options, sensor, date, moved } => {
            add(&ledger, logs, options, sensor.as_deref(), date.as_deref(), *moved)
        }
        Action::Show { serial } => show(&ledger, serial.as_deref()),
        Action::Trend { serial } => trend(&ledger, serial.as_deref()),
        Action::Fit { serial, date } => record(&ledger, Kind::Fit, serial, date, None),
        Action::Retire { serial, date, because } => {
            serials(&ledger, Some(serial))?;
            record(&ledger, Kind::Retire, serial, date, Some(because.clone()))
        }
        Action::Compact => compact(&ledger),
    }
}

fn open(arguments: &Arguments) -> Result<Ledger, Failure> {
    let folder = arguments.ledger.clone().or_else(Ledger::default_folder).ok_or_else(|| {
        Failure::Input(
            "no place for the ledger is known\n  help: name a folder with `--ledger DIR`".to_owned(),
        )
    })?;
    Ok(Ledger::new(folder))
}

pub(super) fn failed(error: LedgerError) -> Failure {
    match error {
        LedgerError::Io { path, source } => Failure::write(&path, &source),
        other => Failure::Input(other.to_string()),
    }
}

fn add(
    ledger: &Ledger,
    logs: &[PathBuf],
    options: &source::Options,
    sensor: Option<&str>,
    date: Option<&str>,
    moved: bool,
) -> Result<Ending, Failure> {
    let rig = options.rig()?;
    let serial = source::serial(sensor, &rig)?.ok_or_else(source::no_serial)?;
    let sources = source::files(logs);
    let audits: Vec<Result<Audit, Failure>> = sources
        .par_iter()
        .map(|s| source::audit_one(s, &rig, None).map(|(_, audited)| audited.document))
        .collect();
    let mut failures = Failures::default();
    for (source, audit) in sources.iter().zip(audits) {
        let done = audit.and_then(|audit| add_one(ledger, &serial, source, &audit, date, moved));
        if let Err(failure) = done {
            failures.note(&failure);
        }
    }
    failures.ending(Ending::Done)
}

fn add_one(
    ledger: &Ledger,
    serial: &str,
    source: &Source,
    audit: &Audit,
    date: Option<&str>,
    moved: bool,
) -> Result<(), Failure> {
    if audit.sensor_health.is_empty() {
        return Err(Failure::Input(format!(
            "{} tells nothing about the sensor: {}",
            source.name(),
            audit.lean_not_evaluated.as_deref().unwrap_or("no metric was found")
        )));
    }
    let (at, basis) = when(source, audit, date).ok_or_else(|| {
        let help = "say the day of the session with `--date 2026-05-17`";
        Failure::Input(format!("{} carries no date\n  help: {help}", source.name()))
    })?;
    let entry = Entry::session(audit, at, basis);
    if let Added::Known(at) = ledger.add(serial, &entry, moved).map_err(failed)? {
        let kept = if at == entry.at { String::new() } else { format!("; {} is not taken over", entry.at) };
        let name = source.name();
        let line = format!("{name} is already in the ledger of sensor {serial} ({at}{kept})\n");
        output::print(&report::safe(&line))?;
        return Ok(());
    }
    let aside = if basis == "file" { ", dated by the file because the log has no date" } else { "" };
    let line = format!("{} added to the ledger of sensor {serial} ({}{aside})\n", source.name(), entry.at);
    output::print(&report::safe(&line))?;
    Ok(())
}

/// Date of a session: stated, else the log's own start, else the file's date.
fn when(source: &Source, audit: &Audit, stated: Option<&str>) -> Option<(String, &'static str)> {
    if let Some(day) = stated {
        return Some((day.to_owned(), "stated"));
    }
    if let Some(start) = audit.source.start.as_ref().filter(|start| start.len() >= 10) {
        return Some((start.clone(), "log"));
    }
    let path = match source {
        Source::Demo => return None,
        Source::File(path) | Source::Joined(path, _) => path,
    };
    let modified = std::fs::metadata(path).and_then(|found| found.modified()).ok()?;
    let seconds = modified.duration_since(SystemTime::UNIX_EPOCH).ok()?.as_secs();
    let stamp = jiff::Timestamp::from_second(i64::try_from(seconds).ok()?).ok()?;
    Some((stamp.to_string(), "file"))
}

fn serials(ledger: &Ledger, serial: Option<&str>) -> Result<Vec<String>, Failure> {
    let known = ledger.serials().map_err(failed)?;
    match serial {
        None => Ok(known),
        Some(serial) if known.iter().any(|k| k == serial) => Ok(vec![serial.to_owned()]),
        Some(serial) => {
            let known = if known.is_empty() { "none yet".to_owned() } else { known.join(", ") };
            Err(Failure::Input(format!(
                "the ledger in {} has no sensor `{serial}`\n  found: {known}",
                ledger.folder().display()
            )))
        }
    }
}

fn show(ledger: &Ledger, serial: Option<&str>) -> Result<Ending, Failure> {
    let width = output::width();
    let known = serials(ledger, serial)?;
    if let Some(serial) = serial {
        let history = ledger.history(serial).map_err(failed)?;
        if history.entries.is_empty() {
            output::print(&report::safe(&format!("Sensor {serial} has no entry yet\n")))?;
        } else {
            output::print(&life::render_entries(serial, &history.entries, width))?;
        }
        remarks(&history)?;
        return Ok(Ending::Done);
    }
    let (mut sensors, mut histories) = (Vec::new(), Vec::new());
    let ending = each(&known, |serial| {
        let history = ledger.history(serial).map_err(failed)?;
        sensors.push(life::Sensor::of(serial, &history.entries));
        histories.push(History { entries: Vec::new(), ..history });
        Ok(())
    });
    if ending.is_ok() || !sensors.is_empty() {
        output::print(&life::render_sensors(&sensors, width))?;
    }
    histories.iter().try_for_each(remarks)?;
    ending
}

/// Says which files hold nothing, and which contradict each other.
fn remarks(history: &History) -> Result<(), Failure> {
    let lines = history.remarks();
    Ok(lines.iter().try_for_each(|line| output::print(&report::safe(&format!("{line}\n"))))?)
}

/// One sensor after the other: what fails with one is said and keeps nobody from the others.
fn each(serials: &[String], mut work: impl FnMut(&str) -> Result<(), Failure>) -> Result<Ending, Failure> {
    let mut failures = Failures::default();
    for serial in serials {
        if let Err(failure) = work(serial) {
            failures.note(&failure);
        }
    }
    failures.ending(Ending::Done)
}

fn trend(ledger: &Ledger, serial: Option<&str>) -> Result<Ending, Failure> {
    let known = serials(ledger, serial)?;
    if known.is_empty() {
        output::print(&life::render_sensors(&[], output::width()))?;
    }
    each(&known, |serial| {
        let history = ledger.history(serial).map_err(failed)?;
        output::print(&life::render(&ledger::life(serial, &history.entries), output::width()))?;
        remarks(&history)
    })
}

fn record(
    ledger: &Ledger,
    kind: Kind,
    serial: &str,
    date: &str,
    because: Option<String>,
) -> Result<Ending, Failure> {
    let entry = Entry::event(kind, serial, date.to_owned(), because);
    let word = match (ledger.add(serial, &entry, true).map_err(failed)?, kind) {
        (Added::Known(_), _) => "that was recorded before",
        (Added::New, Kind::Retire) => "taken out",
        (Added::New, _) => "put in",
    };
    output::print(&report::safe(&format!("sensor {serial}, {date}: {word}\n")))?;
    Ok(Ending::Done)
}

fn compact(ledger: &Ledger) -> Result<Ending, Failure> {
    each(&ledger.serials().map_err(failed)?, |serial| {
        let folded = ledger.compact(serial).map_err(failed)?;
        output::print(&report::safe(&format!("sensor {serial}: {} files folded into one\n", folded.gone)))?;
        for (path, why) in folded.aside {
            output::print(&report::safe(&format!("  left alone: {}: {why}\n", path.display())))?;
        }
        Ok(())
    })
}
