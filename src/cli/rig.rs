//! `rig LOG`: a rig file proposed from a log.

use std::path::PathBuf;

use super::failure::Failure;
use super::source::{self, Source};
use super::{Ending, output};
use crate::rig::propose;

/// Propose a rig file: which column plays which role, in which unit, how sure, and every limit
#[derive(clap::Args)]
pub(super) struct Arguments {
    /// Log file
    log: PathBuf,
    #[command(flatten)]
    options: source::Options,
}

pub(super) fn run(arguments: &Arguments) -> Result<Ending, Failure> {
    let rig = arguments.options.rig()?;
    let log = Source::File(source::file(&arguments.log)).open(&rig)?;
    output::emit(propose(&log, &rig).as_bytes())?;
    Ok(Ending::Done)
}
