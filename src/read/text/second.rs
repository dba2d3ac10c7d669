//! A second table in the same file, as where a logger that was set up anew goes on in the file of before: a header of other
//! columns, or rows with another delimiter or decimal mark. Its cells would be read as those of the first table's columns, or
//! not at all.

use std::collections::HashSet;

use super::super::dialect::{self, CANDIDATES, Delimiter};
use super::super::number;
use super::rows::Layout;
use crate::clip::clip;

/// Rows that are written otherwise that make a table: one may be a remark.
const FOREIGN_ROWS: usize = 2;
/// Words, each once and no value beside them, that are a header though none of them stands in the first one.
const OTHER_WORDS: usize = 3;
/// Characters of the line that are kept for the message.
const SHOWN: usize = 200;

/// What shows that the file holds two tables.
#[derive(Clone, Debug, Default)]
pub(super) struct Second {
    header: Option<Line>,
    foreign: Option<(Line, Foreign)>,
    foreign_rows: usize,
}

/// How a row is written otherwise than the table.
#[derive(Clone, Copy, Debug)]
enum Foreign {
    Delimiter(u8),
    Mark(u8),
}

/// A line of the body.
#[derive(Clone, Debug)]
pub(super) struct Line {
    /// From the body's start.
    pub(super) number: u64,
    pub(super) text: String,
}

/// The cells of the table's header.
#[derive(Clone, Debug)]
pub(super) struct Names {
    in_order: Vec<String>,
    all: HashSet<String>,
    /// By first byte the lengths of names, as bits; the last stands for all longer ones.
    lengths: [u64; 256],
}

impl Names {
    /// * `header`: its line, where there is one
    pub(super) fn of(header: Option<&[u8]>, delimiter: Delimiter) -> Self {
        let in_order = header.map(|line| names(line, delimiter)).unwrap_or_default();
        let (mut all, mut lengths) = (HashSet::new(), [0; 256]);
        for name in &in_order {
            if let Some(first) = name.bytes().next() {
                lengths[usize::from(first)] |= length_bit(name.len());
                all.insert(name.clone());
            }
        }
        Self { in_order, all, lengths }
    }

    /// Whether half of some cells are names, and two at the least.
    fn are_most_of(&self, cells: &[String]) -> bool {
        let filled = cells.iter().filter(|cell| !cell.is_empty()).count();
        let known = cells.iter().filter(|cell| self.all.contains(*cell)).count();
        known >= 2 && 2 * known >= filled
    }

    /// Whether half of the cells of a line may be names, and two at the least. Rows with words where numbers belong may be
    /// most of a file: nearly all of them are told from a header by first letters and lengths alone.
    fn may_be_most_of(&self, line: &[u8], delimiter: Delimiter) -> bool {
        let (mut filled, mut named) = (0_usize, 0_usize);
        for cell in &dialect::split(line, delimiter) {
            // Other letters may be blanks, or of another length when they are small.
            let Some(word) = std::str::from_utf8(cell).ok().filter(|cell| cell.is_ascii()) else {
                named += 1;
                continue;
            };
            let word = word.trim().as_bytes();
            if let Some(first) = word.first() {
                filled += 1;
                let lengths = self.lengths[usize::from(first.to_ascii_lowercase())];
                named += usize::from(lengths & length_bit(word.len()) != 0);
            }
        }
        named >= 2 && 2 * named >= filled
    }
}

fn length_bit(length: usize) -> u64 {
    1 << length.min(63)
}

/// Cells of a line as names are compared.
fn names(line: &[u8], delimiter: Delimiter) -> Vec<String> {
    let mut names: Vec<String> = dialect::split(line, delimiter).iter().map(|cell| name(cell)).collect();
    names.truncate(names.iter().rposition(|name| !name.is_empty()).map_or(0, |last| last + 1));
    names
}

fn name(cell: &[u8]) -> String {
    String::from_utf8_lossy(cell).trim_start_matches('\u{feff}').trim().to_lowercase()
}

