//! `serve`: the local page.

use std::path::PathBuf;

use super::failure::Failure;
use super::{Ending, output, threads};
use crate::ledger::Ledger;
use crate::page::{Options, Page, PageError};

/// Open a local page: drop logs, see their reports, keep the history
#[derive(clap::Args)]
pub(super) struct Arguments {
    /// Rig file to begin with; the page can load and edit one too
    #[arg(long, value_name = "FILE")]
    rig: Option<PathBuf>,
    /// Folder of the ledger [default: the platform's place for a user's data]
    #[arg(long, value_name = "DIR")]
    ledger: Option<PathBuf>,
    /// Port on this machine; 0 takes any free one
    #[arg(long, value_name = "PORT", default_value_t = 0)]
    port: u16,
    /// Largest log that the page takes, MB
    #[arg(long, value_name = "MB", default_value_t = 2000, value_parser = clap::value_parser!(u64).range(1..=1_000_000))]
    upload_limit: u64,
    /// Print the address without opening the browser
    #[arg(long)]
    no_open: bool,
}

/// Threads that the page needs at the least: it answers, audits and touches files at once (assumed).
const THREADS_LEAST: usize = 8;

pub(super) fn run(arguments: &Arguments) -> Result<Ending, Failure> {
    let rig = arguments.rig.as_ref().map(|path| {
        let bytes = crate::read::whole(path, crate::read::SETTINGS_MOST).map_err(|source| {
            let error = crate::rig::RigError::Io { path: path.clone(), source };
            Failure::Input(error.to_string())
        })?;
        let name = path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned();
        Ok::<_, Failure>((name, String::from_utf8_lossy(&bytes).into_owned()))
    });
    if threads::to_be_had(THREADS_LEAST) < THREADS_LEAST {
        return Err(Failure::Input(
            "the page cannot be opened: the system allows this program no further threads\n  help: raise the limit of \
             processes (`ulimit -u`, or that of the container), or use `sondeproof audit`"
                .to_owned(),
        ));
    }
    let page = Page::open(Options {
        port: arguments.port,
        upload_limit: arguments.upload_limit * 1_000_000,
        rig: rig.transpose()?,
        ledger: arguments.ledger.clone().or_else(Ledger::default_folder),
    })
    .map_err(failed)?;
    let address = page.address();
    output::print(&format!("{address}\n"))?;
    output::remark(
        "The page is open on this machine only, for whoever has this address. Stop it with Ctrl-C or its own button.",
    );
    if !arguments.no_open && opener::open_browser(page.opening()).is_err() {
        output::remark("The browser could not be started: open the address above yourself.");
    }
    page.run().map_err(failed)?;
    output::remark("The page has stopped; dropped files are removed.");
    Ok(Ending::Done)
}

fn failed(error: PageError) -> Failure {
    match error {
        PageError::Bind { .. } | PageError::Rig(_) => Failure::Input(error.to_string()),
        PageError::Folder { what: "make", .. } => Failure::Input(format!(
            "{error}\n  help: let the environment variable TMPDIR (on Windows TMP) name a folder that can be written to"
        )),
        other => Failure::Internal(other.to_string()),
    }
}
