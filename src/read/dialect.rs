//! How a text file separates its cells and writes its decimals, told from its lines.

use std::borrow::Cow;

use super::limits::COLUMNS_MOST;
use super::number;

/// What stands between two cells.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Delimiter {
    /// One byte.
    Byte(u8),
    /// Any run of blanks and tabs.
    Blanks,
    /// The file has one column.
    None,
}

impl Delimiter {
    /// The byte that ends a cell; a byte that text does not hold where nothing does.
    pub(super) const fn byte(self) -> u8 {
        match self {
            Self::Byte(byte) => byte,
            Self::Blanks => b' ',
            Self::None => 0,
        }
    }
}

/// How a file is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Dialect {
    pub(super) delimiter: Delimiter,
    /// Decimal mark, `.` or `,`.
    pub(super) mark: u8,
}

/// In order of preference: the later ones also occur inside cells of files that use the earlier ones.
pub(super) const CANDIDATES: [Delimiter; 5] = [
    Delimiter::Byte(b'\t'),
    Delimiter::Byte(b';'),
    Delimiter::Byte(b'|'),
    Delimiter::Byte(b','),
    Delimiter::Blanks,
];

/// A later candidate must score this much better than an earlier one; assumed.
const CLEARLY_BETTER: f64 = 1.05;

/// Tells the dialect from a sample of lines.
///
/// Each delimiter is scored by the share of lines that have the most common number of cells under it, and by
/// the share of filled cells that then read as numbers, times, truth words or null words.
pub(super) fn sniff(lines: &[&[u8]], decimal: Option<char>) -> Dialect {
    let stated = match decimal {
        Some(',') => Some(b','),
        Some('.') => Some(b'.'),
        _ => None,
    };
    // Preamble and header stand at the top; the cells below them decide.
    let body = if lines.len() > 12 { &lines[lines.len() / 3..] } else { lines };
    let mut best: Option<(f64, Delimiter)> = None;
    for delimiter in CANDIDATES {
        if stated == Some(b',')
            && delimiter == Delimiter::Byte(b',')
            && !lines.iter().any(|l| l.contains(&b'"'))
        {
            continue;
        }
        let score = score(body, delimiter);
        if score > 0.0 && best.is_none_or(|(top, _)| score > top * CLEARLY_BETTER) {
            best = Some((score, delimiter));
        }
    }
    let delimiter = best.map_or(Delimiter::None, |(_, delimiter)| delimiter);
    Dialect { delimiter, mark: stated.unwrap_or_else(|| decimal_mark(body, delimiter)) }
}

fn score(lines: &[&[u8]], delimiter: Delimiter) -> f64 {
    let rows: Vec<Vec<Cow<'_, [u8]>>> = lines.iter().map(|line| split(line, delimiter)).collect();
    let usual = usual_count(rows.iter().map(Vec::len));
    if usual < 2 {
        return 0.0;
    }
    let alike: Vec<_> = rows.iter().filter(|row| row.len() == usual).collect();
    let mut filled = 0_usize;
    let mut good = 0_usize;
    for cell in alike.iter().flat_map(|row| row.iter()).filter(|cell| !cell.is_empty()) {
        filled += 1;
        good += usize::from(is_good(cell));
    }
    let consistent = alike.len() as f64 / rows.len().max(1) as f64;
    let readable = good as f64 / filled.max(1) as f64;
    consistent * (0.25 + 0.75 * readable)
}

/// The most common count; the larger of two equally common ones.
pub(super) fn usual_count(counts: impl Iterator<Item = usize>) -> usize {
    let mut sorted: Vec<usize> = counts.collect();
    sorted.sort_unstable();
    let best = sorted.chunk_by(|a, b| a == b).max_by_key(|run| run.len());
    best.and_then(<[usize]>::first).copied().unwrap_or(0)
}

/// Whether a cell reads as a value (under either decimal mark) rather than as a word.
pub(super) fn is_good(cell: &[u8]) -> bool {
    number::parse(cell, b'.').is_some()
        || number::parse(cell, b',').is_some()
        || number::looks_like_time(cell)
        || number::truth(cell).is_some()
        || number::is_null_word(cell)
}

/// The decimal mark by majority of the cells that can be read one way only.
fn decimal_mark(lines: &[&[u8]], delimiter: Delimiter) -> u8 {
    let (mut points, mut commas, mut groups) = (0_usize, 0_usize, 0_usize);
    for line in lines {
        for cell in split(line, delimiter) {
            let with =
                |mark: u8| number::parse(&cell, mark).is_some_and(|n| !n.integer) && cell.contains(&mark);
            points += usize::from(with(b'.'));
            if with(b',') {
                commas += 1;
                let fraction = cell.iter().rev().take_while(|byte| **byte != b',').count();
                groups += usize::from(fraction == 3);
            }
        }
    }
    // Three digits after every comma and points elsewhere: the commas group thousands.
    if commas > points && !(groups == commas && points > 0) { b',' } else { b'.' }
}

/// Cells of one line, blanks and enclosing quotes taken off; of more than any log has, one more than that.
pub(super) fn split(line: &[u8], delimiter: Delimiter) -> Vec<Cow<'_, [u8]>> {
    let mut cells = Vec::new();
    let mut at = 0;
    match delimiter {
        Delimiter::None => cells.push(clean(line)),
        Delimiter::Blanks => {
            let words = line.split(u8::is_ascii_whitespace).filter(|cell| !cell.is_empty());
            cells.extend(words.take(COLUMNS_MOST + 1).map(clean));
        }
        Delimiter::Byte(byte) => loop {
            let rest = line.get(at..).unwrap_or_default();
            let blanks = rest.iter().take_while(|b| **b == b' ').count();
            let opened = rest.get(blanks) == Some(&b'"');
            let length = if opened { quoted_length(rest, blanks, byte) } else { None };
            let length = length.unwrap_or_else(|| memchr::memchr(byte, rest).unwrap_or(rest.len()));
            cells.push(clean(rest.get(..length).unwrap_or_default()));
            at += length + 1;
            if at > line.len() || cells.len() > COLUMNS_MOST {
                break;
            }
        },
    }
    cells
}

