//! Lines to rows: the fast path, for cells without delimiters or line ends inside them.

use std::borrow::Cow;

use rayon::prelude::*;

use super::super::cells::{Cells, Kind};
use super::super::dialect::{self, Delimiter};
use super::super::header::{self, Head};
use super::super::number;
use super::second::{Names, Second};
use super::{COMMENTS_KEPT, RAGGED_KEPT};

/// What a file in UTF-8 may begin with.
const BYTE_ORDER_MARK: &[u8] = b"\xef\xbb\xbf";

/// What every chunk needs to know.
#[derive(Clone)]
pub(super) struct Layout<'a> {
    pub(super) delimiter: u8,
    pub(super) blanks: bool,
    pub(super) mark: u8,
    pub(super) columns: usize,
    /// Cells of a whole line: fewer than columns where the header names some at the end that no line has.
    pub(super) whole_line: usize,
    pub(super) header: Option<&'a [u8]>,
    /// Whether a line with too few cells is believed to leave out the last ones: the file writes a delimiter for a cell
    /// without a value.
    pub(super) lacks_last: bool,
    /// Cells of the header as a second one is known by them.
    pub(super) names: Names,
    /// Preamble and unit lines, known again when a restarted logger repeats them.
    pub(super) others: Vec<&'a [u8]>,
    /// First bytes of lines that may be no data.
    first_bytes: [bool; 256],
}

impl<'a> Layout<'a> {
    pub(super) fn of(head: &Head, text: &'a [u8]) -> Self {
        let line = |range: &std::ops::Range<usize>| text.get(range.clone()).unwrap_or_default().trim_ascii();
        let header = head.header.as_ref().map(line).filter(|line| !line.is_empty());
        let others: Vec<&[u8]> = head.others.iter().map(line).collect();
        let names = Names::of(header, head.dialect.delimiter);
        let mut first_bytes = [false; 256];
        for first in header
            .iter()
            .chain(&others)
            .filter_map(|line| line.first())
            .chain(b"#/ \t\r\n")
            .chain(BYTE_ORDER_MARK.first())
        {
            first_bytes[usize::from(*first)] = true;
        }
        Self {
            delimiter: head.dialect.delimiter.byte(),
            blanks: head.dialect.delimiter == Delimiter::Blanks,
            mark: head.dialect.mark,
            columns: head.headings.len(),
            whole_line: head.headings.len(),
            header,
            lacks_last: true,
            names,
            others,
            first_bytes,
        }
    }

    /// Whether the cells that a line of so many lacks are the last ones.
    pub(super) const fn lacks_last_of(&self, found: usize) -> bool {
        found < self.columns && (self.lacks_last || found == self.whole_line)
    }

    /// What stands between two cells.
    pub(super) const fn between(&self) -> Delimiter {
        match (self.blanks, self.delimiter) {
            (true, _) => Delimiter::Blanks,
            (false, 0) => Delimiter::None,
            (false, byte) => Delimiter::Byte(byte),
        }
    }
}

/// Rows of one chunk; rows and lines count from the chunk's own start.
pub(super) struct Chunk {
    pub(super) rows: usize,
    pub(super) lines: u64,
    pub(super) cells: Vec<Cells>,
    pub(super) ragged: Vec<Ragged>,
    pub(super) ragged_count: usize,
    /// Those of which all cells were left out.
    pub(super) unplaced: usize,
    /// Rows that stand behind another one in its line, by the number of cells.
    pub(super) swallowed: usize,
    pub(super) restarts: Vec<usize>,
    pub(super) comments: Vec<String>,
    /// Comments that hold a whole row.
    pub(super) marked_rows: usize,
    /// Cells found in the last row.
    pub(super) last_row_cells: usize,
    /// Words in columns of numbers, in the row that is being read.
    words: usize,
    /// Whether the row that is being read has an empty cell between its delimiters.
    leaves_blank: bool,
    /// Whether some row has one.
    pub(super) marks_blanks: bool,
    /// Cells of the longest row, of those that have a column.
    pub(super) longest: usize,
    /// What shows that another table begins within this one.
    pub(super) second: Second,
}

pub(super) struct Ragged {
    pub(super) line: u64,
    pub(super) found: usize,
}

