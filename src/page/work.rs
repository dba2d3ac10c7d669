//! One audit after the other, each over all cores.

use std::io::{self, Write};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::mpsc::Receiver;
use std::time::Instant;

use super::cells::Cells;
use super::desk::{Desk, Entry, Kind, Outcome, Stage};
use crate::atomic;
use crate::audit;
use crate::read::{self, ReadOptions};
use crate::report::known::Known;
use crate::report::{flags, html};
use crate::rig::{self, Rig};

/// Works through the queue until the page ends.
pub(super) fn run(desk: &Desk, jobs: &Receiver<u64>) {
    while let Ok(id) = jobs.recv() {
        if desk.is_closed() {
            return;
        }
        // Taken away, or already done by an earlier entry of the queue.
        let Some(entry) = desk.log(id).filter(|entry| matches!(entry.stage, Stage::Waiting)) else {
            continue;
        };
        let rig = desk.rig().rig;
        let ended = catch_unwind(AssertUnwindSafe(|| judge(desk, &entry, &rig))).unwrap_or_else(|_| {
            Err(format!("the program stopped on a fault of its own in {}; please report this", entry.name))
        });
        desk.stage(
            id,
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
    desk.stage(entry.id, Stage::Reading);
    let bytes = std::fs::read(desk.file(entry.id, Kind::Log))
        .map_err(|error| format!("cannot read {}: {error}", entry.name))?;
    let table = read::from_bytes(&entry.name, &bytes, &ReadOptions { decimal: rig.decimal })
        .map_err(|error| error.to_string())?;
    drop(bytes);
    let log = rig::assemble(table, rig).map_err(|error| error.to_string())?;
    desk.stage(entry.id, Stage::Auditing);
    let audited = match known(desk, entry, rig) {
        Some(known) => known.audit(&log, rig),
        None => audit::audit(&log, rig),
    };
    desk.stage(entry.id, Stage::Writing);
    let failed =
        |error: &dyn std::fmt::Display| format!("cannot write the report of {}: {error}", entry.name);
    let page = html::render(&log, &audited).map_err(|error| failed(&error))?;
    let document = serde_json::to_vec_pretty(&audited.document).map_err(|error| failed(&error))?;
    for (kind, bytes) in [(Kind::Report, page.as_bytes()), (Kind::Document, &document)] {
        atomic::write::<io::Error, _>(&desk.file(entry.id, kind), |writer| writer.write_all(bytes))
            .map_err(|error| failed(&error))?;
    }
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
    match desk.ledger.as_ref()?.entries(&serial) {
        Ok(entries) if entries.is_empty() => None,
        Ok(entries) => Some(Known { serial, entries }),
        Err(error) => {
            desk.note(entry.id, Err(error.to_string()));
            None
        }
    }
}
