//! A file's columns as they stand in it, before anyone asks what they mean.

use super::Values;
use super::place::shown;
use crate::log::{Note, Source, Unread};

/// One column as logged, losslessly.
#[derive(Clone, Debug)]
pub struct Column {
    /// Name, made unique (`Lambda`, `Lambda.2`) and never empty (`column 3`).
    pub name: String,
    /// The header's own text before units were cut out and names made unique.
    pub source_name: String,
    /// Unit as the header or the unit row spells it.
    pub unit: Option<String>,
    /// Role in the file's field metadata (files written by `convert`), a name of [`crate::log::Role`].
    pub role: Option<String>,
    /// `Float64`, `Int64`, `Utf8`, `Boolean` or `Timestamp`; null where the cell was blank or ragged.
    pub values: Values,
    /// Numeric cells that were not numbers: (row, what was found), the first few; the rows are null.
    pub unreadable: Vec<(usize, String)>,
}

impl Column {
    /// What of a column of numbers was written and could not be read: cells with a digit in them are readings in another form,
    /// where a word may be no more than a sensor that is not ready. One may be a damaged line.
    pub(crate) fn partly_read(&self) -> Option<Unread> {
        let has_digit = |cell: &str| cell.bytes().any(|byte| byte.is_ascii_digit());
        let mut written = self.unreadable.iter().filter(|(_, cell)| has_digit(cell));
        let (first, _) = (written.next()?, written.next()?);
        let why = format!(
            "several cells hold more than a number, the first {} in data row {}",
            shown(&first.1),
            first.0 + 1
        );
        Some(Unread { name: self.name.clone(), why })
    }
}

/// A whole file.
#[derive(Clone, Debug)]
pub struct Table {
    /// Origin.
    pub source: Source,
    /// In file order, all with `rows` slots.
    pub columns: Vec<Column>,
    /// Rows.
    pub rows: usize,
    /// Rows that follow a header repeated in mid-file (logger restart).
    pub restarts: Vec<usize>,
    /// Key and value pairs of the preamble or the file's metadata.
    pub metadata: Vec<(String, String)>,
    /// What reading noticed.
    pub notes: Vec<Note>,
}
