//! What the page holds: the logs, the rig in use and the queue of audits.

use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::Sender;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Instant;

use tokio::sync::Notify;

use super::cells::Cells;
use super::opening::Opening;
use crate::detect;
use crate::document::Audit;
use crate::ledger::Ledger;
use crate::rig::Rig;

/// More logs than this are not kept at a time: each holds its document in memory.
pub(super) const LOGS_MOST: usize = 500;

/// A rig with the text it came from.
#[derive(Clone, Debug, Default)]
pub(super) struct RigInUse {
    /// Name of the file; empty when there is none.
    pub name: String,
    /// Its text.
    pub text: String,
    /// The checked rig.
    pub rig: Rig,
}

/// A rig text that cannot be used.
#[derive(Clone, Debug)]
pub(super) struct Refused {
    /// Name of the file.
    pub name: String,
    /// Its text.
    pub text: String,
    /// The message that the terminal would show.
    pub because: String,
}

impl RigInUse {
    /// Checks a text, as the command line does.
    pub(super) fn parse(name: String, text: String) -> Result<Self, Box<Refused>> {
        let checked = Rig::parse(text.trim_start_matches('\u{feff}'), &name)
            .map_err(|error| error.to_string())
            .and_then(|rig| match detect::check_limits(&rig) {
                Ok(()) => Ok(rig),
                Err(error) => Err(format!("cannot use {name}: {error}")),
            });
        match checked {
            Ok(rig) => Ok(Self { name, text, rig }),
            Err(because) => Err(Box::new(Refused { name, text, because })),
        }
    }
}

/// Where a log stands.
#[derive(Clone, Debug)]
pub(super) enum Stage {
    /// In the queue.
    Waiting,
    /// Its columns are read.
    Reading,
    /// It is judged.
    Auditing,
    /// Report and files are made.
    Writing,
    /// Done.
    Done(Arc<Outcome>),
    /// It could not be read: the message that the terminal would show.
    Failed(String),
}

/// What an audit left.
#[derive(Debug)]
pub(super) struct Outcome {
    /// The document.
    pub document: Audit,
    /// Mixture by operating point, or why there is none.
    pub cells: Result<Cells, String>,
    /// How long it took, s.
    pub took_s: f64,
}

/// One log.
#[derive(Clone, Debug)]
pub(super) struct Entry {
    /// Number of the log on this page; names its files.
    pub id: u64,
    /// Name it was dropped under.
    pub name: String,
    /// Size.
    pub bytes: u64,
    /// Where it stands.
    pub stage: Stage,
    /// Since when.
    pub since: Instant,
    /// What the ledger answered.
    pub noted: Option<Result<String, String>>,
    /// Whether its file is kept, so that it can be audited again.
    pub kept: bool,
    /// How often it was to be audited again; an audit of an earlier round is out of date.
    round: u32,
    /// Whether an audit of it runs, be it of an earlier round: two at once would write the same files.
    in_work: bool,
}

impl Entry {
    /// The outcome of a finished audit.
    pub(super) fn outcome(&self) -> Option<&Arc<Outcome>> {
        match &self.stage {
            Stage::Done(outcome) => Some(outcome),
            _ => None,
        }
    }

    /// Whether work on it is still to come.
    pub(super) const fn pending(&self) -> bool {
        matches!(self.stage, Stage::Waiting | Stage::Reading | Stage::Auditing | Stage::Writing)
    }
}

/// What a desk is set up with.
pub(super) struct Setting {
    pub folder: PathBuf,
    pub token: String,
    pub opening: String,
    pub port: u16,
    pub upload_limit: u64,
    pub ledger: Option<Ledger>,
    pub rig: RigInUse,
    pub queue: Sender<u64>,
}

#[derive(Debug)]
struct Held {
    rig: RigInUse,
    refused: Option<Refused>,
    logs: Vec<Entry>,
    next: u64,
}

/// Everything that requests and audits share.
#[derive(Debug)]
pub(super) struct Desk {
    /// Port of the page.
    pub port: u16,
    /// A larger file is refused, bytes.
    pub upload_limit: u64,
    /// The ledger, where there is one.
    pub ledger: Option<Ledger>,
    /// What opens the page once.
    pub opening: Opening,
    token: String,
    folder: PathBuf,
    queue: Mutex<Sender<u64>>,
    held: Mutex<Held>,
    ended: AtomicBool,
    end: Notify,
}

/// Kinds of files that belong to a log.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    /// The log as dropped.
    Log,
    /// The report.
    Report,
    /// The audit document.
    Document,
    /// Values with flags.
    Flags,
}

impl Kind {
    const ALL: [Self; 4] = [Self::Log, Self::Report, Self::Document, Self::Flags];

