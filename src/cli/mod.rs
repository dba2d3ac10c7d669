//! The command line: arguments in, text and exit code out. Only this module prints and only [`run`] decides the
//! exit code.

mod explain;
mod failure;
mod output;
mod schema;

use std::ffi::OsString;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::process::ExitCode;

use clap::{Parser, Subcommand};

use failure::Failure;

/// Says whether an engine test log can be believed, before anyone draws a conclusion from it.
#[derive(Parser)]
#[command(name = "sondeproof", version, about, infer_long_args = false, max_term_width = 100)]
#[command(
    after_help = "Exit codes: 0 done (gate: open), 1 internal error, 2 bad usage or unreadable input, \
                        3 gate withheld."
)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    Explain(explain::Arguments),
    Schema(schema::Arguments),
}

/// How a command that did its work ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Ending {
    /// Everything asked for was done.
    Done,
}

/// Runs one command line and gives the process its exit code: 0 done or open, 1 internal error, 2 bad usage or
/// unreadable input, 3 withheld.
pub fn run(arguments: impl IntoIterator<Item = OsString>) -> ExitCode {
    let arguments = match Arguments::try_parse_from(arguments) {
        Ok(arguments) => arguments,
        Err(error) => {
            // Help and version are no errors; a reader that went away is none either.
            error.print().ok();
            return ExitCode::from(if error.use_stderr() { 2 } else { 0 });
        }
    };
    let ended = catch_unwind(AssertUnwindSafe(|| match &arguments.command {
        Command::Explain(arguments) => explain::run(arguments),
        Command::Schema(arguments) => schema::run(arguments),
    }))
    .unwrap_or_else(|_| Err(Failure::Internal("the program stopped on a fault of its own".to_owned())));
    match ended {
        Ok(Ending::Done) => ExitCode::SUCCESS,
        Err(failure) => {
            failure.print();
            ExitCode::from(failure.code())
        }
    }
}
