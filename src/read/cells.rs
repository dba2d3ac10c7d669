//! Typed columns built straight from the cells of a text file.

use std::sync::Arc;

use arrow_array::{Array, ArrayRef, BooleanArray, Float64Array, Int64Array, StringArray};
use arrow_buffer::{BooleanBuffer, NullBuffer, OffsetBuffer, ScalarBuffer};

use super::number;

/// Cells that could not be read are kept for people up to this many; all are counted.
pub const UNREADABLE_KEPT: usize = 20;

/// What a column is read as.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    /// Doubles; integers that fit in fifteen digits among them.
    Number,
    /// Integers of more than fifteen digits.
    Wide,
    /// Words.
    Text,
    /// Not read in this pass.
    Skip,
}

/// A cell that is not what its column is.
#[derive(Clone, Debug)]
pub(super) struct Odd {
    pub(super) row: usize,
    pub(super) line: u64,
    pub(super) text: String,
}

/// One column of one chunk of rows.
#[derive(Debug)]
pub(super) struct Cells {
    pub(super) kind: Kind,
    /// NaN where empty.
    numbers: Vec<f64>,
    wide: Vec<Option<i64>>,
    /// End of each row's text in `bytes`; an empty text is an empty cell.
    ends: Vec<usize>,
    bytes: Vec<u8>,
    /// Cells that read as finite numbers.
    count: usize,
    fractional: bool,
    any_wide: bool,
    null_words: usize,
    first_null_word: Option<Odd>,
    others: usize,
    odd: Vec<Odd>,
}

impl Cells {
    pub(super) fn new(kind: Kind, rows: usize) -> Self {
        Self {
            kind,
            numbers: Vec::with_capacity(if kind == Kind::Number { rows } else { 0 }),
            wide: Vec::new(),
            ends: Vec::with_capacity(if kind == Kind::Text { rows } else { 0 }),
            bytes: Vec::new(),
            count: 0,
            fractional: false,
            any_wide: false,
            null_words: 0,
            first_null_word: None,
            others: 0,
            odd: Vec::new(),
        }
    }

    /// A number already read, from a column of numbers.
    #[inline]
    pub(super) fn push_number(&mut self, number: &number::Number) {
        self.numbers.push(number.value);
        self.count += 1;
        self.fractional |= !number.integer;
        self.any_wide |= number.wide;
    }

    /// An empty cell.
    #[inline]
    pub(super) fn push_blank(&mut self) {
        match self.kind {
            Kind::Number => self.numbers.push(f64::NAN),
            Kind::Wide => self.wide.push(None),
            Kind::Text => self.ends.push(self.bytes.len()),
            Kind::Skip => {}
        }
    }

    /// Any cell, blanks and quotes taken off.
    pub(super) fn push(&mut self, token: &[u8], mark: u8, row: usize, line: u64) {
        if token.is_empty() || self.kind == Kind::Skip {
            self.push_blank();
            return;
        }
        match self.kind {
            Kind::Number => match number::parse(token, mark) {
                Some(number) if number.value.is_finite() => self.push_number(&number),
                // A number beyond the range of a double stands for infinity.
                Some(_) => self.push_null_word(token, row, line),
                None if number::is_null_word(token) => self.push_null_word(token, row, line),
                None => self.push_odd(token, row, line),
            },
            Kind::Wide => match number::parse_integer(token) {
                Some(value) => {
                    self.wide.push(Some(value));
                    self.count += 1;
                }
                None if number::is_null_word(token) => self.push_null_word(token, row, line),
                None => self.push_odd(token, row, line),
            },
            Kind::Text => {
                self.bytes.extend_from_slice(token);
                self.ends.push(self.bytes.len());
                match number::parse(token, mark) {
                    Some(number) if number.value.is_finite() => self.count += 1,
                    Some(_) => {}
                    None if number::is_null_word(token) => {}
                    None => self.others += 1,
                }
            }
            Kind::Skip => {}
        }
    }

