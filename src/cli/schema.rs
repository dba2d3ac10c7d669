//! `schema`: what the documents look like, for other programs.

use super::failure::Failure;
use super::{Ending, gate, output};
use crate::explain;

/// Print the JSON Schema (2020-12) of the audit document, or of another one
#[derive(clap::Args)]
pub(super) struct Arguments {
    /// The document
    #[arg(value_name = "DOCUMENT", value_enum, default_value = "audit")]
    document: Document,
}

#[derive(Clone, Copy, clap::ValueEnum)]
enum Document {
    /// What `audit --json` writes
    Audit,
    /// The line that `gate` prints
    Gate,
}

pub(super) fn run(arguments: &Arguments) -> Result<Ending, Failure> {
    let schema = match arguments.document {
        Document::Audit => explain::schema(),
        Document::Gate => schemars::schema_for!(gate::Line).to_value(),
    };
    let mut text = serde_json::to_string_pretty(&schema)
        .map_err(|error| Failure::Internal(format!("cannot write the schema: {error}")))?;
    text.push('\n');
    output::emit(text.as_bytes())?;
    Ok(Ending::Done)
}
