//! `audit [LOG...]`: the main job.

use std::collections::BTreeSet;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use indicatif::{ProgressBar, ProgressStyle};
use rayon::prelude::*;

use super::failure::{Failure, Failures};
use super::source::{self, Source};
use super::{Ending, apart, output};
use crate::atomic;
use crate::audit::Audited;
use crate::document::Audit;
use crate::ledger::Ledger;
use crate::log::Log;
use crate::report::known::Known;
use crate::report::{self, flags, html, summary, terminal};
use crate::rig::Rig;

/// Say whether logs can be believed, what each lean event is, and what may be concluded
#[derive(Default, clap::Args)]
pub(super) struct Arguments {
    /// Log files; none: the demonstration inside the program
    #[arg(value_name = "LOG")]
    logs: Vec<PathBuf>,
    #[command(flatten)]
    options: source::Options,
    #[command(flatten)]
    companions: source::Companions,
    /// Write the audit document; `-` is stdout, in place of the report. With several logs: a folder, one file per
    /// log, or `-` for one line per log
    #[arg(long, value_name = "FILE")]
    json: Option<PathBuf>,
    /// Write the report as one HTML file that opens offline and prints. With several logs: a folder, one file per log
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
    /// Write every value with its quality flag as Parquet. With several logs: a folder, one file per log
    #[arg(long, value_name = "FILE")]
    flags: Option<PathBuf>,
    /// Folder of a ledger: what the sensor's earlier sessions told is believed before the log is looked at
    #[arg(long, value_name = "DIR")]
    ledger: Option<PathBuf>,
    /// Serial of the sensor in the ledger, where the rig file gives none
    #[arg(long, value_name = "SERIAL", requires = "ledger")]
    sensor: Option<String>,
}

/// What the names of outputs in a folder end in.
const JSON: &str = "audit.json";
const HTML: &str = "report.html";
const FLAGS: &str = "flags.parquet";

/// Where one kind of output goes.
enum Target {
    Stdout,
    File(PathBuf),
    Folder(PathBuf),
}

impl Target {
    fn of(path: &Path, logs: usize, option: &str) -> Result<Self, Failure> {
        if path.as_os_str() == "-" {
            return Ok(Self::Stdout);
        }
        if source::is_folder(path) {
            return Ok(Self::Folder(path.to_path_buf()));
        }
        if logs > 1 {
            return Err(Failure::Input(format!(
                "`{option} {}` names one file for {logs} logs\n  expected: a folder\n  help: create the folder, or \
                 end its name with `/`",
                path.display()
            )));
        }
        Ok(Self::File(path.to_path_buf()))
    }

    /// The file of one log; null for stdout.
    fn file(&self, source: &Source, suffix: &str) -> Option<PathBuf> {
        match self {
            Self::Stdout => None,
            Self::File(path) => Some(path.clone()),
            Self::Folder(folder) => Some(folder.join(source::output_name(source, suffix))),
        }
    }
}

struct Job<'a> {
    rig: &'a Rig,
    known: Option<Known>,
    json: Option<Target>,
    html: Option<Target>,
    flags: Option<Target>,
    /// Several logs: short answers, compact documents.
    several: bool,
    width: usize,
}

/// What is left of a log when its document has been written: text, so that memory stays flat over many logs.
struct Done {
    line: summary::Line,
    text: String,
    document: Vec<u8>,
    written: Vec<PathBuf>,
}

