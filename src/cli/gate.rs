//! `gate LOG...`: one JSON line and an exit code, for scripts.

use std::path::PathBuf;

use rayon::prelude::*;
use serde::Serialize;

use super::failure::Failure;
use super::source;
use super::{Ending, output};
use crate::document::Decision;

/// Decide whether logs may be used without further evidence: exit code 0 open, 3 withheld
#[derive(clap::Args)]
pub(super) struct Arguments {
    /// Log files
    #[arg(value_name = "LOG", required = true)]
    logs: Vec<PathBuf>,
    #[command(flatten)]
    options: source::Options,
}

/// The line: withheld when any log is.
#[derive(Serialize)]
struct Line {
    schema: &'static str,
    decision: Decision,
    logs: Vec<Entry>,
}

#[derive(Serialize)]
struct Entry {
    path: String,
    /// Null when the log could not be read.
    sha256: Option<String>,
    decision: Decision,
    reasons: Vec<String>,
}

pub(super) fn run(arguments: &Arguments) -> Result<Ending, Failure> {
    let rig = arguments.options.rig()?;
    let sources = source::files(&arguments.logs);
    let results: Vec<_> = sources
        .par_iter()
        .map(|source| source::audit_one(source, &rig).map(|(_, audited)| audited.document))
        .collect();
    let mut failed = None;
    let mut logs = Vec::new();
    for (source, result) in sources.iter().zip(results) {
        logs.push(match result {
            Ok(document) => Entry {
                path: document.source.path,
                sha256: Some(document.source.sha256),
                decision: document.gate.decision,
                reasons: document.gate.reasons,
            },
            Err(failure) => {
                failure.print();
                failed = Some(failed.map_or(failure.code(), |code: u8| code.min(failure.code())));
                Entry {
                    path: source.name(),
                    sha256: None,
                    decision: Decision::Withheld,
                    reasons: vec!["the log could not be read".to_owned()],
                }
            }
        });
    }
    let withheld = logs.iter().any(|entry| entry.decision == Decision::Withheld);
    let decision = if withheld { Decision::Withheld } else { Decision::Open };
    let mut line = serde_json::to_vec(&Line { schema: "sondeproof.gate/1", decision, logs })
        .map_err(|error| Failure::Internal(format!("cannot write the decision: {error}")))?;
    line.push(b'\n');
    output::emit(&line)?;
    match (failed, withheld) {
        (Some(code), _) => Err(Failure::Reported(code)),
        (None, true) => Ok(Ending::Withheld),
        (None, false) => Ok(Ending::Done),
    }
}
