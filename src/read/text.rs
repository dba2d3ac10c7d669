//! Delimited text to columns: bytes straight into typed builders, in parallel chunks cut at line ends.

mod lost_end;
mod quoted;
mod rows;
mod second;
mod waves;

use std::sync::OnceLock;

use rayon::prelude::*;

use rows::{Chunk, Layout, Ragged};

use super::cells::{self, Cells, Finished, Joined, Kind};
use super::dialect;
use super::encoding::{self, NoText};
use super::header::{self, Head};
use super::limits;
use super::number;
use super::place::{COMMA_HELP, shown};
use super::{Column, Place, ReadError, ReadOptions, Table, content_error};
use crate::log::{CutShort, Note, Source};

pub(super) use waves::{read_file, read_packed};

/// Bytes per parallel piece of work. The result does not depend on it.
const CHUNK_BYTES: usize = 128 << 10;
/// The same for each column of a wide log, whose book-keeping takes twice as many bytes in every piece.
const CHUNK_BYTES_PER_COLUMN: usize = 128;
fn chunk_bytes(columns: usize) -> usize {
    CHUNK_BYTES.max(columns * CHUNK_BYTES_PER_COLUMN)
}
/// Pieces read before their rows are put together: enough for every core, little beside the columns themselves.
const WAVE: usize = 32;
/// The same in bytes. A wide log's empty cells take eight times their text once they are numbers.
fn wave_bytes(columns: usize) -> usize {
    let wide = columns * CHUNK_BYTES_PER_COLUMN > CHUNK_BYTES;
    WAVE * CHUNK_BYTES / if wide { 2 } else { 1 }
}
/// Lines that guess each column's kind before the first pass.
const GUESS_LINES: usize = 200;
/// Ragged lines told one by one; the rest are counted.
const RAGGED_KEPT: usize = 5;
/// Repeated headers told one by one; the rest are counted.
const RESTARTS_KEPT: usize = 20;
/// How a note begins that says of numbers that they do not stand in the table as the file writes them.
pub const ROUNDED: &str = "rounded to the nearest double";
/// Lines that a card or a link damages by chance, and their share of all; assumed. What more of them held may be the danger.
const LINES_LOST: usize = 3;
const LINES_LOST_SHARE: f64 = 1e-3;
/// Comment lines of the body kept.
const COMMENTS_KEPT: usize = 100;
/// A pass per change of mind: number to wide integer to text, and what lines with too few cells leave out.
const PASSES: usize = 5;

/// Reads delimited text.
///
/// # Errors
/// [`ReadError::Content`] when the bytes are no text or hold no row of data.
pub(super) fn read(source: Source, bytes: &[u8], options: &ReadOptions) -> Result<Table, ReadError> {
    let path = source.path.clone();
    let decoded = encoding::decode(bytes).map_err(|no| no_text(&path, bytes, no))?;
    let text = decoded.text.as_ref();
    let head = header::find(text, options.decimal)
        .ok_or_else(|| content_error(&path, Place::default(), "the file is empty", "", "record it again"))?;
    let body = text.get(head.body..).unwrap_or_default();
    if body.trim_ascii().is_empty() {
        return Err(no_rows(&path, &head, text));
    }
    check_size(&path, &head, rows::filled_lines(body), body.len())?;
    let mut layout = Layout::of(&head, text);
    let kinds = guess(body, &head);
    let quoted = quoted::is_quoted(body, &layout);
    let ended = body.ends_with(b"\n");
    let read = columns(&path, &head, &mut layout, kinds, |kinds, layout| {
        let rows = if quoted {
            quoted::rows(body, layout, kinds, chunk_bytes(layout.columns))
        } else {
            all_rows(body, layout, kinds)
        };
        Some((rows, ended))
    });
    let Some((shape, finished)) = read? else { return Err(no_rows(&path, &head, text)) };
    let lost = lost_end::of(bytes, body);
    let mut table = table(source, decoded.notes, head, &layout, shape, finished);
    table.source.cut_short = worse(lost, table.source.cut_short);
    Ok(table)
}

