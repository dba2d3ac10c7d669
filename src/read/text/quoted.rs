//! Text whose quoted cells may hold delimiters and line ends.

use std::borrow::Cow;

use super::super::cells::Kind;
use super::super::dialect::{self, Delimiter};
use super::rows::{Chunk, Layout, estimated_rows};

/// Whether cells are quoted so that delimiters or line ends may stand inside them. An odd number of quotes is a
/// broken file, which is safer to read line by line, and so is one in which whole rows stand between two quotes: each was
/// left open in a line of its own.
pub(super) fn is_quoted(body: &[u8], layout: &Layout<'_>) -> bool {
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
    at_start && count.is_multiple_of(2) && !swallows_rows(body, layout)
}

/// Whether a whole row stands between an opening quote and its end.
fn swallows_rows(body: &[u8], layout: &Layout<'_>) -> bool {
    let mut quotes = memchr::memchr_iter(b'"', body);
    while let (Some(open), Some(close)) = (quotes.next(), quotes.next()) {
        let inside = &body[open..close];
        let Some(first) = memchr::memchr(b'\n', inside) else { continue };
        let Some(last) = memchr::memrchr(b'\n', inside).filter(|last| *last > first) else { continue };
        let mut lines = inside[first + 1..last].split(|byte| *byte == b'\n');
        let is_row = |line: &[u8]| {
            let cells = dialect::split(line, Delimiter::Byte(layout.delimiter));
            cells.len() == layout.columns.max(2)
                && cells.iter().all(|cell| cell.is_empty() || dialect::is_good(cell))
        };
        if lines.any(is_row) {
            return true;
        }
    }
    false
}

/// Parses text whose quoted cells may hold delimiters and line ends, and puts the rows together part by part, as those of
/// other text are.
///
/// * `part_bytes`: of text
pub(super) fn rows(text: &[u8], layout: &Layout<'_>, kinds: &[Kind], part_bytes: usize) -> Chunk {
    let mut whole = Chunk::new(kinds, estimated_rows(text, text.len(), layout.columns));
    let mut part = Chunk::new(kinds, estimated_rows(text, part_bytes, layout.columns));
    let mut part_ends = part_bytes;
    let mut reader = csv_core::ReaderBuilder::new().delimiter(layout.delimiter).build();
    let header: Vec<_> =
        layout.header.map(|line| dialect::split(line, Delimiter::Byte(layout.delimiter))).unwrap_or_default();
    let mut output = vec![0_u8; 64 * 1024];
    let mut ends = vec![0_usize; layout.columns.max(16) * 2];
    let (mut at, mut filled, mut fields) = (0, 0, 0);
    loop {
        let line = reader.line();
        if at >= part_ends && fields == 0 && filled == 0 && part.rows > 0 {
            part.lines = line - 1 - whole.lines;
            whole.absorb(std::slice::from_ref(&part));
            part.clear();
            part_ends = at + part_bytes;
        }
        let input = text.get(at..).unwrap_or_default();
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
                part.lines = line - whole.lines;
                let ends = ends.get(..fields).unwrap_or_default();
                row(output.get(..filled).unwrap_or_default(), ends, &header, layout, &mut part);
                (filled, fields) = (0, 0);
            }
            csv_core::ReadRecordResult::End => break,
        }
    }
    part.lines = reader.line() - whole.lines;
    let last_row_cells = if part.rows > 0 { part.last_row_cells } else { whole.last_row_cells };
    whole.absorb(&[part]);
    whole.last_row_cells = last_row_cells;
    whole
}

fn row(output: &[u8], ends: &[usize], header: &[Cow<'_, [u8]>], layout: &Layout<'_>, chunk: &mut Chunk) {
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
        chunk.push(index, token, layout.mark);
    }
    chunk.lines = chunk.lines.max(1);
    chunk.end_row(found, layout);
    let line = || Cow::Owned((0..ends.len()).map(cell).collect::<Vec<_>>().join(&layout.delimiter));
    chunk.look_again(line, layout);
}