/// Length of a quoted cell up to its delimiter, or `None` when the quote does not close before one.
fn quoted_length(rest: &[u8], opening: usize, delimiter: u8) -> Option<usize> {
    let mut at = opening + 1;
    loop {
        let close = at + memchr::memchr(b'"', rest.get(at..)?)?;
        if rest.get(close + 1) == Some(&b'"') {
            at = close + 2;
            continue;
        }
        let tail = rest.get(close + 1..)?;
        let blanks = tail.iter().take_while(|b| matches!(**b, b' ' | b'\r' | b'\n')).count();
        let end = close + 1 + blanks;
        return match rest.get(end) {
            None => Some(rest.len()),
            Some(byte) if *byte == delimiter => Some(end),
            Some(_) => None,
        };
    }
}

/// A cell without the blanks around it and without the quotes that enclose it; doubled quotes inside become one.
pub(super) fn clean(cell: &[u8]) -> Cow<'_, [u8]> {
    let trimmed = cell.trim_ascii();
    match trimmed {
        [b'"', inner @ .., b'"'] => {
            if memchr::memchr(b'"', inner).is_none() {
                Cow::Borrowed(inner)
            } else {
                Cow::Owned(String::from_utf8_lossy(inner).replace("\"\"", "\"").into_bytes())
            }
        }
        [b'\'', inner @ .., b'\''] if memchr::memchr(b'\'', inner).is_none() => {
            Cow::Borrowed(inner.trim_ascii())
        }
        _ => Cow::Borrowed(trimmed),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(text: &str) -> Dialect {
        let lines: Vec<&[u8]> = text.lines().map(str::as_bytes).collect();
        sniff(&lines, None)
    }

    fn byte(delimiter: u8, mark: u8) -> Dialect {
        Dialect { delimiter: Delimiter::Byte(delimiter), mark }
    }

    #[test]
    fn delimiters_are_told_apart() {
        assert_eq!(of("t,a,b\n0.1,1.5,2\n0.2,1.6,3\n"), byte(b',', b'.'));
        assert_eq!(of("t;a;b\n0.1;1.5;2\n0.2;1.6;3\n"), byte(b';', b'.'));
        assert_eq!(of("t\ta\tb\n0.1\t1.5\t2\n0.2\t1.6\t3\n"), byte(b'\t', b'.'));
        assert_eq!(of("t|a|b\n0.1|1.5|2\n0.2|1.6|3\n"), byte(b'|', b'.'));
        let blanks = of("t  a    b\n0.1 1.5   2\n0.2   1.6 3\n");
        assert_eq!(blanks, Dialect { delimiter: Delimiter::Blanks, mark: b'.' });
        assert_eq!(of("value\n1.0\n2.0\n").delimiter, Delimiter::None);
    }

    #[test]
    fn a_decimal_comma_is_told_from_a_delimiter() {
        assert_eq!(of("t;a;b\n0,1;1,5;2\n0,2;1,6;3\n"), byte(b';', b','));
        assert_eq!(of("t\ta\n0,1\t1,5\n0,2\t1,6\n"), byte(b'\t', b','));
        let blanks = of("t  a  b\n0,1  1,5  2,0\n0,2  1,6  2,5\n");
        assert_eq!(blanks, Dialect { delimiter: Delimiter::Blanks, mark: b',' });
        assert_eq!(of("\"t\",\"a\"\n\"0,1\",\"14,7\"\n\"0,2\",\"14,8\"\n"), byte(b',', b','));
    }

    #[test]
    fn a_stated_mark_wins() {
        let lines: Vec<&[u8]> = vec![b"a;b", b"1,500;2", b"1,600;3"];
        assert_eq!(sniff(&lines, Some('.')).mark, b'.');
        let lines: Vec<&[u8]> = vec![b"a b", b"1,5 2,5", b"1,6 2,6"];
        assert_eq!(sniff(&lines, Some(',')).delimiter, Delimiter::Blanks);
    }

    #[test]
    fn times_with_blanks_do_not_make_blanks_the_delimiter() {
        assert_eq!(of("time,v\n2013-12-02 21:15:00,73.9\n2013-12-02 21:20:00,74.9\n"), byte(b',', b'.'));
        assert_eq!(
            of("t,a,b,grid\n0.10,1.5,2,32T 465513 5247058\n0.20,1.6,3,32T 465514 5247059\n"),
            byte(b',', b'.')
        );
        assert_eq!(of("'time PST', s [psu]\n'2001-08-15 19:06:55', 27.37\n"), byte(b',', b'.'));
    }

    #[test]
    fn quoted_cells_hold_delimiters() {
        let cells = split(br#"1,"a, ""b""",,'x', "y" "#, Delimiter::Byte(b','));
        let texts: Vec<String> = cells.iter().map(|c| String::from_utf8_lossy(c).into_owned()).collect();
        assert_eq!(texts, ["1", "a, \"b\"", "", "x", "y"]);
    }

    #[test]
    fn a_quote_that_never_closes_is_part_of_the_cell() {
        assert_eq!(split(b"\"a,b,c", Delimiter::Byte(b',')).len(), 3);
        assert_eq!(split(b"5\" pipe,2", Delimiter::Byte(b',')).len(), 2);
    }
}
