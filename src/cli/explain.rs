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
    let found = explain::find(name);
    let of_kind = explain::of_kind(name);
    if found.is_err() && !of_kind.is_empty() {
        output::print(&report::pages::index(&of_kind, output::width()))?;
        return Ok(Ending::Done);
    }
    let topics = found.map_err(|unknown| {
        let help = match unknown.nearest.as_slice() {
            [] => "`sondeproof explain` lists every name".to_owned(),
            near => format!(
                "did you mean {}?",
                near.iter().map(|n| format!("`{n}`")).collect::<Vec<_>>().join(", ")
            ),
        };
        Failure::Input(format!("{unknown}\n  help: {help}"))
    })?;
    output::print(&report::pages::pages(&topics, output::width()))?;
    Ok(Ending::Done)
}