pub(super) fn run(arguments: &Arguments) -> Result<Ending, Failure> {
    let sources = if arguments.logs.is_empty() { vec![Source::Demo] } else { source::files(&arguments.logs) };
    let sources = arguments.companions.join(sources)?;
    let rig = match sources.as_slice() {
        [Source::Demo] => arguments.options.demo_rig()?,
        _ => arguments.options.rig()?,
    };
    let target = |path: &Option<PathBuf>, option| {
        path.as_ref().map(|path| Target::of(path, sources.len(), option)).transpose()
    };
    let job = Job {
        rig: &rig,
        known: known(arguments, &rig)?,
        json: target(&arguments.json, "--json")?,
        html: target(&arguments.html, "--html")?,
        flags: target(&arguments.flags, "--flags")?,
        several: sources.len() > 1,
        width: output::width(),
    };
    if matches!(job.flags, Some(Target::Stdout)) {
        let help = "name a file; Parquet cannot be written to a stream";
        return Err(Failure::Input(format!("`--flags -` is not possible\n  help: {help}")));
    }
    if matches!(job.html, Some(Target::Stdout)) {
        let help = "name a file, such as report.html";
        return Err(Failure::Input(format!("`--html -` is not possible\n  help: {help}")));
    }
    if matches!(job.json, Some(Target::Stdout)) && output::is_closed() {
        let help = "name a file, or send stdout somewhere";
        return Err(Failure::Input(format!("cannot write the document: stdout is closed\n  help: {help}")));
    }
    check_names(&job, &sources)?;
    let ledger = arguments.ledger.clone().map(|folder| Ledger::new(folder).places()).transpose();
    let ledger = ledger.map_err(super::ledger::failed)?.unwrap_or_default();
    let inputs = sources.iter().flat_map(Source::files).chain(arguments.options.rig_file());
    apart::check(inputs, &ledger, &job.outputs(&sources))?;
    job.make_folders()?;

    let bar = progress(sources.len());
    let results: Vec<Result<Done, Failure>> = sources
        .par_iter()
        .map(|source| {
            let done = job.run(source);
            bar.inc(1);
            done
        })
        .collect();
    bar.finish_and_clear();
    job.print(&sources, results)
}

/// The sensor's entries, where a ledger is named.
fn known(arguments: &Arguments, rig: &Rig) -> Result<Option<Known>, Failure> {
    let serial = source::serial(arguments.sensor.as_deref(), rig)?;
    let Some(folder) = &arguments.ledger else { return Ok(None) };
    let serial = serial.ok_or_else(source::no_serial)?;
    let history =
        Ledger::new(folder.clone()).history(&serial).map_err(|error| Failure::Input(error.to_string()))?;
    history.remarks().iter().for_each(|line| output::remark(line));
    let entries = history.entries;
    if entries.is_empty() {
        output::remark(&format!(
            "the ledger in {} has nothing of sensor {serial}: audited without its history",
            folder.display()
        ));
    }
    Ok(Some(Known { serial, entries }))
}

/// Two logs of one name would overwrite each other's output.
fn check_names(job: &Job<'_>, sources: &[Source]) -> Result<(), Failure> {
    let folder =
        [&job.json, &job.html, &job.flags].into_iter().flatten().any(|t| matches!(t, Target::Folder(_)));
    let mut seen = BTreeSet::new();
    for source in sources.iter().filter(|_| folder) {
        if !seen.insert(source::output_name(source, "")) {
            return Err(Failure::Input(format!(
                "two logs are called like {}: their outputs would have one name\n  help: audit them in separate calls",
                source.name()
            )));
        }
    }
    Ok(())
}

/// A bar on stderr for several logs; nothing where nobody watches.
fn progress(logs: usize) -> ProgressBar {
    if logs < 2 || !output::watched() {
        return ProgressBar::hidden();
    }
    let bar = ProgressBar::new(logs as u64);
    if let Ok(style) = ProgressStyle::with_template("{pos} of {len} logs  {wide_bar}  {eta} left") {
        bar.set_style(style.progress_chars("=> "));
    }
    bar
}

