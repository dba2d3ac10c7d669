//! `gate LOG...`: one JSON line and an exit code, for scripts.

use std::path::PathBuf;

use rayon::prelude::*;
use schemars::JsonSchema;
use serde::Serialize;

use super::failure::{Failure, Failures};
use super::source;
use super::{Ending, output};
use crate::document::{Audit, Decision, Gate};
use crate::gate::{self, Evidence, Policy};
use crate::ledger::{Entry as Session, Kind, Ledger};
use crate::report;
use crate::rig::Rig;

/// Decide by a policy whether logs may be used without further evidence: exit code 0 open, 3 withheld
#[derive(clap::Args)]
pub(super) struct Arguments {
    /// Log files
    #[arg(value_name = "LOG", required = true)]
    logs: Vec<PathBuf>,
    #[command(flatten)]
    options: source::Options,
    #[command(flatten)]
    companions: source::Companions,
    /// What must hold: `next_step`, `publish`, `archive` (see `sondeproof explain publish`), or a policy file (TOML)
    #[arg(long, value_name = "POLICY", default_value = "next_step")]
    policy: PathBuf,
    /// Ledger in which earlier checks of the sensor stand
    #[arg(long, value_name = "DIR")]
    ledger: Option<PathBuf>,
    /// Serial of the sensor, where the rig file gives none
    #[arg(long, value_name = "SERIAL")]
    sensor: Option<String>,
    /// Day of the run, where the log gives none (as 2026-05-17)
    #[arg(long, value_name = "DATE", value_parser = super::ledger::date)]
    date: Option<String>,
}

/// The line: withheld when any log is.
#[derive(Serialize, JsonSchema)]
pub(super) struct Line {
    /// `sondeproof.gate/1`.
    schema: String,
    /// Policy that decided: a ready one or a file.
    policy: String,
    /// `withheld` when any log is.
    decision: Decision,
    /// In the order given.
    logs: Vec<Entry>,
}

#[derive(Serialize, JsonSchema)]
struct Entry {
    /// As given.
    path: String,
    /// Null when the log could not be read.
    sha256: Option<String>,
    /// Of this log.
    decision: Decision,
    /// Why, in plain sentences.
    reasons: Vec<String>,
    /// What would open the gate; empty when it is open.
    evidence_needed: Vec<String>,
}

pub(super) fn run(arguments: &Arguments) -> Result<Ending, Failure> {
    let rig = arguments.options.rig()?;
    let policy = Policy::load(&arguments.policy).map_err(|error| Failure::Input(error.to_string()))?;
    let history = history(arguments, &rig, &policy)?;
    let sources = arguments.companions.join(source::files(&arguments.logs))?;
    let results: Vec<_> = sources
        .par_iter()
        .map(|source| source::audit_one(source, &rig, None).map(|(_, audited)| audited.document))
        .collect();
    let mut failures = Failures::default();
    let mut logs = Vec::new();
    for (source, result) in sources.iter().zip(results) {
        logs.push(match result {
            Ok(document) => {
                let gate = decide(&document, &policy, &history, arguments.date.as_deref());
                Entry {
                    path: document.source.path,
                    sha256: Some(document.source.sha256),
                    decision: gate.decision,
                    reasons: gate.reasons,
                    evidence_needed: gate.evidence_needed,
                }
            }
            Err(failure) => {
                failures.note(&failure);
                Entry {
                    path: source.name(),
                    sha256: None,
                    decision: Decision::Withheld,
                    reasons: vec!["The log could not be read.".to_owned()],
                    evidence_needed: vec![
                        "A log that can be read; the error says what stopped this one.".to_owned(),
                    ],
                }
            }
        });
    }
    let withheld = logs.iter().any(|entry| entry.decision == Decision::Withheld);
    let decision = if withheld { Decision::Withheld } else { Decision::Open };
    let line = Line { schema: "sondeproof.gate/1".to_owned(), policy: policy.name, decision, logs };
    let mut text = report::QuietJson(Vec::new());
    serde_json::to_writer(&mut text, &line)
        .map_err(|error| Failure::Internal(format!("cannot write the decision: {error}")))?;
    text.0.push(b'\n');
    // The exit code is the answer, whether or not anybody reads the line.
    match output::emit(&text.0).map_err(Failure::from) {
        Err(Failure::BrokenPipe) | Ok(()) => {}
        Err(failure) => return Err(failure),
    }
    failures.ending(if withheld { Ending::Withheld } else { Ending::Done })
}

/// The sensor's earlier sessions and fittings, where a ledger is named.
fn history(arguments: &Arguments, rig: &Rig, policy: &Policy) -> Result<Vec<Session>, Failure> {
    let serial = source::serial(arguments.sensor.as_deref(), rig)?;
    let Some(folder) = &arguments.ledger else { return Ok(Vec::new()) };
    let serial = serial.ok_or_else(source::no_serial)?;
    let history = Ledger::new(folder.clone()).history(&serial).map_err(super::ledger::failed)?;
    history.remarks().iter().for_each(|line| output::remark(line));
    // Which of two files is right is not known: the last check may be in either.
    match history.contradictions.first() {
        Some((path, why)) if policy.check_max_age_days.is_some() => Err(Failure::Input(format!(
            "the ledger contradicts itself about sensor {serial}: {}: {why}\n  help: take the wrong file out of the ledger",
            path.display()
        ))),
        _ => Ok(history.entries),
    }
}

/// The decision on one document, with what the ledger and the command line add to it.
fn decide(document: &Audit, policy: &Policy, history: &[Session], date: Option<&str>) -> Gate {
    let evidence = Evidence::of(document);
    let mut checks = evidence.checks.to_vec();
    checks.extend(
        history.iter().filter(|entry| gate::checks_sensor(&entry.metrics)).map(|entry| entry.at.clone()),
    );
    let day = date.or(evidence.day);
    // A sensor that came in after this run was not the one that measured it.
    let fittings = history.iter().filter(|entry| entry.kind == Kind::Fit).map(|entry| entry.at.as_str());
    let before = fittings.filter(|at| day.is_none_or(|day| at.get(..10) <= day.get(..10)));
    // What the rig file states is about the sensor that measured this run, whenever it says that was.
    let fitted = before.chain(evidence.fitted).max();
    gate::decide(&Evidence { day, fitted, checks: &checks, ..evidence }, policy)
}
