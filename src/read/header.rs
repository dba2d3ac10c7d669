//! Where the table of a text file begins: preamble, comments, header, units, first row of data.

use std::borrow::Cow;
use std::ops::Range;

use super::dialect::{self, Delimiter, Dialect};
use super::limits::SAMPLE_BYTES;
use super::{encoding, number};
use crate::clip::clip;
use crate::log::Unit;

/// Lines in which the header must stand.
pub const HEADER_LINES: usize = 100;
/// Lines looked at to learn what the columns hold.
pub(super) const SAMPLE_LINES: usize = 400;
/// Cells of a column that must read as values for the column to say which line is data; assumed.
const TYPED_SHARE: f64 = 0.6;
/// Rows after the first row of data of which one at least must look like data too; assumed.
const FOLLOWING: usize = 2;
/// Lines that a quoted cell may run over in the head.
const QUOTED_LINES: usize = 20;

/// Numbers of a line that may be a row; fewer are a date or a version.
pub(super) const NUMBERS_LEAST: usize = 3;
/// Lines of a preamble may hold as many numbers as a table has columns: of one with fewer than so many columns a date and a
/// time do, so that there a row has no letters, of a wider one a few lines of statistics or calibration. So many lines that
/// follow each other are another table; assumed.
const WIDE: usize = 6;
const ROWS_LEAST: usize = 8;

/// Doubled names named in a note, and characters of each.
const DOUBLED_SHOWN: usize = 20;
const NAME_SHOWN: usize = 60;

/// A column's heading.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Heading {
    pub(super) name: String,
    pub(super) source_name: String,
    pub(super) unit: Option<String>,
    /// The header left it blank.
    pub(super) unnamed: bool,
}

/// Everything that stands before the data.
#[derive(Debug)]
pub(super) struct Head {
    pub(super) dialect: Dialect,
    pub(super) headings: Vec<Heading>,
    /// Offset of the first line of data.
    pub(super) body: usize,
    /// Its line number, from 1.
    pub(super) first_line: u64,
    /// The header line without its line end; absent where the file has none.
    pub(super) header: Option<Range<usize>>,
    /// Other lines before the data (preamble, units), so that they are known when a restarted logger writes them
    /// again.
    pub(super) others: Vec<Range<usize>>,
    /// How many of them, and of the comments among them, are rows of another table: they hold as many numbers as this one has
    /// columns.
    pub(super) rows_before: usize,
    pub(super) metadata: Vec<(String, String)>,
    pub(super) notes: Vec<(Option<u64>, String)>,
}

struct Line {
    range: Range<usize>,
    number: u64,
    comment: bool,
}