/// Of two things that a file has lost the one that may be the danger.
fn worse(a: Option<CutShort>, b: Option<CutShort>) -> Option<CutShort> {
    [a, b].into_iter().flatten().min_by_key(|cut| cut.row_only)
}

/// What the rows say, and the columns; null where a column found no kind, which does not happen.
type Columns = (Shape, Vec<Option<Finished>>);

/// Reads the rows until every column has found its kind.
///
/// * `pass`: reads all rows with the kinds given, and says whether the last line was ended; null when it cannot
/// * returns null when a pass did, when two differ in their rows, or when there is no row
fn columns(
    path: &str,
    head: &Head,
    layout: &mut Layout<'_>,
    mut kinds: Vec<Kind>,
    mut pass: impl FnMut(&[Kind], &Layout<'_>) -> Option<(Chunk, bool)>,
) -> Result<Option<Columns>, ReadError> {
    let two = |line: u64, problem: &str, text: &str| {
        let help = "cut the file in two where the second one begins, and give both files";
        content_error(path, Place { line: Some(head.first_line + line), column: None }, problem, text, help)
    };
    if let Some((line, problem)) = second::before(layout) {
        return Err(two(0, &problem, &String::from_utf8_lossy(line)));
    }
    let mut finished: Vec<Option<Finished>> = (0..layout.columns).map(|_| None).collect();
    let mut shape: Option<Shape> = None;
    let blank = OnceLock::new();
    for _ in 0..PASSES {
        let Some((mut whole, ended)) = pass(&kinds, layout) else { return Ok(None) };
        if let Some((line, problem)) = std::mem::take(&mut whole.second).told(layout) {
            return Err(two(line.number, &problem, &line.text));
        }
        let breaks_off = usize::from(!ended && whole.last_row_cells < layout.columns);
        if layout.lacks_last && !whole.marks_blanks && whole.ragged_count > breaks_off && shape.is_none() {
            (layout.lacks_last, layout.whole_line) = (false, whole.longest);
            continue;
        }
        let found = shape_of(&mut whole, ended, layout);
        if shape.get_or_insert(found).rows != whole.rows {
            return Ok(None);
        }
        let wanted = whole.cells.into_par_iter().enumerate().filter(|(_, cells)| cells.kind != Kind::Skip);
        let joined: Vec<_> = wanted.map(|(column, cells)| (column, cells::finish(cells, &blank))).collect();
        for (column, joined) in joined {
            match joined {
                Joined::Done(done) => {
                    finished[column] = Some(done);
                    kinds[column] = Kind::Skip;
                }
                Joined::Again(kind) => kinds[column] = kind,
                Joined::TooLarge => {
                    let place =
                        Place { column: Some((column, head.headings[column].name.clone())), line: None };
                    let problem = "the column holds more than 2 GiB of text";
                    return Err(content_error(path, place, problem, "", "split the file"));
                }
            }
        }
        if kinds.iter().all(|kind| *kind == Kind::Skip) {
            break;
        }
    }
    Ok(shape.filter(|shape| shape.rows > 0).map(|shape| (shape, finished)))
}

/// Refuses more columns than any logger writes, and rows that leave out most of them.
fn check_size(path: &str, head: &Head, lines: usize, bytes: usize) -> Result<(), ReadError> {
    let columns = head.headings.len();
    super::check_columns(path, columns)?;
    if !limits::is_too_sparse(lines, columns, bytes) {
        return Ok(());
    }
    let problem = "the rows are far shorter than the header: cells that are not there would outgrow the file";
    let found = format!("{lines} lines for {columns} columns in {bytes} bytes");
    let help = "check the header and the delimiter, or write a file with the columns that are used";
    Err(content_error(path, Place::default(), problem, &found, help))
}

/// A first guess of every column's kind from the first lines; the passes correct it.
fn guess(body: &[u8], head: &Head) -> Vec<Kind> {
    let mut numbers = vec![0_usize; head.headings.len()];
    let mut others = vec![0_usize; head.headings.len()];
    for line in body.split(|byte| *byte == b'\n').take(GUESS_LINES) {
        for (column, cell) in dialect::split(line, head.dialect.delimiter).iter().enumerate() {
            if column >= numbers.len() || cell.is_empty() || number::is_null_word(cell) {
                continue;
            }
            let read = number::parse(cell, head.dialect.mark).is_some_and(|number| number.value.is_finite());
            numbers[column] += usize::from(read);
            others[column] += usize::from(!read);
        }
    }
    numbers.iter().zip(&others).map(|(n, o)| if o > n { Kind::Text } else { Kind::Number }).collect()
}

/// Reads the body in parallel, a wave of pieces at a time, so that little beside the columns stands in memory.
fn all_rows(body: &[u8], layout: &Layout<'_>, kinds: &[Kind]) -> Chunk {
    let mut rows = Rows::new(layout, kinds, rows::estimated_rows(body, body.len(), layout.columns));
    let mut rest = body;
    while !rest.is_empty() {
        let (wave, after) = rest.split_at(line_end(rest, wave_bytes(layout.columns)));
        rows.add(wave);
        rest = after;
    }
    rows.whole
}

/// The end of the first line that ends at `near` or later.
fn line_end(text: &[u8], near: usize) -> usize {
    let near = near.min(text.len());
    memchr::memchr(b'\n', text.get(near..).unwrap_or_default()).map_or(text.len(), |at| near + at + 1)
}

/// Rows put together wave by wave.
struct Rows<'a> {
    layout: &'a Layout<'a>,
    kinds: &'a [Kind],
    whole: Chunk,
    /// The same for every wave: fresh memory costs as much as reading the numbers.
    parts: Vec<Chunk>,
}