impl Chunk {
    pub(super) fn new(kinds: &[Kind], rows: usize) -> Self {
        Self {
            rows: 0,
            lines: 0,
            cells: kinds.iter().map(|kind| Cells::new(*kind, rows)).collect(),
            ragged: Vec::new(),
            ragged_count: 0,
            unplaced: 0,
            swallowed: 0,
            restarts: Vec::new(),
            comments: Vec::new(),
            marked_rows: 0,
            last_row_cells: 0,
            words: 0,
            leaves_blank: false,
            marks_blanks: false,
            longest: 0,
            second: Second::default(),
        }
    }

    /// Takes everything out and keeps the memory.
    pub(super) fn clear(&mut self) {
        self.cells.iter_mut().for_each(Cells::clear);
        self.ragged.clear();
        self.restarts.clear();
        self.comments.clear();
        self.second = Second::default();
        (self.marks_blanks, self.marked_rows, self.unplaced, self.longest) = (false, 0, 0, 0);
        self.swallowed = 0;
        (self.rows, self.lines, self.ragged_count, self.last_row_cells) = (0, 0, 0, 0);
    }

    /// Adds the rows that follow, part by part, the columns in parallel.
    pub(super) fn absorb(&mut self, parts: &[Self]) {
        let mut starts = Vec::with_capacity(parts.len());
        for part in parts {
            let (rows, lines) = (self.rows, self.lines);
            starts.push((rows, lines));
            self.restarts.extend(part.restarts.iter().map(|row| row + rows));
            self.ragged.extend(part.ragged.iter().map(|r| Ragged { line: r.line + lines, found: r.found }));
            self.comments.extend_from_slice(&part.comments);
            self.second.absorb(&part.second, lines);
            self.marked_rows += part.marked_rows;
            self.unplaced += part.unplaced;
            self.swallowed += part.swallowed;
            self.marks_blanks |= part.marks_blanks;
            self.longest = self.longest.max(part.longest);
            self.ragged_count += part.ragged_count;
            self.rows += part.rows;
            self.lines += part.lines;
            // Where a piece holds no row, its end tells nothing of the last one.
            self.last_row_cells = if part.rows > 0 { part.last_row_cells } else { usize::MAX };
        }
        self.ragged.truncate(RAGGED_KEPT);
        self.comments.truncate(COMMENTS_KEPT);
        self.cells.par_iter_mut().enumerate().for_each(|(column, cells)| {
            for (part, (row, line)) in parts.iter().zip(&starts) {
                if let Some(more) = part.cells.get(column) {
                    cells.absorb(more, *row, *line);
                }
            }
        });
    }

    /// A cell that is no plain number, from the line that is read.
    pub(super) fn push(&mut self, column: usize, token: &[u8], mark: u8) {
        let (row, line) = (self.rows, self.lines.saturating_sub(1));
        if let Some(cells) = self.cells.get_mut(column) {
            let words = cells.words();
            cells.push(token, mark, row, line);
            self.words += cells.words() - words;
            self.leaves_blank |= token.is_empty();
        }
    }