    /// What the file's name ends with.
    pub(super) const fn suffix(self) -> &'static str {
        match self {
            Self::Log => "log",
            Self::Report => "report.html",
            Self::Document => "audit.json",
            Self::Flags => "flags.parquet",
        }
    }
}

impl Desk {
    pub(super) fn new(setting: Setting) -> Self {
        Self {
            port: setting.port,
            upload_limit: setting.upload_limit,
            ledger: setting.ledger,
            opening: Opening::new(setting.opening),
            token: setting.token,
            folder: setting.folder,
            queue: Mutex::new(setting.queue),
            held: Mutex::new(Held { rig: setting.rig, refused: None, logs: Vec::new(), next: 1 }),
            ended: AtomicBool::new(false),
            end: Notify::new(),
        }
    }

    /// The secret part of every address.
    pub(super) fn token(&self) -> &str {
        &self.token
    }

    /// What every path begins with.
    pub(super) fn base(&self) -> String {
        format!("/{}", self.token)
    }

    /// The file of a log. Its name is made from a number, never from what a user or a request says.
    pub(super) fn file(&self, id: u64, kind: Kind) -> PathBuf {
        self.folder.join(format!("{id}.{}", kind.suffix()))
    }

    fn held(&self) -> MutexGuard<'_, Held> {
        // Nothing panics between two changes of what is held, so a poisoned lock still holds the truth.
        self.held.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The logs, in the order in which they came.
    pub(super) fn logs(&self) -> Vec<Entry> {
        self.held().logs.clone()
    }

    /// One log.
    pub(super) fn log(&self, id: u64) -> Option<Entry> {
        self.held().logs.iter().find(|entry| entry.id == id).cloned()
    }

    /// The rig in use.
    pub(super) fn rig(&self) -> RigInUse {
        self.held().rig.clone()
    }

    /// The last rig text that could not be used, until one could.
    pub(super) fn refused(&self) -> Option<Refused> {
        self.held().refused.clone()
    }

    /// Takes a rig into use, for logs still to come; a text that cannot be used is kept for correction.
    pub(super) fn use_rig(&self, parsed: Result<RigInUse, Box<Refused>>) -> bool {
        let mut held = self.held();
        match parsed {
            Ok(rig) => {
                held.rig = rig;
                held.refused = None;
                true
            }
            Err(refused) => {
                held.refused = Some(*refused);
                false
            }
        }
    }

    /// A number for a log that is about to come, unless there are too many.
    pub(super) fn admit(&self) -> Option<u64> {
        let mut held = self.held();
        if held.logs.len() >= LOGS_MOST {
            return None;
        }
        let id = held.next;
        held.next += 1;
        Some(id)
    }

    /// Shows a log that came, or why it could not be kept.
    pub(super) fn place(&self, id: u64, name: String, bytes: u64, refused: Option<String>) {
        let kept = refused.is_none();
        let stage = refused.map_or(Stage::Waiting, Stage::Failed);
        let since = Instant::now();
        let entry = Entry { id, name, bytes, stage, since, noted: None, kept, round: 0, in_work: false };
        self.held().logs.push(entry);
    }

    /// Puts a log into the queue.
    pub(super) fn enqueue(&self, id: u64) {
        let queue = self.queue.lock().unwrap_or_else(PoisonError::into_inner);
        if queue.send(id).is_err() {
            drop(queue);
            if let Some(entry) = self.log(id) {
                self.stage(&entry, Stage::Failed("the page is closing".to_owned()));
            }
        }
    }

    /// Audits every log again, after a change of the rig.
    pub(super) fn enqueue_all(&self) {
        let again: Vec<u64> = {
            let mut held = self.held();
            let idle =
                held.logs.iter_mut().filter(|entry| entry.kept && !matches!(entry.stage, Stage::Waiting));
            idle.map(|entry| {
                entry.stage = Stage::Waiting;
                entry.since = Instant::now();
                entry.round += 1;
                entry.id
            })
            .collect()
        };
        for id in again {
            self.enqueue(id);
        }
    }

    /// Takes a waiting log to be audited; null when it was taken away or somebody has it.
    pub(super) fn begin(&self, id: u64) -> Option<Entry> {
        let mut held = self.held();
        let entry = held.logs.iter_mut().find(|entry| entry.id == id)?;
        if !matches!(entry.stage, Stage::Waiting) || entry.in_work {
            return None;
        }
        entry.stage = Stage::Reading;
        entry.since = Instant::now();
        entry.in_work = true;
        Some(entry.clone())
    }

    /// Moves a log on; one that was taken away meanwhile stays away, one that is to be audited again waits on.
    ///
    /// * `of`: the log as it was taken
    pub(super) fn stage(&self, of: &Entry, stage: Stage) {
        let mut held = self.held();
        if let Some(entry) = held.logs.iter_mut().find(|entry| entry.id == of.id && entry.round == of.round) {
            entry.stage = stage;
            entry.since = Instant::now();
        }
    }