/// Finds the table in UTF-8 text; `None` when no line holds anything.
pub(super) fn find(text: &[u8], decimal: Option<char>) -> Option<Head> {
    let lines = head_lines(text);
    let cells_of = |line: &Line| text.get(line.range.clone()).unwrap_or_default();
    let plain: Vec<&Line> = lines.iter().filter(|line| !line.comment).collect();
    let sample: Vec<&[u8]> = plain.iter().map(|line| cells_of(line)).collect();
    if sample.is_empty() && lines.is_empty() {
        return None;
    }
    let dialect = dialect::sniff(&sample, decimal);
    let rows: Vec<Vec<Cow<'_, [u8]>>> =
        sample.iter().map(|line| dialect::split(line, dialect.delimiter)).collect();
    let tail = &rows[if rows.len() > 12 { rows.len() / 3 } else { 0 }..];
    let usual = dialect::usual_count(tail.iter().map(Vec::len)).max(1);
    let typed = typed_columns(tail, usual);
    let first = first_data_row(&rows, usual, &typed);
    let place = place_header(&rows, first, usual);
    let (header, units, first) = (place.header, place.units, place.first);

    let mut notes = Vec::new();
    let mut names: Vec<Cow<'_, [u8]>> = header.and_then(|row| rows.get(row)).cloned().unwrap_or_default();
    let mut header_line = header.and_then(|row| plain.get(row)).map(|line| line.range.clone());
    let start = plain.get(first).map_or(text.len(), |line| line.range.start);
    if header.is_none() {
        // Some loggers write the header as a comment.
        let commented = lines.iter().rev().find(|line| {
            line.comment
                && line.range.start < start
                && dialect::split(uncommented(cells_of(line)), dialect.delimiter).len() == usual
                && usual > 1
        });
        if let Some(line) = commented {
            names = dialect::split(uncommented(cells_of(line)), dialect.delimiter);
            header_line = Some(line.range.clone());
        }
    }
    if header_line.is_none() {
        notes.push((None, "the file has no header line; columns are numbered".to_owned()));
    }
    if let Some(split) = wider_names(&names, usual, header_line.as_ref(), text, dialect) {
        names = split;
    }
    let unit_cells = units.and_then(|row| rows.get(row)).cloned().unwrap_or_default();
    let headings = headings(&names, &unit_cells, usual, &mut notes);
    let before = lines.iter().filter(|line| line.range.start < start);
    let before: Vec<&Line> = before.filter(|line| Some(&line.range) != header_line.as_ref()).collect();
    let unit_range = units.and_then(|row| plain.get(row)).map(|line| line.range.clone());
    let is_row = |line: &&Line| {
        let cells = cells_of(line);
        numbers_in(cells) >= usual.max(NUMBERS_LEAST)
            && (usual >= WIDE || !cells.iter().any(u8::is_ascii_alphabetic))
    };
    let runs = before.chunk_by(|a, b| is_row(a) == is_row(b)).filter(|run| is_row(&run[0]));
    let rows_before = runs.map(<[&Line]>::len).filter(|rows| *rows >= ROWS_LEAST).sum();
    let preamble = before.iter().filter(|line| Some(&line.range) != unit_range.as_ref());
    let metadata = preamble.map(|line| pair(cells_of(line), dialect)).collect();
    Some(Head {
        dialect,
        headings,
        body: start,
        first_line: plain.get(first).map_or(0, |line| line.number),
        header: header_line,
        others: before.iter().map(|line| line.range.clone()).collect(),
        rows_before,
        metadata,
        notes,
    })
}

/// Numbers that stand in a line, whatever is between them.
pub(super) fn numbers_in(line: &[u8]) -> usize {
    let part = |byte: &u8| !(byte.is_ascii_digit() || matches!(byte, b'.' | b'-' | b'+'));
    line.split(part).filter(|token| token.iter().any(u8::is_ascii_digit)).count()
}

/// The lines of the head that hold anything; a quoted cell that runs over a line end keeps its lines together.
fn head_lines(text: &[u8]) -> Vec<Line> {
    let mut lines = Vec::new();
    let mut at = 0;
    let mut number = 0;
    let enough =
        |lines: usize, at: usize| lines >= SAMPLE_LINES || (lines > HEADER_LINES && at > SAMPLE_BYTES);
    while at < text.len() && !enough(lines.len(), at) {
        number += 1;
        let first = number;
        let mut end = line_end(text, at);
        if leaves_quote_open(&text[at..end]) {
            let mut further = end;
            for joined in 1..=QUOTED_LINES {
                if further >= text.len() {
                    break;
                }
                let next = line_end(text, further + 1);
                if odd_quotes(text.get(further + 1..next).unwrap_or_default()) {
                    end = next;
                    number += joined as u64;
                    break;
                }
                further = next;
            }
        }
        let content = text[at..end].trim_ascii();
        if !content.is_empty() {
            let without_return = if text[at..end].ends_with(b"\r") { end - 1 } else { end };
            lines.push(Line { range: at..without_return, number: first, comment: is_comment(content) });
        }
        at = end + 1;
    }
    lines
}

fn line_end(text: &[u8], from: usize) -> usize {
    let from = from.min(text.len());
    memchr::memchr(b'\n', &text[from..]).map_or(text.len(), |offset| from + offset)
}

/// Whether a cell of a line begins with a quote, and one quote of the line is not closed: seconds of arc and inches open none.
fn leaves_quote_open(line: &[u8]) -> bool {
    let opens = |at: usize| at.checked_sub(1).is_none_or(|before| b",;|\t ".contains(&line[before]));
    odd_quotes(line) && memchr::memchr_iter(b'"', line).any(opens)
}

fn odd_quotes(line: &[u8]) -> bool {
    memchr::memchr_iter(b'"', line).count() % 2 == 1
}

const COMMENT_MARKS: [&[u8]; 4] = [b"#", b"//", b"%", b"!"];