    /// Looks once more at a row that had words where numbers belong, in several cells or in a line with too few.
    pub(super) fn look_again<'l>(&mut self, line: impl Fn() -> Cow<'l, [u8]>, layout: &Layout<'_>) {
        let words = std::mem::take(&mut self.words);
        // One cell that holds as many numbers as a row does is a row of another table.
        let is_row = || header::numbers_in(&line()) >= layout.columns.max(header::NUMBERS_LEAST);
        if words == 1 && self.last_row_cells == 1 && layout.columns > 1 && is_row() {
            self.unplaced += 1;
        }
        if words >= 2 || words == 1 && 2 * self.last_row_cells < layout.columns {
            self.second.look(&line(), self.lines.saturating_sub(1), layout);
        }
    }

    /// Ends a row that had `found` cells. Where it has too few or too many nothing says which, so that what stands in any may be
    /// another column's, or none of this table.
    pub(super) fn end_row(&mut self, found: usize, layout: &Layout<'_>) {
        self.marks_blanks |= std::mem::take(&mut self.leaves_blank);
        self.longest = self.longest.max(found.min(self.cells.len()));
        if found != self.cells.len() {
            let kept = if layout.lacks_last_of(found) { found } else { 0 };
            self.unplaced += usize::from(kept < found);
            for (column, cells) in self.cells.iter_mut().enumerate().skip(kept) {
                if column < found {
                    cells.pop();
                }
                cells.push_blank();
            }
            self.ragged_count += 1;
            self.swallowed += (found / layout.columns.max(1)).saturating_sub(1);
            if self.ragged.len() < RAGGED_KEPT {
                self.ragged.push(Ragged { line: self.lines - 1, found });
            }
        }
        self.last_row_cells = found;
        self.rows += 1;
    }

    /// Whether a line is no data: blank, a comment, or something that stood before the table.
    pub(super) fn is_aside(&mut self, line: &[u8], layout: &Layout<'_>) -> bool {
        // A file that was put behind another brings its mark along.
        let line = line.strip_prefix(BYTE_ORDER_MARK).unwrap_or(line).trim_ascii();
        if line.is_empty() {
            return true;
        }
        if layout.header == Some(line) {
            self.restarts.push(self.rows);
            return true;
        }
        if layout.others.contains(&line) {
            return true;
        }
        // Only these two marks cannot begin a value.
        if line.starts_with(b"#") || line.starts_with(b"//") {
            if self.comments.len() < COMMENTS_KEPT {
                self.comments.push(String::from_utf8_lossy(line.trim_ascii_start()).into_owned());
            }
            self.marked_rows += usize::from(holds_row(line, layout));
            // What ends in a carriage return is not the comment's.
            self.swallowed += memchr::memchr_iter(b'\r', line).count();
            return !number::is_null_word(line.split(|b| *b == layout.delimiter).next().unwrap_or_default());
        }
        false
    }
}

/// Whether a comment holds a row: as many cells as the table has columns, or of a wide one about as many, half of them good.
fn holds_row(line: &[u8], layout: &Layout<'_>) -> bool {
    let marks = |byte: &u8| matches!(byte, b'#' | b'/' | b';' | b' ' | b'\t');
    let from = line.iter().position(|byte| !marks(byte)).unwrap_or(line.len());
    let cells = dialect::split(&line[from..], layout.between());
    let good = cells.iter().filter(|cell| dialect::is_good(cell)).count();
    let columns = layout.columns;
    match columns {
        0 | 1 => false,
        2 | 3 => cells.len() == columns && good == columns,
        _ => cells.len().abs_diff(columns) <= 1 && 2 * good >= columns,
    }
}

/// Parses whole lines into an empty chunk. Quotes are taken off where they enclose a cell; delimiters inside them are
/// not expected.
pub(super) fn read(text: &[u8], layout: &Layout<'_>, chunk: &mut Chunk) {
    let mut at = 0;
    while let Some(&first) = text.get(at) {
        chunk.lines += 1;
        if layout.first_bytes[usize::from(first)] {
            let end = memchr::memchr(b'\n', &text[at..]).map_or(text.len(), |offset| at + offset);
            if chunk.is_aside(&text[at..end], layout) {
                at = end + 1;
                continue;
            }
        }
        let start = at;
        at =
            if layout.blanks { row_of_blanks(text, at, layout, chunk) } else { row(text, at, layout, chunk) };
        if chunk.words > 0 {
            let line = text.get(start..at.min(text.len())).unwrap_or_default();
            chunk.look_again(|| Cow::Borrowed(line.trim_ascii_end()), layout);
        }
    }
}

/// Lines that hold more than blanks: no other is a row.
pub(super) fn filled_lines(text: &[u8]) -> usize {
    let mut start = 0;
    let ends = memchr::memchr_iter(b'\n', text).chain([text.len()]);
    let lines = ends.map(|end| &text[std::mem::replace(&mut start, end + 1)..end]);
    lines.filter(|line| line.iter().any(|byte| !byte.is_ascii_whitespace())).count()
}

/// Rows by the length of the first lines, with a little to spare; never more than rows with all their delimiters
/// would fit, so that a freak of a file reserves no memory that it does not fill.
///
/// * `length`: of all the text, of which `text` is the beginning
pub(super) fn estimated_rows(text: &[u8], length: usize, columns: usize) -> usize {
    // Whole lines, and some of the widest: a column that outgrows its estimate takes twice the memory.
    let head = &text[..text.len().min(16 * 1024 + 64 * columns)];
    let whole = memchr::memrchr(b'\n', head).map_or(head.len(), |last| last + 1);
    let lines = memchr::memchr_iter(b'\n', &head[..whole]).count().max(1);
    let rows = length / (whole / lines).max(1) + 4;
    (rows + rows / 32).min(length / columns.max(1) + 16)
}

