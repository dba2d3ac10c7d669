//! Two audits at a time, so that one slow log does not hold up the others; each goes over all cores.

use std::io;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::mpsc::Receiver;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Instant;

use super::cells::Cells;
use super::desk::{Desk, Entry, Kind, Outcome, Stage};
use crate::atomic;
use crate::audit;
use crate::read;
use crate::report::known::Known;
use crate::report::{QuietJson, flags, html};
use crate::rig::{self, Rig};

/// Audits at a time: each may hold a whole log in memory.
const AT_A_TIME: usize = 2;

/// Starts the threads that work through the queue until the page ends.
///
/// # Errors
/// The machine gives no thread.
pub(super) fn start(desk: &Arc<Desk>, jobs: Receiver<u64>) -> io::Result<()> {
    let jobs = Arc::new(Mutex::new(jobs));
    for _ in 0..AT_A_TIME {
        let (desk, jobs) = (Arc::clone(desk), Arc::clone(&jobs));
        std::thread::Builder::new().name("audits".to_owned()).spawn(move || run(&desk, &jobs))?;
    }
    Ok(())
}

fn run(desk: &Desk, jobs: &Mutex<Receiver<u64>>) {
    loop {
        // One waits for a log, the others for their turn to wait.
        let job = jobs.lock().unwrap_or_else(PoisonError::into_inner).recv();
        let Ok(id) = job else { return };
        if desk.is_closed() {
            return;
        }
        // Taken away, done or in work by an earlier entry of the queue.
        let Some(entry) = desk.begin(id) else { continue };
        let rig = desk.rig().rig;
        let ended = catch_unwind(AssertUnwindSafe(|| judge(desk, &entry, &rig))).unwrap_or_else(|_| {
            Err(format!("the program stopped on a fault of its own in {}; please report this", entry.name))
        });
        desk.finish(
            &entry,
            match ended {
                Ok(outcome) => Stage::Done(Arc::new(outcome)),
                Err(message) => Stage::Failed(message),
            },
        );
    }
}

/// Reads, audits and writes one log.
///
/// # Errors
/// The message that the terminal would show.
fn judge(desk: &Desk, entry: &Entry, rig: &Rig) -> Result<Outcome, String> {
    let begun = Instant::now();
    let bytes = std::fs::read(desk.file(entry.id, Kind::Log))
        .map_err(|error| format!("cannot read {}: {error}", entry.name))?;
    let table =
        read::from_bytes(&entry.name, &bytes, &rig.read_options()).map_err(|error| error.to_string())?;
    drop(bytes);
    let log = rig::assemble(table, rig).map_err(|error| error.to_string())?;
    desk.stage(entry, Stage::Auditing);
    let audited = match known(desk, entry, rig) {
        Some(known) => known.audit(&log, rig),
        None => audit::audit(&log, rig),
    };
    desk.stage(entry, Stage::Writing);
    let failed =
        |error: &dyn std::fmt::Display| format!("cannot write the report of {}: {error}", entry.name);
    atomic::write::<io::Error, _>(&desk.file(entry.id, Kind::Report), |writer| {
        html::write(writer, &log, &audited)
    })
    .map_err(|error| failed(&error))?;
    atomic::write::<io::Error, _>(&desk.file(entry.id, Kind::Document), |writer| {
        Ok(serde_json::to_writer_pretty(QuietJson(writer), &audited.document)?)
    })
    .map_err(|error| failed(&error))?;
    atomic::write::<flags::FlagsError, _>(&desk.file(entry.id, Kind::Flags), |writer| {
        flags::write(writer, &log, &audited.detection)
    })
    .map_err(|error| failed(&error))?;
    let cells = Cells::of(&log, &audited);
    Ok(Outcome { document: audited.document, cells, took_s: begun.elapsed().as_secs_f64() })
}

/// The sensor of the rig, where the ledger knows it. A ledger that cannot be read is said and stops no audit.
fn known(desk: &Desk, entry: &Entry, rig: &Rig) -> Option<Known> {
    let serial = rig.sensor.serial.clone()?;
    match desk.ledger.as_ref()?.history(&serial) {
        Ok(history) => {
            let remarks = history.remarks();
            if !remarks.is_empty() {
                desk.note(entry.id, Err(remarks.join("\n")));
            }
            (!history.entries.is_empty()).then_some(Known { serial, entries: history.entries })
        }
        Err(error) => {
            desk.note(entry.id, Err(error.to_string()));
            None
        }
    }
}