    /// Ends the audit of a log.
    pub(super) fn finish(&self, of: &Entry, stage: Stage) {
        self.stage(of, stage);
        let round = {
            let mut held = self.held();
            held.logs.iter_mut().find(|entry| entry.id == of.id).map(|entry| {
                entry.in_work = false;
                entry.round
            })
        };
        match round {
            // Its files were written after it was taken away.
            None => self.remove(of.id),
            // Its turn came while this audit ran and was passed over.
            Some(round) if round != of.round => self.enqueue(of.id),
            Some(_) => {}
        }
    }

    /// Writes what the ledger answered beside a log.
    pub(super) fn note(&self, id: u64, answer: Result<String, String>) {
        if let Some(entry) = self.held().logs.iter_mut().find(|entry| entry.id == id) {
            entry.noted = Some(answer);
        }
    }

    /// Takes a log and its files away.
    pub(super) fn remove(&self, id: u64) {
        self.held().logs.retain(|entry| entry.id != id);
        for kind in Kind::ALL {
            std::fs::remove_file(self.file(id, kind)).ok();
        }
    }

    /// Ends the page.
    pub(super) fn close(&self) {
        self.ended.store(true, Ordering::SeqCst);
        self.end.notify_waiters();
    }

    /// Whether the page is ending.
    pub(super) fn is_closed(&self) -> bool {
        self.ended.load(Ordering::SeqCst)
    }

    /// Waits until the page ends.
    pub(super) async fn closed(&self) {
        // The waiter is registered before the flag is read, so that a close between the two is not missed.
        let end = self.end.notified();
        tokio::pin!(end);
        end.as_mut().enable();
        if !self.is_closed() {
            end.await;
        }
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;
    use std::sync::mpsc::{self, Receiver};
    use std::time::Duration;

    use super::*;

    const LOG: &[u8] = include_bytes!("../../datasets/hill_climb_demo.csv");

    fn desk(folder: &Path) -> (Arc<Desk>, Receiver<u64>) {
        let (queue, jobs) = mpsc::channel();
        let desk = Desk::new(Setting {
            folder: folder.to_path_buf(),
            token: "token".to_owned(),
            opening: "opening".to_owned(),
            port: 1,
            upload_limit: 1_000_000,
            ledger: None,
            rig: RigInUse::default(),
            queue,
        });
        (Arc::new(desk), jobs)
    }

    #[test]
    fn a_log_whose_rig_changed_while_it_was_audited_is_audited_again_and_never_twice_at_once() {
        let folder = tempfile::tempdir().expect("folder");
        let (desk, jobs) = desk(folder.path());
        desk.place(1, "run.csv".to_owned(), 10, None);
        desk.place(2, "next.csv".to_owned(), 10, None);
        let first = desk.begin(1).expect("waits");
        assert!(desk.begin(1).is_none() && desk.begin(2).is_some());
        desk.enqueue_all();
        assert!(desk.begin(1).is_none(), "the first audit still writes its files");
        desk.finish(&first, Stage::Failed("by the old rig".to_owned()));
        assert!(matches!(desk.log(1).expect("there").stage, Stage::Waiting));
        assert_eq!(jobs.try_iter().collect::<Vec<_>>(), [1, 2, 1]);
        let again = desk.begin(1).expect("waits");
        desk.finish(&again, Stage::Failed("by the new rig".to_owned()));
        assert!(matches!(&desk.log(1).expect("there").stage, Stage::Failed(by) if by == "by the new rig"));
    }

    #[cfg(unix)]
    #[test]
    fn a_slow_log_does_not_hold_up_the_next() {
        let folder = tempfile::tempdir().expect("folder");
        let (desk, jobs) = desk(folder.path());
        // A pipe is a log that is not read to its end before somebody writes it.
        let slow = desk.file(1, Kind::Log);
        assert!(std::process::Command::new("mkfifo").arg(&slow).status().expect("mkfifo").success());
        std::fs::write(desk.file(2, Kind::Log), LOG).expect("written");
        super::super::work::start(&desk, jobs).expect("started");
        for id in [1, 2] {
            desk.place(id, format!("{id}.csv"), 10, None);
            desk.enqueue(id);
        }
        let begun = Instant::now();
        while desk.log(2).expect("there").outcome().is_none() {
            assert!(begun.elapsed() < Duration::from_mins(1), "the second log still waits");
            std::thread::sleep(Duration::from_millis(20));
        }
        assert!(desk.log(1).expect("there").pending());
        std::fs::write(&slow, LOG).expect("written");
    }
}
