//! Typed columns built straight from the cells of a text file.

use std::sync::{Arc, OnceLock};

use arrow_array::{Array, ArrayRef, BooleanArray, Float64Array, Int64Array, StringArray};
use arrow_buffer::{BooleanBuffer, BooleanBufferBuilder, NullBuffer, OffsetBuffer, ScalarBuffer};
use arrow_schema::DataType;

use super::{Values, number};
use crate::log::{are_few, by_row};

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
    /// NaN where empty; nothing before the first value, of which many columns of a wide log have none.
    numbers: Vec<f64>,
    /// Rows that hold a number, where few do and `numbers` has those alone. Only in what chunks were put together to.
    held: Option<BooleanBufferBuilder>,
    /// Empty cells before the first value of `numbers`, while that has not come.
    blank: usize,
    /// Rows to reserve when it comes.
    expected: usize,
    /// Integers beyond what a double holds, each with its place among the rows.
    wide: Vec<(usize, i64)>,
    /// Rows of `wide`, with and without one.
    wide_rows: usize,
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
    rounded: Option<Box<Rounded>>,
}

/// Whole numbers of which a double does not hold every digit.
#[derive(Clone, Debug)]
pub(super) struct Rounded {
    pub(super) count: usize,
    pub(super) first: Odd,
}

impl Cells {
    pub(super) fn new(kind: Kind, rows: usize) -> Self {
        Self {
            kind,
            numbers: Vec::new(),
            held: None,
            blank: 0,
            expected: rows,
            wide: Vec::new(),
            wide_rows: 0,
            ends: Vec::with_capacity(if kind == Kind::Text { rows } else { 0 }),
            bytes: Vec::new(),
            count: 0,
            fractional: false,
            any_wide: false,
            null_words: 0,
            first_null_word: None,
            others: 0,
            odd: Vec::new(),
            rounded: None,
        }
    }

    /// A number already read, from a column of numbers.
    #[inline]
    pub(super) fn push_number(&mut self, number: &number::Number) {
        if self.numbers.is_empty() {
            self.begin();
        }
        self.numbers.push(number.value);
        self.count += 1;
        self.fractional |= !number.integer;
        self.any_wide |= number.wide;
    }

    /// Makes the empty cells before the first value.
    #[cold]
    #[inline(never)]
    fn begin(&mut self) {
        self.numbers.reserve(self.expected.max(self.blank + 1));
        self.numbers.resize(std::mem::take(&mut self.blank), f64::NAN);
    }