impl<'a> Rows<'a> {
    fn new(layout: &'a Layout<'a>, kinds: &'a [Kind], rows: usize) -> Self {
        Self { layout, kinds, whole: Chunk::new(kinds, rows), parts: Vec::new() }
    }

    /// Reads the lines that follow, in parallel.
    fn add(&mut self, wave: &[u8]) {
        self.add_where(wave, |_| true);
    }

    /// Reads the lines that follow, in parallel, where every piece of them is `plain`; says whether it is. Where it is
    /// not, the rows are of no use any more.
    fn add_where(&mut self, wave: &[u8], plain: impl Fn(&[u8]) -> bool + Sync) -> bool {
        let bytes = chunk_bytes(self.layout.columns);
        let mut pieces = Vec::with_capacity(wave.len() / bytes + 1);
        let mut rest = wave;
        while !rest.is_empty() {
            let (piece, after) = rest.split_at(line_end(rest, bytes));
            pieces.push(piece);
            rest = after;
        }
        if let ([piece], 0) = (pieces.as_slice(), self.whole.lines) {
            rows::read(piece, self.layout, &mut self.whole);
            return plain(piece);
        }
        while self.parts.len() < pieces.len() {
            let rows = rows::estimated_rows(wave, bytes, self.layout.columns);
            self.parts.push(Chunk::new(self.kinds, rows));
        }
        let parts = &mut self.parts[..pieces.len()];
        let all = pieces.par_iter().zip(&mut *parts).all(|(piece, part)| {
            part.clear();
            let plain = plain(piece);
            if plain {
                rows::read(piece, self.layout, part);
            }
            plain
        });
        if all {
            self.whole.absorb(parts);
        }
        all
    }
}

/// What the rows say of the file apart from their cells.
struct Shape {
    rows: usize,
    restarts: Vec<usize>,
    ragged: Vec<Ragged>,
    ragged_count: usize,
    comments: Vec<String>,
    marked_rows: usize,
    unplaced: usize,
    swallowed: usize,
    /// Line of a last row that was cut short and dropped, from the body's start.
    cut_short: Option<u64>,
}

