//! What went wrong, and whose turn it is.

use std::io;

use super::{Ending, output};

/// A command that could not do all it was asked for.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Failure {
    /// Whoever read the output went away: nothing to report.
    BrokenPipe,
    /// The user can mend it: bad usage, unreadable input, a place that cannot be written to.
    Input(String),
    /// Messages were printed already, one per log; the exit code that follows from them.
    Reported(u8),
    /// The program or the machine failed.
    Internal(String),
}

impl Failure {
    /// The process's exit code.
    pub(super) const fn code(&self) -> u8 {
        match self {
            Self::BrokenPipe => 0,
            Self::Internal(_) => 1,
            Self::Input(_) => 2,
            Self::Reported(code) => *code,
        }
    }

    /// Says it on stderr.
    pub(super) fn print(&self) {
        match self {
            Self::BrokenPipe | Self::Reported(_) => {}
            Self::Input(message) => output::complain(message),
            Self::Internal(message) => output::complain(&format!(
                "{message}\n  help: please report this with the command line and, if you may, the log"
            )),
        }
    }

    /// A file that could not be written.
    pub(super) fn write(path: &std::path::Path, error: &io::Error) -> Self {
        Self::unwritten(&path.display().to_string(), error)
    }

    fn unwritten(what: &str, error: &io::Error) -> Self {
        use io::ErrorKind::{
            AlreadyExists, BrokenPipe, FileTooLarge, InvalidFilename, InvalidInput, IsADirectory,
            NotADirectory, NotFound, Other, PermissionDenied, QuotaExceeded, ReadOnlyFilesystem,
            ResourceBusy, StorageFull,
        };
        let message = |problem: &str, help: &str| {
            Self::Input(format!("cannot write {what}: {problem}\n  help: {help}"))
        };
        match error.kind() {
            BrokenPipe => Self::BrokenPipe,
            NotFound | NotADirectory => {
                message("its folder does not exist", "create the folder first, or name another place")
            }
            IsADirectory => message("this is a folder", "name a file in it"),
            PermissionDenied | ReadOnlyFilesystem => {
                message("writing there is not permitted", "name a place that you may write to")
            }
            AlreadyExists => message(
                "there is a file of this name, and no folder",
                "leave out the `/` behind it, or name another folder",
            ),
            StorageFull | QuotaExceeded => {
                message("the disk is full", "make room, or name a place on another disk")
            }
            InvalidFilename => {
                message("a name this long or of these marks is not allowed", "name it shorter")
            }
            FileTooLarge => message(
                "a file of this size is not allowed",
                "raise the limit (`ulimit -f`), or name a place on another disk",
            ),
            ResourceBusy => message(&error.to_string(), "write it once more"),
            // What the program refuses by itself brings its own help; the system says little.
            InvalidInput if error.raw_os_error().is_none() => {
                Self::Input(format!("cannot write {what}: {error}"))
            }
            // Nothing that the system says has this kind: a library failed.
            Other => Self::Internal(format!("cannot write {what}: {error}")),
            _ => message(&error.to_string(), "name another place"),
        }
    }
}

/// What failed among several pieces of work that do not stop each other.
#[derive(Debug, Default)]
pub(super) struct Failures(Option<u8>);

impl Failures {
    /// Says a failure and keeps its code. That a reader went away is none: the work goes on without it.
    pub(super) fn note(&mut self, failure: &Failure) {
        if *failure != Failure::BrokenPipe {
            failure.print();
            self.0 = Some(self.0.map_or(failure.code(), |code| code.min(failure.code())));
        }
    }

    /// The given ending, unless something failed.
    ///
    /// # Errors
    /// The lowest code of all: a failure of the program before one of the input.
    pub(super) fn ending(self, ending: Ending) -> Result<Ending, Failure> {
        self.0.map_or(Ok(ending), |code| Err(Failure::Reported(code)))
    }
}

impl From<io::Error> for Failure {
    /// An error of stdout.
    fn from(error: io::Error) -> Self {
        Self::unwritten("the output", &error)
    }
}
