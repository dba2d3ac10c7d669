//! A log as the rest of the library sees it: channels with roles, in inside units, over one clock.

mod channel;
mod clock;
mod crowd;
mod kept;
mod role;
pub mod ticks;
mod unit;

pub(crate) use channel::by_row;
pub use channel::{Channel, Code, Estimate, Measured, RoleBasis, are_few};
pub use clock::{Clock, ClockBasis, ClockEvent};
pub use kept::Kept;
pub use role::Role;
pub use unit::{Dimension, UNITS, UNKNOWN, Unit};

/// Where a log came from.
#[derive(Clone, Debug, PartialEq)]
pub struct Source {
    /// Path as given, or `demo`.
    pub path: String,
    /// SHA-256 of the file's bytes, hexadecimal.
    pub sha256: String,
    /// Size of the file.
    pub bytes: u64,
    /// Size of its content: what a packed file unpacks to, else that of the file.
    pub unpacked: u64,
    /// `text`, `parquet`, `arrow_ipc`, with the compression where there is one (`text+gzip`).
    pub format: String,
    /// How the data are known to be incomplete.
    pub cut_short: Option<CutShort>,
    /// Columns of the file that are no channels, and those of the mixture that are one but for some cells.
    pub unread: Vec<Unread>,
}

/// A column that could not be read as numbers, or not all of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Unread {
    /// Its name.
    pub name: String,
    /// What is wrong with it, in a few words.
    pub why: String,
}

#[cfg(test)]
impl Source {
    /// The origin of a log that a test makes up.
    pub(crate) fn made_up(path: &str) -> Self {
        Self {
            path: path.to_owned(),
            sha256: String::new(),
            bytes: 0,
            unpacked: 0,
            format: "text".to_owned(),
            cut_short: None,
            unread: Vec::new(),
        }
    }
}

/// A log that breaks off.
#[derive(Clone, Debug, PartialEq)]
pub struct CutShort {
    /// Plain sentence.
    pub why: String,
    /// Whether only the last row is broken: a logger that loses power ends like this, so that there may be no more of it.
    pub row_only: bool,
}

/// Something noticed while reading that people should know; never an error.
#[derive(Clone, Debug, PartialEq)]
pub struct Note {
    /// Line of the file, from 1, where that makes sense.
    pub line: Option<u64>,
    /// Channel concerned.
    pub channel: Option<String>,
    /// Plain sentence.
    pub text: String,
}

/// One log. Every channel has as many rows as the clock.
#[derive(Clone, Debug)]
pub struct Log {
    /// Origin.
    pub source: Source,
    /// Time axis.
    pub clock: Clock,
    /// Channels with numbers, in column order.
    pub channels: Vec<Channel>,
    /// Names of columns that hold text, kept by `convert`, not judged.
    pub text_columns: Vec<String>,
    /// What reading noticed.
    pub notes: Vec<Note>,
}

impl Log {
    /// Number of rows.
    pub fn rows(&self) -> usize {
        self.clock.rows()
    }

    /// The channel that plays a role: the one most surely so, the first in column order among equals.
    pub fn role(&self, role: Role) -> Option<&Channel> {
        self.index_of(role).map(|index| &self.channels[index])
    }

    /// Its index in `channels`.
    pub fn index_of(&self, role: Role) -> Option<usize> {
        let mut best: Option<usize> = None;
        for (index, channel) in self.channels.iter().enumerate() {
            if channel.role == role && channel.count() > 0 {
                let better =
                    best.is_none_or(|b| channel.basis.confidence > self.channels[b].basis.confidence);
                if better {
                    best = Some(index);
                }
            }
        }
        best
    }

    /// The channel that carries the mixture reading: `lambda`, else `afr` (both are lambda inside).
    pub fn mixture(&self) -> Option<usize> {
        self.index_of(Role::Lambda).or_else(|| self.index_of(Role::Afr))
    }

    /// Why [`Log::mixture`] is null where it is.
    pub fn why_no_mixture(&self) -> &'static str {
        if self.channels.iter().any(|channel| channel.role.is_mixture()) {
            "the lambda or air/fuel ratio channel of the log holds no value"
        } else {
            "the log has no lambda or air/fuel ratio channel"
        }
    }
}
