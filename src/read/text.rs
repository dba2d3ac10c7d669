//! Delimited text to columns: bytes straight into typed builders, in parallel chunks cut at line ends.

use rayon::prelude::*;

use super::cells::{self, Cells, Finished, Joined, Kind};
use super::dialect::{self, Delimiter};
use super::encoding::{self, NoText};
use super::header::{self, Head};
use super::number;
use super::{Column, Place, ReadError, ReadOptions, Table, content_error};
use crate::log::{Note, Source};

/// Bytes per parallel piece of work. The result does not depend on it.
const CHUNK_BYTES: usize = 2 << 20;
/// Lines that guess each column's kind before the first pass.
const GUESS_LINES: usize = 200;
/// Ragged lines told one by one; the rest are counted.
const RAGGED_KEPT: usize = 5;
/// Comment lines of the body kept.
const COMMENTS_KEPT: usize = 100;
/// A pass per change of mind: number to wide integer to text.
const PASSES: usize = 4;

/// What every chunk needs to know.
struct Layout<'a> {
    delimiter: u8,
    blanks: bool,
    mark: u8,
    columns: usize,
    header: Option<&'a [u8]>,
    /// Preamble and unit lines, known again when a restarted logger repeats them.
    others: Vec<&'a [u8]>,
    /// First bytes of lines that may be no data.
    first_bytes: [bool; 256],
}

/// Rows of one chunk; rows and lines count from the chunk's own start.
struct Chunk {
    rows: usize,
    lines: u64,
    cells: Vec<Cells>,
    ragged: Vec<Ragged>,
    ragged_count: usize,
    restarts: Vec<usize>,
    comments: Vec<String>,
    /// Cells found in the last row.
    last_row_cells: usize,
}

struct Ragged {
    line: u64,
    found: usize,
}

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
    let layout = layout(&head, text);
    let quoted = is_quoted(body, &layout);
    let mut kinds = guess(body, &head);
    let mut finished: Vec<Option<Finished>> = (0..layout.columns).map(|_| None).collect();
    let mut shape = None;
    for _ in 0..PASSES {
        let chunks =
            if quoted { vec![quoted_rows(body, &layout, &kinds)] } else { all_chunks(body, &layout, &kinds) };
        let (found, columns) = merge(chunks, body, &layout);
        shape.get_or_insert(found);
        for (column, chunks) in columns.into_iter().enumerate() {
            if kinds[column] == Kind::Skip {
                continue;
            }
            match cells::join(chunks) {
                Joined::Done(done) => {
                    finished[column] = Some(done);
                    kinds[column] = Kind::Skip;
                }
                Joined::Again(kind) => kinds[column] = kind,
                Joined::TooLarge => {
                    let place =
                        Place { column: Some((column, head.headings[column].name.clone())), line: None };
                    let problem = "the column holds more than 2 GiB of text";
                    return Err(content_error(&path, place, problem, "", "split the file"));
                }
            }
        }
        if kinds.iter().all(|kind| *kind == Kind::Skip) {
            break;
        }
    }
    let Some(shape) = shape.filter(|shape| shape.rows > 0) else { return Err(no_rows(&path, &head, text)) };
    Ok(table(source, decoded.notes, head, &layout, shape, finished))
}

fn layout<'a>(head: &Head, text: &'a [u8]) -> Layout<'a> {
    let line = |range: &std::ops::Range<usize>| text.get(range.clone()).unwrap_or_default().trim_ascii();
    let header = head.header.as_ref().map(line).filter(|line| !line.is_empty());
    let others: Vec<&[u8]> = head.others.iter().map(line).collect();
    let mut first_bytes = [false; 256];
    for first in header.iter().chain(&others).filter_map(|line| line.first()).chain(b"#/ \t\r\n") {
        first_bytes[usize::from(*first)] = true;
    }
    Layout {
        delimiter: head.dialect.delimiter.byte(),
        blanks: head.dialect.delimiter == Delimiter::Blanks,
        mark: head.dialect.mark,
        columns: head.headings.len(),
        header,
        others,
        first_bytes,
    }
}