/// Takes everything but the cells out of the rows; drops a last row that breaks off.
///
/// * `ended`: whether the last line was
fn shape_of(whole: &mut Chunk, ended: bool, layout: &Layout<'_>) -> Shape {
    let mut cut_short = None;
    // A row that breaks off holds a last cell that may have lost digits: it says nothing.
    if !ended && whole.rows > 1 && whole.last_row_cells < layout.columns {
        whole.cells.iter_mut().for_each(Cells::pop);
        whole.rows -= 1;
        whole.ragged_count = whole.ragged_count.saturating_sub(1);
        let lines = whole.lines;
        whole.ragged.retain(|ragged| ragged.line + 1 < lines);
        cut_short = Some(lines.saturating_sub(1));
    }
    let rows = whole.rows;
    let mut restarts = std::mem::take(&mut whole.restarts);
    restarts.dedup();
    restarts.retain(|row| *row > 0 && *row < rows);
    Shape {
        rows,
        restarts,
        ragged: std::mem::take(&mut whole.ragged),
        ragged_count: whole.ragged_count,
        comments: std::mem::take(&mut whole.comments),
        marked_rows: whole.marked_rows,
        unplaced: whole.unplaced,
        swallowed: whole.swallowed,
        cut_short,
    }
}

fn table(
    mut source: Source,
    encoding_notes: Vec<String>,
    head: Head,
    layout: &Layout<'_>,
    shape: Shape,
    finished: Vec<Option<Finished>>,
) -> Table {
    let note = |line: Option<u64>, channel: Option<&str>, text: String| Note {
        line,
        channel: channel.map(str::to_owned),
        text,
    };
    let mut notes: Vec<Note> = encoding_notes.into_iter().map(|text| note(None, None, text)).collect();
    notes.extend(head.notes.into_iter().map(|(line, text)| note(line, None, text)));
    let at = |line: u64| Some(head.first_line + line);
    for ragged in &shape.ragged {
        let wrong = if layout.lacks_last_of(ragged.found) {
            "the last ones are taken for those that are missing"
        } else {
            "which column each belongs to is not known, so that all were left out"
        };
        let text = format!("{} cells in place of {}; {wrong}", ragged.found, layout.columns);
        notes.push(note(at(ragged.line), None, text));
    }
    if shape.ragged_count > shape.ragged.len() {
        let text = format!("{} lines in all have too many or too few cells", shape.ragged_count);
        notes.push(note(None, None, text));
    }
    if let Some(line) = shape.cut_short {
        let why = "the last line breaks off and was left out".to_owned();
        source.cut_short = Some(CutShort { why: why.clone(), row_only: true });
        notes.push(note(at(line), None, why));
    }
    let left_out = [
        (
            shape.unplaced,
            "with too few or too many cells, of which nothing says which column each belongs to",
        ),
        (shape.marked_rows, "that begin with `#` or `//` and hold a row of values, which were left out"),
        (
            shape.swallowed,
            "that stand behind others in one line, because it does not end where their rows do",
        ),
        (
            head.rows_before,
            "that stand before the table and hold as many numbers as it has columns, which were left out",
        ),
    ];
    for (lines, how) in left_out.into_iter().filter(|(lines, _)| *lines > 0) {
        let why = format!("lines of the file {how}: {lines}");
        notes.push(note(None, None, why.clone()));
        let row_only = lines < LINES_LOST || (lines as f64) < LINES_LOST_SHARE * shape.rows as f64;
        source.cut_short = worse(source.cut_short.take(), Some(CutShort { why, row_only }));
    }
    for row in shape.restarts.iter().take(RESTARTS_KEPT) {
        let text = format!("the header is repeated before row {}: the logger started again", row + 1);
        notes.push(note(None, None, text));
    }
    if shape.restarts.len() > RESTARTS_KEPT {
        let text = format!("the header is repeated {} times in all", shape.restarts.len());
        notes.push(note(None, None, text));
    }
    let mut metadata = head.metadata;
    metadata.extend(shape.comments.into_iter().map(|text| ("comment".to_owned(), text)));
    let mut columns = Vec::with_capacity(layout.columns);
    for (heading, finished) in head.headings.into_iter().zip(finished) {
        // The passes always end with a finished column: text takes everything.
        let Some(finished) = finished else { continue };
        let empty = finished.values.null_count() == finished.values.len();
        if heading.unnamed && empty {
            continue;
        }
        describe(&heading.name, &finished, head.first_line, &mut notes);
        columns.push(Column {
            name: heading.name,
            source_name: heading.source_name,
            unit: heading.unit,
            role: None,
            values: finished.values,
            unreadable: finished.odd.into_iter().map(|odd| (odd.row, odd.text)).collect(),
        });
    }
    Table { source, columns, rows: shape.rows, restarts: shape.restarts, metadata, notes }
}