    #[cold]
    fn push_null_word(&mut self, token: &[u8], row: usize, line: u64) {
        self.null_words += 1;
        if self.first_null_word.is_none() {
            self.first_null_word = Some(odd(token, row, line));
        }
        self.push_blank();
    }

    #[cold]
    fn push_odd(&mut self, token: &[u8], row: usize, line: u64) {
        self.others += 1;
        if self.odd.len() < UNREADABLE_KEPT {
            self.odd.push(odd(token, row, line));
        }
        self.push_blank();
    }

    /// Takes the last row back, if there is one.
    pub(super) fn pop(&mut self) {
        match self.kind {
            Kind::Number => {
                if self.numbers.pop().is_some_and(|value| !value.is_nan()) {
                    self.count -= 1;
                }
            }
            Kind::Wide => {
                if self.wide.pop().flatten().is_some() {
                    self.count -= 1;
                }
            }
            Kind::Text => {
                self.ends.pop();
                self.bytes.truncate(self.ends.last().copied().unwrap_or(0));
            }
            Kind::Skip => {}
        }
    }
}

fn odd(token: &[u8], row: usize, line: u64) -> Odd {
    let text: String = String::from_utf8_lossy(token).chars().take(40).collect();
    Odd { row, line, text }
}

/// A finished column.
#[derive(Debug)]
pub(super) struct Finished {
    pub(super) values: ArrayRef,
    pub(super) odd: Vec<Odd>,
    pub(super) odd_count: usize,
    pub(super) null_words: usize,
    pub(super) first_null_word: Option<Odd>,
    /// What stood for yes and no, when it was not `true` and `false`.
    pub(super) truth_words: Option<&'static str>,
}

/// What joining the chunks of a column came to.
pub(super) enum Joined {
    Done(Finished),
    /// The guess from the first lines was wrong: read the column again as this.
    Again(Kind),
    /// More text than an Arrow string column holds.
    TooLarge,
}

/// Joins the chunks of one column; each chunk comes with its first row and first line.
///
/// The rule: a column is numeric when at least as many cells read as numbers as read as neither number nor "no
/// value"; else it is text. Columns of integers alone become `Int64`, of which those beyond fifteen digits are read
/// again digit by digit; when one does not fit, the column is text.
pub(super) fn join(chunks: Vec<(usize, u64, Cells)>) -> Joined {
    let kind = chunks.first().map_or(Kind::Number, |(_, _, cells)| cells.kind);
    let sum = |of: fn(&Cells) -> usize| chunks.iter().map(|(_, _, cells)| of(cells)).sum::<usize>();
    let count = sum(|cells| cells.count);
    let others = sum(|cells| cells.others);
    let null_words = sum(|cells| cells.null_words);
    let fractional = chunks.iter().any(|(_, _, cells)| cells.fractional);
    let any_wide = chunks.iter().any(|(_, _, cells)| cells.any_wide);
    let numeric = count > 0 && count >= others;
    match kind {
        Kind::Number if others > 0 && !numeric => return Joined::Again(Kind::Text),
        Kind::Number if any_wide && !fractional && others == 0 => return Joined::Again(Kind::Wide),
        Kind::Wide if others > 0 => return Joined::Again(Kind::Text),
        // A column of long integers that do not fit in 64 bits stays text, whatever it counts.
        Kind::Text if numeric && others > 0 => return Joined::Again(Kind::Number),
        _ => {}
    }
    let mut odd = Vec::new();
    let mut first_null_word = None;
    for (row, line, cells) in &chunks {
        let shifted = |found: &Odd| Odd { row: found.row + row, line: found.line + line, ..found.clone() };
        odd.extend(cells.odd.iter().take(UNREADABLE_KEPT - odd.len().min(UNREADABLE_KEPT)).map(shifted));
        if first_null_word.is_none() {
            first_null_word = cells.first_null_word.as_ref().map(shifted);
        }
    }
    let mut truth_words = None;
    let values: ArrayRef = match kind {
        Kind::Number if fractional || count == 0 || any_wide => floats(chunks),
        Kind::Number => integers(chunks),
        Kind::Wide => {
            Arc::new(chunks.into_iter().flat_map(|(_, _, cells)| cells.wide).collect::<Int64Array>())
        }
        _ => {
            let Some(texts) = texts(chunks) else { return Joined::TooLarge };
            match booleans(&texts) {
                Some((values, words)) => {
                    truth_words = words;
                    Arc::new(values)
                }
                None => Arc::new(texts),
            }
        }
    };
    let odd_count = if matches!(kind, Kind::Text) { 0 } else { others };
    Joined::Done(Finished { values, odd, odd_count, null_words, first_null_word, truth_words })
}

