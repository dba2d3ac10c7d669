//! `schema`: what an audit document looks like, for other programs.

use super::failure::Failure;
use super::{Ending, output};
use crate::explain;

/// Print the JSON Schema (2020-12) of the audit document
#[derive(clap::Args)]
pub(super) struct Arguments {}

pub(super) fn run(_: &Arguments) -> Result<Ending, Failure> {
    let mut text = serde_json::to_string_pretty(&explain::schema())
        .map_err(|error| Failure::Internal(format!("cannot write the schema: {error}")))?;
    text.push('\n');
    output::emit(text.as_bytes())?;
    Ok(Ending::Done)
}