/// Notes about the cells of one column.
fn describe(name: &str, finished: &Finished, first_line: u64, notes: &mut Vec<Note>) {
    let mut add = |line: Option<u64>, text: String| {
        notes.push(Note { line: line.map(|line| first_line + line), channel: Some(name.to_owned()), text });
    };
    if let Some(first) = &finished.first_null_word {
        let cells = if finished.null_words == 1 { "1 cell says" } else { "cells say" };
        let count =
            if finished.null_words == 1 { String::new() } else { format!("{} ", finished.null_words) };
        add(
            Some(first.line),
            format!("{count}{cells} that there is no value, the first {}", shown(&first.text)),
        );
    }
    if let Some(first) = finished.odd.first() {
        let what = if finished.odd_count == 1 {
            "1 cell is not a number".to_owned()
        } else {
            format!("{} cells are not numbers, the first", finished.odd_count)
        };
        let comma = number::parse(first.text.as_bytes(), b',').is_some();
        let help = if comma { COMMA_HELP } else { "" };
        add(Some(first.line), format!("{what}: {}{help}", shown(&first.text)));
    }
    if let Some(rounded) = &finished.rounded {
        let (many, first) = (rounded.count, &rounded.first);
        let what = if many == 1 { "1 whole number" } else { "whole numbers" };
        let count = if many == 1 { String::new() } else { format!("{many} ") };
        let text =
            format!("{ROUNDED}: {count}{what} beyond 2^53 among decimals, the first {}", shown(&first.text));
        add(Some(first.line), text);
    }
    if let Some(words) = finished.truth_words {
        add(None, format!("{words} were read as true and false"));
    }
}

fn no_rows(path: &str, head: &Head, text: &[u8]) -> ReadError {
    let line = head.header.as_ref().and_then(|range| text.get(range.clone())).unwrap_or_default();
    let found: String = String::from_utf8_lossy(line).chars().take(60).collect();
    let problem = "the file has a header and no row of data";
    content_error(
        path,
        Place::default(),
        problem,
        &found,
        "record it again, or check that the logger wrote to the end",
    )
}

fn no_text(path: &str, bytes: &[u8], why: NoText) -> ReadError {
    let first: Vec<String> = bytes.iter().take(8).map(|byte| format!("{byte:02x}")).collect();
    let found = format!("bytes {}", first.join(" "));
    let (problem, help) = match why {
        NoText::OnlyNul => {
            ("the file holds nothing but NUL bytes", "the logger lost power before it wrote; record it again")
        }
        NoText::Binary => (
            "this is neither a text log nor a binary format that can be read",
            "export the log as CSV, Parquet or Arrow IPC",
        ),
    };
    content_error(path, Place::default(), problem, &found, help)
}

#[cfg(test)]
mod tests;
