//! Lines of a fixed width: wrapping, hanging indents, emphasis that carries no meaning of its own.

use anstyle::Style;

use crate::clip::clip;
use crate::clip::turns;

/// Characters of a word without a blank: a longer one is no name that anybody reads.
const WORD_MOST: usize = 300;

/// Emphasis of headings and answers.
pub(super) const STRONG: Style = Style::new().bold();
/// Emphasis of dangers; the words say the same.
pub(super) const ALARM: Style =
    Style::new().bold().fg_color(Some(anstyle::Color::Ansi(anstyle::AnsiColor::Red)));

/// Text being laid out.
pub(super) struct Page {
    width: usize,
    text: String,
}

impl Page {
    /// An empty page; widths outside 60..=120 characters are brought to the nearer end, because shorter lines
    /// cannot hold a table and longer ones cannot be read.
    pub(super) fn new(width: usize) -> Self {
        Self { width: width.clamp(60, 120), text: String::new() }
    }

    /// Width of a line.
    #[cfg(test)]
    pub(super) const fn width(&self) -> usize {
        self.width
    }

    /// An empty line, unless there is one already or the page is empty.
    pub(super) fn gap(&mut self) {
        if !self.text.is_empty() && !self.text.ends_with("\n\n") {
            self.text.push('\n');
        }
    }

    /// A section's name, set apart.
    pub(super) fn heading(&mut self, words: &str) {
        self.gap();
        self.text.push_str(&emphasise(words, STRONG));
        self.text.push('\n');
    }

    /// A paragraph, every line indented.
    pub(super) fn paragraph(&mut self, indent: usize, words: &str) {
        self.labelled(indent, "", 0, words, Style::new());
    }

    /// A line as it stands, indented: part of a file that is shown.
    pub(super) fn verbatim(&mut self, indent: usize, line: &str) {
        self.text.push_str(&" ".repeat(indent));
        self.text.push_str(&clean(line));
        self.text.push('\n');
    }

    /// A label and its text beside it; the text's lines hang under its first.
    ///
    /// * `column`: width of the label column; a longer label pushes the first line only
    pub(super) fn labelled(&mut self, indent: usize, label: &str, column: usize, words: &str, style: Style) {
        let label = clean(&clip(label, WORD_MOST));
        let taken = length(&label);
        let first = indent + column.max(if taken == 0 { 0 } else { taken + 1 });
        let lines = wrap(words, self.width.saturating_sub(first), self.width.saturating_sub(indent + column));
        self.text.push_str(&" ".repeat(indent));
        if taken > 0 {
            self.text.push_str(&emphasise(&label, style));
            if !lines.is_empty() {
                self.text.push_str(&" ".repeat(first - indent - taken));
            }
        } else if !lines.is_empty() {
            self.text.push_str(&" ".repeat(column));
        }
        for (index, line) in lines.iter().enumerate() {
            if index > 0 {
                self.text.push_str(&" ".repeat(indent + column));
            }
            self.text.push_str(line);
            self.text.push('\n');
        }
        if lines.is_empty() {
            self.text.push('\n');
        }
    }

    /// Rows of cells under a header, columns separated by two blanks, the last column wrapped.
    ///
    /// * `right`: whether a column is flush right (numbers)
    pub(super) fn table(&mut self, indent: usize, header: &[&str], right: &[bool], rows: &[Vec<String>]) {
        let last = header.len().saturating_sub(1);
        let rows: Vec<Vec<String>> =
            rows.iter().map(|row| row.iter().map(|cell| clean(cell)).collect()).collect();
        let widths: Vec<usize> = (0..last)
            .map(|column| {
                let cells = rows.iter().filter_map(|row| row.get(column)).map(|cell| length(cell));
                cells.chain([length(header[column])]).max().unwrap_or(0).min(self.width / 3)
            })
            .collect();
        let header: Vec<String> = header.iter().map(|cell| (*cell).to_owned()).collect();
        self.row(indent, &widths, right, &header);
        for row in &rows {
            self.row(indent, &widths, right, row);
        }
    }