impl Job<'_> {
    /// Every file that the call will write.
    fn outputs(&self, sources: &[Source]) -> Vec<PathBuf> {
        let kinds = [(&self.json, JSON), (&self.html, HTML), (&self.flags, FLAGS)];
        let kinds = kinds.into_iter().filter_map(|(target, suffix)| Some((target.as_ref()?, suffix)));
        kinds.flat_map(|(target, suffix)| sources.iter().filter_map(|s| target.file(s, suffix))).collect()
    }

    fn make_folders(&self) -> Result<(), Failure> {
        for target in [&self.json, &self.html, &self.flags].into_iter().flatten() {
            if let Target::Folder(path) = target {
                std::fs::create_dir_all(path).map_err(|error| Failure::write(path, &error))?;
            }
        }
        Ok(())
    }

    fn run(&self, source: &Source) -> Result<Done, Failure> {
        let (log, audited) = source::audit_one(source, self.rig, self.known.as_ref())?;
        let mut done = Done {
            line: summary::Line::of(&audited.document),
            text: self.text(&audited.document),
            document: Vec::new(),
            written: Vec::new(),
        };
        if let Some(target) = &self.json {
            match target.file(source, JSON) {
                None if self.several => {
                    self.write_document(&audited.document, &mut done.document)
                        .map_err(|error| Failure::Internal(format!("cannot write the document: {error}")))?;
                }
                None => {}
                Some(path) => {
                    atomic::write::<io::Error, _>(&path, |writer| {
                        self.write_document(&audited.document, writer)
                    })
                    .map_err(|error| Failure::write(&path, &error))?;
                    done.written.push(path);
                }
            }
        }
        if let Some(path) = self.html.as_ref().and_then(|target| target.file(source, HTML)) {
            write_html(&path, &log, &audited)?;
            done.written.push(path);
        }
        if let Some(path) = self.flags.as_ref().and_then(|target| target.file(source, FLAGS)) {
            write_flags(&path, &log, &audited)?;
            done.written.push(path);
        }
        if matches!(self.json, Some(Target::Stdout)) && !self.several {
            // The document of thousands of lean events is larger than their log: it is not held as well.
            output::stream(|writer| self.write_document(&audited.document, writer))?;
        }
        Ok(done)
    }

    fn text(&self, document: &Audit) -> String {
        match (&self.json, self.several) {
            (Some(Target::Stdout), _) => String::new(),
            (_, true) => terminal::render_answer(document, self.width),
            (_, false) => terminal::render(document, self.width),
        }
    }

    fn write_document(&self, document: &Audit, writer: &mut dyn Write) -> io::Result<()> {
        let mut writer = report::QuietJson(writer);
        if self.several && matches!(self.json, Some(Target::Stdout)) {
            serde_json::to_writer(&mut writer, document)?;
        } else {
            serde_json::to_writer_pretty(&mut writer, document)?;
        }
        writer.write_all(b"\n")
    }

    /// Prints what a log gave.
    fn tell(&self, done: &Done, to_stdout: bool) -> Result<(), Failure> {
        if to_stdout {
            return Ok(output::emit(&done.document)?);
        }
        output::print(&done.text)?;
        if self.several {
            output::print("\n")?;
        }
        Ok(())
    }

    fn print(&self, sources: &[Source], results: Vec<Result<Done, Failure>>) -> Result<Ending, Failure> {
        let to_stdout = matches!(self.json, Some(Target::Stdout));
        let mut lines = Vec::new();
        let mut failures = Failures::default();
        if let ([Source::Demo], false) = (sources, to_stdout) {
            output::remark(
                "No log given: this is the demonstration, a simulated hill climb. Your own: `sondeproof audit LOG`.\n",
            );
        }
        for (source, result) in sources.iter().zip(results) {
            match result {
                Ok(done) => {
                    if let Err(failure) = self.tell(&done, to_stdout) {
                        failures.note(&failure);
                    }
                    for path in &done.written {
                        output::remark(&format!("wrote {}", path.display()));
                    }
                    lines.push(done.line);
                }
                Err(failure) => {
                    failures.note(&failure);
                    lines.push(summary::Line::unreadable(source.name()));
                }
            }
        }
        if self.several
            && !to_stdout
            && let Err(error) = output::print(&summary::render(&lines, self.width))
        {
            failures.note(&error.into());
        }
        failures.ending(Ending::Done)
    }
}

fn write_html(path: &Path, log: &Log, audited: &Audited) -> Result<(), Failure> {
    atomic::write::<io::Error, _>(path, |writer| html::write(writer, log, audited))
        .map_err(|error| Failure::write(path, &error))
}

fn write_flags(path: &Path, log: &Log, audited: &Audited) -> Result<(), Failure> {
    atomic::write::<flags::FlagsError, _>(path, |writer| flags::write(writer, log, &audited.detection))
        .map_err(|error| match error {
            flags::FlagsError::Io(error) => Failure::write(path, &error),
            other => Failure::Internal(format!("cannot write {}: {other}", path.display())),
        })
}
