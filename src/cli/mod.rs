//! The command line: arguments in, text and exit code out. Only this module prints and only [`run`] decides the
//! exit code.

mod apart;
mod audit;
mod completions;
mod convert;
mod evaluate;
mod explain;
mod failure;
mod gate;
mod ledger;
mod output;
mod rig;
mod schema;
#[cfg(feature = "page")]
mod serve;
mod simulate;
mod source;
mod threads;

use std::ffi::OsString;
use std::io::{self, Write as _};
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
    command: Option<Command>,
}

#[derive(Subcommand)]
enum Command {
    Audit(audit::Arguments),
    Gate(gate::Arguments),
    Simulate(simulate::Arguments),
    Convert(convert::Arguments),
    Rig(rig::Arguments),
    Explain(explain::Arguments),
    Evaluate(evaluate::Arguments),
    Schema(schema::Arguments),
    Ledger(ledger::Arguments),
    Completions(completions::Arguments),
    Man(completions::Page),
    #[cfg(feature = "page")]
    Serve(serve::Arguments),
}

/// How a command that did its work ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Ending {
    /// Everything asked for was done.
    Done,
    /// `gate` withheld at least one log.
    Withheld,
}

/// Runs one command line and gives the process its exit code: 0 done or open, 1 internal error, 2 bad usage or
/// unreadable input, 3 withheld.
pub fn run(arguments: impl IntoIterator<Item = OsString>) -> ExitCode {
    let arguments = match Arguments::try_parse_from(arguments) {
        Ok(arguments) => arguments,
        Err(error) => {
            if let Some(path) = log_as_command(&error) {
                let message =
                    format!("`{path}` is a file, not a command\n  help: `sondeproof audit {path}` audits it");
                output::complain(&message);
                return ExitCode::from(2);
            }
            if error.use_stderr() {
                // The message repeats arguments as they came, and a file's name must not steer the terminal.
                output::remark(error.render().to_string().trim_end());
                return ExitCode::from(2);
            }
            // Help and version are no errors; a reader that went away is none either.
            let printed = error.print().and_then(|()| io::stdout().flush()).map_err(Failure::from);
            return printed.map_or_else(|failure| failed(&failure), |()| ExitCode::SUCCESS);
        }
    };
    threads::make();
    let ended = catch_unwind(AssertUnwindSafe(|| match &arguments.command {
        None => audit::run(&audit::Arguments::default()),
        Some(command) => command.run(),
    }))
    .unwrap_or_else(|_| Err(Failure::Internal("the program stopped on a fault of its own".to_owned())));
    match ended {
        Ok(Ending::Done) => ExitCode::SUCCESS,
        Ok(Ending::Withheld) => ExitCode::from(3),
        Err(failure) => failed(&failure),
    }
}

/// Says what failed, and the exit code of it.
fn failed(failure: &Failure) -> ExitCode {
    failure.print();
    ExitCode::from(failure.code())
}

impl Command {
    fn run(&self) -> Result<Ending, Failure> {
        match self {
            Self::Audit(arguments) => audit::run(arguments),
            Self::Gate(arguments) => gate::run(arguments),
            Self::Convert(arguments) => convert::run(arguments),
            Self::Rig(arguments) => rig::run(arguments),
            Self::Simulate(arguments) => simulate::run(arguments),
            Self::Explain(arguments) => explain::run(arguments),
            Self::Evaluate(arguments) => evaluate::run(arguments),
            Self::Schema(arguments) => schema::run(arguments),
            Self::Ledger(arguments) => ledger::run(arguments),
            Self::Completions(arguments) => completions::run(arguments),
            Self::Man(_) => completions::page(),
            #[cfg(feature = "page")]
            Self::Serve(arguments) => serve::run(arguments),
        }
    }
}

/// The first word, where it is a file in the place of a command.
fn log_as_command(error: &clap::Error) -> Option<String> {
    use clap::error::{ContextKind, ContextValue, ErrorKind};
    let (ErrorKind::InvalidSubcommand, Some(ContextValue::String(word))) =
        (error.kind(), error.get(ContextKind::InvalidSubcommand))
    else {
        return None;
    };
    std::path::Path::new(word).exists().then(|| word.clone())
}
