//! `explain [NAME]`: what a name in a report, a document or a rig file means.

use super::failure::Failure;
use super::{Ending, output};
use crate::{explain, report};

/// Say what a name means: detector, state, verdict, claim, metric, role, flag or exit code; of such a word, list the names
#[derive(clap::Args)]
pub(super) struct Arguments {
    /// The name, or the kind of names; without one, everything that has a page
    name: Option<String>,
}

pub(super) fn run(arguments: &Arguments) -> Result<Ending, Failure> {
    let Some(name) = &arguments.name else {
        output::print(&report::pages::index(&explain::topics(), output::width()))?;
        return Ok(Ending::Done);
    };
    let page = match (explain::find(name), explain::of_kind(name).as_slice()) {
        (Ok(topics), _) => report::pages::pages(&topics, output::width()),
        (Err(unknown), []) => return Err(not_found(&unknown)),
        (Err(_), of_kind) => report::pages::index(of_kind, output::width()),
    };
    output::print(&page)?;
    Ok(Ending::Done)
}

fn not_found(unknown: &explain::Unknown) -> Failure {
    let help = match unknown.nearest.as_slice() {
        [] => "`sondeproof explain` lists every name".to_owned(),
        near => {
            format!("did you mean {}?", near.iter().map(|n| format!("`{n}`")).collect::<Vec<_>>().join(", "))
        }
    };
    Failure::Input(format!("{unknown}\n  help: {help}"))
}