/// Whether a line says of itself that it is a comment.
pub(super) fn is_comment(line: &[u8]) -> bool {
    COMMENT_MARKS.iter().any(|mark| line.starts_with(mark))
}

fn uncommented(line: &[u8]) -> &[u8] {
    let mut rest = line.trim_ascii();
    while let Some(mark) = COMMENT_MARKS.iter().find(|mark| rest.starts_with(mark)) {
        rest = rest[mark.len()..].trim_ascii_start();
    }
    rest
}

fn typed_columns(rows: &[Vec<Cow<'_, [u8]>>], usual: usize) -> Vec<bool> {
    (0..usual)
        .map(|column| {
            let cells = rows.iter().filter_map(|row| row.get(column)).filter(|cell| !cell.is_empty());
            let (mut filled, mut good) = (0_usize, 0_usize);
            for cell in cells {
                filled += 1;
                good += usize::from(dialect::is_good(cell));
            }
            good > 0 && good as f64 >= TYPED_SHARE * filled as f64
        })
        .collect()
}

fn is_data(row: &[Cow<'_, [u8]>], usual: usize, typed: &[bool]) -> bool {
    if row.len() * 2 < usual || (usual > 1 && row.len() < 2) {
        return false;
    }
    let cells = row.iter().zip(typed).filter(|(cell, typed)| **typed && !cell.is_empty());
    let (mut filled, mut good) = (0_usize, 0_usize);
    for (cell, _) in cells {
        filled += 1;
        good += usize::from(dialect::is_good(cell));
    }
    good * 2 > filled
}

/// The first row of data: one that looks like it and is followed by another within the next two.
///
/// Rows just above with some values among words (a sensor's error word in the first line) belong to the data
/// when a row of words alone, the header, stands over them.
fn first_data_row(rows: &[Vec<Cow<'_, [u8]>>], usual: usize, typed: &[bool]) -> Option<usize> {
    if !typed.contains(&true) {
        return None;
    }
    let data: Vec<bool> = rows.iter().map(|row| is_data(row, usual, typed)).collect();
    let first = (0..rows.len().min(HEADER_LINES + 2)).find(|first| {
        let mut next = data.iter().skip(first + 1).take(FOLLOWING).peekable();
        data[*first] && (next.peek().is_none() || next.any(|is| *is))
    })?;
    let partly = |row: usize| rows[row].len() == usual && values_among(&rows[row], typed) > 0;
    let mut back = first;
    while back > 0 && partly(back - 1) {
        back -= 1;
    }
    let headed = back < first && back > 0 && rows[back - 1].len() >= usual;
    Some(if headed && values_among(&rows[back - 1], typed) == 0 { back } else { first })
}

fn values_among(row: &[Cow<'_, [u8]>], typed: &[bool]) -> usize {
    let cells = row.iter().zip(typed).filter(|(cell, typed)| **typed && !cell.is_empty());
    cells.filter(|(cell, _)| dialect::is_good(cell) && !number::is_null_word(cell)).count()
}

struct Place {
    header: Option<usize>,
    units: Option<usize>,
    first: usize,
}

/// Header and unit row above the first row of data; with no row of numbers, the first full line is the header.
fn place_header(rows: &[Vec<Cow<'_, [u8]>>], first: Option<usize>, usual: usize) -> Place {
    let named = |row: usize| {
        let filled = rows.get(row).map_or(0, |row| row.iter().filter(|cell| !cell.is_empty()).count());
        filled >= usual.div_ceil(2).max(usual.min(2))
    };
    let Some(first) = first else {
        let header = (0..rows.len()).find(|row| rows[*row].len() >= usual && named(*row)).unwrap_or(0);
        let units = (header + 1 < rows.len() && is_unit_row(&rows[header + 1])).then_some(header + 1);
        return Place { header: Some(header), units, first: units.unwrap_or(header) + 1 };
    };
    let Some(above) = first.checked_sub(1).filter(|row| named(*row)) else {
        // A unit row may be blank for most columns; then it stands between header and data all the same.
        let header = first.checked_sub(2).filter(|row| named(*row) && is_unit_row(&rows[first - 1]));
        return Place { header, units: header.map(|_| first - 1), first };
    };
    let units = is_unit_row(&rows[above]) && above > 0 && named(above - 1) && !is_unit_row(&rows[above - 1]);
    if units {
        Place { header: Some(above - 1), units: Some(above), first }
    } else {
        Place { header: Some(above), units: None, first }
    }
}

fn is_unit_row(row: &[Cow<'_, [u8]>]) -> bool {
    let cells: Vec<_> = row.iter().filter(|cell| !cell.is_empty()).collect();
    let units = cells.iter().filter(|cell| is_unit(&String::from_utf8_lossy(cell))).count();
    !cells.is_empty() && units as f64 >= TYPED_SHARE * cells.len() as f64
}

fn is_unit(text: &str) -> bool {
    let repaired = encoding::undouble(text);
    let text = bare(repaired.as_deref().unwrap_or(text));
    Unit::parse(text).is_some()
        || matches!(text, "-" | "--" | "bit" | "bool" | "#" | "x" | "hh:mm:ss" | "hh:mm:ss.sss" | "counts")
        || (text.chars().count() <= 6
            && text.chars().any(|c| matches!(c, '%' | '/' | '°' | '²' | '³' | 'µ' | 'μ')))
}

/// A unit without the brackets around it.
fn bare(text: &str) -> &str {
    let text = text.trim();
    for (open, close) in [('[', ']'), ('(', ')'), ('{', '}'), ('<', '>')] {
        if let Some(inner) = text.strip_prefix(open).and_then(|rest| rest.strip_suffix(close)) {
            return inner.trim();
        }
    }
    text
}

/// Blank-separated files may hold names with single blanks; then names are split at two blanks or a tab.
fn wider_names<'a>(
    names: &[Cow<'a, [u8]>],
    usual: usize,
    header: Option<&Range<usize>>,
    text: &'a [u8],
    dialect: Dialect,
) -> Option<Vec<Cow<'a, [u8]>>> {
    if dialect.delimiter != Delimiter::Blanks || names.len() <= usual {
        return None;
    }
    let line = std::str::from_utf8(text.get(header?.clone())?).ok()?;
    let wide =
        line.split("  ").flat_map(|part| part.split('\t')).map(str::trim).filter(|part| !part.is_empty());
    let wide: Vec<Cow<'a, [u8]>> = wide.map(|part| Cow::Borrowed(part.as_bytes())).collect();
    (wide.len() == usual).then_some(wide)
}

fn headings(
    names: &[Cow<'_, [u8]>],
    units: &[Cow<'_, [u8]>],
    usual: usize,
    notes: &mut Vec<(Option<u64>, String)>,
) -> Vec<Heading> {
    let named = names.iter().rposition(|name| !name.is_empty()).map_or(0, |last| last + 1);
    let mut repaired = false;
    let mut tidy = |cell: &[u8]| {
        let text = String::from_utf8_lossy(cell).split_whitespace().collect::<Vec<_>>().join(" ");
        encoding::undouble(&text).inspect(|_| repaired = true).unwrap_or(text)
    };
    let mut headings: Vec<Heading> = (0..usual.max(named))
        .map(|column| {
            let source_name = names.get(column).map(|cell| tidy(cell)).unwrap_or_default();
            let (name, in_name) = name_and_unit(&source_name);
            let in_row = units.get(column).map(|cell| tidy(cell)).filter(|unit| !unit.is_empty());
            let unit = in_row.map(|unit| bare(&unit).to_owned()).or(in_name);
            Heading { unnamed: name.is_empty(), name, source_name, unit }
        })
        .collect();
    if repaired {
        notes.push((None, "the header was encoded twice; its signs were repaired".to_owned()));
    }
    make_unique(&mut headings, notes);
    headings
}

/// `Speed (km/h)` and `Speed [km/h]` apart. Round brackets hold a unit only when it is a known one.
pub(crate) fn name_and_unit(text: &str) -> (String, Option<String>) {
    let text = text.trim();
    // `Boost kPa(g)`: the bracket is part of the unit.
    if let Some((name, word)) = text.rsplit_once(' ')
        && word.contains('(')
        && !word.starts_with('(')
        && Unit::parse(word).is_some()
    {
        return (name.trim().to_owned(), Some(word.to_owned()));
    }
    for (open, close, any) in [('[', ']', true), ('(', ')', false), ('{', '}', false)] {
        let Some(rest) = text.strip_suffix(close) else { continue };
        let Some(at) = opening(rest, open, close) else { continue };
        let (name, unit) = (rest[..at].trim(), rest[at + open.len_utf8()..].trim());
        let number = unit.chars().all(|c| c.is_ascii_digit() || c == '.');
        let known = Unit::parse(unit).is_some();
        if !unit.is_empty() && (known || (any && !number)) && (!number || known && unit != "1") {
            let name = if name.is_empty() { unit } else { name };
            return (name.trim_end_matches([',', ':', '_']).trim().to_owned(), Some(unit.to_owned()));
        }
    }
    (text.to_owned(), None)
}

/// The bracket that the one at the very end closes; units hold brackets themselves: `(kPa(g))`.
fn opening(rest: &str, open: char, close: char) -> Option<usize> {
    let mut depth = 0_usize;
    for (at, sign) in rest.char_indices().rev() {
        if sign == close {
            depth += 1;
        } else if sign == open {
            if depth == 0 {
                return Some(at);
            }
            depth -= 1;
        }
    }
    None
}

/// Gives every column a name of its own: `column 3` for none, `Lambda.2` for the second `Lambda`.
pub(super) fn make_unique(headings: &mut [Heading], notes: &mut Vec<(Option<u64>, String)>) {
    let mut taken: std::collections::HashSet<String> = headings.iter().map(|h| h.name.clone()).collect();
    let mut counts: std::collections::HashMap<String, usize> = std::collections::HashMap::new();
    let mut doubled = Vec::new();
    for (column, heading) in headings.iter_mut().enumerate() {
        if heading.name.is_empty() {
            heading.name = format!("column {}", column + 1);
            while !taken.insert(heading.name.clone()) {
                heading.name.push('\'');
            }
            continue;
        }
        let count = counts.entry(heading.name.clone()).or_insert(0);
        *count += 1;
        if *count > 1 {
            let mut name = format!("{}.{count}", heading.name);
            while !taken.insert(name.clone()) {
                *count += 1;
                name = format!("{}.{count}", heading.name);
            }
            doubled.push(name.clone());
            heading.name = name;
        }
    }
    if !doubled.is_empty() {
        let shown = doubled.iter().take(DOUBLED_SHOWN).map(|name| format!("`{}`", clip(name, NAME_SHOWN)));
        let names = shown.collect::<Vec<_>>().join(", ");
        let more = doubled.len().saturating_sub(DOUBLED_SHOWN);
        let more = if more > 0 { format!(" and {more} more") } else { String::new() };
        notes.push((None, format!("column names that occur more than once were numbered: {names}{more}")));
    }
}

/// A preamble line as key and value.
fn pair(line: &[u8], dialect: Dialect) -> (String, String) {
    let text = String::from_utf8_lossy(uncommented(line)).into_owned();
    let delimiter = char::from(dialect.delimiter.byte());
    let marks = [':', '=', if dialect.delimiter == Delimiter::Blanks { ':' } else { delimiter }];
    // The colon of an address separates nothing.
    let split = text.find(marks).filter(|at| *at > 0 && *at <= 40 && !text[*at..].starts_with("://"));
    let tidy =
        |part: &str| part.trim_matches(|c: char| c.is_whitespace() || c == delimiter || c == '"').to_owned();
    match split {
        Some(at) => {
            let (key, value) = text.split_at(at);
            (tidy(key), tidy(value.trim_start_matches(marks)))
        }
        None => ("comment".to_owned(), tidy(&text)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn head(text: &str) -> Head {
        find(text.as_bytes(), None).expect("head")
    }

    fn names(head: &Head) -> Vec<&str> {
        head.headings.iter().map(|heading| heading.name.as_str()).collect()
    }

    fn units(head: &Head) -> Vec<Option<&str>> {
        head.headings.iter().map(|heading| heading.unit.as_deref()).collect()
    }

    #[test]
    fn a_plain_header_is_found() {
        let head = head("Time (s),Engine speed [rpm],Lambda\n0.0,900,1.0\n0.1,910,1.01\n");
        assert_eq!(names(&head), ["Time", "Engine speed", "Lambda"]);
        assert_eq!(units(&head), [Some("s"), Some("rpm"), None]);
        assert_eq!(head.first_line, 2);
    }

    #[test]
    fn preamble_comments_and_unit_row_are_set_apart() {
        let text = "Logger: club box\n# run 3\nDate;12.03.2026\n\nTime;Speed;Lambda\ns;km/h;-\n\
                    0,0;10;0,99\n0,1;11;1,00\n0,2;12;1,01\n";
        let head = head(text);
        assert_eq!(names(&head), ["Time", "Speed", "Lambda"]);
        assert_eq!(units(&head), [Some("s"), Some("km/h"), Some("-")]);
        assert_eq!(head.first_line, 7);
        assert!(head.metadata.contains(&("Logger".to_owned(), "club box".to_owned())));
        assert!(head.metadata.contains(&("Date".to_owned(), "12.03.2026".to_owned())));
        assert!(head.metadata.contains(&("comment".to_owned(), "run 3".to_owned())));
    }

    #[test]
    fn a_header_deep_in_the_first_hundred_lines_is_found() {
        let mut text = "note of the run\n".repeat(90);
        text.push_str("t,a\n");
        text.push_str(&"1,2\n".repeat(300));
        assert_eq!(names(&head(&text)), ["t", "a"]);
        assert_eq!(head(&text).first_line, 92);
    }

    #[test]
    fn no_header_gives_numbered_columns() {
        let head = head("1.5,2.5\n1.6,2.6\n");
        assert_eq!(names(&head), ["column 1", "column 2"]);
        assert_eq!((head.first_line, head.body), (1, 0));
    }

    #[test]
    fn a_commented_header_is_used() {
        assert_eq!(names(&head("# made by hand\n# t, rpm\n0,900\n1,901\n")), ["t", "rpm"]);
    }

    #[test]
    fn names_are_made_unique_and_never_empty() {
        let head = head(",Lambda,Lambda,Lambda.2\n1,2,3,4\n1,2,3,4\n");
        assert_eq!(names(&head), ["column 1", "Lambda", "Lambda.3", "Lambda.2"]);
        assert_eq!(head.headings[2].source_name, "Lambda");
    }

    #[test]
    fn a_table_of_words_has_its_header_first() {
        let head = head("first,last,city\nAnn,Lee,\"Rye, NY\"\n");
        assert_eq!(names(&head), ["first", "last", "city"]);
        assert_eq!(head.first_line, 2);
    }

    #[test]
    fn brackets_that_hold_no_unit_stay_in_the_name() {
        assert_eq!(name_and_unit("Sensor (2)"), ("Sensor (2)".to_owned(), None));
        assert_eq!(name_and_unit("Wheel (front left)"), ("Wheel (front left)".to_owned(), None));
        assert_eq!(name_and_unit("Salt [psu]"), ("Salt".to_owned(), Some("psu".to_owned())));
        assert_eq!(name_and_unit("[rpm]"), ("rpm".to_owned(), Some("rpm".to_owned())));
        assert_eq!(name_and_unit("Boost (kPa(g))"), ("Boost".to_owned(), Some("kPa(g)".to_owned())));
        assert_eq!(name_and_unit("Boost kPa(g)"), ("Boost".to_owned(), Some("kPa(g)".to_owned())));
        assert_eq!(name_and_unit("Cylinder [1]"), ("Cylinder [1]".to_owned(), None));
    }

    #[test]
    fn a_doubly_encoded_degree_sign_is_repaired() {
        let head = head("t,Coolant [Â°C]\n0,90\n1,91\n2,91\n");
        assert_eq!(units(&head), [None, Some("°C")]);
        assert!(head.notes.iter().any(|(_, note)| note.contains("encoded twice")));
    }

    #[test]
    fn a_title_line_with_trailing_delimiters_is_no_header() {
        let head = head(
            "SpCond,,\nstart,end,gap\n2014-01-24 13:15,2014-02-26 13:30,-20.00\n\
                         2014-10-14 12:00,2014-10-31 11:15,5.40\n",
        );
        assert_eq!(names(&head), ["start", "end", "gap"]);
    }

    #[test]
    fn first_rows_filled_one_channel_at_a_time_are_data() {
        let head = head("Time,a,b,c\n08:00:00.1,24,,\n08:00:00.2,24,9.5,\n08:00:00.3,24,9.5,1\n");
        assert_eq!(head.first_line, 2);
    }
}