/// Whether cells are quoted so that delimiters or line ends may stand inside them. An odd number of quotes is a
/// broken file, which is safer to read line by line.
fn is_quoted(body: &[u8], layout: &Layout<'_>) -> bool {
    if layout.blanks || memchr::memchr(b'"', body).is_none() {
        return false;
    }
    let mut at_start = false;
    let mut count = 0_usize;
    for at in memchr::memchr_iter(b'"', body) {
        count += 1;
        let before = at.checked_sub(1).and_then(|before| body.get(before));
        at_start |= before.is_none_or(|byte| *byte == layout.delimiter || *byte == b'\n');
    }
    at_start && count.is_multiple_of(2)
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

fn all_chunks(body: &[u8], layout: &Layout<'_>, kinds: &[Kind]) -> Vec<Chunk> {
    let mut pieces = Vec::with_capacity(body.len() / CHUNK_BYTES + 1);
    let mut rest = body;
    while !rest.is_empty() {
        let near = rest.len().min(CHUNK_BYTES);
        let end = memchr::memchr(b'\n', rest.get(near..).unwrap_or_default())
            .map_or(rest.len(), |at| near + at + 1);
        let (piece, after) = rest.split_at(end);
        pieces.push(piece);
        rest = after;
    }
    pieces.par_iter().map(|piece| rows_of(piece, layout, kinds)).collect()
}

impl Chunk {
    fn new(kinds: &[Kind], rows: usize) -> Self {
        Self {
            rows: 0,
            lines: 0,
            cells: kinds.iter().map(|kind| Cells::new(*kind, rows)).collect(),
            ragged: Vec::new(),
            ragged_count: 0,
            restarts: Vec::new(),
            comments: Vec::new(),
            last_row_cells: 0,
        }
    }

    /// Ends a row that had `found` cells: the missing ones are empty.
    fn end_row(&mut self, found: usize) {
        if found != self.cells.len() {
            for cells in self.cells.iter_mut().skip(found) {
                cells.push_blank();
            }
            self.ragged_count += 1;
            if self.ragged.len() < RAGGED_KEPT {
                self.ragged.push(Ragged { line: self.lines - 1, found });
            }
        }
        self.last_row_cells = found;
        self.rows += 1;
    }

    /// Whether a line is no data: blank, a comment, or something that stood before the table.
    fn is_aside(&mut self, line: &[u8], layout: &Layout<'_>) -> bool {
        let line = line.trim_ascii();
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
            return !number::is_null_word(line.split(|b| *b == layout.delimiter).next().unwrap_or_default());
        }
        false
    }
}

/// Parses whole lines. Quotes are taken off where they enclose a cell; delimiters inside them are not expected.
fn rows_of(text: &[u8], layout: &Layout<'_>, kinds: &[Kind]) -> Chunk {
    let mut chunk = Chunk::new(kinds, estimated_rows(text));
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
        at = if layout.blanks {
            row_of_blanks(text, at, layout, &mut chunk)
        } else {
            row(text, at, layout, &mut chunk)
        };
    }
    chunk
}