    fn row(&mut self, indent: usize, widths: &[usize], right: &[bool], cells: &[String]) {
        let mut line = String::new();
        for (column, width) in widths.iter().enumerate() {
            let cell = shorten(cells.get(column).map_or("", String::as_str), *width);
            let pad = " ".repeat(width - length(&cell));
            let (before, after) = if right.get(column).copied().unwrap_or(false) {
                (pad, String::new())
            } else {
                (String::new(), pad)
            };
            line.push_str(&before);
            line.push_str(&cell);
            line.push_str(&after);
            line.push_str("  ");
        }
        let taken = length(&line);
        let words = cells.get(widths.len()).map_or("", String::as_str);
        let room = self.width.saturating_sub(indent + taken);
        let lines = wrap(words, room, room);
        let margin = " ".repeat(indent);
        self.text.push_str(&margin);
        self.text.push_str(if lines.is_empty() { line.trim_end() } else { &line });
        for (index, part) in lines.iter().enumerate() {
            if index > 0 {
                self.text.push('\n');
                self.text.push_str(&margin);
                self.text.push_str(&" ".repeat(taken));
            }
            self.text.push_str(part);
        }
        self.text.push('\n');
    }

    /// The finished text.
    pub(super) fn finish(self) -> String {
        self.text
    }
}

/// Text without control characters: names come from files, and a name must not be able to steer a terminal.
pub(super) fn clean(text: &str) -> String {
    text.chars()
        .map(|c| match c {
            '\n' | '\t' | '\r' => ' ',
            c if c.is_control() || turns(c) => '\u{fffd}',
            c => c,
        })
        .collect()
}

/// What a JSON writer leaves as it is although a terminal would obey it.
pub(super) const fn steers_past_json(c: char) -> bool {
    matches!(c, '\u{7f}'..='\u{9f}') || turns(c)
}

fn emphasise(words: &str, style: Style) -> String {
    format!("{style}{}{style:#}", clean(words))
}

fn length(text: &str) -> usize {
    text.chars().count()
}

fn shorten(text: &str, width: usize) -> String {
    if length(text) <= width {
        return text.to_owned();
    }
    let mut short: String = text.chars().take(width.saturating_sub(2)).collect();
    short.push_str("..");
    short.chars().take(width).collect()
}

/// Breaks text at blanks; a word longer than a line is cut, one longer than people read is clipped.
fn wrap(words: &str, first: usize, next: usize) -> Vec<String> {
    let (first, next) = (first.max(8), next.max(8));
    let mut lines: Vec<String> = Vec::new();
    let mut line = String::new();
    let mut used = 0;
    for word in clean(words).split_whitespace() {
        let word: Vec<char> = clip(word, WORD_MOST).chars().collect();
        let mut rest = word.as_slice();
        loop {
            let room = if lines.is_empty() { first } else { next };
            let blank = usize::from(used > 0);
            if used + blank + rest.len() <= room {
                if blank == 1 {
                    line.push(' ');
                }
                line.extend(rest);
                used += blank + rest.len();
                break;
            }
            if used > 0 {
                lines.push(std::mem::take(&mut line));
                used = 0;
            } else {
                let (cut, after) = rest.split_at(room);
                lines.push(cut.iter().collect());
                rest = after;
            }
        }
    }
    if used > 0 {
        lines.push(line);
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_line_is_longer_than_the_page() {
        let words = "The pressure fell by 31 % while lambda rose as the square root law of the injector says \
                     and_a_word_that_no_line_of_sixty_characters_could_ever_hold_without_being_cut_somewhere";
        for width in [10, 60, 80, 120, 400] {
            let mut page = Page::new(width);
            page.labelled(2, "for", 10, words, STRONG);
            page.paragraph(4, words);
            page.table(2, &["channel", "why"], &[false, false], &[vec![words.to_owned(), words.to_owned()]]);
            let limit = page.width();
            let text = anstream::adapter::strip_str(&page.finish()).to_string();
            assert!(text.lines().all(|line| line.chars().count() <= limit), "{width}\n{text}");
            assert!(text.contains("pressure fell"));
        }
    }

    #[test]
    fn a_name_of_a_megabyte_is_clipped() {
        let mut page = Page::new(80);
        let name = "x".repeat(1 << 20);
        page.labelled(0, &name, 8, &name, Style::new());
        page.table(0, &["channel", "why"], &[false, false], &[vec![name.clone(), name]]);
        let text = page.finish();
        assert!(text.len() < 2_000 && text.contains("characters"), "{} bytes", text.len());
    }

    #[test]
    fn a_name_cannot_steer_the_terminal() {
        assert_eq!(clean("a\u{1b}[2Jb\nc\u{202e}"), "a\u{fffd}[2Jb c\u{fffd}");
    }

    #[test]
    fn words_hang_under_the_first_line() {
        let mut page = Page::new(60);
        page.labelled(0, "Next", 8, &"word ".repeat(20), Style::new());
        let text = page.finish();
        assert!(text.lines().skip(1).all(|line| line.starts_with("        word")), "{text}");
    }
}