impl Second {
    /// Looks at a row with words where numbers belong.
    ///
    /// * `number`: of the line, from the body's start
    pub(super) fn look(&mut self, line: &[u8], number: u64, layout: &Layout<'_>) {
        let kept = || Line { number, text: clip(&String::from_utf8_lossy(line), SHOWN) };
        if self.header.is_none() && is_other_header(line, layout) {
            self.header = Some(kept());
        } else if let Some(how) = foreign_mark(line, layout).or_else(|| foreign_delimiter(line, layout)) {
            self.foreign_rows += 1;
            self.foreign.get_or_insert_with(|| (kept(), how));
        }
    }

    /// Adds what the rows that follow show.
    ///
    /// * `lines`: before them
    pub(super) fn absorb(&mut self, more: &Self, lines: u64) {
        let moved = |line: &Line| Line { number: line.number + lines, text: line.text.clone() };
        if self.header.is_none() {
            self.header = more.header.as_ref().map(moved);
        }
        if self.foreign.is_none() {
            self.foreign = more.foreign.as_ref().map(|(line, how)| (moved(line), *how));
        }
        self.foreign_rows += more.foreign_rows;
    }

    /// The line that shows it, and in words what shows it; null where there is one table alone.
    pub(super) fn told(self, layout: &Layout<'_>) -> Option<(Line, String)> {
        let foreign = self.foreign.filter(|_| self.foreign_rows >= FOREIGN_ROWS);
        let foreign = foreign.map(|(line, how)| {
            let how = match how {
                Foreign::Delimiter(byte) => {
                    let (now, before) = (words(Delimiter::Byte(byte)), words(layout.between()));
                    format!("cells are separated by {now} here and by {before} elsewhere")
                }
                Foreign::Mark(now) => {
                    let [now, before] = [now, layout.mark].map(char::from);
                    format!("decimals are written with `{now}` here and with `{before}` elsewhere")
                }
            };
            (line, format!("the file holds two tables: {how}"))
        });
        let header = self.header.map(|line| {
            (line, "the file holds two tables: this header is not that of the other rows".to_owned())
        });
        [header, foreign].into_iter().flatten().min_by_key(|(line, _)| line.number)
    }
}

/// In words, where rows of values with another delimiter stand before the table as if they were remarks; with the first.
pub(super) fn before<'a>(layout: &Layout<'a>) -> Option<(&'a [u8], String)> {
    let foreign = |line: &&'a [u8]| Some((*line, foreign_delimiter(line, layout)?));
    let found: Vec<_> = layout.others.iter().filter_map(foreign).collect();
    let (line, how) = found.first().filter(|_| found.len() >= FOREIGN_ROWS)?;
    let Foreign::Delimiter(byte) = how else { return None };
    let (now, before) = (words(layout.between()), words(Delimiter::Byte(*byte)));
    Some((
        line,
        format!("the file holds two tables: cells are separated by {now} here and by {before} before it"),
    ))
}

fn words(delimiter: Delimiter) -> String {
    match delimiter {
        Delimiter::Byte(b'\t') => "a tab".to_owned(),
        Delimiter::Byte(byte) => format!("`{}`", char::from(byte)),
        Delimiter::Blanks => "blanks".to_owned(),
        Delimiter::None => "line ends".to_owned(),
    }
}

/// Whether a line is a header, under any delimiter, and not that of the table.
fn is_other_header(line: &[u8], layout: &Layout<'_>) -> bool {
    let others = CANDIDATES.into_iter().filter(|delimiter| *delimiter != layout.between());
    let mut delimiters = others.chain([layout.between()]);
    let named = delimiters.any(|delimiter| {
        let table = &layout.names;
        table.may_be_most_of(line, delimiter) && {
            let cells = names(line, delimiter);
            table.are_most_of(&cells) && cells != table.in_order
        }
    });
    named || !holds_number(line, layout.between()) && holds_other_words(line, layout)
}

/// Whether some cell is a number without a letter, which reads the same in small letters: most rows with words have one.
fn holds_number(line: &[u8], delimiter: Delimiter) -> bool {
    let other = |byte: &u8| byte.is_ascii_alphabetic() || !byte.is_ascii();
    dialect::split(line, delimiter).iter().any(|cell| {
        let cell = cell.trim_ascii();
        !cell.is_empty() && !cell.iter().any(other) && dialect::is_good(cell)
    })
}