/// One line of cells; returns where the next line starts.
fn row(text: &[u8], start: usize, layout: &Layout<'_>, chunk: &mut Chunk) -> usize {
    let delimiter = layout.delimiter;
    let mut at = start;
    let mut column = 0;
    loop {
        let Some(cells) = chunk.cells.get_mut(column) else {
            return surplus(text, at, layout, chunk, column);
        };
        while text.get(at) == Some(&b' ') {
            at += 1;
        }
        if cells.kind == Kind::Number
            && let Some(number) = number::short(text, at, layout.mark)
        {
            match text.get(number.end) {
                Some(byte) if *byte == delimiter => {
                    cells.push_number(&number);
                    at = number.end + 1;
                    column += 1;
                    continue;
                }
                Some(b'\n') => {
                    cells.push_number(&number);
                    chunk.end_row(column + 1, layout);
                    return number.end + 1;
                }
                _ => {}
            }
        }
        let number = if cells.kind == Kind::Number { number::prefix(text, at, layout.mark) } else { None };
        let mut end = number.as_ref().map_or(at, |number| number.end);
        while number.is_some() && text.get(end) == Some(&b' ') {
            end += 1;
        }
        let next = text.get(end).copied();
        let clean_end = match next {
            Some(byte) => byte == delimiter || byte == b'\n' || byte == b'\r',
            None => true,
        };
        match number {
            Some(number) if clean_end && number.value.is_finite() => {
                if number.wide {
                    let token = text.get(at..number.end).unwrap_or_default();
                    cells.note_rounded(token, &number, chunk.rows, chunk.lines - 1);
                }
                cells.push_number(&number);
            }
            None if clean_end => {
                cells.push_blank();
                chunk.leaves_blank = true;
            }
            _ => {
                let rest = text.get(at..).unwrap_or_default();
                end = memchr::memchr2(delimiter, b'\n', rest).map_or(text.len(), |offset| at + offset);
                let token = dialect::clean(text.get(at..end).unwrap_or_default());
                chunk.push(column, &token, layout.mark);
            }
        }
        column += 1;
        match text.get(end) {
            Some(byte) if *byte == delimiter => at = end + 1,
            Some(b'\r') if text.get(end + 1) == Some(&b'\n') => {
                chunk.end_row(column, layout);
                return end + 2;
            }
            Some(b'\r') if end + 1 < text.len() => {
                // A stray carriage return within the line: the rest of the cell is dropped with it.
                let rest = text.get(end..).unwrap_or_default();
                let stop = memchr::memchr2(delimiter, b'\n', rest).map_or(text.len(), |offset| end + offset);
                if text.get(stop) == Some(&delimiter) {
                    at = stop + 1;
                } else {
                    chunk.end_row(column, layout);
                    return stop + 1;
                }
            }
            _ => {
                chunk.end_row(column, layout);
                return end + 1;
            }
        }
    }
}

/// The rest of a line that has more cells than columns; empty ones (a delimiter at the line's end) are no fault.
fn surplus(text: &[u8], start: usize, layout: &Layout<'_>, chunk: &mut Chunk, columns: usize) -> usize {
    let rest = text.get(start..).unwrap_or_default();
    let length = memchr::memchr(b'\n', rest).unwrap_or(rest.len());
    let extra = rest.get(..length).unwrap_or_default();
    let cells = extra.split(|byte| *byte == layout.delimiter).enumerate();
    let filled = cells.filter(|(_, cell)| !cell.trim_ascii().is_empty()).last();
    chunk.end_row(columns + filled.map_or(0, |(last, _)| last + 1), layout);
    start + length + 1
}

/// One line of cells separated by runs of blanks and tabs.
fn row_of_blanks(text: &[u8], start: usize, layout: &Layout<'_>, chunk: &mut Chunk) -> usize {
    let rest = text.get(start..).unwrap_or_default();
    let length = memchr::memchr(b'\n', rest).unwrap_or(rest.len());
    let line = rest.get(..length).unwrap_or_default();
    let mut column = 0;
    for token in line.split(u8::is_ascii_whitespace).filter(|token| !token.is_empty()) {
        chunk.push(column, &dialect::clean(token), layout.mark);
        column += 1;
    }
    chunk.end_row(column, layout);
    start + length + 1
}