fn joined_numbers(chunks: Vec<(usize, u64, Cells)>) -> Vec<f64> {
    let rows: usize = chunks.iter().map(|(_, _, cells)| cells.numbers.len()).sum();
    let mut chunks = chunks.into_iter();
    let Some((_, _, first)) = chunks.next() else { return Vec::new() };
    let mut values = first.numbers;
    values.reserve_exact(rows - values.len());
    for (_, _, cells) in chunks {
        values.extend_from_slice(&cells.numbers);
    }
    values
}

fn floats(chunks: Vec<(usize, u64, Cells)>) -> ArrayRef {
    let values = joined_numbers(chunks);
    let nulls = nulls_of(values.len(), |row| !values[row].is_nan());
    Arc::new(Float64Array::new(ScalarBuffer::from(values), nulls))
}

fn integers(chunks: Vec<(usize, u64, Cells)>) -> ArrayRef {
    let values = joined_numbers(chunks);
    let nulls = nulls_of(values.len(), |row| !values[row].is_nan());
    // At most fifteen digits: exact in both directions. NaN becomes 0 under a null.
    let integers: Vec<i64> = values.iter().map(|value| *value as i64).collect();
    Arc::new(Int64Array::new(ScalarBuffer::from(integers), nulls))
}

/// A null mask, or none when every row is valid.
pub(super) fn nulls_of(rows: usize, valid: impl FnMut(usize) -> bool) -> Option<NullBuffer> {
    let nulls = NullBuffer::new(BooleanBuffer::collect_bool(rows, valid));
    (nulls.null_count() > 0).then_some(nulls)
}

fn texts(chunks: Vec<(usize, u64, Cells)>) -> Option<StringArray> {
    let rows: usize = chunks.iter().map(|(_, _, cells)| cells.ends.len()).sum();
    let size: usize = chunks.iter().map(|(_, _, cells)| cells.bytes.len()).sum();
    let most = i32::try_from(size).ok()?;
    let mut offsets: Vec<i32> = Vec::with_capacity(rows + 1);
    let mut bytes: Vec<u8> = Vec::with_capacity(size);
    offsets.push(0);
    for (_, _, cells) in chunks {
        let base = bytes.len();
        offsets.extend(cells.ends.iter().map(|end| i32::try_from(base + end).unwrap_or(most)));
        bytes.extend_from_slice(&cells.bytes);
    }
    let nulls = nulls_of(rows, |row| offsets[row] != offsets[row + 1]);
    StringArray::try_new(OffsetBuffer::new(ScalarBuffer::from(offsets)), bytes.into(), nulls).ok()
}

/// A column that holds one pair of truth words and nothing else.
fn booleans(texts: &StringArray) -> Option<(BooleanArray, Option<&'static str>)> {
    let mut pair = None;
    let mut values: Vec<Option<bool>> = Vec::new();
    for text in texts {
        values.push(match text {
            Some(text) => {
                let (found, value) = number::truth(text.as_bytes())?;
                if *pair.get_or_insert(found) != found {
                    return None;
                }
                Some(value)
            }
            None => None,
        });
    }
    let words = match pair? {
        0 => None,
        1 => Some("`yes` and `no`"),
        _ => Some("`on` and `off`"),
    };
    debug_assert_eq!(values.len(), texts.len());
    Some((BooleanArray::from(values), words))
}