/// Whether a line holds words alone, each once, and enough of them for a header.
fn holds_other_words(line: &[u8], layout: &Layout<'_>) -> bool {
    let cells = names(line, layout.between());
    let mut filled: Vec<&String> = cells.iter().filter(|cell| !cell.is_empty()).collect();
    let count = filled.len();
    let values = filled.iter().any(|cell| dialect::is_good(cell.as_bytes()));
    filled.sort_unstable();
    filled.dedup();
    cells != layout.names.in_order
        && !values
        && filled.len() == count
        && count >= OTHER_WORDS.max(layout.columns.div_ceil(2))
}

/// The other decimal mark, where every cell of a line is a value under it and several are none under the table's own.
fn foreign_mark(line: &[u8], layout: &Layout<'_>) -> Option<Foreign> {
    let other = if layout.mark == b'.' { b',' } else { b'.' };
    let cells = dialect::split(line, layout.between());
    let odd = cells.iter().filter(|cell| {
        number::parse(cell, layout.mark).is_none()
            && number::parse(cell, other).is_some_and(|read| !read.integer)
    });
    let all = || cells.iter().all(|cell| cell.is_empty() || dialect::is_good(cell));
    (cells.len() == layout.columns && odd.count() >= 2 && all()).then_some(Foreign::Mark(other))
}

/// The delimiter under which every cell of a line is a value, where the table's own gives words.
fn foreign_delimiter(line: &[u8], layout: &Layout<'_>) -> Option<Foreign> {
    CANDIDATES.into_iter().filter(|delimiter| *delimiter != layout.between()).find_map(|delimiter| {
        let Delimiter::Byte(byte) = delimiter else { return None };
        let cells = dialect::split(line, delimiter);
        let filled = || cells.iter().filter(|cell| !cell.is_empty());
        let numbers = filled()
            .filter(|cell| number::parse(cell, b'.').is_some() || number::parse(cell, b',').is_some());
        (2 * numbers.count() >= layout.columns.max(4) && filled().all(|cell| dialect::is_good(cell)))
            .then_some(Foreign::Delimiter(byte))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_cheap_question_never_denies_a_header() {
        let header = "Time,RPM,\u{212a}nock,Öldruck,Lambda,A very long name of a column that goes on for more than sixty-three bytes";
        let table = Names::of(Some(header.as_bytes()), Delimiter::Byte(b','));
        let cells = [
            "time",
            "RPM ",
            "\u{feff}Time",
            "KNOCK",
            "\u{212a}nock",
            "ÖLDRUCK",
            "öldruck",
            " lambda",
            "\u{b}rpm\u{b}",
            "\u{a0}",
            "\u{b}",
            "a very long name of a column that goes on for more than SIXTY-THREE bytes",
            "\"rpm\"",
            "'Lambda'",
            "",
            "ON",
            "tame",
            "12.5",
            "-3",
            "1e5",
            "NaN",
            "on",
            "12:30:01",
            "--",
            "lambdas",
        ];
        let (mut named, mut denied, mut numbers) = (0, 0, 0);
        for seed in 0..20_000_usize {
            let picked: Vec<&str> = (0..2 + seed % 5)
                .map(|at| {
                    cells[(seed / 5).wrapping_mul(2_654_435_761).rotate_right(7 * at as u32) % cells.len()]
                })
                .collect();
            for delimiter in CANDIDATES {
                let between = match delimiter {
                    Delimiter::Byte(byte) => char::from(byte).to_string(),
                    _ => " ".to_owned(),
                };
                let line = picked.join(&between);
                let read = names(line.as_bytes(), delimiter);
                let may_be = table.may_be_most_of(line.as_bytes(), delimiter);
                assert!(may_be || !table.are_most_of(&read), "{line:?}");
                let number = holds_number(line.as_bytes(), delimiter);
                assert!(!number || read.iter().any(|cell| dialect::is_good(cell.as_bytes())), "{line:?}");
                named += usize::from(table.are_most_of(&read));
                denied += usize::from(!may_be);
                numbers += usize::from(number);
            }
        }
        assert!(named > 1_000 && denied > 1_000 && numbers > 1_000, "{named} {denied} {numbers}");
    }
}
