//! What can go wrong with a ledger, in words that say what to do.

use std::io;
use std::path::PathBuf;

/// What can go wrong with a ledger.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum LedgerError {
    /// The file system refused.
    #[error("cannot use the ledger file {path}: {source}")]
    Io {
        /// File or folder.
        path: PathBuf,
        /// Cause.
        source: io::Error,
    },
    /// A file or folder that is there cannot be read.
    #[error(
        "cannot read {path} in the ledger: {source}\n  help: make it readable, or name another ledger with `--ledger DIR`"
    )]
    Unreadable {
        /// File or folder.
        path: PathBuf,
        /// Cause.
        source: io::Error,
    },
    /// A file in the folder is not a ledger file.
    #[error(
        "cannot read the ledger file {path}: {problem}\n  help: move it out of the ledger; until then nothing is said of \
         this sensor; the other files are not affected"
    )]
    Foreign {
        /// File.
        path: PathBuf,
        /// What is wrong with it.
        problem: String,
    },
    /// A serial that cannot be used.
    #[error(
        "cannot use the sensor serial `{serial}`: {problem}\n  help: give the serial that stands on the sensor, at most 80 bytes"
    )]
    Serial {
        /// As given.
        serial: String,
        /// What is wrong.
        problem: String,
    },
    /// Another process added a log of another machine at the same time, so that neither was asked whether the sensor moved.
    #[error(
        "the log was added to the ledger of sensor {serial} with the rig `{given}`, and another one with the rig `{other}` at \
         the same time\n  help: if the sensor was moved, all is well; if not, one rig file has the wrong serial: correct it, \
         and move the file of that log ({path} is this one's) out of the ledger"
    )]
    RigMeanwhile {
        /// Serial.
        serial: String,
        /// Rig of the log.
        given: String,
        /// Rig of the other.
        other: String,
        /// File of the log's entry.
        path: PathBuf,
    },
    /// The same log came in otherwise at the same time: from another process, or in a file that was copied in.
    #[error(
        "the log was added to the ledger of sensor {serial} with the day {given}, and came in otherwise at the same time, with the \
         day {other}: the ledger holds both and contradicts itself\n  help: move the file of the wrong one out of the ledger \
         ({path} is this one's)"
    )]
    EntryMeanwhile {
        /// Serial.
        serial: String,
        /// Day of the log.
        given: String,
        /// Day of the other.
        other: String,
        /// File of the log's entry.
        path: PathBuf,
    },
    /// The serial is known from another machine.
    #[error(
        "sensor {serial} is in the ledger with the rig `{known}`, and this log comes from the rig `{given}`\n  help: if the sensor was moved, add `--moved`; if not, correct the serial in the rig file"
    )]
    OtherRig {
        /// Serial.
        serial: String,
        /// Rig in the ledger.
        known: String,
        /// Rig of the log.
        given: String,
    },
}