/// Rows by the length of the first lines, with a little to spare.
fn estimated_rows(text: &[u8]) -> usize {
    let head = text.len().min(16 * 1024);
    let lines = memchr::memchr_iter(b'\n', &text[..head]).count().max(1);
    let rows = text.len() / (head / lines).max(1) + 16;
    rows + rows / 16
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
            Some(number) if clean_end && number.value.is_finite() => cells.push_number(&number),
            None if clean_end => cells.push_blank(),
            _ => {
                let rest = text.get(at..).unwrap_or_default();
                end = memchr::memchr2(delimiter, b'\n', rest).map_or(text.len(), |offset| at + offset);
                let token = dialect::clean(text.get(at..end).unwrap_or_default());
                cells.push(&token, layout.mark, chunk.rows, chunk.lines - 1);
            }
        }
        column += 1;
        match text.get(end) {
            Some(byte) if *byte == delimiter => at = end + 1,
            Some(b'\r') if text.get(end + 1) == Some(&b'\n') => {
                chunk.end_row(column);
                return end + 2;
            }
            Some(b'\r') if end + 1 < text.len() => {
                // A stray carriage return within the line: the rest of the cell is dropped with it.
                let rest = text.get(end..).unwrap_or_default();
                let stop = memchr::memchr2(delimiter, b'\n', rest).map_or(text.len(), |offset| end + offset);
                if text.get(stop) == Some(&delimiter) {
                    at = stop + 1;
                } else {
                    chunk.end_row(column);
                    return stop + 1;
                }
            }
            _ => {
                chunk.end_row(column);
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
    chunk.end_row(columns + filled.map_or(0, |(last, _)| last + 1));
    start + length + 1
}

/// One line of cells separated by runs of blanks and tabs.
fn row_of_blanks(text: &[u8], start: usize, layout: &Layout<'_>, chunk: &mut Chunk) -> usize {
    let rest = text.get(start..).unwrap_or_default();
    let length = memchr::memchr(b'\n', rest).unwrap_or(rest.len());
    let line = rest.get(..length).unwrap_or_default();
    let mut column = 0;
    for token in line.split(u8::is_ascii_whitespace).filter(|token| !token.is_empty()) {
        if let Some(cells) = chunk.cells.get_mut(column) {
            cells.push(&dialect::clean(token), layout.mark, chunk.rows, chunk.lines - 1);
        }
        column += 1;
    }
    chunk.end_row(column);
    start + length + 1
}

/// Parses text whose quoted cells may hold delimiters and line ends.
fn quoted_rows(text: &[u8], layout: &Layout<'_>, kinds: &[Kind]) -> Chunk {
    let mut chunk = Chunk::new(kinds, estimated_rows(text));
    let mut reader = csv_core::ReaderBuilder::new().delimiter(layout.delimiter).build();
    let header: Vec<_> =
        layout.header.map(|line| dialect::split(line, Delimiter::Byte(layout.delimiter))).unwrap_or_default();
    let mut output = vec![0_u8; 64 * 1024];
    let mut ends = vec![0_usize; layout.columns.max(16) * 2];
    let (mut at, mut filled, mut fields) = (0, 0, 0);
    loop {
        let input = text.get(at..).unwrap_or_default();
        let line = reader.line();
        let (result, read, written, ended) = reader.read_record(
            input,
            output.get_mut(filled..).unwrap_or_default(),
            ends.get_mut(fields..).unwrap_or_default(),
        );
        at += read;
        filled += written;
        fields += ended;
        match result {
            csv_core::ReadRecordResult::InputEmpty => {}
            csv_core::ReadRecordResult::OutputFull => output.resize(output.len() * 2, 0),
            csv_core::ReadRecordResult::OutputEndsFull => ends.resize(ends.len() * 2, 0),
            csv_core::ReadRecordResult::Record => {
                chunk.lines = line;
                let ends = ends.get(..fields).unwrap_or_default();
                quoted_row(output.get(..filled).unwrap_or_default(), ends, &header, layout, &mut chunk);
                (filled, fields) = (0, 0);
            }
            csv_core::ReadRecordResult::End => break,
        }
    }
    chunk.lines = reader.line();
    chunk
}

fn quoted_row(
    output: &[u8],
    ends: &[usize],
    header: &[std::borrow::Cow<'_, [u8]>],
    layout: &Layout<'_>,
    chunk: &mut Chunk,
) {
    let cell = |index: usize| {
        let from = index.checked_sub(1).and_then(|before| ends.get(before)).copied().unwrap_or(0);
        output.get(from..ends.get(index).copied().unwrap_or(from)).unwrap_or_default().trim_ascii()
    };
    if ends.len() == 1 && cell(0).is_empty() && layout.columns > 1 {
        return;
    }
    let repeats = !header.is_empty()
        && header.len() == ends.len()
        && header.iter().enumerate().all(|(index, name)| name.as_ref() == cell(index));
    if repeats {
        chunk.restarts.push(chunk.rows);
        return;
    }
    if ends.len() == 1 && layout.columns > 1 && chunk.is_aside(cell(0), layout) {
        return;
    }
    let mut found = ends.len();
    while found > layout.columns && cell(found - 1).is_empty() {
        found -= 1;
    }
    for index in 0..found.min(layout.columns) {
        let token = cell(index);
        // A quoted text keeps what stands inside it, apart from the blanks around.
        let token = match token {
            [b'\'', inner @ .., b'\''] => inner,
            _ => token,
        };
        let (row, line) = (chunk.rows, chunk.lines.saturating_sub(1));
        if let Some(cells) = chunk.cells.get_mut(index) {
            cells.push(token, layout.mark, row, line);
        }
    }
    chunk.lines = chunk.lines.max(1);
    chunk.end_row(found);
}

/// What the chunks say of the file apart from their cells.
struct Shape {
    rows: usize,
    restarts: Vec<usize>,
    ragged: Vec<Ragged>,
    ragged_count: usize,
    comments: Vec<String>,
    /// Line of a last row that was cut short and dropped, from the body's start.
    cut_short: Option<u64>,
}

type Columns = Vec<Vec<(usize, u64, Cells)>>;

fn merge(mut chunks: Vec<Chunk>, body: &[u8], layout: &Layout<'_>) -> (Shape, Columns) {
    let mut shape = Shape {
        rows: 0,
        restarts: Vec::new(),
        ragged: Vec::new(),
        ragged_count: 0,
        comments: Vec::new(),
        cut_short: None,
    };
    let rows: usize = chunks.iter().map(|chunk| chunk.rows).sum();
    let ends_open = !body.ends_with(b"\n");
    if let Some(last) = chunks.last_mut() {
        // A row that breaks off holds a last cell that may have lost digits: it says nothing.
        if ends_open && rows > 1 && last.rows > 0 && last.last_row_cells < layout.columns {
            last.cells.iter_mut().for_each(Cells::pop);
            last.rows -= 1;
            last.ragged_count = last.ragged_count.saturating_sub(1);
            last.ragged.retain(|ragged| ragged.line + 1 < last.lines);
            shape.cut_short = Some(chunks.iter().map(|chunk| chunk.lines).sum::<u64>().saturating_sub(1));
        }
    }
    let mut columns: Columns = (0..layout.columns).map(|_| Vec::with_capacity(chunks.len())).collect();
    let mut lines = 0;
    for chunk in chunks {
        shape.restarts.extend(chunk.restarts.iter().map(|row| row + shape.rows));
        shape.ragged.extend(chunk.ragged.iter().map(|r| Ragged { line: r.line + lines, found: r.found }));
        shape.ragged_count += chunk.ragged_count;
        shape.comments.extend(chunk.comments);
        for (column, cells) in columns.iter_mut().zip(chunk.cells) {
            column.push((shape.rows, lines, cells));
        }
        shape.rows += chunk.rows;
        lines += chunk.lines;
    }
    shape.ragged.truncate(RAGGED_KEPT);
    shape.comments.truncate(COMMENTS_KEPT);
    shape.restarts.dedup();
    let rows = shape.rows;
    shape.restarts.retain(|row| *row > 0 && *row < rows);
    (shape, columns)
}

fn table(
    source: Source,
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
        let wrong =
            if ragged.found < layout.columns { "missing ones are empty" } else { "surplus ones are dropped" };
        let text = format!("{} cells in place of {}; {wrong}", ragged.found, layout.columns);
        notes.push(note(at(ragged.line), None, text));
    }
    if shape.ragged_count > shape.ragged.len() {
        let text = format!("{} lines in all have too many or too few cells", shape.ragged_count);
        notes.push(note(None, None, text));
    }
    if let Some(line) = shape.cut_short {
        notes.push(note(at(line), None, "the last line breaks off and was left out".to_owned()));
    }
    for row in &shape.restarts {
        let text = format!("the header is repeated before row {}: the logger started again", row + 1);
        notes.push(note(None, None, text));
    }
    let mut metadata = head.metadata;
    metadata.extend(shape.comments.into_iter().map(|text| ("comment".to_owned(), text)));
    let mut columns = Vec::with_capacity(layout.columns);
    for (heading, finished) in head.headings.into_iter().zip(finished) {
        // The passes always end with a finished column: text takes everything.
        let Some(finished) = finished else { continue };
        let empty =
            arrow_array::Array::null_count(&finished.values) == arrow_array::Array::len(&finished.values);
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
        add(Some(first.line), format!("{count}{cells} that there is no value, the first `{}`", first.text));
    }
    if let Some(first) = finished.odd.first() {
        let what = if finished.odd_count == 1 {
            "1 cell is not a number".to_owned()
        } else {
            format!("{} cells are not numbers, the first", finished.odd_count)
        };
        let comma = number::parse(first.text.as_bytes(), b',').is_some();
        let help = if comma {
            "; if this file writes decimals with a comma, set `decimal = \",\"` in the rig file"
        } else {
            ""
        };
        add(Some(first.line), format!("{what}: `{}`{help}", first.text));
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
mod tests {
    use std::fmt::Write as _;

    use super::super::from_bytes;
    use super::*;
    use arrow_array::cast::AsArray;
    use arrow_array::types::{Float64Type, Int64Type};
    use arrow_array::{Array, ArrayRef};
    use arrow_schema::DataType;

    fn table(text: &str) -> Table {
        table_of(text.as_bytes())
    }

    fn table_of(bytes: &[u8]) -> Table {
        from_bytes("test.csv", bytes, &ReadOptions::default()).expect("table")
    }

    fn error(bytes: &[u8]) -> String {
        from_bytes("test.csv", bytes, &ReadOptions::default()).expect_err("an error").to_string()
    }

    fn floats(values: &ArrayRef) -> Vec<Option<f64>> {
        match values.data_type() {
            DataType::Int64 => {
                values.as_primitive::<Int64Type>().iter().map(|v| v.map(|v| v as f64)).collect()
            }
            _ => values.as_primitive::<Float64Type>().iter().collect(),
        }
    }

    fn texts(values: &ArrayRef) -> Vec<Option<&str>> {
        values.as_string::<i32>().iter().collect()
    }

    fn noted(table: &Table, words: &str) -> bool {
        table.notes.iter().any(|note| note.text.contains(words))
    }

    #[test]
    fn numbers_integers_words_and_truths_become_typed_columns() {
        let table = table("t,n,w,ok\n0.5,1,idle,TRUE\n1.0,2,run,false\n1.5,3,run,true\n");
        let types: Vec<&DataType> = table.columns.iter().map(|column| column.values.data_type()).collect();
        assert_eq!(types, [&DataType::Float64, &DataType::Int64, &DataType::Utf8, &DataType::Boolean]);
        assert_eq!(floats(&table.columns[0].values), [Some(0.5), Some(1.0), Some(1.5)]);
        assert_eq!(texts(&table.columns[2].values), [Some("idle"), Some("run"), Some("run")]);
        assert_eq!((table.rows, table.source.format.as_str()), (3, "text"));
        assert_eq!(table.source.sha256.len(), 64);
    }

    #[test]
    fn decimal_commas_are_read() {
        let table = table("t;a\n0,1;14,7\n0,2;14,8\n");
        assert_eq!(floats(&table.columns[1].values), [Some(14.7), Some(14.8)]);
    }

    #[test]
    fn blank_cells_and_words_for_nothing_are_null() {
        let table = table("t,a,b\n0,,1\n1,NaN,\n2,N/A,3\n3,-inf,4\n4,5,5\n5,1e999,6\n");
        assert_eq!(floats(&table.columns[1].values), [None, None, None, None, Some(5.0), None]);
        assert_eq!(floats(&table.columns[2].values)[1], None);
        assert!(noted(&table, "4 cells say that there is no value, the first `NaN`"));
        assert_eq!(table.notes.iter().find(|n| n.text.contains("no value")).and_then(|n| n.line), Some(3));
    }

    #[test]
    fn a_few_words_among_numbers_are_unreadable_cells() {
        let table = table("t,a\n0,1.5\n1,ERR\n2,1.6\n3,1.7\n");
        assert_eq!(floats(&table.columns[1].values), [Some(1.5), None, Some(1.6), Some(1.7)]);
        assert_eq!(table.columns[1].unreadable, [(1, "ERR".to_owned())]);
        let note = table.notes.iter().find(|note| note.text.contains("`ERR`")).expect("note");
        assert_eq!((note.line, note.channel.as_deref()), (Some(3), Some("a")));
    }

    #[test]
    fn the_majority_decides_wherever_it_stands() {
        let mut text = "t,a,b\n".to_owned();
        for row in 0..1000 {
            let (a, b) = if row < 300 { ("7", "word") } else { ("word", "7") };
            writeln!(text, "{row},{a},{b}").expect("write");
        }
        let table = table(&text);
        assert_eq!(table.columns[1].values.data_type(), &DataType::Utf8);
        assert_eq!(table.columns[2].values.null_count(), 300);
        assert_eq!(table.columns[2].unreadable.len(), cells::UNREADABLE_KEPT);
    }

    #[test]
    fn long_integers_keep_every_digit() {
        let table = table("id,x\n1234567890123456789,1\n1234567890123456790,2\n");
        let ids = table.columns[0].values.as_primitive::<Int64Type>();
        assert_eq!(ids.values().as_ref(), [1_234_567_890_123_456_789, 1_234_567_890_123_456_790]);
        let beyond = super::tests::table("id,x\n123456789012345678901,1\n123456789012345678902,2\n");
        assert_eq!(texts(&beyond.columns[0].values)[0], Some("123456789012345678901"));
    }

    #[test]
    fn ragged_lines_are_noted_with_their_number() {
        let table = table("t,a,b\n0,1,2\n1,1\n2,1,2,9\n3,1,2,\n4,1,2\n");
        assert_eq!(table.rows, 5);
        assert_eq!(floats(&table.columns[2].values)[1], None);
        let lines: Vec<_> =
            table.notes.iter().filter(|n| n.text.contains("in place of 3")).map(|n| n.line).collect();
        assert_eq!(lines, [Some(3), Some(4)]);
    }

    #[test]
    fn a_header_repeated_in_mid_file_is_a_restart() {
        let head = "Logger: box\nt;a\ns;V\n";
        let table = table(&format!("{head}0;1\n1;2\n2;3\n{head}0;4\n1;5\n"));
        assert_eq!(table.restarts, [3]);
        assert_eq!(floats(&table.columns[1].values).len(), 5);
        assert!(noted(&table, "started again"));
    }

    #[test]
    fn a_last_line_that_breaks_off_is_left_out() {
        let table = table("t,a,b\n0,1,2\n1,3,4\n2,5");
        assert_eq!(table.rows, 2);
        let note = table.notes.iter().find(|note| note.text.contains("breaks off")).expect("note");
        assert_eq!(note.line, Some(4));
        assert_eq!(super::tests::table("t,a\n0,1\n1,3").rows, 2);
    }

    #[test]
    fn quoted_cells_may_hold_delimiters_and_line_ends() {
        let table = table("a,b\n1,\"x, y\nz \"\"q\"\"\"\n2,w\n\n3,\"\"\n");
        assert_eq!(texts(&table.columns[1].values), [Some("x, y\nz \"q\""), Some("w"), None]);
        assert_eq!(floats(&table.columns[0].values), [Some(1.0), Some(2.0), Some(3.0)]);
    }

    #[test]
    fn a_quote_left_open_does_not_swallow_the_file() {
        assert_eq!(table("t,a\n0,\"1\n1,2\n2,3\n3,4\n").rows, 4);
    }

    #[test]
    fn quoted_decimal_commas_are_numbers() {
        let table = table("\"t\",\"a\"\n\"0,1\",\"14,7\"\n\"0,2\",\"14,8\"\n");
        assert_eq!(floats(&table.columns[1].values), [Some(14.7), Some(14.8)]);
    }

    #[test]
    fn runs_of_blanks_tabs_and_pipes_separate_cells() {
        for text in [
            "t  a\n 0.1   1\n 0.2  12\n 0.3 13\n",
            "t\ta\n0.1\t1\n0.2\t12\n0.3\t13\n",
            "t|a\n0.1|1\n0.2|12\n0.3|13\n",
        ] {
            let table = table(text);
            assert_eq!(floats(&table.columns[0].values), [Some(0.1), Some(0.2), Some(0.3)], "{text}");
            assert_eq!(floats(&table.columns[1].values), [Some(1.0), Some(12.0), Some(13.0)], "{text}");
        }
    }

    #[test]
    fn windows_line_ends_and_trailing_delimiters_change_nothing() {
        let table = table("t;a;\r\n0;1;\r\n1;2;\r\n\r\n2;3;\r\n");
        assert_eq!(table.columns.len(), 2);
        assert_eq!(floats(&table.columns[1].values), [Some(1.0), Some(2.0), Some(3.0)]);
        assert!(!noted(&table, "in place of"));
    }

    #[test]
    fn comments_between_the_rows_are_kept_aside() {
        let table = table("t,a\n0,1\n# marker: corner 3\n1,2\n");
        assert_eq!(table.rows, 2);
        assert!(table.metadata.contains(&("comment".to_owned(), "# marker: corner 3".to_owned())));
    }

    #[test]
    fn on_and_off_are_truths_and_said_to_be() {
        let table = table("t,fan\n0,on\n1,OFF\n2,\n");
        let fan: Vec<_> = table.columns[1].values.as_boolean().iter().collect();
        assert_eq!(fan, [Some(true), Some(false), None]);
        assert!(noted(&table, "`on` and `off`"));
    }

    #[test]
    fn packed_text_is_read_and_named_so() {
        let text = b"t,a\n0,1\n1,2\n";
        let gzip = table_of(&super::super::compress::tests::gzip(text));
        let zstd = table_of(&super::super::compress::tests::zstd(text));
        assert_eq!((gzip.rows, gzip.source.format.as_str()), (2, "text+gzip"));
        assert_eq!((zstd.rows, zstd.source.format.as_str()), (2, "text+zstd"));
    }

    #[test]
    fn what_cannot_be_read_is_one_clear_error() {
        for (bytes, problem) in [
            (&b""[..], "the file is empty"),
            (b"\n \n", "the file is empty"),
            (b"t,a,b\n", "no row of data"),
            (b"\0\0\0\0", "nothing but NUL bytes"),
            (b"\x89PNG\r\n\x1a\n\0\0\0\x0dIHDR\x01\x02\x03\x04\x05\x06", "neither a text log"),
            (b"PK\x03\x04....", "an archive"),
        ] {
            let error = error(bytes);
            assert!(error.starts_with("cannot read test.csv") && error.contains(problem), "{error}");
            assert!(error.contains("\n  found: ") && error.contains("\n  help: "), "{error}");
        }
    }

    #[test]
    fn one_row_and_one_column_are_a_table() {
        assert_eq!(table("t,a\n0,1\n").rows, 1);
        let one = table("value\n1.0\n2.0\n");
        assert_eq!((one.columns.len(), one.rows), (1, 2));
    }

    #[test]
    fn chunks_give_what_one_piece_gives() {
        let mut text = "t,a,w\n".to_owned();
        for row in 0..300_000 {
            let word = if row % 3 == 0 { "x" } else { "yy" };
            writeln!(text, "{}.{:02},{},{word}", row / 100, row % 100, row * 7 % 1013).expect("write");
        }
        assert!(text.len() > CHUNK_BYTES * 2);
        let table = table(&text);
        assert_eq!(table.rows, 300_000);
        assert_eq!(floats(&table.columns[0].values)[299_999], Some(2999.99));
        assert_eq!(floats(&table.columns[1].values)[150_000], Some(f64::from(150_000 * 7 % 1013)));
        assert_eq!(texts(&table.columns[2].values)[150_001], Some("yy"));
    }
}