    /// An empty cell. Kept apart from the loop over cells: inside it, it slows the reading of numbers by a third (200 MB in
    /// 0.49 s in place of 0.38, 2026-11-29).
    #[inline(never)]
    pub(super) fn push_blank(&mut self) {
        match self.kind {
            Kind::Number if self.numbers.is_empty() => self.blank += 1,
            Kind::Number => self.numbers.push(f64::NAN),
            Kind::Wide => self.wide_rows += 1,
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
                Some(number) if number.value.is_finite() => {
                    if number.wide {
                        self.note_rounded(token, &number, row, line);
                    }
                    self.push_number(&number);
                }
                // A number beyond the range of a double stands for infinity.
                Some(_) => self.push_null_word(token, row, line),
                None if number::is_null_word(token) => self.push_null_word(token, row, line),
                None => self.push_odd(token, row, line),
            },
            Kind::Wide => match number::parse_integer(token) {
                Some(value) => {
                    self.wide.push((self.wide_rows, value));
                    self.wide_rows += 1;
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

    /// Keeps in mind that a whole number of many digits is not held exactly.
    #[cold]
    pub(super) fn note_rounded(&mut self, token: &[u8], number: &number::Number, row: usize, line: u64) {
        let held = |whole: i64| whole as f64 as i128 == i128::from(whole);
        if number.integer && !number::parse_integer(token).is_some_and(held) {
            let first = || Box::new(Rounded { count: 0, first: odd(token, row, line) });
            self.rounded.get_or_insert_with(first).count += 1;
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

    /// Cells of a column of numbers that hold words.
    pub(super) const fn words(&self) -> usize {
        match self.kind {
            Kind::Number => self.others,
            _ => 0,
        }
    }

    /// Takes everything out and keeps the memory.
    pub(super) fn clear(&mut self) {
        self.numbers.clear();
        self.wide.clear();
        self.ends.clear();
        self.bytes.clear();
        self.odd.clear();
        (self.blank, self.wide_rows) = (0, 0);
        (self.count, self.null_words, self.others) = (0, 0, 0);
        (self.fractional, self.any_wide, self.first_null_word) = (false, false, None);
        self.rounded = None;
    }

    /// Rows of a column of numbers, with and without one.
    fn slots(&self) -> usize {
        self.held.as_ref().map_or(self.numbers.len(), BooleanBufferBuilder::len) + self.blank
    }

    /// Adds the cells that follow; theirs count rows and lines from `row` and `line` on.
    pub(super) fn absorb(&mut self, more: &Self, row: usize, line: u64) {
        if self.count == 0 && more.count == 0 {
            // Slots of which the values were taken back hold none.
            self.blank = self.slots() + more.slots();
            self.numbers.clear();
            self.held = None;
        } else if more.numbers.is_empty() && self.numbers.is_empty() {
            self.blank += more.blank;
        } else {
            self.absorb_numbers(more);
        }
        self.wide.extend(more.wide.iter().map(|(place, value)| (self.wide_rows + place, *value)));
        self.wide_rows += more.wide_rows;
        let base = self.bytes.len();
        self.ends.extend(more.ends.iter().map(|end| base + end));
        self.bytes.extend_from_slice(&more.bytes);
        self.count += more.count;
        self.fractional |= more.fractional;
        self.any_wide |= more.any_wide;
        self.null_words += more.null_words;
        self.others += more.others;
        let shifted = |found: &Odd| Odd { row: found.row + row, line: found.line + line, ..found.clone() };
        self.odd.extend(more.odd.iter().take(UNREADABLE_KEPT - self.odd.len()).map(shifted));
        if self.first_null_word.is_none() {
            self.first_null_word = more.first_null_word.as_ref().map(shifted);
        }
        if let Some(rounded) = &more.rounded {
            let first = || Box::new(Rounded { count: 0, first: shifted(&rounded.first) });
            self.rounded.get_or_insert_with(first).count += rounded.count;
        }
    }

    /// Keeps every slot, or the numbers alone where few rows hold one. A column goes over to the other form only once it
    /// has changed by much.
    fn absorb_numbers(&mut self, more: &Self) {
        let slots = self.slots();
        let count = self.count + more.count;
        let rows = slots + more.blank + more.numbers.len();
        match self.held.take() {
            None if are_few(count, rows) => {
                let mut held = BooleanBufferBuilder::new(self.expected.max(rows));
                held.append_n(std::mem::take(&mut self.blank), false);
                self.numbers.iter().for_each(|number| held.append(!number.is_nan()));
                self.numbers.retain(|number| !number.is_nan());
                self.numbers.shrink_to_fit();
                self.held = Some(held);
            }
            Some(mut held) if count > rows / 2 => {
                let numbers = by_row(&self.numbers, Some(&held.finish())).into_owned();
                self.numbers = numbers;
                self.numbers.reserve(self.expected.max(rows) - slots);
            }
            None if self.numbers.is_empty() => self.begin(),
            held => self.held = held,
        }
        let Some(held) = &mut self.held else {
            self.numbers.resize(self.numbers.len() + more.blank, f64::NAN);
            self.numbers.extend_from_slice(&more.numbers);
            return;
        };
        held.append_n(more.blank, false);
        for number in &more.numbers {
            held.append(!number.is_nan());
            if !number.is_nan() {
                self.numbers.push(*number);
            }
        }
    }

    /// Takes the last row back, if there is one.
    pub(super) fn pop(&mut self) {
        match self.kind {
            Kind::Number if self.numbers.is_empty() => {
                self.blank = self.blank.saturating_sub(1);
                self.forget_odd(self.blank);
            }
            Kind::Number => {
                let slots = self.held.as_ref().map_or(self.numbers.len(), BooleanBufferBuilder::len);
                let rows = slots.saturating_sub(1);
                let held = self.held.as_mut().is_none_or(|held| {
                    let last = rows < slots && held.get_bit(rows);
                    held.truncate(rows);
                    last
                });
                if held && self.numbers.pop().is_some_and(|value| !value.is_nan()) {
                    self.count -= 1;
                }
                self.rounded.take_if(|rounded| rounded.first.row == rows);
                self.forget_odd(rows);
            }
            Kind::Wide => {
                self.wide_rows = self.wide_rows.saturating_sub(1);
                self.forget_odd(self.wide_rows);
                if self.wide.pop_if(|(place, _)| *place == self.wide_rows).is_some() {
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

    /// What a row taken back held in place of a number belongs to no column.
    fn forget_odd(&mut self, row: usize) {
        if self.odd.pop_if(|odd| odd.row == row).is_some() {
            self.others -= 1;
        }
    }
}

fn odd(token: &[u8], row: usize, line: u64) -> Odd {
    let text: String = String::from_utf8_lossy(token).chars().take(40).collect();
    Odd { row, line, text }
}

/// One integer per row, null where there is none.
fn integers(found: &[(usize, i64)], rows: usize) -> Int64Array {
    let mut values = vec![0; rows];
    let mut held = BooleanBufferBuilder::new(rows);
    held.append_n(rows, false);
    for (place, value) in found {
        values[*place] = *value;
        held.set_bit(*place, true);
    }
    Int64Array::new(values.into(), (found.len() < rows).then(|| NullBuffer::new(held.finish())))
}

/// A finished column.
#[derive(Debug)]
pub(super) struct Finished {
    pub(super) values: Values,
    pub(super) odd: Vec<Odd>,
    pub(super) odd_count: usize,
    pub(super) null_words: usize,
    pub(super) first_null_word: Option<Odd>,
    pub(super) rounded: Option<Box<Rounded>>,
    /// What stood for yes and no, when it was not `true` and `false`.
    pub(super) truth_words: Option<&'static str>,
}

/// What finishing a column came to.
pub(super) enum Joined {
    Done(Finished),
    /// The guess from the first lines was wrong: read the column again as this.
    Again(Kind),
    /// More text than an Arrow string column holds.
    TooLarge,
}

/// Makes a typed column of all its cells.
///
/// The rule: a column is numeric when at least as many cells read as numbers as read as neither number nor "no
/// value"; else it is text. Columns of integers alone become `Int64`, of which those beyond fifteen digits are read
/// again digit by digit; when one does not fit, the column is text.
///
/// * `blank`: what columns without a value share, once there is one
pub(super) fn finish(cells: Cells, blank: &OnceLock<Values>) -> Joined {
    let Cells { kind, count, others, null_words, fractional, any_wide, .. } = cells;
    let numeric = count > 0 && count >= others;
    match kind {
        Kind::Number if others > 0 && !numeric => return Joined::Again(Kind::Text),
        Kind::Number if any_wide && !fractional && others == 0 => return Joined::Again(Kind::Wide),
        Kind::Wide if others > 0 => return Joined::Again(Kind::Text),
        // A column of long integers that do not fit in 64 bits stays text, whatever it counts.
        Kind::Text if numeric && others > 0 => return Joined::Again(Kind::Number),
        _ => {}
    }
    let mut truth_words = None;
    let whole = !(fractional || count == 0 || any_wide);
    let values: Values = match kind {
        Kind::Number if count == 0 => blank.get_or_init(|| without_values(cells.slots())).clone(),
        Kind::Number => {
            let mut numbers = cells.numbers;
            let held = cells.held.map(|mut held| held.finish());
            if held.is_some() {
                numbers.shrink_to_fit();
            }
            let valid = |row: usize| !numbers[row].is_nan();
            let nulls = if count == numbers.len() { None } else { nulls_of(numbers.len(), valid) };
            let kept: ArrayRef = if whole {
                // At most fifteen digits: exact in both directions. NaN becomes 0 under a null.
                let integers: Vec<i64> = numbers.into_iter().map(|value| value as i64).collect();
                Arc::new(Int64Array::new(ScalarBuffer::from(integers), nulls))
            } else {
                Arc::new(Float64Array::new(ScalarBuffer::from(numbers), nulls))
            };
            match held {
                Some(held) => Values::placed(kept, held),
                None => Values::new(kept),
            }
        }
        Kind::Wide => Values::new(Arc::new(integers(&cells.wide, cells.wide_rows))),
        _ => {
            let Some(texts) = texts(cells.ends, cells.bytes) else { return Joined::TooLarge };
            match booleans(&texts) {
                Some((values, words)) => {
                    truth_words = words;
                    Values::new(Arc::new(values))
                }
                None => Values::new(Arc::new(texts)),
            }
        }
    };
    let odd_count = if matches!(kind, Kind::Text) { 0 } else { others };
    let (odd, first_null_word) = (cells.odd, cells.first_null_word);
    // Integers and words keep every digit.
    let rounded = cells.rounded.filter(|_| *values.data_type() == DataType::Float64);
    Joined::Done(Finished { values, odd, odd_count, null_words, first_null_word, rounded, truth_words })
}

/// Numbers of which none is there.
fn without_values(rows: usize) -> Values {
    Values::placed(Arc::new(Float64Array::from(Vec::<f64>::new())), BooleanBuffer::new_unset(rows))
}

/// A null mask, or none when every row is valid.
pub(super) fn nulls_of(rows: usize, valid: impl FnMut(usize) -> bool) -> Option<NullBuffer> {
    let nulls = NullBuffer::new(BooleanBuffer::collect_bool(rows, valid));
    (nulls.null_count() > 0).then_some(nulls)
}

fn texts(ends: Vec<usize>, bytes: Vec<u8>) -> Option<StringArray> {
    let mut offsets: Vec<i32> = Vec::with_capacity(ends.len() + 1);
    offsets.push(0);
    for end in ends {
        offsets.push(i32::try_from(end).ok()?);
    }
    let nulls = nulls_of(offsets.len() - 1, |row| offsets[row] != offsets[row + 1]);
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Chunks of which one in so many rows holds a number, put together: few become many and few again.
    #[test]
    fn few_numbers_and_many_are_put_together_alike() {
        for every in
            [vec![9, 9, 1, 1, 1, 50, 50, 50, 50], vec![1, 40, 40, 40, 40, 40, 1], vec![1_000, 7, 2, 3]]
        {
            let mut whole = Cells::new(Kind::Number, 100);
            let mut expected: Vec<Option<f64>> = Vec::new();
            for every in every {
                let mut part = Cells::new(Kind::Number, 100);
                for row in 0..100 {
                    let value = (row % every == every / 2).then_some(expected.len() as f64 + 0.5);
                    match value {
                        Some(value) => part.push(value.to_string().as_bytes(), b'.', row, 0),
                        None => part.push_blank(),
                    }
                    expected.push(value);
                }
                whole.absorb(&part, 0, 0);
                let count = expected.iter().flatten().count();
                assert!(
                    !are_few(count, expected.len()) || whole.numbers.len() == count,
                    "only the numbers are kept"
                );
                assert_eq!(whole.count, count);
            }
            whole.pop();
            expected.pop();
            let Joined::Done(finished) = finish(whole, &OnceLock::new()) else { panic!("numbers") };
            assert!(*finished.values.whole() == Float64Array::from(expected));
        }
    }
}
